"""Offsets and pump strengths eliminated where reference sweeps and bias pin them, against sampling them.

Reference: the same posterior with these numbers among the sampled unknowns (no elimination of them at all).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from laboratory import measure
from scipy.stats import chi2
from small_study import small_study

import fluxsense.infer.orient as search
import fluxsense.infer.reference as place
from fluxsense.base.streams import stream
from fluxsense.data.campaign import load_screened
from fluxsense.data.digest import Digest
from fluxsense.data.noise_levels import measure_noise
from fluxsense.infer.modes import LocalMode, ascend, ascend_all, modes_without_source
from fluxsense.infer.orient import HIDING, misfit_deviations, prepare, sample_posterior
from fluxsense.infer.reference import Reference, joint, marginal, moved, reference_fit, relinearised, signs_known
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.parameter import OFFSET
from fluxsense.model.priors import FLUX_NOISE_PHI0
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study, read_study


def fitted(study: Study, seed: int) -> tuple[Reference, object]:
    truth = draw_truth(study, seed)
    digest = simulate_digest(study, truth)
    noise = measure_noise(digest, study.noise.white, study.noise.gain_drift, study.noise.phase_drift_rad)
    return reference_fit(study, digest, truth.port_signs, noise, sorted({k.cooldown for k in digest})), truth


def test_reference_sweeps_at_a_bias_tame_offsets_and_strengths(tmp_path: Path) -> None:
    study = small_study(tmp_path, wiring="+90 deg", strength_sd=0.03)
    found, truth = fitted(study, 3)
    assert set(found.tamed) == {*(f"offset {x.name}" for x in study.loops), "pump strength a", "pump strength b"}
    # and the point about which they are eliminated is the truth, within what such sweeps tell
    np.testing.assert_allclose(found.parameters[OFFSET], truth.parameters[OFFSET], atol=1e-3)  # type: ignore[attr-defined]
    assert not np.any(found.parameters["source"])


def test_without_a_bias_two_signs_serve_alike_and_nothing_is_tamed(tmp_path: Path) -> None:
    study = small_study(tmp_path, wiring="+90 deg", fluxes=((0.0, 0.0, 0.0, 0.0),), ports=(1,))
    found, _ = fitted(study, 3)
    assert found.tamed == ()


def test_without_reference_sweeps_nothing_is_tamed(tmp_path: Path) -> None:
    study = small_study(tmp_path, wiring="+90 deg", states=("in",))
    found, _ = fitted(study, 3)
    assert found.tamed == ()


Prepared = Callable[[int], tuple[Study, Digest, CampaignProblem, list[LocalMode]]]


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    """A study, a campaign by its seed, and what the search finds there, each once."""
    study = small_study(tmp_path_factory.mktemp("tamed"), wiring="+90 deg", strength_sd=0.03, phase_sd_deg=2.0)

    @cache
    def found(seed: int) -> tuple[Study, Digest, CampaignProblem, list[LocalMode]]:
        digest = simulate_digest(study, draw_truth(study, seed))
        problem, modes, _ = prepare(study, digest, rng=np.random.default_rng(0))
        return study, digest, problem, modes

    return found


@pytest.mark.parametrize("seed", [*(pytest.param(n, marks=pytest.mark.slow) for n in (1, 2)), 3])
def test_elimination_and_sampling_give_one_posterior(
    prepared: Prepared, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Means of the source within a tenth of a deviation, spreads within five per cent and the Monte Carlo error."""
    study, digest, eliminated, modes = prepared(seed)
    assert eliminated.unknowns.size == 3
    few = sample_posterior(eliminated, 0, modes=modes, wanted_ess=2000)
    monkeypatch.setattr(search, "reference_fit", lambda *a: replace(reference_fit(*a), tamed=()))
    sampled, modes, _ = prepare(study, digest, rng=np.random.default_rng(0))
    assert sampled.unknowns.size == 9
    many = sample_posterior(sampled, 0, modes=modes, wanted_ess=2000)
    a, b = few.chains.flat[:, :3], many.chains.flat[:, :3]
    assert np.max(np.abs(a.mean(axis=0) - b.mean(axis=0)) / b.std(axis=0)) < 0.1
    assert np.max(np.abs(a.std(axis=0) / b.std(axis=0) - 1)) < 0.05 + 3 / np.sqrt(2 * 2000)
    # constants of both are the same, so that odds against no source do not depend on the choice
    assert few.log_evidence - many.log_evidence == pytest.approx(
        0.5 * (eliminated.likelihood.log_volume - sampled.likelihood.log_volume), abs=0.3
    )


def test_marginals_do_not_depend_on_the_point_where_all_is_linear(tmp_path: Path) -> None:
    study = small_study(tmp_path, wiring="+90 deg", offset_sd_mphi0=0.3)  # so little that the model is linear
    digest = simulate_digest(study, draw_truth(study, 5))
    problem, modes, _ = prepare(study, digest, rng=np.random.default_rng(0))
    x = modes[0].x
    there = relinearised(problem, x + 2 * np.sqrt(np.diag(modes[0].covariance)))
    assert marginal(there, x) == pytest.approx(marginal(problem, x), abs=0.05)
    assert ascend_all(there, x[None])[0] is not None


def test_firm_steps_end_where_the_straight_way_does_and_never_go_far_down(
    prepared: Prepared, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reference: the other way, where one place fits; the exact model's density along the steps (see `test_elimination`)."""
    _, _, straight, _ = prepared(3)
    reference = straight.likelihood.reference
    assert reference is not None
    offset = np.array(reference[OFFSET])
    offset[..., 0] += 3e-3
    begin = straight.likelihood.rebuilt(reference=reference.changed(offset_phi0=offset))
    start = CampaignProblem(straight.unknowns, begin)
    seen = [joint(start, np.full(3, 0.3))]

    def watched(problem: CampaignProblem, x: np.ndarray) -> float:
        seen.append(joint(problem, x))
        return seen[-1]

    monkeypatch.setattr(place, "joint", watched)
    problem, x = moved(start, np.full(3, 0.3), 15, firm=True)
    assert len(seen) < 20  # it settles
    assert seen[-1] > seen[0] + 100
    assert problem.likelihood.held_back(problem.parameters(x[None])) < 2.0
    sd = np.sqrt(np.diag(ascend_all(problem, x[None])[0].covariance))
    best = ascend_all(straight, x[None])[0]
    assert best is not None
    assert np.max(np.abs(x - best.x) / sd) < 0.3


@pytest.mark.slow
@pytest.mark.parametrize(("chip", "seed"), [("field_four", 60), ("field_three", 52)])
def test_a_place_that_fits_by_flux_noise_alone_is_left(tmp_path: Path, chip: str, seed: int) -> None:
    """Campaigns of the outside simulator whose line ends and paths take each other's place: the first way ends 11 spreads off."""
    path, world = measure(chip, "ordinary", "usual", seed, 1.0, tmp_path)
    study = read_study(path)
    problem, modes, _ = prepare(study, load_screened(study)[0], rng=stream(seed, "search"))
    best = modes[0]
    assert problem.likelihood.sizes.flux_noise_phi0 < HIDING * FLUX_NOISE_PHI0
    off = best.x[:3] - np.ravel(world.truth.source) / study.source.size
    assert off @ np.linalg.solve(best.covariance[:3, :3], off) < chi2.ppf(0.99, 3)


@pytest.mark.parametrize("seed", [3, *(pytest.param(n, marks=pytest.mark.slow) for n in (5, 7))])
def test_working_points_unknown_to_a_quarter_of_a_flux_quantum(tmp_path: Path, seed: int) -> None:
    """Trapped flux is found wherever it lies in its prior.  Reference: the truth.  From the prior mean and four corners alone the
    three of seeds 3, 5 and 7 ended on other peaks, 0.02 to 0.4 flux quanta off and 1600 to 2800 deviations of chi-square above it."""
    study = small_study(tmp_path, wiring="+90 deg", offset_sd_mphi0=250.0)
    truth = draw_truth(study, seed)
    digest = simulate_digest(study, truth)
    problem, modes, _ = prepare(study, digest, rng=np.random.default_rng(0))
    assert misfit_deviations(problem, modes[0].x) < 5.0
    found = problem.parameters(modes[0].x[None])[OFFSET][0, 0]
    np.testing.assert_allclose(found, truth.parameters[OFFSET][0, 0], atol=0.005)
    assert (
        problem.unknowns.size == 3
    )  # the sweeps without the source settle the offsets, which are eliminated about them
    likelihood = RatioLikelihood(study, digest, truth.port_signs, residual_gain=0.01)
    null = CampaignProblem(Unknowns(study, likelihood.cooldowns, with_source=False), likelihood)
    best = modes_without_source(null)[0].log_posterior
    for start in (np.zeros(null.unknowns.size), null.unknowns.whitened(truth.parameters)[0]):
        climb = ascend(null, start)
        assert climb is not None
        assert best > climb.log_posterior - 0.01


def test_signs_over_a_whole_period_are_not_known(tmp_path: Path) -> None:
    """Four prior deviations of one flux quantum are a period of the ring: the sign comes back at the ends of that range, not between."""
    for sd, known in ((30.0, True), (1000.0, False)):
        study = small_study(tmp_path, wiring="+90 deg", offset_sd_mphi0=sd)
        truth = draw_truth(study, 1)
        digest = simulate_digest(study, truth)
        groups = [k for k in digest if k.pump_on and k.isolator == "a"]
        likelihood = RatioLikelihood(study, digest, truth.port_signs, groups=groups)
        assert signs_known(likelihood, 0) is known


@pytest.mark.parametrize("sd", [10.0, 60.0])
def test_at_zero_bias_the_sweeps_settle_no_sign(tmp_path: Path, sd: float) -> None:
    """An offset and its reverse fit alike there, be they 5 or 100 mPhi0 apart: neither may be eliminated about the other."""
    study = small_study(
        tmp_path, wiring="+90 deg", fluxes=((0.0, 0.0, 0.0, 0.0),), ports=(1,), offset_sd_mphi0=sd, repeats=30
    )
    noise = study.noise
    for seed in range(4):
        truth = draw_truth(study, seed)
        digest = simulate_digest(study, truth)
        levels = measure_noise(digest, noise.white, noise.gain_drift, noise.phase_drift_rad)
        assert reference_fit(study, digest, truth.port_signs, levels, ["c1"]).tamed == ()


def test_a_cooldown_at_zero_bias_keeps_its_offsets(tmp_path: Path) -> None:
    """Signs that are known in one cooldown say nothing of another, whose sweeps were all taken at zero bias."""
    study = small_study(tmp_path, wiring="+90 deg", fluxes=((0.5, 0.5, 0.5, 0.5), (0.0, 0.0, 0.0, 0.0)), ports=(1, 1))
    digest = simulate_digest(study, draw_truth(study, 1))
    zero = {k: replace(k, cooldown="c2") for k in digest if not any(k.bias_a)}
    both = Digest({zero.get(k, k): v for k, v in digest.items()})
    for one, known in ((digest, True), (both, False)):
        groups = [k for k in one if k.pump_on and k.isolator == "a"]
        assert signs_known(RatioLikelihood(study, one, (1, 1), groups=groups), 0) is known
