"""Working points: bias currents, pump power and pump frequency for the best expected angular error.

Each isolator is searched in turn with the others held: for each of its settings the bias currents of its own lines (those
whose strongest mutual inductance is to one of its loops), the pump power and the pump frequency.  Settings that share a
bias keep sharing it.  A global search by a scrambled Sobol sequence over the allowed box is followed by a polish by the
simplex method of Nelder and Mead; a proposal is taken only if the whole experiment's criterion gets better.  The
criterion is the mean angular error over points of the prior, from the Fisher information with nuisances marginalised.

Limits: currents within the bias lines' limits; pump power up to the study's [limits] (else the highest in use); pump
frequency within the study's range (else within an idler linewidth of the matched one); a least isolation with the source
out, if the study states one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.stats import qmc

from fluxsense.base.errors import InputError
from fluxsense.base.streams import stream
from fluxsense.design.sensitivity import (
    Prediction,
    block_regression,
    block_slopes,
    flux_chain,
    planned_experiment,
    predict,
)
from fluxsense.design.timeline import gathered
from fluxsense.device.chip import (
    Probe,
    loop_indices,
    matched_pump_frequency_hz,
    mutual_matrix_phi0_per_a,
    nominal_parameters,
    with_source_out,
)
from fluxsense.study import Setting, Study

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[str, float, str], None]

SEARCH_FREQUENCIES = 21
LEAST_POWER_DB = 15.0
"""How far below the highest allowed pump power the search goes."""
PENALTY = 30.0
"""Criterion (rad) added per full shortfall of a stated isolation, so that the search finds its way to what is allowed."""


@dataclass(frozen=True)
class WorkingPoint:
    """What a search for working points found.

    Attributes
    ----------
    settings : tuple of Setting
        Each isolator with settings of its own where they came to differ.
    error_before_deg, error_after_deg : float
        Mean angular error over the points.
    isolation_db : tuple of tuple of float
        Best isolation with the source out, per setting and its isolators.
    flux_phi0 : tuple
        Per setting, the fluxes of all loops with the source out.
    evaluations : int
    """

    settings: tuple[Setting, ...]
    error_before_deg: float
    error_after_deg: float
    isolation_db: tuple[tuple[float, ...], ...]
    flux_phi0: tuple[tuple[float, ...], ...]
    evaluations: int


def split_settings(study: Study) -> tuple[Setting, ...]:
    """The study's settings with the pump frequency written out and one isolator each, so that each can be tuned alone.

    A setting's isolators share bias currents; their pump powers and frequencies need not be the same.
    """
    out = []
    for setting in study.settings:
        for i, iso in enumerate(study.isolators):
            if iso.name not in setting.isolators:
                continue
            frequency = setting.pump_frequency_hz
            if frequency is None:
                frequency = matched_pump_frequency_hz(study, i, setting.bias_a, setting.pump_power_w)
            name = f"{setting.name}_{iso.name}"[:48] if len(setting.isolators) > 1 else setting.name
            out.append(replace(setting, name=name, isolators=(iso.name,), pump_frequency_hz=frequency))
    return tuple(out)


def own_lines(study: Study, isolator: int) -> list[int]:
    """Bias lines whose strongest mutual inductance is to one of an isolator's loops."""
    matrix = np.abs(mutual_matrix_phi0_per_a(study))
    loops = loop_indices(study)[isolator]
    if matrix.shape[1] == 0:
        return []
    return [int(b) for b in range(matrix.shape[1]) if matrix[:, b].max() > 0 and int(np.argmax(matrix[:, b])) in loops]


@dataclass(frozen=True)
class _Group:
    """Settings of one isolator that share a bias, by position in the list."""

    isolator: int
    members: tuple[int, ...]


_Sweeps = tuple[tuple[Probe, ...], int, tuple[float, ...]]
"""Probes at a bias, a cooldown and numbers of sweeps: all that what a block tells of its fluxes depends on."""


class _Search:
    """The experiment with every isolator's information known, so that one isolator can be changed at a time."""

    def __init__(self, study: Study, x: FloatArray) -> None:
        self.study, self.x = study, x
        self.settings = list(split_settings(study))
        self.base = planned_experiment(study, settings=self.settings, most_points=SEARCH_FREQUENCIES)
        unknowns = self.base.unknowns
        self.unknowns = unknowns
        self.parameters = unknowns.parameters(x)
        self.chain = flux_chain(self.base.benches[0].model, unknowns, x, self.parameters)
        self.prior = np.array([unknowns.prior_curvature(p)[1] for p in x])
        self.evaluations = 0
        self._held: dict[int, dict[_Sweeps, FloatArray]] = {}
        self.information = [self.own(i, self.settings, held=True) for i in range(len(study.isolators))]

    def own(self, isolator: int, settings: list[Setting], *, held: bool = False) -> FloatArray:
        """Information (B, D, D) from one isolator's sweeps (slow flux noise as if no others were taken between them).

        What the sweeps at a bias tell of its fluxes is taken from the settings that are `held`, where those have the same sweeps.
        """
        name = self.study.isolators[isolator].name
        chosen = [s for s in settings if s.isolators == (name,)]
        if not chosen:
            return np.zeros((self.x.shape[0], self.unknowns.size, self.unknowns.size))
        experiment = planned_experiment(
            self.study, settings=chosen, most_points=SEARCH_FREQUENCIES, unknowns=self.unknowns
        )
        self.evaluations += 1
        known = self._held.get(isolator, {})
        told: dict[_Sweeps, FloatArray] = {}
        for block in experiment.blocks:
            key = (experiment.benches[block.bench].probes, block.cooldown, block.sweeps)
            told[key] = (
                known[key]
                if key in known
                else block_regression(experiment, block, self.parameters, self.chain).information
            )
        if held:
            self._held[isolator] = told
        parts = [(isolator, one, block_slopes(experiment, n, self.chain)) for n, one in enumerate(told.values())]
        return gathered(parts, experiment.slow is not None, self.unknowns.size)[0]

    def error(self, isolator: int | None = None, own: FloatArray | None = None) -> float:
        """Mean angular error (rad), with one isolator's information replaced."""
        total = sum((own if i == isolator and own is not None else v) for i, v in enumerate(self.information))
        prediction = Prediction(self.x, np.asarray(total), self.prior, self.unknowns)
        return float(np.mean(prediction.angular_error_rad()))


def isolation_db(study: Study, setting: Setting, isolator: int) -> float:
    """Largest directionality (dB, without sign) of an isolator at a setting with the source out, over the sweep."""
    quiet = with_source_out(study)
    one = replace(setting, isolators=(study.isolators[isolator].name,))
    experiment = planned_experiment(quiet, settings=[one], states=[study.states[0].name], most_points=81)
    bench = experiment.benches[0]
    parameters = nominal_parameters(quiet, cooldowns=len(study.plan.cooldowns))
    loops = loop_indices(study)[isolator]
    offsets = np.array([x.offset_phi0 for x in study.loops])
    flux = (mutual_matrix_phi0_per_a(study) @ np.array(setting.bias_a) + offsets)[loops]
    s = bench.model.scattering(parameters, isolator, flux=np.broadcast_to(flux, (1, len(bench.probes), 2)))[0, 0]
    floor = 1e-10
    return float(np.max(np.abs(20 * np.log10(np.maximum(np.abs(s[0]), floor) / np.maximum(np.abs(s[1]), floor)))))


class _Box:
    """The variables of one group on the unit cube: currents of the isolator's lines, then power and frequency per setting.

    Directions are told by the signs of the couplings, which the pump does not change: it stays at its power and matched.
    """

    def __init__(self, study: Study, group: _Group, settings: list[Setting], power_w: float) -> None:
        self.study, self.group, self.settings = study, group, settings
        self.lines = own_lines(study, group.isolator)
        self._tuned = not study.data.of_counts
        self.size = len(self.lines) + 2 * len(group.members) * self._tuned
        self._power = power_w
        stages = study.isolators[group.isolator].stages
        self._width = float(np.mean([s.idler_linewidth_hz for s in stages]))
        matrix = np.abs(mutual_matrix_phi0_per_a(study))
        # a flux of two quanta spans every working point of a shunted ring; more current only repeats them
        self._span = np.array(
            [min(study.bias_lines[b].limit_a, 2.0 / float(matrix[:, b].max())) for b in self.lines], dtype=np.float64
        )

    def _frequencies(self, bias: tuple[float, ...]) -> tuple[float, float]:
        low_high = self.study.limits.pump_frequency_hz
        if low_high is not None:
            return low_high
        matched = matched_pump_frequency_hz(self.study, self.group.isolator, bias, self._power)
        return matched - self._width, matched + self._width

    def settings_at(self, u: FloatArray) -> list[Setting]:
        """All settings, with this group's replaced by those at a point of the cube."""
        point = np.clip(u, 0.0, 1.0)
        bias = list(self.settings[self.group.members[0]].bias_a)
        for k, line in enumerate(self.lines):
            bias[line] = float((2 * point[k] - 1) * self._span[k])
        low, high = self._frequencies(tuple(bias))
        out = list(self.settings)
        for k, n in enumerate(self.group.members):
            if not self._tuned:
                matched = matched_pump_frequency_hz(self.study, self.group.isolator, tuple(bias), out[n].pump_power_w)
                out[n] = replace(out[n], bias_a=tuple(bias), pump_frequency_hz=matched)
                continue
            a, b = point[len(self.lines) + 2 * k : len(self.lines) + 2 * k + 2]
            power = self._power * 10.0 ** (-0.1 * LEAST_POWER_DB * (1 - float(a)))
            out[n] = replace(
                out[n], bias_a=tuple(bias), pump_power_w=power, pump_frequency_hz=low + (high - low) * float(b)
            )
        return out

    def point_of(self, settings: list[Setting]) -> FloatArray:
        """The point of the cube nearest to settings."""
        bias = settings[self.group.members[0]].bias_a
        low, high = self._frequencies(bias)
        u = [0.5 + 0.5 * bias[line] / self._span[k] for k, line in enumerate(self.lines)]
        for n in self.group.members if self._tuned else ():
            u.append(1 + 10 * np.log10(settings[n].pump_power_w / self._power) / LEAST_POWER_DB)
            u.append(((settings[n].pump_frequency_hz or low) - low) / (high - low))
        return np.asarray(np.clip(np.array(u), 0.0, 1.0), dtype=np.float64)


@dataclass(frozen=True)
class Effort:
    """How long working points are searched for.

    Attributes
    ----------
    rounds : int
        Passes over the isolators; the global search is made in the first.
    samples : int
        Points of the global search per group of settings.
    polish : int
        Evaluations of each polish.
    """

    rounds: int = 2
    samples: int = 64
    polish: int = 60


def best_working_point(
    study: Study,
    x: FloatArray,
    effort: Effort | None = None,
    *,
    seed: int = 0,
    progress: Progress | None = None,
) -> WorkingPoint:
    """Search for the working points of all isolators.

    Parameters
    ----------
    study : Study
    x : ndarray (B, D)
        Points of the prior that the error is averaged over.
    effort : Effort, optional
    seed : int
    progress : callable, optional
        Called with (what, share done, detail).

    Returns
    -------
    WorkingPoint

    Raises
    ------
    InputError
        If the study has no setting.
    """
    if not study.settings:
        raise InputError(
            "the study defines no settings to start from", where=study.path.name, remedy="Add a [[setting]]"
        )
    effort = effort or Effort()
    search = _Search(study, x)
    before = float(np.degrees(search.error()))
    power = study.limits.pump_power_w or max(s.pump_power_w for s in study.settings)
    groups: list[_Group] = []
    for i, iso in enumerate(study.isolators):
        own = [n for n, s in enumerate(search.settings) if s.isolators == (iso.name,)]
        for bias in dict.fromkeys(search.settings[n].bias_a for n in own):
            groups.append(_Group(i, tuple(n for n in own if search.settings[n].bias_a == bias)))
    done = 0
    for number in range(effort.rounds):
        for g, group in enumerate(groups):
            rng = stream(seed, "working points", number, g)
            _improve(search, group, power, effort.samples if number == 0 else 0, effort.polish, rng)
            done += 1
            if progress is not None:
                error = np.degrees(search.error())
                progress(
                    "searching working points", done / (effort.rounds * len(groups)), f"expected error {error:.3g} deg"
                )
    settings = merge_settings(study, search.settings)
    whole = planned_experiment(study, settings=settings)
    after = predict(whole, x).expected_error_deg()
    start = predict(planned_experiment(study), x).expected_error_deg()
    index = {iso.name: i for i, iso in enumerate(study.isolators)}
    offsets = np.array([v.offset_phi0 for v in study.loops])
    matrix = mutual_matrix_phi0_per_a(study)
    return WorkingPoint(
        settings,
        start if np.isfinite(start) else before,
        after,
        tuple(tuple(isolation_db(study, s, index[n]) for n in s.isolators) for s in settings),
        tuple(tuple(float(v) for v in matrix @ np.array(s.bias_a) + offsets) for s in settings),
        search.evaluations,
    )


def _improve(search: _Search, group: _Group, power: float, samples: int, polish: int, rng: np.random.Generator) -> None:
    """Search one group of settings and keep what is better for the whole experiment."""
    study = search.study
    box = _Box(study, group, search.settings, power)
    wanted = study.limits.isolation_db

    def shortfall(settings: list[Setting]) -> float:
        if wanted is None:
            return 0.0
        found = [isolation_db(study, settings[n], group.isolator) for n in group.members]
        return sum(max(0.0, 1 - v / wanted) for v in found)

    def cost(u: FloatArray) -> float:
        outside = float(np.sum(np.maximum(u - 1, 0) + np.maximum(-u, 0)))
        settings = box.settings_at(u)
        value = search.error(group.isolator, search.own(group.isolator, settings))
        return value + PENALTY * shortfall(settings) + outside if np.isfinite(value) else 1e6

    start = box.point_of(search.settings)
    first = cost(start)
    best, lowest = start, first
    if samples:
        cube = qmc.Sobol(box.size, rng=rng).random_base2(int(np.ceil(np.log2(samples))))
        stride = max(1, len(box.lines))
        for k, u in enumerate(cube):
            if k % 2:  # half of them keep power and frequency, which are often near their best already
                u[stride:] = start[stride:]
            value = cost(u)
            if value < lowest:
                best, lowest = u, value
    simplex = np.vstack(
        [best]
        + [np.clip(best + 0.08 * e * (1 if b < 0.9 else -1), 0, 1) for e, b in zip(np.eye(box.size), best, strict=True)]
    )
    found = minimize(
        cost, best, method="Nelder-Mead",
        options={"maxfev": polish, "initial_simplex": simplex, "xatol": 1e-4, "fatol": 1e-7},
    )  # fmt: skip
    if found.fun < lowest:
        best, lowest = np.clip(found.x, 0, 1), float(found.fun)
    proposal = box.settings_at(best)
    if lowest < first or not within_limits(study, [search.settings[n] for n in group.members]):
        search.settings = proposal
        search.information[group.isolator] = search.own(group.isolator, proposal, held=True)


def within_limits(study: Study, settings: Sequence[Setting]) -> bool:
    """Whether settings keep the study's limits of currents, pump power and pump frequency."""
    power, band = study.limits.pump_power_w, study.limits.pump_frequency_hz
    room = 1 + 1e-9
    return all(
        (power is None or s.pump_power_w <= power * room)
        and (band is None or s.pump_frequency_hz is None or band[0] / room <= s.pump_frequency_hz <= band[1] * room)
        and all(abs(i) <= line.limit_a * room for i, line in zip(s.bias_a, study.bias_lines, strict=True))
        for s in settings
    )


def merge_settings(study: Study, settings: list[Setting]) -> tuple[Setting, ...]:
    """Settings as they are, but for those that several isolators share in every entry, which become one again."""
    merged: list[Setting] = []
    for one in settings:
        for n, other in enumerate(merged):
            same = replace(one, name=other.name, isolators=other.isolators) == other
            if same and not set(one.isolators) & set(other.isolators):
                merged[n] = replace(other, isolators=(*other.isolators, *one.isolators))
                break
        else:
            merged.append(one)
    return tuple(merged)


@dataclass(frozen=True)
class Landscape:
    """Expected angular error (deg) of the experiment over the two bias fluxes of one isolator's first setting."""

    isolator: str
    setting: str
    first_phi0: FloatArray
    second_phi0: FloatArray
    error_deg: FloatArray
    now_phi0: tuple[float, float]


def landscape(study: Study, x: FloatArray, isolator: int = 0, nodes: int = 15) -> Landscape:
    """Error over the bias fluxes of both loops of an isolator, its other settings and all other isolators held.

    Parameters
    ----------
    study : Study
    x : ndarray (B, D)
    isolator : int
    nodes : int
        Fluxes along each axis, from -1 to 1 flux quantum; the pump frequency is the matched one everywhere.
    """
    search = _Search(study, x)
    name = study.isolators[isolator].name
    members = [n for n, s in enumerate(search.settings) if s.isolators == (name,)]
    first = search.settings[members[0]]
    loops = loop_indices(study)[isolator]
    matrix = mutual_matrix_phi0_per_a(study)
    offsets = np.array([v.offset_phi0 for v in study.loops])
    now = matrix @ np.array(first.bias_a) + offsets
    line = np.linspace(-1, 1, nodes)
    values = np.full((nodes, nodes), np.nan)
    for a, one in enumerate(line):
        for b, two in enumerate(line):
            target = now.copy()
            target[loops] = one, two
            current, *_ = np.linalg.lstsq(matrix, target - offsets, rcond=None)
            if not np.allclose(matrix @ current + offsets, target, atol=1e-6):
                continue
            bias = tuple(float(v) for v in current)
            settings = list(search.settings)
            for n in members:
                if search.settings[n].bias_a == first.bias_a:
                    frequency = matched_pump_frequency_hz(study, isolator, bias, settings[n].pump_power_w)
                    settings[n] = replace(settings[n], bias_a=bias, pump_frequency_hz=frequency)
            own = search.own(isolator, settings)
            values[a, b] = np.degrees(search.error(isolator, own))
    return Landscape(name, first.name, line, line, values, (float(now[loops[0]]), float(now[loops[1]])))
