"""A known source as a blind test: what its sweeps say of the study's signs, axes and places, which no other sweep can test.

Reverse all bias currents, and the inferred source reverses with them, without a trace in the data: every likelihood of the
campaign is the same.  Sweeps with a known source break such symmetries.  Here they are first taken as if the source were
unknown: the flux of each loop in each state is free, and the sweeps of an isolator give it with everything else eliminated,

    p(data | u)  proportional to  exp(e.u - u'L u/2),     u[c, s, l] the flux in loop l beside the bias', cooldown c, state s.

Where the best fit of an isolator leaves more than the noise that the study states, chi-square per value above one, e and L are
divided by that, as if the noise were as large as the residuals are (what a fit does that takes its errors from its scatter).

Then each hypothesis about the study says what these fluxes should have been,

    u[c, s, l] = sigma_l (o[c, l] + v[s, l] + (1 + a_l) f[s, l]),

with offsets o within their prior, v the unknown source's flux where the hypothesis puts it, f the known source's flux by the
hypothesis' geometry, a_l the errors of the flux focusing factors and sigma_l the sign of the bias.  All of this is normal, mean
m and covariance P, so that the probability of the data under a hypothesis is the integral (completed square)

    log p = e.m - m'L m/2 + (e - L m)' (1 + P L)^-1 P (e - L m)/2 - log det(1 + P L)/2 + a constant.

Nothing is compared but these probabilities: a mistake is named where the study with that mistake mended explains the sweeps
better than the study as it stands.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.findings import Finding
from fluxsense.data.digest import Digest
from fluxsense.device.chip import known_flux_phi0
from fluxsense.infer.reference import LOOSE, LOOSE_GAIN, alone, fitted, moved, relinearised, signs_known
from fluxsense.infer.sizes import drift_from_blocks, wander_within_sweeps
from fluxsense.infer.wiring import source_flux_scale_phi0
from fluxsense.model.likelihood import RatioLikelihood, every_few
from fluxsense.model.linearised import Linearised
from fluxsense.model.parameter import OFFSET
from fluxsense.model.priors import prior_sizes
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.remainder import Sizes
from fluxsense.study import Chip, Coil, Loop, State, Study

FloatArray = npt.NDArray[np.float64]

NAMED: Final = float(np.log(100.0))
"""Log odds of a mistake against the study as it stands from which it is named."""
TOLD: Final = float(np.log(20.0))
"""Log odds of the study as it stands against a mistake from which that is ruled out; mistakes nearer than that to the best of
them are named with it."""
ROOM: Final = 3.0
"""Prior deviations of a free flux within which the known source's flux lies."""
LEAST_FLUX_SD: Final = 5e-3
CARE: Final = 0.02
"""Relative error of a known source's flux in each loop that is nobody's mistake (geometry, current)."""
STRENGTH_SD: Final = 0.5
"""Relative error of its strength where that is the mistake."""
PLACE_SD_M: Final = 5e-6
"""Error of its place along each axis where that is the mistake."""
MOVES: Final = 8
"""Moves of the point of linearisation at most; most fits settle after two or three."""
OF_DEGREE: Final = ("other strength", "other place")
"""Mistakes that may be as small as one likes."""
PLACE_STEPS: Final = 12


# ---------------------------------------------------------------- what the sweeps say


@dataclass(frozen=True)
class FreeFluxes:
    """Flux in each loop and state as the sweeps show it, the known source taken as unknown.

    Attributes
    ----------
    places : tuple of (cooldown, state)
        Names, C of them.
    loops : tuple of int
        Positions in the study of the L loops that were measured.
    pull : ndarray (C*L,)
        e of the module's text, in 1/Phi0.
    information : ndarray (C*L, C*L)
        L of the module's text, in 1/Phi0^2.
    """

    places: tuple[tuple[str, str], ...]
    loops: tuple[int, ...]
    pull: FloatArray
    information: FloatArray

    def beside(self, state: str, cooldown: str, basis: str) -> tuple[FloatArray, FloatArray]:
        """Flux (L,) in a state less that in another of the same cooldown, and its standard deviation (L,), in Phi0."""
        covariance = np.linalg.inv(self.information)
        size, each = len(self.loops), np.arange(len(self.loops))
        a, b = (self.places.index((cooldown, s)) * size + each for s in (state, basis))
        mean = covariance @ self.pull
        variance = covariance[a, a] + covariance[b, b] - 2 * covariance[a, b]
        return np.asarray(mean[a] - mean[b]), np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def known_states(study: Study, digest: Digest) -> tuple[str, ...]:
    """States with a known source in which sweeps were taken with the pump on and with the pump off."""
    found = {k.state for k in digest if k.pump_on} & {k.state for k in digest if not k.pump_on}
    return tuple(s.name for s in study.states if s.kind == "calibration" and s.name in found)


def free_fluxes(
    study: Study, digest: Digest, signs: Sequence[int], truth_phi0: Mapping[tuple[str, str], FloatArray] | None = None
) -> FreeFluxes | None:
    """Fluxes of every loop and state in the cooldowns that have a known source; None where no isolator can tell.

    Parameters
    ----------
    study : Study
    digest : Digest
    signs : sequence of int
        Wiring of each isolator's pump ports.
    truth_phi0 : mapping of (cooldown, state) to ndarray (N,), optional
        Flux in each loop of sweeps that are simulated, all else being as the study states: it is not searched for.
    """
    paired = {(k.isolator, k.cooldown, k.state) for k in digest if not k.pump_on}
    on = [k for k in digest if k.pump_on and (k.isolator, k.cooldown, k.state) in paired]
    known = {(k.isolator, k.cooldown) for k in on if k.state in known_states(study, digest)}
    used = [k for k in on if (k.isolator, k.cooldown) in known]
    if not used:
        return None
    places = tuple(sorted({(k.cooldown, k.state) for k in used}))
    names = [x.name for x in study.loops]
    chosen = [i for i, iso in enumerate(study.isolators) if iso.name in {k.isolator for k in used}]
    loops = tuple(sorted(names.index(stage.loop) for i in chosen for stage in study.isolators[i].stages))
    size = len(loops)
    pull, information = np.zeros(len(places) * size), np.zeros((len(places) * size,) * 2)
    free = with_free_fluxes(study, places)
    for i in chosen:
        mine = {(k.cooldown, k.state) for k in used if k.isolator == study.isolators[i].name}
        own = {
            replace(k, cooldown=_label(k.cooldown, k.state)): v
            for k, v in digest.items()
            if k.isolator == study.isolators[i].name and (k.cooldown, k.state) in mine
        }
        likelihood = RatioLikelihood(
            free, Digest(own), signs, residual_gain=max(study.noise.residual_gain, LOOSE_GAIN), sizes=LOOSE,
            cooldowns=[_label(*place) for place in places], points=every_few,
        )  # fmt: skip
        start = alone(likelihood, i)
        found = _told(start, i, [truth_phi0[p] for p in places]) if truth_phi0 is not None else _searched(start, i)
        columns, e, inner = _isolator_fluxes(*found)
        rows = [c * size + loops.index(n) for c, n in columns]
        pull[rows] += e
        information[np.ix_(rows, rows)] += inner
    return FreeFluxes(places, loops, pull, information)


def _label(cooldown: str, state: str) -> str:
    return f"{cooldown}|{state}"


def with_free_fluxes(study: Study, places: Sequence[tuple[str, str]]) -> Study:
    """The study with nothing known of any state: what a source adds is part of offsets, which every state has for itself."""
    known = [n for n, s in enumerate(study.states) if s.name in {s for _, s in places}]
    largest = float(np.max(np.abs(known_flux_phi0(study)[known]), initial=0.0))
    spread = np.hypot(source_flux_scale_phi0(study), largest / ROOM)
    loops = tuple(
        x.with_sd(offset_phi0=float(np.hypot(max(x.sd["offset_phi0"], LEAST_FLUX_SD), s)))
        for x, s in zip(study.loops, spread, strict=True)
    )
    return replace(study, loops=loops, states=tuple(State(s.name, "out") for s in study.states))


def _searched(start: CampaignProblem, isolator: int) -> tuple[CampaignProblem, FloatArray]:
    """An isolator's sweeps, linearised about their best fit, and that (D,)."""
    known = signs_known(start.likelihood, isolator)
    problem, x = moved(start, np.zeros(start.unknowns.size), MOVES) if known else fitted(start)[:2]
    return moved(_tight(problem, isolator), x, MOVES)


def _told(start: CampaignProblem, isolator: int, flux_phi0: Sequence[FloatArray]) -> tuple[CampaignProblem, FloatArray]:
    """An isolator's sweeps, linearised about what is stated and given fluxes (C, N), and that point (D,)."""
    x = np.zeros(start.unknowns.size)
    for n, p in enumerate(start.unknowns.nuisances):
        if p.array == OFFSET:
            x[n] = float(p.whitened(flux_phi0[p.index[0]][p.index[1]]))
    return _tight(relinearised(start, x), isolator), x


def _tight(problem: CampaignProblem, isolator: int) -> CampaignProblem:
    """The same sweeps with what the study says of their noise."""
    free = problem.likelihood.study
    sizes = _sizes(free, isolator, problem)
    return alone(problem.likelihood.rebuilt(residual_gain=free.noise.residual_gain, sizes=sizes), isolator)


def _isolator_fluxes(problem: CampaignProblem, x: FloatArray) -> tuple[list[tuple[int, int]], FloatArray, FloatArray]:
    """Places and loops of an isolator's fluxes, and what its sweeps say of them: pull and information, the prior taken off."""
    wide, x = problem.explicit(x)
    at = Linearised.of(wide, x)
    louder = max(1.0, at.misfit / at.likelihood.values)
    columns = [n for n, p in enumerate(wide.unknowns.nuisances) if p.array == OFFSET]
    own = [wide.unknowns.nuisances[n] for n in columns]
    sd, mean = np.array([p.sd for p in own]), np.array([p.mean for p in own])
    step = np.linalg.solve(at.information, at.gradient)  # to the mode, if the climb ended before
    inner: FloatArray = np.asarray(np.linalg.inv(at.covariance[np.ix_(columns, columns)]))
    information = of_data(inner, sd) / louder
    pull = inner @ (x + step)[columns] / (louder * sd) + information @ mean
    return [(p.index[0], p.index[1]) for p in own], pull, information


def of_data(inner: FloatArray, sd: FloatArray) -> FloatArray:
    """What data alone tell of fluxes, in 1/Phi0^2 (n, n): all information on them less that of their prior, never below zero.

    Parameters
    ----------
    inner : ndarray (n, n)
        In units of the prior deviations.
    sd : ndarray (n,)
        These, in Phi0.
    """
    values, vectors = np.linalg.eigh(inner - np.eye(len(sd)))
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T / np.outer(sd, sd))


def _sizes(free: Study, isolator: int, problem: CampaignProblem) -> Sizes:
    """What the model leaves out as large as it may be, and the flux's wandering as blocks of time show it.

    What else no study can state would have to be learned, and shows in the misfit.
    """
    scales = prior_sizes(free, [isolator])
    walk, flicker = drift_from_blocks(problem.likelihood) if scales.flux_walk_phi0 > 0 else (0.0, 0.0)
    within = wander_within_sweeps(problem.likelihood)
    return Sizes(common=scales.common, own=scales.own, flux_walk_phi0=walk, flux_flicker_phi0=flicker, within=within)


# ---------------------------------------------------------------- what the study says, and what it would say without a mistake


@dataclass(frozen=True)
class Law:
    """Normal law of the fluxes (C, L) under a hypothesis: mean (C*L,) and columns (C*L, n) whose squares add up to the covariance."""

    mean: FloatArray
    columns: FloatArray

    def log_probability(self, found: FreeFluxes) -> float:
        """Of the sweeps, up to a constant that no hypothesis changes."""
        inner = found.information @ self.columns  # (N, n)
        left = found.pull - found.information @ self.mean
        normal = np.eye(self.columns.shape[1]) + self.columns.T @ inner
        score = self.columns.T @ left
        gain = score @ np.linalg.solve(normal, score)
        level = self.mean @ (0.5 * (found.pull + left))
        return float(level + 0.5 * gain - 0.5 * np.linalg.slogdet(normal)[1])

    def multiples(self, found: FreeFluxes, last: int) -> tuple[FloatArray, FloatArray]:
        """Most probable multiples of the last columns, given the sweeps, and their standard deviations, (last,) each."""
        normal = np.eye(self.columns.shape[1]) + self.columns.T @ found.information @ self.columns
        mean = np.linalg.solve(normal, self.columns.T @ (found.pull - found.information @ self.mean))
        return np.asarray(mean[-last:]), np.asarray(np.sqrt(np.diag(np.linalg.inv(normal)))[-last:])


@dataclass(frozen=True)
class World:
    """What a hypothesis says of the campaign.

    Attributes
    ----------
    known_phi0 : ndarray (S, N)
        Flux of the known source in each state and loop of the study.
    kinds : tuple of str
        Of each state.
    signs : ndarray (N,)
        Of each loop's bias, against the study's.
    source_phi0 : ndarray (N,)
        Root mean square flux of the unknown source in each loop.
    further : ndarray (n, S, N)
        Fluxes of the known source of which any multiple, normal with deviation one, may be added.
    """

    known_phi0: FloatArray
    kinds: tuple[str, ...]
    signs: FloatArray
    source_phi0: FloatArray
    further: FloatArray


def stated_world(study: Study) -> World:
    """What the study says."""
    known = known_flux_phi0(study)
    kinds, signs = tuple(s.kind for s in study.states), np.ones(len(study.loops))
    return World(known, kinds, signs, source_flux_scale_phi0(study), np.zeros((0, *known.shape)))


def law_of(study: Study, world: World, found: FreeFluxes) -> Law:
    """The law of the fluxes found."""
    states = [s.name for s in study.states]
    cooldowns = sorted({c for c, _ in found.places})
    loops = list(found.loops)
    count, size = len(found.places), len(loops)
    each = [study.loops[n] for n in loops]
    sd = np.array([max(x.sd["offset_phi0"], 1e-6) for x in each])
    source = np.maximum(world.source_phi0[loops], 1e-6)
    care = np.hypot([x.sd["flux_focusing"] / x.flux_focusing for x in each], CARE)
    mean, columns = np.zeros((count, size)), []
    known, further = np.zeros((count, size)), np.zeros((len(world.further), count, size))
    for n, (_, state) in enumerate(found.places):
        s = states.index(state)
        if world.kinds[s] == "calibration":
            focusing = np.array([x.flux_focusing for x in each])
            known[n] = world.known_phi0[s, loops] * focusing
            further[:, n] = world.further[:, s, loops] * focusing
        elif world.kinds[s] != "out":
            columns += list(_one_each(count, n, source))
    for cooldown in cooldowns:
        rows = [n for n, (c, _) in enumerate(found.places) if c == cooldown]
        columns += list(_one_each(count, rows, sd))
    every = range(count)
    columns += [x * known for x in _one_each(count, every, care)]
    mean += np.array([x.offset_phi0 for x in each]) + known
    stack = np.concatenate([np.array(columns), further]) * world.signs[loops]
    return Law((mean * world.signs[loops]).ravel(), stack.reshape(len(stack), -1).T)


def _one_each(count: int, rows: int | Sequence[int], size: FloatArray) -> FloatArray:
    """For each loop a table (count, L) that is `size` there in the rows given and zero elsewhere, (L, count, L)."""
    out = np.zeros((size.size, count, size.size))
    for loop, value in enumerate(size):
        out[loop, rows, loop] = value
    return out


@dataclass(frozen=True)
class Mistake:
    """A mistake in the study or the log, and the worlds, any of them as probable, in which it was made.

    Attributes
    ----------
    code : str
        `report.sentences` has words for it.
    names : tuple of str
        What it is about.
    worlds : tuple of World
    """

    code: str
    names: tuple[str, ...]
    worlds: tuple[World, ...]


def mistakes(study: Study, found: FreeFluxes) -> list[Mistake]:
    """Every mistake that is looked for, place of the known source aside."""
    return list(_mistakes(study, found))


def _mistakes(study: Study, found: FreeFluxes) -> Iterator[Mistake]:
    stated = stated_world(study)
    loops = list(found.loops)
    names = [study.loops[n].name for n in loops]
    yield Mistake("all signs", (), (replace(stated, signs=-stated.signs),))
    stages = [tuple(stage.loop for stage in iso.stages) for iso in study.isolators]
    measured = [(iso.name, pair) for iso, pair in zip(study.isolators, stages, strict=True) if pair[0] in names]
    groups = [pair for _, pair in measured] if len(measured) > 1 else []
    for group in [*groups, *((n,) for n in names)]:
        signs = np.array([-1.0 if x.name in group else 1.0 for x in study.loops])
        yield Mistake("some signs", group, (replace(stated, signs=signs),))
    yield from _exchanged_states(study, stated, found)
    geometries = [replace(study, loops=tuple(_exchanged_axes(x, sense) for x in study.loops)) for sense in (1, -1)]
    yield Mistake("exchanged axes", (), tuple(replace(stated, known_phi0=known_flux_phi0(g)) for g in geometries))
    for (one, first), (two, second) in combinations(measured, 2):
        order = {a: b for x, y in zip(first, second, strict=True) for a, b in ((x, y), (y, x))}
        yield Mistake(
            "exchanged isolators", (one, two), (replace(stated, known_phi0=_reordered(study, stated, order)),)
        )
    for a, b in combinations(names, 2):
        yield Mistake("exchanged loops", (a, b), (replace(stated, known_phi0=_reordered(study, stated, {a: b, b: a})),))
    other_side = known_flux_phi0(replace(study, coils=tuple(_below(study, c) for c in study.coils)))
    yield Mistake("other side", (), (replace(stated, known_phi0=other_side),))
    strength = STRENGTH_SD * stated.known_phi0
    yield Mistake("other strength", (), (replace(stated, further=strength[None]),))


def _exchanged_states(study: Study, stated: World, found: FreeFluxes) -> Iterator[Mistake]:
    """Each state without a source exchanged with each that has it."""
    swept = {s for _, s in found.places}
    here = [n for n, s in enumerate(study.states) if s.name in swept]
    for a in (n for n in here if stated.kinds[n] == "out"):
        for b in (n for n in here if stated.kinds[n] in ("in", "turned")):
            kinds = list(stated.kinds)
            kinds[a], kinds[b] = kinds[b], kinds[a]
            yield Mistake(
                "exchanged states", (study.states[a].name, study.states[b].name), (replace(stated, kinds=tuple(kinds)),)
            )


def _exchanged_axes(loop: Loop, sense: int) -> Loop:
    """A loop with x and y exchanged in its chip's frame; a sense of 1 keeps the way round."""
    outline = tuple((y, x, z) for x, y, z in loop.outline_m)
    return replace(loop, outline_m=outline[::-1] if sense > 0 else outline)


def _reordered(study: Study, stated: World, order: dict[str, str]) -> FloatArray:
    names = [x.name for x in study.loops]
    return np.asarray(stated.known_phi0[:, [names.index(order.get(n, n)) for n in names]])


def _below(study: Study, coil: Coil) -> Coil:
    """A coil moved, as it is, to the other side of the plane of the chip that is nearest to it."""
    points = np.array(coil.outline_m)
    middle = points.mean(axis=0)

    def normal(chip: Chip) -> FloatArray:
        across = np.cross(chip.x_axis, chip.y_axis)
        return np.asarray(across / np.linalg.norm(across))

    used = {x.chip for x in study.loops}
    chips = [c for c in study.chips if c.name in used]
    chip = min(chips, key=lambda c: float(np.linalg.norm(middle - np.array(c.origin_m))))
    up = normal(chip)
    return _at(coil, points - 2 * float((middle - np.array(chip.origin_m)) @ up) * up)


# ---------------------------------------------------------------- the test


@dataclass(frozen=True)
class Odds:
    """Log odds of a mistake against the study as it stands; mistakes of one code share what is as probable as the study."""

    code: str
    names: tuple[str, ...]
    log_odds: float


@dataclass(frozen=True)
class LoopFlux:
    """Flux of the known source in a loop, in Phi0: as stated and as the sweeps show it, the source taken as unknown."""

    state: str
    cooldown: str
    loop: str
    stated_phi0: float
    found_phi0: float
    sd_phi0: float


@dataclass(frozen=True)
class BlindTest:
    """What sweeps with a known source say of the study.

    Attributes
    ----------
    states : tuple of str
        With a known source.
    mistakes : tuple of Odds
        Every mistake looked for, the most probable first.
    other_log_odds : float
        Log odds of fluxes that none of them explains, of any size and sign, against the study as it stands.
    strength, strength_sd : float
        Of the known source over what the study says, everything else as stated.
    moved_m : ndarray (3,)
        Where the known source would have to be, less where it is stated, if its place were the mistake.
    fluxes : tuple of LoopFlux
    """

    states: tuple[str, ...]
    mistakes: tuple[Odds, ...]
    other_log_odds: float
    strength: float
    strength_sd: float
    moved_m: FloatArray
    fluxes: tuple[LoopFlux, ...]

    @property
    def named(self) -> tuple[Odds, ...]:
        """Mistakes that explain the sweeps better than the study does, and about as well as the best of them."""
        best = self.mistakes[0].log_odds
        if best < NAMED:
            return ()
        return tuple(m for m in self.mistakes if m.log_odds > best - TOLD)

    @property
    def open(self) -> tuple[Odds, ...]:
        """Mistakes that the sweeps do not rule out, those of degree aside, which have an error instead; none if some are named."""
        return () if self.named else tuple(m for m in self.mistakes if m.log_odds > -TOLD and m.code not in OF_DEGREE)

    @property
    def unexplained(self) -> bool:
        """Whether the known source does not come out, and no mistake looked for explains it."""
        return self.other_log_odds - max(0.0, self.mistakes[0].log_odds) > NAMED


def blind_test(study: Study, digest: Digest, signs: Sequence[int]) -> BlindTest | None:
    """Infer the known source's flux in each loop as if it were unknown, and compare what could be wrong with the study.

    Parameters
    ----------
    study : Study
    digest : Digest
    signs : sequence of int
        Wiring of each isolator's pump ports, as read.

    Returns
    -------
    BlindTest or None
        None without sweeps in a state with a known source, pump-off sweeps among them, or for a kind of data that keeps
        only which way each sweep transmits.
    """
    if study.data.of_counts or not known_states(study, digest):
        return None
    found = free_fluxes(study, digest, signs)
    return None if found is None else judged(study, found)


def judged(study: Study, found: FreeFluxes) -> BlindTest:
    """The test from the fluxes found."""
    stated = stated_world(study)
    laws = Hypotheses.of(study, mistakes(study, found), found)
    odds, plain = list(laws.odds(found)), laws.plain.log_probability(found)
    moved, log_probability = _placed(study, stated, found)
    if study.coils:
        odds.append(Odds("other place", (), log_probability - plain))
    anything = law_of(study, replace(stated, further=_anything(stated.known_phi0, found.loops)), found)
    strength, sd = _strength(study, stated, found)
    return BlindTest(
        tuple(s.name for s in study.states if s.kind == "calibration" and s.name in {x for _, x in found.places}),
        tuple(sorted(odds, key=lambda m: -m.log_odds)), anything.log_probability(found) - plain, strength, sd, moved,
        _fluxes(study, stated, found),
    )  # fmt: skip


@dataclass(frozen=True)
class Hypotheses:
    """The study as it stands and mistakes in it, as laws of the fluxes in some places and loops: of any sweeps there.

    Attributes
    ----------
    plain : Law
        The study as it stands.
    looked_for : tuple of Mistake
    laws : tuple of tuple of Law
        Of each mistake's worlds.
    """

    plain: Law
    looked_for: tuple[Mistake, ...]
    laws: tuple[tuple[Law, ...], ...]

    @classmethod
    def of(cls, study: Study, looked_for: Sequence[Mistake], found: FreeFluxes) -> Hypotheses:
        """For the places and loops of fluxes found."""
        plain = law_of(study, stated_world(study), found)
        return cls(
            plain, tuple(looked_for), tuple(tuple(law_of(study, w, found) for w in m.worlds) for m in looked_for)
        )

    def odds(self, found: FreeFluxes) -> Iterator[Odds]:
        """Log odds of each mistake against the study as it stands, in their order, worked out as they are asked for."""
        plain = self.plain.log_probability(found)
        kinds = Counter(m.code for m in self.looked_for)
        for m, laws in zip(self.looked_for, self.laws, strict=True):
            together = float(np.logaddexp.reduce([law.log_probability(found) for law in laws]))
            yield Odds(m.code, m.names, together - float(np.log(len(laws) * kinds[m.code])) - plain)


def _anything(known: FloatArray, loops: Sequence[int]) -> FloatArray:
    """Any flux in each state and loop, about twice as large as the known source's."""
    cells = [(s, n) for s in np.flatnonzero(np.any(known != 0, axis=1)) for n in loops]
    out = np.zeros((len(cells), *known.shape))
    for row, (s, n) in enumerate(cells):
        out[row, s, n] = 2 * np.sqrt(np.mean(known[s, list(loops)] ** 2))
    return out


def _strength(study: Study, stated: World, found: FreeFluxes) -> tuple[float, float]:
    """Factor on the known source's flux, and its standard deviation."""
    law = law_of(study, replace(stated, further=STRENGTH_SD * stated.known_phi0[None]), found)
    mean, sd = law.multiples(found, 1)
    return 1 + STRENGTH_SD * float(mean[0]), STRENGTH_SD * float(sd[0])


def _placed(study: Study, stated: World, found: FreeFluxes) -> tuple[FloatArray, float]:
    """Most probable displacement (3,) of the coils, and the log probability with their place unknown (Laplace).

    -inf where the way there leads a coil through a loop.
    """
    place, best = np.zeros(3), -np.inf
    slope_step = 0.01 * PLACE_SD_M * np.eye(3)
    for _ in range(PLACE_STEPS):
        try:
            here = _displaced_flux(study, place)
            around = [_displaced_flux(study, place + d) - _displaced_flux(study, place - d) for d in slope_step]
        except InputError:
            return place, -np.inf
        slopes = PLACE_SD_M * np.array(around) / (2 * slope_step[0, 0])
        start = here - np.tensordot(place / PLACE_SD_M, slopes, axes=1)
        law = law_of(study, replace(stated, known_phi0=start, further=slopes), found)
        best = law.log_probability(found)
        step = PLACE_SD_M * law.multiples(found, 3)[0] - place
        length = float(np.linalg.norm(step))
        place = place + step * min(1.0, PLACE_SD_M / max(length, 1e-12))
        if length < 0.01 * PLACE_SD_M:
            break
    return place, best


def _displaced_flux(study: Study, by_m: FloatArray) -> FloatArray:
    """Flux of the known sources with every coil displaced."""
    return known_flux_phi0(replace(study, coils=tuple(_at(c, np.array(c.outline_m) + by_m) for c in study.coils)))


def _at(coil: Coil, points: FloatArray) -> Coil:
    return replace(coil, outline_m=tuple((float(x), float(y), float(z)) for x, y, z in points))


def _fluxes(study: Study, stated: World, found: FreeFluxes) -> tuple[LoopFlux, ...]:
    """The known source's fluxes, beside the sweeps without a source."""
    kind = dict(zip((s.name for s in study.states), stated.kinds, strict=True))
    rows = [s.name for s in study.states]
    out = []
    for cooldown, state in found.places:
        basis = [s for c, s in found.places if c == cooldown and kind[s] == "out"]
        if kind[state] != "calibration" or not basis:
            continue
        mean, sd = found.beside(state, cooldown, basis[0])
        for n, m, s in zip(found.loops, mean, sd, strict=True):
            loop = study.loops[n]
            said = stated.known_phi0[rows.index(state), n] * loop.flux_focusing
            out.append(LoopFlux(state, cooldown, loop.name, float(said), float(m), float(s)))
    return tuple(out)


# ---------------------------------------------------------------- what is to be said of it


def blind_findings(test: BlindTest | None) -> list[Finding]:
    """What the first lines of a result say of a known source; a doubt where it does not come out."""
    if test is None:
        return [Finding("study alone")]
    best, states = test.mistakes[0].log_odds, test.states
    if test.unexplained:
        return [Finding("known source unexplained", 1, states=states, odds=test.other_log_odds)]
    if test.named:
        doubt = 1 if all(m.code == "other strength" for m in test.named) else 2
        found = _mistake_findings(test, test.named)
        return [Finding("known source, mistake", doubt, states=states, mistakes=found, odds=best)]
    out = [Finding("known source as stated", states=states, strength=test.strength, strength_sd=test.strength_sd)]
    return (
        [*out, Finding("known source leaves open", mistakes=_mistake_findings(test, test.open))] if test.open else out
    )


def _mistake_findings(test: BlindTest, found: Sequence[Odds]) -> tuple[Finding, ...]:
    moved = tuple(1e6 * float(x) for x in test.moved_m)
    return tuple(
        Finding(
            m.code, of_loops=m.names, first="".join(m.names[:1]), second="".join(m.names[1:]), strength=test.strength,
            moved_um=moved,
        )
        for m in found
    )  # fmt: skip
