"""No comparison with the name of a kind: what is special of a kind is asked of its class or of a property with a name."""

from __future__ import annotations

import ast
from pathlib import Path

from fluxsense.characterize.tracks import SHAPES
from fluxsense.device.rings import ring_kinds
from fluxsense.model.source_prior import DIRECTION_PRIORS
from fluxsense.study.kinds import source_kinds
from fluxsense.study.types import DATA, LINK_AMPLITUDE

PACKAGE = Path(__file__).parents[2] / "fluxsense"
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


def compared(tree: ast.AST) -> list[ast.AST]:
    """Comparisons and cases with a string of `NAMES`."""
    found: list[ast.AST] = []
    for node in ast.walk(tree):
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
    assert (
        len(compared(ast.parse('if x == "dipole" or y in ("cap", "plane"): pass\nmatch z:\n    case "line": pass')))
        == 3
    )
    places = [
        f"{path.relative_to(PACKAGE)}: {ast.unparse(node)}"
        for path in sorted(PACKAGE.rglob("*.py"))
        for node in compared(ast.parse(path.read_text(encoding="utf-8")))
    ]
    assert len(places) <= LEFT, places
