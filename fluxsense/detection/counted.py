"""Counts of transmission to first order in a weak source: the same score statistic as of traces (`fluxsense.detection.linear`).

With p_g the probability of a group of n_g sweeps, A its derivatives by the source vector and B those by the nuisances at no
source, and W = m/(p (1 - p)), m the number of independent sweeps that tell as much (`infer.counts.independent_sweeps`), the score of the source is A W (k/n - p), its covariance without a source

    M = A W A^T - A W B^T (B W B^T + 1)^-1 B W A^T,

and Rao's statistic u^T M^-1 u is near chi-square where a group has many sweeps of either way.  The law bends on the scale of the
flux noise: of a source that moves a loop by more, simulated campaigns, drawn from the full law, tell what is seen.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from fluxsense.detection.linear import (
    FIT_ROUNDS,
    STEP,
    DrawnCampaign,
    linear_log_bayes_factor,
    position_nodes,
    score_statistic,
    with_drawn_places,
)
from fluxsense.infer.counts import VoteProblem, drawn_readings, independent_sweeps
from fluxsense.infer.reading_law import mean_of_nodes
from fluxsense.model.parameter import WRONG_WAY_RATE
from fluxsense.model.problem import DERIVATIVE_STEP, displaced
from fluxsense.model.unknowns import Unknowns

FloatArray = npt.NDArray[np.float64]


class CountCampaign:
    """A campaign's counts to first order in the source.

    Parameters
    ----------
    problem : VoteProblem
        Without a source.
    reference : ndarray (Dn,), optional
        Whitened nuisances at which derivatives are taken; prior means by default.
    positions_m : ndarray (K, 3), optional
        See `linear.position_nodes`.

    Attributes
    ----------
    information : ndarray (3K, 3K)
        M for the source vector in units of the stated size; K triples, one per position.
    positions_m : ndarray (K, 3)
    """

    def __init__(
        self, problem: VoteProblem, reference: FloatArray | None = None, positions_m: FloatArray | None = None
    ) -> None:
        self.problem, self.unknowns = problem, problem.unknowns
        self.study = problem.unknowns.study
        self.positions_m = position_nodes(self.study) if positions_m is None else positions_m
        self.reference = np.zeros(self.unknowns.size) if reference is None else reference
        self.sweeps = np.array([v.count for v in problem.votes.values()], dtype=np.float64)
        size = self.unknowns.size
        every = problem.nodes(displaced(self.reference[None]) if size else np.zeros((1, 0)))
        around, self._nodes = mean_of_nodes(every), every[:, 0]
        middle = np.clip(around[0], 1e-9, 1 - 1e-9)
        self._nuisance = (around[1 : 1 + size] - around[1 + size :]) / (2 * DERIVATIVE_STEP)
        self._source = self._source_slopes()
        self._spread = middle * (1 - middle)
        inner, self._cross, self.information = self._weighed(self.sweeps)
        self._inverse = np.linalg.inv(inner)

    def _source_slopes(self) -> FloatArray:
        """Derivatives (3K, G) by the source vector in stated sizes at each position."""
        step, count = STEP * self.study.source.size, len(self.positions_m)
        x = np.repeat(self.reference[None], 6 * count, axis=0)
        batch = self.unknowns.parameters(x).changed(
            source=np.tile(step * np.concatenate([np.eye(3), -np.eye(3)]), (count, 1)),
            position_m=np.repeat(self.positions_m, 6, axis=0),
        )
        pairs = self.problem.model.forward(batch, self._rate(x)).reshape(count, 2, 3, -1)
        return np.asarray((pairs[:, 0] - pairs[:, 1]).reshape(3 * count, -1) / (2 * STEP))

    def _rate(self, x: FloatArray) -> FloatArray | float:
        rate = self.unknowns.data_value(WRONG_WAY_RATE, x)
        return self.study.data.wrong_way if rate is None else rate

    def _weighed(self, sweeps: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Precision of the nuisances, their products with the source's columns, and M, for numbers of sweeps (G,)."""
        a, b, w = self._source, self._nuisance, independent_sweeps(self._nodes, sweeps) / self._spread
        inner = (b * w) @ b.T + np.eye(len(b))
        cross = (b * w) @ a.T
        m = (a * w) @ a.T - cross.T @ np.linalg.solve(inner, cross)
        return inner, cross, np.asarray(0.5 * (m + m.T))

    def block(self, position: int = 0) -> FloatArray:
        """Information (3, 3) on the source vector in stated sizes at one position."""
        k = 3 * position
        return np.asarray(self.information[k : k + 3, k : k + 3])

    def fit(self, forward: FloatArray, rounds: int = FIT_ROUNDS) -> tuple[FloatArray, FloatArray]:
        """Scores (B, 3K) of counts 'from 1 to 2' (B, G), fitted without a source, and the whitened nuisances (B, Dn)."""
        x = np.tile(self.reference, (len(forward), 1))
        weight = independent_sweeps(self._nodes, self.sweeps) / self._spread
        for turn in range(rounds + 1):
            apart = (forward / self.sweeps - self.problem.probabilities(x)) * weight
            score = apart @ self._nuisance.T - x
            if turn < rounds:
                x = x + score @ self._inverse
        # what is left of the nuisances' score is projected out
        return apart @ self._source.T - score @ self._inverse @ self._cross, x

    def simulate(
        self,
        rng: np.random.Generator,
        count: int,
        source: FloatArray | None = None,
        *,
        nuisances: FloatArray,
        rounds: int = FIT_ROUNDS,
    ) -> FloatArray:
        """Scores (count, 3K) of counts drawn from the full law, with given nuisances (Dn,) and places drawn from the prior.

        source (3,) or (count, 3) in T or A m^2; none by default.
        """
        wide = Unknowns(self.study, self.unknowns.cooldowns, self.problem.measured)
        z = wide.draw(rng, count)
        given = {n.name: float(v) for n, v in zip(self.unknowns.nuisances, nuisances, strict=True)}
        for column, n in enumerate(wide.nuisances, wide.lead):
            z[:, column] = given.get(n.name, z[:, column])
        vectors = np.zeros((count, 3)) if source is None else np.array(np.broadcast_to(source, (count, 3)))
        p = self.problem.model.nodes(
            wide.parameters(z).changed(source=vectors), self._rate(np.repeat(nuisances[None], count, axis=0))
        )
        return self.fit(drawn_readings(p, self.sweeps, rng), rounds)[0]

    def measured_score(self) -> tuple[FloatArray, FloatArray]:
        """Score (3K,) of the counts themselves, and the nuisances fitted without a source (Dn,)."""
        score, x = self.fit(np.array([[v.forward for v in self.problem.votes.values()]], dtype=np.float64))
        return score[0], x[0]

    def statistic(self, score: FloatArray) -> FloatArray:
        """Rao's statistic, the largest over all positions, of scores (..., 3K)."""
        return score_statistic(self.information, score)

    def log_bayes_factor(self, score: FloatArray) -> FloatArray:
        """Log Bayes factor of scores (..., 3K) to first order in the source."""
        return linear_log_bayes_factor(self.information, score)

    def information_by_repeats(self) -> Callable[[float, str], FloatArray]:
        """Information (3, 3) at the first position for repeats relative to those taken, flux noise 'white' or 'slow'.

        Flux noise that stays makes all sweeps of a group go one way: no more of them count than one.  Without any there is no law
        to speak of, and 'none' is 'white'.
        """

        def information(factor: float, flux_noise: str = "white") -> FloatArray:
            sweeps = factor * self.sweeps
            return self._weighed(np.minimum(sweeps, 1.0) if flux_noise == "slow" else sweeps)[2][:3, :3]

        return information


def drawn_counts(campaign: CountCampaign, rng: np.random.Generator, count: int = 4) -> list[DrawnCampaign]:
    """Campaigns with nuisances drawn from their priors, analysed as measured ones (see `linear.drawn_campaigns`)."""
    out = []
    for x in campaign.unknowns.draw(rng, count):
        _, fitted = campaign.fit(drawn_readings(campaign.problem.nodes(x[None]), campaign.sweeps, rng))
        moved = CountCampaign(campaign.problem, fitted[0], with_drawn_places(campaign.study, campaign.positions_m, rng))
        out.append(DrawnCampaign(np.asarray(x), moved, len(campaign.positions_m)))
    return out
