"""What the model leaves out: a smooth, multiplicative remainder along the sweep, the same in all states of a cooldown.

After all physics that is written down a ratio may still be off by a factor 1 + delta, delta complex, smooth over about a
linewidth and of a size that is learned under a prior said in per cent.  A small prior keeps it from swallowing a source
(Brynjarsdottir and O'Hagan, Inverse Problems 30, 114007 (2014): only realistic priors on a discrepancy cure over-confidence).

delta is a Gaussian process of squared exponential covariance, written in sines over an interval somewhat longer than the
sweep, whose weights are its spectral density there (Solin and Sarkka, Statistics and Computing 30, 419 (2020), from memory):
few functions, the same for every grid of frequencies.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

MARGIN: Final = 2.0
"""Correlation lengths by which the interval of the sines goes beyond the sweep on either side."""
SMALLEST_WEIGHT: Final = 1e-3
"""Part of the largest weight below which a function is left out."""


@dataclass(frozen=True)
class Sizes:
    """Sizes of what no study can state and the data must tell.

    Attributes
    ----------
    common, own : float
        Of the remainder, relative and per quadrature: the part common to all states, and each group's own.
    flux_walk_phi0 : float
        Of the random walk of the flux in each loop, over the whole campaign.
    gain_walk : float
        Of the random walk of each path's gain, relative and per quadrature, over the whole campaign.
    flux_noise_phi0 : float
        Of the flux in each loop from sweep to sweep, where it is more than the study states.
    within : tuple of float
        Of what each sweep has for itself along frequency, as its repeats show it (`fluxsense.model.within_sweep.wander`).
    flux_flicker_phi0 : float
        Of the flicker noise of the flux in each loop where it shows to be more than the study states, as `flux_slow_phi0`.
    """

    common: float = 0.0
    own: float = 0.0
    flux_walk_phi0: float = 0.0
    gain_walk: float = 0.0
    flux_noise_phi0: float = 0.0
    flux_flicker_phi0: float = 0.0
    within: tuple[float, ...] = ()

    def changed(self, sizes: Mapping[str, float]) -> Sizes:
        """The same with other sizes, by name."""
        values: dict[str, Any] = dict(sizes)
        return replace(self, **values)


def smooth_functions(frequency_hz: FloatArray, span_hz: tuple[float, float], length_hz: float) -> FloatArray:
    """Functions (J, F) whose random combination with unit normal weights is a smooth process of variance one.

    Parameters
    ----------
    frequency_hz : ndarray (F,)
    span_hz : tuple of float
        Lowest and highest frequency of all grids that share the process.
    length_hz : float
        Its correlation length.
    """
    half = 0.5 * (span_hz[1] - span_hz[0]) + MARGIN * length_hz
    x = np.asarray(frequency_hz) - 0.5 * (span_hz[0] + span_hz[1]) + half
    most = int(np.ceil(2 * half / np.pi * np.sqrt(-2 * np.log(SMALLEST_WEIGHT)) / length_hz)) + 1
    order = np.arange(1, most + 1)
    wave = np.pi * order / (2 * half)
    weight = np.sqrt(2 * np.pi) * length_hz * np.exp(-0.5 * (length_hz * wave) ** 2)
    kept = weight > SMALLEST_WEIGHT * weight[0]
    return np.asarray(np.sqrt(weight[kept] / half)[:, None] * np.sin(wave[kept][:, None] * x))
