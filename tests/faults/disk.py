"""Disks that are full, read-only or not ours; files that vanish or grow: a sentence, and earlier results whole.

    python tests/faults/disk.py          # Linux, as the superuser (mounts small file systems in memory); some minutes

Each command runs in a child process on a file system of its own that holds a campaign and earlier results:

    full         so many bytes are free when the command begins, from none to as many as are needed (the command's own look
                 at the free room is switched off, as if another program had filled the disk meanwhile)
    little room  the look at the free room is on
    read-only    the file system is mounted read-only
    not ours     the folder belongs to another user, and the command runs without privileges
    not readable a trace may not be read
    held         another run holds the folder
    vanishing    the traces are removed while they are read
    growing      a trace is being written to while it is read

Expected each time: exit code 2, one sentence with a place and a way out, no traceback; inputs and earlier results as they
were, every new file whole; no temporary file left; and a run with room again leaves what an undisturbed one leaves.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from kill import CASES, contents  # noqa: E402

from fluxsense import cli  # noqa: E402
from fluxsense.jobs import folder  # noqa: E402

NOBODY = 65534
COMMANDS = ("orient", "detect", "layout", "characterize")


@contextlib.contextmanager
def file_system(size_bytes: int) -> Iterator[Path]:
    """A file system in memory, mounted on a new folder."""
    with tempfile.TemporaryDirectory(prefix="disk_") as name:
        os.chmod(name, 0o755)
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size_bytes},mode=755", "tmpfs", name], check=True)
        try:
            yield Path(name)
        finally:
            subprocess.run(["umount", "-l", name], check=True)


def remount(place: Path, options: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{options}", str(place)], check=True)


def in_child(run: Callable[[], int], *, room: bool = False, user: int | None = None) -> tuple[int, str, str]:
    """Exit code, output and complaints of a command in a child process."""
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as err:
        child = os.fork()
        if child == 0:
            code = 99
            os.dup2(out.fileno(), 1)
            os.dup2(err.fileno(), 2)
            sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
            try:
                if not room:
                    folder.ROOM_BYTES = 0
                if user is not None:
                    os.environ["HOME"] = "/nonexistent"
                    os.setgid(user)
                    os.setuid(user)
                code = run()
            except BaseException:
                import traceback

                traceback.print_exc()
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
        _, status = os.waitpid(child, 0)
        out.seek(0)
        err.seek(0)
        return os.waitstatus_to_exitcode(status), out.read(), err.read()


def arguments(command: str, folder: Path, seed: int) -> list[str]:
    """The command as `kill.py` runs it."""
    more = {
        "orient": ["--effective", "100"],
        "detect": ["--simulations", "20"],
        "layout": ["--starts", "1", "--steps", "20"],
        "characterize": ["--force", "--isolation", str(12 + seed)],
    }[command]
    return [command, str(folder / "study.toml"), "--seed", str(seed), *more]


class Tally:
    """Counts and what went wrong."""

    def __init__(self) -> None:
        self.counts: Counter[tuple[str, str]] = Counter()
        self.wrong: list[str] = []
        self.sentences: dict[str, str] = {}

    def expect(self, what: str, good: bool, detail: str) -> None:
        if not good:
            self.wrong.append(f"{what}: {detail[-1500:]}")

    def sentence(self, kind: str, command: str, outcome: tuple[int, str, str]) -> None:
        code, _, err = outcome
        last = err.strip().splitlines()[-1:] or [""]
        good = code == 2 and "Traceback" not in err and re.match(r"fluxsense \w+: .*[.?!]$", last[0])
        self.counts[kind, "sentence" if good else "wrong"] += 1
        self.sentences.setdefault(kind, last[0])
        self.expect(f"{kind}, {command}", bool(good), f"exit code {code}: {err}")


def unharmed(tally: Tally, what: str, work: Path, former: dict[str, str], new: dict[str, str]) -> None:
    """Inputs and earlier results are there, whole, and nothing else is."""
    found = contents(work)
    odd = [k for k in found if found[k] not in (former.get(k), new.get(k))]
    odd += [k for k in former if k not in found]
    tally.counts[what.split(",")[0], "unharmed" if not odd else "harmed"] += 1
    tally.expect(what, not odd, f"neither former nor new: {odd}")


def full_disks(tally: Tally, command: str, base: Path, former: dict[str, str], new: dict[str, str], code: int) -> None:
    """The command on file systems with ever more room, until it ends well."""
    used = sum(-(-p.stat().st_size // 4096) * 4096 if p.is_file() else 4096 for p in base.rglob("*")) + 4096
    free = 0
    while True:
        with file_system(used + free + 4096) as place:
            work = place / "work"
            shutil.copytree(base, work)
            outcome = in_child(lambda work=work: cli.main(arguments(command, work, 2)))
            unharmed(tally, f"full, {command}, {free} bytes free", work, former, new)
            if outcome[0] == code and contents(work) == new:
                tally.counts["full", "room enough"] += 1
                return
            tally.sentence("full", f"{command}, {free} bytes free", outcome)
            if command == "orient" and contents(work).get("results/result.json") == former.get("results/result.json"):
                with contextlib.suppress(ValueError):
                    json.loads(outcome[1])
                    tally.counts["full", "answer printed"] += 1
            remount(place, f"size={used + 100_000_000}")
            again = in_child(lambda work=work: cli.main(arguments(command, work, 2)))
            same = again[0] == code and contents(work) == new
            tally.counts["full", "same result later" if same else "other result later"] += 1
            tally.expect(f"full, {command}, again", same, f"exit code {again[0]}: {again[2]}")
        free = max(4096, 4 * free)


def other_faults(tally: Tally, command: str, base: Path, former: dict[str, str], new: dict[str, str]) -> None:
    with file_system(50_000_000) as place:
        work = place / "work"
        shutil.copytree(base, work)

        def run() -> int:
            return cli.main(arguments(command, work, 2))

        def check(kind: str, outcome: tuple[int, str, str]) -> None:
            tally.sentence(kind, command, outcome)
            unharmed(tally, f"{kind}, {command}", work, former, new)

        remount(place, "ro")
        check("read-only", in_child(run))
        remount(place, "rw,size=12000000")
        check("little room", in_child(run, room=True))
        check("not ours", in_child(run, user=NOBODY))
        from fluxsense.base.files import only_writer

        with only_writer(work / CASES[command].results):
            check("held", in_child(run))
        if command in ("orient", "characterize"):
            traces = sorted(work.rglob("*.s2p"))
            os.chmod(traces[3], 0o000)
            check("not readable", in_child(run, user=NOBODY) if _others_may_write(work) else in_child(run))
            os.chmod(traces[3], 0o644)


def _others_may_write(work: Path) -> bool:
    """Give the tree to the unprivileged user, so that only the one trace is out of reach."""
    for path in [work, *work.rglob("*")]:
        if path.stat().st_mode & 0o777:
            os.chown(path, NOBODY, NOBODY)
    return True


def moving_files(tally: Tally, base: Path, former: dict[str, str]) -> None:
    """Traces removed, or written to, while orient reads them."""
    for kind in ("vanishing", "growing"):
        with tempfile.TemporaryDirectory() as name:
            work = Path(name) / "work"
            shutil.copytree(base, work)
            last = sorted(work.rglob("*.s2p"))[-1]

            def run(kind: str = kind, last: Path = last, work: Path = work) -> int:
                from fluxsense.data import traces

                read = traces.read_bytes
                stop = threading.Event()

                def append() -> None:
                    with open(last, "ab") as stream:
                        while not stop.is_set():
                            stream.write(b"! still being written\n" * 1000)
                            stream.flush()

                def reading(path: str, **more: object) -> bytes:
                    if kind == "vanishing" and Path(path) != last:
                        last.unlink(missing_ok=True)
                    if kind == "growing" and Path(path) == last:
                        writer = threading.Thread(target=append, daemon=True)
                        writer.start()
                        try:
                            for _ in range(1000):  # until a read and a write meet
                                read(path, **more)  # type: ignore[arg-type]
                        finally:
                            stop.set()
                            writer.join()
                    return read(path, **more)  # type: ignore[arg-type]

                traces.read_bytes = reading  # type: ignore[assignment]
                return cli.main(arguments("orient", work, 2))

            tally.sentence(kind, "orient", in_child(run))
            found = contents(work)
            left = {k: v for k, v in found.items() if not k.endswith(last.name)}
            good = left == {k: v for k, v in former.items() if not k.endswith(last.name)}
            tally.counts[kind, "unharmed" if good else "harmed"] += 1
            tally.expect(kind, good, "files changed")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--commands", default=",".join(COMMANDS))
    options = parser.parse_args()
    if os.geteuid() != 0:
        print("This needs the superuser: it mounts small file systems in memory.", file=sys.stderr)
        return 2
    tally = Tally()
    for command in options.commands.split(","):
        case = CASES[command]
        with tempfile.TemporaryDirectory(prefix="disk_base_") as name:
            base, whole = Path(name) / "work", Path(name) / "whole"
            os.chmod(name, 0o755)
            base.mkdir()
            with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
                case.prepare(base)
                cli.main(arguments(command, base, 1))
            former = contents(base)
            shutil.copytree(base, whole)
            code, _, err = in_child(lambda whole=whole, command=command: cli.main(arguments(command, whole, 2)))
            assert code in (0, 1), err
            new = contents(whole)
            full_disks(tally, command, base, former, new, code)
            other_faults(tally, command, base, former, new)
            if command == "orient":
                moving_files(tally, base, former)
        print(f"{command} done", file=sys.stderr, flush=True)
    kinds = list(dict.fromkeys(kind for kind, _ in tally.counts))
    for kind in kinds:
        print(f"{kind:13}" + ", ".join(f"{word} {n}" for (k, word), n in tally.counts.items() if k == kind))
        if tally.sentences.get(kind):
            print(f"{'':13}{re.sub(r'/tmp/[^: ]*/', '', tally.sentences[kind])}")
    for line in tally.wrong:
        print(line)
    print(f"{len(tally.wrong)} wrong")
    return int(bool(tally.wrong))


if __name__ == "__main__":
    raise SystemExit(main())
