"""Outlines of loops as a layout moves them, on the design grid, and the rules that they have to keep."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fluxsense.magnetics.loops import figure_eight_outline
from fluxsense.study import KeepOut, LayoutRules, Loop

FloatArray = npt.NDArray[np.float64]

CIRCLE_SIDES = 24
FREE_CORNERS = 8
FREE_RANGE = (0.45, 1.0)
"""Radii of the corners of a free polygon, in half extents; star-shaped about its centre, so that it never crosses itself."""
EIGHT_HEIGHT = 0.7
"""Height of a figure-eight over its width."""


@dataclass(frozen=True)
class Shape:
    """One loop as the search moves it.

    Attributes
    ----------
    chip : str
    x_m, y_m : float
        Centre, in the chip's frame.
    size_m : float
        Largest extent (a square's side, a circle's diameter, a figure-eight's width).
    kind : str
        "square", "circle", "figure_eight" or "free".
    turned : bool
        A figure-eight whose lobes lie above each other.
    radii : tuple of float
        Of a free polygon's corners, in half sizes.
    """

    chip: str
    x_m: float
    y_m: float
    size_m: float
    kind: str
    turned: bool = False
    radii: tuple[float, ...] = ()

    def corners(self, grid_m: float) -> FloatArray:
        """Corners (n, 2) on the design grid, in the chip's frame."""
        centre = np.array([self.x_m, self.y_m])
        if self.kind == "square":
            half = grid_m * max(np.round(0.5 * self.size_m / grid_m), 1.0)
            centre = grid_m * np.round(centre / grid_m)
            return np.asarray(centre + half * np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]], dtype=np.float64))
        if self.kind == "circle":
            turn = 2 * np.pi * (np.arange(CIRCLE_SIDES) + 0.5) / CIRCLE_SIDES
            radius = 0.5 * self.size_m * np.ones(CIRCLE_SIDES)
        elif self.kind == "free":
            turn = 2 * np.pi * (np.arange(FREE_CORNERS) + 0.5) / FREE_CORNERS
            radius = 0.5 * self.size_m * np.array(self.radii)
        else:
            width = 0.5 * self.size_m
            flat = figure_eight_outline(width, EIGHT_HEIGHT * self.size_m)[:, :2]
            flat = flat[:, ::-1] if self.turned else flat
            return np.asarray(grid_m * np.round((centre + flat) / grid_m))
        flat = radius[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        return np.asarray(grid_m * np.round((centre + flat) / grid_m))


def shape_of(loop: Loop, kinds: Sequence[str]) -> Shape:
    """The shape nearest to a study's loop, of an allowed kind."""
    flat = np.array(loop.outline_m)[:, :2]
    low, high = flat.min(axis=0), flat.max(axis=0)
    size = float(np.max(high - low))
    x, y = (float(v) for v in 0.5 * (low + high))
    square = len(flat) == 4 and not loop.crossing
    guess = "figure_eight" if loop.crossing else "square" if square else "circle"
    kind = guess if guess in kinds else kinds[0]
    radii = (0.9,) * FREE_CORNERS if kind == "free" else ()
    return Shape(loop.chip, x, y, size, kind, bool(high[1] - low[1] > high[0] - low[0]), radii)


def _after(corners: FloatArray) -> FloatArray:
    """For each corner (n, 2) the one that follows."""
    return np.concatenate([corners[1:], corners[:1]])


def _edge_distance(points: FloatArray, corners: FloatArray) -> float:
    """Smallest distance from points (k, 2) to the edges of a closed polygon (n, 2)."""
    edge = _after(corners) - corners
    away = points[:, None, :] - corners[None, :, :]
    length2 = np.maximum(np.sum(edge * edge, axis=1), 1e-300)
    along = np.clip(np.sum(away * edge, axis=2) / length2, 0.0, 1.0)
    rest = away - along[..., None] * edge
    return float(np.sqrt(np.min(np.sum(rest * rest, axis=2))))


def _crosses(a: FloatArray, b: FloatArray) -> bool:
    """Whether any edge of one polygon passes through an edge of another."""
    p, r = a[:, None], (_after(a) - a)[:, None]
    q, s = b[None], (_after(b) - b)[None]

    def cross(u: FloatArray, v: FloatArray) -> FloatArray:
        return np.asarray(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0])

    parallel = cross(r, s)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = cross(q - p, s) / parallel
        u = cross(q - p, r) / parallel
    return bool(np.any((parallel != 0) & (t >= 0) & (t <= 1) & (u >= 0) & (u <= 1)))


def _inside(point: FloatArray, corners: FloatArray) -> bool:
    """Whether a point lies in a polygon (even-odd rule)."""
    a, b = corners, _after(corners)
    spans = (a[:, 1] > point[1]) != (b[:, 1] > point[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = a[:, 0] + (point[1] - a[:, 1]) * (b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1])
    return bool(np.count_nonzero(spans & (point[0] < at)) % 2)


def boxes_of(outlines: Sequence[FloatArray]) -> FloatArray:
    """Least and largest coordinates (n, 2, 2) of outlines."""
    return np.array([(x.min(axis=0), x.max(axis=0)) for x in outlines])


def gap_m(a: FloatArray, b: FloatArray, enough: float = np.inf) -> float:
    """Distance between two polygons (n, 2) in m, 0 if they overlap; any value at least `enough` once that is certain."""
    low = np.maximum(a.min(axis=0) - b.max(axis=0), b.min(axis=0) - a.max(axis=0))
    boxes = float(np.max(low))
    if boxes >= enough:
        return boxes
    if boxes < 0 and (_crosses(a, b) or _inside(a[0], b) or _inside(b[0], a)):
        return 0.0
    return min(_edge_distance(a, b), _edge_distance(b, a))


def area_m2(corners: FloatArray) -> float:
    """Area that a polygon covers; the lobes of a figure-eight count each (its corners' convex extent in halves)."""
    x, y = corners.T
    signed = 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    box = float(np.prod(corners.max(axis=0) - corners.min(axis=0)))
    return box if abs(signed) < 1e-3 * box else abs(signed)


def _rectangle(keep: KeepOut) -> FloatArray:
    (x0, y0), (x1, y1) = keep.low_m, keep.high_m
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


TOLERANCE_M = 1e-12
"""Rounding of coordinates that a rule forgives."""


class RuleBook:
    """The rules of a layout as checks on outlines.

    Parameters
    ----------
    rules : LayoutRules
    """

    def __init__(self, rules: LayoutRules) -> None:
        self.rules = rules
        self._keep = [(k.chip, _rectangle(k)) for k in rules.keep_out]
        self._half = 0.5 * np.array(rules.chip_size_m) - rules.edge_m + TOLERANCE_M

    def alone(self, chip: str, corners: FloatArray) -> str:
        """What a single outline breaks, or an empty text."""
        extent = float(np.max(corners.max(axis=0) - corners.min(axis=0)))
        low, high = self.rules.size_m
        slack = self.rules.grid_m + TOLERANCE_M
        if extent < low - slack or extent > high + slack:
            return f"its extent of {1e6 * extent:.3g} um is not between {1e6 * low:.3g} and {1e6 * high:.3g} um"
        if np.any(np.abs(corners) > self._half):
            return f"it comes nearer than {1e6 * self.rules.edge_m:.3g} um to the edge of the chip"
        for name, rectangle in self._keep:
            if name == chip and gap_m(corners, rectangle, 1e-9) <= 0:
                return "it reaches into a keep-out area"
        return ""

    def near(self, number: int, chips: Sequence[str], boxes: FloatArray) -> list[int]:
        """Outlines on the same chip that an outline may be too near to: those whose boxes (n, 2, 2) are."""
        low, high = boxes[:, 0], boxes[:, 1]
        apart = np.maximum(low[number] - high, low - high[number]).max(axis=1)
        close = np.flatnonzero((apart < self.rules.spacing_m) | (apart <= 0)).tolist()
        return [m for m in close if m != number and chips[m] == chips[number]]

    def pair(self, a: FloatArray, b: FloatArray) -> str:
        """What two outlines on one chip break together, or an empty text."""
        spacing = self.rules.spacing_m
        gap = gap_m(a, b, spacing)
        if gap < spacing - TOLERANCE_M or gap <= 0:
            return f"they are {1e6 * gap:.3g} um apart, less than the spacing of {1e6 * spacing:.3g} um"
        return ""

    def total(self, outlines: Sequence[FloatArray]) -> str:
        """What all outlines break together, or an empty text."""
        most = self.rules.loop_area_m2
        if most is None:
            return ""
        area = sum(area_m2(c) for c in outlines)
        if area <= most * (1 + 1e-9):
            return ""
        return f"the loops cover {1e12 * area:.4g} um^2, more than {1e12 * most:.4g} um^2"

    def faults(self, names: Sequence[str], chips: Sequence[str], outlines: Sequence[FloatArray]) -> list[str]:
        """Every rule that a layout breaks, in sentences.

        Parameters
        ----------
        names, chips : sequence of str
            Of each loop.
        outlines : sequence of ndarray (n, 2)

        Returns
        -------
        list of str
        """
        found, boxes = [], boxes_of(outlines)
        for n, (name, chip, corners) in enumerate(zip(names, chips, outlines, strict=True)):
            fixed = name in self.rules.fixed
            if not fixed and (words := self.alone(chip, corners)):
                found.append(f'Loop "{name}": {words}.')
            for m in self.near(n, chips, boxes):
                if m > n or (fixed and names[m] in self.rules.fixed):
                    continue
                if words := self.pair(corners, outlines[m]):
                    found.append(f'Loops "{names[m]}" and "{name}": {words}.')
        if words := self.total([c for name, c in zip(names, outlines, strict=True) if name not in self.rules.fixed]):
            found.append(words[0].upper() + words[1:] + ".")
        return found
