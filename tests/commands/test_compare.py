"""`compare`: results of simulated campaigns of one source, of a turned and of a reversed one; what is refused.

The chip of these campaigns tells a field from its reverse (the loops are biased; `tests/infer` shows it), so that the answer is
known from how the campaigns were made.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import Measured, run
from result_keys import differences
from small_study import small_study

from fluxsense import compare
from fluxsense.base.errors import InputError
from fluxsense.detection.draws import FILE, SourceDraws, load_draws
from fluxsense.jobs.orient import orient_folder
from fluxsense.jobs.simulate import draw_truth, write_campaign
from fluxsense.study import read_study

FIELD = np.array([0.4, -0.5, 0.6]) * 1e-6
TURNED = np.array([0.6, -0.3, 0.55]) * 1e-6


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Folders of four campaigns: two of one field, one of a turned field, one of the reverse."""
    found = {}
    for n, (name, field) in enumerate((("one", FIELD), ("again", FIELD), ("turned", TURNED), ("reverse", -FIELD))):
        folder = tmp_path_factory.mktemp(name)
        study = small_study(folder, points=9, repeats=2)
        # an interval of 90% holds 1 in nine pairs of ten: seeds of a pair where it does
        write_campaign(study, draw_truth(study, 30 + n, field), folder)
        orient_folder(read_study(study.path), folder / "results", report=False, seed=n, wanted_ess=400)
        found[name] = folder
    return found


def test_one_source_measured_twice(results: dict[str, Path]) -> None:
    found = compare(results["one"], results["again"] / "study.toml")
    d = found.document
    assert d["same_direction"]["log_bayes_factor"] > 3
    assert d["same_source"]["log_bayes_factor"] > 3
    assert d["reversed"]["log_bayes_factor"] < -10
    assert d["angle"]["low_deg"] < d["angle"]["median_deg"] < d["angle"]["high_deg"] < 10
    assert d["size_ratio"]["low"] < 1 < d["size_ratio"]["high"]
    assert "Both results are of the same direction" in found.lines()[0]
    assert differences(d, file="the document of compare") == []


def test_a_source_that_moved_and_one_that_was_reversed(results: dict[str, Path]) -> None:
    angle = np.degrees(np.arccos(FIELD @ TURNED / np.linalg.norm(FIELD) / np.linalg.norm(TURNED)))
    moved = compare(results["one"] / "results", results["turned"])
    assert moved.document["same_direction"]["log_bayes_factor"] < -3
    assert moved.document["angle"]["low_deg"] < angle < moved.document["angle"]["high_deg"]
    assert "The source has moved, by " in moved.lines()[0]
    turned = compare(results["one"], results["reverse"] / "results" / "result.json")
    assert "The source was reversed between the two" in turned.lines()[0]
    assert turned.document["angle"]["low_deg"] > 150


def test_the_command_prints_one_document(results: dict[str, Path]) -> None:
    outcome = run(["compare", results["one"], results["again"], "--json"])
    document = json.loads(outcome.out)
    assert outcome.code == (0 if document["verdict"]["trust"] == "reliable" else 1)
    assert document == compare(results["one"], results["again"]).document
    assert "angle between them" in run(["compare", results["one"], results["again"]]).out


def test_the_draws_read_back(measured: Measured) -> None:
    draws = load_draws(measured.folder / "results" / FILE)
    result = json.loads((measured.folder / "results" / "result.json").read_text())
    assert np.sqrt(np.sum(draws.vectors**2, axis=1)).mean() == pytest.approx(result["size"]["mean"], rel=0.05)
    assert draws.digest_hash == result["provenance"]["digest_hash"]
    assert draws.source.size == read_study(measured.folder / "study.toml").source.size


def altered(folder: Path, target: Path, **changes: object) -> Path:
    """The results of a folder with other draws."""
    draws = load_draws(folder / "results" / FILE)
    (target / "results").mkdir(parents=True)
    replace(draws, **changes).save(target / "results" / FILE)  # type: ignore[arg-type]
    return target / "results"


def test_what_cannot_be_compared_is_refused(results: dict[str, Path], tmp_path: Path) -> None:
    one = results["one"]
    source = load_draws(results["again"] / "results" / FILE).source
    cases = {
        "unusable": ({"trust": "unusable"}, "the second result .* is unusable"),
        "kind": (
            {"source": replace(source, kind="dipole")},
            "of a source of the kind uniform_field, the second of dipole",
        ),
        "size": ({"source": replace(source, size=2e-6)}, r"different priors \(the stated size\)"),
        "direction": (
            {"source": replace(source, direction=replace(source.direction, kind="cap", half_angle_rad=0.3))},
            r"different priors \(the prior of the direction\)",
        ),
        "few": ({"vectors": np.ones((50, 3))}, "50 draws are too few to compare"),
    }
    for name, (changes, said) in cases.items():
        with pytest.raises(InputError, match=said):
            compare(one, altered(results["again"], tmp_path / name, **changes))
    with pytest.raises(InputError, match="both results are of the same traces"):
        compare(one, one)
    outcome = run(["compare", one, tmp_path / "nothing"])
    assert outcome.code == 2
    assert "there is no draws.npz, which orient writes, so there is no second result to compare" in outcome.err
    shutil.copytree(one / "results", tmp_path / "damaged")
    (tmp_path / "damaged" / FILE).write_bytes((one / "results" / FILE).read_bytes()[:-50])
    with pytest.raises(InputError, match="the file of draws is damaged"):
        compare(one, tmp_path / "damaged")


def test_doubt_is_carried_along(results: dict[str, Path], tmp_path: Path) -> None:
    found = compare(results["one"], altered(results["again"], tmp_path / "x", trust="tentative", effective=90.0))
    assert found.exit_code == 1
    assert found.verdict.trust == "tentative"
    assert "tentative result compared" in found.document["verdict"]["codes"]
    assert "few draws compared" in found.document["verdict"]["codes"]


def test_candidates_and_fixed_sizes(results: dict[str, Path], tmp_path: Path) -> None:
    """A list of two candidates, in both results the first in nearly all draws: odds of nearly two to one (by hand)."""
    source = load_draws(results["one"] / "results" / FILE).source
    prior = replace(source.direction, kind="list", candidates=((0.0, 0.0, 1.0), (1.0, 0.0, 0.0)))
    vectors = np.tile([0.0, 0.0, 1e-6], (1000, 1))
    listed: dict[str, object] = {"source": replace(source, direction=prior), "vectors": vectors, "effective": 1000.0}
    a, b = (altered(results[x], tmp_path / x, **listed) for x in ("one", "again"))
    found = compare(a, b).document
    assert found["same_direction"]["log_bayes_factor"] == pytest.approx(np.log(2), abs=0.01)
    assert found["same_source"] is None
    assert found["reversed"] is None
    assert isinstance(load_draws(a / FILE), SourceDraws)
