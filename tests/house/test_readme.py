"""The README against the program: its commands exist, its code runs, its figures come out again."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from fluxsense.cli import _parser

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", README, flags=re.DOTALL)


def test_every_command_is_in_the_readme_and_no_other() -> None:
    known = set(_parser()._subparsers._group_actions[0].choices)  # type: ignore[union-attr, arg-type]
    named = set(re.findall(r"^\| `fluxsense (\w+)", README, flags=re.MULTILINE))
    assert named == known


def test_the_job_stands_in_one_paragraph_at_the_top() -> None:
    title, paragraph = README.split("\n\n")[:2]
    assert title == "# fluxsense"
    for word in ("Josephson ring", "transmission sweeps", "orientation", "uncertainty", "confidence"):
        assert word in paragraph.replace("\n", " ")


def test_ci_runs_the_readmes_test_command() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    test_command = next(b for b in blocks("sh") if "pytest" in b)
    assert "pytest -n 2 -q" in test_command
    assert "pytest -n 2 -q" in script


def test_top_level_is_as_agreed() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout.split()
    if not listed:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed if not name.startswith(".")}
    assert top == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "LICENSE",
        "fluxsense",
        "tests",
        "examples",
        "data_demo",
    }


def test_pages_name_what_exists_and_stay_short() -> None:
    """Paths and modules in backticks, and links, on the pages that lead through the tree."""
    for page, most in (("README.md", 250), ("DEVELOPERS.md", 110), ("tests/validation/RESULTS.md", 200)):
        text = (ROOT / page).read_text(encoding="utf-8")
        assert len(text.splitlines()) <= most, page
        paths = re.findall(r"((?:tests|examples|fluxsense|data_demo)/[\w./-]+\.(?:py|md|toml|png|jsonl))\b", text)
        paths += re.findall(r"\]\(([\w./-]+)\)", text)
        assert paths
        missing = [x for x in dict.fromkeys(paths) if not (ROOT / x).exists()]
        assert missing == [], page
    modules = re.findall(
        r"`((?:study|data|model|infer|jobs|device)\.\w+)", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    )
    assert len(modules) > 10
    assert [
        x
        for x in modules
        if not (ROOT / "fluxsense" / (x.replace(".", "/") + ".py")).exists() and x != "study.read_study"
    ] == []


@pytest.mark.slow
def test_python_block_runs() -> None:
    code = blocks("python")[0]
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "reliable" in done.stdout


@pytest.mark.slow
def test_printed_figures_come_out_again(tmp_path: Path) -> None:
    """Same words; numbers within the Monte Carlo error of another machine's chains."""
    arguments = [sys.executable, "-m", "fluxsense", "orient", "data_demo/grain/study.toml", "--out", str(tmp_path)]
    done = subprocess.run(arguments, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    number = re.compile(r"-?\d+\.?\d*(?:e[+-]?\d+)?")
    printed = blocks("text")[0].strip().splitlines()[:-1]
    again = done.stdout.strip().splitlines()[:-1]
    assert [number.sub("#", x) for x in printed] == [number.sub("#", x) for x in again]
    for before, after in zip(printed, again, strict=True):
        if "odds" in before:
            continue
        for a, b in zip(number.findall(before), number.findall(after), strict=True):
            assert float(a) == pytest.approx(float(b), rel=0.2, abs=0.2)
