"""Photons that the probe puts into the signal modes, and the power at which their self-Kerr shift shows.

From the isolator's scattering matrix alone: with S = H M H, H = [[1, i], [i, 1]]/sqrt2 the signal hybrid and M the two
stages behind it, a probe of unit amplitude at port k sends x = H e_k into the stages, which answer M x = x - sqrt(k_j) a_j
(`fluxsense.device.isolator`).  So stage j holds

    n_j = P/(h f) |x_j - (M x)_j|^2/k_j,     k_j in 1/s,

and H M x = S e_k, that is M x = H^-1 S e_k: no more than S is needed.  One stage alone, on resonance, without a pump:
n = 4 P_j/(h f k_j), P_j = P/2 behind the hybrid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.constants import PLANCK_J_S

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

NEAR_DB: Final = 3.0
"""Distance to the power at which the self-Kerr bias equals the noise, from which on it is warned of."""

_HYBRID: Final = np.array([[1.0, 1.0j], [1.0j, 1.0]]) / math.sqrt(2.0)
_BACK: Final = np.conj(_HYBRID)


def photons_in_stages(
    s: ComplexArray, power_w: float, frequency_hz: npt.ArrayLike, linewidth_hz: npt.ArrayLike
) -> FloatArray:
    """Photons of the probe in the two signal modes.

    Parameters
    ----------
    s : ndarray (..., 2, 2, F) of complex
        S[i, k]: from port k to port i, in the package's e^(-i w t).
    power_w : float
        Probe power at the chip.
    frequency_hz : array_like (F,)
    linewidth_hz : array_like (2,)
        Coupling rates of the signal modes to the line, over 2 pi.

    Returns
    -------
    ndarray (..., 2, 2, F)
        [stage, port of the probe, frequency].
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    rate = 2 * np.pi * np.asarray(linewidth_hz, dtype=np.float64)
    answer = np.einsum("ji,...ikf->...jkf", _BACK, np.asarray(s, dtype=np.complex128))
    held = np.abs(_HYBRID[:, :, None] - answer) ** 2
    return np.asarray(power_w / (PLANCK_J_S * f) * held / rate[:, None, None])


def shifted_transmission(slope_per_hz: ComplexArray, kerr_hz: npt.ArrayLike, photons: FloatArray) -> ComplexArray:
    """Change of S21 and S12 by the probe's own self-Kerr shift, to first order.

    Parameters
    ----------
    slope_per_hz : ndarray (2, 2, F) of complex
        [stage, path (S21, S12), frequency]: change of the transmission by each signal mode's frequency, per Hz.
    kerr_hz : array_like (2,)
        Shift per photon, positive downwards.
    photons : ndarray (2, 2, F)
        [stage, port of the probe (1 for S21, 2 for S12), frequency].

    Returns
    -------
    ndarray (2, F) of complex

    Notes
    -----
    A probe is a coherent tone: the response of a Kerr mode is that of a mode shifted by K n, as `kerr_hz` is defined.
    """
    k = np.asarray(kerr_hz, dtype=np.float64)
    return np.asarray(-np.einsum("j,jpf,jpf->pf", k, photons, slope_per_hz))


@dataclass(frozen=True)
class KerrLimit:
    """Self-Kerr bias against noise at the power in use.

    Attributes
    ----------
    power_w : float
        Probe power at the chip.
    bias : float
        Largest change of S21 or S12 in the sweep.
    noise : float
        Standard deviation per quadrature of the averaged sweeps it is compared with.
    equal_power_w : float
        Power at which the two are equal: bias grows as P, noise falls as sqrt(P).
    """

    power_w: float
    bias: float
    noise: float
    equal_power_w: float

    @property
    def margin_db(self) -> float:
        """How far the power in use is below the power of equality, dB."""
        return 10 * math.log10(self.equal_power_w / self.power_w)

    @property
    def near(self) -> bool:
        """Whether the power in use is within `NEAR_DB` of it, or beyond."""
        return self.margin_db < NEAR_DB


def kerr_limit(power_w: float, bias: float, noise: float) -> KerrLimit:
    """The power at which self-Kerr bias equals noise, P (noise/bias)^(2/3); infinite for no bias."""
    equal = math.inf if bias == 0 else power_w * (noise / bias) ** (2.0 / 3.0)
    return KerrLimit(power_w, bias, noise, equal)
