"""Optimal split of sweeps: textbook design, the equivalence theorem, rounding, time to an error."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.design.schedule import (
    OptimalDesign,
    best_schedule,
    candidates,
    check_rate,
    confusion_rate,
    frequency_shares,
    multiplicative,
    round_weights,
    sweeps_of,
    time_to_error,
    time_to_error_rate,
    with_sweeps,
)
from fluxsense.design.schedule import root_mean_square_deg as error_of
from fluxsense.design.sensitivity import direction_points, planned_experiment, points_at, predict


def optimal_weights(m: np.ndarray, criterion: str, tolerance: float) -> OptimalDesign:
    """Weights on candidates with informations m (n, p, p): D, minus the log determinant, or A, the trace of the inverse."""

    def sensitivities(w: np.ndarray) -> tuple[float, np.ndarray]:
        inverse = np.linalg.inv(np.tensordot(w, m, axes=1))
        if criterion == "D":
            return float(np.linalg.slogdet(inverse)[1]), np.einsum("ij,nji->n", inverse, m)
        return float(np.trace(inverse)), np.einsum("ij,nji->n", inverse @ inverse, m)

    return multiplicative(sensitivities, len(m), 1.0 if criterion == "D" else 0.5, tolerance, 100_000)


def test_d_optimal_quadratic_regression() -> None:
    """Quadratic on [-1, 1]: weights 1/3 at -1, 0, 1; det M = 4/27; largest variance function p = 3.

    Equivalence theorem: Farrell, Kiefer and Walbran, Optimum multivariate designs, eqs 1.1-1.4; the design from memory.
    """
    t = np.linspace(-1, 1, 101)
    f = np.stack([np.ones_like(t), t, t * t], axis=1)
    design = optimal_weights(f[:, :, None] * f[:, None, :], "D", tolerance=1e-4)
    assert design.limit == pytest.approx(3.0, rel=1e-12)
    assert design.largest == pytest.approx(3.0, rel=2e-4)
    assert np.exp(-design.value) == pytest.approx(4 / 27, rel=2e-4)
    for at in (-1, 0, 1):
        assert design.weights[np.abs(t - at) < 0.05].sum() == pytest.approx(1 / 3, abs=3e-3)


def test_a_optimal_two_unequal_instruments() -> None:
    """Two separate quantities with information 1 and 4 per sweep: sum of variances 1/w1 + 1/(4 w2) is least at 2:1 (calculus)."""
    design = optimal_weights(np.array([np.diag([1.0, 0.0]), np.diag([0.0, 4.0])]), "A", tolerance=1e-10)
    np.testing.assert_allclose(design.weights, [2 / 3, 1 / 3], atol=1e-6)
    assert design.value == pytest.approx(9 / 4, rel=1e-9)


def test_a_candidate_that_was_dropped_comes_back() -> None:
    """Lines through a plane, weights below 0.06 dropped on the way: the bound is met of every set, which takes some of them back."""
    rng = np.random.default_rng(0)
    for _ in range(100):
        f = rng.standard_normal((6, 2))
        m = f[:, :, None] * f[:, None, :] * rng.uniform(0.1, 3.0, 6)[:, None, None]

        def sensitivities(w: np.ndarray, m: np.ndarray = m) -> tuple[float, np.ndarray]:
            inverse = np.linalg.inv(np.tensordot(w, m, axes=1))
            return float(np.trace(inverse)), np.einsum("ij,nji->n", inverse @ inverse, m)

        assert multiplicative(sensitivities, 6, 0.5, 1e-4, 3000, drop=0.06).excess <= 1e-4


def test_unusable_designs_are_refused() -> None:
    with pytest.raises(InputError, match="no split of the sweeps"):
        multiplicative(lambda w: (np.inf, np.full(1, np.inf)), 1, 0.5, 1e-6, 10)
    with pytest.raises(InputError, match="fewer than the 4"):
        round_weights([0.5, 0.5], 3, 2)


def test_rounding_keeps_total_and_least() -> None:
    rng = np.random.default_rng(0)
    for _ in range(50):
        w = rng.dirichlet(np.full(7, 0.5))
        least = rng.integers(0, 2, 7)
        n = round_weights(w, 60, least)
        assert n.sum() == 60
        assert np.all(n >= least)
        assert np.all(np.abs(n - 60 * w) <= 4)
    np.testing.assert_array_equal(round_weights([0.5, 0.25, 0.25], 8), [4, 2, 2])


@pytest.mark.parametrize("seed", range(12))
def test_apportionment_is_the_fairest_there_is(seed: int) -> None:
    """Every way to split a total over four weights: none gives the worst served of them a larger part of its due.

    That is what efficient rounding does (Pukelsheim and Rieder 1992, from memory): it makes the smallest n_i/w_i largest.
    """
    rng = np.random.default_rng(seed)
    w = rng.dirichlet(np.full(4, 1.5))
    total = int(rng.integers(4, 16))
    best = max(
        min(np.array([a, b, c, total - a - b - c]) / w)
        for a in range(total + 1)
        for b in range(total + 1 - a)
        for c in range(total + 1 - a - b)
    )
    found = round_weights(w, total)
    assert found.sum() == total
    assert min(found / w) == pytest.approx(best, rel=1e-12)


@pytest.mark.parametrize("slow", [0.0, 1e-3])
def test_split_of_a_campaign(tmp_path: Path, slow: float) -> None:
    """The bound is met within 1%, no other split beats it, and offsets ask for sweeps with the source out."""
    study = small_study(tmp_path, repeats=10, wiring="+90 deg")
    study = replace(study, noise=replace(study.noise, flux_slow_phi0=slow))
    experiment = planned_experiment(study, most_points=11)
    x = direction_points(experiment.unknowns, 4, seed=3)
    schedule = best_schedule(experiment, x)
    assert schedule.design.excess < 0.01
    assert schedule.error_best_deg <= schedule.error_now_deg * (1 + 1e-9)
    assert schedule.error_rounded_deg < 1.05 * schedule.error_best_deg
    assert schedule.sweeps.sum() == sweeps_of(experiment).sum()
    share = {
        s: sum(n for c, n in zip(schedule.candidates, schedule.sweeps, strict=True) if c.state == s)
        for s in ("out", "in")
    }
    assert min(share.values()) > 0.25 * sum(share.values())
    rng = np.random.default_rng(1)
    best = schedule.error_best_deg**2
    for _ in range(20):
        w = schedule.design.weights * np.exp(0.5 * rng.standard_normal(schedule.design.weights.size))
        other = error_of(predict(with_sweeps(experiment, sweeps_of(experiment).sum() * w / w.sum()), x)) ** 2
        assert other > best * (1 - schedule.design.excess)


def test_slow_flux_noise_is_a_floor(tmp_path: Path) -> None:
    """Spectrum A^2/f: more sweeps do not help, and the floor grows in proportion to A."""
    study = small_study(tmp_path, repeats=10, wiring="+90 deg")
    x = direction_points(planned_experiment(study).unknowns, 3, seed=3)
    floors = []
    for slow in (0.0, 1e-3, 2e-3):
        noisy = replace(study, noise=replace(study.noise, flux_slow_phi0=slow))
        experiment = planned_experiment(noisy, most_points=11)
        found = time_to_error(experiment, x, 1e-9)
        assert not found.reachable
        assert found.floor_without_slow_noise_deg == pytest.approx(floors[0] if floors else found.floor_deg, rel=1e-3)
        floors.append(found.floor_deg)
    assert floors[0] < 1e-3 * floors[1]
    assert floors[2] == pytest.approx(2 * floors[1], rel=0.03)  # the priors bend it
    # four times the repeats, the plan laid out anew: the floor is the same but for the logarithm of the band
    longer = replace(
        study, noise=replace(study.noise, flux_slow_phi0=1e-3), plan=replace(study.plan, repeats=40, off_repeats=40)
    )
    again = time_to_error(planned_experiment(longer, most_points=11), x, 1e-9).floor_deg
    assert again == pytest.approx(floors[1], rel=0.15)


def test_time_to_an_error_and_its_floor(tmp_path: Path) -> None:
    study = small_study(tmp_path, repeats=10, wiring="+90 deg")
    experiment = planned_experiment(study, most_points=11)
    x = direction_points(experiment.unknowns, 3, seed=3)
    now = error_of(predict(experiment, x))
    # all errors of this study average down: half the error takes four times as long (the prior's share is negligible)
    found = time_to_error(experiment, x, now / 2)
    assert found.reachable
    assert found.sweeps == pytest.approx(4 * sweeps_of(experiment).sum(), rel=5e-3)
    assert found.seconds == pytest.approx(20 * found.sweeps)
    loud = replace(study, noise=replace(study.noise, flux_phi0=1e-3))
    found = time_to_error(planned_experiment(loud, most_points=11), x, now / 20)
    assert found.reachable
    assert found.floor_if_flux_noise_stays_deg > now / 20
    # without reference sweeps the offsets, known to 10 mPhi0, are in the way for ever
    blind = planned_experiment(study, states=["in"], most_points=11)
    out_of_reach = time_to_error(blind, x, now)
    assert not out_of_reach.reachable
    assert out_of_reach.floor_deg > now
    assert out_of_reach.seconds == np.inf
    with pytest.raises(InputError, match="cannot be wanted"):
        time_to_error(blind, x, 0.0)


def test_confusion_with_the_reverse_is_that_of_two_normal_laws(tmp_path: Path) -> None:
    """A weak field of known size: distance 2 v of two linear-Gaussian hypotheses, nuisances marginalised."""
    study = small_study(
        tmp_path, repeats=3, wiring="+90 deg", size_ut=3e-3, source='size_prior = "known"\nsize_sd = "3e-6 uT"'
    )
    experiment = planned_experiment(study, most_points=11)
    vectors = np.array([[0.48, 0.62, 0.62], [-0.8, 0.36, -0.48]])
    expected = []
    for v in vectors / np.linalg.norm(vectors, axis=1, keepdims=True):
        p = predict(experiment, points_at(experiment.unknowns, v))
        n = p.unknowns.size - 3
        full = p.information[0] + np.diag([0.0] * 3 + [1.0] * n)
        source = full[:3, :3] - full[:3, 3:] @ np.linalg.solve(full[3:, 3:], full[3:, :3])
        expected.append(ndtr(-np.sqrt(v @ source @ v)))
    assert 0.02 < np.mean(expected) < 0.4
    found, against = confusion_rate(experiment, vectors)
    assert against == "its reverse"
    assert found == pytest.approx(np.mean(expected), rel=0.01)
    answer = time_to_error_rate(experiment, vectors, 0.01)
    assert answer.reachable
    sweeps = sweeps_of(experiment)
    again = with_sweeps(experiment, sweeps * answer.sweeps / sweeps.sum())
    assert confusion_rate(again, vectors)[0] == pytest.approx(0.01, rel=0.02)
    assert answer.seconds == pytest.approx(study.plan.seconds_per_sweep * answer.sweeps)


def test_what_zero_bias_cannot_tell_needs_time_without_end(tmp_path: Path) -> None:
    study = small_study(tmp_path, fluxes=((0.0,) * 4,), ports=(1,), wiring="+90 deg", offset_sd_mphi0=0.0)
    answer = time_to_error_rate(planned_experiment(study, most_points=9), np.eye(3)[:1], 0.01)
    assert not answer.reachable
    assert answer.sweeps == answer.seconds == np.inf
    assert answer.floor == pytest.approx(0.5, abs=0.02)


def test_listed_candidates_are_told_from_each_other(tmp_path: Path) -> None:
    listed = 'direction_prior = "list"\ndirection_candidates = [[0, 0, 1], [0, 0, -1], [1, 1, 0.3]]\n'
    study = small_study(tmp_path, wiring="+90 deg", size_ut=1.5e-2, source=listed)
    experiment = planned_experiment(study, most_points=9)
    x = direction_points(experiment.unknowns, 3, 1)
    assert np.allclose(x[:, :3], study.source.direction.candidates)
    assert np.all(predict(experiment, x).angular_error_rad() > 0)
    rate, against = confusion_rate(experiment, x[:, :3])
    assert against == "another candidate"
    assert 0 < rate < 0.5
    assert time_to_error_rate(experiment, x[:, :3], 0.01).reachable


def test_impossible_error_rates_are_refused(tmp_path: Path) -> None:
    study = small_study(tmp_path)
    with pytest.raises(InputError, match="cannot be wanted"):
        check_rate(0.5, planned_experiment(study).unknowns)
    cap = 'direction_prior = "cap"\ndirection_axis = [0, 0, 1]\ndirection_half_angle = "40 deg"'
    with pytest.raises(InputError, match="excludes the reverse"):
        check_rate(0.1, planned_experiment(small_study(tmp_path, source=cap)).unknowns)


def test_shares_of_frequencies(tmp_path: Path) -> None:
    study = small_study(tmp_path, repeats=10, wiring="+90 deg", points=41)
    experiment = planned_experiment(study, most_points=41)
    x = direction_points(experiment.unknowns, 3, seed=3)
    found = frequency_shares(experiment, x, kept=0.8)
    assert found.share.sum() == pytest.approx(1.0)
    assert np.all(found.share >= 0)
    assert 1 < found.points < 41
    assert found.error_short_deg >= found.error_full_deg
    assert found.error_short_deg < 2 * found.error_full_deg


def test_candidates_name_every_kind_of_sweep(tmp_path: Path) -> None:
    experiment = planned_experiment(small_study(tmp_path))
    every = candidates(experiment)
    assert len(every) == 2 * 2 * 2 * 2  # isolators, biases, states, on and off
    assert {c.setting for c in every} == {"s1", "s2", None}
