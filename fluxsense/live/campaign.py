"""The object that a laboratory's own acquisition loop talks to: sweeps in, the answer now out."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.findings import TRUST, Finding, Verdict
from fluxsense.base.sphere import angles_from_vector, antipodal_odds
from fluxsense.data.campaign import campaign_traces
from fluxsense.data.chains import settled
from fluxsense.data.digest import Digest, GroupKey
from fluxsense.data.noise_levels import drift_freedom, relative_white
from fluxsense.data.touchstone import Sweep, sweep_from_arrays
from fluxsense.device.chip import check_geometry
from fluxsense.live.anchor import Anchor, Shape
from fluxsense.live.bounds import Bounds, Knobs
from fluxsense.live.current import TOO_FEW, Current
from fluxsense.live.follower import Follower
from fluxsense.live.intake import Intake, Taken, usable
from fluxsense.live.proposal import HEAVY, REPEATS, Costs, Planner, Round, first_round
from fluxsense.live.stopping import CONE_PER_ERROR, Judge, Stop, Wanted
from fluxsense.report.live import answer_line
from fluxsense.report.sentences import sentences
from fluxsense.study import Study, read_study

if TYPE_CHECKING:
    from fluxsense.report.documents import LiveBody

FloatArray = npt.NDArray[np.float64]

WITH_SOURCE: Final = ("in", "turned")
MISFIT_DOUBTFUL: Final = 5.0
"""Standard deviations of chi-square from which the data do not look like the model."""
SEARCHED_AGAIN: Final = 5.0
"""Factor on the sweeps of the last search of the whole sphere after which a full run makes another one."""
TRIED_AGAIN: Final = 1.25
"""Factor on the sweeps after which a full run that could not be made is tried again."""


@dataclass(frozen=True)
class Moment:
    """How the answer stood at some time, for the history."""

    sweeps: int
    busy_s: float
    cone_deg: float
    misfit_sd: float


@dataclass(frozen=True)
class Answer:
    """What is known now.

    Attributes
    ----------
    sweeps : int
        Taken so far, those left out included.
    busy_s : float
        Time that they took by the log.
    verdict : Verdict
    body : dict
        Plain values: direction, regions, modes, odds, size, drift and what was left out, named as in `orient`'s document.
    """

    sweeps: int
    busy_s: float
    verdict: Verdict
    body: dict[str, Any]

    @property
    def direction(self) -> FloatArray | None:
        """Unit vector of the heaviest mode, or None while there is no answer."""
        found = self.body["direction"]
        return None if found is None else np.array(found["vector"])

    @property
    def cone_deg(self) -> float:
        """Half-angle of the cone that holds 90%; infinite while there is no answer."""
        found = [r["cone_deg"] for r in self.body["region"] if abs(r["level"] - 0.9) < 1e-9]
        return float(found[0]) if found else math.inf

    def __str__(self) -> str:
        return answer_line(cast("LiveBody", self.body), self.verdict.trust, sentences(self.verdict.reasons))


class Live:
    """A campaign while it is measured.

    Parameters
    ----------
    study : Study or path
    seed : int
        Same sweeps in the same order and the same seed, same answer.
    wanted : Wanted, optional
        What to reach: a cone, error rates, a time limit.
    bounds : Bounds, optional
        Of what is proposed; the study's limits by default.
    costs : Costs, optional
        Of time; the study's sweeps alone by default.
    here : bool
        Make full runs here, when they are due; otherwise whoever calls looks at `due`, and hands them in with `adopt`.

    Attributes
    ----------
    history : list of Moment
    stop : Stop or None
        Why it is enough, once it is.

    Examples
    --------
    >>> import fluxsense
    >>> campaign = fluxsense.Live("data_demo/grain/study.toml")  # doctest: +SKIP
    >>> campaign.add()  # what the study's log lists so far  # doctest: +SKIP
    320
    >>> print(campaign.answer)  # doctest: +SKIP
    """

    def __init__(
        self,
        study: Study | str | os.PathLike[str],
        *,
        seed: int = 0,
        wanted: Wanted | None = None,
        bounds: Bounds | None = None,
        costs: Costs | None = None,
        here: bool = True,
    ) -> None:
        self.study = settled(study if isinstance(study, Study) else read_study(Path(study)))
        if self.study.data.of_counts:
            raise InputError(
                'a campaign of which only the directions of transmission are used (kind = "direction") cannot be followed',
                where=self.study.path.name,
                remedy="Run orient on it as it grows",
            )
        check_geometry(self.study)
        self._seed, self._here = seed, here
        self._follower = Follower(self.study)
        self._intake = Intake()
        self._names = [i.name for i in self.study.isolators]
        self._states = {s.name: s.kind for s in self.study.states}
        self._current: Current | None = None
        self._tried = 0
        self._why = ""
        self._answer: Answer | None = None
        self.history: list[Moment] = []
        self.costs = Costs(self.study.plan.seconds_per_sweep) if costs is None else costs
        self.bounds = Bounds(self.study) if bounds is None else bounds
        self._judge = Judge(Wanted() if wanted is None else wanted)
        self._best: dict[int, list[Knobs]] = {}
        self._last: GroupKey | None = None
        self._round: Round | None = None
        self._asked = 0
        self._confirming = False
        self.stop: Stop | None = None

    # ------------------------------------------------------------ sweeps in

    def setting(
        self,
        isolator: str,
        state: str,
        *,
        bias_a: Mapping[str, float],
        cooldown: str = "",
        pump_port: int | None = None,
        pump_phase_deg: float | None = None,
        pump_power_dbm: float = math.nan,
        pump_frequency_hz: float = math.nan,
    ) -> GroupKey:
        """What a sweep is of; with neither port nor phase the pump is off.

        Parameters
        ----------
        isolator, state : str
            As the study names them.
        bias_a : mapping of str to float
            Current in each bias line, A; lines that are left out carry none.
        cooldown : str
            The plan's first by default.
        pump_port, pump_phase_deg, pump_power_dbm, pump_frequency_hz
            As in the log.

        Raises
        ------
        InputError
            If a name is not in the study, or the pump's numbers do not go together.
        """
        for what, name, known in (("isolator", isolator, self._names), ("state", state, list(self._states))):
            if name not in known:
                raise InputError(f'the {what} "{name}" is not in the study', remedy=f"Known are: {', '.join(known)}")
        lines = [b.name for b in self.study.bias_lines]
        if unknown := sorted(set(bias_a) - set(lines)):
            raise InputError(f'there is no bias line "{unknown[0]}"', remedy=f"Known are: {', '.join(lines)}")
        on = pump_port is not None or pump_phase_deg is not None
        if on != (math.isfinite(pump_power_dbm) and math.isfinite(pump_frequency_hz)):
            raise InputError(
                "a pump that is on needs port or phase, power and frequency; one that is off has none",
                remedy="Give all of them, or none",
            )
        return GroupKey(
            isolator, on, pump_port, None if pump_phase_deg is None else math.radians(pump_phase_deg), pump_power_dbm,
            pump_frequency_hz, tuple(float(bias_a.get(name, 0.0)) for name in lines), state,
            cooldown or self.study.plan.cooldowns[0],
        )  # fmt: skip

    def add(
        self,
        setting: GroupKey | None = None,
        sweep: Sweep | tuple[npt.ArrayLike, npt.ArrayLike] | str | os.PathLike[str] | None = None,
        *,
        time_s: float | None = None,
        name: str = "",
        last: bool = False,
    ) -> int:
        """Take up sweeps.

        Parameters
        ----------
        setting : GroupKey, optional
            What the sweep is of (`setting`); without one, what is new in the study's log and whole.
        sweep : Sweep, (frequencies, values) or path
            Arrays (F,) in Hz and (F, 2, 2) as the analyser gives them, phasors that go as exp(+j w t); or a Touchstone file.
        time_s : float, optional
            When it was taken; a sweep's duration after the one before by default.
        name : str
            What it is called in messages.
        last : bool
            Of the log: nothing more will be written.

        Returns
        -------
        int
            Sweeps that were new.

        Raises
        ------
        InputError
            If the log or the sweep cannot be used.
        """
        if setting is None:
            return self.take(list(self._follower.poll(last=last)), self._follower.intake)
        if sweep is None:
            raise InputError("a setting was given and no sweep", remedy="Give both, or neither to read the log")
        if isinstance(sweep, (str, os.PathLike)):
            found, name = campaign_traces(self.study).read(os.path.abspath(sweep)), name or os.fspath(sweep)
        elif isinstance(sweep, Sweep):
            found = sweep
        else:
            found = sweep_from_arrays(*sweep)
        before = self._intake.last_time_s
        step = self.study.plan.seconds_per_sweep
        when = time_s if time_s is not None else (before if math.isfinite(before) else 0.0) + step
        taken = Taken(setting, found, when, name).identified()
        return self.take([taken] if self._intake.add(taken) else [])

    def take(self, taken: list[Taken], intake: Intake | None = None) -> int:
        """Bring the answer up to date with sweeps that an intake (its own by default) has counted already."""
        if intake is not None:
            self._intake = intake
        if taken:
            self._grown([t.key for t in taken])
        return len(taken)

    def add_digest(self, digest: Digest, *, last_time_s: float, busy_s: float) -> int:
        """Take up sweeps that were digested elsewhere, all at once.

        Parameters
        ----------
        digest : Digest
            Of sweeps that were not added before.
        last_time_s, busy_s : float
            When the last was taken, and how long all took, what is lost between sweeps included.

        Returns
        -------
        int
            Sweeps.
        """
        self._intake.absorb(digest, last_time_s, busy_s)
        self._grown(sorted(digest, key=lambda k: digest[k].last_time_s))
        return digest.sweeps

    def _grown(self, keys: list[GroupKey]) -> None:
        """Bring the answer up to date after sweeps of some groups, in the order of time."""
        self._answer = self._round = None
        self._last = keys[-1]
        digest = usable(self._intake.digest)
        if self._current is not None and self._current.fits(digest):
            self._current.update(digest, {self._names.index(k.isolator) for k in keys})
        if self._here and self.due:
            self._run(digest)
        self._remember()
        if self.stop is None and not (self.due or (self._current is not None and not self._current.fits(digest))):
            self._look(confirmed=False)
            if self._here and self._confirming:
                self._run(digest)

    def _look(self, *, confirmed: bool) -> None:
        """Stop if it is time.

        A cone that is small enough about an older run's reference point asks for a full run, and ends the campaign if that confirms it:
        where the eliminated numbers turn out to lie elsewhere, a linearisation that is old makes cones far too small.
        """
        sound = self.answer.verdict.trust == TRUST[0]
        stop = self._judge.look(self._current if sound else None, self._intake.busy_s)
        if stop is not None and stop.kind == "cone" and not confirmed:
            self._confirming = True
        elif stop is not None:
            self.stop, self._answer = stop, None

    def _remember(self) -> None:
        now = self.answer
        if now.body["direction"] is not None:
            self.history.append(Moment(now.sweeps, now.busy_s, now.cone_deg, float(now.body["misfit_sd"])))

    # ------------------------------------------------------------ full runs

    @property
    def intake(self) -> Intake:
        """The sweeps so far."""
        return self._intake

    @property
    def follower(self) -> Follower:
        """The study's log and traces, as far as they were looked at."""
        return self._follower

    @property
    def current(self) -> Current | None:
        """The posterior now, if there is one."""
        return self._current

    @property
    def digest(self) -> Digest:
        """The sweeps that the answer can rest on."""
        return usable(self._intake.digest)

    @property
    def ready(self) -> bool:
        """Whether the sweeps so far can hold an answer: one of them with the source in, and one with the pump off."""
        return any(k.pump_on and self._states[k.state] in WITH_SOURCE for k in self.digest)

    @property
    def due(self) -> bool:
        """Whether a full run is due."""
        digest = self.digest
        if not self.ready or digest.sweeps < TRIED_AGAIN * self._tried:
            return False
        current = self._current
        if self._confirming or current is None or not current.fits(digest) or current.due(digest.sweeps):
            return True
        # a model that does not fit may be a mode that was missed: looked for anew while the sweeps grow
        return current.misfit_sd > MISFIT_DOUBTFUL and digest.sweeps >= TRIED_AGAIN * current.anchor.sweeps

    def _run(self, digest: Digest) -> None:
        current = self._current
        try:
            if not self._confirming and current and current.fits(digest) and self._trusted(current, digest):
                moved = current.anchor.moved(self.study, digest, current.places())
                if moved is not None:
                    self.adopt(moved)
                    return
            self.adopt(Anchor.fitted(self.study, digest, self._seed))
        except InputError as fault:
            self.refused(str(fault), digest.sweeps)

    @staticmethod
    def _trusted(current: Current, digest: Digest) -> bool:
        """Whether the modes that are known are enough to go on from: they fit, and the search for others is not long ago."""
        recent = digest.sweeps < SEARCHED_AGAIN * current.anchor.searched
        return recent and not current.stale and current.misfit_sd <= MISFIT_DOUBTFUL

    def refused(self, why: str, sweeps: int) -> None:
        """Take note that a full run could not be made, with so many sweeps, and why."""
        self._why, self._tried, self._answer, self._confirming = why, sweeps, None, False

    def adopt(self, anchor: Anchor) -> bool:
        """Go on from a full run.

        Returns
        -------
        bool
            Whether it is of what is measured now: isolators and cooldowns may have come since.
        """
        digest = self.digest
        if Shape.of(self.study, digest) != anchor.shape:
            return False
        self._current = Current(self.study, anchor, digest, self._seed)
        self._why, self._answer, self._round = "", None, None
        # a run that does not help is not made again with the next sweep
        self._tried = digest.sweeps if self._current.stale else 0
        if not self._here:
            self._remember()
        if self._confirming:
            self._confirming = False
            self._look(confirmed=True)
        return True

    # ------------------------------------------------------------ what next

    def propose(self) -> Round:
        """What to measure next: sweeps of one state of the source, in the order in which to take them, with why.

        The proposal stays until sweeps come.  It says nothing more once `stop` says that it is enough.
        """
        if self._round is None:
            current, digest = self._current, self.digest
            if current is None or not current.fits(digest):
                self._round = first_round(self.study, self._intake.digest, self.bounds, self.costs, self._last)
                if not self._round.proposals and current is not None:
                    self._round = Planner(current, self._fitting(current), self.bounds, self.costs, self._seed).round(
                        self._last, self._best
                    )
                return self._round
            planner = Planner(current, digest, self.bounds, self.costs, self._seed)
            wanted = self._judge.wanted.cone_deg
            self._round = planner.round(self._last, self._best, (wanted or 0.0) / CONE_PER_ERROR)
            if self._asks(digest) and self._round.aim == "angle" and not self._gets_there(self._round):
                self.stop, self._asked = self._judge.out_of_reach(planner), digest.sweeps
                self._answer = None
        return self._round

    def _fitting(self, current: Current) -> Digest:
        """The part of the digest that the last full run knows the unknowns of."""
        names = {self._names[i] for i in current.anchor.shape.measured}
        kept = {
            k: g for k, g in self.digest.items() if k.isolator in names and k.cooldown in current.anchor.shape.cooldowns
        }
        return Digest(kept)

    def _asks(self, digest: Digest) -> bool:
        """Whether it is time to ask if the wanted cone can be reached: each time that the sweeps have doubled."""
        return self.stop is None and digest.sweeps >= 2 * self._asked

    def _gets_there(self, found: Round) -> bool:
        """Whether the round brings the wanted cone near enough for nobody to ask whether it can be reached."""
        wanted = self._judge.wanted.cone_deg
        return wanted is None or CONE_PER_ERROR * found.then <= wanted

    # ------------------------------------------------------------ the answer

    @property
    def answer(self) -> Answer:
        """What is known now."""
        if self._answer is None:
            verdict, body = self._judged()
            self._answer = Answer(self._intake.sweeps, self._intake.busy_s, verdict, body)
        return self._answer

    def _judged(self) -> tuple[Verdict, dict[str, object]]:
        intake, current = self._intake, self._current
        body: dict[str, object] = {
            "sweeps": intake.sweeps,
            "busy_s": intake.busy_s,
            "left_out": [d.file for d in intake.distrusted if d.left_out],
            "kept": [d.file for d in intake.distrusted if not d.left_out],
            "direction": None,
            "region": [],
            "modes": [],
            "stop": None if self.stop is None else {"kind": self.stop.kind, "why": sentences([self.stop.finding])[0]},
        }
        if current is None:
            return Verdict.of([self._waiting()], "sound live answer"), body
        body |= _body_of(current, self.study)
        return Verdict.of(self._doubts(current), "sound live answer"), body

    def noise(self) -> dict[str, object]:
        """White noise of one sweep relative to unit transmission: as the study states it, and as each isolator's repeats show it."""
        current = self._current
        measured = {
            self._names[i]: relative_white(problem.likelihood.digest, problem.likelihood.noise)
            for i, problem in ({} if current is None else current.problems).items()
        }
        return {"stated": self.study.noise.white, "measured": measured}

    def _waiting(self) -> Finding:
        if self._why:
            return Finding("live: refused", 2, why=self._why)
        kinds = {self._states[k.state] for k in self._intake.digest if k.pump_on}
        missing = "a sweep with the pump on and the source in" if not kinds & set(WITH_SOURCE) else "a pump-off sweep"
        if self.ready:
            missing = "the first full run"
        return Finding("live: waiting", 2, missing=missing)

    def _doubts(self, current: Current) -> list[Finding]:
        found = []
        digest = self.digest
        if not current.fits(digest):
            found.append(Finding("live: other unknowns", 1))
        for isolator, freedom in drift_freedom(digest).items():
            if 0 < freedom < REPEATS:
                found.append(Finding("live: few repeats", 1, isolator=isolator, freedom=freedom, enough=REPEATS))
        if current.effective < TOO_FEW:
            found.append(Finding("live: few draws", 1, effective=current.effective))
        if current.misfit_sd > MISFIT_DOUBTFUL:
            found.append(Finding("live: misfit", 1, sd=current.misfit_sd))
        level = {"tentative": 1, "unusable": 2}.get(current.anchor.trust, 0)
        if level:
            found += [Finding("live: as of the last full run", level, text=text) for text in current.anchor.said[:3]]
        if self._why:
            found.append(Finding("live: refused", 1, why=self._why))
        return found


def _body_of(current: Current, study: Study) -> dict[str, object]:
    """The current posterior as plain values."""
    groups = current.groups
    mean, sd = current.sizes()
    odds = antipodal_odds(current.directions[current.shown], np.asarray(groups.modes[0].mean))
    sizes = current.anchor.sizes
    return {
        "direction": _direction(np.asarray(groups.modes[0].mean)),
        "region": [
            {"level": r.level, "solid_angle_sr": r.solid_angle_sr, "cone_deg": current.cone_deg(r.level)}
            for r in current.regions
        ],
        "modes": [
            {"weight": m.weight, "angular_sd_deg": math.degrees(m.angular_sd_rad), **_direction(np.asarray(m.mean))}
            for m in groups.modes
            if m.weight >= HEAVY or m is groups.modes[0]
        ],
        "antipodal_odds": odds.odds,
        "antipodal_odds_is_lower_bound": odds.opposite == 0,
        "size": {"mean": mean, "sd": sd, "unit": study.source.unit},
        "log_bayes_factor": current.log_bayes_factor,
        "misfit_sd": current.misfit_sd,
        "drift": {
            "flux_walk_phi0": sizes.flux_walk_phi0,
            "flux_flicker_phi0": sizes.flux_flicker_phi0,
            "gain_walk": sizes.gain_walk,
        },
        "effective_draws": current.effective,
        "full_run_sweeps": current.anchor.sweeps,
    }


def _direction(vector: FloatArray) -> dict[str, object]:
    azimuth, elevation = angles_from_vector(vector)
    return {
        "azimuth_deg": float(np.degrees(azimuth)),
        "elevation_deg": float(np.degrees(elevation)),
        "vector": [float(x) for x in vector],
    }
