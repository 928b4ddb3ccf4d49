"""What can be said against a log and its traces before anything is computed from them.

Each check returns findings as values; nothing is printed and nothing raised.  A finding holds for many rows at once: it
names the first and says how many there are.
"""

from __future__ import annotations

import hashlib
import math
import os
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from fluxsense.base.errors import InputError
from fluxsense.data.log import LogRow
from fluxsense.data.touchstone import Span
from fluxsense.data.traces import Traces
from fluxsense.study import Setting, Study

SAME_BIAS = 0.02
"""Biases that differ by less than this part of the largest one of their line in the study are the same setting."""
SAME_POWER_DB = 3.0
"""Pump powers further than this from every setting's are named."""
SLIPS = {1e3: "mA", 1e6: "uA", 1e9: "nA"}
"""Factors of a wrong unit of current, and the unit that the numbers seem to be in."""
SLIP_WITHIN = 3.0
"""A ratio this close to such a factor is taken for it."""


@dataclass(frozen=True)
class LogFinding:
    """Something to be said about the log or the traces.

    Attributes
    ----------
    code : str
        What kind: "bias beyond limit", "bias unit", "bias sign", "bias foreign", "no setting", "foreign settings", "pump power",
        "no pump off", "no source out", "copies", "one port", "frequency unit", "off the band".
    serious : bool
        Whether no result should rest on it: an error, not a warning.
    row : LogRow
        That it shows in first.
    rows : int
        Rows that it holds for.
    subject : str
        Bias line, isolator, cooldown or file that it is about.
    what, remedy : str
        In words, as in an `InputError`.
    """

    code: str
    serious: bool
    row: LogRow
    rows: int
    subject: str
    what: str
    remedy: str

    @property
    def line(self) -> int:
        """Line of the log."""
        return self.row.line


def log_findings(rows: Sequence[LogRow], study: Study) -> list[LogFinding]:
    """Everything that the rows of a log, compared with the study, give to say; serious findings first.

    Parameters
    ----------
    rows : sequence of LogRow
        As `read_log` gives them for this study.
    study : Study
    """
    found = [*_beyond_limits(rows, study), *_currents(rows, study), *_settings(rows, study), *_powers(rows, study)]
    found += [*_without_pump_off(rows, study), *_without_source_out(rows, study)]
    return sorted(found, key=lambda f: (not f.serious, f.line))


def _beyond_limits(rows: Sequence[LogRow], study: Study) -> Iterable[LogFinding]:
    for n, line in enumerate(study.bias_lines):
        over = [row for row in rows if abs(row.bias_a[n]) > line.limit_a * (1 + 1e-9)]
        if over:
            worst = max(abs(row.bias_a[n]) for row in over)
            yield LogFinding(
                "bias beyond limit", True, over[0], len(over), line.name,
                f"bias_{line.name}_a is up to {worst:g} A, and the line may carry {line.limit_a:g} A ({len(over)} rows)",
                _unit_remedy(worst, study, n) or "Correct the log, or the limit in the study",
            )  # fmt: skip


def _largest(study: Study, n: int) -> float:
    return max((abs(s.bias_a[n]) for s in study.settings), default=0.0)


def _unit_remedy(current: float, study: Study, n: int) -> str:
    stated = _largest(study, n)
    for factor, unit in SLIPS.items():
        if stated > 0.0 and 1 / SLIP_WITHIN < current / stated / factor < SLIP_WITHIN:
            return f"The column is in A; against the settings' {stated:g} A the numbers look like {unit}"
    return ""


def _currents(rows: Sequence[LogRow], study: Study) -> Iterable[LogFinding]:
    """Units and signs of the currents, line by line, against the settings'."""
    for n, line in enumerate(study.bias_lines):
        stated, used = _largest(study, n), max((abs(row.bias_a[n]) for row in rows), default=0.0)
        first = next((row for row in rows if row.bias_a[n]), rows[0])
        if not stated or not used:
            if stated != used:
                yield LogFinding(
                    "bias foreign", False, first, len(rows), line.name,
                    f"bias_{line.name}_a is {'nothing but zero' if not used else f'up to {used:g} A'}, the settings have "
                    f"{'nothing but zero' if not stated else f'up to {stated:g} A'} on this line",
                    "Check which line is which",
                )  # fmt: skip
            continue
        if remedy := _unit_remedy(used, study, n):
            what = f"bias_{line.name}_a is up to {used:g} A, {used / stated:.3g} times the settings' largest"
            yield LogFinding("bias unit", True, first, len(rows), line.name, what, remedy)
            continue
        slack = SAME_BIAS * stated
        settings = {round(s.bias_a[n] / slack) for s in study.settings}
        values = {round(row.bias_a[n] / slack) for row in rows if abs(row.bias_a[n]) > slack}
        near = [any(abs(v - s) <= 1 for s in settings) for v in values]
        turned = [any(abs(v + s) <= 1 for s in settings) for v in values]
        if values and not any(near) and all(turned):
            yield LogFinding(
                "bias sign", True, first, len(rows), line.name,
                f"every current in bias_{line.name}_a has the opposite sign of the settings'",
                "Turn the sign in the log or in the study: the coupling's sign and so the direction hang on it",
            )  # fmt: skip


def _fits(row: LogRow, setting: Setting, scales: Sequence[float]) -> bool:
    """Whether a pump-on row may be of a setting: isolator, way of the pump and currents."""
    if row.isolator not in setting.isolators or row.pump_port != setting.pump_port:
        return False
    if (row.pump_phase_rad is None) != (setting.pump_phase_rad is None):
        return False
    if row.pump_phase_rad is not None and setting.pump_phase_rad is not None:
        away = math.remainder(row.pump_phase_rad - setting.pump_phase_rad, 2 * math.pi)
        if abs(away) > math.radians(5.0):
            return False
    return all(abs(a - b) <= SAME_BIAS * s for a, b, s in zip(row.bias_a, setting.bias_a, scales, strict=True))


def _settings(rows: Sequence[LogRow], study: Study) -> Iterable[LogFinding]:
    """A log that holds no setting of the study, or some that are not in it."""
    scales = [max(_largest(study, n), 1e-12) for n in range(len(study.bias_lines))]
    on = [row for row in rows if row.pump_on]
    if not on or not study.settings:
        return
    seen: dict[tuple[object, ...], bool] = {}
    foreign: list[LogRow] = []
    for row in on:
        key = (row.isolator, row.pump_port, row.pump_phase_rad, row.bias_a)
        if key not in seen:
            seen[key] = any(_fits(row, setting, scales) for setting in study.settings)
        if not seen[key]:
            foreign.append(row)
    if len(foreign) == len(on):
        yield LogFinding(
            "no setting", True, on[0], len(on), "",
            "no sweep of the log is of a setting of this study (isolator, pump port or phase, and currents)",
            "Check that the log belongs to this study; then units, signs and the order of the bias lines",
        )  # fmt: skip
    elif foreign:
        kinds = sum(not fits for fits in seen.values())
        yield LogFinding(
            "foreign settings", False, foreign[0], len(foreign), foreign[0].isolator,
            f"{len(foreign)} of {len(on)} pump-on sweeps ({kinds} kinds) are of no setting of this study",
            "They are used as they are; check their currents and pump ports",
        )  # fmt: skip


def _powers(rows: Sequence[LogRow], study: Study) -> Iterable[LogFinding]:
    """Pump powers far from every setting's, with the slip that they look like."""
    stated = [10 * math.log10(s.pump_power_w / 1e-3) for s in study.settings if s.pump_power_w > 0.0]
    if not stated:
        return
    far = [row for row in rows if row.pump_on and min(abs(row.pump_power_dbm - p) for p in stated) > SAME_POWER_DB]
    if not far:
        return
    power = Counter(row.pump_power_dbm for row in far).most_common(1)[0][0]
    nearest = min(stated, key=lambda p: abs(p - power))
    watts = [s.pump_power_w for s in study.settings]
    remedy = "Check the power at the chip: the study's powers and the log's are meant at the same place"
    if power > 0.0 and any(0.5 < power / w < 2.0 or 0.5 < power / (1e3 * w) < 2.0 for w in watts):
        remedy = "The column is in dBm; the numbers look like W or mW"
    elif abs(abs(power - nearest) - 30.0) < SAME_POWER_DB:
        remedy = "The numbers are 30 dB off: dBm and dBW, or an attenuator that was counted twice"
    yield LogFinding(
        "pump power", len(far) == sum(row.pump_on for row in rows), far[0], len(far), far[0].isolator,
        f"the pump power {power:g} dBm is {abs(power - nearest):.3g} dB from the nearest setting's {nearest:.4g} dBm "
        f"({len(far)} rows)",
        remedy,
    )  # fmt: skip


def _without_pump_off(rows: Sequence[LogRow], study: Study) -> Iterable[LogFinding]:
    if study.data.of_counts and all(row.transmits for row in rows if row.pump_on):
        return
    off = {(row.isolator, row.cooldown) for row in rows if not row.pump_on}
    missing: dict[tuple[str, str], list[LogRow]] = {}
    for row in rows:
        if row.pump_on and (row.isolator, row.cooldown) not in off:
            missing.setdefault((row.isolator, row.cooldown), []).append(row)
    for (isolator, cooldown), mine in missing.items():
        yield LogFinding(
            "no pump off", True, mine[0], len(mine), isolator,
            f"isolator {isolator!r} has no sweep with the pump off in cooldown {cooldown!r}, by which its others could be divided",
            "Record pump-off sweeps of this isolator in this cooldown",
        )  # fmt: skip


def _without_source_out(rows: Sequence[LogRow], study: Study) -> Iterable[LogFinding]:
    """Cooldowns in which the source is in and never otherwise: their offsets cannot be told from it."""
    kinds = {state.name: state.kind for state in study.states}
    by_cooldown: dict[str, dict[str, list[LogRow]]] = {}
    for row in rows:
        if row.pump_on and row.state in kinds:
            by_cooldown.setdefault(row.cooldown, {}).setdefault(kinds[row.state], []).append(row)
    for cooldown, kinds_seen in by_cooldown.items():
        inside = kinds_seen.get("in", []) or kinds_seen.get("turned", [])
        if not inside or len(kinds_seen) > 1:
            continue
        elsewhere = [c for c, seen in by_cooldown.items() if "out" in seen and c != cooldown]
        what = f"in cooldown {cooldown!r} the source is never out, so its flux cannot be told from trapped flux"
        if elsewhere:
            what += f"; the sweeps with the source out in cooldown {elsewhere[0]!r} do not help, since offsets differ"
        yield LogFinding(
            "no source out", False, inside[0], len(inside), cooldown, what,
            "Record the same settings with the source out, or reversed, in the same cooldown",
        )  # fmt: skip


# ---------------------------------------------------------------- traces


def trace_findings(rows: Sequence[LogRow], place: Traces | str | os.PathLike[str], study: Study) -> list[LogFinding]:
    """What the traces' first and last rows and their whole content give to say; serious findings first.

    Parameters
    ----------
    rows : sequence of LogRow
    place : Traces or path-like
        Where the traces lie; a folder stands for Touchstone files in it.
    study : Study
        Its sweep says where the frequencies ought to be.

    Notes
    -----
    Files that cannot be read are passed over: reading them says more.
    """
    traces = Traces.of(place)
    first: dict[bytes, LogRow] = {}
    copies: list[tuple[LogRow, LogRow]] = []
    short: list[LogRow] = []
    slipped: dict[float, list[tuple[LogRow, Span]]] = {}
    for row in rows:
        if not row.file:
            continue
        try:
            raw = traces.raw(row.file)
        except InputError:
            continue
        other = first.setdefault(hashlib.sha256(raw).digest(), row)
        if other is not row:
            copies.append((row, other))
        span = traces.span(raw)
        if row.file.lower().endswith(".s1p") or (span is not None and span.numbers == 3):
            short.append(row)
        elif span is not None and (factor := _slip(span, study)) != 1.0:
            slipped.setdefault(factor, []).append((row, span))
    found = list(_frequency_findings(slipped, study, traces.unit_words))
    if copies:
        row, other = copies[0]
        what = f"{row.file!r} is a copy of {other.file!r}, byte for byte ({len(copies)} such traces)"
        remedy = "Find the sweep that belongs here, or take the copy out of the log"
        found.append(LogFinding("copies", True, row, len(copies), row.file, what, remedy))
    if short:
        what = f"{short[0].file!r} holds one port ({len(short)} such traces)"
        remedy = "Export S11, S21, S12 and S22 as .s2p"
        found.append(LogFinding("one port", True, short[0], len(short), short[0].file, what, remedy))
    return sorted(found, key=lambda f: (not f.serious, f.line))


def _frequency_findings(
    slipped: Mapping[float, Sequence[tuple[LogRow, Span]]], study: Study, unit: str
) -> Iterable[LogFinding]:
    for factor, members in slipped.items():
        row, span = members[0]
        seen = f"{row.file!r} reaches from {span.lowest_hz:.6g} to {span.highest_hz:.6g} Hz"
        band = f"the study's sweep from {study.sweep.start_hz:.6g} to {study.sweep.stop_hz:.6g} Hz"
        if factor:
            yield LogFinding(
                "frequency unit", True, row, len(members), row.file, f"{seen}, {band} ({len(members)} such traces)",
                f"The unit in {unit} does not fit the numbers, which are {factor:g} times smaller",
            )  # fmt: skip
        else:
            yield LogFinding(
                "off the band", False, row, len(members), row.file,
                f"{seen}, beside {band} ({len(members)} such traces)", "Check the sweep in the study and the traces' unit",
            )  # fmt: skip


def _slip(span: Span, study: Study) -> float:
    """One if the trace overlaps the study's sweep, the power of a thousand that would make it, or zero if none does."""

    def overlaps(factor: float) -> bool:
        return span.lowest_hz * factor <= study.sweep.stop_hz and span.highest_hz * factor >= study.sweep.start_hz

    for factor in (1.0, 1e3, 1e6, 1e9, 1e-3, 1e-6, 1e-9):
        if overlaps(factor):
            return factor
    return 0.0
