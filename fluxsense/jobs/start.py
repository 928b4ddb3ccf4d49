"""A commented study to begin from."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from fluxsense.base.errors import InputError
from fluxsense.base.files import write_beside
from fluxsense.jobs.folder import made


def start(folder: Path) -> Path:
    """Write the study to begin from into a folder; returns its path.

    Raises
    ------
    InputError
        If there is a study already, or the folder cannot be made.
    """
    target = folder / "study.toml"
    if target.exists():
        raise InputError("there is a study already", where=str(target), remedy="Choose another folder")
    text = (files("fluxsense") / "starter.toml").read_bytes()
    write_beside(made(folder) / "study.toml", text, sync=True)
    return target
