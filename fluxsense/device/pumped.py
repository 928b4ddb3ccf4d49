"""Modes and coupling of a pumped ring of any kind.

The pump swings the ring's Z mode by Z(t) = Zp cos(w_p t).  With K(t) and s(t) of `fluxsense.device.rings.kind` at f and
Z(t), and l_m the inductance in series with the ring in mode m (units of the ring's own), the two modes see the stiffness

    M(t) = [diag(l_a, l_b) + [[K, -s], [-s, K]]^-1]^-1.

Its mean over a period gives the modes' frequencies, the first harmonic of its off-diagonal element their coupling.  With
K_0 the stiffness at zero flux without a pump, p_m = (1/K_0)/(l_m + 1/K_0) the participation ratio there, x = K/K_0,
y = s/K_0, q = x^2 - y^2 and

    D = (1 - p_a)(1 - p_b) q + (p_a + p_b - 2 p_a p_b) x + p_a p_b,

    M_aa/(K_0 p_a) = ((1 - p_b) q + p_b x)/D,    M_bb: a and b exchanged,    M_ab/(K_0 sqrt(p_a p_b)) = -sqrt(p_a p_b) y/D,

which is regular for participation ratios of 0 and 1.  With m_a, m_b the means of the first two and o the amplitude of the
first harmonic of sqrt(p_a p_b) y/D, and C_m = K_0 p_m/w_m^2 the capacitance,

    w_m(pumped) = w_m sqrt(m_m),      g = (o/4) sqrt(w_a w_b)/(m_a m_b)^(1/4),

w_m the frequency at zero flux without a pump.  The rotating-wave approximation leaves out the coupling of a at w - w_p
and of b at w + w_p, which shift the modes by (second order in g, w_p = w_b - w_a; the pumped frequencies are meant)

    dw_a = -g^2 w_b/(2 w_a (w_b - w_a)),      dw_b = +g^2 w_a/(2 w_b (w_b - w_a)).

For a weak pump g = (Zp/4)(sin f/K) sqrt(p_a p_b w_a w_b), all at this flux: the usual three-wave coupling, proportional to
the pump's current and lam_Z.  Derived here; checked against Floquet exponents of the classical equations of motion in the
tests.  They differ from these modes by a common -(g^2/4)(1/w_a + 1/w_b), 0.01 MHz at g = 10 MHz: it belongs to the linear
resonance (w - w_m for (w^2 - w_m^2)/2 w_m) that coupled-mode theory takes everywhere, and is left there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from fluxsense.base.constants import FLUX_QUANTUM_WB, PLANCK_J_S
from fluxsense.device.rings.kind import FloatArray, Numbers, Ring

POINTS: Final = 3
"""Points of a quarter of the pump's period, at odd multiples of pi/(4 POINTS).

By the symmetries K(-Z) = K(Z) and s(-Z) = -s(Z) they stand for 4 POINTS points of a whole period, blind only to harmonics
from the order 4 POINTS - 1 on.  Measured against 256 points: g and the frequencies are off by less than 10 Hz at 0.5 rad for
every kind of ring, and at 1 rad by less than 0.3 Hz (shunt ratio 3) to 0.1 MHz (no shunts, near the end of its stability).
"""
_COSINES: Final = np.cos(np.pi * (2 * np.arange(POINTS) + 1) / (4 * POINTS))

MOST_SWING_RAD: Final = 1.84
"""Where J1 is largest: stronger pumps are not looked for."""
_STEPS: Final = 12


class Modes(NamedTuple):
    """A stage's two modes without a pump at zero flux: frequencies (Hz) and participation ratios, arrays that broadcast."""

    signal_hz: FloatArray
    idler_hz: FloatArray
    signal_participation: FloatArray
    idler_participation: FloatArray


class Rates(NamedTuple):
    """Frequencies of the two modes and their coupling, Hz, the coupling signed like the circulating current."""

    signal_hz: FloatArray
    idler_hz: FloatArray
    coupling_hz: FloatArray


@dataclass(frozen=True)
class PumpReference:
    """The pump at reference flux and power: its swing (rad), lam_Z there, and whether the swing gives the stated coupling.

    Where none does, the swing is that of the largest coupling.
    """

    swing_rad: FloatArray
    inductance_ratio: FloatArray
    reached: npt.NDArray[np.bool_]

    def swing_at(self, ring: Ring, f: FloatArray, numbers: Numbers, amplitude: FloatArray | float) -> FloatArray:
        """Swing at quarter phase f for a pump current `amplitude` times the reference: in proportion to it and lam_Z.

        A pump far from the Z mode's resonance drives a fixed current.
        """
        scale = self.swing_rad / self.inductance_ratio
        return np.asarray(ring.pump_inductance_ratio(f, numbers) * (scale * amplitude))


def pumped_modes(
    ring: Ring,
    f: FloatArray,
    numbers: Numbers,
    modes: Modes,
    swing_rad: FloatArray,
    shift_factor: FloatArray | float = 1.0,
) -> Rates:
    """Frequencies and coupling of a ring's two modes under a pump.

    Parameters
    ----------
    ring : Ring
    f : ndarray
        Quarter phase, rad.
    numbers : mapping of str to ndarray
        What the ring is made of.
    modes : Modes
    swing_rad : ndarray
        Zp, rad; 0 with the pump off.
    shift_factor : ndarray or float
        Factor on the change of both frequencies by the pump (other modes, heating).

    Returns
    -------
    Rates
        Arrays of the shape that all arguments broadcast to; nan where the ring has no stable state at some instant.
    """
    mean_a, mean_b, harmonic = _stiffness(ring, f, numbers, modes, swing_rad)
    root = np.sqrt(modes.signal_hz * modes.idler_hz)
    coupling = 0.25 * root * harmonic / np.sqrt(np.sqrt(mean_a * mean_b))
    signal, idler = modes.signal_hz * np.sqrt(mean_a), modes.idler_hz * np.sqrt(mean_b)
    counter = 0.5 * coupling * coupling / (idler - signal)
    signal, idler = signal - counter * (idler / signal), idler + counter * (signal / idler)
    if np.ndim(shift_factor) or shift_factor != 1.0:
        rest = ring.inductance_ratio(f, numbers) - 1.0
        signal_still = modes.signal_hz / np.sqrt(1.0 + modes.signal_participation * rest)
        idler_still = modes.idler_hz / np.sqrt(1.0 + modes.idler_participation * rest)
        signal = signal_still + shift_factor * (signal - signal_still)
        idler = idler_still + shift_factor * (idler - idler_still)
    return Rates(signal, idler, coupling)


def _stiffness(
    ring: Ring, f: FloatArray, numbers: Numbers, modes: Modes, swing_rad: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means of M_aa and M_bb and first harmonic of sqrt(p_a p_b) s/D, in the head's units.

    Worked in place, a point at a time: these are the arrays of the likelihood's inner loop.
    """
    pa, pb = modes.signal_participation, modes.idler_participation
    both = pa * pb
    square, linear = (1.0 - pa) * (1.0 - pb), pa + pb - 2.0 * both
    shunt = ring.shunt(numbers)
    unit = 1.0 / (ring.arm_stiffness(np.zeros(()), numbers) + shunt)
    half, rest = 0.5 * unit, unit * shunt
    shape = np.broadcast_shapes(np.shape(f), np.shape(swing_rad), np.shape(unit), np.shape(both))
    swing_rad = np.broadcast_to(swing_rad, shape)
    mean_x, mean_q, harmonic = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    unstable = np.zeros((), dtype=bool)
    for cosine in _COSINES:
        swing = cosine * swing_rad
        behind = ring.arm_stiffness(f - swing, numbers)
        x = ring.arm_stiffness(f + swing, numbers)
        y = behind - x
        x += behind
        x, y = x * half, y * half
        x += rest
        q = x * x
        q -= y * y
        inverse = square * q
        inverse += linear * x
        inverse += both
        inverse = 1.0 / inverse
        if not x.min(initial=1.0) > 0.0:  # also for nan
            unstable = unstable | ~(x > 0.0)
            x = np.where(x > 0.0, x, 1.0)
        y *= inverse
        y *= cosine
        harmonic += y
        x *= inverse
        mean_x += x
        q *= inverse
        mean_q += q
    if np.any(unstable):
        mean_q[np.broadcast_to(unstable, shape)] = np.nan
    part = 1.0 / len(_COSINES)
    harmonic *= 2.0 * part * np.sqrt(both)
    mean_x *= part
    mean_q *= part
    mean_x -= mean_q
    return mean_q + pb * mean_x, mean_q + pa * mean_x, harmonic


def pump_reference(ring: Ring, f: FloatArray, numbers: Numbers, modes: Modes, coupling_hz: FloatArray) -> PumpReference:
    """The swing at the reference that makes the stated coupling, by inverting g(Zp).

    Parameters
    ----------
    ring : Ring
    f : ndarray
        Quarter phase at the reference flux, rad.
    numbers : mapping of str to ndarray
    modes : Modes
    coupling_hz : ndarray
        Size of the coupling wanted, Hz.

    Returns
    -------
    PumpReference
        With swings up to `MOST_SWING_RAD`.

    Notes
    -----
    Secant steps on g(Z) - g, from a weak pump's g/Z and one step of fixed point: g/Z varies slowly.
    """

    def made(swing: FloatArray) -> FloatArray:
        return np.abs(pumped_modes(ring, f, numbers, modes, swing).coupling_hz)

    with np.errstate(divide="ignore", invalid="ignore"):
        small = np.full(np.shape(coupling_hz), 1e-2)
        before = np.minimum(coupling_hz * small / made(small), MOST_SWING_RAD)
        wrong_before = made(before) - coupling_hz
        now = np.minimum(before * coupling_hz / (wrong_before + coupling_hz), MOST_SWING_RAD)
        for _ in range(_STEPS):
            wrong = made(now) - coupling_hz
            # sets that are done stay as they are, so that none depends on the others in its batch
            done = (np.abs(wrong) <= 1e-13 * coupling_hz) | (now == before)
            if np.all(done):
                break
            step = np.where(done, 0.0, wrong * (now - before) / (wrong - wrong_before))
            before, wrong_before = now, wrong
            now = np.clip(now - step, 0.0, MOST_SWING_RAD)
    reached = np.abs(wrong) <= 1e-9 * coupling_hz
    return PumpReference(np.where(reached, now, MOST_SWING_RAD), ring.pump_inductance_ratio(f, numbers), reached)


def most_coupling_hz(ring: Ring, f: FloatArray, numbers: Numbers, modes: Modes) -> FloatArray:
    """Largest coupling that any swing up to `MOST_SWING_RAD` gives, Hz; to three digits."""
    swings = np.linspace(0.0, MOST_SWING_RAD, 185)[1:]
    with np.errstate(invalid="ignore", divide="ignore"):  # swings at which the ring is not stable give nan
        sizes = [np.abs(pumped_modes(ring, f, numbers, modes, np.asarray(z)).coupling_hz) for z in swings]
    return np.asarray(np.nanmax(sizes, axis=0))


def self_kerr_hz(
    ring: Ring, f: FloatArray, numbers: Numbers, frequency_hz: FloatArray, participation: FloatArray, energy_hz: float
) -> FloatArray:
    """Shift of a mode by one photon of its own, Hz, positive downwards; without a pump.

    Parameters
    ----------
    ring : Ring
    f : ndarray
        Quarter phase, rad.
    numbers : mapping of str to ndarray
    frequency_hz, participation : ndarray
        Frequency and participation ratio of the mode at this flux.
    energy_hz : float
        A junction's E_J/h, Hz: `josephson_energy_hz` of its critical current.

    Returns
    -------
    ndarray
        -k'' p^2 w^2/(32 E_J K^2), with E_J in Hz.

    Notes
    -----
    The ring's quartic term k'' X^4/96 (k'' = -cos f for plain junctions) with X = p x and <x^2> = w/(2 E_J K p) in units
    h = 1; a^dagger^2 a^2 appears with 6 <x^2>^2 of its coefficient, half the shift.
    """
    bend, stiffness = ring.arm_bend(f, numbers), ring.stiffness(f, numbers)
    return np.asarray(-bend * (participation * frequency_hz) ** 2 / (32.0 * energy_hz * stiffness**2))


def josephson_energy_hz(critical_current_a: float) -> float:
    """E_J/h of a junction of a given critical current: Phi0 I_c/(2 pi h), Hz."""
    return FLUX_QUANTUM_WB * critical_current_a / (2.0 * np.pi * PLANCK_J_S)
