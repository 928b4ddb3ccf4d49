"""What each sweep has for itself along frequency.

References: the cosine coefficients of a random walk, sqrt(2) a/(pi q) (Karhunen and Loeve's expansion of Brownian motion, textbook,
from memory); the covariance of ratios of means by hand; and, as a negative control, campaigns whose likelihood does not know of it.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_study import small_study

import fluxsense.infer.orient as inference
from fluxsense.data.digest import Digest, DigestBuilder, GroupKey, GroupStats, group_key
from fluxsense.data.touchstone import Sweep
from fluxsense.jobs.orient import Answer, orient
from fluxsense.jobs.simulate import draw_truth, sweeps
from fluxsense.model.family import own_directions
from fluxsense.model.within_sweep import ORDERS, cosines, wander, wander_shapes
from fluxsense.study import Study

POINTS, REPEATS, WHITE = 201, 60, 2e-3
FREQUENCY = np.linspace(4.9e9, 5.1e9, POINTS)
KEY = GroupKey("a", False, None, None, float("nan"), float("nan"), (0.0,), "out", "c1")
RESONANCE = 1 - 0.6 / (1 + 2j * (FREQUENCY - 5.01e9) / 30e6)
SLOPE = np.gradient(RESONANCE, FREQUENCY) * 3e8


def walk(rng: np.random.Generator, size: float) -> np.ndarray:
    """A complex random walk along the sweep, this far from its first frequency to its last in either quadrature."""
    step = rng.standard_normal((POINTS, 2)).view(np.complex128)[:, 0] / np.sqrt(POINTS)
    return np.asarray(size * np.cumsum(step))


def group(seed: int, within: float = 0.0, flux_phi0: float = 0.0, gain: float = 0.0) -> GroupStats:
    """Sweeps of two paths with gain errors, flux noise, a walk along each, white noise."""
    rng = np.random.default_rng(seed)
    builder = DigestBuilder()
    for n in range(REPEATS):
        s = np.zeros((POINTS, 2, 2), dtype=np.complex128)
        moved = RESONANCE + SLOPE * flux_phi0 * rng.standard_normal()
        for a, b in ((1, 0), (0, 1)):
            error = gain * rng.standard_normal(2).view(np.complex128)[0] + walk(rng, within)
            s[:, a, b] = moved * (1 + error) + WHITE * rng.standard_normal((POINTS, 2)).view(np.complex128)[:, 0]
        builder.add(KEY, Sweep(FREQUENCY, s, 50.0), time_s=float(n))
    return builder.freeze()[KEY]


def found(stats: GroupStats, known_flux: bool = True) -> np.ndarray:
    slopes = np.broadcast_to(SLOPE[stats.node_index], (1, 2, stats.node_index.size))
    return np.reshape(wander([(stats, np.full(2, WHITE), slopes if known_flux else slopes[:0])]), (-1, 2))


def test_a_random_walk_along_the_sweep_comes_back() -> None:
    each = np.array([found(group(seed, within=6e-3, gain=0.01, flux_phi0=1e-3)) for seed in range(8)])
    mean, error = each.mean(axis=0), each.std(axis=0, ddof=1) / np.sqrt(len(each))
    exact = np.sqrt(2) * 6e-3 / (np.pi * np.arange(1, ORDERS + 1))
    # the standard deviation that is added to a variance: of 2 (N - 1) squares, the walk's with white noise's
    for order in range(4):
        assert np.all(np.abs(mean[order] - exact[order]) < 4 * error[order] + 0.15 * exact[order])
    assert np.all(mean[4:] > exact[4:, None] - 4 * error[4:])
    assert np.all(mean[4:] < 2 * exact[4:, None])


def test_neither_white_noise_nor_gain_nor_flux_wanders() -> None:
    assert all(found(group(seed)).size == 0 for seed in range(20))
    shaken = group(3, gain=0.02, flux_phi0=2e-3)
    assert found(shaken).size == 0
    assert found(shaken, known_flux=False).size > 0  # the slopes it is


def test_directions_have_the_covariance_of_ratios_of_means() -> None:
    rng = np.random.default_rng(2)
    expected = rng.standard_normal((2, 2, 5, 2)).view(np.complex128)[..., 0]
    waves = cosines(np.linspace(4e9, 5e9, 5), 3)
    assert waves[1] == pytest.approx([1, 0, -1, 0, 1], abs=1e-12)
    amplitudes, counts = np.array([[0.1, 0.2], [0.0, 0.05], [0.3, 0.0]]), np.array([4.0, 9.0, 16.0])
    functions = wander_shapes(np.linspace(4e9, 5e9, 5), amplitudes.ravel())
    directions = own_directions(expected, functions, counts)
    assert len(directions) == 6 * 3 * 2  # six amplitudes, two groups and the divisor, two paths
    real = np.ascontiguousarray(directions).reshape(len(directions), -1).view(np.float64)
    total = np.zeros((real.shape[1], real.shape[1]))
    for path in range(2):
        for q in range(3):
            for turn, amplitude in zip((1, 1j), amplitudes[q], strict=True):
                for n in range(3):
                    one = np.zeros_like(expected)
                    for k in range(2):  # a group's own error; minus the divisor's, in all groups
                        if n == 2 or n == k:
                            sign = -1 if n == 2 else 1
                            one[k, path] = sign * turn * amplitude * waves[q] * expected[k, path] / np.sqrt(counts[n])
                    flat = one.reshape(-1).view(np.float64)
                    total += np.outer(flat, flat)
    assert np.allclose(real.T @ real, total, rtol=0, atol=1e-12)


def wandering(study: Study, size: float) -> Digest:
    """A campaign whose sweeps each wander along frequency."""
    rng = np.random.default_rng(11)
    builder = DigestBuilder()
    for row, sweep in sweeps(study, draw_truth(study, 2)):
        points = len(sweep.frequency_hz)
        steps = rng.standard_normal((points, 2, 2, 2)).view(np.complex128)[..., 0] / np.sqrt(points)
        builder.add(
            group_key(row), replace(sweep, s=sweep.s * (1 + size * np.cumsum(steps, axis=0))), time_s=row.time_s
        )
    return builder.freeze()


def inferred(folder: Path) -> Answer:
    study = small_study(folder, repeats=6, points=101)
    study = replace(study, noise=replace(study.noise, white=WHITE))
    return orient(study, wandering(study, 0.004), seed=1)


def test_a_campaign_that_wanders_is_believed_and_told(tmp_path: Path) -> None:
    result = inferred(tmp_path)
    assert result.document["predictive_check"]["p_value"] > 0.05
    assert result.verdict.trust == "reliable"
    assert any("smooth along a sweep" in x for x in result.document["findings"])
    assert len(result.document["data"]["learned"]["within"]) == 2 * ORDERS


def test_without_that_noise_it_is_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(inference, "wander_within_sweeps", lambda _: ())
    assert inferred(tmp_path).document["predictive_check"]["p_value"] < 1e-6
