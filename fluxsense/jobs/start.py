"""A commented study to begin from."""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib.metadata import distribution
from importlib.resources import files
from pathlib import Path
from typing import Final

from fluxsense.base.errors import InputError
from fluxsense.base.files import write_beside
from fluxsense.jobs.folder import made

GALLERY: Final = "gallery.md"
"""The page that says what the examples show, and by which their folder is known."""


@dataclass(frozen=True)
class Example:
    """A source to begin with: entries of [source] that differ from the starter's, and the scale of its loops.

    An empty entry is taken out.
    """

    title: str
    entries: tuple[tuple[str, str], ...] = ()
    scale: float = 1.0


_NEAR: Final = (
    ("position", '["0 um", "0 um", "1 um"]'),
    ("position_sd", '["0.025 um", "0.025 um", "0.025 um"]'),
)
EXAMPLES: Final[dict[str, Example]] = {
    "grain_500nm": Example("A first study: a magnetic grain above two isolators"),
    "grain_100nm": Example(
        "A magnetite grain 0.1 um across, 1 um above two isolators",
        (*_NEAR, ("extent", '"0.1 um"'), ("size", '"0.25 fA m^2"')),
        1 / 12,
    ),
    "grain_20nm": Example(
        "A magnetite grain 20 nm across, 1 um above two isolators",
        (*_NEAR, ("extent", '"20 nm"'), ("size", '"0.002 fA m^2"')),
        1 / 12,
    ),
    "field_1nT": Example(
        "A uniform field of 1 nT at two isolators",
        (("kind", '"uniform_field"'), ("position", ""), ("position_sd", ""), ("extent", ""), ("size", '"1 nT"')),
    ),
}
"""By name; the first is the starter as it is.

Moments are those of saturated spheres of magnetite, pi/6 d^3 times 4.8e5 A/m: 92 A m^2/kg, near the bulk value (abstract read:
"Superparamagnetic-like micrometric single crystalline magnetite for biomedical application"), times 5.18 g/cm^3 (from memory).
"""

_LENGTH = re.compile(r'"(-?[0-9.]+) um"')
_OF_LOOPS = re.compile(r"(?:center|side|width|height|radius|outline) = ")


def example_text(name: str) -> str:
    """The commented study of an example.

    Raises
    ------
    InputError
        If there is no such example.
    """
    if name not in EXAMPLES:
        raise InputError(
            f'there is no example called "{name}"', where="--source", remedy=f"Choose from {', '.join(EXAMPLES)}"
        )
    example = EXAMPLES[name]
    text = (files("fluxsense") / "starter.toml").read_text(encoding="utf-8")
    text = re.sub(r'^title = ".*"$', f'title = "{example.title}"', text, count=1, flags=re.MULTILINE)
    head, source, rest = re.split(r"^(\[source\]\n)", text, maxsplit=1, flags=re.MULTILINE)
    for key, value in example.entries:
        line = rf"^{key} = [^#\n]*"
        rest = re.sub(
            line if value else line + r".*\n", f"{key} = {value} " if value else "", rest, count=1, flags=re.MULTILINE
        )
    lines = [_scaled(x, example.scale) for x in rest.splitlines(keepends=True)]
    return head + source + "".join(lines)


def _scaled(line: str, scale: float) -> str:
    """A line of a loop's geometry with its lengths scaled; any other line as it is."""
    if scale == 1 or not _OF_LOOPS.match(line):
        return line
    return _LENGTH.sub(lambda m: f'"{float(m[1]) * scale:.6g} um"', line)


def start(folder: Path, source: str = "grain_500nm") -> Path:
    """Write the study to begin from into a folder; returns its path.

    Parameters
    ----------
    folder : Path
    source : str
        A key of `EXAMPLES`.

    Raises
    ------
    InputError
        If there is a study already, the folder cannot be made or there is no such example.
    """
    text = example_text(source)
    target = folder / "study.toml"
    if target.exists():
        raise InputError("there is a study already", where=str(target), remedy="Choose another folder")
    write_beside(made(folder) / "study.toml", text.encode("utf-8"), sync=True)
    return target


def examples_folder() -> Path:
    """Where the example scripts are: in a checkout beside the package, else where the package was installed.

    Raises
    ------
    InputError
        If they were not installed.
    """
    beside = Path(str(files("fluxsense"))).parent / "examples"
    if (beside / GALLERY).exists():
        return beside
    for file in distribution("fluxsense").files or ():
        if file.name == GALLERY and file.parent.name == "examples":
            return Path(str(file.locate())).parent
    raise InputError(
        "the examples were not installed with the package",
        where="--examples",
        remedy="Take them from the package's sources",
    )


def write_examples(folder: Path) -> list[str]:
    """Copy the example scripts, tutorials and their gallery into a folder; returns their names.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    InputError
        If they were not installed, or the folder cannot be made.
    """
    source = examples_folder()
    names = []
    for path in sorted(source.rglob("*")):
        if path.suffix in (".py", ".md", ".png"):
            name = path.relative_to(source)
            made((folder / name).parent)
            write_beside(folder / name, path.read_bytes(), sync=False)
            names.append(name.as_posix())
    return names
