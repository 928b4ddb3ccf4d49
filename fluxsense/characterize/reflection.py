"""Reflections S11 and S22: a check of the fit to transmission, which they take no part in.

A raw reflection trace holds, beside the isolator's reflection through the line, what the line itself reflects:

    d_k(f) = G(f) S_k(f) + B(f) + n_k(f),

with G and B free at every frequency and S_k as the line ends, known from transmission, make it.  Transmission has no B, and
its line gain is found from every record; so the fit rests on transmission, and S11 and S22, of which it has seen nothing, must
then follow its predictions up to G and B.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.characterize.fit import IsolatorFit

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

FEWEST: Final = 8
"""Records on one frequency grid that the check needs."""


@dataclass(frozen=True)
class Reflection:
    """How well reflections follow the fit.

    Attributes
    ----------
    scatter : float
        Squared residual over noise, 1 if the fit describes them; of S11 and S22 together.
    swapped : float
        The same with the two files' columns exchanged.
    records : int
    """

    scatter: float
    swapped: float
    records: int


def check_reflection(fit: IsolatorFit) -> Reflection | None:
    """Compare measured reflections with the fitted model; None if there are too few."""
    straight, crossed, values, records = 0.0, 0.0, 0, 0
    for block, predicted in zip(fit.model.blocks, fit.model.reflections(fit.vector), strict=True):
        here = [(n, x) for n, x in enumerate(fit.model.records[m].reflection for m in block.rows) if x is not None]
        if len(here) < FEWEST:
            continue
        rows = [n for n, _ in here]
        measured = np.array([x for _, x in here])
        records += len(rows)
        values += measured[:, 0].size - 2 * measured.shape[2]
        for p in (0, 1):
            own = _scatter(measured[:, p], predicted[rows, p], block.count[rows], fit.drift)
            other = _scatter(measured[:, p], predicted[rows, 1 - p], block.count[rows], fit.drift, own[1])
            straight += own[0]
            crossed += other[0]
    if not values:
        return None
    return Reflection(straight / (4 * values), crossed / (4 * values), records)  # two traces, two quadratures


def _scatter(
    d: ComplexArray, s: ComplexArray, count: FloatArray, drift: float, noise: float | None = None
) -> tuple[float, float]:
    """Sum of squared residuals over their variance per quadrature, and the white noise of one sweep.

    Parameters
    ----------
    d, s : ndarray (K, F) of complex
        Measured and predicted.
    count : ndarray (K,)
    drift : float
        Gain error per quadrature of a record.
    noise : float, optional
        From second differences of the residual along frequency if not given.
    """
    weight = np.broadcast_to(count[:, None], d.shape).astype(np.float64)
    if noise is None:
        bends = np.abs(np.diff(_residual(d, s, weight) * np.sqrt(weight), 2, axis=1)) ** 2
        # median of an exponential variable: ln 2 times its mean, which is 12 s^2 for second differences
        noise = float(np.sqrt(np.median(bends) / np.log(2) / 12.0 * len(d) / (len(d) - 2)))
    weight = 1.0 / (noise**2 / weight + drift**2 * np.abs(d) ** 2 + 1e-300)
    residual = _residual(d, s, weight)
    return float(np.sum(weight * np.abs(residual) ** 2)), noise


def _residual(d: ComplexArray, s: ComplexArray, weight: FloatArray) -> ComplexArray:
    """What is left of d after the weighted best G s + B at every frequency."""
    total = weight.sum(axis=0)
    d = d - (weight * d).sum(axis=0) / total
    s = s - (weight * s).sum(axis=0) / total
    power = (weight * np.abs(s) ** 2).sum(axis=0)
    gain = (weight * np.conj(s) * d).sum(axis=0) / np.maximum(power, 1e-300)
    return np.asarray(d - gain * s)


__all__ = ["Reflection", "check_reflection"]
