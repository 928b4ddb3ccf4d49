"""A campaign measured from a rod and inferred as a small body of which nothing is said: the answer is wide enough, and says why.

The rod is the package's own kind (its flux stands in `tests/magnetics/test_sources.py` against a magnetostatics library); how
far the direction lies from the truth is judged by chi-square with two degrees of freedom of the local normal law.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fluxsense.base.findings import Finding
from fluxsense.base.streams import stream
from fluxsense.infer.budget import limits
from fluxsense.infer.orient import prepare
from fluxsense.infer.predictive import predictive_check
from fluxsense.jobs.check import check
from fluxsense.jobs.orient import _extent_findings
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.linearised import Linearised
from fluxsense.report.sentences import sentence
from fluxsense.study import read_study

GRAIN = Path(__file__).parents[2] / "data_demo" / "grain" / "study.toml"
CHI_SQUARE_99 = 9.21
"""Of two degrees of freedom: -2 ln 0.01."""


def test_an_unstated_extent_is_said():
    """Half of hypot(12, 5.28) um, the distance of the grain's nearest wires."""
    grain = read_study(GRAIN)
    unstated = replace(grain, source=replace(grain.source, extent_m=None), logs=(GRAIN.with_name("none.csv"),))
    words = "The study does not say how far the source reaches across: 6.6 um is taken, half of its distance"
    assert [x.startswith(words) for x in check(unstated).document["warnings"]] == [True]
    numbers = {"angular_error_deg": 1.0, "if_known": {"extent": 0.5, "position": 0.2}}
    (found,) = _extent_findings(unstated, numbers)
    assert "The error is 1 degrees with that, and 0.5 degrees for a point: state source.extent" in sentence(found)
    assert _extent_findings(unstated, numbers | {"if_known": {"extent": 0.95}}) == []
    for extent_m in (0.0, 2e-6):
        stated = replace(unstated, source=replace(grain.source, extent_m=extent_m))
        assert check(stated).document["warnings"] == []
        assert _extent_findings(stated, numbers) == []


@pytest.mark.slow
def test_a_rod_inferred_as_a_small_body():
    grain = read_study(GRAIN)
    grain = replace(grain, sweep=replace(grain.sweep, points=41))
    axis = np.array([0.4, -0.6, 0.69282])
    axis /= np.linalg.norm(axis)
    found = {}
    for length_m, extent_m in ((4e-6, None), (8e-6, None), (8e-6, 0.0)):
        numbers = (("length_m", length_m), ("axis", tuple(axis)))
        rod = replace(grain, source=replace(grain.source, kind="rod", numbers=numbers))
        digest = simulate_digest(rod, draw_truth(rod, 2, source=3e-14 * axis))
        small = replace(grain, source=replace(grain.source, extent_m=extent_m))
        problem, modes, _ = prepare(small, digest, rng=stream(2, "search"))
        explicit, best = problem.explicit(modes[0].x)
        covariance = Linearised.of(explicit, best).covariance[:3, :3]
        length = np.linalg.norm(best[:3])
        across = np.linalg.svd(best[None, :3])[2][1:]
        off = across @ axis / (best[:3] / length @ axis)
        now, kinds = limits(explicit, best)
        found[length_m, extent_m] = (
            off @ np.linalg.solve(across @ covariance @ across.T / length**2, off),
            predictive_check(Linearised.of(explicit, best), stream(2, "check")).p_value,
            kinds[0].kind,
            kinds[0].error_if_known_deg / now,
        )
    for length_m in (4e-6, 8e-6):
        away, p_value, kind, _ = found[length_m, None]
        assert away < CHI_SQUARE_99
        assert p_value > 1e-3
        assert kind == "extent"
    away, p_value, kind, _ = found[8e-6, 0.0]
    assert away > 2 * CHI_SQUARE_99  # as a point: wrong, and nothing in the data says so
    assert p_value > 1e-3
    assert kind != "extent"
    ratio = found[8e-6, None][3]
    assert ratio < 0.7
    said = sentence(Finding("limit", kind="extent", now_deg=1.0, then_deg=ratio))
    assert said.startswith("What limits the answer most: the extent of the source.")
