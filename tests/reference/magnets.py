"""Outlines of simple shapes, and fields of a dipole and of a coil."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fluxsense.magnetics.loops import place
from fluxsense.magnetics.wires import Wires, unit_current_rows

FloatArray = npt.NDArray[np.float64]


def _placed(points: FloatArray, centre_m: npt.ArrayLike, normal: npt.ArrayLike) -> FloatArray:
    """Points (n, 2) in the plane with this normal, x near +x (or +y where the normal is near +x)."""
    n = np.asarray(normal, np.float64) / np.linalg.norm(normal)
    x = np.array([1.0, 0.0, 0.0]) if abs(n[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    x -= (x @ n) * n
    return place(points, centre_m, x, np.cross(n, x))


def regular_outline(
    sides: int,
    radius_m: float,
    centre_m: npt.ArrayLike = (0.0, 0.0, 0.0),
    normal: npt.ArrayLike = (0.0, 0.0, 1.0),
    equal_area: bool = False,
) -> FloatArray:
    """Regular polygon (sides, 3), counterclockwise about its normal; `equal_area`: of the area of the circle, not in it."""
    r = radius_m * (np.sqrt(2 * np.pi / (sides * np.sin(2 * np.pi / sides))) if equal_area else 1.0)
    angle = 2 * np.pi * np.arange(sides) / sides
    return _placed(r * np.stack([np.cos(angle), np.sin(angle)], axis=-1), centre_m, normal)


def rectangle_outline(
    width_m: float,
    height_m: float,
    centre_m: npt.ArrayLike = (0.0, 0.0, 0.0),
    normal: npt.ArrayLike = (0.0, 0.0, 1.0),
) -> FloatArray:
    """Rectangle (4, 3), counterclockwise about its normal."""
    w, h = 0.5 * width_m, 0.5 * height_m
    return _placed(np.array([[-w, -h], [w, -h], [w, h], [-w, h]]), centre_m, normal)


def dipole_field_t(moment_a_m2: npt.ArrayLike, position_m: npt.ArrayLike, points_m: npt.ArrayLike) -> FloatArray:
    """mu0/(4 pi) (3 n (n . m) - m)/d^3 (textbook), T; the leading axes of moments, places and points (..., 3) broadcast."""
    moment, d = (
        np.asarray(moment_a_m2, np.float64),
        np.asarray(points_m, np.float64) - np.asarray(position_m, np.float64),
    )
    length = np.linalg.norm(d, axis=-1, keepdims=True)
    n = d / length
    return np.asarray(
        1.25663706127e-6 / (4 * np.pi) * (3 * n * (n * moment).sum(axis=-1, keepdims=True) - moment) / length**3
    )


def dipole_flux_wb_per_a_m2(vertices: npt.ArrayLike, position_m: npt.ArrayLike) -> FloatArray:
    """The package's rows (..., 3) of one loop for places (..., 3)."""
    return unit_current_rows(Wires.of([vertices]), np.asarray(position_m, np.float64))[..., 0, :]


def coil_field_t(vertices: npt.ArrayLike, current_a: npt.ArrayLike, points_m: npt.ArrayLike) -> FloatArray:
    """The package's field of a coil, T: by reciprocity the rows of a dipole's flux are the field of one ampere."""
    return np.asarray(current_a, np.float64)[..., None] * dipole_flux_wb_per_a_m2(vertices, points_m)
