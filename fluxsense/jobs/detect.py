"""Source or none, with what confidence, which direction, and what would be missed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, TypedDict, Unpack, cast

import numpy as np
import numpy.typing as npt

from fluxsense.base.beside import Beside, aside
from fluxsense.base.errors import InputError
from fluxsense.base.executors import Processes
from fluxsense.base.findings import Finding, Verdict
from fluxsense.base.sphere import angle_between_rad, angles_from_vector, unit_vectors
from fluxsense.base.streams import stream
from fluxsense.data.campaign import load_votes
from fluxsense.data.counts import votes_from_rows
from fluxsense.data.digest import Digest
from fluxsense.detection import evidence, probabilities, sequential
from fluxsense.detection import experiment as trials
from fluxsense.detection.counted import CountCampaign, drawn_counts
from fluxsense.detection.detect import (
    SourceModels,
    compare_count_sources,
    compare_sources,
    planned_likelihood,
)
from fluxsense.detection.linear import (
    DrawnCampaign,
    LinearCampaign,
    WeakSource,
    drawn_campaigns,
    information_by_repeats,
    linear_campaign,
    score_statistic,
    simulated_statistics,
)
from fluxsense.detection.stored import Identity, Stored, load_stored, stored_counts
from fluxsense.device.chip import check_geometry
from fluxsense.infer.counts import VoteProblem, without_source
from fluxsense.infer.modes import find_modes
from fluxsense.infer.orient import measured_isolators, settled_null
from fluxsense.jobs.folder import held, keep, ready, write_figures
from fluxsense.jobs.options import DetectOptions, DetectSettings, Progress, Promise, whole_number
from fluxsense.jobs.orient import folder_digest, orient_folder
from fluxsense.jobs.orient_counts import orient_votes
from fluxsense.jobs.result import Provenance, Result, as_study, make_document
from fluxsense.jobs.simulate import draw_truth, simulate_digest, simulate_directions
from fluxsense.model.priors import integrated_arrays
from fluxsense.model.problem import CampaignProblem, Problem
from fluxsense.model.unknowns import Unknowns
from fluxsense.report.lines import detection_lines
from fluxsense.report.sentences import sentences
from fluxsense.report.words import KASS_RAFTERY, evidence_sentence, kass_raftery
from fluxsense.study import Study

if TYPE_CHECKING:
    from fluxsense.report.documents import DetectionDocument

FloatArray = npt.NDArray[np.float64]

REPEAT_FACTORS = (0.25, 1.0, 8.0, 64.0)
ROC_POINTS = (0.003, 0.01, 0.03, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9)
NUISANCE_DRAWS = 4
"""Sets of nuisances drawn from their priors over which the statements on the experiment are averaged."""
CLEAR = 100.0
"""Log Bayes factor beyond which the evidence of no source need not be known sharply."""
RESOLVED = 10
"""The smallest angle resolved is told for a source that many times the smallest size; of counts, which bend before, for that size."""


@dataclass(frozen=True, repr=False)
class Detection(Result):
    """The result of `detect`.

    Attributes
    ----------
    campaign : WeakSource
        The campaign to first order in the source: a `LinearCampaign`, or a `CountCampaign` of directions.
    """

    KIND: ClassVar[str] = "detection"

    campaign: WeakSource

    def lines(self) -> list[str]:
        return detection_lines(cast("DetectionDocument", self.document))


def detect(
    study: Study | str | Path,
    digest: Digest | None = None,
    stored: Stored | None = None,
    **options: Unpack[DetectOptions],
) -> Detection:
    """Say with what confidence a campaign shows a source and its direction, and what it would have missed.

    Parameters
    ----------
    study : Study or path
    digest : Digest, optional
        Measured, or simulated without a source for a planned experiment; without it and without a log, that is done here.
    stored : Stored, optional
        What `orient` left, of this study and digest; not needed for a planned experiment.
    seed : int
    promise : Promise
    toward : sequence of array_like (3,)
        Exact directions to compare with each other; the candidates of a study with a list of directions come first.
    against : Study or path, optional
        A study with another source model, to be weighed against this one.
    simulations : int
        Campaigns simulated with and without a source, beside the approximation; 0 for none.
    planned : bool
        Leave out what only data can tell.
    progress : callable, optional
        Called with (what, share done, detail).
    executor : concurrent.futures.Executor or fluxsense.base.executors.Processes, optional
        Where campaigns are simulated; the result is the same anywhere.

    Returns
    -------
    Detection

    Raises
    ------
    InputError
        If the data are of another kind, or the stored posterior does not belong to study and digest.
    """
    return _detect(as_study(study), digest, stored, DetectSettings(**options))


def _detect(
    study: Study, digest: Digest | None, stored: Stored | None, asked: DetectSettings, helper: Beside | None = None
) -> Detection:
    """`detect`, with a second process if there is one."""
    if study.data.of_counts:
        return _detect_in_counts(study, asked)
    planned = asked.planned
    if digest is None:
        digest = planned_digest(study, asked.seed)
        planned = True
    if not planned and (stored is None or not stored.fits(study, digest)):
        raise InputError(
            "the stored posterior belongs to another study or other traces",
            where=study.path.name,
            remedy="Run fluxsense orient again",
        )
    measured = None if stored is None or planned else stored
    if measured is None:
        _refuse_comparisons(study, asked)
    body, doubts, campaign = _parts(study, digest, measured, asked, helper)
    verdict = Verdict.of(doubts, "sound plan of detection" if planned else "sound evidence")
    provenance = Provenance(study.sha256, digest.content_hash(), asked.seed, _asked_for(asked, stored))
    document = make_document(Detection, study, verdict, provenance, body)
    document["provenance"]["orient_seed"] = None if stored is None else stored.seed
    return Detection(document, study, verdict, campaign)


def _refuse_comparisons(study: Study, asked: DetectSettings) -> None:
    """A planned experiment has nothing to compare directions or source models with."""
    if asked.toward or asked.against is not None:
        raise InputError(
            "there are no sweeps to compare directions or source models with",
            where=str(study.log),
            remedy="Leave out --toward and --against for a planned experiment",
        )


def _parts(
    study: Study, digest: Digest, stored: Stored | None, asked: DetectSettings, helper: Beside | None
) -> tuple[dict[str, object], list[Finding], LinearCampaign]:
    """The document's body, what leaves a doubt, and the campaign to first order; without `stored` for a planned experiment."""
    body: dict[str, object] = {
        "planned": stored is None,
        "promised": {"false_alarm": asked.promise.false_alarm, "detection": asked.promise.detection},
        "unit": study.source.unit,
    }
    doubts: list[Finding] = []
    measuring: Callable[[], tuple[dict[str, object], list[Finding]]] | None = None
    if stored is None:
        likelihood = planned_likelihood(study, digest)
    else:
        problem = stored.problem(study, digest)
        likelihood = problem.likelihood
        # what the data say and what the experiment sees need nothing of each other
        told = asked if helper is None else replace(asked, progress=None, executor=None)
        measuring = aside(helper, _measured_part, study, problem, stored, told)
    asked.say("the experiment")
    # at prior means: what such an experiment sees on average over its nuisances, whatever these data were
    quiet = Unknowns(
        study,
        likelihood.cooldowns,
        measured_isolators(study, digest),
        with_source=False,
        leave_out=integrated_arrays(study),
    )
    likelihood = likelihood.rebuilt(tamed=())
    campaign = linear_campaign(study, digest, likelihood, at=np.zeros(quiet.size))
    taken = float(np.median([g.count for k, g in digest.items() if k.pump_on]))
    repeats = _Repeats(campaign, information_by_repeats(campaign), taken)
    experiment = _experiment_part(
        study, lambda rng: drawn_campaigns(study, digest, campaign, rng, NUISANCE_DRAWS), repeats, asked
    )
    if measuring is not None:
        part, doubts = measuring()
        body |= part
    body["experiment"] = experiment
    if stored is not None:
        fitted = linear_campaign(study, digest, likelihood)
        rng = stream(asked.seed, "detect: statistic without a source")
        body["statistic"] = _statistic_part(fitted, experiment["thresholds"], rng)
        if asked.against is not None:
            compare = partial(compare_sources, digest=digest)
            body["source_models"], more = _models_part(study, as_study(asked.against), compare, asked)
            doubts += more
    return body, doubts, campaign


def _detect_in_counts(study: Study, asked: DetectSettings) -> Detection:
    """`detect` of counts of transmission, of the study's log or, if there is none, of the campaign that it plans."""
    planned = asked.planned or not study.log.exists()
    body: dict[str, object] = {
        "planned": planned,
        "promised": {"false_alarm": asked.promise.false_alarm, "detection": asked.promise.detection},
        "unit": study.source.unit,
    }
    doubts: list[Finding] = []
    stored: Stored | None = None
    if planned:
        _refuse_comparisons(study, asked)
        rows = simulate_directions(study, draw_truth(study, asked.seed, source=(0.0, 0.0, 0.0)))
        votes, data_hash = votes_from_rows(rows, study.path.parent)
        cooldowns = tuple(sorted({k.cooldown for k in votes}))
        problem = VoteProblem(Unknowns(study, cooldowns), votes, [x.pump_port_1_sign or 1 for x in study.isolators])
        problem = VoteProblem(Unknowns(study, cooldowns, problem.measured), votes, problem.model.signs)
    else:
        votes, data_hash = load_votes(study)
        answer = orient_votes(study, votes, data_hash=data_hash, seed=asked.seed, progress=asked.progress)
        reasons = sentences(answer.verdict.reasons)
        identity = Identity(study.sha256, data_hash)
        stored = stored_counts(answer.posterior, identity, answer.verdict.trust, reasons)
        problem = VoteProblem(answer.posterior.problem.unknowns, votes, stored.port_signs)
        part, doubts = _measured_part(study, problem, stored, asked)
        body |= part
        if asked.against is not None:
            compare = partial(compare_count_sources, votes=votes, signs=stored.port_signs)
            body["source_models"], more = _models_part(study, as_study(asked.against), compare, asked)
            doubts += more
    asked.say("the experiment")
    none = without_source(problem)
    campaign = CountCampaign(none)
    taken = float(np.median([v.count for v in votes.values()]))
    repeats = _Repeats(campaign, campaign.information_by_repeats(), taken, resolved=1)
    body["experiment"] = experiment = _experiment_part(
        study, lambda rng: drawn_counts(campaign, rng, NUISANCE_DRAWS), repeats, asked
    )
    experiment["repeats_fall"]["without_flux_noise"] = None  # there is no law without it
    if stored is not None:
        fitted = CountCampaign(none, campaign.measured_score()[1])
        rng = stream(asked.seed, "detect: statistic of counts without a source")
        body["statistic"] = _statistic_part(fitted, experiment["thresholds"], rng)
    verdict = Verdict.of(doubts, "sound plan of detection" if planned else "sound evidence")
    provenance = Provenance(study.sha256, data_hash, asked.seed, _asked_for(asked, stored))
    document = make_document(Detection, study, verdict, provenance, body)
    document["provenance"]["orient_seed"] = None if stored is None else stored.seed
    return Detection(document, study, verdict, campaign)


def _asked_for(asked: DetectSettings, stored: Stored | None) -> dict[str, object]:
    """The options that the result depends on."""
    out: dict[str, object] = {"simulations": asked.simulations, "orient_seed": None if stored is None else stored.seed}
    if asked.toward:
        out["toward"] = [np.asarray(v, dtype=np.float64) for v in asked.toward]
    if asked.against is not None:
        out["against_study_hash"] = as_study(asked.against).sha256
    return out


def planned_digest(study: Study, seed: int) -> Digest:
    """The digest of the campaign that a study plans, simulated without a source."""
    return simulate_digest(study, draw_truth(study, seed, source=(0.0, 0.0, 0.0)))


def detect_folder(
    study: Study | str | Path,
    folder: Path,
    *,
    workers: int = 1,
    figures: bool = False,
    tell: Callable[[Detection], None] | None = None,
    helper: Beside | None = None,
    **options: Unpack[DetectOptions],
) -> tuple[Detection, Path]:
    """`detect` with what `orient` left in a folder (inferred there first if need be), and the files that the command leaves.

    Parameters
    ----------
    study : Study or path
    folder : Path
    workers : int
        Processes that read traces and simulate campaigns; the result is the same.
    figures : bool
        Whether to write every figure as PDF and SVG too.
    tell : callable, optional
        Called with the result as soon as it is on file, before the page is.
    helper : Beside, optional
        A second process (`fluxsense.base.beside`), which weighs what the data say and draws; the result is the same.
    **options
        As for `detect`.

    Returns
    -------
    Detection
    Path
        The page with the section on confidence.

    Raises
    ------
    InputError
        As `detect`.
    """
    study, asked = as_study(study), DetectSettings(**options)
    whole_number("--workers", workers, 1)
    other = None if asked.against is None else as_study(asked.against)
    check_geometry(study)
    ready(folder)
    asked = replace(asked, against=other, executor=Processes(workers) if workers > 1 else None)
    digest = stored = None
    if study.log.exists() and not study.data.of_counts:
        digest = folder_digest(study, folder, asked.progress, workers)
        stored = _stored_for(study, digest, folder, asked, helper)
    found = _detect(study, digest, stored, asked, helper)
    with held(folder):
        keep(folder / "detection.json", found.document)
        if tell is not None:
            tell(found)
        document = cast("DetectionDocument", found.document)
        if figures:
            from fluxsense.report.confidence import detection_figures

            write_figures(detection_figures(document), folder)
        return found, aside(helper, _write_section, folder, document)()


def _write_section(folder: Path, document: DetectionDocument) -> Path:
    """The section on confidence, written into the report or into a page of its own; which."""
    from fluxsense.report.confidence import write_section  # matplotlib is slow to import

    return write_section(folder / "report.html", folder / "detection.html", document)


def _stored_for(study: Study, digest: Digest, folder: Path, asked: DetectSettings, helper: Beside | None) -> Stored:
    """The posterior that `orient` left for this study and digest; inferred now, with a word why, if there is none."""
    path, why = folder / "posterior.npz", "no results of orient"
    stored = None
    if path.exists():
        try:
            stored = load_stored(path)
        except InputError as fault:
            why = str(fault).rstrip(".")
    if stored is not None:
        changed = stored.differences(study, digest)
        if not changed:
            return stored
        why = f"the results of orient are of {changed}"
    asked.say(f"{why}: inferring first")
    page = (folder / "report.html").exists()  # an old page would tell of an old result
    orient_folder(study, folder, report=page, helper=helper, seed=asked.seed, progress=asked.progress)
    return load_stored(path)


# ---------------------------------------------------------------- parts of the document


def _measured_part(
    study: Study, problem: CampaignProblem | VoteProblem, stored: Stored, asked: DetectSettings
) -> tuple[dict[str, object], list[Finding]]:
    """What the data say, and what leaves a doubt about it."""
    level = {"reliable": 0, "tentative": 1, "unusable": 2}[stored.trust]
    doubts = [Finding("said", level, text=text) for text in stored.reasons] if level else []
    part, more = _evidence_part(problem, stored, stream(asked.seed, "detect: evidence"), asked.say)
    doubts += more
    part["direction"] = _direction_part(problem, stored)
    candidates = [*study.source.direction.candidates, *asked.toward]
    if candidates:
        rng = stream(asked.seed, "detect: directions compared")
        part["directions"], more = _compare_directions(problem, stored, candidates, rng, asked.say)
        doubts += more
    return part, doubts


def _models_part(
    first: Study, second: Study, compare: Callable[..., SourceModels], asked: DetectSettings
) -> tuple[dict[str, object], list[Finding]]:
    """This study's source model against another's, on the data that `compare` holds."""
    asked.say("comparing source models")
    found = compare(first, second, seed=asked.seed)
    return {
        "log_bayes_factor": found.log_bayes_factor,
        "sd": found.sd,
        "agree": not found.doubts,
        "reasons": sentences(found.doubts),
        "sentence": evidence_sentence(found.log_bayes_factor, found.sd, f'"{first.title}"', f'"{second.title}"'),
        "first": _evidence_entry(found.first),
        "second": _evidence_entry(found.second),
    }, list(found.doubts)


def _estimate(e: evidence.Estimate) -> dict[str, object]:
    return {"log_evidence": e.log_value, "sd": e.sd, "effective_draws": e.effective}


def _evidence_entry(e: evidence.Evidence) -> dict[str, object]:
    return {
        "importance": _estimate(e.importance),
        "bridge": _estimate(e.bridge),
        "difference": e.difference,
        "agree": e.agrees,
    }


def _evidence_part(
    problem: CampaignProblem | VoteProblem, stored: Stored, rng: np.random.Generator, say: Progress
) -> tuple[dict[str, object], list[Finding]]:
    say("evidence of a source", 0.0, "")
    proposal = stored.proposal.of(problem)
    source, _ = evidence.weigh(
        problem,
        rng,
        evidence.Effort(draws=3000, enough=300, reduce=False),
        proposal=proposal,
        posterior=(stored.x, stored.log_posterior),
    )
    say("evidence of no source", 0.0, "")
    none_problem = without_source(problem) if isinstance(problem, VoteProblem) else settled_null(problem)
    modes = find_modes(none_problem, rng)
    clear = bool(modes) and source.log_value - modes[0].log_evidence > CLEAR
    effort = evidence.Effort(fit_draws=500, fit_rounds=3)
    if clear:  # far beyond doubt: neither many draws nor the reduced likelihood (the misfit is too large) are of use
        effort = evidence.Effort(1000, enough=120, fit_draws=300, fit_rounds=2, steps=24, walkers=2, reduce=False)
    none, _ = evidence.weigh(none_problem, rng, effort, modes=modes or None)
    say("prior sensitivity", 0.0, "")
    moved = evidence.prior_sensitivity(problem, proposal, rng, draws=600, drawn=source.drawn)
    factor = source.log_value - none.log_value
    sd = float(np.hypot(source.sd, none.sd))
    bridged = source.bridge.log_value - none.bridge.log_value
    doubts = [d for d in (source.doubt("a source"), none.doubt("no source")) if d is not None]
    part = {
        "log_bayes_factor": factor,
        "log_bayes_factor_sd": sd,
        "log_bayes_factor_bridge": bridged,
        "scale": KASS_RAFTERY,
        "grade": kass_raftery(factor),
        "evidence": {"source": _evidence_entry(source), "none": _evidence_entry(none)},
        "prior_sensitivity": [
            {
                "size_prior_times": s.factor,
                "log_bayes_factor": factor + s.change,
                "change": s.change,
                "sd": s.sd,
                "effective_draws": s.effective,
                "grade": kass_raftery(factor + s.change),
            }
            for s in moved
        ],
    }
    return part, doubts


def _entry(p: probabilities.Probability) -> dict[str, float]:
    return {"probability": p.value, "sd": p.sd, "smallest": p.smallest}


def _direction_part(problem: Problem, stored: Stored) -> dict[str, object]:
    vectors = problem.unknowns.source(stored.x.reshape(-1, stored.x.shape[-1]))
    sizes = np.sqrt(np.sum(vectors**2, axis=1))
    unit = (vectors / np.where(sizes > 0, sizes, 1.0)[:, None]).reshape(*stored.x.shape[:3], 3)
    mean = unit.reshape(-1, 3).mean(axis=0)
    # the middle of the posterior: the draw nearest the mean direction stands in where the mean vanishes
    axis = unit_vectors(mean) if np.sqrt(mean @ mean) > 1e-3 else unit.reshape(-1, 3)[0]
    n = stored.effective
    azimuth, elevation = angles_from_vector(axis)
    cones = {
        f"{deg:g}": _entry(probabilities.within_cone(unit, axis, np.radians(deg), n)) for deg in (1.0, 5.0, 20.0, 90.0)
    }
    signs = {name: _entry(probabilities.wrong_sign(unit, np.eye(3)[k], n)) for k, name in enumerate(("x", "y", "z"))}
    return {
        "azimuth_deg": float(np.degrees(azimuth)),
        "elevation_deg": float(np.degrees(elevation)),
        "within_cone_deg": cones,
        "nearer_than_its_reverse": _entry(probabilities.nearer(unit, axis, -axis, n)),
        "wrong_sign": signs,
        "size_quantiles": dict(zip(("5%", "50%", "95%"), np.quantile(sizes, (0.05, 0.5, 0.95)), strict=True)),
    }


def _compare_directions(
    problem: CampaignProblem | VoteProblem,
    stored: Stored,
    candidates: Sequence[npt.ArrayLike],
    rng: np.random.Generator,
    say: Progress,
) -> tuple[list[dict[str, object]], list[Finding]]:
    found, doubts = [], []
    effort = evidence.Effort(1000, fit_draws=400, fit_rounds=3, steps=60, walkers=2)
    likely = stored.x.reshape(-1, stored.x.shape[-1])[int(np.argmax(stored.log_posterior))]
    for n, direction in enumerate(candidates):
        say("comparing directions", n / len(candidates), f"{n} of {len(candidates)}")
        vector = unit_vectors(np.asarray(direction, dtype=np.float64))
        line = evidence.direction_problem(problem, vector)
        azimuth, elevation = (float(np.degrees(x)) for x in angles_from_vector(vector))
        name = f"azimuth {azimuth:.4g}, elevation {elevation:.4g} degrees"
        modes = evidence.line_modes(line, likely[problem.unknowns.lead :])
        if not modes:
            raise InputError(f"the direction {name} does not explain the data at all", remedy="Check the priors")
        value, _ = evidence.weigh(line, rng, effort, modes=modes)
        if (doubt := value.doubt(name)) is not None:
            doubts.append(doubt)
        found.append((name, azimuth, elevation, vector, value))
    p = probabilities.list_probabilities([f[4].log_value for f in found])
    best = int(np.argmax(p))
    return [
        {
            "name": name,
            "azimuth_deg": azimuth,
            "elevation_deg": elevation,
            "vector": vector,
            "probability_in_list": p[n],
            "log_bayes_factor_to_best": value.log_value - found[best][4].log_value,
            "sd": float(np.hypot(value.sd, found[best][4].sd)) if n != best else 0.0,
            "angle_to_best_deg": float(np.degrees(angle_between_rad(vector, found[best][3]))),
            **_evidence_entry(value),
        }
        for n, (name, azimuth, elevation, vector, value) in enumerate(found)
    ], doubts


@dataclass(frozen=True)
class _Repeats:
    """A campaign at prior means, its information for other numbers of repeats, the median number of those taken, and `RESOLVED`."""

    campaign: WeakSource
    information_at: Callable[[float, str], FloatArray]
    taken: float
    resolved: float = RESOLVED


class _Growth(TypedDict):
    """How what is seen grows with the number of repeats, and what stopping early would save."""

    repeats_fall: dict[str, object]
    growth: dict[str, object]
    sequential: dict[str, object]


class _Thresholds(TypedDict):
    """What the statistic has to exceed, by what is known of the source."""

    known: float
    unknown_direction: float
    unknown_direction_and_position: float
    upper_bound: float
    degrees: int
    degrees_of_all_positions: float
    local_false_alarm: float


class _Experiment(_Growth):
    """What the experiment sees and misses."""

    repeats: float
    smallest_size: dict[str, object]
    thresholds: _Thresholds
    roc: dict[str, object]
    simulated: dict[str, object] | None
    smallest_angle_deg: dict[str, object]
    detection_against_size: dict[str, object]


def _experiment_part(
    study: Study,
    draw: Callable[[np.random.Generator], Sequence[DrawnCampaign]],
    repeats: _Repeats,
    asked: DetectSettings,
) -> _Experiment:
    """What the experiment sees and misses, whatever these data were; draw gives campaigns with nuisances from their priors."""
    rates, campaign = asked.promise, repeats.campaign
    rng = stream(asked.seed, "detect: the experiment")
    m = campaign.block()
    drawn = draw(rng)
    gains = np.array([np.trace(d.campaign.block()) for d in drawn]) / np.trace(m)
    scores = trials.ScoreDraws.of(
        [d.campaign.information for d in drawn],
        rng,
        int(np.clip(300 / rates.false_alarm, 20_000, 400_000)),
        len(campaign.positions_m),
    )
    look = trials.look_elsewhere(campaign.information, rates.false_alarm, rng, drawn=scores)
    smallest = trials.smallest_size(m, rates.false_alarm, rates.detection, look.position, gains)
    size = scores.smallest(look.position, rates.detection)
    seen = bool(np.isfinite(size))
    probe = size if seen else smallest.best
    best, scale = smallest.best_direction, study.source.size
    roc = trials.predicted_roc(campaign.information, probe, scores, ROC_POINTS, gains)
    angle = trials.smallest_angle(m, repeats.resolved * probe * best)
    sizes = probe * np.linspace(0.05, 2.0, 40)
    return {
        "repeats": repeats.taken,
        "smallest_size": {
            "random_direction": size * scale if seen else None,
            "best_direction": smallest.best * scale,
            "worst_direction": smallest.worst * scale if np.isfinite(smallest.worst) else None,
            "best_vector": best,
            "worst_vector": smallest.worst_direction,
        },
        "thresholds": {
            "known": look.known,
            "unknown_direction": look.direction,
            "unknown_direction_and_position": look.position,
            "upper_bound": look.upper,
            "degrees": look.degrees,
            "degrees_of_all_positions": look.degrees_all,
            "local_false_alarm": look.local_probability,
        },
        "roc": {
            "size": probe * scale,
            "false_alarm": roc.false_alarm,
            "known": roc.known,
            "unknown_direction": roc.direction,
            "unknown_direction_and_position": roc.position,
        },
        "simulated": _simulated_part(drawn, probe * scale, look.position, asked),
        "smallest_angle_deg": {
            "at_size": repeats.resolved * probe * scale,
            "wrong_choice": 0.05,
            "best": np.degrees(angle.best),
            "worst": np.degrees(angle.worst),
        },
        "detection_against_size": {
            "size": sizes * scale,
            "probability": [scores.detection(float(s), look.position) for s in sizes],
        },
        **_repeats_part(repeats, probe, best, scale, rates),
    }


def _simulated_part(
    drawn: Sequence[DrawnCampaign], size: float, threshold: float, asked: DetectSettings
) -> dict[str, object] | None:
    """Rates counted over simulated campaigns without a source and with one of that size; None if none are wanted."""
    count, rates = asked.simulations, asked.promise
    if count == 0:
        return None
    asked.say("simulating campaigns")
    null, hit = (
        simulated_statistics(drawn, count, s, stream(asked.seed, "detect: simulated campaigns", n), asked.executor)
        for n, s in enumerate((0.0, size))
    )
    alarm, caught = float(np.mean(null >= threshold)), float(np.mean(hit >= threshold))
    return {
        "campaigns": count,
        "false_alarm": alarm,
        "false_alarm_sd": float(np.sqrt(rates.false_alarm * (1 - rates.false_alarm) / count)),
        "detection": caught,
        "detection_sd": float(np.sqrt(max(caught * (1 - caught), 1 / count) / count)),
        "roc": trials.empirical_roc(null, hit, ROC_POINTS),
    }


def _repeats_part(repeats: _Repeats, probe: float, best: FloatArray, scale: float, rates: Promise) -> _Growth:
    """How what is seen grows with the number of repeats, and what stopping early would save."""
    information_at, taken = repeats.information_at, repeats.taken
    fall = trials.fall_with_repeats(
        information_at, REPEAT_FACTORS, repeats.resolved * probe * best, rates.false_alarm, rates.detection
    )
    miss = 1 - rates.detection
    per_repeat = float(probe**2 * np.trace(information_at(1.0, "white")) / 3 / taken)
    d = float(np.sqrt(per_repeat))
    limits = sequential.Limits.of(rates.false_alarm, miss)
    batches = sequential.operating(limits, d)
    growing = np.geomspace(REPEAT_FACTORS[0], REPEAT_FACTORS[-1], 25)
    white = [information_at(f, "white") for f in growing]
    return {
        "repeats_fall": {
            "repeats": [taken * f for f in fall.repeats],
            "smallest_size": fall.size * scale,
            "without_flux_noise": fall.without_flux_noise * scale,
            "slow_flux_noise": fall.slow_flux_noise * scale,
            "smallest_angle_deg": np.degrees(fall.angle_rad),
            "floor": fall.floor * scale,
        },
        "growth": {
            "size": 2 * probe * scale,
            "repeats": [taken * f for f in growing],
            "expected_log_bayes_factor": [trials.expected_log_bayes_factor(w, 2 * probe * best) for w in white],
            "expected_without_source": [trials.expected_log_bayes_factor_without(w) for w in white],
        },
        "sequential": {
            "size": probe * scale,
            "distance_per_repeat": d,
            "upper": limits.upper,
            "lower": limits.lower,
            "mean_repeats_with_source": batches.with_source,
            "mean_repeats_without": batches.without,
            "fixed_plan_repeats": max(sequential.fixed_information(rates.false_alarm, miss) / per_repeat, 1.0),
        },
    }


def _statistic_part(campaign: WeakSource, thresholds: _Thresholds, rng: np.random.Generator) -> dict[str, object]:
    score, _ = campaign.measured_score()
    value = float(campaign.statistic(score))
    local = float(trials.exceedance(value, 0.0, thresholds["degrees"]))
    draws = 20_000
    null = score_statistic(campaign.information, trials.draw_scores(rng, campaign.information, draws))
    beyond = float(np.mean(null >= value))
    return {
        "value": value,
        "local_probability": local,
        "probability": beyond,
        "probability_sd": float(np.sqrt(max(beyond, 1 / draws) / draws)),
        "smallest": 3 / draws,
        "linear_log_bayes_factor": float(campaign.log_bayes_factor(score)),
        "exceeds_threshold": bool(value >= thresholds["unknown_direction_and_position"]),
    }
