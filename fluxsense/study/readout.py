"""The section [readout] of a study: source, elements of the lines, receiver.

Its dataclasses stand here with the tables of their fields, as in `fluxsense.study.types`; what they mean for signal and
noise is the business of `fluxsense.readout`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Final

from fluxsense.study.fields import (
    Choice,
    Field,
    Integer,
    Name,
    Names,
    Only,
    Quantity,
    Reference,
    Scope,
    Spread,
    Text,
    Uncertain,
    read_fields,
    read_part,
    spreads_of,
    write_fields,
)
from fluxsense.study.table import Table


@dataclass(frozen=True)
class ElementKind:
    """A sort of element: its words, and whether it feeds power in (and so may have gain and adds noise of its own)."""

    words: str
    active: bool


ELEMENT_KINDS: Final[dict[str, ElementKind]] = {
    "attenuator": ElementKind("an attenuator", False),
    "cable": ElementKind("a cable", False),
    "filter": ElementKind("a filter", False),
    "coupler": ElementKind("a directional coupler", False),
    "isolator": ElementKind("an isolator or circulator", False),
    "switch": ElementKind("a switch", False),
    "parametric_amplifier": ElementKind("a parametric amplifier", True),
    "directional_amplifier": ElementKind("a directional amplifier", True),
    "hemt": ElementKind("a HEMT amplifier", True),
    "room_amplifier": ElementKind("a room-temperature amplifier", True),
    "receiver": ElementKind("the analyser's receiver", True),
}
_PASSIVE: Final = tuple(name for name, kind in ELEMENT_KINDS.items() if not kind.active)
_ACTIVE: Final = tuple(name for name, kind in ELEMENT_KINDS.items() if kind.active)


@dataclass(frozen=True)
class Element:
    """One part of a line, in the direction of the signal.

    Attributes
    ----------
    name : str
    kind : str
        A key of `ELEMENT_KINDS`.
    gain_db : float
        Gain of power; below zero for a loss.  Not used where `file` is given.
    temperature_k : float
        Physical temperature.
    added_k : float
        Noise temperature at its input (of an amplifier; what a passive part adds follows from loss and temperature).
    added_quanta : float
        The same in quanta h f/k; both are added up.
    compression_w : float
        Input power at which the gain is 1 dB lower; infinite where none is stated.
    backward_db : float, optional
        Gain of power in the reverse direction, zero or below; that of the forward direction where not given (a passive part
        that is reciprocal), no way back through an amplifier.
    file : str
        Touchstone file of its scattering parameters, from the study's folder; empty for none.
    """

    name: str
    kind: str
    gain_db: float = 0.0
    temperature_k: float = 0.0
    added_k: float = 0.0
    added_quanta: float = 0.0
    compression_w: float = math.inf
    backward_db: float | None = None
    file: str = ""

    @property
    def active(self) -> bool:
        """Whether the element may have gain."""
        return ELEMENT_KINDS[self.kind].active

    @property
    def words(self) -> str:
        """What it is, for people."""
        return ELEMENT_KINDS[self.kind].words


@dataclass(frozen=True)
class CrossTalk(Uncertain):
    """What an isolator's sweeps pick up of another one on the same line.

    Attributes
    ----------
    into, source : str
        The isolator that is swept, and the one whose transmission arrives beside its own.
    amplitude : float
        Over what arrives by its own path.
    phase_rad : float
        As the analyser shows it (e^{+jwt}).
    """

    into: str
    source: str
    amplitude: float = 0.0
    phase_rad: float = 0.0
    usual: ClassVar[float] = 0.003
    """Root mean square amplitude of what is not stated (common practice: 50 dB between channels; no source)."""

    @classmethod
    def spreads(cls) -> dict[str, Spread]:
        """Root mean square of what is not known of the complex amplitude."""
        return spreads_of(CROSS_TALK)


@dataclass(frozen=True)
class Qubit:
    """A qubit's resonator that is read out through the same line, the sensor's isolator in place of ferrite ones.

    Attributes
    ----------
    resonator_hz, linewidth_hz : float
        The whole linewidth couples to the line.
    pull_hz : float
        Dispersive shift chi: the qubit's states lie at plus and minus this.
    photons : float
        Held while it is driven.
    integration_s : float
    isolator, setting : str
        The isolator, and the setting at which it works.
    """

    resonator_hz: float
    linewidth_hz: float
    pull_hz: float
    photons: float
    integration_s: float
    isolator: str
    setting: str


@dataclass(frozen=True)
class Readout:
    """What lies between source and chip (`down`) and between chip and receiver (`up`), each in the signal's direction.

    Attributes
    ----------
    source_power_w : float
        Leaves a source that is matched at source_temperature_k.
    bandwidth_hz : float
        Noise bandwidth of the receiver's filter.
    averages : int
        Samples averaged at each frequency.
    sample_s : float or None
        Time of one sample; None stands for 1/bandwidth.
    pause_s : float
        Between two sweeps.
    guard_hz : float or None
        Least distance between the bands of sensors that share the line; None stands for the wider linewidth of the two.
    shared : tuple of str
        Isolators that hang on this one line; none where each has lines of its own.
    cross_talk : tuple of CrossTalk
        As stated; see `cross_talks`.
    cross_talk_exact : bool
        Whether cross-talk that is not stated is none.
    qubit : Qubit or None
    """

    source_power_w: float
    bandwidth_hz: float
    averages: int = 1
    sample_s: float | None = None
    pause_s: float = 0.0
    source_temperature_k: float = 300.0
    guard_hz: float | None = None
    shared: tuple[str, ...] = ()
    down: tuple[Element, ...] = ()
    up: tuple[Element, ...] = ()
    cross_talk: tuple[CrossTalk, ...] = ()
    cross_talk_exact: bool = False
    qubit: Qubit | None = None

    @property
    def files(self) -> tuple[str, ...]:
        """Touchstone files of elements, each once."""
        return tuple(dict.fromkeys(x.file for x in (*self.down, *self.up) if x.file))

    @property
    def seconds_per_point(self) -> float:
        """Time at each frequency, s."""
        return self.averages * (1.0 / self.bandwidth_hz if self.sample_s is None else self.sample_s)

    @property
    def cross_talks(self) -> tuple[CrossTalk, ...]:
        """Of every ordered pair of isolators on the line, as stated or else unknown within `CrossTalk.usual`."""
        stated = {(x.into, x.source): x for x in self.cross_talk}
        return tuple(
            stated.get((a, b), CrossTalk(a, b, unstated_exact=self.cross_talk_exact))
            for a in self.shared
            for b in self.shared
            if a != b
        )


@dataclass(frozen=True, kw_only=True)
class Loss(Quantity):
    """A level that the file states as a loss, zero or above, and the package holds as a gain."""

    dimension: str | None = "level"
    low: float = 0.0

    def read(self, t: Table, scope: Scope) -> float | None:
        """The gain, dB."""
        value = super().read(t, scope)
        return value if value is None else 0.0 - value

    def toml(self, value: Any) -> object:
        """The loss with its unit."""
        return super().toml(0.0 - value)


_AS_LOSS: Final = Only(
    "kind", _PASSIVE, "An amplifier has a gain: state that, or name the kind of passive part that it is"
)
_AS_GAIN: Final = Only(
    "kind", _ACTIVE, "A passive part cannot have gain: state its loss, or name the kind of amplifier that it is"
)
_AS_NOISE: Final = Only(
    "kind", _ACTIVE, "What a passive part adds follows from its loss and its temperature: remove it"
)

ELEMENT: Final[tuple[Field, ...]] = (
    Name(),
    Choice(key="kind", choices=tuple(ELEMENT_KINDS), decides=True, words="kind of element"),
    Loss(key="loss", attribute="gain_db", default=None, only=_AS_LOSS, words="loss"),
    Quantity(
        key="gain", attribute="gain_db", dimension="level", default=None, low=-100.0, high=200.0, only=_AS_GAIN, words="gain"
    ),
    Quantity(
        key="temperature", attribute="temperature_k", dimension="temperature", low=0.0, words="physical temperature"
    ),
    Quantity(
        key="noise_temperature", attribute="added_k", dimension="temperature", default=None, low=0.0, only=_AS_NOISE,
        words="noise temperature at its input, the vacuum's half quantum not counted",
    ),
    Quantity(
        key="added_quanta", default=None, low=0.0, high=1e6, only=_AS_NOISE, words="noise added at its input, in quanta"
    ),
    Quantity(
        key="compression", attribute="compression_w", dimension="power", default=math.inf, low=0.0, strict=True,
        words="input power at which the gain is 1 dB lower",
    ),
    Loss(key="isolation", attribute="backward_db", default=None, words="loss in the reverse direction"),
    Text(key="file", default="", empty=True, words="Touchstone file, port 1 towards the source"),
)  # fmt: skip

CROSS_TALK: Final[tuple[Field, ...]] = (
    Reference(key="into", to="isolators", words="isolator whose sweeps pick it up"),
    Reference(key="from", attribute="source", to="isolators", words="isolator whose transmission arrives beside"),
    Quantity(
        key="amplitude", default=0.0, low=0.0, high=1.0, spread=Spread(relative=0.1, of="usual", relative_of=1.0, most=1.0),
        words="amplitude over what arrives by its own path",
    ),
    Quantity(
        key="phase", attribute="phase_rad", dimension="angle", default=0.0, words="its phase, as the analyser shows it"
    ),
)  # fmt: skip


QUBIT: Final[tuple[Field, ...]] = (
    Quantity(
        key="resonator", attribute="resonator_hz", dimension="frequency", low=0.0, strict=True,
        words="frequency of the read-out resonator",
    ),
    Quantity(
        key="linewidth", attribute="linewidth_hz", dimension="frequency", low=0.0, strict=True,
        words="its linewidth by its coupling to the line",
    ),
    Quantity(
        key="dispersive_shift", attribute="pull_hz", dimension="frequency", low=0.0, strict=True,
        words="half of the distance of its frequencies for the qubit's two states",
    ),
    Quantity(key="photons", low=0.0, strict=True, high=1e6, words="photons in it while it is driven"),
    Quantity(
        key="integration_time", attribute="integration_s", dimension="time", low=0.0, strict=True,
        words="for how long its output is integrated",
    ),
    Reference(key="isolator", to="isolators", lone=True, words="isolator in place of ferrite ones"),
    Reference(key="setting", to="settings", lone=True, words="setting at which it works"),
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Sharing(Names):
    """Isolators that hang on one line: a list of names, or true for all and false for none."""

    def read(self, t: Table, scope: Scope) -> tuple[str, ...]:
        """The names."""
        if isinstance(t.peek(self.key), bool) or not t.has(self.key):
            return tuple(scope.names.get(self.to) or ()) if t.flag(self.key, False) else ()
        return super().read(t, scope)


READOUT: Final[tuple[Field, ...]] = (
    Quantity(
        key="source_power", attribute="source_power_w", dimension="power", low=0.0, strict=True,
        words="power that leaves the source",
    ),
    Quantity(
        key="source_temperature", attribute="source_temperature_k", dimension="temperature", default=300.0, low=0.0,
        words="temperature of the source's output",
    ),
    Quantity(
        key="if_bandwidth", attribute="bandwidth_hz", dimension="frequency", low=0.0, strict=True,
        words="noise bandwidth of the receiver's filter",
    ),
    Integer(key="averages", default=1, low=1, words="samples averaged at each frequency"),
    Quantity(
        key="dwell", attribute="sample_s", dimension="time", default=None, low=0.0, strict=True,
        words="time of one sample",
    ),
    Quantity(key="pause", attribute="pause_s", dimension="time", default=0.0, low=0.0, words="time between two sweeps"),
    Quantity(
        key="guard_band", attribute="guard_hz", dimension="frequency", default=None, low=0.0,
        words="least distance between the bands of sensors that share the line",
    ),
    Sharing(
        key="shared_line", attribute="shared", to="isolators", default=(), words="isolators that hang on this one line"
    ),
)  # fmt: skip
LINES: Final = ("down", "up")
"""Lists of elements: from the source to the chip, from the chip to the receiver."""


LEFT_TO_THE_CHAIN: Final = (("noise", "white"), ("plan", "time_per_sweep"))
"""Entries that follow from the chain where the study does not state them: section and key."""


def read_readout(t: Table, scope: Scope) -> Readout:
    """The table [readout] with its elements."""
    read = read_fields(t, READOUT, scope)
    down, up = (tuple(_read_element(x, scope) for x in t.tables(name, required=False)) for name in LINES)
    mixing = tuple(_read_cross_talk(x, scope, read["shared"]) for x in t.tables("cross_talk", required=False))
    pairs = [(x.into, x.source) for x in mixing]
    if len(set(pairs)) < len(pairs):
        t.fault("cross_talk", "a pair of isolators is stated twice", "Keep one table a pair and way")
    qubit = None
    if t.has("qubit"):
        table = t.table("qubit")
        qubit = read_part(table, Qubit, QUBIT, scope)
        table.close()
    t.close()
    readout = Readout(down=down, up=up, cross_talk=mixing, cross_talk_exact=scope.exact, qubit=qubit, **read)
    if readout.sample_s is not None and readout.sample_s * readout.bandwidth_hz < 1:
        t.fault(
            "dwell", "the filter has not settled after so short a time", "Give at least 1/if_bandwidth, or leave it out"
        )
    if readout.up and not any(x.active for x in readout.up if x.kind in ELEMENT_KINDS):
        t.fault(
            "up",
            "there is no amplifier between the chip and the receiver",
            'Add one, or the receiver itself (kind = "receiver") with its noise temperature',
        )
    if not readout.up:
        t.fault(
            "up",
            "there is nothing between the chip and the receiver",
            "Add [[readout.up]] tables, an amplifier among them",
        )
    return readout


def _read_cross_talk(t: Table, scope: Scope, shared: tuple[str, ...]) -> CrossTalk:
    found = replace(read_part(t, CrossTalk, CROSS_TALK, scope), unstated_exact=scope.exact)
    for key, name in (("into", found.into), ("from", found.source)):
        if name in (scope.names.get("isolators") or ()) and name not in shared:
            t.fault(key, f'the isolator "{name}" is not on the shared line', "Add it to readout.shared_line")
    if found.into == found.source:
        t.fault("from", "an isolator has no cross-talk with itself", "Name two isolators of the line")
    t.close()
    return found


def _read_element(t: Table, scope: Scope) -> Element:
    given = {key: t.has(key) for key in ("loss", "gain", "noise_temperature", "added_quanta", "file")}
    read = read_fields(t, ELEMENT, scope)
    element = Element(**{key: value for key, value in read.items() if value is not None})
    key = "gain" if element.active else "loss"
    if not given["file"] and not given[key]:
        t.fault(key, "this entry is missing", f'Add {key} = "20 dB", say, or file = "..." with a Touchstone file')
    if given["file"] and given[key]:
        t.fault(key, "the file says this already", "Keep one of the two")
    if element.active and not given["noise_temperature"] and not given["added_quanta"]:
        t.fault(
            "noise_temperature",
            f"{element.words} adds noise, but none is stated",
            'Add noise_temperature = "2 K", say, or added_quanta = 0.5',
        )
    t.close()
    return element


def readout_tree(readout: Readout) -> dict[str, object]:
    """The section as nested plain values."""
    out = write_fields(readout, READOUT)
    for name in LINES:
        elements = getattr(readout, name)
        if elements:
            out[name] = [_element_tree(x) for x in elements]
    if readout.cross_talk:
        out["cross_talk"] = [write_fields(x, CROSS_TALK) for x in readout.cross_talk]
    if readout.qubit is not None:
        out["qubit"] = write_fields(readout.qubit, QUBIT)
    return out


def _element_tree(element: Element) -> dict[str, object]:
    out = write_fields(element, ELEMENT)
    for key in ("loss", "gain") if element.file else ():
        out.pop(key, None)
    return out
