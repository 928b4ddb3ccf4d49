"""The ring against its own circuit: four cosines, minimised and differentiated independently.

References: the circuit's energy written out junction by junction (here), sympy for its expansion, scipy for its
minima.  Quoted digits were derived for this project from the same circuit.  Ring modulators of this
kind: Bergeal et al., Nature Physics 6, 296 (2010), equations cited from memory.
"""

import numpy as np
import pytest
import sympy
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from fluxsense.base.errors import InputError
from fluxsense.device import ring

QUARTER = np.pi / 2


def circuit_energy(phases, f, inductive=0.0):
    """Four junctions round nodes 1..4, an inductor from every node to a free common point; units of E_J."""
    p = np.asarray(phases, dtype=float)
    junctions = -np.sum(np.cos(np.roll(p, -1, axis=0) - p + f), axis=0)
    return junctions + 0.5 * inductive * np.sum((p - p.mean(axis=0)) ** 2, axis=0)


def modes(phases):
    p1, p2, p3, p4 = phases
    return p1 - p3, p2 - p4, (p1 + p3 - p2 - p4) / 2


def lowest_energy(f, inductive, rng, starts):
    """Minimum of the circuit energy over the three free node phases, from many starts."""
    best = np.inf
    for _ in range(starts):
        begin = rng.uniform(-np.pi, np.pi, 3)
        found = minimize(
            lambda q: circuit_energy([0.0, *q], f, inductive), begin, method="BFGS", options={"gtol": 1e-9}
        )
        best = min(best, float(found.fun))
    return best


@pytest.mark.parametrize("inductive", [0.0, 4.7])
def test_mode_energy_is_the_circuit_energy(inductive):
    rng = np.random.default_rng(1)
    phases = rng.uniform(-6, 6, (4, 500))
    f = rng.uniform(-7, 7, 500)
    expected = circuit_energy(phases, f, inductive)
    np.testing.assert_allclose(
        ring.ring_energy(*modes(phases), f, inductive), expected, rtol=1e-12, atol=1e-11
    )  # terms up to 500


def test_expansion_of_the_circuit_by_sympy():
    x, y, z, f, t = sympy.symbols("x y z f t", real=True)
    # node phases with p1 + p2 + p3 + p4 = 0
    p = [z / 2 + x / 2, -z / 2 + y / 2, z / 2 - x / 2, -z / 2 - y / 2]
    cosines = sum(sympy.cos(t * (p[(k + 1) % 4] - p[k]) + f) for k in range(4))
    orders = [sympy.expand(sympy.diff(-cosines, t, n).subs(t, 0) / sympy.factorial(n)) for n in range(6)]
    expected = [
        -4 * sympy.cos(f),
        0,
        sympy.cos(f) / 2 * (x**2 + y**2 + 4 * z**2),
        -sympy.sin(f) * x * y * z,
        -sympy.cos(f) / 96 * (x**4 + y**4 + 16 * z**4 + 6 * x**2 * y**2 + 24 * x**2 * z**2 + 24 * y**2 * z**2),
        sympy.sin(f) / 24 * x * y * z * (x**2 + y**2 + 4 * z**2),
    ]
    for found, wanted in zip(orders, expected, strict=True):
        assert sympy.expand(sympy.expand_trig(found - wanted)) == 0
    # the package's energy has the same cubic term: third mixed difference at the origin
    h = 0.02
    corners = np.array([(a, b, c) for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)], dtype=float)
    for value in (0.3, -1.1, 2.0):
        energies = ring.ring_energy(*(h * corners.T), value)
        third = np.sum(np.prod(corners, axis=1) * energies) / (2 * h) ** 3
        # the fifth-order term, sin f/24 * 6 h^2 = sin f h^2/4, bounds the error of the difference
        assert third == pytest.approx(-np.sin(value), abs=0.3 * h**2)
        assert np.sign(third) == -np.sign(ring.circulating_current_a(value, 1e-6))


@pytest.mark.parametrize(
    ("flux", "energy", "current"),
    [
        (0.10, -3.9507533624, 0.15643447),
        (0.25, -3.6955181300, 0.38268343),
        (0.40, -3.2360679775, 0.58778525),
        (0.49, -2.8725051911, 0.69591280),
    ],
)
def test_bare_ring_ground_state(flux, energy, current):
    f = ring.quarter_phase(flux, 0.0)
    assert ring.ring_energy(0, 0, 0, f) == pytest.approx(energy, abs=6e-11)
    assert ring.circulating_current_a(f, 1.0) == pytest.approx(current, abs=6e-9)
    assert lowest_energy(QUARTER * flux, 0.0, np.random.default_rng(2), 6) == pytest.approx(energy, abs=1e-9)


def test_bare_ring_ground_state_beyond_half_a_flux_quantum():
    rng = np.random.default_rng(3)
    for flux in (0.6, 0.93, 1.3, -0.7, -1.45, 2.2):
        f = ring.quarter_phase(flux, 0.0)
        assert ring.ring_energy(0, 0, 0, f) == pytest.approx(lowest_energy(QUARTER * flux, 0.0, rng, 8), abs=1e-9)


def test_coupling_flips_at_half_a_flux_quantum():
    below, above = ring.quarter_phase([0.5 - 1e-9, 0.5 + 1e-9], 0.0)
    assert np.sin(below) == pytest.approx(np.sqrt(0.5), abs=1e-8)
    assert np.sin(above) == pytest.approx(-np.sqrt(0.5), abs=1e-8)
    assert ring.inductance_ratio(below, 0.0) == pytest.approx(np.sqrt(2), abs=1e-8)
    assert ring.ring_energy(0, 0, 0, above) == pytest.approx(-2.8284271247, abs=1e-8)


@given(st.floats(-20, 20), st.integers(-20, 20))
@settings(deadline=None)
def test_bare_ring_has_period_one(flux, shift):
    if abs(abs(flux - np.round(flux)) - 0.5) > 1e-9:
        one, other = ring.quarter_phase(flux, 0.0), ring.quarter_phase(flux + shift, 0.0)
        assert one == pytest.approx(other, abs=1e-12)
        assert abs(one) <= np.pi / 4 + 1e-12


@given(st.floats(-20, 20), st.floats(2.01, 10))
@settings(deadline=None)
def test_shunted_ring_has_period_four_and_no_jumps(flux, alpha):
    f = ring.quarter_phase(flux, alpha)
    assert f == QUARTER * flux
    assert ring.quarter_phase(flux, alpha, branch=3) == f
    further = ring.quarter_phase(flux + 4, alpha)
    for function in (ring.inductance_ratio, ring.pump_inductance_ratio):
        assert function(further, alpha) == pytest.approx(function(f, alpha), rel=1e-12)
    assert np.sin(further) == pytest.approx(np.sin(f), abs=1e-12)


def test_branch_is_held_where_it_is_stable():
    flux = np.array([-0.4, 0.0, 0.49, 0.51, 0.99, 1.0, 1.2])
    held = ring.quarter_phase(flux, 0.0, branch=0)
    np.testing.assert_allclose(held[:5], QUARTER * flux[:5], atol=1e-15)  # metastable above 0.5
    np.testing.assert_allclose(held[5:], QUARTER * (flux[5:] - 1), atol=1e-15)  # lost: ground branch
    # stability of the held branch in the circuit: smallest curvature of the three free phases is positive below 1 only
    for value, stable in ((0.51, True), (0.99, True), (1.01, False)):
        h = 1e-4
        f = QUARTER * value
        curvatures = [
            (ring.ring_energy(*(h * d), f) + ring.ring_energy(*(-h * d), f) - 2 * ring.ring_energy(0, 0, 0, f)) / h**2
            for d in np.eye(3)
        ]
        assert (min(curvatures) > 0) == stable


def test_ramp_has_memory():
    up = np.linspace(0, 1.3, 131)
    path = np.concatenate([up, up[::-1]])
    branch = ring.follow_branch(path)
    assert set(branch[:100]) == {0}
    assert set(branch[100:131]) == {-1}
    coming_back = branch[131:]
    assert set(coming_back[up[::-1] > 1e-12]) == {-1}
    assert coming_back[-1] == 0  # at zero flux branch -1 has |F + n| = 1
    f_up, f_down = (ring.quarter_phase(0.7, 0.0, branch=n) for n in (0, -1))
    assert np.sin(f_up) > 0 > np.sin(f_down)


@given(st.lists(st.floats(-4, 4), max_size=60), st.one_of(st.none(), st.integers(-4, 4)))
@settings(deadline=None)
def test_ramp_agrees_with_a_step_by_step_walk(path, start):
    expected = []
    held = start
    for flux in path:
        if held is None or abs(flux + held) >= 1:
            held = -round(flux)
        expected.append(held)
    assert ring.follow_branch(path, start).tolist() == expected
    f = ring.quarter_phase(path, 0.0, branch=expected)
    np.testing.assert_allclose(f, [QUARTER * (a + n) for a, n in zip(path, expected, strict=True)])


@pytest.mark.parametrize(("inductive", "drop"), [(4.1, 0.0), (3.9, 3.769e-3), (3.0, 0.395556)])
def test_shunts_above_four_leave_one_state(inductive, drop):
    """At two flux quanta the centre stops being the ground state when E_L falls below 4 E_J (L = L_J/4)."""
    f = ring.quarter_phase(2.0, inductive / 2)
    centre = float(ring.ring_energy(0, 0, 0, f, inductive))
    lowest = lowest_energy(float(f), inductive, np.random.default_rng(4), 8)
    assert centre - lowest == pytest.approx(drop, abs=1e-6)
    assert (inductive / 2 > ring.SINGLE_STATE_SHUNT_RATIO) == (drop == 0.0)


def circuit_inductances(f, alpha):
    """(X, Z) inductances up to constants, and the cubic coefficient, by finite differences of the circuit energy."""
    h = 1e-3

    def energy(x, y, z):
        return circuit_energy([z / 2 + x / 2, -z / 2 + y / 2, z / 2 - x / 2, -z / 2 - y / 2], f, 2 * alpha)

    centre = energy(0, 0, 0)
    curvature_x = (energy(h, 0, 0) + energy(-h, 0, 0) - 2 * centre) / h**2
    curvature_z = (energy(0, 0, h) + energy(0, 0, -h) - 2 * centre) / h**2
    big = 0.02
    cubic = (
        sum(a * b * c * energy(a * big, b * big, c * big) for a in (-1, 1) for b in (-1, 1) for c in (-1, 1))
        / (2 * big) ** 3
    )
    return 1 / curvature_x, 1 / curvature_z, cubic


@pytest.mark.parametrize(("flux", "alpha"), [(0.3, 0.0), (-0.45, 0.0), (0.5, 3.0), (1.0, 3.0), (2.6, 2.4), (-1.7, 5.0)])
def test_inductances_frequency_and_coupling_from_the_circuit(flux, alpha):
    share_a, share_b, reference = 0.12, 0.3, 0.4
    f, f_reference = ring.quarter_phase([flux, reference], alpha)
    lx0, lz0, _ = circuit_inductances(0.0, alpha)

    def coupling(quarter):
        lx, lz, cubic = circuit_inductances(quarter, alpha)
        ring_flux = []
        for share in (share_a, share_b):
            rest = lx0 * (1 - share) / share  # inductance in series with the ring, same capacitance
            total = rest + lx
            ring_flux.append(total**0.25 * lx / total)
        return -cubic * ring_flux[0] * ring_flux[1] * lz

    lx, lz, _ = circuit_inductances(f, alpha)
    # finite differences: h^2/12 times fourth over second derivative is about 1e-7, rounding 1e-16/h^2 = 1e-10
    assert ring.inductance_ratio(f, alpha) == pytest.approx(lx / lx0, rel=1e-6)
    assert ring.pump_inductance_ratio(f, alpha) == pytest.approx(lz / lz0, rel=3e-6)
    rest = lx0 * (1 - share_a) / share_a
    frequency = ring.mode_frequency_hz(f, 7.1e9, share_a, alpha)
    assert frequency == pytest.approx(7.1e9 * np.sqrt((rest + lx0) / (rest + lx)), rel=1e-6)
    expected = coupling(f) / abs(coupling(f_reference))
    # the third difference is off by h^2/4 = 1e-4 relative at both places alike, and by less after division
    assert ring.relative_coupling(f, f_reference, alpha, share_a, share_b) == pytest.approx(expected, rel=1e-5)


def test_tuning_range_of_an_ordinary_mode():
    """Share 0.1, alpha 3, 7 GHz at zero flux: tunes over about 0.3 GHz, as such devices do (common practice)."""
    f = ring.quarter_phase([0.0, 1.0, 2.0], 3.0)
    frequency = ring.mode_frequency_hz(f, 7e9, 0.1, 3.0)
    # by hand: lam = 4/3 at one flux quantum and 2 at two, so 7/sqrt(31/30) and 7/sqrt(11/10)
    np.testing.assert_allclose(frequency, [7e9, 7e9 / np.sqrt(31 / 30), 7e9 / np.sqrt(1.1)], rtol=1e-14)
    np.testing.assert_allclose(frequency, [7e9, 6.886e9, 6.674e9], atol=0.5e6)


@given(
    st.floats(-3.9, 3.9, allow_subnormal=False),
    st.floats(0.05, 0.9),
    st.sampled_from([0.0, 2.5, 4.0]),
    st.floats(0, 1),
    st.floats(0, 1),
)
@settings(deadline=None)
def test_coupling_is_odd_signed_and_one_at_the_reference(flux, reference, alpha, share_a, share_b):
    f, f_reference = ring.quarter_phase(flux, alpha), ring.quarter_phase(reference, alpha)
    value = ring.relative_coupling(f, f_reference, alpha, share_a, share_b)
    assert ring.relative_coupling(-f, f_reference, alpha, share_a, share_b) == pytest.approx(-value, rel=1e-12)
    assert np.sign(value) == np.sign(np.sin(f))
    for sign in (1, -1):  # the reference's own sign is no one's business
        assert ring.relative_coupling(f, sign * f_reference, alpha, share_a, share_b) == value
    own = ring.relative_coupling(f_reference, f_reference, alpha, share_a, share_b)
    assert own == pytest.approx(np.sign(np.sin(f_reference)), rel=1e-12)


def test_no_state_no_number():
    with np.errstate(all="raise"):
        assert np.isnan(ring.inductance_ratio(np.pi, 0.5))
        assert np.isnan(ring.pump_inductance_ratio(np.pi, 1.5))
    assert ring.inductance_ratio(np.pi, 1.5) == pytest.approx(5.0)


def test_arguments_broadcast_and_stay_as_they_were():
    flux = np.linspace(-2, 2, 7)
    alpha = np.array([[0.0], [3.0]])
    kept = flux.copy()
    f = ring.quarter_phase(flux, alpha)
    assert f.shape == (2, 7)
    for row, ratio in zip(f, (0.0, 3.0), strict=True):
        np.testing.assert_array_equal(row, [ring.quarter_phase(value, ratio) for value in flux])
    assert ring.relative_coupling(f, 0.3, alpha, 0.1, 0.2).shape == (2, 7)
    np.testing.assert_array_equal(flux, kept)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (
            lambda: ring.quarter_phase(0.1, -0.5),
            "alpha: a shunt ratio cannot be negative, got -0.5. Use L_J/(2 L), or 0 for a ring without shunts.",
        ),
        (
            lambda: ring.quarter_phase(0.1, 0.0, branch=[0, 0.5]),
            "branch: a branch is a whole number, got 0.5. "
            "Use ..., -1, 0, 1, ...: minus the number of flux quanta that the ring has let in.",
        ),
        (
            lambda: ring.follow_branch([0.1, np.nan]),
            "flux_path_phi0: a flux ramp must be a plain list of finite numbers, got an array of shape (2,). "
            "Give one ramp at a time, in flux quanta.",
        ),
        (
            lambda: ring.mode_frequency_hz(0.1, 7e9, 1.2, 0.0),
            "share: the ring's share of a mode's inductance must lie between 0 and 1, got 1.2. "
            "Use ring inductance over total inductance, both at zero flux.",
        ),
        (
            lambda: ring.relative_coupling(0.3, 0.0, 3.0, 0.1, 0.1),
            "f_reference: the ring has no coupling at the reference flux (sin f = 0). "
            "Choose a reference flux away from zero, such as a quarter or half of a flux quantum.",
        ),
    ],
)
def test_messages(call, text):
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == text
