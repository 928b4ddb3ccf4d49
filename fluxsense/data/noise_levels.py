"""What the repeats of a campaign say about its noise: white level, gain and phase drift.

White noise is measured from second differences along frequency of each repeat's deviation from the group's mean, in
which smooth drifts cancel.  Drift is measured from the deviations' projection on the mean trace at the digest's
frequency nodes, less what white noise puts there.  A drift does not cancel wholly where the mean trace itself turns
quickly (a long cable on a coarse grid): with c the relative gain error of a sweep and m the mean, the second differences
also hold |c|^2 |D2 m|^2, which is known from the projection and taken off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fluxsense.data.digest import Digest, GroupKey, GroupStats

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

PATHS = (1, 2)
"""Rows of S21 and S12 among the digest's paths 11, 21, 12, 22."""

LEAST_WHITE = 1e-5
"""White noise is taken as no less than this share of the largest modulus: traces hold five or six digits, and repeats that
agree to the last of them (a copy, a simulation without noise) do not make the measurement exact."""

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
    """

    white: Mapping[GroupKey, FloatArray]
    drift: Mapping[str, FloatArray]
    measured: bool


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
        if points >= 3:
            dof = (group.count - 1.0) * (points - 2.0)
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
    return NoiseLevels(white, drift, bool(sums))


def white_freedom(digest: Digest) -> dict[GroupKey, float]:
    """Degrees of freedom behind the white variance that each group's repeats tell, per path; those that tell nothing left out.

    Second differences of white noise depend on their neighbours (correlations -2/3 and 1/6), so that (N - 1)(F - 2) of them, with
    two quadratures, count for 2/(1 + 2 (4/9 + 1/36)) times as many independent squares.
    """
    real = magnitudes_only(digest)
    chosen = {key for key, group in digest.items() if group.count > 1}
    if real:
        strong = {key.isolator for key in chosen if not key.pump_on}
        chosen = {key for key in chosen if not key.pump_on or key.isolator not in strong}
    out = {}
    for key in chosen:
        points, repeats = digest[key].frequency_hz.size, digest[key].count - 1.0
        squares = 2 * (points - 2.0) / (1 + 2 * (4 / 9 + 1 / 36)) if points >= 3 else 2.0 * points
        out[key] = repeats * squares * (0.5 if real else 1.0)
    return out


def level_draws(digest: Digest, rng: np.random.Generator, draws: int) -> dict[GroupKey, FloatArray]:
    """How far measured white variances may lie from the true ones: draws (n, 2) of their ratio for each pump-on group.

    The same average as in `measure_noise` of the groups' own variances, each chi-square over its degrees of freedom.
    """
    freedom = white_freedom(digest)
    own = {key: rng.chisquare(nu, (draws, 2)) / nu for key, nu in sorted(freedom.items())}
    real = magnitudes_only(digest)
    out = {}
    for key in sorted(digest):
        mine = [k for k in own if k.isolator == key.isolator]
        if not key.pump_on or not mine:
            continue
        weights = {k: (digest[k].count - 1.0) * max(digest[k].frequency_hz.size - 2.0, 1.0) for k in mine}
        pool = sum(weights[k] * own[k] for k in mine) / sum(weights.values())
        weight = 0.0 if real or key not in own else weights[key]
        level = (weight * own[key] if weight else 0.0) + _POOL_WEIGHT * pool
        out[key] = np.asarray(level / (weight + _POOL_WEIGHT))
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


def _white_variance(group: GroupStats) -> FloatArray:
    """Variance per quadrature of S21 and S12 from second differences, (2,).

    With n = N - 1, F points and white variance v, sums over sweeps are on average

        sum |D2 d|^2 = 12 v n (F - 2) + C B,    sum |c|^2 = C + 2 v n / P,

    where C belongs to the drift alone, B = sum |D2 m|^2 and P is the mean's power at the nodes; C is eliminated.
    """
    n = group.count - 1.0
    raw = group.smooth_free[list(PATHS)].sum(axis=1)
    plain = 12.0 * n * (group.frequency_hz.size - 2.0)
    project, power = _project(group)
    drift = np.real(np.einsum("pi,ij,pj->p", project, group.node_hermitian, project.conj()))
    bend = np.sum(np.abs(np.diff(group.mean[list(PATHS)], 2, axis=1)) ** 2, axis=1)
    rest = plain - 2.0 * n * bend / np.where(power > 0, power, np.inf)
    sound = rest > 0.25 * plain  # else the two sums hardly tell drift from white noise
    corrected = (raw - drift * bend) / np.where(sound, rest, 1.0)
    return np.asarray(np.where(sound & (corrected > 1e-3 * raw / plain), corrected, raw / plain))


def _drift(digest: Digest, isolator: str, white: Mapping[GroupKey, FloatArray]) -> FloatArray | None:
    """Pooled covariance of the relative gain error of one sweep, white noise subtracted, made positive.

    A group whose path is blocked says little of the gain: the white noise of its projection, v = s^2 / power, swamps the
    drift.  Entry (p, q) of a group's estimate is therefore weighted by 1/((v_p + v)(v_q + v)), v being the smallest one
    of the isolator.
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
        n = group.count - 1
        v = np.repeat(white[key] ** 2 / power, 2)
        parts.append((_real_covariance(hermitian, complementary) - n * np.diag(v), v, n))
    if not parts:
        return None
    floor = min(float(v.min()) for _, v, _ in parts)
    total, weight = np.zeros((4, 4)), np.zeros((4, 4))
    for scatter, v, n in parts:
        own = floor / (v + floor)
        total += np.outer(own, own) * scatter
        weight += np.outer(own, own) * n
    values, vectors = np.linalg.eigh(total / weight)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def _real_covariance(hermitian: ComplexArray, complementary: ComplexArray) -> FloatArray:
    """Covariance of (Re c1, Im c1, Re c2, Im c2, ...) from E[c c^H] and E[c c^T]."""
    size = hermitian.shape[0]
    out = np.empty((2 * size, 2 * size))
    out[0::2, 0::2] = np.real(hermitian + complementary) / 2
    out[1::2, 1::2] = np.real(hermitian - complementary) / 2
    out[0::2, 1::2] = np.imag(complementary - hermitian) / 2
    out[1::2, 0::2] = np.imag(complementary + hermitian) / 2
    return out
