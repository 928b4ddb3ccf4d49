"""Slow noise: the covariance of group means under noise of spectrum A^2/f, or a random walk.

Flicker noise: a quantity (the flux of a loop, a gain) wanders with a one-sided spectrum A^2/f between the lowest frequency
that matters (a tenth of the inverse of the whole campaign's time; what is slower is an offset) and half the sweep rate.  Its
correlation over a time t is A^2 [Ci(2 pi f_high t) - Ci(2 pi f_low t)], Ci the cosine integral, and A^2 ln(f_high/f_low) at
t = 0.  Means over windows of any length then keep correlated errors: the difference of the means of two adjacent windows has
the variance 4 ln 2 A^2 whatever their length (twice the Allan variance 2 ln 2 A^2 of flicker noise, IEEE Std 1139, from
memory), so that further repeats stop helping.

Random walk: the variance of a change grows as D t.  Only differences mean something; the covariance counts from the first
sweep, D min(t, t'), and the difference of adjacent windows of length T has the variance 2 D T/3 (from that covariance).

The sweeps of a group may be spread over the whole campaign, among those of other groups: a group is a list of windows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
from scipy.special import sici

FloatArray = npt.NDArray[np.float64]
Window = tuple[float, float, int]
"""Time of the first and the last sweep in s, and their number; sweeps are taken as evenly spaced."""

MOST_TIMES = 48
"""Sweeps of a group that stand for all of it in the double sums."""
SPANS = 10.0
"""Times of the whole campaign that make up the period of the lowest frequency."""


def band_hz(span_s: float, sweep_s: float) -> tuple[float, float]:
    """Lowest and highest frequency of the noise for a campaign of some length and a time per sweep."""
    return 1 / (SPANS * max(span_s, 2 * sweep_s)), 1 / (2 * sweep_s)


def span_s(windows: Sequence[Sequence[Window]]) -> float:
    """Time from the first to the last sweep."""
    every_one = [w for group in windows for w in group]
    return max(max(b for _, b, _ in every_one) - min(a for a, _, _ in every_one), 1e-9)


def correlation(time_s: npt.ArrayLike, low_hz: float, high_hz: float) -> FloatArray:
    """Correlation of flicker noise over times, for A = 1."""
    t = np.abs(np.asarray(time_s, dtype=np.float64))
    safe = np.where(t > 0, t, 1.0)
    value = sici(2 * np.pi * high_hz * safe)[1] - sici(2 * np.pi * low_hz * safe)[1]
    return np.asarray(np.where(t > 0, value, np.log(high_hz / low_hz)))


def campaign_band_hz(groups: Sequence[Sequence[Window]]) -> tuple[float, float]:
    """`band_hz` of a campaign: its length, and the shortest time from a sweep to the next of its window or, on average, of any."""
    windows = [w for group in groups for w in group]
    steps = [(b - a) / (n - 1) for a, b, n in windows if n > 1 and b > a]
    span = max(b for _, b, _ in windows) - min(a for a, _, _ in windows)
    evenly = span / max(sum(n for _, _, n in windows) - 1, 1)
    sweep = min([s for s in (*steps, evenly) if s > 0.0], default=1.0)
    return band_hz(span + sweep, sweep)


def group_covariance(groups: Sequence[Sequence[Window]]) -> FloatArray:
    """Covariance (G, G) of the means of groups under flicker noise, for A = 1.

    Parameters
    ----------
    groups : sequence of sequence of Window
        The windows of time in which the sweeps of each group were taken: one, or `GroupStats.blocks.windows`.

    Returns
    -------
    ndarray (G, G)
        Positive semidefinite to rounding.
    """
    low, high = campaign_band_hz(groups)

    def kernel(t: FloatArray, u: FloatArray, width: FloatArray | float) -> FloatArray:
        # the mean of ln|t - u| over two cells of length w is ln w - 3/2 where they are one, ln|t - u| where they are far apart
        return correlation(np.hypot(t - u, np.exp(-1.5) * width), low, high)

    return _mean_covariance(groups, kernel)


def walk_covariance(groups: Sequence[Sequence[Window]]) -> FloatArray:
    """Covariance (G, G) of the means of groups under a random walk from the first sweep on, for D = 1 (unit squared per s)."""
    start = min(a for group in groups for a, _, _ in group)

    def kernel(t: FloatArray, u: FloatArray, width: FloatArray | float) -> FloatArray:
        # min(t, u) is (t + u - |t - u|)/2, and the mean of |t - u| over one cell of length w is w/3
        return np.asarray(0.5 * (t + u - np.hypot(t - u, width / 3)) - start)

    return _mean_covariance(groups, kernel)


def wandering_covariance(groups: Sequence[Sequence[Window]], flicker: float, walk: float) -> FloatArray:
    """Covariance (G, G) of the means of groups under flicker noise of amplitude A and a random walk of a deviation over the whole time."""
    out = np.zeros((len(groups), len(groups)))
    if flicker > 0:
        out += flicker**2 * group_covariance(groups)
    if walk > 0:
        out += walk**2 * walk_covariance(groups) / span_s(groups)
    return out


_Kernel = Callable[[FloatArray, FloatArray, FloatArray | float], FloatArray]
"""Covariance at two times, each the middle of a cell of some length that it stands for."""


def _mean_covariance(groups: Sequence[Sequence[Window]], kernel: _Kernel) -> FloatArray:
    windows = [w for group in groups for w in group]
    owner = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
    cells = [_representatives(*w, max(MOST_TIMES // len(group), 2)) for group in groups for w in group]
    counts = np.array([n for _, _, n in windows], dtype=np.float64)
    share = counts / np.bincount(owner, counts)[owner]
    each = np.array([len(t) for t, _ in cells])
    ends = np.cumsum(np.bincount(owner, each)).astype(np.intp)
    begins = np.concatenate([[0], ends[:-1]])
    times = np.concatenate([t for t, _ in cells])
    weight = np.repeat(share / each, each)
    square = np.repeat([w**2 for _, w in cells], each)
    out = np.empty((len(groups), len(groups)))
    for g, (a, b) in enumerate(zip(begins, ends, strict=True)):  # a row of groups at a time: the table stays small
        width = np.sqrt(0.5 * (square[a:b, None] + square))
        out[g] = np.add.reduceat((weight[a:b] @ kernel(times[a:b, None], times[None, :], width)) * weight, begins)
    for n, (window, (t, w)) in enumerate(zip(windows, cells, strict=True)):
        if w > 0.0:  # every pair of one window, not only its representatives
            whole = _self_mean(*window, kernel)
            out[owner[n], owner[n]] += share[n] ** 2 * (whole - kernel(t[:, None], t[None, :], w).mean())
    return np.asarray(0.5 * (out + out.T))


def _self_mean(begin: float, end: float, count: int, kernel: _Kernel) -> float:
    """Mean over all pairs of `count` even sweeps: by their lag k, of which count - k pairs have it, about the middle."""
    step = (end - begin) / (count - 1)
    lag = np.unique(np.round(np.geomspace(1, count - 1, 4000)).astype(np.int64))  # all of the short ones
    middle = 0.5 * (begin + end)
    half = np.asarray(0.5 * step * lag, dtype=np.float64)
    value = (count - lag) * kernel(middle - half, middle + half, 0.0)
    whole = value[0] + np.sum(0.5 * (value[1:] + value[:-1]) * np.diff(lag) + 0.5 * np.diff(value))
    alone = float(kernel(np.array([middle]), np.array([middle]), 0.0)[0])
    return float((count * alone + 2 * whole) / count**2)


def _representatives(begin: float, end: float, count: int, most: int) -> tuple[FloatArray, float]:
    """Times of the sweeps, or middles of equal parts of them; and the length of a part, zero for the sweeps themselves."""
    if count <= most:
        return np.asarray(np.linspace(begin, end, count)), 0.0
    half = 0.5 * (end - begin) / (count - 1)
    edges = np.linspace(begin - half, end + half, most + 1)
    return np.asarray(0.5 * (edges[1:] + edges[:-1])), float(edges[1] - edges[0])


def draw(rng: np.random.Generator, count: int, sweep_s: float, span_s: float) -> FloatArray:
    """A series of slow noise at evenly spaced sweeps, for A = 1: a sum of waves of random phase over the band.

    Parameters
    ----------
    rng : Generator
    count : int
        Sweeps.
    sweep_s : float
        Time from one to the next.
    span_s : float
        Time of the whole campaign.

    Returns
    -------
    ndarray (count,)
    """
    low, high = band_hz(span_s, sweep_s)
    # logarithmically spaced waves carry equal variance each: S df = A^2 d(ln f)
    edges = np.geomspace(low, high, 257)
    frequency = np.sqrt(edges[1:] * edges[:-1]) * np.exp(rng.uniform(-0.5, 0.5, 256) * np.log(edges[1] / edges[0]))
    weight = np.sqrt(np.log(edges[1:] / edges[:-1]))
    cosine, sine = rng.standard_normal((2, 256)) * weight
    angle = 2 * np.pi * frequency[:, None] * (sweep_s * np.arange(count))
    return np.asarray(cosine @ np.cos(angle) + sine @ np.sin(angle))
