"""How the angular error falls with repeats, and where slow flux noise stops it.

    python examples/noise_floor.py STUDY --slow "0.1 mPhi0" --out floor.png

The campaign that the study plans is predicted without noise at a source of the stated size; then only the number of sweeps
per group changes, source-out sweeps first and source-in sweeps after them.  Without slow noise the error falls as one over
the root of the repeats.  With noise of spectrum A^2/f it stops where the slow fluctuations between the two halves are all
that is left: the difference of two adjacent means keeps a variance of about 4 ln 2 A^2 however long they are.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from matplotlib.figure import Figure

from fluxsense.base.sphere import direction_error_rad
from fluxsense.base.units import parse_quantity
from fluxsense.data.digest import Digest
from fluxsense.device.chip import nominal_parameters
from fluxsense.infer.budget import information_at
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.priors import integrated_arrays
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study, read_study

REPEATS = (1, 3, 10, 30, 100, 300, 1000, 3000, 10000)


def taken_in_a_row(digest: Digest, count: int, seconds: float) -> Digest:
    """The same means, each from `count` sweeps: groups with the source out first."""
    groups, time = {}, 0.0
    for key in sorted(digest, key=lambda k: (k.state != "out", k)):
        last = time + (count - 1) * seconds
        groups[key] = digest[key].moved(time, last, count)
        time = last + seconds
    return Digest(groups)


def errors_deg(study: Study, direction: np.ndarray) -> list[float]:
    """Angular error for each number of repeats, in degrees."""
    truth = draw_truth(study, 1, source=study.source.size * direction)
    parameters = nominal_parameters(study, truth.parameters["source"], len(study.plan.cooldowns))
    silent = replace(study, noise=replace(study.noise, flux_slow_phi0=0.0, flux_phi0=0.0, residual_gain=0.0))
    digest = simulate_digest(silent, replace(truth, parameters=parameters))
    noise = RatioLikelihood(study, digest, truth.port_signs).noise
    out = []
    for count in REPEATS:
        likelihood = RatioLikelihood(
            study,
            taken_in_a_row(digest, count, study.plan.seconds_per_sweep),
            truth.port_signs,
            noise=noise,
            reference=parameters,
        )
        unknowns = Unknowns(study, likelihood.cooldowns, leave_out=integrated_arrays(study))
        x = np.zeros(unknowns.size)
        x[:3] = direction
        covariance = np.linalg.inv(information_at(CampaignProblem(unknowns, likelihood), x))
        out.append(float(np.degrees(direction_error_rad(direction, covariance[:3, :3]))))
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("study")
    parser.add_argument("--slow", default="0.1 mPhi0", help="amplitude A of the slow flux noise")
    parser.add_argument("--out", default="floor.png")
    options = parser.parse_args()
    study = read_study(options.study)
    # position and residual gain are floors of their own; here they are known, so that the noise's shows
    study = replace(
        study,
        source=replace(study.source, position_sd_m=(0.0, 0.0, 0.0)),
        noise=replace(study.noise, residual_gain=0.0),
    )
    direction = np.array([0.6, -0.48, 0.64])
    slow = parse_quantity(options.slow, "flux")
    cases = {
        "white noise only": replace(study, noise=replace(study.noise, flux_slow_phi0=0.0)),
        f"with slow flux noise, A = {options.slow}": replace(study, noise=replace(study.noise, flux_slow_phi0=slow)),
    }
    figure = Figure(figsize=(6.4, 4.2), layout="constrained")
    axes = figure.subplots()
    for (label, case), colour, marker in zip(cases.items(), ("#1f4e79", "#c25700"), "os", strict=True):
        values = errors_deg(case, direction)
        axes.loglog(REPEATS, values, marker=marker, color=colour, label=label)
        print(label + ": " + ", ".join(f"{n}: {v:.3g}" for n, v in zip(REPEATS, values, strict=True)) + " degrees")
        if marker == "o":
            guide = values[0] / np.sqrt(np.array(REPEATS, dtype=float))
            axes.loglog(REPEATS, guide, linestyle=":", color="#5d6770", label="one over the root of the repeats")
    axes.set_xlabel("sweeps per group")
    axes.set_ylabel("rms angular error (degrees)")
    axes.set_title(study.title + (" (invented)" if study.invented and "invented" not in study.title else ""))
    axes.legend()
    axes.grid(alpha=0.3)
    figure.savefig(options.out, dpi=150)
    print(f"Wrote {options.out}.")


if __name__ == "__main__":
    main()
