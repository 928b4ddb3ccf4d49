"""Coverage of `characterize` over random chips: a script, not a test (about ten seconds of one core a chip).

    python tests/characterize_coverage.py --chips 100 --seed 1

Each chip has its own frequencies, shares, shunt ratios, linewidths, losses, cross-talk, offsets, couplings, link, pump
phase error and wiring; its sweeps carry white noise, gain and phase drift, flux noise and a random line.  Printed: per
parameter how often the 90% interval holds the truth with the binomial probability of so few or so many, and how many runs
ended in a wrong period or a swapped port, with and without a verdict that says so.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np  # noqa: E402
from scipy.stats import binom  # noqa: E402
from sweep_chips import PLAN, as_set, studies, sweeps_of  # noqa: E402

from fluxsense.characterize.run import characterize  # noqa: E402


def one(folder: Path, seed: int) -> dict[str, Any]:
    """Draw a chip, simulate its sweeps, characterize it."""
    rng = np.random.default_rng([seed, 99])
    truth, rough = studies(folder)
    iso = truth.isolators[0]
    centre = 7.0e9 + 10e6 * rng.standard_normal()
    stages = []
    for stage in iso.stages:
        signal = centre + 8e6 * rng.standard_normal()
        loss = rng.uniform(0.2e6, 1.0e6)
        idler = 9.6e9 + 15e6 * rng.standard_normal()
        ka, kb = rng.uniform(36e6, 52e6), rng.uniform(48e6, 75e6)
        # the assumption on the idler's loss: the signal's quality factor, give or take itself
        idler_loss = abs(loss * 1.37 * (1 + rng.standard_normal()))
        stages.append(
            replace(
                stage,
                shunt_ratio=rng.uniform(2.5, 4.0),
                signal_frequency_hz=signal,
                signal_linewidth_hz=ka,
                signal_internal_hz=loss,
                signal_share=rng.uniform(0.08, 0.12),
                idler_frequency_hz=idler,
                idler_linewidth_hz=kb,
                idler_internal_hz=idler_loss,
                idler_share=rng.uniform(0.08, 0.12),
                coupling_hz=0.2 * np.sqrt(ka * kb) * rng.uniform(0.85, 1.2),
            )
        )
    mutual = [[rng.uniform(450, 750), rng.uniform(-40, 40)] for _ in range(2)]
    names = [s.loop for s in iso.stages]
    lines = tuple(
        replace(b, mutual_phi0_per_a=((names[n], mutual[n][0]), (names[1 - n], mutual[n][1])))
        for n, b in enumerate(truth.bias_lines)
    )
    offsets = rng.uniform(-0.3, 0.3, 2)
    loops = tuple(replace(x, offset_phi0=float(o)) for x, o in zip(truth.loops, offsets, strict=True))
    link = (1 / np.sqrt(2)) * (1 + 0.03 * rng.standard_normal()), np.radians(3.0) * rng.standard_normal()
    chip = replace(iso, stages=(stages[0], stages[1]), link_amplitude=link[0], link_phase_rad=link[1])
    sign, error = int(rng.choice([-1, 1])), float(np.radians(3.0) * rng.standard_normal())
    real = replace(truth, isolators=(chip,), loops=loops, bias_lines=lines)
    began = time.process_time()
    result = characterize(rough, as_set(sweeps_of(real, PLAN, seed, port_signs=[sign], phase_error_rad=[error])))
    entry = result.document["isolators"][0]
    out: dict[str, Any] = {
        "seconds": time.process_time() - began,
        "trust": entry["verdict"]["trust"],
        "inside": {},
        "pull": {},
    }
    if "parameters" not in entry:
        return {**out, "period": False, "port": False, "words": entry["verdict"]["reasons"]}
    lines_seen = {f"line {b.name} to loop {n}": dict(b.mutual_phi0_per_a).get(n, 0.0) for b in lines for n in names}
    for p in entry["parameters"]:
        stage = stages[p["stage"] - 1]
        if p["kind"] == "mutual":
            true = next(v for k, v in lines_seen.items() if k in p["name"])
            kind = "mutual, main" if abs(true) > 100 else "mutual, cross-talk"
        elif p["kind"] == "offset":
            true, kind = float(offsets[p["stage"] - 1]), "offset"
        else:
            kind = p["kind"]
            own = {"pump_phase_error_rad": error, "link_amplitude": link[0], "link_phase_rad": link[1]}
            true = own[kind] if kind in own else getattr(stage, kind)
        out["inside"].setdefault(kind, []).append(p["low_90"] <= true <= p["high_90"])
        out["pull"].setdefault(kind, []).append((p["value"] - true) / p["sd"])
    found = [p["value"] for p in entry["parameters"] if p["kind"] == "mutual" and abs(p["value"]) > 100]
    out["period"] = (
        all(abs(a / m[0] - 1) < 0.03 for a, m in zip(found, mutual, strict=True)) if len(found) == 2 else False
    )
    out["port"] = (entry["pump_port_1_phase"] == "+90 deg") == (sign > 0)
    out["words"] = entry["verdict"]["reasons"]
    return out


def main() -> None:
    """Run and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--chips", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    inside: dict[str, list[bool]] = defaultdict(list)
    pulls: dict[str, list[float]] = defaultdict(list)
    silent, said = [], []
    trusts: dict[str, int] = defaultdict(int)
    seconds = 0.0
    done = 0
    with tempfile.TemporaryDirectory() as folder:
        for n in range(options.chips):
            run = one(Path(folder), options.seed * 100_000 + n)
            done += 1
            seconds += run["seconds"]
            trusts[run["trust"]] += 1
            if not (run["period"] and run["port"]):
                (silent if run["trust"] == "reliable" else said).append(n)
            if run["trust"] != "reliable":
                print(f"chip {n}: {run['trust']}: {' '.join(run['words'])[:300]}", flush=True)
            if run["trust"] == "unusable":
                continue
            for kind, values in run["inside"].items():
                inside[kind] += values
                pulls[kind] += run["pull"][kind]
    print(f"{done} chips, {seconds / done:.1f} s of CPU each; verdicts {dict(trusts)}")
    print(f"wrong period or port without a verdict that says so: {silent}; with one: {said}")
    print("parameter                  in 90%  of   share  P(so few)  P(so many)  rms pull")
    for kind, values in inside.items():
        k, n = sum(values), len(values)
        print(
            f"{kind:26s} {k:5d} {n:5d}  {k / n:.3f}  {binom.cdf(k, n, 0.9):9.3f}  {binom.sf(k - 1, n, 0.9):9.3f}  "
            f"{np.sqrt(np.mean(np.square(pulls[kind]))):8.2f}"
        )


if __name__ == "__main__":
    main()
