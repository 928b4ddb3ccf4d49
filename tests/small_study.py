"""A small invented study for tests: two isolators, four loops, a uniform field; written out so that tests can vary it.

The loops' normals are x, y, z and a slanted one, so that the field is determined; settings bias every loop to about
half a flux quantum.  Twenty-five points and few repeats keep one inference at a few seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from fluxsense.data.digest import Digest
from fluxsense.infer.modes import ascend
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study, read_study

SIDE_UM = 20.0
FRAMES = {
    "chip_x": ([0, 1, 0], [0, 0, 1]),
    "chip_y": ([0, 0, 1], [1, 0, 0]),
    "chip_z": ([1, 0, 0], [0, 1, 0]),
    "chip_s": ([1, -1, 0], [1, 1, 1]),
}
"""Axes of each chip; the normals are x, y, z and (-1, -1, 2)."""
LOOPS = ("a1", "a2", "b1", "b2")
MUTUAL_PHI0_PER_A = 600.0


def stage(loop: str, number: int) -> str:
    """One stage's table; the second stage is a little higher in frequency."""
    return f"""
[isolator.stage_{number}]
loop = "{loop}"
ring = "shunted"
shunt_ratio = 3.0
signal_frequency = "{5.020 + 0.003 * (number - 1):.3f} GHz"
signal_linewidth = "40 MHz"
signal_internal_loss = "0.4 MHz"
signal_participation = 0.1
idler_frequency = "7.350 GHz"
idler_linewidth = "60 MHz"
idler_internal_loss = "0.6 MHz"
idler_participation = 0.1
coupling = "10.2 MHz"
"""


def element(way: str, name: str, kind: str, **entries: str | float) -> str:
    """A part of the read-out chain, on the way "down" to the chip or "up" from it."""
    rows = [f'{key} = "{x}"' if isinstance(x, str) else f"{key} = {x}" for key, x in entries.items()]
    return "\n".join(["", f"[[readout.{way}]]", f'name = "{name}"', f'kind = "{kind}"', *rows, ""])


def setting(name: str, flux_phi0: Sequence[float], port: int) -> str:
    """A setting that puts the loops at the fluxes given."""
    bias = ", ".join(f'{n} = "{1e3 * x / MUTUAL_PHI0_PER_A:.6f} mA"' for n, x in zip(LOOPS, flux_phi0, strict=True))
    return f"""
[[setting]]
name = "{name}"
bias = {{ {bias} }}
pump_port = {port}
pump_power = "-60 dBm"
"""


def study_text(
    *,
    chips: Sequence[str] = ("chip_x", "chip_y", "chip_z", "chip_s"),
    fluxes: Sequence[Sequence[float]] = ((0.5, 0.5, 0.5, 0.5), (0.5, -0.5, 0.5, -0.5)),
    ports: Sequence[int] = (1, 2),
    wiring: str = "from reference",
    states: Sequence[str] = ("out", "in"),
    offset_sd_mphi0: float = 10.0,
    strength_sd: float = 0.0,
    phase_sd_deg: float = 0.0,
    size_ut: float = 1.0,
    points: int = 21,
    repeats: int = 3,
    flux_noise_mphi0: float = 0.0,
    slow_mphi0: float = 0.0,
    noise: str = "",
    source: str = "",
    extra: str = "",
) -> str:
    """The study as TOML.

    Parameters
    ----------
    chips : sequence of 4 str
        Where loops a1, a2, b1, b2 lie.
    fluxes : sequence of sequences of 4 float
        Bias fluxes of the loops at each setting, in Phi0.
    ports : sequence of int
        Pump port of each setting.
    wiring : str
        pump_port_1_phase of both isolators.
    states : sequence of str
        What `simulate` takes, among out and in.
    offset_sd_mphi0, strength_sd, phase_sd_deg : float
        Priors of the nuisances.
    size_ut : float
        Root mean square field.
    points, repeats : int
    flux_noise_mphi0, slow_mphi0 : float
    noise : str
        Further lines of the noise's table.
    source : str
        Further lines of the source's table.
    extra : str
        Further lines, at the end.
    """
    parts = [
        f"""format = 1
title = "A small study for tests"
invented = true

[uncertainty]
unstated = "exact"

[source]
kind = "uniform_field"
size = "{size_ut} uT"
{source}
"""
    ]
    for chip in dict.fromkeys(chips):
        x, y = FRAMES[chip]
        parts.append(f'[[chip]]\nname = "{chip}"\nx_axis = {x}\ny_axis = {y}\n')
    for n, (loop, chip) in enumerate(zip(LOOPS, chips, strict=True)):
        parts.append(
            f'[[loop]]\nname = "{loop}"\nchip = "{chip}"\nshape = "square"\ncenter = ["{100 * n} um", "0 um"]\n'
            f'side = "{SIDE_UM} um"\noffset_sd = "{offset_sd_mphi0} mPhi0"\n'
        )
    parts += [
        f'[[bias_line]]\nname = "{n}"\nlimit = "2 mA"\nmutual = {{ {n} = "{MUTUAL_PHI0_PER_A} Phi0/A" }}\n'
        for n in LOOPS
    ]
    for name in "ab":
        parts.append(
            f'[[isolator]]\nname = "{name}"\nreference_flux = "0.5 Phi0"\nreference_power = "-60 dBm"\n'
            f'pump_port_1_phase = "{wiring}"\npump_phase_error_sd = "{phase_sd_deg} deg"\n'
            f"pump_strength_sd = {strength_sd}\n{stage(name + '1', 1)}{stage(name + '2', 2)}"
        )
    parts.append('[[state]]\nname = "out"\nkind = "out"\n\n[[state]]\nname = "in"\nkind = "in"\n')
    for n, (row, port) in enumerate(zip(fluxes, ports, strict=True), 1):
        parts.append(setting(f"s{n}", row, port))
    taken = ", ".join(f'"{s}"' for s in states)
    parts.append(
        f"""
[sweep]
start = "4.93 GHz"
stop = "5.07 GHz"
points = {points}

[noise]
white = 0.01
gain_drift = 0.002
phase_drift = "0.2 deg"
flux = "{flux_noise_mphi0} mPhi0"
flux_slow = "{slow_mphi0} mPhi0"
{noise}
[plan]
rounds = 1
repeats = {repeats}
off_repeats = {repeats}
states = [{taken}]

[sampling]
wanted_ess = 300
ensembles = 2
walkers = 24
{extra}"""
    )
    return "\n".join(parts)


def small_study(folder: Path, **changes: object) -> Study:
    """The study written to ``folder/study.toml`` and read back."""
    path = folder / "study.toml"
    path.write_text(study_text(**changes), encoding="utf-8")  # type: ignore[arg-type]
    return read_study(path)


def fitted(
    study: Study, digest: Digest, signs: tuple[int, ...], start: np.ndarray
) -> tuple[CampaignProblem, np.ndarray]:
    """The likelihood of a digest and its mode next to a source vector."""
    likelihood = RatioLikelihood(study, digest, signs)
    unknowns = Unknowns(study, likelihood.cooldowns, leave_out=("pump_phase_error_rad",))
    problem = CampaignProblem(unknowns, likelihood)
    x = np.zeros(unknowns.size)
    x[:3] = start / study.source.size
    mode = ascend(problem, x)
    assert mode is not None
    return problem, mode.x
