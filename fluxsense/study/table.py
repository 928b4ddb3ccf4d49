"""One table of a study being read: takes keys, notes faults by their path, names what is left over.  Nothing here needs numpy."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from enum import Enum
from typing import Final, NamedTuple, TypeVar, overload

from fluxsense.base.errors import InputError
from fluxsense.base.faults import MOST_SHOWN, Faults
from fluxsense.base.units import EXAMPLE, OWN_UNIT, parse_quantity, shown

MAX_NAME: Final = 48
"""Longest name: four of them make up a file name."""

Numbers = tuple[float, ...]
Vector = tuple[float, float, float]

T = TypeVar("T")
D = TypeVar("D")


class Required(Enum):
    """Stands for a default where there is none."""

    REQUIRED = "required"


REQUIRED: Final = Required.REQUIRED


class _Bounds(NamedTuple):
    """What a number may be; `strict` leaves out the lower bound itself."""

    low: float
    high: float
    strict: bool
    unit: str = ""


class Table:
    """One TOML table being read: takes keys, notes faults by path, and names what is left over.

    A reader that finds a fault notes it and hands back a stand-in, so that reading goes on: nan for numbers (every
    comparison with it is false, so that one fault does not raise others), an empty text or tuple otherwise.
    """

    def __init__(self, data: Mapping[str, object], path: str, file: str, faults: Faults) -> None:
        self._left = dict(data)
        self._known: list[str] = []
        self._spelling: dict[str, str] = {}
        self.path = path
        self._file = file
        self._faults = faults

    def _where(self, key: str = "") -> str:
        dotted = ".".join(x for x in (self.path, key_text(self._spelling.get(key, key))) if x)
        return f"{self._file}, {dotted}" if dotted else self._file

    def fault(self, key: str, what: str, remedy: str = "") -> None:
        """Note a fault at a key of this table."""
        self._faults.add(InputError(what, where=self._where(key), remedy=remedy))

    def rename(self, former: dict[str, str]) -> None:
        """Take keys in a former spelling for those of today; both together are a fault."""
        for old, new in former.items():
            if old in self._left and new in self._left:
                self._left.pop(old)
                self.fault(old, f"this is a former spelling of {new}, which stands here too", "Remove it")
            elif old in self._left:
                self._left[new] = self._left.pop(old)
                self._spelling[new] = old

    def peek(self, key: str) -> object:
        """What stands at a key that was not taken yet, None if nothing does."""
        return self._left.get(key)

    def has(self, key: str) -> bool:
        """Whether a key is there and was not taken yet."""
        return key in self._left

    def takes_word(self, key: str, word: str) -> bool:
        """Take a key if it holds exactly this word."""
        found = key in self._left and self._left[key] == word
        if found:
            self.raw(key)
        return found

    def idle(self, keys: Sequence[str], reason: str) -> None:
        """Keys that have no effect beside the choices made elsewhere in the table: a fault where they stand."""
        for key in keys:
            self._known.append(key)
            if key in self._left:
                self._left.pop(key)
                self.fault(key, "this entry has no effect here", reason)

    def mute(self) -> None:
        """Drop what this table would complain of from here on: the fault noted leaves open which keys belong in it."""
        self._faults = Faults()

    def row(self, path: str, value: object) -> Table:
        """A table that holds one entry of a list of this table, under the path given."""
        return Table({path: value}, self.path, self._file, self._faults)

    def raw(self, key: str, default: object = REQUIRED, remedy: str = "") -> object:
        """Take a key as it stands; None and a fault if it is missing and has no default."""
        self._known.append(key)
        if key in self._left:
            return self._left.pop(key)
        if default is REQUIRED:
            self.fault(key, "this entry is missing", remedy or f"Add {key} = ...")
            return None
        return default

    def _converted(
        self, key: str, convert: Callable[[object], T], default: D | Required, stand_in: T, remedy: str
    ) -> T | D:
        given = self.has(key)
        value = self.raw(key, default, remedy)
        if not given:
            return stand_in if default is REQUIRED else default
        try:
            return convert(value)
        except InputError as error:
            self._faults.add(error)
            return stand_in

    def text(self, key: str, default: object = REQUIRED, *, empty: bool = False) -> str:
        """A text."""

        def convert(value: object) -> str:
            if not isinstance(value, str):
                raise InputError(f"{shown(value)} is not a text", where=self._where(key), remedy="Write it in quotes")
            if not value.strip() and not empty:
                raise InputError("the text is empty", where=self._where(key), remedy="Write something in the quotes")
            if any(not c.isprintable() and c not in "\n\t" for c in value):
                raise InputError(
                    f"{shown(value)} contains a character that cannot be printed",
                    where=self._where(key),
                    remedy="Type the text anew",
                )
            return value

        return str(self._converted(key, convert, default, "", f'Add {key} = "..."'))

    def choice(self, key: str, choices: Sequence[str], default: object = REQUIRED, *, decides: bool = False) -> str:
        """One of a few words.

        Where the word decides which other keys belong in the table, a word that cannot even be guessed mutes the rest.
        """
        allowed = " or ".join(shown(x) for x in choices)
        guess: list[str] = []

        def convert(value: object) -> str:
            if isinstance(value, str) and value in choices:
                return value
            hint = ""
            if isinstance(value, str):
                guess.extend(difflib.get_close_matches(value[:80], choices, n=1))
                hint = f'Did you mean "{guess[0]}"? ' if guess else ""
            raise InputError(f"{shown(value)} is not known here", where=self._where(key), remedy=f"{hint}Use {allowed}")

        found = self._converted(key, convert, default, None, f"Add {key} = {allowed}")
        if found is not None:
            return str(found)
        if decides and not guess:
            self.mute()
        return guess[0] if guess else choices[0]

    def reference(self, key: str, names: Sequence[str] | None, default: object = REQUIRED) -> str:
        """The name of something defined in the study; None for names accepts any (they could not be read)."""

        def convert(value: object) -> str:
            if not isinstance(value, str) or not value:
                raise InputError(f"{shown(value)} is not a name", where=self._where(key), remedy="Write it in quotes")
            if names is not None and value not in names:
                raise InputError(
                    f"{shown(value)} is not defined in this study",
                    where=self._where(key),
                    remedy=nearest(value, names),
                )
            return value

        return str(self._converted(key, convert, default, "", f'Add {key} = "..."'))

    def flag(self, key: str, default: bool) -> bool:
        """True or false."""

        def convert(value: object) -> bool:
            if not isinstance(value, bool):
                raise InputError(
                    f"{shown(value)} is neither true nor false", where=self._where(key), remedy="Write true or false"
                )
            return value

        return bool(self._converted(key, convert, default, default, ""))

    def _in_range(self, key: str, value: float, text: str, bounds: _Bounds) -> None:
        low, high, strict, unit = bounds
        if low <= value <= high and not (strict and value == low):
            return
        after = f" {unit}" if unit else ""
        limits = f"above {low:g}{after}" if strict else f"at least {low:g}{after}"
        if math.isinf(low):
            limits = f"at most {high:g}{after}"
        elif math.isfinite(high):
            limits += f" and at most {high:g}{after}"
        raise InputError(f"{text} is out of range", where=self._where(key), remedy=f"It must be {limits}")

    def number(
        self,
        key: str,
        default: float | Required = REQUIRED,
        low: float = -math.inf,
        high: float = math.inf,
        strict: bool = False,
    ) -> float:
        """A finite number without a unit."""

        def convert(value: object) -> float:
            number = as_float(value)
            if number is None:
                raise InputError(
                    f"{shown(value)} is not a finite number",
                    where=self._where(key),
                    remedy="Write a plain number without a unit or quotes",
                )
            self._in_range(key, number, shown(value), _Bounds(low, high, strict))
            return number

        return float(self._converted(key, convert, default, math.nan, f"Add {key} = and a plain number"))

    @overload
    def integer(self, key: str, default: int | Required = ..., low: int = ..., high: int = ...) -> int: ...

    @overload
    def integer(self, key: str, default: int | Required | None, low: int = ..., high: int = ...) -> int | None: ...

    def integer(
        self, key: str, default: int | Required | None = REQUIRED, low: int = 0, high: int = 10**9
    ) -> int | None:
        """A whole number; None only where that is the default."""

        def convert(value: object) -> int:
            if isinstance(value, bool) or not isinstance(value, int):
                raise InputError(
                    f"{shown(value)} is not a whole number", where=self._where(key), remedy="Write a whole number"
                )
            if not low <= value <= high:
                raise InputError(
                    f"{shown(value)} is out of range",
                    where=self._where(key),
                    remedy=f"It must be at least {low} and at most {high}",
                )
            return value

        return self._converted(key, convert, default, max(low, 1), f"Add {key} = and a whole number")

    @overload
    def quantity(
        self,
        key: str,
        dimension: str,
        default: float | Required = ...,
        low: float = ...,
        high: float = ...,
        strict: bool = ...,
    ) -> float: ...

    @overload
    def quantity(
        self,
        key: str,
        dimension: str,
        default: float | Required | None,
        low: float = ...,
        high: float = ...,
        strict: bool = ...,
    ) -> float | None: ...

    def quantity(
        self,
        key: str,
        dimension: str,
        default: float | Required | None = REQUIRED,
        low: float = -math.inf,
        high: float = math.inf,
        strict: bool = False,
    ) -> float | None:
        """A number with its unit, in the package's own unit; None only where that is the default."""

        def convert(value: object) -> float:
            number = parse_quantity(value, dimension, self._where(key))
            self._in_range(key, number, shown(value), _Bounds(low, high, strict, OWN_UNIT[dimension]))
            return number

        return self._converted(key, convert, default, math.nan, f'Add for example {key} = "{EXAMPLE[dimension]}"')

    @overload
    def quantities(
        self, key: str, dimension: str, count: int, default: Numbers | Required = ..., low: float = ...
    ) -> Numbers: ...

    @overload
    def quantities(
        self, key: str, dimension: str, count: int, default: Numbers | Required | None, low: float = ...
    ) -> Numbers | None: ...

    def quantities(
        self,
        key: str,
        dimension: str,
        count: int,
        default: Numbers | Required | None = REQUIRED,
        low: float = -math.inf,
    ) -> Numbers | None:
        """A list of numbers with units."""
        remedy = f"Write {count} texts with units, like [" + ", ".join([f'"{EXAMPLE[dimension]}"'] * count) + "]"

        def convert(value: object) -> tuple[float, ...]:
            if not isinstance(value, list) or len(value) != count:
                raise InputError(
                    f"{shown(value)} is not a list of {count} values", where=self._where(key), remedy=remedy
                )
            paths = [f"{key}[number {i}]" for i in range(1, count + 1)]
            return tuple(
                self.row(path, x).quantity(path, dimension, low=low) for path, x in zip(paths, value, strict=True)
            )

        return self._converted(key, convert, default, (math.nan,) * count, remedy)

    def unit_vector(self, key: str, default: Vector | Required = REQUIRED) -> Vector:
        """A direction as a list of three plain numbers, brought to length one."""

        def convert(value: object) -> Vector:
            numbers = [as_float(x) for x in value] if isinstance(value, list) else []
            good = [x for x in numbers if x is not None]
            if len(numbers) != 3 or len(good) != 3:
                raise InputError(
                    f"{shown(value)} is not a list of three plain numbers",
                    where=self._where(key),
                    remedy="Write it like [0, 0, 1]",
                )
            largest = max(abs(x) for x in good)
            if largest == 0:
                raise InputError(
                    "a direction of length zero is no direction",
                    where=self._where(key),
                    remedy="Write it like [0, 0, 1]",
                )
            x, y, z = (v / largest for v in good)
            length = math.sqrt(x * x + y * y + z * z)
            return (x / length, y / length, z / length)

        return self._converted(
            key, convert, default, (math.nan, math.nan, math.nan), f"Add for example {key} = [0, 0, 1]"
        )

    def texts(
        self, key: str, names: Sequence[str] | None, default: Iterable[str] | Required = REQUIRED
    ) -> tuple[str, ...]:
        """A list of names, each once; of things defined in the study unless names is None."""

        def convert(value: object) -> tuple[str, ...]:
            if not isinstance(value, list) or not value or not all(isinstance(x, str) for x in value):
                raise InputError(
                    f"{shown(value)} is not a list of names", where=self._where(key), remedy='Write it like ["a", "b"]'
                )
            for name in value:
                if names is not None and name not in names:
                    self.fault(key, f"{shown(name)} is not defined in this study", nearest(name, names))
            if len(set(value)) != len(value):
                raise InputError("a name stands twice in the list", where=self._where(key), remedy="Name each once")
            return tuple(value)

        return tuple(self._converted(key, convert, default, (), f'Add for example {key} = ["a", "b"]'))

    def named_quantities(
        self, key: str, dimension: str, names: Sequence[str] | None, low: float = -math.inf, word: str = ""
    ) -> dict[str, float]:
        """A table of name -> quantity; None for names accepts any; a `word` may stand for zero."""
        table = self.table(key, required=False)
        out = {}
        for name in list(table._left):
            if names is not None and name not in names:
                table._left.pop(name)
                table.fault(name, f"{shown(name)} is not defined in this study", nearest(name, names))
            elif word and table.takes_word(name, word):
                out[name] = 0.0
            else:
                out[name] = table.quantity(name, dimension, low=low)
        return out

    def table(self, key: str, required: bool = True) -> Table:
        """The table under a key; a silent empty one if it is missing or no table."""
        path = ".".join(x for x in (self.path, key) if x)
        value = self.raw(key, REQUIRED if required else {}, remedy=f"Add a table [{heading(path)}]")
        if value is not None and not isinstance(value, dict):
            self.fault(key, f"{shown(value)} is not a table", f"Write it under a heading [{heading(path)}]")
            value = None
        return Table(value or {}, path, self._file, self._faults if value is not None else Faults())

    def tables(self, key: str, required: bool = True) -> Iterator[Table]:
        """The tables of a list, one by one; each is closed when the next is asked for."""
        value = self.raw(key, REQUIRED if required else [], remedy=f"Add at least one [[{key}]]")
        if value is None:
            return
        if not isinstance(value, list) or not all(isinstance(x, dict) for x in value):
            self.fault(key, "this is not a list of tables", f"Begin each entry with a line [[{key}]]")
            return
        if required and not value:
            self.fault(key, "the list is empty", f"Add at least one [[{key}]]")
        seen: set[str] = set()
        for number, entry in enumerate(value, 1):
            name = entry.get("name")
            label = f"{key}[{key_text(name)}]" if isinstance(name, str) and name else f"{key}[number {number}]"
            label = f"{self.path}.{label}" if self.path else label
            table = Table(entry, label, self._file, self._faults)
            if isinstance(name, str):
                if name in seen:
                    table.fault("name", f"the name {shown(name)} stands twice", "Give each entry a name of its own")
                seen.add(name)
            yield table
            table.close()

    def close(self) -> None:
        """Note every key that nobody asked for."""
        for key in self._left:
            what = "this key is not known"
            if self._faults.count > 10 * MOST_SHOWN:  # nobody will see more
                break
            near = difflib.get_close_matches(key[:80], self._known, n=1)
            hint = f'Did you mean "{near[0]}"?' if near else f"Known here: {', '.join(sorted(set(self._known)))}"
            self.fault(key, what, hint)
        self._left = {}


def key_text(key: str) -> str:
    """A key as it may stand in a path: short and printable."""
    text = shown(key, 48)[1:-1]
    return text if text.strip() else f'"{text}"' if key else ""


def heading(path: str) -> str:
    """The heading that a TOML file has for a path: list entries go by the name of their list."""
    return re.sub(r"\[[^\]]*\]", "", path)


def nearest(name: str, names: Sequence[str]) -> str:
    """Remedy for a name that is not defined."""
    near = difflib.get_close_matches(name[:80], names, n=1)
    known = ", ".join(key_text(n) for n in names[:20]) + (", ..." if len(names) > 20 else "")
    return (f"Did you mean {shown(near[0])}? " if near else "") + (f"Known: {known}" if names else "None is defined")


def as_float(value: object) -> float | None:
    """A finite number as a float, None for anything else."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def check_name(table: Table, key: str, name: str) -> None:
    good = len(name) <= MAX_NAME and (name[:1].isalnum() or name[:1] == "_")
    if name and not (good and all(c.isalnum() or c in "_-." for c in name)):
        table.fault(
            key,
            f"{shown(name)} is not a usable name",
            f"Use letters, digits, _, - and points only, at most {MAX_NAME}, and begin with a letter, a digit or _",
        )
