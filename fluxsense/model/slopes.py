"""Slopes of the forward model: central differences of one isolator's scattering parameters with anything that enters it.

One rule serves every quantity, since every quantity is a place in a named array: the step is a thousandth of its prior's
standard deviation, so that the error of the difference, a third of a millionth of the third derivative over that spread,
is far below what any use of a slope can notice, and rounding stays below it too.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.device.chip import ChipModel, ChipParameters, nominal_array
from fluxsense.model.parameter import Parameter

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

STEP: Final = 1e-3
"""In standard deviations of the prior."""
FLUX_STEP_PHI0: Final = 3e-6


def scattering_slopes(
    model: ChipModel,
    parameters: ChipParameters,
    isolator: int,
    flux_phi0: FloatArray,
    wanted: Sequence[Parameter],
    *,
    fluxes: bool = True,
    phase: bool = False,
    one_sided: bool = False,
) -> tuple[ComplexArray, ComplexArray]:
    """S21 and S12 of an isolator's probes and their derivatives.

    Parameters
    ----------
    model : ChipModel
    parameters : ChipParameters
        Batch of B.
    isolator : int
    flux_phi0 : ndarray (B, P, 2)
        Flux in the two loops for each of the isolator's probes.
    wanted : sequence of n Parameter
        Quantities beside the two fluxes, at fixed flux.
    fluxes : bool
        False leaves the two fluxes out.
    phase : bool
        Give the three parts of `ChipModel.scattering_and_phase` along an axis before that of the paths, and their derivatives.
    one_sided : bool
        Forward differences, exact to a thousandth of what a standard deviation changes: for steps of a search, at half the cost.

    Returns
    -------
    s : ndarray (B, P, 2, F) of complex, or (B, P, 3, 2, F)
        S21 and S12.
    slopes : ndarray (B, 2 + n, *) of complex, * as s has it
        Derivatives by the flux of loop 1 and 2 (per Phi0), then by what is wanted (per its unit).
    """
    lead = 2 if fluxes else 0
    count = lead + len(wanted)
    each = (1 if one_sided else 2) * count + 1
    batch = parameters.batch
    every = parameters.repeated(each)
    arrays = {name: every[name] for name in every}
    flux = np.repeat(flux_phi0, each, axis=0)
    rows = np.arange(batch) * each
    apart = np.empty((batch, count))
    for n in range(count):
        above, below = rows + 1 + n, rows if one_sided else rows + 1 + count + n
        if n < lead:
            flux[above, :, n] += FLUX_STEP_PHI0
            flux[below, :, n] -= 0.0 if one_sided else FLUX_STEP_PHI0
            apart[:, n] = (1 if one_sided else 2) * FLUX_STEP_PHI0
            continue
        one = wanted[n - lead]
        if one.array not in arrays:
            arrays[one.array] = nominal_array(model.study, one.array, batch * each)
        view, step = one.of(arrays[one.array]), STEP * one.sd
        # beyond a bound there is no model
        if one_sided:
            view[above] += np.where(view[above] + step <= one.high, step, -step)
        else:
            view[above] = np.minimum(view[above] + step, one.high)
            view[below] = np.maximum(view[below] - step, one.low)
        apart[:, n] = view[above] - view[below]
    moved = ChipParameters(arrays)
    if phase:
        s = np.stack(model.scattering_and_phase(moved, isolator, flux=flux), axis=2)
    else:
        s = model.scattering(moved, isolator, flux=flux)
    stack = s.reshape(batch, each, *s.shape[1:])
    difference = stack[:, 1 : 1 + count] - (stack[:, :1] if one_sided else stack[:, 1 + count :])
    apart = apart.reshape(batch, count, *[1] * (s.ndim - 1))
    return stack[:, 0], np.ascontiguousarray(difference / apart)
