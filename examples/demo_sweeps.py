"""Makes the invented sweeps in data_demo/sweeps: a study without isolator parameters, its log, traces, and the truth.

    python examples/demo_sweeps.py data_demo/sweeps --seed 2026

Characterize reads ``study.toml`` and the log; ``truth.toml`` holds what the sweeps were computed from and is read by
tests only.  One trace is cut off in the middle of a number, as a full disk would leave it.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from fluxsense.characterize.virtual import SweepPlan, virtual_sweeps
from fluxsense.data.log import write_log
from fluxsense.data.touchstone import write_sweep
from fluxsense.study import read_study

HEAD = """# A study to be characterized.  Everything in this scenario is invented: the chip, the sweeps, the numbers.
format = 1
title = "Two isolators to be characterized (invented)"
invented = true
note = "Sweeps of bias, pump power, pump frequency and pump phase, with the source out."

[uncertainty]
unstated = "exact"                   # of the numbers below only those with an _sd are uncertain

[source]
kind = "dipole"
position = ["0 um", "0 um", "12 um"]
position_sd = ["0.3 um", "0.3 um", "0.3 um"]
size_prior = "scale"
size = "30 fA m^2"
"""

LOOPS = {
    "east_near": ("11 um", "4 um", "12 um", "35 mPhi0"),
    "east_far": ("22 um", "22 um", "14 um", "-62 mPhi0"),
    "north_near": ("-4 um", "11 um", "12 um", "88 mPhi0"),
    "north_far": ("-22 um", "22 um", "14 um", "-21 mPhi0"),
}

# loop: main mutual inductance, cross-talk to the partner's loop
MUTUAL = {
    "east_near": (612.0, 21.0),
    "east_far": (587.0, 16.0),
    "north_near": (634.0, 24.0),
    "north_far": (605.0, 14.0),
}
PARTNER = {"east_near": "east_far", "east_far": "east_near", "north_near": "north_far", "north_far": "north_near"}

STAGES = {
    "east": (
        ("east_near", 3.05, 7.010, 44.0, 0.5, 0.102, 9.640, 62.0, 0.8, 0.097, 10.9),
        ("east_far", 2.93, 7.004, 47.0, 0.4, 0.098, 9.631, 59.0, 0.6, 0.101, 10.6),
    ),
    "north": (
        ("north_near", 3.11, 7.022, 46.0, 0.6, 0.104, 9.655, 60.0, 0.7, 0.100, 10.8),
        ("north_far", 2.98, 7.029, 43.0, 0.5, 0.099, 9.660, 64.0, 0.9, 0.103, 11.0),
    ),
}

TAIL = """
[[state]]
name = "out"
kind = "out"

[[state]]
name = "in"
kind = "in"

[[setting]]
name = "same"
bias = { east_near = "0.76 mA", east_far = "0.95 mA", north_near = "0.65 mA", north_far = "0.87 mA" }
pump_port = 1
pump_power = "-60 dBm"

[[setting]]
name = "same_other_port"
bias = { east_near = "0.76 mA", east_far = "0.95 mA", north_near = "0.65 mA", north_far = "0.87 mA" }
pump_port = 2
pump_power = "-60 dBm"

[[setting]]
name = "opposed"
bias = { east_near = "0.76 mA", east_far = "-0.75 mA", north_near = "0.65 mA", north_far = "-0.78 mA" }
pump_port = 1
pump_power = "-60 dBm"

[sweep]
start = "6.56 GHz"
stop = "7.13 GHz"
points = 96

[noise]
white = 0.01
gain_drift = 0.003
phase_drift = "0.3 deg"
residual_gain = 0.001
flux = "0.1 mPhi0"

[plan]
repeats = 4
off_repeats = 4
states = ["out", "in"]
cooldowns = ["first"]

[sampling]
ensembles = 4
wanted_ess = 1000

[traces]
log = "log.csv"
"""


def study_text(truth: bool) -> str:
    """The study as text: with all parameters, or with what the design alone tells."""
    parts = [HEAD]
    for name, (x, y, side, offset) in LOOPS.items():
        known = f'offset = "{offset}"\n' if truth else 'offset_sd = "0.5 Phi0"\n'
        parts.append(
            f'\n[[loop]]\nname = "{name}"\nshape = "square"\ncenter = ["{x}", "{y}"]\nside = "{side}"\n{known}'
        )
    for name, (main, cross) in MUTUAL.items():
        pair = (
            f'{name} = "{main:g} Phi0/A", {PARTNER[name]} = "{cross:g} Phi0/A"' if truth else f'{name} = "500 Phi0/A"'
        )
        parts.append(f'\n[[bias_line]]\nname = "{name}"\nlimit = "5 mA"\nmutual = {{ {pair} }}\n')
    for name, stages in STAGES.items():
        head = f'\n[[isolator]]\nname = "{name}"\nhybrid_imbalance = "0.2 dB"\nhybrid_loss = "0.1 dB"\npump_strength_sd = 0.02\n'
        head += 'reference_flux = "0.5 Phi0"\nreference_power = "-60 dBm"\n'
        head += 'pump_port_1_phase = "+90 deg"\n' if truth else ""
        parts.append(head)
        for n, (loop, ratio, fa, ka, ia, pa, fb, kb, ib, pb, g) in enumerate(stages, 1):
            parts.append(f'\n[isolator.stage_{n}]\nloop = "{loop}"\n')
            if truth:
                parts.append(
                    f'ring = "shunted"\nshunt_ratio = {ratio}\nsignal_frequency = "{fa} GHz"\nsignal_linewidth = "{ka} MHz"\n'
                    f'signal_internal_loss = "{ia} MHz"\nsignal_participation = {pa}\nidler_frequency = "{fb} GHz"\n'
                    f'idler_linewidth = "{kb} MHz"\nidler_internal_loss = "{ib} MHz"\nidler_participation = {pb}\n'
                    f'coupling = "{g} MHz"\n'
                )
    return "".join(parts) + TAIL


def main() -> None:
    """Write the folder."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=2026)
    options = parser.parse_args()
    folder: Path = options.folder
    (folder / "sweeps").mkdir(parents=True, exist_ok=True)
    (folder / "study.toml").write_text(study_text(False), encoding="utf-8")
    (folder / "truth_study.toml").write_text(
        "# What the sweeps were computed from. Nothing infers from this file.\n" + study_text(True), encoding="utf-8"
    )
    truth = read_study(folder / "truth_study.toml")
    rows = []
    for row, sweep in virtual_sweeps(truth, SweepPlan(), options.seed, cooldown="first"):
        write_sweep(folder / row.file, sweep, comments=["Simulated, not measured"], digits=5)
        rows.append(row)
    write_log(folder / "log.csv", rows, [b.name for b in truth.bias_lines])
    spoiled = folder / next(r.file for r in rows if r.file.endswith("flux1_020.s2p"))
    raw = spoiled.read_bytes()
    spoiled.write_bytes(raw[: len(raw) // 2])
    print(f"Wrote {len(rows)} sweeps to {folder}.")


if __name__ == "__main__":
    main()
