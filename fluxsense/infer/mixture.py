"""A mixture of multivariate t distributions that stands in for the posterior.

It starts from the modes that the search found and is improved by population Monte Carlo: draw, weigh by the posterior,
refit (Cappe, Douc, Guillin, Marin & Robert, Statistics and Computing 18, 447 (2008), Rao-Blackwellised updates for
Student mixtures; derivation followed from memory).  The samplers use it to jump between modes, and importance sampling
from it gives the evidence.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, logsumexp

from fluxsense.infer.modes import LocalMode

FloatArray = npt.NDArray[np.float64]

DEGREES_OF_FREEDOM = 20.0
TAIL_GRID = np.array([2.5, 3.0, 3.75, 4.5, 5.5, 6.5, 8.0, 10.0])
"""Where the search for tails looks, in standard deviations of a component."""
TAIL_LOG_WEIGHT = 4.0
TAIL_MASS = 0.01
"""A hundredth of the mass that far above the mixture holds walkers for hundreds of steps; less is left to the other moves."""
RARE_LOG_WEIGHT = 2.0
"""Positions of a walk that far above the median weight make a component of their own."""


class Law(Protocol):
    """What can be drawn from, and says how densely it draws: a mixture, or one in other coordinates (`fluxsense.infer.proposal`)."""

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Draws, shape (count, D)."""

    def log_density(self, x: FloatArray) -> FloatArray:
        """Log density of a batch (B, D); shape (B,)."""

    def widened(self, factor: float) -> Law:
        """The same, wider by a factor about each of its middles."""


@dataclass(frozen=True)
class StudentMixture:
    """Weights (K,), means (K, D) and lower Cholesky factors (K, D, D) of the scale matrices; common nu."""

    weights: FloatArray
    means: FloatArray
    factors: FloatArray
    nu: float = DEGREES_OF_FREEDOM

    def component_log_density(self, x: FloatArray) -> FloatArray:
        """Log of weight times density of each component for a batch (B, D); shape (B, K)."""
        size = self.means.shape[1]
        constant = gammaln((self.nu + size) / 2) - gammaln(self.nu / 2) - 0.5 * size * np.log(self.nu * np.pi)
        out = np.empty((x.shape[0], len(self.weights)))
        for k in range(len(self.weights)):
            z = np.linalg.solve(self.factors[k], (x - self.means[k]).T)
            distance = np.sum(z * z, axis=0)
            log_det = np.sum(np.log(np.diag(self.factors[k])))
            out[:, k] = constant - log_det - 0.5 * (self.nu + size) * np.log1p(distance / self.nu)
        with np.errstate(divide="ignore"):
            return np.asarray(out + np.log(self.weights))

    def log_density(self, x: FloatArray) -> FloatArray:
        """Log density of a batch (B, D); shape (B,)."""
        return np.asarray(logsumexp(self.component_log_density(x), axis=1))

    def draw(self, rng: np.random.Generator | np.random.RandomState, count: int) -> FloatArray:
        """Draws, shape (count, D)."""
        size = self.means.shape[1]
        which = rng.choice(len(self.weights), size=count, p=self.weights)
        z = rng.standard_normal((count, size))
        stretch = np.sqrt(self.nu / rng.chisquare(self.nu, size=count))
        turned = np.einsum("bij,bj->bi", self.factors[which], z)
        return np.asarray(self.means[which] + turned * stretch[:, None])

    def widened(self, factor: float) -> StudentMixture:
        """The same means, scale matrices times the factor squared."""
        return replace(self, factors=self.factors * factor)


def from_modes(modes: Sequence[LocalMode]) -> StudentMixture:
    """The mixture of the modes' Laplace approximations, weighted by their evidence."""
    evidence = np.array([m.log_evidence for m in modes])
    weights = np.exp(evidence - logsumexp(evidence))
    weights = np.maximum(weights, 1e-3 / len(modes))
    return StudentMixture(
        weights / weights.sum(),
        np.array([m.x for m in modes]),
        np.array([np.linalg.cholesky(m.covariance) for m in modes]),
    )


def importance_weights(law: Law, draws: FloatArray, log_target: FloatArray) -> tuple[FloatArray, float, float]:
    """Normalised weights, log of their mean (the log evidence) and its standard error.

    Returns
    -------
    weights : ndarray (B,)
        Sum to 1.
    log_evidence, log_evidence_sd : float
        The error is the relative standard error of the mean weight.
    """
    log_w = log_target - law.log_density(draws)
    top = float(np.max(log_w))
    w = np.exp(log_w - top)
    mean = float(w.mean())
    error = float(w.std(ddof=1) / np.sqrt(w.size) / mean)
    return w / w.sum(), top + float(np.log(mean)), error


def perplexity(weights: FloatArray) -> float:
    """exp(entropy) of normalised weights over their number: 1 for a perfect proposal, towards 0 for a bad one."""
    positive = weights[weights > 0]
    return float(np.exp(-np.sum(positive * np.log(positive))) / weights.size)


def improve(
    mixture: StudentMixture,
    log_target: Callable[[FloatArray], FloatArray],
    rng: np.random.Generator,
    *,
    draws: int = 1500,
    rounds: int = 8,
    good_enough: float = 0.75,
) -> tuple[StudentMixture, list[float]]:
    """Refit the mixture to the target by population Monte Carlo.

    Parameters
    ----------
    mixture : StudentMixture
    log_target : callable
        Batch (B, D) to (B,).
    rng : Generator
    draws, rounds : int
        Draws per round and most rounds.
    good_enough : float
        Stop once the perplexity reaches this.

    Returns
    -------
    StudentMixture
        The one with the best perplexity.
    list of float
        Perplexity per round.
    """
    history: list[float] = []
    best, best_value = mixture, -1.0
    for _ in range(rounds):
        x = mixture.draw(rng, draws)
        log_w = log_target(x) - mixture.log_density(x)
        weights = np.exp(log_w - np.max(log_w))
        weights /= weights.sum()
        value = perplexity(weights)
        history.append(value)
        if value > best_value:
            best, best_value = mixture, value
        if value >= good_enough:
            break
        mixture = _refit(mixture, x, _clipped(weights))
    return best, history


def has_tails(mixture: StudentMixture, log_target: Callable[[FloatArray], FloatArray]) -> bool:
    """Whether the target has a long tail that the mixture does not reach.

    Draws cannot show what a mixture never draws.  From the mean of each component that counts, the target is looked at along
    the lines on which one coordinate, or the size of the source, moves and the others follow by regression, out to ten
    standard deviations.

    Parameters
    ----------
    mixture : StudentMixture
    log_target : callable
        Batch (B, D) to (B,).

    Returns
    -------
    bool
        Whether on one of these lines `TAIL_MASS` of the mass lies where the target exceeds the mixture by
        `TAIL_LOG_WEIGHT` more than at the mean.
    """
    size = mixture.means.shape[1]
    t = np.concatenate([-TAIL_GRID[::-1], TAIL_GRID])
    width = np.gradient(TAIL_GRID)
    width = np.concatenate([width[::-1], width]) / np.sqrt(2 * np.pi)
    for k in np.flatnonzero(mixture.weights >= 0.05):
        mean, factor = mixture.means[k], mixture.factors[k]
        radial = np.zeros(size)
        radial[:3] = mean[:3]
        ways = np.concatenate([np.eye(size), radial[None]]) @ factor  # rows a' L; the line of a is L L' a
        ways = (ways / np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-300)) @ factor.T
        x = mean + t[None, :, None] * ways[:, None, :]
        flat = np.concatenate([mean[None], x.reshape(-1, size)])
        values = log_target(flat)
        if not np.isfinite(values[0]):  # a mean outside the prior
            continue
        above = values - mixture.log_density(flat)
        mass = np.exp(values[1:] - values[0]).reshape(x.shape[:2]) * width
        missed = np.where((above[1:] - above[0]).reshape(mass.shape) > TAIL_LOG_WEIGHT, mass, 0.0)
        if np.any(missed.sum(axis=1) > TAIL_MASS):
            return True
    return False


def with_tails(mixture: StudentMixture, x: FloatArray, log_target: FloatArray) -> StudentMixture:
    """The mixture refitted to a walk of the target, with components more where the walk goes and the mixture does not.

    Parameters
    ----------
    mixture : StudentMixture
    x : ndarray (B, D)
        Positions of the walk.
    log_target : ndarray (B,)

    Returns
    -------
    StudentMixture
    """
    size = x.shape[1]
    even = np.full(len(x), 1 / len(x))
    for _ in range(3):
        above = log_target - mixture.log_density(x)
        rare = above > np.median(above) + RARE_LOG_WEIGHT
        near = np.argmax(mixture.component_log_density(x), axis=1)
        weights, means, factors = [mixture.weights], [mixture.means], [mixture.factors]
        for k in np.unique(near[rare]):
            mine = x[rare & (near == k)]
            if len(mine) < 5 * size:
                continue
            scatter = np.cov(mine.T) + 1e-3 * mixture.factors[k] @ mixture.factors[k].T
            weights.append(np.array([len(mine) / len(x)]))
            means.append(mine.mean(axis=0)[None])
            factors.append(np.linalg.cholesky(scatter)[None])
        every = np.concatenate(weights)
        mixture = StudentMixture(every / every.sum(), np.concatenate(means), np.concatenate(factors), mixture.nu)
        for _ in range(5):
            mixture = _refit(mixture, x, even)
        if len(weights) == 1:
            break
    return mixture


def _clipped(weights: FloatArray) -> FloatArray:
    """Weights cut at a tenth of their sum's square-root share, so that one lucky draw does not capture a component."""
    cut = np.minimum(weights, 1 / np.sqrt(weights.size))
    return np.asarray(cut / cut.sum())


def _refit(mixture: StudentMixture, x: FloatArray, weights: FloatArray) -> StudentMixture:
    """One expectation-maximisation step of the mixture on weighted draws."""
    logs = mixture.component_log_density(x)
    share = np.exp(logs - logsumexp(logs, axis=1, keepdims=True)) * weights[:, None]
    total = share.sum(axis=0)
    size = x.shape[1]
    effective = total**2 / np.maximum(np.sum(share**2, axis=0), 1e-300)
    means, factors, alive = [], [], []
    for k in range(len(total)):
        if total[k] < 1e-4:
            continue
        alive.append(k)
        z = np.linalg.solve(mixture.factors[k], (x - mixture.means[k]).T)
        latent = (mixture.nu + size) / (mixture.nu + np.sum(z * z, axis=0))
        w = share[:, k] * latent
        mean = w @ x / w.sum()
        centred = x - mean
        scatter = (w[:, None] * centred).T @ centred / total[k]
        # with few effective draws the old shape is the better guide
        trust = effective[k] / (effective[k] + 4.0 * size)
        old = mixture.factors[k] @ mixture.factors[k].T
        mean = trust * mean + (1 - trust) * mixture.means[k]
        blend = trust * scatter + (1 - trust) * old
        means.append(mean)
        factors.append(np.linalg.cholesky(0.5 * (blend + blend.T) + 1e-14 * np.trace(blend) / size * np.eye(size)))
    kept = total[alive]
    return StudentMixture(kept / kept.sum(), np.array(means), np.array(factors), mixture.nu)
