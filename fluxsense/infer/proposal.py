"""What stands in for a posterior: a mixture, and the coordinates that it is one in.

Chains propose from it, importance and bridge sampling weigh its draws, a live posterior is draws of it.  Where the mixture about
a lone mode fits badly, coordinates that bend less are tried (`fluxsense.infer.straight`); as their Jacobian is one, the density of
x is the mixture's at the coordinates of x, and whoever draws and weighs need not know which they are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.infer.mixture import StudentMixture, from_modes, has_tails, improve, with_tails
from fluxsense.infer.modes import LocalMode
from fluxsense.infer.reduction import ReducedProblem, reduced
from fluxsense.infer.sampler import short_walk
from fluxsense.infer.straight import Straight
from fluxsense.model.problem import CampaignProblem, Problem, log_posterior

FloatArray = npt.NDArray[np.float64]
Density = Callable[[FloatArray], FloatArray]

OUTSIDE: Final = 1e-3
"""Largest part of the proposal's draws that may lie outside the region of a reduced problem."""
BENT: Final = 0.4
"""Perplexity of a proposal for one mode below which straight coordinates are tried, which cost five calls."""
TAIL_ROUNDS: Final = 2
"""Walks at most from which a proposal learns the tails that its draws do not reach."""
DRAWS: Final = 1500
ROUNDS: Final = 8


@dataclass(frozen=True)
class Proposal:
    """A mixture in coordinates y: those of the whitened unknowns x, or straight ones.

    Attributes
    ----------
    mixture : StudentMixture
        Of y.
    straight : Straight or None
        None where y is x.
    """

    mixture: StudentMixture
    straight: Straight | None = None

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Draws of x, (count, D)."""
        return self.bent(self.mixture.draw(rng, count))

    def log_density(self, x: FloatArray) -> FloatArray:
        """Log density of x (B, D); shape (B,)."""
        return self.mixture.log_density(x if self.straight is None else self.straight.straightened(x))

    def widened(self, factor: float) -> Proposal:
        """The same coordinates, each component wider by a factor."""
        return replace(self, mixture=self.mixture.widened(factor))

    def bent(self, y: FloatArray) -> FloatArray:
        """Whitened vectors x (..., D) of coordinates y (..., D)."""
        if self.straight is None:
            return y
        return self.straight.bent(y.reshape(-1, y.shape[-1])).reshape(y.shape)

    def of_coordinates(self, log_target: Density) -> Density:
        """A density of x as one of y, which is what the mixture is fitted to and chains walk in."""
        return log_target if self.straight is None else lambda y: log_target(self.bent(y))

    def improved(
        self, log_target: Density, rng: np.random.Generator, *, draws: int = DRAWS, rounds: int = ROUNDS
    ) -> tuple[Proposal, float]:
        """Refitted to a density of x (`fluxsense.infer.mixture.improve`), and the best perplexity."""
        mixture, fits = improve(self.mixture, self.of_coordinates(log_target), rng, draws=draws, rounds=rounds)
        return replace(self, mixture=mixture), max(fits, default=0.0)

    def of(self, problem: Problem | None) -> Proposal:
        """The same for this problem, that of the campaign that it was fitted to; with None without one, to be stored."""
        if self.straight is None:
            return self
        campaign = problem if isinstance(problem, CampaignProblem) else None
        return replace(self, straight=replace(self.straight, problem=campaign))

    @property
    def arrays(self) -> dict[str, npt.NDArray[np.generic]]:
        """Of the straight coordinates, by name; empty where there are none."""
        if self.straight is None:
            return {}
        return {f.name: getattr(self.straight, f.name) for f in fields(self.straight) if f.name != "problem"}

    @property
    def middles(self) -> FloatArray:
        """Of the components (K, D), as x."""
        return self.bent(self.mixture.means)


@dataclass(frozen=True)
class Fitted:
    """A proposal, its perplexity, and the problem that it was fitted to: reduced where that goes."""

    proposal: Proposal
    perplexity: float
    problem: Problem

    @property
    def log_target(self) -> Density:
        """Log posterior of the proposal's coordinates (B, D), which chains walk in; shape (B,)."""
        return self.proposal.of_coordinates(partial(log_posterior, self.problem))

    def straightened(
        self,
        campaign: CampaignProblem,
        mode: LocalMode,
        rng: np.random.Generator,
        *,
        draws: int = DRAWS,
        rounds: int = ROUNDS,
    ) -> Fitted:
        """In coordinates that bend less about a lone mode, if that is needed and fits better; else as it is.

        Parameters
        ----------
        campaign : CampaignProblem
            For the fluxes of the source.
        mode : LocalMode
        rng : Generator
        draws, rounds : int
            Of fitting.
        """
        straight = Straight.about(campaign, mode) if self.perplexity < BENT else None
        if straight is None:
            return self
        begun = Proposal(from_modes([straight.of_mode(mode)]), straight)
        proposal, reached = begun.improved(partial(log_posterior, self.problem), rng, draws=draws, rounds=rounds)
        return Fitted(proposal, reached, self.problem) if reached > self.perplexity else self


def proposed(
    problem: Problem,
    modes: Sequence[LocalMode],
    rng: np.random.Generator,
    *,
    draws: int = DRAWS,
    rounds: int = ROUNDS,
    reduce: bool = True,
) -> Fitted:
    """A proposal for the posterior of a problem.

    Parameters
    ----------
    problem : Problem
    modes : sequence of LocalMode
    rng : Generator
    draws, rounds : int
        Draws a round, and rounds at most, of fitting.
    reduce : bool
        Whether to look for a reduced likelihood.
    """
    mixture = from_modes(modes)
    campaign = problem if isinstance(problem, CampaignProblem) and reduce else None
    used = _reduced(campaign, problem, Proposal(mixture), rng)
    fits = [0.0]
    for turn in range(TAIL_ROUNDS + 1):
        target = partial(log_posterior, used)
        mixture, fits = improve(mixture, target, rng, draws=draws, rounds=rounds if turn == 0 else rounds // 2)
        # the modes' own width is no guide where the posterior is far from normal
        if not _covers(used, Proposal(mixture), rng):
            used = _reduced(campaign, problem, Proposal(mixture), rng)
            continue
        if turn == TAIL_ROUNDS or not has_tails(mixture, target):
            break
        mixture = with_tails(mixture, *short_walk(target, mixture, rng))
    found = Fitted(Proposal(mixture), max(fits), used)
    if isinstance(problem, CampaignProblem) and len(modes) == 1:
        found = found.straightened(problem, modes[0], rng, draws=draws, rounds=rounds)
    if used is problem or (found.proposal.straight is not None and not _covers(used, found.proposal, rng)):
        found = replace(found, problem=_reduced(campaign, problem, found.proposal, rng))
    return found


def _reduced(
    campaign: CampaignProblem | None, problem: Problem, proposal: Proposal, rng: np.random.Generator
) -> Problem:
    """The campaign reduced over the proposal's region; the problem itself where that does not go or is not wanted."""
    found = None if campaign is None else reduced(campaign, proposal, rng)
    return problem if found is None else found


def _covers(used: Problem, proposal: Proposal, rng: np.random.Generator) -> bool:
    """Whether a reduced problem's region holds what the proposal draws, but for one in a thousand."""
    return not isinstance(used, ReducedProblem) or bool(np.mean(used.inside(proposal.draw(rng, 3000))) > 1 - OUTSIDE)
