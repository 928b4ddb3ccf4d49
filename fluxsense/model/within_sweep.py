"""How transmission wanders along a sweep: what each sweep has for itself, smooth along frequency, beyond gain, flux and white noise.

An amplifier's gain that flickers while the analyser steps, a cable that breathes, a standing wave that moves: between repeats the
relative transmission then differs by a smooth function of frequency, not by a number.  The repeats tell how much.  In every group

    d(f)/m(f) = g + sum_q a_q cos(pi q x) + (flux) dm/dflux/m + white,    x = 0 to 1 along the sweep, q = 1 to Q,

with g and a_q complex for each path, is solved by least squares at the digest's nodes (d a repeat's deviation from the mean m, flux
along the model's slopes); the coefficients' scatter, less what white noise puts there, is the variance of a_q in quadrature along m
(amplitude) and across it (phase).  If the scatter of any order is more than white noise explains by chance (`CHANCE`), all count, by their
variance and its standard deviation: the mean of many points shows orders that the nodes do not tell from nothing.
Derivation: this text.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri

from fluxsense.data.digest import GroupStats
from fluxsense.data.noise_levels import PATHS, real_covariance

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

ORDERS: Final = 10
"""Cosines along the sweep."""
CHANCE: Final = 1e-4
"""Probability under white noise, for each order, of a scatter beyond which transmission wanders."""
SINGULAR: Final = 1e-6


def wander(
    groups: Iterable[tuple[GroupStats, FloatArray, ComplexArray]],
) -> tuple[float, ...]:
    """Amplitudes of what a single sweep has for itself along frequency.

    Parameters
    ----------
    groups : iterable of (GroupStats, ndarray (2,), ndarray (L, 2, K))
        Of complex traces, each with the white noise per quadrature of one sweep and the slopes of the mean at the nodes with L fluxes.

    Returns
    -------
    tuple of float
        Standard deviations of cos(pi q x) of one sweep, relative to transmission: along and across it for q = 1, then for q = 2,
        and so on, the same for S21 and S12; empty if there is none.
    """
    energy, freedom, excess, weight = (np.zeros((ORDERS, 2)) for _ in range(4))
    for group, white, slopes in groups:
        found = _scatter(group, white, slopes)
        if found is None:
            continue
        scatter, variance = found  # (2 paths, Q, 2), the latter of one sweep by white noise
        n, orders = group.count - 1.0, scatter.shape[1]
        energy[:orders] += np.sum(scatter / variance, axis=0)
        freedom[:orders] += 2 * n
        excess[:orders] += np.sum((scatter - n * variance) / variance**2, axis=0)
        weight[:orders] += np.sum(n / variance**2, axis=0)
    seen = freedom > 0
    if not np.any(seen & (energy > chdtri(np.maximum(freedom, 1.0), CHANCE))):
        return ()
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = np.where(seen, (np.maximum(excess, 0.0) + np.sqrt(2 * weight)) / weight, 0.0)
    return tuple(float(a) for a in np.sqrt(variance).ravel())


def wander_shapes(frequency_hz: FloatArray, within: Sequence[float]) -> FloatArray:
    """Cosines (Q, 2, F) of the amplitudes that `wander` found, along transmission and across it, at a sweep's frequencies (F,)."""
    amplitudes = np.reshape(within, (-1, 2))
    return np.asarray(amplitudes[..., None] * cosines(frequency_hz, len(amplitudes))[:, None])


def cosines(frequency_hz: FloatArray, orders: int) -> FloatArray:
    """cos(pi q x), q = 1 to Q, at the frequencies (F,) of a sweep; shape (Q, F)."""
    x = (frequency_hz - frequency_hz[0]) / max(float(frequency_hz[-1] - frequency_hz[0]), 1e-300)
    return np.asarray(np.cos(np.pi * np.arange(1, orders + 1)[:, None] * x))


def _scatter(group: GroupStats, white: FloatArray, slopes: ComplexArray) -> tuple[FloatArray, FloatArray] | None:
    """Scatter of the cosines' coefficients over a group's sweeps and their variance by white noise, each (2, Q, 2)."""
    nodes = group.node_index
    orders = min(ORDERS, (nodes.size - 3) // 2)
    mean = group.mean[list(PATHS)][:, nodes]
    if orders < 1 or np.any(np.abs(mean) <= 0):
        return None
    functions = np.concatenate([np.ones((1, nodes.size)), cosines(group.frequency_hz, orders)[:, nodes]])
    columns = np.zeros((2, 1 + orders, 2, 2, nodes.size), dtype=np.complex128)
    for path in range(2):
        columns[path, :, 0, path], columns[path, :, 1, path] = functions * mean[path], 1j * functions * mean[path]
    directions = np.concatenate([columns.reshape(-1, 2, nodes.size), slopes])
    scale = np.maximum(white, 1e-300)[:, None]
    design = np.ascontiguousarray(directions / scale).reshape(len(directions), -1).view(np.float64)
    back = np.linalg.pinv(design.T, rcond=SINGULAR)[: columns[..., 0, 0].size]
    each = np.repeat(scale.ravel(), 2 * nodes.size)
    covariance = real_covariance(group.node_hermitian, group.node_complementary) / np.outer(each, each)
    shape = columns.shape[:3]
    scatter = np.einsum("pi,ij,pj->p", back, covariance, back).reshape(shape)[:, 1:]
    variance = np.sum(back**2, axis=1).reshape(shape)[:, 1:]
    return scatter, variance
