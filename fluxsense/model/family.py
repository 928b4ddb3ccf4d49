"""A family: the groups of one isolator, bias and cooldown over one pump-off group, as ratios with the whole of their noise.

The groups k are those with the pump on, in all states of the source, and those with the pump off in states other than that
of the divisor 0.  With group means d_k and d_0 of complex traces on frequencies f and the path's unknown line gain G(f),

    y_k(f) = d_k / d_0 = [G S_k (1 + c_k) + n_k] / [G S_0 (1 + c_0) + n_0]

so that, to first order in the noise, y_k - S_k/S_0 is normal with four parts:

* white noise of the group's mean, variance v_k = s^2 / (N_k |d_0|^2) per quadrature, independent everywhere;
* white noise of the divisor's mean, common to the family: -y_k n_0 / d_0;
* real amplitudes of this family alone, with known directions: gain errors c (directions y_k and i y_k per path), white flux
  noise (directions dS_k/dF, from the model at a reference point), the own part of what the model leaves out, and what each sweep has
  for itself along frequency (`fluxsense.model.within_sweep`);
* real amplitudes that all families of an isolator have in common: see `fluxsense.model.likelihood`.

The first two are inverted per frequency by the Sherman-Morrison formula, the others by Woodbury's: both are exact.  To that
order it is the likelihood of all sweeps with G(f) free, so that it does not matter which group divides.

Where only magnitudes are used, y is real: the ratio of amplitudes, made from mean powers (`fluxsense.model.rice`), with
the same kinds of noise on it.  Points in a notch, where an amplitude is not well above its noise, are left to the exact
law of the mean power; the other kinds of noise are negligible there.  Where numbers of chip and set-up are uncertain they are not: such
points, and all of small ratios, are left out (`least_amplitude`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.ndimage import uniform_filter1d

from fluxsense.base.errors import InputError
from fluxsense.data.digest import Digest, GroupKey, GroupStats
from fluxsense.data.noise_levels import PATHS, NoiseLevels
from fluxsense.model.parameter import Parameter
from fluxsense.model.rice import amplitude_from_power, amplitude_variance, log_power_density
from fluxsense.model.within_sweep import wander_shapes

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


def reals(vectors: ComplexArray) -> FloatArray:
    """Vectors (..., K, 2, F) as interleaved reals (..., 2*K*2*F)."""
    *lead, members, paths, points = vectors.shape
    return np.ascontiguousarray(vectors).reshape(*lead, members * paths * points).view(np.float64)


@dataclass(frozen=True)
class Place:
    """Where a family stands: its isolator, its groups, their rows among the model's probes, and the frequencies used."""

    isolator: int
    keys: tuple[GroupKey, ...]
    divisor: GroupKey
    rows: tuple[int, ...]
    divisor_row: int
    chosen: npt.NDArray[np.intp]


@dataclass(frozen=True)
class Allowance:
    """Noise that is not white: per-sweep drift, what stays however many the repeats, and the own part of the remainder.

    Attributes
    ----------
    levels : NoiseLevels
    residual_gain : float
        Relative gain error per quadrature, path and group that does not average down.
    own : float
        Relative size per quadrature of the smooth part that the model leaves out, each group for itself.
    within : tuple of float
        Of what each sweep has for itself along frequency: `Sizes.within`.
    least : float
        `least_amplitude`.
    """

    levels: NoiseLevels
    residual_gain: float
    own: float = 0.0
    within: tuple[float, ...] = ()
    least: float = 0.0


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
class Added:
    """What the set-up adds to a family's ratios, to first order in the fluxes about the reference point.

    Attributes
    ----------
    value : ndarray (K, 2, F) of complex
        At the reference point.
    on, off : ndarray (2, K, 2, F) of complex
        Slopes with the flux of each loop, per Phi0, in a group's own sweeps and in those that divide.
    flux_phi0 : ndarray (P, 2)
        Of the model's probes at the reference point.
    """

    value: ComplexArray
    on: ComplexArray
    off: ComplexArray
    flux_phi0: FloatArray

    def at(self, flux_phi0: FloatArray, rows: Sequence[int], divisor_row: int) -> ComplexArray:
        """At fluxes (B, P, 2) of the probes; shape (B, K, 2, F)."""
        return self.value + self.change(flux_phi0 - self.flux_phi0, rows, divisor_row)

    def change(self, change_phi0: FloatArray, rows: Sequence[int], divisor_row: int) -> ComplexArray:
        """For changes (..., P, 2) of the probes' fluxes; shape (..., K, 2, F)."""
        own = np.einsum("...kl,lkpf->...kpf", change_phi0[..., list(rows), :], self.on)
        return np.asarray(own + np.einsum("...l,lkpf->...kpf", change_phi0[..., divisor_row, :], self.off))


@dataclass(frozen=True)
class Family:
    """Groups of one isolator that share the pump-off group that divides them, as ratios, with their noise.

    Attributes
    ----------
    isolator : int
    keys, divisor : GroupKey
    rows, divisor_row
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
    common_rows : ndarray (Z',) of int
        Which of the amplitudes that an isolator's families have in common (flicker noise, eliminated parameters, what the model
        leaves out) move this one.
    common : ndarray (Z', 2*K*2*F)
        Maps a residual to its share of the scores of these amplitudes.  Shares add up; `RatioLikelihood` whitens the sum.
    common_directions : ndarray (Z', K, 2, F) of complex
        Directions of these amplitudes, unit variance each.
    added : Added or None
        What the set-up adds to the model's ratios.
    """

    isolator: int
    keys: tuple[GroupKey, ...]
    divisor: GroupKey
    rows: tuple[int, ...]
    divisor_row: int
    frequency_hz: FloatArray
    ratio: ComplexArray
    expected: ComplexArray
    precision: FloatArray
    shared: FloatArray
    directions: ComplexArray
    whitener: FloatArray
    log_volume: float
    real: bool
    notch: Notch | None
    common_rows: npt.NDArray[np.intp]
    common: FloatArray
    common_directions: ComplexArray
    added: Added | None = None

    @property
    def values(self) -> int:
        """Real numbers in the data."""
        if self.real:
            return int(np.sum(self.precision > 0)) + (0 if self.notch is None else self.notch.power.size)
        return 2 * int(np.sum(self.precision > 0))

    @property
    def off_precision(self) -> FloatArray:
        """1/v_0 (2, F) per quadrature: of the relative white noise of the pump-off mean."""
        return np.asarray(
            np.maximum(1 / self.shared - np.sum(np.abs(self.expected) ** 2 * self.precision, axis=0), 1e-300)
        )

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
        weighted = residual * self.precision
        common = np.einsum("bkpf,kpf->bpf", weighted, np.conj(self.expected))
        flat = reals(residual)
        out = np.einsum("bi,bi->b", flat, reals(weighted))
        out -= np.einsum("bpf,pf->b", common.real**2 + common.imag**2, self.shared)
        scores = flat @ self.whitener.T
        out -= np.einsum("bz,bz->b", scores, scores)
        return np.asarray(out)

    def grams(self, vectors: ComplexArray) -> FloatArray:
        """Inner products v_i^T C^-1 v_j within each of B stacks of n vectors (B, n, K, 2, F); shape (B, n, n)."""
        batch, count = vectors.shape[:2]
        weighted = vectors * self.precision
        common = np.einsum("bnkpf,kpf->bnpf", weighted, np.conj(self.expected))
        flat = reals(vectors)
        out = flat @ reals(weighted).transpose(0, 2, 1)
        root = (common * np.sqrt(self.shared)).reshape(batch, count, -1).view(np.float64)
        out -= root @ root.transpose(0, 2, 1)
        scores = flat @ self.whitener.T
        out -= scores @ scores.transpose(0, 2, 1)
        return np.asarray(out)

    def common_scores(self, vectors: ComplexArray) -> FloatArray:
        """This family's share of the scores of its common amplitudes for vectors (..., K, 2, F); shape (..., Z')."""
        return np.asarray(reals(vectors) @ self.common.T)

    def inverse(self, vectors: ComplexArray) -> FloatArray:
        """Inverse covariance of white parts and amplitudes applied to vectors (n, K, 2, F), as flat reals (n, 2*K*2*F)."""
        flat = reals(vectors)
        weighed = reals(self.weigh(vectors))
        return np.asarray(weighed - (flat @ self.whitener.T) @ self.whitener)

    def gram(self, vectors: ComplexArray) -> FloatArray:
        """Matrix of inner products v_i^T C^-1 v_j of vectors (n, K, 2, F); shape (n, n)."""
        flat, weighed = reals(vectors), reals(self.weigh(vectors))
        scores = flat @ self.whitener.T
        return np.asarray(flat @ weighed.T - scores @ scores.T)

    def amplitudes(self, residuals: ComplexArray) -> FloatArray:
        """Most probable amplitudes of its own (in prior standard deviations) for residuals (B, K, 2, F); shape (B, Z)."""
        weighed = reals(self.weigh(self.directions))
        information = reals(self.directions) @ weighed.T + np.eye(len(self.directions))
        return np.asarray(np.linalg.solve(information, weighed @ reals(residuals).T).T)

    def draw_noise(self, rng: np.random.Generator, count: int) -> ComplexArray:
        """Draws of the noise of the ratios, (count, K, 2, F): white parts and amplitudes."""
        shape = self.ratio.shape

        def normal(*size: int) -> ComplexArray:
            return np.asarray(rng.standard_normal(size) + 1j * rng.standard_normal(size))

        with np.errstate(divide="ignore"):
            noise = normal(count, *shape) * np.where(self.precision > 0, 1 / np.sqrt(self.precision), 0.0)
        off = normal(count, *shape[1:]) / np.sqrt(self.off_precision)
        noise -= off[:, None] * self.expected
        if self.real:
            noise.imag = 0.0
        amplitudes = rng.standard_normal((count, len(self.directions)))
        return np.asarray(noise + np.tensordot(amplitudes, self.directions, axes=1))


def build_family(
    place: Place,
    digest: Digest,
    allowance: Allowance,
    expected: ComplexArray | None,
    flux: ComplexArray,
    magnitude: bool,
) -> Family:
    """A family with its own noise, without what it has in common with others.

    Parameters
    ----------
    place : Place
    digest : Digest
    allowance : Allowance
    expected : ndarray (K, 2, F) of complex, or None
        The ratios along which pump-off noise and gain errors act; the measured ones by default.
    flux : ndarray (Z, K, 2, F) of complex
        Directions of white flux noise, unit variance each.
    magnitude : bool
        Only magnitudes are used.

    Raises
    ------
    InputError
        If a pump-off trace is exactly zero somewhere.
    """
    off, noise, chosen, keys = digest[place.divisor], allowance.levels, place.chosen, place.keys
    paths = list(PATHS)
    notch: Notch | None = None
    d0 = (_power(off) if magnitude else off.mean[paths])[:, chosen]
    if np.any(d0 == 0):
        raise InputError(
            f"a pump-off trace is exactly zero, so nothing can be divided by it ({place.divisor.describe()})",
            remedy="Record the pump-off sweeps again",
        )
    if magnitude:
        ratio, precision, off_variance, notch = _amplitudes(keys, place.divisor, digest, noise, chosen)
        if allowance.least:
            notch, precision = None, np.where(ratio.real < allowance.least, 0.0, precision)
    else:
        power = _pump_off_power(off.mean[paths], noise.white[place.divisor] ** 2 / off.count)[:, chosen]
        ratio = np.array([digest[k].mean[paths][:, chosen] / d0 for k in keys])
        precision = np.array([digest[k].count * power / noise.white[k][:, None] ** 2 for k in keys])
        off_variance = noise.white[place.divisor][:, None] ** 2 / (off.count * power)
    spurs = noise.spurious(keys[0].isolator, off.frequency_hz.size)[:, chosen]
    precision = np.where(spurs, 0.0, precision)
    expected = ratio if expected is None else expected
    shared = 1 / (1 / off_variance + np.sum(np.abs(expected) ** 2 * precision, axis=0))
    drift, stays = noise.drift[keys[0].isolator], allowance.residual_gain**2 * np.eye(4)
    directions = [_gain_directions(expected, [n], drift / digest[k].count + stays) for n, k in enumerate(keys)]
    directions.append(_gain_directions(-expected, list(range(len(keys))), drift / off.count + stays))
    counts = np.array([*(digest[k].count for k in keys), off.count], dtype=np.float64)
    left_out, wandering = left_out_shapes(len(chosen), allowance.own), wander_shapes(off.frequency_hz, allowance.within)
    directions += [
        flux,
        own_directions(expected, left_out, np.ones(len(counts))),
        own_directions(expected, wandering[..., chosen], counts),
    ]
    stacked = np.concatenate(directions)
    if magnitude:  # a turn of the phase does not show
        stacked = stacked.real.astype(np.complex128)
    stacked = np.ascontiguousarray(stacked[np.any(stacked != 0, axis=(1, 2, 3))])
    bare = Family(
        place.isolator, keys, place.divisor, place.rows, place.divisor_row, off.frequency_hz[chosen], ratio, expected,
        precision, shared, stacked, np.zeros((0, 2 * ratio.size)), 0.0, magnitude, notch,
        np.zeros(0, dtype=np.intp), np.zeros((0, 2 * ratio.size)), np.zeros((0, *ratio.shape), dtype=np.complex128),
    )  # fmt: skip
    if not len(stacked):
        return bare
    weighed = reals(bare.weigh(stacked))
    lower = np.linalg.cholesky(reals(stacked) @ weighed.T + np.eye(len(stacked)))
    whitener = np.asarray(solve_triangular(lower, weighed, lower=True, check_finite=False))
    return replace(bare, whitener=whitener, log_volume=float(2 * np.sum(np.log(np.diag(lower)))))


OWN_SHAPES = 3
"""Legendre polynomials along the sweep, from the first order on, in which what is left out may differ from group to group."""


def left_out_shapes(points: int, size: float) -> FloatArray:
    """Functions (Q, 2, F) along a sweep, and in both quadratures, of what a group has for itself of the remainder; none of size zero."""
    x = np.linspace(-1.0, 1.0, points)
    shapes = np.polynomial.legendre.legvander(x, OWN_SHAPES)[:, 1:].T
    shapes = shapes / np.sqrt(np.mean(shapes**2, axis=1, keepdims=True) * OWN_SHAPES)
    return np.repeat((size * shapes)[: OWN_SHAPES if size > 0 else 0, None], 2, axis=1)


def own_directions(expected: ComplexArray, functions: FloatArray, counts: FloatArray) -> ComplexArray:
    """Directions of relative errors along the sweep which each group, and the divisor, has for itself.

    Parameters
    ----------
    expected : ndarray (K, 2, F) of complex
        Ratios of K groups over their divisor.
    functions : ndarray (Q, 2, F)
        Errors of unit variance of one sweep, along transmission and across it, the same for S21 and S12.
    counts : ndarray (K + 1,)
        Sweeps over which they average, those of the divisor last.

    Returns
    -------
    ndarray (Z, K, 2, F) of complex
        Unit variance each.
    """
    count, points = len(expected), expected.shape[-1]
    out = np.zeros((count + 1, 2, len(functions), 2, *expected.shape), dtype=np.complex128)
    turned = functions * np.array([1.0, 1j])[:, None]
    for path in range(2):
        for n in range(count):
            change = turned * expected[n, path]
            out[n, path, :, :, n, path] = change / np.sqrt(counts[n])
            out[count, path, :, :, n, path] = -change / np.sqrt(counts[count])
    return out.reshape(-1, count, 2, points)


def _power(group: GroupStats) -> FloatArray:
    """Mean squared magnitudes (2, F) of S21 and S12: |mean|^2 plus the scatter about it, noise and all."""
    paths = list(PATHS)
    return np.asarray(np.abs(group.mean[paths]) ** 2 + group.scatter[paths] / group.count)


def _amplitudes(
    keys: Sequence[GroupKey],
    divisor: GroupKey,
    digest: Digest,
    noise: NoiseLevels,
    chosen: npt.NDArray[np.intp],
) -> tuple[ComplexArray, FloatArray, FloatArray, Notch | None]:
    """Ratios of amplitudes (K, 2, F), their precision, the pump-off variance (2, F), and the points left to the exact law."""
    off = digest[divisor]
    off_white = noise.white[divisor][:, None] ** 2
    base = amplitude_from_power(_power(off), off_white, off.count)
    level = np.maximum(base, 1e-3 * np.median(base, axis=-1, keepdims=True))
    smooth = np.sqrt(_pump_off_power(level.astype(np.complex128), noise.white[divisor] ** 2 / off.count))[:, chosen]
    base, level = base[:, chosen], level[:, chosen]
    usable = base**2 > _NOTCH_SIGNAL_TO_NOISE**2 * amplitude_variance(base, off_white, off.count)
    ratio = np.zeros((len(keys), *level.shape), dtype=np.complex128)
    precision = np.zeros(ratio.shape)
    places, powers, variances, counts = [], [], [], []
    for n, key in enumerate(keys):
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


LEAST_AMPLITUDE = 0.1
"""Ratios of magnitudes below which nothing is taken of a point where numbers of chip and set-up are uncertain.  A change d of a ratio S
by these is Re(d S*)/|S| to first order, and |d|^2/(2 |S|) to second: a path beside the device at -30 dB is then beyond the noise.  The exact
law of a notch knows of no such change."""


def least_amplitude(eliminated: Sequence[Parameter]) -> float:
    """`LEAST_AMPLITUDE` of an isolator some of whose numbers are uncertain; zero, and notches by their law, where none is."""
    return LEAST_AMPLITUDE if eliminated else 0.0


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
