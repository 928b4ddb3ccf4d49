"""The search for every mode of a posterior: a scan of the sphere and the sizes, then Levenberg-Marquardt ascents.

A mode found is also tried with its source vector reversed, and mirrored in the chip's plane: the symmetries that such
data have at zero bias and for coplanar loops.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from fluxsense.infer.offsets import offset_starts
from fluxsense.model.problem import Problem, log_posterior

FloatArray = npt.NDArray[np.float64]

SCAN_DIRECTIONS = 192
SCAN_SIZES = (0.15, 0.5, 1.0, 2.0)
WIDE_SIZES = (0.1, 0.2, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8)
"""In units of the stated size; the wide ones are for a search of more effort."""
MAX_ASCENTS = 24
MAX_MODES = 24
MAX_TRIES = 12
ELSEWHERE = 0.1
"""Prior deviations of a nuisance from its mean from which a place is scanned beside it."""
GAIN = 1e-3
"""Of the log posterior in a step, below which a climb has arrived."""
FAR_BELOW = 60.0
"""Log posterior below the best place within which another one is still gone on with."""


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


def ascend(problem: Problem, start: FloatArray, max_steps: int = 60, gain: float = GAIN) -> LocalMode | None:
    """Climb from one start (D,); see `ascend_all`."""
    return ascend_all(problem, np.asarray(start)[None], max_steps, gain)[0]


def ascend_all(
    problem: Problem,
    starts: FloatArray,
    max_steps: int = 60,
    gain: float = GAIN,
    progress: Callable[[int], None] | None = None,
) -> list[LocalMode | None]:
    """Climb from every start to a local maximum (Levenberg-Marquardt on the posterior), all in step.

    The climbs know nothing of each other; the model is evaluated for all of them at once, which for small campaigns costs
    little more than for one.

    Parameters
    ----------
    problem : Problem
    starts : ndarray (B, D)
    max_steps : int
    gain : float
        Of the log posterior in a step, below which a climb ends.
    progress : callable, optional
        Called with the number of climbs that have ended.

    Returns
    -------
    list of LocalMode or None
        For each start; None where the prior vanishes at it, or the information at the end is not positive definite.
    """
    prior = problem.unknowns.log_prior(np.asarray(starts))
    climbs = {n: _Climb(problem, starts[n], float(p)) for n, p in enumerate(prior) if np.isfinite(p)}
    moving = list(climbs.values())
    _take_curvatures(problem, moving)
    for _ in range(max_steps):
        if not moving:
            break
        if progress is not None:
            progress(len(starts) - len(moving))
        trying = moving
        for _ in range(MAX_TRIES):
            trials = np.array([c.trial() for c in trying])
            values = log_posterior(problem, trials)
            trying = [c for c, x, v in zip(trying, trials, values, strict=True) if not c.accepts(x, float(v))]
            if not trying:
                break
        moved = [c for c in moving if c not in trying]
        _take_curvatures(problem, moved)
        moving = [c for c in moved if not c.arrived(gain)]
    return [climbs[n].end() if n in climbs else None for n in range(len(starts))]


class _Climb:
    """One climb of `ascend_all`: where it stands, and how far it dares to step."""

    def __init__(self, problem: Problem, start: FloatArray, prior: float) -> None:
        x = np.array(start, dtype=np.float64)
        self._unknowns = problem.unknowns
        self._prior = prior
        self.x = x
        self._total = -np.inf
        self._gain = np.inf
        self._damping = 1e-3
        self._slope = np.zeros(x.size)  # of the log posterior where it stood before the last step
        self._gradient = np.zeros(x.size)
        self._matrix = np.eye(x.size)
        self._step = np.zeros(x.size)

    def take(self, value: float, gradient: FloatArray, information: FloatArray) -> None:
        """The curvature at x."""
        slope, bend = self._unknowns.prior_curvature(self.x)
        if not np.isfinite(self._total):
            self._total = value + self._prior
        self._gradient, self._matrix = gradient + slope, information + bend

    def trial(self) -> FloatArray:
        """Where the next step would lead."""
        damped = self._matrix + self._damping * np.diag(np.diag(self._matrix))
        step = np.linalg.solve(damped, self._gradient)
        length = float(np.max(np.abs(step[: self._unknowns.lead]), initial=0.0))
        self._step = np.asarray(step / length if length > 1.0 else step)
        return self.x + self._step

    def accepts(self, x: FloatArray, total: float) -> bool:
        """Take the step if it does not lead down, else dare less."""
        if not total >= self._total - 1e-9 * max(1.0, abs(self._total)):
            self._damping *= 6
            return False
        self._damping = max(self._damping / 8, 1e-9)
        self._gain, self._slope = total - self._total, self._gradient
        self.x, self._total = x, total
        return True

    def arrived(self, gain: float) -> bool:
        """Whether the last step gained nothing worth mentioning."""
        return bool(self._gain < gain and float(self._slope @ self._step) < 10 * gain)

    def end(self) -> LocalMode | None:
        """The maximum with its width, from the last curvature."""
        try:
            factor = cho_factor(self._matrix)
        except LinAlgError:
            return None
        covariance = cho_solve(factor, np.eye(self.x.size))
        log_det = 2 * float(np.sum(np.log(np.diag(factor[0]))))
        evidence = self._total + 0.5 * self.x.size * np.log(2 * np.pi) - 0.5 * log_det
        return LocalMode(self.x, self._total, 0.5 * (covariance + covariance.T), float(evidence))


def _take_curvatures(problem: Problem, climbs: Sequence[_Climb]) -> None:
    if climbs:
        found = problem.curvatures(np.array([c.x for c in climbs]))
        for climb, value, gradient, information in zip(climbs, *found, strict=True):
            climb.take(float(value), gradient, information)


def _scan(
    problem: Problem, rng: np.random.Generator, effort: int, about: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Starts over the sphere and sizes with nuisances at their means and about given places, plus prior draws, with their log posteriors."""
    unknowns = problem.unknowns
    directions = unknowns.source_prior.spread_directions(effort * SCAN_DIRECTIONS)
    several = SCAN_SIZES if effort == 1 else WIDE_SIZES
    sizes = several if unknowns.source_prior.size_prior == "scale" else (1.0,)
    w = np.concatenate([unknowns.source_prior.embed(directions, s) for s in sizes])
    places = np.zeros((1, unknowns.size))
    if about is not None:
        far = [place for place in about if np.max(np.abs(place[3:]), initial=0.0) > ELSEWHERE]
        places = np.concatenate([np.array(far).reshape(-1, unknowns.size), places])
    starts = np.repeat(places, len(w), axis=0)
    starts[:, :3] = np.tile(w, (len(places), 1))
    starts = np.concatenate([starts, unknowns.draw(rng, 64 * effort**2)])
    return starts, log_posterior(problem, starts)


def same(a: LocalMode, b: LocalMode) -> bool:
    """Whether two maxima are one: close in the metric of either's covariance."""
    difference = a.x - b.x
    distance = float(difference @ np.linalg.solve(a.covariance, difference))
    return bool(distance < 1.0 * max(1, a.x.size) ** 0.5 and abs(a.log_posterior - b.log_posterior) < 3.0)


def summits(problem: Problem, starts: FloatArray, max_steps: int = 60) -> list[LocalMode]:
    """The maxima that starts (B, D) lead to, each once, highest first."""
    climbs = ascend_all(problem, starts, max_steps)
    out: list[LocalMode] = []
    for mode in sorted((m for m in climbs if m is not None), key=lambda m: -m.log_posterior):
        if not any(same(mode, other) for other in out):
            out.append(mode)
    return out


def near_the_best(modes: Sequence[LocalMode], below: float = FAR_BELOW) -> list[LocalMode]:
    """Those, of modes in any order, whose log posterior is not further below the highest than that."""
    top = max((m.log_posterior for m in modes), default=0.0)
    return [m for m in modes if m.log_posterior >= top - below]


def modes_without_source(problem: Problem, max_steps: int = 60) -> list[LocalMode]:
    """The maxima that climbs from the peaks in the offsets lead to (`fluxsense.infer.offsets`), each once, highest first.

    Parameters
    ----------
    problem : Problem
        Without a source; without any unknown it has none.
    max_steps : int
        Of a climb.
    """
    if not problem.unknowns.size:
        return []
    return summits(problem, offset_starts(problem), max_steps)


def find_modes(
    problem: Problem,
    rng: np.random.Generator,
    progress: Callable[[int, int], None] | None = None,
    *,
    effort: int = 1,
    about: FloatArray | None = None,
) -> list[LocalMode]:
    """Every mode that the scan leads to, best first.

    Parameters
    ----------
    problem : Problem
    rng : Generator
    progress : callable, optional
        Called with (ascents done, ascents planned).
    effort : int
        Factor on directions scanned and climbs; draws from the prior grow with its square.
    about : ndarray (K, D), optional
        Places where the nuisances are likely to lie, to be scanned beside their prior means; their sources do not count.

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
        return modes_without_source(problem)
    starts, values = _scan(problem, rng, effort, about)
    alive = np.isfinite(values)
    starts, values = starts[alive], values[alive]
    order = np.argsort(-values)
    chosen: list[int] = list(order[: 6 * effort**2])
    # then the best start near each of a coarse set of directions, so that no part of the sphere goes untried
    coarse = unknowns.source_prior.spread_directions(effort * (MAX_ASCENTS - 6))
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
        planned = max(planned, done + len(queue))
        told = None if progress is None else partial(_told, progress, done, planned)
        modes = ascend_all(problem, np.array(queue), progress=told)
        done += len(queue)
        queue = []
        for mode in modes:
            if mode is None or any(same(mode, other) for other in found):
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


def _told(progress: Callable[[int, int], None], before: int, planned: int, ended: int) -> None:
    progress(before + ended, planned)


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
