"""Longer confirmations of the design module by simulated and inferred campaigns: prints figures, asserts nothing.

Usage: python tests/design_confirmation.py {limits,scatter,layout,working-point,time} [--campaigns N] [--seed N]

Each campaign is simulated from a truth drawn from the prior (source at the stated size) and inferred with the package's own
likelihood; the estimate is the mode of the posterior, climbed to from the truth (so a wrong mode elsewhere would not be
seen here: that is what tests/calibration.py is for).  Predictions are the root mean square of the angular errors predicted
at the same truths.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from design_scenarios import chip, ring

from fluxsense.design.layout import (
    Judge,
    all_criteria,
    best_ring,
    judged,
    search_layout,
    search_points,
    with_layout,
)
from fluxsense.design.schedule import root_mean_square_deg, time_to_error
from fluxsense.design.sensitivity import direction_points, planned_experiment, points_at, predict
from fluxsense.design.working_point import best_working_point
from fluxsense.infer.directions import angle_between_rad
from fluxsense.infer.likelihood import RatioLikelihood
from fluxsense.infer.modes import ascend
from fluxsense.infer.problem import CampaignProblem
from fluxsense.infer.unknowns import Unknowns
from fluxsense.simulate import Truth, simulate_digest
from fluxsense.study import Study


def scatter(study: Study, campaigns: int, seed: int) -> tuple[float, float, float]:
    """Root mean square angle of estimate and truth, its standard error, and the predicted one, in degrees."""
    signs = tuple(i.pump_port_1_sign or 1 for i in study.isolators)
    experiment = planned_experiment(study)
    x = direction_points(experiment.unknowns, campaigns, seed + 5)
    predicted = root_mean_square_deg(predict(experiment, x))
    unknowns = Unknowns(study, study.plan.cooldowns, leave_out=("phase",))
    angles = []
    for n in range(campaigns):
        truth = Truth(experiment.parameters(x[n : n + 1]), signs, study.plan.cooldowns, seed * 100_000 + n)
        digest = simulate_digest(study, truth)
        likelihood = RatioLikelihood(study, digest, signs, reference=truth.parameters)
        problem = CampaignProblem(unknowns, likelihood)
        values = {v.name: x[n, c] for c, v in enumerate(experiment.unknowns.nuisances, 3)}
        start = np.concatenate([x[n, :3], [values[v.name] for v in unknowns.nuisances]])
        mode = ascend(problem, start)
        if mode is None:
            raise SystemExit("a search began outside the prior")
        angles.append(float(angle_between_rad(mode.x[:3], x[n, :3])))
    square = np.degrees(angles) ** 2
    rms = float(np.sqrt(np.mean(square)))
    return rms, float(np.std(square) / np.sqrt(campaigns) / (2 * rms)), predicted


def show(words: str, found: tuple[float, float, float]) -> None:
    """One line of a comparison."""
    rms, error, predicted = found
    print(
        f"{words}: measured {rms:.4g} +- {error:.2g} deg, predicted {predicted:.4g} deg, ratio {rms / predicted:.3f}",
        flush=True,
    )


def error_of(study: Study, known: Sequence[str] = (), points: int = 64) -> float:
    """Mean predicted angular error over the prior, in degrees."""
    experiment = planned_experiment(study)
    x = direction_points(experiment.unknowns, points, 77)
    return float(np.degrees(np.mean(predict(experiment, x).angular_error_rad(known))))


def limits() -> None:
    """The limits that a user should see, each by the Fisher information of a chip built for it."""
    base = {"height_um": 12.0, "position_sd_um": 0.0}
    half = error_of(chip(ring(4, 14, 14), **base, bias=((0.5, 0.5, 1), (0.5, 0.5, 2))))
    for words, bias in (
        ("every loop at zero", ((0.0, 0.0, 1), (0.0, 0.0, 2))),
        ("sense loop at zero", ((0.0, 0.5, 1), (0.0, 0.5, 2))),
    ):
        print(
            f"zero bias, {words}: {error_of(chip(ring(4, 14, 14), **base, bias=bias)) / half:.3g} times larger than at half a flux quantum"
        )
    good = error_of(chip(ring(3, 0.9 * 15, 18), position_sd_um=4.0), ("position",))
    null = error_of(chip(ring(3, 1.4 * 15, 12), position_sd_um=0.0))
    print(
        f"loops of 12 um on a ring at 1.4 heights: {null / good:.3g} times larger than on a good ring (position known)"
    )
    for states, words in ((("in",), "in only"), (("out", "in"), "out and in"), (("reversed", "in"), "in and reversed")):
        found = [error_of(chip(ring(6, 12, 12), **base, states=states, offset_sd_mphi0=v)) for v in (1.0, 5.0, 20.0)]
        print(f"offset known to 1, 5, 20 mPhi0, sweeps {words}: " + ", ".join(f"{v:.3g}" for v in found) + " degrees")
    found = [error_of(chip(ring(6, 12, 10), height_um=12.0, position_sd_um=v)) for v in (0.0, 0.2, 0.5, 1.0, 3.0)]
    print(
        "position known to 0, 0.2, 0.5, 1, 3 um, six loops on one ring: "
        + ", ".join(f"{v:.3g}" for v in found)
        + " degrees"
    )


def layouts(campaigns: int, seed: int) -> None:
    """Three sense loops under a dipole whose place varies by 4 um: ring at 25 um, best ring, search; then the other reading."""
    start = chip(ring(3, 25, 12), height_um=15.0, position_sd_um=4.0)
    for known, words in ((("position",), "position known when data are read"), ((), "position known to 4 um only")):
        judge = Judge(start, search_points(start, 24, seed), known=known)
        found = search_layout(judge, starts=4, steps=1200, seed=seed)
        best, (even, _) = with_layout(start, found.layout), best_ring(judge)
        ring_study = with_layout(start, even)
        values = [all_criteria(judged(s), known)["error"] for s in (start, ring_study, best)]
        other = all_criteria(judged(best), () if known else ("position",))["error"]
        print(
            f"{words}: ring at 25 um {values[0]:.4g}, best ring {values[1]:.4g}, search {values[2]:.4g} degrees; "
            f"{values[0] / values[2]:.3g} times smaller than the start, {100 * (1 - values[2] / values[1]):.3g}% below the best ring; "
            f"under the other assumption the found layout has {other:.4g} degrees",
            flush=True,
        )
        if known:
            for label, study in (("ring at 25 um", start), ("best ring", ring_study), ("search", best)):
                show(f"  {label}, place exact", scatter(placed(study), campaigns, seed))


def placed(study: Study) -> Study:
    """The study with the dipole's central place known exactly."""
    return replace(study, source=replace(study.source, position_sd_m=(0.0, 0.0, 0.0)))


def working_point(campaigns: int, seed: int) -> None:
    """A chip at zero bias before and after the search."""
    study = chip(ring(4, 14, 14), height_um=12.0, position_sd_um=0.0, bias=((0.0, 0.0, 1), (0.0, 0.0, 2)))
    found = best_working_point(
        study,
        direction_points(Unknowns(study, study.plan.cooldowns), 6, seed),
        rounds=1,
        samples=32,
        polish=40,
        seed=seed,
    )
    print(
        f"predicted {found.error_before_deg:.4g} before, {found.error_after_deg:.4g} after: {found.error_before_deg / found.error_after_deg:.3g} times smaller"
    )
    show("  before", scatter(study, campaigns, seed))
    show("  after", scatter(replace(study, settings=found.settings), campaigns, seed))


def times(campaigns: int, seed: int) -> None:
    """Sweeps predicted for half the error, and the error measured with as many."""
    study = chip(ring(4, 14, 14), height_um=12.0, position_sd_um=0.02, repeats=4)
    experiment = planned_experiment(study)
    x = direction_points(experiment.unknowns, 16, seed)
    now = root_mean_square_deg(predict(experiment, x))
    answer = time_to_error(experiment, x, 0.5 * now)
    factor = answer.sweeps / sum(sum(b.sweeps) for b in experiment.blocks)
    repeats = round(4 * factor)
    print(
        f"now {now:.4g} deg; wanted {0.5 * now:.4g} deg: {factor:.3g} times the sweeps, rounded to {repeats} repeats for 4"
    )
    longer = replace(study, plan=replace(study.plan, repeats=repeats, off_repeats=repeats))
    found = scatter(longer, campaigns, seed)
    show("  measured with that many", found)
    print(f"  time that the measured error stands for, against the predicted: {(found[0] / (0.5 * now)) ** 2:.3f}")


def main() -> None:
    """Run one confirmation."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("limits", "scatter", "layout", "working-point", "time"))
    parser.add_argument("--campaigns", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if options.what == "limits":
        limits()
    elif options.what == "scatter":
        near = chip(ring(4, 14, 14), height_um=12.0, position_sd_um=0.05)
        show("near normal", scatter(near, options.campaigns, options.seed))
        wide = chip(ring(3, 16, 12), height_um=12.0, position_sd_um=6.0)
        valid = predict(planned_experiment(wide), points_at(Unknowns(wide, wide.plan.cooldowns), np.eye(3))).valid()
        show(
            f"far from normal (the package calls the prediction {'valid' if valid else 'not valid'})",
            scatter(wide, options.campaigns // 3, options.seed),
        )
    elif options.what == "layout":
        layouts(options.campaigns, options.seed)
    elif options.what == "working-point":
        working_point(options.campaigns, options.seed)
    else:
        times(options.campaigns, options.seed)


if __name__ == "__main__":
    main()
