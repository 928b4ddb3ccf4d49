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
import re
import stat
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from fluxsense.base.errors import InputError
from fluxsense.base.units import EXAMPLE, OWN_UNIT, format_quantity, parse_quantity, shown

FORMAT_VERSION: Final = 1
MAX_STUDY_BYTES: Final = 500_000  # the parser takes about two seconds for a megabyte of short lists
MAX_FAULTS_SHOWN: Final = 12
MAX_CORNERS: Final = 2000
MAX_CANDIDATES: Final = 1000
MAX_NAME: Final = 48
"""Longest name: four of them make up a file name."""

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

    @property
    def has_position(self) -> bool:
        """Whether it lies somewhere: a uniform field does not."""
        return self.kind == "dipole"


@dataclass(frozen=True)
class Chip:
    """A flat piece: its frame in the laboratory."""

    name: str
    origin_m: Vector = (0.0, 0.0, 0.0)
    x_axis: Vector = (1.0, 0.0, 0.0)
    y_axis: Vector = (0.0, 1.0, 0.0)


@dataclass(frozen=True)
class Loop:
    """A closed outline in its chip's frame, its flux focusing factor and the prior of its flux offset.

    `crossing` says that the outline crosses itself on purpose, as a gradiometer's does.
    """

    name: str
    chip: str
    outline_m: tuple[Vector, ...]
    flux_focusing: float = 1.0
    flux_focusing_sd: float = 0.0
    offset_phi0: float = 0.0
    offset_sd_phi0: float = 0.0
    crossing: bool = False


@dataclass(frozen=True)
class BiasLine:
    """A current line and its mutual inductance to each loop, with what is stated of their standard deviations."""

    name: str
    limit_a: float
    mutual_phi0_per_a: tuple[tuple[str, float], ...]
    mutual_sd_phi0_per_a: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Coil:
    """A calibration coil: a closed outline in the laboratory frame."""

    name: str
    outline_m: tuple[Vector, ...]


@dataclass(frozen=True)
class Stage:
    """One converter: its ring's loop, two modes and the coupling at the isolator's reference flux and power.

    `uncertain` lists (field name, prior standard deviation) for the fields that inference carries along; it does not carry
    the shunt ratio, whose standard deviation is a statement.
    """

    loop: str
    ring: str
    shunt_ratio: float
    branch: int | None
    signal_frequency_hz: float
    signal_linewidth_hz: float
    signal_internal_hz: float
    signal_participation: float
    idler_frequency_hz: float
    idler_linewidth_hz: float
    idler_internal_hz: float
    idler_termination_hz: float
    idler_participation: float
    coupling_hz: float
    uncertain: tuple[tuple[str, float], ...] = ()
    shunt_ratio_sd: float = 0.0


@dataclass(frozen=True)
class Isolator:
    """Two stages, their hybrid, the link between the idlers and the pump wiring.

    pump_port_1_sign is +1 or -1 when the study states the sign of the pump phase difference for pump port 1,
    and None when it is to be read from the reference sweeps.  Standard deviations of the link are a statement; inference
    does not carry the link along.
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
    link_amplitude_sd: float = 0.0
    link_phase_sd_rad: float = 0.0


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
    """Noise of one raw trace, relative to unit transmission; drift is per repeat, residual_gain per setting and path.

    flux_phi0 is white from sweep to sweep; flux_slow_phi0 the amplitude A of slow flux noise of spectrum A^2/f.  scale_sd
    is the standard deviation of the logarithm of a factor on all of the noise, carried along as an unknown if above zero.
    """

    white: float = 0.01
    gain_drift: float = 0.0
    phase_drift_rad: float = 0.0
    residual_gain: float = 0.0
    flux_phi0: float = 0.0
    flux_slow_phi0: float = 0.0
    scale_sd: float = 0.0


@dataclass(frozen=True)
class Data:
    """What the sweeps are taken to say: 'complex' traces, their 'magnitude' only, or only the 'direction' of transmission.

    wrong_way is the probability that a repeat's direction is read wrongly; wrong_way_factor the factor within which that
    is known (one standard deviation of its logarithm), 1 if exactly.
    """

    kind: str = "complex"
    wrong_way: float = 0.0
    wrong_way_factor: float = 1.0

    @property
    def of_magnitudes(self) -> bool:
        """Whether only magnitudes are used."""
        return self.kind == "magnitude"

    @property
    def of_counts(self) -> bool:
        """Whether only the direction of transmission of each sweep is used."""
        return self.kind == "direction"


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
class Limits:
    """What a working point may not exceed: highest pump power, range of pump frequencies, least isolation, source out.

    None means that the study does not say: then no power above the highest in use is proposed, and no pump frequency
    further than a linewidth of the idler from the matched one.
    """

    pump_power_w: float | None = None
    pump_frequency_hz: tuple[float, float] | None = None
    isolation_db: float | None = None


@dataclass(frozen=True)
class KeepOut:
    """A rectangle (in the frame of a chip) that no loop may touch: its lower and upper corner."""

    chip: str
    low_m: tuple[float, float]
    high_m: tuple[float, float]


@dataclass(frozen=True)
class LayoutRules:
    """What a layout of loops has to respect; see `fluxsense.design.layout`.

    chip_size_m is the size of every chip, centred on its frame's origin; size_m the least and largest extent of a loop;
    source_height_m, if given, the range in which the dipole's height may be chosen.
    """

    outlines: tuple[str, ...] = ("square",)
    size_m: tuple[float, float] = (4e-6, 40e-6)
    chip_size_m: tuple[float, float] = (200e-6, 200e-6)
    edge_m: float = 2e-6
    spacing_m: float = 2e-6
    grid_m: float = 1e-7
    loop_area_m2: float | None = None
    source_height_m: tuple[float, float] | None = None
    change_chip: bool = False
    fixed: tuple[str, ...] = ()
    keep_out: tuple[KeepOut, ...] = ()


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
    limits: Limits = Limits()
    layout: LayoutRules = LayoutRules()
    data: Data = Data()

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
    """One TOML table being read: takes keys, notes faults by path, and names what is left over.

    A reader that finds a fault notes it and hands back a stand-in, so that reading goes on: nan for numbers (every
    comparison with it is false, so that one fault does not raise others), an empty text or tuple otherwise.
    """

    def __init__(self, data: dict[str, Any], path: str, file: str, faults: list[str]) -> None:
        self._left = dict(data)
        self._known: list[str] = []
        self._spelling: dict[str, str] = {}
        self.path = path
        self._file = file
        self._faults = faults

    def _where(self, key: str = "") -> str:
        dotted = ".".join(x for x in (self.path, _key_text(self._spelling.get(key, key))) if x)
        return f"{self._file}, {dotted}" if dotted else self._file

    def fault(self, key: str, what: str, remedy: str = "") -> None:
        """Note a fault at a key of this table."""
        self._faults.append(str(InputError(what, where=self._where(key), remedy=remedy)))

    def rename(self, former: dict[str, str]) -> None:
        """Take keys in a former spelling for those of today, unless both stand there."""
        for old, new in former.items():
            if old in self._left and new not in self._left:
                self._left[new] = self._left.pop(old)
                self._spelling[new] = old

    def has(self, key: str) -> bool:
        """Whether a key is there and was not taken yet."""
        return key in self._left

    def takes_word(self, key: str, word: str) -> bool:
        """Take a key if it holds exactly this word."""
        found = self._left.get(key) == word
        if found:
            self.raw(key)
        return found

    def idle(self, keys: Sequence[str], reason: str) -> None:
        """Keys that have no effect beside the choices made elsewhere in the table: a fault where they stand."""
        for key in keys:
            self._known.append(key)
            if key in self._left:
                self._left.pop(key)
                self.fault(key, "this entry has no effect here", reason)

    def mute(self) -> None:
        """Drop what this table would complain of from here on: the fault noted leaves open which keys belong in it."""
        self._faults = []

    def row(self, path: str, value: Any) -> Table:
        """A table that holds one entry of a list of this table, under the path given."""
        return Table({path: value}, self.path, self._file, self._faults)

    def raw(self, key: str, default: Any = _REQUIRED, remedy: str = "") -> Any:
        """Take a key as it stands; None and a fault if it is missing and has no default."""
        self._known.append(key)
        if key in self._left:
            return self._left.pop(key)
        if default is _REQUIRED:
            self.fault(key, "this entry is missing", remedy or f"Add {key} = ...")
            return None
        return default

    def _converted(self, key: str, convert: Callable[[Any], Any], default: Any, stand_in: Any, remedy: str) -> Any:
        given = self.has(key)
        value = self.raw(key, default, remedy)
        if not given:
            return stand_in if default is _REQUIRED else default
        try:
            return convert(value)
        except InputError as error:
            self._faults.append(str(error))
            return stand_in

    def text(self, key: str, default: Any = _REQUIRED, *, empty: bool = False) -> str:
        """A text."""

        def convert(value: Any) -> str:
            if not isinstance(value, str):
                raise InputError(f"{shown(value)} is not a text", where=self._where(key), remedy="Write it in quotes")
            if not value.strip() and not empty:
                raise InputError("the text is empty", where=self._where(key), remedy="Write something in the quotes")
            if any(not c.isprintable() and c not in "\n\t" for c in value):
                raise InputError(
                    f"{shown(value)} contains a character that cannot be printed",
                    where=self._where(key),
                    remedy="Type the text anew",
                )
            return value

        return str(self._converted(key, convert, default, "", f'Add {key} = "..."'))

    def choice(self, key: str, choices: Sequence[str], default: Any = _REQUIRED, *, decides: bool = False) -> str:
        """One of a few words.

        Where the word decides which other keys belong in the table, a word that cannot even be guessed mutes the rest.
        """
        allowed = " or ".join(shown(x) for x in choices)
        guess: list[str] = []

        def convert(value: Any) -> str:
            if isinstance(value, str) and value in choices:
                return value
            hint = ""
            if isinstance(value, str):
                guess.extend(difflib.get_close_matches(value[:80], choices, n=1))
                hint = f'Did you mean "{guess[0]}"? ' if guess else ""
            raise InputError(f"{shown(value)} is not known here", where=self._where(key), remedy=f"{hint}Use {allowed}")

        found = self._converted(key, convert, default, None, f"Add {key} = {allowed}")
        if found is not None:
            return str(found)
        if decides and not guess:
            self.mute()
        return guess[0] if guess else choices[0]

    def reference(self, key: str, names: Sequence[str] | None, default: Any = _REQUIRED) -> str:
        """The name of something defined in the study; None for names accepts any (they could not be read)."""

        def convert(value: Any) -> str:
            if not isinstance(value, str) or not value:
                raise InputError(f"{shown(value)} is not a name", where=self._where(key), remedy="Write it in quotes")
            if names is not None and value not in names:
                raise InputError(
                    f"{shown(value)} is not defined in this study",
                    where=self._where(key),
                    remedy=_nearest(value, names),
                )
            return value

        return str(self._converted(key, convert, default, "", f'Add {key} = "..."'))

    def flag(self, key: str, default: bool) -> bool:
        """True or false."""

        def convert(value: Any) -> bool:
            if not isinstance(value, bool):
                raise InputError(
                    f"{shown(value)} is neither true nor false", where=self._where(key), remedy="Write true or false"
                )
            return value

        return bool(self._converted(key, convert, default, default, ""))

    def _in_range(self, key: str, value: float, low: float, high: float, strict: bool, text: str, unit: str) -> None:
        if low <= value <= high and not (strict and value == low):
            return
        after = f" {unit}" if unit else ""
        limits = f"above {low:g}{after}" if strict else f"at least {low:g}{after}"
        if math.isinf(low):
            limits = f"at most {high:g}{after}"
        elif math.isfinite(high):
            limits += f" and at most {high:g}{after}"
        raise InputError(f"{text} is out of range", where=self._where(key), remedy=f"It must be {limits}")

    def number(
        self, key: str, default: Any = _REQUIRED, low: float = -math.inf, high: float = math.inf, strict: bool = False
    ) -> float:
        """A finite number without a unit."""

        def convert(value: Any) -> float:
            number = _as_float(value)
            if number is None:
                raise InputError(
                    f"{shown(value)} is not a finite number",
                    where=self._where(key),
                    remedy="Write a plain number without a unit or quotes",
                )
            self._in_range(key, number, low, high, strict, shown(value), "")
            return number

        return float(self._converted(key, convert, default, math.nan, f"Add {key} = and a plain number"))

    def integer(self, key: str, default: Any = _REQUIRED, low: int = 0, high: int = 10**9) -> Any:
        """A whole number; None only where that is the default."""

        def convert(value: Any) -> int:
            if isinstance(value, bool) or not isinstance(value, int):
                raise InputError(
                    f"{shown(value)} is not a whole number", where=self._where(key), remedy="Write a whole number"
                )
            if not low <= value <= high:
                raise InputError(
                    f"{shown(value)} is out of range",
                    where=self._where(key),
                    remedy=f"It must be at least {low} and at most {high}",
                )
            return value

        return self._converted(key, convert, default, max(low, 1), f"Add {key} = and a whole number")

    def quantity(
        self,
        key: str,
        dimension: str,
        default: Any = _REQUIRED,
        low: float = -math.inf,
        high: float = math.inf,
        strict: bool = False,
    ) -> Any:
        """A number with its unit, in the package's own unit; None only where that is the default."""

        def convert(value: Any) -> float:
            number = parse_quantity(value, dimension, self._where(key))
            self._in_range(key, number, low, high, strict, shown(value), OWN_UNIT[dimension])
            return number

        return self._converted(key, convert, default, math.nan, f'Add for example {key} = "{EXAMPLE[dimension]}"')

    def quantities(self, key: str, dimension: str, count: int, default: Any = _REQUIRED, low: float = -math.inf) -> Any:
        """A list of numbers with units."""
        remedy = f"Write {count} texts with units, like [" + ", ".join([f'"{EXAMPLE[dimension]}"'] * count) + "]"

        def convert(value: Any) -> tuple[float, ...]:
            if not isinstance(value, list) or len(value) != count:
                raise InputError(
                    f"{shown(value)} is not a list of {count} values", where=self._where(key), remedy=remedy
                )
            paths = [f"{key}[number {i}]" for i in range(1, count + 1)]
            return tuple(
                self.row(path, x).quantity(path, dimension, low=low) for path, x in zip(paths, value, strict=True)
            )

        return self._converted(key, convert, default, (math.nan,) * count, remedy)

    def unit_vector(self, key: str, default: Any = _REQUIRED) -> Any:
        """A direction as a list of three plain numbers, brought to length one."""

        def convert(value: Any) -> Vector:
            numbers = [_as_float(x) for x in value] if isinstance(value, list) else []
            good = [x for x in numbers if x is not None]
            if len(numbers) != 3 or len(good) != 3:
                raise InputError(
                    f"{shown(value)} is not a list of three plain numbers",
                    where=self._where(key),
                    remedy="Write it like [0, 0, 1]",
                )
            largest = max(abs(x) for x in good)
            if largest == 0:
                raise InputError(
                    "a direction of length zero is no direction",
                    where=self._where(key),
                    remedy="Write it like [0, 0, 1]",
                )
            x, y, z = (v / largest for v in good)
            length = math.sqrt(x * x + y * y + z * z)
            return (x / length, y / length, z / length)

        return self._converted(key, convert, default, (math.nan,) * 3, f"Add for example {key} = [0, 0, 1]")

    def texts(self, key: str, names: Sequence[str] | None, default: Any = _REQUIRED) -> tuple[str, ...]:
        """A list of names, each once; of things defined in the study unless names is None."""

        def convert(value: Any) -> tuple[str, ...]:
            if not isinstance(value, list) or not value or not all(isinstance(x, str) for x in value):
                raise InputError(
                    f"{shown(value)} is not a list of names", where=self._where(key), remedy='Write it like ["a", "b"]'
                )
            for name in value:
                if names is not None and name not in names:
                    self.fault(key, f"{shown(name)} is not defined in this study", _nearest(name, names))
            if len(set(value)) != len(value):
                raise InputError("a name stands twice in the list", where=self._where(key), remedy="Name each once")
            return tuple(value)

        return tuple(self._converted(key, convert, default, (), f'Add for example {key} = ["a", "b"]'))

    def named_quantities(
        self, key: str, dimension: str, names: Sequence[str] | None, low: float = -math.inf
    ) -> dict[str, float]:
        """A table of name -> quantity; None for names accepts any."""
        table = self.table(key, required=False)
        out = {}
        for name in list(table._left):
            if names is not None and name not in names:
                table._left.pop(name)
                table.fault(name, f"{shown(name)} is not defined in this study", _nearest(name, names))
            else:
                out[name] = table.quantity(name, dimension, low=low)
        return out

    def table(self, key: str, required: bool = True) -> Table:
        """The table under a key; a silent empty one if it is missing or no table."""
        path = ".".join(x for x in (self.path, key) if x)
        value = self.raw(key, _REQUIRED if required else {}, remedy=f"Add a table [{_heading(path)}]")
        if value is not None and not isinstance(value, dict):
            self.fault(key, f"{shown(value)} is not a table", f"Write it under a heading [{_heading(path)}]")
            value = None
        return Table(value or {}, path, self._file, self._faults if value is not None else [])

    def tables(self, key: str, required: bool = True) -> Iterator[Table]:
        """The tables of a list, one by one; each is closed when the next is asked for."""
        value = self.raw(key, _REQUIRED if required else [], remedy=f"Add at least one [[{key}]]")
        if value is None:
            return
        if not isinstance(value, list) or not all(isinstance(x, dict) for x in value):
            self.fault(key, "this is not a list of tables", f"Begin each entry with a line [[{key}]]")
            return
        if required and not value:
            self.fault(key, "the list is empty", f"Add at least one [[{key}]]")
        seen: set[str] = set()
        for number, entry in enumerate(value, 1):
            name = entry.get("name")
            label = f"{key}[{_key_text(name)}]" if isinstance(name, str) and name else f"{key}[number {number}]"
            label = f"{self.path}.{label}" if self.path else label
            table = Table(entry, label, self._file, self._faults)
            if isinstance(name, str):
                if name in seen:
                    table.fault("name", f"the name {shown(name)} stands twice", "Give each entry a name of its own")
                seen.add(name)
            yield table
            table.close()

    def close(self) -> None:
        """Note every key that nobody asked for."""
        for key in self._left:
            what = "this key is not known"
            if len(self._faults) > 10 * MAX_FAULTS_SHOWN:  # nobody will see more
                break
            near = difflib.get_close_matches(key[:80], self._known, n=1)
            hint = f'Did you mean "{near[0]}"?' if near else f"Known here: {', '.join(sorted(set(self._known)))}"
            self.fault(key, what, hint)
        self._left = {}


def _key_text(key: str) -> str:
    """A key as it may stand in a path: short and printable."""
    text = shown(key, 48)[1:-1]
    return text if text.strip() else f'"{text}"' if key else ""


def _heading(path: str) -> str:
    """The heading that a TOML file has for a path: list entries go by the name of their list."""
    return re.sub(r"\[[^\]]*\]", "", path)


def _nearest(name: str, names: Sequence[str]) -> str:
    """Remedy for a name that is not defined."""
    near = difflib.get_close_matches(name[:80], names, n=1)
    known = ", ".join(_key_text(n) for n in names[:20]) + (", ..." if len(names) > 20 else "")
    return (f"Did you mean {shown(near[0])}? " if near else "") + (f"Known: {known}" if names else "None is defined")


def _as_float(value: Any) -> float | None:
    """A finite number as a float, None for anything else."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _check_name(table: Table, key: str, name: str) -> None:
    good = len(name) <= MAX_NAME and (name[:1].isalnum() or name[:1] == "_")
    if name and not (good and all(c.isalnum() or c in "_-." for c in name)):
        table.fault(
            key,
            f"{shown(name)} is not a usable name",
            f"Use letters, digits, _, - and points only, at most {MAX_NAME}, and begin with a letter, a digit or _",
        )


def _name(table: Table) -> str:
    name = table.text("name")
    _check_name(table, "name", name)
    return name


# ---------------------------------------------------------------- the parts

CIRCLE_SIDES: Final = 48
AXES_TOLERANCE: Final = 0.01
"""Cosine up to which the axes of a chip count as being at right angles; the y axis is then straightened."""

LEAST_ANGLE_RAD: Final = 1e-6
"""Candidate directions closer than this are the same one."""

_CORNERS: Final = 'Write it like [["0 um", "0 um"], ["10 um", "0 um"], ["10 um", "10 um"]]'


def _read_source(root: Table) -> Source:
    t = root.table("source")
    kind = t.choice("kind", ("dipole", "uniform_field"), decides=True)
    dimension = "field" if kind == "uniform_field" else "moment"
    position: Vector = (0.0, 0.0, 0.0)
    position_sd: Vector = (0.0, 0.0, 0.0)
    if kind == "dipole":
        position = t.quantities("position", "length", 3)
        position_sd = t.quantities("position_sd", "length", 3, default=(0.0, 0.0, 0.0), low=0.0)
    else:
        t.idle(("position", "position_sd"), "A uniform field has no position: remove it")
    size_prior = t.choice("size_prior", ("scale", "known", "fixed"), default="scale")
    size = t.quantity("size", dimension, low=0.0, strict=True)
    size_sd = 0.0
    if size_prior == "known":
        size_sd = t.quantity("size_sd", dimension, low=0.0, strict=True)
        if size_sd > size / 3:
            t.fault("size_sd", "a size known to no better than a third is not known", 'Use size_prior = "scale"')
    else:
        t.idle(("size_sd",), 'It belongs to size_prior = "known"')
    direction = _read_direction(t)
    t.close()
    return Source(kind, size_prior, size, size_sd, position, position_sd, direction)


def _read_direction(t: Table) -> DirectionPrior:
    choice = t.choice("direction_prior", ("sphere", "cap", "plane", "list"), default="sphere")
    if choice in ("cap", "plane"):
        widest = math.pi if choice == "cap" else math.pi / 2
        half = t.quantity("direction_half_angle", "angle", low=0.0, high=widest, strict=True)
        axis = t.unit_vector("direction_axis")
        t.idle(("direction_candidates",), 'It belongs to direction_prior = "list"')
        return DirectionPrior(choice, axis, half)
    t.idle(("direction_axis", "direction_half_angle"), 'It belongs to direction_prior = "cap" or "plane"')
    if choice == "sphere":
        t.idle(("direction_candidates",), 'It belongs to direction_prior = "list"')
        return DirectionPrior()
    rows = t.raw("direction_candidates", remedy="Write them like [[0, 0, 1], [1, 0, 0]]")
    if rows is None:
        return DirectionPrior("list")
    if not isinstance(rows, list) or len(rows) < 2:
        t.fault(
            "direction_candidates",
            f"{shown(rows)} is not a list of two or more directions",
            "Write them like [[0, 0, 1], [1, 0, 0]]",
        )
        return DirectionPrior("list")
    if len(rows) > MAX_CANDIDATES:
        t.fault(
            "direction_candidates", f"a list of {len(rows)} directions is too long", f"Give at most {MAX_CANDIDATES}"
        )
        return DirectionPrior("list")
    paths = [f"direction_candidates[number {i}]" for i in range(1, len(rows) + 1)]
    candidates = tuple(t.row(path, row).unit_vector(path) for path, row in zip(paths, rows, strict=True))
    if not any(math.isnan(c[0]) for c in candidates) and any(
        math.dist(a, b) < LEAST_ANGLE_RAD for n, a in enumerate(candidates) for b in candidates[:n]
    ):
        t.fault("direction_candidates", "a direction stands twice in the list", "Name each once")
    return DirectionPrior("list", candidates=candidates)


def _read_chip(t: Table) -> Chip:
    chip = Chip(
        _name(t),
        t.quantities("origin", "length", 3, default=(0.0, 0.0, 0.0)),
        t.unit_vector("x_axis", default=(1.0, 0.0, 0.0)),
        t.unit_vector("y_axis", default=(0.0, 1.0, 0.0)),
    )
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


def _read_polygon(t: Table, key: str, dims: tuple[int, ...]) -> tuple[Vector, ...]:
    rows = t.raw(key, remedy=_CORNERS)
    if rows is None:
        return ()
    if not isinstance(rows, list):
        t.fault(key, f"{shown(rows)} is not a list of corners", _CORNERS)
        return ()
    if len(rows) > MAX_CORNERS:
        t.fault(key, f"an outline of {len(rows)} corners is too fine", f"Give at most {MAX_CORNERS} corners")
        return ()
    corners: list[Vector] = []
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


def _collinear(corners: Sequence[Vector]) -> bool:
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


_SHAPE_KEYS: Final = {
    "polygon": ("outline", "crossing"),
    "square": ("center", "side"),
    "rectangle": ("center", "width", "height"),
    "circle": ("center", "radius", "sides"),
}


FORMER_STAGE_KEYS: Final = {
    f"{mode}_share{end}": f"{mode}_participation{end}" for mode in ("signal", "idler") for end in ("", "_sd")
}


def _read_loop(t: Table, chips: Sequence[str] | None) -> Loop:
    t.rename({"effective_area": "flux_focusing", "effective_area_sd": "flux_focusing_sd"})
    name = _name(t)
    default: Any = _REQUIRED
    if chips is None or len(chips) == 1:
        default = chips[0] if chips else ""
    chip = t.reference("chip", chips, default=default)
    shape = t.choice("shape", tuple(_SHAPE_KEYS), default="polygon", decides=True)
    outline: tuple[Vector, ...]
    crossing = False
    if shape == "polygon":
        outline = _read_polygon(t, "outline", (2, 3))
        crossing = t.flag("crossing", False)
    else:
        cx, cy = t.quantities("center", "length", 2)
        if shape == "circle":
            flat = _circle_corners(
                t.quantity("radius", "length", low=0.0, strict=True),
                t.integer("sides", default=CIRCLE_SIDES, low=8, high=720),
            )
        elif shape == "square":
            side = t.quantity("side", "length", low=0.0, strict=True)
            flat = _rectangle_corners(side / 2, side / 2)
        else:
            width = t.quantity("width", "length", low=0.0, strict=True)
            flat = _rectangle_corners(width / 2, t.quantity("height", "length", low=0.0, strict=True) / 2)
        outline = tuple((cx + x, cy + y, 0.0) for x, y in flat)
    own = _SHAPE_KEYS[shape]
    for other, keys in _SHAPE_KEYS.items():
        t.idle([key for key in keys if key not in own], f'It belongs to another shape than "{shape}": "{other}"')
    if t.flag("reversed", False):
        outline = outline[::-1]
    area = t.number("flux_focusing", default=1.0, low=0.0, high=1e3, strict=True)
    area_sd = t.number("flux_focusing_sd", default=0.0, low=0.0)
    if area_sd > area / 3:
        t.fault("flux_focusing_sd", "the uncertainty is over a third of the value", "State a smaller one")
    return Loop(
        name,
        chip,
        outline,
        area,
        area_sd,
        t.quantity("offset", "flux", default=0.0),
        t.quantity("offset_sd", "flux", default=0.0, low=0.0, high=1.0),
        crossing,
    )


def _read_bias_line(t: Table, loops: Sequence[str] | None) -> BiasLine:
    name = _name(t)
    limit = t.quantity("limit", "current", low=0.0, strict=True)
    mutual = tuple(t.named_quantities("mutual", "mutual", loops).items())
    return BiasLine(name, limit, mutual, tuple(t.named_quantities("mutual_sd", "mutual", loops, low=0.0).items()))


_STAGE_QUANTITIES: Final = {
    # key: (field, dimension, required, must be above zero)
    "signal_frequency": ("signal_frequency_hz", "frequency", True, True),
    "signal_linewidth": ("signal_linewidth_hz", "frequency", True, True),
    "signal_internal_loss": ("signal_internal_hz", "frequency", False, False),
    "signal_participation": ("signal_participation", None, True, False),
    "idler_frequency": ("idler_frequency_hz", "frequency", True, True),
    "idler_linewidth": ("idler_linewidth_hz", "frequency", True, True),
    "idler_internal_loss": ("idler_internal_hz", "frequency", False, False),
    "idler_termination": ("idler_termination_hz", "frequency", False, False),
    "idler_participation": ("idler_participation", None, True, False),
    "coupling": ("coupling_hz", "frequency", True, True),
}


def _read_stage(t: Table, loops: Sequence[str] | None) -> Stage:
    t.rename(FORMER_STAGE_KEYS)
    loop = t.reference("loop", loops)
    ring = t.choice("ring", ("shunted", "bare"), decides=True)
    branch = None
    ratio, ratio_sd = 0.0, 0.0
    if ring == "shunted":
        t.idle(("branch",), "A shunted ring has no branches: remove it")
        ratio = t.number("shunt_ratio", low=0.0, high=1e6, strict=True)
        ratio_sd = t.number("shunt_ratio_sd", default=0.0, low=0.0, high=1e6)
        if 0 < ratio <= 2:
            t.fault(
                "shunt_ratio",
                f"a ring with L_J/(2L) = {ratio:g} leaves its symmetric state at some flux, which the model does not follow",
                "Give a ratio above 2 (shunt inductance below a quarter of the Josephson inductance), or a bare ring",
            )
    else:
        t.idle(("shunt_ratio", "shunt_ratio_sd"), "A bare ring has no shunts: remove it")
        if not t.takes_word("branch", "ground"):
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
    stage = Stage(loop, ring, ratio, branch, uncertain=tuple(uncertain), shunt_ratio_sd=ratio_sd, **values)
    if stage.idler_frequency_hz <= stage.signal_frequency_hz:
        t.fault(
            "idler_frequency",
            "the idler is not above the signal, so no pump at their difference exists",
            "Swap or correct the two",
        )
    t.close()
    return stage


def _read_isolator(t: Table, loops: Sequence[str] | None) -> Isolator:
    name = _name(t)
    link = t.choice("link", ("hybrid", "line"), default="hybrid")
    sign = t.choice("pump_port_1_phase", ("from reference", "+90 deg", "-90 deg"), default="from reference")
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
        reference_flux_phi0=t.quantity("reference_flux", "flux", low=-100.0, high=100.0),
        reference_power_w=t.quantity("reference_power", "power", low=0.0, strict=True),
        pump_port_1_sign={"+90 deg": 1, "-90 deg": -1}.get(sign),
        pump_phase_error_sd_rad=t.quantity("pump_phase_error_sd", "angle", default=0.0, low=0.0, high=1.0),
        pump_strength_sd=t.number("pump_strength_sd", default=0.0, low=0.0, high=0.5),
        link_amplitude_sd=t.number("link_amplitude_sd", default=0.0, low=0.0, high=1.0),
        link_phase_sd_rad=t.quantity("link_phase_sd", "angle", default=0.0, low=0.0, high=4.0),
    )
    if link == "line":
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
        quarter = flux if stage.ring == "shunted" else flux - round(flux)
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


def _read_state(t: Table, coils: Sequence[str] | None) -> State:
    name = _name(t)
    kind = t.choice("kind", ("out", "in", "turned", "calibration"), decides=True)
    if kind != "turned":
        t.idle(("rotation_axis", "rotation_angle"), 'They belong to kind = "turned"')
    if kind != "calibration":
        t.idle(("coil", "current", "field"), 'They belong to kind = "calibration"')
    if kind == "turned":
        return State(name, kind, _rotation(t.unit_vector("rotation_axis"), t.quantity("rotation_angle", "angle")))
    if kind == "calibration":
        if t.has("field"):
            t.idle(("coil", "current"), "A known field and a coil exclude each other: keep one")
            return State(name, kind, field_t=t.quantities("field", "field", 3))
        if not t.has("coil"):
            t.fault(
                "coil",
                "a calibration state names neither a coil nor a field",
                'Add coil = "..." and current, or field = [...]',
            )
            t.idle(("current",), "It belongs to a coil")
            return State(name, kind)
        return State(name, kind, coil=t.reference("coil", coils), current_a=t.quantity("current", "current"))
    return State(name, kind)


def _read_setting(t: Table, isolators: Sequence[str] | None, lines: Sequence[BiasLine] | None) -> Setting:
    name = _name(t)
    names = None if lines is None else [x.name for x in lines]
    bias = t.named_quantities("bias", "current", names)
    for line in lines or ():
        current = bias.get(line.name, 0.0)
        if abs(current) > line.limit_a * (1 + 1e-9):
            t.fault(
                f"bias.{line.name}",
                f"{format_quantity(current, 'current')} is beyond the line's limit of "
                f"{format_quantity(line.limit_a, 'current')}",
                "Lower it or correct the limit",
            )
    port: int | None = None
    phase: float | None = None
    if t.has("pump_phase"):
        phase = t.quantity("pump_phase", "angle")
        t.idle(("pump_port",), "A pump port and a free pump phase exclude each other: keep one")
    else:
        port = t.integer("pump_port", low=1, high=2)
    frequency: float | None = None
    if not t.takes_word("pump_frequency", "matched"):
        frequency = t.quantity("pump_frequency", "frequency", default=None, low=0.0, strict=True)
    return Setting(
        name,
        t.texts("isolators", isolators, default=tuple(isolators or ())),
        tuple(bias.get(n, 0.0) for n in names or ()),
        port,
        phase,
        t.quantity("pump_power", "power", low=0.0, strict=True),
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
        t.number("white", default=0.01, low=0.0, high=1e3),
        t.number("gain_drift", default=0.0, low=0.0, high=1.0),
        t.quantity("phase_drift", "angle", default=0.0, low=0.0, high=math.pi),
        t.number("residual_gain", default=0.0, low=0.0, high=1.0),
        t.quantity("flux", "flux", default=0.0, low=0.0, high=1.0),
        t.quantity("flux_slow", "flux", default=0.0, low=0.0, high=1.0),
        t.number("scale_sd", default=0.0, low=0.0, high=1.0),
    )
    t.close()
    return noise


def _read_data(root: Table, noise: Noise) -> Data:
    t = root.table("data", required=False)
    kind = t.choice("kind", ("complex", "magnitude", "direction"), default="complex")
    if kind != "direction":
        t.idle(("wrong_way", "wrong_way_factor"), 'It belongs to kind = "direction"')
        t.close()
        return Data(kind)
    wrong_way = t.number("wrong_way", default=0.01, low=0.0, high=0.45, strict=True)
    factor = t.number("wrong_way_factor", default=1.0, low=1.0, high=20.0)
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
    t.close()
    return Data(kind, wrong_way, factor)


def _read_plan(root: Table, states: Sequence[str] | None) -> Plan:
    t = root.table("plan", required=False)
    plan = Plan(
        t.integer("repeats", default=8, low=1),
        t.integer("off_repeats", default=8, low=1),
        t.texts("states", states, default=tuple(states or ())),
        t.texts("cooldowns", None, default=("c1",)),
        t.quantity("time_per_sweep", "time", default=20.0, low=0.0, strict=True),
    )
    for i, name in enumerate(plan.cooldowns, 1):
        if name:
            _check_name(t, f"cooldowns[number {i}]", name)
        else:
            t.fault(f"cooldowns[number {i}]", "the name is empty", "Write something in the quotes")
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


LAYOUT_OUTLINES: Final = ("square", "circle", "figure_eight", "free")


def _pair(t: Table, key: str, dimension: str, default: Any, low: float = 0.0) -> Any:
    """Two quantities, the first below the second."""
    pair = t.quantities(key, dimension, 2, default=default, low=low)
    if pair is not None and pair[0] >= pair[1]:
        t.fault(key, "the first value is not below the second", "Write the smaller value first")
    return pair


def _read_limits(root: Table) -> Limits:
    t = root.table("limits", required=False)
    limits = Limits(
        t.quantity("pump_power", "power", default=None, low=0.0, strict=True),
        _pair(t, "pump_frequency", "frequency", None),
        t.quantity("isolation", "level", default=None, low=0.0, strict=True),
    )
    t.close()
    return limits


def _read_layout(root: Table, chips: Sequence[str] | None, loops: Sequence[str] | None) -> LayoutRules:
    t = root.table("layout", required=False)
    plain = LayoutRules()
    outlines = t.texts("outlines", None, default=plain.outlines)
    for name in outlines:
        if name not in LAYOUT_OUTLINES:
            t.fault("outlines", f"{shown(name)} is not known here", _nearest(name, LAYOUT_OUTLINES))
    size = _pair(t, "size", "length", plain.size_m)
    chip_size = t.quantities("chip_size", "length", 2, default=plain.chip_size_m, low=0.0)
    edge = t.quantity("edge", "length", default=plain.edge_m, low=0.0)
    if 2 * edge + size[0] >= min(chip_size):
        t.fault(
            "edge", "no loop fits between the edges of the chip", "Use a larger chip, smaller loops or a smaller edge"
        )
    rules = LayoutRules(
        outlines,
        size,
        chip_size,
        edge,
        t.quantity("spacing", "length", default=plain.spacing_m, low=0.0),
        t.quantity("grid", "length", default=plain.grid_m, low=0.0, strict=True),
        t.quantity("loop_area", "area", default=None, low=0.0, strict=True),
        _pair(t, "source_height", "length", None),
        t.flag("change_chip", False),
        t.texts("fixed", loops, default=()),
        tuple(_read_keep_out(one, chips) for one in t.tables("keep_out", required=False)),
    )
    if rules.grid_m > rules.size_m[0] / 4:
        t.fault("grid", "the design grid is coarser than a quarter of the smallest loop", "Use a finer grid")
    t.close()
    return rules


def _read_keep_out(t: Table, chips: Sequence[str] | None) -> KeepOut:
    default: Any = _REQUIRED
    if chips is None or len(chips) == 1:
        default = chips[0] if chips else ""
    chip = t.reference("chip", chips, default=default)
    low = t.quantities("from", "length", 2)
    high = t.quantities("to", "length", 2)
    if low[0] >= high[0] or low[1] >= high[1]:
        t.fault(
            "to", "the second corner is not above and to the right of the first", "Give lower left, then upper right"
        )
    return KeepOut(chip, (low[0], low[1]), (high[0], high[1]))


def _names(parts: Sequence[Any], expected: bool) -> list[str] | None:
    """Names of the parts; None if some could not be read, since nothing can then be said of a name not among them."""
    names = [x.name for x in parts]
    doubtful = "" in names or len(set(names)) < len(names) or (expected and not names)
    return None if doubtful else names


def _read_root(data: dict[str, Any], file: Path, faults: list[str], sha256: str) -> Study:
    root = Table(data, "", file.name, faults)
    version = root.raw("format", remedy=f"Begin the study with format = {FORMAT_VERSION}")
    if version is not None and (type(version) is not int or version != FORMAT_VERSION):
        root.fault(
            "format",
            f"format {shown(version)} is not known to this version",
            f"This version reads format = {FORMAT_VERSION}",
        )
    title = root.text("title")
    invented = root.flag("invented", False)
    note = root.text("note", default="", empty=True)
    source = _read_source(root)
    chips = tuple(_read_chip(t) for t in root.tables("chip", required=False))
    chip_names = _names(chips, "chip" in data)
    chips = chips or (Chip("chip"),)
    loops = tuple(_read_loop(t, ["chip"] if chip_names == [] else chip_names) for t in root.tables("loop"))
    loop_names = _names(loops, True)
    lines = tuple(_read_bias_line(t, loop_names) for t in root.tables("bias_line", required=False))
    line_names = _names(lines, "bias_line" in data)
    coils = tuple(Coil(_name(t), _read_polygon(t, "outline", (3,))) for t in root.tables("coil", required=False))
    coil_names = _names(coils, "coil" in data)
    isolators = tuple(_read_isolator(t, loop_names) for t in root.tables("isolator"))
    isolator_names = _names(isolators, True)
    _check_loops_used_once(root, isolators)
    states = tuple(_read_state(t, coil_names) for t in root.tables("state", required=False))
    state_names = _names(states, "state" in data)
    if not states:
        states = (State("out", "out"), State("in", "in"))
        state_names = ["out", "in"] if state_names == [] else None
    settings = tuple(
        _read_setting(t, isolator_names, None if line_names is None else lines)
        for t in root.tables("setting", required=False)
    )
    sweep = _read_sweep(root)
    noise = _read_noise(root)
    plan = _read_plan(root, state_names)
    sampling = _read_sampling(root)
    measured = _read_data(root, noise)
    limits = _read_limits(root)
    layout = _read_layout(root, ["chip"] if chip_names == [] else chip_names, loop_names)
    t = root.table("traces", required=False)
    log = file.parent / t.text("log", default="log.csv")
    outside = t.flag("allow_outside", False)
    t.close()
    root.close()
    return Study(
        file, title, invented, note, source, chips, loops, lines, coils, isolators, states, settings,
        sweep, noise, plan, sampling, log, outside, sha256, limits, layout, measured,
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
        With every fault found (up to twelve are shown), each by its key path.

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


def study_of_tree(tree: dict[str, Any], path: str | Path, sha256: str = "") -> Study:
    """Validate nested plain values as a study; `path` names them in messages and anchors relative paths.

    Raises
    ------
    InputError
        With every fault found (up to twelve are shown), each by its key path.
    """
    faults: list[str] = []
    study = _read_root(tree, Path(path), faults, sha256)
    if faults:
        unique = list(dict.fromkeys(faults))
        listed = unique[:MAX_FAULTS_SHOWN]
        if len(unique) > len(listed):
            listed.append(f"... and {len(unique) - len(listed)} more.")
        raise InputError("\n".join(listed))
    return study
