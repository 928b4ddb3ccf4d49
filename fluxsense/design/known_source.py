"""The shortest sweeps with a known source that test a study's signs, axes and places.

The fluxes of all loops, free in each state, put into the blind test of `fluxsense.infer.blind` as a campaign without noise would show
them, give the log odds that each mistake can be expected to have against a study that is right.  How well they are known, the Fisher
information of the planned sweeps says at once, but for what a real set-up leaves out; sweeps that suffice by that are simulated, and
told as measured ones are once their best fit is found.  Fewest are those with which every mistake then has odds against it that noise does not turn round.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.findings import Finding
from fluxsense.data.digest import Digest
from fluxsense.design.sensitivity import (
    Block,
    Experiment,
    block_slopes,
    flux_chain,
    planned_experiment,
    points_at,
    seen,
)
from fluxsense.design.timeline import gathered
from fluxsense.device.chip import known_flux_phi0, loop_indices, loop_outlines_m, study_flux_map
from fluxsense.infer.blind import (
    NAMED,
    OF_DEGREE,
    FreeFluxes,
    Hypotheses,
    free_fluxes,
    law_of,
    mistakes,
    of_data,
    stated_world,
    with_free_fluxes,
)
from fluxsense.model.parameter import OFFSET
from fluxsense.study import Coil, State, Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

ENOUGH: Final = 2 * NAMED
"""Expected log odds against a mistake that noise does not bring below those from which one is named, but for rare cases."""
REPEATS: Final = (1, 2, 3, 4, 6, 8, 12, 16)
POINTS: Final = 15
MOST_SIMULATED: Final = 2
"""Choices that are simulated and fitted at most; the last is the longest looked at."""
WANTED_PHI0: Final = 0.05
"""Flux of a proposed coil in the loop that it drives most."""
MOST_CURRENT_A: Final = 1e-3
SLANT: Final = (0.48, 0.6, 0.64)
"""Axis of a proposed coil: in no plane of symmetry that loops on a chip usually have."""
SOURCE: Final = (0.48, 0.62, 0.62)
"""Direction of the source that the exchange of states, and what else one direction must stand for, are judged with."""


@dataclass(frozen=True)
class KnownSourcePlan:
    """The proposal.

    Attributes
    ----------
    study : Study
        With a known source and a state for it, if it had no state with a known source.
    new : bool
        Whether these were added.
    state : str
        In which the sweeps are taken.
    settings : tuple of str
        Of the sweeps.
    repeats : int
        With the pump on, per isolator and setting, and as many with the pump off per isolator and bias.
    sweeps : int
        In all.
    seconds : float
    against : tuple of (str, float)
        Least expected log odds of a right study against a mistake of each code, the least first.
    left_open : tuple of str
        Codes of mistakes that even the longest sweeps looked at would leave open.
    """

    study: Study
    new: bool
    state: str
    settings: tuple[str, ...]
    repeats: int
    sweeps: int
    seconds: float
    against: tuple[tuple[str, float], ...]
    left_open: tuple[str, ...]


def known_source_plan(study: Study, simulated: Callable[[Study], Digest]) -> KnownSourcePlan:
    """Fewest sweeps with a known source, beside the source-out and source-in sweeps that the study plans.

    Parameters
    ----------
    study : Study
        With settings.
    simulated : callable
        The digest of a study's planned sweeps, simulated with every number as the study states it and the source along `SOURCE`.

    Returns
    -------
    KnownSourcePlan
    """
    known = [s for s in study.states if s.kind == "calibration"]
    with_one = study if known else with_proposed_source(study)
    bench = _Bench.of(_simulable(with_one), known[0].name if known else with_one.states[-1].name)
    own = simulated(replace(bench.study, plan=replace(bench.study.plan, states=bench.planned)))
    names = [s.name for s in with_one.settings]
    every = [([n], r) for n in names if len(names) > 1 for r in REPEATS] + [(names, r) for r in REPEATS]
    order = sorted(every, key=lambda choice: bench.sweeps(*choice))
    hoped = bench.odds(bench.expected(names, REPEATS[-1]))
    wanted = {code for code, value in hoped.items() if value > ENOUGH}
    found: list[KnownSourcePlan] = []
    for chosen, repeats in [*order, (names, REPEATS[-1])]:
        last = len(found) == MOST_SIMULATED - 1
        if last:
            chosen, repeats = names, REPEATS[-1]
        if not bench.rules_out(wanted, bench.expected(chosen, repeats)):
            continue
        odds = bench.odds(bench.fitted(own, simulated(bench.only(chosen, repeats))))
        against = tuple(sorted(odds.items(), key=lambda item: item[1]))
        left = tuple(code for code, value in against if value <= ENOUGH)
        sweeps = bench.sweeps(chosen, repeats)
        seconds = sweeps * study.plan.seconds_per_sweep
        found.append(
            KnownSourcePlan(
                with_one, not known, bench.state, tuple(chosen), repeats, sweeps, seconds, against, left
            )
        )  # fmt: skip
        if last or wanted.isdisjoint(left):
            break
    return min(found, key=lambda plan: (len(plan.left_open), plan.sweeps))


def with_proposed_source(study: Study) -> Study:
    """The study with a known source, and a state for it that is not among those that the plan sweeps.

    A known uniform field for a source that is one; else a small square coil where the source is.  Either points along a slant
    and gives `WANTED_PHI0` in the loop that it drives most, the coil with a milliampere at most.
    """
    normal = np.array(SLANT) / np.linalg.norm(SLANT)
    name = _free_name("known", [s.name for s in study.states])
    if not study.source.has_position:
        out = _with_state(study, State(name, "calibration", field_t=_triple(1e-6 * normal)))
        factor = WANTED_PHI0 / float(np.max(np.abs(known_flux_phi0(out)[-1])))
        field = np.array([float(f"{1e-6 * factor * x:.2g}") for x in normal])
        return _with_state(study, State(name, "calibration", field_t=_triple(field)))
    outlines = loop_outlines_m(study)
    place = np.array(study.source.position_m)
    along = np.cross((0.0, 0.0, 1.0), normal)
    along /= np.linalg.norm(along)
    across = np.cross(normal, along)
    nearest = min(float(np.linalg.norm(o - place, axis=1).min()) for o in outlines)
    half = 0.5 * min(float(np.median([np.max(np.ptp(o, axis=0)) for o in outlines])), 0.8 * nearest)
    corners = [place + half * (a * along + b * across) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    coil = Coil(_free_name("known", [c.name for c in study.coils]), tuple(_triple(np.round(x, 8)) for x in corners))
    bare = replace(study, coils=(*study.coils, coil))
    state = State(name, "calibration", coil=coil.name, current_a=MOST_CURRENT_A)
    largest = float(np.max(np.abs(known_flux_phi0(_with_state(bare, state))[-1])))
    current = float(f"{MOST_CURRENT_A * min(1.0, WANTED_PHI0 / largest):.1g}")
    return _with_state(bare, replace(state, current_a=current))


def _simulable(study: Study) -> Study:
    """The study in one cooldown, with a wiring of every isolator's pump ports: what is simulated of it is read as it was simulated."""
    isolators = tuple(replace(x, pump_port_1_sign=x.pump_port_1_sign or 1) for x in study.isolators)
    return replace(study, isolators=isolators, plan=replace(study.plan, cooldowns=study.plan.cooldowns[:1]))


def _with_state(study: Study, state: State) -> Study:
    return replace(study, states=(*study.states, state))


def _triple(x: FloatArray) -> tuple[float, float, float]:
    return float(x[0]), float(x[1]), float(x[2])


def _free_name(name: str, taken: Sequence[str]) -> str:
    while name in taken:
        name += "_"
    return name


def _loops_in_use(study: Study) -> list[int]:
    return sorted({int(n) for row in loop_indices(study) for n in row})


@dataclass(frozen=True)
class _Bench:
    """The planned experiment with free fluxes in source-out, source-in and known-source sweeps."""

    study: Study
    state: str
    places: tuple[tuple[str, str], ...]
    planned: tuple[str, ...]
    experiment: Experiment
    mean: FloatArray
    loops: tuple[int, ...]
    hypotheses: Hypotheses

    @classmethod
    def of(cls, study: Study, state: str) -> _Bench:
        kinds = {s.name: s.kind for s in study.states}
        planned = tuple(n for n in study.plan.states if kinds[n] != "calibration")
        cooldown = study.plan.cooldowns[0]
        places = tuple((cooldown, n) for n in (*planned, state))
        labels = tuple(n for _, n in places)
        free = with_free_fluxes(study, places)
        one = replace(free, plan=replace(free.plan, cooldowns=labels, states=(free.states[0].name,)))
        experiment = planned_experiment(one, states=(free.states[0].name,), most_points=POINTS)
        loops = tuple(_loops_in_use(study))
        empty = FreeFluxes(places, loops, np.zeros(0), np.zeros((0, 0)))
        mean = law_of(study, stated_world(study), empty).mean.reshape(len(places), -1)
        focusing = np.array([study.loops[n].flux_focusing for n in loops])
        flux = study_flux_map(study)[list(loops)] @ np.array(SOURCE) * study.source.size * focusing
        mean = mean + np.array([[kinds[n] in ("in", "turned")] for n in labels]) * flux
        looked_for = tuple(m for m in mistakes(study, empty) if m.code not in OF_DEGREE)
        hypotheses = Hypotheses.of(study, looked_for, empty)
        return cls(study, state, places, planned, experiment, mean.ravel(), loops, hypotheses)

    def sweeps(self, settings: Sequence[str], repeats: int) -> int:
        """How many sweeps that takes in the state with the known source."""
        return repeats * sum(
            len(own) + 1
            for bench in self.experiment.benches
            if (own := [k for k in bench.settings if self.study.settings[k].name in settings])
        )

    def only(self, settings: Sequence[str], repeats: int) -> Study:
        """The study that plans just these sweeps with the known source."""
        chosen = tuple(s for s in self.study.settings if s.name in settings)
        plan = replace(self.study.plan, states=(self.state,), repeats=repeats, off_repeats=repeats)
        return replace(self.study, settings=chosen, plan=plan)

    def odds(self, found: FreeFluxes) -> dict[str, float]:
        """Least log odds of the study against a mistake of each code, those of degree aside."""
        out: dict[str, float] = {}
        for m in self._laws(found).odds(found):
            out[m.code] = min(out.get(m.code, np.inf), -m.log_odds)
        return out

    def rules_out(self, codes: Collection[str], found: FreeFluxes) -> bool:
        """Whether the odds are enough against every mistake of these codes; most sweeps fail at one of the first."""
        return all(-m.log_odds > ENOUGH for m in self._laws(found).odds(found) if m.code in codes)

    def _laws(self, found: FreeFluxes) -> Hypotheses:
        """The hypotheses for the fluxes found, which may lack places or loops that were not swept."""
        if (found.places, found.loops) == (self.places, self.loops):
            return self.hypotheses
        return Hypotheses.of(self.study, self.hypotheses.looked_for, found)

    def fitted(self, own: Digest, known: Digest) -> FreeFluxes:
        """The fluxes without noise, as well known as simulated sweeps say."""
        signs = [iso.pump_port_1_sign or 1 for iso in self.study.isolators]
        flux = {place: np.array([x.offset_phi0 for x in self.study.loops]) for place in self.places}
        for place, row in zip(self.places, self.mean.reshape(len(self.places), -1), strict=True):
            flux[place][_loops_in_use(self.study)] = row
        found = free_fluxes(self.study, Digest({**own, **known}), signs, flux)
        if found is None:
            raise InputError("no sweep with a known source could be simulated", where=self.study.path.name)
        mean = np.concatenate([flux[place][list(found.loops)] for place in found.places])  # of isolators so swept
        return replace(found, pull=found.information @ mean)

    @cached_property
    def _seen(self) -> list[tuple[ComplexArray, ComplexArray, FloatArray]]:
        """Of each block what does not depend on its sweeps: scattering parameters, their slopes, the jacobian."""
        now = self.experiment
        x = points_at(now.unknowns, [SOURCE])
        parameters = now.parameters(x)
        chain = flux_chain(now.benches[0].model, now.unknowns, x, parameters)
        return [
            (*seen(now, block, parameters, chain), block_slopes(now, n, chain)) for n, block in enumerate(now.blocks)
        ]

    @cached_property
    def _told(self) -> dict[tuple[int, tuple[float, ...]], FloatArray]:
        """Information of blocks by position and numbers of sweeps, as it was asked for: choices share most of them."""
        return {}

    def _information(self, number: int, block: Block) -> FloatArray:
        """Information (1, m, m) of a block's sweeps about its local quantities."""
        key = (number, block.sweeps)
        if key not in self._told:
            s, slopes, _ = self._seen[number]
            self._told[key] = self.experiment.regress(block, s, slopes).information
        return self._told[key]

    def expected(self, settings: Sequence[str], repeats: int) -> FreeFluxes:
        """The fluxes without noise, as well known as the Fisher information of the sweeps says."""
        now = self.experiment
        known = len(self.places) - 1
        parts = []
        for number, (block, (*_, jacobian)) in enumerate(zip(now.blocks, self._seen, strict=True)):
            bench = now.benches[block.bench]
            swept = block
            if block.cooldown == known:
                names = [self.study.settings[k].name for k in bench.settings]
                on = [float(repeats) if n in settings else 0.0 for n in names]
                swept = replace(block, sweeps=(*on, float(repeats) * any(on)))
            parts.append((bench.isolator, self._information(number, swept), jacobian))
        size = now.unknowns.size
        total = gathered(parts, now.slow is not None, size)[0][0] + np.eye(size)
        columns = [n for n, p in enumerate(now.unknowns.nuisances, now.unknowns.lead) if p.array == OFFSET]
        own = [now.unknowns.nuisances[n - now.unknowns.lead] for n in columns]
        loops = tuple(sorted({p.index[1] for p in own}))
        rest = [n for n in range(len(total)) if n not in set(columns)]
        inner = total[np.ix_(columns, columns)] - total[np.ix_(columns, rest)] @ np.linalg.solve(
            total[np.ix_(rest, rest)], total[np.ix_(rest, columns)]
        )
        sd = np.array([p.sd for p in own])
        rows = [p.index[0] * len(loops) + loops.index(p.index[1]) for p in own]
        information = np.zeros((self.mean.size, self.mean.size))
        information[np.ix_(rows, rows)] = of_data(inner, sd)
        return FreeFluxes(self.places, loops, information @ self.mean, information)


def known_source_findings(plan: KnownSourcePlan) -> list[Finding]:
    """What is to be said of the proposal."""
    odds = min((value for code, value in plan.against if code not in plan.left_open), default=0.0)
    out = [
        Finding(
            "known source new" if plan.new else "known source there", state=plan.state, at=plan.settings,
            repeats=plan.repeats, sweeps=plan.sweeps, minutes=plan.seconds / 60, odds=odds,
        )
    ]  # fmt: skip
    return [*out, Finding("known source would leave open", kinds=plan.left_open)] if plan.left_open else out
