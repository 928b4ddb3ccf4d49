"""Several sensors on one line: a frequency band for each, with guards between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Band:
    """The frequencies that one sensor needs: its centre and width, Hz."""

    name: str
    centre_hz: float
    width_hz: float

    @property
    def low_hz(self) -> float:
        """Lower edge."""
        return self.centre_hz - 0.5 * self.width_hz

    @property
    def high_hz(self) -> float:
        """Upper edge."""
        return self.centre_hz + 0.5 * self.width_hz


@dataclass(frozen=True)
class Overlap:
    """Two sensors whose bands come closer than the guard.

    Attributes
    ----------
    first, second : str
    apart_hz : float
        Between the edges of their bands; below zero where these overlap.
    missing_hz : float
        The guard less that.
    """

    first: str
    second: str
    apart_hz: float
    missing_hz: float


def overlaps(bands: Sequence[Band], guard_hz: float) -> list[Overlap]:
    """Pairs of bands with less than the guard between them, by descending lack."""
    out = []
    for n, a in enumerate(bands):
        for b in bands[n + 1 :]:
            lower, upper = (a, b) if a.centre_hz <= b.centre_hz else (b, a)
            apart = upper.low_hz - lower.high_hz
            if apart < guard_hz:
                out.append(Overlap(a.name, b.name, apart, guard_hz - apart))
    return sorted(out, key=lambda x: -x.missing_hz)


def allot(bands: Sequence[Band], low_hz: float, high_hz: float, guard_hz: float) -> list[Band]:
    """Centres that keep every band inside a span with guards between, moved as little as possible (root mean square).

    Parameters
    ----------
    bands : sequence of Band
        What each sensor would choose alone.
    low_hz, high_hz : float
        The line's span.
    guard_hz : float
        Least distance between the edges of neighbours, zero or above.

    Returns
    -------
    list of Band
        In the order given.

    Raises
    ------
    InputError
        If they do not fit.

    Notes
    -----
    In the order of their centres, with the room that bands and guards take subtracted, the centres must not descend: an
    isotonic regression (pool adjacent violators), clipped to the span.  It is the exact least squares answer for that order.
    """
    order = sorted(range(len(bands)), key=lambda n: bands[n].centre_hz)
    widths = np.array([bands[n].width_hz for n in order])
    needed = float(widths.sum() + guard_hz * max(len(bands) - 1, 0))
    if needed > high_hz - low_hz:
        raise InputError(
            f"{len(bands)} bands with guards need {needed / 1e6:.4g} MHz, but the line has {(high_hz - low_hz) / 1e6:.4g} MHz",
            remedy="Use narrower bands or guards, or a second line",
        )
    before = np.concatenate([[0.0], np.cumsum(widths[:-1] + guard_hz)]) + 0.5 * widths
    free = np.array([bands[n].centre_hz for n in order]) - low_hz - before
    placed = np.clip(_not_descending(free), 0.0, high_hz - low_hz - needed) + low_hz + before
    out = list(bands)
    for n, centre in zip(order, placed, strict=True):
        out[n] = Band(bands[n].name, float(centre), bands[n].width_hz)
    return out


def _not_descending(values: FloatArray) -> FloatArray:
    """The non-descending sequence nearest to the values in least squares."""
    blocks: list[tuple[float, int]] = []
    for value in values:
        total, count = float(value), 1
        while blocks and blocks[-1][0] / blocks[-1][1] > total / count:
            more, size = blocks.pop()
            total, count = total + more, count + size
        blocks.append((total, count))
    return np.concatenate([np.full(count, total / count) for total, count in blocks]) if blocks else np.zeros(0)
