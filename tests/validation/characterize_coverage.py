"""Coverage of `characterize` over random chips: a script, not a test (about ten seconds of one core a chip).

    python tests/validation/characterize_coverage.py --chips 100 --seed 1
    python tests/validation/characterize_coverage.py --faults --chips 12     # bad sweeps of fresh chips

Each chip has its own frequencies, shares, shunt ratios, linewidths, losses, cross-talk, offsets, couplings, link, pump
phase error and wiring; its sweeps carry white noise, gain and phase drift, flux noise and a random line.  Printed: per
parameter how often the 90% interval holds the truth with the binomial probability of so few or so many, and how many runs
ended in a wrong period or a swapped port, with and without a verdict that says so.  With --faults: per fault how many runs
were refused, doubted or believed, and by how many standard deviations the worst parameter of the believed ones is off.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np  # noqa: E402
from scipy.stats import binom  # noqa: E402
from sweep_chips import (  # noqa: E402
    PLAN,
    RandomChip,
    Rows,
    as_set,
    changed,
    random_chip,
    studies,
    sweeps_of_chip,
    with_jump,
    with_port_2_as_1,
)

from fluxsense.characterize.run import characterize  # noqa: E402
from fluxsense.data.log import LogRow  # noqa: E402
from fluxsense.data.touchstone import Sweep  # noqa: E402


def truths(chip: RandomChip, parameters: list[dict[str, Any]]) -> list[tuple[str, float, dict[str, Any]]]:
    """Kind, true value and fitted entry of every parameter."""
    iso = chip.study.isolators[0]
    names = [s.loop for s in iso.stages]
    lines = {
        f"line {b.name} to loop {n}": dict(b.mutual_phi0_per_a).get(n, 0.0)
        for b in chip.study.bias_lines
        for n in names
    }
    own = {
        "pump_phase_error_rad": chip.phase_error_rad,
        "link_amplitude": iso.link_amplitude,
        "link_phase_rad": iso.link_phase_rad,
    }
    out = []
    for p in parameters:
        if p["kind"] == "mutual":
            true = next(v for k, v in lines.items() if k in p["name"])
            out.append(("mutual, main" if abs(true) > 100 else "mutual, cross-talk", true, p))
        elif p["kind"] == "offset":
            out.append(("offset", float(chip.offset_phi0[p["stage"] - 1]), p))
        else:
            kind = p["kind"]
            out.append((kind, own[kind] if kind in own else getattr(iso.stages[p["stage"] - 1], kind), p))
    return out


def judged(chip: RandomChip, entry: dict[str, Any]) -> dict[str, Any]:
    """Verdict, whether period and port are right, and per kind which intervals hold the truth and by how much they miss."""
    out: dict[str, Any] = {
        "trust": entry["verdict"]["trust"],
        "words": entry["verdict"]["reasons"],
        "inside": {},
        "pull": {},
        "period": False,
        "port": False,
    }
    if "parameters" not in entry:
        return out
    for kind, true, p in truths(chip, entry["parameters"]):
        out["inside"].setdefault(kind, []).append(p["low_90"] <= true <= p["high_90"])
        out["pull"].setdefault(kind, []).append((p["value"] - true) / p["sd"])
    found = [p["value"] for p in entry["parameters"] if p["kind"] == "mutual" and abs(p["value"]) > 100]
    main = [m[0] for m in chip.mutual_phi0_per_a]
    out["period"] = len(found) == 2 and all(abs(a / m - 1) < 0.03 for a, m in zip(found, main, strict=True))
    out["chi2"] = entry["chi2_per_value"]
    out["port"] = entry.get("pump_port_1_phase", "") == ("+90 deg" if chip.port_sign > 0 else "-90 deg")
    return out


def one(folder: Path, seed: int) -> dict[str, Any]:
    """Draw a chip, simulate its sweeps, characterize it."""
    truth, rough = studies(folder)
    chip = random_chip(truth, seed)
    began = time.process_time()
    result = characterize(rough, as_set(sweeps_of_chip(chip, seed)))
    out = judged(chip, result.document["isolators"][0])
    return {**out, "seconds": time.process_time() - began}


# ---------------------------------------------------------------------------------------------------------- bad sweeps
def too_short(chip: RandomChip, seed: int, rng: np.random.Generator) -> tuple[Rows, str]:
    """Ramps of a quarter to a half of the period."""
    reach = float(rng.uniform(0.5, 1.0))
    return sweeps_of_chip(chip, seed, replace(PLAN, reach_phi0=reach)), f"plus and minus {reach:.2f} Phi0"


def _jump(chip: RandomChip, seed: int, rng: np.random.Generator, at: int) -> tuple[Rows, str]:
    k = int(rng.integers(2))
    size = float(rng.choice([-1, 1]) * np.exp(rng.uniform(np.log(0.02), np.log(0.5))))
    rows = with_jump(chip, seed, at, k, size)
    return rows, f"{size:+.3f} Phi0 in loop {k + 1} before sweep {at + 1}"


def jump_in_ramp(chip: RandomChip, seed: int, rng: np.random.Generator) -> tuple[Rows, str]:
    """A jump of 0.02 to 0.5 Phi0 within either ramp."""
    at = int(rng.integers(3, PLAN.flux_points - 3)) + PLAN.flux_points * int(rng.integers(2))
    return _jump(chip, seed, rng, at)


def jump_between_ramps(chip: RandomChip, seed: int, rng: np.random.Generator) -> tuple[Rows, str]:
    """The same between the two ramps."""
    return _jump(chip, seed, rng, PLAN.flux_points)


def jump_before_pump(chip: RandomChip, seed: int, rng: np.random.Generator) -> tuple[Rows, str]:
    """The same between the ramps and the pump-on sweeps."""
    return _jump(chip, seed, rng, 2 * PLAN.flux_points)


def ports_alike(chip: RandomChip, seed: int, rng: np.random.Generator) -> tuple[Rows, str]:
    """Both pump ports reach the chip as port 1: what the log calls port 2 is port 1 again."""
    return with_port_2_as_1(chip, seed), ""


def port_misnamed(chip: RandomChip, seed: int, rng: np.random.Generator) -> tuple[Rows, str]:
    """One row of the log, at a pump frequency that matters, has the wrong pump port."""
    rows = sweeps_of_chip(chip, seed)
    choice = [n for n, (r, _) in enumerate(rows) if r.pump_port is not None and "frequency_00" not in r.file]
    at = int(rng.choice([n for n in choice if "frequency_04" not in rows[n][0].file]))
    row, sweep = rows[at]
    rows[at] = (replace(row, pump_port=3 - int(row.pump_port or 1)), sweep)
    return rows, row.file


def traces_swapped(chip: RandomChip, seed: int, rng: np.random.Generator) -> tuple[Rows, str]:
    """The two cables at the chip exchanged during one pump-on sweep: S21 and S12 trade places, each with its line's gain."""
    rows = sweeps_of_chip(chip, seed)
    choice = [n for n, (r, _) in enumerate(rows) if r.pump_port is not None]
    at = int(rng.choice([n for n in choice if not any(x in rows[n][0].file for x in ("frequency_00", "frequency_04"))]))
    off = next(s for r, s in rows if not r.pump_on)
    ratio = off.s[:, 1, 0] / off.s[:, 0, 1]
    row, sweep = rows[at]
    s = sweep.s.copy()
    s[:, 1, 0], s[:, 0, 1] = sweep.s[:, 0, 1] * ratio, sweep.s[:, 1, 0] / ratio
    rows[at] = (row, Sweep(sweep.frequency_hz, s, 50.0))
    return rows, row.file


def leak_narrow(chip: RandomChip, seed: int, rng: np.random.Generator) -> tuple[Rows, str]:
    """A line at one frequency in every pump-on sweep, 0.1 to 1 of the line's gain."""
    at, size = int(rng.integers(5, 76)), float(np.exp(rng.uniform(np.log(0.1), 0.0)))

    def spike(row: LogRow, sweep: Sweep) -> tuple[LogRow, Sweep]:
        if row.pump_on:
            sweep.s[at] += size * np.median(np.abs(sweep.s[:, 1, 0]))
        return row, sweep

    return changed(sweeps_of_chip(chip, seed), spike), f"{size:.2f} of the gain at point {at}"


def leak_constant(chip: RandomChip, seed: int, rng: np.random.Generator) -> tuple[Rows, str]:
    """The same complex number added at every frequency of every pump-on sweep, 0.02 to 0.3 of the line's gain."""
    size = float(np.exp(rng.uniform(np.log(0.02), np.log(0.3))))
    turn = np.exp(2j * np.pi * rng.uniform())

    def add(row: LogRow, sweep: Sweep) -> tuple[LogRow, Sweep]:
        if row.pump_on:
            sweep.s[:] += size * turn * np.median(np.abs(sweep.s[:, 1, 0]))
        return row, sweep

    return changed(sweeps_of_chip(chip, seed), add), f"{size:.3f} of the gain"


def leaves_window(chip: RandomChip, seed: int, rng: np.random.Generator) -> tuple[Rows, str]:
    """The window ends within a resonance's range of tuning."""
    low = float(rng.uniform(6.74e9, 6.85e9))

    def cut(row: LogRow, sweep: Sweep) -> tuple[LogRow, Sweep]:
        keep = sweep.frequency_hz > low
        return row, Sweep(sweep.frequency_hz[keep], sweep.s[keep], 50.0)

    return changed(sweeps_of_chip(chip, seed), cut), f"from {low / 1e9:.3f} GHz"


FAULTS = {
    "too short": (too_short, "too short to tell"),
    "jump in a ramp": (jump_in_ramp, "jump"),
    "jump between ramps": (jump_between_ramps, "jump"),
    "jump before the pump": (jump_before_pump, "jump"),
    "ports alike": (ports_alike, "transmit the same way"),
    "one port misnamed": (port_misnamed, "swapped"),
    "one trace swapped": (traces_swapped, "swapped"),
    "leak, narrow": (leak_narrow, "leak"),
    "leak, constant": (leak_constant, "leak"),
    "leaves the window": (leaves_window, "leaves the window"),
}


def faults(chips: int, seed: int, only: str | None) -> None:
    """Bad sweeps of fresh chips: how many are refused, doubted or believed, and how wrong the believed ones are."""
    print("fault                  chips  unusable  tentative  reliable  named right  worst pull where believed")
    for name, (make, word) in FAULTS.items():
        if only is not None and only not in name:
            continue
        trusts: dict[str, int] = defaultdict(int)
        named, worst, notes = 0, 0.0, []
        with tempfile.TemporaryDirectory() as folder:
            for n in range(chips):
                truth, rough = studies(Path(folder))
                own = seed * 100_000 + n
                chip = random_chip(truth, own)
                rows, what = make(chip, own, np.random.default_rng([own, 5]))
                got = judged(chip, characterize(rough, as_set(rows)).document["isolators"][0])
                trusts[got["trust"]] += 1
                right = any(word in x for x in got["words"])
                named += right
                # after a jump either offset is right for some of the sweeps
                kinds = [k for k in got["pull"] if not (k == "offset" and name.startswith("jump"))]
                pull = max((abs(x) for k in kinds for x in got["pull"][k]), default=0.0)
                if got["trust"] == "reliable":
                    worst = max(worst, pull)
                if got["trust"] == "reliable" or not right:
                    notes.append(
                        f"    chip {n} ({what}): {got['trust']}, worst pull {pull:.1f}: {' '.join(got['words'])[:160]}"
                    )
        print(
            f"{name:22s} {chips:5d} {trusts['unusable']:9d} {trusts['tentative']:10d} {trusts['reliable']:9d} {named:12d}"
            f"  {worst:8.1f}"
        )
        print("\n".join(notes), flush=True)


def main() -> None:
    """Run and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--chips", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, help="also write every chip's pulls here")
    parser.add_argument("--faults", action="store_true", help="bad sweeps instead: what is refused, doubted, believed")
    parser.add_argument("--only", help="with --faults: only faults with this in their name")
    options = parser.parse_args()
    if options.faults:
        faults(options.chips, options.seed, options.only)
        return
    inside: dict[str, list[bool]] = defaultdict(list)
    pulls: dict[str, list[float]] = defaultdict(list)
    silent, said = [], []
    kept: list[dict[str, Any]] = []
    trusts: dict[str, int] = defaultdict(int)
    seconds = 0.0
    done = 0
    with tempfile.TemporaryDirectory() as folder:
        for n in range(options.chips):
            run = one(Path(folder), options.seed * 100_000 + n)
            done += 1
            kept.append(
                {
                    "chip": n,
                    **{k: run[k] for k in ("trust", "words", "pull", "period", "port")},
                    "chi2": run.get("chi2"),
                }
            )
            if options.json is not None:
                options.json.write_text(json.dumps(kept), encoding="utf-8")
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
