"""Statistics of directions: unit vectors, densities, credible regions and modes on the sphere.

Directions are unit vectors ``(..., 3)``. +z is the chip normal, the azimuth runs from +x towards +y, the elevation is
counted from the xy plane. Every function is pure; randomness comes only from a generator that is handed in. Small
angles are computed from chords, never from the arc cosine of a number close to one, so clouds of 1e-6 rad are as safe
as clouds that cover the sphere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxsense.base.errors import InputError

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]

FULL_SPHERE_SR = 4.0 * np.pi
GOLDEN_ANGLE_RAD = np.pi * (3.0 - np.sqrt(5.0))
#: Fewest distinct samples from which a density on the sphere is estimated.
FEWEST_SAMPLES = 20
#: Kernels kept by default; more samples are thinned evenly to this number.
MOST_KERNELS = 3000
_BLOCK_ROWS = 128
_FEWEST_IN_MODE = 8


def _tree(points: Floats) -> cKDTree:
    """For the nearest of some points (n, 3); scipy.spatial takes a tenth of a second to import, and plans have no samples."""
    from scipy.spatial import cKDTree

    return cKDTree(points)


# ------------------------------------------------------------------------------------------------ vectors and angles
def direction_error_rad(w: Floats, covariance: Floats) -> Floats:
    """Root mean square angle of the directions of vectors, to first order in their errors.

    Of an error d the part across w turns the direction by |d_across|/|w|, so that the mean square is (tr C - u^T C u)/|w|^2 with
    u = w/|w|; derived.

    Parameters
    ----------
    w : ndarray (..., 3)
    covariance : ndarray (..., 3, 3)
        Of w, in its unit squared.

    Returns
    -------
    ndarray (...)
        In rad; pi where w is zero.
    """
    r2 = np.sum(w * w, axis=-1)
    safe = np.where(r2 > 0, r2, 1.0)
    along = np.einsum("...i,...ij,...j->...", w, covariance, w) / safe
    square = np.maximum(np.trace(covariance, axis1=-2, axis2=-1) - along, 0.0) / safe
    return np.asarray(np.where(r2 > 0, np.sqrt(square), np.pi))


def unit_vectors(vectors: ArrayLike, where: str = "direction") -> Floats:
    """Scale vectors to length one.

    Parameters
    ----------
    vectors : array_like, shape (..., 3)
        Any unit; only the direction matters.
    where : str
        Name used in error messages.

    Returns
    -------
    ndarray, shape (..., 3)

    Raises
    ------
    InputError
        If the last axis is not 3 long, or a vector is zero or not finite.
    """
    v = np.asarray(vectors, dtype=float)
    if v.ndim == 0 or v.shape[-1] != 3:
        raise InputError(
            f"directions need three components on their last axis, got an array of shape {v.shape}",
            where=where,
            remedy="Pass an array of shape (..., 3)",
        )
    if not np.all(np.isfinite(v)):
        raise InputError("a direction holds a value that is not finite", where=where, remedy="Remove nan and inf")
    largest = np.max(np.abs(v), axis=-1, keepdims=True)  # moments of 1e-170 A m^2 must not underflow when squared
    if np.any(largest == 0.0):
        raise InputError(
            "a vector of length zero has no direction",
            where=where,
            remedy="Remove zero vectors before taking directions",
        )
    v = v / largest
    unit: Floats = v / np.sqrt(np.sum(v * v, axis=-1, keepdims=True))
    return unit


def vector_from_angles(azimuth_rad: ArrayLike, elevation_rad: ArrayLike) -> Floats:
    """Unit vectors ``(..., 3)`` from azimuth (+x towards +y) and elevation (from the xy plane); both broadcast."""
    azimuth, elevation = np.broadcast_arrays(np.asarray(azimuth_rad, float), np.asarray(elevation_rad, float))
    level = np.cos(elevation)
    return np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation)], axis=-1)


def angles_from_vector(vectors: ArrayLike) -> tuple[Floats, Floats]:
    """Azimuth in (-pi, pi] and elevation in [-pi/2, pi/2], both rad, of vectors ``(..., 3)`` of any length.

    At the poles, where the azimuth is free, it is 0. Raises ``InputError`` as `unit_vectors` does.
    """
    v = unit_vectors(vectors)
    azimuth = np.arctan2(v[..., 1], v[..., 0] + 0.0)
    level = np.hypot(v[..., 0], v[..., 1])
    return np.where(level == 0.0, 0.0, azimuth), np.arctan2(v[..., 2], level)


def angle_between_rad(a: ArrayLike, b: ArrayLike) -> Floats:
    """Angle in [0, pi] between vectors ``(..., 3)`` (broadcast), to full relative accuracy near 0 and near pi.

    Uses ``2 atan2(|a-b|, |a+b|)`` for unit vectors: half the angle is opposite half of one diagonal of the rhombus
    that a and b span.
    """
    u, v = unit_vectors(a), unit_vectors(b)
    return np.asarray(2.0 * np.arctan2(_norm(u - v), _norm(u + v)), dtype=float)


def rotation_to(direction: ArrayLike) -> Floats:
    """Rotation that brings a direction to the centre of a map, +x, with north kept up.

    Parameters
    ----------
    direction : array_like, shape (..., 3)

    Returns
    -------
    ndarray, shape (..., 3, 3)
        Proper rotation; rows are the direction, its local east and its local north, so ``R @ direction = (1, 0, 0)``
        and the azimuth and elevation of ``R @ v`` are the longitude and latitude of v on the centred map.
    """
    azimuth, elevation = angles_from_vector(direction)
    zero = np.zeros_like(azimuth)
    ahead = vector_from_angles(azimuth, elevation)
    east = np.stack([-np.sin(azimuth), np.cos(azimuth), zero], axis=-1)
    north = np.stack(
        [-np.sin(elevation) * np.cos(azimuth), -np.sin(elevation) * np.sin(azimuth), np.cos(elevation)], axis=-1
    )
    return np.stack([ahead, east, north], axis=-2)


def lambert_xy(vectors: ArrayLike, centre: ArrayLike) -> Floats:
    """Lambert's azimuthal equal-area map about a centre: ``(..., 2)`` coordinates, east and north.

    A point at angle a from the centre lies at radius ``2 sin(a/2)``, so areas on the map are solid angles in sr and the
    whole sphere fills a disc of radius 2. The antipode of the centre, which is that disc's rim, is put at (2, 0).
    """
    v = np.einsum("...ij,...j->...i", rotation_to(centre), unit_vectors(vectors))
    sideways = np.hypot(v[..., 1], v[..., 2])
    radius = 2.0 * np.sin(0.5 * np.arctan2(sideways, v[..., 0]))
    safe = np.where(sideways == 0.0, 1.0, sideways)
    x = np.where(sideways == 0.0, radius, radius * v[..., 1] / safe)
    return np.stack([x, radius * v[..., 2] / safe], axis=-1)


def equal_area_points(n: int) -> Floats:
    """``(n, 3)`` points of a deterministic spiral lattice, each standing for a solid angle of 4 pi/n.

    Heights are the midpoints of n zones of equal area (Archimedes' hat-box theorem); the azimuth advances by the golden
    angle from one to the next.
    """
    if n < 1:
        raise InputError(f"a lattice needs at least one point, got {n}", where="equal_area_points")
    index = np.arange(n)
    z = 1.0 - (2.0 * index + 1.0) / n
    level = np.sqrt((1.0 - z) * (1.0 + z))
    azimuth = GOLDEN_ANGLE_RAD * index
    return np.stack([level * np.cos(azimuth), level * np.sin(azimuth), z], axis=-1)


def random_directions(rng: np.random.Generator, n: int) -> Floats:
    """``(n, 3)`` independent directions, uniform on the sphere (height uniform, azimuth uniform)."""
    z = rng.uniform(-1.0, 1.0, n)
    level = np.sqrt((1.0 - z) * (1.0 + z))
    azimuth = rng.uniform(-np.pi, np.pi, n)
    return np.stack([level * np.cos(azimuth), level * np.sin(azimuth), z], axis=-1)


# ------------------------------------------------------------------------------------------------- density on the sphere
@dataclass(frozen=True, eq=False)
class SphereDensity:
    """Kernel density on the sphere with a width of its own for each sample; made by `fit_sphere_density`.

    Attributes
    ----------
    centres : ndarray, shape (K, 3)
        Distinct kernel centres.
    weight : ndarray, shape (K,)
        Sum 1.
    kappa, kappa_without : ndarray, shape (K,)
        Concentration of each kernel, and what it would be if one of the neighbours that set it were left out.
    reach2 : ndarray, shape (K,)
        Squared chord to the neighbour that sets the width.
    """

    centres: Floats = field(repr=False)
    weight: Floats = field(repr=False)
    kappa: Floats = field(repr=False)
    kappa_without: Floats = field(repr=False)
    reach2: Floats = field(repr=False)

    def log_density(self, points: ArrayLike, leave_one_out: bool = False) -> Floats:
        """Log density per sr at points ``(M, 3)`` -> ``(M,)``.

        With ``leave_one_out`` a point that is itself a kernel centre is scored by what the estimate would have been
        without it: its own kernel is dropped and the widths it had a part in are those without it. Such scores and the
        plain score of a fresh draw are exchangeable up to a term of order 1/K.
        """
        p = unit_vectors(points)
        if p.ndim != 2:
            raise InputError(f"points must have shape (M, 3), got {p.shape}", where="sphere density")
        own = self._own_kernel(p) if leave_one_out else None
        return self._log_density(p, own)

    def draws(self, n: int) -> Floats:
        """``(n, 3)`` deterministic, evenly spread draws of the estimate (systematic kernels, a two-dimensional lattice)."""
        position = (np.arange(n) + 0.5) / n
        index = np.minimum(np.searchsorted(np.cumsum(self.weight), position), len(self.weight) - 1)
        # additive recurrence with the plastic number (root of x^3 = x + 1), a low-discrepancy sequence in the square
        plastic = 1.32471795724474602596
        step = np.arange(1, n + 1)
        return _vmf_from_uniforms(
            self.centres[index], self.kappa[index], (0.5 + step / plastic) % 1.0, (0.5 + step / plastic**2) % 1.0
        )

    def _own_kernel(self, points: Floats) -> Integers:
        distance, index = _tree(self.centres).query(points)
        return np.where(distance == 0.0, index, -1).astype(np.intp)

    def _log_density(self, points: Floats, own: Integers | None) -> Floats:
        middle = self.centres.mean(axis=0)  # chords from centred coordinates keep tiny clouds accurate
        c = self.centres - middle
        c2 = np.sum(c * c, axis=1)
        log_weight = np.log(self.weight)
        peak, peak_without = log_weight + _log_peak(self.kappa), log_weight + _log_peak(self.kappa_without)
        result = np.empty(len(points))
        for start in range(0, len(points), _BLOCK_ROWS):
            rows = slice(start, start + _BLOCK_ROWS)
            q = points[rows] - middle
            chord2 = np.maximum(np.sum(q * q, axis=1)[:, None] + c2 - 2.0 * (q @ c.T), 0.0)
            term = peak - 0.5 * self.kappa * chord2
            if own is not None:
                mine = own[rows]
                line = np.flatnonzero(mine >= 0)
                near_line, near = np.nonzero(chord2[line] <= self.reach2 * (1.0 + 1e-9))
                near_line = line[near_line]
                term[near_line, near] = peak_without[near] - 0.5 * self.kappa_without[near] * chord2[near_line, near]
                term[line, mine[line]] = -np.inf
            top = term.max(axis=1)
            total = top + np.log(np.exp(term - top[:, None]).sum(axis=1))
            if own is not None:
                total[line] -= np.log1p(-self.weight[mine[line]])
            result[rows] = total
        return result


def fit_sphere_density(
    samples: ArrayLike, weights: ArrayLike | None = None, most_kernels: int = MOST_KERNELS
) -> SphereDensity:
    """Adaptive kernel density of directions.

    Each sample carries a von Mises-Fisher kernel whose width follows the distance to its k-th nearest neighbour, k about
    the square root of the number of samples (Loftsgaarden & Quesenberry's nearest-neighbour idea and Breiman, Meisel &
    Purcell's variable kernel, Technometrics 19, 135 (1977), from memory). It therefore suits tight clouds, several modes
    of unequal width, arcs and the whole sphere alike.

    Parameters
    ----------
    samples : array_like, shape (N, 3)
        Draws. Exact repeats, as a Markov chain makes them, are merged into one kernel of larger weight.
    weights : array_like, shape (N,), optional
        Non-negative weights of the draws.
    most_kernels : int
        More samples than this are thinned evenly, so that cost stays bounded.

    Raises
    ------
    InputError
        If fewer than 20 distinct samples are given, or weights are negative, not finite or of another length.
    """
    v = _sample_array(samples, "samples", fewest=FEWEST_SAMPLES)
    w = _weights(weights, len(v))
    keep = _thinned(len(v), most_kernels)
    keep = keep[w[keep] > 0.0]
    centres, inverse = np.unique(v[keep], axis=0, return_inverse=True)
    if len(centres) < FEWEST_SAMPLES:
        raise InputError(
            f"only {len(centres)} distinct directions with a weight, too few for a density on the sphere",
            where="samples",
            remedy=f"Give at least {FEWEST_SAMPLES}; a chain that repeats itself must run longer",
        )
    weight = np.bincount(inverse.ravel(), weights=w[keep])
    k = max(4, round(np.sqrt(len(centres))))
    distance = np.asarray(_tree(centres).query(centres, k=k + 2)[0])  # column 0 is the sample itself
    smallest = 1e-12  # merges what rounding alone separates
    reach2, reach2_without = (np.maximum(distance[:, [k, k + 1]], smallest) ** 2).T
    return SphereDensity(
        centres, weight / weight.sum(), _KERNEL_SHARPNESS / reach2, _KERNEL_SHARPNESS / reach2_without, reach2
    )


#: Kernel concentration times squared chord to the k-th neighbour; chosen by trial on clouds, pairs of modes and rings
#: for the smallest regions at right coverage.
_KERNEL_SHARPNESS = 2.0


# ------------------------------------------------------------------------------------------------------ credible regions
@dataclass(frozen=True, eq=False)
class Region:
    """A credible region on the sphere: the directions whose estimated density is at least a threshold.

    Attributes
    ----------
    level : float
        Probability that it holds.
    solid_angle_sr, solid_angle_error_sr : float
        Its size, and the standard error of that figure (from the draws that measure it; the smoothing of the density
        adds a few per cent of its own).
    cone_deg : float
        Half-angle of the cone about `axis` that holds the same probability; large where modes are far apart.
    axis : ndarray, shape (3,)
    log_density_threshold : float
        Natural logarithm, density per sr; -inf where only the whole sphere will do.
    density : SphereDensity
    candidates : ndarray, shape (M, 3), or None
        For a prior that knows a list of directions only: those of them that the region holds.
    """

    level: float
    solid_angle_sr: float
    solid_angle_error_sr: float
    cone_deg: float
    axis: Floats
    log_density_threshold: float
    density: SphereDensity = field(repr=False)
    candidates: Floats | None = None


def candidate_clusters(candidates: ArrayLike, chosen: ArrayLike) -> Clusters:
    """Clusters of samples that each stand for one of a few directions.

    Parameters
    ----------
    candidates : array_like, shape (K, 3)
    chosen : array_like of int, shape (N,)
        Number of each sample's direction.

    Returns
    -------
    Clusters
        One mode per direction that occurs, heaviest first, of no angular spread.
    """
    axes = unit_vectors(candidates, "candidates")
    numbers = np.asarray(chosen)
    count = np.bincount(numbers, minlength=len(axes))
    order = [int(k) for k in np.argsort(-count, kind="stable") if count[k]]
    rank = np.zeros(len(axes), dtype=np.intp)
    rank[order] = np.arange(len(order))
    modes = tuple(Mode(float(count[k] / numbers.size), int(count[k]), axes[k], 0.0) for k in order)
    return Clusters(rank[numbers], modes)


def candidate_regions(regions: Sequence[Region], groups: Clusters) -> list[Region]:
    """Regions as sets of candidates: the heaviest that together hold at least each level.

    The cone is about the heaviest candidate and takes in the whole set; the solid angle of a few directions is zero.
    """
    weight = np.cumsum([m.weight for m in groups.modes])
    means = np.array([m.mean for m in groups.modes])
    out = []
    for region in regions:
        held = means[: int(np.searchsorted(weight, region.level - 1e-12)) + 1]
        cone = float(np.degrees(np.max(angle_between_rad(held, means[0]))))
        out.append(
            replace(region, solid_angle_sr=0.0, solid_angle_error_sr=0.0, cone_deg=cone, axis=means[0], candidates=held)
        )
    return out


def credible_regions(
    samples: ArrayLike,
    levels: Sequence[float] = (0.5, 0.9, 0.95),
    axis: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    most_kernels: int = MOST_KERNELS,
) -> list[Region]:
    """Highest-density credible regions of sampled directions.

    The threshold is the quantile of the leave-one-out densities of the samples themselves, with the rank
    ``level (N + 1)`` of conformal prediction: a further draw of the same distribution gets a score that is exchangeable
    with theirs, so it falls inside with probability `level` whatever the shape of the cloud and whatever the kernels do
    (Vovk, Gammerman & Shafer, Algorithmic Learning in a Random World (2005), from memory; leave-one-out scores make it
    exact only up to order 1/N). Samples must be independent or thinned to be nearly so.

    The solid angle of ``{density >= threshold}`` is the mean over draws of the estimate of ``1[inside]/density``.

    Parameters
    ----------
    samples : array_like, shape (N, 3)
    levels : sequence of float
        Each in (0, 1).
    axis : array_like, shape (3,), optional
        Axis of the cones; the mean direction of the heaviest mode if left out.
    weights : array_like, shape (N,), optional
    most_kernels : int

    Returns
    -------
    list of Region
        In the order of `levels`; nested.

    Raises
    ------
    InputError
        As `fit_sphere_density`, or if a level lies outside (0, 1).
    """
    for level in levels:
        if not 0.0 < level < 1.0:
            raise InputError(
                f"a credible level must lie between 0 and 1, got {level}", where="levels", remedy="Write 0.95 for 95%"
            )
    v = _sample_array(samples, "samples", fewest=FEWEST_SAMPLES)
    w = _weights(weights, len(v))
    density = fit_sphere_density(v, w, most_kernels)
    score = density._log_density(density.centres, np.arange(len(density.centres)))
    centre = clusters(v, weights=w, most_kernels=most_kernels).modes[0].mean if axis is None else unit_vectors(axis)
    angle = angle_between_rad(density.centres, centre)
    draws = density.draws(max(2000, len(density.centres)))
    log_at_draws = density._log_density(draws, None)
    regions = []
    for level in levels:
        threshold = -_conformal_quantile(-score, density.weight, level)
        cone = min(_conformal_quantile(angle, density.weight, level), np.pi)
        if threshold == -np.inf:
            size, error = FULL_SPHERE_SR, 0.0
        else:
            share = np.where(log_at_draws >= threshold, np.exp(-log_at_draws), 0.0)
            size, error = float(share.mean()), float(share.std(ddof=1) / np.sqrt(len(share)))
        regions.append(
            Region(float(level), min(size, FULL_SPHERE_SR), error, float(np.degrees(cone)), centre, threshold, density)
        )
    return regions


def contains(region: Region, directions: ArrayLike) -> NDArray[np.bool_]:
    """Whether directions ``(..., 3)`` lie in a credible region -> bool ``(...)``."""
    d = unit_vectors(directions)
    if region.candidates is not None:
        near = np.max(d.reshape(-1, 3) @ region.candidates.T, axis=1) > 1 - 1e-10
        return np.asarray(near.reshape(d.shape[:-1]), dtype=bool)
    inside = region.density.log_density(d.reshape(-1, 3)) >= region.log_density_threshold
    return np.asarray(inside.reshape(d.shape[:-1]), dtype=bool)


# ----------------------------------------------------------------------------------------------------------------- modes
@dataclass(frozen=True)
class Mode:
    """One separated cloud of directions.

    Attributes
    ----------
    weight : float
        Share of the samples' weight.
    count : int
        Samples in it.
    mean : ndarray, shape (3,)
        Direction of their vector sum.
    angular_sd_rad : float
        Root mean square angle to the mean, about ``sqrt(2/kappa)`` for a Fisher cloud.
    """

    weight: float
    count: int
    mean: Floats
    angular_sd_rad: float


@dataclass(frozen=True, eq=False)
class Clusters:
    """Separated modes, heaviest first, and the number of the mode of each sample ``labels (N,)``."""

    labels: Integers = field(repr=False)
    modes: tuple[Mode, ...]


def clusters(
    samples: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    saddle: float = 0.15,
    least_weight: float = 0.005,
    most_kernels: int = MOST_KERNELS,
) -> Clusters:
    """Separate the modes of sampled directions.

    Samples are visited from the highest density down and joined along a mutual nearest-neighbour graph; two growing
    modes stay apart if the density where they meet is below `saddle` times the lower of their peaks (persistence
    clustering: Chazal, Guibas, Oudot & Skraba, J. ACM 60, 41 (2013), from memory). Groups lighter than `least_weight`,
    or of fewer than 8 distinct samples, join the nearest mode.

    Parameters
    ----------
    samples : array_like, shape (N, 3)
    weights : array_like, shape (N,), optional
    saddle : float
        In (0, 1). The default separates two equal round clouds from about five of their standard deviations apart (by
        trial) and leaves arcs, rings and the uniform sphere in one piece; a larger value splits sooner and may split
        where only sampling noise is.
    least_weight : float
        In [0, 1). Modes below it are not reported on their own.
    most_kernels : int

    Returns
    -------
    Clusters

    Raises
    ------
    InputError
        As `fit_sphere_density`, or if `saddle` or `least_weight` is out of range.
    """
    if not 0.0 < saddle < 1.0 or not 0.0 <= least_weight < 1.0:
        raise InputError(
            f"saddle = {saddle} and least_weight = {least_weight} must both lie between 0 and 1", where="clusters"
        )
    v = _sample_array(samples, "samples", fewest=FEWEST_SAMPLES)
    w = _weights(weights, len(v))
    density = fit_sphere_density(v, w, most_kernels)
    height = density._log_density(density.centres, None)
    root = _persistent_components(density.centres, height, np.log(saddle))
    root = _absorb_small(
        density.centres, root, density.weight, max(least_weight, _FEWEST_IN_MODE / len(density.centres))
    )
    tree = _tree(density.centres)
    labels = root[tree.query(v)[1]]
    mass = np.bincount(labels, weights=w)
    order = np.argsort(-mass, kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    labels = rank[labels]
    modes = tuple(_mode(v[labels == m], w[labels == m]) for m in range(len(order)))
    return Clusters(labels.astype(np.intp), modes)


@dataclass(frozen=True)
class AntipodalOdds:
    """Odds of a direction against its opposite.

    Attributes
    ----------
    odds : float
        Weight on the side of the axis over weight on the other side, each with half a sample added so that it stays
        finite.
    log_error : float
        Standard error of the natural logarithm of the odds for independent samples.
    same, opposite : float
        Effective numbers of samples on either side.
    """

    odds: float
    log_error: float
    same: float
    opposite: float


def antipodal_odds(
    samples: ArrayLike, axis: ArrayLike, weights: ArrayLike | None = None, half_angle_rad: float = np.pi / 2
) -> AntipodalOdds:
    """Odds of the cap about an axis against the cap about its opposite.

    Parameters
    ----------
    samples : array_like, shape (N, 3)
    axis : array_like, shape (3,)
    weights : array_like, shape (N,), optional
    half_angle_rad : float
        Half-angle of either cap, at most pi/2 (the default: hemispheres).

    Raises
    ------
    InputError
        If the half-angle is not in (0, pi/2], or samples, axis or weights cannot be used.
    """
    if not 0.0 < half_angle_rad <= np.pi / 2:
        raise InputError(
            f"the half-angle of a cap must lie in (0, pi/2], got {half_angle_rad} rad",
            where="antipodal_odds",
            remedy="Caps wider than a hemisphere would overlap",
        )
    v = _sample_array(samples, "samples", fewest=1)
    w = _weights(weights, len(v))
    w = w * (w.sum() / np.sum(w * w))  # sums to the effective number of samples
    angle = angle_between_rad(v, unit_vectors(axis))
    edge = half_angle_rad * (1.0 + 1e-15)
    same, opposite = float(w[angle <= edge].sum()), float(w[angle >= np.pi - edge].sum())
    return AntipodalOdds(
        (same + 0.5) / (opposite + 0.5), float(np.sqrt(1.0 / (same + 0.5) + 1.0 / (opposite + 0.5))), same, opposite
    )


# ------------------------------------------------------------------------------------------------------ unchecked inside
def _norm(v: Floats) -> Floats:
    return np.asarray(np.sqrt(np.sum(v * v, axis=-1)), dtype=float)


def _log_peak(kappa: Floats) -> Floats:
    """log of kappa/(2 pi (1 - e^(-2 kappa))), the density at the mean; 1/(4 pi) as kappa -> 0."""
    safe = np.where(kappa < 1e-12, 1.0, kappa)
    return np.asarray(
        np.where(kappa < 1e-12, -np.log(FULL_SPHERE_SR), np.log(safe) - np.log(-2.0 * np.pi * np.expm1(-2.0 * safe))),
        dtype=float,
    )


def _vmf_from_uniforms(mean: Floats, kappa: Floats, u: Floats, turn: Floats) -> Floats:
    """One direction per row: 1 - cos of the angle by inversion of its distribution, azimuth 2 pi turn about the mean."""
    safe = np.where(kappa < 1e-12, 1.0, kappa)
    drop = np.where(kappa < 1e-12, 2.0 * u, -np.log1p(u * np.expm1(-2.0 * safe)) / safe)
    drop = np.clip(drop, 0.0, 2.0)[:, None]
    # a tangent basis: cross with the axis that lies least along the mean
    helper = np.eye(3)[np.argmin(np.abs(mean), axis=1)]
    east = np.cross(helper, mean)
    east /= _norm(east)[:, None]
    north = np.cross(mean, east)
    azimuth = 2.0 * np.pi * turn[:, None]
    v = (1.0 - drop) * mean + np.sqrt(drop * (2.0 - drop)) * (np.cos(azimuth) * east + np.sin(azimuth) * north)
    return np.asarray(v / _norm(v)[:, None], dtype=float)


def _sample_array(samples: ArrayLike, where: str, fewest: int) -> Floats:
    v = unit_vectors(samples, where)
    if v.ndim != 2:
        raise InputError(f"directions must have shape (N, 3), got {v.shape}", where=where, remedy="Flatten the chains")
    if len(v) < fewest:
        raise InputError(f"at least {fewest} directions are needed, got {len(v)}", where=where)
    return v


def _weights(weights: ArrayLike | None, n: int) -> Floats:
    if weights is None:
        return np.full(n, 1.0 / n)
    w = np.asarray(weights, dtype=float)
    if w.shape != (n,):
        raise InputError(f"{n} samples need {n} weights, got shape {w.shape}", where="weights")
    total = float(w.sum())
    if not np.all(np.isfinite(w) & (w >= 0.0)) or total <= 0.0:
        raise InputError(
            "weights must be finite, not negative and not all zero",
            where="weights",
            remedy="Normalise log weights first",
        )
    return np.asarray(w / total, dtype=float)


def _thinned(n: int, most: int) -> Integers:
    """Indices of an even subset that keeps step with no period of the input (multiples of the golden ratio)."""
    if n <= most:
        return np.arange(n)
    golden = (np.sqrt(5.0) - 1.0) / 2.0
    return np.unique(((np.arange(most) * golden % 1.0) * n).astype(np.intp))


def _conformal_quantile(values: Floats, weight: Floats, level: float) -> float:
    """Smallest bound that holds ``level (N+1)/N`` of the weight from below; inf where the samples are too few."""
    order = np.argsort(values, kind="stable")
    cumulative = np.cumsum(weight[order])
    wanted = level * (len(values) + 1) / len(values)
    if wanted > 1.0 + 1e-12:
        return float(np.inf)
    place = int(np.searchsorted(cumulative, wanted - 1e-12))
    return float(values[order[min(place, len(values) - 1)]])


def _persistent_components(centres: Floats, height: Floats, log_saddle: float) -> Integers:
    """Component number of each centre; see `clusters`."""
    from scipy.sparse import coo_array, csr_array

    n = len(centres)
    k = min(n - 1, round(3.0 * np.log(n)))
    neighbour = np.asarray(_tree(centres).query(centres, k=k + 1)[1])[:, 1:]
    one = coo_array((np.ones(n * k), (np.repeat(np.arange(n), k), neighbour.ravel())), shape=(n, n)).tocsr()
    mutual = csr_array(one.multiply(one.T))
    parent = np.arange(n)
    order = np.argsort(-height, kind="stable")
    seen = np.zeros(n, dtype=bool)

    def find(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = int(parent[i])
        return i

    for i in order:  # the root of a component is always its highest member
        row = mutual.indices[mutual.indptr[i] : mutual.indptr[i + 1]]
        roots = {find(int(j)) for j in row if seen[j]}
        seen[i] = True
        if not roots:
            continue
        top = max(roots, key=lambda r: height[r])
        parent[i] = top
        for r in roots - {top}:
            if height[i] - height[r] > log_saddle:  # the meeting point is not a deep saddle
                parent[r] = top
    return np.unique([find(i) for i in range(n)], return_inverse=True)[1].astype(np.intp)


def _absorb_small(centres: Floats, label: Integers, weight: Floats, least_weight: float) -> Integers:
    mass = np.bincount(label, weights=weight)
    large = mass >= max(least_weight, 1e-12)
    if not large.any():
        large = mass == mass.max()
    settled = large[label]
    if not settled.all():
        nearest = _tree(centres[settled]).query(centres[~settled])[1]
        label = label.copy()
        label[~settled] = label[settled][nearest]
    return np.unique(label, return_inverse=True)[1].astype(np.intp)


def _mode(v: Floats, w: Floats) -> Mode:
    share = float(w.sum())
    total = (w[:, None] * v).sum(axis=0)
    length = float(_norm(total))
    # a closed ring or a full sphere has no mean; its heaviest sample stands in
    mean = total / length if length > 1e-9 * share else v[int(np.argmax(w))]
    spread = float(np.sqrt(np.sum(w * angle_between_rad(v, mean) ** 2) / share))
    return Mode(share, len(v), mean, spread)
