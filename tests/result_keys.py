"""The page of result keys: reads it, and holds a document against it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

PAGE = Path(__file__).parents[1] / "examples" / "result_keys.md"
ANY_NAME = (
    "limits.if_known", "provenance.options", "provenance.versions", "noise.measured", "sweeps[].bias_a",
)  # fmt: skip
ELSEWHERE = ("next",)
"""What is listed as another file's keys."""


def listed(file: str = "result.json") -> dict[str, str]:
    """Meaning of each key of a file on the page."""
    parts = PAGE.read_text(encoding="utf-8").split("# What stands in ")
    (own,) = [part for part in parts if part.startswith(file)]
    rows = re.findall(r"^\| `([^`]+)` \|[^|]*\|([^|]*)\|$", own, re.MULTILINE)
    keys = [key for key, _ in rows]
    assert len(set(keys)) == len(keys)
    return dict(rows)


def keys_of(value: Any, path: str = "") -> Iterator[str]:
    """Key paths of a document down to what is no mapping and no list of mappings."""
    if isinstance(value, Mapping) and value and path not in ELSEWHERE:
        for name, inner in value.items():
            yield from keys_of(inner, f"{path}.*" if path in ANY_NAME else f"{path}.{name}".lstrip("."))
    elif isinstance(value, list) and value and isinstance(value[0], Mapping):
        for inner in value:
            yield from keys_of(inner, f"{path}[]")
    else:
        yield path


def differences(document: Mapping[str, Any], *, traces: bool = True, file: str = "result.json") -> list[str]:
    """Keys of the document that the page lacks, and keys that the page promises and the document lacks.

    Something empty, or null, stands for all keys that the page lists below it.
    """
    page = listed(file)
    found = set(keys_of(document))
    empty = {k for k in found if any(x.startswith((f"{k}.", f"{k}[]")) for x in page)}
    held = {x for x in page if any(x.startswith((f"{k}.", f"{k}[]")) for k in empty)}
    promised = {k for k, words in page.items() if "(sometimes)" not in words and (traces or "(traces)" not in words)}
    wrong = set() if traces else found & {k for k, words in page.items() if "(traces)" in words}
    return [
        *(f"not on the page: {k}" for k in sorted(found - empty - set(page))),
        *(f"not in the document: {k}" for k in sorted(promised - found - held)),
        *(f"marked as of traces only: {k}" for k in sorted(wrong)),
    ]
