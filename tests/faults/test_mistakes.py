"""Mistakes of users, one at a time in a campaign that is otherwise right, and what is said of each.

A row: what is changed, the command, the exit code, and a pattern that what is printed has to match.  What is right here is
common practice, no source: a sentence that names what is wrong, where, and what to do about it; no direction where none is to be
believed; nothing written and no traceback.  The rows of `INFERRED` infer a direction each: `pytest -m slow`.

The study: two isolators of different modes, four loops, a uniform field; the starter study where a dipole is needed.
"""

from __future__ import annotations

import math
import random
import re
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from conftest import Outcome, run
from small_study import study_text

import fluxsense
from fluxsense.base.errors import InputError

Change = Callable[[Path], object]
BIAS = ("bias_a1_a", "bias_a2_a", "bias_b1_a", "bias_b2_a")
TRACE, SECOND = "traces/c1_in_s1_a_on_001.s2p", "traces/c1_in_s1_a_on_002.s2p"


@dataclass(frozen=True)
class Mistake:
    """What is changed in a right campaign, on what command line, and what must come of it.

    start: "field" for the campaign of the small study, "grain" for the starter study without one.  arguments: the command and
    its options; "STUDY" stands for the path of the study, which follows the command where it does not stand.
    """

    change: Change
    said: str
    code: int = 2
    arguments: tuple[str, ...] = ("check",)
    start: str = "field"


# ---------------------------------------------------------------- how things are changed


def put(old: str, new: str, file: str = "study.toml", count: int = 1) -> Change:
    """Replace a text; count 0 for everywhere."""

    def change(folder: Path) -> None:
        text = (folder / file).read_text()
        assert old in text, old
        (folder / file).write_text(text.replace(old, new, count or -1))

    return change


def state(name: str, kind: str, more: str) -> Change:
    """Another state."""
    return put(
        '[[setting]]\nname = "s1"', f'[[state]]\nname = "{name}"\nkind = "{kind}"\n{more}\n\n[[setting]]\nname = "s1"'
    )


def both(*changes: Change) -> Change:
    """One change after the other."""

    def change(folder: Path) -> None:
        for one in changes:
            one(folder)

    return change


def cells(
    columns: Sequence[str], new: Callable[[str], str], where: Callable[[Mapping[str, str]], bool] = lambda row: True
) -> Change:
    """Change cells of the log."""

    def change(folder: Path) -> None:
        head, *rows = (folder / "log.csv").read_text().splitlines()
        names = head.split(",")
        out = [head]
        for row in rows:
            one = dict(zip(names, row.split(","), strict=True))
            if where(one):
                one |= {c: new(one[c]) for c in columns}
            out.append(",".join(one.values()))
        (folder / "log.csv").write_text("\n".join(out) + "\n")

    return change


def rows(new: Callable[[list[str]], list[str]]) -> Change:
    """Change the rows of the log."""

    def change(folder: Path) -> None:
        head, *old = (folder / "log.csv").read_text().splitlines()
        (folder / "log.csv").write_text("\n".join([head, *new(old)]) + "\n")

    return change


def without(*parts: str) -> Change:
    """Take the rows of the log out that hold all of these."""
    return rows(lambda old: [x for x in old if not all(p in x for p in parts)])


def times(factor: float) -> Callable[[str], str]:
    return lambda cell: repr(float(cell) * factor) if cell else cell


def when_on(new: str) -> Callable[[str], str]:
    """A cell that is empty with the pump off."""
    return lambda cell: new if cell else cell


def swap(a: str, b: str) -> Callable[[str], str]:
    return lambda cell: {a: b, b: a}.get(cell, cell)


Numbers = list[float]


def numbers(new: Callable[[Numbers], Numbers], which: str = "") -> Change:
    """Change the rows of numbers of all traces whose names hold a text."""

    def change(folder: Path) -> None:
        for path in sorted((folder / "traces").iterdir()):
            if which in f"traces/{path.name}":
                lines = path.read_text().splitlines()
                out = [x if x[0] in "!#" else " ".join(map(repr, new([float(y) for y in x.split()]))) for x in lines]
                path.write_text("\n".join(out) + "\n")

    return change


def pairs(new: Callable[[float, float], tuple[float, float]]) -> Callable[[Numbers], Numbers]:
    """Change each pair of numbers behind the frequency."""
    return lambda row: [row[0], *(y for k in (1, 3, 5, 7) for y in new(row[k], row[k + 1]))]


def noisy(sd: float) -> Change:
    """Noise on every number."""

    def change(folder: Path) -> None:
        rng = random.Random(1)
        numbers(lambda row: [row[0], *(y + rng.gauss(0.0, sd) for y in row[1:])])(folder)

    return change


def polar(x: float, y: float) -> tuple[float, float]:
    return math.hypot(x, y), math.degrees(math.atan2(y, x))


def copies(pattern: str, old: str, new: str) -> Change:
    """Copy every trace that matches over the one of a like name."""

    def change(folder: Path) -> None:
        for path in sorted((folder / "traces").glob(pattern)):
            shutil.copy(path, path.with_name(path.name.replace(old, new)))

    return change


def bytes_of(file: str, new: Callable[[bytes], bytes]) -> Change:
    return lambda folder: (folder / file).write_bytes(new((folder / file).read_bytes()))


def folder_for(file: str) -> Change:
    def change(folder: Path) -> None:
        (folder / file).unlink()
        (folder / file).mkdir()

    return change


def nothing(_folder: Path) -> None:
    pass


SQUARE = 'shape = "square"\ncenter = ["0 um", "0 um"]\nside = "20.0 um"'
GRAIN_AT = 'position = ["0 um", "0 um", "12 um"]'

# ---------------------------------------------------------------- the study

NOT_ABOVE = "is out of range. It must be"
OF_THE_STUDY = {
    "bias in A for mA": Mistake(
        put('a1 = "0.833333 mA"', 'a1 = "0.833333 A"'),
        r"setting\[s1\]\.bias\.a1: 833.333 mA is beyond the line's limit of 2 mA",
    ),
    "limit of 2 A": Mistake(put('limit = "2 mA"', 'limit = "2 A"'), r"bias_line\[a1\]\.limit: .* cold chip stands.*mA are usual"),
    "limit in uA": Mistake(put('limit = "2 mA"', 'limit = "2 uA"'), "beyond the line's limit of 2 uA"),
    "coupling in GHz": Mistake(put('coupling = "10.2 MHz"', 'coupling = "10.2 GHz"'), "no small part of the signal's frequency"),
    "coupling in kHz": Mistake(
        put('coupling = "10.2 MHz"', 'coupling = "10.2 kHz"', count=0),
        "0.0 dB of isolation at most.*coupling of stage 1 is 0.00042 times", 1,
    ),
    "mode in MHz": Mistake(put('"5.020 GHz"', '"5.020 MHz"'), "no frequency of a mode that a cold circuit holds.*1 to 20 GHz"),
    "linewidth in GHz": Mistake(put('"40 MHz"', '"40 GHz"'), "a linewidth of 40 GHz is no resonance"),
    "linewidth in kHz": Mistake(put('"40 MHz"', '"40 kHz"', count=0), "check the units of the three", 0),
    "mode that loses all": Mistake(
        put('signal_internal_loss = "0.4 MHz"', 'signal_internal_loss = "400 MHz"'), "Stage 1 loses as much inside as it gives", 0
    ),
    "signal and idler exchanged": Mistake(
        put('signal_frequency = "5.020 GHz"', 'signal_frequency = "7.450 GHz"'), "the idler is not above the signal"
    ),
    "pump of +62 dBm": Mistake(
        put('pump_power = "-60 dBm"', 'pump_power = "62 dBm"'), "it can destroy the chip and boil off the cryogen.*Check the sign"
    ),
    "pump of -160 dBm": Mistake(put('pump_power = "-60 dBm"', 'pump_power = "-160 dBm"'), "-100 dB from reference_power", 0),
    "reference power in W": Mistake(
        put('reference_power = "-60 dBm"', 'reference_power = "60 W"'), r"isolator\[a\]\.reference_power: .* can destroy the chip"
    ),
    "pump beyond the study's own limit": Mistake(
        put("[sampling]", '[limits]\npump_power = "-70 dBm"\n\n[sampling]'),
        r"setting\[s1\]\.pump_power: -60 dBm is beyond what limits\.pump_power allows",
    ),
    "couplings stated at zero flux": Mistake(
        put('reference_flux = "0.5 Phi0"', 'reference_flux = "0 Phi0"'), "the coupling vanishes at this flux"
    ),
    "couplings stated at 0.5 mPhi0": Mistake(
        put('reference_flux = "0.5 Phi0"', 'reference_flux = "0.5 mPhi0"'), "no pump makes this ring couple its modes by 10.2 MHz"
    ),
    "sweep off the band": Mistake(
        put('start = "4.93 GHz"\nstop = "5.07 GHz"', 'start = "6.93 GHz"\nstop = "7.07 GHz"'),
        "The sweep from 6.93 to 7.07 GHz lies beside the signal modes at 5", 1,
    ),
    "sweep downwards": Mistake(
        put('start = "4.93 GHz"\nstop = "5.07 GHz"', 'start = "5.07 GHz"\nstop = "4.93 GHz"'), "does not end above its start"
    ),
    "loop in mm": Mistake(put('side = "20.0 um"', 'side = "20.0 mm"'), r'loop\[a1\]\.side: "20.0 mm" is larger than any loop'),
    "loops in nm": Mistake(put('side = "20.0 um"', 'side = "20.0 nm"', count=0), "less than any campaign sees", 0),
    "loops that overlap": Mistake(
        put('chip = "chip_y"\nshape = "square"\ncenter = ["100 um"', 'chip = "chip_x"\nshape = "square"\ncenter = ["10 um"'),
        r'loop\[a2\]\.outline: the loop lies partly within the loop "a1" of the same chip',
    ),
    "loop of negative side": Mistake(put('side = "20.0 um"', 'side = "-20.0 um"'), NOT_ABOVE + " above 0 m"),
    "outline in the wrong order": Mistake(
        put(SQUARE, 'outline = [["0 um", "0 um"], ["10 um", "10 um"], ["10 um", "0 um"], ["0 um", "10 um"]]'),
        "the outline crosses itself.*the order in which the wire passes them",
    ),
    "outline of two corners": Mistake(put(SQUARE, 'outline = [["0 um", "0 um"], ["10 um", "0 um"]]'), "encloses nothing"),
    "outline without units": Mistake(put(SQUARE, "outline = [[0, 0], [10, 0], [10, 10]]"), '0 has no unit.*"12 um" .with quotes'),
    "loop named twice": Mistake(put('name = "a2"', 'name = "a1"'), 'the name "a1" stands twice'),
    "loop that is not there": Mistake(put('loop = "a1"', 'loop = "a9"'), '"a9" is not defined in this study. Known: a1, a2, b1, b2'),
    "loop of two rings": Mistake(put('loop = "a2"', 'loop = "a1"'), 'the loop "a1" belongs to isolator.a..stage_1 already'),
    "mutual without unit": Mistake(put('{ a1 = "600.0 Phi0/A" }', "{ a1 = 600.0 }"), "600.0 has no unit, but a mutual inductance"),
    "mutual in mPhi0/A": Mistake(
        put("600.0 Phi0/A", "600.0 mPhi0/A", count=0), "next to no flux in loop a1.*unit of the mutual inductances", 0
    ),
    "line that drives no loop of its own": Mistake(put("mutual = { a1 =", "mutual = { b2 ="), "next to no flux in loop a1", 0),
    "axes that are parallel": Mistake(put("y_axis = [0, 0, 1]", "y_axis = [0, 2, 0]"), "0 degrees apart, not at right angles"),
    "axis of length zero": Mistake(put("x_axis = [0, 1, 0]", "x_axis = [0, 0, 0]"), "length zero is no direction"),
    "field of 1 T": Mistake(put('size = "1.0 uT"', 'size = "1.0 T"'), "Phi0 into loop a1: no ring follows that.*unit of its size", 1),
    "field of 1 fT": Mistake(put('size = "1.0 uT"', 'size = "1.0 fT"'), "less than any campaign sees", 0),
    "moment for a field": Mistake(
        put('size = "1.0 uT"', 'size = "1.0 fA m^2"'), "is a magnetic moment, but a magnetic field is wanted"
    ),
    "field with a place": Mistake(
        put('size = "1.0 uT"', 'size = "1.0 uT"\nposition = ["0 um", "0 um", "1 um"]'), "A uniform field has no position"
    ),
    "shunts too weak": Mistake(put("shunt_ratio = 3.0", "shunt_ratio = 1.5"), "leaves its symmetric state.*Give a ratio above 2"),
    "participation in percent": Mistake(put("signal_participation = 0.1", "signal_participation = 10"), NOT_ABOVE + ".*at most 1"),
    "pump port 3": Mistake(put("pump_port = 1", "pump_port = 3"), NOT_ABOVE + " at least 1 and at most 2"),
    "pump port and phase": Mistake(put("pump_port = 1", 'pump_port = 1\npump_phase = "90 deg"'), "exclude each other"),
    "pump off the difference": Mistake(
        put("pump_port = 1", 'pump_port = 1\npump_frequency = "2.9 GHz"'), 'does not join signal and idler.*leave it "matched"', 0
    ),
    "state of no kind": Mistake(put('kind = "in"', 'kind = "inn"'), 'Did you mean "in"'),
    "plan without the source": Mistake(put('states = ["out", "in"]', 'states = ["out"]'), "so never the source", 0),
    "plan of turns alone": Mistake(
        both(
            state("half", "turned", 'rotation_axis = [0, 0, 1]\nrotation_angle = "180 deg"'),
            put('states = ["out", "in"]', 'states = ["in", "half"]'),
        ),
        r"All states \(in, half\) hold the source: what it does alike.*known to", 0,
    ),
    "plan without reference": Mistake(put('states = ["out", "in"]', 'states = ["in"]'), "There is no reference state", 0),
    "noise in percent": Mistake(put("white = 0.01", 'white = "1 %"'), 'noise.white: "1 %" is not a finite number'),
    "noise as large as the signal": Mistake(put("white = 0.01", "white = 1.0"), "a ratio of such means is not normal.*Take 25", 0),
    "phase without unit": Mistake(put('phase_drift = "0.2 deg"', "phase_drift = 0.2"), "0.2 has no unit, but an angle is wanted"),
    "flux noise in Phi0": Mistake(put('flux = "0.0 mPhi0"', 'flux = "0.5 Phi0"'), "blurred rather than scattered.*Check its unit", 0),
    "offset of ten quanta": Mistake(put('offset_sd = "10.0 mPhi0"', 'offset_sd = "10.0 Phi0"'), NOT_ABOVE + ".*at most 1 Phi0"),
    "no repeats": Mistake(put("\nrepeats = 3", "\nrepeats = 0"), "plan.repeats: 0 is out of range"),
    "format of the future": Mistake(put("format = 1", "format = 2"), "This version reads format = 1"),
    "word misspelt": Mistake(put('unstated = "exact"', 'unstated = "exat"'), 'Did you mean "exact"'),
    "key misspelt": Mistake(put('side = "20.0 um"', 'side = "20.0 um"\nofset_sd = "1 mPhi0"'), 'Did you mean "offset_sd"'),
    "unit left out": Mistake(put('"4.93 GHz"', '"4.93"'), 'sweep.start: "4.93" has no unit, but a frequency is wanted'),
    "unit of something else": Mistake(put('"4.93 GHz"', '"4.93 um"'), '"4.93 um" is a length, but a frequency is wanted'),
    "bracket that is not closed": Mistake(put("[sweep]", "[sweep"), "not valid TOML.*Expected ']'"),
    "quote that is not closed": Mistake(put('for tests"', "for tests"), "not valid TOML.*line 2"),
    "decimal comma": Mistake(put('"4.93 GHz"', '"4,93 GHz"'), 'has a comma in its number. Write the decimal sign as a point'),
    "setting named twice": Mistake(put('name = "s2"', 'name = "s1"'), 'the name "s1" stands twice'),
    "setting that is another's copy": Mistake(
        put('a2 = "-0.833333 mA", b1 = "0.833333 mA", b2 = "-0.833333 mA" }\npump_port = 2',
            'a2 = "0.833333 mA", b1 = "0.833333 mA", b2 = "0.833333 mA" }\npump_port = 1'),
        'Settings "s1" and "s2" are the same', 0,
    ),
    "shunts of a bare ring": Mistake(put('ring = "shunted"', 'ring = "bare"'), "A bare ring has no shunts: remove it"),
    "focusing below zero": Mistake(put('side = "20.0 um"', 'side = "20.0 um"\nflux_focusing = -1'), NOT_ABOVE + " above 0"),
    "known source without a field": Mistake(state("cal", "calibration", ""), "names neither a coil nor a field"),
    "known source of 2 T": Mistake(
        state("cal", "calibration", 'field = ["2 T", "0 T", "0 T"]'), 'The known source of state "cal" puts .* no ring follows', 1
    ),
    "turn by nothing": Mistake(
        state("turned", "turned", 'rotation_axis = [0, 0, 1]\nrotation_angle = "360 deg"'), 'turns nothing. Use kind = "in"'
    ),
    "turn without unit": Mistake(state("turned", "turned", "rotation_axis = [0, 0, 1]\nrotation_angle = 180"), "180 has no unit"),
    "wiring as a number": Mistake(put('"from reference"', "90"), r'90 is not known here. Use "from reference" or "\+90 deg"'),
    "dipole in the loops' plane": Mistake(put(GRAIN_AT, 'position = ["0 um", "0 um", "12 nm"]'), "rank two", 0, start="grain"),
    "dipole on a wire": Mistake(
        put(GRAIN_AT, 'position = ["11 um", "10 um", "0 um"]'), r"loop\[east_near\]\.outline: the dipole .* lies on the wire",
        start="grain",
    ),
    "dipole 12 mm away": Mistake(put(GRAIN_AT, 'position = ["0 um", "0 um", "12 mm"]'), "less than any campaign sees", 0, start="grain"),
    "dipole at two numbers": Mistake(put(GRAIN_AT, 'position = ["0 um", "12 um"]'), "is not a list of 3 values", start="grain"),
    "place known to 300 um": Mistake(
        put('position_sd = ["0.3 um"', 'position_sd = ["300 um"'), "may lie on either side of it", 0, start="grain"
    ),
    "body through the wires": Mistake(put('extent = "0.5 um"', 'extent = "50 um"'), "reaches through it", 1, start="grain"),
    "moment in A m^2": Mistake(
        put('\nsize = "30 fA m^2"', '\nsize = "30 A m^2"'), "no ring follows that. Check the unit of its size", 1, start="grain"
    ),
    "moment in zA m^2": Mistake(put('\nsize = "30 fA m^2"', '\nsize = "30 zA m^2"'), "which is not known for a magnetic moment.*units known here: fA m", start="grain"),
    "moment in fA": Mistake(
        put('\nsize = "30 fA m^2"', '\nsize = "30 fA"'), '"fA", which is not known for a magnetic moment', start="grain"
    ),
    "cap without an angle": Mistake(
        put('direction_prior = "sphere"', 'direction_prior = "cap"'), "direction_half_angle: this entry is missing", start="grain"
    ),
}  # fmt: skip

# ---------------------------------------------------------------- the log

OF_THE_LOG = {
    "mA in the column for A": Mistake(
        cells(BIAS, times(1e3)), "bias_a1_a is up to 0.833333 A, and the line may carry 0.002 A.*likewise a2, b1, b2.*look like mA", 1
    ),
    "mA where a direction is inferred": Mistake(
        cells(BIAS, times(1e3)), "log.csv:2: bias_a1_a is up to 0.833333 A, and the line may carry 0.002 A", arguments=("orient",)
    ),
    "uA in the column for A": Mistake(cells(BIAS, times(1e6)), "The column is in A, not mA or uA"),
    "one line in mA": Mistake(cells(BIAS[:1], times(1e3)), "the numbers look like mA", 1),
    "half of every current": Mistake(cells(BIAS, times(0.5)), "no sweep of the log is of a setting of this study", 1),
    "currents turned": Mistake(cells(BIAS, times(-1)), "opposite sign of the settings'.*the direction hang on it", 1),
    "one line turned": Mistake(cells(BIAS[1:2], times(-1)), "They would be if the current in a2 had the other sign", 1),
    "columns of two lines exchanged": Mistake(
        put("bias_a1_a,bias_a2_a", "bias_a2_a,bias_a1_a", "log.csv"), "if the columns of a1 and a2 were exchanged", 1
    ),
    "watts in the column for dBm": Mistake(cells(["pump_power_dbm"], when_on("1e-9")), "the numbers look like W or mW", 1),
    "powers 30 dB off": Mistake(cells(["pump_power_dbm"], when_on("-30")), "30 dB off: dBm and dBW", 1),
    "pump of 40 dBm": Mistake(cells(["pump_power_dbm"], when_on("40")), "destroy the chip and boil off the cryogen", 1),
    "pump of 62 dBm": Mistake(cells(["pump_power_dbm"], when_on("62")), "pump_power_dbm is 62, outside -250 to 60"),
    "pump frequency in GHz": Mistake(cells(["pump_frequency_hz"], times(1e-9)), "The column is in Hz, not MHz or GHz"),
    "pump off the difference": Mistake(
        cells(["pump_frequency_hz"], when_on("2900000000")), "MHz from the setting's, further than the modes are wide", 0
    ),
    "column for another line": Mistake(put("bias_a1_a", "bias_a9_a", "log.csv"), "the column 'bias_a1_a' is missing"),
    "column misspelt": Mistake(put("pump_power_dbm", "pump_powr_dbm", "log.csv"), "Did you mean 'pump_power_dbm'"),
    "isolators exchanged": Mistake(
        cells(["isolator"], swap("a", "b")), 'sweeps of isolators "a" and "b" look exchanged.*Check the column isolator', 1
    ),
    "isolators exchanged, inferred": Mistake(
        cells(["isolator"], swap("a", "b")), 'sweeps of isolators "a" and "b" look exchanged', arguments=("orient",)
    ),
    "in and out exchanged": Mistake(cells(["state"], swap("in", "out")), "in and out look exchanged. Check the column state", 1),
    "pump ports exchanged": Mistake(cells(["pump_port"], swap("1", "2")), "if pump ports 1 and 2 were exchanged", 1),
    "pump ports of one isolator exchanged": Mistake(
        cells(["pump_port"], swap("1", "2"), lambda row: row["isolator"] == "a"), "if pump ports 1 and 2 of isolator a were exchanged", 1
    ),
    "no sweep with the pump off": Mistake(
        without(",off,"), "isolator 'a' has no sweep with the pump off in cooldown 'c1'.*likewise b", 1
    ),
    "no sweep with the pump off, inferred": Mistake(
        without(",off,"), "there is no pump-off sweep of isolator 'a' in cooldown 'c1'", arguments=("orient",)
    ),
    "source never in, inferred": Mistake(
        without(",in,"), "no pump-on sweep was taken with the source in, so there is no direction to infer", arguments=("orient",)
    ),
    "one isolator never with the pump off": Mistake(without(",off,", ",b,"), "isolator 'b' has no sweep with the pump off", 1),
    "source never out": Mistake(without(",out,"), "the source is never out for isolator 'a'.*likewise b", 0),
    "source never in": Mistake(without(",in,"), "no direction to infer", 0),
    "source out for one isolator only": Mistake(without(",out,", ",b,on,"), "the source is never out for isolator 'b'", 0),
    "source out in another cooldown": Mistake(
        cells(["cooldown"], lambda _: "c0", lambda row: row["state"] == "out"), "in cooldown 'c0' do not help, since offsets differ", 0
    ),
    "cooldown under two names": Mistake(
        cells(["cooldown"], lambda _: "C1", lambda row: row["repeat"] == "2"), "'C1' is another one than 'c1'.*give it one name", 0
    ),
    "state with a capital": Mistake(cells(["state"], swap("in", "In")), r"the state 'In' is not in the study \(and \d+ more rows.*'in'"),
    "isolator that is not there": Mistake(cells(["isolator"], lambda _: "q"), "the isolator 'q' is not in the study"),
    "sweep listed twice": Mistake(rows(lambda old: [*old, old[2]]), "is listed already in line 4"),
    "repeats not numbered": Mistake(cells(["repeat"], lambda _: "1"), r"repeat 1 are those of line 2 \(and \d+ more rows"),
    "clock that stands still": Mistake(cells(["time_s"], lambda _: "0"), "every sweep was taken at the same time_s", 0),
    "time in milliseconds": Mistake(cells(["time_s"], times(1e3)), "the numbers look like milliseconds", 0),
    "time in minutes": Mistake(cells(["time_s"], times(1 / 60)), "the numbers look like minutes", 0),
    "no time": Mistake(cells(["time_s"], lambda _: ""), "time_s is empty"),
    "pump yes": Mistake(put(",on,", ",yes,", "log.csv", 0), r"pump is 'yes' \(and \d+ more rows of this kind\). Write 'on' or 'off'"),
    "pump on without power": Mistake(cells(["pump_power_dbm"], lambda _: ""), "pump_power_dbm is empty"),
    "pump on without port": Mistake(cells(["pump_port"], lambda _: ""), "neither pump_port nor pump_phase_deg is given"),
    "pump off with power": Mistake(cells(["pump_power_dbm"], lambda _: "-60"), "the pump is off but pump_power_dbm is '-60'"),
    "semicolons": Mistake(put(",", ";", "log.csv", 0), "separated by semicolons"),
    "tabs": Mistake(put(",", "\t", "log.csv", 0), "separated by tabs"),
    "decimal comma": Mistake(put(",-60,", ',"-60,5",', "log.csv"), "with a decimal comma"),
    "cell missing": Mistake(put(",0.000833333\n", "\n", "log.csv"), r"the row has 13 cells, the header 14"),
    "UTF-16": Mistake(bytes_of("log.csv", lambda raw: raw.decode().encode("utf-16")), "is not UTF-8 text"),
    "empty": Mistake(bytes_of("log.csv", lambda raw: b""), "the log is empty"),
    "header only": Mistake(rows(lambda old: []), "the log lists no trace"),
    "folder": Mistake(folder_for("log.csv"), "this is a folder, not a log"),
    "backslashes": Mistake(put("traces/", "traces\\", "log.csv", 0), "Write / between folders"),
    "traces elsewhere": Mistake(put("traces/", "../traces/", "log.csv", 0), "lies outside the folder"),
    "quote that is not closed": Mistake(put("traces/", '"traces/', "log.csv"), "Check the quotes"),
}  # fmt: skip

# ---------------------------------------------------------------- the traces

OF_THE_TRACES = {
    "conjugated": Mistake(
        numbers(pairs(lambda x, y: (x, -y))), "look like the complex conjugates.*phases run the wrong way", 1
    ),
    "conjugated, inferred": Mistake(
        numbers(pairs(lambda x, y: (x, -y))), "look like the complex conjugates", arguments=("orient",)
    ),
    "decibels under RI": Mistake(
        numbers(pairs(lambda x, y: (20 * math.log10(math.hypot(x, y)), polar(x, y)[1]))), "look like decibels and degrees.*Write DB", 1
    ),
    "magnitudes under RI": Mistake(numbers(pairs(polar)), "look like magnitudes and degrees.*Write MA", 1),
    "real and imaginary under MA": Mistake(put("S RI", "S MA", TRACE), "the magnitude .* is negative.*write RI", 1),
    "pump on and off exchanged": Mistake(
        cells(["file"], lambda file: file.replace("_on_", "_X_").replace("_off_", "_on_").replace("_X_", "_off_")),
        "pump on and pump off look exchanged", 1,
    ),
    "noise as large as the signal, inferred": Mistake(
        noisy(1.0),
        "% of the signal in the mean of 3 sweeps.*a ratio of such means is not normal",
        arguments=("orient",),
    ),
    "one port": Mistake(numbers(lambda row: row[:3], TRACE), "holds one port.*as .s2p", 1),
    "MHz under HZ": Mistake(numbers(lambda row: [row[0] / 1e6, *row[1:]]), "does not fit the numbers, which are 1e.06 times smaller", 1),
    "another band": Mistake(numbers(lambda row: [row[0] + 2e9, *row[1:]]), "beside the study's sweep", 0),
    "truncated": Mistake(bytes_of(TRACE, lambda raw: raw[:-25]), "the last row is cut off, it holds 7 of 9 numbers", 1),
    "fewer points": Mistake(bytes_of(TRACE, lambda raw: raw[: raw.rstrip().rfind(b"\n") + 1]), "frequencies differs from that of", 1),
    "75 ohm": Mistake(put("R 50", "R 75", TRACE), r"its reference of 50 ohm \(not 75 ohm\) differs", 1),
    "not a number": Mistake(bytes_of(TRACE, lambda raw: raw.replace(raw.split()[-1], b"nan")), "'nan' is not a finite number", 1),
    "pump off exactly zero": Mistake(numbers(lambda row: [row[0]] + [0.0] * 8, "_off_"), "are exactly zero somewhere", 1),
    "copy of a repeat": Mistake(copies("c1_in_s1_a_on_001*", "001", "002"), "is a copy of .*byte for byte", 1),
    "source in is a copy of source out": Mistake(copies("*_out_*", "_out_", "_in_"), r"byte for byte \(\d+ such traces\)", 1),
    "header only": Mistake(bytes_of(TRACE, lambda raw: b"\n".join(raw.split(b"\n")[:2])), "a header but no data below it", 1),
    "no option line": Mistake(put("# HZ S RI R 50\n", "", TRACE), "there is no option line above the data", 1),
    "Z-parameters": Mistake(put("HZ S", "HZ Z", TRACE), "the trace holds Z-parameters", 1),
    "binary": Mistake(bytes_of(TRACE, lambda raw: bytes(range(256))), "is a binary file, not Touchstone text", 1),
    "table with commas": Mistake(bytes_of(TRACE, lambda raw: b"freq,S21\n5e9,0.1\n"), "Separate the columns by spaces|commas", 1),
    "empty": Mistake(bytes_of(TRACE, lambda raw: b""), "the trace is empty", 1),
    "missing": Mistake(lambda folder: (folder / TRACE).unlink(), "there is no trace 'traces/c1_in_s1_a_on_001.s2p'"),
    "downwards": Mistake(
        bytes_of(TRACE, lambda raw: b"\n".join([*raw.split(b"\n")[:2], *raw.rstrip().split(b"\n")[:1:-1], b""])),
        "falls below the one before it", 1,
    ),
    "decimal comma": Mistake(bytes_of(TRACE, lambda raw: raw[:120] + raw[120:].replace(b".", b",", 1)), "has a decimal comma", 1),
}  # fmt: skip

# ---------------------------------------------------------------- the command line


def option(said: str, *arguments: str, code: int = 2, change: Change = nothing) -> Mistake:
    return Mistake(change, said, code, arguments)


def other_truth(text: str) -> Change:
    return lambda folder: (folder / "other.toml").write_text(text)


ABOVE_ZERO = "Give a finite number above zero"
ON_THE_COMMAND_LINE = {
    "no effective samples": option("--effective: 0 is no number of effective samples. " + ABOVE_ZERO, "orient", "--effective", "0"),
    "effective samples nan": option("--effective: nan is no number of effective samples. " + ABOVE_ZERO, "orient", "--effective", "nan"),
    "time below zero": option("--max-time: -1 is no time limit in seconds. " + ABOVE_ZERO, "orient", "--max-time", "-1"),
    "time without end": option("--max-time: inf is no time limit in seconds. " + ABOVE_ZERO, "orient", "--max-time", "inf"),
    "no workers": option("--workers 0 is too small. Use a whole number from 1 up", "orient", "--workers", "0"),
    "seed below zero": option("the seed -3 is negative. Use a whole number from 0 up", "simulate", "--seed", "-3"),
    "seed below zero, plan": option("--seed -1 is too small. Use a whole number from 0 up", "plan", "--seed", "-1"),
    "error of 400 degrees": option(
        "an angular error of 400 degrees cannot be wanted: no two directions are more than 180 degrees apart", "plan", "--error", "400"
    ),
    "error below zero": option("an angular error of -2 degrees cannot be wanted. Give one above zero", "plan", "--error", "-2"),
    "error nan": option("an angular error of nan degrees cannot be wanted. Give one above zero", "plan", "--error", "nan"),
    "error rate of guessing": option("an error rate of 0.7 cannot be wanted.*below 0.5", "plan", "--error-rate", "0.7"),
    "false alarms of guessing": option("promised false-alarm rate is 0.9. Give a rate between 0 and 0.5", "detect", "--false-alarm", "0.9"),
    "no steps": option("--steps 0 is too small. Use a whole number from 1 up", "layout", "--steps", "0"),
    "no starts": option("--starts 0 is too small. Use a whole number from 1 up", "layout", "--starts", "0"),
    "isolation of 300 dB": option("an isolation of 300 dB is not sensible. Use 1 to 60 dB", "characterize", "--isolation", "300"),
    "cone below zero": option("--cone: -2 is no half-angle of a cone in degrees. " + ABOVE_ZERO, "follow", "--cone", "-2"),
    "direction in one number": option("is not an azimuth and an elevation in degrees", "detect", "--toward", "159"),
    "elevation of 200 degrees": option("is not an azimuth and an elevation in degrees", "detect", "--toward=20,200"),
    "isolators as words": option('"three" does not list numbers of isolators. Write --isolators 3,4,5', "layout", "--isolators", "three"),
    "folder for the study": option("this is not a file. Check the path, or begin one with: fluxsense start DIR", "check", "FOLDER"),
    "log for the study": option("the study is not valid TOML", "check", "FOLDER/log.csv"),
    "trace for the study": option("the study is not valid TOML", "orient", "FOLDER/" + TRACE),
    "study that is not there": option("the study cannot be read .No such file", "check", "FOLDER/study.tml"),
    "source that is not known": option('"grain_5nm"', "start", "FOLDER/new", "--source", "grain_5nm"),
    "start where there is something": option("study.toml: there is a study already. Choose another folder", "start", "FOLDER"),
    "simulate over a campaign": option("log.csv exists already. Choose another folder, or replace it with --force", "simulate"),
    "truth of no kind": option("other.toml, source: this entry is missing. Add a table .source.", "simulate", "--force", "--truth", "FOLDER/other.toml", change=other_truth("[sorce]\n")),
    "study for the truth": option("source.azimuth: this entry is missing", "simulate", "--force", "--truth", "STUDY"),
    "orient before there is a campaign": option(
        "there is no log of traces. Write one, or make an invented campaign with: fluxsense simulate", "orient",
        change=lambda folder: (folder / "log.csv").unlink(),
    ),
    "file for the folder of results": option("nothing can be written to the folder .Not a directory.", "orient", "--out", "FOLDER/log.csv"),
    "state that is not there": option('there is no state "inn". Known are: out, in', "follow", "--once", "--by-hand", "inn"),
    "setting that is not there": option('there is no setting "s9" to pin or forbid. Known are: s1, s2', "follow", "--once", "--pin", "s9"),
    "miss without false alarms": option("only one of the two error rates is given. Give --false-alarm and --miss", "follow", "--once", "--miss", "0.1"),
    "mask that is not there": option("mask.gds: there is no such layout. Check the name", "layout", "--from-gds", "FOLDER/mask.gds"),
    "mask that is no GDSII": option("log.csv: the file is not readable GDSII", "layout", "--from-gds", "FOLDER/log.csv"),
    "wire of negative width": option("a wire of -2 um cannot be drawn. Give a width above zero", "layout", "--wire-width", "-2", "--gds", "FOLDER/x.gds"),
    "detect without phases": option("directions alone are as sharp as the flux noise of a sweep", "detect", change=put("[sampling]", '[data]\nkind = "direction"\n\n[sampling]')),
    "page without a read-out": option("there is no read-out to write a page of.*Add a section .readout.", "check", "--page", "FOLDER/x.html"),
}  # fmt: skip

TABLE = {
    f"{part}: {name}": mistake
    for part, rows_of in (
        ("study", OF_THE_STUDY), ("log", OF_THE_LOG), ("trace", OF_THE_TRACES), ("command line", ON_THE_COMMAND_LINE)
    )
    for name, mistake in rows_of.items()
}  # fmt: skip

# ---------------------------------------------------------------- the Python interface

FROM_PYTHON: dict[str, tuple[Callable[[Path, Path], object], str]] = {
    "no such file": (lambda path, other: fluxsense.orient(path / "nope.toml"), "the study cannot be read .No such file"),
    "number for a study": (lambda path, other: fluxsense.orient(42), "42 is no study. Give the path of a study's file"),
    "nothing for a study": (lambda path, other: fluxsense.check(None), "None is no study"),
    "text for a study": (lambda path, other: fluxsense.check("format = 1"), "the study cannot be read"),
    "path for a digest": (
        lambda path, other: fluxsense.orient(path / "study.toml", "digest.npz"), "digest: what was given is no digest.*load_campaign"
    ),
    "digest of another study": (
        lambda path, other: fluxsense.orient(other / "study.toml", fluxsense.load_campaign(path / "study.toml")),
        'sweeps of isolator "a", which the study does not define',
    ),
    "no effective samples": (lambda path, other: fluxsense.orient(path / "study.toml", wanted_ess=0), "0 is no number of effective"),
    "seed as a word": (lambda path, other: fluxsense.orient(path / "study.toml", seed="one"), "the seed 'one' is no whole number"),
    "half a seed": (lambda path, other: fluxsense.plan(path / "study.toml", seed=1.5), "--seed 1.5 is no whole number"),
    "direction of two numbers": (
        lambda path, other: fluxsense.detect(path / "study.toml", toward=[(1, 2)]), r"\(1, 2\) is no direction. Give three numbers"
    ),
    "direction of no length": (lambda path, other: fluxsense.detect(path / "study.toml", toward=[(0, 0, 0)]), "is no direction"),
    "direction nan": (
        lambda path, other: fluxsense.detect(path / "study.toml", toward=[(math.nan, 0, 1)]), "is no direction"
    ),
    "error of 400 degrees": (lambda path, other: fluxsense.plan(path / "study.toml", wanted_deg=400), "cannot be wanted"),
    "criterion of no kind": (
        lambda path, other: fluxsense.layout(path / "study.toml", criterion="best"), "the criterion 'best' is not known. Use one of"
    ),
    "sweep of no shape": (lambda path, other: fluxsense.Live(path / "study.toml").add("x", (1, 2)), "a sweep needs shapes"),
}  # fmt: skip

# ---------------------------------------------------------------- where something is inferred

OTHER_CHIP = put('"5.020 GHz"', '"5.060 GHz"')
INFERRED = {
    "noise of a third of the signal": Mistake(
        noisy(0.55), "unusable: do not believe it. No direction.*stays at 26% of the signal.*Take 6 sweeps", 1
    ),
    "currents turned in the log": Mistake(
        cells(BIAS, times(-1)), "unusable: do not believe it. No direction.*opposite sign of the settings'", 1
    ),
    "candidates without the truth": Mistake(
        put(
            'size = "1.0 uT"',
            'size = "1.0 uT"\ndirection_prior = "list"\ndirection_candidates = [[1, 0, 0], [0, 1, 0]]',
        ),
        "unusable: do not believe it. No direction.*None of the 2 candidate directions describes the data",
        1,
    ),
    "study of another chip": Mistake(OTHER_CHIP, "unusable: do not believe it. No direction", 1),
}


@pytest.fixture(scope="module")
def right(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Folders with a right campaign of the small study, its isolators made different, and with the starter study."""
    folder = tmp_path_factory.mktemp("right")
    text = study_text(repeats=3, points=11).replace("[plan]\n", '[plan]\ntime_per_sweep = "20 s"\n')
    first, second = text.split('name = "b"\n', 1)
    second = second.replace("5.020 GHz", "5.050 GHz").replace("5.023 GHz", "5.053 GHz")
    (folder / "field").mkdir()
    (folder / "field/study.toml").write_text(first + 'name = "b"\n' + second)
    assert run(["simulate", folder / "field/study.toml", "--seed", 3]).code == 0
    assert run(["start", folder / "grain"]).code == 0
    for name in ("field", "grain"):
        outcome = run(["check", folder / name / "study.toml"])
        assert (outcome.code, outcome.err) == (0, "")
        assert "Nothing to object to." in outcome.out
    return {name: folder / name for name in ("field", "grain")}


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def made(mistake: Mistake, right: Mapping[str, Path], folder: Path, *more: str) -> Outcome:
    """Make a mistake in a copy of a right campaign and run its command."""
    shutil.copytree(right[mistake.start], folder)
    mistake.change(folder)
    command, *rest = (
        a.replace("FOLDER", str(folder)).replace("STUDY", str(folder / "study.toml")) for a in mistake.arguments
    )
    if not rest or rest[0].startswith("--"):
        rest.insert(0, str(folder / "study.toml"))
    before = contents(folder)
    outcome = run([command, *rest, *more])
    assert outcome.code != 2 or contents(folder) == before
    return outcome


@pytest.mark.parametrize("name", TABLE)
def test_mistakes_get_the_right_sentence(name: str, right: dict[str, Path], tmp_path: Path) -> None:
    mistake = TABLE[name]
    outcome = made(mistake, right, tmp_path / "x")
    said = (outcome.err or outcome.out).replace(str(tmp_path / "x"), "DIR")
    print(outcome.code, said if outcome.code == 2 else [x for x in outcome.out.splitlines() if x.startswith("Note")])
    assert "Traceback" not in outcome.err
    assert outcome.code == mistake.code
    assert re.search(mistake.said, said.replace("\n", " "))
    if outcome.code == 2:
        assert outcome.out == ""
        last = outcome.err.splitlines()[-1]
        assert last.endswith((".", "?"))
        if "start" not in mistake.arguments:
            quiet = made(mistake, right, tmp_path / "y", "--json")
            assert (quiet.code, quiet.out) == (2, "")
            assert quiet.err.splitlines()[-1].replace("/y", "/x") == last
            assert quiet.err.startswith(f"fluxsense {mistake.arguments[0]}: ")  # and no progress


@pytest.mark.slow
@pytest.mark.parametrize("name", INFERRED)
def test_what_is_inferred_all_the_same_is_not_believed(name: str, right: dict[str, Path], tmp_path: Path) -> None:
    mistake = replace(INFERRED[name], arguments=("orient", "--no-report"))
    outcome = made(mistake, right, tmp_path / "x")
    print(outcome.out)
    assert outcome.code == mistake.code
    assert re.search(mistake.said, outcome.out.replace("\n", " "))


@pytest.mark.parametrize("name", FROM_PYTHON)
def test_mistakes_in_python_raise_the_right_sentence(name: str, right: dict[str, Path]) -> None:
    call, said = FROM_PYTHON[name]
    with pytest.raises(InputError) as caught:
        call(right["field"], right["grain"])
    print(caught.value)
    assert re.search(said, str(caught.value))


def test_a_name_that_the_package_does_not_have() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'oriemt'; did you mean 'orient'"):
        fluxsense.oriemt  # noqa: B018
    assert set(fluxsense.__all__) <= set(dir(fluxsense))


def test_there_are_ninety_and_more() -> None:
    assert len(TABLE) + len(FROM_PYTHON) > 180
