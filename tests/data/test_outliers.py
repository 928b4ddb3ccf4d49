"""Sweeps that do not look like their repeats: false alarms by simulation, planted faults by construction."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_study import small_study

from fluxsense.data.campaign import load_campaign, load_screened
from fluxsense.data.digest import Distrusted, group_key
from fluxsense.data.outliers import FACTOR, RepeatScreen, gain_is_strange, repeat_scores, stands_out
from fluxsense.data.touchstone import Sweep, write_sweep
from fluxsense.infer.orient import distrusted_share, distrusted_words, kept_words
from fluxsense.simulate import draw_truth, sweeps, write_campaign
from fluxsense.study import Study, read_study


def noise(rng: np.random.Generator, repeats: int, points: int = 24) -> np.ndarray:
    return rng.normal(size=(repeats, 2, points)) + 1j * rng.normal(size=(repeats, 2, points))


def test_scores_of_like_repeats_are_near_one_and_raise_no_alarm() -> None:
    rng = np.random.default_rng(0)
    for repeats in (5, 8, 40):
        scores = np.concatenate([repeat_scores(30 + noise(rng, repeats)) for _ in range(200)])
        assert 0.6 < scores.mean() < 1.4
        assert scores.max() < FACTOR


def test_drift_of_gain_and_phase_is_not_distrusted() -> None:
    rng = np.random.default_rng(1)
    gain = 1 + 0.05 * (rng.normal(size=(8, 2, 1)) + 1j * rng.normal(size=(8, 2, 1)))
    shape = np.exp(1j * np.linspace(0, 3, 24)) * np.linspace(0.1, 1, 24)
    assert repeat_scores(100 * gain * shape + noise(rng, 8)).max() < FACTOR


def test_one_strange_sweep_is_found_and_only_that() -> None:
    rng = np.random.default_rng(2)
    values = 30 + noise(rng, 8)
    values[3, :, 8:14] += 12
    scores = repeat_scores(values)
    assert list(np.flatnonzero(scores > FACTOR)) == [3]


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    folder = tmp_path_factory.mktemp("screen")
    plain = small_study(folder, repeats=6)
    write_campaign(plain, draw_truth(plain, 1), folder)
    return read_study(folder / "study.toml")


def test_a_clean_campaign_is_left_alone(study: Study) -> None:
    digest, bad = load_screened(study)
    assert bad == []
    assert digest.content_hash() == load_campaign(study).content_hash()
    assert distrusted_words(digest, bad) == []
    assert distrusted_share(digest, bad) == 0


def test_a_flux_jump_in_one_sweep_is_left_out_and_named(study: Study, tmp_path: Path) -> None:
    """The sweep is replaced by one simulated with the loops 10 mPhi0 off, noise of its own."""
    truth = draw_truth(study, 1)
    off = truth.parameters.changed(offset_phi0=truth.parameters["offset_phi0"] + 0.01)
    jumped = [(row, sweep) for row, sweep in sweeps(study, replace(truth, parameters=off, seed=1))]
    row, sweep = next((r, s) for r, s in jumped if r.pump_on and r.repeat == 4)
    original = study.folder / row.file
    kept = original.read_bytes()
    try:
        write_sweep(original, Sweep(sweep.frequency_hz, sweep.s * (1 + 1e-9), 50.0), digits=5)
        digest, bad = load_screened(study)
    finally:
        original.write_bytes(kept)
    assert [d.file for d in bad] == [row.file]
    assert digest[group_key(row)].count == 5
    words = distrusted_words(digest, bad)
    assert row.file in words[0]
    assert "1 of " in words[0]
    assert distrusted_share(digest, bad) == pytest.approx(1 / 6)


def test_flux_noise_larger_than_white_noise_is_not_distrusted() -> None:
    """Deviations along one slope, drawn from one normal law: the score alone takes a tenth of them for faults."""
    rng = np.random.default_rng(4)
    f = np.linspace(-1, 1, 24)
    slope = np.stack([np.exp(-3 * f**2 + 1j * f), np.exp(-3 * f**2 + 2j * f)])
    for repeats in (5, 8, 20):
        high = named = jumps = 0
        for _ in range(200):
            values = 30 + noise(rng, repeats) + 12 * rng.normal(size=(repeats, 1, 1)) * slope
            found = np.flatnonzero(repeat_scores(values) > FACTOR)
            high += found.size
            named += sum(stands_out(values, int(n)) for n in found)
            values[1] += 12 * 100 * slope
            jumps += stands_out(values, 1)
        assert high / (200 * repeats) > 0.04
        assert named < {5: 25, 8: 20, 20: 15}[repeats]  # 10, 5 and 4 expected at most, and five of its standard errors
        assert jumps > (150 if repeats == 5 else 195)  # a hundred times the noise stands out all the same


def test_a_sweep_of_another_gain_is_found_and_ordinary_drift_is_not() -> None:
    """A wrong attenuator or power of the analyser: the same shape, less of it."""
    rng = np.random.default_rng(5)
    shape = np.exp(1j * np.linspace(0, 3, 24)) * np.linspace(0.1, 1, 24)
    for repeats in (3, 5, 8):
        gain = 1 + 0.01 * (rng.normal(size=(repeats, 2, 1)) + 1j * rng.normal(size=(repeats, 2, 1)))
        values = 100 * gain * shape + noise(rng, repeats)
        assert not gain_is_strange(values).any()
        values[1] *= 0.4
        assert list(np.flatnonzero(gain_is_strange(values))) == [1]
    wild = 1 + 0.2 * (rng.normal(size=(200, 2, 1)) + 1j * rng.normal(size=(200, 2, 1)))
    assert gain_is_strange(100 * wild * shape + noise(rng, 200)).mean() < 0.01  # drift that large is everywhere


def test_few_repeats_are_named_but_kept(study: Study) -> None:
    screen, whole = RepeatScreen(), RepeatScreen()
    victim = ""
    for row, sweep in sweeps(study, draw_truth(study, 2)):
        if row.repeat > 4:
            continue
        whole.add(group_key(row), sweep, row.file)
        if row.pump_on and row.repeat == 2 and not victim:
            victim = row.file
            s = sweep.s.copy()
            s[:5] += 2.0
            sweep = replace(sweep, s=s)
        screen.add(group_key(row), sweep, row.file)
    assert whole.distrusted() == []
    found = screen.distrusted()
    assert [(d.file, d.left_out) for d in found] == [(victim, False)]
    digest = load_campaign(study)
    assert distrusted_words(digest, found) == []
    assert distrusted_share(digest, found) == 0
    assert kept_words(found) == [
        f"Sweeps unlike their repeats, of which there are too few to leave any out: {victim}. Look at these first; with 5 "
        "repeats or more such a sweep is left out."
    ]


def test_half_a_group_left_out_is_a_reason_for_doubt(study: Study) -> None:
    digest = load_campaign(study)
    key = next(k for k in digest if k.pump_on)
    bad = [Distrusted(f"x{n}.s2p", key, 9.0) for n in range(6)]
    assert distrusted_share(digest, bad) == pytest.approx(0.5)
