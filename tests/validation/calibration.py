"""Calibration of `orient` on simulated campaigns: a script, not a test (minutes to hours).

    python tests/validation/calibration.py complex --campaigns 400
    python tests/validation/calibration.py data_demo/grain/study.toml --campaigns 40

Instead of a study file, one of the kinds complex, magnitude, direction and dipole names an invented small study of
`tests/validation/calibration_studies.py`.  Truths are drawn from the study's priors, campaigns simulated, digested and inferred by
the same code that reads a user's files.  Printed: how often the truth lies in the 50, 90 and 95% regions with the
binomial probability of so few or so many; the uniformity of the ranks of every unknown (chi-square with ten bins; Talts
et al., arXiv:1804.06788); over all unknowns together, mean and spread of the ranks (Student's t over campaigns); the same
test for posteriors widened by 20%, narrowed by 20% and shifted by 0.1 standard deviations, which it must reject; the
verdicts.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np  # noqa: E402
from calibration_studies import KINDS, calibration_study  # noqa: E402
from scipy.stats import binom, chi2, ttest_1samp  # noqa: E402

from fluxsense.base.executors import Processes, ordered_map  # noqa: E402

BINS = 10
REJECTED = 0.005
CONTROLS = {"as it is": (1.0, 0.0), "widened 20%": (1.2, 0.0), "narrowed 20%": (0.8, 0.0), "shifted 0.1 sd": (1.0, 0.1)}


def one(name: str, seed: int, effective: float | None) -> dict[str, Any]:
    """Simulate and infer one campaign; returns ranks and coverage."""
    from fluxsense.data.counts import votes_from_rows
    from fluxsense.jobs.orient import orient
    from fluxsense.jobs.orient_counts import orient_votes
    from fluxsense.jobs.simulate import draw_truth, simulate_digest, simulate_directions
    from fluxsense.model.parameter import NOISE_SCALE, WRONG_WAY_RATE
    from fluxsense.model.unknowns import Unknowns
    from fluxsense.study import read_study

    if name in KINDS:
        with tempfile.TemporaryDirectory() as folder:
            study = calibration_study(name, Path(folder))
    else:
        study = read_study(name)
    truth = draw_truth(study, seed)
    began = time.perf_counter()
    if study.data.kind == "direction":
        votes, _ = votes_from_rows(simulate_directions(study, truth), ".")
        result: Any = orient_votes(study, votes, seed=seed, wanted_ess=effective)
    else:
        result = orient(study, simulate_digest(study, truth), seed=seed, wanted_ess=effective)
    names, _, values = result.table(400)
    p = truth.parameters
    wide = Unknowns(study, study.plan.cooldowns)
    true = {f"source {a}": p["source"][0, n] for n, a in enumerate("xyz")}
    own = {NOISE_SCALE: truth.noise_scale, WRONG_WAY_RATE: truth.wrong_way}
    for n in wide.nuisances:
        true[n.name] = n.of(p[n.array])[0] if n.of_chip else own[n.array]
    centre, sd = values.mean(axis=0), values.std(axis=0)
    return {
        "seed": seed,
        "inside": {str(k): v for k, v in result.region_contains(p["source"][0]).items()},
        "rank": {
            control: {
                label: float(np.mean(centre[n] + stretch * (values[:, n] - centre[n]) + shift * sd[n] < true[label]))
                for n, label in enumerate(names)
            }
            for control, (stretch, shift) in CONTROLS.items()
        },
        "trust": result.document["verdict"]["trust"],
        "p_value": result.document["predictive_check"]["p_value"],
        "wiring": [w["pump_port_1_phase"] == ("+90 deg" if s > 0 else "-90 deg")
                   for w, s in zip(result.document["wiring"], truth.port_signs, strict=True)],
        "modes": len(result.document["modes"]),
        "seconds": time.perf_counter() - began,
        "reasons": result.document["verdict"]["reasons"],
    }  # fmt: skip


def campaign_of(shared: tuple[str, float | None], seed: int) -> dict[str, Any]:
    """`one`, as `ordered_map` calls it."""
    return one(shared[0], seed, shared[1])


def uniformity(ranks: np.ndarray) -> tuple[float, float]:
    """Chi-square of ranks (N,) in ten bins, and the probability of a larger one."""
    counts = np.bincount(np.minimum((ranks * BINS).astype(int), BINS - 1), minlength=BINS)
    statistic = float(np.sum((counts - ranks.size / BINS) ** 2) / (ranks.size / BINS))
    return statistic, float(chi2.sf(statistic, BINS - 1))


def rank_test(rows: list[dict[str, Any]], control: str) -> tuple[dict[str, float], float, float]:
    """Probability per unknown, and those of the mean and of the spread of all ranks together."""
    labels = list(rows[0]["rank"][control])
    table = np.array([[r["rank"][control][label] for label in labels] for r in rows])
    each = {label: uniformity(table[:, n])[1] for n, label in enumerate(labels)}
    middle = float(ttest_1samp((table - 0.5).mean(axis=1), 0.0).pvalue)
    spread = float(ttest_1samp(((table - 0.5) ** 2).mean(axis=1), 1 / 12).pvalue)
    return each, middle, spread


def print_table(name: str, rows: list[dict[str, Any]], seconds: float) -> bool:
    """Print what the campaigns say; returns whether everything is as it should be."""
    total = len(rows)
    print(f"{total} campaigns of {name}, {seconds:.0f} s ({np.mean([r['seconds'] for r in rows]):.1f} s each)")
    sound = True
    for level in rows[0]["inside"]:
        count = sum(r["inside"][level] for r in rows)
        expected = float(level)
        tail = min(1.0, 2 * min(binom.cdf(count, total, expected), binom.sf(count - 1, total, expected)))
        sound &= tail > REJECTED
        print(f"  truth in the {100 * expected:.0f}% region: {count} of {total} (binomial probability {tail:.2f})")
    for control in CONTROLS:
        each, middle, spread = rank_test(rows, control)
        worst = min(each, key=lambda k: each[k])
        fine = min(each.values()) > REJECTED and min(middle, spread) > REJECTED
        sound &= fine == (control == "as it is")
        print(
            f"  ranks, posterior {control}: {'uniform' if fine else 'NOT uniform'} (smallest of {len(each)} chi-square p "
            f"{each[worst]:.2g} for {worst}; all together, mean p {middle:.2g}, spread p {spread:.2g})"
        )
        if control == "as it is":
            for label, p in each.items():
                mean = np.mean([r["rank"][control][label] for r in rows])
                print(f"    rank of {label}: p = {p:.3f}, mean {mean:.3f}")
    for trust in ("reliable", "tentative", "unusable"):
        print(f"  {trust}: {sum(r['trust'] == trust for r in rows)}")
    print(f"  wiring read right: {sum(all(r['wiring']) for r in rows)} of {total}")
    return sound


def where(options: argparse.Namespace) -> Any:
    """Processes of this machine, or a dask cluster."""
    if options.cluster is None:
        return Processes(options.workers)
    from distributed import Client

    return Client(options.cluster).get_executor()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("study", help=f"a study file, or one of {', '.join(KINDS)}")
    parser.add_argument("--campaigns", type=int, default=40)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--effective", type=float, default=None, help="effective samples (default: the study's)")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument(
        "--cluster", metavar="ADDRESS", help="of a dask scheduler; its workers need this folder on their path"
    )
    parser.add_argument("--json", metavar="FILE", help="keep the rows here; campaigns found in it are not run again")
    options = parser.parse_args()
    began = time.perf_counter()
    kept = Path(options.json) if options.json else None
    rows = json.loads(kept.read_text()) if kept is not None and kept.exists() else []
    wanted = range(options.first_seed, options.first_seed + options.campaigns)
    rows = [r for r in rows if r["seed"] in wanted]
    seeds = [s for s in wanted if s not in {r["seed"] for r in rows}]
    shared = (options.study, options.effective)
    results = ordered_map(campaign_of, seeds, shared, executor=where(options), batch=1)
    for n, row in enumerate(results, 1):
        rows.append(row)
        print(
            f"{n}/{len(seeds)} seed {row['seed']} {row['trust']} p {row['p_value']:.2g} inside {row['inside']} "
            f"{row['seconds']:.0f} s",
            file=sys.stderr, flush=True,
        )  # fmt: skip
        if kept is not None and n % 10 == 0:
            kept.write_text(json.dumps(rows))
    rows.sort(key=lambda r: r["seed"])
    if kept is not None:
        kept.write_text(json.dumps(rows))
    return 0 if print_table(options.study, rows, time.perf_counter() - began) else 1


if __name__ == "__main__":
    sys.exit(main())
