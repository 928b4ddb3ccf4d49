"""Effective temperatures with the vacuum, and the noise of a transmission measured with them.

A resistor at temperature T radiates the symmetrised noise power k T_eff per Hz,

    T_eff(f, T) = (h f/2k) coth(h f/2kT)

(Callen and Welton, Phys. Rev. 83, 34 (1951), from memory): half a quantum at T = 0, T where h f is far below k T.
What passes a part that transmits the fraction eta of the power and sits at T is eta T_in + (1 - eta) T_eff(f, T)
(a beam splitter; Caves, Phys. Rev. D 26, 1817 (1982), from memory).

A tone of power P at the chip is received with the noise k T_sys B of a filter of noise bandwidth B.  Half of it lies in
each quadrature, so that the measured transmission, relative to unit transmission, scatters per quadrature by

    sigma = sqrt(k T_sys B / (2 P N)),    N averages.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from fluxsense.base.constants import BOLTZMANN_J_K, PLANCK_J_S
from fluxsense.base.errors import InputError

FloatArray = npt.NDArray[np.float64]

LEAST_QUANTA = 1.0
"""Noise of an ideal chain that keeps both quadratures, in quanta: half from the vacuum, half added by the amplifier (Caves 1982)."""


def quantum_k(frequency_hz: npt.ArrayLike) -> FloatArray:
    """Temperature h f/k of one quantum, K; shape of the frequency (Hz)."""
    return np.asarray(PLANCK_J_S / BOLTZMANN_J_K * np.asarray(frequency_hz, dtype=np.float64))


def effective_temperature_k(frequency_hz: npt.ArrayLike, temperature_k: npt.ArrayLike) -> FloatArray:
    """Noise temperature of a matched resistor, the vacuum included.

    Parameters
    ----------
    frequency_hz : array_like
        Above zero.
    temperature_k : array_like
        Physical temperature, zero or above; broadcasts with the frequency.

    Returns
    -------
    ndarray
        T_eff in K.

    Raises
    ------
    InputError
        For a frequency that is not above zero or a temperature below zero.
    """
    f, t = np.broadcast_arrays(np.asarray(frequency_hz, dtype=np.float64), np.asarray(temperature_k, dtype=np.float64))
    if not np.all(f > 0):
        raise InputError("a frequency is not above zero", remedy="Give frequencies in Hz, such as 5e9")
    check_temperature(float(np.min(t)) if t.size else 0.0)
    half = 0.5 * quantum_k(f)
    warm = t > 0
    ratio = np.divide(half, t, out=np.full(f.shape, np.inf), where=warm)
    return np.asarray(half / np.tanh(ratio))


def check_temperature(temperature_k: float, where: str = "") -> None:
    """Refuse a temperature below zero (or none).

    Raises
    ------
    InputError
    """
    if not temperature_k >= 0:
        raise InputError(
            f"a temperature of {temperature_k:g} K is below absolute zero",
            where=where,
            remedy="Give temperatures in K or mK, counted from absolute zero",
        )


def photons(frequency_hz: npt.ArrayLike, noise_k: npt.ArrayLike) -> FloatArray:
    """Mean number of photons k T_eff/(h f) - 1/2 of a mode in balance with noise of an effective temperature."""
    return np.asarray(np.asarray(noise_k, dtype=np.float64) / quantum_k(frequency_hz) - 0.5)


def behind_loss(noise_k: npt.ArrayLike, transmission: npt.ArrayLike, effective_k: npt.ArrayLike) -> FloatArray:
    """Noise temperature behind a part of power transmission eta: eta T_in + (1 - eta) T_eff, K."""
    eta = np.asarray(transmission, dtype=np.float64)
    return np.asarray(eta * np.asarray(noise_k, dtype=np.float64) + (1.0 - eta) * np.asarray(effective_k))


def sigma_per_quadrature(
    power_w: npt.ArrayLike, system_k: npt.ArrayLike, bandwidth_hz: npt.ArrayLike, averages: npt.ArrayLike = 1
) -> FloatArray:
    """Standard deviation of each quadrature of a transmission, relative to unit transmission.

    Parameters
    ----------
    power_w : array_like
        Probe power at the chip, W, above zero.
    system_k : array_like
        System noise temperature at the chip's output, K.
    bandwidth_hz : array_like
        Noise bandwidth of the receiver's filter, Hz.
    averages : array_like
        How many samples are averaged.

    Returns
    -------
    ndarray
        sqrt(k T B/(2 P N)).

    Raises
    ------
    InputError
        If power, bandwidth or averages are not above zero.
    """
    for name, value in (("power", power_w), ("bandwidth", bandwidth_hz), ("number of averages", averages)):
        if not np.all(np.asarray(value) > 0):
            raise InputError(f"the {name} is not above zero", remedy=f"Give a {name} above zero")
    p, t, b, n = (np.asarray(x, dtype=np.float64) for x in (power_w, system_k, bandwidth_hz, averages))
    return np.asarray(np.sqrt(BOLTZMANN_J_K * t * b / (2.0 * p * n)))


def decibel(ratio: float) -> float:
    """10 log10 of a ratio of powers; -inf for zero."""
    return 10.0 * math.log10(ratio) if ratio > 0 else -math.inf


def power_ratio(level_db: float) -> float:
    """Ratio of powers of a level in dB."""
    return float(10.0 ** (level_db / 10.0))
