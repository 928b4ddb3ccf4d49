"""The log: a CSV table that says what each trace is.

One row a trace.  Columns (order free, names exact): ``file``, ``isolator``, ``pump`` (on or off), ``pump_port`` (1 or 2),
``pump_phase_deg`` (only where the pump phase is free; the column may be left out), ``pump_power_dbm``,
``pump_frequency_hz``, ``state``, ``cooldown``, ``repeat``, ``time_s``, ``transmits`` (21 or 12, whichever is larger, where
only the direction was recorded and there is no file; the column may be left out) and one ``bias_<line>_a`` per bias line.  With the
pump off the four pump columns are empty; with the pump on, either port or phase is given.  Bias currents, power and
frequency are the values that were set: repeats of one setting are found by equality.  Columns of the laboratory's own, such
as ``temperature_mk``, are kept as texts; a name close to one that the log needs is taken for a slip, as is every other
``bias_``.  Empty lines and lines that begin with ``#`` are passed over.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from fluxsense.base.errors import InputError
from fluxsense.base.faults import Faults
from fluxsense.base.files import read_bytes, write_beside

FILE_LIMIT_BYTES = 1_000_000_000
REWRITING_LOOKS = 3
"""Looks in a row at which a log that became shorter is taken for one that is just being written anew."""

_FIXED = (
    "file", "isolator", "pump", "pump_port", "pump_phase_deg", "pump_power_dbm", "pump_frequency_hz",
    "state", "cooldown", "repeat", "time_s", "transmits",
)  # fmt: skip
_OPTIONAL = ("pump_phase_deg", "transmits")
_PUMP = ("pump_port", "pump_phase_deg", "pump_power_dbm", "pump_frequency_hz")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?")
# What a column can hold at most, to catch a wrong unit: (low, high, likely mistake).
_RANGES = {
    "pump_frequency_hz": (1e6, 1e13, "The column is in Hz, not MHz or GHz"),
    "pump_power_dbm": (-250.0, 60.0, "The column is in dBm, not W or mW"),
    "pump_phase_deg": (-720.0, 720.0, "The column is in degrees"),
}
_BIAS_RANGE = (-100.0, 100.0, "The column is in A, not mA or uA")


@dataclass(frozen=True)
class LogRow:
    """What the log says of one trace.

    Attributes
    ----------
    line : int
        Line in the log file, for messages.
    file : str
        Trace file as written in the log.
    isolator, state, cooldown : str
    pump_on : bool
    pump_port : int or None
        1 or 2; None when the pump is off or its phase is free.
    pump_phase_rad : float or None
        Free pump phase difference; None when the pump is off or enters by a port.
    pump_power_dbm, pump_frequency_hz : float
        NaN when the pump is off.
    repeat : int
    time_s : float
    bias_a : tuple of float
        In the order of the bias lines that the reader was given.
    transmits : '21', '12' or None
        Which way the sweep transmits, where the log says so; then there need be no trace, and `file` may be empty.
    own : tuple of (str, str)
        Names and cells of columns of the laboratory's own.
    log : str
        The log that it stands in, as messages name it.
    """

    line: int
    file: str
    isolator: str
    pump_on: bool
    pump_port: int | None
    pump_phase_rad: float | None
    pump_power_dbm: float
    pump_frequency_hz: float
    state: str
    cooldown: str
    repeat: int
    time_s: float
    bias_a: tuple[float, ...]
    transmits: str | None = None
    own: tuple[tuple[str, str], ...] = ()
    log: str = field(default="log", compare=False)

    @property
    def place(self) -> str:
        """Log and line, for messages; the log alone where there is no line."""
        return f"{self.log}:{self.line}" if self.line else self.log


_SLIP = 0.85
"""Likeness from which on a name is taken for a slip even if the one that it is like stands there too."""


class _Faults(Faults):
    """Faults of a log, by their lines."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self.name = name

    def at(self, line: int, what: str, remedy: str) -> None:
        self.add(InputError(what, where=f"{self.name}:{line}", remedy=remedy))


@dataclass(frozen=True)
class Names:
    """Names that may stand in a log.

    Attributes
    ----------
    isolators, states : sequence of str
        In these columns.
    bias_lines : sequence of str
        Of the bias lines; each needs a column ``bias_<line>_a``.
    cooldowns : sequence of str, optional
        In the cooldown column; any name if left out.
    """

    isolators: Sequence[str]
    states: Sequence[str]
    bias_lines: Sequence[str]
    cooldowns: Sequence[str] | None = None


def read_log(
    path: str | os.PathLike[str],
    names: Names,
    *,
    folder: str | os.PathLike[str] | None = None,
    allow_outside: bool = False,
) -> list[LogRow]:
    """Read and check a log.

    Parameters
    ----------
    path : path-like
        CSV text, UTF-8, columns as the module's docstring lists them.
    names : Names
    folder : path-like, optional
        Folder that the trace files are relative to; the log's own if left out.
    allow_outside : bool
        Accept traces outside that folder.

    Returns
    -------
    list of LogRow
        In the order of the file.

    Raises
    ------
    InputError
        With file and line of faults of up to twelve kinds in one message: missing or unknown columns, unknown names, bad numbers,
        traces that are missing, listed twice or outside the folder, the same measurement twice, and the like.
    """
    name = os.fspath(path)
    text = _text(read_bytes(path, limit_bytes=FILE_LIMIT_BYTES, kind="log"), name)
    lines = csv.reader(io.StringIO(text, newline=""), strict=True)
    traces = _Traces(Path(folder) if folder is not None else Path(path).parent, allow_outside)
    known = {"isolator": names.isolators, "state": names.states}
    if names.cooldowns is not None:
        known["cooldown"] = names.cooldowns
    table = _Table(name, names.bias_lines, known)
    rows: list[LogRow] = []
    start = 1
    try:
        for cells in lines:
            line, start = start, lines.line_num + 1
            if not any(cell.strip() for cell in cells) or cells[0].lstrip().startswith("#"):
                continue
            row = table.row([cell.strip() for cell in cells], line)
            if row is not None and table.is_new(row, traces):
                rows.append(row)
    except csv.Error as fault:
        table.faults.at(start, f"the table cannot be read ({fault})", "Check the quotes")
    table.faults.raise_any()
    if not rows:
        raise InputError("the log lists no trace", where=name, remedy="Write one row per trace below the header")
    return rows


class LogReader:
    """A log that is still being written, read row by row; a faulty row is a sentence and the others go on.

    Parameters
    ----------
    path : path-like
    isolators, states, bias_lines : sequence of str
        As for `read_log`.
    folder : path-like
        Folder that the traces are relative to.
    allow_outside : bool
        Accept traces outside that folder.

    Attributes
    ----------
    rows : list of LogRow
        Whole rows so far, in the order of the file; a trace need not exist yet.
    faults : list of str
        What is wrong with other rows.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        isolators: Sequence[str],
        states: Sequence[str],
        bias_lines: Sequence[str],
        folder: str | os.PathLike[str],
        allow_outside: bool = False,
    ) -> None:
        self._path = os.fspath(path)
        self._known = {"isolator": isolators, "state": states}
        self._bias_lines = bias_lines
        self._folder, self._allow_outside = Path(folder), allow_outside
        self._shorter = 0
        self._start()

    def _start(self) -> None:
        self._table = _Table(self._path, self._bias_lines, self._known)
        self._read_text, self._line = "", 0
        self.rows: list[LogRow] = []
        self.faults: list[str] = []

    def look(self, *, last: bool = False) -> bool:
        """Take up what was added; the last row waits for its end of line, unless this is the last look.

        Returns
        -------
        bool
            Whether the log was replaced: what was read before does not begin it any more, and `rows` was read anew.

        Raises
        ------
        InputError
            The log cannot be read, or its header is wrong.
        """
        if not os.path.exists(self._path) or os.path.getsize(self._path) == 0:
            return False  # not begun yet, or between two versions
        text = _text(_settled_bytes(self._path), self._path)
        whole = text if last else text[: text.rfind("\n") + 1]
        replaced = not whole.startswith(self._read_text)
        if replaced and not last and self._read_text.startswith(whole) and self._shorter < REWRITING_LOOKS:
            self._shorter += 1  # it may be written once more from its beginning
            return False
        self._shorter = 0
        if replaced:
            self._start()
        for line in whole[len(self._read_text) :].splitlines():
            self._line += 1
            self._take(line)
        self._read_text = whole
        return replaced

    def _take(self, text: str) -> None:
        if not text.strip(", \t") or text.lstrip().startswith("#"):
            return
        try:
            cells = next(csv.reader([text], strict=True))
            row = self._table.row([cell.strip() for cell in cells], self._line)
        except csv.Error as fault:
            self._table.faults.at(self._line, f"the table cannot be read ({fault})", "Check the quotes")
            row = None
        found, self._table.faults = self._table.faults, _Faults(self._path)
        self.faults += found.lines()
        if row is not None:
            self.rows.append(row)

    def place(self, row: LogRow) -> Path | None:
        """Path of a row's trace, or None while there is none.

        Raises
        ------
        InputError
            It lies outside the folder, or names a folder.
        """
        path = Path(os.path.realpath(self._folder / row.file))
        if not self._allow_outside and not path.is_relative_to(os.path.realpath(self._folder)):
            raise InputError(
                f"the trace {row.file!r} lies outside the folder {str(self._folder)!r}",
                where=f"{self._path}:{row.line}",
                remedy="Copy it into the folder, or allow traces outside it",
            )
        return path if path.is_file() else None


def _settled_bytes(path: str, tries: int = 5) -> bytes:
    """The bytes of a file that may grow meanwhile: what it held at one moment."""
    for _ in range(tries - 1):
        try:
            return read_bytes(path, limit_bytes=FILE_LIMIT_BYTES, kind="log")
        except InputError as fault:
            if "changed while" not in fault.what:
                raise
    return read_bytes(path, limit_bytes=FILE_LIMIT_BYTES, kind="log")


def write_log(path: str | os.PathLike[str], rows: Iterable[LogRow], bias_lines: Sequence[str]) -> None:
    """Write a log that `read_log` reads back to equal rows.

    Parameters
    ----------
    path : path-like
        Written beside and renamed.
    rows : iterable of LogRow
        Their ``line`` is not written.
    bias_lines : sequence of str
        In the order of ``bias_a``.

    Raises
    ------
    InputError
        A row has another number of bias currents; the file cannot be written.
    """
    rows = list(rows)
    free_phase = any(row.pump_phase_rad is not None for row in rows)
    left_out = {
        c for c, used in (("pump_phase_deg", free_phase), ("transmits", any(r.transmits for r in rows))) if not used
    }
    own = list(dict.fromkeys(column for row in rows for column, _ in row.own))
    header = [c for c in _FIXED if c not in left_out] + [f"bias_{line}_a" for line in bias_lines] + own
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        if len(row.bias_a) != len(bias_lines):
            raise InputError(
                f"the row of {row.file!r} has {len(row.bias_a)} bias currents for {len(bias_lines)} bias lines",
                where=os.fspath(path),
            )
        cells: dict[str, str] = {
            "file": row.file,
            "isolator": row.isolator,
            "pump": "on" if row.pump_on else "off",
            "pump_port": "" if row.pump_port is None else str(row.pump_port),
            "pump_phase_deg": "" if row.pump_phase_rad is None else _degrees(row.pump_phase_rad),
            "pump_power_dbm": _cell(row.pump_power_dbm),
            "pump_frequency_hz": _cell(row.pump_frequency_hz),
            "state": row.state,
            "cooldown": row.cooldown,
            "repeat": str(row.repeat),
            "time_s": _cell(row.time_s),
            "transmits": row.transmits or "",
        }
        cells |= {f"bias_{line}_a": _cell(x) for line, x in zip(bias_lines, row.bias_a, strict=True)}
        cells |= dict.fromkeys(own, "") | dict(row.own)
        writer.writerow([cells[c] for c in header])
    write_beside(path, out.getvalue().encode("utf-8"), sync=True)


def _cell(value: float) -> str:
    value = float(value)
    if math.isnan(value):
        return ""
    return str(int(value)) if value.is_integer() and 0.0 < abs(value) < 1e15 else repr(value)


def _degrees(angle_rad: float) -> str:
    """Return the shortest text in degrees that reads back as the same angle in radians, where there is one."""
    degrees = math.degrees(angle_rad)
    candidates = [float(f"{degrees:.{digits}g}") for digits in range(1, 18)]
    candidates += [math.nextafter(degrees, math.inf), math.nextafter(degrees, -math.inf)]
    for candidate in candidates:
        if math.radians(candidate) == angle_rad:
            return _cell(candidate)
    return _cell(degrees)


def _text(raw: bytes, name: str) -> str:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = raw[: fault.start].count(b"\n") + 1
        raise InputError("the log is not UTF-8 text", where=f"{name}:{line}", remedy="Save it as CSV (UTF-8)") from None
    if "\0" in text:
        raise InputError("the log holds zero bytes, it is not CSV text", where=name, remedy="Save it as CSV (UTF-8)")
    return text


def _columns(cells: Sequence[str], line: int, bias_lines: Sequence[str], name: str) -> dict[str, int]:
    """Return the place of each column, or raise one message with every fault of the header."""
    if len(cells) == 1:
        for separator, word in ((";", "semicolons"), ("\t", "tabs")):
            if separator in cells[0]:
                raise InputError(
                    f"the columns are separated by {word}",
                    where=f"{name}:{line}",
                    remedy="Save the table with commas between the columns and decimal points in the numbers",
                )
    wanted = [*_FIXED, *(f"bias_{bias}_a" for bias in bias_lines)]
    missing = [w for w in wanted if w not in cells]
    faults = _Faults(name)
    places: dict[str, int] = {}
    for place, column in enumerate(cells):
        if column in places:
            faults.at(line, f"the column {column!r} stands twice", "Remove one of them")
        elif column not in wanted and (
            not column
            or column.lower().startswith("bias_")
            or _close(column, missing)  # "date" beside "state" is a column of the laboratory's own, without it a slip
            or difflib.get_close_matches(column, wanted, n=1, cutoff=_SLIP)
        ):
            faults.at(line, f"the column {column!r} is not known", _suggest(column, wanted))
        places.setdefault(column, place)
    for column in wanted:
        if column not in places and column not in _OPTIONAL:
            faults.at(line, f"the column {column!r} is missing", "Add it to the header and to every row")
    faults.raise_any()
    return places


def _close(word: str, known: Sequence[str]) -> list[str]:
    return difflib.get_close_matches(word, known, n=1) or difflib.get_close_matches(
        word.lower(), [k.lower() for k in known], n=1
    )


def _suggest(word: str, known: Sequence[str]) -> str:
    if close := _close(word, known):
        meant = next(k for k in known if k.lower() == close[0].lower())
        return f"Did you mean {meant!r}?"
    shown = ", ".join(known[:12]) + (", ..." if len(known) > 12 else "")
    return f"Known are: {shown}" if known else "None is known"


class _Table:
    """A log while it is read: its columns, what is known of the study, the faults so far, the rows that were seen.

    Parameters
    ----------
    name : str
        Of the file.
    bias_lines : sequence of str
    known : mapping of str to sequence of str
        Names that may stand in a column.
    """

    def __init__(self, name: str, bias_lines: Sequence[str], known: Mapping[str, Sequence[str]]) -> None:
        self.name = name
        self.bias_lines = bias_lines
        self.known = known
        self.faults = _Faults(name)
        self._columns: dict[str, int] = {}
        self._own: list[str] = []
        self._width = 0
        self._files: dict[str, int] = {}
        self._settings: dict[tuple[object, ...], int] = {}

    def row(self, cells: list[str], line: int) -> LogRow | None:
        """A row of the log, or None if it is the header or faulty."""
        if not self._columns:
            self._columns, self._width = _columns(cells, line, self.bias_lines, self.name), len(cells)
            wanted = {*_FIXED, *(f"bias_{bias}_a" for bias in self.bias_lines)}
            self._own = [column for column in self._columns if column not in wanted]
            return None
        if len(cells) != self._width:
            self.faults.at(
                line,
                f"the row has {len(cells)} cells, the header {self._width}",
                "Numbers need a decimal point, not a comma, and text with a comma needs quotes"
                if len(cells) > self._width
                else "Empty cells need their commas too",
            )
            return None
        before = self.faults.count
        row = self._read(
            _Cells(dict(zip(self._columns, (cells[n] for n in self._columns.values()), strict=True)), line, self.faults)
        )
        return row if self.faults.count == before else None

    def is_new(self, row: LogRow, traces: _Traces) -> bool:
        """Whether the row's trace exists and stands in no earlier row, nor its setting with the same repeat."""
        line = row.line
        before = self.faults.count
        identity = traces.check(row.file, line, self.faults) if row.file else None
        if self.faults.count != before:
            return False
        if identity is not None and (earlier := self._files.setdefault(identity, line)) != line:
            self.faults.at(
                line, f"the trace {row.file!r} is listed already in line {earlier}", "Remove one of the rows"
            )
            return False
        setting = (
            row.isolator, row.pump_on, row.pump_port, row.pump_phase_rad,
            None if math.isnan(row.pump_power_dbm) else row.pump_power_dbm,
            None if math.isnan(row.pump_frequency_hz) else row.pump_frequency_hz,
            row.bias_a, row.state, row.cooldown, row.repeat,
        )  # fmt: skip
        if (earlier := self._settings.setdefault(setting, line)) != line:
            self.faults.at(
                line,
                f"isolator {row.isolator!r}, setting, state, cooldown and repeat {row.repeat} are those of line {earlier}",
                "Number the repeats, or correct the setting",
            )
            return False
        return True

    def _read(self, cells: _Cells) -> LogRow:
        file, transmits = cells["file"], cells["transmits"]
        if transmits not in ("", "21", "12"):
            cells.fault(f"transmits is {transmits!r}", "Write 21 or 12, the larger of S21 and S12, or leave it empty")
        if not file and not transmits:
            cells.fault("file is empty", "Write the name of the trace")
        for column in ("isolator", "state", "cooldown"):
            value = cells[column]
            if not value:
                cells.fault(f"{column} is empty", "Write its name")
            elif column in self.known and value not in self.known[column]:
                cells.fault(f"the {column} {value!r} is not in the study", _suggest(value, self.known[column]))
        pump_on, port, phase_rad, power_dbm, frequency_hz = _pump(cells)
        repeat = 0
        if cells["repeat"].isascii() and cells["repeat"].isdigit() and len(cells["repeat"]) <= 15:
            repeat = int(cells["repeat"])
        else:
            cells.fault(f"repeat is {cells['repeat']!r}", "Write a whole number, 0 or more")
        time_s = cells.number("time_s")
        # Adding 0.0 turns a written -0 into 0.
        bias_a = tuple(cells.number(f"bias_{bias}_a", _BIAS_RANGE) + 0.0 for bias in self.bias_lines)
        return LogRow(
            cells.line, file, cells["isolator"], pump_on, port, phase_rad, power_dbm, frequency_hz, cells["state"],
            cells["cooldown"], repeat, time_s, bias_a, transmits or None, tuple((c, cells[c]) for c in self._own),
            os.path.basename(self.name),
        )  # fmt: skip


class _Cells:
    """The cells of one row by column, empty where a column is left out; notes faults with the row's line."""

    def __init__(self, cells: Mapping[str, str], line: int, faults: _Faults) -> None:
        self._cells = cells
        self._faults = faults
        self.line = line

    def __getitem__(self, column: str) -> str:
        return self._cells.get(column, "")

    def fault(self, what: str, remedy: str) -> None:
        self._faults.at(self.line, what, remedy)

    def number(self, column: str, limits: tuple[float, float, str] | None = None) -> float:
        """The number in a cell, or NaN after noting a fault."""
        text = self[column]
        if not _NUMBER.fullmatch(text):
            if _DECIMAL_COMMA.fullmatch(text):
                self.fault(f"{column} is {text!r}, with a decimal comma", "Write a decimal point")
            elif not text:
                self.fault(f"{column} is empty", "Write a number")
            else:
                self.fault(f"{column} is {text!r}, which is not a number", "Write a plain number such as 1.5e-3")
            return math.nan
        value = float(text)
        if not math.isfinite(value):
            self.fault(f"{column} is {text}, too large to be represented", "Correct the number")
            return math.nan
        if limits is not None and not limits[0] <= value <= limits[1]:
            self.fault(f"{column} is {text}, outside {limits[0]:g} to {limits[1]:g}", limits[2])
        return value


def _pump(cells: _Cells) -> tuple[bool, int | None, float | None, float, float]:
    """Whether the pump is on, its port or phase in rad, power in dBm and frequency in Hz."""
    pump = cells["pump"].lower()
    port: int | None = None
    phase_rad: float | None = None
    power_dbm = frequency_hz = math.nan
    if pump == "off":
        for column in _PUMP:
            if cells[column]:
                cells.fault(
                    f"the pump is off but {column} is {cells[column]!r}",
                    "Leave the pump columns empty, or write 'on'",
                )
    elif pump == "on":
        if cells["pump_port"] and cells["pump_phase_deg"]:
            cells.fault("both pump_port and pump_phase_deg are given", "Keep the one that was used")
        elif cells["pump_port"] in ("1", "2"):
            port = int(cells["pump_port"])
        elif cells["pump_port"]:
            cells.fault(f"pump_port is {cells['pump_port']!r}", "Write 1 or 2")
        elif cells["pump_phase_deg"]:
            phase_rad = math.radians(cells.number("pump_phase_deg", _RANGES["pump_phase_deg"]))
        else:
            cells.fault("the pump is on but neither pump_port nor pump_phase_deg is given", "Write port 1 or 2")
        power_dbm = cells.number("pump_power_dbm", _RANGES["pump_power_dbm"])
        frequency_hz = cells.number("pump_frequency_hz", _RANGES["pump_frequency_hz"])
    else:
        cells.fault(f"pump is {cells['pump']!r}", "Write 'on' or 'off'")
    return pump == "on", port, phase_rad, power_dbm, frequency_hz


class _Traces:
    """Checks that traces exist inside the folder; each folder is listed once, whatever the number of rows."""

    def __init__(self, folder: Path, allow_outside: bool) -> None:
        self.folder = folder
        self.allow_outside = allow_outside
        self.root = Path(os.path.realpath(folder))
        self.listed: dict[str, tuple[str, bool, dict[str, bool]]] = {}

    def check(self, file: str, line: int, faults: _Faults) -> str | None:
        """Return a text that is the same for two names of one file, or None after noting a fault."""
        if "\0" in file:
            faults.at(line, f"the file name {file!r} holds a zero byte", "Correct the name")
            return None
        parent, base = os.path.split(os.path.join(self.folder, file))
        real, inside, names = self._list(parent)
        if base in ("", ".", ".."):
            faults.at(line, f"{file!r} names a folder, not a trace", "Write the name of the trace")
            return None
        exists = names.get(base, False)
        if not exists:  # missing, or a link: follow it
            real, base = os.path.split(os.path.realpath(os.path.join(real, base)))
            inside = Path(real).is_relative_to(self.root)
            exists = os.path.isfile(os.path.join(real, base))
        if not inside and not self.allow_outside:
            faults.at(
                line,
                f"the trace {file!r} lies outside the folder {str(self.folder)!r}",
                "Copy it into the folder, or allow traces outside it",
            )
            return None
        if not exists:
            hint = (
                "Write / between folders"
                if "\\" in file
                else "Check the name; it is relative to the folder of the traces"
            )
            faults.at(line, f"there is no trace {file!r} in {str(self.folder)!r}", hint)
            return None
        return os.path.join(real, base)

    def _list(self, parent: str) -> tuple[str, bool, dict[str, bool]]:
        """Return real path, whether it lies inside, and its entries (True for an ordinary file, not a link)."""
        if parent not in self.listed:
            real = os.path.realpath(parent)
            inside = Path(real).is_relative_to(self.root)
            names: dict[str, bool] = {}
            if inside or self.allow_outside:
                try:
                    with os.scandir(real) as entries:
                        names = {e.name: e.is_file(follow_symlinks=False) for e in entries}
                except OSError:
                    names = {}
            self.listed[parent] = (real, inside, names)
        return self.listed[parent]
