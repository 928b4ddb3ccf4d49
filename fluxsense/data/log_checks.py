"""What can be said against a log and its traces before anything is computed from them.

Each check returns findings as values; nothing is printed and nothing raised.  A finding holds for many rows at once: it
names the first and says how many there are.
"""

from __future__ import annotations

import hashlib
import math
import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations, pairwise
from statistics import median

from fluxsense.base.errors import InputError
from fluxsense.base.findings import TRUST, Finding
from fluxsense.data.digest import GroupKey
from fluxsense.data.log import LogRow
from fluxsense.data.settings import SAME_BIAS, bias_slack_a, largest_bias_a, may_be_of
from fluxsense.data.touchstone import Span
from fluxsense.data.traces import Traces
from fluxsense.device.chip import matched_pump_frequency_hz
from fluxsense.study import Study
from fluxsense.study.types import POWER_AT_MOST_W

SAME_POWER_DB = 3.0
"""Pump powers further than this from every setting's are named."""
SLIPS = {1e3: "mA", 1e6: "uA", 1e9: "nA"}
"""Factors of a wrong unit of current, and the unit that the numbers seem to be in."""
SLIP_WITHIN = 3.0
"""A ratio this close to such a factor is taken for it."""
CLOCKS = {1e3: "milliseconds", 1 / 60: "minutes", 1 / 3600: "hours", 1 / 86400: "days"}
"""Ratios of the log's time between sweeps and the stated one, and the unit that the times then seem to be in."""
CLOCK_WITHIN = 1.5


@dataclass(frozen=True)
class LogFinding:
    """Something to be said about the log or the traces.

    Attributes
    ----------
    code : str
        What kind: "bias beyond limit", "bias unit", "bias sign", "bias foreign", "slip", "no setting", "foreign settings", "pump power",
        "pump frequency", "no pump off", "no source out", "no source in", "cooldown name", "clock", "copies", "one port",
        "frequency unit", "off the band".
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
    """Everything that the rows of a log, compared with the study, give to say; serious findings first, each once.

    Parameters
    ----------
    rows : sequence of LogRow
        As `read_log` gives them for this study.
    study : Study
    """
    checks = (
        _beyond_limits, _currents, _settings, _powers, _frequencies, _without_pump_off, _without_source_out, _cooldowns,
        _clock,
    )  # fmt: skip
    found = [f for check in checks for f in check(rows, study)]
    codes = {f.code for f in found}
    told = {f.subject for f in found if f.code == "bias beyond limit" and "look like" in f.remedy}
    found = [f for f in found if not (f.code == "bias unit" and f.subject in told)]
    if told or codes & {"bias unit", "bias sign"}:  # then no setting fits for that very reason
        found = [f for f in found if f.code not in ("slip", "no setting", "foreign settings")]
    return sorted(_merged(found), key=lambda f: (not f.serious, f.line))


def refuse_beyond_limits(rows: Sequence[LogRow], study: Study) -> None:
    """Refuse a log with currents that its bias lines may not carry: nothing is worked out from them.

    Raises
    ------
    InputError
    """
    for f in _merged(_beyond_limits(rows, study)):
        raise InputError(f.what, where=f.row.place, remedy=f.remedy)


def as_findings(found: Iterable[LogFinding]) -> list[Finding]:
    """What was found in a log as findings; what is serious makes the campaign unusable as it is."""
    unusable = TRUST.index("unusable")
    return [
        Finding("of the log", unusable * f.serious, where=f.row.place, what=f.what, remedy=f.remedy) for f in found
    ]  # fmt: skip


def digest_findings(digest: Iterable[GroupKey], study: Study) -> list[Finding]:
    """`log_findings` of the groups of a digest, which know neither lines nor times, as findings.

    Whoever has measured elsewhere than at the study's settings may have meant it: that is said, and the fit decides.
    """
    rows = [
        LogRow(
            0, "", k.isolator, k.pump_on, k.pump_port, k.pump_phase_rad, k.pump_power_dbm, k.pump_frequency_hz, k.state,
            k.cooldown, 0, 0.0, k.bias_a, log=study.log.name,
        )
        for k in digest
    ]  # fmt: skip
    found = [f for f in log_findings(rows, study) if f.code != "clock"]
    return as_findings(replace(f, serious=f.serious and f.code != "no setting") for f in found)


def _merged(found: Iterable[LogFinding]) -> Iterator[LogFinding]:
    """The same of several lines, isolators or cooldowns once, naming the others."""
    kinds: dict[tuple[str, bool], list[LogFinding]] = {}
    for f in found:
        kinds.setdefault((f.code, f.serious), []).append(f)
    for alike in kinds.values():
        first, others = alike[0], [f.subject for f in alike[1:]]
        if others:
            first = replace(first, what=f"{first.what}; likewise {', '.join(others)}")
        yield first


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


def _unit_remedy(current: float, study: Study, n: int) -> str:
    stated = largest_bias_a(study, n)
    for factor, unit in SLIPS.items():
        if stated > 0.0 and 1 / SLIP_WITHIN < current / stated / factor < SLIP_WITHIN:
            return f"The column is in A; against the settings' {stated:g} A the numbers look like {unit}"
    return ""


def _currents(rows: Sequence[LogRow], study: Study) -> Iterable[LogFinding]:
    """Units and signs of the currents, line by line, against the settings'."""
    for n, line in enumerate(study.bias_lines):
        stated, used = largest_bias_a(study, n), max((abs(row.bias_a[n]) for row in rows), default=0.0)
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


def _settings(rows: Sequence[LogRow], study: Study) -> Iterable[LogFinding]:
    """A log that holds no setting of the study, or some that are not in it, and the slip that would explain it."""
    slack = bias_slack_a(study)
    on = [row for row in rows if row.pump_on]
    if not on or not study.settings:
        return
    kinds = {(row.isolator, row.pump_port, row.pump_phase_rad, row.bias_a): row for row in on}

    def fits(row: LogRow) -> bool:
        return any(may_be_of(row, setting, slack) for setting in study.settings)

    strange = {key for key, row in kinds.items() if not fits(row)}
    if not strange:
        return
    foreign = [r for r in on if (r.isolator, r.pump_port, r.pump_phase_rad, r.bias_a) in strange]
    slips = [words for words, mended in _slips(study) if all(fits(mended(row)) for row in kinds.values())]
    remedy = f"They would be if {' or '.join(slips[:2])}: mend the log or the study" if slips else ""
    if len(foreign) == len(on):
        yield LogFinding(
            "slip" if slips else "no setting", True, on[0], len(on), "",
            "no sweep of the log is of a setting of this study (isolator, pump port or phase, and currents)",
            remedy or "Check that the log belongs to this study; then units, signs and the order of the bias lines",
        )  # fmt: skip
    else:
        yield LogFinding(
            "slip" if slips else "foreign settings", bool(slips), foreign[0], len(foreign), foreign[0].isolator,
            f"{len(foreign)} of {len(on)} pump-on sweeps ({len(strange)} kinds) are of no setting of this study",
            remedy or "They are used as they are; check their currents and pump ports",
        )  # fmt: skip


def _slips(study: Study) -> Iterator[tuple[str, Callable[[LogRow], LogRow]]]:
    """Usual slips, and what undoes each in a row of the log."""
    names = [line.name for line in study.bias_lines]
    for only in (None, *(i.name for i in study.isolators)):
        where = "" if only is None else f" of isolator {only}"
        yield f"pump ports 1 and 2{where} were exchanged", partial(_with_other_port, only)
    for n, name in enumerate(names):
        yield f"the current in {name} had the other sign", partial(_with_bias, {n: (n, -1)})
    for n, m in combinations(range(len(names)), 2):
        words = f"the columns of {names[n]} and {names[m]} were exchanged"
        yield words, partial(_with_bias, {n: (m, 1), m: (n, 1)})
    for a, b in combinations([i.name for i in study.isolators], 2):
        yield f"isolators {a} and {b} were exchanged", partial(_with_isolator, {a: b, b: a})


def _with_other_port(only: str | None, row: LogRow) -> LogRow:
    """The row with the other pump port, if it is of that isolator, or of any."""
    port = 3 - row.pump_port if row.pump_port and only in (None, row.isolator) else row.pump_port
    return replace(row, pump_port=port)


def _with_bias(taken: Mapping[int, tuple[int, int]], row: LogRow) -> LogRow:
    """The row with the currents of some lines taken from others, with a sign."""
    bias = list(row.bias_a)
    for n, (m, sign) in taken.items():
        bias[n] = sign * row.bias_a[m]
    return replace(row, bias_a=tuple(bias))


def _with_isolator(swap: Mapping[str, str], row: LogRow) -> LogRow:
    return replace(row, isolator=swap.get(row.isolator, row.isolator))


def _frequencies(rows: Sequence[LogRow], study: Study) -> Iterable[LogFinding]:
    """Pump frequencies further from every setting's than both modes are wide: nothing is converted there."""
    slack = bias_slack_a(study)
    wanted: dict[tuple[str, float, tuple[float, ...]], list[float]] = {}
    far: list[tuple[LogRow, float]] = []
    for row in (r for r in rows if r.pump_on):
        key = (row.isolator, row.pump_power_dbm, row.bias_a)
        if key not in wanted:
            wanted[key] = _pump_frequencies_hz(study, row, slack)
        away = min((abs(row.pump_frequency_hz - f) for f in wanted[key]), default=0.0)
        iso = study.isolator(row.isolator)
        if away > max(s.signal_linewidth_hz + s.idler_linewidth_hz for s in iso.stages):
            far.append((row, away))
    if far:
        row, away = far[0]
        yield LogFinding(
            "pump frequency", False, row, len(far), row.isolator,
            f"the pump frequency {row.pump_frequency_hz:.6g} Hz is {away / 1e6:.3g} MHz from the setting's, further than the modes "
            f"are wide ({len(far)} rows)",
            "Check the column, or the mode frequencies in the study: so far off the pump converts next to nothing",
        )  # fmt: skip


def _pump_frequencies_hz(study: Study, row: LogRow, slack: Sequence[float]) -> list[float]:
    """Stated or matched pump frequencies of the settings that a row may be of."""
    i = [iso.name for iso in study.isolators].index(row.isolator)
    return [
        s.pump_frequency_hz or matched_pump_frequency_hz(study, i, s.bias_a, s.pump_power_w)
        for s in study.settings
        if may_be_of(row, s, slack)
    ]


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
    if power > 10 * math.log10(POWER_AT_MOST_W / 1e-3):
        remedy = (
            "So much can destroy the chip and boil off the cryogen: check the unit, the sign, and the source itself"
        )
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
    """Isolators with the source in and never otherwise in a cooldown: their offsets cannot be told from it; or never in."""
    kinds = {state.name: state.kind for state in study.states}
    seen: dict[tuple[str, str], dict[str, LogRow]] = {}
    for row in rows:
        if row.pump_on and row.state in kinds:
            seen.setdefault((row.isolator, row.cooldown), {}).setdefault(kinds[row.state], row)
    if seen and not any({"in", "turned"} & mine.keys() for mine in seen.values()):
        yield LogFinding(
            "no source in", False, rows[0], len(rows), "",
            "no pump-on sweep was taken with the source in, so there is no direction to infer",
            'Log sweeps with a state of kind "in" or "turned"',
        )  # fmt: skip
    for (isolator, cooldown), mine in seen.items():
        inside = mine.get("in") or mine.get("turned")
        if inside is None or len(mine) > 1:
            continue
        elsewhere = [
            c for (i, c), kinds_seen in seen.items() if "out" in kinds_seen and i == isolator and c != cooldown
        ]
        what = f"in cooldown {cooldown!r} the source is never out for isolator {isolator!r}, so its flux cannot be told from trapped flux"
        if elsewhere:
            what += f"; the sweeps with the source out in cooldown {elsewhere[0]!r} do not help, since offsets differ"
        yield LogFinding(
            "no source out", False, inside, 1, isolator, what,
            "Record the same settings with the source out, or reversed, in the same cooldown",
        )  # fmt: skip


def _cooldowns(rows: Sequence[LogRow], study: Study) -> Iterable[LogFinding]:
    """Names of cooldowns that differ by case or signs only."""
    first: dict[str, LogRow] = {}
    for row in rows:
        plain = "".join(c for c in row.cooldown.casefold() if c.isalnum())
        other = first.setdefault(plain, row)
        if other.cooldown != row.cooldown:
            yield LogFinding(
                "cooldown name", False, row, 1, row.cooldown,
                f"the cooldown {row.cooldown!r} is another one than {other.cooldown!r} in line {other.line}, with flux offsets of its own",
                "If it is the same cooldown, give it one name",
            )  # fmt: skip
            return


def _clock(rows: Sequence[LogRow], study: Study) -> Iterable[LogFinding]:
    """Times that cannot be those of the sweeps: all the same, or in another unit than seconds."""
    times = sorted(row.time_s for row in rows)
    if len(times) < 3:
        return
    if times[0] == times[-1]:
        yield LogFinding(
            "clock", False, rows[0], len(rows), "", f"every sweep was taken at the same time_s, {times[0]:g}",
            "Write when each was taken, in seconds: drift of flux and gain is learned from it",
        )  # fmt: skip
        return
    stated, plan = study.plan.seconds_per_sweep, study.tree.get("plan")
    if not isinstance(plan, dict) or "time_per_sweep" not in plan or not stated > 0:
        return
    ratio = median(b - a for a, b in pairwise(times)) / stated
    for factor, unit in CLOCKS.items():
        if factor / CLOCK_WITHIN < ratio < factor * CLOCK_WITHIN:
            yield LogFinding(
                "clock", False, rows[0], len(rows), "",
                f"the sweeps are {ratio * stated:.3g} apart in time_s, where the study states {stated:g} s a sweep",
                f"The column is in seconds; the numbers look like {unit}",
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
