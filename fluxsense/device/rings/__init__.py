"""Kinds of rings, one file each.

Every module of this folder that has a ``KIND`` (an instance of `Ring`) is found by itself: a new kind is one new file and
its test.  What every part of the package asks of a ring it asks through `Ring`; `fluxsense.device.pumped` makes modes and
coupling of any kind.
"""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules

from fluxsense.base.errors import InputError
from fluxsense.device.rings.kind import Numbers, Ring, RingField

__all__ = ["Numbers", "Ring", "RingField", "register", "ring_kind", "ring_kinds"]

_KINDS: dict[str, Ring] = {}


def register(kind: Ring) -> Ring:
    """Make a kind known by its name; a kind of the same name is replaced.

    Raises
    ------
    InputError
        If it has no name.
    """
    if not kind.name:
        raise InputError("a kind of ring without a name cannot be written in a study", remedy="Set its name")
    _KINDS[kind.name] = kind
    return kind


def ring_kind(name: str) -> Ring:
    """The kind of that name.

    Raises
    ------
    InputError
        If there is none.
    """
    if name not in _KINDS:
        raise InputError(
            f'there is no kind of ring called "{name}"', where="ring", remedy=f"Choose from {', '.join(_KINDS)}."
        )
    return _KINDS[name]


def ring_kinds() -> tuple[Ring, ...]:
    """All kinds, in the order in which they were registered."""
    return tuple(_KINDS.values())


for _module in sorted(m.name for m in iter_modules(__path__)):
    _kind = getattr(import_module(f"{__name__}.{_module}"), "KIND", None)
    if _kind is not None:
        register(_kind)
