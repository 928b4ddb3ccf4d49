"""Fields and fluxes of point dipoles and of thin closed wires made of straight edges.

One closed form serves both the flux of a dipole in a loop and the field of a
coil: by reciprocity the flux per unit moment equals the field of a unit current
in the loop at the dipole's place.

For the edge p -> q write, from the dipole, ``e = p - r0``, ``v = q - r0`` and
``u = q - p``.  With A = mu0/(4 pi) m x d/|d|^3 (textbook vector potential) the
edge adds ``mu0/(4 pi) (e x u) I`` to the row that multiplies m, where
``I = integral_0^1 dt/|e + t u|^3``.  Its closed form

    I = (|e| + |v|)/(|e| |v| (|e| |v| + e . v))

(the compact form of Hanson & Hirshman, Phys. Plasmas 9, 4410 (2002), for the
field of a filament; citation from memory, the form follows by differentiation
and is checked by quadrature in the tests) stays finite where the point is in
line with the edge.  Close to the wire the last factor is evaluated as
``|e x u|^2/(|e| |v| - e . v)``, which loses no digits there.

Far from a loop the edges nearly cancel.  Since the edges of a closed polygon sum
to zero, a constant may be taken from I: with E from the point to the centre of
the loop, ``sum (e x u) I = 2 area/|E|^3 + sum (e x u)(I - 1/|E|^3)``, and the
difference is evaluated without cancellation (`_far_rows`).

The rows are the gradient of a harmonic function of the dipole's place, so that their second derivatives form a symmetric,
traceless tensor T_ijk of seven numbers: those in which no index comes three times (`THIRDS`).  With a = |e|, b = |v|,
q = a b + e . v and s = (a + b)/q (so that I = s/(a b)), differentiation of the compact form gives, by e (d by r0 is minus that),

    dI/de       = eps e + phi v,   eps = -(1/(a q) + s^2/b)/a^2,   phi the same with a and b exchanged,
    d2I/de_i de_j = A e_i e_j + B v_i v_j + C (e_i v_j + v_i e_j) for i != j,
    A = (3 (1/a + s)/(a q) + 2 s^3/b)/a^3,   B the same with a and b exchanged,   C = (1/a^3 + 1/b^3)/q^2 + 2 s^3/(a b)^2,

sums of terms of one sign.  Each edge adds ``(e x u)_k d2I_ij + (x_i x u)_k dI_j + (x_j x u)_k dI_i``, with x_i the unit vectors.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import pi
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxsense.base.constants import MAGNETIC_CONSTANT_N_A2
from fluxsense.base.errors import InputError
from fluxsense.magnetics.loops import FloatArray, _area_vector, _distance_to_outline, as_outline

MU0_OVER_4PI = MAGNETIC_CONSTANT_N_A2 / (4.0 * pi)

FAR_RATIO = 8.0
"""Beyond this many radii from a loop's centre the form without cancellation is used."""

BLOCK_ELEMENTS = 16384
"""Points times edges handled at once, so that the work arrays stay in the cache."""

THIRDS = ((0, 1, 0), (0, 1, 1), (0, 1, 2), (0, 2, 0), (0, 2, 2), (1, 2, 1), (1, 2, 2))
"""Indices (i, j, k) of the seven second derivatives d_i d_j of component k of a row that determine them all."""

TOUCH_RATIO = 1e-9
"""Points nearer to a wire than this fraction of the outline's size count as on the wire."""


@dataclass(frozen=True, eq=False)
class Wires:
    """The edges of several closed outlines, end to end.

    Attributes
    ----------
    start, end : ndarray, shape (E, 3)
        End points of all edges in m.
    first : ndarray of int, shape (L + 1,)
        Edges ``first[l]:first[l + 1]`` belong to outline ``l``.
    centre : ndarray, shape (L, 3)
        Mean of each outline's vertices in m.
    radius : ndarray, shape (L,)
        Largest distance of a vertex from that centre in m.
    area : ndarray, shape (L, 3)
        Area vectors in m^2.
    following : ndarray of int, shape (E,)
        For each edge the one that starts where it ends.
    """

    start: FloatArray
    end: FloatArray
    first: NDArray[np.intp]
    centre: FloatArray
    radius: FloatArray
    area: FloatArray
    following: NDArray[np.intp]

    @classmethod
    def of(cls, outlines: Sequence[ArrayLike]) -> Wires:
        """Check the outlines and lay out their edges.

        Parameters
        ----------
        outlines : sequence of array_like, each of shape (n, 3)
            Vertices in m.

        Returns
        -------
        Wires

        Raises
        ------
        InputError
            If there is no outline, or one has fewer than three vertices, a value
            that is not finite, or no extent.
        """
        checked: list[FloatArray] = []
        for index, outline in enumerate(outlines):
            name = f"outline {index}"
            array = as_outline(outline, name)
            if array.ndim != 2:
                raise InputError(
                    f"{name} has shape {array.shape}, rows of x, y, z are needed",
                    remedy="Give one outline per entry of the list",
                )
            checked.append(array)
        if not checked:
            raise InputError("The list of outlines is empty", remedy="Give at least one loop")
        counts = np.array([len(array) for array in checked])
        first = np.concatenate([[0], np.cumsum(counts)]).astype(np.intp)
        following = np.arange(1, first[-1] + 1)
        following[first[1:] - 1] = first[:-1]
        start = np.concatenate(checked)
        centre, area, radius = np.empty((len(counts), 3)), np.empty((len(counts), 3)), np.empty(len(counts))
        for count in set(counts.tolist()):  # outlines of as many corners at once
            own = np.flatnonzero(counts == count)
            alike = start[first[own, None] + np.arange(count)]
            centre[own], area[own] = alike.mean(axis=1), _area_vector(alike)
            radius[own] = np.sqrt(((alike - centre[own, None]) ** 2).sum(axis=2).max(axis=1))
            still = own[~np.any(np.ptp(alike, axis=1) > 0.0, axis=1)]
            if still.size:
                raise InputError(
                    f"outline {still[0]} has all corners in one point", remedy="Give its corners in metres"
                )
        return cls(start, start[following], first, centre, radius, area, following)


def unit_current_rows(wires: Wires, points_m: FloatArray) -> FloatArray:
    """Field per ampere of each wire at each point, equal to the flux per unit moment there.

    No checks: for use inside likelihoods.

    Parameters
    ----------
    wires : Wires
        L closed wires.
    points_m : ndarray, shape (..., 3)
        Points in m.

    Returns
    -------
    ndarray, shape (..., L, 3)
        In T/A, which is Wb/(A m^2).  Not finite on a wire itself.
    """
    return _in_blocks(_rows, wires, points_m, 3, BLOCK_ELEMENTS)


def unit_current_thirds(wires: Wires, points_m: FloatArray) -> FloatArray:
    """Second derivatives of `unit_current_rows` by the point: the seven of `THIRDS`.

    Parameters
    ----------
    wires : Wires
        L closed wires.
    points_m : ndarray, shape (..., 3)
        Points in m.

    Returns
    -------
    ndarray, shape (..., L, 7)
        In T/(A m^2), which is Wb/(A m^4).  Not finite on a wire itself; r sizes away from a loop, r roundings are lost.
    """
    return _in_blocks(_near_thirds, wires, points_m, len(THIRDS), BLOCK_ELEMENTS // 4)


def _in_blocks(
    of: Callable[[Wires, FloatArray], FloatArray], wires: Wires, points_m: FloatArray, width: int, elements: int
) -> FloatArray:
    """What `of` gives of L loops at n points, (n, L, width), at any points (..., 3), times mu0/(4 pi)."""
    flat = points_m.reshape(-1, 3)
    count = len(wires.radius)
    rows = np.empty((flat.shape[0], count, width))
    step = max(1, elements // len(wires.start))
    for begin in range(0, flat.shape[0], step):
        block = slice(begin, begin + step)
        rows[block] = MU0_OVER_4PI * of(wires, flat[block])
    return rows.reshape(*points_m.shape[:-1], count, width)


def _rows(wires: Wires, points: FloatArray) -> FloatArray:
    towards = wires.centre - points[:, None, :]
    far = (towards * towards).sum(axis=-1) > (FAR_RATIO * wires.radius) ** 2
    rows = np.empty((len(points), len(wires.radius), 3)) if far.all() else _near_rows(wires, points)
    for loop in np.flatnonzero(far.any(axis=0)):
        chosen = far[:, loop]
        rows[chosen, loop] = _far_rows(wires, int(loop), points[chosen], towards[chosen, loop])
    return rows


class _Edges(NamedTuple):
    """Edges seen from points: arrays (E, P) so that sums run over whole rows, those of the edges alone (E, 1)."""

    step: tuple[FloatArray, FloatArray, FloatArray]
    towards: tuple[FloatArray, FloatArray, FloatArray]
    length: FloatArray
    cross: tuple[FloatArray, FloatArray, FloatArray]
    product: FloatArray
    root: FloatArray


def _edges(wires: Wires, points: FloatArray) -> _Edges:
    """u, e, |e|, e x u, |e| |v| and q of every edge from every point."""
    x, y, z = points.T
    px, py, pz = wires.start.T[:, :, None]
    qx, qy, qz = wires.end.T[:, :, None]
    ux, uy, uz = (wires.end - wires.start).T[:, :, None]
    ex, ey, ez = px - x, py - y, pz - z
    e = np.sqrt(ex * ex + ey * ey + ez * ez)
    along = ex * (qx - x) + ey * (qy - y) + ez * (qz - z)
    cx, cy, cz = ey * uz - ez * uy, ez * ux - ex * uz, ex * uy - ey * ux
    product = e * e[wires.following]
    root = product + along
    beside = root < 0.1 * product  # close to the edge, between its ends: the sum above loses digits
    if beside.any():
        with np.errstate(divide="ignore", invalid="ignore"):  # on the wire itself
            cross2 = cx[beside] ** 2 + cy[beside] ** 2 + cz[beside] ** 2
            root[beside] = cross2 / (product[beside] - along[beside])
    return _Edges((ux, uy, uz), (ex, ey, ez), e, (cx, cy, cz), product, root)


def _near_rows(wires: Wires, points: FloatArray) -> FloatArray:
    """Sum over edges of (e x u) I."""
    seen = _edges(wires, points)
    with np.errstate(divide="ignore", invalid="ignore"):  # on the wire itself
        integral = (seen.length + seen.length[wires.following]) / (seen.product * seen.root)
        parts = [np.add.reduceat(c * integral, wires.first[:-1], axis=0).T for c in seen.cross]
    rows: FloatArray = np.stack(parts, axis=-1)
    return rows


def _near_thirds(wires: Wires, points: FloatArray) -> FloatArray:
    """Sum over edges of the seven second derivatives of (e x u) I, (P, L, 7); see the head of this module."""
    seen = _edges(wires, points)
    u, e, c = seen.step, seen.towards, seen.cross
    v = tuple(x[wires.following] for x in e)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):  # on the wire itself
        over_a, over_q = 1.0 / seen.length, 1.0 / seen.root
        over_b = over_a[wires.following]
        s = (seen.length + seen.length[wires.following]) * over_q
        s2 = s * s
        s3, a2, b2 = 2.0 * s2 * s, over_a * over_a, over_b * over_b
        at_a, at_b = over_a * over_q, over_b * over_q
        eps, phi = -a2 * (at_a + s2 * over_b), -b2 * (at_b + s2 * over_a)
        a3, b3 = a2 * over_a, b2 * over_b
        both = (a3 + b3) * over_q * over_q + s3 * a2 * b2
        from_a = a3 * (3.0 * at_a * (over_a + s) + s3 * over_b)
        from_b = b3 * (3.0 * at_b * (over_b + s) + s3 * over_a)
        left = [from_a * x + both * y for x, y in zip(e, v, strict=True)]
        right = [from_b * y + both * x for x, y in zip(e, v, strict=True)]
        slope = [eps * x + phi * y for x, y in zip(e, v, strict=True)]
        bend = {(i, j): e[i] * left[j] + v[i] * right[j] for i, j in ((0, 1), (0, 2), (1, 2))}
        terms = (
            c[0] * bend[0, 1] + u[2] * slope[0],
            c[1] * bend[0, 1] - u[2] * slope[1],
            c[2] * bend[0, 1] + u[1] * slope[1] - u[0] * slope[0],
            c[0] * bend[0, 2] - u[1] * slope[0],
            c[2] * bend[0, 2] + u[1] * slope[2],
            c[1] * bend[1, 2] + u[0] * slope[1],
            c[2] * bend[1, 2] - u[0] * slope[2],
        )
        parts = [np.add.reduceat(x, wires.first[:-1], axis=0).T for x in terms]
    thirds: FloatArray = np.stack(parts, axis=-1)
    return thirds


def _far_rows(wires: Wires, loop: int, points: FloatArray, towards: FloatArray) -> FloatArray:
    """Rows for points outside FAR_RATIO radii, with the constant part of I taken out.

    Lengths are in units of R = |E|.  With ``|e| = 1 + a``, ``|v| = 1 + b``,
    ``s = (a + b)/2``, ``g = |u|^2/4`` and ``2(|e||v| + e.v) = (|e| + |v|)^2 - |u|^2``,

        I R^3 = (1 + s)/((1 + a)(1 + b) ((1 + s)^2 - g)),

    whose difference from 1 is formed from terms that are each small.
    """
    edges = slice(wires.first[loop], wires.first[loop + 1])
    distance = np.sqrt((towards * towards).sum(axis=-1))
    direction = towards / distance[:, None]
    scale = distance[:, None]
    shape = wires.start[edges] - wires.centre[loop]
    step = wires.end[edges] - wires.start[edges]
    # sum (e x u) J = direction x sum u J + sum (shape x u) J, so that no (points, edges, 3) array is needed
    excess = (2.0 * direction @ shape.T + (shape * shape).sum(axis=-1) / scale) / scale
    a = excess / (1.0 + np.sqrt(1.0 + excess))  # sqrt(1 + x) - 1
    b = np.roll(a, -1, axis=1)
    s, p = 0.5 * (a + b), a * b
    g = 0.25 * (step * step).sum(axis=-1) / scale**2
    square = (1.0 + s) ** 2 - g
    lack = (g - s * (3.0 + 5.0 * s) - 2.0 * s * (s * s - g) - p * square) / ((1.0 + 2.0 * s + p) * square)
    moved = np.cross(direction, lack @ step) + (lack @ np.cross(shape, step)) / scale
    rows: FloatArray = (2.0 * wires.area[loop] / scale + moved) / scale**2
    return rows


_OUTER_NODES, _OUTER_WEIGHTS = np.polynomial.legendre.leggauss(12)
_MAX_HALVINGS = 40
_MAX_PIECES = 100_000
_SERIES = 1.0 / np.arange(21.0, 2.0, -2.0)  # 1/21, 1/19, ..., 1/3: atanh(y)/y - 1 in powers of y^2, for y < 0.2


def _potential(wires: Wires, points: FloatArray) -> FloatArray:
    """Vector potential per ampere of the one wire, without mu0/(4 pi): sum of u times integral dt/|e + t u|.

    Near: ``integral = ln((|e|+|v|+c)/(|e|+|v|-c))/c`` with ``c = |u|``, the second
    factor from ``2(|e||v| + e.v) = (|e|+|v|)^2 - c^2``.  Far: 1/|E| is taken out of
    every edge, which changes nothing in the sum over a closed polygon.
    """
    step = wires.end - wires.start
    c = np.sqrt((step * step).sum(axis=-1))
    towards = wires.centre[0] - points
    distance = np.sqrt((towards * towards).sum(axis=-1))
    far = distance > 7.0 * wires.radius[0]
    integral = np.empty((len(points), len(c)))
    e = wires.start - points[~far, None, :]
    v = wires.end - points[~far, None, :]
    length_e, length_v = np.sqrt((e * e).sum(axis=-1)), np.sqrt((v * v).sum(axis=-1))
    along = (e * v).sum(axis=-1)
    cross = np.cross(e, step)
    product = length_e * length_v
    with np.errstate(divide="ignore", invalid="ignore"):
        beside = (cross * cross).sum(axis=-1) / (product - along)
        root = np.where(along < 0.0, beside, product + along)
        integral[~far] = np.log1p(c * (length_e + length_v + c) / root) / c
    scale = distance[far, None]
    shape = wires.start - wires.centre[0]
    excess = (2.0 * (towards[far] / scale) @ shape.T + (shape * shape).sum(axis=-1) / scale) / scale
    a = excess / (1.0 + np.sqrt(1.0 + excess))
    s = 0.5 * (a + np.roll(a, -1, axis=1))
    y2 = (0.5 * c / (scale * (1.0 + s))) ** 2
    integral[far] = (np.polyval(np.append(_SERIES, 0.0), y2) - s) / ((1.0 + s) * scale)
    potential: FloatArray = integral @ step
    return potential


def mutual_inductance_h(outline_a: ArrayLike, outline_b: ArrayLike) -> float:
    """Mutual inductance of two closed polygons of thin wire (Neumann).

    Parameters
    ----------
    outline_a, outline_b : array_like, shapes (n_a, 3) and (n_b, 3)
        Vertices in m; the sign follows the two windings.

    Returns
    -------
    float
        In H.

    Raises
    ------
    InputError
        If an outline has fewer than three vertices, no extent or a value that is
        not finite, or if the two wires run along each other at no distance, where
        the inductance of filaments is infinite.

    Notes
    -----
    ``M = mu0/(4 pi) sum_ij integral integral u_i . u_j dt dt'/|r_i - r_j|``.  The
    integral along ``b`` is taken in closed form.  Edges of ``a`` are halved until
    each piece is at least its own length away from ``b``, then a 12-point Gauss rule
    leaves a relative error below 4.2^-24, i.e. rounding: about 1e-13 of the largest
    edge term.  Two outlines many sizes s apart at distance r lose a further factor
    r/s of rounding.  Wires that cross in a point are integrated (the singularity is
    logarithmic) to about 1e-11.
    """
    a = Wires.of([outline_a])
    b = _without_empty_edges(Wires.of([outline_b]))
    start, step = a.start, a.end - a.start
    other = b.start
    total = 0.0
    for level in range(_MAX_HALVINGS + 1):
        length = np.sqrt((step * step).sum(axis=-1))
        clear = (
            np.concatenate(
                [
                    _distance_to_outline(start[k : k + 256] + 0.5 * step[k : k + 256], other)
                    for k in range(0, len(start), 256)
                ]
            )
            >= 1.5 * length
        )
        if level == _MAX_HALVINGS:
            clear[:] = True
        total += _along(b, start[clear], step[clear])
        start, step = start[~clear], 0.5 * step[~clear]
        if len(start) == 0:
            break
        start = np.concatenate([start, start + step])
        step = np.concatenate([step, step])
        if len(start) > _MAX_PIECES:
            raise InputError(
                "The two outlines run along each other at (almost) no distance, where the mutual inductance "
                "of thin wires is infinite",
                remedy="Keep them apart by at least the width of the wire",
            )
    return MU0_OVER_4PI * total


def _along(b: Wires, start: FloatArray, step: FloatArray) -> float:
    """Line integral of the potential of b over straight pieces."""
    total = 0.0
    block = max(1, 4 * BLOCK_ELEMENTS // (len(b.start) * len(_OUTER_NODES)))
    fractions = 0.5 * (1.0 + _OUTER_NODES)
    for k in range(0, len(start), block):
        s = step[k : k + block, None, :]
        points = start[k : k + block, None, :] + fractions[:, None] * s
        potential = _potential(b, points.reshape(-1, 3)).reshape(points.shape)
        total += float((0.5 * _OUTER_WEIGHTS * (potential * s).sum(axis=-1)).sum())
    return total


def _without_empty_edges(wires: Wires) -> Wires:
    """Drop edges of no length (a corner given twice), whose integral reads 0/0."""
    keep = np.any(wires.start != wires.end, axis=1)
    return wires if keep.all() else Wires.of([wires.start[keep]])
