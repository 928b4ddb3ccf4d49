"""Sweeps as they come, each judged against its repeats, in a digest that grows by one sweep in constant time.

A sweep is compared with the latest `WINDOW` sweeps of each group of its isolator (`fluxsense.data.outliers`).  While a group
is young its sweeps are held whole, so that one can be taken out, or put back, when later repeats say so; afterwards a strange
sweep is left out as it comes.  A full run screens all sweeps together, as every command does.
"""

from __future__ import annotations

import hashlib
from collections import deque
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.data.digest import HASH_BYTES, Digest, DigestBuilder, Distrusted, GroupKey
from fluxsense.data.outliers import RepeatScreen, node_values
from fluxsense.data.touchstone import Sweep

WINDOW: Final = 24
"""Latest sweeps of a group that a new one is compared with."""
HELD: Final = 12
"""Sweeps up to which a group is held whole."""


@dataclass(frozen=True)
class Taken:
    """One sweep with what the log says of it.

    Attributes
    ----------
    key : GroupKey
    sweep : Sweep
    time_s : float
        When it was taken, by the log.
    name : str
        Of its file, or what else it is called.
    identity : bytes
        At least `HASH_BYTES` that no other sweep has.
    """

    key: GroupKey
    sweep: Sweep
    time_s: float
    name: str = ""
    identity: bytes = b""

    def identified(self) -> Taken:
        """The same with an identity: a hash of setting, time and values where it has none."""
        if self.identity:
            return self
        own = hashlib.sha256(repr((self.key.as_json(), float(self.time_s))).encode())
        own.update(np.ascontiguousarray(self.sweep.s).tobytes())
        return replace(self, identity=own.digest())


@dataclass
class _Group:
    """What is remembered of one group: values of its latest sweeps by name, and all of them while it is young."""

    latest: deque[tuple[str, npt.NDArray[np.complex64]]] = field(default_factory=lambda: deque(maxlen=WINDOW))
    held: list[Taken] | None = field(default_factory=list)
    outside: set[str] = field(default_factory=set)


class Intake:
    """A digest that grows sweep by sweep, without the sweeps that do not look like their repeats.

    Attributes
    ----------
    sweeps : int
        Taken so far, those left out included.
    last_time_s : float
        Of the latest sweep by the log; NaN before the first.
    busy_s : float
        Time that has passed from sweep to sweep, in the order in which they came; a clock that is set back adds nothing.
    """

    def __init__(self) -> None:
        self._builder = DigestBuilder()
        self._groups: dict[GroupKey, _Group] = {}
        self._out: dict[str, Distrusted] = {}
        self._named: dict[str, Distrusted] = {}
        self._seen: set[bytes] = set()
        self._digest: Digest | None = None
        self.sweeps = 0
        self.last_time_s = float("nan")
        self.busy_s = 0.0

    @property
    def distrusted(self) -> tuple[Distrusted, ...]:
        """Sweeps that do not look like their repeats: those left out, then those that are only named."""
        return (*self._out.values(), *(d for name, d in self._named.items() if name not in self._out))

    @property
    def digest(self) -> Digest:
        """The digest as it stands."""
        if self._digest is None:
            self._digest = Digest(self._builder.freeze(), self.distrusted)
        return self._digest

    def holds(self, identity: bytes) -> bool:
        """Whether a sweep was taken before, counted or not."""
        return identity[:HASH_BYTES] in self._seen

    def add(self, taken: Taken) -> bool:
        """Take one sweep.

        Parameters
        ----------
        taken : Taken

        Returns
        -------
        bool
            Whether it was new; one that was taken before changes nothing.

        Raises
        ------
        InputError
            If its frequencies or values cannot be used with those of its group; nothing is changed then.
        """
        taken = taken.identified()
        if self.holds(taken.identity):
            return False
        group = self._groups.get(taken.key)
        fresh = _Group() if group is None else group
        values = node_values(taken.sweep)
        name = taken.name or taken.identity[:HASH_BYTES].hex()
        taken = replace(taken, name=name)
        self._builder.compare(taken.key, taken.sweep, name)
        before = fresh.latest.copy()
        if fresh.held is not None:
            self._count(taken)  # a fault is raised here, before anything is remembered
            fresh.held.append(taken)
        self._groups[taken.key] = fresh
        fresh.latest.append((name, values))
        try:
            self._judge(taken, counted=fresh.held is not None)
        except InputError:
            fresh.latest = before
            raise
        if fresh.held is not None and len(fresh.held) >= HELD:
            fresh.held = None
        self._seen.add(taken.identity[:HASH_BYTES])
        self.sweeps += 1
        self.busy_s += max(taken.time_s - self.last_time_s, 0.0) if self.sweeps > 1 else 0.0
        self.last_time_s = taken.time_s
        self._digest = None
        return True

    def absorb(self, digest: Digest, last_time_s: float, busy_s: float) -> None:
        """Count sweeps that were digested, and screened, elsewhere; they are compared with no others.

        Parameters
        ----------
        digest : Digest
        last_time_s : float
            Of the latest of them.
        busy_s : float
            Time that they took.

        Raises
        ------
        InputError
            A sweep is counted already, or frequencies differ.
        """
        known = {row.tobytes() for stats in digest.values() for row in stats.trace_hash}
        if known & self._seen:
            raise InputError("a digest holds sweeps that were counted before", remedy="Add every sweep once")
        self._builder.absorb(digest, dict.fromkeys(known, ""))
        self._seen |= known
        for key in digest:
            self._groups.setdefault(key, _Group()).held = None
        self.sweeps += digest.sweeps
        self.last_time_s, self.busy_s = last_time_s, self.busy_s + busy_s
        self._digest = None

    def _count(self, taken: Taken) -> None:
        self._builder.add(taken.key, taken.sweep, taken.time_s, taken.identity, taken.name)

    def _judge(self, taken: Taken, counted: bool) -> None:
        """Screen the isolator of a new sweep, and leave out or put back what that says."""
        screen = RepeatScreen()
        keys = [k for k in self._groups if k.isolator == taken.key.isolator]
        for key in keys:
            for name, values in self._groups[key].latest:
                screen.keep(key, values, name)
        found = {d.file: d for d in screen.distrusted()}
        own = found.get(taken.name)
        if not counted:
            if own is not None and own.left_out:
                self._leave_out(own, taken)
            else:
                self._count(taken)
        for key in keys:
            group = self._groups[key]
            if group.held is None:
                continue
            outside = {t.name for t in group.held if t.name in found and found[t.name].left_out}
            if outside == group.outside:
                continue
            self._builder.forget(key)
            for t in group.held:
                if t.name in outside:
                    self._leave_out(found[t.name], t)
                else:
                    self._out.pop(t.name, None)
                    self._count(t)
            group.outside = outside
        window = {name for key in keys for name, _ in self._groups[key].latest}
        self._named = {n: d for n, d in self._named.items() if n not in window}
        self._named |= {d.file: replace(d, left_out=False) for d in found.values() if d.file not in self._out}

    def _leave_out(self, found: Distrusted, taken: Taken) -> None:
        self._out[taken.name] = replace(found, left_out=True, identity=taken.identity[:HASH_BYTES].hex())
        self._groups[taken.key].outside.add(taken.name)


def usable(digest: Digest) -> Digest:
    """The groups that an answer can rest on now: pump-on ones with a pump-off one to be divided by, and those.

    Parameters
    ----------
    digest : Digest

    Returns
    -------
    Digest
        Of isolators and cooldowns that have both, on the same frequencies.
    """
    off = {(k.isolator, k.cooldown, g.frequency_hz.tobytes()) for k, g in digest.items() if not k.pump_on}
    on = {(k.isolator, k.cooldown, g.frequency_hz.tobytes()) for k, g in digest.items() if k.pump_on}
    both = on & off
    kept = {k: g for k, g in digest.items() if (k.isolator, k.cooldown, g.frequency_hz.tobytes()) in both}
    return Digest(kept, digest.distrusted)
