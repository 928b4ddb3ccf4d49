"""The report as one HTML page: no network, no scripts, figures inlined, every name from a file shown as text."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from fluxsense.base.files import write_beside
from fluxsense.base.sphere import angle_between_rad, angles_from_vector
from fluxsense.data.settings import setting_names
from fluxsense.report.lines import answer_sentence, size_words
from fluxsense.report.sentences import KIND_WORDS
from fluxsense.report.views import (
    CountView,
    GroupView,
    KnownSource,
    LoopView,
    Picture,
    Shown,
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


def report_page(
    document: AnswerDocument,
    shown: Shown,
    known: KnownSource | None = None,
    pictures: Mapping[str, Picture] | None = None,
) -> str:
    """The report of an answer as one HTML document.

    Parameters
    ----------
    document : dict
    shown : Shown
    known : KnownSource, optional
        The source behind simulated traces; it is marked, never used.
    pictures : mapping, optional
        What `answer_pictures` makes of `shown` and `known`, if that is done already.

    Returns
    -------
    str
        The same text for the same result.
    """
    if pictures is None:
        from fluxsense.report.pictures import answer_pictures  # matplotlib is slow to import

        pictures = answer_pictures(shown, known)
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
        pictures=pictures,
        groups=[_group_row(v) for v in shown.groups],
        votes=[_count_row(shown.study, v) for v in shown.counts],
        loops=[_loop_row(v) for v in shown.loops],
        nuisances=[_nuisance_row(n) for n in document["nuisances"]],
        limits=_limit_rows(document["limits"]),
        settings=_setting_rows(shown) if shown.groups else [],
    )


def write_page(
    path: str | os.PathLike[str],
    document: AnswerDocument,
    shown: Shown,
    known: KnownSource | None = None,
    pictures: Mapping[str, Picture] | None = None,
) -> None:
    """Write the page beside its place, then rename it, so that no reader sees half a page.

    Raises
    ------
    InputError
        If the file cannot be written; an existing file is then left as it was.
    """
    write_beside(path, report_page(document, shown, known, pictures).encode("utf-8", "backslashreplace"), sync=True)


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
    factor, unit = reading_scale(shown.study.source.unit, size)
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
    either = entry["either_sign"]
    mean, sd = (entry["mean"], entry["sd"]) if either is None else (either["mean"], either["sd"])
    pull = (mean - entry["prior_mean"]) / entry["prior_sd"]
    posterior = _with_sd(mean * factor, sd * factor)
    return {
        "name": entry["name"],
        "unit": unit,
        "prior": _with_sd(entry["prior_mean"] * factor, entry["prior_sd"] * factor),
        "posterior": posterior if either is None else f"+ or − ({posterior})",
        "narrowing": f"{entry['prior_sd'] / sd:.3g}" if sd else "–",
        "pull": _signed(pull) if either is None else f"±{pull:.1f}",
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


__all__ = ["filled", "report_page", "write_page"]
