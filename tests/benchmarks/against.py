"""The commands of an older version of the package and of this one, each in an environment of its own, in turn.

Both trees are copied out of the repository (this one as it stands in the working tree), installed as the README says, and measure
the demos that both have.  What a command costs is what the system says of its process and of those that it waited for;
memory is no less than this script's own.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from timing import Line, quartiles

ROOT = Path(__file__).resolve().parents[2]
COMMANDS: dict[str, tuple[str, ...]] = {
    "orient, grain": ("orient", "data_demo/grain/study.toml", "--out", "OUT/grain"),
    "detect after orient": ("detect", "data_demo/grain/study.toml", "--out", "OUT/grain"),
    "plan": ("plan", "data_demo/grain/study.toml", "--out", "OUT/plan"),
    "layout --workers 2": ("layout", "data_demo/grain/study.toml", "--workers", "2", "--out", "OUT/layout"),
    "characterize": ("characterize", "data_demo/sweeps/study.toml", "--force", "--out", "OUT/sweeps"),
    "orient --help": ("orient", "--help"),
}
WANTED_S = {
    "orient, grain": 6.0,
    "detect after orient": 3.0,
    "plan": 5.0,
    "layout --workers 2": 8.0,
    "characterize": 8.0,
}
"""Wall time that the issue of answers in seconds asks for."""


@dataclass(frozen=True)
class Cost:
    """What one run of a command took."""

    wall_s: float
    cpu_s: float
    memory_mb: float
    page_mb: float


class Tree:
    """A version of the package, installed.

    Parameters
    ----------
    folder : Path
        Where its tree and its environment are made.
    ref : str or None
        A commit; None for the working tree.
    """

    def __init__(self, folder: Path, ref: str | None) -> None:
        self.tree, self.out = folder / "tree", folder / "out"
        self.tree.mkdir(parents=True)
        self.out.mkdir()
        if ref is None:
            listed = _said(("git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"), ROOT)
            for name in filter(None, listed.decode().split("\0")):
                if (ROOT / name).is_file():
                    (self.tree / name).parent.mkdir(parents=True, exist_ok=True)
                    shutil.copy2(ROOT / name, self.tree / name)
        else:
            with tarfile.open(fileobj=BytesIO(_said(("git", "archive", ref), ROOT))) as archive:
                archive.extractall(self.tree, filter="data")
        _said((sys.executable, "-m", "venv", str(folder / "venv")), folder)
        self.python = folder / "venv" / "bin" / "python"
        _said((str(self.python), "-m", "pip", "install", "--quiet", "."), self.tree)

    def run(self, command: Sequence[str]) -> Cost:
        """One run; its exit code may be that of a verdict.  `orient` begins in an empty folder: it does nothing twice."""
        if command[0] == "orient":
            shutil.rmtree(self.out)
            self.out.mkdir()
        arguments = [part.replace("OUT", str(self.out)) for part in command]
        begun = time.perf_counter()
        process = subprocess.Popen(
            [str(self.python), "-m", "fluxsense", *arguments], cwd=self.tree, stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE, env=os.environ | {"PYTHONPATH": ""},
        )  # fmt: skip
        errors = process.stderr.read() if process.stderr is not None else b""
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - begun
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in (0, 1):
            raise SystemExit(f"{' '.join(arguments)}: exit code {process.returncode}\n{errors.decode()[-2000:]}")
        pages = [page.stat().st_size for page in self.out.rglob("*.html") if page.stat().st_mtime > time.time() - wall]
        return Cost(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, max(pages, default=0) / 1e6)


def _said(command: Sequence[str], where: Path) -> bytes:
    done = subprocess.run(command, cwd=where, capture_output=True, check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(command)}: {done.stderr.decode()[-2000:]}")
    return done.stdout


def against(ref: str, folder: Path, repeats: int = 3) -> list[Line]:
    """A line for each command that both versions have, wall times; the rest stands in the note.

    Parameters
    ----------
    ref : str
        A commit of this repository.
    folder : Path
        For both trees.
    repeats : int
        Runs of each version, after one that does not count.
    """
    ours, theirs = Tree(folder / "ours", None), Tree(folder / "theirs", ref)
    lines = []
    for name, command in COMMANDS.items():
        pairs = [(ours.run(command), theirs.run(command)) for _ in range(repeats + 1)][1:]
        new, old = (
            min((a for a, _ in pairs), key=lambda c: c.wall_s),
            min((b for _, b in pairs), key=lambda c: c.wall_s),
        )
        ratio = quartiles([a.wall_s / b.wall_s for a, b in pairs])
        wanted = f", wanted {WANTED_S[name]:g} s" if name in WANTED_S else ""
        note = (
            f"wall time, the least of {repeats}{wanted}; CPU {new.cpu_s:.2f} and {old.cpu_s:.2f} s, memory of the largest process "
            f"{new.memory_mb:.0f} and {old.memory_mb:.0f} MB, page {new.page_mb:.2f} and {old.page_mb:.2f} MB; ratio: ours over {ref}"
        )
        more = {"ours": [vars(a) for a, _ in pairs], "theirs": [vars(b) for _, b in pairs], "ref": ref}
        lines.append(Line(f"against {ref}: {name}", new.wall_s, old.wall_s, "s", *ratio, "", note, more))
    return lines
