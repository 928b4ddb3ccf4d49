"""Checks of the inference that take minutes: a script, not a test.

    python tests/validation/inference_checks.py modes --seeds 20
    python tests/validation/inference_checks.py mismatch --campaigns 100
    python tests/validation/inference_checks.py calls data_demo/grain/study.toml

modes: two-mode and four-mode studies (zero bias on one or on all isolators), in which every mode has the same weight by
symmetry; how often the weights found agree with that within four of their stated standard deviations (at least 0.02), and
what the verdict is with the mode-jumping move switched off.
mismatch: campaigns of another chip than the study says, with a flux jump half way, or with a second source; where the
direction is off by more than two posterior standard deviations, how often the verdict is not "reliable".
calls: effective samples per likelihood call, with the package's moves and with emcee's stretch move alone.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np  # noqa: E402
from small_study import small_study  # noqa: E402

from fluxsense.data.digest import Digest, DigestBuilder, Distrusted, group_key  # noqa: E402
from fluxsense.data.log import LogRow  # noqa: E402
from fluxsense.data.outliers import RepeatScreen  # noqa: E402
from fluxsense.data.touchstone import Sweep  # noqa: E402

HALF, ZERO = 0.5, 0.0
MISMATCHES = ("ring", "jump", "second source")
MISMATCHED: dict[str, Any] = {
    # with the loops as small_study pairs them, some jumps between settings are a source to the last digit: `orient` says so
    "chips": ("chip_x", "chip_s", "chip_y", "chip_z"),
    "fluxes": ((HALF, HALF, HALF, HALF), (HALF, -HALF, HALF, -HALF), (0.35, HALF, HALF, 0.35)),
    "ports": (1, 2, 1),
    "wiring": "+90 deg",
    "strength_sd": 0.02,
}
MODES: dict[str, dict[str, Any]] = {
    # isolator a has loops across x and y; b has both across z, so that only the size of z is seen at zero bias
    "two modes": {"chips": ("chip_x", "chip_y", "chip_z", "chip_z"), "fluxes": ((HALF, 0.4, ZERO, ZERO),), "ports": (1,)},
    "four modes": {"chips": ("chip_x", "chip_y", "chip_z", "chip_z"), "fluxes": ((ZERO,) * 4,), "ports": (1,)},
}  # fmt: skip


def modes_one(kind: str, seed: int, jumping: bool) -> dict[str, Any]:
    """One campaign at zero bias: weights by quadrant of the signs that the data leave open, and the verdict."""
    from fluxsense.jobs.orient import orient
    from fluxsense.jobs.simulate import draw_truth, simulate_digest

    with tempfile.TemporaryDirectory() as folder:
        study = small_study(Path(folder), wiring="+90 deg", points=15, offset_sd_mphi0=2.0, **MODES[kind])
        truth = draw_truth(study, seed, source=_well_inside(seed))
        result = orient(study, simulate_digest(study, truth), seed=seed, wanted_ess=1000, jumping=jumping)
    v = result.posterior.directions
    unit = truth.parameters["source"][0] / np.linalg.norm(truth.parameters["source"][0])
    same_xy, same_z = v[:, :2] @ unit[:2] > 0, v[:, 2] * unit[2] > 0
    if kind == "two modes":
        weights = [np.mean(same_z), np.mean(~same_z)]
    else:
        weights = [np.mean(same_xy == a) * np.mean(same_z[same_xy == a] == b) for a in (1, 0) for b in (1, 0)]
    errors = [m["weight_sd"] or 0.0 for m in result.document["modes"]]
    return {
        "seed": seed,
        "weights": [float(w) for w in weights],
        "error": max(errors, default=0.0),
        "trust": result.document["verdict"]["trust"],
        "modes": len(result.document["modes"]),
    }


def _well_inside(seed: int) -> list[float]:
    """A field of 1 uT whose components are all at least a third of it, so that no two modes touch."""
    rng = np.random.default_rng([seed, 9])
    v = rng.uniform(0.6, 1.0, 3) * rng.choice([-1, 1], 3)
    return list(1e-6 * v / np.linalg.norm(v))


def mismatch_one(kind: str, seed: int) -> dict[str, Any]:
    """One campaign that the study does not describe; how far off the direction is, in posterior standard deviations."""
    from fluxsense.jobs.orient import orient
    from fluxsense.jobs.simulate import draw_truth, simulate_digest

    rng = np.random.default_rng([seed, 11])
    with tempfile.TemporaryDirectory() as folder:
        study = small_study(Path(folder), points=21, repeats=6, **MISMATCHED)
        truth = draw_truth(study, seed)
        distrusted: list[Distrusted] = []
        if kind == "ring":
            field = str(
                rng.choice(
                    [
                        "signal_participation",
                        "idler_participation",
                        "shunt_ratio",
                        "idler_linewidth_hz",
                        "signal_linewidth_hz",
                    ]
                )
            )
            factor = float(np.exp(rng.choice([-1, 1]) * rng.uniform(0.05, 0.5)))
            loop = int(rng.integers(4))
            isolators = list(study.isolators)
            stages = list(isolators[loop // 2].stages)
            value = getattr(stages[loop % 2], field) * factor
            stages[loop % 2] = replace(
                stages[loop % 2], **{field: max(value, 2.05) if field == "shunt_ratio" else value}
            )
            isolators[loop // 2] = replace(isolators[loop // 2], stages=tuple(stages))
            digest = simulate_digest(replace(study, isolators=tuple(isolators)), truth)
        elif kind == "jump":
            from fluxsense.jobs.simulate import sweeps

            offset = np.array(truth.parameters["offset_phi0"])
            offset[0, :, int(rng.integers(4))] += rng.choice([-1, 1]) * rng.uniform(0.005, 0.05)
            after = replace(truth, parameters=truth.parameters.changed(offset_phi0=offset))
            before_rows, after_rows = list(sweeps(study, truth)), list(sweeps(study, after))
            half = int(len(before_rows) * rng.uniform(0.3, 0.7))
            digest, distrusted = screened(before_rows[:half] + after_rows[half:])
        else:  # a second source, present with the first: a flux of its own in one loop
            from fluxsense.jobs.simulate import sweeps

            offset = np.array(truth.parameters["offset_phi0"])
            offset[0, :, int(rng.integers(4))] += rng.choice([-1, 1]) * rng.uniform(0.005, 0.05)
            both = replace(truth, parameters=truth.parameters.changed(offset_phi0=offset))
            pairs = zip(sweeps(study, truth), sweeps(study, both), strict=True)
            digest, distrusted = screened([second if first[0].state == "in" else first for first, second in pairs])
        result = orient(study, digest, seed=seed, wanted_ess=400, distrusted=distrusted)
    source = result.table(3000)[2][:, :3]
    unit = source / np.linalg.norm(source, axis=1, keepdims=True)
    true = truth.parameters["source"][0] / np.linalg.norm(truth.parameters["source"][0])
    mean = unit.mean(axis=0)
    spread = float(np.sqrt(np.mean(np.sum((unit - mean) ** 2, axis=1)) / 2))
    return {
        "seed": seed,
        "off": float(np.linalg.norm(mean / np.linalg.norm(mean) - true) / np.sqrt(2) / spread),
        "trust": result.document["verdict"]["trust"],
        "p_value": result.document["predictive_check"]["p_value"],
        "seconds": 0.0,
    }


def screened(taken: list[tuple[LogRow, Sweep]]) -> tuple[Digest, list[Distrusted]]:
    """What `campaign.load_screened` makes of sweeps in files."""
    screen = RepeatScreen()
    for row, sweep in taken:
        screen.add(group_key(row), sweep, row.file)
    bad = screen.distrusted()
    files = {d.file for d in bad if d.left_out}
    builder = DigestBuilder()
    for row, sweep in taken:
        if row.file not in files:
            builder.add(group_key(row), sweep, row.time_s)
    return builder.freeze(), bad


def run_all(function: Callable[..., dict[str, Any]], jobs: list[tuple[Any, ...]], workers: int) -> list[dict[str, Any]]:
    """Run jobs in processes, with a line of progress each."""
    rows: list[dict[str, Any]] = [{}] * len(jobs)
    with ProcessPoolExecutor(workers) as pool:
        pending = {pool.submit(function, *job): n for n, job in enumerate(jobs)}
        for done, future in enumerate(as_completed(pending), 1):
            rows[pending[future]] = future.result()
            print(f"{done}/{len(jobs)} {jobs[pending[future]]} {future.result()}", file=sys.stderr, flush=True)
    return rows


def modes(options: argparse.Namespace) -> bool:
    sound = True
    for kind in options.kind or MODES:
        rows = run_all(modes_one, [(kind, 100 + n, True) for n in range(options.seeds)], options.workers)
        count = 2 if kind == "two modes" else 4
        gaps = [max(abs(w - 1 / count) for w in r["weights"]) for r in rows]
        good = sum(g <= max(4 * r["error"], 0.02) for g, r in zip(gaps, rows, strict=True))
        trusted = sum(r["trust"] == "reliable" for r in rows)
        print(
            f"{kind}: weights equal 1/{count} within error in {good} of {len(rows)} (largest difference {max(gaps):.3f}); "
            f"modes found {sorted({r['modes'] for r in rows})}; reliable {trusted}"
        )
        off = run_all(modes_one, [(kind, 100 + n, False) for n in range(options.without)], options.workers)
        fooled = sum(r["trust"] == "reliable" for r in off)
        print(f"{kind}, without the jumping move: reliable {fooled} of {len(off)}")
        sound &= good == len(rows) and fooled == 0
    return sound


def mismatch(options: argparse.Namespace) -> bool:
    sound = True
    for kind in options.kind or MISMATCHES:
        rows = run_all(mismatch_one, [(kind, 500 + n) for n in range(options.campaigns)], options.workers)
        biased = [r for r in rows if r["off"] > 2]
        told = sum(r["trust"] != "reliable" for r in biased)
        print(
            f"{kind}: direction off by more than two standard deviations in {len(biased)} of {len(rows)} campaigns, the "
            f"verdict says so in {told} of them; not reliable among the others: "
            f"{sum(r['trust'] != 'reliable' for r in rows) - told}"
        )
        sound &= told >= 0.95 * len(biased)
    return sound


def calls(options: argparse.Namespace) -> bool:
    import emcee

    from fluxsense.data.campaign import load_campaign
    from fluxsense.jobs.orient import orient
    from fluxsense.model.problem import log_posterior
    from fluxsense.study import read_study

    study = read_study(options.study)
    result = orient(study, load_campaign(study), seed=0)
    sampling = result.document["sampling"]
    print(
        f"fluxsense: {sampling['effective_samples']:.0f} effective samples from {sampling['likelihood_calls']} calls, "
        f"{sampling['effective_samples_per_call']:.3f} per call"
    )
    problem = result.posterior.problem
    rng = np.random.default_rng(0)
    size = problem.unknowns.size
    walkers = max(64, 4 * size)
    start = result.posterior.proposal.draw(rng, walkers)
    plain = emcee.EnsembleSampler(walkers, size, lambda x: log_posterior(problem, x), vectorize=True)
    began = time.perf_counter()
    plain.run_mcmc(start, options.plain_steps)
    tau = np.max(plain.get_autocorr_time(tol=0, quiet=True))
    effective = walkers * options.plain_steps / tau
    print(
        f"stretch moves alone: {effective:.0f} effective samples from {walkers * options.plain_steps} calls, "
        f"{effective / (walkers * options.plain_steps):.4f} per call (autocorrelation time {tau:.0f} of "
        f"{options.plain_steps} steps, {time.perf_counter() - began:.0f} s)"
    )
    return bool(sampling["effective_samples_per_call"] >= 0.1)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--workers", type=int, default=2)
    commands = parser.add_subparsers(dest="command", required=True)
    one = commands.add_parser("modes")
    one.add_argument("--kind", action="append", choices=list(MODES))
    one.add_argument("--seeds", type=int, default=20)
    one.add_argument("--without", type=int, default=5, help="campaigns with the jumping move switched off")
    one = commands.add_parser("mismatch")
    one.add_argument("--kind", action="append", choices=MISMATCHES)
    one.add_argument("--campaigns", type=int, default=100)
    one = commands.add_parser("calls")
    one.add_argument("study")
    one.add_argument("--plain-steps", type=int, default=1000)
    options = parser.parse_args()
    return 0 if {"modes": modes, "mismatch": mismatch, "calls": calls}[options.command](options) else 1


if __name__ == "__main__":
    sys.exit(main())
