"""Before measuring: working points, split of sweeps, time, frequencies, and what cannot be told apart."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, TypedDict, Unpack, cast

import numpy as np
import numpy.typing as npt

from fluxsense.base.beside import Beside, aside
from fluxsense.base.errors import InputError
from fluxsense.base.findings import Finding
from fluxsense.design.ambiguity import AmbiguityMap, ambiguity_findings, ambiguity_map, information_finding
from fluxsense.design.information_gain import chip_gain
from fluxsense.design.known_source import SOURCE, KnownSourcePlan, known_source_findings, known_source_plan
from fluxsense.design.schedule import (
    FrequencyShares,
    Schedule,
    TimeToErrorRate,
    best_schedule,
    check_rate,
    frequency_shares,
    sweeps_of,
    time_to_error,
    time_to_error_rate,
    with_sweeps,
)
from fluxsense.design.sensitivity import (
    Experiment,
    direction_points,
    planned_experiment,
    predict,
    search_count,
)
from fluxsense.design.working_point import Effort, WorkingPoint, best_working_point, landscape, within_limits
from fluxsense.device.chip import check_geometry
from fluxsense.jobs.folder import held, ready
from fluxsense.jobs.options import PlanOptions, PlanSettings
from fluxsense.jobs.proposal import VALIDATION_POINTS, Proposal, prediction_verdict, write_proposal
from fluxsense.jobs.readout import NEAR_SELF_KERR, probe_proposal, readout_part
from fluxsense.jobs.result import Provenance, as_study, make_document
from fluxsense.jobs.simulate import simulate_digest, stated_truth
from fluxsense.model.priors import expected_walk_phi0
from fluxsense.report.proposals import CAUTION, plan_lines
from fluxsense.report.sentences import sentence, sentences
from fluxsense.study import Study

if TYPE_CHECKING:
    from fluxsense.report.documents import PlanDocument, ReadoutBody

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, repr=False)
class Plan(Proposal):
    """What `plan` proposes.

    Its study has the proposed settings and probe power; the split of sweeps stands in the document only, since a study's plan repeats all
    settings equally often.
    """

    KIND: ClassVar[str] = "plan"

    def lines(self) -> list[str]:
        return plan_lines(cast("PlanDocument", self.document))


def plan(study: Study | str | Path, **options: Unpack[PlanOptions]) -> Plan:
    """Working points, split of sweeps, time, frequencies and ambiguities of a study's planned experiment.

    Parameters
    ----------
    study : Study or path
    seed : int
    wanted_deg : float, optional
        Angular error wanted; half the present one by default.
    wanted_rate : float, optional
        Probability wanted of mistaking a direction for its reverse, or a listed candidate for another.
    thorough : int
        Factor on the evaluations of the search for working points.
    progress : callable, optional
        Called with (what, share done, detail).

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        If the study has no setting or an impossible geometry, or an option makes no sense.
    """
    return _plan(as_study(study), PlanSettings(**options))


def _plan(study: Study, asked: PlanSettings, helper: Beside | None = None) -> Plan:
    """`plan`, with a second process if there is one."""
    check_geometry(study)
    if not study.settings:
        raise InputError(
            "the study defines no settings to plan with", where=study.path.name, remedy="Add a [[setting]]"
        )
    seed = asked.seed
    unknowns = planned_experiment(study).unknowns
    if asked.wanted_rate is not None:
        check_rate(asked.wanted_rate, unknowns)
    few = direction_points(unknowns, search_count(study, 4), seed)
    looking = aside(helper, landscape, study, few[: search_count(study, 2)], 0, nodes=9)
    point, proposed, before, after = _working_points(
        study, direction_points(unknowns, search_count(study, 6), seed), asked
    )
    probe = probe_proposal(proposed)
    if probe.study is not proposed:
        proposed, after = probe.study, _error_entry(probe.study, seed)
    rivals = aside(helper, _not_told_apart, proposed)
    asked.say("splitting sweeps")
    coarse = planned_experiment(proposed, most_points=15)
    schedule = best_schedule(coarse, few, most_steps=150)
    asked.say("time and frequencies")
    counts = study.data.of_counts  # of which all frequencies of a sweep make one direction, and no flux is read back
    shares = None if counts else frequency_shares(planned_experiment(proposed), few)
    times = _time_entries(coarse, schedule, few, asked)
    asked.say("expected information gain")
    gain = chip_gain(coarse, outer=24, inner=100, seed=seed)
    asked.say("read-out")
    readout = readout_part(proposed, _pump_limit_w(proposed))
    notes = [*probe.findings, *(() if readout is None else (f for f in readout.findings if f.code != NEAR_SELF_KERR))]
    asked.say("a known source as a blind test")
    source = study.source.size * np.array(SOURCE)
    known = None
    if not counts:
        known = known_source_plan(proposed, lambda x: simulate_digest(x, stated_truth(x, source, seed)))
    # matplotlib is slow to import, and by now the second process has work to do
    from fluxsense.report.design import (
        draw_ambiguity,
        draw_frequency_shares,
        draw_landscape,
        draw_pump_power,
        draw_schedule,
    )

    figures = {"schedule": draw_schedule(schedule)}
    if shares is not None:
        figures["frequencies"] = draw_frequency_shares(shares)
    asked.say("landscape")
    figures["landscape"] = draw_landscape(looking())
    asked.say("what cannot be told apart")
    unresolved, map_of = rivals()
    body = {
        "seed": seed,
        "error_now": before,
        "error_proposed": after,
        "improvement": before["mean_deg"] / after["mean_deg"],
        **_setting_entries(study, proposed, point),
        "schedule": _schedule_entry(schedule, coarse),
        **times,
        "frequencies": None if shares is None else _frequency_entry(shares, study),
        "information_gain_nats": {
            "lower": gain.lower, "upper": gain.upper, "lower_sd": gain.lower_sd, "upper_sd": gain.upper_sd
        },
        "source_unit": study.source.unit,
        "leaves_out": sentences(left_out(study)),
        "determined": sentence(information_finding(coarse, np.array(SOURCE))),
        "ambiguities": sentences(unresolved),
        "readout": None if readout is None else readout.body,
        "readout_notes": sentences(notes),
        "probe": probe.body,
        "known_source": _known_source_entry(known),
        "caution": CAUTION,
    }  # fmt: skip
    figures["ambiguity"] = draw_ambiguity(map_of)
    if readout is not None:
        figures["pump"] = draw_pump_power(cast("ReadoutBody", readout.body)["against_pump_power"])
    verdict = prediction_verdict(after["prediction_valid"])
    asked_for = {"error": asked.wanted_deg, "error_rate": asked.wanted_rate, "thorough": asked.thorough}
    provenance = Provenance(study.sha256, seed=seed, options=asked_for)
    found = proposed if known is None else known.study
    shown = {name: figures[name] for name in ORDER if name in figures}
    return Plan(make_document(Plan, study, verdict, provenance, body), study, verdict, found, shown)


ORDER = ("landscape", "ambiguity", "schedule", "frequencies", "pump")
"""Of the figures in the page."""


def _not_told_apart(proposed: Study) -> tuple[list[Finding], AmbiguityMap]:
    """What the proposed experiment cannot tell apart, and how one direction stands against all others."""
    unresolved = ambiguity_findings(proposed, points=60)
    return unresolved, ambiguity_map(planned_experiment(proposed, most_points=15), np.array(SOURCE), points=120)


def plan_folder(
    study: Study | str | Path,
    folder: Path,
    *,
    figures: bool = False,
    helper: Beside | None = None,
    **options: Unpack[PlanOptions],
) -> tuple[Plan, list[str]]:
    """`plan`, with the files that the command leaves (with `figures` every figure as PDF and SVG too); also their names.

    With a second process (`fluxsense.base.beside`) as `helper` it is the same, sooner.
    """
    study = as_study(study)
    asked = PlanSettings(**options)
    with held(ready(folder)):
        found = _plan(study, asked, helper)
        return found, write_proposal(found, folder, figures)


def left_out(study: Study) -> list[Finding]:
    """What predictions expect of what no study can state, and what they leave out, unless the study calls all of that exact."""
    if study.data.of_counts:
        return [Finding("prediction of counts")]
    walk = expected_walk_phi0(study)
    return [Finding("prediction leaves out", flux_mphi0=1e3 * walk)] if walk > 0 else []


def _working_points(study: Study, x: FloatArray, asked: PlanSettings) -> tuple[WorkingPoint, Study, _Errors, _Errors]:
    """The best working points found, the study with them if they are better, and the errors before and after."""
    asked.say("predicting")
    before = _error_entry(study, asked.seed)
    effort = Effort(rounds=1, samples=32 * asked.thorough, polish=24 * asked.thorough)
    point = best_working_point(study, x, effort, seed=asked.seed, progress=asked.progress)
    proposed = replace(study, settings=point.settings)
    after = _error_entry(proposed, asked.seed)
    # better at the search's points only: keep what there is
    if after["mean_deg"] > before["mean_deg"] and within_limits(study, study.settings):
        return point, study, before, before
    return point, proposed, before, after


# ---------------------------------------------------------------- entries of the document


def _pump_limit_w(study: Study) -> float:
    """Highest pump power that may be proposed: the study's limit, or the highest in use."""
    stated = study.limits.pump_power_w
    return max(s.pump_power_w for s in study.settings) if stated is None else stated


class _Errors(TypedDict):
    """Angular errors over directions, in degrees."""

    mean_deg: float
    median_deg: float
    worst_deg: float
    mean_if_known_deg: dict[str, float]
    prediction_valid: bool


def _error_entry(study: Study, seed: int) -> _Errors:
    """Angular errors of a study's plan at fresh points, by what is known, with validity."""
    experiment = planned_experiment(study)
    points = direction_points(experiment.unknowns, VALIDATION_POINTS, seed, fresh=True)
    prediction = predict(experiment, points)
    degrees = np.degrees(prediction.angular_error_rad())
    kinds = list(dict.fromkeys(n.group for n in experiment.unknowns.nuisances))
    known = {k: float(np.degrees(np.mean(prediction.angular_error_rad([k])))) for k in kinds}
    if experiment.slow is not None:
        known["drift"] = predict(replace(experiment, slow=None), points).expected_error_deg()
    return {
        "mean_deg": float(np.mean(degrees)),
        "median_deg": float(np.median(degrees)),
        "worst_deg": float(np.max(degrees)),
        "mean_if_known_deg": known,
        "prediction_valid": prediction.valid(),
    }


def _setting_entries(study: Study, proposed: Study, point: WorkingPoint) -> dict[str, object]:
    """The proposed settings, with the isolation that was asked for and where it was not reached."""
    moved = proposed is not study
    isolation = point.isolation_db if moved else [()] * len(study.settings)
    wanted = study.limits.isolation_db
    return {
        "settings": [
            {
                "name": setting.name,
                "isolators": list(setting.isolators),
                "bias_a": {b.name: v for b, v in zip(study.bias_lines, setting.bias_a, strict=True)},
                "pump_port": setting.pump_port,
                "pump_power_w": setting.pump_power_w,
                "pump_frequency_hz": setting.pump_frequency_hz,
                "isolation_db": list(reached),
                "flux_phi0": list(flux),
            }
            for setting, reached, flux in zip(proposed.settings, isolation, point.flux_phi0, strict=False)
        ],
        "isolation_asked_db": wanted,
        "isolation_not_reached": [
            s.name
            for s, reached in zip(proposed.settings, isolation, strict=False)
            if wanted is not None and moved and min(reached, default=math.inf) < wanted
        ],
    }


def _schedule_entry(schedule: Schedule, coarse: Experiment) -> dict[str, object]:
    """The best split of the sweeps."""
    return {
        "candidates": [
            {
                "isolator": c.isolator,
                "setting": c.setting,
                "pump_off_at_bias_of": None if c.setting else c.bias_of,
                "state": c.state,
                "cooldown": c.cooldown,
                "weight": float(w),
                "sweeps": int(n),
            }
            for c, w, n in zip(schedule.candidates, schedule.design.weights, schedule.sweeps, strict=True)
        ],
        "total": int(schedule.sweeps.sum()),
        "total_before": float(sweeps_of(coarse).sum()),
        "equivalence_largest_over_limit": schedule.design.largest / schedule.design.limit,
        "rms_error_equal_split_deg": schedule.error_now_deg,
        "rms_error_best_deg": schedule.error_best_deg,
        "rms_error_whole_numbers_deg": schedule.error_rounded_deg,
    }


def _time_entries(coarse: Experiment, schedule: Schedule, few: FloatArray, asked: PlanSettings) -> dict[str, object]:
    """Time to the error wanted, and to the error rate wanted."""
    split = with_sweeps(coarse, schedule.sweeps)
    wanted = asked.wanted_deg if asked.wanted_deg is not None else 0.5 * schedule.error_rounded_deg
    time = time_to_error(split, few, wanted)
    rate = None if asked.wanted_rate is None else time_to_error_rate(split, few[:, :3], asked.wanted_rate)
    return {
        "time": {
            "wanted_deg": time.wanted_deg,
            "reachable": time.reachable,
            "sweeps": time.sweeps if time.reachable else None,
            "seconds": time.seconds if time.reachable else None,
            "floor_deg": time.floor_deg,
            "floor_if_flux_noise_does_not_average_deg": time.floor_if_flux_noise_stays_deg,
            "floor_without_slow_flux_noise_deg": time.floor_without_slow_noise_deg,
        },
        "time_to_error_rate": None if rate is None else _rate_entry(rate),
    }


def _rate_entry(rate: TimeToErrorRate) -> dict[str, object]:
    return {
        "wanted": rate.wanted,
        "against": rate.against,
        "reachable": rate.reachable,
        "sweeps": rate.sweeps if rate.reachable else None,
        "seconds": rate.seconds if rate.reachable else None,
        "floor": rate.floor,
        "floor_if_flux_noise_does_not_average": rate.floor_if_flux_noise_stays,
    }


def _known_source_entry(known: KnownSourcePlan | None) -> dict[str, object]:
    """The shortest sweeps that test signs, axes and places; of counts, which do not test them, a sentence alone."""
    if known is None:
        return {"said": sentences([Finding("counts test no study")])}
    return {
        "state": known.state,
        "settings": known.settings,
        "repeats": known.repeats,
        "sweeps": known.sweeps,
        "seconds": known.seconds,
        "log_odds": dict(known.against),
        "left_open": known.left_open,
        "said": sentences(known_source_findings(known)),
    }


def _frequency_entry(shares: FrequencyShares, study: Study) -> dict[str, object]:
    return {
        "start_hz": shares.start_hz,
        "stop_hz": shares.stop_hz,
        "points": shares.points,
        "points_before": study.sweep.points,
        "rms_error_full_deg": shares.error_full_deg,
        "rms_error_short_deg": shares.error_short_deg,
    }
