"""From a TOML file to a study: every fault by its key path, nothing executed, no numpy."""

from __future__ import annotations

import hashlib
import math
import re
import stat
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, Final, Protocol

from fluxsense.base.errors import InputError
from fluxsense.base.faults import Faults
from fluxsense.base.units import format_quantity, shown
from fluxsense.study import types as ty
from fluxsense.study.fields import Field, Name, Scope, read_fields, read_part
from fluxsense.study.kinds import source_kinds
from fluxsense.study.readout import LEFT_TO_THE_CHAIN, read_readout
from fluxsense.study.table import Table
from fluxsense.study.types import (
    BiasLine,
    Chip,
    Coil,
    Data,
    DirectionPrior,
    Isolator,
    KeepOut,
    LayoutRules,
    Limits,
    Loop,
    Noise,
    Plan,
    Point,
    Sampling,
    Setting,
    Setup,
    Source,
    Stage,
    State,
    Study,
    SweepRange,
)

FORMAT_VERSION: Final = 1
MAX_STUDY_BYTES: Final = 500_000  # the parser takes about two seconds for a megabyte of short lists
MAX_CORNERS: Final = 2000
MAX_CANDIDATES: Final = 1000
AXES_TOLERANCE: Final = 0.01
"""Cosine up to which the axes of a chip count as being at right angles; the y axis is then straightened."""
LEAST_ANGLE_RAD: Final = 1e-6
"""Candidate directions closer than this are the same one."""
BROADEST: Final = 0.25
"""Linewidth over frequency beyond which a mode is no resonance that the model holds."""
STRONGEST: Final = 0.1
"""Coupling over signal frequency beyond which conversion is no small part of the mode's motion."""

_CORNERS: Final = 'Write it like [["0 um", "0 um"], ["10 um", "0 um"], ["10 um", "10 um"]]'


# ---------------------------------------------------------------- the source


def read_source(root: Table, exact: bool = False) -> Source:
    """The table [source]; with `exact` a source is a point unless it states an extent."""
    t = root.table("source")
    kinds = source_kinds()
    kind = kinds[t.choice("kind", tuple(kinds), decides=True)]
    scope = Scope()
    read: dict[str, Any] = {}
    for one in ty.SOURCE_PLACE:
        if kind.has_position:
            one.take(t, scope, read)
        else:
            t.idle(one.keys, f"A {kind.name.replace('_', ' ')} has no position: remove it")
    numbers = read_fields(t, kind.fields, scope)
    _idle_elsewhere(t, kind.fields, {k.name: k.fields for k in kinds.values()})
    if kind.has_extent:
        ty.SOURCE_EXTENT.take(t, scope, read)
        if exact and read["extent_m"] is None:
            read["extent_m"] = 0.0
    else:
        t.idle(ty.SOURCE_EXTENT.keys, f'A source of the kind "{kind.name}" says its extent by itself: remove it')
    prior = str(ty.SIZE_PRIOR.read(t, scope))
    size = t.quantity("size", kind.dimension, low=0.0, strict=True)
    size_sd = 0.0
    if prior == "known":
        size_sd = t.quantity("size_sd", kind.dimension, low=0.0, strict=True)
        if size_sd > size / 3:
            t.fault("size_sd", "a size known to no better than a third is not known", 'Use size_prior = "scale"')
    else:
        t.idle(("size_sd",), 'It belongs to size_prior = "known"')
    direction = _read_direction(t)
    t.close()
    return Source(kind.name, prior, size, size_sd, direction=direction, numbers=tuple(numbers.items()), **read)


def _idle_elsewhere(t: Table, own: Sequence[Field], others: Mapping[str, Sequence[Field]]) -> None:
    """Fields of other kinds, which have no meaning beside the kind chosen."""
    mine = {key for f in own for key in f.keys}
    for name, fields in others.items():
        keys = [key for f in fields for key in f.keys if key not in mine]
        t.idle(keys, f'It belongs to kind = "{name}"')


def _read_direction(t: Table) -> DirectionPrior:
    choice = t.choice("direction_prior", tuple(_DIRECTIONS), default="sphere")
    keys, reader = _DIRECTIONS[choice]
    for key in dict.fromkeys(key for own, _ in _DIRECTIONS.values() for key in own):
        if key not in keys:
            owners = " or ".join(f'"{name}"' for name, (own, _) in _DIRECTIONS.items() if key in own)
            t.idle((key,), f"It belongs to direction_prior = {owners}")
    return reader(t)


def _read_region(kind: str, widest_rad: float, t: Table) -> DirectionPrior:
    half = t.quantity("direction_half_angle", "angle", low=0.0, high=widest_rad, strict=True)
    return DirectionPrior(kind, t.unit_vector("direction_axis"), half)


def _read_candidates(t: Table) -> DirectionPrior:
    key = "direction_candidates"
    rows = t.raw(key, remedy="Write them like [[0, 0, 1], [1, 0, 0]]")
    if rows is None:
        return DirectionPrior("list")
    if not isinstance(rows, list) or len(rows) < 2:
        t.fault(key, f"{shown(rows)} is not a list of two or more directions", "Write them like [[0, 0, 1], [1, 0, 0]]")
        return DirectionPrior("list")
    if len(rows) > MAX_CANDIDATES:
        t.fault(key, f"a list of {len(rows)} directions is too long", f"Give at most {MAX_CANDIDATES}")
        return DirectionPrior("list")
    paths = [f"{key}[number {i}]" for i in range(1, len(rows) + 1)]
    candidates = tuple(t.row(path, row).unit_vector(path) for path, row in zip(paths, rows, strict=True))
    if not any(math.isnan(c[0]) for c in candidates) and any(
        math.dist(a, b) < LEAST_ANGLE_RAD for n, a in enumerate(candidates) for b in candidates[:n]
    ):
        t.fault(key, "a direction stands twice in the list", "Name each once")
    return DirectionPrior("list", candidates=candidates)


_REGION: Final = ("direction_axis", "direction_half_angle")
_DIRECTIONS: Final[Mapping[str, tuple[tuple[str, ...], Callable[[Table], DirectionPrior]]]] = {
    "sphere": ((), lambda t: DirectionPrior()),
    "cap": (_REGION, partial(_read_region, "cap", math.pi)),
    "plane": (_REGION, partial(_read_region, "plane", math.pi / 2)),
    "list": (("direction_candidates",), _read_candidates),
}
"""Keys and reader of each kind of direction prior; its densities are `fluxsense.model.source_prior`."""


# ---------------------------------------------------------------- chips, loops, lines, coils


def _read_chip(t: Table, scope: Scope) -> Chip:
    chip = replace(read_part(t, Chip, ty.CHIP, scope), unstated_exact=scope.exact)
    cosine = sum(a * b for a, b in zip(chip.x_axis, chip.y_axis, strict=True))
    if abs(cosine) > AXES_TOLERANCE:
        angle = math.degrees(math.acos(max(-1.0, min(1.0, cosine))))
        t.fault(
            "y_axis",
            f"the chip's x and y axes are {angle:.4g} degrees apart, not at right angles",
            "Give two axes at right angles",
        )
    return chip


def _rectangle_corners(half_x: float, half_y: float) -> list[tuple[float, float]]:
    return [(half_x, half_y), (-half_x, half_y), (-half_x, -half_y), (half_x, -half_y)]


def _circle_corners(radius: float, sides: int) -> list[tuple[float, float]]:
    """Corners of the regular polygon that has the circle's area."""
    outer = radius * math.sqrt(2 * math.pi / (sides * math.sin(2 * math.pi / sides)))
    return [
        (outer * math.cos(2 * math.pi * k / sides), outer * math.sin(2 * math.pi * k / sides)) for k in range(sides)
    ]


_SHAPES: Final = {
    "square": lambda v: _rectangle_corners(v["side"] / 2, v["side"] / 2),
    "rectangle": lambda v: _rectangle_corners(v["width"] / 2, v["height"] / 2),
    "circle": lambda v: _circle_corners(v["radius"], v["sides"]),
}
"""Corners of the ready-made shapes about their centre, from their fields."""


def shape_outline(shape: str, own: Mapping[str, Any]) -> tuple[Point, ...]:
    """Corners of a ready-made shape from its fields."""
    cx, cy = own["center"]
    return tuple((cx + x, cy + y, 0.0) for x, y in _SHAPES[shape](own))


def _read_polygon(t: Table, key: str, dims: tuple[int, ...]) -> tuple[Point, ...]:
    rows = t.raw(key, remedy=_CORNERS)
    if rows is None:
        return ()
    if not isinstance(rows, list):
        t.fault(key, f"{shown(rows)} is not a list of corners", _CORNERS)
        return ()
    if len(rows) > MAX_CORNERS:
        t.fault(key, f"an outline of {len(rows)} corners is too fine", f"Give at most {MAX_CORNERS} corners")
        return ()
    corners: list[Point] = []
    good = True
    for i, row in enumerate(rows, 1):
        path = f"{key}[number {i}]"
        if not isinstance(row, list) or len(row) not in dims:
            t.fault(path, f"{shown(row)} is not a corner", f"Give {' or '.join(map(str, dims))} lengths with units")
            good = False
            continue
        corner = t.row(path, row).quantities(path, "length", len(row))
        good = good and not any(math.isnan(x) for x in corner)
        corners.append((corner[0], corner[1], corner[2] if len(row) == 3 else 0.0))
    if len(corners) > 1 and corners[0] == corners[-1]:
        corners.pop()
    if good:
        count = len(set(corners))
        if count < 3:
            t.fault(
                key,
                f"an outline with {count} different corners encloses nothing",
                "Give at least three different corners",
            )
        elif _collinear(corners):
            t.fault(key, "all corners lie on one straight line, which encloses nothing", "Correct the corners")
    return tuple(corners)


def _collinear(corners: Sequence[Point]) -> bool:
    """Whether all corners lie on one line, within a millionth of its length."""
    origin = corners[0]
    far = max(corners, key=lambda c: math.dist(c, origin))
    length = math.dist(far, origin)
    x, y, z = ((b - a) / length for a, b in zip(origin, far, strict=True))
    for corner in corners:
        u, v, w = ((b - a) / length for a, b in zip(origin, corner, strict=True))
        if math.hypot(y * w - z * v, z * u - x * w, x * v - y * u) > 1e-6:
            return False
    return True


def _read_loop(t: Table, scope: Scope) -> Loop:
    read = read_fields(t, ty.LOOP_PLACE, scope)
    shape = t.choice("shape", tuple(ty.LOOP_SHAPES), default="polygon", decides=True)
    if shape in _SHAPES:
        own = read_fields(t, ty.LOOP_SHAPES[shape], scope)
        outline = shape_outline(shape, own)
        taken = tuple(own)
    else:
        outline = _read_polygon(t, "outline", (2, 3))
        ty.LOOP_POLYGON.take(t, scope, read)
        widest = max((abs(a - b) for p in outline for q in outline[:1] for a, b in zip(p, q, strict=True)), default=0.0)
        if widest > ty._WIDE.high:
            t.fault(
                "outline", f"an outline {format_quantity(widest, 'length', 3)} wide {ty._WIDE.why}", ty._WIDE.remedy
            )
        taken = ("outline", "crossing")
    shapes = {name: tuple(f.key for f in fields) for name, fields in ty.LOOP_SHAPES.items()}
    for other, keys in (shapes | {"polygon": ("outline", "crossing")}).items():
        t.idle([k for k in keys if k not in taken], f'It belongs to another shape than "{shape}": "{other}"')
    if t.flag("reversed", False):
        outline = outline[::-1]
    read |= read_fields(t, ty.LOOP_NUMBERS, scope)
    return Loop(outline_m=outline, unstated_exact=scope.exact, **read)


def _read_bias_line(t: Table, scope: Scope) -> BiasLine:
    read = {"unstated_exact": scope.exact} | read_fields(t, ty.BIAS_LINE, scope)
    return BiasLine(**read)


# ---------------------------------------------------------------- isolators


def _read_stage(t: Table, scope: Scope) -> Stage:
    stage = Stage(unstated_exact=scope.exact, **read_fields(t, ty.STAGE, scope))
    if 0 < stage.shunt_ratio * (1.0 - stage.arm_inductance_ratio) <= 2:
        arms = f" and stray arms of {stage.arm_inductance_ratio:g} L_J" if stage.arm_inductance_ratio else ""
        t.fault(
            "shunt_ratio",
            f"a ring with L_J/(2L) = {stage.shunt_ratio:g}{arms} leaves its symmetric state at some flux, which the model "
            "does not follow",
            "Give a ratio above 2 (shunt inductance below a quarter of the Josephson inductance), or a bare ring",
        )
    if stage.idler_frequency_hz <= stage.signal_frequency_hz:
        t.fault(
            "idler_frequency",
            "the idler is not above the signal, so no pump at their difference exists",
            "Swap or correct the two",
        )
    for mode, frequency, width in (
        ("signal", stage.signal_frequency_hz, stage.signal_linewidth_hz),
        ("idler", stage.idler_frequency_hz, stage.idler_linewidth_hz),
    ):
        if width > BROADEST * frequency:
            t.fault(
                f"{mode}_linewidth",
                f"a mode at {format_quantity(frequency, 'frequency', 4)} with a linewidth of "
                f"{format_quantity(width, 'frequency', 4)} is no resonance",
                "Check the prefixes of both units: a few tens of MHz at some GHz are usual",
            )
    if stage.coupling_hz > STRONGEST * stage.signal_frequency_hz:
        t.fault(
            "coupling",
            f"a coupling of {format_quantity(stage.coupling_hz, 'frequency', 4)} is no small part of the signal's "
            f"frequency of {format_quantity(stage.signal_frequency_hz, 'frequency', 4)}, as the model needs",
            "Check the prefix of the unit: about 0.2 times the root of the product of both linewidths is usual",
        )
    t.close()
    return stage


def _read_isolator(t: Table, scope: Scope) -> Isolator:
    head = read_fields(t, (Name(), ty.ISOLATOR_LINK, ty.PUMP_PORT_1), scope)
    stages = (_read_stage(t.table("stage_1"), scope), _read_stage(t.table("stage_2"), scope))
    below = t.table("setup", required=False)
    setup = Setup(unstated_exact=scope.exact, **read_fields(below, ty.SETUP, scope))
    below.close()
    read = read_fields(t, ty.ISOLATOR, scope)
    if read["link_amplitude"] is None:
        read["link_amplitude"] = ty.LINK_AMPLITUDE[head["link_kind"]]
    isolator = Isolator(stages=stages, setup=setup, unstated_exact=scope.exact, **head, **read)
    if isolator.joined_by_line:
        for number, stage in enumerate(isolator.stages, 1):
            if stage.idler_termination_hz == 0:
                t.fault(
                    f"stage_{number}.idler_termination",
                    "a plain line between idlers that have no termination of their own is lossless and cannot isolate",
                    "State the idler's termination rate",
                )
    if _sine_vanishes(isolator):
        t.fault(
            "reference_flux",
            "the coupling vanishes at this flux, so it cannot be referred to it",
            "Use for example half a flux quantum",
        )
    return isolator


def _sine_vanishes(isolator: Isolator) -> bool:
    flux = isolator.reference_flux_phi0
    if math.isnan(flux):
        return False
    for stage in isolator.stages:
        quarter = flux if stage.shunt_ratio > 0 else flux - round(flux)
        if abs(math.sin(math.pi / 2 * quarter)) < 1e-9:
            return True
    return False


def _check_loops_used_once(root: Table, isolators: Sequence[Isolator]) -> None:
    owner: dict[str, str] = {}
    for isolator in isolators:
        for number, stage in enumerate(isolator.stages, 1):
            here = f"isolator[{isolator.name}].stage_{number}"
            if stage.loop and stage.loop in owner:
                root.fault(
                    f"{here}.loop",
                    f'the loop "{stage.loop}" belongs to {owner[stage.loop]} already',
                    "Each ring encloses a loop of its own",
                )
            owner.setdefault(stage.loop, here)


# ---------------------------------------------------------------- states, settings


def _rotation(axis: Point, angle: float) -> tuple[Point, Point, Point]:
    """Matrix of a rotation by `angle` about `axis` (Rodrigues' formula)."""
    x, y, z = axis
    c, s = math.cos(angle), math.sin(angle)
    d = 1 - c
    return (
        (c + x * x * d, x * y * d - z * s, x * z * d + y * s),
        (y * x * d + z * s, c + y * y * d, y * z * d - x * s),
        (z * x * d - y * s, z * y * d + x * s, c + z * z * d),
    )


def _read_state(t: Table, scope: Scope) -> State:
    read = read_fields(t, ty.STATE, scope)
    turned, known = read["kind"] == "turned", read["kind"] == "calibration"
    read["unstated_exact"] = scope.exact
    if not turned:
        t.idle([f.key for f in (*ty.STATE_TURNED, ty.STATE_TURN_SD)], 'They belong to kind = "turned"')
    if not known:
        t.idle(("coil", "current", "field"), 'They belong to kind = "calibration"')
    if turned:
        turn = read_fields(t, ty.STATE_TURNED, scope)
        read |= read_fields(t, (ty.STATE_TURN_SD,), scope)
        if abs(math.remainder(turn["rotation_angle"], 2 * math.pi)) < LEAST_ANGLE_RAD:
            t.fault("rotation_angle", "a turn by nothing, or all the way round, turns nothing", 'Use kind = "in"')
        return State(rotation=_rotation(turn["rotation_axis"], turn["rotation_angle"]), **read)
    if not known:
        return State(**read)
    if t.has("field"):
        t.idle(("coil", "current"), "A known field and a coil exclude each other: keep one")
        return State(**read, **read_fields(t, (ty.STATE_FIELD,), scope))
    if not t.has("coil"):
        t.fault(
            "coil",
            "a calibration state names neither a coil nor a field",
            'Add coil = "..." and current, or field = [...]',
        )
        t.idle(("current",), "It belongs to a coil")
        return State(**read)
    return State(**read, **read_fields(t, ty.STATE_COIL, scope))


def _check_turns(root: Table, source: Source, states: Sequence[State]) -> None:
    """A source with axes of its own has another flux map in each state that turns it, which the model does not follow."""
    if not source_kinds()[source.kind].has_shape:
        return
    for state in states:
        if state.rotation != State("", "").rotation:
            root.fault(
                f"state[{state.name}].kind",
                f"a {source.kind.replace('_', ' ')} turns its shape with its moment, which the model does not follow",
                'Leave this state out, or use kind = "dipole" with an extent',
            )


def _read_setting(t: Table, scope: Scope, lines: Sequence[BiasLine] | None) -> Setting:
    read = read_fields(t, ty.SETTING_HEAD, scope)
    bias = dict(read.pop("bias"))
    for line in lines or ():
        current = bias.get(line.name, 0.0)
        if abs(current) > line.limit_a * (1 + 1e-9):
            t.fault(
                f"bias.{line.name}",
                f"{format_quantity(current, 'current')} is beyond the line's limit of "
                f"{format_quantity(line.limit_a, 'current')}",
                "Lower it or correct the limit",
            )
    if t.has("pump_phase"):
        read |= {"pump_port": None} | read_fields(t, (ty.SETTING_PHASE,), scope)
        t.idle(("pump_port",), "A pump port and a free pump phase exclude each other: keep one")
    else:
        read |= {"pump_phase_rad": None} | read_fields(t, (ty.SETTING_PORT,), scope)
    read |= read_fields(t, ty.SETTING, scope)
    return Setting(bias_a=tuple(bias.get(x.name, 0.0) for x in lines or ()), **read)


def _check_limits(root: Table, settings: Sequence[Setting], limits: Limits) -> None:
    """Settings beyond what the study itself allows."""
    most = math.inf if limits.pump_power_w is None else limits.pump_power_w
    low, high = limits.pump_frequency_hz or (0.0, math.inf)
    for s in settings:
        for key, dimension, value, beyond in (
            ("pump_power", "power", s.pump_power_w, s.pump_power_w > most * (1 + 1e-9)),
            ("pump_frequency", "frequency", s.pump_frequency_hz, not low <= (s.pump_frequency_hz or low) <= high),
        ):
            if beyond and value is not None:
                root.fault(
                    f"setting[{s.name}].{key}",
                    f"{format_quantity(value, dimension, 4)} is beyond what limits.{key} allows",
                    "Change it or correct the limit",
                )


# ---------------------------------------------------------------- the rest


def _read_sweep(root: Table, isolators: Sequence[Isolator]) -> SweepRange:
    t = root.table("sweep")
    sweep = read_part(t, SweepRange, ty.SWEEP, Scope())
    if sweep.stop_hz < sweep.start_hz or (sweep.points > 1 and sweep.stop_hz == sweep.start_hz):
        t.fault("stop", "the sweep does not end above its start", "Frequencies must ascend")
    modes = [s.signal_frequency_hz for i in isolators for s in i.stages]
    if modes and (sweep.start_hz > 1.5 * max(modes) or sweep.stop_hz < min(modes) / 1.5):
        t.fault(
            "start",
            f"the sweep from {format_quantity(sweep.start_hz, 'frequency', 4)} to "
            f"{format_quantity(sweep.stop_hz, 'frequency', 4)} is far off every signal mode "
            f"({format_quantity(min(modes), 'frequency', 4)} to {format_quantity(max(modes), 'frequency', 4)})",
            "Check the prefixes of the units",
        )
    t.close()
    return sweep


def _read_noise(root: Table, scope: Scope) -> Noise:
    t = root.table("noise", required=False)
    noise = Noise(**read_fields(t, ty.NOISE, scope))
    if (noise.flux_jumps > 0) != (noise.flux_jump_phi0 > 0):
        given, other = ("flux_jumps", "flux_jump") if noise.flux_jumps > 0 else ("flux_jump", "flux_jumps")
        t.fault(
            given,
            f"says nothing without noise.{other}",
            'State how often a flux jumps in a campaign and by how much: flux_jumps = 0.5, flux_jump = "5 mPhi0"',
        )
    t.close()
    return noise


def _read_data(root: Table, noise: Noise) -> Data:
    t = root.table("data", required=False)
    read = read_fields(t, ty.DATA, Scope())
    if not Data(**read).of_counts:
        t.idle([f.key for f in ty.DATA_DIRECTION], 'It belongs to kind = "direction"')
        t.close()
        return Data(**read)
    read |= read_fields(t, ty.DATA_DIRECTION, Scope())
    if not noise.flux_phi0 > 0 and not math.isnan(noise.flux_phi0):
        t.fault(
            "kind",
            "directions alone are as sharp as the flux noise of a sweep, which noise.flux does not state",
            'Add flux = "0.5 mPhi0", say, under [noise]',
        )
    if noise.flux_slow_phi0 > 0:
        t.fault(
            "kind",
            "sweeps that only say a direction are taken as independent, which slow flux noise (noise.flux_slow) is not",
            "Leave noise.flux_slow out and take it into offset_sd of the loops, or record the complex traces",
        )
    if noise.flux_jumps > 0:
        t.fault(
            "kind",
            "sweeps that only say a direction are taken as independent, which they are not after a flux jump (noise.flux_jumps)",
            "Leave noise.flux_jumps out and take the jumps into offset_sd of the loops, or record the complex traces",
        )
    if noise.bad_sweeps > 0:
        t.fault(
            "kind",
            "a bad sweep (noise.bad_sweeps) is no outlier among directions: it is a wrong reading every other time",
            "Leave noise.bad_sweeps out and add half of it to data.wrong_way",
        )
    t.close()
    return Data(**read)


def _read_layout(root: Table, scope: Scope) -> LayoutRules:
    t = root.table("layout", required=False)
    read = read_fields(t, ty.LAYOUT, scope)
    keep_out = tuple(_read_keep_out(one, scope) for one in t.tables("keep_out", required=False))
    rules = LayoutRules(keep_out=keep_out, **read)
    if 2 * rules.edge_m + rules.size_m[0] >= min(rules.chip_size_m):
        t.fault(
            "edge", "no loop fits between the edges of the chip", "Use a larger chip, smaller loops or a smaller edge"
        )
    if rules.grid_m > rules.size_m[0] / 4:
        t.fault("grid", "the design grid is coarser than a quarter of the smallest loop", "Use a finer grid")
    t.close()
    return rules


def _read_traces(root: Table, data: Data) -> dict[str, Any]:
    """Where the logs are, what their clocks say, and how the traces are written."""
    t = root.table("traces", required=False)
    read = read_fields(t, ty.TRACES, Scope())
    logs, starts = len(read["logs"]), len(read["log_starts_s"])
    if starts and starts != logs:
        t.fault("log_starts", f"there are {starts} times for {logs} logs", "Give one time for each log, in their order")
    form = read_part(t, ty.TraceForm, ty.TRACE_FORM, Scope())
    wanted = ty.NUMBERS.get(form.numbers, 0)
    for key, names in (("s21", form.s21), ("s12", form.s12), ("s11", form.s11), ("s22", form.s22)):
        if names and wanted and len(names) != wanted:
            write = f'{key} = "a"' if wanted == 1 else f'{key} = ["a", "b"]'
            t.fault(key, f"{len(names)} name(s), but {shown(form.numbers)} takes {wanted}", f"Write it like {write}")
    if form.numbers in ty.WITHOUT_PHASE and not (data.of_magnitudes or data.of_counts):
        t.fault(
            "numbers", f"{shown(form.numbers)} has no phase, and the study's data are {data.kind}",
            'Name the phases too, or set kind = "magnitude" under [data]',
        )  # fmt: skip
    t.close()
    return read | {"form": form}


def _read_keep_out(t: Table, scope: Scope) -> KeepOut:
    one = read_part(t, KeepOut, ty.KEEP_OUT, scope)
    if one.low_m[0] >= one.high_m[0] or one.low_m[1] >= one.high_m[1]:
        t.fault(
            "to", "the second corner is not above and to the right of the first", "Give lower left, then upper right"
        )
    return one


def _read_table(root: Table, key: str, fields: Sequence[Field], scope: Scope) -> dict[str, Any]:
    """The fields of a table that may be missing."""
    t = root.table(key, required=False)
    read = read_fields(t, fields, scope)
    t.close()
    return read


def _left_to_the_chain(data: Mapping[str, object], noise: Noise, plan: Plan) -> tuple[Noise, Plan]:
    """White noise and duration of a sweep: nan where the study leaves them to the chain that it describes."""
    white, seconds = (
        isinstance(table := data.get(section, {}), Mapping) and key not in table for section, key in LEFT_TO_THE_CHAIN
    )
    return (
        replace(noise, white=math.nan) if white else noise,
        replace(plan, seconds_per_sweep=math.nan) if seconds else plan,
    )


class _Named(Protocol):
    """A part of a study with a name."""

    @property
    def name(self) -> str: ...


def _names(parts: Sequence[_Named], expected: bool) -> list[str] | None:
    """Names of the parts; None if some could not be read, since nothing can then be said of a name not among them."""
    names = [x.name for x in parts]
    doubtful = "" in names or len(set(names)) < len(names) or (expected and not names)
    return None if doubtful else names


def read_root(data: Mapping[str, object], file: Path, faults: Faults, sha256: str) -> Study:
    """The whole study; faults are noted, with stand-ins in their places."""
    root = Table(dict(data), "", file.name, faults)
    version = root.raw("format", remedy=f"Begin the study with format = {FORMAT_VERSION}")
    if version is not None and (type(version) is not int or version != FORMAT_VERSION):
        root.fault(
            "format",
            f"format {shown(version)} is not known to this version",
            f"This version reads format = {FORMAT_VERSION}",
        )
    names: dict[str, Sequence[str] | None] = {}
    plain = Scope(names)
    read = read_fields(root, ty.HEAD, plain)
    scope = Scope(names, _read_table(root, "uncertainty", ty.UNCERTAINTY, plain)["unstated_exact"])
    read["source"] = read_source(root, scope.exact)
    chips = tuple(_read_chip(t, scope) for t in root.tables("chip", required=False))
    names["chips"] = _names(chips, "chip" in data)
    read["chips"] = chips or (Chip("chip", unstated_exact=scope.exact),)
    if names["chips"] == []:
        names["chips"] = ["chip"]
    loops = tuple(_read_loop(t, scope) for t in root.tables("loop"))
    names["loops"] = _names(loops, True)
    lines = tuple(_read_bias_line(t, scope) for t in root.tables("bias_line", required=False))
    names["lines"] = _names(lines, "bias_line" in data)
    coils = tuple(
        Coil(Name().read(t, scope), _read_polygon(t, "outline", (3,))) for t in root.tables("coil", required=False)
    )
    names["coils"] = _names(coils, "coil" in data)
    isolators = tuple(_read_isolator(t, scope) for t in root.tables("isolator"))
    names["isolators"] = _names(isolators, True)
    _check_loops_used_once(root, isolators)
    states = tuple(_read_state(t, scope) for t in root.tables("state", required=False))
    names["states"] = _names(states, "state" in data)
    _check_turns(root, read["source"], states)
    if not states:
        states = (State("out", "out", unstated_exact=scope.exact), State("in", "in", unstated_exact=scope.exact))
        names["states"] = ["out", "in"] if names["states"] == [] else None
    known_lines = None if names["lines"] is None else lines
    settings = tuple(_read_setting(t, scope, known_lines) for t in root.tables("setting", required=False))
    names["settings"] = _names(settings, "setting" in data)
    sweep = _read_sweep(root, isolators)
    readout = read_readout(root.table("readout"), scope) if root.has("readout") else None
    noise = _read_noise(root, scope)
    plan = Plan(**_read_table(root, "plan", ty.PLAN, scope))
    if readout is not None:
        noise, plan = _left_to_the_chain(data, noise, plan)
    sampling = Sampling(**_read_table(root, "sampling", ty.SAMPLING, scope))
    measured = _read_data(root, noise)
    limits = Limits(**_read_table(root, "limits", ty.LIMITS, scope))
    _check_limits(root, settings, limits)
    layout = _read_layout(root, scope)
    traces = _read_traces(root, measured)
    root.close()
    return Study(
        path=file, loops=loops, bias_lines=lines, coils=coils, isolators=isolators, states=states, settings=settings,
        sweep=sweep, noise=noise, plan=plan, sampling=sampling, sha256=sha256, limits=limits, layout=layout, data=measured,
        unstated_exact=scope.exact, readout=readout, tree=data, **read,
        **(traces | {"logs": tuple(file.parent / x for x in traces["logs"])}),
    )  # fmt: skip


def _read_bytes(file: Path, kind: str) -> bytes:
    """The content of a study file, or of another TOML file, within the limit."""
    remedy = "Check the path" + (", or begin one with: fluxsense start DIR" if kind == "study" else "")
    try:
        about = file.stat()
        if not stat.S_ISREG(about.st_mode):
            raise InputError("this is not a file", where=str(file), remedy=remedy)
        with file.open("rb") as stream:
            raw = stream.read(MAX_STUDY_BYTES + 1)
    except OSError as error:
        raise InputError(
            f"the {kind} cannot be read ({error.strerror or error})", where=str(file), remedy=remedy
        ) from None
    except ValueError:  # a null character in the path
        raise InputError("this is no path of a file", where=shown(str(file)), remedy=remedy) from None
    if len(raw) > MAX_STUDY_BYTES:
        raise InputError(
            f"a {kind} of {about.st_size} bytes is beyond the limit of {MAX_STUDY_BYTES}",
            where=str(file),
            remedy=f"A {kind} is a text of some pages; is this the right file?",
        )
    return raw


_MANY_DOTS = re.compile(rb"(?:[\w\"'-]{1,200}[ \t]*\.[ \t]*){40}")


def _parse(raw: bytes, file: Path, kind: str) -> dict[str, Any]:
    """The TOML tree of a study file, or of another."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            f"the {kind} is not UTF-8 text", where=f"{file}:{line}", remedy="Save it in the encoding UTF-8"
        ) from None
    dots = _MANY_DOTS.search(raw)
    if dots is not None:  # the parser's time grows as the square of the number of parts of a key
        line = raw[: dots.start()].count(b"\n") + 1
        raise InputError(
            f"a key with over forty parts is no key of a {kind}", where=f"{file}:{line}", remedy="Remove it"
        )
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"the {kind} is not valid TOML ({error})", where=str(file), remedy="Correct that line"
        ) from None
    except RecursionError:
        raise InputError(
            f"the {kind} is not usable TOML (its lists or tables are nested too deeply)",
            where=str(file),
            remedy="Look for opening brackets that are not closed",
        ) from None
    except ValueError:  # Python refuses whole numbers of thousands of digits
        raise InputError(
            f"the {kind} is not usable TOML (it holds a number of thousands of digits, or a date that does not exist)",
            where=str(file),
            remedy="Correct that number",
        ) from None


def read_study(path: str | Path) -> Study:
    """Read and validate a study file.

    Parameters
    ----------
    path : str or Path
        The TOML file.

    Returns
    -------
    Study

    Raises
    ------
    InputError
        With every fault found (up to twelve kinds are shown), each by its key path.

    Notes
    -----
    What needs the geometry as a whole (a dipole on a wire, an outline that crosses itself) is checked by
    `fluxsense.device.chip.check_geometry`, so that this module needs no numpy.
    """
    file = Path(path)
    tree, sha256 = read_tree(file)
    return study_of_tree(tree, file, sha256)


def read_tree(path: str | Path, kind: str = "study") -> tuple[dict[str, Any], str]:
    """A study file as nested plain values, not yet validated, and the hash of its bytes.

    `kind` is what messages call the file.

    Raises
    ------
    InputError
        If the file cannot be read or is not TOML.
    """
    file = Path(path)
    raw = _read_bytes(file, kind)
    return _parse(raw, file, kind), hashlib.sha256(raw).hexdigest()


def study_of_tree(tree: Mapping[str, object], path: str | Path, sha256: str = "") -> Study:
    """Validate nested plain values as a study; `path` names them in messages and anchors relative paths.

    Raises
    ------
    InputError
        With every fault found (up to twelve are shown), each by its key path.
    """
    faults = Faults()
    study = read_root(tree, Path(path), faults, sha256)
    faults.raise_any()
    return study
