"""Invented chips for tests of characterization: one isolator, two loops, a bias line each; written out so that tests vary it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fluxsense.characterize.records import Record, SweepSet, gather
from fluxsense.characterize.rough import RoughStudy, read_rough
from fluxsense.characterize.virtual import SweepPlan, virtual_sweeps
from fluxsense.data.log import LogRow
from fluxsense.data.touchstone import Sweep
from fluxsense.study import Study, read_study

PLAN = SweepPlan(flux_points=25, working_phi0=((0.5, 0.5), (1.1, 1.1)), powers=5, frequencies=5, phases=4)

STAGE = """
[isolator.stage_{number}]
loop = "{loop}"
ring = "{ring}"
{shunt}
signal_frequency = "{fa} GHz"
signal_linewidth = "{ka} MHz"
signal_internal_loss = "0.5 MHz"
signal_participation = {share}
idler_frequency = "{fb} GHz"
idler_linewidth = "60 MHz"
idler_internal_loss = "0.7 MHz"
idler_participation = 0.1
coupling = "{g} MHz"
"""


def study_text(ring: str = "shunted", *, stages: bool = True, share: float = 0.1, noise: float = 0.01) -> str:
    """A study of one isolator, with or without the stages' parameters; stray inductance of arms is known before."""
    arms = "arm_inductance_ratio = 0.1" if ring == "stray arms" else ""
    shunt = 'branch = "ground"' if ring == "bare" else f"shunt_ratio = 3.0\n{arms}"
    text = f"""
format = 1
title = "One isolator (invented)"
invented = true
[uncertainty]
unstated = "exact"
[source]
kind = "uniform_field"
size = "1 uT"
[[loop]]
name = "one"
shape = "square"
center = ["0 um", "0 um"]
side = "12 um"
offset = "{"40 mPhi0" if stages else "0 Phi0"}"
[[loop]]
name = "two"
shape = "square"
center = ["40 um", "0 um"]
side = "12 um"
offset = "{"-70 mPhi0" if stages else "0 Phi0"}"
[[bias_line]]
name = "one"
limit = "5 mA"
mutual = {{ one = "600 Phi0/A"{', two = "20 Phi0/A"' if stages else ""} }}
[[bias_line]]
name = "two"
limit = "5 mA"
mutual = {{ two = "600 Phi0/A"{', one = "15 Phi0/A"' if stages else ""} }}
[[isolator]]
name = "iso"
reference_flux = "0.5 Phi0"
reference_power = "-60 dBm"
"""
    for number, loop, fa, ka, fb, g in ((1, "one", 7.000, 44, 9.60, 10.5), (2, "two", 7.004, 47, 9.606, 10.3)):
        if stages:
            text += STAGE.format(
                number=number, loop=loop, ring=ring, shunt=shunt, fa=fa, ka=ka, fb=fb, g=g, share=share
            )
        else:
            known = f'ring = "{ring}"\n{arms}\n' if arms else ""
            text += f'\n[isolator.stage_{number}]\nloop = "{loop}"\n{known}'
    return (
        text
        + f"""
[[state]]
name = "out"
kind = "out"
[[state]]
name = "coil"
kind = "calibration"
field = ["0 T", "0 T", "2 uT"]
[sweep]
start = "6.54 GHz"
stop = "7.12 GHz"
points = 81
[noise]
white = {noise}
gain_drift = 0.003
phase_drift = "0.3 deg"
flux = "0.1 mPhi0"
"""
    )


def studies(folder: Path, **options: object) -> tuple[Study, RoughStudy]:
    """The truth, and what is known of it before."""
    truth, rough = folder / "truth_study.toml", folder / "study.toml"
    truth.write_text(study_text(**options), encoding="utf-8")  # type: ignore[arg-type]
    ring = "stray arms" if options.get("ring") == "stray arms" else "shunted"
    rough.write_text(study_text(ring, stages=False), encoding="utf-8")
    return read_study(truth), read_rough(rough)


@dataclass(frozen=True)
class RandomChip:
    """A chip drawn at random: the truth as a study, sign of pump port 1, pump phase error, mutual inductances, offsets."""

    study: Study
    port_sign: int
    phase_error_rad: float
    mutual_phi0_per_a: list[list[float]]
    offset_phi0: np.ndarray


def random_chip(truth: Study, seed: int) -> RandomChip:
    """Draw a chip like those of a study, with its own frequencies, losses, cross-talk, offsets, link and wiring."""
    rng = np.random.default_rng([seed, 99])
    iso = truth.isolators[0]
    centre = 7.0e9 + 10e6 * rng.standard_normal()
    stages = []
    for stage in iso.stages:
        signal = centre + 8e6 * rng.standard_normal()
        loss = rng.uniform(0.2e6, 1.0e6)
        idler = 9.6e9 + 15e6 * rng.standard_normal()
        ka, kb = rng.uniform(36e6, 52e6), rng.uniform(48e6, 75e6)
        # the assumption on the idler's loss: the signal's quality factor, give or take itself, and not negative
        idler_loss = loss * 1.37 * (1 + next(z for z in rng.standard_normal(99) if z > -1))
        stages.append(
            replace(
                stage,
                shunt_ratio=rng.uniform(2.5, 4.0),
                signal_frequency_hz=signal,
                signal_linewidth_hz=ka,
                signal_internal_hz=loss,
                signal_participation=rng.uniform(0.08, 0.12),
                idler_frequency_hz=idler,
                idler_linewidth_hz=kb,
                idler_internal_hz=idler_loss,
                idler_participation=rng.uniform(0.08, 0.12),
                coupling_hz=0.2 * np.sqrt(ka * kb) * rng.uniform(0.85, 1.2),
            )
        )
    mutual = [[rng.uniform(450, 750), rng.uniform(-40, 40)] for _ in range(2)]
    names = [s.loop for s in iso.stages]
    lines = tuple(
        replace(b, mutual_phi0_per_a=((names[n], mutual[n][0]), (names[1 - n], mutual[n][1])))
        for n, b in enumerate(truth.bias_lines)
    )
    offsets = rng.uniform(-0.3, 0.3, 2)
    loops = tuple(replace(x, offset_phi0=float(o)) for x, o in zip(truth.loops, offsets, strict=True))
    link = (1 / np.sqrt(2)) * (1 + 0.03 * rng.standard_normal()), np.radians(3.0) * rng.standard_normal()
    chip = replace(iso, stages=(stages[0], stages[1]), link_amplitude=link[0], link_phase_rad=link[1])
    sign, error = int(rng.choice([-1, 1])), float(np.radians(3.0) * rng.standard_normal())
    real = replace(truth, isolators=(chip,), loops=loops, bias_lines=lines)
    return RandomChip(real, sign, error, mutual, offsets)


Rows = list[tuple[LogRow, Sweep]]


def sweeps_of(truth: Study, plan: SweepPlan = PLAN, seed: int = 1, **options: object) -> Rows:
    """Log rows and sweeps."""
    return list(virtual_sweeps(truth, plan, seed, **options))  # type: ignore[arg-type]


def sweeps_of_chip(chip: RandomChip, seed: int, plan: SweepPlan = PLAN) -> Rows:
    """Sweeps of a random chip, with its own wiring and pump phase error."""
    return sweeps_of(chip.study, plan, seed, port_signs=[chip.port_sign], phase_error_rad=[chip.phase_error_rad])


def with_jump(chip: RandomChip, seed: int, at: int, loop: int, size_phi0: float) -> Rows:
    """The same sweeps with the flux of one loop changed from sweep `at` (from 0) on; noise as without."""
    loops = list(chip.study.loops)
    loops[loop] = replace(loops[loop], offset_phi0=loops[loop].offset_phi0 + size_phi0)
    after = replace(chip, study=replace(chip.study, loops=tuple(loops)))
    return sweeps_of_chip(chip, seed)[:at] + sweeps_of_chip(after, seed)[at:]


def with_port_2_as_1(chip: RandomChip, seed: int) -> Rows:
    """The same sweeps with pump port 2 connected like port 1."""
    other = sweeps_of_chip(replace(chip, port_sign=-chip.port_sign), seed)
    return [b if b[0].pump_port == 2 else a for a, b in zip(sweeps_of_chip(chip, seed), other, strict=True)]


def as_set(rows: Sequence[tuple[LogRow, Sweep]]) -> SweepSet:
    """What `load_sweeps` would make of them."""
    records: dict[str, tuple[Record, ...]] = {}
    for name in {r.isolator for r, _ in rows}:
        records[name] = gather([x for x in rows if x[0].isolator == name])
    return SweepSet(records, (), len(rows))


def changed(rows: Rows, change: Callable[[LogRow, Sweep], tuple[LogRow, Sweep]]) -> Rows:
    """Every row passed through a function."""
    return [change(row, Sweep(sweep.frequency_hz, sweep.s.copy(), sweep.reference_ohm)) for row, sweep in rows]


__all__ = [
    "PLAN",
    "RandomChip",
    "Rows",
    "SweepPlan",
    "as_set",
    "changed",
    "random_chip",
    "studies",
    "study_text",
    "sweeps_of",
    "sweeps_of_chip",
    "with_jump",
    "with_port_2_as_1",
]
