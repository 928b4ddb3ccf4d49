"""Tables of a result for a paper or a spreadsheet: rows from the document, as CSV (RFC 4180) and as a LaTeX tabular."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from io import StringIO
from typing import Any

from fluxsense.base.units import dimension_of, format_quantity

Cell = str | float | None

_LATEX = {
    "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{", "}": r"\}",
    "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
}  # fmt: skip
"""What a text needs so that LaTeX prints it as it stands."""


@dataclass(frozen=True)
class Table:
    """A table: a caption, the names of its columns, and rows of texts and numbers (None where there is none)."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]

    def csv(self) -> str:
        """One line a row, numbers in as many digits as tell them apart."""
        out = StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(self.columns)
        for row in self.rows:
            writer.writerow(["" if x is None else repr(x) if isinstance(x, float) else x for x in row])
        return out.getvalue()

    def latex(self, digits: int = 4) -> str:
        """A tabular that needs no packages, numbers to so many digits; the caption is a comment."""
        align = "".join(
            "r" if all(isinstance(row[n], float) or row[n] is None for row in self.rows) else "l"
            for n in range(len(self.columns))
        )
        lines = [f"% {' '.join(self.caption.split())}", rf"\begin{{tabular}}{{{align}}}", r"\hline"]
        lines.append(" & ".join(latex_text(x) for x in self.columns) + r" \\ \hline")
        lines += [" & ".join(_latex_cell(x, digits) for x in row) + r" \\" for row in self.rows]
        return "\n".join([*lines, r"\hline", r"\end{tabular}"]) + "\n"


def latex_text(text: str) -> str:
    """A text as LaTeX prints it."""
    return "".join(_LATEX.get(c, c) for c in text)


def _latex_cell(value: Cell, digits: int) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return latex_text(value)
    found = re.fullmatch(r"(.*)e([+-]\d+)", text := f"{value:.{digits}g}")
    return f"${found[1]} \\times 10^{{{int(found[2])}}}$" if found else f"${text}$"


def summary_table(document: Mapping[str, Any]) -> Table:
    """Direction, regions, size and evidence of an answer's document."""
    direction, size = document["direction"], document["size"]
    rows: list[tuple[Cell, ...]] = [
        ("verdict", document["verdict"]["trust"], ""),
        ("azimuth", direction["azimuth_deg"], "deg"),
        ("elevation", direction["elevation_deg"], "deg"),
    ]
    for region in document["region"]:
        level = f"{100 * region['level']:.0f}% region"
        rows.append((f"{level}, solid angle", region["solid_angle_sr"], "sr"))
        rows.append((f"{level}, half-angle of the cone", region["cone_deg"], "deg"))
    rows += [
        ("size, mean", size["mean"], size["unit"]),
        ("size, standard deviation", size["sd"], size["unit"]),
        ("size, in words", format_quantity(size["mean"], dimension_of(size["unit"]), 4), ""),
        ("log Bayes factor, source against none", document["log_bayes_factor"], ""),
        ("its numerical error", document["log_bayes_factor_sd"], ""),
        ("odds against the opposite direction", document["antipodal_odds"], ""),
    ]
    return Table(f"The answer: {document['title']}", ("quantity", "value", "unit"), tuple(rows))


def unknowns_table(document: Mapping[str, Any]) -> Table:
    """Prior and posterior of every unknown but the source vector."""
    keys = ("name", "unit", "prior_mean", "prior_sd", "mean", "sd")
    rows = tuple(tuple(n[k] for k in keys) for n in document["nuisances"])
    columns = ("unknown", "unit", "prior mean", "prior s.d.", "mean", "s.d.")
    return Table(f"Unknowns: {document['title']}", columns, rows)
