"""The section on confidence: figures from the document of `detect`, and its place in the report's page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, NullFormatter, NullLocator

from fluxsense.base.errors import InputError
from fluxsense.base.files import read_bytes, write_beside
from fluxsense.report.figures import BLUE, INK, ORANGE, QUIET, styled
from fluxsense.report.lines import detection_lines
from fluxsense.report.page import TRUST_WORDS, filled
from fluxsense.report.pictures import picture
from fluxsense.report.views import reading_scale

if TYPE_CHECKING:
    from fluxsense.report.documents import DetectionDocument

BEGIN, END = "<!-- confidence begins -->", "<!-- confidence ends -->"
BEFORE = ('<section id="cautions">', "</main>")
"""What the section stands before: the first of these that the page has."""
REPORT_LIMIT_BYTES = 200_000_000
EDGES = {"left": 0.13, "right": 0.98, "bottom": 0.14, "top": 0.91}
"""Edges of a single panel; a layout found by trial drawings takes twice as long."""


def _plain_log(axis: Axis) -> None:
    """Plain numbers at 1, 2 and 5 on a logarithmic axis."""
    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


@styled
def roc_figure(document: DetectionDocument) -> Figure:
    """Detection against false-alarm probability: approximation as lines, simulated campaigns as points.

    Parameters
    ----------
    document : dict
        Of `fluxsense.jobs.detect.detect`.
    """
    e = document["experiment"]
    roc, simulated = e["roc"], e["simulated"]
    factor, unit = reading_scale(document["unit"], roc["size"])
    figure = Figure(figsize=(5.2, 3.6))
    axes = figure.subplots(gridspec_kw=EDGES)
    p = np.array(roc["false_alarm"])
    axes.plot(p, roc["known"], color=QUIET, ls=":", label="direction and position known")
    axes.plot(p, roc["unknown_direction"], color=BLUE, label="direction unknown")
    if e["thresholds"]["degrees_of_all_positions"] > e["thresholds"]["degrees"]:
        axes.plot(p, roc["unknown_direction_and_position"], color=INK, ls="--", label="position unknown too")
    if simulated:
        y = np.array(simulated["roc"])
        n = simulated["campaigns"]
        sd = np.sqrt(np.maximum(y * (1 - y), 1 / n) / n)
        # thresholds far in the tail rest on too few simulated campaigns
        good = p * n >= 5
        axes.errorbar(
            p[good], y[good], 2 * sd[good], fmt="o", ms=3.5, lw=0.8, color=ORANGE, label=f"simulated, {n} each (2 sd)"
        )
    chance = np.geomspace(p[0], p[-1], 60)
    axes.plot(chance, chance, color=QUIET, lw=0.6)
    axes.set(
        xscale="log",
        xlim=(p[0], 1),
        xlabel="probability of a false alarm",
        ylabel="probability of detection",
        ylim=(0, 1.02),
        title=f"A source of {roc['size'] * factor:.3g} {unit} in a random direction",
    )
    axes.legend(loc="upper left", bbox_to_anchor=(0.02, 0.62))
    _plain_log(axes.xaxis)
    return figure


@styled
def detection_figure(document: DetectionDocument) -> Figure:
    """Detection probability against size at the promised false-alarm probability, and smallest size against repeats."""
    e = document["experiment"]
    curve, fall, promised = e["detection_against_size"], e["repeats_fall"], document["promised"]
    factor, unit = reading_scale(document["unit"], curve["size"][-1])
    figure = Figure(figsize=(7.4, 3.4))
    left, right = figure.subplots(
        1, 2, gridspec_kw={"left": 0.085, "right": 0.985, "bottom": 0.15, "top": 0.9, "wspace": 0.3}
    )
    left.plot(np.array(curve["size"]) * factor, curve["probability"], color=BLUE)
    left.axhline(promised["detection"], color=QUIET, lw=0.7, ls=":")
    if e["simulated"]:
        s = e["simulated"]
        left.errorbar(
            [e["roc"]["size"] * factor],
            [s["detection"]],
            [2 * s["detection_sd"]],
            fmt="o",
            ms=4,
            color=ORANGE,
            label="simulated",
        )
        left.legend(loc="lower right")
    left.set(
        xlabel=f"size ({unit})",
        ylabel="probability of detection",
        ylim=(0, 1.02),
        title=f"False-alarm probability {promised['false_alarm']:g}",
    )
    n = np.array(fall["repeats"])
    right.loglog(n, np.array(fall["smallest_size"]) * factor, color=BLUE, marker="o", ms=3.5, label="as it is")
    if fall["without_flux_noise"] is not None:
        right.loglog(n, np.array(fall["without_flux_noise"]) * factor, color=INK, ls="--", label="without flux noise")
    right.loglog(n, np.array(fall["slow_flux_noise"]) * factor, color=ORANGE, ls="-.", label="flux noise slow")
    right.axhline(fall["floor"] * factor, color=QUIET, lw=0.7, ls=":", label="its floor")
    right.set(xlabel="repeats of each sweep", ylabel=f"smallest size detected ({unit})")
    right.legend(loc="lower left")
    _plain_log(right.xaxis)
    _plain_log(right.yaxis)
    return figure


@styled
def growth_figure(document: DetectionDocument) -> Figure:
    """Expected log Bayes factor against repeats, with a source and without, and the grades of Kass and Raftery."""
    g = document["experiment"]["growth"]
    factor, unit = reading_scale(document["unit"], g["size"])
    figure = Figure(figsize=(5.2, 3.6))
    axes = figure.subplots(gridspec_kw=EDGES)
    n = np.array(g["repeats"])
    text = f"source of {g['size'] * factor:.3g} {unit}"
    axes.plot(n, g["expected_log_bayes_factor"], color=ORANGE, label=text)
    axes.plot(n, g["expected_without_source"], color=BLUE, label="no source")
    for limit, word in ((3.0, "positive"), (20.0, "strong"), (150.0, "very strong")):
        for sign in (1, -1):
            axes.axhline(sign * np.log(limit), color=QUIET, lw=0.5, ls=":")
        axes.annotate(
            word,
            (n[-1], np.log(limit)),
            xytext=(-3, 1),
            textcoords="offset points",
            fontsize=7,
            color=QUIET,
            ha="right",
        )
    axes.set(
        xscale="log",
        xlim=(n[0], n[-1]),
        xlabel="repeats of each sweep",
        ylabel="expected log Bayes factor",
        title="Source against none; grades of Kass and Raftery 1995",
    )
    axes.set_yscale("symlog", linthresh=5)
    most = max(np.abs(g["expected_log_bayes_factor"]).max(), np.abs(g["expected_without_source"]).max(), 10.0)
    decades = 10.0 ** np.arange(1, np.ceil(np.log10(most)) + 1)
    axes.yaxis.set_major_locator(FixedLocator([*-decades[::-1], -5, 0, 5, *decades]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_ylim(min(-7.0, 1.5 * float(np.min(g["expected_without_source"]))), 1.2 * most)
    _plain_log(axes.xaxis)
    axes.legend(loc="upper left")
    return figure


def detection_figures(document: DetectionDocument) -> dict[str, Figure]:
    """Every figure of `detect` by its name."""
    return {
        "false_alarms": roc_figure(document), "smallest_size": detection_figure(document), "growth": growth_figure(document)
    }  # fmt: skip


CAPTIONS = {
    "false_alarms": ("Detection against false-alarm probability", "Detection against false alarms."),
    "smallest_size": (
        "Detection probability against size; smallest size against repeats",
        "Detection against size, and how the smallest size detected falls with repeats.",
    ),
    "growth": ("Log Bayes factor against repeats", "How the log Bayes factor grows with repeats."),
}
"""By figure: words for those who cannot see it, and caption."""


def section_html(document: DetectionDocument, lines: Sequence[str]) -> str:
    """The section as HTML, every text escaped, between the marks by which it is found again."""
    pictures = [picture(figure, *CAPTIONS[name]) for name, figure in detection_figures(document).items()]
    of = "<!-- of study {study_hash}, data {digest_hash} -->".format(**document["provenance"])
    return f"{BEGIN}{of}{filled('confidence.html', lines=lines, pictures=pictures)}{END}"


def with_section(page: str, section: str) -> str:
    """The report's page with the section in it, before the cautions; a former one is replaced."""
    if BEGIN in page and END in page:
        start, stop = page.index(BEGIN), page.index(END) + len(END)
        page = page[:start] + page[stop:].lstrip("\n")
    last = next((x for x in BEFORE if x in page), "")
    at = page.rindex(last) if last else len(page)
    return page[:at] + section + "\n" + page[at:]


def alone_html(document: DetectionDocument) -> str:
    """A page of its own for the section, in the frame of all pages: the first line is its answer."""
    first, *rest = (x.strip() for x in detection_lines(document))
    return filled(
        "detection.html",
        d=document,
        answer=first,
        said=document["verdict"]["reasons"],
        trust_words=TRUST_WORDS[document["verdict"]["trust"]],
        section=section_html(document, rest),
    )


def write_section(report: Path, alone: Path, document: DetectionDocument) -> Path:
    """Put the section into the report, or into a page of its own if there is no report; returns which."""
    try:
        former = read_bytes(report, limit_bytes=REPORT_LIMIT_BYTES, kind="report").decode("utf-8")
    except (InputError, UnicodeDecodeError):  # none there, or none of ours
        former = ""
    provenance = document["provenance"]
    if not all(mark in former for mark in (provenance["study_hash"], provenance["digest_hash"])):
        former = ""  # the page is of another result
    if former:
        section = section_html(document, [x.strip() for x in detection_lines(document)])
        target, page = report, with_section(former, section)
    else:
        target, page = alone, alone_html(document)
    write_beside(target, page.encode(), sync=True)
    return target
