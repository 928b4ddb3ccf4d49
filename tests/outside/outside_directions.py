"""Direction-only campaigns of `outside_simulator`: every sweep is solved, and the stronger transmission is written down.

Nothing here knows a law for the counts: for each sweep the fluxes of both loops are drawn, the isolator's equations are
solved over the band with the pump on, the powers of S21 and S12 are summed, and the reading is turned round with the
stated rate.  With an analyser's noise, the powers are those of noisy sweeps over the noisy mean of a few pump-off ones, points
where that passes little counting for little.  Only numpy; nothing of `fluxsense`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from outside_simulator import Group, OutsideStudy, Truth


def forward_readings(
    study: OutsideStudy, truth: Truth, group: Group, flux_sd_phi0: float, wrong_way: float, sweeps: int, rng: np.random.Generator
) -> NDArray[np.bool_]:  # fmt: skip
    """Whether each sweep (sweeps,) of a group is read as transmitting from port 1 to 2."""
    flux = study.source_flux_phi0(truth)
    out = np.empty(sweeps, dtype=bool)
    for n in range(sweeps):
        s = np.abs(study.sweep(truth, flux, group, True, flux_sd_phi0 * rng.normal(size=2))) ** 2
        forward = np.sum(s[:, 1, 0]) > np.sum(s[:, 0, 1])
        out[n] = forward ^ (rng.random() < wrong_way)
    return out


def noisy_readings(
    study: OutsideStudy, truth: Truth, group: Group, flux_sd_phi0: float, wrong_way: float, sweeps: int, rng: np.random.Generator,
    *, white: float, off_sweeps: int,
) -> NDArray[np.bool_]:  # fmt: skip
    """The same through an analyser of noise `white` per quadrature, over the mean of `off_sweeps` pump-off sweeps."""
    flux = study.source_flux_phi0(truth)

    def seen(pump_on: bool) -> NDArray[np.complex128]:
        s = study.sweep(truth, flux, group, pump_on, flux_sd_phi0 * rng.normal(size=2))
        both = np.stack([s[:, 1, 0], s[:, 0, 1]])
        return np.asarray(both + white * (rng.normal(size=both.shape) + 1j * rng.normal(size=both.shape)))

    off = np.abs(np.mean([seen(False) for _ in range(off_sweeps)], axis=0)) ** 2
    passed = np.sqrt(off[0] * off[1])
    weight = np.minimum(passed / np.median(passed), 1.0)
    out = np.empty(sweeps, dtype=bool)
    for n in range(sweeps):
        power = np.sum(weight * np.abs(seen(True)) ** 2 / off, axis=1)
        out[n] = (power[0] > power[1]) ^ (rng.random() < wrong_way)
    return out
