"""Blocks of time: the same cells whatever the order and however merged; counts and times against all sweeps held in memory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fluxsense.data.blocks import MOST_BLOCKS, Blocks, RunningBlocks

TIMES = st.lists(st.floats(-1e9, 1e9, allow_subnormal=False), min_size=1, max_size=60)


def value(time_s: float) -> np.ndarray:
    return np.array([[np.sin(time_s) + 1j * np.cos(3 * time_s)], [time_s % 7 + 0j]])


def gathered(times: list[float]) -> Blocks:
    running = RunningBlocks(1)
    for t in times:
        running.add(t, value(t))
    return running.freeze()


def assert_same(a: Blocks, b: Blocks) -> None:
    assert a.level == b.level
    np.testing.assert_array_equal(a.count, b.count)
    np.testing.assert_array_equal(a.time_s[:, [0, 2]], b.time_s[:, [0, 2]])
    np.testing.assert_allclose(a.time_s, b.time_s, rtol=1e-12, atol=1e-6)
    np.testing.assert_allclose(a.mean, b.mean, atol=1e-12)


@given(TIMES, st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_order_and_merging_change_nothing_but_rounding(times: list[float], random) -> None:
    whole = gathered(times)
    shuffled = list(times)
    random.shuffle(shuffled)
    assert_same(gathered(shuffled), whole)
    cuts = sorted(random.choices(range(len(times) + 1), k=2))
    parts = [gathered(p) for p in (shuffled[: cuts[0]], shuffled[cuts[0] : cuts[1]], shuffled[cuts[1] :])]
    for order in ((0, 1, 2), (2, 0, 1)):
        running = RunningBlocks(1)
        for n in order:
            running.merge(parts[n])
        assert_same(running.freeze(), whole)


@given(TIMES)
@settings(max_examples=60, deadline=None)
def test_blocks_hold_what_was_put_in(times: list[float]) -> None:
    blocks = gathered(times)
    assert blocks.fault(len(times)) == ""
    assert blocks.fault(len(times) + 1) != ""
    assert len(blocks) <= MOST_BLOCKS
    ordered = sorted(times)
    begin = 0
    for n, (first, last, count) in enumerate(blocks.windows):
        mine = ordered[begin : begin + count]
        assert (mine[0], mine[-1]) == (first, last)
        np.testing.assert_allclose(blocks.mean[n], np.mean([value(t) for t in mine], axis=0), atol=1e-11)
        np.testing.assert_allclose(blocks.time_s[n, 1], np.mean(mine), rtol=1e-9, atol=1e-6)
        begin += count
    assert begin == len(times)


@pytest.mark.parametrize("count", [1, 8, 16, 17, 100, 5000])
def test_even_sweeps_fill_more_than_half_of_the_blocks(count: int) -> None:
    blocks = gathered([20.0 * n for n in range(count)])
    assert min(count, MOST_BLOCKS // 2) <= len(blocks) <= MOST_BLOCKS
    assert max(blocks.count) <= 4 * min(blocks.count) or min(blocks.count[1:-1]) * 2 >= max(blocks.count)


@pytest.mark.parametrize(
    ("first", "last", "count"), [(0.0, 0.0, 5), (-50.0, 70.0, 4), (-1e5, 1e5, 4001), (3.0, 9e6, 10**6)]
)
def test_planned_sweeps(first: float, last: float, count: int) -> None:
    blocks = Blocks.even(first, last, count, value(1.0))
    assert blocks.fault(count) == ""
    assert blocks.windows[0][0] == first
    assert blocks.windows[-1][1] == pytest.approx(last, rel=1e-9)
    np.testing.assert_allclose(blocks.mean, value(1.0)[None].repeat(len(blocks), axis=0))
