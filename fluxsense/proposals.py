"""What the commands `plan` and `layout` say, as plain values and as lines of text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from fluxsense.base.errors import InputError
from fluxsense.base.executors import Workers
from fluxsense.base.units import format_quantity
from fluxsense.design.ambiguity import ambiguity_map, ambiguity_words, information_words
from fluxsense.design.count import CountResult, compare_counts
from fluxsense.design.information_gain import chip_gain
from fluxsense.design.layout import (
    Judge,
    Layout,
    all_criteria,
    best_ring,
    judged,
    layout_faults,
    search_layout,
    search_points,
    study_layout,
    with_layout,
)
from fluxsense.design.schedule import (
    best_schedule,
    check_rate,
    check_wanted,
    frequency_shares,
    sweeps_of,
    time_to_error,
    time_to_error_rate,
    with_sweeps,
)
from fluxsense.design.sensitivity import VALID_ERROR_DEG, direction_points, planned_experiment, predict
from fluxsense.design.working_point import best_working_point, landscape
from fluxsense.device.chip import check_geometry, loop_outlines_m
from fluxsense.infer.budget import KIND_WORDS
from fluxsense.magnetics.loops import distance_to_outline
from fluxsense.report.design import (
    draw_ambiguity,
    draw_frequency_shares,
    draw_landscape,
    draw_layout,
    draw_schedule,
)
from fluxsense.study import Study

Progress = Callable[[str, float, str], None]

CAUTION = (
    "These proposals know only the limits that the study states. Check every current, power and dimension against the "
    "laboratory's own limits (lines, amplifiers, chip, fabrication rules) before using them."
)
VALIDATION_POINTS = 48
TRUTH = np.array([0.48, 0.62, 0.62])


@dataclass(frozen=True)
class Proposal:
    """A proposal: plain values for JSON, the study that it leads to, and figures by file name."""

    document: dict[str, Any]
    study: Study
    figures: dict[str, Figure]
    layout: Layout | None = None


def _nothing(_what: str, _share: float, _detail: str) -> None:
    """No progress shown."""


def _error_entry(study: Study, seed: int) -> dict[str, Any]:
    """Angular errors of a study's plan at fresh points, by what is known, with validity."""
    experiment = planned_experiment(study)
    prediction = predict(experiment, direction_points(experiment.unknowns, VALIDATION_POINTS, seed, fresh=True))
    degrees = np.degrees(prediction.angular_error_rad())
    kinds = list(dict.fromkeys(n.group for n in experiment.unknowns.nuisances))
    known = {k: float(np.degrees(np.mean(prediction.angular_error_rad([k])))) for k in kinds}
    return {
        "mean_deg": float(np.mean(degrees)),
        "median_deg": float(np.median(degrees)),
        "worst_deg": float(np.max(degrees)),
        "mean_if_known_deg": known,
        "prediction_valid": prediction.valid(),
    }


def _validity(entry: dict[str, Any]) -> str:
    return (
        ""
        if entry["prediction_valid"]
        else f" (NOT VALID as a prediction: over a tenth of the cases exceed {VALID_ERROR_DEG:g} degrees, where posteriors are "
        "not normal; it still ranks designs)"
    )


def plan(
    study: Study,
    *,
    seed: int = 0,
    wanted_deg: float | None = None,
    wanted_rate: float | None = None,
    thorough: int = 1,
    progress: Progress | None = None,
) -> Proposal:
    """Working points, split of sweeps, time, frequencies and ambiguities of a study's planned experiment.

    Parameters
    ----------
    study : Study
    seed : int
    wanted_deg : float, optional
        Angular error wanted; half the present one by default.
    wanted_rate : float, optional
        Probability wanted of mistaking a direction for its reverse, or a listed candidate for another.
    thorough : int
        Factor on the evaluations of the search for working points.
    progress : callable, optional

    Returns
    -------
    Proposal
        Its study has the proposed settings; the split of sweeps stands in the document only, since a study's plan repeats
        all settings equally often.

    Raises
    ------
    InputError
        If the study has no setting or an impossible geometry.
    """
    tell = progress or _nothing
    check_geometry(study)
    if not study.settings:
        raise InputError(
            "the study defines no settings to plan with", where=study.path.name, remedy="Add a [[setting]]"
        )
    if wanted_deg is not None:
        check_wanted(wanted_deg)
    unknowns = planned_experiment(study).unknowns
    if wanted_rate is not None:
        check_rate(wanted_rate, unknowns)
    tell("predicting", 0.0, "")
    before = _error_entry(study, seed)
    x = direction_points(unknowns, 6, seed)
    point = best_working_point(
        study, x, rounds=1, samples=32 * thorough, polish=24 * thorough, seed=seed, progress=progress
    )
    proposed = replace(study, settings=point.settings)
    after = _error_entry(proposed, seed)
    if after["mean_deg"] > before["mean_deg"]:  # better at the search's points only: keep what there is
        proposed, after = study, before
    tell("splitting sweeps", 0.0, "")
    coarse = planned_experiment(proposed, most_points=15)
    few = direction_points(unknowns, 4, seed)
    schedule = best_schedule(coarse, few, most_steps=150)
    tell("time and frequencies", 0.0, "")
    split = with_sweeps(coarse, schedule.sweeps)
    wanted = wanted_deg if wanted_deg is not None else 0.5 * schedule.error_rounded_deg
    time = time_to_error(split, few, wanted)
    rate = None if wanted_rate is None else time_to_error_rate(split, few[:, :3], wanted_rate)
    shares = frequency_shares(planned_experiment(proposed), few)
    tell("what cannot be told apart", 0.0, "")
    words = ambiguity_words(proposed, points=60)
    map_of = ambiguity_map(planned_experiment(proposed, most_points=15), TRUTH, points=120)
    tell("expected information gain", 0.0, "")
    gain = chip_gain(coarse, outer=24, inner=200, seed=seed)
    tell("landscape", 0.0, "")
    view = landscape(study, few[:2], 0, nodes=9)
    entries: list[dict[str, Any]] = []
    for setting, isolation, flux in zip(
        proposed.settings,
        point.isolation_db if proposed is not study else [()] * len(study.settings),
        point.flux_phi0,
        strict=False,
    ):
        entries.append(
            {
                "name": setting.name,
                "isolators": list(setting.isolators),
                "bias_a": {b.name: v for b, v in zip(study.bias_lines, setting.bias_a, strict=True)},
                "pump_port": setting.pump_port,
                "pump_power_w": setting.pump_power_w,
                "pump_frequency_hz": setting.pump_frequency_hz,
                "isolation_db": list(isolation),
                "flux_phi0": list(flux),
            }
        )
    wanted_isolation = study.limits.isolation_db
    reached = point.isolation_db if proposed is not study else ()
    unmet = [
        s.name
        for s, isolation in zip(proposed.settings, reached, strict=False)
        if wanted_isolation is not None and min(isolation) < wanted_isolation
    ]
    document = {
        "kind": "plan",
        "title": study.title,
        "seed": seed,
        "error_now": before,
        "error_proposed": after,
        "improvement": before["mean_deg"] / after["mean_deg"],
        "settings": entries,
        "isolation_asked_db": wanted_isolation,
        "isolation_not_reached": unmet,
        "schedule": {
            "candidates": [
                {
                    "isolator": c.isolator, "setting": c.setting, "pump_off_at_bias_of": None if c.setting else c.bias_of,
                    "state": c.state, "cooldown": c.cooldown, "weight": float(w), "sweeps": int(n),
                }
                for c, w, n in zip(schedule.candidates, schedule.design.weights, schedule.sweeps, strict=True)
            ],
            "total": int(schedule.sweeps.sum()),
            "total_before": float(sweeps_of(coarse).sum()),
            "equivalence_largest_over_limit": schedule.design.largest / schedule.design.limit,
            "rms_error_equal_split_deg": schedule.error_now_deg,
            "rms_error_best_deg": schedule.error_best_deg,
            "rms_error_whole_numbers_deg": schedule.error_rounded_deg,
        },
        "time": {
            "wanted_deg": time.wanted_deg,
            "reachable": time.reachable,
            "sweeps": time.sweeps if time.reachable else None,
            "seconds": time.seconds if time.reachable else None,
            "floor_deg": time.floor_deg,
            "floor_if_flux_noise_does_not_average_deg": time.floor_if_flux_noise_stays_deg,
            "floor_without_slow_flux_noise_deg": time.floor_without_slow_noise_deg,
        },
        "time_to_error_rate": None if rate is None else {
            "wanted": rate.wanted,
            "against": rate.against,
            "reachable": rate.reachable,
            "sweeps": rate.sweeps if rate.reachable else None,
            "seconds": rate.seconds if rate.reachable else None,
            "floor": rate.floor,
            "floor_if_flux_noise_does_not_average": rate.floor_if_flux_noise_stays,
        },
        "frequencies": {
            "start_hz": shares.start_hz,
            "stop_hz": shares.stop_hz,
            "points": shares.points,
            "points_before": study.sweep.points,
            "rms_error_full_deg": shares.error_full_deg,
            "rms_error_short_deg": shares.error_short_deg,
        },
        "information_gain_nats": {
            "lower": gain.lower, "upper": gain.upper, "lower_sd": gain.lower_sd, "upper_sd": gain.upper_sd
        },
        "determined": information_words(coarse, TRUTH),
        "ambiguities": words,
        "caution": CAUTION,
    }  # fmt: skip
    figures = {
        "landscape.png": draw_landscape(view),
        "ambiguity.png": draw_ambiguity(map_of),
        "schedule.png": draw_schedule(schedule),
        "frequencies.png": draw_frequency_shares(shares),
    }
    return Proposal(document, proposed, figures)


def _rate_lines(rate: dict[str, Any], kinds: int) -> list[str]:
    """When a direction is no longer mistaken for another more often than wanted."""
    mistake = f"taking a direction for {rate['against']} with probability {rate['wanted']:.3g}"
    stuck = rate["floor_if_flux_noise_does_not_average"]
    tail = f"  floor without end {rate['floor']:.2g}; {stuck:.2g} if the flux noise does not average down (1/f)" + (
        "" if stuck < rate["wanted"] else ", in which case the wanted rate is OUT OF REACH"
    )
    if not rate["reachable"]:
        return [
            f"{mistake[0].upper()}{mistake[1:]} cannot be reached: measuring without end leaves {rate['floor']:.2g}."
        ]
    if rate["sweeps"] < kinds:
        whole = "one sweep of each kind is more than enough"
    else:
        whole = f"{rate['sweeps']:.0f} sweeps, {rate['seconds'] / 3600:.3g} h"
    return [f"Time to {mistake}: {whole}", tail]


def plan_lines(document: dict[str, Any]) -> list[str]:
    """A plan as lines of text."""
    now, then = document["error_now"], document["error_proposed"]
    lines = [
        document["title"],
        "",
        f"Expected angular error now: mean {now['mean_deg']:.3g}, median {now['median_deg']:.3g}, worst {now['worst_deg']:.3g} "
        f"degrees{_validity(now)}",
        f"With the working points below: mean {then['mean_deg']:.3g}, median {then['median_deg']:.3g}, worst "
        f"{then['worst_deg']:.3g} degrees{_validity(then)}: {document['improvement']:.2g} times smaller",
    ]
    for kind, value in sorted(then["mean_if_known_deg"].items(), key=lambda item: item[1]):
        lines.append(f"  with the {KIND_WORDS.get(kind, kind)} known exactly: {value:.3g} degrees")
    lines += ["", "Working points:"]
    for s in document["settings"]:
        currents = ", ".join(f"{n} {format_quantity(v, 'current', 4)}" for n, v in s["bias_a"].items() if v)
        pump = "matched" if s["pump_frequency_hz"] is None else format_quantity(s["pump_frequency_hz"], "frequency", 6)
        isolation = f", isolation {min(s['isolation_db']):.0f} dB" if s["isolation_db"] else ""
        lines.append(
            f"  {s['name']} ({', '.join(s['isolators'])}): bias {currents or 'none'}; pump {pump} at "
            f"{format_quantity(s['pump_power_w'], 'power', 4)}{isolation}"
        )
    reached = [v for s in document["settings"] for v in s["isolation_db"]]
    if document["isolation_asked_db"] is None and reached:
        widest = max(abs(f) for s in document["settings"] for f in s["flux_phi0"])
        lines.append(
            f"  [limits] asks for no isolation, so only the error counts: the least here is {min(reached):.0f} dB, with loops "
            f'at up to {widest:.2g} flux quanta. State isolation = "15 dB" there if every setting must still isolate.'
        )
    if document["isolation_not_reached"]:
        lines.append(
            f"  The isolation that the study asks for was not reached in: {', '.join(document['isolation_not_reached'])}."
        )
    schedule = document["schedule"]
    lines += [
        "",
        f"Split of {schedule['total']} sweeps: rms error {schedule['rms_error_equal_split_deg']:.3g} degrees as planned, "
        f"{schedule['rms_error_best_deg']:.3g} with the best weights, {schedule['rms_error_whole_numbers_deg']:.3g} in whole sweeps",
        f"  equivalence theorem: largest sensitivity is {schedule['equivalence_largest_over_limit']:.4f} of its limit (1 at the optimum)",
    ]
    for c in schedule["candidates"]:
        if c["sweeps"]:
            name = c["setting"] or f"pump off at the bias of {c['pump_off_at_bias_of']}"
            lines.append(f"  {c['sweeps']:4d}  {c['isolator']}, {name}, source {c['state']}, {c['cooldown']}")
    time = document["time"]
    if time["reachable"]:
        lines.append(
            f"Time to {time['wanted_deg']:.3g} degrees: {time['sweeps']:.0f} sweeps, {time['seconds'] / 3600:.3g} h"
        )
    else:
        lines.append(
            f"{time['wanted_deg']:.3g} degrees cannot be reached: measuring without end leaves {time['floor_deg']:.3g} degrees."
        )
    quiet = time["floor_without_slow_flux_noise_deg"]
    if quiet < 0.9 * time["floor_deg"]:
        lines.append(
            f"  Slow flux noise, which more sweeps do not average, makes that floor: without it {quiet:.3g} degrees."
        )
    floor = time["floor_if_flux_noise_does_not_average_deg"]
    lines.append(
        f"  floor without end {time['floor_deg']:.3g} degrees; {floor:.3g} if the flux noise does not average down (1/f), "
        + ("below the wanted error" if floor < time["wanted_deg"] else "in which case the wanted error is OUT OF REACH")
    )
    rate = document["time_to_error_rate"]
    if rate is not None:
        lines += _rate_lines(rate, sum(c["sweeps"] > 0 for c in schedule["candidates"]))
    f = document["frequencies"]
    lines.append(
        f"Frequencies: {f['points']} of {f['points_before']} points, {format_quantity(f['start_hz'], 'frequency', 6)} to "
        f"{format_quantity(f['stop_hz'], 'frequency', 6)}, carry nine tenths: rms error {f['rms_error_short_deg']:.3g} instead of "
        f"{f['rms_error_full_deg']:.3g} degrees with that part alone"
    )
    gain = document["information_gain_nats"]
    lines.append(
        f"Expected information gain on all unknowns: {gain['lower']:.1f} to {gain['upper']:.1f} nats (Monte Carlo error {gain['upper_sd']:.1f})"
    )
    lines += ["", document["determined"]]
    lines += [f"Note: {w}" for w in document["ambiguities"]] or ["Nothing was found that could not be told apart."]
    return [*lines, "", document["caution"]]


def propose_layout(
    study: Study,
    *,
    seed: int = 0,
    criterion: str = "error",
    position_known: bool = False,
    starts: int = 8,
    steps: int = 1200,
    counts: Sequence[int] = (),
    executor: Workers | None = None,
    progress: Progress | None = None,
) -> Proposal:
    """The best layout found for a study's loops, compared with the present one.

    Parameters
    ----------
    study : Study
    seed : int
    criterion : str
        One of `fluxsense.design.layout.CRITERIA`.
    position_known : bool
        Judge as if the dipole's position were known exactly when the data are read (it still varies from case to case).
    starts, steps : int
    counts : sequence of int
        Numbers of isolators to compare first, with half the starts and steps each; the best is laid out.
    executor : concurrent.futures.Executor or fluxsense.base.executors.Processes, optional
    progress : callable, optional

    Returns
    -------
    Proposal

    Raises
    ------
    InputError
        For an impossible geometry, no setting, or rules that cannot be kept.
    """
    tell = progress or _nothing
    check_geometry(study)
    tell("tables of information", 0.0, "")
    known = ("position",) if position_known else ()
    compared: list[CountResult] = []
    if counts:
        compared = compare_counts(
            study,
            counts,
            criterion=criterion,
            known=known,
            starts=max(1, starts // 2),
            steps=max(1, steps // 2),
            seed=seed,
            executor=executor,
            progress=tell,
        )
        sense = 1 if criterion in ("error", "A", "worst") else -1
        study = min(compared, key=lambda c: sense * c.value).study
    judge = Judge(study, search_points(study, 24, seed), criterion, known)
    present = study_layout(study)
    tell("best even ring of equal loops", 0.0, "")
    even: Layout | None = None
    with suppress(InputError):  # no ring keeps the rules
        even = best_ring(judge)[0]
    found = search_layout(judge, starts=starts, steps=steps, seed=seed, executor=executor, progress=progress, even=even)
    best, layout = with_layout(study, found.layout), found.layout
    tell("judging anew", 0.0, "")
    x = direction_points(judge.unknowns, VALIDATION_POINTS, seed, fresh=True)
    predictions = {"now": judged(study, x)}
    if even is not None:
        predictions["even_ring"] = judged(with_layout(study, even), x)
    predictions["proposed"] = judged(best, x)
    names = [v.name for v in study.loops]
    faults_now = layout_faults(study, present)
    assumptions: dict[str, tuple[str, ...]] = {"position_as_stated": ()}
    if any(v.of_source for v in judge.unknowns.nuisances):
        assumptions["position_known"] = ("position",)
    position_known = position_known and "position_known" in assumptions
    comparison = {
        label: {which: all_criteria(p, k) for which, p in predictions.items()} for label, k in assumptions.items()
    }
    valid = {label: {which: p.valid(k) for which, p in predictions.items()} for label, k in assumptions.items()}
    clearance = None
    if study.source.kind == "dipole":
        position = np.array(best.source.position_m)
        clearance = min(float(distance_to_outline(position, o)) for o in loop_outlines_m(best))
    document = {
        "kind": "layout",
        "title": study.title,
        "seed": seed,
        "criterion": criterion,
        "position_known": position_known,
        "isolator_counts": [
            {"isolators": c.count, "criterion": c.value, "prediction_valid": c.valid} for c in compared
        ],
        "isolators": len(study.isolators),
        "comparison": comparison,
        "prediction_valid": valid,
        "starts": [float(v) for v in found.starts],
        "rules_broken_now": faults_now,
        "rules_broken_proposed": layout_faults(study, layout),
        "nearest_wire_to_source_m": clearance,
        "source_height_change_m": layout.lift_m,
        "loops": [
            {
                "name": name, "chip": chip, "center_m": [float(v) for v in 0.5 * (o.min(axis=0) + o.max(axis=0))],
                "extent_m": [float(v) for v in np.ptp(o, axis=0)], "corners": len(o), "fixed": name in study.layout.fixed,
            }
            for name, chip, o in zip(names, layout.chips, layout.outlines, strict=True)
        ],
        "caution": CAUTION,
    }  # fmt: skip
    return Proposal(document, best, {"layout.png": draw_layout(study, layout, present)}, layout)


_CRITERION_WORDS = {
    "error": "mean angular error (deg)",
    "A": "root mean square angular error (deg)",
    "worst": "worst angular error (deg)",
    "information": "information gain on the source (nats)",
    "D": "log determinant of the information",
    "E": "log of the least eigenvalue",
}
_COLUMNS = {"now": "now", "even_ring": "even ring", "proposed": "proposed"}


def layout_lines(document: dict[str, Any]) -> list[str]:
    """A layout proposal as lines of text."""
    lines = [document["title"], ""]
    if document["isolator_counts"]:
        lines.append(f"Numbers of isolators in the same measuring time, {_CRITERION_WORDS[document['criterion']]}:")
        lines += [f"  {c['isolators']:3d}  {c['criterion']:.4g}" for c in document["isolator_counts"]]
        lines += [
            f"Laid out below are {document['isolators']}; 'now' is the layout that this comparison found for them.",
            "",
        ]
    for label, entry in document["comparison"].items():
        asked = (label == "position_known") == document["position_known"]
        words = "Expected of the layout"
        if "position_known" in document["comparison"]:
            known = label == "position_known"
            words = f"With the position {'known' if known else 'as uncertain as the study says'}"
        lines.append(f"{words + ':':48s}" + "".join(f"{_COLUMNS[which]:>12s}" for which in entry))
        for key, text in _CRITERION_WORDS.items():
            mark = "*" if asked and key == document["criterion"] else " "
            lines.append(f"  {mark} {text:44s}" + "".join(f"{values[key]:12.4g}" for values in entry.values()))
        wide = [_COLUMNS[which] for which, valid in document["prediction_valid"][label].items() if not valid]
        if wide:
            lines.append(
                f"    NOT VALID as predictions ({', '.join(wide)}): over a tenth of the angular errors exceed "
                f"{VALID_ERROR_DEG:g} degrees. They still rank layouts."
            )
    lines.append("(* searched for; angles and nats at points of the prior that the search did not see;")
    if "even_ring" in document["comparison"]["position_as_stated"]:
        lines.append(" even ring: the best regular ring of equal loops under the same rules)")
    else:
        lines.append(" no regular ring of equal loops keeps the rules)")
    lines += [f"The present layout breaks a rule: {w}" for w in document["rules_broken_now"]]
    entry = document["comparison"]["position_known" if document["position_known"] else "position_as_stated"]
    now, then = (entry[which][document["criterion"]] for which in ("now", "proposed"))
    if (then > now) == (document["criterion"] in ("error", "A", "worst")) and then != now:
        lines.append(
            "The layout proposed is WORSE than the present one by the criterion searched for: the search was short, or the rules "
            "allow no better. Try more --starts and --steps."
        )
    lines += ["", "Proposed loops (centre and extent in um):"]
    for loop in document["loops"]:
        x, y = (1e6 * v for v in loop["center_m"])
        w, h = (1e6 * v for v in loop["extent_m"])
        lines.append(
            f"  {loop['name']:20s} on {loop['chip']}: ({x:8.2f}, {y:8.2f})  {w:.2f} x {h:.2f}, {loop['corners']} corners"
            + (" (fixed)" if loop["fixed"] else "")
        )
    if document["source_height_change_m"]:
        lines.append(f"Source {1e6 * document['source_height_change_m']:+.2f} um higher than in the study.")
    lines.append("Mutual inductances of bias lines are those of the study: work them out anew for the new loops.")
    return [*lines, "", document["caution"]]
