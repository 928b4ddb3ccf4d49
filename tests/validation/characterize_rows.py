"""Chips in an ordinary cold set-up through `characterize`, then `orient` with the section it wrote.

    python tests/validation/characterize_rows.py tests/validation/rows/characterize.jsonl --chips 30
    python tests/validation/characterize_rows.py tests/validation/rows/characterize.jsonl --table

A script, not a test: a chip takes one to two minutes of one core.  Chip k is a study of `outside_chips` with the errors of
`Laboratory.ordinary`; bias ramps, pump powers and pump frequencies of each isolator are measured by the outside simulator
(line ends, direct paths, unequal hybrids, pumps that move the modes, flux and gain that wander), read as a user's would be,
and characterized from a study that states loops, lines and nominal mutual inductances, but nothing of the stages.  A
campaign of the very same set-up follows, inferred with the section that was written.  Each chip adds one line to the rows
file; those found in it are not run again.  The table: per kind of parameter how many 90% intervals hold the truth, with
binomial probabilities; pulls; verdicts; how often the truth lies in the regions of `orient`.

Rows on file, without `orient`: `rows/characterize_before.jsonl`, three chips of the tree before the set-up was fitted along (all
but one isolator unusable, residuals 3 to 87 times the noise); `rows/characterize_middle.jsonl`, four chips with line functions twice as
large as the inference takes them (ten isolators reliable, 338 of 362 intervals hold, of linewidths 12 of 20);
`rows/characterize.jsonl`, two chips with line ends four times as large, as the tree has it (133 of 146; linewidths 6 of 8).
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import os
import sys
import tempfile
import time
import tomllib
from collections import Counter, defaultdict
from dataclasses import replace
from pathlib import Path
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "outside")]

import numpy as np  # noqa: E402
from laboratory import FloatArray, binomial_sd, drawn_source, probability, read_rows, sizes_of, spreads_off  # noqa: E402
from outside_chips import CHIPS, write_study  # noqa: E402
from outside_laboratory import (  # noqa: E402
    LOG_COLUMNS,
    SECONDS_PER_SWEEP,
    Drifts,
    Sweep,
    World,
    measured,
    unsteady,
    write_campaign,
    write_trace,
)
from outside_simulator import STAGES, Group, OutsideStudy, Pump, quantity, stage_modes  # noqa: E402

RAMP_POINTS, REACH_PHI0 = 29, 2.3
WORKING = ((0.5, 0.5), (1.1, 1.1), (0.5, -0.5))
DETUNINGS_HZ = np.array([-60e6, -30e6, -12e6, 12e6, 30e6, 60e6])
POWERS_DBM = (-70.0, -66.0, -63.0, -58.0)
POINTS = 101
PUMP_DBM = -60.0


def steps_of(study: OutsideStudy, isolator: int) -> list[dict[str, Any]]:
    """Settings for one isolator, pump off where there is no port; currents as stated mutual inductances would have them."""
    loops = study.stage_loops(isolator)
    own = study.mutual_phi0_per_a[loops, loops]

    def bias(flux: tuple[float, float]) -> dict[str, str]:
        return {study.lines[n]: f"{1e3 * x / m:.5f} mA" for n, x, m in zip(loops, flux, own, strict=True)}

    ramp = np.linspace(-REACH_PHI0, REACH_PHI0, RAMP_POINTS)
    steps: list[dict[str, Any]] = [{"bias": bias((x, 0.0))} for x in ramp] + [{"bias": bias((0.0, x))} for x in ramp]
    pump = Pump(0.0, (1.0, 1.0), 0.0, 1.0)
    for n, flux in enumerate(WORKING):
        both = [stage_modes(study.isolators[isolator], j, x, pump) for j, x in enumerate(flux)]
        middle = sum((b - a) / 2 for a, b, _ in both)
        on = {"bias": bias(flux), "pump_power": f"{PUMP_DBM} dBm", "pump_frequency": f"{middle / 1e9:.6f} GHz"}
        steps.append({"bias": bias(flux)})
        steps += [on | {"pump_port": port} for port in (1, 2)]
        steps += [on | {"pump_port": 1, "pump_frequency": f"{(middle + x) / 1e9:.6f} GHz"} for x in DETUNINGS_HZ]
        if n == 0:
            steps += [on | {"pump_port": 1 + k % 2, "pump_power": f"{p} dBm"} for k, p in enumerate(POWERS_DBM)]
        steps.append({"bias": bias(flux)})
    return steps


def window_hz(study: OutsideStudy) -> tuple[float, float]:
    """All that the signal resonances of a chip reach."""
    low = [stage_modes(i, j, x, None)[0] for i in study.isolators for j in (0, 1) for x in (0.0, REACH_PHI0 + 0.1, 2.0)]
    return min(low) - 120e6, max(low) + 90e6


def write_sweeps(world: World, folder: Path, rng: np.random.Generator) -> tuple[Path, dict[int, FloatArray]]:
    """Characterization sweeps of every isolator with their log, and a study that knows no stage.

    Returns its path, and by isolator the flux (loops,) to which each loop had wandered when its sweeps began.
    """
    (folder / "sweeps").mkdir(parents=True)
    study = world.study
    start, stop = window_hz(study)
    wide = OutsideStudy(study.path, shift_factor=1.0)
    wide.frequency_hz = np.linspace(start, stop, POINTS)
    todo = [(n, step) for n in range(len(study.isolators)) for step in steps_of(study, n)]
    # a sweep with the pump off needs a pump that could be on
    spare = {"pump_port": 1, "pump_power": f"{PUMP_DBM} dBm", "pump_frequency": "1 GHz"}
    wide.settings = [spare | step for _, step in todo]
    here = replace(world, study=wide, static_phi0=np.zeros((len(todo), len(study.loops))))
    drifts = Drifts.draw(len(todo), here, rng)
    constant = study.document["noise"].get("residual_gain", 0.0)
    rows: list[list[Any]] = [[*LOG_COLUMNS, *(f"bias_{line}_a" for line in study.lines)]]
    repeats: Counter[str] = Counter()
    for at, (n, step) in enumerate(todo):
        sweep = Sweep(Group(0, 0, at, n), "pump_port" in step, 1)
        gain = drifts.gain[at, n] * unsteady(constant, constant, rng)
        s = measured(here, sweep, (drifts.flux_phi0[at], gain), rng)
        pump: list[Any] = ["off", "", "", ""]
        if sweep.pump_on:
            dbm = 10 * math.log10(quantity(step["pump_power"]) / 1e-3)
            pump = ["on", step["pump_port"], round(dbm, 6), quantity(step["pump_frequency"])]
        file = f"sweeps/{study.isolators[n]['name']}_{at:03d}.s2p"
        write_trace(folder / file, wide.frequency_hz, s)
        key = json.dumps([n, step], sort_keys=True)
        repeats[key] += 1
        time_s = SECONDS_PER_SWEEP * (at + 1)
        isolator, state = study.isolators[n]["name"], study.states[0]["name"]
        rows.append([file, isolator, *pump, state, study.cooldowns[0], repeats[key], time_s, *wide.bias_a(at)])
    with (folder / "log.csv").open("w", newline="", encoding="utf-8") as log:
        csv.writer(log).writerows(rows)
    tree = tomllib.loads(study.path.read_text(encoding="utf-8"))
    for isolator in tree["isolator"]:
        for stage in STAGES:
            isolator[stage] = {"loop": isolator[stage]["loop"]}
    for loop in tree["loop"]:
        loop.pop("offset_sd", None)
    reach = max(abs(float(amps)) for row in rows[1:] for amps in row[len(LOG_COLUMNS) :])
    for line in tree["bias_line"]:
        line["limit"] = f"{1100 * reach:.3f} mA"
    tree["sweep"] |= {"start": f"{start / 1e9:.6f} GHz", "stop": f"{stop / 1e9:.6f} GHz", "points": POINTS}
    tree["traces"] = {"log": "log.csv"}
    begun = {n: drifts.flux_phi0[at] for at, (n, _) in reversed(list(enumerate(todo)))}
    return write_tree(tree, folder / "study.toml"), begun


def write_tree(tree: dict[str, Any], path: Path) -> Path:
    from fluxsense.study.write import toml_text

    path.write_text(toml_text(tree, []), encoding="utf-8")
    return path


FIELDS = {
    "signal_frequency_hz": "signal_frequency", "signal_linewidth_hz": "signal_linewidth", "signal_internal_hz": "signal_internal_loss",
    "signal_participation": "signal_participation", "shunt_ratio": "shunt_ratio", "idler_frequency_hz": "idler_frequency",
    "idler_linewidth_hz": "idler_linewidth", "idler_internal_hz": "idler_internal_loss", "idler_termination_hz": "idler_termination",
    "idler_participation": "idler_participation", "coupling_hz": "coupling",
}  # fmt: skip


def truth_of(world: World, n: int, entry: dict[str, Any], begun: FloatArray | float = 0.0) -> float | None:
    """True value of a fitted parameter of isolator n when its sweeps began; None for what has none of its own."""
    study, truth, isolator = world.study, world.truth, world.isolators[n]
    kind, k = entry["kind"], entry["stage"] - 1
    loop = study.stage_loops(n)[k]
    if kind == "offset":
        return float((truth.offset_phi0[0] + begun)[loop])
    if kind == "mutual":
        line = next(m for m, name in enumerate(study.lines) if f"line {name} to loop" in entry["name"])
        return float(world.mutual_phi0_per_a[loop, line])
    if kind in FIELDS:
        value = quantity(isolator[STAGES[k]].get(FIELDS[kind], 0))
        return value * float(truth.pump_strength[n]) if kind == "coupling_hz" else value
    own = {
        "pump_phase_error_rad": float(truth.pump_phase_error_rad[n]),
        # between plain lines it is one, the bound itself
        "link_amplitude": isolator.get("link_amplitude", math.sqrt(0.5)) if isolator["link"] == "hybrid" else None,
        "link_phase_rad": 0.0,
        "hybrid_imbalance_db": float(isolator["hybrid_imbalance"]),
        "hybrid_phase_error_rad": float(isolator["hybrid_phase_error"]),
        "pump_shift_factor": world.sizes.pump_shift,
    }
    for port in (0, 1):
        own[f"pump_port_imbalance_db {port}"] = float(world.pump_errors[n, port, 0])
        own[f"pump_port_phase_rad {port}"] = float(world.pump_errors[n, port, 1])
    port = int("pump port 2" in entry["name"])
    return own.get(kind, own.get(f"{kind} {port}"))


def judged(world: World, n: int, entry: dict[str, Any], begun: FloatArray) -> dict[str, Any]:
    """What came out for an isolator, beside the truth."""
    found = []
    for p in entry.get("parameters", []):
        true = truth_of(world, n, p, begun)
        if true is not None:
            talk = p["kind"] == "mutual" and abs(true) < 100
            kind = "mutual, cross-talk" if talk else p["kind"]
            found.append([kind, true, p["value"], p["sd"], p["low_90"], p["high_90"]])
    port = entry.get("pump_port_1_phase")
    return {
        "name": entry["isolator"], "trust": entry["verdict"]["trust"], "reasons": entry["verdict"]["reasons"],
        "chi2": entry.get("chi2_per_value"), "noise": entry.get("noise"), "parameters": found,
        "wiring": None if port is None else (port == "+90 deg") == (world.truth.wiring[n] > 0),
    }  # fmt: skip


def oriented(world: World, section: dict[str, Any], folder: Path, seed: int) -> dict[str, Any]:
    """A campaign of the same set-up, inferred with the section that was written."""
    from fluxsense import load_screened, orient, read_study

    path = write_campaign(world, folder, np.random.default_rng([seed, 3]))
    tree = tomllib.loads(path.read_text(encoding="utf-8"))
    tree |= {key: section[key] for key in ("loop", "bias_line", "isolator")}
    study = read_study(write_tree(tree, path))
    digest, distrusted = load_screened(study)
    result = orient(study, digest, seed=seed, wanted_ess=400, distrusted=distrusted)
    document = result.document
    truth = world.truth.source / np.linalg.norm(world.truth.source)
    off, nearer = spreads_off(result.posterior.directions, truth)
    inside = {str(round(100 * float(k))): bool(v) for k, v in result.region_contains(world.truth.source).items()}
    ninety = next(r for r in document["region"] if abs(float(r["level"]) - 0.9) < 1e-6)
    return {
        "trust": document["verdict"]["trust"], "reasons": document["verdict"]["reasons"], "inside": inside | {"99": nearer < 0.99},
        "spreads": off, "cone_deg": ninety["cone_deg"], "misfit_p": document["predictive_check"]["p_value"],
    }  # fmt: skip


def row_of(chip: str, seed: int, with_orient: bool) -> dict[str, Any]:
    """Measure, characterize and infer one chip."""
    from fluxsense.characterize.rough import read_rough
    from fluxsense.characterize.run import characterize

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        study = OutsideStudy(write_study(chip, folder), shift_factor=1.0)
        rng = np.random.default_rng([seed, 0])
        truth = study.draw(drawn_source(study, rng), rng)
        world = World.build(study, sizes_of("ordinary", "usual", 1.0, seed), truth, np.random.default_rng([seed, 2]))
        path, begun = write_sweeps(world, folder / "sweeps", np.random.default_rng([seed, 4]))
        began = time.process_time()
        result = characterize(read_rough(path))
        row: dict[str, Any] = {
            "chip": chip, "seed": seed, "white": world.sizes.white, "seconds": round(time.process_time() - began, 1),
            "isolators": [judged(world, n, e, begun[n]) for n, e in enumerate(result.document["isolators"])],
        }  # fmt: skip
        if with_orient and result.fitted is not None and all(r.fit is not None for r in result.isolators):
            began = time.process_time()
            try:
                row["orient"] = oriented(world, result.tree, folder / "campaign", seed)
            except Exception as fault:
                row["orient"] = {"trust": "failed", "reasons": [f"{type(fault).__name__}: {fault}"], "inside": {}}
            row["orient"]["seconds"] = round(time.process_time() - began, 1)
    return row


def table(rows: list[dict[str, Any]]) -> str:
    """The lines printed."""
    held: dict[str, list[bool]] = defaultdict(list)
    pulls: dict[str, list[float]] = defaultdict(list)
    isolators = [i for r in rows for i in r["isolators"]]
    for kind, true, value, sd, low, high in (p for i in isolators for p in i["parameters"]):
        for key in ("all", kind):
            held[key].append(low <= true <= high)
            pulls[key].append((value - true) / sd if sd > 0 else math.inf)
    chi2 = [i["chi2"] for i in isolators if i["chi2"] is not None] or [math.nan]
    lines = [
        f"{len(rows)} chips, {len(isolators)} isolators; {np.mean([r['seconds'] for r in rows]):.0f} s of CPU a chip; verdicts "
        f"{dict(Counter(i['trust'] for i in isolators))}; wiring wrong {sum(i['wiring'] is False for i in isolators)}; residuals over "
        f"noise, median {np.median(chi2):.2f}, largest {max(chi2):.2f}",
        "parameter                  in 90%  of   part  sd of it  binomial p  rms pull  largest",
    ]
    for kind, values in sorted(held.items(), key=lambda x: x[0] != "all"):
        k, n = sum(values), len(values)
        size = np.sort(np.abs(pulls[kind]))
        lines.append(
            f"{kind:26s} {k:5d} {n:5d}  {k / n:.3f}  {binomial_sd(k, n):.3f}  {probability(k, n, 0.9):9.2g}  "
            f"{np.sqrt(np.mean(size**2)):8.2f} {size[-1]:8.1f}"
        )
    done = [r["orient"] for r in rows if "orient" in r]
    if done:
        lines.append(f"orient with the section: {dict(Counter(o['trust'] for o in done))}")
        good = [o for o in done if o["inside"]]
        for level in ("50", "90", "95", "99"):
            k = sum(o["inside"][level] for o in good)
            lines.append(
                f"  truth in the {level}% region: {k} of {len(good)} (p {probability(k, len(good), float(level) / 100):.2g})"
            )
        lines.append(f"  median cone {np.median([o['cone_deg'] for o in good]):.2f} degrees")
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rows", type=Path, help="file to which rows are added, and from which the table is made")
    parser.add_argument("--chips", type=int, default=0, help="how many; chip k is of kind k modulo the number of kinds")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--kinds", nargs="*", default=list(CHIPS), choices=list(CHIPS))
    parser.add_argument("--no-orient", action="store_true", help="stop after the section")
    parser.add_argument("--table", action="store_true")
    options = parser.parse_args()
    rows = read_rows(options.rows)
    done = {(r["chip"], r["seed"]) for r in rows}
    for seed in range(options.first_seed, options.first_seed + options.chips):
        chip = options.kinds[seed % len(options.kinds)]
        if (chip, seed) in done:
            continue
        row = row_of(chip, seed, not options.no_orient)
        rows.append(row)
        with options.rows.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
        said = row.get("orient", {}).get("trust", "-")
        print(
            chip,
            seed,
            row["seconds"],
            [(i["trust"], i["chi2"]) for i in row["isolators"]],
            said,
            file=sys.stderr,
            flush=True,
        )
    if options.table or options.chips:
        print(table(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
