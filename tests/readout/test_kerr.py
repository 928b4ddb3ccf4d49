"""The probe's photons in the signal modes, from the scattering matrix alone.

Reference: the two signal modes' amplitudes solved from their own equations of motion, written here from the published
form of the pumped interferometer (idlers eliminated), which the package's scattering matrix never hands out.
"""

import math

import numpy as np
import pytest

from fluxsense.device.isolator import isolator_scattering
from fluxsense.readout.kerr import kerr_limit, photons_in_stages, shifted_transmission

H = 6.62607015e-34


def amplitudes(f, modes, g, theta, z):
    """Signal modes' response (2, 2, F) to unit waves into the two stages, from the equations of motion (angular rates in Hz)."""
    wa, ka, wb, kb, fp = (modes[k] for k in ("wa", "ka", "wb", "kb", "fp"))
    out = np.empty((2, 2, f.size), dtype=complex)
    for n, w in enumerate(f):
        # idlers b1, b2 joined by a link of amplitude z, which is open at both ends: waves out = in - sqrt(k) b on the
        # link's side, in_1 = z out_2, in_2 = z out_1
        d = [0.0 - 1j * (w + fp - wb[j]) for j in range(2)]
        link = np.array([[1, -z], [-z, 1]], dtype=complex)  # in - z swap(in) = -z swap(sqrt(k) b)
        swap = -z * np.array([[0, math.sqrt(kb[1])], [math.sqrt(kb[0]), 0]])
        into = np.linalg.solve(link, swap)  # in = into @ b
        dynamics = np.diag([kb[0] / 2 + d[0], kb[1] / 2 + d[1]]) - np.diag(np.sqrt(kb)) @ into
        inner = np.linalg.inv(dynamics)
        phase = np.exp(1j * np.array([0.0, theta]))
        pump = np.diag(np.asarray(g) * phase)
        matrix = np.diag([ka[j] / 2 - 1j * (w - wa[j]) for j in range(2)]) + pump @ inner @ np.conj(pump)
        out[:, :, n] = np.linalg.inv(matrix) @ np.diag(np.sqrt(ka))
    return out


@pytest.mark.parametrize("g", [(0.0, 0.0), (10.2e6, 10.1e6), (10.2e6, -10.1e6)])
def test_photons_from_scattering_equal_those_from_the_equations_of_motion(g):
    f = np.linspace(4.95e9, 5.09e9, 15)
    modes = {"wa": (5.02e9, 5.023e9), "ka": (40e6, 42e6), "wb": (7.35e9, 7.353e9), "kb": (60e6, 58e6), "fp": 2.33e9}
    hybrid = np.array([[1, 1j], [1j, 1]]) / math.sqrt(2)
    s = isolator_scattering(
        f,
        {
            "signal_frequency_hz": modes["wa"],
            "idler_frequency_hz": modes["wb"],
            "signal_linewidth_hz": modes["ka"],
            "signal_internal_hz": 0.0,
            "idler_linewidth_hz": modes["kb"],
            "idler_internal_hz": 0.0,
            "coupling_hz": g,
            "pump_frequency_hz": modes["fp"],
            "pump_phase_rad": np.pi / 2,
            "link": 1 / math.sqrt(2),
            "hybrid_through": 1 / math.sqrt(2),
            "hybrid_cross": 1j / math.sqrt(2),
        },
        ports=("11", "12", "21", "22"),
    )[0].reshape(2, 2, f.size)
    power = 1e-14
    seen = photons_in_stages(s, power, f, modes["ka"])
    stage = amplitudes(f, modes, g, np.pi / 2, 1 / math.sqrt(2))
    # rates in Hz: |a|^2 in units of 1/(2 pi Hz)
    expected = np.abs(np.einsum("jkf,kp->jpf", stage, hybrid)) ** 2 * power / (H * f) / (2 * np.pi)
    np.testing.assert_allclose(seen, expected, rtol=1e-9)


def test_one_mode_on_resonance():
    # n = 4 P/(h f k), half of the power in each stage (textbook: one-port resonator)
    f = np.array([5e9])
    stages = np.array([[-1.0, 0], [0, -1.0]])  # both on resonance, pump off: each reflects -1
    hybrid = np.array([[1, 1j], [1j, 1]]) / math.sqrt(2)
    s = (hybrid @ stages @ hybrid)[:, :, None]
    n = photons_in_stages(s, 6.3e-14, f, [40e6, 40e6])
    assert n == pytest.approx(0.5 * 4 * 6.3e-14 / (H * 5e9 * 2 * np.pi * 40e6), rel=1e-12)


def test_bias_and_the_power_of_equality():
    rng = np.random.default_rng(1)
    slope = rng.normal(size=(2, 2, 5)) + 1j * rng.normal(size=(2, 2, 5))
    photons = rng.uniform(1, 2, size=(2, 2, 5))
    change = shifted_transmission(slope, [2.0, 3.0], photons)
    by_hand = -(2.0 * photons[0, 1, 3] * slope[0, 1, 3] + 3.0 * photons[1, 1, 3] * slope[1, 1, 3])
    assert change[1, 3] == pytest.approx(by_hand, rel=1e-12)
    limit = kerr_limit(1e-13, bias=4e-3, noise=1e-3)
    # at the power found, bias and noise as they scale (P and P^-1/2) are equal
    ratio = limit.equal_power_w / 1e-13
    assert 4e-3 * ratio == pytest.approx(1e-3 / math.sqrt(ratio), rel=1e-12)
    assert limit.near
    assert kerr_limit(1e-13, 1e-6, 1e-3).margin_db == pytest.approx(20.0, rel=1e-12)
    assert not kerr_limit(1e-13, 1e-6, 1e-3).near
    assert not kerr_limit(1e-13, 0.0, 1e-3).near
