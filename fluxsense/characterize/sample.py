"""Uncertainties by sampling: emcee over the fitted likelihood, beside those from its curvature.

The density is exp(-chi2 / (2 c)) within the parameters' bounds, with chi2 that of the fit (line gains and gain errors
eliminated, assumptions included) and c the same scale that the curvature's covariance carries.  Coordinates are whitened
by that covariance.  Half of the steps propose from a normal distribution a little wider than it (an independence
Metropolis step), the rest are emcee's differential-evolution moves, which do not need it to be right.  Two ensembles run
on their own random streams; where their means differ by more than their Monte Carlo errors allow, the result says so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fluxsense.characterize.fit import IsolatorFit, whole_residual

FloatArray = npt.NDArray[np.float64]

WIDER: Final = 1.15
"""Width of the independence proposal, in standard deviations of the curvature."""
WANTED_ESS: Final = 800.0
BLOCK: Final = 20
MOST_BLOCKS: Final = 20


@dataclass(frozen=True, eq=False)
class Sampled:
    """What sampling says of D parameters.

    Attributes
    ----------
    mean, sd, low_90, high_90 : ndarray (D,)
        Mean, standard deviation, 5% and 95% quantile.
    covariance : ndarray (D, D)
    ess : float
        Effective number of draws of the parameter with the longest autocorrelation time (emcee's estimate).
    acceptance : float
    apart : float
        Largest difference between the two ensembles' means over its Monte Carlo standard error.
    settled : bool
        Whether enough draws were made and the ensembles agree.
    """

    mean: FloatArray
    sd: FloatArray
    low_90: FloatArray
    high_90: FloatArray
    covariance: FloatArray
    ess: float
    acceptance: float
    apart: float
    settled: bool


def sample_density(
    log_density: Callable[[FloatArray], float],
    centre: FloatArray,
    covariance: FloatArray,
    bounds: FloatArray,
    seed: int,
    *,
    wanted_ess: float = WANTED_ESS,
    most_blocks: int = MOST_BLOCKS,
    progress: Callable[[float], None] | None = None,
) -> Sampled:
    """Sample a density near a normal distribution.

    Parameters
    ----------
    log_density : callable
        Of a vector (D,) within the bounds.
    centre, covariance : ndarray (D,), (D, D)
        Of the normal distribution that serves as start, as whitening and as proposal.
    bounds : ndarray (D, 2)
    seed : int
    wanted_ess : float
        Effective draws of the slowest parameter at which to stop.
    most_blocks : int
        Blocks of `BLOCK` steps at most.
    progress : callable, optional
        Called with the share done.
    """
    import emcee

    size = centre.size
    values, vectors = np.linalg.eigh(covariance / np.outer(*[np.sqrt(np.diag(covariance))] * 2))
    root = np.sqrt(np.diag(covariance))[:, None] * vectors * np.sqrt(np.maximum(values, 1e-14))

    def natural(z: FloatArray) -> FloatArray:
        return np.asarray(centre + root @ z)

    def whitened(z: FloatArray) -> float:
        x = natural(z)
        if np.any(x < bounds[:, 0]) or np.any(x > bounds[:, 1]):
            return -np.inf
        value = log_density(x)
        return value if np.isfinite(value) else -np.inf

    def independent(coords: FloatArray, random: Any) -> tuple[FloatArray, FloatArray]:
        fresh = WIDER * random.standard_normal(coords.shape)
        gain = 0.5 * (np.sum(fresh**2, axis=1) - np.sum(coords**2, axis=1)) / WIDER**2
        return fresh, gain

    walkers = 2 * size + 2
    moves = [
        (emcee.moves.MHMove(independent), 0.5),
        (emcee.moves.DEMove(), 0.4),
        (emcee.moves.DESnookerMove(), 0.1),
    ]
    ensembles = []
    for child in np.random.SeedSequence(seed).spawn(2):
        rng = np.random.default_rng(child)
        start = np.empty((walkers, size))
        for n in range(walkers):
            for _ in range(1000):
                start[n] = rng.standard_normal(size)
                if np.isfinite(whitened(start[n])):
                    break
                start[n] = 0.0
        spread = np.linalg.matrix_rank(start - start.mean(axis=0)) < size
        if spread:  # all draws were out of bounds: a small ball about the fit
            start = 1e-3 * np.abs(rng.standard_normal((walkers, size)))
        sampler = emcee.EnsembleSampler(walkers, size, whitened, moves=moves)
        state = np.random.RandomState(int(child.generate_state(1)[0])).get_state()  # emcee's own kind of generator
        ensembles.append((sampler, emcee.State(start, random_state=state)))
    chains: list[list[FloatArray]] = [[], []]
    steps = 0
    for block in range(most_blocks):
        for n, (sampler, state) in enumerate(ensembles):
            state = sampler.run_mcmc(state, BLOCK, skip_initial_state_check=True)
            ensembles[n] = (sampler, state)
            chains[n].append(sampler.get_chain()[-BLOCK:])
        steps += BLOCK
        drawn = [np.concatenate(c)[min(BLOCK, steps // 3) :] for c in chains]
        tau = max(_slowest(x) for x in drawn)
        ess = sum(x.shape[0] * x.shape[1] for x in drawn) / tau
        if progress is not None:
            progress(min(1.0, max((block + 1) / most_blocks, ess / wanted_ess)))
        if ess >= wanted_ess and drawn[0].shape[0] > max(100.0, 8 * tau):
            break
    natural_draws = [centre + x.reshape(-1, size) @ root.T for x in drawn]
    every = np.concatenate(natural_draws)
    sd = every.std(axis=0, ddof=1)
    difference = np.abs(natural_draws[0].mean(axis=0) - natural_draws[1].mean(axis=0))
    apart = float(np.max(difference / np.maximum(sd, 1e-300)) / np.sqrt(4.0 / ess))
    low, high = np.quantile(every, [0.05, 0.95], axis=0)
    return Sampled(
        every.mean(axis=0),
        sd,
        low,
        high,
        np.cov(every.T).reshape(size, size),
        float(ess),
        float(np.mean([s.acceptance_fraction.mean() for s, _ in ensembles])),
        apart,
        bool(ess >= 0.5 * wanted_ess and apart < 5.0),
    )


def _slowest(chain: FloatArray) -> float:
    """Largest autocorrelation time over the parameters of a chain (steps, walkers, D), at least one."""
    import emcee

    with np.errstate(divide="ignore", invalid="ignore"):  # a walker that has not moved yet
        times = emcee.autocorr.integrated_time(chain, quiet=True, tol=0)
    return float(max(1.0, np.nanmax(times)))


def sample_fit(fit: IsolatorFit, seed: int, progress: Callable[[float], None] | None = None) -> IsolatorFit:
    """The fit with standard deviations and covariance from sampling; values stay those of the best fit.

    Parameters
    ----------
    fit : IsolatorFit
    seed : int
    progress : callable, optional
        Called with the share done.
    """
    scale = max(1.0, fit.chi2_per_dof)

    def log_density(x: FloatArray) -> float:
        flat = whole_residual(fit.model, x, fit.noise, fit.drift, fit.priors)
        return -0.5 * float(flat @ flat) / scale

    bounds = np.array([p.bounds for p in fit.model.parameters])
    # the likelihood knows no flux noise from sweep to sweep: its part is added to the draws' covariance as to the curvature's
    flux = np.zeros_like(fit.covariance) if fit.flux_covariance is None else fit.flux_covariance
    result = sample_density(log_density, fit.vector, fit.covariance - flux, bounds, seed, progress=progress)
    whole = result.covariance + flux
    sd = np.sqrt(np.diag(whole))
    wider = sd / result.sd
    result = replace(
        result,
        sd=sd,
        covariance=whole,
        low_90=result.mean + wider * (result.low_90 - result.mean),
        high_90=result.mean + wider * (result.high_90 - result.mean),
    )
    return replace(fit, sd=sd, covariance=whole, curvature_sd=fit.sd, sampled=result)


__all__ = ["Sampled", "sample_density", "sample_fit"]
