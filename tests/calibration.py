"""Calibration of `orient` on simulated campaigns: a script, not a test (minutes to hours).

    python tests/calibration.py data_demo/grain/study.toml --campaigns 40

Truths are drawn from the study's priors, campaigns simulated, digested and inferred by the same code that reads a
user's files.  Printed: how often the truth lies in the 50, 90 and 95% regions with the binomial probability of so few
or so many, the uniformity of the ranks of every unknown (chi-square; Talts et al., arXiv:1804.06788), and the verdicts.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np  # noqa: E402
from scipy.stats import binom, chi2  # noqa: E402

BINS = 10


def one(path: str, seed: int, effective: float) -> dict[str, Any]:
    """Simulate and infer one campaign; returns ranks and coverage."""
    from fluxsense.infer.orient import orient
    from fluxsense.infer.unknowns import Unknowns
    from fluxsense.simulate import draw_truth, simulate_digest
    from fluxsense.study import read_study

    study = read_study(path)
    truth = draw_truth(study, seed)
    began = time.perf_counter()
    result = orient(study, simulate_digest(study, truth), seed=seed, wanted_ess=effective)
    names, _, values = result.table(400)
    p = truth.parameters
    wide = Unknowns(study, result.likelihood.cooldowns)
    true = {f"source {a}": p.source[0, n] for n, a in enumerate("xyz")}
    for n in wide.nuisances:
        true[n.name] = {
            "position": lambda i: p.position_m[0, i[0]],
            "offset": lambda i: p.offset_phi0[0, i[0], i[1]],
            "area": lambda i: p.effective_area[0, i[0]],
            "strength": lambda i: p.pump_strength[0, i[0]],
            "phase": lambda i: p.pump_phase_error_rad[0, i[0]],
        }.get(n.kind, lambda i, kind=n.kind: p.stage[kind.removeprefix("stage:")][0, i[0], i[1]])(n.index)
    return {
        "seed": seed,
        "inside": {str(k): v for k, v in result.region_contains(p.source[0]).items()},
        "rank": {name: float(np.mean(values[:, n] < true[name])) for n, name in enumerate(names)},
        "trust": result.document["verdict"]["trust"],
        "p_value": result.document["predictive_check"]["p_value"],
        "wiring": [w["pump_port_1_phase"] == ("+90 deg" if s > 0 else "-90 deg")
                   for w, s in zip(result.document["wiring"], truth.port_signs, strict=True)],
        "modes": len(result.document["modes"]),
        "seconds": time.perf_counter() - began,
        "reasons": result.document["verdict"]["reasons"],
    }  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("study")
    parser.add_argument("--campaigns", type=int, default=40)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--effective", type=float, default=1000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", metavar="FILE")
    options = parser.parse_args()
    began = time.perf_counter()
    rows = []
    with ProcessPoolExecutor(options.workers) as pool:
        jobs = [
            pool.submit(one, options.study, options.first_seed + n, options.effective) for n in range(options.campaigns)
        ]
        for n, job in enumerate(jobs, 1):
            rows.append(job.result())
            row = rows[-1]
            print(
                f"{n}/{len(jobs)} seed {row['seed']} {row['trust']} p {row['p_value']:.2g} inside {row['inside']} "
                f"{row['seconds']:.0f} s",
                file=sys.stderr, flush=True,
            )  # fmt: skip
    total = len(rows)
    print(f"{total} campaigns of {options.study}, {time.perf_counter() - began:.0f} s")
    for level in rows[0]["inside"]:
        count = sum(r["inside"][level] for r in rows)
        expected = float(level)
        tail = 2 * min(binom.cdf(count, total, expected), binom.sf(count - 1, total, expected))
        print(
            f"  truth in the {100 * expected:.0f}% region: {count} of {total} (binomial probability {min(1, tail):.2f})"
        )
    for name in rows[0]["rank"]:
        ranks = np.array([r["rank"][name] for r in rows])
        counts = np.bincount(np.minimum((ranks * BINS).astype(int), BINS - 1), minlength=BINS)
        statistic = float(np.sum((counts - total / BINS) ** 2) / (total / BINS))
        print(
            f"  rank of {name}: chi-square {statistic:.1f}, p = {chi2.sf(statistic, BINS - 1):.3f}, mean {ranks.mean():.3f}"
        )
    for trust in ("reliable", "tentative", "unusable"):
        print(f"  {trust}: {sum(r['trust'] == trust for r in rows)}")
    print(f"  wiring read right: {sum(all(r['wiring']) for r in rows)} of {total}")
    if options.json:
        with open(options.json, "w", encoding="utf-8") as stream:
            json.dump(rows, stream)
    return 0


if __name__ == "__main__":
    sys.exit(main())
