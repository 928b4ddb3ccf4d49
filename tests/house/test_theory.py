"""The page of equations against the tree: what it names exists, each equation has its module, check and source."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
THEORY = (ROOT / "fluxsense" / "THEORY.md").read_text(encoding="utf-8")
EQUATION = re.compile(r"^\*\*\((\d+)\.(\d+)\) .*?(?=\n\n|\Z)", re.MULTILINE | re.DOTALL)
SOURCES = ("derived", "textbook", "from memory", "seen", "secondary text", "common practice")


@cache
def functions(path: str) -> frozenset[str]:
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    return frozenset(x.name for x in tree.body if isinstance(x, ast.FunctionDef))


def test_every_module_and_test_that_is_named_exists() -> None:
    named = re.findall(r"`((?:fluxsense|tests)/[\w./]+)(?:::(\w+))?`", THEORY)
    assert len(named) > 150
    gone = [path for path, _ in named if not (ROOT / path).is_file()]
    assert gone == []
    without = [f"{path}::{name}" for path, name in named if name and name not in functions(path)]
    assert without == []


def test_every_equation_has_formula_module_check_and_source() -> None:
    numbers = []
    for found in EQUATION.finditer(THEORY):
        text = found[0]
        numbers.append((int(found[1]), int(found[2])))
        assert re.search(r"\n`[^`]+`\n", text), text
        assert re.search(r"\nIn `fluxsense/[\w./]+\.py`", text), text
        assert re.search(r"checked by `tests/[\w./]+\.py::test_\w+`", text), text
        assert any(word in text for word in SOURCES), text
    sections = [int(n) for n in re.findall(r"^## (\d+)\. ", THEORY, re.MULTILINE)]
    assert sections == list(range(1, len(sections) + 1))
    for section in sections:
        own = [b for a, b in numbers if a == section]
        assert own == list(range(1, len(own) + 1)), section
        assert own
    assert {a for a, _ in numbers} == set(sections)


def test_the_page_stays_short_and_is_installed() -> None:
    assert len(THEORY.splitlines()) <= 420
    assert '"THEORY.md"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")
