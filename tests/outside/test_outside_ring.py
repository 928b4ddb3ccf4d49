"""The pumped ring of the outside simulator against closed forms of other people's or of weak pumps.

* modes and couplings under a pump: values of a Floquet analysis of the ring's classical equations, made for the design of
  this project before either program was written (derived, no publication claimed);
* no pump: frequencies of `ring_modes`, which are written in the mode inductances;
* weak pump: couplings go from flux to flux as `ring_modes` says;
* an arm with a stray inductance: the slope of its current by finite differences of energies minimised by bisection.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from outside_ring import Ring, reference_swing_rad, swing_rad
from outside_simulator import ring_modes

from fluxsense.device import pumped
from fluxsense.device.rings import ring_kind

MODES_HZ = np.array([5.02e9, 7.35e9])


def ring_with(shares: tuple[float, float], flux_phi0: float, alpha: float = 3.0) -> Ring:
    """A ring whose shares and frequencies are as stated at this flux, not at zero."""
    there, at_rest = math.cos(math.pi / 2 * flux_phi0) + alpha, 1 + alpha
    series = (1 / np.array(shares) - 1) / there
    share = 1 / at_rest / (series + 1 / at_rest)
    modes = MODES_HZ * np.sqrt((series + 1 / there) / (series + 1 / at_rest))
    return Ring(alpha, (share[0], share[1]), (modes[0], modes[1]))


@pytest.mark.parametrize(
    ("shares", "flux_phi0", "swing", "coupling_mhz", "shift_mhz"),
    [
        ((0.1, 0.1), 0.5, 0.200, 5.800, (-0.656, -0.940)),
        ((0.1, 0.1), 0.5, 0.353, 10.264, (-2.043, -2.926)),
        ((0.1, 0.1), 1.0, 0.353, 17.745, (-1.649, -2.223)),
        ((0.1, 0.2), 0.5, 0.353, 14.507, (-2.026, -5.847)),
    ],
)
def test_floquet_values(shares, flux_phi0, swing, coupling_mhz, shift_mhz):
    found = ring_with(shares, flux_phi0).pumped(flux_phi0, swing)
    np.testing.assert_allclose(found.still_hz, MODES_HZ, rtol=1e-12)
    assert found.coupling_hz / 1e6 == pytest.approx(coupling_mhz, abs=0.002)
    np.testing.assert_allclose(found.shift_hz / 1e6, shift_mhz, atol=0.04)


STAGE = {
    "ring": "shunted", "shunt_ratio": 2.7, "signal_participation": 0.13, "idler_participation": 0.08,
    "signal_frequency": 6.1e9, "idler_frequency": 8.9e9, "coupling": 9e6,
}  # fmt: skip


def ring_of(stage: dict[str, float]) -> Ring:
    alpha = stage["shunt_ratio"] if stage["ring"] == "shunted" else 0.0
    shares = (stage["signal_participation"], stage["idler_participation"])
    return Ring(alpha, shares, (stage["signal_frequency"], stage["idler_frequency"]))


@pytest.mark.parametrize("kind", ["shunted", "bare"])
@pytest.mark.parametrize("flux_phi0", [-0.45, 0.2, 0.4])
def test_weak_pump_is_the_ring_without_one(kind, flux_phi0):
    stage = STAGE | {"ring": kind}
    ring, reference = ring_of(stage), 0.3
    signal, idler, coupling = ring_modes(stage, flux_phi0, reference)
    np.testing.assert_allclose(ring.still(flux_phi0), [signal, idler], rtol=1e-12)
    small = 1e-3
    at_reference = ring.pumped(reference, small).coupling_hz
    swing = small * ring.pump_stiffness(reference) / ring.pump_stiffness(flux_phi0)
    found = ring.pumped(flux_phi0, swing)
    assert found.coupling_hz / at_reference == pytest.approx(coupling / 9e6, rel=1e-5)
    assert np.all(np.abs(found.shift_hz) < 1000)


def test_stated_coupling_comes_back_and_grows_as_the_third_order_says():
    """g(Z)/Z to second order in Z, derived from M = [diag(l) + [[K, -s], [-s, K]]^-1]^-1 of the ring's energy.

    s gives 1 - Z^2/8; K(t) = cos f cos Z(t) + alpha, in phase with s, gives 1 + (2 - p_a - p_b) (cos f/K) (3/8) Z^2; s^2
    beside K^2 gives 1 + (1 - p_a)(1 - p_b) (sin f/K)^2 (3/4) Z^2; the zero-point phases give half the relative shifts,
    with the other sign.  The two large terms nearly cancel.
    """
    ring, flux, cos_f = ring_of(STAGE), 0.5, math.sqrt(0.5)
    swing = reference_swing_rad(ring, flux, 9e6)
    assert 0.1 < swing < 0.5
    whole = ring.pumped(flux, swing)
    assert whole.coupling_hz == pytest.approx(9e6, abs=1)
    assert ring.pumped(-flux, swing).coupling_hz == pytest.approx(-9e6, abs=1)
    stiffness = cos_f + 2.7
    shares = 1 / stiffness / (ring.series + 1 / stiffness)
    bend = (2 - shares.sum()) * cos_f / stiffness * 3 / 8 - 1 / 8
    bend += float(np.prod(1 - shares)) * (cos_f / stiffness) ** 2 * 3 / 4  # sin f = cos f here
    bend -= float(np.sum(whole.shift_hz / whole.still_hz)) / 2 / swing**2
    half = ring.pumped(flux, swing_rad(ring, flux, (flux, 9e6), 0.5)).coupling_hz
    assert 2 * half / 9e6 - 1 == pytest.approx(-bend * swing**2 * 3 / 4, abs=2e-4)


def test_coupling_out_of_reach_is_refused():
    with pytest.raises(ValueError, match="no swing"):
        reference_swing_rad(ring_of(STAGE), 0.5, 9e8)


@pytest.mark.parametrize("stray", [0.01, 0.1])
def test_stray_arm(stray):
    """Least of -cos x + (d - x)^2 / (2 stray) over x, by golden sections; its second derivative in d by differences."""

    def energy(d: float) -> float:
        low, high = d - 1.0, d + 1.0
        for _ in range(200):
            a, b = high - (high - low) * 0.6180339887, low + (high - low) * 0.6180339887
            cost = [-math.cos(x) + (d - x) ** 2 / (2 * stray) for x in (a, b)]
            low, high = (low, b) if cost[0] < cost[1] else (a, high)
        x = (low + high) / 2
        return -math.cos(x) + (d - x) ** 2 / (2 * stray)

    ring, step = Ring(3.0, (0.1, 0.1), (5.02e9, 7.35e9), stray=stray), 1e-3
    for d in (-0.9, 0.3, 1.2):
        slope = (energy(d + step) - 2 * energy(d) + energy(d - step)) / step**2
        assert float(ring.arm_stiffness(np.array(d))) == pytest.approx(slope, abs=1e-5)
    moved = ring.still(0.8) - replace(ring, stray=0.0).still(0.8)
    assert 0.2e6 < abs(moved[0]) * 0.01 / stray < 2e6  # "0.01 of L_J: 0.66 MHz" before anything is fitted


def package_pumped(kind: str, numbers: dict[str, float], ring: Ring, flux_phi0: float, swing: float) -> np.ndarray:
    """Signal, idler and coupling (Hz) as the package has them."""
    one = {name: np.array([value]) for name, value in numbers.items()}
    modes = pumped.Modes(*(np.array([x]) for x in (*ring.modes_hz, *ring.shares)))
    phase = np.array([ring.quarter_phase(flux_phi0)])
    rates = pumped.pumped_modes(ring_kind(kind), phase, one, modes, np.array([swing]))
    return np.array([rates.signal_hz[0], rates.idler_hz[0], rates.coupling_hz[0]])


@pytest.mark.parametrize("kind", ["shunted", "stray arms", "bare"])
def test_package_agrees(kind):
    """Sidebands eliminated exactly against the package's second order: 0.3% of the coupling, 0.5% of the shifts."""
    rng = np.random.default_rng(8)
    for _ in range(25):
        alpha = 0.0 if kind == "bare" else rng.uniform(2.5, 5)
        stray = rng.uniform(0, 0.1) if kind == "stray arms" else 0.0
        signal = rng.uniform(4e9, 7e9)
        shares = tuple(rng.uniform(0.02, 0.3, 2))
        ring = Ring(alpha, shares, (signal, signal + rng.uniform(1.5e9, 4e9)), stray=stray)
        flux, swing = rng.uniform(-0.9, 0.9) * (0.5 if kind == "bare" else 1.0), rng.uniform(0.05, 0.4)
        numbers = {"shunt_ratio": alpha} if kind != "bare" else {}
        mine = ring.pumped(flux, swing)
        while abs(mine.coupling_hz) > 30e6:  # three times what isolators use
            swing /= 2
            mine = ring.pumped(flux, swing)
        theirs = package_pumped(
            kind, numbers | ({"arm_inductance_ratio": stray} if kind == "stray arms" else {}), ring, flux, swing
        )
        allowed = 5e-3 * np.abs([*mine.shift_hz, 0.6 * mine.coupling_hz]) + 100
        assert np.all(np.abs(theirs - [*mine.pumped_hz, mine.coupling_hz]) < allowed)
