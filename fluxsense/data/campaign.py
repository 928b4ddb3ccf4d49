"""A campaign's files to its digest: the log and every trace it names."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

from fluxsense.base.errors import InputError
from fluxsense.base.executors import Workers
from fluxsense.data.counts import Votes, votes_from_rows
from fluxsense.data.digest import (
    HASH_BYTES,
    Digest,
    Distrusted,
    GroupKey,
    Told,
    digest_campaign,
    group_key,
    load,
    spare_traces,
)
from fluxsense.data.log import LogRow, Names, read_log
from fluxsense.data.log_checks import refuse_beyond_limits
from fluxsense.data.outliers import RepeatScreen, node_values
from fluxsense.data.traces import Traces
from fluxsense.study import Study, read_study


def campaign_traces(study: Study) -> Traces:
    """Where the study's traces lie: by the names that `campaign_rows` gives, below the only log's folder, or the study's."""
    folder = study.log.parent if len(study.logs) == 1 else study.folder
    return Traces(os.fspath(folder), study.form)


def campaign_rows(study: Study) -> list[LogRow]:
    """Rows of the study's log, or of its logs one after the other, validated against the study.

    Files of several logs are named relative to the study's folder, and their times are on one clock.

    Raises
    ------
    InputError
        If there is no log, or a row is wrong; every fault by its line.  If logs share a trace, or overlap in time.
    """
    rows: list[LogRow] = []
    for number, log in enumerate(study.logs):
        own = rows_on_one_clock(_rows_of(study, log), study, number)
        for other, first in _by_log(rows):
            _check_order(first, own, other)
        rows += own
    _check_files(rows, study)
    bare = next((r for r in rows if not r.file), None)
    if bare is not None and not study.data.of_counts:
        raise InputError(
            f"this sweep has no trace, only a direction, but the study's data are {study.data.kind}",
            where=bare.place,
            remedy='Name its trace, or set kind = "direction" under [data] in the study',
        )
    return rows


def rows_on_one_clock(rows: Iterable[LogRow], study: Study, number: int) -> list[LogRow]:
    """Rows of a study's log of that number as the whole campaign has them.

    Parameters
    ----------
    rows : iterable of LogRow
        As that log says them.
    study : Study
    number : int
        Of the log, from zero.

    Returns
    -------
    list of LogRow
        With the log's name, times from the common start, and files relative to where `campaign_traces` looks.
    """
    log = study.logs[number]
    name = os.path.relpath(log, study.folder)
    start = study.log_starts_s[number] if study.log_starts_s else 0.0
    below = os.path.relpath(log.parent, campaign_traces(study).folder)

    def moved(row: LogRow) -> LogRow:
        file = row.file if below == "." or not row.file else os.path.join(below, row.file)
        return replace(row, log=name, time_s=row.time_s + start, file=file)

    return [moved(row) for row in rows]


def _rows_of(study: Study, log: Path) -> list[LogRow]:
    if not log.exists():
        raise InputError(
            "there is no log of traces",
            where=str(log),
            remedy=f"Write one, or make an invented campaign with: fluxsense simulate {study.path}",
        )
    if not study.allow_outside and not Path(os.path.realpath(log)).is_relative_to(os.path.realpath(study.folder)):
        raise InputError(
            "the log lies outside the study's folder",
            where=str(log),
            remedy="Copy it into the folder, or allow it with allow_outside = true under [traces]",
        )
    return read_log(
        log,
        Names(
            isolators=[i.name for i in study.isolators],
            states=[s.name for s in study.states],
            bias_lines=[b.name for b in study.bias_lines],
        ),
        folder=log.parent,
        allow_outside=study.allow_outside,
    )


def _by_log(rows: Sequence[LogRow]) -> list[tuple[str, list[LogRow]]]:
    found: dict[str, list[LogRow]] = {}
    for row in rows:
        found.setdefault(row.log, []).append(row)
    return list(found.items())


def _check_order(first: Sequence[LogRow], second: Sequence[LogRow], name: str) -> None:
    """Time goes on from log to log: two that overlap had their clocks set back in between."""
    (a, b), (c, d) = ((min(r.time_s for r in rows), max(r.time_s for r in rows)) for rows in (first, second))
    if c <= b and a <= d:
        raise InputError(
            f"its times ({c:g} to {d:g} s) overlap those of {name} ({a:g} to {b:g} s)",
            where=second[0].log,
            remedy="One analyser does not sweep twice at a time: if the clock began anew, state under [traces] when each log "
            'began, such as log_starts = ["0 h", "26 h"]',
        )


def _check_files(rows: Sequence[LogRow], study: Study) -> None:
    """No trace stands in two logs; copies under other names are found when they are read."""
    if len(study.logs) == 1:
        return
    folder, seen = campaign_traces(study).folder, dict[str, LogRow]()
    for row in rows:
        if row.file and (other := seen.setdefault(os.path.realpath(os.path.join(folder, row.file)), row)) is not row:
            raise InputError(
                f"the trace {row.file!r} is listed already in {other.place}",
                where=row.place,
                remedy="Remove one of the rows",
            )


def load_votes(study: Study, progress: Callable[[int, int], None] | None = None) -> tuple[dict[GroupKey, Votes], str]:
    """Directions of the log's sweeps, counted per group, and the hash of what was read; see `votes_from_rows`."""
    return votes_from_rows(campaign_rows(study), campaign_traces(study), progress)


def load_campaign(
    study: Study | str | Path,
    progress: Callable[[int, int], None] | None = None,
    executor: Workers | None = None,
    *,
    former: str | os.PathLike[str] | None = None,
) -> Digest:
    """The digest of the traces that a study's log names, without the sweeps that do not look like their repeats.

    This is how every command and every script comes to its data.  Each trace is read once; of a group that loses a sweep
    the others are read again.

    Parameters
    ----------
    study : Study or path
    progress : callable, optional
        Called with (traces done, traces in all).
    executor : concurrent.futures.Executor or fluxsense.base.executors.Processes, optional
        Reads traces side by side; the result is the same.
    former : path-like, optional
        A digest's file.  If it holds or leaves out these very traces, and no others, it is the result; a damaged one, or
        one of another campaign or version, is of no account.

    Returns
    -------
    Digest
        ``distrusted`` names the sweeps unlike their repeats; where there are too few repeats to leave one out, it is kept
        and named all the same.

    Raises
    ------
    InputError
        If the log or a trace cannot be used.
    """
    study = study if isinstance(study, Study) else read_study(study)
    rows, traces = campaign_rows(study), campaign_traces(study)
    refuse_beyond_limits(rows, study)
    if former is not None and os.path.exists(former):
        with suppress(InputError):
            known = load(former)
            if _holds_just(known, rows, traces, progress):
                return known
    screen = RepeatScreen()
    whole = digest_campaign(
        rows,
        traces,
        Told(progress, screen.keep, node_values),
        executor=executor,
        spare=spare_traces(rows),
    )
    return _without(whole, screen.distrusted(), rows, traces, executor)


def load_screened(
    study: Study, progress: Callable[[int, int], None] | None = None, executor: Workers | None = None
) -> tuple[Digest, list[Distrusted]]:
    """`load_campaign` and its list of sweeps that do not look like their repeats, worst first."""
    digest = load_campaign(study, progress, executor)
    return digest, list(digest.distrusted)


def _identity(traces: Traces, file: str) -> str:
    return sha256(traces.raw(file)).digest()[:HASH_BYTES].hex()


def _holds_just(
    digest: Digest, rows: Sequence[LogRow], traces: Traces, progress: Callable[[int, int], None] | None
) -> bool:
    """Whether a digest holds or leaves out the traces of a log, each as what the log says, and no others."""
    known = {row.tobytes().hex(): key for key, stats in digest.items() for row in stats.trace_hash}
    known |= {d.identity: d.key for d in digest.left_out}
    if len(known) != len(rows):
        return False
    names = {d.file: d.identity for d in digest.distrusted}
    for n, row in enumerate(rows):
        identity = _identity(traces, row.file)
        if known.pop(identity, None) != group_key(row) or names.get(row.file, identity) != identity:
            return False
        if progress is not None:
            progress(n + 1, len(rows))
    return names.keys() <= {row.file for row in rows}


def _without(
    digest: Digest, distrusted: Sequence[Distrusted], rows: Sequence[LogRow], traces: Traces, executor: Workers | None
) -> Digest:
    """The digest without distrusted sweeps, where there are enough repeats to leave them out.

    Sums of squares of a gross outlier cannot be taken off again without loss, so its group is read once more without it.
    """
    named = [replace(d, identity=_identity(traces, d.file)) for d in distrusted]
    for d in named:
        if d.identity not in {row.tobytes().hex() for row in digest[d.key].trace_hash}:
            raise InputError(
                "the trace changed while the campaign was read",
                where=traces.path(d.file),
                remedy="Wait until nothing writes to the traces, then run it again",
            )
    gone = {d.file for d in (*named, *digest.left_out) if d.left_out}
    groups = {d.key for d in named if d.left_out}
    again = [r for r in rows if r.file not in gone and group_key(r) in groups]
    return Digest({**digest, **digest_campaign(again, traces, executor=executor)}, [*digest.distrusted, *named])
