"""A study as TOML text, so that a proposal is a study ready to use.

Comments of the original file are not kept; every value is, to the last digit that matters (twelve significant ones).
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from fluxsense.base.units import format_quantity
from fluxsense.study import Isolator, LayoutRules, Limits, Loop, State, Study

DIGITS = 12


def _q(value: float, dimension: str) -> str:
    return f'"{format_quantity(float(value), dimension, DIGITS)}"'


def _qs(values: Iterable[float], dimension: str) -> str:
    return "[" + ", ".join(_q(v, dimension) for v in values) + "]"


def _s(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\t", "\\t")
    return f'"{escaped}"'


def _names(values: Iterable[str]) -> str:
    return "[" + ", ".join(_s(v) for v in values) + "]"


def _numbers(values: Iterable[float]) -> str:
    return "[" + ", ".join(repr(float(v)) for v in values) + "]"


def _key(name: str) -> str:
    bare = all(c.isascii() and (c.isalnum() or c in "_-") for c in name)
    return name if bare else _s(name)


def study_text(study: Study) -> str:
    """The whole study as TOML.

    Parameters
    ----------
    study : Study

    Returns
    -------
    str
        `fluxsense.study.read_study` reads it back to the same study, up to rounding in the twelfth digit.
    """
    lines = ["format = 1", f"title = {_s(study.title)}"]
    if study.invented:
        lines.append("invented = true")
    if study.note:
        lines.append(f"note = {_s(study.note)}")
    lines += _source(study)
    for chip in study.chips:
        lines += [
            "",
            "[[chip]]",
            f"name = {_s(chip.name)}",
            f"origin = {_qs(chip.origin_m, 'length')}",
            f"x_axis = {_numbers(chip.x_axis)}",
            f"y_axis = {_numbers(chip.y_axis)}",
        ]
    for loop in study.loops:
        lines += _loop(loop)
    for line in study.bias_lines:
        mutual = ", ".join(f"{_key(n)} = {_q(v, 'mutual')}" for n, v in line.mutual_phi0_per_a)
        lines += ["", "[[bias_line]]", f"name = {_s(line.name)}", f"limit = {_q(line.limit_a, 'current')}"]
        lines.append(f"mutual = {{ {mutual} }}" if mutual else "mutual = {}")
        if line.mutual_sd_phi0_per_a:
            spread = ", ".join(f"{_key(n)} = {_q(v, 'mutual')}" for n, v in line.mutual_sd_phi0_per_a)
            lines.append(f"mutual_sd = {{ {spread} }}")
    for coil in study.coils:
        corners = ", ".join(_qs(c, "length") for c in coil.outline_m)
        lines += ["", "[[coil]]", f"name = {_s(coil.name)}", f"outline = [{corners}]"]
    for isolator in study.isolators:
        lines += _isolator(isolator)
    for state in study.states:
        lines += _state(state)
    names = [b.name for b in study.bias_lines]
    for setting in study.settings:
        bias = ", ".join(f"{_key(n)} = {_q(v, 'current')}" for n, v in zip(names, setting.bias_a, strict=True) if v)
        lines += ["", "[[setting]]", f"name = {_s(setting.name)}", f"isolators = {_names(setting.isolators)}"]
        if bias:
            lines.append(f"bias = {{ {bias} }}")
        if setting.pump_port is not None:
            lines.append(f"pump_port = {setting.pump_port}")
        else:
            lines.append(f"pump_phase = {_q(setting.pump_phase_rad or 0.0, 'angle')}")
        lines.append(f"pump_power = {_q(setting.pump_power_w, 'power')}")
        pump = setting.pump_frequency_hz
        lines.append("pump_frequency = " + (_s("matched") if pump is None else _q(pump, "frequency")))
    sweep, noise, plan, sampling = study.sweep, study.noise, study.plan, study.sampling
    lines += [
        "",
        "[sweep]",
        f"start = {_q(sweep.start_hz, 'frequency')}",
        f"stop = {_q(sweep.stop_hz, 'frequency')}",
        f"points = {sweep.points}",
        "",
        "[noise]",
        f"white = {noise.white!r}",
        f"gain_drift = {noise.gain_drift!r}",
        f"phase_drift = {_q(noise.phase_drift_rad, 'angle')}",
        f"residual_gain = {noise.residual_gain!r}",
        f"flux = {_q(noise.flux_phi0, 'flux')}",
        f"flux_slow = {_q(noise.flux_slow_phi0, 'flux')}",
        f"scale_sd = {noise.scale_sd!r}",
        "",
        "[plan]",
        f"repeats = {plan.repeats}",
        f"off_repeats = {plan.off_repeats}",
    ]
    if plan.states:
        lines.append(f"states = {_names(plan.states)}")
    lines += [
        f"cooldowns = {_names(plan.cooldowns)}",
        f"time_per_sweep = {_q(plan.seconds_per_sweep, 'time')}",
        "",
        "[sampling]",
        f"ensembles = {sampling.ensembles}",
        f"wanted_ess = {sampling.wanted_ess}",
        f"max_steps = {sampling.max_steps}",
    ]
    if sampling.walkers is not None:
        lines.append(f"walkers = {sampling.walkers}")
    data = study.data
    if data.kind != "complex":
        lines += ["", "[data]", f"kind = {_s(data.kind)}"]
    if data.kind == "direction":
        lines += [f"wrong_way = {data.wrong_way!r}", f"wrong_way_factor = {data.wrong_way_factor!r}"]
    lines += _limits(study.limits) + _layout(study.layout)
    try:
        log = study.log.relative_to(study.folder).as_posix()
    except ValueError:
        log = study.log.as_posix()
    lines += ["", "[traces]", f"log = {_s(log)}"]
    if study.allow_outside:
        lines.append("allow_outside = true")
    return "\n".join(lines) + "\n"


def _source(study: Study) -> list[str]:
    source = study.source
    dipole = source.kind == "dipole"
    lines = ["", "[source]", f"kind = {_s(source.kind)}"]
    if dipole:
        lines += [
            f"position = {_qs(source.position_m, 'length')}",
            f"position_sd = {_qs(source.position_sd_m, 'length')}",
        ]
    dimension = "moment" if dipole else "field"
    lines += [f"size_prior = {_s(source.size_prior)}", f"size = {_q(source.size, dimension)}"]
    if source.size_prior == "known":
        lines.append(f"size_sd = {_q(source.size_sd, dimension)}")
    prior = source.direction
    lines.append(f"direction_prior = {_s(prior.kind)}")
    if prior.kind in ("cap", "plane"):
        lines += [
            f"direction_axis = {_numbers(prior.axis)}",
            f"direction_half_angle = {_q(prior.half_angle_rad, 'angle')}",
        ]
    if prior.kind == "list":
        lines.append("direction_candidates = [" + ", ".join(_numbers(c) for c in prior.candidates) + "]")
    return lines


def _loop(loop: Loop) -> list[str]:
    flat = all(c[2] == 0 for c in loop.outline_m)
    corners = ", ".join(_qs(c[:2] if flat else c, "length") for c in loop.outline_m)
    lines = ["", "[[loop]]", f"name = {_s(loop.name)}", f"chip = {_s(loop.chip)}", f"outline = [{corners}]"]
    if loop.crossing:
        lines.append("crossing = true")
    lines.append(f"flux_focusing = {loop.flux_focusing!r}")
    if loop.flux_focusing_sd:
        lines.append(f"flux_focusing_sd = {loop.flux_focusing_sd!r}")
    return [*lines, f"offset = {_q(loop.offset_phi0, 'flux')}", f"offset_sd = {_q(loop.offset_sd_phi0, 'flux')}"]


_STAGE = {
    "signal_frequency": ("signal_frequency_hz", "frequency"),
    "signal_linewidth": ("signal_linewidth_hz", "frequency"),
    "signal_internal_loss": ("signal_internal_hz", "frequency"),
    "signal_participation": ("signal_participation", None),
    "idler_frequency": ("idler_frequency_hz", "frequency"),
    "idler_linewidth": ("idler_linewidth_hz", "frequency"),
    "idler_internal_loss": ("idler_internal_hz", "frequency"),
    "idler_termination": ("idler_termination_hz", "frequency"),
    "idler_participation": ("idler_participation", None),
    "coupling": ("coupling_hz", "frequency"),
}


def _isolator(isolator: Isolator) -> list[str]:
    wiring = {1: "+90 deg", -1: "-90 deg", None: "from reference"}[isolator.pump_port_1_sign]
    lines = [
        "",
        "[[isolator]]",
        f"name = {_s(isolator.name)}",
        f"link = {_s(isolator.link_kind)}",
        f"link_amplitude = {isolator.link_amplitude!r}",
        f"link_phase = {_q(isolator.link_phase_rad, 'angle')}",
        f"link_amplitude_sd = {isolator.link_amplitude_sd!r}",
        f"link_phase_sd = {_q(isolator.link_phase_sd_rad, 'angle')}",
        f"hybrid_imbalance = {_q(isolator.hybrid_imbalance_db, 'level')}",
        f"hybrid_phase_error = {_q(isolator.hybrid_phase_error_rad, 'angle')}",
        f"hybrid_loss = {_q(isolator.hybrid_loss_db, 'level')}",
        f"reference_flux = {_q(isolator.reference_flux_phi0, 'flux')}",
        f"reference_power = {_q(isolator.reference_power_w, 'power')}",
        f"pump_port_1_phase = {_s(wiring)}",
        f"pump_phase_error_sd = {_q(isolator.pump_phase_error_sd_rad, 'angle')}",
        f"pump_strength_sd = {isolator.pump_strength_sd!r}",
    ]
    for number, stage in enumerate(isolator.stages, 1):
        bare = stage.shunt_ratio == 0
        lines += ["", f"[isolator.stage_{number}]", f"loop = {_s(stage.loop)}"]
        if bare:
            lines.append('ring = "bare"')
        else:
            lines += [
                'ring = "shunted"',
                f"shunt_ratio = {stage.shunt_ratio!r}",
                f"shunt_ratio_sd = {stage.shunt_ratio_sd!r}",
            ]
        if bare and stage.branch is not None:
            lines.append(f"branch = {stage.branch}")
        uncertain = dict(stage.uncertain)
        for key, (name, dimension) in _STAGE.items():
            value = getattr(stage, name)
            lines.append(f"{key} = {value!r}" if dimension is None else f"{key} = {_q(value, dimension)}")
            if name in uncertain:
                sd = uncertain[name]
                lines.append(f"{key}_sd = {sd!r}" if dimension is None else f"{key}_sd = {_q(sd, dimension)}")
    return lines


def _state(state: State) -> list[str]:
    lines = ["", "[[state]]", f"name = {_s(state.name)}", f"kind = {_s(state.kind)}"]
    if state.kind == "turned":
        axis, angle = axis_and_angle(np.array(state.rotation))
        lines += [f"rotation_axis = {_numbers(axis)}", f"rotation_angle = {_q(angle, 'angle')}"]
    if state.coil is not None:
        lines += [f"coil = {_s(state.coil)}", f"current = {_q(state.current_a, 'current')}"]
    if state.field_t is not None:
        lines.append(f"field = {_qs(state.field_t, 'field')}")
    return lines


def axis_and_angle(rotation: np.ndarray) -> tuple[tuple[float, ...], float]:
    """Axis and angle in [0, pi] of a rotation matrix (from its quaternion, by the largest component)."""
    r = rotation
    q = np.array(
        [
            1 + r[0, 0] + r[1, 1] + r[2, 2],
            1 + r[0, 0] - r[1, 1] - r[2, 2],
            1 - r[0, 0] + r[1, 1] - r[2, 2],
            1 - r[0, 0] - r[1, 1] + r[2, 2],
        ]
    )
    outer = np.array(
        [
            [q[0], r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1]],
            [r[2, 1] - r[1, 2], q[1], r[1, 0] + r[0, 1], r[0, 2] + r[2, 0]],
            [r[0, 2] - r[2, 0], r[1, 0] + r[0, 1], q[2], r[2, 1] + r[1, 2]],
            [r[1, 0] - r[0, 1], r[0, 2] + r[2, 0], r[2, 1] + r[1, 2], q[3]],
        ]
    )
    row = outer[int(np.argmax(q))]
    row = row / np.linalg.norm(row)
    row = row if row[0] >= 0 else -row
    sine = float(np.linalg.norm(row[1:]))
    axis = row[1:] / sine if sine > 0 else np.array([0.0, 0.0, 1.0])
    return tuple(float(v) for v in axis), 2 * math.atan2(sine, float(row[0]))


def _limits(limits: Limits) -> list[str]:
    lines = []
    if limits.pump_power_w is not None:
        lines.append(f"pump_power = {_q(limits.pump_power_w, 'power')}")
    if limits.pump_frequency_hz is not None:
        lines.append(f"pump_frequency = {_qs(limits.pump_frequency_hz, 'frequency')}")
    if limits.isolation_db is not None:
        lines.append(f"isolation = {_q(limits.isolation_db, 'level')}")
    return ["", "[limits]", *lines] if lines else []


def _layout(rules: LayoutRules) -> list[str]:
    if rules == LayoutRules():
        return []
    lines = [
        "",
        "[layout]",
        f"outlines = {_names(rules.outlines)}",
        f"size = {_qs(rules.size_m, 'length')}",
        f"chip_size = {_qs(rules.chip_size_m, 'length')}",
        f"edge = {_q(rules.edge_m, 'length')}",
        f"spacing = {_q(rules.spacing_m, 'length')}",
        f"grid = {_q(rules.grid_m, 'length')}",
    ]
    if rules.loop_area_m2 is not None:
        lines.append(f"loop_area = {_q(rules.loop_area_m2, 'area')}")
    if rules.source_height_m is not None:
        lines.append(f"source_height = {_qs(rules.source_height_m, 'length')}")
    if rules.change_chip:
        lines.append("change_chip = true")
    if rules.fixed:
        lines.append(f"fixed = {_names(rules.fixed)}")
    for one in rules.keep_out:
        lines += [
            "",
            "[[layout.keep_out]]",
            f"chip = {_s(one.chip)}",
            f"from = {_qs(one.low_m, 'length')}",
            f"to = {_qs(one.high_m, 'length')}",
        ]
    return lines
