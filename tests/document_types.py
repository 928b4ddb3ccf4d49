"""Documents against the types that say what lines, tables and pages read of them."""

from __future__ import annotations

from collections.abc import Mapping
from types import UnionType
from typing import Any, Literal, NotRequired, Union, get_args, get_origin, get_type_hints, is_typeddict

from fluxsense.infer import plausible


def misfits(value: object, kind: Any, path: str = "") -> list[str]:
    """Where plain JSON values are not of a type, by key path; keys that a type does not name are left alone."""
    if kind is Any:
        return []
    if is_typeddict(kind):
        return _of_keys(value, kind, path)
    origin, inner = get_origin(kind), get_args(kind)
    if origin is Literal:
        return [] if value in inner else [f"{path}: {value!r:.60}"]
    if origin in (Union, UnionType):
        found = [misfits(value, one, path) for one in inner]
        return [] if [] in found else [f"{path}: {value!r:.60}"] if value is None else min(found, key=len)
    if origin is list and isinstance(value, list):
        return [x for n, one in enumerate(value) for x in misfits(one, inner[0], f"{path}[{n}]")]
    if origin in (dict, Mapping) and isinstance(value, Mapping):
        return [x for name, one in value.items() for x in misfits(one, inner[1], f"{path}.{name}")]
    wanted = origin or ((int, float) if kind is float else kind)
    good = isinstance(value, Mapping if wanted is dict else wanted) and (kind is bool) == isinstance(value, bool)
    return [] if good else [f"{path}: {value!r:.60}"]


def _of_keys(value: object, kind: Any, path: str) -> list[str]:
    if not isinstance(value, Mapping):
        return [f"{path}: {value!r:.60}"]
    found = []
    for name, one in get_type_hints(
        kind, localns={"IsolatorEntry": plausible.IsolatorEntry}, include_extras=True
    ).items():
        spare = get_origin(one) is NotRequired or not kind.__total__
        if name in value:
            found += misfits(value[name], get_args(one)[0] if get_origin(one) is NotRequired else one, f"{path}.{name}")
        elif not spare:
            found.append(f"{path}.{name} is missing")
    return found
