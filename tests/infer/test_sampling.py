"""Mixture, evidence, mode-jumping move and ensembles against targets whose answers are known in closed form.

References: normal mixtures (weights, moments, evidence), the linear-Gaussian model evidence (Bayes' rule, two
multivariate normal densities by scipy).  Tolerances are four to five standard errors of the check itself.
"""

from __future__ import annotations

import emcee
import numpy as np
import pytest
from scipy.stats import kstest, multivariate_normal, multivariate_t, norm
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.infer.diagnostics import diagnose
from fluxsense.infer.mixture import StudentMixture, has_tails, importance_weights, improve, perplexity, with_tails
from fluxsense.infer.modes import ascend, find_modes
from fluxsense.infer.orient import sample_posterior, settled
from fluxsense.infer.reduction import _cell
from fluxsense.infer.sampler import default_moves, mixture_move, short_walk, walkers_for
from fluxsense.model.problem import FluxProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

TWO = StudentMixture(
    np.array([0.3, 0.7]),
    np.array([[-2.0, 0.0], [3.0, 1.0]]),
    np.array([[[0.5, 0.0], [0.2, 0.4]], [[1.0, 0.0], [-0.5, 0.3]]]),
    8.0,
)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return small_study(tmp_path_factory.mktemp("sampling"), offset_sd_mphi0=0.0)


def test_mixture_density_is_scipys_student() -> None:
    x = np.random.default_rng(0).normal(size=(20, 2)) * 3
    want = np.zeros(20)
    for w, m, f in zip(TWO.weights, TWO.means, TWO.factors, strict=True):
        want += w * multivariate_t(m, f @ f.T, df=8).pdf(x)
    np.testing.assert_allclose(np.exp(TWO.log_density(x)), want, rtol=1e-12)


def test_mixture_draws_have_their_moments() -> None:
    x = TWO.draw(np.random.default_rng(1), 40_000)
    mean = TWO.weights @ TWO.means
    np.testing.assert_allclose(x.mean(axis=0), mean, atol=5 * x.std(axis=0).max() / 200)
    assert np.mean(x[:, 0] < 0) == pytest.approx(0.3, abs=0.02)


def test_importance_weights_give_the_evidence() -> None:
    """A normal times exp(2.5) has the log evidence 2.5."""
    target = multivariate_normal([3.0, 1.0], [[1.2, -0.4], [-0.4, 0.5]])
    x = TWO.draw(np.random.default_rng(2), 20_000)
    weights, log_z, error = importance_weights(TWO, x, target.logpdf(x) + 2.5)
    assert abs(log_z - 2.5) < 5 * error
    assert error < 0.03
    assert weights.sum() == pytest.approx(1)
    assert 0 < perplexity(weights) < 1
    assert perplexity(np.full(100, 0.01)) == pytest.approx(1)


def test_improve_learns_shape_and_weight() -> None:
    """Two normals of weights 0.8 and 0.2, started with equal weights and shapes three times too wide."""
    first = multivariate_normal([-2.0, 0.0], [[0.3, 0.1], [0.1, 0.2]])
    second = multivariate_normal([3.0, 1.0], [[0.5, -0.2], [-0.2, 0.4]])

    def target(x: np.ndarray) -> np.ndarray:
        return np.logaddexp(np.log(0.8) + first.logpdf(x), np.log(0.2) + second.logpdf(x))

    start = StudentMixture(np.array([0.5, 0.5]), TWO.means, np.array([2 * np.eye(2), 2 * np.eye(2)]), 20.0)
    better, history = improve(start, target, np.random.default_rng(3), good_enough=0.97)
    assert max(history) > 0.8 > history[0]
    assert better.weights[np.argmin(better.means[:, 0])] == pytest.approx(0.8, abs=0.05)


class _Model:
    """What an emcee move needs of its sampler."""

    def __init__(self, log_p: object, seed: int) -> None:
        self.random = np.random.RandomState(seed)
        self.compute_log_prob_fn = lambda x: (log_p(x), None)  # type: ignore[operator]


def test_a_long_tail_is_seen_and_reached() -> None:
    """A tenth of the mass in a tail of exp(-0.3 x) beside a narrow core, the other coordinates leaning with it."""
    lean = np.array(
        [[0.1, 0, 0, 0, 0], [0.05, 1, 0, 0, 0], [0, 0.4, 1, 0, 0], [0.02, 0, 0, 0.5, 0], [0, 0, 0, 0.3, 2.0]]
    )

    def target(x: np.ndarray) -> np.ndarray:
        z = np.linalg.solve(lean, x.T).T
        tail = np.where(z[:, 0] > 0, np.log(0.1 * 0.3) - 0.3 * np.maximum(z[:, 0], 0), -np.inf)
        first = np.logaddexp(np.log(0.9) + norm.logpdf(z[:, 0]), tail)
        return first + norm.logpdf(z[:, 1:]).sum(axis=1) - np.linalg.slogdet(lean)[1] + 7.0

    def gauss(x: np.ndarray) -> np.ndarray:
        return multivariate_normal(np.zeros(5), lean @ lean.T).logpdf(x)

    rng = np.random.default_rng(11)
    start = StudentMixture(np.ones(1), np.zeros((1, 5)), lean[None])
    assert not has_tails(start, gauss)
    mixture, _ = improve(start, target, rng)
    assert has_tails(mixture, target)
    longer = mixture
    for _ in range(2):
        longer = with_tails(longer, *short_walk(target, longer, rng))
    draws = longer.draw(rng, 20000)
    weights, value, error = importance_weights(longer, draws, target(draws))
    assert abs(value - 7.0) < 4 * error
    assert error < 0.01
    assert perplexity(weights) > 0.8
    old = mixture.draw(rng, 20000)
    assert importance_weights(mixture, old, target(old))[2] > 2 * error


def test_mode_jump_leaves_the_target_unchanged() -> None:
    """Detailed balance: walkers that are exact draws of the target stay draws of it after many jumps.

    The target differs from the mixture in weights and shapes; the negative control leaves the proposal's density out.
    """
    rng = np.random.default_rng(4)
    count = 4000
    which = rng.random(count) < 0.6
    start = np.where(which, rng.normal(-2.0, 0.6, count), rng.normal(3.0, 0.9, count))[:, None]

    def log_p(x: np.ndarray) -> np.ndarray:
        return np.asarray(
            np.logaddexp(np.log(0.6) + norm.logpdf(x[:, 0], -2, 0.6), np.log(0.4) + norm.logpdf(x[:, 0], 3, 0.9))
        )

    def cdf(x: np.ndarray) -> np.ndarray:
        return np.asarray(0.6 * norm.cdf(x, -2, 0.6) + 0.4 * norm.cdf(x, 3, 0.9))

    mixture = StudentMixture(np.array([0.2, 0.8]), np.array([[-1.5], [2.5]]), np.array([[[1.0]], [[1.0]]]), 8.0)

    def after(move: emcee.moves.Move) -> float:
        state = emcee.State(start.copy(), log_prob=log_p(start))
        model = _Model(log_p, 5)
        for _ in range(15):
            state, _ = move.propose(model, state)
        return float(kstest(state.coords[:, 0], cdf).pvalue)

    assert after(mixture_move(mixture)) > 1e-3
    wrong = emcee.moves.MHMove(lambda x, random: (mixture.draw(random, len(x)), np.zeros(len(x))))
    assert after(wrong) < 1e-6


def test_moves_without_jumping_know_nothing_of_the_modes() -> None:
    assert len(default_moves(TWO)) == len(default_moves(TWO, jumping=False)) + 1
    assert sum(share for _, share in default_moves(TWO)) == pytest.approx(1)
    assert walkers_for(30, 8) == 62
    assert walkers_for(3, 21) == 22


def test_linear_gaussian_posterior_and_evidence(study: Study) -> None:
    """Scale prior and fluxes linear in the field: posterior and evidence are normal theory."""
    rng = np.random.default_rng(6)
    size = study.source.size
    rows = rng.normal(size=(5, 3)) * 0.1 / size
    truth = np.array([0.4, -0.7, 0.2]) * size
    sd = 0.01
    measured = rows @ truth + sd * rng.normal(size=5)
    problem = FluxProblem(Unknowns(study), rows, measured, sd)
    posterior = sample_posterior(problem, 7, ensembles=4, wanted_ess=2000)
    prior = size**2 / 3 * np.eye(3)
    information = rows.T @ rows / sd**2 + np.linalg.inv(prior)
    covariance = np.linalg.inv(information)
    mean = covariance @ rows.T @ measured / sd**2
    vectors = problem.unknowns.source(posterior.chains.flat)
    error = np.sqrt(np.diag(covariance) / 1500)
    np.testing.assert_array_less(np.abs(vectors.mean(axis=0) - mean), 5 * error)
    np.testing.assert_allclose(np.cov(vectors.T), covariance, atol=0.15 * np.max(np.diag(covariance)))
    exact = multivariate_normal(np.zeros(5), rows @ prior @ rows.T + sd**2 * np.eye(5)).logpdf(measured)
    constant = -2.5 * np.log(2 * np.pi * sd**2)  # left out of the problem's log-likelihood
    assert abs(posterior.log_evidence + constant - exact) < 5 * posterior.log_evidence_sd + 1e-3
    assert posterior.diagnosis.good
    # one more: the direction's 90% region holds the posterior's own draws nine times of ten
    draws = rng.multivariate_normal(mean, covariance, 1000)
    from fluxsense.base.sphere import contains

    share = np.mean(contains(posterior.regions[1], draws))
    assert share == pytest.approx(0.9, abs=0.05)


@pytest.mark.parametrize("loops", [2, 5])
def test_laplace_is_exact_where_all_is_linear(study: Study, loops: int) -> None:
    """Scale prior and fluxes linear in the field: a mode's evidence is the density of the data, scipy's multivariate normal.

    With two loops one component of the field is known from its prior alone.
    """
    rng = np.random.default_rng(8)
    size, sd = study.source.size, 0.02
    rows = rng.normal(size=(loops, 3)) * 0.1 / size
    measured = rows @ np.array([0.4, -0.7, 0.2]) * size + sd * rng.normal(size=loops)
    mode = ascend(FluxProblem(Unknowns(study), rows, measured, sd), np.zeros(3))
    assert mode is not None
    exact = multivariate_normal(np.zeros(loops), size**2 / 3 * rows @ rows.T + sd**2 * np.eye(loops)).logpdf(measured)
    constant = -0.5 * loops * np.log(2 * np.pi * sd**2)  # left out of the problem's log-likelihood
    assert mode.log_evidence + constant == pytest.approx(exact, abs=1e-6)
    scaled = size * rows / sd
    np.testing.assert_allclose(mode.covariance, np.linalg.inv(scaled.T @ scaled + 3 * np.eye(3)), rtol=1e-6, atol=1e-9)


def test_same_seed_same_chains(study: Study) -> None:
    rows = np.eye(3) * 0.1 / study.source.size
    problem = FluxProblem(Unknowns(study), rows, np.array([0.05, 0.02, -0.04]), 0.02)
    one, two, other = (
        sample_posterior(problem, seed, ensembles=2, walkers=16, wanted_ess=100, max_steps=150) for seed in (3, 3, 4)
    )
    assert np.array_equal(one.chains.x, two.chains.x)
    assert not np.array_equal(one.chains.x[:, :20], other.chains.x[:, :20])


def test_two_modes_need_the_jump(study: Study) -> None:
    """Measuring only |v|-like squares leaves v and -v: with the jump both have half; without it nothing is called reliable."""

    class Even(FluxProblem):
        """Sees the source only up to sign."""

        def _residual(self, x: np.ndarray) -> np.ndarray:
            flux = self._unknowns.source(x) @ self._map.T
            return np.asarray((self._flux - np.abs(flux)) / self._sd)

    rows = np.array([[1.0, 0.2, 0.1], [1.0, -0.2, 0.3], [1.0, 0.1, -0.4]]) / study.source.size
    problem = Even(Unknowns(study), rows, np.array([1.0, 0.9, 0.8]), 0.01)
    both = sample_posterior(problem, 1, ensembles=4, wanted_ess=1000)
    weights = sorted(m.weight for m in both.groups.modes)
    assert len(weights) == 2
    agreement = both.diagnosis.weights
    assert agreement is not None
    assert abs(weights[0] - 0.5) < 5 * max(float(agreement.error[0]), 0.01)
    assert both.diagnosis.good
    stuck = sample_posterior(problem, 1, ensembles=4, wanted_ess=1000, jumping=False, max_steps=250)
    assert not stuck.diagnosis.good


def test_every_mode_is_found(study: Study) -> None:
    """Fluxes known up to their signs leave eight directions."""

    class Signless(FluxProblem):
        def _residual(self, x: np.ndarray) -> np.ndarray:
            flux = self._unknowns.source(x) @ self._map.T
            return np.asarray((self._flux**2 - flux**2) / self._sd)

    rows = np.eye(3) / study.source.size
    problem = Signless(Unknowns(study), rows, np.array([0.6, 0.5, 0.4]), 0.02)
    modes = find_modes(problem, np.random.default_rng(0))
    signs = {tuple(np.sign(m.x[:3]).astype(int)) for m in modes if m.log_posterior > modes[0].log_posterior - 5}
    assert len(signs) == 8


def test_chains_go_on_until_the_verdict_would_call_them_long_enough() -> None:
    """Autoregressive chains of known autocorrelation time (1 + r)/(1 - r), one of four ensembles slower than the others."""
    rng = np.random.default_rng(2)
    steps, walkers = 200, 40
    x = np.empty((4, steps, walkers, 3))
    for e, r in enumerate((0.2, 0.2, 0.2, 0.65)):
        x[e, 0] = rng.standard_normal((walkers, 3))
        for t in range(1, steps):
            x[e, t] = r * x[e, t - 1] + np.sqrt(1 - r * r) * rng.standard_normal((walkers, 3))
    done, reached = settled(x, 400)
    assert not done  # 200 steps are 42 times (1.65/0.35), though all together last 83
    assert reached < 400
    assert settled(x[:3], 400)[0]
    assert not diagnose(x, ("x", "y", "z")).good
    assert diagnose(x[:3], ("x", "y", "z")).good


def test_one_ensemble_is_refused(study: Study) -> None:
    problem = FluxProblem(Unknowns(study), np.eye(3) / study.source.size, np.array([0.6, 0.5, 0.4]), 0.1)
    with pytest.raises(InputError, match="fewer than two ensembles"):
        sample_posterior(problem, 1, ensembles=1)


def test_a_coordinate_that_stands_still_makes_no_cell_singular() -> None:
    """A loop may lie along every direction of a list; the others keep their box about the points."""
    u = np.random.default_rng(3).normal(size=(60, 3)) * [1e-3, 0.0, 1.0]
    cell = _cell(((1, 0),), (0,), (), {0: [0]}, u)
    t = np.linalg.solve(cell.lower, (u - cell.middle).T).T
    assert np.all(np.abs(t) <= cell.box)
    np.testing.assert_allclose(cell.middle + t @ cell.lower.T, u, atol=1e-12)
