"""Layout search: rules, a known optimum, reproducibility, files."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fluxsense.base.errors import InputError
from fluxsense.design.layout import (
    CRITERIA,
    Judge,
    Layout,
    Search,
    all_criteria,
    best_ring,
    judged,
    layout_faults,
    random_layout,
    regular_ring,
    search_layout,
    search_points,
    study_layout,
    with_layout,
)
from fluxsense.design.outlines import RuleBook, Shape, gap_m
from fluxsense.design.sensitivity import planned_experiment, points_at
from fluxsense.device.chip import check_geometry
from fluxsense.study import KeepOut, LayoutRules, State, Study, read_study
from fluxsense.study.write import study_text

GRAIN = Path(__file__).parents[2] / "data_demo" / "grain" / "study.toml"


@pytest.fixture(scope="module")
def grain() -> Study:
    """The grain demo with one of its settings, which makes the tables smaller."""
    study = read_study(GRAIN)
    return replace(study, settings=study.settings[:1])


RULES = LayoutRules(
    outlines=("square", "circle", "figure_eight", "free"),
    size_m=(6e-6, 25e-6),
    chip_size_m=(90e-6, 80e-6),
    loop_area_m2=2000e-12,
    keep_out=(KeepOut("plate", (-4e-6, -4e-6), (4e-6, 4e-6)), KeepOut("plate", (20e-6, 20e-6), (60e-6, 60e-6))),
)


def sampled(corners: np.ndarray, count: int = 60) -> np.ndarray:
    """Points along a polygon's edges."""
    t = np.linspace(0, 1, count, endpoint=False)[:, None, None]
    return (corners + t * (np.roll(corners, -1, axis=0) - corners)).reshape(-1, 2)


@pytest.mark.parametrize("starts", [40, pytest.param(1000, marks=pytest.mark.slow)])
def test_no_rule_is_broken_in_random_starts(grain: Study, starts: int) -> None:
    """Against the rules written out anew: corners in the frame, points along the wires apart, boxes out of keep-outs."""
    study = replace(grain, layout=RULES)
    rng = np.random.default_rng(0)
    for number in range(starts):
        shapes, outlines, chips = random_layout(study, rng)
        assert len(shapes) == 8
        assert layout_faults(study, Layout(tuple(chips), tuple(outlines))) == []
        every = np.concatenate(outlines)
        assert np.all(np.abs(every) <= np.array([43e-6, 38e-6]) + 1e-12)
        np.testing.assert_allclose(every / 1e-7, np.round(every / 1e-7), atol=1e-6)
        if number % 20:
            continue
        points = [sampled(o) for o in outlines]
        for n in range(8):
            assert not np.any(np.all(np.abs(points[n]) < 4e-6 - 1e-12, axis=1))
            for m in range(n):
                apart = np.linalg.norm(points[n][:, None] - points[m][None], axis=2).min()
                assert apart >= 2e-6 - 1e-12


def test_faults_are_named(grain: Study) -> None:
    study = replace(
        grain, layout=replace(RULES, keep_out=(), loop_area_m2=None, chip_size_m=(60e-6, 60e-6), spacing_m=3e-6)
    )
    present = study_layout(study)
    outlines = list(present.outlines)
    outlines[0] = outlines[0] + np.array([30e-6, 0.0])
    outlines[2] = outlines[6] + np.array([2e-6, 0.0])
    faults = layout_faults(study, Layout(present.chips, tuple(outlines)))
    assert 'Loop "east_near": it comes nearer than 2 um to the edge of the chip.' in faults
    assert any(
        x.startswith('Loops "north_near" and "south_near": they are 0 um apart, less than the spacing') for x in faults
    )


def test_distance_of_polygons() -> None:
    square = Shape("c", 0.0, 0.0, 10e-6, "square").corners(1e-7)
    assert gap_m(square, square + np.array([13e-6, 0])) == pytest.approx(3e-6)
    assert gap_m(square, square + np.array([13e-6, 14e-6])) == pytest.approx(5e-6)
    assert gap_m(square, 0.2 * square) == 0.0  # one inside the other
    assert gap_m(square, square + np.array([5e-6, 5e-6])) == 0.0


def axial(tmp_path: Path, grain: Study) -> Study:
    """One free circular loop under a dipole along z at 12 um, all other loops a millimetre away."""
    far = {x.name for x in grain.loops[1:]}
    loops = tuple(
        replace(x, outline_m=tuple((a + 1e-3, b, c) for a, b, c in x.outline_m)) if x.name in far else x
        for x in grain.loops
    )
    source = replace(grain.source, size=1e-16, position_sd_m=(0.0, 0.0, 0.0))
    rules = LayoutRules(
        outlines=("circle",), size_m=(5e-6, 80e-6), chip_size_m=(150e-6, 150e-6), grid_m=2e-8, fixed=tuple(sorted(far))
    )
    return replace(grain, loops=loops, source=source, layout=rules)


def test_search_finds_the_best_radius_under_an_axial_dipole(tmp_path: Path, grain: Study) -> None:
    """Axial dipole at height z: the flux is largest at a = sqrt(2) z (calculus), and the search knows nothing of it."""
    study = axial(tmp_path, grain)
    x = points_at(planned_experiment(study).unknowns, [[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]])
    judge = Judge(study, x, "information", known=("position", "offset", "strength", "phase"))
    found = search_layout(judge, Search(starts=1, steps=600, seed=1))
    corners = found.layout.outlines[0]
    x0, y0 = corners.mean(axis=0)
    area = 0.5 * np.sum(corners[:, 0] * np.roll(corners[:, 1], -1) - corners[:, 1] * np.roll(corners[:, 0], -1))
    # a polygon of 24 sides stands for the circle between its inner and outer one; equal areas are near enough for 1%
    assert np.sqrt(area / np.pi) == pytest.approx(np.sqrt(2) * 12e-6, rel=0.01)
    assert np.hypot(x0, y0) < 0.5e-6


def test_search_is_reproducible_with_any_executor(grain: Study) -> None:
    study = replace(grain, layout=replace(RULES, loop_area_m2=None))
    judge = Judge(study, search_points(study, 4, 0))
    alone = search_layout(judge, Search(starts=3, steps=25, seed=5))
    with ThreadPoolExecutor(2) as pool:
        together = search_layout(judge, Search(starts=3, steps=25, seed=5, executor=pool))
    assert alone.starts == together.starts
    for a, b in zip(alone.layout.outlines, together.layout.outlines, strict=True):
        np.testing.assert_array_equal(a, b)
    other = search_layout(judge, Search(starts=3, steps=25, seed=6))
    assert other.starts != alone.starts
    assert layout_faults(study, alone.layout) == []


@pytest.mark.parametrize(("slow", "extent_m"), [(0.0, 0.0), (1e-3, 0.0), (0.0, 6e-6)])
def test_table_judges_like_the_exact_information(grain: Study, slow: float, extent_m: float) -> None:
    """The search's interpolated criteria against the full computation at the same points."""
    source = replace(grain.source, extent_m=extent_m)
    grain = replace(grain, source=source, noise=replace(grain.noise, flux_slow_phi0=slow))
    x = search_points(grain, 12, 3)
    judge = Judge(grain, x)
    exact = all_criteria(judged(grain, x))
    now = study_layout(grain)
    rows = judge.rows(now.chips, now.outlines)
    for criterion in CRITERIA:
        judge.criterion = criterion
        value = judge.value(rows)
        if criterion in ("error", "A", "worst"):
            assert np.degrees(value) == pytest.approx(exact[criterion], rel=0.15)
        else:
            assert -value == pytest.approx(exact[criterion], abs=0.4)


def test_result_is_a_study_ready_to_use(tmp_path: Path, grain: Study) -> None:
    study = replace(grain, layout=RULES)
    _, outlines, chips = random_layout(study, np.random.default_rng(4))
    laid = with_layout(study, Layout(tuple(chips), tuple(outlines)))
    (tmp_path / "study.toml").write_text(study_text(laid), encoding="utf-8")
    again = read_study(tmp_path / "study.toml")
    check_geometry(again)
    for a, b in zip(study_layout(again).outlines, outlines, strict=True):
        np.testing.assert_allclose(a, b, atol=1e-15)


def test_rules_that_cannot_be_kept(grain: Study) -> None:
    tight = replace(grain, layout=replace(RULES, size_m=(24e-6, 25e-6), chip_size_m=(60e-6, 60e-6), loop_area_m2=None))
    with pytest.raises(InputError, match="the loops do not fit"):
        random_layout(tight, np.random.default_rng(0))
    fixed = replace(grain, layout=LayoutRules(fixed=tuple(x.name for x in grain.loops)))
    with pytest.raises(InputError, match="every loop is fixed"):
        search_layout(Judge(fixed, search_points(fixed, 2, 0)))
    with pytest.raises(InputError, match="is not known"):
        Judge(grain, search_points(grain, 2, 0), "beauty")


def test_ring_keeps_the_rules(grain: Study) -> None:
    study = replace(grain, layout=LayoutRules(size_m=(6e-6, 25e-6), chip_size_m=(120e-6, 120e-6)))
    judge = Judge(study, search_points(study, 4, 0))
    layout, value = best_ring(judge, passes=2)
    assert layout_faults(study, layout) == []
    other = regular_ring(study, 30e-6, 12e-6)
    assert layout_faults(study, other) == []
    assert value <= judge.value(judge.rows(other.chips, other.outlines))


def test_rule_book_on_the_area() -> None:
    book = RuleBook(LayoutRules(loop_area_m2=150e-12))
    square = Shape("c", 0.0, 0.0, 10e-6, "square").corners(1e-7)
    assert book.total([square]) == ""
    assert book.total([square, square + 1e-4]) == "the loops cover 200 um^2, more than 150 um^2"


def test_states_that_tell_otherwise_have_tables_of_their_own(grain: Study) -> None:
    """Without the source out, a remainder may hide in the pump-off sweeps of the turned state, not in those it is seen against."""
    turned = State("turned", "turned", rotation=((-1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0)))
    inside = next(s for s in grain.states if s.kind == "in")
    each = tuple(replace(i, setup=i.setup.with_sd(discrepancy=0.05)) for i in grain.isolators[:1])
    settings = tuple(replace(s, isolators=(each[0].name,)) for s in grain.settings)
    plan = replace(grain.plan, states=("in", "turned"))
    study = replace(grain, states=(inside, turned), isolators=each, settings=settings, plan=plan)
    judge = Judge(study, search_points(study, 2, 3))
    first, second = (table for *_, table in judge._blocks)
    middle = np.zeros((1, 2)) + 0.5
    assert np.trace(second.at(middle)[0]) < 0.99 * np.trace(first.at(middle)[0])
