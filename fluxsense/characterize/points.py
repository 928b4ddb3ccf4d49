"""Working points of a fitted isolator, and the band of signal frequencies over which isolation can be had."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fluxsense.device.chip import (
    ChipModel,
    Probe,
    loop_indices,
    matched_pump_frequency_hz,
    nominal_parameters,
    with_source_out,
)
from fluxsense.device.rings import ring_kind
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

ENOUGH_DB = 15.0
"""Isolation that a working isolator has at least (common practice, no source)."""
MOST_LOSS_DB = 3.0
"""Forward loss up to which a frequency counts as usable."""
CEILING_DB = 40.0
"""Isolation beyond which more is not sought: no real chip holds a deeper notch."""

AVERAGED_HZ = 12e6
"""Signal band over which isolation is averaged when settings are compared."""

NO_DIRECTION_DB = 1.0
"""Isolation below which no direction is named."""
MOST_CONVERSION = 0.8
"""Reduced coupling 2 g / sqrt(ka kb) up to which settings are sought; 1 is full conversion."""


@dataclass(frozen=True)
class WorkingPoint:
    """The best setting at one flux in one direction.

    Attributes
    ----------
    flux_phi0 : float
        In both loops.
    pump_port : int
    direction : str
        "1 to 2", "2 to 1" or "neither".
    pump_frequency_hz, pump_power_w : float
    frequency_hz, isolation_db, insertion_loss_db, reflection_db : float
        Where isolation is best.
    bandwidth_hz : float
        Width around that frequency with at least the wanted isolation.
    usable_hz : tuple of (float, float)
        Intervals that some pump setting at this flux serves with the wanted isolation, this direction, and no more than
        `MOST_LOSS_DB` of loss.
    """

    flux_phi0: float
    pump_port: int
    direction: str
    pump_frequency_hz: float
    pump_power_w: float
    frequency_hz: float
    isolation_db: float
    insertion_loss_db: float
    reflection_db: float
    bandwidth_hz: float
    usable_hz: tuple[tuple[float, float], ...]


def transmission(
    study: Study,
    isolator: int,
    flux_phi0: Sequence[float],
    pumps: Sequence[tuple[int, float, float]],
    frequency_hz: FloatArray,
    phases_rad: Sequence[float] | None = None,
) -> npt.NDArray[np.complex128]:
    """S11, S21, S12, S22 for given fluxes of the two loops and pump settings (port, frequency, power), (P, 4, F).

    Port 0 stands for the pump off; with `phases_rad` the ports are passed over and these pump phase differences hold.
    """
    still = tuple(0.0 for _ in study.bias_lines)
    probes = [
        Probe(
            isolator,
            port > 0,
            None if phases_rad is not None else max(port, 1),
            None if phases_rad is None else phases_rad[n],
            power,
            hz,
            still,
            0,
            0,
        )
        for n, (port, hz, power) in enumerate(pumps)
    ]
    model = ChipModel(with_source_out(study), probes, [frequency_hz] * len(study.isolators))
    flux = np.broadcast_to(np.asarray(flux_phi0, dtype=np.float64), (1, len(probes), 2))
    return np.asarray(model.scattering(nominal_parameters(study), isolator, ("11", "21", "12", "22"), flux=flux)[0])


def matched_hz(study: Study, isolator: int, flux_phi0: Sequence[float]) -> float:
    """Pump frequency that joins the modes at given fluxes."""
    loops = loop_indices(study)[isolator]
    there = dict(zip(loops.tolist(), flux_phi0, strict=True))
    placed = replace(study, loops=tuple(replace(x, offset_phi0=there.get(n, 0.0)) for n, x in enumerate(study.loops)))
    return matched_pump_frequency_hz(placed, isolator, tuple(0.0 for _ in study.bias_lines))


def couplings_hz(study: Study, isolator: int, flux_phi0: Sequence[float]) -> tuple[float, float]:
    """Couplings of both stages at given fluxes and the reference power."""
    model = ChipModel(study, [], [np.array([1e9])] * len(study.isolators))
    values = model.couplings_hz(nominal_parameters(study), isolator, np.array(flux_phi0, dtype=np.float64)[None, None])
    return float(values[0, 0, 0]), float(values[0, 0, 1])


def signal_window(study: Study, isolator: int, points: int = 301) -> FloatArray:
    """Signal frequencies over which the isolator can tune, with a margin of two linewidths."""
    ends = []
    width = 0.0
    for stage in study.isolators[isolator].stages:
        ring = ring_kind(stage.ring)
        f = ring.quarter_phase(np.array([0.0, 0.5 * ring.period_phi0]))
        modes = stage.signal_frequency_hz, stage.signal_participation
        ends.append(ring.mode_frequency_hz(f, ring.numbers_of(stage), *modes))
        width = max(width, stage.signal_linewidth_hz)
    low, high = float(np.min(ends)), float(np.max(ends))
    return np.linspace(low - 2 * width, high + 2 * width, points)


def working_points(
    study: Study,
    isolator: int,
    powers_w: tuple[float, float],
    enough_db: float = ENOUGH_DB,
    flux_phi0: Sequence[float] | None = None,
) -> list[WorkingPoint]:
    """The pump frequency and power that give best isolation at each flux, for both pump ports.

    Parameters
    ----------
    study : Study
        With the fitted isolator.
    isolator : int
    powers_w : (float, float)
        Range in which the pump power is sought: that of the sweeps, nothing is proposed beyond it.
    enough_db : float
    flux_phi0 : sequence of float, optional
        Fluxes, the same in both loops; a grid over half a period by default.
    """
    # a grid over half a period, short of the jump of a ring that latches
    half = 0.5 * min(ring_kind(s.ring).period_phi0 for s in study.isolators[isolator].stages)
    grid = flux_phi0 if flux_phi0 is not None else np.round(np.arange(0.05, 0.99, 0.05) * half, 3)
    f = signal_window(study, isolator)
    kb = float(np.mean([s.idler_linewidth_hz for s in study.isolators[isolator].stages]))
    iso = study.isolators[isolator]
    full = [
        np.sqrt(s.signal_linewidth_hz * s.idler_linewidth_hz) / 2 for s in iso.stages
    ]  # coupling of full conversion
    out = []
    for flux in grid:
        pair = (float(flux), float(flux))
        strength = max(abs(g) / x for g, x in zip(couplings_hz(study, isolator, pair), full, strict=True))
        # beyond full conversion the direction turns round: stay on the near side of it
        cap = iso.reference_power_w * (MOST_CONVERSION / max(strength, 1e-6)) ** 2
        top = max(powers_w[0], min(powers_w[1], cap))
        levels = np.geomspace(powers_w[0], top, 10) if top > powers_w[0] else np.array([powers_w[0]])
        matched = matched_hz(study, isolator, pair)
        for port in (1, 2):
            pumps = [(port, matched + shift * kb, float(p)) for shift in np.linspace(-0.3, 0.3, 5) for p in levels]
            s = transmission(study, isolator, pair, pumps, f)
            out.append(_best(s, pumps, f, float(flux), enough_db))
    return out


def _best(
    s: npt.NDArray[np.complex128],
    pumps: Sequence[tuple[int, float, float]],
    f: FloatArray,
    flux: float,
    enough_db: float,
) -> WorkingPoint:
    db = 20 * np.log10(np.maximum(np.abs(s), 1e-8))
    difference = db[:, 1] - db[:, 2]
    forward = np.maximum(db[:, 1], db[:, 2])
    # a notch narrower than anything is used for is no working point: average over some megahertz
    half = max(1, round(AVERAGED_HZ / float(f[1] - f[0]) / 2))
    kernel = np.ones(2 * half + 1) / (2 * half + 1)
    held = np.clip(difference, -CEILING_DB, CEILING_DB)
    smooth = np.array([np.convolve(row, kernel, mode="same") for row in held])
    score = np.abs(smooth) + 3.0 * forward
    k, n = divmod(int(np.argmax(score)), f.size)
    good = np.abs(difference[k]) >= enough_db
    sign = np.sign(difference[k, n])
    good &= np.sign(difference[k]) == sign
    left, right = n, n
    while left > 0 and good[left - 1]:
        left -= 1
    while right < f.size - 1 and good[right + 1]:
        right += 1
    step = float(f[1] - f[0])
    served = (np.abs(difference) >= enough_db) & (forward >= -MOST_LOSS_DB) & (np.sign(difference) == sign)
    usable = np.any(served, axis=0)
    return WorkingPoint(
        flux,
        pumps[k][0],
        "neither" if abs(difference[k, n]) < NO_DIRECTION_DB else "1 to 2" if sign > 0 else "2 to 1",
        pumps[k][1],
        pumps[k][2],
        float(f[n]),
        float(min(abs(difference[k, n]), 60.0)),
        float(-forward[k, n]),
        float(max(db[k, 0, n], db[k, 3, n])),
        float(step * (right - left + 1)) if good[n] else 0.0,
        _intervals(usable, f),
    )


def _intervals(flags: npt.NDArray[np.bool_], f: FloatArray) -> tuple[tuple[float, float], ...]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return tuple((float(f[a]), float(f[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True))


def tunable_band(points: Sequence[WorkingPoint], gap_hz: float) -> tuple[float, float] | None:
    """Widest unbroken band of signal frequencies that some working point serves; gaps up to `gap_hz` are passed over.

    A gap between neighbouring fluxes of the grid is closed by the fluxes between them, so the step of the mode
    frequency from flux to flux may be passed over; None if nothing is served.
    """
    pieces = sorted(x for p in points for x in p.usable_hz)
    best: tuple[float, float] | None = None
    current: tuple[float, float] | None = None
    for low, high in pieces:
        current = (current[0], max(current[1], high)) if current and low <= current[1] + gap_hz else (low, high)
        if best is None or current[1] - current[0] > best[1] - best[0]:
            best = current
    return best
