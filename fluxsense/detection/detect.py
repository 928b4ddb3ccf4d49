"""Was there a source: promised rates, the planned likelihood, a test that goes batch by batch, source models compared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fluxsense.base.errors import InputError
from fluxsense.base.findings import Finding
from fluxsense.base.streams import stream
from fluxsense.data.counts import Votes
from fluxsense.data.digest import Digest, GroupKey
from fluxsense.data.noise_levels import measure_noise
from fluxsense.detection import evidence, sequential
from fluxsense.detection.linear import (
    linear_campaign,
)
from fluxsense.infer.counts import VoteProblem
from fluxsense.infer.modes import ascend_all
from fluxsense.infer.orient import measured_isolators, prepare
from fluxsense.infer.wiring import wiring_signs
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study


def planned_likelihood(study: Study, digest: Digest) -> RatioLikelihood:
    """Likelihood of a campaign that is only planned: wiring as stated (or +), noise as the study states it."""
    noise = measure_noise(digest, study.noise.white, study.noise.gain_drift, study.noise.phase_drift_rad)
    measured = measured_isolators(study, digest)
    return RatioLikelihood(study, digest, wiring_signs(study, digest, measured), noise=noise)


# ---------------------------------------------------------------- batch by batch


@dataclass(frozen=True)
class SequentialDetection:
    """Wald's test on a growing digest: give it the digest after each batch; each call returns the next state.

    The log ratio is the Bayes factor of a source of the stated scale against none, to first order in the source, of all
    sweeps so far, with every nuisance integrated out.  Averaged over that prior it is a martingale without a source, so
    with limits of kind 'guaranteed' the rate of false alarms stays at or below the promised one whatever the batches.

    Attributes
    ----------
    study : Study
    port_signs : tuple of int or None
        Wiring; read from the first digest if not given.
    state : SequentialState
    size : float
        Root mean square size of the source to be told from none, in T or A m^2.
    """

    study: Study
    state: sequential.SequentialState
    size: float
    port_signs: tuple[int, ...] | None = None

    @classmethod
    def start(
        cls, study: Study, false_alarm: float, miss: float, *, size: float | None = None, kind: str = "guaranteed"
    ) -> SequentialDetection:
        """A test that has seen nothing yet.

        Parameters
        ----------
        study : Study
        false_alarm, miss : float
            Promised error rates.
        size : float, optional
            Root mean square size of the source to be told from none, in T or A m^2; the study's by default.  Sources
            much weaker than that count as none.
        kind : str
            See `sequential.Limits.of`.

        Raises
        ------
        InputError
            If a rate or the size is out of range.
        """
        wanted = study.source.size if size is None else size
        if not wanted > 0:
            raise InputError(f"the size of the source to be told from none is {wanted:g}", remedy="Give one above zero")
        return cls(study, sequential.SequentialState(sequential.Limits.of(false_alarm, miss, kind)), wanted)

    def update(self, digest: Digest) -> SequentialDetection:
        """The test after a batch; `digest` holds all sweeps so far.

        Raises
        ------
        InputError
            If the digest cannot be used with the study.
        """
        study = self.study
        signs = self.port_signs
        if signs is None:
            signs = wiring_signs(study, digest, measured_isolators(study, digest))
        noise = measure_noise(digest, study.noise.white, study.noise.gain_drift, study.noise.phase_drift_rad)
        campaign = linear_campaign(study, digest, RatioLikelihood(study, digest, signs, noise=noise))
        score, _ = campaign.measured_score()
        return replace(
            self, state=self.state.update(float(campaign.log_bayes_factor(score, self.size))), port_signs=signs
        )


# ---------------------------------------------------------------- source models


@dataclass(frozen=True)
class SourceModels:
    """How one source model fares against another on the same sweeps.

    Attributes
    ----------
    log_bayes_factor, sd : float
        Of the first against the second.
    first, second : Evidence
    doubts : tuple of Finding
        What speaks against quoting it; empty if both routes to each evidence agree.
    """

    log_bayes_factor: float
    sd: float
    first: evidence.Evidence
    second: evidence.Evidence
    doubts: tuple[Finding, ...]


def compare_sources(first: Study, second: Study, digest: Digest, seed: int = 0) -> SourceModels:
    """Log Bayes factor of one source model against another on the same traces.

    Both studies must describe the same chip, states and isolators.  Each model's likelihood is normalised with its own
    noise directions; both use the smaller of the two residual gains, so that neither is excused by a larger error.

    Parameters
    ----------
    first, second : Study
    digest : Digest
    seed : int

    Returns
    -------
    SourceModels

    Raises
    ------
    InputError
        If the studies do not describe the same traces.
    """
    _require_same_chip(first, second)
    if first.data.of_counts:
        raise InputError(
            "counts of directions are weighed by `compare_count_sources`",
            where=f"{first.path.name}: data.kind",
            remedy="Call that with the counts",
        )
    studies = (first, second)
    problems = [prepare(s, digest, rng=stream(seed, "source models: search", n)) for n, s in enumerate(studies)]
    gain = min(p.likelihood.residual_gain for p, _, _ in problems)
    values, totals = [], []
    for n, (problem, modes, _) in enumerate(problems):
        likelihood = old = problem.likelihood
        if old.residual_gain != gain:
            likelihood = old.rebuilt(residual_gain=gain)
            problem = CampaignProblem(problem.unknowns, likelihood)
            modes = [m for m in ascend_all(problem, np.array([m.x for m in modes])) if m is not None]
        value, _ = evidence.weigh(
            problem,
            stream(seed, "source models: evidence", n),
            evidence.Effort(draws=4000, enough=1500, fit_draws=1000, fit_rounds=6),
            modes=modes,
        )
        values.append(value)
        totals.append(value.log_value - evidence.covariance_log_volume(likelihood))
    return _weighed_up(studies, values, totals)


def compare_count_sources(
    first: Study, second: Study, votes: Mapping[GroupKey, Votes], signs: Sequence[int], seed: int = 0
) -> SourceModels:
    """Log Bayes factor of one source model against another on the same counts of directions.

    The binomial coefficients, the same for both, are in neither evidence.

    Parameters
    ----------
    first, second : Study
        Of the same chip, states and isolators.
    votes : mapping of GroupKey to Votes
    signs : sequence of int
        Wiring of each isolator's pump ports.
    seed : int

    Returns
    -------
    SourceModels

    Raises
    ------
    InputError
        If the studies do not describe the same sweeps.
    """
    _require_same_chip(first, second)
    studies, cooldowns = (first, second), tuple(sorted({k.cooldown for k in votes}))
    names = [i.name for i in first.isolators]
    measured = sorted({names.index(k.isolator) for k in votes})
    values = []
    for n, study in enumerate(studies):
        value, _ = evidence.weigh(
            VoteProblem(Unknowns(study, cooldowns, measured), votes, signs),
            stream(seed, "source models: evidence from counts", n),
            evidence.Effort(draws=4000, enough=1500, fit_draws=1000, fit_rounds=6, reduce=False),
        )
        values.append(value)
    return _weighed_up(studies, values, [v.log_value for v in values])


def _weighed_up(
    studies: tuple[Study, Study], values: Sequence[evidence.Evidence], totals: Sequence[float]
) -> SourceModels:
    sd = float(np.hypot(values[0].sd, values[1].sd))
    doubts = tuple(d for v, s in zip(values, studies, strict=True) if (d := v.doubt(f'"{s.title}"')) is not None)
    return SourceModels(float(totals[0] - totals[1]), sd, values[0], values[1], doubts)


def _require_same_chip(first: Study, second: Study) -> None:
    """Refuse studies whose kinds of data or names of loops, bias lines, isolators or states differ: the sweeps could not be the same."""
    if first.data.kind != second.data.kind:
        raise InputError(
            f'the two studies do not describe the same sweeps: their kinds of data are "{first.data.kind}" and "{second.data.kind}"',
            where=f"{second.path.name}: data.kind",
            remedy="Compare studies that differ in the source and the priors only",
        )
    for what in ("loops", "bias_lines", "isolators", "states"):
        mine, other = ([x.name for x in getattr(s, what)] for s in (first, second))
        if mine != other:
            raise InputError(
                f"the two studies do not describe the same traces: their {what.replace('_', ' ')} are {', '.join(mine)} "
                f"and {', '.join(other)}",
                where=second.path.name,
                remedy="Compare studies that differ in the source and the priors only",
            )
