"""Causes by name: which kind of number the data put further from what was stated than its prior allows.

With everything uncertain an imperfection larger than stated is no misfit at first: its numbers take it up.  Before the data
their most probable values a (in prior deviations) are normal with covariance 1 - C, C their posterior covariance, since
prior variance is what is learned plus what is left.  For the numbers of one kind, of all isolators together (what more loops than
a source needs tell of focusing factors is one thing, not one for each isolator), and the directions among them of which at least `LEARNED`
of the variance is learned,

    a^T (1 - C)^-1 a   is chi-square,

exact where the model is linear (derived; the prior predictive check of G. E. P. Box, J. R. Stat. Soc. A 143, 383 (1980),
from memory, for one kind of numbers at a time).
"""

from __future__ import annotations

from collections.abc import Sequence
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
    eliminated = {p.array for own in at.likelihood.eliminated.values() for p in own}
    numbers = _numbers(at)
    kinds: dict[str, list[int]] = {}
    for n, (p, _, _) in enumerate(numbers.each):
        kinds.setdefault(p.array, []).append(n)
    out = []
    for kind, index in kinds.items():
        mean, covariance = numbers.mean[index], numbers.covariance(index)
        square, degrees, furthest = _surprise(mean, covariance)
        if degrees:
            p = numbers.each[index[furthest]][0]
            iso = at.likelihood.study.isolators[p.home].name
            times = float(np.sqrt(square / degrees))
            out.append((kind, iso, p.name, times, float(chdtrc(degrees, square)), kind in eliminated))
    made = [Cause(*c[:4], min(1.0, len(out) * c[4]), c[5]) for c in out]
    return sorted(made, key=lambda c: (c.probability, -c.times))


@dataclass(frozen=True)
class _Numbers:
    """All uncertain numbers that belong to an isolator: most probable values (N,), and what makes their covariance.

    each holds the number, the block of those that share an own covariance, and the place in it; pulls (N, D) and unknowns (D, D)
    give what the unknowns add.
    """

    each: list[tuple[Parameter, int, int]]
    mean: FloatArray
    own: list[FloatArray]
    pulls: FloatArray
    unknowns: FloatArray

    def covariance(self, index: Sequence[int]) -> FloatArray:
        """Covariance of some of them, in prior variances."""
        total = self.pulls[index] @ self.unknowns @ self.pulls[index].T
        for row, n in enumerate(index):
            for column, m in enumerate(index):
                (_, block, a), (_, other, b) = self.each[n], self.each[m]
                if block == other:
                    total[row, column] += self.own[block][a, b]
        return np.asarray(total)


def _numbers(at: Linearised) -> _Numbers:
    unknowns = at.problem.unknowns
    each: list[tuple[Parameter, int, int]] = []
    means: list[FloatArray] = []
    own: list[FloatArray] = []
    pulls: list[FloatArray] = []
    columns = [c for c, p in enumerate(unknowns.nuisances, unknowns.lead) if p.home >= 0]
    if columns:
        each += [(unknowns.nuisances[c - unknowns.lead], 0, n) for n, c in enumerate(columns)]
        means.append(at.x[columns])
        own.append(np.zeros((len(columns), len(columns))))
        pulls.append(np.eye(at.x.size)[columns])
    for i, parameters in at.likelihood.eliminated.items():
        if parameters:
            mean, _, pull = at.eliminated(i)
            each += [(p, len(own), n) for n, p in enumerate(parameters)]
            means.append(mean)
            own.append(at.likelihood.eliminated_covariance(i))
            pulls.append(pull)
    if not each:
        return _Numbers([], np.zeros(0), [], np.zeros((0, at.x.size)), at.covariance)
    return _Numbers(each, np.concatenate(means), own, np.concatenate(pulls), at.covariance)


def _surprise(mean: FloatArray, covariance: FloatArray) -> tuple[float, int, int]:
    """Chi-square, its degrees of freedom, and which number is furthest off."""
    values, vectors = np.linalg.eigh(np.eye(len(mean)) - 0.5 * (covariance + covariance.T))
    kept = values > LEARNED
    along = vectors[:, kept].T @ mean
    return float(np.sum(along**2 / values[kept])), int(np.sum(kept)), int(np.argmax(np.abs(mean)))
