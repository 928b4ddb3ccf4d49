"""The folder that a command writes to: looked at before long work, kept from other runs, and never the end of an answer."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fluxsense.base.errors import InputError
from fluxsense.base.files import only_writer, write_beside
from fluxsense.jobs.result import json_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ROOM_BYTES = 20_000_000
"""What the results of one command take at most; looked for before long work begins."""


MOST_LOOKED_AT = 100_000_000
"""Bytes of a former result that are looked through for what it is of."""


class UnwrittenError(InputError):
    """A document that could not be written: it is carried along, so that the work is not lost."""

    def __init__(self, fault: InputError, document: dict[str, object]) -> None:
        super().__init__(fault.what, where=fault.where, remedy=fault.remedy)
        self.document = document


def keep(path: Path, document: dict[str, object]) -> None:
    """Write a document as JSON: beside, forced to disk, renamed.

    Raises
    ------
    UnwrittenError
    """
    try:
        write_beside(path, json_text(document).encode("utf-8"), sync=True)
    except InputError as fault:
        raise UnwrittenError(fault, document) from None


def made(path: Path) -> Path:
    """A folder, made if it is not there.

    Raises
    ------
    InputError
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"the folder cannot be made ({error.strerror})", where=str(path), remedy="Choose another with --out"
        ) from None
    return path


@contextmanager
def held(path: Path) -> Iterator[Path]:
    """A folder, made if it is not there, that no other run may write to meanwhile."""
    with only_writer(made(path)):
        yield path


def write_figures(figures: Mapping[str, Figure], folder: Path) -> list[str]:
    """Write figures as PDF and SVG by their names; returns the files' names."""
    from fluxsense.report.figures import image_bytes

    names = []
    for name, figure in figures.items():
        for kind in ("pdf", "svg"):
            write_beside(folder / f"{name}.{kind}", image_bytes(figure, kind), sync=True)
            names.append(f"{name}.{kind}")
    return names


def ready(path: Path) -> Path:
    """Refuse, before long work begins, a folder to which results could not be written; nothing is made yet.

    Raises
    ------
    InputError
    """
    place = path.absolute()
    while not os.path.lexists(place):
        place = place.parent
    try:
        with tempfile.TemporaryFile(dir=place):
            pass
        left = shutil.disk_usage(place).free
    except OSError as error:
        raise InputError(
            f"nothing can be written to the folder ({error.strerror})",
            where=str(path),
            remedy="Choose another with --out, or see to room and rights",
        ) from None
    if left < ROOM_BYTES:
        raise InputError(
            f"the disk has {left / 1e6:.1f} MB left, and up to {ROOM_BYTES / 1e6:.0f} MB are needed",
            where=str(path),
            remedy="Make room, or choose another folder with --out",
        )
    return path


def outdated(folder: Path, document: Mapping[str, Any]) -> list[str]:
    """Names of results in a folder that are of another study or other data than a document.

    Parameters
    ----------
    folder : Path
    document : mapping
        A job's document; what it names in its provenance is compared.
    """
    provenance = document["provenance"]
    marks = [x for x in (provenance["study_hash"], provenance["digest_hash"]) if x]
    old = []
    for name in ("result.json", "detection.json", "report.html", "detection.html"):
        with suppress(OSError):
            text = (folder / name).read_bytes()[:MOST_LOOKED_AT]
            if not all(mark.encode() in text for mark in marks):
                old.append(name)
    return old
