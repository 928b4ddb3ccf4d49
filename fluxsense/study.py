"""The study file: TOML in, frozen dataclasses out.

A study holds a chip, a source hypothesis, settings, priors and where the
traces are.  Nothing here needs numpy, so that a wrong entry is answered at
once.  Every fault found is reported by its key path; nothing in a study is
ever executed.
"""

from __future__ import annotations

import difflib
import hashlib
import math
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from .errors import InputError
from .units import parse_quantity

FORMAT_VERSION: Final = 1
MAX_STUDY_BYTES: Final = 2_000_000
MAX_FAULTS_SHOWN: Final = 12

Vector = tuple[float, float, float]


# ---------------------------------------------------------------- what a study holds


@dataclass(frozen=True)
class DirectionPrior:
    """Where the source may point before any data.

    kind is 'sphere', 'cap' (within half_angle_rad of axis), 'plane' (within half_angle_rad of the plane
    normal to axis) or 'list' (one of `candidates`).
    """

    kind: str = "sphere"
    axis: Vector = (0.0, 0.0, 1.0)
    half_angle_rad: float = math.pi
    candidates: tuple[Vector, ...] = ()


@dataclass(frozen=True)
class Source:
    """The source hypothesis: kind, position and priors.  size is in T (uniform field) or A m^2 (dipole)."""

    kind: str
    size_prior: str
    size: float
    size_sd: float
    position_m: Vector = (0.0, 0.0, 0.0)
    position_sd_m: Vector = (0.0, 0.0, 0.0)
    direction: DirectionPrior = DirectionPrior()


@dataclass(frozen=True)
class Chip:
    """A flat piece: its frame in the laboratory."""

    name: str
    origin_m: Vector = (0.0, 0.0, 0.0)
    x_axis: Vector = (1.0, 0.0, 0.0)
    y_axis: Vector = (0.0, 1.0, 0.0)


@dataclass(frozen=True)
class Loop:
    """A closed outline in its chip's frame, its effective-area factor and the prior of its flux offset."""

    name: str
    chip: str
    outline_m: tuple[Vector, ...]
    effective_area: float = 1.0
    effective_area_sd: float = 0.0
    offset_phi0: float = 0.0
    offset_sd_phi0: float = 0.0


@dataclass(frozen=True)
class BiasLine:
    """A current line and its mutual inductance to each loop."""

    name: str
    limit_a: float
    mutual_phi0_per_a: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Coil:
    """A calibration coil: a closed outline in the laboratory frame."""

    name: str
    outline_m: tuple[Vector, ...]


@dataclass(frozen=True)
class Stage:
    """One converter: its ring's loop, two modes and the coupling at the isolator's reference flux and power.

    `uncertain` lists (field name, prior standard deviation) for the fields that inference carries along.
    """

    loop: str
    ring: str
    shunt_ratio: float
    branch: int | None
    signal_frequency_hz: float
    signal_linewidth_hz: float
    signal_internal_hz: float
    signal_share: float
    idler_frequency_hz: float
    idler_linewidth_hz: float
    idler_internal_hz: float
    idler_termination_hz: float
    idler_share: float
    coupling_hz: float
    uncertain: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Isolator:
    """Two stages, their hybrid, the link between the idlers and the pump wiring.

    pump_port_1_sign is +1 or -1 when the study states the sign of the pump phase difference for pump port 1,
    and None when it is to be read from the reference sweeps.
    """

    name: str
    stages: tuple[Stage, Stage]
    link_kind: str
    link_amplitude: float
    link_phase_rad: float
    hybrid_imbalance_db: float
    hybrid_phase_error_rad: float
    hybrid_loss_db: float
    reference_flux_phi0: float
    reference_power_w: float
    pump_port_1_sign: int | None
    pump_phase_error_sd_rad: float
    pump_strength_sd: float


@dataclass(frozen=True)
class State:
    """What the source was doing: out, in, turned (rotation as a row-major matrix) or a known calibration source."""

    name: str
    kind: str
    rotation: tuple[Vector, Vector, Vector] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    coil: str | None = None
    current_a: float = 0.0
    field_t: Vector | None = None


@dataclass(frozen=True)
class Setting:
    """What the experimenter chooses for a sweep.  pump_frequency_hz None means matched to the biased modes."""

    name: str
    isolators: tuple[str, ...]
    bias_a: tuple[float, ...]
    pump_port: int | None
    pump_phase_rad: float | None
    pump_power_w: float
    pump_frequency_hz: float | None


@dataclass(frozen=True)
class SweepRange:
    """Signal frequencies of a sweep, evenly spaced."""

    start_hz: float
    stop_hz: float
    points: int


@dataclass(frozen=True)
class Noise:
    """Noise of one raw trace, relative to unit transmission; drift is per repeat, residual_gain per setting and path."""

    white: float = 0.01
    gain_drift: float = 0.0
    phase_drift_rad: float = 0.0
    residual_gain: float = 0.0
    flux_phi0: float = 0.0


@dataclass(frozen=True)
class Plan:
    """How often `simulate` sweeps: repeats per setting and state, pump-off repeats, states in order, cooldowns."""

    repeats: int = 8
    off_repeats: int = 8
    states: tuple[str, ...] = ()
    cooldowns: tuple[str, ...] = ("c1",)
    seconds_per_sweep: float = 20.0


@dataclass(frozen=True)
class Sampling:
    """How hard `orient` samples."""

    ensembles: int = 4
    walkers: int | None = None
    wanted_ess: int = 4000
    max_steps: int = 20000


@dataclass(frozen=True)
class Study:
    """Everything a study file says, in the package's own units."""

    path: Path
    title: str
    invented: bool
    note: str
    source: Source
    chips: tuple[Chip, ...]
    loops: tuple[Loop, ...]
    bias_lines: tuple[BiasLine, ...]
    coils: tuple[Coil, ...]
    isolators: tuple[Isolator, ...]
    states: tuple[State, ...]
    settings: tuple[Setting, ...]
    sweep: SweepRange
    noise: Noise
    plan: Plan
    sampling: Sampling
    log: Path
    allow_outside: bool
    sha256: str = field(compare=False, default="")

    @property
    def folder(self) -> Path:
        """The folder that the study's relative paths start from."""
        return self.path.parent

    def loop(self, name: str) -> Loop:
        """The loop of that name."""
        return next(x for x in self.loops if x.name == name)

    def isolator(self, name: str) -> Isolator:
        """The isolator of that name."""
        return next(x for x in self.isolators if x.name == name)

    def state(self, name: str) -> State:
        """The state of that name."""
        return next(x for x in self.states if x.name == name)


# ---------------------------------------------------------------- reading tables

_REQUIRED: Final = object()


class Table:
    """One TOML table being read: takes keys, notes faults by path, and names what is left over."""

    def __init__(self, data: dict[str, Any], path: str, file: str, faults: list[str]) -> None:
        self._left = dict(data)
        self._known: list[str] = []
        self.path = path
        self._file = file
        self._faults = faults

    def _where(self, key: str = "") -> str:
        dotted = ".".join(x for x in (self.path, key) if x)
        return f"{self._file}, {dotted}" if dotted else self._file

    def fault(self, key: str, what: str, remedy: str = "") -> None:
        self._faults.append(str(InputError(what, where=self._where(key), remedy=remedy)))

    def has(self, key: str) -> bool:
        return key in self._left

    def raw(self, key: str, default: Any = _REQUIRED, remedy: str = "") -> Any:
        self._known.append(key)
        if key in self._left:
            return self._left.pop(key)
        if default is _REQUIRED:
            self.fault(key, "this entry is missing", remedy or f"Add {key} = ...")
            return None
        return default

    def _converted(self, key: str, convert: Callable[[Any], Any], default: Any, dummy: Any, remedy: str = "") -> Any:
        value = self.raw(key, default, remedy)
        if value is None or value is default:
            return dummy if value is None and default is _REQUIRED else value
        try:
            return convert(value)
        except InputError as error:
            self._faults.append(str(error))
            return dummy

    def text(
        self, key: str, default: Any = _REQUIRED, choices: Sequence[str] | None = None, empty: bool = False
    ) -> Any:
        def convert(value: Any) -> str:
            if not isinstance(value, str) or (not value.strip() and not empty):
                raise InputError(f"{value!r} is not a text", where=self._where(key), remedy="Write it in quotes")
            if choices is not None and value not in choices:
                near = difflib.get_close_matches(value, choices, n=1)
                hint = f'Did you mean "{near[0]}"? ' if near else ""
                quoted = ", ".join(f'"{x}"' for x in choices) or "(none are defined)"
                raise InputError(f'"{value}" is not known here', where=self._where(key), remedy=f"{hint}Use {quoted}")
            return value

        return self._converted(key, convert, default, choices[0] if choices else "")

    def flag(self, key: str, default: bool) -> bool:
        def convert(value: Any) -> bool:
            if not isinstance(value, bool):
                raise InputError(
                    f"{value!r} is neither true nor false", where=self._where(key), remedy="Write true or false"
                )
            return value

        return bool(self._converted(key, convert, default, default))

    def _in_range(self, key: str, value: float, low: float, high: float, strict: bool, shown: str) -> float:
        if value < low or value > high or (strict and value == low):
            limits = f"above {low:g}" if strict else f"at least {low:g}"
            if math.isfinite(high):
                limits += f" and at most {high:g}"
            raise InputError(f"{shown} is out of range", where=self._where(key), remedy=f"It must be {limits}")
        return value

    def number(
        self, key: str, default: Any = _REQUIRED, low: float = -math.inf, high: float = math.inf, strict: bool = False
    ) -> float:
        def convert(value: Any) -> float:
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
                raise InputError(
                    f"{value!r} is not a finite number",
                    where=self._where(key),
                    remedy="Write a plain number without a unit",
                )
            return self._in_range(key, float(value), low, high, strict, repr(value))

        return float(self._converted(key, convert, default, 1.0))

    def integer(self, key: str, default: Any = _REQUIRED, low: int = 0, high: int = 10**9) -> Any:
        def convert(value: Any) -> int:
            if isinstance(value, bool) or not isinstance(value, int):
                raise InputError(
                    f"{value!r} is not a whole number", where=self._where(key), remedy="Write a whole number"
                )
            return int(self._in_range(key, value, low, high, False, repr(value)))

        return self._converted(key, convert, default, max(low, 1))

    def quantity(
        self,
        key: str,
        dimension: str,
        default: Any = _REQUIRED,
        low: float = -math.inf,
        high: float = math.inf,
        strict: bool = False,
    ) -> Any:
        def convert(value: Any) -> float:
            number = parse_quantity(value, dimension, self._where(key))
            return self._in_range(key, number, low, high, strict, f'"{value}"')

        return self._converted(key, convert, default, 1.0)

    def quantities(self, key: str, dimension: str, count: int, default: Any = _REQUIRED, low: float = -math.inf) -> Any:
        def convert(value: Any) -> tuple[float, ...]:
            if not isinstance(value, list) or len(value) != count:
                raise InputError(
                    f"{value!r} is not a list of {count} values",
                    where=self._where(key),
                    remedy=f"Write {count} texts with units in [ ]",
                )
            numbers = tuple(parse_quantity(x, dimension, f"{self._where(key)}[{i}]") for i, x in enumerate(value))
            for number, shown in zip(numbers, value, strict=True):
                self._in_range(key, number, low, math.inf, False, f'"{shown}"')
            return numbers

        return self._converted(key, convert, default, tuple([0.0] * count))

    def unit_vector(self, key: str, default: Any = _REQUIRED) -> Any:
        def convert(value: Any) -> Vector:
            good = isinstance(value, list) and len(value) == 3
            good = good and all(
                isinstance(x, (int, float)) and not isinstance(x, bool) and math.isfinite(x) for x in value
            )
            if not good:
                raise InputError(
                    f"{value!r} is not a list of three numbers",
                    where=self._where(key),
                    remedy="Write it like [0, 0, 1]",
                )
            return _normalised(value, self._where(key))

        return self._converted(key, convert, default, (0.0, 0.0, 1.0))

    def texts(self, key: str, choices: Sequence[str] | None, default: Any = _REQUIRED) -> Any:
        def convert(value: Any) -> tuple[str, ...]:
            if not isinstance(value, list) or not value or not all(isinstance(x, str) for x in value):
                raise InputError(
                    f"{value!r} is not a list of names", where=self._where(key), remedy='Write it like ["a", "b"]'
                )
            for name in value:
                if choices is not None and name not in choices:
                    near = difflib.get_close_matches(name, choices, n=1)
                    hint = f'Did you mean "{near[0]}"? ' if near else ""
                    raise InputError(
                        f'"{name}" is not defined in this study',
                        where=self._where(key),
                        remedy=f"{hint}Known: {', '.join(choices)}",
                    )
            if len(set(value)) != len(value):
                raise InputError("a name stands twice in the list", where=self._where(key), remedy="Name each once")
            return tuple(value)

        return self._converted(key, convert, default, ())

    def named_quantities(self, key: str, dimension: str, names: Sequence[str]) -> dict[str, float]:
        """A table of name -> quantity."""
        table = self.table(key, required=False)
        out = {}
        for name in list(table._left):
            table._known.append(name)
            if name not in names:
                near = difflib.get_close_matches(name, names, n=1)
                hint = f'Did you mean "{near[0]}"? ' if near else ""
                table.fault(
                    name, f'"{name}" is not defined in this study', f"{hint}Known: {', '.join(names) or 'none'}"
                )
                table._left.pop(name)
                continue
            out[name] = table.quantity(name, dimension)
        return out

    def table(self, key: str, required: bool = True) -> Table:
        value = self.raw(key, _REQUIRED if required else {}, remedy=f"Add a table [{key}]")
        path = ".".join(x for x in (self.path, key) if x)
        if value is not None and not isinstance(value, dict):
            self.fault(key, "this is not a table", f"Write it under a heading [{path}]")
            value = None
        return Table(value or {}, path, self._file, self._faults if value is not None else [])

    def tables(self, key: str, required: bool = True) -> Iterator[Table]:
        value = self.raw(key, _REQUIRED if required else [], remedy=f"Add at least one [[{key}]]")
        if value is None:
            return
        if not isinstance(value, list) or not all(isinstance(x, dict) for x in value):
            self.fault(key, "this is not a list of tables", f"Begin each entry with a line [[{key}]]")
            return
        seen: set[str] = set()
        for number, entry in enumerate(value, 1):
            name = entry.get("name")
            label = f"{key}[{name}]" if isinstance(name, str) else f"{key}[number {number}]"
            table = Table(entry, label, self._file, self._faults)
            if isinstance(name, str):
                if name in seen:
                    table.fault("name", f'the name "{name}" stands twice', "Give each entry a name of its own")
                seen.add(name)
            yield table
            table.close()

    def close(self) -> None:
        for key in self._left:
            near = difflib.get_close_matches(key, self._known, n=1)
            hint = f'Did you mean "{near[0]}"?' if near else f"Known here: {', '.join(sorted(set(self._known)))}"
            self.fault(key, "this key is not known", hint)
        self._left = {}


def _normalised(value: Sequence[float], where: str) -> Vector:
    length = math.sqrt(sum(float(x) ** 2 for x in value))
    if not 0 < length < math.inf:
        raise InputError(
            "a direction of length zero or beyond all bounds is no direction",
            where=where,
            remedy="Write it like [0, 0, 1]",
        )
    return (value[0] / length, value[1] / length, value[2] / length)


def _name(table: Table) -> str:
    name = table.text("name")
    if isinstance(name, str) and name and not all(c.isalnum() or c in "_-." for c in name):
        table.fault("name", f'"{name}" is not a usable name', "Use letters, digits, _, - and points only")
    return str(name)


# ---------------------------------------------------------------- the parts

CIRCLE_SIDES: Final = 48


def _read_source(root: Table) -> Source:
    t = root.table("source")
    kind = t.text("kind", choices=("dipole", "uniform_field"))
    dimension = "field" if kind == "uniform_field" else "moment"
    position: Vector = (0.0, 0.0, 0.0)
    position_sd: Vector = (0.0, 0.0, 0.0)
    if kind == "dipole":
        position = t.quantities("position", "length", 3)
        position_sd = t.quantities("position_sd", "length", 3, default=(0.0, 0.0, 0.0), low=0.0)
    size_prior = t.text("size_prior", default="scale", choices=("fixed", "known", "scale"))
    size = t.quantity("size", dimension, low=0.0, strict=True)
    size_sd = 0.0
    if size_prior == "known":
        size_sd = t.quantity("size_sd", dimension, low=0.0, strict=True)
        if size_sd > size / 3:
            t.fault("size_sd", "a size known to no better than a third is not known", 'Use size_prior = "scale"')
    direction = DirectionPrior()
    choice = t.text("direction_prior", default="sphere", choices=("sphere", "cap", "plane", "list"))
    if choice in ("cap", "plane"):
        half = t.quantity("direction_half_angle", "angle", low=0.0, high=math.pi, strict=True)
        direction = DirectionPrior(choice, t.unit_vector("direction_axis"), half)
    elif choice == "list":
        rows = t.raw("direction_candidates")
        good: list[Vector] = []
        if isinstance(rows, list):
            for i, row in enumerate(rows):
                one = Table({"v": row}, t.path, t._file, t._faults)
                good.append(one.unit_vector("v") if isinstance(row, list) else (0.0, 0.0, 1.0))
                if not isinstance(row, list):
                    t.fault(f"direction_candidates[{i}]", f"{row!r} is not a direction", "Write it like [0, 0, 1]")
        if len(good) < 2:
            t.fault(
                "direction_candidates", "fewer than two directions are listed", "Write them like [[0, 0, 1], [1, 0, 0]]"
            )
            good = [(0.0, 0.0, 1.0), (0.0, 0.0, -1.0)]
        direction = DirectionPrior("list", candidates=tuple(good))
    t.close()
    return Source(kind, size_prior, size, size_sd, position, position_sd, direction)


def _read_chip(t: Table) -> Chip:
    chip = Chip(
        _name(t),
        t.quantities("origin", "length", 3, default=(0.0, 0.0, 0.0)),
        t.unit_vector("x_axis", default=(1.0, 0.0, 0.0)),
        t.unit_vector("y_axis", default=(0.0, 1.0, 0.0)),
    )
    if abs(sum(a * b for a, b in zip(chip.x_axis, chip.y_axis, strict=True))) > 1e-6:
        t.fault("y_axis", "the chip's x and y axes are not at right angles", "Give two axes at right angles")
    return chip


def _square_outline(half_x: float, half_y: float) -> list[tuple[float, float]]:
    return [(half_x, half_y), (-half_x, half_y), (-half_x, -half_y), (half_x, -half_y)]


def _circle_outline(radius: float, sides: int) -> list[tuple[float, float]]:
    """Corners of the regular polygon that has the circle's area."""
    outer = radius * math.sqrt(2 * math.pi / (sides * math.sin(2 * math.pi / sides)))
    return [
        (outer * math.cos(2 * math.pi * k / sides), outer * math.sin(2 * math.pi * k / sides)) for k in range(sides)
    ]


def _read_polygon(t: Table, key: str, dims: tuple[int, ...]) -> tuple[Vector, ...]:
    rows = t.raw(key, remedy='Write it like [["0 um", "0 um"], ["10 um", "0 um"], ["10 um", "10 um"]]')
    corners: list[Vector] = []
    if rows is None:
        return ((0.0, 0.0, 0.0), (1e-6, 0.0, 0.0), (0.0, 1e-6, 0.0))
    if not isinstance(rows, list):
        t.fault(
            key,
            f"{rows!r} is not a list of corners",
            'Write it like [["0 um", "0 um"], ["10 um", "0 um"], ["10 um", "10 um"]]',
        )
        rows = []
    for i, row in enumerate(rows):
        if not isinstance(row, list) or len(row) not in dims:
            t.fault(f"{key}[{i}]", f"{row!r} is not a corner", f"Give {' or '.join(map(str, dims))} lengths with units")
            continue
        one = Table({f"{key}[{i}]": row}, t.path, t._file, t._faults)
        corner = one.quantities(f"{key}[{i}]", "length", len(row))
        corners.append((corner[0], corner[1], corner[2] if len(row) == 3 else 0.0))
    if len(corners) > 1 and corners[0] == corners[-1]:
        corners.pop()
    if len(rows) < 3 or len(set(corners)) < 3:
        t.fault(
            key,
            f"an outline with {len(set(corners))} different corners encloses nothing",
            "Give at least three different corners",
        )
    return tuple(corners)


def _read_loop(t: Table, chips: Sequence[str]) -> Loop:
    name = _name(t)
    chip = t.text("chip", default=chips[0] if len(chips) == 1 else _REQUIRED, choices=chips)
    shape = t.text("shape", default="polygon", choices=("square", "rectangle", "circle", "polygon"))
    outline: tuple[Vector, ...]
    if shape == "polygon":
        outline = _read_polygon(t, "outline", (2, 3))
    else:
        cx, cy = t.quantities("center", "length", 2)
        if shape == "circle":
            flat = _circle_outline(
                t.quantity("radius", "length", low=0.0, strict=True),
                t.integer("sides", default=CIRCLE_SIDES, low=8, high=720),
            )
        elif shape == "square":
            side = t.quantity("side", "length", low=0.0, strict=True)
            flat = _square_outline(side / 2, side / 2)
        else:
            width = t.quantity("width", "length", low=0.0, strict=True)
            flat = _square_outline(width / 2, t.quantity("height", "length", low=0.0, strict=True) / 2)
        outline = tuple((cx + x, cy + y, 0.0) for x, y in flat)
    if t.flag("reversed", False):
        outline = outline[::-1]
    return Loop(
        name,
        chip,
        outline,
        t.number("effective_area", default=1.0, low=0.0, strict=True),
        t.number("effective_area_sd", default=0.0, low=0.0, high=0.5),
        t.quantity("offset", "flux", default=0.0),
        t.quantity("offset_sd", "flux", default=0.0, low=0.0, high=1.0),
    )


_STAGE_QUANTITIES: Final = {
    # key: (field, dimension, required, must be above zero)
    "signal_frequency": ("signal_frequency_hz", "frequency", True, True),
    "signal_linewidth": ("signal_linewidth_hz", "frequency", True, True),
    "signal_internal_loss": ("signal_internal_hz", "frequency", False, False),
    "signal_share": ("signal_share", None, True, False),
    "idler_frequency": ("idler_frequency_hz", "frequency", True, True),
    "idler_linewidth": ("idler_linewidth_hz", "frequency", True, True),
    "idler_internal_loss": ("idler_internal_hz", "frequency", False, False),
    "idler_termination": ("idler_termination_hz", "frequency", False, False),
    "idler_share": ("idler_share", None, True, False),
    "coupling": ("coupling_hz", "frequency", True, True),
}


def _read_stage(t: Table, loops: Sequence[str]) -> Stage:
    ring = t.text("ring", choices=("shunted", "bare"))
    branch = None
    ratio = 0.0
    if ring == "shunted":
        ratio = t.number("shunt_ratio", low=0.0, strict=True)
        if 0 < ratio <= 2:
            t.fault(
                "shunt_ratio",
                f"a ring with L_J/(2L) = {ratio:g} leaves its symmetric state at some flux, which the model does not follow",
                "Give a ratio above 2 (shunt inductance below a quarter of the Josephson inductance), or a bare ring",
            )
    elif t.has("branch") and t._left["branch"] == "ground":
        t.raw("branch")
    else:
        branch = t.integer("branch", default=None, low=-1000, high=1000)
    values: dict[str, float] = {}
    uncertain = []
    for key, (name, dimension, required, above) in _STAGE_QUANTITIES.items():
        default = _REQUIRED if required else 0.0
        if dimension is None:
            values[name] = t.number(key, default=default, low=0.0, high=1.0)
            sd = t.number(f"{key}_sd", default=0.0, low=0.0, high=0.5)
        else:
            values[name] = t.quantity(key, dimension, default=default, low=0.0, strict=above)
            sd = t.quantity(f"{key}_sd", dimension, default=0.0, low=0.0)
        if sd > 0:
            uncertain.append((name, sd))
            if above and sd > values[name] / 3:
                t.fault(
                    f"{key}_sd",
                    "the uncertainty is over a third of the value",
                    "Characterize first, or state a smaller one",
                )
    stage = Stage(t.text("loop", choices=loops), ring, ratio, branch, uncertain=tuple(uncertain), **values)
    if stage.idler_frequency_hz <= stage.signal_frequency_hz:
        t.fault(
            "idler_frequency",
            "the idler is not above the signal, so no pump at their difference exists",
            "Swap or correct the two",
        )
    t.close()
    return stage


def _read_isolator(t: Table, loops: Sequence[str]) -> Isolator:
    name = _name(t)
    link = t.text("link", default="hybrid", choices=("hybrid", "line"))
    sign = t.text("pump_port_1_phase", default="from reference", choices=("from reference", "+90 deg", "-90 deg"))
    isolator = Isolator(
        name=name,
        stages=(_read_stage(t.table("stage_1"), loops), _read_stage(t.table("stage_2"), loops)),
        link_kind=link,
        link_amplitude=t.number(
            "link_amplitude", default=1 / math.sqrt(2) if link == "hybrid" else 1.0, low=0.0, high=1.0, strict=True
        ),
        link_phase_rad=t.quantity("link_phase", "angle", default=0.0),
        hybrid_imbalance_db=t.quantity("hybrid_imbalance", "level", default=0.0, low=-20, high=20),
        hybrid_phase_error_rad=t.quantity("hybrid_phase_error", "angle", default=0.0),
        hybrid_loss_db=t.quantity("hybrid_loss", "level", default=0.0, low=0.0, high=40),
        reference_flux_phi0=t.quantity("reference_flux", "flux"),
        reference_power_w=t.quantity("reference_power", "power", low=0.0, strict=True),
        pump_port_1_sign={"+90 deg": 1, "-90 deg": -1}.get(sign),
        pump_phase_error_sd_rad=t.quantity("pump_phase_error_sd", "angle", default=0.0, low=0.0, high=1.0),
        pump_strength_sd=t.number("pump_strength_sd", default=0.0, low=0.0, high=0.5),
    )
    first, second = isolator.stages
    if first.loop == second.loop and loops:
        t.fault("stage_2.loop", f'both stages use the loop "{first.loop}"', "Each ring encloses a loop of its own")
    if link == "line":
        for number, stage in enumerate(isolator.stages, 1):
            if stage.idler_termination_hz <= 0:
                t.fault(
                    f"stage_{number}.idler_termination",
                    "a plain line between idlers that have no termination of their own is lossless and cannot isolate",
                    "State the idler's termination rate",
                )
    if isolator.reference_flux_phi0 == 0 or _sine_vanishes(isolator):
        t.fault(
            "reference_flux",
            "the coupling vanishes at this flux, so it cannot be referred to it",
            "Use for example half a flux quantum",
        )
    return isolator


def _sine_vanishes(isolator: Isolator) -> bool:
    flux = isolator.reference_flux_phi0
    for stage in isolator.stages:
        quarter = flux if stage.ring == "shunted" else flux - round(flux)
        if abs(math.sin(math.pi / 2 * quarter)) < 1e-9:
            return True
    return False


def _rotation(axis: Vector, angle: float) -> tuple[Vector, Vector, Vector]:
    """Matrix of a rotation by `angle` about `axis` (Rodrigues' formula)."""
    x, y, z = axis
    c, s = math.cos(angle), math.sin(angle)
    d = 1 - c
    return (
        (c + x * x * d, x * y * d - z * s, x * z * d + y * s),
        (y * x * d + z * s, c + y * y * d, y * z * d - x * s),
        (z * x * d - y * s, z * y * d + x * s, c + z * z * d),
    )


def _read_state(t: Table, coils: Sequence[str]) -> State:
    name = _name(t)
    kind = t.text("kind", choices=("out", "in", "turned", "calibration"))
    if kind == "turned":
        return State(name, kind, _rotation(t.unit_vector("rotation_axis"), t.quantity("rotation_angle", "angle")))
    if kind == "calibration":
        if t.has("field"):
            return State(name, kind, field_t=t.quantities("field", "field", 3))
        if not t.has("coil"):
            t.fault(
                "coil",
                "a calibration state names neither a coil nor a field",
                'Add coil = "..." and current, or field = [...]',
            )
            return State(name, kind)
        return State(name, kind, coil=t.text("coil", choices=coils), current_a=t.quantity("current", "current"))
    return State(name, kind)


def _read_setting(t: Table, isolators: Sequence[str], lines: Sequence[BiasLine]) -> Setting:
    name = _name(t)
    names = [x.name for x in lines]
    bias = t.named_quantities("bias", "current", names)
    for line in lines:
        if abs(bias.get(line.name, 0.0)) > line.limit_a * (1 + 1e-9):
            t.fault(
                f"bias.{line.name}",
                f"{bias[line.name]:g} A is beyond the line's limit of {line.limit_a:g} A",
                "Lower it or correct the limit",
            )
    port: int | None = None
    phase: float | None = None
    if t.has("pump_phase"):
        phase = t.quantity("pump_phase", "angle")
        if t.has("pump_port"):
            t.raw("pump_port")
            t.fault(
                "pump_port",
                "a pump port and a free pump phase exclude each other",
                "Keep one of pump_port and pump_phase",
            )
    else:
        port = t.integer("pump_port", low=1, high=2)
    frequency: float | None = None
    if t.has("pump_frequency") and t._left["pump_frequency"] == "matched":
        t.raw("pump_frequency")
    else:
        frequency = t.quantity("pump_frequency", "frequency", default=None, low=0.0, strict=True)
    return Setting(
        name,
        t.texts("isolators", isolators, default=tuple(isolators)),
        tuple(bias.get(n, 0.0) for n in names),
        port,
        phase,
        t.quantity("pump_power", "power", low=0.0),
        frequency,
    )


def _read_sweep(root: Table) -> SweepRange:
    t = root.table("sweep")
    sweep = SweepRange(
        t.quantity("start", "frequency", low=0.0, strict=True),
        t.quantity("stop", "frequency", low=0.0, strict=True),
        t.integer("points", low=1, high=1_000_000),
    )
    if sweep.stop_hz < sweep.start_hz or (sweep.points > 1 and sweep.stop_hz == sweep.start_hz):
        t.fault("stop", "the sweep does not end above its start", "Frequencies must ascend")
    t.close()
    return sweep


def _read_noise(root: Table) -> Noise:
    t = root.table("noise", required=False)
    noise = Noise(
        t.number("white", default=0.01, low=0.0),
        t.number("gain_drift", default=0.0, low=0.0, high=1.0),
        t.quantity("phase_drift", "angle", default=0.0, low=0.0),
        t.number("residual_gain", default=0.0, low=0.0, high=1.0),
        t.quantity("flux", "flux", default=0.0, low=0.0),
    )
    t.close()
    return noise


def _read_plan(root: Table, states: Sequence[str]) -> Plan:
    t = root.table("plan", required=False)
    plan = Plan(
        t.integer("repeats", default=8, low=1),
        t.integer("off_repeats", default=8, low=1),
        t.texts("states", states, default=tuple(states)),
        t.texts("cooldowns", None, default=("c1",)),
        t.quantity("time_per_sweep", "time", default=20.0, low=0.0, strict=True),
    )
    t.close()
    return plan


def _read_sampling(root: Table) -> Sampling:
    t = root.table("sampling", required=False)
    sampling = Sampling(
        t.integer("ensembles", default=4, low=2, high=64),
        t.integer("walkers", default=None, low=8, high=4096),
        t.integer("wanted_ess", default=4000, low=100, high=10_000_000),
        t.integer("max_steps", default=20000, low=100, high=100_000_000),
    )
    t.close()
    return sampling


def _read_root(data: dict[str, Any], file: Path, faults: list[str], sha256: str) -> Study:
    root = Table(data, "", file.name, faults)
    version = root.raw("format", remedy=f"Begin the study with format = {FORMAT_VERSION}")
    if version is not None and (isinstance(version, bool) or version != FORMAT_VERSION):
        root.fault(
            "format",
            f"format {version!r} is not known to this version",
            f"This version reads format = {FORMAT_VERSION}",
        )
    title = root.text("title")
    invented = root.flag("invented", False)
    note = root.text("note", default="", empty=True)
    source = _read_source(root)
    chips = tuple(_read_chip(t) for t in root.tables("chip", required=False)) or (Chip("chip"),)
    loops = tuple(_read_loop(t, [c.name for c in chips]) for t in root.tables("loop"))
    loop_names = [x.name for x in loops]
    lines = []
    for t in root.tables("bias_line", required=False):
        mutual = t.named_quantities("mutual", "mutual", loop_names)
        lines.append(BiasLine(_name(t), t.quantity("limit", "current", low=0.0, strict=True), tuple(mutual.items())))
    coils = tuple(Coil(_name(t), _read_polygon(t, "outline", (3,))) for t in root.tables("coil", required=False))
    isolators = tuple(_read_isolator(t, loop_names) for t in root.tables("isolator"))
    used = [s.loop for i in isolators for s in i.stages]
    for name in sorted({x for x in used if used.count(x) > 1 and x}):
        root.fault("isolator", f'the loop "{name}" is used by two stages', "Each ring encloses a loop of its own")
    states = tuple(_read_state(t, [c.name for c in coils]) for t in root.tables("state", required=False)) or (
        State("out", "out"),
        State("in", "in"),
    )
    settings = tuple(
        _read_setting(t, [i.name for i in isolators], lines) for t in root.tables("setting", required=False)
    )
    sweep = _read_sweep(root)
    noise = _read_noise(root)
    plan = _read_plan(root, [s.name for s in states])
    sampling = _read_sampling(root)
    t = root.table("traces", required=False)
    log = file.parent / t.text("log", default="log.csv")
    outside = t.flag("allow_outside", False)
    t.close()
    root.close()
    return Study(
        file, title, invented, note, source, chips, loops, tuple(lines), coils, isolators, states, settings,
        sweep, noise, plan, sampling, log, outside, sha256,
    )  # fmt: skip


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
        With every fault found (up to twelve are shown), each by its key path.
    """
    file = Path(path)
    try:
        if file.stat().st_size > MAX_STUDY_BYTES:
            raise InputError(
                f"a study of {file.stat().st_size} bytes is beyond the limit of {MAX_STUDY_BYTES}", where=str(file)
            )
        raw = file.read_bytes()
    except OSError as error:
        raise InputError(
            f"the study cannot be read ({error.strerror or error})",
            where=str(file),
            remedy="Check the path, or begin one with: fluxsense start DIR",
        ) from None
    try:
        data = tomllib.loads(raw.decode("utf-8"))
    except UnicodeDecodeError:
        raise InputError("the study is not UTF-8 text", where=str(file), remedy="Save it as UTF-8") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(
            f"the study is not valid TOML ({error})", where=str(file), remedy="Correct that line"
        ) from None
    faults: list[str] = []
    study = _read_root(data, file, faults, hashlib.sha256(raw).hexdigest())
    if faults:
        unique = list(dict.fromkeys(faults))
        shown = unique[:MAX_FAULTS_SHOWN]
        if len(unique) > len(shown):
            shown.append(f"... and {len(unique) - len(shown)} more.")
        raise InputError("\n".join(shown))
    return study
