"""A campaign's files while they are written: rows of the log and traces, each taken up once it is whole.

A trace may be listed before it exists, be half written, be listed twice or late; the log may be replaced.  A Touchstone file
has no mark at its end, so a trace counts as whole once it can be read and has not changed between two looks, and, if its
group has other frequencies, once it has been left alone for `PATIENCE_S`.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from fluxsense.base.errors import InputError
from fluxsense.data.campaign import campaign_traces, rows_on_one_clock
from fluxsense.data.digest import GroupKey, group_key
from fluxsense.data.log import LogReader, LogRow
from fluxsense.live.intake import Intake, Taken
from fluxsense.study import Study

PATIENCE_S: Final = 30.0
"""A trace that cannot be used and was left alone for so long is not waited for any more."""
QUIET_S: Final = 0.5
"""A trace that did not change for so long may be whole."""
REMEMBERED: Final = 64
"""Latest traces that are looked at once more: one that was taken too early is read again, with everything else."""

Mark = tuple[int, int]
"""Size and time of change of a file."""


@dataclass
class _Waiting:
    row: LogRow
    place: Callable[[], Path | None]
    mark: Mark | None = None
    since: float = 0.0


class Follower:
    """Takes the sweeps of a study's log as they come.

    Parameters
    ----------
    study : Study
    clock : callable, optional
        Seconds that never go back, for tests.

    Attributes
    ----------
    intake : Intake
        What was taken so far.
    restarts : int
        How often everything was read anew: the log was replaced by one in which a sweep that was taken is missing, or is
        something else; or a trace changed after it was taken.
    lost : dict of str to str
        Traces that are not waited for any more, and why.
    """

    def __init__(self, study: Study, clock: Callable[[], float] = time.monotonic) -> None:
        self.study = study
        self._clock = clock
        self._traces = campaign_traces(study)
        self._logs = [
            LogReader(
                log,
                isolators=[i.name for i in study.isolators],
                states=[s.name for s in study.states],
                bias_lines=[b.name for b in study.bias_lines],
                folder=log.parent,
                allow_outside=study.allow_outside,
            )
            for log in study.logs
        ]
        self.restarts = 0
        self._begin()

    def _begin(self) -> None:
        self.intake = Intake()
        self.lost: dict[str, str] = {}
        self._done: dict[str, GroupKey] = {}
        self._latest: deque[tuple[Path, Mark]] = deque(maxlen=REMEMBERED)
        self._waiting: dict[str, _Waiting] = {}
        self._next = [0] * len(self._logs)

    @property
    def waiting(self) -> list[str]:
        """Traces that are listed and not yet whole."""
        return list(self._waiting)

    @property
    def faults(self) -> list[str]:
        """What is wrong with rows of the log and with traces that are not waited for any more."""
        return [*(fault for log in self._logs for fault in log.faults), *self.lost.values()]

    def poll(self, *, last: bool = False) -> Iterator[Taken]:
        """Take up what is new: the sweeps, one by one, each already in `intake` when it is given.

        Parameters
        ----------
        last : bool
            Nothing more will be written: whatever is not whole now is lost.

        Raises
        ------
        InputError
            The log cannot be read at all.
        """
        replaced = [log.look(last=last) for log in self._logs]
        listed = enumerate(self._logs) if any(replaced) else ()
        now = {row.file: group_key(row) for n, log in listed for row in rows_on_one_clock(log.rows, self.study, n)}
        if (any(replaced) and any(now.get(file) != key for file, key in self._done.items())) or any(
            _changed(path, mark) for path, mark in self._latest
        ):
            self.restarts += 1
            self._begin()
        for n, log in enumerate(self._logs):
            fresh = log.rows[0 if replaced[n] else self._next[n] :]
            for given, row in zip(fresh, rows_on_one_clock(fresh, self.study, n), strict=True):
                self._list(row, partial(log.place, given))
            self._next[n] = len(log.rows)
        for name in list(self._waiting):
            taken = self._try(self._waiting[name], last)
            if taken is not None:
                yield taken

    def _list(self, row: LogRow, place: Callable[[], Path | None]) -> None:
        if not row.file:
            self.lost.setdefault(row.place, f"{row.place}: the row names no trace.")
        elif row.file in self._done:
            if self._done[row.file] != group_key(row):
                self.lost[row.file] = (
                    f"{row.place}: the trace {row.file!r} is listed twice, as two different things; the first "
                    "one holds."
                )
        elif row.file not in self._waiting and row.file not in self.lost:
            self._waiting[row.file] = _Waiting(row, place)

    def _try(self, waiting: _Waiting, last: bool) -> Taken | None:
        row = waiting.row
        try:
            path = waiting.place()
        except InputError as fault:
            self._give_up(row, str(fault))
            return None
        if path is None:
            if last:
                self._give_up(row, f"{row.place}: there is no trace {row.file!r}.")
            return None
        now, mark = self._clock(), _mark(path)
        if mark != waiting.mark:
            waiting.mark, waiting.since = mark, now
            age = time.time() - mark[1] / 1e9
            if not last and age < 10 * QUIET_S:  # what was written long ago is whole at once
                return None
        quiet = now - waiting.since
        if not last and quiet < QUIET_S and time.time() - mark[1] / 1e9 < 10 * QUIET_S:
            return None
        try:
            taken = self._read(row, path)
            fresh = taken is not None and self.intake.add(taken)
        except InputError as fault:
            if last or quiet >= PATIENCE_S:
                self._give_up(row, str(fault))
            return None
        self._done[row.file] = group_key(row)
        self._latest.append((path, mark))
        del self._waiting[row.file]
        return taken if fresh else None

    def _give_up(self, row: LogRow, why: str) -> None:
        self.lost[row.file] = why
        del self._waiting[row.file]

    def _read(self, row: LogRow, path: Path) -> Taken | None:
        raw = self._traces.raw(row.file)
        identity = hashlib.sha256(raw).digest()
        if self.intake.holds(identity):
            self.lost.setdefault(row.file, f"{path}: the trace is a copy of another one and is counted once.")
            return None
        return Taken(group_key(row), self._traces.sweep(raw, os.fspath(path)), row.time_s, row.file, identity)


def _changed(path: Path, mark: Mark) -> bool:
    try:
        return _mark(path) != mark
    except OSError:  # gone: what was read of it holds
        return False


def _mark(path: Path) -> Mark:
    about = path.stat()
    return about.st_size, about.st_mtime_ns
