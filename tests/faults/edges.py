"""Extreme numbers in every numeric field of a study: the commands end with a finite answer or a sentence.

    python tests/faults/edges.py                        # check and simulate, about five minutes of one core
    python tests/faults/edges.py --orient               # also orient, a second of sampling each; about half an hour

Each number of three studies that together hold every key is replaced in turn by 0, 1e-30, 1e+30 and their negatives (with
its unit).  `check` runs on each; where it accepts, `simulate` writes a campaign; with --orient that is inferred.  Outcomes:

    answer    exit code 0 or 1, every number in the JSON document finite, nothing but progress on standard error
    sentence  exit code 2 and a sentence with a place
    odd       a traceback, a warning, a number that is not finite, or a sentence without a place

Exit code 0 only if nothing is odd.
"""

from __future__ import annotations

import argparse
import contextlib
import copy
import io
import json
import os
import re
import sys
import tempfile
import time
import tomllib
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from fuzz import DIPOLE_STUDY, RICH_STUDY  # noqa: E402
from small_study import study_text  # noqa: E402

from fluxsense.cli import main as fluxsense  # noqa: E402
from fluxsense.study.write import toml_text  # noqa: E402

VALUES = ("0", "1e-30", "1e+30", "-1e-30", "-1e+30")
_QUANTITY = re.compile(r"\s*([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(\S.*)")

Path_ = tuple[Any, ...]


def studies() -> dict[str, dict[str, Any]]:
    """Studies in which few sweeps are taken."""
    field = study_text(
        points=5, repeats=2, fluxes=((0.5, 0.5, 0.5, 0.5),), ports=(1,), strength_sd=0.02, phase_sd_deg=1.0
    )
    rich = (
        field.replace('states = ["out", "in"]', 'states = ["out", "in", "half_turn", "coil_on", "known"]') + RICH_STUDY
    )
    grain = DIPOLE_STUDY.replace("points = 41", "points = 5") + "[plan]\nrepeats = 2\noff_repeats = 2\n"
    return {name: tomllib.loads(text) for name, text in (("field", rich), ("grain", grain))}


def numbers(node: Any, path: Path_ = ()) -> Iterator[tuple[Path_, str]]:
    """Places of numbers in a tree, with the unit behind them."""
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in items:
        here = (*path, key)
        if isinstance(value, bool):
            continue
        if isinstance(value, (int, float)):
            yield here, ""
        elif isinstance(value, str) and key not in ("title", "note", "name", "pump_port_1_phase"):
            match = _QUANTITY.fullmatch(value)
            if match:
                yield here, match[2]
        yield from numbers(value, here)


def replaced(tree: dict[str, Any], path: Path_, value: Any) -> dict[str, Any]:
    """A copy of a tree with one entry replaced."""
    out = copy.deepcopy(tree)
    node: Any = out
    for key in path[:-1]:
        node = node[key]
    node[path[-1]] = value
    return out


def run(*arguments: Any) -> tuple[int, str, str]:
    """One command in this process with warnings as errors; exit code (99 for a traceback), output, complaints."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            code = fluxsense([str(a) for a in arguments])
        except Exception:
            return 99, out.getvalue(), traceback.format_exc()[-1500:]
    return code, out.getvalue(), err.getvalue()


def finite(text: str) -> bool:
    """Whether a JSON document holds finite numbers only."""

    def refuse(word: str) -> Any:
        raise ValueError(word)

    try:
        json.loads(text, parse_constant=refuse)
    except ValueError:
        return False
    return True


def outcome(code: int, out: str, err: str) -> str:
    if code in (0, 1):
        return "answer" if finite(out) else "odd"
    if code == 2 and re.match(r"fluxsense \w+: \S.*[.?!]\s*$", err, re.DOTALL) and "Traceback" not in err:
        return "sentence"
    return "odd"


def one(tree: dict[str, Any], folder: Path, *, orient: bool) -> Iterator[tuple[str, str, str]]:
    """Commands on one study: name, outcome and words of each."""
    study = folder / "study.toml"
    study.write_text(toml_text(tree), encoding="utf-8")
    code, out, err = run("check", study, "--json")
    yield "check", outcome(code, out, err), err if code > 1 else out
    if code > 1:
        return
    began = time.process_time()
    code, out, err = run("simulate", study, "--out", folder / "c", "--force", "--json", "--seed", 1)
    yield "simulate", outcome(code, out, err), err
    if code > 1 or not orient:
        return
    if time.process_time() - began > 20:
        yield "simulate", "odd", "more than 20 s"
    code, out, err = run(
        "orient", folder / "c" / "study.toml", "--json", "--no-report", "--max-time", 1, "--effective", 100, "--seed", 1
    )
    yield "orient", outcome(code, out, err), err


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--orient", action="store_true", help="also infer each simulated campaign")
    parser.add_argument("--only", default="", metavar="TEXT", help="fields whose path holds this text")
    parser.add_argument("--every", type=int, default=1, metavar="N", help="every N-th case")
    parser.add_argument("--values", default=",".join(VALUES))
    options = parser.parse_args()
    counts: Counter[tuple[str, str]] = Counter()
    fields = cases = 0
    with tempfile.TemporaryDirectory(prefix="edges_") as top:
        for name, tree in studies().items():
            for path, unit in numbers(tree):
                place = ".".join(str(p) for p in path)
                if options.only not in place:
                    continue
                fields += 1
                for text in options.values.split(","):
                    cases += 1
                    if cases % options.every:
                        continue
                    value: Any = f"{text} {unit}" if unit else json.loads(text.replace("+", ""))
                    folder = Path(top) / f"{name}_{cases}"
                    folder.mkdir()
                    for command, result, words in one(replaced(tree, path, value), folder, orient=options.orient):
                        counts[command, result] += 1
                        if result == "odd":
                            print(f"odd: {command}, {name}, {place} = {value!r}\n{words[-1200:]}", flush=True)
    print(f"{fields} fields, {cases} cases (every {options.every})")
    print(f"{'command':10}{'answer':>9}{'sentence':>10}{'odd':>6}")
    for command in ("check", "simulate", "orient"):
        row = [counts[command, x] for x in ("answer", "sentence", "odd")]
        if any(row):
            print(f"{command:10}{row[0]:>9}{row[1]:>10}{row[2]:>6}")
    return int(any(n for (_, result), n in counts.items() if result == "odd"))


if __name__ == "__main__":
    raise SystemExit(main())
