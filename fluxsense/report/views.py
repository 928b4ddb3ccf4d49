"""What a result says of each group of sweeps and of each loop: plain arrays and words, ready to be drawn or tabulated."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from fluxsense.base.errors import InputError
from fluxsense.base.sphere import Mode, Region, contains
from fluxsense.base.units import best_unit, dimension_of
from fluxsense.data.digest import GroupKey
from fluxsense.data.own_columns import OwnColumn
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

UNDECIDED_DB = 1.0
"""Directionalities smaller than this are called neither way."""


# --------------------------------------------------------------------------------------------------------------- truth
@dataclass(frozen=True)
class KnownSource:
    """The truth behind simulated traces: source vector (3,) in SI units, and position (3,) in m if stated."""

    source: FloatArray
    position_m: FloatArray | None = None

    @property
    def direction(self) -> FloatArray | None:
        """Unit vector, or None for no source."""
        size = float(np.sqrt(self.source @ self.source))
        return self.source / size if size > 0 else None


def known_source(truth: object) -> KnownSource | None:
    """Read a truth in any of the forms that callers have.

    Parameters
    ----------
    truth : None, KnownSource, array_like (3,), pair (source, position or None), mapping or object
        A mapping or an object gives ``source`` and optionally ``position_m``; an object with ``parameters`` (a simulated
        campaign's truth) is read from its first parameter set.

    Returns
    -------
    KnownSource or None

    Raises
    ------
    InputError
        If there is no finite vector of three components in it.
    """
    if truth is None or isinstance(truth, KnownSource):
        return truth
    source: object = truth
    position: object = None
    if isinstance(truth, Mapping):
        source, position = truth.get("source"), truth.get("position_m", truth.get("position"))
    elif hasattr(truth, "parameters"):
        source, position = truth.parameters["source"][0], truth.parameters["position_m"][0]
    elif hasattr(truth, "source"):
        source, position = truth.source, getattr(truth, "position_m", None)
    elif isinstance(truth, tuple) and len(truth) == 2:
        source, position = truth
    return KnownSource(_vector(source, "source"), None if position is None else _vector(position, "position_m"))


def _vector(value: object, name: str) -> FloatArray:
    try:
        vector = np.array(value, dtype=np.float64).reshape(-1)
    except (TypeError, ValueError):
        vector = np.zeros(0)
    if vector.shape != (3,) or not np.all(np.isfinite(vector)):
        raise InputError(
            "the truth is not a finite vector of three components",
            where=f"truth.{name}",
            remedy="Give x, y and z in SI units",
        )
    return vector


# ------------------------------------------------------------------------------------------------------------ settings
def pump_words(key: GroupKey) -> str:
    """Where and how strongly the pump enters, as words."""
    entry = f"port {key.pump_port}" if key.pump_port is not None else f"phase {np.degrees(key.pump_phase_rad or 0):g}°"
    return f"{entry}, {key.pump_power_dbm:g} dBm".replace("-", "−")


# -------------------------------------------------------------------------------------------------------------- groups
@dataclass(frozen=True)
class GroupView:
    """Measured and predicted ratios to the pump-off trace of one group of sweeps.

    Attributes
    ----------
    key : GroupKey
    isolator, setting, state, cooldown : str
        `cooldown` is empty if the campaign has one only.
    pump : str
    sweeps : int
    frequency_hz : ndarray (F,)
    ratio, best : ndarray (2, F) of complex
        Measured, and predicted at the highest mode; S21 then S12.
    sd : ndarray (2, F)
        Standard deviation per quadrature of the white noise of pump-on and pump-off mean together.
    low_db, high_db : ndarray (2, F)
        Central 90% of the predicted modulus over the posterior.
    residual : ndarray (2, F) of complex
        Measured less predicted, less the most probable gain and flux-noise errors, in units of `sd`; the real part is
        along the measured phasor, the imaginary part across it.
    at : int
        Frequency index of the largest predicted directionality.
    directionality_db, directionality_sd_db : float
        Measured there.
    predicted_low_db, predicted_db, predicted_high_db : float
        5%, 50% and 95% of the prediction there.
    """

    key: GroupKey
    isolator: str
    setting: str
    state: str
    cooldown: str
    pump: str
    sweeps: int
    frequency_hz: FloatArray
    ratio: ComplexArray
    best: ComplexArray
    sd: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    residual: ComplexArray
    at: int
    directionality_db: float
    directionality_sd_db: float
    predicted_low_db: float
    predicted_db: float
    predicted_high_db: float

    @property
    def name(self) -> str:
        """Isolator, setting, state and, where there are several, cooldown."""
        return ", ".join(x for x in (self.isolator, self.setting, self.state, self.cooldown) if x)

    @property
    def misfit(self) -> float:
        """Root mean square of the residual's real and imaginary parts, about 1 where the model fits."""
        return float(np.sqrt(np.mean(np.abs(self.residual) ** 2) / 2))


def decibels(ratio: npt.ArrayLike) -> FloatArray:
    """20 log10 of the modulus, with -300 dB for zero."""
    return np.asarray(20 * np.log10(np.maximum(np.abs(ratio), 1e-15)))


def passes(directionality_db: float) -> str:
    """The direction of transmission that a directionality names."""
    if abs(directionality_db) < UNDECIDED_DB:
        return "neither way"
    return "1 → 2" if directionality_db > 0 else "2 → 1"


def chosen_groups(views: Sequence[GroupView], most: int) -> list[GroupView]:
    """At most `most` groups for a figure: all if they fit, else half of them the worst misfits, the rest spread evenly."""
    if len(views) <= most:
        return list(views)
    worst = sorted(range(len(views)), key=lambda n: -views[n].misfit)[: most // 2]
    rest = [n for n in range(len(views)) if n not in set(worst)]
    even = [rest[int(k)] for k in np.linspace(0, len(rest) - 1, most - len(worst))]
    return [views[n] for n in sorted({*worst, *even})]


# --------------------------------------------------------------------------------------------------------------- loops
@dataclass(frozen=True)
class LoopView:
    """Flux in one isolator's two loops at one bias, state and cooldown.

    Attributes
    ----------
    isolator, setting, state, cooldown : str
        `setting` names every setting with this bias.
    loops : (str, str)
    mean_phi0, sd_phi0 : ndarray (2,)
    positive : ndarray (2,)
        Probability that the coupling is positive (sign of the circulating current).
    same : float
        Probability that both couplings have the same sign: the data see the product.
    """

    isolator: str
    setting: str
    state: str
    cooldown: str
    loops: tuple[str, str]
    mean_phi0: FloatArray
    sd_phi0: FloatArray
    positive: FloatArray
    same: float


# ------------------------------------------------------------------------------------------------------------ unknowns
READING_UNITS = {"m": (1e6, "µm"), "Phi0": (1e3, "mΦ0"), "rad": (180 / np.pi, "°"), "Hz": (1e-6, "MHz"), "": (1.0, "")}


def reading_scale(unit: str, size: float) -> tuple[float, str]:
    """Factor and unit text under which values of about `size` (SI) read well.

    Units of the source are those in which every command prints such a size.
    """
    if unit in READING_UNITS:
        return READING_UNITS[unit]
    factor, text = best_unit(size, dimension_of(unit))
    return 1 / factor, typeset(text)


def typeset(text: str) -> str:
    """A printed quantity as it stands on a page."""
    return re.sub(r"\bu(?=[A-Z])", "µ", text).replace("^2", "²").replace("+-", "±").replace("-", "−")


@dataclass(frozen=True)
class Column:
    """Draws of one unknown in a unit that reads well, `factor` times SI; `truth` where it is known."""

    name: str
    unit: str
    values: FloatArray
    factor: float = 1.0
    truth: float | None = None

    @property
    def label(self) -> str:
        """Name with unit."""
        return f"{self.name} ({self.unit})" if self.unit else self.name


# ------------------------------------------------------------------------------------------------------- all that is shown
@dataclass(frozen=True)
class CountView:
    """How often the sweeps of one group went one way, and with what probability (5%, 95%) the posterior says."""

    key: GroupKey
    forward: int
    count: int
    low: float
    high: float


@dataclass(frozen=True)
class Shown:
    """What the figures of an answer, and beside its document the page, are made of: values, nothing to be computed.

    Attributes
    ----------
    study : Study
    samples : ndarray (N, 3)
        Draws of the direction.
    centre : ndarray (3,)
        Mean direction of the heaviest mode.
    regions : tuple of Region
    modes : tuple of Mode
        Heaviest first.
    columns : tuple of Column
        The source vector and the nuisances that go most with it.
    groups : tuple of GroupView
        Empty for data without traces.
    loops : tuple of LoopView
    counts : tuple of CountView
        Empty for traces.
    own : tuple of OwnColumn
        Columns of the laboratory's own in the log, with what the sweeps do as they change.
    """

    study: Study
    samples: FloatArray
    centre: FloatArray
    regions: tuple[Region, ...]
    modes: tuple[Mode, ...]
    columns: tuple[Column, ...]
    groups: tuple[GroupView, ...] = ()
    loops: tuple[LoopView, ...] = ()
    counts: tuple[CountView, ...] = ()
    own: tuple[OwnColumn, ...] = ()

    def region_contains(self, vector: npt.ArrayLike) -> dict[float, bool]:
        """Whether a direction lies in each credible region, by level."""
        return {r.level: bool(contains(r, np.asarray(vector))) for r in self.regions}


def marked(columns: Sequence[Column], truth: KnownSource | None) -> list[Column]:
    """Columns with the truth marked where it is known."""
    known: dict[str, float] = {}
    if truth is not None:
        known = {f"source {axis}": float(x) for axis, x in zip("xyz", truth.source, strict=True)}
        if truth.position_m is not None:
            known |= {f"position {axis}": float(x) for axis, x in zip("xyz", truth.position_m, strict=True)}
    return [replace(c, truth=known[c.name] * c.factor if c.name in known else None) for c in columns]


@dataclass(frozen=True)
class Picture:
    """A figure in the page: data URI (safe in an attribute), width in CSS pixels, words for those who cannot see it, caption."""

    uri: Markup
    width: int
    alt: str
    caption: str
