"""Commands `plan` and `layout`: text, JSON, files, caution, exit codes, reproducibility."""

from __future__ import annotations

import copy
import csv
import io
import json
import re
import sys
from dataclasses import dataclass, replace
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import run
from design_scenarios import chip, ring
from document_types import misfits

from fluxsense.base.sphere import equal_area_points
from fluxsense.cli import FILES, main
from fluxsense.design.ambiguity import AmbiguityMap
from fluxsense.design.layout import study_layout
from fluxsense.design.working_point import Effort
from fluxsense.jobs.plan import left_out
from fluxsense.jobs.start import example_text
from fluxsense.report.design import draw_ambiguity, draw_layout
from fluxsense.report.documents import LayoutDocument, PlanDocument
from fluxsense.report.page import filled
from fluxsense.report.proposals import layout_lines
from fluxsense.report.sentences import sentences
from fluxsense.report.tables import tables_of
from fluxsense.study import Data, KeepOut, LayoutRules, Study, read_study
from fluxsense.study.write import study_text


def small(**changes: object) -> Study:
    """Two isolators, few points: enough for the commands to run in seconds."""
    kwargs: dict[str, object] = {
        "height_um": 12,
        "position_sd_um": 0.2,
        "points": 15,
        "bias": ((0.5, 0.5, 1),),
        "repeats": 3,
    }
    study = chip(ring(3, 16, 12), **(kwargs | changes))  # type: ignore[arg-type]
    return replace(study, layout=replace(study.layout, chip_size_m=(80e-6, 80e-6)))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    target = tmp_path / "study.toml"
    target.write_text(study_text(small()), encoding="utf-8")
    return target


@dataclass(frozen=True)
class Proposed:
    """What a command proposed: where, how it ended, what it printed."""

    folder: Path
    code: int
    out: str
    err: str
    document: dict[str, Any]


def proposed(folder: Path, command: str, *arguments: str) -> Proposed:
    """Run `plan` or `layout` on the small study, with a second process as users have it."""
    (folder / "study.toml").write_text(study_text(small()), encoding="utf-8")
    outcome = run([command, folder / "study.toml", "--out", folder / "p", *arguments], second=True)
    document = json.loads((folder / f"p/{command}.json").read_text(encoding="utf-8"))
    return Proposed(folder / "p", outcome.code, outcome.out, outcome.err, document)


@pytest.fixture(autouse=True)
def few_trials(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the plan that all tests look at searches in earnest: what the others say hangs on no search."""
    monkeypatch.setattr("fluxsense.jobs.plan.Effort", lambda **_: Effort(rounds=1, samples=4, polish=4))


@pytest.fixture(scope="session")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Proposed:
    """`plan`, run once for all tests that look at it."""
    return proposed(tmp_path_factory.mktemp("planned"), "plan", "--error", "5", "--error-rate", "0.01", "--figures")


@pytest.fixture(scope="session")
def laid_out(tmp_path_factory: pytest.TempPathFactory) -> Proposed:
    """`layout`, run once for all tests that look at it."""
    return proposed(
        tmp_path_factory.mktemp("laid"), "layout", "--starts", "2", "--steps", "20", "--seed", "3", "--json"
    )


def test_what_a_prediction_leaves_out_is_said(tmp_path: Path) -> None:
    """The walk that is expected: the median of a half-normal law is 0.6745 of its scale (tables of the normal law)."""
    path = tmp_path / "study.toml"
    path.write_text(example_text("grain_100nm"), encoding="utf-8")
    (words,) = sentences(left_out(read_study(path)))
    assert words.startswith("The errors expect the flux in each loop to wander by 0.67 mPhi0 over a campaign")
    path.write_text(example_text("grain_100nm").replace('unstated = "default"', 'unstated = "exact"'), encoding="utf-8")
    assert left_out(read_study(path)) == []


def test_plan_writes_what_it_says(planned: Proposed) -> None:
    assert planned.code == 0
    out, document = planned.out, planned.document
    assert "Time to taking a direction for its reverse with probability 0.01: " in out
    assert "Check every current, power and dimension against the laboratory's own limits" in out
    assert "equivalence theorem: largest sensitivity is 1.0" in out
    assert "Time to an angular error of 5 degrees" in out
    assert "searching working points" in planned.err
    assert "[limits] asks for no isolation" in out
    assert 'State isolation = "15 dB"' in out
    assert document["error_proposed"]["mean_deg"] <= document["error_now"]["mean_deg"]
    assert document["schedule"]["equivalence_largest_over_limit"] < 1.01
    assert sum(c["sweeps"] for c in document["schedule"]["candidates"]) == document["schedule"]["total"]
    assert document["information_gain_nats"]["upper"] > 0
    study = read_study(planned.folder / "study.toml")
    limits = [b.limit_a for b in study.bias_lines]
    assert all(np.all(np.abs(s.bias_a) <= limits) for s in study.settings)
    # this study has no read-out chain, so nothing to show against the pump's power
    figures = {f"{x}.{kind}" for x in ("landscape", "ambiguity", "schedule", "frequencies") for kind in ("pdf", "svg")}
    assert {p.name for p in planned.folder.iterdir()} == set(FILES["plan"][1]) | figures
    assert all((planned.folder / x).read_bytes()[:5] in (b"%PDF-", b"<?xml") for x in figures)


def test_tables_of_proposals_hold_what_the_documents_say(planned: Proposed, laid_out: Proposed) -> None:
    """Read back by Python's csv."""
    assert misfits(planned.document, PlanDocument) == []
    assert misfits(laid_out.document, LayoutDocument) == []
    found = tables_of(planned.document)
    head, *rows = csv.reader(io.StringIO(found["working_points"].csv()))
    assert len(rows) == len(planned.document["settings"])
    for row, setting in zip(rows, planned.document["settings"], strict=True):
        entry = dict(zip(head, row, strict=True))
        assert 1e-3 * 10 ** (float(entry["pump power (dBm)"]) / 10) == pytest.approx(setting["pump_power_w"])
        assert [float(entry[f"{k} (mA)"]) for k in setting["bias_a"]] == pytest.approx(
            [1e3 * v for v in setting["bias_a"].values()]
        )
    assert sum(row[-1] for row in found["split"].rows) == planned.document["schedule"]["total"]
    found = tables_of(laid_out.document)
    stated = laid_out.document["comparison"]["position_as_stated"]
    assert found["criteria_position_as_stated"].columns == ("criterion", *stated)
    assert found["criteria_position_as_stated"].rows[0] == ("error", *(one["error"] for one in stated.values()))
    loops = {row[0]: row for row in found["loops"].rows}
    for loop in laid_out.document["loops"]:
        assert loops[loop["name"]][2:4] == pytest.approx([1e6 * x for x in loop["center_m"]])


@pytest.mark.parametrize("kind", ["plan", "layout"])
def test_the_page_of_a_proposal(kind: str, planned: Proposed, laid_out: Proposed) -> None:
    made, figures = (planned, 4) if kind == "plan" else (laid_out, 1)
    page = (made.folder / f"{kind}.html").read_text(encoding="utf-8")
    assert len(page) < 1_000_000
    assert not re.search(r"https?:|<script", page.replace("http-equiv", ""))
    assert page.count("<img ") == page.count('src="data:image/') == page.count("<figcaption>") == figures
    assert page.count("<table>") == page.count("<caption>") > 0
    # the frame of every page: the same style, sections numbered by it, cautions last
    style = filled("detection.html", d=made.document, answer="", said=[], trust_words="", section="").split("</style>")[
        0
    ]
    assert style.split("<style>")[1] in page
    assert page.rindex("<section") == page.index('<section id="cautions">')
    assert made.document["caution"] in unescape(page)
    assert made.document["verdict"]["reasons"][0] in unescape(page)
    if kind == "plan":
        assert f"{made.document['error_now']['mean_deg']:.3g} degrees on average" in page
    else:
        assert all(f"{1e6 * x['extent_m'][0]:.2f}" in page for x in made.document["loops"])


def test_what_is_not_told_apart_is_drawn_in_equal_area_discs() -> None:
    """The area of the dark cells over that of the discs is the share of directions below the threshold (equal-area points)."""
    directions = equal_area_points(200)
    truth = np.array([0.6, 0.0, 0.8])
    log_odds = np.where(np.abs(directions @ truth) > 0.9, 1.0, 50.0)
    figure = draw_ambiguity(AmbiguityMap(truth, directions, log_odds))
    assert len(figure.axes) == 2
    dark = inside = 0
    for axes in figure.axes:
        shown = np.asarray(axes.images[0].get_array())
        x, y = np.meshgrid(*2 * [np.linspace(-1, 1, len(shown))])
        disc = np.hypot(x, y) < 1
        dark += np.sum(shown[disc] == 0)
        inside += np.sum(disc)
        assert axes.get_aspect() == 1
    assert dark / inside == pytest.approx(np.mean(log_odds < 3), abs=0.01)
    words = [x.get_text() for x in figure.legends[0].get_texts()]
    assert "not told from the truth" in words


def test_proposals_have_format_verdict_and_provenance(planned: Proposed, laid_out: Proposed) -> None:
    assert {p.name for p in laid_out.folder.iterdir()} == set(FILES["layout"][1])
    for made, kind, seed, options in (
        (planned, "plan", 0, {"error": 5.0, "error_rate": 0.01, "thorough": 1}),
        (
            laid_out,
            "layout",
            3,
            {"criterion": "error", "position_known": False, "starts": 2, "steps": 20, "counts": []},
        ),
    ):
        document, study = made.document, read_study(made.folder.parent / "study.toml")
        assert (document["format"], document["kind"], document["invented"]) == (1, kind, study.invented)
        assert document["verdict"]["trust"] == ("reliable" if made.code == 0 else "tentative")
        assert document["verdict"]["reasons"]
        provenance = document["provenance"]
        assert provenance["seed"] == seed
        assert provenance["options"] == options
        assert provenance["study_hash"] == study.sha256
        assert {"fluxsense", "python", "numpy", "scipy"} <= provenance["versions"].keys()


def test_layout_json_is_one_document_and_the_same_twice(laid_out: Proposed, tmp_path: Path) -> None:
    again = proposed(tmp_path, "layout", "--starts", "2", "--steps", "20", "--seed", "3", "--json", "--workers", "2")
    for made in (laid_out, again):
        assert made.err == ""
        assert json.loads(made.out) == made.document
        assert made.code == (0 if made.document["prediction_valid"]["position_as_stated"]["proposed"] else 1)
    assert laid_out.document == again.document
    assert again.document["rules_broken_proposed"] == []
    assert "laboratory's own limits" in again.document["caution"]
    read_study(again.folder / "study.toml")


def test_layout_compares_numbers_of_isolators(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["layout", str(path), "--out", str(tmp_path / "n"), "--starts", "1", "--steps", "6"]
    code = main([*arguments, "--isolators", "2,3"])
    out, _ = capsys.readouterr()
    document = json.loads((tmp_path / "n/layout.json").read_text())
    assert code == (0 if document["prediction_valid"]["position_as_stated"]["proposed"] else 1)
    assert [c["isolators"] for c in document["isolator_counts"]] == [2, 3]
    assert document["isolators"] == 3  # two fluxes cannot tell three components
    assert "Numbers of isolators in the same measuring time" in out
    assert len(read_study(tmp_path / "n/study.toml").isolators) == 3
    assert main([*arguments, "--isolators", "2,x"]) == 2
    assert "does not list numbers of isolators" in capsys.readouterr().err


@pytest.mark.slow
def test_layout_trusts_the_errors_of_the_reading_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "study.toml"
    path.write_text(study_text(small(height_um=15, position_sd_um=4.0)), encoding="utf-8")
    arguments = ["layout", str(path), "--out", str(tmp_path / "l"), "--starts", "2", "--steps", "5"]
    codes, documents, texts = [], [], []
    for more in ([], ["--position-known"]):
        codes.append(main([*arguments, *more]))
        texts.append(capsys.readouterr().out)
        documents.append(json.loads((tmp_path / "l/layout.json").read_text()))
    assert codes == [1, 0]
    for document in documents:
        assert not document["prediction_valid"]["position_as_stated"]["proposed"]
        assert document["prediction_valid"]["position_known"]["proposed"]
    known = documents[1]["comparison"]["position_known"]
    assert known["proposed"]["error"] < known["now"]["error"] / 3
    assert set(known) == {"now", "even_ring", "proposed"}
    assert "even ring: the best regular ring of equal loops under the same rules" in texts[0]
    assert (
        "    NOT VALID as predictions (now, even ring, proposed): over a tenth of the angular errors exceed 15 degrees. "
        "They still rank layouts.\n" in texts[0]
    )


def test_layout_says_when_its_proposal_is_worse(laid_out: Proposed) -> None:
    document = copy.deepcopy(laid_out.document)
    entry = document["comparison"]["position_as_stated"]
    for criterion, worse in (("error", 1.1), ("information", 0.9)):
        entry["proposed"][criterion] = worse * entry["now"][criterion]
        assert sum("is WORSE than" in line for line in layout_lines(document | {"criterion": criterion})) == 1
        entry["proposed"][criterion] = entry["now"][criterion] / worse
        assert not any("is WORSE than" in line for line in layout_lines(document | {"criterion": criterion}))
        for alike in (1.0, 1 + 1e-12, 1 - 1e-12):
            entry["proposed"][criterion] = alike * entry["now"][criterion]
            lines = layout_lines(document | {"criterion": criterion})
            assert not any("is WORSE than" in line for line in lines)
            assert sum("is as good as" in line for line in lines) == 1


def test_layout_says_that_no_ring_keeps_the_rules(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = small(position_sd_um=0.0)
    rules = replace(study.layout, keep_out=(KeepOut("chip", (-40e-6, 2e-6), (40e-6, 40e-6)),))
    path = tmp_path / "study.toml"
    path.write_text(study_text(replace(study, layout=rules)), encoding="utf-8")
    main(["layout", str(path), "--out", str(tmp_path / "l"), "--starts", "2", "--steps", "5"])
    text = capsys.readouterr().out
    assert "no regular ring of equal loops keeps the rules" in text
    document = json.loads((tmp_path / "l/layout.json").read_text())
    assert set(document["comparison"]) == {"position_as_stated"}  # the position is exact: one reading
    assert set(document["comparison"]["position_as_stated"]) == {"now", "proposed"}
    assert "Expected of the layout:" in text


def test_layout_through_gdsii(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("gdstk")
    common = ["--starts", "1", "--steps", "10", "--layer", "5"]
    main(["layout", str(path), "--out", str(tmp_path / "a"), "--gds", str(tmp_path / "a.gds"), *common])
    capsys.readouterr()
    main(["layout", str(path), "--out", str(tmp_path / "b"), "--from-gds", str(tmp_path / "a.gds"), *common])
    out, _ = capsys.readouterr()
    assert "Proposed loops" in out
    first, second = (json.loads((tmp_path / f"{n}/layout.json").read_text()) for n in "ab")
    a = first["comparison"]["position_as_stated"]["proposed"]["error"]
    assert second["comparison"]["position_as_stated"]["now"]["error"] == pytest.approx(a, rel=1e-6)


def test_magnitudes_are_planned_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study, path = small(), tmp_path / "study.toml"
    study = replace(study, noise=replace(study.noise, flux_phi0=1e-3))
    errors = {}
    for kind in ("complex", "magnitude"):
        path.write_text(study_text(replace(study, data=Data(kind))), encoding="utf-8")
        main(["layout", str(path), "--json", "--out", str(tmp_path / kind), "--starts", "1", "--steps", "2"])
        out, _ = capsys.readouterr()
        errors[kind] = json.loads(out)["comparison"]["position_as_stated"]["now"]["error"]
    assert errors["complex"] < errors["magnitude"] < 5 * errors["complex"]


def test_plan_says_that_slow_flux_noise_makes_the_floor(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "study.toml"
    study = small(position_sd_um=0.0)
    path.write_text(study_text(replace(study, noise=replace(study.noise, flux_slow_phi0=2e-3))), encoding="utf-8")
    main(["plan", str(path), "--out", str(tmp_path / "p"), "--error", "0.01"])
    text = capsys.readouterr().out
    time = json.loads((tmp_path / "p/plan.json").read_text())["time"]
    assert not time["reachable"]
    assert time["floor_without_slow_flux_noise_deg"] < 0.5 * time["floor_deg"]
    assert f"0.01 degrees cannot be reached: measuring without end leaves {time['floor_deg']:.3g} degrees.\n" in text
    assert "  Slow flux noise, which more sweeps do not average, makes that floor: without it " in text


def test_missing_gdstk_is_said(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "gdstk", None)
    assert main(["layout", str(path), "--gds", "any.gds"]) == 2
    assert "Install it with: pip install 'fluxsense[gds]'" in capsys.readouterr().err


def test_invalid_prediction_is_said_and_marks_the_exit_code(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "study.toml"
    target.write_text(study_text(small(position_sd_um=6.0)), encoding="utf-8")
    assert main(["layout", str(target), "--out", str(tmp_path / "l"), "--starts", "1", "--steps", "5"]) == 1
    assert "NOT VALID as predictions" in capsys.readouterr().out


def test_layout_figure_of_several_chips(tmp_path: Path) -> None:
    corner = read_study(Path(__file__).parents[2] / "data_demo/corner/study.toml")
    figure = draw_layout(replace(corner, layout=LayoutRules()), study_layout(corner), study_layout(corner))
    assert len(figure.axes) == len(corner.chips)
