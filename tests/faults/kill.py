"""Commands killed in the middle: earlier results whole, inputs untouched, the next run ends as if nothing had happened.

    python tests/faults/kill.py --kills 100                 # about half an hour of one core
    python tests/faults/kill.py --kills 10 --commands layout,digest

Per command: a folder with a campaign and earlier results; the command, with another seed, runs in a child process.

* Random moments: the child gets SIGKILL at a time drawn evenly from the length of a whole run.
* Crash points: what stands on disk before each step of writing (make, half written, written, forced to disk, renamed,
  folder forced to disk) of each file, which is what a kill at that point leaves.

After each kill: every input is as it was; every result file is byte for byte the former one or the new one, save that the
chains of `orient` may be whole ones up to some step; nothing else stands in the folder but temporary files.  After every tenth crash point and random moment (--again 1: every one) the
command runs again to its end, and must leave what an undisturbed run leaves.  Exit code 0 only if all of this held.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from fluxsense.base import files as written_files  # noqa: E402
from fluxsense.base.errors import InputError  # noqa: E402
from fluxsense.cli import main as fluxsense  # noqa: E402
from fluxsense.infer import chainfile  # noqa: E402

TRANSIENT = (".part", ".lock")
"""Ends of names of files that a killed run may leave."""


@dataclass(frozen=True)
class Case:
    """A command under test: how to prepare its folder, earlier run, run to be killed, folder of results."""

    prepare: Callable[[Path], None]
    earlier: Callable[[Path], int]
    again: Callable[[Path], int]
    results: str


def command(*arguments: Any) -> int:
    """One command, in this process, in silence."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return fluxsense([str(a) for a in arguments])


def small_campaign(folder: Path) -> None:
    from small_study import small_study

    small_study(folder, points=7, repeats=2)
    assert command("simulate", folder / "study.toml", "--seed", 3) == 0


def with_results(folder: Path) -> None:
    small_campaign(folder)
    assert command("orient", folder / "study.toml", "--effective", 100, "--no-report") in (0, 1)


def small_sweeps(folder: Path) -> None:
    """Sweeps of one isolator with a study that knows nothing of its parameters."""
    from sweep_chips import studies

    from fluxsense.characterize.virtual import SweepPlan, virtual_sweeps
    from fluxsense.data.log import write_log
    from fluxsense.data.touchstone import write_sweep

    truth, rough = studies(folder)
    (folder / "truth_study.toml").unlink()
    plan = SweepPlan(flux_points=17, working_phi0=((0.5, 0.5), (1.1, 1.1)), powers=4, frequencies=4, phases=0)
    rows = list(virtual_sweeps(truth, plan, 1))
    (folder / Path(rows[0][0].file).parent).mkdir(exist_ok=True)
    for row, sweep in rows:
        write_sweep(folder / row.file, sweep)
    write_log(folder / "log.csv", [r for r, _ in rows], [b.name for b in rough.study.bias_lines])


def digest(folder: Path, seed: int) -> int:
    """The digest of the campaign's first or all traces, saved as orient and detect save it."""
    from fluxsense.data.campaign import load_campaign
    from fluxsense.data.digest import Digest
    from fluxsense.study import read_study

    found = load_campaign(read_study(folder / "study.toml"))
    (folder / "results").mkdir(exist_ok=True)
    (Digest(dict(list(found.items())[:5])) if seed == 1 else found).save(folder / "results" / "digest.npz")
    return 0


def orient(folder: Path, seed: int) -> int:
    """With the chains written after every block instead of every few seconds, so that short runs are gone on from too."""
    chainfile.LEAST_SECONDS = 0.0
    return command("orient", folder / "study.toml", "--effective", 60, "--seed", seed)


def detect(folder: Path, seed: int) -> int:
    return command("detect", folder / "study.toml", "--simulations", 20, "--seed", seed)


def layout(folder: Path, seed: int) -> int:
    return command("layout", folder / "study.toml", "--starts", 1, "--steps", 20, "--seed", seed)


def characterize(folder: Path, seed: int) -> int:
    return command("characterize", folder / "study.toml", "--force", "--isolation", 12 + seed)


def _case(prepare: Callable[[Path], None], run: Callable[[Path, int], int], results: str) -> Case:
    return Case(prepare, lambda f: run(f, 1), lambda f: run(f, 2), results)


CASES = {
    "digest": _case(small_campaign, digest, "results"),
    "orient": _case(small_campaign, orient, "results"),
    "detect": _case(with_results, detect, "results"),
    "layout": _case(small_campaign, layout, "layout"),
    "characterize": _case(small_sweeps, characterize, "characterized"),
}


def contents(folder: Path) -> dict[str, str]:
    """Hashes of all files below a folder."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def unfinished(path: Path) -> bool:
    """Whether a file of chains is whole and can be gone on from."""
    try:
        return chainfile.read_chains(path).steps > 0
    except InputError:
        return False


class CrashPoint:
    """Stands in for the `os` module in the module that writes files: copies the folder as it stands before each step.

    What a process leaves on disk when it is killed is what stands there at that moment, so one run gives every crash point.
    """

    def __init__(self, work: Path, copies: Path) -> None:
        self._work, self._copies = work, copies
        self._steps = 0

    def step(self) -> None:
        shutil.copytree(self._work, self._copies / f"{self._steps:04d}")
        self._steps += 1

    def __getattr__(self, name: str) -> Any:
        if name in ("fsync", "replace"):
            self.step()
        return getattr(os, name)

    def open_file(self, *arguments: Any, **more: Any) -> Any:
        """In place of the built-in `open`: writing is done in two halves, with a step before each and after them."""
        stream = open(*arguments, **more)  # noqa: SIM115
        if "x" in arguments[1] or "w" in arguments[1]:
            self.step()
            write = stream.write

            def in_halves(data: bytes) -> int:
                write(data[: len(data) // 2])
                stream.flush()
                self.step()
                write(data[len(data) // 2 :])
                stream.flush()
                self.step()
                return len(data)

            stream = _Stream(stream, in_halves)
        return stream


class _Stream:
    def __init__(self, stream: Any, write: Callable[[bytes], int]) -> None:
        self._stream, self.write = stream, write

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def __enter__(self) -> _Stream:
        return self

    def __exit__(self, *_: Any) -> None:
        self._stream.close()


def in_child(run: Callable[[], int], kill_after: float | None = None, point: CrashPoint | None = None) -> int | None:
    """Exit code of a run in a child process; None if it was killed."""
    child = os.fork()
    if child == 0:
        code = 99
        with contextlib.suppress(BaseException):
            if point is not None:
                written_files.os = point  # type: ignore[assignment]
                written_files.open = point.open_file  # type: ignore[attr-defined]
            code = run()
        os._exit(code)
    if kill_after is not None:
        end = time.monotonic() + kill_after
        while time.monotonic() < end:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.002)
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    code = os.waitstatus_to_exitcode(status)
    return None if code == -signal.SIGKILL else code


def test_command(name: str, kills: int, seed: int, again_each: int) -> tuple[Counter[str], list[str]]:
    """Kill one command many times; counts, and what went wrong."""
    case = CASES[name]
    counts: Counter[str] = Counter()
    wrong: list[str] = []
    rng = random.Random(f"{name}:{seed}")
    with tempfile.TemporaryDirectory(prefix=f"kill_{name}_") as top:
        base = Path(top) / "base"
        base.mkdir()
        case.prepare(base)
        assert case.earlier(base) in (0, 1)
        former = contents(base)
        work = Path(top) / "work"

        def fresh() -> None:
            shutil.rmtree(work, ignore_errors=True)
            shutil.copytree(base, work)

        fresh()
        begin = time.monotonic()
        code = in_child(lambda: case.again(work))
        whole = time.monotonic() - begin
        assert code in (0, 1), f"{name} ended with {code}"
        new = contents(work)
        changed = [k for k in new if new[k] != former.get(k)]
        assert changed
        assert all(k.startswith(case.results) for k in changed), changed

        def check(what: str) -> None:
            found = contents(work)
            for key, value in found.items():
                if key.endswith(TRANSIENT):
                    counts["left temporary"] += 1
                elif value in (former.get(key), new.get(key)):
                    pass
                elif key.endswith("chains.h5") and unfinished(work / key):
                    counts["chains kept"] += 1
                else:
                    wrong.append(f"{name}, {what}: {key} is neither the former nor the new one")
            for key in former:
                if key not in found:
                    wrong.append(f"{name}, {what}: {key} is gone")

        def finish(what: str) -> None:
            counts["run again"] += 1
            ended = in_child(lambda: case.again(work))
            found = {k: v for k, v in contents(work).items() if not k.endswith(TRANSIENT)}
            if ended != code:
                wrong.append(f"{name}, {what}: the next run ended with {ended}, not {code}")
            elif found != new:
                odd = sorted(k for k in found.keys() | new.keys() if found.get(k) != new.get(k))
                wrong.append(f"{name}, {what}: the next run left other {odd}")
            else:
                counts["same result"] += 1

        for n in range(kills):
            fresh()
            moment = rng.uniform(0.0, 1.05 * whole)
            ended = in_child(lambda: case.again(work), kill_after=moment)
            counts["killed" if ended is None else "ended before"] += 1
            check(f"killed after {moment:.3f} of {whole:.3f} s")
            if n % again_each == 0:
                finish(f"killed after {moment:.3f} of {whole:.3f} s")
        fresh()
        copies = Path(top) / "copies"
        copies.mkdir()
        assert in_child(lambda: case.again(work), point=CrashPoint(work, copies)) == code
        for n, copy in enumerate(sorted(copies.iterdir())):
            shutil.rmtree(work)
            copy.rename(work)
            counts["crash points"] += 1
            check(f"crash point {n}")
            if n % again_each == 0:
                finish(f"crash point {n}")
    return counts, wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=100, help="random moments per command (default 100)")
    parser.add_argument("--commands", default=",".join(CASES), help="comma-separated (default: all)")
    parser.add_argument(
        "--again", type=int, default=10, metavar="N", help="run again after every N-th kill (default 10)"
    )
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    columns = ("killed", "ended before", "crash points", "run again", "same result", "left temporary", "chains kept")
    print(f"{'command':14}" + "".join(f"{c:>16}" for c in columns) + f"{'wrong':>8}{'seconds':>9}", flush=True)
    bad = 0
    for name in options.commands.split(","):
        begin = time.monotonic()
        counts, wrong = test_command(name, options.kills, options.seed, options.again)
        bad += len(wrong)
        row = "".join(f"{counts[c]:>16}" for c in columns)
        print(f"{name:14}{row}{len(wrong):>8}{time.monotonic() - begin:>9.0f}", flush=True)
        for line in wrong[:10]:
            print(f"  {line}", flush=True)
    return int(bad > 0)


if __name__ == "__main__":
    raise SystemExit(main())
