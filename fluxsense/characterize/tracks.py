"""Resonance against bias current, and what its shape says: kind of ring, flux per current, offset.

With the pump off a raw trace is d_k = G t c (R1 + R2), and while one bias line is ramped only one stage moves much.  Per
frequency the median of d over the ramp is what the line and the resting stage give while the moving resonance is
elsewhere; what a record adds to it, G t c (R1 - 1), is a Lorentzian at the moving resonance, whatever the line's ripple.

A track is compared with three kinds of ring.  With lam the ring's inductance relative to zero flux,
1/w^2 = A + B lam(F), which is linear in A and B: over a grid of flux per current, offset and shunt ratio the best
straight line costs nothing, so that no start value is needed; the best few are then refined.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter
from scipy.optimize import least_squares

from fluxsense.base.errors import InputError
from fluxsense.characterize.records import Record
from fluxsense.device.chip import loop_indices
from fluxsense.device.rings import Ring
from fluxsense.device.rings.bare import KIND as BARE
from fluxsense.device.rings.bare import follow_branch
from fluxsense.device.rings.shunted import KIND as SHUNTED
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

FEWEST_BIASES = 12
FOUND = 0.3
"""Height of the moving resonance's peak, of 1 in theory, from which it counts as found."""


@dataclass(frozen=True)
class ShapeKind:
    """What a ramp may show: a kind of ring, and whether it is seen to latch.

    Attributes
    ----------
    words : str
    ring : Ring
    wanted_phi0 : float
        Span of a ramp below which its period does not show.
    ratios : tuple of float
        Shunt ratios that a search begins from; 0 for a ring that has none.
    jumps : bool
        Whether it stays in a branch until that ends.
    """

    words: str
    ring: Ring
    wanted_phi0: float
    ratios: tuple[float, ...] = (0.0,)
    jumps: bool = False

    @property
    def shunted(self) -> bool:
        """Whether it has a shunt ratio."""
        return bool(self.ring.fields)

    def turns(self, points: int) -> FloatArray:
        """Fluxes over a ramp of so many currents that a search tries."""
        most = min(12.0, self.ring.period_phi0 * points / 5.0)
        return np.arange(0.25, most, 0.1) if self.shunted else np.arange(0.3, max(most, 0.5), 0.04)

    def ring_flux(self, flux_phi0: FloatArray) -> FloatArray:
        """Flux (..., T) that fixes the ring's state along paths, branch added."""
        if not self.ring.latches:
            return flux_phi0
        if not self.jumps:
            return np.asarray(flux_phi0 - np.round(flux_phi0))
        paths = flux_phi0.reshape(-1, flux_phi0.shape[-1])
        return np.asarray(flux_phi0 + np.array([follow_branch(x) for x in paths]).reshape(flux_phi0.shape))


SHAPES: Final[Mapping[str, ShapeKind]] = {
    "shunted": ShapeKind("shunted ring (period of four flux quanta, no jumps)", SHUNTED, 3.2, (2.2, 3.5, 8.0)),
    "bare": ShapeKind("bare ring in its lowest state (period of one flux quantum)", BARE, 1.3),
    "bare, latching": ShapeKind(
        "bare ring that latches (jumps, and a difference between ramps up and down)", BARE, 1.3, jumps=True
    ),
}


def main_lines(study: Study, isolator: int) -> tuple[int, int]:
    """For each stage, the bias line that is meant for its loop.

    It is the line with the largest stated mutual inductance to that loop or, where none is stated, the line that bears
    the loop's name.

    Raises
    ------
    InputError
        If a loop has no such line, or both loops have the same one.
    """
    found = []
    for loop in loop_indices(study)[isolator]:
        name = study.loops[loop].name
        stated = [abs(dict(b.mutual_phi0_per_a).get(name, 0.0)) for b in study.bias_lines]
        if stated and max(stated) > 0:
            found.append(int(np.argmax(stated)))
            continue
        same = [n for n, b in enumerate(study.bias_lines) if b.name == name]
        if not same:
            raise InputError(
                f'no bias line is known to drive the loop "{name}"',
                where=f"{study.path.name}, bias_line",
                remedy='State about how strongly, as in mutual = { "'
                + name
                + '" = "600 Phi0/A" }, or give a line the loop\'s name',
            )
        found.append(same[0])
    if found[0] == found[1]:
        raise InputError(
            f'both loops of isolator "{study.isolators[isolator].name}" are driven by the line '
            f'"{study.bias_lines[found[0]].name}", so their parameters cannot be told apart',
            where=f"{study.path.name}, bias_line",
            remedy="Give each loop a line of its own",
        )
    return found[0], found[1]


@dataclass(frozen=True)
class Track:
    """Resonance of one stage along the ramp of its line.

    Attributes
    ----------
    rows : ndarray (T,) of int
        Positions among the isolator's records, in the order of time.
    current_a, frequency_hz, height : ndarray (T,)
        Bias current, resonance (NaN where not found) and height of its peak.
    linewidth_hz : float
        From the width of the peaks.
    window_hz : (float, float)
    """

    rows: npt.NDArray[np.int64]
    current_a: FloatArray
    frequency_hz: FloatArray
    height: FloatArray
    linewidth_hz: float
    window_hz: tuple[float, float]

    @property
    def found(self) -> npt.NDArray[np.bool_]:
        """Where the resonance was seen."""
        return np.isfinite(self.frequency_hz)


def ramp_rows(records: Sequence[Record], line: int) -> npt.NDArray[np.int64]:
    """Pump-off records in which only one line's current differs: the largest such set, on one grid, in one cooldown."""
    groups: dict[tuple[object, ...], list[int]] = {}
    for n, r in enumerate(records):
        if r.row.pump_on:
            continue
        rest = tuple(x for k, x in enumerate(r.row.bias_a) if k != line)
        groups.setdefault((rest, r.row.cooldown, r.row.state, r.frequency_hz.tobytes()), []).append(n)
    if not groups:
        return np.zeros(0, dtype=np.int64)

    def distinct(rows: list[int]) -> int:
        return len({records[n].row.bias_a[line] for n in rows})

    return np.array(max(groups.values(), key=distinct), dtype=np.int64)


def find_track(records: Sequence[Record], line: int) -> Track | None:
    """The moving resonance along a line's ramp; None if there are too few bias currents."""
    rows = ramp_rows(records, line)
    current = np.array([records[n].row.bias_a[line] for n in rows])
    if len(set(current.tolist())) < FEWEST_BIASES:
        return None
    f = records[rows[0]].frequency_hz
    d = np.array([records[n].mean for n in rows])  # (T, 2, F)
    level = median_filter(np.max(np.abs(d), axis=0), size=(1, 9), mode="nearest")
    background = np.median(d.real, axis=0) + 1j * np.median(d.imag, axis=0)
    width = 0.1 * float(f[-1] - f[0])
    at = np.full(len(rows), np.nan)
    height = np.zeros(len(rows))
    for _ in range(4):
        y = np.mean(np.abs(d - background) ** 2 / level**2, axis=1)  # (T, F)
        at, height = _peaks(f, y)
        at[height < FOUND] = np.nan
        if np.any(np.isfinite(at)):
            width = _width(f, y, at, width)
        far = ~(np.abs(f[None, :] - at[:, None]) < 2.0 * width)  # NaN counts as far
        far &= np.isfinite(at)[:, None]
        count = far.sum(axis=0)
        mean = np.einsum("tf,tpf->pf", far, d) / np.maximum(count, 1)
        background = np.where(count >= 3, mean, background)
    return Track(rows, current, at, height, width, (float(f[0]), float(f[-1])))


def _peaks(f: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Place and height of each row's largest value, by a Lorentzian through three points."""
    n = np.argmax(y, axis=1)
    inner = np.clip(n, 1, f.size - 2)
    rows = np.arange(len(y))
    a, b, c = (1.0 / np.maximum(y[rows, inner + k], 1e-12) for k in (-1, 0, 1))
    bend = a - 2 * b + c
    shift = np.where(bend > 0, 0.5 * (a - c) / np.where(bend > 0, bend, 1.0), 0.0)
    step = float(np.median(np.diff(f)))
    place = f[inner] + step * np.clip(shift, -1.0, 1.0)
    place = np.where((n == 0) | (n == f.size - 1), np.nan, place)
    return place, y[rows, n]


def _width(f: FloatArray, y: FloatArray, at: FloatArray, fallback: float) -> float:
    """Median full width at half height of the peaks."""
    widths = []
    for row, centre in zip(y, at, strict=True):
        if not np.isfinite(centre):
            continue
        k = int(np.argmin(np.abs(f - centre)))
        half = 0.5 * row[k]
        above = row >= half
        left, right = k, k
        while left > 0 and above[left - 1]:
            left -= 1
        while right < f.size - 1 and above[right + 1]:
            right += 1
        if left > 0 and right < f.size - 1:
            lo = np.interp(half, [row[left - 1], row[left]], [f[left - 1], f[left]])
            hi = np.interp(-half, [-row[right], -row[right + 1]], [f[right], f[right + 1]])
            widths.append(float(hi - lo))
    return float(np.median(widths)) if widths else fallback


@dataclass(frozen=True)
class Shape:
    """A kind of ring fitted to a track.

    Attributes
    ----------
    kind : str
    zero_flux_hz, share, shunt_ratio, mutual_phi0_per_a, offset_phi0 : float
    rms_hz : float
        Root mean square misfit.
    span_phi0 : float
        Flux over the whole ramp.
    """

    kind: str
    zero_flux_hz: float
    share: float
    shunt_ratio: float
    mutual_phi0_per_a: float
    offset_phi0: float
    rms_hz: float
    span_phi0: float

    @property
    def of(self) -> ShapeKind:
        """Its kind."""
        return SHAPES[self.kind]


def track_frequency_hz(shape: Shape, current_a: FloatArray) -> FloatArray:
    """The fitted resonance along a path of currents."""
    flux = shape.of.ring_flux(shape.mutual_phi0_per_a * current_a + shape.offset_phi0)
    numbers = {"shunt_ratio": np.array(shape.shunt_ratio if shape.of.shunted else 0.0)}
    return SHUNTED.mode_frequency_hz(0.5 * np.pi * flux, numbers, shape.zero_flux_hz, shape.share)


def fit_shapes(track: Track, sign: float, kinds: Sequence[str] = tuple(SHAPES)) -> dict[str, Shape]:
    """The best of each kind of ring for a track.

    Parameters
    ----------
    track : Track
    sign : float
        Sign of the mutual inductance, which pump-off sweeps cannot tell.
    kinds : sequence of str
    """
    return {kind: shape for kind in kinds if (shape := _fit_kind(track, sign, kind)) is not None}


def _fit_kind(track: Track, sign: float, kind: str) -> Shape | None:
    keep = track.found
    current, w = track.current_a, track.frequency_hz
    if keep.sum() < 8:
        return None
    span = float(np.ptp(current))
    middle = 0.5 * float(current.max() + current.min())
    count = len(set(current.tolist()))
    of = SHAPES[kind]
    offsets = np.arange(-0.5, 0.5, 1 / 40) * of.ring.period_phi0
    candidates = []
    target = (float(np.nanmean(w)) / w[keep]) ** 2
    for alpha in of.ratios:
        for turn in of.turns(count):
            flux = (current - middle) / span * turn
            ring = of.ring_flux(flux[None, :] + offsets[:, None])
            lam = _inductance(ring[:, keep], alpha)  # (O, T)
            centred = lam - lam.mean(axis=1, keepdims=True)
            power = np.sum(centred**2, axis=1)
            slope = np.sum(centred * (target - target.mean()), axis=1) / np.maximum(power, 1e-12)
            rest = np.sum((target - target.mean() - slope[:, None] * centred) ** 2, axis=1)
            rest = np.where(slope > 0, rest, np.inf)
            n = int(np.argmin(rest))
            candidates.append((float(rest[n]), turn, float(offsets[n]), alpha))
    candidates.sort()
    chosen: list[tuple[float, float, float, float]] = []
    for one in candidates:
        if np.isfinite(one[0]) and all(abs(one[1] - x[1]) > 0.08 * x[1] or one[3] != x[3] for x in chosen):
            chosen.append(one)
        if len(chosen) == 6:
            break
    shapes = [x for one in chosen if (x := _refine(track, sign, kind, one, middle, span)) is not None]
    return min(shapes, key=lambda x: x.rms_hz) if shapes else None


def _inductance(ring: FloatArray, alpha: float) -> FloatArray:
    """Relative inductance, kept finite next to the end of a bare ring's branch."""
    if alpha == 0.0:
        return np.asarray(1.0 / np.maximum(np.cos(0.5 * np.pi * ring), 0.02))
    return SHUNTED.inductance_ratio(0.5 * np.pi * ring, {"shunt_ratio": np.array(alpha)})


def _refine(
    track: Track, sign: float, kind: str, start: tuple[float, float, float, float], middle: float, span: float
) -> Shape | None:
    keep = track.found
    w = track.frequency_hz[keep]
    top = float(np.max(w))
    of = SHAPES[kind]
    shunted = of.shunted

    def predict(x: FloatArray) -> FloatArray:
        flux = of.ring_flux((track.current_a - middle) / span * x[2] + x[3])[keep]
        lam = _inductance(flux, float(x[4]) if shunted else 0.0)
        return np.asarray(x[0] * top / np.sqrt(1.0 + x[1] * (lam - 1.0)))

    def residual(x: FloatArray) -> FloatArray:
        return (predict(x) - w) / track.linewidth_hz

    _, turn, offset, alpha = start
    low, high = [0.7, 1e-3, 0.5 * turn, offset - 2.0], [1.5, 0.95, 2.0 * turn, offset + 2.0]
    first = [1.0, 0.1, turn, offset]
    if shunted:
        low, high, first = [*low, 2.001], [*high, 100.0], [*first, alpha]
    try:
        fit = least_squares(
            residual,
            first,
            bounds=(low, high),
            loss="soft_l1",
            f_scale=0.15,
            x_scale=[1e-2, 0.05, 0.1, 0.1, 1.0][: len(first)],
            max_nfev=60,
        )
    except ValueError:
        return None
    x = fit.x
    rms = track.linewidth_hz * float(np.sqrt(np.mean(residual(x) ** 2)))
    period = of.ring.period_phi0
    mutual = sign * float(x[2]) / span
    # the model is even in flux: with the other sign of M the offset changes sign too
    at_zero = sign * (float(x[3]) - middle / span * float(x[2]))
    wrapped = at_zero - period * np.round(at_zero / period)
    if of.jumps:
        wrapped = at_zero
    return Shape(
        kind, float(x[0]) * top, float(x[1]), float(x[4]) if shunted else 0.0, mutual, float(wrapped), rms, float(x[2])
    )
