"""The pumped ring against the classical equations of motion of its circuit, and against limits.

References: Floquet exponents of the circuit's equations (`reference.ring_motion`, integrated here); values of an
independent Floquet analysis made for the design of this project (no publication claimed); scipy's Bessel functions; levels
of the circuit by diagonalising its Hamiltonian on a grid.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference.ring_motion import Pair, nodes_of, ring_energy
from scipy.optimize import minimize_scalar
from scipy.special import j0, j1

from fluxsense.device import pumped
from fluxsense.device.pumped import Modes, pump_reference, pumped_modes
from fluxsense.device.rings import ring_kind

BARE, SHUNTED, STRAY = ring_kind("bare"), ring_kind("shunted"), ring_kind("stray arms")
PLANCK = 6.62607015e-34


def arrays(values):
    return {name: np.asarray(value, dtype=float) for name, value in values.items()}


def modes(signal, idler, pa, pb):
    return Modes(*(np.asarray(x, dtype=float) for x in (signal, idler, pa, pb)))


def modes_there(f, alpha, frequencies, ratios):
    """Modes whose frequencies and participation ratios are as stated at quarter phase f, without a pump."""
    here, at_rest = np.cos(f) + alpha, 1 + alpha
    series = (1 / np.array(ratios) - 1) / here
    zero = np.array(frequencies) * np.sqrt((series + 1 / here) / (series + 1 / at_rest))
    return modes(*zero, *(1 / at_rest / (series + 1 / at_rest)))


@pytest.mark.parametrize(
    ("ratios", "flux", "swing", "coupling", "shifts"),
    [
        ((0.1, 0.1), 0.5, 0.200, 5.800, (-0.656, -0.940)),
        ((0.1, 0.1), 0.5, 0.353, 10.264, (-2.043, -2.926)),
        ((0.1, 0.1), 1.0, 0.353, 17.745, (-1.649, -2.223)),
        ((0.1, 0.2), 0.5, 0.353, 14.507, (-2.026, -5.847)),
    ],
)
def test_values_of_the_floquet_analysis(ratios, flux, swing, coupling, shifts):
    """In MHz; alpha 3, modes at 5.02 and 7.35 GHz at this flux.  0.1 MHz is wanted, 0.035 is had (`common_shift`)."""
    f, n = SHUNTED.quarter_phase(flux), arrays({"shunt_ratio": 3.0})
    there = modes_there(f, 3.0, (5.02e9, 7.35e9), ratios)
    still = pumped_modes(SHUNTED, f, n, there, np.array(0.0))
    np.testing.assert_allclose(still[:2], (5.02e9, 7.35e9), rtol=1e-13)
    found = pumped_modes(SHUNTED, f, n, there, np.array(swing))
    assert found.coupling_hz / 1e6 == pytest.approx(coupling, abs=0.015)
    np.testing.assert_allclose([(a - b) / 1e6 for a, b in zip(found[:2], still[:2], strict=True)], shifts, atol=0.035)


def common_shift(coupling, frequencies):
    """What coupled modes w +- g leave out of the exact (w^2 - w_a^2)(w'^2 - w_b^2) = 4 g^2 w_a w_b: -(g^2/4)(1/w_a + 1/w_b)."""
    return -0.25 * coupling**2 * np.sum(1 / np.asarray(frequencies))


@pytest.mark.parametrize(
    ("kind", "values", "flux", "ratios", "swing"),
    [
        (SHUNTED, {"shunt_ratio": 3.0}, 0.5, (0.1, 0.1), 0.353),
        (SHUNTED, {"shunt_ratio": 3.0}, 0.5, (0.1, 0.1), 1.0),
        (SHUNTED, {"shunt_ratio": 2.5}, -0.9, (0.2, 0.1), 0.3),
        (SHUNTED, {"shunt_ratio": 6.0}, 0.9, (0.4, 0.25), 0.4),
        (BARE, {}, 0.3, (0.08, 0.15), 0.25),
        (STRAY, {"shunt_ratio": 3.0, "arm_inductance_ratio": 0.1}, 0.5, (0.1, 0.1), 0.353),
        (STRAY, {"shunt_ratio": 3.0, "arm_inductance_ratio": 0.2}, 1.2, (0.1, 0.2), 0.2),
    ],
)
def test_equals_the_exponents_of_the_equations_of_motion(kind, values, flux, ratios, swing):
    frequencies = np.array([5.02e9, 7.35e9])
    pair = Pair(frequencies, np.array(ratios), values.get("shunt_ratio", 0.0), values.get("arm_inductance_ratio", 0.0))
    f = kind.quarter_phase(flux)
    (signal, idler), coupling = pair.pumped(float(f), swing)
    found = pumped_modes(kind, f, arrays(values), modes(*frequencies, *ratios), np.array(swing))
    shift = common_shift(coupling, (signal, idler))
    # fourth-order steps leave 7 kHz; the next orders in g leave a part of the shift above
    room = 0.01e6 + 0.5 * abs(shift)
    assert abs(found.coupling_hz) == pytest.approx(coupling, abs=0.01e6 + abs(shift))
    assert np.sign(found.coupling_hz) == np.sign(flux)
    assert found.signal_hz + shift == pytest.approx(signal, abs=room)
    assert found.idler_hz + shift == pytest.approx(idler, abs=room)


@pytest.mark.parametrize("flux", [0.2, 0.5, -0.9])
def test_weak_pumps_couple_by_the_third_order_term(flux):
    """g/g(reference) = sin f z_a z_b lam_Z over the same at the reference, z_m = lam (1 + p_m (lam - 1))^(-3/4).

    The cubic term -sin f X Y Z with zero-point phases of lumped modes and a pump that drives a fixed current through the
    Z mode (derived in this project by hand, checked there against the circuit's derivatives).
    """
    alpha, pa, pb, reference = 2.7, 0.13, 0.3, 0.4

    def cubic(phase):
        lam = (1 + alpha) / (np.cos(phase) + alpha)
        lam_z = (1 + alpha / 2) / (np.cos(phase) + alpha / 2)
        sizes = [(lam * (1 + p * (lam - 1)) ** -0.75) for p in (pa, pb)]
        return np.sin(phase) * sizes[0] * sizes[1] * lam_z

    n, both = arrays({"shunt_ratio": alpha}), modes(6e9, 9e9, pa, pb)
    f, at = SHUNTED.quarter_phase(flux), SHUNTED.quarter_phase(reference)
    known = pump_reference(SHUNTED, at, n, both, np.array(1e4))
    found = pumped_modes(SHUNTED, f, n, both, known.swing_at(SHUNTED, f, n, 1.0))
    assert found.coupling_hz / 1e4 == pytest.approx(cubic(f) / cubic(at), rel=1e-6)


def test_second_order_in_bessel_functions():
    """g = (J1/2)(sin f/K) sqrt(pa pb wa wb) and the two terms of the shift, at this flux; the rest is of fourth order."""
    f, swing, alpha, ratios, w = SHUNTED.quarter_phase(0.5), 0.15, 3.0, (0.1, 0.25), (5.02e9, 7.35e9)
    k = np.cos(f) + alpha
    found = pumped_modes(SHUNTED, f, arrays({"shunt_ratio": alpha}), modes_there(f, alpha, w, ratios), np.array(swing))
    g = 0.5 * j1(swing) * np.sin(f) / k * np.sqrt(np.prod(ratios) * np.prod(w))
    assert found.coupling_hz == pytest.approx(g, rel=4e-3)
    counter = (-g * g * w[1] / (2 * w[0] * (w[1] - w[0])), g * g * w[0] / (2 * w[1] * (w[1] - w[0])))
    for m in (0, 1):
        shift = -ratios[m] * np.cos(f) * (1 - j0(swing)) / (2 * k)
        shift -= ratios[m] * (1 - ratios[1 - m]) * np.sin(f) ** 2 * (1 - j0(2 * swing)) / (4 * k * k)
        assert found[m] - w[m] == pytest.approx(w[m] * shift + counter[m], rel=1e-2)


@pytest.mark.parametrize(("swing", "within_hz"), [(0.2, 1e-3), (0.35, 0.2), (0.5, 10.0), (0.7, 700.0)])
@pytest.mark.parametrize(
    ("kind", "values", "flux"),
    [
        (SHUNTED, {"shunt_ratio": 3.0}, 0.5),
        (SHUNTED, {"shunt_ratio": 2.2}, 1.5),
        (BARE, {}, 0.3),
        (STRAY, {"shunt_ratio": 4.0, "arm_inductance_ratio": 0.3}, 1.0),
    ],
)
def test_few_points_are_enough(monkeypatch, kind, values, flux, swing, within_hz):
    """Against 256 points a period."""
    arguments = (kind, kind.quarter_phase(flux), arrays(values), modes(5e9, 7.3e9, 0.2, 0.3), np.array(swing))
    found = pumped_modes(*arguments)
    monkeypatch.setattr(pumped, "_COSINES", np.cos(np.pi * (2 * np.arange(64) + 1) / 256))
    assert found == pytest.approx(pumped_modes(*arguments), rel=1e-15, abs=within_hz)


@given(
    st.sampled_from([(BARE, {}), (SHUNTED, {"shunt_ratio": 3.0}), (STRAY, {"shunt_ratio": 4.0, "arm_inductance_ratio": 0.3})]),
    st.floats(0.01, 0.45), st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0),
)  # fmt: skip
@settings(deadline=None)
def test_reversed_flux_reverses_the_coupling_only(ring, flux, pa, pb, swing):
    kind, values = ring
    both = [
        pumped_modes(kind, kind.quarter_phase(x), arrays(values), modes(5e9, 8e9, pa, pb), np.array(swing))
        for x in (flux, -flux)
    ]
    assert both[0].coupling_hz == pytest.approx(-both[1].coupling_hz, rel=1e-12, abs=1e-9)
    assert both[0].coupling_hz >= 0.0
    assert both[0][:2] == pytest.approx(both[1][:2], rel=1e-14)


@given(st.floats(0.05, 0.95), st.floats(0.02, 0.9), st.floats(0.02, 0.9), st.floats(1e-3, 1.7))
@settings(deadline=None)
def test_the_stated_coupling_comes_back(flux, pa, pb, swing):
    f, n, both = SHUNTED.quarter_phase(flux), arrays({"shunt_ratio": 3.0}), modes(5e9, 8e9, pa, pb)
    wanted = pumped_modes(SHUNTED, f, n, both, np.array(swing)).coupling_hz
    known = pump_reference(SHUNTED, f, n, both, wanted)
    assert known.swing_rad == pytest.approx(swing, rel=1e-7)
    assert known.swing_at(SHUNTED, f, n, 1.0) == pytest.approx(swing, rel=1e-7)


def test_a_coupling_out_of_reach_is_said_to_be():
    f, n, both = SHUNTED.quarter_phase(0.5), arrays({"shunt_ratio": 3.0}), modes(5e9, 8e9, 0.1, 0.1)
    most = pumped.most_coupling_hz(SHUNTED, f, n, both)
    found = pump_reference(SHUNTED, f, n, both, most * np.array([0.5, 0.99, 1.01, 3.0]))
    assert found.reached.tolist() == [True, True, False, False]
    there = pumped_modes(SHUNTED, f, n, both, found.swing_rad).coupling_hz
    np.testing.assert_allclose(there, most * np.array([0.5, 0.99, 1.0, 1.0]), rtol=2e-3)
    assert not pump_reference(SHUNTED, f, n, modes(5e9, 8e9, 0.0, 0.1), np.array(1e6)).reached


def test_a_swing_that_leaves_no_stable_state_gives_no_number():
    with np.errstate(all="raise"):
        found = pumped_modes(BARE, np.array(0.7), {}, modes(5e9, 8e9, 0.1, 0.1), np.array([0.3, 1.9]))
    assert np.isfinite(found.signal_hz).tolist() == np.isfinite(found.coupling_hz).tolist() == [True, False]


def test_shift_factor_scales_the_shift_and_nothing_else():
    arguments = (SHUNTED, SHUNTED.quarter_phase([0.5, 0.9]), arrays({"shunt_ratio": 3.0}), modes(5e9, 8e9, 0.1, 0.2))
    still, once = pumped_modes(*arguments, np.zeros(2)), pumped_modes(*arguments, np.full(2, 0.4))
    twice = pumped_modes(*arguments, np.full(2, 0.4), np.array([2.0, 0.0]))
    np.testing.assert_array_equal(twice.coupling_hz, once.coupling_hz)
    for m in (0, 1):
        assert twice[m] == pytest.approx([still[m][0] + 2 * (once[m] - still[m])[0], still[m][1]], rel=1e-14)


def test_batches_equal_loops():
    rng = np.random.default_rng(5)
    shape = (2, 3, 4)
    f, swing = rng.uniform(-1, 1, shape), rng.uniform(0, 0.6, shape)
    n = {"shunt_ratio": rng.uniform(2.5, 4, (2, 1, 4)), "arm_inductance_ratio": rng.uniform(0, 0.1, (2, 1, 1))}
    both = Modes(*(rng.uniform(a, b, (2, 1, 4)) for a, b in ((5e9, 6e9), (7e9, 8e9), (0.05, 0.3), (0.05, 0.3))))
    whole = pumped_modes(STRAY, f, n, both, swing)
    for at in np.ndindex(shape):
        here = (at[0], 0, at[2])
        one = pumped_modes(
            STRAY,
            f[at],
            {"shunt_ratio": n["shunt_ratio"][here], "arm_inductance_ratio": n["arm_inductance_ratio"][at[0], 0, 0]},
            Modes(*(x[here] for x in both)),
            swing[at],
        )
        for a, b in zip(whole, one, strict=True):
            assert a[at] == pytest.approx(b, rel=1e-13)


@pytest.mark.parametrize(("kind", "alpha", "r"), [(SHUNTED, 3.0, 0.0), (STRAY, 4.0, 0.3)])
def test_self_kerr_from_the_levels_of_the_circuit(kind, alpha, r):
    """Anharmonicity of one mode's Hamiltonian in 60 levels; the potential by minimising over the ring's phase.

    Second order in the quartic term and the sixth order leave a few parts in a thousand at these (unusually large) shifts.
    """
    energy, ratio, flux, frequency = 40e9, 0.5, 0.4, 6e9
    f = float(kind.quarter_phase(flux))
    n = arrays({"shunt_ratio": alpha, "arm_inductance_ratio": r})
    stiffness = float(kind.stiffness(np.array(f), n))
    series = (1 / ratio - 1) / stiffness
    total = energy * stiffness * ratio  # of the whole mode, Hz
    zero_point = np.sqrt(frequency / (2 * total))
    rest = ring_energy([0, 0, 0, 0], f, alpha, r)

    def potential(phase):
        inner = minimize_scalar(
            lambda q: (phase - q) ** 2 / (2 * series) + ring_energy(nodes_of(q, 0, 0), f, alpha, r) - rest,
            bounds=(ratio * phase - 0.3, ratio * phase + 0.3),
            method="bounded",
            options={"xatol": 1e-7},
        )
        return energy * float(inner.fun)

    x = np.linspace(0, 6, 41) * zero_point
    even = np.polynomial.Polynomial.fit(x * x, [potential(a) for a in x], 4).convert().coef
    down = np.diag(np.sqrt(np.arange(1, 60)), 1)
    square = zero_point**2 * (down + down.T) @ (down + down.T)
    hamiltonian = -0.25 * frequency * (down - down.T) @ (down - down.T)
    for power, weight in enumerate(even):
        hamiltonian = hamiltonian + weight * np.linalg.matrix_power(square, power)
    levels = np.linalg.eigvalsh(hamiltonian)
    kerr = pumped.self_kerr_hz(kind, np.array(f), n, np.array(frequency), np.array(ratio), energy)
    assert levels[1] - levels[0] == pytest.approx(frequency - kerr, abs=0.1 * kerr)
    assert -(levels[0] - 2 * levels[1] + levels[2]) == pytest.approx(float(kerr), rel=0.02)


def test_power_of_one_per_cent():
    """About 0.8 kHz a photon at 1 uA and participation 0.1; 1% of S (0.24 MHz of the mode) at -102 and -112 dBm."""
    energy = pumped.josephson_energy_hz(1e-6)
    assert energy == pytest.approx(2.067833848e-15 * 1e-6 / (2 * np.pi) / PLANCK, rel=1e-9)
    f, n = SHUNTED.quarter_phase(0.5), arrays({"shunt_ratio": 3.0})
    for ratio, dbm in ((0.1, -102), (0.3, -112)):
        kerr = pumped.self_kerr_hz(SHUNTED, f, n, np.array(5.02e9), np.array(ratio), energy)
        if ratio == 0.1:
            assert kerr == pytest.approx(0.8e3, rel=0.1)
        # on resonance a mode holds n = 4 P/(hbar w k) photons
        power = 0.24e6 / abs(kerr) * 0.5 * np.pi * PLANCK * 5.02e9 * 40e6
        assert 10 * np.log10(power / 1e-3) == pytest.approx(dbm, abs=1.0)
