"""A ring under its pump, by another way than closed formulas: arms integrated numerically, harmonic balance of both modes.

Nothing of `fluxsense`, only numpy.  The way, from the energy of the four arms and the four shunts:

* an arm is a junction and, if there is any, a stray inductance in series with it; its current at a phase across both is
  found by Newton's method, and the arm's stiffness is the slope of that current;
* the pump swings the third mode, so that the arms see f + Z(t) and f - Z(t); half the sum and half the difference of
  their stiffnesses, at evenly spaced moments of the pump's period, make the ring's stiffness matrix for the two other
  modes.  Behind the series inductance of each mode that gives a 2 x 2 matrix M(t), inverted numerically at each moment;
* its Fourier coefficients couple the waves at w + n w_p.  Signal mode at w and idler mode at w + w_p are kept, all other
  sidebands of both modes are eliminated by a linear solve (a Schur complement), and what is left is read: two
  frequencies and a coupling.  Counter-rotating terms, Bessel functions and second orders need not be known.

Frequencies in Hz, flux in flux quanta, phases in rad, stiffness in units of the junctions' energy E_J.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

MOMENTS = 32
"""Of the pump's period; the arms are periodic and smooth, so the sum converges faster than any power."""
SIDEBANDS = 2
HIGHEST_SWING_RAD = 1.5
"""Of the third mode; the coupling grows up to here (the first maximum of J1 is at 1.84)."""


@dataclass(frozen=True)
class Ring:
    """A ring with its two modes at zero flux.

    shunt_ratio is L_J / (2 L), 0 without shunts; stray the inductance of an arm beside its junction over L_J; shares the
    ring's parts of the two modes' inductances and modes_hz their frequencies, both at zero flux; branch the whole number
    n of a ring without shunts, whose phase goes by flux + n.
    """

    shunt_ratio: float
    shares: tuple[float, float]
    modes_hz: tuple[float, float]
    branch: int = 0
    stray: float = 0.0

    def quarter_phase(self, flux_phi0: float) -> float:
        """Phase f (rad) across each arm."""
        return float(np.pi / 2 * (flux_phi0 + self.branch))

    def arm_stiffness(self, phase_rad: FloatArray) -> FloatArray:
        """Slope of an arm's current over its phase d: with phase x at the junction, d = x + stray sin x."""
        x = np.array(phase_rad, dtype=np.float64)
        for _ in range(60 if self.stray else 0):
            x -= (x + self.stray * np.sin(x) - phase_rad) / (1 + self.stray * np.cos(x))
        return np.asarray(np.cos(x) / (1 + self.stray * np.cos(x)))

    @cached_property
    def series(self) -> FloatArray:
        """Inductance (2,) of each mode beside the ring: the share at zero flux is (1/K) / (series + 1/K)."""
        at_rest = float(self.arm_stiffness(np.zeros(()))) + self.shunt_ratio
        return (1 / np.array(self.shares) - 1) / at_rest

    def pump_stiffness(self, flux_phi0: float) -> float:
        """Stiffness of the third mode up to a constant: the pump's current over it is the swing."""
        return float(self.arm_stiffness(np.asarray(self.quarter_phase(flux_phi0)))) + self.shunt_ratio / 2

    def modes_stiffness(self, flux_phi0: float, swing_rad: float) -> ComplexArray:
        """Fourier coefficients (n, 2, 2), n = 0 .. MOMENTS - 1, of the stiffness matrix of both modes."""
        f = self.quarter_phase(flux_phi0)
        z = swing_rad * np.cos(2 * np.pi * np.arange(MOMENTS) / MOMENTS)
        plus, minus = self.arm_stiffness(f + z), self.arm_stiffness(f - z)
        ring = np.empty((MOMENTS, 2, 2))
        ring[:, 0, 0] = ring[:, 1, 1] = (plus + minus) / 2 + self.shunt_ratio
        ring[:, 0, 1] = ring[:, 1, 0] = (plus - minus) / 2
        whole = inverted(np.diag(self.series) + inverted(ring))
        return np.asarray(np.fft.fft(whole, axis=0) / MOMENTS)

    @cached_property
    def capacitance(self) -> FloatArray:
        """Stiffness over squared angular frequency (2,) of the modes at zero flux."""
        at_rest = np.diag(self.modes_stiffness(-self.branch, 0.0)[0]).real
        return np.asarray(at_rest / (2 * np.pi * np.array(self.modes_hz)) ** 2)

    def still(self, flux_phi0: float) -> FloatArray:
        """Frequencies (2,) of both modes (Hz) without a pump."""
        stiffness = np.diag(self.modes_stiffness(flux_phi0, 0.0)[0]).real
        return np.asarray(np.sqrt(stiffness / self.capacitance) / (2 * np.pi))

    @lru_cache(maxsize=20_000)  # noqa: B019  (a ring is a value)
    def pumped(self, flux_phi0: float, swing_rad: float) -> Pumped:
        """Both modes and their coupling under a pump at the difference of the modes, by harmonic balance."""
        coefficients = self.modes_stiffness(flux_phi0, swing_rad)
        capacitance = self.capacitance
        still = self.still(flux_phi0)
        found = np.sqrt(np.diag(coefficients[0]).real / capacitance) / (2 * np.pi)
        for _ in range(2):  # the eliminated sidebands depend weakly on where the modes are
            kept = kept_pair(coefficients, capacitance, float(found[0]), float(found[1] - found[0]))
            found = np.sqrt(np.diag(kept).real / capacitance) / (2 * np.pi)
        coupling = kept[0, 1].real / (2 * np.sqrt(np.prod(capacitance * 2 * np.pi * found))) / (2 * np.pi)
        return Pumped(still, found, -float(coupling))


@dataclass(frozen=True)
class Pumped:
    """Modes (2,) without and with the pump (Hz), and the signed coupling (Hz)."""

    still_hz: FloatArray
    pumped_hz: FloatArray
    coupling_hz: float

    @property
    def shift_hz(self) -> FloatArray:
        """By how much the pump moves both modes (2,)."""
        return self.pumped_hz - self.still_hz


def inverted(matrices: FloatArray) -> FloatArray:
    """Inverses of matrices (n, 2, 2), by Cramer's rule."""
    a, b, c, d = matrices[:, 0, 0], matrices[:, 0, 1], matrices[:, 1, 0], matrices[:, 1, 1]
    turned = np.array([[d, -b], [-c, a]]) / (a * d - b * c)
    return np.asarray(np.moveaxis(turned, -1, 0))


BANDS = np.arange(-SIDEBANDS, SIDEBANDS + 1)
KEPT = np.array([2 * SIDEBANDS, 2 * (SIDEBANDS + 1) + 1])  # signal mode at w, idler mode at w + w_p
REST = np.setdiff1d(np.arange(2 * len(BANDS)), KEPT)


def kept_pair(coefficients: ComplexArray, capacitance: FloatArray, signal_hz: float, pump_hz: float) -> ComplexArray:
    """Stiffness (2, 2) between the signal mode at w and the idler mode at w + w_p, everything else eliminated."""
    omega = 2 * np.pi * (signal_hz + BANDS * pump_hz)
    blocks = coefficients[(BANDS[:, None] - BANDS[None, :]) % MOMENTS]  # (band, band, mode, mode)
    balance = blocks.transpose(0, 2, 1, 3).reshape(2 * len(BANDS), 2 * len(BANDS))
    masses = (omega[:, None] ** 2 * capacitance).ravel()
    balance -= np.diag(masses)
    across = np.linalg.solve(balance[REST[:, None], REST], balance[REST[:, None], KEPT])
    left = balance[KEPT[:, None], KEPT] - balance[KEPT[:, None], REST] @ across
    return np.asarray(left + np.diag(masses[KEPT]))


def root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a growing function is zero, by halving the interval."""
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) < 0 else (low, middle)
    return (low + high) / 2


@cache
def reference_swing_rad(ring: Ring, flux_phi0: float, coupling_hz: float) -> float:
    """Swing of the third mode at which the coupling is as stated."""
    highest = abs(ring.pumped(flux_phi0, HIGHEST_SWING_RAD).coupling_hz)
    if highest < coupling_hz:
        raise ValueError(f"no swing up to {HIGHEST_SWING_RAD} rad gives a coupling of {coupling_hz:g} Hz")
    return root(lambda z: abs(ring.pumped(flux_phi0, z).coupling_hz) - coupling_hz, 0.0, HIGHEST_SWING_RAD)


def swing_rad(ring: Ring, flux_phi0: float, reference: tuple[float, float], relative_current: float) -> float:
    """Swing at a flux and a pump current relative to the reference's; reference is its flux and coupling (Hz).

    The stated coupling of a ring without shunts is that of its ground branch at the reference flux.
    """
    reference_flux, coupling_hz = reference
    there = ring if ring.shunt_ratio else replace(ring, branch=-round(reference_flux))
    at_reference = reference_swing_rad(there, reference_flux, coupling_hz)
    return relative_current * at_reference * there.pump_stiffness(reference_flux) / ring.pump_stiffness(flux_phi0)
