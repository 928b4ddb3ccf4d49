"""The complex likelihood of a digest: pump-on traces divided by pump-off traces against the model's same ratio.

For one isolator, the pump-on groups k that share a pump-off group 0 form a family.  With group means d_k and d_0 of
complex traces on frequencies f and the path's unknown line gain G(f),

    y_k(f) = d_k / d_0 = [G S_k (1 + c_k) + n_k] / [G S_0 (1 + c_0) + n_0]

so that, to first order in the noise, y_k - S_k/S_0 is normal with three parts:

* white noise of the pump-on mean, variance v_k = s^2 / (N_k |d_0|^2) per quadrature, independent everywhere;
* white noise of the pump-off mean, common to the family: -y_k n_0 / d_0;
* a few real amplitudes with directions known from the data: gain errors c (directions y_k and i y_k per path), and
  flux noise (directions dS_k/dF, from the model at a reference point).

The first two are inverted per frequency by the Sherman-Morrison formula, the third by Woodbury's: both are exact.  The
cost does not depend on the number of repeats.

Where only magnitudes are used, y is real: the ratio of amplitudes, made from mean powers (`fluxsense.model.rice`), with
the same three kinds of noise on it.  Points in a notch, where an amplitude is not well above its noise, are left to the
exact law of the mean power; the other kinds of noise are negligible there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from fluxsense.base.errors import InputError
from fluxsense.base.units import dbm_to_watt
from fluxsense.data.digest import Digest, GroupKey, GroupStats, off_group_for
from fluxsense.data.noise_levels import PATHS, NoiseLevels, measure_noise
from fluxsense.device.chip import ChipModel, ChipParameters, Probe
from fluxsense.model.flicker import group_covariance
from fluxsense.model.rice import amplitude_from_power, amplitude_variance, log_power_density
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

_BLOCK_VALUES = 60_000
"""Complex values per block of parameter sets: keeps the working set near the second-level cache."""

SEARCH_POINTS = 24


def probe_of(study: Study, key: GroupKey, cooldowns: Sequence[str]) -> Probe:
    """The model's probe for a group of the digest."""
    return Probe(
        isolator=[i.name for i in study.isolators].index(key.isolator),
        pump_on=key.pump_on,
        pump_port=key.pump_port,
        pump_phase_rad=key.pump_phase_rad,
        pump_power_w=dbm_to_watt(key.pump_power_dbm) if key.pump_on else 0.0,
        pump_frequency_hz=key.pump_frequency_hz,
        bias_a=key.bias_a,
        state=[s.name for s in study.states].index(key.state),
        cooldown=list(cooldowns).index(key.cooldown),
    )


def every(_name: str, count: int) -> npt.NDArray[np.intp]:
    """All frequencies."""
    return np.arange(count)


def every_few(_name: str, count: int) -> npt.NDArray[np.intp]:
    """About `SEARCH_POINTS` evenly spread frequencies, for the search."""
    return np.arange(0, count, max(1, count // SEARCH_POINTS))


@dataclass(frozen=True)
class Notch:
    """Points of a family whose mean power is not well above the noise, with the exact law of that power.

    Attributes
    ----------
    place : tuple of three ndarray of int (M,)
        Pump-on group, path and frequency of each point.
    power, variance : ndarray (M,)
        Mean squared magnitude, and noise variance per quadrature of one sweep, both over the pump-off power.
    count : ndarray of int (M,)
        Repeats.
    """

    place: tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.intp]]
    power: FloatArray
    variance: FloatArray
    count: npt.NDArray[np.intp]

    def log_density(self, ratio: ComplexArray, scale: FloatArray | None = None) -> FloatArray:
        """Log density (B,) for predicted amplitude ratios (B, K, 2, F)."""
        k, p, f = self.place
        square = ratio.real[:, k, p, f] ** 2
        variance = self.variance if scale is None else self.variance * scale[:, None] ** 2
        out = np.zeros(len(square))
        for n in np.unique(self.count):
            mine = self.count == n
            v = np.broadcast_to(variance, square.shape)[:, mine]
            out += np.sum(log_power_density(self.power[mine], square[:, mine], v, int(n)), axis=1)
        return out

    def information(
        self, ratio: ComplexArray, slopes: ComplexArray, scale: float = 1.0
    ) -> tuple[FloatArray, FloatArray]:
        """Gradient (D,) and expected information (D, D) for one ratio (K, 2, F) and its slopes (D, K, 2, F)."""
        gradient, weight = self.by_square(ratio, scale)
        slope = self.square_slopes(ratio, slopes)
        return slope @ gradient, (slope * weight) @ slope.T

    def square_slopes(self, ratio: ComplexArray, slopes: ComplexArray) -> FloatArray:
        """Slopes (D, M) of the squared amplitudes for one ratio (K, 2, F) and its slopes (D, K, 2, F)."""
        k, path, f = self.place
        return np.asarray(2 * ratio.real[self.place] * slopes.real[:, k, path, f], dtype=np.float64)

    def by_square(self, ratio: ComplexArray, scale: float = 1.0) -> tuple[FloatArray, FloatArray]:
        """Slope of the log density with each squared amplitude, and expected information about it, (M,) each.

        The slope is a central difference; the information is that of a normal law with the power's variance,
        4 s^2 (A^2 + s^2)/N.
        """
        variance = self.variance * scale**2
        a = ratio.real[self.place]
        step = 1e-4 * (a * a + variance / self.count)
        gradient = np.zeros(a.size)
        for n in np.unique(self.count):
            mine = self.count == n
            p, v, h = self.power[mine], variance[mine], step[mine]
            centre = np.maximum(a[mine] ** 2, h)
            up = log_power_density(p, centre + h, v, int(n))
            gradient[mine] = (up - log_power_density(p, centre - h, v, int(n))) / (2 * h)
        return gradient, np.asarray(self.count / (4 * variance * (a * a + variance)))


@dataclass(frozen=True)
class Family:
    """Pump-on groups of one isolator that share a pump-off group, as ratios, with their noise.

    Attributes
    ----------
    isolator : int
    on_keys, off_key : GroupKey
    on_rows, off_row
        Positions among the isolator's probes in the model.
    frequency_hz : ndarray (F,)
    ratio : ndarray (K, 2, F) of complex
        y_k for S21 and S12.
    expected : ndarray (K, 2, F) of complex
        The model's ratio at the reference point, along which pump-off noise and gain errors act; y_k without one.
    precision : ndarray (K, 2, F)
        1/v_k per quadrature.
    shared : ndarray (2, F)
        1/(1/v_0 + sum_k |expected_k|^2/v_k), with v_0 the relative variance of the pump-off mean.
    directions : ndarray (Z, K, 2, F) of complex
        Directions of the real amplitudes, scaled to unit prior variance.
    whitener : ndarray (Z, 2*K*2*F)
        Maps a residual (as interleaved real numbers) to the whitened amplitudes' scores.
    log_volume : float
        Log determinant of the amplitudes' information, for comparing noise levels.
    real : bool
        Ratios of magnitudes: imaginary parts are zero throughout.
    notch : Notch or None
        With magnitudes: points left out of the ratios (their precision is zero).
    slow : ndarray (Z', 2*K*2*F) or None
        Maps a residual to its share of the scores of slow flux noise, whose amplitudes all families of an isolator have in
        common; the shares add up, and their squared length is what the noise takes off the quadratic form.
    slow_directions : ndarray (Z', K, 2, F) of complex, or None
        Directions of these amplitudes, unit variance each.
    """

    isolator: int
    on_keys: tuple[GroupKey, ...]
    off_key: GroupKey
    on_rows: tuple[int, ...]
    off_row: int
    frequency_hz: FloatArray
    ratio: ComplexArray
    expected: ComplexArray
    precision: FloatArray
    shared: FloatArray
    directions: ComplexArray
    whitener: FloatArray
    log_volume: float
    real: bool = False
    notch: Notch | None = None
    slow: FloatArray | None = None
    slow_directions: ComplexArray | None = None

    @property
    def values(self) -> int:
        """Real numbers in the data."""
        if self.real:
            return int(np.sum(self.precision > 0)) + (0 if self.notch is None else self.notch.power.size)
        return 2 * self.ratio.size

    def log_density(self, ratio: ComplexArray, scale: FloatArray | None = None) -> FloatArray:
        """Log-likelihood (B,) of predicted ratios (B, K, 2, F); scale (B,) is a factor on all of the noise."""
        square = 1.0 if scale is None else scale**-2
        out = -0.5 * self.quadratic(self.ratio - ratio) * square
        if scale is not None:
            count = self.values - (0 if self.notch is None else self.notch.power.size)
            out -= count * np.log(scale)
        if self.notch is not None:
            out += self.notch.log_density(ratio, scale)
        return np.asarray(out)

    def weigh(self, vectors: ComplexArray) -> ComplexArray:
        """Apply the inverse covariance of the white parts to vectors (n, K, 2, F)."""
        weighted = vectors * self.precision
        common = np.sum(weighted * np.conj(self.expected), axis=1, keepdims=True) * self.shared
        return np.asarray(weighted - common * (self.expected * self.precision))

    def quadratic(self, residual: ComplexArray) -> FloatArray:
        """r^T C^-1 r for residuals (B, K, 2, F); shape (B,)."""
        batch = residual.shape[0]
        weighted = residual * self.precision
        common = np.einsum("bkpf,kpf->bpf", weighted, np.conj(self.expected))
        flat = residual.reshape(batch, -1).view(np.float64)
        out = np.einsum("bi,bi->b", flat, weighted.reshape(batch, -1).view(np.float64))
        out -= np.einsum("bpf,pf->b", common.real**2 + common.imag**2, self.shared)
        scores = flat @ self.whitener.T
        out -= np.einsum("bz,bz->b", scores, scores)
        return np.asarray(out)

    def grams(self, vectors: ComplexArray) -> FloatArray:
        """Inner products v_i^T C^-1 v_j within each of B stacks of n vectors (B, n, K, 2, F); shape (B, n, n)."""
        batch, count = vectors.shape[:2]
        weighted = vectors * self.precision
        common = np.einsum("bnkpf,kpf->bnpf", weighted, np.conj(self.expected))
        flat = vectors.reshape(batch, count, -1).view(np.float64)
        out = flat @ weighted.reshape(batch, count, -1).view(np.float64).transpose(0, 2, 1)
        root = (common * np.sqrt(self.shared)).reshape(batch, count, -1).view(np.float64)
        out -= root @ root.transpose(0, 2, 1)
        scores = flat @ self.whitener.T
        out -= scores @ scores.transpose(0, 2, 1)
        return np.asarray(out)

    def slow_scores(self, vectors: ComplexArray) -> FloatArray:
        """This family's share of the scores of slow flux noise for vectors (..., K, 2, F); shape (..., Z'); Z' may be 0."""
        lead = vectors.shape[:-3]
        if self.slow is None:
            return np.zeros((*lead, 0))
        flat = np.ascontiguousarray(vectors).reshape(*lead, -1).view(np.float64)
        return np.asarray(flat @ self.slow.T)

    def inverse(self, vectors: ComplexArray) -> FloatArray:
        """Inverse covariance of white parts and amplitudes applied to vectors (n, K, 2, F), as flat reals (n, 2*K*2*F)."""
        flat = np.ascontiguousarray(vectors).reshape(len(vectors), -1).view(np.float64)
        weighed = np.ascontiguousarray(self.weigh(vectors)).reshape(len(vectors), -1).view(np.float64)
        return np.asarray(weighed - (flat @ self.whitener.T) @ self.whitener)

    def gram(self, vectors: ComplexArray) -> FloatArray:
        """Matrix of inner products v_i^T C^-1 v_j of vectors (n, K, 2, F); shape (n, n)."""
        count = vectors.shape[0]
        flat = np.ascontiguousarray(vectors).reshape(count, -1).view(np.float64)
        weighed = self.weigh(vectors).reshape(count, -1).view(np.float64)
        scores = flat @ self.whitener.T
        return np.asarray(flat @ weighed.T - scores @ scores.T)

    def amplitudes(self, residual: ComplexArray) -> FloatArray:
        """Most probable amplitudes (in prior standard deviations) for one residual (K, 2, F); shape (Z,)."""
        if not len(self.directions):
            return np.zeros(0)
        flat_d = self.directions.reshape(len(self.directions), -1).view(np.float64)
        weighed_d = self.weigh(self.directions).reshape(len(self.directions), -1).view(np.float64)
        information = flat_d @ weighed_d.T + np.eye(len(self.directions))
        return np.asarray(np.linalg.solve(information, weighed_d @ residual.reshape(-1).view(np.float64)))

    def draw_noise(self, rng: np.random.Generator, count: int) -> ComplexArray:
        """Draws of the noise of the ratios, (count, K, 2, F): white parts and amplitudes."""
        shape = self.ratio.shape

        def normal(*size: int) -> ComplexArray:
            return np.asarray(rng.standard_normal(size) + 1j * rng.standard_normal(size))

        with np.errstate(divide="ignore"):
            noise = normal(count, *shape) * np.where(self.precision > 0, 1 / np.sqrt(self.precision), 0.0)
        inverse = 1 / self.shared - np.sum(np.abs(self.expected) ** 2 * self.precision, axis=0)
        off = normal(count, *shape[1:]) / np.sqrt(np.maximum(inverse, 1e-300))
        noise -= off[:, None] * self.expected
        if self.real:
            noise.imag = 0.0
        amplitudes = rng.standard_normal((count, len(self.directions)))
        return np.asarray(noise + np.tensordot(amplitudes, self.directions, axes=1))


def _build_family(
    isolator: int,
    on_keys: tuple[GroupKey, ...],
    off_key: GroupKey,
    rows: tuple[tuple[int, ...], int],
    digest: Digest,
    noise: NoiseLevels,
    residual_gain: float,
    expected: ComplexArray | None,
    flux_directions: ComplexArray | None,
    chosen: npt.NDArray[np.intp],
    magnitude: bool,
) -> Family:
    off = digest[off_key]
    paths = list(PATHS)
    notch: Notch | None = None
    d0 = (_power(off) if magnitude else off.mean[paths])[:, chosen]
    if np.any(d0 == 0):
        raise InputError(
            f"a pump-off trace is exactly zero, so nothing can be divided by it ({off_key.describe()})",
            remedy="Record the pump-off sweeps again",
        )
    if magnitude:
        ratio, precision, off_variance, notch = _amplitudes(on_keys, off_key, digest, noise, chosen)
    else:
        power = _pump_off_power(off.mean[paths], noise.white[off_key] ** 2 / off.count)[:, chosen]
        ratio = np.array([digest[k].mean[paths][:, chosen] / d0 for k in on_keys])
        precision = np.array([digest[k].count * power / noise.white[k][:, None] ** 2 for k in on_keys])
        off_variance = noise.white[off_key][:, None] ** 2 / (off.count * power)
    expected = ratio if expected is None else expected
    shared = 1 / (1 / off_variance + np.sum(np.abs(expected) ** 2 * precision, axis=0))
    name = on_keys[0].isolator
    directions = [
        _gain_directions(expected, [n], noise.drift[name] / digest[k].count + residual_gain**2 * np.eye(4))
        for n, k in enumerate(on_keys)
    ]
    everyone = list(range(len(on_keys)))
    directions.append(
        _gain_directions(-expected, everyone, noise.drift[name] / off.count + residual_gain**2 * np.eye(4))
    )
    if flux_directions is not None:
        directions.append(flux_directions)
    stacked = np.concatenate(directions)
    if magnitude:  # a turn of the phase does not show
        stacked = stacked.real.astype(np.complex128)
    stacked = np.ascontiguousarray(stacked[np.any(stacked != 0, axis=(1, 2, 3))])
    bare = Family(
        isolator, on_keys, off_key, rows[0], rows[1], off.frequency_hz[chosen], ratio, expected, precision, shared, stacked,
        np.zeros((0, 2 * ratio.size)), 0.0, magnitude, notch,
    )  # fmt: skip
    count = len(stacked)
    if count == 0:
        return bare
    flat = stacked.reshape(count, -1).view(np.float64)
    weighed = bare.weigh(stacked).reshape(count, -1).view(np.float64)
    lower = np.linalg.cholesky(flat @ weighed.T + np.eye(count))
    whitener = np.linalg.solve(lower, weighed)
    return replace(bare, whitener=whitener, log_volume=float(2 * np.sum(np.log(np.diag(lower)))))


def _power(group: GroupStats) -> FloatArray:
    """Mean squared magnitudes (2, F) of S21 and S12: |mean|^2 plus the scatter about it, noise and all."""
    paths = list(PATHS)
    return np.asarray(np.abs(group.mean[paths]) ** 2 + group.scatter[paths] / group.count)


def _amplitudes(
    on_keys: Sequence[GroupKey],
    off_key: GroupKey,
    digest: Digest,
    noise: NoiseLevels,
    chosen: npt.NDArray[np.intp],
) -> tuple[ComplexArray, FloatArray, FloatArray, Notch | None]:
    """Ratios of amplitudes (K, 2, F), their precision, the pump-off variance (2, F), and the points left to the exact law."""
    off = digest[off_key]
    off_white = noise.white[off_key][:, None] ** 2
    base = amplitude_from_power(_power(off), off_white, off.count)
    level = np.maximum(base, 1e-3 * np.median(base, axis=-1, keepdims=True))
    smooth = np.sqrt(_pump_off_power(level.astype(np.complex128), noise.white[off_key] ** 2 / off.count))[:, chosen]
    base, level = base[:, chosen], level[:, chosen]
    usable = base**2 > _NOTCH_SIGNAL_TO_NOISE**2 * amplitude_variance(base, off_white, off.count)
    ratio = np.zeros((len(on_keys), *level.shape), dtype=np.complex128)
    precision = np.zeros(ratio.shape)
    places, powers, variances, counts = [], [], [], []
    for n, key in enumerate(on_keys):
        group = digest[key]
        white = noise.white[key][:, None] ** 2
        power = _power(group)[:, chosen]
        amplitude = amplitude_from_power(power, white, group.count)
        variance = amplitude_variance(amplitude, white, group.count)
        strong = amplitude**2 > _NOTCH_SIGNAL_TO_NOISE**2 * variance
        ratio[n] = amplitude / level
        precision[n] = np.where(strong & usable, smooth**2 / np.where(strong, variance, 1.0), 0.0)
        weak = usable & ~strong & (power > 0)
        path, point = np.nonzero(weak)
        places.append((np.full(path.size, n), path, point))
        powers.append(power[weak] / level[weak] ** 2)
        variances.append(np.broadcast_to(white, power.shape)[weak] / level[weak] ** 2)
        counts.append(np.full(path.size, group.count))
    off_variance = amplitude_variance(level, off_white, off.count) / smooth**2
    count = np.concatenate(counts)
    if not count.size:
        return ratio, precision, off_variance, None
    k, p, f = (np.concatenate([place[axis] for place in places]).astype(np.intp) for axis in range(3))
    notch = Notch((k, p, f), np.concatenate(powers), np.concatenate(variances), count.astype(np.intp))
    return ratio, precision, off_variance, notch


_NOTCH_SIGNAL_TO_NOISE = 8.0
_NOTCH_DEPTH = 0.25


def _pump_off_power(off: ComplexArray, variance: FloatArray) -> FloatArray:
    """Squared modulus (2, F) of a pump-off mean, by which the noise of a ratio scales.

    Where nine neighbours along frequency agree with a point within four standard deviations, their average stands for
    it, since its own noise would correlate the weights with the residuals; elsewhere (the flanks of a notch, as two
    detuned stages make with the pump off) the point's own value does.  A point in a notch that does not stand out of
    the noise cannot divide anything: it is given next to no weight.

    Parameters
    ----------
    off : ndarray (2, F) of complex
    variance : ndarray (2,)
        Of one quadrature of the mean.
    """
    own = np.abs(off) ** 2
    smooth = uniform_filter1d(own, min(9, off.shape[-1]), axis=-1, mode="nearest")
    sd = 2 * np.sqrt(own * variance[:, None])
    power = np.where(np.abs(own - smooth) <= 4 * sd, smooth, own)
    level = np.median(own, axis=-1, keepdims=True)
    lost = (own < _NOTCH_SIGNAL_TO_NOISE**2 * variance[:, None]) & (own < _NOTCH_DEPTH**2 * level)
    return np.asarray(np.where(lost, 1e-6 * power, power))


def _gain_directions(ratio: ComplexArray, members: list[int], covariance: FloatArray) -> ComplexArray:
    """Directions (4, K, 2, F) of the gain errors (re, im of S21; re, im of S12) of some members, unit variance each."""
    basis = np.zeros((4, *ratio.shape), dtype=np.complex128)
    for n in members:
        for p in range(2):
            basis[2 * p, n, p] = ratio[n, p]
            basis[2 * p + 1, n, p] = 1j * ratio[n, p]
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(np.tensordot(root.T, basis, axes=1))


class RatioLikelihood:
    """Log-likelihood of a digest for batches of chip parameters.

    Parameters
    ----------
    study : Study
    digest : Digest
    port_signs : sequence of int, optional
        Wiring of each isolator's pump ports.
    residual_gain : float, optional
        Relative gain error per quadrature, path and setting that does not average down; the study's by default.
    reference : ChipParameters, optional
        Batch of one at which the directions of flux noise are taken.
    groups : sequence of GroupKey, optional
        Pump-on groups to use (all by default).
    noise : NoiseLevels, optional
        Measured from the digest by default.
    cooldowns : sequence of str, optional
        Names in the order in which the parameters list their offsets; the digest's by default.
    points : callable, optional
        Takes an isolator's name and the number of its frequencies, returns the indices of those to use: less
        information at less cost, for the search and for reduced quadrature.

    Raises
    ------
    InputError
        If there is no pump-on group, or one has no pump-off group.
    """

    def __init__(
        self,
        study: Study,
        digest: Digest,
        port_signs: Sequence[int] | None = None,
        *,
        residual_gain: float | None = None,
        reference: ChipParameters | None = None,
        groups: Sequence[GroupKey] | None = None,
        noise: NoiseLevels | None = None,
        cooldowns: Sequence[str] | None = None,
        points: Callable[[str, int], npt.NDArray[np.intp]] | None = None,
    ) -> None:
        self.study = study
        self.digest = digest
        self.magnitude = study.data.kind == "magnitude"
        self._points = points or every
        self.residual_gain = study.noise.residual_gain if residual_gain is None else residual_gain
        self.reference = reference
        stated = [x.pump_port_1_sign or 1 for x in study.isolators]
        self.port_signs = tuple(stated if port_signs is None else port_signs)
        self.noise = noise or measure_noise(
            digest, study.noise.white, study.noise.gain_drift, study.noise.phase_drift_rad
        )
        on_keys = [k for k in (digest if groups is None else groups) if k.pump_on]
        if not on_keys:
            raise InputError(
                "the campaign has no sweep with the pump on", where=str(study.log), remedy="Record pump-on sweeps"
            )
        self.cooldowns = tuple(sorted({k.cooldown for k in digest}) if cooldowns is None else cooldowns)
        paired = [(k, off_group_for(k, digest, str(study.log))) for k in on_keys]
        members: dict[GroupKey, list[GroupKey]] = {}
        for on, off in paired:
            members.setdefault(off, []).append(on)
        keys = [*on_keys, *members]
        names = [i.name for i in study.isolators]
        grids = [np.zeros(0)] * len(names)
        self._models: dict[bytes, ChipModel] = {}
        probes = [probe_of(study, k, self.cooldowns) for k in keys]
        # isolators may have been swept on several grids (one per family at least): one model per grid
        by_grid: dict[tuple[str, bytes], list[int]] = {}
        for n, k in enumerate(keys):
            by_grid.setdefault((k.isolator, digest[k].frequency_hz.tobytes()), []).append(n)
        self._parts: list[tuple[int, ChipModel, list[Family]]] = []
        for (name, _), chosen in sorted(by_grid.items()):
            i = names.index(name)
            grid = list(grids)
            index = self._points(name, digest[keys[chosen[0]]].frequency_hz.size)
            grid[i] = digest[keys[chosen[0]]].frequency_hz[index]
            model = ChipModel(study, [probes[n] for n in chosen], grid, self.port_signs)
            place = {keys[n]: row for row, n in enumerate(chosen)}
            families = []
            for off, ons in members.items():
                if off not in place:
                    continue
                rows = (tuple(place[k] for k in ons), place[off])
                expected, flux = None, None
                if reference is not None:
                    expected, flux = self._reference_directions(model, i, tuple(ons), off, rows, reference)
                families.append(
                    _build_family(
                        i,
                        tuple(ons),
                        off,
                        rows,
                        digest,
                        self.noise,
                        self.residual_gain,
                        expected,
                        flux,
                        index,
                        self.magnitude,
                    )
                )
            if families:
                self._parts.append((i, model, families))
        self.slow_log_volume = 0.0
        if study.noise.flux_slow_phi0 > 0 and reference is not None:
            self._add_slow_noise(reference)

    def _reference_directions(
        self,
        model: ChipModel,
        isolator: int,
        ons: tuple[GroupKey, ...],
        off: GroupKey,
        rows: tuple[tuple[int, ...], int],
        reference: ChipParameters,
    ) -> tuple[ComplexArray, ComplexArray | None]:
        """Expected ratios, and directions of the flux noise of each group's mean, unit variance each (two per group)."""
        expected, on, shared = self._flux_slopes(model, isolator, rows, reference)
        if self.study.noise.flux_phi0 <= 0:
            return expected, None
        count = len(ons)
        out = np.zeros((2 * (count + 1), *expected.shape), dtype=np.complex128)
        for n, key in enumerate(ons):
            out[2 * n : 2 * n + 2, n] = self.study.noise.flux_phi0 / np.sqrt(self.digest[key].count) * on[:, n]
        out[2 * count :] = self.study.noise.flux_phi0 / np.sqrt(self.digest[off].count) * shared
        return expected, out

    def _add_slow_noise(self, reference: ChipParameters) -> None:
        """Give every family its share of the slow flux noise, whose amplitudes run through all groups of an isolator."""
        amplitude = self.study.noise.flux_slow_phi0
        for i in sorted({i for i, _, _ in self._parts}):
            parts = [(model, families) for j, model, families in self._parts if j == i]
            keys = sorted({k for _, families in parts for f in families for k in (*f.on_keys, f.off_key)})
            windows = [self.digest[k].blocks.windows for k in keys]
            values, vectors = np.linalg.eigh(amplitude**2 * group_covariance(windows))
            held = values > 1e-10 * values[-1]
            root = vectors[:, held] * np.sqrt(values[held])  # (G, R)
            place = {k: n for n, k in enumerate(keys)}
            total = np.eye(2 * root.shape[1])
            directions: list[tuple[Family, ComplexArray, FloatArray]] = []
            for model, families in parts:
                for family in families:
                    _, on, off = self._flux_slopes(model, i, (family.on_rows, family.off_row), reference)
                    mine = root[[place[k] for k in family.on_keys]]  # (K, R)
                    shared = root[place[family.off_key]]
                    each = np.einsum("kr,lkpf->lrkpf", mine, on) + np.einsum("r,lkpf->lrkpf", shared, off)
                    each = np.ascontiguousarray(each.reshape(-1, *family.ratio.shape))
                    weighed = family.inverse(each)
                    total += weighed @ each.reshape(len(each), -1).view(np.float64).T
                    directions.append((family, each, weighed))
            lower = np.linalg.cholesky(0.5 * (total + total.T))
            self.slow_log_volume += float(2 * np.sum(np.log(np.diag(lower))))
            grown = {id(f): replace(f, slow=np.linalg.solve(lower, w), slow_directions=d) for f, d, w in directions}
            self._parts = [(j, model, [grown.get(id(f), f) for f in families]) for j, model, families in self._parts]

    def _flux_slopes(
        self, model: ChipModel, isolator: int, rows: tuple[tuple[int, ...], int], reference: ChipParameters
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """A family's ratios (K, 2, F) at a reference, and their change with the flux of each loop, (2, K, 2, F) per Phi0.

        The first change is with the flux of the pump-on sweep, the second with that of the pump-off sweep.
        """
        flux = model.probe_flux(reference, isolator)
        middle = model.scattering(reference, isolator, flux=flux)[0]
        step = 1e-6
        on_rows, off_row = list(rows[0]), rows[1]
        on, off = middle[on_rows], middle[off_row]
        ratio = on / off
        moved, shared = [], []
        for k in range(2):
            shift = np.zeros(2)
            shift[k] = step
            up = model.scattering(reference, isolator, flux=flux + shift)[0]
            down = model.scattering(reference, isolator, flux=flux - shift)[0]
            slope = (up - down) / (2 * step)
            moved.append(slope[on_rows] / off)
            shared.append(-ratio * (slope[off_row] / off))
        out = ratio, np.array(moved), np.array(shared)
        if not self.magnitude:
            return out
        turn = np.conj(ratio) / np.abs(ratio)  # to the change of the magnitude
        return tuple((x * turn).real.astype(np.complex128) for x in out)

    @property
    def log_volume(self) -> float:
        """Log determinant of the information on all amplitudes, for comparing noise levels."""
        return sum(f.log_volume for f in self.families) + self.slow_log_volume

    def noise_for(self, digest: Digest) -> NoiseLevels:
        """The same noise for a digest with further groups: an isolator's new groups get its median white level."""
        white = dict(self.noise.white)
        for key in digest:
            if key not in white:
                own = [v for k, v in self.noise.white.items() if k.isolator == key.isolator]
                white[key] = np.median(own, axis=0)
        return NoiseLevels(white, self.noise.drift, self.noise.measured)

    @property
    def families(self) -> list[Family]:
        """Every family, in a fixed order."""
        return [f for _, _, families in self._parts for f in families]

    @property
    def values(self) -> int:
        """Real numbers in the data."""
        return sum(f.values for f in self.families)

    def predict(self, parameters: ChipParameters) -> list[ComplexArray]:
        """Model ratios (B, K, 2, F) for each family.

        Raises
        ------
        ModelError
            If a value is not finite.
        """
        out = []
        shared_flux = None
        for i, model, families in self._parts:
            if shared_flux is None:
                shared_flux = model.source_flux(parameters)
            s = model.scattering(parameters, i, flux=model.probe_flux(parameters, i, shared_flux))
            for family in families:
                off = s[:, family.off_row][:, None]
                inverse = np.conj(off) / (off.real**2 + off.imag**2)
                ratio = s[:, list(family.on_rows)] * inverse
                if self.magnitude:
                    ratio = np.abs(ratio).astype(np.complex128)
                self._refuse_non_finite(ratio, parameters, model, i)
                out.append(ratio)
        return out

    def predict_with_phase(
        self, parameters: ChipParameters, isolators: Sequence[int]
    ) -> list[tuple[Family, ComplexArray]]:
        """Model ratios of some isolators' families and their change with a further pump phase error e.

        The ratio is mu + sin(e) q + (cos(e) - 1) p, exactly; see `ChipModel.scattering_and_phase`.

        Returns
        -------
        list of (Family, ndarray (B, 3, K, 2, F) of complex)
            mu, q and p along the second axis.
        """
        out = []
        shared_flux = None
        for i, model, families in self._parts:
            if i not in isolators:
                continue
            if shared_flux is None:
                shared_flux = model.source_flux(parameters)
            flux = model.probe_flux(parameters, i, shared_flux)
            s, d, u, v = model.scattering_and_phase(parameters, i, flux=flux)
            for family in families:
                rows = list(family.on_rows)
                off = s[:, family.off_row][:, None]
                inverse = np.conj(off) / (off.real**2 + off.imag**2)
                stack = np.empty((s.shape[0], 3, len(rows), 2, s.shape[-1]), dtype=np.complex128)
                np.multiply(s[:, rows], inverse, out=stack[:, 0])
                change = d[:, rows, None] * inverse
                np.multiply(change, v[:, rows][..., None], out=stack[:, 1])
                np.multiply(change, u[:, rows][..., None], out=stack[:, 2])
                self._refuse_non_finite(stack, parameters, model, i)
                out.append((family, stack))
        return out

    @staticmethod
    def _refuse_non_finite(values: ComplexArray, parameters: ChipParameters, model: ChipModel, isolator: int) -> None:
        finite = np.isfinite(values.reshape(len(values), -1).view(np.float64)).all(axis=1)
        if not np.all(finite):
            bad = int(np.flatnonzero(~finite)[0])
            raise model.explain_non_finite(parameters.rows(slice(bad, bad + 1)), isolator)

    def loop_fluxes(self, parameters: ChipParameters) -> list[FloatArray]:
        """Flux in the two loops for each family's pump-on groups: per family (B, K, 2) in Phi0."""
        out = []
        for i, model, families in self._parts:
            flux = model.probe_flux(parameters, i)
            out += [flux[:, list(family.on_rows)] for family in families]
        return out

    def batch_step(self) -> int:
        """Parameter sets per block."""
        widest = max(len(model.probes) * model.frequency_hz[i].size for i, model, _ in self._parts)
        return max(1, _BLOCK_VALUES // (2 * widest))

    def log_likelihood(self, parameters: ChipParameters, scale: FloatArray | None = None) -> FloatArray:
        """-1/2 r^T C^-1 r over all families, shape (B,); constants that do not depend on the parameters left out.

        scale (B,), if given, is a factor on all of the noise.
        """
        batch = parameters.batch
        step = self.batch_step()
        out = np.empty(batch)
        for start in range(0, batch, step):
            rows = slice(start, min(start + step, batch))
            ratios = self.predict(parameters.rows(rows))
            total = np.zeros(rows.stop - rows.start)
            slow: dict[int, FloatArray] = {}
            loud = None if scale is None else scale[rows]
            for family, ratio in zip(self.families, ratios, strict=True):
                total += family.log_density(ratio, loud)
                if family.slow is not None:
                    slow[family.isolator] = slow.get(family.isolator, 0.0) + family.slow_scores(family.ratio - ratio)
            for scores in slow.values():
                total += 0.5 * np.sum(scores**2, axis=1) * (1.0 if loud is None else loud**-2)
            out[rows] = total
        return out
