"""Chips that are not quite where the study says: the outside reference is the same study with its axes turned by scipy's Rotation."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from small_study import fitted, study_text

from fluxsense.design.sensitivity import flux_chain, planned_experiment
from fluxsense.device.chip import SourceRows, loop_wires
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.parameter import TILT
from fluxsense.model.priors import uncertain_parameters
from fluxsense.study import Study, read_study

DEFAULT_RAD = np.radians(0.5)


def study_of(folder: Path, **changes: object) -> Study:
    """Four chips in a field of 3 uT; white noise of 0.003, everything exact but the tilts, which have their default."""
    path = folder / "study.toml"
    text = study_text(wiring="+90 deg", offset_sd_mphi0=1.0, size_ut=3.0, **changes)  # type: ignore[arg-type]
    path.write_text(text.replace("white = 0.01", "white = 0.003"), encoding="utf-8")
    study = read_study(path)
    return replace(study, chips=tuple(replace(c, unstated_exact=False) for c in study.chips))


def turned(study: Study, tilt_rad: np.ndarray) -> Study:
    """The study with each chip's axes turned about its own x and y axes by tilts (C, 2)."""
    chips = []
    for chip, tilt in zip(study.chips, tilt_rad, strict=True):
        x, y = np.array(chip.x_axis), np.array(chip.y_axis)
        turn = Rotation.from_rotvec(tilt[0] * x + tilt[1] * y)
        chips.append(replace(chip, x_axis=tuple(turn.apply(x)), y_axis=tuple(turn.apply(y))))
    return replace(study, chips=tuple(chips))


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return study_of(tmp_path_factory.mktemp("tilt"))


def test_a_tilt_is_the_turned_chip(study: Study) -> None:
    tilt = np.random.default_rng(1).normal(scale=0.3, size=(5, len(study.chips), 2))
    rows = SourceRows(study, loop_wires(study))
    found = rows.in_states(np.zeros((5, 3)), None, tilt)
    for one, tilts in zip(found, tilt, strict=True):
        other = turned(study, tilts)
        # outlines away from a chip's origin move too, which means nothing to a uniform field
        expected = SourceRows(other, loop_wires(other)).in_states(np.zeros((1, 3)))[0]
        assert one == pytest.approx(expected, rel=1e-9, abs=1e-9 * np.abs(expected).max())


def test_slopes_are_those_of_the_map(study: Study) -> None:
    rows = SourceRows(study, loop_wires(study))
    exact = rows.by_tilt(np.zeros((1, 3)))[0]
    for c in range(len(study.chips)):
        for k in range(2):
            step = np.zeros((1, len(study.chips), 2))
            step[0, c, k] = 1e-5
            ends = [rows.in_states(np.zeros((1, 3)), None, s)[0] for s in (step, -step)]
            assert exact[c, k] == pytest.approx((ends[0] - ends[1]) / 2e-5, abs=1e-8 * np.abs(exact).max())


def test_design_has_the_slopes_of_the_model(study: Study) -> None:
    experiment = planned_experiment(study)
    unknowns, model = experiment.unknowns, experiment.benches[0].model
    x = np.zeros((1, unknowns.size))
    x[0, :3] = 0.4, -0.3, 0.6
    chain = flux_chain(model, unknowns, x, unknowns.parameters(x))
    columns = [c for c, n in enumerate(unknowns.nuisances, 3) if n.array == TILT]
    assert len(columns) == 8
    for column in columns:
        step = 1e-4 * np.eye(unknowns.size)[column]
        ends = [model.source_flux(unknowns.parameters(x + s))[0] for s in (step, -step)]
        assert chain.slopes[0, ..., column] == pytest.approx((ends[0] - ends[1]) / 2e-4, abs=1e-9)


def test_which_chips_may_be_tilted(study: Study, tmp_path: Path) -> None:
    def tilts(of: Study) -> list[float]:
        return [p.sd for p in uncertain_parameters(of, ("c1",), [0, 1]) if p.array == TILT]

    assert tilts(study) == pytest.approx([DEFAULT_RAD] * 8)
    exact = replace(study, chips=tuple(c.with_sd(tilt_rad=0.0) for c in study.chips))
    assert tilts(exact) == []
    alone = study_of(tmp_path, chips=("chip_x",) * 4)
    assert tilts(alone) == []  # it is its own frame


def errors_over_spreads(study: Study, laboratory: Study, seeds: range) -> np.ndarray:
    """Squared distance of the truth from the mode in the posterior's own spreads, over the three components, for each seed."""
    out = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        tilted = turned(laboratory, DEFAULT_RAD * rng.standard_normal((len(laboratory.chips), 2)))
        truth = draw_truth(tilted, seed)
        source = truth.parameters["source"][0]
        problem, x = fitted(study, simulate_digest(tilted, truth), (1, 1), source)
        _, prior = problem.unknowns.prior_curvature(x)
        covariance = np.linalg.inv(problem.curvatures(x[None])[2][0] + prior)[:3, :3]
        off = x[:3] - source / study.source.size
        out.append(off @ np.linalg.solve(covariance, off))
    return np.array(out)


def test_answers_hold_the_truth_of_tilted_chips(study: Study) -> None:
    """Chi-square of three degrees of freedom, 8 campaigns; and the control without tilts, which is far off."""
    exact = replace(study, chips=tuple(c.with_sd(tilt_rad=0.0) for c in study.chips))
    found = errors_over_spreads(study, exact, range(8))
    assert 24 - 3 * np.sqrt(48) < found.sum() < 24 + 4 * np.sqrt(48)
    assert errors_over_spreads(exact, exact, range(3)).mean() > 30
