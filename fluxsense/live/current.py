"""The posterior between full runs: draws weighed anew as sweeps come, and drawn anew where their weights run out.

With draws x_j of a proposal q, prior pi and an isolator's likelihood L_i of all its sweeps so far,

    w_j = pi(x_j) prod_i L_i(x_j) / q(x_j)

are importance weights of the posterior now.  A sweep changes the L_i of its isolator alone: its groups' sums grow by one sweep
in constant time, its likelihood is a quadratic form in polynomials (`fluxsense.infer.reduction`), so that the work does not depend
on how many sweeps there are.  The effective number of draws (sum w)^2 / sum w^2 (Kong, Liu and Wong, J. Am. Stat. Assoc. 89,
278 (1994), from memory) falls while the posterior shrinks; below `FEWEST` every mode climbs to where it is now and q becomes
their normal approximations, refitted by population Monte Carlo (`fluxsense.infer.proposal`).  Where that does not help, where the
unknowns are not the same any more, or the sweeps are twice those of the last full run, a full run is due.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.sphere import Clusters, Region, angle_between_rad, clusters, credible_regions
from fluxsense.base.streams import stream
from fluxsense.data.digest import Digest
from fluxsense.infer.mixture import from_modes, importance_weights
from fluxsense.infer.modes import near_the_best, summits
from fluxsense.infer.orient import LEVELS, misfit_deviations, null_evidence, settled_null
from fluxsense.infer.proposal import Fitted, Proposal
from fluxsense.infer.reduction import reduced
from fluxsense.live.anchor import DROPPED, Anchor, Shape, of_isolator
from fluxsense.model.problem import CampaignProblem, Curvatures, Problem, log_posterior
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

DRAWS: Final = 1000
FEWEST: Final = 200.0
"""Effective draws below which they are drawn anew."""
TOO_FEW: Final = 60.0
"""Effective draws below which, when drawn anew, the answer is not to be trusted and a full run is due."""
SHOWN: Final = 400
"""Draws of equal weight that modes and regions are worked out from."""
GROWN: Final = 2.0
"""Factor on the sweeps of the last full run from which another one is due."""
CLEAR_LOG_ODDS: Final = 100.0
"""Log Bayes factor beyond which it is not followed from sweep to sweep."""


@dataclass
class _Part:
    """One isolator's likelihood now, and its values (N,) at the draws."""

    problem: CampaignProblem
    quick: Problem
    values: FloatArray


class _Joint:
    """All isolators together, as a `Problem`."""

    def __init__(self, unknowns: Unknowns, parts: Mapping[int, _Part]) -> None:
        self.unknowns = unknowns
        self._parts = parts

    def log_likelihood(self, x: FloatArray) -> FloatArray:
        """By polynomials where they hold."""
        return np.asarray(sum(p.quick.log_likelihood(x) for p in self._parts.values()))

    def curvatures(self, x: FloatArray) -> Curvatures:
        """Of the model itself."""
        each = [p.problem.curvatures(x) for p in self._parts.values()]
        value, gradient, information = (sum(e[n] for e in each) for n in range(3))
        return np.asarray(value), np.asarray(gradient), np.asarray(information)


class Current:
    """The posterior now.

    Parameters
    ----------
    study : Study
    anchor : Anchor
    digest : Digest
        Usable groups (`fluxsense.live.intake.usable`), of the anchor's shape.
    seed : int

    Attributes
    ----------
    x : ndarray (N, D)
        Draws of the whitened unknowns.
    weights : ndarray (N,)
        Sum to 1.
    log_evidence : float
    log_bayes_factor : float
        Source against none; beyond `CLEAR_LOG_ODDS` that of the sweep at which it went there.
    stale : bool
        Whether the weights say that a full run is due.
    """

    def __init__(self, study: Study, anchor: Anchor, digest: Digest, seed: int) -> None:
        self.study, self.anchor = study, anchor
        self.unknowns = anchor.unknowns(study)
        self._seed = seed
        self._draws = 0
        problems = {i: self._problem(digest, i) for i in anchor.shape.measured}
        self.proposal = anchor.proposal.of(next(iter(problems.values())))  # the source's fluxes are the same in all
        self.stale = False
        self._parts: dict[int, _Part] = {}
        self.x = np.zeros((0, self.unknowns.size))
        for i, problem in problems.items():
            self._parts[i] = self._part(problem, i)
        self._draw()
        if self.effective < FEWEST:
            self._renew()
        self.log_bayes_factor = self._against_none(digest)

    # ------------------------------------------------------------ growing

    def fits(self, digest: Digest) -> bool:
        """Whether a digest has the same unknowns."""
        return Shape.of(self.study, digest) == self.anchor.shape

    def update(self, digest: Digest, isolators: Iterable[int]) -> None:
        """Take up sweeps.

        Parameters
        ----------
        digest : Digest
            Usable groups, of the same shape.
        isolators : iterable of int
            Positions of those that got sweeps.
        """
        for i in sorted(set(isolators)):
            if i in self._parts:
                self._parts[i] = self._part(self._problem(digest, i), i)
        self._weigh()
        if self.effective < FEWEST:
            self._renew()
        if abs(self.log_bayes_factor) < CLEAR_LOG_ODDS:
            self.log_bayes_factor = self._against_none(digest)

    def due(self, sweeps: int) -> bool:
        """Whether a full run is due when the digest holds so many sweeps."""
        return self.stale or sweeps >= GROWN * self.anchor.sweeps

    def _problem(self, digest: Digest, isolator: int) -> CampaignProblem:
        return self.anchor.problem(self.study, of_isolator(self.study, digest, isolator), self.unknowns)

    def _part(self, problem: CampaignProblem, isolator: int) -> _Part:
        quick = self._quick(problem, isolator)
        return _Part(problem, quick, self._values(quick) if len(self.x) else np.zeros(0))

    def _quick(self, problem: CampaignProblem, isolator: int) -> Problem:
        found = reduced(problem, self.proposal, stream(self._seed, "reduction of a live isolator", isolator))
        return problem if found is None else found

    def _values(self, quick: Problem) -> FloatArray:
        values = np.full(len(self.x), -np.inf)
        values[self._alive] = quick.log_likelihood(np.ascontiguousarray(self.x[self._alive]))
        return values

    def _draw(self) -> None:
        """Draw anew from the proposal."""
        self.x = self.proposal.draw(stream(self._seed, "draws of a live posterior", self._draws), DRAWS)
        self._draws += 1
        self._prior = self.unknowns.log_prior(self.x)
        self._alive = np.isfinite(self._prior)
        for part in self._parts.values():
            part.values = self._values(part.quick)
        self._weigh()

    def _weigh(self) -> None:
        self.weights, self.log_evidence, _ = importance_weights(self.proposal, self.x, self.log_posterior)
        self._forget_views()

    def _renew(self) -> None:
        """Let every mode climb to where it is now, and draw about them."""
        joint = _Joint(self.unknowns, self._parts)
        if found := near_the_best(summits(joint, self.places(), max_steps=12), DROPPED):
            self.proposal = Proposal(from_modes(found))
        for i, part in self._parts.items():
            part.quick = self._quick(part.problem, i)
        self._draw()
        if self.effective < FEWEST:
            rng = stream(self._seed, "proposal of a live posterior", self._draws)
            proposal, fit = self.proposal.improved(partial(log_posterior, joint), rng, draws=DRAWS, rounds=4)
            fitted = Fitted(proposal, fit, joint)
            if len(found) == 1:
                one = next(iter(self._parts.values())).problem
                fitted = fitted.straightened(one, found[0], rng, draws=DRAWS, rounds=4)
            self.proposal = fitted.proposal
            for i, part in self._parts.items():
                part.quick = self._quick(part.problem, i)
            self._draw()
        self.stale = self.effective < TOO_FEW

    def _against_none(self, digest: Digest) -> float:
        """Log Bayes factor of a source against none, which is linearised about its own best fit."""
        whole = self.anchor.problem(self.study, digest, self.unknowns)
        rng = stream(self._seed, "no source in a live campaign", digest.sweeps)
        return self.log_evidence - null_evidence(settled_null(whole), rng, self.log_evidence)[0]

    def places(self) -> FloatArray:
        """Where modes may be climbed to from (B, D): the best draw, the heaviest draws, the middles of the proposal's components."""
        heavy = list(np.argsort(-self.weights)[:2])
        middles = self.proposal.middles[np.argsort(-self.proposal.mixture.weights)[:6]]
        return np.array([self.best, *self.x[heavy], *middles])

    # ------------------------------------------------------------ what it says

    def _forget_views(self) -> None:
        for name in ("directions", "shown", "groups", "regions", "misfit_sd"):
            self.__dict__.pop(name, None)

    @property
    def effective(self) -> float:
        """Effective number of draws."""
        return float(1.0 / np.sum(self.weights**2))

    @property
    def problems(self) -> dict[int, CampaignProblem]:
        """Each isolator's likelihood."""
        return {i: p.problem for i, p in self._parts.items()}

    @property
    def best(self) -> FloatArray:
        """The draw (D,) of the highest posterior density."""
        return np.asarray(self.x[int(np.argmax(self.log_posterior))])

    @property
    def log_posterior(self) -> FloatArray:
        """Log posterior density (N,) at the draws, without its constant."""
        total = self._prior + sum(p.values for p in self._parts.values())
        return np.asarray(np.where(self._alive, total, -np.inf))

    @cached_property
    def directions(self) -> FloatArray:
        """Unit vectors (N, 3) of the draws."""
        vectors = self.unknowns.source(self.x)
        return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-300))

    @cached_property
    def shown(self) -> npt.NDArray[np.intp]:
        """Positions of `SHOWN` draws of equal weight (systematic resampling)."""
        places = (np.arange(SHOWN) + 0.5) / SHOWN
        return np.asarray(np.minimum(np.searchsorted(np.cumsum(self.weights), places), len(self.x) - 1), dtype=np.intp)

    @cached_property
    def groups(self) -> Clusters:
        """Separate modes of the direction."""
        return clusters(self.directions[self.shown])

    @cached_property
    def regions(self) -> list[Region]:
        """Credible regions."""
        return credible_regions(self.directions[self.shown], LEVELS, axis=self.groups.modes[0].mean)

    def cone_deg(self, level: float = 0.9) -> float:
        """Half-angle of the cone about the heaviest mode that holds a probability."""
        angle = angle_between_rad(self.directions, np.asarray(self.groups.modes[0].mean))
        order = np.argsort(angle)
        place = int(np.searchsorted(np.cumsum(self.weights[order]), level))
        return float(np.degrees(angle[order[min(place, len(order) - 1)]]))

    def confirmed_cone_deg(self, level: float = 0.9) -> float:
        """The cone by draws made for this question alone: their errors are not those that raised it."""
        self._draw()
        if self.effective < FEWEST:
            self._renew()
        return self.cone_deg(level)

    def sizes(self) -> tuple[float, float]:
        """Mean and standard deviation of the size."""
        size = np.linalg.norm(self.unknowns.source(self.x), axis=1)
        mean = float(self.weights @ size)
        return mean, float(np.sqrt(self.weights @ (size - mean) ** 2))

    @cached_property
    def misfit_sd(self) -> float:
        """How far chi-square at the best draw lies above the number of values, in standard deviations: all isolators together."""
        each = [(misfit_deviations(p, self.best), p.likelihood.values) for p in self.problems.values()]
        return float(sum(far * np.sqrt(n) for far, n in each) / np.sqrt(sum(n for _, n in each)))
