"""The von Mises-Fisher distribution on the sphere in closed form; its density is scipy's `vonmises_fisher`."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def vmf_mean_cosine(kappa: npt.ArrayLike) -> FloatArray:
    """Mean of the cosine of the angle to the mean direction: coth kappa - 1/kappa, for kappa above 0."""
    k = np.asarray(kappa, dtype=np.float64)
    return np.asarray(1.0 / np.tanh(k) - 1.0 / k)


def vmf_cone_rad(kappa: npt.ArrayLike, level: npt.ArrayLike) -> FloatArray:
    """Half-angle of the cone about the mean direction that holds one draw with a probability; kappa = 0: a uniform one.

    1 - cos = -ln(1 - level (1 - e^(-2 kappa)))/kappa, the density integrated over a cap; through sin^2 of half the angle.
    """
    k, p = np.broadcast_arrays(np.asarray(kappa, np.float64), np.asarray(level, np.float64))
    safe = np.where(k > 0, k, 1.0)
    with np.errstate(divide="ignore"):
        drop = np.where(k > 0, np.minimum(-np.log1p(p * np.expm1(-2.0 * safe)) / safe, 2.0), 2.0 * p)
    return np.asarray(2.0 * np.arcsin(np.sqrt(0.5 * drop)))


def vmf_sample(rng: np.random.Generator, mean: npt.ArrayLike, kappa: float, n: int) -> FloatArray:
    """(n, 3) independent draws: the cone of a uniform level, an azimuth."""
    axis = np.asarray(mean, np.float64) / np.linalg.norm(mean)
    angle, turn = vmf_cone_rad(kappa, rng.uniform(size=n))[:, None], rng.uniform(0.0, 2.0 * np.pi, n)[:, None]
    east = np.cross(np.eye(3)[np.argmin(np.abs(axis))], axis)
    east /= np.linalg.norm(east)
    around = np.cos(turn) * east + np.sin(turn) * np.cross(axis, east)
    return np.asarray(np.cos(angle) * axis + np.sin(angle) * around)
