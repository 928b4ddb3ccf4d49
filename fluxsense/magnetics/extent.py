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

from itertools import permutations
from typing import Final

import numpy as np

from fluxsense.magnetics.loops import FloatArray
from fluxsense.magnetics.wires import THIRDS

DEFAULT_PART: Final = 0.5
"""Extent of a source for which none is stated, as a part of its distance to the nearest wire."""

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


def _whole_tensors() -> FloatArray:
    """Symmetric, traceless tensors (7, 3, 3, 3): all second derivatives of a row from the seven of `THIRDS`."""
    out = np.zeros((len(THIRDS), 3, 3, 3))
    for n, indices in enumerate(THIRDS):
        for place in set(permutations(indices)):
            out[(n, *place)] = 1.0
    for i in range(3):
        j, k = (x for x in range(3) if x != i)
        out[:, i, i, i] = -out[:, i, j, j] - out[:, i, k, k]
    return out


_OF_THIRDS: Final = 0.5 * np.einsum("aij,nijk->nak", SECOND_MOMENTS, _whole_tensors())
"""(7, 5, 3): (1/2) sum_ij E_a,ij d_i d_j of component k of a row, from the seven of `THIRDS`."""


def second_moment_sd_m2(extent_m: float) -> float:
    """Standard deviation of each c_a of a source of this extent, whose shape is not known, in m^2."""
    return extent_m**2 / 12.0 * float(np.sqrt(2.0 / 15.0))


def moment_tensors(rotations: FloatArray) -> FloatArray:
    """What makes flux of the seven derivatives of a kind's rows, for a source turned by rotations.

    Parameters
    ----------
    rotations : ndarray (S, 3, 3)
        Of the source: its moment m to R m, its second moments C to R C R^T.

    Returns
    -------
    ndarray (S, 7, 5, 3)
        With the thirds (L, 7) of `fluxsense.magnetics.sources.kind.Source.thirds`, c_a and m before the rotation, what the
        extent adds to the flux is ``einsum("ln,snak,a,k->sl", thirds, result, c, m)``.
    """
    turned = np.einsum("sik,bkl,sjl->sbij", rotations, SECOND_MOMENTS, rotations)
    moments = np.einsum("aij,sbij->sab", SECOND_MOMENTS, turned)
    return np.asarray(np.einsum("naj,sab,sjk->snbk", _OF_THIRDS, moments, rotations))
