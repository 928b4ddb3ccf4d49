"""Documents as lines of text: what a command prints, and what a notebook shows."""

from __future__ import annotations

from collections.abc import Mapping
from math import floor, log, log10, pi
from typing import TYPE_CHECKING, Any

from fluxsense.base.units import dimension_of, format_quantity
from fluxsense.report.readout import readout_lines
from fluxsense.report.words import KASS_RAFTERY_LIMITS, evidence_sentence, odds_text, probability_text

if TYPE_CHECKING:
    from fluxsense.report.documents import AnswerDocument, CheckDocument, DetectionDocument, SimulationDocument

LOOSE_SR = 1.5
"""Solid angle of the 90% region above which no single direction is quoted to a tenth of a degree."""
HEAVY_MODE = 0.02
"""Weight from which a mode is named in the first sentence."""
FIXED = 1e-6
"""Relative spread of a size below which it was fixed, not measured."""

TRUST_SENTENCES = {
    "reliable": "This result is reliable",
    "tentative": "This result is tentative: do not rely on it yet",
    "unusable": "This result is unusable: do not believe it",
}


def answer_sentence(document: AnswerDocument) -> str:
    """The answer of `orient` in one sentence, with whether to believe it.

    A result that is unusable names no direction here, nor does one whose Bayes factor speaks for no source.
    """
    trust = TRUST_SENTENCES[document["verdict"]["trust"]]
    if document["verdict"]["trust"] == "unusable":
        return f"{trust}. No direction is quoted; the reasons stand below."
    if document["log_bayes_factor"] <= 0:
        return f"{trust}. {_no_source(document)}"
    return f"{trust}. {_where(document)}"


def _no_source(document: AnswerDocument) -> str:
    """That no source was seen, and how large one could be."""
    factor, sd = document["log_bayes_factor"], document["log_bayes_factor_sd"]
    said = "The data speak against a source" if factor <= -log(KASS_RAFTERY_LIMITS[0]) else "No source was seen"
    below = document["size"].get("below_95")
    limit = (
        ""
        if below is None
        else f"; if there is one after all, it is below {size_text(below, document['size']['unit'])}"
    )
    return (
        f"{said} (log Bayes factor {factor:.4g} +- {sd:.2g}, odds {odds_text(factor)} for none), so no direction is quoted"
        f"{limit}{' at 95% probability' if limit else ''}."
    )


def _where(document: AnswerDocument) -> str:
    """Where the source points."""
    d = document["direction"]
    r90 = next(r for r in document["region"] if abs(r["level"] - 0.9) < 1e-9)
    heavy = [m for m in document["modes"] if m["weight"] >= HEAVY_MODE]
    if "candidates" in r90:
        others = "; ".join(
            f"azimuth {m['azimuth_deg']:.1f}, elevation {m['elevation_deg']:.1f} degrees with probability {m['weight']:.3g}"
            for m in heavy
        )
        return f"Of the candidate directions, the source has: {others}."
    if len(heavy) > 1:
        others = " and ".join(f"azimuth {m['azimuth_deg']:.1f}, elevation {m['elevation_deg']:.1f}" for m in heavy)
        return (
            f"The source points in one of {len(heavy)} directions (degrees): {others}; "
            f"the 90% region covers {r90['solid_angle_sr']:.3g} sr."
        )
    if r90["solid_angle_sr"] > LOOSE_SR:
        return (
            f"The direction is only loosely determined: the 90% region covers {r90['solid_angle_sr']:.2g} of the "
            f"sphere's {4 * pi:.3g} sr, about azimuth {d['azimuth_deg']:.0f} and elevation {d['elevation_deg']:.0f} degrees."
        )
    return (
        f"The source points to azimuth {d['azimuth_deg']:.1f} and elevation {d['elevation_deg']:.1f} degrees, "
        f"within {r90['cone_deg']:.2g} degrees at 90% probability."
    )


def size_text(value: float, unit: str) -> str:
    """A size of the source in the unit that reads best, such as 21.9 fA m^2 or 2 nT."""
    return format_quantity(value, dimension_of(unit), 3)


def size_words(mean: float, sd: float, unit: str) -> str:
    """A size of the source with its standard deviation, both in the unit that reads best; the size alone if it was fixed."""
    text = format_quantity(mean, dimension_of(unit), 4)
    number, best = text.split(" ", 1)
    if not sd > FIXED * abs(mean):
        return f"{text} (fixed by the study)"
    scaled = sd * float(number) / mean
    places = max(0, 1 - floor(log10(scaled)))
    return (
        f"({float(number):.{places}f} +- {scaled:.{places}f}) {best}"
        if places < 7
        else f"{text} +- {scaled:.2g} {best}"
    )


def answer_lines(document: AnswerDocument) -> list[str]:
    """What `orient` says."""
    size = document["size"]
    lines = [answer_sentence(document), *(f"  {x}" for x in document["known_source"]["said"])]
    for r in document["region"]:
        lines.append(
            f"  {100 * r['level']:.0f}% region: {r['solid_angle_sr']:.3g} sr, cone half-angle {r['cone_deg']:.3g} degrees"
        )
    lines.append(f"  size: {size_words(size['mean'], size['sd'], size['unit'])}")
    bound = "at least " if document["antipodal_odds_is_lower_bound"] else ""
    lines.append(f"  odds against the opposite direction: {bound}{document['antipodal_odds']:.3g}")
    lines.append(
        f"  log Bayes factor, source against none: {document['log_bayes_factor']:.5g} +- {document['log_bayes_factor_sd']:.2g}"
    )
    for n, m in enumerate(document["modes"], 1):
        lines.append(
            f"  mode {n}: weight {m['weight']:.3f}, azimuth {m['azimuth_deg']:.2f}, elevation {m['elevation_deg']:.2f}, "
            f"spread {m['angular_sd_deg']:.2g} degrees"
        )
    lines += [f"  {x}" for x in document["verdict"]["reasons"]]
    lines += [f"  {x}" for x in document["findings"]]
    return lines


# ---------------------------------------------------------------- check


def check_lines(document: CheckDocument) -> list[str]:
    """What `check` says of a study."""
    source = document["source"]
    dimension = dimension_of(source["unit"])
    lines = [document["title"], ""]
    if document["invented"]:
        lines.insert(1, "(an invented scenario)")
    lines.append(
        f"Flux of a source of {format_quantity(source['size'], dimension, 4)} along x, y, z in each loop (mPhi0):"
    )
    for name, row in document["flux_map"].items():
        lines.append(f"  {name:20s}" + "".join(f"{1e3 * x:10.3f}" for x in row["phi0_for_stated_size"]))
    singular = ", ".join(f"{1e3 * x:.3g}" for x in document["singular_phi0"])
    lines.append(f"Rank of the flux map: {document['rank']} (singular values {singular} mPhi0)")
    for entry in document["isolators"]:
        lines += ["", f"Isolator {entry['isolator']} (phase difference for pump port 1: {entry['wiring']})"]
        if entry["wiring"] == "from reference":
            lines.append("  directions below hold for +90 deg; with -90 deg each is reversed")
        lines.append("  signs of the two fluxes, pump port 1 / pump port 2: direction of transmission")
        for k in range(0, len(entry["directions"]), 2):
            one, two = entry["directions"][k : k + 2]
            lines.append(
                f"    {one['signs']}   {one['direction']} ({one['directionality_db']:+.1f} dB) / "
                f"{two['direction']} ({two['directionality_db']:+.1f} dB)"
            )
        for s in entry["settings"]:
            flux = ", ".join(f"{x:+.3f}" for x in s["flux_phi0"])
            lines.append(
                f"  setting {s['setting']}: flux ({flux}) Phi0, coupling signs ({', '.join(s['coupling_sign'])}), "
                f"pump {s['pump_frequency_hz'] / 1e9:.4f} GHz, transmits {s['direction']}"
            )
            lines.append(
                f"    isolation {s['isolation_db']:.1f} dB at {s['frequency_hz'] / 1e9:.4f} GHz, insertion loss "
                f"{s['insertion_loss_db']:.2f} dB, reflection {s['reflection_db']:.1f} dB, 15 dB over "
                f"{s['isolation_bandwidth_hz'] / 1e6:.1f} MHz"
            )
    if document["readout"] is not None:
        lines += readout_lines(document["readout"], source["unit"])
    lines.append("")
    if document["warnings"]:
        lines += [f"Note: {x}" for x in document["warnings"]]
    else:
        lines.append("Nothing to object to.")
    return lines


def simulation_lines(document: SimulationDocument) -> list[str]:
    """What `simulate` says."""
    what = "traces, log.csv" if document["with_traces"] else "directions (in log.csv)"
    return [f"Wrote {document['traces']} simulated {what} and truth.toml to {document['folder']}."]


# ---------------------------------------------------------------- detect


def _quantity(value: float | None, unit: str) -> str:
    if value is None:
        return "no size (the chip is blind there)"
    return format_quantity(value, dimension_of(unit), 3)


def _said(entry: dict[str, float]) -> str:
    return probability_text(entry["probability"], entry["sd"], entry["smallest"])


def detection_lines(document: DetectionDocument) -> list[str]:
    """What `detect` says."""
    lines = [] if document["planned"] else _evidence_lines(document)
    models = document.get("source_models")
    if models:
        lines.append(models["sentence"])
        lines += [f"  {r}" for r in models["reasons"]]
    lines += _experiment_lines(document)
    trust = {
        "reliable": "These numbers are reliable.",
        "tentative": "These numbers are tentative: do not rely on them yet.",
        "unusable": "The inference behind these numbers is unusable: do not believe them.",
    }[document["verdict"]["trust"]]
    said = [trust, *(f"  {r}" for r in document["verdict"]["reasons"])]
    return [*said, *lines] if document["verdict"]["trust"] == "unusable" else [*lines, *said]


def _evidence_lines(document: DetectionDocument) -> list[str]:
    """What the data say: source or none, which direction."""
    unit, lines = document["unit"], []
    factor, sd = document["log_bayes_factor"], document["log_bayes_factor_sd"]
    lines.append(evidence_sentence(factor, sd, "a source", "no source"))
    lines.append(
        f"  by bridge sampling instead: {document['log_bayes_factor_bridge']:+.5g}; "
        + "; ".join(
            f"with the size prior {'halved' if s['size_prior_times'] < 1 else 'doubled'}: "
            f'{s["log_bayes_factor"]:+.5g} ("{s["grade"]}")'
            for s in document["prior_sensitivity"]
        )
    )
    s = document["statistic"]
    lines.append(
        f"  score statistic {s['value']:.4g}: without a source as large or larger with probability "
        f"{probability_text(s['probability'], s['probability_sd'], s['smallest'])}, direction and position unknown"
    )
    d = document["direction"]
    if factor > 0:
        lines.append(
            f"  direction about azimuth {d['azimuth_deg']:.1f}, elevation {d['elevation_deg']:.1f} degrees: within 1, 5, 20 "
            f"degrees of it with probability {', '.join(_said(d['within_cone_deg'][k]) for k in ('1', '5', '20'))}; nearer "
            f"it than its reverse: {_said(d['nearer_than_its_reverse'])}"
        )
        lines.append(
            "  probability of a wrong sign of the component along x, y, z: "
            + ", ".join(_said(d["wrong_sign"][k]) for k in "xyz")
        )
    else:
        upper = _quantity(d["size_quantiles"]["95%"], unit)
        lines.append(f"  if there is a source after all, it is smaller than {upper} with probability 0.95")
    for c in document.get("directions", []):
        lines.append(
            f"  direction {c['name']}: probability {c['probability_in_list']:.3g} among those listed, log Bayes factor to "
            f"the best of them {c['log_bayes_factor_to_best']:+.4g} +- {c['sd']:.2g}"
        )
    return lines


def _experiment_lines(document: DetectionDocument) -> list[str]:
    """What the experiment sees and misses."""
    unit, e, promised = document["unit"], document["experiment"], document["promised"]
    lines: list[str] = []
    small = e["smallest_size"]
    begin = "This experiment as planned" if document["planned"] else "This experiment"
    lines.append(
        f"{begin} ({e['repeats']:.0f} repeats) detects with probability {promised['detection']:g}, at a false-alarm probability "
        f"of {promised['false_alarm']:g}, a source in a random direction from {_quantity(small['random_direction'], unit)} up "
        f"(best direction {_quantity(small['best_direction'], unit)}, worst {_quantity(small['worst_direction'], unit)})."
    )
    sim = e["simulated"]
    if sim:
        lines.append(
            f"  simulated, {sim['campaigns']} campaigns each: false alarms {sim['false_alarm']:.3g} +- {sim['false_alarm_sd']:.1g}, "
            f"detected {sim['detection']:.3g} +- {sim['detection_sd']:.1g}"
        )
    t = e["thresholds"]
    lines.append(
        f"  thresholds of the score statistic: {t['known']:.3g} with all known, {t['unknown_direction']:.3g} with the direction "
        f"unknown, {t['unknown_direction_and_position']:.3g} with direction and position unknown"
    )
    angle = e["smallest_angle_deg"]
    times = "ten times" if angle["at_size"] > 5 * e["roc"]["size"] else "at"
    lines.append(
        f"  {times} that size ({_quantity(angle['at_size'], unit)}): directions {angle['worst']:.2g} degrees apart are told "
        f"apart with a wrong choice in {100 * angle['wrong_choice']:g}% (position exact)"
    )
    fall = e["repeats_fall"]
    lines.append(
        "  smallest size against repeats: "
        + ", ".join(f"{n:g}: {_quantity(s, unit)}" for n, s in zip(fall["repeats"], fall["smallest_size"], strict=True))
        + f"; if flux noise were slow, so that repeats do not average it, no number of them would reach below "
        f"{_quantity(fall['floor'], unit)}"
    )
    q = e["sequential"]
    lines.append(
        f"  stopping as soon as the data suffice would take {q['mean_repeats_with_source']:.2g} repeats on average with such a "
        f"source and {q['mean_repeats_without']:.2g} without, against {q['fixed_plan_repeats']:.2g} planned ahead (known direction)"
    )
    return lines


def comparison_lines(document: Mapping[str, Any]) -> list[str]:
    """What `compare` prints: the answer, the angle, the odds, and what they rest on."""
    out = [f"{TRUST_SENTENCES[document['verdict']['trust']]}. {_same_or_moved(document)}"]
    for which in ("first", "second"):
        side = document[which]
        size = size_words(side["size"]["mean"], side["size"]["sd"], side["size"]["unit"])
        out.append(
            f"  {which}: azimuth {side['azimuth_deg']:.1f}, elevation {side['elevation_deg']:.1f} degrees, {size}, "
            f"{side['trust']} ({side['title']})"
        )
    angle = document["angle"]
    out.append(
        f"  angle between them: {angle['median_deg']:.3g} degrees, {angle['low_deg']:.3g} to {angle['high_deg']:.3g} at "
        f"{100 * angle['level']:.0f}%"
    )
    if document["size_ratio"] is not None:
        ratio = document["size_ratio"]
        out.append(f"  second size over first: {ratio['median']:.3g}, {ratio['low']:.3g} to {ratio['high']:.3g}")
    for key, one, two in (
        ("same_direction", "one direction", "two independent ones"),
        ("same_source", "one direction and size", "two independent ones"),
        ("reversed", "a source that was reversed", "two independent ones"),
    ):
        found = document[key]
        if found is not None:
            said = evidence_sentence(found["log_bayes_factor"], found["sd"], one, two)
            far = " No draw of either lies where the other's do: the number extrapolates normal tails."
            out.append(f"  {said}{far if found['extrapolated'] else ''}")
    out += [f"  {reason}" for reason in document["verdict"]["reasons"]]
    out.append("  What is uncertain of the chip and of the place is taken as independent in the two campaigns.")
    return out


def _same_or_moved(document: Mapping[str, Any]) -> str:
    """Whether two results are of one source, in a sentence."""
    same = document["same_direction"]
    whole = document["same_source"]
    angle = document["angle"]
    limit = log(KASS_RAFTERY_LIMITS[0])
    turned = document["reversed"]
    between = f"{angle['low_deg']:.2g} to {angle['high_deg']:.2g} degrees"
    if same["log_bayes_factor"] > limit:
        if whole is not None and whole["log_bayes_factor"] < -limit:
            return f"Both point the same way, but their sizes differ (odds {odds_text(whole['log_bayes_factor'])} for two sources)."
        if turned is not None and turned["log_bayes_factor"] > limit:
            return "Both are of one direction, or of one and its reverse: neither tells a direction from its reverse."
        return f"Both results are of the same direction (odds {odds_text(same['log_bayes_factor'])} for one)."
    if same["log_bayes_factor"] < -limit:
        if turned is not None and turned["log_bayes_factor"] > limit:
            return f"The source was reversed between the two (odds {odds_text(turned['log_bayes_factor'])} against any other turn)."
        return f"The source has moved, by {between} (odds {odds_text(same['log_bayes_factor'])} for two directions)."
    return f"Whether the source has moved cannot be told: the angle between the two is {between}."
