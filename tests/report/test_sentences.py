"""Findings and their sentences: every code has words, every word a use, and no first sentence promises what it should not."""

from __future__ import annotations

import ast
import re
import string
from typing import Any

import pytest
from package_source import nodes, trees

from fluxsense.base.findings import TRUST, Finding, Verdict
from fluxsense.report.lines import answer_lines, answer_sentence, size_words
from fluxsense.report.sentences import SENTENCES, sentence, sentences


def fields(code: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(SENTENCES[code]) if name}


def test_every_finding_has_a_sentence_with_just_its_values() -> None:
    seen = 0
    for file in trees():
        for node in nodes(file):
            if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding" and node.args):
                continue
            code = node.args[0]
            if isinstance(code, ast.Constant) and None not in (names := {k.arg for k in node.keywords}):
                assert code.value in SENTENCES, f"{file}: no sentence for {code.value!r}"
                assert names - {"doubt"} == fields(code.value), f"{file}: {code.value}"
                seen += 1
    assert seen > 20


def test_every_sentence_is_used() -> None:
    texts = {
        node.value
        for file in trees()
        if file != "report/sentences.py"
        for node in nodes(file)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    unused = [c for c in SENTENCES if c not in texts and not c.startswith("sampling stopped: ")]
    assert unused == []


def test_sentences_stand_in_one_place() -> None:
    """No other module below the report makes a sentence for a person out of a finding's numbers."""
    told = re.compile(r"The data (do not|look|put|leave)|There is no reference state")
    for file in trees():
        if file.startswith(("report/", "cli.py")):
            continue
        docs = {
            ast.get_docstring(n, clean=False)
            for n in nodes(file)
            if isinstance(n, (ast.Module, ast.FunctionDef, ast.ClassDef))
        }
        for node in nodes(file):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value not in docs:
                assert not told.match(node.value), f"{file}:{node.lineno}: {node.value[:60]}"


def test_names_from_files_are_not_read_as_a_format() -> None:
    name = "{0.__class__} {flux}"
    assert name in sentence(Finding("conflict with prior", 1, name=name, sd=4.0, probability=1e-4))


def test_a_verdict_is_the_worst_doubt_and_its_exit_code() -> None:
    doubts = [Finding("said", n, text=f"Reason {n}.") for n in (0, 1, 2, 1)]
    for upto, trust, code in ((0, "reliable", 0), (1, "reliable", 0), (2, "tentative", 1), (4, "unusable", 1)):
        verdict = Verdict.of(doubts[:upto], "sound study")
        assert (verdict.trust, verdict.exit_code) == (trust, code)
        assert verdict.reasons
        assert TRUST.index(verdict.trust) == max((f.doubt for f in verdict.reasons), default=0)
    assert sentences(Verdict.of((), "sound evidence").reasons) == [SENTENCES["sound evidence"]]
    assert sentences([doubts[1], doubts[1]]) == ["Reason 1."]  # one reason once


def test_findings_in_words() -> None:
    assert sentence(Finding("rank one", noun="field", axis=(-0.001, 0.0, -1.0))).startswith(
        "The flux map has rank one: all loops see the same component of the field, along (0.00, 0.00, 1.00); only"
    )
    files = tuple(f"{n}.s2p" for n in range(8))
    assert "8 of 20 sweeps" in sentence(Finding("sweeps left out", count=8, all=20, files=files))
    assert "4.s2p, 5.s2p, ...." in sentence(Finding("sweeps left out", count=8, all=20, files=files))
    assert "A jump of 7 mPhi0 in loop a" in sentence(Finding("unseen jump", flux=7e-3, loop="a", shift_sd=3.0))
    opposite = sentence(Finding("two opposite directions", first=0.6, second=0.4))
    assert "with weights 0.60 and 0.40: the axis" in opposite


# ---------------------------------------------------------------- the first sentence


def document(trust: str = "reliable", factor: float = 50.0, **more: Any) -> dict[str, Any]:
    """An answer's document, as far as lines are made of it."""
    direction = {"azimuth_deg": 86.4, "elevation_deg": 12.3, "vector": [0.06, 0.97, 0.21]}
    return {
        "verdict": {"trust": trust, "reasons": ["Because."]},
        "direction": direction,
        "region": [{"level": x, "solid_angle_sr": 0.01, "cone_deg": 2.5} for x in (0.5, 0.9, 0.95)],
        "modes": [{"weight": 1.0, "angular_sd_deg": 1.0, **direction}],
        "antipodal_odds": 100.0,
        "antipodal_odds_is_lower_bound": True,
        "size": {"mean": 2.194e-14, "sd": 2.2e-16, "below_95": 2.23e-14, "unit": "A m^2"},
        "log_bayes_factor": factor,
        "log_bayes_factor_sd": 0.1,
        "findings": ["A finding."],
        "known_source": {"said": ["Nothing tests the study."]},
        **more,
    }


DIRECTION = re.compile(r"azimuth|elevation|points|within|86\.|12\.3|degrees")


@pytest.mark.parametrize(
    ("made", "sentence_wanted"),
    [
        (
            document("unusable"),
            "This result is unusable: do not believe it. No direction is quoted; the reasons stand below.",
        ),
        (
            document(factor=-10.7),
            "This result is reliable. The data speak against a source (log Bayes factor -10.7 +- 0.1, odds 44356 to 1 for "
            "none), so no direction is quoted; if there is one after all, it is below 22.3 fA m^2 at 95% probability.",
        ),
        (
            document("tentative", -0.4),
            "This result is tentative: do not rely on it yet. No source was seen (log Bayes factor -0.4 +- 0.1, odds 1.49 to 1 "
            "for none), so no direction is quoted; if there is one after all, it is below 22.3 fA m^2 at 95% probability.",
        ),
        (document("unusable", -10.7), None),
        (document("unusable", modes=[{"weight": 0.5, **document()["direction"], "angular_sd_deg": 1}] * 2), None),
    ],
)
def test_the_first_sentence_names_no_direction_that_is_not_to_be_believed(
    made: dict[str, Any], sentence_wanted: str | None
) -> None:
    said = answer_sentence(made)
    assert not DIRECTION.search(said)
    assert sentence_wanted is None or said == sentence_wanted
    assert answer_lines(made)[0] == said


def test_a_believable_direction_is_named() -> None:
    for trust, begin in (
        ("reliable", "This result is reliable. "),
        ("tentative", "This result is tentative: do not rely"),
    ):
        said = answer_sentence(document(trust))
        assert said.startswith(begin)
        assert said.endswith(
            "The source points to azimuth 86.4 and elevation 12.3 degrees, within 2.5 degrees at 90% probability."
        )


@pytest.mark.parametrize(
    ("mean", "sd", "unit", "words"),
    [
        (2.194e-14, 2.2e-16, "A m^2", "(21.94 +- 0.22) fA m^2"),
        (2.2e-14, 2.8e-31, "A m^2", "22 fA m^2 (fixed by the study)"),
        (8.4e-7, 1.3e-8, "T", "(840 +- 13) nT"),
        (3.0e-15, 2.5e-15, "A m^2", "(3.0 +- 2.5) fA m^2"),
        (2e-9, 0.0, "T", "2 nT (fixed by the study)"),
    ],
)
def test_sizes_read_well(mean: float, sd: float, unit: str, words: str) -> None:
    assert size_words(mean, sd, unit) == words


def test_what_an_answer_rests_on_is_said_in_units_that_read_well() -> None:
    def said(sd: float, unit: str) -> str:
        return sentence(Finding("rests on", name="thing", quantity=(sd, unit), move_deg=2.8))

    assert said(4e-7, "m") == (
        "The answer rests most on the thing: were it off by one standard deviation (400 nm), the direction would move by "
        "2.8 degrees, and the data would not show it."
    )
    assert "(2 deg)" in said(0.034906585, "rad")
    assert "(1.5 mPhi0)" in said(1.5e-3, "Phi0")
    assert "(0.05)" in said(0.05, "")
