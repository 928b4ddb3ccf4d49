"""Campaigns of the outside simulator through the search alone: spread, distance of the truth and misfit, a line a campaign.

    python tests/validation/pump_off.py ROWS.jsonl grain_turned:201:ordinary field_four:202:ordinary:touched

For comparing two versions: run it in the tree of each, on the same campaigns (chip, seed, effect).  `touched`: somebody moved a
cable while the source was changed, 3% and 5 degrees in every path of every isolator, half as much again along the sweep.
`from-truth`: the search is given the truth to start from, a quarter of the time.  `off-out-only`: pump-off sweeps count with the
source out only, as if no others had been taken.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "outside")]

import laboratory  # noqa: E402
import numpy as np  # noqa: E402
import outside_laboratory  # noqa: E402

from fluxsense import load_screened, read_study  # noqa: E402
from fluxsense.base.streams import stream  # noqa: E402
from fluxsense.data.digest import Digest  # noqa: E402
from fluxsense.infer import orient as search  # noqa: E402
from fluxsense.infer.modes import ascend  # noqa: E402

MEASURED = outside_laboratory.measured


def touched(seed: int) -> Any:
    """`outside_laboratory.measured` with another gain of the lines in every state but the first."""
    rng = np.random.default_rng([seed, 77])
    found: dict[tuple[int, int], list[np.ndarray]] = {}

    def measured(world: Any, sweep: Any, drifts: Any, noise: np.random.Generator) -> np.ndarray:
        s = MEASURED(world, sweep, drifts, noise)
        place = sweep.group.state, sweep.group.isolator
        if place not in found:
            sizes = (0.03, np.radians(5), 0.015, np.radians(2.5))
            found[place] = [size * rng.choice([-1.0, 1.0], size=(2, 2)) for size in sizes]
        if sweep.group.state == 0:
            return np.asarray(s)
        gain, phase, slope, turn = found[place]
        x = np.linspace(-1, 1, s.shape[0])[:, None, None]
        return np.asarray(s * (1 + gain + slope * x) * np.exp(1j * (phase + turn * x)))

    return measured


def row_of(case: str) -> dict[str, Any]:
    """One campaign; chi is the distance of the truth's vector from the mode in root mean square spreads."""
    chip, number, effect, *how = case.split(":")
    seed = int(number)
    outside_laboratory.measured = touched(seed) if "touched" in how else MEASURED
    with tempfile.TemporaryDirectory() as folder:
        path, world = laboratory.measure(chip, effect, "usual", seed, 1.0, Path(folder))
        study = read_study(path)
        digest, _ = load_screened(study)
    if "off-out-only" in how:
        empty = {s.name for s in study.states if s.kind == "out"}
        digest = Digest({k: v for k, v in digest.items() if k.pump_on or k.state in empty})
    truth = np.ravel(world.truth.source) / study.source.size

    def near_truth(problem: Any, *_: Any, **__: Any) -> list[Any]:
        x = np.zeros(problem.unknowns.size)
        x[:3] = truth
        mode = ascend(problem, x)
        return [] if mode is None else [mode]

    if "from-truth" in how:
        search.find_modes = near_truth
    began = time.process_time()
    problem, modes, _ = search.prepare(study, digest, rng=stream(seed, "search"))
    x, covariance = modes[0].x, modes[0].covariance[:3, :3]
    unit = x[:3] / np.linalg.norm(x[:3])
    plane = (np.eye(3) - np.outer(unit, unit)) / np.linalg.norm(x[:3])
    off = x[:3] - truth
    return {
        "case": case,
        "sd_deg": float(np.degrees(np.sqrt(np.trace(plane @ covariance @ plane.T)))),
        "chi": float(np.sqrt(off @ np.linalg.solve(covariance, off) / 3)),
        "misfit": search.misfit_deviations(problem, x),
        "sizes": {k: float(v) for k, v in vars(problem.likelihood.sizes).items()},
        "seconds": time.process_time() - began,
    }


if __name__ == "__main__":
    with Path(sys.argv[1]).open("a", encoding="utf-8") as out:
        for one in sys.argv[2:]:
            row = row_of(one)
            out.write(json.dumps(row) + "\n")
            out.flush()
            print({k: round(v, 3) if isinstance(v, float) else v for k, v in row.items()}, flush=True)
