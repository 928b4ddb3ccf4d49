"""The log: round trip, and every fault as a sentence with file and line."""

import csv
import math
import os
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fluxsense.base.errors import InputError
from fluxsense.data.log import LogRow, Names, read_log, write_log

HEADER = (
    "file,isolator,pump,pump_port,pump_power_dbm,pump_frequency_hz,state,cooldown,repeat,time_s,bias_east_a,bias_west_a"
)
ON = "a.s2p,A,on,1,-30,2.1e9,in,first,0,12.5,1e-5,-2e-5"
OFF = "b.s2p,A,off,,,,out,first,0,14,0,0"
STUDY = Names(isolators=["A", "B"], states=["in", "out"], bias_lines=["east", "west"])


@pytest.fixture
def folder(tmp_path):
    for name in ("a.s2p", "b.s2p", "c.s2p"):
        (tmp_path / name).touch()
    return tmp_path


def read(folder, *lines, **more):
    (folder / "log.csv").write_bytes("\n".join(lines).encode())
    names = {name: more.pop(name) for name in ("isolators", "states", "bias_lines", "cooldowns") if name in more}
    return read_log(folder / "log.csv", replace(STUDY, **names), **more)


def test_reads_a_log(folder):
    on, off = read(folder, "# taken on a Monday", HEADER, "", ON, "#" + ON, OFF + "\r", cooldowns=["first"])
    assert on == LogRow(4, "a.s2p", "A", True, 1, None, -30.0, 2.1e9, "in", "first", 0, 12.5, (1e-5, -2e-5))
    assert (off.line, off.pump_on, off.pump_port, off.pump_phase_rad, off.state) == (6, False, None, None, "out")
    assert math.isnan(off.pump_power_dbm)
    assert math.isnan(off.pump_frequency_hz)


def test_columns_in_any_order_with_a_free_phase(folder):
    names = HEADER.split(",")
    values = ON.split(",")
    values[names.index("pump_port")] = ""
    table = [*zip(names, values, strict=True), ("pump_phase_deg", "-90")]
    (row,) = read(folder, ",".join(n for n, _ in reversed(table)), ",".join(v for _, v in reversed(table)))
    assert row.pump_port is None
    assert row.pump_phase_rad == -math.pi / 2
    assert row.bias_a == (1e-5, -2e-5)


def test_line_numbers_count_line_ends_inside_quotes(folder):
    # The trace name holds a line end; the next row begins one line later.
    (folder / "x\ny.s2p").touch()
    rows = read(folder, HEADER, ON.replace("a.s2p", '"x\ny.s2p"'), OFF)
    assert [row.line for row in rows] == [2, 4]


FAULTS = {
    "missing trace": (HEADER, ON.replace("a.s2p", "gone.s2p"),
        "2: there is no trace 'gone.s2p' in '{folder}'. Check the name; it is relative to the folder of the traces."),
    "backslash": (HEADER, ON.replace("a.s2p", "x\\a.s2p"), "2: there is no trace 'x\\\\a.s2p' in '{folder}'. Write / between folders."),
    "outside": (HEADER, ON.replace("a.s2p", "../a.s2p"), "2: the trace '../a.s2p' lies outside the folder '{folder}'."
        " Copy it into the folder, or allow traces outside it."),
    "absolute": (HEADER, ON.replace("a.s2p", "/etc/hostname"),
        "2: the trace '/etc/hostname' lies outside the folder '{folder}'. Copy it into the folder, or allow traces outside it."),
    "folder": (HEADER, ON.replace("a.s2p", "./"), "2: './' names a folder, not a trace. Write the name of the trace."),
    "same file": (HEADER, ON, OFF.replace("b.s2p", "./a.s2p"), "3: the trace './a.s2p' is listed already in line 2. Remove one of the rows."),
    "same measurement": (HEADER, ON, ON.replace("a.s2p", "b.s2p"), "3: isolator 'A', setting, state, cooldown and repeat 0 are those of line 2."
        " Number the repeats, or correct the setting."),
    "same measurement, off": (HEADER, OFF, OFF.replace("b.s2p", "c.s2p"),
        "3: isolator 'A', setting, state, cooldown and repeat 0 are those of line 2. Number the repeats, or correct the setting."),
    "isolator": (HEADER, ON.replace(",A,", ",a,"), "2: the isolator 'a' is not in the study. Did you mean 'A'?"),
    "isolator far": (HEADER, ON.replace(",A,", ",third,"), "2: the isolator 'third' is not in the study. Known are: A, B."),
    "state": (HEADER, ON.replace(",in,", ",inn,"), "2: the state 'inn' is not in the study. Did you mean 'in'?"),
    "no cooldown": (HEADER, ON.replace(",first,", ",,"), "2: cooldown is empty. Write its name."),
    "pump": (HEADER, ON.replace(",on,", ",yes,"), "2: pump is 'yes'. Write 'on' or 'off'."),
    "port": (HEADER, ON.replace(",on,1,", ",on,3,"), "2: pump_port is '3'. Write 1 or 2."),
    "no port": (HEADER, ON.replace(",on,1,", ",on,,"),
        "2: the pump is on but neither pump_port nor pump_phase_deg is given. Write port 1 or 2."),
    "port and phase": (HEADER + ",pump_phase_deg", ON + ",90", "2: both pump_port and pump_phase_deg are given. Keep the one that was used."),
    "off with power": (HEADER, OFF.replace(",off,,,,", ",off,,-30,,"),
        "2: the pump is off but pump_power_dbm is '-30'. Leave the pump columns empty, or write 'on'."),
    "no power": (HEADER, ON.replace(",-30,", ",,"), "2: pump_power_dbm is empty. Write a number."),
    "unit": (HEADER, ON.replace(",2.1e9,", ",2.1,"), "2: pump_frequency_hz is 2.1, outside 1e+06 to 1e+13. The column is in Hz, not MHz or GHz."),
    "bias unit": (HEADER, ON.replace(",1e-5,", ",1000,"), "2: bias_east_a is 1000, outside -100 to 100. The column is in A, not mA or uA."),
    "nan": (HEADER, ON.replace(",12.5,", ",nan,"), "2: time_s is 'nan', which is not a number. Write a plain number such as 1.5e-3."),
    "overflow": (HEADER, ON.replace(",12.5,", ",1e999,"), "2: time_s is 1e999, too large to be represented. Correct the number."),
    "decimal comma": (HEADER, ON.replace(",12.5,", ',"12,5",'), "2: time_s is '12,5', with a decimal comma. Write a decimal point."),
    "bare comma": (HEADER, ON.replace("12.5", "12,5"), "2: the row has 13 cells, the header 12."
        " Numbers need a decimal point, not a comma, and text with a comma needs quotes."),
    "short row": (HEADER, ON.removesuffix(",-2e-5"), "2: the row has 11 cells, the header 12. Empty cells need their commas too."),
    "repeat": (HEADER, ON.replace(",0,12.5", ",-1,12.5"), "2: repeat is '-1'. Write a whole number, 0 or more."),
    "missing column": (HEADER.replace(",time_s", ""), ON, "1: the column 'time_s' is missing. Add it to the header and to every row."),
    "double column": (HEADER + ",file", ON, "1: the column 'file' stands twice. Remove one of them."),
    "semicolons": (HEADER.replace(",", ";"), ON, "1: the columns are separated by semicolons."
        " Save the table with commas between the columns and decimal points in the numbers."),
    "open quote": (HEADER, '"' + ON, "2: the table cannot be read (unexpected end of data). Check the quotes."),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_faults_name_file_line_and_remedy(folder, fault):
    *lines, message = FAULTS[fault]
    with pytest.raises(InputError) as caught:
        read(folder, *lines)
    assert str(caught.value) == f"{folder}/log.csv:{message.format(folder=folder)}"


@pytest.mark.parametrize(
    ("old", "new"),
    [(",1e-5,", ",2e-5,"), (",0,12.5", ",1,12.5"), (",in,", ",out,"), (",first,", ",second,"), (",A,", ",B,"),
     (",on,1,", ",on,2,"), (",-30,", ",-31,"), (",2.1e9,", ",2.2e9,")],
)  # fmt: skip
def test_rows_that_differ_in_one_thing_are_not_the_same_measurement(folder, old, new):
    assert len(read(folder, HEADER, ON, ON.replace("a.s2p", "b.s2p").replace(old, new))) == 2


def test_unknown_columns_come_with_a_suggestion_and_all_at_once(folder):
    with pytest.raises(InputError) as caught:
        read(folder, HEADER.replace("bias_west_a", "bias_west_ma").replace("time_s", "Time_s"), ON)
    name = f"{folder}/log.csv"
    assert str(caught.value).splitlines() == [
        f"{name}:1: the column 'Time_s' is not known. Did you mean 'time_s'?",
        f"{name}:1: the column 'bias_west_ma' is not known. Did you mean 'bias_west_a'?",
        f"{name}:1: the column 'time_s' is missing. Add it to the header and to every row.",
        f"{name}:1: the column 'bias_west_a' is missing. Add it to the header and to every row.",
    ]


def test_columns_of_the_laboratorys_own_are_kept(folder):
    rows = read(
        folder,
        HEADER + ",temperature_mk,note",
        ON + ',12.5,"warm, again"',
        ON.replace("a.s2p", "b.s2p").replace(",0,", ",1,") + ",,",
    )
    assert [row.own for row in rows] == [
        (("temperature_mk", "12.5"), ("note", "warm, again")),
        (("temperature_mk", ""), ("note", "")),
    ]
    write_log(folder / "again.csv", rows, ["east", "west"])
    text = (folder / "again.csv").read_text().splitlines()
    assert text[0].endswith(",temperature_mk,note")
    assert text[1].endswith(',12.5,"warm, again"')
    with pytest.raises(InputError, match="the column 'bias_north_a' is not known"):
        read(folder, HEADER + ",bias_north_a", ON + ",0")
    with pytest.raises(InputError, match=r"the column 'pump_powr_dbm' is not known\. Did you mean 'pump_power_dbm'"):
        read(folder, HEADER + ",pump_powr_dbm", ON + ",0")


def test_the_same_fault_of_many_rows_is_named_once_and_no_more_than_twelve_are_shown(folder):
    with pytest.raises(InputError) as caught:
        read(folder, HEADER, *[ON.replace(",A,", f",X{k},") for k in range(25)])
    assert str(caught.value) == (
        f"{folder}/log.csv:2: the isolator 'X0' is not in the study (and 24 more rows of this kind). Known are: A, B."
    )
    with pytest.raises(InputError) as caught:
        read(folder, HEADER + "".join(f",bias_x{k}_a" for k in range(25)), ON + 25 * ",0")
    lines = str(caught.value).splitlines()
    assert len(lines) == 13
    assert lines[-1] == "... and 13 more."


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (b"", "log.csv: the log is empty. Write the file again."),
        (b"# nothing\n", "log.csv: the log lists no trace. Write one row per trace below the header."),
        (HEADER.encode(), "log.csv: the log lists no trace. Write one row per trace below the header."),
        (HEADER.encode() + b"\n\xe9", "log.csv:2: the log is not UTF-8 text. Save it as CSV (UTF-8)."),
        (HEADER.encode("utf-16-le"), "log.csv: the log holds zero bytes, it is not CSV text. Save it as CSV (UTF-8)."),
    ],
)
def test_files_that_are_no_log(folder, raw, message):
    (folder / "log.csv").write_bytes(raw)
    with pytest.raises(InputError) as caught:
        read_log(folder / "log.csv", STUDY)
    assert str(caught.value) == f"{folder}/{message}"


def test_links_out_of_the_folder_are_seen_through(folder, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside")
    (outside / "far.s2p").touch()
    (folder / "link.s2p").symlink_to(outside / "far.s2p")
    (folder / "near.s2p").symlink_to("a.s2p")
    (folder / "door").symlink_to(outside)
    for name in ("link.s2p", "door/far.s2p", f"{outside}/far.s2p"):
        line = ON.replace("a.s2p", name)
        with pytest.raises(InputError, match="lies outside the folder"):
            read(folder, HEADER, line)
        (row,) = read(folder, HEADER, line, allow_outside=True)
        assert row.file == name
    with pytest.raises(InputError, match="listed already in line 2"):
        read(folder, HEADER, ON, OFF.replace("b.s2p", "near.s2p"))


def test_a_folder_of_its_own_for_the_traces(folder, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("logs")
    (elsewhere / "log.csv").write_text(f"{HEADER}\n{ON}\n")
    with pytest.raises(InputError, match="there is no trace"):
        read_log(elsewhere / "log.csv", STUDY)
    assert len(read_log(elsewhere / "log.csv", STUDY, folder=folder)) == 1


names = st.text(
    st.characters(codec="utf-8", exclude_characters="\0\r/", exclude_categories=["C", "Z"]), min_size=1, max_size=8
).filter(lambda t: t.strip() == t and t not in (".", "..") and not t.startswith("#") and len(t.encode()) < 200)
finite = st.floats(-99, 99)


@st.composite
def log_rows(draw):
    rows = []
    for repeat, file in enumerate(draw(st.lists(names, min_size=1, max_size=5, unique=True))):
        on = draw(st.booleans())
        port = draw(st.sampled_from([1, 2, None])) if on else None
        phase = draw(st.floats(-6, 6)) if on and port is None else None
        power = draw(finite.filter(lambda x: x < 60)) if on else math.nan
        frequency = draw(st.floats(1e6, 1e12)) if on else math.nan
        rows.append(
            LogRow(repeat + 2, file, draw(st.sampled_from("AB")), on, port, phase, power, frequency,
                   draw(st.sampled_from(["in", "out"])), draw(names), repeat, draw(st.floats(-1e9, 1e9)),
                   (draw(finite), draw(finite)))
        )  # fmt: skip
    return rows


@given(log_rows())
@settings(max_examples=40, deadline=None)
def test_written_logs_read_back_equal(tmp_path_factory, rows):
    folder = tmp_path_factory.mktemp("w")
    for row in rows:
        (folder / row.file).touch()
    write_log(folder / "the log.csv", rows, STUDY.bias_lines)
    back = read_log(folder / "the log.csv", STUDY)
    for a, b in zip(rows, back, strict=True):
        for field in (f.name for f in fields(LogRow) if f.compare):
            x, y = getattr(a, field), getattr(b, field)
            if field == "pump_phase_rad" and x is not None:
                assert y == pytest.approx(x, rel=4e-16, abs=0)
            else:
                assert x == y or (math.isnan(x) and math.isnan(y))


def test_round_phases_come_back_exactly(folder):
    degrees = np.arange(-180, 180.5, 0.5)
    rows = []
    for k, angle in enumerate(degrees.tolist()):
        (folder / f"{k}.s2p").touch()
        phase = math.radians(angle)
        rows.append(LogRow(k + 2, f"{k}.s2p", "A", True, None, phase, -30.0, 2e9, "in", "first", k, 0.0, (0.0, 0.0)))
    write_log(folder / "log.csv", rows, STUDY.bias_lines)
    assert read_log(folder / "log.csv", STUDY) == rows
    with open(folder / "log.csv", newline="") as stream:
        assert [float(row["pump_phase_deg"]) for row in csv.DictReader(stream)] == degrees.tolist()


def test_writing_refuses_rows_with_other_bias_lines(folder):
    rows = read(folder, HEADER, ON)
    before = (folder / "log.csv").read_text()
    with pytest.raises(InputError, match="2 bias currents for 1 bias lines"):
        write_log(folder / "log.csv", rows, ["east"])
    assert (folder / "log.csv").read_text() == before
    assert sorted(os.listdir(folder)) == ["a.s2p", "b.s2p", "c.s2p", "log.csv"]
