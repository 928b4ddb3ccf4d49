"""Where the current answer starts from: what a full run settled about a campaign's model, and where its posterior lies."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.streams import stream
from fluxsense.data.digest import Digest
from fluxsense.data.noise_levels import NoiseLevels
from fluxsense.detection.stored import Stored
from fluxsense.device.chip import ChipParameters
from fluxsense.infer.mixture import from_modes
from fluxsense.infer.modes import near_the_best, summits
from fluxsense.infer.orient import measured_isolators, prepare, settle, unreferenced_cooldowns
from fluxsense.infer.proposal import Proposal
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.priors import integrated_arrays, prior_sizes
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.remainder import Sizes
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

LOOSE_GAIN: Final = 0.01
"""Residual gain with which the way to a new reference point begins."""
PLANNED_POINTS: Final = 21
"""Frequencies of a sweep that gains are worked out from; the noise is scaled so that they hold what all of them do."""
DROPPED: Final = 30.0
"""Log posterior below the best mode's at which a mode is dropped."""


@dataclass(frozen=True)
class Shape:
    """What decides which unknowns there are: a posterior of one shape says nothing in coordinates of another.

    Attributes
    ----------
    cooldowns : tuple of str
    measured : tuple of int
        Positions of the isolators with pump-on sweeps.
    sheared : tuple of (int, int)
        See `Unknowns`.
    """

    cooldowns: tuple[str, ...]
    measured: tuple[int, ...]
    sheared: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, study: Study, digest: Digest) -> Shape:
        """Of a digest."""
        cooldowns = tuple(sorted({k.cooldown for k in digest}))
        sheared = unreferenced_cooldowns(study, digest, cooldowns)
        return cls(cooldowns, tuple(measured_isolators(study, digest)), tuple(sorted(sheared.items())))


@dataclass(frozen=True)
class Anchor:
    """A full run, as far as the current answer goes on from it.

    Attributes
    ----------
    shape : Shape
    port_signs : tuple of int
    residual_gain : float
    sizes : Sizes
    reference : ChipParameters or None
        About which the likelihood is linearised.
    tamed : tuple of str
    proposal : Proposal
        Of the posterior then, without its problem (`Proposal.of`).
    sweeps : int
        In the digest then.
    trust : str
        Its verdict; empty if it gave none.
    said : tuple of str
        The reasons of its verdict, and what else it found out.
    searched : int
        Sweeps when all of the sphere was last searched for modes.
    """

    shape: Shape
    port_signs: tuple[int, ...]
    residual_gain: float
    sizes: Sizes
    reference: ChipParameters | None
    tamed: tuple[str, ...]
    proposal: Proposal
    sweeps: int
    trust: str = ""
    said: tuple[str, ...] = field(default=())
    searched: int = 0

    @classmethod
    def fitted(cls, study: Study, digest: Digest, seed: int) -> Anchor:
        """From a fit of a digest: wiring, noise, search for modes, most probable values of what is eliminated.

        Raises
        ------
        InputError
            If the digest cannot be used yet.
        """
        problem, modes, wiring = prepare(study, digest, rng=stream(seed, "search of a live campaign", digest.sweeps))
        if not modes:
            raise InputError("the sweeps so far determine no direction", remedy="Go on measuring")
        likelihood = problem.likelihood
        return cls(
            Shape.of(study, digest), tuple(wiring.signs), likelihood.residual_gain, likelihood.sizes,
            likelihood.reference, tuple(sorted(likelihood.tamed)), Proposal(from_modes(modes)), digest.sweeps,
            searched=digest.sweeps,
        )  # fmt: skip

    def moved(self, study: Study, digest: Digest, places: FloatArray) -> Anchor | None:
        """The same with the reference point, the noise and the modes moved to where more sweeps put them.

        Parameters
        ----------
        study : Study
        digest : Digest
            Of the same shape.
        places : ndarray (B, D)
            Where modes are to be climbed to from, the best first.

        Returns
        -------
        Anchor or None
            None if no climb arrives.
        """
        unknowns = self.unknowns(study)
        scales = prior_sizes(study, self.shape.measured)
        loose = max(study.noise.residual_gain, LOOSE_GAIN)
        start = self.problem(study, digest, unknowns).likelihood.rebuilt(residual_gain=loose, sizes=scales)
        problem, best = settle(CampaignProblem(unknowns, start), places[0], scales)
        found = near_the_best(summits(problem, np.concatenate([best[None], places[1:]])), DROPPED)
        if not found:
            return None
        likelihood = problem.likelihood
        return replace(
            self, residual_gain=likelihood.residual_gain, sizes=likelihood.sizes, reference=likelihood.reference,
            proposal=Proposal(from_modes(found)), sweeps=digest.sweeps, trust="", said=(),
        )  # fmt: skip

    @classmethod
    def of_run(cls, stored: Stored, measured: Sequence[int], sweeps: int, said: Sequence[str] = ()) -> Anchor:
        """From what `orient` stored.

        Parameters
        ----------
        stored : Stored
        measured : sequence of int
            Isolators with pump-on sweeps in its digest.
        sweeps : int
            In its digest.
        said : sequence of str
            What it found out beside its verdict's reasons.
        """
        shape = Shape(stored.cooldowns, tuple(measured), tuple(sorted(stored.sheared.items())))
        return cls(
            shape, tuple(stored.port_signs), stored.residual_gain, stored.sizes, stored.reference, tuple(stored.tamed),
            stored.proposal, sweeps, stored.trust, (*stored.reasons, *said), sweeps,
        )  # fmt: skip

    def unknowns(self, study: Study) -> Unknowns:
        """The sampled unknowns."""
        return Unknowns(
            study,
            self.shape.cooldowns,
            self.shape.measured,
            leave_out=integrated_arrays(study),
            sheared=dict(self.shape.sheared),
            tamed=self.tamed,
        )

    def problem(
        self, study: Study, digest: Digest, unknowns: Unknowns, reference: ChipParameters | None = None
    ) -> CampaignProblem:
        """The likelihood of a digest, or of one isolator's part of it, about this run's reference point (or another one)."""
        likelihood = RatioLikelihood(
            study,
            digest,
            self.port_signs,
            residual_gain=self.residual_gain,
            sizes=self.sizes,
            reference=self.reference if reference is None else reference,
            cooldowns=self.shape.cooldowns,
            tamed=self.tamed,
        )
        return CampaignProblem(unknowns, likelihood)

    def planned(
        self, study: Study, digest: Digest, unknowns: Unknowns, noise: NoiseLevels, reference: ChipParameters | None
    ) -> CampaignProblem:
        """The likelihood of a digest on `PLANNED_POINTS` frequencies, which hold as much as all of them, about a reference point."""
        most_points = PLANNED_POINTS

        def few(_name: str, count: int) -> npt.NDArray[np.intp]:
            return np.unique(np.round(np.linspace(0, count - 1, min(most_points, count))).astype(np.intp))

        white = {}
        for key, level in noise.white.items():
            points = digest[key].frequency_hz.size if key in digest else most_points
            white[key] = level * np.sqrt(min(most_points, points) / points)
        likelihood = RatioLikelihood(
            study,
            digest,
            self.port_signs,
            residual_gain=self.residual_gain,
            sizes=self.sizes,
            reference=reference,
            noise=replace(noise, white=white),
            cooldowns=self.shape.cooldowns,
            tamed=self.tamed,
            points=few,
        )
        return CampaignProblem(unknowns, likelihood)


def of_isolator(study: Study, digest: Mapping, isolator: int) -> Digest:  # type: ignore[type-arg]
    """The groups of one isolator, by its position."""
    name = study.isolators[isolator].name
    return Digest({k: g for k, g in digest.items() if k.isolator == name})
