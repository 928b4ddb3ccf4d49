"""Kinds of rings against their own circuit: arms and shunts, minimised and differentiated independently.

References: the circuit's energy written out arm by arm (`reference.ring_motion`), sympy for its expansion, scipy for its
minima.  Quoted digits were derived for this project from the same circuit.  Ring modulators of this
kind: Bergeal et al., Nature Physics 6, 296 (2010), equations cited from memory.
"""

import numpy as np
import pytest
import sympy
from hypothesis import given, settings
from hypothesis import strategies as st
from reference.ring_motion import nodes_of, ring_energy, stiffness_xy
from scipy.integrate import quad
from scipy.optimize import minimize

from fluxsense.base.errors import InputError
from fluxsense.device.rings import Ring, register, ring_kind, ring_kinds
from fluxsense.device.rings.bare import follow_branch

QUARTER = np.pi / 2
BARE, SHUNTED, STRAY = ring_kind("bare"), ring_kind("shunted"), ring_kind("stray arms")
CASES = [
    (BARE, {}),
    (SHUNTED, {"shunt_ratio": 3.0}),
    (SHUNTED, {"shunt_ratio": 2.2}),
    (STRAY, {"shunt_ratio": 3.0, "arm_inductance_ratio": 0.1}),
    (STRAY, {"shunt_ratio": 5.0, "arm_inductance_ratio": 0.4}),
]


def numbers(values):
    return {name: np.array(value) for name, value in values.items()}


def of_circuit(values):
    return values.get("shunt_ratio", 0.0), values.get("arm_inductance_ratio", 0.0)


def lowest_energy(f, alpha, rng, starts):
    """Minimum of the circuit energy over the three free node phases, from many starts."""
    best = np.inf
    for _ in range(starts):
        begin = rng.uniform(-np.pi, np.pi, 3)
        found = minimize(lambda q: ring_energy([0.0, *q], f, alpha), begin, method="BFGS", options={"gtol": 1e-9})
        best = min(best, float(found.fun))
    return best


def closed_energy(x, y, z, f):
    """Energy of four plain junctions in the modes X, Y, Z, units of E_J."""
    return -4 * (
        np.cos(x / 2) * np.cos(y / 2) * np.cos(z) * np.cos(f) + np.sin(x / 2) * np.sin(y / 2) * np.sin(z) * np.sin(f)
    )


def test_mode_energy_is_the_circuit_energy():
    rng = np.random.default_rng(1)
    for x, y, z, f in rng.uniform(-6, 6, (200, 4)):
        assert closed_energy(x, y, z, f) == pytest.approx(ring_energy(nodes_of(x, y, z), f, 0.0), abs=1e-12)


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
    # minus the cubic coefficient has the sign of the current
    for value in (0.3, -1.1, 2.0):
        assert np.sign(SHUNTED.circulating_current(value, {})) == np.sign(np.sin(value))


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
    f = float(BARE.quarter_phase(flux))
    assert closed_energy(0, 0, 0, f) == pytest.approx(energy, abs=6e-11)
    assert BARE.circulating_current(f, {}) == pytest.approx(current, abs=6e-9)
    assert lowest_energy(QUARTER * flux, 0.0, np.random.default_rng(2), 6) == pytest.approx(energy, abs=1e-9)


def test_bare_ring_ground_state_beyond_half_a_flux_quantum():
    rng = np.random.default_rng(3)
    for flux in (0.6, 0.93, 1.3, -0.7, -1.45, 2.2):
        f = float(BARE.quarter_phase(flux))
        assert closed_energy(0, 0, 0, f) == pytest.approx(lowest_energy(QUARTER * flux, 0.0, rng, 8), abs=1e-9)


def test_coupling_flips_at_half_a_flux_quantum():
    below, above = BARE.quarter_phase([0.5 - 1e-9, 0.5 + 1e-9])
    assert np.sin(below) == pytest.approx(np.sqrt(0.5), abs=1e-8)
    assert np.sin(above) == pytest.approx(-np.sqrt(0.5), abs=1e-8)
    assert BARE.inductance_ratio(below, {}) == pytest.approx(np.sqrt(2), abs=1e-8)


@given(st.floats(-20, 20), st.integers(-20, 20))
@settings(deadline=None)
def test_period_and_jumps(flux, shift):
    if abs(abs(flux - np.round(flux)) - 0.5) > 1e-9:
        one, other = BARE.quarter_phase(flux), BARE.quarter_phase(flux + shift)
        assert one == pytest.approx(other, abs=1e-12)
        assert abs(one) <= np.pi / 4 + 1e-12
    for kind, values in CASES[1:]:
        f = kind.quarter_phase(flux)
        assert f == QUARTER * flux == kind.quarter_phase(flux, branch=3)
        further = kind.quarter_phase(flux + kind.period_phi0)
        for function in (kind.inductance_ratio, kind.pump_inductance_ratio):
            assert function(further, numbers(values)) == pytest.approx(function(f, numbers(values)), rel=1e-12)
        current = kind.circulating_current(f, numbers(values))
        assert kind.circulating_current(further, numbers(values)) == pytest.approx(current, abs=1e-12)


def test_branch_is_held_where_it_is_stable():
    flux = np.array([-0.4, 0.0, 0.49, 0.51, 0.99, 1.0, 1.2])
    held = BARE.quarter_phase(flux, branch=0)
    np.testing.assert_allclose(held[:5], QUARTER * flux[:5], atol=1e-15)  # metastable above 0.5
    np.testing.assert_allclose(held[5:], QUARTER * (flux[5:] - 1), atol=1e-15)  # lost: ground branch
    # stability of the held branch in the circuit: smallest curvature of the three free phases is positive below 1 only
    for value, stable in ((0.51, True), (0.99, True), (1.01, False)):
        h, f = 1e-4, QUARTER * value
        curvatures = [
            (closed_energy(*(h * d), f) + closed_energy(*(-h * d), f) - 2 * closed_energy(0, 0, 0, f)) / h**2
            for d in np.eye(3)
        ]
        assert (min(curvatures) > 0) == stable


def test_ramp_has_memory():
    up = np.linspace(0, 1.3, 131)
    path = np.concatenate([up, up[::-1]])
    branch = follow_branch(path)
    assert set(branch[:100]) == {0}
    assert set(branch[100:131]) == {-1}
    coming_back = branch[131:]
    assert set(coming_back[up[::-1] > 1e-12]) == {-1}
    assert coming_back[-1] == 0  # at zero flux branch -1 has abs(F + n) = 1
    f_up, f_down = (BARE.quarter_phase(0.7, branch=n) for n in (0, -1))
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
    assert follow_branch(path, start).tolist() == expected
    f = BARE.quarter_phase(path, branch=expected)
    np.testing.assert_allclose(f, [QUARTER * (a + n) for a, n in zip(path, expected, strict=True)])


@pytest.mark.parametrize(("alpha", "drop"), [(2.05, 0.0), (1.95, 3.769e-3), (1.5, 0.395556)])
def test_shunts_above_two_leave_one_state(alpha, drop):
    """At two flux quanta the centre stops being the ground state when E_L falls below 4 E_J (L = L_J/4)."""
    f = float(SHUNTED.quarter_phase(2.0))
    centre = ring_energy([0, 0, 0, 0], f, alpha)
    assert centre - lowest_energy(f, alpha, np.random.default_rng(4), 8) == pytest.approx(drop, abs=1e-6)
    assert (SHUNTED.refused(numbers({"shunt_ratio": alpha})) is None) == (drop == 0.0)


@pytest.mark.parametrize("r", [0.1, 0.4])
def test_stray_arms_are_refused_where_the_centre_is_no_minimum(r):
    """Curvature by Z of the circuit at two flux quanta: positive above alpha = 2/(1 - r) only."""
    for factor in (0.98, 1.02):
        values = {"shunt_ratio": factor * 2 / (1 - r), "arm_inductance_ratio": r}
        curvature = curvature_z(float(STRAY.quarter_phase(2.0)), *of_circuit(values), h=1e-2)
        assert (STRAY.refused(numbers(values)) is None) == (curvature > 0) == (factor > 1)


def curvature_z(f, alpha, stray, h=0.05):
    e = [ring_energy(nodes_of(0, 0, s * h), f, alpha, stray) for s in (-2, -1, 0, 1, 2)]
    return (-e[0] + 16 * e[1] - 30 * e[2] + 16 * e[3] - e[4]) / (12 * h * h)


@pytest.mark.parametrize(("kind", "values"), CASES)
@pytest.mark.parametrize("flux", [0.3, -0.45, 0.8, 1.7])
def test_stiffness_current_and_bend_from_the_circuit(kind, values, flux):
    """Differences of the energy: order h^4 with h = 0.05, and 1e-12 of the minimisation over h^2."""
    if kind is BARE and abs(flux) > 0.5:
        flux -= np.round(flux)
    n, circuit = numbers(values), of_circuit(values)
    f = float(kind.quarter_phase(flux))
    for z in (0.0, 0.3, -0.6):
        matrix = stiffness_xy(f, z, *circuit)
        ahead, behind = (float(kind.arm_stiffness(np.array(f + x), n)) for x in (z, -z))
        shunt = float(kind.shunt(n))
        assert 0.5 * (ahead + behind) + shunt == pytest.approx(matrix[0, 0], abs=2e-5)
        assert 0.5 * (ahead + behind) + shunt == pytest.approx(matrix[1, 1], abs=2e-5)
        assert 0.5 * (ahead - behind) == pytest.approx(matrix[0, 1], abs=2e-5)
    assert kind.inductance_ratio(f, n) == pytest.approx(
        stiffness_xy(0.0, 0.0, *circuit)[0, 0] / stiffness_xy(f, 0.0, *circuit)[0, 0], rel=1e-5
    )
    assert kind.pump_inductance_ratio(f, n) == pytest.approx(
        curvature_z(0.0, *circuit) / curvature_z(f, *circuit), rel=1e-4
    )
    # four arms of phase f: dE/df = 4 sin q
    h = 1e-3
    slope = (ring_energy([0] * 4, f + h, *circuit) - ring_energy([0] * 4, f - h, *circuit)) / (8 * h)
    assert kind.circulating_current(np.array(f), n) == pytest.approx(slope, abs=1e-6)
    assert kind.sign(np.array(f), n) == np.sign(slope)
    second = [float(kind.arm_stiffness(np.array(f + s * h), n)) for s in (-1, 0, 1)]
    assert kind.arm_bend(np.array(f), n) == pytest.approx((second[0] - 2 * second[1] + second[2]) / h**2, abs=1e-5)


def test_stray_arms_without_any_are_the_shunted_ring():
    f = np.linspace(-7, 7, 101)
    n = numbers({"shunt_ratio": 3.0, "arm_inductance_ratio": 0.0})
    for name in ("arm_stiffness", "arm_bend", "circulating_current", "inductance_ratio", "pump_inductance_ratio"):
        np.testing.assert_allclose(getattr(STRAY, name)(f, n), getattr(SHUNTED, name)(f, n), atol=1e-14)


@given(st.floats(-300, 300), st.floats(0, 0.89))
@settings(deadline=None)
def test_phase_of_a_junction_behind_stray_inductance(f, r):
    q = STRAY.junction_phase(np.array(f), numbers({"shunt_ratio": 30.0, "arm_inductance_ratio": r}))
    assert q + r * np.sin(q) == pytest.approx(f, abs=1e-11)


@pytest.mark.parametrize("flux", [0.3, -0.45, 0.7, 1.6])
@pytest.mark.parametrize("sd", [1e-9, 0.05, 0.6])
@pytest.mark.parametrize("branch", [None, 0, 1])
@pytest.mark.parametrize("kind", [BARE, SHUNTED, STRAY])
def test_probability_of_a_positive_current(kind, branch, sd, flux):
    """Against a sum over a fine grid of a normal law's fluxes, each with the sign of its own current."""
    values = numbers({x.name: x.default for x in kind.fields})
    z = np.linspace(-8, 8, 160001)
    f = kind.quarter_phase(flux + sd * z, None if branch is None else np.full(z.shape, branch))
    weight = np.exp(-0.5 * z * z)
    expected = np.sum(weight * (np.sin(f) > 0)) / np.sum(weight)
    del values
    found = kind.positive_probability(np.array([flux]), sd, branch)
    assert found == pytest.approx([expected], abs=3e-4 if sd > 1e-6 else 1e-6)
    assert quad(lambda t: np.exp(-0.5 * t * t), -8, 8)[0] == pytest.approx(weight.sum() * 1e-4, rel=1e-6)


def test_tuning_range_of_an_ordinary_mode():
    """Participation ratio 0.1, alpha 3, 7 GHz at zero flux: tunes over about 0.3 GHz, as such devices do (common practice)."""
    f = SHUNTED.quarter_phase([0.0, 1.0, 2.0])
    frequency = SHUNTED.mode_frequency_hz(f, numbers({"shunt_ratio": 3.0}), 7e9, 0.1)
    # by hand: lam = 4/3 at one flux quantum and 2 at two, so 7/sqrt(31/30) and 7/sqrt(11/10)
    np.testing.assert_allclose(frequency, [7e9, 7e9 / np.sqrt(31 / 30), 7e9 / np.sqrt(1.1)], rtol=1e-14)
    np.testing.assert_allclose(frequency, [7e9, 6.886e9, 6.674e9], atol=0.5e6)


def test_no_state_no_number():
    with np.errstate(all="raise"):
        assert np.isnan(SHUNTED.inductance_ratio(np.pi, numbers({"shunt_ratio": 0.5})))
        assert np.isnan(SHUNTED.pump_inductance_ratio(np.pi, numbers({"shunt_ratio": 1.5})))
    assert SHUNTED.inductance_ratio(np.pi, numbers({"shunt_ratio": 1.5})) == pytest.approx(5.0)


@pytest.mark.parametrize("kind", ring_kinds())
def test_every_kind_keeps_its_promises(kind):
    """What the rest of the package relies on: even stiffness, odd current, period, sign in halves of it, defaults that hold."""
    n = kind.checked({x.name: np.array(x.default) for x in kind.fields})
    flux = np.linspace(0.013, 0.49, 23) * kind.period_phi0
    f = kind.quarter_phase(flux)
    np.testing.assert_allclose(kind.arm_stiffness(-f, n), kind.arm_stiffness(f, n), atol=1e-13)
    np.testing.assert_allclose(kind.circulating_current(-f, n), -kind.circulating_current(f, n), atol=1e-13)
    assert np.all(kind.sign(f, n) > 0)
    assert np.all(np.isfinite(kind.mode_frequency_hz(f, n, 7e9, 0.1)))
    assert kind.positive_probability(flux, 0.0) == pytest.approx(1.0)
    assert kind.positive_probability(-flux, 0.0) == pytest.approx(0.0)
    assert ring_kind(kind.name) is kind


def test_arguments_broadcast_and_stay_as_they_were():
    flux = np.linspace(-2, 2, 7)
    kept = flux.copy()
    n = {"shunt_ratio": np.array([[2.5], [3.0]]), "arm_inductance_ratio": np.array([[0.1], [0.0]])}
    for kind in (SHUNTED, STRAY):
        value = kind.inductance_ratio(kind.quarter_phase(flux), n)
        assert value.shape == (2, 7)
    np.testing.assert_array_equal(flux, kept)


class _Nameless(Ring):
    name = ""
    words = "nothing"

    def junction_phase(self, f, numbers):
        return f

    arm_stiffness = arm_bend = junction_phase


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (
            lambda: SHUNTED.checked(numbers({"shunt_ratio": -0.5})),
            "shunt_ratio: the shunt ratio L_J/(2L) must lie between 0 and 1e+06, got -0.5.",
        ),
        (
            lambda: SHUNTED.checked(numbers({"shunt_ratio": 1.5})),
            "shunted: a ring with L_J/(2L) = 1.5 leaves its symmetric state at some flux, which the model does not follow. "
            "Give a ratio above 2 (shunt inductance below a quarter of the Josephson inductance), or a bare ring.",
        ),
        (
            lambda: STRAY.checked(numbers({"shunt_ratio": 2.1, "arm_inductance_ratio": 0.1})),
            "stray arms: a ring with L_J/(2L) = 2.1 and stray inductances of 0.1 L_J in its arms leaves its symmetric state "
            "at some flux, which the model does not follow. Give a shunt ratio above 2/(1 - stray) = 2.222.",
        ),
        (
            lambda: BARE.checked(numbers({"shunt_ratio": 3.0})),
            "shunt_ratio: a ring (no shunts, latching) has no such number or lacks it: shunt ratio is not part of it. "
            "Give no numbers for this kind.",
        ),
        (
            lambda: BARE.quarter_phase(0.1, branch=[0, 0.5]),
            "branch: a branch is a whole number, got 0.5. "
            "Use ..., -1, 0, 1, ...: minus the number of flux quanta that the ring has let in.",
        ),
        (
            lambda: follow_branch([0.1, np.nan]),
            "flux_path_phi0: a flux ramp must be a plain list of finite numbers, got an array of shape (2,). "
            "Give one ramp at a time, in flux quanta.",
        ),
        (
            lambda: ring_kind("square"),
            'ring: there is no kind of ring called "square". Choose from bare, shunted, stray arms.',
        ),
        (
            lambda: register(_Nameless()),
            "a kind of ring without a name cannot be written in a study. Set its name.",
        ),
    ],
)
def test_messages(call, text):
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == text
