"""Rings and set-up elements inside the chip model: named arrays against the parts put together by hand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fluxsense.base.errors import InputError
from fluxsense.device import rings, setup
from fluxsense.device.chip import (
    STAGE_FIELDS,
    ChipModel,
    bias_vectors,
    line_basis,
    nominal_array,
    nominal_parameters,
    off_probe,
    setting_probe,
)
from fluxsense.device.isolator import hybrid_elements, isolator_scattering
from fluxsense.device.rings import Ring, RingField
from fluxsense.study import read_study
from fluxsense.study.readout import CrossTalk, Readout

DEMO = Path(__file__).parents[2] / "data_demo" / "grain" / "study.toml"
PORTS = ("11", "21", "12", "22")
GRID = np.linspace(4.9e9, 5.08e9, 31)
NAMES = (
    *STAGE_FIELDS, "shunt_ratio", "arm_inductance_ratio", "link_amplitude", "link_phase_rad", "hybrid_imbalance_db",
    "hybrid_phase_error_rad", "hybrid_loss_db", "pump_shift_factor", "pump_port_strength", "pump_port_imbalance_db",
    "pump_port_phase_rad", "arm_phase_rad", "arm_loss_db", "line_end", "direct_path", "line_mixing",
    "mutual_phi0_per_a", "static_flux_phi0", "analyser_offset_hz", "if_smoothing",
)  # fmt: skip


@pytest.fixture(scope="module")
def demo():
    return read_study(DEMO)


@pytest.fixture(scope="module")
def model(demo):
    probes = [setting_probe(demo, k, 0, state) for k in range(len(demo.settings)) for state in (0, 1)]
    return ChipModel(demo, [*probes, off_probe(probes[0])], [GRID] * 4)


def source(demo):
    return nominal_parameters(demo, [(2e-14, -1e-14, 1e-14), (-1e-14, 0.0, 3e-14)])


def changed(demo, name, rng, size=1.0):
    """Two sets with an array drawn about its nominal values."""
    values = nominal_array(demo, name, 2)
    step = {"line_end": 0.1, "direct_path": 0.01, "mutual_phi0_per_a": 5.0, "static_flux_phi0": 0.02}.get(name)
    step = step or {"analyser_offset_hz": 1e6, "if_smoothing": 0.5, "idler_termination_hz": 1e6}.get(name)
    step = step or 0.03 * np.abs(values) + 0.02
    draw = rng.standard_normal(values.shape)
    if name in ("hybrid_loss_db", "arm_inductance_ratio", "idler_termination_hz"):
        draw = np.abs(draw)
    return source(demo).changed(**{name: values + size * step * draw})


# ---------------------------------------------------------------- every name


@pytest.mark.parametrize("name", NAMES)
def test_nominal_arrays_change_nothing_and_others_do(demo, model, name):
    """A name that is absent means the study's value; every array moves S, but those of rings that are not on the chip."""
    plain = model.scattering(source(demo), 0)
    same = model.scattering(source(demo).changed(**{name: nominal_array(demo, name, 2)}), 0)
    np.testing.assert_allclose(same, plain, atol=1e-11)
    other = model.scattering(changed(demo, name, np.random.default_rng(1)), 0)
    assert np.all(np.isfinite(other))
    if name != "arm_inductance_ratio":
        assert np.abs(other - plain).max() > 1e-5
    # a batch is its rows
    both = changed(demo, name, np.random.default_rng(2))
    whole = model.scattering(both, 0)
    for n in range(2):
        np.testing.assert_allclose(model.scattering(both.rows(slice(n, n + 1)), 0)[0], whole[n], atol=1e-12)


def test_an_unknown_name_is_refused(demo):
    with pytest.raises(InputError, match='the forward model has no array called "colour"'):
        nominal_array(demo, "colour", 1)


# ---------------------------------------------------------------- rings


class _Toy(Ring):
    """Invented for this test: arms with a second harmonic, u' = sin f + b sin 2f."""

    name = "toy"
    words = "with a second harmonic in its arms"
    fields = (
        RingField("shunt_ratio", "shunt ratio", 3.0, 0.0, 1e6),
        RingField("harmonic", "second harmonic", 0.2, -1, 1),
    )

    def junction_phase(self, f, numbers):
        return np.arcsin((np.sin(f) + numbers["harmonic"] * np.sin(2 * f)) / 2)

    def arm_stiffness(self, f, numbers):
        return np.cos(f) + 2 * numbers["harmonic"] * np.cos(2 * f)

    def arm_bend(self, f, numbers):
        return -np.cos(f) - 8 * numbers["harmonic"] * np.cos(2 * f)

    def shunt(self, numbers):
        return numbers["shunt_ratio"]


def with_ring(study, kind, stages=(0, 1), **numbers):
    iso = study.isolators[0]
    new = tuple(replace(s, ring=kind, **numbers) if k in stages else s for k, s in enumerate(iso.stages))
    return replace(study, isolators=(replace(iso, stages=new), *study.isolators[1:]))


def test_a_kind_of_ring_registered_anywhere_changes_what_is_measured(demo, monkeypatch):
    """Its stiffness, its sign and its own number reach S; the closed frequencies of the toy by hand."""
    monkeypatch.setattr(rings, "_KINDS", dict(rings._KINDS))
    rings.register(_Toy())
    study = with_ring(demo, "toy")
    probes = [setting_probe(demo, 0, 0, 1)]
    plain = ChipModel(demo, probes, [GRID] * 4).scattering(source(demo), 0)
    toy = ChipModel(study, [*probes, off_probe(probes[0])], [GRID] * 4)
    assert np.abs(toy.scattering(source(demo), 0)[:, :1] - plain).max() > 1e-2
    assert nominal_array(study, "harmonic", 3).shape == (3, 4, 2)
    other = source(demo).changed(harmonic=np.full((2, 4, 2), 0.1))
    assert np.abs(toy.scattering(other, 0) - toy.scattering(source(demo), 0)).max() > 1e-3
    flux = toy.probe_flux(source(demo), 0)
    still = toy.rates(source(demo), 0, flux).signal_hz[:, 1]
    f = 0.5 * np.pi * flux[:, 1]
    lam = (1 + 0.4 + 3) / (np.cos(f) + 0.4 * np.cos(2 * f) + 3)
    stated = np.array([s.signal_frequency_hz for s in demo.isolators[0].stages])
    np.testing.assert_allclose(still, stated / np.sqrt(1 + 0.1 * (lam - 1)), rtol=1e-12)


def test_stages_of_two_kinds(demo):
    """Each stage by its own kind: rates equal those of a chip with that kind in both."""
    one, both = (with_ring(demo, "stray arms", k, arm_inductance_ratio=0.05) for k in ((1,), (0, 1)))
    probes = [setting_probe(demo, 0, 0, 1)]
    found, plain, stray = (ChipModel(s, probes, [GRID] * 4) for s in (one, demo, both))
    flux = plain.probe_flux(source(demo), 0)
    for k, reference in ((0, plain), (1, stray)):
        for a, b in zip(found.rates(source(demo), 0, flux), reference.rates(source(demo), 0, flux), strict=True):
            np.testing.assert_allclose(a[..., k], b[..., k], rtol=1e-13)
    assert np.abs(found.scattering(source(demo), 0) - plain.scattering(source(demo), 0)).max() > 1e-3


def test_rings_that_latch_keep_their_branches(demo):
    iso = demo.isolators[0]
    stages = tuple(replace(s, ring="bare", shunt_ratio=0.0, branch=n) for s, n in zip(iso.stages, (0, -1), strict=True))
    study = replace(demo, isolators=(replace(iso, reference_flux_phi0=0.3, stages=stages), *demo.isolators[1:]))
    probes = [setting_probe(demo, 0, 0, 0)]
    held = ChipModel(study, probes, [GRID] * 4)
    g = held.couplings_hz(nominal_parameters(study), 0, np.array([[[0.7, 0.7], [0.2, 0.2]]]))[0]
    assert np.sign(g).tolist() == [[1, -1], [1, -1]]


# ---------------------------------------------------------------- pump and hybrid


def by_hand(model, parameters, n, **changes):
    """The kernel's S (P, 4, F) for one parameter set with some of its arguments replaced."""
    one = parameters.rows(slice(n, n + 1))
    rows = model.kernel_rows(one, 0, model.probe_flux(one, 0))
    return isolator_scattering(GRID, {**rows, **changes}, ports=PORTS)


def test_pump_ports_hybrid_link_and_arms(demo, model):
    rng = np.random.default_rng(3)
    base = source(demo)
    values = {
        "pump_port_phase_rad": 0.1 * rng.standard_normal((2, 4, 2)),
        "hybrid_imbalance_db": 0.3 * rng.standard_normal((2, 4)),
        "hybrid_phase_error_rad": 0.05 * rng.standard_normal((2, 4)),
        "hybrid_loss_db": np.abs(rng.standard_normal((2, 4))),
        "link_amplitude": rng.uniform(0.5, 1.0, (2, 4)),
        "link_phase_rad": 0.1 * rng.standard_normal((2, 4)),
        "arm_phase_rad": 0.1 * rng.standard_normal((2, 4)),
        "arm_loss_db": 0.3 * rng.standard_normal((2, 4)),
    }
    found = model.scattering(base.changed(**values), 0, PORTS)
    port = np.array([p.pump_port or 0 for p in model.probes])
    for n in range(2):
        v = {name: x[n, 0] for name, x in values.items()}
        through, cross = hybrid_elements(v["hybrid_imbalance_db"], v["hybrid_phase_error_rad"], v["hybrid_loss_db"])
        phase = np.where(port == 1, np.pi / 2, -np.pi / 2) * model.port_signs[0]
        phase = phase + np.where(port == 0, 0.0, v["pump_port_phase_rad"][port - 1])
        loss = v["arm_loss_db"]
        expected = by_hand(
            model, base, n, hybrid_through=through, hybrid_cross=cross, pump_phase_rad=phase,
            link=v["link_amplitude"] * np.exp(1j * v["link_phase_rad"]),
            arm_1=10 ** (min(loss, 0) / 20) * np.exp(0.5j * v["arm_phase_rad"]),
            arm_2=10 ** (-max(loss, 0) / 20) * np.exp(-0.5j * v["arm_phase_rad"]),
        )  # fmt: skip
        np.testing.assert_allclose(found[n], expected, atol=1e-13)


def test_pump_currents_by_port(demo, model):
    """Strength by port is a power level of its probes; imbalance is a power level of each stage, opposite ones."""
    base = nominal_parameters(demo)
    flux = model.probe_flux(base, 0)
    port = np.array([p.pump_port or 0 for p in model.probes])

    def with_powers(first, second):
        probes = [
            replace(p, pump_power_w=p.pump_power_w * (first if p.pump_port == 1 else second)) for p in model.probes
        ]
        return ChipModel(demo, probes, [GRID] * 4).rates(base, 0, flux)

    strength = base.changed(pump_port_strength=np.tile([1.1, 0.8], (1, 4, 1)))
    for a, b in zip(model.rates(strength, 0, flux), with_powers(1.21, 0.64), strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-13)
    balance = base.changed(pump_port_imbalance_db=np.tile([0.6, -0.4], (1, 4, 1)))
    up, down = with_powers(10**0.03, 10**-0.02), with_powers(10**-0.03, 10**0.02)
    for a, b, c in zip(model.rates(balance, 0, flux), up, down, strict=True):
        np.testing.assert_allclose(a[..., 0], b[..., 0], rtol=1e-13)
        np.testing.assert_allclose(a[..., 1], c[..., 1], rtol=1e-13)
    assert set(port) == {0, 1, 2}


def test_shift_factor(demo, model):
    base = nominal_parameters(demo)
    flux = model.probe_flux(base, 0)
    still = model.rates(base.changed(pump_strength=np.zeros((1, 4))), 0, flux)
    once = model.rates(base, 0, flux)
    twice = model.rates(base.changed(pump_shift_factor=np.full((1, 4), 1.3)), 0, flux)
    for a, b, c in zip(still[:2], once[:2], twice[:2], strict=True):
        np.testing.assert_allclose(c - a, 1.3 * (b - a), atol=1e-5)
    # half a flux quantum and 10.2 MHz: -2.0 and -2.9 MHz (Floquet analysis)
    assert (once.signal_hz - still.signal_hz)[0, 0, 0] / 1e6 == pytest.approx(-2.0, abs=0.15)
    assert (once.idler_hz - still.idler_hz)[0, 0, 0] / 1e6 == pytest.approx(-2.9, abs=0.2)


# ---------------------------------------------------------------- flux


def test_mutual_inductances_and_static_flux(demo, model):
    base = source(demo)
    rng = np.random.default_rng(4)
    mutual = nominal_array(demo, "mutual_phi0_per_a", 2) + 5 * rng.standard_normal((2, 8, 8))
    static = 0.02 * rng.standard_normal((2, len(bias_vectors(demo)), 8))
    found = model.probe_flux(base.changed(mutual_phi0_per_a=mutual, static_flux_phi0=static), 0)
    plain = model.probe_flux(base, 0)
    nominal = nominal_array(demo, "mutual_phi0_per_a", 1)[0]
    for n in range(2):
        for at, p in enumerate(model.probes):
            change = (mutual[n] - nominal) @ p.bias_a + static[n, bias_vectors(demo).index(p.bias_a)]
            np.testing.assert_allclose(found[n, at] - plain[n, at], change[:2], atol=1e-12)


def test_static_flux_at_currents_that_were_rounded(demo):
    """A log's currents differ from a setting's by rounding: they have the flux of the nearest bias vector."""
    vectors = bias_vectors(demo)
    static = np.arange(len(vectors) * 8, dtype=float).reshape(1, -1, 8)
    one = setting_probe(demo, 0, 0, 0)
    near = replace(one, bias_a=tuple(x * (1 + 1e-7) for x in one.bias_a))
    model = ChipModel(demo, [one, near], [GRID] * 4)
    flux = model.probe_flux(nominal_parameters(demo).changed(static_flux_phi0=static), 0)[0]
    np.testing.assert_allclose(flux[1], flux[0], atol=1e-5)
    plain = model.probe_flux(nominal_parameters(demo), 0)[0]
    np.testing.assert_allclose(flux[0] - plain[0], static[0, vectors.index(one.bias_a), :2], atol=1e-12)


# ---------------------------------------------------------------- line ends, paths, boxes, analyser


def complex_of(demo, name, rng, size):
    values = size * rng.standard_normal(nominal_array(demo, name, 2).shape)
    functions = line_basis(demo, name).at(GRID)
    return values, (values[:, 0, ..., 0] + 1j * values[:, 0, ..., 1]) @ functions  # (2, 2, F)


def test_line_ends_and_paths(demo, model):
    rng = np.random.default_rng(5)
    base = source(demo)
    ends, e = complex_of(demo, "line_end", rng, 0.1)
    paths, direct = complex_of(demo, "direct_path", rng, 0.01)
    device = model.scattering(base, 0, PORTS)
    found = model.scattering(base.changed(line_end=ends, direct_path=paths), 0)
    expected = setup.between_reflections(device, e[:, None]) + direct[:, None]
    np.testing.assert_allclose(found, expected, atol=1e-12)
    only = model.scattering(base.changed(direct_path=paths), 0, ("12", "21"))
    np.testing.assert_allclose(only[:, :, ::-1], device[:, :, 1:3] + direct[:, None], atol=1e-12)
    all_ports = model.scattering(base.changed(line_end=ends), 0, ("22", "21"))
    np.testing.assert_allclose(all_ports[:, :, 0], device[:, :, 3], atol=1e-12)


def test_error_boxes(demo, model):
    rng = np.random.default_rng(6)
    boxes = [0.3 * (rng.standard_normal((4, GRID.size)) + 1j * rng.standard_normal((4, GRID.size))) for _ in range(2)]
    boxed = ChipModel(demo, model.probes, [GRID] * 4, error_boxes=[(boxes[0], boxes[1]), None, None, None])
    device = model.scattering(source(demo), 0, PORTS)
    np.testing.assert_allclose(
        boxed.scattering(source(demo), 0, PORTS), setup.embedded(device, *boxes), rtol=1e-10, atol=1e-12
    )
    with pytest.raises(InputError, match="error boxes were given on other frequencies"):
        ChipModel(demo, model.probes, [GRID] * 4, error_boxes=[(boxes[0][:, 1:], boxes[1]), None, None, None])


def test_offset_and_smoothing_of_the_analyser(demo, model):
    """Offset: another grid.  Smoothing: the mean of a hundred sweeps on grids shifted back by up to a part of a step."""
    base = source(demo)
    offset = model.scattering(base.changed(analyser_offset_hz=np.full((2, 4), 0.7e6)), 0)
    moved = ChipModel(demo, model.probes, [GRID + 0.7e6] * 4).scattering(base, 0)
    np.testing.assert_allclose(offset, moved, atol=1e-11)
    step = (demo.sweep.stop_hz - demo.sweep.start_hz) / (demo.sweep.points - 1)
    for part in (0.6, -0.6):
        found = model.scattering(base.changed(if_smoothing=np.full((2, 4), part)), 0)
        back = (np.arange(100) + 0.5) / 100 * part * step
        mean = np.mean([ChipModel(demo, model.probes, [GRID - x] * 4).scattering(base, 0) for x in back], axis=0)
        np.testing.assert_allclose(found, mean, atol=3e-6)
        assert np.abs(mean - model.scattering(base, 0)).max() > 1e-3


def with_phase(model, parameters, error):
    moved = parameters["pump_phase_error_rad"] + error
    return model.scattering(parameters.changed(pump_phase_error_rad=moved), 0)


@pytest.mark.parametrize("element", ["nothing", "arms and hybrid", "offset and smoothing", "path"])
def test_phase_errors_are_exact_without_reflections(demo, model, element):
    rng = np.random.default_rng(7)
    values = {
        "nothing": {},
        "arms and hybrid": {
            "arm_phase_rad": np.full((2, 4), 0.1), "arm_loss_db": np.full((2, 4), -0.2),
            "hybrid_phase_error_rad": np.full((2, 4), 0.05), "pump_port_phase_rad": np.full((2, 4, 2), 0.04),
        },
        "offset and smoothing": {"analyser_offset_hz": np.full((2, 4), 1e6), "if_smoothing": np.full((2, 4), 0.5)},
        "path": {"direct_path": complex_of(demo, "direct_path", rng, 0.01)[0]},
    }[element]  # fmt: skip
    parameters = source(demo).changed(**values)
    s, q, p = model.scattering_and_phase(parameters, 0)
    np.testing.assert_allclose(s, model.scattering(parameters, 0), atol=1e-12)
    for e in (-0.5, 0.02, 0.3):
        np.testing.assert_allclose(
            s + np.sin(e) * q + (np.cos(e) - 1) * p, with_phase(model, parameters, e), atol=1e-12
        )
    off = len(model.probes) - 1
    np.testing.assert_allclose(q[:, off], 0, atol=1e-15)


def test_phase_errors_with_reflections(demo, model):
    """Exact at the present phase and at +-0.1 rad; near enough between, for 20 dB of return loss."""
    rng = np.random.default_rng(8)
    parameters = source(demo).changed(line_end=complex_of(demo, "line_end", rng, 0.07)[0])
    s, q, p = model.scattering_and_phase(parameters, 0)
    for e, within in ((0.0, 1e-12), (0.1, 1e-12), (-0.1, 1e-12), (0.05, 2e-5), (0.2, 5e-4)):
        found = s + np.sin(e) * q + (np.cos(e) - 1) * p
        np.testing.assert_allclose(found, with_phase(model, parameters, e), atol=within)


def test_absent_elements_cost_nothing(demo, model, monkeypatch):
    """Zero line ends, paths, offsets and smoothing ask the kernel for two ports, once."""
    from fluxsense.device import chip

    calls = []

    def counted(frequency, rows, ports):
        calls.append(ports)
        return isolator_scattering(frequency, rows, ports)

    monkeypatch.setattr(chip, "isolator_scattering", counted)
    zeros = ("line_end", "direct_path", "analyser_offset_hz", "if_smoothing")
    parameters = source(demo).changed(**{name: nominal_array(demo, name, 2) for name in zeros})
    model.scattering(parameters, 0)
    model.scattering_and_phase(parameters, 0)
    assert calls == [("21", "12")] * 2


# ---------------------------------------------------------------- several isolators on one line


def test_what_a_line_mixes_is_the_sum_of_what_each_transmits(demo, model):
    """Each isolator's own transmission by a model of its own, its pump off, added up here with the amplitudes stated."""
    shared = replace(
        demo,
        readout=Readout(
            1e-3,
            1e3,
            shared=("west", "east", "south"),
            cross_talk=(CrossTalk("east", "west", 0.003, 0.7), CrossTalk("east", "south", 0.01, -2.0)),
        ),
    )
    names = [i.name for i in demo.isolators]
    home = names.index("east")
    probes = [setting_probe(demo, 1, home, 1), off_probe(setting_probe(demo, 1, home, 0))]
    mixed = ChipModel(shared, probes, [GRID] * 4)
    parameters = nominal_parameters(shared, [(2e-14, -1e-14, 1e-14), (-1e-14, 0.0, 3e-14)])
    own = ChipModel(demo, probes, [GRID] * 4).scattering(source(demo), home, PORTS)
    expected = np.array(own)
    for other, amplitude in (("west", 0.003 * np.exp(-0.7j)), ("south", 0.01 * np.exp(2.0j))):
        j = names.index(other)
        beside = [off_probe(replace(p, isolator=j)) for p in probes]
        expected[:, :, 1:3] += amplitude * ChipModel(demo, beside, [GRID] * 4).scattering(source(demo), j)
    np.testing.assert_allclose(mixed.scattering(parameters, home, PORTS), expected, atol=1e-13)
    np.testing.assert_allclose(mixed.scattering(parameters, home, ("12",)), expected[:, :, 2:3], atol=1e-13)
    s, q, p = mixed.scattering_and_phase(parameters, home)
    np.testing.assert_allclose(s, expected[:, :, 1:3], atol=1e-13)
    moved = parameters.changed(pump_phase_error_rad=np.full((2, 4), 0.2))
    whole = mixed.scattering(moved, home)
    np.testing.assert_allclose(s + np.sin(0.2) * q + (np.cos(0.2) - 1) * p, whole, atol=1e-12)
    # an isolator that is not on the line picks up nothing
    other = names.index("north")
    assert mixed.picked_up(parameters, other) is None
