"""When enough is enough: a wanted cone, wanted error rates, a time limit, or what cannot be reached.

A posterior says what it says whatever made its owner stop: the stopping rule depends on the data alone, so that over the prior
the 90% region holds the truth as often as without stopping (Berger and Wolpert, The Likelihood Principle (1988), from memory).
Two things would spoil that.  One is the numerical error of the cone, of which a rule that waits for a small one picks the small errors:
a stop has to stand on draws of its own, made for it alone (`Current.confirmed_cone_deg`).  The other is noise that a handful of repeats
showed and that the likelihood takes as exact: a posterior is reliable, and a stop by it allowed, once there are repeats enough
(`fluxsense.live.proposal.REPEATS`).

Source or none: Wald's test with the limits -ln(false alarm) and ln(miss) on the log Bayes factor, whose promise holds whenever it is
looked at (`fluxsense.detection.sequential`).  A cone that repeats without end of all that may be set would not reach cannot be
reached: the expected error then, with each kind of nuisance known exactly beside it, says because of what.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from fluxsense.base.errors import InputError
from fluxsense.base.findings import Finding
from fluxsense.detection.sequential import AGAINST, FOR, Limits, SequentialState
from fluxsense.live.current import Current
from fluxsense.live.proposal import Planner

KINDS: Final = ("position", "offset", "extent", "area", "tilt", "turn", "strength", "noise")
"""Kinds of nuisances that are asked whether they stand in the way."""
OTHER_MODES: Final = 0.01
"""Weight of other modes that is accepted beside the wanted cone."""
FREED: Final = 0.8
"""Part of the endless error below which knowing a kind exactly must bring it for that kind to be the reason."""
CONE_PER_ERROR: Final = math.sqrt(math.log(10.0))
"""Half-angle of a round normal cloud's 90% cone over its root mean square angle: chi-square of two degrees of freedom."""


@dataclass(frozen=True)
class Wanted:
    """What a campaign is to reach.

    Attributes
    ----------
    cone_deg : float or None
        Half-angle of the 90% cone.
    false_alarm, miss : float or None
        Error rates of the statement that there is a source, or none; both or neither.
    seconds : float or None
        Time by the log.
    """

    cone_deg: float | None = None
    false_alarm: float | None = None
    miss: float | None = None
    seconds: float | None = None

    def __post_init__(self) -> None:
        for value, words in ((self.cone_deg, "cone"), (self.seconds, "time limit")):
            if value is not None and not (math.isfinite(value) and value > 0):
                raise InputError(f"a {words} of {value:g} cannot be wanted", remedy="Give a finite number above zero")
        if self.cone_deg is not None and self.cone_deg >= 180:
            raise InputError(f"a cone of {self.cone_deg:g} degrees is the whole sphere", remedy="Give one below 180")
        if (self.false_alarm is None) != (self.miss is None):
            raise InputError(
                "only one of the two error rates is given",
                remedy="Give --false-alarm and --miss (false_alarm and miss), or neither",
            )
        _ = self.limits  # refuses rates that are none

    @property
    def limits(self) -> Limits | None:
        """Of the sequential test, if error rates are wanted."""
        if self.false_alarm is None or self.miss is None:
            return None
        return Limits.of(self.false_alarm, self.miss, "guaranteed")


@dataclass(frozen=True)
class Stop:
    """Why to stop.

    Attributes
    ----------
    kind : str
        'cone', 'source', 'no source', 'time' or 'out of reach'.
    finding : Finding
        In words.
    """

    kind: str
    finding: Finding


class Judge:
    """Says when to stop; remembers where the sequential test stands.

    Parameters
    ----------
    wanted : Wanted
    """

    def __init__(self, wanted: Wanted) -> None:
        self.wanted = wanted
        limits = wanted.limits
        self._test = None if limits is None else SequentialState(limits)

    def look(self, current: Current | None, busy_s: float) -> Stop | None:
        """Whether to stop now.

        Parameters
        ----------
        current : Current or None
        busy_s : float
            Time by the log so far.
        """
        wanted = self.wanted
        if current is not None and not current.stale:
            if self._test is not None:
                self._test = self._test.update(current.log_bayes_factor)
                if self._test.decision == FOR and wanted.cone_deg is None:
                    return Stop("source", Finding("stop: source", rate=wanted.false_alarm or 0.0))
                if self._test.decision == AGAINST:
                    return Stop("no source", Finding("stop: no source", rate=wanted.miss or 0.0))
            if wanted.cone_deg is not None and self._reached(current, wanted.cone_deg):
                return Stop("cone", Finding("stop: cone", wanted=wanted.cone_deg))
        if wanted.seconds is not None and busy_s >= wanted.seconds:
            return Stop("time", Finding("stop: time", minutes=wanted.seconds / 60))
        return None

    def _reached(self, current: Current, cone_deg: float) -> bool:
        other = 1.0 - current.groups.modes[0].weight
        if other > OTHER_MODES or current.cone_deg() > cone_deg:
            return False
        return current.confirmed_cone_deg() <= cone_deg

    def out_of_reach(self, planner: Planner) -> Stop | None:
        """Whether the wanted cone lies below what repeats without end of all that may be set would reach."""
        wanted = self.wanted.cone_deg
        if wanted is None:
            return None
        endless = CONE_PER_ERROR * planner.endless_error_deg()
        if endless <= wanted:
            return None
        freed = {kind: CONE_PER_ERROR * planner.endless_error_deg((kind,)) for kind in KINDS}
        kind = min(freed, key=lambda k: freed[k])
        if freed[kind] < FREED * endless:
            return Stop(
                "out of reach",
                Finding("stop: out of reach", wanted=wanted, endless=endless, kind=kind, then=freed[kind]),
            )
        return Stop("out of reach", Finding("stop: floor", wanted=wanted, endless=endless))
