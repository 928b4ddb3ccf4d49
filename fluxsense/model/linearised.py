"""The likelihood about one point, linearised: residuals, slopes, scores and information, with the whole of the noise.

Everything that asks how the data would move with something, and whether they do, asks this object: predictive checks, score
tests and error budgets share it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fluxsense.model.family import Notch, reals
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.parameter import NOISE_SCALE
from fluxsense.model.problem import CampaignProblem

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class _NotchSlopes:
    """Points of a family with a law of their own: slope of the log density and information by squared amplitude, (M,) each, and
    the unknowns' slopes (D, M) of the squared amplitudes."""

    notch: Notch
    pull: FloatArray
    weight: FloatArray
    square: FloatArray


@dataclass(frozen=True)
class Along:
    """A direction in the data: its information, its information shared with each unknown (D,), and the score along it."""

    own: float
    cross: FloatArray
    score: float


@dataclass(frozen=True)
class Linearised:
    """A problem with every unknown explicit, about one point.

    Attributes
    ----------
    problem : CampaignProblem
    x : ndarray (D,)
    loud : float
        Factor on the noise at x.
    ratios : list of ndarray (K, 2, F)
    slopes : list of ndarray (D, K, 2, F)
        By the unknowns, per family.
    residuals : list of ndarray (K, 2, F)
        Of the data, over `loud`.
    weighed_slopes : list of ndarray (D, 2*K*2*F)
        The inverse covariance applied to the slopes.
    weighed_residual : list of ndarray (2*K*2*F,)
    gradient : ndarray (D,)
        Of the log posterior.
    information : ndarray (D, D)
        Prior included.
    notches : dict of int
    own : list of ndarray (D + 1, 2*K*2*F)
        The inverse covariance of each family's own noise applied to slopes and, last, residual.
    """

    problem: CampaignProblem
    x: FloatArray
    loud: float
    ratios: list[ComplexArray]
    slopes: list[ComplexArray]
    residuals: list[ComplexArray]
    weighed_slopes: list[FloatArray]
    weighed_residual: list[FloatArray]
    gradient: FloatArray
    information: FloatArray
    notches: dict[int, _NotchSlopes]
    own: list[FloatArray]

    @classmethod
    def of(cls, problem: CampaignProblem, x: FloatArray) -> Linearised:
        """At x (D,)."""
        found = problem.slopes(x[None])
        return cls._with(problem, x, [ratio[0] for _, ratio, _ in found], [slopes[0] for _, _, slopes in found])

    def under(self, problem: CampaignProblem) -> Linearised:
        """The same point with another noise: a likelihood of the same data and reference point (see `rebuilt`)."""
        same = problem.likelihood.own_noise is self.likelihood.own_noise
        return Linearised._with(problem, self.x, self.ratios, self.slopes, self.own if same else None)

    @classmethod
    def _with(
        cls,
        problem: CampaignProblem,
        x: FloatArray,
        ratios: list[ComplexArray],
        slopes: list[ComplexArray],
        own: list[FloatArray] | None = None,
    ) -> Linearised:
        likelihood, unknowns = problem.likelihood, problem.unknowns
        scale = unknowns.data_value(NOISE_SCALE, x[None])
        loud = 1.0 if scale is None else float(scale[0])
        residuals = [np.asarray((f.ratio - r) / loud) for f, r in zip(likelihood.families, ratios, strict=True)]
        vectors = [np.concatenate([s, r[None]]) for s, r in zip(slopes, residuals, strict=True)]
        own = [f.inverse(v) for f, v in zip(likelihood.families, vectors, strict=True)] if own is None else own
        weighed = likelihood.inverse(vectors, own)
        weighed_slopes, weighed_residual = [w[:-1] for w in weighed], [w[-1] for w in weighed]
        prior_gradient, prior = unknowns.prior_curvature(x)
        gradient, information = np.array(prior_gradient), np.array(prior)
        for slope, across, residual in zip(slopes, weighed_slopes, weighed_residual, strict=True):
            information += reals(slope) @ across.T / loud**2
            gradient += reals(slope) @ residual / loud
        notches = {}
        for n, family in enumerate(likelihood.families):
            if family.notch is not None:
                pull, weight = family.notch.by_square(ratios[n], loud)
                square = family.notch.square_slopes(ratios[n], slopes[n])
                notches[n] = _NotchSlopes(family.notch, pull, weight, square)
                information += (square * weight) @ square.T
                gradient += square @ pull
        return cls(
            problem,
            x,
            loud,
            ratios,
            slopes,
            residuals,
            weighed_slopes,
            weighed_residual,
            gradient,
            information,
            notches,
            own,
        )

    @property
    def likelihood(self) -> RatioLikelihood:
        """The problem's."""
        return self.problem.likelihood

    @property
    def misfit(self) -> float:
        """Chi-square of the residuals, with the whole of the noise."""
        return sum(float(w @ reals(r)) for w, r in zip(self.weighed_residual, self.residuals, strict=True))

    @property
    def log_evidence(self) -> float:
        """Log probability of the data with all unknowns integrated over, up to a constant that no noise changes.

        The normal integral about the point that one Newton step leads to: exact where the model is linear.
        """
        step = np.linalg.solve(self.information, self.gradient)
        return float(
            -0.5 * (self.misfit + self.likelihood.log_volume - self.gradient @ step)
            - 0.5 * np.linalg.slogdet(self.information)[1]
        )

    @property
    def covariance(self) -> FloatArray:
        """Inverse of the information, (D, D)."""
        return np.asarray(np.linalg.inv(self.information))

    def eliminated(self, isolator: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """What the data make of an isolator's eliminated parameters, in prior deviations.

        Returns
        -------
        mean : ndarray (E,)
            Most probable values at the point.
        covariance : ndarray (E, E)
            That of the unknowns included.
        pull : ndarray (E, D)
            Less the change of the most probable values per unit of the unknowns.
        """
        likelihood = self.likelihood
        count = len(likelihood.eliminated[isolator])
        mine = [
            (f, r, s)
            for f, r, s in zip(likelihood.families, self.residuals, self.slopes, strict=True)
            if f.isolator == isolator
        ]
        stacks = [np.concatenate([(self.loud * r)[None], s]) for _, r, s in mine]
        scores = likelihood.common_scores(stacks, [f for f, _, _ in mine])[isolator]
        found = likelihood.from_scores(isolator, scores)[:, :count]
        mean, pull = found[0], found[1:].T
        return mean, likelihood.eliminated_covariance(isolator) + pull @ self.covariance @ pull.T, pull

    def along(self, slopes: Mapping[int, ComplexArray]) -> Along:
        """A direction given by its slopes (K, 2, F) in some families of one isolator, by the number of the family."""
        families = self.likelihood.families
        own, score, cross = 0.0, 0.0, np.zeros(self.x.size)
        for n, d in slopes.items():
            flat = reals(d)
            own += float(flat @ families[n].inverse(d[None])[0])
            cross += self.weighed_slopes[n] @ flat
            score += float(self.weighed_residual[n] @ flat)
        for scores in self.likelihood.common_scores(
            [d[None] for d in slopes.values()], [families[n] for n in slopes]
        ).values():
            own -= float(np.sum(scores**2))
        own, cross, score = own / self.loud**2, cross / self.loud**2, score / self.loud
        for n in slopes.keys() & self.notches.keys():
            one = self.notches[n]
            along = one.notch.square_slopes(self.ratios[n], slopes[n][None])[0]
            own += float(one.weight @ along**2)
            cross = cross + one.square @ (one.weight * along)
            score += float(one.pull @ along)
        return Along(own, cross, score)
