"""Which way each sweep transmits, counted per group: all that direction-only inference needs of a campaign.

The log may say it outright, in a column ``transmits`` with 21 or 12 (a latching ring read by a detector at either port);
otherwise it is read from the traces: S21 and S12, each over the pump-off mean of its path, so that line gains drop out.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxsense.base.errors import InputError
from fluxsense.data.digest import Digest, DigestBuilder, GroupKey, group_key, off_group_for
from fluxsense.data.log import LogRow
from fluxsense.data.touchstone import Sweep
from fluxsense.data.traces import Traces


@dataclass(frozen=True)
class Votes:
    """Sweeps of one group that transmitted from port 1 to 2 (S21 the larger), and those there are."""

    forward: int
    count: int


def transmits_forward(sweep: Sweep, off_power: NDArray[np.float64]) -> bool:
    """Whether S21 over its pump-off trace carries more power over the sweep than S12 over its own.

    Over the pump-off powers P21, P12 the lines' gains drop out.  Where two detuned modes pass next to nothing with the pump
    off, that alone would decide: a point whose sqrt(P21 P12) lies below the median counts in proportion to it.

    Parameters
    ----------
    sweep : Sweep
    off_power : ndarray, shape (2, F)
        Squared modulus of the pump-off mean of S21 and S12.
    """
    power = np.abs(np.stack([sweep.s[:, 1, 0], sweep.s[:, 0, 1]])) ** 2
    passed = np.sqrt(off_power[0] * off_power[1])
    share = np.sum(power / off_power * np.minimum(passed / np.median(passed), 1.0), axis=1)
    return bool(share[0] > share[1])


def votes_from_rows(
    rows: Sequence[LogRow], place: Traces | str | os.PathLike[str], progress: Callable[[int, int], None] | None = None
) -> tuple[dict[GroupKey, Votes], str]:
    """Directions of a log's pump-on sweeps, counted per group.

    Parameters
    ----------
    rows : sequence of LogRow
    place : Traces or path-like
        Where the traces lie; a folder stands for Touchstone files in it.
    progress : callable, optional
        Called with (sweeps done, sweeps in all).

    Returns
    -------
    dict of GroupKey to Votes
        In the order of the keys.
    str
        Hash of the campaign: of what the rows say and of the traces read.

    Raises
    ------
    InputError
        A trace cannot be read; a sweep says no direction and has no trace; the pump-off traces for it are missing.
    """
    traces = Traces.of(place)
    on = [row for row in rows if row.pump_on]
    if not on:
        raise InputError("the log has no sweep with the pump on", remedy="Record pump-on sweeps")
    counted: dict[GroupKey, list[int]] = {}
    marks: list[str] = []
    read = [row for row in on if row.transmits is None]
    off_digest = Digest()
    if read:
        builder = DigestBuilder()
        for row in rows:
            if not row.pump_on:
                raw = traces.raw(row.file)
                identity = hashlib.sha256(raw).digest()
                builder.add(group_key(row), traces.sweep(raw, row.file), row.time_s, identity, where=row.file)
                marks.append(identity.hex())
        off_digest = builder.freeze()
    powers: dict[GroupKey, NDArray[np.float64]] = {}
    for done, row in enumerate(on, 1):
        key = group_key(row)
        if row.transmits is None:
            if key not in powers:
                off = off_digest[off_group_for(key, off_digest, first=(key.state,))]
                powers[key] = np.abs(off.mean[[1, 2]]) ** 2
            raw = traces.raw(row.file)
            sweep = traces.sweep(raw, row.file)
            if sweep.frequency_hz.size != powers[key].shape[1]:
                raise InputError(
                    "the trace has other frequencies than its pump-off traces",
                    where=row.file,
                    remedy="Sweep both over the same frequencies",
                )
            forward = transmits_forward(sweep, powers[key])
            marks.append(hashlib.sha256(raw).hexdigest())
        else:
            forward = row.transmits == "21"
            marks.append(f"{key.describe()} {row.repeat} {row.transmits}")
        tally = counted.setdefault(key, [0, 0])
        tally[0] += forward
        tally[1] += 1
        if progress is not None:
            progress(done, len(on))
    return _frozen(counted), hashlib.sha256("\n".join(sorted(marks)).encode()).hexdigest()


def _frozen(counted: Mapping[GroupKey, Sequence[int]]) -> dict[GroupKey, Votes]:
    return {key: Votes(int(counted[key][0]), int(counted[key][1])) for key in sorted(counted)}
