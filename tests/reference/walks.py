"""Sequential tests applied to many simulated paths of the log ratio at once: the outside check of `fluxsense.detection.sequential`."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
import numpy.typing as npt

from fluxsense.detection.sequential import Limits

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Runs:
    """Parts of runs with a wrong decision and without any, mean number of batches, standard errors."""

    wrong: float
    wrong_sd: float
    mean_batches: float
    mean_batches_sd: float
    undecided: float


def _summary(ended: npt.NDArray[np.bool_], wrong: npt.NDArray[np.bool_], used: FloatArray) -> Runs:
    part, runs = float(wrong.mean()), len(wrong)
    return Runs(
        part,
        sqrt(max(part * (1 - part), 1.0 / runs) / runs),
        float(used.mean()),
        float(used.std(ddof=1) / sqrt(runs)),
        float(np.mean(~ended)),
    )


def _decided(
    log_ratio: FloatArray, limits: Limits, source: bool
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_], FloatArray]:
    above, below = log_ratio >= limits.upper, log_ratio <= limits.lower
    stop = above | below
    ended = stop.any(axis=1)
    first = np.where(ended, stop.argmax(axis=1), log_ratio.shape[1] - 1)
    hit = above[np.arange(len(first)), first]
    return ended, ended & (~hit if source else hit), first + 1.0


def run_paths(log_ratio: FloatArray, limits: Limits, source: bool) -> Runs:
    """Of paths (R, N) of the log ratio of all data up to each batch; `source`: whether there was one."""
    return _summary(*_decided(log_ratio, limits, source))


def simulate_normal(rng: np.random.Generator, d: float, limits: Limits, *, source: bool, runs: int) -> Runs:
    """Of two simple hypotheses d standard deviations apart per batch: steps of mean +-d^2/2 (source, none), variance d^2."""
    length = int(40 * max(limits.upper, -limits.lower, 1.0) / d**2) + 20
    step = max(1, 4_000_000 // length)
    parts = []
    for start in range(0, runs, step):
        steps = d * rng.standard_normal((min(step, runs - start), length)) + (0.5 if source else -0.5) * d**2
        parts.append(_decided(np.cumsum(steps, axis=1), limits, source))
    ended, wrong, used = (np.concatenate(x) for x in zip(*parts, strict=True))
    return _summary(ended, wrong, used)
