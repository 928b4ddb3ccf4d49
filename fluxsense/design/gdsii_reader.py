"""Closed centre lines on one layer of a GDSII file: a program of its own, which `gdsii.read_gdsii` starts for each file.

gdstk ends the whole program on some damaged files (a circle of references, for one); here only this program ends.
In: one JSON argument (path, layer, datatype, cells, names, or_top).  Out: one line of JSON, either
``{"cells": {cell: [{"name", "points", "width"}]}}`` in micrometres, or ``{"fault": [what, remedy]}``.

What a closed shape means is told from the shape: a filled polygon is the loop's outline; metal with one hole is a wire
around it, and the loop is the wire's centre line; a path is its own centre line.  Anything else is refused, since an outline
traced along both edges of a wire encloses the metal instead of the loop.
"""

from __future__ import annotations

import json
import sys
import warnings
from collections.abc import Sequence
from typing import TYPE_CHECKING, TypedDict, cast

import gdstk

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MEMORY_LIMIT_BYTES = 2_000_000_000
TIME_LIMIT_S = 60
MOST_SHAPES = 5000
MOST_CORNERS = 200_000
LARGEST_UM = 1e6
FINE_UM = 1e-6
"""Rounding of the polygon operations: a picometre."""
WIDEST_WIRE = 0.25
"""Widest wire over the hole's smaller extent.  A washer's flux is that of about the geometric mean of its inner and outer
area (Ketchen's d D for a square washer, from memory), d (d + 2w) against the centre line's (d + w)^2: at w = d/4 the two
differ by 4%, and beyond that the metal's focusing is no detail any more."""
UNEVEN = 0.02
"""Largest area between the lines half a width from either edge, over the area enclosed."""
SLITS = (0.01, 0.03, 0.1)
"""Half widths of slits that are tried, over the extent."""

Point = tuple[float, float]


class Order(TypedDict):
    """What is asked for: the argument of this program."""

    path: str
    layer: int
    datatype: int | None
    cells: list[str]
    names: list[str]
    or_top: bool


class Loop(TypedDict):
    """One loop of the answer, in micrometres."""

    name: str
    points: list[Point]
    width: float


class Refused(Exception):
    """What is wrong and what to do about it, two sentences without their full stops."""


def _limit() -> None:
    try:
        import resource
    except ImportError:  # not a POSIX system: the time limit of the caller is left
        return
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT_BYTES, MEMORY_LIMIT_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (TIME_LIMIT_S, TIME_LIMIT_S))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _count(cell: gdstk.Cell, done: dict[str, int], above: tuple[str, ...] = ()) -> int:
    """Shapes of a cell with all that it places; refuses circles and cells that are not in the file."""
    if cell.name in above:
        raise Refused(f'the cell "{cell.name}" places itself', "Take the reference out")
    if cell.name not in done:
        total = len(cell.polygons) + len(cell.paths) + len(cell.labels)
        for reference in cell.references:
            if isinstance(reference.cell, str):
                raise Refused(
                    f'the cell "{cell.name}" places "{reference.cell}", which the file does not hold',
                    "Export the layout with all its cells",
                )
            total += max(reference.repetition.size, 1) * _count(reference.cell, done, (*above, cell.name))
        done[cell.name] = total
    return done[cell.name]


def _area(polygons: Sequence[gdstk.Polygon]) -> float:
    return float(sum(abs(p.area()) for p in polygons))


def _signed(points: Sequence[Point]) -> float:
    turned = [*points[1:], points[0]]
    return 0.5 * sum(x * v - u * y for (x, y), (u, v) in zip(points, turned, strict=True))


def _union(polygons: Sequence[gdstk.Polygon]) -> list[gdstk.Polygon]:
    return list(gdstk.boolean(list(polygons), [], "or", precision=FINE_UM))


def _holes(piece: Sequence[gdstk.Polygon]) -> list[gdstk.Polygon]:
    """What a piece of metal surrounds: a frame around it less the metal, without the part that reaches the frame."""
    if not piece:
        return []
    boxes = [p.bounding_box() for p in piece]
    x0, y0 = (min(b[0][k] for b in boxes) - 1.0 for k in (0, 1))
    x1, y1 = (max(b[1][k] for b in boxes) + 1.0 for k in (0, 1))
    rest = gdstk.boolean(gdstk.rectangle((x0, y0), (x1, y1)), list(piece), "not", precision=FINE_UM)
    return [p for p in rest if p.bounding_box()[0][0] > x0 + 0.5]


def _extent(polygon: gdstk.Polygon) -> tuple[float, float]:
    (x0, y0), (x1, y1) = polygon.bounding_box()
    return x1 - x0, y1 - y0


def _corners(polygon: gdstk.Polygon) -> NDArray[np.float64]:
    """Corners (n, 2): an array, whatever the package's own annotation says."""
    return cast("NDArray[np.float64]", polygon.points)


def _perimeter(polygon: gdstk.Polygon) -> float:
    points = _corners(polygon)
    return float(sum(((a - b) ** 2).sum() ** 0.5 for a, b in zip(points, [*points[1:], points[0]], strict=True)))


def _has_slit(polygon: gdstk.Polygon) -> bool:
    """Whether a polygon is a wire that nearly closes: swollen a little, it surrounds something."""
    alone = gdstk.Cell("alone").add(polygon)
    if abs(polygon.area()) < 0.4 * abs(_signed(alone.convex_hull().tolist())):
        return True
    size = max(_extent(polygon))
    swollen = (gdstk.offset([polygon], s * size, "miter", 2, FINE_UM, True) for s in SLITS)
    return any(_holes(s) for s in swollen)


def _centre_line(piece: gdstk.Polygon, hole: gdstk.Polygon, what: str) -> tuple[gdstk.Polygon, float]:
    """Centre line and width of a wire of one width around a hole.

    For parallel outlines with mitred corners area = width x length of the centre line, and that length is the mean of the two
    perimeters, whatever the angles: each corner adds to one what it takes from the other.
    """
    outer = _union([piece, hole])[0]
    width = 2 * _area([piece]) / (_perimeter(outer) + _perimeter(hole))
    if width > WIDEST_WIRE * min(_extent(hole)):
        raise Refused(
            f"{what} is metal {width:.3g} um wide around a hole of {min(_extent(hole)):.3g} um, a washer that focuses flux",
            "Draw the outline that stands for it, and state its flux focusing factor in the study",
        )
    inward = gdstk.offset([outer], -0.5 * width, "miter", 10, FINE_UM)
    outward = gdstk.offset([hole], 0.5 * width, "miter", 10, FINE_UM)
    if len(inward) == len(outward) == 1:
        between = _area(gdstk.boolean(inward, outward, "xor", precision=FINE_UM))
        if between <= UNEVEN * _area(inward):
            return inward[0], width
    raise Refused(
        f"{what} is a wire whose width is not the same all around", "Draw its centre line as one closed outline or path"
    )


def _outline(polygons: Sequence[gdstk.Polygon], what: str) -> tuple[list[Point], float]:
    """Corners and width (0 for a drawn outline) of the loop that connected polygons stand for."""
    union = _union(polygons)
    holes = _holes(union)
    if len(holes) > 1:
        raise Refused(
            f"{what} is metal with {len(holes)} holes, and a loop goes around one",
            "Draw the centre line of each loop as one closed outline or path",
        )
    if holes:
        line, width = _centre_line(union[0], holes[0], what)
        return [(float(x), float(y)) for x, y in line.points], width
    if len(polygons) > 1:
        raise Refused(
            f"{what} is {len(polygons)} polygons that touch or lie in each other",
            "Draw each loop as one closed outline apart from the others, or as a wire that closes",
        )
    if not _crosses(polygons[0]) and _has_slit(polygons[0]):
        raise Refused(
            f"{what} has the shape of a wire that does not close",
            "Draw its centre line as one closed outline or path",
        )
    return [(float(x), float(y)) for x, y in polygons[0].points], 0.0


def _crosses(polygon: gdstk.Polygon) -> bool:
    """Whether an outline crosses itself, as a figure-eight does: the signs of its lobes differ."""
    return abs(_signed(_corners(polygon).tolist())) < (1 - 1e-6) * _area(_union([polygon]))


def _groups(polygons: Sequence[gdstk.Polygon]) -> list[list[gdstk.Polygon]]:
    """Polygons that touch each other, together; an outline that crosses itself stays alone."""
    plain = [p for p in polygons if not _crosses(p)]
    out = [[p] for p in polygons if _crosses(p)]
    for piece in _union(plain):
        (x0, y0), (x1, y1) = piece.bounding_box()
        near = [
            p
            for p in plain
            if (b := p.bounding_box())[0][0] <= x1 and b[1][0] >= x0 and b[0][1] <= y1 and b[1][1] >= y0
        ]
        out.append([p for p in near if gdstk.boolean(p, piece, "and", precision=FINE_UM)])
    order = {id(p): n for n, p in enumerate(polygons)}
    return sorted((g for g in out if g), key=lambda g: order[id(g[0])])


def _path(path: gdstk.FlexPath, what: str) -> tuple[list[Point], float]:
    """Corners and width of a path that closes."""
    points = [(float(x), float(y)) for x, y in path.spine()]
    width = float(abs(path.widths()[0][0]))
    gap = max(abs(points[0][k] - points[-1][k]) for k in (0, 1))
    if gap <= FINE_UM:
        points.pop()
    elif gap > width:
        raise Refused(
            f"{what} is a path whose ends lie {gap:.3g} um apart", "Close it: its last point is to be its first"
        )
    if len(points) < 3:
        raise Refused(f"{what} is a path of {len(points)} corners, which surrounds nothing", "Draw a closed path")
    return points, width


def _label(shapes: Sequence[Sequence[Point]], labels: Sequence[tuple[str, Point]], what: str) -> str:
    """Name of a shape: the label at one of its corners or within its outer edge."""
    corners = [p for points in shapes for p in points]
    size = max(max(p[k] for p in corners) - min(p[k] for p in corners) for k in (0, 1))
    near = 1e-6 * size
    found = {t for t, (x, y) in labels if any(abs(x - u) <= near and abs(y - v) <= near for u, v in corners)}
    solid = _union([gdstk.Polygon(points) for points in shapes if len(points) > 2])
    solid += _holes(solid)
    found |= {t for t, place in labels if any(p.contain(place) for p in solid)}
    if len(found) > 1:
        raise Refused(f"{what} bears {len(found)} labels: {', '.join(sorted(found)[:3])}", "Put one label on each loop")
    return found.pop() if found else ""


def _of_cell(cell: gdstk.Cell, order: Order) -> list[Loop]:
    """The loops of one cell with all that it places."""

    def here(layers: Sequence[int], kinds: Sequence[int]) -> bool:
        return order["layer"] in layers and (order["datatype"] is None or order["datatype"] in kinds)

    polygons = [p for p in cell.get_polygons(include_paths=False) if here([p.layer], [p.datatype])]
    paths = [p for p in cell.get_paths() if isinstance(p, gdstk.FlexPath) and here(p.layers, p.datatypes)]
    corners = [_corners(p).tolist() for p in polygons] + [p.spine().tolist() for p in paths]
    if sum(map(len, corners)) > MOST_CORNERS:
        raise Refused(f"layer {order['layer']} holds too many corners to be outlines", "Name the layer of the outlines")
    if any(not abs(x) <= LARGEST_UM for points in corners for place in points for x in place):
        raise Refused("a corner lies more than a metre out", "Look at the unit of the layout")
    wanted = order["names"]
    labels = [
        (label.text, label.origin)
        for label in cell.get_labels()
        if (label.text in wanted if wanted else label.layer == order["layer"])
    ]
    out: list[Loop] = []
    groups: list[list[gdstk.Polygon] | gdstk.FlexPath] = [*_groups(polygons), *paths]
    for number, group in enumerate(groups, 1):
        what = f'shape {number} of the cell "{cell.name}"'
        shapes = [_corners(p).tolist() for p in group] if isinstance(group, list) else [group.spine().tolist()]
        name = _label(shapes, labels, what)
        if wanted and not name:
            continue  # other things may lie on the layer of the loops
        what = f'the outline "{name}"' if name else what
        points, width = _outline(group, what) if isinstance(group, list) else _path(group, what)
        out.append({"name": name or f"loop_{number}", "points": points, "width": width})
    return out


def _cells(library: gdstk.Library, order: Order) -> list[gdstk.Cell]:
    """The cells that are asked for, else those that no other places."""
    everything = [c for c in library.cells if isinstance(c, gdstk.Cell)]
    names = [c.name for c in everything]
    twice = [n for n in names if names.count(n) > 1]
    if twice:
        raise Refused(f'two cells bear the name "{twice[0]}"', "Give each a name of its own")
    done: dict[str, int] = {}
    for cell in everything:
        _count(cell, done)
    asked = [c for c in everything if c.name in order["cells"]]
    top = library.top_level()
    if not asked and (not order["cells"] or (order["or_top"] and len(top) == 1)):
        asked = [c for c in top if isinstance(c, gdstk.Cell)]
    if not asked:
        listed = ", ".join(names[:8]) + (" and more" if names[8:] else "")
        raise Refused(
            f"no cell bears the name {' or '.join(order['cells'][:8])}; the file holds {listed or 'no cell'}",
            "Name cells after the chips of the study, or name the cell of the only chip",
        )
    for cell in asked:
        if done[cell.name] > MOST_SHAPES:
            raise Refused(f'the cell "{cell.name}" places {done[cell.name]} shapes', "Name a smaller cell")
    return list(asked)


def read(order: Order) -> dict[str, list[Loop]]:
    """The loops of a file by cell."""
    try:
        library = gdstk.read_gds(order["path"], unit=1e-6)
    except (OSError, RuntimeError, ValueError):
        raise Refused("the file is not readable GDSII", "Export it again") from None
    return {cell.name: found for cell in _cells(library, order) if (found := _of_cell(cell, order))}


def main() -> None:
    """Read what the argument asks for."""
    _limit()
    warnings.simplefilter("ignore")  # references to cells that are missing are refused below, with their names
    try:
        out: dict[str, object] = {"cells": read(json.loads(sys.argv[1]))}
    except Refused as error:
        out = {"fault": list(error.args)}
    print(json.dumps(out))


if __name__ == "__main__":
    main()
