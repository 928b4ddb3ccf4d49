"""A source that is not a point: the flux of its second moments.

With the magnetisation spread about the source's place by s, and all of it along the moment m (A m^2),

    flux = m . b + (1/2) sum_ij C_ij m . d_i d_j b + ...,      C_ij = mean of s_i s_j over the magnetisation (m^2),

b the flux per unit moment as a function of place (Taylor expansion about the centre of the magnetisation, which is what a
stated position means).  b is harmonic away from wires, so that only the traceless part of C counts: five numbers c_a with
C = sum c_a E_a + a multiple of the identity.  A thin rod of length L along u has C = (L^2/12) u u^T: c_a = (L^2/12) u.E_a u,
of which five independent normal numbers of standard deviation ``(L^2/12) sqrt(2/15)`` have the same mean square as rods of
all directions (mean of (u.E_a u)^2 over the sphere: 2/15 for each a).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from fluxsense.magnetics.loops import FloatArray

DEFAULT_SHARE: Final = 0.1
"""Extent of a source for which none is stated, as a part of its distance to the nearest wire."""
STEP_PART: Final = 0.02
"""Step of the differences, as a part of the distance to the nearest wire; their error is of the order of its fourth power."""

SECOND_MOMENTS: Final = np.array(
    [
        np.diag([1.0, -1.0, 0.0]) / np.sqrt(2.0),
        np.diag([-1.0, -1.0, 2.0]) / np.sqrt(6.0),
        np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0]]) / np.sqrt(2.0),
        np.array([[0.0, 0.0, 1.0], [0.0, 0.0, 0.0], [1.0, 0.0, 0.0]]) / np.sqrt(2.0),
        np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, 1.0, 0.0]]) / np.sqrt(2.0),
    ]
)
"""The five traceless tensors E_a, (5, 3, 3), orthonormal."""

_STENCIL = ((-2.0, -1.0 / 12.0), (-1.0, 16.0 / 12.0), (0.0, -30.0 / 12.0), (1.0, 16.0 / 12.0), (2.0, -1.0 / 12.0))
"""Second derivative to fourth order in the step (M. Abramowitz and I. A. Stegun 25.3.24, from memory)."""


def second_moment_sd_m2(extent_m: float) -> float:
    """Standard deviation of each c_a of a source of this extent, whose shape is not known, in m^2."""
    return extent_m**2 / 12.0 * float(np.sqrt(2.0 / 15.0))


def second_moments_m2(tensor_m2: FloatArray) -> FloatArray:
    """The five numbers c_a (..., 5) of second moments C (..., 3, 3), in m^2."""
    return np.asarray(np.einsum("...ij,aij->...a", tensor_m2, SECOND_MOMENTS))


def second_moment_rows(
    rows: Callable[[FloatArray], FloatArray], position_m: FloatArray, distance_m: float
) -> FloatArray:
    """Flux of every loop per unit moment and per unit of each c_a.

    Parameters
    ----------
    rows : callable
        Flux per unit moment (..., L, 3) at places (..., 3), such as a kind's `rows` for given loops.
    position_m : ndarray (..., 3)
        Places of the source in m.
    distance_m : float
        To the nearest wire; sets the step of the differences.

    Returns
    -------
    ndarray (..., 5, L, 3)
        ``(1/2) sum_ij E_a,ij d_i d_j rows``, in the unit of `rows` per m^2: the correction of the flux is
        ``einsum("...ali,a,i", result, c, m)``.
    """
    step = STEP_PART * distance_m

    def along(direction: FloatArray) -> FloatArray:
        """Second derivative along a unit vector."""
        total = sum(weight * rows(position_m + k * step * direction) for k, weight in _STENCIL)
        return np.asarray(total) / step**2

    unit = np.eye(3)
    straight = [along(unit[i]) for i in range(3)]
    hessian = np.empty((3, 3, *straight[0].shape))
    for i in range(3):
        hessian[i, i] = straight[i]
        for j in range(i):
            skew = np.sqrt(0.5)
            mixed = 0.5 * (along(skew * (unit[i] + unit[j])) - along(skew * (unit[i] - unit[j])))
            hessian[i, j] = hessian[j, i] = mixed
    return np.asarray(np.moveaxis(0.5 * np.einsum("aij,ij...->a...", SECOND_MOMENTS, hessian), 0, -3))
