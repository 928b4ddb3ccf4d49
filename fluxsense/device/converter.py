"""One converter: a signal and an idler mode coupled by a pump at their difference frequency.

Equations of motion (time factor exp(-i w t), each mode in its own rotating frame, g = |g| exp(i theta) with the sign
of the ring's sin f taken into rho):

    da/dt = -(ka/2 - i delta_a) a - i g b + sqrt(ka) a_in,
    db/dt = -(kb/2 - i delta_b) b - i conj(g) a + sqrt(kb) b_in,        out = in - sqrt(k) mode.

With x = 1 - 2 i delta/k and rho = 2 g / sqrt(ka kb) the steady state gives the closed form below (coupled-mode theory
of parametric circuits: Ranzani and Aumentado, New J. Phys. 17, 023024 (2015), cited from memory; derived anew here).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError

ComplexArray = npt.NDArray[np.complex128]


def converter_scattering(
    rho: npt.ArrayLike,
    detuning_a_hz: npt.ArrayLike,
    detuning_b_hz: npt.ArrayLike,
    linewidth_a_hz: npt.ArrayLike,
    linewidth_b_hz: npt.ArrayLike,
    pump_phase_rad: npt.ArrayLike = 0.0,
) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
    """Scattering amplitudes of a lossless converter; all arguments broadcast.

    Parameters
    ----------
    rho : array_like
        Reduced coupling 2 g / sqrt(ka kb), signed like sin f of the ring; rho = 1 converts everything on resonance,
        rho = sqrt(2) - 1 half of it.
    detuning_a_hz, detuning_b_hz : array_like
        Frequency of the wave minus frequency of the mode, Hz, for signal and idler.
    linewidth_a_hz, linewidth_b_hz : array_like
        Linewidths ka, kb, Hz (rates over 2 pi), positive.
    pump_phase_rad : array_like
        Phase theta of the coupling g, rad.

    Returns
    -------
    r_a, t_ab, t_ba, r_b : ndarray of complex
        ``r_a`` signal to signal, ``t_ab`` idler to signal, ``t_ba`` signal to idler, ``r_b`` idler to idler:

        r_a = (rho^2 - conj(x_a) x_b)/(rho^2 + x_a x_b),   r_b = (rho^2 - x_a conj(x_b))/(rho^2 + x_a x_b),
        t_ab = 2 i rho exp(+i theta)/(rho^2 + x_a x_b),    t_ba = 2 i rho exp(-i theta)/(rho^2 + x_a x_b).

    Raises
    ------
    InputError
        For a linewidth that is not positive.

    Notes
    -----
    Texts that define out = sqrt(k) mode - in have all four amplitudes with the opposite sign.  The matrix
    [[r_a, t_ab], [t_ba, r_b]] is unitary at any detuning.  Amplitudes are between waves of photon number, not of power:
    the idler photon is larger by the ratio of the two frequencies.
    """
    widths = []
    for name, value in (("linewidth_a_hz", linewidth_a_hz), ("linewidth_b_hz", linewidth_b_hz)):
        width = np.asarray(value, dtype=np.float64)
        if not (width > 0.0).all():
            raise InputError(f"a linewidth must be positive, got {width.min():g} Hz", where=name)
        widths.append(width)
    strength = np.asarray(rho, dtype=np.float64)
    x_a = 1.0 - 2.0j * np.asarray(detuning_a_hz, dtype=np.float64) / widths[0]
    x_b = 1.0 - 2.0j * np.asarray(detuning_b_hz, dtype=np.float64) / widths[1]
    phase = np.exp(1j * np.asarray(pump_phase_rad, dtype=np.float64))
    square = strength * strength
    inverse = 1.0 / (square + x_a * x_b)
    amplitudes = (
        (square - np.conj(x_a) * x_b) * inverse,
        2.0j * strength * phase * inverse,
        2.0j * strength * np.conj(phase) * inverse,
        (square - x_a * np.conj(x_b)) * inverse,
    )
    r_a, t_ab, t_ba, r_b = (np.array(amplitude, dtype=np.complex128) for amplitude in np.broadcast_arrays(*amplitudes))
    return r_a, t_ab, t_ba, r_b
