"""What the repeats of a campaign say about its noise: white level, gain and phase drift, frequencies that are not to be trusted.

White noise is measured from the fourth differences along frequency of each repeat's deviation from the group's mean.  They
are taken after the cable's phase has been turned back, and without the part along the mean trace itself, so that a change
of gain, phase, slope of the gain or delay drops out exactly (to the noise of the mean), whatever the cable's length and
however coarse the grid, and what a change of flux does (smooth over a linewidth) nearly so.  Drift is measured from the deviations' projection on the mean trace at the digest's
frequency nodes, less what white noise puts there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri, multigammaln

from fluxsense.data.digest import Digest, GroupKey, GroupStats

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

PATHS = (1, 2)
"""Rows of S21 and S12 among the digest's paths 11, 21, 12, 22."""

LEAST_WHITE = 1e-5
"""White noise is taken as no less than this share of the largest modulus: traces hold five or six digits, and repeats that
agree to the last of them (a copy, a simulation without noise) do not make the measurement exact."""

WIDTH = 5
"""Neighbouring points of a difference along frequency: the fourth."""
FEWEST_POINTS = 6
"""With fewer frequencies the whole scatter stands for white noise, drift included."""
_DEPENDENCE = 1 + 2 * (56**2 + 28**2 + 8**2 + 1) / 70**2
_POOL_WEIGHT = 100.0
"""Degrees of freedom that the pooled white level counts for beside a group's own."""


@dataclass(frozen=True)
class NoiseLevels:
    """Noise of a campaign.

    Attributes
    ----------
    white : mapping of GroupKey to ndarray (2,)
        Standard deviation per quadrature of one raw sweep, for S21 and S12.
    drift : mapping of isolator name to ndarray (4, 4)
        Covariance of the relative gain error of one sweep: real and imaginary part for S21, then for S12.
    measured : bool
        False if no group has repeats, so that the study's figures stand in.
    spurs : mapping of isolator name to ndarray (2, F) of bool
        Frequencies of S21 and S12 that are not to be trusted; isolators without any are left out.
    """

    white: Mapping[GroupKey, FloatArray]
    drift: Mapping[str, FloatArray]
    measured: bool
    spurs: Mapping[str, npt.NDArray[np.bool_]] = field(default_factory=dict)

    def spurious(self, isolator: str, points: int) -> npt.NDArray[np.bool_]:
        """Which points (2, F) of an isolator's traces of so many points are not to be trusted."""
        found = self.spurs.get(isolator)
        return found if found is not None and found.shape[1] == points else np.zeros((2, points), dtype=bool)


def measure_noise(digest: Digest, stated_white: float, stated_gain: float, stated_phase_rad: float) -> NoiseLevels:
    """White level per group and drift per isolator from a digest.

    Parameters
    ----------
    digest : Digest
    stated_white : float
        Used where there are no repeats: standard deviation per quadrature relative to unit transmission, for which the
        median modulus of the isolator's pump-off sweeps stands (of its strongest group, if there are none).
    stated_gain, stated_phase_rad : float
        Drift used where there are no repeats.

    Returns
    -------
    NoiseLevels
    """
    sums: dict[str, FloatArray] = {}
    dofs: dict[str, float] = {}
    own: dict[GroupKey, tuple[FloatArray, float]] = {}
    for key, group in digest.items():
        points = group.frequency_hz.size
        if group.count < 2:
            continue
        if points >= FEWEST_POINTS:
            dof = (group.count - 1.0) * _places(points)
            total = dof * _white_variance(group)
        else:
            total = group.scatter[list(PATHS)].sum(axis=1) / 2.0
            dof = (group.count - 1.0) * points
        own[key] = (total, dof)
        sums[key.isolator] = sums.get(key.isolator, np.zeros(2)) + total
        dofs[key.isolator] = dofs.get(key.isolator, 0.0) + dof
    if real := magnitudes_only(digest):
        own, sums, dofs = _of_magnitudes(digest, own)
    white = {}
    for key, group in digest.items():
        if key.isolator in sums:
            pool = sums[key.isolator] / dofs[key.isolator]
            total, dof = own.get(key, (np.zeros(2), 0.0)) if not real or not key.pump_on else (np.zeros(2), 0.0)
            white[key] = np.sqrt((total + _POOL_WEIGHT * pool) / (dof + _POOL_WEIGHT))
        else:
            white[key] = stated_white * _unit_level(digest, key.isolator)
        white[key] = np.maximum(white[key], LEAST_WHITE * np.max(np.abs(group.mean[list(PATHS)]), axis=1) + 1e-300)
    drift = {}
    for name in sorted({key.isolator for key in digest}):
        measured = _drift(digest, name, white)
        if measured is None:
            measured = np.diag([stated_gain**2, stated_phase_rad**2] * 2)
        drift[name] = measured
    return NoiseLevels(white, drift, bool(sums), find_spurs(digest, white))


def relative_white(digest: Digest, levels: NoiseLevels) -> float:
    """White noise per quadrature of one sweep relative to unit transmission: the median over groups and both paths."""
    return float(np.median([levels.white[key] / _unit_level(digest, key.isolator) for key in digest]))


def white_freedom(digest: Digest) -> dict[GroupKey, float]:
    """Degrees of freedom behind the white variance that each group's repeats tell, per path; those that tell nothing left out.

    Fourth differences of white noise depend on their neighbours (correlations -0.8, 0.4, -8/70 and 1/70), so that (N - 1)(F - 4) of
    them, with two quadratures, count for 2/(1 + 2 sum of squared correlations) times as many independent squares.
    """
    real = magnitudes_only(digest)
    chosen = {key for key, group in digest.items() if group.count > 1}
    if real:
        strong = {key.isolator for key in chosen if not key.pump_on}
        chosen = {key for key in chosen if not key.pump_on or key.isolator not in strong}
    out = {}
    for key in chosen:
        points, repeats = digest[key].frequency_hz.size, digest[key].count - 1.0
        squares = 2 * _places(points) / _DEPENDENCE if points >= FEWEST_POINTS else 2.0 * points
        out[key] = repeats * squares * (0.5 if real else 1.0)
    return out


def drift_freedom(digest: Digest) -> dict[str, int]:
    """Degrees of freedom behind each isolator's drift: its sweeps beyond the first of their group."""
    out = dict.fromkeys(sorted({key.isolator for key in digest}), 0)
    for key, group in digest.items():
        out[key.isolator] += int(group.count) - 1
    return out


def level_draws(digest: Digest, rng: np.random.Generator, draws: int) -> dict[GroupKey, FloatArray]:
    """How far measured white variances may lie from the true ones: draws (n, 2) of their ratio for each group.

    The same average as in `measure_noise` of the groups' own variances, each chi-square over its degrees of freedom.
    """
    freedom = white_freedom(digest)
    own = {key: rng.chisquare(nu, (draws, 2)) / nu for key, nu in sorted(freedom.items())}
    real = magnitudes_only(digest)
    out = {}
    for key in sorted(digest):
        mine = [k for k in own if k.isolator == key.isolator]
        if not mine:
            continue
        weights = {k: (digest[k].count - 1.0) * _places(digest[k].frequency_hz.size) for k in mine}
        pool = sum(weights[k] * own[k] for k in mine) / sum(weights.values())
        weight = 0.0 if real or key not in own else weights[key]
        level = (weight * own[key] if weight else 0.0) + _POOL_WEIGHT * pool
        out[key] = np.asarray(level / (weight + _POOL_WEIGHT))
    return out


def find_spurs(digest: Digest, white: Mapping[GroupKey, FloatArray]) -> dict[str, npt.NDArray[np.bool_]]:
    """Single frequencies at which an isolator's traces stand out of their neighbours: an interfering tone, a bad point.

    Parameters
    ----------
    digest : Digest
    white : mapping of GroupKey to ndarray (2,)
        `NoiseLevels.white`.

    Returns
    -------
    dict of str to ndarray (2, F) of bool
        Isolators of one frequency grid that have some; never more than one point in `SPUR_SPACING`.

    Notes
    -----
    A tone of fixed phase stands in the means.  With D the fourth difference along frequency (the cable's phase turned back) and m
    a mean, D^T D m/70 is the amplitude of a single point that stands out, with the white variance 2.627 s^2/N; the physics, smooth
    over a linewidth, hardly enters an eighth difference, and where it does (or anything else that is wide), the neighbours
    stand out too and nothing is said.  A tone of random phase stands in the scatter of the repeats instead: D d has the
    energy 70 |tone|^2 there.  Both are summed over all groups of the isolator, chi-square each.
    """
    found: dict[str, npt.NDArray[np.bool_]] = {}
    for isolator in sorted({key.isolator for key in digest}):
        mine = {k: g for k, g in digest.items() if k.isolator == isolator}
        grids = {g.frequency_hz.size for g in mine.values()}
        points = grids.pop()
        if grids or points < 2 * SPUR_SPACING:
            continue
        lifted, restless, freedom = [], np.zeros((2, points - WIDTH + 1)), 0.0
        for key, group in mine.items():
            level = np.maximum(white[key], 1e-300)[:, None]
            lifted.append(_standing_out(group.mean[list(PATHS)]) * np.sqrt(group.count / _DEPENDENCE) / level)
            if group.count > 1:
                restless += local_variance(group) * 2.0 * (group.count - 1.0) / level**2
                freedom += 2.0 * (group.count - 1.0)
        marked = _lonely(np.sum(np.abs(lifted) ** 2, axis=0), 2.0 * len(lifted))
        for path, point in np.argwhere(marked):
            marked[path, point] = _single(np.array([x[path] for x in lifted]), int(point))
        if freedom:
            half = WIDTH // 2
            marked[:, half : points - half] |= _lonely(restless, freedom)
        if np.any(marked):
            found[isolator] = marked
    return found


SPUR_SPACING = 16
"""Points to either side that are asked whether a point stands out alone."""
_SPUR_CHANCE = 1e-7
"""Probability under white noise of a point that is called a spur."""


def _standing_out(mean: ComplexArray) -> ComplexArray:
    """Amplitude (P, F) of a single point that stands out of its neighbours, D^T D m/70."""
    step = np.angle(np.sum(mean[:, 1:] * np.conj(mean[:, :-1]), axis=1))
    turn = np.exp(-1j * step[:, None] * np.arange(float(mean.shape[1])))
    bend = np.diff(mean * turn, WIDTH - 1, axis=1)
    plain = [(-1.0) ** n * math.comb(WIDTH - 1, n) for n in range(WIDTH)]
    return np.array([np.convolve(row, plain) for row in bend], dtype=np.complex128) / 70.0


def _single(lifted: ComplexArray, point: int) -> bool:
    """Whether nothing is left about a point once what a single point does to its neighbours is taken off: else it is a resonance."""
    plain = np.array([(-1.0) ** n * math.comb(WIDTH - 1, n) for n in range(WIDTH)])
    shape = np.convolve(plain, plain) / 70.0
    near = np.arange(max(point - WIDTH + 1, 0), min(point + WIDTH, lifted.shape[1]))
    rest = lifted[:, near] - lifted[:, [point]] * shape[near - point + WIDTH - 1]
    whole = np.sum(np.abs(lifted[:, point]) ** 2)
    return bool(np.max(np.sum(np.abs(rest) ** 2, axis=0)) < 0.05 * whole + chdtri(2.0 * len(lifted), _SPUR_CHANCE))


def _lonely(square: FloatArray, freedom: float) -> npt.NDArray[np.bool_]:
    """Points (P, F) of a sum of squares far beyond chi-square, and far beyond the points around."""
    limit = float(chdtri(freedom, _SPUR_CHANCE))
    out = np.zeros(square.shape, dtype=bool)
    usual = float(chdtri(freedom, 0.5))
    for path, row in enumerate(square):
        for k in np.flatnonzero(row > limit).tolist():
            near = np.arange(max(k - SPUR_SPACING, 0), min(k + SPUR_SPACING + 1, row.size))
            beyond = row[near[np.abs(near - k) > WIDTH - 1]]
            around = row[near[np.abs(near - k) < WIDTH]]
            if row[k] >= np.max(around) and row[k] > limit / usual * max(usual, float(np.median(beyond))):
                out[path, k] = True
    return out


def magnitudes_only(digest: Digest) -> bool:
    """Whether no trace holds a phase: every mean is real, as an instrument without phase writes it."""
    return all(not np.any(group.mean[list(PATHS)].imag) for group in digest.values())


_Sums = dict[GroupKey, tuple[FloatArray, float]]


def _of_magnitudes(digest: Digest, own: _Sums) -> tuple[_Sums, dict[str, FloatArray], dict[str, float]]:
    """White levels where only magnitudes were recorded.

    A strong trace's magnitude varies by the noise of one quadrature, so that what was measured is half of the variance
    per quadrature of two; the magnitudes of weak traces vary less than that, so pump-off groups decide where there are any.
    """
    doubled = {key: (2 * total, dof) for key, (total, dof) in own.items()}
    sums: dict[str, FloatArray] = {}
    dofs: dict[str, float] = {}
    for name in {key.isolator for key in digest}:
        mine = {k: v for k, v in doubled.items() if k.isolator == name}
        chosen = {k: v for k, v in mine.items() if not k.pump_on} or mine
        if chosen:
            sums[name] = np.asarray(sum(total for total, _ in chosen.values()))
            dofs[name] = float(sum(dof for _, dof in chosen.values()))
    return doubled, sums, dofs


def _unit_level(digest: Digest, isolator: str) -> FloatArray:
    """Modulus (2,) of S21 and S12 that stands for unit transmission of an isolator's lines."""
    levels = {
        key: np.median(np.abs(group.mean[list(PATHS)]), axis=1)
        for key, group in digest.items()
        if key.isolator == isolator
    }
    off = [level for key, level in levels.items() if not key.pump_on]
    return np.asarray(np.median(off, axis=0) if off else np.max(list(levels.values()), axis=0))


def _project(group: GroupStats) -> tuple[ComplexArray, FloatArray]:
    """Matrix (2, 2K) that takes a deviation at the nodes to the gain errors of S21 and S12, and the power (2,) of the mean.

    The gain error is the least-squares one, sum conj(m) d / sum |m|^2; its row is zero for a path that is exactly zero.
    """
    nodes = group.node_index
    mean = group.mean[list(PATHS)][:, nodes]
    power = np.sum(np.abs(mean) ** 2, axis=1)
    project = np.zeros((2, 2 * nodes.size), dtype=np.complex128)
    for p in range(2):
        if power[p] > 0:
            project[p, p * nodes.size : (p + 1) * nodes.size] = np.conj(mean[p]) / power[p]
    return project, power


def _places(points: int) -> float:
    """Fourth differences along so many frequencies."""
    return max(points - WIDTH + 1.0, 1.0)


def local_combinations(mean: ComplexArray, width: int = WIDTH) -> ComplexArray:
    """Unit combinations (P, F - w + 1, w) of w neighbouring points that see white noise and little else.

    Parameters
    ----------
    mean : ndarray (P, F)
        Mean traces.
    width : int
        3 to 5.

    Notes
    -----
    A deviation c m with a factor c linear in frequency, m the mean, has to give nothing, and smooth deviations little.  So the
    difference of order w - 1, its points turned by the phase by which m turns from point to point on the whole (the cable's),
    is freed of its parts along m and k m over the w points.
    """
    places = mean.shape[1] - width + 1
    step = np.sum(mean[:, 1:] * np.conj(mean[:, :-1]), axis=1)
    step = np.exp(-1j * np.angle(step))
    k = np.arange(width)
    plain = np.array([(-1.0) ** n * math.comb(width - 1, n) for n in range(width)])
    a = np.broadcast_to((plain * step[:, None] ** k)[:, None], (len(mean), places, width)).copy()
    window = np.conj(np.lib.stride_tricks.sliding_window_view(mean, width, axis=1))
    first = window / np.maximum(np.linalg.norm(window, axis=-1, keepdims=True), 1e-300)
    second = (k - 0.5 * (width - 1)) * first
    second = second - first * np.sum(np.conj(first) * second, axis=-1, keepdims=True)
    second = second / np.maximum(np.linalg.norm(second, axis=-1, keepdims=True), 1e-300)
    for vector in (first, second, first, second):  # twice against rounding
        a = a - vector * np.sum(np.conj(vector) * a, axis=-1, keepdims=True)
    return np.asarray(a / np.linalg.norm(a, axis=-1, keepdims=True))


def local_variance(group: GroupStats, width: int = WIDTH) -> FloatArray:
    """Variance per quadrature of S21 and S12 over every few neighbouring points, (2, F - w + 1); two sweeps or more."""
    width = min(width, group.frequency_hz.size)
    energy = group.local_energy(local_combinations(group.mean[list(PATHS)], width))
    return np.asarray(energy / (2.0 * (group.count - 1.0)))


def _white_variance(group: GroupStats) -> FloatArray:
    """Variance per quadrature of S21 and S12, (2,)."""
    return np.asarray(np.mean(local_variance(group), axis=1))


def _drift(digest: Digest, isolator: str, white: Mapping[GroupKey, FloatArray]) -> FloatArray | None:
    """Covariance (4, 4) of the relative gain error of a further sweep, white noise subtracted, made positive.

    A group whose path is blocked says little of the gain: the white noise of its projection, v = s^2 / power, swamps the
    drift.  Entry (p, q) of a group's estimate is therefore weighted by 1/((v_p + v)(v_q + v)), v being the smallest one
    of the isolator.

    What few repeats leave open is allowed for: see `_of_few`.
    """
    parts: list[tuple[FloatArray, FloatArray, int]] = []
    for key, group in digest.items():
        if key.isolator != isolator or group.count < 2:
            continue
        project, power = _project(group)
        if np.any(power <= 0):
            continue
        hermitian = project @ group.node_hermitian @ project.conj().T
        complementary = project @ group.node_complementary @ project.T
        v = np.repeat(white[key] ** 2 / power, 2)
        parts.append((real_covariance(hermitian, complementary), v, group.count - 1))
    if not parts:
        return None
    floor = min(float(v.min()) for _, v, _ in parts)
    scatters, weight, square, of_white = np.zeros((4, 4)), np.zeros((4, 4)), np.zeros((4, 4)), np.zeros((4, 4))
    for scatter, v, n in parts:
        own = np.outer(floor / (v + floor), floor / (v + floor))
        scatters += own * scatter
        of_white += own * n * np.diag(v)
        weight += own * n
        square += own**2 * n
    known = np.diag(of_white / weight)
    whole = _of_few(scatters / weight, known, float(np.mean(np.diag(weight**2 / square))))
    values, vectors = np.linalg.eigh(whole - np.diag(known))
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


PRIOR_FREEDOM = (5.0, 7.0, 10.0, 15.0, 25.0, 50.0)
"""Degrees of freedom among which the drift's prior is chosen; fewer than p + 1 = 5 would have no mean."""
PRIOR_SHARE = (1.0, 0.1, 0.01, 0.001)
"""Shares of the drift found among which that of the prior is chosen: little, where paths drift as one."""


def _of_few(found: FloatArray, known: FloatArray, freedom: float) -> FloatArray:
    """Covariance (4, 4) of a further sweep's gain error, when S was found from n degrees of freedom, white noise V (4,) in it.

    A covariance from few repeats shows some combination with hardly any noise by chance, on which a fit would rest.  With an
    inverse Wishart prior of m degrees of freedom and scale m T the posterior's mean is (n S + m T)/(n + m - p - 1), p = 4;
    T = V + c D, where D is what was found beyond V, alike in gain and in phase for both paths, with nothing in common, and
    2 n/(2 n - 2) times as much, as the mean of a variance with 2 n degrees of freedom is.  m and c are those of the highest
    evidence (conjugate laws, textbook, from memory),

        log Gamma_p((n + m)/2) - log Gamma_p(m/2) + (m/2) log |m T| - ((n + m)/2) log |n S + m T|,

    so that paths which drift together keep what they have in common.
    """
    size, n = len(found), freedom
    beyond = np.maximum(np.diag(found) - known, 0.0).reshape(2, 2).mean(axis=0) * n / max(n - 1.0, 0.5)
    m, share = (x.ravel()[:, None, None] for x in np.meshgrid(PRIOR_FREEDOM, PRIOR_SHARE))
    prior = m * (np.diag(known) + share * np.diag(np.tile(beyond, 2)))
    total = n * found + prior
    evidence = (multigammaln(0.5 * (n + m), size) - multigammaln(0.5 * m, size)).ravel()
    evidence += 0.5 * (m.ravel() * np.linalg.slogdet(prior)[1] - (n + m.ravel()) * np.linalg.slogdet(total)[1])
    best = int(np.argmax(evidence))
    return np.asarray(total[best] / (n + m.ravel()[best] - size - 1.0))


def real_covariance(hermitian: ComplexArray, complementary: ComplexArray) -> FloatArray:
    """Covariance of (Re c1, Im c1, Re c2, Im c2, ...) from E[c c^H] and E[c c^T]."""
    size = hermitian.shape[0]
    out = np.empty((2 * size, 2 * size))
    out[0::2, 0::2] = np.real(hermitian + complementary) / 2
    out[1::2, 1::2] = np.real(hermitian - complementary) / 2
    out[0::2, 1::2] = np.imag(complementary - hermitian) / 2
    out[1::2, 0::2] = np.imag(complementary + hermitian) / 2
    return out
