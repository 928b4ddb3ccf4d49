"""What acts on a terminal, a spreadsheet or a page is text wherever the package writes it (pages and figures: `test_report`)."""

from __future__ import annotations

import csv
import os
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_study import small_study, study_text

from fluxsense.base.errors import InputError, printable
from fluxsense.cli import main
from fluxsense.data.touchstone import sweep_from_bytes
from fluxsense.jobs.simulate import draw_truth, write_campaign
from fluxsense.study import read_study

ESCAPES = "\x1b[31mred\x1b]0;title\x07\r\x08\x9b2J\u202e"
FORMULA = '=HYPERLINK("http://localhost","x")'


def acts(text: str) -> bool:
    """Whether a text holds something that is not printed as itself; line breaks may."""
    return any(not c.isprintable() and c != "\n" for c in text)


@given(st.text())
def test_printable_texts_are_printable_and_others_stay(text: str) -> None:
    assert not acts(printable(text))
    assert printable(printable(text)) == printable(text)
    if not acts(text):
        assert printable(text) == text


def test_messages_never_act_on_a_terminal() -> None:
    assert str(InputError(f"bad {ESCAPES}", where=f"a\nb{ESCAPES}", remedy=ESCAPES)).count("\n") == 0
    assert not acts(str(InputError(f"bad {ESCAPES}", where=ESCAPES, remedy=ESCAPES)))
    str(InputError("bad", where=os.fsdecode(b"\xff.toml"))).encode()  # a name that is no text at all


@pytest.mark.skipif(sys.platform == "win32", reason="such names are no file names there")
@pytest.mark.parametrize("command", ["check", "simulate", "orient", "plan", "detect", "characterize"])
def test_names_of_files_are_shown_as_text(command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / ESCAPES.replace("/", "")
    folder.mkdir()
    assert main([command, str(folder / "none.toml")]) == 2
    (folder / "bad.toml").write_text("format = 1\n[source\n", encoding="utf-8")
    assert main([command, str(folder / "bad.toml")]) == 2
    out, err = capsys.readouterr()
    assert not acts(out + err)
    assert "\\x1b[31mred" in err


def test_cells_of_a_log_are_shown_as_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = small_study(tmp_path, points=7, repeats=1)
    write_campaign(study, draw_truth(study, 1), tmp_path)
    log = tmp_path / "log.csv"
    lines = log.read_text(encoding="utf-8").splitlines()
    for cell in (
        ESCAPES.replace("\r", "").replace("\x08", ""),
        FORMULA.replace('"', '""'),
        "<script>alert(1)</script>",
        "$\\frac{",
    ):
        for column in (0, 1, 2, 8):
            cells = next(csv.reader([lines[1]]))
            cells[column] = f'"{cell}"'
            log.write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]) + "\n", encoding="utf-8")
            main(["check", str(tmp_path / "study.toml")])
            out, err = capsys.readouterr()
            assert not acts(out + err), (column, cell)


def test_no_cell_of_a_written_log_is_a_formula(tmp_path: Path) -> None:
    """Spreadsheets compute what begins with = + - @ or a tab and is no number; names of a study cannot begin so."""
    study = small_study(tmp_path, points=7, repeats=1)
    write_campaign(study, draw_truth(study, 1), tmp_path)
    for row in csv.reader((tmp_path / "log.csv").read_text(encoding="utf-8").splitlines()):
        for cell in row:
            if cell[:1] in tuple("=+-@\t\r"):
                float(cell)  # a number is no formula
    for start in "=+-@\t":
        path = tmp_path / "other.toml"
        path.write_text(study_text().replace('name = "a1"', f'name = "{start}a1"', 1), encoding="utf-8")
        with pytest.raises(InputError, match=r"name|printable|character"):
            read_study(path)


def test_comments_of_a_trace_say_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Comments are passed over, whatever they hold, and never repeated."""
    study = small_study(tmp_path, points=7, repeats=1)
    write_campaign(study, draw_truth(study, 1), tmp_path)
    path = tmp_path / next(csv.DictReader((tmp_path / "log.csv").read_text(encoding="utf-8").splitlines()))["file"]
    plain = path.read_bytes()
    path.write_bytes(f"! <script>alert(1)</script> {FORMULA} $\\frac{{ \u202e\n".encode() + plain)
    noisy = sweep_from_bytes(path.read_bytes(), path.name)
    assert (noisy.s == sweep_from_bytes(plain, path.name).s).all()
    assert main(["check", str(tmp_path / "study.toml")]) == 0
    out, err = capsys.readouterr()
    assert "script" not in out + err
    assert "HYPERLINK" not in out + err


def test_titles_and_notes_are_printable_or_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = small_study(tmp_path)
    text = study.path.read_text(encoding="utf-8")
    title = text[text.index("title = ") : text.index("\n", text.index("title = "))]
    for words in ("<b>bold</b> $x_{$ =1+1", "\\u001b[31mred", "\\u202e"):
        study.path.write_text(text.replace(title, f'title = "{words}"'), encoding="utf-8")
        main(["check", str(study.path)])
        out, err = capsys.readouterr()
        assert not acts(out + err)
        assert ("<b>bold</b> $x_{$ =1+1" in out) == (words[:3] == "<b>")
