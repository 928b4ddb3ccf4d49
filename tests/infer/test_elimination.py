"""Eliminated parameters against brute force: dense covariances, least squares with everything explicit, and sampling phi itself.

References: the normal law of y = m + J a + n with a and n normal (Woodbury; textbook), written out with dense matrices here.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_study import small_study

from fluxsense.data.digest import Digest
from fluxsense.detection.evidence import covariance_log_volume
from fluxsense.device.chip import nominal_array
from fluxsense.infer.assumptions import assumptions, linearity_check
from fluxsense.infer.modes import ascend
from fluxsense.infer.orient import settle
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest
from fluxsense.model.family import reals
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.linearised import Linearised
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.remainder import Sizes, smooth_functions
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study


def uncertain(study: Study) -> Study:
    """Every isolator's first signal frequency, linewidths and coupling with a standard deviation."""
    sds = (
        ("signal_frequency_hz", 1e6),
        ("signal_linewidth_hz", 5e5),
        ("idler_linewidth_hz", 1e6),
        ("coupling_hz", 2e5),
    )
    isolators = tuple(
        replace(i, stages=(replace(i.stages[0], stated_sd=sds), replace(i.stages[1], stated_sd=sds[:1])))
        for i in study.isolators
    )
    return replace(study, isolators=isolators)


def exactly(study: Study) -> Study:
    """The study with nothing of its stages uncertain."""
    return replace(
        study,
        isolators=tuple(
            replace(i, stages=(replace(i.stages[0], stated_sd=()), replace(i.stages[1], stated_sd=())))
            for i in study.isolators
        ),
    )


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, Truth, Digest]:
    study = uncertain(small_study(tmp_path_factory.mktemp("eliminated"), points=9))
    study = replace(study, noise=replace(study.noise, flux_phi0=5e-4))
    truth = draw_truth(study, 3)
    return study, truth, simulate_digest(study, truth)


def dense(likelihood: RatioLikelihood, isolator: int) -> np.ndarray:
    """Covariance of all numbers of an isolator's families, from its parts: the family's own, then what is common."""
    mine = [f for f in likelihood.families if f.isolator == isolator]
    sizes = [2 * f.ratio.size for f in mine]
    total = np.zeros((sum(sizes), sum(sizes)))
    ends = np.cumsum([0, *sizes])
    for f, a, b in zip(mine, ends[:-1], ends[1:], strict=True):
        unit = np.eye(b - a).view(np.complex128).reshape(b - a, *f.ratio.shape)
        total[a:b, a:b] = np.linalg.inv(f.gram(unit))
    directions = np.concatenate([reals(likelihood.common_directions(f)) for f in mine], axis=1)
    return total + directions.T @ directions


@pytest.mark.parametrize("sizes", [Sizes(), Sizes(0.01, 0.003), Sizes(flux_walk_phi0=1e-3, gain_walk=0.01)])
def test_forms_and_means_against_dense_matrices(campaign: tuple[Study, Truth, Digest], sizes: Sizes) -> None:
    study, truth, digest = campaign
    likelihood = RatioLikelihood(study, digest, truth.port_signs, reference=truth.parameters, sizes=sizes)
    residuals = [f.ratio - r for f, r in zip(likelihood.families, likelihood.predict(truth.parameters), strict=True)]
    total, volume = 0.0, 0.0
    means = likelihood.eliminated_means(truth.parameters)
    for i in likelihood.eliminated:
        mine = [n for n, f in enumerate(likelihood.families) if f.isolator == i]
        covariance = dense(likelihood, i)
        r = np.concatenate([reals(residuals[n][0]) for n in mine])
        total += float(r @ np.linalg.solve(covariance, r))
        count = len(likelihood.eliminated[i])
        assert count == 5
        directions = np.concatenate(
            [reals(likelihood.common_directions(likelihood.families[n])[:count]) for n in mine], axis=1
        )
        np.testing.assert_allclose(means[i], directions @ np.linalg.solve(covariance, r), rtol=1e-6, atol=1e-6)
        spread = np.eye(count) - directions @ np.linalg.solve(covariance, directions.T)
        np.testing.assert_allclose(likelihood.eliminated_covariance(i), spread, rtol=1e-5, atol=1e-7)
        volume += float(np.linalg.slogdet(covariance)[1])
    np.testing.assert_allclose(likelihood.quadratic(residuals)[0], total, rtol=1e-7)
    plain = RatioLikelihood(study, digest, truth.port_signs, reference=truth.parameters)
    other = sum(float(np.linalg.slogdet(dense(plain, i))[1]) for i in plain.eliminated)
    np.testing.assert_allclose(likelihood.log_volume - plain.log_volume, volume - other, rtol=1e-6, atol=1e-6)
    for whole, one in zip(likelihood.inverse(residuals), residuals, strict=True):
        assert whole.shape == reals(one).shape


def test_what_is_held_back_leaves_the_exact_model_at_the_reference_point(campaign: tuple[Study, Truth, Digest]) -> None:
    """Elimination undone at a point that is not the best: the plain normal law of the exact model there, and of the prior."""
    study, truth, digest = campaign
    signal = nominal_array(study, "signal_frequency_hz", 1)
    signal[0, :, 0] += 0.7e6
    likelihood = RatioLikelihood(
        study, digest, truth.port_signs, reference=truth.parameters.changed(signal_frequency_hz=signal)
    )
    predicted = likelihood.predict(truth.parameters)
    eliminated = likelihood.quadratic([f.ratio - r for f, r in zip(likelihood.families, predicted, strict=True)])[0]
    plain = sum(float(z @ z) for z in likelihood.values_at_reference.values())
    for f, ratio in zip(likelihood.families, predicted, strict=True):
        unit = np.eye(2 * f.ratio.size).view(np.complex128).reshape(-1, *f.ratio.shape)
        r = reals(likelihood.unshifted(f) - ratio[0])
        plain += float(r @ f.gram(unit) @ r)
    np.testing.assert_allclose(eliminated + 2 * likelihood.held_back(truth.parameters), plain, rtol=1e-6)


def test_the_same_information_as_with_everything_explicit(campaign: tuple[Study, Truth, Digest]) -> None:
    """Schur complement: eliminating a parameter leaves the unknowns the covariance that they have beside it."""
    study, truth, digest = campaign
    likelihood = RatioLikelihood(study, digest, truth.port_signs, reference=truth.parameters)
    problem = CampaignProblem(Unknowns(study), likelihood, integrate=False)
    x = problem.unknowns.whitened(truth.parameters)[0]
    eliminated = Linearised.of(problem, x).covariance
    bare = RatioLikelihood(exactly(study), digest, truth.port_signs, reference=truth.parameters)
    explicit = CampaignProblem(Unknowns(study, everything=True), bare, integrate=False)
    wide = explicit.unknowns.whitened(truth.parameters)[0]
    covariance = Linearised.of(explicit, wide).covariance
    keep = [explicit.unknowns.names.index(name) for name in problem.unknowns.names]
    np.testing.assert_allclose(eliminated, covariance[np.ix_(keep, keep)], rtol=1e-3, atol=1e-4 * covariance.max())


def test_a_moved_reference_point_finds_what_was_put_in(campaign: tuple[Study, Truth, Digest]) -> None:
    """A frequency 2.5 MHz and a coupling 3% off their central values come out within their errors, and stay there."""
    study, truth, _ = campaign
    signal = nominal_array(study, "signal_frequency_hz", 1)
    signal[0, 0, 0] += 2.5e6
    coupling = nominal_array(study, "coupling_hz", 1)
    coupling[0, 1, 0] *= 1.03
    parameters = truth.parameters.changed(signal_frequency_hz=signal, coupling_hz=coupling)
    digest = simulate_digest(study, replace(truth, parameters=parameters))
    likelihood = RatioLikelihood(study, digest, truth.port_signs)
    before = likelihood
    for _ in range(10):
        before, likelihood = likelihood, likelihood.rebuilt(reference=likelihood.moved_to(truth.parameters))
    assert np.max(np.abs(likelihood.values_at_reference[0] - before.values_at_reference[0])) < 0.01
    assert likelihood.reference is not None
    for i, name, true in ((0, "signal_frequency_hz", signal), (1, "coupling_hz", coupling)):
        own = likelihood.eliminated[i]
        n = next(n for n, p in enumerate(own) if p.array == name and p.index == (i, 0))
        error = own[n].sd * np.sqrt(likelihood.eliminated_covariance(i)[n, n])
        found = own[n].of(likelihood.reference[name])[0]
        assert abs(found - own[n].of(true)[0]) < 4 * error
        assert error < 0.5 * own[n].sd


def test_noise_that_the_study_states_cannot_be_left_out(campaign: tuple[Study, Truth, Digest]) -> None:
    """Without a reference point flux noise and eliminated parameters are there all the same."""
    study, truth, digest = campaign
    quiet = replace(study, noise=replace(study.noise, flux_phi0=0.0))
    problem = CampaignProblem(Unknowns(study), RatioLikelihood(study, digest, truth.port_signs), integrate=False)
    less = CampaignProblem(Unknowns(quiet), RatioLikelihood(quiet, digest, truth.port_signs), integrate=False)
    x = problem.unknowns.whitened(truth.parameters)[0]
    with_noise, without = (np.trace(Linearised.of(p, x).covariance[:3, :3]) for p in (problem, less))
    assert with_noise > 1.05 * without
    families = problem.likelihood.families
    assert all(len(f.common_directions) == 5 for f in families)


def test_smooth_functions_make_the_stated_covariance() -> None:
    """Sum of squares against exp(-d^2/(2 l^2)), the squared exponential covariance (closed form)."""
    f = np.linspace(4.9e9, 5.1e9, 41)
    shapes = smooth_functions(f, (f[0], f[-1]), 40e6)
    expected = np.exp(-0.5 * ((f[:, None] - f[None, :]) / 40e6) ** 2)
    np.testing.assert_allclose(shapes.T @ shapes, expected, rtol=0, atol=0.01)
    half = smooth_functions(f[10:20], (f[0], f[-1]), 40e6)
    np.testing.assert_allclose(half, shapes[:, 10:20], rtol=1e-12, atol=1e-12)


def test_assumptions_are_those_of_the_explicit_problem(campaign: tuple[Study, Truth, Digest]) -> None:
    """Means, spreads and moves of eliminated parameters against the same campaign with all of them explicit."""
    study, truth, digest = campaign
    reference = truth.parameters
    problem = CampaignProblem(
        Unknowns(study), RatioLikelihood(study, digest, truth.port_signs, reference=reference), integrate=False
    )
    x = problem.unknowns.whitened(reference)[0]
    found = {a.name: a for a in assumptions(Linearised.of(problem, x))}
    bare = RatioLikelihood(exactly(study), digest, truth.port_signs, reference=reference)
    explicit = CampaignProblem(Unknowns(study, everything=True), bare, integrate=False)
    wide = explicit.unknowns.whitened(reference)[0]
    at = Linearised.of(explicit, wide)
    covariance = at.covariance
    tangent = np.linalg.svd(wide[None, :3])[2][1:] / np.linalg.norm(wide[:3])
    for column, p in enumerate(explicit.unknowns.nuisances, 3):
        variance = covariance[column, column]
        move = np.degrees(np.linalg.norm(tangent @ covariance[:3, column])) / variance
        assert found[p.name].sd == pytest.approx(p.sd * np.sqrt(variance), rel=1e-3)
        assert found[p.name].move_deg == pytest.approx(move, rel=5e-3, abs=1e-6)
        assert found[p.name].seen == (variance < 1 / 9)


def test_log_volume_is_that_of_the_dense_covariance(campaign: tuple[Study, Truth, Digest]) -> None:
    """What evidences of two source models are compared with: eliminated parameters and walks count too (numpy's slogdet)."""
    study, truth, digest = campaign
    volumes, exact = [], []
    for sizes in (Sizes(), Sizes(0.01, 0.002, 1e-3, 0.01)):
        likelihood = RatioLikelihood(study, digest, truth.port_signs, sizes=sizes, reference=truth.parameters)
        volumes.append(covariance_log_volume(likelihood))
        exact.append(0.5 * sum(np.linalg.slogdet(dense(likelihood, i))[1] for i in likelihood.measured))
    # what is eliminated left out, and pump-off noise along the ratios of another reference point
    elsewhere = truth.parameters.changed(offset_phi0=truth.parameters["offset_phi0"] + 0.01)
    for reference in (truth.parameters, elsewhere):
        without = RatioLikelihood(exactly(study), digest, truth.port_signs, reference=reference)
        volumes.append(covariance_log_volume(without))
        exact.append(0.5 * sum(np.linalg.slogdet(dense(without, i))[1] for i in without.measured))
    assert abs(exact[-1] - exact[-2]) > 0.1
    np.testing.assert_allclose(np.diff(volumes), np.diff(exact), rtol=1e-6)


def test_a_point_of_linearisation_that_does_not_matter_and_one_that_does(campaign: tuple[Study, Truth, Digest]) -> None:
    study, truth, digest = campaign
    problem = CampaignProblem(Unknowns(study), RatioLikelihood(study, digest, truth.port_signs), integrate=False)
    problem, x = settle(problem, problem.unknowns.whitened(truth.parameters)[0])
    mode = ascend(problem, x)
    assert mode is not None
    draws = np.random.default_rng(1).multivariate_normal(mode.x, mode.covariance, 200)
    good = linearity_check(problem, draws)
    assert good.gain_sd < 0.2
    assert good.shift_sd < 0.1
    far = CampaignProblem(  # linearised two linewidths away from where the data are
        problem.unknowns,
        RatioLikelihood(
            study, digest, truth.port_signs,
            reference=truth.parameters.changed(signal_frequency_hz=nominal_array(study, "signal_frequency_hz", 1) + 8e7),
        ),
        integrate=False,
    )  # fmt: skip
    assert linearity_check(far, draws).gain_sd > 10 * good.gain_sd


BASE = Sizes(common=0.01, own=0.002, flux_walk_phi0=1e-3, gain_walk=0.01, flux_noise_phi0=5e-4)


@pytest.mark.parametrize(
    "change",
    [
        {"sizes": replace(BASE, common=0.02)},
        {"sizes": replace(BASE, own=0.004)},
        {"sizes": replace(BASE, flux_noise_phi0=3e-3)},
        {"sizes": replace(BASE, within=(0.01, 0.02))},
        {"sizes": replace(BASE, flux_walk_phi0=2e-3, gain_walk=0.02)},
        {"residual_gain": 0.02},
        {"reference": "moved"},
        {"reference": "moved", "sizes": replace(BASE, own=0.004)},
    ],
)
def test_a_likelihood_that_was_used_is_rebuilt_as_a_new_one(
    campaign: tuple[Study, Truth, Digest], change: dict[str, object]
) -> None:
    """Whatever it keeps of the one before: the same volume, prediction and quadratic form as one from the beginning."""
    study, truth, digest = campaign
    signal = nominal_array(study, "signal_frequency_hz", 1)
    signal[0, 0] += [7e5, -4e5]
    moved = truth.parameters.changed(signal_frequency_hz=signal)
    change = {name: moved if x == "moved" else x for name, x in change.items()}
    given = {"sizes": BASE, "reference": truth.parameters}
    before = RatioLikelihood(study, digest, truth.port_signs, **given)
    assert np.isfinite(before.log_volume)
    again, fresh = before.rebuilt(**change), RatioLikelihood(study, digest, truth.port_signs, **(given | change))
    assert again.log_volume == pytest.approx(fresh.log_volume, rel=1e-12)
    assert abs(again.log_volume - before.log_volume) > 1e-6
    np.testing.assert_allclose(again.log_likelihood(moved), fresh.log_likelihood(moved), rtol=1e-10)
    known = {p.group for own in before.eliminated.values() for p in own}
    less, none = before.rebuilt(known=known, **change), fresh.rebuilt(known=known)
    assert less.log_volume == pytest.approx(none.log_volume, rel=1e-12)
    np.testing.assert_allclose(less.log_likelihood(moved), none.log_likelihood(moved), rtol=1e-10)
