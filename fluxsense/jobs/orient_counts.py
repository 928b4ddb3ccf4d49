"""The main job from directions alone: counts of which way sweeps transmit to the posterior of the source's direction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Unpack

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.findings import Finding
from fluxsense.base.streams import stream
from fluxsense.data.counts import Votes
from fluxsense.data.digest import GroupKey
from fluxsense.infer.budget import limits, rank_findings, reference_findings, zero_bias_findings
from fluxsense.infer.counts import VoteProblem, read_vote_wiring, without_source
from fluxsense.infer.counts_check import vote_check
from fluxsense.infer.modes import find_modes
from fluxsense.infer.orient import Posterior, chain_keeper, null_evidence, sample_as_stated
from fluxsense.infer.verdict import draws_that_matter, judge, mode_findings
from fluxsense.jobs.options import OrientOptions, OrientSettings
from fluxsense.jobs.orient import (
    Answer,
    LogFactor,
    answer_body,
    answer_provenance,
    known_source_entry,
    nuisance_entries,
    wiring_entries,
)
from fluxsense.jobs.result import make_document
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, repr=False)
class VoteAnswer(Answer):
    """The result of `orient_votes`.

    Attributes
    ----------
    votes : mapping of GroupKey to Votes
    """

    votes: Mapping[GroupKey, Votes]


def orient_votes(
    study: Study, votes: Mapping[GroupKey, Votes], *, data_hash: str = "", **options: Unpack[OrientOptions]
) -> VoteAnswer:
    """Infer the direction of the source from counts of directions of transmission.

    Parameters
    ----------
    study : Study
        With direction-only data.
    votes : mapping of GroupKey to Votes
    data_hash : str
        Identity of the data, for the record.
    **options
        As for `orient`.

    Returns
    -------
    VoteAnswer

    Raises
    ------
    InputError
        If the counts cannot be used with the study.
    """
    settings = OrientSettings(**options)
    _check_votes(study, votes)
    seed, say = settings.seed, settings.say
    cooldowns = tuple(sorted({k.cooldown for k in votes}))
    say("reading the wiring")
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
        wanted_ess=settings.wanted_ess,
        max_seconds=settings.max_seconds,
        jumping=settings.jumping,
        progress=settings.progress,
        file=chain_keeper(settings.chain_file, study, data_hash, seed, settings.jumping),
    )
    say("no-source hypothesis")
    null = null_evidence(without_source(problem), stream(seed, "counts: null evidence"), posterior.log_evidence)
    drawn = posterior.thinned()
    check = vote_check(problem, drawn, stream(seed, "counts: predictive check"))
    factor = LogFactor.of(posterior, null)
    verdict = judge(
        posterior, check, draws_that_matter(posterior, null[2], factor.value), misfit_code="misfit of counts"
    )
    findings = _count_findings(study, votes, posterior)
    now, table = limits(problem, modes[0].x)
    limit = {"angular_error_deg": now, "if_known": {x.kind: x.error_if_known_deg for x in table}}
    values = problem.unknowns.physical(drawn)
    data = {
        "kind": study.data.kind,
        "sweeps": sum(v.count for v in votes.values()),
        "groups": len(votes),
        "states": sorted({k.state for k in votes}),
        "cooldowns": list(cooldowns),
    }
    body: dict[str, object] = answer_body(study, posterior, factor, findings, limit) | {
        "known_source": known_source_entry(None) | ({"said": []} if _has_known_source(study, votes) else {}),
        "predictive_check": asdict(check),
        "nuisances": nuisance_entries(problem.unknowns, values),
        "wiring": wiring_entries(study, wiring),
        "data": data,
    }
    document = make_document(VoteAnswer, study, verdict, answer_provenance(study, data_hash, settings), body)
    parameters = problem.unknowns.parameters
    return VoteAnswer(
        document, study, verdict, tuple(findings), posterior, parameters(modes[0].x[None]), parameters(drawn),
        (problem.unknowns.names, problem.unknowns.units, values), votes,
    )  # fmt: skip


def _has_known_source(study: Study, votes: Mapping[GroupKey, Votes]) -> bool:
    """Whether sweeps were taken with a known source: counts use them as they are, and do not test the study by them."""
    return bool({k.state for k in votes} & {s.name for s in study.states if s.kind == "calibration"})


def _check_votes(study: Study, votes: Mapping[GroupKey, Votes]) -> None:
    """Refuse counts that cannot be used with the study."""
    if not study.data.of_counts:
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


def _count_findings(study: Study, votes: Mapping[GroupKey, Votes], posterior: Posterior) -> list[Finding]:
    """What the counts can and cannot say."""
    out = rank_findings(study)
    out += reference_findings(study, list(dict.fromkeys(k.state for k in votes)))
    out += zero_bias_findings(study, list(dict.fromkeys(k.bias_a for k in votes)))
    out += mode_findings(posterior)
    if all(v.forward in (0, v.count) for v in votes.values()):
        out.append(Finding("unanimous"))
    return out
