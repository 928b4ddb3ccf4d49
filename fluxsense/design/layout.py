"""Search for a layout of loops: where, how large and of what outline, within rules, for the best expected answer.

A layout is judged by the Fisher information of the study's planned experiment at points drawn from the prior (source
direction, position, nuisances).  The search needs thousands of judgements, so it takes the information of each bench
about its two fluxes from a table, interpolated bilinearly over the fluxes (a convex mixture of positive matrices, so
positive); fluxes and their slopes are exact for every layout tried.  The layouts that are reported are judged anew by
`fluxsense.design.sensitivity.predict`, without the table.

The search is a random local one with steps that adapt (the one-fifth rule: Rechenberg, Evolutionsstrategie (1973), from
memory), from many starts that are independent and each have a seed of their own, so that a result does not depend on
how many workers ran it.  Mutual inductances of bias lines stay those of the study.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.executors import Workers, ordered_map
from fluxsense.base.sphere import direction_error_rad
from fluxsense.base.streams import stream
from fluxsense.design.outlines import FREE_CORNERS, FREE_RANGE, RuleBook, Shape, area_m2, boxes_of, shape_of
from fluxsense.design.sensitivity import (
    POSITION_STEP,
    Block,
    Experiment,
    FluxChain,
    Prediction,
    block_slopes,
    chain_of,
    covariance_of_source,
    direction_points,
    one_source_each,
    planned_experiment,
    planned_unknowns,
    predict,
    rows_and_slopes,
    search_count,
)
from fluxsense.design.timeline import gathered
from fluxsense.device.chip import SourceRows, loop_indices, mutual_matrix_phi0_per_a, nominal_parameters
from fluxsense.magnetics.loops import place
from fluxsense.magnetics.wires import Wires
from fluxsense.model.between_states import reference_state
from fluxsense.model.parameter import EXTENT
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Loop, Study

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[str, float, str], None]

CRITERIA = ("error", "information", "D", "A", "E", "worst")
"""error: mean angular error; information: expected information gain on the source vector (normal approximation);
D, A, E: determinant, trace (mean squared angle) and least eigenvalue; worst: largest angular error."""

TABLE_REACH_PHI0 = 0.4
TABLE_NODES = 33
TABLE_POINTS = 15
STARTS_TOGETHER = 4
"""Starts that one worker walks side by side: whoever has fewer workers than starts saves most of the work of judging."""


# ---------------------------------------------------------------- criteria


def criterion_values(
    criterion: str, x: FloatArray, information: FloatArray, prior: FloatArray, keep: npt.NDArray[np.intp]
) -> FloatArray:
    """A criterion (W,), the smaller the better, of W informations (W, B, D, D), with prior curvatures (B, D, D) at points (B, D).

    Parameters
    ----------
    criterion : str
        One of `CRITERIA`.
    x, information, prior : ndarray
    keep : ndarray of int
        Columns that are unknown, the source's three first.
    """
    whole = information + prior
    covariance = covariance_of_source(whole.reshape(-1, *whole.shape[2:]), keep).reshape(*whole.shape[:2], 3, 3)
    if criterion in ("error", "A", "worst"):
        error = direction_error_rad(x[:, :3], covariance)
        if criterion == "error":
            return np.asarray(np.mean(error, axis=1))
        return np.asarray(np.sqrt(np.mean(error**2, axis=1)) if criterion == "A" else np.max(error, axis=1))
    own = prior[:, :3, :3]
    if criterion == "information":
        _, after = np.linalg.slogdet(covariance)
        _, before = np.linalg.slogdet(own)
        return np.asarray(0.5 * np.mean(after + before, axis=1))
    data = np.linalg.inv(covariance) - own
    values = np.maximum(np.linalg.eigvalsh(0.5 * (data + data.swapaxes(2, 3))), 1e-12)
    if criterion == "D":
        return np.asarray(-np.mean(np.sum(np.log(values), axis=2), axis=1))
    if criterion == "E":
        return np.asarray(-np.mean(np.log(values[:, :, 0]), axis=1))
    raise InputError(f"the criterion {criterion!r} is not known", remedy=f"Use one of {', '.join(CRITERIA)}")


def all_criteria(prediction: Prediction, known: Sequence[str] = ()) -> dict[str, float]:
    """Every criterion of a prediction: angles in degrees, information in nats, D and E as logarithms (larger is better)."""
    keep = _kept(prediction.unknowns, known)
    out = {}
    for name in CRITERIA:
        value = float(criterion_values(name, prediction.x, prediction.information[None], prediction.prior, keep)[0])
        out[name] = float(np.degrees(value)) if name in ("error", "A", "worst") else -value
    return out


def _kept(unknowns: Unknowns, known: Sequence[str]) -> npt.NDArray[np.intp]:
    kinds = ["source"] * 3 + [n.group for n in unknowns.nuisances]
    return np.array([c for c, kind in enumerate(kinds) if kind not in known], dtype=np.intp)


# ---------------------------------------------------------------- the judge


@dataclass(frozen=True)
class _Table:
    """Information (K, K, n, n) of a block's sweeps on a square of the last state's fluxes about `middle`, by bilinear interpolation."""

    middle: FloatArray
    reach: float
    values: FloatArray

    def at(self, flux: FloatArray) -> FloatArray:
        """Information (B, n, n) at fluxes (B, 2), those beyond the square at its edge."""
        nodes = self.values.shape[0]
        t = np.clip((flux - self.middle + self.reach) / (2 * self.reach) * (nodes - 1), 0, nodes - 1 - 1e-9)
        k = t.astype(np.intp)
        u, v = (t - k).T
        i, j = k.T
        corners = self.values.reshape(nodes * nodes, -1)[nodes * i[:, None] + j[:, None] + [0, 1, nodes, nodes + 1]]
        weights = np.stack([(1 - u) * (1 - v), (1 - u) * v, u * (1 - v), u * v], axis=1)
        return np.asarray((weights[:, None] @ corners).reshape(-1, *self.values.shape[2:]))


@dataclass(frozen=True)
class _Law:
    """What `_Table` gives, of directions, whose information is as sharp as the flux noise but needs no table."""

    experiment: Experiment
    block: Block

    def at(self, flux: FloatArray) -> FloatArray:
        """Information (B, n, n) at fluxes (B, 2)."""
        bench = self.experiment.benches[self.block.bench]
        s, slopes = self.experiment.slopes(bench, flux[:, None], nominal_parameters(self.experiment.study))
        return self.experiment.regress(self.block, s, slopes).information


@dataclass(frozen=True)
class Judged:
    """A layout's criterion, the smaller the better, and the information (B, D, D) of each isolator's sweeps behind it."""

    value: float
    information: dict[int, FloatArray]


@dataclass(frozen=True)
class Tried:
    """A layout to be judged by the rows of its loops (`Judge.rows`), beside a former one of which only the loops `moved` are different."""

    rows: FloatArray
    former: Judged | None = None
    moved: tuple[int, ...] = ()


class Judge:
    """Judges layouts of a study's loops at fixed points of its prior.

    Parameters
    ----------
    study : Study
    x : ndarray (B, D)
        Whitened points.
    criterion : str
        One of `CRITERIA`.
    known : sequence of str
        Kinds of nuisances taken as known exactly ("position", "offset", ...).
    """

    def __init__(self, study: Study, x: FloatArray, criterion: str = "error", known: Sequence[str] = ()) -> None:
        if criterion not in CRITERIA:
            raise InputError(f"the criterion {criterion!r} is not known", remedy=f"Use one of {', '.join(CRITERIA)}")
        experiment = one_source_each(planned_experiment(study, most_points=TABLE_POINTS))
        self.study, self.x, self.criterion, self.known = study, x, criterion, tuple(known)
        self.unknowns = experiment.unknowns
        self.parameters = self.unknowns.parameters(x)
        self._keep = _kept(self.unknowns, known)
        self._prior = np.array([self.unknowns.prior_curvature(p)[1] for p in x])
        self._loops = [frozenset(int(n) for n in pair) for pair in loop_indices(study)]
        self._frames = {c.name: (c.origin_m, c.x_axis, c.y_axis) for c in study.chips}
        self._of_source = [n for n in self.unknowns.nuisances if n.of_source]
        self._step = POSITION_STEP * self._height()
        calibration = experiment.benches[0].model.source_flux(
            self.parameters.changed(source=np.zeros_like(self.parameters["source"]))
        )
        self._calibration = calibration
        tables: dict[tuple[int, tuple[float, ...], tuple[bool, ...]], _Table | _Law] = {}
        self._blocks = []
        still = FluxChain(
            np.zeros((1, len(study.states), len(study.loops))),
            np.zeros((1, len(study.states), len(study.loops), self.unknowns.size)),
        )
        self._slow = experiment.slow is not None
        for number, block in enumerate(experiment.blocks):
            # another state tells the same of the same fluxes, but for what may hide in its pump-off sweeps
            usual = tuple(study.states[n].name == reference_state(study) for n in block.states)
            key = (block.bench, block.sweeps, usual)
            if key not in tables:
                tables[key] = _table(experiment, block)
            bench = experiment.benches[block.bench]
            loops = loop_indices(study)[bench.isolator]
            bias = mutual_matrix_phi0_per_a(study)[loops] @ np.array(bench.bias_a)
            offset = bias + self.parameters["offset_phi0"][:, block.cooldown][:, loops]
            own = block_slopes(experiment, number, still)[0]  # what the layout does not change
            self._blocks.append((bench.isolator, block.states, loops, offset, own, tables[key]))

    def _height(self) -> float:
        position = np.array(self.study.source.position_m)
        chip = self.study.chips[0]
        normal = np.cross(chip.x_axis, chip.y_axis)
        return max(abs(float((position - np.array(chip.origin_m)) @ normal)), 1e-7)

    def rows(self, chips: Sequence[str], outlines: Sequence[FloatArray], lift_m: float = 0.0) -> FloatArray:
        """Flux rows (B, 1 + A, S, L, 3) of outlines in each state, then their slopes by each of the source's A parameters.

        lift_m raises the source along z.
        """
        placed: list[FloatArray] = [np.zeros(0)] * len(chips)
        for chip in dict.fromkeys(chips):
            own = [n for n, c in enumerate(chips) if c == chip]
            ends = np.cumsum([len(outlines[n]) for n in own])[:-1]
            whole = place(np.concatenate([outlines[n] for n in own]), *self._frames[chip])
            for n, one in zip(own, np.split(whole, ends), strict=True):
                placed[n] = one
        source = SourceRows(self.study, Wires.of(placed))
        position = self.parameters["position_m"] + np.array([0.0, 0.0, lift_m])
        moments = self.parameters.get(EXTENT)
        rows, slopes = rows_and_slopes(source, self.unknowns, position, moments, self._step)
        return np.stack([rows, *slopes.values()], axis=1)

    def value(self, rows: FloatArray) -> float:
        """The criterion, the smaller the better, of a layout given by the rows of all loops in the study's order."""
        return self.judged([Tried(rows)])[0].value

    def judged(self, tried: Sequence[Tried]) -> list[Judged]:
        """Layouts judged, all at once; isolators whose loops did not move keep what they told."""
        out = [Judged(float("inf"), {})] * len(tried)
        finite = [n for n, one in enumerate(tried) if np.all(np.isfinite(one.rows))]
        if not finite:
            return out
        stacked = np.stack([tried[n].rows for n in finite])  # (W, B, 1 + A, S, L, 3)
        slopes = {n.name: stacked[:, :, k] for k, n in enumerate(self._of_source, 1)}
        chain = chain_of(self.unknowns, self.x, self.parameters, stacked[:, :, 0], slopes, self._calibration)
        own: list[dict[int, FloatArray]] = [{} for _ in finite]
        for isolator, loops in enumerate(self._loops):
            anew = []
            for w, n in enumerate(finite):
                former = tried[n].former
                if former is None or isolator not in former.information or not loops.isdisjoint(tried[n].moved):
                    anew.append(w)
                else:
                    own[w][isolator] = former.information[isolator]
            for w, one in zip(anew, self._information(isolator, chain, anew) if anew else (), strict=True):
                own[w][isolator] = one
        total = np.stack([np.asarray(sum(one.values())) for one in own])
        values = criterion_values(self.criterion, self.x, total, self._prior, self._keep)
        for n, value, one in zip(finite, values, own, strict=True):
            out[n] = Judged(float(value), one)
        return out

    def _information(self, isolator: int, chain: FluxChain, which: Sequence[int]) -> FloatArray:
        """Information (W', B, D, D) of one isolator's sweeps, of some of the layouts that fluxes and slopes (W, B, S, L, *) are of."""
        size, parts, shape = self.unknowns.size, [], (len(which), len(self.x))
        for one, states, loops, offset, own, table in self._blocks:
            if one != isolator:
                continue
            flux, slopes = (v[:, :, states[-1]][:, :, loops][which] for v in (chain.flux_phi0, chain.slopes))
            jacobian, last = np.tile(own, (*shape, 1, 1)), 2 * len(states)
            jacobian[:, :, last - 2 : last, :size] += slopes
            inner = table.at((offset + flux).reshape(-1, 2))
            parts.append((isolator, inner, jacobian.reshape(-1, *own.shape)))
        total = gathered(parts, self._slow, size)[0] if parts else np.zeros((*shape, size, size))
        return total.reshape(*shape, size, size)


def _table(experiment: Experiment, block: Block) -> _Table | _Law:
    """Table of a block's information, pump phase errors one prior standard deviation off (at zero their effect vanishes)."""
    study, bench = experiment.study, experiment.benches[block.bench]
    if study.data.of_counts:
        return _Law(experiment, block)
    loops = loop_indices(study)[bench.isolator]
    offsets = np.array([study.loops[n].offset_phi0 for n in loops])
    middle = mutual_matrix_phi0_per_a(study)[loops] @ np.array(bench.bias_a) + offsets
    line = np.linspace(-TABLE_REACH_PHI0, TABLE_REACH_PHI0, TABLE_NODES)
    grid = np.stack(np.meshgrid(line, line, indexing="ij"), axis=-1).reshape(-1, 2) + middle
    one = nominal_parameters(study, cooldowns=len(study.plan.cooldowns))
    sd = np.array(
        [[np.hypot(i.pump_phase_error_sd_rad, i.setup.sd["pump_1_phase_error_rad"]) for i in study.isolators]]
    )
    one = one.changed(pump_phase_error_rad=one["pump_phase_error_rad"] + sd)
    parts = []
    for start in range(0, len(grid), 128):
        chosen = grid[start : start + 128]
        flux = np.repeat(chosen[:, None], len(block.states), axis=1)
        flux[:, :-1] = middle  # without the source
        s, slopes = experiment.slopes(bench, flux, one.repeated(len(chosen)))
        parts.append(experiment.regress(block, s, slopes).information)
    values = np.concatenate(parts)
    return _Table(middle, TABLE_REACH_PHI0, values.reshape(TABLE_NODES, TABLE_NODES, *values.shape[1:]))


# ---------------------------------------------------------------- layouts


@dataclass(frozen=True)
class Layout:
    """Outlines of all loops of a study.

    Attributes
    ----------
    chips : tuple of str
        Chip of each loop.
    outlines : tuple of ndarray (n, 2)
        In the chips' frames, m.
    lift_m : float
        Height added to the dipole's.
    """

    chips: tuple[str, ...]
    outlines: tuple[FloatArray, ...]
    lift_m: float = 0.0


def study_layout(study: Study) -> Layout:
    """The layout that a study describes.

    Raises
    ------
    InputError
        If an outline does not lie in its chip's plane.
    """
    for loop in study.loops:
        if any(c[2] != 0 for c in loop.outline_m):
            raise InputError(
                "the outline does not lie in the plane of its chip",
                where=f"{study.path.name}, loop[{loop.name}].outline",
                remedy="Give it as a loop of another chip, or list the loop as fixed and flat",
            )
    return Layout(tuple(x.chip for x in study.loops), tuple(np.array(x.outline_m)[:, :2] for x in study.loops), 0.0)


def with_layout(study: Study, layout: Layout) -> Study:
    """The study with other outlines, ready to use.

    Parameters
    ----------
    study : Study
    layout : Layout

    Returns
    -------
    Study
    """
    loops: list[Loop] = []
    for loop, chip, corners in zip(study.loops, layout.chips, layout.outlines, strict=True):
        outline = tuple((float(x), float(y), 0.0) for x, y in corners)
        if chip == loop.chip and outline == loop.outline_m:
            loops.append(loop)
            continue
        x, y = corners.T
        signed = 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
        loops.append(replace(loop, chip=chip, outline_m=outline, crossing=abs(signed) < 1e-3 * area_m2(corners)))
    source = study.source
    if layout.lift_m:
        px, py, pz = source.position_m
        source = replace(source, position_m=(px, py, pz + layout.lift_m))
    return replace(study, loops=tuple(loops), source=source)


def layout_faults(study: Study, layout: Layout) -> list[str]:
    """Rules of the study that a layout breaks, in sentences."""
    names = [x.name for x in study.loops]
    return RuleBook(study.layout).faults(names, layout.chips, layout.outlines)


def regular_ring(study: Study, radius_m: float, size_m: float, turn_rad: float = 0.0) -> Layout:
    """The study's free loops as equal squares (or the first outline allowed) evenly on a ring under the source."""
    rules = study.layout
    free = [n for n, x in enumerate(study.loops) if x.name not in rules.fixed]
    now = study_layout(study)
    outlines = list(now.outlines)
    kind = rules.outlines[0]
    radii = (1.0,) * FREE_CORNERS if kind == "free" else ()
    centre = np.array(study.source.position_m)[:2] if study.source.has_position else np.zeros(2)
    for k, n in enumerate(free):
        angle = turn_rad + 2 * np.pi * k / len(free)
        x, y = centre + radius_m * np.array([np.cos(angle), np.sin(angle)])
        outlines[n] = Shape(study.loops[n].chip, float(x), float(y), size_m, kind, False, radii).corners(rules.grid_m)
    return Layout(now.chips, tuple(outlines), 0.0)


RING_PASSES = 4
RINGS_TOGETHER = 16


def best_ring(judge: Judge, passes: int = 7) -> tuple[Layout, float]:
    """The best regular ring of equal loops that keeps the rules, and its criterion: grid, then finer grids about the best.

    Raises
    ------
    InputError
        If no ring keeps the rules.
    """
    study = judge.study
    rules = study.layout
    low, high = rules.size_m
    most = 0.5 * min(rules.chip_size_m)

    def ring(point: FloatArray) -> Layout:
        size = float(np.clip(np.exp(point[1]), low, high))
        return regular_ring(study, abs(float(point[0])), size, float(point[2]))

    best: tuple[float, FloatArray] | None = None
    tried: set[bytes] = set()  # many are the same on the design grid and within the bounds
    span = np.array([0.5 * most, 0.5 * np.log(high / low), np.pi / 8])
    middle = np.array([0.5 * most, 0.5 * np.log(high * low), np.pi / 8])
    for _ in range(passes):
        steps = np.linspace(-1, 1, 7)
        centre = middle if best is None else best[1]
        grid = [centre + span * np.array([a, b, c]) for a in steps for b in steps for c in np.linspace(-1, 1, 3)]
        kept: list[tuple[FloatArray, Layout]] = []
        for point in grid:
            layout = ring(point)
            corners = b"".join(o.tobytes() for o in layout.outlines)
            if corners not in tried and not layout_faults(study, layout):
                kept.append((point, layout))
            tried.add(corners)
        for first in range(0, len(kept), RINGS_TOGETHER):
            some = kept[first : first + RINGS_TOGETHER]
            for (point, _), value in zip(some, _ring_values(judge, [layout for _, layout in some]), strict=True):
                if best is None or value < best[0]:
                    best = (value, point)
        span = span / 2.5
    if best is None:
        raise InputError("no regular ring of loops keeps the rules", remedy="Loosen the rules in [layout]")
    return ring(best[1]), best[0]


def _ring_values(judge: Judge, layouts: Sequence[Layout]) -> list[float]:
    """The criteria of layouts, all their loops at once."""
    chips, outlines = [c for x in layouts for c in x.chips], [o for x in layouts for o in x.outlines]
    each = np.split(judge.rows(chips, outlines), len(layouts), axis=3)
    return [one.value for one in judge.judged([Tried(rows) for rows in each])]


# ---------------------------------------------------------------- the search


@dataclass(frozen=True)
class _Step:
    """What a walk tries: new shapes of some loops, height added to the source's, and the layout with them."""

    moved: dict[int, Shape]
    layout: Layout
    boxes: FloatArray
    anew: tuple[int, ...]


class _Walk:
    """One start of the search: shapes that keep the rules at every step."""

    def __init__(self, judge: Judge, seed: int, number: int, begin: Layout | None) -> None:
        self.judge = judge
        study = judge.study
        self.rules = study.layout
        self.book = RuleBook(self.rules)
        self.rng = stream(seed, "layout search", number)
        self.names = [x.name for x in study.loops]
        self.free = [n for n, name in enumerate(self.names) if name not in self.rules.fixed]
        present = study_layout(study)
        self.chips = list(present.chips)
        self.outlines = list(present.outlines)
        self.shapes: dict[int, Shape] = {}
        self.lift = 0.0
        self._begin(begin)
        self._boxes = boxes_of(self.outlines)
        self._widest = 0.25 * min(self.rules.chip_size_m)
        self._reach = 0.3 * self._widest
        self.rows = judge.rows(self.chips, self.outlines, self.lift)
        self.judged = judge.judged([Tried(self.rows)])[0]

    def _begin(self, begin: Layout | None) -> None:
        """The layout given, if it keeps the rules; else random shapes, placed one by one."""
        if begin is not None:
            loops = with_layout(self.judge.study, begin).loops
            shapes = {n: shape_of(loops[n], self.rules.outlines) for n in self.free}
            outlines = list(self.outlines)
            for n, shape in shapes.items():
                outlines[n] = shape.corners(self.rules.grid_m)
            if not self.book.faults(self.names, self.chips, outlines):
                self.shapes, self.outlines = shapes, outlines
                return
        shapes, outlines, chips = random_layout(self.judge.study, self.rng)
        self.shapes, self.outlines, self.chips = shapes, outlines, chips
        heights = self.rules.source_height_m
        if heights is not None and self.judge.study.source.has_position:
            self.lift = float(self.rng.uniform(*heights)) - self.judge.study.source.position_m[2]

    def _allowed(self, changed: Iterable[int], layout: Layout, boxes: FloatArray) -> bool:
        chips, outlines = layout.chips, layout.outlines
        for n in changed:
            if self.book.alone(chips[n], outlines[n]):
                return False
            if any(self.book.pair(outlines[n], outlines[m]) for m in self.book.near(n, chips, boxes)):
                return False
        return not self.book.total([outlines[n] for n in self.free])

    def _move(self, step: float) -> tuple[dict[int, Shape], float]:
        """New shapes for some loops, and a new lift."""
        rng, rules = self.rng, self.rules
        lift = self.lift
        heights = rules.source_height_m
        if heights is not None and self.judge.study.source.has_position and rng.uniform() < 0.15:
            z = self.judge.study.source.position_m[2]
            lift = float(np.clip(lift + step * rng.standard_normal(), heights[0] - z, heights[1] - z))
            return {}, lift
        kind = rng.uniform()
        if kind < 0.12 and len(self.free) > 1:  # two loops change places, which changes what each ring senses
            a, b = (int(v) for v in rng.choice(self.free, 2, replace=False))
            return {a: self.shapes[b], b: self.shapes[a]}, lift
        if kind < 0.25:
            return {n: self._jitter(self.shapes[n], 0.5 * step) for n in self.free}, lift
        n = int(rng.choice(self.free))
        shape = self.shapes[n]
        if kind < 0.32:
            return {n: self._other(shape)}, lift
        if kind < 0.40:
            fresh = random_shape(self.judge.study, shape.chip, self.rng)
            return {n: fresh}, lift
        return {n: self._jitter(shape, step)}, lift

    def _jitter(self, shape: Shape, step: float) -> Shape:
        rng = self.rng
        which = rng.uniform()
        dx, dy = step * rng.standard_normal(2) * (which < 0.75)
        grow = step * rng.standard_normal() * (which > 0.25)
        size = float(np.clip(shape.size_m + grow, *self.rules.size_m))
        radii = shape.radii
        if radii and rng.uniform() < 0.6:
            moved = np.array(radii) + 2 * step / shape.size_m * rng.standard_normal(FREE_CORNERS)
            radii = tuple(float(v) for v in np.clip(moved, *FREE_RANGE))
        return replace(shape, x_m=shape.x_m + dx, y_m=shape.y_m + dy, size_m=size, radii=radii)

    def _other(self, shape: Shape) -> Shape:
        """Another kind, another chip, or turned."""
        rng = self.rng
        chips = [c.name for c in self.judge.study.chips]
        if self.rules.change_chip and len(chips) > 1 and rng.uniform() < 0.5:
            return replace(shape, chip=str(rng.choice(chips)))
        kind = str(rng.choice(self.rules.outlines))
        radii = tuple(rng.uniform(*FREE_RANGE, FREE_CORNERS).tolist()) if kind == "free" else ()
        return replace(shape, kind=kind, turned=bool(rng.uniform() < 0.5), radii=radii)

    def next(self) -> _Step | None:
        """A step to try, or None where it would break a rule."""
        moved, lift = self._move(self._reach)
        chips, outlines, boxes = list(self.chips), list(self.outlines), self._boxes
        for n, shape in moved.items():
            chips[n], outlines[n] = shape.chip, shape.corners(self.rules.grid_m)
        if moved:
            boxes = boxes.copy()
            boxes[list(moved)] = boxes_of([outlines[n] for n in moved])
        layout = Layout(tuple(chips), tuple(outlines), lift)
        if not self._allowed(moved, layout, boxes):
            return None
        return _Step(moved, layout, boxes, tuple(moved if lift == self.lift else range(len(chips))))

    def take(self, step: _Step | None, rows: FloatArray | None, judged: Judged | None) -> None:
        """Accept a step if it is better, and reach farther or less far from now on."""
        better = judged is not None and judged.value < self.judged.value
        if better and step is not None and rows is not None and judged is not None:
            self.judged, self.rows, self.lift, self._boxes = judged, rows, step.layout.lift_m, step.boxes
            self.chips, self.outlines = list(step.layout.chips), list(step.layout.outlines)
            self.shapes.update(step.moved)
        grid = self.rules.grid_m
        self._reach = min(self._reach * 1.5, self._widest) if better else self._reach * 1.5**-0.12
        if self._reach < 0.3 * grid:
            self._reach = 0.03 * self._widest + 3 * grid

    def layout(self) -> Layout:
        """The layout where the walk stands."""
        return Layout(tuple(self.chips), tuple(self.outlines), self.lift)


def random_shape(study: Study, chip: str, rng: np.random.Generator, largest: float | None = None) -> Shape:
    """A shape of random kind, size and place on a chip, its extent within the rules."""
    rules = study.layout
    low, high = rules.size_m
    size = float(np.exp(rng.uniform(np.log(low), np.log(min(high, largest or high)))))
    half = np.maximum(0.5 * np.array(rules.chip_size_m) - rules.edge_m - 0.5 * size, 0.0)
    x, y = rng.uniform(-half, half)
    kind = str(rng.choice(rules.outlines))
    radii = tuple(rng.uniform(*FREE_RANGE, FREE_CORNERS).tolist()) if kind == "free" else ()
    return Shape(chip, float(x), float(y), size, kind, bool(rng.uniform() < 0.5), radii)


def random_layout(study: Study, rng: np.random.Generator) -> tuple[dict[int, Shape], list[FloatArray], list[str]]:
    """Random shapes for the free loops that keep every rule: shapes, and outlines and chips of all loops.

    Raises
    ------
    InputError
        If no such layout was found.
    """
    rules, book = study.layout, RuleBook(study.layout)
    present = study_layout(study)
    every = [c.name for c in study.chips]
    free = [n for n, x in enumerate(study.loops) if x.name not in rules.fixed]
    largest = rules.size_m[1]
    for _ in range(60):
        chips, outlines = list(present.chips), list(present.outlines)
        placed = [n for n in range(len(outlines)) if n not in free]
        shapes: dict[int, Shape] = {}
        for n in (int(v) for v in rng.permutation(free)):
            for _ in range(60):
                chip = str(rng.choice(every)) if rules.change_chip else present.chips[n]
                shape = random_shape(study, chip, rng, largest)
                corners = shape.corners(rules.grid_m)
                if book.alone(chip, corners):
                    continue
                if any(chips[m] == chip and book.pair(corners, outlines[m]) for m in placed):
                    continue
                shapes[n], chips[n], outlines[n] = shape, chip, corners
                placed.append(n)
                break
            else:
                break
        if len(shapes) == len(free) and not book.total([outlines[n] for n in free]):
            return shapes, outlines, chips
        largest = max(0.85 * largest, 1.02 * rules.size_m[0])
    raise InputError(
        "no layout was found that keeps the rules: the loops do not fit",
        where=f"{study.path.name}, layout",
        remedy="Allow smaller loops, a larger chip, less spacing or more area",
    )


@dataclass(frozen=True)
class _Starts:
    """Starts that are walked side by side, so that their layouts are judged together: their numbers and where they begin."""

    seed: int
    steps: int
    numbers: tuple[int, ...]
    begins: tuple[Layout | None, ...]


def _some_starts(judge: Judge, starts: _Starts) -> list[tuple[float, Layout]]:
    """Criterion and layout that each start reaches; only better layouts that keep the rules are accepted."""
    walks = [_Walk(judge, starts.seed, n, begin) for n, begin in zip(starts.numbers, starts.begins, strict=True)]
    for _ in range(starts.steps):
        steps = [walk.next() for walk in walks]
        allowed = [(walk, step) for walk, step in zip(walks, steps, strict=True) if step is not None]
        rows = _stepped_rows(judge, allowed)
        tried = [Tried(r, walk.judged, step.anew) for r, (walk, step) in zip(rows, allowed, strict=True)]
        found = iter(zip(rows, judge.judged(tried), strict=True))
        for walk, step in zip(walks, steps, strict=True):
            walk.take(step, *((None, None) if step is None else next(found)))
    return [(walk.judged.value, walk.layout()) for walk in walks]


def _stepped_rows(judge: Judge, steps: Sequence[tuple[_Walk, _Step]]) -> list[FloatArray]:
    """Rows of all loops after steps of several walks, those of the loops that moved worked out together."""
    out = [walk.rows.copy() for walk, _ in steps]
    for lift in dict.fromkeys(step.layout.lift_m for _, step in steps):
        moved = [(w, n) for w, (_, step) in enumerate(steps) if step.layout.lift_m == lift for n in step.anew]
        if not moved:
            continue
        layouts = [steps[w][1].layout for w, _ in moved]
        chips = [layout.chips[n] for layout, (_, n) in zip(layouts, moved, strict=True)]
        outlines = [layout.outlines[n] for layout, (_, n) in zip(layouts, moved, strict=True)]
        rows = judge.rows(chips, outlines, lift)
        for k, (w, n) in enumerate(moved):
            out[w][:, :, :, n] = rows[:, :, :, k]
    return out


@dataclass(frozen=True)
class LayoutSearch:
    """What a search found.

    Attributes
    ----------
    layout : Layout
        The best.
    value : float
        Its criterion in the search (smaller is better).
    starts : tuple of float
        The criterion that each start reached.
    """

    layout: Layout
    value: float
    starts: tuple[float, ...]


@dataclass(frozen=True)
class Search:
    """How layouts are searched.

    Attributes
    ----------
    starts : int
        The first begins at the study's own layout if that keeps the rules, the second at the best regular ring of equal
        loops, the others at random.
    steps : int
        Of each start.
    seed : int
    executor : concurrent.futures.Executor or fluxsense.base.executors.Processes, optional
        Runs the starts side by side; the result is the same without.
    points : int
        Points of the prior at which layouts are judged.
    """

    starts: int = 8
    steps: int = 1500
    seed: int = 0
    executor: Workers | None = None
    points: int = 24


def search_layout(
    judge: Judge, search: Search | None = None, *, progress: Progress | None = None, even: Layout | None = None
) -> LayoutSearch:
    """The best layout of a multi-start search.

    Parameters
    ----------
    judge : Judge
    search : Search, optional
    progress : callable, optional
        Called with (what, share done, detail).
    even : Layout, optional
        The best regular ring, if it is known already.

    Returns
    -------
    LayoutSearch

    Raises
    ------
    InputError
        If every loop is fixed, or no layout keeps the rules.
    """
    search = search or Search()
    starts = search.starts
    if all(x.name in judge.study.layout.fixed for x in judge.study.loops):
        raise InputError(
            "every loop is fixed, so there is nothing to lay out",
            where=f"{judge.study.path.name}, layout.fixed",
            remedy="Leave at least one loop free",
        )
    begins: list[Layout | None] = [None] * starts
    begins[0] = study_layout(judge.study)
    if starts > 1:
        begins[1] = even
        if even is None:
            with suppress(InputError):  # no ring keeps the rules
                begins[1] = best_ring(judge, passes=RING_PASSES)[0]
    some = [range(k, min(k + STARTS_TOGETHER, starts)) for k in range(0, starts, STARTS_TOGETHER)]
    jobs = [_Starts(search.seed, search.steps, tuple(own), tuple(begins[k] for k in own)) for own in some]
    reached: list[tuple[float, Layout]] = []
    for found in ordered_map(_some_starts, jobs, judge, executor=search.executor, batch=1):
        reached += found
        if progress is not None:
            done, least = len(reached), min(v[0] for v in reached)
            progress("searching layouts", done / starts, f"start {done} of {starts}, criterion {least:.4g}")
    best = min(range(starts), key=lambda k: reached[k][0])
    return LayoutSearch(reached[best][1], reached[best][0], tuple(v[0] for v in reached))


def judged(study: Study, x: FloatArray | None = None, *, points: int = 48, seed: int = 0) -> Prediction:
    """A study's layout judged without tables, at points of the prior other than those of a search with the same seed."""
    experiment = planned_experiment(study)
    if x is None:
        x = direction_points(experiment.unknowns, points, seed, fresh=True)
    return predict(experiment, x)


def search_points(study: Study, count: int = 24, seed: int = 0) -> FloatArray:
    """Points of the prior for a search."""
    return direction_points(planned_unknowns(study), search_count(study, count), seed)
