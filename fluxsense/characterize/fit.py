"""One isolator from its sweeps: start values from the data, bounded least squares from several starts, uncertainties.

Order: tracks of both resonances give flux per current, offsets, shares and shunt ratios; the pump-off sweeps are fitted
as a whole; the pump-on sweeps are tried with both wirings of the pump ports and a grid of idler linewidths and
couplings; at last everything is fitted together.  All that is tried is tried at some of the frequencies (`for_trials`); what is
found is fitted on at all of them.  White noise is taken from repeats (else from second differences of the
residuals along frequency), gain drift from the fitted gain errors, flux noise from sweep to sweep and the flux's walk from
the scores of every record's own fluxes.

The set-up's numbers are fitted along within their priors, the records' own fluxes are eliminated: covariances are the
inverse of the information that is left at the best fit, scaled by chi2 per degree of freedom where that is above one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.units import dbm_to_watt
from fluxsense.characterize.model import MIRRORED, Curvature, IsolatorModel, Misfit, noise_along
from fluxsense.characterize.records import Record, phasor, repeat_noise, thinned
from fluxsense.characterize.tracks import Shape, Track
from fluxsense.device.rings.shunted import KIND as SHUNTED
from fluxsense.model.parameter import FOCUSING, OFFSET
from fluxsense.model.priors import prior_sizes
from fluxsense.study import Study
from fluxsense.study.types import SweepRange

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

RIVAL_CHI2 = 100.0
"""Difference of chi2 at the pump-on biases up to which another splitting of the idlers gets a full fit of its own."""

TRIAL_POINTS: Final = 61
"""Frequencies of a sweep that trial fits keep at least."""
IN_A_LINEWIDTH: Final = 6.0
"""Frequencies in a linewidth that they keep at least."""
USUAL_PHASE_ERROR_RAD = float(np.radians(10.0))
WORTH: Final = 1e-2
"""Fall of chi2 below which a step is the last."""
NEAR: Final = 1.0
"""Fall of chi2 since slopes were made within which they are as good as new."""
AS_HOPED: Final = 0.6
"""Part of what a step should gain below which slopes are worked out anew."""
SHIFT_EXACT: Final = 5e-3
"""How far the factor on the pump's shift of the modes can be believed: independent solutions of the ring's equations agree to this."""
USUAL_FLUX_NOISE_PHI0: Final = 1e-3
"""Scale of the prior of flux noise from sweep to sweep."""
SIZES: Final = np.array([0.0, 0.03, 0.07, 0.12, 0.2, 0.3, 0.45, 0.65, 0.9, 1.3, 1.8, 2.5, 3.5])
"""Sizes of flux noise and walk that are tried, in scales of their priors."""


@dataclass(frozen=True)
class Noise:
    """What the sweeps scatter by.

    Attributes
    ----------
    white : ndarray (2,) or (2, 3)
        Of one raw sweep per quadrature, S21 and S12; with tilt and bend along the sweep (`model.noise_along`).
    drift : float
        Standard deviation per quadrature of a record's gain error.
    sweep_phi0, walk_phi0 : float
        Flux in each loop: standard deviation from record to record, and of a random walk from the first record to the last.
    """

    white: FloatArray
    drift: float = 0.02
    sweep_phi0: float = 0.0
    walk_phi0: float = 0.0

    def spread(self, records: Sequence[Record]) -> FloatArray | None:
        """Covariance (2 P, 2 P) of the fluxes of P records, record by record and loop by loop; None if there is none."""
        if self.sweep_phi0 == self.walk_phi0 == 0.0:
            return None
        times = np.array([r.row.time_s for r in records], dtype=np.float64)
        times = (times - times.min()) / max(float(np.ptp(times)), 1e-300)
        one = self.walk_phi0**2 * np.minimum.outer(times, times) + self.sweep_phi0**2 * np.eye(times.size)
        return np.asarray(np.kron(one, np.eye(2)))


@dataclass(frozen=True)
class Prior:
    """What is assumed of a parameter that the sweeps cannot tell: position, mean, standard deviation; of its difference from
    another's value if the position `less` is not negative."""

    index: int
    mean: float
    sd: float
    less: int = -1


ALIKE: Final = {
    "idler_frequency_hz": 5e6,
    "idler_linewidth_hz": 5e6,
    "idler_termination_hz": 5e6,
    "idler_participation": 2e-2,
}
"""By how much two idlers of one design are taken to differ (standard deviation) where a plain line joins them."""
LEAST_LOSS: Final = 0.01
"""Part of its linewidth that a signal mode's measured loss stands for at least: less cannot be told from echoes of the line, and a fit that
ends at no loss would else make the idler's loss known to a few kilohertz."""
USUAL_IDLER_WIDTH: Final = (1.4, 0.7)
"""Idler over signal linewidth, mean and standard deviation, where a plain line joins the idlers."""


def priors_of(
    model: IsolatorModel, signal_internal_hz: Sequence[float], signal_linewidth_hz: Sequence[float]
) -> tuple[Prior, ...]:
    """Assumptions on idlers and pump phase.

    With the pump on, the idlers act on the signal modes through a 2 x 2 matrix with six real numbers, to which eight
    parameters (two linewidths, two losses, two frequencies, link amplitude and phase) contribute; two combinations are
    free.  A loss is small beside its linewidth, so an assumption on it settles both: what the study states (with a
    standard deviation of the same size, or the stated one), else the signal mode's measured loss scaled to the idler's
    frequency (the same quality factor; `LEAST_LOSS` of the linewidth at least), give or take itself.  Between idlers joined by a plain line, which have
    terminations, the loss only adds to the termination and the link passes everything: those are held.  A line without length
    or loss makes one mode of both idlers (their amplitudes times the root of their linewidths are equal), so that only means of
    their frequencies, terminations and participation ratios act, and their linewidths only by their ratio: the two idlers are
    taken to be alike, and their linewidths to be of the order of the signals'.

    The pump phase error acts on transmission by its cosine unless the pump phase was swept, so it is assumed to be
    what the study states, else within ten degrees.
    """
    out = []
    iso = model.study.isolators[model.isolator]
    for n, p in enumerate(model.parameters):
        stage = iso.stages[p.stage]
        if p.kind == "idler_internal_hz":
            stated = stage.idler_internal_hz
            if stated > 0:
                sd = dict(stage.uncertain).get("idler_internal_hz", stated)
                out.append(Prior(n, stated, sd))
            else:
                ratio = max(1.0, best_ratio(model))
                least = LEAST_LOSS * float(signal_linewidth_hz[p.stage])
                mean = max(float(signal_internal_hz[p.stage]), least) * ratio
                out.append(Prior(n, mean, mean))
        elif p.kind == "pump_phase_error_rad":
            out.append(Prior(n, 0.0, iso.pump_phase_error_sd_rad or USUAL_PHASE_ERROR_RAD))
        elif iso.joined_by_line and p.kind == "link_amplitude":
            out.append(Prior(n, iso.link_amplitude, 1e-3))
        elif iso.joined_by_line and p.kind == "link_phase_rad":
            out.append(Prior(n, iso.link_phase_rad, 0.1))
        elif iso.joined_by_line and p.kind in ALIKE and p.stage == 1:
            out.append(Prior(n, 0.0, ALIKE[p.kind], model.index(p.kind, 0)))
        elif iso.joined_by_line and p.kind == "idler_linewidth_hz":
            mean, sd = (float(x * signal_linewidth_hz[0]) for x in USUAL_IDLER_WIDTH)
            out.append(Prior(n, mean, sd))
    return tuple(out)


def best_ratio(model: IsolatorModel) -> float:
    """Idler over signal frequency, from pump frequencies and the window's middle."""
    pumps = [r.row.pump_frequency_hz for r in model.records if r.row.pump_on]
    middle = float(np.mean([np.mean(r.frequency_hz) for r in model.records]))
    return 1.0 + float(np.median(pumps)) / middle if pumps else 1.0


@dataclass(frozen=True)
class Solution:
    """A fit: the whole vector, chi2 with assumptions and with the records' own fluxes eliminated, and what is left."""

    vector: FloatArray
    chi2: float
    misfit: Misfit


@dataclass(frozen=True, eq=False)
class Jump:
    """Where the flux is most likely to have jumped: the first record after it, its size per loop (2,) in Phi0 to first order,
    and by how much chi2 would fall."""

    record: int
    size_phi0: FloatArray
    chi2: float


@dataclass(frozen=True, eq=False)
class Sampled:
    """What sampling says of D parameters.

    Attributes
    ----------
    mean, sd, low_90, high_90 : ndarray (D,)
        Mean, standard deviation, 5% and 95% quantile.
    covariance : ndarray (D, D)
    ess : float
        Effective number of draws (bulk) of the parameter with fewest.
    acceptance : float
    r_hat : float
        Largest rank-normalised R-hat between the ensembles.
    settled : bool
        Whether enough draws were made and the ensembles agree.
    """

    mean: FloatArray
    sd: FloatArray
    low_90: FloatArray
    high_90: FloatArray
    covariance: FloatArray
    ess: float
    acceptance: float
    r_hat: float
    settled: bool


@dataclass(frozen=True)
class IsolatorFit:
    """What the sweeps of one isolator say.

    Attributes
    ----------
    model : IsolatorModel
    vector : ndarray (D,)
        In the order of `model.parameters`.
    sd : ndarray (D,)
    covariance : ndarray (D, D)
    chi2_per_dof : float
    noise : ndarray (2,) or (2, 3)
        White noise of one raw sweep per quadrature, S21 and S12; with tilt and bend along the sweep.
    drift : float
        Standard deviation per quadrature of the gain error of a record.
    misfit : Misfit
    shapes : pair of Shape
        What the tracks said.
    tracks : pair of Track
    pumped : bool
    wiring_odds : float
        Half the difference of chi2 between the two wirings of the pump ports (0 without pump-on sweeps).
    at_bound : tuple of str
        Labels of parameters that ended on a bound.
    priors : tuple of Prior
    curvature_sd : ndarray (D,), optional
        Standard deviations from the curvature, where `sd` and `covariance` come from sampling.
    sampled : Sampled, optional
        What sampling said.
    flux_noise_phi0, flux_walk_phi0 : float
        Flux noise from sweep to sweep and walk of the flux over the sweeps, per loop, as the residuals show them.
    jump : Jump, optional
    rival_odds : float
        Half the difference of chi2 to the best fit with other idler frequencies; infinite if none came near.
    """

    model: IsolatorModel
    vector: FloatArray
    sd: FloatArray
    covariance: FloatArray
    chi2_per_dof: float
    noise: FloatArray
    drift: float
    misfit: Misfit
    shapes: tuple[Shape, Shape]
    tracks: tuple[Track, Track]
    pumped: bool
    wiring_odds: float
    at_bound: tuple[str, ...]
    priors: tuple[Prior, ...] = ()
    curvature_sd: FloatArray | None = None
    sampled: Sampled | None = None
    flux_noise_phi0: float = 0.0
    flux_walk_phi0: float = 0.0
    rival_odds: float = float("inf")
    jump: Jump | None = None

    def value(self, kind: str, stage: int = 0, item: int = 0) -> float:
        """One fitted value."""
        return float(self.vector[self.model.index(kind, stage, item)])

    def error(self, kind: str, stage: int = 0, item: int = 0) -> float:
        """One standard deviation."""
        return float(self.sd[self.model.index(kind, stage, item)])

    @property
    def listed(self) -> list[int]:
        """Positions of the parameters that a study can state."""
        return [n for n, p in enumerate(self.model.parameters) if p.listed]

    @property
    def white(self) -> FloatArray:
        """White noise (2,) of one raw sweep per quadrature, S21 and S12, at its level along the sweep."""
        return np.asarray(self.noise if self.noise.ndim == 1 else self.noise[:, 0])

    @property
    def levels(self) -> Noise:
        """Everything that the sweeps scatter by."""
        return Noise(self.noise, self.drift, self.flux_noise_phi0, self.flux_walk_phi0)

    def correlation(self) -> FloatArray:
        """Correlation matrix."""
        sd = np.sqrt(np.diag(self.covariance))
        return np.asarray(self.covariance / np.outer(sd, sd))


QUANTILE_90 = 1.6448536269514722
_DRAWS = 20_000


def interval_90(fit: IsolatorFit, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """5% and 95% quantiles (D,) of every parameter.

    Those of sampling where there was some, else of the normal distribution of the fit within the parameters' bounds: a loss
    is not negative, and what it may be settles the linewidth beside it.  Quantiles come from draws where a bound lies
    within four standard deviations, else from the standard deviations.

    Parameters
    ----------
    fit : IsolatorFit
    rng : Generator
        Used only where a bound is near.
    """
    if fit.sampled is not None:
        return fit.sampled.low_90, fit.sampled.high_90
    low, high = fit.vector - QUANTILE_90 * fit.sd, fit.vector + QUANTILE_90 * fit.sd
    bounds = np.array([p.bounds for p in fit.model.parameters])
    near = (fit.vector - 4 * fit.sd < bounds[:, 0]) | (fit.vector + 4 * fit.sd > bounds[:, 1])
    if not np.any(near):
        return low, high
    at = np.array(fit.listed)
    near, edges = near[at], bounds[at]
    values, vectors = np.linalg.eigh(fit.correlation()[np.ix_(at, at)])
    root = fit.sd[at, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    kept = np.empty((0, at.size))
    for _ in range(20):
        x = fit.vector[at] + rng.standard_normal((_DRAWS, at.size)) @ root.T
        inside = np.all((x[:, near] >= edges[near, 0]) & (x[:, near] <= edges[near, 1]), axis=1)
        kept = np.concatenate([kept, x[inside]])
        if len(kept) >= _DRAWS // 2:
            break
    if len(kept) < 1000:  # most of the distribution lies beyond the bounds, which the verdict says
        return np.clip(low, bounds[:, 0], bounds[:, 1]), np.clip(high, bounds[:, 0], bounds[:, 1])
    low[at], high[at] = np.quantile(kept, [0.05, 0.95], axis=0)
    return low, high


SHAPE_BINS: Final = 8
"""Levels along the sweep to which tilt and bend of the white noise are fitted."""
SHAPE_VALUES: Final = 200
"""Values at least for each of them."""
STEEPEST: Final = 3.0
"""Logarithm by which white noise may rise from the middle of the sweep to its end."""


def first_noise(records: Sequence[Record]) -> FloatArray:
    """White noise per quadrature of one sweep, from third differences along frequency: a start, features add to it.

    The mean phase of all records on a grid is taken off first, and with it the turning of the line's delay.
    """
    parts = []
    sums: dict[bytes, ComplexArray] = {}
    for r in records:
        key = r.frequency_hz.tobytes()
        sums[key] = sums.get(key, np.zeros_like(r.mean)) + r.mean
    for r in records:
        still = r.mean * np.conj(phasor(sums[r.frequency_hz.tobytes()]))
        bend = np.abs(np.diff(still, 3, axis=-1)) ** 2 * r.count
        parts.append(np.median(bend, axis=-1) / np.log(2) / 40.0)
    return np.asarray(np.sqrt(np.median(parts, axis=0)))


def residual_noise(misfit: Misfit, noise: FloatArray) -> FloatArray:
    """White noise from second differences of the residuals, in which misfit that is smooth along frequency cancels.

    Smooth but for the phase of the line's gain, which a long cable turns by radians from point to point: it is taken off.

    Parameters
    ----------
    misfit : Misfit
    noise : ndarray (2,) or (2, 3)
        What its residuals are divided by.

    Returns
    -------
    ndarray (2,) or (2, 3)
        Three numbers a path where the residuals know their places along the sweep and are enough for `SHAPE_BINS` levels.
    """
    out = np.array(noise, dtype=np.float64).reshape(2, -1)
    if misfit.places and all(r.size > SHAPE_BINS * SHAPE_VALUES for r in misfit.residuals):
        out = np.hstack([out, np.zeros((2, 3 - out.shape[1]))])
    for p in (0, 1):
        pairs = zip(misfit.residuals[p::2], misfit.gains[p::2], strict=True)
        bends = np.concatenate(
            [np.abs(np.diff(r * np.conj(phasor(gain)), 2, axis=-1)).ravel() ** 2 for r, gain in pairs]
        )
        # median of an exponential variable: ln 2 times its mean, which is 12 s^2 for second differences
        size = sum(r.size for r in misfit.residuals[p::2])
        fitted = sum(g.size for g in misfit.gains[p::2]) + sum(e.size for e in misfit.errors[p::2])
        lost = size / max(1, size - fitted)
        square = lost / np.log(2) / 12.0  # a median bend times this is the variance
        if out.shape[1] == 1:
            out[p] *= np.sqrt(square * np.median(bends))
            continue
        each = zip(misfit.places[p::2], misfit.residuals[p::2], strict=True)
        u = np.concatenate([np.tile(place[1:-1], len(r)) for place, r in each])
        parts = np.array_split(np.argsort(u, kind="stable"), SHAPE_BINS)
        at = np.array([np.mean(u[index]) for index in parts])
        log = 0.5 * np.log([square * np.median(bends[index]) for index in parts])
        shape = np.linalg.lstsq(np.stack([np.ones_like(at), at, at**2 - 1 / 3], axis=1), log, rcond=None)[0]
        out[p, 0] *= np.exp(shape[0])
        out[p, 1:] = np.clip(out[p, 1:] + shape[1:], -STEEPEST, STEEPEST)
    return out if out.shape[1] == 3 else out[:, 0]


def degrees_of_freedom(misfit: Misfit, parameters: int) -> float:
    """Real values less line gains and parameters; a record's gain error brings its own penalty and costs nothing."""
    values = sum(r.size for r in misfit.residuals) - sum(g.size for g in misfit.gains)
    return float(max(1, 2 * values - parameters))


def measured_drift(misfit: Misfit) -> float:
    """Standard deviation per quadrature of the records' gain errors, from 1e-4 to 0.3.

    One step of expectation and maximisation: the mean square of the fitted errors, which the present value has drawn
    towards zero, and the variance that each is left with (Dempster, Laird and Rubin, J. R. Stat. Soc. B 39, 1 (1977), cited
    from memory).  Without the second part the steps would run to zero.
    """
    # an error common to all records is one of the line's gain: it tells nothing of drift
    spread = [np.abs(e - e.mean()) ** 2 / 2 * (e.size / max(1, e.size - 1)) for e in misfit.errors]
    left = 1.0 / (np.concatenate(misfit.weights) + (0.0 if misfit.drift is None else 1.0 / misfit.drift**2))
    return float(np.clip(np.sqrt(np.mean(np.concatenate(spread) + left)), 1e-4, 0.3))


class Assumed:
    """Normal priors: the set-up's own, and what is assumed beside them, as rows of numbers that are standard normal."""

    def __init__(self, model: IsolatorModel, priors: Sequence[Prior]) -> None:
        own = [Prior(n, p.mean, p.sd) for n, p in enumerate(model.parameters) if p.assumed]
        every = [*own, *priors]
        self.rows = np.zeros((len(every), len(model.parameters)))
        for row, p in zip(self.rows, every, strict=True):
            row[p.index] = 1.0 / p.sd
            if p.less >= 0:
                row[p.less] = -1.0 / p.sd
        self.mean = np.array([p.mean / p.sd for p in every])
        self.information = self.rows.T @ self.rows

    def penalty(self, vector: FloatArray) -> float:
        """Their sum of squares at a vector (D,)."""
        return float(np.sum((self.rows @ vector - self.mean) ** 2))

    def gradient(self, vector: FloatArray) -> FloatArray:
        """Half its derivatives (D,)."""
        return np.asarray(self.rows.T @ (self.rows @ vector - self.mean))


def with_fluxes_eliminated(
    found: Curvature, spread: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Information (n, n) and gradient (n,) of the parameters, and `Curvature.shrink`, for fluxes of covariance `spread`."""
    if spread is None:
        return found.information, found.gradient, None
    shrink = found.shrink(spread)
    carried = found.cross @ shrink
    return found.information - carried @ found.cross.T, found.gradient - carried @ found.scores, shrink


def solve(
    model: IsolatorModel,
    start: FloatArray,
    free: Sequence[int],
    noise: Noise,
    most: int = 30,
    priors: Sequence[Prior] = (),
) -> Solution:
    """Bounded least squares over some of the parameters, by Levenberg and Marquardt's damped steps.

    Parameters
    ----------
    model : IsolatorModel
    start : ndarray (D,)
    free : sequence of int
        Positions of the parameters that may move; the others keep the start's values.
    noise : Noise
    most : int
        Steps at most.
    priors : sequence of Prior
        Assumptions beside those that the model's parameters bring along.
    """
    return descend(model, start, free, noise, most, priors)[0]


def descend(
    model: IsolatorModel,
    start: FloatArray,
    free: Sequence[int],
    noise: Noise,
    most: int = 30,
    priors: Sequence[Prior] = (),
    found: Curvature | None = None,
) -> tuple[Solution, Curvature | None]:
    """As `solve`, from the curvature at the start if that is known; also the one where it ended, if it is as good as made there."""
    free = list(free)
    size = np.array([model.parameters[n].sd for n in free])
    low, high = np.array([model.parameters[n].bounds for n in free]).T
    assumed, spread = Assumed(model, priors), noise.spread(model.records)
    stated = assumed.information[np.ix_(free, free)]
    x = np.array(start, dtype=np.float64)
    x[free] = np.clip(x[free], low, high)
    misfit, value = model.misfit(x, noise.white, noise.drift), np.inf
    damping, fresh, began = 1e-3, False, np.inf
    for _ in range(most):
        fresh = found is None
        found = model.curvature(x, noise.white, misfit, free) if found is None else found.at(misfit)
        information, gradient, shrink = with_fluxes_eliminated(found, spread)

        def total(at: FloatArray, left: Misfit, found: Curvature = found, shrink: FloatArray | None = shrink) -> float:
            taken = 0.0
            if shrink is not None:
                scores = found.scores_of(left)
                taken = float(scores @ shrink @ scores)
            return left.chi2 + assumed.penalty(at) - taken

        information = (information + stated) * np.outer(size, size)
        gradient = (gradient + assumed.gradient(x)[free]) * size
        value = total(x, misfit)
        began = value if fresh or began == np.inf else began
        # a value on a bound stays there while it wants to go beyond
        inner = ~(((x[free] <= low) & (gradient > 0)) | ((x[free] >= high) & (gradient < 0)))
        fall, step, there, left = -np.inf, np.zeros(len(free)), x, misfit
        while damping < 1e10:
            matrix = information[np.ix_(inner, inner)]
            matrix = matrix + np.diag(damping * np.maximum(np.diag(matrix), 1e-12))
            step[inner] = np.linalg.lstsq(matrix, -gradient[inner], rcond=1e-14)[0]
            there = x.copy()
            there[free] = np.clip(x[free] + step * size, low, high)
            left = model.misfit(there, noise.white, noise.drift)
            fall = value - total(there, left)
            if fall >= 0 or not fresh:
                break
            damping *= 6
        if not fall >= 0:  # slopes from elsewhere led astray, or there is nothing to gain
            if fresh:
                break
            found = None
            continue
        x, misfit, value = there, left, value - fall
        hoped = -float(step @ (2.0 * gradient + information @ step))
        if fall < WORTH and damping < 0.1 and began - value < NEAR:
            break
        damping = max(damping / 8, 1e-9)
        if fall < WORTH or fall < AS_HOPED * hoped:  # as long as steps do what they should, slopes serve again
            found = None
    return Solution(x, value, misfit), found.at(misfit) if found is not None and began - value < NEAR else None


def off_start(
    model: IsolatorModel, tracks: Sequence[Track], shapes: Sequence[Shape], mains: Sequence[int]
) -> FloatArray:
    """Start vector of the pump-off parameters from the tracks; the rest as the study states it."""
    x = model.stated()
    for n, p in enumerate(model.parameters):
        shape, track = shapes[p.stage], tracks[p.stage]
        if p.kind == "signal_frequency_hz":
            x[n] = shape.zero_flux_hz
        elif p.kind == "signal_linewidth_hz":
            x[n] = track.linewidth_hz
        elif p.kind == "signal_internal_hz":
            x[n] = 0.01 * track.linewidth_hz
        elif p.kind == "signal_participation":
            x[n] = shape.share
        elif p.kind == "shunt_ratio":
            arms = model.study.isolators[model.isolator].stages[p.stage].arm_inductance_ratio
            x[n] = min(
                shape.shunt_ratio / (1.0 - arms) ** 2, p.bounds[1]
            )  # stray inductance makes a ratio look smaller
        elif p.array == OFFSET:
            x[n] = shape.offset_phi0
        elif p.kind == "mutual":
            x[n] = shape.mutual_phi0_per_a if p.item == mains[p.stage] else 0.0
        elif p.array == FOCUSING:
            x[n] = 1.0
    return x


def fit_off(model: IsolatorModel, start: FloatArray, noise: Noise) -> Solution:
    """Fit the pump-off parameters, from a few linewidths; the set-up is taken in when the chip's numbers are near."""
    every = range(len(model.parameters))
    free = [n for n in every if not model.parameters[n].assumed]
    widths = [n for n in free if model.parameters[n].kind == "signal_linewidth_hz"]
    tried = []
    for factor in (1.0, 0.7, 1.4):
        x = start.copy()
        x[widths] *= factor
        tried.append(solve(model, x, free, noise, most=6))
    best = min(tried, key=lambda one: one.chi2)
    return solve(model, best.vector, every, noise, most=40)


def best_pump(records: Sequence[Record]) -> dict[tuple[float, ...], tuple[float, float]]:
    """Per bias, the pump frequency and power of the record that is most directional."""
    found: dict[tuple[float, ...], tuple[float, float, float]] = {}
    for r in records:
        if not r.row.pump_on:
            continue
        size = directionality(r)[0]
        old = found.get(r.row.bias_a)
        if old is None or size > old[0]:
            found[r.row.bias_a] = (size, r.row.pump_frequency_hz, dbm_to_watt(r.row.pump_power_dbm))
    return {k: (v[1], v[2]) for k, v in found.items()}


def directionality(record: Record) -> tuple[float, float]:
    """Largest difference along frequency of ln |S21/S12| from its median, smoothed over three points: size and sign.

    The raw ratio holds the two lines' gains, whose level the median takes off.
    """
    ratio = np.log(np.abs(record.mean[0]) + 1e-30) - np.log(np.abs(record.mean[1]) + 1e-30)
    ratio = ratio - np.median(ratio)
    smooth = np.convolve(ratio, np.ones(3) / 3, mode="valid")
    n = int(np.argmax(np.abs(smooth)))
    return float(abs(smooth[n])), float(np.sign(smooth[n]))


def on_starts(model: IsolatorModel, off: FloatArray, records: Sequence[Record], power_w: float) -> list[FloatArray]:
    """Start vectors for the pump-on parameters on a grid of idler linewidths and couplings."""
    best = best_pump(records)
    # the bias with most pump frequencies tells the idler's frequency best
    counts: dict[tuple[float, ...], set[float]] = {}
    for r in records:
        if r.row.pump_on:
            counts.setdefault(r.row.bias_a, set()).add(r.row.pump_frequency_hz)
    bias = max(counts, key=lambda b: len(counts[b]))
    pump, strongest = best[bias]
    row = next(n for n, r in enumerate(records) if r.row.bias_a == bias and r.row.pump_on)
    flux = model.ring_flux_phi0(off)[row]
    starts = []
    ka = np.array([off[model.index("signal_linewidth_hz", k)] for k in (0, 1)])
    signal, idler = np.empty(2), np.empty(2)
    for k in (0, 1):
        alpha_at = model.index("shunt_ratio", k)
        numbers = {"shunt_ratio": np.array(off[alpha_at] if alpha_at >= 0 else 0.0)}  # 0 stands for no shunts
        share = float(off[model.index("signal_participation", k)])
        lowered = SHUNTED.mode_frequency_hz(0.5 * np.pi * flux[k], numbers, 1.0, share)
        signal[k] = lowered * off[model.index("signal_frequency_hz", k)]
        idler[k] = 1.0 / lowered  # factor from biased to zero flux
    biased = pump + signal.mean()
    for ratio in (0.7, 1.2, 2.0):
        for strength in (0.5, 1.0, 1.8):
            x = off.copy()
            for k in (0, 1):
                kb = ratio * float(ka.mean()) * 1.2
                x[model.index("idler_frequency_hz", k)] = biased * idler[k]
                x[model.index("idler_linewidth_hz", k)] = kb
                x[model.index("idler_internal_hz", k)] = 0.01 * kb
                x[model.index("idler_participation", k)] = off[model.index("signal_participation", k)]
                x[model.index("coupling_hz", k)] = 0.2 * strength * np.sqrt(ka[k] * kb) * np.sqrt(power_w / strongest)
                if (n := model.index("idler_termination_hz", k)) >= 0:
                    x[n] = kb
                    x[model.index("coupling_hz", k)] *= 2.4
            starts.append(x)
    return starts


def _of_pump(model: IsolatorModel) -> list[int]:
    """What pump-on sweeps are to tell, and the set-up but for the lines, which the ramps tell better."""
    return [n for n, p in enumerate(model.parameters) if p.needs_pump or (p.assumed and p.listed)]


def _other_idlers(model: IsolatorModel, best: Solution, noise: Noise, priors: Sequence[Prior]) -> list[Solution]:
    """Other splittings of the two idler frequencies about their mean, best first: the starts have none, each is a valley.

    Beside the best, those are returned that are hardly worse and lie elsewhere: the sweeps at the pump-on biases alone may
    not tell them apart, or only together with the ramps.
    """
    at = [model.index("idler_frequency_hz", k) for k in (0, 1)]
    shares = [(model.index("idler_participation", k), model.index("signal_participation", k)) for k in (0, 1)]
    free = _of_pump(model)
    centre = float(np.mean(best.vector[at]))
    own = float(best.vector[at[0]] - centre)
    width = float(np.mean([best.vector[model.index("signal_linewidth_hz", k)] for k in (0, 1)]))
    origin = best.vector
    found = [best]
    for half in (-own, 0.4 * width, -0.4 * width):
        x = origin.copy()
        x[at] = centre + half, centre - half
        for idler, signal in shares:
            x[idler] = x[signal]
        found.append(solve(model, x, free, noise, 15, priors))
    found.sort(key=lambda s: s.chi2)
    kept = found[:1]
    for one in found[1:]:
        apart = min(float(np.max(np.abs(one.vector[at] - other.vector[at]))) for other in kept)
        if one.chi2 - found[0].chi2 < RIVAL_CHI2 and apart > 0.05 * width:
            kept.append(one)
    return kept


IDLER_KINDS = ("idler_frequency_hz", "idler_linewidth_hz", "idler_internal_hz", "idler_participation", "coupling_hz")


def _exchanged(model: IsolatorModel, vector: FloatArray, kinds: Sequence[str]) -> FloatArray:
    """A vector (D,) in which some values of the two stages have changed places."""
    out = vector.copy()
    for kind in kinds:
        first, second = model.index(kind, 0), model.index(kind, 1)
        out[first], out[second] = vector[second], vector[first]
    return out


def _near(model: IsolatorModel, one: FloatArray, other: FloatArray) -> bool:
    """Whether two vectors lie in one valley: idlers of the same frequencies (within a twentieth of a linewidth) and shares."""
    width = 0.05 * float(np.mean([one[model.index("signal_linewidth_hz", k)] for k in (0, 1)]))
    return all(
        abs(one[n] - other[n]) < tolerance
        for kind, tolerance in (("idler_frequency_hz", width), ("idler_participation", 2e-3))
        for n in (model.index(kind, 0), model.index(kind, 1))
    )


def fit_isolator(
    study: Study,
    isolator: int,
    records: Sequence[Record],
    tracks: tuple[Track, Track],
    shapes: tuple[Shape, Shape],
    mains: tuple[int, int],
    lines: Sequence[int],
    power_w: float,
    progress: Callable[[str, float], None] | None = None,
) -> IsolatorFit:
    """Fit everything that the sweeps of an isolator tell.

    Parameters
    ----------
    study : Study
    isolator : int
    records : sequence of Record
    tracks, shapes : pairs
        From `fluxsense.characterize.tracks`, shapes of the kinds that were decided for.
    mains : (int, int)
        The lines meant for the two loops.
    lines : sequence of int
        Lines whose currents vary.
    power_w : float
        Reference power.
    progress : callable, optional
        Called with (words, share done).
    """
    say = progress or (lambda words, share: None)
    kinds = (shapes[0].kind, shapes[1].kind)
    areas = len({r.row.state for r in records}) > 1
    pumped = any(r.row.pump_on for r in records)
    measured = repeat_noise(records)
    study = replace(study, sweep=_sweep_of(study, records), line_left_out=FINE_LEFT_OUT)
    few = for_trials(records, tracks)

    def build(some: Sequence[Record], sign: int) -> IsolatorModel:
        return IsolatorModel(study, isolator, some, lines, kinds, sign, power_w, areas)

    say("fitting pump-off sweeps", 0.1)
    model = build([r for r in few if not r.row.pump_on], 1)
    noise = Noise(first_noise(records) if measured is None else measured)
    off = fit_off(model, off_start(model, tracks, shapes, mains), noise)
    noise = _refreshed(noise, off, measured)
    off = solve(model, off.vector, range(len(model.parameters)), noise)
    noise = _refreshed(noise, off, measured)
    if not pumped:
        whole = build(records, 1)
        off = solve(whole, off.vector, range(len(whole.parameters)), noise)
        return finish(whole, off, _refreshed(noise, off, measured), tracks, shapes, False, 0.0, ())

    say("trying both wirings of the pump", 0.4)
    biased = {r.row.bias_a for r in records if r.row.pump_on}  # the ramps say nothing of the pump
    signal = [
        [float(off.vector[model.index(kind, k)]) for k in (0, 1)]
        for kind in ("signal_internal_hz", "signal_linewidth_hz")
    ]

    def of_either(records: Sequence[Record]) -> list[tuple[IsolatorModel, Solution]]:
        """The best fit of either wiring to the sweeps at the pump-on biases, the better one first."""
        near = [r for r in records if r.row.bias_a in biased]
        out = []
        for one in (build(near, 1), build(near, -1)):
            starts = on_starts(one, _joined(one, (model, off.vector)), near, power_w)
            costs = [one.misfit(x, noise.white, noise.drift).chi2 for x in starts]
            tried = [
                solve(one, starts[int(n)], _of_pump(one), noise, 12, priors_of(one, *signal))
                for n in np.argsort(costs)[:2]
            ]
            out.append((one, min(tried, key=lambda s: s.chi2)))
        return sorted(out, key=lambda found: found[1].chi2)

    (some, first), (_, second) = of_either(few)
    if second.chi2 - first.chi2 < RIVAL_CHI2:  # too near each other to leave frequencies out
        (some, first), (_, second) = of_either(records)
    odds = 0.5 * (second.chi2 - first.chi2)
    sign = some.port_sign
    valleys = _other_idlers(some, first, noise, priors_of(some, *signal))

    say("fitting everything together", 0.6)
    trial = build(few, sign)
    priors, every = priors_of(trial, *signal), range(len(trial.parameters))
    starts = [_joined(trial, (some, v.vector), (model, off.vector)) for v in valleys]
    full = sorted((solve(trial, x, every, noise, 25, priors) for x in starts), key=lambda s: s.chi2)
    noise = _refreshed(noise, full[0], measured)
    fit = solve(trial, full[0].vector, every, noise, 25, priors)
    ends = [n for n in every if trial.parameters[n].array == "line_end"]
    if (
        ends
    ):  # pump-off sweeps alone may have led them into a valley of their own: again from none, and small ones first
        start = fit.vector.copy()
        start[ends] = 0.0
        for part in (0.25, 0.5):
            small = [Prior(n, 0.0, part * trial.parameters[n].sd) for n in ends]
            start = solve(trial, start, every, noise, 15, [*priors, *small]).vector
        fit = min(fit, solve(trial, start, every, noise, 25, priors), key=lambda s: s.chi2)
    rest = [*full[1:], *_exchanges(trial, some, fit, noise, priors, priors_of(some, *signal))]
    best = min(rest, key=lambda s: s.chi2, default=fit)
    if best.chi2 < fit.chi2:
        rest = [fit, *(s for s in rest if s is not best)]
        fit = best

    say("fitting all frequencies", 0.8)
    whole = build(records, sign)
    fit = solve(whole, fit.vector, every, noise, 25, priors)
    noise = _refreshed(noise, fit, measured)
    done = finish(whole, fit, noise, tracks, shapes, True, odds, priors)
    # on from where each stopped: from another valley 25 steps do not always arrive
    rivals = [solve(trial, s.vector, every, noise, 25, priors) for s in rest]
    where = [whole.index("idler_frequency_hz", k) for k in (0, 1)]
    elsewhere = [s for s in rivals if np.any(np.abs(s.vector - fit.vector)[where] > 5 * done.sd[where])]
    if elsewhere:
        rival = solve(whole, min(elsewhere, key=lambda s: s.chi2).vector, every, noise, 25, priors)
        fit = solve(whole, fit.vector, every, noise, 25, priors)
        if rival.chi2 < fit.chi2:
            done = finish(whole, rival, noise, tracks, shapes, True, odds, priors)
        done = replace(done, rival_odds=0.5 * abs(rival.chi2 - fit.chi2))
    return done


def for_trials(records: Sequence[Record], tracks: Sequence[Track]) -> tuple[Record, ...]:
    """The records at as many frequencies as trial fits need: several in the narrower linewidth, as the tracks show it."""
    return thinned(records, min(t.linewidth_hz for t in tracks) / IN_A_LINEWIDTH, TRIAL_POINTS)


def as_either(fit: IsolatorFit) -> IsolatorFit:
    """The fit with uncertainties that hold what is mirrored with either sign, where nothing tells which it is."""
    both = np.array([x if p.array in MIRRORED else 0.0 for p, x in zip(fit.model.parameters, fit.vector, strict=True)])
    covariance = fit.covariance + np.diag(both**2)
    return replace(fit, covariance=covariance, sd=np.sqrt(np.diag(covariance)))


FINE_LEFT_OUT: Final = 1e-6
"""Share of line ends and direct paths that their functions leave out on average.  One echo of a tenth may be left out of those of a
campaign by a thousandth; quiet sweeps over hundreds of megahertz see that, and take it for a difference of linewidths."""


def _sweep_of(study: Study, records: Sequence[Record]) -> SweepRange:
    """The span of all records and the commonest number of points: over it line ends and direct paths are smooth."""
    points = [r.frequency_hz.size for r in records]
    low, high = min(r.frequency_hz.min() for r in records), max(r.frequency_hz.max() for r in records)
    return replace(study.sweep, start_hz=float(low), stop_hz=float(high), points=max(set(points), key=points.count))


def _joined(model: IsolatorModel, *found: tuple[IsolatorModel, FloatArray]) -> FloatArray:
    """A start vector from what was fitted to parts of the records, the first that has a parameter first; else as stated."""
    start = model.stated()
    for origin, vector in reversed(found):
        for n, p in enumerate(model.parameters):
            at = origin.index(p.kind, p.stage, p.item)
            start[n] = vector[at] if at >= 0 else start[n]
    return start


def _refreshed(noise: Noise, fit: Solution, measured: FloatArray | None) -> Noise:
    """Drift, and white noise unless repeats have told it, from what a fit leaves."""
    white = residual_noise(fit.misfit, noise.white)
    if measured is not None and white.ndim == 1:
        white = measured
    elif measured is not None:
        u = np.linspace(-1.0, 1.0, 201)
        white[:, 0] *= [m / np.sqrt(np.mean(noise_along(w, u) ** 2)) for m, w in zip(measured, white, strict=True)]
    return replace(noise, white=white, drift=measured_drift(fit.misfit))


def _exchanges(
    whole: IsolatorModel,
    some: IsolatorModel,
    fit: Solution,
    noise: Noise,
    priors: Sequence[Prior],
    some_priors: Sequence[Prior],
) -> list[Solution]:
    """Fits from where idlers have changed places, in all that belongs to them or in one of it.

    The first search may have been far from any valley.  The sweeps at the pump-on biases show which exchanges are worth a
    whole fit.
    """
    onto = [whole.index(p.kind, p.stage, p.item) for p in some.parameters]
    free = _of_pump(some)
    here = solve(some, fit.vector[onto], free, noise, 12, some_priors)
    found = []
    exchanges: tuple[tuple[str, ...], ...] = (IDLER_KINDS, ("idler_participation",), ("idler_frequency_hz",))
    for exchanged in exchanges:
        valley = solve(some, _exchanged(some, fit.vector[onto], exchanged), free, noise, 15, some_priors)
        if valley.chi2 - here.chi2 > RIVAL_CHI2 or _near(some, valley.vector, here.vector):
            continue
        start = fit.vector.copy()
        start[onto] = valley.vector
        found.append(solve(whole, start, range(len(whole.parameters)), noise, 25, priors))
    return found


def enlarged_covariance(information: FloatArray, size: FloatArray, per: float) -> FloatArray:
    """Covariance (n, n) of a fit: the inverse information, larger by chi-square per degree of freedom where that is above one.

    Parameters
    ----------
    information : ndarray (n, n)
    size : ndarray (n,)
        Of the parameters, so that numbers of all magnitudes are inverted alike.
    per : float
        Chi-square over degrees of freedom.
    """
    both = np.outer(size, size)
    return np.asarray(inverse_information(information * both) * max(1.0, per) * both)


def finish(
    model: IsolatorModel,
    fit: Solution,
    noise: Noise,
    tracks: tuple[Track, Track],
    shapes: tuple[Shape, Shape],
    pumped: bool,
    odds: float,
    priors: Sequence[Prior],
) -> IsolatorFit:
    every = range(len(model.parameters))
    noise = replace(noise, drift=measured_drift(fit.misfit))
    misfit = model.misfit(fit.vector, noise.white, noise.drift)
    curvature = model.curvature(fit.vector, noise.white, misfit, every)
    scores = FluxScores.of(model, fit.vector, curvature, priors)
    sweep, walk = scores.sizes(prior_sizes(model.study, [model.isolator]).flux_walk_phi0)
    noise = replace(noise, sweep_phi0=sweep, walk_phi0=walk)
    jump = scores.most_likely_jump(noise)
    fit, last = descend(model, fit.vector, every, noise, 10, priors, curvature)
    size = np.array([p.sd for p in model.parameters])
    found = last or model.curvature(fit.vector, noise.white, fit.misfit, every)
    information, _, shrink = with_fluxes_eliminated(found, noise.spread(model.records))
    per = fit.chi2 / degrees_of_freedom(fit.misfit, sum(not p.assumed for p in model.parameters))
    misfit = fit.misfit
    if shrink is not None:  # with each record at its own most probable flux
        own = -(shrink @ found.scores).reshape(-1, 2)
        misfit = model.misfit(fit.vector, noise.white, noise.drift, own)
    matrix = enlarged_covariance(information + Assumed(model, priors).information, size, per)
    if (n := model.index("pump_shift_factor")) >= 0:
        matrix[n, n] += SHIFT_EXACT**2
    bound = []
    known = {p.index for p in priors}
    for n, (p, value) in enumerate(zip(model.parameters, fit.vector, strict=True)):
        near = 1e-3 * p.sd
        if not p.assumed and n not in known and (value - p.low < near or p.high - value < near):
            bound.append(p.name)
    return IsolatorFit(
        model, fit.vector, np.sqrt(np.diag(matrix)), matrix, per, noise.white, noise.drift, misfit, shapes, tracks, pumped, odds,
        tuple(bound), tuple(priors), flux_noise_phi0=sweep, flux_walk_phi0=walk, jump=jump,
    )  # fmt: skip


def inverse_information(information: FloatArray) -> FloatArray:
    """Its inverse; directions without information get a very large variance."""
    values, vectors = np.linalg.eigh(information)
    return np.asarray((vectors / np.maximum(values, 1e-10)) @ vectors.T)


@dataclass(frozen=True)
class FluxScores:
    """What a fit's residuals say of the records' own fluxes: as many standard normal numbers as they can tell.

    Fluxes x of covariance C add D x to the residual.  Their scores D^T r, with all parameters' own directions taken out, have
    the covariance M + M C M, M that of C = 0; with M = V diag(l) V^T, z = l^(-1/2) V^T D^T r has the covariance
    1 + l^(1/2) V^T C V l^(1/2).

    Attributes
    ----------
    model : IsolatorModel
    z : ndarray (R,)
    root : ndarray (R, 2 P)
        l^(1/2) V^T.
    """

    model: IsolatorModel
    z: FloatArray
    root: FloatArray

    @classmethod
    def of(cls, model: IsolatorModel, vector: FloatArray, found: Curvature, priors: Sequence[Prior]) -> FluxScores:
        """At a fit without such fluxes, or near it: its vector (D,) and the curvature there by all parameters."""
        assumed = Assumed(model, priors)
        size = np.array([p.sd for p in model.parameters])
        inverse = inverse_information((found.information + assumed.information) * np.outer(size, size))
        gain = (found.cross * size[:, None]).T @ inverse
        gradient = (found.gradient + assumed.gradient(vector)) * size
        scores = found.scores - gain @ gradient
        values, vectors = np.linalg.eigh(found.own - gain @ (found.cross * size[:, None]))
        told = values > 1e-9 * max(float(values[-1]), 1e-300)
        root = np.sqrt(values[told])[:, None] * vectors[:, told].T
        return cls(model, (vectors[:, told].T @ scores) / np.sqrt(values[told]), root)

    def _covariance(self, noise: Noise) -> FloatArray:
        spread = noise.spread(self.model.records)
        one = np.eye(len(self.z))
        return one if spread is None else np.asarray(one + self.root @ spread @ self.root.T)

    def sizes(self, walk_scale: float) -> tuple[float, float]:
        """Flux noise and walk, root mean squares under their posterior; half-normal priors, the walk's of a given scale."""
        sweeps, walks = USUAL_FLUX_NOISE_PHI0 * SIZES, walk_scale * (SIZES if walk_scale else SIZES[:1])
        each, slow = (
            self._covariance(Noise(np.ones(2), sweep_phi0=a, walk_phi0=b)) - np.eye(len(self.z))
            for a, b in ((1.0, 0.0), (0.0, 1.0))
        )
        log = np.empty((sweeps.size, walks.size))
        for column, walk in enumerate(walks):
            for row, sweep in enumerate(sweeps):
                matrix = np.eye(len(self.z)) + sweep**2 * each + walk**2 * slow
                factor = np.linalg.cholesky(matrix)
                u = np.linalg.solve(factor, self.z)
                log[row, column] = -0.5 * float(u @ u) - float(np.sum(np.log(np.diag(factor))))
        log -= 0.5 * SIZES[:, None] ** 2 + 0.5 * SIZES[: walks.size] ** 2
        weight = np.exp(log - log.max()) * np.gradient(SIZES)[:, None]
        weight = weight * (np.gradient(SIZES) if walks.size > 1 else 1.0)
        weight /= weight.sum()
        return float(np.sqrt(np.sum(weight * sweeps[:, None] ** 2))), float(np.sqrt(np.sum(weight * walks**2)))

    def most_likely_jump(self, noise: Noise) -> Jump:
        """The step of both fluxes, from some record on, that the scores ask for most: least squares under the noise."""
        factor = np.linalg.cholesky(self._covariance(noise))
        z, root = np.linalg.solve(factor, self.z), np.linalg.solve(factor, self.root)
        best = Jump(0, np.zeros(2), 0.0)
        # summed from the end: the step from record n on, one column a loop
        steps = np.cumsum(root.reshape(len(z), -1, 2)[:, ::-1], axis=1)[:, ::-1]
        for n in range(1, steps.shape[1]):
            size, _, rank, _ = np.linalg.lstsq(steps[:, n], z, rcond=1e-6)
            fall = float(z @ steps[:, n] @ size) if rank else 0.0
            if fall > best.chi2:
                best = Jump(n, np.asarray(-size), fall)
        return best


__all__ = ["IsolatorFit", "Noise", "Sampled", "Solution", "directionality", "fit_isolator"]
