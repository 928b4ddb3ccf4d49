"""`fluxsense follow` killed at random moments while sweeps arrive: nothing is lost, and the end is what `orient` says.

    python tests/faults/kill_live.py --kills 100            # some ten minutes of one core

A small campaign is fed row by row: traces are copied whole, half first and the rest later, or after their row; rows come twice; the
log is replaced by a copy with its rows in another order; a clock is set back by an hour for a sweep.  Meanwhile `follow` runs in a process of its own and
gets SIGKILL at times drawn evenly from nothing to `LONGEST` seconds, then starts again.  After each kill what stands in the results is
whole.  When all sweeps are there, `follow --once` must leave the digest (by its hash), the direction, its modes and regions and the verdict
that `orient` leaves on the same files, to the last digit.  Exit code 0 only if all of this held.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from kill import command, small_campaign  # noqa: E402

LONGEST = 4.0
"""Seconds after its start at which a process is killed at most: reading, a full run and some updates."""
AT_ONCE = 6
"""Sweeps that arrive while a process runs, at most."""


def feed(source: Path, folder: Path, lines: list[str], rng: random.Random, done: Counter[str]) -> None:
    """One sweep more: its trace and its row, in one of the ways in which they come."""
    head, *old = (folder / "log.csv").read_text().splitlines(keepends=True)
    line = lines.pop(0)
    name = next(cell for cell in line.strip().split(",") if ".s2p" in cell)
    data = (source / name).read_bytes()
    way = rng.choice(["whole", "half first", "row first", "row twice", "log replaced", "clock set back"])
    done[way] += 1
    if way == "clock set back":
        cells = line.split(",")
        column = head.strip().split(",").index("time_s")
        cells[column] = f"{float(cells[column]) - 3600.0:g}" + ("\n" if column == len(cells) - 1 else "")
        line = ",".join(cells)
    if way == "half first":
        (folder / name).write_bytes(data[: len(data) // 2])
        time.sleep(rng.uniform(0.0, 0.2))
    if way != "row first":
        (folder / name).write_bytes(data)
    rows = [*old, line, *([line] if way == "row twice" else [])]
    if way == "log replaced":
        rng.shuffle(rows)
    if way in ("log replaced", "row twice"):
        beside = folder / "log.new"
        beside.write_text("".join([head, *rows]))
        beside.replace(folder / "log.csv")
    else:
        with (folder / "log.csv").open("a") as log:
            log.write(line)
    if way == "row first":
        time.sleep(rng.uniform(0.0, 0.2))
        (folder / name).write_bytes(data)


def whole(folder: Path) -> list[str]:
    """What is wrong with the results that stand in a folder."""
    out = []
    for path in (folder / "results").glob("*.json"):
        try:
            json.loads(path.read_text())
        except ValueError as fault:
            out.append(f"{path.name}: {fault}")
    return out


def campaign(
    source: Path, expected: dict[str, object], kills: int, rng: random.Random, done: Counter[str]
) -> list[str]:
    """One campaign from its first sweep to its last, with so many kills at most; what went wrong."""
    faults: list[str] = []
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work) / "campaign"
        folder.mkdir()
        shutil.copy(source / "study.toml", folder)
        head, *lines = (source / "log.csv").read_text().splitlines(keepends=True)
        every = list(lines)
        (folder / "log.csv").write_text(head)
        for name in {Path(cell).parent for line in lines for cell in line.split(",") if ".s2p" in cell}:
            (folder / name).mkdir(exist_ok=True)
        while lines or kills > 0:
            process = subprocess.Popen(
                [sys.executable, "-m", "fluxsense", "follow", str(folder / "study.toml"), "--poll", "0.1"],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            end = time.monotonic() + rng.uniform(0.0, LONGEST)
            for _ in range(min(len(lines), rng.randint(0, AT_ONCE))):
                feed(source, folder, lines, rng, done)
            time.sleep(max(0.0, end - time.monotonic()))
            process.send_signal(signal.SIGKILL)
            process.wait()
            kills -= 1
            done["kills"] += 1
            faults += whole(folder)
            if not lines and rng.random() < 0.3:
                break
        (folder / "log.csv").write_text(
            "".join([head, *every])
        )  # rows in the order of the other campaign: as its log was
        if command("follow", folder / "study.toml", "--once", "--seed", 1, "--no-report") > 1:
            faults.append("follow --once did not end")
        found = json.loads((folder / "results" / "result.json").read_text())
        for key in ("direction", "modes", "region", "verdict"):
            if found[key] != expected[key]:
                faults.append(f"{key} is not that of orient")
        if found["provenance"]["digest_hash"] != expected["provenance"]["digest_hash"]:  # type: ignore[index]
            faults.append("the digest is not that of orient")
    return faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng = random.Random(asked.seed)
    done: Counter[str] = Counter()
    faults: list[str] = []
    with tempfile.TemporaryDirectory() as work:
        source = Path(work) / "source"
        source.mkdir()
        small_campaign(source)
        command("orient", source / "study.toml", "--seed", 1, "--no-report")
        expected = json.loads((source / "results" / "result.json").read_text())
        while done["kills"] < asked.kills:
            faults += campaign(source, expected, asked.kills - done["kills"], rng, done)
            done["campaigns"] += 1
            print(dict(done), faults or "nothing lost", flush=True)
    return int(bool(faults))


if __name__ == "__main__":
    sys.exit(main())
