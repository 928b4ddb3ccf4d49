"""Simulated campaigns, wiring, predictive check, limits and the overview, on a small invented study.

Facts of the trade checked here (common practice, no source): one flux reversed reverses the direction of transmission, two
preserve it, the other pump port reverses it; an isolator without internal loss blocks 15 dB or more.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from calibration_studies import calibration_study
from scipy.stats import chi2
from small_study import fitted, small_study

from fluxsense.base.errors import InputError
from fluxsense.base.sphere import direction_error_rad
from fluxsense.data.campaign import load_campaign
from fluxsense.data.digest import Digest, GroupKey, off_group_for
from fluxsense.data.noise_levels import level_draws, measure_noise
from fluxsense.device.chip import ChipModel, nominal_parameters
from fluxsense.infer.budget import flux_map_rank, limits, offset_blur, rank_findings
from fluxsense.infer.modes import LocalMode, ascend, find_modes
from fluxsense.infer.orient import WIDE_EFFORT, misfit_deviations, prepare, unreferenced_cooldowns
from fluxsense.infer.predictive import estimate_residual_gain, predictive_check
from fluxsense.infer.wiring import read_wiring, source_flux_scale_phi0
from fluxsense.jobs.check import check
from fluxsense.jobs.simulate import draw_truth, read_truth_source, simulate_digest, truth_text, write_campaign
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.linearised import Linearised
from fluxsense.model.priors import integrated_arrays
from fluxsense.model.problem import CampaignProblem, Problem
from fluxsense.model.unknowns import Unknowns
from fluxsense.report.sentences import sentences
from fluxsense.study import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return small_study(tmp_path_factory.mktemp("campaign"), strength_sd=0.02, phase_sd_deg=2.0, points=25)


def test_a_search_that_missed_the_mode_begins_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first search is made to find wrong modes only: the misfit tells, and a wider one finds the mode at the truth."""
    study = calibration_study("complex", tmp_path)
    truth = draw_truth(study, 1170)
    true = truth.parameters["source"][0] / study.source.size
    asked: list[int] = []

    def missing(
        problem: Problem,
        rng: np.random.Generator,
        progress: object = None,
        *,
        effort: int = 1,
        about: np.ndarray | None = None,
    ) -> list[LocalMode]:
        found = find_modes(problem, rng, effort=effort, about=about)
        asked.append(effort)
        wrong = [m for m in found if np.linalg.norm(m.x[:3] - true) > 0.3]
        assert wrong
        return wrong[:2] if effort == 1 else found

    monkeypatch.setattr("fluxsense.infer.orient.find_modes", missing)
    problem, modes, _ = prepare(study, simulate_digest(study, truth), rng=np.random.default_rng(1))
    assert asked == [1, 1, WIDE_EFFORT, WIDE_EFFORT]  # each with sharp and loose noise
    away = modes[0].x[:3] - true
    assert away @ np.linalg.solve(modes[0].covariance[:3, :3], away) < chi2.isf(1e-4, 3)
    assert misfit_deviations(problem, modes[0].x) < 3


def test_files_and_memory_hold_the_same_campaign(study: Study, tmp_path: Path) -> None:
    truth = draw_truth(study, 1)
    rows = write_campaign(study, truth, tmp_path, digits=12)
    moved = replace(study, path=tmp_path / "study.toml", logs=(tmp_path / "log.csv",))
    read, made = load_campaign(moved), simulate_digest(study, truth)
    assert len(rows) == read.sweeps == made.sweeps
    assert list(read) == list(made)
    for key in read:
        np.testing.assert_allclose(read[key].mean, made[key].mean, atol=1e-9)
    source, position = read_truth_source(tmp_path / "truth.toml", study)
    np.testing.assert_allclose(source, truth.parameters["source"][0], rtol=1e-5, atol=1e-6 * study.source.size)
    assert position is None
    assert tomllib.loads(truth_text(study, truth))["seed"] == 1
    with pytest.raises(InputError, match="exists already"):
        write_campaign(study, truth, tmp_path)


def test_same_seed_same_campaign_other_seed_another(study: Study) -> None:
    one, two, three = (simulate_digest(study, draw_truth(study, s)) for s in (2, 2, 3))
    key = next(iter(one))
    assert np.array_equal(one[key].mean, two[key].mean)
    assert not np.array_equal(one[key].mean, three[key].mean)


@pytest.mark.parametrize("sign", [1, -1])
def test_wiring_is_read_from_reference_sweeps(study: Study, sign: int) -> None:
    truth = replace(draw_truth(study, 4), port_signs=(sign, -sign))
    wiring = read_wiring(study, simulate_digest(study, truth), [0, 1])
    assert wiring.signs == (sign, -sign)
    assert min(wiring.log_odds) > 10


def test_wiring_is_read_without_reference_sweeps_where_the_bias_dominates(study: Study) -> None:
    digest = simulate_digest(study, draw_truth(study, 5))
    alone = Digest({k: v for k, v in digest.items() if k.state == "in"})
    assert read_wiring(study, alone, [0, 1]).signs == draw_truth(study, 5).port_signs


def test_source_flux_scale_is_that_of_random_directions(study: Study) -> None:
    rng = np.random.default_rng(0)
    v = rng.normal(size=(20_000, 3)) * study.source.size / np.sqrt(3)
    rows = np.array([nominal_flux(study, axis) for axis in np.eye(3) * study.source.size]).T / study.source.size
    expected = np.sqrt(np.mean((v @ rows.T) ** 2, axis=0))
    np.testing.assert_allclose(source_flux_scale_phi0(study), expected, rtol=0.03)


def nominal_flux(study: Study, source: np.ndarray) -> np.ndarray:
    model = ChipModel(study, [], [np.zeros(0)] * len(study.isolators))
    return model.source_flux(nominal_parameters(study, source))[0, 1]


def test_predictive_check_passes_its_own_noise_and_catches_another_chip(study: Study) -> None:
    values = []
    for seed in range(20, 26):
        truth = draw_truth(study, seed)
        problem, x = fitted(study, simulate_digest(study, truth), truth.port_signs, truth.parameters["source"][0])
        explicit, wide = problem.explicit(x)
        values.append(predictive_check(Linearised.of(explicit, wide), np.random.default_rng(0)).p_value)
    assert min(values) > 1e-3
    assert max(values) > 0.2
    # the traces of a chip whose second mode of isolator a is 4 MHz higher
    first, second = study.isolators[0].stages
    other = replace(
        study,
        isolators=(
            replace(
                study.isolators[0],
                stages=(first, replace(second, signal_frequency_hz=second.signal_frequency_hz + 4e6)),
            ),
            study.isolators[1],
        ),
    )
    truth = draw_truth(other, 20)
    problem, x = fitted(study, simulate_digest(other, truth), truth.port_signs, truth.parameters["source"][0])
    explicit, wide = problem.explicit(x)
    assert predictive_check(Linearised.of(explicit, wide), np.random.default_rng(0)).p_value < 1e-5


def test_residual_gain_is_raised_where_the_data_demand_it(study: Study) -> None:
    for actual, low, high in ((0.0, 0.0, 0.0011), (0.01, 0.005, 0.02)):
        made = replace(study, noise=replace(study.noise, residual_gain=actual))
        truth = draw_truth(study, 6)
        digest = simulate_digest(made, truth)
        candidates = {
            g: RatioLikelihood(study, digest, truth.port_signs, residual_gain=g, reference=truth.parameters)
            for g in (0.0, 0.001, 0.003, 0.005, 0.01, 0.02, 0.05)
        }
        assert low <= estimate_residual_gain(candidates, truth.parameters) <= high


def test_limits_know_the_offsets(study: Study) -> None:
    """Without reference sweeps the error is the offsets'; with them it is not."""
    truth = draw_truth(study, 7, source=[0.4e-6, -0.6e-6, 0.5e-6])
    digest = simulate_digest(study, truth)
    problem, x = fitted(study, digest, truth.port_signs, truth.parameters["source"][0])
    with_reference, _ = limits(problem, x)
    alone = Digest({k: v for k, v in digest.items() if k.state == "in"})
    assert unreferenced_cooldowns(study, alone, ["c1"]) == {0: 1}
    assert unreferenced_cooldowns(study, digest, ["c1"]) == {}
    likelihood = RatioLikelihood(study, alone, truth.port_signs)
    unknowns = Unknowns(study, likelihood.cooldowns, leave_out=("pump_phase_error_rad",), sheared={0: 1})
    mode = ascend(
        CampaignProblem(unknowns, likelihood),
        np.r_[truth.parameters["source"][0] / study.source.size, np.zeros(unknowns.size - 3)],
    )
    assert mode is not None
    without, table = limits(CampaignProblem(unknowns, likelihood), mode.x)
    assert without > 5 * with_reference
    known = next(row for row in table if row.kind == "offset")
    assert known.error_if_known_deg < 0.3 * without
    # the linear estimate that `check` prints is of the same size
    blur, flux = offset_blur(study)
    assert 0.3 < blur / without < 3
    assert flux == pytest.approx(float(np.sqrt(np.mean(source_flux_scale_phi0(study) ** 2))))


def test_offsets_blur_is_that_of_drawn_sources(tmp_path: Path) -> None:
    """Loops along x, y, z and z, whose fluxes are measured without error but for their offsets.

    References: a field through an area in closed form (B A/Phi0); the rms of the part of the error across the true direction, for
    a source of the stated size, over 20000 draws of prior, offsets and direction, estimated by least squares with the prior.
    """
    chips = ("chip_x", "chip_y", "chip_z", "chip_z")
    study = small_study(tmp_path, chips=chips, offset_sd_mphi0=100.0, size_ut=2.0)
    blur, flux = offset_blur(study)
    through = 2e-6 * (20e-6) ** 2 / 2.067833848e-15  # 2 uT, 20 um, h/2e: 0.39 flux quanta
    assert flux == pytest.approx(through / np.sqrt(3), rel=1e-6)
    normals = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0, 1], [0, 0, 1]])
    rng = np.random.default_rng(12)
    source = rng.standard_normal((20_000, 3)) / np.sqrt(3)
    measured = through * source @ normals.T + 0.1 * rng.standard_normal((20_000, 4))
    # the prior as three more measurements of zero
    design = np.concatenate([through * normals / 0.1, np.sqrt(3) * np.eye(3)])
    values = np.concatenate([measured / 0.1, np.zeros((20_000, 3))], axis=1)
    error = np.linalg.lstsq(design, values.T, rcond=None)[0].T - source
    axis = rng.standard_normal((20_000, 3))
    axis /= np.sqrt(np.sum(axis**2, axis=1, keepdims=True))
    square = np.sum(np.cross(error, axis) ** 2, axis=1)
    assert np.radians(blur) ** 2 == pytest.approx(square.mean(), abs=5 * square.std() / np.sqrt(20_000))


@pytest.mark.parametrize("extent_m", [0.0, 5e-6])
def test_sheared_offsets_are_the_same_posterior(study: Study, extent_m: float) -> None:
    """A change of coordinates: equal densities at corresponding points, and natural again in `physical`."""
    study = replace(study, source=replace(study.source, extent_m=extent_m))
    truth = draw_truth(study, 8)
    digest = simulate_digest(study, truth)
    likelihood = RatioLikelihood(study, digest, truth.port_signs)
    plain = Unknowns(study, likelihood.cooldowns)
    sheared = Unknowns(study, likelihood.cooldowns, sheared={0: 1})
    x = plain.draw(np.random.default_rng(1), 5)
    y = sheared.draw(np.random.default_rng(1), 5)
    np.testing.assert_allclose(sheared.physical(y), plain.physical(x), rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(sheared.log_prior(y), plain.log_prior(x), rtol=1e-12)
    np.testing.assert_allclose(
        likelihood.log_likelihood(sheared.parameters(y)), likelihood.log_likelihood(plain.parameters(x)), rtol=1e-9
    )
    assert np.linalg.det(sheared.natural_jacobian(y[0])) == pytest.approx(1)
    # what is sampled in a sheared cooldown is the loop's flux with the source in: the offset and the model's own source flux
    flux = ChipModel(study, [], [[5e9]] * len(study.isolators)).source_flux(plain.parameters(x))[:, 1]
    offsets = [(column, n) for column, n in enumerate(sheared.nuisances, 3) if n.array == "offset_phi0"]
    assert len(offsets) > 1
    for column, n in offsets:
        np.testing.assert_allclose((y - x)[:, column] * n.sd, flux[:, n.index[1]], rtol=1e-9)


def test_angular_error_of_a_round_covariance() -> None:
    """Both tangential components of a unit vector with standard deviation s: s sqrt(2)."""
    assert direction_error_rad(np.array([0.0, 0.0, 2.0]), 0.01**2 * np.eye(3)) == pytest.approx(0.005 * np.sqrt(2))
    assert direction_error_rad(np.zeros(3), np.eye(3)) == pytest.approx(np.pi)


def test_rank_in_words(tmp_path: Path) -> None:
    for chips, rank, word in (
        (("chip_z",) * 4, 1, "rank one"),
        (("chip_x", "chip_y", "chip_x", "chip_y"), 2, "rank two"),
        (("chip_x", "chip_y", "chip_z", "chip_s"), 3, ""),
    ):
        one = small_study(tmp_path, chips=chips)
        assert flux_map_rank(one).rank == rank
        words = sentences(rank_findings(one))
        assert (word in words[0]) if word else not words


def test_overview_says_the_sign_rules(study: Study) -> None:
    found = check(study)
    document = found.document
    for isolator in document["isolators"]:
        direction = {(d["signs"], d["pump_port"]): d["direction"] for d in isolator["directions"]}
        assert len(set(direction.values())) == 2
        for port, other in ((1, 2), (2, 1)):
            assert direction["++", port] == direction["--", port] != direction["-+", port] == direction["+-", port]
            assert direction["++", port] != direction["++", other]
        assert max(abs(d["directionality_db"]) for d in isolator["directions"]) > 15
    text = str(found)
    tables = found.tables()
    assert [r[0] for r in tables["flux_map"].rows] == [x.name for x in study.loops]
    assert tables["flux_map"].rows[0][1:] == tuple(document["flux_map"][study.loops[0].name]["phi0_for_stated_size"])
    assert len(tables["directions"].rows) == sum(len(i["directions"]) for i in document["isolators"])
    assert "Rank of the flux map: 3" in text
    assert "transmits" in text


@pytest.mark.parametrize("campaigns", [24, pytest.param(60, marks=pytest.mark.slow)])
@pytest.mark.parametrize("kind", ["complex", "magnitude"])
def test_misfits_allow_for_a_noise_level_measured_by_few_repeats(tmp_path: Path, kind: str, campaigns: int) -> None:
    """Four repeats of 21 points: chi-square over an estimated level has the tails of an F law, not its own."""
    study = calibration_study(kind, tmp_path)
    values, blind = [], []
    for seed in range(2000, 2000 + campaigns):
        truth = draw_truth(study, seed)
        digest = simulate_digest(study, truth)
        unknowns = Unknowns(study, study.plan.cooldowns, leave_out=integrated_arrays(study))
        likelihood = RatioLikelihood(study, digest, truth.port_signs, reference=truth.parameters)
        problem = CampaignProblem(unknowns, likelihood)
        start = np.zeros(unknowns.size)
        start[:3] = truth.parameters["source"][0] / study.source.size
        mode = ascend(problem, start)
        assert mode is not None
        explicit, wide = problem.explicit(mode.x)
        if misfit_deviations(problem, mode.x) > 10:  # the climb ended elsewhere
            continue
        values.append(predictive_check(Linearised.of(explicit, wide), np.random.default_rng(0)).p_value)
        explicit.likelihood.noise = replace(likelihood.noise, measured=False)
        blind.append(predictive_check(Linearised.of(explicit, wide), np.random.default_rng(0)).p_value)
    assert len(values) > 0.9 * campaigns
    assert np.sum(np.array(values) < 0.1) <= 0.1 * campaigns + 3 * np.sqrt(0.09 * campaigns)  # three standard errors
    assert np.min(values) > 1e-4
    assert np.mean(values) > np.mean(blind)


def test_the_level_of_few_repeats_scatters_as_drawn(tmp_path: Path) -> None:
    study = calibration_study("complex", tmp_path)
    levels: dict[GroupKey, list[np.ndarray]] = {}
    for seed in range(120, 240):  # in about one campaign of a hundred one group's level is up to twice too high
        digest = simulate_digest(study, draw_truth(study, seed))
        white = measure_noise(digest, study.noise.white, 0.0, 0.0).white
        for key in digest:
            off = digest[off_group_for(key, digest, first=("out",))].mean[[1, 2]]
            # over the line's gain, which is another one in each campaign
            levels.setdefault(key, []).append(white[key] ** 2 / np.median(np.abs(off), axis=1) ** 2)
    for key, found in level_draws(digest, np.random.default_rng(0), 4000).items():
        measured = np.array(levels[key])
        spread = np.std(measured, axis=0) / np.mean(measured, axis=0)
        np.testing.assert_allclose(spread, found.std(axis=0), rtol=5 / np.sqrt(2 * 120))
        assert found.mean() == pytest.approx(1.0, abs=0.02)


def test_cables_delay_and_never_advance(study: Study, tmp_path: Path) -> None:
    """Files use e^(+j w t): behind a delay the phase falls with frequency, by 2 pi times the delay (20 to 60 ns)."""
    fine = replace(study, sweep=replace(study.sweep, points=401))
    rows = write_campaign(fine, draw_truth(fine, 1), tmp_path, digits=12)
    off = next(r for r in rows if not r.pump_on)
    columns = np.array(
        [line.split() for line in (tmp_path / off.file).read_text().splitlines() if line[:1] not in "!#"], dtype=float
    )
    f = columns[:, 0]
    for n in range(4):
        phase = np.unwrap(np.angle(columns[:, 1 + 2 * n] + 1j * columns[:, 2 + 2 * n]))
        if np.hypot(columns[:, 1 + 2 * n], columns[:, 2 + 2 * n]).min() < 0.1:
            continue  # a reflection that is mostly noise
        delay_s = -np.polyfit(f, phase, 1)[0] / (2 * np.pi)
        assert 10e-9 < delay_s < 90e-9  # the device itself adds some nanoseconds


def test_replicates_are_as_loud_as_noise_that_few_repeats_measured(study: Study) -> None:
    """The true variance is the measured one over a chi-square: replicates misfit more in the mean, by nu/(nu - 2).

    Two repeats of few points, so that the effect is large; with a noise level known from outside there is none.
    """
    few = replace(study, sweep=replace(study.sweep, points=7), plan=replace(study.plan, repeats=2, off_repeats=2))
    truth = draw_truth(few, 22)
    digest = simulate_digest(few, truth)
    levels = np.concatenate(list(level_draws(digest, np.random.default_rng(3), 4000).values()), axis=1)
    louder = float(np.mean(1 / levels))
    assert louder > 1.03  # of a chi-square over its degrees of freedom the mean of the inverse is above one
    degrees = []
    for measured in (True, False):
        problem, x = fitted(few, digest, truth.port_signs, truth.parameters["source"][0])
        explicit, wide = problem.explicit(x)
        noise = replace(explicit.likelihood.noise, measured=measured)
        explicit.likelihood.noise = noise
        degrees.append(predictive_check(Linearised.of(explicit, wide), np.random.default_rng(0)).degrees)
    assert degrees[0] / degrees[1] == pytest.approx(louder, rel=0.03)


@pytest.mark.parametrize("anisotropy", [1.0, 4.0])
def test_angular_error_is_that_of_drawn_vectors(anisotropy: float) -> None:
    """Root mean square angle of 200,000 normal vectors to their mean; isotropic: sqrt(2) times deviation over length."""
    rng = np.random.default_rng(5)
    w = np.array([0.3, -0.5, 0.8])
    root = 1e-3 * np.linalg.qr(rng.normal(size=(3, 3)))[0] * np.array([1.0, anisotropy, 0.3 if anisotropy > 1 else 1.0])
    drawn = w + rng.normal(size=(200_000, 3)) @ root.T
    across = np.linalg.norm(np.cross(drawn, w), axis=1)
    angle = np.sqrt(np.mean(np.arctan2(across, drawn @ w) ** 2))
    assert direction_error_rad(w, root @ root.T) == pytest.approx(angle, rel=0.01)
    assert direction_error_rad(w[None], (root @ root.T)[None])[0] == pytest.approx(angle, rel=0.01)
    if anisotropy == 1:
        assert direction_error_rad(w, root @ root.T) == pytest.approx(np.sqrt(2) * 1e-3 / np.linalg.norm(w), rel=1e-9)
