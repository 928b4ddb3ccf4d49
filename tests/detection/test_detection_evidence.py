"""Evidence by two routes against closed forms and against nested sampling.

References: the closed-form Bayes factor of a source of known size seen by three orthogonal loops (normal integrals over
the sphere; posterior von Mises-Fisher), the normal evidence of a linear measurement, and dynesty's nested sampler
(Speagle, MNRAS 493, 3132 (2020)), a package that shares no code with this one.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from reference.evidence import isotropic_log_bayes_factor, linear_log_evidence
from small_study import small_study

from fluxsense.detection.evidence import (
    AlongDirection,
    Effort,
    Estimate,
    Evidence,
    bridge,
    importance,
    prior_sensitivity,
    size_prior_change,
    weigh,
)
from fluxsense.infer.mixture import StudentMixture
from fluxsense.model.problem import FluxProblem, log_posterior
from fluxsense.model.source_prior import LOG_2PI
from fluxsense.model.unknowns import Unknowns
from fluxsense.report.sentences import sentence
from fluxsense.study import DirectionPrior, Study


def rng(seed: int = 5) -> np.random.Generator:
    return np.random.default_rng(seed)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    base = small_study(tmp_path_factory.mktemp("flux"), offset_sd_mphi0=0.0)
    source = replace(base.source, size=1.0, size_sd=0.1, size_prior="scale", direction=DirectionPrior())
    return replace(base, source=source)


def flux_problem(
    study: Study, size_prior: str, y: np.ndarray, sd: float, scale: float = 1.0, rows: np.ndarray | None = None
) -> FluxProblem:
    changed = replace(study, source=replace(study.source, size_prior=size_prior, size=scale, size_sd=0.1 * scale))
    return FluxProblem(Unknowns(changed), np.eye(3) if rows is None else rows, y, sd)


def log_null(y: np.ndarray, sd: float) -> float:
    """Log-likelihood without a source, constant left out as `FluxProblem` does."""
    return float(-0.5 * np.sum((y / sd) ** 2))


def test_known_size_on_the_sphere_by_both_routes(study: Study) -> None:
    y, size, sd = np.array([1.5, -0.4, 1.1]), 2.0, 0.7
    problem = flux_problem(study, "fixed", y, sd, scale=size)
    found, _ = weigh(problem, rng(), Effort(draws=60_000, steps=800))
    exact = isotropic_log_bayes_factor(y, size, sd) + log_null(y, sd)
    assert np.exp(exact - log_null(y, sd)) == pytest.approx(2.563367071, abs=1e-9)
    for route in (found.importance, found.bridge):
        assert route.sd < 0.005
        assert abs(route.log_value - exact) < max(4 * route.sd, 1e-3)
        assert abs(route.log_value - exact) < 0.01  # the closed form to 1%
    assert found.agrees
    assert found.doubt("x") is None


def test_scale_prior_against_the_normal_evidence(study: Study) -> None:
    y, sd = np.array([0.3, -0.1, 0.7, 0.4]), 0.25
    rows = np.concatenate([np.eye(3), [[0.5, 0.5, -0.5]]])
    problem = flux_problem(study, "scale", y, sd, rows=rows)
    found, mixture = weigh(problem, rng(), Effort(draws=8000, steps=300))
    exact = linear_log_evidence(y, rows, sd**2 * np.eye(4), np.eye(3) / 3) + 4 * np.log(sd) + 2 * LOG_2PI
    for route in (found.importance, found.bridge):
        assert abs(route.log_value - exact) < max(4 * route.sd, 2e-3)
    # halving and doubling the size prior, in closed form
    for s in prior_sensitivity(problem, mixture, rng(6)):
        changed = linear_log_evidence(y, rows, sd**2 * np.eye(4), s.factor**2 * np.eye(3) / 3)
        expected = changed - linear_log_evidence(y, rows, sd**2 * np.eye(4), np.eye(3) / 3)
        assert abs(s.change - expected) < max(4 * s.sd, 2e-3)
        assert s.sd < 0.05


def test_prior_sensitivity_where_the_posterior_is_the_prior(study: Study) -> None:
    """Data that say nothing: the evidence does not move, although the posterior follows the prior out."""
    problem = flux_problem(study, "scale", np.zeros(3), 100.0)
    _, mixture = weigh(problem, rng(), Effort(draws=2000))
    for s in prior_sensitivity(problem, mixture, rng(7)):
        assert abs(s.change) < max(4 * s.sd, 2e-3)
        assert s.effective > 200


def test_changed_prior_is_normalised(study: Study) -> None:
    prior = Unknowns(study).source_prior
    w = prior.draw(rng(), 200_000)
    for factor in (0.5, 0.8):
        ratio = np.exp(size_prior_change(prior, w, factor))
        assert abs(ratio.mean() - 1) < 5 * ratio.std() / np.sqrt(len(w))


@pytest.mark.parametrize("size_prior", ["scale", "known"])
def test_size_along_a_direction_has_the_sphere_prior(study: Study, size_prior: str) -> None:
    changed = replace(study, source=replace(study.source, size_prior=size_prior, size_sd=0.2))
    line = AlongDirection(changed, (0.0, 3.0, 4.0))
    assert line.names == ("source size",)
    r = np.linspace(1e-4, 6, 200_001)
    density = np.exp(line.log_prior(r[:, None]))
    assert np.trapezoid(density, r) == pytest.approx(1.0, abs=1e-6)
    draws = line.draw(rng(), 50_000)[:, 0]
    mean = np.trapezoid(r * density, r)
    assert abs(draws.mean() - mean) < 5 * draws.std() / np.sqrt(draws.size)
    np.testing.assert_allclose(line.source(np.array([[2.0]])), [[0.0, 1.2, 1.6]])
    assert np.isneginf(line.log_prior(np.array([[-0.1]]))[0])


def test_mean_over_directions_is_the_evidence_of_the_sphere(study: Study) -> None:
    """Averaging the evidence of exact directions over the sphere gives that of the unknown direction."""
    from fluxsense.base.sphere import equal_area_points

    y, sd = np.array([0.9, 0.2, -0.5]), 0.4
    problem = flux_problem(study, "scale", y, sd)
    exact = linear_log_evidence(y, np.eye(3), sd**2 * np.eye(3), np.eye(3) / 3) + 3 * np.log(sd) + 1.5 * LOG_2PI
    r = np.linspace(1e-3, 6, 1500)
    values = []
    for direction in equal_area_points(400):
        line = FluxProblem(AlongDirection(problem.unknowns.study, direction), np.eye(3), y, sd)
        values.append(np.trapezoid(np.exp(log_posterior(line, r[:, None])), r))
    assert np.log(np.mean(values)) == pytest.approx(exact, abs=2e-3)


# ---------------------------------------------------------------- the two estimators by themselves


def gaussian(shift: float = 0.0, scale: float = 1.0, size: int = 4) -> StudentMixture:
    return StudentMixture(np.ones(1), np.full((1, size), shift), scale * np.eye(size)[None])


def test_errors_are_honest() -> None:
    """Standard errors against the scatter over repetitions, for a mixture that fits badly."""
    target = gaussian()
    proposal = gaussian(0.5, 1.3)
    found = []
    for seed in range(200):
        g = rng(seed)
        p, q, q2 = target.draw(g, 500), proposal.draw(g, 500), proposal.draw(g, 500)
        one = importance(target.log_density(q) + 3.0, proposal.log_density(q))
        two = bridge(
            target.log_density(p) + 3.0, proposal.log_density(p), target.log_density(q2) + 3.0, proposal.log_density(q2)
        )
        found.append((one.log_value, one.sd, two.log_value, two.sd))
    table = np.array(found)
    for k in (0, 2):
        z = (table[:, k] - 3.0) / table[:, k + 1]
        assert abs(z.mean()) < 0.35
        assert 0.8 < z.std() < 1.25
    # the bridge uses both sets of draws and is sharper
    assert table[:, 3].mean() < table[:, 1].mean()


def test_correlated_chains_widen_the_bridges_error() -> None:
    g = rng()
    target, proposal = gaussian(size=1), gaussian(0.8, 1.0, size=1)
    q = proposal.draw(g, 4000)
    at_q = (target.log_density(q), proposal.log_density(q))
    free = g.standard_normal((4, 400, 10))
    slow = np.empty_like(free)
    slow[:, 0] = free[:, 0]
    for t in range(1, 400):
        slow[:, t] = 0.9 * slow[:, t - 1] + np.sqrt(1 - 0.81) * free[:, t]

    def run(x: np.ndarray) -> Estimate:
        flat = x.reshape(-1, 1)
        return bridge(target.log_density(flat).reshape(x.shape), proposal.log_density(flat).reshape(x.shape), *at_q)

    assert run(slow).effective < 0.25 * run(free).effective


def test_a_missed_mode_is_a_disagreement() -> None:
    """Chains in two modes, a mixture on one of them: the routes differ by log 2, and that is said."""
    g = rng()
    two = StudentMixture(np.full(2, 0.5), np.array([[0.0, 0.0], [8.0, 0.0]]), np.tile(np.eye(2), (2, 1, 1)))
    one = gaussian(size=2)
    x, q, q2 = two.draw(g, 4000), one.draw(g, 4000), one.draw(g, 4000)
    found = Evidence(
        importance(two.log_density(q), one.log_density(q)),
        bridge(two.log_density(x), one.log_density(x), two.log_density(q2), one.log_density(q2)),
    )
    assert not found.agrees
    doubt = found.doubt("a source")
    assert doubt is not None
    assert "disagree" in sentence(doubt)
    whole = Evidence(
        importance(two.log_density(x), two.log_density(x)),
        bridge(two.log_density(x), two.log_density(x), two.log_density(x), two.log_density(x)),
    )
    assert whole.agrees


def test_few_draws_are_said() -> None:
    found = Evidence(Estimate(1.0, 0.01, 50.0), Estimate(1.0, 0.01, 1e4))
    assert not found.agrees
    doubt = found.doubt("a source")
    assert doubt is not None
    assert "50 effective draws" in sentence(doubt)


# ---------------------------------------------------------------- nested sampling


@dataclass(frozen=True)
class Nested:
    """Log evidence with its error, and posterior draws (n, D) with weights (n,), of one run of nested sampling."""

    value: float
    error: float
    x: np.ndarray
    weights: np.ndarray

    @property
    def effective(self) -> float:
        return float(1 / np.sum(self.weights**2))

    def mean_and_sd(self) -> tuple[np.ndarray, np.ndarray]:
        mean = self.weights @ self.x
        return mean, np.sqrt(self.weights @ (self.x - mean) ** 2)


def nested(problem: object, mixture: StudentMixture, seed: int, live: int = 200) -> Nested:
    """Evidence and posterior by dynesty.

    Its unit cube becomes a normal three times as wide as the mixture's heaviest component, whose density is divided out,
    so that few nested shells are needed; nothing else of our estimators enters.
    """
    dynesty = pytest.importorskip("dynesty")
    from scipy.special import ndtri

    k = int(np.argmax(mixture.weights))
    middle, spread = mixture.means[k], 3.0 * mixture.factors[k]
    size = middle.size
    constant = -0.5 * size * LOG_2PI - float(np.sum(np.log(np.diag(spread))))

    def transform(u: np.ndarray) -> np.ndarray:
        return ndtri(np.clip(u, 1e-12, 1 - 1e-12))

    def log_like(z: np.ndarray) -> float:
        value = log_posterior(problem, (middle + spread @ z)[None])[0]  # type: ignore[arg-type]
        return float(value - constant + 0.5 * z @ z) if np.isfinite(value) else -1e300

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sampler = dynesty.NestedSampler(
            log_like, transform, size, nlive=live, rstate=np.random.default_rng(seed), bound="multi", sample="unif"
        )
        sampler.run_nested(print_progress=False, dlogz=0.2)
    found = sampler.results
    return Nested(
        float(found.logz[-1]), float(found.logzerr[-1]), middle + found.samples @ spread.T, found.importance_weights()
    )


@pytest.mark.slow
@pytest.mark.parametrize("case", ["scale", "known", "cap"])
def test_nested_sampling_on_flux_problems(study: Study, case: str) -> None:
    y, sd = np.array([0.8, -0.3, 0.5]), 0.3
    changed = study
    if case == "cap":
        cap = DirectionPrior("cap", (0.0, 0.0, 1.0), 1.2)
        changed = replace(study, source=replace(study.source, direction=cap))
    problem = flux_problem(changed, "scale" if case == "cap" else case, y, sd)
    ours, mixture = weigh(problem, rng(), Effort(draws=8000, steps=300))
    peer = nested(problem, mixture, 3)
    assert abs(peer.value - ours.log_value) < 4 * np.hypot(peer.error, ours.sd)
    assert abs(peer.value - ours.bridge.log_value) < 4 * np.hypot(peer.error, ours.bridge.sd)


@pytest.mark.slow
@pytest.mark.parametrize("case", ["weak", "strong", "one_offset_state"])
def test_nested_sampling_on_campaigns(tmp_path: Path, case: str) -> None:
    """Three studies with traces, a source model and none: dynesty against both routes and against the chains of orient."""
    from fluxsense.infer.diagnostics import ess_bulk
    from fluxsense.infer.orient import prepare
    from fluxsense.jobs.orient import orient
    from fluxsense.jobs.simulate import draw_truth, simulate_digest
    from fluxsense.model.problem import no_source_problem

    small = small_study(
        tmp_path,
        size_ut={"weak": 0.02, "strong": 0.2, "one_offset_state": 0.1}[case],
        points=9,
        repeats=2,
        phase_sd_deg=2.0 if case == "weak" else 0.0,
        states=("out", "in"),
        offset_sd_mphi0=3.0,
    )
    if case == "one_offset_state":
        small = replace(small, loops=tuple(x.with_sd(offset_phi0=0.0) for x in small.loops[:2]) + small.loops[2:])
    digest = simulate_digest(small, draw_truth(small, 8))
    problem, modes, _ = prepare(small, digest, rng=rng())
    with_source, first = weigh(problem, rng(1), Effort(draws=3000, steps=150), modes=modes)
    none_problem = no_source_problem(problem)
    without, second = weigh(none_problem, rng(2), Effort(draws=3000, steps=150))
    assert with_source.agrees
    assert without.agrees
    for ours, p, mixture in ((with_source, problem, first), (without, none_problem, second)):
        peer = nested(p, mixture, 4, live=80)
        assert abs(peer.value - ours.log_value) < 4 * np.hypot(peer.error, ours.sd) + 0.05
        if p is not problem:
            continue
        chains = orient(small, digest, seed=5, wanted_ess=2000).posterior.chains.x  # (ensembles, steps, walkers, D)
        draws = chains.reshape(-1, chains.shape[-1])
        mean, sd = peer.mean_and_sd()
        counts = [sum(ess_bulk(e[:, :, k].T) for e in chains) for k in range(chains.shape[-1])]
        error = 4 * np.sqrt(1 / np.array(counts) + 1 / peer.effective)
        assert draws.shape[1] == mean.size
        assert np.all(np.abs(draws.mean(axis=0) - mean) < error * sd)
        assert np.all(np.abs(draws.std(axis=0) / sd - 1) < error)
