"""From a study to its file, from the same tables of fields as the reader.

An entry is left out where it holds what holds without it.  Where the study was read from a file, entries that did not
change keep that file's own units and shapes; its comments are lost, which the first line of what is written says.

TOML is written here and not by a library because its lists have to stay on one line: an outline of 48 corners is one line,
not two hundred (tomli-w breaks every list, one value a line).
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Final

from fluxsense.base.errors import InputError
from fluxsense.base.faults import Faults
from fluxsense.base.units import format_quantity
from fluxsense.study import types as ty
from fluxsense.study.fields import DIGITS, EXACT, Field, Name, Quantity, Spread, restate, write_fields
from fluxsense.study.kinds import source_kinds
from fluxsense.study.read import FORMAT_VERSION, read_root, shape_outline
from fluxsense.study.readout import LEFT_TO_THE_CHAIN, readout_tree
from fluxsense.study.types import Isolator, Loop, Point, Setting, Source, State, Study

NO_COMMENTS: Final = "Written by fluxsense; comments of the study that this comes from are not kept."


def study_text(study: Study) -> str:
    """The whole study as TOML.

    Parameters
    ----------
    study : Study

    Returns
    -------
    str
        `fluxsense.study.read_study` reads it back to the same study, up to rounding in the eleventh digit.
    """
    return toml_text(study_tree(study), [NO_COMMENTS])


def study_tree(study: Study) -> dict[str, object]:
    """The study as nested plain values, as TOML holds them; see `study_text`."""
    before = _Before(study)
    head = write_fields(study, ty.HEAD)
    tree: dict[str, object] = {"format": FORMAT_VERSION, **head}
    if study.unstated_exact:
        tree["uncertainty"] = write_fields(study, ty.UNCERTAINTY)
    tree["source"] = _source(study.source, before.table("source"))
    tree["chip"] = [restate(write_fields(x, ty.CHIP), before.part("chip", x.name), ty.CHIP) for x in study.chips]
    tree["loop"] = [_loop(x, before) for x in study.loops]
    tree["bias_line"] = [
        _bias_line(x, study.unstated_exact, before.part("bias_line", x.name)) for x in study.bias_lines
    ]
    tree["coil"] = [{"name": x.name, "outline": [_lengths(c) for c in x.outline_m]} for x in study.coils]
    tree["isolator"] = [_isolator(x, before.part("isolator", x.name)) for x in study.isolators]
    tree["state"] = [_state(x, before.part("state", x.name)) for x in study.states]
    tree["setting"] = [
        _setting(x, study, before.part("setting", x.name) or before.first("setting")) for x in study.settings
    ]
    tables: dict[str, dict[str, object]] = {}
    data_fields = (*ty.DATA, *ty.DATA_DIRECTION) if study.data.wrong_way else ty.DATA
    for key, part, fields in (
        ("sweep", study.sweep, ty.SWEEP),
        ("noise", study.noise, ty.NOISE),
        ("data", study.data, data_fields),
        ("plan", study.plan, ty.PLAN),
        ("sampling", study.sampling, ty.SAMPLING),
        ("limits", study.limits, ty.LIMITS),
        ("layout", study.layout, ty.LAYOUT),
    ):
        tables[key] = restate(write_fields(part, fields), before.table(key), fields)
    tree |= tables
    if study.readout is not None:
        tree["readout"] = readout_tree(study.readout)
        for (section, key), holder, table in zip(
            LEFT_TO_THE_CHAIN, (study.noise, study.plan), (ty.NOISE, ty.PLAN), strict=True
        ):
            stated = next(f for f in table if f.key == key)
            value = getattr(holder, stated.attribute)
            tables[section].pop(key, None)
            if not math.isnan(value):  # its default would leave it to the chain
                tables[section] |= restate({key: stated.toml(value)}, before.table(section), table)
    if study.layout.keep_out:
        tables["layout"]["keep_out"] = [write_fields(x, ty.KEEP_OUT) for x in study.layout.keep_out]
    tree["traces"] = _traces(study)
    return {key: value for key, value in tree.items() if value not in ([], {})}


class _Before:
    """The file that a study was read from: its tables, and what they said."""

    def __init__(self, study: Study) -> None:
        self._tree = study.tree
        self.study = read_root(study.tree, study.path, Faults(), "") if study.tree else None

    def table(self, key: str) -> Mapping[str, object]:
        """A table of the file, an empty one if it has none."""
        return _within(self._tree, key)

    def part(self, key: str, name: str) -> Mapping[str, object]:
        """The table of that name in a list of tables, an empty one if there is none."""
        return next((x for x in self._rows(key) if x.get("name") == name), {})

    def first(self, key: str) -> Mapping[str, object]:
        """The first of a list of tables: its units serve a part that the file does not have."""
        return next(iter(self._rows(key)), {})

    def _rows(self, key: str) -> list[Mapping[str, object]]:
        found = self._tree.get(key)
        return [x for x in found if isinstance(x, dict)] if isinstance(found, list) else []


def _within(table: Mapping[str, object], key: str) -> Mapping[str, object]:
    """A table in a table, an empty one if there is none."""
    found = table.get(key)
    return found if isinstance(found, dict) else {}


def _lengths(values: Iterable[float]) -> list[str]:
    return [format_quantity(float(v), "length", DIGITS) for v in values]


def _source(source: Source, before: Mapping[str, object]) -> dict[str, object]:
    kind = source_kinds()[source.kind]
    place: tuple[Field, ...] = ty.SOURCE_PLACE if kind.has_position else ()
    place += (ty.SOURCE_EXTENT,) if kind.has_extent else ()
    out = {"kind": source.kind} | restate(write_fields(source, place), before, place)
    numbers = dict(source.numbers)
    own = {f.key: f.toml(numbers[f.attribute]) for f in kind.fields if numbers.get(f.attribute) is not None}
    out |= restate(own, before, kind.fields)
    out["size_prior"] = source.size_prior
    size = Quantity(key="size", dimension=kind.dimension, spread=Spread())
    sizes = {"size": size.toml(source.size)}
    if source.size_prior == "known":
        sizes["size_sd"] = size.toml(source.size_sd)
    out |= restate(sizes, before, (size,))
    prior = source.direction
    out["direction_prior"] = prior.kind
    if prior.candidates:
        out["direction_candidates"] = [list(c) for c in prior.candidates]
    elif prior != ty.DirectionPrior():
        out["direction_axis"] = list(prior.axis)
        out["direction_half_angle"] = format_quantity(prior.half_angle_rad, "angle", DIGITS)
    return out


def _loop(loop: Loop, before: _Before) -> dict[str, object]:
    stated = before.part("loop", loop.name)
    out: dict[str, object] = {"name": loop.name, "chip": loop.chip}
    known = next((x for x in before.study.loops if x.name == loop.name), None) if before.study else None
    if known is not None and known.outline_m == loop.outline_m:
        shapes = {f.key for fields in ty.LOOP_SHAPES.values() for f in fields} | {"shape", "outline", "reversed"}
        out |= {key: value for key, value in stated.items() if key in shapes}
    else:
        out |= _box(loop.outline_m, stated) or _polygon(loop.outline_m)
    fields = (ty.LOOP_POLYGON, *ty.LOOP_NUMBERS)
    return out | restate(write_fields(loop, fields), stated, fields)


def _polygon(outline: Sequence[Point]) -> dict[str, object]:
    flat = all(c[2] == 0 for c in outline)
    return {"outline": [_lengths(c[:2] if flat else c) for c in outline]}


def _box(outline: Sequence[Point], stated: Mapping[str, object]) -> dict[str, object]:
    """A square or rectangle in the user's words, where the file has one and the outline is one; else empty."""
    shape = stated.get("shape")
    if shape not in ("square", "rectangle"):
        return {}
    low, high = ([f(c[k] for c in outline) for k in (0, 1)] for f in (min, max))
    center = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
    width, height = (b - a for a, b in zip(low, high, strict=True))
    if shape == "square" and not math.isclose(width, height, rel_tol=1e-9):
        shape = "rectangle"
    sizes = {"side": width} if shape == "square" else {"width": width, "height": height}
    fields = ty.LOOP_SHAPES[shape]
    named = {"center": center} | sizes
    back = shape_outline(shape, named)
    if stated.get("reversed", False):
        back = back[::-1]
    tiny = 1e-9 * max(width, height)
    if len(back) != len(outline) or any(math.dist(a, b) > tiny for a, b in zip(back, outline, strict=True)):
        return {}
    out = restate({f.key: f.toml(named[f.key]) for f in fields}, stated, fields)
    return {"shape": shape, **out} | ({"reversed": True} if stated.get("reversed", False) else {})


def _bias_line(line: ty.BiasLine, all_exact: bool, stated: Mapping[str, object]) -> dict[str, object]:
    out = restate(write_fields(line, ty.BIAS_LINE), stated, ty.BIAS_LINE)
    if line.unstated_exact and not all_exact:
        out["mutual_sd"] = EXACT
    return out


def _isolator(isolator: Isolator, stated: Mapping[str, object]) -> dict[str, object]:
    head = (Name(), ty.ISOLATOR_LINK, *ty.ISOLATOR, ty.PUMP_PORT_1)
    out = restate(write_fields(isolator, head), stated, head)
    setup = restate(write_fields(isolator.setup, ty.SETUP), _within(stated, "setup"), ty.SETUP)
    if setup:
        out["setup"] = setup
    for number, stage in enumerate(isolator.stages, 1):
        key = f"stage_{number}"
        out[key] = restate(write_fields(stage, ty.STAGE), _within(stated, key), ty.STAGE)
    return out


def _state(state: State, stated: Mapping[str, object]) -> dict[str, object]:
    out: dict[str, object] = write_fields(state, ty.STATE)
    if state.coil is not None:
        out |= restate(write_fields(state, ty.STATE_COIL), stated, ty.STATE_COIL)
    if state.field_t is not None:
        out |= restate(write_fields(state, (ty.STATE_FIELD,)), stated, (ty.STATE_FIELD,))
    if state.rotation != State("", "").rotation:
        axis, angle = state.axis_and_angle
        out |= {"rotation_axis": list(axis), "rotation_angle": format_quantity(angle, "angle", DIGITS)}
        out |= restate(write_fields(state, (ty.STATE_TURN_SD,)), stated, (ty.STATE_TURN_SD,))
    elif "rotation_axis" in stated or state.kind == "turned":
        out |= {"rotation_axis": [0.0, 0.0, 1.0], "rotation_angle": "0 deg"}
    return out


def _setting(setting: Setting, study: Study, stated: Mapping[str, object]) -> dict[str, object]:
    out: dict[str, object] = {"name": setting.name}
    if setting.isolators != tuple(x.name for x in study.isolators):
        out["isolators"] = list(setting.isolators)
    named = zip((x.name for x in study.bias_lines), setting.bias_a, strict=True)
    bias = {name: format_quantity(value, "current", DIGITS) for name, value in named if value}
    if bias:
        out["bias"] = bias
    fields = (ty.SETTING_PORT, ty.SETTING_PHASE, *(f for f in ty.SETTING if f.key != "isolators"))
    return restate(out | write_fields(setting, fields), stated, (*ty.SETTING_HEAD, *fields))


def _traces(study: Study) -> dict[str, object]:
    def shortest(log: Path) -> str:
        return (log.relative_to(study.folder) if log.is_relative_to(study.folder) else log).as_posix()

    texts = ty.TRACES[0].toml([shortest(log) for log in study.logs])
    return {"log": texts} | write_fields(study, ty.TRACES[1:]) | write_fields(study.form, ty.TRACE_FORM)


# ---------------------------------------------------------------- TOML

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_INLINE: Final = ("mutual", "mutual_sd", "bias")
"""Maps of names to values, which stay on one line."""


def toml_text(tree: Mapping[str, object], heads: Sequence[str] = ()) -> str:
    """A study's tree as TOML: plain values, lists, tables and lists of tables; a comment on top."""
    lines = [f"# {x}" for x in heads]
    _table(lines, tree, "")
    return "\n".join(lines).strip("\n") + "\n"


def _key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else json.dumps(key, ensure_ascii=False)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, str):
        # JSON escapes are TOML escapes, save for the delete character
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list):
        return "[" + ", ".join(_value(x) for x in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }" if value else "{}"
    raise InputError(f"a value of the kind {type(value).__name__} has no place in a study")


def _nested(key: str, value: object) -> bool:
    """Whether a value gets a heading of its own: stages and top-level tables, but not maps of names to values."""
    if isinstance(value, list):
        return bool(value) and all(isinstance(x, dict) for x in value)
    return isinstance(value, dict) and key not in _INLINE


def _table(lines: list[str], table: Mapping[str, object], path: str) -> None:
    for key, value in table.items():
        if not _nested(key, value):
            lines.append(f"{_key(key)} = {_value(value)}")
    for key, value in table.items():
        if not _nested(key, value):
            continue
        inner = f"{path}.{_key(key)}" if path else _key(key)
        for entry in value if isinstance(value, list) else [value]:
            lines += ["", f"[[{inner}]]" if isinstance(value, list) else f"[{inner}]"]
            if isinstance(entry, dict):
                _table(lines, entry, inner)
