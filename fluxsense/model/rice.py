"""Magnitudes without phase: the law of averaged squared magnitudes of traces with white complex noise.

One sweep's magnitude at a frequency is Rice distributed: m^2/s^2 is noncentral chi-square with two degrees and
noncentrality A^2/s^2 (A the true amplitude, s the noise per quadrature; Rice, Bell Syst. Tech. J. 24, 46 (1945), from
memory).  The sum over N repeats is noncentral chi-square with 2 N degrees and N A^2/s^2, so the mean power P is known
exactly however deep the notch, and N and P are all that a digest has to keep.  A mean of decibels has no such law: at
the bottom of a notch it is biased by the noise.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, ive

FloatArray = npt.NDArray[np.float64]

_LARGE_ORDER = 25.0


def log_bessel_i(order: float, z: npt.ArrayLike) -> FloatArray:
    """Logarithm of the modified Bessel function I of any order at least 0 and z above 0.

    Parameters
    ----------
    order : float
    z : array_like

    Returns
    -------
    ndarray
        By scipy's exponentially scaled function below order 25, by Debye's uniform expansion (DLMF 10.41.3 with the
        polynomials of 10.41.10, three terms) above; relative error of I below 1e-7.
    """
    x = np.asarray(z, dtype=np.float64)
    if order < _LARGE_ORDER:
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(ive(order, x)) + x)
    ratio = x / order
    root = np.sqrt(1 + ratio * ratio)
    eta = root + np.log(ratio / (1 + root))
    p = 1 / root
    q = p * p
    u1 = p * (3 - 5 * q) / 24
    u2 = q * (81 + q * (-462 + 385 * q)) / 1152
    u3 = p * q * (30375 + q * (-369603 + q * (765765 - 425425 * q))) / 414720
    series = u1 / order + u2 / order**2 + u3 / order**3
    return np.asarray(order * eta - 0.5 * np.log(2 * np.pi * order) - 0.5 * np.log(root) + np.log1p(series))


def log_power_density(
    power: npt.ArrayLike, amplitude_squared: npt.ArrayLike, variance: npt.ArrayLike, count: int
) -> FloatArray:
    """Log density of the mean of N squared magnitudes.

    Parameters
    ----------
    power : array_like
        Mean of m^2 over the repeats, above 0.
    amplitude_squared : array_like
        A^2, at least 0; broadcasts.
    variance : array_like
        s^2, noise variance per quadrature of one sweep; broadcasts.
    count : int
        Repeats N.

    Returns
    -------
    ndarray
        Log of the density of P.  With x = N P/s^2 and l = N A^2/s^2 it is that of the noncentral chi-square law,
        (1/2) exp(-(x + l)/2) (x/l)^((N - 1)/2) I_(N-1)(sqrt(l x)), times N/s^2.
    """
    s2 = np.asarray(variance, dtype=np.float64)
    x = count * np.asarray(power, dtype=np.float64) / s2
    lam = count * np.asarray(amplitude_squared, dtype=np.float64) / s2
    lam, x = np.broadcast_arrays(lam, x)
    central = (count - 1) * np.log(x) - 0.5 * x - count * np.log(2.0) - gammaln(count)
    small = lam * x < 1e-12
    safe = np.where(small, 1.0, lam)
    z = np.sqrt(safe * x)
    general = -np.log(2.0) - 0.5 * (x + safe) + 0.5 * (count - 1) * np.log(x / safe) + log_bessel_i(count - 1, z)
    return np.asarray(np.where(small, central - 0.5 * lam, general) + np.log(count / s2))


def amplitude_from_power(power: npt.ArrayLike, variance: npt.ArrayLike, count: int) -> FloatArray:
    """Nearly unbiased amplitude sqrt(P - s^2 (2 - 1/N)) of a mean power, 0 where that is negative.

    For one sweep sqrt(m^2 - s^2) has the mean A up to terms of third order in s/A; for N repeats the bias of the root,
    -s^2/(2 N A), is what the 1/N restores.
    """
    s2 = np.asarray(variance, dtype=np.float64)
    return np.asarray(np.sqrt(np.maximum(np.asarray(power) - s2 * (2 - 1 / count), 0.0)))


def amplitude_variance(amplitude: npt.ArrayLike, variance: npt.ArrayLike, count: int) -> FloatArray:
    """Variance of that amplitude, (s^2/N)(1 + s^2/A^2): the power's 4 s^2 (A^2 + s^2)/N over (2 A)^2."""
    s2 = np.asarray(variance, dtype=np.float64)
    a2 = np.asarray(amplitude, dtype=np.float64) ** 2
    with np.errstate(divide="ignore"):
        return np.asarray(s2 / count * (1 + np.where(a2 > 0, s2 / np.where(a2 > 0, a2, 1.0), np.inf)))
