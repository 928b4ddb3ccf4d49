"""Expected information gain of a design: closed form, nested Monte Carlo, and bounds with their errors.

The gain is the mutual information of parameters and data, E[log p(y|theta) - log p(y)].  Two estimators bracket it: with
L draws theta_l from a proposal q_y that stand for the evidence,

    upper:  log p(y|theta_0) - log mean_l [w_l p(y|theta_l)]           (biased up: Jensen)
    lower:  the same with theta_0 among the draws of the mean           (biased down)

where w_l = p(theta_l)/q(theta_l).  With q = p they are the nested Monte Carlo estimator (Rainforth et al., ICML 2018,
from memory) and the prior contrastive bound (Foster et al., AISTATS 2020, from memory); both converge to the gain as L
grows.  Without the proposal near the posterior, L has to exceed exp(gain).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.streams import stream
from fluxsense.design.sensitivity import (
    Block,
    Experiment,
    FluxChain,
    bench_flux,
    block_regression,
    flux_chain,
    local_slopes,
    seen,
)
from fluxsense.design.timeline import gathered, with_amplitudes
from fluxsense.device.chip import ChipParameters
from fluxsense.infer.mixture import StudentMixture
from fluxsense.model.unknowns import Unknowns

FloatArray = npt.NDArray[np.float64]

LOG_2PI = float(np.log(2 * np.pi))


@dataclass(frozen=True)
class Gain:
    """Expected information gain in nats, bracketed.

    Attributes
    ----------
    lower, upper : float
        Estimates that are biased down and up.
    lower_sd, upper_sd : float
        Their Monte Carlo standard errors.
    outer, inner : int
    """

    lower: float
    upper: float
    lower_sd: float
    upper_sd: float
    outer: int
    inner: int

    @property
    def middle(self) -> float:
        """The mean of the two."""
        return 0.5 * (self.lower + self.upper)


FREEDOM: Final = 5
"""Degrees of freedom of the draws for the evidence."""
COUNT_DRAWS: Final = 4000
"""Draws of the prior that stand for the evidence of counts."""
MOST_REDRAWN: Final = 300
"""Times as many draws as are wanted, at most, in search of those within the prior's bounds."""


def _log_mean(log_values: FloatArray) -> FloatArray:
    top = log_values.max(axis=-1)
    return np.asarray(top + np.log(np.mean(np.exp(log_values - top[..., None]), axis=-1)))


def bracket(own: FloatArray, others: FloatArray, own_weighted: FloatArray) -> Gain:
    """From log p(y|theta_0) (M,), weighted terms of the draws (M, L), and the weighted term of theta_0 (M,)."""
    count, inner = others.shape
    upper = own - _log_mean(others)
    lower = own - _log_mean(np.concatenate([own_weighted[:, None], others], axis=1))
    root = np.sqrt(max(count - 1, 1))
    return Gain(
        float(np.mean(lower)),
        float(np.mean(upper)),
        float(np.std(lower) / root),
        float(np.std(upper) / root),
        count,
        inner,
    )


# ---------------------------------------------------------------- of a planned experiment


def chip_gain(experiment: Experiment, *, outer: int = 60, inner: int = 300, seed: int = 0, widen: float = 1.5) -> Gain:
    """Gain of a planned experiment on all unknowns together (source and nuisances), bracketed.

    Of directions see `_count_terms`.  Else the data are each block's estimates of its local quantities (fluxes, pump strength and so on), normal about the values
    that the chip has at theta with the covariance of the block's regression at the true point (with slow flux noise, that of
    all blocks of an isolator together): sufficient to first order in the noise, while fluxes depend on source and position
    without any linearisation.  The evidence draws come from a multivariate Student distribution (5 degrees of freedom) about
    the mode that the outcome leads to, in the normal approximation, with `widen` times the predicted width: about the truth
    itself, which nobody knows who sees the outcome, the lower bound would not be one.

    Parameters
    ----------
    experiment : Experiment
    outer, inner : int
        Numbers of simulated outcomes and of draws for the evidence of each.
    seed : int
    widen : float

    Returns
    -------
    Gain
        In nats.
    """
    if experiment.study.data.of_counts:
        return bracket(*_count_terms(experiment, outer, COUNT_DRAWS, seed))
    unknowns = experiment.unknowns
    rng = stream(seed, "information gain: evidence")
    x = unknowns.draw(stream(seed, "information gain: outcomes"), outer)
    parameters = unknowns.parameters(x)
    model = experiment.benches[0].model
    chain = flux_chain(model, unknowns, x, parameters)
    blocks = []
    curvatures = [unknowns.prior_curvature(p) for p in x]
    pull, total = np.array([c[0] for c in curvatures]), np.array([c[1] for c in curvatures])
    for group in _dependent(experiment):
        inside = _joint_information(experiment, group, parameters, chain)
        jacobian = np.concatenate(
            [
                local_slopes(experiment, experiment.benches[experiment.blocks[n].bench], experiment.blocks[n], chain)
                for n in group
            ],
            axis=1,
        )
        total += jacobian.transpose(0, 2, 1) @ inside @ jacobian
        blocks.append((group, inside, jacobian, _local_values(experiment, group, x, parameters, chain)))
    covariance = np.linalg.inv(total)
    roots = np.linalg.cholesky(covariance) * widen
    own = np.empty(outer)
    others = np.empty((outer, inner))
    weighted = np.empty(outer)
    noise = []
    for group, inside, jacobian, values in blocks:
        values_now, vectors = np.linalg.eigh(inside)
        # directions without information carry no data
        scale = np.where(
            values_now > 1e-9 * values_now.max(axis=1, keepdims=True), 1 / np.sqrt(np.maximum(values_now, 1e-300)), 0.0
        )
        shock = np.einsum("bij,bj,bj->bi", vectors, scale, rng.standard_normal(scale.shape))
        pull += np.einsum("bij,bik,bk->bj", jacobian, inside, shock)
        noise.append((group, inside, values, shock))
    modes = x + np.einsum("bij,bj->bi", covariance, pull)
    for m in range(outer):
        root = roots[m]
        z, part = _inside(unknowns, modes[m], root, inner, rng)
        draws = modes[m] + z @ root.T
        every = np.concatenate([x[m : m + 1], draws])
        drawn_from = StudentMixture(np.ones(1), modes[m : m + 1], root[None], FREEDOM)
        log_q = drawn_from.log_density(every) - np.log(part)
        log_weight = unknowns.log_prior(every) - log_q
        moved = unknowns.parameters(every)
        there = flux_chain(model, unknowns, every, moved)
        log_like = np.zeros(inner + 1)
        for group, inside, values, shock in noise:
            local = _local_values(experiment, group, every, moved, there)
            residual = values[m] + shock[m] - local
            log_like -= 0.5 * np.einsum("ni,ij,nj->n", residual, inside[m], residual)
        terms = log_like + log_weight
        own[m], others[m], weighted[m] = log_like[0], terms[1:], terms[0]
    return bracket(own, others, weighted)


def _count_terms(
    experiment: Experiment, outer: int, inner: int, seed: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Terms of `bracket` for simulated counts: nothing is normal or linear here.

    Counts are drawn from the binomial law and the evidence is the mean over the prior, so that the bounds meet only where
    exp(gain) lies well below the number of draws.
    """
    unknowns = experiment.unknowns
    sweeps = np.concatenate([b.by_state()[:, :-1].ravel() for b in experiment.blocks]).round()
    true = unknowns.draw(stream(seed, "information gain: outcomes of counts"), outer)
    p = _probabilities(experiment, unknowns.parameters(true))
    draws = unknowns.draw(stream(seed, "information gain: evidence of counts"), inner)
    others = _probabilities(experiment, unknowns.parameters(draws))
    rng = stream(seed, "information gain: counts")
    read = rng.binomial(sweeps.astype(np.int64), p).astype(np.float64)
    own = np.sum(read * np.log(p) + (sweeps - read) * np.log1p(-p), axis=1)
    return own, read @ np.log(others).T + (sweeps - read) @ np.log1p(-others).T, own


def _probabilities(experiment: Experiment, parameters: ChipParameters) -> FloatArray:
    """Probabilities (B, G) of reading 'from 1 to 2' of all pump-on probes, block by block."""
    flux = FluxChain(experiment.benches[0].model.source_flux(parameters), np.zeros(0))
    out = []
    for block in experiment.blocks:
        p = seen(experiment, block, parameters, flux)[0].real.reshape(len(flux.flux_phi0), len(block.states), -1)
        out.append(p[:, :, :-1].reshape(len(p), -1))
    return np.concatenate(out, axis=1)


def _inside(
    unknowns: Unknowns, mode: FloatArray, root: FloatArray, count: int, rng: np.random.Generator
) -> tuple[FloatArray, float]:
    """Student draws z (count, D) with mode + root z within the prior's bounds, and the part of all draws that is.

    Of the many numbers that a plan takes up some are at a bound by nature (a loss near zero), so that hardly a free draw
    would have every one of them within.  If too few are found, the last ones lie beyond.
    """
    found: list[FloatArray] = []
    kept = drawn = 0
    while kept < count and drawn < MOST_REDRAWN * count:
        z = rng.standard_normal((count, mode.size)) / np.sqrt(rng.chisquare(FREEDOM, (count, 1)) / FREEDOM)
        good = np.isfinite(unknowns.log_prior(mode + z @ root.T))
        found.append(z[good])
        kept, drawn = kept + int(good.sum()), drawn + count
    return np.concatenate([*found, z])[:count], max(kept, count) / drawn


def _dependent(experiment: Experiment) -> list[list[int]]:
    """Blocks, by position, whose estimates have common errors: each alone, or with slow flux noise those of an isolator."""
    if experiment.slow is None:
        return [[n] for n in range(len(experiment.blocks))]
    groups: dict[int, list[int]] = {}
    for n, block in enumerate(experiment.blocks):
        groups.setdefault(experiment.benches[block.bench].isolator, []).append(n)
    return list(groups.values())


def _joint_information(
    experiment: Experiment, group: Sequence[int], parameters: ChipParameters, chain: FluxChain
) -> FloatArray:
    """Information (B, m, m) of some blocks about all their local quantities, one block after the other."""
    parts = [block_regression(experiment, experiment.blocks[n], parameters, chain).information for n in group]
    if experiment.slow is None:
        return parts[0]
    blocks = [experiment.blocks[n] for n in group]
    counts = [2 * len(b.states) + len(experiment.benches[b.bench].local) for b in blocks]
    size, place = sum(counts), 0
    placed = []
    for n, one, count in zip(group, parts, counts, strict=True):
        jacobian = np.zeros((1, count, size))
        jacobian[:, :, place : place + count] = np.eye(count)
        place += count
        placed.append((0, one, with_amplitudes(jacobian, experiment.slow[n])))
    return gathered(placed, True, size)[0]


def _local_values(
    experiment: Experiment, group: Sequence[int], x: FloatArray, parameters: ChipParameters, chain: FluxChain
) -> FloatArray:
    """Values (B, m) of the local quantities of some blocks."""
    return np.concatenate(
        [_block_values(experiment, experiment.blocks[n], x, parameters, chain) for n in group], axis=1
    )


def _block_values(
    experiment: Experiment, block: Block, x: FloatArray, parameters: ChipParameters, chain: FluxChain
) -> FloatArray:
    """Values (B, n) of a block's local quantities."""
    bench, fluxes = experiment.benches[block.bench], 2 * len(block.states)
    out = np.empty((x.shape[0], fluxes + len(bench.local)))
    out[:, :fluxes] = bench_flux(experiment, bench, block, parameters, chain).reshape(len(x), fluxes)
    for n, one in enumerate(bench.local, fluxes):
        out[:, n] = one.of(parameters[one.array])
    return out
