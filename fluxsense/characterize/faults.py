"""Sentences about sweeps that cannot be believed, before and after the fit.

A fault is ``unusable`` (no values are written for the isolator) or ``tentative`` (values are written, with the doubt).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from fluxsense.characterize.fit import IsolatorFit, Noise, first_noise, off_start, solve
from fluxsense.characterize.model import IsolatorModel
from fluxsense.characterize.records import Record
from fluxsense.characterize.reflection import FOLLOWS, Reflection
from fluxsense.characterize.tracks import (
    FEWEST_BIASES,
    Shape,
    Track,
    track_frequency_hz,
)
from fluxsense.model.parameter import OFFSET

FloatArray = npt.NDArray[np.float64]

CLEAR: Final = 2.0
"""Ratio of the misfits of two ring kinds from which the smaller is believed."""
WELL: Final = 0.07
"""Root mean square misfit of a track, in linewidths, from which a jump within the ramp is looked for."""
NO_RING: Final = 0.25
"""The same, from which no ring is taken for the right kind: line ends of 10 dB pull a resonance by up to 0.16, the wrong kind of ring is
off by 0.26 and more."""
REMOVED: Final = 0.5
"""Share of a track's misfit that a jump has to leave at most to be named: with the ripple of line ends of 10 dB alone none left less than 0.65."""
POOR_CHI2, BAD_CHI2 = 1.5, 6.0
"""Chi-square per degree of freedom of a fit beyond which it is doubted, and refused."""
JUMP_SUSPECTED, JUMP_CERTAIN = 30.0, 150.0
"""Fall of chi2 with a step of both fluxes: by tests/validation/characterize_coverage.py below 10 on ten good chips; flux noise of 1 mPhi0
from sweep to sweep gave at most 13, once 78."""
DECISIVE: Final = 10.0


@dataclass(frozen=True)
class Fault:
    """What is wrong, as a sentence, and whether anything can still be used.

    `files` names the sweeps that a suspicion rests on: it falls if the fit describes every one of them within noise.
    """

    severity: str
    words: str
    files: tuple[str, ...] = ()


def track_faults(track: Track | None, name: str, line: str, seen: int) -> list[Fault]:
    """Faults of one resonance's track, before a ring is fitted.

    Parameters
    ----------
    track : Track or None
    name : str
        Which resonance, in words.
    line : str
        Name of its bias line.
    seen : int
        Different bias currents found.
    """
    if track is None:
        return [
            Fault(
                "unusable",
                f"{name}: only {seen} pump-off sweeps differ in the current of line {line} alone, {FEWEST_BIASES} or more are "
                "needed. Sweep that line with the others held still and the pump off.",
            )
        ]
    lost = ~track.found
    share = float(np.mean(lost))
    low, high = (x / 1e9 for x in track.window_hz)
    if share > 0.5:
        return [
            Fault(
                "unusable",
                f"{name}: no resonance that moves with line {line} was found between {low:.3f} and {high:.3f} GHz in "
                f"{int(lost.sum())} of {lost.size} sweeps. Check the line, and sweep the window in which the resonance lies.",
            )
        ]
    out = []
    gone = _leaves(track)
    if gone.size:
        amps = ", ".join(f"{1e3 * x:.3g}" for x in sorted(set(track.current_a[gone].tolist()))[:4])
        out.append(
            Fault(
                "unusable" if gone.size > 0.06 * lost.size else "tentative",
                f"{name}: the resonance leaves the window of {low:.3f} to {high:.3f} GHz in {gone.size} of {lost.size} sweeps "
                f"(bias of line {line} near {amps} mA). Widen the sweep, so that its whole range of tuning is inside.",
            )
        )
    return out


def _leaves(track: Track) -> npt.NDArray[np.intp]:
    """Sweeps in which the resonance is lost although its last place was near an edge of the window."""
    order = np.argsort(track.current_a, kind="stable")
    at = track.frequency_hz[order]
    reach = 1.5 * track.linewidth_hz
    low, high = track.window_hz
    out = []
    for n in np.flatnonzero(~np.isfinite(at)):
        around = [at[m] for m in (*range(n - 1, -1, -1), *range(n + 1, at.size)) if np.isfinite(at[m])]
        before = next((at[m] for m in range(n - 1, -1, -1) if np.isfinite(at[m])), np.nan)
        after = next((at[m] for m in range(n + 1, at.size) if np.isfinite(at[m])), np.nan)
        near = [x for x in (before, after) if np.isfinite(x)]
        if around and any(x - low < reach or high - x < reach for x in near):
            out.append(order[n])
    return np.array(sorted(out), dtype=np.intp)


def decide_kind(shapes: dict[str, Shape], track: Track, name: str, line: str) -> tuple[Shape | None, list[Fault]]:
    """Which kind of ring a track shows, or why it cannot be told.

    Returns
    -------
    shape : Shape or None
        None if nothing fits.
    faults : list of Fault
    """
    if not shapes:
        return None, [Fault("unusable", f"{name}: too few resonances were found to fit any kind of ring.")]
    ranked = sorted(shapes.values(), key=lambda s: s.rms_hz)
    best = ranked[0]
    misfit = best.rms_hz / track.linewidth_hz
    if best.of.jumps:
        # the last point before a jump is far out: judge by the middle half
        rest = np.abs(track.frequency_hz - track_frequency_hz(best, track.current_a))[track.found]
        misfit = float(np.sqrt(np.mean(np.sort(rest)[: max(4, int(0.8 * rest.size))] ** 2))) / track.linewidth_hz
    if misfit > WELL:
        jump = step_in_track(track, shapes.get("shunted", best), misfit)
        if jump is not None:
            n, size = jump
            return None, [
                Fault(
                    "unusable",
                    f"{name}: the flux seems to have jumped by about {size:+.3f} Phi0 in the ramp of line {line}, at "
                    f"{1e3 * track.current_a[n]:.4g} mA (sweep {n + 1} of {track.current_a.size}): no ring fits the whole ramp, and "
                    "one fits both sides of that sweep. Repeat the ramp.",
                )
            ]
    if misfit > NO_RING:
        return None, [
            Fault(
                "unusable",
                f"{name}: its resonance against the current of line {line} has the shape of no known ring (misfit "
                f"{best.rms_hz / 1e6:.2f} MHz of a linewidth of {track.linewidth_hz / 1e6:.0f} MHz, best: {best.of.words}). "
                "Check for wrong files in the ramp, a wrong current, or a jump of the flux.",
            )
        ]
    others = [s for s in ranked[1:] if s.rms_hz < CLEAR * best.rms_hz and not _same(best, s)]
    wanted = best.of.wanted_phi0
    if best.span_phi0 < wanted or (others and (best.of.shunted or best.of.jumps)):
        words = f"{name}: the ramp of line {line} is too short to tell its period"
        if others:
            words += f" (a {best.of.words} fits, but so does a {others[0].of.words})"
        else:
            words += f" (as a {best.of.words} it would cover {best.span_phi0:.2f} Phi0; {wanted:g} are wanted)"
        factor = max(1.5, wanted / max(best.span_phi0, 0.1) * 1.2)
        return None, [
            Fault(
                "unusable",
                f"{words}. Sweep over a range of currents about {factor:.1f} times as wide, within the line's limit.",
            )
        ]
    return best, []


def _same(best: Shape, other: Shape) -> bool:
    """Two kinds of bare ring that agree because the ramp never latched."""
    return (
        best.of.ring.latches
        and other.of.ring.latches
        and abs(best.mutual_phi0_per_a - other.mutual_phi0_per_a) < 0.02 * abs(best.mutual_phi0_per_a)
    )


def step_in_track(track: Track, shape: Shape, misfit: float) -> tuple[int, float] | None:
    """First sweep after a jump of the flux within a ramp, and its size; None if no single jump removes the misfit (linewidths)."""
    from scipy.optimize import least_squares

    keep = track.found
    w = track.frequency_hz
    count = w.size
    best: tuple[float, int, float] | None = None
    sign = float(np.sign(shape.mutual_phi0_per_a)) or 1.0
    origin = np.array([1.0, shape.share, shape.mutual_phi0_per_a, shape.offset_phi0, max(2.1, shape.shunt_ratio)])

    def frequency(x: FloatArray, n: int) -> FloatArray:
        moved = replace(
            shape, kind="shunted", zero_flux_hz=shape.zero_flux_hz * x[0], share=x[1], mutual_phi0_per_a=x[2],
            offset_phi0=x[3], shunt_ratio=x[4],
        )  # fmt: skip
        current = track.current_a + np.where(np.arange(count) >= n, x[5] / x[2], 0.0)
        return track_frequency_hz(moved, current)

    def residual(x: FloatArray, n: int) -> FloatArray:
        return ((frequency(x, n) - w) / track.linewidth_hz)[keep]

    size = abs(shape.mutual_phi0_per_a)
    low = [0.8, 1e-3, -3 * size, -4.5, 2.001, -2.0] if sign < 0 else [0.8, 1e-3, 0.3 * size, -4.5, 2.001, -2.0]
    high = [1.2, 0.9, -0.3 * size, 4.5, 100.0, 2.0] if sign < 0 else [1.2, 0.9, 3 * size, 4.5, 100.0, 2.0]
    for n in range(3, count - 3, max(1, count // 40)):
        for step in (-0.5, -0.12, 0.12, 0.5):
            try:
                fit = least_squares(
                    residual,
                    [*origin, step],
                    bounds=(low, high),
                    x_scale=[1e-2, 0.05, 0.05 * size, 0.1, 1.0, 0.1],
                    max_nfev=12,
                    args=(n,),
                )
            except ValueError:
                continue
            if best is None or fit.cost < best[0]:
                best = (float(fit.cost), n, float(fit.x[5]))
    if best is None:
        return None
    rms = float(np.sqrt(2 * best[0] / max(1, keep.sum())))
    return (best[1], best[2]) if rms < REMOVED * misfit and abs(best[2]) > 0.02 else None


def spike_faults(records: Sequence[Record], name: str) -> list[Fault]:
    """Narrow lines at one frequency in the pump-on sweeps and not in the pump-off ones: the pump, or a mixing product."""
    off: dict[tuple[object, ...], Record] = {}
    for r in records:
        if not r.row.pump_on:
            off.setdefault((r.row.bias_a, r.frequency_hz.tobytes()), r)
    flags: dict[bytes, dict[tuple[float, ...], list[npt.NDArray[np.bool_]]]] = {}
    for r in records:
        base = off.get((r.row.bias_a, r.frequency_hz.tobytes()))
        if not r.row.pump_on or base is None:
            continue
        # the ratio has no cable in it, so that only narrow lines bend it sharply; weak points of the divisor do not count
        floor = 0.3 * np.median(np.abs(base.mean), axis=-1, keepdims=True)
        ratio = r.mean / np.where(np.abs(base.mean) > floor, base.mean, np.inf)
        bend = np.abs(np.diff(ratio, 2, axis=-1)).sum(axis=0)
        usual = median_filter(bend, size=9, mode="nearest")
        sharp = bend > 8.0 * np.maximum(usual, np.median(bend))
        flags.setdefault(r.frequency_hz.tobytes(), {}).setdefault(r.row.bias_a, []).append(sharp)
    if not flags:
        return []
    largest = max(flags, key=lambda k: sum(len(x) for x in flags[k].values()))
    grid = np.frombuffer(largest)
    groups = [x for x in flags[largest].values() if len(x) > 1]
    if sum(len(x) for x in groups) < 3:
        return []
    # a notch of the isolator moves with the flux, a leak stays: it must show at every bias
    share = np.min([np.mean(x, axis=0) for x in groups], axis=0)
    hot = np.flatnonzero(share > (0.5 if len(groups) > 1 else 0.8))
    if not hot.size:
        return []
    at = ", ".join(f"{grid[n + 1] / 1e9:.4f}" for n in hot[:4])
    return [
        Fault(
            "unusable",
            f"{name}: pump-on sweeps show a narrow line at {at} GHz that pump-off sweeps do not: the pump, or a mixing product "
            "of it, leaks into the trace. Filter the pump, or leave that frequency out of the sweep.",
        )
    ]


def wiring_faults(records: Sequence[Record], name: str) -> list[Fault]:
    """Pump ports that transmit the same way, and single sweeps that contradict the others of their port."""
    off: dict[tuple[float, ...], tuple[FloatArray, FloatArray]] = {}
    white = first_noise(records)
    for r in records:
        if not r.row.pump_on:
            off.setdefault(r.row.bias_a, _log_ratio(r, white))
    groups: dict[tuple[float, ...], list[tuple[Record, FloatArray]]] = {}
    for r in records:
        base = off.get(r.row.bias_a)
        if (
            r.row.pump_on
            and r.row.pump_port is not None
            and base is not None
            and base[0].size == r.frequency_hz.size - 2
        ):
            ratio, variance = _log_ratio(r, white)
            # where the noise of the logarithm is large, in a notch say, the difference is mostly noise
            curve = (ratio - base[0]) / (1 + (variance + base[1]) / LOG_NOISE**2)
            curve = curve * (1.0 if r.row.pump_port == 1 else -1.0)
            groups.setdefault(r.row.bias_a, []).append((r, curve))
    against: list[Record] = []
    equal, opposite = 0, 0
    for members in groups.values():
        peak = max(float(np.max(np.abs(c))) for _, c in members)
        strong = [(r, c) for r, c in members if np.max(np.abs(c)) > 0.35 * peak and peak > 0.3]
        ones = [c for r, c in strong if r.row.pump_port == 1]
        if not strong:
            continue
        typical = np.median(ones, axis=0) if ones else np.median([c for _, c in strong], axis=0)
        for r, c in strong:
            agreement = _agreement(c, typical)
            if abs(agreement) < 0.5:
                continue
            if r.row.pump_port == 2 and ones:
                equal += agreement < 0
                opposite += agreement > 0
            if agreement < 0:
                against.append(r)
    if equal and not opposite:
        return [
            Fault(
                "unusable",
                f"{name}: pump ports 1 and 2 transmit the same way, where they must transmit opposite ways. Check the wiring of the "
                "pump hybrid and the log's column pump_port.",
            )
        ]
    if against:  # strong pumping and a detuned pump turn the direction round too: the fit's residuals decide
        files = ", ".join(r.row.file for r in against[:3]) + (" and others" if len(against) > 3 else "")
        return [
            Fault(
                "tentative",
                f"{name}: {len(against)} sweeps transmit against the others of their pump port ({files}): their signal ports, or the "
                "pump port in the log, may be swapped. Check line by line.",
                tuple(r.row.file for r in against),
            )
        ]
    return []


LOG_NOISE: Final = 0.1
"""Noise of a logarithm of |S21/S12| from which on a point counts for less in the comparison of sweeps."""


def _log_ratio(record: Record, white: FloatArray) -> tuple[FloatArray, FloatArray]:
    """log |S21/S12|, three points averaged, and its variance for white noise (2,) per quadrature of one sweep; (F - 2,) each."""
    modulus = np.abs(record.mean) + 1e-30
    variance = np.sum((white[:, None] / modulus) ** 2, axis=0) / record.count
    three = np.ones(3) / 3
    ratio = np.convolve(np.log(modulus[0]) - np.log(modulus[1]), three, mode="valid")
    return ratio, np.convolve(variance, three / 3, mode="valid")


def _agreement(a: FloatArray, b: FloatArray) -> float:
    return float(np.sum(a * b) / np.sqrt(max(np.sum(a * a) * np.sum(b * b), 1e-300)))


def _misfit(fit: IsolatorFit, name: str) -> Fault:
    """Why a fit as a whole is bad."""
    records = fit.model.records
    flags = np.array([r.row.pump_on for r in records])
    jump = find_jump(fit)
    if jump is not None:
        n, sizes = jump
        loops = [s.loop for s in fit.model.study.isolators[fit.model.isolator].stages]
        parts = ", ".join(f"{x:+.3f} Phi0 in loop {loop}" for x, loop in zip(sizes, loops, strict=True))
        return Fault(
            "unusable",
            f"{name}: the flux jumped between {records[n - 1].row.file} and {records[n].row.file} ({parts}). Give the sweeps "
            "before and after it different cooldowns in the log, or repeat them.",
        )
    if flags.any() and _additive(fit, flags):
        return Fault(
            "unusable",
            f"{name}: pump-on sweeps hold a constant added signal that the pump-off sweeps do not: the pump, or a leak "
            "beside the isolator that opens with it. Filter or remove it.",
        )
    severe = fit.chi2_per_dof > BAD_CHI2
    return Fault(
        "unusable" if severe else "tentative",
        f"{name}: the sweeps scatter {fit.chi2_per_dof:.1f} times more in power than noise explains; the model does not "
        "describe them" + (", so nothing is written." if severe else " fully. Uncertainties are enlarged accordingly."),
    )


def fit_faults(fit: IsolatorFit, name: str) -> list[Fault]:
    """Faults that show in the residuals of a finished fit."""
    out: list[Fault] = []
    records = fit.model.records
    per = record_chi2(fit)
    worst = np.flatnonzero(per > _too_far(per))
    if 0 < worst.size <= max(2, 0.03 * per.size):
        files = ", ".join(records[n].row.file for n in worst[:3])
        out.append(
            Fault(
                "tentative",
                f"{name}: {worst.size} of {per.size} settings do not fit ({files}; {float(per[worst].max()):.0f} times the noise in "
                "power). Their ports may be swapped, the log wrong about them, or the sweep disturbed: check or leave them out.",
            )
        )
    if fit.chi2_per_dof > POOR_CHI2 and not out:
        out.append(_misfit(fit, name))
    if fit.jump is not None and fit.jump.chi2 > JUMP_SUSPECTED and not any(f.severity == "unusable" for f in out):
        n, chi2 = fit.jump.record, fit.jump.chi2
        out.append(
            Fault(
                "unusable" if chi2 > JUMP_CERTAIN else "tentative",
                f"{name}: the flux seems to have jumped, perhaps between {records[n - 1].row.file} and {records[n].row.file} (chi2 "
                f"would fall by {chi2:.0f}); the values then belong to neither part. Repeat the sweeps, or, where the place of the "
                "jump is known, give those before and after it different cooldowns in the log.",
            )
        )
    if fit.pumped and fit.wiring_odds < DECISIVE:
        out.append(
            Fault(
                "tentative",
                f"{name}: the sweeps do not tell which way pump port 1 transmits (log odds {fit.wiring_odds:.1f}, {DECISIVE:g} "
                "wanted). Sweep with both loops biased to about half a flux quantum.",
            )
        )
    if fit.rival_odds < DECISIVE:
        out.append(
            Fault(
                "tentative",
                f"{name}: idler frequencies the other way round fit as well (log odds {fit.rival_odds:.1f}, {DECISIVE:g} wanted): their "
                "values and shares may belong to the other stage. Add pump-on sweeps with the two loops at different fluxes.",
            )
        )
    if not fit.pumped:
        out.append(
            Fault(
                "tentative",
                f"{name}: there is no pump-on sweep, so idlers, couplings, link and wiring are as the study stated them.",
            )
        )
    serious = [x for x in fit.at_bound if "loss" not in x]
    if serious:
        out.append(Fault("tentative", f"{name}: at the edge of what is allowed ended {', '.join(serious[:4])}."))
    return out


def reflection_faults(seen: Reflection | None, name: str) -> list[Fault]:
    """Reflections that contradict the fit to transmission."""
    if seen is None or seen.scatter < FOLLOWS:
        return []
    if seen.swapped < 0.5 * seen.scatter and seen.swapped < FOLLOWS:
        words = "they do so with S11 and S22 exchanged. Check which port of the analyser each cable goes to."
    else:
        words = "check the cables' own reflections for drift, and the ports' order in the files."
    return [
        Fault(
            "tentative",
            f"{name}: the reflections S11 and S22 do not follow the model fitted to transmission ({seen.scatter:.1f} times the noise "
            f"in power): {words}",
        )
    ]


def sampling_faults(fit: IsolatorFit, name: str) -> list[Fault]:
    """What sampling says of itself and of the curvature."""
    draws = fit.sampled
    if draws is None or fit.curvature_sd is None:
        return []
    if not draws.settled:
        return [
            Fault(
                "tentative",
                f"{name}: sampling has not settled ({draws.ess:.0f} effective draws, R-hat {draws.r_hat:.3f}): its "
                "uncertainties are rough.",
            )
        ]
    return []


def upheld(faults: Sequence[Fault], fit: IsolatorFit) -> list[Fault]:
    """Faults without the suspicions that a finished fit refutes: sweeps that it describes like all others."""
    per = record_chi2(fit)
    odd = {fit.model.records[n].row.file for n in np.flatnonzero(per > _too_far(per))}
    return [f for f in faults if not f.files or odd.intersection(f.files)]


def _too_far(per: FloatArray) -> float:
    """Squared residual per value beyond which a record does not belong to the others."""
    return max(8.0, 8.0 * float(np.median(per)))


def record_chi2(fit: IsolatorFit) -> FloatArray:
    """Squared residual per real value of each record."""
    out = np.zeros(len(fit.model.records))
    for n, block in enumerate(fit.model.blocks):
        pair = fit.misfit.residuals[2 * n : 2 * n + 2]
        out[block.rows] = sum(np.mean(np.abs(r) ** 2, axis=1) / 2 for r in pair) / 2
    return out


def _additive(fit: IsolatorFit, flags: npt.NDArray[np.bool_]) -> bool:
    """Whether constants added to pump-on sweeps explain most of their misfit."""
    total, explained = 0.0, 0.0
    for n, block in enumerate(fit.model.blocks):
        on = flags[block.rows]
        for r in fit.misfit.residuals[2 * n : 2 * n + 2]:
            part = r[on]
            total += float(np.sum(np.abs(part) ** 2))
            explained += float(np.sum(np.abs(part.sum(axis=1)) ** 2) / part.shape[1])
    return total > 0 and explained > 0.4 * total


def find_jump(fit: IsolatorFit) -> tuple[int, FloatArray] | None:
    """First record after a flux jump and its size per loop, if separate offsets from there on remove most of the misfit.

    Only pump-off sweeps are used: for a few places of the jump both pairs of offsets are fitted, then the best place is
    sought between its neighbours.
    """
    model = fit.model
    off = [r for r in model.records if not r.row.pump_on]
    if len(model.cooldowns) != 1 or len(off) < 10:
        return None

    def attempt(n: int) -> tuple[float, FloatArray]:
        label = off[0].row.cooldown
        split = [r if k < n else replace(r, row=replace(r.row, cooldown=f"{label}, later")) for k, r in enumerate(off)]
        two = IsolatorModel(
            model.study, model.isolator, split, model.lines, model.kinds, model.port_sign, None, model.areas
        )
        mains = [int(np.argmax(np.abs([fit.vector[model.index("mutual", k, x)] for x in model.lines]))) for k in (0, 1)]
        base = off_start(two, fit.tracks, fit.shapes, [model.lines[m] for m in mains])
        free = [k for k, p in enumerate(two.parameters) if p.array == OFFSET]
        noise = Noise(fit.noise)
        best = np.inf
        sizes = np.zeros(2)
        for step in (0.0, 0.15, -0.15):
            x = base.copy()
            for k in (0, 1):
                x[two.index("offset", k, 1)] += step
            one = solve(two, x, free, noise, 8)
            if one.chi2 < best:
                best = one.chi2
                sizes = np.array(
                    [one.vector[two.index("offset", k, 1)] - one.vector[two.index("offset", k, 0)] for k in (0, 1)]
                )
        return best, sizes

    plain, _ = attempt(len(off) - 1)
    step = max(1, len(off) // 10)
    places = list(range(step, len(off) - 1, step))
    costs = {n: attempt(n) for n in places}
    while step > 1:
        centre = min(costs, key=lambda n: costs[n][0])
        step = max(1, step // 2)
        for n in (centre - step, centre + step):
            if 0 < n < len(off) and n not in costs:
                costs[n] = attempt(n)
    n = min(costs, key=lambda k: costs[k][0])
    chi2, sizes = costs[n]
    if chi2 < 0.5 * plain and float(np.max(np.abs(sizes))) > 0.004:
        whole = model.records.index(off[n])
        return whole, sizes
    return None
