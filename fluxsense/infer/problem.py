"""A posterior as the search and the samplers see it, and the two kinds that exist.

`Problem` is what every likelihood must offer; `CampaignProblem` is the complex likelihood of a digest, and
`FluxProblem` a plain Gaussian measurement of the loops' fluxes, for which closed forms exist.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
import numpy.typing as npt

from fluxsense.infer.likelihood import RatioLikelihood
from fluxsense.infer.unknowns import Unknowns

FloatArray = npt.NDArray[np.float64]

DERIVATIVE_STEP = 1e-5
"""Step of central differences in whitened coordinates; errors of order 1e-10 of the model's curvature."""


class Problem(Protocol):
    """A posterior over whitened vectors x of `unknowns`."""

    @property
    def unknowns(self) -> Unknowns:
        """Unknowns and prior."""

    def log_likelihood(self, x: FloatArray) -> FloatArray:
        """Log-likelihood of a batch (B, D), shape (B,)."""

    def curvature(self, x: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Log-likelihood, its gradient (D,) and its expected information (D, D) at one x (D,)."""


def log_posterior(problem: Problem, x: FloatArray) -> FloatArray:
    """Log prior plus log-likelihood of a batch (B, D); the model is not called where the prior vanishes."""
    out = problem.unknowns.log_prior(x)
    alive = np.isfinite(out)
    if np.all(alive):
        return np.asarray(out + problem.log_likelihood(x))
    if np.any(alive):
        out[alive] += problem.log_likelihood(np.ascontiguousarray(x[alive]))
    return np.asarray(out)


class CampaignProblem:
    """The complex likelihood of a digest with the study's unknowns."""

    def __init__(self, unknowns: Unknowns, likelihood: RatioLikelihood) -> None:
        self._unknowns = unknowns
        self.likelihood = likelihood

    @property
    def unknowns(self) -> Unknowns:
        """Unknowns and prior."""
        return self._unknowns

    def log_likelihood(self, x: FloatArray) -> FloatArray:
        """Log-likelihood of a batch (B, D)."""
        return self.likelihood.log_likelihood(self._unknowns.parameters(x))

    def curvature(self, x: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Log-likelihood, gradient and expected information, from central differences of the predicted ratios."""
        size = x.size
        steps = DERIVATIVE_STEP * np.eye(size)
        batch = np.concatenate([x[None], x + steps, x - steps])
        ratios = self.likelihood.predict(self._unknowns.parameters(batch))
        value, gradient, information = 0.0, np.zeros(size), np.zeros((size, size))
        for family, ratio in zip(self.likelihood.families, ratios, strict=True):
            slopes = (ratio[1 : 1 + size] - ratio[1 + size :]) / (2 * DERIVATIVE_STEP)
            gram = family.gram(np.concatenate([slopes, (family.ratio - ratio[0])[None]]))
            information += gram[:size, :size]
            gradient += gram[:size, size]
            value -= 0.5 * gram[size, size]
        return value, gradient, information


class FluxProblem:
    """Fluxes measured directly: y = T v + normal noise, T a fixed flux map.

    Parameters
    ----------
    unknowns : Unknowns
        Without nuisances; its study gives the prior of the source vector.
    flux_map : ndarray (L, 3)
        Phi0 per T or per A m^2.
    flux_phi0 : ndarray (L,)
        Measured fluxes.
    sd_phi0 : float
    """

    def __init__(self, unknowns: Unknowns, flux_map: FloatArray, flux_phi0: FloatArray, sd_phi0: float) -> None:
        self._unknowns = unknowns
        self._map = np.asarray(flux_map, dtype=np.float64)
        self._flux = np.asarray(flux_phi0, dtype=np.float64)
        self._sd = sd_phi0

    @property
    def unknowns(self) -> Unknowns:
        """Unknowns and prior."""
        return self._unknowns

    def _residual(self, x: FloatArray) -> FloatArray:
        return (self._flux - self._unknowns.source(x) @ self._map.T) / self._sd

    def log_likelihood(self, x: FloatArray) -> FloatArray:
        """Log-likelihood of a batch (B, D), without its constant."""
        return np.asarray(-0.5 * np.sum(self._residual(x) ** 2, axis=1))

    def curvature(self, x: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Log-likelihood, gradient and information at one x."""
        size = x.size
        steps = DERIVATIVE_STEP * np.eye(size)
        residual = self._residual(np.concatenate([x[None], x + steps, x - steps]))
        slopes = -(residual[1 : 1 + size] - residual[1 + size :]) / (2 * DERIVATIVE_STEP)
        value = -0.5 * float(residual[0] @ residual[0])
        return value, np.asarray(slopes @ residual[0]), np.asarray(slopes @ slopes.T)
