"""Where the likelihood is linearised before there is a source: each isolator as its reference sweeps alone show it.

Sweeps with the source out (or a calibration source in) hold no unknown of the source, so that each isolator stands alone.
Its offsets and pump strength are fitted with everything else eliminated about the fit.  Where the bias settles the sign of the
current in both rings whatever the offsets are, they are tame: the likelihood eliminates them too, and few coordinates are
left to sample.  At zero bias, say, they are not: two fits with opposite offsets serve alike, and offsets stay among the
unknowns.

Sweeps far above their noise make narrow, curved ridges of offsets and the numbers that go with them.  Held at one point of
linearisation, offsets could not move along such a ridge; with all of them eliminated the ridge is followed by moving the
point, and its curvature, alike in all states of the source, leaves the direction alone (`fluxsense.infer.assumptions`).

Line ends, paths and pump ports take each other's place in such sweeps, so that several places may fit alike.  The point is moved
in one of two ways (`moved`), straight on or by firm steps; where the first does not fit, `fluxsense.infer.orient.prepare` tries
the other, and the evidence decides.  One pair of places has a name, stages exchanged and reflections reversed
(`with_exchanged_stages`); others are found by drawing line ends and pump phases anew (`with_drawn_starts`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.data.digest import Digest, GroupKey
from fluxsense.data.noise_levels import NoiseLevels
from fluxsense.device.chip import ChipParameters, loop_indices, nominal_array, nominal_parameters
from fluxsense.infer.modes import FAR_BELOW, ascend, modes_without_source, near_the_best
from fluxsense.infer.offsets import GRID_PHI0
from fluxsense.model.likelihood import RatioLikelihood, every_few
from fluxsense.model.parameter import OFFSET, PUMP_PHASE, PUMP_PORT_PHASE
from fluxsense.model.priors import TAMEABLE, integrated_arrays, prior_sizes, uncertain_parameters
from fluxsense.model.problem import CampaignProblem, curvature, log_posterior
from fluxsense.model.pump_phase import port_errors
from fluxsense.model.remainder import Sizes
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

TRIED: Final = 3
"""The best places that are linearised anew whatever their heights before, which are those of the study's central values."""
MOST_PLACES: Final = 6
RELINEARISED: Final = 3
FIRM_MOVES: Final = 15
EXCHANGE_MOVES: Final = 6
EXCHANGE_GAIN: Final = 2.0
"""Log posterior by which another place has to be better."""
DRAWN_STARTS: Final = 4
REVERSED: Final = (
    "line_end", "hybrid_imbalance_db", "hybrid_phase_error_rad", "pump_port_imbalance_db", "arm_phase_rad",
)  # fmt: skip
"""Arrays whose parameters change their sign where the stages change places."""
PARTS: Final = (1.0, 0.5, 0.25, 0.1)
"""Of a firm step, tried in turn until the exact model fits no worse."""
SETTLED: Final = 0.3
"""Gain of log posterior by a move of the reference point below which it stays."""
PROMISED: Final = 10.0
"""Times this gain that the linear model may still promise after a firm step."""
COARSE: Final = 0.02
"""Gain of a step at which a climb between two moves of the reference point ends."""
LOOSE_GAIN: Final = 0.03
LOOSE: Final = Sizes(common=0.03, own=0.01)
"""Residual gain and remainder of the first fit in a set-up that is not stated: at the sweeps' own noise the straight way from
the study's central values leads to linewidths dozens of deviations off where line ends are large."""
SHARP_GAIN: Final = 0.01
"""Residual gain at least with which the likelihood decides between several places."""
RIDGE_PHI0: Final = 0.1
"""Offsets that differ by less belong to places on one ridge, along which the point of linearisation moves."""
SURE: Final = 4.0
"""Deviations of the offset (of its prior, or as sweeps settle it) that the flux of a bias must exceed for the sign of a ring's current to be
known."""
SIGN_STEP_PHI0: Final = 0.2
"""Steps in which that is looked at: a current keeps its sign over half a flux quantum at least."""
QUIET: Final = ("out", "calibration")
Place = tuple[str, tuple[int, ...]]
"""An array and a place in it."""
Errors = tuple[float, FloatArray]
"""Pump phase errors of an isolator: the device's, and those of both ports (2,)."""
Start = tuple[FloatArray, Errors | None]
"""Where a climb begins: eliminated parameters (E,), and pump phase errors, if not where they are."""


@dataclass(frozen=True)
class Reference:
    """What reference sweeps say of the isolators.

    Attributes
    ----------
    parameters : ChipParameters
        Batch of one, without a source.
    tamed : tuple of str
        Names of parameters that may be eliminated about it.
    places : ChipParameters
        Batch of the places that fit about as well, that of `parameters` first.
    """

    parameters: ChipParameters
    tamed: tuple[str, ...]
    places: ChipParameters


def reference_fit(
    study: Study, digest: Digest, signs: Sequence[int], noise: NoiseLevels, cooldowns: Sequence[str], firm: bool = False
) -> Reference:
    """Fit every isolator's reference sweeps.

    Parameters
    ----------
    study : Study
    digest : Digest
    signs : sequence of int
        Wiring of each isolator's pump ports.
    noise : NoiseLevels
    cooldowns : sequence of str
        Of the campaign.
    firm : bool
        Eliminate offsets from the first step on, where signs are known, and take firm steps (see `moved`).

    Returns
    -------
    Reference
        Isolators without reference sweeps stay at the study's central values, with nothing tamed.
    """
    at = nominal_parameters(study, cooldowns=len(cooldowns))
    arrays = {name: np.array(at[name]) for name in at}
    tamed: list[str] = []
    places: list[tuple[float, dict[Place, float]]] = [(0.0, {})]
    for i, groups in _quiet_groups(study, digest).items():
        likelihood, sharp = loose_and_sharp(
            RatioLikelihood(study, digest, signs, groups=groups, noise=noise, cooldowns=cooldowns, points=every_few), i
        )
        every_one = uncertain_parameters(study, cooldowns, [i])
        seen = {list(cooldowns).index(k.cooldown) for k in groups}
        tame = [p.name for p in every_one if p.array in TAMEABLE and (p.array != OFFSET or p.index[0] in seen)]
        known = signs_known(likelihood, i)
        if known and firm:
            likelihood = likelihood.rebuilt(tamed=tame)
        problem, x, rivals = fitted(alone(likelihood, i), firm, sharp)
        found = problem.likelihood.moved_to(problem.parameters(x[None]))
        if known or _settled(problem, i, [x, *(y for _, y in rivals)]):
            tamed += tame
        for p in every_one:
            if p.of_chip and p.home == i and p.array in found:
                if p.array not in arrays:
                    arrays[p.array] = nominal_array(study, p.array, 1)
                p.put(arrays, p.of(found[p.array]))
        offsets = [p for p in problem.unknowns.nuisances if p.array == OFFSET]
        own = [
            (fall, {(p.array, p.index): float(p.of(at[OFFSET])[0]) for p in offsets})
            for fall, at in [(0.0, problem.parameters(x[None])), *((f, problem.parameters(y[None])) for f, y in rivals)]
        ]
        both = [(a + b, values | more) for a, values in places for b, more in own]
        places = sorted(both, key=lambda place: place[0])[:MOST_PLACES]
    best = ChipParameters(arrays)
    return Reference(best, tuple(tamed), _at_places(best, [values for _, values in places]))


def loose_and_sharp(likelihood: RatioLikelihood, isolator: int) -> tuple[RatioLikelihood, RatioLikelihood]:
    """The likelihood of an isolator's sweeps with noise that forgives a point of linearisation far off, and with that to decide by."""
    study = likelihood.study
    sizes, stated = prior_sizes(study, [isolator]), study.noise.residual_gain
    unsure = sizes.common > 0
    loose = likelihood.rebuilt(
        residual_gain=max(stated, LOOSE_GAIN if unsure else SHARP_GAIN), sizes=LOOSE if unsure else None
    )
    return loose, loose.rebuilt(residual_gain=max(stated, SHARP_GAIN), sizes=sizes)


def height(loose: RatioLikelihood, sharp: RatioLikelihood, isolator: int) -> float:
    """Log posterior of an isolator's sweeps at its best fit, by the sharp likelihood."""
    problem, x, _ = fitted(alone(loose, isolator), sharp=sharp)
    return marginal(*_sharpened(problem, x, sharp))


def _at_places(best: ChipParameters, places: Sequence[dict[Place, float]]) -> ChipParameters:
    """A batch of one set of parameters, each with some numbers of its own."""
    out = {name: np.array(best.repeated(len(places))[name]) for name in best}
    for n, values in enumerate(places):
        for (array, index), value in values.items():
            out[array][(n, *index)] = value
    return ChipParameters(out)


def alone(likelihood: RatioLikelihood, isolator: int) -> CampaignProblem:
    """One isolator's sweeps, with no unknown of the source."""
    study, cooldowns = likelihood.study, likelihood.cooldowns
    unknowns = Unknowns(
        study, cooldowns, [isolator], with_source=False, leave_out=integrated_arrays(study), tamed=likelihood.tamed
    )
    return CampaignProblem(unknowns, likelihood)


def signs_known(
    likelihood: RatioLikelihood,
    isolator: int,
    about: ChipParameters | None = None,
    reach_phi0: FloatArray | None = None,
) -> bool:
    """Whether, in every cooldown, some bias makes the sign of the current in each of an isolator's rings certain.

    Parameters
    ----------
    likelihood : RatioLikelihood
    isolator : int
    about : ChipParameters, optional
        Batch of places about which the offsets may lie; the study's central values by default, before any data.
    reach_phi0 : ndarray (2,), optional
        How far from them the offsets of its loops may lie; `SURE` deviations of their priors by default.
    """
    study = likelihood.study
    at = nominal_parameters(study, cooldowns=len(likelihood.cooldowns)) if about is None else about
    for _, model, _ in likelihood.parts:
        sd = np.array([study.loops[n].sd["offset_phi0"] for n in model.loop_index[isolator]])
        reach = SURE * sd if reach_phi0 is None else reach_phi0
        # not at its ends alone: over a whole period of the ring the sign comes back
        parts = np.linspace(-1.0, 1.0, 2 * int(np.ceil(np.max(reach) / SIGN_STEP_PHI0)) + 1)
        flux = model.probe_flux(at, isolator)[:, None] + parts[:, None, None] * reach  # (B, N, P, 2)
        coupling = model.couplings_hz(at.repeated(len(parts)), isolator, flux.reshape(-1, *flux.shape[2:]))
        same = np.all(np.sign(coupling) == np.sign(coupling[0]), axis=0) & np.all(coupling != 0.0, axis=0)
        cooldown = model.probe_cooldowns(isolator)
        if not len(same) or not all(np.all(np.any(same[cooldown == n], axis=0)) for n in np.unique(cooldown)):
            return False
    return True


def _settled(problem: CampaignProblem, isolator: int, fits: Sequence[FloatArray]) -> bool:
    """Whether the sweeps settle an isolator's offsets, and the signs of its currents, well enough to eliminate them about the best of
    its fits (D,), which comes first: all lie on one ridge."""
    offsets = [n for n, p in enumerate(problem.unknowns.nuisances) if p.array == OFFSET]
    sd = np.array([problem.unknowns.nuisances[n].sd for n in offsets])
    if any(np.any(sd * np.abs(x - fits[0])[offsets] > RIDGE_PHI0) for x in fits):
        return False
    # two places that mirror each other about no flux lie as near as that, where they are not seen apart
    reach = np.maximum(SURE * _offset_sd(problem, isolator, fits[0]), GRID_PHI0)
    return signs_known(problem.likelihood, isolator, problem.parameters(np.array(fits)), reach)


def _offset_sd(problem: CampaignProblem, isolator: int, x: FloatArray) -> FloatArray:
    """Posterior standard deviations (2,) of the offsets of an isolator's loops at a fit x (D,), the largest over the cooldowns."""
    unknowns = problem.unknowns
    _, _, information = curvature(problem, x)
    variance = np.diag(np.linalg.pinv(information + unknowns.prior_curvature(x)[1], hermitian=True))
    out = np.zeros(len(unknowns.study.loops))
    for n, p in enumerate(unknowns.nuisances):
        if p.array == OFFSET:
            out[p.index[1]] = max(out[p.index[1]], p.sd * float(np.sqrt(variance[n])))
    return np.asarray(out[loop_indices(unknowns.study)[isolator]])


def _quiet_groups(study: Study, digest: Digest) -> dict[int, list[GroupKey]]:
    """Pump-on groups without the source, by isolator."""
    quiet = {s.name for s in study.states if s.kind in QUIET}
    out: dict[int, list[GroupKey]] = {}
    for i, iso in enumerate(study.isolators):
        groups = [k for k in digest if k.pump_on and k.isolator == iso.name and k.state in quiet]
        if groups:
            out[i] = groups
    return out


def fitted(
    problem: CampaignProblem, firm: bool = False, sharp: RatioLikelihood | None = None
) -> tuple[CampaignProblem, FloatArray, list[tuple[float, FloatArray]]]:
    """The problem linearised about its best fit, that fit (D,), and others (D,) with how far they lie below it.

    Of several places the likelihood with sharp noise decides, if it is given: the same sweeps, noise and frequencies.
    """
    if not problem.unknowns.size and not firm:
        return relinearised(problem, np.zeros(0)), np.zeros(0), []
    starts = [np.zeros(0)]
    if problem.unknowns.size:
        fits = modes_without_source(problem, max_steps=30)
        if not fits:
            return problem, np.zeros(problem.unknowns.size), []
        starts = [m.x for m in fits[: max(TRIED, len(near_the_best(fits)))]]
    places = [moved(problem, x, FIRM_MOVES if firm else RELINEARISED, firm) for x in starts]
    heights = [0.0]
    if len(places) > 1:
        heights = [marginal(*_sharpened(*place, sharp)) for place in places]
    best = int(np.argmax(heights))
    falls = [heights[best] - h for h in heights]
    return *places[best], [
        (f, x) for n, (f, (_, x)) in enumerate(zip(falls, places, strict=True)) if n != best and f < FAR_BELOW
    ]


def _sharpened(
    problem: CampaignProblem, x: FloatArray, sharp: RatioLikelihood | None
) -> tuple[CampaignProblem, FloatArray]:
    if sharp is None:
        return problem, x
    likelihood = sharp.rebuilt(reference=problem.likelihood.reference)
    return moved(CampaignProblem(problem.unknowns, likelihood), x, RELINEARISED)


def moved(
    problem: CampaignProblem, x: FloatArray, moves: int, firm: bool = False, kept: bool = False
) -> tuple[CampaignProblem, FloatArray]:
    """The problem linearised about the mode that x (D,) leads to, and that mode, after so many moves at most.

    A move climbs and goes on to the most probable values of what is eliminated.  Where the model bends, moves overshoot: from a
    place that is not to be left for a worse one they are cut where they make the fit worse (`marginal`); otherwise the best
    place on the way counts.  Firm moves, steps of Gauss and Newton in both together, are cut where the exact model fits worse
    (`joint`).  The ways end in different places where there are several.

    Parameters
    ----------
    problem : CampaignProblem
    x : ndarray (D,)
    moves : int
    firm : bool
    kept : bool
        x is a place that is not to be left for a worse one.
    """
    cut = firm or kept
    before = _fit(problem, x, firm) if cut else -np.inf
    best, place = before, (problem, x)
    for _ in range(moves):
        climbed = ascend(problem, x, gain=COARSE) if x.size else None
        aim = x if climbed is None else climbed.x
        problem, x, now = _step(problem, x, aim, before if cut else -np.inf, firm)
        if firm or now > best:
            best, place = now, (problem, x)
        promised = problem.likelihood.held_back(problem.parameters(x[None])) if firm else 0.0
        if (abs(now - before) < SETTLED and promised < PROMISED * SETTLED) or (kept and now < before - SETTLED):
            break
        before = now
    return place


def _between(old: ChipParameters | None, new: ChipParameters, study: Study, part: float) -> dict[str, FloatArray]:
    """Pump phase errors of one set of parameters, or so far from those of another to them."""
    found = {PUMP_PHASE: np.array(new[PUMP_PHASE]), PUMP_PORT_PHASE: port_errors(new, study)}
    if old is None:
        return found
    before = {PUMP_PHASE: old[PUMP_PHASE], PUMP_PORT_PHASE: port_errors(old, study)}
    return {name: before[name] + part * (found[name] - before[name]) for name in found}


def _fit(problem: CampaignProblem, x: FloatArray, firm: bool) -> float:
    return joint(problem, x) if firm else marginal(problem, x)


def _step(
    problem: CampaignProblem, x: FloatArray, aim: FloatArray, before: float, firm: bool
) -> tuple[CampaignProblem, FloatArray, float]:
    """The problem linearised anew on the way from x (D,) to aim, along which eliminated parameters go to their values there.

    Returned with the place (D,) and how well it fits, no worse than before if a short enough step does that.
    """
    likelihood = problem.likelihood
    goal, old = problem.parameters(aim[None]), likelihood.reference
    start, end = likelihood.values_at_reference, likelihood.eliminated_means(goal)
    for part in PARTS:
        there = x + part * (aim - x)
        values = {i: start[i] + part * (end[i] - start[i]) for i in end}
        parameters = problem.unknowns.parameters(there[None]).changed(
            **_between(old, goal, problem.unknowns.study, part)
        )
        reference = likelihood.moved_to(parameters, values)
        found = CampaignProblem(problem.unknowns, likelihood.rebuilt(reference=reference))
        now = _fit(found, there, firm)
        if now > before - SETTLED:
            break
    return found, there, now


def with_exchanged_stages(problem: CampaignProblem, x: FloatArray) -> CampaignProblem:
    """The problem about the place with stages exchanged, for each isolator whose sweeps fit better there, at the same x (D,).

    With the pump off S21 = i (R_1 + R_2)/2 and S11 = (R_1 - R_2)/2, so that what line ends do goes with the product of their
    reflections and the difference of the two stages.  What the stages deviate by exchanged and reflections reversed, with the
    imbalances between the stages, the ratios are nearly the same: there are two places, and a climb ends in that on whose side
    it began.
    """

    def starts(here: RatioLikelihood, i: int) -> list[Start]:
        return [(_exchanged(here, i), None)] if any(p.array in REVERSED for p in here.eliminated[i]) else []

    return _about_better(problem, x, starts)


def with_drawn_starts(problem: CampaignProblem, x: FloatArray, rng: np.random.Generator) -> CampaignProblem:
    """The same for places that climbs from line ends and pump phase errors drawn from their priors lead to.

    `DRAWN_STARTS` for each isolator; half of the line ends are drawn at half the prior's size, half of the phases stay.
    """

    def starts(here: RatioLikelihood, i: int) -> list[Start]:
        ends = [n for n, p in enumerate(here.eliminated[i]) if p.array == "line_end"]
        phases = problem.phases(i)
        out: list[Start] = []
        for n in range(DRAWN_STARTS if ends or phases is not None else 0):
            values = np.array(here.values_at_reference[i])
            values[ends] = (0.5 if n % 2 else 1.0) * rng.standard_normal(len(ends))
            out.append((values, phases.draw(rng) if n % 4 > 1 and phases is not None else None))
        return out

    return _about_better(problem, x, starts)


def _about_better(
    problem: CampaignProblem, x: FloatArray, starts: Callable[[RatioLikelihood, int], list[Start]]
) -> CampaignProblem:
    """The problem about the best place that climbs from an isolator's starts lead to, if it is better by `EXCHANGE_GAIN`."""
    likelihood, parameters, study = problem.likelihood, problem.parameters(x[None]), problem.unknowns.study
    values, found = dict(likelihood.values_at_reference), parameters
    for i in likelihood.eliminated:  # slopes stay as they are where nothing better is found
        found = _with_errors(found, study, i, _errors(likelihood.reference, study, i))
    for i in likelihood.eliminated:
        here = likelihood.of_isolator(i)
        tried = starts(here, i)
        best = marginal(CampaignProblem(problem.unknowns, here), x) + EXCHANGE_GAIN if tried else np.inf
        for start, phases in tried:
            reference = here.moved_to(_with_errors(parameters, study, i, phases), {i: start})
            try:
                other, height = _risen(CampaignProblem(problem.unknowns, here.rebuilt(reference=reference)), x)
            except np.linalg.LinAlgError:  # the climb went where slopes outgrow the noise by more than numbers can hold
                continue
            if height > best:
                values[i], best = other.likelihood.values_at_reference[i], height
                found = _with_errors(found, study, i, _errors(other.likelihood.reference, study, i))
    if all(values[i] is old for i, old in likelihood.values_at_reference.items()):
        return problem
    return CampaignProblem(problem.unknowns, likelihood.rebuilt(reference=likelihood.moved_to(found, values)))


def _errors(parameters: ChipParameters | None, study: Study, isolator: int) -> Errors | None:
    """An isolator's pump phase errors of one set of parameters, the ports' about the study's."""
    if parameters is None:
        return None
    own = port_errors(parameters, study) - nominal_array(study, PUMP_PORT_PHASE, 1)
    return float(parameters[PUMP_PHASE][0, isolator]), own[0, isolator]


def _with_errors(parameters: ChipParameters, study: Study, isolator: int, errors: Errors | None) -> ChipParameters:
    """One set of parameters with other pump phase errors of an isolator, if they are given."""
    if errors is None:
        return parameters
    device, port = np.array(parameters[PUMP_PHASE]), port_errors(parameters, study)
    device[0, isolator] = errors[0]
    port[0, isolator] = nominal_array(study, PUMP_PORT_PHASE, 1)[0, isolator] + errors[1]
    return parameters.changed(**{PUMP_PHASE: device, PUMP_PORT_PHASE: port})


def _risen(problem: CampaignProblem, x: FloatArray) -> tuple[CampaignProblem, float]:
    """The problem after up to `EXCHANGE_MOVES` of eliminated parameters to their most probable values at x (D,): the best of them.

    With its marginal there.  All are made: on a ridge a small gain is no sign of its end.
    """
    best, height = problem, -np.inf
    for _ in range(EXCHANGE_MOVES):
        problem = relinearised(problem, x)
        now = marginal(problem, x)
        if now > height:
            best, height = problem, now
    return best, height


def _exchanged(likelihood: RatioLikelihood, isolator: int) -> FloatArray:
    """An isolator's eliminated parameters at the reference point (E,), those of its stages exchanged and its asymmetries reversed."""
    own, values = likelihood.eliminated[isolator], likelihood.values_at_reference[isolator]
    place = {(p.array, p.index): n for n, p in enumerate(own)}
    fields = {name for stage in likelihood.study.isolators[isolator].stages for name in stage.sd}
    out = np.array(values)
    for n, p in enumerate(own):
        if p.array in REVERSED:
            out[n] = -values[n]
        elif p.array in fields:
            out[n] = values[place.get((p.array, (isolator, 1 - p.index[1])), n)]
    return out


def joint(problem: CampaignProblem, x: FloatArray) -> float:
    """Log posterior of unknowns x (D,) and the eliminated parameters at the reference point, from the exact model."""
    likelihood = problem.likelihood
    noise = 0.5 * sum(family.log_volume for family in likelihood.families)
    return float(log_posterior(problem, x[None])[0]) - likelihood.held_back(problem.parameters(x[None])) - noise


def relinearised(problem: CampaignProblem, x: FloatArray) -> CampaignProblem:
    """The problem with what it eliminates linearised about its most probable values at x (D,)."""
    reference = problem.likelihood.moved_to(problem.parameters(x[None]))
    return CampaignProblem(problem.unknowns, problem.likelihood.rebuilt(reference=reference))


def marginal(problem: CampaignProblem, x: FloatArray) -> float:
    """Log posterior at x (D,), what is eliminated integrated over, comparable between points of linearisation."""
    return float(log_posterior(problem, x[None])[0] - 0.5 * problem.likelihood.log_volume)
