"""Campaigns with a read-out chain, sample by sample: do they show the noise and the angular error that the chain predicts?

Usage: python tests/validation/readout_campaigns.py [--source NAME] [--campaigns N] [--seed N] [--whole]

The study is the one that `start --source NAME` writes.  Its white noise follows from a table of attenuators and amplifiers; the
sweeps' white noise comes from `reference.sampled_chain`, where every stage adds its own, and from nowhere else.  Drift, flux
noise and offsets are drawn as `simulate` does.  Noise: what repeats show, over the chain's.  Error: angle of the posterior's
mode and the truth, over the root mean square one predicted there (`design_confirmation`); with --whole that of the mean
direction of all of `orient`, which knows nothing of the truth.  Prints figures, asserts nothing.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import beside  # noqa: F401
import numpy as np
from reference.sampled_chain import received

from fluxsense.data.digest import Digest, DigestBuilder
from fluxsense.data.noise_levels import measure_noise, relative_white
from fluxsense.jobs.result import as_study
from fluxsense.jobs.simulate import Truth, group_key, sweeps
from fluxsense.jobs.start import EXAMPLES, example_text
from fluxsense.study import Study
from fluxsense.study.readout import Element


def chain_digest(study: Study, truth: Truth, seed: int, up: Sequence[Element] | None = None) -> Digest:
    """Digest of a campaign whose white noise comes from the study's chain, sample by sample (another `up` if given)."""
    readout, rng = study.readout, np.random.default_rng(seed)
    down = [{"gain": 10 ** (x.gain_db / 10), "temperature": x.temperature_k} for x in readout.down]
    behind = [
        {"gain": 10 ** (x.gain_db / 10)} | ({"added": x.added_k} if x.active else {"temperature": x.temperature_k})
        for x in (readout.up if up is None else up)
    ]
    quiet = replace(study, noise=replace(study.noise, white=0.0))
    rows = list(sweeps(quiet, truth))
    off = {
        name: [np.abs(s.s) for r, s in rows if r.isolator == name and not r.pump_on]
        for name in {r.isolator for r, _ in rows}
    }
    levels = {
        name: np.median(np.concatenate(x), axis=0) for name, x in off.items()
    }  # (2, 2): stands for unit transmission
    for level in levels.values():
        level[0, 0], level[1, 1] = level[1, 0], level[0, 1]  # reflections come by the lines too
    middle = 0.5 * (study.sweep.start_hz + study.sweep.stop_hz)
    builder = DigestBuilder()
    for row, sweep in rows:
        level = levels[row.isolator]
        noisy = received(
            readout.source_power_w, down, behind, middle, readout.bandwidth_hz / readout.averages, rng, sweep.s / level
        )
        builder.add(group_key(row), replace(sweep, s=level * noisy), row.time_s)
    return builder.freeze()


def main() -> None:
    """One line for the noise, one for the error."""
    import design_confirmation as confirm

    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--source", choices=tuple(EXAMPLES), default="grain_100nm")
    parser.add_argument("--campaigns", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--whole", action="store_true", help="infer with the whole of orient")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "study.toml"
        path.write_text(example_text(asked.source), encoding="utf-8")
        study = as_study(path)
    ratios: list[float] = []

    def digest(here: Study, truth: Truth) -> Digest:
        made = chain_digest(here, truth, truth.seed)
        levels = measure_noise(made, here.noise.white, here.noise.gain_drift, here.noise.phase_drift_rad)
        ratios.append(relative_white(made, levels) / here.noise.white)
        return made

    confirm.simulate_digest = digest
    found = confirm.scatter(confirm.Run(study, asked.campaigns, asked.seed, asked.whole))
    mean, error = np.mean(ratios), np.std(ratios) / np.sqrt(len(ratios))
    print(f"{asked.source}: noise of repeats over the chain's: {mean:.4f} +- {error:.2g} ({len(ratios)} campaigns)")
    confirm.show(f"{asked.source}: error with the chain", found)


if __name__ == "__main__":
    main()
