"""Many campaigns at once, on any executor: each study's log and traces read and inferred by itself, as the command orient does."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fluxsense.base.errors import FluxsenseError
from fluxsense.base.executors import Workers, ordered_map
from fluxsense.data.campaign import load_campaign, load_votes
from fluxsense.device.chip import check_geometry
from fluxsense.infer.orient import orient
from fluxsense.infer.orient_counts import orient_votes
from fluxsense.study import read_study


@dataclass(frozen=True)
class BatchItem:
    """What became of one campaign.

    Attributes
    ----------
    study : str
        Path of the study, as it was given.
    document : dict or None
        What `orient` writes as result.json.
    fault : str
        Why there is none; empty otherwise.
    """

    study: str
    document: dict[str, Any] | None
    fault: str = ""


def orient_each(
    studies: Iterable[str | Path],
    *,
    seed: int = 0,
    wanted_ess: float | None = None,
    executor: Workers | None = None,
) -> Iterator[BatchItem]:
    """Infer many campaigns, of traces or of directions only, in order; one that cannot be read does not stop the others.

    Parameters
    ----------
    studies : iterable of str or Path
        Paths of study files, each with its log; with a cluster, as its machines see them.
    seed : int
        Of each inference.
    wanted_ess : float, optional
        Effective samples; each study's by default.
    executor : concurrent.futures.Executor or fluxsense.base.executors.Processes, optional
        None infers here, one after the other; the results are the same.

    Yields
    ------
    BatchItem
    """
    return ordered_map(_one, [str(s) for s in studies], (seed, wanted_ess), executor=executor, batch=1)


def _one(shared: tuple[int, float | None], path: str) -> BatchItem:
    seed, wanted_ess = shared
    try:
        study = read_study(path)
        check_geometry(study)
        if study.data.kind == "direction":
            votes, data_hash = load_votes(study)
            found = orient_votes(study, votes, data_hash=data_hash, seed=seed, wanted_ess=wanted_ess)
            return BatchItem(path, found.document)
        return BatchItem(path, orient(study, load_campaign(study), seed=seed, wanted_ess=wanted_ess).document)
    except FluxsenseError as error:
        return BatchItem(path, None, str(error))
