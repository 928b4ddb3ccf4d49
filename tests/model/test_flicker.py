"""Slow flux noise: its covariance, the likelihood with it, and the floor below which repeats do not bring the error.

Reference for the floor: the difference of the means of two adjacent windows of flicker noise S(f) = A^2/f has the variance
4 ln 2 A^2, twice the Allan variance (IEEE Std 1139, from memory); checked here by simulation as well.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from slopes import check_slopes
from small_study import small_study

from fluxsense.base.sphere import direction_error_rad
from fluxsense.data.blocks import RunningBlocks
from fluxsense.data.digest import Digest
from fluxsense.device.chip import nominal_parameters
from fluxsense.infer.budget import information_at
from fluxsense.infer.mixture import from_modes, improve
from fluxsense.infer.modes import find_modes
from fluxsense.infer.reduction import reduced
from fluxsense.jobs.orient import orient
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.flicker import band_hz, correlation, draw, group_covariance, walk_covariance
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.problem import CampaignProblem, log_posterior
from fluxsense.model.unknowns import Unknowns

FLICKER = 4 * np.log(2)


def adjacent(count, step=20.0):
    return [[(0.0, (count - 1) * step, count)], [(count * step, (2 * count - 1) * step, count)]]


@pytest.mark.parametrize("count", [8, 48, 200, 5000, 100000])
def test_adjacent_windows_differ_by_twice_the_allan_variance(count):
    c = group_covariance(adjacent(count))
    assert c[0, 0] + c[1, 1] - 2 * c[0, 1] == pytest.approx(FLICKER, rel=0.03)  # the band is cut at the bottom
    assert np.linalg.eigvalsh(c)[0] > 0


@pytest.mark.parametrize("time", [0.0, 3.0, 20.0, 75.0, 400.0])
def test_correlation_is_the_integral_of_the_spectrum(time):
    """The Wiener-Khinchin theorem, int S(f) cos(2 pi f t) df of S = 1/f over the band; reference: scipy's quadrature in ln f."""
    low, high = band_hz(800.0, 20.0)
    integral = quad(lambda u: np.cos(2 * np.pi * np.exp(u) * time), np.log(low), np.log(high), epsabs=1e-10, limit=400)
    assert correlation(time, low, high) == pytest.approx(integral[0], abs=1e-8)
    assert correlation(-time, low, high) == correlation(time, low, high)


def test_covariance_of_few_sweeps_is_that_of_each_pair():
    """Sums over all pairs of sweeps, also where the windows of two groups take turns."""
    groups = [[(0.0, 60.0, 4), (320.0, 340.0, 2)], [(80.0, 80.0, 1)], [(200.0, 300.0, 6), (100.0, 100.0, 1)]]
    times = [np.concatenate([np.linspace(a, b, n) for a, b, n in windows]) for windows in groups]
    low, high = band_hz(340.0 + 20.0, 20.0)
    expected = [[correlation(s[:, None] - t, low, high).mean() for t in times] for s in times]
    np.testing.assert_allclose(group_covariance(groups), expected, rtol=1e-12)
    expected = [[np.minimum(s[:, None], t).mean() for t in times] for s in times]
    np.testing.assert_allclose(walk_covariance(groups), expected, rtol=1e-12)


@pytest.mark.parametrize("count", [8, 5000])
def test_random_walk_over_adjacent_windows(count):
    """Two thirds of the length of a window times D, from the covariance min(t, t') by hand; and by 4000 drawn walks."""
    step = 20.0
    c = walk_covariance(adjacent(count, step))
    difference = c[0, 0] + c[1, 1] - 2 * c[0, 1]
    assert difference == pytest.approx(2 / 3 * count * step, rel=0.02)
    if count < 100:
        walks = np.cumsum(np.random.default_rng(1).normal(0, np.sqrt(step), (4000, 2 * count)), axis=1)
        drawn = np.var(walks[:, :count].mean(axis=1) - walks[:, count:].mean(axis=1))
        assert drawn == pytest.approx(difference, rel=5 * np.sqrt(2 / 4000))


@pytest.mark.parametrize("kernel", [group_covariance, walk_covariance])
def test_interleaved_groups_differ_little_and_blocks_stand_for_their_sweeps(kernel):
    """Two groups whose sweeps take turns, from every sweep and from sixteen blocks of time each."""
    step, count = 20.0, 400
    times = [step * (2 * np.arange(count) + g) for g in (0, 1)]
    apart = kernel(adjacent(count, step))
    each = kernel([[(t, t, 1) for t in series] for series in times])
    blocks = []
    for series in times:
        running = RunningBlocks(1)
        for t in series:
            running.add(float(t), np.zeros((2, 1)))
        blocks.append(running.freeze().windows)
    blocked = kernel(blocks)
    contrast = np.array([1.0, -1.0])
    assert contrast @ each @ contrast < 0.02 * (contrast @ apart @ contrast)
    assert contrast @ blocked @ contrast < 0.03 * (contrast @ apart @ contrast)
    np.testing.assert_allclose(blocked, each, rtol=0.02)


def test_drawn_series_has_the_covariance():
    """Variance and difference of halves of 2000 series, within 5 standard errors."""
    rng = np.random.default_rng(0)
    series = np.array([draw(rng, 40, 20.0, 800.0) for _ in range(2000)])
    low, high = band_hz(800.0, 20.0)
    spread = 5 * np.sqrt(2 / len(series))
    assert series[:, 0].var() == pytest.approx(np.log(high / low), rel=spread)
    difference = series[:, :20].mean(axis=1) - series[:, 20:].mean(axis=1)
    assert difference.var() == pytest.approx(FLICKER, rel=spread + 0.03)


@pytest.fixture(scope="module", params=["complex", "magnitude"])
def campaign(request, tmp_path_factory):
    extra = "" if request.param == "complex" else '\n[data]\nkind = "magnitude"\n'
    study = small_study(
        tmp_path_factory.mktemp("slow"), wiring="+90 deg", points=17, slow_mphi0=1.0, flux_noise_mphi0=0.5, extra=extra
    )
    truth = draw_truth(study, 7)
    digest = simulate_digest(study, truth)
    return study, truth, digest, RatioLikelihood(study, digest, truth.port_signs, reference=truth.parameters)


def test_quadratic_form_against_a_dense_covariance(campaign):
    _, truth, _, likelihood = campaign
    rng = np.random.default_rng(3)
    families = [f for f in likelihood.families if f.isolator == 0]
    assert len(families) > 1
    residuals = [f.draw_noise(rng, 2) for f in families]
    shares = likelihood.common_scores(residuals, families)[0]
    got = sum(f.quadratic(r) for f, r in zip(families, residuals, strict=True)) - np.sum(shares**2, axis=1)
    blocks, directions, stacked, masks = [], [], [], []
    for f, r in zip(families, residuals, strict=True):
        size = 2 * f.ratio.size
        unit = np.eye(size).view(np.complex128).reshape(size, *f.ratio.shape)
        mask = np.repeat((f.precision > 0).reshape(-1), 2)
        if f.real:
            mask &= np.arange(size) % 2 == 0
        inverse = f.inverse(unit)[np.ix_(mask, mask)]
        blocks.append(np.linalg.inv(0.5 * (inverse + inverse.T)))
        directions.append(likelihood.common_directions(f).reshape(likelihood.commons(0), -1).view(np.float64)[:, mask])
        stacked.append(np.ascontiguousarray(r).reshape(len(r), -1).view(np.float64)[:, mask])
        masks.append(mask)
    u = np.concatenate(directions, axis=1)
    dense = u.T @ u
    at = 0
    for block in blocks:
        dense[at : at + len(block), at : at + len(block)] += block
        at += len(block)
    r = np.concatenate(stacked, axis=1)
    np.testing.assert_allclose(got, np.einsum("bi,bi->b", r, np.linalg.solve(dense, r.T).T), rtol=1e-6)
    # the explicit likelihood is the same form
    ratios = likelihood.predict(truth.parameters)
    assert np.isfinite(likelihood.log_likelihood(truth.parameters)[0])
    assert len(ratios) == len(likelihood.families)


def test_slopes_with_slow_noise(campaign):
    study, truth, _, likelihood = campaign
    problem = CampaignProblem(Unknowns(study, likelihood.cooldowns), likelihood)
    x = np.random.default_rng(1).normal(0, 0.2, problem.unknowns.size)
    x[:3] = truth.parameters["source"][0] / study.source.size
    check_slopes(problem, x)


def test_polynomials_hold_slow_noise(tmp_path):
    study = small_study(tmp_path, wiring="+90 deg", points=41, slow_mphi0=1.0)
    truth = draw_truth(study, 7)
    likelihood = RatioLikelihood(study, simulate_digest(study, truth), truth.port_signs, reference=truth.parameters)
    problem = CampaignProblem(Unknowns(study, likelihood.cooldowns), likelihood)
    rng = np.random.default_rng(2)
    mixture, _ = improve(from_modes(find_modes(problem, rng)), lambda x: log_posterior(problem, x), rng)
    small = reduced(problem, mixture, rng)
    assert small is not None
    x = mixture.draw(rng, 40)
    difference = small.log_likelihood(x) - problem.log_likelihood(x)
    assert np.ptp(difference) < 0.05


@pytest.mark.slow
def test_the_answer_knows_of_slow_noise(tmp_path):
    """Truth in the region and no misfit with the noise stated; the error larger than without it."""
    noisy = small_study(tmp_path, wiring="+90 deg", slow_mphi0=3.0)
    truth = draw_truth(noisy, 5)
    digest = simulate_digest(noisy, truth)
    result = orient(noisy, digest, seed=1)
    assert result.region_contains(truth.parameters["source"][0])[0.95]
    assert result.document["predictive_check"]["p_value"] > 1e-3
    blind = orient(replace(noisy, noise=replace(noisy.noise, flux_slow_phi0=0.0)), digest, seed=1)
    cone = [next(r["cone_deg"] for r in x.document["region"] if r["level"] == 0.9) for x in (result, blind)]
    assert cone[0] > 1.5 * cone[1]


def with_repeats(digest: Digest, count: int, seconds: float) -> Digest:
    """The same means, each from so many sweeps: all out states first, then all in states, taken in a row."""
    order = sorted(digest, key=lambda k: (k.state == "in", k))
    out, time = {}, 0.0
    for key in order:
        last = time + (count - 1) * seconds
        out[key] = digest[key].moved(time, last, count)
        time = last + seconds
    return Digest(out)


def angular_error(study, digest, truth, count) -> float:
    likelihood = RatioLikelihood(
        study, with_repeats(digest, count, 20.0), truth.port_signs, reference=truth.parameters,
        noise=RatioLikelihood(study, digest, truth.port_signs).noise,
    )  # fmt: skip
    problem = CampaignProblem(Unknowns(study, likelihood.cooldowns, leave_out=("pump_phase_error_rad",)), likelihood)
    x = np.zeros(problem.unknowns.size)
    x[:3] = truth.parameters["source"][0] / study.source.size
    return float(direction_error_rad(x[:3], np.linalg.inv(information_at(problem, x))[:3, :3]))


def test_repeats_stop_helping_at_the_floor(tmp_path):
    """Without slow noise the error falls as 1/sqrt(repeats); with it, it stops at the floor of the linear model."""
    study = small_study(tmp_path, wiring="+90 deg", fluxes=((0.5, 0.5, 0.5, 0.5),), ports=(1,), slow_mphi0=1.0)
    quiet = replace(study, noise=replace(study.noise, flux_slow_phi0=0.0))
    truth = draw_truth(study, 1, source=[0.4e-6, -0.3e-6, 0.5e-6])
    truth = replace(truth, parameters=nominal_parameters(study, truth.parameters["source"]))
    digest = simulate_digest(quiet, truth)
    few, many, most = 10**2, 10**6, 10**7
    # offsets that every state shares leave the difference of in and out; gain drift is white and averages too
    fall = angular_error(quiet, digest, truth, few) / angular_error(quiet, digest, truth, many)
    assert fall == pytest.approx(100.0, rel=0.02)
    floor = angular_error(study, digest, truth, most)
    assert angular_error(study, digest, truth, many) == pytest.approx(floor, rel=0.03)
    # the linear model: each loop's flux in and out measured without error but for the slow noise of their windows; the
    # pump-off sweeps of both states move with the flux as well, so each loop has two readings per state
    keys = sorted(with_repeats(digest, most, 20.0))
    moved = with_repeats(digest, most, 20.0)
    windows = [moved[k].blocks.windows for k in keys]
    from fluxsense.device.chip import study_flux_map

    rows = study_flux_map(study)
    information = np.diag([3 / study.source.size**2] * 3)
    for i, iso in enumerate(study.isolators):
        mine = [n for n, k in enumerate(keys) if k.isolator == iso.name]
        c = study.noise.flux_slow_phi0**2 * group_covariance([windows[n] for n in mine])
        design = np.array([[1.0, float(keys[n].state == "in")] for n in mine])
        weighed = design.T @ np.linalg.solve(c, design)
        offset_sd = study.loops[0].offset_sd_phi0
        weighed[0, 0] += 1 / offset_sd**2
        sd = np.sqrt(np.linalg.inv(weighed)[1, 1])
        for stage in iso.stages:
            row = rows[[x.name for x in study.loops].index(stage.loop)]
            information += np.outer(row, row) / sd**2
        assert i < 2
    expected = float(direction_error_rad(truth.parameters["source"][0], np.linalg.inv(information)[:3, :3]))
    assert floor == pytest.approx(expected, rel=0.05)
