"""Deterministic quadrature of a posterior of few unknowns, on grids laid over the components of a mixture.

With a mixture sum_k w_k q_k that resembles the posterior p, the shares h_k = w_k q_k / sum_j w_j q_j add up to one, so any
integral of p is the sum over k of that of p h_k.  Each of these is smooth and dies away like its component, for which the
trapezium rule on an even grid in the component's own coordinates converges faster than any power of the spacing (Trefethen
& Weideman, SIAM Rev. 56, 385 (2014), from memory).  A second grid, shifted by half a step in every coordinate, tells the error: for a smooth integrand the
two rules err in opposite directions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from fluxsense.infer.mixture import StudentMixture

FloatArray = npt.NDArray[np.float64]

MOST_UNKNOWNS = 4
REACH = 6.0
"""Half-width of the grids, in standard deviations of the component."""
POINTS = {1: 61, 2: 41, 3: 29, 4: 17}
"""Grid points per coordinate by the number of unknowns."""
_BLOCK = 20000


@dataclass(frozen=True)
class Quadrature:
    """A posterior as weighted points.

    Attributes
    ----------
    x : ndarray (N, D)
    weight : ndarray (N,)
        Probabilities; sum to one.
    log_evidence : float
    log_evidence_error : float
        Half the difference of the two shifted grids' values, an upper estimate for their mean, and the probability in the
        outermost shell of the grids.
    calls : int
        Evaluations of the posterior.
    """

    x: FloatArray
    weight: FloatArray
    log_evidence: float
    log_evidence_error: float
    calls: int

    def mean(self, values: FloatArray) -> FloatArray:
        """Posterior mean of values (N, ...) at the points."""
        return np.asarray(np.tensordot(self.weight, values, axes=1))

    def sd(self, values: FloatArray) -> FloatArray:
        """Posterior standard deviation of values (N, ...) at the points."""
        centred = values - self.mean(values)
        return np.asarray(np.sqrt(self.mean(centred * centred)))


def integrate(
    log_target: Callable[[FloatArray], FloatArray], mixture: StudentMixture, reach: float = REACH
) -> Quadrature | None:
    """Integrate an unnormalised density over all of space.

    Parameters
    ----------
    log_target : callable
        Batch (B, D) to log densities (B,); may be -inf.
    mixture : StudentMixture
        With components wherever the density matters.
    reach : float

    Returns
    -------
    Quadrature or None
        None with more unknowns than `MOST_UNKNOWNS`, or none at all.
    """
    size = mixture.means.shape[1]
    if not 1 <= size <= MOST_UNKNOWNS:
        return None
    points = POINTS[size]
    step = 2 * reach / (points - 1)
    axis = np.linspace(-reach, reach, points)
    places, logs, grid_of, edge_of = [], [], [], []
    calls = 0
    for shift in (0.0, 0.5):
        z = np.stack(np.meshgrid(*[axis + shift * step] * size, indexing="ij"), axis=-1).reshape(-1, size)
        z = z[np.sum(z * z, axis=1) <= reach * reach]  # the corners hold nothing
        for k in range(len(mixture.weights)):
            x = mixture.means[k] + z @ mixture.factors[k].T
            edge = np.sum(z * z, axis=1) > (reach - 1) ** 2
            each = mixture.component_log_density(x)
            share = each[:, k] - logsumexp(each, axis=1)
            keep = share > -40
            x, share, edge = x[keep], share[keep], edge[keep]
            log_p = np.concatenate([log_target(x[n : n + _BLOCK]) for n in range(0, len(x), _BLOCK)] or [np.zeros(0)])
            calls += len(x)
            volume = size * np.log(step) + float(np.sum(np.log(np.diag(mixture.factors[k]))))
            alive = np.isfinite(log_p)
            places.append(x[alive])
            logs.append((log_p + share + volume)[alive])
            grid_of.append(np.full(int(alive.sum()), shift > 0))
            edge_of.append(edge[alive])
    x, log_w, second = np.concatenate(places), np.concatenate(logs), np.concatenate(grid_of)
    if not np.any(~second) or not np.any(second):
        return None
    values = [float(logsumexp(log_w[second == side])) for side in (False, True)]
    total = float(logsumexp(log_w))
    weight = np.exp(log_w - total)
    # what lies beyond the grids is not seen by either; the outermost shell, a standard deviation thick, stands for it
    outside = float(weight[np.concatenate(edge_of)].sum())
    held = weight > 1e-14
    return Quadrature(
        x[held], weight[held] / weight[held].sum(), total - np.log(2), 0.5 * abs(values[0] - values[1]) + outside, calls
    )
