"""The report as one HTML page: no network, no scripts, figures inlined, every name from a file shown as text."""

from __future__ import annotations

import base64
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape
from matplotlib.figure import Figure

from fluxsense.base.files import write_beside
from fluxsense.base.sphere import angle_between_rad, angles_from_vector
from fluxsense.data.own_columns import MEASURES
from fluxsense.data.settings import setting_names
from fluxsense.report import figures
from fluxsense.report.lines import answer_sentence, size_words
from fluxsense.report.sentences import KIND_WORDS
from fluxsense.report.views import (
    CountView,
    GroupView,
    KnownSource,
    LoopView,
    Shown,
    chosen_groups,
    passes,
    pump_words,
    reading_scale,
    typeset,
)
from fluxsense.study import Study

if TYPE_CHECKING:
    from fluxsense.report.documents import AnswerDocument, Limits, Nuisance

TRUST_WORDS = {
    "reliable": "Reliable",
    "tentative": "Tentative: do not rely on it yet",
    "unusable": "Unusable: do not believe it",
}

STOPPED_WORDS = {
    "enough": "as many effective samples as wanted",
    "steps": "the limit of steps was reached",
    "time": "the time limit was reached",
    "interrupted": "it was interrupted",
}

MOST_VECTOR_PANELS = 8
"""More panels of traces than this go into the page as pixels: thousands of symbols make a heavy vector figure."""


@dataclass(frozen=True)
class Picture:
    """A figure in the page: data URI (safe in an attribute), width in CSS pixels, words for those who cannot see it, caption."""

    uri: Markup
    width: int
    alt: str
    caption: str


def filled(template: str, **values: object) -> str:
    """A template of this folder with its values, all text from files shown as text.

    Parameters
    ----------
    template : str
        Its file; what every page has, and what it is to be given for that, stands in ``base.html``.
    **values
        What it shows.
    """
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update({"signed": _signed, "short": _short, "hat": lambda x: "∞" if x is None else f"{x:.3f}"})
    environment.filters["coded"] = _coded
    return environment.get_template(template).render(**values)


def _coded(words: str) -> Markup:
    """A sentence with what stands between backticks as code, everything else as text."""
    return Markup(re.sub("`([^`]+)`", r"<code>\1</code>", str(escape(words))))


def report_page(shown: Shown, known: KnownSource | None = None) -> str:
    """The report of an answer as one HTML document.

    Parameters
    ----------
    shown : Shown
    known : KnownSource, optional
        The source behind simulated traces; it is marked, never used.

    Returns
    -------
    str
        The same text for the same result.
    """
    document = shown.document
    return filled(
        "page.html",
        d=document,
        answer=answer_sentence(document),
        said=[*document["verdict"]["reasons"], *document["known_source"]["said"]],
        trust_words=TRUST_WORDS[document["verdict"]["trust"]],
        stopped=STOPPED_WORDS.get(document["sampling"]["stopped"], document["sampling"]["stopped"]),
        note=shown.study.note.strip(),
        study_file=shown.study.path.name,
        size=_size_words(document),
        truth=None if known is None else _truth_words(shown, known),
        pictures=_pictures(shown, known),
        groups=[_group_row(v) for v in shown.groups],
        votes=[_count_row(shown.study, v) for v in shown.counts],
        loops=[_loop_row(v) for v in shown.loops],
        nuisances=[_nuisance_row(n) for n in document["nuisances"]],
        limits=_limit_rows(document["limits"]),
        settings=_setting_rows(shown) if shown.groups else [],
    )


def write_page(path: str | os.PathLike[str], shown: Shown, known: KnownSource | None = None) -> None:
    """Write the page beside its place, then rename it, so that no reader sees half a page.

    Raises
    ------
    InputError
        If the file cannot be written; an existing file is then left as it was.
    """
    write_beside(path, report_page(shown, known).encode("utf-8", "backslashreplace"), sync=True)


def picture(figure: Figure, alt: str, caption: str, *, pixels: bool = False) -> Picture:
    """A figure as a data URI: PNG if `pixels` is set, else SVG."""
    if pixels:
        uri = Markup("data:image/png;base64," + base64.b64encode(figures.image_bytes(figure, "png")).decode("ascii"))
    else:
        uri = svg_uri(figures.image_bytes(figure))
    return Picture(uri, round(96 * float(figure.get_size_inches()[0])), alt, caption)


def svg_uri(data: bytes) -> Markup:
    """An SVG as a data URI for an attribute between double quotes: as text, a quarter shorter than in base64.

    Whatever could end the attribute, the address or the text is written by its code.
    """
    text = data.decode().encode("ascii", "xmlcharrefreplace").decode()
    text = text.replace("'", "&apos;").replace('"', "'")  # between the attributes of the picture either quote is as good
    for sign in "%#<>&":
        text = text.replace(sign, f"%{ord(sign):02X}")
    return Markup("data:image/svg+xml," + text)


def answer_figures(shown: Shown, known: KnownSource | None) -> dict[str, Figure]:
    """Every figure of an answer by its name."""
    found = {
        "map": figures.sphere_map(shown, known),
        "geometry": figures.geometry(shown, known),
        "corner": figures.corner_plot(shown, known),
    }
    if not shown.groups:
        return found
    return (
        found
        | {
            "traces": figures.draw_traces(chosen_groups(shown.groups, figures.MOST_TRACES)),
            "quantiles": figures.residual_quantiles(shown.groups),
            "directionality": figures.draw_directionality(chosen_groups(shown.groups, figures.MOST_ROWS)),
        }
        | ({"own_columns": figures.sweeps_against_columns(shown.own)} if shown.own else {})
    )


def _pictures(shown: Shown, known: KnownSource | None) -> dict[str, Picture]:
    """The figures with words and captions; many panels of traces as pixels."""
    words = _captions(shown, known)
    drawn = answer_figures(shown, known)
    heavy = len(chosen_groups(shown.groups, figures.MOST_TRACES)) > MOST_VECTOR_PANELS
    pixels = {"own_columns"} | ({"traces"} if heavy else set())
    return {name: picture(figure, *words[name], pixels=name in pixels) for name, figure in drawn.items()}


def _captions(shown: Shown, known: KnownSource | None) -> dict[str, tuple[str, str]]:
    """Words for those who cannot see it, and caption, of each figure."""
    marked = " The star marks the truth." if known is not None else ""

    def part(most: int) -> str:
        chosen = len(chosen_groups(shown.groups, most))
        if chosen == len(shown.groups):
            return ""
        return f" Shown are {chosen} of {len(shown.groups)} groups: the worst misfits, and others spread evenly."

    return {
        "map": (
            "Map of the sphere with the 50, 90 and 95% credible regions of the direction",
            "Where the source points. Equal-area discs: equal areas on the page are equal solid angles. Azimuth (az) runs "
            "from +x towards +y, elevation (el) from the chip plane towards +z. "
            + (
                "Numbered rings are the candidate directions, the most probable first."
                if "candidates" in shown.document["region"][0]
                else "Solid, dashed and dotted edges enclose 50, 90 and 95% of the probability; dots are draws."
            )
            + marked,
        ),
        "geometry": (
            "Loops and source from above and from the side, with an arrow along the mean direction",
            "The loops and the direction found. Thin lines are draws, the solid arrow is the mean direction"
            + (", the dashed arrow the truth." if known is not None else ".")
            + " Arrows show direction only, not size.",
        ),
        "corner": (
            "Marginal posterior of the source vector and the nuisances that go most with it",
            "The source vector and the nuisances that vary most with it. Shaded: 50% (solid edge) and 90% (dashed edge) "
            "of the probability of each pair. Dashed verticals: 5, 50 and 95%."
            + (" Star and dash-dotted lines: the truth." if known is not None else ""),
        ),
        "traces": (
            "Measured and predicted magnitude of S21 and S12 for each group, with residuals",
            "Magnitude of each path with the pump on, divided by the pump-off trace that all states share. Below each panel: residuals along the "
            "measured phasor in standard deviations, after the most probable gain and flux-noise errors are taken out; "
            f"the shaded strip is ± 2.{part(figures.MOST_TRACES)}",
        ),
        "quantiles": (
            "Quantiles of the residuals against a normal distribution",
            "Do the residuals scatter as the model expects? All groups, both quadratures. Points on the line: yes. A "
            "slope above one: more scatter than expected. Points on the frame lie beyond it.",
        ),
        "own_columns": (
            "Change of gain and phase of each sweep, and what is left of it, against columns of the log",
            "Sweeps against the log's own columns: change of gain and phase of either path against the mean of the repeats, and what is "
            f"left in units of white noise. {_own_words(shown)}",
        ),
        "directionality": (
            "Directionality of each group, measured and predicted",
            "Which way each setting transmits. Taken at the frequency where the predicted directionality is largest. "
            f"Circle: measured, with one standard deviation of white noise. Diamond: predicted.{part(figures.MOST_ROWS)}",
        ),
    }


def _own_words(shown: Shown) -> str:
    """Which of the laboratory's own columns the sweeps go with."""
    said = [f"{MEASURES[n]} with {one.name}" for one in shown.own for n in one.sure]
    found = f"Surely together go: {'; '.join(said)} (filled dots)." if said else "None goes surely together."
    more = len(shown.own) - figures.MOST_OWN_COLUMNS
    return f"{found} {more} more columns are not shown." if more > 0 else found


# ------------------------------------------------------------------------------------------------------- rows and words
def _signed(value: float, digits: int = 1) -> str:
    return f"{value:+.{digits}f}".replace("-", "−")


def _short(value: float | None, digits: int = 3) -> str:
    """A number with few digits and a true minus sign; a dash for none."""
    if value is None or not np.isfinite(value):
        return "–"
    return f"{value:.{digits}g}".replace("-", "−")


def _with_sd(mean: float, sd: float) -> str:
    """Mean and standard deviation, the latter to two digits and the mean to the same place."""
    if not (np.isfinite(sd) and sd > 0):
        return f"{_short(mean, 5)}"
    places = int(np.clip(1 - np.floor(np.log10(sd)), 0, 9))
    return f"{mean:.{places}f} ± {sd:.{places}f}".replace("-", "−")


def _size_words(document: AnswerDocument) -> str:
    size = document["size"]
    return typeset(size_words(size["mean"], size["sd"], size["unit"]))


def _truth_words(shown: Shown, known: KnownSource) -> str:
    direction = known.direction
    if direction is None:
        return "The truth stated for these traces is that there was no source."
    azimuth, elevation = (float(np.degrees(a)) for a in angles_from_vector(direction))
    away = float(np.degrees(angle_between_rad(direction, shown.centre)))
    inside = [level for level, held in sorted(shown.region_contains(direction).items()) if held]
    where = f"inside the {100 * inside[0]:.0f}% region" if inside else "outside every region shown"
    size = float(np.sqrt(known.source @ known.source))
    factor, unit = reading_scale(shown.document["size"]["unit"], size)
    return (
        f"The truth stated for these traces points to azimuth {_short(azimuth, 5)} and elevation {_short(elevation, 4)} "
        f"degrees, {away:.2g} degrees from the mean direction and {where}; its size is {size * factor:.4g} {unit}. "
        "Nothing was inferred from it."
    )


def _group_row(view: GroupView) -> dict[str, str]:
    return {
        "isolator": view.isolator,
        "setting": view.setting,
        "state": view.state,
        "cooldown": view.cooldown,
        "pump": view.pump,
        "sweeps": str(view.sweeps),
        "frequency": f"{view.frequency_hz[view.at] / 1e9:.4f}",
        "measured": f"{_signed(view.directionality_db)} ± {view.directionality_sd_db:.1f}",
        "predicted": f"{_signed(view.predicted_db)} ({_signed(view.predicted_low_db)} to {_signed(view.predicted_high_db)})",
        "passes": passes(view.directionality_db),
        "misfit": f"{view.misfit:.2f}",
    }


def _count_row(study: Study, view: CountView) -> dict[str, str]:
    key = view.key
    lines = [b.name for b in study.bias_lines]
    return {
        "isolator": key.isolator,
        "state": key.state,
        "cooldown": key.cooldown,
        "pump": pump_words(key),
        "bias": ", ".join(f"{line} {_short(1e3 * a, 5)} mA" for line, a in zip(lines, key.bias_a, strict=True)),
        "forward": str(view.forward),
        "count": str(view.count),
        "predicted": f"{view.low:.2f} to {view.high:.2f}",
    }


def _sign_words(positive: float) -> str:
    sign, probability = ("+", positive) if positive >= 0.5 else ("−", 1 - positive)
    return f"{sign} ({_probability(probability)})"


def _probability(p: float) -> str:
    """A probability from some hundreds of draws: never quoted as exactly 1."""
    return "> 0.99" if p > 0.995 else f"{p:.2f}"


def _loop_row(view: LoopView) -> dict[str, str]:
    same = view.same >= 0.5
    return {
        "isolator": view.isolator,
        "setting": view.setting,
        "state": view.state,
        "cooldown": view.cooldown,
        "loop_1": view.loops[0],
        "loop_2": view.loops[1],
        "flux_1": _with_sd(1e3 * float(view.mean_phi0[0]), 1e3 * float(view.sd_phi0[0])),
        "flux_2": _with_sd(1e3 * float(view.mean_phi0[1]), 1e3 * float(view.sd_phi0[1])),
        "sign_1": _sign_words(float(view.positive[0])),
        "sign_2": _sign_words(float(view.positive[1])),
        "together": f"{'equal' if same else 'opposed'} ({_probability(view.same if same else 1 - view.same)})",
    }


def _nuisance_row(entry: Nuisance) -> dict[str, str]:
    factor, unit = reading_scale(entry["unit"], abs(entry["prior_mean"]) or entry["prior_sd"])
    return {
        "name": entry["name"],
        "unit": unit,
        "prior": _with_sd(entry["prior_mean"] * factor, entry["prior_sd"] * factor),
        "posterior": _with_sd(entry["mean"] * factor, entry["sd"] * factor),
        "narrowing": f"{entry['prior_sd'] / entry['sd']:.3g}" if entry["sd"] else "–",
        "pull": _signed((entry["mean"] - entry["prior_mean"]) / entry["prior_sd"]),
    }


def _limit_rows(limits: Limits) -> list[tuple[str, str]]:
    rows = [("as it is", limits.get("angular_error_deg"))]
    known = sorted((limits.get("if_known") or {}).items(), key=lambda item: item[1] if item[1] is not None else np.inf)
    rows += [(f"if the {KIND_WORDS.get(kind, kind)} were known exactly", value) for kind, value in known]
    if "with_reference_sweeps_deg" in limits:
        rows.append(("with as many sweeps again, source out", limits["with_reference_sweeps_deg"]))
    return [(words, _short(value)) for words, value in rows]


def _setting_rows(shown: Shown) -> list[dict[str, str]]:
    keys = [v.key for v in shown.groups]
    names = setting_names(shown.study, keys)
    rows: dict[tuple[str, str, tuple[float, ...]], dict[str, Any]] = {}
    for key in keys:
        row = rows.setdefault(
            (names[key], pump_words(key), key.bias_a), {"isolators": [], "frequencies": [], "states": []}
        )
        for column, value in (("isolators", key.isolator), ("states", key.state)):
            if value not in row[column]:
                row[column].append(value)
        row["frequencies"].append(key.pump_frequency_hz / 1e9)
    lines = [x.name for x in shown.study.bias_lines]
    out = []
    order = [s.name for s in shown.study.settings]
    place = {name: order.index(name) if name in order else len(order) for name, _, _ in rows}
    for (name, pump, bias), row in sorted(rows.items(), key=lambda item: (place[item[0][0]], item[0])):
        low, high = min(row["frequencies"]), max(row["frequencies"])
        out.append(
            {
                "name": name,
                "pump": pump,
                "isolators": ", ".join(row["isolators"]),
                "states": ", ".join(row["states"]),
                "frequency": f"{low:.6f}" if high - low < 1e-9 else f"{low:.4f} to {high:.4f}",
                "bias": ", ".join(f"{line} {_short(1e3 * a, 5)} mA" for line, a in zip(lines, bias, strict=True))
                or "none",
            }
        )
    return out


__all__ = ["Picture", "picture", "report_page", "write_page"]
