"""Invented chips for campaigns of the outside simulator: seven studies, generated, in the package's own file format.

They state nothing of a laboratory's imperfections: what a study leaves unsaid is uncertain by the package's defaults.
Loops, bands, links, numbers of isolators, points and repeats differ; values scatter by a few per cent from stage to stage,
always the same for one seed.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

OWN_MUTUAL_PHI0_PER_A = 600.0
WORKING_FLUX_PHI0 = 0.5
FLAT = 'name = "flat"\n'
WALL = 'name = "wall"\norigin = ["300 um", "20 um", "100 um"]\nx_axis = [0, 1, 0]\ny_axis = [0, 0, 1]\n'
SIDE = 'name = "side"\norigin = ["-30 um", "220 um", "100 um"]\nx_axis = [0.6, 0.8, 0]\ny_axis = [0, 0, 1]\n'
SLOPE = 'name = "slope"\norigin = ["-300 um", "0 um", "50 um"]\nx_axis = [0.8, 0, 0.6]\ny_axis = [0, 1, 0]\n'


@dataclass(frozen=True)
class LoopAt:
    """A loop: chip, centre and side (um); round makes it a circle of that diameter."""

    chip: str
    x_um: float
    y_um: float
    side_um: float
    round: bool = False

    def text(self, name: str, offset_sd: str) -> str:
        size = f'radius = "{self.side_um / 2:g} um"' if self.round else f'side = "{self.side_um:g} um"'
        return (
            f'[[loop]]\nname = "{name}"\nchip = "{self.chip}"\nshape = "{"circle" if self.round else "square"}"\n'
            f'center = ["{self.x_um:g} um", "{self.y_um:g} um"]\n{size}\noffset_sd = "{offset_sd}"\n'
        )


@dataclass(frozen=True)
class Chip:
    """A study in a few numbers: two loops to each isolator, in order; signs: of the working flux, per setting and stage."""

    title: str
    source: str
    chips: tuple[str, ...]
    loops: tuple[LoopAt, ...]
    links: tuple[str, ...]
    band_ghz: tuple[float, float]
    points: int
    repeats: int
    signs: tuple[tuple[int, int], ...] = ((1, 1), (1, -1))
    alpha: float = 3.0
    share: float = 0.1
    states: str = ""
    offset_sd: str = "10 mPhi0"
    seed: int = 1
    note: str = ""
    white: float = 0.005


def dipole(size: str, height: str, sd: str) -> str:
    return (
        f'kind = "dipole"\nposition = ["0.2 um", "-0.4 um", "{height}"]\nposition_sd = ["{sd}", "{sd}", "{sd}"]\n'
        f'size_prior = "scale"\nsize = "{size}"\n'
    )


def field(size: str) -> str:
    return f'kind = "uniform_field"\nsize_prior = "scale"\nsize = "{size}"\n'


CHIPS = {
    "grain_three": Chip(
        "Small grain above three isolators", dipole("6 fA m^2", "11 um", "0.3 um"), (FLAT,),
        (LoopAt("flat", 10, 3, 11), LoopAt("flat", 24, -20, 13), LoopAt("flat", -7, 9, 11, True), LoopAt("flat", -23, 21, 13),
         LoopAt("flat", -3, -11, 11), LoopAt("flat", 6, -30, 13)),
        ("hybrid", "hybrid", "hybrid"), (5.35, 7.9), 101, 6, seed=11,
    ),
    "grain_line": Chip(
        "Grain above four isolators with plain lines between the idlers", dipole("8 fA m^2", "13 um", "0.4 um"), (FLAT,),
        (LoopAt("flat", 12, 2, 12), LoopAt("flat", 27, 20, 12), LoopAt("flat", -2, 13, 12), LoopAt("flat", -25, 24, 12),
         LoopAt("flat", -12, -3, 12), LoopAt("flat", -27, -18, 12), LoopAt("flat", 3, -12, 12), LoopAt("flat", 22, -28, 12)),
        ("line", "line", "line", "line"), (6.2, 9.1), 201, 4, alpha=3.4, share=0.12, seed=12,
    ),
    "grain_turned": Chip(
        "Grain that can be turned, two isolators", dipole("6 fA m^2", "12 um", "0.3 um"), (FLAT,),
        (LoopAt("flat", 10, -4, 12), LoopAt("flat", -8, 9, 12, True), LoopAt("flat", -9, -7, 12), LoopAt("flat", 7, 14, 13)),
        ("hybrid", "line"), (5.02, 7.35), 201, 6, alpha=2.8, seed=13,
        states='[[state]]\nname = "turned"\nkind = "turned"\nrotation_axis = [0.2, 0.1, 1]\nrotation_angle = "95 deg"\n\n',
    ),
    "field_three": Chip(
        "Uniform field on three chips at right angles", field("0.12 uT"), (FLAT, WALL, SIDE),
        (LoopAt("flat", -20, 0, 18), LoopAt("flat", 20, 0, 4), LoopAt("wall", -20, 0, 18), LoopAt("wall", 20, 0, 4),
         LoopAt("side", -20, 0, 18, True), LoopAt("side", 20, 0, 4)),
        ("hybrid", "hybrid", "hybrid"), (5.6, 8.3), 161, 6, share=0.09, seed=14,
    ),
    "field_four": Chip(
        "Uniform field on four chips, one of them sloping", field("0.2 uT"), (FLAT, WALL, SIDE, SLOPE),
        (LoopAt("flat", -15, 0, 14), LoopAt("flat", 25, 0, 14), LoopAt("wall", -18, 0, 16), LoopAt("wall", 20, 0, 5),
         LoopAt("side", -18, 0, 15), LoopAt("side", 20, 0, 5), LoopAt("slope", -18, 0, 16), LoopAt("slope", 20, 0, 5)),
        ("line", "hybrid", "line", "hybrid"), (4.6, 7.1), 101, 8, alpha=3.2, seed=15,
    ),
    "field_line": Chip(
        "Strong uniform field, plain lines, long sweeps", field("0.25 uT"), (FLAT, WALL, SIDE),
        (LoopAt("flat", -20, 0, 15), LoopAt("flat", 20, 0, 5), LoopAt("wall", -20, 0, 15), LoopAt("wall", 20, 0, 5),
         LoopAt("side", -20, 0, 15), LoopAt("side", 20, 0, 5)),
        ("line", "line", "line"), (6.7, 9.6), 401, 4, alpha=2.6, share=0.11, seed=16,
    ),
    "grain_long": Chip(
        "Grain above three isolators of two kinds, long sweeps", dipole("12 fA m^2", "14 um", "0.5 um"), (FLAT,),
        (LoopAt("flat", 13, 0, 13), LoopAt("flat", -28, 8, 13), LoopAt("flat", -6, 12, 13), LoopAt("flat", 20, 22, 13, True),
         LoopAt("flat", -7, -12, 13), LoopAt("flat", 18, -24, 13)),
        ("hybrid", "line", "hybrid"), (7.1, 10.2), 401, 4, alpha=3.6, share=0.13, seed=17,
    ),
}  # fmt: skip


def stage_text(chip: Chip, loop: str, link: str, rng: np.random.Generator) -> str:
    """A converter's values, each a few per cent off the chip's; frequencies by some MHz."""
    signal, idler = (1e3 * f + 1.5 * rng.normal() for f in chip.band_ghz)
    ka, kb = 40 * (1 + 0.05 * rng.normal()), 60 * (1 + 0.05 * rng.normal())
    lines = [
        f'loop = "{loop}"', 'ring = "shunted"', f"shunt_ratio = {chip.alpha * (1 + 0.04 * rng.normal()):.3f}",
        f'signal_frequency = "{signal / 1e3:.6f} GHz"', f'signal_linewidth = "{ka:.3f} MHz"',
        f'signal_internal_loss = "{rng.uniform(0.2, 0.8):.3f} MHz"', f"signal_participation = {chip.share * (1 + 0.1 * rng.normal()):.4f}",
        f'idler_frequency = "{idler / 1e3:.6f} GHz"', f'idler_linewidth = "{kb:.3f} MHz"',
        f'idler_internal_loss = "{rng.uniform(0.3, 0.9):.3f} MHz"', f"idler_participation = {chip.share * (1 + 0.1 * rng.normal()):.4f}",
    ]  # fmt: skip
    if link == "line":  # transmission is best at 2 g = sqrt(ka kt)
        kt = 50 * (1 + 0.05 * rng.normal())
        lines += [f'idler_termination = "{kt:.3f} MHz"', f'coupling = "{np.sqrt(ka * kt) / 2:.4f} MHz"']
    else:  # half and half: 2 g = (sqrt2 - 1) sqrt(ka kb)
        lines.append(f'coupling = "{(np.sqrt(2) - 1) / 2 * np.sqrt(ka * kb):.4f} MHz"')
    return "\n".join(lines) + "\n"


def isolator_text(chip: Chip, n: int, names: tuple[str, str], rng: np.random.Generator) -> str:
    link = chip.links[n]
    head = (
        f'[[isolator]]\nname = "i{n + 1}"\nlink = "{link}"\nhybrid_imbalance = "{0.1 * rng.normal():.3f} dB"\n'
        f'hybrid_loss = "{rng.uniform(0.05, 0.2):.3f} dB"\nreference_flux = "{WORKING_FLUX_PHI0:g} Phi0"\n'
        f'reference_power = "-60 dBm"\npump_phase_error_sd = "2 deg"\npump_strength_sd = 0.03\n'
    )
    stages = [f"\n[isolator.stage_{j}]\n{stage_text(chip, name, link, rng)}" for j, name in enumerate(names, 1)]
    return head + "".join(stages)


def bias_text(mutual: ArrayLike, flux_phi0: ArrayLike, names: list[str]) -> str:
    currents = np.linalg.solve(np.asarray(mutual), np.asarray(flux_phi0))
    return "{ " + ", ".join(f'{name} = "{1e3 * a:.4f} mA"' for name, a in zip(names, currents, strict=True)) + " }"


def study_text(chip: Chip) -> str:
    """The whole study file."""
    rng = np.random.default_rng(chip.seed)
    names = [f"{'abcdefgh'[k // 2]}{k % 2 + 1}" for k in range(len(chip.loops))]
    mutual = np.diag(OWN_MUTUAL_PHI0_PER_A * (1 + 0.02 * rng.normal(size=len(names))))
    lines = []
    for k, name in enumerate(names):
        other = k ^ 1
        mutual[other, k] = rng.uniform(5, 18)
        lines.append(
            f'[[bias_line]]\nname = "{name}"\nlimit = "4 mA"\n'
            f'mutual = {{ {name} = "{mutual[k, k]:.2f} Phi0/A", {names[other]} = "{mutual[other, k]:.2f} Phi0/A" }}\n'
        )
    mutual = np.round(mutual, 2)
    isolators = [isolator_text(chip, n, (names[2 * n], names[2 * n + 1]), rng) for n in range(len(chip.links))]
    settings = []
    for k, pair in enumerate(chip.signs, 1):
        flux = WORKING_FLUX_PHI0 * np.tile(pair, len(chip.links))
        settings.append(
            f'[[setting]]\nname = "s{k}"\nbias = {bias_text(mutual, flux, names)}\npump_port = {2 - k % 2}\n'
            f'pump_power = "-60 dBm"\n'
        )
    rise = (1 + chip.alpha) / (np.cos(np.pi / 2 * WORKING_FLUX_PHI0) + chip.alpha) - 1
    middle = chip.band_ghz[0] / np.sqrt(1 + chip.share * rise) - 0.001  # at the working flux, with the pump on
    parts = [
        f'format = 1\ntitle = "{chip.title} (invented)"\ninvented = true\n{chip.note}', f"[source]\n{chip.source}",
        *(f"[[chip]]\n{text}" for text in chip.chips),
        *(loop.text(name, chip.offset_sd) for name, loop in zip(names, chip.loops, strict=True)), *lines, *isolators,
        '[[state]]\nname = "out"\nkind = "out"\n', '[[state]]\nname = "in"\nkind = "in"\n', chip.states.strip("\n") + "\n",
        *settings,
        f'[sweep]\nstart = "{middle - 0.06:.3f} GHz"\nstop = "{middle + 0.06:.3f} GHz"\npoints = {chip.points}\n',
        f'[noise]\nwhite = {chip.white:g}\ngain_drift = 0.003\nphase_drift = "0.3 deg"\nresidual_gain = 0.001\nflux = "0.1 mPhi0"\n',
        f'[plan]\nrepeats = {chip.repeats}\noff_repeats = {chip.repeats}\ntime_per_sweep = "20 s"\n',
        "[sampling]\nensembles = 4\nwanted_ess = 1000\n",
    ]  # fmt: skip
    return "\n".join(part for part in parts if part.strip())


def write_study(name: str, folder: Path, *, point: bool = True, cooldowns: int = 1) -> Path:
    """One of `CHIPS` as a file; `point`: a source with a place is said to have no extent, or nothing is said of it."""
    path = folder / f"{name}.toml"
    text = study_text(CHIPS[name])
    if point:
        text = (
            text.replace('size_prior = "scale"\n', 'size_prior = "scale"\nextent = "0 um"\n')
            if "position =" in text
            else text
        )
    if cooldowns > 1:
        names = ", ".join(f'"c{n + 1}"' for n in range(cooldowns))
        text = text.replace("[plan]\n", f"[plan]\ncooldowns = [{names}]\n")
    path.write_text(text, encoding="utf-8")
    return path
