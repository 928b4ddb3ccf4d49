"""Timing two ways of doing one thing in turn, and what is kept of it."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any


@dataclass
class Line:
    """One line of the table.

    Attributes
    ----------
    name : str
    ours, peer : float
        Medians, in `unit`; peer is NaN where there is none.
    unit : str
    ratio, lower, upper : float
        Median and quartiles of peer over ours, repeat by repeat (or what `name` says).
    wanted : str
        What the ratio should be, as a comparison; empty if nothing was asked for.
    note : str
        How the numbers came about.
    more : dict
        Further numbers for the JSON file.
    """

    name: str
    ours: float
    peer: float
    unit: str
    ratio: float
    lower: float
    upper: float
    wanted: str = ""
    note: str = ""
    more: dict[str, Any] = field(default_factory=dict)

    @property
    def met(self) -> bool | None:
        """Whether the ratio is as wanted; None if nothing was asked for."""
        if not self.wanted:
            return None
        sign, value = self.wanted.split()
        return self.ratio >= float(value) if sign == ">=" else self.ratio <= float(value)

    def as_json(self) -> dict[str, Any]:
        return {**asdict(self), "met": self.met}


def in_turn(calls: list[Callable[[], Any]], repeats: int, clock: Callable[[], float]) -> list[list[float]]:
    """Times of each call, done in turn `repeats` times after one round that does not count."""
    times: list[list[float]] = [[] for _ in calls]
    for n in range(repeats + 1):
        for call, mine in zip(calls, times, strict=True):
            begin = clock()
            call()
            spent = clock() - begin
            if n:
                mine.append(spent)
    return times


def quartiles(values: list[float]) -> tuple[float, float, float]:
    """Median, lower and upper quartile."""
    if len(values) < 2:
        return values[0], values[0], values[0]
    lower, middle, upper = statistics.quantiles(values, n=4, method="inclusive")
    return middle, lower, upper


def compare(
    name: str,
    ours: Callable[[], Any],
    peer: Callable[[], Any],
    *,
    repeats: int,
    per: tuple[float, float] = (1.0, 1.0),
    scale: tuple[float, str] = (1.0, "s"),
    wanted: str = "",
    note: str = "",
    inverse: bool = False,
    clock: Callable[[], float] = time.process_time,
    more: dict[str, Any] | None = None,
) -> Line:
    """A line from two calls in turn; `per` divides the times (by points, say), `inverse` turns the ratio round."""
    a, b = in_turn([ours, peer], repeats, clock)
    a, b = [x / per[0] for x in a], [x / per[1] for x in b]
    ratio = quartiles([x / y if inverse else y / x for x, y in zip(a, b, strict=True)])
    factor, unit = scale
    return Line(
        name, factor * statistics.median(a), factor * statistics.median(b), unit, *ratio, wanted, note, dict(more or {})
    )
