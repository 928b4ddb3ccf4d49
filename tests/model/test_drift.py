"""Drift from blocks of time: amplitudes that were drawn come back; closed forms and brute force for the rest.

References: walks and errors drawn here; the covariance min(t, t') of a random walk summed over all pairs of sweeps.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from fluxsense.data.digest import Digest, DigestBuilder, GroupKey
from fluxsense.data.touchstone import Sweep
from fluxsense.model.drift import confounding, drift_series, slow_drift
from fluxsense.model.flicker import draw, group_covariance, walk_covariance

F = np.linspace(4.9e9, 5.1e9, 41)
STEP = 10.0
WHITE = 1e-3


def key(number: int, on: bool = True) -> GroupKey:
    pump = (-60.0, 2.3e9) if on else (math.nan, math.nan)
    return GroupKey("one", on, 1 if on else None, None, *pump, (1e-4 * number,), "in", "c1")


def traces(number: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean of S21 and S12 (2, F) of a setting behind a cable, and its slope with the flux of one loop."""
    x = (F - 5e9 - 4e6 * number) / 30e6
    line = np.exp(2j * np.pi * F * 30e-9)
    mean = np.stack([1 - 0.8 / (1 - 2j * x), 0.4 + 0.3 / (1 - 2j * x)]) * line
    slope = np.stack([0.8 * 2j / (1 - 2j * x) ** 2, -0.3 * 2j / (1 - 2j * x) ** 2]) * line
    return mean, 2.0 * slope


def campaign(rng: np.random.Generator, gain: np.ndarray, flux: np.ndarray, groups: int, fast: float = 0.0) -> Digest:
    """Sweeps of several settings in turns, with a gain of S21 and a flux that wander."""
    builder = DigestBuilder()
    for n in range(len(gain)):
        mean, slope = traces(n % groups)
        s = np.zeros((F.size, 2, 2), dtype=complex)
        moved = mean + flux[n] * slope
        s[:, 1, 0] = moved[0] * (1 + gain[n] + fast * rng.normal())
        s[:, 0, 1] = moved[1]
        s += WHITE * (rng.normal(size=s.shape) + 1j * rng.normal(size=s.shape))
        builder.add(key(n % groups), Sweep(F, s), STEP * n)
    return builder.freeze()


def found(digest: Digest, groups: int) -> list:
    nodes = next(iter(digest.values())).node_index
    slopes = {key(n): traces(n)[1][None][..., nodes] for n in range(groups)}
    return drift_series(digest, "one", {k: np.full(2, WHITE) for k in digest}, slopes)


@pytest.mark.parametrize("groups", [1, 4])
def test_a_walk_of_gain_and_of_flux_comes_back(groups):
    """Of 12 campaigns each the mean amplitude lies within 4 of its errors of what was drawn, and the stated errors are about right."""
    rng = np.random.default_rng(groups)
    gain, flux = 5e-4, 2e-4
    got = []
    for _ in range(12):
        walks = np.cumsum(rng.normal(0, np.sqrt(STEP), (2, 96)), axis=1)
        series = found(campaign(rng, gain * walks[0], flux * walks[1], groups, fast=8e-3), groups)
        got.append([slow_drift(series[0]), slow_drift(series[4]), slow_drift(series[2])])
    for n, truth in enumerate((gain, flux)):
        values = np.array([g[n].amplitude for g in got])
        errors = np.array([g[n].error for g in got])
        assert np.mean(values) == pytest.approx(truth, abs=4 * np.std(values) / np.sqrt(12))
        assert 0.5 < np.median(errors) / np.std(values) < 2
        assert np.median([g[n].log_ratio for g in got]) > 3
    assert np.median([g[0].fast for g in got]) == pytest.approx(8e-3, rel=0.25)
    # the gain of S12 does not wander: told so, within the error
    assert np.median([g[2].log_ratio for g in got]) < 1
    assert np.median([g[2].amplitude for g in got]) < 0.1 * gain


def test_flicker_noise_comes_back():
    rng = np.random.default_rng(3)
    values = []
    for _ in range(12):
        flux = 3e-3 * draw(rng, 96, STEP, 96 * STEP)
        series = found(campaign(rng, np.zeros(96), flux, 2), 2)
        values.append(slow_drift(series[4], group_covariance).amplitude)
    assert np.mean(values) == pytest.approx(3e-3, rel=0.1, abs=4 * np.std(values) / np.sqrt(12))


def test_nothing_is_said_without_blocks():
    series = found(campaign(np.random.default_rng(4), np.zeros(2), np.zeros(2), 2), 2)
    drift = slow_drift(series[0])
    assert drift.amplitude == 0
    assert drift.error == np.inf


def test_confounding_by_hand_and_by_brute_force():
    n = 2000
    times = np.arange(n) * STEP
    first = confounding(times, ["a"] * n, [0.0] * (n // 2) + [1.0] * (n // 2))
    assert first.share == pytest.approx(1 / np.sqrt(3), rel=1e-3)
    assert first.serious
    turns = confounding(times, ["a"] * n, [0.0, 1.0] * (n // 2))
    assert turns.in_turns
    assert not first.in_turns
    assert turns.share == pytest.approx(first.interleaved, rel=0.1)
    assert turns.share < 0.05
    assert not turns.serious
    rng = np.random.default_rng(6)
    times, c, s = rng.uniform(0, 100, 30), rng.choice([-1.0, 0.0, 1.0], 30), rng.integers(0, 3, 30)
    weight = np.array([c[i] - c[s == s[i]].mean() for i in range(30)])
    weight /= np.sum(weight**2)
    brute = weight @ np.minimum(times[:, None], times) @ weight
    assert confounding(times, list(s), c).share == pytest.approx(np.sqrt(brute / np.ptp(times)), rel=1e-12)
    windows = walk_covariance([[(t, t, 1)] for t in times])
    assert weight @ windows @ weight == pytest.approx(brute, rel=1e-9)
    assert confounding(times, list(s), np.ones(30)).share == 0
    assert confounding([1.0], ["a"], [1.0]).share == 0
