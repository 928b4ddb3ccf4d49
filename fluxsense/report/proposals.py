"""What `plan` and `layout` propose, as lines of text."""

from __future__ import annotations

from collections.abc import Mapping
from math import isclose
from typing import TYPE_CHECKING

from fluxsense.base.units import format_quantity
from fluxsense.design.sensitivity import VALID_ERROR_DEG
from fluxsense.report.live import duration_text
from fluxsense.report.readout import probe_lines, readout_lines
from fluxsense.report.sentences import KIND_WORDS

if TYPE_CHECKING:
    from fluxsense.report.documents import Errors, LayoutDocument, PlanDocument, ProposedSetting, TimeToRate

CAUTION = (
    "These proposals know only the limits that the study states. Check every current, power and dimension against the "
    "laboratory's own limits (lines, amplifiers, chip, fabrication rules) before using them."
)
ALIKE = 1e-3
"""Two layouts whose criteria differ by less than this part are as good as each other."""
SMALLER_IS_BETTER = ("error", "A", "worst")
"""Criteria of a layout of which less is better."""


def _validity(entry: Errors) -> str:
    return (
        ""
        if entry["prediction_valid"]
        else f" (NOT VALID as a prediction: over a tenth of the cases exceed {VALID_ERROR_DEG:g} degrees, where posteriors are "
        "not normal; it still ranks designs)"
    )


def _rate_lines(rate: TimeToRate, kinds: int) -> list[str]:
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
        whole = f"{rate['sweeps']:.0f} sweeps, {duration_text(rate['seconds'])}"
    return [f"Time to {mistake}: {whole}", tail]


def plan_lines(document: PlanDocument) -> list[str]:
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
    lines += document["leaves_out"]
    lines += ["", "Working points:", *_point_lines(document), *(f"  {x}" for x in isolation_lines(document))]
    if document["probe"] is not None:
        lines += probe_lines(document["probe"])
    lines += ["", *schedule_lines(document), *_sweep_lines(document), *time_lines(document)]
    lines += [*frequency_lines(document), gain_line(document)]
    if document["readout"] is not None:
        lines += readout_lines(document["readout"], document["source_unit"])
        lines += [f"Note: {x}" for x in document["readout_notes"]]
    lines += ["", document["determined"]]
    lines += [f"Note: {w}" for w in document["ambiguities"]] or ["Nothing was found that could not be told apart."]
    lines += ["Signs, axes and places:", *(f"  {x}" for x in document["known_source"]["said"])]
    return [*lines, "", document["caution"]]


def frequency_lines(document: PlanDocument) -> list[str]:
    """The window of a shorter sweep; none of directions."""
    f = document["frequencies"]
    if f is None:
        return []
    return [
        f"Frequencies: {f['points']} of {f['points_before']} points, {format_quantity(f['start_hz'], 'frequency', 6)} to "
        f"{format_quantity(f['stop_hz'], 'frequency', 6)}, carry nine tenths: rms angular error {f['rms_error_short_deg']:.3g} "
        f"instead of {f['rms_error_full_deg']:.3g} degrees with that part alone"
    ]


def gain_line(document: PlanDocument) -> str:
    """What the campaign would tell of everything unknown."""
    gain = document["information_gain_nats"]
    return (
        f"Expected information gain on all unknowns: {gain['lower']:.1f} to {gain['upper']:.1f} nats (Monte Carlo error "
        f"of the gain {gain['upper_sd']:.1f})"
    )


def setting_words(setting: ProposedSetting) -> tuple[str, str, str, str]:
    """Bias, pump frequency, pump power and isolation of a proposed setting."""
    currents = ", ".join(f"{n} {format_quantity(v, 'current', 4)}" for n, v in setting["bias_a"].items() if v)
    stated = setting["pump_frequency_hz"]
    frequency = "matched" if stated is None else format_quantity(stated, "frequency", 6)
    isolation = f"{min(setting['isolation_db']):.0f} dB" if setting["isolation_db"] else ""
    return currents or "none", frequency, format_quantity(setting["pump_power_w"], "power", 4), isolation


def _point_lines(document: PlanDocument) -> list[str]:
    lines = []
    for s in document["settings"]:
        currents, frequency, power, isolation = setting_words(s)
        isolating = f", isolation {isolation}" if isolation else ""
        lines.append(
            f"  {s['name']} ({', '.join(s['isolators'])}): bias {currents}; pump {frequency} at {power}{isolating}"
        )
    return lines


def isolation_lines(document: PlanDocument) -> list[str]:
    """What is to be said of the isolation at the working points."""
    lines = []
    reached = [v for s in document["settings"] for v in s["isolation_db"]]
    if document["isolation_asked_db"] is None and reached:
        widest = max(abs(f) for s in document["settings"] for f in s["flux_phi0"])
        lines.append(
            f"[limits] asks for no isolation, so only the error counts: the least here is {min(reached):.0f} dB, with loops "
            f'at up to {widest:.2g} flux quanta. State isolation = "15 dB" there if every setting must still isolate.'
        )
    if document["isolation_not_reached"]:
        lines.append(
            f"The isolation that the study asks for was not reached in: {', '.join(document['isolation_not_reached'])}."
        )
    return lines


def schedule_lines(document: PlanDocument) -> list[str]:
    """How good the split of sweeps is."""
    schedule = document["schedule"]
    return [
        f"Split of {schedule['total']} sweeps: rms angular error {schedule['rms_error_equal_split_deg']:.3g} degrees if split evenly, "
        f"{schedule['rms_error_best_deg']:.3g} with the best weights, {schedule['rms_error_whole_numbers_deg']:.3g} in whole sweeps",
        f"  equivalence theorem: largest sensitivity is {schedule['equivalence_largest_over_limit']:.4f} of its limit (1 at the optimum)",
    ]


def _sweep_lines(document: PlanDocument) -> list[str]:
    lines = []
    for c in document["schedule"]["candidates"]:
        if c["sweeps"]:
            name = c["setting"] or f"pump off at the bias of {c['pump_off_at_bias_of']}"
            lines.append(f"  {c['sweeps']:4d}  {c['isolator']}, {name}, source {c['state']}, {c['cooldown']}")
    return lines


def time_lines(document: PlanDocument) -> list[str]:
    """The time to an angular error, and to an error rate."""
    time, lines = document["time"], []
    kinds = sum(c["sweeps"] > 0 for c in document["schedule"]["candidates"])
    if time["reachable"]:
        count, seconds = time["sweeps"], time["seconds"]
        if count < kinds:  # no fewer can be taken
            count, seconds = kinds, seconds * kinds / count
        lines.append(
            f"Time to an angular error of {time['wanted_deg']:.3g} degrees: {count:.0f} sweeps, {duration_text(seconds)}"
            + (": one of each kind is enough" if count == kinds else "")
        )
    else:
        lines.append(
            f"An angular error of {time['wanted_deg']:.3g} degrees cannot be reached: measuring without end leaves "
            f"{time['floor_deg']:.3g} degrees."
        )
    quiet = time["floor_without_slow_flux_noise_deg"]
    if quiet < 0.9 * time["floor_deg"]:
        lines.append(
            f"  Slow flux noise, which more sweeps do not average, makes that floor: without it {quiet:.3g} degrees."
        )
    floor = time["floor_if_flux_noise_does_not_average_deg"]
    lines.append(
        f"  floor of the angular error without end {time['floor_deg']:.3g} degrees; {floor:.3g} if the flux noise does not "
        "average down (1/f), "
        + ("below the wanted error" if floor < time["wanted_deg"] else "in which case the wanted error is OUT OF REACH")
    )
    rate = document["time_to_error_rate"]
    if rate is not None:
        lines += _rate_lines(rate, kinds)
    return lines


CRITERION_WORDS = {
    "error": "mean angular error (deg)",
    "A": "root mean square angular error (deg)",
    "worst": "worst angular error (deg)",
    "information": "information gain on the source (nats)",
    "D": "log determinant of the information",
    "E": "log of the least eigenvalue",
}
LAYOUT_WORDS = {"now": "now", "even_ring": "even ring", "proposed": "proposed"}


def layout_lines(document: LayoutDocument) -> list[str]:
    """A layout proposal as lines of text."""
    lines = [document["title"], ""]
    if document["isolator_counts"]:
        lines.append(f"Numbers of isolators in the same measuring time, {CRITERION_WORDS[document['criterion']]}:")
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
        lines.append(f"{words + ':':48s}" + "".join(f"{LAYOUT_WORDS[which]:>12s}" for which in entry))
        for key, text in CRITERION_WORDS.items():
            mark = "*" if asked and key == document["criterion"] else " "
            lines.append(f"  {mark} {text:44s}" + "".join(f"{values[key]:12.4g}" for values in entry.values()))
        wide = [LAYOUT_WORDS[which] for which, valid in document["prediction_valid"][label].items() if not valid]
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
    lines += worse_lines(document)
    lines += ["", "Proposed loops (centre and extent in um):"]
    for loop in document["loops"]:
        x, y = (1e6 * v for v in loop["center_m"])
        w, h = (1e6 * v for v in loop["extent_m"])
        lines.append(
            f"  {loop['name']:20s} on {loop['chip']}: ({x:8.2f}, {y:8.2f})  {w:.2f} x {h:.2f}, {loop['corners']} corners"
            + (" (fixed)" if loop["fixed"] else "")
        )
    return [*lines, *layout_notes(document), "", document["caution"]]


def searched_for(document: LayoutDocument) -> Mapping[str, float]:
    """What the search made best, of every layout."""
    entry = document["comparison"]["position_known" if document["position_known"] else "position_as_stated"]
    return {which: values[document["criterion"]] for which, values in entry.items()}


def worse_lines(document: LayoutDocument) -> list[str]:
    """That the proposal is no better than the present layout, where that is so."""
    value = searched_for(document)
    now, then = value["now"], value["proposed"]
    if isclose(now, then, rel_tol=ALIKE):
        return ["The layout proposed is as good as the present one by the criterion searched for."]
    if (then > now) == (document["criterion"] in SMALLER_IS_BETTER):
        return [
            "The layout proposed is WORSE than the present one by the criterion searched for: the search was short, or the rules "
            "allow no better. Try more --starts and --steps."
        ]
    return []


def layout_notes(document: LayoutDocument) -> list[str]:
    """What else a layout proposal changes."""
    lines = []
    if document["source_height_change_m"]:
        lines.append(f"Source {1e6 * document['source_height_change_m']:+.2f} um higher than in the study.")
    return [*lines, "Mutual inductances of bias lines are those of the study: work them out anew for the new loops."]
