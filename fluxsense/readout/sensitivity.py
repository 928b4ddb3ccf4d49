"""Noise of flux, field and moment in the trade's units.

An estimate that gains information i per second about a steady quantity has the variance 1/(i t) after t; white noise of
one-sided spectral density S has S/(2 t).  So sqrt(S) = sqrt(2/i).  Staying at one frequency with a tone of power P, the
transmission's two quadratures bring i = 2 P |dS/dF|^2/(k T_sys), hence sqrt(S_F) = sqrt(k T_sys/P)/|dS/dF|, whatever the
bandwidth (derived from `noise.sigma_per_quadrature` with samples of 1/B seconds).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fluxsense.base.constants import (
    BOHR_MAGNETON_A_M2,
    BOLTZMANN_J_K,
    FLUX_QUANTUM_WB,
    HBAR_J_S,
)
from fluxsense.base.errors import InputError
from fluxsense.magnetics.flux_map import flux_map
from fluxsense.magnetics.loops import area_vector

FloatArray = npt.NDArray[np.float64]


def noise_from_information(information_per_s: npt.ArrayLike) -> FloatArray:
    """Amplitude spectral density sqrt(2/i), one-sided, of an information rate i (1/unit^2/s); infinite for none."""
    rate = np.asarray(information_per_s, dtype=np.float64)
    with np.errstate(divide="ignore"):
        return np.asarray(np.sqrt(2.0 / rate))


def flux_noise_at_one_frequency(power_w: float, system_k: float, slope_per_phi0: npt.ArrayLike) -> FloatArray:
    """Flux noise of a loop read at one frequency, Phi0/sqrt(Hz).

    Parameters
    ----------
    power_w : float
        Probe power at the chip.
    system_k : float
    slope_per_phi0 : array_like
        abs(dS/dF), change of the transmission per flux quantum.

    Returns
    -------
    ndarray
        sqrt(k T/P)/slope; infinite for a slope of zero.
    """
    slope = np.asarray(slope_per_phi0, dtype=np.float64)
    with np.errstate(divide="ignore"):
        return np.asarray(math.sqrt(BOLTZMANN_J_K * system_k / power_w) / slope)


def source_noise(flux_noise_phi0: npt.ArrayLike, rows: npt.ArrayLike) -> FloatArray:
    """Noise of a source along each axis, read by all loops together.

    Parameters
    ----------
    flux_noise_phi0 : array_like (L,)
        Flux noise of the loops, Phi0/sqrt(Hz), independent.
    rows : array_like (L, 3)
        Flux map, Phi0 per unit of the source.

    Returns
    -------
    ndarray (3,)
        1/sqrt(sum t^2/S) in units of the source per sqrt(Hz): the other two components taken as known.
    """
    weight = 1.0 / np.asarray(flux_noise_phi0, dtype=np.float64) ** 2
    information = np.einsum("l,la->a", weight, np.asarray(rows, dtype=np.float64) ** 2)
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / np.sqrt(information))


def centre_moment_noise_mu_b(flux_noise_phi0: float, outline_m: npt.ArrayLike) -> float:
    """Moment noise at a loop's centre along its normal, mu_B/sqrt(Hz): the loop as a filament.

    Parameters
    ----------
    flux_noise_phi0 : float
        Phi0/sqrt(Hz).
    outline_m : array_like (n, 3)

    Raises
    ------
    InputError
        If the outline has no area or its wire runs through its centre.

    Notes
    -----
    A circle of radius a gives sqrt(S) a/r_e, r_e the classical electron radius: mu0 mu_B/(2 a Phi0) = r_e/a.
    """
    outline = np.asarray(outline_m, dtype=np.float64)
    normal = area_vector(outline)
    size = float(np.linalg.norm(normal))
    if size == 0:
        raise InputError("the loop's area is zero, so it has no normal", remedy="Give the moment noise along an axis")
    edges = np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1)
    middles = 0.5 * (np.roll(outline, -1, axis=0) + outline)
    centre = (edges[:, None] * middles).sum(axis=0) / edges.sum()
    row = flux_map([outline], "dipole", centre)[0]
    per_mu_b = abs(float(row @ normal) / size) * BOHR_MAGNETON_A_M2
    return flux_noise_phi0 / per_mu_b


def field_noise_t(flux_noise_phi0: float, outline_m: npt.ArrayLike) -> float:
    """Noise of a uniform field along a loop's normal, T/sqrt(Hz), from its flux noise (Phi0/sqrt(Hz)) and outline (n, 3)."""
    area = float(np.linalg.norm(area_vector(np.asarray(outline_m, dtype=np.float64))))
    return flux_noise_phi0 * FLUX_QUANTUM_WB / area if area > 0 else math.inf


def energy_resolution_j_s(flux_noise_phi0: float, inductance_h: float) -> float:
    """S_Phi/(2 L) of a loop, J s, from its flux noise (Phi0/sqrt(Hz)) and inductance (H)."""
    return (flux_noise_phi0 * FLUX_QUANTUM_WB) ** 2 / (2.0 * inductance_h)


def energy_resolution_hbar(flux_noise_phi0: float, inductance_h: float) -> float:
    """`energy_resolution_j_s` in units of hbar."""
    return energy_resolution_j_s(flux_noise_phi0, inductance_h) / HBAR_J_S


def flux_noise_of_energy_resolution_phi0(energy_j_s: float, inductance_h: float) -> float:
    """sqrt(2 L epsilon), Phi0/sqrt(Hz): flux noise of a loop with an energy resolution (J s) and inductance (H)."""
    return math.sqrt(2.0 * inductance_h * energy_j_s) / FLUX_QUANTUM_WB


def flicker_corner_hz(amplitude_phi0: float, white_phi0: float) -> float:
    """Frequency below which flicker noise A^2/f is larger than white noise S: A^2/S.

    Parameters
    ----------
    amplitude_phi0 : float
        A, flux noise at 1 Hz, Phi0/sqrt(Hz).
    white_phi0 : float
        sqrt(S), Phi0/sqrt(Hz).
    """
    return (amplitude_phi0 / white_phi0) ** 2


@dataclass(frozen=True)
class LoopSensitivity:
    """One loop at a working point.

    Attributes
    ----------
    loop : str
    flux_noise_phi0 : float
        Phi0/sqrt(Hz) at the best single frequency, pump on, gain and all else known.
    frequency_hz : float
        That frequency.
    flux_noise_sweep_phi0 : float
        The same over the whole sweep, dead time included.
    field_t : float
        Noise of a uniform field along the loop's normal, T/sqrt(Hz); infinite for a loop without area.
    centre_mu_b : float
        Moment noise at the loop's centre, mu_B/sqrt(Hz).
    energy_hbar : float or None
        Energy resolution in hbar, where an inductance is stated.
    corner_hz : float or None
        Flicker corner, where flicker noise is stated.
    """

    loop: str
    flux_noise_phi0: float
    frequency_hz: float
    flux_noise_sweep_phi0: float
    field_t: float
    centre_mu_b: float
    energy_hbar: float | None
    corner_hz: float | None
