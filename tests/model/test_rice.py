"""Magnitudes without phase: the law of mean powers against scipy and mpmath, and the notch in which a mean of dB is biased.

References: scipy.stats.rice and ncx2 (independent implementations), mpmath's Bessel function; the bias of averaged
decibels of Rayleigh noise, 10 log10(2 s^2) - 10 gamma/ln 10 with gamma Euler's constant (textbook, from memory; checked
here by the Monte Carlo run itself).
"""

from __future__ import annotations

from dataclasses import replace

import mpmath
import numpy as np
import pytest
from scipy.stats import ncx2, rice
from slopes import check_slopes
from small_study import small_study

from fluxsense.data.noise_levels import magnitudes_only, measure_noise
from fluxsense.jobs.orient import orient
from fluxsense.jobs.page import scaled_residual
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.family import LEAST_AMPLITUDE, Notch
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.rice import amplitude_from_power, amplitude_variance, log_bessel_i, log_power_density
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import read_study

MAGNITUDE = '\n[data]\nkind = "magnitude"\n'


@pytest.mark.parametrize("order", [0, 1, 7, 24, 25, 40, 99, 999])
@pytest.mark.parametrize("z", [0.1, 3.0, 30.0, 1000.0])
def test_bessel_function(order, z):
    with mpmath.workdps(30):
        expected = float(mpmath.log(mpmath.besseli(order, mpmath.mpf(z), maxterms=10**6)))
    assert log_bessel_i(order, z) == pytest.approx(expected, rel=1e-12, abs=1e-7)


@pytest.mark.parametrize("count", [1, 3, 20, 200])
def test_density_of_a_mean_power(count):
    power = np.array([0.5, 1.0, 3.0])
    expected = ncx2.logpdf(count * power / 0.3, 2 * count, count * 1.2 / 0.3) + np.log(count / 0.3)
    np.testing.assert_allclose(log_power_density(power, 1.2, 0.3, count), expected, rtol=1e-8, atol=1e-7)


def test_one_sweep_is_rice():
    m = np.linspace(0.1, 3, 9)
    np.testing.assert_allclose(
        log_power_density(m**2, 0.64, 0.25, 1) + np.log(2 * m), rice.logpdf(m, 0.8 / 0.5, scale=0.5), rtol=1e-10
    )
    # no signal at all: the exponential law of the power
    np.testing.assert_allclose(log_power_density(m**2, 0.0, 0.25, 1), -(m**2) / 0.5 - np.log(0.5), rtol=1e-12)


@pytest.mark.parametrize("count", [1, 8, 1000])
@pytest.mark.parametrize("ratio", [9.0, 30.0])
def test_amplitude_has_the_stated_mean_and_variance(count, ratio):
    """At the least signal to noise that is used as an amplitude, and above; 5 standard errors of 40000 draws."""
    rng = np.random.default_rng(count)
    amplitude = 1.0
    low, high = 1e-3, 1.0
    for _ in range(60):  # noise at which the amplitude is `ratio` of its standard deviations
        s = np.sqrt(low * high)
        low, high = (s, high) if amplitude / np.sqrt(amplitude_variance(amplitude, s**2, count)) > ratio else (low, s)
    power = ncx2.rvs(2 * count, count * amplitude**2 / s**2, size=40000, random_state=rng) * s**2 / count
    got = amplitude_from_power(power, s**2, count)
    sd = float(np.sqrt(amplitude_variance(amplitude, s**2, count)))
    # what is left is of third order, about (sd/A)^3/2 in amplitude
    assert abs(got.mean() - amplitude) < 5 * sd / np.sqrt(got.size) + 0.6 * sd**3
    assert got.std() == pytest.approx(sd, rel=5 / np.sqrt(2 * got.size) + 1.5 * sd**2)


def test_notch_is_unbiased_where_averaged_decibels_are_not():
    """Amplitude at the noise per quadrature, 40 dB below a trace of 1: most probable power, 2000 notches of 16 repeats."""
    rng = np.random.default_rng(3)
    s = 0.01
    m = np.abs(0.01 + s * (rng.standard_normal((2000, 16)) + 1j * rng.standard_normal((2000, 16))))
    power = np.mean(m**2, axis=1)
    grid = np.linspace(0, 6e-4, 1201)
    logs = sum(log_power_density(p, grid, s**2, 16) for p in power)
    best = grid[int(np.argmax(logs))]
    curvature = -np.gradient(np.gradient(logs, grid), grid)[int(np.argmax(logs))]
    assert abs(best - 1e-4) < 5 / np.sqrt(curvature)
    in_db = 10 ** (np.mean(20 * np.log10(m)) / 10)
    assert 10 * np.log10(in_db / 1e-4) > 2.0  # far above the truth, however many repeats


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    folder = tmp_path_factory.mktemp("magnitude")
    study = small_study(folder, wiring="+90 deg", strength_sd=0.02, flux_noise_mphi0=0.5, extra=MAGNITUDE)
    text = study.path.read_text(encoding="utf-8").replace("white = 0.01", "white = 0.03")
    study.path.write_text(text, encoding="utf-8")
    study = read_study(study.path)
    truth = draw_truth(study, 4)
    return study, truth, simulate_digest(study, truth)


def test_white_noise_is_found_from_magnitudes(campaign):
    study, _, digest = campaign
    assert magnitudes_only(digest)
    levels = measure_noise(digest, 0.5, 0.0, 0.0)
    ratios = [
        white / np.median(np.abs(digest[key].mean[[1, 2]]), axis=1)
        for key, white in levels.white.items()
        if not key.pump_on
    ]
    # two isolators and two paths, each from about 80 effective degrees of freedom: 8%, 4% for the mean of the four
    assert np.mean(ratios) == pytest.approx(study.noise.white, rel=5 * 0.04)


def test_slopes_and_value(campaign):
    study, truth, digest = campaign
    likelihood = RatioLikelihood(study, digest, [1, 1])
    problem = CampaignProblem(Unknowns(study, likelihood.cooldowns), likelihood)
    assert any(f.notch is not None for f in likelihood.families)
    x = np.random.default_rng(1).normal(0, 0.2, problem.unknowns.size)
    x[:3] = truth.parameters["source"][0] / study.source.size
    check_slopes(problem, x)


def test_small_ratios_are_left_out_where_the_set_up_is_uncertain(campaign):
    """The law of a notch knows of white noise alone: a path beside the device, or a hybrid's imbalance, fills notches too."""
    study, _, digest = campaign
    uncertain = replace(study, isolators=tuple(i.with_sd(hybrid_imbalance_db=0.1) for i in study.isolators))
    exact, loose = (RatioLikelihood(s, digest, [1, 1]) for s in (study, uncertain))
    assert any(f.notch is not None for f in exact.families)
    assert all(f.notch is None for f in loose.families)
    small = [f.ratio.real < LEAST_AMPLITUDE for f in loose.families]
    assert any(np.any(s) for s in small)
    for one, other, few in zip(loose.families, exact.families, small, strict=True):
        assert not np.any(one.precision[few])
        assert np.array_equal(one.precision[~few], other.precision[~few])


def test_slopes_with_an_unknown_noise_scale(campaign):
    study, truth, digest = campaign
    loud = replace(study, noise=replace(study.noise, scale_sd=0.3))
    likelihood = RatioLikelihood(loud, digest, [1, 1])
    problem = CampaignProblem(Unknowns(loud, likelihood.cooldowns), likelihood)
    x = np.random.default_rng(1).normal(0, 0.2, problem.unknowns.size)
    x[:3] = truth.parameters["source"][0] / study.source.size
    check_slopes(problem, x)


def test_truth_fits_as_it_should(campaign):
    """Misfit at the truth: -2 log likelihood of the ratios is chi-square with as many degrees as points."""
    study, truth, digest = campaign
    likelihood = RatioLikelihood(study, digest, truth.port_signs, reference=truth.parameters)
    ratios = likelihood.predict(truth.parameters)
    total = sum(float(f.quadratic(f.ratio - r)[0]) for f, r in zip(likelihood.families, ratios, strict=True))
    count = sum(f.values - (0 if f.notch is None else f.notch.power.size) for f in likelihood.families)
    assert abs(total - count) < 5 * np.sqrt(2 * count)


def test_magnitudes_find_the_source(campaign, tmp_path):
    study, truth, digest = campaign
    result = orient(study, digest, seed=1)
    assert result.document["data"]["kind"] == "magnitude"
    assert result.document["verdict"]["trust"] == "reliable", result.document["verdict"]
    assert result.region_contains(truth.parameters["source"][0])[0.95]


@pytest.mark.slow
def test_complex_traces_taken_as_magnitudes_find_it_as_well(campaign, tmp_path):
    study, truth, digest = campaign
    result = orient(study, digest, seed=1)
    text = study.path.read_text(encoding="utf-8").replace(MAGNITUDE, "")
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    whole = simulate_digest(read_study(tmp_path / "study.toml"), truth)
    assert not magnitudes_only(whole)
    again = orient(study, whole, seed=1)
    assert again.region_contains(truth.parameters["source"][0])[0.95]
    cones = [next(r["cone_deg"] for r in x.document["region"] if r["level"] == 0.9) for x in (result, again)]
    assert cones[1] == pytest.approx(cones[0], rel=0.5)


@pytest.mark.parametrize(("amplitude", "count"), [(0.0, 4), (0.02, 4), (0.05, 20), (0.3, 6)])
def test_information_of_a_notch_is_one_over_the_variance_of_its_power(amplitude: float, count: int) -> None:
    """Against numpy's noncentral chi-square: N powers of one sweep, each s^2 times one of 2 degrees of freedom."""
    sd = 0.02
    place = tuple(np.zeros(1, dtype=np.intp) for _ in range(3))
    notch = Notch(place, np.array([amplitude**2 + sd**2]), np.array([sd**2]), np.array([count]))  # type: ignore[arg-type]
    _, information = notch.by_square(np.full((1, 1, 1), amplitude, dtype=np.complex128))
    draws = np.random.default_rng(6).noncentral_chisquare(2, amplitude**2 / sd**2 + 1e-12, (100_000, count))
    power = sd**2 * draws.mean(axis=1)
    assert information[0] * power.var() == pytest.approx(1.0, abs=5 * np.sqrt(6 / 100_000))


def test_points_left_out_are_drawn_at_zero(campaign):
    """A residual over an infinite scale, without a warning."""
    study, _, digest = campaign
    family = RatioLikelihood(study, digest, [1, 1]).families[0]
    precision = np.array(family.precision)
    precision[:, :, ::2] = 0.0
    scaled, sd = scaled_residual(replace(family, precision=precision), np.ones(family.ratio.shape, dtype=np.complex128))
    assert not np.any(scaled[:, :, ::2])
    assert np.all(np.isfinite(sd[:, :, 1::2]))
    assert np.all(np.abs(scaled[:, :, 1::2]) > 0)
