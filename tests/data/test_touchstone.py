"""Touchstone reading and writing.

References: IBIS Open Forum, "Touchstone File Format Specification", version 2.0 (24 April 2009), whose examples are
non-reciprocal where it matters; scikit-rf's parser on files that it reads correctly.
"""

import cmath
import io
import math
import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fluxsense.base.errors import InputError
from fluxsense.data.touchstone import Sweep, read_sweep, sweep_from_bytes, write_sweep

# Two-port example with noise data and default options of the specification, version 1 section.
NOISY = b"""! 2-port S-parameter file, default options
#
2 .95 -26 3.57 157 .04 76 .66 -14
22 .60 -144 1.30 40 .14 40 .56 -85
! NOISE PARAMETERS
4 .7 .64 69 .38
18 2.7 .46 -33 .40
"""
HEAD = "# Hz S RI R 50\n"
ROW_1 = "7e9 0 0 .9 0 .1 0 0 0\n"
ROW_2 = "8e9 0 0 .8 0 .2 0 0 0\n"


def polar(magnitude, degrees):
    return cmath.rect(magnitude, math.radians(degrees))


def random_sweep(rng, points=7):
    f = np.cumsum(rng.uniform(1e3, 1e7, points)) + 6e9
    return Sweep(f, rng.normal(size=(points, 2, 2)) + 1j * rng.normal(size=(points, 2, 2)), 50.0)


def test_specification_example_is_read_in_order_and_conjugated():
    sweep = sweep_from_bytes(NOISY, "example.s2p")
    np.testing.assert_allclose(sweep.frequency_hz, [2e9, 22e9])
    assert sweep.reference_ohm == 50.0
    # The file's phasors go as exp(+j w t): 3.57 at 157 degrees = -3.286202+1.394910j for S21, 0.04 at 76 degrees for S12.
    assert sweep.s[0, 1, 0] == pytest.approx(-3.286202 - 1.394910j, abs=1e-6)
    assert sweep.s[0, 0, 1] == pytest.approx(0.009677 - 0.038812j, abs=1e-6)
    assert sweep.s[0, 0, 0] == pytest.approx(polar(0.95, 26))
    assert sweep.s[1, 1, 1] == pytest.approx(polar(0.56, 85))


@pytest.mark.parametrize(("order", "s21", "s12"), [("21_12", -0.9j, -0.01 * -1j), ("12_21", 0.01j, -0.9j)])
def test_version_2_data_order(order, s21, s12):
    # `1 .1 0 .9 90 .01 -90 .1 180`: the first off-diagonal entry is 0.9j, the second -0.01j, before conjugation.
    text = f"""! version 2
[Version] 2.0
# GHz S MA R 50
[Number of Ports] 2
[Two-Port Data Order] {order}
[Number of Frequencies] 1
[Reference] 50
50
[Begin Information]
[Manufacturer] nobody
anything at all
[End Information]
[Network Data]
1 .1 0 .9 90 .01 -90 .1 180
[End]
"""
    sweep = sweep_from_bytes(text.encode(), "x.ts")
    assert sweep.s[0, 1, 0] == pytest.approx(s21)
    assert sweep.s[0, 0, 1] == pytest.approx(s12)
    assert sweep.s[0, 1, 1] == pytest.approx(-0.1)


@pytest.mark.parametrize(
    "line",
    [
        "# Hz S RI R 50",
        "# R 50 S RI Hz",
        "#ri hz r 50 s",
        "# RI R 50.0 HZ",
        "#\tHz\tRI ! R 75 in a comment",
        "# Hz RI R 50 50",
    ],
)
def test_option_line_in_any_legal_order(line):
    sweep = sweep_from_bytes(f"! c\n\n{line}\n{ROW_1}{ROW_2}".encode(), "x.s2p")
    np.testing.assert_array_equal(sweep.frequency_hz, [7e9, 8e9])
    assert (sweep.s[0, 1, 0], sweep.s[0, 0, 1]) == (0.9, 0.1)


@pytest.mark.parametrize("unit", [("kHz", 1e3), ("MHZ", 1e6), ("ghz", 1e9)])
@pytest.mark.parametrize("form", ["RI", "MA", "DB"])
def test_units_and_formats_give_the_same_sweep(unit, form):
    value = 0.3 - 0.4j
    a, b = {
        "RI": (0.3, -0.4),
        "MA": (0.5, math.degrees(cmath.phase(value))),
        "DB": (20 * math.log10(0.5), math.degrees(cmath.phase(value))),
    }[form]
    zero = (-400, 0) if form == "DB" else (0, 0)
    numbers = [7e9 / unit[1], *zero, a, b, *zero, *zero]
    text = f"# {unit[0]} S {form} R 75\n" + " ".join(map(repr, numbers))
    sweep = sweep_from_bytes(text.encode(), "x.s2p")
    assert sweep.frequency_hz[0] == pytest.approx(7e9, rel=1e-15)
    assert sweep.s[0, 1, 0] == pytest.approx(value.conjugate(), rel=1e-14)
    assert abs(sweep.s[0, 0, 1]) < 1e-15
    assert sweep.reference_ohm == 75.0


@pytest.mark.parametrize(
    "raw",
    [
        (HEAD + ROW_1 + ROW_2).replace("\n", "\r\n").encode(),
        (HEAD + ROW_1 + ROW_2).replace("\n", "\r").encode(),
        b"\xef\xbb\xbf" + (HEAD + ROW_1 + ROW_2).encode(),
        ("! 20 °C\n" + HEAD + ROW_1 + "\n \n" + ROW_2.strip() + " ! end").encode("latin-1"),
        (HEAD + "7e9 0 0 .9 0\n .1 0 0 0 ! continued\n" + ROW_2).encode(),
        (HEAD + ROW_1 + HEAD + ROW_2 + "\x1a").encode(),
    ],
    ids=["crlf", "cr", "utf-8 mark", "latin-1 comment", "row on two lines", "option line twice, DOS end mark"],
)
def test_legal_variants(raw):
    sweep = sweep_from_bytes(raw, "x.s2p")
    np.testing.assert_array_equal(sweep.frequency_hz, [7e9, 8e9])
    np.testing.assert_array_equal(sweep.s[:, 1, 0], [0.9, 0.8])
    np.testing.assert_array_equal(sweep.s[:, 0, 1], [0.1, 0.2])


EXPORT_ALL = "A row is cut off or the file has another number of ports: export all four S-parameters as .s2p."
OPTIONS = "Write a line such as '# Hz S RI R 50' above the data."
V2 = "[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 2\n[Two-Port Data Order] 21_12\n"
FAULTS = {
    "no option line": (ROW_1, f"x.s2p:1: there is no option line above the data, so unit and format are unknown. {OPTIONS}"),
    "option line below": (ROW_1 + HEAD,
        f"x.s2p:1: there is no option line above the data, so unit and format are unknown. {OPTIONS}"),
    "strange option": ("# Hz S XY R 50\n" + ROW_1, f"x.s2p:1: the option line holds 'XY', which means nothing there. {OPTIONS}"),
    "two units": ("# Hz GHz S RI R 50\n" + ROW_1,
        "x.s2p:1: the option line states the frequency unit twice, HZ and GHZ. Keep one of them."),
    "R without number": ("# Hz S RI R\n" + ROW_1, f"x.s2p:1: R stands in the option line without a number. {OPTIONS}"),
    "R zero": ("# Hz S RI R 0\n" + ROW_1, f"x.s2p:1: the reference resistance 0 ohm is not positive. {OPTIONS}"),
    "two references": ("# Hz S RI R 50 75\n" + ROW_1, "x.s2p:1: the two ports have different reference resistances, 50 and 75 ohm."
        " Renormalise both ports to one resistance and export again."),
    "Z-parameters": ("# Hz Z RI R 50\n" + ROW_1,
        "x.s2p:1: the trace holds Z-parameters, S-parameters are needed. Export the sweep again as S-parameters."),
    "contradiction": (HEAD + ROW_1 + "# GHz S RI R 50\n" + ROW_2,
        "x.s2p:3: a second option line contradicts the first. Keep one option line; put each sweep in a file of its own."),
    "header only": ("! sweep\n" + HEAD, "x.s2p: there is a header but no data below it. Export the sweep again."),
    "comments only": ("! sweep\n", "x.s2p: the trace holds nothing but comments. Export the sweep again."),
    "falling": (HEAD + ROW_2 + ROW_1, "x.s2p:3: the frequency 7e9 falls below the one before it, 8e9."
        " Frequencies must increase from row to row: sweep upwards and keep one sweep per file."),
    "repeated": (HEAD + ROW_1 + ROW_1, "x.s2p:3: the frequency 7e9 repeats the one before it, 7e9."
        " Frequencies must increase from row to row: sweep upwards and keep one sweep per file."),
    "nan": (HEAD + ROW_1 + ROW_2.replace(".8", "NaN"),
        "x.s2p:3: 'NaN' is not a finite number. Measure the sweep again, or take it out of the log."),
    "overflow": (HEAD + ROW_1.replace(".9", "1e999"),
        "x.s2p:2: '1e999' is not a finite number. Measure the sweep again, or take it out of the log."),
    "decibel overflow": ("# Hz S DB R 50\n" + ROW_1.replace(".9", "1e9"),
        "x.s2p:2: a value is too large to be represented. Check that the data are in the form DB that the option line states."),
    "cut in the middle": (HEAD + "7e9 0 0 .9 0 .1 0\n" + ROW_2,
        f"x.s2p:2: a row holds 9 numbers (frequency and four pairs), here 7 stand. {EXPORT_ALL}"),
    "even count": (HEAD + ROW_1 + "8e9 0 0 .8 0 .2 0 0\n",
        f"x.s2p:3: a row holds 9 numbers (frequency and four pairs), here 8 stand. {EXPORT_ALL}"),
    "cut at the end": (HEAD + ROW_1 + "8e9 0 0 .8 0 .2 0", "x.s2p:3: the last row is cut off, it holds 7 of 9 numbers."
        " Copy or export the file again."),
    "cut inside a number": (HEAD + ROW_1 + "8e9 0 0 .8 0 .2e", "x.s2p:3: '.2e' is not a number."
        " Comments begin with '!'; export the sweep again."),
    "one-port": (HEAD + "7e9 .1 0\n8e9 .1 0\n9e9 .1 0\n",
        "x.s2p:2: the row holds 3 numbers, as in a one-port file. Export S11, S21, S12 and S22 as .s2p."),
    "three-port": (HEAD + "7e9 0 0 0 0 0 0\n0 0 0 0 0 0\n0 0 0 0 0 0\n",
        f"x.s2p:2: a row holds 9 numbers (frequency and four pairs), here 13 stand. {EXPORT_ALL}"),
    "four-port": (HEAD + "7e9 0 0 0 0 0 0 0 0\n" + 3 * "0 0 0 0 0 0 0 0\n",
        f"x.s2p:3: a row holds 9 numbers (frequency and four pairs), here 8 stand. {EXPORT_ALL}"),
    "decimal comma": (HEAD + "7e9 0 0 0,9 0 0,1 0 0 0\n", "x.s2p:2: '0,9' has a decimal comma. Export with a decimal point."),
    "commas between": (HEAD + "7e9,0,0,.9,0,.1,0,0,0\n",
        "x.s2p:2: '7e9,0,0,.9,0,.1,0,0,0' is not a number; commas or semicolons seem to separate the columns."
        " Separate the columns by spaces."),
    "Fortran exponent": (HEAD + ROW_1.replace("7e9", "7.0D9"), "x.s2p:2: '7.0D9' has an exponent written with D."
        " Write the exponent with E."),
    "digit separator": (HEAD + ROW_1.replace("7e9", "7_000_000_000"),
        "x.s2p:2: '7_000_000_000' is not a number. Comments begin with '!'; export the sweep again."),
    "other digits": (HEAD + ROW_1.replace("7e9", "٧"), "x.s2p:2: '٧' is not a number. Comments begin with '!'; export the sweep again."),
    "wrong unit": ("#\n7000000000 .1 0 .9 0 .1 0 .1 0\n", "x.s2p:2: the frequency 7000000000 GHZ is 7e+18 Hz."
        " The unit in the option line does not fit the data (the default is GHz)."),
    "negative frequency": (HEAD + "-" + ROW_1, "x.s2p:2: the frequency -7e9 is negative. Export the sweep again."),
    "negative magnitude": ("# Hz S MA R 50\n7e9 0 0 -.9 .1 .1 0 0 0\n", "x.s2p:2: the magnitude -.9 is negative."
        " If the data are real and imaginary parts, write RI in the option line."),
    "noise then data": (HEAD + ROW_1 + "6e9 1 2 3 4\n" + ROW_2, "x.s2p:4: a noise line holds five numbers, this one 9."
        " If line 3 was meant to be network data, it is cut off: export the sweep again."),
    "noise out of order": (HEAD + ROW_1 + "6e9 1 2 3 4\n5e9 1 2 3 4\n",
        "x.s2p:4: the frequency of the noise data does not increase. Remove the noise data or put them in order."),
    "text pickle": ("cposix\nsystem\n(S'true'\ntR.", "x.s2p:1: 'cposix' is not a number."
        " Comments begin with '!'; export the sweep again."),
    "keyword in version 1": (HEAD + "[Number of Ports] 2\n" + ROW_1,
        "x.s2p:2: the keyword [Number of Ports] stands in a file without [Version]."
        " Begin the file with '[Version] 2.0', or remove the keywords."),
    "keyword first": ("[Network Data]\n" + ROW_1, "x.s2p:1: the keyword [Network Data] stands before [Version]."
        " Begin the file with '[Version] 2.0', or remove the keywords."),
    "no data order": ("[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 2\n[Network Data]\n" + ROW_1,
        "x.s2p: [Two-Port Data Order] is missing, so S21 and S12 cannot be told apart."
        " Add '[Two-Port Data Order] 21_12' or '12_21', whichever the instrument wrote."),
    "no number of ports": ("[Version] 2.0\n# Hz S RI R 50\n[Two-Port Data Order] 21_12\n[Network Data]\n" + ROW_1,
        "x.s2p: [Number of Ports] is missing. Add '[Number of Ports] 2'."),
    "three ports": (V2.replace("Ports] 2", "Ports] 3"),
        "x.s2p:3: the file has 3 port(s), two are needed. Export S11, S21, S12 and S22 as a two-port."),
    "version 3": ("[Version] 3.0\n", "x.s2p:1: version '3.0' is not known. Export as version 1.0, 2.0 or 2.1."),
    "half a matrix": (V2 + "[Matrix Format] Lower\n",
        "x.s2p:5: [Matrix Format] Lower makes S12 and S21 equal, which hides the direction. Export the full matrix."),
    "mixed mode": (V2 + "[Mixed-Mode Order] D1,2 C1,2\n",
        "x.s2p:5: mixed-mode parameters are not ports. Export single-ended S-parameters."),
    "unknown keyword": (V2 + "[Colour] red\n",
        "x.s2p:5: the keyword [colour] is not known. Export the sweep as a version 1 file."),
    "frequencies missing": (V2 + "[Number of Frequencies] 2\n[Network Data]\n" + ROW_1,
        "x.s2p: [Number of Frequencies] states 2, the file holds 1. The file is cut off or was edited: export the sweep again."),
    "two v2 references": (V2 + "[Reference] 50\n75\n[Network Data]\n" + ROW_1,
        "x.s2p: the two ports have different reference resistances, 50 and 75 ohm."
        " Renormalise both ports to one resistance and export again."),
    "numbers above": (V2 + ROW_1, "x.s2p:5: numbers stand above [Network Data]. Put [Network Data] above the first row."),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_faults_name_file_line_and_remedy(fault):
    text, message = FAULTS[fault]
    with pytest.raises(InputError) as caught:
        sweep_from_bytes(text.encode(), "x.s2p")
    assert str(caught.value) == message


def test_binary_files_are_never_opened(tmp_path):
    class Trap:
        def __reduce__(self):
            return (open, (str(tmp_path / "sprung"), "w"))

    for protocol in range(pickle.HIGHEST_PROTOCOL + 1):
        path = tmp_path / "trap.s2p"
        path.write_bytes(pickle.dumps(Trap(), protocol=protocol))
        with pytest.raises(InputError):
            read_sweep(path)
    assert not (tmp_path / "sprung").exists()
    with pytest.raises(InputError, match="binary file, not Touchstone text"):
        sweep_from_bytes(b"\x1f\x8b\x08\x00", "x.s2p")
    with pytest.raises(InputError, match="UTF-16"):
        sweep_from_bytes((HEAD + ROW_1).encode("utf-16"), "x.s2p")


def test_files_that_cannot_be_read(tmp_path, monkeypatch):
    with pytest.raises(InputError, match=r"gone\.s2p: there is no such trace"):
        read_sweep(tmp_path / "gone.s2p")
    with pytest.raises(InputError, match="this is a folder"):
        read_sweep(tmp_path)
    (tmp_path / "empty.s2p").touch()
    with pytest.raises(InputError, match=r"empty\.s2p: the trace is empty"):
        read_sweep(tmp_path / "empty.s2p")
    (tmp_path / "x.s4p").write_text(HEAD + ROW_1)
    with pytest.raises(InputError, match=r"the extension \.s4p promises 4 port"):
        read_sweep(tmp_path / "x.s4p")
    monkeypatch.setattr("fluxsense.data.touchstone.FILE_LIMIT_BYTES", 10)
    (tmp_path / "long.s2p").write_text(HEAD + ROW_1)
    with pytest.raises(InputError, match="more than the limit"):
        read_sweep(tmp_path / "long.s2p")


def test_round_trip_is_exact_and_the_file_holds_the_conjugate(tmp_path):
    rng = np.random.default_rng(1)
    sweep = random_sweep(rng)
    path = tmp_path / "a.s2p"
    write_sweep(path, sweep, comments=["two\nlines", "state in"], digits=17)
    back = read_sweep(path)
    np.testing.assert_array_equal(back.frequency_hz, sweep.frequency_hz)
    np.testing.assert_array_equal(back.s, sweep.s)
    lines = path.read_text().splitlines()
    assert lines[:4] == ["! two", "! lines", "! state in", "# HZ S RI R 50"]
    row = np.array(lines[4].split(), dtype=float)
    order = [sweep.s[0, 0, 0], sweep.s[0, 1, 0], sweep.s[0, 0, 1], sweep.s[0, 1, 1]]
    np.testing.assert_array_equal(row[1::2] - 1j * row[2::2], order)
    assert [p.name for p in tmp_path.iterdir()] == ["a.s2p"]


def test_positive_delay_has_falling_phase_in_the_file_and_rising_inside(tmp_path):
    # A line of delay tau is exp(-i w tau) for exp(+j w t) and exp(+i w tau) for exp(-i w t).
    tau = 1e-9
    f = np.linspace(7e9, 7.05e9, 11)
    s = np.zeros((11, 2, 2), dtype=complex)
    s[:, 1, 0] = np.exp(2j * np.pi * f * tau)
    write_sweep(tmp_path / "line.s2p", Sweep(f, s))
    from skrf.io.touchstone import Touchstone

    outside = Touchstone(str(tmp_path / "line.s2p")).s[:, 1, 0]
    assert np.all(np.diff(np.unwrap(np.angle(outside))) < 0)
    assert np.all(np.diff(np.unwrap(np.angle(read_sweep(tmp_path / "line.s2p").s[:, 1, 0]))) > 0)


@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.integers(3, 17))
@settings(max_examples=40, deadline=None)
def test_round_trip_within_the_digits_written(tmp_path_factory, seed, points, digits):
    sweep = random_sweep(np.random.default_rng(seed), points)
    path = tmp_path_factory.mktemp("w") / "a.s2p"
    write_sweep(path, sweep, digits=digits)
    back = read_sweep(path)
    np.testing.assert_array_equal(back.frequency_hz, sweep.frequency_hz)
    # half a unit of the last decimal digit when writing, half a unit of the last binary place when reading
    np.testing.assert_allclose(back.s.view(float), sweep.s.view(float), rtol=0.5 * 10.0 ** (1 - digits) + 2.0**-52)


@given(st.integers(0, 2**32 - 1), st.sampled_from(["RI", "MA", "DB"]), st.sampled_from(["Hz", "kHz", "MHz", "GHz"]))
@settings(max_examples=40, deadline=None)
def test_agrees_with_the_parser_alone_on_plain_files(seed, form, unit):
    from skrf.io.touchstone import Touchstone

    rng = np.random.default_rng(seed)
    f = np.cumsum(rng.uniform(0.1, 2.0, 5))
    rows = np.column_stack([f, rng.uniform(0.01, 1.0, (5, 8))])
    text = f"# {unit} S {form} R 50\n" + "\n".join(" ".join(f"{x:.9g}" for x in row) for row in rows) + "\n"
    stream = io.StringIO(text)
    stream.name = "x.s2p"
    reference = Touchstone(stream)
    sweep = sweep_from_bytes(text.encode(), "x.s2p")
    np.testing.assert_array_equal(sweep.frequency_hz, reference.f)
    np.testing.assert_array_equal(sweep.s, reference.s.conj())


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_damaged_files_raise_nothing_but_input_errors(data):
    pieces = list(NOISY + V2.encode())
    for _ in range(data.draw(st.integers(1, 6))):
        place = data.draw(st.integers(0, len(pieces) - 1))
        pieces[place : place + data.draw(st.integers(0, 12))] = data.draw(st.binary(max_size=4))
        if not pieces:
            pieces = [35]
    try:
        sweep = sweep_from_bytes(bytes(pieces), "x.s2p")
    except InputError as fault:
        text, sweep = str(fault), None
    if sweep is None:
        assert text.startswith("x.s2p")
    else:
        assert np.isfinite(sweep.s).all()
        assert np.all(np.diff(sweep.frequency_hz) > 0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"frequency_hz": np.array([2e9, 1e9])}, "frequencies must increase"),
        ({"frequency_hz": np.array([1e9])}, r"shapes \(F,\) and \(F, 2, 2\)"),
        ({"s": np.full((2, 2, 2), np.nan + 0j)}, "not finite"),
        ({"reference_ohm": 0.0}, "must be positive"),
    ],
)
def test_bad_sweeps_are_not_written_and_the_old_file_stays(tmp_path, change, message):
    path = tmp_path / "a.s2p"
    path.write_text("old")
    fields = {"frequency_hz": np.array([1e9, 2e9]), "s": np.zeros((2, 2, 2), complex), "reference_ohm": 50.0} | change
    with pytest.raises(InputError, match=message):
        write_sweep(path, Sweep(**fields))
    assert path.read_text() == "old"


def test_writing_refuses_bad_comments_digits_and_folders(tmp_path):
    sweep = random_sweep(np.random.default_rng(0))
    with pytest.raises(InputError, match="not plain ASCII"):
        write_sweep(tmp_path / "a.s2p", sweep, comments=["20 °C"])
    with pytest.raises(InputError, match="digits must be 1 to 17"):
        write_sweep(tmp_path / "a.s2p", sweep, digits=0)
    with pytest.raises(InputError, match="the file cannot be written"):
        write_sweep(tmp_path / "gone" / "a.s2p", sweep)
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError, match="the file cannot be written"):
        write_sweep(tmp_path / "folder", sweep)
    assert [p.name for p in tmp_path.iterdir()] == ["folder"]


def test_what_is_read_cannot_be_edited():
    sweep = sweep_from_bytes(NOISY, "x.s2p")
    with pytest.raises(ValueError, match="read-only"):
        sweep.s[0] = 0
