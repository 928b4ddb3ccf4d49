"""Infer many campaigns side by side, on the cores of this machine or on a dask cluster.

    python examples/many_campaigns.py a/study.toml b/study.toml --workers 2
    python examples/many_campaigns.py a/study.toml b/study.toml --cluster tcp://192.0.2.1:8786

Prints one line a study, in the order given.  Each campaign has the same seed wherever it runs, so the answers do not
depend on how many workers there are.  Reading and inferring both happen in the worker: only paths and answers travel.
"""

from __future__ import annotations

import argparse
from typing import Any

from fluxsense import load_campaign, orient, read_study
from fluxsense.base.executors import Processes, ordered_map


def answer(settings: dict[str, Any], path: str) -> dict[str, Any]:
    """The document of one study's result; called in a worker."""
    study = read_study(path)
    return orient(study, load_campaign(study), **settings).document


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("studies", nargs="+")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cluster", metavar="ADDRESS", help="of a dask scheduler")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--effective", type=float, help="effective samples (default: each study's)")
    options = parser.parse_args()
    where: Any = Processes(options.workers)
    if options.cluster:
        from distributed import Client

        where = Client(options.cluster).get_executor()
    settings = {"seed": options.seed, "wanted_ess": options.effective}
    results = ordered_map(answer, options.studies, settings, executor=where, batch=1)
    for path, document in zip(options.studies, results, strict=True):
        direction, trust = document["direction"], document["verdict"]["trust"]
        print(
            f"{path}: azimuth {direction['azimuth_deg']:.1f}, elevation {direction['elevation_deg']:.1f} degrees, {trust}"
        )


if __name__ == "__main__":
    main()
