"""Longer confirmations of the design module by simulated and inferred campaigns: prints figures, asserts nothing.

Usage: python tests/design_confirmation.py {limits,scatter,layout,turned,working-point,time,rate,gains} [--campaigns N]
       [--seed N] [--whole]

Each campaign is simulated from a truth drawn from the prior (source at the stated size) and inferred with the package's own
likelihood; the estimate is the mode of the posterior, climbed to from the truth, which takes a tenth of a second.  With
--whole each campaign goes through the whole of `orient` instead, which knows nothing of the truth: wiring, search of the
sphere, sampling; the estimate is the mean direction.  Predictions are the root mean square of the angular errors predicted
at the same truths.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from design_scenarios import TEMPLATE, chip, ring
from scipy.stats import binomtest

from fluxsense.design.information_gain import chip_gain, normal_gain
from fluxsense.design.layout import (
    Judge,
    Layout,
    all_criteria,
    best_ring,
    judged,
    random_layout,
    search_layout,
    search_points,
    with_layout,
)
from fluxsense.design.schedule import confusion_rate, root_mean_square_deg, time_to_error, time_to_error_rate
from fluxsense.design.sensitivity import direction_points, planned_experiment, points_at, predict
from fluxsense.design.working_point import best_working_point
from fluxsense.infer.directions import angle_between_rad
from fluxsense.infer.likelihood import RatioLikelihood
from fluxsense.infer.modes import ascend
from fluxsense.infer.orient import orient
from fluxsense.infer.problem import CampaignProblem
from fluxsense.infer.unknowns import Unknowns
from fluxsense.simulate import Truth, draw_truth, simulate_digest
from fluxsense.study import DirectionPrior, Study, read_study


def estimate(study: Study, truth: Truth, start: np.ndarray, whole: bool) -> np.ndarray:
    """Direction (3,) inferred from a simulated campaign."""
    digest = simulate_digest(study, truth)
    if whole:
        return np.array(orient(study, digest, seed=1, wanted_ess=300).document["direction"]["vector"])
    unknowns = Unknowns(study, study.plan.cooldowns, leave_out=("phase",))
    likelihood = RatioLikelihood(study, digest, truth.port_signs, reference=truth.parameters)
    mode = ascend(CampaignProblem(unknowns, likelihood), start)
    if mode is None:
        raise SystemExit("a search began outside the prior")
    return mode.x[:3]


def scatter(study: Study, campaigns: int, seed: int, whole: bool = False) -> tuple[float, float, float]:
    """Root mean square angle of estimate and truth, its standard error, and the predicted one, in degrees."""
    signs = tuple(i.pump_port_1_sign or 1 for i in study.isolators)
    experiment = planned_experiment(study)
    x = direction_points(experiment.unknowns, campaigns, seed + 5)
    predicted = root_mean_square_deg(predict(experiment, x))
    unknowns = Unknowns(study, study.plan.cooldowns, leave_out=("phase",))
    angles = []
    for n in range(campaigns):
        truth = Truth(experiment.parameters(x[n : n + 1]), signs, study.plan.cooldowns, seed * 100_000 + n)
        values = {v.name: x[n, c] for c, v in enumerate(experiment.unknowns.nuisances, 3)}
        start = np.concatenate([x[n, :3], [values[v.name] for v in unknowns.nuisances]])
        angles.append(float(angle_between_rad(estimate(study, truth, start, whole), x[n, :3])))
    square = np.degrees(angles) ** 2
    rms = float(np.sqrt(np.mean(square)))
    return rms, float(np.std(square) / np.sqrt(campaigns) / (2 * rms)), predicted


def scatter_told(study: Study, campaigns: int, seed: int, whole: bool) -> tuple[float, float, float]:
    """As `scatter`, the dipole's place drawn anew for each campaign and told to whoever infers."""
    signs = tuple(i.pump_port_1_sign or 1 for i in study.isolators)
    wide = planned_experiment(study)
    x = direction_points(wide.unknowns, campaigns, seed + 5)
    places = wide.parameters(x).position_m
    predicted, angles = [], []
    for n in range(campaigns):
        told = replace(study.source, position_m=tuple(map(float, places[n])), position_sd_m=(0.0, 0.0, 0.0))
        here = replace(study, source=told)
        experiment = planned_experiment(here)
        y = direction_points(experiment.unknowns, 1, seed * 1000 + n)
        y[0, :3] = x[n, :3]
        predicted.append(root_mean_square_deg(predict(experiment, y)))
        truth = Truth(experiment.parameters(y), signs, here.plan.cooldowns, seed * 100_000 + n)
        values = {v.name: y[0, c] for c, v in enumerate(experiment.unknowns.nuisances, 3)}
        unknowns = Unknowns(here, here.plan.cooldowns, leave_out=("phase",))
        start = np.concatenate([y[0, :3], [values[v.name] for v in unknowns.nuisances]])
        angles.append(float(angle_between_rad(estimate(here, truth, start, whole), y[0, :3])))
    square = np.degrees(angles) ** 2
    rms = float(np.sqrt(np.mean(square)))
    return rms, float(np.std(square) / np.sqrt(campaigns) / (2 * rms)), float(np.sqrt(np.mean(np.square(predicted))))


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


def layouts(campaigns: int, seed: int, whole: bool) -> None:
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
                show(f"  {label}, place drawn and told", scatter_told(study, campaigns, seed, whole))


def turned(campaigns: int, seed: int, whole: bool) -> None:
    """The same with sweeps of the source turned by half a turn about z as well: six fluxes for six unknowns, place and all."""
    start = chip(ring(3, 25, 12), height_um=15.0, position_sd_um=4.0, states=("out", "in", "half_turn"))
    judge = Judge(start, search_points(start, 48, seed))
    found = search_layout(judge, starts=3, steps=1000, seed=seed)
    best, (even, _) = with_layout(start, found.layout), best_ring(judge)
    studies = {"ring at 25 um": start, "best ring": with_layout(start, even), "search": best}
    values = {label: all_criteria(judged(s))["error"] for label, s in studies.items()}
    print(
        ", ".join(f"{label} {value:.4g}" for label, value in values.items())
        + f" degrees; {values['ring at 25 um'] / values['search']:.3g} times smaller than the start, "
        f"{100 * (1 - values['search'] / values['best ring']):.3g}% below the best ring",
        flush=True,
    )
    for label, study in studies.items():
        valid = judged(study).valid()
        show(f"  {label} (prediction {'valid' if valid else 'not valid'})", scatter(study, campaigns, seed, whole))


def gains(count: int, seed: int) -> None:
    """Expected information gain of many candidate designs: random layouts of the grain demo, ranked two ways."""
    study = read_study(TEMPLATE)
    rng = np.random.default_rng(seed)
    began = time.perf_counter()
    normal, nested = [], []
    for _ in range(count):
        _, outlines, chips = random_layout(study, rng)
        layout = Layout(tuple(chips), tuple(outlines), 0.0)
        experiment = planned_experiment(with_layout(study, layout), most_points=15)
        normal.append(normal_gain(experiment, direction_points(experiment.unknowns, 8, seed))[0])
        found = chip_gain(experiment, outer=12, inner=100, seed=seed)
        nested.append((found.lower, found.upper, max(found.lower_sd, found.upper_sd)))
    low, high, sd = np.array(nested).T
    order = np.corrcoef(np.argsort(np.argsort(normal)), np.argsort(np.argsort(0.5 * (low + high))))[0, 1]
    print(
        f"{count} candidates in {time.perf_counter() - began:.0f} s: gain on the source (normal approximation) {min(normal):.3g} "
        f"to {max(normal):.3g} nats; on all unknowns (nested) {low.min():.4g} to {high.max():.4g}, bracket "
        f"{np.mean(high - low):.2g} wide, Monte Carlo error {sd.mean():.2g}; rank correlation {order:.2f}"
    )


def working_point(campaigns: int, seed: int, whole: bool) -> None:
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
    show("  before", scatter(study, campaigns, seed, whole))
    show("  after", scatter(replace(study, settings=found.settings), campaigns, seed, whole))


def times(campaigns: int, seed: int, whole: bool) -> None:
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
    found = scatter(longer, campaigns, seed, whole)
    show("  measured with that many", found)
    print(f"  time that the measured error stands for, against the predicted: {(found[0] / (0.5 * now)) ** 2:.3f}")


def rates(campaigns: int, seed: int) -> None:
    """Sweeps predicted for a wanted rate of taking a direction for its reverse, and the rate in as many.

    The better of the two is the one with the higher mode of the posterior, climbed to from the prior's middle for each.
    """
    v = np.array([0.48, 0.62, 0.62]) / np.sqrt(0.48**2 + 2 * 0.62**2)
    two = DirectionPrior("list", candidates=(tuple(v), tuple(-v)))
    moment = 1e-16
    study = chip(ring(4, 14, 14), height_um=12.0, position_sd_um=0.02, repeats=4, moment=moment)
    study = replace(study, source=replace(study.source, direction=two, size_prior="known", size_sd=0.02 * moment))
    experiment = planned_experiment(study)
    now, _ = confusion_rate(experiment, v[None])
    answer = time_to_error_rate(experiment, v[None], 0.1)
    repeats = round(4 * answer.sweeps / sum(sum(b.sweeps) for b in experiment.blocks))
    longer = replace(study, plan=replace(study.plan, repeats=repeats, off_repeats=repeats))
    then, _ = confusion_rate(planned_experiment(longer), v[None])
    wrong = 0
    for n in range(campaigns):
        truth = draw_truth(longer, seed * 100_000 + n)
        digest = simulate_digest(longer, truth)
        unknowns = Unknowns(longer, longer.plan.cooldowns, leave_out=("phase",))
        likelihood = RatioLikelihood(longer, digest, truth.port_signs, reference=truth.parameters)
        problem = CampaignProblem(unknowns, likelihood)
        heights = []
        for u in (v, -v):
            x = np.zeros(unknowns.size)
            x[:3] = unknowns.source_prior.embed(u[None], 1.0)[0]
            mode = ascend(problem, x)
            heights.append(-np.inf if mode is None else mode.log_posterior)
        wrong += bool((heights[0] > heights[1]) != (truth.parameters.source[0] @ v > 0))
    print(
        f"taken for the reverse: {now:.3f} predicted with 4 repeats, {then:.3f} with {repeats}, the whole number next to what 0.1 needs; "
        f"measured {wrong} of {campaigns} (binomial probability {binomtest(wrong, campaigns, then).pvalue:.2f})"
    )


def main() -> None:
    """Run one confirmation."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "what", choices=("limits", "scatter", "layout", "turned", "working-point", "time", "rate", "gains")
    )
    parser.add_argument("--campaigns", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--whole", action="store_true", help="through the whole of orient (seconds each)")
    options = parser.parse_args()
    whole = options.whole
    if options.what == "limits":
        limits()
    elif options.what == "scatter":
        near = chip(ring(4, 14, 14), height_um=12.0, position_sd_um=0.05)
        show("near normal", scatter(near, options.campaigns, options.seed, whole))
        wide = chip(ring(3, 16, 12), height_um=12.0, position_sd_um=6.0)
        valid = predict(planned_experiment(wide), points_at(Unknowns(wide, wide.plan.cooldowns), np.eye(3))).valid()
        show(
            f"far from normal (the package calls the prediction {'valid' if valid else 'not valid'})",
            scatter(wide, options.campaigns // 3, options.seed, whole),
        )
    elif options.what == "layout":
        layouts(options.campaigns, options.seed, whole)
    elif options.what == "working-point":
        working_point(options.campaigns, options.seed, whole)
    elif options.what == "turned":
        turned(options.campaigns, options.seed, whole)
    elif options.what == "rate":
        rates(options.campaigns, options.seed)
    elif options.what == "gains":
        gains(options.campaigns, options.seed)
    else:
        times(options.campaigns, options.seed, whole)


if __name__ == "__main__":
    main()
