"""Bias, power, frequency and phase sweeps to ring and isolator parameters, working points, and a study ready for `orient`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, Unpack

from fluxsense.base.errors import InputError
from fluxsense.base.findings import Finding, Verdict
from fluxsense.characterize.rough import RoughStudy, read_rough
from fluxsense.characterize.run import Characterization as Fitted
from fluxsense.characterize.run import characterize as fit_sweeps
from fluxsense.characterize.run import section_heads, summary_lines
from fluxsense.characterize.section import refuse_existing, write_characterized
from fluxsense.characterize.virtual import SweepPlan, planned_sweeps
from fluxsense.data.log import LogRow, write_log
from fluxsense.device.chip import check_geometry
from fluxsense.jobs.folder import held, keep, ready, write_figures
from fluxsense.jobs.options import CharacterizeOptions, CharacterizeSettings
from fluxsense.jobs.result import Provenance, Result, Shown, make_document

SWEEP_PLAN = "sweep_plan.csv"


@dataclass(frozen=True, repr=False)
class Characterization(Result):
    """What `characterize` found.

    Attributes
    ----------
    fitted : fluxsense.characterize.run.Characterization
        Per isolator: tracks, fit, faults, working points.
    """

    KIND: ClassVar[str] = "characterization"

    fitted: Fitted

    def lines(self) -> list[str]:
        return summary_lines(self.document)


def characterize(study: RoughStudy | str | Path, **options: Unpack[CharacterizeOptions]) -> Characterization:
    """Characterize every isolator that a study's log has sweeps of.

    Parameters
    ----------
    study : RoughStudy or path
        In which what is to be measured may be left out.
    seed : int
        For sampling and for intervals near a bound; the fits draw no random numbers.
    enough_db : float
        Isolation wanted for bandwidths and the tunable band.
    sampled : bool
        Also sample the fitted likelihood (minutes an isolator); uncertainties are then those of the draws.
    progress : callable, optional
        Called with (what, share done, detail).

    Returns
    -------
    Characterization

    Raises
    ------
    InputError
        If the study, the log or all its traces cannot be used, or an option makes no sense.
    """
    CharacterizeSettings(**options)
    rough = study if isinstance(study, RoughStudy) else read_rough(study)
    check_geometry(rough.study)
    found = fit_sweeps(rough, **options)
    body = {k: v for k, v in found.document.items() if k not in ("title", "invented", "verdict", "provenance")}
    said = found.document["verdict"]
    doubt = {"reliable": 0, "tentative": 1, "unusable": 2}[said["trust"]]
    verdict = Verdict.of((Finding("said", doubt, text=text) for text in said["reasons"]), "sound characterization")
    asked: dict[str, object] = {"isolation_db": options.get("enough_db"), "sampled": options.get("sampled")}
    provenance = Provenance(rough.study.sha256, seed=options.get("seed", 0), options=asked)
    return Characterization(
        make_document(Characterization, rough.study, verdict, provenance, body), rough.study, verdict, found
    )


def characterize_folder(
    study: str | Path,
    folder: Path | None,
    *,
    force: bool,
    report: bool,
    figures: bool = False,
    **options: Unpack[CharacterizeOptions],
) -> tuple[Characterization, Path]:
    """`characterize`, with the files that the command leaves; also their folder.

    Parameters
    ----------
    study : path
    folder : Path or None
        ``characterized`` beside the study by default.
    force : bool
        Replace files that are already there.
    report : bool
        Whether to write the page.
    figures : bool
        Whether to write every figure as PDF and SVG too.
    **options
        As for `characterize`.

    Raises
    ------
    InputError
        As `characterize`; or files are there already and `force` is not given.
    """
    CharacterizeSettings(**options)
    rough = read_rough(study)
    check_geometry(rough.study)
    out = folder if folder is not None else rough.study.folder / "characterized"
    refuse_existing(out, force=force)
    with held(ready(out)):
        found = characterize(rough, **options)
        written = ["characterization.json"]
        if found.fitted.fitted is not None:
            heads = section_heads(found.document, rough.study.path)
            written += write_characterized(out, found.fitted.tree, heads, force=force)
        found.document["written"] = written
        keep(out / "characterization.json", found.document)
        if report:
            from fluxsense.report.sweeps import write_sweep_report

            write_sweep_report(out / "characterization.html", found.fitted)
            written.append("characterization.html")
        if figures:
            from fluxsense.report.sweeps import sweep_figures

            write_figures(sweep_figures(found.fitted), out)
            written.append("figures (PDF, SVG)")
    return found, out


@dataclass(frozen=True)
class SweepsPlanned(Shown):
    """The sweeps that `characterize` needs of a chip of one's own.

    Attributes
    ----------
    document : dict
    verdict : Verdict
    rows : tuple of LogRow
        In the order in which they are to be taken; without times.
    """

    document: dict[str, Any]
    verdict: Verdict
    rows: tuple[LogRow, ...]

    def lines(self) -> list[str]:
        counts = ", ".join(f"{name} {n}" for name, n in self.document["sweeps"].items())
        return [f"{len(self.rows)} sweeps, of isolator {counts}.", *self.document["said"]]


def plan_sweeps(study: RoughStudy | str | Path) -> SweepsPlanned:
    """Which sweeps `characterize` needs of every isolator of a study, other isolators' lines among them.

    Parameters
    ----------
    study : RoughStudy or path
        In which what is to be measured may be left out.

    Raises
    ------
    InputError
        If it is not stated about how strongly a line drives the loop that it is meant for.
    """
    rough = study if isinstance(study, RoughStudy) else read_rough(study)
    check_geometry(rough.study)
    rows: list[LogRow] = []
    said: list[str] = []
    counts = {}
    for n, isolator in enumerate(rough.study.isolators):
        missing = rough.missing_for_pump(n)
        more, words = planned_sweeps(rough.study, n, SweepPlan(phases=0, foreign=True, pumped=not missing))
        if missing:
            words.append(
                f'Of isolator "{isolator.name}" only sweeps with the pump off are listed: for the others state about what '
                f"{', '.join(missing)} are, from the design or from these sweeps."
            )
        rows, said = rows + more, said + words
        counts[isolator.name] = len(more)
    document = {"format": 1, "kind": "sweep plan", "title": rough.study.title, "sweeps": counts, "said": said}
    return SweepsPlanned(document, Verdict.of((), "sound characterization"), tuple(rows))


def plan_sweeps_folder(study: str | Path, folder: Path | None, *, force: bool) -> tuple[SweepsPlanned, Path]:
    """`plan_sweeps`, written as a log that `characterize` reads once the files are there; also its path.

    Raises
    ------
    InputError
        As `plan_sweeps`; or the file is there already and `force` is not given.
    """
    rough = read_rough(study)
    target = (folder if folder is not None else rough.study.folder) / SWEEP_PLAN
    if target.exists() and not force:
        raise InputError(
            f"{target.name} exists already",
            where=str(target.parent),
            remedy="Choose another folder, or replace it with --force",
        )
    found = plan_sweeps(rough)
    with held(ready(target.parent)):
        write_log(target, found.rows, [b.name for b in rough.study.bias_lines])
    return found, target
