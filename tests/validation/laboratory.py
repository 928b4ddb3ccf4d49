"""Campaigns of laboratories that are not the model, measured by the outside simulator and inferred by `orient`.

    python tests/validation/laboratory.py ROWS.jsonl --effects ordinary --campaigns 200
    python tests/validation/laboratory.py ROWS.jsonl --effects each --size large --campaigns 20 --workers 2
    python tests/validation/laboratory.py ROWS.jsonl --table

A script, not a test: a campaign takes half a minute.  Set-ups, chips and sources are drawn by `tests/outside` (nothing of
the package in them), written as files, and read as a user's would be.  Campaign k of an effect takes the chips in turn; its
seed settles chip, truth, errors and noise, and the ideal campaign of a seed (`--ideal`) has the truth and white noise of
the others of that seed.  Each campaign adds one line to the rows file; those found in it are not run again.  The tables:
per effect, how often the truth lies in the regions, what the verdicts say, and who is wrong and believed, with binomial
errors; for the ordinary set-up, cones over those of the ideal campaigns.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "outside")]

import numpy as np  # noqa: E402
from numpy.typing import NDArray  # noqa: E402
from outside_chips import CHIPS, write_study  # noqa: E402
from outside_laboratory import EFFECTS, Laboratory, World, write_campaign  # noqa: E402
from outside_simulator import OutsideStudy  # noqa: E402
from scipy.stats import binom  # noqa: E402

from fluxsense.base.executors import Processes, ordered_map  # noqa: E402

FloatArray = NDArray[np.float64]
LEVELS = ("50", "90", "95", "99")
TRUSTS = ("reliable", "tentative", "unusable")
MAGNITUDES = "ordinary, magnitudes"
ORDINARY = {"ordinary": 0.0, "ordinary, focusing": 0.05, MAGNITUDES: 0.05}
"""Ordinary set-ups by the errors of the flux focusing factors.  A study that says nothing of those is answered with 5%, so that
with factors as stated every region holds the truth too often; with such errors drawn it must hold it as often as it says.  The last
uses the magnitudes of the same sweeps alone."""


def sizes_of(effect: str, size: str, shift: float | None, seed: int) -> Laboratory:
    """The laboratory of a row.  White noise is drawn from the ordinary range, the same for all effects of a seed."""
    ordinary = Laboratory.ordinary(np.random.default_rng([seed, 1]))
    if effect in ORDINARY:
        return replace(ordinary, focusing=ORDINARY[effect])
    if effect == "ideal":
        return Laboratory.ideal(shift, ordinary.white)
    alone = EFFECTS[effect]
    found = Laboratory.alone(effect, size, shift)
    return found if "white" in alone(1.0) else Laboratory(**{**vars(found), "white": ordinary.white})


def drawn_source(study: OutsideStudy, rng: np.random.Generator) -> FloatArray:
    """A source from the prior (normal components with the stated root mean square length), neither tiny nor huge."""
    while True:
        source = study.size / math.sqrt(3) * rng.normal(size=3)
        if 0.5 < np.linalg.norm(source) / study.size < 1.6:
            return np.asarray(source)


def measure(chip: str, effect: str, size: str, seed: int, shift: float | None, folder: Path) -> tuple[Path, World]:
    """Write one campaign; returns its study file and the world behind it."""
    study = OutsideStudy(
        write_study(chip, folder, point=effect != "rod", cooldowns=2 if effect == "cooldowns" else 1),
        shift_factor=shift,
    )
    rng = np.random.default_rng([seed, 0])
    truth = study.draw(drawn_source(study, rng), rng)
    world = World.build(study, sizes_of(effect, size, shift, seed), truth, np.random.default_rng([seed, 2]))
    path = write_campaign(world, folder / "campaign", np.random.default_rng([seed, 3]))
    if effect == MAGNITUDES:
        path.write_text(path.read_text(encoding="utf-8") + '\n[data]\nkind = "magnitude"\n', encoding="utf-8")
    return path, world


def spreads_off(directions: FloatArray, truth: FloatArray) -> tuple[float, float]:
    """How far the truth is from the draws (N, 3) in their own spreads, and the part of draws that are nearer.

    In the plane that touches the sphere at the draws' mean; only draws on the truth's side, if there are any.
    """
    near = directions[directions @ truth > 0]
    if len(near) < 50:
        return math.inf, 1.0
    centre = near.mean(axis=0) / np.linalg.norm(near.mean(axis=0))
    plane = np.linalg.svd(centre[None])[2][1:]
    x, at = near @ plane.T, plane @ truth
    middle, inverse = x.mean(axis=0), np.linalg.inv(np.cov(x.T))
    distance = float((at - middle) @ inverse @ (at - middle))
    each = np.einsum("ni,ij,nj->n", x - middle, inverse, x - middle)
    nearer = (np.sum(each < distance) + len(directions) - len(near)) / len(directions)
    return math.sqrt(distance), float(nearer)


def without_discrepancy() -> None:
    """Negative control: nothing is left out of the model."""
    import fluxsense.infer.orient as search

    sizes = search.prior_sizes
    search.prior_sizes = lambda *a: replace(sizes(*a), common=0.0, own=0.0)


def without_drift() -> None:
    """Negative control: neither flux nor gain wander."""
    import fluxsense.infer.orient as search

    sizes = search.prior_sizes
    search.prior_sizes = lambda *a: replace(sizes(*a), flux_walk_phi0=0.0, gain_walk=0.0)


def without_elimination() -> None:
    """Negative control: the likelihood eliminates nothing but offsets and pump strengths."""
    import fluxsense.model.likelihood as likelihood
    from fluxsense.model.priors import TAMEABLE

    every = likelihood.eliminated_parameters
    likelihood.eliminated_parameters = lambda *a: {
        i: tuple(p for p in own if p.array in TAMEABLE) for i, own in every(*a).items()
    }


CONTROLS = {"discrepancy": without_discrepancy, "drift": without_drift, "elimination": without_elimination}
"""What is switched off so that the table must fail."""


def row_of(shared: dict[str, Any], task: tuple[str, str, str, int]) -> dict[str, Any]:
    """Measure and infer one campaign."""
    from fluxsense import load_screened, orient, read_study

    chip, effect, size, seed = task
    if shared["control"]:
        CONTROLS[shared["control"]]()
    row: dict[str, Any] = {"label": shared["label"], "chip": chip, "effect": effect, "size": size, "seed": seed}
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        path, world = measure(chip, effect, size, seed, shared["shift"], Path(folder))
        written = time.perf_counter()
        study = read_study(path)
        try:
            digest, distrusted = load_screened(study)
            options = {"seed": seed, "wanted_ess": shared["effective"], "distrusted": distrusted, **shared["options"]}
            result = orient(study, digest, **options)
        except Exception as fault:
            return row | {"trust": "failed", "reasons": [f"{type(fault).__name__}: {fault}"], "inside": {}}
    document = result.document
    truth = world.truth.source / np.linalg.norm(world.truth.source)
    off, nearer = spreads_off(result.posterior.directions, truth)
    inside = {str(round(100 * float(k))): bool(v) for k, v in result.region_contains(world.truth.source).items()}
    ninety = next(r for r in document["region"] if abs(float(r["level"]) - 0.9) < 1e-6)
    return row | {
        "truth": world.truth.source.tolist(),
        "white": world.sizes.white,
        "direction": document["direction"]["vector"],
        "cone_deg": ninety["cone_deg"],
        "inside": inside | {"99": nearer < 0.99},
        "spreads": off,
        "angle_deg": math.degrees(math.acos(min(1.0, float(truth @ result.posterior.direction)))),
        "trust": document["verdict"]["trust"],
        "reasons": document["verdict"]["reasons"],
        "misfit_p": document["predictive_check"]["p_value"],
        "wiring": [
            w["pump_port_1_phase"] == ("+90 deg" if s > 0 else "-90 deg")
            for w, s in zip(document["wiring"], world.truth.wiring, strict=True)
        ],
        "notes": {k: document[k] for k in shared["keep"] if k in document},
        "seconds": [round(written - began, 1), round(time.perf_counter() - written, 1)],
    }


# ---------------------------------------------------------------- tables


def binomial_sd(count: int, total: int) -> float:
    """Standard error of a rate, from the rate with one success and one failure more (never zero)."""
    rate = (count + 1) / (total + 2)
    return math.sqrt(rate * (1 - rate) / total)


def share(count: int, total: int) -> str:
    return f"{count}/{total} ({count / total:.2f} +- {binomial_sd(count, total):.2f})"


def probability(count: int, total: int, expected: float) -> float:
    """Two-sided binomial probability of so few or so many."""
    return min(1.0, 2 * min(binom.cdf(count, total, expected), binom.sf(count - 1, total, expected)))


def wrong_and_believed(row: dict[str, Any]) -> bool:
    return row["trust"] == "reliable" and not row["inside"]["99"]


def named_causes(rows: list[dict[str, Any]]) -> str:
    """The kinds of numbers that results name first as beyond their priors, and how often."""
    firsts = [r["notes"]["causes"][0] for r in rows if r.get("notes", {}).get("causes")]
    counted = Counter(c["kind"] for c in firsts if c["probability"] < 1e-3)
    return ", ".join(f"{kind} {count}" for kind, count in counted.most_common()) or "none"


def effect_table(rows: list[dict[str, Any]]) -> str:
    """One line for each effect and size."""
    lines = [
        "| effect | size | campaigns | truth in 50, 90, 95, 99% | reliable, tentative, unusable, failed "
        "| reliable and truth outside 95, 99% | median misfit p | median (largest) spreads off | named |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for effect, size in sorted({(r["effect"], r["size"]) for r in rows}):
        here = [r for r in rows if (r["effect"], r["size"]) == (effect, size)]
        done = [r for r in here if r["trust"] in TRUSTS]
        trust = Counter(r["trust"] for r in here)
        inside = ", ".join(str(sum(r["inside"][level] for r in done)) for level in LEVELS)
        believed = [r for r in done if r["trust"] == "reliable"]
        out = [sum(not r["inside"][level] for r in believed) for level in ("95", "99")]
        misfit = np.median([r["misfit_p"] for r in done]) if done else math.nan
        off = [r["spreads"] for r in done] or [math.nan]
        lines.append(
            f"| {effect} | {size} | {len(here)} | {inside} | {', '.join(str(trust[t]) for t in (*TRUSTS, 'failed'))} "
            f"| {out[0]}, {out[1]} | {misfit:.1e} | {np.median(off):.1f} ({max(off):.1f}) | {named_causes(done)} |"
        )
    return "\n".join(lines)


def ordinary_table(rows: list[dict[str, Any]], effect: str = "ordinary") -> str:
    """An ordinary set-up against what is wanted of it, and its cones over those of the ideal campaigns of its seeds."""
    here = [r for r in rows if r["effect"] == effect]
    done = [r for r in here if r["trust"] in TRUSTS]
    if not done:
        return f"no campaigns: {effect}"
    lines = [
        f"{effect}: {len(here)} campaigns on {len({r['chip'] for r in here})} chips, {len(here) - len(done)} failed"
    ]
    for level in LEVELS:
        count = sum(r["inside"][level] for r in done)
        p = probability(count, len(done), float(level) / 100)
        lines.append(f"  truth in the {level}% region: {share(count, len(done))}, binomial probability {p:.2g}")
    for trust in TRUSTS:
        lines.append(f"  {trust}: {share(sum(r['trust'] == trust for r in here), len(here))}")
    lines.append(f"  reliable, and the truth outside 99%: {share(sum(map(wrong_and_believed, done)), len(done))}")
    ideal = {(r["chip"], r["seed"]): r for r in rows if r["effect"] == "ideal" and r["trust"] in TRUSTS}
    for chip in sorted({r["chip"] for r in done}):
        ratios = [
            r["cone_deg"] / ideal[chip, r["seed"]]["cone_deg"]
            for r in done
            if r["chip"] == chip and (chip, r["seed"]) in ideal
        ]
        cones = [r["cone_deg"] for r in done if r["chip"] == chip]
        ratio = f", over the ideal one {np.median(ratios):.2f} ({len(ratios)})" if ratios else ""
        lines.append(f"  {chip}: median cone {np.median(cones):.2f} degrees{ratio}")
    return "\n".join(lines)


def price_table(rows: list[dict[str, Any]]) -> str:
    """What each kind of prior costs: the angular error over what it were with these numbers known exactly (`limits`), each alone."""
    lines = [
        "| known exactly | source | campaigns | error over what would be left: median (a tenth, nine tenths) |",
        "| --- | --- | --- | --- |",
    ]
    for source in ("grain", "field"):
        here = [r["notes"]["limits"] for r in rows if r["chip"].startswith(source) and r.get("notes", {}).get("limits")]
        found = []
        for kind in sorted({kind for one in here for kind in one["if_known"]}):
            ratios = [one["angular_error_deg"] / one["if_known"][kind] for one in here if kind in one["if_known"]]
            found.append((float(np.median(ratios)), kind, ratios))
        for middle, kind, ratios in sorted(found, reverse=True):
            low, high = np.quantile(ratios, [0.1, 0.9])
            lines.append(f"| {kind} | {source} | {len(ratios)} | {middle:.3f} ({low:.3f}, {high:.3f}) |")
    return "\n".join(lines)


def worst(rows: list[dict[str, Any]], count: int = 12) -> str:
    """The rows that hurt most: believed and outside 95%, farthest first; then what failed."""
    bad = [r for r in rows if r["trust"] == "reliable" and not r["inside"]["95"]]
    bad.sort(key=lambda r: -r["spreads"])
    lines = [
        f"  {r['effect']} {r['size']} {r['chip']} seed {r['seed']}: {r['spreads']:.1f} spreads, {r['angle_deg']:.2f} degrees "
        f"off, cone {r['cone_deg']:.2f}, misfit p {r['misfit_p']:.2g}"
        for r in bad[:count]
    ]
    lines += [
        f"  {r['effect']} {r['size']} {r['chip']} seed {r['seed']}: {r['reasons'][0]}"
        for r in rows
        if r["trust"] == "failed"
    ]
    return "\n".join(["reliable with the truth outside 95%, or failed:", *(lines or ["  none"])])


def read_rows(path: Path) -> list[dict[str, Any]]:
    if not path.exists():
        return []
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]


def tasks(options: argparse.Namespace) -> list[tuple[str, str, str, int]]:
    """Chip, effect, size and seed of every campaign asked for."""
    effects = [e for given in options.effects for e in (EFFECTS if given == "each" else [given])]
    found = []
    for effect in effects:
        for k in range(options.campaigns):
            seed = options.first_seed + k
            chip = options.chips[seed % len(options.chips)]
            if effect == "rod" and not chip.startswith("grain"):
                continue  # a field has no extent
            size = "usual" if effect in (*ORDINARY, "ideal") else options.size
            found.append((chip, effect, size, seed))
            if options.ideal and effect != "ideal":
                found.append((chip, "ideal", "usual", seed))
    return list(dict.fromkeys(found))


def option_value(text: str) -> tuple[str, Any]:
    """NAME=VALUE for `orient`, the value in JSON."""
    name, _, value = text.partition("=")
    return name, json.loads(value)


def parsed() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rows", type=Path, help="file to which rows are added, and from which the tables are made")
    parser.add_argument(
        "--effects", nargs="*", default=[], help="names of `ORDINARY`, ideal, each, or names of `EFFECTS`"
    )
    parser.add_argument("--size", default="medium", choices=["small", "medium", "large"])
    parser.add_argument("--campaigns", type=int, default=14, help="of each effect")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--chips", nargs="*", default=list(CHIPS), choices=list(CHIPS))
    parser.add_argument("--ideal", action="store_true", help="also the ideal campaign of each seed")
    parser.add_argument(
        "--weak-pump",
        action="store_true",
        help="a pump that leaves the modes where they are, but for the ordinary set-up",
    )
    parser.add_argument("--label", default="", help="of this version; rows of other labels stand apart")
    parser.add_argument("--effective", type=float, default=400, help="effective samples (default 400)")
    parser.add_argument(
        "--orient", nargs="*", type=option_value, default=[], metavar="NAME=JSON", help="arguments for `orient`"
    )
    parser.add_argument(
        "--keep", nargs="*", default=["causes", "linearity", "limits"], help="parts of the result that go into the rows"
    )
    parser.add_argument("--control", choices=list(CONTROLS), help="switch that off: a negative control")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--table", action="store_true")
    return parser.parse_args()


def main() -> int:
    options = parsed()
    kept = [r for r in read_rows(options.rows) if r["label"] == options.label]
    done = {(r["chip"], r["effect"], r["size"], r["seed"]) for r in kept}
    todo = [t for t in tasks(options) if t not in done]
    shared = {
        "label": options.label, "shift": None if options.weak_pump else 1.0, "effective": options.effective,
        "options": dict(options.orient), "keep": options.keep, "control": options.control,
    }  # fmt: skip
    executor = Processes(options.workers) if options.workers > 1 else None
    for n, row in enumerate(ordered_map(row_of, todo, shared, executor=executor, batch=1), 1):
        kept.append(row)
        with options.rows.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
        found = f"{row['spreads']:.1f} spreads, p {row['misfit_p']:.1g}" if row["inside"] else row["reasons"][0]
        print(
            f"{n}/{len(todo)} {row['effect']} {row['chip']} {row['seed']} {row['trust']} {found}",
            file=sys.stderr,
            flush=True,
        )
    if options.table or not todo:
        print(effect_table(kept))
        for effect in ORDINARY:
            print(ordinary_table(kept, effect))
        print(price_table([r for r in kept if r["effect"] in ORDINARY]))
        print(worst(kept))
    return 0


if __name__ == "__main__":
    sys.exit(main())
