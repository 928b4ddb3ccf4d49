"""The document of a characterization, key by key, as plain values."""

from __future__ import annotations

from typing import Any, NotRequired, TypedDict


class Trust(TypedDict):
    """A verdict."""

    trust: str
    reasons: list[str]


class RingEntry(TypedDict):
    """The ring of a stage."""

    loop: str
    kind: str
    words: str
    ramp_phi0: float


class CorrelationEntry(TypedDict):
    """Two numbers that are told apart poorly."""

    first: str
    second: str
    correlation: float


class SamplingEntry(TypedDict):
    """How sampling went."""

    effective_draws: float
    acceptance: float
    r_hat: float
    settled: bool


class ReflectionEntry(TypedDict):
    """Whether reflections follow."""

    chi2_per_value: float
    with_s11_and_s22_exchanged: float
    settings: int
    told_from_mirror_image: bool


class NoiseEntry(TypedDict):
    """The noise that was found."""

    white_21: float
    white_12: float
    gain_drift: float
    flux_phi0: float
    flux_walk_phi0: float


class LineEntry(TypedDict):
    """Level, slope and delay of one path's line."""

    path: str
    gain_db: float
    ripple_db: float
    delay_s: float
    delay_ambiguity_s: float


class PointEntry(TypedDict):
    """A working point."""

    flux_phi0: float
    pump_port: int
    transmits: str
    pump_frequency_hz: float
    pump_power_w: float
    frequency_hz: float
    isolation_db: float
    insertion_loss_db: float
    reflection_db: float
    bandwidth_hz: float


class FittedIsolator(TypedDict):
    """An isolator: its name and verdict alone if nothing was fitted; what the pump tells only if it was on."""

    isolator: str
    verdict: Trust
    rings: NotRequired[list[RingEntry]]
    parameters: NotRequired[list[dict[str, Any]]]
    correlation: NotRequired[list[list[float]]]
    strong_correlations: NotRequired[list[CorrelationEntry]]
    chi2_per_value: NotRequired[float]
    sampling: NotRequired[SamplingEntry]
    reflection: NotRequired[ReflectionEntry | None]
    noise: NotRequired[NoiseEntry]
    lines: NotRequired[list[LineEntry]]
    reference_power_w: NotRequired[float]
    pump_port_1_phase: NotRequired[str]
    wiring_log_odds: NotRequired[float]
    coupling_against_power: NotRequired[str]
    forward_for_pump_port_1: NotRequired[str]
    working_points: NotRequired[list[PointEntry]]
    tunable_band_hz: NotRequired[list[float] | None]
    tunable_band_width_hz: NotRequired[float]
    tunable_band_words: NotRequired[str]


class Origin(TypedDict):
    """What the result rests on."""

    fluxsense: str
    python: str
    numpy: str
    scipy: str
    seed: int
    study_sha256: str


class CharacterizationDocument(TypedDict):
    """What was found of every isolator."""

    title: str
    invented: bool
    verdict: Trust
    isolators: list[FittedIsolator]
    skipped: list[str]
    traces: int
    cannot_be_told: list[str]
    isolation_wanted_db: float


class OwnDocument(CharacterizationDocument):
    """With what it rests on."""

    provenance: Origin
