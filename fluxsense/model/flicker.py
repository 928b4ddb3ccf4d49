"""Slow flux noise: the covariance of group means under noise of spectrum A^2/f.

The flux of each loop wanders with a one-sided spectrum A^2/f between the lowest frequency that matters (a tenth of the
inverse of the whole campaign's time; what is slower is an offset) and half the sweep rate.  Its correlation over a time t
is A^2 [Ci(2 pi f_high t) - Ci(2 pi f_low t)], Ci the cosine integral, and A^2 ln(f_high/f_low) at t = 0.  Means over
windows of any length then keep correlated errors: the difference of the means of two adjacent windows has the variance
4 ln 2 A^2 whatever their length (twice the Allan variance 2 ln 2 A^2 of flicker noise, IEEE Std 1139, from memory), so
that further repeats stop helping.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.special import sici

FloatArray = npt.NDArray[np.float64]

MOST_TIMES = 48
"""Sweeps of a group that stand for all of it in the double sums."""
SPANS = 10.0
"""Times of the whole campaign that make up the period of the lowest frequency."""


def band_hz(span_s: float, sweep_s: float) -> tuple[float, float]:
    """Lowest and highest frequency of the noise for a campaign of some length and a time per sweep."""
    return 1 / (SPANS * max(span_s, 2 * sweep_s)), 1 / (2 * sweep_s)


def correlation(time_s: npt.ArrayLike, low_hz: float, high_hz: float) -> FloatArray:
    """Correlation over times, for A = 1."""
    t = np.abs(np.asarray(time_s, dtype=np.float64))
    safe = np.where(t > 0, t, 1.0)
    value = sici(2 * np.pi * high_hz * safe)[1] - sici(2 * np.pi * low_hz * safe)[1]
    return np.asarray(np.where(t > 0, value, np.log(high_hz / low_hz)))


def group_covariance(windows: Sequence[tuple[float, float, int]]) -> FloatArray:
    """Covariance (G, G) of the means of groups, for A = 1.

    Parameters
    ----------
    windows : sequence of (float, float, int)
        Time of the first and last sweep of each group in s, and their number; sweeps are taken as evenly spaced.

    Returns
    -------
    ndarray (G, G)
        Positive semidefinite to rounding.
    """
    steps = [(b - a) / (n - 1) for a, b, n in windows if n > 1 and b > a]
    span = max(b for _, b, _ in windows) - min(a for a, _, _ in windows)
    total = sum(n for _, _, n in windows)
    sweep = min(steps) if steps else span / max(total - 1, 1) or 1.0
    low, high = band_hz(span + sweep, sweep)
    times = [_representatives(a, b, n) for a, b, n in windows]
    size = len(windows)
    out = np.empty((size, size))
    for i in range(size):
        for j in range(i, size):
            table = correlation(times[i][:, None] - times[j][None, :], low, high)
            out[i, j] = out[j, i] = table.mean()
        begin, end, n = windows[i]
        if n > MOST_TIMES:  # every pair: by their lag, of which n - k pairs have k steps
            lag = np.unique(np.round(np.geomspace(1, n - 1, 4000)).astype(np.int64))  # all of the short ones
            value = (n - lag) * correlation(lag * (end - begin) / (n - 1), low, high)
            whole = value[0] + np.sum(0.5 * (value[1:] + value[:-1]) * np.diff(lag) + 0.5 * np.diff(value))
            out[i, i] = (n * np.log(high / low) + 2 * whole) / n**2
    return out


def _representatives(begin: float, end: float, count: int) -> FloatArray:
    """Times of the sweeps, or of middles of equal parts of them."""
    if count <= MOST_TIMES:
        return np.linspace(begin, end, count)
    half = 0.5 * (end - begin) / (count - 1)
    edges = np.linspace(begin - half, end + half, MOST_TIMES + 1)
    return np.asarray(0.5 * (edges[1:] + edges[:-1]))


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
