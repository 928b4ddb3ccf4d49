"""Benchmarks: fluxsense against what a user would otherwise do, in turn in one process.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/run.py                   # all, half an hour
    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/run.py --only forward --only reading --json bench.json
    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/run.py --against 5229578     # commands of an older version in turn with these

Prints a table: our median, the peer's, their ratio with quartiles over repeats, what was wanted, and how it was measured.
The peers need the extra `test` (scikit-rf, dynesty) and, for one line, a C compiler.
"""

from __future__ import annotations

import argparse
import functools
import json
import os
import platform
import sys
import tempfile
import textwrap
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: threads cost more than they bring

import cases
from against import against
from timing import Line

CASES: dict[str, Callable[[Path], list[Line]]] = {
    "forward": lambda folder: cases.forward(),
    "repeats": cases.likelihood_repeats,
    "points": cases.likelihood_points,
    "direct": cases.likelihood_direct,
    "whole": cases.whole_answer,
    "nested": cases.nested,
    "reading": cases.reading,
    "memory": cases.memory,
    "workers": cases.two_workers,
    "cold": cases.cold,
}


def text_of(line: Line) -> str:
    """A line of the table with its note below."""
    met = {None: "", True: "yes", False: "NO"}[line.met]
    peer = "" if line.peer != line.peer else f"{line.peer:.4g}"
    spread = f"{line.ratio:.3g} ({line.lower:.3g} to {line.upper:.3g})"
    head = f"{line.name:<62} {line.ours:>9.4g} {peer:>9} {line.unit:<9} {spread:>30} {line.wanted:>8} {met}"
    return head.rstrip() + "\n" + textwrap.indent(textwrap.fill(line.note, 116), "    ")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", action="append", choices=list(CASES), help="repeat for more; default all")
    parser.add_argument("--against", metavar="REF", help="only the commands, against those of this commit")
    parser.add_argument("--json", metavar="FILE", help="also write the lines here")
    options = parser.parse_args()
    machine = {
        "python": platform.python_version(), "numpy": version("numpy"), "processor": platform.machine(),
        "cores": os.cpu_count(), "load_before": os.getloadavg(),
        **{k: os.environ.get(k, "") for k in ("OPENBLAS_NUM_THREADS", "OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")},
    }  # fmt: skip
    print(
        f"{machine['cores']} cores, load {machine['load_before'][0]:.1f}, Python {machine['python']}, numpy {machine['numpy']}"
    )
    print(f"{'':<62} {'ours':>9} {'peer':>9} {'':<9} {'ratio (quartiles)':>30} {'wanted':>8} met")
    lines: list[Line] = []
    asked = (
        [functools.partial(against, options.against)]
        if options.against
        else [CASES[name] for name in options.only or CASES]
    )
    for case in asked:
        with tempfile.TemporaryDirectory() as folder:
            for line in case(Path(folder)):
                line.more["load"] = os.getloadavg()[0]
                print(text_of(line), flush=True)
                lines.append(line)
    if options.json:
        document = {"machine": machine, "lines": [line.as_json() for line in lines]}
        Path(options.json).write_text(json.dumps(document, indent=1), encoding="utf-8")
    return 0 if all(line.met is not False for line in lines) else 1


if __name__ == "__main__":
    sys.exit(main())
