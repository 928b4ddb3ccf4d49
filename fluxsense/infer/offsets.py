"""Where fits begin in the loops' offsets: a trapped flux may be anywhere within its prior, and the sweeps have many peaks in it.

With the pump on an isolator's likelihood has ridges and barriers a few hundredths of a flux quantum wide (near the pump's threshold
gain is steep), and climbs end on the peak on whose slope they began.  So an isolator's two offsets in each cooldown are looked at
on a grid as fine as that, and on a finer one about its peaks, before anything climbs.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from fluxsense.device.rings import ring_kind
from fluxsense.model.parameter import OFFSET
from fluxsense.model.problem import Problem, log_posterior

FloatArray = npt.NDArray[np.float64]

REACH: Final = 3.0
"""Prior deviations to either side within which offsets are looked for."""
GRID_PHI0: Final = 0.02
FINE_PHI0: Final = 0.004
"""Step about the peaks of the coarse grid: near the threshold barriers of 0.01 stand beside the right place."""
LOOKED_INTO: Final = 24
"""Peaks of the coarse grid about which there is a fine one."""
TOGETHER: Final = 2
"""Peaks of a fine grid that are kept: where there is nearly no flux, those of either sign of it stand side by side."""
FEWEST: Final = 5
"""Points of the grid along an offset at least."""
PEAKS: Final = 8
"""Of the grid of a cooldown, from which fits begin."""
BATCH: Final = 512


def offset_starts(problem: Problem) -> FloatArray:
    """Places from which to climb, (S, D): the highest peaks in the offsets, everything else at its prior mean.

    Parameters
    ----------
    problem : Problem
        Without a source, so that each isolator stands alone in each cooldown.

    Returns
    -------
    ndarray (S, D)
        The best peak of every isolator and cooldown, then for each of them the next ones with the others at their best.
    """
    unknowns = problem.unknowns
    together: dict[tuple[int, int], list[int]] = {}
    for n, p in enumerate(unknowns.nuisances, unknowns.lead):
        if p.array == OFFSET:
            together.setdefault((p.home, p.index[0]), []).append(n)
    best = np.zeros(unknowns.size)
    peaks = {which: _peaks(problem, own) for which, own in together.items()}
    for which, own in together.items():
        best[own] = peaks[which][0]
    starts = [best]
    for which, own in together.items():
        for peak in peaks[which][1:]:
            start = np.array(best)
            start[own] = peak
            starts.append(start)
    return np.array(starts)


def _peaks(problem: Problem, own: list[int]) -> FloatArray:
    """The highest peaks (P, len(own)) over a grid of some offsets, all others at their prior means."""
    unknowns = problem.unknowns
    sd = [unknowns.nuisances[n - unknowns.lead].sd for n in own]
    axes = []
    for p in (unknowns.nuisances[n - unknowns.lead] for n in own):
        period = max(ring_kind(stage.ring).period_phi0 for stage in unknowns.study.isolators[p.home].stages)
        reach = min(REACH, 0.5 * period / p.sd)
        axes.append(np.linspace(-reach, reach, max(FEWEST, 2 * round(reach * p.sd / GRID_PHI0) + 1)))
    places, height = _looked_at(problem, own, axes)
    shape = [len(a) for a in axes]
    found: list[tuple[float, FloatArray]] = []
    for n in _highest(height, shape, LOOKED_INTO):
        half = [0.5 * (axis[1] - axis[0]) for axis in axes]
        steps = [max(1, round(h * s / FINE_PHI0)) for h, s in zip(half, sd, strict=True)]
        about = [x + np.linspace(-h, h, 2 * k + 1) for x, h, k in zip(places[n], half, steps, strict=True)]
        near, there = _looked_at(problem, own, about)
        found += [(float(there[k]), near[k]) for k in _highest(there, [len(a) for a in about], TOGETHER)]
    found.sort(key=lambda one: -one[0])
    return np.array([place for _, place in found[:PEAKS]])


def _highest(height: FloatArray, shape: Sequence[int], most: int) -> npt.NDArray[np.intp]:
    """The highest local maxima of a grid of this shape, its highest point at least."""
    is_peak = (height == maximum_filter(height.reshape(shape), size=3, mode="nearest").ravel()) & np.isfinite(height)
    order = np.argsort(-np.where(is_peak, height, -np.inf), kind="stable")
    return order[: max(1, min(most, int(is_peak.sum())))]


def _looked_at(problem: Problem, own: list[int], axes: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Every place (N, len(own)) of a grid in some offsets, and the log posterior (N,) there."""
    grid = np.array(list(product(*axes)))
    x = np.zeros((len(grid), problem.unknowns.size))
    x[:, own] = grid
    return grid, np.concatenate([log_posterior(problem, x[n : n + BATCH]) for n in range(0, len(x), BATCH)])
