"""Sweeps taken up one by one against the digest of all of them at once, and files while they are written.

Outside reference: the batch digest and screening of `load_campaign`, which have tests of their own; the sequences of events
(late, twice, half written, replaced, clock set back) are written out here (common practice of laboratories, no source).
"""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import run
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.data.campaign import campaign_rows, load_campaign
from fluxsense.data.digest import group_key
from fluxsense.data.log import write_log
from fluxsense.data.touchstone import Sweep, read_sweep, sweep_from_arrays, write_sweep
from fluxsense.live.follower import PATIENCE_S, Follower
from fluxsense.live.intake import HELD, WINDOW, Intake, Taken, usable
from fluxsense.study import Study, read_study

FIELD = "0.84 uT"


class Clock:
    """Seconds that go on when they are told to."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Study:
    folder = tmp_path_factory.mktemp("live")
    study = small_study(folder, repeats=5)
    assert run(["simulate", study.path, "--seed", 3]).code == 0
    return study


def copied(study: Study, folder: Path) -> Study:
    """The campaign in a folder of its own, with files as old as they need to be to be whole."""
    target = folder / "campaign"
    shutil.copytree(study.folder, target)
    return read_study(target / study.path.name)


def empty(study: Study, folder: Path) -> tuple[Study, Study]:
    """The campaign, and a folder into which it is yet to be written."""
    target = folder / "growing"
    (target / "traces").mkdir(parents=True)
    shutil.copy(study.path, target / study.path.name)
    return study, read_study(target / study.path.name)


def aged(path: Path, seconds: float = 60.0) -> None:
    about = path.stat()
    os.utime(path, (about.st_atime - seconds, about.st_mtime - seconds))


def settle(follower: Follower, clock: Clock, looks: int = 3) -> list[str]:
    out = []
    for _ in range(looks):
        out += [t.name for t in follower.poll()]
        clock.now += 1.0
    return out


def test_one_by_one_is_all_at_once(simulated: Study) -> None:
    intake, rows = Intake(), campaign_rows(simulated)
    for row in rows:
        sweep = read_sweep(simulated.log.parent / row.file)
        assert intake.add(Taken(group_key(row), sweep, row.time_s, row.file))
    whole = load_campaign(simulated)
    assert not whole.distrusted
    assert not intake.distrusted
    assert intake.sweeps == len(rows) == whole.sweeps
    for key, group in whole.items():
        mine = intake.digest[key]
        assert mine.count == group.count
        np.testing.assert_allclose(mine.mean, group.mean, atol=1e-12)
        np.testing.assert_allclose(mine.scatter, group.scatter, rtol=1e-9, atol=1e-15)
        np.testing.assert_array_equal(mine.blocks.count, group.blocks.count)


def test_work_per_sweep_is_bounded(simulated: Study) -> None:
    """Only the group that grew is made anew; no more than a window of sweeps is remembered, and none whole."""
    row = campaign_rows(simulated)[0]
    sweep = read_sweep(simulated.log.parent / row.file)
    rng = np.random.default_rng(1)
    intake = Intake()
    other = replace(group_key(row), state="in")
    intake.add(Taken(other, sweep, 0.0, "other"))
    before = intake.digest[other]
    for n in range(WINDOW + 10):
        noisy = Sweep(sweep.frequency_hz, sweep.s + 0.01 * rng.standard_normal(sweep.s.shape), 50.0)
        intake.add(Taken(group_key(row), noisy, float(n), f"n{n}"))
    assert intake.digest[other] is before
    group = intake._groups[group_key(row)]
    assert len(group.latest) == WINDOW
    assert group.held is None
    assert intake.digest.sweeps + len(intake.digest.left_out) == WINDOW + 11


def test_a_strange_sweep_is_left_out_and_a_young_group_is_judged_again(simulated: Study) -> None:
    row = next(r for r in campaign_rows(simulated) if r.pump_on)
    sweep = read_sweep(simulated.log.parent / row.file)
    rng = np.random.default_rng(2)

    def noisy(gain: float = 1.0) -> Sweep:
        noise = 0.002 * (rng.standard_normal(sweep.s.shape) + 1j * rng.standard_normal(sweep.s.shape))
        return Sweep(sweep.frequency_hz, gain * sweep.s + noise, 50.0)

    intake, key = Intake(), group_key(row)
    intake.add(Taken(key, noisy(1.4), 0.0, "first"))  # nothing to compare it with yet
    assert intake.digest.sweeps == 1
    good = [noisy() for _ in range(HELD + 4)]
    for n, one in enumerate(good[:6]):
        intake.add(Taken(key, one, 1.0 + n, f"good{n}"))
    assert [d.file for d in intake.distrusted if d.left_out] == ["first"]
    for n, one in enumerate(good[6:]):
        intake.add(Taken(key, one, 10.0 + n, f"more{n}"))
    intake.add(Taken(key, noisy(1.5), 40.0, "late"))
    assert sorted(d.file for d in intake.distrusted if d.left_out) == ["first", "late"]
    np.testing.assert_allclose(intake.digest[key].mean[1], np.mean([x.s[:, 1, 0] for x in good], axis=0), atol=1e-12)
    assert intake.digest[key].count == len(good)


def test_a_sweep_that_does_not_fit_changes_nothing(simulated: Study) -> None:
    row = campaign_rows(simulated)[0]
    sweep = read_sweep(simulated.log.parent / row.file)
    intake = Intake()
    for n in range(HELD + 2):
        intake.add(Taken(group_key(row), Sweep(sweep.frequency_hz, sweep.s * (1 + 1e-3 * n), 50.0), float(n), f"n{n}"))
        short = Sweep(sweep.frequency_hz[:-1], sweep.s[:-1], 50.0)
        with pytest.raises(InputError, match="frequencies differs"):
            intake.add(Taken(group_key(row), short, 0.5, f"short{n}"))
    assert intake.sweeps == HELD + 2
    assert not intake.add(Taken(group_key(row), Sweep(sweep.frequency_hz, sweep.s, 50.0), 0.0, "n0"))


def test_time_that_a_clock_set_back_adds_nothing(simulated: Study) -> None:
    rows = campaign_rows(simulated)[:4]
    intake = Intake()
    for row, time_s in zip(rows, (100.0, 130.0, 20.0, 50.0), strict=True):
        intake.add(Taken(group_key(row), read_sweep(simulated.log.parent / row.file), time_s, row.file))
    assert intake.busy_s == 60.0
    assert intake.digest.sweeps == 4


def test_arrays_are_turned_once(simulated: Study) -> None:
    """An analyser's phasors go as exp(+j w t): what it writes and what it hands over are the same sweep."""
    row = campaign_rows(simulated)[0]
    path = simulated.log.parent / row.file
    numbers = np.loadtxt(path, comments=("!", "#"))
    raw = (numbers[:, 1::2] + 1j * numbers[:, 2::2]).reshape(-1, 2, 2).transpose(0, 2, 1)  # S11 S21 S12 S22
    one = sweep_from_arrays(read_sweep(path).frequency_hz, raw)
    np.testing.assert_allclose(one.s, read_sweep(path).s, atol=1e-12)
    with pytest.raises(InputError, match="shapes"):
        sweep_from_arrays([1.0, 2.0], np.ones((3, 2, 2)))
    with pytest.raises(InputError, match="not finite"):
        sweep_from_arrays([1.0, 2.0], np.full((2, 2, 2), np.nan))


def test_only_groups_that_can_be_divided_are_usable(simulated: Study) -> None:
    digest = load_campaign(simulated)
    bare = type(digest)({k: g for k, g in digest.items() if k.pump_on or k.isolator == "a"})
    assert {k.isolator for k in usable(bare)} == {"a"}
    assert dict(usable(digest)) == dict(digest)


# ---------------------------------------------------------------- files


def test_what_was_written_long_ago_is_taken_at_once(simulated: Study, tmp_path: Path) -> None:
    study = copied(simulated, tmp_path)
    for path in (study.folder / "traces").iterdir():
        aged(path)
    follower = Follower(study, Clock())
    assert len(list(follower.poll())) == len(campaign_rows(study))
    assert not follower.waiting
    assert not follower.faults


def test_a_campaign_that_grows(simulated: Study, tmp_path: Path) -> None:
    """Rows before their traces, a trace half written, a row without its end of line, rows twice, rows late."""
    source, study = empty(simulated, tmp_path)
    rows, lines = campaign_rows(source), source.log.read_text().splitlines(keepends=True)
    clock = Clock()
    follower = Follower(study, clock)
    assert settle(follower, clock) == []  # no log yet
    study.log.write_text(lines[0])
    assert settle(follower, clock) == []
    study.log.write_text("".join(lines[:2]) + lines[2].rstrip("\n"))
    assert settle(follower, clock) == []
    assert follower.waiting == [rows[0].file]
    text = (source.folder / rows[0].file).read_text().splitlines(keepends=True)
    first = study.folder / rows[0].file
    first.write_text("".join(text[:8]) + text[8][:7])
    assert settle(follower, clock) == []
    first.write_text("".join(text))
    assert settle(follower, clock) == [rows[0].file]
    study.log.write_text("".join(lines[:4]) + lines[1])  # the third row whole now, the first once more
    for row in rows[1:3]:
        shutil.copy(source.folder / row.file, study.folder / row.file)
    assert settle(follower, clock) == [rows[1].file, rows[2].file]
    study.log.write_text("".join(lines[:4]) + lines[1] + "".join(lines[4:]))
    for row in reversed(rows[3:]):  # the latest come first
        shutil.copy(source.folder / row.file, study.folder / row.file)
        settle(follower, clock, 1)
    settle(follower, clock)
    assert not follower.waiting
    assert follower.restarts == 0
    assert follower.intake.digest.content_hash() == load_campaign(source).content_hash()


def test_a_trace_that_was_taken_too_early_is_read_again(simulated: Study, tmp_path: Path) -> None:
    """Cut between two lines, a file without a mark at its end looks whole."""
    source, study = empty(simulated, tmp_path)
    rows, lines = campaign_rows(source), source.log.read_text().splitlines(keepends=True)
    clock = Clock()
    follower = Follower(study, clock)
    mate = next(row for row in rows[1:] if group_key(row) == group_key(rows[0]))
    study.log.write_text("".join(lines[:2]) + lines[mate.line - 1])
    text = (source.folder / rows[0].file).read_text().splitlines(keepends=True)
    (study.folder / rows[0].file).write_text("".join(text[:12]))
    assert settle(follower, clock) == [rows[0].file]
    (study.folder / rows[0].file).write_text("".join(text))
    shutil.copy(source.folder / mate.file, study.folder / mate.file)
    settle(follower, clock, 4)
    assert follower.restarts == 1
    (group,) = follower.intake.digest.values()
    assert group.count == 2
    assert group.frequency_hz.size == source.sweep.points


def test_a_log_that_is_replaced(simulated: Study, tmp_path: Path) -> None:
    study = copied(simulated, tmp_path)
    for path in (study.folder / "traces").iterdir():
        aged(path)
    rows = campaign_rows(study)
    follower = Follower(study, Clock())
    list(follower.poll())
    names = [b.name for b in study.bias_lines]
    write_log(study.log, list(reversed(rows)), names)  # the same rows in another order: nothing is read again
    assert list(follower.poll()) == []
    assert follower.restarts == 0
    moved = [replace(rows[0], state="in" if rows[0].state == "out" else "out", repeat=77), *rows[1:-1]]
    write_log(study.log, moved, names)  # one row corrected, one taken back
    assert len(list(follower.poll())) == len(rows) - 1
    assert follower.restarts == 1
    assert follower.intake.digest.content_hash() == load_campaign(study).content_hash()


def test_a_log_that_is_written_from_its_beginning_is_waited_for(simulated: Study, tmp_path: Path) -> None:
    study = copied(simulated, tmp_path)
    for path in (study.folder / "traces").iterdir():
        aged(path)
    text = study.log.read_text()
    follower = Follower(study, Clock())
    count = len(list(follower.poll()))
    for part in ("", text[: len(text) // 3], text[: len(text) // 2], text):
        study.log.write_text(part)
        assert list(follower.poll()) == []
    assert follower.restarts == 0
    assert follower.intake.sweeps == count


def test_faulty_rows_and_traces_are_sentences_and_the_others_go_on(simulated: Study, tmp_path: Path) -> None:
    study = copied(simulated, tmp_path)
    for path in (study.folder / "traces").iterdir():
        aged(path)
    rows, lines = campaign_rows(study), study.log.read_text().splitlines(keepends=True)
    broken = lines[1].replace(",a,", ",z,")
    outside = lines[2].replace("traces/", "../../traces/")
    missing = lines[3].replace("traces/", "traces/no_")
    twin = lines[4].replace(rows[3].file, "traces/twin.s2p").replace(",4,", ",44,")
    shutil.copy(study.folder / rows[3].file, study.folder / "traces" / "twin.s2p")
    study.log.write_text(lines[0] + broken + outside + missing + twin + "".join(lines[4:]))
    clock = Clock()
    follower = Follower(study, clock)
    taken = settle(follower, clock, 8)
    assert len(taken) == len(rows) - 3
    said = " ".join(follower.faults)
    assert "the isolator 'z' is not in the study" in said
    assert "log.csv:2" in said
    assert "outside the folder" in said
    assert "copy of another one" in said
    assert follower.waiting == [rows[2].file.replace("traces/", "traces/no_")]
    list(follower.poll(last=True))
    assert not follower.waiting
    assert "there is no trace" in " ".join(follower.faults)


def test_a_trace_of_other_frequencies_is_not_waited_for_forever(simulated: Study, tmp_path: Path) -> None:
    study = copied(simulated, tmp_path)
    rows = campaign_rows(study)
    sweep = read_sweep(study.folder / rows[1].file)
    write_sweep(study.folder / rows[1].file, Sweep(sweep.frequency_hz[:-2], sweep.s[:-2], 50.0))
    for path in (study.folder / "traces").iterdir():
        aged(path)
    clock = Clock()
    follower = Follower(study, clock)
    settle(follower, clock)
    assert follower.waiting == [rows[1].file]
    clock.now += PATIENCE_S
    settle(follower, clock)
    assert not follower.waiting
    assert "frequencies differs" in follower.faults[0]
