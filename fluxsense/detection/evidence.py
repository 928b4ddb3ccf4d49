"""Log evidence by two independent routes, with the numerical error of each and their agreement as a verdict.

* Importance sampling from the proposal that stands in for the posterior (`fluxsense.infer.proposal`).
* Bridge sampling between fresh draws of the proposal and the draws of Markov chains (Meng & Wong, Statistica Sinica 6, 831
  (1996), optimal bridge, iterated); its relative mean squared error after Fruhwirth-Schnatter, Econometrics Journal 7,
  143 (2004), with the chains' autocorrelation (both from memory; checked here against closed forms and nested sampling).

The first rests on the proposal's tails only, the second also on where the chains went: a mode that one of them misses, or
a tail that the proposal lacks, shows as a disagreement.  A disagreement is said, never averaged away.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from fluxsense.base.errors import InputError
from fluxsense.base.findings import Finding
from fluxsense.infer.counts import VoteProblem
from fluxsense.infer.mixture import StudentMixture
from fluxsense.infer.modes import LocalMode, ascend_all, find_modes
from fluxsense.infer.proposal import Fitted, Proposal, proposed
from fluxsense.infer.sampler import run_ensembles
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.problem import CampaignProblem, Problem, log_posterior
from fluxsense.model.source_prior import LOG_2PI, SourcePrior
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import DirectionPrior, Study

FloatArray = npt.NDArray[np.float64]

FEWEST_EFFECTIVE = 100.0
"""Effective draws below which an evidence is not to be quoted."""
FLOOR = 0.02
"""Systematic difference (reduced likelihood, thinned chains) that two routes may have beside their errors."""
TOLERANCE_SD = 4.0


@dataclass(frozen=True)
class Estimate:
    """A log evidence by one route: value, standard error, effective number of draws."""

    log_value: float
    sd: float
    effective: float


@dataclass(frozen=True)
class Drawn:
    """Draws x (N, D) of a proposal, with the log of the unnormalised posterior and of the proposal's density (N,)."""

    x: FloatArray
    log_target: FloatArray
    log_proposal: FloatArray


@dataclass(frozen=True)
class Evidence:
    """A log evidence by both routes.

    Attributes
    ----------
    importance, bridge : Estimate
    drawn : Drawn or None
        The draws of the first route, for further questions to the same posterior.
    """

    importance: Estimate
    bridge: Estimate
    drawn: Drawn | None = field(default=None, repr=False, compare=False)

    @property
    def log_value(self) -> float:
        """The importance-sampling value (the bridge serves as its check)."""
        return self.importance.log_value

    @property
    def sd(self) -> float:
        """Larger of the two routes' errors."""
        return max(self.importance.sd, self.bridge.sd)

    @property
    def difference(self) -> float:
        """Bridge less importance."""
        return self.bridge.log_value - self.importance.log_value

    @property
    def agrees(self) -> bool:
        """Whether both routes agree within their errors and neither rests on too few draws."""
        allowed = TOLERANCE_SD * float(np.hypot(self.importance.sd, self.bridge.sd)) + FLOOR
        enough = min(self.importance.effective, self.bridge.effective) >= FEWEST_EFFECTIVE
        return bool(abs(self.difference) <= allowed and enough)

    def doubt(self, name: str) -> Finding | None:
        """What speaks against quoting the evidence of the hypothesis named; None if the routes agree."""
        if self.agrees:
            return None
        fewest = min(self.importance.effective, self.bridge.effective)
        if fewest < FEWEST_EFFECTIVE:
            return Finding("evidence on few draws", 1, name=name, draws=fewest, fewest=FEWEST_EFFECTIVE)
        return Finding(
            "routes disagree",
            1,
            name=name,
            importance=self.importance.log_value,
            importance_sd=self.importance.sd,
            bridge=self.bridge.log_value,
            bridge_sd=self.bridge.sd,
        )


def importance(log_target: FloatArray, log_proposal: FloatArray) -> Estimate:
    """Log of the mean weight of draws from a proposal.

    Parameters
    ----------
    log_target, log_proposal : ndarray (N,)
        At draws from the proposal.
    """
    log_w = log_target - log_proposal
    top = float(np.max(log_w))
    if not np.isfinite(top):
        return Estimate(-np.inf, np.inf, 0.0)
    w = np.exp(log_w - top)
    mean = float(w.mean())
    return Estimate(
        top + float(np.log(mean)),
        float(w.std(ddof=1) / np.sqrt(w.size) / mean),
        float(w.sum() ** 2 / np.sum(w * w)),
    )


def bridge(
    target_at_posterior: FloatArray,
    proposal_at_posterior: FloatArray,
    target_at_proposal: FloatArray,
    proposal_at_proposal: FloatArray,
    autocorrelation: float | None = None,
) -> Estimate:
    """Log evidence by bridge sampling.

    Parameters
    ----------
    target_at_posterior, proposal_at_posterior : ndarray (T,) or (E, T, W)
        Log of the unnormalised posterior and of the proposal's density at posterior draws; with three axes (ensembles,
        steps, walkers) the autocorrelation along the steps is measured.
    target_at_proposal, proposal_at_proposal : ndarray (N,)
        The same at draws from the proposal; minus infinity where the prior vanishes.
    autocorrelation : float, optional
        Autocorrelation time of the posterior draws, instead of the measured one.

    Returns
    -------
    Estimate
        Its effective number counts posterior draws over their autocorrelation time, weighed by how evenly the bridge
        uses them, or proposal draws, whichever is less.
    """
    shape = target_at_posterior.shape
    l1 = (target_at_posterior - proposal_at_posterior).reshape(-1)
    l2 = target_at_proposal - proposal_at_proposal
    n1, n2 = l1.size, l2.size
    tau = autocorrelation if autocorrelation is not None else 1.0
    effective1 = n1 / tau
    log_r, share1 = float(np.median(l1)), 0.0
    f2 = f1 = np.zeros(0)
    for _ in range(2):  # once to measure the autocorrelation, once with the draws counted by it
        log_s1 = np.log(effective1 / (effective1 + n2))
        log_s2 = np.log(n2 / (effective1 + n2))
        for _ in range(1000):
            # f = 1/(s1 p/r + s2 q) times q (over proposal draws: times p), in logs
            log_1 = -np.logaddexp(log_s1 + l1 - log_r, log_s2)
            log_2 = l2 - log_r - np.logaddexp(log_s1 + l2 - log_r, log_s2)
            change = float(logsumexp(log_2) - np.log(n2) - logsumexp(log_1) + np.log(n1))
            log_r += change
            if abs(change) < 1e-10:
                break
        f1, f2 = np.exp(log_1 - np.max(log_1)), np.exp(log_2 - np.max(log_2))
        share1 = float(f1.var(ddof=1) / f1.mean() ** 2)
        if autocorrelation is not None or len(shape) != 3:
            break
        tau = _autocorrelation(f1.reshape(shape))
        effective1 = n1 / tau
    share2 = float(f2.var(ddof=1) / f2.mean() ** 2)
    sd = float(np.sqrt(share1 / effective1 + share2 / n2))
    if len(shape) == 3 and shape[0] > 1:
        # ensembles that disagree on the bridge's share of the proposal are a source of error of their own
        means = f1.reshape(shape[0], -1).mean(axis=1)
        sd = max(sd, float(means.std(ddof=1) / np.sqrt(shape[0]) / means.mean()))
    return Estimate(log_r, sd, float(min(effective1 / (1 + share1), n2 / (1 + share2))))


def _autocorrelation(series: FloatArray) -> float:
    """Autocorrelation time along the steps of (E, T, W), from the lag-one correlation as of a first-order process.

    The stored chains are thinned by about their autocorrelation time, so that little beyond the first lag is left.
    """
    if series.shape[1] < 4:
        return 1.0
    centred = series - series.mean()
    variance = float(np.mean(centred**2))
    if variance <= 0:
        return 1.0
    rho = float(np.mean(centred[:, 1:] * centred[:, :-1])) / variance
    rho = float(np.clip(rho, 0.0, 0.95))
    return (1 + rho) / (1 - rho)


# ---------------------------------------------------------------- hypotheses


@dataclass(frozen=True)
class Effort:
    """How much is spent on a log evidence.

    Attributes
    ----------
    draws : int
        Most fresh draws of the proposal for each route.
    enough : float
        Effective draws at which a route needs no more.
    fit_draws, fit_rounds : int
        For fitting the proposal.
    steps, walkers : int
        Of chains run here (two ensembles).
    reduce : bool
        Whether to look for a reduced likelihood.
    """

    draws: int = 2000
    enough: float = np.inf
    fit_draws: int = 800
    fit_rounds: int = 4
    steps: int = 120
    walkers: int | None = None
    reduce: bool = True


def weigh(
    problem: Problem,
    rng: np.random.Generator,
    effort: Effort,
    *,
    modes: Sequence[LocalMode] | None = None,
    proposal: Proposal | None = None,
    posterior: tuple[FloatArray, FloatArray] | None = None,
) -> tuple[Evidence, Proposal]:
    """Log evidence of a hypothesis by both routes.

    Parameters
    ----------
    problem : Problem
    rng : Generator
    effort : Effort
    modes : sequence of LocalMode, optional
        Searched for if neither they nor a proposal are given.
    proposal : Proposal, optional
        Used as it is.
    posterior : tuple of ndarray (E, T, W, D) and ndarray (E, T, W), optional
        Chains and their log posterior; short ones are run if not given.

    Returns
    -------
    Evidence
    Proposal

    Raises
    ------
    InputError
        If no mode is found.
    """
    size = problem.unknowns.size
    if size == 0:
        value = float(problem.log_likelihood(np.zeros((1, 0)))[0])
        exact = Estimate(value, 0.0, np.inf)
        return Evidence(exact, exact), Proposal(StudentMixture(np.ones(1), np.zeros((1, 0)), np.zeros((1, 0, 0))))
    used = problem
    if proposal is None:
        fitted = _fitted(problem, find_modes(problem, rng) if modes is None else modes, rng, effort)
        proposal, used = fitted.proposal, fitted.problem
    first, second = (_drawn(used, proposal, rng, effort.draws, effort.enough) for _ in range(2))
    one = importance(first.log_target, first.log_proposal)
    if posterior is None:
        chains = run_ensembles(
            proposal.of_coordinates(partial(log_posterior, used)),
            proposal.mixture,
            list(rng.spawn(2)),
            walkers=effort.walkers,
            max_steps=effort.steps,
            enough=lambda x: (False, 0.0),
        )
        posterior = proposal.bent(chains.x[:, ::THIN]), chains.log_posterior[:, ::THIN]
    x, log_p = posterior
    at_x = proposal.log_density(x.reshape(-1, size)).reshape(x.shape[:-1])
    two = bridge(log_p, at_x, second.log_target, second.log_proposal)
    return Evidence(one, two, first), proposal


THIN = 2
"""Steps of short chains of which one is kept."""


def _fitted(problem: Problem, modes: Sequence[LocalMode], rng: np.random.Generator, effort: Effort) -> Fitted:
    """A proposal about the modes."""
    if not modes:
        raise InputError(
            "no set of parameters within the prior explains the data at all", remedy="Check the priors in the study"
        )
    return proposed(problem, modes, rng, draws=effort.fit_draws, rounds=effort.fit_rounds, reduce=effort.reduce)


DRAW_BLOCK = 200


def _drawn(problem: Problem, proposal: Proposal, rng: np.random.Generator, most: int, enough: float) -> Drawn:
    """Draws of a proposal, block by block until their effective number is enough."""
    blocks: list[Drawn] = []
    while True:
        x = proposal.draw(rng, min(DRAW_BLOCK, most - sum(len(b.x) for b in blocks)))
        blocks.append(Drawn(x, log_posterior(problem, x), proposal.log_density(x)))
        out = Drawn(*(np.concatenate([getattr(b, f) for b in blocks]) for f in ("x", "log_target", "log_proposal")))
        if len(out.x) >= most or importance(out.log_target, out.log_proposal).effective >= enough:
            return out


class AlongDirection(Unknowns):
    """The unknowns of the hypothesis that the source points exactly along one direction: its size and the nuisances.

    The first unknown is the size in units of the stated one, with the prior that the study's source prior gives it:
    Maxwell's distribution for 'scale', normal cut at 0 for 'known'; with a 'fixed' size there is none.
    """

    def __init__(
        self,
        study: Study,
        direction: npt.ArrayLike,
        cooldowns: Sequence[str] = ("c1",),
        isolators: Sequence[int] | None = None,
        *,
        leave_out: Sequence[str] = (),
        tamed: Collection[str] = (),
    ) -> None:
        self._sized = study.source.size_prior != "fixed"  # `lead` is asked for while the parent sets up
        super().__init__(study, cooldowns, isolators, leave_out=leave_out, tamed=tamed)
        vector = np.asarray(direction, dtype=np.float64)
        length = float(np.sqrt(vector @ vector))
        if vector.shape != (3,) or not length > 0:
            raise InputError("a direction needs three components, not all zero", remedy="Give azimuth and elevation")
        self.direction = vector / length
        keep = self.names[3:]
        self.names = ("source size", *keep) if self._sized else keep
        self.units = (self.units[0], *self.units[3:]) if self._sized else self.units[3:]

    @property
    def lead(self) -> int:
        """Number of source unknowns in front: 1, or 0 with a fixed size."""
        return 1 if self._sized else 0

    def source(self, x: FloatArray) -> FloatArray:
        """Source vectors in SI units, (B, 3)."""
        size = x[:, :1] if self._sized else np.ones((x.shape[0], 1))
        return np.asarray(size * self.direction * self.study.source.size)

    def _log_size(self, r: FloatArray) -> FloatArray:
        prior: SourcePrior = self.source_prior
        with np.errstate(divide="ignore", invalid="ignore"):
            if prior.size_prior == "scale":
                out = np.log(4 * np.pi * r * r) - 1.5 * r * r - 1.5 * np.log(2 * np.pi / 3)
            else:
                sphere = SourcePrior(prior.size_prior, prior.relative_sd, DirectionPrior("sphere"))
                out = sphere.log_density(r[:, None] * np.array([[0.0, 0.0, 1.0]])) + np.log(4 * np.pi * r * r)
        return np.asarray(np.where(r > 0, out, -np.inf))

    def log_prior(self, x: FloatArray) -> FloatArray:
        """Log prior density (B,), normalised."""
        rest = x[:, self.lead :]
        log_p = -0.5 * np.sum(rest * rest, axis=1) - 0.5 * LOG_2PI * rest.shape[1] - self._log_kept
        inside = np.all((rest >= self._low) & (rest <= self._high), axis=1)
        log_p = np.where(inside, log_p, -np.inf)
        return np.asarray(log_p + self._log_size(x[:, 0]) if self._sized else log_p)

    def prior_curvature(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Gradient of the log prior and a positive matrix near its negative Hessian."""
        gradient, matrix = -np.array(x), np.eye(self.size)
        if self._sized:
            r = max(float(x[0]), 1e-3)
            if self.source_prior.size_prior == "scale":
                gradient[0], matrix[0, 0] = 2 / r - 3 * r, 2 / r**2 + 3
            else:
                sd = self.source_prior.radial_sd
                gradient[0], matrix[0, 0] = -(r - 1) / sd**2, 1 / sd**2
        return gradient, matrix

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Draws from the prior, (count, D)."""
        full = super().draw(rng, count)
        rest = full[:, 3:]
        if not self._sized:
            return rest
        return np.concatenate([np.sqrt(np.sum(full[:, :3] ** 2, axis=1, keepdims=True)), rest], axis=1)


def direction_problem(
    problem: CampaignProblem | VoteProblem, direction: npt.ArrayLike
) -> CampaignProblem | VoteProblem:
    """The same campaign under the hypothesis of one exact direction."""
    full = problem.unknowns
    unknowns = AlongDirection(
        full.study, direction, full.cooldowns, problem.measured, leave_out=full.leave_out, tamed=full.tamed
    )
    if isinstance(problem, VoteProblem):
        return problem.with_unknowns(unknowns)
    return CampaignProblem(unknowns, problem.likelihood)


def line_modes(problem: Problem, nuisances: FloatArray, sizes: Sequence[float] = (0.03, 0.3, 1.0)) -> list[LocalMode]:
    """Maxima of a problem along one direction, from a few sizes with nuisances at their means and at likely values (N,)."""
    lead = problem.unknowns.lead
    places = np.unique([np.zeros_like(nuisances), nuisances], axis=0)
    starts = np.zeros((len(sizes) * len(places), problem.unknowns.size))
    starts[:, lead:] = np.repeat(places, len(sizes), axis=0)
    if lead:
        starts[:, 0] = np.tile(sizes, len(places))
    values = log_posterior(problem, starts)
    found: list[LocalMode] = []
    best = np.argsort(-values)[: 2 if lead else 1]
    for mode in ascend_all(problem, starts[best]):
        if mode is not None and not any(np.allclose(mode.x, m.x, atol=0.05) for m in found):
            found.append(mode)
    return sorted(found, key=lambda m: -m.log_evidence)


# ---------------------------------------------------------------- prior sensitivity


@dataclass(frozen=True)
class Sensitivity:
    """Change of the log evidence when the size prior's scale is multiplied by `factor`, with its error."""

    factor: float
    change: float
    sd: float
    effective: float


def size_prior_change(prior: SourcePrior, w: FloatArray, factor: float) -> FloatArray:
    """Log ratio of the prior density of w (B, 3) with its size scale multiplied by `factor` to the stated one."""
    with np.errstate(invalid="ignore"):
        return np.asarray(prior.log_density(w / factor) - 3 * np.log(factor) - prior.log_density(w))


def prior_sensitivity(
    problem: Problem,
    proposal: Proposal,
    rng: np.random.Generator,
    factors: Sequence[float] = (0.5, 2.0),
    draws: int = 2000,
    drawn: Drawn | None = None,
) -> list[Sensitivity]:
    """How the log evidence moves when the size prior is halved or doubled.

    Draws of the proposal are weighed by the posterior with the other prior; where that leaves few effective draws (a
    posterior that follows the prior out), one stretched along the source is used as well.

    Parameters
    ----------
    problem : Problem
        With a source; a prior of kind 'fixed' has no scale to vary and gives an empty list.
    proposal : Proposal
    rng : Generator
    factors : sequence of float
    draws : int
    drawn : Drawn, optional
        Draws of the proposal at hand, with the stated prior.
    """
    prior = problem.unknowns.source_prior
    if prior.size_prior == "fixed":
        return []

    def target(x: FloatArray, factor: float) -> FloatArray:
        base = log_posterior(problem, x)
        alive = np.isfinite(base)
        base[alive] += size_prior_change(prior, x[alive, :3], factor)
        return base

    if drawn is None:
        x = proposal.draw(rng, draws)
        drawn = Drawn(x, log_posterior(problem, x), proposal.log_density(x))
    x, base, log_q = drawn.x, drawn.log_target, drawn.log_proposal
    stated = importance(base, log_q)
    alive = np.isfinite(base)
    out = []
    for factor in factors:
        moved = np.full(len(x), -np.inf)
        moved[alive] = base[alive] + size_prior_change(prior, x[alive, :3], factor)
        one = same = importance(moved, log_q)
        if one.effective < 0.5 * stated.effective:
            wide = replace(proposal, mixture=_rescaled(proposal.mixture, factor))
            stretched, _ = wide.improved(partial(target, factor=factor), rng, draws=draws // 2, rounds=4)
            y = stretched.draw(rng, draws)
            other = importance(target(y, factor), stretched.log_density(y))
            if other.effective > one.effective:
                one = other
        sd = float(np.hypot(one.sd, stated.sd))
        if one is same:  # the same draws: their errors are common
            sd = _ratio_sd(moved - log_q, base - log_q)
        out.append(Sensitivity(factor, one.log_value - stated.log_value, sd, one.effective))
    return out


def _ratio_sd(log_a: FloatArray, log_b: FloatArray) -> float:
    """Standard error of log(mean a / mean b) for weights at the same draws: that of the mean of a/mean a - b/mean b."""
    a, b = np.exp(log_a - np.max(log_a)), np.exp(log_b - np.max(log_b))
    return float(np.std(a / a.mean() - b / b.mean(), ddof=1) / np.sqrt(a.size))


def _rescaled(mixture: StudentMixture, factor: float) -> StudentMixture:
    """Half of the mixture as it is, half with the source's components multiplied by `factor`."""
    size = mixture.means.shape[1]
    scale = np.ones(size)
    scale[:3] = factor
    return StudentMixture(
        np.concatenate([mixture.weights, mixture.weights]) / 2,
        np.concatenate([mixture.means, mixture.means * scale]),
        np.concatenate([mixture.factors, np.linalg.cholesky(
            np.einsum("i,kij,kmj,m->kim", scale, mixture.factors, mixture.factors, scale))]),
        mixture.nu,
    )  # fmt: skip


# ---------------------------------------------------------------- source models


def covariance_log_volume(likelihood: RatioLikelihood) -> float:
    """Half the log determinant of the noise covariance, up to terms that depend on the data alone.

    Two source models take their noise directions at different reference points; with this term their likelihoods are
    both normalised.  Sherman-Morrison's and Woodbury's determinant lemmas: per frequency the white part adds
    log(v_0/shared), counted for both quadratures, and the amplitudes, a family's own and those in common, `log_volume`.
    """
    return float(0.5 * likelihood.log_volume - sum(np.sum(np.log(f.shared)) for f in likelihood.families))
