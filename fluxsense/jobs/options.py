"""What each job may be asked for, looked at before anything heavy is imported.

An ``...Options`` names the keywords of a job, each of which may be left out; its ``...Settings`` has the defaults and
refuses, in a sentence, what makes no sense.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, cast

from fluxsense.base.errors import InputError

if TYPE_CHECKING:
    import numpy.typing as npt

    from fluxsense.base.beside import Beside
    from fluxsense.base.executors import Workers
    from fluxsense.data.digest import Distrusted
    from fluxsense.study import Study

Progress = Callable[[str, float, str], None]

LARGEST_ANGLE_DEG = 180.0
"""No two directions are farther apart."""
LARGEST_RATE = 0.5
"""Error rate of guessing."""
MOST_ISOLATION_DB = 60.0
ENOUGH_ISOLATION_DB = 15.0
"""Isolation that a working isolator has at least (common practice, no source)."""


def whole_number(name: str, value: int, least: int) -> int:
    """A whole number, refused below what makes sense.

    Raises
    ------
    InputError
    """
    if not isinstance(value, int):
        raise InputError(f"{name} {value!r} is no whole number", remedy=f"Use a whole number from {least} up")
    if value < least:
        raise InputError(f"{name} {value} is too small", remedy=f"Use a whole number from {least} up")
    return value


def checked_seed(seed: int) -> int:
    """A seed, refused if it is negative.

    Raises
    ------
    InputError
    """
    if not isinstance(seed, int):
        raise InputError(f"the seed {seed!r} is no whole number", remedy="Use a whole number from 0 up")
    if seed < 0:
        raise InputError(f"the seed {seed} is negative", remedy="Use a whole number from 0 up")
    return seed


def positive(name: str, value: float | None, words: str) -> None:
    """Refuse a number that is given and is not finite and above zero.

    Raises
    ------
    InputError
    """
    if value is not None and not (math.isfinite(value) and value > 0):
        raise InputError(f"{value:g} is no {words}", where=name, remedy="Give a finite number above zero")


@dataclass(frozen=True)
class _Told:
    """Settings of a job that tells how far it is."""

    progress: Progress | None = None

    def say(self, what: str, share: float = 0.0, detail: str = "") -> None:
        """Tell what is being done."""
        if self.progress is not None:
            self.progress(what, share, detail)

    def counted(self, what: str) -> Callable[[int, int], None]:
        """What a reader calls with (done, in all)."""
        return lambda done, total: self.say(what, done / total, f"{done} of {total}")


@dataclass(frozen=True)
class CompareSettings:
    """What `compare` may be asked for, looked at."""

    seed: int = 0

    def __post_init__(self) -> None:
        checked_seed(self.seed)


# ---------------------------------------------------------------- simulate


class SimulateOptions(TypedDict, total=False):
    """Options of `simulate`."""

    seed: int
    truth: str | Path | None
    force: bool
    progress: Progress | None


@dataclass(frozen=True)
class SimulateSettings(_Told):
    """`SimulateOptions`, looked at."""

    seed: int = 0
    truth: str | Path | None = None
    force: bool = False

    def __post_init__(self) -> None:
        checked_seed(self.seed)


# ---------------------------------------------------------------- characterize


class CharacterizeOptions(TypedDict, total=False):
    """Options of `characterize`."""

    seed: int
    enough_db: float
    sampled: bool
    progress: Progress | None


@dataclass(frozen=True)
class CharacterizeSettings(_Told):
    """`CharacterizeOptions`, looked at."""

    seed: int = 0
    enough_db: float = ENOUGH_ISOLATION_DB
    sampled: bool = False

    def __post_init__(self) -> None:
        checked_seed(self.seed)
        if not 0 < self.enough_db <= MOST_ISOLATION_DB:
            raise InputError(f"an isolation of {self.enough_db:g} dB is not sensible", remedy="Use 1 to 60 dB")


# ---------------------------------------------------------------- orient


class OrientOptions(TypedDict, total=False):
    """Options of `orient`."""

    seed: int
    max_seconds: float | None
    wanted_ess: float | None
    progress: Progress | None
    jumping: bool
    distrusted: Sequence[Distrusted]
    chain_file: str | os.PathLike[str] | None
    helper: Beside | None


@dataclass(frozen=True)
class OrientSettings(_Told):
    """`OrientOptions`, looked at."""

    seed: int = 0
    max_seconds: float | None = None
    wanted_ess: float | None = None
    jumping: bool = True
    distrusted: Sequence[Distrusted] = ()
    chain_file: str | os.PathLike[str] | None = None
    helper: Beside | None = None

    def __post_init__(self) -> None:
        checked_seed(self.seed)
        positive("--max-time", self.max_seconds, "time limit in seconds")
        positive("--effective", self.wanted_ess, "number of effective samples")


# ---------------------------------------------------------------- follow


class FollowOptions(TypedDict, total=False):
    """Options of `follow`."""

    seed: int
    once: bool
    idle_s: float | None
    poll_s: float
    write_s: float
    report: bool
    cone_deg: float | None
    false_alarm: float | None
    miss: float | None
    seconds: float | None
    settling_s: float
    state_s: float
    by_hand: Sequence[str]
    pinned: Sequence[str]
    forbidden: Sequence[str]


@dataclass(frozen=True)
class FollowSettings:
    """`FollowOptions`, looked at.

    once: take up what is there and end; idle_s: end when nothing came for so long; poll_s: pause between two looks; write_s:
    least time between two states written; report: whether the last full run writes its page.  cone_deg, false_alarm, miss,
    seconds: what is wanted; settling_s, state_s: time that a change of a knob or of the source's state takes; by_hand: states
    that only hands lead to; pinned, forbidden: names of the study's settings.
    """

    seed: int = 0
    once: bool = False
    idle_s: float | None = None
    poll_s: float = 1.0
    write_s: float = 2.0
    report: bool = True
    cone_deg: float | None = None
    false_alarm: float | None = None
    miss: float | None = None
    seconds: float | None = None
    settling_s: float = 0.0
    state_s: float = 0.0
    by_hand: Sequence[str] = ()
    pinned: Sequence[str] = ()
    forbidden: Sequence[str] = ()

    def __post_init__(self) -> None:
        checked_seed(self.seed)
        positive("--idle", self.idle_s, "time in seconds")
        positive("--poll", self.poll_s, "time in seconds")
        positive("--cone", self.cone_deg, "half-angle of a cone in degrees")
        positive("--hours", self.seconds, "time")
        for name, value in (("--settling", self.settling_s), ("--state-change", self.state_s)):
            if not (math.isfinite(value) and value >= 0):
                raise InputError(f"{value:g} is no time in seconds", where=name, remedy="Give zero or more")


# ---------------------------------------------------------------- detect


@dataclass(frozen=True)
class Promise:
    """Error rates that the statements on the experiment are made for."""

    false_alarm: float = 0.01
    detection: float = 0.9

    def __post_init__(self) -> None:
        for name, value in (("false-alarm", self.false_alarm), ("miss", 1 - self.detection)):
            if not 0 < value < LARGEST_RATE:
                raise InputError(
                    f"the promised {name} rate is {value:g}", remedy="Give a rate between 0 and 0.5, such as 0.01"
                )


class DetectOptions(TypedDict, total=False):
    """Options of `detect`."""

    seed: int
    promise: Promise
    toward: Sequence[npt.ArrayLike]
    against: Study | str | Path | None
    simulations: int
    planned: bool
    progress: Progress | None
    executor: Workers | None


@dataclass(frozen=True)
class DetectSettings(_Told):
    """`DetectOptions`, looked at."""

    seed: int = 0
    promise: Promise = field(default_factory=Promise)
    toward: Sequence[npt.ArrayLike] = ()
    against: Study | str | Path | None = None
    simulations: int = 300
    planned: bool = False
    executor: Workers | None = None

    def __post_init__(self) -> None:
        checked_seed(self.seed)
        whole_number("--simulations", self.simulations, 0)
        for direction in self.toward:
            _refuse_no_direction(direction)


def _refuse_no_direction(direction: npt.ArrayLike) -> None:
    """Refuse what is no vector of three finite numbers, not all zero."""
    try:
        vector = [float(x) for x in cast("Iterable[float]", direction)]
    except (TypeError, ValueError):
        vector = []
    if len(vector) != 3 or not all(map(math.isfinite, vector)) or not any(vector):
        raise InputError(
            f"{direction!r} is no direction", where="toward", remedy="Give three numbers along x, y and z, not all zero"
        )


# ---------------------------------------------------------------- plan, layout


class PlanOptions(TypedDict, total=False):
    """Options of `plan`."""

    seed: int
    wanted_deg: float | None
    wanted_rate: float | None
    thorough: int
    progress: Progress | None


@dataclass(frozen=True)
class PlanSettings(_Told):
    """`PlanOptions`, looked at."""

    seed: int = 0
    wanted_deg: float | None = None
    wanted_rate: float | None = None
    thorough: int = 1

    def __post_init__(self) -> None:
        whole_number("--seed", self.seed, 0)
        whole_number("--thorough", self.thorough, 1)
        wanted, rate = self.wanted_deg, self.wanted_rate
        if wanted is not None and not (math.isfinite(wanted) and wanted > 0):
            raise InputError(f"an angular error of {wanted:g} degrees cannot be wanted", remedy="Give one above zero")
        if wanted is not None and wanted >= LARGEST_ANGLE_DEG:
            raise InputError(
                f"an angular error of {wanted:g} degrees cannot be wanted: no two directions are more than 180 degrees apart",
                remedy="Give one below 180",
            )
        if rate is not None and not 0 < rate < LARGEST_RATE:
            raise InputError(
                f"an error rate of {rate:g} cannot be wanted", remedy="Give a probability above 0 and below 0.5"
            )


class LayoutOptions(TypedDict, total=False):
    """Options of `layout`."""

    seed: int
    criterion: str
    position_known: bool
    starts: int
    steps: int
    counts: Sequence[int]
    executor: Workers | None
    progress: Progress | None


@dataclass(frozen=True)
class LayoutSettings(_Told):
    """`LayoutOptions`, looked at."""

    seed: int = 0
    criterion: str = "error"
    position_known: bool = False
    starts: int = 8
    steps: int = 1200
    counts: Sequence[int] = ()
    executor: Workers | None = None

    def __post_init__(self) -> None:
        whole_number("--seed", self.seed, 0)
        whole_number("--starts", self.starts, 1)
        whole_number("--steps", self.steps, 1)

    @property
    def known(self) -> tuple[str, ...]:
        """Kinds of nuisances taken as known in the search."""
        return ("position",) if self.position_known else ()
