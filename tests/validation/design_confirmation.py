"""Longer confirmations of the design module by simulated and inferred campaigns: prints figures, asserts nothing.

Usage: python tests/validation/design_confirmation.py {limits,scatter,layout,turned,working-point,time,rate,gains} [--campaigns N]
       [--seed N] [--whole] [--workers N]

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
from dataclasses import dataclass, replace

import beside  # noqa: F401
import numpy as np
from design_scenarios import TEMPLATE, chip, ring
from reference.normal_gain import normal_gain
from scipy.stats import binomtest

from fluxsense.base.executors import Processes, ordered_map
from fluxsense.base.sphere import angle_between_rad
from fluxsense.design.information_gain import chip_gain
from fluxsense.design.layout import (
    Judge,
    Layout,
    Search,
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
from fluxsense.design.working_point import Effort, best_working_point
from fluxsense.infer.modes import ascend
from fluxsense.jobs.orient import orient
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.priors import integrated_arrays
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import DirectionPrior, Study, read_study


def estimate(study: Study, truth: Truth, start: np.ndarray, whole: bool) -> tuple[np.ndarray, str]:
    """Direction (3,) inferred from a simulated campaign, and the verdict of `orient`, if that did it."""
    digest = simulate_digest(study, truth)
    if whole:
        document = orient(study, digest, seed=1, wanted_ess=300).document
        return np.array(document["direction"]["vector"]), document["verdict"]["trust"]
    unknowns = Unknowns(study, study.plan.cooldowns, leave_out=integrated_arrays(study))
    likelihood = RatioLikelihood(study, digest, truth.port_signs, reference=truth.parameters)
    mode = ascend(CampaignProblem(unknowns, likelihood), start)
    if mode is None:
        raise SystemExit("a search began outside the prior")
    return mode.x[:3], ""


@dataclass(frozen=True)
class Run:
    """What the campaigns of one row share: the study, how they are drawn, how inferred, and on how many processes.

    told: the dipole's place is drawn anew for each campaign and told to whoever infers.
    """

    study: Study
    campaigns: int
    seed: int
    whole: bool = False
    workers: int = 1
    told: bool = False


def campaign(run: Run, n: int) -> tuple[float, float, str]:
    """Angle of estimate and truth of campaign n, root mean square one predicted there, in degrees, and the verdict."""
    study = run.study
    signs = tuple(i.pump_port_1_sign or 1 for i in study.isolators)
    experiment = planned_experiment(study)
    x = direction_points(experiment.unknowns, run.campaigns, run.seed + 5)
    here, y = study, x[n : n + 1]
    if run.told:
        place = experiment.parameters(x)["position_m"][n]
        source = replace(study.source, position_m=tuple(map(float, place)), position_sd_m=(0.0, 0.0, 0.0))
        here = replace(study, source=source)
        experiment = planned_experiment(here)
        y = direction_points(experiment.unknowns, 1, run.seed * 1000 + n)
        y[0, :3] = x[n, :3]
    predicted = root_mean_square_deg(predict(experiment, y))
    truth = Truth(experiment.parameters(y), signs, here.plan.cooldowns, run.seed * 100_000 + n)
    values = {v.name: y[0, c] for c, v in enumerate(experiment.unknowns.nuisances, 3)}
    unknowns = Unknowns(here, here.plan.cooldowns, leave_out=integrated_arrays(here))
    start = np.concatenate([y[0, :3], [values[v.name] for v in unknowns.nuisances]])
    found, trust = estimate(here, truth, start, run.whole)
    return float(np.degrees(angle_between_rad(found, y[0, :3]))), predicted, trust


@dataclass(frozen=True)
class Scatter:
    """Angles of estimate and truth (N,) and root mean square ones predicted at the same truths, in degrees; verdicts."""

    angle_deg: np.ndarray
    predicted_deg: np.ndarray
    trust: tuple[str, ...]

    @property
    def rms_deg(self) -> float:
        """Measured."""
        return float(np.sqrt(np.mean(self.angle_deg**2)))

    @property
    def rms_predicted_deg(self) -> float:
        """Predicted."""
        return float(np.sqrt(np.mean(self.predicted_deg**2)))


def scatter(run: Run) -> Scatter:
    """All campaigns of a row."""
    where = Processes(run.workers) if run.workers > 1 else None
    rows = list(ordered_map(campaign, range(run.campaigns), run, executor=where, batch=1))
    return Scatter(np.array([r[0] for r in rows]), np.array([r[1] for r in rows]), tuple(r[2] for r in rows))


def show(words: str, found: Scatter) -> None:
    """One line of a comparison; the last number is free of how the few large predictions happen to weigh."""
    square, own = found.angle_deg**2, (found.angle_deg / found.predicted_deg) ** 2
    rms, predicted = found.rms_deg, found.rms_predicted_deg
    error = float(np.std(square) / np.sqrt(len(square)) / (2 * rms))
    trusts = ", ".join(f"{found.trust.count(v)} {v}" for v in dict.fromkeys(found.trust) if v)
    print(
        f"{words}: measured {rms:.4g} +- {error:.2g} deg, predicted {predicted:.4g} deg, ratio {rms / predicted:.3f}; "
        f"each over its own prediction {np.sqrt(own.mean()):.3f} +- {np.std(own) / np.sqrt(len(own)) / (2 * np.sqrt(own.mean())):.2g}"
        + (f" ({trusts})" if trusts else ""),
        flush=True,
    )


def compare(words: str, small: Scatter, large: Scatter, draws: int = 2000) -> None:
    """How much smaller one row's error is; standard deviation of the ratio by drawing campaigns anew."""
    rng = np.random.default_rng(0)
    pick = [[v**2 for v in s.angle_deg] for s in (small, large)]
    ratio = [
        np.sqrt(np.mean(rng.choice(pick[0], len(pick[0]))) / np.mean(rng.choice(pick[1], len(pick[1]))))
        for _ in range(draws)
    ]
    measured, predicted = small.rms_deg / large.rms_deg, small.rms_predicted_deg / large.rms_predicted_deg
    print(
        f"{words}: measured {100 * (1 - measured):.3g} +- {100 * np.std(ratio):.2g}% smaller ({1 / measured:.3g} times), "
        f"predicted {100 * (1 - predicted):.3g}% ({1 / predicted:.3g} times); at least 15% smaller with probability "
        f"{np.mean(np.array(ratio) <= 0.85):.3f}",
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


def layouts(run: Run) -> None:
    """Three sense loops under a dipole whose place varies by 4 um: ring at 25 um, best ring, search; then the other reading."""
    start = chip(ring(3, 25, 12), height_um=15.0, position_sd_um=4.0)
    for known, words in ((("position",), "position known when data are read"), ((), "position known to 4 um only")):
        judge = Judge(start, search_points(start, 24, run.seed), known=known)
        found = search_layout(judge, Search(starts=4, steps=1200, seed=run.seed))
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
            rows = {}
            for label, study in (("search", best), ("best ring", ring_study), ("ring at 25 um", start)):
                rows[label] = scatter(replace(run, study=study, told=True))
                show(f"  {label}, place drawn and told", rows[label])
            for label in ("best ring", "ring at 25 um"):
                compare(f"  search against {label}", rows["search"], rows[label])


def turned(run: Run) -> None:
    """The same with sweeps of the source turned by half a turn about z as well: six fluxes for six unknowns, place and all."""
    start = chip(ring(3, 25, 12), height_um=15.0, position_sd_um=4.0, states=("out", "in", "half_turn"))
    judge = Judge(start, search_points(start, 48, run.seed))
    found = search_layout(judge, Search(starts=3, steps=1000, seed=run.seed))
    best, (even, _) = with_layout(start, found.layout), best_ring(judge)
    studies = {"ring at 25 um": start, "best ring": with_layout(start, even), "search": best}
    values = {label: all_criteria(judged(s))["error"] for label, s in studies.items()}
    print(
        ", ".join(f"{label} {value:.4g}" for label, value in values.items())
        + f" degrees; {values['ring at 25 um'] / values['search']:.3g} times smaller than the start, "
        f"{100 * (1 - values['search'] / values['best ring']):.3g}% below the best ring",
        flush=True,
    )
    rows = {}
    for label, study in studies.items():
        valid = judged(study).valid()
        rows[label] = scatter(replace(run, study=study))
        show(f"  {label} (prediction {'valid' if valid else 'not valid'})", rows[label])
    for label in ("best ring", "ring at 25 um"):
        compare(f"  search against {label}", rows["search"], rows[label])


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


def working_point(run: Run) -> None:
    """A chip at zero bias before and after the search."""
    study = chip(ring(4, 14, 14), height_um=12.0, position_sd_um=0.0, bias=((0.0, 0.0, 1), (0.0, 0.0, 2)))
    found = best_working_point(
        study,
        direction_points(Unknowns(study, study.plan.cooldowns), 6, run.seed),
        Effort(rounds=1, samples=32, polish=40),
        seed=run.seed,
    )
    print(
        f"predicted {found.error_before_deg:.4g} before, {found.error_after_deg:.4g} after: {found.error_before_deg / found.error_after_deg:.3g} times smaller"
    )
    after = scatter(replace(run, study=replace(study, settings=found.settings)))
    show("  after", after)
    before = scatter(replace(run, study=study))
    show("  before", before)
    compare("  after against before", after, before)


def times(run: Run) -> None:
    """Sweeps predicted for half the error, and the error measured with as many."""
    study = chip(ring(4, 14, 14), height_um=12.0, position_sd_um=0.02, repeats=4)
    experiment = planned_experiment(study)
    x = direction_points(experiment.unknowns, 16, run.seed)
    now = root_mean_square_deg(predict(experiment, x))
    answer = time_to_error(experiment, x, 0.5 * now)
    factor = answer.sweeps / sum(sum(b.sweeps) for b in experiment.blocks)
    repeats = round(4 * factor)
    print(
        f"now {now:.4g} deg; wanted {0.5 * now:.4g} deg: {factor:.3g} times the sweeps, rounded to {repeats} repeats for 4"
    )
    longer = replace(study, plan=replace(study.plan, repeats=repeats, off_repeats=repeats))
    found = scatter(replace(run, study=longer))
    show("  measured with that many", found)
    print(f"  time that the measured error stands for, against the predicted: {(found.rms_deg / (0.5 * now)) ** 2:.3f}")


def rates(run: Run) -> None:
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
    for n in range(run.campaigns):
        truth = draw_truth(longer, run.seed * 100_000 + n)
        digest = simulate_digest(longer, truth)
        unknowns = Unknowns(longer, longer.plan.cooldowns, leave_out=("pump_phase_error_rad",))
        likelihood = RatioLikelihood(longer, digest, truth.port_signs, reference=truth.parameters)
        problem = CampaignProblem(unknowns, likelihood)
        heights = []
        for u in (v, -v):
            x = np.zeros(unknowns.size)
            x[:3] = unknowns.source_prior.embed(u[None], 1.0)[0]
            mode = ascend(problem, x)
            heights.append(-np.inf if mode is None else mode.log_posterior)
        wrong += bool((heights[0] > heights[1]) != (truth.parameters["source"][0] @ v > 0))
    print(
        f"taken for the reverse: {now:.3f} predicted with 4 repeats, {then:.3f} with {repeats}, the whole number next to what 0.1 needs; "
        f"measured {wrong} of {run.campaigns} (binomial probability {binomtest(wrong, run.campaigns, then).pvalue:.2f})"
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
    parser.add_argument("--workers", type=int, default=1, help="processes; the figures are the same")
    options = parser.parse_args()
    near = chip(ring(4, 14, 14), height_um=12.0, position_sd_um=0.05)
    run = Run(near, options.campaigns, options.seed, options.whole, options.workers)
    if options.what == "limits":
        limits()
    elif options.what == "scatter":
        show("near normal", scatter(run))
        amplitudes = replace(near, data=replace(near.data, kind="magnitude"))
        show("magnitudes only", scatter(replace(run, study=amplitudes)))
        wandering = replace(near, noise=replace(near.noise, flux_slow_phi0=1e-3))
        show("slow flux noise of 1 mPhi0", scatter(replace(run, study=wandering)))
        wide = chip(ring(3, 16, 12), height_um=12.0, position_sd_um=6.0)
        valid = predict(planned_experiment(wide), points_at(Unknowns(wide, wide.plan.cooldowns), np.eye(3))).valid()
        show(
            f"far from normal (the package calls the prediction {'valid' if valid else 'not valid'})",
            scatter(replace(run, study=wide, campaigns=options.campaigns // 3)),
        )
    elif options.what == "layout":
        layouts(run)
    elif options.what == "working-point":
        working_point(run)
    elif options.what == "turned":
        turned(run)
    elif options.what == "rate":
        rates(run)
    elif options.what == "gains":
        gains(options.campaigns, options.seed)
    else:
        times(run)


if __name__ == "__main__":
    main()
