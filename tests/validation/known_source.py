"""Campaigns with a small coil and a mistake in the study or the log: is each named, and none where there is none?

    python tests/validation/known_source.py data_demo/grain/study.toml --campaigns 10 --json rows.json

A square coil of 10 um with 0.3 mA, about a slanting axis, stands where the study puts the source, unless the
study has a coil.  Each campaign is simulated from the
study as it is, with a truth drawn from its priors (the size as stated), then examined with one mistake at a time put into the study or the log:

signs      all mutual inductances with the other sign
states     source-in and source-out sweeps exchanged in the log
height     source and coil below the chip instead of above it
axes       x and y of the loops' places exchanged
isolators  the loops of two isolators exchanged
place      source and coil stated, exactly, 8 um beside where they are, along a random direction parallel to the chip
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fluxsense.data.digest import Digest
from fluxsense.infer.blind import BlindTest, blind_findings, blind_test
from fluxsense.infer.orient import measured_isolators
from fluxsense.infer.wiring import read_wiring
from fluxsense.jobs.result import as_study
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest
from fluxsense.report.sentences import sentences
from fluxsense.study import Coil, State, Study

FloatArray = npt.NDArray[np.float64]
Campaign = tuple[Study, Digest]

AXIS = (0.48, 0.6, 0.64)
SIDE_M = 10e-6
CURRENT_A = 3e-4
ASIDE_M = 8e-6
CODES = {
    "none": "",
    "signs": "all signs",
    "states": "exchanged states",
    "height": "other side",
    "axes": "exchanged axes",
    "isolators": "exchanged isolators",
    "place": "other place",
}
"""The code under which each mistake is to be named."""


def with_coil(study: Study, current_a: float = CURRENT_A) -> Study:
    """The study with a small coil in the source's place, and a state in which it carries a current, unless it has one."""
    if study.coils:
        return study
    normal = np.array(AXIS) / np.linalg.norm(AXIS)
    along = np.cross((0.0, 0.0, 1.0), normal)
    along /= np.linalg.norm(along)
    across = np.cross(normal, along)
    corners = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    points = np.array(study.source.position_m) + SIDE_M / 2 * np.array([a * along + b * across for a, b in corners])
    coil = Coil("small", _points(points))
    state = State("coil", "calibration", coil="small", current_a=current_a)
    plan = replace(study.plan, states=(*study.plan.states, "coil"))
    return replace(study, coils=(coil,), states=(*study.states, state), plan=plan)


def _points(points: FloatArray) -> tuple[tuple[float, float, float], ...]:
    return tuple((float(x), float(y), float(z)) for x, y, z in points)


def _signs(campaign: Campaign, rng: np.random.Generator) -> Campaign:
    study, digest = campaign
    lines = tuple(
        replace(b, mutual_phi0_per_a=tuple((n, -x) for n, x in b.mutual_phi0_per_a)) for b in study.bias_lines
    )
    return replace(study, bias_lines=lines), digest


def _states(campaign: Campaign, rng: np.random.Generator) -> Campaign:
    study, digest = campaign
    other = {"out": "in", "in": "out"}
    return study, Digest({replace(k, state=other.get(k.state, k.state)): v for k, v in digest.items()})


def _moved(study: Study, by_m: FloatArray) -> Study:
    """Source and coil elsewhere, exactly."""
    position = _points(np.array([study.source.position_m]) + by_m)[0]
    source = replace(study.source, position_m=position, position_sd_m=(0.0, 0.0, 0.0))
    return replace(
        study,
        source=source,
        coils=tuple(replace(c, outline_m=_points(np.array(c.outline_m) + by_m)) for c in study.coils),
    )


def _height(campaign: Campaign, rng: np.random.Generator) -> Campaign:
    study, digest = campaign
    return _moved(study, np.array([0.0, 0.0, -2 * study.source.position_m[2]])), digest


def _axes(campaign: Campaign, rng: np.random.Generator) -> Campaign:
    study, digest = campaign
    loops = []
    for loop in study.loops:
        outline = np.array(loop.outline_m)
        middle = outline.mean(axis=0)
        loops.append(replace(loop, outline_m=_points(outline - middle + middle[[1, 0, 2]])))
    return replace(study, loops=tuple(loops)), digest


def _isolators(campaign: Campaign, rng: np.random.Generator) -> Campaign:
    study, digest = campaign
    one, two = rng.choice(len(study.isolators), size=2, replace=False)
    pairs = [(a.loop, b.loop) for a, b in zip(study.isolators[one].stages, study.isolators[two].stages, strict=True)]
    other = dict(pairs) | {b: a for a, b in pairs}
    outlines = {x.name: x.outline_m for x in study.loops}
    loops = tuple(replace(x, outline_m=outlines[other.get(x.name, x.name)]) for x in study.loops)
    return replace(study, loops=loops), digest


def _place(campaign: Campaign, rng: np.random.Generator) -> Campaign:
    study, digest = campaign
    angle = rng.uniform(0, 2 * np.pi)
    return _moved(study, ASIDE_M * np.array([np.cos(angle), np.sin(angle), 0.0])), digest


MADE: dict[str, Callable[[Campaign, np.random.Generator], Campaign]] = {
    "none": lambda campaign, rng: campaign,
    "signs": _signs,
    "states": _states,
    "height": _height,
    "axes": _axes,
    "isolators": _isolators,
    "place": _place,
}
"""Puts each mistake into the study or the log."""


def truth_of(study: Study, seed: int) -> Truth:
    """A truth drawn from the priors, but for the source's size, which is as stated: without a source no state is exchanged."""
    direction = np.random.default_rng([seed, 1]).standard_normal(3)
    return draw_truth(study, seed, study.source.size * direction / np.linalg.norm(direction))


def examined(campaign: Campaign) -> BlindTest:
    """The blind test of a campaign, with the wiring as `orient` reads it."""
    study, digest = campaign
    found = blind_test(study, digest, read_wiring(study, digest, measured_isolators(study, digest)).signs)
    if found is None:
        raise ValueError("there are no sweeps with the coil")
    return found


def rows(study: Study, campaigns: int, seed: int) -> list[dict[str, object]]:
    """What was said of each campaign with each mistake."""
    out: list[dict[str, object]] = []
    for n in range(campaigns):
        digest = simulate_digest(study, truth_of(study, seed + n))
        for mistake, make in MADE.items():
            wrong = make((study, digest), np.random.default_rng([seed, n]))
            start = time.perf_counter()
            found = examined(wrong)
            out.append(
                {
                    "campaign": seed + n,
                    "mistake": mistake,
                    "named": [m.code for m in found.named],
                    "open": [m.code for m in found.open],
                    "log_odds": found.mistakes[0].log_odds,
                    "unexplained": found.unexplained,
                    "right": {m.code for m in found.named} == ({CODES[mistake]} - {""}) and not found.unexplained,
                    "seconds": time.perf_counter() - start,
                    "said": sentences(blind_findings(found)),
                }
            )
            print(json.dumps(out[-1] | {"said": ""}), flush=True)
    return out


def main() -> None:
    """Run the study and print how often each mistake was named."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("study")
    parser.add_argument("--campaigns", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--current", type=float, default=CURRENT_A, help="in the coil, A")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    found = rows(with_coil(as_study(options.study), options.current), options.campaigns, options.seed)
    for mistake in MADE:
        own = [r for r in found if r["mistake"] == mistake]
        seconds = np.median([float(str(r["seconds"])) for r in own])
        print(f"{mistake:10s} right {sum(bool(r['right']) for r in own)} of {len(own)}, {seconds:.1f} s")
    if options.json:
        options.json.write_text(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()
