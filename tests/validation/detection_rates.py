"""Measured false-alarm and detection rates against the predicted ones: a script, not a test (minutes).

    python tests/validation/detection_rates.py data_demo/grain/study.toml
    python tests/validation/detection_rates.py data_demo/grain/study.toml --digests 4000 --digests-each 500   # an hour and a half

Campaigns are simulated from the study: sets of nuisances from their priors, for each set many campaigns with pump phase
errors and the position of a dipole from theirs, ratios of group means from the full chip model, noise from the covariance of
the likelihood; each is fitted without a source and the score statistic taken, with derivatives at the nuisances that a fit
finds, as for measured data.  Predictions are averages over the same sets, from drawn scores.
With --digests and --digests-each, that many campaigns without a source and at each of four sizes are simulated sweep by
sweep and digested like files, with the noise measured from their own repeats.  With --known-noise the campaigns near the
thresholds are taken once more with noise, nuisances and derivatives of the truth, for which the law of the statistic is
known exactly to first order in the noise: the same draws, so that the difference of the two counts is known far better than
either, and chance in the draws is told from a fault of what is measured.  The sequential test runs on the same
campaign to first order, repeat by repeat, with the Bayes factor of the study's prior as its ratio.  Printed with binomial
errors.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import beside  # noqa: E402, F401
import numpy as np  # noqa: E402
from reference.walks import run_paths, simulate_normal  # noqa: E402

from fluxsense.base.executors import Processes, ordered_map  # noqa: E402
from fluxsense.base.sphere import random_directions  # noqa: E402
from fluxsense.base.units import format_quantity  # noqa: E402
from fluxsense.data.digest import Digest  # noqa: E402
from fluxsense.data.noise_levels import PATHS, NoiseLevels, measure_noise  # noqa: E402
from fluxsense.detection import experiment, sequential  # noqa: E402
from fluxsense.detection.detect import planned_likelihood  # noqa: E402
from fluxsense.detection.linear import LinearCampaign, drawn_campaigns, linear_campaign, linear_log_bayes_factor  # noqa: E402
from fluxsense.device.lines import line_gain  # noqa: E402
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest  # noqa: E402
from fluxsense.model.likelihood import RatioLikelihood  # noqa: E402
from fluxsense.model.unknowns import Unknowns  # noqa: E402
from fluxsense.study import Study, read_study  # noqa: E402

NEAR = 0.15
"""How near to a threshold, relative to it, a statistic is taken again with known noise; the two differ by a few percent."""


def planned_campaign(study: Study, seed: int) -> tuple[LinearCampaign, Digest]:
    """The study's campaign to first order, at prior means, and the simulated digest that it came from."""
    digest = simulate_digest(study, draw_truth(study, seed, source=(0.0, 0.0, 0.0)))
    likelihood = planned_likelihood(study, digest)
    size = linear_campaign(study, digest, likelihood).unknowns.size
    return linear_campaign(study, digest, likelihood, at=np.zeros(size)), digest


def sequential_paths(
    campaign: LinearCampaign, repeats: int, rng: np.random.Generator, batches: int, size: float, sources: np.ndarray
) -> np.ndarray:
    """Log Bayes factors (runs, batches) of cumulative scores for sources (runs, 3); a batch is one repeat of every sweep.

    To first order with white noise the information grows in proportion to the repeats, and the score is a walk with
    normal steps.  The prior of the source is normal with root mean square `size`.
    """
    one = campaign.information / repeats
    runs, places = len(sources), one.shape[0] // 3
    columns = one.reshape(-1, places, 3)[:, rng.integers(places, size=runs)]
    drift = np.einsum("cni,ni->nc", columns, sources)
    score = np.zeros((runs, one.shape[0]))
    out = np.empty((runs, batches))
    for n in range(batches):
        score = score + experiment.draw_scores(rng, one, runs) + drift
        out[:, n] = linear_log_bayes_factor((n + 1) * one, score, size**2 / 3)
    return out


def digest_statistic(study: Study, seed: int, size: float) -> float:
    """Rao's statistic of one campaign, simulated sweep by sweep with everything drawn and digested like files.

    The noise is measured from the campaign's own repeats, and derivatives are taken at its own fit, as for measured data.
    """
    truth = truth_of(study, seed, size)
    digest = simulate_digest(study, truth)
    noise = measure_noise(digest, study.noise.white, study.noise.gain_drift, study.noise.phase_drift_rad)
    campaign = linear_campaign(study, digest, RatioLikelihood(study, digest, truth.port_signs, noise=noise))
    return float(campaign.statistic(campaign.measured_score()[0]))


def truth_of(study: Study, seed: int, size: float) -> Truth:
    """The truth of a whole digest: everything drawn, the source of a given size in a random direction."""
    direction = random_directions(np.random.default_rng([seed, 7]), 1)[0]
    return draw_truth(study, seed, source=size * study.source.size * direction)


def known_noise_statistic(study: Study, seed: int, size: float) -> float:
    """The statistic of the campaign of `digest_statistic`, if all but the source were known.

    Derivatives and covariance are those of the noise-free campaign at its true nuisances, so that the score of the noisy
    ratios, to first order in noise and source v, is normal with mean M v and covariance M.
    """
    truth = truth_of(study, seed, size)
    noisy = simulate_digest(study, truth)
    silent = replace(study.noise, white=0.0, gain_drift=0.0, phase_drift_rad=0.0, residual_gain=0.0, flux_phi0=0.0)
    short = replace(study, noise=silent, plan=replace(study.plan, repeats=2, off_repeats=2))
    clean = Digest({k: replace(g, count=noisy[k].count) for k, g in simulate_digest(short, truth).items()})
    rng = np.random.default_rng([seed, 2])  # as `simulate.sweeps` begins
    frequency_hz = np.linspace(study.sweep.start_hz, study.sweep.stop_hz, study.sweep.points)
    gains = {i.name: line_gain(rng, frequency_hz)[list(PATHS)] for i in study.isolators}
    levels = {k: study.noise.white * np.median(np.abs(gains[k.isolator]), axis=1) for k in noisy}
    drift = np.diag([study.noise.gain_drift**2, study.noise.phase_drift_rad**2] * 2)
    noise = NoiseLevels(levels, {i.name: drift for i in study.isolators}, True)
    exact, measured = (
        RatioLikelihood(study, d, truth.port_signs, noise=noise, reference=truth.parameters) for d in (clean, noisy)
    )
    wide = Unknowns(study, study.plan.cooldowns)
    whitened = wide.draw(np.random.default_rng([seed, 1]), 1)[0, wide.lead :]  # as `draw_truth` draws them
    drawn = dict(zip((n.name for n in wide.nuisances), whitened, strict=True))
    names = Unknowns(study, exact.cooldowns, with_source=False, leave_out=("pump_phase_error_rad",)).nuisances
    campaign = LinearCampaign(exact, np.array([drawn[n.name] for n in names]))
    score, _ = campaign.fit([f.ratio[None] for f in measured.families], rounds=0)
    return float(campaign.statistic(score[0]))


def statistic_of(shared: tuple[Study, float], seed: int) -> float:
    """`digest_statistic`, as `ordered_map` calls it."""
    return digest_statistic(shared[0], seed, shared[1])


def known_of(shared: tuple[Study, float], seed: int) -> float:
    """`known_noise_statistic`, as `ordered_map` calls it."""
    return known_noise_statistic(shared[0], seed, shared[1])


def known_instead(
    study: Study,
    values: np.ndarray,
    seeds: range,
    size: float,
    thresholds: Iterable[float],
    executor: Processes | None,
) -> np.ndarray:
    """Statistics with everything but the source known, for those near a threshold; the others as they are."""
    near = np.zeros(len(values), dtype=bool)
    for t in thresholds:
        near |= np.abs(values - t) < NEAR * t
    known = values.copy()
    again = [seeds[int(n)] for n in np.flatnonzero(near)]
    known[near] = list(ordered_map(known_of, again, (study, size), executor=executor, batch=10))
    d = known[near] - values[near]
    print(
        f"  everything but the source known, {near.sum()} of {len(values)} near a threshold: statistic {d.mean():+.2f} +- {d.std():.2f}"
    )
    return known


def whole_digests(
    study: Study,
    options: argparse.Namespace,
    scores: experiment.ScoreDraws,
    thresholds: dict[float, float],
    reached: dict[float, float],
) -> None:
    """Rates of whole digests, printed with binomial errors; goes on from the rows of an earlier run with the same seed."""
    kind = study.source.dimension
    path = Path(options.json) if options.json else None
    rows: dict[str, list[float]] = json.loads(path.read_text()) if path is not None and path.exists() else {}
    executor = Processes(options.workers) if options.workers > 1 else None
    began = time.perf_counter()
    plan = {"none": (options.digests, 0.0)} | {f"{p:g}": (options.digests_each, s) for p, s in reached.items()}
    for n, (name, (count, size)) in enumerate(plan.items()):
        seeds = range(
            10_000_000 * (n + 1) + 100_000 * options.seed, 10_000_000 * (n + 1) + 100_000 * options.seed + count
        )
        values = rows.setdefault(name, [])
        for value in ordered_map(statistic_of, seeds[len(values) :], (study, size), executor=executor, batch=10):
            values.append(value)
            if len(values) % 50 == 0 or len(values) == count:
                print(f"{name}: {len(values)} of {count} digests", file=sys.stderr, flush=True)
                if path is not None:
                    path.with_suffix(".part").write_text(json.dumps(rows))
                    path.with_suffix(".part").replace(path)
        if not count:
            continue
        found = np.array(values[:count])
        known = known_instead(study, found, seeds, size, thresholds.values(), executor) if options.known_noise else None
        source = "no source" if size == 0 else format_quantity(size * study.source.size, kind, 4)
        for a, t in thresholds.items():
            expected = a if size == 0 else scores.detection(size, t)
            measured = float(np.mean(found >= t))
            sd = np.sqrt(expected * (1 - expected) / count)
            print(
                f"  {count} whole digests, {source:14s} beyond the threshold for {a:g}: predicted {expected:.4f}, measured "
                f"{measured:.4f} ({(measured - expected) / sd:+.1f} binomial errors)",
                flush=True,
            )
            if known is not None:
                more, fewer = int(np.sum((found >= t) & (known < t))), int(np.sum((found < t) & (known >= t)))
                print(
                    f"    {np.sum(known >= t)} known, {expected * count:.1f} expected, {np.sum(found >= t)} measured; {more} only as "
                    f"measured, {fewer} only as known: rate {expected + (more - fewer) / count:.4f} +- {np.sqrt(more + fewer) / count:.4f}",
                    flush=True,
                )
    print(f"  whole digests: {time.perf_counter() - began:.0f} s")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("study")
    parser.add_argument("--campaigns", type=int, default=4000, help="simulated without a source (default 4000)")
    parser.add_argument("--each", type=int, default=4000, help="simulated at each size (default 4000)")
    parser.add_argument("--draws", type=int, default=32, help="sets of nuisances drawn from their priors (default 32)")
    parser.add_argument("--digests", type=int, default=0, help="whole digests without a source, sweep by sweep")
    parser.add_argument("--digests-each", type=int, default=0, help="whole digests at each of the four sizes")
    parser.add_argument(
        "--known-noise", action="store_true", help="those near a threshold again with everything but the source known"
    )
    parser.add_argument("--json", help="file of the statistics of whole digests, from which a later run goes on")
    parser.add_argument("--workers", type=int, default=1, help="processes for the whole digests (default 1)")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    study = read_study(options.study)
    kind = study.source.dimension
    rng = np.random.default_rng(options.seed)
    began = time.perf_counter()
    campaign, digest = planned_campaign(study, options.seed)
    drawn = drawn_campaigns(study, digest, campaign, rng, options.draws)
    gains = np.array([np.trace(d.campaign.block()) for d in drawn]) / np.trace(campaign.block())
    print(
        f"information under nuisances drawn from their priors: {gains.mean():.3f} +- {gains.std():.3f} of that at their means"
    )
    rates = (0.1, 0.01)
    scores = experiment.ScoreDraws.of([d.campaign.information for d in drawn], rng, 200_000, drawn[0].places)
    thresholds = dict(zip(rates, scores.thresholds(rates), strict=True))

    def simulated(count: int, size: float) -> np.ndarray:
        each = -(-count // len(drawn))
        length = size * study.source.size
        return np.concatenate([d.statistics(rng, each, length * random_directions(rng, each)) for d in drawn])[:count]

    null = simulated(options.campaigns, 0.0)
    print(f"{study.title}: {options.campaigns} campaigns without a source, {options.draws} sets of nuisances")
    print("  promised  threshold  measured")
    for a in rates:
        measured = float(np.mean(null >= thresholds[a]))
        sd = np.sqrt(a * (1 - a) / options.campaigns)
        print(
            f"  {a:<8g}  {thresholds[a]:9.3f}  {measured:.4f}  ({(measured - a) / sd:+.1f} binomial errors)", flush=True
        )
    reached = {p: scores.smallest(thresholds[0.01], p) for p in (0.2, 0.5, 0.8, 0.9)}
    print(f"  detection at a false-alarm rate of 0.01 and 0.1, {options.each} campaigns each, random directions")
    print("  size            predicted       measured")
    for size in reached.values():
        hit = simulated(options.each, size)
        text = format_quantity(size * study.source.size, kind, 4)
        cells = []
        for a in rates[::-1]:
            p, m = scores.detection(size, thresholds[a]), float(np.mean(hit >= thresholds[a]))
            cells.append((p, m, (m - p) / np.sqrt(max(p * (1 - p), 1e-9) / options.each)))
        print(
            f"  {text:14s}  {cells[0][0]:.3f} {cells[1][0]:.3f}     {cells[0][1]:.3f} ({cells[0][2]:+.1f})  {cells[1][1]:.3f} ({cells[1][2]:+.1f})",
            flush=True,
        )
    repeats = study.plan.repeats
    size = reached[0.9]
    runs = options.campaigns
    print(
        f"  sequential, {runs} runs each, limits 1/a and b, source of root mean square size {format_quantity(size * study.source.size, kind, 3)}"
    )
    sources = {
        "no source": np.zeros((runs, 3)),
        "source drawn from its prior": size * rng.standard_normal((runs, 3)) / np.sqrt(3),
        "source of that size": size * random_directions(rng, runs),
        "source of twice that size": 2 * size * random_directions(rng, runs),
    }
    paths = {k: sequential_paths(campaign, repeats, rng, 120, size, v) for k, v in sources.items()}
    for a, b in ((0.05, 0.1), (0.01, 0.1)):
        limits = sequential.Limits.of(a, b, "guaranteed")
        for words, path in paths.items():
            found = run_paths(path, limits, words != "no source")
            print(
                f"  promised {a:g}/{b:g}  {words:28s} wrong {found.wrong:.4f} +- {found.wrong_sd:.4f}  mean repeats "
                f"{found.mean_batches:.2f} +- {found.mean_batches_sd:.2f}  undecided after 120: {found.undecided:.3f}"
            )
    print("  sequential, one direction, limits of Wald, same source (nearest to his simple hypotheses)")
    d = float(np.sqrt(size**2 * np.trace(campaign.block()) / 3 / repeats))
    for a, b in ((0.05, 0.05), (0.01, 0.1)):
        limits = sequential.Limits.of(a, b)
        expected = sequential.operating(limits, d)
        for source in (False, True):
            run = simulate_normal(rng, d, limits, source=source, runs=options.campaigns)
            print(
                f"  promised {a:g}/{b:g}  {'source' if source else 'no source':9s}  wrong {run.wrong:.4f} +- {run.wrong_sd:.4f}  mean "
                f"repeats {run.mean_batches:.2f} +- {run.mean_batches_sd:.2f} (predicted {expected.with_source if source else expected.without:.2f}, "
                f"fixed plan {sequential.fixed_information(a, b) / d**2:.2f})"
            )
    if options.digests or options.digests_each:
        whole_digests(study, options, scores, thresholds, reached)
    print(f"  {time.perf_counter() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
