"""What each imperfection of a laboratory does to the direction, by linear theory alone; nothing of `fluxsense`.

    python tests/validation/laboratory_linear.py --campaigns 7 --size medium large

For each effect of `tests/outside/outside_laboratory.py` the noise-free ratios of a set-up that has it are fitted, to first
order, by three models: the study's own unknowns; these and every number of the chip, pump and bias lines uncertain by its
usual size; these and line ends, direct paths and slow drift.  Printed, for the first linear step and, with
`--iterations`, after so many Gauss-Newton steps with slopes taken anew and line ends to all orders: how many spreads off the direction comes out without
any noise (a mean over chips and the largest), how the spread grows from model to model, and what the misfit would be.  Slow
sampling is not needed for it: a second a campaign.  It says what a correct elimination can and cannot do, so that what the
package does can be held against it.  Everything is linear, priors are as wide as the errors, and the fit knows the simulator's
equations: real answers are worse.
"""

from __future__ import annotations

import argparse
import copy
import math
import os
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "outside")]

import numpy as np  # noqa: E402
from numpy.typing import NDArray  # noqa: E402
from outside_chips import CHIPS, write_study  # noqa: E402
from outside_laboratory import EFFECTS, Drifts, Laboratory, World, order_of_sweeps  # noqa: E402
from outside_simulator import STAGES, Group, OutsideStudy, quantity  # noqa: E402
from scipy.stats import chi2  # noqa: E402

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

POINTS = 31
MODELS = ("study", "numbers", "set-up")
DELAYS_S = np.array([0.0, 3.3e-9, 6.7e-9, 10e-9])
PATHS = ((1, 0), (0, 1))


@dataclass(frozen=True)
class Unknown:
    """Something that a model may fit: a change of the world in prior standard deviations; model: the first that has it."""

    name: str
    model: int
    isolators: tuple[int, ...]
    change: Callable[[World, float], None]


def real(values: ComplexArray) -> FloatArray:
    return np.concatenate([values.real.ravel(), values.imag.ravel()])


def groups_of(study: OutsideStudy, isolator: int) -> list[Group]:
    return [g for g in study.groups() if g.isolator == isolator]


def ratios(
    world: World, isolator: int, means: dict[tuple[Group, bool], tuple[FloatArray, ComplexArray]]
) -> ComplexArray:
    """Transmission pump on over pump off (group, path, F); means: extra flux and gain of each group's sweeps."""
    found = []
    nothing = (np.zeros(len(world.study.loops)), np.ones((2, 2), dtype=np.complex128))
    for group in groups_of(world.study, isolator):
        both = []
        for on in (True, False):
            flux, gain = means.get((group, on), nothing)
            s = world.scattering(group, on, flux, world.study.frequency_hz) * gain
            both.append(np.array([s[:, a, b] for a, b in PATHS]))
        found.append(both[0] / both[1])
    return np.array(found)


def stage_change(n: int, stage: str, key: str, relative: float, absolute: float) -> Callable[[World, float], None]:
    def change(world: World, x: float) -> None:
        values = world.isolators[n][stage]
        values[key] = quantity(values[key]) * (1 + relative * x) + absolute * x

    return change


def entry_change(name: str, entry: tuple[int, ...], sd: float, of_truth: bool) -> Callable[[World, float], None]:
    def change(world: World, x: float) -> None:
        getattr(world.truth if of_truth else world, name)[entry] += sd * x

    return change


def hybrid_change(n: int, key: str, sd: float) -> Callable[[World, float], None]:
    def change(world: World, x: float) -> None:
        world.isolators[n][key] = quantity(world.isolators[n].get(key, 0)) + sd * x

    return change


def unknowns(world: World) -> list[Unknown]:
    """The source's three components first; those of the study, then of chip and pump with their usual sizes."""
    study = world.study
    every = tuple(range(len(study.isolators)))
    owner = {loop: (n,) for n in every for loop in study.stage_loops(n)}
    found = [
        Unknown("source", 0, every, entry_change("source", (j,), study.size / math.sqrt(3), True)) for j in range(3)
    ]
    if study.is_dipole:
        found += [
            Unknown("position", 0, every, entry_change("position_m", (j,), sd, True))
            for j, sd in enumerate(study.position_sd_m)
        ]
    for loop in range(len(study.loops)):
        sd = float(study.offset_sd_phi0[loop])
        found.append(Unknown("offset", 0, owner[loop], entry_change("offset_phi0", (0, loop), sd, True)))
        for setting in range(len(study.settings)):
            found.append(
                Unknown("static flux", 1, owner[loop], entry_change("static_phi0", (setting, loop), 5e-3, False))
            )
        for line in range(len(study.lines)):
            stated = study.mutual_phi0_per_a[loop, line]
            own = float(np.max(np.abs(study.mutual_phi0_per_a[:, line])))
            sd = 0.02 * abs(stated) + 0.01 * own * (abs(stated) < own)
            found.append(Unknown("mutual", 1, owner[loop], entry_change("mutual_phi0_per_a", (loop, line), sd, False)))
    for n in every:
        isolator = study.isolators[n]
        found.append(
            Unknown(
                "strength", 0, (n,), entry_change("pump_strength", (n,), isolator.get("pump_strength_sd", 0.0), True)
            )
        )
        phase = quantity(isolator.get("pump_phase_error_sd", 0))
        found.append(Unknown("phase", 0, (n,), entry_change("pump_phase_error_rad", (n,), phase, True)))
        for port in (0, 1):
            for which, sd in enumerate((0.5, math.radians(3))):
                found.append(Unknown("pump hybrid", 1, (n,), entry_change("pump_errors", (n, port, which), sd, False)))
        for key, sd in (("hybrid_imbalance", 0.3), ("hybrid_phase_error", math.radians(3))):
            found.append(Unknown("hybrid", 1, (n,), hybrid_change(n, key, sd)))
        for stage in STAGES:
            for key, relative, absolute in (
                ("signal_frequency", 0.0, 1e6), ("idler_frequency", 0.0, 1e6), ("signal_linewidth", 0.02, 0.0),
                ("idler_linewidth", 0.02, 0.0), ("coupling", 0.02, 0.0), ("signal_participation", 0.03, 0.0),
                ("idler_participation", 0.03, 0.0), ("shunt_ratio", 0.02, 0.0),
            ):  # fmt: skip
                found.append(Unknown("chip", 1, (n,), stage_change(n, stage, key, relative, absolute)))
    return found


def copied(world: World) -> World:
    other = copy.copy(world)
    for name in ("truth", "isolators", "mutual_phi0_per_a", "pump_errors", "static_phi0"):
        setattr(other, name, copy.deepcopy(getattr(world, name)))
    return other


@dataclass
class State:
    """Where a fit is: a world without line ends and paths, and beside it e1, e2, L21, L12 (isolator, 4, F)."""

    world: World
    lines: ComplexArray

    def swept(self, group: Group, on: bool, extra: FloatArray) -> ComplexArray:
        """S21 and S12 (2, F) as the analyser sees them, by Mason's rule."""
        s = self.world.scattering(group, on, extra, self.world.study.frequency_hz)
        e1, e2, *past = self.lines[group.isolator]
        d = (1 - e1 * s[:, 0, 0]) * (1 - e2 * s[:, 1, 1]) - e1 * e2 * s[:, 0, 1] * s[:, 1, 0]
        return np.array([s[:, a, b] / d + way for (a, b), way in zip(PATHS, past, strict=True)])

    def ratios(self, n: int) -> ComplexArray:
        """Pump on over pump off (group, path, F) of an isolator."""
        still = np.zeros(len(self.world.study.loops))
        return np.array(
            [self.swept(g, True, still) / self.swept(g, False, still) for g in groups_of(self.world.study, n)]
        )

    def moved(self, changes: list[tuple[Unknown, float]], lines: ComplexArray) -> State:
        """Another state; changes in prior standard deviations."""
        world = copied(self.world)
        for unknown, x in changes:
            unknown.change(world, x)
        world.source_flux_phi0 = world.study.source_flux_phi0(world.truth)
        return State(world, self.lines + lines)


class Linear:
    """First-order fits about one state: slopes, weights, and which model has which column."""

    def __init__(self, state: State) -> None:
        self.state, self.world = state, state.world
        study, plan = self.world.study, self.world.study.document["plan"]
        noise = study.document["noise"]
        white = noise["white"] if self.world.sizes.white is None else self.world.sizes.white
        white *= math.sqrt(POINTS / study.document["sweep"]["points"])
        self.isolators = range(len(study.isolators))
        self.base = [state.ratios(n) for n in self.isolators]
        self.starts = np.cumsum([0, *(2 * b.size for b in self.base)])
        variances = []
        still = np.zeros(len(study.loops))
        for n in self.isolators:
            down = np.abs([state.swept(g, False, still) for g in groups_of(study, n)])
            v = white**2 / down**2 * (1 / plan["repeats"] + np.abs(self.base[n]) ** 2 / plan["off_repeats"])
            variances.append(np.concatenate([v.ravel(), v.ravel()]))
        self.weight = 1 / np.concatenate(variances)
        self.unknowns = unknowns(self.world)
        columns = [self.slope(u) for u in self.unknowns]
        models, names = [u.model for u in self.unknowns], [u.name for u in self.unknowns]
        for n in self.isolators:
            for model, name, column in [*self.line_columns(n), *self.noise_columns(n)]:
                columns.append(self.placed(n, column))
                models.append(model)
                names.append(name)
        self.slopes, self.models, self.names = np.array(columns), np.array(models), names

    def placed(self, n: int, values: ComplexArray) -> FloatArray:
        row = np.zeros(self.starts[-1])
        row[self.starts[n] : self.starts[n + 1]] = real(values)
        return row

    def slope(self, unknown: Unknown) -> FloatArray:
        """Of one unknown, by a difference to one side; the source's by a central one."""
        row, step = np.zeros(self.starts[-1]), 0.02
        up = self.state.moved([(unknown, step)], np.zeros_like(self.state.lines))
        down = self.state.moved([(unknown, -step)], np.zeros_like(self.state.lines)) if unknown.model == 0 else None
        for n in unknown.isolators:
            if down is None:
                row += self.placed(n, (up.ratios(n) - self.base[n]) / step)
            else:
                row += self.placed(n, (up.ratios(n) - down.ratios(n)) / (2 * step))
        return row

    def noise_columns(self, n: int) -> list[tuple[int, str, ComplexArray]]:
        """Gain of each group and path, flux noise of each group and loop (study); their drift from group to group (set-up)."""
        study, base = self.world.study, self.base[n]
        noise, plan = study.document["noise"], study.document["plan"]
        found = []
        gain = math.sqrt(
            2 * noise["residual_gain"] ** 2 + noise["gain_drift"] ** 2 * (1 / plan["repeats"] + 1 / plan["off_repeats"])
        )
        flux = quantity(noise["flux"]) / math.sqrt(plan["repeats"])
        for k, group in enumerate(groups_of(study, n)):
            for path in (0, 1):
                for turn in (1, 1j):
                    column = np.zeros_like(base)
                    column[k, path] = turn * base[k, path]
                    found += [(0, "gain", gain * column), (2, "gain drift", 0.002 * column)]
            for loop in study.stage_loops(n):
                for on in (True, False):
                    extra = np.zeros(len(study.loops))
                    extra[loop] = 1e-5
                    moved = self.one_group(group, on, extra)
                    column = np.zeros_like(base)
                    column[k] = (moved - base[k]) / 1e-5
                    found += [(0, "flux noise", flux * column), (2, "flux drift", 5e-5 * column)]
        return found

    def drawn_noise(self, rng: np.random.Generator) -> FloatArray:
        """White noise, gain errors and flux noise as the study states them."""
        noisy = np.isin(self.names, ["gain", "flux noise"])
        return np.asarray(
            rng.normal(size=self.starts[-1]) / np.sqrt(self.weight) + rng.normal(size=noisy.sum()) @ self.slopes[noisy]
        )

    def one_group(self, group: Group, on: bool, extra: FloatArray) -> ComplexArray:
        still = np.zeros(len(extra))
        return self.state.swept(group, True, extra if on else still) / self.state.swept(
            group, False, still if on else extra
        )

    def line_columns(self, n: int) -> list[tuple[int, str, ComplexArray]]:
        """Reflections e1, e2 and paths L21, L12, each a sum over delays, by differences."""
        base, found = self.base[n], []
        for row, name, scale in LINES:
            slope = []
            for unit in (1, 1j):
                lines = np.zeros_like(self.state.lines)
                lines[n, row] = 1e-5 * unit
                slope.append((self.state.moved([], lines).ratios(n) - base) / 1e-5)
            # ratios are complex functions of e that are analytic, so one slope gives all turns
            for turn in line_turns(self.world.study.frequency_hz):
                found.append((2, name, scale * (slope[0] * turn.real + slope[1] * turn.imag)))
        return found

    def step(self, observed: FloatArray, at: FloatArray, model: int) -> tuple[FloatArray, FloatArray, float]:
        """Estimate (all columns), covariance of the columns of a model, and chi-square; at: where the state stands."""
        use = self.models <= model
        slopes, weighed = self.slopes[use], self.slopes[use] * self.weight
        difference = observed - np.concatenate([real(b) for b in self.base]) + at[use] @ slopes
        prior = np.where(np.arange(len(slopes)) < 3, 1e-6, 1.0)
        covariance = np.linalg.inv(weighed @ slopes.T + np.diag(prior))
        found = np.zeros(len(use))
        found[use] = covariance @ (weighed @ difference)
        left = difference - found[use] @ slopes
        return found, covariance, float(left @ (self.weight * left) + found[use] @ (prior * found[use]))

    @property
    def stays_linear(self) -> NDArray[np.bool_]:
        """Columns of which a state has none."""
        return np.isin(self.names, NOISES)

    def square(self, observed: FloatArray, at: FloatArray, base: list[ComplexArray]) -> float:
        """Chi-square of a point with its exact ratios, noise columns fitted."""
        difference = observed - np.concatenate([real(b) for b in base])
        slopes = self.slopes[self.stays_linear]
        weighed = slopes * self.weight
        along = weighed @ difference
        fitted = np.linalg.solve(weighed @ slopes.T + np.eye(len(slopes)), along)
        return float(difference @ (self.weight * difference) - along @ fitted + at[3:] @ at[3:])

    def damped_step(self, observed: FloatArray, at: FloatArray, damping: float) -> FloatArray:
        """Where a damped step leads, noise columns at zero."""
        weighed = self.slopes * self.weight
        difference = observed - np.concatenate([real(b) for b in self.base])
        prior = np.where(np.arange(len(at)) < 3, 1e-6, 1.0)
        bend = weighed @ self.slopes.T
        extra = np.where(self.stays_linear, 0.0, damping * (np.diag(bend) + 1))
        step = np.linalg.solve(bend + np.diag(prior + extra), weighed @ difference - prior * at)
        return np.where(self.stays_linear, 0.0, at + step)

    def after(self, found: FloatArray, at: FloatArray) -> State:
        """The state at an estimate."""
        count = len(self.unknowns)
        changes = list(zip(self.unknowns, found[:count] - at[:count], strict=True))
        lines, k = np.zeros_like(self.state.lines), count
        turns = line_turns(self.world.study.frequency_hz)
        for n in self.isolators:
            for row, _, scale in LINES:
                for turn in turns:
                    lines[n, row] += scale * (found[k] - at[k]) * turn
                    k += 1
            k += sum(1 for _ in self.noise_columns(n))
        return self.state.moved(changes, lines)


def line_turns(frequency_hz: FloatArray) -> list[ComplexArray]:
    """Functions (F,) of frequency of which reflections and paths are sums: delays, each with two phases."""
    off = frequency_hz - frequency_hz.mean()
    return [unit * np.exp(2j * np.pi * off * delay) for delay in DELAYS_S for unit in (1, 1j)]


LINES = ((0, "line end", 0.07), (1, "line end", 0.07), (2, "direct path", 0.007), (3, "direct path", 0.007))
"""Rows of a state's lines, what they are, and the prior standard deviation of each term (real and imaginary)."""


def fits(start: Linear, observed: FloatArray, iterations: int) -> list[Fit]:
    """What each model makes of observed ratios: after one step, and the last of them after more."""
    across = direction_columns(start.world.truth.source, start.world.study.size / math.sqrt(3))
    here = np.zeros(len(start.models))

    def judged(found: FloatArray, covariance: FloatArray, square: float) -> Fit:
        c = across @ covariance[:3, :3] @ across.T
        b = across @ found[:3]
        return Fit(math.sqrt(b @ np.linalg.solve(c, b)), math.sqrt(np.trace(c)), float(chi2.sf(square, observed.size)))

    each = [judged(*start.step(observed, here, model)) for model in range(len(MODELS))]
    linear, damping = start, 1e-3
    square = linear.square(observed, here, linear.base)
    for _ in range(iterations):
        for _ in range(8):  # Levenberg and Marquardt: more damping until the exact chi-square falls
            there = linear.damped_step(observed, here, damping)
            state = linear.after(there, here)
            try:
                trial = linear.square(observed, there, [state.ratios(n) for n in linear.isolators])
            except ValueError:  # a linewidth below zero, say
                trial = math.inf
            if trial < square:
                break
            damping *= 10
        else:
            break
        fell, square, damping = square - trial, trial, max(damping / 30, 1e-9)
        linear, here = Linear(state), there
        if fell < 1:
            break
    if iterations:
        each.append(judged(*linear.step(observed, here, 2)))
    return each


NOISES = ("gain", "gain drift", "flux noise", "flux drift")
"""Columns that stay linear: a state has none of them."""


@dataclass(frozen=True)
class Fit:
    """Spreads off, the spread (rad), and the probability of the misfit."""

    off: float
    spread_rad: float
    misfit: float


def direction_columns(source: FloatArray, unit: float) -> FloatArray:
    """From components in prior units to the two angles (rad) across the direction."""
    size = float(np.linalg.norm(source))
    return np.asarray(np.linalg.svd((source / size)[None])[2][1:] * unit / size)


def mean_drifts(world: World, rng: np.random.Generator) -> dict[tuple[Group, bool], tuple[FloatArray, ComplexArray]]:
    """Mean extra flux and gain of each group's sweeps, on and off."""
    order = order_of_sweeps(world.study, world.sizes.interleaved)
    drifts = Drifts.draw(len(order), world, rng)
    found = {}
    for key in {(x.group, x.pump_on) for x in order}:
        at = [k for k, x in enumerate(order) if (x.group, x.pump_on) == key]
        found[key] = (drifts.flux_phi0[at].mean(axis=0), drifts.gain[at, key[0].isolator].mean(axis=0))
    return found


def study_with_fewer_points(chip: str) -> OutsideStudy:
    with tempfile.TemporaryDirectory() as folder:
        study = OutsideStudy(write_study(chip, Path(folder)), shift_factor=1.0)
    study.frequency_hz = np.linspace(study.frequency_hz[0], study.frequency_hz[-1], POINTS)
    return study


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--campaigns", type=int, default=7)
    parser.add_argument("--size", nargs="*", default=["medium", "large"])
    parser.add_argument(
        "--effects", nargs="*", default=[e for e in EFFECTS if e not in ("bad sweeps", "spur", "smoothing")]
    )
    parser.add_argument(
        "--iterations", type=int, default=0, help="Gauss-Newton steps after the first, ordinary set-up only"
    )
    parser.add_argument("--noise", action="store_true", help="with random noise")
    parser.add_argument("--white", type=float, default=0.005)
    options = parser.parse_args()
    found: dict[tuple[str, str], list[list[Fit]]] = {}
    chips = list(CHIPS)
    for seed in range(1, options.campaigns + 1):
        study = study_with_fewer_points(chips[seed % len(chips)])
        rng = np.random.default_rng([seed, 0])
        v = rng.normal(size=3)
        truth = study.nominal(study.size * v / np.linalg.norm(v))
        plain = World.build(study, Laboratory(white=options.white), truth, np.random.default_rng([seed, 2]))
        linear = Linear(State(plain, np.zeros((len(study.isolators), 4, POINTS), dtype=np.complex128)))
        for effect in [*options.effects, "ordinary"]:
            for size in options.size if effect != "ordinary" else ["usual"]:
                if effect == "rod" and not study.is_dipole:
                    continue
                sizes = (
                    Laboratory.ordinary(np.random.default_rng([seed, 1]))
                    if effect == "ordinary"
                    else Laboratory.alone(effect, size)
                )
                world = World.build(study, sizes, truth, np.random.default_rng([seed, 2]))
                means = mean_drifts(world, np.random.default_rng([seed, 3]))
                seen = np.concatenate([real(ratios(world, n, means)) for n in linear.isolators])
                if options.noise:
                    seen = seen + linear.drawn_noise(np.random.default_rng([seed, 4]))
                each = fits(linear, seen, options.iterations if effect == "ordinary" else 0)
                found.setdefault((effect, size), []).append(each)
        said = [f"{math.degrees(f.spread_rad):.2f} deg, {f.off:.1f} off, p {f.misfit:.1g}" for f in each]
        print(f"{chips[seed % len(chips)]} {effect}: {'; '.join(said)}", file=sys.stderr, flush=True)
    print(
        "| effect | size | spreads off without noise, mean (largest), by model: "
        + "; ".join(MODELS)
        + " | median misfit p |"
    )
    print("| --- | --- | --- | --- |")
    for (effect, size), each in found.items():
        off = np.array([[f.off for f in row] for row in each])
        misfit = np.median([[f.misfit for f in row] for row in each], axis=0)
        cells = "; ".join(f"{a:.1f} ({b:.1f})" for a, b in zip(off.mean(axis=0), off.max(axis=0), strict=True))
        print(f"| {effect} | {size} | {cells} | {'; '.join(f'{p:.1g}' for p in misfit)} |")
    return 0


if __name__ == "__main__":
    sys.exit(main())
