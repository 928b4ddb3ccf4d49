"""The page of a characterization: figures and one self-contained HTML file, in the style of the result's report."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from matplotlib.colors import Colormap
from matplotlib.figure import Figure

from fluxsense.base.files import write_beside
from fluxsense.characterize.faults import record_chi2
from fluxsense.characterize.fit import IsolatorFit
from fluxsense.characterize.model import IsolatorModel
from fluxsense.characterize.run import MIRROR_WORDS, TRUST_WORDS, Characterization, IsolatorResult, quantity_words
from fluxsense.characterize.tracks import Track, track_frequency_hz
from fluxsense.report.figures import BLUE, EITHER_SIGN, FAINT, INK, ORANGE, QUIET, TINTS, WIDTH_IN, plain, styled
from fluxsense.report.page import filled
from fluxsense.report.pictures import picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.image import AxesImage

    from fluxsense.characterize.document import CharacterizationDocument, FittedIsolator, PointEntry

FloatArray = npt.NDArray[np.float64]

LEAST_DB = -40.0


def sweep_page(result: Characterization) -> str:
    """The page of a characterization as one HTML document."""
    document = result.document
    return filled(
        "sweeps.html",
        d=document,
        trust_words=TRUST_WORDS[document["verdict"]["trust"]],
        answer=_answer(document),
        said=[*document["verdict"]["reasons"], *document["skipped"]],
        parts=[_part(entry, one) for entry, one in zip(document["isolators"], result.isolators, strict=True)],
        note=result.study.note.strip(),
        study_file=result.study.path.name,
    )


def write_sweep_report(path: str | os.PathLike[str], result: Characterization) -> None:
    """Write the page beside its place, then rename it.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    write_beside(path, sweep_page(result).encode("utf-8", "backslashreplace"), sync=True)


def _answer(document: CharacterizationDocument) -> str:
    entries = document["isolators"]
    fitted = [e for e in entries if "parameters" in e and e["verdict"]["trust"] != "unusable"]
    bands = [e["tunable_band_width_hz"] for e in fitted if e.get("tunable_band_hz")]
    words = f"{len(fitted)} of {len(entries)} isolators were characterized."
    if bands:
        low, high = min(bands) / 1e6, max(bands) / 1e6
        span = f"{low:.0f} MHz" if high - low < 1 else f"{low:.0f} to {high:.0f} MHz"
        words += f" They isolate by {document['isolation_wanted_db']:g} dB or more over {span}."
    return words


def _part(entry: FittedIsolator, one: IsolatorResult) -> dict[str, object]:
    pictures = [picture(x.figure, x.alt, x.caption, pixels=x.pixels) for x in _figures(entry, one)]
    part: dict[str, object] = {"entry": entry, "pictures": pictures}
    if one.fit is None:
        return part | {"parameters": [], "points": [], "rings": [], "pairs": []}
    return part | {
        "parameters": [
            (
                p["name"],
                quantity_words(p["value"], p["sd"], p["unit"]),
                "assumed within its prior" if p["assumed"] else "",
            )
            for p in entry["parameters"]
        ],
        "rings": [
            f"Loop {r['loop']}: {r['words']}; its ramp covers {r['ramp_phi0']:.2f} flux quanta." for r in entry["rings"]
        ]
        + ([MIRROR_WORDS] if entry["reflection"] and entry["reflection"]["told_from_mirror_image"] else []),
        "pairs": [(p["first"], p["second"], f"{p['correlation']:+.3f}") for p in entry["strong_correlations"][:10]],
        "points": [_point_cells(p) for p in entry.get("working_points", [])],
    }


def _point_cells(p: PointEntry) -> tuple[str, ...]:
    """A working point's row of the table."""
    return (
        f"{p['flux_phi0']:.2f}",
        str(p["pump_port"]),
        p["transmits"],
        f"{p['pump_frequency_hz'] / 1e9:.4f}",
        f"{10 * math.log10(p['pump_power_w'] / 1e-3):.2f}",
        f"{p['frequency_hz'] / 1e9:.4f}",
        f"{p['isolation_db']:.1f}",
        f"{p['insertion_loss_db']:.2f}",
        f"{p['reflection_db']:.1f}",
        f"{p['bandwidth_hz'] / 1e6:.1f}",
    )


@dataclass(frozen=True)
class _Drawn:
    """A figure with its name, words for those who cannot see it and caption; `pixels` where lines would make a heavy page."""

    name: str
    figure: Figure
    alt: str
    caption: str
    pixels: bool = False


def sweep_figures(result: Characterization) -> dict[str, Figure]:
    """Every figure of a characterization by isolator and name."""
    pairs = zip(result.document["isolators"], result.isolators, strict=True)
    return {f"{one.name}_{drawn.name}": drawn.figure for entry, one in pairs for drawn in _figures(entry, one)}


def _figures(entry: FittedIsolator, one: IsolatorResult) -> Iterator[_Drawn]:
    """An isolator's figures, in the order of the page."""
    tracks = [t for t in one.tracks if t is not None]
    if tracks:
        yield _Drawn(
            "tuning",
            draw_tracks(tracks, one.fit),
            "Resonance of each stage against the bias current of its line, with the fitted curve",
            "How each resonance tunes. Circles: resonance found in each pump-off sweep; curve: the fitted ring.",
        )
    if one.fit is None:
        return
    yield _Drawn(
        "pump_off",
        draw_flux_maps(one.fit),
        "Maps of transmission against signal frequency and bias current",
        "Pump off: magnitude of S21 over the line's gain, measured (left) and fitted (right).",
        pixels=True,
    )
    yield _Drawn(
        "misfit",
        draw_residuals(one.fit),
        "Misfit of each setting in the order of time",
        "Squared residual over noise of each setting, in the order in which the sweeps were taken; 1 is noise alone. "
        "A step would be a flux jump.",
    )
    if one.fit.pumped:
        yield _Drawn(
            "pump_on",
            draw_pump_maps(one.fit),
            "Transmission both ways and directionality against signal frequency and pump power or pump frequency",
            "Pump on, measured, with the lines' gains taken off: |S21|, |S12| and directionality 20 log10(|S21|/|S12|). "
            "Left: against pump power; right: against pump frequency.",
            pixels=True,
        )
        if _pump_rows(one.fit, "power")[0].size > 1:
            yield _Drawn(
                "power",
                draw_power(one.fit),
                "Isolation and forward loss against pump power",
                "How isolation grows with pump power at the signal frequency where it gets largest. Circles: isolation; "
                "squares: forward loss; lines: the fit.",
            )
    if one.points:
        yield _Drawn(
            "working_points",
            draw_points(one, float(entry["tunable_band_width_hz"])),
            "Isolation, loss and reflection at the best setting against signal frequency",
            "Working points over the tuning range, pump port 1. Circles: isolation; squares: forward loss; triangles: "
            "reflection. The shaded strip is the tunable band.",
        )


# --------------------------------------------------------------------------------------------------------------- figures
@styled
def draw_tracks(tracks: Sequence[Track], fit: IsolatorFit | None) -> Figure:
    """Resonance against bias current, one panel a stage."""
    figure = Figure(figsize=(WIDTH_IN, 3.2), layout="constrained")
    axes = figure.subplots(1, len(tracks), squeeze=False)[0]
    for k, (axis, track) in enumerate(zip(axes, tracks, strict=True)):
        axis.plot(1e3 * track.current_a, track.frequency_hz / 1e9, "o", mfc="white", mec=BLUE, ms=4.5)
        if fit is not None:
            shape = fit.shapes[k]
            order = np.argsort(track.current_a)
            if shape.of.jumps:
                axis.plot(1e3 * track.current_a, track_frequency_hz(shape, track.current_a) / 1e9, color=ORANGE)
            else:
                fine = np.linspace(track.current_a[order[0]], track.current_a[order[-1]], 400)
                axis.plot(1e3 * fine, track_frequency_hz(shape, fine) / 1e9, color=ORANGE)
            axis.set_title(plain(f"stage {k + 1}: {shape.kind}"))
        axis.set_xlabel("bias current (mA)")
        axis.set_ylabel("resonance (GHz)")
    return figure


def _map(
    axis: Axes, x: FloatArray, y: FloatArray, z: FloatArray, low: float, high: float, colours: str | Colormap
) -> AxesImage:
    """Rows of z at their own x: drawn evenly, labelled with their values."""
    shown = axis.imshow(
        z.T, origin="lower", aspect="auto", cmap=colours, vmin=low, vmax=high, interpolation="nearest",
        extent=(-0.5, len(x) - 0.5, y[0] / 1e9, y[-1] / 1e9),
    )  # fmt: skip
    ticks = np.arange(0, len(x), max(1, -(-len(x) // 6)))
    axis.set_xticks(ticks, [f"{x[n]:.4g}" for n in ticks])
    axis.set_ylabel("signal (GHz)")
    return shown


@styled
def draw_flux_maps(fit: IsolatorFit) -> Figure:
    """Measured and fitted |S21| of both ramps."""
    figure = Figure(figsize=(WIDTH_IN, 6.0), layout="constrained")
    axes = figure.subplots(2, 2, squeeze=False)
    block = fit.model.blocks[0]
    gain = np.abs(fit.misfit.gains[0])
    predicted = fit.model.predict(fit.vector)[0][:, 0]
    times = [fit.model.records[n].row.time_s for n in block.rows]
    place = {t: n for n, t in enumerate(times)}
    shown = None
    for k, track in enumerate(fit.tracks):
        line = next(
            x
            for x in fit.model.lines
            if abs(fit.value("mutual", k, x) - fit.shapes[k].mutual_phi0_per_a)
            < 0.05 * abs(fit.shapes[k].mutual_phi0_per_a)
        )
        chosen = [n for n in place.values() if not fit.model.records[block.rows[n]].row.pump_on]
        currents = np.array([fit.model.records[block.rows[n]].row.bias_a[line] for n in chosen])
        others = [
            tuple(x for m, x in enumerate(fit.model.records[block.rows[n]].row.bias_a) if m != line) for n in chosen
        ]
        usual = max(set(others), key=others.count)
        keep = [m for m in np.argsort(currents, kind="stable") if others[m] == usual]
        rows = [chosen[m] for m in keep]
        x = 1e3 * currents[keep]
        for column, values in enumerate((np.abs(block.traces[rows, 0]) / gain, np.abs(predicted[rows]))):
            db = np.maximum(20 * np.log10(np.maximum(values, 1e-6)), LEAST_DB)
            shown = _map(axes[k, column], x, block.frequency_hz, db, -25.0, 1.0, "gray")
            axes[k, column].set_xlabel(f"bias current of stage {k + 1} (mA)")
            axes[k, column].set_title("measured" if column == 0 else "fitted")
        del track
    if shown is not None:
        figure.colorbar(shown, ax=axes, label="|S21| (dB)")
    return figure


def _pump_rows(fit: IsolatorFit, kind: str) -> tuple[npt.NDArray[np.intp], str]:
    """Rows of the first block that differ in pump "power" or "frequency" alone, port 1, the most there are; axis label."""
    rows = [fit.model.records[n].row for n in fit.model.blocks[0].rows]
    groups: dict[tuple[tuple[float, ...], float], list[int]] = {}
    for n, r in enumerate(rows):
        if r.pump_on and r.pump_port == 1:
            other = r.pump_frequency_hz if kind == "power" else r.pump_power_dbm
            groups.setdefault((r.bias_a, float(other)), []).append(n)
    values = {n: (r.pump_power_dbm if kind == "power" else r.pump_frequency_hz) for n, r in enumerate(rows)}
    largest = max(groups.values(), key=lambda g: len({values[n] for n in g}), default=[])
    first = {values[n]: n for n in reversed(largest)}  # a setting that came back is shown once
    order = np.array([first[v] for v in sorted(first)], dtype=np.intp)
    return order, "pump power (dBm)" if kind == "power" else "pump frequency (GHz)"


@styled
def draw_pump_maps(fit: IsolatorFit) -> Figure:
    """Measured transmission both ways and directionality against pump power and pump frequency."""
    figure = Figure(figsize=(WIDTH_IN, 7.6), layout="constrained")
    axes = figure.subplots(3, 2, squeeze=False)
    block = fit.model.blocks[0]
    rows = [fit.model.records[n].row for n in block.rows]
    level = [20 * np.log10(np.abs(block.traces[:, p]) / np.abs(fit.misfit.gains[p]) + 1e-6) for p in (0, 1)]
    for column, kind in enumerate(("power", "frequency")):
        order, label = _pump_rows(fit, kind)
        if not order.size:
            continue
        x = np.array([rows[n].pump_power_dbm if kind == "power" else rows[n].pump_frequency_hz / 1e9 for n in order])
        maps: tuple[tuple[FloatArray, float, str | Colormap, str], ...] = (
            (level[0], 1.0, "gray", "|S21| (dB)"),
            (level[1], 1.0, "gray", "|S12| (dB)"),
            (level[0] - level[1], 25.0, EITHER_SIGN, "directionality (dB)"),
        )
        for line, (values, high, colours, words) in enumerate(maps):
            shown = _map(axes[line, column], x, block.frequency_hz, values[order], -25.0, high, colours)
            axes[line, column].set_xlabel(label)
            if column == 1:
                figure.colorbar(shown, ax=axes[line].tolist(), label=words)
    return figure


@styled
def draw_power(fit: IsolatorFit) -> Figure:
    """Isolation and forward loss against pump power at one signal frequency, measured and fitted."""
    figure = Figure(figsize=(WIDTH_IN, 3.0), layout="constrained")
    axis = figure.subplots()
    block = fit.model.blocks[0]
    order, label = _pump_rows(fit, "power")
    if order.size:
        power = np.array([fit.model.records[n].row.pump_power_dbm for n in block.rows[order]])
        model = np.abs(fit.model.predict(fit.vector)[0][order])
        fitted = 20 * np.log10(model[:, 0] / model[:, 1])
        at = int(np.argmax(np.max(np.abs(fitted), axis=0)))
        forward = 0 if fitted[np.argmax(np.abs(fitted[:, at])), at] > 0 else 1
        way = "1 to 2" if forward == 0 else "2 to 1"
        level = [20 * np.log10(np.abs(block.traces[order, p, at]) / np.abs(fit.misfit.gains[p][at])) for p in (0, 1)]
        axis.plot(power, level[forward] - level[1 - forward], "o", color=BLUE, label=f"isolation, {way}")
        axis.plot(power, -level[forward], "s", mfc="white", mec=INK, label="forward loss")
        fine, curve = _along_power(fit, block.rows[order], at)
        axis.plot(fine, curve[:, forward] - curve[:, 1 - forward], color=BLUE, lw=1.0)
        axis.plot(fine, -curve[:, forward], color=INK, lw=1.0)
        axis.axhline(0.0, color=QUIET, lw=0.6)
        axis.set_title(f"at {block.frequency_hz[at] / 1e9:.4f} GHz, pump port 1")
        axis.legend(loc="upper left")
    axis.set_xlabel(label)
    axis.set_ylabel("dB")
    return figure


def _along_power(fit: IsolatorFit, rows: npt.NDArray[np.int64], at: int) -> tuple[FloatArray, FloatArray]:
    """Fitted |S21| and |S12| in dB at one frequency on fine steps of pump power, (P,) and (P, 2)."""
    model = fit.model
    powers = [model.records[n].row.pump_power_dbm for n in rows]
    fine = np.linspace(min(powers), max(powers), 121)
    first = model.records[rows[0]]
    # one record per cooldown in front keeps the vector of parameters the same
    heads = [next(r for r in model.records if r.row.cooldown == c and r.frequency_hz.size) for c in model.cooldowns]
    states = [next(r for r in model.records if r.row.state == s) for s in {r.row.state for r in model.records}]
    moved = [replace(first, row=replace(first.row, pump_power_dbm=float(p))) for p in fine]
    other = IsolatorModel(
        model.study,
        model.isolator,
        [replace(r, frequency_hz=first.frequency_hz, mean=first.mean) for r in (*heads, *states)] + moved,
        model.lines,
        model.kinds,
        model.port_sign,
        model.reference_power_w,
        model.areas,
    )
    s = np.abs(other.predict(fit.vector)[0][-fine.size :, :, at])
    return fine, 20 * np.log10(np.maximum(s, 1e-6))


@styled
def draw_residuals(fit: IsolatorFit) -> Figure:
    """Squared residual of each setting in the order of time."""
    figure = Figure(figsize=(WIDTH_IN, 2.3), layout="constrained")
    axis = figure.subplots()
    per = record_chi2(fit)
    on = np.array([r.row.pump_on for r in fit.model.records])
    number = np.arange(1, per.size + 1)
    axis.axhline(1.0, color=FAINT)
    axis.plot(number[~on], per[~on], "o", mfc="white", mec=BLUE, ms=4, label="pump off")
    axis.plot(number[on], per[on], "^", color=ORANGE, ms=4, label="pump on")
    axis.set_xlabel("setting, in the order of time")
    axis.set_ylabel("squared residual / noise")
    axis.set_ylim(bottom=0)
    figure.legend(loc="outside upper right", ncols=2)
    return figure


@styled
def draw_points(one: IsolatorResult, width_hz: float) -> Figure:
    """Isolation, loss and reflection at the working points of pump port 1."""
    figure = Figure(figsize=(WIDTH_IN, 3.2), layout="constrained")
    axis = figure.subplots()
    points = [p for p in one.points if p.pump_port == 1]
    f = np.array([p.frequency_hz for p in points]) / 1e9
    if one.band_hz is not None:
        axis.axvspan(one.band_hz[0] / 1e9, one.band_hz[1] / 1e9, color=TINTS[0], zorder=0)
        axis.set_title(f"tunable band {width_hz / 1e6:.0f} MHz")
    axis.plot(f, [p.isolation_db for p in points], "o", color=BLUE, label="isolation")
    axis.plot(f, [p.insertion_loss_db for p in points], "s", mfc="white", mec=INK, label="forward loss")
    axis.plot(f, [p.reflection_db for p in points], "^", color=ORANGE, label="reflection")
    axis.axhline(0.0, color=QUIET, lw=0.6)
    axis.set_xlabel("signal frequency (GHz)")
    axis.set_ylabel("dB")
    axis.legend(loc="upper left", ncols=3)
    return figure


__all__ = ["sweep_page", "write_sweep_report"]
