"""The chip model: from a study and a batch of parameters to scattering parameters."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fluxsense.base.constants import FLUX_QUANTUM_WB, MAGNETIC_CONSTANT_N_A2
from fluxsense.base.errors import InputError, ModelError
from fluxsense.device.chip import (
    ChipModel,
    Probe,
    check_geometry,
    loop_indices,
    loop_outlines_m,
    matched_pump_frequency_hz,
    mutual_matrix_phi0_per_a,
    nominal_parameters,
    off_probe,
    setting_probe,
    source_extent_m,
    study_flux_map,
)
from fluxsense.device.isolator import isolator_scattering
from fluxsense.magnetics.extent import DEFAULT_PART, SECOND_MOMENTS
from fluxsense.study import Chip, Coil, State, read_study

DEMO = Path(__file__).parents[2] / "data_demo" / "grain" / "study.toml"
PORTS = ("11", "21", "12", "22")


@pytest.fixture(scope="module")
def demo():
    return read_study(DEMO)


def ideal(study, link="hybrid"):
    """Two equal lossless stages on the first isolator, each loop with a bias line of its own at 1 Phi0/mA."""
    first = study.isolators[0]
    if link == "hybrid":
        # half and half per converter: 2 g / sqrt(ka kb) = sqrt(2) - 1
        coupling, termination, amplitude = 0.5 * (np.sqrt(2) - 1) * np.sqrt(40e6 * 60e6), 0.0, np.sqrt(0.5)
    else:
        # 2 g / sqrt(ka k_t) = 1
        coupling, termination, amplitude = 0.5 * np.sqrt(40e6 * 50e6), 50e6, 1.0
    stages = tuple(
        replace(
            stage,
            signal_frequency_hz=5e9, signal_linewidth_hz=40e6, signal_internal_hz=0.0,
            idler_frequency_hz=7.35e9, idler_linewidth_hz=60e6, idler_internal_hz=0.0,
            idler_termination_hz=termination, coupling_hz=coupling,
        )
        for stage in first.stages
    )  # fmt: skip
    isolator = replace(
        first, stages=stages, link_kind=link, link_amplitude=amplitude, link_phase_rad=0.0,
        hybrid_imbalance_db=0.0, hybrid_loss_db=0.0, hybrid_phase_error_rad=0.0,
    )  # fmt: skip
    lines = tuple(
        replace(x, name=stage.loop, mutual_phi0_per_a=((stage.loop, 1e3),))
        for x, stage in zip(study.bias_lines[:2], stages, strict=True)
    )
    return replace(study, isolators=(isolator,), bias_lines=lines, settings=())


def probe(study, bias=(5e-4, 5e-4), port=1, **changes):
    pump = matched_pump_frequency_hz(study, 0, bias)
    usual = Probe(0, True, port, None, 1e-9, pump, tuple(bias), 0, 0)
    return replace(usual, **changes)


def on_resonance(study, bias, **changes):
    """|S| for the ports 11, 21, 12, 22 at the frequency of the signal mode under its pump, source out."""
    one = probe(study, bias, **changes)
    model, parameters = ChipModel(study, [one], [[5e9]]), nominal_parameters(study)
    at = model.rates(parameters, 0, model.probe_flux(parameters, 0)).signal_hz[0, 0, 0]
    return np.abs(ChipModel(study, [one], [[at]]).scattering(parameters, 0, PORTS)[0, 0, :, 0])


def test_modes_that_moved_between_cooldowns(demo):
    """All modes moved alike are the sweep moved the other way; probes of the first cooldown stay."""
    on = setting_probe(demo, 0, 0, 0)
    probes = [on, replace(on, cooldown=1), off_probe(replace(on, cooldown=1))]
    grid = np.linspace(4.95e9, 5.05e9, 11)
    change = np.zeros((1, len(demo.isolators), 2, 2, 2))
    change[0, 0, 1] = 3e6
    at = nominal_parameters(demo, (3e-14, -2e-14, 5e-14), cooldowns=2)
    model = ChipModel(demo, probes, [grid] * len(demo.isolators))
    lower = ChipModel(demo, probes, [grid - 3e6] * len(demo.isolators))
    s, still = model.scattering(at.changed(mode_change_hz=change), 0)[0], model.scattering(at, 0)[0]
    np.testing.assert_allclose(s[0], still[0], rtol=0, atol=1e-14)
    np.testing.assert_allclose(s[1:], lower.scattering(at, 0)[0, 1:], rtol=0, atol=1e-12)
    change[0, 0, 1] = [[3e6, 0], [0, 0]]  # one mode of one converter: the law of the isolator itself
    flux = model.probe_flux(at, 0)
    rows = model.kernel_rows(at, 0, flux)
    rows["signal_frequency_hz"] = rows["signal_frequency_hz"] + np.array([[0, 0], [3e6, 0], [3e6, 0]])
    found = model.scattering(at.changed(mode_change_hz=change), 0)[0]
    np.testing.assert_allclose(found, isolator_scattering(grid, rows, ("21", "12")), rtol=0, atol=1e-12)


def random_parameters(study, rng, batch, cooldowns=1):
    base = nominal_parameters(study, 3e-14 * rng.standard_normal((batch, 3)), cooldowns)
    stage = {
        "coupling_hz": 1e7 * (1 + 0.1 * rng.standard_normal((batch, len(study.isolators), 2))),
        "signal_participation": rng.uniform(0.05, 0.15, (batch, len(study.isolators), 2)),
    }
    return base.changed(
        position_m=base["position_m"] + 1e-7 * rng.standard_normal((batch, 3)),
        offset_phi0=0.02 * rng.standard_normal(base["offset_phi0"].shape),
        flux_focusing=1 + 0.05 * rng.standard_normal(base["flux_focusing"].shape),
        pump_strength=1 + 0.05 * rng.standard_normal(base["pump_strength"].shape),
        pump_phase_error_rad=0.05 * rng.standard_normal(base["pump_phase_error_rad"].shape),
        **stage,
    )


# ---------------------------------------------------------------- the direction of transmission

FLUX = [(a, b) for a in (0.5, -0.5) for b in (0.5, -0.5)]


@pytest.mark.parametrize(("first", "second"), FLUX)
@pytest.mark.parametrize("port", [1, 2])
@pytest.mark.parametrize("link", ["hybrid", "line"])
def test_direction_follows_the_product_of_the_signs(demo, first, second, port, link):
    # one flux reversed swaps the direction, both reversed keep it, the other pump port swaps it
    s11, s21, s12, s22 = on_resonance(ideal(demo, link), (first * 1e-3, second * 1e-3), port=port)
    forward, backward = (s21, s12) if (first * second > 0) == (port == 1) else (s12, s21)
    # equal stages at half conversion: 2 sqrt(2)/3 for the terminated hybrid, 1 for the terminated line (closed forms)
    assert forward == pytest.approx(2 * np.sqrt(2) / 3 if link == "hybrid" else 1.0, abs=1e-9)
    assert max(backward, s11, s22) < 1e-9


def test_wiring_of_the_ports_swaps_the_direction(demo):
    study = ideal(demo)
    one = probe(study)
    grid = [np.linspace(4.9e9, 5.05e9, 31)]
    there = ChipModel(study, [one], grid, [1]).scattering(nominal_parameters(study), 0, PORTS)
    back = ChipModel(study, [one], grid, [-1]).scattering(nominal_parameters(study), 0, PORTS)
    other = ChipModel(study, [replace(one, pump_port=2)], grid, [1]).scattering(nominal_parameters(study), 0, PORTS)
    np.testing.assert_allclose(there, back[:, :, [0, 2, 1, 3]], atol=1e-13)  # equal stages
    np.testing.assert_allclose(back, other, atol=1e-15)
    stated = replace(study, isolators=(replace(study.isolators[0], pump_port_1_sign=-1),))
    np.testing.assert_allclose(ChipModel(stated, [one], grid).scattering(nominal_parameters(study), 0, PORTS), back)


def test_free_pump_phase(demo):
    study = ideal(demo)
    free = on_resonance(study, (5e-4, 5e-4), port=None, pump_phase_rad=np.pi / 2)
    np.testing.assert_allclose(free, on_resonance(study, (5e-4, 5e-4)), atol=1e-12)
    reciprocal = on_resonance(study, (5e-4, 5e-4), port=None, pump_phase_rad=0.0)
    assert reciprocal[1] == pytest.approx(reciprocal[2], abs=1e-12)
    assert reciprocal[0] == pytest.approx(np.sqrt(2) / 3, abs=1e-9)  # closed form: |S11| = 0.4714 at 0


def test_pump_off_passes_both_ways(demo):
    study = ideal(demo)
    one = off_probe(probe(study))
    s = ChipModel(study, [one], [np.linspace(4.9e9, 5.1e9, 11)]).scattering(nominal_parameters(study), 0, PORTS)[0, 0]
    np.testing.assert_allclose(np.abs(s[1:3]), 1.0, atol=1e-12)
    np.testing.assert_allclose(s[[0, 3]], 0.0, atol=1e-12)
    np.testing.assert_array_equal(s[1], s[2])


def test_source_flips_the_direction(demo):
    # a uniform field that takes one loop from -0.1 to +0.1 Phi0 and leaves the other above zero
    study = ideal(demo)
    study = replace(study, source=replace(study.source, kind="uniform_field"))
    areas = np.array([np.ptp(x[:, 0]) * np.ptp(x[:, 1]) for x in loop_outlines_m(study)])[loop_indices(study)[0]]
    field = 0.2 * FLUX_QUANTUM_WB / areas[0]
    one = [probe(study, (-1e-4, 2e-4), state=n) for n in range(2)]
    model = ChipModel(study, one, [np.linspace(4.997e9, 4.9995e9, 5)])
    parameters = nominal_parameters(study, (0.0, 0.0, field))
    np.testing.assert_allclose(
        model.probe_flux(parameters, 0)[0], [[-0.1, 0.2], [0.1, 0.2 + 0.2 * areas[1] / areas[0]]], atol=1e-9
    )
    s = np.abs(model.scattering(parameters, 0)[0])
    assert np.all(s[0, 1] > s[0, 0])  # source out: 12 passes
    assert np.all(s[1, 0] > s[1, 1])  # source in: 21 passes
    # with both fluxes negative nothing can be told: v and -v look alike at zero bias
    silent = [probe(study, (0.0, 0.0), state=1)]
    blind = ChipModel(study, silent, [np.linspace(4.997e9, 4.9995e9, 5)])
    plus, minus = (blind.scattering(nominal_parameters(study, (0, 0, sign * field)), 0) for sign in (1, -1))
    np.testing.assert_allclose(plus, minus, atol=1e-13)


# ---------------------------------------------------------------- flux


def test_known_flux_of_a_field_with_bias_and_offset(demo):
    # flux = M I + offset + B . area, by hand; the near east loop is a square of 12 um with its normal along z
    study = replace(demo, source=replace(demo.source, kind="uniform_field"))
    bias = tuple(1e-4 * (n + 1) for n in range(8))
    one = [Probe(0, True, 1, None, 1e-9, 2.3e9, bias, state, 1) for state in range(2)]
    model = ChipModel(study, one, [[5e9]] * 4)
    parameters = nominal_parameters(study, (3e-6, -2e-6, 5e-6), cooldowns=2)
    parameters["offset_phi0"][0, 1, :2] = 0.011, -0.013
    parameters["flux_focusing"][0, :2] = 1.1, 0.9
    near = 1e-4 * (1 * 600 + 2 * 18 + 7 * 3) + 0.011
    far = 1e-4 * (1 * 18 + 2 * 600 + 8 * 3) - 0.013
    shift = 5e-6 / FLUX_QUANTUM_WB * np.array([1.1 * (12e-6) ** 2, 0.9 * (14e-6) ** 2])
    flux = model.probe_flux(parameters, 0)[0]
    np.testing.assert_allclose(flux, [[near, far], [near + shift[0], far + shift[1]]], rtol=1e-12)


def test_dipole_far_away_is_a_uniform_field(demo):
    # field of a dipole on its axis, mu0 m / (2 pi z^3) (textbook); corrections of order (chip/z)^2
    height = 0.1
    study = replace(demo, source=replace(demo.source, position_m=(0.0, 0.0, height)))
    rows = study_flux_map(study)
    field = MAGNETIC_CONSTANT_N_A2 / (2 * np.pi * height**3)
    np.testing.assert_allclose(rows[:2, 2], field / FLUX_QUANTUM_WB * np.array([144e-12, 196e-12]), rtol=1e-6)
    model = ChipModel(study, [], [[5e9]] * 4)
    np.testing.assert_allclose(model.source_rows.plain(np.array([study.source.position_m]))[0], rows, rtol=1e-14)


def test_bias_cross_talk(demo):
    matrix = mutual_matrix_phi0_per_a(demo)
    names = [x.name for x in demo.loops]
    assert matrix.shape == (8, 8)
    assert matrix[names.index("east_near"), 0] == 600
    assert matrix[names.index("east_far"), 0] == 18
    assert matrix[names.index("north_near"), 0] == 6
    assert matrix[names.index("west_far"), 0] == 0
    # turning up one line moves every loop that it reaches, through the probe's table
    bias = [0.0] * 8
    bias[0] = 1e-3
    probes = [Probe(i, True, 1, None, 1e-9, 2.3e9, tuple(bias), 0, 0) for i in range(4)]
    model = ChipModel(demo, probes, [[5e9]] * 4)
    flux = [model.probe_flux(nominal_parameters(demo), i)[0, 0] for i in range(4)]
    np.testing.assert_allclose(flux, [[0.6, 0.018], [0.006, 0], [0, 0], [0, 0]], atol=1e-15)


def test_states(demo):
    # out: nothing; in: T v; turned: T R v; calibration: the known field or coil, whatever the source is
    coil = Coil("ring", tuple((2e-3 * x, 2e-3 * y, 1e-3) for x, y in [(-1, -1), (1, -1), (1, 1), (-1, 1)]))
    turn = ((0.0, -1.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    states = (
        State("out", "out"), State("in", "in"), State("turned", "turned", rotation=turn),
        State("field", "calibration", field_t=(0.0, 0.0, 1e-6)), State("coil", "calibration", coil="ring", current_a=2e-3),
    )  # fmt: skip
    study = replace(demo, states=states, coils=(coil,))
    model = ChipModel(study, [], [[5e9]] * 4)
    v = np.array([1e-14, 2e-14, -3e-14])
    flux = model.source_flux(nominal_parameters(study, v))[0]
    rows = study_flux_map(study)
    np.testing.assert_array_equal(flux[0], 0.0)
    np.testing.assert_allclose(flux[1], rows @ v, rtol=1e-12)
    np.testing.assert_allclose(flux[2], rows @ [-2e-14, 1e-14, -3e-14], rtol=1e-12)
    np.testing.assert_allclose(flux[3, :2], 1e-6 * np.array([144e-12, 196e-12]) / FLUX_QUANTUM_WB, rtol=1e-12)
    # square coil of side 2 a on its axis at distance h: B = 2 mu0 I a^2 / (pi (a^2 + h^2) sqrt(2 a^2 + h^2)) (Biot-Savart)
    a, h = 2e-3, 1e-3
    b = 2 * MAGNETIC_CONSTANT_N_A2 * 2e-3 * a**2 / (np.pi * (a**2 + h**2) * np.sqrt(2 * a**2 + h**2))
    # the loops lie within 1% of the coil's size of its axis
    np.testing.assert_allclose(flux[4, :2], b * np.array([144e-12, 196e-12]) / FLUX_QUANTUM_WB, rtol=1e-3)
    other = model.source_flux(nominal_parameters(study, -7 * v))[0]
    np.testing.assert_array_equal(other[3:], flux[3:])


def test_second_moments_turn_with_the_source(demo):
    """In every state the flux of a rod of the package's own, turned as a whole, less the next order: (2/12)^2 of what is added.

    The rod is averaged over its length, the second moments are a derivative: two routes.
    """
    rotation = ((0.36, 0.48, -0.8), (-0.8, 0.6, 0.0), (0.48, 0.64, 0.6))
    states = (State("in", "in"), State("out", "out"), State("turned", "turned", rotation=rotation))
    study = replace(demo, states=states)
    axis, v, length = np.array([2 / 3, -1 / 3, 2 / 3]), np.array([1e-14, 2e-14, -3e-14]), 2e-6
    model, point = ChipModel(study, [], [[5e9]] * 4), nominal_parameters(study, np.stack([v, v]))
    c = np.einsum("...ij,aij->...a", length**2 / 12 * np.outer(axis, axis), SECOND_MOMENTS)
    flux = model.source_flux(point.changed(source_second_moments_m2=np.stack([np.zeros(5), c])))
    np.testing.assert_array_equal(flux[0], model.source_flux(point)[0])
    np.testing.assert_array_equal(flux[:, 1], 0.0)
    for state, turn in ((0, np.eye(3)), (2, np.array(rotation))):
        numbers = (("length_m", length), ("axis", tuple(turn @ axis)))
        rod = study_flux_map(replace(study, source=replace(study.source, kind="rod", numbers=numbers))) @ (turn @ v)
        added = flux[1, state] - flux[0, state]
        np.testing.assert_allclose(rod - flux[0, state], added, atol=0.02 * np.abs(added).max())
    slopes = model.source_rows.by_moments(point["position_m"])  # linear in the five
    np.testing.assert_allclose(np.einsum("a,aslk,k->sl", c, slopes[0], v), flux[1] - flux[0], rtol=1e-9, atol=1e-15)


def test_extent_as_stated_or_a_part_of_the_distance(demo):
    # 12 um above the plane; the nearest wires are the near loops' inner sides, 5.28 um out: hypot(12, 5.28)
    assert source_extent_m(demo) == 0.0
    unstated = replace(demo, source=replace(demo.source, extent_m=None))
    assert source_extent_m(unstated) == pytest.approx(DEFAULT_PART * np.hypot(12e-6, 5.28e-6), rel=1e-9)
    assert source_extent_m(replace(demo, source=replace(demo.source, extent_m=3e-6))) == 3e-6
    assert source_extent_m(replace(unstated, source=replace(unstated.source, kind="uniform_field"))) == 0.0
    sphere = replace(unstated.source, kind="sphere", numbers=(("radius_m", 2e-6),))
    assert source_extent_m(replace(unstated, source=sphere)) == 0.0


def test_chip_standing_on_edge(demo):
    # normal of x cross y = y cross z = x: only the field along x threads the loops
    study = replace(
        demo,
        source=replace(demo.source, kind="uniform_field"),
        chips=(Chip("plate", (1e-3, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),),
    )
    np.testing.assert_allclose(study_flux_map(study)[0], [144e-12 / FLUX_QUANTUM_WB, 0, 0], rtol=1e-9, atol=1e-12)


def test_matched_pump_frequency(demo):
    # by hand without a pump: w0/sqrt(1 + p (lam - 1)), lam = (1 + a)/(cos f + a), f = (pi/2) flux, at the flux of the bias
    bias = demo.settings[0].bias_a
    flux = mutual_matrix_phi0_per_a(demo)[:2] @ bias
    gaps = []
    for one, stage in zip(flux, demo.isolators[0].stages, strict=True):
        pull = 1 / np.sqrt(1 + 0.1 * (4 / (np.cos(0.5 * np.pi * one) + 3) - 1))
        gaps.append((stage.idler_frequency_hz - stage.signal_frequency_hz) * pull)
    assert matched_pump_frequency_hz(demo, 0, bias, 0.0) == pytest.approx(np.mean(gaps), rel=1e-12)
    # with it: at half a flux quantum and this coupling the idler moves 0.883 MHz further down than the signal if both
    # participation ratios are 0.1 there (Floquet analysis); here they are 0.1 lam/(1 + 0.1 (lam - 1)) = 0.107, and the shift
    # at a stated coupling goes as one over them
    moved = matched_pump_frequency_hz(demo, 0, bias) - np.mean(gaps)
    assert moved / 1e6 == pytest.approx(-0.883 / 1.07, abs=0.02)
    assert setting_probe(demo, 0, 0, 1).pump_frequency_hz == pytest.approx(np.mean(gaps) + moved, rel=1e-12)
    # at the matched frequency the mean detuning of the pumped modes vanishes
    one = setting_probe(demo, 0, 0, 0)
    model = ChipModel(demo, [one], [[5e9]] * 4)
    rates = model.rates(nominal_parameters(demo), 0, model.probe_flux(nominal_parameters(demo), 0))
    assert np.mean(rates.idler_hz - rates.signal_hz) == pytest.approx(one.pump_frequency_hz, rel=1e-12)


def test_coupling_at_the_reference_flux_is_the_stated_one(demo):
    study = ideal(demo)
    model = ChipModel(study, [probe(study)], [[5e9]])
    flux = np.array([[[0.5, -0.5]]])
    stated = study.isolators[0].stages[0].coupling_hz
    np.testing.assert_allclose(
        model.couplings_hz(nominal_parameters(study), 0, flux)[0, 0], [stated, -stated], rtol=1e-12
    )


def test_coupling_grows_with_the_current(demo):
    study = ideal(demo)
    grid = [np.linspace(4.9e9, 5.05e9, 9)]
    one = probe(study)
    strong = ChipModel(study, [replace(one, pump_power_w=4e-9)], grid).scattering(nominal_parameters(study), 0)
    parameters = nominal_parameters(study).changed(pump_strength=np.full((1, 1), 2.0))
    model = ChipModel(study, [one], grid)
    np.testing.assert_allclose(model.scattering(parameters, 0), strong, atol=1e-13)
    flux = np.full((1, 1, 2), 0.5)
    usual, double = (model.rates(x, 0, flux).coupling_hz[0, 0, 0] for x in (nominal_parameters(study), parameters))
    # swings of 0.2 and 0.353 rad couple by 5.800 and 10.264 MHz (Floquet analysis): nearly, not quite, as the current
    weak = nominal_parameters(study).changed(pump_strength=np.full((1, 1), 0.2 / 0.353))
    assert model.rates(weak, 0, flux).coupling_hz[0, 0, 0] / usual == pytest.approx(5.800 / 10.264, rel=2e-3)
    assert double / usual != pytest.approx(2, rel=4e-3)


def test_a_coupling_that_no_pump_makes(demo):
    study = ideal(demo)
    stages = tuple(replace(s, coupling_hz=80e6) for s in study.isolators[0].stages)
    wrong = replace(study, isolators=(replace(study.isolators[0], stages=stages),))
    with pytest.raises(InputError) as caught:
        matched_pump_frequency_hz(wrong, 0, (5e-4, 5e-4))
    assert str(caught.value) == (
        "study.toml, isolator[east].stage_1.coupling: no pump makes this ring couple its modes by 80 MHz at the reference flux "
        "of 0.5 Phi0: the most is 54.26 MHz. Check the coupling, the participation ratios (both modes need one) and the "
        "reference flux."
    )


# ---------------------------------------------------------------- batches


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 5))
def test_batch_equals_loop(demo, seed, batch):
    rng = np.random.default_rng(seed)
    parameters = random_parameters(demo, rng, batch, cooldowns=2)
    probes = [setting_probe(demo, k, i, state, c) for k, i, state, c in [(0, 1, 0, 0), (1, 1, 1, 1), (2, 0, 1, 0)]]
    probes.append(off_probe(probes[0]))
    model = ChipModel(demo, probes, [np.linspace(4.95e9, 5.02e9, 7)] * 4)
    for isolator in (0, 1):
        whole = model.scattering(parameters, isolator, PORTS)
        assert whole.shape == (batch, len(model.probe_rows(isolator)), 4, 7)
        for n in range(batch):
            one = model.scattering(parameters.rows(slice(n, n + 1)), isolator, PORTS)[0]
            np.testing.assert_allclose(whole[n], one, atol=1e-13)
            for row, number in enumerate(model.probe_rows(isolator)):
                single = ChipModel(demo, [probes[number]], model.frequency_hz)
                alone = single.scattering(parameters.rows(slice(n, n + 1)), isolator, PORTS)[0, 0]
                np.testing.assert_allclose(alone, whole[n, row], atol=1e-13)
    assert np.max(np.sum(np.abs(model.scattering(parameters, 1, ("11", "21"))) ** 2, axis=2)) <= 1 + 1e-9  # passive


def test_repeated_and_rows(demo):
    parameters = random_parameters(demo, np.random.default_rng(5), 3)
    twice = parameters.repeated(2)
    assert twice.batch == 6
    np.testing.assert_array_equal(twice["source"][2:4], np.repeat(parameters["source"][1:2], 2, axis=0))
    np.testing.assert_array_equal(twice["coupling_hz"][5], parameters["coupling_hz"][2])
    assert parameters.rows(slice(1, 3)).batch == 2


def test_callers_arrays_are_left_alone(demo):
    rng = np.random.default_rng(6)
    parameters = random_parameters(demo, rng, 4)
    before = {name: np.copy(parameters[name]) for name in parameters}
    source = np.array([1e-14, 0.0, 0.0])
    base = nominal_parameters(demo, source)
    base["source"][:] = 7.0  # the batch is a copy
    np.testing.assert_array_equal(source, [1e-14, 0.0, 0.0])
    grid = np.linspace(4.9e9, 5.1e9, 5)
    flux = rng.standard_normal((4, 1, 2))
    flux_before = flux.copy()
    model = ChipModel(demo, [setting_probe(demo, 0, 0, 1)], [grid] * 4)
    model.scattering(parameters, 0)
    model.scattering(parameters, 0, flux=flux)
    grid[:] = 0.0  # the model keeps its own grid
    assert model.frequency_hz[0][0] == 4.9e9
    np.testing.assert_array_equal(flux, flux_before)
    for name, value in before.items():
        np.testing.assert_array_equal(parameters[name], value)


def test_isolator_without_probes(demo):
    model = ChipModel(demo, [setting_probe(demo, 0, 0, 1)], [np.linspace(4.9e9, 5.1e9, 5)] * 4)
    assert model.scattering(nominal_parameters(demo), 2).shape == (1, 0, 2, 5)


# ---------------------------------------------------------------- faults


def test_non_finite_values_stop_the_model_before_the_kernel(demo):
    model = ChipModel(demo, [setting_probe(demo, 0, 0, 1)], [[5e9]] * 4)
    with pytest.raises(ModelError, match='the flux of the source of isolator "east" fails for source \\(nan'):
        model.scattering(nominal_parameters(demo, [(1e-14, 0.0, 0.0), (np.nan, 0.0, 0.0)]), 0)


def test_non_finite_models_name_their_stage(demo):
    model = ChipModel(demo, [setting_probe(demo, 0, 0, 1)], [[5e9]] * 4)
    bad = nominal_parameters(demo, (np.nan, 0.0, 0.0))
    assert str(model.explain_non_finite(bad, 0)) == (
        'the model is not finite: the flux of the source of isolator "east" fails for source (nan, 0, 0), '
        "position (0, 0, 1.2e-05) m, offsets (0, 0, 0, 0, 0, 0, 0, 0) Phi0, pump strength 1. Narrow the priors in the study so that such "
        "values cannot occur."
    )
    bad = nominal_parameters(demo)
    bad["offset_phi0"][0, 0, 0] = np.nan
    assert "the flux in the loops" in str(model.explain_non_finite(bad, 0))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            {"bias_a": (0.0,)},
            "probe 0 has 1 bias currents, the study has 8 bias lines. Give one current per bias line.",
        ),
        (
            {"state": 9},
            "probe 0 points at isolator 0, state 9, cooldown 0, which is not there. Count from 0 in the study's lists.",
        ),
        ({"pump_port": 3}, "probe 0 has the pump port 3. It must be 1 or 2."),
        ({"pump_port": None}, "probe 0 has the pump on, but neither a pump port nor a pump phase. Give one of them."),
    ],
)
def test_probes_that_do_not_fit(demo, change, message):
    with pytest.raises(InputError) as caught:
        ChipModel(demo, [replace(setting_probe(demo, 0, 0, 1), **change)], [[5e9]] * 4)
    assert str(caught.value) == message


def test_grids_and_signs_that_do_not_fit(demo):
    with pytest.raises(InputError, match="1 frequency grids and 4 port signs were given for 4 isolators"):
        ChipModel(demo, [], [[5e9]])
    with pytest.raises(InputError, match=r"the port signs are \(1, 0, 1, 1\)"):
        ChipModel(demo, [], [[5e9]] * 4, [1, 0, 1, 1])
    with pytest.raises(InputError, match=r"the source has shape \(1, 2\)"):
        nominal_parameters(demo, (1.0, 2.0))


def test_setting_for_another_isolator(demo):
    study = replace(demo, settings=(replace(demo.settings[0], isolators=("north",)),))
    with pytest.raises(InputError) as caught:
        setting_probe(study, 0, 0, 1)
    assert str(caught.value) == (
        'study.toml: the setting "same" does not measure the isolator "east". Add the isolator to the setting\'s list.'
    )


# ---------------------------------------------------------------- geometry


def with_outline(study, corners, **changes):
    loop = replace(study.loops[0], outline_m=tuple((1e-6 * x, 1e-6 * y, 0.0) for x, y in corners), **changes)
    return replace(study, loops=(loop, *study.loops[1:]))


def test_demo_geometry_is_sound(demo):
    check_geometry(demo)


def test_dipole_on_a_wire(demo):
    # the near east loop spans 5.28 to 17.28 um in x and -1.9 to 10.1 um in y
    for place in [(5.28e-6, 0.0, 0.0), (17.28e-6, 10.1e-6, 0.5e-9)]:
        study = replace(demo, source=replace(demo.source, position_m=place))
        with pytest.raises(InputError) as caught:
            check_geometry(study)
        assert re.fullmatch(
            r"study\.toml, loop\[east_near\]\.outline: the dipole at source\.position lies on the wire of this loop "
            r"\(\S+ nm from it\), where its flux has no value\. Move the dipole or the loop\.",
            str(caught.value),
        )
    check_geometry(replace(demo, source=replace(demo.source, position_m=(5.28e-6, 0.0, 5e-9))))
    field = replace(demo.source, kind="uniform_field", position_m=(5.28e-6, 0.0, 0.0))
    check_geometry(replace(demo, source=field))  # a field has no position


def test_outline_that_crosses_itself(demo):
    bow = [(0, 0), (10, 10), (10, 0), (0, 10)]
    with pytest.raises(InputError) as caught:
        check_geometry(with_outline(demo, bow))
    assert str(caught.value) == (
        "study.toml, loop[east_near].outline: the outline crosses itself (the side after corner 1 and the side after corner "
        "3). List the corners in the order in which the wire passes them, or say crossing = true for a gradiometer."
    )
    check_geometry(with_outline(demo, bow, crossing=True))
    check_geometry(with_outline(demo, [(60, 0), (70, 0), (70, 10), (65, 2), (60, 10)]))  # concave, but simple


@given(st.integers(3, 40), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_star_shaped_outlines_never_cross(demo, corners, seed):
    # corners in order of their angle about a centre that they surround: simple by construction
    rng = np.random.default_rng(seed)
    angle = 2 * np.pi * (np.arange(corners) + rng.uniform(0, 0.4, corners)) / corners
    radius = rng.uniform(2, 20, corners)
    star = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1) + 60
    check_geometry(with_outline(demo, star))
    if corners >= 5 and corners % 2:  # every second corner: twice round the centre, so it must cross
        with pytest.raises(InputError, match="crosses itself"):
            check_geometry(with_outline(demo, np.concatenate([star[::2], star[1::2]])))


def test_all_geometry_faults_are_collected(demo):
    study = with_outline(demo, [(0, 0), (10, 10), (10, 0), (0, 10)])
    study = replace(
        study,
        source=replace(study.source, position_m=(0.0, 5e-6, 0.0)),
        coils=(Coil("tight", study.loops[1].outline_m),),
        states=(*study.states, State("cal", "calibration", coil="tight", current_a=1e-3)),
    )
    with pytest.raises(InputError) as caught:
        check_geometry(study)
    lines = str(caught.value).split("\n")
    assert [x.split(":")[0] for x in lines] == [
        "study.toml, loop[east_near].outline",
        "study.toml, loop[east_near].outline",
        "study.toml, coil[tight].outline",
    ]
    assert lines[2].startswith('study.toml, coil[tight].outline: its flux in the loop "east_far" has no value: ')


def test_focusing_multiplies_every_field_that_reaches_a_loop(demo):
    """Nearby superconductor bends the field of a calibration source as it bends that of the source."""
    coil = Coil("ring", tuple((2e-3 * x, 2e-3 * y, 1e-3) for x, y in [(-1, -1), (1, -1), (1, 1), (-1, 1)]))
    states = (
        State("in", "in"),
        State("field", "calibration", field_t=(0.0, 0.0, 1e-6)),
        State("coil", "calibration", coil="ring", current_a=2e-3),
    )
    study = replace(demo, states=states, coils=(coil,))
    model = ChipModel(study, [], [[5e9]] * 4)
    plain = nominal_parameters(study, np.array([1e-14, 2e-14, -3e-14]))
    factor = 1.0 + 0.1 * np.arange(8)
    focused = plain.changed(flux_focusing=plain["flux_focusing"] * factor)
    np.testing.assert_allclose(model.source_flux(focused), model.source_flux(plain) * factor, rtol=1e-12, atol=0)
