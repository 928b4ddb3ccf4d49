"""The package's modules as syntax trees, for tests that read its source: parsed once, not to be written to."""

from __future__ import annotations

import ast
import gc
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "fluxsense"


@cache
def trees() -> dict[str, ast.Module]:
    """Every module by its place in the package, in order."""
    found = sorted(PACKAGE.rglob("*.py"))
    out = {str(p.relative_to(PACKAGE)): ast.parse(p.read_text(encoding="utf-8")) for p in found}
    gc.freeze()  # half a million objects that stay: every later collection of garbage would walk over them
    return out


@cache
def nodes(place: str) -> tuple[ast.AST, ...]:
    """Every node of a module, as `ast.walk` finds them."""
    return tuple(ast.walk(trees()[place]))
