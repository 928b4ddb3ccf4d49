"""The main job: traces, or which way they transmit, to the posterior of the source's direction, with a verdict on itself."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, NotRequired, TypedDict, Unpack, cast

import numpy as np
import numpy.typing as npt

from fluxsense.base.beside import aside
from fluxsense.base.errors import FluxsenseError, InputError
from fluxsense.base.executors import Processes, Workers, ordered_map
from fluxsense.base.files import read_bytes
from fluxsense.base.findings import TRUST, Finding, Verdict
from fluxsense.base.sphere import angles_from_vector, antipodal_odds, contains
from fluxsense.base.streams import stream
from fluxsense.data.campaign import load_campaign, load_votes
from fluxsense.data.digest import Digest
from fluxsense.data.log_checks import digest_findings
from fluxsense.data.noise_levels import measure_noise, relative_white
from fluxsense.detection.draws import FILE, SourceDraws
from fluxsense.detection.stored import Identity, Stored, stored_from
from fluxsense.device.chip import ChipParameters, check_geometry
from fluxsense.infer.assumptions import assumptions, linearity_check
from fluxsense.infer.blind import BlindTest, blind_findings, blind_test
from fluxsense.infer.budget import (
    error_with_reference_deg,
    extent_findings,
    flip_findings,
    limits,
    rank_findings,
    reference_findings,
    zero_bias_findings,
)
from fluxsense.infer.causes import cause_findings, causes
from fluxsense.infer.orient import (
    Posterior,
    chain_keeper,
    null_evidence,
    prepare,
    sample_as_stated,
    settled_null,
)
from fluxsense.infer.plausible import loud_findings
from fluxsense.infer.predictive import PredictiveCheck, predictive_check
from fluxsense.infer.score_tests import unseen_findings
from fluxsense.infer.sizes import drift_findings, order_of_sweeps, wander_findings
from fluxsense.infer.slips import slip_findings
from fluxsense.infer.verdict import (
    MISFIT_BAD,
    distrusted_share,
    draws_that_matter,
    judge,
    kept_findings,
    left_out_findings,
    mode_findings,
    rests_findings,
)
from fluxsense.infer.wiring import Wiring
from fluxsense.jobs.folder import MOST_LOOKED_AT, held, keep, outdated, ready
from fluxsense.jobs.options import OrientOptions, OrientSettings, Progress, whole_number
from fluxsense.jobs.readout import measured_findings
from fluxsense.jobs.result import Provenance, Result, as_study, make_document
from fluxsense.jobs.simulate import read_truth_source
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.linearised import Linearised
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.report.lines import answer_lines, answer_sentence
from fluxsense.report.sentences import sentences
from fluxsense.study import Study

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from fluxsense.jobs.page import Drawn
    from fluxsense.report.documents import AnswerDocument

FloatArray = npt.NDArray[np.float64]
Table = tuple[tuple[str, ...], tuple[str, ...], FloatArray]

NOTICED = 0.9
"""Part of the angular error below which knowing the source's extent must bring it for that to be said."""
DOMINANT = 0.7
"""A nuisance limits the answer if the error would fall below that share without it."""
CONTRADICTED_LOG_ODDS = -10.0
RARE_SIGN = 0.01
"""Part of the draws of a nuisance at most that an outlying sign has by chance."""
APART_SD = 3.0
"""Spreads of a modulus from zero at least where both signs fit and nothing between them does."""
MOST_CAUSES = 5
"""Kinds of eliminated numbers, the least probable first, that a result lists."""
MOST_ASSUMPTIONS = 40
"""Numbers that the answer rests on, as many as are listed in a result."""


class _Draws:
    """What is asked of posterior draws."""

    drawn: ChipParameters
    values: Table

    def draws(self, count: int) -> ChipParameters:
        """Posterior draws, spread evenly over those kept."""
        return self.drawn.rows(self._spread(count))

    def table(self, count: int) -> Table:
        """Names, SI units and values (about count, D) of all unknowns for posterior draws."""
        names, units, values = self.values
        return names, units, values[self._spread(count)]

    def _spread(self, count: int) -> slice:
        return slice(None, None, max(1, self.drawn.batch // count))


@dataclass(frozen=True)
class Inferred(_Draws):
    """What was inferred from traces, before it is judged: figures are drawn of it meanwhile.

    Attributes
    ----------
    study, posterior, best_parameters, drawn, values, digest, likelihood
        As of an `Orientation`.
    """

    study: Study
    posterior: Posterior
    best_parameters: ChipParameters
    drawn: ChipParameters
    values: Table
    digest: Digest
    likelihood: RatioLikelihood


@dataclass(frozen=True, repr=False)
class Answer(_Draws, Result):
    """What every kind of inference answers.

    Attributes
    ----------
    findings : tuple of Finding
    posterior : Posterior
    best_parameters : ChipParameters
        Batch of one: the highest mode.
    drawn : ChipParameters
        About 3000 draws from the posterior, those integrated over among them.
    values : tuple
        Names (D,), SI units (D,) and values (N, D) of all unknowns for the same draws.
    """

    KIND: ClassVar[str] = "orientation"

    findings: tuple[Finding, ...]
    posterior: Posterior
    best_parameters: ChipParameters
    drawn: ChipParameters
    values: Table

    def region_contains(self, vector: npt.ArrayLike) -> dict[float, bool]:
        """Whether a direction lies in each credible region, by level."""
        return {r.level: bool(contains(r, np.asarray(vector))) for r in self.posterior.regions}

    def lines(self) -> list[str]:
        return answer_lines(cast("AnswerDocument", self.document))

    def pictures(self) -> dict[str, Figure]:
        from fluxsense.jobs.page import map_figure

        return {"map": map_figure(self)}

    def to_inferencedata(self) -> Any:
        """The posterior as an ``arviz.InferenceData``; see `fluxsense.jobs.formats.inference_data`."""
        from fluxsense.jobs.formats import inference_data

        return inference_data(self)

    def __repr__(self) -> str:
        return f"<{answer_sentence(cast('AnswerDocument', self.document))}>"


@dataclass(frozen=True, repr=False)
class Orientation(Answer):
    """The result of `orient` from traces.

    Attributes
    ----------
    digest : Digest
    likelihood : RatioLikelihood
    check : PredictiveCheck
    """

    digest: Digest
    likelihood: RatioLikelihood
    check: PredictiveCheck


Inform = Callable[[Inferred], None]


def orient(study: Study | str | Path, digest: Digest | None = None, **options: Unpack[OrientOptions]) -> Answer:
    """Infer the direction of the source from a campaign.

    Parameters
    ----------
    study : Study or path
    digest : Digest, optional
        Of the campaign's traces; read from the study's log if left out.
    seed : int
        Same seed, same answer (on one machine).
    max_seconds : float, optional
        Time limit of the sampling.
    wanted_ess : float, optional
        Effective samples; the study's figure by default.
    progress : callable, optional
        Called with (what, share done, detail).
    jumping : bool
        Switch of the mode-jumping move, for tests.
    distrusted : sequence of Distrusted
        Sweeps unlike their repeats, to be named in the result, where the digest does not list them itself.
    chain_file : path-like, optional
        Where to keep the chains while they grow (HDF5).  If it holds those of the same run, cut short by a kill, a time
        limit or an interrupt, sampling goes on from there and gives what it would have given without the break.
    helper : Beside, optional
        A second process (`fluxsense.base.beside.beside`), which searches and judges beside this one; the result is the same.

    Returns
    -------
    Answer
        An `Orientation` if traces were used.

    Raises
    ------
    InputError
        If the digest cannot be used with the study, or an option makes no sense.
    ModelError
        If the model is not finite somewhere in the prior.
    """
    return _orient(as_study(study), digest, options)


def _orient(study: Study, digest: Digest | None, options: OrientOptions, inform: Inform | None = None) -> Answer:
    """`orient`; `inform` is called with what was inferred from traces, before it is judged."""
    settings = OrientSettings(**options)
    check_geometry(study)
    if digest is None and study.data.of_counts:
        from fluxsense.jobs.orient_counts import orient_votes

        votes, data_hash = load_votes(study, settings.counted("reading directions"))
        return orient_votes(study, votes, data_hash=data_hash, **options)
    if not isinstance(digest, Digest | None):
        raise InputError(
            "what was given is no digest", where="digest", remedy="Give what load_campaign(study) makes, or nothing"
        )
    if digest is None:
        digest = load_campaign(study, settings.counted("reading traces"))
    return orient_traces(study, digest, settings, inform)


def orient_folder(
    study: Study | str | Path,
    folder: Path,
    *,
    workers: int = 1,
    report: bool = True,
    formats: Sequence[str] = (),
    tell: Callable[[Answer], None] | None = None,
    **options: Unpack[OrientOptions],
) -> Answer:
    """`orient`, with every file that the command leaves: result, digest, posterior, chains, report.

    Parameters
    ----------
    study : Study or path
    folder : Path
    workers : int
        Processes that read traces; the result is the same.
    report : bool
        Whether to write the page.
    formats : sequence of str
        What else to write: 'netcdf', 'tables', 'figures' (`fluxsense.jobs.formats`).
    tell : callable, optional
        Called with the answer as soon as it is on file, before the page is.
    **options
        As for `orient`.

    Raises
    ------
    InputError
        As `orient`; `UnwrittenError`, with the document, if the result cannot be written.
    """
    study, settings = as_study(study), OrientSettings(**options)
    whole_number("--workers", workers, 1)
    check_geometry(study)
    ready(folder)
    digest = None if study.data.of_counts else folder_digest(study, folder, settings.progress, workers)
    drawing: list[Callable[[], Drawn]] = []
    from fluxsense.jobs.page import drawn_aside, write_report

    def draw(found: Answer | Inferred) -> None:
        drawing.append(drawn_aside(settings.helper, found, stated_truth(study)))

    def draw_early(found: Inferred) -> None:
        with suppress(InputError):  # raised again when the answer is on file
            draw(found)

    with held(folder):
        options["chain_file"] = folder / "chains.h5"
        answer = _orient(study, digest, options, draw_early if report and settings.helper is not None else None)
        keep(folder / "result.json", answer.document)
        if tell is not None:
            tell(answer)
        draws_of(answer).save(folder / FILE)
        if isinstance(answer, Orientation):
            answer.digest.save(folder / "digest.npz")
            posterior_of(answer).save(folder / "posterior.npz")
        if report:
            settings.say("writing the report")
            if not drawing:
                draw(answer)
            write_report(folder / "report.html", answer, drawn=drawing[0]())
        if formats:
            from fluxsense.jobs.formats import write_formats

            settings.say("writing other formats")
            write_formats(answer, folder, formats)
    return answer


@dataclass(frozen=True, repr=False)
class Finished(Result):
    """A result of `orient` that a folder holds already, as its file says it."""

    KIND: ClassVar[str] = "orientation"

    def lines(self) -> list[str]:
        return answer_lines(cast("AnswerDocument", self.document))


ENDED = ("enough", "steps")
"""Ends of sampling after which the same command would only find the same again."""


def finished(
    study: Study | str | Path,
    folder: Path,
    *,
    workers: int = 1,
    report: bool = True,
    **options: Unpack[OrientOptions],
) -> Finished | None:
    """What `orient_folder` left in a folder, if it ran to its end for the same study, data, seed, options and versions; else None.

    Parameters
    ----------
    study, folder, workers, report, **options
        As for `orient_folder`; a page counts as left only if it is of the same study and data.
    """
    study, settings = as_study(study), OrientSettings(**options)
    kept = ("draws.npz",) if study.data.of_counts else ("draws.npz", "digest.npz", "posterior.npz")
    try:
        document = json.loads(read_bytes(folder / "result.json", limit_bytes=MOST_LOOKED_AT, kind="result"))
        if document["sampling"]["stopped"] not in ENDED or not all((folder / name).exists() for name in kept):
            return None
        if study.data.of_counts:
            _, data_hash = load_votes(study, settings.counted("reading directions"))
        else:
            data_hash = folder_digest(study, folder, settings.progress, workers).content_hash()
        asked = answer_provenance(study, data_hash, settings).as_json()
        for provenance in (asked, former := document["provenance"]):
            provenance["options"].pop("max_time", None)
        if former != asked or (
            report and (not (folder / "report.html").exists() or "report.html" in outdated(folder, document))
        ):
            return None
        codes = tuple(Finding(x) for x in document["verdict"]["codes"])
        return Finished(document, study, Verdict(document["verdict"]["trust"], codes))
    except (InputError, ValueError, KeyError, TypeError, AttributeError):  # none there, or none of ours
        return None


def draws_of(answer: Answer) -> SourceDraws:
    """What `compare` needs of a result."""
    document = answer.document
    return SourceDraws(
        answer.drawn["source"],
        float(document["sampling"]["effective_samples"] or 1.0),
        answer.study.source,
        document["title"],
        document["verdict"]["trust"],
        document["provenance"]["study_hash"],
        document["provenance"]["digest_hash"],
    )


def posterior_of(orientation: Orientation) -> Stored:
    """What `detect` needs of a result."""
    identity = Identity.of(orientation.study, orientation.digest)
    reasons = sentences(orientation.verdict.reasons)
    return stored_from(orientation.posterior, orientation.likelihood, identity, orientation.verdict.trust, reasons)


def stated_truth(study: Study) -> tuple[FloatArray, FloatArray | None] | None:
    """The source that `simulate` left beside the log, to be marked in figures; None if there is none."""
    path = study.log.parent / "truth.toml"
    return read_truth_source(path, study) if path.exists() else None


def folder_digest(study: Study, folder: Path, progress: Progress | None, workers: int = 1) -> Digest:
    """The digest of a study's traces; traces that the folder's digest holds are only compared by their hashes."""
    return load_campaign(
        study,
        OrientSettings(progress).counted("reading traces"),
        Processes(workers) if workers > 1 else None,
        former=folder / "digest.npz",
    )


@dataclass(frozen=True)
class BatchItem:
    """What became of one campaign.

    Attributes
    ----------
    study : str
        Path of the study, as it was given.
    document : dict or None
        What `orient` writes as result.json.
    fault : str
        Why there is none; empty otherwise.
    """

    study: str
    document: dict[str, object] | None
    fault: str = ""


def orient_each(
    studies: Iterable[str | Path],
    *,
    seed: int = 0,
    wanted_ess: float | None = None,
    executor: Workers | None = None,
) -> Iterator[BatchItem]:
    """Infer many campaigns, of traces or of directions only, in order; one that cannot be read does not stop the others.

    Parameters
    ----------
    studies : iterable of str or Path
        Paths of study files, each with its log; with a cluster, as its machines see them.
    seed : int
        Of each inference.
    wanted_ess : float, optional
        Effective samples; each study's by default.
    executor : concurrent.futures.Executor or fluxsense.base.executors.Processes, optional
        None infers here, one after the other; the results are the same.

    Yields
    ------
    BatchItem
    """
    return ordered_map(_one, [str(s) for s in studies], (seed, wanted_ess), executor=executor, batch=1)


def _one(shared: tuple[int, float | None], path: str) -> BatchItem:
    seed, wanted_ess = shared
    try:
        return BatchItem(path, orient(path, seed=seed, wanted_ess=wanted_ess).document)
    except FluxsenseError as error:
        return BatchItem(path, None, str(error))


# ---------------------------------------------------------------- from traces


def orient_traces(
    study: Study,
    digest: Digest,
    settings: OrientSettings,
    inform: Inform | None = None,
) -> Orientation:
    """`orient` from a digest of traces; `inform` is called with what was inferred, before it is judged."""
    _check_digest(study, digest)
    slips = [] if study.data.of_magnitudes else slip_findings(study, digest)
    if any(f.doubt for f in slips):
        raise InputError(sentences(slips)[0], where=str(study.log))
    distrusted = digest.distrusted or tuple(settings.distrusted)
    seed = settings.seed
    for told in sentences(flip_findings(study)):
        settings.say(told)
    loud = _loud(study, digest)
    known_source = cache(partial(blind_test, study, digest))
    try:
        problem, modes, wiring = prepare(
            study, digest, rng=stream(seed, "search"), progress=settings.progress, helper=settings.helper,
            known_source=known_source,
        )  # fmt: skip
    except InputError as fault:
        raise InputError(sentences(loud)[0], where=str(study.log)) if loud else fault from None
    settings.say("known source as a blind test")
    blind = known_source(wiring.signs)
    best = modes[0].x
    explicit, explicit_best = problem.explicit(best)
    checking = aside(settings.helper, _check, explicit, explicit_best, seed)
    nothing = aside(settings.helper, settled_null, problem)
    budgeting = aside(settings.helper, _budget, study, digest, explicit, explicit_best)
    of_log = digest_findings(digest, study)
    before = [*of_log, *loud, *blind_findings(blind)]
    checked: list[PredictiveCheck] = []

    def hopeless() -> bool:
        settings.say("predictive check")
        checked.append(checking())
        return checked[0].p_value < MISFIT_BAD

    posterior = sample_as_stated(
        problem,
        seed,
        modes,
        wanted_ess=settings.wanted_ess,
        hopeless=hopeless,
        max_seconds=settings.max_seconds,
        jumping=settings.jumping,
        progress=settings.progress,
        file=chain_keeper(settings.chain_file, study, digest.content_hash(), seed, settings.jumping),
    )
    (check,) = checked
    if check.p_value < MISFIT_BAD:
        listed = len(study.source.direction.candidates)
        before.append(Finding("no candidate fits", 2, listed=listed) if listed else Finding("not sampled on", 2))
    at = Linearised.of(explicit, explicit_best)
    drawn = posterior.thinned()
    parameters = problem.parameters(drawn, stream(seed, "pump phases of draws"), posterior.reduced)
    table, parameters = _table(problem, at, drawn, parameters, stream(seed, "tamed parameters of draws"))
    highest = problem.parameters(best[None])
    if inform is not None:
        inform(Inferred(study, posterior, highest, parameters, table, digest, problem.likelihood))
    settings.say("no-source hypothesis")
    null = null_evidence(nothing(), stream(seed, "null evidence"), posterior.log_evidence)
    factor = LogFactor.of(posterior, null)
    rests = assumptions(at)
    named = causes(at)
    linear = linearity_check(problem, posterior.thinned())
    mistaken = any(f.doubt == TRUST.index("unusable") for f in blind_findings(blind))
    # a fit to a study that is known to be wrong blames whatever is at hand
    beyond = [] if mistaken else cause_findings(named, linear.gain_sd)
    verdict = judge(
        posterior,
        check,
        draws_that_matter(posterior, null[2], factor.value),
        distrusted_share(digest, distrusted),
        misfit_code="misfit of loud traces" if loud else "misfit of traces",
        linear=linear,
        beyond=[f for f in (*before, *beyond) if f.doubt],
    )
    budget = budgeting()
    findings = [
        *_extent_findings(study, budget.numbers),
        *_trace_findings(study, digest, explicit, posterior, wiring, budget),
        *rests_findings(rests, budget.numbers["angular_error_deg"]),
        *(f for f in (*of_log, *beyond) if not f.doubt),
        *([] if loud or verdict.trust == "reliable" else slips),  # a fit that is good explains what no slip did
        *drift_findings(problem.likelihood),
        *wander_findings(problem.likelihood),
        *unseen_findings(check.suspicion, order_of_sweeps(problem.likelihood).in_turns),
        *measured_findings(study, digest),
        *left_out_findings(digest, distrusted),
        *([] if verdict.trust == "reliable" else kept_findings(distrusted)),
    ]
    data = {
        "kind": study.data.kind,
        "sweeps": digest.sweeps,
        "left_out": [d.file for d in distrusted if d.left_out],
        "groups": len(digest),
        "states": sorted({k.state for k in digest}),
        "cooldowns": list(problem.likelihood.cooldowns),
        "residual_gain": problem.likelihood.residual_gain,
        "learned": asdict(problem.likelihood.sizes),
        "eliminated": sum(len(own) for own in problem.likelihood.eliminated.values()),
        "polynomial_terms": None if posterior.reduced is None else posterior.reduced.terms,
        "reduction_error": posterior.reduction_error,
    }
    body = answer_body(study, posterior, factor, findings, budget.numbers) | {
        "known_source": known_source_entry(blind),
        "predictive_check": asdict(check),
        "rests_on": [asdict(a) for a in rests[:MOST_ASSUMPTIONS]],
        "linearity": asdict(linear),
        "causes": [asdict(c) for c in named[:MOST_CAUSES]],
        "nuisances": nuisance_entries(explicit.unknowns, table[2]),
        "wiring": wiring_entries(study, wiring),
        "data": data,
    }
    provenance = answer_provenance(study, digest.content_hash(), settings)
    document = make_document(Orientation, study, verdict, provenance, body)
    return Orientation(
        document, study, verdict, tuple(findings), posterior, highest, parameters, table,
        digest, problem.likelihood, check,
    )  # fmt: skip


def _check(explicit: CampaignProblem, best: FloatArray, seed: int) -> PredictiveCheck:
    """The predictive check at the best point (D,)."""
    return predictive_check(Linearised.of(explicit, best), stream(seed, "predictive check"))


def _loud(study: Study, digest: Digest) -> list[Finding]:
    """That the noise of the repeats is near the signal; empty if it is not."""
    noise = study.noise
    white = relative_white(digest, measure_noise(digest, noise.white, noise.gain_drift, noise.phase_drift_rad))
    off = min((group.count for key, group in digest.items() if not key.pump_on), default=1)
    return loud_findings(white, off, doubt=2)


@dataclass(frozen=True)
class LogFactor:
    """Log Bayes factor of a source against none, with its numerical error."""

    value: float
    sd: float

    @classmethod
    def of(cls, posterior: Posterior, null: tuple[float, float, float]) -> LogFactor:
        """From the posterior's evidence and that of no source: its value, error and effective draws."""
        return cls(posterior.log_evidence - null[0], float(np.hypot(posterior.log_evidence_sd, null[1])))


def _check_digest(study: Study, digest: Digest) -> None:
    names = {i.name for i in study.isolators}
    states = {s.name for s in study.states}
    for key in digest:
        if key.isolator not in names:
            raise InputError(
                f'the digest has sweeps of isolator "{key.isolator}", which the study does not define',
                where=study.path.name,
                remedy="Digest the traces again with this study's log",
            )
        if key.state not in states:
            raise InputError(
                f'the digest has sweeps in state "{key.state}", which the study does not define',
                where=study.path.name,
                remedy="Define the state in the study",
            )
        if len(key.bias_a) != len(study.bias_lines):
            raise InputError(
                f"the digest has {len(key.bias_a)} bias currents, the study {len(study.bias_lines)} bias lines",
                where=study.path.name,
                remedy="Digest the traces again with this study's log",
            )
    kinds = {s.name: s.kind for s in study.states}
    if not any(kinds[k.state] in ("in", "turned") for k in digest if k.pump_on):
        raise InputError(
            "no pump-on sweep was taken with the source in, so there is no direction to infer",
            where=str(study.log),
            remedy='Log at least one sweep with a state of kind "in" or "turned"',
        )


def _table(
    problem: CampaignProblem, at: Linearised, drawn: FloatArray, parameters: ChipParameters, rng: np.random.Generator
) -> tuple[Table, ChipParameters]:
    """All unknowns in SI units for whitened draws (N, D), and the parameters with what was tamed drawn too.

    Pump phase errors are drawn already; what was tamed is drawn from its normal law about the mode given all others.
    """
    sampled, unknowns = problem.unknowns, at.problem.unknowns
    physical = sampled.physical(drawn)
    columns = {name: physical[:, n] for n, name in enumerate(sampled.names)}
    out, z = np.empty((len(drawn), unknowns.size)), np.empty((len(drawn), unknowns.size))
    free = []
    for n, name in enumerate(unknowns.names):
        if name in columns:
            out[:, n] = columns[name]
            z[:, n] = drawn[:, sampled.names.index(name)]
            continue
        p = unknowns.nuisances[n - unknowns.lead]
        if name in sampled.tamed:
            free.append(n)
        else:
            out[:, n] = p.of(parameters[p.array])
            z[:, n] = p.whitened(out[:, n])
    if free:
        held = [n for n in range(unknowns.size) if n not in free]
        covariance = at.covariance
        pull = np.linalg.solve(covariance[np.ix_(held, held)], covariance[np.ix_(held, free)])  # (H, U)
        left = covariance[np.ix_(free, free)] - covariance[np.ix_(free, held)] @ pull
        root = np.linalg.cholesky(left)
        z[:, free] = at.x[free] + (z[:, held] - at.x[held]) @ pull + rng.standard_normal((len(z), len(free))) @ root.T
        arrays = {name: np.array(parameters[name]) for name in parameters}
        for n in free:
            p = unknowns.nuisances[n - unknowns.lead]
            out[:, n] = p.value(z[:, n])
            p.put(arrays, out[:, n])
        parameters = ChipParameters(arrays)
    return (unknowns.names, unknowns.units, out), parameters


class Limits(TypedDict):
    """Local angular errors: as it is, with each kind of nuisance known, and with sweeps without the source."""

    angular_error_deg: float
    if_known: dict[str, float]
    with_reference_sweeps_deg: NotRequired[float]


@dataclass(frozen=True)
class Budget:
    """What limits the answer: numbers for the document, and findings."""

    numbers: Limits
    findings: tuple[Finding, ...]


def _budget(study: Study, digest: Digest, problem: CampaignProblem, best: FloatArray) -> Budget:
    """Local angular errors at the best point (D,), as it is and with each kind of nuisance known."""
    states = list(dict.fromkeys(k.state for k in digest if k.pump_on))
    of_states = reference_findings(study, states)
    missing = [f for f in of_states if f.code == "no reference"]
    turned = tuple(f for f in of_states if f not in missing)
    now, table = limits(problem, best)
    numbers: Limits = {
        "angular_error_deg": now,
        "if_known": {x.kind: x.error_if_known_deg for x in table},
    }
    if missing:
        then = error_with_reference_deg(problem, best)
        numbers["with_reference_sweeps_deg"] = then
        share = numbers["if_known"].get("offset", now)
        verb = "dominate" if share < DOMINANT * now else "add to"
        said = missing[0].more("no reference, measured", verb=verb, now_deg=now, then_deg=then)
        return Budget(numbers, (said,))
    if table and table[0].error_if_known_deg < DOMINANT * now:
        worst = table[0]
        limit = Finding("limit", kind=worst.kind, now_deg=now, then_deg=worst.error_if_known_deg)
        return Budget(numbers, (limit, *turned))
    return Budget(numbers, turned)


def _extent_findings(study: Study, numbers: Limits) -> list[Finding]:
    """What an unstated extent costs, where that can be noticed."""
    now, then = numbers["angular_error_deg"], numbers["if_known"].get("extent", np.inf)
    if not then < NOTICED * now:
        return []
    return [f.more("extent unstated, measured", now_deg=now, then_deg=then) for f in extent_findings(study)]


def _trace_findings(
    study: Study, digest: Digest, problem: CampaignProblem, posterior: Posterior, wiring: Wiring, budget: Budget
) -> list[Finding]:
    """What the data can and cannot say."""
    missing = tuple(f for f in budget.findings if f.code != "limit")
    out = [*rank_findings(study), *missing]
    out += zero_bias_findings(study, list(dict.fromkeys(k.bias_a for k in digest if k.pump_on)))
    out += mode_findings(posterior)
    out += [f for f in budget.findings if f.code == "limit"]
    out += [
        Finding("wiring contradicted", isolator=iso.name, log_odds=odds)
        for iso, odds, stated in zip(study.isolators, wiring.log_odds, wiring.stated, strict=True)
        if stated and odds < CONTRADICTED_LOG_ODDS
    ]
    raised, stated_gain = problem.likelihood.residual_gain, study.noise.residual_gain
    if raised > stated_gain:
        out.append(Finding("gain errors", found_percent=100 * raised, stated_percent=100 * stated_gain))
    return out


# ---------------------------------------------------------------- the document


def _direction_entry(vector: FloatArray) -> dict[str, object]:
    azimuth, elevation = angles_from_vector(vector)
    return {
        "azimuth_deg": float(np.degrees(azimuth)),
        "elevation_deg": float(np.degrees(elevation)),
        "vector": [float(x) for x in vector],
    }


def answer_body(
    study: Study, posterior: Posterior, factor: LogFactor, findings: Sequence[Finding], limit: Mapping[str, object]
) -> dict[str, object]:
    """What the documents of all kinds of inference have in common."""
    odds = antipodal_odds(posterior.directions, posterior.direction)
    agreement = posterior.diagnosis.weights
    exact = posterior.quadrature
    return {
        "direction": _direction_entry(posterior.direction),
        "region": [
            {
                "level": r.level,
                "solid_angle_sr": r.solid_angle_sr,
                "solid_angle_sd_sr": r.solid_angle_error_sr,
                "cone_deg": r.cone_deg,
                **({} if r.candidates is None else {"candidates": r.candidates}),
            }
            for r in posterior.regions
        ],
        "modes": [
            {
                "weight": m.weight,
                "weight_sd": None if agreement is None else agreement.error[n],
                "angular_sd_deg": np.degrees(m.angular_sd_rad),
                **_direction_entry(np.asarray(m.mean)),
            }
            for n, m in enumerate(posterior.groups.modes)
        ],
        "antipodal_odds": odds.odds,
        "antipodal_odds_is_lower_bound": odds.opposite == 0,
        "size": {
            "mean": posterior.sizes.mean(),
            "sd": posterior.sizes.std(),
            "below_95": np.quantile(posterior.sizes, 0.95),
            "unit": study.source.unit,
        },
        "log_bayes_factor": factor.value,
        "log_bayes_factor_sd": factor.sd,
        "findings": sentences(findings),
        "limits": limit,
        "sampling": _sampling_entry(posterior),
        "quadrature": None
        if exact is None
        else {
            "log_evidence": exact.log_evidence,
            "log_evidence_error": exact.log_evidence_error,
            "points": len(exact.weight),
            "largest_shift_sd": posterior.shift,
        },
    }


def known_source_entry(test: BlindTest | None) -> dict[str, object]:
    """What sweeps with a known source say of signs, axes and places, or that there are none."""
    said = sentences(f for f in blind_findings(test) if not f.doubt)
    return {
        "said": said,
        "states": [] if test is None else test.states,
        "named": [] if test is None else [m.code for m in test.named],
        "mistakes": [] if test is None else [asdict(m) for m in test.mistakes],
        "unexplained_log_odds": None if test is None else test.other_log_odds,
        "strength": None if test is None else test.strength,
        "strength_sd": None if test is None else test.strength_sd,
        "moved_m": None if test is None else test.moved_m,
        "fluxes": [] if test is None else [asdict(x) for x in test.fluxes],
    }


def _sampling_entry(posterior: Posterior) -> dict[str, object]:
    chains, quantities = posterior.chains, posterior.diagnosis.quantities
    worst = min(min(q.ess_bulk, q.ess_tail) for q in quantities)
    return {
        "ensembles": chains.x.shape[0],
        "walkers": chains.x.shape[2],
        "steps": chains.steps,
        "burn": chains.burn,
        "acceptance": chains.acceptance,
        "likelihood_calls": chains.calls,
        "effective_samples": worst,
        "effective_samples_per_call": worst / max(chains.calls, 1),
        "stopped": chains.stopped,
        "largest_r_hat": max(q.r_hat for q in quantities),
        "quantities": [
            {
                "name": q.name,
                "r_hat": q.r_hat,
                "ess_bulk": q.ess_bulk,
                "ess_tail": q.ess_tail,
                "autocorrelation_steps": q.autocorrelation.steps,
                "verdict": q.verdict,
            }
            for q in quantities
        ],
    }


def nuisance_entries(unknowns: Unknowns, values: FloatArray) -> list[dict[str, object]]:
    """Prior and posterior of every nuisance; values (N, D) are draws in SI units, the source's three columns first."""
    return [
        {
            "name": n.name,
            "prior_mean": n.mean,
            "prior_sd": n.value_sd,
            "mean": values[:, column].mean(),
            "sd": values[:, column].std(),
            "either_sign": either_sign(values[:, column]) if n.mean == 0 else None,
            "unit": n.unit,
        }
        for column, n in enumerate(unknowns.nuisances, 3)
    ]


def either_sign(values: FloatArray) -> dict[str, float] | None:
    """Mean and spread of the modulus of draws (N,), if they stand on both sides of zero and none near it; else None."""
    modulus = np.abs(values)
    mean, sd = float(modulus.mean()), float(modulus.std())
    fewer = min(np.mean(values > 0), np.mean(values < 0))
    return {"mean": mean, "sd": sd} if fewer > RARE_SIGN and mean > APART_SD * sd else None


def wiring_entries(study: Study, wiring: Wiring) -> list[dict[str, object]]:
    """Which pump port is which, per isolator."""
    return [
        {
            "isolator": iso.name,
            "pump_port_1_phase": "+90 deg" if wiring.signs[n] > 0 else "-90 deg",
            "stated": wiring.stated[n],
            "log_odds": wiring.log_odds[n],
        }
        for n, iso in enumerate(study.isolators)
    ]


def answer_provenance(study: Study, data_hash: str, settings: OrientSettings) -> Provenance:
    """What it takes to make the answer again."""
    options = {"effective": settings.wanted_ess, "max_time": settings.max_seconds}
    if not settings.jumping:
        options["jumping"] = 0.0
    return Provenance(study.sha256, data_hash, settings.seed, options)
