"""Expected information gain and ambiguity: closed forms, symmetries, words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from design_scenarios import chip, ring
from numpy.typing import NDArray
from reference.normal_gain import linear_gaussian_gain, normal_gain

from fluxsense.design.ambiguity import (
    ambiguity_findings,
    ambiguity_map,
    information_finding,
    log_odds_against,
    with_upright_isolator,
)
from fluxsense.design.information_gain import (
    Gain,
    bracket,
    chip_gain,
)
from fluxsense.design.sensitivity import direction_points, planned_experiment, predict, prior_points
from fluxsense.report.sentences import sentence, sentences

DESIGN = np.array([[1.0, 0.2], [0.3, 1.1], [-0.5, 0.7], [0.9, -0.4]])
PRIOR = np.array([[1.5, 0.3], [0.3, 0.8]])
SD = np.array([0.3, 0.5, 0.4, 0.6])


def nested_gain(
    draw: Callable[[np.random.Generator, int], NDArray[np.float64]],
    mean: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    sd: NDArray[np.float64],
    rng: np.random.Generator,
    outer: int,
    inner: int,
) -> Gain:
    """The package's bracket for y = mean(theta) + independent normal noise, its draws from the prior (Rainforth et al., 2018)."""
    truth = mean(draw(rng, outer))
    y = (truth + sd * rng.standard_normal(truth.shape)) / sd
    others = mean(draw(rng, inner)) / sd
    own = -0.5 * np.sum((y - truth / sd) ** 2, axis=1)
    square = np.sum(y * y, axis=1)[:, None] + np.sum(others * others, axis=1)[None] - 2 * y @ others.T
    return bracket(own, -0.5 * square, own)


def test_linear_gaussian_gain_in_three_forms() -> None:
    """Chaloner and Verdinelli (1995), from memory: parameter form, data form and Schur complement agree."""
    r = np.diag(SD**2)
    first = linear_gaussian_gain(DESIGN, PRIOR, r)
    second = 0.5 * (np.linalg.slogdet(r + DESIGN @ PRIOR @ DESIGN.T)[1] - np.linalg.slogdet(r)[1])
    posterior = np.linalg.inv(np.linalg.inv(PRIOR) + DESIGN.T @ np.linalg.inv(r) @ DESIGN)
    third = 0.5 * (np.linalg.slogdet(PRIOR)[1] - np.linalg.slogdet(posterior)[1])
    assert first == pytest.approx(second, rel=1e-12)
    assert first == pytest.approx(third, rel=1e-12)
    # one parameter seen n times: 1/2 log(1 + n t^2/s^2), by hand
    one = linear_gaussian_gain(np.ones((5, 1)), [[4.0]], 0.5 * np.eye(5))
    assert one == pytest.approx(0.5 * np.log(1 + 5 * 4 / 0.5))


def test_nested_estimators_bracket_and_reach_the_closed_form() -> None:
    """Both estimators approach the closed form as the inner number grows; tolerances are four Monte Carlo errors."""
    root = np.linalg.cholesky(PRIOR)

    def draw(rng: np.random.Generator, count: int) -> NDArray[np.float64]:
        return rng.standard_normal((count, 2)) @ root.T

    def mean(theta: NDArray[np.float64]) -> NDArray[np.float64]:
        return theta @ DESIGN.T

    exact = linear_gaussian_gain(DESIGN, PRIOR, np.diag(SD**2))
    widths = []
    for inner in (50, 500, 5000):
        found = nested_gain(draw, mean, SD, np.random.default_rng(1), outer=1500, inner=inner)
        assert found.lower - 4 * found.lower_sd < exact < found.upper + 4 * found.upper_sd
        widths.append(found.upper - found.lower)
    assert widths[2] < 0.1 * widths[0]
    assert found.middle == pytest.approx(exact, abs=4 * found.upper_sd + widths[2])
    # a negative control: noise stated twice too large gives another gain
    wrong = nested_gain(draw, mean, 2 * SD, np.random.default_rng(1), outer=1500, inner=5000)
    assert abs(wrong.middle - exact) > 10 * wrong.upper_sd


def test_nested_estimators_reach_half_the_logarithm_of_1401() -> None:
    """A published-looking number, 3.6224707732 nats = 5.2261206202 bits, came without its model; it is half the logarithm
    of 1401.  One parameter of unit prior variance seen through slopes 1, 2, 3 with noise of standard deviation 0.1 has
    just that: the posterior precision is 1 + (1 + 4 + 9)/0.01 = 1401 times the prior's, and the gain of a normal is half
    the logarithm of that ratio.  The nested estimators come to it from both sides."""
    slopes = np.array([[1.0], [2.0], [3.0]])
    exact = linear_gaussian_gain(slopes, [[1.0]], 0.01 * np.eye(3))
    assert exact == pytest.approx(3.6224707732, abs=5e-11)
    assert exact / np.log(2) == pytest.approx(5.2261206202, abs=5e-11)
    off = []
    for inner in (100, 1000, 10_000):
        found = nested_gain(
            lambda rng, count: rng.standard_normal((count, 1)),
            lambda theta: theta @ slopes.T,
            np.full(3, 0.1),
            np.random.default_rng(2),
            outer=2000,
            inner=inner,
        )
        assert found.lower - 4 * found.lower_sd < exact < found.upper + 4 * found.upper_sd
        off.append(found.upper - found.lower)
    assert off[0] > 3 * off[1] > 9 * off[2]
    assert abs(found.middle - exact) < 4 * found.upper_sd + off[2]


@pytest.mark.parametrize("slow", [0.0, 1e-3])
def test_gain_of_a_chip_where_it_is_nearly_linear(slow: float) -> None:
    """A strong source and small priors: the bracket agrees with the normal approximation about all unknowns."""
    study = chip(ring(4, 14, 14), height_um=12, position_sd_um=0.05, offset_sd_mphi0=2.0, phase_sd_deg=0.0, points=21)
    study = replace(study, noise=replace(study.noise, flux_slow_phi0=slow))
    source = replace(study.source, size_prior="known", size_sd=0.02 * study.source.size)
    study = replace(study, source=source)
    experiment = planned_experiment(study, most_points=11)
    found = chip_gain(experiment, outer=30, inner=400, seed=2)
    assert found.upper - found.lower < 0.5
    x = prior_points(experiment.unknowns, 30, 2)
    p = predict(experiment, x)
    normal = 0.5 * (np.linalg.slogdet(p.information + p.prior)[1])
    # entropy of the prior: uniform direction times normal size, normal nuisances
    entropy = np.log(4 * np.pi) + 0.5 * np.log(2 * np.pi * np.e) + np.log(0.02)
    entropy += 0.5 * (experiment.unknowns.size - 3) * np.log(2 * np.pi * np.e)
    expected = entropy + np.mean(normal) - 0.5 * experiment.unknowns.size * np.log(2 * np.pi * np.e)
    assert found.middle == pytest.approx(expected, abs=4 * found.upper_sd + 0.5)


def test_the_bracket_is_one_where_the_evidence_draws_are_good() -> None:
    """Draws about the mode that an outcome leads to: the lower bound stays below the upper one, and they close with draws."""
    experiment = planned_experiment(chip(ring(3, 14, 14), height_um=12, position_sd_um=0.2, points=21), most_points=11)
    few, many = (chip_gain(experiment, outer=40, inner=inner, seed=1) for inner in (50, 400))
    assert few.lower < few.upper
    assert many.lower < many.upper
    assert many.upper - many.lower < 0.3 * (few.upper - few.lower)


def test_numbers_at_a_bound_leave_the_bracket_narrow() -> None:
    """Losses whose prior is cut at zero, in every stage: all draws for the evidence stay within the bounds.

    What is told of the losses is little, so that the bracket is also that of the same chip with known losses, less an allowance.
    """
    study = chip(ring(3, 14, 14), height_um=12, position_sd_um=0.2, points=21)
    isolators = tuple(
        replace(i, stages=tuple(s.with_sd(idler_internal_hz=1e6, idler_termination_hz=3e6) for s in i.stages))
        for i in study.isolators
    )
    cut = replace(study, isolators=isolators)
    assert sum(np.isfinite(n.low) for n in planned_experiment(cut).unknowns.nuisances) >= 12
    found = chip_gain(planned_experiment(cut, most_points=11), outer=20, inner=200, seed=1)
    known = chip_gain(planned_experiment(study, most_points=11), outer=20, inner=200, seed=1)
    assert 0 < found.upper - found.lower < 0.5
    assert found.middle > known.middle - 4 * np.hypot(found.upper_sd, known.upper_sd)


def test_more_sweeps_more_gain() -> None:
    study = chip(ring(3, 14, 14), height_um=12, position_sd_um=0.5, points=21)
    experiment = planned_experiment(study, most_points=11)
    x = direction_points(experiment.unknowns, 8, 0)
    gain, sd = normal_gain(experiment, x)
    blocks = tuple(replace(b, sweeps=tuple(16.0 * v for v in b.sweeps)) for b in experiment.blocks)
    more, _ = normal_gain(replace(experiment, blocks=blocks), x)
    assert more > gain > 0
    assert sd < 1


# ---------------------------------------------------------------- ambiguity

ZERO = ((0.0, 0.0, 1), (0.0, 0.0, 2))
HALF = ((0.5, 0.5, 1), (0.5, 0.5, 2))
TRUTH = np.array([0.48, 0.62, 0.62])


def test_reverse_is_not_told_at_zero_bias() -> None:
    """Two sense loops in each isolator at zero flux: traces depend on products of signs, so the reverse fits exactly."""
    kwargs = {
        "height_um": 12,
        "position_sd_um": 0.0,
        "pair_sense": True,
        "phase_sd_deg": 0.0,
        "strength_sd": 0.0,
        "points": 21,
    }
    loops = ring(6, 14, 12)
    zero = planned_experiment(chip(loops, bias=ZERO, offset_sd_mphi0=1.0, **kwargs), most_points=11)
    half = planned_experiment(chip(loops, bias=HALF, offset_sd_mphi0=1.0, **kwargs), most_points=11)
    assert log_odds_against(zero, TRUTH, -TRUTH[None])[0] < 1e-6
    assert log_odds_against(half, TRUTH, -TRUTH[None])[0] > 100
    sideways = np.array([[0.9, -0.4, 0.1]])
    assert log_odds_against(zero, TRUTH, sideways)[0] > 1


def test_rank_two_uniform_field_leaves_its_mirror_image() -> None:
    """All loops in one plane: a uniform field's component along it gives no flux; an upright isolator sees it."""
    study = chip(ring(3, 14, 14), points=21)
    source = replace(study.source, kind="uniform_field", size=2e-6, position_sd_m=(0.0, 0.0, 0.0))
    study = replace(study, source=source)
    truth = TRUTH / np.linalg.norm(TRUTH)
    rival = truth * np.array([-1, -1, 1])
    flat = planned_experiment(study, most_points=11)
    assert log_odds_against(flat, truth, rival[None])[0] < 1e-6
    upright = planned_experiment(with_upright_isolator(study), most_points=11)
    sideways = truth * np.array([1, -1, 1])  # along y, which the upright chip's normal is not
    assert log_odds_against(upright, truth, truth[None] * np.array([-1, 1, 1]))[0] > 10
    assert log_odds_against(upright, truth, sideways[None])[0] < 1e-6
    words = sentences(ambiguity_findings(study, [truth], points=20))
    assert any(w.startswith("The flux map has rank one") for w in words)
    assert any("would not be told from" in w for w in words)


def test_good_chip_has_no_rival_and_bad_one_has_a_remedy() -> None:
    good = chip(ring(4, 14, 14), height_um=12, position_sd_um=0.3, points=21)
    assert ambiguity_map(planned_experiment(good, most_points=11), TRUTH, points=40).rivals() == []
    bad = chip(ring(6, 14, 12), height_um=12, position_sd_um=0.3, bias=ZERO, pair_sense=True, points=21)
    words = " ".join(sentences(ambiguity_findings(bad, [TRUTH], points=30)))
    assert "its reverse" in words
    assert "What would tell them apart:" in words
    assert "a setting with a bias of" in words.split("tell them apart:")[1]


def test_log_odds_against_itself_vanish() -> None:
    # no pump phase error: at zero its effect is of second order, which the normal approximation does not know
    study = chip(ring(3, 14, 14), height_um=12, position_sd_um=0.3, points=21, phase_sd_deg=0.0)
    # a size prior centred on the true size: one centred at zero would favour directions that explain the data by less
    study = replace(study, source=replace(study.source, size_prior="known", size_sd=0.3 * study.source.size))
    experiment = planned_experiment(study, most_points=11)
    assert log_odds_against(experiment, TRUTH, TRUTH[None])[0] < 1e-9
    # close by, half chi squared is that of the normal approximation: 1/2 (angle/error)^2 along the worst tangent
    x = np.zeros((1, experiment.unknowns.size))
    unit = TRUTH / np.linalg.norm(TRUTH)
    x[0, :3] = unit
    covariance = predict(experiment, x).source_covariance()[0]
    tangent = np.eye(3) - np.outer(unit, unit)
    values, vectors = np.linalg.eigh(tangent @ covariance @ tangent)
    step = 0.3 * np.sqrt(values[2])
    near = unit + step * vectors[:, 2]
    got = log_odds_against(experiment, TRUTH, near[None], steps=8)[0]
    inverse = np.linalg.inv(tangent @ covariance @ tangent + np.outer(unit, unit))
    assert got == pytest.approx(0.5 * step**2 * vectors[:, 2] @ inverse @ vectors[:, 2], rel=0.15)


def test_words_name_the_worst_direction() -> None:
    study = chip(ring(3, 14, 14), height_um=12, position_sd_um=0.3, points=21)
    assert sentence(information_finding(planned_experiment(study, most_points=11), TRUTH)).startswith(
        "Best determined along ("
    )
