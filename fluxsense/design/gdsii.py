"""Outlines of loops to and from GDSII, the file format of chip designers; written through the optional package gdstk.

One cell per chip; each loop is a polygon on a stated layer, with the loop's name as a label at its first corner.
Coordinates are micrometres on the database grid stated.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.files import read_bytes, write_beside
from fluxsense.base.units import shown
from fluxsense.design.layout import Layout
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

LARGEST_LAYER = 65535
FILE_LIMIT_BYTES = 64_000_000


def need_gdstk() -> Any:
    """The package that writes GDSII.

    Raises
    ------
    InputError
        If it is missing.
    """
    try:
        import gdstk
    except ImportError:
        raise InputError(
            "writing GDSII needs the package gdstk, which is not installed",
            remedy="Install it with: pip install 'fluxsense[gds]'",
        ) from None
    return gdstk


def write_gdsii(path: str | Path, study: Study, layout: Layout, *, layer: int = 1, datatype: int = 0) -> None:
    """Write a layout's outlines.

    Parameters
    ----------
    path : str or Path
    study : Study
        Names of loops and chips, and the design grid.
    layout : Layout
    layer, datatype : int

    Raises
    ------
    InputError
        If gdstk is missing, the layer is not one, or the file cannot be written.
    """
    gdstk = need_gdstk()
    _check_layer(layer)
    library = gdstk.Library("fluxsense", unit=1e-6, precision=min(study.layout.grid_m, 1e-9))
    cells = {chip.name: library.new_cell(_cell_name(chip.name)) for chip in study.chips}
    for loop, chip, corners in zip(study.loops, layout.chips, layout.outlines, strict=True):
        flat = 1e6 * np.asarray(corners)
        cells[chip].add(gdstk.Polygon([tuple(p) for p in flat], layer=layer, datatype=datatype))
        cells[chip].add(gdstk.Label(loop.name, tuple(flat[0]), layer=layer, texttype=datatype))
    with tempfile.TemporaryDirectory() as folder:
        inner = Path(folder) / "layout.gds"
        try:
            library.write_gds(str(inner))
        except OSError as error:
            raise InputError(
                f"the layout cannot be written ({error})", where=str(path), remedy="Make room for temporary files"
            ) from None
        write_beside(path, inner.read_bytes(), sync=True)


def _check_layer(layer: int) -> None:
    if not 0 <= layer <= LARGEST_LAYER:
        raise InputError(f"{layer} is no layer", remedy=f"Use a whole number from 0 to {LARGEST_LAYER}")


def _cell_name(chip: str) -> str:
    """A name that the format allows: letters, digits and underscores."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "_$?") else "_" for c in chip)[:32] or "chip"


# Reading is this module's own: the C++ reader of gdstk ends the whole program on some damaged files.  Records are two
# bytes of length, one of record type, one of data type, then the data, big-endian (Calma, GDSII Stream Format Manual,
# release 6.0, 1987; record numbers from memory, checked against gdstk in the tests).
_HEADER, _UNITS, _ENDLIB, _BGNSTR, _STRNAME, _ENDSTR = 0x00, 0x03, 0x04, 0x05, 0x06, 0x07
_BOUNDARY, _TEXT, _LAYER, _DATATYPE, _XY, _ENDEL, _STRING, _BOX, _BOXTYPE = (
    0x08,
    0x0C,
    0x0D,
    0x0E,
    0x10,
    0x11,
    0x19,
    0x2D,
    0x2E,
)
_OTHER_ELEMENTS = (0x09, 0x0A, 0x0B, 0x15)  # path, reference, array of references, node
_ELEMENTS = (_BOUNDARY, _TEXT, _BOX, *_OTHER_ELEMENTS)
_STRCLASS, _LAST_RECORD = 0x34, 0x3B


@dataclass(frozen=True)
class _Polygon:
    layer: int
    kind: int
    points: FloatArray


@dataclass(frozen=True)
class _Cell:
    name: str
    polygons: list[_Polygon]
    labels: list[tuple[int, str, FloatArray]]


def _library(raw: bytes, where: str) -> tuple[float, list[_Cell]]:
    """Database unit in m, and the cells with coordinates in database units."""

    def damaged(what: str) -> InputError:
        return InputError(f"the file is not readable GDSII: {what}", where=where, remedy="Export it again")

    unit_m = 0.0
    cells: list[_Cell] = []
    cell: _Cell | None = None
    element: dict[int, Any] | None = None
    at = 0
    while True:
        if at + 4 > len(raw):
            raise damaged("it is cut off")
        size, record = int.from_bytes(raw[at : at + 2], "big"), raw[at + 2]
        data = raw[at + 4 : at + size]
        if size < 4 or size % 2 or at + size > len(raw) or (record == _HEADER) != (at == 0):
            raise damaged(f"the record at byte {at} is not one")
        at += size
        if record == _ENDLIB:
            break
        out_of_place = f"the record at byte {at - size} is out of place"
        if element is not None:
            if record == _ENDEL and cell is not None:
                _close(element, cell, damaged)
                element = None
            elif (
                (record in element and record in (_LAYER, _DATATYPE, _XY, _STRING, _BOXTYPE))
                or record in (_UNITS, _BGNSTR, _STRNAME, _ENDSTR, *_ELEMENTS)
                or record > _LAST_RECORD
            ):
                raise damaged(out_of_place)
            else:
                element[record] = data
        elif cell is not None:
            if record in _ELEMENTS and cell.name:
                element = {-1: record}
            elif record == _STRNAME and not cell.name:
                cell = replace(cell, name=_ascii(data))
            elif record == _ENDSTR and cell.name:
                cells.append(cell)
                cell = None
            elif record != _STRCLASS:
                raise damaged(out_of_place)
        elif record == _UNITS and not unit_m:
            if len(data) != 16:
                raise damaged("the units are not two numbers")
            unit_m = _real(data[8:])
            if not 1e-15 <= unit_m <= 1e-3:
                raise damaged(f"its unit of {unit_m:g} m is not sensible")
        elif record == _BGNSTR:
            cell = _Cell("", [], [])
        elif record in (_ENDEL, _STRNAME, _ENDSTR, _UNITS, *_ELEMENTS) or record > _LAST_RECORD:
            raise damaged(out_of_place)
    if cell is not None:
        raise damaged("it ends inside a cell")
    if not unit_m:
        raise damaged("it states no units")
    return unit_m, cells


def _close(element: Mapping[int, Any], cell: _Cell, damaged: Callable[[str], InputError]) -> None:
    """Put a finished element into its cell, if it is a polygon or a label."""
    kind = element[-1]
    if kind in _OTHER_ELEMENTS:
        return
    xy = element.get(_XY, b"")
    if len(xy) % 8 or not xy:
        raise damaged(f"an element of the cell {shown(cell.name)} has no places")
    points = np.frombuffer(xy, dtype=">i4").reshape(-1, 2).astype(np.float64)
    layer = _whole(element, _LAYER, damaged)
    if kind == _TEXT:
        cell.labels.append((layer, _ascii(element.get(_STRING, b"")), points[0]))
        return
    if np.array_equal(points[0], points[-1]):
        points = points[:-1]
    if len(points) < 3:
        raise damaged(f"a polygon of the cell {shown(cell.name)} has {len(points)} corners")
    cell.polygons.append(
        _Polygon(layer, _whole(element, _DATATYPE if kind == _BOUNDARY else _BOXTYPE, damaged), points)
    )


def _whole(element: Mapping[int, Any], record: int, damaged: Callable[[str], InputError]) -> int:
    data = element.get(record, b"")
    if len(data) != 2:
        raise damaged("an element states no layer or datatype")
    return int.from_bytes(data, "big")


def _ascii(data: bytes) -> str:
    text = data.rstrip(b"\0").decode("latin-1")
    return "".join(c for c in text if c.isprintable())


def _real(data: bytes) -> float:
    """An eight-byte real: sign, exponent of 16 in excess of 64, mantissa of 56 bits behind the point."""
    sign = -1.0 if data[0] & 0x80 else 1.0
    return sign * int.from_bytes(data[1:], "big") * 2.0**-56 * 16.0 ** ((data[0] & 0x7F) - 64)


def read_gdsii(path: str | Path, *, layer: int, datatype: int | None = None) -> dict[str, dict[str, FloatArray]]:
    """Read outlines from one layer.

    Parameters
    ----------
    path : str or Path
    layer : int
    datatype : int, optional
        Only this one; all by default.

    Returns
    -------
    dict of dict of ndarray (n, 2)
        By cell, then by name: the label on that layer that stands at a corner of the polygon or else inside its box, or
        "loop_1", "loop_2" and so on.  Coordinates in m.

    Raises
    ------
    InputError
        If the file cannot be read, or the layer holds no polygon.
    """
    _check_layer(layer)
    file = Path(path)
    if not file.is_file():
        raise InputError("there is no such file", where=str(file), remedy="Check the path")
    raw = read_bytes(file, limit_bytes=FILE_LIMIT_BYTES, kind="layout")
    unit_m, cells = _library(raw, str(file))
    out: dict[str, dict[str, FloatArray]] = {}
    for cell in cells:
        polygons = [p for p in cell.polygons if p.layer == layer and (datatype is None or p.kind == datatype)]
        labels = [(text, origin) for at, text, origin in cell.labels if at == layer]
        named: dict[str, FloatArray] = {}
        for number, polygon in enumerate(polygons, 1):
            name = _name_for(polygon.points, labels) or f"loop_{number}"
            if name in named:
                raise InputError(
                    f"two polygons bear the name {shown(name)}",
                    where=str(file),
                    remedy="Give each outline a label of its own",
                )
            named[name] = polygon.points * unit_m
        if named:
            if cell.name in out:
                raise InputError(
                    f"two cells bear the name {shown(cell.name)}", where=str(file), remedy="Give each a name of its own"
                )
            out[cell.name] = named
    if not out:
        raise InputError(f"layer {layer} holds no polygon", where=str(file), remedy="Name the layer of the outlines")
    return out


def _name_for(points: FloatArray, labels: list[tuple[str, FloatArray]]) -> str:
    extent = float(np.max(np.ptp(points, axis=0)))
    at_corner = [t for t, o in labels if float(np.min(np.linalg.norm(points - o, axis=1))) < 1e-6 * extent]
    if at_corner:
        return at_corner[0]
    low, high = points.min(axis=0), points.max(axis=0)
    inside = [t for t, o in labels if np.all(o >= low) and np.all(o <= high)]
    return inside[0] if len(inside) == 1 else ""


def layout_from(study: Study, found: Mapping[str, Mapping[str, FloatArray]]) -> Layout:
    """A layout of a study's loops from outlines read by name.

    Parameters
    ----------
    study : Study
    found : mapping
        As `read_gdsii` returns it; cells go by the chips' names.

    Returns
    -------
    Layout

    Raises
    ------
    InputError
        If a loop of the study is missing, or a cell belongs to no chip.
    """
    chips = {_cell_name(c.name): c.name for c in study.chips}
    outlines: dict[str, tuple[str, FloatArray]] = {}
    for cell, named in found.items():
        if cell not in chips:
            raise InputError(
                f"the cell {shown(cell)} belongs to no chip of the study",
                remedy=f"Name cells after chips: {', '.join(chips)}",
            )
        for name, corners in named.items():
            if name in outlines:
                raise InputError(
                    f"the outline {shown(name)} stands in two cells", remedy="Draw each loop once, on its own chip"
                )
            outlines[name] = (chips[cell], corners)
    missing = [x.name for x in study.loops if x.name not in outlines]
    if missing:
        raise InputError(
            f'no outline is labelled "{missing[0]}"' + (f", nor {len(missing) - 1} more loops" if missing[1:] else ""),
            remedy="Label each outline with its loop's name, on the same layer",
        )
    order = [outlines[x.name] for x in study.loops]
    return Layout(tuple(c for c, _ in order), tuple(o for _, o in order))
