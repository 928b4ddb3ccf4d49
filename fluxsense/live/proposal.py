"""What to measure next: the sweeps with the largest expected gain per second.

About a point x of the posterior the sweeps of isolator i hold the information I_i(n) about the sampled unknowns, everything else
eliminated, for numbers n of sweeps of its groups: that of the likelihood itself, settings that were not measured yet among
its groups.  With P the prior's curvature and e the root mean square angle of the direction under the covariance
(P + sum_i I_i)^-1, r more sweeps of a group that take the time t gain

    [e(n) - e(n + r)] / t

averaged over points of the posterior; or r sweeps of it and as many of the same setting in another state of the source, over the time
of both, if that is more.  Settings are the study's, those measured, and a grid of fluxes; then neighbours of the best so far.  Where several directions are left, what counts is what tells them apart: with the
difference D of the ratios predicted at two modes, C their noise, J the slopes at the second,

    d^2 = D' C^-1 D - b' (P + sum I)^-1 b,    b = J' C^-1 D

is the squared distance of the modes in units of noise once the unknowns have been fitted anew, and d^2/2 the expected log odds;
the gain per second is its growth over the time.  The time is that of the sweeps, with settling where a knob moves and the time that
a change of the source's state takes.  Proposals of one round are all in one state, so that hands are needed once.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.findings import Finding
from fluxsense.base.sphere import direction_error_rad
from fluxsense.base.streams import stream
from fluxsense.base.units import dbm_to_watt
from fluxsense.data.blocks import Blocks
from fluxsense.data.digest import Digest, GroupKey, GroupStats
from fluxsense.design.working_point import isolation_db
from fluxsense.device.chip import loop_indices, mutual_matrix_phi0_per_a
from fluxsense.live.anchor import of_isolator
from fluxsense.live.bounds import Bounds, Knobs, Neighbourhood
from fluxsense.live.current import Current
from fluxsense.model.family import Family
from fluxsense.model.parameter import OFFSET
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.pump_phase import PumpPhases
from fluxsense.report.sentences import sentences
from fluxsense.study import Setting, Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

NONE: Final = 1e-4
"""Sweeps that stand for none."""
HEAVY: Final = 0.02
"""Weight of a second mode from which telling modes apart is what counts."""
MOST_MODES: Final = 3
STEPS: Final = ((0.1, 1.5, 0.15), (0.03, 0.5, 0.05))
"""Steps of flux in Phi0, of the pump's power in dB and of its frequency in linewidths of the idlers: large ones first."""
NEW: Final = 1.05
"""Factor by which a new setting must be better than one that was measured: every setting has a flux of its own, and costs time."""
AT_ONCE: Final = 10
"""Settings looked at together."""
TOGETHER: Final = 200
"""Possible rounds whose gains are worked out at once."""
FLUXES: Final = tuple((a, b) for a in (0.5, -0.5, 0.85, -0.85) for b in (0.5, -0.5, 0.85, -0.85))
"""Fluxes of an isolator's loops at which it is looked at whatever was measured: with either sign, where circulating currents are large
and where they are steep."""
HOPEFUL: Final = 0.5
"""Part of the best gain per second that an isolator's best setting must have for its neighbours to be looked at in this round."""
WORTH: Final = 0.8
"""Part of the best gain per second that another isolator's proposal must have to stand in the same round."""
REPEATS: Final = 10
"""Sweeps of an isolator beyond the first of their group that its noise has to rest on, unless it is as stated: of the drift's covariance,
four by four, n of them tell the inverse n/(n - 5) times too large in the mean (inverse Wishart law, textbook), and without end below six."""
SIZES: Final = (1, 2, 4)
"""Numbers of sweeps that are looked at, over the fewest that make sense."""
SHARES: Final = (0.25, 0.4, 0.55, 0.7, 0.85)
SAFELY: Final = 0.96
"""A round is cut to the shares that bring the error that far below the wanted one: a cone of 400 draws is known to 3%."""
LOOKS: Final = 4
"""Times that it is looked around the best setting so far, with steps of each size, before a round is chosen."""
MOST_REPEATS: Final = 64
MOST_TIMES: Final = 1000.0
"""A gain is called no more times larger than another."""
NOTICED: Final = 25
"""A proposal is no smaller than this part of the sweeps so far."""
ENDLESS: Final = 10**4
"""Factor on the numbers of sweeps that stands for measuring without end: more, and rounding eats what does not average down."""


@dataclass(frozen=True)
class Costs:
    """What time goes to beside sweeps.

    Attributes
    ----------
    sweep_s : float
        One sweep.
    settling_s : float
        After any change of bias or pump.
    state_s : float
        A change of the source's state.
    by_hand : tuple of str
        States into or out of which only hands lead.
    """

    sweep_s: float
    settling_s: float = 0.0
    state_s: float = 0.0
    by_hand: tuple[str, ...] = ()

    @classmethod
    def checked(cls, study: Study, settling_s: float, state_s: float, by_hand: Sequence[str]) -> Costs:
        """Costs with the study's time of a sweep, and states whose names are looked at.

        Raises
        ------
        InputError
        """
        known = [s.name for s in study.states]
        for name in by_hand:
            if name not in known:
                raise InputError(
                    f'there is no state "{name}"', where=study.path.name, remedy=f"Known are: {', '.join(known)}"
                )
        return cls(study.plan.seconds_per_sweep, settling_s, state_s, tuple(by_hand))

    def of(self, keys: Sequence[tuple[GroupKey, int]], before: GroupKey | None) -> float:
        """Time for repeats of settings one after the other."""
        total = 0.0
        for key, repeats in keys:
            total += repeats * self.sweep_s
            if before is not None and key.state != before.state:
                total += self.state_s
            if before is None or _knobs(key) != _knobs(before):
                total += self.settling_s
            before = key
        return total

    def in_order(self, keys: Sequence[tuple[GroupKey, int]], before: GroupKey | None) -> list[tuple[GroupKey, int]]:
        """The same repeats, the one that is reached soonest always next; of those alike the one named first."""
        left, out = list(keys), []
        while left:
            soonest = min(left, key=lambda item: self.of([(item[0], 0)], before))
            left.remove(soonest)
            out.append(soonest)
            before = soonest[0]
        return out


def _knobs(key: GroupKey) -> tuple[object, ...]:
    return (key.bias_a, key.pump_on, *key.sort_key[4:8])


@dataclass(frozen=True)
class Proposal:
    """Sweeps to take.

    Attributes
    ----------
    key : GroupKey
    repeats : int
    seconds : float
        Settling and a change of state included, in the order of the round.
    gain_per_s : float
        Degrees, or expected log odds, per second; zero before there is an answer.
    partner : str
        State in which as many sweeps of the same setting are to follow, if that is what gains it.
    name : str
        Of the study's setting, if it is one.
    flux_phi0 : tuple of float
        Flux in the isolator's two loops, source out, as it is thought to be.
    """

    key: GroupKey
    repeats: int
    seconds: float
    gain_per_s: float
    name: str
    flux_phi0: tuple[float, float]
    partner: str = ""


@dataclass(frozen=True)
class Round:
    """Proposals that belong together: all in one state of the source.

    Attributes
    ----------
    proposals : tuple of Proposal
        In the order in which to take them.
    aim : str
        'begin', 'angle' or 'modes'.
    now, then : float
        Expected angular error in degrees, or squared distance of the modes, now and after the round.
    seconds : float
    repeat_gain_per_s : float
        Of the study's settings repeated evenly as they are.
    by_hand : bool
        Whether the source has to be moved first.
    """

    proposals: tuple[Proposal, ...]
    aim: str
    now: float = math.inf
    then: float = math.inf
    seconds: float = 0.0
    repeat_gain_per_s: float = 0.0
    by_hand: bool = False

    def reason(self, study: Study) -> Finding:
        """Why, for `report.sentences`."""
        if not self.proposals:
            return Finding("proposal: wait" if self.aim == "begin" else "proposal: nothing")
        first = self.proposals[0]
        what = describe(study, first)
        if self.aim == "begin":
            return Finding("proposal: begin", what=what)
        if first.partner:
            what += f", to be followed by as many in source state {first.partner}"
        rate = max(p.gain_per_s for p in self.proposals)
        times = min(rate / max(self.repeat_gain_per_s, 1e-3 * rate, 1e-300), MOST_TIMES)
        return Finding(
            "proposal: angle" if self.aim == "angle" else "proposal: modes", what=what, count=len(self.proposals),
            now=self.now, then=self.then, minutes=self.seconds / 60, times=times,
        )  # fmt: skip


def round_body(found: Round, study: Study) -> dict[str, object]:
    """A round as plain values, for a document."""
    lines = [b.name for b in study.bias_lines]
    return {
        "aim": found.aim,
        "why": sentences([found.reason(study)])[0],
        "by_hand": found.by_hand,
        "now": found.now,
        "then": found.then,
        "seconds": found.seconds,
        "sweeps": [
            {
                "isolator": p.key.isolator,
                "state": p.key.state,
                "cooldown": p.key.cooldown,
                "pump": "on" if p.key.pump_on else "off",
                "pump_port": p.key.pump_port,
                "pump_phase_deg": None if p.key.pump_phase_rad is None else math.degrees(p.key.pump_phase_rad),
                "pump_power_dbm": p.key.pump_power_dbm,
                "pump_frequency_hz": p.key.pump_frequency_hz,
                "bias_a": dict(zip(lines, p.key.bias_a, strict=True)),
                "repeats": p.repeats,
                "seconds": p.seconds,
                "gain_per_s": p.gain_per_s,
                "then_state": p.partner or None,
                "setting": p.name,
                "flux_phi0": list(p.flux_phi0),
            }
            for p in found.proposals
        ],
    }


def describe(study: Study, proposal: Proposal) -> str:
    """A proposal's setting in a few words."""
    key = proposal.key
    if not key.pump_on:
        return f"pump-off sweeps of isolator {key.isolator}, source state {key.state}"
    iso = study.isolator(key.isolator)
    fluxes = " and ".join(f"{s.loop} at {f:.2f} Phi0" for s, f in zip(iso.stages, proposal.flux_phi0, strict=True))
    pump = (
        f"pump port {key.pump_port}" if key.pump_port else f"pump phase {math.degrees(key.pump_phase_rad or 0):.0f} deg"
    )
    name = f' (setting "{proposal.name}")' if proposal.name else ""
    return f"isolator {key.isolator}{name} with {fluxes}, {pump}, {key.pump_power_dbm:g} dBm, source state {key.state}"


class Planner:
    """Gains of sweeps about the posterior as it stands.

    Parameters
    ----------
    current : Current
    digest : Digest
        Usable groups.
    bounds : Bounds
    costs : Costs
    seed : int
    """

    def __init__(self, current: Current, digest: Digest, bounds: Bounds, costs: Costs, seed: int) -> None:
        self._current, self._digest, self._bounds, self._costs = current, digest, bounds, costs
        self._study = current.study
        self._states = [s.name for s in self._study.states]
        self._points, self._weights, self._modes = _points(current, stream(seed, "points of a proposal", digest.sweeps))
        self._prior = [current.unknowns.prior_curvature(x)[1] for x in self._points]
        self._offsets = _offsets(current)

    # ------------------------------------------------------------ candidates

    def neighbourhood(self, isolator: int) -> Neighbourhood:
        """Where to look for an isolator's settings."""
        loops = loop_indices(self._study)[isolator]
        return Neighbourhood(self._bounds, isolator, self._offsets[loops])

    def candidates(self, isolator: int, best: Sequence[Knobs] = ()) -> list[Knobs]:
        """Knobs to look at first: the study's settings, what was measured, the best of before, the study's with the offsets taken off."""
        near = self.neighbourhood(isolator)
        stated = list(self._bounds.stated(isolator).values())
        name = self._study.isolators[isolator].name
        measured = list(dict.fromkeys(_knobs_of(k, isolator) for k in self._digest if k.isolator == name and k.pump_on))
        if self._bounds.pinned:
            return stated
        like = stated[0] if stated else measured[0]
        return self._admitted(
            [*stated, *measured, *best, *(near.corrected(k) for k in stated), *near.at_fluxes(like, FLUXES)], measured
        )

    def _around(self, knobs: Knobs, steps: tuple[float, float, float]) -> list[Knobs]:
        """Neighbours that may be proposed."""
        if self._bounds.pinned:
            return []
        step_phi0, step_db, part = steps
        stages = self._study.isolators[knobs.isolator].stages
        step_hz = part * float(np.mean([s.idler_linewidth_hz for s in stages]))
        return self._admitted(self.neighbourhood(knobs.isolator).around(knobs, step_phi0, step_db, step_hz), ())

    def _admitted(self, wanted: Iterable[Knobs], measured: Sequence[Knobs]) -> list[Knobs]:
        out: dict[Knobs, None] = {}
        for knobs in wanted:
            found = knobs if knobs in measured else self._bounds.put_inside(knobs)
            if found is not None and self._bounds.allowed(found):
                out.setdefault(found)
        return list(out)

    # ------------------------------------------------------------ gains

    def _with_candidates(self, isolator: int, knobs: Sequence[Knobs]) -> tuple[Digest, list[GroupKey]]:
        """An isolator's groups, and groups without sweeps for knobs in every state in use; and what of them may be proposed."""
        digest = of_isolator(self._study, self._digest, isolator)
        last = max(digest, key=lambda k: digest[k].last_time_s)
        template = next(g for k, g in digest.items() if k.pump_on and k.cooldown == last.cooldown)
        name = self._study.isolators[isolator].name
        groups: dict[GroupKey, GroupStats] = dict(digest)
        wanted = [
            k
            for k in digest
            if k.cooldown == last.cooldown and (not k.pump_on or self._bounds.allowed(_knobs_of(k, isolator)))
        ]
        for one in knobs:
            for state in self._states_in_use(digest):
                key = _key(one, name, state, last.cooldown)
                if key not in groups:
                    groups[key] = _none_yet(template)
                    wanted.append(key)
        return Digest(groups), wanted

    def _grown(self, isolator: int, knobs: Sequence[Knobs]) -> tuple[FloatArray, dict[GroupKey, FloatArray]]:
        """An isolator's information at each point, and what a sweep of each group adds that may be proposed, with knobs in every state.

        A few knobs at a time: with the third power of the groups looked at together grows what they have in common.
        """
        total, growth = self._grown_by(isolator, knobs[:AT_ONCE])
        for start in range(AT_ONCE, len(knobs), AT_ONCE):
            growth = self._grown_by(isolator, knobs[start : start + AT_ONCE])[1] | growth
        return total, growth

    def _grown_by(self, isolator: int, knobs: Sequence[Knobs]) -> tuple[FloatArray, dict[GroupKey, FloatArray]]:
        whole, wanted = self._with_candidates(isolator, knobs)
        part = self._current.problems[isolator]
        noise = part.likelihood.noise_for(whole)
        anchor = self._current.anchor
        problem = anchor.planned(self._study, whole, part.unknowns, noise, anchor.reference)
        phases = problem.phases(isolator)
        found = problem.slopes(np.array(self._points), phase=not problem.likelihood.magnitude)
        each = []
        for n in range(len(self._points)):
            vectors = [self._vectors(one, n, phases) for one in found]
            total, growth = problem.likelihood.by_sweeps(vectors)
            each.append(_without_phases(total, {k: growth[k] for k in wanted}, phases))
        return np.array([t for t, _ in each]), {k: np.array([g[k] for _, g in each]) for k in wanted}

    def _vectors(
        self, found: tuple[Family, ComplexArray, ComplexArray], point: int, phases: PumpPhases | None
    ) -> ComplexArray:
        """A family's slopes (D, K, 2, F) at a point; with several modes also how far the first mode's ratios lie from there;
        last, the slopes by pump phase errors that are integrated out."""
        family, stack, slopes = found
        three = stack.ndim == 5
        parts = [slopes[point][:, 0] if three else slopes[point]]
        if self._modes > 1:
            ratios = stack[:, 0] if three else stack
            parts.append((ratios[0] - ratios[point])[None])
        if phases is not None:
            parts.append(phases.split(stack[point], family, axis=0)[1::2])
        return np.ascontiguousarray(np.concatenate(parts))

    def _states_in_use(self, digest: Digest) -> list[str]:
        planned = set(self._study.plan.states) | {k.state for k in digest if k.pump_on}
        return [s for s in self._states if s in planned]

    def _error_deg(self, information: FloatArray) -> FloatArray:
        """Mean angular error over the points for the sum (..., P, D, D) of all isolators' information at each."""
        size = self._prior[0].shape[0]
        covariance = np.linalg.inv(information[..., :size, :size] + np.array(self._prior))[..., :3, :3]
        errors = direction_error_rad(np.array(self._points)[:, :3], np.asarray(covariance, dtype=np.float64))
        return np.asarray(np.degrees(errors @ np.array(self._weights)))

    def _distance(self, information: FloatArray) -> FloatArray:
        """Squared distance of the first mode from the nearest other for sums (..., P, D + 1, D + 1), once the unknowns are fitted anew."""
        others = information[..., 1 : self._modes, :, :]
        matrix = others[..., :-1, :-1] + np.array(self._prior[1 : self._modes])
        along = others[..., :-1, -1]
        fitted = np.einsum("...i,...i", along, np.linalg.solve(matrix, along[..., None])[..., 0])
        return np.asarray(np.min(others[..., -1, -1] - fitted, axis=-1))

    # ------------------------------------------------------------ the choice

    def round(self, before: GroupKey | None, best: dict[int, list[Knobs]], wanted_deg: float = 0.0) -> Round:
        """The round with the largest gain per second.

        Parameters
        ----------
        before : GroupKey or None
            What the last sweep was of.
        best : dict of int to list of Knobs
            Per isolator, knobs around which to look; those with the largest gains are put there.
        wanted_deg : float
            Angular error that is enough: no more sweeps than lead there.
        """
        measured = self._current.anchor.shape.measured
        grown = {i: self._grown(i, self.candidates(i, best.get(i, ()))) for i in measured}
        whole = np.asarray(sum(total for total, _ in grown.values()))
        found = self._looked_at({i: growth for i, (_, growth) in grown.items()}, whole, before)
        for steps in STEPS:
            for _ in range(LOOKS):
                more = {}
                for i, (_, growth) in grown.items():
                    there = {_knobs_of(k, i) for k in growth if k.pump_on}
                    tops = self._best_of(found, i, HOPEFUL * found[0].rank)
                    fresh = [k for top in tops for k in self._around(top, steps) if k not in there]
                    if fresh:
                        more[i] = {k: g for k, g in self._grown(i, fresh)[1].items() if k not in growth}
                        growth.update(more[i])
                if not more:
                    break
                found = _first_best(found + self._looked_at(more, whole, before), before)
        for i in measured:
            best[i] = self._best_of(found, i)
        chosen = self._together(found)
        if self._modes == 1 and chosen:
            chosen = self._no_more_than(chosen, whole, wanted_deg)
        then = float(self._worth(whole + np.asarray(sum(c.more for c in chosen))))
        return self._written(chosen, found, before, (float(self._worth(whole)), then))

    def _no_more_than(self, chosen: Sequence[_Candidate], whole: FloatArray, deg: float) -> list[_Candidate]:
        """As few of the sweeps, each cut by the same factor, as bring the expected error safely below what is wanted."""
        for share in SHARES:
            fewer = [c.cut(share) for c in chosen]
            if self._error_deg(whole + np.asarray(sum(c.more for c in fewer))) <= SAFELY * deg:
                return fewer
        return list(chosen)

    def _best_of(self, found: Sequence[_Candidate], isolator: int, least: float = 0.0) -> list[Knobs]:
        """An isolator's best setting, if it ranks as high as that."""
        return [c.knobs for c in found if c.isolator == isolator and c.key.pump_on and c.rank >= least][:1]

    def _worth(self, information: FloatArray) -> FloatArray:
        return self._distance(information) if self._modes > 1 else self._error_deg(information)

    def _looked_at(
        self, grown: Mapping[int, Mapping[GroupKey, FloatArray]], whole: FloatArray, before: GroupKey | None
    ) -> list[_Candidate]:
        """What sweeps gain a second, by themselves or with as many of the same setting in another state, the best first.

        A new setting tells little until it has been measured with the source and without: by steps of one state it would never be tried.
        """
        found = []
        now = float(self._worth(whole))
        for isolator, growth in grown.items():
            options: list[tuple[GroupKey, int, float, str]] = []
            more = []
            for key in growth:
                others = [replace(key, state=s) for s in self._states if s != key.state] if key.pump_on else []
                for repeats in self._repeats(key, before):
                    options.append((key, repeats, self._costs.of([(key, repeats)], before), ""))
                    more.append(repeats * growth[key])
                    for other in others:
                        if other in growth:
                            time_s = self._costs.of([(key, repeats), (other, repeats)], before)
                            options.append((key, repeats, time_s, other.state))
                            more.append(repeats * (growth[key] + growth[other]))
            best: dict[GroupKey, _Candidate] = {}
            for start in range(0, len(options), TOGETHER):
                worth = self._worth(whole + np.array(more[start : start + TOGETHER]))
                for (key, repeats, time_s, partner), value in zip(
                    options[start : start + TOGETHER], worth, strict=True
                ):
                    rate = abs(float(value) - now) / time_s
                    if key not in best or rate > best[key].gain_per_s:
                        new = key not in self._digest
                        best[key] = _Candidate(rate, isolator, key, repeats, repeats * growth[key], new, partner)
            found += list(best.values())
        return _first_best(found, before)

    def _together(self, found: Sequence[_Candidate]) -> list[_Candidate]:
        """The best, and those of other isolators in the same state that are worth about as much."""
        chosen: list[_Candidate] = []
        for c in found:
            if chosen and (c.gain_per_s < WORTH * chosen[0].gain_per_s or c.key.state != chosen[0].key.state):
                continue
            if (
                c.gain_per_s > 0
                and c.isolator not in {x.isolator for x in chosen}
                and self._isolates(c.key, c.isolator)
            ):
                chosen.append(c)
        return chosen

    def _written(
        self,
        chosen: Sequence[_Candidate],
        found: Sequence[_Candidate],
        before: GroupKey | None,
        at: tuple[float, float],
    ) -> Round:
        aim = "modes" if self._modes > 1 else "angle"
        if not chosen:
            return Round((), aim, *at)
        stated = {k: n for i in self._current.anchor.shape.measured for n, k in self._bounds.stated(i).items()}
        even = [c.gain_per_s for c in found if not c.key.pump_on or c.knobs in stated]
        by_key = {c.key: c for c in chosen}
        proposals, last = [], before
        for key, _ in self._costs.in_order([(c.key, c.repeats) for c in chosen], before):
            c = by_key[key]
            seconds = self._costs.of([(c.key, c.repeats)], last)
            name = stated.get(c.knobs, "") if c.key.pump_on else ""
            flux = self.flux_phi0(c.key, c.isolator)
            proposals.append(Proposal(c.key, c.repeats, seconds, c.gain_per_s, name, flux, c.partner))
            last = c.key
        state = chosen[0].key.state
        moved = {state, before.state} if before is not None and state != before.state else set()
        seconds = sum(p.seconds for p in proposals)
        repeated = float(np.mean(even)) if even else 0.0
        return Round(tuple(proposals), aim, *at, seconds, repeated, bool(moved & set(self._costs.by_hand)))

    def _repeats(self, key: GroupKey, before: GroupKey | None) -> list[int]:
        """Numbers of sweeps to choose from: the fewest take the time that getting there takes, and make a difference beside all so far."""
        lost = self._costs.of([(key, 0)], before)
        least = max(1 + self._digest.sweeps // NOTICED, math.ceil(lost / self._costs.sweep_s))
        return sorted({int(min(n * least, MOST_REPEATS)) for n in SIZES})

    def _isolates(self, key: GroupKey, isolator: int) -> bool:
        """Whether a setting has the isolation that the study's limits ask for."""
        wanted = self._study.limits.isolation_db
        if wanted is None or not key.pump_on:
            return True
        setting = Setting(
            "proposed", (key.isolator,), self.neighbourhood(isolator).shifted(key.bias_a, self._offsets[loop_indices(self._study)[isolator]]),
            key.pump_port, key.pump_phase_rad, float(dbm_to_watt(key.pump_power_dbm)), key.pump_frequency_hz,
        )  # fmt: skip
        return isolation_db(self._study, setting, isolator) >= wanted

    def flux_phi0(self, key: GroupKey, isolator: int) -> tuple[float, float]:
        """Flux in an isolator's loops, source out, as it is thought to be."""
        study = self._study
        loops = loop_indices(study)[isolator]
        bias = mutual_matrix_phi0_per_a(study)[loops] @ np.array(key.bias_a)
        central = np.array([study.loops[n].offset_phi0 for n in loops])
        a, b = bias + central + self._offsets[loops]
        return float(a), float(b)

    # ------------------------------------------------------------ without end

    def endless_error_deg(self, known: Sequence[str] = ()) -> float:
        """Expected angular error if all that may be set were repeated without end, some kinds of nuisances known exactly."""
        x, unknowns = self._points[0], self._current.unknowns
        total = np.array(self._prior[0])
        for i in self._current.anchor.shape.measured:
            digest, _ = self._with_candidates(i, self.candidates(i))
            endless = Digest({k: replace(g, count=ENDLESS * max(1, int(g.count))) for k, g in digest.items()})
            part = self._current.problems[i]
            # linearised elsewhere, what is eliminated would not lie along what it hides
            here = part.likelihood.moved_to(part.parameters(x[None]))
            noise = part.likelihood.noise_for(endless)
            problem = self._current.anchor.planned(self._study, endless, part.unknowns, noise, here)
            if known:
                problem = CampaignProblem(part.unknowns, problem.likelihood.rebuilt(known=known))
            total += problem.curvatures(x[None])[2][0]
        keep = [*range(3), *(c for c, n in enumerate(unknowns.nuisances, unknowns.lead) if n.group not in known)]
        covariance = np.asarray(np.linalg.inv(total[np.ix_(keep, keep)]), dtype=np.float64)
        return math.degrees(float(direction_error_rad(x[:3], covariance[:3, :3])))


@dataclass(frozen=True)
class _Candidate:
    """Sweeps looked at: gain per second (with as many in a partner's state), what they are, and what they add at each point."""

    gain_per_s: float
    isolator: int
    key: GroupKey
    repeats: int
    more: FloatArray
    new: bool
    partner: str

    @property
    def rank(self) -> float:
        return self.gain_per_s / (NEW if self.new else 1.0)

    @property
    def knobs(self) -> Knobs:
        return _knobs_of(self.key, self.isolator)

    def cut(self, share: float) -> _Candidate:
        """The same with a share of its sweeps, one at least."""
        repeats = max(1, math.ceil(share * self.repeats))
        return replace(self, repeats=repeats, more=self.more * (repeats / self.repeats))


def _first_best(found: Sequence[_Candidate], before: GroupKey | None) -> list[_Candidate]:
    """The largest gain per second first, of equal ones what the source is ready for."""
    return sorted(found, key=lambda c: (-c.rank, before is not None and c.key.state != before.state))


def _without_phases(
    total: FloatArray, growth: dict[GroupKey, FloatArray], phases: PumpPhases | None
) -> tuple[FloatArray, dict[GroupKey, FloatArray]]:
    """The same with pump phase errors of a normal prior, the last rows, eliminated."""
    if phases is None:
        return total, growth
    count = len(phases.ports)
    inner = total[-count:, -count:] + np.linalg.inv(phases.covariance)
    follow = -np.linalg.solve(inner, total[-count:, :-count]).T  # (n, C): errors by which the others are followed
    back = np.concatenate([np.eye(len(follow)), follow], axis=1)
    information = total[:-count, :-count] + total[:-count, -count:] @ follow.T
    return information, {k: back @ g @ back.T for k, g in growth.items()}


def first_round(study: Study, digest: Digest, bounds: Bounds, costs: Costs, before: GroupKey | None) -> Round:
    """What to begin with: pump off, then pump on with the source out and in, state by state; of each as many as the noise has to rest on."""
    planned = study.plan.states or tuple(s.name for s in study.states)
    cooldown = study.plan.cooldowns[-1]
    done = {k: g.count for k, g in digest.items()}
    for n, state in enumerate(planned):
        missing: list[tuple[GroupKey, int]] = []
        about: dict[GroupKey, tuple[int, str]] = {}
        for pump_on in (False, True) if n == 0 else (True,):
            wanted = _first_repeats(1 + len(planned))[n + pump_on]
            for i, name in enumerate(i.name for i in study.isolators):
                stated = bounds.stated(i)
                if not stated:
                    continue
                label, knobs = next(iter(stated.items()))
                on = _key(knobs, name, state, cooldown)
                off = GroupKey(name, False, None, None, math.nan, math.nan, knobs.bias_a, state, cooldown)
                key = on if pump_on else off
                about[key] = (i, label if pump_on else "")
                if wanted > done.get(key, 0):
                    missing.append((key, wanted - int(done.get(key, 0))))
        proposals = []
        for key, repeats in costs.in_order(missing, before):
            i, label = about[key]
            seconds = costs.of([(key, repeats)], before)
            proposals.append(Proposal(key, repeats, seconds, 0.0, label, _stated_flux(study, key, i)))
            before = key
        if proposals:
            seconds = sum(p.seconds for p in proposals)
            return Round(tuple(proposals), "begin", seconds=seconds, by_hand=state in costs.by_hand)
    return Round((), "begin")


def _first_repeats(kinds: int) -> list[int]:
    """Sweeps of each of an isolator's first kinds: together `REPEATS` beyond the first of each, the odd ones last."""
    least, more = divmod(REPEATS + kinds, kinds)
    return [least + (n >= kinds - more) for n in range(kinds)]


def _stated_flux(study: Study, key: GroupKey, isolator: int) -> tuple[float, float]:
    loops = loop_indices(study)[isolator]
    a, b = mutual_matrix_phi0_per_a(study)[loops] @ np.array(key.bias_a) + np.array(
        [study.loops[n].offset_phi0 for n in loops]
    )
    return float(a), float(b)


def _key(knobs: Knobs, name: str, state: str, cooldown: str) -> GroupKey:
    return GroupKey(
        name, True, knobs.pump_port, knobs.pump_phase_rad, knobs.pump_power_dbm, knobs.pump_frequency_hz, knobs.bias_a,
        state, cooldown,
    )  # fmt: skip


def _knobs_of(key: GroupKey, isolator: int) -> Knobs:
    return Knobs(isolator, key.bias_a, key.pump_port, key.pump_phase_rad, key.pump_power_dbm, key.pump_frequency_hz)


def _none_yet(template: GroupStats) -> GroupStats:
    """A group that has no sweep yet, on the same frequencies, now."""
    now = template.last_time_s
    middle = template.mean[1:3, template.node_index]
    return replace(template, count=NONE, blocks=Blocks.even(now, now, 1, middle))  # type: ignore[arg-type]


def _points(current: Current, rng: np.random.Generator) -> tuple[list[FloatArray], list[float], int]:
    """Points of the posterior with weights, the best draw of each heavy mode first, and how many modes those are."""
    groups, shown = current.groups, current.shown
    heavy = [m for m, mode in enumerate(groups.modes) if mode.weight >= HEAVY][:MOST_MODES] or [0]
    height = current.log_posterior
    points, weights = [], []
    for m in heavy:
        mine = shown[groups.labels == m]
        points.append(current.x[mine[int(np.argmax(height[mine]))]])
        weights.append(groups.modes[m].weight)
    if len(heavy) == 1:
        points += list(current.x[rng.choice(shown, size=2, replace=False)])
        weights = [0.5, 0.25, 0.25]
    total = sum(weights)
    return points, [w / total for w in weights], len(heavy)


def _offsets(current: Current) -> FloatArray:
    """Mean offsets (L,) of the loops in the last cooldown, beyond the study's central values."""
    study = current.study
    central = np.array([x.offset_phi0 for x in study.loops])
    out = np.zeros(len(study.loops))
    x = current.best
    for i, problem in current.problems.items():
        at = problem.likelihood.moved_to(problem.parameters(x[None]))
        loops = loop_indices(study)[i]
        out[loops] = at[OFFSET][0, -1][loops] - central[loops]
    return out
