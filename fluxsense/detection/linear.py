"""A campaign to first order in a weak source: information on the source vector, scores, and simulated campaigns.

Near "no source" the traces are linear in the source vector v, so everything that decides whether a source is seen follows
from Gram matrices.  With A the derivative of the ratios with respect to v, B that with respect to the nuisances (prior
precision P), C the noise covariance, and r the residual of the fit without a source,

    u = A^T C^-1 r                                            the score of the source,
    M = A^T C^-1 A - A^T C^-1 B (B^T C^-1 B + P)^-1 B^T C^-1 A    its covariance without a source,

and with a source v the score has mean M v.  T = u^T M^-1 u is Rao's score statistic: chi-square with as many degrees of
freedom as M has rank, noncentral with v^T M v when there is a source (Kay, Fundamentals of Statistical Signal Processing
II, ch. 6; from memory, checked here by simulation).  A dipole whose position is not known has such a triple of columns
for every position in its prior, and u and M run over all of them.

The fit without a source is not linearised: it iterates on the chip model, because the prior of pump strengths and flux
offsets is wide compared with the noise.  Pump phase errors enter by their sine and cosine, in which the model is linear.

Of magnitudes the same holds with their real derivatives; pump phase errors are nuisances like the others there, and points whose
power is not well above the noise (`fluxsense.model.family.Notch`), whose law is not normal, take no part in the score: what is
said of an experiment is then what it sees at least.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy.linalg import block_diag
from scipy.special import ndtri

from fluxsense.base.executors import Workers, ordered_map
from fluxsense.base.sphere import random_directions
from fluxsense.data.digest import Digest
from fluxsense.device.chip import ChipParameters
from fluxsense.model.family import Family, reals
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.priors import integrated_arrays
from fluxsense.model.pump_phase import PumpPhases
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

STEP = 1e-4
"""Step of central differences, in prior standard deviations or stated sizes; the model bends on the scale of 1."""
POSITIONS = 24
"""Positions that stand for a dipole's position prior, the central one first."""
DRAWN_POSITIONS = 12
"""Positions beside them at which the source of a drawn campaign may lie; it is never just at one of the former."""
RANK_TOLERANCE = 1e-9
FIT_ROUNDS = 4


def position_nodes(study: Study, count: int = POSITIONS) -> FloatArray:
    """Positions (K, 3) that stand for the prior of a dipole's position: the mean, then a quasi-random normal sample.

    A uniform field, or a dipole whose position is exact, has one.
    """
    mean = np.array(study.source.position_m, dtype=np.float64)
    sd = np.array(study.source.position_sd_m, dtype=np.float64)
    if not study.source.has_position or not np.any(sd > 0) or count < 2:
        return mean[None]
    from scipy.stats import qmc  # slow to import

    return np.concatenate([mean[None], mean + sd * ndtri(qmc.Halton(3, scramble=False).random(count)[1:])])


@dataclass(frozen=True)
class _Part:
    """Columns of one family: C^-1 times source and nuisance columns, as interleaved real numbers (n, columns).

    phases: the nuisance columns of its pump phase errors' sines and cosines.
    """

    isolator: int
    source: FloatArray
    nuisance: FloatArray
    phases: slice


class LinearCampaign:
    """A digest's likelihood to first order in the source.

    Parameters
    ----------
    likelihood : RatioLikelihood
        Its families give the noise; its reference point should be without a source.
    reference : ndarray (Dn,), optional
        Whitened nuisances (those of `unknowns`) at which derivatives are taken; prior means by default.
    positions_m : ndarray (K, 3), optional
        See `position_nodes`.

    Attributes
    ----------
    unknowns : Unknowns
        Nuisances of the hypothesis without a source, pump phase errors left out (each has two columns, for sine and cosine).
    information : ndarray (3K, 3K)
        M for the source vector in units of the stated size; K triples, one per position.
    positions_m : ndarray (K, 3)
    columns : list of ndarray (3 + D, K', 2, F) of complex
        Per family, derivatives with respect to the source at the first position and to the nuisances.
    precision : ndarray (D, D)
        Prior precision of the nuisances.
    """

    def __init__(
        self,
        likelihood: RatioLikelihood,
        reference: FloatArray | None = None,
        positions_m: FloatArray | None = None,
    ) -> None:
        self.likelihood = likelihood
        self.study = likelihood.study
        self.measured = sorted({f.isolator for f in likelihood.families})
        self.unknowns = Unknowns(
            self.study, likelihood.cooldowns, self.measured, with_source=False, leave_out=integrated_arrays(self.study)
        )
        self.positions_m = position_nodes(self.study) if positions_m is None else positions_m
        self._reference: FloatArray = np.zeros(self.unknowns.size) if reference is None else np.asarray(reference)
        self._phases: dict[int, PumpPhases] = {}
        for i in self.measured if integrated_arrays(self.study) else []:
            found = PumpPhases.of(self.study, i, likelihood.pump_ports(i))
            if found is not None:
                self._phases[i] = found
        self._build()

    # ------------------------------------------------------------ derivatives

    def _build(self) -> None:
        families = self.likelihood.families
        source = self._source_columns()
        nuisance = self._nuisance_columns()
        middle = self._predicted(self._reference[None])
        size = self.unknowns.size
        places: dict[int, slice] = {}
        self._columns = size
        for i, phases in self._phases.items():
            places[i] = slice(self._columns, self._columns + phases.size - 1)
            self._columns = places[i].stop
        self.precision = np.eye(self._columns)
        self._centre = np.zeros(self._columns)  # the mean of cos e - 1 is not zero
        for i, at in places.items():
            self._centre[at], self.precision[at, at] = self._phases[i].basis_prior()
        k = 3 * len(self.positions_m)
        g_ss, g_sn = np.zeros((k, k)), np.zeros((k, self._columns))
        g_nn = self.precision.copy()
        self.columns: list[ComplexArray] = []
        every: list[ComplexArray] = []
        for n, (family, stack) in enumerate(zip(families, middle, strict=True)):
            columns = np.zeros((self._columns, *family.ratio.shape), dtype=np.complex128)
            columns[:size] = nuisance[n]
            own = places.get(family.isolator, slice(0, 0))
            columns[own] = self._split(family, stack)[0, 1:]
            self.columns.append(np.concatenate([source[n][:3], columns]))
            every.append(np.concatenate([source[n], columns]))
        self._parts = []
        for family, both, weighed in zip(families, every, self.likelihood.inverse(every), strict=True):
            flat_s, flat_n = reals(both[:k]), reals(both[k:])
            weighed_s, weighed_n = weighed[:k].T, weighed[k:].T
            g_ss += flat_s @ weighed_s
            g_sn += flat_s @ weighed_n
            g_nn += flat_n @ weighed_n
            self._parts.append(
                _Part(
                    family.isolator,
                    np.ascontiguousarray(weighed_s),
                    np.ascontiguousarray(weighed_n),
                    places.get(family.isolator, slice(0, 0)),
                )
            )
        self._inverse_nn = np.linalg.inv(g_nn)
        self._cross = g_sn.T
        matrix = g_ss - g_sn @ self._inverse_nn @ g_sn.T
        self.information = np.asarray(0.5 * (matrix + matrix.T))

    def _at(self, x: FloatArray) -> ChipParameters:
        return self.unknowns.parameters(x)

    def _predicted(self, x: FloatArray) -> list[ComplexArray]:
        """Per family (B, 3, K, 2, F): the ratios and their change with the pump phase; of magnitudes (B, 1, K, 2, F)."""
        if self.likelihood.magnitude:
            return [r[:, None] for r in self.likelihood.predict(self._at(x))]
        return [stack for _, stack in self.likelihood.predict_with_phase(self._at(x), self.measured)]

    def _split(self, family: Family, stack: ComplexArray) -> ComplexArray:
        """Of such a stack (B, n, K, 2, F): the ratios, and their change with every sine and cosine of a pump phase error."""
        phases = self._phases.get(family.isolator)
        return stack[:, :1] if phases is None else phases.split(stack, family)

    def _source_columns(self) -> list[ComplexArray]:
        """Derivatives with respect to the source vector in stated sizes, for all positions: per family (3K, K', 2, F)."""
        size = self.study.source.size
        axes = np.concatenate([np.eye(3), -np.eye(3)]) * STEP * size
        count = len(self.positions_m)
        base = self._at(np.repeat(self._reference[None], 6 * count, axis=0))
        batch = base.changed(source=np.tile(axes, (count, 1)), position_m=np.repeat(self.positions_m, 6, axis=0))
        out: list[list[ComplexArray]] = []
        step = max(6, 6 * (self.likelihood.batch_step() // 6))
        for start in range(0, 6 * count, step):
            ratios = self.likelihood.predict(batch.rows(slice(start, min(start + step, 6 * count))))
            block = []
            for r in ratios:
                pairs = r.reshape(-1, 2, 3, *r.shape[1:])
                block.append(((pairs[:, 0] - pairs[:, 1]) / (2 * STEP)).reshape(-1, *r.shape[1:]))
            out.append(block)
        return [np.concatenate([b[n] for b in out]) for n in range(len(out[0]))]

    def _nuisance_columns(self) -> list[ComplexArray]:
        size = self.unknowns.size
        if size == 0:
            return [np.zeros((0, *f.ratio.shape), dtype=np.complex128) for f in self.likelihood.families]
        steps = STEP * np.eye(size)
        ratios = self.likelihood.predict(self._at(np.concatenate([self._reference + steps, self._reference - steps])))
        return [(r[:size] - r[size:]) / (2 * STEP) for r in ratios]

    @property
    def reference(self) -> FloatArray:
        """Whitened nuisances (Dn,) at which the derivatives were taken."""
        return self._reference

    # ------------------------------------------------------------ scores

    def fit(self, data: Sequence[ComplexArray], rounds: int = FIT_ROUNDS) -> tuple[FloatArray, FloatArray]:
        """Fit campaigns without a source and return the score of the source.

        Parameters
        ----------
        data : sequence of ndarray (B, K, 2, F) of complex
            Ratios per family of B campaigns that share the noise.
        rounds : int
            Gauss-Newton rounds with the derivatives held at the reference; each evaluates the chip model anew.

        Returns
        -------
        score : ndarray (B, 3K)
        nuisances : ndarray (B, Dn)
            Whitened nuisances fitted (phase errors not among them).
        """
        batch = data[0].shape[0]
        score = np.empty((batch, self.information.shape[0]))
        fitted = np.empty((batch, self.unknowns.size))
        step = max(1, self.likelihood.batch_step())
        for start in range(0, batch, step):
            rows = slice(start, min(start + step, batch))
            score[rows], fitted[rows] = self._fit_block([d[rows] for d in data], rounds)
        return score, fitted

    def _fit_block(self, data: list[ComplexArray], rounds: int) -> tuple[FloatArray, FloatArray]:
        batch, size = data[0].shape[0], self.unknowns.size
        x = np.tile(self._reference, (batch, 1))
        amplitude = np.tile(self._centre, (batch, 1))  # only the phases' entries are used
        score_s = np.zeros((batch, self.information.shape[0]))
        score_n = np.zeros((batch, self._columns))
        for turn in range(rounds + 1):
            predicted = self._predicted(x)
            score_n = np.zeros((batch, self._columns))
            for part, family, y, stack in zip(self._parts, self.likelihood.families, data, predicted, strict=True):
                vectors = self._split(family, stack)
                residual = y - vectors[:, 0] - np.einsum("bn,bnkpf->bkpf", amplitude[:, part.phases], vectors[:, 1:])
                flat = np.ascontiguousarray(residual).reshape(batch, -1).view(np.float64)
                score_n += flat @ part.nuisance
                if turn == rounds:
                    score_s += flat @ part.source
            state = amplitude.copy()
            state[:, :size] = x
            score_n -= (state - self._centre) @ self.precision
            if turn < rounds:
                move = score_n @ self._inverse_nn
                x = x + move[:, :size]
                amplitude[:, size:] += move[:, size:]
        # what is left of the nuisances' score is projected out
        return score_s - score_n @ self._inverse_nn @ self._cross, x

    def simulate(
        self,
        rng: np.random.Generator,
        count: int,
        source: FloatArray | None = None,
        *,
        block: int = 256,
        nuisances: FloatArray | None = None,
        rounds: int = FIT_ROUNDS,
    ) -> FloatArray:
        """Scores (count, 3K) of simulated campaigns, fitted without a source.

        Nuisances, pump phase errors and the position are drawn from their priors, ratios follow from the full chip model,
        and noise is drawn from the covariance that the likelihood uses.  The score is taken with the derivatives at this
        campaign's reference; for nuisances far from it that is a worse statistic than the one of measured data, whose
        derivatives are taken at the fitted nuisances: see `drawn_campaigns`.

        Parameters
        ----------
        rng : Generator
        count : int
        source : ndarray (3,) or (count, 3), optional
            Source vectors in T or A m^2; none by default.
        block : int
            Campaigns held at once.
        nuisances : ndarray (Dn,), optional
            Whitened nuisances (those of `unknowns`) that all campaigns share, instead of draws.
        rounds : int
            See `fit`.
        """
        wide = Unknowns(self.study, self.likelihood.cooldowns, self.measured)
        vectors = np.zeros((count, 3)) if source is None else np.broadcast_to(source, (count, 3))
        out = np.empty((count, self.information.shape[0]))
        step = max(1, self.likelihood.batch_step())
        for start in range(0, count, block):
            rows = slice(start, min(start + block, count))
            number = rows.stop - rows.start
            z = wide.draw(rng, number)
            if nuisances is not None:
                given = {n.name: float(nuisances[c]) for c, n in enumerate(self.unknowns.nuisances)}
                for column, n in enumerate(wide.nuisances, wide.lead):
                    z[:, column] = given.get(n.name, z[:, column])
            parameters = wide.parameters(z).changed(source=np.array(vectors[rows]))
            ratios = [self.likelihood.predict(parameters.rows(slice(s, s + step))) for s in range(0, number, step)]
            noise = self.likelihood.draw_noise(rng, number)
            data = [np.concatenate([r[n] for r in ratios]) + own for n, own in enumerate(noise)]
            out[rows], _ = self.fit(data, rounds)
        return out

    def measured_score(self) -> tuple[FloatArray, FloatArray]:
        """Score (3K,) of the digest's own data, and the nuisances fitted without a source (Dn,)."""
        score, x = self.fit([f.ratio[None] for f in self.likelihood.families])
        return score[0], x[0]

    # ------------------------------------------------------------ statistics

    def block(self, position: int = 0) -> FloatArray:
        """Information (3, 3) on the source vector in stated sizes at one position."""
        k = 3 * position
        return np.asarray(self.information[k : k + 3, k : k + 3])

    def statistic(self, score: FloatArray) -> FloatArray:
        """Rao's statistic, the largest over all positions, of scores (..., 3K)."""
        return score_statistic(self.information, score)

    def log_bayes_factor(self, score: FloatArray, size: float | None = None) -> FloatArray:
        """Log Bayes factor of scores (..., 3K) to first order in the source; see `linear_log_bayes_factor`.

        size is the root mean square size of the prior in T or A m^2, the study's by default.
        """
        relative = 1.0 if size is None else size / self.study.source.size
        return linear_log_bayes_factor(self.information, score, relative**2 / 3)


def _pseudo_inverse(matrix: FloatArray) -> tuple[FloatArray, int]:
    """Inverse of a positive semidefinite matrix on its range, and its rank."""
    values, vectors = np.linalg.eigh(matrix)
    good = values > RANK_TOLERANCE * max(float(values[-1]), 1e-300)
    return np.asarray((vectors[:, good] / values[good]) @ vectors[:, good].T), int(good.sum())


def score_statistic(information: FloatArray, score: FloatArray) -> FloatArray:
    """max over positions of u^T M^-1 u, for information (3K, 3K) and scores (..., 3K)."""
    out = np.zeros(score.shape[:-1])
    for k in range(0, information.shape[0], 3):
        inverse, _ = _pseudo_inverse(information[k : k + 3, k : k + 3])
        u = score[..., k : k + 3]
        out = np.maximum(out, np.einsum("...i,ij,...j->...", u, inverse, u))
    return np.asarray(out)


def linear_log_bayes_factor(information: FloatArray, score: FloatArray, prior_variance: float = 1 / 3) -> FloatArray:
    """Log Bayes factor of a source with independent normal components against none, averaged over the positions.

    For one position log B = u^T (M + P)^-1 u / 2 - log det(1 + M/P) / 2, P the prior precision (normal integrals; the
    prior of kind 'scale' is normal with variance 1/3 per component in stated sizes).
    """
    parts = []
    for k in range(0, information.shape[0], 3):
        m = information[k : k + 3, k : k + 3]
        inverse = np.linalg.inv(m + np.eye(3) / prior_variance)
        _, log_det = np.linalg.slogdet(np.eye(3) + prior_variance * m)
        u = score[..., k : k + 3]
        parts.append(0.5 * np.einsum("...i,ij,...j->...", u, inverse, u) - 0.5 * log_det)
    stacked = np.array(parts)
    top = stacked.max(axis=0)
    return np.asarray(top + np.log(np.mean(np.exp(stacked - top), axis=0)))


def scaled_digest(digest: Digest, factor: float) -> Digest:
    """The digest as if every group had been swept `factor` times as often (at least once), with the same means."""
    return Digest({k: replace(g, count=max(1, round(g.count * factor))) for k, g in digest.items()})


def linear_campaign(
    study: Study,
    digest: Digest,
    likelihood: RatioLikelihood,
    *,
    repeats_factor: float = 1.0,
    flux_noise: str = "white",
    at: FloatArray | None = None,
    positions_m: FloatArray | None = None,
) -> LinearCampaign:
    """The linear campaign of a digest, for as many repeats as it has or others.

    Parameters
    ----------
    study : Study
    digest : Digest
    likelihood : RatioLikelihood
        Gives wiring, noise and residual gain.
    repeats_factor : float
        Repeats of every group relative to those taken.
    flux_noise : str
        'white': as the study states it, independent from sweep to sweep; 'none'; 'slow': the same standard deviation, but
        common to all sweeps of a group, so that repeats do not average it.
    at : ndarray (Dn,), optional
        Whitened nuisances at which derivatives are taken; by default those of the digest's fit without a source.
    positions_m : ndarray (K, 3), optional
    """
    used = digest if repeats_factor == 1.0 else scaled_digest(digest, repeats_factor)
    count = float(np.median([g.count for g in used.values()]))
    times = {"white": 1.0, "none": 0.0, "slow": np.sqrt(count)}[flux_noise]
    quiet = replace(study, noise=replace(study.noise, flux_phi0=float(times * study.noise.flux_phi0)))
    unknowns = Unknowns(
        study,
        likelihood.cooldowns,
        sorted({f.isolator for f in likelihood.families}),
        with_source=False,
        leave_out=integrated_arrays(study),
    )

    def built(x: FloatArray) -> RatioLikelihood:
        return RatioLikelihood(
            quiet,
            used,
            likelihood.port_signs,
            residual_gain=likelihood.residual_gain,
            sizes=likelihood.sizes,
            noise=likelihood.noise,
            reference=likelihood.complete(unknowns.parameters(x[None])),
            cooldowns=likelihood.cooldowns,
        )

    x = np.zeros(unknowns.size) if at is None else np.asarray(at)
    if at is None:
        _, x = LinearCampaign(built(x), positions_m=np.array([study.source.position_m])).measured_score()
    return LinearCampaign(built(x), x, positions_m)


class WeakSource(Protocol):
    """A campaign to first order in a weak source, whatever its data."""

    information: FloatArray
    positions_m: FloatArray

    def block(self, position: int = 0) -> FloatArray:
        """Information (3, 3) on the source vector in stated sizes at one position."""

    def simulate(
        self,
        rng: np.random.Generator,
        count: int,
        source: FloatArray | None = None,
        *,
        nuisances: FloatArray,
        rounds: int = FIT_ROUNDS,
    ) -> FloatArray:
        """Scores (count, 3K) of simulated campaigns, fitted without a source."""

    def measured_score(self) -> tuple[FloatArray, FloatArray]:
        """Score (3K,) of the data, and the nuisances fitted without a source (Dn,)."""

    def statistic(self, score: FloatArray) -> FloatArray:
        """Rao's statistic of scores (..., 3K)."""

    def log_bayes_factor(self, score: FloatArray) -> FloatArray:
        """Log Bayes factor of scores (..., 3K) to first order in the source."""


@dataclass(frozen=True)
class DrawnCampaign:
    """A campaign whose nuisances were drawn from their priors, analysed as a measured one.

    Attributes
    ----------
    nuisances : ndarray (Dn,)
        Whitened, the truth.
    campaign : WeakSource
        With derivatives at the nuisances that a fit to one simulated campaign without a source finds.  Behind the
        positions of the statistic it has others, drawn from the prior, at which a source may lie.
    places : int
        Positions of the statistic.
    """

    nuisances: FloatArray
    campaign: WeakSource
    places: int

    def statistics(self, rng: np.random.Generator, count: int, source: FloatArray | None = None) -> FloatArray:
        """Rao's statistic (count,) of campaigns with these nuisances, simulated by the full chip model."""
        # the reference is near: two rounds reach what four do
        scores = self.campaign.simulate(rng, count, source, nuisances=self.nuisances, rounds=2)
        k = 3 * self.places
        return score_statistic(self.campaign.information[:k, :k], scores[:, :k])


def with_drawn_places(study: Study, nodes_m: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Positions (K, 3) of the statistic and, where the place is not known, others behind them, drawn from its prior."""
    if len(nodes_m) == 1:
        return nodes_m
    mean, sd = np.array(study.source.position_m), np.array(study.source.position_sd_m)
    return np.concatenate([nodes_m, mean + sd * rng.standard_normal((DRAWN_POSITIONS, 3))])


def drawn_campaigns(
    study: Study, digest: Digest, campaign: LinearCampaign, rng: np.random.Generator, count: int = 4
) -> list[DrawnCampaign]:
    """Campaigns with nuisances drawn from their priors, over which predictions and simulations are averaged.

    The chip's sensitivity depends on its flux offsets and pump strengths, and the score of measured data is taken with
    derivatives at the fitted ones.  Derivatives at the prior means instead lose some of the source: by Cauchy and
    Schwarz the noncentrality of u = A_0^T C^-1 A v is at most that of u = A^T C^-1 A v.  Since the fit finds the nuisances
    to a small part of their priors, one fit per draw stands for all campaigns with these nuisances.

    Parameters
    ----------
    study : Study
    digest : Digest
    campaign : LinearCampaign
        At prior means.
    rng : Generator
    count : int
    """
    out = []
    for x in campaign.unknowns.draw(rng, count):
        wide = Unknowns(study, campaign.likelihood.cooldowns, campaign.measured)
        z = wide.draw(rng, 1)
        given = {n.name: float(x[c]) for c, n in enumerate(campaign.unknowns.nuisances)}
        for column, n in enumerate(wide.nuisances, wide.lead):
            z[0, column] = given.get(n.name, z[0, column])
        truth = wide.parameters(z).changed(source=np.zeros((1, 3)))
        predicted = campaign.likelihood.predict(truth)
        data = [r + own for r, own in zip(predicted, campaign.likelihood.draw_noise(rng, 1), strict=True)]
        _, fitted = campaign.fit(data)
        places = with_drawn_places(study, campaign.positions_m, rng)
        moved = linear_campaign(study, digest, campaign.likelihood, at=fitted[0], positions_m=places)
        out.append(DrawnCampaign(np.asarray(x), moved, len(campaign.positions_m)))
    return out


def simulated_statistics(
    drawn: Sequence[DrawnCampaign],
    count: int,
    size: float,
    rng: np.random.Generator,
    executor: Workers | None = None,
) -> FloatArray:
    """Rao's statistic (count,) of campaigns simulated by the full chip model, shared out over drawn nuisances.

    Parameters
    ----------
    drawn : sequence of DrawnCampaign
    count : int
    size : float
        Of the source, T or A m^2, in random directions; 0 for none.
    rng : Generator
        Its children are used.
    executor : concurrent.futures.Executor or fluxsense.base.executors.Processes, optional
        Every set of nuisances is one piece of work with random numbers of its own, so that the result is the same anywhere.
    """
    shares = [count // len(drawn) + (n < count % len(drawn)) for n in range(len(drawn))]
    items = [
        (n, share, child) for n, (share, child) in enumerate(zip(shares, rng.spawn(len(shares)), strict=True)) if share
    ]
    found = list(ordered_map(_statistics_of, items, (list(drawn), size), executor=executor, batch=1))
    return np.concatenate(found) if found else np.zeros(0)


def _statistics_of(shared: tuple[list[DrawnCampaign], float], item: tuple[int, int, np.random.Generator]) -> FloatArray:
    """One piece of `simulated_statistics`."""
    drawn, size = shared
    n, share, rng = item
    return drawn[n].statistics(rng, share, size * random_directions(rng, share) if size > 0 else None)


def information_by_repeats(campaign: LinearCampaign) -> Callable[[float, str], FloatArray]:
    """Information (3, 3) at the first position for other numbers of repeats and kinds of flux noise, at next to no cost.

    With W the white part of the covariance, D the directions of gain errors and flux noise and K their covariance, f times
    the repeats give C = W/f + D K(f) D^T, and by Woodbury's formula

        X^T C^-1 X = f X^T W^-1 X - f X^T W^-1 D (1 + f K D^T W^-1 D)^-1 K D^T W^-1 X f,

    so that the inner products are needed once.  In K drift and white flux noise fall with 1/f; the residual gain, and flux
    noise that is common to all sweeps of a group, do not.

    Parameters
    ----------
    campaign : LinearCampaign
        Of a likelihood with a reference point; its flux noise as the study states it.

    Returns
    -------
    callable
        Takes repeats relative to those taken and 'white', 'none' or 'slow' (see `linear_campaign`).
    """
    likelihood = campaign.likelihood
    digest, noise, residual = likelihood.digest, likelihood.noise, likelihood.residual_gain
    typical = float(np.median([g.count for g in digest.values()]))
    size = 3 + len(campaign.precision)
    parts: list[tuple[FloatArray, FloatArray, FloatArray, FloatArray]] = []
    for isolator in campaign.measured:
        grams, falls, stays, fluxes = [], [], [], []
        for family, columns in zip(likelihood.families, campaign.columns, strict=True):
            if family.isolator != isolator:
                continue
            gains = _gain_basis(family)
            flux = _flux_rows(family, likelihood)
            common = likelihood.common_directions(family)
            rows = np.concatenate([columns, common, gains, flux])
            grams.append((reals(rows) @ reals(family.weigh(rows)).T, len(common)))
            drift = noise.drift[family.keys[0].isolator]
            counts = [digest[k].count for k in (*family.keys, family.divisor)]
            falls.append(block_diag(*(drift / count for count in counts), np.zeros((len(flux), len(flux)))))
            stays.append(np.diag(np.r_[np.full(len(gains), residual**2), np.zeros(len(flux))]))
            fluxes.append(np.diag(np.r_[np.zeros(len(gains)), np.ones(len(flux))]))
        shared = grams[0][1]
        lead = size + shared
        own = [len(g) - lead for g, _ in grams]
        whole = np.zeros((lead + sum(own), lead + sum(own)))
        begin = lead
        for (g, _), n in zip(grams, own, strict=True):
            whole[:lead, :lead] += g[:lead, :lead]
            whole[:lead, begin : begin + n] = g[:lead, lead:]
            whole[begin : begin + n, :lead] = g[lead:, :lead]
            whole[begin : begin + n, begin : begin + n] = g[lead:, lead:]
            begin += n
        fixed = block_diag(np.eye(shared), *stays)  # what no repeat averages down
        none = np.zeros((shared, shared))
        parts.append((whole, block_diag(none, *falls), fixed, block_diag(none, *fluxes)))

    def information(factor: float, flux_noise: str = "white") -> FloatArray:
        per_flux = {"white": 1 / factor, "none": 0.0, "slow": typical}[flux_noise]
        total = np.zeros((size, size))
        for gram, falls, fixed, fluxes in parts:
            cov = falls / factor + fixed + per_flux * fluxes
            cross, inner = factor * gram[size:, :size], factor * gram[size:, size:]
            total += factor * gram[:size, :size] - cross.T @ np.linalg.solve(
                np.eye(len(cov)) + cov @ inner, cov @ cross
            )
        nuisance = total[3:, 3:] + campaign.precision
        out = total[:3, :3] - total[:3, 3:] @ np.linalg.solve(nuisance, total[3:, :3])
        return np.asarray(0.5 * (out + out.T))

    return information


def _gain_basis(family: Family) -> ComplexArray:
    """Unit directions (4 (K + 1), K, 2, F) of the gain errors of each group: re, im of S21, re, im of S12; pump-off last."""
    count = len(family.expected)
    out = np.zeros((4 * (count + 1), *family.expected.shape), dtype=np.complex128)
    for path in range(2):
        for part, unit in enumerate((1.0, 1j)):
            for n in range(count):
                out[4 * n + 2 * path + part, n, path] = unit * family.expected[n, path]
            out[4 * count + 2 * path + part, :, path] = -unit * family.expected[:, path]
    return out.real.astype(np.complex128) if family.real else out


def _flux_rows(family: Family, likelihood: RatioLikelihood) -> ComplexArray:
    """The family's directions of white flux noise, which follow those of the gain errors."""
    if likelihood.study.noise.flux_phi0 <= 0:
        return np.zeros((0, *family.expected.shape), dtype=np.complex128)
    # the amplitudes of gain errors come first, four per group, less those of size zero; the remainder's own part last
    drift, residual = likelihood.noise.drift[family.keys[0].isolator], likelihood.residual_gain
    digest = likelihood.digest
    gains = 0
    for key in (*family.keys, family.divisor):
        values = np.linalg.eigvalsh(drift / digest[key].count + residual**2 * np.eye(4))
        gains += int(np.sum(values > 0))
    return family.directions[gains : gains + 2 * (len(family.keys) + 1)]
