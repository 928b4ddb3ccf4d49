"""Every uncertain number of a study as a parameter, and which of them are sampled.

Sampled are those whose effect bends within the prior or that decide between modes: the source's place, flux offsets, pump
strengths and phases, the noise scale.  All others are eliminated: the likelihood of ratios is linear in them near the mode
(`fluxsense.model.likelihood`).  Counts of directions have no such linear form, and sample what decides the flux.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from fluxsense.base.units import OWN_UNIT
from fluxsense.model.parameter import (
    FLUX_ARRAYS,
    FOCUSING,
    NOISE_SCALE,
    OFFSET,
    POSITION,
    PUMP_PHASE,
    PUMP_STRENGTH,
    WRONG_WAY_RATE,
    Parameter,
)
from fluxsense.study import Study

SAMPLED: Final = (POSITION, OFFSET, PUMP_STRENGTH, PUMP_PHASE, NOISE_SCALE, WRONG_WAY_RATE)
"""Arrays whose parameters are sampled in the likelihood of ratios."""
SMALLEST_PART: Final = 1e-3
"""Lower bound, as a part of the central value, of quantities that must be above zero."""


def uncertain_parameters(study: Study, cooldowns: Sequence[str], isolators: Sequence[int]) -> list[Parameter]:
    """Every parameter with a standard deviation above zero, for the isolators measured.

    Parameters
    ----------
    study : Study
    cooldowns : sequence of str
        The campaign's; each has flux offsets of its own.
    isolators : sequence of int
        Positions of the isolators that were measured.

    Returns
    -------
    list of Parameter
        The source's first, then loops, isolators and what belongs to the data.
    """
    found = _of_source(study) + _of_loops(study, cooldowns, isolators)
    for i in isolators:
        found += _of_isolator(study, i)
    if study.noise.scale_sd > 0:
        found.append(Parameter("noise scale", NOISE_SCALE, (0,), 1.0, study.noise.scale_sd, "", form="log"))
    data = study.data
    if data.of_counts:
        found = [p for p in found if p.array in FLUX_ARRAYS]
        if data.wrong_way_factor > 1:
            spread = float(np.log(data.wrong_way_factor))
            found.append(Parameter("wrong-way rate", WRONG_WAY_RATE, (0,), data.wrong_way, spread, "", form="rate"))
    return found


def is_sampled(study: Study, parameter: Parameter) -> bool:
    """Whether a parameter is among the unknowns of the search and the sampler."""
    return study.data.of_counts or parameter.array in SAMPLED


def eliminated_parameters(
    study: Study, cooldowns: Sequence[str], isolators: Sequence[int]
) -> dict[int, tuple[Parameter, ...]]:
    """Parameters that the likelihood of ratios eliminates, by the isolator that they act on."""
    found = [p for p in uncertain_parameters(study, cooldowns, isolators) if not is_sampled(study, p)]
    return {i: tuple(p for p in found if p.home == i) for i in isolators}


def _of_source(study: Study) -> list[Parameter]:
    if not study.source.has_position:
        return []
    each = zip("xyz", study.source.position_m, study.source.position_sd_m, strict=True)
    return [
        Parameter(f"position {axis}", POSITION, (n,), mean, sd, "m")
        for n, (axis, mean, sd) in enumerate(each)
        if sd > 0
    ]


def _of_loops(study: Study, cooldowns: Sequence[str], isolators: Sequence[int]) -> list[Parameter]:
    home = {s.loop: i for i in isolators for s in study.isolators[i].stages}
    found = []
    for c, cooldown in enumerate(cooldowns):
        suffix = f" ({cooldown})" if len(cooldowns) > 1 else ""
        for n, loop in enumerate(study.loops):
            if loop.name in home and loop.offset_sd_phi0 > 0:
                name = f"offset {loop.name}{suffix}"
                found.append(
                    Parameter(name, OFFSET, (c, n), loop.offset_phi0, loop.offset_sd_phi0, "Phi0", home=home[loop.name])
                )
    for n, loop in enumerate(study.loops):
        sd = loop.flux_focusing_sd
        if loop.name in home and sd > 0:
            factor = loop.flux_focusing
            low = SMALLEST_PART * factor
            name = f"flux focusing {loop.name}"
            found.append(Parameter(name, FOCUSING, (n,), factor, sd, "", low, home=home[loop.name]))
    return found


def _of_isolator(study: Study, i: int) -> list[Parameter]:
    iso = study.isolators[i]
    found = []
    if iso.pump_strength_sd > 0:
        name = f"pump strength {iso.name}"
        found.append(Parameter(name, PUMP_STRENGTH, (i,), 1.0, iso.pump_strength_sd, "", SMALLEST_PART, home=i))
    if iso.pump_phase_error_sd_rad > 0:
        name = f"pump phase error {iso.name}"
        found.append(Parameter(name, PUMP_PHASE, (i,), 0.0, iso.pump_phase_error_sd_rad, "rad", home=i))
    for k, stage in enumerate(iso.stages):
        for field, sd in stage.uncertain:
            unit = OWN_UNIT["frequency"] if field.endswith("_hz") else ""
            name = f"{field.removesuffix('_hz').replace('_', ' ')} {iso.name} stage {k + 1}"
            mean = float(getattr(stage, field))
            found.append(Parameter(name, field, (i, k), mean, sd, unit, *_stage_bounds(field, mean), home=i))
    return found


def _stage_bounds(field: str, value: float) -> tuple[float, float]:
    """Between what bounds a stage field has a meaning."""
    if field.endswith("_participation"):
        return 0.0, 1.0
    if field in ("signal_internal_hz", "idler_internal_hz", "idler_termination_hz"):
        return 0.0, np.inf
    return SMALLEST_PART * value, np.inf
