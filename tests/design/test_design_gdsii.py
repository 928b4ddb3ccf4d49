"""Masks made with gdstk and read back: areas by closed form of the drawn shapes, not by the package's own geometry.

A ring of wires of width w around a rectangle a x b (centre lines) covers (a + w)(b + w) - (a - w)(b - w) and its loop is a b:
that the loop is taken, and not the metal, is the point of these tests.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fluxsense.base.errors import InputError
from fluxsense.cli import main
from fluxsense.design.gdsii import GUIDE, Outline, read_gdsii, read_layout, write_gdsii
from fluxsense.design.layout import Layout, layout_faults, random_layout, study_layout
from fluxsense.study import KeepOut, LayoutRules, Study, read_study

gdstk = pytest.importorskip("gdstk")
GRAIN = Path(__file__).parents[2] / "data_demo" / "grain" / "study.toml"
RULES = LayoutRules(
    outlines=("square", "circle", "figure_eight", "free"),
    size_m=(6e-6, 25e-6),
    chip_size_m=(90e-6, 80e-6),
    keep_out=(KeepOut("plate", (-4e-6, -4e-6), (4e-6, 4e-6)),),
)


@pytest.fixture(scope="module")
def grain() -> Study:
    return read_study(GRAIN)


def area_um2(corners_m: np.ndarray) -> float:
    """Shoelace formula."""
    x, y = 1e6 * corners_m.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def ring(a: float, b: float, w: float, x: float = 0.0, y: float = 0.0) -> list[object]:
    outer = gdstk.rectangle((x - (a + w) / 2, y - (b + w) / 2), (x + (a + w) / 2, y + (b + w) / 2))
    inner = gdstk.rectangle((x - (a - w) / 2, y - (b - w) / 2), (x + (a - w) / 2, y + (b - w) / 2))
    return list(gdstk.boolean(outer, inner, "not", layer=1))


def bars(*boxes: tuple[float, float, float, float]) -> list[object]:
    return [gdstk.rectangle(b[:2], b[2:], layer=1) for b in boxes]


def closed_path(simple: bool) -> object:
    return gdstk.FlexPath([(0, 0), (30, 0), (30, 20), (0, 20), (0, 0)], 2, simple_path=simple, layer=1)


SLANTED = gdstk.Polygon(  # one cut from an outer to an inner corner, passed once each way
    [(-12, -12), (12, -12), (12, 12), (-12, 12), (-12, -12), (-10, -10), (-10, 10), (10, 10), (10, -10), (-10, -10)],
    layer=1,
)
BARS = bars((-12, -12, 12, -10), (-12, 10, 12, 12), (-12, -10, -10, 10), (10, -10, 12, 10))
GOOD: dict[str, tuple[Callable[[], list[object]], float, float]] = {
    "outline": (lambda: bars((-11, -11, 11, 11)), 484.0, 0.0),
    "keyholed ring": (lambda: ring(22, 22, 2), 484.0, 2.0),
    "ring cut at a slant": (lambda: [SLANTED], 484.0, 2.0),
    "ring of four bars": (lambda: BARS, 484.0, 2.0),
    "oblong ring": (lambda: ring(40, 16, 3), 640.0, 3.0),
    "path": (lambda: [closed_path(True)], 600.0, 2.0),
    "path as a polygon": (
        lambda: [gdstk.FlexPath([(0, 0), (30, 0), (30, 20), (0, 20), (0, -1)], 2, layer=1)],
        600.0,
        2.0,
    ),
    "round ring": (lambda: [gdstk.ellipse((0, 0), 13, inner_radius=11, tolerance=1e-4, layer=1)], np.pi * 144, 2.0),
    "triangle": (
        lambda: [gdstk.Polygon([(0, 0), (20, 0), (0, 20)], layer=1)],
        200.0,
        0.0,
    ),
    "wide letter L": (
        lambda: [gdstk.Polygon([(0, 0), (20, 0), (20, 8), (8, 8), (8, 20), (0, 20)], layer=1)],
        256.0,
        0.0,
    ),
}


def saved(tmp_path: Path, shapes: list[object], *labels: object, name: str = "plate") -> Path:
    library = gdstk.Library("l", unit=1e-6, precision=1e-9)
    library.new_cell(name).add(*shapes, *labels)
    library.write_gds(str(tmp_path / "m.gds"))
    return tmp_path / "m.gds"


def loops(path: Path, **options: object) -> dict[str, Outline]:
    return next(iter(read_gdsii(path, layer=1, **options).values()))


def test_the_loop_is_read_and_not_the_metal(tmp_path: Path) -> None:
    library = gdstk.Library("l", unit=1e-6, precision=1e-9)
    for what, (make, _, _) in GOOD.items():
        library.new_cell(what).add(*make())
    library.write_gds(str(tmp_path / "m.gds"))
    for what, named in read_gdsii(tmp_path / "m.gds", layer=1).items():
        _, area, width = GOOD[what]
        (found,) = named.values()
        assert area_um2(found.corners_m) == pytest.approx(area, rel=2e-4 if what == "round ring" else 1e-8), what
        assert 1e6 * found.wire_m == pytest.approx(width, rel=1e-3 if what == "round ring" else 1e-6, abs=1e-12), what


REFUSED: dict[str, tuple[Callable[[], list[object]], str]] = {
    "open ring": (
        lambda: list(gdstk.boolean(ring(22, 22, 2), bars((-0.5, 8, 0.5, 14)), "not", layer=1)),
        "does not close",
    ),
    "wide open ring": (
        lambda: list(gdstk.boolean(ring(22, 22, 6), bars((-1, 6, 1, 16)), "not", layer=1)),
        "does not close",
    ),
    "washer": (lambda: ring(22, 22, 8), "8 um wide around a hole of 14 um, a washer"),
    "gradiometer": (lambda: ring(22, 22, 2) + bars((-1, -10, 1, 10)), "metal with 2 holes"),
    "uneven wire": (
        lambda: list(gdstk.boolean(bars((-12, -12, 12, 12)), bars((-11, -10, 11, 8)), "not", layer=1)),
        "not the same all around",
    ),
    "two outlines that touch": (
        lambda: bars((0, 0, 10, 10), (10, 0, 20, 10)),
        "2 polygons that touch or lie in each other",
    ),
    "an outline in another": (
        lambda: bars((0, 0, 30, 30), (10, 10, 20, 20)),
        "2 polygons that touch or lie in each other",
    ),
    "open path": (
        lambda: [gdstk.FlexPath([(0, 0), (30, 0), (30, 20), (0, 20)], 2, simple_path=True, layer=1)],
        "a path whose ends lie 20 um apart",
    ),
    "there and back": (
        lambda: [gdstk.FlexPath([(0, 0), (30, 0), (0, 0)], 2, simple_path=True, layer=1)],
        "surrounds nothing",
    ),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_is_no_loop_is_refused(what: str, tmp_path: Path) -> None:
    make, sentence = REFUSED[what]
    path = saved(tmp_path, make())
    with pytest.raises(InputError, match=sentence) as error:
        read_gdsii(path, layer=1)
    assert str(error.value).startswith(str(path))


def test_a_figure_eight_stays_an_outline(tmp_path: Path) -> None:
    corners = [(-10, -5), (10, 5), (10, -5), (-10, 5)]
    (found,) = loops(saved(tmp_path, [gdstk.Polygon(corners, layer=1)])).values()
    np.testing.assert_allclose(found.corners_m, 1e-6 * np.array(corners), atol=1e-15)
    assert found.wire_m == 0.0


def test_references_are_placed(tmp_path: Path) -> None:
    library = gdstk.Library("l", unit=1e-6, precision=1e-9)
    unit, top = library.new_cell("unit"), library.new_cell("plate")
    unit.add(*ring(22, 10, 2), closed_path(True).translate(40, 0))
    top.add(gdstk.Reference(unit, (100, 0), rotation=np.pi / 2, magnification=2, columns=2, rows=1, spacing=(300, 0)))
    for k, (x, y) in enumerate([(100, 23), (100, 323), (41, 81), (41, 381)]):  # turned by a quarter, rows along y
        top.add(gdstk.Label(f"l{k}", (x, y), layer=1))
    library.write_gds(str(tmp_path / "m.gds"))
    found = read_gdsii(tmp_path / "m.gds", layer=1)
    assert list(found) == ["plate"]
    areas = sorted(area_um2(o.corners_m) for o in found["plate"].values())
    assert areas == pytest.approx([4 * 220.0] * 2 + [4 * 600.0] * 2)
    assert sorted(1e6 * o.wire_m for o in found["plate"].values()) == pytest.approx([4.0] * 4)
    middles = [o.corners_m.mean(axis=0) for o in found["plate"].values()]
    assert min(np.linalg.norm(m - 1e-6 * np.array([100, 0])) for m in middles) < 1e-12
    assert list(read_gdsii(tmp_path / "m.gds", layer=1, cells=["unit"])) == ["unit"]  # a cell by its name


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda a, b: (a.add(gdstk.Reference(b)), b.add(gdstk.Reference(a))), "places itself"),
        (lambda a, b: a.add(gdstk.Reference("elsewhere")), 'places "elsewhere", which the file does not hold'),
        (
            lambda a, b: a.add(gdstk.Reference(b, columns=3000, rows=3000, spacing=(9, 9))),
            "shapes. Name a smaller cell",
        ),
    ],
    ids=["circle", "missing", "millions"],
)
def test_references_that_cannot_be_placed(make: Callable[..., object], sentence: str, tmp_path: Path) -> None:
    library = gdstk.Library("l", unit=1e-6, precision=1e-9)
    a, b = library.new_cell("a"), library.new_cell("b")
    b.add(gdstk.rectangle((0, 0), (1, 1), layer=1))
    make(a, b)
    library.write_gds(str(tmp_path / "m.gds"))
    with pytest.raises(InputError, match=sentence):
        read_gdsii(tmp_path / "m.gds", layer=1)


def test_the_end_of_the_reader_is_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = saved(tmp_path, bars((0, 0, 9, 9)))
    crash = tmp_path / "crash.py"
    crash.write_text("import os, signal\nos.kill(os.getpid(), signal.SIGSEGV)\n")
    monkeypatch.setattr("fluxsense.design.gdsii.READER", crash)
    with pytest.raises(InputError, match="gdstk could not read the file to its end"):
        read_gdsii(path, layer=1)


def test_labels_name_loops_on_any_layer(tmp_path: Path, grain: Study) -> None:
    names = [x.name for x in grain.loops]
    shapes: list[object] = []
    for k, name in enumerate(names):
        shapes += ring(10, 10, 1, 20 * k)
        place = [(20 * k + 5.5, 5.5), (20 * k, 5.2), (20 * k, 0)][k % 3]  # a corner, on the metal, in the hole
        shapes.append(gdstk.Label(name, place, layer=63))
    shapes += [gdstk.Label("a remark", (0, 0), layer=1), gdstk.rectangle((-500, 0), (-400, 9), layer=1)]
    cut = gdstk.FlexPath([(-300, 0), (-200, 0)], 2, simple_path=True, layer=1)
    path = saved(tmp_path, [*shapes, cut])
    layout, wires_m = read_layout(grain, path, layer=1)  # a pad and an open line without a loop's name are passed over
    assert [area_um2(c) for c in layout.outlines] == pytest.approx([100.0] * len(names))
    assert [1e6 * c.mean(axis=0)[0] for c in layout.outlines] == pytest.approx(
        [20.0 * k for k in range(len(names))], abs=1e-9
    )
    assert wires_m == pytest.approx(dict.fromkeys(names, 1e-6), abs=0)
    shapes.append(gdstk.Label(names[1], (0, 0), layer=1))
    with pytest.raises(InputError, match="bears 2 labels"):
        read_layout(grain, saved(tmp_path, shapes), layer=1)


def test_cells_by_name_and_what_is_missing(tmp_path: Path, grain: Study) -> None:
    layout = study_layout(grain)
    path = tmp_path / "whole.gds"
    write_gdsii(path, grain, layout)
    library = gdstk.read_gds(str(path))
    library.cells[0].name = "other"
    library.new_cell("second").add(gdstk.rectangle((0, 0), (1, 1), layer=1))
    library.write_gds(str(path))
    read_layout(grain, path, layer=1, cell="other")
    with pytest.raises(InputError, match="no cell bears the name plate; the file holds other, second"):
        read_layout(grain, path, layer=1)
    with pytest.raises(InputError, match="no cell bears the name none"):
        read_layout(grain, path, layer=1, cell="none")
    with pytest.raises(InputError, match="layer 1 holds no labelled outline"):
        read_layout(grain, path, layer=1, cell="second")
    library.remove(library.cells[1])
    library.write_gds(str(path))
    read_layout(grain, path, layer=1)  # the only cell of the only chip
    library.cells[0].remove(library.cells[0].labels[0])
    library.write_gds(str(path))
    with pytest.raises(InputError, match=f'no outline on layer 1 is labelled "{grain.loops[0].name}"'):
        read_layout(grain, path, layer=1)
    wall = replace(grain, chips=(*grain.chips, replace(grain.chips[0], name="wall")))
    with pytest.raises(InputError, match="the study has 2 chips, and one cell holds one"):
        read_layout(wall, path, layer=1, cell="other")


@pytest.mark.parametrize("unit", [1e-6, 1e-9, 1e-3])
def test_units_of_the_file(unit: float, tmp_path: Path) -> None:
    """The same square of 10 um, drawn in micrometres, nanometres and millimetres."""
    size = 10e-6 / unit
    library = gdstk.Library("l", unit=unit, precision=1e-9)
    library.new_cell("c").add(gdstk.rectangle((0, 0), (size, size), layer=1))
    library.write_gds(str(tmp_path / "m.gds"))
    assert area_um2(loops(tmp_path / "m.gds")["loop_1"].corners_m) == pytest.approx(100.0)


def test_round_trip_as_a_guide(tmp_path: Path, grain: Study) -> None:
    study = replace(grain, layout=RULES)
    _, outlines, chips = random_layout(study, np.random.default_rng(8))
    layout = Layout(tuple(chips), tuple(outlines))
    path = tmp_path / "layout.gds"
    write_gdsii(path, study, layout, layer=7)
    again, wires_m = read_layout(study, path, layer=7)
    assert again.chips == layout.chips
    assert wires_m == {}
    for a, b in zip(again.outlines, layout.outlines, strict=True):
        np.testing.assert_allclose(a, b, atol=1e-13)
    assert layout_faults(study, again) == []
    other = gdstk.read_gds(str(path))
    assert [x.text for x in other.cells[0].labels].count(GUIDE) == 1
    for polygon, corners in zip(other.cells[0].polygons, layout.outlines, strict=True):
        np.testing.assert_allclose(polygon.points * other.unit, corners, atol=1e-13)


def test_round_trip_as_wires(tmp_path: Path, grain: Study) -> None:
    layout = study_layout(grain)
    path = tmp_path / "wires.gds"
    write_gdsii(path, grain, layout, layer=3, wire_width_m=0.8e-6)
    other = gdstk.read_gds(str(path), unit=1e-6)
    for polygon, corners in zip(other.cells[0].polygons, layout.outlines, strict=True):
        edges = 1e6 * np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
        assert polygon.area() == pytest.approx(0.8 * edges.sum(), rel=1e-5)  # width times centre line
    again, wires_m = read_layout(grain, path, layer=3)
    assert wires_m == pytest.approx({x.name: 0.8e-6 for x in grain.loops}, rel=1e-5, abs=0)
    for a, b in zip(again.outlines, layout.outlines, strict=True):
        assert area_um2(a) == pytest.approx(area_um2(b), rel=1e-5)
    with pytest.raises(InputError, match="leaves no single hole"):
        write_gdsii(path, grain, layout, wire_width_m=100e-6)
    crossing = replace(grain, loops=(replace(grain.loops[0], crossing=True), *grain.loops[1:]))
    with pytest.raises(InputError, match="cross, and metal on one layer cannot"):
        write_gdsii(path, crossing, layout, wire_width_m=1e-6)


def test_files_that_are_none(tmp_path: Path) -> None:
    good = saved(tmp_path, bars((0, 0, 9, 9))).read_bytes()
    path = tmp_path / "bad.gds"
    for raw in (b"not a layout", good[:-4], good[:80], good[:6] + good[10:], b"\0\0" + good):
        path.write_bytes(raw)
        with pytest.raises(InputError, match=r"bad\.gds: the file is not readable GDSII"):
            read_gdsii(path, layer=1)
    with pytest.raises(InputError, match="no such layout"):
        read_gdsii(tmp_path / "none.gds", layer=1)
    with pytest.raises(InputError, match="-1 is no layer"):
        read_gdsii(path, layer=-1)
    path.write_bytes(good)
    with pytest.raises(InputError, match="layer 2 holds no outline"):
        read_gdsii(path, layer=2)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--gds", "{}/none/at/all.gds", "--layer", "70000"], "70000 is no layer"),
        (["--gds", "{}"], "this is a folder"),
        (["--gds", "/proc/none/a.gds"], "nothing can be written"),
        (["--gds", "{}/a.gds", "--wire-width", "-1"], "a wire of -1 um cannot be drawn"),
        (["--gds", "{}/a.gds", "--wire-width", "nan"], "a wire of nan um cannot be drawn"),
        (["--from-gds", "{}/none.gds"], "no such layout"),
    ],
)
def test_faults_show_before_the_search(
    arguments: list[str],
    sentence: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("the search has begun")

    monkeypatch.setattr("fluxsense.jobs.layout.layout", never)
    assert main(["layout", str(GRAIN), "--out", str(tmp_path / "out"), *[a.format(tmp_path) for a in arguments]]) == 2
    assert sentence in capsys.readouterr().err
