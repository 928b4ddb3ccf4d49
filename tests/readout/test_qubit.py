"""Dispersive read-out against drawn records, a driven resonator's own equation, and a qubit with a resonator in Fock space."""

import math

import numpy as np
import pytest
from scipy.stats import norm

from fluxsense.base.errors import InputError
from fluxsense.readout.qubit import (
    Resonator,
    dephasing_per_s,
    fidelity,
    in_place_of_ferrite,
    isolator_element,
    qubit_readout,
    separation,
)
from fluxsense.study.readout import Element

RESONATOR = Resonator(frequency_hz=7e9, linewidth_hz=4e6, pull_hz=1.3e6, photons=4.0, integration_s=0.4e-6)


def hemt():
    return Element("hemt", "hemt", gain_db=38, temperature_k=4.0, added_k=2.0)


def paramp():
    return Element("paramp", "parametric_amplifier", gain_db=20, temperature_k=0.02, added_quanta=0.5)


def isolator(loss=0.4, name="isolator"):
    return Element(name, "isolator", gain_db=-loss, backward_db=-18, temperature_k=0.02)


def test_fidelity_of_two_normal_laws():
    # scipy's normal law, cut half way
    for d in (0.0, 0.7, 3.0, 6.0):
        assert fidelity(d) == pytest.approx(norm.cdf(d / 2), rel=1e-12)


def test_separation_of_drawn_records():
    # a resonator driven half way between its two frequencies, settled, sampled: output wave sqrt(k) alpha plus noise of N
    # quanta in all (N/2 per quadrature of a mode of length tau), integrated and projected on the line between the means
    r, quanta, rng = RESONATOR, 3.0, np.random.default_rng(2)
    k, chi = 2 * np.pi * r.linewidth_hz, 2 * np.pi * r.pull_hz
    drive = 1.0
    alpha = np.array([drive / (k / 2 + 1j * chi), drive / (k / 2 - 1j * chi)])
    alpha *= math.sqrt(r.photons) / np.abs(alpha)
    steps, shots = 50, 40_000
    dt = r.integration_s / steps
    axis = np.exp(-1j * np.angle(alpha[1] - alpha[0]))
    out = []
    for a in alpha:
        noise = rng.normal(size=(shots, steps)) * math.sqrt(quanta / 2)  # per mode of length dt, along the axis
        record = (axis * math.sqrt(k * dt) * a).real + noise
        out.append(record.sum(axis=1) / math.sqrt(steps))
    seen = (out[1].mean() - out[0].mean()) / math.sqrt(0.5 * (out[0].var() + out[1].var()))
    expected = separation(r, quanta)
    assert seen == pytest.approx(expected, abs=4.5 * math.sqrt((2 + expected**2 / 4) / shots))
    right = 0.5 * (
        (out[1] > 0.5 * (out[0].mean() + out[1].mean())).mean()
        + (out[0] < 0.5 * (out[0].mean() + out[1].mean())).mean()
    )
    f = fidelity(expected)
    assert right == pytest.approx(f, abs=4.5 * math.sqrt(f * (1 - f) / (2 * shots)))


def dephasing_in_fock_space(k, chi, n, levels):
    """Slowest decay of the coherence block of a qubit with a thermal resonator, 1/s: d rho_ge/dt as a matrix."""
    a = np.diag(np.sqrt(np.arange(1, levels)), 1)
    number = a.T @ a
    one = np.eye(levels)

    def left_right(x, y):  # x rho y, row-major
        return np.kron(x, y.T)

    def decay(c):
        cc = c.T @ c
        return left_right(c, c.T) - 0.5 * (left_right(cc, one) + left_right(one, cc))

    generator = -1j * chi * (left_right(number, one) + left_right(one, number))
    generator = generator + k * (n + 1) * decay(a) + k * n * decay(a.T)
    return -np.max(np.linalg.eigvals(generator).real)


@pytest.mark.parametrize(("pull", "n"), [(0.1e6, 0.2), (2e6, 0.05), (8e6, 0.3)])
def test_dephasing_by_thermal_photons(pull, n):
    rate = dephasing_in_fock_space(2 * np.pi * 4e6, 2 * np.pi * pull, n, 24)
    assert dephasing_per_s(4e6, pull, n) == pytest.approx(rate, rel=1e-6)


def test_dephasing_by_few_photons():
    # small n: n k 4 chi^2/(k^2 + 4 chi^2) (the same literature, from memory; first order of the closed form)
    k, chi, n = 2 * np.pi * 4e6, 2 * np.pi * 1.3e6, 1e-6
    assert dephasing_per_s(4e6, 1.3e6, n) == pytest.approx(n * k * 4 * chi**2 / (k**2 + 4 * chi**2), rel=1e-5)
    assert dephasing_per_s(4e6, 1.3e6, 0.0) == 0.0


def test_chain_behind_a_resonator():
    chain = [isolator(), paramp(), isolator(name="second"), hemt()]
    result = qubit_readout(RESONATOR, chain)
    # Friis by hand at 7 GHz: quantum 0.335947 K, half of it from the vacuum and from each loss at 20 mK
    q = 0.335947
    by_hand = 0.5 + (10**0.04 - 1) * 0.5 + 10**0.04 * 0.5 + 10**0.04 / 100 * ((10**0.04 - 1) * 0.5 + 10**0.04 * 2.0 / q)
    assert result.quanta == pytest.approx(by_hand, rel=1e-5)
    assert result.fidelity == pytest.approx(fidelity(separation(RESONATOR, by_hand)), rel=1e-6)
    assert 0.9 < result.fidelity < 1.0
    without = qubit_readout(RESONATOR, [paramp(), hemt()])
    assert without.fidelity > result.fidelity
    # a HEMT alone looks straight back into the resonator: 4 K at 7 GHz are 11.4 photons
    bare = qubit_readout(RESONATOR, [hemt()])
    assert bare.thermal_photons == pytest.approx(1 / math.expm1(q / 4.0), rel=1e-5)
    guarded = qubit_readout(RESONATOR, [isolator(), isolator(name="second"), hemt()])
    assert guarded.thermal_photons == pytest.approx(bare.thermal_photons * 10**-3.6, rel=1e-3)
    assert guarded.dephasing_per_s < 2e-3 * bare.dephasing_per_s


def test_insertion_loss_costs_fidelity():
    losses = [qubit_readout(RESONATOR, [isolator(x), hemt()]).fidelity for x in (0.4, 1.4, 3.4)]
    assert losses == sorted(losses, reverse=True)
    # 20 mK are vacuum: a loss of eta before a HEMT of 2 K makes 1/2 + (1/eta - 1)/2 + 2 K/(eta q) quanta
    q = 0.335947
    for x, found in zip((0.4, 1.4, 3.4), losses, strict=True):
        quanta = 10 ** (x / 10) * (0.5 + 2.0 / q)
        assert found == pytest.approx(fidelity(separation(RESONATOR, quanta)), rel=1e-5)


def test_a_device_takes_the_place_of_ferrite_isolators():
    cable = Element("cable", "cable", gain_db=-1.0)
    device = isolator_element("device", 0.9, 0.1, 0.02)
    line = [cable, isolator(), isolator(name="second"), hemt()]
    assert in_place_of_ferrite(line, device) == [cable, device, hemt()]
    assert in_place_of_ferrite(line, None) == [cable, hemt()]
    assert in_place_of_ferrite([cable, hemt()], device) == [device, cable, hemt()]


def test_isolator_as_an_element():
    element = isolator_element("device", 0.942809, 0.01, 0.02)
    assert element.gain_db == pytest.approx(-0.511, abs=1e-3)
    assert element.backward_db == pytest.approx(-40.0, abs=1e-9)
    with pytest.raises(InputError, match=r"1\.2 is not between 0 and 1"):
        isolator_element("device", 1.2, 0.01, 0.02)


def test_impossible_readouts_get_a_sentence():
    with pytest.raises(InputError, match="shorter than the resonator's own time"):
        separation(Resonator(7e9, 4e6, 1e6, 4.0, 1e-9), 1.0)
    with pytest.raises(InputError, match="above zero"):
        separation(Resonator(7e9, 4e6, 1e6, 0.0, 1e-6), 1.0)
