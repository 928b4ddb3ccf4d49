"""Measuring lines between the instruments and the chip, as simulated sweeps see them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def line_gain(rng: np.random.Generator, frequency_hz: FloatArray) -> npt.NDArray[np.complex128]:
    """Gain of the four paths, (4, F): level, slope, ripple and cable delay; e^{-i w t}, so a delay turns the phase up."""
    x = (frequency_hz - frequency_hz.mean()) / max(float(np.ptp(frequency_hz)), 1.0)
    out = np.empty((4, frequency_hz.size), dtype=np.complex128)
    for k in range(4):
        level = 10 ** (rng.uniform(-6, 6) / 20)
        ripple = 1 + 0.05 * rng.standard_normal() * x + 0.03 * np.cos(2 * np.pi * (1.5 * x + rng.uniform()))
        delay = rng.uniform(20e-9, 60e-9)
        turn = rng.uniform(0, 2 * np.pi)
        out[k] = level * ripple * np.exp(1j * (2 * np.pi * frequency_hz * delay + turn))
    return out
