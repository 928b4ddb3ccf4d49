"""Fields of the study file: what each entry is called, holds, means and may be, in one place.

A section of the study is a frozen dataclass with one table of fields (`fluxsense.study.types`).  The reader
(`read_fields`), the writer (`write_fields`), bounds, default uncertainties and placeholders come from that table.
Nothing here needs numpy.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Self, TypeVar

from fluxsense.base.errors import InputError
from fluxsense.base.units import format_like, format_quantity, parse_quantity, shown
from fluxsense.study.table import REQUIRED, Required, Table, check_name, nearest

DIGITS: Final = 12
EXACT: Final = "exact"
"""The word that a study writes in place of a standard deviation of zero."""


# tables are made without comparison and representation, which nothing asks of them: half of the start-up time


@dataclass(frozen=True, eq=False, repr=False, match_args=False)
class Scope:
    """Names that entries may refer to (None: they could not be read, so any is taken)."""

    names: Mapping[str, Sequence[str] | None] = field(default_factory=dict)
    exact: bool = False


@dataclass(frozen=True, eq=False, repr=False, match_args=False)
class Only:
    """A field that has a meaning only where another one, read before it, has one of these values.

    Elsewhere its attribute is `otherwise`.
    """

    attribute: str
    values: tuple[object, ...]
    reason: str
    otherwise: object = None

    def holds(self, read: Mapping[str, object]) -> bool:
        """Whether the field has a meaning beside what was read."""
        return read.get(self.attribute) in self.values


@dataclass(frozen=True, eq=False, repr=False, match_args=False)
class Sane:
    """Bounds beyond which a number is impossible or dangerous, in the package's own unit, and why."""

    low: float
    high: float
    why: str
    remedy: str


@dataclass(frozen=True, eq=False, repr=False, match_args=False)
class Spread:
    """Standard deviation of a number: the default where a study states none, and what it may state.

    The default is ``absolute + relative |value|``; where that value is zero, `relative_of` times the attribute `of`.
    `most` bounds what may be stated; `third` says what to do about one above a third of the value (empty: nothing).
    `in_db` marks a size that the package holds as an amplitude and the file states in dB: 1 as dB below one (a loss),
    -1 as dB over one (a transmission); either sign is read.
    """

    absolute: float = 0.0
    relative: float = 0.0
    of: str = ""
    relative_of: float = 0.0
    most: float = math.inf
    third: str = ""
    in_db: int = 0

    def default(self, part: object, attribute: str) -> float:
        """The standard deviation of an attribute of a part where none is stated."""
        value = getattr(part, attribute, 0.0)
        sd = self.absolute + self.relative * abs(value)
        return sd or (self.relative_of * abs(getattr(part, self.of)) if self.of else 0.0)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Field:
    """An entry of the study file.

    Attributes
    ----------
    key : str
        As the file writes it.
    attribute : str
        Of the dataclass; the key where left out.
    words : str
        What it is, for people.
    default
        Where the file says nothing; `REQUIRED` if it has to.
    former : tuple of str
        Spellings that are read in silence.
    only : Only, optional
    placeholder
        What stands in, as the file would write it, where a study is read only to find this entry.
    """

    key: str
    attribute: str = ""
    words: str = ""
    default: object = REQUIRED
    former: tuple[str, ...] = ()
    only: Only | None = None
    placeholder: object = None

    def __post_init__(self) -> None:
        if not self.attribute:
            object.__setattr__(self, "attribute", self.key)

    @property
    def keys(self) -> tuple[str, ...]:
        """All keys that belong to this field."""
        return (self.key,)

    def read(self, t: Table, scope: Scope) -> object:
        """The value; a fault is noted in the table and a stand-in returned."""
        raise NotImplementedError

    def toml(self, value: Any) -> object:
        """The value as it stands in a file."""
        return value

    def take(self, t: Table, scope: Scope, read: dict[str, object]) -> None:
        """Read the field into `read`, by its attribute, if it has a meaning there."""
        if self.only is not None and not self.only.holds(read):
            t.idle(self.keys, self.only.reason)
            read.setdefault(self.attribute, self.only.otherwise)
            return
        for key in self.keys:
            for old in self.former:
                t.rename({old + key.removeprefix(self.key): key})
        read[self.attribute] = self.read(t, scope)

    def put(self, part: object, out: dict[str, object]) -> None:
        """Write the field of a part into `out`, unless it holds what holds without it."""
        value = getattr(part, self.attribute)
        if value is None or (self.default is not REQUIRED and value == self.default):
            return
        out[self.key] = self.toml(value)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Quantity(Field):
    """A number, with its unit where it has a dimension, and with its standard deviation where it is uncertain.

    `word` is a text that may stand in its place and means None.
    """

    default: float | Required | None = REQUIRED
    dimension: str | None = None
    low: float = -math.inf
    high: float = math.inf
    strict: bool = False
    sane: Sane | None = None
    spread: Spread | None = None
    word: str = ""

    @property
    def keys(self) -> tuple[str, ...]:
        """The key and, of an uncertain number, that of its standard deviation."""
        return (self.key,) if self.spread is None else (self.key, f"{self.key}_sd")

    def read(self, t: Table, scope: Scope) -> float | None:
        """The number in the package's own unit, nan for what cannot be read."""
        if self.word and t.takes_word(self.key, self.word):
            return None
        given = t.peek(self.key)
        if self.dimension is None:
            value = _number(t, self.key, self.default, self.low, self.high, self.strict)
        else:
            value = t.quantity(self.key, self.dimension, self.default, self.low, self.high, self.strict)
        if self.sane is not None and value is not None and (value < self.sane.low or value > self.sane.high):
            text = shown(given) if given is not None else self.toml(value)
            t.fault(self.key, f"{text} {self.sane.why}", self.sane.remedy)
            return math.nan
        return value

    def take(self, t: Table, scope: Scope, read: dict[str, object]) -> None:
        """The number, and the standard deviation that is stated of it."""
        super().take(t, scope, read)
        if self.spread is None or (self.only is not None and not self.only.holds(read)):
            return
        sd = read_spread(t, f"{self.key}_sd", self.dimension, self.spread)
        if sd is None:
            return
        _note_spread(read, self.attribute, sd)
        value = read[self.attribute]
        if self.spread.third and self.strict and isinstance(value, (int, float)) and sd > abs(value) / 3:
            t.fault(f"{self.key}_sd", "the uncertainty is over a third of the value", self.spread.third)

    def toml(self, value: Any) -> object:
        """With its unit."""
        return float(value) if self.dimension is None else format_quantity(float(value), self.dimension, DIGITS)

    def put(self, part: object, out: dict[str, object]) -> None:
        """The number and the standard deviation stated of it."""
        super().put(part, out)
        if self.spread is not None and isinstance(part, Uncertain):
            put_spread(part, self.attribute, f"{self.key}_sd", self.dimension, out)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class SpreadOnly(Field):
    """A standard deviation whose mean is no entry of the file (a phase error about zero, the size of a reflection)."""

    dimension: str | None = None
    spread: Spread = Spread()

    def take(self, t: Table, scope: Scope, read: dict[str, object]) -> None:
        """What is stated, into the stated standard deviations."""
        sd = read_spread(t, self.key, self.dimension, self.spread)
        if sd is not None:
            _note_spread(read, self.attribute, sd)

    def put(self, part: object, out: dict[str, object]) -> None:
        """What is stated."""
        if isinstance(part, Uncertain):
            put_spread(part, self.attribute, self.key, self.dimension, out, self.spread.in_db)


def _number(
    t: Table, key: str, default: float | Required | None, low: float, high: float, strict: bool
) -> float | None:
    if default is None and not t.has(key):
        t.raw(key, None)
        return None
    return t.number(key, REQUIRED if default is None else default, low, high, strict)


def _note_spread(read: dict[str, object], attribute: str, sd: float) -> None:
    """Add a standard deviation that is stated to those read so far."""
    stated = read.setdefault("stated_sd", [])
    if isinstance(stated, list):
        stated.append((attribute, sd))


def read_spread(t: Table, key: str, dimension: str | None, spread: Spread) -> float | None:
    """A stated standard deviation: None if the study states none, 0 for "exact"."""
    if t.takes_word(key, EXACT):
        return 0.0
    if not t.has(key):
        t.raw(key, None)
        return None
    if dimension is None:
        return t.number(key, low=0.0, high=spread.most)
    low = -spread.most if spread.in_db else 0.0
    value = float(t.quantity(key, dimension, low=low, high=spread.most))
    return 10.0 ** (-abs(value) / 20.0) if spread.in_db else value


def put_spread(
    part: Uncertain, attribute: str, key: str, dimension: str | None, out: dict[str, object], in_db: int = 0
) -> None:
    """Write a standard deviation that is stated of an attribute of a part."""
    stated = dict(part.stated_sd).get(attribute)
    if stated is None:
        return
    if stated == 0:
        out[key] = EXACT
    elif dimension is None:
        out[key] = float(stated)
    else:
        out[key] = format_quantity(-20.0 * in_db * math.log10(stated) if in_db else stated, dimension, DIGITS)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Integer(Field):
    """A whole number; `word` may stand in its place and means None."""

    default: int | Required | None = REQUIRED
    low: int = 0
    high: int = 10**9
    word: str = ""

    def read(self, t: Table, scope: Scope) -> int | None:
        """The number."""
        if self.word and t.takes_word(self.key, self.word):
            return None
        return t.integer(self.key, default=self.default, low=self.low, high=self.high)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Flag(Field):
    """True or false."""

    default: bool = False

    def read(self, t: Table, scope: Scope) -> bool:
        """The flag."""
        return t.flag(self.key, self.default)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Text(Field):
    """A text; `empty` allows one without characters."""

    empty: bool = False

    def read(self, t: Table, scope: Scope) -> str:
        """The text."""
        return t.text(self.key, self.default, empty=self.empty)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Texts(Field):
    """A text, or a list of texts, each once; held as a tuple."""

    default: tuple[str, ...] | Required = REQUIRED

    def read(self, t: Table, scope: Scope) -> tuple[str, ...]:
        """The texts."""
        if isinstance(t.peek(self.key), list):
            found = t.texts(self.key, None)
            if "" in found:
                t.fault(self.key, "a text of the list is empty", "Write something in the quotes")
            return found
        if not t.has(self.key) and self.default is not REQUIRED:
            t.raw(self.key, None)
            return tuple(self.default)
        one = t.text(self.key)
        return (one,) if one else ()

    def toml(self, value: Any) -> str | list[str]:
        """A text, or a list of them."""
        return str(value[0]) if len(value) == 1 else list(value)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Times(Field):
    """A list of times, as many as are given."""

    default: tuple[float, ...] | Required = REQUIRED

    def read(self, t: Table, scope: Scope) -> tuple[float, ...]:
        """Seconds."""
        given = t.peek(self.key)
        count = len(given) if isinstance(given, list) else 1
        return tuple(t.quantities(self.key, "time", count, default=self.default))

    def toml(self, value: Any) -> list[str]:
        """A list of texts with units."""
        return [format_quantity(float(x), "time", DIGITS) for x in value]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Name(Field):
    """The name of a part, which may become part of a file's name."""

    key: str = "name"

    def read(self, t: Table, scope: Scope) -> str:
        """The name."""
        name = t.text(self.key)
        check_name(t, self.key, name)
        return name


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Choice(Field):
    """One of a few words; `decides` where it settles which other fields have a meaning.

    `meaning` maps words to the values that the package holds, where they differ.
    """

    choices: tuple[str, ...]
    decides: bool = False
    meaning: Mapping[str, object] = field(default_factory=dict)

    def read(self, t: Table, scope: Scope) -> object:
        """The word, or what it means."""
        default = self.toml(self.default) if self.default is not REQUIRED else REQUIRED
        word = t.choice(self.key, self.choices, default=default, decides=self.decides)
        return self.meaning.get(word, word) if self.meaning else word

    def toml(self, value: Any) -> object:
        """The word for a value."""
        return next((word for word, meant in self.meaning.items() if meant == value), value)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Reference(Field):
    """The name of another part of the study; may be left out where there is only one, if `lone`."""

    to: str
    lone: bool = False

    def read(self, t: Table, scope: Scope) -> str:
        """The name."""
        names = scope.names.get(self.to)
        default = self.default
        if self.lone and (names is None or len(names) == 1):
            default = names[0] if names else ""
        return t.reference(self.key, names, default=default)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Vector(Field):
    """A list of so many quantities; `ascending` where the first has to be below the second.

    With `exact` the word "exact" may stand for zeros.
    """

    default: tuple[float, ...] | Required | None = REQUIRED
    dimension: str
    count: int = 3
    low: float = -math.inf
    ascending: bool = False
    exact: bool = False

    def read(self, t: Table, scope: Scope) -> tuple[float, ...] | None:
        """A tuple of numbers."""
        if self.exact and t.takes_word(self.key, EXACT):
            return (0.0,) * self.count
        values = t.quantities(self.key, self.dimension, self.count, default=self.default, low=self.low)
        if self.ascending and values is not None and values[0] >= values[1]:
            t.fault(self.key, "the first value is not below the second", "Write the smaller value first")
        return values

    def toml(self, value: Any) -> list[str]:
        """A list of texts with units."""
        return [format_quantity(float(x), self.dimension, DIGITS) for x in value]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Axis(Field):
    """A direction: three plain numbers of any length, held as a unit vector."""

    default: tuple[float, float, float] | Required = REQUIRED

    def read(self, t: Table, scope: Scope) -> tuple[float, float, float]:
        """A unit vector."""
        return t.unit_vector(self.key, default=self.default)

    def toml(self, value: Any) -> list[float]:
        """Three numbers."""
        return [float(x) for x in value]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class Names(Field):
    """A list of names, each once: of parts `to`, of the words `choices`, or free names if neither.

    Left out, and without a default, it means all parts.
    """

    default: tuple[str, ...] | Required = REQUIRED
    to: str = ""
    choices: tuple[str, ...] = ()

    def read(self, t: Table, scope: Scope) -> tuple[str, ...]:
        """The names."""
        known = scope.names.get(self.to) if self.to else None
        default = tuple(known or ()) if self.default is REQUIRED else self.default
        found = t.texts(self.key, known, default=default)
        for n, name in enumerate(found, 1):
            if self.choices and name not in self.choices:
                t.fault(self.key, f"{shown(name)} is not known here", nearest(name, self.choices))
            elif not self.choices and not self.to:
                here = f"{self.key}[number {n}]"
                if name:
                    check_name(t, here, name)
                else:
                    t.fault(here, "the name is empty", "Write something in the quotes")
        return found

    def toml(self, value: Any) -> list[str]:
        """A list of texts."""
        return list(value)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False, match_args=False)
class NamedQuantities(Field):
    """A table of name -> quantity, as pairs; its standard deviations stand in a table of their own if it has a spread."""

    dimension: str
    to: str
    spread: Spread | None = None
    default: tuple[tuple[str, float], ...] = ()

    @property
    def keys(self) -> tuple[str, ...]:
        """The key and, of uncertain numbers, that of their standard deviations."""
        return (self.key,) if self.spread is None else (self.key, f"{self.key}_sd")

    def read(self, t: Table, scope: Scope) -> tuple[tuple[str, float], ...]:
        """Pairs of name and value."""
        return tuple(t.named_quantities(self.key, self.dimension, scope.names.get(self.to)).items())

    def take(self, t: Table, scope: Scope, read: dict[str, object]) -> None:
        """The numbers, and the standard deviations stated of them by name (`EXACT` of them all)."""
        super().take(t, scope, read)
        if self.spread is None:
            return
        key = f"{self.key}_sd"
        if t.takes_word(key, EXACT):
            read["unstated_exact"] = True
            return
        names = scope.names.get(self.to)
        read["stated_sd"] = list(t.named_quantities(key, self.dimension, names, low=0.0, word=EXACT).items())

    def toml(self, value: Any) -> dict[str, str]:
        """A table of texts with units."""
        return {name: format_quantity(float(x), self.dimension, DIGITS) for name, x in value}

    def put(self, part: object, out: dict[str, object]) -> None:
        """The numbers and the standard deviations stated of them."""
        super().put(part, out)
        if self.spread is not None and isinstance(part, Uncertain) and part.stated_sd:
            texts = self.toml(part.stated_sd)
            out[f"{self.key}_sd"] = {n: texts[n] if sd else EXACT for n, sd in part.stated_sd}


def read_fields(t: Table, fields: Iterable[Field], scope: Scope) -> dict[str, Any]:
    """Read a table's fields in order; values by attribute, with `stated_sd` where there are any."""
    read: dict[str, object] = {}
    for one in fields:
        one.take(t, scope, read)
    if isinstance(stated := read.get("stated_sd"), list):
        read["stated_sd"] = tuple(stated)
    return read


T = TypeVar("T")


def read_part(t: Table, kind: Callable[..., T], fields: Iterable[Field], scope: Scope) -> T:
    """Read a table into its dataclass."""
    return kind(**read_fields(t, fields, scope))


def write_fields(part: object, fields: Iterable[Field]) -> dict[str, object]:
    """A part as nested plain values: every entry that differs from what holds without it."""
    out: dict[str, object] = {}
    for one in fields:
        if one.only is None or getattr(part, one.only.attribute) in one.only.values:
            one.put(part, out)
    return out


def restate(out: Mapping[str, object], stated: Mapping[str, object], fields: Iterable[Field]) -> dict[str, object]:
    """Entries in a user's own words where these mean what would be written, and in the user's units where they do not.

    Parameters
    ----------
    out : dict
        From `write_fields`.
    stated : mapping
        The same table of the user's file.
    fields : iterable of Field

    Returns
    -------
    dict
        With the user's text ("50 pH" for a mutual inductance, say) wherever it is read as the same number; another number
        in the unit of that text.
    """
    kept = dict(out)
    for one in fields:
        dimension = getattr(one, "dimension", None)
        for key in one.keys:
            if dimension is not None and key in out and key in stated:
                kept[key] = _same(out[key], stated[key], dimension)
    return kept


def _same(ours: object, theirs: object, dimension: str) -> object:
    if isinstance(ours, dict) and isinstance(theirs, dict):
        usual = next(iter(theirs.values()), None)  # of a name that theirs lacks the unit of another
        return {name: _same(x, theirs.get(name, usual), dimension) for name, x in ours.items()}
    if isinstance(ours, list) and isinstance(theirs, list) and len(ours) == len(theirs):
        return [_same(x, y, dimension) for x, y in zip(ours, theirs, strict=True)]
    if not isinstance(ours, str) or not isinstance(theirs, str) or EXACT in (ours, theirs):
        return ours
    value = parse_quantity(ours, dimension)
    try:
        if math.isclose(value, parse_quantity(theirs, dimension), rel_tol=1e-11):
            return theirs
    except InputError:  # a word in its place
        return ours
    return format_like(value, theirs, dimension, DIGITS - 1) or ours


@dataclass(frozen=True)
class Uncertain:
    """A part whose numbers have standard deviations.

    Attributes
    ----------
    stated_sd : tuple of (attribute, float)
        Those that the study states; 0 for "exact".
    unstated_exact : bool
        Whether numbers without a stated one are exact; otherwise the default of their field holds.
    """

    stated_sd: tuple[tuple[str, float], ...] = field(default=(), kw_only=True)
    unstated_exact: bool = field(default=False, kw_only=True)

    @classmethod
    def spreads(cls) -> dict[str, Spread]:
        """Attributes that are uncertain, with what their fields say of it."""
        raise NotImplementedError

    @property
    def sd(self) -> dict[str, float]:
        """Standard deviation of every uncertain attribute, stated or default; 0 is exact."""
        found = {
            name: 0.0 if self.unstated_exact else spread.default(self, name) for name, spread in self.spreads().items()
        }
        return found | dict(self.stated_sd)

    def stated(self, attribute: str) -> float:
        """The standard deviation that the study states of an attribute, 0 where it states none."""
        return dict(self.stated_sd).get(attribute, 0.0)

    def with_sd(self, **sd: float) -> Self:
        """The same part with these standard deviations stated."""
        return replace(self, stated_sd=tuple((dict(self.stated_sd) | sd).items()))


def spreads_of(fields: Iterable[Field]) -> dict[str, Spread]:
    """The uncertain attributes of a table of fields."""
    return {f.attribute: f.spread for f in fields if isinstance(f, (Quantity, SpreadOnly)) and f.spread is not None}
