"""Which of the study's settings a sweep was taken at, and what a group of sweeps is called after it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from fluxsense.base.units import watt_to_dbm
from fluxsense.data.digest import GroupKey
from fluxsense.data.log import LogRow
from fluxsense.study import Setting, Study

SAME_BIAS: Final = 0.02
"""Biases that differ by less than this part of the largest one of their line in the study are the same setting."""
SAME_PHASE_RAD: Final = math.radians(5.0)


def largest_bias_a(study: Study, line: int) -> float:
    """Largest current of the study's settings on a bias line."""
    return max((abs(s.bias_a[line]) for s in study.settings), default=0.0)


def bias_slack_a(study: Study) -> list[float]:
    """By how much currents of the same setting may differ, line by line."""
    return [SAME_BIAS * max(largest_bias_a(study, n), 1e-12) for n in range(len(study.bias_lines))]


def may_be_of(one: LogRow | GroupKey, setting: Setting, slack_a: Sequence[float]) -> bool:
    """Whether a pump-on sweep or group may be of a setting: isolator, way of the pump and currents.

    Parameters
    ----------
    one : LogRow or GroupKey
    setting : Setting
    slack_a : sequence of float
        `bias_slack_a` of the study.
    """
    if one.isolator not in setting.isolators or one.pump_port != setting.pump_port:
        return False
    if (one.pump_phase_rad is None) != (setting.pump_phase_rad is None):
        return False
    if one.pump_phase_rad is not None and setting.pump_phase_rad is not None:
        away = math.remainder(one.pump_phase_rad - setting.pump_phase_rad, 2 * math.pi)
        if abs(away) > SAME_PHASE_RAD:
            return False
    return _same_bias(setting, one, slack_a)


def _same_bias(setting: Setting, one: LogRow | GroupKey, slack_a: Sequence[float]) -> bool:
    """Whether the currents are those of a setting, which the isolator is swept at."""
    return one.isolator in setting.isolators and all(
        abs(a - b) <= s for a, b, s in zip(one.bias_a, setting.bias_a, slack_a, strict=True)
    )


def _just(setting: Setting, key: GroupKey, slack_a: Sequence[float]) -> bool:
    """Whether a group is of a setting with its power and frequency too."""
    fixed = setting.pump_frequency_hz
    return (
        may_be_of(key, setting, slack_a)
        and abs(watt_to_dbm(setting.pump_power_w) - key.pump_power_dbm) < 1e-6
        and (fixed is None or math.isclose(fixed, key.pump_frequency_hz, rel_tol=1e-9))
    )


def setting_names(study: Study, keys: Sequence[GroupKey]) -> dict[GroupKey, str]:
    """A name for the setting of each pump-on group: the study's where one fits, else "setting 1", "setting 2", ..."""
    slack = bias_slack_a(study)
    names: dict[GroupKey, str] = {}
    others: dict[tuple[object, ...], str] = {}
    for key in keys:
        fits = [s.name for s in study.settings if _just(s, key, slack)]
        if fits:
            names[key] = fits[0]
            continue
        frequency = f"{key.pump_frequency_hz:.0f}"
        signature = (key.pump_port, key.pump_phase_rad, key.pump_power_dbm, frequency, key.bias_a)
        names[key] = others.setdefault(signature, f"setting {len(others) + 1}")
    return names


def group_name(study: Study, key: GroupKey) -> str:
    """What a group is called in a sentence: by the study's setting, or that at whose bias the pump is off, else by pump and currents."""
    slack = bias_slack_a(study)
    if key.pump_on:
        fits = [s.name for s in study.settings if _just(s, key, slack)]
    else:
        fits = [s.name for s in study.settings if _same_bias(s, key, slack)]
    if not fits:
        return key.describe()
    several = f', cooldown "{key.cooldown}"' if len(study.plan.cooldowns) > 1 else ""
    pump = "" if key.pump_on else "the pump-off sweeps at the bias of "
    return f'{pump}setting "{fits[0]}" of isolator "{key.isolator}" with the source {key.state}{several}'
