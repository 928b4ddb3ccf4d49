"""Before fabricating: the best layout of the loops under the study's rules, compared with the present one."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, TypedDict, Unpack, cast

import numpy as np

from fluxsense.base.errors import InputError
from fluxsense.base.findings import Finding
from fluxsense.design.count import CountResult, compare_counts
from fluxsense.design.gdsii import GUIDE, check_writable, read_layout, write_gdsii
from fluxsense.design.layout import (
    Judge,
    Layout,
    LayoutSearch,
    Search,
    all_criteria,
    best_ring,
    judged,
    layout_faults,
    search_layout,
    search_points,
    study_layout,
    with_layout,
)
from fluxsense.design.sensitivity import Prediction, direction_points
from fluxsense.device.chip import check_geometry, loop_outlines_m
from fluxsense.jobs.folder import held, ready
from fluxsense.jobs.options import LayoutOptions, LayoutSettings
from fluxsense.jobs.proposal import VALIDATION_POINTS, Proposal, prediction_verdict, write_proposal
from fluxsense.jobs.result import Provenance, as_study, make_document
from fluxsense.magnetics.loops import distance_to_outline
from fluxsense.model.parameter import POSITION
from fluxsense.report.design import draw_layout
from fluxsense.report.proposals import CAUTION, SMALLER_IS_BETTER, layout_lines
from fluxsense.study import Study

if TYPE_CHECKING:
    from fluxsense.report.documents import LayoutDocument


@dataclass(frozen=True, repr=False)
class LayoutProposal(Proposal):
    """What `layout` proposes.

    Attributes
    ----------
    layout : Layout
    """

    KIND: ClassVar[str] = "layout"

    layout: Layout

    def lines(self) -> list[str]:
        return layout_lines(cast("LayoutDocument", self.document))


def layout(study: Study | str | Path, **options: Unpack[LayoutOptions]) -> LayoutProposal:
    """The best layout found for a study's loops, compared with the present one.

    Parameters
    ----------
    study : Study or path
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
        Called with (what, share done, detail).

    Returns
    -------
    LayoutProposal

    Raises
    ------
    InputError
        For an impossible geometry, no setting, or rules that cannot be kept.
    """
    study, asked = as_study(study), LayoutSettings(**options)
    check_geometry(study)
    asked.say("tables of information")
    stated = study
    study, compared = _best_count(study, asked)
    search = Search(asked.starts, asked.steps, asked.seed, asked.executor)
    judge = Judge(study, search_points(study, search.points, search.seed), asked.criterion, asked.known)
    present = study_layout(study)
    asked.say("best even ring of equal loops")
    even: Layout | None = None
    with suppress(InputError):  # no ring keeps the rules
        even = best_ring(judge)[0]
    found = search_layout(judge, search, progress=asked.progress, even=even)
    best = with_layout(study, found.layout)
    asked.say("judging anew")
    x = direction_points(judge.unknowns, VALIDATION_POINTS, asked.seed, fresh=True)
    predictions = {"now": judged(study, x)}
    if even is not None:
        predictions["even_ring"] = judged(with_layout(study, even), x)
    predictions["proposed"] = judged(best, x)
    readings: dict[str, tuple[str, ...]] = {"position_as_stated": ()}
    if any(v.array == POSITION for v in judge.unknowns.nuisances):
        readings["position_known"] = ("position",)
    known = asked.position_known and "position_known" in readings
    comparison = _comparison(predictions, readings)
    body = {
        "seed": asked.seed,
        "criterion": asked.criterion,
        "position_known": known,
        "isolator_counts": [
            {"isolators": c.count, "criterion": c.value, "prediction_valid": c.valid} for c in compared
        ],
        "isolators": len(study.isolators),
        **comparison,
        **_layout_entries(study, best, found, present),
        "caution": CAUTION,
    }
    valid = comparison["prediction_valid"]["position_known" if known else "position_as_stated"]["proposed"]
    verdict = prediction_verdict(valid)
    names = ("criterion", "position_known", "starts", "steps")
    provenance = Provenance(
        stated.sha256, seed=asked.seed, options={n: getattr(asked, n) for n in names} | {"counts": list(asked.counts)}
    )
    document = make_document(LayoutProposal, study, verdict, provenance, body)
    figures = {"layout": draw_layout(study, found.layout, present)}
    return LayoutProposal(document, study, verdict, best, figures, found.layout)


@dataclass(frozen=True)
class Outlines:
    """GDSII files of a command: where outlines come from (and from which cell) and go to, the layer, the width of wires."""

    source: str | None = None
    target: str | None = None
    layer: int = 1
    cell: str = ""
    wire_width_m: float = 0.0

    def check(self, study: Study) -> None:
        """Refuse, before a search, what could not be written after it.

        Raises
        ------
        InputError
        """
        if self.target:
            check_writable(study, self.layer, self.wire_width_m)
            if Path(self.target).is_dir():
                raise InputError(
                    "this is a folder", where=self.target, remedy="Name the file to write, as in --gds new.gds"
                )
            ready(Path(self.target).parent)


@dataclass(frozen=True)
class LayoutFiles:
    """What `layout_folder` left: the proposal, names of files, and what is to be said of outlines read and written."""

    proposal: LayoutProposal
    written: list[str]
    read: tuple[Finding, ...] = ()
    drawn: tuple[Finding, ...] = ()


def layout_folder(
    study: Study | str | Path,
    folder: Path,
    outlines: Outlines,
    *,
    figures: bool = False,
    **options: Unpack[LayoutOptions],
) -> LayoutFiles:
    """`layout`, with the files that the command leaves; with `figures` every figure as PDF and SVG too."""
    study = as_study(study)
    LayoutSettings(**options)
    outlines.check(study)
    read: tuple[Finding, ...] = ()
    if outlines.source:
        present, wires_m = read_layout(study, outlines.source, layer=outlines.layer, cell=outlines.cell)
        read = tuple(Finding("wire by its centre line", loop=k, width_um=1e6 * v) for k, v in wires_m.items())
        study = with_layout(study, present)
    check_geometry(study)
    with held(ready(folder)):
        found = layout(study, **options)
        written = write_proposal(found, folder, figures)
        if not outlines.target:
            return LayoutFiles(found, written, read)
        width_m = outlines.wire_width_m
        write_gdsii(outlines.target, found.proposed, found.layout, layer=outlines.layer, wire_width_m=width_m)
        what = f"wires {1e6 * width_m:g} um wide" if width_m else GUIDE
        drawn = Finding("outlines written", file=outlines.target, layer=outlines.layer, what=what)
        return LayoutFiles(found, written, read, (drawn,))


def _best_count(study: Study, asked: LayoutSettings) -> tuple[Study, list[CountResult]]:
    """The study with the best of the numbers of isolators to compare, and the comparison; the study itself if none is given."""
    if not asked.counts:
        return study, []
    compared = compare_counts(
        study,
        asked.counts,
        Search(max(1, asked.starts // 2), max(1, asked.steps // 2), asked.seed, asked.executor),
        criterion=asked.criterion,
        known=asked.known,
        progress=asked.say,
    )
    sense = 1 if asked.criterion in SMALLER_IS_BETTER else -1
    return min(compared, key=lambda c: sense * c.value).study, compared


class _Comparison(TypedDict):
    """Every criterion and whether it is valid, by what is known and by layout."""

    comparison: dict[str, dict[str, dict[str, float]]]
    prediction_valid: dict[str, dict[str, bool]]


def _comparison(predictions: dict[str, Prediction], readings: dict[str, tuple[str, ...]]) -> _Comparison:
    """Every criterion of every layout, and whether its prediction is valid, by what is known when the data are read."""
    return {
        "comparison": {
            label: {which: all_criteria(p, known) for which, p in predictions.items()}
            for label, known in readings.items()
        },
        "prediction_valid": {
            label: {which: p.valid(known) for which, p in predictions.items()} for label, known in readings.items()
        },
    }


def _layout_entries(study: Study, best: Study, found: LayoutSearch, present: Layout) -> dict[str, object]:
    """The layout proposed, loop by loop, with the rules that each layout breaks."""
    proposed, clearance = found.layout, None
    if best.source.has_position:
        position = np.array(best.source.position_m)
        clearance = min(float(distance_to_outline(position, o)) for o in loop_outlines_m(best))
    return {
        "starts": [float(v) for v in found.starts],
        "rules_broken_now": layout_faults(study, present),
        "rules_broken_proposed": layout_faults(study, proposed),
        "nearest_wire_to_source_m": clearance,
        "source_height_change_m": proposed.lift_m,
        "loops": [
            {
                "name": loop.name,
                "chip": chip,
                "center_m": [float(v) for v in 0.5 * (o.min(axis=0) + o.max(axis=0))],
                "extent_m": [float(v) for v in np.ptp(o, axis=0)],
                "corners": len(o),
                "fixed": loop.name in study.layout.fixed,
            }
            for loop, chip, o in zip(study.loops, proposed.chips, proposed.outlines, strict=True)
        ],
    }
