"""Causes by name: which kind of number the data put further from what was stated than its prior allows.

With everything uncertain an imperfection larger than stated is no misfit at first: its numbers take it up.  Before the data
their most probable values a (in prior deviations) are normal with covariance 1 - C, C their posterior covariance, since
prior variance is what is learned plus what is left.  For the numbers of one kind, over all isolators, and the directions
among them of which at least `LEARNED` of the variance is learned,

    a^T (1 - C)^-1 a   is chi-square,

exact where the model is linear (derived; the prior predictive check of G. E. P. Box, J. R. Stat. Soc. A 143, 383 (1980),
from memory, for one kind of numbers at a time).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc

from fluxsense.base.findings import Finding
from fluxsense.model.linearised import Linearised
from fluxsense.model.parameter import Parameter

FloatArray = npt.NDArray[np.float64]

LEARNED: Final = 0.3
"""Part of the prior variance that the data must have learned of a direction for it to count."""
MOST_NAMED: Final = 3
NAMED, DOUBTFUL, BAD = 0.01, 5.0, 15.0
"""Probability below which a kind is named, and how many times too narrow its prior must be to take from the trust."""
BENT, FAR_OUT, SURELY = 0.8, 2.0, 1e-6
"""Scatter of the log posterior, times too narrow a prior, and probability, beyond which another solution may fit as well."""


@dataclass(frozen=True)
class Cause:
    """A kind of number that the data put beyond its prior.

    Attributes
    ----------
    kind : str
        The named array of the model.
    isolator : str
        Where it is furthest off.
    name : str
        The number of that kind which is furthest off.
    times : float
        Root of chi-square over its degrees of freedom: by how much the prior would have to be wider.
    probability : float
        Of as much or more by chance, times the number of kinds looked at; at most 1.
    eliminated : bool
        Whether the likelihood eliminates such numbers; for others there is a test of its own (`Suspicion.conflict`).
    """

    kind: str
    isolator: str
    name: str
    times: float
    probability: float
    eliminated: bool


def cause_findings(found: Sequence[Cause], bend: float = 0.0) -> list[Finding]:
    """The kinds of eliminated numbers that the data put beyond their priors, with what to measure; empty if there are none.

    bend is the scatter of the log posterior by linearising anew (`LinearityCheck.gain_sd`): numbers far beyond their priors in a
    model that bends may have been found at a place that is not the best one.
    """
    out = []
    for c in [c for c in found if c.eliminated and c.probability < NAMED][:MOST_NAMED]:
        lost = bend > BENT and c.times > FAR_OUT and c.probability < SURELY
        doubt = 2 if c.times > BAD else 1 if c.times > DOUBTFUL or lost else 0
        code = "beyond prior, bent" if lost else "beyond prior"
        numbers = {"times": c.times, "probability": c.probability}
        out.append(Finding(code, doubt, cause=c.kind, name=c.name, measure_next=c.kind, **numbers))
    return out


def causes(at: Linearised) -> list[Cause]:
    """Every kind of number, the least probable first.

    Parameters
    ----------
    at : Linearised
        About the mode, with every other unknown explicit.
    """
    found: dict[str, list[tuple[float, int, str, str]]] = {}
    eliminated = {p.array for own in at.likelihood.eliminated.values() for p in own}
    for i, kind, names, mean, covariance in _groups(at):
        square, degrees, furthest = _surprise(mean, covariance)
        if degrees:
            iso = at.likelihood.study.isolators[i].name
            found.setdefault(kind, []).append((square, degrees, iso, names[furthest]))
    out = []
    for kind, each in found.items():
        square, degrees = sum(e[0] for e in each), sum(e[1] for e in each)
        worst = max(each, key=lambda e: e[0] - e[1])
        out.append(
            Cause(
                kind, worst[2], worst[3], float(np.sqrt(square / degrees)),
                min(1.0, len(found) * float(chdtrc(degrees, square))), kind in eliminated,
            )
        )  # fmt: skip
    return sorted(out, key=lambda c: (c.probability, -c.times))


def _groups(at: Linearised) -> Iterator[tuple[int, str, list[str], FloatArray, FloatArray]]:
    """Isolator, kind, names, most probable values and covariance of each isolator's numbers of each kind."""
    unknowns = at.problem.unknowns
    for i, own in at.likelihood.eliminated.items():
        explicit = [(c, p) for c, p in enumerate(unknowns.nuisances, unknowns.lead) if p.home == i]
        columns = [c for c, _ in explicit]
        blocks: list[tuple[list[Parameter], FloatArray, FloatArray]] = [
            ([p for _, p in explicit], at.x[columns], at.covariance[np.ix_(columns, columns)])
        ]
        if own:
            blocks.append((list(own), *at.eliminated(i)[:2]))
        for parameters, mean, covariance in blocks:
            for kind in dict.fromkeys(p.array for p in parameters):
                index = [n for n, p in enumerate(parameters) if p.array == kind]
                names = [parameters[n].name for n in index]
                yield i, kind, names, mean[index], covariance[np.ix_(index, index)]


def _surprise(mean: FloatArray, covariance: FloatArray) -> tuple[float, int, int]:
    """Chi-square, its degrees of freedom, and which number is furthest off."""
    values, vectors = np.linalg.eigh(np.eye(len(mean)) - 0.5 * (covariance + covariance.T))
    kept = values > LEARNED
    along = vectors[:, kept].T @ mean
    return float(np.sum(along**2 / values[kept])), int(np.sum(kept)), int(np.argmax(np.abs(mean)))
