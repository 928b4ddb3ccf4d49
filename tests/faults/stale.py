"""Nothing old is used without a word: whatever changes between two runs, the second is as if the folder had been empty.

    python tests/faults/stale.py                  # the whole table
    python tests/faults/stale.py --only prior     # rows whose name holds a word

A small campaign is simulated, `orient` and `detect` fill its results.  Each row changes one thing, runs both commands in that
folder and in a fresh one, and compares their documents value by value.  The reference is the fresh folder: nothing of the
package says what should come out.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

from small_study import study_text

from fluxsense.cli import main

Change = Callable[[Path, Path], None]
"""Takes the campaign's folder and another campaign's."""

TRACE = "traces/c1_in_s1_a_on_002.s2p"
KEPT = ("digest.npz", "posterior.npz", "chains.h5", "result.json", "detection.json", "report.html")


def command(*arguments: object) -> tuple[int, str, str]:
    """Run a command here: exit code, standard output, standard error."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(a) for a in arguments])
    return code, out.getvalue(), err.getvalue()


def made(folder: Path, seed: int, size_ut: float = 1.0) -> Path:
    """A campaign with its results."""
    folder.mkdir()
    (folder / "study.toml").write_text(study_text(points=9, repeats=5, size_ut=size_ut), encoding="utf-8")
    command("simulate", folder / "study.toml", "--seed", seed)
    return folder


def filled(folder: Path) -> Path:
    """The same with results of both commands."""
    command("orient", folder / "study.toml", "--seed", 1)
    command("detect", folder / "study.toml", "--seed", 1, "--simulations", 0)
    return folder


def replaced(file: str, old: str, new: str) -> Change:
    def change(folder: Path, other: Path) -> None:
        text = (folder / file).read_text(encoding="utf-8")
        assert old in text, (file, old)
        (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


def same_size_and_time(folder: Path, other: Path) -> None:
    """One digit of one trace, the file's length and time of change as before."""
    path = folder / TRACE
    about, lines = path.stat(), path.read_text(encoding="utf-8").splitlines(keepends=True)
    row = next(n for n, x in enumerate(lines) if x[0] not in "!#") + 3
    at = lines[row].index(".") + 1
    digit = "3" if lines[row][at] != "3" else "4"
    lines[row] = lines[row][:at] + digit + lines[row][at + 1 :]
    path.write_text("".join(lines), encoding="utf-8")
    assert path.stat().st_size == about.st_size
    os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns))


def rows(edit: Callable[[list[str]], list[str]]) -> Change:
    def change(folder: Path, other: Path) -> None:
        head, *body = (folder / "log.csv").read_text(encoding="utf-8").splitlines()
        (folder / "log.csv").write_text("\n".join([head, *edit(body)]) + "\n", encoding="utf-8")

    return change


def trace_added(folder: Path, other: Path) -> None:
    """A sweep more, of another campaign's noise, as a further repeat."""
    shutil.copy(other / TRACE, folder / "traces/more.s2p")
    text = (folder / "log.csv").read_text(encoding="utf-8")
    row = next(x for x in text.splitlines() if x.startswith(TRACE))
    (folder / "log.csv").write_text(text + row.replace(TRACE, "traces/more.s2p") + "\n", encoding="utf-8")


def bad_trace(folder: Path, other: Path) -> None:
    """A trace replaced by another setting's: it is left out."""
    shutil.copy(other / "traces/c1_in_s2_a_on_001.s2p", folder / TRACE)


def deleted(name: str) -> Change:
    def change(folder: Path, other: Path) -> None:
        (folder / "results" / name).unlink(missing_ok=True)

    return change


def swapped(*names: str) -> Change:
    def change(folder: Path, other: Path) -> None:
        for name in names:
            shutil.copy(other / "results" / name, folder / "results" / name)

    return change


def version(number: str) -> Change:
    """Results made by another version of the program, as their headers say."""

    def change(folder: Path, other: Path) -> None:
        import numpy as np

        path = folder / "results/posterior.npz"
        with np.load(path) as kept:
            arrays = {name: kept[name] for name in kept.files}
        header = json.loads(arrays["header"].tobytes())
        header["version"] = number
        arrays["header"] = np.frombuffer(json.dumps(header).encode(), dtype=np.uint8)
        np.savez(path, **arrays)

    return change


TABLE: dict[str, Change] = {
    "nothing": lambda folder, other: None,
    "a number of the study": replaced("study.toml", 'signal_linewidth = "40 MHz"', 'signal_linewidth = "40.5 MHz"'),
    "a prior of the study": replaced("study.toml", 'offset_sd = "10.0 mPhi0"', 'offset_sd = "11.0 mPhi0"'),
    "a comment of the study": replaced("study.toml", "format = 1", "# looked at\nformat = 1"),
    "a trace, same size and time": same_size_and_time,
    "a trace of another setting": bad_trace,
    "a row of the log less": rows(lambda x: x[:-1]),
    "a state in the log": rows(lambda x: [r.replace(",in,", ",out,") if TRACE in r else r for r in x]),
    "the order of the log": rows(lambda x: x[::-1]),
    "a trace more": trace_added,
    "another version of the program": version("0.0.1"),
    "another campaign's digest": swapped("digest.npz"),
    "another campaign's posterior": swapped("posterior.npz"),
    "another campaign's digest and posterior": swapped("digest.npz", "posterior.npz"),
    "another campaign's chains": swapped("chains.h5"),
    "all of another campaign's results": swapped(*KEPT),
    **{f"{name} deleted": deleted(name) for name in KEPT},
}


def documents(folder: Path, out: Path, first: str) -> dict[str, Any]:
    """What both commands say, beginning with the one named."""
    study = folder / "study.toml"
    runs = {
        "orient": ["orient", study, "--out", out, "--seed", 1, "--json"],
        "detect": ["detect", study, "--out", out, "--seed", 1, "--simulations", 0, "--json"],
    }
    said = {}
    for name in (first, *(n for n in runs if n != first)):
        code, text, fault = command(*runs[name])
        said[name] = json.loads(text) if code in (0, 1) else fault.replace(str(out), "OUT")
    return said


def differences(a: Any, b: Any, path: str = "") -> list[str]:
    """Where two documents differ."""
    if isinstance(a, dict) and isinstance(b, dict):
        return [d for k in sorted(a.keys() | b.keys()) for d in differences(a.get(k), b.get(k), f"{path}.{k}")]
    if isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        return [d for n, (x, y) in enumerate(zip(a, b, strict=True)) for d in differences(x, y, f"{path}[{n}]")]
    return [] if a == b else [path]


def row(name: str, base: Path, other: Path, first: str) -> list[str]:
    """Change one thing, run in the old folder and in a fresh one; where the documents differ."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "campaign"
        shutil.copytree(base, folder)
        TABLE[name](folder, other)
        dirty = documents(folder, folder / "results", first)
        clean = documents(folder, Path(scratch) / "fresh", first)
        return differences(clean, dirty)


def check(only: str, say: Callable[[str], None]) -> int:
    """Run the table; returns the number of rows in which something old was used."""
    wrong = 0
    with tempfile.TemporaryDirectory() as scratch:
        base = filled(made(Path(scratch) / "one", 3))
        other = filled(made(Path(scratch) / "other", 4))
        for name in TABLE:
            for first in ("orient", "detect"):
                if only not in name:
                    continue
                found = row(name, base, other, first)
                wrong += bool(found)
                say(
                    f"{name:45s} {first} first: {'as in a fresh folder' if not found else 'OLD: ' + ', '.join(found[:4])}"
                )
    say(f"{wrong} rows used something old")
    return wrong


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--only", default="", metavar="WORD", help="rows whose name holds this")
    sys.exit(check(parser.parse_args().only, lambda text: print(text, flush=True)) > 0)
