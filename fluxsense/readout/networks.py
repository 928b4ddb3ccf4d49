"""Two-port networks in a row, from their scattering parameters.

Joining port 2 of A to port 1 of B, with the waves between them going back and forth (Redheffer's star product; derived
from b = S a for each and a2 = b1', a1' = b2):

    D = 1 - A22 B11
    S11 = A11 + A12 B11 A21/D     S12 = A12 B12/D
    S21 = A21 B21/D               S22 = B22 + B21 A22 B12/D
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class Network:
    """A two-port's scattering parameters: frequency_hz (F,), ascending, and s (F, 2, 2), port 1 towards the source.

    `name` is what messages call it.
    """

    frequency_hz: FloatArray
    s: ComplexArray
    name: str = "network"


def cascade(first: ComplexArray, second: ComplexArray) -> ComplexArray:
    """Scattering parameters (..., 2, 2) of two two-ports in a row, port 2 of the first at port 1 of the second."""
    a, b = np.asarray(first, dtype=np.complex128), np.asarray(second, dtype=np.complex128)
    between = 1.0 - a[..., 1, 1] * b[..., 0, 0]
    out = np.empty(np.broadcast_shapes(a.shape, b.shape), dtype=np.complex128)
    out[..., 0, 0] = a[..., 0, 0] + a[..., 0, 1] * b[..., 0, 0] * a[..., 1, 0] / between
    out[..., 0, 1] = a[..., 0, 1] * b[..., 0, 1] / between
    out[..., 1, 0] = a[..., 1, 0] * b[..., 1, 0] / between
    out[..., 1, 1] = b[..., 1, 1] + b[..., 1, 0] * a[..., 1, 1] * b[..., 0, 1] / between
    return out


def at_frequencies(network: Network, frequency_hz: npt.ArrayLike) -> ComplexArray:
    """Scattering parameters (F, 2, 2) at other frequencies, linear between the network's own.

    Parameters
    ----------
    network : Network
    frequency_hz : array_like (F,)

    Raises
    ------
    InputError
        If a frequency is outside the network's span.
    """
    f = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    own = network.frequency_hz
    if f.min() < own[0] or f.max() > own[-1]:
        needed = f"{f.min() / 1e9:.6g} GHz" + (f" to {f.max() / 1e9:.6g} GHz" if f.size > 1 else "")
        raise InputError(
            f"the file covers {own[0] / 1e9:.6g} to {own[-1] / 1e9:.6g} GHz, and nothing is known at {needed}",
            where=network.name,
            remedy="Measure the part over the whole sweep, or state its loss as a number",
        )
    flat = network.s.reshape(own.size, 4)
    columns = [np.interp(f, own, x.real) + 1j * np.interp(f, own, x.imag) for x in flat.T]
    return np.stack(columns, axis=-1).reshape(f.size, 2, 2)


def cascaded(networks: Sequence[Network], frequency_hz: npt.ArrayLike) -> ComplexArray:
    """Scattering parameters (F, 2, 2) of networks in a row, from the source's side, at the frequencies (F,).

    Raises
    ------
    InputError
        If there is no network, or one does not cover the frequencies.
    """
    if not networks:
        raise InputError("there is no network to cascade", remedy="Give at least one")
    total = at_frequencies(networks[0], frequency_hz)
    for network in networks[1:]:
        total = cascade(total, at_frequencies(network, frequency_hz))
    return total
