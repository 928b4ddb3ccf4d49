"""The benchmarks run on tiny sizes, and both sides of each give the same numbers; nothing here asserts a time."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

import cases
import run
from peers import by_lapack
from timing import Line, compare, quartiles


def sound(lines: list[Line], count: int) -> None:
    assert len(lines) == count
    for line in lines:
        assert line.ours > 0.0
        assert line.lower <= line.ratio <= line.upper
        json.dumps(line.as_json())
        assert line.name in run.text_of(line)


def test_forward_models_agree() -> None:
    lines = cases.forward(points=5, count=3, repeats=1)
    assert len(lines) in (2, 3, 4)  # without a compiler, the last two are left out
    sound(lines, len(lines))
    # the compiled peers must leave arithmetic as it was: numbers below the smallest normal one are still there
    assert sys.float_info.min / 2 > 0.0


def test_sides_that_differ_stop_the_benchmark(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cases, "by_lapack", lambda f, rows: by_lapack(f, rows) + 1e-9)
    with pytest.raises(SystemExit, match="batched LAPACK: the two sides differ by 1e-09"):
        cases.forward(points=5, count=3, repeats=1)


def test_likelihoods_agree(tmp_path: Path) -> None:
    sound(cases.likelihood_repeats(tmp_path, (3, 5, 8), points=11, patterns=1, repeats=1), 2)


def test_direct_sum_agrees(tmp_path: Path) -> None:
    sound(cases.likelihood_direct(tmp_path, points=41, repeats=20, patterns=1, rounds=1), 2)


def test_readers_agree(tmp_path: Path) -> None:
    sound(cases.reading(tmp_path, files=3, repeats=1, points=4), 2)


def test_digests_agree(tmp_path: Path) -> None:
    sound(cases.two_workers(tmp_path, files=6, repeats=1, points=4), 1)
    sound(cases.memory(tmp_path, files=5, points=4), 1)


def test_a_line_says_whether_it_is_as_wanted() -> None:
    calls: list[str] = []
    ticks = iter([0.0, 1.0, 1.0, 4.0] * 10)
    line = compare(
        "x", lambda: calls.append("ours"), lambda: calls.append("peer"), repeats=2, per=(1, 2), wanted=">= 1.5",
        clock=lambda: next(ticks),
    )  # fmt: skip
    assert calls == ["ours", "peer"] * 3
    assert (line.ours, line.peer, line.ratio, line.met) == (1.0, 1.5, 1.5, True)
    assert quartiles([4.0, 1.0, 2.0, 3.0, 5.0]) == (3.0, 2.0, 4.0)
    assert Line("y", 1.0, math.nan, "s", 5.0, 5.0, 5.0, "<= 4").met is False
    assert Line("y", 1.0, math.nan, "s", 5.0, 5.0, 5.0).met is None
