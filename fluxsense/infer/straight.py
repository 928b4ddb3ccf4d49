"""Coordinates in which few loops and little noise bend a posterior less.

Where fluxes are known far better than the source's place, the source's vector has to follow whatever place is drawn, and a
posterior of both is a thin, bent sheet, which neither a normal law nor an ensemble fills.  So as many coordinates as there are
such fluxes are counted from where the fluxes want them, given all the others.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import qr

from fluxsense.base.errors import ModelError
from fluxsense.infer.modes import LocalMode
from fluxsense.model.problem import DERIVATIVE_STEP, CampaignProblem, displaced

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

ROWS: Final = 2000
"""Points whose fluxes are worked out at once."""
SMALL: Final = 1e-8
"""Singular values, over the largest, of the slopes of the fluxes below which a combination of unknowns moves none."""
TIGHT: Final = 10.0
"""Prior standard deviations over posterior ones from which on a combination of fluxes asks for a coordinate that follows."""
STEPS: Final = 3
"""Steps of Gauss and Newton; the fluxes bend little."""


@dataclass(frozen=True)
class Straight:
    """Coordinates y that are x but for those that follow: w, the source's three and those that the fluxes tell best beside.

    With F(w, u) the source's fluxes, u all other coordinates, F* the fluxes at a mode (w*, u*), J the slopes of F by w, P what the
    data tell of the fluxes and Q the curvature of the prior of w, the best w for a u is a fixed point of

        w <- w + (J^T P J + Q)^-1 (J^T P (F* - F(w, u)) - Q (w - w*)),

    and w = y_w + s(u), where w* + s(u) is what a few such steps give, begun at w*.  As s depends on u alone, the Jacobian is one:
    the density of y is that of x, whatever P is and however far the steps have come.  Derivation: this text.

    Attributes
    ----------
    problem : CampaignProblem or None
        For its fluxes; None only while the rest is stored.
    mode : ndarray (D,)
    follow : ndarray of int (W,)
        Columns of w.
    kept : ndarray of int (K,)
        Fluxes that the unknowns move.
    flux_phi0 : ndarray (K,)
        F*.
    pull : ndarray (K, K)
        P.
    prior : ndarray (W, W)
        Q.
    """

    problem: CampaignProblem | None
    mode: FloatArray
    follow: IntArray
    kept: IntArray
    flux_phi0: FloatArray
    pull: FloatArray
    prior: FloatArray

    @classmethod
    def about(cls, problem: CampaignProblem, mode: LocalMode) -> Straight | None:
        """Coordinates about a mode; None where there is nothing that could be followed."""
        size, lead = mode.x.size, problem.unknowns.lead
        if lead == 0:
            return None
        flux = _flux(problem, displaced(mode.x[None]))
        slopes = ((flux[1 : 1 + size] - flux[1 + size :]) / (2 * DERIVATIVE_STEP)).T  # (K, D)
        kept, columns = np.flatnonzero(np.any(slopes != 0, axis=1)), np.flatnonzero(np.any(slopes != 0, axis=0))
        _, prior = problem.unknowns.prior_curvature(mode.x)
        slopes = slopes[np.ix_(kept, columns)]
        back = np.linalg.pinv(slopes, rcond=SMALL)
        told = (np.linalg.inv(mode.covariance) - prior)[np.ix_(columns, columns)]
        values, vectors = np.linalg.eigh(back.T @ told @ back)
        root = vectors * np.sqrt(np.maximum(values, 0.0))  # P = root root^T
        follow = columns[_followers(root.T @ slopes, lead)]
        if len(follow) == len(columns):
            return None
        return cls(
            problem, mode.x, follow, kept, flux[0, kept], root @ root.T, np.asarray(prior[np.ix_(follow, follow)])
        )

    def bent(self, y: FloatArray) -> FloatArray:
        """x (B, D) of y (B, D)."""
        return self._moved(y, 1.0)

    def straightened(self, x: FloatArray) -> FloatArray:
        """y (B, D) of x (B, D): the inverse of `bent`."""
        return self._moved(x, -1.0)

    def of_mode(self, mode: LocalMode) -> LocalMode:
        """A mode in these coordinates: where it is, and its covariance to first order."""
        size = mode.x.size
        around = self.straightened(displaced(mode.x[None]))
        slopes = ((around[1 : 1 + size] - around[1 + size :]) / (2 * DERIVATIVE_STEP)).T
        return replace(mode, x=around[0], covariance=np.asarray(slopes @ mode.covariance @ slopes.T))

    def _moved(self, points: FloatArray, sign: float) -> FloatArray:
        out = np.array(points, dtype=np.float64)
        for start in range(0, len(out), ROWS):
            rows = slice(start, start + ROWS)
            out[rows, self.follow] += sign * self._shift(out[rows])
        return out

    def _shift(self, points: FloatArray) -> FloatArray:
        """s (B, W); what follows counts for nothing in the points (B, D)."""
        if self.problem is None:
            raise ModelError("straight coordinates are asked for without a campaign")
        at, home, many = np.array(points), self.mode[self.follow], len(self.follow)
        at[:, self.follow] = home
        steps = DERIVATIVE_STEP * np.eye(at.shape[1])[self.follow]
        for _ in range(STEPS):
            every = np.concatenate([at, *(at + step for step in steps)])
            flux = _flux(self.problem, every)[:, self.kept].reshape(1 + many, len(at), -1)
            slopes = np.moveaxis(flux[1:] - flux[0], 0, 1) / DERIVATIVE_STEP  # (B, W, K)
            weighed = slopes @ self.pull
            wanted = (weighed @ (self.flux_phi0 - flux[0])[:, :, None])[:, :, 0] - (
                at[:, self.follow] - home
            ) @ self.prior
            told = weighed @ slopes.transpose(0, 2, 1) + self.prior
            at[:, self.follow] += np.linalg.solve(told, wanted[:, :, None])[:, :, 0]
        return np.asarray(at[:, self.follow] - home)


def _followers(slopes: FloatArray, lead: int) -> IntArray:
    """Places among the columns of slopes (K, C), in posterior deviations, of those that follow: as many as fluxes are tight."""
    tight = int(np.sum(np.linalg.svd(slopes, compute_uv=False) > TIGHT))
    span, _ = np.linalg.qr(slopes[:, :lead])
    rest = slopes[:, lead:] - span @ (span.T @ slopes[:, lead:])
    _, order = qr(rest, mode="r", pivoting=True)
    return np.concatenate([np.arange(lead), np.sort(lead + order[: max(tight - lead, 0)])])


def _flux(problem: CampaignProblem, x: FloatArray) -> FloatArray:
    """Fluxes (B, S L) of the source in every state and loop for points (B, D), in Phi0."""
    likelihood = problem.likelihood
    parameters = likelihood.complete(problem.unknowns.parameters(x))
    return np.asarray(likelihood.parts[0][1].source_flux(parameters)).reshape(len(x), -1)
