"""Two-port Touchstone files: a guard, the numbers, and the change of time convention.

A network analyser writes phasors that go as exp(+j w t); the physics in this package goes as exp(-i w t).  Complex
conjugation turns one into the other, and it happens in this module only: once on reading, once on writing.

Every line is checked before a number of it is used, and every number is read once.  A general parser (scikit-rf's
``Touchstone`` class, to which the tests compare bit by bit) is lenient where silence costs data: it takes rows after a
falling frequency for noise data, accepts a file without option line as GHz and magnitude-angle, lets NaN pass; and strict
where the format is free (order of the options).  Behind a guard that has read all numbers already it would only read them
again: together they took 2.5 times what it takes alone, this module alone takes less than it does.

File format: IBIS Open Forum, "Touchstone File Format Specification", version 2.0 (24 April 2009).  Version 1 two-port
lines hold ``f N11 N21 N12 N22``; version 2 states the order in ``[Two-Port Data Order]``.  Options stand in any order.
A version 1 file may end with noise data: five numbers a line, starting at a frequency not above the last one.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxsense.base.errors import InputError
from fluxsense.base.files import read_bytes, write_beside
from fluxsense.base.units import shown

FILE_LIMIT_BYTES = 64_000_000
FREQUENCY_LIMIT_HZ = 1e13
"""Frequencies above this are taken for a wrong unit: no such circuit works beyond some hundred GHz."""

ANGLE_LIMIT_DEG = 1e6
"""Unwrapped phases reach some ten thousand degrees; far beyond this, rounding would eat the angle."""

_UNITS = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}
_FORMATS = ("DB", "MA", "RI")
_PARAMETERS = ("S", "Y", "Z", "G", "H")
_ADVICE_OPTIONS = "Write a line such as '# Hz S RI R 50' above the data"
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?")
_FORTRAN_EXPONENT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)[dD][+-]?\d+")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?(?:nan|inf|infinity)", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True, eq=False)
class Sweep:
    """One two-port sweep, in the package's time convention exp(-i w t).

    Attributes
    ----------
    frequency_hz : ndarray of float, shape (F,)
        Strictly increasing.
    s : ndarray of complex, shape (F, 2, 2)
        ``s[:, i, j]`` is S(i+1)(j+1): into port j+1, out of port i+1.
    reference_ohm : float
        Reference resistance of both ports.
    """

    frequency_hz: NDArray[np.float64]
    s: NDArray[np.complex128]
    reference_ohm: float = 50.0


class Span(NamedTuple):
    """What the beginning and the end of a trace say: numbers in its first row, lowest and highest frequency."""

    numbers: int
    lowest_hz: float
    highest_hz: float


@dataclass(frozen=True)
class _Options:
    unit: str
    form: str
    reference_ohm: float


class _Row(NamedTuple):
    """The tokens of a row, which may go on over lines, and the line it begins on."""

    line: int
    tokens: list[str]


def read_sweep(path: str | os.PathLike[str]) -> Sweep:
    """Read a two-port Touchstone file, version 1 or 2, holding S-parameters.

    Parameters
    ----------
    path : path-like
        Any extension, but one such as ``.s1p`` or ``.s4p`` that promises another number of ports is refused.

    Returns
    -------
    Sweep
        Conjugated to exp(-i w t).  Noise data, if any, are checked and left out.

    Raises
    ------
    InputError
        The file cannot be trusted; the message names file, line and remedy.  Nothing in the file is ever executed or
        unpickled.
    """
    return sweep_from_bytes(read_bytes(path, limit_bytes=FILE_LIMIT_BYTES, kind="trace"), os.fspath(path))


def sweep_from_bytes(raw: bytes, name: str) -> Sweep:
    """Read a two-port Touchstone file that is already in memory.

    Parameters
    ----------
    raw : bytes
        Content of the file.
    name : str
        Name for messages; its extension is looked at as in `read_sweep`.

    Returns
    -------
    Sweep

    Raises
    ------
    InputError
        As `read_sweep`.
    """
    extension = re.fullmatch(r"\.[sgyzh](\d+)p", Path(name).suffix.lower())
    if extension and extension[1] != "2":
        raise InputError(
            f"the extension {Path(name).suffix} promises {extension[1]} port(s), two are needed",
            where=name,
            remedy="Export S11, S21, S12 and S22 as .s2p",
        )
    lines = _text(raw, name).split("\n")
    contents = _contents(lines)
    if not contents:
        raise InputError("the trace holds nothing but comments", where=name, remedy="Export the sweep again")
    if contents[0][1].lower().startswith("[version]"):
        options, order, rows = _read_version_2(contents, name)
    else:
        options, order, rows = _read_version_1(contents, name)
    values = _values(rows, name)
    _check_rows(values, rows, options, name)
    frequency_hz = values[:, 0] * _UNITS[options.unit]
    s = _matrices(values, options.form, order)
    bad = np.flatnonzero(~np.isfinite(s).all(axis=(1, 2)))
    if bad.size:
        raise InputError(
            "a value is too large to be represented",
            where=f"{name}:{rows[bad[0]].line}",
            remedy=f"Check that the data are in the form {options.form} that the option line states",
        )
    np.conj(s, out=s)
    frequency_hz.flags.writeable = False
    s.flags.writeable = False
    return Sweep(frequency_hz, s, options.reference_ohm)


def span_of(raw: bytes) -> Span | None:
    """First and last row of a trace, by its option line; None where they make no sense, or there is no such line."""
    unit, rows = None, []
    lines = raw.decode("latin-1").splitlines()
    for text in lines:
        text = text.partition("!")[0].strip()
        if text.startswith("#"):
            unit = next((_UNITS[word] for word in text[1:].upper().split() if word in _UNITS), 1e9)
        elif text and text[0] not in "[":
            rows.append(text.split())
            break
    last = next((t for t in (x.partition("!")[0].split() for x in reversed(lines)) if t and t[0][0] not in "[#"), [])
    if unit is None:
        return None
    try:
        return Span(len(rows[0]), float(rows[0][0]) * unit, float(last[0]) * unit)
    except (IndexError, ValueError):
        return None


def sweep_from_arrays(frequency_hz: ArrayLike, s: ArrayLike, reference_ohm: float = 50.0) -> Sweep:
    """A sweep from arrays as a network analyser gives them.

    Parameters
    ----------
    frequency_hz : array_like (F,)
        Strictly increasing.
    s : array_like (F, 2, 2) of complex
        ``s[:, i, j]`` is S(i+1)(j+1), phasors that go as exp(+j w t).
    reference_ohm : float

    Returns
    -------
    Sweep

    Raises
    ------
    InputError
        Shapes do not fit, or a number is not finite.
    """
    f, values = np.array(frequency_hz, dtype=np.float64), np.array(s, dtype=np.complex128)
    if f.ndim != 1 or f.size == 0 or values.shape != (f.size, 2, 2):
        raise InputError(
            f"a sweep needs shapes (F,) and (F, 2, 2), got {f.shape} and {values.shape}",
            remedy="Give frequencies in Hz and s[:, i, j] for S(i+1)(j+1)",
        )
    if not (np.isfinite(f).all() and np.isfinite(values).all()) or np.any(np.diff(f) <= 0):
        raise InputError(
            "the sweep holds values that are not finite, or frequencies that do not increase", remedy="Measure it again"
        )
    return Sweep(f, np.conj(values), float(reference_ohm))


def write_sweep(path: str | os.PathLike[str], sweep: Sweep, comments: Sequence[str] = (), digits: int = 6) -> None:
    """Write a version 1 two-port file, ``# HZ S RI R n``, beside and then rename it.

    Parameters
    ----------
    path : path-like
        An existing file is replaced only when the new one is complete.
    sweep : Sweep
        In exp(-i w t); conjugated on the way out.
    comments : sequence of str
        Written above the option line, one or more lines each, ASCII.
    digits : int
        Significant digits of the real and imaginary parts, 1 to 17.  Frequencies are written exactly.

    Raises
    ------
    InputError
        The sweep has wrong shapes, is not finite or its frequencies do not increase; a comment is not ASCII; the file
        cannot be written.
    """
    name = os.fspath(path)
    f = np.asarray(sweep.frequency_hz, dtype=float)
    s = np.asarray(sweep.s, dtype=complex)
    if f.ndim != 1 or f.size == 0 or s.shape != (f.size, 2, 2):
        raise InputError(f"a sweep needs shapes (F,) and (F, 2, 2), got {f.shape} and {s.shape}", where=name)
    if not (np.isfinite(f).all() and np.isfinite(s).all()):
        raise InputError("the sweep holds values that are not finite", where=name)
    if f[0] < 0.0 or np.any(np.diff(f) <= 0.0) or f[-1] > FREQUENCY_LIMIT_HZ:
        raise InputError(
            f"frequencies must increase from line to line, within 0 and {FREQUENCY_LIMIT_HZ:g} Hz", where=name
        )
    if not (np.isfinite(sweep.reference_ohm) and sweep.reference_ohm > 0.0):
        raise InputError(f"the reference resistance must be positive, got {sweep.reference_ohm}", where=name)
    if not 1 <= digits <= 17:
        raise InputError(f"digits must be 1 to 17, got {digits}", where=name)
    head = _comment_lines(comments, name)
    head.append(f"# HZ S RI R {_shortest(sweep.reference_ohm)}")
    # Order in the file: 11, 21, 12, 22.
    table = np.ascontiguousarray(np.conj(s).transpose(0, 2, 1)).reshape(f.size, 4).view(np.float64)
    number = f"%.{digits - 1}e"
    form = " ".join(["%s"] + [number] * 8)
    body = (form % (_shortest(x), *row) for x, row in zip(f.tolist(), table.tolist(), strict=True))
    text = "\n".join(chain(head, body)) + "\n"
    write_beside(path, text.encode("ascii"), sync=False)


def _comment_lines(comments: Iterable[str], name: str) -> list[str]:
    if isinstance(comments, str):
        comments = (comments,)
    lines = []
    for comment in comments:
        if not comment.isascii() or "\0" in comment:
            raise InputError(f"the comment {comment!r} is not plain ASCII", where=name, remedy="Spell it in ASCII")
        lines += [f"! {line}" for line in comment.replace("\r\n", "\n").replace("\r", "\n").split("\n")]
    return lines


def _shortest(value: float) -> str:
    """Return the shortest text that reads back as the same number, whole numbers without a point."""
    value = float(value)
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)


def _text(raw: bytes, name: str) -> str:
    """Decode, refuse binary content, and bring the three kinds of line end to one."""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise InputError("the trace is stored as UTF-16", where=name, remedy="Save it as ASCII or UTF-8")
    if raw.translate(None, delete=bytes(range(32, 256)) + b"\t\n\r\x0c\x1a"):
        raise InputError(
            "the trace is a binary file, not Touchstone text",
            where=name,
            remedy="Export the sweep as Touchstone (.s2p); pickled or compressed files are never opened",
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return text.replace("\r\n", "\n").replace("\r", "\n").removesuffix("\x1a")


def _contents(lines: Sequence[str]) -> list[tuple[int, str]]:
    """Return (line number, text) of every line that holds more than a comment."""
    found = []
    for number, line in enumerate(lines, 1):
        text = (line.partition("!")[0] if "!" in line else line).strip()
        if text:
            found.append((number, text))
    return found


def _read_options(text: str, where: str) -> tuple[_Options, tuple[float, ...]]:
    """Read the option line, fields in any order, defaults GHz S MA R 50."""
    found: dict[str, str] = {}
    resistances: list[float] = []
    tokens = text[1:].upper().split()
    position = 0

    def keep(kind: str, token: str) -> None:
        if kind in found:
            raise InputError(
                f"the option line states the {kind} twice, {found[kind]} and {token}",
                where=where,
                remedy="Keep one of them",
            )
        found[kind] = token

    while position < len(tokens):
        token = tokens[position]
        position += 1
        if token in _UNITS:
            keep("frequency unit", token)
        elif token in _FORMATS:
            keep("number format", token)
        elif token in _PARAMETERS:
            keep("parameter", token)
        elif token == "R":
            keep("reference resistance", token)
            while position < len(tokens) and _NUMBER.fullmatch(tokens[position]):
                resistances.append(float(tokens[position]))
                position += 1
            if not resistances:
                raise InputError("R stands in the option line without a number", where=where, remedy=_ADVICE_OPTIONS)
        else:
            raise InputError(
                f"the option line holds {_cut(token)!r}, which means nothing there", where=where, remedy=_ADVICE_OPTIONS
            )
    parameter = found.get("parameter", "S")
    if parameter != "S":
        raise InputError(
            f"the trace holds {parameter}-parameters, S-parameters are needed",
            where=where,
            remedy="Export the sweep again as S-parameters",
        )
    resistance = _one_reference(resistances or [50.0], where)
    return (
        _Options(found.get("frequency unit", "GHZ"), found.get("number format", "MA"), resistance),
        tuple(resistances),
    )


def _one_reference(resistances: Sequence[float], where: str) -> float:
    if len(resistances) > 2:
        raise InputError(
            f"{len(resistances)} reference resistances are given, a two-port has at most two",
            where=where,
            remedy="Export S11, S21, S12 and S22 as .s2p",
        )
    for value in resistances:
        if not (np.isfinite(value) and value > 0.0):
            raise InputError(
                f"the reference resistance {value:g} ohm is not positive", where=where, remedy=_ADVICE_OPTIONS
            )
    if len(set(resistances)) > 1:
        raise InputError(
            f"the two ports have different reference resistances, {resistances[0]:g} and {resistances[1]:g} ohm",
            where=where,
            remedy="Renormalise both ports to one resistance and export again",
        )
    return float(resistances[0])


def _read_version_1(contents: Sequence[tuple[int, str]], name: str) -> tuple[_Options, str, list[_Row]]:
    first_line, first_text = contents[0]
    where = f"{name}:{first_line}"
    if first_text.startswith("["):
        raise InputError(
            f"the keyword {_bracketed(first_text)} stands before [Version]",
            where=where,
            remedy="Begin the file with '[Version] 2.0', or remove the keywords",
        )
    if not first_text.startswith("#"):
        _refuse_bad_numbers(first_text.split(), where)
        raise InputError(
            "there is no option line above the data, so unit and format are unknown",
            where=where,
            remedy=_ADVICE_OPTIONS,
        )
    options, _ = _read_options(first_text, where)
    data = []
    for number, text in contents[1:]:
        if text[0] not in "#[":
            data.append((number, text))
        elif text[0] == "#":
            _same_options(options, text, f"{name}:{number}")
        else:
            raise InputError(
                f"the keyword {_bracketed(text)} stands in a file without [Version]",
                where=f"{name}:{number}",
                remedy="Begin the file with '[Version] 2.0', or remove the keywords",
            )
    rows = _network_rows(data, name, noise_allowed=True)
    return options, "21_12", rows


def _cut(token: str) -> str:
    """A token short enough for a message."""
    return token if len(token) <= 40 else token[:37] + "..."


def _bracketed(text: str) -> str:
    """A keyword with its brackets as it may stand in a message."""
    return shown(" ".join(text.split("]")[0].split()) + "]")[1:-1]


def _same_options(options: _Options, text: str, where: str) -> None:
    again, _ = _read_options(text, where)
    if again != options:
        raise InputError(
            "a second option line contradicts the first",
            where=where,
            remedy="Keep one option line; put each sweep in a file of its own",
        )


def _network_rows(data: Sequence[tuple[int, str]], name: str, *, noise_allowed: bool) -> list[_Row]:
    """Gather rows of nine numbers (a row may go on over lines) and check a closing noise block."""
    rows: list[_Row] = []
    noise: list[_Row] = []
    open_row = False
    for number, text in data:
        tokens = text.split()
        if len(tokens) == 9 and not open_row and not noise:
            rows.append(_Row(number, tokens))
            continue
        where = f"{name}:{number}"
        if noise:
            if len(tokens) != 5:
                raise InputError(
                    f"a noise line holds five numbers, this one {len(tokens)}",
                    where=where,
                    remedy=f"If line {noise[0].line} was meant to be network data, it is cut off: export the sweep again",
                )
            noise.append(_Row(number, tokens))
        elif open_row:
            row = rows[-1]
            if len(tokens) % 2 or len(row.tokens) + len(tokens) > 9:
                raise _wrong_count(row.line, len(row.tokens), len(tokens), name)
            row.tokens.extend(tokens)
            open_row = len(row.tokens) < 9
        elif noise_allowed and len(tokens) == 5 and rows and _starts_noise(tokens[0], rows[-1].tokens[0]):
            noise.append(_Row(number, tokens))
        elif len(tokens) > 9 or len(tokens) % 2 == 0:
            _refuse_bad_numbers(tokens, where)
            raise _wrong_count(number, len(tokens), 0, name)
        else:
            rows.append(_Row(number, tokens))
            open_row = True
    if not rows:
        raise InputError("there is a header but no data below it", where=name, remedy="Export the sweep again")
    if open_row:
        row = rows[-1]
        _refuse_bad_numbers(row.tokens, f"{name}:{row.line}")
        raise InputError(
            f"the last row is cut off, it holds {len(row.tokens)} of 9 numbers",
            where=f"{name}:{row.line}",
            remedy="Copy or export the file again",
        )
    _check_noise(noise, name)
    return rows


def _wrong_count(line: int, have: int, more: int, name: str) -> InputError:
    total = have if more == 0 else have + more
    if have == 3 and more in (0, 3):
        what, remedy = "the row holds 3 numbers, as in a one-port file", "Export S11, S21, S12 and S22 as .s2p"
    elif have % 2 == 0 or total > 9:
        what = (
            f"a row holds 9 numbers (frequency and four pairs), here {have if more == 0 or more == 9 else total} stand"
        )
        remedy = "A row is cut off or the file has another number of ports: export all four S-parameters as .s2p"
    else:
        what = f"a row holds 9 numbers (frequency and four pairs), here {have} stand"
        remedy = "A row is cut off or the file has another number of ports: export all four S-parameters as .s2p"
    return InputError(what, where=f"{name}:{line}", remedy=remedy)


def _starts_noise(first: str, last: str) -> bool:
    try:
        return float(first) <= float(last)
    except ValueError:
        return False


def _check_noise(noise: Sequence[_Row], name: str) -> None:
    if not noise:
        return
    values = _values(noise, name)
    falls = np.flatnonzero(np.diff(values[:, 0]) <= 0.0)
    if falls.size:
        raise InputError(
            "the frequency of the noise data does not increase",
            where=f"{name}:{noise[falls[0] + 1].line}",
            remedy="Remove the noise data or put them in order",
        )


class _Keywords:
    """The keyword form while it is read: what the keywords said so far, and the rows of either section.

    The keywords that a two-port sweep needs are understood, the others refused.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.options: _Options | None = None
        self.order = ""
        self.references: list[float] = []
        self.counts: dict[str, int] = {}
        self.sections: dict[str, list[tuple[int, str]]] = {"network": [], "noise": []}
        self.ended = False
        self._section = ""
        self._skipping = False
        self._reference_open = False

    def line(self, number: int, text: str) -> None:
        """Take one line that is not empty."""
        where = f"{self.name}:{number}"
        if text.startswith("["):
            keyword, _, argument = text[1:].partition("]")
            self._reference_open = False
            self._keyword(" ".join(keyword.lower().split()), argument.strip(), text, where)
        elif self._skipping:
            return
        elif text.startswith("#"):
            if self.options is None:
                self.options, _ = _read_options(text, where)
            else:
                _same_options(self.options, text, where)
        elif self._section:
            self.sections[self._section].append((number, text))
        elif self._reference_open:
            self.references += _numbers(text.split(), where)
        else:
            raise InputError(
                "numbers stand above [Network Data]", where=where, remedy="Put [Network Data] above the first row"
            )

    def _keyword(self, keyword: str, argument: str, text: str, where: str) -> None:
        if keyword in ("begin information", "end information"):
            self._skipping = keyword == "begin information"
        elif self._skipping:
            return
        elif self._section and keyword not in ("noise data", "end"):
            raise InputError(
                f"the keyword {_bracketed(text)} stands below the data",
                where=where,
                remedy="Put [Network Data] and the rows below all other keywords",
            )
        elif keyword in ("number of ports", "number of frequencies", "number of noise frequencies"):
            self._count(keyword, argument, where)
        elif keyword == "two-port data order":
            if argument.lower() not in ("12_21", "21_12"):
                raise InputError(
                    f"[Two-Port Data Order] is {_cut(argument)!r}", where=where, remedy="It must be 12_21 or 21_12"
                )
            self.order = argument
        elif keyword == "reference":
            self.references += _numbers(argument.split(), where)
            self._reference_open = True
        elif keyword in ("network data", "noise data"):
            self._section = keyword.partition(" ")[0]
        elif keyword == "end":
            self.ended = True
        else:
            _check_keyword(keyword, argument, text, where)

    def _count(self, keyword: str, argument: str, where: str) -> None:
        if not (argument.isascii() and argument.isdigit() and len(argument) <= 12):
            raise InputError(
                f"[{keyword}] needs a whole number, got {_cut(argument)!r}",
                where=where,
                remedy="Export the sweep again",
            )
        self.counts[keyword] = int(argument)
        if keyword == "number of ports" and self.counts[keyword] != 2:
            raise InputError(
                f"the file has {self.counts[keyword]} port(s), two are needed",
                where=where,
                remedy="Export S11, S21, S12 and S22 as a two-port",
            )


def _check_keyword(keyword: str, argument: str, text: str, where: str) -> None:
    """Refuse a keyword that says nothing to be kept, unless it says what has to be so."""
    if keyword == "version":
        if argument not in ("2.0", "2.1"):
            raise InputError(
                f"version {_cut(argument)!r} is not known", where=where, remedy="Export as version 1.0, 2.0 or 2.1"
            )
    elif keyword == "matrix format":
        if argument.lower() != "full":
            raise InputError(
                f"[Matrix Format] {shown(argument, 40)[1:-1]} makes S12 and S21 equal, which hides the direction",
                where=where,
                remedy="Export the full matrix",
            )
    elif keyword == "mixed-mode order":
        raise InputError("mixed-mode parameters are not ports", where=where, remedy="Export single-ended S-parameters")
    else:
        raise InputError(
            f"the keyword {_bracketed(text.lower())} is not known",
            where=where,
            remedy="Export the sweep as a version 1 file",
        )


def _read_version_2(contents: Sequence[tuple[int, str]], name: str) -> tuple[_Options, str, list[_Row]]:
    """Read the keyword form."""
    found = _Keywords(name)
    for number, text in contents:
        found.line(number, text)
        if found.ended:
            break
    options = found.options
    if options is None:
        raise InputError("there is no option line", where=name, remedy=_ADVICE_OPTIONS)
    if "number of ports" not in found.counts:
        raise InputError("[Number of Ports] is missing", where=name, remedy="Add '[Number of Ports] 2'")
    if not found.order:
        raise InputError(
            "[Two-Port Data Order] is missing, so S21 and S12 cannot be told apart",
            where=name,
            remedy="Add '[Two-Port Data Order] 21_12' or '12_21', whichever the instrument wrote",
        )
    if found.references:
        if len(found.references) != 2:
            raise InputError(
                f"[Reference] needs two numbers, got {len(found.references)}",
                where=name,
                remedy="Give one resistance per port",
            )
        options = _Options(options.unit, options.form, _one_reference(found.references, name))
    rows = _network_rows(found.sections["network"], name, noise_allowed=False)
    stated = found.counts.get("number of frequencies")
    if stated is not None and stated != len(rows):
        raise InputError(
            f"[Number of Frequencies] states {stated}, the file holds {len(rows)}",
            where=name,
            remedy="The file is cut off or was edited: export the sweep again",
        )
    return options, found.order, rows


def _numbers(tokens: Sequence[str], where: str) -> list[float]:
    _refuse_bad_numbers(tokens, where)
    return [float(token) for token in tokens]


def _refuse_bad_numbers(tokens: Sequence[str], where: str) -> None:
    """Raise a sentence for the first token that is not a plain number."""
    for token in tokens:
        if _NUMBER.fullmatch(token):
            continue
        if _DECIMAL_COMMA.fullmatch(token):
            what, remedy = f"{_cut(token)!r} has a decimal comma", "Export with a decimal point"
        elif "," in token or ";" in token:
            what, remedy = (
                f"{_cut(token)!r} is not a number; commas or semicolons seem to separate the columns",
                ("Separate the columns by spaces"),
            )
        elif _FORTRAN_EXPONENT.fullmatch(token):
            what, remedy = f"{_cut(token)!r} has an exponent written with D", "Write the exponent with E"
        else:
            what, remedy = f"{_cut(token)!r} is not a number", "Comments begin with '!'; export the sweep again"
        raise InputError(what, where=where, remedy=remedy)


def _values(rows: Sequence[_Row], name: str) -> NDArray[np.float64]:
    """Turn the tokens of equally long rows into numbers, all finite."""
    width = len(rows[0].tokens)
    tokens = list(chain.from_iterable([row.tokens for row in rows]))
    # float() also takes digit separators and digits of other scripts.
    together = "".join(tokens)
    plain = together.isascii() and "_" not in together
    try:
        flat = list(map(float, tokens))
    except ValueError:
        flat, plain = [], False
    if not plain:
        for row in rows:
            _refuse_bad_numbers(row.tokens, f"{name}:{row.line}")
    values = np.array(flat, dtype=np.float64).reshape(len(rows), width)
    bad = np.argwhere(~np.isfinite(values))
    if bad.size:
        line, column = bad[0]
        raise InputError(
            f"{_cut(rows[line].tokens[column])!r} is not a finite number",
            where=f"{name}:{rows[line].line}",
            remedy="Measure the sweep again, or take it out of the log",
        )
    return values


def _check_rows(values: NDArray[np.float64], rows: Sequence[_Row], options: _Options, name: str) -> None:
    f = values[:, 0]
    stuck = np.flatnonzero(np.diff(f) <= 0.0)
    if stuck.size:
        k = int(stuck[0])
        verb = "repeats" if f[k + 1] == f[k] else "falls below"
        raise InputError(
            f"the frequency {_cut(rows[k + 1].tokens[0])} {verb} the one before it, {_cut(rows[k].tokens[0])}",
            where=f"{name}:{rows[k + 1].line}",
            remedy="Frequencies must increase from row to row: sweep upwards and keep one sweep per file",
        )
    if f[0] < 0.0:
        raise InputError(
            f"the frequency {_cut(rows[0].tokens[0])} is negative",
            where=f"{name}:{rows[0].line}",
            remedy="Export the sweep again",
        )
    highest_hz = f[-1] * _UNITS[options.unit]
    if highest_hz > FREQUENCY_LIMIT_HZ:
        raise InputError(
            f"the frequency {_cut(rows[-1].tokens[0])} {options.unit} is {highest_hz:.3g} Hz",
            where=f"{name}:{rows[-1].line}",
            remedy="The unit in the option line does not fit the data (the default is GHz)",
        )
    if options.form != "RI":
        turned = np.argwhere(np.abs(values[:, 2::2]) > ANGLE_LIMIT_DEG)
        if turned.size:
            k, pair = turned[0]
            raise InputError(
                f"the angle {_cut(rows[k].tokens[2 + 2 * pair])} degrees is beyond any unwrapped phase",
                where=f"{name}:{rows[k].line}",
                remedy=f"Check that the data are in the form {options.form} that the option line states",
            )
    if options.form == "MA":
        negative = np.argwhere(values[:, 1::2] < 0.0)
        if negative.size:
            k, pair = negative[0]
            raise InputError(
                f"the magnitude {_cut(rows[k].tokens[1 + 2 * pair])} is negative",
                where=f"{name}:{rows[k].line}",
                remedy="If the data are real and imaginary parts, write RI in the option line",
            )


def _matrices(values: NDArray[np.float64], form: str, order: str) -> NDArray[np.complex128]:
    """Complex (F, 2, 2) from checked rows of nine numbers, still as the file's phasors."""
    first, second = values[:, 1::2], values[:, 2::2]
    with np.errstate(over="ignore", invalid="ignore"):
        if form == "RI":
            flat = np.ascontiguousarray(values[:, 1:]).view(np.complex128)
        else:
            size = 10.0 ** (first / 20.0) if form == "DB" else first
            flat = size * np.exp(1j * second * np.pi / 180)
    pairs = flat.reshape(-1, 2, 2)
    # rows hold 11, 21, 12, 22, that is column by column, unless a version 2 file says 12_21
    return np.ascontiguousarray(pairs if order == "12_21" else pairs.transpose(0, 2, 1))
