"""Noise in the trade's units, against published sensors and closed forms."""

import math

import numpy as np
import pytest
from reference.magnets import rectangle_outline, regular_outline

from fluxsense.base.constants import BOHR_MAGNETON_A_M2, HBAR_J_S, PLANCK_J_S
from fluxsense.base.errors import InputError
from fluxsense.readout.noise import sigma_per_quadrature
from fluxsense.readout.published import PUBLISHED, compare, moment_noise_at
from fluxsense.readout.sensitivity import (
    centre_moment_noise_mu_b,
    energy_resolution_hbar,
    energy_resolution_j_s,
    flicker_corner_hz,
    flux_noise_at_one_frequency,
    flux_noise_of_energy_resolution_phi0,
    noise_from_information,
    source_noise,
)


@pytest.mark.parametrize(
    ("energy_h", "micro_phi0"),
    # Drung et al., IEEE Trans. Appl. Supercond. 21 (2011), abstract read: 50 pH; 0.62 h, 1.64 h, 14 h; flux noise: arithmetic
    [(0.62, 0.098), (1.64, 0.159), (14.0, 0.466)],
)
def test_energy_resolution_of_a_published_squid(energy_h, micro_phi0):
    noise = flux_noise_of_energy_resolution_phi0(energy_h * PLANCK_J_S, 50e-12)
    assert 1e6 * noise == pytest.approx(micro_phi0, abs=5e-4)
    assert energy_resolution_j_s(noise, 50e-12) / PLANCK_J_S == pytest.approx(energy_h, rel=1e-12)


def test_flux_noise_at_hbar():
    # 50 pH at an energy resolution of hbar: 49.7 nPhi0 (arithmetic)
    noise = flux_noise_of_energy_resolution_phi0(HBAR_J_S, 50e-12)
    assert 1e9 * noise == pytest.approx(49.7, abs=0.05)
    assert energy_resolution_hbar(noise, 50e-12) == pytest.approx(1.0, rel=1e-12)


def test_squid_on_a_tip():
    # Vasyukov et al., arXiv:1308.0694 (a summary read): 46 nm, 50 nPhi0, published 0.38 mu_B; as a filament 0.408 (arithmetic)
    filament = (
        50e-9 * 23e-9 / 2.8179403205e-15
    )  # sqrt(S) a/r_e, r_e the classical electron radius (CODATA, from memory)
    assert filament == pytest.approx(0.408, abs=5e-4)
    assert filament == pytest.approx(0.38, rel=0.1)  # the published loop is no thin filament
    circle = regular_outline(720, 23e-9)
    assert centre_moment_noise_mu_b(50e-9, circle) == pytest.approx(filament, rel=2e-5)


def test_moment_at_the_centre_of_a_loop():
    # square of side s: field at the centre 2 sqrt2 mu0 I/(pi s) (textbook), so flux 2 sqrt2 mu0 m/(pi s) by reciprocity
    side = 12e-6
    per_mu_b = 2 * math.sqrt(2) * 1.25663706127e-6 * BOHR_MAGNETON_A_M2 / (math.pi * side) / 2.067833848e-15
    square = rectangle_outline(side, side)
    assert centre_moment_noise_mu_b(1e-6, square) == pytest.approx(1e-6 / per_mu_b, rel=1e-9)
    crossed = [[-1, -1, 0], [1, 1, 0], [1, -1, 0], [-1, 1, 0]]
    with pytest.raises(InputError, match="area is zero"):
        centre_moment_noise_mu_b(1e-6, np.array(crossed) * 1e-6)


def test_flux_noise_is_that_of_averaged_samples():
    # the two routes: a spectral density, and samples of 1/B averaged over a time, of which S/(2 t) is left
    slope, power, kelvin, seconds = 3.0, 1e-14, 2.0, 7.0
    density = float(flux_noise_at_one_frequency(power, kelvin, slope))
    for bandwidth in (1.0, 1e3):
        sigma = float(sigma_per_quadrature(power, kelvin, bandwidth, bandwidth * seconds))
        assert sigma / slope == pytest.approx(density / math.sqrt(2 * seconds), rel=1e-12)
    assert float(
        noise_from_information(slope**2 / float(sigma_per_quadrature(power, kelvin, 1.0)) ** 2)
    ) == pytest.approx(density, rel=1e-12)
    assert flux_noise_at_one_frequency(power, kelvin, 0.0) == math.inf
    assert noise_from_information(0.0) == math.inf


def test_noise_of_white_draws():
    # a record of white noise of one-sided density S, sampled at rate r, has the variance S r/2 per sample: the mean over t
    # then scatters by S/(2 t), which `noise_from_information` takes for granted
    rng = np.random.default_rng(5)
    density, rate, seconds = 2e-6, 100.0, 4.0
    draws = rng.normal(scale=density * math.sqrt(rate / 2), size=(4000, int(rate * seconds)))
    seen = draws.mean(axis=1).var()
    assert float(noise_from_information(1 / (seen * seconds))) == pytest.approx(density, rel=4.5 / math.sqrt(2 * 4000))


def test_loops_read_together():
    rows = np.array([[1.0, 0.0, 2.0], [0.0, 0.0, 1.0]])
    noise = source_noise([0.1, 0.2], rows)
    # independent readings add their information: 1/(4/0.01 + 1/0.04)
    assert noise[0] == pytest.approx(0.1)
    assert noise[1] == math.inf
    assert noise[2] == pytest.approx(1 / math.sqrt(4 / 0.01 + 1 / 0.04))


def test_flicker_corner():
    # A^2/f = S at the corner: 1 uPhi0 at 1 Hz, 50 nPhi0 white: 400 Hz
    assert flicker_corner_hz(1e-6, 50e-9) == pytest.approx(400.0, rel=1e-12)


def test_published_table_is_consistent():
    assert all(x.source and x.mark and x.remark for x in PUBLISHED)
    tip = PUBLISHED[0]
    # at its centre-like nearest the tip makes about what was published of a moment
    near = moment_noise_at(tip, 0.0) / BOHR_MAGNETON_A_M2
    assert near == pytest.approx(0.408 * (1 + (10 / 23) ** 2) ** 1.5, rel=2e-3)
    # an axial dipole at 12 um gives mu0 m a^2/(2 z^3) in so small a loop
    far = moment_noise_at(tip, 12e-6)
    assert 50e-9 * 2.067833848e-15 / far == pytest.approx(
        1.25663706127e-6 * (23e-9) ** 2 / (2 * (12e-6) ** 3), rel=1e-4
    )


def test_comparison_names_what_is_far_better():
    field = {x.sensor.words: x for x in compare(1e-6, field_noise_t=1e-11)}
    vapour = field["potassium vapour magnetometer"]
    assert vapour.field_factor == pytest.approx(1e-11 / 160e-18, rel=1e-12)
    assert vapour.far_better
    assert field["SQUID of 46 nm diameter on a tip"].field_factor is None
    # 12 um away the tip is no match; brought near, it is
    moment = {x.sensor.words: x for x in compare(1e-6, moment_noise_a_m2=2000 * BOHR_MAGNETON_A_M2, distance_m=12e-6)}
    tip = moment["SQUID of 46 nm diameter on a tip"]
    assert not tip.far_better
    assert tip.approach_factor == pytest.approx(2000 / 0.38, rel=1e-12)
    assert tip.flux_factor == pytest.approx(20.0, rel=1e-12)
