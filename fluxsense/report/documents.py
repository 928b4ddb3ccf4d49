"""What lines, tables and pages read of each command's document, key by key, as plain JSON values.

A document has more keys than these; `tests/document_types.py` holds documents against them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal, NotRequired, TypedDict

if TYPE_CHECKING:
    from fluxsense.infer.plausible import IsolatorEntry


class Trust(TypedDict):
    """A verdict."""

    trust: str
    reasons: list[str]


class Said(TypedDict):
    """A part that says something by itself."""

    said: list[str]


class Origin(TypedDict):
    """What a result is of."""

    study_hash: str
    digest_hash: str


# ---------------------------------------------------------------- orient, compare, follow


class Size(TypedDict):
    """The size of the source."""

    mean: float
    sd: float
    unit: str
    below_95: NotRequired[float | None]


class Direction(TypedDict):
    """A direction."""

    vector: list[float]
    azimuth_deg: float
    elevation_deg: float


class Mode(Direction):
    """A direction about which there are draws."""

    weight: float
    angular_sd_deg: float


class Region(TypedDict):
    """A region of directions."""

    level: float
    solid_angle_sr: float
    cone_deg: float
    candidates: NotRequired[list[int]]


class Sampling(TypedDict):
    """How sampling went."""

    stopped: str


class AnswerDocument(TypedDict):
    """Of `orient`."""

    title: str
    verdict: Trust
    findings: list[str]
    known_source: Said
    direction: Direction
    region: list[Region]
    modes: list[Mode]
    size: Size
    antipodal_odds: float
    antipodal_odds_is_lower_bound: bool
    log_bayes_factor: float
    log_bayes_factor_sd: float
    nuisances: list[Nuisance]
    limits: Limits
    sampling: Sampling


class Nuisance(TypedDict):
    """An unknown but the source vector."""

    name: str
    unit: str
    prior_mean: float
    prior_sd: float
    mean: float
    sd: float
    either_sign: EitherSign | None


class EitherSign(TypedDict):
    """The modulus of a number whose two signs both fit."""

    mean: float
    sd: float


class Limits(TypedDict, total=False):
    """What limits an answer, in degrees."""

    angular_error_deg: float | None
    if_known: Mapping[str, float | None] | None
    with_reference_sweeps_deg: float | None


class Side(Direction):
    """One of two results that are compared."""

    size: Size
    trust: str
    title: str


class Stop(TypedDict):
    """Why a campaign ends."""

    why: str


class LiveBody(TypedDict):
    """The answer while a campaign is measured."""

    sweeps: int
    busy_s: float
    left_out: list[str]
    direction: Direction | None
    region: list[Region]
    modes: list[Mode]
    size: Size
    log_bayes_factor: float
    stop: Stop | None


class _Sweep(TypedDict):
    isolator: str
    state: str
    bias_a: Mapping[str, float]
    repeats: int


class QuietSweep(_Sweep):
    """A sweep without the pump that is to be taken next."""

    pump: Literal["off"]


class PumpedSweep(_Sweep):
    """A sweep with the pump that is to be taken next; by its port or its phase."""

    pump: Literal["on"]
    pump_port: int | None
    pump_phase_deg: float | None
    pump_power_dbm: float
    pump_frequency_hz: float


class Next(TypedDict):
    """What is to be measured next."""

    why: str
    by_hand: bool
    sweeps: list[QuietSweep | PumpedSweep]


class LiveNoise(TypedDict):
    """The noise that the repeats show, beside what the study states."""

    stated: float
    measured: Mapping[str, float]


class LiveDocument(LiveBody):
    """`live.json`."""

    verdict: Trust
    next: Next
    kept: list[str]
    waiting: list[str]
    said: list[str]
    history: list[Mapping[str, Any]]
    noise: NotRequired[LiveNoise | None]


# ---------------------------------------------------------------- check, simulate, and what `plan` says of the read-out


class StatedSource(TypedDict):
    """The source as the study states it."""

    size: float
    unit: str


class FluxRow(TypedDict):
    """Flux in one loop of sources along x, y and z."""

    phi0_for_stated_size: list[float]


class ChainStage(TypedDict):
    """A stage of the read-out chain."""

    name: str
    place: str
    power_w: float
    gain_db: float
    noise_k: float
    margin_db: float | None


class LeastMargin(TypedDict):
    """The stage that is nearest to saturation."""

    stage: str
    db: float


class LoopNoise(TypedDict):
    """What a loop sees."""

    loop: str
    flux_noise_phi0: float | None
    frequency_hz: float
    flux_noise_sweep_phi0: float | None
    field_noise_t: float | None
    centre_mu_b: float
    centre_a_m2: float
    energy_hbar: float | None
    flicker_corner_hz: float | None


class SelfKerr(TypedDict):
    """The self-Kerr bias of an isolator's probe."""

    equal_power_w: float | None
    margin_db: float


class IsolatorNoise(TypedDict):
    """What an isolator's loops see."""

    isolator: str
    loops: list[LoopNoise]
    self_kerr: SelfKerr | None


class PumpPoint(TypedDict):
    """Isolation and flux noise at a power of the pump."""

    power_w: float
    isolation_db: float
    flux_noise_phi0: float


class QubitReadout(TypedDict):
    """A qubit's read-out through the chain; its lines by `fluxsense.report.readout.LINE_WORDS`."""

    resonator_hz: float
    linewidth_hz: float
    pull_hz: float
    photons: float
    integration_s: float
    isolator: str
    setting: str
    insertion_loss_db: float
    isolation_db: float
    lines: Mapping[str, Mapping[str, float] | None]
    by_loss: list[Mapping[str, float]]
    by_isolation: list[Mapping[str, float]]


class ReadoutBody(TypedDict):
    """The chain, its noise, the sensitivity and the margins."""

    stages: list[ChainStage]
    frequency_hz: float
    power_at_chip_w: float
    system_k: float
    quanta: float
    excess_quanta: float
    limiting: str
    white: float
    seconds_per_sweep: float
    least_margin: LeastMargin | None
    isolators: list[IsolatorNoise]
    source_noise_per_root_hz: list[float | None]
    beside: list[Mapping[str, Any]]
    qubit: QubitReadout | None
    against_pump_power: NotRequired[Mapping[str, list[PumpPoint]]]


class Checked(TypedDict):
    """What `check` says of every study."""

    title: str
    invented: bool
    source: StatedSource
    flux_map: Mapping[str, FluxRow]
    singular_phi0: list[float]
    rank: int
    isolators: list[IsolatorEntry]
    warnings: list[str]


class CheckDocument(Checked):
    """Of `check`."""

    readout: ReadoutBody | None


class CheckedReadout(Checked):
    """Of `check`, of a study with a read-out chain."""

    readout: ReadoutBody


class SimulationDocument(TypedDict):
    """Of `simulate`."""

    with_traces: bool
    traces: int
    folder: str


# ---------------------------------------------------------------- detect


class SourceModels(TypedDict):
    """Two models of the source, compared."""

    sentence: str
    reasons: list[str]


class PriorSensitivity(TypedDict):
    """The Bayes factor with another prior of the size."""

    size_prior_times: float
    log_bayes_factor: float
    grade: str


class Statistic(TypedDict):
    """The score statistic of the data."""

    value: float
    probability: float
    probability_sd: float
    smallest: float


class DetectedDirection(TypedDict):
    """Probabilities of directions."""

    azimuth_deg: float
    elevation_deg: float
    within_cone_deg: Mapping[str, dict[str, float]]
    nearer_than_its_reverse: dict[str, float]
    wrong_sign: Mapping[str, dict[str, float]]
    size_quantiles: Mapping[str, float | None]


class ListedDirection(TypedDict):
    """One of the directions asked about."""

    name: str
    probability_in_list: float
    log_bayes_factor_to_best: float
    sd: float


class Promised(TypedDict):
    """Rates that are promised."""

    detection: float
    false_alarm: float


class SmallestSize(TypedDict):
    """The smallest source seen, by direction; None for a chip that is blind there."""

    random_direction: float | None
    best_direction: float
    worst_direction: float | None


class Simulated(TypedDict):
    """Rates counted over simulated campaigns."""

    campaigns: int
    false_alarm: float
    false_alarm_sd: float
    detection: float
    detection_sd: float
    roc: list[float]


class Thresholds(TypedDict):
    """What the statistic has to exceed, by what is known of the source."""

    known: float
    unknown_direction: float
    unknown_direction_and_position: float
    degrees: int
    degrees_of_all_positions: int


class SmallestAngle(TypedDict):
    """How far apart two directions have to be."""

    at_size: float
    worst: float
    wrong_choice: float


class Roc(TypedDict):
    """Detection against false alarms, by what is known of the source."""

    size: float
    false_alarm: list[float]
    known: list[float]
    unknown_direction: list[float]
    unknown_direction_and_position: list[float]


class RepeatsFall(TypedDict):
    """Smallest size against repeats."""

    repeats: list[float]
    smallest_size: list[float]
    without_flux_noise: list[float] | None
    slow_flux_noise: list[float]
    floor: float


class Growth(TypedDict):
    """Expected log Bayes factor against repeats."""

    size: float
    repeats: list[float]
    expected_log_bayes_factor: list[float]
    expected_without_source: list[float]


class Sequential(TypedDict):
    """What stopping early saves."""

    mean_repeats_with_source: float
    mean_repeats_without: float
    fixed_plan_repeats: float


class DetectionCurve(TypedDict):
    """Probability of detection against size."""

    size: list[float]
    probability: list[float]


class Experiment(TypedDict):
    """What the experiment sees and misses."""

    repeats: float
    smallest_size: SmallestSize
    simulated: Simulated | None
    thresholds: Thresholds
    smallest_angle_deg: SmallestAngle
    roc: Roc
    repeats_fall: RepeatsFall
    growth: Growth
    sequential: Sequential
    detection_against_size: DetectionCurve


class DetectionDocument(TypedDict):
    """Of `detect`; what the data say is left out of a planned experiment."""

    title: str
    unit: str
    planned: bool
    verdict: Trust
    provenance: Origin
    promised: Promised
    experiment: Experiment
    source_models: NotRequired[SourceModels]
    log_bayes_factor: NotRequired[float]
    log_bayes_factor_sd: NotRequired[float]
    log_bayes_factor_bridge: NotRequired[float]
    prior_sensitivity: NotRequired[list[PriorSensitivity]]
    statistic: NotRequired[Statistic]
    direction: NotRequired[DetectedDirection]
    directions: NotRequired[list[ListedDirection]]


# ---------------------------------------------------------------- plan, layout


class Errors(TypedDict):
    """Angular errors over directions, in degrees."""

    mean_deg: float
    median_deg: float
    worst_deg: float
    mean_if_known_deg: Mapping[str, float]
    prediction_valid: bool


class ProposedSetting(TypedDict):
    """A setting that is proposed."""

    name: str
    isolators: list[str]
    bias_a: Mapping[str, float]
    pump_port: int | None
    pump_frequency_hz: float | None
    pump_power_w: float
    isolation_db: list[float]
    flux_phi0: list[float]


class SplitRow(TypedDict):
    """Sweeps of one kind."""

    isolator: str
    setting: str | None
    pump_off_at_bias_of: str | None
    state: str
    cooldown: str
    sweeps: int


class Split(TypedDict):
    """How the sweeps are split."""

    total: int
    rms_error_equal_split_deg: float
    rms_error_best_deg: float
    rms_error_whole_numbers_deg: float
    equivalence_largest_over_limit: float
    candidates: list[SplitRow]


class TimeToError(TypedDict):
    """The time to an angular error."""

    wanted_deg: float
    reachable: bool
    sweeps: float
    seconds: float
    floor_deg: float
    floor_without_slow_flux_noise_deg: float
    floor_if_flux_noise_does_not_average_deg: float


class TimeToRate(TypedDict):
    """The time until a direction is no longer mistaken for another more often than wanted."""

    against: str
    wanted: float
    reachable: bool
    sweeps: float
    seconds: float
    floor: float
    floor_if_flux_noise_does_not_average: float


class Frequencies(TypedDict):
    """The window of a shorter sweep."""

    points: int
    points_before: int
    start_hz: float
    stop_hz: float
    rms_error_short_deg: float
    rms_error_full_deg: float


class Gain(TypedDict):
    """Information in nats."""

    lower: float
    upper: float
    upper_sd: float


class PlanDocument(TypedDict):
    """Of `plan`."""

    kind: str
    title: str
    verdict: Trust
    error_now: Errors
    error_proposed: Errors
    improvement: float
    leaves_out: list[str]
    settings: list[ProposedSetting]
    isolation_asked_db: float | None
    isolation_not_reached: list[str]
    probe: Mapping[str, str | float | None] | None
    schedule: Split
    time: TimeToError
    time_to_error_rate: TimeToRate | None
    frequencies: Frequencies | None
    information_gain_nats: Gain
    readout: ReadoutBody | None
    readout_notes: list[str]
    source_unit: str
    determined: str
    ambiguities: list[str]
    known_source: Said
    caution: str


class IsolatorCount(TypedDict):
    """A number of isolators, and what it gives."""

    isolators: int
    criterion: float


class LaidOutLoop(TypedDict):
    """A loop of the layout that is proposed."""

    name: str
    chip: str
    center_m: list[float]
    extent_m: list[float]
    corners: int
    fixed: bool


class LayoutDocument(TypedDict):
    """Of `layout`."""

    kind: str
    title: str
    verdict: Trust
    criterion: str
    position_known: bool
    isolators: int
    isolator_counts: list[IsolatorCount]
    comparison: Mapping[str, Mapping[str, Mapping[str, float]]]
    prediction_valid: Mapping[str, Mapping[str, bool]]
    rules_broken_now: list[str]
    loops: list[LaidOutLoop]
    source_height_change_m: float
    caution: str
