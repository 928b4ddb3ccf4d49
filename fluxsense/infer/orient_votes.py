"""The main job from directions alone: counts of which way sweeps transmit to the posterior of the source's direction."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from fluxsense.errors import InputError
from fluxsense.infer.limits import limits, rank_words, reference_words, zero_bias_words
from fluxsense.infer.mixture import from_modes, improve
from fluxsense.infer.modes import find_modes
from fluxsense.infer.orient import (
    MISFIT_BAD,
    MISFIT_DOUBTFUL,
    Answer,
    Posterior,
    Progress,
    Verdict,
    answer_document,
    chain_keeper,
    draws_that_matter,
    judge,
    mode_words,
    sample_posterior,
)
from fluxsense.infer.problem import log_posterior
from fluxsense.infer.sampler import evidence
from fluxsense.infer.unknowns import Unknowns
from fluxsense.infer.votes import VoteProblem, read_vote_wiring, without_source
from fluxsense.study import Study
from fluxsense.traces.digest import GroupKey
from fluxsense.traces.votes import Votes

FloatArray = npt.NDArray[np.float64]

CHECK_DRAWS = 400


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
    search, null_stream, check_stream = (np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(3))
    cooldowns = tuple(sorted({k.cooldown for k in votes}))
    say("reading the wiring", 0.0, "")
    wiring = read_vote_wiring(study, votes, cooldowns, seed)
    names = [i.name for i in study.isolators]
    measured = sorted({names.index(k.isolator) for k in votes})
    problem = VoteProblem(Unknowns(study, cooldowns, measured), votes, wiring.signs)
    modes = find_modes(
        problem, search, lambda done, total: say("searching for modes", done / total, f"{done} of {total} ascents")
    )
    sampling = study.sampling
    posterior = sample_posterior(
        problem,
        seed,
        modes=modes,
        ensembles=sampling.ensembles,
        walkers=sampling.walkers,
        wanted_ess=sampling.wanted_ess if wanted_ess is None else wanted_ess,
        max_steps=sampling.max_steps,
        max_seconds=max_seconds,
        jumping=jumping,
        progress=progress,
        file=chain_keeper(chain_file, study, data_hash, seed, jumping),
    )
    say("no-source hypothesis", 0.0, "")
    null = without_source(problem)
    if null.unknowns.size:
        mixture, _ = improve(
            from_modes(find_modes(null, null_stream)), lambda x: log_posterior(null, x), null_stream, rounds=4
        )
        null_log, null_sd, null_ess = evidence(null, mixture, null_stream)
    else:
        null_log, null_sd, null_ess = float(null.log_likelihood(np.zeros((1, 0)))[0]), 0.0, np.inf
    drawn = posterior.thinned()
    check = vote_check(problem, drawn, check_stream)
    verdict = _judged(posterior, check, draws_that_matter(posterior, null_ess, posterior.log_evidence - null_log))
    findings, limit = _findings(study, votes, problem, posterior, modes[0].x)
    parameters = problem.unknowns.parameters(drawn)
    values = problem.unknowns.physical(drawn)
    document = answer_document(
        study,
        problem.unknowns,
        posterior,
        wiring,
        check,
        verdict,
        findings,
        limit,
        (posterior.log_evidence - null_log, float(np.hypot(posterior.log_evidence_sd, null_sd))),
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


def vote_check(problem: VoteProblem, drawn: FloatArray, rng: np.random.Generator) -> dict[str, Any]:
    """Posterior predictive check: deviance of the counts against that of counts drawn from the model.

    Parameters
    ----------
    problem : VoteProblem
    drawn : ndarray (N, D)
        Posterior draws.
    rng : Generator

    Returns
    -------
    dict
        As the predictive check of traces: total and worst_group are probabilities of larger misfits (the latter times the
        number of groups), p_value twice the smaller.  From replicates, so no smaller than the inverse of their number.
    """
    x = drawn[np.linspace(0, len(drawn) - 1, min(CHECK_DRAWS, len(drawn))).astype(int)]
    data, copies = problem.misfits(np.ascontiguousarray(x), rng, replicates=25)
    above = (np.sum(copies.sum(axis=2) >= data.sum(axis=1)[:, None]) + 1) / (copies.shape[0] * copies.shape[1] + 1)
    per_group = (np.sum(copies >= data[:, None], axis=(0, 1)) + 1) / (copies.shape[0] * copies.shape[1] + 1)
    worst = int(np.argmin(per_group))
    worst_p = float(min(1.0, per_group[worst] * len(per_group)))
    return {
        "total": float(above),
        "worst_group": worst_p,
        "smooth": 1.0,
        "chi_square": float(data.sum(axis=1).mean()),
        "degrees": float(copies.sum(axis=2).mean()),
        "worst_name": tuple(problem.votes)[worst].describe(),
        "p_value": float(min(1.0, 2 * min(float(above), worst_p))),
    }


def _judged(posterior: Posterior, check: Mapping[str, Any], evidence_ess: float) -> Verdict:
    verdict = judge(posterior, None, evidence_ess)
    if check["p_value"] >= MISFIT_DOUBTFUL:
        return verdict
    trust = "unusable" if check["p_value"] < MISFIT_BAD * 10 else "tentative"
    words = (
        f"The counts of directions do not look like draws of the model (deviance {check['chi_square']:.0f} for "
        f"{check['degrees']:.0f} expected, probability {check['p_value']:.1g}; worst: {check['worst_name']}). Check the wiring, "
        "the bias currents and the stated rate of wrong readings."
    )
    worse = trust if verdict.trust == "reliable" or trust == "unusable" else verdict.trust
    kept = verdict.reasons if verdict.trust != "reliable" else ()
    return replace(verdict, trust=worse, reasons=(words, *kept))


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
