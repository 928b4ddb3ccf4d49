"""Invented chips for the tests of `fluxsense.design`: sense loops near a source, a reference loop far away in each isolator."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from fluxsense.study import (
    BiasLine,
    Chip,
    Isolator,
    LayoutRules,
    Loop,
    Noise,
    Plan,
    Setting,
    Source,
    State,
    Study,
    read_study,
)

MUTUAL = 600.0
TEMPLATE = Path(__file__).parents[2] / "data_demo" / "grain" / "study.toml"


def square(x_um: float, y_um: float, side_um: float) -> tuple[tuple[float, float, float], ...]:
    """Corners of a square, in m."""
    h = side_um / 2
    return tuple((1e-6 * (x_um + a * h), 1e-6 * (y_um + b * h), 0.0) for a, b in ((1, 1), (-1, 1), (-1, -1), (1, -1)))


def chip(
    sense: Sequence[tuple[float, float, float]],
    *,
    height_um: float = 15.0,
    position_sd_um: float = 4.0,
    moment: float = 30e-15,
    offset_sd_mphi0: float = 10.0,
    bias: Sequence[tuple[float, float, int]] = ((0.5, 0.5, 1), (0.5, 0.5, 2), (0.5, -0.5, 1)),
    states: Sequence[str] = ("out", "in"),
    repeats: int = 8,
    white: float = 0.01,
    flux_noise: float = 0.0,
    pair_sense: bool = False,
    strength_sd: float = 0.02,
    phase_sd_deg: float = 1.0,
    wiring: int | None = 1,
    points: int = 41,
) -> Study:
    """A chip with one isolator per sense loop (or per two, with `pair_sense`), dipole above the origin.

    sense lists (x, y, side) in um; bias lists settings as (flux of the first loop, of the second, pump port), in Phi0.
    """
    template = read_study(TEMPLATE)
    stage = template.isolators[0].stages
    loops: list[Loop] = []
    isolators: list[Isolator] = []
    groups = [sense[k : k + 2] for k in range(0, len(sense), 2)] if pair_sense else [[s] for s in sense]
    for n, group in enumerate(groups):
        names = [f"sense_{n}_{k}" for k in range(len(group))] + ([] if pair_sense else [f"reference_{n}"])
        outlines = [square(*s) for s in group] + ([] if pair_sense else [square(5000.0 + 100 * n, 0.0, 12.0)])
        loops += [
            Loop(name, "chip", outline, unstated_exact=True).with_sd(offset_phi0=1e-3 * offset_sd_mphi0)
            for name, outline in zip(names, outlines, strict=True)
        ]
        isolators.append(
            replace(
                template.isolators[0],
                name=f"isolator_{n}",
                stages=(replace(stage[0], loop=names[0]), replace(stage[1], loop=names[1])),
                pump_port_1_sign=wiring,
            ).with_sd(pump_phase_error_rad=float(np.radians(phase_sd_deg)), pump_strength=strength_sd)
        )
    lines = tuple(BiasLine(x.name, 3e-3, ((x.name, MUTUAL),), unstated_exact=True) for x in loops)
    settings = tuple(
        Setting(
            f"s{k}",
            tuple(i.name for i in isolators),
            tuple(v / MUTUAL for v in [a, b] * len(isolators)),
            port,
            None,
            1e-9,
            None,
        )
        for k, (a, b, port) in enumerate(bias)
    )
    about_z = ((-1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0))
    minus = ((-1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, -1.0))  # the moment reversed (a remagnetised grain, say)
    fixed = tuple(x.name for x in loops if x.name.startswith("reference"))
    return replace(
        template,
        title="A chip for tests (invented)",
        note="",
        source=Source("dipole", "scale", moment, 0.0, (0.0, 0.0, 1e-6 * height_um), (1e-6 * position_sd_um,) * 3),
        chips=(Chip("chip"),),
        loops=tuple(loops),
        bias_lines=lines,
        isolators=tuple(isolators),
        states=(
            State("out", "out"),
            State("in", "in"),
            State("half_turn", "turned", about_z, unstated_exact=True),
            State("reversed", "turned", minus, unstated_exact=True),
        ),
        settings=settings,
        sweep=replace(template.sweep, points=points),
        noise=Noise(white, 0.003, float(np.radians(0.3)), 0.001, flux_noise),
        plan=Plan(repeats, repeats, tuple(states), ("c1",), 20.0),
        layout=LayoutRules(("square",), (5e-6, 40e-6), (120e-6, 120e-6), 2e-6, 2e-6, 1e-7, fixed=fixed),
    )


def ring(count: int, radius_um: float, side_um: float, turn_deg: float = 0.0) -> list[tuple[float, float, float]]:
    """Sense loops evenly on a ring."""
    angle = np.radians(turn_deg) + 2 * np.pi * np.arange(count) / count
    return [(radius_um * float(np.cos(a)), radius_um * float(np.sin(a)), side_um) for a in angle]
