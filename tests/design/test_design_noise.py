"""Bad sweeps and flux jumps: what `simulate` makes of them, and what a plan expects.

References: the variance of a compound Poisson process n d^2 t/T (textbook), binomial and Poisson laws of scipy, and campaigns
simulated and inferred.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom, poisson
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.design.schedule import sweeps_of, with_sweeps
from fluxsense.design.sensitivity import direction_points, planned_experiment, points_at, predict
from fluxsense.jobs.orient import orient
from fluxsense.jobs.simulate import _BadSweeps, _slow_flux, draw_truth, simulate_digest, sweeps
from fluxsense.model.flicker import wandering_covariance
from fluxsense.model.priors import expected_walk_phi0, prior_sizes
from fluxsense.study import Study

DIRECTION = np.array([0.48, -0.6, 0.64])


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return small_study(tmp_path_factory.mktemp("noise"), repeats=10, wiring="+90 deg")


def with_noise(study: Study, **changes: float) -> Study:
    return replace(study, noise=replace(study.noise, **changes))


def test_the_stated_share_of_sweeps_is_bad_and_the_others_are_untouched(study: Study) -> None:
    clean = _BadSweeps.drawn(study, draw_truth(study, 3))
    assert np.all(clean.flux_phi0 == 0)
    assert np.all(clean.gain == 1)
    assert np.all(clean.louder == 1)
    some = with_noise(study, bad_sweeps=0.2)
    count = kinds = 0
    total = np.zeros(3)
    for seed in range(40):
        bad = _BadSweeps.drawn(some, draw_truth(some, seed))
        hit = np.stack([np.any(bad.flux_phi0 != 0, axis=1), np.any(bad.gain != 1, axis=1), bad.louder != 1])
        assert np.all(hit.sum(axis=0) <= 1)  # one thing at a time
        count, total = count + hit.shape[1], total + hit.sum(axis=1)
    kinds = int(total.sum())
    assert binom(count, 0.2).cdf(kinds) > 1e-4
    assert binom(count, 0.2).sf(kinds - 1) > 1e-4
    assert np.all(np.abs(total - kinds / 3) < 4 * np.sqrt(kinds / 3))


def test_jumps_have_the_covariance_of_a_walk(study: Study) -> None:
    """Over many campaigns: as many steps as a Poisson law has, and the variance of the campaign's halves that a walk gives them."""
    rate, size = 1.5, 4e-3
    jumping = with_noise(study, flux_jumps=rate, flux_jump_phi0=size)
    paths, jumps = [], []
    for seed in range(300):
        flux = _slow_flux(jumping, draw_truth(jumping, seed))
        for loop in np.zeros((4, 1)) if flux is None else flux:
            jumps.append(int(np.count_nonzero(np.diff(loop, prepend=0.0))))
            paths.append(np.resize(loop, paths[-1].size if paths and flux is None else loop.size))
    count = max(p.size for p in paths)
    every = np.array([p for p in paths if p.size == count])
    mean = poisson(rate).mean()
    assert np.mean(jumps) == pytest.approx(mean, abs=4 * np.sqrt(mean / len(jumps)))
    step, half = 20.0, count // 2
    first, second = every[:, :half].mean(axis=1), every[:, half:].mean(axis=1)
    windows = [((step, half * step, half),), (((half + 1) * step, count * step, count - half),)]
    expected = wandering_covariance(windows, 0.0, np.sqrt(rate) * size)
    found = np.cov(np.stack([first, second]))
    # of a compound Poisson process the fourth moment adds 3/rate to a normal law's scatter of a variance
    error = expected[1, 1] * np.sqrt((2 + 3 / rate) / len(every))
    assert found == pytest.approx(expected, abs=4 * error)
    assert found != pytest.approx(2 * expected, abs=4 * error)


def test_what_is_expected_of_jumps_is_added_to_the_walk(study: Study) -> None:
    jumping = with_noise(study, flux_jumps=4.0, flux_jump_phi0=1e-3)
    usual = expected_walk_phi0(study)
    assert expected_walk_phi0(jumping) == pytest.approx(np.hypot(usual, 2e-3))
    isolators = range(len(study.isolators))
    scale = prior_sizes(study, isolators).flux_walk_phi0
    assert prior_sizes(jumping, isolators).flux_walk_phi0 == pytest.approx(np.hypot(scale, 2e-3))


def test_bad_sweeps_do_not_count_in_a_plan(study: Study) -> None:
    """A fifth of them bad is as four fifths of the sweeps; more of them still count for what the good ones do."""
    experiment = planned_experiment(study, most_points=11)
    some = planned_experiment(with_noise(study, bad_sweeps=0.2), most_points=11)
    x = direction_points(experiment.unknowns, 3, 1)
    fewer = predict(with_sweeps(experiment, 0.8 * sweeps_of(experiment)), x)
    np.testing.assert_allclose(predict(some, x).information, fewer.information, rtol=1e-9)
    assert predict(some, x).expected_error_deg() > predict(experiment, x).expected_error_deg()


def test_white_noise_is_as_loud_as_stated(study: Study) -> None:
    """What sweeps differ by from the same campaign without white noise, over what passes (all of it, or nearly)."""
    still = with_noise(study, gain_drift=0.0, phase_drift_rad=0.0, flux_phi0=0.0)
    found: dict[str, list[np.ndarray]] = {}
    for row, sweep in sweeps(still, draw_truth(still, 2)):
        found.setdefault(row.file[:-8], []).append(sweep.s[:, 1, 0])
    quiet = with_noise(still, white=0.0)
    level = {row.file[:-8]: sweep.s[:, 1, 0] for row, sweep in sweeps(quiet, draw_truth(quiet, 2))}
    gains = np.array([np.median(np.abs(s)) for s in level.values()])
    noise = np.array([np.std(np.array(found[k]) - s) / np.sqrt(2) for k, s in level.items()])
    assert np.median(noise / gains) == pytest.approx(study.noise.white, rel=0.05)


@pytest.mark.slow
def test_campaigns_with_both_are_as_far_off_as_the_plan_says(tmp_path: Path) -> None:
    """Twelve campaigns of 24 repeats, 5% of the sweeps bad, one jump of 4 mPhi0 a loop: root mean square error and spread of the
    posteriors against the prediction.  Jumps come or do not: half the prediction to one and a half times."""
    study = with_noise(small_study(tmp_path, repeats=24), bad_sweeps=0.05, flux_jumps=1.0, flux_jump_phi0=4e-3)
    experiment = planned_experiment(study)
    predicted = float(
        np.degrees(predict(experiment, points_at(experiment.unknowns, [DIRECTION])).angular_error_rad()[0])
    )
    off, spread = [], []
    for seed in range(12):
        truth = draw_truth(study, 500 + seed, source=tuple(study.source.size * DIRECTION))
        posterior = orient(study, simulate_digest(study, truth), seed=seed, wanted_ess=300, max_seconds=120).posterior
        drawn = np.asarray(posterior.directions).reshape(-1, 3)
        off.append(np.degrees(np.arccos(np.clip(posterior.direction @ DIRECTION, -1, 1))))
        spread.append(np.degrees(np.sqrt(np.mean(np.arccos(np.clip(drawn @ posterior.direction, -1, 1)) ** 2))))
    assert 0.5 < np.sqrt(np.mean(np.square(off))) / predicted < 1.5
    assert 0.5 < np.sqrt(np.mean(np.square(spread))) / predicted < 1.5


def test_half_a_statement_of_jumps_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        small_study(tmp_path, noise="flux_jumps = 2\n")
    assert str(caught.value) == (
        "study.toml, noise.flux_jumps: says nothing without noise.flux_jump. State how often a flux jumps in a campaign and by how "
        'much: flux_jumps = 0.5, flux_jump = "5 mPhi0".'
    )


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("bad_sweeps = 0.05\n", "a bad sweep (noise.bad_sweeps) is no outlier among directions"),
        ('flux_jumps = 1\nflux_jump = "1 mPhi0"\n', "which they are not after a flux jump (noise.flux_jumps)"),
    ],
)
def test_neither_is_for_directions(tmp_path: Path, line: str, said: str) -> None:
    with pytest.raises(InputError, match=r"data\.kind") as caught:
        small_study(tmp_path, noise=line, flux_noise_mphi0=40.0, extra='\n[data]\nkind = "direction"\n')
    assert said in str(caught.value)
