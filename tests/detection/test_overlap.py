"""Two posteriors: of one source, or of two?

Outside reference: for normal posteriors under a normal prior the Bayes factor is a closed form (products of normal laws,
textbook).  Calibration: under the hypothesis of two sources the mean Bayes factor of one is 1, and of the pairs to which a
probability p of one source is given, a share p are of one (both by construction, derived).
"""

from __future__ import annotations

import numpy as np
import pytest

from fluxsense.base.sphere import random_directions
from fluxsense.detection.overlap import (
    angles_deg,
    candidate_overlap,
    direction_prior,
    overlap,
    points_of,
    turned_over,
    vector_prior,
)
from fluxsense.model.source_prior import source_prior
from fluxsense.study import DirectionPrior

SCALE = source_prior("scale", 0.0, DirectionPrior())


def posterior(seen: np.ndarray, sd: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance for one reading v + noise under the scale prior, whose components have variance 1/3."""
    precision = 3.0 + 1 / sd**2
    return seen / sd**2 / precision, np.eye(3) / precision


def log_normal(x: np.ndarray, mean: np.ndarray, covariance: np.ndarray) -> float:
    away = x - mean
    return float(
        -0.5
        * (away @ np.linalg.solve(covariance, away) + np.linalg.slogdet(covariance)[1] + len(x) * np.log(2 * np.pi))
    )


def closed_form(seen: tuple[np.ndarray, np.ndarray], sd: tuple[float, float]) -> float:
    """Evidence of both readings together over the product of each alone."""
    together = np.concatenate(seen)
    prior, noise = np.eye(3) / 3, np.diag(np.repeat(np.square(sd), 3))
    joint = np.block([[prior, prior], [prior, prior]]) + noise
    alone = [log_normal(x, np.zeros(3), prior + np.eye(3) * s**2) for x, s in zip(seen, sd, strict=True)]
    return log_normal(together, np.zeros(6), joint) - sum(alone)


def draws(rng: np.random.Generator, seen: np.ndarray, sd: float, count: int = 3000) -> np.ndarray:
    mean, covariance = posterior(seen, sd)
    return points_of(rng.multivariate_normal(mean, covariance, count), 1.0)


@pytest.mark.parametrize(
    ("a", "b", "sd"),
    [
        ((0.8, 0.3, 0.2), (0.8, 0.3, 0.2), (0.05, 0.05)),
        ((0.8, 0.3, 0.2), (0.75, 0.4, 0.2), (0.05, 0.08)),
        ((0.8, 0.3, 0.2), (0.2, 0.9, -0.1), (0.1, 0.1)),
        ((0.8, 0.3, 0.2), (-0.1, 0.2, 0.1), (0.05, 0.4)),
        ((0.8, 0.3, 0.2), (0.5, 0.6, 0.2), (0.02, 0.03)),
    ],
)
def test_one_source_or_two_against_the_closed_form(a, b, sd) -> None:
    rng = np.random.default_rng(1)
    seen = (np.array(a), np.array(b))
    found = overlap(draws(rng, seen[0], sd[0]), draws(rng, seen[1], sd[1]), (3000, 3000), vector_prior(SCALE), rng)
    exact = closed_form(seen, sd)
    # tails far from every draw are extrapolated: there a tenth of the logarithm
    allowed = 0.15 + 0.1 * abs(exact) if found.extrapolated else 0.3
    assert abs(found.log_bayes_factor - exact) < allowed + 3 * found.sd
    assert found.extrapolated == (exact < -10)


def fisher(rng: np.random.Generator, centre: np.ndarray, kappa: float, count: int) -> np.ndarray:
    """Draws of the Fisher law about a centre (Fisher 1953: inverse of its cosine's distribution, textbook)."""
    cosine = 1 + np.log1p(-rng.uniform(size=count) * -np.expm1(-2 * kappa)) / kappa
    azimuth = rng.uniform(0, 2 * np.pi, count)
    helper = np.cross(centre, [0.3, 0.5, -0.8])
    e1 = helper / np.linalg.norm(helper)
    e2 = np.cross(centre, e1)
    sine = np.sqrt(1 - cosine**2)[:, None]
    return cosine[:, None] * centre + sine * (np.cos(azimuth)[:, None] * e1 + np.sin(azimuth)[:, None] * e2)


@pytest.mark.parametrize(("kappa", "apart_deg"), [(200.0, 0), (200.0, 8), (20.0, 25), (2.0, 90)])
def test_directions_alone_against_the_closed_form(kappa: float, apart_deg: float) -> None:
    """Fisher laws: 4 pi times the integral of their product is k/sinh(k)^2 sinh(R)/R, R = |k n1 + k n2| (textbook integral)."""
    rng = np.random.default_rng(2)
    n1 = np.array([0.6, 0.0, 0.8])
    turn = np.radians(apart_deg)
    n2 = np.cos(turn) * n1 + np.sin(turn) * np.array([0.0, 1.0, 0.0])
    r = np.linalg.norm(kappa * (n1 + n2))

    def log_sinh(x: float) -> float:
        return x + np.log(-np.expm1(-2 * x)) - np.log(2)

    exact = 2 * (np.log(kappa) - log_sinh(kappa)) + log_sinh(r) - np.log(r)
    flat = direction_prior(SCALE)
    found = overlap(fisher(rng, n1, kappa, 3000), fisher(rng, n2, kappa, 3000), (3000, 3000), flat, rng)
    assert found.log_bayes_factor == pytest.approx(exact, abs=0.1 + 3 * found.sd)


def test_two_modes_and_a_reversed_source() -> None:
    """Both posteriors split evenly between v and -v: the overlap is the same for a reversed one, half of a single mode's."""
    rng = np.random.default_rng(3)
    centre = np.array([0.0, 0.6, 0.8])
    one, two = (fisher(rng, centre, 300.0, 3000) for _ in range(2))
    both = [x * rng.choice([-1, 1], size=len(x))[:, None] for x in (one, two)]
    flat = direction_prior(SCALE)
    single = overlap(one, two, (3000, 3000), flat, rng)
    split = overlap(both[0], both[1], (3000, 3000), flat, rng)
    turned = overlap(both[0], turned_over(both[1]), (3000, 3000), flat, rng)
    assert split.log_bayes_factor == pytest.approx(single.log_bayes_factor - np.log(2), abs=0.15)
    assert turned.log_bayes_factor == pytest.approx(split.log_bayes_factor, abs=0.15)
    assert overlap(one, turned_over(two), (3000, 3000), flat, rng).log_bayes_factor < -100


def test_posteriors_that_know_nothing_say_nothing() -> None:
    rng = np.random.default_rng(4)
    one, two = (random_directions(rng, 2000) for _ in range(2))
    assert abs(overlap(one, two, (2000, 2000), direction_prior(SCALE), rng).log_bayes_factor) < 0.1
    whole = [points_of(SCALE.draw(rng, 2000), 1.0) for _ in range(2)]
    assert abs(overlap(whole[0], whole[1], (2000, 2000), vector_prior(SCALE), rng).log_bayes_factor) < 0.25


@pytest.mark.slow
def test_the_probability_of_one_source_is_kept() -> None:
    """Twelve pairs of each kind from the prior; posterior draws alone are given."""
    rng = np.random.default_rng(5)
    prior, factors, exact = vector_prior(SCALE), [], []
    for n in range(24):
        v = SCALE.draw(rng, 2)
        sources = (v[0], v[0]) if n % 2 else (v[0], v[1])
        sd = tuple(rng.uniform(0.1, 0.5, 2))
        seen = tuple(x + s * rng.standard_normal(3) for x, s in zip(sources, sd, strict=True))
        clouds = [draws(rng, x, s, 500) for x, s in zip(seen, sd, strict=True)]
        factors.append(overlap(clouds[0], clouds[1], (500, 500), prior, rng).log_bayes_factor)
        exact.append(closed_form(seen, sd))
    factor, truth = np.array(factors), np.array(exact)
    close = truth > -4  # beyond, the logarithm rests on tails, and its odds are beyond doubt
    assert np.abs(factor - truth)[close].mean() < 0.25
    assert np.all(factor[~close] < -3)
    p = 1 / (1 + np.exp(-factor))
    same = np.arange(24) % 2 == 1
    for low, high in ((0, 0.2), (0.2, 0.8), (0.8, 1)):
        members = (p >= low) & (p <= high)
        error = np.sqrt(np.sum(p[members] * (1 - p[members]))) + 0.5
        assert abs(same[members].sum() - p[members].sum()) < 3 * error


def test_candidates_are_counted() -> None:
    """Three candidates: the sum of products of probabilities times three (by hand)."""
    rng = np.random.default_rng(6)
    a, b = (rng.choice(3, size=20_000, p=p) for p in ((0.7, 0.2, 0.1), (0.5, 0.1, 0.4)))
    found = candidate_overlap(a, b, 3, (20_000, 20_000))
    assert found.log_bayes_factor == pytest.approx(np.log(3 * (0.35 + 0.02 + 0.04)), abs=4 * found.sd)
    assert 0 < found.sd < 0.02
    never = candidate_overlap(np.zeros(1000, int), np.ones(1000, int), 3, (1000, 1000))
    assert never.extrapolated
    assert never.log_bayes_factor < -5


def test_angles_between_draws() -> None:
    rng = np.random.default_rng(7)
    one, two = (np.tile(v, (500, 1)) for v in ([1.0, 0, 0], [0.0, 1, 0]))
    assert angles_deg(one, two, rng) == pytest.approx(90.0)
