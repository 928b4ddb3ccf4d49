"""One isolator from its sweeps: start values from the data, bounded least squares from several starts, uncertainties.

Order: tracks of both resonances give flux per current, offsets, shares and shunt ratios; the pump-off sweeps are fitted
as a whole; the pump-on sweeps are tried with both wirings of the pump ports and a grid of idler linewidths and
couplings; at last everything is fitted together.  White noise is taken from repeats (else from second differences of the
residuals along frequency), gain drift from the fitted gain errors.  Covariances are the inverse of J^T J at the best fit,
scaled by chi2 per degree of freedom where that is above one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from fluxsense.base.units import dbm_to_watt
from fluxsense.characterize.model import IsolatorModel, Misfit, Parameter
from fluxsense.characterize.records import Record, phasor, repeat_noise
from fluxsense.characterize.tracks import Shape, Track
from fluxsense.device.rings.shunted import KIND as SHUNTED
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

_SCALES = {
    "signal_frequency_hz": 1e6,
    "signal_linewidth_hz": 1e6,
    "signal_internal_hz": 2e5,
    "signal_participation": 3e-3,
    "idler_frequency_hz": 3e6,
    "idler_linewidth_hz": 3e6,
    "idler_internal_hz": 2e6,
    "idler_termination_hz": 3e6,
    "idler_participation": 3e-3,
    "coupling_hz": 3e5,
    "shunt_ratio": 0.1,
    "mutual": 1.0,
    "offset": 0.005,
    "area": 0.01,
    "pump_phase_error_rad": 0.02,
    "link_amplitude": 0.02,
    "link_phase_rad": 0.05,
}
"""Size of a step in each kind of parameter that matters."""

STEP = 1e-4
"""Step of the numerical derivatives, in those sizes."""


RIVAL_CHI2 = 100.0
"""Difference of chi2 at the pump-on biases up to which another splitting of the idlers gets a full fit of its own."""

USUAL_PHASE_ERROR_RAD = float(np.radians(10.0))


@dataclass(frozen=True)
class Prior:
    """What is assumed of a parameter that the sweeps cannot tell: position, mean, standard deviation."""

    index: int
    mean: float
    sd: float


def priors_of(model: IsolatorModel, signal_internal_hz: Sequence[float]) -> tuple[Prior, ...]:
    """Assumptions on the idlers' internal losses.

    With the pump on, the idlers act on the signal modes through a 2 x 2 matrix with six real numbers, to which eight
    parameters (two linewidths, two losses, two frequencies, link amplitude and phase) contribute; two combinations are
    free.  A loss is small beside its linewidth, so an assumption on it settles both: what the study states (with a
    standard deviation of the same size, or the stated one), else the signal mode's measured loss scaled to the idler's
    frequency (the same quality factor), give or take itself.  Between idlers joined by a plain line, which have
    terminations, the loss only adds to the termination and the link passes everything: those are held.

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
                mean = max(float(signal_internal_hz[p.stage]), 2e4) * ratio
                out.append(Prior(n, mean, mean))
        elif p.kind == "pump_phase_error_rad":
            out.append(Prior(n, 0.0, iso.pump_phase_error_sd_rad or USUAL_PHASE_ERROR_RAD))
        elif iso.link_kind == "line" and p.kind == "link_amplitude":
            out.append(Prior(n, iso.link_amplitude, 1e-3))
        elif iso.link_kind == "line" and p.kind == "link_phase_rad":
            out.append(Prior(n, iso.link_phase_rad, 0.1))
    return tuple(out)


def best_ratio(model: IsolatorModel) -> float:
    """Idler over signal frequency, from pump frequencies and the window's middle."""
    pumps = [r.row.pump_frequency_hz for r in model.records if r.row.pump_on]
    middle = float(np.mean([np.mean(r.frequency_hz) for r in model.records]))
    return 1.0 + float(np.median(pumps)) / middle if pumps else 1.0


@dataclass(frozen=True)
class Solution:
    """A fit: the whole vector, chi2, and what is left."""

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
    noise : ndarray (2,)
        White noise of one raw sweep per quadrature, S21 and S12.
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
    flux_noise_phi0 : float
        Flux noise from sweep to sweep, per loop, as the residuals show it; it is in the covariance.
    flux_covariance : ndarray (D, D), optional
        Its part of the covariance.
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
    flux_covariance: FloatArray | None = None
    rival_odds: float = float("inf")
    jump: Jump | None = None

    def value(self, kind: str, stage: int = 0, item: int = 0) -> float:
        """One fitted value."""
        return float(self.vector[self.model.index(kind, stage, item)])

    def error(self, kind: str, stage: int = 0, item: int = 0) -> float:
        """One standard deviation."""
        return float(self.sd[self.model.index(kind, stage, item)])

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
    values, vectors = np.linalg.eigh(fit.correlation())
    root = fit.sd[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    kept = np.empty((0, fit.vector.size))
    for _ in range(20):
        x = fit.vector + rng.standard_normal((_DRAWS, fit.vector.size)) @ root.T
        inside = np.all((x[:, near] >= bounds[near, 0]) & (x[:, near] <= bounds[near, 1]), axis=1)
        kept = np.concatenate([kept, x[inside]])
        if len(kept) >= _DRAWS // 2:
            break
    if len(kept) < 1000:  # most of the distribution lies beyond the bounds, which the verdict says
        return np.clip(low, bounds[:, 0], bounds[:, 1]), np.clip(high, bounds[:, 0], bounds[:, 1])
    quantiles = np.quantile(kept, [0.05, 0.95], axis=0)
    return np.asarray(quantiles[0]), np.asarray(quantiles[1])


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
    """
    out = np.array(noise)
    for p in (0, 1):
        pairs = zip(misfit.residuals[p::2], misfit.gains[p::2], strict=True)
        bends = np.concatenate(
            [np.abs(np.diff(r * np.conj(phasor(gain)), 2, axis=-1)).ravel() ** 2 for r, gain in pairs]
        )
        # median of an exponential variable: ln 2 times its mean, which is 12 s^2 for second differences
        size = sum(r.size for r in misfit.residuals[p::2])
        fitted = sum(g.size for g in misfit.gains[p::2]) + sum(e.size for e in misfit.errors[p::2])
        lost = size / max(1, size - fitted)
        out[p] = noise[p] * np.sqrt(lost * np.median(bends) / np.log(2) / 12.0)
    return out


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


def solve(
    model: IsolatorModel,
    start: FloatArray,
    free: Sequence[int],
    noise: FloatArray,
    drift: float | None,
    most: int = 30,
    priors: Sequence[Prior] = (),
) -> Solution:
    """Bounded least squares over some of the parameters."""
    free = list(free)
    scale = np.array([_SCALES[model.parameters[n].kind] for n in free])
    bounds = np.array([model.parameters[n].bounds for n in free])
    origin = np.array(start, dtype=np.float64)
    inside = np.clip(origin[free], bounds[:, 0] + 1e-9 * scale, bounds[:, 1] - 1e-9 * scale)

    def vector(u: FloatArray) -> FloatArray:
        out = origin.copy()
        out[free] = u * scale
        return out

    def residual(u: FloatArray) -> FloatArray:
        return whole_residual(model, vector(u), noise, drift, priors)

    def jacobian(u: FloatArray) -> FloatArray:
        return _slopes(residual, u, bounds / scale[:, None])

    fit = least_squares(
        residual,
        inside / scale,
        jac=jacobian,
        bounds=(bounds[:, 0] / scale, bounds[:, 1] / scale),
        method="trf",
        x_scale="jac",
        ftol=1e-7,
        xtol=1e-9,
        gtol=1e-9,
        max_nfev=most,
    )
    best = vector(fit.x)
    return Solution(best, 2.0 * float(fit.cost), model.misfit(best, noise, drift))


def _slopes(function: Callable[[FloatArray], FloatArray], u: FloatArray, bounds: FloatArray) -> FloatArray:
    """Forward differences, backward at an upper bound."""
    base = function(u)
    out = np.empty((base.size, u.size))
    for n in range(u.size):
        step = STEP if u[n] + STEP < bounds[n, 1] else -STEP
        moved = u.copy()
        moved[n] += step
        out[:, n] = (function(moved) - base) / step
    return out


def whole_residual(
    model: IsolatorModel, vector: FloatArray, noise: FloatArray, drift: float | None, priors: Sequence[Prior]
) -> FloatArray:
    """Everything that is squared and summed: residuals, gain errors, assumptions, in standard deviations."""
    flat = model.misfit(vector, noise, drift).flat()
    return np.concatenate([flat, [(vector[p.index] - p.mean) / p.sd for p in priors]])


def scaled_slopes(
    model: IsolatorModel, vector: FloatArray, noise: FloatArray, drift: float | None, priors: Sequence[Prior]
) -> tuple[FloatArray, FloatArray]:
    """Derivatives of `whole_residual` with respect to the parameters in their sizes, (N, D), and those sizes (D,)."""
    scale = np.array([_SCALES[p.kind] for p in model.parameters])
    bounds = np.array([p.bounds for p in model.parameters]) / scale[:, None]
    slopes = _slopes(lambda u: whole_residual(model, u * scale, noise, drift, priors), vector / scale, bounds)
    return slopes, scale


def inverse_information(slopes: FloatArray) -> FloatArray:
    """Inverse of J^T J over all parameters; directions without information get a very large variance."""
    values, vectors = np.linalg.eigh(slopes.T @ slopes)
    return np.asarray((vectors / np.maximum(values, 1e-10)) @ vectors.T)


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
        elif p.kind == "offset":
            x[n] = shape.offset_phi0
        elif p.kind == "mutual":
            x[n] = shape.mutual_phi0_per_a if p.item == mains[p.stage] else 0.0
        elif p.kind == "area":
            x[n] = 1.0
    return x


def fit_off(model: IsolatorModel, start: FloatArray, noise: FloatArray) -> Solution:
    """Fit the pump-off parameters, from a few linewidths."""
    free = [n for n, p in enumerate(model.parameters) if not p.needs_pump]
    widths = [n for n in free if model.parameters[n].kind == "signal_linewidth_hz"]
    best: Solution | None = None
    for factor in (1.0, 0.7, 1.4):
        x = start.copy()
        x[widths] *= factor
        one = solve(model, x, free, noise, 0.02, most=8)
        if best is None or one.chi2 < best.chi2:
            best = one
    assert best is not None  # the loop above ran
    return solve(model, best.vector, free, noise, 0.02, most=40)


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


def _other_idlers(
    model: IsolatorModel, best: Solution, noise: FloatArray, drift: float | None, priors: Sequence[Prior]
) -> list[Solution]:
    """Other splittings of the two idler frequencies about their mean, best first: the starts have none, each is a valley.

    Beside the best, those are returned that are hardly worse and lie elsewhere: the sweeps at the pump-on biases alone may
    not tell them apart, or only together with the ramps.
    """
    at = [model.index("idler_frequency_hz", k) for k in (0, 1)]
    shares = [(model.index("idler_participation", k), model.index("signal_participation", k)) for k in (0, 1)]
    free = [n for n, p in enumerate(model.parameters) if p.needs_pump]
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
        found.append(solve(model, x, free, noise, drift, 15, priors))
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
    off_records = [r for r in records if not r.row.pump_on]
    pumped = len(off_records) < len(records)
    measured = repeat_noise(records)
    noise = first_noise(records) if measured is None else measured

    def build(some: Sequence[Record], sign: int) -> IsolatorModel:
        return IsolatorModel(study, isolator, some, lines, kinds, sign, power_w, areas)

    say("fitting pump-off sweeps", 0.1)
    model = build(off_records, 1)
    off = fit_off(model, off_start(model, tracks, shapes, mains), noise)
    drift = measured_drift(off.misfit)
    if measured is None:
        noise = residual_noise(off.misfit, noise)
    off = solve(model, off.vector, range(len(model.parameters)), noise, drift, most=30)
    drift = measured_drift(off.misfit)
    if measured is None:
        noise = residual_noise(off.misfit, noise)
    odds = 0.0
    if not pumped:
        return _finish(model, off, noise, tracks, shapes, False, 0.0, ())

    say("trying both wirings of the pump", 0.4)
    results: dict[int, Solution] = {}
    models: dict[int, IsolatorModel] = {}
    priors: tuple[Prior, ...] = ()
    biased = {r.row.bias_a for r in records if r.row.pump_on}
    near = [r for r in records if r.row.bias_a in biased]  # the ramps say nothing of the pump
    for sign in (1, -1):
        whole = build(near, sign)
        models[sign] = whole
        base = whole.stated()
        for n, p in enumerate(whole.parameters):
            if not p.needs_pump:
                at = model.index(p.kind, p.stage, p.item)
                base[n] = off.vector[at] if at >= 0 else base[n]
        priors = priors_of(whole, [off.vector[model.index("signal_internal_hz", k)] for k in (0, 1)])
        starts = on_starts(whole, base, near, power_w)
        costs = [float(np.sum(whole.misfit(x, noise, drift).flat() ** 2)) for x in starts]
        free = [n for n, p in enumerate(whole.parameters) if p.needs_pump]
        best: Solution | None = None
        for n in np.argsort(costs)[:2]:
            one = solve(whole, starts[int(n)], free, noise, drift, 12, priors)
            if best is None or one.chi2 < best.chi2:
                best = one
        assert best is not None  # there are starts
        results[sign] = best
    sign = 1 if results[1].chi2 <= results[-1].chi2 else -1
    odds = 0.5 * (results[-sign].chi2 - results[sign].chi2)
    on_priors = priors
    valleys = _other_idlers(models[sign], results[sign], noise, drift, priors)
    whole = build(records, sign)

    def joined(pump: FloatArray) -> FloatArray:
        start = whole.stated()
        for n, p in enumerate(whole.parameters):
            origin, vector = (models[sign], pump) if p.needs_pump else (model, off.vector)
            at = origin.index(p.kind, p.stage, p.item)
            start[n] = vector[at] if at >= 0 else start[n]
        return start

    priors = priors_of(whole, [off.vector[model.index("signal_internal_hz", k)] for k in (0, 1)])
    say("fitting everything together", 0.7)
    every = range(len(whole.parameters))
    full = sorted(
        (solve(whole, joined(v.vector), every, noise, drift, 25, priors) for v in valleys), key=lambda s: s.chi2
    )
    fit = full[0]
    drift = measured_drift(fit.misfit)
    if measured is None:
        noise = residual_noise(fit.misfit, noise)
    fit = solve(whole, fit.vector, every, noise, drift, 25, priors)
    # the first search may have been far from any valley: with all else fitted, idlers that have changed places, in all that
    # belongs to them or in one of it, lie in other valleys; the sweeps at the pump-on biases show which are worth a whole fit
    rest = full[1:]
    some = models[sign]
    onto = [whole.index(p.kind, p.stage, p.item) for p in some.parameters]
    free = [n for n, p in enumerate(some.parameters) if p.needs_pump]
    here = solve(some, fit.vector[onto], free, noise, drift, 12, on_priors)
    exchanges: tuple[tuple[str, ...], ...] = (IDLER_KINDS, ("idler_participation",), ("idler_frequency_hz",))
    for exchanged in exchanges:
        valley = solve(some, _exchanged(some, fit.vector[onto], exchanged), free, noise, drift, 15, on_priors)
        if valley.chi2 - here.chi2 > RIVAL_CHI2 or _near(some, valley.vector, here.vector):
            continue
        start = fit.vector.copy()
        start[onto] = valley.vector
        rest.append(solve(whole, start, every, noise, drift, 25, priors))
    best = min(rest, key=lambda s: s.chi2, default=fit)
    if best.chi2 < fit.chi2:
        rest = [fit, *(s for s in rest if s is not best)]
        fit = solve(whole, best.vector, every, noise, drift, 25, priors)
    done = _finish(whole, fit, noise, tracks, shapes, True, odds, priors)
    # on from where each stopped: from another valley 25 steps do not always arrive
    rivals = [solve(whole, s.vector, every, noise, drift, 25, priors) for s in rest]
    where = [whole.index("idler_frequency_hz", k) for k in (0, 1)]
    elsewhere = [s for s in rivals if np.any(np.abs(s.vector - fit.vector)[where] > 5 * done.sd[where])]
    if elsewhere:
        rival = min(elsewhere, key=lambda s: s.chi2)
        if rival.chi2 < fit.chi2:
            done = _finish(whole, rival, noise, tracks, shapes, True, odds, priors)
        done = replace(done, rival_odds=0.5 * abs(rival.chi2 - fit.chi2))
    return done


def _finish(
    model: IsolatorModel,
    fit: Solution,
    noise: FloatArray,
    tracks: tuple[Track, Track],
    shapes: tuple[Shape, Shape],
    pumped: bool,
    odds: float,
    priors: Sequence[Prior],
) -> IsolatorFit:
    drift = measured_drift(fit.misfit) if fit.misfit.drift is None else fit.misfit.drift
    slopes, scale = scaled_slopes(model, fit.vector, noise, drift, priors)
    per = fit.chi2 / degrees_of_freedom(fit.misfit, len(model.parameters))
    inner = inverse_information(slopes) * max(1.0, per)
    extra, flux, jump = _flux_noise(model, fit, noise, drift, priors, slopes, inner)
    extra = extra * np.outer(scale, scale)
    matrix = inner * np.outer(scale, scale) + extra
    bound = []
    for p, value in zip(model.parameters, fit.vector, strict=True):
        low, high = p.bounds
        near = 1e-3 * _SCALES[p.kind]
        if value - low < near or high - value < near:
            bound.append(p.label)
    return IsolatorFit(
        model, fit.vector, np.sqrt(np.diag(matrix)), matrix, per, noise, drift, fit.misfit, shapes, tracks, pumped, odds,
        tuple(bound), tuple(priors), flux_noise_phi0=flux, flux_covariance=extra, jump=jump,
    )  # fmt: skip


def _flux_noise(
    model: IsolatorModel,
    fit: Solution,
    noise: FloatArray,
    drift: float,
    priors: Sequence[Prior],
    slopes: FloatArray,
    inner: FloatArray,
) -> tuple[FloatArray, float, Jump]:
    """What flux noise from sweep to sweep adds to the covariance (in sizes, as `inner`), that noise per loop (Phi0), and where
    the flux is most likely to have jumped.

    Flux noise of standard deviation s adds D_q x_q to the residual, q counting records and loops, x normal with s.  The fit is
    least squares without it, so that its error gains A J^T D x (A the inverse of J^T J) and its covariance
    s^2 A K K^T A, K = J^T D.  The scores D_q^T r have, without flux noise, the covariance M = D^T D - K^T A K, with it
    M + s^2 M M; the sum of their squares gives s (a moment estimate, zero where the sum is too small).  Between records
    D^T D is taken as zero: they meet in the line gains alone.  A jump adds the same x_q to every record from one on; the sums of
    the scores from there on, one per loop, with their part of M + s^2 M M, tell how much chi2 falls with it (a score test).
    """
    count = len(model.records)
    base = whole_residual(model, fit.vector, noise, drift, priors)
    step = 1e-4
    scores, cross, own = np.empty(2 * count), np.empty((2 * count, len(inner))), np.zeros((2 * count, 2 * count))
    for n in range(count):
        pair = []
        for k in (0, 1):
            shift = np.zeros((count, 2))
            shift[n, k] = step
            moved = model.misfit(fit.vector, noise, drift, shift).flat()
            d = (moved - base[: moved.size]) / step
            pair.append(d)
            scores[2 * n + k] = d @ base[: d.size]
            cross[2 * n + k] = d @ slopes[: d.size]
        own[2 * n : 2 * n + 2, 2 * n : 2 * n + 2] = [[a @ b for b in pair] for a in pair]
    m = own - cross @ inner @ cross.T
    square = (float(scores @ scores) - float(np.trace(m))) / max(float(np.sum(m * m)), 1e-300)
    variance = max(0.0, square)
    gain = inner @ cross.T
    return variance * (gain @ gain.T), float(np.sqrt(variance)), _most_likely_jump(scores, m + variance * (m @ m), m)


def _most_likely_jump(scores: FloatArray, spread: FloatArray, m: FloatArray) -> Jump:
    """The step of both fluxes that the scores (2 P,) ask for most, given their covariance and M, both (2 P, 2 P)."""
    best = Jump(0, np.zeros(2), 0.0)
    for n in range(1, len(scores) // 2):
        from_here = np.zeros((len(scores), 2))
        from_here[2 * n :: 2, 0] = from_here[2 * n + 1 :: 2, 1] = 1.0
        u = from_here.T @ scores
        values, vectors = np.linalg.eigh(from_here.T @ spread @ from_here)
        told = values > 1e-9 * max(float(values[-1]), 1e-300)
        z = (vectors[:, told].T @ u) / np.sqrt(values[told])
        fall = float(z @ z)
        if fall > best.chi2:
            size = -np.linalg.lstsq(from_here.T @ m @ from_here, u, rcond=1e-9)[0]
            best = Jump(n, np.asarray(size, dtype=np.float64), fall)
    return best


__all__ = ["IsolatorFit", "Parameter", "Sampled", "Solution", "directionality", "fit_isolator", "whole_residual"]
