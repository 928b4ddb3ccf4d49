"""What a study holds: one frozen dataclass a section, each beside the one table of its fields in the file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from fluxsense.base.units import OWN_UNIT
from fluxsense.study.fields import (
    Axis,
    Choice,
    Field,
    Flag,
    Integer,
    Name,
    NamedQuantities,
    Names,
    Only,
    Quantity,
    Reference,
    Sane,
    Spread,
    SpreadOnly,
    Text,
    Texts,
    Times,
    Uncertain,
    Vector,
    spreads_of,
)
from fluxsense.study.kinds import source_kinds
from fluxsense.study.readout import Readout

Point = tuple[float, float, float]

_SMALLER: Final = "State a smaller one"
_CHARACTERIZE: Final = "Characterize first, or state a smaller one"


# ---------------------------------------------------------------- the source


@dataclass(frozen=True)
class DirectionPrior:
    """Where the source may point before any data.

    kind is 'sphere', 'cap' (within half_angle_rad of axis), 'plane' (within half_angle_rad of the plane
    normal to axis) or 'list' (one of `candidates`).
    """

    kind: str = "sphere"
    axis: Point = (0.0, 0.0, 1.0)
    half_angle_rad: float = math.pi
    candidates: tuple[Point, ...] = ()


@dataclass(frozen=True)
class Source:
    """The source hypothesis: kind, position and priors.  size is in the unit of the kind's vector.

    extent_m is how far the source's magnetisation reaches across, for a kind that does not say: None for the default
    share of its distance.  numbers are what the kind needs besides (a radius, an axis), by the names of its fields.
    """

    kind: str
    size_prior: str
    size: float
    size_sd: float
    position_m: Point = (0.0, 0.0, 0.0)
    position_sd_m: Point = (0.0, 0.0, 0.0)
    direction: DirectionPrior = DirectionPrior()
    extent_m: float | None = 0.0
    numbers: tuple[tuple[str, object], ...] = ()

    @property
    def has_position(self) -> bool:
        """Whether it lies somewhere: a uniform field does not."""
        return source_kinds()[self.kind].has_position

    @property
    def dimension(self) -> str:
        """Dimension of its vector, a key of `fluxsense.base.units.UNITS`."""
        return source_kinds()[self.kind].dimension

    @property
    def unit(self) -> str:
        """SI unit of its vector."""
        return OWN_UNIT[self.dimension]


SOURCE_PLACE: Final[tuple[Field, ...]] = (
    Vector(key="position", attribute="position_m", dimension="length", words="place of the source"),
    Vector(
        key="position_sd", attribute="position_sd_m", dimension="length", low=0.0, default=(0.0, 0.0, 0.0), exact=True,
        words="standard deviation of each coordinate",
    ),
)  # fmt: skip

SOURCE_EXTENT: Final = Quantity(
    key="extent", attribute="extent_m", dimension="length", default=None, low=0.0,
    words="how far the magnetisation reaches across",
)  # fmt: skip

SIZE_PRIOR: Final = Choice(
    key="size_prior", choices=("scale", "known", "fixed"), default="scale", words="what is known of the size"
)


# ---------------------------------------------------------------- chips and loops


@dataclass(frozen=True)
class Chip(Uncertain):
    """A flat piece: its frame in the laboratory, and by how much it may be tilted against that."""

    name: str
    origin_m: Point = (0.0, 0.0, 0.0)
    x_axis: Point = (1.0, 0.0, 0.0)
    y_axis: Point = (0.0, 1.0, 0.0)

    @classmethod
    def spreads(cls) -> dict[str, Spread]:
        """The tilt."""
        return _CHIP_SPREADS


CHIP: Final[tuple[Field, ...]] = (
    Name(),
    Vector(
        key="origin", attribute="origin_m", dimension="length", default=(0.0, 0.0, 0.0), words="place of its (0, 0)"
    ),
    Axis(key="x_axis", default=(1.0, 0.0, 0.0), words="direction of its x axis"),
    Axis(key="y_axis", default=(0.0, 1.0, 0.0), words="direction of its y axis"),
    SpreadOnly(
        key="tilt_sd", attribute="tilt_rad", dimension="angle", spread=Spread(math.radians(0.5), most=0.3),
        words="how well each of these is known, of several chips in a uniform field",
    ),
)  # fmt: skip
_CHIP_SPREADS: Final = spreads_of(CHIP)


@dataclass(frozen=True)
class Loop(Uncertain):
    """A closed outline in its chip's frame, its flux focusing factor and the prior of its flux offset.

    `crossing` says that the outline crosses itself on purpose, as a gradiometer's does.
    """

    name: str
    chip: str
    outline_m: tuple[Point, ...]
    flux_focusing: float = 1.0
    offset_phi0: float = 0.0
    crossing: bool = False
    inductance_phi0_per_a: float | None = None

    @classmethod
    def spreads(cls) -> dict[str, Spread]:
        """Flux focusing and offset."""
        return _LOOP_SPREADS

    @property
    def offset_sd_phi0(self) -> float:
        """As stated, 0 if not."""
        return self.stated("offset_phi0")


_WIDE = Sane(
    0.0, 5e-3, "is larger than any loop on a chip", "Check the prefix of the unit: loops of 1 um to 1 mm are usual"
)


def _extent(key: str, words: str) -> Quantity:
    return Quantity(key=key, dimension="length", low=0.0, strict=True, sane=_WIDE, words=words)


_CENTER: Final = Vector(key="center", dimension="length", count=2, words="centre in the chip's frame")

LOOP_SHAPES: Final[dict[str, tuple[Field, ...]]] = {
    "polygon": (),
    "square": (_CENTER, _extent("side", "side")),
    "rectangle": (_CENTER, _extent("width", "width along x"), _extent("height", "height along y")),
    "circle": (
        _CENTER, _extent("radius", "radius"),
        Integer(key="sides", default=48, low=8, high=720, words="sides of the polygon that stands for it"),
    ),
}  # fmt: skip
"""Ready-made shapes and their own fields; a polygon has an outline."""

LOOP_PLACE: Final[tuple[Field, ...]] = (Name(), Reference(key="chip", to="chips", lone=True))
LOOP_POLYGON: Final = Flag(key="crossing", words="whether the outline crosses itself on purpose")
LOOP_NUMBERS: Final[tuple[Field, ...]] = (
    Quantity(
        key="flux_focusing", former=("effective_area",), default=1.0, low=0.0, high=1e3, strict=True,
        spread=Spread(relative=0.05, third=_SMALLER), words="flux focusing factor",
    ),
    Quantity(
        key="offset", attribute="offset_phi0", dimension="flux", default=0.0, spread=Spread(most=1.0),
        words="trapped and stray flux",
    ),
    Quantity(
        key="inductance", attribute="inductance_phi0_per_a", dimension="mutual", default=None, low=0.0, strict=True,
        words="inductance of the loop, for its energy resolution",
    ),
)  # fmt: skip
_LOOP_SPREADS: Final = spreads_of(LOOP_NUMBERS)


# ---------------------------------------------------------------- bias lines, coils


@dataclass(frozen=True)
class BiasLine(Uncertain):
    """A current line and its mutual inductance to each loop.

    stated_sd is by the names of loops.
    """

    name: str
    limit_a: float
    mutual_phi0_per_a: tuple[tuple[str, float], ...]

    @property
    def sd(self) -> dict[str, float]:
        """Standard deviation of the mutual inductance to each loop that is listed or stated, Phi0/A.

        By default a part of its value, and never less than that of cross-talk that is not listed: a small one is known no better.
        """
        relative = 0.0 if self.unstated_exact else _MUTUAL_SPREAD.relative
        least = self.unlisted_sd
        return {name: max(relative * abs(x), least) for name, x in self.mutual_phi0_per_a} | dict(self.stated_sd)

    @property
    def unlisted_sd(self) -> float:
        """Standard deviation, about zero, of the mutual inductance to any other loop, Phi0/A."""
        largest = max((abs(x) for _, x in self.mutual_phi0_per_a), default=0.0)
        return 0.0 if self.unstated_exact else UNLISTED_MUTUAL * largest


UNLISTED_MUTUAL: Final = 0.01
"""Default standard deviation of cross-talk that a line does not list, as a part of its largest mutual inductance."""
_MUTUAL_SPREAD: Final = Spread(relative=0.02)

BIAS_LINE: Final[tuple[Field, ...]] = (
    Name(),
    Quantity(
        key="limit", attribute="limit_a", dimension="current", low=0.0, strict=True, words="largest current",
        sane=Sane(0.0, 1.0, "is more than any line of a cold chip stands", "Check the prefix of the unit: mA are usual"),
    ),
    NamedQuantities(
        key="mutual", attribute="mutual_phi0_per_a", dimension="mutual", to="loops", spread=_MUTUAL_SPREAD,
        words="flux per current in each loop",
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Coil:
    """A calibration coil: a closed outline in the laboratory frame."""

    name: str
    outline_m: tuple[Point, ...]


# ---------------------------------------------------------------- isolators


@dataclass(frozen=True)
class Stage(Uncertain):
    """One converter: its ring's loop, two modes and the coupling at the isolator's reference flux and power."""

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
    arm_inductance_ratio: float = 0.0
    critical_current_a: float | None = None

    @classmethod
    def spreads(cls) -> dict[str, Spread]:
        """All numbers of the modes and the shunt ratio."""
        return _STAGE_SPREADS

    @property
    def uncertain(self) -> tuple[tuple[str, float], ...]:
        """(attribute, standard deviation) of the numbers that are stated to be uncertain, the shunt ratio aside."""
        stated = dict(self.stated_sd)
        return tuple(
            (f.attribute, stated[f.attribute]) for f in STAGE_MODES if stated.get(f.attribute, 0.0) > 0
        )  # fmt: skip


_NOT_COLD: Final = Sane(
    1e8,
    1e12,
    "is no frequency of a mode that a cold circuit holds",
    "Check the prefix of the unit: 1 to 20 GHz are usual",
)


def _mode(
    end: str, words: str, attribute: str, placeholder: tuple[object, object], **more: Any
) -> tuple[Quantity, ...]:
    """The same field of the signal and of the idler."""
    former = more.pop("former", ())
    return tuple(
        Quantity(
            key=f"{mode}_{end}",
            attribute=f"{mode}_{attribute}",
            words=f"{words} of the {mode}",
            former=tuple(f"{mode}_{x}" for x in former),
            placeholder=stand_in,
            **more,
        )
        for mode, stand_in in zip(("signal", "idler"), placeholder, strict=True)
    )


_FREQUENCY = _mode(
    "frequency", "frequency at zero flux", attribute="frequency_hz", dimension="frequency", low=0.0, strict=True,
    sane=_NOT_COLD, spread=Spread(absolute=1e6, third=_CHARACTERIZE), placeholder=("5 GHz", "7 GHz"),
)  # fmt: skip
_LINEWIDTH = _mode(
    "linewidth", "linewidth by coupling", attribute="linewidth_hz", dimension="frequency", low=0.0, strict=True,
    spread=Spread(relative=0.02, third=_CHARACTERIZE), placeholder=("40 MHz", "60 MHz"),
)  # fmt: skip
_PARTICIPATION = _mode(
    "participation", "participation ratio", attribute="participation", former=("share",), low=0.0, high=1.0,
    spread=Spread(relative=0.03, most=0.5), placeholder=(0.1, 0.1),
)  # fmt: skip


def _loss(key: str, attribute: str, words: str, linewidth: str) -> Quantity:
    spread = Spread(relative=0.02, of=linewidth, relative_of=0.002)
    return Quantity(
        key=key, attribute=attribute, words=words, dimension="frequency", default=0.0, low=0.0, spread=spread
    )


STAGE_MODES: Final[tuple[Quantity, ...]] = (
    _FREQUENCY[0],
    _LINEWIDTH[0],
    _loss("signal_internal_loss", "signal_internal_hz", "internal loss of the signal", "signal_linewidth_hz"),
    _PARTICIPATION[0],
    _FREQUENCY[1],
    _LINEWIDTH[1],
    _loss("idler_internal_loss", "idler_internal_hz", "internal loss of the idler", "idler_linewidth_hz"),
    _loss("idler_termination", "idler_termination_hz", "termination of the idler", "idler_linewidth_hz"),
    _PARTICIPATION[1],
    Quantity(
        key="coupling", attribute="coupling_hz", dimension="frequency", low=0.0, strict=True, words="coupling",
        spread=Spread(relative=0.02, third=_CHARACTERIZE), placeholder="10 MHz",
    ),
)  # fmt: skip

SHUNTED_RINGS: Final = ("shunted", "stray arms")
_SHUNTED: Final = Only("ring", SHUNTED_RINGS, "A bare ring has no shunts: remove it", 0.0)
_STRAY: Final = Only("ring", ("stray arms",), 'It belongs to ring = "stray arms"', 0.0)
STAGE: Final[tuple[Field, ...]] = (
    Reference(key="loop", to="loops"),
    Choice(
        key="ring", choices=("shunted", "bare", "stray arms"), decides=True, words="kind of ring",
        placeholder="shunted",
    ),
    Integer(
        key="branch", default=None, low=-1000, high=1000, word="ground", words="branch that a bare ring is held in",
        only=Only("ring", ("bare",), "A shunted ring has no branches: remove it"),
    ),
    Quantity(
        key="shunt_ratio", low=0.0, high=1e6, strict=True, only=_SHUNTED, words="shunt ratio L_J/(2L)",
        spread=Spread(relative=0.03, most=1e6), placeholder=3.0,
    ),
    Quantity(
        key="arm_inductance_ratio", low=0.0, high=0.9, only=_STRAY, words="stray inductance of an arm over L_J",
        spread=Spread(relative=0.2, most=0.5),
    ),
    *STAGE_MODES,
    Quantity(
        key="critical_current", attribute="critical_current_a", dimension="current", default=None, low=0.0, strict=True,
        words="critical current of each junction, for the probe's self-Kerr shift",
    ),
)  # fmt: skip
_STAGE_SPREADS: Final = spreads_of(STAGE)

PLACEHOLDERS: Final[dict[str, object]] = {f.key: f.placeholder for f in STAGE if f.placeholder is not None}
"""What stands in for entries of a stage that characterization is to find."""


@dataclass(frozen=True)
class Setup(Uncertain):
    """What lies between an isolator and the analyser, and what its model leaves out.

    Means are attributes; how far each may be off is in `sd`, also for what has no mean of its own: `line_reflection` and
    `direct_path` (rms amplitudes), `static_flux_phi0` (per loop and vector of bias currents), `mode_change_hz` (of each mode in each
    cooldown but the first), `discrepancy` and `discrepancy_own` (relative, common to all states and own to each), `gain_between_states`
    (relative, per quadrature and path).
    """

    line_delay_max_s: float = 10e-9
    pump_1_imbalance_db: float = 0.0
    pump_1_phase_error_rad: float = 0.0
    pump_2_imbalance_db: float = 0.0
    pump_2_phase_error_rad: float = 0.0
    arm_phase_rad: float = 0.0
    arm_loss_db: float = 0.0
    analyser_offset_hz: float = 0.0
    if_smoothing: float = 0.0

    @classmethod
    def spreads(cls) -> dict[str, Spread]:
        """Every number of the set-up but the delay."""
        return _SETUP_SPREADS


def _pump_port(number: int) -> tuple[Quantity, ...]:
    return (
        Quantity(
            key=f"pump_port_{number}_imbalance", attribute=f"pump_{number}_imbalance_db", dimension="level", default=0.0,
            low=-20.0, high=20.0, spread=Spread(absolute=0.5, most=6.0),
            words=f"power to stage 1 over that to stage 2 for pump port {number}",
        ),
        Quantity(
            key=f"pump_port_{number}_phase_error", attribute=f"pump_{number}_phase_error_rad", dimension="angle",
            default=0.0, spread=Spread(absolute=math.radians(3.0), most=1.0),
            words=f"departure of the pumps' phase difference for pump port {number}",
        ),
    )  # fmt: skip


SETUP: Final[tuple[Field, ...]] = (
    SpreadOnly(
        key="return_loss", attribute="line_reflection", dimension="level",
        spread=Spread(absolute=0.1, most=200.0, in_db=1), words="rms return loss of the line ends",
    ),
    Quantity(
        key="line_delay_max", attribute="line_delay_max_s", dimension="time", default=10e-9, low=0.0, high=1e-6,
        words="longest delay of a reflection, there and back",
    ),
    SpreadOnly(
        key="direct_path", attribute="direct_path", dimension="level",
        spread=Spread(absolute=0.01, most=200.0, in_db=-1), words="rms transmission beside the device",
    ),
    *_pump_port(1),
    *_pump_port(2),
    Quantity(
        key="arm_phase", attribute="arm_phase_rad", dimension="angle", default=0.0,
        spread=Spread(absolute=math.radians(3.0), most=1.0), words="phase of the arm to stage 1 over that to stage 2",
    ),
    Quantity(
        key="arm_loss", attribute="arm_loss_db", dimension="level", default=0.0, low=-20.0, high=20.0,
        spread=Spread(absolute=0.05, most=6.0), words="loss of the arm to stage 2 over that to stage 1",
    ),
    SpreadOnly(
        key="static_flux_sd", attribute="static_flux_phi0", dimension="flux", spread=Spread(absolute=0.015, most=1.0),
        words="flux of each loop at each vector of bias currents beside what mutual inductances and offset make",
    ),
    Quantity(
        key="analyser_offset", attribute="analyser_offset_hz", dimension="frequency", default=0.0, low=-1e9, high=1e9,
        spread=Spread(absolute=1e4, most=1e8), words="frequency offset of the analyser",
    ),
    Quantity(
        key="if_smoothing", default=0.0, low=0.0, high=100.0, spread=Spread(absolute=0.3, most=100.0),
        words="smoothing by the IF filter, in frequency steps",
    ),
    SpreadOnly(
        key="modes_between_cooldowns", attribute="mode_change_hz", dimension="frequency",
        spread=Spread(absolute=1e6, most=1e9), words="change of each mode's frequency from the first cooldown to a later one",
    ),
    SpreadOnly(key="discrepancy", spread=Spread(absolute=0.01, most=1.0), words="what the model leaves out in all states"),
    SpreadOnly(key="discrepancy_own", spread=Spread(absolute=0.002, most=1.0), words="what it leaves out in each state"),
    SpreadOnly(
        key="gain_between_states", spread=Spread(absolute=0.05, most=1.0),
        words="gain of the lines in each state of the source, relative",
    ),
)  # fmt: skip
_SETUP_SPREADS: Final = spreads_of(SETUP)


@dataclass(frozen=True)
class Isolator(Uncertain):
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
    pump_shift_factor: float = 1.0
    setup: Setup = Setup()

    @classmethod
    def spreads(cls) -> dict[str, Spread]:
        """Link, hybrid and pump."""
        return _ISOLATOR_SPREADS

    @property
    def pump_phase_error_sd_rad(self) -> float:
        """As stated, 0 if not."""
        return self.stated("pump_phase_error_rad")

    @property
    def joined_by_line(self) -> bool:
        """Whether a line of full amplitude joins the idlers, which have terminations of their own then."""
        return LINK_AMPLITUDE[self.link_kind] == 1.0


LINK_AMPLITUDE: Final = {"hybrid": 1 / math.sqrt(2), "line": 1.0}
"""Amplitude through the link where the study does not state one."""
POWER_AT_MOST_W: Final = 0.1
_DANGEROUS: Final = Sane(
    0.0, POWER_AT_MOST_W, "is more pump power than a cold line may carry: it can destroy the chip and boil off the cryogen",
    "Check the sign and the unit: -90 to -20 dBm at the chip are usual; at most 20 dBm are taken",
)  # fmt: skip

ISOLATOR_LINK: Final = Choice(
    key="link", attribute="link_kind", choices=("hybrid", "line"), default="hybrid", words="what joins the idlers"
)
PUMP_PORT_1: Final = Choice(
    key="pump_port_1_phase", attribute="pump_port_1_sign", choices=("from reference", "+90 deg", "-90 deg"),
    meaning={"from reference": None, "+90 deg": 1, "-90 deg": -1}, default=None,
    words="phase between the pumps for pump port 1",
)  # fmt: skip
ISOLATOR: Final[tuple[Field, ...]] = (
    Quantity(
        key="link_amplitude", default=None, low=0.0, high=1.0, strict=True, spread=Spread(relative=0.02, most=1.0),
        words="amplitude through the link",
    ),
    Quantity(
        key="link_phase", attribute="link_phase_rad", dimension="angle", default=0.0,
        spread=Spread(absolute=math.radians(3.0), most=4.0), words="phase through the link",
    ),
    Quantity(
        key="hybrid_imbalance", attribute="hybrid_imbalance_db", dimension="level", default=0.0, low=-20, high=20,
        spread=Spread(absolute=0.3, most=6.0), words="signal hybrid: power straight through over power across",
    ),
    Quantity(
        key="hybrid_phase_error", attribute="hybrid_phase_error_rad", dimension="angle", default=0.0,
        spread=Spread(absolute=math.radians(3.0), most=1.0), words="signal hybrid: departure from 90 degrees",
    ),
    Quantity(
        key="hybrid_loss", attribute="hybrid_loss_db", dimension="level", default=0.0, low=0.0, high=40,
        spread=Spread(absolute=0.1, most=6.0), words="signal hybrid: loss of one passage",
    ),
    Quantity(
        key="reference_flux", attribute="reference_flux_phi0", dimension="flux", low=-100.0, high=100.0,
        words="flux at which the couplings hold",
    ),
    Quantity(
        key="reference_power", attribute="reference_power_w", dimension="power", low=0.0, strict=True, sane=_DANGEROUS,
        words="pump power at which the couplings hold",
    ),
    Quantity(
        key="pump_shift_factor", default=1.0, low=0.0, high=10.0, spread=Spread(absolute=0.1, most=3.0),
        words="factor on the shift of the modes by the pump",
    ),
    SpreadOnly(
        key="pump_phase_error_sd", attribute="pump_phase_error_rad", dimension="angle", spread=Spread(most=1.0),
        words="departure of the pumps' phase difference, both ports alike",
    ),
    SpreadOnly(
        key="pump_strength_sd", attribute="pump_strength", spread=Spread(most=0.5),
        words="relative change of the pump's amplitude at the rings",
    ),
)  # fmt: skip
_ISOLATOR_SPREADS: Final = spreads_of(ISOLATOR)


# ---------------------------------------------------------------- states and settings


@dataclass(frozen=True)
class State(Uncertain):
    """What the source was doing: out, in, turned (rotation as a row-major matrix) or a known calibration source.

    How far the angle of a turn may be off is in `sd`, as `turn_rad`.
    """

    name: str
    kind: str
    rotation: tuple[Point, Point, Point] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    coil: str | None = None
    current_a: float = 0.0
    field_t: Point | None = None

    @classmethod
    def spreads(cls) -> dict[str, Spread]:
        """The angle of a turn."""
        return _STATE_SPREADS

    @property
    def axis_and_angle(self) -> tuple[Point, float]:
        """Axis and angle in [0, pi] of the rotation (from its quaternion, by the largest component)."""
        (a, b, c), (d, e, f), (g, h, i) = self.rotation
        rows = (
            (1 + a + e + i, h - f, c - g, d - b),
            (h - f, 1 + a - e - i, b + d, c + g),
            (c - g, b + d, 1 - a + e - i, f + h),
            (d - b, c + g, f + h, 1 - a - e + i),
        )
        row = max(enumerate(rows), key=lambda x: x[1][x[0]])[1]
        length = math.copysign(math.sqrt(sum(x * x for x in row)), row[0])
        w, x, y, z = (v / length for v in row)
        sine = math.sqrt(x * x + y * y + z * z)
        axis = (x / sine, y / sine, z / sine) if sine > 0 else (0.0, 0.0, 1.0)
        return axis, 2 * math.atan2(sine, w)


STATE: Final[tuple[Field, ...]] = (
    Name(),
    Choice(key="kind", choices=("out", "in", "turned", "calibration"), decides=True, words="what the source was doing"),
)
STATE_TURNED: Final[tuple[Field, ...]] = (
    Axis(key="rotation_axis", words="axis of the turn"),
    Quantity(key="rotation_angle", dimension="angle", words="angle of the turn, right-handed"),
)
STATE_TURN_SD: Final = SpreadOnly(
    key="rotation_angle_sd", attribute="turn_rad", dimension="angle", spread=Spread(math.radians(1.0), most=1.0),
    words="how well the angle of the turn is known",
)  # fmt: skip
_STATE_SPREADS: Final = spreads_of([STATE_TURN_SD])
STATE_COIL: Final[tuple[Field, ...]] = (
    Reference(key="coil", to="coils"),
    Quantity(key="current", attribute="current_a", dimension="current", words="current in the coil"),
)
STATE_FIELD: Final = Vector(key="field", attribute="field_t", dimension="field", words="known uniform field")


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


SETTING_HEAD: Final[tuple[Field, ...]] = (
    Name(),
    NamedQuantities(key="bias", dimension="current", to="lines", words="currents; other lines carry none"),
)
SETTING_PHASE: Final = Quantity(
    key="pump_phase", attribute="pump_phase_rad", dimension="angle", words="phase between two free pumps"
)
SETTING_PORT: Final = Integer(key="pump_port", low=1, high=2, words="pump port")
SETTING: Final[tuple[Field, ...]] = (
    Quantity(
        key="pump_frequency", attribute="pump_frequency_hz", dimension="frequency", default=None, low=0.0, strict=True,
        word="matched", words="pump frequency",
    ),
    Names(key="isolators", to="isolators", words="isolators swept at this setting"),
    Quantity(
        key="pump_power", attribute="pump_power_w", dimension="power", low=0.0, strict=True, sane=_DANGEROUS,
        words="pump power",
    ),
)  # fmt: skip


# ---------------------------------------------------------------- sweep, noise, data, plan


@dataclass(frozen=True)
class SweepRange:
    """Signal frequencies of a sweep, evenly spaced."""

    start_hz: float
    stop_hz: float
    points: int


SWEEP: Final[tuple[Field, ...]] = (
    Quantity(key="start", attribute="start_hz", dimension="frequency", low=0.0, strict=True, words="lowest frequency"),
    Quantity(key="stop", attribute="stop_hz", dimension="frequency", low=0.0, strict=True, words="highest frequency"),
    Integer(key="points", low=1, high=1_000_000, words="number of frequencies"),
)


@dataclass(frozen=True)
class Noise:
    """Noise of one raw trace, relative to unit transmission; drift is per repeat, residual_gain per setting and path.

    flux_phi0 is white from sweep to sweep; flux_slow_phi0 the amplitude A of slow flux noise of spectrum A^2/f.  scale_sd
    is the standard deviation of the logarithm of a factor on all of the noise, carried along as an unknown if above zero.
    bad_sweeps is the share of sweeps that come out bad (a burst, a jump of the gain, a flux that is off for that sweep), which means
    over repeats leave out; flux_jumps the number of jumps of each loop's flux over a campaign, which stay, flux_jump_phi0 the
    standard deviation of one.
    """

    white: float = 0.01
    gain_drift: float = 0.0
    phase_drift_rad: float = 0.0
    residual_gain: float = 0.0
    flux_phi0: float = 0.0
    flux_slow_phi0: float = 0.0
    scale_sd: float = 0.0
    bad_sweeps: float = 0.0
    flux_jumps: float = 0.0
    flux_jump_phi0: float = 0.0

    @property
    def jumped_phi0(self) -> float:
        """Standard deviation of what a loop's flux has jumped by over a campaign."""
        return math.sqrt(self.flux_jumps) * self.flux_jump_phi0


NOISE: Final[tuple[Field, ...]] = (
    Quantity(key="white", default=0.01, low=0.0, high=1e3, words="white noise per quadrature and point"),
    Quantity(key="gain_drift", default=0.0, low=0.0, high=1.0, words="relative change of gain from sweep to sweep"),
    Quantity(
        key="phase_drift", attribute="phase_drift_rad", dimension="angle", default=0.0, low=0.0, high=math.pi,
        words="change of phase from sweep to sweep",
    ),
    Quantity(key="residual_gain", default=0.0, low=0.0, high=1.0, words="gain error of a setting and path"),
    Quantity(
        key="flux", attribute="flux_phi0", dimension="flux", default=0.0, low=0.0, high=1.0,
        words="flux noise from sweep to sweep",
    ),
    Quantity(
        key="flux_slow", attribute="flux_slow_phi0", dimension="flux", default=0.0, low=0.0, high=1.0,
        words="slow flux noise: A in a spectrum A^2/f",
    ),
    Quantity(key="scale_sd", default=0.0, low=0.0, high=1.0, words="how well the size of all noise is known"),
    Quantity(key="bad_sweeps", default=0.0, low=0.0, high=0.5, words="share of sweeps that come out bad and are left out"),
    Quantity(key="flux_jumps", default=0.0, low=0.0, high=1e4, words="how often a loop's flux jumps in a campaign, and stays"),
    Quantity(
        key="flux_jump", attribute="flux_jump_phi0", dimension="flux", default=0.0, low=0.0, high=1.0,
        words="size of such a jump",
    ),
)  # fmt: skip


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


DATA: Final[tuple[Field, ...]] = (
    Choice(
        key="kind", choices=("complex", "magnitude", "direction"), default="complex", words="what of the sweeps is used"
    ),
)
DATA_DIRECTION: Final[tuple[Field, ...]] = (
    Quantity(key="wrong_way", default=0.01, low=0.0, high=0.45, strict=True, words="probability of a wrong reading"),
    Quantity(key="wrong_way_factor", default=1.0, low=1.0, high=20.0, words="factor within which that is known"),
)


@dataclass(frozen=True)
class Plan:
    """How often `simulate` sweeps: repeats per setting and state, pump-off repeats, states in turns, cooldowns."""

    repeats: int = 8
    off_repeats: int = 8
    states: tuple[str, ...] = ()
    cooldowns: tuple[str, ...] = ("c1",)
    seconds_per_sweep: float = 20.0
    rounds: int = 4


PLAN: Final[tuple[Field, ...]] = (
    Integer(key="repeats", default=8, low=1, words="repeats per setting and state"),
    Integer(key="off_repeats", default=8, low=1, words="repeats with the pump off"),
    Integer(key="rounds", default=4, low=1, high=1000, words="how often the states are gone through in turn, some repeats each time"),
    Names(key="states", to="states", words="states in the order of time"),
    Names(key="cooldowns", default=("c1",), words="names of the cooldowns"),
    Quantity(
        key="time_per_sweep", attribute="seconds_per_sweep", dimension="time", default=20.0, low=0.0, strict=True,
        words="duration of a sweep",
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Sampling:
    """How hard `orient` samples."""

    ensembles: int = 4
    walkers: int | None = None
    wanted_ess: int = 4000
    max_steps: int = 20000


SAMPLING: Final[tuple[Field, ...]] = (
    Integer(key="ensembles", default=4, low=2, high=64, words="independent ensembles"),
    Integer(key="walkers", default=None, low=8, high=4096, words="walkers of each ensemble"),
    Integer(key="wanted_ess", default=4000, low=100, high=10_000_000, words="effective samples wanted in all"),
    Integer(key="max_steps", default=20000, low=100, high=100_000_000, words="steps of each ensemble at most"),
)


# ---------------------------------------------------------------- limits and layout


@dataclass(frozen=True)
class Limits:
    """What a working point may not exceed: highest pump power, range of pump frequencies, least isolation, source out; power of
    the read-out's source.

    None means that the study does not say: then no pump power above the highest in use is proposed, and no pump frequency
    further than a linewidth of the idler from the matched one.
    """

    pump_power_w: float | None = None
    pump_frequency_hz: tuple[float, float] | None = None
    isolation_db: float | None = None
    source_power_w: float | None = None


LIMITS: Final[tuple[Field, ...]] = (
    Quantity(
        key="pump_power", attribute="pump_power_w", dimension="power", default=None, low=0.0, strict=True,
        sane=_DANGEROUS, words="highest pump power",
    ),
    Vector(
        key="pump_frequency", attribute="pump_frequency_hz", dimension="frequency", count=2, default=None, low=0.0,
        ascending=True, words="range of pump frequencies",
    ),
    Quantity(
        key="isolation", attribute="isolation_db", dimension="level", default=None, low=0.0, strict=True,
        words="least isolation with the source out",
    ),
    Quantity(
        key="source_power", attribute="source_power_w", dimension="power", default=None, low=0.0, strict=True,
        sane=_DANGEROUS, words="highest power of the read-out's source",
    ),
)  # fmt: skip


@dataclass(frozen=True)
class KeepOut:
    """A rectangle (in the frame of a chip) that no loop may touch: its lower and upper corner."""

    chip: str
    low_m: tuple[float, float]
    high_m: tuple[float, float]


KEEP_OUT: Final[tuple[Field, ...]] = (
    Reference(key="chip", to="chips", lone=True),
    Vector(key="from", attribute="low_m", dimension="length", count=2, words="lower left corner"),
    Vector(key="to", attribute="high_m", dimension="length", count=2, words="upper right corner"),
)


@dataclass(frozen=True)
class LayoutRules:
    """What a layout of loops has to respect; see `fluxsense.design.layout`.

    chip_size_m is the size of every chip, centred on its frame's origin; size_m the least and largest extent of a loop;
    source_height_m, if given, the range in which the source's height may be chosen.
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


def _length(key: str, default: float, words: str, *, strict: bool = False) -> Quantity:
    return Quantity(
        key=key, attribute=f"{key}_m", dimension="length", default=default, low=0.0, strict=strict, words=words
    )


LAYOUT: Final[tuple[Field, ...]] = (
    Names(
        key="outlines", choices=("square", "circle", "figure_eight", "free"), default=("square",), words="shapes to try"
    ),
    Vector(
        key="size", attribute="size_m", dimension="length", count=2, default=(4e-6, 40e-6), low=0.0, ascending=True,
        words="least and largest extent of a loop",
    ),
    Vector(
        key="chip_size", attribute="chip_size_m", dimension="length", count=2, default=(200e-6, 200e-6), low=0.0,
        words="size of every chip",
    ),
    _length("edge", 2e-6, "least distance from the chip's edge"),
    _length("spacing", 2e-6, "least distance between loops"),
    _length("grid", 1e-7, "grid of the corners", strict=True),
    Quantity(
        key="loop_area", attribute="loop_area_m2", dimension="area", default=None, low=0.0, strict=True,
        words="largest area of all loops together",
    ),
    Vector(
        key="source_height", attribute="source_height_m", dimension="length", count=2, default=None, ascending=True,
        words="range of the source's height",
    ),
    Flag(key="change_chip", words="whether loops may move to another chip"),
    Names(key="fixed", to="loops", default=(), words="loops that stay"),
)  # fmt: skip


# ---------------------------------------------------------------- files of traces


@dataclass(frozen=True)
class TraceForm:
    """How a trace stands in its file.

    Where `format` is none of a network analyser's own: frequency and s21, s12, s11, s22 are the names of columns, datasets or
    arrays (one or two for each parameter, as `NUMBERS` says of `numbers`; none where it was not recorded), `unit_hz` is the unit
    of the frequencies.
    """

    format: str = "touchstone"
    frequency: str = ""
    unit_hz: float = 1.0
    numbers: str = ""
    s21: tuple[str, ...] = ()
    s12: tuple[str, ...] = ()
    s11: tuple[str, ...] = ()
    s22: tuple[str, ...] = ()
    reference_ohm: float = 50.0


NUMBERS: Final[dict[str, int]] = {
    "real and imaginary": 2, "complex": 1, "magnitude and degrees": 2, "magnitude and radians": 2, "dB and degrees": 2,
    "dB and radians": 2, "magnitude": 1, "dB": 1,
}  # fmt: skip
"""How S-parameters may be written, and how many columns each takes."""
WITHOUT_PHASE: Final = ("magnitude", "dB")
"""Those that say nothing of a phase."""

_MAPPED: Final = ("csv", "hdf5", "npz")


def _mapped(otherwise: object) -> Only:
    return Only(
        "format",
        _MAPPED,
        'A Touchstone file says this itself: it belongs to format = "csv", "hdf5" or "npz"',
        otherwise,
    )


TRACE_FORM: Final[tuple[Field, ...]] = (
    Choice(key="format", choices=("touchstone", *_MAPPED), default="touchstone", decides=True, words="format of the traces"),
    Text(key="frequency", default="frequency", only=_mapped(""), words="name of the frequencies"),
    Choice(
        key="frequency_unit", attribute="unit_hz", choices=("Hz", "kHz", "MHz", "GHz"), default=1.0,
        meaning={"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}, only=_mapped(1.0), words="their unit",
    ),
    Choice(
        key="numbers", choices=tuple(NUMBERS), default="real and imaginary", only=_mapped(""),
        words="how S-parameters are written",
    ),
    Texts(key="s21", only=_mapped(()), words="name or names of S21"),
    Texts(key="s12", only=_mapped(()), words="name or names of S12"),
    Texts(key="s11", default=(), only=_mapped(()), words="name or names of S11, if recorded"),
    Texts(key="s22", default=(), only=_mapped(()), words="name or names of S22, if recorded"),
    Quantity(
        key="reference", attribute="reference_ohm", dimension="resistance", default=50.0, low=0.0, strict=True,
        only=_mapped(50.0), words="reference resistance of both ports",
    ),
)  # fmt: skip


# ---------------------------------------------------------------- the whole


@dataclass(frozen=True)
class Study:
    """Everything a study file says, in the package's own units.

    `tree` is the file as nested plain values, so that what is written anew keeps its user's units; `line_left_out` is the share of
    line ends and direct paths that their functions may leave out, that of `device.setup` if None (no file states it).
    """

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
    logs: tuple[Path, ...]
    allow_outside: bool
    sha256: str = field(compare=False, default="")
    limits: Limits = Limits()
    layout: LayoutRules = LayoutRules()
    data: Data = Data()
    unstated_exact: bool = False
    readout: Readout | None = None
    log_starts_s: tuple[float, ...] = ()
    form: TraceForm = TraceForm()
    line_left_out: float | None = None
    tree: Mapping[str, object] = field(compare=False, repr=False, default_factory=dict)

    @property
    def folder(self) -> Path:
        """The folder that the study's relative paths start from."""
        return self.path.parent

    @property
    def log(self) -> Path:
        """The log, or the first of several."""
        return self.logs[0]

    def loop(self, name: str) -> Loop:
        """The loop of that name."""
        return next(x for x in self.loops if x.name == name)

    def isolator(self, name: str) -> Isolator:
        """The isolator of that name."""
        return next(x for x in self.isolators if x.name == name)

    def state(self, name: str) -> State:
        """The state of that name."""
        return next(x for x in self.states if x.name == name)


HEAD: Final[tuple[Field, ...]] = (
    Text(key="title"),
    Flag(key="invented", words="whether this is a made-up scenario"),
    Text(key="note", default="", empty=True),
)
TRACES: Final[tuple[Field, ...]] = (
    Texts(key="log", attribute="logs", default=("log.csv",), words="the list of traces, or the lists of several days"),
    Times(
        key="log_starts", attribute="log_starts_s", default=(),
        words="time at which the clock of each of several logs began",
    ),
    Flag(key="allow_outside", words="whether traces may lie outside the log's folder"),
)  # fmt: skip
UNCERTAINTY: Final[tuple[Field, ...]] = (
    Choice(
        key="unstated", attribute="unstated_exact", choices=("default", "exact"),
        meaning={"default": False, "exact": True}, default=False,
        words="what numbers without a stated standard deviation have",
    ),
)  # fmt: skip
