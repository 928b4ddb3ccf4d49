"""Turns whose angle is not quite what the study says: the outside reference is the same study with another angle, by scipy's Rotation."""

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
from fluxsense.model.parameter import TURN
from fluxsense.model.priors import uncertain_parameters
from fluxsense.study import State, Study, read_study

AXIS = np.array([0.2, -0.5, 1.0]) / np.linalg.norm([0.2, -0.5, 1.0])
SOURCE = """
[[state]]
name = "turned"
kind = "turned"
rotation_axis = [0.2, -0.5, 1.0]
rotation_angle = "120 deg"
"""


def study_of(folder: Path, angle_sd: str = "") -> Study:
    """In, turned and out in a field of 3 uT; white noise of 0.003, everything else exact."""
    path = folder / "study.toml"
    text = study_text(wiring="+90 deg", offset_sd_mphi0=1.0, size_ut=3.0, states=("out", "in", "turned"))
    text = text.replace("white = 0.01", "white = 0.003").replace("\n[sweep]", f"{SOURCE}{angle_sd}\n[sweep]")
    path.write_text(text, encoding="utf-8")
    return read_study(path)


def by(study: Study, angle_rad: float) -> Study:
    """The same with another angle."""
    turn = Rotation.from_rotvec(angle_rad * AXIS).as_matrix()
    states = [replace(s, rotation=tuple(map(tuple, turn))) if s.kind == "turned" else s for s in study.states]
    return replace(study, states=tuple(states))


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return study_of(tmp_path_factory.mktemp("turn"), 'rotation_angle_sd = "2 deg"\n')


def test_an_error_is_another_angle(study: Study) -> None:
    rows = SourceRows(study, loop_wires(study))
    place = int(np.flatnonzero([s.kind == "turned" for s in study.states])[0])
    for error in (-0.4, 1e-3, 0.2, 3.0):
        errors = np.zeros((1, len(study.states)))
        errors[0, place] = error
        found = rows.in_states(np.zeros((1, 3)), None, None, errors)
        expected = SourceRows(by(study, np.radians(120) + error), loop_wires(study)).in_states(np.zeros((1, 3)))
        np.testing.assert_allclose(found, expected, rtol=0, atol=1e-9 * np.abs(expected).max())


def test_slopes_are_those_of_the_map(study: Study) -> None:
    rows = SourceRows(study, loop_wires(study))
    exact, count = rows.by_turn(np.zeros((1, 3)))[0], len(study.states)
    for n in range(count):
        step = 1e-4 * np.eye(count)[n]
        ends = [rows.in_states(np.zeros((1, 3)), None, None, s * step[None])[0] for s in (1, -1)]
        np.testing.assert_allclose(exact[n], (ends[0] - ends[1]) / 2e-4, rtol=0, atol=1e-6 * np.abs(exact).max())


def test_a_plan_knows_of_turns(study: Study) -> None:
    """The slopes by the angle are differences of the model's fluxes."""
    experiment = planned_experiment(study)
    unknowns, model = experiment.unknowns, experiment.benches[0].model
    x = np.zeros((1, unknowns.size))
    x[0, :3] = 0.4, -0.3, 0.6
    column = unknowns.lead + [n.array for n in unknowns.nuisances].index(TURN)
    slopes = flux_chain(model, unknowns, x, unknowns.parameters(x)).slopes[0, ..., column]
    step = 1e-4 * np.eye(unknowns.size)[column]
    up, down = (model.source_flux(unknowns.parameters(y))[0] for y in (x + step, x - step))
    np.testing.assert_allclose(slopes, (up - down) / 2e-4, rtol=0, atol=1e-6 * np.abs(slopes).max())


def test_what_is_uncertain(tmp_path: Path, study: Study) -> None:
    def found(one: Study) -> list[tuple[str, float]]:
        return [(p.name, p.sd) for p in uncertain_parameters(one, ["c1"], [0, 1]) if p.array == TURN]

    assert found(study) == [("angle of the turn turned", pytest.approx(np.radians(2), rel=1e-12, abs=0))]
    assert found(study_of(tmp_path)) == []  # everything unstated is exact there
    bare = replace(study, states=(State("out", "out"), State("half", "turned", ((-1, 0, 0), (0, -1, 0), (0, 0, 1)))))
    assert found(bare) == [("angle of the turn half", pytest.approx(np.radians(1), rel=1e-12, abs=0))]


def test_a_turn_that_is_off_is_found(study: Study, tmp_path: Path) -> None:
    """Sweeps of a turn by 5 degrees more: with an angle that may be off the direction is right, without it is not."""
    truth = draw_truth(by(study, np.radians(125)), 2)
    digest = simulate_digest(
        by(study, np.radians(125)),
        replace(truth, parameters=truth.parameters.changed(turn_error_rad=np.zeros((1, len(study.states))))),
    )
    source = truth.parameters["source"][0]
    away = []
    for one in (study, study_of(tmp_path)):
        problem, x = fitted(one, digest, truth.port_signs, source)
        mine = problem.unknowns.source(x[None])[0]
        away.append(float(np.degrees(np.arccos(mine @ source / np.linalg.norm(mine) / np.linalg.norm(source)))))
        for column, p in enumerate(problem.unknowns.nuisances, problem.unknowns.lead):
            if p.array == TURN:
                assert np.degrees(p.sd * x[column]) == pytest.approx(5.0, abs=0.5)
    assert away[0] < 0.5 < 1.0 < away[1]
