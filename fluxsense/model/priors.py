"""Every uncertain number of a study as a parameter, and which of them are sampled.

Each number of the study has a standard deviation, stated or its field's default, unless it is said to be exact.  Sampled are
those whose effect bends within the prior or that decide between modes: the source's place and extent, flux offsets, pump strengths and
phases, the noise scale.  All others are eliminated: the likelihood of ratios is linear in them near the mode
(`fluxsense.model.likelihood`).  Counts of directions have no such linear form; they sample what decides the flux.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from scipy.special import ndtri

from fluxsense.device.chip import MIXING, bias_vectors, line_basis, mixing_matrix, source_extent_m
from fluxsense.magnetics.extent import second_moment_sd_m2
from fluxsense.model.parameter import (
    EXTENT,
    FOCUSING,
    MODE_CHANGE,
    MUTUAL,
    NOISE_SCALE,
    OFFSET,
    POSITION,
    PUMP_PHASE,
    PUMP_PORT_PHASE,
    PUMP_STRENGTH,
    STATIC_FLUX,
    TILT,
    TURN,
    WRONG_WAY_RATE,
    Parameter,
)
from fluxsense.model.remainder import Sizes
from fluxsense.study import Isolator, Stage, Study

SAMPLED: Final = (
    POSITION,
    EXTENT,
    TILT,
    TURN,
    OFFSET,
    PUMP_STRENGTH,
    NOISE_SCALE,
    WRONG_WAY_RATE,
)
"""Arrays whose parameters are sampled in the likelihood of ratios.  Pump phase errors are integrated over with complex traces, eliminated
with magnitudes: those of device and ports alike, since one exact and the other in proportion leave an amplitude behind where they cancel."""
TAMEABLE: Final = (OFFSET, PUMP_STRENGTH)
"""Arrays whose parameters bend within the prior and seldom within the posterior: eliminated where reference sweeps pin them."""
OF_COUNTS: Final = (POSITION, EXTENT, TILT, TURN, OFFSET, FOCUSING)
"""Arrays whose parameters are sampled with counts of directions."""
MEDIAN_SIZE: Final = float(ndtri(0.75))
"""Median of the size of a normal number of deviation one."""
SMALLEST_PART: Final = 1e-3
"""Lower bound, as a part of the central value, of quantities that must be above zero."""
FLUX_WALK_PHI0: Final = 1e-3
"""Scale of the prior of the flux's random walk over a campaign."""
FLUX_NOISE_PHI0: Final = 2e-3
"""Scale of the prior of the flux noise from sweep to sweep."""
GAIN_WALK: Final = 0.01
"""Scale of the prior of a path's random walk of gain over a campaign, relative and per quadrature."""


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
    if study.data.of_counts:
        found = [p for p in found if p.array in OF_COUNTS]
    else:
        for i in isolators:
            found += _of_isolator(study.isolators[i], i) + _of_setup(study, i) + _of_cooldowns(study, cooldowns, i)
        if study.noise.scale_sd > 0:
            found.append(Parameter("noise scale", NOISE_SCALE, (0,), 1.0, study.noise.scale_sd, "", form="log"))
    if study.data.of_counts and study.data.wrong_way_factor > 1:
        spread = float(np.log(study.data.wrong_way_factor))
        rate = study.data.wrong_way
        found.append(Parameter("wrong-way rate", WRONG_WAY_RATE, (0,), rate, spread, "", form="rate"))
    return [p for p in found if p.sd > 0]


def is_sampled(study: Study, parameter: Parameter, tamed: Collection[str] = ()) -> bool:
    """Whether a parameter is among the unknowns, those by name left out that are near enough to linear (`TAMEABLE`)."""
    if study.data.of_counts or parameter.array in integrated_arrays(study):
        return True
    return parameter.array in SAMPLED and parameter.name not in tamed


def integrated_arrays(study: Study) -> tuple[str, ...]:
    """Arrays whose parameters the likelihood integrates over for this kind of data: pump phase errors of complex traces."""
    return () if study.data.of_counts or study.data.of_magnitudes else (PUMP_PHASE, PUMP_PORT_PHASE)


def eliminated_parameters(
    study: Study, cooldowns: Sequence[str], isolators: Sequence[int], tamed: Collection[str] = ()
) -> dict[int, tuple[Parameter, ...]]:
    """Parameters that the likelihood of ratios eliminates, by the isolator that they act on."""
    found = [p for p in uncertain_parameters(study, cooldowns, isolators) if not is_sampled(study, p, tamed)]
    return {i: tuple(p for p in found if p.home == i) for i in isolators}


def prior_sizes(study: Study, isolators: Sequence[int]) -> Sizes:
    """Scales of the half-normal priors of what no study can state, for the isolators measured."""
    setups = [study.isolators[i].setup for i in isolators]
    drifting = any(not s.unstated_exact for s in setups)
    return Sizes(
        common=max((s.sd["discrepancy"] for s in setups), default=0.0),
        own=max((s.sd["discrepancy_own"] for s in setups), default=0.0),
        flux_walk_phi0=float(np.hypot(FLUX_WALK_PHI0 if drifting else 0.0, study.noise.jumped_phi0)),
        gain_walk=GAIN_WALK if drifting else 0.0,
        flux_noise_phi0=FLUX_NOISE_PHI0 if drifting else 0.0,
    )


def expected_walk_phi0(study: Study) -> float:
    """Random walk of the flux over a campaign that a design is judged with: the median of its prior, zero where it has none.

    Stated jumps, as many and as large as they are stated, have the covariance of a walk (a compound Poisson process): their
    variance is added.  Counts of transmission have none: their law takes sweeps as independent.
    """
    if study.data.of_counts:
        return 0.0
    still = replace(study, noise=replace(study.noise, flux_jumps=0.0))
    walk = MEDIAN_SIZE * prior_sizes(still, range(len(study.isolators))).flux_walk_phi0
    return float(np.hypot(walk, study.noise.jumped_phi0))


def _of_source(study: Study) -> list[Parameter]:
    """Turns; place and extent; of what has no place, the tilts of the chips against each other.

    Chips that are tilted under a source nearby move against it by less than its place is known.  One chip is its own frame.
    """
    turns = [
        Parameter(f"angle of the turn {state.name}", TURN, (n,), 0.0, state.sd["turn_rad"], "rad")
        for n, state in enumerate(study.states)
        if state.kind == "turned"
    ]
    if not study.source.has_position:
        used = [(n, chip) for n, chip in enumerate(study.chips) if any(x.chip == chip.name for x in study.loops)]
        return turns + [
            Parameter(f"tilt of chip {chip.name} about its {axis} axis", TILT, (n, k), 0.0, chip.sd["tilt_rad"], "rad")
            for n, chip in (used if len(used) > 1 else [])
            for k, axis in enumerate("xy")
        ]
    each = zip("xyz", study.source.position_m, study.source.position_sd_m, strict=True)
    found = [Parameter(f"position {axis}", POSITION, (n,), mean, sd, "m") for n, (axis, mean, sd) in enumerate(each)]
    spread = second_moment_sd_m2(source_extent_m(study))
    words = ("x^2 - y^2", "z^2", "xy", "xz", "yz")
    return (
        turns
        + found
        + [Parameter(f"extent of the source, {w}", EXTENT, (n,), 0.0, spread, "m^2") for n, w in enumerate(words)]
    )


def _of_loops(study: Study, cooldowns: Sequence[str], isolators: Sequence[int]) -> list[Parameter]:
    """Offsets, flux focusing factors and mutual inductances of the loops that are measured."""
    home = {s.loop: i for i in isolators for s in study.isolators[i].stages}
    loops = [(n, loop, home[loop.name]) for n, loop in enumerate(study.loops) if loop.name in home]
    found = []
    for c, cooldown in enumerate(cooldowns):
        suffix = f" ({cooldown})" if len(cooldowns) > 1 else ""
        for n, loop, i in loops:
            name = f"offset {loop.name}{suffix}"
            sd = loop.sd["offset_phi0"]
            found.append(Parameter(name, OFFSET, (c, n), loop.offset_phi0, sd, "Phi0", home=i))
    for n, loop, i in loops:
        factor, sd = loop.flux_focusing, loop.sd["flux_focusing"]
        name = f"flux focusing {loop.name}"
        found.append(Parameter(name, FOCUSING, (n,), factor, sd, "", SMALLEST_PART * factor, home=i))
    for b, line in enumerate(study.bias_lines):
        means, sds = dict(line.mutual_phi0_per_a), line.sd
        for n, loop, i in loops:
            mean, sd = means.get(loop.name, 0.0), sds.get(loop.name, line.unlisted_sd)
            name = f"mutual inductance {line.name} to {loop.name}"
            found.append(Parameter(name, MUTUAL, (n, b), mean, sd, "Phi0/A", home=i))
    return found


_UNITS: Final = {"_hz": "Hz", "_rad": "rad", "_db": "dB"}
_WHOLE_NUMBERS: Final = {
    "link_amplitude": (SMALLEST_PART, 1.0),
    "link_phase_rad": (-np.inf, np.inf),
    "hybrid_imbalance_db": (-np.inf, np.inf),
    "hybrid_phase_error_rad": (-np.inf, np.inf),
    "hybrid_loss_db": (0.0, np.inf),
    "pump_shift_factor": (0.0, np.inf),
}
"""Numbers of an isolator that enter by their own name, and their bounds."""


def _unit_of(name: str) -> str:
    return next((unit for end, unit in _UNITS.items() if name.endswith(end)), "")


def _words_of(name: str) -> str:
    for end in _UNITS:
        name = name.removesuffix(end)
    return name.replace("_", " ")


def _of_isolator(iso: Isolator, i: int) -> list[Parameter]:
    """Pump, hybrid, link and the numbers of both stages."""
    sd = iso.sd
    found = [
        Parameter(
            f"pump strength {iso.name}", PUMP_STRENGTH, (i,), 1.0, sd["pump_strength"], "", SMALLEST_PART, home=i
        ),
        Parameter(f"pump phase error {iso.name}", PUMP_PHASE, (i,), 0.0, sd["pump_phase_error_rad"], "rad", home=i),
    ]
    for k, stage in enumerate(iso.stages):
        for field, spread in stage.sd.items():
            name = f"{_words_of(field)} {iso.name} stage {k + 1}"
            mean = float(getattr(stage, field))
            low, high = _stage_bounds(field, stage)
            found.append(Parameter(name, field, (i, k), mean, spread, _unit_of(field), low, high, home=i))
    for field, (low, high) in _WHOLE_NUMBERS.items():
        name, mean = f"{_words_of(field)} {iso.name}", float(getattr(iso, field))
        found.append(Parameter(name, field, (i,), mean, sd[field], _unit_of(field), low, high, home=i))
    return found


def _stage_bounds(field: str, stage: Stage) -> tuple[float, float]:
    """Between what bounds a stage field has a meaning; a ring needs alpha (1 - r) > 2 for one state at every flux."""
    value = float(getattr(stage, field))
    if field == "shunt_ratio":
        least = 2.0 / (1.0 - stage.arm_inductance_ratio)
        return least + SMALLEST_PART * (value - least), np.inf
    if field == "arm_inductance_ratio":
        most = 1.0 - 2.0 / stage.shunt_ratio if stage.shunt_ratio > 0 else value
        return SMALLEST_PART * value, most - SMALLEST_PART * (most - value)
    if field.endswith("_participation"):
        return 0.0, 1.0
    if field in ("signal_internal_hz", "idler_internal_hz", "idler_termination_hz"):
        return 0.0, np.inf
    return SMALLEST_PART * value, np.inf


def _of_setup(study: Study, i: int) -> list[Parameter]:
    """What lies between an isolator and the analyser, and the further flux of its loops at each vector of bias currents."""
    iso = study.isolators[i]
    setup, sd = iso.setup, iso.setup.sd
    found = []
    for port in (1, 2):
        for end, array in (("imbalance_db", "pump_port_imbalance_db"), ("phase_error_rad", PUMP_PORT_PHASE)):
            field = f"pump_{port}_{end}"
            name = f"pump port {port} {_words_of(end)} {iso.name}"
            mean = float(getattr(setup, field))
            found.append(Parameter(name, array, (i, port - 1), mean, sd[field], _unit_of(field), home=i))
    for field in ("arm_phase_rad", "arm_loss_db", "analyser_offset_hz", "if_smoothing"):
        name, mean = f"{_words_of(field)} {iso.name}", float(getattr(setup, field))
        found.append(Parameter(name, field, (i,), mean, sd[field], _unit_of(field), home=i))
    for field, array, words in (
        ("line_reflection", "line_end", "line end at port"),
        ("direct_path", "direct_path", "direct path to port"),
    ):
        for place in (0, 1):
            port = place + 1 if array == "line_end" else 2 - place
            for m in range(line_basis(study, array).size):
                for part, letter in enumerate(("re", "im")):
                    name = f"{words} {port} of {iso.name}, {letter} {m + 1}"
                    found.append(Parameter(name, array, (i, place, m, part), 0.0, sd[field] / np.sqrt(2), "", home=i))
    found += _of_line(study, i)
    index = {loop.name: n for n, loop in enumerate(study.loops)}
    vectors = bias_vectors(study)
    for vector in dict.fromkeys(s.bias_a for s in study.settings if iso.name in s.isolators):
        v = vectors.index(vector)
        setting = next(s.name for s in study.settings if s.bias_a == vector and iso.name in s.isolators)
        for stage in iso.stages:
            name = f"static flux {stage.loop} at the bias of {setting}"
            place_of = (v, index[stage.loop])
            found.append(Parameter(name, STATIC_FLUX, place_of, 0.0, sd["static_flux_phi0"], "Phi0", home=i))
    return found


def _of_cooldowns(study: Study, cooldowns: Sequence[str], i: int) -> list[Parameter]:
    """How far an isolator's modes have moved since the first cooldown: warmed and cooled again, junctions are not what they were."""
    iso = study.isolators[i]
    return [
        Parameter(f"{mode} mode of {iso.name} stage {k + 1}, change to {cooldown}", MODE_CHANGE, (i, c, k, n), 0.0,
                  iso.setup.sd["mode_change_hz"], "Hz", home=i)
        for c, cooldown in enumerate(cooldowns) if c
        for k in (0, 1)
        for n, mode in enumerate(("signal", "idler"))
    ]  # fmt: skip


def _of_line(study: Study, i: int) -> list[Parameter]:
    """What an isolator's sweeps pick up of the others on its line."""
    names, mean, found = [x.name for x in study.isolators], mixing_matrix(study)[i], []
    for pair in () if study.readout is None else study.readout.cross_talks:
        if pair.into != names[i] or pair.source not in names:
            continue
        j, sd = names.index(pair.source), pair.sd["amplitude"] / np.sqrt(2)
        for part, (letter, value) in enumerate((("re", mean[j].real), ("im", mean[j].imag))):
            name = f"cross-talk of {pair.source} into {pair.into}, {letter}"
            found.append(Parameter(name, MIXING, (i, j, part), float(value), sd, "", home=i))
    return found
