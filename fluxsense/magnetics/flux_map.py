"""The flux map: which flux each loop sees per unit of source vector, in flux quanta."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from fluxsense.base.constants import FLUX_QUANTUM_WB
from fluxsense.base.errors import InputError
from fluxsense.magnetics.loops import FloatArray, _distance_to_outline, as_vectors
from fluxsense.magnetics.sources import source_kind
from fluxsense.magnetics.sources.kind import Source
from fluxsense.magnetics.wires import TOUCH_RATIO, Wires, mutual_inductance_h

NO_PLACE = np.zeros(3)
"""Stands for the position of a kind of source that has none."""


def flux_map(
    outlines: Sequence[ArrayLike],
    kind: str,
    position_m: ArrayLike | None = None,
    flux_focusing: ArrayLike | None = None,
    numbers: Mapping[str, object] | None = None,
) -> FloatArray:
    """Flux of every loop per unit of the source vector.

    Parameters
    ----------
    outlines : sequence of array_like, each of shape (n, 3)
        Outlines of the L loops in m.
    kind : str
        What the source is, such as "uniform_field" (its vector is the field in T) or "dipole" (the moment in A m^2);
        see `fluxsense.magnetics.sources`.
    position_m : array_like, shape (..., 3), optional
        Places of the source in m; needed for a kind that has a place, not allowed otherwise.
    flux_focusing : array_like, shape (..., L), optional
        Factor on each loop's flux (focusing by superconductor nearby); 1 if left
        out.  Leading axes broadcast against those of ``position_m``.
    numbers : mapping, optional
        What the kind needs besides, by attribute.

    Returns
    -------
    ndarray, shape (..., L, 3)
        In Phi0 per T or Phi0 per A m^2; ``flux_phi0 = map @ v``.

    Raises
    ------
    InputError
        If an outline has fewer than three vertices, no extent or a value that is
        not finite; the kind is unknown; the position is missing, superfluous, not
        finite or on a wire; or a factor is not a finite number above zero.
    """
    wires = Wires.of(outlines)
    source = source_kind(kind)
    of = {} if numbers is None else numbers
    position = NO_PLACE
    if source.has_position:
        if position_m is None:
            raise InputError(f"A {_plain(kind)} needs a position", remedy="Give position_m in metres")
        position = as_vectors(position_m, "position_m")
        _refuse_contact(source, wires, position, of)
    elif position_m is not None:
        raise InputError(
            f"A {_plain(kind)} has no position, but one was given", remedy='Leave position_m out, or say kind="dipole"'
        )
    factor = None if flux_focusing is None else _checked_factor(flux_focusing, len(wires.radius))
    return flux_map_unchecked(source, wires, position, factor, of)


def flux_map_unchecked(
    kind: Source,
    wires: Wires,
    position_m: FloatArray,
    flux_focusing: FloatArray | None = None,
    numbers: Mapping[str, object] | None = None,
) -> FloatArray:
    """`flux_map` without checks, for likelihoods.

    Parameters
    ----------
    kind : Source
    wires : Wires
        The L loops, from ``Wires.of(outlines)``.
    position_m : ndarray, shape (..., 3)
        Places of the source in m; `NO_PLACE`, or any other, for a kind without.
    flux_focusing : ndarray, shape (..., L), or None
        Factors on the flux.
    numbers : mapping, optional
        What the kind needs besides.

    Returns
    -------
    ndarray, shape (..., L, 3)
        In Phi0 per unit of the source vector.  Not finite where a wire passes through the source.
    """
    rows = kind.rows(wires, position_m, {} if numbers is None else numbers) / FLUX_QUANTUM_WB
    return rows if flux_focusing is None else rows * flux_focusing[..., None]


def clearance_m(kind: Source, outline: FloatArray, position_m: FloatArray, numbers: Mapping[str, object]) -> float:
    """Least distance of a source's matter from the wire of a loop; infinite for a kind without a place, below zero inside.

    Parameters
    ----------
    kind : Source
    outline : ndarray (n, 3)
    position_m : ndarray (3,)
    numbers : mapping
        What the kind needs besides.
    """
    if not kind.has_position:
        return math.inf
    points, reach = kind.matter(numbers)
    return float(np.min(_distance_to_outline(position_m + points, outline))) - reach


def _plain(kind: str) -> str:
    return kind.replace("_", " ")


def coil_flux_map(
    outlines: Sequence[ArrayLike], coil_vertices: ArrayLike, flux_focusing: ArrayLike | None = None
) -> FloatArray:
    """Flux of every loop per ampere in a coil.

    Parameters
    ----------
    outlines : sequence of array_like, each of shape (n, 3)
        Outlines of the L loops in m.
    coil_vertices : array_like, shape (n, 3)
        The coil in m; its current runs along the order of the vertices.
    flux_focusing : array_like, shape (..., L), optional
        Factor on each loop's flux; 1 if left out.

    Returns
    -------
    ndarray, shape (..., L)
        In Phi0 per A.

    Raises
    ------
    InputError
        As `fluxsense.magnetics.wires.mutual_inductance_h`, or if a factor is not
        usable.
    """
    factor = None if flux_focusing is None else _checked_factor(flux_focusing, len(outlines))
    mutual = np.array([mutual_inductance_h(outline, coil_vertices) for outline in outlines]) / FLUX_QUANTUM_WB
    return mutual if factor is None else mutual * factor


def bias_flux(mutual_phi0_per_a: ArrayLike, current_a: ArrayLike, offset_phi0: ArrayLike) -> FloatArray:
    """Flux that bias lines and trapped flux put into every loop.

    Parameters
    ----------
    mutual_phi0_per_a : array_like, shape (L, B)
        Flux of loop l per ampere in bias line b, cross-talk included.
    current_a : array_like, shape (..., B)
        Bias currents in A.
    offset_phi0 : array_like, shape (..., L)
        Offset of each loop in Phi0, constant over a cooldown.

    Returns
    -------
    ndarray, shape (..., L)
        ``mutual @ current + offset`` in Phi0; leading axes broadcast.

    Raises
    ------
    InputError
        If the shapes do not fit together.
    """
    mutual = np.asarray(mutual_phi0_per_a, dtype=np.float64)
    current = np.asarray(current_a, dtype=np.float64)
    offset = np.asarray(offset_phi0, dtype=np.float64)
    if mutual.ndim != 2:
        raise InputError(
            f"mutual_phi0_per_a has shape {mutual.shape}, one row per loop and one column per bias line is needed"
        )
    loops, lines = mutual.shape
    if current.ndim == 0 or current.shape[-1] != lines:
        raise InputError(
            f"current_a has shape {current.shape}, its last axis must hold the {lines} bias line(s)",
            remedy="Give one current per bias line",
        )
    if offset.ndim == 0 or offset.shape[-1] != loops:
        raise InputError(
            f"offset_phi0 has shape {offset.shape}, its last axis must hold the {loops} loop(s)",
            remedy="Give one offset per loop",
        )
    flux: FloatArray = current @ mutual.T + offset
    return flux


def _checked_factor(flux_focusing: ArrayLike, loops: int) -> FloatArray:
    factor = np.asarray(flux_focusing, dtype=np.float64)
    if factor.ndim == 0 or factor.shape[-1] != loops:
        raise InputError(
            f"flux_focusing has shape {factor.shape}, its last axis must hold one factor for each of the "
            f"{loops} loop(s)",
            remedy="Give them in the order of the outlines",
        )
    if not np.all(np.isfinite(factor) & (factor > 0.0)):
        raise InputError(
            "flux_focusing contains a factor that is not a finite number above zero",
            remedy="Use 1 for a loop without flux focusing",
        )
    return factor


def _refuse_contact(kind: Source, wires: Wires, position: FloatArray, numbers: Mapping[str, object]) -> None:
    points, reach = kind.matter(numbers)
    flat = position.reshape(-1, 3)
    for loop in range(len(wires.radius)):
        vertices = wires.start[wires.first[loop] : wires.first[loop + 1]]
        for begin in range(0, len(flat), max(1, 1024 // len(points))):
            block = flat[begin : begin + max(1, 1024 // len(points))]
            away = _distance_to_outline((block[:, None, :] + points).reshape(-1, 3), vertices)
            on_wire = away.reshape(len(block), -1).min(axis=1) <= max(TOUCH_RATIO * wires.radius[loop], reach)
            if on_wire.any():
                x, y, z = block[int(np.argmax(on_wire))]
                raise InputError(
                    f"The {_plain(kind.name)} at ({x:.6g}, {y:.6g}, {z:.6g}) m lies on the wire of loop {loop}, where its "
                    "flux has no value",
                    remedy=f"Move the {_plain(kind.name)} or the loop",
                )
