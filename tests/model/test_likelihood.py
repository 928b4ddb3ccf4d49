"""The complex likelihood against slow, dense versions of itself, and its parts against independent integrals.

References: the multivariate normal density with an explicitly built covariance matrix (numpy's dense solver), scipy's
quadrature for the integral over pump phase errors, finite differences for gradients.  Statistical check: at the truth the
quadratic form of simulated campaigns is chi-square distributed.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from dense_noise import dense_covariance
from scipy.integrate import simpson
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.data.digest import Digest
from fluxsense.data.noise_levels import PATHS
from fluxsense.detection.evidence import covariance_log_volume
from fluxsense.infer.mixture import StudentMixture, from_modes
from fluxsense.infer.modes import ascend
from fluxsense.infer.reduction import TOLERANCE, chebyshev, reduced
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest, stated_truth
from fluxsense.model.likelihood import RatioLikelihood, every_few
from fluxsense.model.priors import integrated_arrays
from fluxsense.model.problem import CampaignProblem, curvature, log_posterior
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    folder: Path = tmp_path_factory.mktemp("likelihood")
    plain = small_study(folder, strength_sd=0.03, phase_sd_deg=3.0, points=21, repeats=4)
    noise = replace(
        plain.noise, white=0.01, gain_drift=0.004, phase_drift_rad=0.006, residual_gain=0.002, flux_phi0=2e-4
    )
    return replace(plain, noise=noise)


@pytest.fixture(scope="module")
def campaign(study: Study) -> tuple[Truth, Digest, RatioLikelihood]:
    truth = draw_truth(study, 3)
    digest = simulate_digest(study, truth)
    return truth, digest, RatioLikelihood(study, digest, truth.port_signs, reference=truth.parameters)


def problem_of(study: Study, likelihood: RatioLikelihood, **options: object) -> CampaignProblem:
    unknowns = Unknowns(study, likelihood.cooldowns, leave_out=integrated_arrays(study))
    return CampaignProblem(unknowns, likelihood)


def test_quadratic_form_is_that_of_the_dense_covariance(campaign: tuple[Truth, Digest, RatioLikelihood]) -> None:
    truth, _, likelihood = campaign
    rng = np.random.default_rng(1)
    ratios = likelihood.predict(truth.parameters)
    for family, ratio in zip(likelihood.families, ratios, strict=True):
        covariance = dense_covariance(family, likelihood)
        residuals = np.concatenate(
            [family.ratio - ratio, rng.normal(size=(2, *ratio.shape[1:])) + 1j * rng.normal(size=(2, *ratio.shape[1:]))]
        )
        flat = np.ascontiguousarray(residuals).reshape(3, -1).view(np.float64)
        expected = np.einsum("bi,bi->b", flat, np.linalg.solve(covariance, flat.T).T)
        np.testing.assert_allclose(family.quadratic(residuals), expected, rtol=1e-9)
        gram = family.gram(residuals)
        np.testing.assert_allclose(gram, flat @ np.linalg.solve(covariance, flat.T), rtol=1e-8, atol=1e-8 * gram.max())
        np.testing.assert_allclose(family.grams(residuals[None])[0], gram, rtol=1e-10, atol=1e-9 * gram.max())


def test_gain_and_off_noise_directions_are_the_stated_ones(campaign: tuple[Truth, Digest, RatioLikelihood]) -> None:
    """Columns of the covariance: per group 4 gain amplitudes and 2 fluxes, and as many for the pump-off group."""
    _, digest, likelihood = campaign
    for family in likelihood.families:
        groups = len(family.keys) + 1
        assert len(family.directions) == groups * (4 + 2)
        # the pump-on gain directions lie along expected and i expected of one group
        first = family.directions[:4]
        assert np.all(first[:, 1:] == 0)
        quotient = first[:, 0] / family.expected[0]
        np.testing.assert_allclose(quotient, np.broadcast_to(quotient[:, :, :1], quotient.shape), atol=1e-12)
        key = family.keys[0]
        want = likelihood.noise.drift[key.isolator] / digest[key].count + likelihood.residual_gain**2 * np.eye(4)
        amplitudes = np.stack(
            [quotient[:, 0, 0].real, quotient[:, 0, 0].imag, quotient[:, 1, 0].real, quotient[:, 1, 0].imag], axis=1
        )
        np.testing.assert_allclose(amplitudes.T @ amplitudes, want, rtol=1e-9, atol=1e-15)


def test_drawn_noise_has_the_dense_covariance(campaign: tuple[Truth, Digest, RatioLikelihood]) -> None:
    _, _, likelihood = campaign
    family = likelihood.families[0]
    draws = family.draw_noise(np.random.default_rng(2), 3000)
    values = family.quadratic(draws)
    # chi-square with as many degrees as real data: mean within five standard errors
    assert abs(values.mean() - family.values) < 5 * np.sqrt(2 * family.values / 3000)


def test_precision_is_that_of_the_noise_that_was_drawn(study: Study) -> None:
    """Ratios of 60 campaigns scatter about their mean as the pump-on and pump-off noise of each family says, and no more."""
    quiet = replace(study, noise=replace(study.noise, gain_drift=0, phase_drift_rad=0, residual_gain=0, flux_phi0=0))
    truth = draw_truth(quiet, 3)
    ratios, stated = [], []
    for seed in range(60):
        likelihood = RatioLikelihood(
            quiet, simulate_digest(quiet, replace(truth, seed=seed)), truth.port_signs, reference=truth.parameters
        )
        ratios.append(np.concatenate([f.ratio for f in likelihood.families]))
        own = []
        for f in likelihood.families:
            power = np.abs(f.expected) ** 2
            off = 1 / (1 / f.shared - np.sum(power * f.precision, axis=0))
            own.append(1 / f.precision + power * off)
        stated.append(np.concatenate(own))
    table = np.array(ratios)
    scatter = 0.5 * (np.var(table.real, axis=0, ddof=1) + np.var(table.imag, axis=0, ddof=1))
    assert float(np.mean(scatter / np.mean(stated, axis=0))) == pytest.approx(1.0, abs=0.035)


def test_log_volume_is_the_determinant_of_the_dense_covariance(study: Study) -> None:
    """Two likelihoods of the same data with noise of other sizes: the difference of half the log determinants."""
    truth = draw_truth(study, 3)
    digest = simulate_digest(study, truth)
    halves, volumes = [], []
    for gain, flux in ((0.002, 2e-4), (0.01, 2e-4), (0.002, 2e-3)):
        made = replace(study, noise=replace(study.noise, flux_phi0=flux))
        likelihood = RatioLikelihood(made, digest, truth.port_signs, residual_gain=gain, reference=truth.parameters)
        dense = [dense_covariance(f, likelihood) for f in likelihood.families]
        halves.append(0.5 * sum(float(np.linalg.slogdet(c)[1]) for c in dense))
        volumes.append(covariance_log_volume(likelihood))
    assert abs(halves[1] - halves[0]) > 1
    np.testing.assert_allclose(np.diff(volumes), np.diff(halves), rtol=1e-7)


def test_misfit_at_the_truth_is_chi_square(study: Study) -> None:
    total, degrees = 0.0, 0
    for seed in range(10, 16):
        truth = draw_truth(study, seed)
        likelihood = RatioLikelihood(study, simulate_digest(study, truth), truth.port_signs, reference=truth.parameters)
        total += -2 * float(likelihood.log_likelihood(truth.parameters)[0])
        degrees += likelihood.values
    # the noise level is itself measured from the repeats: a fifth of a per cent is added to the spread
    sd = np.hypot(np.sqrt(2 * degrees), 0.02 * degrees)
    assert abs(total - degrees) < 4 * sd
    # negative control: half the noise would have been caught
    assert abs(4 * total - degrees) > 4 * sd


def test_repeats_do_not_change_the_cost(campaign: tuple[Truth, Digest, RatioLikelihood]) -> None:
    """The likelihood holds the same arrays whatever the number of repeats."""
    _, digest, likelihood = campaign
    many = Digest({k: replace(v, count=100_000) for k, v in digest.items()})
    again = RatioLikelihood(likelihood.study, many, likelihood.port_signs, noise=likelihood.noise)
    assert [f.ratio.shape for f in again.families] == [f.ratio.shape for f in likelihood.families]


def test_phase_integral_against_quadrature(study: Study, campaign: tuple[Truth, Digest, RatioLikelihood]) -> None:
    truth, _, likelihood = campaign
    problem = problem_of(study, likelihood)
    x = problem.unknowns.whitened(truth.parameters)[0]
    explicit, wide = problem.explicit(x)
    columns = [n for n, name in enumerate(explicit.unknowns.names) if name.startswith("pump phase error")]
    assert len(columns) == 2
    z = np.linspace(-7, 7, 401)
    base = float(explicit.log_likelihood(wide[None])[0])
    total = base
    for column in columns:
        batch = np.tile(wide, (len(z), 1))
        batch[:, column] = z
        log_like = explicit.log_likelihood(batch) - base
        total += np.log(simpson(np.exp(log_like - 0.5 * z**2) / np.sqrt(2 * np.pi), x=z))
    assert float(problem.log_likelihood(x[None])[0]) == pytest.approx(total, abs=1e-6)


def test_phase_draws_follow_their_conditional(study: Study, campaign: tuple[Truth, Digest, RatioLikelihood]) -> None:
    truth, _, likelihood = campaign
    problem = problem_of(study, likelihood)
    x = problem.unknowns.whitened(truth.parameters)[0]
    draws = problem.parameters(np.tile(x, (1500, 1)), np.random.default_rng(5))["pump_phase_error_rad"][:, 0]
    explicit, wide = problem.explicit(x)
    column = explicit.unknowns.names.index(f"pump phase error {study.isolators[0].name}")
    z = np.linspace(-6, 6, 601)
    batch = np.tile(wide, (len(z), 1))
    batch[:, column] = z
    log_p = explicit.log_likelihood(batch) - 0.5 * z**2
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    sd = study.isolators[0].pump_phase_error_sd_rad
    mean, square = sd * (p @ z), sd**2 * (p @ z**2)
    assert abs(draws.mean() - mean) < 5 * np.sqrt((square - mean**2) / 1500)
    assert abs((draws**2).mean() - square) < 5 * (draws**2).std() / np.sqrt(1500)


def test_gradient_and_information_against_differences(
    study: Study, campaign: tuple[Truth, Digest, RatioLikelihood]
) -> None:
    truth, _, likelihood = campaign
    problem = problem_of(study, likelihood)
    start = problem.unknowns.whitened(truth.parameters)[0]
    mode = ascend(problem, start)
    assert mode is not None
    x = mode.x + 0.3 * np.sqrt(np.diag(mode.covariance))
    _, gradient, information = curvature(problem, x)
    step = 1e-4
    for column in range(x.size):
        shift = np.zeros_like(x)
        shift[column] = step
        up, down, here = problem.log_likelihood(np.array([x + shift, x - shift, x]))
        scale = np.sqrt(information[column, column])
        assert (up - down) / (2 * step) == pytest.approx(gradient[column], abs=2e-3 * scale)
        # Gauss-Newton: equal to the second difference where residuals are noise
        assert -(up + down - 2 * here) / step**2 == pytest.approx(information[column, column], rel=0.25, abs=1.0)


def test_polynomials_keep_the_likelihood(study: Study) -> None:
    finer = replace(study, sweep=replace(study.sweep, points=61))
    truth = draw_truth(finer, 4)
    likelihood = RatioLikelihood(finer, simulate_digest(finer, truth), truth.port_signs, reference=truth.parameters)
    problem = problem_of(finer, likelihood)
    mode = ascend(problem, problem.unknowns.whitened(truth.parameters)[0])
    assert mode is not None
    mixture = from_modes([mode])
    small = reduced(problem, mixture, np.random.default_rng(0), tolerance=1e-3)
    assert small is not None
    assert small.error <= 1e-3
    fresh = mixture.draw(np.random.default_rng(9), 200)
    full = problem.log_likelihood(fresh)
    near = full > full.max() - 60
    difference = (small.log_likelihood(fresh) - full)[near]
    assert np.ptp(difference) < 2e-3  # promised: 1e-3 either way
    for i, gram in problem.grams(fresh[:20]).items():  # what pump phase errors are drawn from
        np.testing.assert_allclose(small.grams(fresh[:20])[i][:, 0, 0], gram[:, 0, 0], atol=0.01)
    # over a wider region the promise holds too, at the price of terms if need be
    wide = StudentMixture(mixture.weights, mixture.means, 4 * mixture.factors, mixture.nu)
    few, enough = (reduced(problem, wide, np.random.default_rng(0), tolerance=t) for t in (TOLERANCE, 3e-3))
    assert few is not None
    assert enough is not None
    assert few.error <= 0.03
    assert enough.error <= 3e-3
    assert few.terms < enough.terms
    # a tolerance that no allowed degree meets gives nothing, instead of something worse
    assert reduced(problem, mixture, np.random.default_rng(0), tolerance=1e-14) is None
    # far outside the region the full likelihood answers
    far = mode.x[None] + 40 * np.sqrt(np.diag(mode.covariance))
    before = small.full_calls
    np.testing.assert_allclose(small.log_likelihood(far), problem.log_likelihood(far), rtol=1e-12)
    assert small.full_calls == before + 1


def test_polynomials_keep_their_promise_where_nothing_else_is_asked(tmp_path: Path) -> None:
    """Over four times the posterior's width the fewest terms are wrong by half a unit of log-likelihood, so more are taken.

    Reference: the likelihood itself at fresh points; 0.03 either way is what (7.4) of the theory and `infer/reduction.py` promise.
    """
    narrow = small_study(tmp_path, wiring="+90 deg", points=5)
    truth = draw_truth(narrow, 4)
    likelihood = RatioLikelihood(narrow, simulate_digest(narrow, truth), truth.port_signs, reference=truth.parameters)
    problem = CampaignProblem(Unknowns(narrow, likelihood.cooldowns), likelihood)
    mode = ascend(problem, problem.unknowns.whitened(truth.parameters)[0])
    assert mode is not None
    one = from_modes([mode])
    wide = StudentMixture(one.weights, one.means, 4 * one.factors, one.nu)
    small = reduced(problem, wide, np.random.default_rng(0))
    assert small is not None
    fresh = wide.draw(np.random.default_rng(9), 100)
    full = problem.log_likelihood(fresh)
    near = full > full.max() - 50
    assert near.sum() > 30
    assert np.ptp((small.log_likelihood(fresh) - full)[near]) < 0.06
    assert small.full_calls < 10  # and it is the polynomials that answered


@pytest.mark.parametrize("kind", ["complex", "magnitude"])
def test_information_on_the_noise_scale_is_that_of_as_many_normal_numbers(tmp_path: Path, kind: str) -> None:
    """n normal numbers of deviation s exp(d z) have the Fisher information 2 n d^2 on z; n counted by hand.

    And by differences of the log-likelihood alone, -Q/2 - n d z with the misfit Q falling as exp(-2 d z): less its second
    derivative and twice d times its first is 2 n d^2 at any z and for any data.
    """
    extra = '\n[data]\nkind = "magnitude"\n' if kind == "magnitude" else ""
    plain = small_study(tmp_path, wiring="+90 deg", points=6, repeats=30, extra=extra)
    truth = draw_truth(plain, 2)
    digest = simulate_digest(plain, truth)
    sd = 0.3
    loud = replace(plain, noise=replace(plain.noise, scale_sd=sd))
    likelihood = RatioLikelihood(loud, digest, truth.port_signs)
    assert all(family.notch is None for family in likelihood.families)
    problem = CampaignProblem(Unknowns(loud, likelihood.cooldowns), likelihood)
    column = problem.unknowns.names.index("noise scale")
    x = np.zeros(problem.unknowns.size)
    x[:3] = truth.parameters["source"][0] / loud.source.size
    x[column] = 0.4
    # two isolators at two settings, each with sweeps of two states with and without the pump, of which one divides the other
    # three; two paths, six points, two quadratures
    assert len(digest) == 2 * 2 * 4
    count = 2 * 2 * 3 * 2 * 6 * (2 if kind == "complex" else 1)
    information = curvature(problem, x)[2]
    assert information[column, column] == pytest.approx(2 * count * sd**2, rel=1e-9)
    step = 1e-3 * np.eye(x.size)[column]
    up, here, down = problem.log_likelihood(np.array([x + step, x, x - step]))
    slope, bend = (up - down) / 2e-3, (up - 2 * here + down) / 1e-6
    assert -bend - 2 * sd * slope == pytest.approx(2 * count * sd**2, rel=1e-4)


def test_chebyshev_products_are_those_of_numpy() -> None:
    t = np.random.default_rng(0).uniform(-1, 1, (5, 3))
    mine = chebyshev(t, 2)
    orders = [(a, b, c) for a in range(3) for b in range(3 - a) for c in range(3 - a - b)]
    cheb = np.polynomial.chebyshev.Chebyshev.basis
    expected = np.array([[np.prod([cheb(n)(v) for n, v in zip(o, row, strict=True)]) for o in orders] for row in t])
    np.testing.assert_allclose(mine, expected, atol=1e-14)


def test_posterior_vanishes_outside_the_prior_without_calling_the_model(
    study: Study, campaign: tuple[Truth, Digest, RatioLikelihood]
) -> None:
    _, _, likelihood = campaign
    problem = problem_of(study, likelihood)
    x = np.zeros((2, problem.unknowns.size))
    x[:, 0] = 0.5
    strength = problem.unknowns.names.index(f"pump strength {study.isolators[0].name}")
    x[1, strength] = -1e6
    values = log_posterior(problem, x)
    assert np.isfinite(values[0])
    assert values[1] == -np.inf


def test_thinned_likelihood_uses_every_few_points() -> None:
    assert list(every_few("any", 10)) == list(range(10))
    assert len(every_few("any", 481)) <= 26


def test_no_pump_on_sweep_is_a_sentence(study: Study, campaign: tuple[Truth, Digest, RatioLikelihood]) -> None:
    _, digest, _ = campaign
    quiet = Digest({k: v for k, v in digest.items() if not k.pump_on})
    with pytest.raises(InputError, match="no sweep with the pump on"):
        RatioLikelihood(study, quiet)


def test_paths_are_s21_and_s12() -> None:
    from fluxsense.data.digest import PATHS as NAMES

    assert [NAMES[p] for p in PATHS] == ["21", "12"]


def test_a_small_offset_is_found_in_one_linear_step(tmp_path: Path) -> None:
    """Quiet sweeps, offsets 0.02 of their prior deviation off, eliminated about their prior means: the means say so."""
    study = small_study(tmp_path, wiring="+90 deg", offset_sd_mphi0=10.0)
    study = replace(study, noise=replace(study.noise, white=1e-5, gain_drift=0.0, phase_drift_rad=0.0))
    nominal = stated_truth(study, (0.0, 0.0, 0.0), 1)
    off = np.array([2e-4, -1e-4, 1.5e-4, 2e-4])
    truth = replace(nominal, parameters=nominal.parameters.changed(offset_phi0=off[None, None]))
    names = [f"offset {loop.name}" for loop in study.loops]
    likelihood = RatioLikelihood(study, simulate_digest(study, truth), truth.port_signs, tamed=names)
    means = likelihood.eliminated_means(nominal.parameters)
    found = {p.name: p.sd * m for i, own in likelihood.eliminated.items() for p, m in zip(own, means[i], strict=True)}
    np.testing.assert_allclose([found[n] for n in names], off, rtol=0.05)
