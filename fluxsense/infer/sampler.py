"""Independent emcee ensembles with a mode-jumping move, run in blocks until they are long enough or time is up.

Each ensemble has its own random stream and starts from posterior draws of the mixture, hence in every mode by weight.
Half of the steps or more propose from the mixture (an independence Metropolis step, which may cross from one mode to
another; more where the mixture fits well), the rest are emcee's stretch and differential-evolution moves, which need no mixture to be right.
emcee takes scipy.stats along, a third of a second and 45 MB: it is imported by what samples.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.infer.chainfile import ChainFile, Walk
from fluxsense.infer.in_step import Function, in_step
from fluxsense.infer.mixture import StudentMixture, importance_weights

if TYPE_CHECKING:
    import emcee

FloatArray = npt.NDArray[np.float64]

BLOCK_STEPS = 25
BURN_SHARE = 0.2
FEWEST_KEPT = 60
CHECKED_GROWTH = 1.05
"""From twenty blocks on, chains are judged each time they have grown by this factor: a judgement reads all of them."""


@dataclass(frozen=True)
class Chains:
    """What the ensembles walked after burn-in.

    Attributes
    ----------
    x : ndarray (E, T, W, D)
        Whitened positions.
    log_posterior : ndarray (E, T, W)
    acceptance : ndarray (E,)
    steps : int
        Steps taken per ensemble, burn-in included.
    burn : int
        Steps left out at the beginning.
    calls : int
        Evaluations of the likelihood.
    stopped : str
        'enough', 'steps', 'time' or 'interrupted'.
    """

    x: FloatArray
    log_posterior: FloatArray
    acceptance: FloatArray
    steps: int
    burn: int
    calls: int
    stopped: str

    @property
    def flat(self) -> FloatArray:
        """All kept positions, (E*T*W, D), ensembles one after the other."""
        return self.x.reshape(-1, self.x.shape[-1])


def mixture_move(mixture: StudentMixture) -> emcee.moves.MHMove:
    """Independence Metropolis move that proposes from a mixture q, whatever the present position.

    Detailed balance: accepted with min(1, p(y) q(x) / (p(x) q(y))), so the factor is log q(x) - log q(y).
    """

    import emcee

    def proposal(coords: FloatArray, random: np.random.RandomState) -> tuple[FloatArray, FloatArray]:
        new = mixture.draw(random, len(coords))
        return new, mixture.log_density(coords) - mixture.log_density(new)

    return emcee.moves.MHMove(proposal)


def default_moves(
    mixture: StudentMixture, *, jumping: bool = True, share: float = 0.5
) -> list[tuple[emcee.moves.Move, float]]:
    """The moves and their shares; without `jumping` only those that know nothing of the modes.

    share is that of the proposals from the mixture.
    """
    import emcee

    rest = 1 - share
    local = [
        (emcee.moves.StretchMove(), 0.3 * rest),
        (emcee.moves.DEMove(), 0.5 * rest),
        (emcee.moves.DESnookerMove(), 0.2 * rest),
    ]
    return [(mixture_move(mixture), share), *local] if jumping else local


def mixture_share(perplexity: float) -> float:
    """Share of steps that propose from a mixture of that perplexity: half, and up to nine tenths where it fits."""
    return float(np.clip(0.5 + 1.5 * (perplexity - 0.1), 0.5, 0.9))


def walkers_for(size: int, wanted: int | None) -> int:
    """Number of walkers: even, at least twice the number of unknowns plus two."""
    least = 2 * (size + 1)
    return max(least, 40 if wanted is None else wanted + wanted % 2)


def run_ensembles(
    log_target: Function,
    mixture: StudentMixture,
    rngs: Sequence[np.random.Generator],
    *,
    walkers: int | None = None,
    wanted_ess: float = 4000,
    max_steps: int = 20000,
    max_seconds: float | None = None,
    enough: Callable[[FloatArray], tuple[bool, float]],
    progress: Callable[[int, float, float], None] | None = None,
    jumping: bool = True,
    share: float = 0.5,
    file: ChainFile | None = None,
) -> Chains:
    """Run the ensembles until `enough` says so.

    Parameters
    ----------
    log_target : callable
        Batch (B, D) to log densities (B,).
    mixture : StudentMixture
    rngs : sequence of Generator
        One per ensemble; there must be at least two.
    walkers : int, optional
        Per ensemble.
    wanted_ess : float
        Only for the progress report.
    max_steps : int
    max_seconds : float, optional
    enough : callable
        Takes kept positions (E, T, W, D); returns whether that is enough and the effective sample size reached.
    progress : callable, optional
        Called with (steps done, effective samples, seconds left as estimated).
    jumping : bool
        Whether to propose from the mixture.
    share : float
        Share of steps that do.
    file : ChainFile, optional
        Where to keep the chains; an unfinished walk in it is gone on from, to the same steps as without the break.

    Returns
    -------
    Chains

    Raises
    ------
    InputError
        With fewer than two ensembles.
    ModelError
        If the model is not finite somewhere.
    """
    import emcee

    if len(rngs) < 2:
        raise InputError("fewer than two ensembles cannot be compared", remedy="Run at least two, better four")
    size = mixture.means.shape[1]
    count = walkers_for(size, walkers)
    calls = 0

    def target(x: FloatArray) -> FloatArray:
        nonlocal calls
        calls += len(x)
        return log_target(x)

    earlier = None if file is None else file.unfinished()
    if earlier is not None and earlier.x.shape[0::2][:2] != (len(rngs), count):
        earlier = None
    seats: list[Function] = [target] * len(rngs)

    def ensemble(number: int) -> Function:
        return lambda x: seats[number](x)

    samplers: list[emcee.EnsembleSampler] = []
    states: list[emcee.State] = []
    for n, rng in enumerate(rngs):
        sampler = emcee.EnsembleSampler(
            count, size, ensemble(n), moves=default_moves(mixture, jumping=jumping, share=share), vectorize=True
        )
        samplers.append(sampler)
        if earlier is None:
            sampler.random_state = np.random.RandomState(int(rng.integers(2**32))).get_state()
            states.append(emcee.State(_starts(target, mixture, rng, count)))
        else:
            sampler.random_state = earlier.random_state(n)
            states.append(emcee.State(earlier.x[n, -1], log_prob=earlier.log_posterior[n, -1]))

    def walk_block(number: int, steps: int, ask: Function) -> emcee.State:
        seats[number] = ask
        return samplers[number].run_mcmc(states[number], steps, skip_initial_state_check=True)

    walk = _Growing(len(rngs), count, size, earlier)
    calls = calls if earlier is None else earlier.calls
    reached, judged = 0.0, 1
    began = time.monotonic()
    stopped = "steps"
    try:
        while walk.steps < max_steps:
            block = min(BLOCK_STEPS, max_steps - walk.steps)
            states[:] = in_step([partial(walk_block, n, block) for n in range(len(samplers))], target)
            walk.add(samplers, calls)
            for sampler in samplers:
                sampler.reset()
            burn = int(BURN_SHARE * walk.steps)
            if walk.steps - burn < FEWEST_KEPT:
                continue
            done = False
            if _due(walk.steps, max_steps):
                done, reached = enough(walk.x[:, burn:])
                judged = walk.steps
            spent = time.monotonic() - began
            if progress is not None:
                now = reached * walk.steps / judged
                left = spent * max(0.0, wanted_ess / max(now, 1.0) - 1.0)
                if max_seconds is not None:
                    left = min(left, max(0.0, max_seconds - spent))
                progress(walk.steps, now, left)
            if done:
                stopped = "enough"
                break
            if max_seconds is not None and spent > max_seconds:
                stopped = "time"
                break
            if file is not None:
                file.keep(walk.frozen)
    except KeyboardInterrupt:
        stopped = "interrupted"
        if walk.steps - int(BURN_SHARE * walk.steps) < 8:
            raise
    if file is not None:
        file.close(walk.frozen(), finished=stopped in ("enough", "steps"))
    steps = walk.steps
    burn = int(BURN_SHARE * steps)
    acceptance = np.mean(walk.accepted, axis=1) / steps
    return Chains(walk.x[:, burn:], walk.log_posterior[:, burn:], acceptance, steps, burn, walk.calls, stopped)


def _due(steps: int, max_steps: int) -> bool:
    """Whether chains of that length are judged; it depends on nothing else, so that a resumed run stops where it would have."""
    blocks = steps // BLOCK_STEPS
    if blocks <= 20 or steps >= max_steps:
        return True
    stage = [int(np.log(n) / np.log(CHECKED_GROWTH)) for n in (blocks - 1, blocks)]
    return stage[0] != stage[1]


class _Growing:
    """Chains of all ensembles, block by block, with the generators' states at the end of the last whole block."""

    def __init__(self, ensembles: int, walkers: int, size: int, start: Walk | None) -> None:
        self._x = [np.zeros((ensembles, 0, walkers, size))]
        self._log_p = [np.zeros((ensembles, 0, walkers))]
        self.accepted = np.zeros((ensembles, walkers))
        self.calls = 0
        self._states: list[tuple[object, ...]] = []
        if start is not None:
            self._x, self._log_p = [start.x], [start.log_posterior]
            self.accepted, self.calls = np.array(start.accepted), start.calls
            self._states = [start.random_state(n) for n in range(ensembles)]

    def add(self, samplers: Sequence[emcee.EnsembleSampler], calls: int) -> None:
        """Take a block that every ensemble has walked."""
        x = np.array([s.get_chain() for s in samplers])
        log_p = np.array([s.get_log_prob() for s in samplers])
        accepted = self.accepted + np.array([s.backend.accepted for s in samplers])
        states = [s.random_state for s in samplers]
        self._x, self._log_p = [*self._x, x], [*self._log_p, log_p]
        self.accepted, self._states, self.calls = accepted, states, calls

    @property
    def x(self) -> FloatArray:
        """Positions (E, T, W, D)."""
        if len(self._x) > 1:
            self._x = [np.concatenate(self._x, axis=1)]
        return self._x[0]

    @property
    def log_posterior(self) -> FloatArray:
        """Log posteriors (E, T, W)."""
        if len(self._log_p) > 1:
            self._log_p = [np.concatenate(self._log_p, axis=1)]
        return self._log_p[0]

    @property
    def steps(self) -> int:
        """Steps of each ensemble."""
        return sum(block.shape[1] for block in self._x)

    def frozen(self) -> Walk:
        """What goes to the file."""
        keys = np.array([s[1] for s in self._states], dtype=np.uint32)
        places = np.array([s[2:5] for s in self._states], dtype=np.float64)
        return Walk(self.x, self.log_posterior, self.accepted, keys, places, self.calls)


def _starts(
    target: Callable[[FloatArray], FloatArray], mixture: StudentMixture, rng: np.random.Generator, count: int
) -> FloatArray:
    """Different starts for one ensemble: mixture draws, resampled by importance weight without repetition."""
    draws = mixture.draw(rng, 8 * count)
    log_p = target(draws)
    log_w = log_p - mixture.log_density(draws)
    keys = log_w + rng.gumbel(size=log_w.size)  # the largest keys are a weighted sample without replacement
    keys[~np.isfinite(log_p)] = -np.inf
    best = np.argsort(-keys)[:count]
    return np.asarray(draws[best])


def short_walk(
    target: Function, mixture: StudentMixture, rng: np.random.Generator, steps: int = 300
) -> tuple[FloatArray, FloatArray]:
    """Positions (B, D) and log posteriors (B,) of the second half of a walk of one ensemble, to learn a proposal from."""
    import emcee

    size = mixture.means.shape[1]
    count = walkers_for(size, None)
    sampler = emcee.EnsembleSampler(count, size, target, moves=default_moves(mixture, share=0.25), vectorize=True)
    sampler.random_state = np.random.RandomState(int(rng.integers(2**32))).get_state()
    sampler.run_mcmc(emcee.State(_starts(target, mixture, rng, count)), steps, skip_initial_state_check=True)
    half = steps // 2
    return (
        np.asarray(sampler.get_chain(discard=half, flat=True)),
        np.asarray(sampler.get_log_prob(discard=half, flat=True)),
    )


def evidence(
    log_target: Function, mixture: StudentMixture, rng: np.random.Generator, draws: int = 4000
) -> tuple[float, float, float]:
    """Log evidence by importance sampling from the mixture, its standard error, and the effective sample size."""
    x = mixture.draw(rng, draws)
    weights, value, error = importance_weights(mixture, x, log_target(x))
    return value, error, float(1 / np.sum(weights**2))
