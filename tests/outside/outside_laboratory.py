"""What a laboratory does beyond the model, and the files that it writes; nothing of `fluxsense`, only numpy.

`Laboratory` says how large each imperfection is, `World` holds what one campaign's set-up really is, and
`write_campaign` measures it.  Where a closed formula would be the short way, another one is taken: cables are chains of
discontinuities and lengths of line, solved with all their waves, and the device between two of them likewise; a source of
finite length is a sum over its parts; smoothing is a mean over the sweep with its gains and delays.

Phases are those of exp(-i w t) until files are written, so a delay turns them up.
"""

from __future__ import annotations

import copy
import csv
import math
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from outside_simulator import STAGES, Group, OutsideStudy, Pump, Truth, isolator_scattering, quantity

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

SPEED_IN_CABLES_M_S = 2.1e8  # seven tenths of that of light, as with a solid dielectric (common practice)
SPEED_ON_CHIP_M_S = 1.2e8  # a coplanar line on silicon or sapphire (common practice)
PUMP_COLUMNS = ("pump", "pump_port", "pump_power_dbm", "pump_frequency_hz")
LOG_COLUMNS = ("file", "isolator", *PUMP_COLUMNS, "state", "cooldown", "repeat", "time_s")
SECONDS_PER_SWEEP = 20
WAVE_S = 20e-9  # two metres of cable, there and back


@dataclass(frozen=True)
class Laboratory:
    """How large each imperfection is.  Nothing is wrong by default but the noise that the study states.

    Each entry of an imperfection (a stage's frequency, a line's mutual inductance) is drawn by itself: normal with this
    standard deviation, or this size with either sign (`signs`).

    white : of either quadrature at a point, relative to unit transmission; None: the study's.
    pump_shift : factor on the shift of the modes by the pump; None: a pump too weak to move them.
    return_loss_db : range of the line ends', whole lines with cables of 0.3 to 1 m; each port draws its own.
    direct_path_db : range of the level past the device, relative to its line's gain; each way draws its own.
    arm_phase_rad : between hybrid and stage 1 beyond that to stage 2, at the middle of the sweep.
    hybrid_db, hybrid_rad : the signal hybrid off what is stated, in imbalance and phase.
    pump_hybrid_db, pump_hybrid_rad : the pump's hybrid, for each pump port by itself: power at stage 1 over 2, phase.
    mode_hz, linewidth, coupling, participation, shunt_ratio : stage values off, the last four relative.
    stray_arms : inductance of an arm beside its junction, over the junction's at zero flux.
    mutual, cross_talk : mutual inductances off; bias lines into the two loops nearest to their own; relative, the
        second to what the line puts into its own loop.
    static_flux_phi0 : in each loop at each set of bias currents, the same in all states.
    flux_walk_phi0, gain_walk : random walks over the campaign, this far from beginning to end, in each loop, and in gain
        and phase (rad) of each isolator's transmission paths.
    flux_flicker_phi0 : root mean square of 1/f noise over the campaign, each loop.
    focusing : flux focusing factors, relative.
    mode_change_hz : of each mode, from the first cooldown to each later one.
    smoothing_steps : standard deviation of the analyser's smoothing in steps of the sweep.
    analyser_offset_hz : of the analyser's frequencies.
    gain_within : random walk of gain and phase (rad) along each sweep, this far from its first frequency to its last, each path.
    standing_wave : between cables, relative to transmission, the same both ways; its phase walks by a radian over the campaign.
    spur : at one frequency, in pump-on sweeps, relative to unit transmission; each path has its own phase.
    bad_sweeps : part of all sweeps that are bad: a flux jump of 8 mPhi0, a jump of gain by 5% and 3 degrees, or a burst.
    rod_m : length of the source along its moment.
    interleaved : states change from round to round; otherwise all sweeps of a state come before those of the next.
    """

    white: float | None = None
    pump_shift: float | None = 1.0
    return_loss_db: tuple[float, float] = (math.inf, math.inf)
    direct_path_db: tuple[float, float] = (-math.inf, -math.inf)
    arm_phase_rad: float = 0.0
    hybrid_db: float = 0.0
    hybrid_rad: float = 0.0
    pump_hybrid_db: float = 0.0
    pump_hybrid_rad: float = 0.0
    mode_hz: float = 0.0
    linewidth: float = 0.0
    coupling: float = 0.0
    participation: float = 0.0
    shunt_ratio: float = 0.0
    stray_arms: float = 0.0
    mutual: float = 0.0
    cross_talk: float = 0.0
    static_flux_phi0: float = 0.0
    flux_walk_phi0: float = 0.0
    flux_flicker_phi0: float = 0.0
    gain_walk: float = 0.0
    focusing: float = 0.0
    mode_change_hz: float = 0.0
    smoothing_steps: float = 0.0
    analyser_offset_hz: float = 0.0
    gain_within: float = 0.0
    standing_wave: float = 0.0
    spur: float = 0.0
    bad_sweeps: float = 0.0
    rod_m: float = 0.0
    interleaved: bool = True
    signs: bool = False

    @classmethod
    def ideal(cls, pump_shift: float | None = 1.0, white: float | None = None) -> Laboratory:
        """The model's world: nothing but noise."""
        return cls(pump_shift=pump_shift, white=white)

    @classmethod
    def alone(cls, effect: str, size: str | float = "medium", pump_shift: float | None = 1.0) -> Laboratory:
        """One imperfection: small, medium (what is usual), large (three times that), or a factor on medium."""
        factor = SIZES[size] if isinstance(size, str) else size
        return replace(cls(pump_shift=pump_shift, signs=True), **EFFECTS[effect](factor))

    @classmethod
    def ordinary(cls, rng: np.random.Generator) -> Laboratory:
        """An ordinary cold set-up: all that is usual at once, as large as usual."""
        return cls(
            white=float(10 ** rng.uniform(math.log10(2e-3), -2)),
            pump_shift=float(1 + 0.1 * rng.normal()),
            return_loss_db=(15, 25),
            direct_path_db=(-50, -30),
            hybrid_db=0.3,
            hybrid_rad=math.radians(3),
            pump_hybrid_db=0.5,
            pump_hybrid_rad=math.radians(3),
            mode_hz=1e6,
            linewidth=0.02,
            coupling=0.02,
            participation=0.03,
            mutual=0.02,
            cross_talk=0.01,
            flux_walk_phi0=0.5e-3,
            gain_walk=0.01,
        )

    def entries(self, size: float, shape: int | tuple[int, ...], rng: np.random.Generator) -> FloatArray:
        """Errors of this size: normal, or with either sign.  As many random numbers are taken whatever the size."""
        drawn = rng.normal(size=shape)
        return np.asarray(size * (np.sign(drawn) if self.signs else drawn))


SIZES = {"small": 1 / 3, "medium": 1.0, "large": 3.0}
EFFECTS: dict[str, Callable[[float], dict[str, Any]]] = {
    "line ends": lambda k: {"return_loss_db": (20 - 20 * math.log10(k),) * 2},
    "direct path": lambda k: {"direct_path_db": (-40 + 20 * math.log10(k),) * 2},
    "unequal arms": lambda k: {"arm_phase_rad": math.radians(3 * k)},
    "signal hybrid": lambda k: {"hybrid_db": 0.3 * k, "hybrid_rad": math.radians(3 * k)},
    "pump hybrid": lambda k: {"pump_hybrid_db": 0.5 * k, "pump_hybrid_rad": math.radians(3 * k)},
    "mode frequencies": lambda k: {"mode_hz": 1e6 * k},
    "linewidths": lambda k: {"linewidth": 0.02 * k},
    "couplings": lambda k: {"coupling": 0.02 * k},
    "participations": lambda k: {"participation": 0.03 * k},
    "shunt ratios": lambda k: {"shunt_ratio": 0.02 * k},
    "stray arms": lambda k: {"stray_arms": 0.01 * k},
    "mutual inductances": lambda k: {"mutual": 0.02 * k},
    "cross-talk": lambda k: {"cross_talk": 0.01 * k},
    "static flux": lambda k: {"static_flux_phi0": 5e-3 * k},
    "flux walk": lambda k: {"flux_walk_phi0": 0.5e-3 * k},
    "flux walk, out first": lambda k: {"flux_walk_phi0": 2e-3 / 3 * k, "interleaved": False},
    "flux flicker": lambda k: {"flux_flicker_phi0": 0.5e-3 * k},
    "gain walk": lambda k: {"gain_walk": 0.01 * k},
    "pump shift": lambda k: {"pump_shift": 1 + 0.1 * k},
    "focusing": lambda k: {"focusing": 0.05 * k},
    "cooldowns": lambda k: {"mode_change_hz": 1e6 * k},
    "smoothing": lambda k: {"smoothing_steps": 0.3 * k},
    "analyser offset": lambda k: {"analyser_offset_hz": 5e4 * k},
    "spur": lambda k: {"spur": 0.01 * k},
    "bad sweeps": lambda k: {"bad_sweeps": min(0.05 * k, 0.08)},
    "gain within a sweep": lambda k: {"gain_within": 5e-3 / 3 * k},
    "standing wave": lambda k: {"standing_wave": 0.02 / 3 * k},
    "rod": lambda k: {"rod_m": 8e-6 / 3 * k},
}
"""Each imperfection alone, as a function of a factor on its usual size."""


# ---------------------------------------------------------------- lines


def chain(parts: list[ComplexArray]) -> ComplexArray:
    """Scattering (F, 2, 2) of two-ports in a row, all waves between them solved for together.

    Between part i and i + 1 run a wave onwards and one back; part i gives the one onwards behind it and the one back
    before it.
    """
    count, n = len(parts[0]), len(parts)
    onwards = {i: i - 1 for i in range(1, n + 1)}  # unknown waves onwards behind part i - 1 ...
    back = {i: n + i for i in range(n)}  # ... and back before part i
    equations = np.zeros((count, 2 * n, 2 * n), dtype=np.complex128)
    drive = np.zeros((count, 2 * n, 2), dtype=np.complex128)
    for i, s in enumerate(parts):
        for row, out in ((onwards[i + 1], 1), (back[i], 0)):
            equations[:, row, row] += 1
            if i == 0:
                drive[:, row, 0] = s[:, out, 0]
            else:
                equations[:, row, onwards[i]] -= s[:, out, 0]
            if i == n - 1:
                drive[:, row, 1] = s[:, out, 1]
            else:
                equations[:, row, back[i + 1]] -= s[:, out, 1]
    waves = np.linalg.solve(equations, drive)
    return np.asarray(waves[:, [back[0], onwards[n]]])


def between_db(limits_db: tuple[float, float], u: float) -> float:
    """A level so far (0 to 1) up a range; infinite levels stand for nothing at all."""
    low, high = limits_db
    return low if low == high else low + u * (high - low)


@dataclass(frozen=True)
class LineEnd:
    """A line from the analyser (port 1) to the device (port 2): discontinuities r (n,) and the delays (n,) before them.

    Of the n lengths of line, the last joins the device.
    """

    reflections: FloatArray
    delays_s: FloatArray

    @classmethod
    def draw(cls, return_loss_db: tuple[float, float], rng: np.random.Generator) -> LineEnd:
        """Three discontinuities (far connector, one on the way, launch) whose powers add up to the return loss."""
        length_m = rng.uniform(0.3, 1.0)
        between = length_m * rng.uniform(0.2, 0.8)
        delays = np.array([length_m - between, between, rng.uniform(0.004, 0.02)]) / SPEED_IN_CABLES_M_S
        powers = rng.dirichlet(np.ones(3)) * 10 ** (-between_db(return_loss_db, rng.uniform()) / 10)
        return cls(np.sqrt(powers) * rng.choice([-1, 1], 3), delays)

    def at(self, frequency_hz: FloatArray) -> ComplexArray:
        """Scattering (F, 2, 2)."""
        parts = []
        for r, delay in zip(self.reflections, self.delays_s, strict=True):
            through = math.sqrt(1 - r * r)
            parts.append(np.tile(np.array([[1j * r, through], [through, 1j * r]]), (len(frequency_hz), 1, 1)))
            line = np.zeros_like(parts[-1])
            line[:, 0, 1] = line[:, 1, 0] = np.exp(2j * np.pi * frequency_hz * delay)
            parts.append(line)
        return chain(parts)


@dataclass(frozen=True)
class Paths:
    """Waves that pass the device by: amplitudes and delays (way, n), ways 1 to 2 and 2 to 1."""

    amplitudes: ComplexArray
    delays_s: FloatArray

    @classmethod
    def draw(cls, level_db: tuple[float, float], rng: np.random.Generator) -> Paths:
        """Three ways each with delays up to those of half a metre; together of a level in this range on average."""
        weights = rng.normal(size=(2, 3)) + 1j * rng.normal(size=(2, 3))
        weights /= np.sqrt(np.sum(np.abs(weights) ** 2, axis=1, keepdims=True))
        levels = np.array([between_db(level_db, u) for u in rng.uniform(size=2)])
        return cls(10 ** (levels[:, None] / 20) * weights, rng.uniform(0.1e-9, 2.4e-9, (2, 3)))

    def at(self, frequency_hz: FloatArray) -> ComplexArray:
        """Added to S21 and S12, as a matrix (F, 2, 2)."""
        turns = np.exp(2j * np.pi * frequency_hz[:, None, None] * self.delays_s)
        ways = np.sum(self.amplitudes * turns, axis=2)
        added = np.zeros((len(frequency_hz), 2, 2), dtype=np.complex128)
        added[:, 1, 0], added[:, 0, 1] = ways[:, 0], ways[:, 1]
        return added


@dataclass(frozen=True)
class LineGain:
    """Gain of an isolator's four paths (2, 2): level, slope and ripple in dB, delay and phase in turns."""

    level_db: FloatArray
    slope_db: FloatArray
    ripples: FloatArray
    ripple_turns: FloatArray
    delay_s: FloatArray
    turns: FloatArray
    span_hz: tuple[float, float]

    @classmethod
    def draw(cls, frequency_hz: FloatArray, rng: np.random.Generator) -> LineGain:
        """Some decibels, a slope, a ripple, a delay of 10 to 40 ns."""
        four = (2, 2)
        return cls(
            2 * rng.normal(size=four), 0.5 * rng.normal(size=four), rng.uniform(0.5, 2, four), rng.uniform(0, 1, four),
            rng.uniform(10e-9, 40e-9, four), rng.uniform(0, 1, four), (frequency_hz[0], frequency_hz[-1]),
        )  # fmt: skip

    def at(self, frequency_hz: FloatArray) -> ComplexArray:
        """Gain (F, 2, 2)."""
        low, high = self.span_hz
        x = (2 * (frequency_hz - low) / (high - low) - 1)[:, None, None]
        level = self.level_db + self.slope_db * x + 0.3 * np.cos(2 * np.pi * (x * self.ripples + self.ripple_turns))
        delayed = frequency_hz[:, None, None] * self.delay_s + self.turns
        return np.asarray(10 ** (level / 20) * np.exp(2j * np.pi * delayed))


# ---------------------------------------------------------------- the set-up as it is


@dataclass
class World:
    """What a campaign's set-up really is.

    study: as stated, by which the experimenter sets the pumps; sizes: how large its imperfections are; truth: source
    and what the study's priors hold; isolators (as in the first cooldown), mutual_phi0_per_a: the study's with their errors;
    mode_change_hz (cooldown, isolator, stage, 2): since the first cooldown, of signal and idler; pump_errors
    (isolator, port, 2): dB and rad; static_phi0 (setting, loop); ends, paths, gains: per isolator.
    """

    study: OutsideStudy
    sizes: Laboratory
    truth: Truth
    isolators: list[dict[str, Any]]
    mutual_phi0_per_a: FloatArray
    pump_errors: FloatArray
    static_phi0: FloatArray
    ends: list[tuple[LineEnd, LineEnd]]
    paths: list[Paths]
    gains: list[LineGain]
    mode_change_hz: FloatArray
    source_flux_phi0: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        self.source_flux_phi0 = self.study.source_flux_phi0(self.truth)

    @classmethod
    def build(cls, study: OutsideStudy, sizes: Laboratory, truth: Truth, rng: np.random.Generator) -> World:
        """Draw everything that the sizes leave open; the truth gets the errors that are its own."""
        truth = copy.deepcopy(truth)
        truth.flux_focusing = truth.flux_focusing * (1 + sizes.entries(sizes.focusing, len(study.loops), rng))
        truth.rod_m = sizes.rod_m
        count = len(study.isolators)
        pump_errors = sizes.entries(1.0, (count, 2, 2), rng) * [sizes.pump_hybrid_db, sizes.pump_hybrid_rad]
        return cls(
            study=study, sizes=sizes, truth=truth,
            isolators=[true_isolator(i, study.frequency_hz, sizes, rng) for i in study.isolators],
            mutual_phi0_per_a=true_mutual(study, sizes, rng),
            pump_errors=pump_errors,
            static_phi0=static_flux(study, sizes, rng),
            ends=[(LineEnd.draw(sizes.return_loss_db, rng), LineEnd.draw(sizes.return_loss_db, rng)) for _ in range(count)],
            paths=[Paths.draw(sizes.direct_path_db, rng) for _ in range(count)],
            gains=[LineGain.draw(study.frequency_hz, rng) for _ in range(count)],
            mode_change_hz=mode_changes(study, sizes, rng),
        )  # fmt: skip

    def pump(self, group: Group) -> Pump:
        """The pump as it reaches the two stages."""
        stated = self.study.pump(self.truth, group)
        port = self.study.settings[group.setting].get("pump_port", 1) - 1
        db, rad = self.pump_errors[group.isolator, port]
        one, two = stated.relative_coupling
        return replace(
            stated,
            relative_coupling=(one * 10 ** (db / 40), two * 10 ** (-db / 40)),
            phase_rad=stated.phase_rad + rad,
            shift_factor=self.sizes.pump_shift,
        )

    def isolator_in(self, cooldown: int, n: int) -> dict[str, Any]:
        """An isolator as it is in a cooldown."""
        if not np.any(self.mode_change_hz[cooldown, n]):
            return self.isolators[n]
        isolator = copy.deepcopy(self.isolators[n])
        for name, change in zip(STAGES, self.mode_change_hz[cooldown, n], strict=True):
            for key, hz in zip(("signal_frequency", "idler_frequency"), change, strict=True):
                isolator[name][key] += float(hz)
        return isolator

    def flux_phi0(self, group: Group) -> FloatArray:
        """Flux (loops,) of a group's sweeps, before noise."""
        bias = self.mutual_phi0_per_a @ self.study.bias_a(group.setting) + self.static_phi0[group.setting]
        return np.asarray(bias + self.truth.offset_phi0[group.cooldown] + self.source_flux_phi0[group.state])

    def scattering(self, group: Group, pump_on: bool, extra_phi0: FloatArray, frequency_hz: FloatArray) -> ComplexArray:
        """Scattering (F, 2, 2) with line ends and direct paths, without the lines' gain; extra_phi0 (loops,)."""
        n = group.isolator
        flux = (self.flux_phi0(group) + extra_phi0)[self.study.stage_loops(n)]
        device = isolator_scattering(
            self.isolator_in(group.cooldown, n), flux, self.pump(group) if pump_on else None, frequency_hz
        )
        if math.isfinite(self.sizes.return_loss_db[0]):
            left, right = (end.at(frequency_hz) for end in self.ends[n])
            device = chain([left, device, right[:, ::-1, ::-1]])
        return np.asarray(device + self.paths[n].at(frequency_hz))

    def trace(self, group: Group, pump_on: bool, extra_phi0: FloatArray) -> ComplexArray:
        """What the analyser would show of it (F, 2, 2) without noise and drift."""
        spacing = self.study.frequency_hz[1] - self.study.frequency_hz[0]
        nodes, weights = np.array([0.0]), np.array([1.0])
        if self.sizes.smoothing_steps:
            nodes, weights = np.polynomial.hermite_e.hermegauss(7)
        total = np.zeros((len(self.study.frequency_hz), 2, 2), dtype=np.complex128)
        for x, w in zip(nodes, weights / weights.sum(), strict=True):
            f = self.study.frequency_hz + x * self.sizes.smoothing_steps * spacing + self.sizes.analyser_offset_hz
            total += w * self.scattering(group, pump_on, extra_phi0, f) * self.gains[group.isolator].at(f)
        return total


def true_isolator(
    stated: dict[str, Any], frequency_hz: FloatArray, sizes: Laboratory, rng: np.random.Generator
) -> dict[str, Any]:
    """An isolator of the study with the errors of its parts."""
    isolator = copy.deepcopy(stated)
    for key, size in (("hybrid_imbalance", sizes.hybrid_db), ("hybrid_phase_error", sizes.hybrid_rad)):
        isolator[key] = quantity(isolator.get(key, 0)) + float(sizes.entries(size, 1, rng)[0])
    middle = float(np.mean(frequency_hz))
    isolator["arm_delays_s"] = (float(sizes.entries(sizes.arm_phase_rad, 1, rng)[0]) / (2 * np.pi * middle), 0.0)
    for name in STAGES:
        stage = isolator[name]
        for key in ("signal_frequency", "idler_frequency"):
            stage[key] = quantity(stage[key]) + float(sizes.entries(sizes.mode_hz, 1, rng)[0])
        relative = {
            "signal_linewidth": sizes.linewidth, "idler_linewidth": sizes.linewidth, "coupling": sizes.coupling,
            "signal_participation": sizes.participation, "idler_participation": sizes.participation, "shunt_ratio": sizes.shunt_ratio,
        }  # fmt: skip
        for key, size in relative.items():
            error = float(sizes.entries(size, 1, rng)[0])
            if key in stage:
                stage[key] = quantity(stage[key]) * (1 + error)
        stage["stray_arms"] = sizes.stray_arms
    return isolator


def true_mutual(study: OutsideStudy, sizes: Laboratory, rng: np.random.Generator) -> FloatArray:
    """Mutual inductances (loops, lines) with their errors, and what lines put into the two loops nearest to their own."""
    stated = study.mutual_phi0_per_a
    mutual = stated * (1 + sizes.entries(sizes.mutual, stated.shape, rng))
    centres = np.array([outline.mean(axis=0) for outline in study.outlines_m])
    talk = sizes.entries(sizes.cross_talk, stated.shape, rng)
    for line in range(stated.shape[1]):
        own = int(np.argmax(np.abs(stated[:, line])))
        near = np.argsort(np.linalg.norm(centres - centres[own], axis=1))[1:3]
        mutual[near, line] += talk[near, line] * stated[own, line]
    return np.asarray(mutual)


def mode_changes(study: OutsideStudy, sizes: Laboratory, rng: np.random.Generator) -> FloatArray:
    """How far modes have moved since the first cooldown, (cooldowns, isolators, stages, 2)."""
    later = sizes.entries(sizes.mode_change_hz, (len(study.cooldowns) - 1, len(study.isolators), 2, 2), rng)
    return np.concatenate([np.zeros((1, len(study.isolators), 2, 2)), later])


def static_flux(study: OutsideStudy, sizes: Laboratory, rng: np.random.Generator) -> FloatArray:
    """Flux (settings, loops) that comes with each set of bias currents."""
    drawn = sizes.entries(sizes.static_flux_phi0, (len(study.settings), len(study.loops)), rng)
    first = {tuple(study.bias_a(k)): k for k in reversed(range(len(study.settings)))}
    return np.array([drawn[first[tuple(study.bias_a(k))]] for k in range(len(study.settings))])


# ---------------------------------------------------------------- a campaign in files


@dataclass(frozen=True)
class Sweep:
    """One of a campaign."""

    group: Group
    pump_on: bool
    repeat: int


def order_of_sweeps(study: OutsideStudy, interleaved: bool) -> list[Sweep]:
    """All sweeps of the plan; interleaved: in rounds, each of all states and settings, every other one backwards."""
    plan = study.document["plan"]
    counts = {True: plan["repeats"], False: plan["off_repeats"]}
    groups = study.groups()
    if not interleaved:
        return [Sweep(g, on, k + 1) for g in groups for on in (False, True) for k in range(counts[on])]
    found = []
    for cooldown in range(len(study.cooldowns)):
        for k in range(max(counts.values())):
            here = [g for g in groups if g.cooldown == cooldown]
            here.sort(key=lambda g: g.state * (-1) ** k)
            found += [Sweep(g, on, k + 1) for g in here for on in (False, True) if k < counts[on]]
    return found


def walk(count: int, size: float, shape: tuple[int, ...], rng: np.random.Generator) -> FloatArray:
    """Random walks (count, ...) from zero whose end has this standard deviation."""
    return np.asarray(np.cumsum(rng.normal(size=(count, *shape)), axis=0) * size / math.sqrt(count))


def flicker(count: int, size: float, shape: tuple[int, ...], rng: np.random.Generator) -> FloatArray:
    """1/f noise (count, ...) of this root mean square, from white noise weighed by f^(-1/2) in frequency."""
    spectrum = np.fft.rfft(rng.normal(size=(4 * count, *shape)), axis=0)
    rise = np.arange(len(spectrum), dtype=np.float64)
    rise[0] = np.inf
    noise = np.fft.irfft(spectrum / np.sqrt(rise).reshape(-1, *(1 for _ in shape)), n=4 * count, axis=0)[:count]
    noise -= noise.mean(axis=0)
    return np.asarray(size * noise / np.sqrt(np.mean(noise**2)))


@dataclass(frozen=True)
class Drifts:
    """What changes over a campaign: flux (sweep, loop), gain (sweep, isolator, 2, 2), phase of a standing wave (sweep, isolator)."""

    flux_phi0: FloatArray
    gain: ComplexArray
    wave_rad: FloatArray

    @classmethod
    def draw(cls, count: int, world: World, rng: np.random.Generator) -> Drifts:
        sizes, loops = world.sizes, (len(world.study.loops),)
        flux = walk(count, sizes.flux_walk_phi0, loops, rng) + flicker(count, sizes.flux_flicker_phi0, loops, rng)
        paths = (len(world.study.isolators), 2, 2)
        gain = walk(count, sizes.gain_walk, paths, rng) + 1j * walk(count, sizes.gain_walk, paths, rng)
        phase = walk(count, 1.0, paths[:1], rng) if sizes.standing_wave else np.zeros((count, *paths[:1]))
        return cls(flux, np.exp(gain), phase)

    def gain_at(self, world: World, at: int, isolator: int) -> ComplexArray:
        """Gain (F, 2, 2) of a sweep, standing wave and all."""
        turns = 2 * np.pi * WAVE_S * world.study.frequency_hz + self.wave_rad[at, isolator]
        return np.asarray(self.gain[at, isolator] * (1 + world.sizes.standing_wave * np.exp(1j * turns))[:, None, None])


def unsteady(relative_sd: float, phase_sd_rad: float, rng: np.random.Generator) -> ComplexArray:
    """Factors (2, 2) near 1, one for each path."""
    return np.asarray((1 + relative_sd * rng.normal(size=(2, 2))) * np.exp(1j * phase_sd_rad * rng.normal(size=(2, 2))))


def write_trace(path: Path, frequency_hz: FloatArray, s: ComplexArray) -> None:
    """A two-port Touchstone file (version 1: S11, S21, S12, S22); such files have exp(+i w t), hence the conjugate."""
    columns = np.conj(s).transpose(0, 2, 1).reshape(len(s), 4)
    pairs = np.stack([columns.real, columns.imag], axis=-1).reshape(len(s), 8)
    table = np.column_stack([frequency_hz, pairs])
    np.savetxt(path, table, fmt="%.1f" + " %.6e" * 8, header="Hz S RI R 50", comments="# ", encoding="utf-8")


def bad_factor(kind: int, count: int, white: float, rng: np.random.Generator) -> ComplexArray:
    """What a bad sweep is multiplied by, (F, 1, 1): nothing (0, a flux jump), another gain (1), a burst (2)."""
    factor = np.ones((count, 1, 1), dtype=np.complex128)
    if kind == 1:
        factor *= 1.05 * np.exp(1j * math.radians(3))
    if kind == 2:
        start, length = rng.integers(count), max(3, count // 12)
        factor[start : start + length, 0, 0] += (
            15 * white * (rng.normal(size=2 * length).view(complex))[: count - start]
        )
    return factor


def measured(
    world: World, sweep: Sweep, drifts: tuple[FloatArray, ComplexArray], rng: np.random.Generator
) -> ComplexArray:
    """One sweep (F, 2, 2) with its noise; drifts: flux (loops,) and gain (F, 2, 2) at its time."""
    noise, sizes, n = world.study.document["noise"], world.sizes, sweep.group.isolator
    white = noise["white"] if sizes.white is None else sizes.white
    extra = drifts[0] + quantity(noise.get("flux", 0)) * rng.normal(size=len(drifts[0]))
    bad = int(rng.integers(3)) if rng.uniform() < sizes.bad_sweeps else None
    if bad == 0:
        extra[world.study.stage_loops(n)[int(rng.integers(2))]] += 8e-3 * rng.choice([-1, 1])
    s = world.trace(sweep.group, sweep.pump_on, extra)
    gain = world.gains[n].at(world.study.frequency_hz)
    if sizes.spur and sweep.pump_on:
        at = len(s) * (2 + n) // (5 + len(world.isolators))
        s[at] += sizes.spur * gain[at] * np.exp(1j * np.array([[0.3, 1.9], [4.0, 5.2]]))
    s *= drifts[1] * unsteady(noise.get("gain_drift", 0.0), quantity(noise.get("phase_drift", 0)), rng)
    if sizes.gain_within:
        along = (len(s), sizes.gain_within, (2, 2), rng)
        s *= np.exp(walk(*along) + 1j * walk(*along))
    if bad is not None:
        s *= bad_factor(bad, len(s), white, rng)
    return np.asarray(s + white * np.abs(gain) * (rng.normal(size=s.shape) + 1j * rng.normal(size=s.shape)))


def write_campaign(world: World, folder: Path, rng: np.random.Generator) -> Path:
    """All sweeps of the study's plan as files, their log, and a copy of the study; returns the copy's path.

    Each isolator has its line's gain; each group a residual gain error, on and off; each sweep drift of gain and phase
    in each path, flux noise in both loops, and white noise with the stated deviation of either quadrature relative to
    the gain.
    """
    (folder / "traces").mkdir(parents=True)
    study = world.study
    order = order_of_sweeps(study, world.sizes.interleaved)
    drifts = Drifts.draw(len(order), world, rng)
    constant = study.document["noise"].get("residual_gain", 0.0)
    residual = {(g, on): unsteady(constant, constant, rng) for g in study.groups() for on in (False, True)}
    rows: list[list[Any]] = [[*LOG_COLUMNS, *(f"bias_{line}_a" for line in study.lines)]]
    for at, sweep in enumerate(order):
        group, n = sweep.group, sweep.group.isolator
        setting, isolator = study.settings[group.setting], study.isolators[n]["name"]
        state, cooldown = study.states[group.state]["name"], study.cooldowns[group.cooldown]
        gain = drifts.gain_at(world, at, n) * residual[group, sweep.pump_on]
        s = measured(world, sweep, (drifts.flux_phi0[at], gain), rng)
        pump: list[Any] = ["off", "", "", ""]
        if sweep.pump_on:
            power_dbm = 10 * math.log10(quantity(setting["pump_power"]) / 1e-3)
            pump = [
                "on",
                setting["pump_port"],
                round(power_dbm, 6),
                round(study.pump_frequency_hz(group.setting, n), 1),
            ]
        file = f"traces/{cooldown}_{state}_{setting['name']}_{isolator}_{pump[0]}_{sweep.repeat}.s2p"
        write_trace(folder / file, study.frequency_hz, s)
        time_s = SECONDS_PER_SWEEP * (at + 1)
        rows.append([file, isolator, *pump, state, cooldown, sweep.repeat, time_s, *study.bias_a(group.setting)])
    with (folder / "log.csv").open("w", newline="", encoding="utf-8") as log:
        csv.writer(log).writerows(rows)
    return Path(shutil.copy(study.path, folder / "study.toml"))
