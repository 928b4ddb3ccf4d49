"""A campaign's files to its digest: the log and every trace it names."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

from fluxsense.base.errors import InputError
from fluxsense.base.executors import Workers
from fluxsense.base.files import read_bytes
from fluxsense.data.counts import Votes, votes_from_rows
from fluxsense.data.digest import (
    HASH_BYTES,
    Digest,
    Distrusted,
    GroupKey,
    digest_campaign,
    group_key,
    load,
    spare_traces,
)
from fluxsense.data.log import LogRow, read_log
from fluxsense.data.outliers import RepeatScreen, node_values
from fluxsense.data.touchstone import FILE_LIMIT_BYTES
from fluxsense.study import Study


def campaign_rows(study: Study) -> list[LogRow]:
    """Rows of the study's log, validated against the study.

    Raises
    ------
    InputError
        If there is no log, or a row is wrong; every fault by its line.
    """
    if not study.log.exists():
        raise InputError(
            "there is no log of traces",
            where=str(study.log),
            remedy=f"Write one, or make an invented campaign with: fluxsense simulate {study.path}",
        )
    if not study.allow_outside and not Path(os.path.realpath(study.log)).is_relative_to(os.path.realpath(study.folder)):
        raise InputError(
            "the log lies outside the study's folder",
            where=str(study.log),
            remedy="Copy it into the folder, or allow it with allow_outside = true under [traces]",
        )
    rows = read_log(
        study.log,
        isolators=[i.name for i in study.isolators],
        states=[s.name for s in study.states],
        bias_lines=[b.name for b in study.bias_lines],
        folder=study.log.parent,
        allow_outside=study.allow_outside,
    )
    bare = next((r for r in rows if not r.file), None)
    if bare is not None and not study.data.of_counts:
        raise InputError(
            f"this sweep has no trace, only a direction, but the study's data are {study.data.kind}",
            where=f"{study.log}:{bare.line}",
            remedy='Name its trace, or set kind = "direction" under [data] in the study',
        )
    return rows


def load_votes(study: Study, progress: Callable[[int, int], None] | None = None) -> tuple[dict[GroupKey, Votes], str]:
    """Directions of the log's sweeps, counted per group, and the hash of what was read; see `votes_from_rows`."""
    return votes_from_rows(campaign_rows(study), study.log.parent, progress)


def load_campaign(
    study: Study,
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
    study : Study
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
    rows = campaign_rows(study)
    if former is not None and os.path.exists(former):
        with suppress(InputError):
            known = load(former)
            if _holds_just(known, rows, study.log.parent, progress):
                return known
    screen = RepeatScreen()
    whole = digest_campaign(
        rows,
        study.log.parent,
        progress,
        watch=screen.keep,
        look=node_values,
        executor=executor,
        spare=spare_traces(rows),
    )
    return _without(whole, screen.distrusted(), rows, study.log.parent, executor)


def load_screened(
    study: Study, progress: Callable[[int, int], None] | None = None, executor: Workers | None = None
) -> tuple[Digest, list[Distrusted]]:
    """`load_campaign` and its list of sweeps that do not look like their repeats, worst first."""
    digest = load_campaign(study, progress, executor)
    return digest, list(digest.distrusted)


def _identity(folder: Path, file: str) -> str:
    return sha256(read_bytes(folder / file, limit_bytes=FILE_LIMIT_BYTES, kind="trace")).digest()[:HASH_BYTES].hex()


def _holds_just(
    digest: Digest, rows: Sequence[LogRow], folder: Path, progress: Callable[[int, int], None] | None
) -> bool:
    """Whether a digest holds or leaves out the traces of a log, each as what the log says, and no others."""
    known = {row.tobytes().hex(): key for key, stats in digest.items() for row in stats.trace_hash}
    known |= {d.identity: d.key for d in digest.left_out}
    if len(known) != len(rows):
        return False
    names = {d.file: d.identity for d in digest.distrusted}
    for n, row in enumerate(rows):
        identity = _identity(folder, row.file)
        if known.pop(identity, None) != group_key(row) or names.get(row.file, identity) != identity:
            return False
        if progress is not None:
            progress(n + 1, len(rows))
    return names.keys() <= {row.file for row in rows}


def _without(
    digest: Digest, distrusted: Sequence[Distrusted], rows: Sequence[LogRow], folder: Path, executor: Workers | None
) -> Digest:
    """The digest without distrusted sweeps, where there are enough repeats to leave them out.

    Sums of squares of a gross outlier cannot be taken off again without loss, so its group is read once more without it.
    """
    named = [replace(d, identity=_identity(folder, d.file)) for d in distrusted]
    for d in named:
        if d.identity not in {row.tobytes().hex() for row in digest[d.key].trace_hash}:
            raise InputError(
                "the trace changed while the campaign was read",
                where=str(folder / d.file),
                remedy="Wait until nothing writes to the traces, then run it again",
            )
    gone = {d.file for d in (*named, *digest.left_out) if d.left_out}
    groups = {d.key for d in named if d.left_out}
    again = [r for r in rows if r.file not in gone and group_key(r) in groups]
    return Digest({**digest, **digest_campaign(again, folder, executor=executor)}, [*digest.distrusted, *named])
