"""Slopes of the forward model: central differences of one isolator's scattering parameters with anything that enters it.

One rule serves every quantity, since every quantity is a place in a named array: the step is a thousandth of its prior's
standard deviation, so that the error of the difference, a third of a millionth of the third derivative over that spread,
is far below what any use of a slope can notice, and rounding stays below it too.  Line ends and direct paths, most of what is
uncertain, have their derivatives in closed form (`ChipModel.line_slopes`): the device is the same for all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.device.chip import LINE_ARRAYS, ChipModel, ChipParameters, nominal_array
from fluxsense.model.parameter import Parameter
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

STEP: Final = 1e-3
"""In standard deviations of the prior."""
FLUX_STEP_PHI0: Final = 3e-6
POINTS_AT_ONCE: Final = 32768
"""Points of all differences that are worked out together, about: bounds the memory, and stays in the cache."""


def scattering_slopes(
    model: ChipModel,
    parameters: ChipParameters,
    isolator: int,
    flux_phi0: FloatArray,
    wanted: Sequence[Parameter],
    *,
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
    in_lines = [] if phase else [n for n, p in enumerate(wanted) if p.array in LINE_ARRAYS]
    stepped = [n for n in range(-2, len(wanted)) if n not in set(in_lines)]

    def predicted(moved: ChipParameters, flux: FloatArray) -> ComplexArray:
        if phase:
            return np.stack(model.scattering_and_phase(moved, isolator, flux=flux), axis=2)
        return model.scattering(moved, isolator, flux=flux)

    points = flux_phi0.shape[1] * parameters.batch * model.frequency_hz[isolator].size
    together = max(1, POINTS_AT_ONCE // ((1 if one_sided else 2) * points))
    parts = []
    for first in range(0, len(stepped), together):
        some = stepped[first : first + together]
        moves = [n + 2 if n < 0 else wanted[n] for n in some]
        s, part = _differences(predicted, model.study, parameters, flux_phi0, moves, one_sided)
        parts.append(part)
    slopes = np.empty((parameters.batch, 2 + len(wanted), *s.shape[1:]), dtype=np.complex128)
    slopes[:, [2 + n for n in stepped]] = np.concatenate(parts, axis=1)
    for array in {wanted[n].array: None for n in in_lines}:
        by = model.line_slopes(parameters, isolator, array, flux_phi0)
        for n in in_lines:
            if wanted[n].array == array:
                _, place, function, imaginary = wanted[n].index
                slopes[:, 2 + n] = by[:, place, function] * (1j if imaginary else 1.0)
    return s, slopes


def _differences(
    predicted: Callable[[ChipParameters, FloatArray], ComplexArray],
    study: Study,
    parameters: ChipParameters,
    flux_phi0: FloatArray,
    moves: Sequence[Parameter | int],
    one_sided: bool,
) -> tuple[ComplexArray, ComplexArray]:
    """What is predicted, and its differences over steps in parameters and in the flux of loops 0 and 1."""
    count = len(moves)
    each = (1 if one_sided else 2) * count + 1
    batch = parameters.batch
    every = parameters.repeated(each)
    arrays = {name: every[name] for name in every}
    flux = np.repeat(flux_phi0, each, axis=0)
    rows = np.arange(batch) * each
    apart = np.empty((batch, count))
    for k, one in enumerate(moves):
        above, below = rows + 1 + k, rows if one_sided else rows + 1 + count + k
        if isinstance(one, int):
            flux[above, :, one] += FLUX_STEP_PHI0
            flux[below, :, one] -= 0.0 if one_sided else FLUX_STEP_PHI0
            apart[:, k] = (1 if one_sided else 2) * FLUX_STEP_PHI0
            continue
        if one.array not in arrays:
            arrays[one.array] = nominal_array(study, one.array, batch * each)
        view, step = one.of(arrays[one.array]), STEP * one.sd
        # beyond a bound there is no model
        if one_sided:
            view[above] += np.where(view[above] + step <= one.high, step, -step)
        else:
            view[above] = np.minimum(view[above] + step, one.high)
            view[below] = np.maximum(view[below] - step, one.low)
        apart[:, k] = view[above] - view[below]
    s = predicted(ChipParameters(arrays), flux)
    stack = s.reshape(batch, each, *s.shape[1:])
    difference = stack[:, 1 : 1 + count] - (stack[:, :1] if one_sided else stack[:, 1 + count :])
    return stack[:, 0], difference / apart.reshape(batch, count, *[1] * (s.ndim - 1))
