"""Figures of a design: plain results in, a matplotlib ``Figure`` out, in the report's style."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap, LogNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon, Rectangle
from matplotlib.ticker import FuncFormatter, NullFormatter

from fluxsense.base.sphere import lambert_xy
from fluxsense.base.units import watt_to_dbm
from fluxsense.design.ambiguity import DOUBTFUL_LOG_ODDS, AmbiguityMap
from fluxsense.report.figures import (
    BLUE,
    DISC_EDGE,
    DISC_IN,
    FAINT,
    INK,
    ORANGE,
    QUIET,
    SHADES,
    TINTS,
    WIDTH_IN,
    blank_disc,
    disc_points,
    discs,
    mark_truth,
    plain,
    styled,
    truth_handle,
)
from fluxsense.study import Study

if TYPE_CHECKING:
    from fluxsense.design.layout import Layout
    from fluxsense.design.schedule import FrequencyShares, Schedule
    from fluxsense.design.working_point import Landscape
    from fluxsense.report.documents import PumpPoint

FloatArray = npt.NDArray[np.float64]


@styled
def draw_layout(study: Study, layout: Layout, present: Layout | None = None) -> Figure:
    """Outlines of a layout, chip by chip: solid the layout, dashed the present one, a cross under the dipole.

    Loops of one isolator share a letter; distant loops are left out and counted.
    """
    chips = list(study.chips)
    columns = min(2, len(chips))
    rows = -(-len(chips) // columns)
    figure = Figure(figsize=(0.5 * WIDTH_IN * columns, 0.5 * WIDTH_IN * rows), layout="constrained")
    owner = {s.loop: f"{iso.name} {k + 1}" for iso in study.isolators for k, s in enumerate(iso.stages)}
    half = 0.5e6 * np.array(study.layout.chip_size_m)
    for n, chip in enumerate(chips):
        axes = figure.add_subplot(rows, columns, n + 1)
        axes.set_aspect("equal")
        axes.add_patch(Rectangle(tuple(-half), *(2 * half), fill=False, edgecolor=QUIET, linewidth=0.8))
        for keep in study.layout.keep_out:
            if keep.chip == chip.name:
                low, high = 1e6 * np.array(keep.low_m), 1e6 * np.array(keep.high_m)
                axes.add_patch(Rectangle(tuple(low), *(high - low), hatch="///", fill=False, edgecolor=FAINT))
        distant = 0
        for k, loop in enumerate(study.loops):
            corners = 1e6 * layout.outlines[k]
            if layout.chips[k] == chip.name:
                middle = 0.5 * (corners.min(axis=0) + corners.max(axis=0))
                if np.any(np.abs(middle) > 1.5 * half):
                    distant += 1
                else:
                    axes.add_patch(Polygon(corners, closed=True, fill=False, edgecolor=BLUE, linewidth=1.6))
                    axes.annotate(
                        plain(owner.get(loop.name, loop.name), 14), middle, ha="center", va="center", fontsize=7
                    )
            if present is not None and present.chips[k] == chip.name:
                old = 1e6 * present.outlines[k]
                axes.add_patch(Polygon(old, closed=True, fill=False, edgecolor=ORANGE, linewidth=0.9, linestyle="--"))
        if study.source.has_position and n == 0:
            x, y, _ = (1e6 * (p - o) for p, o in zip(study.source.position_m, chip.origin_m, strict=True))
            axes.plot([x], [y], marker="+", color=INK, markersize=11, linestyle="none")
        axes.set_xlim(-1.05 * half[0], 1.05 * half[0])
        axes.set_ylim(-1.05 * half[1], 1.05 * half[1])
        axes.set_xlabel("x (µm)")
        axes.set_ylabel("y (µm)")
        more = f" ({distant} distant loops not shown)" if distant else ""
        axes.set_title(plain(chip.name) + more, fontsize=9)
    return figure


@styled
def draw_landscape(found: Landscape) -> Figure:
    """Expected angular error over the two bias fluxes of one isolator; a cross where the study stands."""
    figure = Figure(figsize=(5.6, 4.6), layout="constrained")
    axes = figure.add_subplot()
    error = np.maximum(found.error_deg, 1e-6).T
    least = float(np.nanmin(error))
    most = max(float(np.nanmax(error)), 1.01 * least)
    norm = LogNorm(least, most)
    mesh = axes.pcolormesh(found.first_phi0, found.second_phi0, error, cmap=SHADES, norm=norm, shading="nearest")
    axes.plot(
        *found.now_phi0, marker="X", markerfacecolor=ORANGE, markeredgecolor="white", markersize=11, linestyle="none"
    )
    best = np.unravel_index(int(np.nanargmin(found.error_deg)), found.error_deg.shape)
    axes.plot(
        found.first_phi0[best[0]], found.second_phi0[best[1]], marker="o", markerfacecolor="none", color=ORANGE,
        markersize=10, markeredgewidth=2, linestyle="none",
    )  # fmt: skip
    bar = figure.colorbar(mesh, ax=axes, label="expected angular error (degrees)")
    numbers = FuncFormatter(lambda value, _: f"{value:g}")
    bar.ax.yaxis.set(major_formatter=numbers, minor_formatter=numbers if most < 10 * least else NullFormatter())
    axes.set_xlabel("flux in the first loop (Φ0)")
    axes.set_ylabel("flux in the second loop (Φ0)")
    axes.set_title(plain(f"{found.isolator}: cross now, ring best of the grid"))
    return figure


ODDS_STEPS = (
    (DOUBTFUL_LOG_ODDS, "below 20 to 1: not told apart"),
    (np.log(1e3), "up to 1000 to 1"),
    (np.log(1e6), "up to a million to 1"),
)
"""Expected log odds below which a direction is drawn in the next lighter tint, and words for it."""


@styled
def draw_ambiguity(found: AmbiguityMap) -> Figure:
    """Expected odds of the truth (star) against every direction tried, on two equal-area discs: the darker, the less told apart.

    Each direction tried colours what lies nearest to it; crosses mark those that are not told from the truth.
    """
    figure = Figure(figsize=(WIDTH_IN, DISC_IN + 0.75))
    tints = TINTS[::-1]
    doubtful = found.directions[found.log_odds < DOUBTFUL_LOG_ODDS]
    for axes, centre in discs(figure, found.truth, "the true direction"):
        rim = blank_disc(axes, centre)
        x, _, points = disc_points(centre, 161)
        nearest = found.log_odds[np.argmax(points @ found.directions.T, axis=1)]
        step = np.searchsorted([limit for limit, _ in ODDS_STEPS], nearest, side="right").astype(np.float64)
        shades = ListedColormap([*tints, "#ffffff"])
        image = axes.imshow(
            step.reshape(x.shape), origin="lower", extent=(-DISC_EDGE, DISC_EDGE, -DISC_EDGE, DISC_EDGE), cmap=shades,
            vmin=-0.5, vmax=3.5, interpolation="nearest", zorder=0.5,
        )  # fmt: skip
        image.set_clip_path(rim)
        here = lambert_xy(doubtful[doubtful @ centre >= 0], centre)
        axes.plot(*here.T, marker="x", color=ORANGE, linestyle="none", markersize=7, markeredgewidth=1.6, zorder=7)
        if found.truth @ centre >= 0:
            mark_truth(axes, lambert_xy(found.truth, centre))
        axes.set_xlim(-1.04 * DISC_EDGE, 1.04 * DISC_EDGE)  # the image has set its own
        axes.set_ylim(-1.04 * DISC_EDGE, 1.04 * DISC_EDGE)
    handles: list[Artist] = [
        Patch(facecolor=tint, edgecolor=INK, linewidth=0.7, label=words)
        for tint, (_, words) in zip(tints, ODDS_STEPS, strict=True)
    ]
    handles.append(Line2D([], [], linestyle="", marker="x", color=ORANGE, label="not told from the truth"))
    handles.append(truth_handle("truth"))
    figure.legend(handles=handles, loc="lower center", bbox_to_anchor=(0.5, 0.0), ncols=5)
    return figure


@styled
def draw_schedule(found: Schedule) -> Figure:
    """Whole numbers of sweeps of every candidate that has any, as bars."""
    chosen = [(c, int(n)) for c, n in zip(found.candidates, found.sweeps, strict=True) if n > 0]
    figure = Figure(figsize=(WIDTH_IN, 0.6 + 0.19 * max(len(chosen), 3)), layout="constrained")
    axes = figure.add_subplot()
    _bars(
        axes,
        [f"{c.isolator}, {c.setting or 'pump off at ' + c.bias_of}, {c.state}" for c, _ in chosen],
        [n for _, n in chosen],
    )
    axes.set_xlabel("sweeps")
    return figure


def _bars(axes: Axes, names: Sequence[str], values: Sequence[int]) -> None:
    place = np.arange(len(names))[::-1]
    axes.barh(place, values, color=BLUE, height=0.7)
    axes.set_yticks(place, [plain(n) for n in names], fontsize=7)


@styled
def draw_frequency_shares(found: FrequencyShares) -> Figure:
    """Share of the information by frequency, and the window of the shorter sweep."""
    figure = Figure(figsize=(6.4, 3.2), layout="constrained")
    axes = figure.add_subplot()
    axes.plot(1e-9 * found.frequency_hz, 100 * found.share, color=BLUE, marker="o", markersize=3)
    axes.axvspan(1e-9 * found.start_hz, 1e-9 * found.stop_hz, color=FAINT, alpha=0.5)
    axes.set_xlabel("frequency (GHz)")
    axes.set_ylabel("share of the information (%)")
    axes.set_ylim(bottom=0)
    return figure


@styled
def draw_pump_power(points: Mapping[str, Sequence[PumpPoint]]) -> Figure:
    """Isolation and flux noise of each isolator against the pump's power, up to the limit.

    Parameters
    ----------
    points : mapping
        By isolator, ``power_w``, ``isolation_db`` and ``flux_noise_phi0`` of each power, as they stand in a plan's document.
    """
    figure = Figure(figsize=(6.4, 5.0), layout="constrained")
    above, below = figure.subplots(2, 1, sharex=True)
    marks = "osD^v<>"
    for n, (name, rows) in enumerate(points.items()):
        power = [watt_to_dbm(x["power_w"]) for x in rows]
        style = {"marker": marks[n % len(marks)], "markersize": 4, "linewidth": 1.2, "label": plain(name, 14)}
        style["color"] = (BLUE, ORANGE, INK, QUIET)[n % 4]
        above.plot(power, [x["isolation_db"] for x in rows], **style)
        below.plot(power, [1e6 * x["flux_noise_phi0"] for x in rows], **style)
    above.set_ylabel("best isolation (dB)")
    below.set_ylabel("flux noise (µΦ0 in 1 Hz)")
    below.set_xlabel("pump power (dBm; the last is the limit)")
    for axes in (above, below):
        axes.set_ylim(bottom=0)
    above.legend(frameon=False)
    return figure
