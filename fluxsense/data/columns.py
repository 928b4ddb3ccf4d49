"""Named columns of numbers out of the bytes of a table (CSV), of an HDF5 file or of a NumPy archive (NPZ).

Nothing in a file is executed or unpickled, nothing outside it is opened (links to other files are refused), and no array is
made that is larger than `MOST_NUMBERS`, whatever a header states.  A name may end in an index such as ``[:, 1, 0]``, which picks
one line out of an array of several dimensions.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
import struct
import zipfile
import zlib
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fluxsense.base.errors import InputError
from fluxsense.base.units import shown

MOST_NUMBERS: Final = 10_000_000
"""Numbers that one array of a trace may hold."""
MOST_NAMED = 12

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?(?:nan|inf|infinity)", re.IGNORECASE | re.ASCII)
_COMPLEX = re.compile(r"\(?[0-9eE.+\-naifNAIF]{1,80}[jJi]?\)?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?")
_INDEX = re.compile(r"(.*?)\s*\[([0-9:,\s]{1,60})\]")


class Columns(ABC):
    """The columns of one file.

    Parameters
    ----------
    raw : bytes
        The file's content.
    name : str
        Of the file, for messages.
    """

    WORD = "column"

    def __init__(self, raw: bytes, name: str) -> None:
        self.name = name

    @abstractmethod
    def names(self) -> Sequence[str]:
        """All columns that the file holds."""

    @abstractmethod
    def _array(self, column: str) -> NDArray[np.generic]:
        """Numbers of a column that is there, real or complex, of any shape."""

    def place(self, column: str, row: int | None = None) -> str:
        """Where a number stands, for messages."""
        return f"{self.name}, {self.WORD} {shown(column)}" + ("" if row is None else f", number {row + 1}")

    def numbers(self, column: str) -> NDArray[np.generic]:
        """The numbers of a column as they stand there, one dimension, float64 or complex128.

        Raises
        ------
        InputError
            There is no such column, or it holds no line of numbers.
        """
        known = self.names()
        base, index = column, None
        if column not in known and (match := _INDEX.fullmatch(column)):
            base, index = match[1], match[2]
        if base not in known:
            near = difflib.get_close_matches(base, known, n=1)
            listed = ", ".join(known[:MOST_NAMED]) + (", ..." if len(known) > MOST_NAMED else "")
            raise InputError(
                f"there is no {self.WORD} {shown(base)}",
                where=self.name,
                remedy=(f"Did you mean {shown(near[0])}? " if near else "")
                + f"The file holds: {listed or 'nothing'}. The names stand under [traces] in the study",
            )
        found = self._array(base)
        if index is not None:
            found = self._picked(found, index, column)
        if found.ndim > 1 and max(found.shape) == found.size:
            found = found.reshape(-1)  # a column or a row of a matrix
        if found.ndim != 1 or found.size == 0:
            raise InputError(
                f"it has the shape {found.shape}, and one line of numbers is needed",
                where=self.place(column),
                remedy=f"Pick one with an index behind the name, such as {shown(base + '[:, 0]')}",
            )
        return found.astype(np.complex128 if found.dtype.kind == "c" else np.float64)

    def _picked(self, found: NDArray[np.generic], index: str, column: str) -> NDArray[np.generic]:
        parts = [x.strip() for x in index.split(",")]
        try:
            where = tuple(slice(None) if x == ":" else int(x) for x in parts)
            return np.asarray(found[where])
        except (ValueError, IndexError):
            raise InputError(
                f"the index [{index}] does not fit an array of shape {found.shape}",
                where=self.place(column),
                remedy="Write a colon for the frequencies and whole numbers from zero for the rest",
            ) from None


class CsvColumns(Columns):
    """A table in text: one row a frequency, columns between commas, semicolons, tabs or blanks, comments behind ``#``.

    Names stand in the first row, or in the last comment above the numbers; without any, columns are called 1, 2, ...
    """

    def __init__(self, raw: bytes, name: str) -> None:
        super().__init__(raw, name)
        self._lines: list[int] = []
        rows = self._rows(raw)
        if all(_is_number(x) for x in rows[0]):
            comment = self._comment
            self._names = comment if len(comment) == len(rows[0]) else [str(n + 1) for n in range(len(rows[0]))]
        else:
            self._names = rows.pop(0)
            self._lines.pop(0)
        self._cells = rows
        if not rows:
            raise InputError("there is a header but no row below it", where=name, remedy="Export the sweep again")

    def _rows(self, raw: bytes) -> list[list[str]]:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("latin-1")
        if "\0" in text:
            raise InputError("the trace is no CSV text", where=self.name, remedy="State its format under [traces]")
        comment, kept = "", list[str]()
        for number, line in enumerate(text.splitlines(), 1):
            if line.lstrip().startswith("#"):
                comment = comment if kept else line.lstrip()[1:]
            elif line.strip():
                kept.append(line)
                self._lines.append(number)
        if not kept:
            raise InputError("the trace holds nothing but comments", where=self.name, remedy="Export the sweep again")
        separator = max("\t;,", key=kept[-1].count)
        blanks = separator not in kept[-1]

        def split(lines: Sequence[str]) -> list[list[str]]:
            if blanks:
                return [line.split() for line in lines]
            try:
                return [[c.strip() for c in row] for row in csv.reader(lines, delimiter=separator, strict=True)]
            except csv.Error as fault:
                raise InputError(
                    f"the table cannot be read ({fault})", where=self.name, remedy="Check the quotes"
                ) from None

        rows = split(kept)
        self._comment = split([comment])[0] if comment.strip() else []
        width = len(rows[0])
        for number, row in zip(self._lines, rows, strict=False):
            if len(row) != width:
                raise InputError(
                    f"the row has {len(row)} cells, the first one {width}",
                    where=f"{self.name}:{number}",
                    remedy="The row is cut off, or numbers have a decimal comma: export the sweep again",
                )
        if len(rows) != len(kept):
            raise InputError("a cell goes on over lines", where=self.name, remedy="Check the quotes")
        return rows

    def names(self) -> Sequence[str]:
        return self._names

    def place(self, column: str, row: int | None = None) -> str:
        line = "" if row is None else f":{self._lines[row]}"
        return f"{self.name}{line}, column {shown(column)}"

    def _array(self, column: str) -> NDArray[np.generic]:
        if self._names.count(column) > 1:
            raise InputError("two columns have this name", where=self.place(column), remedy="Rename one of them")
        place = self._names.index(column)
        cells = [row[place] for row in self._cells]
        bad = next((n for n, x in enumerate(cells) if not _is_number(x)), None)
        if bad is None:
            return np.array([float(x) for x in cells])
        try:
            if all(_COMPLEX.fullmatch(x) for x in cells):
                return np.array([complex(x.strip("()").replace("i", "j")) for x in cells])
        except ValueError:
            pass
        what = f"{shown(cells[bad])} is not a number" if cells[bad] else "the cell is empty"
        comma = _DECIMAL_COMMA.fullmatch(cells[bad])
        remedy = "Write a decimal point" if comma else "Measure the sweep again, or take it out of the log"
        raise InputError(what, where=self.place(column, bad), remedy=remedy)


def _is_number(text: str) -> bool:
    return _NUMBER.fullmatch(text) is not None


class NpzColumns(Columns):
    """Named arrays of a NumPy archive, compressed or not; what would have to be unpickled is refused."""

    WORD = "array"

    def __init__(self, raw: bytes, name: str) -> None:
        super().__init__(raw, name)
        try:
            self._archive = zipfile.ZipFile(io.BytesIO(raw))
            self._members = {x.filename.removesuffix(".npy"): x for x in self._archive.infolist()}
        except (zipfile.BadZipFile, ValueError, OSError, struct.error, NotImplementedError):
            raise self._damaged("it is no NumPy archive, or is cut off") from None

    def _damaged(self, why: str, column: str = "") -> InputError:
        where = self.place(column) if column else self.name
        return InputError(f"the trace cannot be used: {why}", where=where, remedy="Write it again with numpy.savez")

    def names(self) -> Sequence[str]:
        return list(self._members)

    def _array(self, column: str) -> NDArray[np.generic]:
        member = self._members[column]
        if member.file_size > 16 * MOST_NUMBERS:
            raise self._damaged(f"the array takes {member.file_size / 1e6:.0f} MB", column)
        try:
            data = io.BytesIO(self._archive.read(member))
            version = np.lib.format.read_magic(data)
            reader = {(1, 0): np.lib.format.read_array_header_1_0, (2, 0): np.lib.format.read_array_header_2_0}[version]
            shape, by_columns, kind = reader(data)
        except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, NotImplementedError):
            raise self._damaged("it is cut off, or a checksum does not fit", column) from None
        except (ValueError, KeyError, TypeError, SyntaxError, OverflowError, struct.error, MemoryError, RecursionError):
            raise self._damaged("it is not an array", column) from None
        if kind.kind not in "iufc":
            raise self._damaged("it does not hold plain numbers", column)
        numbers = data.read()
        if math.prod(shape) * kind.itemsize != len(numbers) or any(n < 0 for n in shape):
            raise self._damaged("it is not as long as its header says", column)
        return np.frombuffer(numbers, dtype=kind).reshape(shape, order="F" if by_columns else "C")


class HdfColumns(Columns):
    """Datasets of an HDF5 file, by their path (``data/s21``); links, and datasets that lie in other files, are refused."""

    WORD = "dataset"

    def __init__(self, raw: bytes, name: str) -> None:
        super().__init__(raw, name)
        import h5py  # takes a fifth of a second: only where such files are read

        self._dataset_kind = h5py.Dataset
        try:
            self._file = h5py.File(io.BytesIO(raw), "r")
            self._found: list[str] = []
            self._file.visititems(self._note)
        except (OSError, ValueError, RuntimeError, KeyError, TypeError):
            raise InputError(
                "the trace is no HDF5 file, or is damaged",
                where=name,
                remedy="Write it again; the format is stated under [traces]",
            ) from None

    def _note(self, path: str, item: object) -> None:
        if isinstance(item, self._dataset_kind):
            self._found.append(path)

    def names(self) -> Sequence[str]:
        return self._found

    def numbers(self, column: str) -> NDArray[np.generic]:
        """As `Columns.numbers`; a leading stroke may stand before a path."""
        return super().numbers(column.removeprefix("/"))

    def _array(self, column: str) -> NDArray[np.generic]:
        try:
            data = self._file[column]
            layout = data.id.get_create_plist()
            if data.is_virtual or layout.get_external_count():
                raise InputError(
                    "the dataset lies in another file", where=self.place(column), remedy="Copy it into this one"
                )
            if data.size is None or data.size > MOST_NUMBERS or data.dtype.kind not in "iufc":
                raise InputError(
                    f"the dataset holds {data.size} entries of the kind {data.dtype}, which is no line of a sweep",
                    where=self.place(column),
                    remedy="Name a dataset of plain numbers",
                )
            return np.asarray(data[()])
        except (OSError, ValueError, RuntimeError, KeyError, TypeError):
            raise InputError(
                "the dataset is damaged", where=self.place(column), remedy="Copy or write the file again"
            ) from None


COLUMNS: Final[Mapping[str, Callable[[bytes, str], Columns]]] = {
    "csv": CsvColumns,
    "hdf5": HdfColumns,
    "npz": NpzColumns,
}
"""By the format that a study states."""


def _as_csv(columns: Mapping[str, NDArray[np.generic]]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*(x.tolist() for x in columns.values()), strict=True))
    return out.getvalue().encode()


def _as_npz(columns: Mapping[str, NDArray[np.generic]]) -> bytes:
    out = io.BytesIO()
    np.savez(out, **dict(columns))  # type: ignore[arg-type]
    return out.getvalue()


def _as_hdf5(columns: Mapping[str, NDArray[np.generic]]) -> bytes:
    import h5py  # as above

    out = io.BytesIO()
    with h5py.File(out, "w") as file:
        for name, values in columns.items():
            file[name] = values
    return out.getvalue()


PACKED: Final[Mapping[str, Callable[[Mapping[str, NDArray[np.generic]]], bytes]]] = {
    "csv": _as_csv,
    "hdf5": _as_hdf5,
    "npz": _as_npz,
}
"""The other way: a file's bytes from its columns."""
