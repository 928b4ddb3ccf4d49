"""Numerical edges: the right limit, from a closed form or many digits (mpmath), or a sentence.

References: the ring's and converter's equations evaluated with fifty digits; the field of a point dipole in its equatorial
plane, B = -mu0 m/(4 pi r^3) (Jackson, Classical Electrodynamics, section 5.6), integrated over the loop.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import mpmath as mp
import numpy as np
import pytest
from conftest import run
from reference.magnets import rectangle_outline
from small_study import small_study, study_text

from fluxsense.base.constants import FLUX_QUANTUM_WB, MAGNETIC_CONSTANT_N_A2
from fluxsense.base.errors import InputError
from fluxsense.device.chip import check_geometry
from fluxsense.device.isolator import hybrid_elements, isolator_scattering
from fluxsense.device.rings import ring_kind
from fluxsense.magnetics.flux_map import flux_map
from fluxsense.study import read_study

TESTS = Path(__file__).parents[1]
mp.mp.dps = 50


# ---------------------------------------------------------------- rings far up in flux


def mp_ring(flux: float, alpha: float, participation: float, w0: float):
    """Mode frequency and circulating current of a shunted (alpha > 0) or bare ring in its ground branch."""
    x = mp.mpf(flux)
    f = mp.pi / 2 * (x + (0 if alpha > 0 else -mp.nint(x)))
    lam = (1 + mp.mpf(alpha)) / (mp.cos(f) + alpha)
    return float(w0 / mp.sqrt(1 + mp.mpf(participation) * (lam - 1))), float(mp.sin(f))


@pytest.mark.parametrize("alpha", [0.0, 2.5, 3.0, 1e6])
@pytest.mark.parametrize("flux", [0.0, 1e-30, 0.5, 3.9999, 7.3, -12.7, 1234.4, -98765.2, 1e6 + 0.3])
def test_rings_fold_over_many_flux_quanta(alpha, flux):
    """The period is four flux quanta with shunts, one (but for the sign's branch) without; rounding grows with the flux."""
    ring = ring_kind("shunted" if alpha else "bare")
    numbers = {x.name: np.array(alpha) for x in ring.fields}
    f = ring.quarter_phase(flux)
    frequency, current = mp_ring(flux, alpha, 0.1, 7e9)
    rounding = 1e-13 + 4e-16 * abs(flux)
    assert float(ring.mode_frequency_hz(f, numbers, 7e9, 0.1)) == pytest.approx(frequency, rel=rounding, abs=0)
    assert float(ring.circulating_current(f, numbers)) == pytest.approx(current, rel=1e-12, abs=50 * rounding)


@pytest.mark.slow
def test_a_source_of_several_flux_quanta_is_not_believed_when_wrong(tmp_path):
    """Fifty microtesla put about ten flux quanta into each loop: the truth is found, or the verdict says not to believe."""
    study = small_study(tmp_path, size_ut=50.0)
    truth = tmp_path / "truth_in.toml"
    truth.write_text('[source]\nazimuth = "40 deg"\nelevation = "20 deg"\nsize = "50 uT"\n')
    assert run(["simulate", study.path, "--seed", 3, "--truth", truth]).code == 0
    done = run(["orient", study.path, "--json", "--no-report", "--effective", 150, "--max-time", 10])
    assert done.code in (0, 1)
    document = json.loads(done.out)
    if document["verdict"]["trust"] == "reliable":
        az, el = np.radians([40.0, 20.0])
        true = np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])
        assert max(float(np.dot(m["vector"], true)) for m in document["modes"]) > np.cos(np.radians(5.0))
    else:
        assert document["verdict"]["reasons"]
        assert done.code == 1


# ---------------------------------------------------------------- converters and isolators at their limits


def isolator(frequency_hz, coupling_hz):
    through, cross = hybrid_elements()
    return isolator_scattering(
        np.atleast_1d(frequency_hz),
        {
            "signal_frequency_hz": [[5e9, 5e9]],
            "idler_frequency_hz": [[7e9, 7e9]],
            "signal_linewidth_hz": 40e6,
            "signal_internal_hz": 0.0,
            "idler_linewidth_hz": 60e6,
            "idler_internal_hz": 0.0,
            "coupling_hz": [[coupling_hz, coupling_hz]],
            "pump_frequency_hz": 2e9,
            "pump_phase_rad": np.pi / 2,
            "link": np.sqrt(0.5),
            "hybrid_through": through,
            "hybrid_cross": cross,
        },
        ports=("11", "21", "12", "22"),
    )[0]


def test_far_off_resonance_the_hybrids_are_left():
    """Both converters reflect with r = 1, so S = H H = [[0, i], [i, 0]]: everything passes, the same both ways."""
    s = isolator(np.array([1e3, 5e12, 1e13]), 10e6)
    np.testing.assert_allclose(s[1], 1j, atol=2e-2)  # 5 GHz below and above the mode of 40 MHz: 0.8 % of phase
    np.testing.assert_allclose(s[1][1:], 1j, atol=1e-4)
    np.testing.assert_allclose(s[2], s[1], atol=1e-4)
    np.testing.assert_allclose(s[0], 0.0, atol=2e-2)


@pytest.mark.parametrize("rho", [0.0, 1e-30, np.sqrt(2) - 1, 1.0, 30.0, 1e6, 1e15])
def test_isolator_on_resonance_for_any_strength(rho):
    """Equal stages, hybrid link, theta = pi/2, on resonance, against the equations with fifty digits.

    With z^2 = 1/2: eps = 1/2, s = 3/4, d = 0: I_jj = s/(eps kb/4), I_12 = -z/(eps kb/4); everything in units of ka.
    """
    g = mp.mpf(rho) * mp.sqrt(mp.mpf(40) * 60) / 2
    ka, kb = mp.mpf(40), mp.mpf(60)
    eps, s, z = mp.mpf(1) / 2, mp.mpf(3) / 4, 1 / mp.sqrt(2)
    den = eps * kb**2 / 4
    own, across = s * kb / den, -kb * z / den
    a = ka / 2 + g**2 * own
    a_12, a_21 = g**2 * across * mp.mpc(0, -1), g**2 * across * mp.mpc(0, 1)
    det = a * a - a_12 * a_21
    r, t_12, t_21 = 1 - ka * a / det, ka * a_12 / det, ka * a_21 / det
    h = mp.matrix([[1, mp.mpc(0, 1)], [mp.mpc(0, 1), 1]]) / mp.sqrt(2)
    exact = h * mp.matrix([[r, t_12], [t_21, r]]) * h
    got = isolator(5e9, float(g) * 1e6)[:, 0]
    for value, want in zip(got, (exact[0, 0], exact[1, 0], exact[0, 1], exact[1, 1]), strict=True):
        assert abs(complex(value) - complex(want)) < 1e-12
    assert np.all(np.isfinite(got))
    assert np.sum(np.abs(got[:2]) ** 2) <= 1 + 1e-12


# ---------------------------------------------------------------- geometry at its limits


@pytest.mark.parametrize("place", [(30e-6, 0.0), (11e-6, 4e-6), (1.0, 2.0)])
def test_a_dipole_in_the_plane_of_a_loop(place):
    """Its in-plane components give no flux; the normal one that of -mu0 m/(4 pi r^3) over the loop."""
    outline = rectangle_outline(20e-6, 12e-6)
    rows = flux_map([outline], "dipole", position_m=np.array([*place, 0.0]))[0]
    x, y = (mp.mpf(c) for c in place)
    a, b = mp.mpf(20e-6) / 2, mp.mpf(12e-6) / 2

    def strip(u: object) -> object:
        """Integral of (u^2 + v^2)^(-3/2) over v across the loop, v/(u^2 sqrt(u^2 + v^2)) between the ends."""
        return sum(s * v / (u**2 * mp.sqrt(u**2 + v**2)) for s, v in ((1, b - y), (-1, -b - y)))

    area = mp.quad(strip, [-a - x, a - x])
    exact = -mp.mpf(MAGNETIC_CONSTANT_N_A2) / (4 * mp.pi) * area / mp.mpf(FLUX_QUANTUM_WB)
    assert rows[2] == pytest.approx(float(exact), rel=1e-9, abs=0)
    assert np.max(np.abs(rows[:2])) <= 1e-12 * abs(rows[2])


def test_a_dipole_inside_a_loop_in_its_plane():
    """What leaves through the plane outside comes back inside: the flux is minus that of the plane's rest, by quadrature."""
    half = 10e-6
    outline = rectangle_outline(2 * half, 2 * half)
    rows = flux_map([outline], "dipole", position_m=np.array([0.0, 0.0, 0.0]))[0]
    # outside a square: 8 times the wedge from 0 to 45 degrees, integral of r^-2 from half/cos to infinity = cos/half
    rest = 8 * mp.quad(lambda t: mp.cos(t) / mp.mpf(half), [0, mp.pi / 4])
    exact = mp.mpf(MAGNETIC_CONSTANT_N_A2) / (4 * mp.pi) * rest / mp.mpf(FLUX_QUANTUM_WB)
    assert rows[2] == pytest.approx(float(exact), rel=1e-12, abs=0)
    assert np.max(np.abs(rows[:2])) <= 1e-12 * rows[2]


def test_touching_loops_add_up_to_their_union(tmp_path):
    """Two squares that share a side: currents along it cancel, so the flux map of the rectangle is the sum."""
    left, right = (
        rectangle_outline(10e-6, 8e-6, centre_m=(-5e-6, 0, 0)),
        rectangle_outline(10e-6, 8e-6, centre_m=(5e-6, 0, 0)),
    )
    whole = rectangle_outline(20e-6, 8e-6)
    for kind, place in (("uniform_field", None), ("dipole", np.array([1e-6, 2e-6, 3e-6]))):
        rows = flux_map([left, right, whole], kind, position_m=place)
        np.testing.assert_allclose(rows[0] + rows[1], rows[2], rtol=1e-12, atol=1e-12 * np.abs(rows).max())
    text = study_text().replace('center = ["100 um", "0 um"]', 'center = ["20 um", "0 um"]')
    text = text.replace('chip = "chip_y"', 'chip = "chip_x"')
    (tmp_path / "study.toml").write_text(text)
    assert run(["check", tmp_path / "study.toml"]).code == 0


def test_a_dipole_on_the_wire_is_a_sentence(tmp_path):
    text = study_text().replace(
        'kind = "uniform_field"\nsize = "1.0 uT"',
        'kind = "dipole"\nsize = "1 fA m^2"\nposition = ["0 um", "10 um", "0 um"]',
    )
    (tmp_path / "study.toml").write_text(text)
    with pytest.raises(InputError, match=r"loop\[a1\]\.outline: the dipole at source\.position lies on the wire"):
        check_geometry(read_study(tmp_path / "study.toml"))


# ---------------------------------------------------------------- campaigns at their limits


def inferred(folder: Path, text: str, truth: str = "") -> tuple[int, dict, str]:
    """Simulated and inferred: exit code, document, complaints."""
    (folder / "study.toml").write_text(text)
    more = []
    if truth:
        (folder / "stated.toml").write_text(truth)
        more = ["--truth", folder / "stated.toml"]
    assert run(["simulate", folder / "study.toml", "--seed", 3, *more]).code == 0
    done = run(["orient", folder / "study.toml", "--json", "--no-report", "--effective", 150, "--max-time", 10])
    return done.code, json.loads(done.out) if done.code < 2 else {}, done.err


def away_deg(folder: Path, document: dict) -> float:
    """Angle between the mean direction and the truth, in degrees."""
    text = (folder / "truth.toml").read_text()
    az, el = (np.radians(float(re.search(rf'{k} = "([-0-9.]+) deg"', text)[1])) for k in ("azimuth", "elevation"))
    true = np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])
    return float(np.degrees(np.arccos(np.clip(np.dot(true, document["direction"]["vector"]), -1, 1))))


def test_traces_without_any_noise(tmp_path):
    """The direction to the rounding of five digits; that the repeats agree better than that is no traceback."""
    text = study_text(points=11).replace("white = 0.01", "white = 0.0").replace("gain_drift = 0.002", "gain_drift = 0")
    _, document, err = inferred(tmp_path, text.replace('phase_drift = "0.2 deg"', ""))
    assert document, err
    assert away_deg(tmp_path, document) < 0.002


def test_a_source_of_size_zero(tmp_path):
    """The odds are against a source, and no direction is quoted to a degree."""
    truth = '[source]\nazimuth = "0 deg"\nelevation = "0 deg"\nsize = "0 T"\n'
    _, document, err = inferred(tmp_path, study_text(points=11), truth)
    assert document, err
    assert document["log_bayes_factor"] < 0
    assert document["region"][1]["solid_angle_sr"] > 1.5


@pytest.mark.parametrize("points", [1, pytest.param(3, marks=pytest.mark.slow)])
def test_one_repeat_and_few_points(tmp_path, points):
    """Noise as the study states it: the direction within four times its cone."""
    text = study_text(repeats=1, points=points, wiring="+90 deg")
    if points == 1:
        text = text.replace('start = "4.93 GHz"', 'start = "4.99 GHz"').replace(
            'stop = "5.07 GHz"', 'stop = "4.99 GHz"'
        )
    code, document, err = inferred(tmp_path, text)
    assert code < 2, err
    assert away_deg(tmp_path, document) < max(4 * document["region"][1]["cone_deg"], 1.0)


@pytest.mark.slow
def test_one_isolator(tmp_path):
    """Two loops see two components of a field: the third is said to be left to the prior."""
    text = re.sub(r'\[\[isolator\]\]\nname = "b".*?(?=\[\[state)', "", study_text(points=11), flags=re.DOTALL)
    code, document, err = inferred(tmp_path, text)
    assert code < 2, err
    assert any("rank two" in finding for finding in document["findings"])
    assert document["region"][1]["solid_angle_sr"] > 0.01


def test_sweeps_far_off_resonance_are_a_sentence(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(
        study_text(points=5).replace("4.93 GHz", "9.3 GHz").replace("5.07 GHz", "9.6 GHz"), encoding="utf-8"
    )
    outcome = run(["simulate", path])
    assert outcome.code == 2
    assert "is far off every signal mode" in outcome.err


def test_extreme_numbers_in_some_fields():
    """Every twenty-seventh case of the documented command."""
    done = subprocess.run(
        [sys.executable, str(TESTS / "faults" / "edges.py"), "--every", "27"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    rows = {line.split()[0]: line.split()[1:] for line in done.stdout.splitlines()[-2:]}
    assert int(rows["check"][0]) >= 10
    assert int(rows["check"][1]) >= 20
