"""What a result says of each group of sweeps and of each loop: plain arrays and words, ready to be drawn or tabulated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.units import watt_to_dbm
from fluxsense.data.digest import GroupKey
from fluxsense.device.stages import Stages
from fluxsense.infer.orient import Answer, Orientation
from fluxsense.model.likelihood import Family
from fluxsense.study import Setting, Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

DB = 20 / np.log(10)
"""Decibels of an amplitude per neper."""

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


def known_source(truth: Any) -> KnownSource | None:
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
    source: Any = truth
    position: Any = None
    if isinstance(truth, Mapping):
        source, position = truth.get("source"), truth.get("position_m", truth.get("position"))
    elif hasattr(truth, "parameters"):
        source, position = truth.parameters["source"][0], truth.parameters["position_m"][0]
    elif hasattr(truth, "source"):
        source, position = truth.source, getattr(truth, "position_m", None)
    elif isinstance(truth, tuple) and len(truth) == 2:
        source, position = truth
    return KnownSource(_vector(source, "source"), None if position is None else _vector(position, "position_m"))


def _vector(value: Any, name: str) -> FloatArray:
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
@dataclass(frozen=True)
class SettingWords:
    """How a setting is called in the report, and what it is."""

    name: str
    pump: str
    pump_frequency_hz: float
    bias_a: tuple[float, ...]


def pump_words(key: GroupKey) -> str:
    """Where and how strongly the pump enters, as words."""
    entry = f"port {key.pump_port}" if key.pump_port is not None else f"phase {np.degrees(key.pump_phase_rad or 0):g}°"
    return f"{entry}, {key.pump_power_dbm:g} dBm".replace("-", "−")


def _same_setting(setting: Setting, key: GroupKey) -> bool:
    if key.isolator not in setting.isolators or setting.pump_port != key.pump_port:
        return False
    if key.pump_port is None and not np.isclose(setting.pump_phase_rad or 0.0, key.pump_phase_rad or 0.0, atol=1e-6):
        return False
    fixed = setting.pump_frequency_hz
    return (
        len(setting.bias_a) == len(key.bias_a)
        and bool(np.allclose(setting.bias_a, key.bias_a, rtol=1e-6, atol=1e-12))
        and abs(watt_to_dbm(setting.pump_power_w) - key.pump_power_dbm) < 1e-6
        and (fixed is None or bool(np.isclose(fixed, key.pump_frequency_hz, rtol=1e-9)))
    )


def setting_names(study: Study, keys: Sequence[GroupKey]) -> dict[GroupKey, str]:
    """A name for the setting of each group: the study's where one fits, else "setting 1", "setting 2", ..."""
    names: dict[GroupKey, str] = {}
    others: dict[tuple[Any, ...], str] = {}
    for key in keys:
        fits = [s.name for s in study.settings if _same_setting(s, key)]
        if fits:
            names[key] = fits[0]
            continue
        frequency = f"{key.pump_frequency_hz:.0f}"
        signature = (key.pump_port, key.pump_phase_rad, key.pump_power_dbm, frequency, key.bias_a)
        names[key] = others.setdefault(signature, f"setting {len(others) + 1}")
    return names


# -------------------------------------------------------------------------------------------------------------- groups
@dataclass(frozen=True)
class GroupView:
    """Measured and predicted ratios to the pump-off trace of one group of sweeps.

    Attributes
    ----------
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


def group_views(orientation: Orientation, draws: int = 120) -> list[GroupView]:
    """Every pump-on group with what was measured and what the posterior predicts.

    Parameters
    ----------
    orientation : Orientation
    draws : int
        Posterior draws behind the predicted bands.

    Returns
    -------
    list of GroupView
        Ordered by isolator, setting, cooldown and state.
    """
    likelihood, study = orientation.likelihood, orientation.study
    best = likelihood.predict(orientation.best_parameters)
    spread = likelihood.predict(orientation.draws(draws))
    keys = [k for f in likelihood.families for k in f.on_keys]
    names = setting_names(study, keys)
    many = len(likelihood.cooldowns) > 1
    out = []
    left = likelihood.cleaned([f.ratio - one for f, one in zip(likelihood.families, best, strict=True)])
    for family, cleaned, one, several in zip(likelihood.families, left, best, spread, strict=True):
        residual, sd = _scaled(family, cleaned[0])
        for n, key in enumerate(family.on_keys):
            low, high = np.quantile(decibels(several[:, n]), [0.05, 0.95], axis=0)
            predicted = decibels(several[:, n, 0]) - decibels(several[:, n, 1])
            at = int(np.argmax(np.abs(np.median(predicted, axis=0))))
            q = np.quantile(predicted[:, at], [0.05, 0.5, 0.95])
            y = family.ratio[n, :, at]
            out.append(
                GroupView(
                    isolator=key.isolator,
                    setting=names[key],
                    state=key.state,
                    cooldown=key.cooldown if many else "",
                    pump=pump_words(key),
                    sweeps=orientation.digest[key].count,
                    frequency_hz=family.frequency_hz,
                    ratio=family.ratio[n],
                    best=one[0, n],
                    sd=sd[n],
                    low_db=low,
                    high_db=high,
                    residual=residual[n],
                    at=at,
                    directionality_db=float(decibels(y[0]) - decibels(y[1])),
                    directionality_sd_db=float(
                        DB * np.sqrt(np.sum((sd[n, :, at] / np.maximum(np.abs(y), 1e-15)) ** 2))
                    ),
                    predicted_low_db=float(q[0]),
                    predicted_db=float(q[1]),
                    predicted_high_db=float(q[2]),
                )
            )
    order = [i.name for i in study.isolators]
    settings = [s.name for s in study.settings]
    states = [s.name for s in study.states]

    def rank(view: GroupView) -> tuple[Any, ...]:
        place = settings.index(view.setting) if view.setting in settings else len(settings)
        return order.index(view.isolator), place, view.setting, view.cooldown, states.index(view.state)

    return sorted(out, key=rank)


def _scaled(family: Family, residual: ComplexArray) -> tuple[ComplexArray, FloatArray]:
    """Scaled residuals (K, 2, F) and their scale, as `GroupView` describes them."""
    power = np.abs(family.ratio) ** 2
    off = 1 / np.maximum(1 / family.shared - np.sum(power * family.precision, axis=0), 1e-300)
    sd = np.sqrt(1 / family.precision + power * off)
    phasor = family.ratio / np.maximum(np.abs(family.ratio), 1e-300)
    return np.asarray(residual * np.conj(phasor) / sd), np.asarray(sd)


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


def loop_views(orientation: Orientation, draws: int = 400) -> list[LoopView]:
    """Flux and sign of the coupling in each loop, one entry per isolator, bias, state and cooldown."""
    likelihood, study = orientation.likelihood, orientation.study
    families = likelihood.families
    fluxes = likelihood.loop_fluxes(orientation.draws(draws))
    names = setting_names(study, [k for f in families for k in f.on_keys])
    many = len(likelihood.cooldowns) > 1
    found: dict[tuple[Any, ...], tuple[list[str], FloatArray]] = {}
    order = [i.name for i in study.isolators]
    states = [s.name for s in study.states]
    for family, flux in zip(families, fluxes, strict=True):
        for n, key in enumerate(family.on_keys):
            signature = (
                order.index(key.isolator),
                tuple(-x for x in key.bias_a),
                key.cooldown,
                states.index(key.state),
            )
            words, _ = found.setdefault(signature, ([], flux[:, n]))
            if names[key] not in words:
                words.append(names[key])
    out = []
    for signature in sorted(found):
        words, flux = found[signature]
        isolator = study.isolators[signature[0]]
        rings = Stages(isolator, signature[0], study.path.name)
        sine = rings.circulating_current(rings.quarter_phases(flux))
        out.append(
            LoopView(
                isolator=isolator.name,
                setting=", ".join(words),
                state=states[signature[3]],
                cooldown=signature[2] if many else "",
                loops=(isolator.stages[0].loop, isolator.stages[1].loop),
                mean_phi0=flux.mean(axis=0),
                sd_phi0=flux.std(axis=0),
                positive=np.mean(sine > 0, axis=0),
                same=float(np.mean(np.prod(np.sign(sine), axis=1) > 0)),
            )
        )
    return out


# ------------------------------------------------------------------------------------------------------------ unknowns
READING_UNITS = {"m": (1e6, "µm"), "Phi0": (1e3, "mΦ0"), "rad": (180 / np.pi, "°"), "Hz": (1e-6, "MHz"), "": (1.0, "")}


def reading_scale(unit: str, size: float) -> tuple[float, str]:
    """Factor and unit text under which values of about `size` (SI) read well.

    Units of the source get the prefix that brings the value between 1 and 1000.
    """
    if unit in READING_UNITS:
        return READING_UNITS[unit]
    if not np.isfinite(size) or size <= 0:
        return 1.0, unit.replace("^2", "²")
    step = int(np.clip(np.floor(np.log10(size) / 3), -6, 0))
    prefix = {-6: "a", -5: "f", -4: "p", -3: "n", -2: "µ", -1: "m", 0: ""}[step]
    return 10.0 ** (-3 * step), f"{prefix}{unit.replace('^2', '²')}"


@dataclass(frozen=True)
class Column:
    """Draws of one unknown in a unit that reads well; `truth` where it is known."""

    name: str
    unit: str
    values: FloatArray
    truth: float | None = None

    @property
    def label(self) -> str:
        """Name with unit."""
        return f"{self.name} ({self.unit})" if self.unit else self.name


def corner_columns(
    orientation: Answer, truth: KnownSource | None = None, nuisances: int = 4, draws: int = 3000
) -> list[Column]:
    """The source vector and the nuisances that go most with it.

    A nuisance's relevance is the largest modulus of its correlation with a component of the source, over draws on the
    heaviest mode's side, so that two opposite modes do not cancel.
    """
    names, units, values = orientation.table(draws)
    mean = orientation.posterior.direction
    near = values[values[:, :3] @ mean > 0]
    near = near if len(near) > 20 else values
    spread = near.std(axis=0)
    relevance = np.zeros(len(names))
    if np.all(np.isfinite(spread)):
        scaled = (near - near.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
        relevance = np.max(np.abs(scaled[:, :3].T @ scaled / len(near)), axis=0)
    relevance[spread <= 0] = 0.0
    others = sorted(range(3, len(names)), key=lambda n: (-relevance[n], n))[:nuisances]
    size = float(np.sqrt(np.mean(np.sum(values[:, :3] ** 2, axis=1))))
    out = []
    for n in [0, 1, 2, *others]:
        factor, unit = reading_scale(units[n], size)
        known = None
        if truth is not None and n < 3:
            known = float(truth.source[n])
        elif truth is not None and truth.position_m is not None and names[n].startswith("position "):
            known = float(truth.position_m["xyz".index(names[n][-1])])
        column = values[:, n]
        if np.ptp(column) > 0:
            out.append(Column(names[n], unit, column * factor, None if known is None else known * factor))
    return out
