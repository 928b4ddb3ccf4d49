"""A campaign's files to its digest: the log and every trace it names."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from fluxsense.base.errors import InputError
from fluxsense.base.executors import Workers
from fluxsense.data.counts import Votes, votes_from_rows
from fluxsense.data.digest import Digest, Distrusted, GroupKey, digest_campaign
from fluxsense.data.log import LogRow, read_log
from fluxsense.data.outliers import RepeatScreen, node_values
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
    if bare is not None and study.data.kind != "direction":
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
    study: Study, progress: Callable[[int, int], None] | None = None, executor: Workers | None = None
) -> Digest:
    """The digest of all traces that a study's log names, read in one streaming pass.

    Parameters
    ----------
    study : Study
    progress : callable, optional
        Called with (traces done, traces in all).
    executor : concurrent.futures.Executor or fluxsense.base.executors.Processes, optional
        Reads traces side by side; the result is the same.

    Returns
    -------
    Digest

    Raises
    ------
    InputError
        If the log or a trace cannot be used.
    """
    return digest_campaign(campaign_rows(study), study.log.parent, progress, executor=executor)


def load_screened(
    study: Study, progress: Callable[[int, int], None] | None = None, executor: Workers | None = None
) -> tuple[Digest, list[Distrusted]]:
    """The digest without the sweeps that do not look like their repeats, and those sweeps.

    Where there are too few repeats to leave one out, it is named all the same.

    Parameters
    ----------
    study : Study
    progress : callable, optional
        Called with (traces done, traces in all).
    executor : concurrent.futures.Executor or fluxsense.base.executors.Processes, optional
        Reads traces side by side; the result is the same.

    Returns
    -------
    Digest
    list of Distrusted
        Worst first; to be named in whatever is concluded.

    Raises
    ------
    InputError
        If the log or a trace cannot be used.
    """
    rows = campaign_rows(study)
    screen = RepeatScreen()
    digest = digest_campaign(rows, study.log.parent, progress, watch=screen.keep, look=node_values, executor=executor)
    bad = screen.distrusted()
    files = {d.file for d in bad if d.left_out}
    if not files:
        return digest, bad
    good = [r for r in rows if r.file not in files]
    return digest_campaign(good, study.log.parent, executor=executor), bad
