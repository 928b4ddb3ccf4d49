"""The laboratory of the outside simulator, against scikit-rf, closed forms and its own parts.

* two-ports in a row: scikit-rf's cascade;
* line ends and direct paths: (S21/D + L21) with D = (1 - e1 S11)(1 - e2 S22) - e1 e2 S12 S21, by Mason's rule (from memory);
* a rod: two magnetic charges, whose flux is that of their solid angles (Van Oosterom and Strackee, IEEE Trans. Biomed. Eng.
  30, 125 (1983), from memory);
* noise in time: its own spectrum and end points.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import skrf
from demo_cold import COLD, SEED, SET_UP, write_demo
from outside_chips import CHIPS, write_study
from outside_laboratory import (
    EFFECTS,
    Drifts,
    Laboratory,
    LineEnd,
    World,
    chain,
    flicker,
    measured,
    order_of_sweeps,
    walk,
)
from outside_simulator import FLUX_QUANTUM_WB, MAGNETIC_CONSTANT_N_A2, OutsideStudy, rod_flux_phi0

from fluxsense import load_screened, read_study
from fluxsense.device import setup
from fluxsense.jobs.simulate import read_truth_source

COLD_DEMO = Path(__file__).parents[2] / "data_demo" / "cold"


def study_of(name: str, folder: Path, points: int = 15, cooldowns: int = 1) -> OutsideStudy:
    study = OutsideStudy(write_study(name, folder, cooldowns=cooldowns), shift_factor=1.0)
    study.frequency_hz = np.linspace(study.frequency_hz[0], study.frequency_hz[-1], points)
    return study


def world_of(study: OutsideStudy, sizes: Laboratory, seed: int = 4) -> World:
    rng = np.random.default_rng([seed, 0])
    truth = study.draw(study.size / math.sqrt(3) * rng.normal(size=3), rng)
    return World.build(study, sizes, truth, np.random.default_rng([seed, 2]))


def random_two_port(rng: np.random.Generator, points: int) -> np.ndarray:
    s = rng.normal(size=(points, 2, 2)) + 1j * rng.normal(size=(points, 2, 2))
    return s / (1.1 * np.linalg.norm(s, 2, axis=(1, 2))[:, None, None])


@pytest.mark.parametrize("count", [1, 2, 5])
def test_chain_is_scikit_rfs_cascade(count):
    rng = np.random.default_rng(1)
    parts = [random_two_port(rng, 7) for _ in range(count)]
    whole = skrf.network.cascade_list([skrf.Network(f=np.linspace(4, 8, 7), f_unit="GHz", s=s, z0=50) for s in parts])
    np.testing.assert_allclose(chain(parts), whole.s, atol=1e-12)


def test_line_ends_have_their_return_loss_and_give_no_power():
    rng, f = np.random.default_rng(2), np.linspace(4.9e9, 5.1e9, 401)
    seen = []
    for _ in range(60):
        end = LineEnd.draw((18.0, 18.0), rng)
        s = end.at(f)
        np.testing.assert_allclose(np.swapaxes(s.conj(), 1, 2) @ s, np.broadcast_to(np.eye(2), s.shape), atol=1e-12)
        assert 2 * end.delays_s.sum() < 10e-9
        seen.append(np.mean(np.abs(s[:, 1, 1]) ** 2))
    assert 10 * math.log10(np.mean(seen)) == pytest.approx(-18, abs=0.3)


def test_set_up_is_what_masons_rule_says(tmp_path):
    study = study_of("grain_line", tmp_path)
    full = world_of(study, Laboratory(return_loss_db=(14, 14), direct_path_db=(-28, -28)))
    bare = world_of(study, Laboratory())
    f = study.frequency_hz
    for group in study.groups()[:6]:
        still = np.zeros(len(study.loops))
        s, m = (w.scattering(group, True, still, f) for w in (bare, full))
        left, right = (end.at(f) for end in full.ends[group.isolator])
        e1, e2 = left[:, 1, 1], right[:, 1, 1]
        d = (1 - e1 * s[:, 0, 0]) * (1 - e2 * s[:, 1, 1]) - e1 * e2 * s[:, 0, 1] * s[:, 1, 0]
        through = left[:, 1, 0] * right[:, 1, 0]
        past = full.paths[group.isolator].at(f)
        for out, into in ((1, 0), (0, 1)):
            np.testing.assert_allclose(m[:, out, into], through * s[:, out, into] / d + past[:, out, into], atol=1e-12)
        assert np.max(np.abs(m - s)) > 0.01


def test_package_agrees_on_what_lies_between(tmp_path):
    """The package's reflections and error boxes against all waves solved for together."""
    rng = np.random.default_rng(9)
    left, device, right = (random_two_port(rng, 11) for _ in range(3))

    def flat(s: np.ndarray) -> np.ndarray:  # S11, S21, S12, S22 of (F, out, in)
        return np.array([s[:, 0, 0], s[:, 1, 0], s[:, 0, 1], s[:, 1, 1]])

    whole = chain([left, device, right])
    np.testing.assert_allclose(setup.embedded(flat(device), flat(left), flat(right)), flat(whole), atol=1e-12)
    ends = np.array([left[:, 1, 1], right[:, 0, 0]])
    between = setup.between_reflections(flat(device), ends)
    ways = [left[:, 1, 0] * right[:, 1, 0], left[:, 0, 1] * right[:, 0, 1]]
    np.testing.assert_allclose(between * ways, [whole[:, 1, 0], whole[:, 0, 1]], atol=1e-12)


def test_ideal_world_is_the_study(tmp_path):
    study = study_of("grain_turned", tmp_path)
    world = world_of(study, Laboratory.ideal())
    extra = np.linspace(-1e-3, 1e-3, len(study.loops))
    for group in study.groups():
        stages = study.stage_loops(group.isolator)
        for on in (False, True):
            mine = world.scattering(group, on, extra, study.frequency_hz)
            plain = study.sweep(world.truth, world.source_flux_phi0, group, on, extra[stages])
            np.testing.assert_allclose(mine, plain, atol=1e-13)


def solid_angle(corners: np.ndarray, point: np.ndarray) -> float:
    """Of a flat polygon, triangle by triangle."""
    total = 0.0
    for k in range(1, len(corners) - 1):
        a, b, c = (corners[i] - point for i in (0, k, k + 1))
        la, lb, lc = (np.linalg.norm(x) for x in (a, b, c))
        below = la * lb * lc + (a @ b) * lc + (b @ c) * la + (c @ a) * lb
        total += 2 * math.atan2(a @ np.cross(b, c), below)
    return total


def test_rod_is_two_charges():
    corners = 1e-6 * np.array([[3, -5, 0], [13, -4, 0], [12, 7, 0], [2, 6, 0]], dtype=float)
    moment, middle, length = 1e-14 * np.array([0.3, -0.5, 0.8]), 1e-6 * np.array([0.5, 0.2, 12]), 8e-6
    along = moment / np.linalg.norm(moment)
    charge = np.linalg.norm(moment) / length
    ends = [solid_angle(corners, middle + sign * along * length / 2) for sign in (1, -1)]
    # the field of a charge leaves it: through a loop seen from above along its normal it goes with minus the angle
    flux = MAGNETIC_CONSTANT_N_A2 * charge / (4 * math.pi) * (ends[0] - ends[1]) / FLUX_QUANTUM_WB
    found = rod_flux_phi0(corners, moment, middle, length)
    assert abs(found) == pytest.approx(abs(flux), rel=1e-6)
    point = rod_flux_phi0(corners, moment, middle, 0.0)
    assert abs(found / point - 1) > 0.03
    assert rod_flux_phi0(corners, moment, middle, 1e-9) == pytest.approx(point, rel=1e-6)


def test_noise_in_time():
    rng = np.random.default_rng(3)
    ends = walk(200, 2e-3, (400,), rng)[-1]
    assert np.std(ends) == pytest.approx(2e-3, rel=0.15)  # 1/sqrt(2 * 400) is 3.5%
    noise = flicker(4096, 1.0, (60,), rng)
    assert np.sqrt(np.mean(noise**2)) == pytest.approx(1.0)
    power = np.mean(np.abs(np.fft.rfft(noise, axis=0)) ** 2, axis=1)
    slope = np.polyfit(np.log(np.arange(4, 800)), np.log(power[4:800]), 1)[0]
    assert slope == pytest.approx(-1.0, abs=0.1)


def test_order_of_sweeps(tmp_path):
    study = study_of("field_four", tmp_path)
    mixed, plain = (order_of_sweeps(study, interleaved) for interleaved in (True, False))
    assert len(mixed) == len(plain) == len(set(mixed)) == 2 * 2 * 4 * 16
    assert set(mixed) == set(plain)
    times = {kind: [np.mean([k for k, x in enumerate(order) if x.group.state == s]) for s in (0, 1)]
             for kind, order in (("mixed", mixed), ("plain", plain))}  # fmt: skip
    assert times["mixed"][0] == pytest.approx(times["mixed"][1], abs=2)
    assert [x.group.state for x in plain] == sorted(x.group.state for x in plain)


@pytest.mark.parametrize("effect", list(EFFECTS))
def test_each_effect_shows_and_leaves_the_rest_alone(effect, tmp_path):
    """Same seed: gains, offsets and noise are those of the ideal world, and the sweeps differ by this effect only."""
    study = study_of("grain_three", tmp_path, cooldowns=2)
    sweeps = order_of_sweeps(study, True)[-40:]
    traces, worlds = [], []
    for sizes in (Laboratory.ideal(), Laboratory.alone(effect, "large")):
        world = world_of(study, sizes)
        drifts = Drifts.draw(len(sweeps), world, np.random.default_rng(5))
        rng = np.random.default_rng(7)
        traces.append([
            measured(world, x, (drifts.flux_phi0[k], drifts.gain_at(world, k, x.group.isolator)), rng) for k, x in enumerate(sweeps)
        ])  # fmt: skip
        worlds.append(world)
    ideal, spoilt = worlds
    assert np.array_equal(ideal.truth.offset_phi0, spoilt.truth.offset_phi0)
    assert np.array_equal(ideal.gains[0].delay_s, spoilt.gains[0].delay_s)
    if effect == "flux walk, out first":
        assert not spoilt.sizes.interleaved
    assert np.max(np.abs(np.array(traces[0]) - np.array(traces[1]))) > 1e-3


def test_ordinary_set_ups_are_as_usual():
    drawn = [Laboratory.ordinary(np.random.default_rng(k)) for k in range(200)]
    assert all(2e-3 < x.white < 1e-2 for x in drawn)
    assert np.std([x.pump_shift for x in drawn]) == pytest.approx(0.1, rel=0.2)
    assert all(x.return_loss_db == (15, 25) and x.direct_path_db == (-50, -30) for x in drawn)
    assert all(x.interleaved and not x.signs and not x.focusing and not x.rod_m for x in drawn)


@pytest.mark.parametrize("name", list(CHIPS))
def test_chips_are_studies(name, tmp_path):
    study = read_study(write_study(name, tmp_path))
    assert "(invented)" in study.title
    assert 101 <= len(OutsideStudy(study.path).frequency_hz) <= 401
    assert 2 <= len(study.isolators) <= 4


def test_chips_differ():
    assert len(CHIPS) >= 6
    assert {"hybrid", "line"} <= {link for chip in CHIPS.values() for link in chip.links}
    assert {"dipole", "uniform_field"} == {chip.source.split('"')[1] for chip in CHIPS.values()}
    assert {chip.points for chip in CHIPS.values()} >= {101, 401}
    assert {chip.repeats for chip in CHIPS.values()} >= {4, 6, 8}


@pytest.mark.slow
def test_whole_set_up_is_found_by_damped_steps_and_not_by_one_linear_step():
    """Noise-free ratios of an ordinary set-up: one step from nominal values misfits, the joint mode does not."""
    import laboratory_linear as linear

    study = linear.study_with_fewer_points("grain_turned")
    truth = study.nominal(study.size * np.array([0.4, -0.6, 0.7]))
    plain = World.build(study, Laboratory(white=0.005), truth, np.random.default_rng(2))
    lines = np.zeros((len(study.isolators), 4, linear.POINTS), dtype=np.complex128)
    start = linear.Linear(linear.State(plain, lines))
    world = World.build(study, Laboratory.ordinary(np.random.default_rng(1)), truth, np.random.default_rng(2))
    seen = np.concatenate([linear.real(linear.ratios(world, n, {})) for n in start.isolators])
    _, _, one_step, joint = linear.fits(start, seen, 8)
    assert one_step.misfit < 1e-6
    assert joint.misfit > 0.5
    assert joint.off < 3.0


def test_cold_demo_is_read_and_small(tmp_path):
    """As `tests/outside/demo_cold.py` writes it: every sweep is taken, and the truth is marked where it is."""
    world = write_demo(tmp_path / "cold", COLD, SET_UP, SEED)
    files = [p for p in (tmp_path / "cold").rglob("*") if p.is_file()]
    assert sum(p.stat().st_size for p in files) < 3e6
    study = read_study(tmp_path / "cold" / "study.toml")
    digest, distrusted = load_screened(study)
    assert sum(stats.count for stats in digest.values()) == len(files) - 3
    assert not distrusted
    source, _ = read_truth_source(tmp_path / "cold" / "truth.toml", study)
    np.testing.assert_allclose(source, world.truth.source, rtol=1e-5)
    for name in ("study.toml", "log.csv", "truth.toml"):  # the demo at hand is this one
        assert (tmp_path / "cold" / name).read_bytes() == (COLD_DEMO / name).read_bytes()
    for file in sorted((COLD_DEMO / "traces").iterdir()):
        there = np.loadtxt(tmp_path / "cold" / "traces" / file.name, comments="#")
        np.testing.assert_allclose(np.loadtxt(file, comments="#"), there, rtol=1e-9, atol=2e-5)
