"""Outlines of loops: closed polygons in space, as arrays of vertices.

An outline is an array ``(..., n, 3)`` of vertices in metres with ``n >= 3``.  It
closes by itself: the last vertex is joined to the first.  The winding sets the
sign of the flux by the right-hand rule.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxsense.base.errors import InputError

FloatArray = NDArray[np.float64]

SQUARENESS_TOLERANCE_RAD = 0.01
"""How far from perpendicular the two axes given to `place` may be."""


def as_vectors(value: ArrayLike, name: str) -> FloatArray:
    """Return ``value`` as a finite float array whose last axis has length 3.

    Parameters
    ----------
    value : array_like, shape (..., 3)
    name : str
        How the message calls the value.

    Returns
    -------
    ndarray, shape (..., 3)

    Raises
    ------
    InputError
        If the last axis is not 3 long or an entry is not a finite number.
    """
    try:
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InputError(f"{name} cannot be read as numbers", remedy="Give x, y, z for each point") from error
    if array.ndim == 0 or array.shape[-1] != 3:
        raise InputError(
            f"{name} has shape {array.shape}, its last axis must hold x, y, z",
            remedy="Give three components per vector",
        )
    if not np.all(np.isfinite(array)):
        raise InputError(
            f"{name} contains a value that is not finite",
            remedy="Give finite numbers in metres, tesla or ampere square metres",
        )
    return array


def as_outline(vertices: ArrayLike, name: str = "outline") -> FloatArray:
    """Return ``vertices`` as a checked outline.

    Parameters
    ----------
    vertices : array_like, shape (..., n, 3)
        Vertices in m.
    name : str
        How the message calls the outline.

    Returns
    -------
    ndarray, shape (..., n, 3)

    Raises
    ------
    InputError
        If there are fewer than three vertices, or an entry is not finite.
    """
    array = as_vectors(vertices, name)
    count = array.shape[-2] if array.ndim >= 2 else 1
    if count < 3:
        raise InputError(
            f"{name} has {count} {'vertex' if count == 1 else 'vertices'}, a closed outline needs at least 3",
            remedy="List the corners in order; the last one is joined to the first",
        )
    return array


def area_vector(vertices: ArrayLike) -> FloatArray:
    """Area vector of closed polygons, planar or not.

    Parameters
    ----------
    vertices : array_like, shape (..., n, 3)
        Vertices in m.

    Returns
    -------
    ndarray, shape (..., 3)
        Area vector in m^2: the flux of a uniform field B is its product with B.

    Raises
    ------
    InputError
        If there are fewer than three vertices, or an entry is not finite.

    Notes
    -----
    With A = (B x r)/2 as vector potential of a uniform field, the line integral
    over the edges is ``B . (1/2) sum r_k x r_(k+1)`` (Stokes).  Vertices are taken
    from their mean first, so a small loop far from the origin loses no digits.
    """
    return _area_vector(as_outline(vertices))


def _area_vector(vertices: FloatArray) -> FloatArray:
    r = vertices - vertices.mean(axis=-2, keepdims=True)
    after = np.concatenate([r[..., 1:, :], r[..., :1, :]], axis=-2)
    area: FloatArray = 0.5 * np.cross(r, after).sum(axis=-2)
    return area


def _unit(vector: ArrayLike, name: str) -> FloatArray:
    array = as_vectors(vector, name)
    if array.shape != (3,):
        raise InputError(f"{name} has shape {array.shape}, one vector of three components is needed")
    largest = float(np.abs(array).max())
    if largest == 0.0:
        raise InputError(
            f"{name} has zero length", remedy="Give a vector that points somewhere; its length is not used"
        )
    scaled = array / largest
    unit: FloatArray = scaled / np.sqrt(scaled @ scaled)
    return unit


def _positive(value: float, name: str) -> float:
    number = float(value)
    if not (np.isfinite(number) and number > 0.0):
        raise InputError(
            f"{name} is {number:g}, it must be a finite length above zero", remedy="Give the length in metres"
        )
    return number


def _in_plane(points: FloatArray, centre_m: ArrayLike, normal: ArrayLike, turn_rad: float) -> FloatArray:
    """Put points (n, 2) into the plane with this normal, counterclockwise seen from its tip."""
    n = _unit(normal, "normal")
    seed = np.array([1.0, 0.0, 0.0]) if abs(n[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    x = seed - (seed @ n) * n
    x /= np.sqrt(x @ x)
    y = np.cross(n, x)
    if not np.isfinite(turn_rad):
        raise InputError(f"turn_rad is {turn_rad}, it must be finite")
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return place(points, centre_m, c * x + s * y, c * y - s * x)


def figure_eight_outline(
    lobe_width_m: float,
    lobe_height_m: float,
    gap_m: float = 0.0,
    centre_m: ArrayLike = (0.0, 0.0, 0.0),
    normal: ArrayLike = (0.0, 0.0, 1.0),
    turn_rad: float = 0.0,
) -> FloatArray:
    """First-order gradiometer: two equal rectangular lobes wound oppositely, as one closed polygon.

    Parameters
    ----------
    lobe_width_m, lobe_height_m : float
        Width (along x at zero turn) and height of each lobe in m.
    gap_m : float
        Distance in m between the inner edges of the lobes, bridged by two wires
        that cross in the middle.  At zero both lobes share one middle line, which
        is then passed twice in the same sense.
    centre_m : array_like, shape (3,)
        Point of crossing in m.
    normal : array_like, shape (3,)
        Direction about which the lobe on the +x side runs counterclockwise.
    turn_rad : float
        Turn about the normal.

    Returns
    -------
    ndarray, shape (8, 3)
        Vertices in m.

    Raises
    ------
    InputError
        If a length is not positive (the gap: negative) or the normal has no length.

    Notes
    -----
    The area vector is zero.  For a field B_z = G x the flux is
    ``G h w (w + g) + G g^2 h/6`` (lobes, and the two triangles between lobe and
    crossing, each of area ``g h/4`` with its centroid at ``g/3``).
    """
    w, h = _positive(lobe_width_m, "lobe_width_m"), 0.5 * _positive(lobe_height_m, "lobe_height_m")
    gap = float(gap_m)
    if not (np.isfinite(gap) and gap >= 0.0):
        raise InputError(f"gap_m is {gap:g}, it must be zero or a finite length above zero", remedy="Give it in metres")
    g = 0.5 * gap
    points = np.array([[g, -h], [g + w, -h], [g + w, h], [g, h], [-g, -h], [-g - w, -h], [-g - w, h], [-g, h]])
    return _in_plane(points, centre_m, normal, turn_rad)


def place(points_2d: ArrayLike, origin_m: ArrayLike, x_axis: ArrayLike, y_axis: ArrayLike) -> FloatArray:
    """Carry points from the frame of a chip to that of the laboratory.

    Parameters
    ----------
    points_2d : array_like, shape (n, 2) or (n, 3)
        Points in the chip's frame in m; a third column is the height along the
        chip's normal.
    origin_m : array_like, shape (3,)
        Where the chip's origin lies in the laboratory, in m.
    x_axis, y_axis : array_like, shape (3,)
        Directions of the chip's axes in the laboratory.  Lengths are not used; the
        y axis is made exactly perpendicular to x when it is within 0.01 rad of it.

    Returns
    -------
    ndarray, shape (n, 3)
        Points in the laboratory's frame in m.  The chip's normal is x cross y.

    Raises
    ------
    InputError
        If an axis has no length, the axes are not perpendicular, or a value is not
        finite or of the wrong shape.
    """
    try:
        points = np.asarray(points_2d, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InputError(
            "The points of an outline cannot be read as numbers", remedy="Give x, y (and z) for each point"
        ) from error
    if points.ndim != 2 or points.shape[1] not in (2, 3):
        raise InputError(
            f"The points have shape {points.shape}, rows of x, y or of x, y, z are needed",
            remedy="Give one row per corner, in metres",
        )
    if not np.all(np.isfinite(points)):
        raise InputError("The points contain a value that is not finite", remedy="Give finite numbers in metres")
    origin = as_vectors(origin_m, "origin_m")
    x, y = _unit(x_axis, "x_axis"), _unit(y_axis, "y_axis")
    slope = float(x @ y)
    if abs(slope) > SQUARENESS_TOLERANCE_RAD:
        angle = float(np.degrees(np.arccos(np.clip(slope, -1.0, 1.0))))
        raise InputError(
            f"x_axis and y_axis are {angle:.2f} degrees apart, a chip's axes must be perpendicular",
            remedy="Correct one of the axes",
        )
    y = y - slope * x
    y /= np.sqrt(y @ y)
    axes = np.stack([x, y, np.cross(x, y)])
    placed: FloatArray = origin + points @ axes[: points.shape[1]]
    return placed


def distance_to_outline(point: ArrayLike, vertices: ArrayLike) -> FloatArray:
    """Smallest distance from points to the wire of an outline.

    Parameters
    ----------
    point : array_like, shape (..., 3)
        Points in m.
    vertices : array_like, shape (..., n, 3)
        Vertices in m; leading axes broadcast against those of ``point``.

    Returns
    -------
    ndarray, shape (...)
        Distances in m to the nearest edge or corner.

    Raises
    ------
    InputError
        If there are fewer than three vertices, or an entry is not finite.
    """
    return _distance_to_outline(as_vectors(point, "point"), as_outline(vertices))


def _distance_to_outline(point: FloatArray, vertices: FloatArray) -> FloatArray:
    edge = np.roll(vertices, -1, axis=-2) - vertices
    away = point[..., None, :] - vertices
    length2 = (edge * edge).sum(axis=-1)
    along = (away * edge).sum(axis=-1) / np.where(length2 > 0.0, length2, 1.0)
    nearest = away - np.clip(along, 0.0, 1.0)[..., None] * edge
    distance: FloatArray = np.sqrt((nearest * nearest).sum(axis=-1).min(axis=-1))
    return distance
