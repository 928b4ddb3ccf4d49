"""Deterministic quadrature of few unknowns against closed forms, and against the sampler's own numbers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm
from small_study import small_study

from fluxsense.infer.mixture import StudentMixture, from_modes, improve
from fluxsense.infer.modes import find_modes
from fluxsense.infer.quadrature import integrate
from fluxsense.jobs.orient import orient
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.problem import FluxProblem, log_posterior
from fluxsense.model.unknowns import Unknowns


@pytest.mark.parametrize("size", [1, 2, 3, 4])
def test_normal_density_off_centre(size):
    """Evidence, mean and covariance of a normal law that the mixture follows only roughly; the error is what is said."""
    rng = np.random.default_rng(size)
    root = np.tril(rng.normal(0, 0.2, (size, size))) + np.eye(size)
    law = multivariate_normal(np.full(size, 0.4), root @ root.T)
    mixture = StudentMixture(np.array([1.0]), np.zeros((1, size)), 1.1 * np.eye(size)[None])
    got = integrate(lambda x: 7.0 + law.logpdf(x).reshape(len(x)), mixture)
    assert got.log_evidence == pytest.approx(7.0, abs=3e-4)
    assert abs(got.log_evidence - 7.0) < 3 * got.log_evidence_error + 3e-4
    np.testing.assert_allclose(got.mean(got.x), np.full(size, 0.4), atol=3e-3)
    np.testing.assert_allclose(got.sd(got.x), np.sqrt(np.diag(root @ root.T)), rtol=3e-3)


def test_two_unequal_normal_laws():
    means, sds, shares = np.array([[0.0, 0.0, 2.0], [1.0, 0.0, -2.0]]), (0.3, 0.7), (0.2, 0.8)
    laws = [multivariate_normal(m, s**2 * np.eye(3)) for m, s in zip(means, sds, strict=True)]

    def target(x):
        return np.log(sum(w * law.pdf(x) for w, law in zip(shares, laws, strict=True)))

    mixture = StudentMixture(np.array([0.5, 0.5]), means + 0.1, np.array([0.35 * np.eye(3), 0.6 * np.eye(3)]))
    got = integrate(target, mixture)
    assert got.log_evidence == pytest.approx(0.0, abs=1e-4)
    expected = 0.2 * norm.cdf(2 / 0.3) + 0.8 * norm.cdf(-2 / 0.7)
    assert got.mean((got.x[:, 2] > 0).astype(float)) == pytest.approx(expected, abs=1e-3)


def test_too_coarse_a_grid_says_so():
    """A density fifty times narrower than the component: the two grids disagree."""
    mixture = StudentMixture(np.array([1.0]), np.zeros((1, 3)), np.eye(3)[None])
    got = integrate(lambda x: multivariate_normal(np.zeros(3), 4e-4).logpdf(x), mixture)
    assert got.log_evidence_error > 1


def test_many_unknowns_are_left_to_the_sampler():
    assert integrate(lambda x: np.zeros(len(x)), StudentMixture(np.ones(1), np.zeros((1, 5)), np.eye(5)[None])) is None


def test_fluxes_of_three_loops(tmp_path):
    """Closed form: normal prior and normal data; evidence and moments of the source vector."""
    study = small_study(tmp_path, offset_sd_mphi0=0.0)
    rows = 1e6 * np.array([[1.0, 0.2, 0.0], [0.0, 1.0, 0.3], [0.1, 0.0, 1.0]])
    flux, sd = np.array([0.1, -0.2, 0.15]), 0.05
    problem = FluxProblem(Unknowns(study, ("c1",)), rows, flux, sd)
    rng = np.random.default_rng(0)
    mixture, _ = improve(from_modes(find_modes(problem, rng)), lambda x: log_posterior(problem, x), rng)
    got = integrate(lambda x: log_posterior(problem, x), mixture)
    scaled = rows * study.source.size
    covariance = np.linalg.inv(scaled.T @ scaled / sd**2 + 3 * np.eye(3))
    mean = covariance @ scaled.T @ flux / sd**2
    np.testing.assert_allclose(got.mean(got.x), mean, atol=1e-6)
    np.testing.assert_allclose(got.sd(got.x), np.sqrt(np.diag(covariance)), rtol=1e-5)
    total = scaled @ scaled.T / 3 + sd**2 * np.eye(3)
    expected = multivariate_normal(np.zeros(3), total).logpdf(flux) + 1.5 * np.log(2 * np.pi * sd**2)
    assert got.log_evidence == pytest.approx(expected, abs=1e-5)


def test_used_where_three_unknowns_remain(tmp_path):
    study = small_study(tmp_path, offset_sd_mphi0=0.0, points=15, repeats=2)
    result = orient(study, simulate_digest(study, draw_truth(study, 5)), seed=1)
    found = result.document["quadrature"]
    assert found["log_evidence_error"] < 1e-3
    assert found["largest_shift_sd"] < 0.2
    assert result.posterior.log_evidence == found["log_evidence"]
    # without reference sweeps offsets stay among the unknowns, too many for a grid
    alone = small_study(tmp_path, wiring="+90 deg", states=("in",), points=15, repeats=2)
    truth = draw_truth(alone, 5)
    assert orient(alone, simulate_digest(alone, truth), seed=1).document["quadrature"] is None


def test_the_error_is_half_the_distance_of_the_two_grids():
    """One unknown, a component three times too wide: both trapezium sums written out, each off the other way."""
    step, points = 12.0 / 60, np.linspace(-6, 6, 61)
    narrow = norm(0.07, 0.09)
    mixture = StudentMixture(np.array([1.0]), np.zeros((1, 1)), np.eye(1)[None])
    got = integrate(lambda x: narrow.logpdf(x[:, 0]), mixture)
    sums = [np.log(step * narrow.pdf(points + shift * step).sum()) for shift in (0.0, 0.5)]
    assert sums[0] * sums[1] < 0  # the true value is zero
    assert got.log_evidence_error == pytest.approx(0.5 * abs(sums[0] - sums[1]), rel=1e-6)
    assert abs(got.log_evidence) < 0.2 * got.log_evidence_error
