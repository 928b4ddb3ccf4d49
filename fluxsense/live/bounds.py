"""What may be set: every proposal stays within the limits of lines, pump and study, and keeps what its user forbids or pins."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.units import dbm_to_watt, watt_to_dbm
from fluxsense.device.chip import loop_indices, matched_pump_frequency_hz, mutual_matrix_phi0_per_a
from fluxsense.study import Setting, Study

FloatArray = npt.NDArray[np.float64]

BIAS_STEP_A: Final = 1e-8
POWER_STEP_DB: Final = 0.01
FREQUENCY_STEP_HZ: Final = 1e3
"""Steps to which proposals are rounded, towards the inside: repeats are found by equality."""


@dataclass(frozen=True)
class Knobs:
    """Where the knobs stand for a pump-on sweep of one isolator.

    Attributes
    ----------
    isolator : int
    bias_a : tuple of float
        All lines.
    pump_port : int or None
    pump_phase_rad : float or None
    pump_power_dbm, pump_frequency_hz : float
    """

    isolator: int
    bias_a: tuple[float, ...]
    pump_port: int | None
    pump_phase_rad: float | None
    pump_power_dbm: float
    pump_frequency_hz: float


@dataclass(frozen=True)
class Bounds:
    """The limits of a study, and its user's.

    Attributes
    ----------
    study : Study
    pinned : tuple of str
        Names of the study's settings; if there are any, nothing else is proposed.
    forbidden : tuple of str
        Names of the study's settings that are not proposed.
    """

    study: Study
    pinned: tuple[str, ...] = ()
    forbidden: tuple[str, ...] = ()

    @classmethod
    def checked(cls, study: Study, pinned: Sequence[str], forbidden: Sequence[str]) -> Bounds:
        """Bounds whose names are looked at.

        Raises
        ------
        InputError
            If the study has no setting of a name, or none is left.
        """
        known = [s.name for s in study.settings]
        for name in (*pinned, *forbidden):
            if name not in known:
                raise InputError(
                    f'there is no setting "{name}" to pin or forbid', where=study.path.name,
                    remedy=f"Known are: {', '.join(known)}",
                )  # fmt: skip
        if not set(pinned or known) - set(forbidden):
            raise InputError("no setting is left to propose", remedy="Pin or forbid fewer")
        return cls(study, tuple(pinned), tuple(forbidden))

    @cached_property
    def most_power_dbm(self) -> float:
        """Highest pump power: the study's limit, else the highest in use."""
        limit = self.study.limits.pump_power_w
        used = [s.pump_power_w for s in self.study.settings] or [i.reference_power_w for i in self.study.isolators]
        return float(watt_to_dbm(max(used) if limit is None else limit))

    @cached_property
    def _limits_a(self) -> FloatArray:
        return np.array([b.limit_a for b in self.study.bias_lines])

    def frequencies(self, isolator: int, bias_a: Sequence[float], power_dbm: float) -> tuple[float, float]:
        """Range of pump frequencies: the study's, else a mean linewidth of the idlers on either side of the matched one."""
        stated = self.study.limits.pump_frequency_hz
        if stated is not None:
            return stated
        stages = self.study.isolators[isolator].stages
        width = float(np.mean([s.idler_linewidth_hz for s in stages]))
        matched = self.matched(isolator, tuple(bias_a), power_dbm)
        return matched - width, matched + width

    @cached_property
    def _matched(self) -> dict[tuple[int, tuple[float, ...], float], float]:
        return {}

    def matched(self, isolator: int, bias_a: tuple[float, ...], power_dbm: float) -> float:
        """The pump frequency that the study's central values match at a bias; remembered."""
        where = (isolator, bias_a, power_dbm)
        if where not in self._matched:
            power = float(dbm_to_watt(power_dbm))
            self._matched[where] = matched_pump_frequency_hz(self.study, isolator, bias_a, power)
        return self._matched[where]

    def inside(self, knobs: Knobs) -> bool:
        """Whether knobs are within all limits, but for the isolation (`fluxsense.live.proposal`)."""
        low, high = self.frequencies(knobs.isolator, knobs.bias_a, knobs.pump_power_dbm)
        return bool(
            np.all(np.abs(knobs.bias_a) <= self._limits_a)
            and knobs.pump_power_dbm <= self.most_power_dbm
            and low <= knobs.pump_frequency_hz <= high
        )

    def put_inside(self, knobs: Knobs) -> Knobs | None:
        """The knobs rounded, and moved to the nearest that is allowed; None if there is none."""
        bias = np.clip(np.array(knobs.bias_a), -self._limits_a, self._limits_a)
        bias = np.trunc(bias / BIAS_STEP_A + 1e-6 * np.sign(bias)) * BIAS_STEP_A
        bias = np.clip(np.round(bias, 12), -self._limits_a, self._limits_a)
        power = min(knobs.pump_power_dbm, self.most_power_dbm)
        steps = math.floor(power / POWER_STEP_DB + 1e-6)
        power = min(round(steps * POWER_STEP_DB, 6), self.most_power_dbm)
        settled = tuple(float(x) + 0.0 for x in bias)
        low, high = self.frequencies(knobs.isolator, settled, power)
        lowest = math.ceil(low / FREQUENCY_STEP_HZ) * FREQUENCY_STEP_HZ
        highest = math.floor(high / FREQUENCY_STEP_HZ) * FREQUENCY_STEP_HZ
        if lowest > highest:
            lowest = highest = 0.5 * (low + high)
        wanted = round(knobs.pump_frequency_hz / FREQUENCY_STEP_HZ) * FREQUENCY_STEP_HZ
        found = Knobs(
            knobs.isolator, settled, knobs.pump_port, knobs.pump_phase_rad, power, min(max(wanted, lowest), highest)
        )
        return found if self.inside(found) else None

    def of_setting(self, setting: Setting, isolator: int) -> Knobs:
        """A setting of the study, as it stands there."""
        frequency = setting.pump_frequency_hz
        if frequency is None:
            frequency = self.matched(isolator, setting.bias_a, float(watt_to_dbm(setting.pump_power_w)))
        power = float(watt_to_dbm(setting.pump_power_w))
        return Knobs(
            isolator, setting.bias_a, setting.pump_port, setting.pump_phase_rad, round(power, 9), float(frequency)
        )

    def stated(self, isolator: int) -> dict[str, Knobs]:
        """The study's settings for an isolator that may be proposed, by name."""
        name = self.study.isolators[isolator].name
        return {
            s.name: self.of_setting(s, isolator)
            for s in self.study.settings
            if name in s.isolators and s.name not in self.forbidden and (not self.pinned or s.name in self.pinned)
        }

    def allowed(self, knobs: Knobs) -> bool:
        """Whether knobs may be proposed: inside the limits, not forbidden, and pinned where anything is.

        A pinned setting is taken as its user stated it, even where that is outside.
        """
        if self.pinned:
            return knobs in self.stated(knobs.isolator).values()
        name = self.study.isolators[knobs.isolator].name
        out = [
            self.of_setting(s, knobs.isolator)
            for s in self.study.settings
            if s.name in self.forbidden and name in s.isolators
        ]
        return knobs not in out and self.inside(knobs)


@dataclass(frozen=True)
class Neighbourhood:
    """Knobs worth looking at for one isolator.

    Attributes
    ----------
    bounds : Bounds
    isolator : int
    offset_phi0 : ndarray (2,)
        How far the flux in its two loops lies from what the study's central values make of a bias, by the posterior's mean.
    """

    bounds: Bounds
    isolator: int
    offset_phi0: FloatArray

    @cached_property
    def _lines(self) -> list[int]:
        """The line that acts most on each of the two loops."""
        matrix = np.abs(mutual_matrix_phi0_per_a(self.bounds.study))
        loops = loop_indices(self.bounds.study)[self.isolator]
        if not matrix.shape[1]:
            return []
        return [int(np.argmax(matrix[loop])) for loop in loops if matrix[loop].max() > 0]

    @cached_property
    def _inverse(self) -> FloatArray:
        """Currents (lines, 2) per flux in the two loops."""
        loops = loop_indices(self.bounds.study)[self.isolator]
        return np.asarray(np.linalg.pinv(mutual_matrix_phi0_per_a(self.bounds.study)[np.ix_(loops, self._lines)]))

    def shifted(self, bias_a: Sequence[float], flux_phi0: npt.ArrayLike) -> tuple[float, ...]:
        """A bias with the flux in the two loops moved."""
        bias = np.array(bias_a, dtype=np.float64)
        if self._lines:
            np.add.at(bias, self._lines, self._inverse @ np.asarray(flux_phi0))
        return tuple(float(x) for x in bias)

    def matched(self, bias_a: Sequence[float], power_dbm: float) -> float:
        """Pump frequency that matches at the flux that is really there."""
        there = self.shifted(bias_a, self.offset_phi0)
        return self.bounds.matched(self.isolator, there, power_dbm)

    def corrected(self, knobs: Knobs) -> Knobs:
        """A setting as the study means it: the offsets that were found taken off, the pump matched to what is there."""
        bias = self.shifted(knobs.bias_a, -self.offset_phi0)
        matched = self.bounds.matched(self.isolator, knobs.bias_a, knobs.pump_power_dbm)
        return Knobs(self.isolator, bias, knobs.pump_port, knobs.pump_phase_rad, knobs.pump_power_dbm, matched)

    def around(self, knobs: Knobs, step_phi0: float, step_db: float, step_hz: float) -> list[Knobs]:
        """One knob moved at a time: the flux of either loop, the pump's power, frequency and port; and the pump matched."""
        k = knobs
        out = []
        for flux in ((1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)):
            bias = self.shifted(k.bias_a, step_phi0 * np.array(flux))
            frequency = (
                k.pump_frequency_hz + self.matched(bias, k.pump_power_dbm) - self.matched(k.bias_a, k.pump_power_dbm)
            )
            out.append(Knobs(k.isolator, bias, k.pump_port, k.pump_phase_rad, k.pump_power_dbm, frequency))
        for d_power, d_frequency in ((step_db, 0.0), (-step_db, 0.0), (0.0, step_hz), (0.0, -step_hz)):
            out.append(
                Knobs(
                    k.isolator, k.bias_a, k.pump_port, k.pump_phase_rad, k.pump_power_dbm + d_power,
                    k.pump_frequency_hz + d_frequency,
                )
            )  # fmt: skip
        matched = self.matched(k.bias_a, k.pump_power_dbm)
        out.append(Knobs(k.isolator, k.bias_a, k.pump_port, k.pump_phase_rad, k.pump_power_dbm, matched))
        if k.pump_port is not None:
            out.append(Knobs(k.isolator, k.bias_a, 3 - k.pump_port, None, k.pump_power_dbm, k.pump_frequency_hz))
        return out

    def at_fluxes(self, like: Knobs, fluxes_phi0: Sequence[tuple[float, float]]) -> list[Knobs]:
        """Settings that put the two loops at stated fluxes, source out."""
        study = self.bounds.study
        loops = loop_indices(study)[self.isolator]
        offsets = np.array([x.offset_phi0 for x in study.loops])
        now = (mutual_matrix_phi0_per_a(study) @ np.array(like.bias_a) + offsets)[loops] + self.offset_phi0
        out = []
        for wanted in fluxes_phi0:
            bias = self.shifted(like.bias_a, np.array(wanted) - now)
            frequency = self.matched(bias, like.pump_power_dbm)
            out.append(Knobs(self.isolator, bias, like.pump_port, like.pump_phase_rad, like.pump_power_dbm, frequency))
        return out
