"""Invented chips for tests of characterization: one isolator, two loops, a bias line each; written out so that tests vary it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from fluxsense.characterize.records import Record, SweepSet, gather
from fluxsense.characterize.rough import RoughStudy, read_rough
from fluxsense.characterize.virtual import SweepPlan, virtual_sweeps
from fluxsense.study import Study, read_study
from fluxsense.traces.log import LogRow
from fluxsense.traces.touchstone import Sweep

PLAN = SweepPlan(flux_points=25, working_phi0=((0.5, 0.5), (1.1, 1.1)), powers=5, frequencies=5, phases=4)

STAGE = """
[isolator.stage_{number}]
loop = "{loop}"
ring = "{ring}"
{shunt}
signal_frequency = "{fa} GHz"
signal_linewidth = "{ka} MHz"
signal_internal_loss = "0.5 MHz"
signal_share = {share}
idler_frequency = "{fb} GHz"
idler_linewidth = "60 MHz"
idler_internal_loss = "0.7 MHz"
idler_share = 0.1
coupling = "{g} MHz"
"""


def study_text(ring: str = "shunted", *, stages: bool = True, share: float = 0.1, noise: float = 0.01) -> str:
    """A study of one isolator, with or without the stages' parameters."""
    shunt = "shunt_ratio = 3.0" if ring == "shunted" else 'branch = "ground"'
    text = f"""
format = 1
title = "One isolator (invented)"
invented = true
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
            text += f'\n[isolator.stage_{number}]\nloop = "{loop}"\n'
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
    rough.write_text(study_text(stages=False), encoding="utf-8")
    return read_study(truth), read_rough(rough)


Rows = list[tuple[LogRow, Sweep]]


def sweeps_of(truth: Study, plan: SweepPlan = PLAN, seed: int = 1, **options: object) -> Rows:
    """Log rows and sweeps."""
    return list(virtual_sweeps(truth, plan, seed, **options))  # type: ignore[arg-type]


def as_set(rows: Sequence[tuple[LogRow, Sweep]]) -> SweepSet:
    """What `load_sweeps` would make of them."""
    records: dict[str, tuple[Record, ...]] = {}
    for name in {r.isolator for r, _ in rows}:
        records[name] = gather([x for x in rows if x[0].isolator == name])
    return SweepSet(records, (), len(rows))


def changed(rows: Rows, change: Callable[[LogRow, Sweep], tuple[LogRow, Sweep]]) -> Rows:
    """Every row passed through a function."""
    return [change(row, Sweep(sweep.frequency_hz, sweep.s.copy(), sweep.reference_ohm)) for row, sweep in rows]


__all__ = ["PLAN", "Rows", "SweepPlan", "as_set", "changed", "studies", "study_text", "sweeps_of"]
