"""Chains on disk: going on after a break gives the very steps of an unbroken run; the file is always whole."""

from __future__ import annotations

import shutil
from dataclasses import replace
from functools import cache, partial

import h5py
import numpy as np
import pytest
from small_study import small_study

from fluxsense.base import store
from fluxsense.base.errors import InputError
from fluxsense.infer.chainfile import CHAINS, ChainFile, Walk, read_chains, run_identity
from fluxsense.infer.mixture import from_modes
from fluxsense.infer.modes import find_modes
from fluxsense.infer.orient import prepare
from fluxsense.infer.sampler import Chains, run_ensembles
from fluxsense.jobs.orient import orient
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.problem import FluxProblem, log_posterior
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import State


class Killed(BaseException):
    """Stands for a kill: nothing in the package catches it."""


@pytest.fixture(scope="module")
def problem(tmp_path_factory):
    study = small_study(tmp_path_factory.mktemp("resume"), offset_sd_mphi0=0.0)
    assert isinstance(study.states[0], State)
    unknowns = Unknowns(study, ("c1",))
    rows = 1e5 * np.array([[1.0, 0.2, 0.0], [0.0, 1.0, 0.3], [0.1, 0.0, 1.0]])
    return FluxProblem(unknowns, rows, rows @ np.array([3e-7, -4e-7, 5e-7]), 0.02)


@cache
def mixture_of(problem):
    return from_modes(find_modes(problem, np.random.default_rng(1)))


def walk(problem, file, *, steps=200, kill_at=None, enough=lambda x: (False, 1.0)) -> Chains:
    rngs = [np.random.default_rng(s) for s in np.random.SeedSequence(4).spawn(2)]

    def progress(done, ess, left):
        if kill_at is not None and done >= kill_at:
            raise Killed

    return run_ensembles(
        partial(log_posterior, problem),
        mixture_of(problem),
        rngs,
        max_steps=steps,
        enough=enough,
        progress=progress,
        file=file,
    )


@pytest.fixture(scope="module")
def unbroken(problem) -> Chains:
    """What a run of 200 steps gives that nothing stops."""
    return walk(problem, None)


def every_block(path, identity="one"):
    ticks = iter(range(10**9))
    return ChainFile(path, identity, clock=lambda: 1000.0 * next(ticks))


def same(a: Chains, b: Chains) -> bool:
    return (
        np.array_equal(a.x, b.x)
        and np.array_equal(a.log_posterior, b.log_posterior)
        and np.array_equal(a.acceptance, b.acceptance)
        and (a.steps, a.burn, a.calls, a.stopped) == (b.steps, b.burn, b.calls, b.stopped)
    )


def test_long_chains_are_judged_as_they_grow_and_stop_at_the_same_step_after_a_kill(problem, tmp_path):
    judged: list[int] = []

    def enough(x):
        judged.append(x.shape[1])
        return x.shape[1] >= 592, 1.0

    unbroken = walk(problem, None, steps=1000, enough=enough)
    assert unbroken.steps == 775  # 750 suffice, but blocks 30 and 31 are one growth of 5%
    assert judged[-1] == unbroken.steps - unbroken.burn
    assert 600 not in judged
    assert 20 < len(judged) < 28
    with pytest.raises(Killed):
        walk(problem, every_block(tmp_path / "chains.h5"), steps=1000, kill_at=625, enough=enough)
    assert same(walk(problem, every_block(tmp_path / "chains.h5"), steps=1000, enough=enough), unbroken)


@pytest.mark.parametrize("kill_at", [100, 125, 175])
def test_a_killed_run_goes_on_to_the_same_steps(problem, unbroken, tmp_path, kill_at):
    with pytest.raises(Killed):
        walk(problem, every_block(tmp_path / "chains.h5"), kill_at=kill_at)
    kept = read_chains(tmp_path / "chains.h5")
    assert 75 <= kept.steps < 200
    assert same(walk(problem, every_block(tmp_path / "chains.h5")), unbroken)
    # twice broken
    with pytest.raises(Killed):
        walk(problem, every_block(tmp_path / "twice.h5"), kill_at=100)
    with pytest.raises(Killed):
        walk(problem, every_block(tmp_path / "twice.h5"), kill_at=150)
    assert same(walk(problem, every_block(tmp_path / "twice.h5")), unbroken)


def test_another_run_or_a_finished_one_is_not_gone_on_from(problem, tmp_path):
    with pytest.raises(Killed):
        walk(problem, every_block(tmp_path / "chains.h5"), kill_at=125)
    assert every_block(tmp_path / "chains.h5", "one").unfinished() is not None
    assert every_block(tmp_path / "chains.h5", "other").unfinished() is None
    finished = walk(problem, every_block(tmp_path / "chains.h5"))
    assert every_block(tmp_path / "chains.h5").unfinished() is None
    assert np.array_equal(read_chains(tmp_path / "chains.h5").x[:, finished.burn :], finished.x)
    assert run_identity("study", 1) != run_identity("study", 2)


def test_an_answer_after_a_break_is_the_same_answer(tmp_path, monkeypatch):
    study = small_study(tmp_path, points=9, offset_sd_mphi0=0.0)
    digest = simulate_digest(study, draw_truth(study, 5))
    found = {}

    def searched_once(study, *args, **kwargs):  # the search hangs on the seed alone, and is asked for five times
        if study not in found:
            found[study] = prepare(study, *args, **kwargs)
        return found[study]

    monkeypatch.setattr("fluxsense.jobs.orient.prepare", searched_once)
    unbroken = orient(study, digest, seed=1)
    monkeypatch.setattr("fluxsense.infer.chainfile.LEAST_SECONDS", 0.0)

    def kill(what, share, detail):
        if what == "sampling" and (tmp_path / "chains.h5").exists():
            raise Killed

    with pytest.raises(Killed):
        orient(study, digest, seed=1, chain_file=tmp_path / "chains.h5", progress=kill)
    # a study changed in memory has the same file, but is another run
    other = replace(study, noise=replace(study.noise, residual_gain=0.01))
    shutil.copy(tmp_path / "chains.h5", tmp_path / "other.h5")
    afresh = orient(other, digest, seed=1).document
    assert orient(other, digest, seed=1, chain_file=tmp_path / "other.h5").document == afresh
    assert orient(study, digest, seed=1, chain_file=tmp_path / "chains.h5").document == unbroken.document


def test_a_full_disk_does_not_take_the_answer_with_it(problem, unbroken, tmp_path):
    """Found with file systems that fill up: a chain that could not be written stopped the run, and its work was lost."""
    nowhere = every_block(tmp_path / "gone" / "chains.h5")
    assert same(walk(problem, nowhere), unbroken)
    assert "chains.h5: the file cannot be written (No such file or directory)" in nowhere.fault


def damage(path, change):
    """Change the content and make the checksum fit again."""
    with h5py.File(path, "r+") as file:
        change(file)
    path.write_bytes(store.sealed(path.read_bytes(), CHAINS))


DAMAGES = {
    "no identity": lambda f: f.attrs.__delitem__("identity"),
    "no chains": lambda f: f.__delitem__("x"),
    "not a number": lambda f: f["x"].__setitem__((0, 0, 0, 0), np.nan),
    "a compressed array": lambda f: (f.__delitem__("keys"), f.create_dataset("keys", (2, 624), "u4", compression="gzip")),
    "another shape": lambda f: (f.__delitem__("keys"), f.create_dataset("keys", (3, 624), "u4")),
    "another type": lambda f: (f.__delitem__("keys"), f.create_dataset("keys", (2, 624), "f8")),
    "a link elsewhere": lambda f: (f.__delitem__("x"), f.__setitem__("x", h5py.ExternalLink("other.h5", "/x"))),
}  # fmt: skip


@pytest.mark.parametrize("name", DAMAGES)
def test_damaged_chains_are_told_and_never_gone_on_from(tmp_path, name):
    rng = np.random.default_rng(2)
    keys = rng.integers(0, 2**32, (2, 624), dtype=np.uint32)
    walked = Walk(rng.normal(size=(2, 5, 8, 3)), rng.normal(size=(2, 5, 8)), np.ones((2, 8)), keys, np.zeros((2, 3)), 9)
    path = tmp_path / "chains.h5"
    every_block(path).save(walked, finished=False)
    assert every_block(path).unfinished() is not None
    damage(path, DAMAGES[name])
    with pytest.raises(InputError, match=r"the file of chains cannot be used \(.*Remove it and run orient again"):
        read_chains(path)
    assert every_block(path).unfinished() is None


def test_a_changed_number_is_noticed_and_nothing_damaged_reaches_the_library(tmp_path, monkeypatch):
    """Found by fuzzing: flipped bits of the chains were read as chains, and two damaged files made the library loop."""
    path = tmp_path / "chains.h5"
    x = np.arange(60.0).reshape(2, 1, 10, 3)
    keys = np.zeros((2, 624), dtype=np.uint32)
    every_block(path).save(Walk(x, x[..., 0], np.ones((2, 10)), keys, np.zeros((2, 3)), 1), finished=False)
    raw = path.read_bytes()
    assert raw.count(x.tobytes()) == 1
    monkeypatch.setattr(h5py, "File", lambda *_, **__: pytest.fail("opened"))
    for at in (raw.index(x.tobytes()) + 7, len(raw) - 1, 513, 60):
        path.write_bytes(raw[:at] + bytes([raw[at] ^ 1]) + raw[at + 1 :])
        with pytest.raises(InputError, match=r"does not match its own checksum|not a file of fluxsense"):
            read_chains(path)


def test_a_file_that_is_no_hdf5_is_told(tmp_path):
    path = tmp_path / "chains.h5"
    path.write_bytes(b"no chains at all")
    with pytest.raises(InputError, match="this is not a file of fluxsense, or one of an earlier version"):
        read_chains(path)
    assert every_block(path).unfinished() is None
