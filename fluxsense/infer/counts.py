"""Direction-only inference: the likelihood of counts of sweeps that transmit one way or the other.

How probable it is that a sweep transmits one way, `fluxsense.infer.reading_law` says.  What the sweeps of a group share makes their
counts scatter more than binomially.  With p the mean of a group's probability over it and r p (1 - p) its variance, r is the
correlation of two of its readings, and a count k of n has the beta-binomial law

    B(k + a, n - k + b)/B(a, b),    a = p (1/r - 1),    b = (1 - p) (1/r - 1)

(Skellam, J. R. Stat. Soc. B 10, 257 (1948), cited from memory), which has that mean and variance; n/(1 + (n - 1) r) independent sweeps
would tell as much.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betaln

from fluxsense.base.errors import InputError
from fluxsense.base.streams import stream
from fluxsense.data.counts import Votes
from fluxsense.data.digest import GroupKey
from fluxsense.device.chip import ChipModel, ChipParameters
from fluxsense.infer.reading_law import SURE, ReadingLaw, mean_of_nodes, misread
from fluxsense.infer.reading_noise import NODES
from fluxsense.infer.wiring import Wiring
from fluxsense.model.likelihood import probe_of
from fluxsense.model.parameter import WRONG_WAY_RATE
from fluxsense.model.problem import DERIVATIVE_STEP, Curvatures, displaced
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

DECISIVE = 4.6
"""Log odds (99 to 1) from which the wiring of a pump port counts as read."""
WIRING_DRAWS = 4000
LEAST_LIKENESS = 1e-5
"""Of readings, over their number; below, a beta-binomial law is a binomial one but for rounding."""


def likeness(p: FloatArray) -> FloatArray:
    """Correlation r (...) of two readings of a group: the variance of probabilities (M, ...) over their mean times what is left to 1."""
    mean = np.clip(mean_of_nodes(p), SURE, 1 - SURE)
    return np.asarray(mean_of_nodes((p - mean) ** 2) / (mean * (1 - mean)))


def independent_sweeps(p: FloatArray, count: FloatArray) -> FloatArray:
    """Number (..., G) of independent sweeps that tell the mean of probabilities (M, ..., G) as well as `count` (G,) alike ones."""
    return np.asarray(count / (1 + np.maximum(count - 1, 0.0) * likeness(p)))


def _shapes(p: FloatArray, count: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The two numbers (..., G) of the beta law that has the mean and variance of probabilities (M, ..., G), for counts of (G,) sweeps."""
    mean = np.clip(mean_of_nodes(p), SURE, 1 - SURE)
    size = 1 / np.maximum(likeness(p), LEAST_LIKENESS / np.maximum(count, 1.0)) - 1
    return mean * size, (1 - mean) * size


def drawn_readings(p: FloatArray, count: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Counts (..., G) of `count` (G,) sweeps a group each, drawn from the law of probabilities (M, ..., G)."""
    own = rng.beta(*_shapes(p, count))
    return np.asarray(rng.binomial(count.astype(np.int64), own), dtype=np.float64)


@dataclass(frozen=True)
class VoteModel:
    """Maps chip parameters to the probability that each group's sweeps are read as transmitting from 1 to 2.

    Attributes
    ----------
    study : Study
    keys : tuple of GroupKey
    cooldowns : tuple of str
    signs : tuple of int
        Wiring of each isolator's pump ports.
    """

    study: Study
    keys: tuple[GroupKey, ...]
    cooldowns: tuple[str, ...]
    signs: tuple[int, ...]

    def __post_init__(self) -> None:
        names = [i.name for i in self.study.isolators]
        by_isolator: list[tuple[list[int], ChipModel, ReadingLaw]] = []
        for i, name in enumerate(names):
            mine = [n for n, k in enumerate(self.keys) if k.isolator == name]
            if not mine:
                continue
            probes = tuple(probe_of(self.study, self.keys[n], self.cooldowns) for n in mine)
            model = ChipModel(self.study, probes, [np.array([1e9])] * len(names), list(self.signs))
            by_isolator.append((mine, model, ReadingLaw(self.study, i, probes, self.signs[i])))
        object.__setattr__(self, "_parts", by_isolator)

    def nodes(self, parameters: ChipParameters, wrong_way: FloatArray | float) -> FloatArray:
        """Probability (M, B, groups) of reading 'from 1 to 2' for each of `node_values`; wrong_way is (B,) or one number."""
        out = np.empty((NODES, parameters.batch, len(self.keys)))
        for mine, model, law in self._parts:  # type: ignore[attr-defined]
            out[..., mine] = law.nodes(model.probe_flux(parameters, law.isolator))
        rate = np.broadcast_to(np.asarray(wrong_way, dtype=np.float64), (parameters.batch,))[:, None]
        return misread(out, rate)

    def forward(self, parameters: ChipParameters, wrong_way: FloatArray | float) -> FloatArray:
        """Mean probability (B, groups) of reading 'from 1 to 2'; wrong_way is (B,) or one number."""
        return mean_of_nodes(self.nodes(parameters, wrong_way))


class VoteProblem:
    """Posterior of the source from counts of directions.

    Parameters
    ----------
    unknowns : Unknowns
        Of a study with direction-only data.
    votes : mapping of GroupKey to Votes
    signs : sequence of int
        Wiring of each isolator's pump ports.
    model : VoteModel, optional
        Of the same study, groups and wiring, where there is one.
    """

    def __init__(
        self, unknowns: Unknowns, votes: Mapping[GroupKey, Votes], signs: Sequence[int], model: VoteModel | None = None
    ) -> None:
        self._unknowns = unknowns
        self.votes = dict(votes)
        keys = tuple(self.votes)
        self.model = model or VoteModel(unknowns.study, keys, unknowns.cooldowns, tuple(signs))
        self._forward = np.array([self.votes[k].forward for k in keys], dtype=np.float64)
        self._count = np.array([self.votes[k].count for k in keys], dtype=np.float64)
        names = [i.name for i in unknowns.study.isolators]
        self.measured = tuple(sorted({names.index(k.isolator) for k in keys}))

    @property
    def unknowns(self) -> Unknowns:
        """Unknowns and prior."""
        return self._unknowns

    def nodes(self, x: FloatArray) -> FloatArray:
        """Probability (M, B, groups) of reading 'from 1 to 2' for each value of what the sweeps of a group share."""
        rate = self._unknowns.data_value(WRONG_WAY_RATE, x)
        stated = self._unknowns.study.data.wrong_way
        return self.model.nodes(self._unknowns.parameters(x), stated if rate is None else rate)

    def probabilities(self, x: FloatArray) -> FloatArray:
        """Mean probability (B, groups) of reading 'from 1 to 2'."""
        return mean_of_nodes(self.nodes(x))

    def _each(self, p: FloatArray) -> FloatArray:
        """Log-likelihood (..., G) of each group's count at probabilities (M, ..., G), binomial coefficients left out."""
        a, b = _shapes(p, self._count)
        return np.asarray(betaln(self._forward + a, self._count - self._forward + b) - betaln(a, b))

    def log_likelihood(self, x: FloatArray) -> FloatArray:
        """Log-likelihood of a batch (B, D), binomial coefficients left out."""
        return np.asarray(self._each(self.nodes(x)).sum(axis=1))

    def curvatures(self, x: FloatArray) -> Curvatures:
        """Log-likelihoods, gradients and expected information of a batch (B, D)."""
        count, size = x.shape
        every = self.nodes(displaced(x)).reshape(NODES, count, 2 * size + 1, -1)
        log = self._each(every).sum(axis=2)
        gradient = (log[:, 1 : 1 + size] - log[:, 1 + size :]) / (2 * DERIVATIVE_STEP)
        p = mean_of_nodes(every)
        slopes = (p[:, 1 : 1 + size] - p[:, 1 + size :]) / (2 * DERIVATIVE_STEP)
        middle = np.clip(p[:, 0], SURE, 1 - SURE)
        weight = independent_sweeps(every[:, :, 0], self._count) / (middle * (1 - middle))
        information = (slopes * weight[:, None]) @ slopes.transpose(0, 2, 1)
        return log[:, 0], np.asarray(gradient), np.asarray(information)

    def with_unknowns(self, unknowns: Unknowns) -> VoteProblem:
        """The same counts with other unknowns."""
        same = unknowns.study is self._unknowns.study and unknowns.cooldowns == self._unknowns.cooldowns
        return VoteProblem(unknowns, self.votes, self.model.signs, self.model if same else None)

    def misfits(self, x: FloatArray, rng: np.random.Generator, replicates: int = 1) -> tuple[FloatArray, FloatArray]:
        """Deviance per group of the data, and of data drawn from the model, at each x (B, D): (B, G) and (B, R, G)."""
        every = self.nodes(x)
        p = np.clip(mean_of_nodes(every), SURE, 1 - SURE)
        copies = np.repeat(every[:, :, None], replicates, axis=2)
        drawn = drawn_readings(copies, self._count, rng)
        return _deviance(self._forward, self._count, p), _deviance(drawn, self._count, p[:, None])

    def tail_probabilities(self, x: FloatArray) -> FloatArray:
        """Two-sided probability of counts as far out as each group's, at each x (B, D); shape (B, G)."""
        from scipy.stats import binom  # slow to import, and wanted by a finished answer alone

        p = np.clip(self.nodes(x), SURE, 1 - SURE)
        below = mean_of_nodes(np.asarray(binom.cdf(self._forward, self._count, p)))
        above = mean_of_nodes(np.asarray(binom.sf(self._forward - 1, self._count, p)))
        return np.asarray(np.minimum(1.0, 2 * np.minimum(below, above)))


def _deviance(forward: FloatArray, count: FloatArray, p: FloatArray) -> FloatArray:
    """Twice the log of the likelihood at the observed share over that at p (binomial deviance)."""
    backward = count - forward
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.where(forward > 0, forward * np.log(forward / (count * p)), 0.0)
        second = np.where(backward > 0, backward * np.log(backward / (count * (1 - p))), 0.0)
    return np.asarray(2 * (first + second))


def read_vote_wiring(study: Study, votes: Mapping[GroupKey, Votes], cooldowns: Sequence[str], seed: int) -> Wiring:
    """Which pump port is which, from the directions of sweeps with known flux signs.

    Parameters
    ----------
    study : Study
    votes : mapping of GroupKey to Votes
    cooldowns : sequence of str
    seed : int
        Of the prior draws over which both signs' likelihoods are averaged.

    Returns
    -------
    Wiring

    Raises
    ------
    InputError
        If the study leaves a sign to the reference sweeps and these do not decide it.
    """
    quiet = {s.name for s in study.states if s.kind in ("out", "calibration")}
    signs, odds, stated = [], [], []
    for i, iso in enumerate(study.isolators):
        known = iso.pump_port_1_sign
        stated.append(known is not None)
        mine = {
            k: v for k, v in votes.items() if k.isolator == iso.name and k.state in quiet and k.pump_port is not None
        }
        if not mine:
            if known is None and any(k.isolator == iso.name for k in votes):
                raise InputError(
                    f'nothing tells which way isolator "{iso.name}" transmits for pump port 1: no sweep of it was taken '
                    "with the source out",
                    where=f"{study.path.name}, isolator[{iso.name}].pump_port_1_phase",
                    remedy='State "+90 deg" or "-90 deg", or record source-out sweeps',
                )
            signs.append(known or 1)
            odds.append(float("nan"))
            continue
        unknowns = Unknowns(study, cooldowns, [i], with_source=False)
        x = unknowns.draw(stream(seed, "counts: wiring", i), WIRING_DRAWS)
        logs = []
        for sign in (1, -1):
            every = [sign] * len(study.isolators)
            values = VoteProblem(unknowns, mine, every).log_likelihood(x)
            top = float(values.max())
            logs.append(top + float(np.log(np.mean(np.exp(values - top)))))
        difference = logs[0] - logs[1]
        if known is not None:
            signs.append(known)
            odds.append(known * difference)
            continue
        if abs(difference) < DECISIVE:
            raise InputError(
                f'the sweeps do not tell which way isolator "{iso.name}" transmits for pump port 1 '
                f"(log odds {difference:+.1f}, {DECISIVE:g} wanted)",
                where=f"{study.path.name}, isolator[{iso.name}].pump_port_1_phase",
                remedy='State "+90 deg" or "-90 deg", or record more source-out sweeps away from zero flux',
            )
        signs.append(1 if difference > 0 else -1)
        odds.append(abs(difference))
    return Wiring(tuple(signs), tuple(odds), tuple(stated))


def without_source(problem: VoteProblem) -> VoteProblem:
    """The same counts under the hypothesis that there is no source."""
    mine = problem.unknowns
    return problem.with_unknowns(Unknowns(mine.study, mine.cooldowns, problem.measured, with_source=False))


__all__ = [
    "VoteModel", "VoteProblem", "read_vote_wiring", "without_source",
]  # fmt: skip
