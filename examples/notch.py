"""Why magnitudes in a notch are not to be averaged in decibels.

    python examples/notch.py --out notch.png

Sweeps of one point at the bottom of a notch are drawn with noise of 0.01 per quadrature (40 dB below a trace of one); two
estimates of its depth from more and more repeats: the mean of decibels, and the most probable amplitude under the exact law of the mean power (what magnitude-only inference uses).
"""

from __future__ import annotations

import argparse

import numpy as np
from matplotlib.figure import Figure

from fluxsense.model.rice import log_power_density

REPEATS = (16, 64, 256, 1024, 4096)
NOISE = 0.01


def estimates_db(
    depth_db: float, count: int, rng: np.random.Generator, trials: int = 400
) -> tuple[np.ndarray, np.ndarray]:
    """Mean of decibels (trials,) and most probable depth in dB (trials,) for sweeps of a true depth."""
    true = 10 ** (-depth_db / 20)
    noise = NOISE * (rng.standard_normal((trials, count)) + 1j * rng.standard_normal((trials, count)))
    m = np.abs(true + noise)
    power = np.mean(m**2, axis=1)
    grid = true * np.geomspace(0.02, 12, 600)
    logs = log_power_density(power[:, None], grid**2, NOISE**2, count)
    return np.mean(20 * np.log10(m), axis=1), 20 * np.log10(grid[np.argmax(logs, axis=1)])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--depth-db", type=float, default=40.0)
    parser.add_argument("--out", default="notch.png")
    options = parser.parse_args()
    rng = np.random.default_rng(1)
    rows = [estimates_db(options.depth_db, n, rng) for n in REPEATS]
    figure = Figure(figsize=(6.4, 4.2), layout="constrained")
    axes = figure.subplots()
    for k, (label, colour, marker) in enumerate(
        (("mean of decibels", "#c25700", "s"), ("most probable depth, exact law", "#1f4e79", "o"))
    ):
        quantiles = np.array([np.quantile(r[k], (0.16, 0.5, 0.84)) for r in rows])
        shifted = np.array(REPEATS) * (1.0 + 0.06 * k)
        errors = [quantiles[:, 1] - quantiles[:, 0], quantiles[:, 2] - quantiles[:, 1]]
        axes.errorbar(shifted, quantiles[:, 1], errors, fmt=marker, color=colour, capsize=3, label=label)
        print(label + ": " + ", ".join(f"{n}: {v:.2f}" for n, v in zip(REPEATS, quantiles[:, 1], strict=True)) + " dB")
    axes.axhline(-options.depth_db, color="#5d6770", linestyle=":", label="truth")
    axes.set_xscale("log")
    axes.set_xlabel("repeats")
    axes.set_ylabel("depth (dB): median and 68% of 400 trials")
    axes.set_title("A notch 40 dB deep, noise of 0.01 per quadrature (simulated)")
    axes.legend()
    figure.savefig(options.out, dpi=150)
    print(f"Wrote {options.out}.")


if __name__ == "__main__":
    main()
