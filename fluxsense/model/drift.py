"""Drift measured: how far gains and fluxes wander within and between groups of sweeps, from the digest's blocks of time.

The mean of a block differs from the mean of its group by white noise, by per-sweep errors that average within the block, and
by what wandered slowly meanwhile.  Gains (real and imaginary part of the relative gain of S21 and S12) and fluxes (along
slopes that are passed in) are read off each block by least squares at the digest's nodes.  Their amplitude is that of a
random walk or of flicker noise (`fluxsense.model.flicker`) which explains all blocks of an isolator at once: restricted
maximum likelihood (Patterson & Thompson, Biometrika 58, 545 (1971), from memory), in which the unknown mean of every group
takes no part, so that groups that differ by their state or setting say nothing wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fluxsense.data.digest import Digest, GroupKey, GroupStats
from fluxsense.data.noise_levels import PATHS
from fluxsense.model.flicker import Window, walk_covariance

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
Covariance = Callable[[Sequence[Sequence[Window]]], FloatArray]
"""`walk_covariance` or `group_covariance` of `fluxsense.model.flicker`."""

GAINS = ("gain of S21", "phase of S21", "gain of S12", "phase of S12")
MOST_SPANS = 200
"""Blocks of one series that enter the likelihood of an amplitude; more are joined by neighbours."""
CONFOUNDED = 0.2
"""Share of a random walk's growth that goes into the source's contrast, above which drift and source are hard to tell apart."""


@dataclass(frozen=True)
class Series:
    """One wandering quantity, as the blocks of time of many groups show it.

    Attributes
    ----------
    value : ndarray (B,)
        Deviation from the mean of the block's own group: relative gain (1), phase (rad), or flux (Phi0).
    variance : ndarray (B,)
        Of `value` by white noise.
    group : ndarray (B,) of int
        Number of the block's group.
    windows : tuple of Window
    """

    value: FloatArray
    variance: FloatArray
    group: npt.NDArray[np.intp]
    windows: tuple[Window, ...]


@dataclass(frozen=True)
class SlowDrift:
    """Amplitude of a slow drift.

    Attributes
    ----------
    amplitude, error : float
        Unit of the series, for a random walk per root second; its standard deviation (about zero where it is zero).
    fast : float
        Standard deviation of the error that each sweep has for itself beyond white noise.
    log_ratio : float
        Log of the likelihood over that without slow drift: above 3, say, there is some.
    """

    amplitude: float
    error: float
    fast: float
    log_ratio: float


def drift_series(
    digest: Digest,
    isolator: str,
    white: Mapping[GroupKey, FloatArray],
    slopes: Mapping[GroupKey, ComplexArray] | None = None,
) -> list[Series]:
    """Gains and fluxes of an isolator over time.

    Parameters
    ----------
    digest : Digest
    isolator : str
    white : mapping of GroupKey to ndarray (2,)
        Standard deviation per quadrature of one sweep: `NoiseLevels.white`.
    slopes : mapping of GroupKey to ndarray (L, 2, K) of complex, optional
        Derivatives of the group's mean S21 and S12 at its nodes with the flux of each loop, per Phi0.

    Returns
    -------
    list of Series
        The four `GAINS`, then one per loop; each freed of what the others do to the blocks.  Quantities that a group's traces do
        not show at all are left out of its part; groups of a single block say nothing.
    """
    count = len(GAINS) + max((len(s) for s in (slopes or {}).values()), default=0)
    found: list[list[tuple[float, float, int, Window]]] = [[] for _ in range(count)]
    for number, (key, group) in enumerate(
        (k, g) for k, g in digest.items() if k.isolator == isolator and len(g.blocks) > 1
    ):
        own = None if slopes is None else slopes.get(key)
        value, variance = _read_blocks(group, white[key], own)
        for n in range(value.shape[1]):
            if np.isfinite(variance[n]):
                each = zip(value[:, n], group.blocks.count, group.blocks.windows, strict=True)
                found[n] += [(float(v), float(variance[n] / c), number, w) for v, c, w in each]
    return [
        Series(
            np.array([v for v, _, _, _ in rows]), np.array([s for _, s, _, _ in rows]),
            np.array([g for _, _, g, _ in rows], dtype=np.intp), tuple(w for _, _, _, w in rows),
        )
        for rows in found
    ]  # fmt: skip


def _read_blocks(group: GroupStats, white: FloatArray, slopes: ComplexArray | None) -> tuple[FloatArray, FloatArray]:
    """Values (B, P) of gains and fluxes in every block, and their variance (P,) for one sweep."""
    mean = group.mean[list(PATHS)][:, group.node_index]
    directions = np.zeros((len(GAINS), *mean.shape), dtype=np.complex128)
    for path in range(2):
        directions[2 * path, path], directions[2 * path + 1, path] = mean[path], 1j * mean[path]
    if slopes is not None:
        directions = np.concatenate([directions, slopes])
    scale = np.maximum(white, 1e-300)[:, None]
    design = np.ascontiguousarray(directions / scale).reshape(len(directions), -1).view(np.float64)
    off = np.ascontiguousarray((group.blocks.mean - mean) / scale).reshape(len(group.blocks), -1).view(np.float64)
    information = design @ design.T
    size = np.sqrt(np.diag(information))
    seen = size > 0.0
    value, variance = np.zeros((len(off), len(size))), np.full(len(size), np.inf)
    unit = design[seen] / size[seen, None]
    values, vectors = np.linalg.eigh(unit @ unit.T)
    held = values > 1e-8
    inverse = (vectors[:, held] / values[held]) @ vectors[:, held].T
    lost = np.sum(vectors[:, ~held] ** 2, axis=1) > 1e-6
    value[:, seen] = (off @ unit.T @ inverse) / size[seen]
    variance[seen] = np.where(lost, np.inf, np.diag(inverse) / size[seen] ** 2)
    return value, variance


def slow_drift(series: Series, covariance: Covariance = walk_covariance) -> SlowDrift:
    """Amplitude of the slow drift of a series.

    Parameters
    ----------
    series : Series
    covariance : callable
        What kind of drift: of the means over windows, for amplitude one.

    Returns
    -------
    SlowDrift
        All zeros, with an infinite error, if there are not two blocks in any group.
    """
    from scipy.optimize import minimize  # slow to import, and wanted for measured blocks alone

    value, known, group, windows = _joined(series)
    _, group = np.unique(group, return_inverse=True)
    freedom = len(value) - (group.max() + 1 if len(value) else 0)
    if freedom < 1:
        return SlowDrift(0.0, np.inf, 0.0, 0.0)
    slow = covariance([(w,) for w in windows])
    each = 1.0 / np.array([n for _, _, n in windows], dtype=np.float64)
    basis = _within(group)
    value, slow = basis.T @ value, basis.T @ slow @ basis
    fast, white = basis.T @ (each[:, None] * basis), basis.T @ (known[:, None] * basis)
    spread = max(float(np.mean(value**2)), 1e-300)
    units = spread / max(float(np.mean(np.diag(slow))), 1e-300), spread / max(float(np.mean(np.diag(fast))), 1e-300)

    def loss(strength: npt.ArrayLike) -> float:
        """Minus the log-likelihood of the squared amplitudes, in `units`."""
        a, b = np.square(np.asarray(strength, dtype=np.float64))
        matrix = a * units[0] * slow + b * units[1] * fast + white + 1e-9 * spread * np.eye(len(value))
        lower = np.linalg.cholesky(matrix)
        left = np.linalg.solve(lower, value)
        return float(np.sum(np.log(np.diag(lower))) + 0.5 * left @ left)

    starts = [(a, b) for a in (0.03, 0.3, 1.0) for b in (0.03, 0.3, 1.0)]
    best = min((minimize(loss, s, method="Nelder-Mead", options={"xatol": 1e-3, "fatol": 1e-3}) for s in starts[::3]),
               key=lambda r: float(r.fun))  # fmt: skip
    at, other = abs(float(best.x[0])), abs(float(best.x[1]))
    flat = [loss((0.0, b)) for b in (0.0, *np.geomspace(0.02, 3.0, 25))]
    without = min(flat)
    if without <= float(best.fun) + 1e-3:
        at = 0.0
    return SlowDrift(
        at * np.sqrt(units[0]), _fall(lambda a: loss((a, other)), at) * np.sqrt(units[0]), other * np.sqrt(units[1]),
        max(without - float(best.fun), 0.0),
    )  # fmt: skip


def _fall(loss: Callable[[float], float], at: float) -> float:
    """How far above `at` the log-likelihood has fallen by one half."""
    step, floor = max(0.05 * at, 1e-3), loss(at) + 0.5
    while loss(at + step) < floor and step < 1e3:
        step *= 1.3
    return step


def _within(group: npt.NDArray[np.intp]) -> FloatArray:
    """Orthonormal contrasts (B, B - G) within groups."""
    indicator = (group[:, None] == np.arange(group.max() + 1)).astype(np.float64)
    whole, _ = np.linalg.qr(indicator, mode="complete")
    return np.asarray(whole[:, indicator.shape[1] :])


def _joined(series: Series) -> tuple[FloatArray, FloatArray, npt.NDArray[np.intp], list[Window]]:
    """The series with neighbouring blocks of a group joined until there are few enough."""
    groups = np.unique(series.group)
    most = max(MOST_SPANS // max(len(groups), 1), 2)
    value, variance, group, windows = [], [], [], []
    for g in groups:
        mine = np.flatnonzero(series.group == g)
        for part in np.array_split(mine, min(most, len(mine))):
            count = np.array([series.windows[i][2] for i in part], dtype=np.float64)
            share = count / count.sum()
            value.append(share @ series.value[part])
            variance.append(share**2 @ series.variance[part])
            group.append(g)
            windows.append((series.windows[part[0]][0], series.windows[part[-1]][1], int(count.sum())))
    return np.array(value), np.array(variance), np.array(group, dtype=np.intp), windows


@dataclass(frozen=True)
class Confounding:
    """How alike a slow drift and the source look, from the times of the sweeps alone.

    Attributes
    ----------
    share : float
        Standard deviation of the source's contrast under a random walk, over the walk's growth from the first sweep to the last.
        0.58 where all sweeps of one state come first, about the root of a sweep's share of the time where states take turns.
    interleaved : float
        The same, if the sweeps had been taken in turns.
    """

    share: float
    interleaved: float

    @property
    def serious(self) -> bool:
        """Whether the order of the sweeps matters: taking turns would make it several times better."""
        return self.share > CONFOUNDED and self.share > 3.0 * self.interleaved

    @property
    def in_turns(self) -> bool:
        """Whether sweeps with and without the source were taken in turns, or nearly."""
        return self.share < 2.0 * self.interleaved


def confounding(times_s: Sequence[float], settings: Sequence[Hashable], contrasts: Sequence[float]) -> Confounding:
    """How much of a random walk goes into the source's contrast.

    Parameters
    ----------
    times_s : sequence of float
        Time of each sweep.
    settings : sequence of hashable
        What is compared with itself: isolator, setting and cooldown of each sweep.
    contrasts : sequence of float
        How much of the source each sweep sees: 0 out, 1 in, -1 reversed.

    Notes
    -----
    The contrast is the least-squares slope of the sweeps with `contrasts`, each setting about its own mean, weights
    a_i = (c_i - mean c)/sum (c - mean c)^2.  Since the a_i sum to zero, the variance under a walk of D = 1 is the integral over
    time of the squared sum of the weights that are still to come.
    """
    time, c = np.asarray(times_s, dtype=np.float64), np.asarray(contrasts, dtype=np.float64)
    numbers: dict[Hashable, int] = {}
    setting = np.array([numbers.setdefault(s, len(numbers)) for s in settings], dtype=np.intp)
    if not time.size or not np.ptp(time) > 0.0:
        return Confounding(0.0, 0.0)
    weight = c - (np.bincount(setting, c) / np.bincount(setting))[setting]
    total = float(np.sum(weight**2))
    if total <= 1e-12 * max(float(np.sum(c**2)), 1e-300):
        return Confounding(0.0, 0.0)
    weight = weight / total
    rank = np.zeros(len(time))
    order = np.lexsort((time, c, setting))
    same = (np.diff(setting[order]) == 0) & (np.diff(c[order]) == 0)
    for n in range(1, len(order)):
        rank[order[n]] = rank[order[n - 1]] + 1 if same[n - 1] else 0
    turns = np.lexsort((c, setting, rank))
    return Confounding(_walked(time, weight), _walked(np.sort(time), weight[turns]))


def _walked(time: FloatArray, weight: FloatArray) -> float:
    order = np.argsort(time, kind="stable")
    to_come = np.cumsum(weight[order][::-1])[::-1][1:]
    return float(np.sqrt(np.sum(to_come**2 * np.diff(time[order])) / np.ptp(time)))
