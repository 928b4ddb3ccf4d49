"""A study's device in the trade's units, against finite differences of the forward model and against magnetostatics."""

import math
from dataclasses import replace

import numpy as np
import pytest
from small_study import small_study

from fluxsense.base.units import dbm_to_watt
from fluxsense.design.sensing import against_pump_power, sensing, setting_slopes
from fluxsense.design.sensitivity import planned_experiment
from fluxsense.device.chip import ChipModel, nominal_parameters
from fluxsense.readout.chain import Chain
from fluxsense.study.readout import Element, Readout

BOLTZMANN = 1.380649e-23


@pytest.fixture(scope="module")
def chain():
    """-110 dBm at a chip whose noise is that of 2 K and the vacuum."""
    hemt = Element("hemt", "hemt", gain_db=40, temperature_k=4.0, added_k=2.0)
    return Chain(Readout(dbm_to_watt(-110), 100.0, 2, pause_s=1.0, source_temperature_k=0.02, up=(hemt,)))


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return small_study(tmp_path_factory.mktemp("sensing"))


def shifted(study, loop, by):
    loops = tuple(replace(x, offset_phi0=x.offset_phi0 + by * (n == loop)) for n, x in enumerate(study.loops))
    return replace(study, loops=loops)


def test_slopes_are_those_of_the_model(study):
    grid = np.linspace(4.95e9, 5.09e9, 15)
    experiment = planned_experiment(study, frequency_hz=grid)
    bench = next(b for b in experiment.benches if b.isolator == 1)
    points = setting_slopes(bench, nominal_parameters(study))
    step = 1e-4

    def s_at(changed):
        # the pump stays where it is, also where it is matched to the modes
        model = ChipModel(changed, bench.probes, [grid] * len(study.isolators))
        return model.scattering(nominal_parameters(changed), 1)[0]

    by_flux = (s_at(shifted(study, 2, step)) - s_at(shifted(study, 2, -step))) / (2 * step)
    for p, point in enumerate(points):
        np.testing.assert_allclose(point.by_flux[0], by_flux[p], atol=1e-5 * np.abs(by_flux).max())

    def tuned(by):
        iso = study.isolators[1]
        stage = replace(iso.stages[0], signal_frequency_hz=iso.stages[0].signal_frequency_hz + by)
        return replace(study, isolators=(study.isolators[0], replace(iso, stages=(stage, iso.stages[1]))))

    step = 1e3
    by_mode = (s_at(tuned(step)) - s_at(tuned(-step))) / (2 * step)
    # the pump moves the mode by a few parts in ten thousand more; the mode itself moves by 1/sqrt(1 + p (lam - 1)) of its frequency at zero flux: at 0.5 Phi0, ratio 3, p = 0.1
    lam = 4.0 / (math.cos(math.pi / 4) + 3.0)
    moved = 1 / math.sqrt(1 + 0.1 * (lam - 1))
    for p, point in enumerate(points):
        np.testing.assert_allclose(point.by_mode[0], by_mode[p] / moved, atol=1e-3 * np.abs(by_mode).max())


def test_flux_noise_and_source_noise(study, chain):
    result = sensing(study, chain)
    one = result.isolators[1].loops[0]
    assert one.loop == study.loops[2].name
    points = setting_slopes(
        next(
            b
            for b in planned_experiment(
                study, frequency_hz=np.linspace(study.sweep.start_hz, study.sweep.stop_hz, 201)
            ).benches
            if b.isolator == 1
        ),
        nominal_parameters(study),
    )
    slope = max(np.abs(x.by_flux[0]).max() for x in points)
    kelvin = 2.0 + 0.5 * 6.62607015e-34 * result.isolators[1].chain.frequency_hz / BOLTZMANN
    assert one.flux_noise_phi0 == pytest.approx(math.sqrt(BOLTZMANN * kelvin / 1e-14) / slope, rel=1e-4)
    # a uniform field: flux of B is B times the area along the normal (20 um squares along x, y, z and aslant)
    per_tesla = (20e-6) ** 2 / 2.067833848e-15
    normals = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], np.array([-1, -1, 2]) / math.sqrt(6)])
    noise = np.array([x.flux_noise_phi0 for iso in result.isolators for x in iso.loops])
    expected = 1 / np.sqrt((((normals * per_tesla) ** 2) / noise[:, None] ** 2).sum(axis=0))
    assert result.source_noise == pytest.approx(expected, rel=1e-9)
    # one sweep: 25 points, 2 averages at 100 Hz, both directions, and a second
    assert result.seconds_per_sweep == pytest.approx(study.sweep.points * 2 * 2 / 100.0 + 1.0, rel=1e-12)
    vapour = next(c for c in result.comparisons if c.sensor.field_noise_t == 160e-18)
    assert vapour.far_better
    assert one.corner_hz is None


def test_sweeping_is_no_better_than_staying(study, chain):
    quick = replace(chain, readout=replace(chain.readout, pause_s=0.0))
    for iso in sensing(study, quick).isolators:
        for loop in iso.loops:
            # both directions take a time each, off the best frequency less is learnt
            assert loop.flux_noise_sweep_phi0 > loop.flux_noise_phi0


def test_flicker_corner_where_flicker_is_stated(study, chain):
    noisy = replace(study, noise=replace(study.noise, flux_slow_phi0=1e-6))
    one = sensing(noisy, chain).isolators[0].loops[0]
    assert one.corner_hz == pytest.approx((1e-6 / one.flux_noise_phi0) ** 2, rel=1e-12)


def with_critical_current(study, current_a):
    def one(iso):
        return replace(iso, stages=tuple(replace(x, critical_current_a=current_a) for x in iso.stages))

    return replace(study, isolators=tuple(one(x) for x in study.isolators))


def test_self_kerr_per_photon(study):
    # K/2pi = cos f p^2 w^2 h/(32 E_J K^2), E_J/h = Phi0 I_c/(2 pi h) = 496.7 GHz at 1 uA; p = 0.1 at zero flux is
    # p lam/(1 + p (lam - 1)) at half a flux quantum, where the mode has come down by the root of the denominator:
    # about 0.8 kHz a photon (derived from the ring's quartic term)
    bench = planned_experiment(with_critical_current(study, 1e-6), frequency_hz=[5.0e9]).benches[0]
    kerr = setting_slopes(bench, nominal_parameters(study))[0].kerr_hz
    c = math.cos(math.pi / 4)
    lam = 4.0 / (c + 3.0)
    down = 1 + 0.1 * (lam - 1)
    by_hand = c * (0.1 * lam / down) ** 2 * (5.02e9**2 / down) / (32 * 496.68e9 * (c + 3.0) ** 2)
    assert kerr[0] == pytest.approx(by_hand, rel=2e-3)  # the pump moves the mode a little
    assert kerr[0] == pytest.approx(0.8e3, rel=0.2)


def test_kerr_limit_scales(study, chain):
    assert sensing(study, chain).isolators[0].kerr is None
    weak = sensing(with_critical_current(study, 1e-6), chain).isolators[0].kerr
    strong = sensing(with_critical_current(study, 1e-7), chain).isolators[0].kerr
    assert strong.bias == pytest.approx(10 * weak.bias, rel=1e-6)
    assert weak.equal_power_w / strong.equal_power_w == pytest.approx(10 ** (2 / 3), rel=1e-6)
    # -110 dBm: 48 photons at most in one stage (4 P/(h f k)), 0.8 kHz each, while 240 kHz change S21 by 1%
    assert 1e-5 < weak.bias < 0.01 * 48 * 0.8 / 240 * 1.5


def test_pump_power_up_to_the_limit(study, chain):
    points = against_pump_power(study, chain, 0, dbm_to_watt(-60), count=3)
    assert [10 * math.log10(p.power_w / 1e-3) for p in points] == pytest.approx([-72, -66, -60])
    assert points[-1].isolation_db > points[0].isolation_db
    alone = sensing(study, chain).isolators[0]
    assert points[-1].flux_noise_phi0 == pytest.approx(min(x.flux_noise_phi0 for x in alone.loops), rel=1e-9)
