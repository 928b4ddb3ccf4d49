"""Plans for directions of transmission against the binomial law by hand, a posterior on a grid, and a search without the package.

References: Fisher information of a binomial count n p'^2/(p (1 - p)) (textbook), scipy's normal law and minimiser; fluxes of a
uniform field from areas and normals written out here.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import run
from scipy.optimize import minimize
from scipy.special import ndtr
from scipy.stats import norm
from small_study import FRAMES, SIDE_UM, small_study

from fluxsense.design.ambiguity import log_odds_against
from fluxsense.design.information_gain import chip_gain
from fluxsense.design.layout import Judge, study_layout
from fluxsense.design.schedule import sweeps_of, time_to_error, with_sweeps
from fluxsense.design.sensitivity import (
    block_regression,
    direction_points,
    flux_chain,
    planned_experiment,
    points_at,
    predict,
)
from fluxsense.design.working_point import Effort, Landscape, landscape
from fluxsense.study import Study, read_study

SD_PHI0 = 0.04
RATE = 0.03
STEPS = (-0.1, 0.0, 0.1)
AREA_PHI0_PER_T = (SIDE_UM * 1e-6) ** 2 / 2.067833848e-15
OFFSET_SD_PHI0 = 0.01


def make(folder: Path, repeats: int = 20, **changes: object) -> Study:
    options: dict[str, object] = {
        "fluxes": [(0.5, a, 0.5, a) for a in STEPS] + [(a, 0.5, a, 0.5) for a in STEPS],
        "ports": (1,) * 6,
        "repeats": repeats,
        "flux_noise_mphi0": 1e3 * SD_PHI0,
        "wiring": "+90 deg",
        "extra": f'\n[data]\nkind = "direction"\nwrong_way = {RATE}\n',
    }
    study = small_study(folder, **(options | changes))  # type: ignore[arg-type]
    return replace(study, noise=replace(study.noise, white=0.0, gain_drift=0.0, phase_drift_rad=0.0, residual_gain=0.0))


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return make(tmp_path_factory.mktemp("counted"))


def probability(first: np.ndarray, second: np.ndarray, rate: float = RATE) -> np.ndarray:
    """Two rings that each turn round at zero flux, with fluxes well within two quanta."""
    q1, q2 = ndtr(first / SD_PHI0), ndtr(second / SD_PHI0)
    return rate + (1 - 2 * rate) * (q1 * q2 + (1 - q1) * (1 - q2))


def normals() -> np.ndarray:
    """Normals of the four loops."""
    axes = np.array([FRAMES[c] for c in ("chip_x", "chip_y", "chip_z", "chip_s")], dtype=float)
    n = np.cross(axes[:, 0], axes[:, 1])
    return n / np.linalg.norm(n, axis=1, keepdims=True)


def all_probabilities(w: np.ndarray, offset: np.ndarray, study: Study) -> np.ndarray:
    """Of reading 1 to 2 for fields w (..., 3) in stated sizes and offsets (..., 4): (..., state, setting, isolator)."""
    flux = AREA_PHI0_PER_T * study.source.size * w @ normals().T
    settings = np.array([(0.5, a, 0.5, a) for a in STEPS] + [(a, 0.5, a, 0.5) for a in STEPS])
    out = []
    for on in (0.0, 1.0):
        total = settings + (offset + on * flux)[..., None, :]
        out.append(np.stack([probability(total[..., 2 * i], total[..., 2 * i + 1]) for i in (0, 1)], axis=-1))
    return np.stack(out, axis=-3)


@pytest.mark.parametrize("flux", [-0.07, 0.0, 0.03, 0.2])
def test_information_of_one_group_by_hand(study: Study, flux: float) -> None:
    experiment = planned_experiment(study)
    x = points_at(experiment.unknowns, [[0.0, 1.0, 0.0]], flux / (AREA_PHI0_PER_T * study.source.size))
    parameters = experiment.parameters(x)
    chain = flux_chain(experiment.benches[0].model, experiment.unknowns, x, parameters)
    kinds = [s.kind for s in study.states]
    number = next(
        n
        for n, b in enumerate(experiment.blocks)
        if experiment.benches[b.bench].isolator == 0
        and np.allclose(experiment.benches[b.bench].bias_a[:2], (0.5 / 600, 0.0), atol=1e-9)
    )  # fmt: skip
    found = block_regression(experiment, experiment.blocks[number], parameters, chain, derivatives=True)
    place = [kinds[s] for s in experiment.blocks[number].states].index("in")
    first, count = 2 * place, experiment.benches[experiment.blocks[number].bench].count
    z = flux / SD_PHI0
    p = RATE + (1 - 2 * RATE) * ndtr(z)  # the first ring's sign is sure at half a flux quantum
    slope = (1 - 2 * RATE) * norm.pdf(z) / SD_PHI0
    each = slope**2 / (p * (1 - p))
    assert found.information[0, first + 1, first + 1] == pytest.approx(20 * each, rel=1e-3, abs=5e-3)
    assert found.information[0, first, first] == pytest.approx(0.0, abs=5e-3)
    assert found.per_sweep is not None
    assert found.per_sweep[0, count * place, first + 1, first + 1] == pytest.approx(each, rel=1e-3, abs=1e-4)
    assert np.all(found.per_sweep[:, count - 1 :: count] == 0)  # pump-off sweeps say no direction


def test_batch_equals_loop_and_information_is_per_sweep(study: Study) -> None:
    experiment = planned_experiment(study)
    assert experiment.slow is None
    x = direction_points(experiment.unknowns, 4, 3)
    together = predict(experiment, x)
    for k in range(4):
        np.testing.assert_allclose(
            predict(experiment, x[k : k + 1]).information[0], together.information[k], rtol=1e-6, atol=1e-6
        )
    more = predict(with_sweeps(experiment, 3 * sweeps_of(experiment)), x)
    np.testing.assert_allclose(more.information, 3 * together.information, rtol=1e-9)


def test_predicted_covariance_against_posteriors_on_a_grid(tmp_path: Path) -> None:
    """Counts drawn and weighed by the law written out here; posterior of the field alone, offsets known to be zero."""
    study = make(tmp_path, repeats=200)
    exact = replace(study, loops=tuple(x.with_sd(offset_phi0=0.0) for x in study.loops))
    experiment = planned_experiment(exact)
    v = np.array([0.48, -0.6, 0.64])
    predicted = predict(experiment, points_at(experiment.unknowns, [v])).source_covariance()[0]
    root = np.linalg.cholesky(predicted)
    line = np.linspace(-4.5, 4.5, 21)
    grid = np.stack(np.meshgrid(line, line, line, indexing="ij"), axis=-1).reshape(-1, 3)
    rng = np.random.default_rng(2)
    true = all_probabilities(v, np.zeros(4), exact)
    w = v + grid @ root.T
    p = all_probabilities(w, np.zeros(4), exact).reshape(len(w), -1)
    found = []
    for _ in range(8):
        k = rng.binomial(200, true).ravel()
        log_p = np.log(p) @ k + np.log1p(-p) @ (200 - k) - 1.5 * np.sum(w * w, axis=1)
        weight = np.exp(log_p - log_p.max())
        weight /= weight.sum()
        mean = weight @ w
        found.append((w - mean).T @ ((w - mean) * weight[:, None]))
    whitened = np.linalg.solve(root, np.linalg.solve(root, np.mean(found, axis=0)).T)
    np.testing.assert_allclose(whitened, np.eye(3), atol=0.15)
    loud = replace(exact, data=replace(exact.data, wrong_way=0.2))  # negative control
    other = predict(planned_experiment(loud), points_at(experiment.unknowns, [v])).source_covariance()[0]
    assert np.trace(np.linalg.solve(predicted, other)) > 3 * 1.5


def test_odds_against_the_reverse_by_another_minimiser(study: Study) -> None:
    """n Kullback-Leibler divergences plus prior costs, least over size and offsets: scipy against the package's own descent."""
    experiment = planned_experiment(replace(study, plan=replace(study.plan, repeats=2)))
    v = np.array([0.48, 0.6, 0.64])
    truth = all_probabilities(v, np.zeros(4), study)

    def cost(z: np.ndarray, unit: np.ndarray) -> float:
        p = all_probabilities(z[0] * unit, OFFSET_SD_PHI0 * z[1:], study)
        apart = truth * np.log(truth / p) + (1 - truth) * np.log((1 - truth) / (1 - p))
        return float(2 * apart.sum() + 1.5 * z[0] ** 2 + 0.5 * np.sum(z[1:] ** 2))

    def least(unit: np.ndarray) -> float:
        starts = [np.array([s, 0, 0, 0, 0]) for s in (0.05, 0.5, 1.0)]
        return min(
            minimize(cost, z, args=(unit,), method="L-BFGS-B", bounds=[(1e-3, 4)] + [(-6, 6)] * 4).fun for z in starts
        )

    turn = np.array([0.6, 0.48, 0.64])
    found = log_odds_against(experiment, v, [-v, turn])
    own = least(v)
    assert found == pytest.approx([least(-v) - own, least(turn) - own], rel=0.04)


def test_gain_of_one_sure_reading_is_a_bit(tmp_path: Path) -> None:
    """A field that turns one ring round for certain, either way: n sweeps of an error-free law tell ln 2, whatever n."""
    study = make(
        tmp_path,
        repeats=5,
        fluxes=[(0.5, 0.0, 0.5, 0.5)],
        ports=(1,),
        extra='\n[data]\nkind = "direction"\nwrong_way = 1e-9\n',
    )
    chosen = replace(
        study,
        loops=tuple(x.with_sd(offset_phi0=0.0) for x in study.loops),
        noise=replace(study.noise, flux_phi0=1e-4),
        source=replace(study.source, size=study.source.size / 5),  # the second isolator's loops then never turn round
    )
    gain = chip_gain(planned_experiment(chosen), outer=60)
    assert gain.lower == pytest.approx(np.log(2), abs=0.06)
    assert gain.upper == pytest.approx(np.log(2), abs=0.06)


def test_flux_noise_that_stays_leaves_one_sweep_a_group(study: Study) -> None:
    """Whatever the number of sweeps, a group whose flux stays goes one way throughout."""
    experiment = planned_experiment(study)
    x = direction_points(experiment.unknowns, 2, 1)
    time = time_to_error(experiment, x, 3.0)
    once = predict(with_sweeps(experiment, np.ones(sweeps_of(experiment).size)), x).angular_error_rad()
    assert time.floor_if_flux_noise_stays_deg == pytest.approx(np.degrees(np.sqrt(np.mean(once**2))), rel=1e-9)
    assert time.reachable
    assert time.floor_deg < 0.1


def test_layout_judges_directions_without_a_table(study: Study) -> None:
    experiment = planned_experiment(study)
    x = direction_points(experiment.unknowns, 8, 1)
    judge = Judge(study, x)
    present = study_layout(study)
    value = judge.value(judge.rows(present.chips, present.outlines))
    expected = predict(experiment, x).expected_error_deg()
    assert np.degrees(value) == pytest.approx(expected, rel=0.02)  # a search makes do with noise at fewer fluxes


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two settings, and a source whose flux stays within two standard deviations of the flux noise: else few sweeps would flip."""
    folder = tmp_path_factory.mktemp("commands")
    return make(folder, 200, fluxes=[(0.5, 0.0, 0.5, 0.0), (0.0, 0.5, 0.0, 0.5)], ports=(1, 1), size_ut=0.25).path


def coarse_landscape(study: Study, x: np.ndarray, isolator: int, nodes: int) -> Landscape:
    return landscape(study, x, isolator, min(nodes, 3))


def test_plan_for_directions(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The whole command; search and landscape, which solve readings anew for each bias, make do with a few trials and nine nodes."""
    monkeypatch.setattr("fluxsense.jobs.plan.Effort", lambda **_: Effort(rounds=1, samples=2, polish=2))
    monkeypatch.setattr("fluxsense.jobs.plan.landscape", coarse_landscape)
    done = run(["plan", path, "--json", "--out", tmp_path])
    document = json.loads(done.out)
    assert done.code == 0, document["verdict"]
    assert document["frequencies"] is None
    assert document["time"]["floor_if_flux_noise_does_not_average_deg"] > 5
    assert {s["pump_power_w"] for s in document["settings"]} == {1e-9}  # which way it goes does not hang on it
    assert "Counts of directions do not test the study" in document["known_source"]["said"][0]
    assert "Fisher information of the counts" in (tmp_path / "plan.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_layout_for_directions(path: Path, tmp_path: Path) -> None:
    """It ends, and judges the layout as it is as a plan does."""
    done = run(["layout", path, "--json", "--starts", "1", "--steps", "2", "--out", tmp_path])
    found = json.loads(done.out)["comparison"]["position_as_stated"]["now"]["error"]
    experiment = planned_experiment(read_study(path))
    expected = predict(experiment, direction_points(experiment.unknowns, 48, 0, fresh=True)).expected_error_deg()
    assert found == pytest.approx(expected, rel=1e-6)
