"""Powers, temperatures and bandwidth to noise.

References: textbook and published values named at each check; scikit-rf for cascaded networks; a chain simulated sample
by sample (`reference.sampled_chain`), which knows nothing of noise temperatures referred to one place.
"""

import math
from dataclasses import replace

import mpmath
import numpy as np
import pytest
import skrf
from reference.sampled_chain import received

from fluxsense.base.constants import BOLTZMANN_J_K
from fluxsense.base.errors import InputError
from fluxsense.base.units import dbm_to_watt
from fluxsense.readout.chain import (
    Chain,
    backward_noise_k,
    causes,
    check_chain,
    check_element,
    gain_lost_db,
    power_gains,
    report,
    sweep_seconds,
    with_power_at_chip,
)
from fluxsense.readout.networks import Network, cascaded
from fluxsense.readout.noise import (
    effective_temperature_k,
    photons,
    quantum_k,
    sigma_per_quadrature,
)
from fluxsense.study.readout import Element, Readout


def line(*up, power=1e-14, cold=0.02):
    """A chain that brings its power to the chip as a source at the chip's own temperature would, 1 kHz wide."""
    return Chain(Readout(source_power_w=power, bandwidth_hz=1e3, source_temperature_k=cold, up=up))


def hemt(added=2.0, gain=40.0, **more):
    return Element("hemt", "hemt", gain_db=gain, temperature_k=4.0, added_k=added, **more)


def loss(db, temperature, name="cable", **more):
    return Element(name, "cable", gain_db=-db, temperature_k=temperature, **more)


# ---------------------------------------------------------------- temperatures


@pytest.mark.parametrize(("f", "t"), [(5e9, 0.02), (5e9, 4.0), (7e9, 0.1), (1e6, 290.0), (7e9, 0.3)])
def test_effective_temperature_is_planck_and_half_a_quantum(f, t):
    # mpmath, 40 digits: h f/k (1/2 + 1/(exp(hf/kT) - 1)), another form of the same law
    with mpmath.workdps(40):
        x = mpmath.mpf("6.62607015e-34") * f / mpmath.mpf("1.380649e-23")
        expected = float(x * (mpmath.mpf(1) / 2 + 1 / mpmath.expm1(x / mpmath.mpf(t))))
    assert float(effective_temperature_k(f, t)) == pytest.approx(expected, rel=1e-12)


def test_thermal_numbers():
    # hf/k = 0.3359470 K at 7 GHz; hf/2 = -206.346759 dBm/Hz; 5.06995e-8 photons at 20 mK; kT at 290 K = -173.975187 dBm/Hz
    # (arithmetic with the exact constants, checked in many digits elsewhere)
    assert float(quantum_k(7e9)) == pytest.approx(0.3359470, abs=5e-8)
    vacuum = BOLTZMANN_J_K * float(effective_temperature_k(7e9, 0.0))
    assert 10 * math.log10(vacuum / 1e-3) == pytest.approx(-206.346759, abs=5e-7)
    with mpmath.workdps(30):
        x = mpmath.mpf("6.62607015e-34") * 7e9 / mpmath.mpf("1.380649e-23")
        assert float(1 / mpmath.expm1(x / mpmath.mpf("0.02"))) == pytest.approx(5.06995e-8, rel=1e-5)
    assert float(photons(7e9, effective_temperature_k(7e9, 0.02))) == pytest.approx(5.06995e-8, abs=1e-12)
    warm = BOLTZMANN_J_K * float(effective_temperature_k(1.0, 290.0))
    assert 10 * math.log10(warm / 1e-3) == pytest.approx(-173.975187, abs=5e-7)


def test_scatter_of_a_tone_in_thermal_noise():
    # arithmetic from sigma^2 = k T B/(2 P): -110 dBm, 1 kHz, 4 K and 0.68 K
    assert float(sigma_per_quadrature(1e-14, 4.0, 1e3)) == pytest.approx(1.66e-3, abs=5e-6)
    assert float(sigma_per_quadrature(1e-14, 0.68, 1e3)) == pytest.approx(6.85e-4, abs=5e-7)


# ---------------------------------------------------------------- cascades


def test_hemt_behind_two_decibels():
    # 2 dB at 20 mK before a HEMT of 2 K at 5 GHz: vacuum 0.120, loss 0.585 of it, 2 K/0.631 (arithmetic)
    result = report(line(loss(2, 0.02), hemt()), 5e9)
    assert result.system_k == pytest.approx(3.36, abs=5e-3)
    assert result.limiting.name == "hemt"


def test_quantum_limited_amplifier_before_the_hemt():
    # half a quantum added, 20 dB, 1 dB before, 3 dB behind, HEMT of 2 K, 5 GHz, all cold parts at 20 mK (arithmetic)
    amplifier = Element("paramp", "parametric_amplifier", gain_db=20, temperature_k=0.02, added_quanta=0.5)
    result = report(line(loss(1, 0.02), amplifier, loss(3, 0.02, "cable 2"), hemt()), 5e9)
    assert result.system_k == pytest.approx(0.354, abs=5e-4)
    assert result.quanta == pytest.approx(1.47, abs=5.1e-3)
    assert result.excess_quanta == pytest.approx(0.47, abs=5.1e-3)
    assert result.limiting.name == "paramp"


@pytest.mark.parametrize(
    ("f", "kelvin", "quanta"),
    [
        # Simbierowicz et al., arXiv:2009.03010 (abstract read): 680 mK at 5.7 GHz, "1.5 excess photons"
        (5.7e9, 0.68, 2.49),
        # Malnou et al., arXiv:2110.08142 (abstract read): 6.3 K between 3.5 and 5.5 GHz; 29 quanta at 4.5 GHz (arithmetic)
        (4.5e9, 6.3, 29.2),
    ],
)
def test_published_system_temperatures_in_quanta(f, kelvin, quanta):
    vacuum = float(effective_temperature_k(f, 0.0))
    result = report(line(hemt(added=kelvin - vacuum), cold=0.0), f)
    assert result.system_k == pytest.approx(kelvin, rel=1e-12)
    assert result.quanta == pytest.approx(quanta, abs=0.05)
    assert result.excess_quanta == pytest.approx(result.quanta - 1, rel=1e-12)


def test_excess_quanta_of_the_published_chain():
    vacuum = float(effective_temperature_k(5.7e9, 0.0))
    result = report(line(hemt(added=0.68 - vacuum), cold=0.0), 5.7e9)
    assert result.excess_quanta == pytest.approx(1.49, abs=5e-3)


def test_friis_in_a_textbook_receiver():
    # Pozar, Microwave Engineering, ch. 10 (from memory): amplifier 10 dB, F = 2 dB; filter 1 dB; mixer with 3 dB of loss and
    # F = 4 dB: F = 1.58 + 0.26/10 + 1.51/7.94 = 1.80 = 2.55 dB.  At 290 K and a low frequency the vacuum plays no part.
    t0 = 290.0
    chain = line(
        Element("amplifier", "room_amplifier", gain_db=10, temperature_k=t0, added_k=t0 * (10**0.2 - 1)),
        loss(1, t0, "filter"),
        Element("mixer", "receiver", gain_db=-3, temperature_k=t0, added_k=t0 * (10**0.4 - 1)),
        cold=t0,
    )
    assert report(chain, 1e6).system_k / t0 == pytest.approx(1.80, abs=5e-3)


def test_attenuators_cool_what_arrives():
    # 20 dB each at 4 K, 0.1 K and 20 mK at 7 GHz: photons 300 K/(hf/k)/1e6 and so on, summed by hand (arithmetic with
    # Planck's numbers): each loss passes a hundredth and radiates 0.99 of its own
    def n(t):
        return 1 / math.expm1(0.335947 / t)

    by_hand = n(300) * 1e-6 + 0.99 * (n(4) * 1e-4 + n(0.1) * 1e-2 + n(0.02))
    down = tuple(Element(f"att {t}", "attenuator", gain_db=-20.0, temperature_k=t) for t in (4.0, 0.1, 0.02))
    chain = Chain(Readout(dbm_to_watt(-40), 1e3, down=down, up=(hemt(),)))
    result = report(chain, 7e9)
    assert result.power_w == pytest.approx(dbm_to_watt(-100), rel=1e-12, abs=0)
    assert float(photons(7e9, result.incoming_k)) == pytest.approx(by_hand, rel=1e-5)
    with_more = with_power_at_chip(chain, 7e9, 3e-14)
    assert report(with_more, 7e9).power_w == pytest.approx(3e-14, rel=1e-12, abs=0)


def test_time_of_a_sweep():
    # 81 points, 4 averages at 100 Hz, both directions: 81 * 4/100 * 2 = 6.48 s, and a pause
    assert sweep_seconds(Readout(1.0, 100.0, 4), 81) == pytest.approx(6.48, rel=1e-12)
    assert sweep_seconds(Readout(1.0, 100.0, 4, sample_s=0.02, pause_s=1.0), 81) == pytest.approx(13.96, rel=1e-12)


# ---------------------------------------------------------------- networks


def random_network(rng, f, name, size=0.6):
    s = rng.normal(size=(f.size, 2, 2)) + 1j * rng.normal(size=(f.size, 2, 2))
    s *= size / np.linalg.norm(s, ord=2, axis=(1, 2))[:, None, None]
    return Network(f, s, name)


def test_cascade_equals_scikit_rf():
    rng = np.random.default_rng(3)
    f = np.linspace(4e9, 6e9, 21)
    parts = [random_network(rng, f, f"part {n}") for n in range(5)]
    reference = None
    for part in parts:
        other = skrf.Network(f=f, s=part.s, z0=50, f_unit="Hz")
        reference = other if reference is None else reference**other
    assert np.max(np.abs(cascaded(parts, f) - reference.s)) < 1e-12


def test_gains_of_measured_parts_multiply_to_the_cascade():
    rng = np.random.default_rng(4)
    f = np.linspace(4e9, 6e9, 11)
    parts = [random_network(rng, f, f"part {n}") for n in range(3)]
    elements = [Element(x.name, "filter", temperature_k=0.02, file=x.name) for x in parts]
    networks = {x.name: x for x in parts}
    reference = skrf.Network(f=f, s=parts[0].s, z0=50, f_unit="Hz")
    for part in parts[1:]:
        reference = reference ** skrf.Network(f=f, s=part.s, z0=50, f_unit="Hz")
    assert math.prod(power_gains(elements, f[4], networks)) == pytest.approx(abs(reference.s[4, 1, 0]) ** 2, rel=1e-12)


def test_networks_that_cannot_be_used():
    f = np.linspace(4e9, 6e9, 3)
    loud = Network(f, np.array([[[0, 0], [2.0, 0]]] * 3, dtype=complex), "loud.s2p")
    with pytest.raises(InputError, match=r"loud.s2p: the network gives out more power .* a filter is passive"):
        power_gains([Element("x", "filter", file="loud.s2p")], 5e9, {"loud.s2p": loud})
    assert power_gains([Element("x", "hemt", file="loud.s2p")], 5e9, {"loud.s2p": loud}) == pytest.approx([4.0])
    with pytest.raises(InputError, match=r"loud.s2p: the file covers 4 to 6 GHz, and nothing is known at 7 GHz"):
        power_gains([Element("x", "hemt", file="loud.s2p")], 7e9, {"loud.s2p": loud})
    with pytest.raises(InputError, match=r"loud.s2p: this file was not read"):
        power_gains([Element("x", "hemt", file="loud.s2p")], 7e9)
    with pytest.raises(InputError, match="no network"):
        cascaded([], f)


# ---------------------------------------------------------------- sample by sample

AS_STATED = {
    "plain": (-115.0, None),
    "compressed": (-95.0, -98.0),  # 1.5 dB of cable, so 1.5 dB beyond the compression point
}


@pytest.mark.parametrize("case", AS_STATED)
def test_scatter_equals_a_chain_simulated_sample_by_sample(case):
    level, p1db = AS_STATED[case]
    compression = math.inf if p1db is None else dbm_to_watt(p1db)
    down = [("attenuator", 20.0, 4.0), ("attenuator", 20.0, 0.1), ("attenuator", 20.0, 0.02)]
    amplifier = Element(
        "paramp", "parametric_amplifier", gain_db=15, temperature_k=0.02, added_k=0.3, compression_w=compression
    )
    chain = Chain(
        Readout(
            dbm_to_watt(level + 60),
            1e3,
            down=tuple(Element(f"att {t}", k, gain_db=-x, temperature_k=t) for k, x, t in down),
            up=(loss(1.5, 0.05), amplifier, loss(3, 1.0, "cable 2"), hemt(added=5.0, gain=30)),
        )
    )
    bandwidth, count = 1e3, 200_000
    stage = {"gain": 10**1.5, "added": 0.3} | ({} if p1db is None else {"p1db": compression})
    x = received(
        dbm_to_watt(level + 60),
        [{"gain": 10 ** (-v / 10), "temperature": t} for _, v, t in down],
        [
            {"gain": 10**-0.15, "temperature": 0.05},
            stage,
            {"gain": 10**-0.3, "temperature": 1.0},
            {"gain": 1e3, "added": 5.0},
        ],
        5e9,
        bandwidth,
        np.random.default_rng(11),
        np.ones(count),
    )
    result = report(chain, 5e9)
    lost = sum(s.gain_lost_db for s in result.up)
    mean = x.mean()
    assert 20 * math.log10(abs(mean)) == pytest.approx(-lost, abs=1e-3)
    # the scatter is relative to the tone as received: over the mean, which saturation makes smaller
    relative = x / mean
    # a standard deviation from n normal draws scatters by 1/sqrt(2n); 4.5 of these, and the second order in sigma
    tolerance = 4.5 / math.sqrt(2 * count)
    assert relative.real.std() == pytest.approx(result.sigma_amplitude, rel=tolerance)
    assert relative.imag.std() == pytest.approx(result.sigma_phase, rel=tolerance)
    if p1db is not None:
        assert result.sigma_amplitude < 0.9 * result.sigma_phase  # the two differ by far more than the tolerance


def test_change_of_transmission_is_made_smaller_by_saturation():
    # two noiseless runs of the sampled chain with the transmission changed by 1e-4
    amplifier = Element("paramp", "parametric_amplifier", gain_db=15, added_k=0.3, compression_w=1e-12)
    power = 2e-12
    result = report(line(amplifier, hemt(), power=power), 5e9)
    rng = np.random.default_rng(0)
    out = [
        abs(received(p, [], [{"gain": 10**1.5, "added": 0.0, "p1db": 1e-12}], 5e9, 1e-9, rng, np.ones(1))[0])
        * math.sqrt(p)
        for p in (power, power * 1.0001**2)
    ]
    assert math.log(out[1] / out[0]) / math.log(1.0001) == pytest.approx(result.slope, rel=1e-3)


def test_margin_and_gain_at_the_compression_point():
    # by the definition of the 1 dB compression point
    assert gain_lost_db(0.0) == pytest.approx(1.0, abs=1e-12)
    assert gain_lost_db(10.0) < 0.112
    result = report(line(hemt(compression_w=1e-8), power=1e-13), 5e9)
    assert result.closest_to_compression.margin_db == pytest.approx(50.0, abs=1e-9)
    assert report(line(hemt()), 5e9).closest_to_compression is None


# ---------------------------------------------------------------- backwards


def test_noise_that_comes_back():
    # two isolators of 20 dB at 20 mK before a HEMT at 4 K: 4 K/1e4 and Planck's numbers of 20 mK, by hand at 5 GHz
    isolators = [Element(f"iso {n}", "isolator", gain_db=-0.3, backward_db=-20, temperature_k=0.02) for n in (1, 2)]
    x = 6.62607015e-34 * 5e9 / 1.380649e-23

    def n(t):
        return 1 / math.expm1(x / t)

    by_hand = (n(4.0) * 0.01 + 0.99 * n(0.02)) * 0.01 + 0.99 * n(0.02)
    back = backward_noise_k([*isolators, hemt()], 5e9)
    assert float(photons(5e9, back)) == pytest.approx(by_hand, rel=1e-9)
    leaky = replace(hemt(), backward_db=-10.0)
    assert backward_noise_k([leaky], 5e9) > backward_noise_k([hemt()], 5e9)
    # a reciprocal loss passes as much back as forward
    back = backward_noise_k([loss(3, 0.02), hemt()], 5e9)
    assert float(photons(5e9, back)) == pytest.approx(10**-0.3 * n(4.0) + (1 - 10**-0.3) * n(0.02), rel=1e-9)


# ---------------------------------------------------------------- causes


def paramp_chain(**more):
    return line(
        loss(1, 0.02),
        Element("paramp", "parametric_amplifier", gain_db=20, temperature_k=0.02, added_quanta=0.5, **more),
        loss(3, 0.02, "cable 2"),
        hemt(),
    )


def test_causes_of_a_scatter_that_differs():
    chain = paramp_chain()
    expected = report(chain, 5e9).sigma
    assert causes(chain, 5e9, 1.4 * expected) == []
    assert causes(chain, 5e9, expected / 1.4) == []
    # with the parametric amplifier off, 4 dB in all before a HEMT of 2 K: 5.02 K + loss and vacuum, 0.354 K before
    off = math.sqrt((2 * 10**0.4 + 0.11998 * 10**0.4) / 0.3539)
    found = {c.key: c for c in causes(chain, 5e9, off * expected)}
    assert found["amplifier"].stage == "paramp"
    assert found["amplifier"].factor == pytest.approx(off, rel=1e-3)
    assert found["power"].level_db == pytest.approx(-20 * math.log10(off), rel=1e-9)
    assert found["bandwidth"].factor == pytest.approx(off**2, rel=1e-9)
    assert "compression" not in found
    near = paramp_chain(compression_w=2e-14)
    sigma = report(near, 5e9).sigma
    assert causes(near, 5e9, 2 * sigma)[0].key == "compression"
    less = {c.key: c for c in causes(chain, 5e9, expected / 2)}
    assert less["power"].level_db == pytest.approx(6.02, abs=0.01)
    assert "amplifier" not in less


# ---------------------------------------------------------------- bad input


@pytest.mark.parametrize(
    ("element", "words"),
    [
        (Element("a", "attenuator", gain_db=20), "an attenuator is passive and cannot have a gain of 20 dB"),
        (Element("a", "cable", gain_db=-1, added_k=3), "a cable is passive: what it adds follows"),
        (Element("a", "cable", gain_db=-1, temperature_k=-1), "-1 K is below absolute zero"),
        (Element("a", "cable", gain_db=-1, temperature_k=math.nan), "below absolute zero"),
        (Element("a", "hemt", gain_db=30, added_k=-1), "noise temperature below zero"),
        (Element("a", "maser", gain_db=30), 'the kind "maser" is not known'),
        (Element("a", "isolator", gain_db=-1, backward_db=20), "20 dB backwards would make the line oscillate"),
        (Element("a", "hemt", gain_db=30, compression_w=0.0), "compression point is not above zero"),
    ],
)
def test_impossible_elements_get_a_sentence(element, words):
    with pytest.raises(InputError, match=r'^element "a": ') as caught:
        check_element(element)
    assert words in str(caught.value)


def test_impossible_lines_get_a_sentence():
    with pytest.raises(InputError, match="no amplifier between the chip and the receiver"):
        check_chain(line(loss(1, 0.02)).readout)
    with pytest.raises(InputError, match="source power is not above zero"):
        check_chain(line(hemt(), power=0.0).readout)
    with pytest.raises(InputError, match=r'readout, "cable": .*below absolute zero'):
        check_chain(line(loss(1, -0.02), hemt()).readout, "readout")
    with pytest.raises(InputError, match=r"0 W arrive at the chip, and 40 dB follow"):
        report(Chain(Readout(1.0, 1.0, down=(loss(1000, 1), loss(1000, 1)), up=(hemt(),))), 5e9)
    with pytest.raises(InputError, match="frequency is not above zero"):
        effective_temperature_k(0.0, 1.0)
    with pytest.raises(InputError, match="bandwidth is not above zero"):
        sigma_per_quadrature(1e-14, 4.0, 0.0)
