"""Tables of a result for a paper or a spreadsheet: rows from the document, as CSV (RFC 4180) and as a LaTeX tabular."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from io import StringIO
from typing import TYPE_CHECKING, Any

from fluxsense.base.units import dimension_of, format_quantity, watt_to_dbm

if TYPE_CHECKING:
    from fluxsense.characterize.document import CharacterizationDocument
    from fluxsense.report.documents import (
        AnswerDocument,
        CheckDocument,
        DetectionDocument,
        LayoutDocument,
        PlanDocument,
    )

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


def summary_table(document: AnswerDocument) -> Table:
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


def _answer_tables(document: AnswerDocument) -> dict[str, Table]:
    return {"summary": summary_table(document), "unknowns": unknowns_table(document)}


def _check_tables(document: CheckDocument) -> dict[str, Table]:
    """Flux of the stated source along each axis, and which way each pair transmits."""
    flux: list[tuple[Cell, ...]] = [
        (name, *map(float, one["phi0_for_stated_size"])) for name, one in document["flux_map"].items()
    ]
    ways = [
        (iso["isolator"], d["signs"], str(d["pump_port"]), d["direction"], float(d["directionality_db"]))
        for iso in document["isolators"]
        for d in iso["directions"]
    ]
    return {
        "flux_map": Table(
            f"Flux of a source of the stated size along each axis: {document['title']}",
            ("loop", "x (Phi0)", "y (Phi0)", "z (Phi0)"),
            tuple(flux),
        ),
        "directions": Table(
            f"Direction of transmission: {document['title']}",
            ("isolator", "signs of the currents", "pump port", "transmits from", "directionality (dB)"),
            tuple(ways),
        ),
    }


def _characterization_tables(document: CharacterizationDocument) -> dict[str, Table]:
    rows = [
        (entry["isolator"], p["name"], p["value"], p["sd"], p["unit"], "assumed" if p["assumed"] else "")
        for entry in document["isolators"]
        for p in entry.get("parameters", ())
    ]
    columns = ("isolator", "parameter", "value", "s.d.", "unit", "")
    return {"parameters": Table(f"Parameters of the chip: {document['title']}", columns, tuple(rows))}


def _plan_tables(document: PlanDocument) -> dict[str, Table]:
    """Working points that are proposed, and the split of the sweeps."""
    points: list[tuple[Cell, ...]] = [
        (
            s["name"],
            ", ".join(s["isolators"]),
            str(s["pump_port"] or ""),
            watt_to_dbm(s["pump_power_w"]),
            None if s["pump_frequency_hz"] is None else s["pump_frequency_hz"] / 1e9,
            *(1e3 * float(x) for x in s["bias_a"].values()),
        )
        for s in document["settings"]
    ]
    lines = list(document["settings"][0]["bias_a"]) if points else []
    split = [
        (
            c["isolator"],
            c["setting"] or f"pump off at the bias of {c['pump_off_at_bias_of']}",
            c["state"],
            c["cooldown"],
            float(c["sweeps"]),
        )
        for c in document["schedule"]["candidates"]
    ]
    head = (
        "setting",
        "isolators",
        "pump port",
        "pump power (dBm)",
        "pump frequency (GHz)",
        *(f"{x} (mA)" for x in lines),
    )
    return {
        "working_points": Table(f"Proposed settings: {document['title']}", head, tuple(points)),
        "split": Table(
            f"Split of the sweeps: {document['title']}",
            ("isolator", "setting", "state", "cooldown", "sweeps"),
            tuple(split),
        ),
    }


def _layout_tables(document: LayoutDocument) -> dict[str, Table]:
    """Every criterion of the layouts compared, and the loops that are proposed."""
    found = {
        f"criteria_{name}": Table(
            f"Layouts compared, position {name.removeprefix('position_').replace('_', ' ')}: {document['title']}",
            ("criterion", *each),
            tuple((c, *(float(one[c]) for one in each.values())) for c in next(iter(each.values()))),
        )
        for name, each in document["comparison"].items()
    }
    loops: list[tuple[Cell, ...]] = [
        (x["name"], x["chip"], *(1e6 * float(v) for v in (*x["center_m"], *x["extent_m"])), float(x["corners"]))
        for x in document["loops"]
    ]
    head = ("loop", "chip", "x (um)", "y (um)", "width (um)", "height (um)", "corners")
    return found | {"loops": Table(f"Proposed loops: {document['title']}", head, tuple(loops))}


def _detection_tables(document: DetectionDocument) -> dict[str, Table]:
    """What the experiment would see: smallest sizes, and the probability of detection of each size."""
    unit, experiment = document["unit"], document["experiment"]
    smallest = [
        (name.replace("_", " "), float(v)) for name, v in experiment["smallest_size"].items() if isinstance(v, float)
    ]
    curve = experiment["detection_against_size"]
    return {
        "smallest_size": Table(
            f"Smallest source seen: {document['title']}", ("direction", f"size ({unit})"), tuple(smallest)
        ),
        "detection": Table(
            f"Probability of detection: {document['title']}",
            (f"size ({unit})", "probability"),
            tuple((float(a), float(b)) for a, b in zip(curve["size"], curve["probability"], strict=True)),
        ),
    }


_TABLES: dict[str, Callable[[Any], dict[str, Table]]] = {
    "orientation": _answer_tables,
    "check": _check_tables,
    "characterization": _characterization_tables,
    "plan": _plan_tables,
    "layout": _layout_tables,
    "detection": _detection_tables,
}


def tables_of(document: Mapping[str, Any]) -> dict[str, Table]:
    """The tables of a result's document by name; none of a kind that has none."""
    made = _TABLES.get(document["kind"])
    return {} if made is None else made(document)
