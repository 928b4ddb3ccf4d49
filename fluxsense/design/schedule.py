"""How to split sweeps: convex optimal design, rounding, time to a wanted error, and which frequencies matter.

A design is a set of weights on candidates (a pump setting or pump-off sweeps of one isolator, in one state and
cooldown).  The information is a concave function of the numbers of sweeps, so a criterion that is convex and decreasing
in it is convex in the weights, and its gradient gives a bound on what any other split could gain: with h_i the
criterion's decrease per weight on candidate i, no design is better by more than max h - sum w h.  At the optimum all
candidates in use have the same h and none has more: the equivalence theorem (Kiefer and Wolfowitz, Canad. J. Math. 12,
363 (1960), from memory; general convex form: Pukelsheim, Optimal Design of Experiments (1993), from memory).

The weights come from the multiplicative algorithm w <- w h^p / sum (Silvey, Titterington and Torsney (1978), from
memory), which raises the D-criterion at every step with p = 1 and the A-criterion with p = 1/2.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from fluxsense.base.errors import InputError
from fluxsense.design.ambiguity import log_odds_against
from fluxsense.design.sensitivity import (
    Experiment,
    Prediction,
    Regression,
    block_slopes,
    flux_chain,
    planned_experiment,
    predict,
    seen,
)
from fluxsense.design.timeline import gathered
from fluxsense.model.unknowns import Unknowns

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

ENDLESS = 1e9
"""Factor on the numbers of sweeps that stands for measuring without end."""


@dataclass(frozen=True)
class OptimalDesign:
    """Weights of an optimal design and how good they are.

    Attributes
    ----------
    weights : ndarray (n,)
    value : float
        The criterion.
    largest, limit : float
        The equivalence theorem's largest sensitivity and the value it has at the optimum (p for the D-criterion).
    steps : int
    """

    weights: FloatArray
    value: float
    largest: float
    limit: float
    steps: int

    @property
    def excess(self) -> float:
        """How far the largest sensitivity lies above its limit, relative to it: 0 at the optimum."""
        return self.largest / self.limit - 1.0


Sensitivities = Callable[[FloatArray], tuple[float, FloatArray]]


def multiplicative(
    sensitivities: Sensitivities, count: int, power: float, tolerance: float, most_steps: int, drop: float = 1e-9
) -> OptimalDesign:
    """The multiplicative algorithm for any convex criterion.

    Parameters
    ----------
    sensitivities : callable
        Takes weights (n,) that sum to one, returns the criterion and its decrease h (n,) per weight.
    count : int
        Number of candidates n.
    power : float
        1 for a D-criterion, 1/2 for an A-criterion.
    tolerance : float
        Stop when the largest sensitivity is within this of its limit, relative to it.
    most_steps : int
    drop : float
        Weights below this are set to zero; one whose sensitivity becomes the largest comes back with this weight and stays to the end.

    Returns
    -------
    OptimalDesign
    """
    w, kept = np.full(count, 1.0 / count), np.zeros(count, dtype=bool)
    best: OptimalDesign | None = None
    for step in range(most_steps + 1):
        value, h = sensitivities(w)
        limit = float(w @ h)
        if not (np.isfinite(limit) and limit > 0):
            break
        now = OptimalDesign(w, value, float(h.max()), limit, step)
        if best is None or now.excess < best.excess:
            best = now
        if now.excess <= tolerance:
            break
        top = int(np.argmax(h))
        w = w * (np.maximum(h, 0.0) / limit) ** power
        w = np.where((w < drop) & ~kept, 0.0, w)
        if w[top] == 0.0:
            w[top], kept[top] = drop, True
        w = w / w.sum()
    if best is None:
        raise InputError(
            "no split of the sweeps gives a finite error",
            remedy="Add settings or states, or give the unknowns priors",
        )
    if np.any((best.weights > 0) & (best.weights < drop)):  # of those that came back for nothing
        w = np.where(best.weights < drop, 0.0, best.weights)
        return replace(best, weights=w / w.sum())
    return best


def round_weights(weights: npt.ArrayLike, total: int, least: npt.ArrayLike = 0) -> npt.NDArray[np.int64]:
    """Whole numbers that sum to a total, near given weights.

    Parameters
    ----------
    weights : array_like (n,)
    total : int
    least : array_like of int
        Smallest number for each.

    Returns
    -------
    ndarray of int (n,)

    Raises
    ------
    InputError
        If the total is smaller than the smallest numbers together.

    Notes
    -----
    Efficient apportionment (Pukelsheim and Rieder, Biometrika 79, 763 (1992), from memory): ceil((total - s/2) w), then
    one at a time where n/w or (n - 1)/w is extreme.
    """
    w = np.asarray(weights, dtype=np.float64)
    w = w / w.sum()
    floor = np.broadcast_to(np.asarray(least, dtype=np.int64), w.shape)
    if total < floor.sum():
        raise InputError(
            f"{total} sweeps are fewer than the {int(floor.sum())} that are needed at least", remedy="Allow more sweeps"
        )
    support = w > 0
    n = np.maximum(np.ceil(np.maximum(total - 0.5 * support.sum(), 0.0) * w - 1e-9).astype(np.int64), floor)
    safe = np.where(support, w, 1e-300)
    while n.sum() < total:
        n[int(np.argmin(np.where(support, n / safe, np.inf)))] += 1
    while n.sum() > total:
        n[int(np.argmax(np.where(n > floor, (n - 1) / safe, -np.inf)))] -= 1
    return np.asarray(n, dtype=np.int64)


# ---------------------------------------------------------------- the split of a planned experiment


@dataclass(frozen=True)
class Candidate:
    """Sweeps that a schedule can give weight to: a probe of a block; setting None is the pump-off sweep."""

    block: int
    isolator: str
    setting: str | None
    bias_of: str
    state: str
    cooldown: str


def candidates(experiment: Experiment) -> list[Candidate]:
    """Every kind of sweep of a planned experiment."""
    study = experiment.study
    out = []
    for b, block in enumerate(experiment.blocks):
        bench = experiment.benches[block.bench]
        names = [study.settings[k].name for k in bench.settings]
        where = study.plan.cooldowns[block.cooldown]
        own = study.isolators[bench.isolator].name
        for state in block.states:
            out += [Candidate(b, own, one, names[0], study.states[state].name, where) for one in (*names, None)]
    return out


def with_sweeps(experiment: Experiment, sweeps: npt.ArrayLike) -> Experiment:
    """The experiment with other numbers of sweeps, one per candidate."""
    numbers = np.asarray(sweeps, dtype=np.float64)
    blocks, start = [], 0
    for block in experiment.blocks:
        stop = start + len(block.sweeps)
        blocks.append(replace(block, sweeps=tuple(float(v) for v in numbers[start:stop])))
        start = stop
    return replace(experiment, blocks=tuple(blocks))


def sweeps_of(experiment: Experiment) -> FloatArray:
    """Numbers of sweeps of all candidates, in their order."""
    return np.array([v for block in experiment.blocks for v in block.sweeps])


def direction_weights(x: FloatArray) -> FloatArray:
    """Matrices C (B, 3, 3) with trace(C cov) the squared angular error of the scaled source vectors x (B, D)."""
    w = x[:, :3]
    r2 = np.sum(w * w, axis=1)[:, None, None]
    return np.asarray((np.eye(3)[None] - w[:, :, None] * w[:, None, :] / r2) / r2)


@dataclass(frozen=True, eq=False)
class _Outlook:
    """An experiment at points of the prior, with what no number of sweeps changes worked out once.

    Attributes
    ----------
    x : ndarray (B, D)
    unknowns : Unknowns
    prior : ndarray (B, D, D)
        Curvature of the prior.
    traces : tuple of (ndarray, ndarray)
        Of each block scattering parameters and slopes (`fluxsense.design.sensitivity.seen`).
    jacobians : tuple of ndarray (B, m, D + A)
        Of each block (`fluxsense.design.sensitivity.block_slopes`).
    """

    x: FloatArray
    unknowns: Unknowns
    prior: FloatArray
    traces: tuple[tuple[ComplexArray, ComplexArray], ...]
    jacobians: tuple[FloatArray, ...]

    @classmethod
    def of(cls, experiment: Experiment, x: FloatArray) -> _Outlook:
        unknowns = experiment.unknowns
        parameters = unknowns.parameters(x)
        chain = flux_chain(experiment.benches[0].model, unknowns, x, parameters)
        prior = np.array([unknowns.prior_curvature(p)[1] for p in x])
        traces = tuple(seen(experiment, block, parameters, chain) for block in experiment.blocks)
        jacobians = tuple(block_slopes(experiment, n, chain) for n in range(len(experiment.blocks)))
        return cls(x, unknowns, prior, traces, jacobians)

    def regressed(
        self, now: Experiment, *, derivatives: bool = False, points: bool = False
    ) -> tuple[list[Regression], FloatArray, list[FloatArray]]:
        """The experiment with other sweeps or noise: its blocks, their information (B, D, D), jacobians by which changes of theirs count.

        Slow flux noise keeps the covariance that it has in the plan as it stands.
        """
        every = [
            now.regress(block, *own, derivatives=derivatives, points=points)
            for block, own in zip(now.blocks, self.traces, strict=True)
        ]
        owners = [now.benches[b.bench].isolator for b in now.blocks]
        parts = [(i, one.information, j) for i, one, j in zip(owners, every, self.jacobians, strict=True)]
        information, weights = gathered(parts, now.slow is not None, self.unknowns.size)
        return every, information, [j @ weights[i] if weights else j for i, _, j in parts]

    def predicted(self, now: Experiment) -> Prediction:
        """`predict` for the experiment with other sweeps or noise."""
        return Prediction(self.x, self.regressed(now)[1], self.prior, self.unknowns)


class _Criterion:
    """Mean squared angular error of an experiment over points, and its decrease per sweep of each candidate."""

    def __init__(self, experiment: Experiment, outlook: _Outlook, total: float) -> None:
        self._experiment, self._outlook, self._total = experiment, outlook, total
        self._weight = direction_weights(outlook.x)

    def __call__(self, weights: FloatArray) -> tuple[float, FloatArray]:
        now = with_sweeps(self._experiment, self._total * weights)
        every, information, jacobians = self._outlook.regressed(now, derivatives=True)
        covariance = np.linalg.inv(self._outlook.prior + information)
        # d trace(C M^-1) = -trace((M^-1 C M^-1) dM), C acting on the source's block
        inner = covariance[:, :, :3] @ self._weight @ covariance[:, :3, :]
        value = float(np.mean(np.einsum("bij,bji->b", self._weight, covariance[:, :3, :3])))
        gains: list[float] = []
        for one, jacobian in zip(every, jacobians, strict=True):
            assert one.per_sweep is not None
            seen = jacobian @ inner @ jacobian.transpose(0, 2, 1)
            gains += list(np.mean(np.einsum("bij,bkji->bk", seen, one.per_sweep), axis=0))
        return value, self._total * np.array(gains)


@dataclass(frozen=True)
class Schedule:
    """A split of sweeps over the candidates of an experiment.

    Attributes
    ----------
    candidates : tuple of Candidate
    design : OptimalDesign
        Exact weights, with the equivalence theorem's bound.
    sweeps : ndarray of int
        Whole numbers of sweeps.
    error_now_deg, error_best_deg, error_rounded_deg : float
        Root mean square angular error of the plan as it stands, of the exact weights and of the whole numbers.
    """

    candidates: tuple[Candidate, ...]
    design: OptimalDesign
    sweeps: npt.NDArray[np.int64]
    error_now_deg: float
    error_best_deg: float
    error_rounded_deg: float


def root_mean_square_deg(prediction: Prediction) -> float:
    """Root mean square angular error over the points, in degrees."""
    return float(np.degrees(np.sqrt(np.mean(prediction.angular_error_rad() ** 2))))


def best_schedule(
    experiment: Experiment, x: FloatArray, *, tolerance: float = 0.008, most_steps: int = 400
) -> Schedule:
    """The split of the experiment's sweeps with the least mean squared angular error over points x.

    Parameters
    ----------
    experiment : Experiment
        Its total number of sweeps is kept.
    x : ndarray (B, D)
    tolerance : float
        On the equivalence theorem's bound.
    most_steps : int

    Returns
    -------
    Schedule
    """
    every, outlook = candidates(experiment), _Outlook.of(experiment, x)
    now = sweeps_of(experiment)
    total = float(now.sum())
    design = multiplicative(
        _Criterion(experiment, outlook, total), len(every), 0.5, tolerance, most_steps, drop=1e-3 / max(total, 1.0)
    )
    least = _least(every, design.weights, experiment.study.data.of_counts)
    whole = round_weights(design.weights, max(round(total), int(least.sum())), least)

    def error(sweeps: npt.ArrayLike) -> float:
        return root_mean_square_deg(outlook.predicted(with_sweeps(experiment, sweeps)))

    return Schedule(tuple(every), design, whole, error(now), float(np.degrees(np.sqrt(design.value))), error(whole))


def _least(every: Sequence[Candidate], weights: FloatArray, of_counts: bool) -> npt.NDArray[np.int64]:
    """One pump-off sweep at least of each block with a pump-on sweep, of the kind that tells most; directions need none."""
    least = np.zeros(len(every), dtype=np.int64)
    used = {c.block for c, w in zip(every, weights, strict=True) if c.setting is not None and w > 0}
    for block in set() if of_counts else used:
        off = [n for n, c in enumerate(every) if c.setting is None and c.block == block]
        least[max(off, key=lambda n: weights[n])] = 1
    return least


@dataclass(frozen=True)
class TimeToError:
    """How long to measure for a wanted angular error.

    Attributes
    ----------
    wanted_deg : float
    reachable : bool
    sweeps, seconds : float
        Number and time of sweeps with the experiment's split; infinite if it cannot be reached.
    floor_deg : float
        Error left after measuring without end: what does not average down (residual gain, slow flux noise, priors).
    floor_if_flux_noise_stays_deg : float
        The same if the flux noise, as 1/f noise may, does not average down at all.
    floor_without_slow_noise_deg : float
        The same without the slow flux noise that the study states.
    """

    wanted_deg: float
    reachable: bool
    sweeps: float
    seconds: float
    floor_deg: float
    floor_if_flux_noise_stays_deg: float
    floor_without_slow_noise_deg: float


def check_wanted(wanted_deg: float) -> None:
    """Refuse an angular error that is not positive.

    Raises
    ------
    InputError
    """
    if not (np.isfinite(wanted_deg) and wanted_deg > 0):
        raise InputError(f"an angular error of {wanted_deg:g} degrees cannot be wanted", remedy="Give one above zero")


def time_to_error(experiment: Experiment, x: FloatArray, wanted_deg: float) -> TimeToError:
    """Time until the root mean square angular error over points x falls to a wanted value.

    Parameters
    ----------
    experiment : Experiment
        Its split is kept and scaled.
    x : ndarray (B, D)
    wanted_deg : float

    Returns
    -------
    TimeToError

    Raises
    ------
    InputError
        If the wanted error is not positive.
    """
    check_wanted(wanted_deg)
    sweeps, outlook = sweeps_of(experiment), _Outlook.of(experiment, x)

    def error(factor: float) -> float:
        return root_mean_square_deg(outlook.predicted(with_sweeps(experiment, factor * sweeps)))

    floor = error(ENDLESS)
    stuck = root_mean_square_deg(outlook.predicted(_with_constant_flux_noise(experiment)))
    still = floor
    if experiment.slow is not None:
        endless = with_sweeps(replace(experiment, slow=None), ENDLESS * sweeps)
        still = root_mean_square_deg(predict(endless, x))
    if not floor < wanted_deg:
        return TimeToError(wanted_deg, False, float("inf"), float("inf"), floor, stuck, still)
    low, high = -6.0, float(np.log10(ENDLESS))
    for _ in range(40):
        middle = 0.5 * (low + high)
        if error(10.0**middle) > wanted_deg:
            low = middle
        else:
            high = middle
        if high - low < 1e-4:
            break
    total = float(sweeps.sum()) * 10.0**high
    return TimeToError(wanted_deg, True, total, total * experiment.study.plan.seconds_per_sweep, floor, stuck, still)


def _with_constant_flux_noise(experiment: Experiment) -> Experiment:
    """Measuring without end, each group's flux error staying at the study's flux noise.

    With N sweeps and a variance N times the study's, the mean's flux error is the study's for every N.  Directions of a group
    whose flux stays are all one: no number of sweeps tells more than one does.
    """
    if experiment.study.data.of_counts:
        return with_sweeps(experiment, np.minimum(sweeps_of(experiment), 1.0))
    if experiment.noise.flux_phi0 <= 0:
        return with_sweeps(experiment, ENDLESS * sweeps_of(experiment))
    even = np.where(sweeps_of(experiment) > 0, ENDLESS, 0.0)
    noise = replace(experiment.noise, flux_phi0=experiment.noise.flux_phi0 * float(np.sqrt(ENDLESS)))
    return replace(with_sweeps(experiment, even), noise=noise)


@dataclass(frozen=True)
class TimeToErrorRate:
    """How long to measure until a wrong direction is believed no more often than wanted.

    Attributes
    ----------
    wanted : float
    against : str
        What a direction is mistaken for: 'its reverse' or 'another candidate'.
    reachable : bool
    sweeps, seconds : float
        With the experiment's split; infinite if it cannot be reached.
    floor, floor_if_flux_noise_stays : float
        Error rates left after measuring without end, as in `TimeToError`.
    """

    wanted: float
    against: str
    reachable: bool
    sweeps: float
    seconds: float
    floor: float
    floor_if_flux_noise_stays: float


def check_rate(wanted: float, unknowns: Unknowns) -> None:
    """Refuse an error rate that is not between 0 and a half, and one of a mistake that the prior excludes.

    Raises
    ------
    InputError
    """
    if not 0 < wanted < 0.5:
        raise InputError(
            f"an error rate of {wanted:g} cannot be wanted", remedy="Give a probability above 0 and below 0.5"
        )
    prior = unknowns.source_prior
    spread = prior.spread_directions(200)
    allowed = np.isfinite(prior.log_density(spread)) & np.isfinite(prior.log_density(-spread))
    if not unknowns.study.source.direction.candidates and not np.any(allowed):
        raise InputError(
            "the prior on the source's direction excludes the reverse of each direction, so there is none to be told from it",
            where=unknowns.study.path.name,
            remedy="Ask for an angular error instead",
        )


def confusion_rate(experiment: Experiment, vectors: npt.ArrayLike) -> tuple[float, str]:
    """Probability that the better of two explanations is the wrong one: the reverse, or another candidate.

    Parameters
    ----------
    experiment : Experiment
    vectors : array_like (B, 3)
        True directions, over which the rate is averaged; a prior that lists candidates has its own.

    Returns
    -------
    rate : float
        Two normal hypotheses a distance d apart have expected log odds d^2/2 and are exchanged with probability
        Phi(-d/2), so that odds of L stand for Phi(-sqrt(L/2)); size and nuisances are fitted to each (`ambiguity`).  Over
        several candidates the sum is an upper bound (Boole).
    against : str
    """
    candidates = np.array(experiment.unknowns.study.source.direction.candidates)
    listed = len(candidates) > 0
    truths = candidates if listed else np.atleast_2d(np.asarray(vectors, dtype=np.float64))
    rates = []
    for n, truth in enumerate(truths):
        others = np.delete(candidates, n, axis=0) if listed else -truth[None]
        rates.append(float(ndtr(-np.sqrt(0.5 * log_odds_against(experiment, truth, others))).sum()))
    return min(float(np.mean(rates)), 0.5), "another candidate" if listed else "its reverse"


def time_to_error_rate(experiment: Experiment, vectors: npt.ArrayLike, wanted: float) -> TimeToErrorRate:
    """Time until directions are mistaken for their reverse (or candidates for each other) no more often than wanted.

    Parameters
    ----------
    experiment : Experiment
        Its split is kept and scaled.
    vectors : array_like (B, 3)
    wanted : float
        Between 0 and 0.5.

    Returns
    -------
    TimeToErrorRate

    Raises
    ------
    InputError
        If the wanted rate is not between 0 and 0.5, or the prior excludes the reverse of every direction.
    """
    check_rate(wanted, experiment.unknowns)
    sweeps = sweeps_of(experiment)
    aim = float(-ndtri(wanted))

    def excess(log_factor: float) -> float:
        rate, _ = confusion_rate(with_sweeps(experiment, 10.0**log_factor * sweeps), vectors)
        return float(np.log(max(-ndtri(max(rate, 1e-300)), 1e-12) / aim))  # nearly straight in the logarithm

    floor, against = confusion_rate(with_sweeps(experiment, ENDLESS * sweeps), vectors)
    stuck, _ = confusion_rate(_with_constant_flux_noise(experiment), vectors)
    if not floor < wanted:
        return TimeToErrorRate(wanted, against, False, float("inf"), float("inf"), floor, stuck)
    ends = (-8.0, float(np.log10(ENDLESS)))
    found = ends[0] if excess(ends[0]) >= 0 else float(brentq(excess, *ends, xtol=1e-3, rtol=1e-3))
    total = float(sweeps.sum()) * 10.0**found
    return TimeToErrorRate(wanted, against, True, total, total * experiment.study.plan.seconds_per_sweep, floor, stuck)


@dataclass(frozen=True)
class FrequencyShares:
    """Which part of the sweep carries the information on the direction.

    Attributes
    ----------
    frequency_hz, share : ndarray (F,)
        Shares sum to one over each isolator's sweep; they are averages over isolators, settings and points.
    start_hz, stop_hz : float
        The shortest window with `kept` of the sum of shares.
    points : int
        Sweep points in the window.
    error_full_deg, error_short_deg : float
        Root mean square angular error with the whole sweep and with the window alone.
    """

    frequency_hz: FloatArray
    share: FloatArray
    start_hz: float
    stop_hz: float
    points: int
    error_full_deg: float
    error_short_deg: float


def frequency_shares(experiment: Experiment, x: FloatArray, kept: float = 0.9) -> FrequencyShares:
    """Shares of the information by frequency, and the loss that a shorter sweep costs.

    Parameters
    ----------
    experiment : Experiment
    x : ndarray (B, D)
    kept : float
        Sum of shares that the shorter sweep keeps.

    Returns
    -------
    FrequencyShares
    """
    outlook = _Outlook.of(experiment, x)
    every_block, information, jacobians = outlook.regressed(experiment, points=True)
    covariance = np.linalg.inv(outlook.prior + information)
    inner = covariance[:, :, :3] @ direction_weights(x) @ covariance[:, :3, :]
    share = np.zeros(experiment.benches[0].model.frequency_hz[0].size)
    for one, jacobian in zip(every_block, jacobians, strict=True):
        assert one.per_point is not None
        seen = jacobian @ inner @ jacobian.transpose(0, 2, 1)
        share += np.mean(np.einsum("bij,bfji->bf", seen, one.per_point), axis=0)
    share /= share.sum()
    grid = experiment.benches[0].model.frequency_hz[0]
    first, last = _window(share, kept)
    sweep = experiment.study.sweep
    every = np.linspace(sweep.start_hz, sweep.stop_hz, sweep.points)
    half = 0.5 * (grid[1] - grid[0]) if grid.size > 1 else 0.0
    inside = every[(every >= grid[first] - half) & (every <= grid[last] + half)]
    short = planned_experiment(
        experiment.study, states=[s.name for s in experiment.study.states], frequency_hz=grid[first : last + 1]
    )
    short = replace(
        short,
        blocks=experiment.blocks,
        density=experiment.density,
        noise=experiment.noise,
        slow=experiment.slow,
    )
    return FrequencyShares(
        grid,
        share,
        float(inside[0]),
        float(inside[-1]),
        int(inside.size),
        root_mean_square_deg(Prediction(x, information, outlook.prior, outlook.unknowns)),
        root_mean_square_deg(predict(short, x)),
    )


def _window(share: FloatArray, kept: float) -> tuple[int, int]:
    """The shortest run of frequencies whose shares sum to at least `kept`."""
    sums = np.concatenate([[0.0], np.cumsum(share)])
    best = (0, share.size - 1)
    for first in range(share.size):
        last = int(np.searchsorted(sums, sums[first] + kept * (1 - 1e-12)))
        if last <= share.size and last - 1 - first < best[1] - best[0]:
            best = (first, last - 1)
    return best
