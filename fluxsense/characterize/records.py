"""Log and traces to records: the mean of consecutive repeats of one setting, in the order of time.

A campaign's digest merges every sweep of a setting; here the order counts, since a bare ring remembers from which side
a bias was reached, and a flux jump shows only as a change with time.  So only repeats that follow one another merge.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.data.campaign import campaign_rows, campaign_traces
from fluxsense.data.log import LogRow
from fluxsense.data.log_checks import refuse_beyond_limits
from fluxsense.data.touchstone import Sweep
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

MOST_POINTS = 4001
"""Frequencies per sweep beyond which the fit, which holds every sweep in memory, is refused."""


@dataclass(frozen=True, eq=False)
class Record:
    """Consecutive sweeps of one setting.

    Attributes
    ----------
    row : LogRow
        The log's row of the first of them.
    count : int
    frequency_hz : ndarray (F,)
    mean : ndarray (2, F) of complex
        Raw S21 and S12 in e^{-i w t}.
    scatter : ndarray (2,)
        Sum over repeats and frequencies of squared second differences of the deviations from the mean (0 for one sweep);
        six times white noise, without drift.
    reflection : ndarray (2, F) of complex, optional
        Raw S11 and S22, None where the files hold none (zeros).
    """

    row: LogRow
    count: int
    frequency_hz: FloatArray
    mean: ComplexArray
    scatter: FloatArray
    reflection: ComplexArray | None = None


@dataclass(frozen=True)
class SweepSet:
    """What a log holds for characterization.

    Attributes
    ----------
    records : mapping of isolator name to tuple of Record
        In the order of time.
    skipped : tuple of str
        Sentences about traces and rows that were left out.
    files : int
        Traces used.
    """

    records: dict[str, tuple[Record, ...]]
    skipped: tuple[str, ...]
    files: int


def load_sweeps(study: Study, progress: Callable[[int, int], None] | None = None) -> SweepSet:
    """Read the study's log and every usable trace.

    Parameters
    ----------
    study : Study
    progress : callable, optional
        Called with (traces done, traces in all).

    Raises
    ------
    InputError
        If the log is wrong or not a single trace can be used.  A single bad trace is left out and named in `skipped`.
    """
    rows, traces = campaign_rows(study), campaign_traces(study)
    refuse_beyond_limits(rows, study)
    kinds = {s.name: s.kind for s in study.states}
    taken: list[tuple[LogRow, Sweep]] = []
    skipped = []
    absent = [r for r in rows if kinds[r.state] in ("in", "turned")]
    if absent:
        skipped.append(
            f"{len(absent)} sweeps in the states {', '.join(sorted({r.state for r in absent}))} were left out: "
            "characterization needs the source out or a known calibration source."
        )
    usable = [r for r in rows if kinds[r.state] in ("out", "calibration")]
    for done, row in enumerate(usable, 1):
        try:
            sweep = traces.read(row.file)
            if not 5 <= sweep.frequency_hz.size <= MOST_POINTS:
                raise InputError(
                    f"the sweep has {sweep.frequency_hz.size} frequencies, 5 to {MOST_POINTS} can be fitted",
                    where=row.file,
                    remedy="Sweep the window that the resonances need",
                )
            taken.append((row, sweep))
        except InputError as error:
            skipped.append(f"Left out, line {row.line} of {row.log}: {error}")
        if progress is not None:
            progress(done, len(usable))
    if not taken:
        raise InputError(
            "not one trace of the log can be used" + (f"; the first: {skipped[0]}" if skipped else ""),
            where=str(study.log),
            remedy="Correct the traces",
        )
    records = {iso.name: gather([x for x in taken if x[0].isolator == iso.name]) for iso in study.isolators}
    return SweepSet(records, tuple(skipped), len(taken))


def gather(sweeps: Sequence[tuple[LogRow, Sweep]]) -> tuple[Record, ...]:
    """Merge consecutive repeats of one setting, in the order of time.

    Parameters
    ----------
    sweeps : sequence of (LogRow, Sweep)
        Of one isolator.

    Returns
    -------
    tuple of Record
    """
    ordered = sorted(sweeps, key=lambda x: (x[0].time_s, x[0].log, x[0].line))
    runs: list[_Run] = []
    for row, sweep in ordered:
        trace = np.stack([sweep.s[:, 1, 0], sweep.s[:, 0, 1], sweep.s[:, 0, 0], sweep.s[:, 1, 1]])
        if runs and runs[-1].accepts(row, sweep.frequency_hz):
            runs[-1].traces.append(trace)
        else:
            runs.append(_Run(row, sweep.frequency_hz, [trace]))
    return tuple(run.record() for run in runs)


@dataclass
class _Run:
    row: LogRow
    frequency_hz: FloatArray
    traces: list[ComplexArray] = field(default_factory=list)

    def accepts(self, row: LogRow, frequency_hz: FloatArray) -> bool:
        return _setting(row) == _setting(self.row) and np.array_equal(frequency_hz, self.frequency_hz)

    def record(self) -> Record:
        every = np.array(self.traces)
        stack = every[:, :2]
        mean = stack.mean(axis=0)
        # drift moves along with the trace, whose phase a long cable turns by radians from point to point
        bends = np.diff((stack - mean) * np.conj(phasor(mean)), 2, axis=-1)
        scatter = np.sum(np.abs(bends) ** 2, axis=(0, 2)) if len(stack) > 1 else np.zeros(2)
        reflection = every[:, 2:].mean(axis=0)
        there = bool(np.all(np.isfinite(reflection)) and np.all(np.any(reflection != 0, axis=1)))
        return Record(self.row, len(stack), self.frequency_hz, mean, scatter, reflection if there else None)


def _setting(row: LogRow) -> tuple[object, ...]:
    """Everything that a repeat shares; NaN of a pump that is off made comparable."""
    return (
        row.pump_on, row.pump_port, row.pump_phase_rad, repr(row.pump_power_dbm), repr(row.pump_frequency_hz),
        row.state, row.cooldown, row.bias_a,
    )  # fmt: skip


def thinned(records: Sequence[Record], step_hz: float, fewest: int) -> tuple[Record, ...]:
    """The records at every n-th of their frequencies, for trials: no coarser than a step, and a fewest number of points.

    The line's gain is free at every frequency, so leaving some out loses information and shifts nothing.
    """
    out = []
    for r in records:
        points = r.frequency_hz.size
        own = float(np.ptp(r.frequency_hz)) / max(points - 1, 1)
        every = max(1, min(int(step_hz / own) if own > 0 else 1, (points - 1) // max(fewest - 1, 1)))
        f = r.frequency_hz[::every]
        reflection = None if r.reflection is None else r.reflection[:, ::every]
        scatter = r.scatter * max(f.size - 2, 0) / max(points - 2, 1)
        out.append(replace(r, frequency_hz=f, mean=r.mean[:, ::every], scatter=scatter, reflection=reflection))
    return tuple(out)


def phasor(values: ComplexArray) -> ComplexArray:
    """Complex numbers over their magnitudes."""
    return np.asarray(values / np.maximum(np.abs(values), 1e-300))


def repeat_noise(records: Sequence[Record]) -> FloatArray | None:
    """White noise of one sweep per quadrature for S21 and S12, (2,), from repeats; None without repeats."""
    total, weight = np.zeros(2), 0.0
    for r in records:
        if r.count > 1:
            total += r.scatter
            weight += 12.0 * (r.count - 1) * (r.frequency_hz.size - 2)
    return np.sqrt(total / weight) if weight > 0 else None
