"""Information gain of normal problems, to hold the package's bracket and plans against."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fluxsense.design.sensitivity import Experiment, predict

FloatArray = npt.NDArray[np.float64]


def linear_gaussian_gain(design: npt.ArrayLike, prior: npt.ArrayLike, noise: npt.ArrayLike) -> float:
    """Of y = F theta + noise in nats, F (N, p), covariances (p, p) and (N, N): 1/2 log det(I + S0 F' R^-1 F).

    Chaloner and Verdinelli, Stat. Sci. 10, 273 (1995), from memory.
    """
    f, s0, r = (np.asarray(v, dtype=np.float64) for v in (design, prior, noise))
    return float(0.5 * np.linalg.slogdet(np.eye(f.shape[1]) + s0 @ f.T @ np.linalg.solve(r, f))[1])


def normal_gain(experiment: Experiment, x: FloatArray) -> tuple[float, float]:
    """On the source vector in the local normal approximation, averaged over points x, and its standard error; nats."""
    prediction = predict(experiment, x)
    own = prediction.prior[:, :3, :3]
    values = -0.5 * (np.linalg.slogdet(prediction.source_covariance())[1] + np.linalg.slogdet(own)[1])
    return float(np.mean(values)), float(np.std(values) / np.sqrt(max(len(values) - 1, 1)))
