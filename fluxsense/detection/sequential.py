"""Stop as soon as the data say enough: Wald's sequential probability ratio test, with overshoot accounted for.

A. Wald, Ann. Math. Stat. 16, 117 (1945); Sequential Analysis (1947) (from memory, checked by simulation).  The log
likelihood ratio of source against none is added up batch by batch and compared with ln A above and ln B below.

Two pairs of limits:

* 'wald':       A = (1-b)/a, B = b/(1-a).  Overshoot makes the true error rates smaller than a and b; exactly, only
                a' <= a/(1-b) and b' <= b/(1-a) hold.
* 'guaranteed': A = 1/a, B = b.  Under no source the ratio is a martingale of mean 1, so it ever reaches A with probability
                a at most (Ville's inequality), whatever the batches; this also holds for a Bayes factor, whose b is then
                an average over the prior of the source.

Overshoot: the rates and mean numbers that limits truly give follow from Wald's integral equation, see `operating`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, log, pi, sqrt

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from fluxsense.base.errors import InputError

FloatArray = npt.NDArray[np.float64]

OVERSHOOT = 0.5825971579390107
"""-zeta(1/2)/sqrt(2 pi): mean excess of a standard normal walk over a far limit (Chernoff; Siegmund 1985)."""
FAR = 100.0
"""Distance of the limits in steps beyond which the series for far limits is used: wrong by 1e-7 of a rate there."""

CONTINUE, FOR, AGAINST = "continue", "stop for a source", "stop against a source"


def _check_rates(false_alarm: float, miss: float) -> None:
    for name, value in (("false alarms", false_alarm), ("misses", miss)):
        if not 0 < value < 0.5:
            raise InputError(f"the promised rate of {name} is {value:g}", remedy="Give a probability between 0 and 0.5")


@dataclass(frozen=True)
class Limits:
    """Log limits of a sequential test: stop for at `upper` and above, against at `lower` and below."""

    upper: float
    lower: float

    @classmethod
    def of(cls, false_alarm: float, miss: float, kind: str = "wald", step_sd: float = 0.0) -> Limits:
        """Limits for promised error rates.

        Parameters
        ----------
        false_alarm, miss : float
        kind : str
            'wald' or 'guaranteed'.
        step_sd : float
            Standard deviation d of the log likelihood ratio of one batch; if above zero the limits are drawn in until they
            use up the promised rates instead of staying below them ('wald' only).

        Raises
        ------
        InputError
            If a rate is not between 0 and 0.5, or the kind unknown.
        """
        _check_rates(false_alarm, miss)
        if kind == "wald":
            upper, lower = log((1 - miss) / false_alarm), log(miss / (1 - false_alarm))
            limits = cls(upper, lower)
            for _ in range(40 if step_sd > 0 else 0):
                # a rate falls by e where its limit moves out by 1, but for the overshoot's change: a contraction
                found = operating(limits, step_sd)
                nearer = cls(
                    max(limits.upper + log(found.false_alarm / false_alarm), 0.0),
                    min(limits.lower - log(found.miss / miss), 0.0),
                )
                moved = max(abs(nearer.upper - limits.upper), abs(nearer.lower - limits.lower))
                limits = nearer
                if moved < 1e-10:
                    break
            return limits
        if kind == "guaranteed":
            return cls(-log(false_alarm), log(miss))
        raise InputError(f'limits of kind "{kind}" are unknown', remedy='Use "wald" or "guaranteed"')


@dataclass(frozen=True)
class SequentialState:
    """Where a sequential test stands; `update` gives the next state and changes nothing.

    Attributes
    ----------
    limits : Limits
    log_ratio : float
        Log likelihood ratio (or log Bayes factor), source against none, of all batches so far.
    batches : int
    decision : str
        'continue', 'stop for a source' or 'stop against a source'; once stopped it stays.
    """

    limits: Limits
    log_ratio: float = 0.0
    batches: int = 0
    decision: str = CONTINUE

    def add(self, log_ratio_of_batch: float) -> SequentialState:
        """The state after a batch that is independent of the former ones."""
        return self.update(self.log_ratio + log_ratio_of_batch)

    def update(self, log_ratio: float) -> SequentialState:
        """The state after a batch, from the log ratio of all data so far (a digest holds them all).

        Raises
        ------
        InputError
            If the ratio is not a number.
        """
        if log_ratio != log_ratio:
            raise InputError("the log likelihood ratio is not a number", remedy="Look at the last batch")
        if self.decision != CONTINUE:
            return self
        decision = CONTINUE
        if log_ratio >= self.limits.upper:
            decision = FOR
        elif log_ratio <= self.limits.lower:
            decision = AGAINST
        return replace(self, log_ratio=log_ratio, batches=self.batches + 1, decision=decision)


@dataclass(frozen=True)
class Operating:
    """What limits give for normal log ratios: rates, and mean numbers of batches.

    Attributes
    ----------
    false_alarm, miss : float
    with_source, without : float
        Mean number of batches.
    """

    false_alarm: float
    miss: float
    with_source: float
    without: float


def operating(limits: Limits, d: float) -> Operating:
    """Error rates and mean numbers of batches of a test whose batches have log ratios of mean +-d^2/2 and variance d^2.

    Parameters
    ----------
    limits : Limits
    d : float
        Distance of the two hypotheses for one batch, in standard deviations.

    Raises
    ------
    InputError
        If d is not positive.

    Notes
    -----
    Wald's integral equation: from a log ratio s between the limits, the probability u(s) to end above obeys
    u(s) = P(step > upper - s) + int u(s') p(s' - s) ds', the mean number of batches n(s) = 1 + int n(s') p(s' - s) ds', solved
    on Gauss-Legendre nodes.  For far limits the series instead: a walk of drift m and standard deviation d passes a far limit
    by 0.5826 d + m/4 on average (Siegmund, Sequential Analysis (1985), from memory; checked against the equation in the
    tests), m = +-d^2/2.  The rates then are those of limits that lie 0.5826 d farther out, since the second term and the spread
    d^2/4 of the excess cancel in the mean of its exponential; the mean numbers, Wald's of those limits and (m/4)/m = 1/4 more.
    """
    if not d > 0:
        raise InputError(f"the distance of the hypotheses is {d:g}", remedy="Give a positive number")
    width = limits.upper - limits.lower
    if width > FAR * d:
        upper, lower = limits.upper + OVERSHOOT * d, limits.lower - OVERSHOOT * d
        a, b = exp(upper), exp(lower)
        alarm, miss = (1 - b) / (a - b), b * (a - 1) / (a - b)
        with_source = 2 * ((1 - miss) * upper + miss * lower) / d**2 + 0.25
        return Operating(alarm, miss, with_source, -2 * (alarm * upper + (1 - alarm) * lower) / d**2 + 0.25)
    node, weight = np.polynomial.legendre.leggauss(40 + int(4 * width / d))
    at = np.concatenate([[0.0], limits.lower + 0.5 * width * (node + 1)])
    found = []
    for drift in (-0.5 * d**2, 0.5 * d**2):
        kernel = (
            np.exp(-0.5 * ((at[None, 1:] - at[:, None] - drift) / d) ** 2) * weight * (0.5 * width / d / sqrt(2 * pi))
        )
        above = ndtr((at + drift - limits.upper) / d)
        ends = np.linalg.solve(np.eye(len(node)) - kernel[1:], np.stack([above[1:], np.ones(len(node))], axis=1))
        found.append((above[0] + kernel[0] @ ends[:, 0], 1 + kernel[0] @ ends[:, 1]))
    (alarm, without), (caught, with_source) = ((float(p), float(n)) for p, n in found)
    return Operating(alarm, 1 - caught, with_source, without)


def fixed_information(false_alarm: float, miss: float) -> float:
    """Number of batches times d^2 of the plan with a fixed number, (z_a + z_b)^2 (Neyman & Pearson)."""
    _check_rates(false_alarm, miss)
    return float((ndtri(1 - false_alarm) + ndtri(1 - miss)) ** 2)
