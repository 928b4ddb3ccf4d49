"""The search for every mode of a posterior: a scan of the sphere and the sizes, then Levenberg-Marquardt ascents.

A mode found is also tried with its source vector reversed, and mirrored in the chip's plane: the symmetries that such
data have at zero bias and for coplanar loops.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from fluxsense.infer.problem import Problem, log_posterior

FloatArray = npt.NDArray[np.float64]

SCAN_DIRECTIONS = 192
SCAN_SIZES = (0.15, 0.5, 1.0, 2.0)
MAX_ASCENTS = 24
MAX_MODES = 24


@dataclass(frozen=True)
class LocalMode:
    """A local maximum of the posterior.

    Attributes
    ----------
    x : ndarray (D,)
    log_posterior : float
    covariance : ndarray (D, D)
        Inverse of the information plus the prior's curvature.
    log_evidence : float
        Laplace's approximation of the mode's share of the evidence.
    """

    x: FloatArray
    log_posterior: float
    covariance: FloatArray
    log_evidence: float


def ascend(problem: Problem, start: FloatArray, max_steps: int = 60) -> LocalMode | None:
    """Climb to a local maximum (Levenberg-Marquardt on the posterior).

    Parameters
    ----------
    problem : Problem
    start : ndarray (D,)
    max_steps : int

    Returns
    -------
    LocalMode or None
        None where the prior vanishes at the start.
    """
    unknowns = problem.unknowns
    x = np.array(start, dtype=np.float64)
    prior = float(unknowns.log_prior(x[None])[0])
    if not np.isfinite(prior):
        return None
    damping = 1e-3
    value, gradient, information = problem.curvature(x)
    total = value + prior
    slope, bend = unknowns.prior_curvature(x)
    for _ in range(max_steps):
        full = gradient + slope
        matrix = information + bend
        moved = False
        for _ in range(12):
            step = np.linalg.solve(matrix + damping * np.diag(np.diag(matrix)), full)
            length = float(np.max(np.abs(step[: unknowns.lead]), initial=0.0))
            if length > 1.0:
                step = step / length
            trial = x + step
            trial_prior = float(unknowns.log_prior(trial[None])[0])
            trial_total = (
                trial_prior + float(problem.log_likelihood(trial[None])[0]) if np.isfinite(trial_prior) else -np.inf
            )
            if trial_total >= total - 1e-9 * max(1.0, abs(total)):
                moved = True
                damping = max(damping / 8, 1e-9)
                break
            damping *= 6
        if not moved:
            break
        gain = trial_total - total
        x, total = trial, trial_total
        value, gradient, information = problem.curvature(x)
        slope, bend = unknowns.prior_curvature(x)
        if gain < 1e-4 and float(full @ step) < 1e-3:
            break
    matrix = information + bend
    try:
        factor = cho_factor(matrix)
    except LinAlgError:
        return None
    covariance = cho_solve(factor, np.eye(x.size))
    log_det = 2 * float(np.sum(np.log(np.diag(factor[0]))))
    evidence = total + 0.5 * x.size * np.log(2 * np.pi) - 0.5 * log_det
    return LocalMode(x, total, 0.5 * (covariance + covariance.T), float(evidence))


def _scan(problem: Problem, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Starts over the sphere and sizes with nuisances at their means, plus prior draws, with their log posteriors."""
    unknowns = problem.unknowns
    directions = unknowns.source_prior.spread_directions(SCAN_DIRECTIONS)
    sizes = SCAN_SIZES if unknowns.source_prior.size_prior == "scale" else (1.0,)
    w = np.concatenate([unknowns.source_prior.embed(directions, s) for s in sizes])
    starts = np.zeros((len(w), unknowns.size))
    starts[:, :3] = w
    starts = np.concatenate([starts, unknowns.draw(rng, 64)])
    return starts, log_posterior(problem, starts)


def _same(a: LocalMode, b: LocalMode) -> bool:
    """Whether two maxima are one: close in the metric of either's covariance."""
    difference = a.x - b.x
    distance = float(difference @ np.linalg.solve(a.covariance, difference))
    return bool(distance < 1.0 * max(1, a.x.size) ** 0.5 and abs(a.log_posterior - b.log_posterior) < 3.0)


def find_modes(
    problem: Problem, rng: np.random.Generator, progress: Callable[[int, int], None] | None = None
) -> list[LocalMode]:
    """Every mode that the scan leads to, best first.

    Parameters
    ----------
    problem : Problem
    rng : Generator
    progress : callable, optional
        Called with (ascents done, ascents planned).

    Returns
    -------
    list of LocalMode
        At most `MAX_MODES`, by Laplace evidence.

    Raises
    ------
    ModelError
        If the model is not finite somewhere.
    """
    unknowns = problem.unknowns
    if not unknowns.with_source:
        mode = ascend(problem, np.zeros(unknowns.size)) if unknowns.size else None
        return [] if mode is None else [mode]
    starts, values = _scan(problem, rng)
    alive = np.isfinite(values)
    starts, values = starts[alive], values[alive]
    order = np.argsort(-values)
    chosen: list[int] = list(order[:6])
    # then the best start near each of a coarse set of directions, so that no part of the sphere goes untried
    coarse = unknowns.source_prior.spread_directions(MAX_ASCENTS - 6)
    unit = starts[:, :3] / np.maximum(np.sqrt(np.sum(starts[:, :3] ** 2, axis=1, keepdims=True)), 1e-300)
    nearest = np.argmax(unit @ coarse.T, axis=1)
    for k in range(len(coarse)):
        members = np.flatnonzero(nearest == k)
        if members.size:
            chosen.append(int(members[np.argmax(values[members])]))
    queue = [starts[n] for n in dict.fromkeys(chosen)]
    planned = len(queue)
    found: list[LocalMode] = []
    tried_images: list[FloatArray] = []
    done = 0
    while queue:
        mode = ascend(problem, queue.pop(0))
        done += 1
        if progress is not None:
            progress(done, max(planned, done + len(queue)))
        if mode is None or any(_same(mode, other) for other in found):
            continue
        found.append(mode)
        best = max(m.log_posterior for m in found)
        if mode.log_posterior < best - 40:
            continue
        for image in _images(mode.x):
            if len(tried_images) < 24 and not any(np.allclose(image, other, atol=0.05) for other in tried_images):
                tried_images.append(image)
                queue.append(image)
    found.sort(key=lambda m: -m.log_evidence)
    return found[:MAX_MODES]


def _images(x: FloatArray) -> list[FloatArray]:
    """The source vector reversed, mirrored in the xy plane, and both; offsets reversed with it where it is reversed."""
    out = []
    for flips in ((-1, -1, -1), (1, 1, -1), (-1, -1, 1)):
        image = np.array(x)
        image[:3] *= flips
        out.append(image)
    reversed_all = -np.array(x)
    out.append(reversed_all)
    return out
