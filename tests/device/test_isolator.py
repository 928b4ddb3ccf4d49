"""The isolator kernel against independent descriptions of the same circuit.

1. Composition with scikit-rf's circuit solver: hybrid, two converters, idler link as separate networks.
2. Dense inversion of the four equations of motion with the link as boundary condition.
3. Values on resonance, derived for this project from 1 (no publication is claimed).
4. General laws: passivity; a lossless two-port has abs(S21) = abs(S12) (unitarity; Pozar, Microwave Engineering,
   4th ed., section 4.3, from memory).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fluxsense.base.errors import InputError
from fluxsense.device import isolator
from fluxsense.device.isolator import PORTS, hybrid_elements, isolator_scattering

HALF = np.sqrt(0.5)
HALF_CONVERSION = np.sqrt(2) - 1
KA, KB = 20e6, 34e6
S11, S21, S12, S22 = range(4)


def equal_stages(rho=HALF_CONVERSION, **changes):
    """Two equal stages on resonance at 7 GHz, terminated-hybrid link, pump phase +90 degrees."""
    values = {
        "signal_frequency_hz": 7e9,
        "idler_frequency_hz": 10e9,
        "signal_linewidth_hz": KA,
        "signal_internal_hz": 0.0,
        "idler_linewidth_hz": KB,
        "idler_internal_hz": 0.0,
        "coupling_hz": 0.5 * np.asarray(rho) * np.sqrt(KA * KB),
        "pump_frequency_hz": 3e9,
        "pump_phase_rad": np.pi / 2,
        "link": HALF,
        "hybrid_through": HALF,
        "hybrid_cross": 1j * HALF,
    }
    return {**values, **changes}


def line_stages(**changes):
    """Plain line between idlers that each have a termination of rate k_t; 2 g / sqrt(ka k_t) = 1."""
    terminated = 25e6
    return equal_stages(link=1.0, idler_internal_hz=terminated, coupling_hz=0.5 * np.sqrt(KA * terminated), **changes)


def random_rows(rng, n, spread_hz=1e7, full_link=False):
    """Unequal parameters of every kind, some rows with |z| = 1 exactly if asked for."""
    loss = rng.uniform(0, 2, n)
    through, cross = hybrid_elements(rng.normal(0, 1, n), rng.normal(0, 0.2, n), loss)
    size = rng.uniform(0, 1, n)
    if full_link:
        size[::2] = 1.0
    return {
        "signal_frequency_hz": 7e9 + rng.normal(0, spread_hz, (n, 2)),
        "idler_frequency_hz": 10e9 + rng.normal(0, spread_hz, (n, 2)),
        "signal_linewidth_hz": rng.uniform(1e7, 4e7, (n, 2)),
        "signal_internal_hz": rng.uniform(0, 3e6, (n, 2)) * (rng.random((n, 1)) < 0.7),
        "idler_linewidth_hz": rng.uniform(1e7, 4e7, (n, 2)),
        "idler_internal_hz": rng.uniform(0, 4e7, (n, 2)) * (rng.random((n, 1)) < 0.7),
        "coupling_hz": rng.normal(0, 1e7, (n, 2)),
        "pump_frequency_hz": 3e9 + rng.normal(0, spread_hz, n),
        "pump_phase_rad": rng.uniform(-np.pi, np.pi, n),
        "link": size * np.exp(1j * rng.uniform(-np.pi, np.pi, n)),
        "hybrid_through": through,
        "hybrid_cross": cross,
        "arm_1": 10 ** (-rng.uniform(0, 1, n) / 20) * np.exp(1j * rng.normal(0, 0.5, n)),
        "arm_2": 10 ** (-rng.uniform(0, 1, n) / 20) * np.exp(1j * rng.normal(0, 0.5, n)),
    }


def row(parameters, index):
    return {name: value[index : index + 1] for name, value in parameters.items()}


def converter_ports(parameters, frequency_hz, stage, pump_phase):
    """Signal and idler port of one converter with internal losses, from its own 2 x 2 equations of motion."""
    n = len(frequency_hz)
    ka, kb = (parameters[f"{m}_linewidth_hz"][:, stage] for m in ("signal", "idler"))
    la, lb = (parameters[f"{m}_internal_hz"][:, stage] for m in ("signal", "idler"))
    detuning_a = frequency_hz - parameters["signal_frequency_hz"][:, stage]
    detuning_b = frequency_hz + parameters["pump_frequency_hz"] - parameters["idler_frequency_hz"][:, stage]
    g = parameters["coupling_hz"][:, stage] * np.exp(1j * pump_phase)
    motion = np.empty((n, 2, 2), dtype=complex)
    motion[:, 0, 0] = (ka + la) / 2 - 1j * detuning_a
    motion[:, 1, 1] = (kb + lb) / 2 - 1j * detuning_b
    motion[:, 0, 1] = 1j * g
    motion[:, 1, 0] = 1j * np.conj(g)
    root = np.sqrt(np.stack([ka, kb], axis=-1))
    return np.eye(2) - root[:, :, None] * np.linalg.inv(motion) * root[:, None, :]


def composed(parameters, frequency_hz, converters):
    """scikit-rf joins four networks; the frequency axis of its networks carries the parameter sets."""
    import skrf
    from skrf.circuit import Circuit

    n = len(frequency_hz)
    axis = skrf.Frequency.from_f(np.arange(1, n + 1), unit="hz")
    hybrid = np.zeros((n, 4, 4), dtype=complex)  # ports: 0, 1 outside; 2, 3 towards converters 1, 2
    for i, j, value in (
        (0, 2, parameters["hybrid_through"]),
        (1, 3, parameters["hybrid_through"]),
        (0, 3, parameters["hybrid_cross"]),
        (1, 2, parameters["hybrid_cross"]),
    ):
        hybrid[:, i, j] = hybrid[:, j, i] = value
    link, arm_1, arm_2 = (np.zeros((n, 2, 2), dtype=complex) for _ in range(3))
    for path, name in ((link, "link"), (arm_1, "arm_1"), (arm_2, "arm_2")):
        path[:, 0, 1] = path[:, 1, 0] = parameters[name]
    matrices = {"hybrid": hybrid, "one": converters[0], "two": converters[1]}
    matrices |= {"link": link, "arm_1": arm_1, "arm_2": arm_2}
    parts = {name: skrf.Network(frequency=axis, s=s, z0=50, name=name) for name, s in matrices.items()}
    outside = [Circuit.Port(axis, f"port{k}", z0=50) for k in (1, 2)]
    circuit = Circuit(
        [
            [(outside[0], 0), (parts["hybrid"], 0)],
            [(outside[1], 0), (parts["hybrid"], 1)],
            [(parts["hybrid"], 2), (parts["arm_1"], 0)],
            [(parts["hybrid"], 3), (parts["arm_2"], 0)],
            [(parts["arm_1"], 1), (parts["one"], 0)],
            [(parts["arm_2"], 1), (parts["two"], 0)],
            [(parts["one"], 1), (parts["link"], 0)],
            [(parts["two"], 1), (parts["link"], 1)],
        ]
    )
    s = circuit.s_external
    return np.stack([s[:, 0, 0], s[:, 1, 0], s[:, 0, 1], s[:, 1, 1]], axis=1)


def own_frequency(parameters, frequency_hz, **keywords):
    """Kernel values with one frequency per row."""
    rows = [
        isolator_scattering([f], row(parameters, i), ports=PORTS, **keywords)[0, :, 0]
        for i, f in enumerate(frequency_hz)
    ]
    return np.array(rows)


def dense(parameters, frequency_hz):
    """Signal modes, idler modes and link solved as one linear system per row; then the hybrid."""
    out = []
    for i, f in enumerate(frequency_hz):
        p = {name: value[i] for name, value in parameters.items()}
        ka, kb = p["signal_linewidth_hz"], p["idler_linewidth_hz"]
        g = p["coupling_hz"] * np.exp(1j * np.array([0.0, p["pump_phase_rad"]]))
        root_a, root_b = np.diag(np.sqrt(ka)), np.diag(np.sqrt(kb))
        joined = np.array([[0, p["link"]], [p["link"], 0]])
        # unknowns: a (2), b (2), waves into the idlers (2)
        system = np.zeros((6, 6), dtype=complex)
        system[:2, :2] = np.diag((ka + p["signal_internal_hz"]) / 2 - 1j * (f - p["signal_frequency_hz"]))
        system[:2, 2:4] = 1j * np.diag(g)
        system[2:4, :2] = 1j * np.diag(g.conj())
        detuning_b = f + p["pump_frequency_hz"] - p["idler_frequency_hz"]
        system[2:4, 2:4] = np.diag((kb + p["idler_internal_hz"]) / 2 - 1j * detuning_b)
        system[2:4, 4:] = -root_b
        # in = z out of the other, out = in - sqrt(kb) b
        system[4:, 4:] = np.eye(2) - joined
        system[4:, 2:4] = joined @ root_b
        drive = np.zeros((6, 2), dtype=complex)
        drive[:2] = root_a
        inner = np.eye(2) - root_a @ np.linalg.solve(system, drive)[:2]
        hybrid = np.array([[p["hybrid_through"], p["hybrid_cross"]], [p["hybrid_cross"], p["hybrid_through"]]])
        arms = np.diag([p["arm_1"], p["arm_2"]])
        s = hybrid @ arms @ inner @ arms @ hybrid
        out.append([s[0, 0], s[1, 0], s[0, 1], s[1, 1]])
    return np.array(out)


def test_equals_a_circuit_composed_by_scikit_rf():
    rng = np.random.default_rng(11)
    parameters = random_rows(rng, 300)
    frequency = 7e9 + rng.normal(0, 1.5e7, 300)
    zero = np.zeros(300)
    converters = [
        converter_ports(parameters, frequency, 0, zero),
        converter_ports(parameters, frequency, 1, parameters["pump_phase_rad"]),
    ]
    expected = composed(parameters, frequency, converters)
    np.testing.assert_allclose(own_frequency(parameters, frequency), expected, rtol=0, atol=1e-12)
    # negative control: the pump phase on the other converter turns the pump round and must not agree
    converters = [
        converter_ports(parameters, frequency, 0, parameters["pump_phase_rad"]),
        converter_ports(parameters, frequency, 1, zero),
    ]
    assert np.max(np.abs(own_frequency(parameters, frequency) - composed(parameters, frequency, converters))) > 0.1


def test_converter_closed_form_fits_into_the_isolator():
    """Lossless converters in closed form (coupled-mode theory, equation 4.1), joined by scikit-rf."""
    rng = np.random.default_rng(12)
    n = 100
    parameters = random_rows(rng, n)
    parameters["signal_internal_hz"][:] = 0.0
    parameters["idler_internal_hz"][:] = 0.0
    frequency = 7e9 + rng.normal(0, 1.5e7, n)
    converters = []
    for stage, phase in ((0, np.zeros(n)), (1, parameters["pump_phase_rad"])):
        ka, kb = (parameters[f"{m}_linewidth_hz"][:, stage] for m in ("signal", "idler"))
        rho = 2 * parameters["coupling_hz"][:, stage] / np.sqrt(ka * kb)
        x_a = 1 - 2j * (frequency - parameters["signal_frequency_hz"][:, stage]) / ka
        x_b = 1 - 2j * (frequency + parameters["pump_frequency_hz"] - parameters["idler_frequency_hz"][:, stage]) / kb
        bottom = rho**2 + x_a * x_b
        r_a, r_b = (rho**2 - x_a.conj() * x_b) / bottom, (rho**2 - x_a * x_b.conj()) / bottom
        t_ab, t_ba = (2j * rho * np.exp(sense * 1j * phase) / bottom for sense in (1, -1))
        converters.append(np.moveaxis(np.array([[r_a, t_ab], [t_ba, r_b]]), -1, 0))
    expected = composed(parameters, frequency, converters)
    np.testing.assert_allclose(own_frequency(parameters, frequency), expected, rtol=0, atol=1e-12)


def test_equals_a_dense_solution_also_for_a_lossless_link():
    rng = np.random.default_rng(13)
    parameters = random_rows(rng, 200, full_link=True)
    frequency = 7e9 + rng.normal(0, 1.5e7, 200)
    found = own_frequency(parameters, frequency)
    # a link without loss between idlers without loss can be nearly singular in the dense form; 1e-11 covers it
    np.testing.assert_allclose(found, dense(parameters, frequency), rtol=0, atol=1e-11)
    wrong_sign = {**parameters, "pump_phase_rad": -parameters["pump_phase_rad"]}
    assert np.max(np.abs(found - dense(wrong_sign, frequency))) > 0.1


def test_wide_sweep_keeps_its_digits():
    """Modes 20 MHz wide anywhere in 600 MHz, swept over 2 GHz: polynomials must not lose the resonances."""
    rng = np.random.default_rng(14)
    parameters = random_rows(rng, 40, spread_hz=1.5e8)
    grid = np.linspace(6e9, 8e9, 1001)
    found = isolator_scattering(grid, parameters, ports=PORTS)
    for k in range(0, grid.size, 50):
        np.testing.assert_allclose(found[:, :, k], dense(parameters, np.full(40, grid[k])), rtol=0, atol=2e-11)


def test_terminated_hybrid_link_on_resonance():
    found = np.abs(isolator_scattering([7e9], equal_stages(), ports=PORTS))[0, :, 0]
    assert found[S21] == pytest.approx(2 * np.sqrt(2) / 3, abs=1e-14)
    assert 20 * np.log10(found[S21]) == pytest.approx(-0.5115252, abs=1e-7)
    np.testing.assert_allclose(found[[S11, S12, S22]], 0, atol=1e-14)


def test_terminated_line_on_resonance():
    found = np.abs(isolator_scattering([7e9], line_stages(), ports=PORTS))[0, :, 0]
    np.testing.assert_allclose(found, [0, 1, 0, 0], atol=1e-14)


@pytest.mark.parametrize("amplitude", [0.2, 0.5, HALF, 0.9])
@pytest.mark.parametrize("rho", [0.1, HALF_CONVERSION, 0.8])
def test_isolates_only_where_reflection_equals_the_link(amplitude, rho):
    reflected = (1 - rho**2) / (1 + rho**2)
    at = isolator_scattering([7e9], equal_stages(rho=rho, link=amplitude), ports=PORTS)[0, :, 0]
    converted = 2 * rho / (1 + rho**2)
    scale = 1 - amplitude**2 * reflected**2
    mean, crossing = reflected * (1 - amplitude**2) / scale, amplitude * converted**2 / scale
    np.testing.assert_allclose(np.abs(at), [0, mean + crossing, abs(mean - crossing), 0], atol=1e-14)
    # choose the coupling so that the reflection equals the link: perfect isolation, transmission 2 r/(1 + r^2)
    matched = np.sqrt((1 - amplitude) / (1 + amplitude))
    at = np.abs(isolator_scattering([7e9], equal_stages(rho=matched, link=amplitude), ports=PORTS))[0, :, 0]
    np.testing.assert_allclose(at, [0, 2 * amplitude / (1 + amplitude**2), 0, 0], atol=1e-14)


def test_no_isolation_at_full_conversion_or_with_a_lossless_link():
    full = np.abs(isolator_scattering([7e9], equal_stages(rho=1.0, link=0.6)))[0, :, 0]
    np.testing.assert_allclose(full, [0.6, 0.6], atol=1e-14)
    lossless = isolator_scattering([7e9], equal_stages(link=1.0), ports=PORTS)[0, :, 0]
    np.testing.assert_allclose(np.abs(lossless), [0, 1, 1, 0], atol=1e-14)
    assert lossless[S21] == pytest.approx(-lossless[S12], abs=1e-14)


def test_pump_off_is_transparent_and_needs_no_pump_frequency():
    for link in (HALF, 1.0, -1.0, 0.0, 1j):
        for idler_loss in (0.0, 25e6):
            rows = equal_stages(
                rho=0.0, link=link, idler_internal_hz=idler_loss, pump_frequency_hz=np.nan, pump_phase_rad=0.3
            )
            grid = np.linspace(6.9e9, 7.1e9, 41)
            found = isolator_scattering(grid, rows, ports=PORTS)[0]
            reflected = 1 - KA / (KA / 2 - 1j * (grid - 7e9))  # one-port resonator, twice through the hybrid
            np.testing.assert_allclose(found[S21], 1j * reflected, atol=1e-14)
            np.testing.assert_allclose(found[S12], 1j * reflected, atol=1e-14)
            np.testing.assert_allclose(found[[S11, S22]], 0, atol=1e-14)


def test_zero_coupling_is_the_limit_of_small_coupling():
    rng = np.random.default_rng(15)
    parameters = random_rows(rng, 50, full_link=True)
    grid = np.linspace(6.95e9, 7.05e9, 21)
    small = isolator_scattering(grid, {**parameters, "coupling_hz": np.full((50, 2), 1.0)}, ports=PORTS)
    none = isolator_scattering(grid, {**parameters, "coupling_hz": np.zeros((50, 2))}, ports=PORTS)
    # second order in g/k = 1e-7, enlarged where idlers without loss sit on a link without loss
    np.testing.assert_allclose(small, none, rtol=0, atol=1e-6)
    # one stage only: the other side's idler still hangs on the link
    single = {**parameters, "coupling_hz": parameters["coupling_hz"] * [1.0, 0.0]}
    frequency = 7e9 + rng.normal(0, 1.5e7, 50)
    np.testing.assert_allclose(own_frequency(single, frequency), dense(single, frequency), rtol=0, atol=1e-11)


def test_pump_phase_rules():
    plus, minus = (
        isolator_scattering([7e9], equal_stages(pump_phase_rad=sign * np.pi / 2), ports=PORTS)[0, :, 0]
        for sign in (1, -1)
    )
    np.testing.assert_allclose(minus, plus[[S11, S12, S21, S22]], atol=1e-14)
    for degrees, reflected in ((60, 0.2357), (0, 0.4714), (180, 0.4714)):
        at = isolator_scattering([7e9], equal_stages(pump_phase_rad=np.deg2rad(degrees)), ports=PORTS)[0, :, 0]
        assert abs(at[S11]) == pytest.approx(reflected, abs=5e-5)
    for degrees in (0, 180):
        at = isolator_scattering([7e9], equal_stages(pump_phase_rad=np.deg2rad(degrees)))[0, :, 0]
        assert at[0] == pytest.approx(at[1], abs=1e-14)
    # 90 degrees and no other isolates
    phases = np.deg2rad(np.arange(-180, 181, 15))
    back = np.abs(isolator_scattering([7e9], equal_stages(pump_phase_rad=phases))).min(axis=1)[:, 0]
    np.testing.assert_array_equal(np.flatnonzero(back < 0.01), np.flatnonzero(np.isclose(np.abs(phases), np.pi / 2)))


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_sign_rules(seed):
    """Detuned, lossy, unequal stages with a quadrature pump: reversing one stage swaps, reversing both keeps."""
    rng = np.random.default_rng(seed)
    parameters = random_rows(rng, 3)
    parameters["pump_phase_rad"][:] = np.pi / 2
    grid = np.linspace(6.96e9, 7.04e9, 9)

    def run(signs, port):
        changed = {
            **parameters,
            "coupling_hz": parameters["coupling_hz"] * signs,
            "pump_phase_rad": port * parameters["pump_phase_rad"],
        }
        return isolator_scattering(grid, changed)

    base = run([1, 1], 1)
    scale = np.abs(base).max()
    np.testing.assert_allclose(run([-1, -1], 1), base, rtol=0, atol=1e-13 * scale)
    for signs, port in (([-1, 1], 1), ([1, -1], 1), ([1, 1], -1)):
        # one sign turns theta by pi, and so +90 into -90: the same as the other pump port
        swapped = run(signs, port)[:, ::-1]
        # with H = [[t, c], [c, t]] the two directions exchange roles exactly when theta -> -theta
        np.testing.assert_allclose(swapped, base, rtol=0, atol=1e-12)


def test_a_hybrid_with_the_other_sign_reverses_the_device():
    other = np.abs(isolator_scattering([7e9], equal_stages(hybrid_cross=-1j * HALF)))[0, :, 0]
    np.testing.assert_allclose(other, [0, 2 * np.sqrt(2) / 3], atol=1e-14)


@given(
    st.integers(0, 2**32 - 1),
    st.floats(0, 3),
    st.floats(-3, 3),
    st.floats(-1.5, 1.5),
    st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_passive(seed, log_coupling, imbalance, phase_error, full_link):
    rng = np.random.default_rng(seed)
    parameters = random_rows(rng, 4, full_link=full_link)
    parameters["coupling_hz"] *= 10.0 ** (log_coupling - 1.5)
    parameters["hybrid_through"], parameters["hybrid_cross"] = hybrid_elements(
        np.full(4, imbalance), np.full(4, phase_error)
    )
    s = isolator_scattering(np.linspace(6.9e9, 7.1e9, 33), parameters, ports=PORTS)
    matrices = np.moveaxis(s, 1, -1).reshape(4, 33, 2, 2)  # order 11, 21, 12, 22: transposed, same singular values
    assert np.linalg.norm(matrices, ord=2, axis=(-2, -1)).max() <= 1 + 1e-11


def test_lossless_device_is_unitary_and_cannot_isolate():
    rng = np.random.default_rng(16)
    parameters = random_rows(rng, 30)
    for name in ("signal_internal_hz", "idler_internal_hz"):
        parameters[name][:] = 0.0
    for name in ("link", "arm_1", "arm_2"):
        parameters[name] /= np.abs(parameters[name])
    parameters["hybrid_through"], parameters["hybrid_cross"] = hybrid_elements(rng.normal(0, 1, 30))
    s = isolator_scattering(np.linspace(6.95e9, 7.05e9, 51), parameters, ports=PORTS)
    np.testing.assert_allclose(np.abs(s[:, S21]), np.abs(s[:, S12]), atol=1e-11)
    matrices = np.moveaxis(s, 1, -1).reshape(30, 51, 2, 2)
    products = matrices @ matrices.conj().swapaxes(-1, -2)
    np.testing.assert_allclose(products, np.broadcast_to(np.eye(2), products.shape), atol=1e-11)
    # negative control: a link that absorbs breaks both
    parameters["link"] *= 0.7
    s = isolator_scattering(np.linspace(6.95e9, 7.05e9, 51), parameters, ports=PORTS)
    assert np.max(np.abs(np.abs(s[:, S21]) - np.abs(s[:, S12]))) > 0.1


@pytest.mark.parametrize("points", [1, 7, 201])
def test_batch_equals_loop(points):
    parameters = random_rows(np.random.default_rng(17), 150)
    grid = np.linspace(6.9e9, 7.1e9, points)
    whole = isolator_scattering(grid, parameters, ports=PORTS)
    assert whole.shape == (150, 4, points)
    loop = np.concatenate([isolator_scattering(grid, row(parameters, i), ports=PORTS) for i in range(150)])
    np.testing.assert_allclose(whole, loop, rtol=0, atol=1e-12)
    for block_rows in (1, 13, 149, 1000):
        blocks = isolator_scattering(grid, parameters, ports=PORTS, block_rows=block_rows)
        np.testing.assert_allclose(blocks, whole, rtol=0, atol=1e-12)


def test_a_sweep_longer_than_a_block():
    parameters = random_rows(np.random.default_rng(18), 2)
    grid = np.linspace(6.9e9, 7.1e9, isolator.POINTS_PER_BLOCK + 777)
    whole = isolator_scattering(grid, parameters)
    assert whole.shape == (2, 2, grid.size)
    some = np.r_[0:5, isolator.POINTS_PER_BLOCK - 2 : isolator.POINTS_PER_BLOCK + 2, grid.size - 3 : grid.size]
    np.testing.assert_allclose(whole[..., some], isolator_scattering(grid[some], parameters), rtol=0, atol=1e-12)


def test_ports_come_in_the_order_asked_for():
    parameters = random_rows(np.random.default_rng(19), 5)
    grid = np.linspace(6.95e9, 7.05e9, 11)
    everything = isolator_scattering(grid, parameters, ports=PORTS)
    for ports in (("21", "12"), ("12",), ("22", "21", "11"), ("12", "21", "21"), ("11", "11")):
        found = isolator_scattering(grid, parameters, ports=ports)
        np.testing.assert_allclose(found, everything[:, [PORTS.index(p) for p in ports]], rtol=0, atol=1e-15)


def test_arguments_broadcast_and_stay_as_they_were():
    parameters = random_rows(np.random.default_rng(20), 6)
    parameters["coupling_hz"][2] = 0.0
    kept = {name: value.copy() for name, value in parameters.items()}
    grid = np.linspace(6.95e9, 7.05e9, 5)
    isolator_scattering(grid, parameters)
    for name, value in parameters.items():
        np.testing.assert_array_equal(value, kept[name])
    mixed = {
        **parameters,
        "signal_frequency_hz": [7e9, 7.01e9],
        "idler_frequency_hz": 10e9,
        "signal_linewidth_hz": np.full((6, 1), 2e7),
        "idler_linewidth_hz": np.array([[2e7, 3e7]]),
        "link": HALF,
    }
    full = {
        **mixed,
        "signal_frequency_hz": np.tile([7e9, 7.01e9], (6, 1)),
        "idler_frequency_hz": np.full((6, 2), 10e9),
        "signal_linewidth_hz": np.full((6, 2), 2e7),
        "idler_linewidth_hz": np.tile([2e7, 3e7], (6, 1)),
        "link": np.full(6, HALF),
    }
    np.testing.assert_array_equal(isolator_scattering(grid, mixed), isolator_scattering(grid, full))
    for name, value in parameters.items():
        np.testing.assert_array_equal(value, kept[name])
    assert isolator_scattering(np.array([]), parameters).shape == (6, 2, 0)
    nothing = {name: value[:0] for name, value in parameters.items()}
    assert isolator_scattering(grid, nothing).shape == (0, 2, 5)


def test_hybrid_elements():
    through, cross = hybrid_elements()
    assert through == pytest.approx(HALF)
    assert cross == pytest.approx(1j * HALF)
    through, cross = hybrid_elements(0.8, 0.0, 0.3)
    assert 20 * np.log10(abs(through / cross)) == pytest.approx(0.8)
    assert -10 * np.log10(abs(through) ** 2 + abs(cross) ** 2) == pytest.approx(0.3)
    through, cross = hybrid_elements(0.0, np.deg2rad(4.0))
    assert np.angle(cross / through, deg=True) == pytest.approx(94.0)
    # the phase error alone costs loss: the larger singular value of H is 1 and no more
    assert np.linalg.norm(np.array([[through, cross], [cross, through]]), ord=2) == pytest.approx(1.0)


@given(st.floats(-20, 20), st.floats(-3.2, 3.2), st.floats(0, 10))
@settings(deadline=None)
def test_hybrid_is_passive_with_the_ratio_and_phase_asked_for(imbalance, error, loss):
    through, cross = hybrid_elements(imbalance, error, loss)
    assert np.linalg.norm(np.array([[through, cross], [cross, through]]), ord=2) == pytest.approx(10 ** (-loss / 20))
    assert 20 * np.log10(abs(through / cross)) == pytest.approx(imbalance, abs=1e-12)
    assert cross / through / abs(cross / through) == pytest.approx(1j * np.exp(1j * error), abs=1e-12)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        (
            {"coupling_hz": np.ones((3, 2)), "link": np.ones(4)},
            "link: shape (4,) does not fit (n,) with n = 3 from coupling_hz. "
            "Rows are parameter sets or settings; the last axis of a pair is converter 1 and 2.",
        ),
        (
            {"signal_frequency_hz": np.full(3, 7e9)},
            "signal_frequency_hz: shape (3,) does not fit (n, 2). "
            "Rows are parameter sets or settings; the last axis of a pair is converter 1 and 2.",
        ),
        ({"coupling_hz": [1e6, np.nan]}, "coupling_hz: a value is not finite."),
        ({"pump_phase_rad": np.inf}, "pump_phase_rad: a value is not finite."),
        ({"signal_linewidth_hz": [1e7, 0.0]}, "signal_linewidth_hz: a linewidth must be positive, got 0 Hz."),
        ({"idler_internal_hz": -1e3}, "idler_internal_hz: a loss rate cannot be negative, got -1000 Hz."),
        (
            {"link": 1.2j},
            "link: a link cannot amplify, got an amplitude of 1.2. Use a complex amplitude of magnitude 1 or less.",
        ),
        (
            {"pump_frequency_hz": np.nan},
            "pump_frequency_hz: a pump frequency is not finite although its coupling is not zero. "
            "Give the pump's frequency, or a coupling of 0 for pump-off rows.",
        ),
        ({"ports": ("21", "31")}, "ports: unknown port pair '31'. Choose from 11, 21, 12, 22."),
        ({"ports": ()}, "ports: no port pair asked for. Choose from 11, 21, 12, 22."),
        ({"block_rows": 0}, "block_rows: a block needs at least one row, got 0."),
    ],
)
def test_messages(changes, text):
    options = {key: value for key, value in changes.items() if key in ("ports", "block_rows")}
    rows = {**equal_stages(), **{key: value for key, value in changes.items() if key not in options}}
    with pytest.raises(InputError) as caught:
        isolator_scattering([7e9], rows, **options)
    assert str(caught.value) == text


def test_messages_of_grid_and_hybrid():
    with pytest.raises(InputError, match="one frequency axis is expected, got shape"):
        isolator_scattering([[7e9]], equal_stages())
    with pytest.raises(InputError, match="frequency_hz: a frequency is not finite"):
        isolator_scattering([7e9, np.nan], equal_stages())
    with pytest.raises(InputError, match=r"loss_db: a passive hybrid cannot have gain, got a loss of -1 dB\."):
        hybrid_elements(loss_db=-1.0)
    with pytest.raises(InputError, match="imbalance_db: a value is not finite"):
        hybrid_elements(imbalance_db=np.nan)
