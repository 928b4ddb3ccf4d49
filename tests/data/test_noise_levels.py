"""Noise measured from repeats, against the noise that was put into repeats drawn here."""

import numpy as np
import pytest

from fluxsense.data.blocks import Blocks
from fluxsense.data.digest import Digest, GroupKey, GroupStats, node_indices
from fluxsense.data.noise_levels import find_spurs, local_variance, measure_noise, white_freedom

F = np.linspace(4.9e9, 5.1e9, 121)
_FOURTH = np.convolve([1, -4, 6, -4, 1], [1, -4, 6, -4, 1]) / 70
DEPENDENCE = float(np.sum(_FOURTH**2))
"""Sum of squared correlations of fourth differences of white noise (their autocovariance, by numpy's convolution)."""


def key(isolator="one", on=True, port=1, state="in"):
    power, pump = (-60.0, 2.3e9) if on else (float("nan"), float("nan"))
    return GroupKey(isolator, on, port if on else None, None, power, pump, (1e-3,), state, "c1")


def line(level, f=F):
    """A smooth trace of about that modulus, with a delay."""
    x = (f - f.mean()) / np.ptp(f)
    return level * (1 + 0.2 * x + 0.1 * np.cos(7 * x)) * np.exp(1j * (0.3 + 40 * x))


def repeats(rng, count, means, white, gain=(0.0, 0.0), phase=(0.0, 0.0), shared=0.0):
    """Sweeps (count, 4, F) with white noise and drift of S21 and S12; no flux noise."""
    traces = np.empty((count, 4, means.shape[1]), dtype=complex)
    common = shared * rng.standard_normal(count)
    for path in range(4):
        drift = np.ones(count, dtype=complex)
        if path in (1, 2):
            drift = 1 + gain[path - 1] * rng.standard_normal(count) + common
            drift = drift * np.exp(1j * phase[path - 1] * rng.standard_normal(count))
        noise = rng.standard_normal((2, count, means.shape[1]))
        traces[:, path] = means[path] * drift[:, None] + white[path] * (noise[0] + 1j * noise[1])
    return traces


def statistics(traces, f=F):
    """The digest's statistics by their definitions, in two passes."""
    mean = traces.mean(axis=0)
    off = traces - mean
    nodes = node_indices(f.size)
    y = np.concatenate([off[:, 1, nodes], off[:, 2, nodes]], axis=1)
    band = np.zeros((2, 4, f.size), dtype=complex)
    for lag in range(1, min(4, f.size - 1) + 1):
        band[:, lag - 1, :-lag] = np.sum(off[:, 1:3, :-lag] * off[:, 1:3, lag:].conj(), axis=0)
    return GroupStats(
        count=len(traces),
        frequency_hz=f,
        reference_ohm=50.0,
        mean=mean,
        scatter=np.sum(np.abs(off) ** 2, axis=0),
        band=band,
        node_hermitian=y.T @ y.conj(),
        node_complementary=y.T @ y,
        blocks=Blocks.even(0.0, 1.0, len(traces), mean[1:3, nodes]),
        trace_hash=np.zeros((len(traces), 16), dtype=np.uint8),
    )


def means(level21=1.0, level12=1.0, f=F):
    return np.array([line(0.1, f), line(level21, f), line(level12, f), line(0.1, f)])


def measured(groups, stated=(0.5, 0.5, 0.5)):
    return measure_noise(Digest({k: statistics(v) for k, v in groups.items()}), *stated)


def test_white_level_is_recovered_beneath_drift():
    # the trace turns by 19 degrees per point, so that a tenth of drift does not cancel in the second differences
    rng = np.random.default_rng(1)
    white = np.array([0.02, 0.01, 0.03, 0.02])
    ks = [key(state=s) for s in ("out", "in")]
    count = 30
    noise = measured({k: repeats(rng, count, means(), white, (0.1, 0.05), (0.2, 0.1)) for k in ks})
    assert noise.measured
    # relative error of the variance estimate from fourth differences of white noise: their normalised autocovariance is that
    # of (1, -4, 6, -4, 1); two quadratures, (N - 1)(F - 4) differences; half of it for the deviation
    error = 0.5 * np.sqrt(DEPENDENCE / ((count - 1) * (F.size - 4)))
    for k in ks:
        np.testing.assert_allclose(noise.white[k], [0.01, 0.03], rtol=5 * error)
        assert np.all(np.abs(noise.white[k] / [0.0112, 0.0336] - 1) > 5 * error)  # 12% would be seen


def test_white_level_of_groups_that_differ():
    # each group keeps its own level when it has many repeats; one with two repeats leans on its neighbours
    rng = np.random.default_rng(2)
    quiet, loud, single = key(state="a"), key(state="b"), key(state="c")
    noise = measured(
        {
            quiet: repeats(rng, 80, means(), [0.01] * 4),
            loud: repeats(rng, 80, means(), [0.04] * 4),
            single: repeats(rng, 1, means(), [0.01] * 4),
        }
    )
    # weight 100 of the pooled level beside 79 * 119 differences of its own: below 10% in the level
    np.testing.assert_allclose(noise.white[quiet], 0.01, rtol=0.1)
    np.testing.assert_allclose(noise.white[loud], 0.04, rtol=0.02)
    np.testing.assert_allclose(noise.white[single], np.sqrt((0.01**2 + 0.04**2) / 2), rtol=0.02)


def test_white_level_of_magnitudes_is_that_of_a_quadrature():
    # a strong magnitude moves by the noise along the phasor alone: to second order in 0.01 its deviation is that of a quadrature
    rng = np.random.default_rng(5)
    count, ks = 30, [key(on=False), key()]
    noise = measured({k: np.abs(repeats(rng, count, means(), [0.01] * 4)) + 0j for k in ks})
    error = 0.5 * np.sqrt(2 * DEPENDENCE / ((count - 1) * (F.size - 4)))  # of one quadrature
    for k in ks:
        np.testing.assert_allclose(noise.white[k], 0.01, rtol=5 * error)


@pytest.mark.parametrize("shared", [0.0, 0.02])
def test_drift_is_recovered(shared):
    rng = np.random.default_rng(3)
    gain, phase = (0.02, 0.01), (0.03, 0.05)
    count = 400
    noise = measured({key(): repeats(rng, count, means(), [0.01] * 4, gain, phase, shared)})
    # (1 + a)exp(i p) - 1 has variance a^2 along the trace and p^2 across it, up to p^4 (here below 1e-5); a common gain
    # error adds to both gains and joins them
    truth = np.diag([gain[0] ** 2, phase[0] ** 2, gain[1] ** 2, phase[1] ** 2])
    for i in (0, 2):
        for j in (0, 2):
            truth[i, j] += shared**2
    # Wishart: var of an entry = (s_ii s_jj + s_ij^2)/(N - 1), with the white noise that was subtracted
    power = np.sum(np.abs(means()[1:3][:, node_indices(F.size)]) ** 2, axis=1)
    full = truth + np.diag(np.repeat(0.01**2 / power, 2))
    error = np.sqrt((np.outer(np.diag(full), np.diag(full)) + full**2) / (count - 1))
    assert np.all(np.abs(noise.drift["one"] - truth) < 5 * error + 2e-5)
    assert np.all(
        np.abs(np.diag(1.5 * truth - noise.drift["one"])) > 5 * np.diag(error)
    )  # half as much more would show


def test_drift_of_one_path_along_with_the_other_keeps_its_sign():
    # one amplitude u turns the phase of S21 up and lowers the gain of S12, and tilts within S21 by a phase of 0.5 rad
    rng = np.random.default_rng(10)
    count, size = 200, 0.05
    u = rng.standard_normal(count)
    u -= u.mean()  # gain errors are relative to the mean trace, which their own mean would shift
    traces = repeats(rng, count, means(), [0.003] * 4)
    directions = np.array([np.exp(0.5j) * 1j, -1.0])
    for path, direction in zip((1, 2), directions, strict=True):
        traces[:, path] += size * direction * u[:, None] * means()[path]
    drift = measured({key(): traces}).drift["one"]
    real = directions.view(np.float64)
    truth = np.var(u, ddof=1) * size**2 * np.outer(real, real)
    # what is left is white noise: 0.003 over about 5 (root of the power), beside 0.05
    np.testing.assert_allclose(drift, truth, atol=5 * size * (0.003 / 4) / np.sqrt(count))


def real_over_claimed(count, together, draws=200):
    """Variance that a fit of one number has over what its noise says, and over the least possible one: (draws, 2).

    The fit is generalised least squares with the drift of few repeats for its noise; the truth is the covariance drawn from.
    """
    rng = np.random.default_rng(11)
    truth = np.kron([[1.0, together], [together, 1.0]], np.diag([4e-4, 9e-4]))
    root = np.linalg.cholesky(truth)
    out = []
    for _ in range(draws):
        errors = rng.standard_normal((count, 4)) @ root.T
        traces = repeats(rng, count, means(), [1e-4] * 4)
        traces[:, 1] += (errors[:, 0] + 1j * errors[:, 1])[:, None] * means()[1]
        traces[:, 2] += (errors[:, 2] + 1j * errors[:, 3])[:, None] * means()[2]
        slope = rng.standard_normal(4)
        for n, found in enumerate((measured({key(): traces}).drift["one"], np.cov(errors.T))):
            weights = np.linalg.solve(found + 1e-15 * np.eye(4), slope)
            real, claimed = weights @ truth @ weights / (weights @ slope) ** 2, 1 / (weights @ slope)
            out.append((n, real / claimed, real * (slope @ np.linalg.solve(truth, slope))))
    rows = np.array(out)
    return rows[rows[:, 0] == 0, 1:], rows[rows[:, 0] == 1, 1:]


@pytest.mark.parametrize("together", [0.0, 0.99])
@pytest.mark.parametrize("count", [5, 11, 21])
def test_drift_of_few_repeats_claims_no_more_than_it_holds(count, together):
    # theory for the sample covariance S, p = 4, n = count - 1: 1/(a S^-1 a) has the mean (n - p + 1)/n of the least variance,
    # and a fit that rests on S has (n - 1)/(n - p) times the least (Rao, Proc. 5th Berkeley Symp. 1, 355 (1967), from memory):
    # together far beyond one
    ours, plain = real_over_claimed(count, together)
    ratio, lost = ours.T
    error = 5 * np.std(ratio) / np.sqrt(len(ratio))
    assert (
        np.mean(ratio) < (1.1 if count > 5 or not together else 2.0) + error
    )  # five that drift as one leave more open
    assert np.mean(ratio) > 0.9 - error  # nor is it taken for much more than it is
    if count > 5:
        n = count - 1
        assert np.mean(plain[:, 0]) > 1.1 + error  # negative control
        spread = 5 * np.std(plain[:, 1]) / np.sqrt(len(plain))
        assert np.mean(plain[:, 1]) == pytest.approx((n - 1) / (n - 4), abs=spread)
        assert np.mean(lost) < 1.1 * np.mean(plain[:, 1]) + spread  # nor does the prior cost anything


def test_no_drift_is_measured_where_there_is_none():
    rng = np.random.default_rng(4)
    count = 200
    noise = measured({key(): repeats(rng, count, means(), [0.05] * 4)})
    power = np.sum(np.abs(means()[1:3][:, node_indices(F.size)]) ** 2, axis=1)
    alone = np.repeat(0.05**2 / power, 2)
    assert np.all(np.diag(noise.drift["one"]) < 5 * alone * np.sqrt(2 / (count - 1)))
    assert np.linalg.eigvalsh(noise.drift["one"])[0] > -1e-18


def test_blocked_paths_do_not_spoil_the_drift():
    # two settings that block S12, or S21, by 40 dB, and the pump off: pooled without weights the blocked ones' white
    # noise, (0.01/0.01)^2/24 per projection, would make the error of the gain's variance about 0.01^2 * 100
    rng = np.random.default_rng(5)
    count = 40
    groups = {
        key(on=False): repeats(rng, count, means(), [0.01] * 4, (0.01, 0.01), (0.01, 0.01)),
        key(port=1): repeats(rng, count, means(1.0, 0.01), [0.01] * 4, (0.01, 0.01), (0.01, 0.01)),
        key(port=2): repeats(rng, count, means(0.01, 1.0), [0.01] * 4, (0.01, 0.01), (0.01, 0.01)),
    }
    drift = measured(groups).drift["one"]
    # two groups of 40 see each path: relative error sqrt(2/78) times (drift + white)/drift = 1.04
    np.testing.assert_allclose(np.diag(drift), 1e-4, rtol=5 * 1.04 * np.sqrt(2 / 78))


def test_isolators_are_kept_apart():
    rng = np.random.default_rng(6)
    a, b = key("a"), key("b")
    noise = measured(
        {
            a: repeats(rng, 50, means(), [0.01] * 4, (0.03, 0.03)),
            b: repeats(rng, 50, means(), [0.05] * 4, (0.0, 0.0)),
        }
    )
    assert noise.white[b][0] / noise.white[a][0] == pytest.approx(5, rel=0.1)
    assert noise.drift["a"][0, 0] == pytest.approx(9e-4, rel=5 * np.sqrt(2 / 49))
    assert noise.drift["b"][0, 0] < 2e-4


def test_without_repeats_the_stated_figures_stand_in():
    # the stated level is relative to unit transmission: a path that the pump blocks has the same white noise
    rng = np.random.default_rng(7)
    off, on = key(on=False), key()
    groups = {
        off: repeats(rng, 1, means(3.0, 0.5), [0.0] * 4),
        on: repeats(rng, 1, means(3.0, 0.005), [0.0] * 4),
    }
    noise = measured(groups, stated=(0.01, 0.02, 0.03))
    assert not noise.measured
    level = 0.01 * np.median(np.abs([line(3.0), line(0.5)]), axis=1)
    np.testing.assert_allclose(noise.white[off], level, rtol=1e-12)
    np.testing.assert_allclose(noise.white[on], level, rtol=1e-12)
    np.testing.assert_allclose(noise.drift["one"], np.diag([4e-4, 9e-4, 4e-4, 9e-4]), rtol=1e-12)
    only = measured({on: groups[on], key(port=2): repeats(rng, 1, means(0.03, 0.5), [0.0] * 4)}, stated=(0.01, 0, 0))
    np.testing.assert_allclose(only.white[on], level, rtol=1e-12)


def test_single_frequencies_fall_back_on_the_whole_scatter():
    rng = np.random.default_rng(8)
    f = np.array([5e9, 5.1e9])
    traces = repeats(rng, 500, means(f=f), [0.02] * 4)
    noise = measure_noise(Digest({key(): statistics(traces, f)}), 0.5, 0.5, 0.5)
    # 2 quadratures, 2 frequencies, 499: relative error of the deviation 0.5 sqrt(2/1996)
    np.testing.assert_allclose(noise.white[key()], 0.02, rtol=5 * 0.5 * np.sqrt(2 / 1996))


def test_noiseless_repeats_keep_a_level_above_zero():
    one = means()[None].repeat(3, axis=0)
    noise = measured({key(): one})
    assert np.all(noise.white[key()] > 0)
    assert np.all(np.isfinite(noise.drift["one"]))


def test_digest_is_left_alone():
    group = statistics(repeats(np.random.default_rng(9), 5, means(), [0.01] * 4))
    before = {n: np.copy(getattr(group, n)) for n in ("mean", "band", "scatter", "node_hermitian")}
    measure_noise(Digest({key(): group}), 0.01, 0.0, 0.0)
    for name, value in before.items():
        np.testing.assert_array_equal(getattr(group, name), value)


def resonance(f, delay_s, shift_hz=0.0, deep=True):
    """A notch of 45 MHz behind a cable: the whole of what a converter does to a sweep, at its simplest."""
    x = (f - 5e9 - shift_hz) / 45e6
    return (1 - (1.0 if deep else 0.5) / (1 - 2j * x) + 1e-4) * np.exp(2j * np.pi * f * delay_s)


def drifting(rng, points, delay_s, white, count=16, flux_hz=0.0, deep=True):
    """Sweeps with a drift of 1% and 1 degree and of 10 ps in the delay, far above the noise."""
    f = np.linspace(4.93e9, 5.07e9, points)
    out = np.empty((count, 4, points), dtype=complex)
    for n in range(count):
        gain = (1 + 0.01 * rng.standard_normal(4)) * np.exp(1j * np.radians(1) * rng.standard_normal(4))
        gain = gain[:, None] * np.exp(2j * np.pi * 1e-11 * rng.standard_normal() * (f - 5e9))
        out[n] = gain * resonance(f, delay_s, flux_hz * rng.standard_normal(), deep)
    noise = rng.standard_normal((2, *out.shape))
    return statistics(out + white * (noise[0] + 1j * noise[1]), f)


@pytest.mark.parametrize("points", [21, 51, 101, 401, 1601])
@pytest.mark.parametrize("delay_s", [0.0, 55e-9, 100e-9])
def test_white_level_is_right_on_any_grid_and_cable(points, delay_s):
    # the truth is what was drawn; the tolerance five standard errors, at most 5%
    rng = np.random.default_rng(points)
    repeats_of = 20 if points < 100 else 4
    groups = [drifting(rng, points, delay_s, 1e-4) for _ in range(repeats_of)]
    level = np.sqrt(np.mean([local_variance(g) for g in groups]))
    error = 0.5 * np.sqrt(DEPENDENCE / (2 * repeats_of * 15 * (points - 4)))
    assert 5 * error < 0.05
    assert abs(level / 1e-4 - 1) < 5 * error
    second = np.sqrt(np.mean([np.abs(np.diff(g.mean[1], 2)) ** 2 for g in groups]))
    if points <= 51 and delay_s:  # negative control: differences that are not freed of the gain see 1% of this
        assert 0.01 * second > 1e-4 * 5


def test_freedom_of_the_white_level_is_what_its_scatter_shows():
    rng = np.random.default_rng(13)
    drawn = [statistics(repeats(rng, 3, means(), [0.01] * 4)) for _ in range(300)]
    levels = np.array([local_variance(g).mean(axis=1) for g in drawn])
    freedom = white_freedom(Digest({key(): drawn[0]}))[key()]
    # relative variance of a chi-square over its degrees is 2/nu; that of a variance of 600 values is sqrt(2/600) off
    assert np.var(levels / 1e-4) == pytest.approx(2 / freedom, rel=5 * np.sqrt(2 / 600))


def spurred(rng, size, steady, points=101, groups=6, deep=True, width=1):
    """Groups of 8 sweeps, white noise of 1%, with a tone (of that size) at point 40 of S21 of all of them."""
    f = np.linspace(4.93e9, 5.07e9, points)
    out = {}
    for n in range(groups):
        traces = np.array([resonance(f, 55e-9, 2e6 * n, deep)] * 4)[None].repeat(8, axis=0)
        tone = np.exp(1j * rng.uniform(0, 2 * np.pi, 1 if steady else (8, 1)))
        traces[:, 1, 40 : 40 + width] += size * tone
        noise = rng.standard_normal((2, *traces.shape))
        out[key(state=str(n))] = statistics(traces + 0.01 * (noise[0] + 1j * noise[1]), f)
    return Digest(out)


@pytest.mark.parametrize("steady", [True, False])
def test_a_spur_of_three_per_cent_at_one_frequency_is_found_and_only_that(steady):
    rng = np.random.default_rng(14)
    for _ in range(5):
        noise = measure_noise(spurred(rng, 0.03, steady), 0.5, 0.5, 0.5)
        assert list(noise.spurs) == ["one"]
        assert [tuple(x) for x in np.argwhere(noise.spurs["one"])] == [(0, 40)]
        assert noise.spurious("one", 101).sum() == 1
        assert not noise.spurious("one", 201).any()
        assert not noise.spurious("two", 101).any()


@pytest.mark.parametrize(("points", "white"), [(51, 1e-4), (101, 1e-4), (401, 1e-2), (1601, 1e-2)])
def test_a_resonance_is_no_spur(points, white):
    rng = np.random.default_rng(points)
    groups = {key(state=str(n)): drifting(rng, points, 55e-9, white, count=8, flux_hz=3e4) for n in range(6)}
    assert measure_noise(Digest(groups), 0.5, 0.5, 0.5).spurs == {}


def test_what_is_wide_is_no_spur():
    rng = np.random.default_rng(15)
    found = find_spurs(spurred(rng, 0.0, True), {key(state=str(n)): np.full(2, 0.01) for n in range(6)})
    assert found == {}
    narrow = {
        key(): statistics(
            repeats(rng, 8, np.array([1 / (1 + ((np.arange(101) - 50) / 2.5) ** 2)] * 4), [1e-4] * 4), np.arange(101.0)
        )
    }
    assert measure_noise(Digest(narrow), 0.5, 0.5, 0.5).spurs == {}
