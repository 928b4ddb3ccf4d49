"""Blocks of time: what a group's sweeps say about slow changes, in bounded memory.

Sweeps are gathered in cells of time, [j w, (j+1) w) with w = 2^level seconds, of the clock that the log uses.  A group holds
up to `MOST_BLOCKS` cells that are not empty; when one more would be needed, all cells are joined two by two and the level
grows by one.  The level is therefore the smallest one at which the sweeps fall into so few cells, whatever the order in
which they came and however they were merged: cells, counts and first and last times are exact, and only the means differ
by rounding.  Evenly spread sweeps fill more than half of the cells.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

MOST_BLOCKS = 16
LEAST_LEVEL = -10
"""The finest cells are 2^-10 s, about a millisecond, long: no sweep is shorter."""


@dataclass(frozen=True, eq=False)
class Blocks:
    """Blocks of one group in the order of time; arrays are read-only.

    Attributes
    ----------
    count : ndarray of int, shape (B,)
        Sweeps in each block.
    time_s : ndarray, shape (B, 3)
        Times of the first sweep, of all on average, and of the last sweep.
    mean : ndarray of complex, shape (B, 2, K)
        Mean of S21 and S12 at the digest's nodes.
    level : int
        A cell of time lasts 2^level seconds.
    """

    count: NDArray[np.int64]
    time_s: NDArray[np.float64]
    mean: NDArray[np.complex128]
    level: int

    def __len__(self) -> int:
        return len(self.count)

    @property
    def windows(self) -> tuple[tuple[float, float, int], ...]:
        """First time, last time and number of sweeps of every block."""
        return tuple((float(t[0]), float(t[2]), int(n)) for t, n in zip(self.time_s, self.count, strict=True))

    @classmethod
    def even(cls, first_s: float, last_s: float, count: int, mean: NDArray[np.complex128]) -> Blocks:
        """Blocks of sweeps that were (or will be) taken evenly between two times, all of one mean (2, K)."""
        running = RunningBlocks(mean.shape[1])
        step = (last_s - first_s) / max(count - 1, 1)
        edges = np.linspace(0, count, min(count, 1024) + 1).astype(int)
        if first_s < 0.0 <= last_s and step > 0.0:  # cells end at zero, so pieces do
            edges = np.unique([*edges, min(math.ceil(-first_s / step), count)])
        for low, high in pairwise(edges):
            begin, end = first_s + step * low, first_s + step * (high - 1)
            running.put(_Block(high - low, 0.5 * (begin + end), begin, end, np.array(mean)))
        return running.freeze()

    def fault(self, count: int) -> str:
        """What is wrong with blocks that came from a file, for a group of so many sweeps; empty if nothing is."""
        first, middle, last = self.time_s.T
        slack = 1e-9 * (1.0 + np.abs(first) + np.abs(last))
        if type(self.level) is not int or not LEAST_LEVEL <= self.level <= 1100 or len(self) > MOST_BLOCKS:
            return "its blocks of time are not as they should be"
        if np.any(self.count < 1) or int(self.count.sum()) != count:
            return "its blocks of time do not hold the sweeps that there are"
        if np.any(middle < first - slack) or np.any(last < middle - slack):
            return "the last time of a block lies before the first"
        if any(a >= b for a, b in zip(self._cells(0), self._cells(0)[1:], strict=False)):
            return "its blocks of time are not in order"
        if self._cells(0) != self._cells(2):
            return "a block of time is longer than it should be"
        return ""

    def _cells(self, column: int) -> list[int]:
        return [_cell(float(t), self.level) for t in self.time_s[:, column]]


@dataclass
class _Block:
    count: int
    time_s: float
    first_s: float
    last_s: float
    mean: NDArray[np.complex128]

    def absorb(self, other: _Block) -> None:
        part = other.count / (self.count + other.count)
        self.mean += part * (other.mean - self.mean)
        self.time_s += part * (other.time_s - self.time_s)
        self.count += other.count
        self.first_s, self.last_s = min(self.first_s, other.first_s), max(self.last_s, other.last_s)


def _cell(time_s: float, level: int) -> int:
    if abs(time_s) < 2.0**60:
        cell = math.floor(math.ldexp(time_s, -level))
        return min(cell, -1) if time_s < 0.0 else cell
    return int(time_s) >> level if level > 0 else int(time_s) << -level


class RunningBlocks:
    """Blocks of one group while it grows.

    Parameters
    ----------
    nodes : int
        Values kept per path.
    """

    def __init__(self, nodes: int) -> None:
        self._nodes = nodes
        self._level = LEAST_LEVEL
        self._cells: dict[int, _Block] = {}

    def add(self, time_s: float, values: NDArray[np.complex128]) -> None:
        """Count one sweep by its values (2, K) at the nodes."""
        self.put(_Block(1, time_s, time_s, time_s, np.array(values)))

    def merge(self, blocks: Blocks) -> None:
        """Count all sweeps of a frozen set of blocks."""
        self._coarsen(blocks.level)
        for n, (first, middle, last) in enumerate(blocks.time_s):
            mean = np.array(blocks.mean[n])
            self.put(_Block(int(blocks.count[n]), float(middle), float(first), float(last), mean))

    def put(self, block: _Block) -> None:
        cell = _cell(block.first_s, self._level)
        while cell != _cell(block.last_s, self._level):
            self._coarsen(self._level + 1)
            cell = _cell(block.first_s, self._level)
        if cell in self._cells:
            self._cells[cell].absorb(block)
            return
        self._cells[cell] = block
        while len(self._cells) > MOST_BLOCKS:
            self._coarsen(self._level + 1)

    def _coarsen(self, level: int) -> None:
        while self._level < level:
            self._level += 1
            joined: dict[int, _Block] = {}
            for cell in sorted(self._cells):
                if cell >> 1 in joined:
                    joined[cell >> 1].absorb(self._cells[cell])
                else:
                    joined[cell >> 1] = self._cells[cell]
            self._cells = joined

    def _ordered(self) -> Iterator[_Block]:
        return (self._cells[cell] for cell in sorted(self._cells))

    def freeze(self) -> Blocks:
        """The blocks so far; more can be added afterwards."""
        blocks = list(self._ordered())
        arrays = (
            np.array([b.count for b in blocks], dtype=np.int64),
            np.array([[b.first_s, b.time_s, b.last_s] for b in blocks], dtype=np.float64).reshape(-1, 3),
            np.array([b.mean for b in blocks], dtype=np.complex128).reshape(-1, 2, self._nodes),
        )
        for array in arrays:
            array.flags.writeable = False
        return Blocks(*arrays, self._level)
