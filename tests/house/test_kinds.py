"""Measures of the code: comparisons with the name of a kind, `Any`, and long lists of arguments.

What is special of a kind is asked of its class or of a property with a name; what a value is, its annotation says; arguments
that always travel together are one value.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable

from package_source import nodes, trees

from fluxsense.characterize.tracks import SHAPES
from fluxsense.device.rings import ring_kinds
from fluxsense.model.source_prior import DIRECTION_PRIORS
from fluxsense.study.kinds import source_kinds
from fluxsense.study.types import DATA, LINK_AMPLITUDE

GROUPS = {"offset", "position", "area", "strength", "phase", "noise", "stage", "bias", "static", "lines"}
NAMES = {
    *source_kinds(),
    *(ring.name for ring in ring_kinds()),
    *DIRECTION_PRIORS,
    *SHAPES,
    *LINK_AMPLITUDE,
    *(choice for one in DATA for choice in one.choices),
    *GROUPS,
}
LEFT = 2
"""The two properties of `Data` that say what of the sweeps is used."""
MOST_ANY = 60
MOST_ARGUMENTS = 6
MOST_LONG_LISTS = 15
"""Functions with more arguments than `MOST_ARGUMENTS`."""


def compared(every: Iterable[ast.AST]) -> list[ast.AST]:
    """Comparisons and cases with a string of `NAMES`."""
    found: list[ast.AST] = []
    for node in every:
        if isinstance(node, ast.Compare):
            sides = [x for side in (node.left, *node.comparators) for x in getattr(side, "elts", [side])]
        elif isinstance(node, ast.MatchValue):
            sides = [node.value]
        else:
            continue
        if any(isinstance(x, ast.Constant) and x.value in NAMES for x in sides):
            found.append(node)
    return found


def test_kinds_are_asked_not_named() -> None:
    assert len(NAMES) > 20
    sample = ast.parse('if x == "dipole" or y in ("cap", "plane"): pass\nmatch z:\n    case "line": pass')
    assert len(compared(ast.walk(sample))) == 3
    places = [f"{place}: {ast.unparse(node)}" for place in trees() for node in compared(nodes(place))]
    assert len(places) <= LEFT, places


def any_names(every: Iterable[ast.AST]) -> list[ast.AST]:
    """Places where a value may be anything."""
    return [x for x in every if isinstance(x, ast.Name) and x.id == "Any"]


def long_lists(every: Iterable[ast.AST]) -> list[str]:
    """Functions with more than `MOST_ARGUMENTS` arguments, `self` and `cls` not counted."""
    found = []
    for node in every:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            first = [x.arg for x in node.args.args[:1]]
            names = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            if len(names) - (first in (["self"], ["cls"])) > MOST_ARGUMENTS:
                found.append(node.name)
    return found


def test_few_values_may_be_anything_and_few_functions_take_many_arguments() -> None:
    sample = ast.parse(
        "from typing import Any\ndef f(a, b, c, d, e, f, *, g: Any): ...\ndef g(self, a, b, c, d, e, f): x: list[Any] = []"
    )
    assert (len(any_names(ast.walk(sample))), long_lists(ast.walk(sample))) == (2, ["f"])
    places = {place: n for place in trees() if (n := len(any_names(nodes(place))))}
    assert sum(places.values()) <= MOST_ANY, places
    functions = [f"{place}: {x}" for place in trees() for x in long_lists(nodes(place))]
    assert len(functions) <= MOST_LONG_LISTS, functions
