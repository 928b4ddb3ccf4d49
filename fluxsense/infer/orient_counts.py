"""The main job from directions alone: counts of which way sweeps transmit to the posterior of the source's direction."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.streams import stream
from fluxsense.data.counts import Votes
from fluxsense.data.digest import GroupKey
from fluxsense.infer.budget import limits, rank_words, reference_words, zero_bias_words
from fluxsense.infer.counts import VoteProblem, read_vote_wiring, without_source
from fluxsense.infer.modes import find_modes
from fluxsense.infer.orient import (
    Answer,
    Posterior,
    Progress,
    answer_document,
    chain_keeper,
    draws_that_matter,
    judge,
    mode_words,
    null_evidence,
    sample_as_stated,
)
from fluxsense.infer.predictive import PredictiveCheck, gamma_tail
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

CHECK_DRAWS = 400
VOTE_ADVICE = "Check the wiring, the bias currents and the stated rate of wrong readings."


@dataclass(frozen=True)
class VoteAnswer(Answer):
    """The result of `orient_votes`.

    Attributes
    ----------
    votes : mapping of GroupKey to Votes
    """

    votes: Mapping[GroupKey, Votes]


def orient_votes(
    study: Study,
    votes: Mapping[GroupKey, Votes],
    *,
    data_hash: str = "",
    seed: int = 0,
    max_seconds: float | None = None,
    wanted_ess: float | None = None,
    progress: Progress | None = None,
    jumping: bool = True,
    chain_file: str | os.PathLike[str] | None = None,
) -> VoteAnswer:
    """Infer the direction of the source from counts of directions of transmission.

    Parameters
    ----------
    study : Study
        With direction-only data.
    votes : mapping of GroupKey to Votes
    data_hash : str
        Identity of the data, for the record.
    seed, max_seconds, wanted_ess, progress, jumping, chain_file
        As for `orient`.

    Returns
    -------
    VoteAnswer

    Raises
    ------
    InputError
        If the counts cannot be used with the study.
    """
    if study.data.kind != "direction":
        raise InputError(
            f"counts of directions were given, but the study's data are {study.data.kind}",
            where=f"{study.path.name}, data.kind",
            remedy='Set kind = "direction" under [data]',
        )
    kinds = {s.name: s.kind for s in study.states}
    unknown = sorted({k.state for k in votes} - set(kinds))
    if unknown:
        raise InputError(
            f'the counts hold the state "{unknown[0]}", which the study does not define',
            where=study.path.name,
            remedy="Define the state in the study",
        )
    if not any(kinds[k.state] in ("in", "turned") for k in votes):
        raise InputError(
            "no sweep was taken with the source in, so there is no direction to infer",
            where=str(study.log),
            remedy='Log at least one sweep with a state of kind "in" or "turned"',
        )
    say = progress or (lambda what, share, detail: None)
    cooldowns = tuple(sorted({k.cooldown for k in votes}))
    say("reading the wiring", 0.0, "")
    wiring = read_vote_wiring(study, votes, cooldowns, seed)
    names = [i.name for i in study.isolators]
    measured = sorted({names.index(k.isolator) for k in votes})
    problem = VoteProblem(Unknowns(study, cooldowns, measured), votes, wiring.signs)
    modes = find_modes(
        problem,
        stream(seed, "counts: search"),
        lambda done, total: say("searching for modes", done / total, f"{done} of {total} ascents"),
    )
    posterior = sample_as_stated(
        problem,
        seed,
        modes,
        wanted_ess=wanted_ess,
        max_seconds=max_seconds,
        jumping=jumping,
        progress=progress,
        file=chain_keeper(chain_file, study, data_hash, seed, jumping),
    )
    say("no-source hypothesis", 0.0, "")
    null_log, null_sd, null_ess = null_evidence(
        without_source(problem), stream(seed, "counts: null evidence"), posterior.log_evidence
    )
    drawn = posterior.thinned()
    check = vote_check(problem, drawn, stream(seed, "counts: predictive check"))
    factor = posterior.log_evidence - null_log
    verdict = judge(posterior, check, draws_that_matter(posterior, null_ess, factor), advice=VOTE_ADVICE)
    findings, limit = _findings(study, votes, problem, posterior, modes[0].x)
    parameters = problem.unknowns.parameters(drawn)
    values = problem.unknowns.physical(drawn)
    document = answer_document(
        study,
        problem.unknowns,
        posterior,
        wiring,
        asdict(check),
        verdict,
        findings,
        limit,
        (factor, float(np.hypot(posterior.log_evidence_sd, null_sd))),
        values,
        {
            "kind": study.data.kind,
            "sweeps": sum(v.count for v in votes.values()),
            "groups": len(votes),
            "states": sorted({k.state for k in votes}),
            "cooldowns": list(cooldowns),
        },
        data_hash,
    )
    return VoteAnswer(
        document,
        study,
        posterior,
        problem.unknowns.parameters(modes[0].x[None]),
        parameters,
        (problem.unknowns.names, problem.unknowns.units, values),
        votes,
    )


def vote_check(problem: VoteProblem, drawn: FloatArray, rng: np.random.Generator) -> PredictiveCheck:
    """Posterior predictive check: deviance of the counts against that of counts drawn from the model.

    Parameters
    ----------
    problem : VoteProblem
    drawn : ndarray (N, D)
        Posterior draws.
    rng : Generator

    Returns
    -------
    PredictiveCheck
        total from a gamma law fitted to replicated deviances; worst_group from exact two-sided binomial probabilities, times
        the number of groups; both averaged over the draws.  There is no smooth part.
    """
    x = np.ascontiguousarray(drawn[np.linspace(0, len(drawn) - 1, min(CHECK_DRAWS, len(drawn))).astype(int)])
    data, copies = problem.misfits(x, rng, replicates=25)
    total = gamma_tail(np.concatenate([[data.sum(axis=1).mean()], copies.sum(axis=2).ravel()]))
    each = problem.tail_probabilities(x).mean(axis=0)
    worst = int(np.argmin(each))
    worst_p = float(min(1.0, each[worst] * len(each)))
    return PredictiveCheck(
        total=total,
        worst_group=worst_p,
        smooth=1.0,
        chi_square=float(data.sum(axis=1).mean()),
        degrees=float(copies.sum(axis=2).mean()),
        worst_name=tuple(problem.votes)[worst].describe(),
        p_value=float(min(1.0, 2 * min(total, worst_p))),
    )


def _findings(
    study: Study, votes: Mapping[GroupKey, Votes], problem: VoteProblem, posterior: Posterior, best: FloatArray
) -> tuple[list[str], dict[str, Any]]:
    out = rank_words(study)
    out += reference_words(study, list(dict.fromkeys(k.state for k in votes)))
    out += zero_bias_words(study, list(dict.fromkeys(k.bias_a for k in votes)))
    out += mode_words(posterior)
    unanimous = sum(v.forward in (0, v.count) for v in votes.values())
    if unanimous == len(votes):
        out.append(
            "Every group of sweeps went one way without exception, so the data only bound the fluxes. Biases nearer to the "
            "flux at which the direction flips would say more."
        )
    now, table = limits(problem, best)
    return out, {"angular_error_deg": now, "if_known": {x.kind: x.error_if_known_deg for x in table}}
