"""What every job's result has: a document with its format, one verdict, a provenance, lines to print, one rule for the exit code."""

from __future__ import annotations

import json
import os
import platform
from base64 import b64encode
from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from fluxsense.base.errors import InputError
from fluxsense.base.files import write_beside
from fluxsense.base.findings import Verdict
from fluxsense.base.units import shown
from fluxsense.data.chains import settled
from fluxsense.report.sentences import sentences
from fluxsense.report.tables import Table, tables_of
from fluxsense.study import Study, read_study

if TYPE_CHECKING:
    from matplotlib.figure import Figure

NOTEBOOK_DPI = 80
"""Resolution of a figure in a notebook: about eight hundred pixels across."""
LIBRARIES = ("numpy", "scipy", "emcee", "arviz-stats")
"""Libraries whose versions a result depends on."""


def plain_json(value: object) -> Any:
    """numpy values as plain JSON ones; numbers that are not finite become null."""
    if isinstance(value, Mapping):
        return {str(k): plain_json(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_json(v) for v in value]
    if isinstance(value, np.ndarray):
        return plain_json(value.tolist())
    if isinstance(value, (np.bool_, bool)):
        return bool(value)
    if isinstance(value, (np.integer, int)):
        return int(value)
    if isinstance(value, (np.floating, float)):
        number = float(value)
        return number if np.isfinite(number) else None
    return value


@dataclass(frozen=True)
class Provenance:
    """What it takes to make a result again.

    Attributes
    ----------
    study_hash : str
        SHA-256 of the study file.
    digest_hash : str or None
        Identity of the data; None for a job without data.
    seed : int or None
        None for a job that draws no random numbers.
    options : mapping
        What else the job was asked for and depends on.
    """

    study_hash: str
    digest_hash: str | None = None
    seed: int | None = None
    options: Mapping[str, object] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """Plain values, with the versions in use."""
        return {
            "seed": self.seed,
            "digest_hash": self.digest_hash,
            "study_hash": self.study_hash,
            "options": plain_json({k: v for k, v in self.options.items() if v is not None}),
            "versions": running_versions(),
        }


class Shown:
    """What every answer of a command can do: it has a document and a verdict, and shows itself as lines and in a notebook."""

    document: dict[str, Any]
    verdict: Verdict

    @property
    def exit_code(self) -> int:
        """Of the command: 0 done, 1 done but not to be trusted."""
        return self.verdict.exit_code

    def lines(self) -> list[str]:
        """The result as lines of text."""
        raise NotImplementedError

    def __str__(self) -> str:
        return "\n".join(self.lines())

    def pictures(self) -> dict[str, Figure]:
        """Figures by name, the one that says most first; none where there are none."""
        return {}

    def tables(self) -> dict[str, Table]:
        """Tables by name, with units in their heads: `csv()`, `latex()`, `columns`, `rows`; none where there are none."""
        return tables_of(self.document)

    def _repr_html_(self) -> str:
        """What a notebook shows: the figure that says most, and the lines."""
        png = self._repr_png_()
        image = "" if png is None else f'<img alt="" src="data:image/png;base64,{b64encode(png).decode("ascii")}">'
        return f"<div>{image}" + "".join(f"<p>{escape(x)}</p>" for x in self.lines()) + "</div>"

    def _repr_png_(self) -> bytes | None:
        """The figure that says most, for a notebook or a window that shows no HTML; None without one."""
        first = next(iter(self.pictures().values()), None)
        if first is None:
            return None
        from fluxsense.report.figures import image_bytes

        return image_bytes(first, "png", dots_per_inch=NOTEBOOK_DPI)

    def save(self, path: str | Path) -> None:
        """Write the document as JSON: beside, forced to disk, renamed."""
        write_beside(path, json_text(self.document).encode("utf-8"), sync=True)


@dataclass(frozen=True, repr=False)
class Result(Shown):
    """The result of a job.

    Attributes
    ----------
    document : dict
        Plain JSON values: what the command prints with ``--json`` and writes.
    study : Study
    verdict : Verdict
    """

    KIND: ClassVar[str] = ""
    FORMAT: ClassVar[int] = 1

    document: dict[str, Any]
    study: Study
    verdict: Verdict

    def __repr__(self) -> str:
        return f"<{type(self).__name__} of {self.study.path.name}, {self.verdict.trust}>"


def json_text(document: Mapping[str, object]) -> str:
    """A document as it stands in a file."""
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def make_document(
    result: type[Result], study: Study, verdict: Verdict, provenance: Provenance, body: Mapping[str, object]
) -> dict[str, Any]:
    """A job's document: what all have in common, and the body that is its own."""
    head = {"format": result.FORMAT, "kind": result.KIND, "title": study.title, "invented": study.invented}
    tail = {
        "verdict": verdict_entry(verdict),
        "provenance": provenance.as_json(),
    }
    document: dict[str, object] = plain_json({**head, **body, **tail})
    return document


def verdict_entry(verdict: Verdict) -> dict[str, object]:
    """A verdict as it stands in a document."""
    return {
        "trust": verdict.trust,
        "reasons": sentences(verdict.reasons),
        "codes": [f.code for f in verdict.reasons],
    }


def running_versions() -> dict[str, str]:
    """Versions in use of what a result depends on."""
    own = {"fluxsense": version("fluxsense"), "python": platform.python_version()}
    return own | {name: version(name) for name in LIBRARIES}


def as_study(study: Study | str | Path) -> Study:
    """A study, read if a path is given; what it leaves to its read-out chain follows from that.

    Raises
    ------
    InputError
        If it is neither a study nor a path, or cannot be read.
    """
    if not isinstance(study, (Study, str, os.PathLike)):
        raise InputError(
            f"{shown(study)} is no study", remedy="Give the path of a study's file, or what read_study makes of it"
        )
    return settled(study if isinstance(study, Study) else read_study(study))
