"""Has a chain converged? Numbers and a verdict, from several independent ensembles.

Walkers of one ensemble are not independent chains: they move by looking at each other. The independent units are the
ensembles, so every comparison here runs between ensembles, and at least two of them are asked for.

Chains have the shape ``(E, T)`` (one series per ensemble) or ``(E, T, W)`` (with W walkers). arviz-stats and emcee are
imported only when a function needs them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxsense.base.errors import InputError

Floats = NDArray[np.float64]

#: Limits of Vehtari, Gelman, Simpson, Carpenter & Buerkner, Bayesian Anal. 16, 667 (2021): R-hat below 1.01 (as quoted
#: by software documentation), effective sample size above 400 (from memory).
LARGEST_R_HAT = 1.01
FEWEST_EFFECTIVE = 400.0
#: Chain length in autocorrelation times that emcee's documentation asks for.
FEWEST_TIMES = 50.0


def r_hat_rank(chains: ArrayLike) -> float:
    """Rank-normalised split R-hat of one quantity: the larger of the plain and the folded one.

    Parameters
    ----------
    chains : array_like, shape (E, T) or (E, T, W)
        E >= 2 independent ensembles, T >= 4 steps. The walkers of an ensemble are pooled: the halves that are compared
        are the first and the second half of each ensemble's time.

    Returns
    -------
    float
        1 when all agree; ``inf`` when ensembles stand still at different values; 1 for one constant throughout (a fixed
        parameter).

    Raises
    ------
    InputError
        If there is one ensemble only, fewer than 4 steps, or a value that is not finite.

    Notes
    -----
    Vehtari et al., Bayesian Anal. 16, 667 (2021), through arviz-stats. The folded part sees chains that agree in place
    and differ in width.
    """
    x = _chains(chains, fewest_ensembles=2)
    x = x.reshape(x.shape[0], -1)
    half = x.shape[1] // 2
    halves = np.concatenate([x[:, :half], x[:, x.shape[1] - half :]])
    if np.all(np.ptp(halves, axis=1) == 0.0):
        return 1.0 if np.ptp(halves) == 0.0 else float("inf")
    array_stats = _array_stats()
    # numpy warns where folding leaves no spread at all (a two-valued quantity split evenly); the plain part then decides
    with np.errstate(divide="ignore", invalid="ignore"):
        value = float(array_stats.rhat(x, method="rank"))
        return value if np.isfinite(value) else float(array_stats.rhat(x, method="z_scale"))


def ess_bulk(chains: ArrayLike) -> float:
    """Effective sample size for the bulk (rank-normalised); each walker's series counts as one chain.

    Parameters
    ----------
    chains : array_like, shape (E, T) or (E, T, W)

    Returns
    -------
    float
        Disagreement between walkers, as when they sit in different modes, lowers it. A constant quantity (a fixed
        parameter) has no error and returns ``inf``.

    Raises
    ------
    InputError
        If there are fewer than 4 steps or a value is not finite.
    """
    return _ess(chains, "bulk")


def ess_tail(chains: ArrayLike) -> float:
    """Effective sample size for the tails: the smaller one of the 5% and the 95% quantile. Arguments as `ess_bulk`."""
    return _ess(chains, "tail")


@dataclass(frozen=True)
class AutocorrelationTime:
    """Integrated autocorrelation time of one quantity.

    Attributes
    ----------
    steps : float
        The time, in steps. emcee's estimate is low by 1 to 2% even for long chains, and by far more for short ones.
    length : int
        Steps in each ensemble.
    times : float
        Chain length over autocorrelation time.
    long_enough : bool
        Whether `times` reaches the wanted number.
    steps_missing : int
        How many more steps would reach it if the estimate holds; 0 where it is reached.
    """

    steps: float
    length: int
    times: float
    long_enough: bool
    steps_missing: int


def autocorr_time(chains: ArrayLike, fewest_times: float = FEWEST_TIMES) -> AutocorrelationTime:
    """Integrated autocorrelation time by Sokal's window, the largest over the ensembles.

    Parameters
    ----------
    chains : array_like, shape (E, T) or (E, T, W)
    fewest_times : float
        Chain length that is asked for, in autocorrelation times.

    Returns
    -------
    AutocorrelationTime

    Raises
    ------
    InputError
        If there are fewer than 4 steps or a value is not finite.

    Notes
    -----
    Goodman & Weare, Comm. App. Math. Comp. Sci. 5, 65 (2010), from memory; `emcee.autocorr.integrated_time`. Blind to a
    mode that no walker visits, and to walkers that each stay in one mode: see `r_hat_rank` and `weight_agreement`.
    """
    x = _chains(chains, fewest_ensembles=1)
    length = x.shape[1]
    worst = 1.0
    for ensemble in x:
        moving = np.ptp(ensemble, axis=0) > 0.0
        if not moving.any():
            if np.ptp(ensemble) > 0.0:  # frozen at different values: nothing has decorrelated
                worst = float("inf")
            continue
        from emcee.autocorr import integrated_time

        centred = ensemble[:, moving]
        centred = (centred - centred.mean(axis=0)) / np.ptp(centred, axis=0).max()  # moments are tiny in SI
        tau = float(integrated_time(centred, c=5, tol=0)[0])
        worst = max(worst, tau if np.isfinite(tau) else float("inf"))
        if not moving.all():
            worst = max(worst, float(length))  # a walker that never moved
    times = length / worst
    # where nothing moved, the chain cannot say how long it would take: ask for `fewest_times` its length
    missing = fewest_times * (worst if np.isfinite(worst) else length + 1) - length
    return AutocorrelationTime(worst, length, times, times >= fewest_times, max(0, int(np.ceil(missing))))


@dataclass(frozen=True, eq=False)
class WeightAgreement:
    """How well independent ensembles agree on the weights of the modes.

    Attributes
    ----------
    weights : ndarray, shape (E, M)
        Each ensemble's share of each mode.
    pooled : ndarray, shape (M,)
    error : ndarray, shape (M,)
        Standard error of `pooled`: from the scatter between ensembles, or from the effective number of samples if larger.
    transitions : ndarray, shape (E,)
        Steps at which a walker changed mode.
    agrees : bool
    reason : str
        A sentence: why not, and what to do; or that they agree.
    """

    weights: Floats
    pooled: Floats
    error: Floats
    transitions: NDArray[np.intp]
    agrees: bool
    reason: str


def weight_agreement(
    labels: ArrayLike, n_modes: int | None = None, tolerance: float = 0.1, fewest_transitions: int = 20
) -> WeightAgreement:
    """Compare the weights of modes between independent ensembles.

    Parameters
    ----------
    labels : array_like of int, shape (E, T) or (E, T, W)
        Number of the mode at each step, 0 to n_modes - 1.
    n_modes : int, optional
    tolerance : float
        Largest accepted difference of an ensemble's weight from the pooled one.
    fewest_transitions : int
        Fewest changes of mode per ensemble: without changes the weights only say where the walkers were started.  Where one
        mode holds nearly everything, a tenth of the changes that independent draws would make is enough, but at least one.

    Returns
    -------
    WeightAgreement

    Raises
    ------
    InputError
        If there are fewer than two ensembles, or labels are not integers from 0 up.
    """
    raw = np.asarray(labels)
    if not np.issubdtype(raw.dtype, np.integer):
        raise InputError(f"mode numbers must be integers, got {raw.dtype}", where="weight_agreement")
    x = _chains(raw, fewest_ensembles=2).astype(np.intp)
    count = int(x.max()) + 1 if n_modes is None else n_modes
    if x.min() < 0 or x.max() >= count:
        raise InputError(
            f"mode numbers run from {x.min()} to {x.max()}, expected 0 to {count - 1}",
            where="weight_agreement",
            remedy="Give every sample the number of its mode (see clusters)",
        )
    weights = np.stack([np.bincount(e.ravel(), minlength=count) / e.size for e in x])
    pooled = weights.mean(axis=0)
    scatter = weights.std(axis=0, ddof=1) / np.sqrt(len(weights))
    # two or four ensembles may agree by luck: no less than what the effective number of samples allows
    counted = [
        np.sqrt(w * (1 - w) / max(ess_bulk((x == m).astype(np.float64)), 1.0)) if 0 < w < 1 else 0.0
        for m, w in enumerate(pooled)
    ]
    error = np.maximum(scatter, counted)
    transitions = np.count_nonzero(np.diff(x, axis=1), axis=(1, 2))
    # a light mode is seldom entered or left: of independent draws, 2 n w (1 - w) pairs of neighbours change mode
    light = 1.0 - float(pooled.max())
    expected = 2.0 * x[0].size * light * (1.0 - light)
    wanted = int(max(1, min(fewest_transitions, 0.1 * expected)))
    gap = np.abs(weights - pooled)
    worst_ensemble, worst_mode = np.unravel_index(int(np.argmax(gap)), gap.shape)
    occupied = int(np.count_nonzero(pooled))
    agrees = True
    reason = "The ensembles agree on the weights of the modes."
    if occupied == 1:
        reason = "Only one mode was visited, by every ensemble."
    elif gap.max() > tolerance:
        agrees = False
        reason = (
            f"Ensemble {worst_ensemble} gives mode {worst_mode} the weight {weights[worst_ensemble, worst_mode]:.2f}, "
            f"all together {pooled[worst_mode]:.2f}. Run longer, or with a move that jumps between modes."
        )
    elif transitions.min() < wanted:
        agrees = False
        reason = (
            f"Ensemble {int(np.argmin(transitions))} changed mode {int(transitions.min())} times, fewer than "
            f"{wanted}, so the weights reflect where the walkers started. "
            "Run longer, or with a move that jumps between modes."
        )
    return WeightAgreement(weights, pooled, error, transitions.astype(np.intp), agrees, reason)


@dataclass(frozen=True)
class QuantityDiagnosis:
    """The checks of one sampled quantity; `verdict` is ``good``, ``doubtful`` or ``bad``."""

    name: str
    r_hat: float
    ess_bulk: float
    ess_tail: float
    autocorrelation: AutocorrelationTime
    verdict: str


@dataclass(frozen=True)
class Diagnosis:
    """The verdict on a run.

    Attributes
    ----------
    good : bool
        For scripts: everything passed.
    verdict : str
        The worst of the parts: ``good``, ``doubtful`` or ``bad``.
    quantities : tuple of QuantityDiagnosis
    weights : WeightAgreement or None
    advice : tuple of str
        Sentences: what is wrong and what to do. Empty when all is well.
    """

    good: bool
    verdict: str
    quantities: tuple[QuantityDiagnosis, ...]
    weights: WeightAgreement | None
    advice: tuple[str, ...]


def diagnose(
    chains: ArrayLike,
    names: Sequence[str],
    labels: ArrayLike | None = None,
    *,
    largest_r_hat: float = LARGEST_R_HAT,
    fewest_effective: float = FEWEST_EFFECTIVE,
    fewest_times: float = FEWEST_TIMES,
) -> Diagnosis:
    """All checks of a run, with a verdict and what to do about it.

    A quantity is good if its R-hat, both effective sizes and its length in autocorrelation times pass; bad if its R-hat
    exceeds 1 by more than five times the allowed excess, or an effective size is below a quarter of the wanted one;
    doubtful in between. Modes whose weights disagree make the run bad.

    Parameters
    ----------
    chains : array_like, shape (E, T, W, P)
        Positions of W walkers of E >= 2 independent ensembles.
    names : sequence of str, length P
    labels : array_like of int, shape (E, T, W), optional
        Mode numbers, see `weight_agreement`.

    Returns
    -------
    Diagnosis

    Raises
    ------
    InputError
        If the shapes do not fit together, or as the single checks.
    """
    x = np.asarray(chains, dtype=float)
    if x.ndim != 4 or x.shape[-1] != len(names):
        raise InputError(
            f"chains of shape {x.shape} do not fit {len(names)} names",
            where="diagnose",
            remedy="Pass shape (ensembles, steps, walkers, parameters)",
        )
    rows: list[QuantityDiagnosis] = []
    advice: list[str] = []
    for p, name in enumerate(names):
        series = x[..., p]
        r_hat, bulk, tail = r_hat_rank(series), ess_bulk(series), ess_tail(series)
        time = autocorr_time(series, fewest_times)
        least = min(bulk, tail)
        verdict = "good"
        if not (r_hat <= largest_r_hat and least >= fewest_effective and time.long_enough):
            verdict = "doubtful"
        if not (r_hat - 1.0 <= 5.0 * (largest_r_hat - 1.0) and least >= 0.25 * fewest_effective):
            verdict = "bad"
        rows.append(QuantityDiagnosis(name, r_hat, bulk, tail, time, verdict))
        if not r_hat <= largest_r_hat:
            advice.append(
                f"{name}: the ensembles disagree (R-hat {r_hat:.3f}, at most {largest_r_hat:g} wanted). "
                "Run longer; if it stays, a mode is missed by some of them."
            )
        steps = time.steps_missing
        if not least >= fewest_effective:
            steps = max(steps, int(np.ceil(time.length * (fewest_effective / max(least, 1.0) - 1.0))))
        if not (least >= fewest_effective and time.long_enough):
            advice.append(
                f"{name}: {least:.0f} effective samples ({fewest_effective:.0f} wanted) and {time.times:.0f} "
                f"autocorrelation times ({fewest_times:.0f} wanted). About {steps} more steps per walker should do."
            )
    agreement = None if labels is None else weight_agreement(labels)
    verdicts = [row.verdict for row in rows]
    if agreement is not None and not agreement.agrees:
        verdicts.append("bad")
        advice.append(agreement.reason)
    worst = max(verdicts, key=["good", "doubtful", "bad"].index, default="good")
    return Diagnosis(worst == "good", worst, tuple(rows), agreement, tuple(advice))


def _ess(chains: ArrayLike, method: str) -> float:
    x = _chains(chains, fewest_ensembles=1)
    if np.ptp(x) == 0.0:
        return float("inf")
    series = np.moveaxis(x, 2, 1).reshape(-1, x.shape[1])
    prob = (0.05, 0.95) if method == "tail" else None
    with np.errstate(divide="ignore", invalid="ignore"):
        value = float(_array_stats().ess(series, method=method, prob=prob))
    return value if np.isfinite(value) else 0.0


def _array_stats() -> Any:
    return import_module("arviz_stats.base").array_stats


def _chains(chains: ArrayLike, fewest_ensembles: int) -> Floats:
    """Validated copy of shape (E, T, W)."""
    x = np.asarray(chains, dtype=float)
    if x.ndim == 2:
        x = x[:, :, None]
    if x.ndim != 3 or x.size == 0:
        raise InputError(
            f"chains must have shape (ensembles, steps) or (ensembles, steps, walkers), got {x.shape}",
            where="diagnostics",
        )
    if x.shape[0] < fewest_ensembles:
        raise InputError(
            f"{x.shape[0]} ensemble, but convergence shows only in the agreement of independent ones",
            where="diagnostics",
            remedy="Run at least two ensembles from separate random starts; walkers of one ensemble do not count",
        )
    if x.shape[1] < 4:
        raise InputError(f"{x.shape[1]} steps are too few to judge; at least 4 are needed", where="diagnostics")
    if not np.all(np.isfinite(x)):
        raise InputError(
            "a chain holds a value that is not finite", where="diagnostics", remedy="Look at the model first"
        )
    return x
