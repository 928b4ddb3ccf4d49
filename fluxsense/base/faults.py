"""Faults gathered while something is read, so that one reading names them all; many of one kind are named once."""

from __future__ import annotations

import re
from typing import Final

from fluxsense.base.errors import InputError

MOST_SHOWN: Final = 12
"""Kinds of faults that a message names."""
MOST_PLACES: Final = 5
"""Further places that are named of one kind."""
_PARTICULAR: Final = re.compile(r"'[^']*'|\"[^\"]*\"|(?<![\w.])[+-]?\d[\d.]*(?:[eE][+-]?\d+)?")
"""What differs between two faults of the same kind: names in quotes and numbers."""
_QUOTED: Final = re.compile(r"'[^']*'|\"[^\"]*\"")
_ROW: Final = re.compile(r":\d+$")


class Faults:
    """Faults of one file.

    Two are of one kind if they say the same but for names in quotes and numbers, and advise the same; the first is named in full,
    the others by their places.
    """

    def __init__(self) -> None:
        self._kinds: dict[tuple[str, str], list[InputError]] = {}
        self.count = 0

    def __bool__(self) -> bool:
        return self.count > 0

    def add(self, error: InputError) -> None:
        """Note a fault; the same one at the same place counts once."""
        kind = _PARTICULAR.sub("#", error.what), error.remedy
        there = [other for other in self._kinds.get(kind, ()) if other.where == error.where]
        if any(other.what == error.what for other in there):
            return
        if there:  # of the same place, and so about something else
            kind = error.what, error.remedy
        self.count += 1
        self._kinds.setdefault(kind, []).append(error)

    def lines(self) -> list[str]:
        """A sentence for each kind, as many as are shown, and how many more there are."""
        out = [_named(*alike) for alike in list(self._kinds.values())[:MOST_SHOWN]]
        left = len(self._kinds) - len(out)
        return [*out, f"... and {left} more."] if left else out

    def raise_any(self) -> None:
        """Raise what was found.

        Raises
        ------
        InputError
            With a line for each kind.
        """
        if self:
            raise InputError("\n".join(self.lines()))


def _place(first: InputError, other: InputError) -> str:
    """Where another fault of the kind stands, with what it names beside the first."""
    own = [found for found in _QUOTED.findall(other.what) if found not in first.what]
    place = other.where.split(", ", 1)[-1]
    return f"{place} ({', '.join(own)})" if own else place


def _named(first: InputError, *others: InputError) -> str:
    """A fault in full, and where it stands likewise."""
    if not others:
        return str(first)
    if _ROW.search(first.where):
        again = f"and {len(others)} more row{'s' if len(others) > 1 else ''} of this kind"
    else:
        places = [_place(first, other) for other in others]
        more = len(places) - MOST_PLACES
        again = "likewise " + ", ".join(places[:MOST_PLACES]) + (f" and {more} more" if more > 0 else "")
    return str(InputError(f"{first.what} ({again})", where=first.where, remedy=first.remedy))
