"""Direction-only inference: the probability that a sweep transmits one way, and its likelihood for counts.

A pair transmits by the sign of the product of its rings' circulating currents and of the sine of the pump phase
difference.  With a flux F in a loop that varies by a normal flux noise from sweep to sweep, the probability that the
ring's current is positive is a sum of differences of the normal distribution function over the intervals in which
sin f > 0: (k, k + 1/2) for a bare ring in its ground branch, (4 k, 4 k + 2) for a shunted one.  Both loops vary
independently, so with q_1, q_2 those probabilities, a sweep of positive pump phase transmits from 1 to 2 with
p = q_1 q_2 + (1 - q_1)(1 - q_2), and is read so with e + (1 - 2 e) p, e the rate of wrong readings.

The law holds where both stages are near the pumped resonance.  Sweeps solved one by one (`tests/outside`) keep it where shunted
rings vary by 0.05 flux quanta; of bare rings within 0.15 flux quanta of a flip, whose modes lie linewidths apart, up to a tenth
go against it, which `wrong_way` has to cover.  The analyser's noise is not in the law: with 1% of white noise, loops within 0.1 flux
quanta of zero and a flux noise of 0.04, simulated sweeps depart from it by up to 0.17 in probability where four pump-off sweeps
divide them, by up to 0.07 where a hundred do; with 0.01% not at all (chi-square 30 of 24 groups of 300 sweeps).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import binom

from fluxsense.base.errors import InputError
from fluxsense.base.streams import stream
from fluxsense.data.counts import Votes
from fluxsense.data.digest import GroupKey
from fluxsense.device.chip import ChipModel, ChipParameters, Probe
from fluxsense.device.rings import ring_kind
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
FLUX_STEP = 1e-5
"""Step of central differences by a flux, Phi0."""


@dataclass(frozen=True)
class ReadingLaw:
    """Probability that sweeps of one isolator transmit from 1 to 2, by the fluxes in its two loops.

    Attributes
    ----------
    study : Study
    isolator : int
    probes : tuple of Probe
        Of that isolator, pump on.
    sign : int
        Of the pump phase difference for pump port 1.
    """

    study: Study
    isolator: int
    probes: tuple[Probe, ...]
    sign: int

    def __post_init__(self) -> None:
        object.__setattr__(self, "_turn", np.array([_phase_sign(p, self.sign, self._name) for p in self.probes]))

    @property
    def _name(self) -> str:
        return self.study.isolators[self.isolator].name

    def _positive(self, flux_phi0: FloatArray) -> list[FloatArray]:
        """Probability (...) that each ring's current is positive, at mean fluxes (..., 2)."""
        sd = self.study.noise.flux_phi0
        return [
            ring_kind(stage.ring).positive_probability(flux_phi0[..., k], sd, stage.branch)
            for k, stage in enumerate(self.study.isolators[self.isolator].stages)
        ]

    def forward(self, flux_phi0: FloatArray) -> FloatArray:
        """Probability (B, P) of transmission from 1 to 2 at mean fluxes (B, P, 2)."""
        same = _alike(*self._positive(flux_phi0))
        return np.asarray(np.where(self._turn > 0, same, 1 - same))  # type: ignore[attr-defined]

    def slopes(self, flux_phi0: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Probability (B, P), and its derivatives (B, 2, P) by the two fluxes, per Phi0."""
        first, second = self._positive(flux_phi0 + FLUX_STEP * np.array([0.0, 1.0, -1.0])[:, None, None, None])
        each = [(q[1] - q[2]) / (2 * FLUX_STEP) for q in (first, second)]
        same = _alike(first[0], second[0])
        slopes = np.stack([each[0] * (2 * second[0] - 1), each[1] * (2 * first[0] - 1)], axis=1)
        turn: FloatArray = self._turn  # type: ignore[attr-defined]
        return np.asarray(np.where(turn > 0, same, 1 - same)), slopes * turn


def _alike(first: FloatArray, second: FloatArray) -> FloatArray:
    """Probability that both currents of a pair have one sign, each positive with its own."""
    return first * second + (1 - first) * (1 - second)


def misread(probability: FloatArray, rate: FloatArray | float) -> FloatArray:
    """Probability of reading 'from 1 to 2', with a rate of wrong readings that broadcasts against the probabilities."""
    return np.asarray(rate + (1 - 2 * rate) * probability)


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

    def forward(self, parameters: ChipParameters, wrong_way: FloatArray | float) -> FloatArray:
        """Probability (B, groups) of reading 'from 1 to 2'; wrong_way is (B,) or one number."""
        out = np.empty((parameters.batch, len(self.keys)))
        for mine, model, law in self._parts:  # type: ignore[attr-defined]
            out[:, mine] = law.forward(model.probe_flux(parameters, law.isolator))
        rate = np.broadcast_to(np.asarray(wrong_way, dtype=np.float64), (parameters.batch,))[:, None]
        return misread(out, rate)


def _phase_sign(probe: Probe, port_sign: int, isolator: str) -> float:
    """Sign of the sine of the pump phase difference."""
    if probe.pump_port is not None:
        return float(port_sign if probe.pump_port == 1 else -port_sign)
    phase = probe.pump_phase_rad or 0.0
    sine = float(np.sin(phase))
    if abs(sine) < 0.5:
        raise InputError(
            f"the pump phase of isolator {isolator}, {np.degrees(phase):.4g} degrees, is far from +-90 degrees, where a pair "
            "does not transmit one way",
            remedy="Leave those sweeps out, or use the complex traces",
        )
    return float(np.sign(sine))


class VoteProblem:
    """Posterior of the source from counts of directions.

    Parameters
    ----------
    unknowns : Unknowns
        Of a study with direction-only data.
    votes : mapping of GroupKey to Votes
    signs : sequence of int
        Wiring of each isolator's pump ports.
    """

    def __init__(self, unknowns: Unknowns, votes: Mapping[GroupKey, Votes], signs: Sequence[int]) -> None:
        self._unknowns = unknowns
        self.votes = dict(votes)
        keys = tuple(self.votes)
        self.model = VoteModel(unknowns.study, keys, unknowns.cooldowns, tuple(signs))
        self._forward = np.array([self.votes[k].forward for k in keys], dtype=np.float64)
        self._count = np.array([self.votes[k].count for k in keys], dtype=np.float64)
        names = [i.name for i in unknowns.study.isolators]
        self.measured = tuple(sorted({names.index(k.isolator) for k in keys}))

    @property
    def unknowns(self) -> Unknowns:
        """Unknowns and prior."""
        return self._unknowns

    def probabilities(self, x: FloatArray) -> FloatArray:
        """Probability (B, groups) of reading 'from 1 to 2'."""
        rate = self._unknowns.data_value(WRONG_WAY_RATE, x)
        stated = self._unknowns.study.data.wrong_way
        return self.model.forward(self._unknowns.parameters(x), stated if rate is None else rate)

    def log_likelihood(self, x: FloatArray) -> FloatArray:
        """Binomial log-likelihood of a batch (B, D), binomial coefficients left out."""
        p = self.probabilities(x)
        rest = np.log(np.maximum(1 - p, 1e-300))
        return np.asarray(np.log(np.maximum(p, 1e-300)) @ self._forward + rest @ (self._count - self._forward))

    def curvatures(self, x: FloatArray) -> Curvatures:
        """Log-likelihoods, gradients and expected information of a batch (B, D)."""
        count, size = x.shape
        p = self.probabilities(displaced(x)).reshape(count, 2 * size + 1, -1)
        slopes = (p[:, 1 : 1 + size] - p[:, 1 + size :]) / (2 * DERIVATIVE_STEP)
        middle = np.clip(p[:, 0], 1e-12, 1 - 1e-12)
        score = (self._forward - self._count * middle) / (middle * (1 - middle))
        weight = self._count / (middle * (1 - middle))
        information = (slopes * weight[:, None]) @ slopes.transpose(0, 2, 1)
        return self.log_likelihood(x), np.einsum("bdg,bg->bd", slopes, score), np.asarray(information)

    def with_unknowns(self, unknowns: Unknowns) -> VoteProblem:
        """The same counts with other unknowns."""
        return VoteProblem(unknowns, self.votes, self.model.signs)

    def misfits(self, x: FloatArray, rng: np.random.Generator, replicates: int = 1) -> tuple[FloatArray, FloatArray]:
        """Deviance per group of the data, and of data drawn from the model, at each x (B, D): (B, G) and (B, R, G)."""
        p = np.clip(self.probabilities(x), 1e-12, 1 - 1e-12)
        drawn: npt.NDArray[Any] = rng.binomial(
            self._count.astype(int), p[:, None], size=(len(x), replicates, self._count.size)
        )
        drawn = drawn.astype(np.float64)
        return _deviance(self._forward, self._count, p), _deviance(drawn, self._count, p[:, None])

    def tail_probabilities(self, x: FloatArray) -> FloatArray:
        """Two-sided binomial probability of counts as far out as each group's, at each x (B, D); shape (B, G)."""
        p = np.clip(self.probabilities(x), 1e-12, 1 - 1e-12)
        below, above = binom.cdf(self._forward, self._count, p), binom.sf(self._forward - 1, self._count, p)
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
    "ReadingLaw", "VoteModel", "VoteProblem", "misread", "read_vote_wiring", "without_source",
]  # fmt: skip
