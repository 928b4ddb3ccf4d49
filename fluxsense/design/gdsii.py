"""Outlines of loops to and from GDSII, the file format of chip designers, through the optional package gdstk.

One cell per chip; each loop is a polygon on a stated layer, with the loop's name as a label at its first corner.
Coordinates are micrometres on the database grid stated.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fluxsense.design.layout import Layout
from fluxsense.errors import InputError
from fluxsense.study import Study
from fluxsense.traces.files import write_beside

FloatArray = npt.NDArray[np.float64]

LARGEST_LAYER = 65535


def _gdstk() -> Any:
    try:
        import gdstk
    except ImportError:
        raise InputError(
            "GDSII needs the package gdstk, which is not installed",
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
    gdstk = _gdstk()
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
        If gdstk is missing, the file cannot be read, or the layer holds no polygon.
    """
    gdstk = _gdstk()
    _check_layer(layer)
    file = Path(path)
    if not file.is_file():
        raise InputError("there is no such file", where=str(file), remedy="Check the path")
    try:
        library = gdstk.read_gds(str(file))
    except (RuntimeError, OSError) as error:
        raise InputError(
            f"the file is not readable GDSII ({error})", where=str(file), remedy="Export it again"
        ) from None
    out: dict[str, dict[str, FloatArray]] = {}
    for cell in library.cells:
        polygons = [p for p in cell.polygons if p.layer == layer and (datatype is None or p.datatype == datatype)]
        labels = [(lab.text, np.array(lab.origin)) for lab in cell.labels if lab.layer == layer]
        named: dict[str, FloatArray] = {}
        for number, polygon in enumerate(polygons, 1):
            points = np.array(polygon.points)
            name = _name_for(points, labels) or f"loop_{number}"
            if name in named:
                raise InputError(
                    f'two polygons bear the name "{name}"',
                    where=str(file),
                    remedy="Give each outline a label of its own",
                )
            named[name] = points * library.unit
        if named:
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
                f'the cell "{cell}" belongs to no chip of the study',
                remedy=f"Name cells after chips: {', '.join(chips)}",
            )
        for name, corners in named.items():
            outlines[name] = (chips[cell], corners)
    missing = [x.name for x in study.loops if x.name not in outlines]
    if missing:
        raise InputError(
            f'no outline is labelled "{missing[0]}"' + (f", nor {len(missing) - 1} more loops" if missing[1:] else ""),
            remedy="Label each outline with its loop's name, on the same layer",
        )
    order = [outlines[x.name] for x in study.loops]
    return Layout(tuple(c for c, _ in order), tuple(o for _, o in order))
