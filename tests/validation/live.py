"""Campaigns that choose their next setting as they go against campaigns whose schedule was fixed before; same truths, same noise.

    python tests/validation/live.py ROWS.jsonl --case working-point --truths 200 --workers 2
    python tests/validation/live.py ROWS.jsonl --case good-start --truths 60
    python tests/validation/live.py ROWS.jsonl --case two-modes --truths 100
    python tests/validation/live.py ROWS.jsonl --table
    python tests/validation/live.py data_demo/grain/study.toml --flat 20000
    python tests/validation/live.py ROWS.jsonl --figure tests/validation/live_schedules.png

A script, not a test.  The chip is invented: two isolators, four loops along x, y, z and askew, a uniform field of random
direction.  Cases: the working point of every loop unknown to 0.25 Phi0 before; known; and all settings at zero bias, where a
source and its reverse look alike until something else is measured.  Three schedules measure each truth, and each is looked at by
`fluxsense.Live` in the same way: `live` takes what `Live.propose` says; `uniform` repeats the study's settings with the source out
and in evenly; `plan` takes the settings and the split that `fluxsense.design` finds best before there are data.  The k-th sweep of a
setting has the same noise in all.  Time: 20 s a sweep, 60 s of settling whenever a knob moves.  A fixed schedule pays for settling
once for each of its groups, as if it had known from the beginning how many sweeps each would need.

The end is the cone that is wanted (90%, confirmed by draws of its own, the other modes below 1%), or the most time.  A fixed schedule is
looked at whenever its sweeps have grown by 1.4; its time is interpolated between the last two looks (cone as a power of time).  A row says when
that was, how far off the direction was, and whether the truth lay in the 90% region then.  Rows that are there are not run again.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]

import numpy as np  # noqa: E402
from scipy.stats import binom  # noqa: E402
from small_study import study_text  # noqa: E402

from fluxsense.base.executors import Processes, ordered_map  # noqa: E402
from fluxsense.base.sphere import angle_between_rad, contains  # noqa: E402
from fluxsense.base.units import watt_to_dbm  # noqa: E402
from fluxsense.data.digest import DigestBuilder, GroupKey  # noqa: E402
from fluxsense.design.schedule import best_schedule, candidates  # noqa: E402
from fluxsense.design.sensitivity import direction_points, planned_experiment  # noqa: E402
from fluxsense.design.working_point import Effort, best_working_point  # noqa: E402
from fluxsense.device.chip import matched_pump_frequency_hz  # noqa: E402
from fluxsense.jobs.simulate import draw_truth  # noqa: E402
from fluxsense.live.campaign import Live  # noqa: E402
from fluxsense.live.instrument import SimulatedInstrument  # noqa: E402
from fluxsense.live.proposal import Costs  # noqa: E402
from fluxsense.live.stopping import Wanted  # noqa: E402
from fluxsense.study import Setting, Study, read_study  # noqa: E402

SWEEP_S, SETTLING_S = 20.0, 60.0
GROWTH = 1.4
"""Factor on the sweeps of a fixed schedule between two looks; when it got there is interpolated between them."""
LEAST = 2
"""Sweeps of each group with which a fixed schedule begins."""


@dataclass(frozen=True)
class Case:
    """What a study of schedules varies: prior of the offsets, bias fluxes, what is wanted, and the most time."""

    offset_sd_mphi0: float
    fluxes: tuple[tuple[float, ...], ...]
    cone_deg: float
    most_s: float
    size_ut: float


GOOD = ((0.5, 0.5, 0.5, 0.5), (0.5, -0.5, 0.5, -0.5))
CASES = {
    "working-point": Case(250.0, GOOD, 1.0, 30_000.0, 0.15),
    "good-start": Case(10.0, GOOD, 1.0, 30_000.0, 0.15),
    "strong": Case(250.0, GOOD, 1.0, 30_000.0, 0.4),
    "two-modes": Case(10.0, ((0.0, 0.0, 0.0, 0.0),), 8.0, 30_000.0, 1.0),
}
SCHEDULES = ("live", "uniform", "plan")


def study_of(case: Case, folder: Path) -> Study:
    """The study of a case, with limits that leave room."""
    extra = '\n[limits]\npump_power = "-57 dBm"\n'
    ports = (1, 2)[: len(case.fluxes)]
    text = study_text(
        offset_sd_mphi0=case.offset_sd_mphi0, fluxes=case.fluxes, ports=ports, wiring="+90 deg", size_ut=case.size_ut,
        repeats=4, extra=extra,
    )  # fmt: skip
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return read_study(path)


@lru_cache(maxsize=4)
def case_study(name: str) -> Study:
    with tempfile.TemporaryDirectory() as folder:
        return study_of(CASES[name], Path(folder))


def key_of(study: Study, isolator: str, setting: Setting | None, like: Setting, state: str) -> GroupKey:
    """The group of a sweep at a setting, or of a pump-off sweep at its bias."""
    cooldown = study.plan.cooldowns[0]
    if setting is None:
        return GroupKey(isolator, False, None, None, float("nan"), float("nan"), like.bias_a, state, cooldown)
    i = [x.name for x in study.isolators].index(isolator)
    f = setting.pump_frequency_hz or matched_pump_frequency_hz(study, i, setting.bias_a, setting.pump_power_w)
    power = round(float(watt_to_dbm(setting.pump_power_w)), 9)
    return GroupKey(
        isolator, True, setting.pump_port, setting.pump_phase_rad, power, f, setting.bias_a, state, cooldown
    )


@lru_cache(maxsize=8)
def fixed(name: str, kind: str) -> tuple[tuple[GroupKey, float], ...]:
    """Groups of a fixed schedule with their shares of the sweeps."""
    study = case_study(name)
    if kind == "plan":
        unknowns = planned_experiment(study).unknowns
        x = direction_points(unknowns, 8, 1)
        study = replace(study, settings=best_working_point(study, x, Effort(1, 32, 40), seed=1).settings)
        schedule = best_schedule(planned_experiment(study), x, tolerance=0.05)
        shares = np.maximum(schedule.design.weights, 0.0)
        every = candidates(planned_experiment(study))
        named = {s.name: s for s in study.settings}
        kept = [
            (key_of(study, c.isolator, named[c.setting] if c.setting else None, named[c.bias_of], c.state), float(w))
            for c, w in zip(every, shares, strict=True)
            if w > 1e-3
        ]
    else:
        kept = []
        for setting in study.settings:
            for isolator in setting.isolators:
                for state in study.plan.states:
                    kept.append((key_of(study, isolator, setting, setting, state), 1.0))
                    kept.append((key_of(study, isolator, None, setting, state), 1.0))
    total: dict[GroupKey, float] = {}
    for key, share in kept:
        total[key] = max(total.get(key, 0.0), share)
    whole = sum(total.values())
    return tuple((k, s / whole) for k, s in total.items())


class Run:
    """One campaign: the instrument, what has been taken, and what it says."""

    def __init__(self, name: str, seed: int) -> None:
        case = CASES[name]
        self.study = case_study(name)
        self.truth = draw_truth(self.study, seed)
        self.instrument = SimulatedInstrument(self.study, self.truth.parameters, self.truth.port_signs, seed)
        self.wanted = wanted = Wanted(cone_deg=case.cone_deg, seconds=case.most_s)
        self.live = Live(self.study, seed=1, wanted=wanted, costs=Costs(SWEEP_S, SETTLING_S))
        self.proposals_s = self.updates_s = 0.0
        self.rounds = 0

    def take(self, wanted: list[tuple[GroupKey, int]], seconds: float) -> None:
        """Measure, and bring the answer up to date."""
        builder = DigestBuilder()
        for key, repeats in wanted:
            for time_s, sweep in self.instrument.measure(key, repeats):
                builder.add(key, sweep, time_s)
        begun = time.process_time()
        self.live.add_digest(builder.finish(), last_time_s=self.instrument.time_s, busy_s=seconds)
        self.updates_s += time.process_time() - begun

    def row(self, schedule: str, seed: int) -> dict[str, Any]:
        """What came of it."""
        live, truth = self.live, self.truth.parameters["source"][0]
        unit = truth / np.linalg.norm(truth)
        current = live.current
        off = inside = None
        if current is not None:
            off = float(np.degrees(angle_between_rad(np.asarray(current.groups.modes[0].mean), unit)))
            inside = {str(r.level): bool(contains(r, unit)) for r in current.regions}
        answer = live.answer
        seconds, wanted = answer.busy_s, self.wanted.cone_deg
        looks = [(m.busy_s, m.cone_deg) for m in live.history]
        if wanted is not None and live.stop is not None and live.stop.kind == "cone" and len(looks) > 1:
            (t0, c0), (t1, c1) = looks[-2:]
            if c0 > wanted > c1:
                seconds = float(t0 * (t1 / t0) ** (np.log(c0 / wanted) / np.log(c0 / c1)))
        return {
            "schedule": schedule,
            "seed": seed,
            "seconds": seconds,
            "sweeps": answer.sweeps,
            "stop": None if live.stop is None else live.stop.kind,
            "cone_deg": answer.cone_deg if np.isfinite(answer.cone_deg) else None,
            "off_deg": off,
            "inside": inside,
            "modes": [m["weight"] for m in answer.body["modes"]],
            "trust": answer.verdict.trust,
            "rounds": self.rounds,
            "proposal_cpu_s": self.proposals_s / max(self.rounds, 1),
        }


def run_live(name: str, seed: int) -> dict[str, Any]:
    """A campaign that takes what it proposes."""
    run = Run(name, seed)
    while run.live.stop is None:
        begun = time.process_time()
        found = run.live.propose()
        run.proposals_s += time.process_time() - begun
        run.rounds += 1
        if not found.proposals or run.live.stop is not None:
            break
        run.take([(p.key, p.repeats) for p in found.proposals], sum(p.seconds for p in found.proposals))
    return run.row("live", seed)


def run_fixed(name: str, kind: str, seed: int) -> dict[str, Any]:
    """A campaign whose shares were fixed before, looked at while it grows."""
    run = Run(name, seed)
    groups = fixed(name, kind)
    done = dict.fromkeys((k for k, _ in groups), 0)
    total = float(LEAST * len(groups))
    spent = 0.0
    while run.live.stop is None:
        wanted = {k: max(LEAST, round(s * total)) for k, s in groups}
        more = [(k, wanted[k] - done[k]) for k in wanted if wanted[k] > done[k]]
        if more:
            seconds = run.live.costs.of(run.live.costs.in_order(list(wanted.items()), None), None) - spent
            run.take(more, seconds)
            done, spent = wanted, spent + seconds
            run.rounds += 1
        total *= GROWTH
    return run.row(kind, seed)


def one(shared: tuple[str, ...], item: tuple[str, str, int]) -> dict[str, Any]:
    """One campaign, as a row."""
    name, schedule, seed = item
    begun = time.process_time()
    row = run_live(name, seed) if schedule == "live" else run_fixed(name, schedule, seed)
    return {"case": name} | row | {"cpu_s": round(time.process_time() - begun, 2)}


def flat(path: str, sweeps: int) -> Iterator[str]:
    """CPU time of an update by one sweep, in campaigns of a study's settings of three lengths; full runs apart."""
    study = read_study(Path(path))
    truth = draw_truth(study, 1)
    instrument = SimulatedInstrument(study, truth.parameters, truth.port_signs, 1)
    live = Live(study, seed=1)
    like = [(s, iso) for s in study.settings for iso in s.isolators]
    keys = [key_of(study, iso, on, s, state) for s, iso in like for on in (None, s) for state in study.plan.states]
    names = list(dict.fromkeys(keys))
    for target in (sweeps // 50, sweeps // 10, sweeps):
        builder = (
            DigestBuilder()
        )  # all but the last hundred at once: how they came does not matter to what an update costs
        for key in names:
            for when, sweep in instrument.measure(key, (target - 100 - live.intake.sweeps) // len(names) + 1):
                builder.add(key, sweep, when)
        live.add_digest(builder.finish(), last_time_s=instrument.time_s, busy_s=instrument.time_s)
        took: list[float] = []
        for n in range(100):
            ((when, sweep),) = instrument.measure(names[n % len(names)], 1)
            before, begun = live.current, time.process_time()
            live.add(names[n % len(names)], sweep, time_s=when)
            if live.current is before:
                took.append(1e3 * (time.process_time() - begun))
        yield f"{live.intake.sweeps} sweeps: update {np.median(took):.0f} ms (90%: {np.quantile(took, 0.9):.0f} ms) of CPU"


# ---------------------------------------------------------------- tables


def rows_in(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def table(rows: list[dict[str, Any]]) -> Iterator[str]:
    """What the rows say, case by case: times against both fixed schedules in pairs, and the truth in the regions."""
    for case in dict.fromkeys(r["case"] for r in rows):
        mine = [r for r in rows if r["case"] == case]
        by = {s: {r["seed"]: r for r in mine if r["schedule"] == s} for s in SCHEDULES}
        yield f"{case}: wanted {CASES[case].cone_deg:g} degrees"
        for schedule, found in by.items():
            if not found:
                continue
            times = np.array([r["seconds"] for r in found.values()])
            reached = sum(r["stop"] == "cone" for r in found.values())
            inside = [r["inside"]["0.9"] for r in found.values() if r["stop"] == "cone"]
            low, high = binom.ppf([0.025, 0.975], len(inside), 0.9) if inside else (0, 0)
            wrong = sum(r["off_deg"] > 90 for r in found.values() if r["stop"] == "cone")
            yield (
                f"  {schedule}: {reached} of {len(found)} reached it; median {np.median(times) / 60:.0f} min, slowest tenth "
                f"{np.quantile(times, 0.9) / 60:.0f} min; truth in the 90% region {sum(inside)} of {len(inside)} ({low:.0f} to "
                f"{high:.0f} expected); wrong mode {wrong}"
            )
        for schedule in ("uniform", "plan"):
            both = sorted(set(by["live"]) & set(by[schedule]))
            if both:
                ratio = np.array([by["live"][n]["seconds"] / by[schedule][n]["seconds"] for n in both])
                slow = [np.quantile([by[s][n]["seconds"] for n in both], 0.9) for s in ("live", schedule)]
                middle = [np.median([by[s][n]["seconds"] for n in both]) for s in ("live", schedule)]
                yield (
                    f"  live over {schedule}, {len(both)} pairs: median of ratios {np.median(ratio):.2f}, ratio of medians "
                    f"{middle[0] / middle[1]:.2f}, of the slowest tenths {slow[0] / slow[1]:.2f}"
                )


LOOKS = {"live": ("#0b4f8a", "-"), "uniform": ("#c8611a", (0, (4, 1.6))), "plan": ("#555555", (0, (1, 1.2)))}
"""Colour and dash of a schedule."""
TITLES = {
    "working-point": "working points unknown to 0.25 $\\Phi_0$",
    "good-start": "working points known",
    "strong": "working points unknown, stronger source",
    "two-modes": "zero bias, two directions alike",
}
WORDS = {"live": "chosen as it goes", "uniform": "fixed: settings evenly", "plan": "fixed: planned before"}


def figure(rows: list[dict[str, Any]], path: Path) -> None:
    """Share of the truths whose cone is small enough, against time, case by case, over truths that all its schedules measured."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    cases = [c for c in CASES if c != "strong" and any(r["case"] == c for r in rows)]
    page = Figure(figsize=(3.6 * len(cases), 3.3), layout="constrained")
    FigureCanvasAgg(page)
    for n, case in enumerate(cases):
        axes = page.add_subplot(1, len(cases), n + 1)
        by = {s: {r["seed"]: r for r in rows if r["case"] == case and r["schedule"] == s} for s in SCHEDULES}
        drawn = [s for s in SCHEDULES if by[s]]
        both = sorted(set.intersection(*(set(by[s]) for s in drawn)))
        for schedule in drawn:
            colour, dash = LOOKS[schedule]
            reached = [by[schedule][k] for k in both]
            times = np.sort([r["seconds"] / 60 if r["stop"] == "cone" else np.inf for r in reached])
            share = np.arange(1, len(times) + 1) / len(times)
            if not np.any(np.isfinite(times)):
                words = f"{WORDS[schedule]}:\nnone in {max(r['seconds'] for r in reached) / 60:.0f} min"
                axes.text(
                    0.95, 0.05, words, transform=axes.transAxes, ha="right", va="bottom", fontsize=8, color=colour
                )
                continue
            axes.step(times, share, where="post", color=colour, linestyle=dash, linewidth=1.6, label=WORDS[schedule])
        axes.set_xscale("log")
        axes.set_xticks([10, 20, 50, 100, 200, 500], ["10", "20", "50", "100", "200", "500"])
        axes.minorticks_off()
        axes.set_xlim(10, 1.1 * max(r["seconds"] / 60 for r in rows if r["case"] == case and r["seed"] in both))
        axes.set_ylim(0, 1.02)
        axes.set_xlabel("measuring time (min)")
        axes.set_title(f"{TITLES[case]}\n90% cone of {CASES[case].cone_deg:g}° wanted, {len(both)} truths", fontsize=9)
        if n == 0:
            axes.set_ylabel("share of the truths that are there")
            axes.legend(loc="lower right", fontsize=8, frameon=False)
    page.savefig(path, dpi=150)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("rows", type=Path)
    parser.add_argument("--case", choices=list(CASES), default="working-point")
    parser.add_argument("--truths", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--schedules", default=",".join(SCHEDULES))
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--table", action="store_true")
    parser.add_argument("--figure", type=Path)
    parser.add_argument("--flat", type=int, help="ROWS is a study: update time as its campaign grows to so many sweeps")
    asked = parser.parse_args()
    if asked.flat:
        for line in flat(str(asked.rows), asked.flat):
            print(line, flush=True)
        return
    if asked.figure is not None:
        figure(rows_in(asked.rows), asked.figure)
    elif not asked.table:
        there = {(r["case"], r["schedule"], r["seed"]) for r in rows_in(asked.rows)}
        items = [
            (asked.case, s, n)
            for n in range(asked.first, asked.first + asked.truths)
            for s in asked.schedules.split(",")
            if (asked.case, s, n) not in there
        ]
        executor = Processes(asked.workers) if asked.workers > 1 else None
        for row in ordered_map(one, items, (), executor=executor, batch=1):
            with asked.rows.open("a") as stream:
                stream.write(json.dumps(row) + "\n")
            print(json.dumps(row), flush=True)
    print("\n".join(table(rows_in(asked.rows))))


if __name__ == "__main__":
    main()
