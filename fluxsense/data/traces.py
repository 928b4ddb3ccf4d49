"""Traces, in whatever form a study says that they are written: all become the `Sweep` of `fluxsense.data.touchstone`.

A network analyser's own files say themselves what is in them.  For tables and arrays the study names the columns
(`fluxsense.study.types.TraceForm`); what can be told of a wrong name, unit or form of numbers is told here.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from fluxsense.base.errors import InputError
from fluxsense.base.files import EmptyFile, read_bytes, write_beside
from fluxsense.base.units import shown
from fluxsense.data import touchstone
from fluxsense.data.columns import COLUMNS, PACKED, Columns
from fluxsense.data.touchstone import Span, Sweep, sweep_from_arrays, sweep_from_bytes, write_sweep
from fluxsense.study import TraceForm

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

TOUCHSTONE: Final = TraceForm()
LEAST_HZ: Final = 1e7
"""A sweep that ends below this is taken for one in another unit: no such circuit works there."""
LARGEST: Final = 1e60
"""Modulus from which on squares of squares of a scattering amplitude may overflow; anything near it is damage."""
ADVICE: Final = "Correct [traces] in the study"


@dataclass(frozen=True)
class Traces:
    """Where a campaign's traces lie, and their form.

    Attributes
    ----------
    folder : str
        That the names in the log are relative to.
    form : TraceForm
    """

    folder: str
    form: TraceForm = TOUCHSTONE

    @classmethod
    def of(cls, place: Traces | str | os.PathLike[str]) -> Traces:
        """Traces as they are; a folder stands for a network analyser's files in it."""
        return place if isinstance(place, Traces) else cls(os.fspath(place))

    def path(self, file: str) -> str:
        """Path of a trace by its name in the log."""
        return os.path.join(self.folder, file)

    def raw(self, file: str) -> bytes:
        """Content of a trace, which may be none.

        Raises
        ------
        InputError
            As `fluxsense.base.files.read_bytes`.
        """
        with suppress(EmptyFile):  # a trace among others that cannot be used: `sweep` says so
            return read_bytes(self.path(file), limit_bytes=touchstone.FILE_LIMIT_BYTES, kind="trace")
        return b""

    def sweep(self, raw: bytes, name: str) -> Sweep:
        """The sweep of a trace whose content was read; `name` is for messages.

        Raises
        ------
        InputError
            The trace cannot be trusted; the message says where and why.
        """
        if not raw:
            raise InputError("the trace is empty", where=name, remedy="Measure it again, or take it out of the log")
        columns = COLUMNS.get(self.form.format)
        found = sweep_from_bytes(raw, name) if columns is None else _from_columns(columns(raw, name), self.form)
        largest = float(np.max(np.abs(found.s)))
        if not largest < LARGEST:
            raise InputError(
                f"a scattering amplitude of {largest:.3g} cannot be",
                where=name,
                remedy="Measure the sweep again, or take it out of the log",
            )
        return found

    def read(self, file: str) -> Sweep:
        """The sweep of a trace by its name in the log."""
        return self.sweep(self.raw(file), self.path(file))

    def write(self, file: str, sweep: Sweep, comments: Sequence[str] = (), digits: int = 6) -> None:
        """Write a sweep in this form, beside and then renamed; comments and digits are for Touchstone, others are exact.

        Raises
        ------
        InputError
            As `fluxsense.data.touchstone.write_sweep`; a name of the form carries an index.
        """
        pack = PACKED.get(self.form.format)
        if pack is None:
            write_sweep(self.path(file), sweep, comments, digits)
            return
        columns: dict[str, NDArray[np.generic]] = {self.form.frequency: sweep.frequency_hz / self.form.unit_hz}
        s = np.conj(sweep.s)
        for (i, j), names in _entries(self.form):
            if names:
                columns |= zip(names, _WRITTEN[self.form.numbers](s[:, i, j]), strict=True)
        if indexed := next((x for x in columns if x.endswith("]")), None):
            raise InputError(
                f"a trace cannot be written into a part of an array, {shown(indexed)}",
                where=self.path(file),
                remedy="Name arrays without an index under [traces] in the study",
            )
        write_beside(self.path(file), pack(columns), sync=False)

    @property
    def suffix(self) -> str:
        """Extension of files in this form."""
        return {"csv": ".csv", "hdf5": ".h5", "npz": ".npz"}.get(self.form.format, ".s2p")

    def span(self, raw: bytes) -> Span | None:
        """What the beginning and the end of a trace say of its frequencies; None where they make no sense."""
        columns = COLUMNS.get(self.form.format)
        if columns is None:
            return touchstone.span_of(raw)
        try:
            f = _frequencies(columns(raw, ""), self.form)
        except InputError:
            return None
        return Span(9, float(f[0]), float(f[-1]))

    @property
    def unit_words(self) -> str:
        """Where the unit of the frequencies is stated."""
        return "the option line ('# HZ ...')" if self.form.format not in COLUMNS else "frequency_unit under [traces]"


def _frequencies(columns: Columns, form: TraceForm) -> FloatArray:
    """Frequencies in Hz, finite, increasing."""
    f: FloatArray = _real(columns, form.frequency) * form.unit_hz
    stuck = np.flatnonzero(np.diff(f) <= 0.0)
    if stuck.size:
        k = int(stuck[0])
        verb = "repeats" if f[k + 1] == f[k] else "falls below"
        raise InputError(
            f"the frequency {f[k + 1] / form.unit_hz:g} {verb} the one before it, {f[k] / form.unit_hz:g}",
            where=columns.place(form.frequency, k + 1),
            remedy="Frequencies must increase: sweep upwards and keep one sweep per file",
        )
    return f


def _real(columns: Columns, column: str) -> FloatArray:
    """A column of finite real numbers."""
    found = columns.numbers(column)
    if found.dtype.kind == "c":
        raise InputError(
            "it holds complex numbers, and real ones are needed",
            where=columns.place(column),
            remedy='Set numbers = "complex" under [traces] in the study',
        )
    return np.asarray(_finite(found, columns, column), dtype=np.float64)


def _finite(found: NDArray[np.generic], columns: Columns, column: str) -> NDArray[np.generic]:
    bad = np.flatnonzero(~np.isfinite(found))
    if bad.size:
        raise InputError(
            f"{found[bad[0]]} is not a finite number ({bad.size} of {found.size})",
            where=columns.place(column, int(bad[0])),
            remedy="Measure the sweep again, or take it out of the log",
        )
    return found


def _entries(form: TraceForm) -> tuple[tuple[tuple[int, int], tuple[str, ...]], ...]:
    """Places in the scattering matrix, and the columns of each."""
    return (((1, 0), form.s21), ((0, 1), form.s12), ((0, 0), form.s11), ((1, 1), form.s22))


def _from_columns(columns: Columns, form: TraceForm) -> Sweep:
    f = _frequencies(columns, form)
    if not LEAST_HZ <= f[-1] <= touchstone.FREQUENCY_LIMIT_HZ:
        raise InputError(
            f"the sweep ends at {f[-1]:.6g} Hz, where no such circuit works",
            where=columns.place(form.frequency),
            remedy='State their unit under [traces] in the study, such as frequency_unit = "GHz"',
        )
    read = NUMBERS[form.numbers]
    s = np.zeros((f.size, 2, 2), dtype=np.complex128)
    for (i, j), names in _entries(form):
        if names:
            values = read(columns, names)
            if values.size != f.size:
                raise InputError(
                    f"it holds {values.size} numbers for {f.size} frequencies",
                    where=columns.place(names[0]),
                    remedy="Both must be of the same sweep; export it again",
                )
            s[:, i, j] = values
    return sweep_from_arrays(f, s, form.reference_ohm)


# ---------------------------------------------------------------- forms of numbers


class _Numbers(Protocol):
    """S-parameters from the columns that hold one of them."""

    def __call__(self, columns: Columns, names: Sequence[str], /) -> ComplexArray: ...


def _pair(columns: Columns, names: Sequence[str]) -> tuple[FloatArray, FloatArray]:
    one, two = _real(columns, names[0]), _real(columns, names[1])
    if one.size != two.size:
        raise InputError(
            f"it holds {two.size} numbers, {shown(names[0])} {one.size}",
            where=columns.place(names[1]),
            remedy="Both must be of the same sweep; export it again",
        )
    return one, two


def _cartesian(columns: Columns, names: Sequence[str]) -> ComplexArray:
    one, two = _pair(columns, names)
    return np.asarray(one + 1j * two)


def _complex(columns: Columns, names: Sequence[str]) -> ComplexArray:
    found = _finite(columns.numbers(names[0]), columns, names[0])
    if found.dtype.kind != "c":
        raise InputError(
            "it holds real numbers, and complex ones are needed",
            where=columns.place(names[0]),
            remedy='Name two columns and set numbers = "real and imaginary", or another form, under [traces] in the study',
        )
    return np.asarray(found, dtype=np.complex128)


def _magnitude(columns: Columns, name: str, values: FloatArray) -> FloatArray:
    negative = np.flatnonzero(values < 0.0)
    if negative.size:
        raise InputError(
            f"the magnitude {values[negative[0]]:g} is negative",
            where=columns.place(name, int(negative[0])),
            remedy="These look like dB, or like real parts: correct numbers under [traces] in the study",
        )
    return values


def _decibel(columns: Columns, name: str, values: FloatArray) -> FloatArray:
    most = int(np.argmax(np.abs(values)))
    if abs(values[most]) > 300.0:
        raise InputError(
            f"{values[most]:g} dB is beyond any amplifier and any noise floor",
            where=columns.place(name, most),
            remedy="Check which column is which, and numbers, under [traces] in the study",
        )
    return np.asarray(10.0 ** (values / 20.0))


def _degrees(columns: Columns, name: str, values: FloatArray) -> FloatArray:
    steps = np.abs(np.diff(values))
    if values.size > 10 and np.abs(values).max() <= np.pi * (1 + 1e-9) and steps.max() > 1.5 * np.pi:
        k = int(np.argmax(steps))
        raise InputError(
            f"the angle steps from {values[k]:.4g} to {values[k + 1]:.4g} and is never beyond pi, as wrapped radians are",
            where=columns.place(name, k + 1),
            remedy='Write "... radians" for numbers under [traces] in the study',
        )
    _angle_limit(columns, name, values, touchstone.ANGLE_LIMIT_DEG)
    return np.asarray(values * np.pi / 180)


def _radians(columns: Columns, name: str, values: FloatArray) -> FloatArray:
    steps = np.abs(np.diff(values))
    if np.abs(values).max() > 2 * np.pi * (1 + 1e-9) and steps.size and steps.max() > 2 * np.pi:
        k = int(np.argmax(steps))
        raise InputError(
            f"the angle steps from {values[k]:.6g} to {values[k + 1]:.6g}, which neither wrapped nor unwrapped radians do",
            where=columns.place(name, k + 1),
            remedy='Write "... degrees" for numbers under [traces] in the study',
        )
    _angle_limit(columns, name, values, np.deg2rad(touchstone.ANGLE_LIMIT_DEG))
    return values


def _angle_limit(columns: Columns, name: str, values: FloatArray, limit: float) -> None:
    most = int(np.argmax(np.abs(values)))
    if abs(values[most]) > limit:
        raise InputError(
            f"the angle {values[most]:g} is beyond any unwrapped phase", where=columns.place(name, most), remedy=ADVICE
        )


def _level_db(s: ComplexArray) -> FloatArray:
    """Level in dB, kept above -300."""
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(s), 1e-15)))


_WRITTEN: Final[Mapping[str, Callable[[ComplexArray], tuple[NDArray[np.generic], ...]]]] = {
    "real and imaginary": lambda s: (s.real, s.imag),
    "complex": lambda s: (s,),
    "magnitude and degrees": lambda s: (np.abs(s), np.angle(s, deg=True)),
    "magnitude and radians": lambda s: (np.abs(s), np.angle(s)),
    "dB and degrees": lambda s: (_level_db(s), np.angle(s, deg=True)),
    "dB and radians": lambda s: (_level_db(s), np.angle(s)),
    "magnitude": lambda s: (np.abs(s),),
    "dB": lambda s: (_level_db(s),),
}


class _Size(Protocol):
    def __call__(self, columns: Columns, name: str, values: FloatArray, /) -> FloatArray: ...


def _polar(size: _Size, angle: _Size) -> _Numbers:
    def read(columns: Columns, names: Sequence[str], /) -> ComplexArray:
        one, two = _pair(columns, names)
        return np.asarray(size(columns, names[0], one) * np.exp(1j * angle(columns, names[1], two)))

    return read


def _size_alone(size: _Size) -> _Numbers:
    def read(columns: Columns, names: Sequence[str], /) -> ComplexArray:
        return np.asarray(size(columns, names[0], _real(columns, names[0])), dtype=np.complex128)

    return read


NUMBERS: Final[Mapping[str, _Numbers]] = {
    "real and imaginary": _cartesian,
    "complex": _complex,
    "magnitude and degrees": _polar(_magnitude, _degrees),
    "magnitude and radians": _polar(_magnitude, _radians),
    "dB and degrees": _polar(_decibel, _degrees),
    "dB and radians": _polar(_decibel, _radians),
    "magnitude": _size_alone(_magnitude),
    "dB": _size_alone(_decibel),
}
"""By the words of a study; phasors are those of the file, exp(+j w t), which `sweep_from_arrays` turns."""
