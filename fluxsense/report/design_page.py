"""The pages of `plan` and `layout`: the document and the figures of a proposal in the frame that every page has."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from matplotlib.figure import Figure

from fluxsense.report.page import TRUST_WORDS, filled
from fluxsense.report.pictures import picture
from fluxsense.report.proposals import (
    CRITERION_WORDS,
    LAYOUT_WORDS,
    SMALLER_IS_BETTER,
    frequency_lines,
    gain_line,
    isolation_lines,
    layout_notes,
    schedule_lines,
    searched_for,
    setting_words,
    time_lines,
    worse_lines,
)
from fluxsense.report.readout import probe_lines, readout_lines
from fluxsense.report.sentences import KIND_WORDS
from fluxsense.report.views import Picture

if TYPE_CHECKING:
    from fluxsense.report.documents import LayoutDocument, PlanDocument

CAPTIONS = {
    "landscape": (
        "Expected angular error against the bias fluxes of an isolator's two loops",
        "Where to bias. Expected angular error over the bias fluxes of the first isolator's two loops, all else as in the study: the "
        "lighter, the better. Cross: the study; ring: the best point of the grid. It is worked out at a few truths, to compare places: the "
        "error of the experiment is the one given above.",
    ),
    "ambiguity": (
        "Two equal-area discs of the sphere with the directions that would not be told from the true one",
        "What would be taken for what, with the proposed settings. Equal-area discs as on the page of an answer: azimuth (az) runs from "
        "+x towards +y, elevation (el) from the chip plane towards +z. The star is a true direction of middling elevation; the shade of "
        "every other is the expected odds of the truth against it, crosses those that would pass for the truth.",
    ),
    "schedule": (
        "Number of sweeps of each kind in the best split",
        "The best split of the sweeps, in whole numbers; kinds that would get none are left out.",
    ),
    "frequencies": (
        "Share of the information on the direction by frequency",
        "Which frequencies tell. Share of the information on the direction by frequency; the shaded window holds nine tenths of it.",
    ),
    "pump": (
        "Isolation and flux noise of each isolator against pump power",
        "What pump power buys: the best isolation of each isolator, and its flux noise, up to the limit that the study states.",
    ),
    "layout": (
        "Outlines of the loops, proposed and present, chip by chip",
        "The loops from above, chip by chip. Solid: proposed; dashed: present; hatched: kept out; cross: under the source.",
    ),
}
"""By figure: words for those who cannot see it, and caption."""


def proposal_page(document: PlanDocument | LayoutDocument, figures: Mapping[str, Figure]) -> str:
    """The page of a plan or a layout as one HTML document.

    Parameters
    ----------
    document : mapping
        Of `plan` or `layout`.
    figures : mapping
        Its figures by the names in `CAPTIONS`, each shown once.
    """
    shown = {name: picture(figure, *CAPTIONS[name]) for name, figure in figures.items()}
    kind = str(document["kind"])
    return filled(
        f"{kind}.html",
        d=document,
        trust_words=TRUST_WORDS[document["verdict"]["trust"]],
        pictures=shown,
        **PARTS[kind](document, shown),
    )


def _plan_parts(document: PlanDocument, shown: Mapping[str, Picture]) -> dict[str, object]:
    now, then = document["error_now"], document["error_proposed"]
    known = sorted(then["mean_if_known_deg"].items(), key=lambda item: item[1])
    readout = document["readout"]
    answer = f"The expected angular error is {now['mean_deg']:.3g} degrees on average over directions and positions as the study plans"
    if then is now or then == now:
        answer += "; no better working points were found."
    else:
        answer += f", and {then['mean_deg']:.3g} degrees with the working points proposed."
    return {
        "answer": answer,
        "said": [*document["verdict"]["reasons"], *document["leaves_out"]],
        "known": [(KIND_WORDS.get(kind, kind), value) for kind, value in known],
        "settings": [
            (s["name"], ", ".join(s["isolators"]), str(s["pump_port"]), *setting_words(s)) for s in document["settings"]
        ],
        "of_points": isolation_lines(document) + ([] if document["probe"] is None else _stripped(probe_lines(document["probe"]))),
        "of_sweeps": _stripped([*schedule_lines(document), *time_lines(document), *frequency_lines(document), gain_line(document)]),
        "sweeps": [
            (c["isolator"], c["setting"] or f"pump off at the bias of {c['pump_off_at_bias_of']}", c["state"], c["cooldown"], c["sweeps"])
            for c in document["schedule"]["candidates"]
            if c["sweeps"]
        ],
        "of_directions": [document["determined"], *(document["ambiguities"] or ["Nothing was found that could not be told apart."])],
        "readout": [] if readout is None else _stripped([*readout_lines(readout, document["source_unit"]), *document["readout_notes"]]),
    }  # fmt: skip


def _layout_parts(document: LayoutDocument, shown: Mapping[str, Picture]) -> dict[str, object]:
    criterion = document["criterion"]
    value = searched_for(document)
    words = CRITERION_WORDS[criterion]
    better = "less is better" if criterion in SMALLER_IS_BETTER else "more is better"
    return {
        "answer": f"{words[0].upper()}{words[1:]}: {value['proposed']:.3g} with the layout proposed, {value['now']:.3g} with the present "
        f"one; {better}.",
        "said": [*document["verdict"]["reasons"], *worse_lines(document)],
        "tables": [_comparison_table(document, label) for label in document["comparison"]],
        "counts": [(c["isolators"], f"{c['criterion']:.4g}") for c in document["isolator_counts"]],
        "counted": words,
        "broken": document["rules_broken_now"],
        "notes": layout_notes(document),
        "loops": [
            (
                x["name"] + (" (fixed)" if x["fixed"] else ""),
                x["chip"],
                *(f"{1e6 * v:.2f}" for v in (*x["center_m"][:2], *x["extent_m"][:2])),
                x["corners"],
            )
            for x in document["loops"]
        ],
    }


def _comparison_table(document: LayoutDocument, label: str) -> dict[str, object]:
    """Every criterion of every layout, for what is known of the position when the data are read."""
    entry, valid = document["comparison"][label], document["prediction_valid"][label]
    caption = "Layouts compared, at points of the prior that the search did not see."
    if len(document["comparison"]) > 1:
        known = "known exactly" if label == "position_known" else "as uncertain as the study says"
        caption = f"Layouts compared with the position of the source {known}, at points of the prior that the search did not see."
    wide = [LAYOUT_WORDS[which] for which, right in valid.items() if not right]
    if wide:
        caption += f" No predictions, since over a tenth of the errors are too large for that; they still rank layouts: {', '.join(wide)}."
    asked = (label == "position_known") == document["position_known"]
    rows = [
        (words, [f"{values[key]:.4g}" for values in entry.values()], asked and key == document["criterion"])
        for key, words in CRITERION_WORDS.items()
    ]
    return {"caption": caption, "columns": [LAYOUT_WORDS[which] for which in entry], "rows": rows}


def _stripped(lines: Iterable[str]) -> list[str]:
    """Lines as sentences: no indentation, a capital first, a full stop last."""
    out = []
    for line in (x.strip() for x in lines):
        if line:
            out.append(line[0].upper() + line[1:] + ("" if line[-1] in ".:!" else "."))
    return out


PARTS: dict[str, Callable[[Any, Mapping[str, Picture]], dict[str, object]]] = {
    "plan": _plan_parts,
    "layout": _layout_parts,
}
"""What the template of each kind of document is given beside what all have."""
