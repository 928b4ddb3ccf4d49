"""Every command as a user runs it: what it prints, what it writes, how it ends, and what it says of unusable input.

The bad inputs are made from one good campaign by the slips that people and instruments make.  For each the sentence is
given in full ("golden text"), standard output stays empty, the exit code is 2 and no file appears or changes.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tomllib
from dataclasses import replace
from itertools import takewhile
from pathlib import Path

import numpy as np
import pytest
from conftest import Measured, Outcome, run
from document_types import misfits
from small_study import small_study

import fluxsense
from fluxsense.base.errors import InputError
from fluxsense.base.units import parse_quantity
from fluxsense.cli import FILES
from fluxsense.jobs.simulate import draw_truth, truth_text
from fluxsense.report.documents import CheckDocument, SimulationDocument
from fluxsense.report.lines import answer_lines
from fluxsense.study import Table, read_study

ROOT = Path(__file__).parents[2]
STARTER = Path(fluxsense.__file__).with_name("starter.toml")


def python(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def one_document(outcome: Outcome) -> dict:
    """The one JSON document on standard output; anything beside it, there or on standard error, fails."""
    assert outcome.err == ""
    document, end = json.JSONDecoder().raw_decode(outcome.out)
    assert outcome.out[end:] == "\n"
    return document


# ---------------------------------------------------------------- help, start


def test_help_as_a_user_asks_for_it():
    done = subprocess.run([sys.executable, "-m", "fluxsense", "--help"], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0
    assert done.stderr == ""
    for word in ("start", "check", "simulate", "orient", "Exit code: 0 done, 1 done but not to be trusted, 2 unusable"):
        assert word in done.stdout.replace("\n", " ")


@pytest.mark.parametrize("command", ["start", "check", "simulate", "orient"])
def test_every_command_explains_itself(command, capsys):
    with pytest.raises(SystemExit) as stop:
        run([command, "--help"])
    assert stop.value.code == 0


def test_an_unknown_command_is_unusable_input():
    with pytest.raises(SystemExit) as stop:
        run(["orientate", "study.toml"])
    assert stop.value.code == 2


def test_no_heavy_import_before_a_study_is_known_to_be_good(tmp_path):
    """CPU time is printed, not asserted: what takes the time is absent."""
    (tmp_path / "study.toml").write_text('format = 1\ntitel = "x"\n')
    code = f"""
import sys, time
from fluxsense.cli import main
code = main(["check", {str(tmp_path / "study.toml")!r}])
heavy = [m for m in ("numpy", "scipy", "matplotlib", "emcee", "pandas", "skrf", "h5py") if m in sys.modules]
print(code, heavy, f"{{time.process_time():.3f}} s of CPU")
"""
    done = python(code)
    print(done.stdout)
    assert done.stdout.startswith("2 [] "), done.stdout + done.stderr
    assert 'study.toml, titel: this key is not known. Did you mean "title"?' in done.stderr


def test_start_writes_a_study_that_passes_check(tmp_path):
    folder = tmp_path / "new"
    outcome = run(["start", folder])
    assert outcome.code == 0
    assert outcome.err == ""
    assert outcome.out.startswith(f"Wrote {folder / 'study.toml'}. Edit it, then run: fluxsense check ")
    assert "to be checked against the laboratory's own limits" in outcome.out
    assert contents(folder) == {"study.toml": STARTER.read_bytes()}
    checked = run(["check", folder / "study.toml"])
    assert checked.code == 0
    assert checked.err == ""
    assert "\nNothing to object to.\n" in checked.out


def test_start_puts_the_examples_there(tmp_path):
    outcome = run(["start", tmp_path / "a", "--examples"])
    assert outcome.code == 0
    source = Path(__file__).parents[2] / "examples"
    written = {p.relative_to(tmp_path / "a/examples") for p in (tmp_path / "a/examples").rglob("*") if p.is_file()}
    assert written == {p.relative_to(source) for p in source.rglob("*") if p.suffix in (".py", ".md", ".png")}
    assert f"Wrote {len(written)} files" in outcome.out
    # what is installed: every one of them, by the patterns of the project's file
    patterns = tomllib.loads((source.parent / "pyproject.toml").read_text())["tool"]["setuptools"]["data-files"]
    installed = {p for group in patterns.values() for one in group for p in source.parent.glob(one)}
    assert {p.relative_to(source) for p in installed} == written


def test_start_replaces_nothing(tmp_path):
    (tmp_path / "study.toml").write_text("mine")
    outcome = run(["start", tmp_path])
    assert outcome == Outcome(
        2, "", f"fluxsense start: {tmp_path / 'study.toml'}: there is a study already. Choose another folder.\n"
    )
    assert contents(tmp_path) == {"study.toml": b"mine"}


def test_start_as_json(tmp_path):
    assert one_document(run(["start", tmp_path / "a", "--json"])) == {"study": str(tmp_path / "a" / "study.toml")}


def test_starter_names_every_key_of_the_format(monkeypatch, tmp_path):
    """Every key that the reader asks for, over all kinds of source, ring, state and shape, stands in the starter."""
    asked: set[str] = set()
    raw, idle, takes_word, has = Table.raw, Table.idle, Table.takes_word, Table.has

    def spy_raw(self, key, *args, **kwargs):
        asked.add(key)
        return raw(self, key, *args, **kwargs)

    def spy_idle(self, keys, *args):
        asked.update(keys)
        return idle(self, keys, *args)

    monkeypatch.setattr(Table, "raw", spy_raw)
    monkeypatch.setattr(Table, "idle", spy_idle)
    monkeypatch.setattr(Table, "takes_word", lambda self, key, word: asked.add(key) or takes_word(self, key, word))
    monkeypatch.setattr(Table, "has", lambda self, key: asked.add(key) or has(self, key))
    text = STARTER.read_text()
    assert read_study(STARTER).title
    wider = tmp_path / "study.toml"
    changes = (
        ('ring = "shunted"\nshunt_ratio = 3.0\nsignal_frequency = "5.023', 'ring = "bare"\nsignal_frequency = "5.023'),
        ("position_sd", "# position_sd"),
        ('size_prior = "scale"', 'size_prior = "known"\nsize_sd = "3 fA m^2"'),
    )
    for old, new in changes:
        assert old in text
        wider.write_text(text.replace(old, new))
        read_study(wider)
    names = {
        key for key in asked if "[" not in key and not re.fullmatch(r"(east|north)_(near|far)", key)
    }  # paths of list entries and the starter's own names aside
    assert len(names) > 80
    assert [key for key in sorted(names) if not re.search(rf"\b{key}\b", text)] == []


def test_every_commented_key_of_the_starter_may_be_used(tmp_path):
    """Each commented alternative, switched on where it belongs, is accepted as it stands."""
    text = STARTER.read_text()
    lines = text.splitlines()
    commented = [n for n, line in enumerate(lines) if re.match(r"# [a-z_0-9]+ = ", line)]
    # alternatives that exclude what stands beside them are tried with the change that they need
    partner = {
        "size_sd": ('size_prior = "scale"', 'size_prior = "known"'),
        "direction_axis": ('direction_prior = "sphere"', 'direction_prior = "cap"\ndirection_half_angle = "30 deg"'),
        "direction_half_angle": ('direction_prior = "sphere"', 'direction_prior = "plane"\ndirection_axis = [0, 0, 1]'),
        "direction_candidates": ('direction_prior = "sphere"', 'direction_prior = "list"'),
        "width": ('shape = "square"', 'shape = "rectangle"\nheight = "8 um"'),
        "height": ('shape = "square"', 'shape = "rectangle"\nwidth = "8 um"'),
        "radius": ('shape = "square"', 'shape = "circle"'),
        "sides": ('shape = "square"', 'shape = "circle"\nradius = "6 um"'),
        "outline": ('shape = "square"', 'shape = "polygon"'),
        "crossing": ('shape = "square"', 'outline = [["0 um", "0 um"], ["10 um", "0 um"], ["10 um", "10 um"]]'),
        "branch": ('ring = "shunted"', 'ring = "bare"'),
        "arm_inductance_ratio": ('ring = "shunted"', 'ring = "stray arms"'),
        "arm_inductance_ratio_sd": ('ring = "shunted"', 'ring = "stray arms"\narm_inductance_ratio = 0.02'),
        "pump_phase": ("pump_port = 1", ""),
        "wrong_way": ('kind = "complex"', 'kind = "direction"'),
        "wrong_way_factor": ('kind = "complex"', 'kind = "direction"'),
        "s21": ("allow_outside = false", 'format = "csv"\ns12 = ["c", "d"]'),
        "s12": ("allow_outside = false", 'format = "csv"\ns21 = ["a", "b"]'),
    }
    mapped = ("allow_outside = false", 'format = "hdf5"\ns21 = ["a", "b"]\ns12 = ["c", "d"]')
    partner |= dict.fromkeys(("frequency", "frequency_unit", "numbers", "s11", "s22", "reference"), mapped)
    without = {
        "width": ("side",), "height": ("side",), "radius": ("side",), "sides": ("side",), "outline": ("side", "center"),
        "crossing": ("side", "center"), "branch": ("shunt_ratio",), "file": ("loss",),
        "field": ("coil", "current"),
    }  # fmt: skip
    tried = 0
    for n in commented:
        key = lines[n][2:].split(" = ")[0]
        if any(re.match(r"# \[", x) for x in takewhile(lambda x: x.startswith("#"), reversed(lines[:n]))):
            continue  # whole tables, tried below
        changed = list(lines)
        changed[n] = lines[n][2:]
        body = "\n".join(changed)
        if key in partner:
            old, new = partner[key]
            body = body.replace(old, new, 1)
        for gone in without.get(key, ()):
            body = re.sub(rf"(?m)^{gone} = .*\n", "", body, count=1)
        path = tmp_path / "study.toml"
        path.write_text(body)
        read_study(path)
        tried += 1
    assert tried > 25
    whole = re.sub(
        r"(?m)^# (\[\[(?:coil|state)\]\]|name = .*|kind = .*|rotation_.*|coil = .*|current = .*)$", r"\1", text
    )
    path.write_text(whole)
    study = read_study(path)
    assert [s.kind for s in study.states] == ["out", "in", "turned", "calibration"]
    assert study.coils[0].name == "small"
    lined = re.sub(r"(?m)^# (shared_line = )", r"\1", text)
    lined = re.sub(r"(?m)^# (\[+readout\.\w+\]+\n)((?:# .*\n)+)", lambda m: m[1] + re.sub(r"(?m)^# ", "", m[2]), lined)
    path.write_text(lined)
    assert read_study(path).readout.cross_talk[0].into == "east"
    assert read_study(path).readout.qubit.isolator == "east"


# ---------------------------------------------------------------- check


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a campaign of 32 short traces."""
    folder = tmp_path_factory.mktemp("tiny")
    study = small_study(folder, repeats=2, points=15)
    assert run(["simulate", study.path]).code == 0
    return folder


def test_check_as_text(tiny):
    outcome = run(["check", tiny / "study.toml"])
    assert outcome.code == 0
    assert outcome.err == ""
    assert "Rank of the flux map: 3" in outcome.out
    assert "Log: 32 traces, 16 of them with the pump on; states in, out." in outcome.out
    # one flip reverses, two preserve, the other port reverses
    table = re.findall(r"^    ([+-]{2})   (\d to \d) \(.*\) / (\d to \d) ", outcome.out, re.MULTILINE)
    assert table == 2 * [
        ("++", "1 to 2", "2 to 1"), ("-+", "2 to 1", "1 to 2"), ("+-", "2 to 1", "1 to 2"), ("--", "1 to 2", "2 to 1"),
    ]  # fmt: skip
    settings = re.findall(r"setting (s\d): flux \((.*?)\) Phi0, coupling signs \((.*?)\).*transmits (.*)", outcome.out)
    assert settings == 2 * [("s1", "+0.500, +0.500", "+, +", "1 to 2"), ("s2", "+0.500, -0.500", "+, -", "1 to 2")]


def test_check_as_json(tiny):
    document = one_document(run(["check", tiny / "study.toml", "--json"]))
    assert misfits(document, CheckDocument) == []
    assert document["rank"] == 3
    assert document["traces"] == {"rows": 32, "pump_on": 16, "states": ["in", "out"], "cooldowns": ["c1"]}
    # a square of 20 um in 1 uT, over the flux quantum h/2e (exact values of the SI)
    flux = 4e-10 * 1e-6 / (6.62607015e-34 / (2 * 1.602176634e-19))
    assert document["flux_map"]["b1"]["phi0_for_stated_size"] == pytest.approx([0, 0, flux], rel=1e-9)
    for entry in document["isolators"]:
        way = {(d["signs"], d["pump_port"]): d["direction"] for d in entry["directions"]}
        for (signs, port), direction in way.items():
            flipped = {"+": "-", "-": "+"}
            one, other = flipped[signs[0]] + signs[1], signs[0] + flipped[signs[1]]
            assert way[one, port] == way[other, port] == way[signs, 3 - port] != direction
            assert way[flipped[signs[0]] + flipped[signs[1]], port] == direction


def test_check_of_coplanar_loops_in_a_uniform_field(tmp_path):
    study = small_study(tmp_path, chips=("chip_z",) * 4)
    outcome = run(["check", study.path])
    assert outcome.code == 0
    assert "Rank of the flux map: 1" in outcome.out
    assert (
        "Note: The flux map has rank one: all loops see the same component of the field, along (0.00, 0.00, 1.00); only "
        "that component is determined, the other two are left to the prior." in outcome.out
    )


def test_check_without_reference_state_and_at_zero_bias(tmp_path):
    study = small_study(tmp_path, states=("in",), fluxes=((0, 0, 0, 0),), ports=(1,))
    warnings = " ".join(one_document(run(["check", study.path, "--json"]))["warnings"])
    assert "There is no reference state" in warnings
    assert "known only to 10 mPhi0" in warnings
    assert "Every loop is at zero bias" in warnings
    assert "would decide between the two ends" in warnings


# ---------------------------------------------------------------- simulate


def test_same_seed_same_bytes(tiny, tmp_path):
    study = tiny / "study.toml"
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        document = one_document(run(["simulate", study, "--out", tmp_path / name, "--seed", seed, "--json"]))
        assert misfits(document, SimulationDocument) == []
        assert (document["traces"], document["folder"], document["seed"]) == (32, str(tmp_path / name), seed)
    a, b, c = (contents(tmp_path / name) for name in "abc")
    assert a == b
    assert a.keys() == c.keys()
    assert {"traces/" if k.startswith("traces/") else k for k in a} == set(FILES["simulate"][1])
    assert all(a[k] != c[k] for k in a if k.startswith("traces/"))
    assert a["study.toml"] == c["study.toml"] == study.read_bytes()


def test_simulate_replaces_nothing_unless_told_to(tiny, tmp_path):
    shutil.copytree(tiny, tmp_path / "x")
    before = contents(tmp_path / "x")
    outcome = run(["simulate", tmp_path / "x" / "study.toml", "--seed", 9])
    assert outcome == Outcome(
        2,
        "",
        f"fluxsense simulate: {tmp_path / 'x'}: log.csv exists already. Choose another folder, or replace it with --force.\n",
    )
    assert contents(tmp_path / "x") == before
    outcome = run(["simulate", tmp_path / "x" / "study.toml", "--seed", 9, "--force"])
    assert outcome.code == 0
    assert outcome.out == f"Wrote 32 simulated traces, log.csv and truth.toml to {tmp_path / 'x'}.\n"
    assert contents(tmp_path / "x")["log.csv"] == before["log.csv"]  # the plan is the same
    assert contents(tmp_path / "x")["truth.toml"] != before["truth.toml"]


def test_simulate_a_stated_truth(tiny, tmp_path):
    stated = tmp_path / "stated.toml"
    stated.write_text('[source]\nazimuth = "40 deg"\nelevation = "-20 deg"\nsize = "0.7 uT"\n')
    assert run(["simulate", tiny / "study.toml", "--out", tmp_path / "x", "--truth", stated, "--seed", 1]).code == 0
    source = tomllib.loads((tmp_path / "x" / "truth.toml").read_text())["source"]
    assert source == {"azimuth": "40.000000 deg", "elevation": "-20.000000 deg", "size": "700 nT"}


def test_the_extent_of_a_drawn_source_is_told():
    study = read_study(ROOT / "data_demo" / "grain" / "study.toml")
    drawn = draw_truth(replace(study, source=replace(study.source, extent_m=4e-6)), 3)
    told = tomllib.loads(truth_text(study, drawn))["source"]["second_moments"]
    moments = drawn.parameters["source_second_moments_m2"][0]
    assert [parse_quantity(x, "area") for x in told] == pytest.approx(list(moments), rel=1e-6, abs=0)
    assert np.abs(moments).max() > 1e-13
    assert "second_moments" not in truth_text(study, draw_truth(study, 3))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            '[source]\nazimuth = "40"\nelevation = "-20 deg"\nsize = "0.7 uT"\n',
            'stated.toml, source.azimuth: "40" has no unit, but an angle is wanted. Write for example "90 deg"; units '
            "known here: deg, rad, mrad.",
        ),
        (
            '[source]\nazimuth = "40 deg"\nelevation = "-20 deg"\nsize = "3 fA m^2"\n',
            'stated.toml, source.size: "3 fA m^2" is a magnetic moment, but a magnetic field is wanted. Write for example '
            '"2 uT"; units known here: fT, pT, nT, uT, mT, T, G, mG.',
        ),
    ],
)
def test_simulate_an_unusable_truth(tiny, tmp_path, text, sentence):
    stated = tmp_path / "stated.toml"
    stated.write_text(text)
    outcome = run(["simulate", tiny / "study.toml", "--out", tmp_path / "x", "--truth", stated])
    assert outcome == Outcome(2, "", f"fluxsense simulate: {sentence}\n")
    assert not (tmp_path / "x").exists()


def test_a_negative_seed(tiny):
    for command in ("simulate", "orient"):
        outcome = run([command, tiny / "study.toml", "--seed", "-1"])
        assert outcome == Outcome(
            2, "", f"fluxsense {command}: the seed -1 is negative. Use a whole number from 0 up.\n"
        )


# ---------------------------------------------------------------- orient


KEPT = {"result.json", "digest.npz", "posterior.npz", "draws.npz", "chains.h5"}


def test_orient_prints_one_document_and_writes_it(measured: Measured):
    assert measured.outcome.code == 0, measured.outcome
    document = one_document(measured.outcome)
    folder = measured.folder / "results"
    assert {p.name for p in folder.iterdir()} == KEPT | {"report.html"}
    assert set(FILES["orient"][1]) == KEPT | {"report.html"}
    assert json.loads((folder / "result.json").read_text()) == document


def test_a_finished_orient_is_not_computed_again(measured: Measured, monkeypatch: pytest.MonkeyPatch):
    def computed(*_: object, **__: object) -> None:
        raise InputError("computed")

    monkeypatch.setattr("fluxsense.jobs.orient.orient_traces", computed)
    path = measured.folder / "results" / "result.json"
    before = path.stat().st_mtime_ns
    assert run(["orient", measured.folder / "study.toml", "--seed", 11, "--json"]) == measured.outcome
    outcome = run(["orient", measured.folder / "study.toml", "--seed", 11])
    assert outcome.out.splitlines()[-1].startswith("Finished before in ")
    assert outcome.out.splitlines()[:-1] == answer_lines(one_document(measured.outcome))
    assert path.stat().st_mtime_ns == before
    for other in (["--seed", 12], ["--seed", 11, "--effective", 77]):
        assert "computed" in run(["orient", measured.folder / "study.toml", *other]).err


def test_orient_document_has_the_keys_that_scripts_rely_on(measured: Measured):
    d = one_document(measured.outcome)
    direction = d["direction"]
    assert -180 <= direction["azimuth_deg"] <= 180
    assert -90 <= direction["elevation_deg"] <= 90
    azimuth, elevation = np.radians(direction["azimuth_deg"]), np.radians(direction["elevation_deg"])
    expected = [np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)]
    np.testing.assert_allclose(direction["vector"], expected, rtol=0, atol=1e-12)
    assert [r["level"] for r in d["region"]] == [0.5, 0.9, 0.95]
    for r in d["region"]:
        assert 0 < r["solid_angle_sr"] <= 4 * np.pi
        assert 0 < r["cone_deg"] <= 180
    assert sum(m["weight"] for m in d["modes"]) == pytest.approx(1.0, abs=1e-9)
    for m in d["modes"]:
        assert np.linalg.norm(m["vector"]) == pytest.approx(1.0)
    assert d["antipodal_odds"] > 1
    assert d["size"]["mean"] > 0
    assert d["size"]["sd"] > 0
    assert d["size"]["unit"] == "T"
    assert d["log_bayes_factor"] > 100
    assert 0 <= d["log_bayes_factor_sd"] < 1
    assert d["verdict"]["trust"] == "reliable"
    assert all(isinstance(x, str) and x.endswith(".") for x in d["verdict"]["reasons"])
    provenance = d["provenance"]
    assert provenance["seed"] == 11
    assert re.fullmatch("[0-9a-f]{64}", provenance["digest_hash"])
    assert provenance["study_hash"] == read_study(measured.folder / "study.toml").sha256
    assert {"fluxsense", "python", "numpy", "scipy", "emcee"} <= provenance["versions"].keys()


def test_the_truth_lies_in_the_region(measured: Measured):
    """The truth file is what `simulate` wrote; `orient` must not have needed it, so the mark is made here."""
    d = one_document(measured.outcome)
    source = tomllib.loads((measured.folder / "truth.toml").read_text())["source"]
    az, el = (np.radians(float(source[k].split()[0])) for k in ("azimuth", "elevation"))
    truth = np.array([np.cos(az) * np.cos(el), np.sin(az) * np.cos(el), np.sin(el)])
    angle = np.degrees(np.arccos(truth @ d["direction"]["vector"]))
    assert angle < 2 * next(r["cone_deg"] for r in d["region"] if r["level"] == 0.95)


def test_orient_as_text_with_a_time_limit(measured: Measured, tmp_path):
    """Out of time is no error: the result is there, says so, and the exit code says that it is not to be trusted."""
    outcome = run(
        ["orient", measured.folder / "study.toml", "--out", tmp_path / "r", "--max-time", "0.01", "--no-report"]
    )
    assert outcome.code == 1
    assert outcome.out.startswith("This result is ")
    assert not outcome.out.startswith("This result is reliable")
    assert "Sampling ended early: the time limit was reached." in outcome.out
    assert outcome.out.endswith(f"Wrote result.json to {tmp_path / 'r'}.\n")
    assert {p.name for p in (tmp_path / "r").iterdir()} == KEPT
    assert json.loads((tmp_path / "r" / "result.json").read_text())["verdict"]["trust"] != "reliable"
    for stage in ("reading traces", "reading the wiring", "searching for modes", "sampling"):
        assert stage in outcome.err


# ---------------------------------------------------------------- bad input (one mistake at a time: tests/faults/test_mistakes.py)


def test_a_dipole_on_a_wire_stops_simulate_and_orient_too(tiny, tmp_path):
    shutil.copytree(tiny, tmp_path / "x")
    study = tmp_path / "x" / "study.toml"
    field = 'kind = "uniform_field"\nsize = "1.0 uT"'
    assert field in study.read_text()
    at_the_wire = 'kind = "dipole"\nsize = "1 fA m^2"\nposition = ["0 um", "10 um", "10 um"]'
    study.write_text(study.read_text().replace(field, at_the_wire))
    before = contents(tmp_path / "x")
    for command in ("simulate", "orient"):
        outcome = run([command, study])
        assert outcome.code == 2
        assert (
            "loop[a1].outline: the dipole at source.position lies on the wire of this loop (0 nm from it)"
            in outcome.err
        )
    assert contents(tmp_path / "x") == before


def test_all_faults_of_a_study_in_one_go(tiny, tmp_path):
    shutil.copytree(tiny, tmp_path / "x")
    study = tmp_path / "x" / "study.toml"
    for old, new in (
        ('"4.93 GHz"', '"4.93"'),
        ('side = "20.0 um"', 'side = "-20.0 um"'),
        ('shape = "square"', 'shape = "square"\nofset = "1 mPhi0"'),
    ):
        assert old in study.read_text()
        study.write_text(study.read_text().replace(old, new, 1))
    outcome = run(["orient", study])
    assert outcome.code == 2
    assert outcome.err.count("\n") == 3


@pytest.mark.parametrize(
    "line", ["# R 50 ri S hz", "# hz s ri r 50", "#HZ S RI R 50 ! taken at night", "# RI HZ S R 50"]
)
def test_legal_but_unusual_option_lines_read_the_same(line, tiny, tmp_path):
    shutil.copytree(tiny, tmp_path / "x")
    for file in (tmp_path / "x" / "traces").iterdir():
        text = file.read_text()
        assert "# HZ S RI R 50\n" in text
        file.write_text(text.replace("# HZ S RI R 50", line))
    usual, unusual = (digested(folder) for folder in (tiny, tmp_path / "x"))
    assert list(usual) == list(unusual)
    for key, group in usual.items():
        np.testing.assert_array_equal(group.mean, unusual[key].mean)
        np.testing.assert_array_equal(group.scatter, unusual[key].scatter)


def digested(folder: Path):
    return fluxsense.load_campaign(read_study(folder / "study.toml"))
