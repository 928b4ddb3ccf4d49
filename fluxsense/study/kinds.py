"""Kinds that a study may name, found in the rooms that implement them.

A kind of source is one module of `fluxsense.magnetics.sources` with an object ``KIND``.  What the reader has to know of it
is `SourceKind` below; its physics is of no concern here.  The folder is looked through when the first study is read, by
name, so that this room depends on no room above it, and those modules import numpy only inside the methods that need it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from importlib import import_module
from pkgutil import iter_modules
from typing import Final, Protocol

from fluxsense.base.errors import InputError
from fluxsense.base.units import OWN_UNIT
from fluxsense.study.fields import Field


class SourceKind(Protocol):
    """What the study's reader asks of a kind of source.

    Attributes
    ----------
    name : str
        As a study writes it.
    dimension : str
        Of its vector, a key of `fluxsense.base.units.UNITS`.
    has_position : bool
    has_shape : bool
        Whether it has axes of its own, which turn with it.
    has_extent : bool
        Whether how far it reaches across is a prior of the study (a kind that says its own shape has none).
    fields : sequence of Field
        What a study has to say of it besides.
    """

    name: str
    dimension: str
    has_position: bool
    has_shape: bool
    has_extent: bool
    fields: Sequence[Field]


SOURCE_KINDS_PLACE: Final = "fluxsense.magnetics.sources"
_SOURCE_KINDS: dict[str, SourceKind] = {}
"""Those that `register_source` added."""


def register_source(kind: SourceKind) -> None:
    """Make a kind of source known to every command.

    Raises
    ------
    InputError
        If its name is taken or its vector has no known dimension.
    """
    _add(_SOURCE_KINDS, kind, source_kinds())


def _add(kinds: dict[str, SourceKind], kind: SourceKind, known: Mapping[str, SourceKind]) -> None:
    """Add a kind beside those known, under its name."""
    if kind.name in known:
        raise InputError(f'a kind of source called "{kind.name}" is known already', remedy="Give it another name")
    if kind.dimension not in OWN_UNIT:
        raise InputError(
            f'the kind of source "{kind.name}" has a vector in "{kind.dimension}", which is no dimension with units',
            remedy=f"Use one of {', '.join(OWN_UNIT)}",
        )
    kinds[kind.name] = kind


@cache
def _shipped() -> Mapping[str, SourceKind]:
    """The kinds of the folder by name, in alphabetical order of their files."""
    found: dict[str, SourceKind] = {}
    place = import_module(SOURCE_KINDS_PLACE)
    for module in sorted(m.name for m in iter_modules(place.__path__)):
        kind = getattr(import_module(f"{SOURCE_KINDS_PLACE}.{module}"), "KIND", None)
        if kind is not None:
            _add(found, kind, found)
    return found


def source_kinds() -> dict[str, SourceKind]:
    """All kinds of source by name: those of the folder, then those registered."""
    return {**_shipped(), **_SOURCE_KINDS}
