"""Closed forms of `fluxsense.detection` against published or independently computed figures.

References (figures recomputed for these tests by mpmath, quadrature or Monte Carlo; equations from memory where the
publication was not at hand): Kay, Fundamentals of Statistical Signal Processing II (1998), ch. 3-4: detection of a known
signal.  Wald, Ann. Math. Stat. 16, 117 (1945): sequential test; Siegmund, Sequential Analysis (1985): overshoot.  Kass &
Raftery, J. Am. Stat. Assoc. 90, 773 (1995): scale.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference.evidence import isotropic_log_bayes_factor, linear_log_evidence
from reference.fisher import vmf_cone_rad, vmf_sample
from reference.walks import simulate_normal
from scipy import stats

from fluxsense.base.errors import InputError
from fluxsense.detection import experiment, probabilities, sequential
from fluxsense.report import words


def rng() -> np.random.Generator:
    return np.random.default_rng(20261125)


# ---------------------------------------------------------------- detection of a known signal


@pytest.mark.parametrize(
    ("false_alarm", "d", "expected"),
    [(0.1, 1, 0.3891436916), (1e-2, 2, 0.3720805854), (1e-3, 3, 0.4640513062), (1e-6, 5, 0.5973816903)],
)
def test_known_direction(false_alarm: float, d: float, expected: float) -> None:
    assert experiment.known_direction_detection(false_alarm, d) == pytest.approx(expected, abs=5e-11)


def test_area_under_the_curve() -> None:
    """Phi(d/sqrt 2)."""
    p = np.linspace(1e-7, 1 - 1e-7, 400_001)
    area = np.trapezoid(experiment.known_direction_detection(p, 1.0), p)
    assert area == pytest.approx(0.7602499389, abs=1e-5)


@pytest.mark.parametrize("degrees", [1, 2, 3])
@pytest.mark.parametrize("root", [0.0, 1.0, 4.0, 90.0, 120.0])
def test_noncentral_against_scipy_and_normal(degrees: int, root: float) -> None:
    threshold = root**2 + 3.0
    exact = stats.ncx2.sf(threshold, degrees, root**2) if root else stats.chi2.sf(threshold, degrees)
    assert experiment.exceedance(threshold, root**2, degrees) == pytest.approx(
        float(exact), abs=3e-4 if root > 100 else 1e-9
    )


@pytest.mark.parametrize("degrees", [1, 3])
def test_noncentrality_needed_is_reached(degrees: int) -> None:
    lam = experiment.noncentrality_needed(0.01, 0.9, degrees)
    assert experiment.chi_square_detection(0.01, lam, degrees) == pytest.approx(0.9, abs=1e-8)
    # an unknown direction costs more than a known one
    assert lam > (stats.norm.isf(0.01) - stats.norm.isf(0.9)) ** 2
    assert experiment.noncentrality_needed(0.5, 0.1, 3) == 0.0


def test_noncentral_statistic_by_monte_carlo() -> None:
    draws = rng().standard_normal((200_000, 3))
    draws[:, 0] += 2.5
    hit = np.mean(np.sum(draws**2, axis=1) > experiment.chi_square_threshold(0.01, 3))
    expected = float(experiment.chi_square_detection(0.01, 2.5**2, 3))
    assert abs(hit - expected) < 4 * np.sqrt(expected * (1 - expected) / 200_000)


# ---------------------------------------------------------------- sequential


def wald_mean(rate: float) -> float:
    """Mean number of batches times d^2 without overshoot, both rates equal: 2 ((1 - rate) ln A + rate ln B) (Wald 1945)."""
    return float(2 * (1 - 2 * rate) * np.log((1 - rate) / rate))


def test_wald_mean_and_fixed_plan() -> None:
    for rate, wald, fixed, ratio in ((0.05, 5.2999902, 10.8221738, 0.48973), (0.01, 9.0064349, 21.6475777, 0.41605)):
        found = sequential.operating(sequential.Limits.of(rate, rate), 1e-4)  # steps so small that nothing overshoots
        for mean in (found.with_source, found.without):
            assert mean * 1e-8 == pytest.approx(wald, rel=1e-4)
        assert wald_mean(rate) == pytest.approx(wald, abs=5e-8)
        assert found.false_alarm == pytest.approx(rate, rel=1e-4)
        assert sequential.fixed_information(rate, rate) == pytest.approx(fixed, abs=5e-8)
        assert wald / sequential.fixed_information(rate, rate) == pytest.approx(ratio, abs=5e-6)


def stepped(limits: sequential.Limits, d: float, drift: float, cells: int = 600) -> tuple[float, float]:
    """Probability to end above and mean number of batches: the density of the undecided, step by step on a plain grid."""
    width = (limits.upper - limits.lower) / cells
    at = limits.lower + width * (np.arange(cells) + 0.5)
    density = stats.norm.pdf(at, drift, d)
    above, mean = stats.norm.sf(limits.upper, drift, d), 1.0
    move = stats.norm.pdf(at[:, None] - at[None, :], drift, d) * width
    for _ in range(3000):
        left = float(density.sum() * width)
        if left < 1e-12:
            return float(above), mean
        mean += left
        above += float(density @ stats.norm.sf(limits.upper, at + drift, d) * width)
        density = move @ density
    raise AssertionError("undecided")


@pytest.mark.parametrize(
    ("rates", "d"),
    [((0.01, 0.1), 0.5), ((0.01, 0.1), 1.0), ((0.05, 0.05), 1.0), ((0.01, 0.1), 2.0), ((0.01, 0.01), 4.0)],
)
def test_rates_and_means_step_by_step(rates: tuple[float, float], d: float) -> None:
    limits = sequential.Limits.of(*rates)
    found = sequential.operating(limits, d)
    above, without = stepped(limits, d, -0.5 * d * d)
    assert found.false_alarm == pytest.approx(above, rel=5e-4)
    assert found.without == pytest.approx(without, rel=1e-5)
    above, with_source = stepped(limits, d, 0.5 * d * d)
    assert found.miss == pytest.approx(1 - above, rel=5e-4)
    assert found.with_source == pytest.approx(with_source, rel=1e-5)


def test_the_series_for_far_limits_joins_the_equation() -> None:
    limits = sequential.Limits.of(0.01, 0.1)
    d = (limits.upper - limits.lower) / sequential.FAR
    series, equation = sequential.operating(limits, d * (1 - 1e-9)), sequential.operating(limits, d * (1 + 1e-9))
    assert series.false_alarm == pytest.approx(equation.false_alarm, rel=1e-5)
    assert series.miss == pytest.approx(equation.miss, rel=1e-5)
    assert series.with_source == pytest.approx(equation.with_source, abs=0.01)  # a quarter batch is 25 times that
    assert series.without == pytest.approx(equation.without, abs=0.01)


@pytest.mark.parametrize(
    ("d", "true_mean", "true_sd", "missed"),
    [(0.1, 5.444, 0.009, 0.0475), (0.5, 6.037, 0.009, 0.0375), (1.0, 6.907, 0.010, 0.0283)],
)
def test_overshoot(d: float, true_mean: float, true_sd: float, missed: float) -> None:
    """Figures of an independent simulation (its mean and error), and our own."""
    limits = sequential.Limits.of(0.05, 0.05)
    found = sequential.operating(limits, d)
    assert found.with_source == pytest.approx(found.without)
    assert abs(found.with_source * d * d - true_mean) < 3 * true_sd
    assert found.miss == pytest.approx(missed, abs=0.0012)
    runs = simulate_normal(rng(), d, limits, source=True, runs=4000 if d < 0.5 else 20_000)
    error = np.hypot(runs.mean_batches_sd * d * d, true_sd)
    assert abs(runs.mean_batches * d * d - true_mean) < 4 * error
    assert abs(runs.wrong - missed) < 4 * runs.wrong_sd + 0.0005
    assert runs.undecided == 0
    with pytest.raises(InputError, match="distance"):
        sequential.operating(limits, 0.0)


@pytest.mark.parametrize("kind", ["wald", "guaranteed"])
@pytest.mark.parametrize("rate", [0.05, 0.01])
def test_promises_are_kept_over_4000_runs(kind: str, rate: float) -> None:
    limits = sequential.Limits.of(rate, rate, kind)
    for source in (False, True):
        runs = simulate_normal(rng(), 0.7, limits, source=source, runs=4000)
        assert runs.wrong <= rate + 2 * np.sqrt(rate / 4000)
        assert runs.mean_batches * 0.7**2 < 0.75 * sequential.fixed_information(rate, rate)


@pytest.mark.parametrize("d", [0.05, 0.5, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("rates", [(0.05, 0.05), (0.01, 0.1), (0.01, 0.01)])
def test_limits_drawn_in_use_up_the_promise_and_no_more(rates: tuple[float, float], d: float) -> None:
    limits = sequential.Limits.of(*rates, step_sd=d)
    found = sequential.operating(limits, d)  # itself checked step by step above
    for limit, rate, promised in ((limits.upper, found.false_alarm, rates[0]), (limits.lower, found.miss, rates[1])):
        assert rate <= promised * (1 + 1e-8)
        assert limit == 0 or rate == pytest.approx(promised, rel=1e-8)
    whole = sequential.Limits.of(*rates)
    assert whole.lower < limits.lower <= 0 <= limits.upper < whole.upper


def test_limits_drawn_in_by_simulation_and_limits_too_near_break_the_promise() -> None:
    drawn_in = sequential.Limits.of(0.05, 0.05, step_sd=1.0)
    used = simulate_normal(rng(), 1.0, drawn_in, source=True, runs=20_000)
    assert abs(used.wrong - 0.05) < 0.006
    near = sequential.Limits(1.0, -1.0)  # negative control
    assert simulate_normal(rng(), 1.0, near, source=True, runs=4000).wrong > 0.1


def test_state_is_a_value_and_stays_stopped() -> None:
    start = sequential.SequentialState(sequential.Limits.of(0.05, 0.05))
    going = start.add(1.0)
    assert (start.batches, going.batches, going.decision) == (0, 1, sequential.CONTINUE)
    done = going.update(3.1)
    assert done.decision == sequential.FOR
    assert done.update(-50.0) is done
    assert start.update(-3.0).decision == sequential.AGAINST


# ---------------------------------------------------------------- words


def test_kass_raftery_on_bayes_factors() -> None:
    for b, word in (
        (1.0, "bare mention"),
        (2.99, "bare mention"),
        (3.01, "positive"),
        (20.1, "strong"),
        (151.0, "very strong"),
    ):
        assert word in words.kass_raftery(float(np.log(b)))
        assert words.kass_raftery(float(-np.log(b))) == words.kass_raftery(float(np.log(b)))
    rounded = 2 * np.log([3, 20, 150])  # the column on 2 ln B is rounded to 2, 6, 10
    np.testing.assert_allclose(rounded, [2.197, 5.991, 10.021], atol=5e-4)
    assert words.kass_raftery(5.0) == "strong"  # 2 ln B = 10 would already be "very strong" by the rounded column


def test_sentences() -> None:
    assert words.evidence_sentence(4.0, 0.1, "a source", "no source") == (
        "The data favour a source over no source: log Bayes factor +4 +- 0.1, odds 54.6 to 1 for a source at equal prior "
        'odds, "strong" evidence on the scale of Kass and Raftery 1995.'
    )
    assert words.evidence_sentence(-0.5, 0.1, "a source", "no source").startswith(
        "The data hardly tell a source from no source"
    )
    assert "reaches into the next grade" in words.evidence_sentence(2.99, 0.1, "A", "B")
    assert words.odds_text(75726.0).startswith("10^32887")
    assert words.probability_text(0.0, 0.0, 0.002) == "below 0.002"
    assert words.probability_text(1.0, 0.0, 0.002) == "above 0.998"
    with pytest.raises(InputError, match="not a number"):
        words.kass_raftery(float("nan"))


# ---------------------------------------------------------------- probabilities


def test_probabilities_of_statements_against_the_closed_form() -> None:
    """vMF draws: cone and hemisphere probabilities in closed form."""
    kappa = 3.0
    axis = np.array([0.0, 0.6, 0.8])
    draws = vmf_sample(rng(), axis, kappa, 40_000)
    cone = float(vmf_cone_rad(kappa, 0.9))
    p = probabilities.within_cone(draws, axis, cone)
    assert abs(p.value - 0.9) < 4 * p.sd
    exact = np.expm1(kappa) / (np.expm1(kappa) + 1 - np.exp(-kappa))  # int_0^1 e^(k c) dc over the whole range
    p = probabilities.in_hemisphere(draws, axis)
    assert abs(p.value - exact) < 4 * p.sd
    assert probabilities.wrong_sign(draws, -axis).value == pytest.approx(1 - p.value)
    assert probabilities.nearer(draws, axis, -axis).value == pytest.approx(p.value)
    assert probabilities.within_cone(draws, axis, np.pi).value == 1.0
    assert probabilities.fraction(np.zeros(300, dtype=bool)).smallest == pytest.approx(0.01)
    with pytest.raises(InputError, match="half-angle"):
        probabilities.within_cone(draws, axis, 4.0)


def test_ensembles_that_disagree_widen_the_error() -> None:
    agreed = np.zeros((4, 100), dtype=bool)
    agreed[:, :50] = True
    torn = np.zeros((4, 100), dtype=bool)
    torn[:2] = True
    assert probabilities.fraction(agreed).value == probabilities.fraction(torn).value == 0.5
    assert probabilities.fraction(torn).sd > 5 * probabilities.fraction(agreed).sd


def test_the_error_of_ensembles_that_disagree_is_that_of_their_mean() -> None:
    """Reference: scipy's standard error of a mean.  Four ensembles of 1000 draws with shares of 0.2, 0.3, 0.6 and 0.7."""
    shares = np.array([0.2, 0.3, 0.6, 0.7])
    inside = np.arange(1000) < 1000 * shares[:, None]
    assert probabilities.fraction(inside).value == pytest.approx(0.45)
    assert probabilities.fraction(inside).sd == pytest.approx(stats.sem(shares), rel=1e-12)
    # walkers of an ensemble are pooled before ensembles are compared
    assert probabilities.fraction(inside.reshape(4, 50, 20)).sd == pytest.approx(stats.sem(shares), rel=1e-12)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=6), st.floats(-1e4, 1e4))
def test_list_probabilities_sum_to_one_and_ignore_a_shift(values: list[float], shift: float) -> None:
    p = probabilities.list_probabilities(values)
    assert p.sum() == pytest.approx(1.0)
    np.testing.assert_allclose(p, probabilities.list_probabilities([v + shift for v in values]), atol=1e-9)


# ---------------------------------------------------------------- evidence in closed form


def test_linear_evidence() -> None:
    y, s2, t2 = np.array([1.3, 0.4, 2.1, 0.9]), 0.5, 4.0
    design = np.ones((4, 1))
    one = linear_log_evidence(y, design, s2 * np.eye(4), [[t2]])
    none = linear_log_evidence(y, design[:, :0], s2 * np.eye(4), np.zeros((0, 0)))
    assert one == pytest.approx(-5.75256203728, abs=1e-10)
    assert none == pytest.approx(-9.35945977170, abs=1e-10)
    assert one - none == pytest.approx(3.60689773442, abs=1e-10)


@pytest.mark.parametrize(
    ("y", "expected"), [((1.5, -0.4, 1.1), 2.563367071), ((1.5, -0.4), 1.543902802)], ids=["sphere", "circle"]
)
def test_isotropic_bayes_factor(y: tuple[float, ...], expected: float) -> None:
    size, sd = 2.0, 0.7
    assert np.exp(isotropic_log_bayes_factor(y, size, sd)) == pytest.approx(expected, abs=1e-9)


# ---------------------------------------------------------------- smallest size and angle


def test_smallest_size_of_an_isotropic_chip() -> None:
    m = 400.0 * np.eye(3)
    found = experiment.smallest_size(m, 0.01, 0.9)
    expected = np.sqrt(experiment.noncentrality_needed(0.01, 0.9, 3) / 400.0)
    assert found.best == pytest.approx(expected)
    assert found.worst == pytest.approx(expected)
    assert found.any_direction == pytest.approx(expected, rel=1e-4)


def test_a_blind_direction_is_never_detected() -> None:
    found = experiment.smallest_size(np.diag([400.0, 400.0, 0.0]), 0.01, 0.9)
    assert found.worst == np.inf
    assert found.best < found.any_direction < np.inf
    angle = experiment.smallest_angle(np.diag([400.0, 400.0, 0.0]), np.array([1.0, 0.0, 0.0]))
    assert angle.worst == np.pi


def test_smallest_angle_by_monte_carlo() -> None:
    m = np.diag([900.0, 400.0, 100.0])
    v = np.array([0.0, 0.0, 2.0])
    found = experiment.smallest_angle(m, v, wrong=0.1)
    assert found.best < found.worst
    other = 2.0 * np.array([0.0, np.sin(found.worst), np.cos(found.worst)])
    truth = np.array([v, other])
    noise = rng().standard_normal((100_000, 3)) / np.sqrt(np.diag(m))
    seen = v + noise
    # choose by the better likelihood with the size free: compare components across, along the tangent
    wrong = np.mean(seen[:, 1] > 0.5 * (truth[0, 1] + truth[1, 1]))
    assert wrong == pytest.approx(0.1, abs=0.004)


def test_unknown_position_lies_between_its_bounds() -> None:
    generator = rng()
    columns = generator.standard_normal((8, 3))
    every = np.concatenate([columns] + [columns + 0.3 * generator.standard_normal((8, 3)) for _ in range(5)], axis=1)
    found = experiment.look_elsewhere(every.T @ every, 0.01, generator)
    assert found.known < found.direction < found.position < found.upper
    assert found.local_probability < 0.01
    same = np.concatenate([columns] * 4, axis=1)
    exact = experiment.look_elsewhere(same.T @ same, 0.01, generator)
    assert exact.position == pytest.approx(exact.direction)
