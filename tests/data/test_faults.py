"""Hostile files and faults in the middle: nothing executed, nothing lost, nothing wrong in silence.

The long runs are commands of their own: `tests/faults/fuzz.py`, `kill.py`, `disk.py`; a few thousand of their cases run
here.
"""

from __future__ import annotations

import errno
import hashlib
import io
import json
import os
import pickle
import resource
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import h5py
import numpy as np
import pytest
from conftest import Measured, run
from small_study import small_study, study_text

from fluxsense.base import files
from fluxsense.base.errors import InputError
from fluxsense.base.files import only_writer, read_bytes, write_beside
from fluxsense.base.store import Damaged, arrays_from_bytes
from fluxsense.base.units import parse_quantity
from fluxsense.data.digest import load
from fluxsense.data.touchstone import read_sweep, sweep_from_bytes
from fluxsense.detection.stored import load_stored
from fluxsense.study import read_study

TESTS = Path(__file__).parents[1]


@contextmanager
def no_hang(seconds: int = 60) -> Iterator[None]:
    """What would never end fails instead; no measure of speed."""

    def late(*_: object) -> None:
        raise TimeoutError(f"no end after {seconds} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


# ---------------------------------------------------------------- fuzzing, some hundred cases


@pytest.mark.parametrize(
    ("readers", "each"),
    [(("study", "log", "touchstone", "digest", "posterior", "chains", "truth"), 100), (("gdsii",), 30)],
    ids=["own readers", "a process a file"],
)
def test_mutated_files_give_a_correct_reading_or_a_sentence(readers: tuple[str, ...], each: int):
    """The first cases of seed 1 of the documented command, each accepted file read a second way."""
    options = ["--count", str(each * len(readers)), "--limit-s", "20", "--readers", ",".join(readers)]
    done = subprocess.run(
        [sys.executable, str(TESTS / "faults" / "fuzz.py"), *options],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(TESTS.parent)},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    rows = {line.split()[0]: line.split()[1:] for line in done.stdout.splitlines()[1:-1]}
    assert int(rows["all"][0]) == each * len(readers)
    for reader in readers:
        read, sentences = int(rows[reader][1]), int(rows[reader][2])
        assert read >= 3  # the comparison has something to compare
        assert read + sentences == each


def test_the_second_reading_can_disagree(tmp_path):
    """Negative control: the comparison fails where the package's reading is wrong."""
    sys.path.insert(0, str(TESTS / "faults"))
    try:
        import fuzz
        import second
    finally:
        sys.path.pop(0)
    path = tmp_path / "s.toml"
    path.write_text(study_text())
    study = fuzz._plain(read_study(path))
    mine = second.study(path.read_bytes())
    mine["path"], mine["logs"] = path, [path.parent / log for log in mine["logs"]]
    second.same(mine, study, "study", 1e-11)
    study["isolators"][0]["stages"][1]["coupling_hz"] *= 1 + 1e-9
    with pytest.raises(second.Differs, match="coupling_hz"):
        second.same(mine, study, "study", 1e-11)
    path.write_text(study_text().replace("[noise]", "[noise]\nwhitt = 3"))
    with pytest.raises(second.Differs, match="whitt"):
        second.study(path.read_bytes())


# ---------------------------------------------------------------- nothing is executed, nothing explodes


class Trap:
    """Makes a file when unpickled."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[object, tuple[str, str]]:
        return (open, (str(self.path), "w"))


def npz(**members: object) -> bytes:
    stream = io.BytesIO()
    np.savez(stream, **members)  # type: ignore[arg-type]
    return stream.getvalue()


def test_pickles_run_nowhere(tmp_path, measured: Measured):
    sprung = tmp_path / "sprung"
    whole = pickle.dumps(Trap(sprung))
    inside = npz(header=np.array([Trap(sprung)], dtype=object))
    with np.load(measured.folder / "results" / "posterior.npz") as good:
        members = {name: good[name] for name in good.files}
    members["x"] = np.array([Trap(sprung)], dtype=object)
    for raw in (whole, inside, npz(**members)):
        for name, reader in (("d.npz", load), ("p.npz", load_stored), ("t.s2p", read_sweep)):
            path = tmp_path / name
            path.write_bytes(raw)
            with pytest.raises(InputError, match=name):
                reader(path)
        path = tmp_path / "study.toml"
        path.write_bytes(raw)
        with pytest.raises(InputError):
            read_study(path)
    assert not sprung.exists()


def test_pickle_in_the_place_of_a_trace_of_a_campaign(tmp_path):
    study = small_study(tmp_path, repeats=1, points=5)
    assert run(["simulate", study.path]).code == 0
    victim = next((tmp_path / "traces").iterdir())
    victim.write_bytes(pickle.dumps(Trap(tmp_path / "sprung")))
    done = run(["orient", study.path])
    assert done.code == 2
    assert f"{victim.name}: the trace is a binary file, not Touchstone text" in done.err
    assert not (tmp_path / "sprung").exists()
    assert not (tmp_path / "results").exists()


BOMB = b"\x93NUMPY\x01\x00"


def header(text: str) -> bytes:
    raw = text.encode()
    return BOMB + len(raw).to_bytes(2, "little") + raw


@pytest.mark.parametrize(
    ("member", "words"),
    [
        (
            header("{'descr': '<f8', 'fortran_order': False, 'shape': (1000000000000,), }\n"),
            "not as long as its header",
        ),
        (
            header("{'descr': '|O', 'fortran_order': False, 'shape': (1,), }\n") + pickle.dumps([1]),
            "not an array of plain",
        ),
        (
            header("{'descr': __import__('os').abort(), 'fortran_order': False, 'shape': (), }\n"),
            "not an array of plain",
        ),
        (header("(" * 5000 + "\n"), "not an array of plain"),
        (header("{'descr': '<f8', 'fortran_order': True, 'shape': (1,), }\n") + bytes(8), "not an array of plain"),
        (header("{'descr': '<f8', 'fortran_order': False, 'shape': (-1,), }\n") + bytes(8), "not an array of plain"),
        (b"", "not an array of plain"),
    ],
)
def test_members_that_are_no_plain_arrays(member, words):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("header.npy", member)
    with pytest.raises(Damaged, match=words):
        arrays_from_bytes(stream.getvalue())


def test_an_archive_that_unpacks_to_gigabytes_takes_no_memory(tmp_path):
    """Ten gigabytes of zeros in ten megabytes; the process may not grow by more than 100 MB."""
    block = bytes(1_000_000)
    path = tmp_path / "digest.npz"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        with archive.open("mean.npy", "w", force_zip64=True) as stream:
            stream.write(header("{'descr': '<f8', 'fortran_order': False, 'shape': (100000000,), }\n"))
            for _ in range(800):
                stream.write(block)
        archive.writestr("header.npy", b"")
    assert path.stat().st_size < 10_000_000
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for reader in (load, load_stored):
        with pytest.raises(InputError, match=r"claim to be larger than the file|compressed"):
            reader(path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000  # kB


def test_arrays_of_numpys_own_writing_come_back(tmp_path):
    arrays = {
        "a": np.arange(6.0).reshape(2, 3),
        "b": np.array(3 + 4j),
        "c": np.zeros((0, 2), dtype=np.uint8),
        "d": np.arange(5, dtype=">i4"),
    }
    found = arrays_from_bytes(npz(**arrays))
    assert found.keys() == arrays.keys()
    for name, value in arrays.items():
        assert found[name].dtype == value.dtype
        np.testing.assert_array_equal(found[name], value)
    packed = io.BytesIO()
    np.savez_compressed(packed, **arrays)  # type: ignore[arg-type]
    with pytest.raises(Damaged, match="compressed"):
        arrays_from_bytes(packed.getvalue())


@pytest.mark.parametrize(
    "text",
    [
        "10**10**10 Hz",
        "1e999999999 Hz",
        "9" * 3000 + " Hz",
        "1 " + "Hz*" * 2000,
        "1 " + "(" * 5000,
        "__import__('os').system('x') Hz",
    ],
)
def test_unit_expressions_neither_hang_nor_run(text):
    with no_hang(), pytest.raises(InputError, match=r"^study, here: "):
        parse_quantity(text, "frequency", "study, here")


def test_paths_out_of_the_folder_are_refused_and_not_opened(tmp_path):
    """Absolute, upwards, through a link, through a linked folder, and a pipe that would block for ever."""
    inside = tmp_path / "campaign"
    inside.mkdir()
    study = small_study(inside, repeats=1, points=5)
    assert run(["simulate", study.path]).code == 0
    log = (inside / "log.csv").read_text()
    first = log.splitlines()[1].split(",")[0]
    outside = tmp_path / "secret.s2p"
    outside.write_bytes((inside / first).read_bytes())
    (inside / "link.s2p").symlink_to(outside)
    (inside / "door").symlink_to(tmp_path)
    os.mkfifo(inside / "pipe.s2p")
    for name in (str(outside), "../secret.s2p", "link.s2p", "door/secret.s2p", "traces/../../secret.s2p"):
        (inside / "log.csv").write_text(log.replace(first, name))
        done = run(["orient", study.path])
        assert done.code == 2
        assert "lies outside the folder" in done.err
    for name in ("pipe.s2p", "/dev/zero", "/proc/self/mem"):
        (inside / "log.csv").write_text(log.replace(first, name))
        done = run(["orient", study.path])
        assert done.code == 2
        assert "log.csv:2: " in done.err
    (inside / "log.csv").unlink()
    os.mkfifo(inside / "log.csv")
    done = run(["orient", study.path])
    assert done.code == 2
    assert "no ordinary file" in done.err


def test_a_log_outside_the_studys_folder_needs_leave(tmp_path):
    inside = tmp_path / "campaign"
    inside.mkdir()
    study = small_study(inside, repeats=1, points=5)
    assert run(["simulate", study.path]).code == 0
    other = tmp_path / "other"
    other.mkdir()
    for text, code in (("", 2), ("allow_outside = true", 0)):
        (other / "study.toml").write_text(study_text() + f'\n[traces]\nlog = "../campaign/log.csv"\n{text}\n')
        done = run(["check", other / "study.toml"])
        assert done.code == code
        if code:
            assert "the log lies outside the study's folder" in done.err
            assert "allow_outside = true" in done.err


# ---------------------------------------------------------------- faults in the middle


@pytest.mark.parametrize("step", ["open", "write", "fsync", "replace"])
def test_a_disk_that_fills_up_leaves_the_former_file(tmp_path, monkeypatch, step):
    path = tmp_path / "result.json"
    write_beside(path, b"former", sync=True)

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    class Full:
        def __getattr__(self, name: str) -> object:
            return full if name == step else getattr(os, name)

    class Stream(io.BytesIO):
        write = full  # type: ignore[assignment]

    if step in ("fsync", "replace"):
        monkeypatch.setattr(files, "os", Full())
    else:
        monkeypatch.setattr(files, "open", full if step == "open" else lambda *_: Stream(), raising=False)
    with pytest.raises(InputError, match=r"No space left.*has room"):
        write_beside(path, b"new", sync=True)
    monkeypatch.undo()
    assert path.read_bytes() == b"former"
    assert [p.name for p in tmp_path.iterdir()] == ["result.json"]


def test_an_answer_that_cannot_be_written_is_printed(tmp_path, monkeypatch, measured: Measured):
    """The folder takes a file at first, then no more: the document still reaches standard output."""
    from fluxsense.jobs import folder

    def full(path: Path, data: bytes, *, sync: bool) -> None:
        raise InputError("the file cannot be written (No space left on device)", where=str(path), remedy="Make room")

    monkeypatch.setattr(folder, "write_beside", full)
    out = tmp_path / "out"
    done = run(["layout", measured.folder / "study.toml", "--out", out, "--starts", 1, "--steps", 2])
    assert done.code == 2
    assert "No space left" in done.err
    assert "criterion" in json.loads(done.out)


def test_a_disk_with_little_room_is_told_before_the_work(tmp_path, monkeypatch, measured: Measured):
    from fluxsense.jobs import folder

    monkeypatch.setattr(folder, "ROOM_BYTES", 10**18)
    with monkeypatch.context() as patch:
        patch.setattr("fluxsense.data.traces.read_bytes", None)  # no trace is read before the disk was looked at
        done = run(["orient", measured.folder / "study.toml", "--out", tmp_path / "out"])
    assert done.code == 2
    assert "MB left" in done.err
    assert not (tmp_path / "out").exists()


def test_output_that_cannot_be_printed(measured: Measured):
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "fluxsense", "check", str(measured.folder / "study.toml")],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert "No space left" in done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_file_that_grows_while_it_is_read(tmp_path, monkeypatch):
    path = tmp_path / "a.s2p"
    path.write_bytes(b"x" * 100)
    real = os.fstat

    def shorter(handle: int) -> os.stat_result:
        about = list(real(handle))
        about[6] = 50
        return os.stat_result(about)

    monkeypatch.setattr(files.os, "fstat", shorter)
    with pytest.raises(InputError, match="changed while it was read"):
        read_bytes(path, limit_bytes=1000, kind="trace")


def test_reading_asks_for_no_more_memory_than_the_file_needs(tmp_path):
    """The limit of eight gigabytes is no size to allocate."""
    path = tmp_path / "small"
    path.write_bytes(b"abc")
    code = (
        "import resource; resource.setrlimit(resource.RLIMIT_AS, (10**9, 10**9))\n"
        "from fluxsense.base.files import read_bytes\n"
        f"assert read_bytes({str(path)!r}, limit_bytes=8 * 10**9, kind='digest') == b'abc'"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_chains_that_are_open_elsewhere(tmp_path):
    """Another program holds the file: it is read and replaced all the same, and that program's view stays.

    Held for writing, the library marks the file at once, so that the checksum no longer fits: the run begins anew.
    """
    from fluxsense.infer.chainfile import ChainFile, Walk, read_chains

    x = np.arange(60.0).reshape(2, 1, 10, 3)
    walk = Walk(x, x[..., 0], np.ones((2, 10)), np.zeros((2, 624), dtype=np.uint32), np.zeros((2, 3)), 1)
    path = tmp_path / "chains.h5"
    ChainFile(path, "one").save(walk, finished=False)
    for mode in ("r", "r+"):
        with h5py.File(path, mode) as other:
            assert (ChainFile(path, "one").unfinished() is not None) == (mode == "r")
            ChainFile(path, "one").save(walk, finished=False)
            np.testing.assert_array_equal(other["x"][...], x)
        np.testing.assert_array_equal(read_chains(path).x, x)


def test_a_trace_that_vanishes_while_the_campaign_is_read(tmp_path):
    from fluxsense.data.campaign import load_campaign

    study = small_study(tmp_path, repeats=1, points=5)
    assert run(["simulate", study.path]).code == 0

    def remove(done: int, total: int) -> None:
        for path in (tmp_path / "traces").iterdir():
            path.unlink()

    with pytest.raises(InputError, match=r"\.s2p: there is no such trace\. Check the name"):
        load_campaign(study, remove)


def test_two_runs_in_one_folder(tmp_path, measured: Measured):
    out = tmp_path / "out"
    out.mkdir()
    arguments = ["layout", measured.folder / "study.toml", "--starts", 1, "--steps", 2, "--out", out]
    with only_writer(out):
        done = run(arguments)
    assert done.code == 2
    assert "another run of fluxsense is writing to this folder. Wait until it has finished" in done.err
    assert list(out.iterdir()) == []
    assert run(arguments).code in (0, 1)


def test_what_killed_runs_left_goes_after_an_hour(tmp_path):
    path = tmp_path / "result.json"
    old, fresh, foreign = (
        tmp_path / n for n in (".result.json.0123abcd.part", ".result.json.89abcdef.part", ".other.part")
    )
    for left in (old, fresh, foreign):
        left.touch()
    os.utime(old, (time.time() - 4000,) * 2)
    write_beside(path, b"x", sync=True)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([fresh.name, foreign.name, path.name])


def test_killed_at_each_step_of_writing_a_digest():
    """The documented command on the shortest case: each crash point and a few random moments."""
    done = subprocess.run(
        [sys.executable, str(TESTS / "faults" / "kill.py"), "--commands", "digest", "--kills", "5"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    row = done.stdout.splitlines()[1].split()
    assert int(row[3]) >= 5  # crash points


def test_a_folder_that_may_not_be_written_to(tmp_path, measured: Measured):
    """As an ordinary user, since the superuser may write anywhere."""
    out = tmp_path / "out"
    out.mkdir(mode=0o555)
    if os.access(out, os.W_OK):
        pytest.skip("run by the superuser: covered by tests/faults/disk.py")
    done = run(["orient", measured.folder / "study.toml", "--out", out])
    assert done.code == 2
    assert "nothing can be written to the folder (Permission denied)" in done.err


# ---------------------------------------------------------------- versions of the formats, and the same again


def rewrite_header(path: Path, change: object) -> None:
    with np.load(path) as archive:
        members = {name: archive[name] for name in archive.files}
    head = json.loads(members["header"].tobytes())
    change(head)  # type: ignore[operator]
    members["header"] = np.frombuffer(json.dumps(head).encode(), dtype=np.uint8)
    path.write_bytes(npz(**members))


@pytest.mark.parametrize("version", [0, 4, 99, "1", 1.0, None, True, [1]])
def test_other_format_versions_are_refused_with_a_sentence(tmp_path, measured: Measured, version):
    digest, posterior, study = (tmp_path / n for n in ("digest.npz", "posterior.npz", "study.toml"))
    for path in (digest, posterior):
        path.write_bytes((measured.folder / "results" / path.name).read_bytes())
    load(digest), load_stored(posterior)
    rewrite_header(digest, lambda h: h.update(version=version))
    rewrite_header(posterior, lambda h: h.update(version=version))
    with pytest.raises(
        InputError, match=r"digest\.npz: the digest has format version .*, this program reads 2\. Build the"
    ):
        load(digest)
    with pytest.raises(
        InputError, match=r"posterior\.npz: the stored posterior has format version .*, this program reads 6\. Run "
    ):
        load_stored(posterior)
    if version is None:
        text = study_text().replace("format = 1\n", "")
        words = r"format: this entry is missing\. Begin the study with format = 1"
    else:
        text = study_text().replace("format = 1", f"format = {json.dumps(version)}")
        words = r"format .* is not known to this version\. This version reads format = 1"
    study.write_text(text)
    with pytest.raises(InputError, match=words):
        read_study(study)


def test_the_same_seed_gives_the_same_bytes(tmp_path, measured: Measured):
    """Every file that orient leaves, in another process, with two workers and a second process to help, and in another folder."""
    arguments = [
        "orient",
        str(measured.folder / "study.toml"),
        "--seed",
        "11",
        "--json",
        "--workers",
        "2",
        "--out",
        str(tmp_path / "out"),
    ]
    done = subprocess.run([sys.executable, "-m", "fluxsense", *arguments], capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    assert done.stdout == measured.outcome.out
    former = measured.folder / "results"
    for name in ("result.json", "digest.npz", "posterior.npz", "chains.h5", "report.html"):
        one, two = (hashlib.sha256((f / name).read_bytes()).hexdigest() for f in (former, tmp_path / "out"))
        assert one == two, name


def test_neither_workers_nor_a_clock_that_goes_backwards_change_a_layout(tmp_path, monkeypatch, measured: Measured):
    now = [2e9]

    def backwards() -> float:
        now[0] -= 1e7
        return now[0]

    arguments = ["layout", measured.folder / "study.toml", "--starts", 2, "--steps", 5, "--out"]
    assert run([*arguments, tmp_path / "a"]).code in (0, 1)
    monkeypatch.setattr(time, "time", backwards)
    assert run([*arguments, tmp_path / "b", "--workers", 2]).code in (0, 1)
    for name in ("layout.json", "study.toml"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_sentences_of_damaged_traces_stay_short():
    """Whatever stands in a line, the message fits on a screen."""
    for text in (
        "# GHZ S RI R 50\n" + "9" * 100_000,
        "[" + "a" * 100_000,
        "# " + "x" * 100_000,
        "# GHZ S RI R 50\n1 " + "z" * 100_000,
    ):
        with pytest.raises(InputError) as caught:
            sweep_from_bytes(text.encode(), "x.s2p")
        assert len(str(caught.value)) < 600
        assert str(caught.value).isprintable()


def test_directions_that_are_almost_the_same_and_endless_lists_of_them(tmp_path):
    """Found with extreme numbers: two candidates 1e-33 apart left a walker that could not move, and a length of chain of nan."""
    for text, words in (
        ("[[0, 0, 1], [1e-33, 0, 1]]", "a direction stands twice"),
        ("[" + "[0, 0, 1]," * 10_000 + "]", "a list of 10000 directions is too long"),
    ):
        path = tmp_path / "study.toml"
        path.write_text(
            study_text().replace(
                'size = "1.0 uT"', f'size = "1 uT"\ndirection_prior = "list"\ndirection_candidates = {text}'
            )
        )
        with pytest.raises(InputError, match=words):
            read_study(path)


def test_an_archive_that_two_readers_might_see_differently_is_refused():
    """Bytes after the end record, a comment, or a directory that lies elsewhere than the record says."""
    stream = io.BytesIO()
    np.savez(stream, a=np.arange(3.0))
    raw = stream.getvalue()
    assert list(arrays_from_bytes(raw)) == ["a"]
    end = len(raw) - 22
    moved = (
        raw[:end] + raw[end : end + 12] + (int.from_bytes(raw[end + 12 : end + 16], "little") - 1).to_bytes(4, "little")
    )
    name = raw.rindex(b"PK\x01\x02") + 28
    longer = raw[:name] + bytes([raw[name] + 3]) + raw[name + 1 :]  # the last name reaches over the directory's end
    for changed in (longer, raw + b"x", raw[:-2] + b"\x01\x00c", moved + raw[end + 16 :], raw[:-1], b"xx" + raw):
        with pytest.raises(Damaged):
            arrays_from_bytes(changed)
