"""Log evidences in closed form, to hold the package's estimates against; checked in `tests/detection/test_detection_closed.py`."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import stats
from scipy.special import i0e


def linear_log_evidence(
    y: npt.ArrayLike, design: npt.ArrayLike, noise_covariance: npt.ArrayLike, prior_covariance: npt.ArrayLike
) -> float:
    """Of y = A b + noise with b ~ N(0, P) and noise ~ N(0, C): the density of a normal with covariance C + A P A^T."""
    a = np.asarray(design, dtype=np.float64)
    covariance = np.asarray(noise_covariance) + a @ np.asarray(prior_covariance, dtype=np.float64) @ a.T
    return float(stats.multivariate_normal(cov=covariance).logpdf(y))


def isotropic_log_bayes_factor(y: npt.ArrayLike, size: float, sd: float) -> float:
    """Of y = size * m + noise, m uniform on the circle (two components) or sphere (three), against m = 0.

    Integrating exp(size y.m/sd^2) over the circle or sphere gives I_0(k) or sinh(k)/k, k = size |y|/sd^2.
    """
    data = np.asarray(y, dtype=np.float64)
    k = size * float(np.sqrt(data @ data)) / sd**2
    base = k - 0.5 * (size / sd) ** 2
    if data.size == 2:
        return base + float(np.log(i0e(k)))
    return base + float(np.log(-np.expm1(-2 * k) / (2 * k)))
