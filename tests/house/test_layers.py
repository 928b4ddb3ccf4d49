"""Imports run downwards only, as the table in DEVELOPERS.md says."""

from __future__ import annotations

import ast
import re

from package_source import PACKAGE, nodes, trees

LAYERS = (
    {"base"},
    {"study"},
    {"magnetics"},
    {"device"},
    {"readout"},
    {"data"},
    {"model"},
    {"infer"},
    {"detection", "design", "characterize"},
    {"report"},
    {"live"},
    {"jobs"},
    {"cli", "__main__", "__init__"},
)
HEIGHT = {name: n for n, layer in enumerate(LAYERS) for name in layer}


def imported(place: str, top_level: bool) -> set[str]:
    """Names below `fluxsense` that the module at a place imports, inside functions too."""
    found = set()
    for node in nodes(place):
        if not isinstance(node, ast.ImportFrom) or node.module is None:
            continue
        if node.module.startswith("fluxsense."):
            found.add(node.module.split(".")[1])
        elif node.level == 1 and top_level:
            found.add(node.module.split(".")[0])
    return found


def test_imports_run_downwards() -> None:
    upward = []
    seen = 0
    for place in trees():
        here = place.split("/")[0].removesuffix(".py")
        assert here in HEIGHT, f"{here} has no place in the house"
        names = imported(place, top_level="/" not in place)
        seen += len(names)
        upward += [f"{place} imports {name}" for name in names if HEIGHT[name] > HEIGHT[here]]
    assert seen > 100
    assert upward == []


def test_what_the_page_of_an_answer_draws_comes_in_as_values() -> None:
    """No likelihood, posterior or problem is at hand where the page and its figures are made."""
    for name in ("views", "figures", "pictures", "page", "lines", "sentences", "words", "confidence"):
        found = imported(f"report/{name}.py", top_level=False)
        assert found & {"model", "infer", "detection", "design", "characterize", "jobs"} == set(), name


def test_a_room_that_lists_its_files_lists_all_of_them() -> None:
    seen = 0
    for page in sorted(PACKAGE.glob("*/__init__.py")):
        words = ast.get_docstring(trees()[f"{page.parent.name}/__init__.py"]) or ""
        listed = re.findall(r"^(\w+)\.py ", words, re.MULTILINE)
        if listed:
            seen += 1
            assert sorted(listed) == sorted(p.stem for p in page.parent.glob("*.py") if p != page), page.parent.name
    assert seen >= 3
