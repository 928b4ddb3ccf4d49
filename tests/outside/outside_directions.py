"""Direction-only campaigns of `outside_simulator`: every sweep is solved, and the stronger transmission is written down.

Nothing here knows a law for the counts: for each sweep the fluxes of both loops are drawn, the isolator's equations are
solved over the band with the pump on, the powers of S21 and S12 are summed, and the reading is turned round with the
stated rate.  Only numpy; nothing of `fluxsense`.
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
