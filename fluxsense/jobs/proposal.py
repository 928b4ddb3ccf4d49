"""What `plan` and `layout` have in common: a result that leads to a study, its files, the verdict on its predictions."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, cast

from fluxsense.base.files import write_beside
from fluxsense.base.findings import Finding, Verdict
from fluxsense.data.chains import unsettled
from fluxsense.design.sensitivity import VALID_ERROR_DEG
from fluxsense.jobs.folder import keep, write_figures
from fluxsense.jobs.result import Result
from fluxsense.study import Study
from fluxsense.study.write import study_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from fluxsense.report.documents import LayoutDocument, PlanDocument

VALIDATION_POINTS: Final = 48
"""Points of the prior, other than those of a search, at which what it found is judged."""


@dataclass(frozen=True, repr=False)
class Proposal(Result):
    """A proposal.

    Attributes
    ----------
    proposed : Study
        What it leads to.
    figures : dict
        By name.
    """

    proposed: Study
    figures: dict[str, Figure]

    def pictures(self) -> dict[str, Figure]:
        return self.figures


def write_proposal(proposal: Proposal, folder: Path, figures: bool) -> list[str]:
    """Write the document, the study and the page of a proposal, and its figures as files if asked for; returns their names."""
    from fluxsense.report.design_page import proposal_page  # matplotlib is slow to import

    stem = proposal.KIND
    keep(folder / f"{stem}.json", proposal.document)
    write_beside(folder / "study.toml", study_text(unsettled(proposal.proposed)).encode("utf-8"), sync=True)
    page = proposal_page(cast("PlanDocument | LayoutDocument", proposal.document), proposal.figures)
    write_beside(folder / f"{stem}.html", page.encode("utf-8", "backslashreplace"), sync=True)
    more = write_figures(proposal.figures, folder) if figures else []
    return [f"{stem}.json", "study.toml", f"{stem}.html", *more]


def prediction_verdict(valid: bool) -> Verdict:
    """The verdict on a proposal: whether its predictions are any."""
    doubts = [] if valid else [Finding("prediction not valid", 1, most_deg=VALID_ERROR_DEG)]
    return Verdict.of(doubts, "sound prediction")
