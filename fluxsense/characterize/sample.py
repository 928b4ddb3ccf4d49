"""Uncertainties by sampling: emcee over the fitted likelihood, beside those from its curvature.

The density is exp(-chi2 / (2 c)) within the parameters' bounds, with chi2 that of the fit (line gains, gain errors, the
records' own fluxes and the set-up eliminated, assumptions included) and c the same scale that the curvature's covariance carries.  Coordinates are whitened
by that covariance.  Half of the steps propose from a t distribution a little wider than it (an independence Metropolis
step), the rest are emcee's differential-evolution moves, which do not need it to be right.  Two ensembles run on their own
random streams; effective draws and R-hat are those of `fluxsense.infer.diagnostics`, and the result says if they fall short.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.streams import stream
from fluxsense.characterize.fit import QUANTILE_90, Assumed, IsolatorFit, Sampled, with_fluxes_eliminated
from fluxsense.infer.diagnostics import ess_bulk, r_hat_rank
from fluxsense.infer.mixture import StudentMixture
from fluxsense.infer.sampler import mixture_move

FloatArray = npt.NDArray[np.float64]

WIDER: Final = 1.15
"""Width of the independence proposal, in standard deviations of the curvature."""
WANTED_ESS: Final = 800.0
BLOCK: Final = 20
MOST_BLOCKS: Final = 20
FEWEST_STEPS: Final = 100
LARGEST_R_HAT: Final = 1.05
"""Of two ensembles; uncertainties need no more, and each draw costs a fit's evaluation."""


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

    def whitened(z: FloatArray) -> float:
        x = centre + root @ z
        if np.any(x < bounds[:, 0]) or np.any(x > bounds[:, 1]):
            return -np.inf
        value = log_density(x)
        return value if np.isfinite(value) else -np.inf

    proposal = StudentMixture(np.ones(1), np.zeros((1, size)), WIDER * np.eye(size)[None])
    moves = [(mixture_move(proposal), 0.5), (emcee.moves.DEMove(), 0.4), (emcee.moves.DESnookerMove(), 0.1)]
    walkers = 2 * size + 2
    samplers, states = [], []
    for rng in (stream(seed, "characterize: ensemble", n) for n in range(2)):
        samplers.append(emcee.EnsembleSampler(walkers, size, whitened, moves=moves))
        start = _starts(rng, walkers, centre, root, bounds)
        random = np.random.RandomState(int(rng.integers(2**32)))  # emcee's own kind of generator
        states.append(emcee.State(start, random_state=random.get_state()))
    kept, ess, r_hat = np.empty((2, 0, walkers, size)), 0.0, np.inf
    for block in range(1, most_blocks + 1):
        states = [
            s.run_mcmc(state, BLOCK, skip_initial_state_check=True) for s, state in zip(samplers, states, strict=True)
        ]
        chains = np.array([s.get_chain() for s in samplers])  # (2, T, W, D)
        kept = chains[:, min(BLOCK, chains.shape[1] // 3) :]
        ess = min(ess_bulk(kept[..., k]) for k in range(size))
        r_hat = max(r_hat_rank(kept[..., k]) for k in range(size))
        if progress is not None:
            progress(min(1.0, max(block / most_blocks, ess / wanted_ess)))
        if ess >= wanted_ess and r_hat <= LARGEST_R_HAT and kept.shape[1] >= FEWEST_STEPS:
            break
    every = centre + kept.reshape(-1, size) @ root.T
    low, high = np.quantile(every, [0.05, 0.95], axis=0)
    return Sampled(
        every.mean(axis=0),
        every.std(axis=0, ddof=1),
        low,
        high,
        np.cov(every.T).reshape(size, size),
        float(ess),
        float(np.mean([s.acceptance_fraction.mean() for s in samplers])),
        float(r_hat),
        bool(ess >= 0.5 * wanted_ess and r_hat <= LARGEST_R_HAT),
    )


def _starts(
    rng: np.random.Generator, walkers: int, centre: FloatArray, root: FloatArray, bounds: FloatArray
) -> FloatArray:
    """Whitened draws (walkers, D) within the bounds, from a narrower distribution where too few of the whole one are."""
    found, width = np.empty((0, centre.size)), 1.0
    while len(found) < walkers:
        z = width * rng.standard_normal((64 * walkers, centre.size))
        x = centre + z @ root.T
        found = np.concatenate([found, z[np.all((x >= bounds[:, 0]) & (x <= bounds[:, 1]), axis=1)]])
        width = max(width / 2, 1e-3)
    return found[:walkers]


def sample_fit(fit: IsolatorFit, seed: int, progress: Callable[[float], None] | None = None) -> IsolatorFit:
    """The fit with standard deviations and covariance from sampling; values stay those of the best fit.

    Parameters
    ----------
    fit : IsolatorFit
    seed : int
    progress : callable, optional
        Called with the share done.
    """
    model, levels, scale = fit.model, fit.levels, max(1.0, fit.chi2_per_dof)
    every = range(len(model.parameters))
    found = model.curvature(fit.vector, levels.white, model.misfit(fit.vector, levels.white, levels.drift), every)
    information, _, shrink = with_fluxes_eliminated(found, levels.spread(model.records))
    assumed = Assumed(model, fit.priors)
    information = information + assumed.information
    # the set-up's numbers are not sampled: they follow at their most probable values, to first order
    own = np.array([n for n in every if not model.parameters[n].assumed])
    rest = np.array([n for n in every if model.parameters[n].assumed], dtype=np.intp)
    follow = -np.linalg.solve(information[np.ix_(rest, rest)], information[np.ix_(rest, own)])

    def log_density(values: FloatArray) -> float:
        x = fit.vector.copy()
        x[rest] += follow @ (values - fit.vector[own])
        x[own] = values
        misfit = model.misfit(x, levels.white, levels.drift)
        scores = found.scores_of(misfit)
        taken = 0.0 if shrink is None else float(scores @ shrink @ scores)
        return -0.5 * (misfit.chi2 + assumed.penalty(x) - taken) / scale

    bounds = np.array([model.parameters[n].bounds for n in own])
    covariance = fit.covariance[np.ix_(own, own)]
    draws = sample_density(log_density, fit.vector[own], covariance, bounds, seed, progress=progress)
    whole, sd, middle = fit.covariance.copy(), fit.sd.copy(), fit.vector.copy()
    whole[np.ix_(own, own)], sd[own], middle[own] = draws.covariance, draws.sd, draws.mean
    low, high = fit.vector - QUANTILE_90 * fit.sd, fit.vector + QUANTILE_90 * fit.sd
    low[own], high[own] = draws.low_90, draws.high_90
    sampled = replace(draws, mean=middle, sd=sd, low_90=low, high_90=high, covariance=whole)
    return replace(fit, sd=sd, covariance=whole, curvature_sd=fit.sd, sampled=sampled)


__all__ = ["sample_density", "sample_fit"]
