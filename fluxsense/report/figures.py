"""Figures of a result: plain data or what is `Shown` of an answer in, a matplotlib ``Figure`` out.

Everything that matters is told by line style, symbol, hatch or lightness first and by colour second, so that a page
printed in black and white loses nothing.  The two hues, blue and orange, stay apart in the common kinds of colour
blindness.  Names that come from files are drawn literally: never as mathematics, and never wider than their place.
"""

from __future__ import annotations

import functools
import re
import warnings
from collections.abc import Callable, Sequence
from io import BytesIO
from typing import Any, Literal, ParamSpec, TypedDict

import matplotlib
import numpy as np
import numpy.typing as npt
from matplotlib import font_manager, patheffects
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from matplotlib.ft2font import FT2Font
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch
from matplotlib.ticker import MaxNLocator

from fluxsense.base.sphere import (
    Mode,
    Region,
    angles_from_vector,
    lambert_xy,
    rotation_to,
    vector_from_angles,
)
from fluxsense.data.own_columns import MEASURES, OwnColumn
from fluxsense.device.chip import loop_outlines_m
from fluxsense.report.views import (
    UNDECIDED_DB,
    Column,
    GroupView,
    KnownSource,
    Shown,
    chosen_groups,
    decibels,
    marked,
    passes,
)

FloatArray = npt.NDArray[np.float64]
LineStyle = Literal["solid"] | tuple[float, tuple[float, ...]]
P = ParamSpec("P")

INK = "#1c2530"
QUIET = "#7b858f"
FAINT = "#c9cfd4"
BLUE = "#1f4e79"
ORANGE = "#c65d0e"
TINTS = ("#e6ecf2", "#bfd0e0", "#86a8c8")
"""Fills of the 95, 90 and 50% regions, from light to dark."""
SHADES = LinearSegmentedColormap.from_list("shades", ["#ffffff", *TINTS, BLUE, INK])
"""Continuous values of one sign: the more the darker."""
EITHER_SIGN = LinearSegmentedColormap.from_list("either sign", [ORANGE, "#ffffff", BLUE])
LEVEL_STYLES: dict[float, LineStyle] = {0.5: "solid", 0.9: (0, (5, 2)), 0.95: (0, (1, 1.6))}

DISC_EDGE = float(np.sqrt(2.0))
"""Radius of a hemisphere on the equal-area map of the unit sphere."""
DISC_IN = 4.75
"""Height of a disc."""
WIDTH_IN = 9.8
"""Width of every figure: the page shows an inch as 96 pixels, so that text keeps its size."""

MOST_TRACES = 12
MOST_ROWS = 60
MOST_OWN_COLUMNS = 4
SMALL_REGION_RAD = np.radians(15.0)
"""Modes with a smaller spread get a close-up."""

STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "axes.titlesize": 9,
    "axes.labelsize": 9,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "legend.fontsize": 8.5,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "legend.frameon": False,
    "lines.linewidth": 1.3,
    "svg.hashsalt": "fluxsense",
    "axes.unicode_minus": True,
}

HALO: list[patheffects.AbstractPathEffect] = [patheffects.withStroke(linewidth=2.2, foreground="white")]


def styled(draw: Callable[P, Figure]) -> Callable[P, Figure]:
    """Draw under the report's style, whatever the caller has set, and leave the caller's settings as they were."""

    @functools.wraps(draw)
    def inner(*args: P.args, **kwargs: P.kwargs) -> Figure:
        with matplotlib.rc_context():
            matplotlib.rcdefaults()
            matplotlib.rcParams.update(STYLE)
            return draw(*args, **kwargs)

    return inner


@functools.lru_cache(maxsize=1)
def _drawable() -> frozenset[int]:
    return frozenset(FT2Font(font_manager.findfont("DejaVu Sans")).get_charmap())


def plain(text: str, most: int = 48) -> str:
    """Text from a file as matplotlib will draw it literally: one line, no mathematics, nothing the font lacks.

    Characters without a glyph become a square; the page's tables show them as they are.
    """
    line = " ".join(text.split())
    line = "".join(c if ord(c) in _drawable() else "□" for c in line)
    if len(line) > most:
        line = line[: most - 1].rstrip() + "…"
    return line.replace("$", r"\$")


_NEEDLESS = re.compile(
    rb"<!DOCTYPE[^>]*>|<metadata>.*?</metadata>|<!--.*?-->|(?<=<g) id=\"[^\"]*\"|\s*\n\s*", re.DOTALL
)
"""What a picture does without: words about it, names of groups, the layout of its text."""
_PLACES = re.compile(rb' (?:d|x|y)="[^"]*"|translate\([^)]*')
_DIGITS = re.compile(rb"\.(?:0?(?=[^\d.])|00\d*|(\d[1-9])\d*|([1-9])0\d*)")
"""Places in an SVG are written to a hundredth of a point; matplotlib writes them to the millionth."""
_SPACES = re.compile(rb"(?<=[MLQC]) | (?=[-MLQCz])|(?<=[:;]) ")


def _short_svg(data: bytes) -> bytes:
    """The same picture in half of the bytes."""
    data = _NEEDLESS.sub(b"", data)
    data = _PLACES.sub(lambda found: _SPACES.sub(b"", _DIGITS.sub(_cut, found[0])), data)
    return data.replace(b": ", b":").replace(b"; ", b";").replace(b"DejaVuSans-", b"D")


def _cut(found: re.Match[bytes]) -> bytes:
    digits = found[1] or found[2]
    return b"." + digits if digits else b""


def image_bytes(figure: Figure, kind: str = "svg", dots_per_inch: int = 120) -> bytes:
    """A figure as an SVG (text as outlines) or a PDF, the same bytes every time, or as a PNG file."""
    out = BytesIO()
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)
        if kind == "svg":
            figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
            return _short_svg(out.getvalue())
        elif kind == "pdf":
            figure.savefig(out, format="pdf", metadata={"CreationDate": None, "Creator": None, "Producer": None})
        else:
            figure.savefig(out, format="png", dpi=dots_per_inch, metadata={"Software": None})
    return out.getvalue()


# ------------------------------------------------------------------------------------------------------------ the sphere
@styled
def sphere_map(shown: Shown, truth: KnownSource | None = None) -> Figure:
    """The posterior of the direction on the whole sphere, with close-ups of small regions.

    Two Lambert equal-area discs, the hemisphere about the mean direction and the opposite one, both with north (+z) up;
    below them a close-up of each of the two heaviest modes if they are small.

    Parameters
    ----------
    shown : Shown
    truth : KnownSource, optional

    Returns
    -------
    Figure
    """
    known = None if truth is None else truth.direction
    return draw_sphere_map(shown.regions, shown.modes, shown.samples, shown.centre, known)


def draw_sphere_map(
    regions: Sequence[Region],
    modes: Sequence[Mode],
    samples: FloatArray,
    centre: FloatArray,
    truth: FloatArray | None = None,
) -> Figure:
    """As `sphere_map`, from its parts: regions of one density, modes (heaviest first), samples (N, 3), map centre."""
    listed = regions[0].candidates is not None  # a choice among a few directions has no regions to draw
    close = [] if listed else [m for m in modes if m.angular_sd_rad < SMALL_REGION_RAD][:2]
    height = 5.45 + (4.45 if len(close) == 1 else 4.85 if close else 0.0)
    figure = Figure(figsize=(WIDTH_IN, height))
    for axes, middle in discs(figure, centre, "the mean direction"):
        _disc(axes, regions, modes, middle, truth)
    for n, mode in enumerate(close):
        axes = figure.add_axes((0.075 + 0.5 * n, 0.5 / height, 0.40, 3.95 / height))
        _close_up(axes, regions, modes, mode, samples, truth)
        title = "close-up" if len(modes) == 1 else f"close-up of mode {modes.index(mode) + 1}"
        axes.set_title(title + ", equal area")
    handles = _map_handles(
        () if listed else regions, truth is not None, "candidate" if listed else "mean direction of a mode"
    )
    if len(close) == 1:
        figure.legend(handles=handles, loc="center left", bbox_to_anchor=(0.56, 2.5 / height), labelspacing=1.0)
    else:
        where = 4.78 if close else 0.02
        figure.legend(handles=handles, loc="lower center", bbox_to_anchor=(0.5, where / height), ncols=3)
    return figure


def _levels(regions: Sequence[Region]) -> list[Region]:
    """Regions that have an edge, widest first, no two with the same threshold."""
    out: list[Region] = []
    for region in sorted(regions, key=lambda r: -r.level):
        threshold = region.log_density_threshold
        if np.isfinite(threshold) and (not out or threshold > out[-1].log_density_threshold):
            out.append(region)
    return out


def _contours(
    axes: Axes, regions: Sequence[Region], x: FloatArray, y: FloatArray, log_density: FloatArray
) -> list[QuadContourSet]:
    edged = _levels(regions)
    if not edged:
        return []
    thresholds = [r.log_density_threshold for r in edged]
    top = max(float(log_density.max()), thresholds[-1]) + 1.0
    tints = TINTS[-len(edged) :]
    made = [axes.contourf(x, y, log_density, [*thresholds, top], colors=tints, zorder=1)]
    if float(log_density.max()) > thresholds[0]:
        styles = [LEVEL_STYLES.get(round(r.level, 6), "solid") for r in edged]
        made.append(
            axes.contour(x, y, log_density, thresholds, colors=INK, linewidths=1.1, linestyles=styles, zorder=3)
        )
    return made


def _outside(x: FloatArray, y: FloatArray, edge: float) -> tuple[FloatArray, FloatArray]:
    """A line with the points beyond a radius blanked out."""
    out = x * x + y * y > edge * edge
    return np.where(out, np.nan, x), np.where(out, np.nan, y)


def _graticule(centre: FloatArray) -> list[tuple[str, float, FloatArray]]:
    """Lines of constant azimuth and elevation every 30 degrees: kind, degrees, map coordinates (n, 2)."""
    lines: list[tuple[str, float, FloatArray]] = []
    fine = np.radians(np.linspace(-180, 180, 361))
    for azimuth in range(-180, 180, 30):
        tall = np.radians(np.linspace(-90, 90, 181) if azimuth % 90 == 0 else np.linspace(-60, 60, 121))
        lines.append(("azimuth", azimuth, lambert_xy(vector_from_angles(np.radians(azimuth), tall), centre)))
    for elevation in (-60, -30, 0, 30, 60):
        lines.append(("elevation", elevation, lambert_xy(vector_from_angles(fine, np.radians(elevation)), centre)))
    return lines


def _disc(
    axes: Axes,
    regions: Sequence[Region],
    modes: Sequence[Mode],
    centre: FloatArray,
    truth: FloatArray | None,
) -> None:
    rim = blank_disc(axes, centre)
    x, y, points = disc_points(centre)
    if max(m.angular_sd_rad for m in modes) > np.radians(1.5):
        # no region of 95% reaches six root mean square radii (Chebyshev: 4.5), so the density is not needed there
        near = np.any([points @ m.mean > np.cos(min(6 * m.angular_sd_rad + 0.1, np.pi)) for m in modes], axis=0)
        values = np.full(len(points), -60.0)
        if np.any(near):
            values[near] = np.maximum(regions[0].density.log_density(points[near]), -60.0)
            for made in _contours(axes, regions, x, y, values.reshape(x.shape)):
                made.set_clip_path(rim)
    for n, mode in enumerate(modes):
        if mode.mean @ centre >= 0:
            _mark_mode(axes, lambert_xy(mode.mean, centre), n + 1, len(modes) > 1)
    if truth is not None and truth @ centre >= 0:
        mark_truth(axes, lambert_xy(truth, centre))


def disc_points(centre: FloatArray, across: int = 97) -> tuple[FloatArray, FloatArray, FloatArray]:
    """A square grid over the disc about a centre: map coordinates x and y (n, n), and its directions (n^2, 3)."""
    grid = np.linspace(-DISC_EDGE, DISC_EDGE, across)
    x, y = np.meshgrid(grid, grid)
    return x, y, _from_map(x, y, centre)


def blank_disc(axes: Axes, centre: FloatArray) -> Circle:
    """The hemisphere about a centre as an equal-area disc with its graticule and the axes of the chip; returns the rim."""
    rim = Circle((0, 0), DISC_EDGE, facecolor="white", edgecolor=INK, linewidth=1.2, zorder=0)
    axes.add_patch(rim)
    for kind, degrees, xy in _graticule(centre):
        u, v = _outside(xy[:, 0], xy[:, 1], DISC_EDGE)
        strong = kind == "elevation" and degrees == 0
        axes.plot(u, v, color=QUIET if strong else FAINT, linewidth=0.9 if strong else 0.6, zorder=2)
    _disc_labels(axes, centre, DISC_EDGE)
    for name, vector in (("+x", (1, 0, 0)), ("+y", (0, 1, 0)), ("+z", (0, 0, 1))):
        for prefix, sign in ((name, 1.0), (name.replace("+", "−"), -1.0)):
            direction = sign * np.array(vector, dtype=np.float64)
            if direction @ centre > 0.05:
                p = lambert_xy(direction, centre)
                axes.plot(*p, marker="s", markersize=3.2, color=INK, zorder=4)
                axes.annotate(
                    prefix,
                    (float(p[0]), float(p[1])),
                    (4, 4),
                    textcoords="offset points",
                    fontsize=9,
                    weight="bold",
                    path_effects=HALO,
                    zorder=6,
                )
    axes.set_aspect("equal")
    axes.set_xlim(-1.04 * DISC_EDGE, 1.04 * DISC_EDGE)
    axes.set_ylim(-1.04 * DISC_EDGE, 1.04 * DISC_EDGE)
    axes.axis("off")
    return rim


def discs(figure: Figure, centre: FloatArray, words: str, top_in: float = 0.26) -> list[tuple[Axes, FloatArray]]:
    """Places for two discs side by side at the top of a figure, the hemisphere about a centre and its opposite; their centres."""
    height = float(figure.get_figheight())
    tall = DISC_IN / height
    out = []
    for n, sign in enumerate((1, -1)):
        axes = figure.add_axes((0.005 + 0.5 * n, 1 - top_in / height - tall, 0.49, tall))
        axes.set_title(f"hemisphere about {words}" if n == 0 else "opposite hemisphere")
        out.append((axes, sign * centre))
    return out


def _disc_labels(axes: Axes, centre: FloatArray, edge: float) -> None:
    """Numbers on the graticule: azimuths along a parallel, elevations along a meridian, away from middle and rim."""
    azimuth, elevation = (float(np.degrees(a)) for a in angles_from_vector(centre))
    parallel = 0.0 if abs(elevation) <= 45 else np.sign(elevation) * 30.0
    meridian = 30 * np.floor((azimuth + 45) / 30) + (15 if abs(elevation) <= 60 else 0)
    spots = [("az " + _degrees(_wrapped(a), 1), a, parallel - 4.0) for a in range(-180, 180, 30)]
    spots += [("el " + _degrees(e, 1), meridian, float(e)) for e in (-60, -30, 30, 60) if e != parallel]
    for text, a, e in spots:
        xy = lambert_xy(vector_from_angles(np.radians(a), np.radians(e)), centre)
        if np.hypot(*xy) > 0.92 * edge or np.hypot(*xy) < 0.16:
            continue
        axes.text(xy[0], xy[1], text, fontsize=7, color=QUIET, ha="center", va="center", path_effects=HALO, zorder=5)


def _wrapped(degrees: float) -> float:
    return (degrees + 180) % 360 - 180


def _from_map(x: FloatArray, y: FloatArray, centre: FloatArray) -> FloatArray:
    """Unit vectors (n, 3) of points of the equal-area map about a centre; beyond the antipode, the antipode."""
    radius = np.minimum(np.hypot(x, y).ravel(), 2.0)
    angle = 2 * np.arcsin(radius / 2)
    turn = np.arctan2(y.ravel(), x.ravel())
    local = np.stack([np.cos(angle), np.sin(angle) * np.cos(turn), np.sin(angle) * np.sin(turn)], axis=1)
    return np.asarray(local @ rotation_to(centre))


def _mark_mode(axes: Axes, at: FloatArray, number: int, numbered: bool) -> None:
    axes.plot(
        *at, marker="o", markersize=11, markerfacecolor="none", markeredgecolor="white", markeredgewidth=3, zorder=6
    )
    axes.plot(
        *at, marker="o", markersize=11, markerfacecolor="none", markeredgecolor=BLUE, markeredgewidth=1.4, zorder=7
    )
    axes.plot(*at, marker="+", markersize=7, color=BLUE, markeredgewidth=1.1, zorder=7)
    if numbered:
        axes.annotate(
            str(number),
            (float(at[0]), float(at[1])),
            (8, -11),
            textcoords="offset points",
            weight="bold",
            color=BLUE,
            path_effects=HALO,
            zorder=8,
        )


def mark_truth(axes: Axes, at: FloatArray) -> None:
    """The star of a known direction."""
    axes.plot(
        *at, marker="*", markersize=13, markerfacecolor="white", markeredgecolor=ORANGE, markeredgewidth=1.5, zorder=9
    )


def truth_handle(words: str) -> Line2D:
    """The star of a known direction in a legend."""
    return Line2D(
        [], [], linestyle="", marker="*", markersize=11, markerfacecolor="white", markeredgecolor=ORANGE, label=words
    )


def _map_handles(regions: Sequence[Region], truth: bool, ring_words: str) -> list[Artist]:
    handles: list[Artist] = []
    edged = _levels(regions)
    for region, tint in zip(edged, TINTS[-len(edged) :] if edged else (), strict=True):
        style = LEVEL_STYLES.get(round(region.level, 6), "solid")
        words = f"{100 * region.level:.0f}% region: {_solid_angle(region.solid_angle_sr)}"
        handles.append(Patch(facecolor=tint, edgecolor=INK, linestyle=style, linewidth=1.1, label=words))
    ring = Line2D([], [], linestyle="", marker="o", markersize=9, markerfacecolor="none", markeredgecolor=BLUE)
    ring.set_label(ring_words)
    handles.append(ring)
    if truth:
        handles.append(truth_handle("truth, as stated"))
    return handles


def _solid_angle(sr: float) -> str:
    """A solid angle in the unit that reads well."""
    if sr >= 0.1:
        return f"{sr:.2g} sr, {100 * sr / (4 * np.pi):.2g}% of the sphere"
    square = float(f"{sr * (180 / np.pi) ** 2:.2g}")
    return f"{sr:.2g} sr, {square:g} square degrees"


def _nice(step: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is at most `step`."""
    power = 10.0 ** np.floor(np.log10(step))
    return float(power * max(m for m in (1, 2, 5) if m * power <= step * (1 + 1e-9)))


def _close_up(
    axes: Axes,
    regions: Sequence[Region],
    modes: Sequence[Mode],
    mode: Mode,
    samples: FloatArray,
    truth: FloatArray | None,
) -> None:
    centre = np.asarray(mode.mean)
    near = samples[samples @ centre > np.cos(min(6 * mode.angular_sd_rad + 1e-6, np.pi / 2))]
    spread = lambert_xy(near, centre)
    reach = 1.25 * float(np.quantile(np.abs(spread), 0.997)) + 1e-9
    if truth is not None:
        away = float(np.max(np.abs(lambert_xy(truth, centre))))
        reach = max(reach, 1.15 * away) if away < 4 * reach else reach
    grid = np.linspace(-reach, reach, 81)
    x, y = np.meshgrid(grid, grid)
    values = regions[0].density.log_density(_from_map(x, y, centre)).reshape(x.shape)
    made = _contours(axes, regions, x, y, values)
    shown = spread[np.linspace(0, len(spread) - 1, min(350, len(spread))).astype(int)]
    axes.plot(*shown.T, linestyle="", marker=".", markersize=1.8, color=INK, alpha=0.55, zorder=2)
    narrow = np.linalg.svd(spread - spread.mean(axis=0), compute_uv=False)
    if len(made) > 1 and narrow[1] > 0.35 * narrow[0]:
        names = {r.log_density_threshold: f"{100 * r.level:.0f}%" for r in _levels(regions)}
        for text in axes.clabel(made[1], fmt=names, fontsize=8, colors=INK):
            text.set_path_effects(HALO)
            text.set_zorder(5)
    _close_up_graticule(axes, centre, reach)
    _mark_mode(axes, np.zeros(2), modes.index(mode) + 1, len(modes) > 1)
    if truth is not None and np.max(np.abs(lambert_xy(truth, centre))) < reach:
        mark_truth(axes, lambert_xy(truth, centre))
    bar = _nice(np.degrees(reach) * 0.6)
    length = 2 * np.sin(np.radians(bar) / 2)
    right, low = 0.93 * reach, -0.90 * reach
    axes.plot([right - length, right], [low, low], color=INK, linewidth=3, solid_capstyle="butt", zorder=6)
    axes.text(
        right - length / 2, low + 0.035 * reach, f"{bar:g}°", ha="center", va="bottom", path_effects=HALO, zorder=6
    )
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(True)


def _close_up_graticule(axes: Axes, centre: FloatArray, reach: float) -> None:
    """Azimuth and elevation lines through a close-up, numbered where they cross its edges."""
    azimuth, elevation = (float(np.degrees(a)) for a in angles_from_vector(centre))
    half = float(np.degrees(1.5 * reach))
    step = _nice(max(half / 2.2, 1e-6))
    low, high = max(-90.0, elevation - half), min(90.0, elevation + half)
    level = np.cos(np.radians(max(abs(low), abs(high))))
    polar = level * 180 < 1.3 * half
    az_half = 180.0 if polar else half / level
    az_step = 30.0 if polar else min(30.0, _nice(max(np.degrees(reach) / 1.6 / np.cos(np.radians(elevation)), 1e-6)))
    fine = np.linspace(-1, 1, 181)
    along = np.radians(azimuth + az_half * fine)
    across = np.radians(np.linspace(low, high, 181))
    first = az_step * np.ceil((azimuth - az_half) / az_step)
    count = 12 if polar else int((azimuth + az_half - first) / az_step) + 1
    for n in range(count):
        value = first + az_step * n
        xy = lambert_xy(vector_from_angles(np.radians(value), across), centre)
        _edge_line(axes, xy, reach, "az " + _degrees(_wrapped(value), az_step), below=True, within=polar)
    first = step * np.ceil(low / step)
    for n in range(int((high - first) / step + 1e-9) + 1):
        value = first + step * n
        xy = lambert_xy(vector_from_angles(along, np.radians(value)), centre)
        _edge_line(axes, xy, reach, "el " + _degrees(value, step), below=False, within=polar)


def _degrees(value: float, step: float) -> str:
    digits = max(0, int(np.ceil(-np.log10(step) - 1e-9)))
    return f"{value + 0.0:.{digits}f}°".replace("-", "−")


def _edge_line(axes: Axes, xy: FloatArray, reach: float, text: str, below: bool, within: bool) -> None:
    inside = np.flatnonzero(np.max(np.abs(xy), axis=1) <= reach)
    if not len(inside):
        return
    axes.plot(*xy.T, color=FAINT, linewidth=0.7, zorder=1.5)
    # where the line enters the frame through its lower (left) edge, by the nearest point of the line
    k = 1 if below else 0
    edge = np.argmin(np.abs(xy[:, k] + reach) + 10 * np.maximum(np.abs(xy[:, 1 - k]) - 0.97 * reach, 0))
    if abs(xy[edge, k] + reach) > 0.08 * reach or abs(xy[edge, 1 - k]) > 0.97 * reach:
        if not within:
            return
        # about a pole: azimuths where they leave the frame, parallels at their top
        size = np.max(np.abs(xy), axis=1) if below else xy[:, 1]
        fits = np.flatnonzero(np.max(np.abs(xy), axis=1) <= 0.92 * reach)
        if not len(fits):
            return
        spot = xy[fits[np.argmax(size[fits])]]
        axes.text(
            spot[0], spot[1], text, fontsize=7, color=QUIET, ha="center", va="center", path_effects=HALO, zorder=4
        )
    elif below:
        axes.text(xy[edge, 0], -1.03 * reach, text, fontsize=7.5, ha="center", va="top")
    else:
        axes.text(-1.02 * reach, xy[edge, 1], text, fontsize=7.5, ha="right", va="center")


# ---------------------------------------------------------------------------------------------------------- the geometry
@styled
def geometry(shown: Shown, truth: KnownSource | None = None, arrows: int = 60) -> Figure:
    """Loops and source seen from above and from the side, with draws of the direction as a fan of thin lines.

    The side view looks along the chip plane, at right angles to the mean direction's azimuth, so that the mean direction
    lies in the paper.
    """
    study, samples = shown.study, shown.samples
    outlines = loop_outlines_m(study)
    points = np.concatenate(outlines)
    large = float(np.max(np.ptp(points, axis=0))) > 1e-3
    scale, unit = (1e3, "mm") if large else (1e6, "µm")
    outlines = [x * scale for x in outlines]
    points = points * scale
    dipole = study.source.has_position
    origin = np.array(study.source.position_m) * scale if dipole else points.mean(axis=0)
    modes = shown.modes
    chosen = samples[np.linspace(0, len(samples) - 1, arrows).astype(int)]
    azimuth = float(angles_from_vector(shown.centre)[0])
    ahead = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
    known = None if truth is None else truth.direction
    figure = Figure(figsize=(WIDTH_IN, 4.7))
    views = (
        ("from above", np.eye(3)[:2], f"x ({unit})", f"y ({unit})"),
        (
            f"from the side, along azimuth {_degrees(np.degrees(azimuth), 1)}",
            np.stack([ahead, np.eye(3)[2]]),
            f"distance along azimuth {_degrees(np.degrees(azimuth), 1)} ({unit})",
            f"z ({unit})",
        ),
    )
    length = 0.5 * float(np.max(np.ptp(points, axis=0)))
    for n, (title, plane, xlabel, ylabel) in enumerate(views):
        axes = figure.add_axes((0.075 + 0.5 * n, 0.115, 0.41, 0.80))
        for outline in outlines:
            flat = np.concatenate([outline, outline[:1]]) @ plane.T
            axes.plot(*flat.T, color=INK, linewidth=1.0 if n == 0 else 2.0, zorder=2)
            if np.max(np.ptp(flat, axis=0)) < 0.04 * 2 * length:  # too small to see: a mark of fixed size
                axes.plot(*flat.mean(axis=0), marker="s", markersize=5, markerfacecolor="none", color=INK, zorder=2)
        if n == 0 and len(outlines) <= 24:
            small = max(float(np.max(np.ptp(x, axis=0))) for x in outlines) < 0.08 * length
            middles = [x.mean(axis=0) @ plane.T for x in outlines]
            _name_loops(axes, middles, [x.name for x in study.loops], 2 * length, small)
        at = origin @ plane.T
        for vector in chosen:
            tip = at + length * (vector @ plane.T)
            axes.plot([at[0], tip[0]], [at[1], tip[1]], color=BLUE, linewidth=0.6, alpha=0.25, zorder=4)
        for number, mode in enumerate(modes, 1):
            _arrow(axes, at, length * (mode.mean @ plane.T), BLUE, "solid")
            if len(modes) > 1:
                tip = at + 1.1 * length * (mode.mean @ plane.T)
                axes.text(
                    tip[0],
                    tip[1],
                    str(number),
                    weight="bold",
                    color=BLUE,
                    path_effects=HALO,
                    ha="center",
                    va="center",
                    zorder=8,
                )
        if known is not None:
            _arrow(axes, at, 1.15 * length * (known @ plane.T), ORANGE, (0, (4, 2)))
        axes.plot(*at, marker="o", markersize=5, color=INK, zorder=7)
        axes.set_title(title)
        axes.set_xlabel(xlabel)
        axes.set_ylabel(ylabel)
        axes.set_aspect("equal", adjustable="datalim")
        axes.margins(0.06)
    return figure


def _name_loops(axes: Axes, middles: Sequence[FloatArray], names: Sequence[str], extent: float, beside: bool) -> None:
    """Names of loops at their middles; loops that lie too close to be named apart share a stack of names."""
    placed: list[tuple[FloatArray, list[str]]] = []
    for middle, name in zip(middles, names, strict=True):
        for k, (spot, stack) in enumerate(placed):
            if abs(spot[1] - middle[1]) < 0.08 * extent and abs(spot[0] - middle[0]) < 0.16 * extent:
                stack.append(name)
                placed[k] = (spot if spot[1] >= middle[1] else middle, stack)
                break
        else:
            placed.append((middle, [name]))
    for spot, stack in placed:
        text = "\n".join(plain(x, 14) for x in stack)
        alone = len(stack) == 1 and not beside
        axes.annotate(
            text,
            (float(spot[0]), float(spot[1])),
            (0, 0 if alone else 7),
            textcoords="offset points",
            fontsize=6.5,
            ha="center",
            va="center" if alone else "bottom",
            path_effects=HALO,
            zorder=3,
        )


def _arrow(axes: Axes, at: FloatArray, by: FloatArray, colour: str, style: LineStyle) -> None:
    axes.annotate(
        "",
        (float(at[0] + by[0]), float(at[1] + by[1])),
        (float(at[0]), float(at[1])),
        arrowprops={
            "arrowstyle": "-|>",
            "color": colour,
            "linewidth": 1.8,
            "linestyle": style,
            "shrinkA": 0,
            "shrinkB": 0,
            "mutation_scale": 13,
        },
        zorder=6,
    )
    axes.plot(*(at + by), marker="", zorder=1)  # annotations do not count for the limits


# --------------------------------------------------------------------------------------------------------------- traces
@styled
def traces(shown: Shown) -> Figure:
    """Measured and predicted ratios to the pump-off trace, with residuals: small multiples of at most 24 groups."""
    return draw_traces(chosen_groups(shown.groups, MOST_TRACES))


@styled
def draw_traces(views: Sequence[GroupView]) -> Figure:
    """Small multiples, one per group: modulus in dB above, residuals in standard deviations below."""
    columns = min(4, len(views))
    rows = -(-len(views) // columns)
    top_in, bottom_in, row_in = 0.55, 0.5, 2.0
    height = top_in + bottom_in + row_in * rows
    figure = Figure(figsize=(WIDTH_IN, height))
    floor = min(float(min(decibels(v.ratio).min(), decibels(v.best).min())) for v in views)
    ceiling = max(float(decibels(v.ratio).max()) for v in views)
    floor, ceiling = max(floor, -45.0) - 2.0, ceiling + 1.5
    left, gap = 0.055, 0.022
    width = (1 - left - 0.02 - gap * (columns - 1)) / columns
    for n, view in enumerate(views):
        row, column = divmod(n, columns)
        base = 1 - (top_in + row_in * (row + 1) - 0.12) / height
        x = left + column * (width + gap)
        last = n + columns >= len(views)
        upper = figure.add_axes((x, base + 0.56 / height, width, (row_in - 0.92) / height))
        lower = figure.add_axes((x, base, width, 0.46 / height))
        _trace_panel(upper, lower, view)
        upper.set_ylim(floor, ceiling)
        for axes in (upper, lower):
            axes.set_xlim(view.frequency_hz[0] / 1e9, view.frequency_hz[-1] / 1e9)
            axes.locator_params(axis="x", nbins=4)
            axes.tick_params(length=2.5, labelsize=7.5)
            if column:
                axes.tick_params(labelleft=False)
        upper.tick_params(labelbottom=False)
        lower.tick_params(labelbottom=last)
        upper.set_title(plain(view.name, 34), fontsize=8, pad=3, loc="left")
        if column == 0:
            upper.set_ylabel("ratio (dB)", fontsize=8)
            lower.set_ylabel("sd", fontsize=8)
        if last:
            lower.set_xlabel("GHz", fontsize=8, labelpad=1)
    figure.legend(
        handles=_trace_handles(),
        loc="upper center",
        bbox_to_anchor=(0.5, 1 - 0.02 / height),
        ncols=4,
        columnspacing=2.2,
    )
    return figure


class _Mark(TypedDict):
    """A point."""

    marker: str
    markerfacecolor: str
    markeredgecolor: str


class _Dots(_Mark):
    """Points without a line."""

    linestyle: Literal[""]
    markeredgewidth: float


class _Look(TypedDict):
    """How a path is drawn."""

    name: str
    colour: str
    line: LineStyle
    marker: str
    face: str


PATH_LOOKS: tuple[_Look, ...] = (
    {"name": "S21", "colour": BLUE, "line": "solid", "marker": "o", "face": BLUE},
    {"name": "S12", "colour": ORANGE, "line": (0, (4, 1.6)), "marker": "s", "face": "white"},
)


def _trace_panel(upper: Axes, lower: Axes, view: GroupView) -> None:
    f = view.frequency_hz / 1e9
    step = max(1, len(f) // 36)
    for p, look in enumerate(PATH_LOOKS):
        upper.fill_between(f, view.low_db[p], view.high_db[p], color=look["colour"], alpha=0.22, linewidth=0, zorder=1)
        upper.plot(f, decibels(view.best[p]), color=look["colour"], linestyle=look["line"], linewidth=1.1, zorder=2)
        dots: _Dots = {
            "linestyle": "",
            "marker": look["marker"],
            "markerfacecolor": look["face"],
            "markeredgecolor": look["colour"],
            "markeredgewidth": 0.7,
        }
        upper.plot(f[::step], decibels(view.ratio[p])[::step], markersize=2.7, zorder=3, **dots)
        lower.plot(f, np.clip(view.residual[p].real, -5.6, 5.6), markersize=1.9, zorder=3, **dots)
    lower.axhspan(-2, 2, facecolor="#eef0f2", zorder=0)
    lower.axhline(0, color=QUIET, linewidth=0.7, zorder=1)
    lower.set_ylim(-6, 6)
    lower.set_yticks([-4, 0, 4])


def _trace_handles() -> list[Artist]:
    handles: list[Artist] = []
    for look in PATH_LOOKS:
        dot: _Mark = {"marker": look["marker"], "markerfacecolor": look["face"], "markeredgecolor": look["colour"]}
        handles.append(Line2D([], [], linestyle="", markersize=4.5, label=f"{look['name']} measured", **dot))
        handles.append(
            Line2D([], [], color=look["colour"], linestyle=look["line"], label=f"{look['name']} predicted (band: 90%)")
        )
    return handles


@styled
def sweeps_against_columns(columns: Sequence[OwnColumn]) -> Figure:
    """What each sweep does against the laboratory's own columns of the log: a row of panels a column."""
    shown = columns[:MOST_OWN_COLUMNS]
    height = 0.3 + 1.9 * len(shown)
    figure = Figure(figsize=(WIDTH_IN, height))
    for row, one in enumerate(shown):
        for n, measure in enumerate(MEASURES):
            base = 1 - (1.9 * (row + 1) - 0.1) / height
            axes = figure.add_axes((0.06 + 0.19 * n, base, 0.145, 1.25 / height))
            sure = n in one.sure
            look = PATH_LOOKS[0 if sure else 1]
            axes.plot(one.values, one.measures[n], linestyle="", marker=look["marker"], markersize=2.4,
                      markerfacecolor=look["face"], markeredgecolor=look["colour"], markeredgewidth=0.6)  # fmt: skip
            axes.tick_params(length=2.5, labelsize=7)
            axes.locator_params(nbins=4)
            axes.set_xlabel(plain(one.name, 26), fontsize=8, labelpad=1)
            axes.set_ylabel(measure, fontsize=7.5, labelpad=1)
            chance = f", chance {one.probability[n]:.0e}" if sure else ""
            axes.set_title(f"rank correlation {one.correlation[n]:+.2f}{chance}".replace("-", "−"), fontsize=6.8, pad=3)
    return figure


@styled
def residual_quantiles(views: Sequence[GroupView]) -> Figure:
    """Quantiles of all scaled residuals against those of a normal distribution of unit variance, path by path."""
    from scipy.special import ndtri

    figure = Figure(figsize=(4.6, 3.6))
    axes = figure.add_axes((0.13, 0.14, 0.84, 0.82))
    share = np.concatenate([[0.001, 0.002, 0.005], np.linspace(0.01, 0.99, 45), [0.995, 0.998, 0.999]])
    expected = ndtri(share)
    limit = 4.4
    axes.plot([-limit, limit], [-limit, limit], color=QUIET, linewidth=0.9, label="as the model expects")
    for p, look in enumerate(PATH_LOOKS):
        parts = np.concatenate([np.r_[v.residual[p].real, v.residual[p].imag] for v in views])
        kept = (share * len(parts) >= 2) & ((1 - share) * len(parts) >= 2)
        axes.plot(
            expected[kept],
            np.clip(np.quantile(parts, share[kept]), -limit, limit),
            linestyle="",
            marker=look["marker"],
            markersize=3.6,
            markerfacecolor=look["face"],
            markeredgecolor=look["colour"],
            label=f"{look['name']}, {len(parts)} values",
        )
    axes.set_xlim(-limit, limit)
    axes.set_ylim(-limit, limit)
    axes.set_aspect("equal")
    axes.set_xlabel("expected (sd)")
    axes.set_ylabel("found (sd)")
    axes.legend(loc="upper left")
    return figure


# ------------------------------------------------------------------------------------------------------- directionality
@styled
def directionality(shown: Shown) -> Figure:
    """Directionality of each group, measured and predicted, with the direction of transmission named."""
    return draw_directionality(chosen_groups(shown.groups, MOST_ROWS))


@styled
def draw_directionality(views: Sequence[GroupView]) -> Figure:
    """One line per group, at the frequency where the predicted directionality is largest."""
    height = 1.05 + 0.25 * len(views)
    figure = Figure(figsize=(WIDTH_IN, height))
    axes = figure.add_axes((0.27, 0.55 / height, 0.53, 0.25 * len(views) / height))
    reach = max(max(abs(v.directionality_db), abs(v.predicted_low_db), abs(v.predicted_high_db)) for v in views)
    reach = 1.12 * min(max(reach, 3.0), 80.0)
    axes.axvspan(-UNDECIDED_DB, UNDECIDED_DB, facecolor="none", edgecolor=FAINT, hatch="////", linewidth=0, zorder=0)
    axes.axvline(0, color=INK, linewidth=0.9, zorder=1)
    y = -np.arange(len(views), dtype=np.float64)
    for n, view in enumerate(views):
        if n and view.isolator != views[n - 1].isolator:
            axes.axhline(y[n] + 0.5, color=QUIET, linewidth=0.7, zorder=0)
        words = f"{passes(view.directionality_db)}   {view.directionality_db:+.1f} dB".replace("-", "−")
        axes.text(1.015, y[n], words, transform=axes.get_yaxis_transform(), va="center", fontsize=8)
    measured, spread, predicted, low, high = np.array(
        [
            (v.directionality_db, v.directionality_sd_db, v.predicted_db, v.predicted_low_db, v.predicted_high_db)
            for v in views
        ]
    ).T
    axes.hlines(y, 0, measured, color=FAINT, linewidth=1.0, zorder=1)
    axes.hlines(y, low, high, color=ORANGE, linewidth=5, alpha=0.35, zorder=2)
    diamonds: Any = {"marker": "D", "markersize": 7, "markerfacecolor": "white", "markeredgewidth": 1.2}
    axes.plot(predicted, y, linestyle="", markeredgecolor=ORANGE, zorder=3, **diamonds)
    axes.errorbar(
        measured,
        y,
        xerr=spread,
        linestyle="",
        marker="o",
        markersize=3.6,
        color=BLUE,
        elinewidth=1.0,
        capsize=2,
        zorder=4,
    )
    axes.set_yticks(y, [plain(v.name, 40) for v in views])
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(y[-1] - 0.6, 0.6)
    axes.set_xlim(-reach, reach)
    axes.set_xlabel("directionality, 20 log10 of |S21| over |S12| (dB)")
    axes.spines["left"].set_visible(False)
    axes.text(
        0.02, 1.0 + 0.08 / (0.25 * len(views)), "← passes 2 → 1", transform=axes.transAxes, va="bottom", fontsize=8
    )
    axes.text(
        0.98,
        1.0 + 0.08 / (0.25 * len(views)),
        "passes 1 → 2 →",
        transform=axes.transAxes,
        va="bottom",
        ha="right",
        fontsize=8,
    )
    handles = [
        Line2D([], [], color=BLUE, marker="o", markersize=3.6, linewidth=1.0, label="measured, ± 1 sd"),
        Line2D(
            [],
            [],
            color="#eac19f",
            linewidth=5,
            marker="D",
            markersize=6,
            markerfacecolor="white",
            markeredgecolor=ORANGE,
            label="predicted, central 90%",
        ),
        Patch(facecolor="none", edgecolor=FAINT, hatch="////", linewidth=0, label="too small to call"),
    ]
    figure.legend(handles=handles, loc="upper center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    return figure


# --------------------------------------------------------------------------------------------------------------- corner
@styled
def corner_plot(shown: Shown, truth: KnownSource | None = None) -> Figure:
    """Marginal posterior of the source vector and of the nuisances that go most with it."""
    return draw_corner(marked(shown.columns, truth))


@styled
def draw_corner(columns: Sequence[Column]) -> Figure:
    """Histograms on the diagonal with 5, 50 and 95% marked; below it regions of 50 and 90%.

    The panels are made one by one and not by the corner library, which makes and empties those above the diagonal too;
    the regions are its.
    """
    size = len(columns)
    figure = Figure(figsize=(WIDTH_IN, WIDTH_IN))
    ranges = [_corner_range(c) for c in columns]
    left, bottom, gap = 0.085, 0.09, 0.006
    side = (0.99 - left + gap) / size - gap
    tall = (0.985 - bottom + gap) / size - gap
    for row, column in ((r, c) for r in range(size) for c in range(r + 1)):
        place = (left + column * (side + gap), bottom + (size - 1 - row) * (tall + gap), side, tall)
        axes = figure.add_axes(place)
        if row == column:
            _corner_histogram(axes, columns[row], ranges[row])
        else:
            _corner_regions(axes, (columns[column], columns[row]), (ranges[column], ranges[row]))
        axes.tick_params(labelsize=7.5, length=2.5, labelbottom=row == size - 1, labelleft=column == 0 < row)
        axes.spines[["top", "right"]].set_visible(True)
        axes.xaxis.set_major_locator(MaxNLocator(3, prune="lower"))
        axes.tick_params(axis="x", labelrotation=45)
        if row != column:
            axes.yaxis.set_major_locator(MaxNLocator(3, prune="lower"))
            axes.tick_params(axis="y", labelrotation=45)
        if row == size - 1:
            axes.set_xlabel(_corner_label(columns[column]), fontsize=8.5)
            axes.xaxis.set_label_coords(0.5, -0.36)
        if column == 0 < row:
            axes.set_ylabel(_corner_label(columns[row]), fontsize=8.5)
            axes.yaxis.set_label_coords(-0.36, 0.5)
    return figure


def _corner_label(column: Column) -> str:
    """Name of a column and, below it, its unit."""
    return plain(column.label, 40).replace(" (", "\n(", 1)


def _corner_range(column: Column) -> tuple[float, float]:
    """Nearly all draws of a column, and the truth where it is near."""
    low, high = np.quantile(column.values, [0.002, 0.998])
    if column.truth is not None and low - 2 * (high - low) < column.truth < high + 2 * (high - low):
        low, high = min(low, column.truth), max(high, column.truth)
    margin = 0.06 * (high - low) if high > low else max(abs(high), 1.0) * 1e-6
    return float(low - margin), float(high + margin)


CORNER_BINS = 26
TRUTH_LINE: Any = {"color": ORANGE, "linewidth": 1.3, "linestyle": (0, (6, 1.5, 1, 1.5))}


def _corner_histogram(axes: Axes, column: Column, reach: tuple[float, float]) -> None:
    """Smoothed counts of one column."""
    from scipy.ndimage import gaussian_filter1d

    counts, edges = np.histogram(column.values, CORNER_BINS, reach)
    smooth = gaussian_filter1d(counts.astype(np.float64), 0.9)
    axes.stairs(smooth, edges, color=INK, linewidth=1.1)
    for value in np.quantile(column.values, [0.05, 0.5, 0.95]):
        axes.axvline(value, color=QUIET, linestyle="dashed")
    if column.truth is not None:
        axes.axvline(column.truth, **TRUTH_LINE)
    axes.set_xlim(reach)
    axes.set_ylim(0, 1.1 * float(smooth.max()))
    axes.set_yticks([])


def _corner_regions(
    axes: Axes, pair: tuple[Column, Column], reach: tuple[tuple[float, float], tuple[float, float]]
) -> None:
    """Regions of 50 and 90% of two columns."""
    with warnings.catch_warnings():
        # arviz, which corner imports where it is, announces its own next version once a day
        warnings.simplefilter("ignore")
        from corner import hist2d
    hist2d(
        pair[0].values,
        pair[1].values,
        ax=axes,
        range=reach,
        bins=CORNER_BINS,
        smooth=0.9,
        levels=(0.5, 0.9),
        color=INK,
        plot_datapoints=False,
        plot_density=False,
        fill_contours=True,
        no_fill_contours=True,
        contourf_kwargs={"colors": ["white", TINTS[1], TINTS[2]]},
        contour_kwargs={"colors": INK, "linewidths": 1.0, "linestyles": [LEVEL_STYLES[0.9], "solid"]},
    )
    x, y = (c.truth for c in pair)
    if x is not None:
        axes.axvline(x, **TRUTH_LINE)
    if y is not None:
        axes.axhline(y, **TRUTH_LINE)
    if x is not None and y is not None:
        axes.plot([x], [y], marker="*", markersize=11, markerfacecolor="white", markeredgecolor=ORANGE)
