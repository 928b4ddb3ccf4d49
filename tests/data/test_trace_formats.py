"""Traces as tables and arrays: the same campaign in every form gives the same digest, and wrong mappings are named.

The files are written here by numpy, h5py and the csv module, not by the package; phasors are exp(+j w t), as in Touchstone
files.  What tells degrees from radians, dB from magnitudes is stated beside each case (common practice, no source).
"""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

import h5py
import numpy as np
import pytest
from conftest import run
from small_study import small_study, study_text

from fluxsense import check
from fluxsense.base.errors import InputError
from fluxsense.data.campaign import campaign_rows, load_campaign
from fluxsense.data.noise_levels import measure_noise
from fluxsense.data.touchstone import read_sweep, write_sweep
from fluxsense.data.traces import Traces
from fluxsense.jobs.simulate import draw_truth, write_campaign
from fluxsense.study import Study, TraceForm, read_study

PORTS = {"s21": (1, 0), "s12": (0, 1), "s11": (0, 0), "s22": (1, 1)}
Arrays = Mapping[str, np.ndarray]


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A simulated campaign whose Touchstone files hold every digit."""
    study = small_study(tmp_path_factory.mktemp("touchstone"), points=15, repeats=2)
    write_campaign(study, draw_truth(study, 5), study.folder, digits=17)
    return study


def as_csv(path: Path, arrays: Arrays) -> None:
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(arrays)
        writer.writerows(zip(*(x.tolist() for x in arrays.values()), strict=True))


def as_plain_table(path: Path, arrays: Arrays) -> None:
    """As numpy.savetxt writes it: names in a comment, blanks between columns."""
    np.savetxt(path, np.column_stack(list(arrays.values())), header=" ".join(arrays), fmt="%.18e")


def as_hdf5(path: Path, arrays: Arrays) -> None:
    with h5py.File(path, "w") as file:
        for name, values in arrays.items():
            file.create_dataset(f"run/{name}", data=values, compression="gzip")


def as_npz(path: Path, arrays: Arrays) -> None:
    np.savez_compressed(path, **arrays)


FILES: dict[str, tuple[str, Callable[[Path, Arrays], None], str, str]] = {
    "csv": ("csv", as_csv, ".csv", ""),
    "table": ("csv", as_plain_table, ".txt", ""),
    "hdf5": ("hdf5", as_hdf5, ".h5", "run/"),
    "npz": ("npz", as_npz, ".npz", ""),
}
"""Format in the study, writer, extension, what stands before each name."""

PARTS: dict[str, Callable[[np.ndarray], dict[str, np.ndarray]]] = {
    "real and imaginary": lambda s: {"re": s.real, "im": s.imag},
    "complex": lambda s: {"c": s},
    "magnitude and degrees": lambda s: {"mag": abs(s), "deg": np.degrees(np.angle(s))},
    "magnitude and radians": lambda s: {"mag": abs(s), "rad": np.unwrap(np.angle(s))},
    "dB and degrees": lambda s: {"dB": 20 * np.log10(abs(s)), "deg": np.degrees(np.unwrap(np.angle(s)))},
    "dB and radians": lambda s: {"dB": 20 * np.log10(abs(s)), "rad": np.angle(s)},
}


def restated(measured: Study, folder: Path, file: str, numbers: str, unit: str = "GHz", **more: str) -> Study:
    """The same campaign in another form, with the study that says so."""
    form, write, extension, before = FILES[file]
    scale = {"GHz": 1e9, "MHz": 1e6, "kHz": 1e3, "Hz": 1.0}[unit]
    (folder / "traces").mkdir(parents=True)
    for row in campaign_rows(measured):
        sweep = read_sweep(measured.folder / row.file)
        arrays = {"f": sweep.frequency_hz / scale}
        for port, (i, j) in PORTS.items():
            arrays |= {f"{port}_{x}": v for x, v in PARTS[numbers](np.conj(sweep.s[:, i, j])).items()}
        write(folder / row.file.replace(".s2p", extension), arrays)
    log = measured.log.read_text().replace(".s2p", extension)
    (folder / "log.csv").write_text(log)
    ends = list(PARTS[numbers](np.ones(1, complex)))
    lines = [f'format = "{form}"', f'frequency = "{before}f"', f'frequency_unit = "{unit}"', f'numbers = "{numbers}"']
    for port in PORTS:
        names = ", ".join(f'"{before}{port}_{x}"' for x in ends)
        lines.append(f"{port} = [{names}]")
    lines += [f"{key} = {value}" for key, value in more.items()]
    text = study_text(points=15, repeats=2, extra="\n[traces]\n" + "\n".join(lines) + "\n")
    (folder / "study.toml").write_text(text)
    return read_study(folder / "study.toml")


@pytest.mark.parametrize("numbers", PARTS)
@pytest.mark.parametrize("file", FILES)
def test_the_same_campaign_in_every_form(measured: Study, tmp_path: Path, file: str, numbers: str) -> None:
    if file == "table" and numbers == "complex":
        pytest.skip("numpy.savetxt has a notation of its own for complex numbers")
    unit = {"csv": "GHz", "table": "MHz", "hdf5": "Hz", "npz": "kHz"}[file]
    theirs = load_campaign(restated(measured, tmp_path / "x", file, numbers, unit))
    ours = load_campaign(measured)
    assert list(ours) == list(theirs)
    for key, group in ours.items():
        np.testing.assert_allclose(theirs[key].frequency_hz, group.frequency_hz, rtol=1e-12)
        np.testing.assert_allclose(theirs[key].mean, group.mean, rtol=0, atol=1e-12)
        for name in ("scatter", "band", "node_hermitian", "node_complementary"):
            np.testing.assert_allclose(getattr(theirs[key], name), getattr(group, name), rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(theirs[key].blocks.time_s, group.blocks.time_s)


def test_without_reflections_and_picked_from_a_matrix(measured: Study, tmp_path: Path) -> None:
    """Only transmission was recorded; one dataset holds all of it, (2, F)."""
    (tmp_path / "traces").mkdir()
    for row in campaign_rows(measured):
        sweep = read_sweep(measured.folder / row.file)
        with h5py.File(tmp_path / row.file.replace(".s2p", ".h5"), "w") as file:
            file["axis"] = sweep.frequency_hz
            file["S"] = np.conj(np.stack([sweep.s[:, 1, 0], sweep.s[:, 0, 1]]))
    (tmp_path / "log.csv").write_text(measured.log.read_text().replace(".s2p", ".h5"))
    lines = '\n[traces]\nformat = "hdf5"\nfrequency = "axis"\nnumbers = "complex"\ns21 = "S[0, :]"\ns12 = "S[1, :]"\n'
    (tmp_path / "study.toml").write_text(study_text(points=15, repeats=2, extra=lines))
    study = read_study(tmp_path / "study.toml")
    ours, theirs = load_campaign(measured), load_campaign(study)
    for key, group in ours.items():
        np.testing.assert_array_equal(theirs[key].mean[1:3], group.mean[1:3])
        assert not theirs[key].mean[[0, 3]].any()
    noise = study.noise
    levels = [measure_noise(x, noise.white, noise.gain_drift, noise.phase_drift_rad) for x in (ours, theirs)]
    key = next(iter(ours))
    np.testing.assert_allclose(levels[1].white[key], levels[0].white[key], rtol=1e-12)
    assert check(study).document["traces"]["rows"] == len(campaign_rows(study))


def test_every_command_takes_them(measured: Study, tmp_path: Path) -> None:
    """The one loader serves them: a simulated campaign in the study's own form, checked, inferred and followed."""
    study = restated(measured, tmp_path / "x", "npz", "dB and degrees")
    assert run(["check", study.path]).code == 0
    folder = tmp_path / "simulated"
    folder.mkdir()
    assert run(["simulate", study.path, "--out", folder, "--seed", "4"]).code == 0
    assert next((folder / "traces").iterdir()).suffix == ".npz"
    assert load_campaign(read_study(folder / "study.toml")).sweeps == load_campaign(study).sweeps
    out = run(["orient", study.path, "--no-report", "--effective", "100", "--json"])
    assert out.code in (0, 1), out.err
    out = run(["follow", study.path, "--once", "--no-report", "--json"])
    assert out.code in (0, 1), out.err


@pytest.mark.parametrize("numbers", PARTS)
@pytest.mark.parametrize("form", ["csv", "hdf5", "npz"])
def test_what_the_package_writes_it_reads(measured: Study, tmp_path: Path, form: str, numbers: str) -> None:
    count = len(PARTS[numbers](np.ones(1, complex)))
    names = {p: tuple(f"{p} {n}" for n in range(count)) for p in PORTS}
    traces = Traces(str(tmp_path), TraceForm(form, "f", 1e6, numbers, **names, reference_ohm=75.0))
    sweep = read_sweep(measured.folder / campaign_rows(measured)[0].file)
    traces.write("one", sweep)
    back = traces.read("one")
    np.testing.assert_allclose(back.s, sweep.s, rtol=0, atol=1e-14)
    np.testing.assert_allclose(back.frequency_hz, sweep.frequency_hz, rtol=1e-15)
    assert back.reference_ohm == 75.0


# ---------------------------------------------------------------- wrong mappings, wrong files

F = np.linspace(4.9, 5.1, 21)
S = np.exp(1j * np.linspace(0, 9, 21)) * np.linspace(0.2, 0.9, 21)
GOOD = {"f": F, "a": S.real, "b": S.imag, "c": S.real[::-1], "d": S.imag[::-1]}
FORM = TraceForm("csv", "f", 1e9, "real and imaginary", ("a", "b"), ("c", "d"))


def csv_bytes(arrays: Arrays) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(arrays)
    writer.writerows(zip(*(x.tolist() for x in arrays.values()), strict=True))
    return out.getvalue().encode()


def spoilt(column: str, row: int, value: float) -> bytes:
    return csv_bytes(GOOD | {column: np.where(np.arange(21) == row, value, GOOD[column])})


def polar(size: np.ndarray, angle: np.ndarray) -> bytes:
    return csv_bytes({"f": F, "a": size, "b": angle, "c": size, "d": angle})


def turned(form: TraceForm, **changes: object) -> TraceForm:
    from dataclasses import replace

    return replace(form, **changes)  # type: ignore[arg-type]


CASES: dict[str, tuple[bytes, TraceForm, str]] = {
    "a column that is not there": (
        csv_bytes(GOOD),
        turned(FORM, s21=("A", "b")),
        'x.csv: there is no column "A". The file holds: f, a, b, c, d. The names stand under [traces] in the study.',
    ),
    "GHz numbers as Hz": (
        csv_bytes(GOOD),
        turned(FORM, unit_hz=1.0),
        'x.csv, column "f": the sweep ends at 5.1 Hz, where no such circuit works. State their unit under [traces] in the study, '
        'such as frequency_unit = "GHz".',
    ),
    "MHz numbers as Hz": (
        csv_bytes(GOOD | {"f": 1e3 * F}),
        turned(FORM, unit_hz=1.0),
        'x.csv, column "f": the sweep ends at 5100 Hz, where no such circuit works. State their unit under [traces] in the '
        'study, such as frequency_unit = "GHz".',
    ),
    "NaN": (
        spoilt("b", 3, np.nan),
        FORM,
        'x.csv:5, column "b": nan is not a finite number (1 of 21). Measure the sweep again, or take it out of the log.',
    ),
    "falling frequency": (
        spoilt("f", 7, 4.9),
        FORM,
        'x.csv:9, column "f": the frequency 4.9 falls below the one before it, 4.96. Frequencies must increase: sweep upwards '
        "and keep one sweep per file.",
    ),
    "a negative magnitude": (
        csv_bytes(GOOD),
        turned(FORM, numbers="magnitude and radians"),
        'x.csv:6, column "a": the magnitude -0.0772487 is negative. These look like dB, or like real parts',
    ),
    "radians that are degrees, by a wrap of 360": (
        polar(abs(S), np.linspace(0, 900, 21) % 360),
        turned(FORM, numbers="magnitude and radians"),
        'column "b": the angle steps from 315 to 0, which neither wrapped nor unwrapped radians do. Write "... degrees" for '
        "numbers under [traces] in the study.",
    ),
    "degrees that are radians, by a wrap": (
        polar(abs(S), np.angle(S)),
        turned(FORM, numbers="magnitude and degrees"),
        'x.csv:9, column "b": the angle steps from 2.7 to -3.133 and is never beyond pi, as wrapped radians are. Write "... '
        'radians" for numbers under [traces] in the study.',
    ),
    "degrees in the column of dB": (
        polar(np.linspace(-400, 0, 21), np.angle(S)),
        turned(FORM, numbers="dB and radians"),
        'x.csv:2, column "a": -400 dB is beyond any amplifier and any noise floor.',
    ),
    "a text among the numbers": (
        csv_bytes(GOOD).replace(b"\r\n4.91,", b"\r\n4.91x,"),
        FORM,
        'x.csv:3, column "f": "4.91x" is not a number. Measure the sweep again, or take it out of the log.',
    ),
    "decimal commas between semicolons": (
        csv_bytes(GOOD).replace(b",", b";").replace(b"\n4.91;", b"\n4,91;"),
        FORM,
        'x.csv:3, column "f": "4,91" is not a number. Write a decimal point.',
    ),
    "a row that is cut off": (
        csv_bytes(GOOD)[:-40],
        FORM,
        "x.csv:22: the row has 2 cells, the first one 5. The row is cut off, or numbers have a decimal comma: export the sweep "
        "again.",
    ),
    "real numbers for complex ones": (
        csv_bytes(GOOD),
        turned(FORM, numbers="complex", s21=("a",), s12=("c",)),
        'x.csv, column "a": it holds real numbers, and complex ones are needed. Name two columns',
    ),
    "nothing but a header": (
        b"f,a,b,c,d\n",
        FORM,
        "x.csv: there is a header but no row below it. Export the sweep again.",
    ),
    "another format": (
        csv_bytes(GOOD),
        turned(FORM, format="hdf5"),
        "x.csv: the trace is no HDF5 file, or is damaged.",
    ),
    "another archive": (csv_bytes(GOOD), turned(FORM, format="npz"), "it is no NumPy archive, or is cut off."),
}


@pytest.mark.parametrize("case", CASES)
def test_what_is_wrong_is_said(case: str) -> None:
    raw, form, said = CASES[case]
    with pytest.raises(InputError) as fault:
        Traces("", form).sweep(raw, "x.csv")
    assert said in str(fault.value)


def test_sound_sweeps_are_not_taken_for_others() -> None:
    """Angles that could be either are taken as stated: a degree or two of phase, smooth unwrapped radians beyond a turn."""
    few = Traces("", turned(FORM, numbers="magnitude and degrees")).sweep(polar(abs(S), np.linspace(-3, 3, 21)), "x")
    np.testing.assert_allclose(np.degrees(np.angle(few.s[:, 1, 0])), -np.linspace(-3, 3, 21), atol=1e-12)
    smooth = Traces("", turned(FORM, numbers="magnitude and radians")).sweep(polar(abs(S), np.linspace(0, 40, 21)), "x")
    np.testing.assert_allclose(smooth.s[:, 1, 0], abs(S) * np.exp(-1j * np.linspace(0, 40, 21)), atol=1e-12)
    level = Traces("", turned(FORM, numbers="dB and degrees")).sweep(polar(np.linspace(-1, 1, 21), 90 * F), "x")
    assert abs(level.s[0, 1, 0]) == pytest.approx(10 ** (-1 / 20), rel=1e-12)


def hdf5_bytes(make: Callable[[h5py.File], None]) -> bytes:
    out = io.BytesIO()
    with h5py.File(out, "w") as file:
        for name, values in GOOD.items():
            if name != "a":
                file[name] = values
        make(file)
    return out.getvalue()


def test_nothing_outside_an_hdf5_file_is_opened(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["a"] = GOOD["a"]
    form = turned(FORM, format="hdf5")

    def link(file: h5py.File) -> None:
        file["a"] = h5py.ExternalLink(str(tmp_path / "other.h5"), "a")

    def virtual(file: h5py.File) -> None:
        layout = h5py.VirtualLayout(shape=(21,), dtype=float)
        layout[:] = h5py.VirtualSource(str(tmp_path / "other.h5"), "a", shape=(21,))
        file.create_virtual_dataset("a", layout)

    for make, said in ((link, 'there is no dataset "a"'), (virtual, "the dataset lies in another file")):
        with pytest.raises(InputError, match=said):
            Traces("", form).sweep(hdf5_bytes(make), "x.h5")

    def long(file: h5py.File) -> None:
        file["a"] = GOOD["a"][:-1]

    with pytest.raises(InputError, match=r'x.h5, dataset "b": it holds 21 numbers, "a" 20'):
        Traces("", form).sweep(hdf5_bytes(long), "x.h5")

    def flat(file: h5py.File) -> None:
        file["a"] = np.ones((21, 3))

    with pytest.raises(InputError, match=r"the shape \(21, 3\), and one line of numbers is needed. Pick one"):
        Traces("", form).sweep(hdf5_bytes(flat), "x.h5")


def test_nothing_in_an_archive_is_unpickled() -> None:
    """An object array would run what it holds when it is unpickled; a header may state any size."""
    out = io.BytesIO()
    np.savez(out, **(GOOD | {"a": np.array([{}] * 21, dtype=object)}))
    form = turned(FORM, format="npz")
    with pytest.raises(InputError, match='array "a": the trace cannot be used: it does not hold plain numbers'):
        Traces("", form).sweep(out.getvalue(), "x.npz")
    out = io.BytesIO()
    np.savez(out, **GOOD)
    raw = out.getvalue().replace(b"'shape': (21,), }    ", b"'shape': (210000,), }")
    with pytest.raises(InputError, match="it is cut off, or a checksum does not fit"):
        Traces("", form).sweep(raw, "x.npz")


def test_the_study_says_what_is_wrong_with_a_mapping(tmp_path: Path) -> None:
    cases = {
        'format = "csv"\ns12 = ["a", "b"]': "traces.s21: this entry is missing",
        'format = "csv"\ns21 = "a"\ns12 = ["a", "b"]': '1 name(s), but "real and imaginary" takes 2. Write it like s21 = ["a", "b"]',
        's21 = ["a", "b"]': "A Touchstone file says this itself",
        'format = "csv"\nnumbers = "dB"\ns21 = "a"\ns12 = "b"': '"dB" has no phase, and the study\'s data are complex',
        'format = "xls"': 'Use "touchstone" or "csv" or "hdf5" or "npz"',
        'log = ["a.csv", "b.csv"]\nlog_starts = ["0 h"]': "there are 1 times for 2 logs",
    }
    for lines, said in cases.items():
        (tmp_path / "study.toml").write_text(study_text(extra=f"\n[traces]\n{lines}\n"))
        with pytest.raises(InputError) as fault:
            read_study(tmp_path / "study.toml")
        assert said in str(fault.value), lines


def test_check_names_the_unit_of_a_mapping(measured: Study, tmp_path: Path) -> None:
    """kHz numbers declared as Hz end at 5 MHz, MHz as kHz at 5 MHz too: refused; GHz as MHz and the like are off the band."""
    study = restated(measured, tmp_path / "x", "npz", "complex", "GHz")
    text = study.path.read_text().replace('frequency_unit = "GHz"', 'frequency_unit = "MHz"')
    study.path.write_text(text)
    with pytest.raises(InputError, match="where no such circuit works"):
        load_campaign(read_study(study.path))
    found = run(["check", study.path])
    assert found.code == 1
    assert (
        "The unit in frequency_unit under [traces] does not fit the numbers, which are 1000 times smaller" in found.out
    )


# ---------------------------------------------------------------- several days


def days(
    measured: Study, folder: Path, *, second_cooldown: str = "c1", shift_s: float = 0.0, traces: str = ""
) -> Study:
    """Two logs in folders of their own, the sweeps of each state's second repeat on the second day."""
    rows = measured.log.read_text().splitlines()
    header, cells = rows[0].split(","), [x.split(",") for x in rows[1:]]
    repeat, time, cooldown, file = (header.index(x) for x in ("repeat", "time_s", "cooldown", "file"))
    first = [x for x in cells if x[repeat] == "1"]
    second = [list(x) for x in cells if x[repeat] == "2"]
    for row in second:
        row[time] = repr(float(row[time]) + shift_s)
        row[cooldown] = second_cooldown
        row[repeat] = "1"
    for name, part in (("monday", first), ("tuesday", second)):
        (folder / name / "traces").mkdir(parents=True)
        for row in part:
            shutil.copy(measured.folder / row[file], folder / name / row[file])
        lines = [rows[0], *(",".join(x) for x in part)]
        (folder / name / "log.csv").write_text("\n".join(lines) + "\n")
    extra = f'\n[traces]\nlog = ["monday/log.csv", "tuesday/log.csv"]\n{traces}\n'
    (folder / "study.toml").write_text(study_text(points=15, repeats=2, extra=extra))
    return read_study(folder / "study.toml")


def test_two_days_of_one_cooldown_are_one_campaign(measured: Study, tmp_path: Path) -> None:
    """Sweeps of one cooldown in two logs are the very groups of one log."""
    study = days(measured, tmp_path, shift_s=86400.0)
    whole, ours = load_campaign(measured), load_campaign(study)
    assert list(whole) == list(ours)
    for key, group in whole.items():
        assert ours[key].count == group.count
        np.testing.assert_allclose(ours[key].mean, group.mean, rtol=0, atol=1e-15)
        assert ours[key].blocks.time_s.max() > 86400
    rows = campaign_rows(study)
    assert {r.log for r in rows} == {"monday/log.csv", "tuesday/log.csv"}
    assert check(study).document["traces"]["rows"] == len(rows)


def test_two_cooldowns_stay_apart(measured: Study, tmp_path: Path) -> None:
    ours = load_campaign(days(measured, tmp_path, second_cooldown="c2", shift_s=86400.0))
    assert len(ours) == 2 * len(load_campaign(measured))
    assert {key.cooldown for key in ours} == {"c1", "c2"}


def test_a_clock_that_was_set_back_is_named_and_mended(measured: Study, tmp_path: Path) -> None:
    study = days(measured, tmp_path / "a")
    with pytest.raises(InputError) as fault:
        campaign_rows(study)
    assert "tuesday/log.csv: its times (" in str(fault.value)
    assert "overlap those of monday/log.csv" in str(fault.value)
    assert 'log_starts = ["0 h", "26 h"]' in str(fault.value)
    mended = days(measured, tmp_path / "b", traces='log_starts = ["0 h", "26 h"]')
    assert load_campaign(mended)[next(iter(load_campaign(mended)))].blocks.time_s.max() > 26 * 3600


def test_a_trace_in_two_logs_is_named(measured: Study, tmp_path: Path) -> None:
    study = days(measured, tmp_path / "a", shift_s=86400.0)
    log = tmp_path / "a/tuesday/log.csv"
    lines = log.read_text().splitlines()
    name = lines[1].split(",")[0]
    shutil.copy(tmp_path / "a/monday" / campaign_rows(measured)[0].file, tmp_path / "a/tuesday" / name)
    with pytest.raises(InputError) as fault:  # the copy under another name is found by its content
        load_campaign(study)
    assert f"tuesday/{name}: the trace is a copy of 'monday/traces/" in str(fault.value)
    log.write_text("\n".join([lines[0], "../monday/" + lines[1].replace("_002", "_001"), *lines[2:]]) + "\n")
    (tmp_path / "a/study.toml").write_text(study.path.read_text() + "allow_outside = true\n")
    with pytest.raises(InputError, match=r"tuesday/log.csv:2: the trace .* is listed already in monday/log.csv:\d+"):
        load_campaign(read_study(study.path))


def test_follow_goes_on_with_the_second_day(measured: Study, tmp_path: Path) -> None:
    from fluxsense.live.follower import Follower

    study = days(measured, tmp_path, shift_s=86400.0)
    whole = load_campaign(study)
    second = tmp_path / "tuesday/log.csv"
    kept = second.read_text()
    second.unlink()
    follower = Follower(study)
    monday = list(follower.poll(last=True))
    second.write_text(kept)
    tuesday = list(follower.poll(last=True))
    assert len(monday) + len(tuesday) == whole.sweeps
    assert not follower.faults
    assert follower.restarts == 0
    assert follower.intake.digest.content_hash() == whole.content_hash()


def test_simulate_writes_one_log(measured: Study, tmp_path: Path) -> None:
    study = days(measured, tmp_path, shift_s=86400.0)
    out = run(["simulate", study.path, "--out", tmp_path / "new"])
    assert out.code == 2
    assert "the study has 2 logs, and a simulated campaign is one" in out.err


def test_touchstone_is_still_written_as_touchstone(measured: Study, tmp_path: Path) -> None:
    sweep = read_sweep(measured.folder / campaign_rows(measured)[0].file)
    Traces(str(tmp_path)).write("a.s2p", sweep, ("x",), 9)
    write_sweep(tmp_path / "b.s2p", sweep, ("x",), 9)
    assert (tmp_path / "a.s2p").read_bytes() == (tmp_path / "b.s2p").read_bytes()


@pytest.mark.parametrize("form", ["csv", "npz"])
def test_damaged_tables_and_archives_give_a_sweep_or_a_sentence(form: str) -> None:
    """Bytes turned, cut out and doubled; HDF5 is left out, since its library does not survive every damage."""
    rng = np.random.default_rng(3)
    out = io.BytesIO()
    np.savez_compressed(out, **GOOD)
    good = csv_bytes(GOOD) if form == "csv" else out.getvalue()
    traces, read = Traces("", turned(FORM, format=form)), 0
    for _ in range(1500):
        raw = bytearray(good)
        for _ in range(rng.integers(1, 4)):
            at = int(rng.integers(len(raw)))
            way = rng.integers(3)
            raw[at : at + 1 + 8 * (way == 1)] = bytes([int(rng.integers(256))] * (0, 0, 5)[way] or [raw[at] ^ 1])
        try:
            sweep = traces.sweep(bytes(raw), "x")
        except InputError as fault:
            said = str(fault)
        else:
            said = "read." if np.isfinite(sweep.s).all() else "not finite"
            read += 1
        assert said.endswith(".")
    assert read > 3


def test_the_page_of_examples_can_be_used(tmp_path: Path) -> None:
    """Each mapping on the page is read as a study's section, and what it says comes back from a file written by it."""
    page = (Path(__file__).parents[2] / "examples" / "traces.md").read_text()
    blocks = re.findall(r"```toml\n(.*?)```", page, flags=re.DOTALL)
    assert len(blocks) == 4
    for block in blocks:
        (tmp_path / "study.toml").write_text(study_text(extra="\n" + block))
        study = read_study(tmp_path / "study.toml")
        assert len(study.logs) == 2 or study.form.format in block
    assert study.log_starts_s == (0.0, 26 * 3600.0)
