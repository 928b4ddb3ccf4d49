"""Outlines of loops to and from GDSII, the file format of chip designers, through the optional package gdstk.

One cell per chip; each loop lies on a stated layer, with the loop's name as a label at its first corner.  A drawn outline is a
guide, the line that the wire is to follow, unless a width of the wire is given.  Coordinates are micrometres on the database
grid stated.  Files are read by `gdsii_reader` in a process of its own, after a look at their frame here.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, TypedDict, cast

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.files import read_bytes, write_beside
from fluxsense.base.units import shown
from fluxsense.design.layout import Layout
from fluxsense.study import Study

if TYPE_CHECKING:
    from fluxsense.design.gdsii_reader import Loop, Order

FloatArray = npt.NDArray[np.float64]

LARGEST_LAYER = 65535
FILE_LIMIT_BYTES = 64_000_000
WAIT_S = 120.0
READER = Path(__file__).with_name("gdsii_reader.py")
GUIDE = "guide only: the lines that wires are to follow, without their width"


class _Answer(TypedDict, total=False):
    """What the reader prints: loops by cell, or what is wrong and what to do."""

    cells: Mapping[str, Sequence[Loop]]
    fault: Sequence[object]


def need_gdstk() -> ModuleType:
    """The package that reads and writes GDSII.

    Raises
    ------
    InputError
        If it is missing.
    """
    try:
        import gdstk
    except ImportError:
        raise InputError(
            "GDSII needs the package gdstk, which is not installed",
            remedy="Install it with: pip install 'fluxsense[gds]'",
        ) from None
    return gdstk


def check_layer(layer: int) -> None:
    """Raise InputError if a number is no GDSII layer."""
    if not 0 <= layer <= LARGEST_LAYER:
        raise InputError(f"{layer} is no layer", remedy=f"Use a whole number from 0 to {LARGEST_LAYER}")


def cell_name(chip: str) -> str:
    """A name that the format allows: letters, digits and underscores."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "_$?") else "_" for c in chip)[:32] or "chip"


def check_writable(study: Study, layer: int, wire_width_m: float = 0.0) -> None:
    """Everything that can be wrong with a file to write, before a long search.

    Raises
    ------
    InputError
        If gdstk is missing, the layer is not one, two chips would have one cell, or wires of that width cannot be drawn.
    """
    need_gdstk()
    check_layer(layer)
    names = [cell_name(c.name) for c in study.chips]
    if len(set(names)) < len(names):
        raise InputError("two chips would have the same cell name", remedy="Let their names differ in 32 plain letters")
    if not 0 <= wire_width_m < np.inf:
        raise InputError(
            f"a wire of {1e6 * wire_width_m:g} um cannot be drawn", remedy="Give a width above zero, as in 2 (um)"
        )
    crossing = [x.name for x in study.loops if x.crossing]
    if wire_width_m and crossing:
        raise InputError(
            f"the wires of loop {shown(crossing[0])} cross, and metal on one layer cannot",
            remedy="Leave the width out: the outlines are then written as a guide",
        )


def write_gdsii(
    path: str | Path, study: Study, layout: Layout, *, layer: int = 1, datatype: int = 0, wire_width_m: float = 0.0
) -> None:
    """Write a layout's outlines.

    Parameters
    ----------
    path : str or Path
    study : Study
        Names of loops and chips, and the design grid.
    layout : Layout
    layer, datatype : int
    wire_width_m : float
        Width in m of wires whose centre lines are the outlines, with mitred corners; 0 writes the outlines themselves, and
        a label on each cell that says so.

    Raises
    ------
    InputError
        As `check_writable`; if a wire is too wide for its loop, or the file cannot be written.
    """
    check_writable(study, layer, wire_width_m)
    gdstk = need_gdstk()
    library = gdstk.Library("fluxsense", unit=1e-6, precision=min(study.layout.grid_m, 1e-9))
    cells = {chip.name: library.new_cell(cell_name(chip.name)) for chip in study.chips}
    for loop, chip, corners in zip(study.loops, layout.chips, layout.outlines, strict=True):
        flat = [(float(x), float(y)) for x, y in 1e6 * np.asarray(corners)]
        shapes = [gdstk.Polygon(flat)]
        if wire_width_m:
            shapes = _wire(gdstk, shapes[0], 1e6 * wire_width_m, loop.name)
        for shape in shapes:
            shape.layer, shape.datatype = layer, datatype
        place = tuple(shapes[0].points[0])
        cells[chip].add(*shapes, gdstk.Label(loop.name, place, layer=layer, texttype=datatype))
    if not wire_width_m:
        corner = tuple(-0.5e6 * np.array(study.layout.chip_size_m))
        for cell in cells.values():
            cell.add(gdstk.Label(GUIDE, corner, layer=layer, texttype=datatype))
    with tempfile.TemporaryDirectory() as folder:
        inner = Path(folder) / "layout.gds"
        try:
            library.write_gds(str(inner))
        except OSError as error:
            raise InputError(
                f"the layout cannot be written ({error})", where=str(path), remedy="Make room for temporary files"
            ) from None
        write_beside(path, inner.read_bytes(), sync=True)


def _wire(gdstk: ModuleType, outline: FloatArray, width_um: float, name: str) -> list[object]:
    """Metal of a width along a closed outline."""
    outer, inner = (gdstk.offset([outline], s * 0.5 * width_um, "miter", 10, 1e-6) for s in (1, -1))
    if len(outer) != 1 or len(inner) != 1:
        raise InputError(
            f"a wire of {width_um:g} um leaves no single hole in loop {shown(name)}", remedy="Give a smaller width"
        )
    return list(gdstk.boolean(outer, inner, "not", precision=1e-6))


# Records are two bytes of length, one of record type, one of data type, then the data, big-endian (Calma, GDSII Stream
# Format Manual, release 6.0, 1987; record numbers from memory, checked against files of gdstk in the tests).
_HEADER, _UNITS, _ENDLIB, _CELL, _CELL_NAME, _CELL_END = 0x00, 0x03, 0x04, 0x05, 0x06, 0x07
_LAYER, _XY, _END, _LAST = 0x0D, 0x10, 0x11, 0x3B
_DATA = {
    _HEADER: (2, 2),
    _UNITS: (5, 16),
    _ENDLIB: (0, 0),
    _CELL_NAME: (6, None),
    _CELL_END: (0, 0),
    _LAYER: (2, 2),
    _XY: (3, None),
    _END: (0, 0),
    **dict.fromkeys((0x0E, 0x16, 0x2E, 0x21), (2, 2)),
    0x1A: (1, 2),
    0x0F: (3, 4),
    0x13: (2, 4),
    **dict.fromkeys((0x12, 0x19), (6, None)),
    **dict.fromkeys((0x1B, 0x1C), (5, 8)),
}
"""Type and bytes of data; besides the named ones data, text, box and path type, transformation, width, columns and rows, name of
the cell placed, text, magnification and angle."""
_ON_LAYER, _PLACED = (0x08, 0x09, 0x0C, 0x15, 0x2D), (0x0A, 0x0B)
"""Elements: boundary, path, text, node, box; reference and array of references."""
_ONCE = (_LAYER, _XY, 0x0E, 0x16, 0x2E)


def _damaged(what: str, where: str) -> InputError:
    return InputError(f"the file is not readable GDSII: {what}", where=where, remedy="Export it again")


def _records(raw: bytes, where: str) -> Iterator[tuple[int, int, bytes]]:
    """Place, type and data of each record up to the end of the library."""
    at, record = 0, -1
    while record != _ENDLIB:
        if at + 4 > len(raw):
            raise _damaged("it is cut off", where)
        size, record = int.from_bytes(raw[at : at + 2], "big"), raw[at + 2]
        data = raw[at + 4 : at + size]
        wrong = size < 4 or size % 2 or at + size > len(raw) or record > _LAST or (record == _HEADER) != (at == 0)
        kind, length = _DATA.get(record, (raw[at + 3], None))
        wrong = wrong or raw[at + 3] != kind or len(data) != (len(data) if length is None else length)
        if wrong or (record == _XY and (not data or len(data) % 8)):
            raise _damaged(f"the record at byte {at} is not one", where)
        yield at, record, data
        at += size


def _check_frame(raw: bytes, where: str) -> None:
    """Refuse what is no sequence of GDSII records: a library that reads on past a damaged one reads something else."""
    units, cell, element, seen = 0, False, False, set[int]()
    for at, record, data in _records(raw, where):
        starts = record in (*_ON_LAYER, *_PLACED)
        if element:
            whole = _XY in seen and (_LAYER in seen or not seen.isdisjoint(_PLACED))
            good = not starts and record not in (_UNITS, _CELL, _CELL_NAME, _CELL_END, _ENDLIB)
            good = good and not (record in _ONCE and record in seen) and (record != _END or whole)
        elif cell:
            good = record in (_CELL_END, _CELL_NAME, 0x34) or starts
        else:
            good = record not in (_CELL_NAME, _CELL_END, _END, _XY) and not starts
        if not good:
            raise _damaged(f"the record at byte {at} is out of place", where)
        cell = record == _CELL or (cell and record != _CELL_END)
        seen = {record} if starts else seen | {record}
        element = starts or (element and record != _END)
        if record == _UNITS:
            units += 1
            unit_m = _real(data[8:])
            if not 1e-15 <= unit_m <= 1e-3:
                raise _damaged(f"its unit of {unit_m:g} m is not sensible", where)
    if units != 1:
        raise _damaged(f"it states its units {units} times", where)


def _real(data: bytes) -> float:
    """An eight-byte real: sign, exponent of 16 in excess of 64, mantissa of 56 bits behind the point."""
    sign = -1.0 if data[0] & 0x80 else 1.0
    return sign * int.from_bytes(data[1:], "big") * 2.0**-56 * 16.0 ** ((data[0] & 0x7F) - 64)


@dataclass(frozen=True, eq=False)
class Outline:
    """A loop as a mask holds it.

    Attributes
    ----------
    corners_m : ndarray (n, 2)
    wire_m : float
        Width of the wire whose centre line this is; 0 for an outline drawn as one.
    """

    corners_m: FloatArray
    wire_m: float = 0.0


def read_gdsii(
    path: str | Path,
    *,
    layer: int,
    datatype: int | None = None,
    cells: Sequence[str] = (),
    names: Iterable[str] = (),
    or_top: bool = False,
) -> dict[str, dict[str, Outline]]:
    """Read the loops on one layer.

    A closed outline is taken as it is, a wire of one width around a hole and a closed path by their centre lines; what a cell
    places is read with it.

    Parameters
    ----------
    path : str or Path
    layer : int
    datatype : int, optional
        Only this one; all by default.
    cells : sequence of str
        Cells to read; by default those that no other one places.
    names : iterable of str
        Labels to look for, on any layer; shapes without one are then passed over.  By default every shape of the layer must
        be a loop, named by a label on that layer or "loop_1", "loop_2" and so on.
    or_top : bool
        If none of the cells is there, read the only cell that no other one places.

    Returns
    -------
    dict of dict of Outline
        By cell, then by the label that stands at a corner of the shape or inside it.

    Raises
    ------
    InputError
        If gdstk is missing, the file cannot be read or ends its reader, a shape is no loop, or there is none.
    """
    check_layer(layer)
    need_gdstk()
    raw = read_bytes(path, limit_bytes=FILE_LIMIT_BYTES, kind="layout")
    where = str(path)
    _check_frame(raw, where)
    order: Order = {
        "path": str(Path(path).absolute()),
        "layer": layer,
        "datatype": datatype,
        "cells": list(cells),
        "names": list(names),
        "or_top": or_top,
    }
    answer = _ask(order, where)
    if "fault" in answer:
        what, remedy = (str(x) for x in answer["fault"])
        raise InputError(what, where=where, remedy=remedy)
    out: dict[str, dict[str, Outline]] = {}
    for cell, loops in answer["cells"].items():
        named: dict[str, Outline] = {}
        for loop in loops:
            if loop["name"] in named:
                raise InputError(
                    f"two outlines bear the name {shown(loop['name'])}",
                    where=where,
                    remedy="Give each outline a label of its own",
                )
            named[loop["name"]] = Outline(1e-6 * np.array(loop["points"]), 1e-6 * loop["width"])
        out[cell] = named
    if not out:
        raise InputError(
            f"layer {layer} holds no {'labelled ' * bool(order['names'])}outline",
            where=where,
            remedy="Name the layer of the outlines, and label each with its loop's name",
        )
    return out


def _ask(order: Order, where: str) -> _Answer:
    """The reader's answer; its end without one is a fault of the file."""
    try:
        done = subprocess.run(
            [sys.executable, "-I", str(READER), json.dumps(order)],
            capture_output=True,
            timeout=WAIT_S,
            stdin=subprocess.DEVNULL,
            check=False,
        )
        answer: object = json.loads(done.stdout.splitlines()[-1])
    except (subprocess.TimeoutExpired, OSError, ValueError, IndexError):
        answer = None
    if not isinstance(answer, dict):
        raise InputError(
            "gdstk could not read the file to its end",
            where=where,
            remedy="Open it in a layout editor and export the cell of the loops alone",
        )
    return cast("_Answer", answer)


def read_layout(study: Study, path: str | Path, *, layer: int, cell: str = "") -> tuple[Layout, dict[str, float]]:
    """A layout of a study's loops from a mask.

    Parameters
    ----------
    study : Study
    path : str or Path
    layer : int
    cell : str
        Cell that holds the loops of the only chip; by default cells go by the chips' names, and the loops of one chip may
        lie in the only cell that no other one places.

    Returns
    -------
    layout : Layout
    wires_m : dict
        Widths of the wires whose centre lines were taken, by loop; without the loops that were drawn as outlines.

    Raises
    ------
    InputError
        As `read_gdsii`; if a loop of the study is missing, or stands in two cells.
    """
    alone = len(study.chips) == 1
    if cell and not alone:
        raise InputError(
            f"the study has {len(study.chips)} chips, and one cell holds one",
            where=f"--cell {cell}",
            remedy="Leave --cell out, and name cells after the chips",
        )
    chips = {cell: study.chips[0].name} if cell else {cell_name(c.name): c.name for c in study.chips}
    names = [x.name for x in study.loops]
    found = read_gdsii(path, layer=layer, cells=list(chips), names=names, or_top=alone and not cell)
    outlines: dict[str, tuple[str, Outline]] = {}
    for at, named in found.items():
        for name, outline in named.items():
            if name in outlines:
                raise InputError(
                    f"the outline {shown(name)} stands in two cells",
                    where=str(path),
                    remedy="Draw each loop once, on its own chip",
                )
            outlines[name] = (chips.get(at, study.chips[0].name), outline)
    missing = [n for n in names if n not in outlines]
    if missing:
        more = f", nor {len(missing) - 1} more loops" if missing[1:] else ""
        raise InputError(
            f"no outline on layer {layer} is labelled {shown(missing[0])}{more}",
            where=str(path),
            remedy="Label each outline with its loop's name, at a corner or inside",
        )
    order = [outlines[n] for n in names]
    layout = Layout(tuple(c for c, _ in order), tuple(o.corners_m for _, o in order))
    return layout, {n: o.wire_m for n, (_, o) in outlines.items() if o.wire_m}
