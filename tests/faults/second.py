"""A second, independent reading of every kind of file, to compare with what the package read.

Nothing here uses the package's readers, units or parsers: study and truth go through tomllib and exact arithmetic
(`fractions`), the log through a CSV reader of its own, Touchstone through plain splitting, archives through `struct` and
`zlib.crc32`.  A file that the package accepts must come out the same here, key by key and number by number; a key that
nothing here uses is a wrong reading too.
"""

from __future__ import annotations

import cmath
import hashlib
import json
import math
import re
import struct
import tomllib
import zlib
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

PHI0_WB = Fraction("2.067833848461929323081115412147497340171545654934323552029645e-15")
"""h/(2 e) from the exact SI values of h and e."""
PI = Fraction("3.14159265358979323846264338327950288419716939937510582097494")


class Differs(Exception):
    """The second reading does not agree with the package's."""


def same(mine: Any, theirs: Any, path: str, rel: float = 1e-12) -> None:
    """Raise `Differs` unless two plain values are the same, floats within `rel`."""
    if isinstance(mine, dict) and isinstance(theirs, dict):
        if mine.keys() != theirs.keys():
            raise Differs(f"{path}: keys {sorted(mine)} against {sorted(theirs)}")
        for key in mine:
            same(mine[key], theirs[key], f"{path}.{key}", rel)
    elif isinstance(mine, (list, tuple)) and isinstance(theirs, (list, tuple)):
        if len(mine) != len(theirs):
            raise Differs(f"{path}: {len(mine)} entries against {len(theirs)}")
        for n, (a, b) in enumerate(zip(mine, theirs, strict=True)):
            same(a, b, f"{path}[{n}]", rel)
    elif isinstance(mine, (float, Fraction)) and isinstance(theirs, (float, int)) and not isinstance(theirs, bool):
        if isinstance(mine, float) and math.isnan(mine):
            good = math.isnan(theirs)
        else:
            a, b = Fraction(mine), Fraction(theirs) if math.isfinite(theirs) else None
            tiny = Fraction(5e-324)  # below the smallest normal number only steps of this size can be stored
            good = b is not None and abs(a - b) <= max(Fraction(rel) * max(abs(a), abs(b)), tiny * 4)
        if not good:
            raise Differs(f"{path}: {float(mine)!r} against {theirs!r}")
    elif type(mine) is not type(theirs) or mine != theirs:
        raise Differs(f"{path}: {mine!r} against {theirs!r}")


# ---------------------------------------------------------------- quantities

_PREFIX = {"f": -15, "p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "c": -2, "": 0, "k": 3, "M": 6, "G": 9}
_BASE = {
    "length": ("m", "numc"),
    "frequency": ("Hz", "kMG"),
    "current": ("A", "pnum"),
    "field": ("T", "fpnum"),
    "flux": ("Phi0", "num"),
    "power": ("W", "fpnum"),
    "resistance": ("ohm", ""),
    "time": ("s", "num"),
}


def decimal(text: str) -> Fraction:
    """A number in plain decimal notation, exactly; small ones as zero where no float can hold them."""
    match = re.fullmatch(r"([+-]?)([0-9]*)\.?([0-9]*)(?:[eE]([+-]?[0-9]+))?", text)
    if match is None or not match[2] + match[3]:
        raise Differs(f"{text!r} is no number")
    whole = match[2] + match[3]
    if not whole.strip("0"):
        return Fraction(0)
    power = int(match[4] or 0) - len(match[3])
    if len(whole.lstrip("0")) + power < -330:
        return Fraction(0)
    if len(whole.lstrip("0")) + power > 400:
        raise Differs(f"{text!r} is beyond any float")
    return (-1 if match[1] == "-" else 1) * int(whole) * Fraction(10) ** power


def _scaled(unit: str, base: str, prefixes: str) -> Fraction | None:
    if not unit.endswith(base):
        return None
    prefix = unit[: len(unit) - len(base)]
    prefix = {"µ": "u", "μ": "u"}.get(prefix, prefix)
    return Fraction(10) ** _PREFIX[prefix] if prefix == "" or (len(prefix) == 1 and prefix in prefixes) else None


def quantity(text: Any, dimension: str) -> Fraction:
    """A text with its unit in the package's own unit, exactly (powers in dBm and angles to sixty digits or to a float)."""
    if not isinstance(text, str):
        raise Differs(f"{text!r} is no text")
    match = re.fullmatch(r"\s*([+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(.*?)\s*", text, re.DOTALL)
    if match is None:
        raise Differs(f"{text!r} is no quantity")
    number = decimal(match[1])
    unit = re.sub(r"\s+", " ", match[2].replace("·", " ").replace("*", " "))
    unit = unit.replace("Φ₀", "Phi0").replace("Φ0", "Phi0").replace("Phi₀", "Phi0").replace("²", "^2")
    unit = unit.replace("phi0", "Phi0").replace("φ0", "Phi0").replace("φ₀", "Phi0")
    unit = unit.replace("°", "deg")
    if unit.endswith("m2"):
        unit = unit[:-1] + "^2"
    if unit.endswith("Am^2"):
        unit = unit.removesuffix("Am^2") + "A m^2"
    factor: Fraction | None = None
    if dimension == "power" and unit == "dBm":
        return Fraction(10.0 ** (float(number) / 10.0 - 3.0))
    if dimension in _BASE:
        factor = _scaled(unit, *_BASE[dimension])
        if factor is None:
            factor = {
                ("field", "G"): Fraction(1, 10**4),
                ("field", "mG"): Fraction(1, 10**7),
                ("flux", "Wb"): 1 / PHI0_WB,
                ("time", "min"): Fraction(60),
                ("time", "h"): Fraction(3600),
            }.get((dimension, unit))
    elif dimension == "moment":
        factor = {"J/T": Fraction(1), "mu_B": Fraction("9.2740100657e-24"), "uB": None}.get(unit)
        if unit in ("µ_B", "μ_B"):
            factor = Fraction("9.2740100657e-24")
        factor = factor or _scaled(unit, "A m^2", "fpnum")
    elif dimension == "mutual":
        if unit == "Wb/A":
            factor = 1 / PHI0_WB
        elif "/" in unit:
            above, below = unit.split("/", 1)
            a, b = _scaled(above, "Phi0", "um"), _scaled(below, "A", "num")
            factor = None if a is None or b is None else a / b
        else:
            henry = _scaled(unit, "H", "fpnu")
            factor = None if henry is None else henry / PHI0_WB
    elif dimension == "area":
        root = _scaled(unit.removesuffix("^2"), "m", "num") if unit.endswith("^2") else None
        factor = None if root is None else root**2
    elif dimension == "angle":
        factor = {"deg": PI / 180, "rad": Fraction(1), "mrad": Fraction(1, 1000)}.get(unit)
    elif dimension == "level":
        factor = {"dB": Fraction(1)}.get(unit)
    if factor is None:
        raise Differs(f"{text!r} has no unit of {dimension}")
    return number * factor


# ---------------------------------------------------------------- study


class _Walk:
    """A table of which every key must be used."""

    def __init__(self, table: Any, path: str, exact: bool = False) -> None:
        if not isinstance(table, dict):
            raise Differs(f"{path} is no table")
        self.left = dict(table)
        self.path = path
        self.exact = exact

    def get(self, key: str, default: Any = None) -> Any:
        return self.left.pop(key, default)

    def q(self, key: str, dimension: str, default: Any = None) -> Any:
        value = self.left.pop(key, None)
        return default if value is None else quantity(value, dimension)

    def qs(self, key: str, dimension: str, default: Any = None) -> Any:
        value = self.left.pop(key, None)
        if value == "exact" and key == "position_sd":
            return default
        return default if value is None else [quantity(x, dimension) for x in value]

    def n(self, key: str, default: Any = None) -> Any:
        value = self.left.pop(key, None)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise Differs(f"{self.path}.{key} is no number")
        return Fraction(value)

    def sds(self, fields: tuple[tuple[str, str, str | None], ...]) -> list[list[Any]]:
        """Standard deviations that stand in the table, in the order of (key, attribute, dimension); "exact" is zero."""
        out: list[list[Any]] = []
        for key, name, dimension in fields:
            if key in self.left:
                exact = self.left[key] == "exact"
                stated = self.get(key) if exact else self.n(key) if dimension is None else self.q(key, dimension)
                out.append([name, Fraction(0) if exact else stated])
        return out

    def unit(self, key: str, default: list[float]) -> list[float]:
        value = self.left.pop(key, default)
        x = [float(v) for v in value]
        scale = max(abs(v) for v in x)
        length = scale * math.sqrt(math.fsum((v / scale) ** 2 for v in x))
        return [v / length for v in x]

    def done(self) -> None:
        if self.left:
            raise Differs(f"{self.path}: {sorted(self.left)} were accepted and not used")


def _list(root: _Walk, key: str) -> list[_Walk]:
    return [_Walk(x, f"{key}[{n}]", root.exact) for n, x in enumerate(root.get(key, []))]


def _loop(t: _Walk, only_chip: str) -> dict[str, Any]:
    shape = t.get("shape", "polygon")
    out: dict[str, Any] = {"name": t.get("name"), "chip": t.get("chip", only_chip)}
    if shape == "polygon":
        corners = [[quantity(x, "length") for x in row] for row in t.get("outline")]
        corners = [row + [Fraction(0)] * (3 - len(row)) for row in corners]
        if len(corners) > 1 and [float(x) for x in corners[0]] == [float(x) for x in corners[-1]]:
            corners.pop()
        crossing = t.get("crossing", False)
    else:
        crossing = False
        cx, cy = t.qs("center", "length")
        if shape == "circle":
            radius, sides = t.q("radius", "length"), t.get("sides", 48)
            # a regular polygon of the circle's area: (n/2) R^2 sin(2 pi/n) = pi r^2
            outer = float(radius) * math.sqrt(math.pi / (0.5 * sides * math.sin(2 * math.pi / sides)))
            flat = [cmath.rect(outer, 2 * math.pi * k / sides) for k in range(sides)]
            corners = [[float(cx) + z.real, float(cy) + z.imag, 0.0] for z in flat]
        else:
            w = t.q("side", "length") if shape == "square" else t.q("width", "length")
            h = w if shape == "square" else t.q("height", "length")
            corners = [
                [cx + sx * w / 2, cy + sy * h / 2, Fraction(0)] for sx, sy in ((1, 1), (-1, 1), (-1, -1), (1, -1))
            ]
    if t.get("reversed", False):
        corners = corners[::-1]
    out["outline_m"] = corners
    out["flux_focusing"] = t.n("flux_focusing", Fraction(1))
    out["inductance_phi0_per_a"] = t.q("inductance", "mutual", None)
    out["offset_phi0"] = t.q("offset", "flux", Fraction(0))
    out["stated_sd"] = t.sds(
        (("flux_focusing_sd", "flux_focusing", None), ("offset_sd", "offset_phi0", "flux")),
    )
    out["unstated_exact"] = t.exact
    out["crossing"] = crossing
    t.done()
    return out


_STAGE = (
    ("signal_frequency", "signal_frequency_hz", "frequency"),
    ("signal_linewidth", "signal_linewidth_hz", "frequency"),
    ("signal_internal_loss", "signal_internal_hz", "frequency"),
    ("signal_participation", "signal_participation", None),
    ("idler_frequency", "idler_frequency_hz", "frequency"),
    ("idler_linewidth", "idler_linewidth_hz", "frequency"),
    ("idler_internal_loss", "idler_internal_hz", "frequency"),
    ("idler_termination", "idler_termination_hz", "frequency"),
    ("idler_participation", "idler_participation", None),
    ("coupling", "coupling_hz", "frequency"),
)


def _stage(t: _Walk) -> dict[str, Any]:
    ring = t.get("ring")
    out: dict[str, Any] = {"loop": t.get("loop"), "ring": ring, "shunt_ratio": Fraction(0), "branch": None}
    out["unstated_exact"], spread = t.exact, []
    out["arm_inductance_ratio"] = Fraction(0)
    if ring != "bare":
        out["shunt_ratio"] = t.n("shunt_ratio")
        spread = t.sds((("shunt_ratio_sd", "shunt_ratio", None),))
    if ring == "stray arms":
        out["arm_inductance_ratio"] = t.n("arm_inductance_ratio")
        spread += t.sds((("arm_inductance_ratio_sd", "arm_inductance_ratio", None),))
    if ring == "bare":
        branch = t.get("branch", "ground")
        out["branch"] = None if branch == "ground" else branch
    for key, name, dimension in _STAGE:
        read = t.n if dimension is None else (lambda k, d, dim=dimension: t.q(k, dim, d))
        out[name] = read(key, Fraction(0))
        spread += t.sds(((f"{key}_sd", name, dimension),))
    out["critical_current_a"] = t.q("critical_current", "current", None)
    out["stated_sd"] = spread
    t.done()
    return out


_ISOLATOR_SDS = (
    ("link_amplitude_sd", "link_amplitude", None),
    ("link_phase_sd", "link_phase_rad", "angle"),
    ("hybrid_imbalance_sd", "hybrid_imbalance_db", "level"),
    ("hybrid_phase_error_sd", "hybrid_phase_error_rad", "angle"),
    ("hybrid_loss_sd", "hybrid_loss_db", "level"),
    ("pump_shift_factor_sd", "pump_shift_factor", None),
    ("pump_phase_error_sd", "pump_phase_error_rad", "angle"),
    ("pump_strength_sd", "pump_strength", None),
)
_SETUP = (
    ("return_loss", "line_reflection", "in dB", None),
    ("line_delay_max", "line_delay_max_s", "time", "10 ns"),
    ("direct_path", "direct_path", "in dB", None),
    ("pump_port_1_imbalance", "pump_1_imbalance_db", "level", "0 dB"),
    ("pump_port_1_phase_error", "pump_1_phase_error_rad", "angle", "0 rad"),
    ("pump_port_2_imbalance", "pump_2_imbalance_db", "level", "0 dB"),
    ("pump_port_2_phase_error", "pump_2_phase_error_rad", "angle", "0 rad"),
    ("arm_phase", "arm_phase_rad", "angle", "0 rad"),
    ("arm_loss", "arm_loss_db", "level", "0 dB"),
    ("static_flux_sd", "static_flux_phi0", "flux", None),
    ("analyser_offset", "analyser_offset_hz", "frequency", "0 Hz"),
    ("if_smoothing", "if_smoothing", None, "0"),
    ("modes_between_cooldowns", "mode_change_hz", "frequency", None),
    ("discrepancy", "discrepancy", None, None),
    ("discrepancy_own", "discrepancy_own", None, None),
    ("gain_between_states", "gain_between_states", None, None),
)


def _setup(t: _Walk) -> dict[str, Any]:
    out: dict[str, Any] = {"unstated_exact": t.exact}
    spread: list[list[Any]] = []
    for key, name, dimension, default in _SETUP:
        if default is not None and dimension is not None:
            out[name] = t.q(key, dimension, quantity(default, dimension))
        elif default is not None:
            out[name] = t.n(key, Fraction(0))
        if dimension == "in dB":
            exact = t.left.get(key) == "exact"
            found = t.sds(((key, name, "level"),))
            spread += found if exact else [[name, 10.0 ** (-abs(float(x)) / 20.0)] for name, x in found]
        elif default is None:
            spread += t.sds(((key, name, dimension),))
        else:
            spread += t.sds(((f"{key}_sd", name, dimension),))
    out["stated_sd"] = spread
    t.done()
    return out


def _isolator(t: _Walk) -> dict[str, Any]:
    link = t.get("link", "hybrid")
    out = {
        "name": t.get("name"),
        "stages": [_stage(_Walk(t.get(f"stage_{n}"), f"{t.path}.stage_{n}", t.exact)) for n in (1, 2)],
        "setup": _setup(_Walk(t.get("setup", {}), f"{t.path}.setup", t.exact)),
        "link_kind": link,
        "link_amplitude": t.n("link_amplitude", Fraction(math.sqrt(0.5)) if link == "hybrid" else Fraction(1)),
        "link_phase_rad": t.q("link_phase", "angle", Fraction(0)),
        "hybrid_imbalance_db": t.q("hybrid_imbalance", "level", Fraction(0)),
        "hybrid_phase_error_rad": t.q("hybrid_phase_error", "angle", Fraction(0)),
        "hybrid_loss_db": t.q("hybrid_loss", "level", Fraction(0)),
        "reference_flux_phi0": t.q("reference_flux", "flux"),
        "reference_power_w": t.q("reference_power", "power"),
        "pump_port_1_sign": {"+90 deg": 1, "-90 deg": -1}.get(t.get("pump_port_1_phase", "")),
        "pump_shift_factor": t.n("pump_shift_factor", Fraction(1)),
        "stated_sd": t.sds(_ISOLATOR_SDS),
        "unstated_exact": t.exact,
    }
    t.done()
    return out


def _rotation(axis: list[float], angle: float) -> list[list[float]]:
    """By a unit quaternion: another formula than Rodrigues'."""
    w, s = math.cos(angle / 2), math.sin(angle / 2)
    x, y, z = (s * a for a in axis)
    return [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]


def _state(t: _Walk) -> dict[str, Any]:
    kind = t.get("kind")
    out: dict[str, Any] = {
        "name": t.get("name"),
        "kind": kind,
        "rotation": [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        "coil": None,
        "current_a": Fraction(0),
        "field_t": None,
        "stated_sd": [],
        "unstated_exact": t.exact,
    }
    if kind == "turned":
        out["rotation"] = _rotation(t.unit("rotation_axis", []), float(t.q("rotation_angle", "angle")))
        out["stated_sd"] = t.sds((("rotation_angle_sd", "turn_rad", "angle"),))
    if kind == "calibration":
        out["field_t"] = t.qs("field", "field")
        if out["field_t"] is None:
            out["coil"], out["current_a"] = t.get("coil"), t.q("current", "current")
    t.done()
    return out


def _setting(t: _Walk, isolators: list[str], lines: list[str]) -> dict[str, Any]:
    bias = {k: quantity(v, "current") for k, v in t.get("bias", {}).items()}
    if set(bias) - set(lines):
        raise Differs(f"{t.path}: bias of unknown lines was accepted")
    frequency = t.get("pump_frequency", "matched")
    phase = t.q("pump_phase", "angle")
    out = {
        "name": t.get("name"),
        "isolators": t.get("isolators", isolators),
        "bias_a": [bias.get(n, Fraction(0)) for n in lines],
        "pump_port": None if phase is not None else t.get("pump_port"),
        "pump_phase_rad": phase,
        "pump_power_w": t.q("pump_power", "power"),
        "pump_frequency_hz": None if frequency == "matched" else quantity(frequency, "frequency"),
    }
    t.done()
    return out


def _source(t: _Walk) -> dict[str, Any]:
    kind = t.get("kind")
    dimension = "field" if kind == "uniform_field" else "moment"
    zero = [Fraction(0)] * 3
    prior = t.get("direction_prior", "sphere")
    direction: dict[str, Any] = {
        "kind": prior,
        "axis": [0.0, 0.0, 1.0],
        "half_angle_rad": math.pi,
        "candidates": [],
    }
    if prior in ("cap", "plane"):
        direction["axis"] = t.unit("direction_axis", [])
        direction["half_angle_rad"] = t.q("direction_half_angle", "angle")
    if prior == "list":
        direction["candidates"] = [_Walk({"x": row}, "").unit("x", []) for row in t.get("direction_candidates")]
    out = {
        "kind": kind,
        "size_prior": t.get("size_prior", "scale"),
        "size": t.q("size", dimension),
        "size_sd": t.q("size_sd", dimension, Fraction(0)),
        "position_m": t.qs("position", "length", zero),
        "position_sd_m": t.qs("position_sd", "length", zero),
        "direction": direction,
        "extent_m": t.q("extent", "length", Fraction(0) if t.exact or kind != "dipole" else None),
        "numbers": [],
    }
    t.done()
    return out


def study(raw: bytes) -> dict[str, Any]:
    """What a study file says, by the field names of the package's dataclasses."""
    tree = tomllib.loads(raw.decode("utf-8-sig"))
    unstated = tree.pop("uncertainty", {}).get("unstated", "default")
    root = _Walk(tree, "", unstated == "exact")
    if root.get("format") != 1:
        raise Differs("another format was accepted")
    out: dict[str, Any] = {
        "title": root.get("title"),
        "invented": root.get("invented", False),
        "note": root.get("note", ""),
        "unstated_exact": root.exact,
        "source": _source(_Walk(root.get("source"), "source", root.exact)),
    }
    chips = []
    for t in _list(root, "chip"):
        x, y = t.unit("x_axis", [1, 0, 0]), t.unit("y_axis", [0, 1, 0])
        origin = t.qs("origin", "length", [Fraction(0)] * 3)
        spread = t.sds((("tilt_sd", "tilt_rad", "angle"),))
        own = {"origin_m": origin, "x_axis": x, "y_axis": y, "stated_sd": spread, "unstated_exact": t.exact}
        chips.append({"name": t.get("name"), **own})
        t.done()
    chips = chips or [
        {
            "name": "chip",
            "origin_m": [Fraction(0)] * 3,
            "x_axis": [1.0, 0.0, 0.0],
            "y_axis": [0.0, 1.0, 0.0],
            "stated_sd": [],
            "unstated_exact": root.exact,
        }
    ]
    out["chips"] = chips
    out["loops"] = [_loop(t, chips[0]["name"]) for t in _list(root, "loop")]
    lines = []
    for t in _list(root, "bias_line"):
        mutual = [[k, quantity(v, "mutual")] for k, v in t.get("mutual", {}).items()]
        known = t.get("mutual_sd", {})
        all_exact = known == "exact"
        pairs = [] if all_exact else list(known.items())
        spread = [[k, Fraction(0) if v == "exact" else quantity(v, "mutual")] for k, v in pairs]
        lines.append(
            {
                "name": t.get("name"),
                "limit_a": t.q("limit", "current"),
                "mutual_phi0_per_a": mutual,
                "stated_sd": spread,
                "unstated_exact": all_exact or t.exact,
            }
        )
        t.done()
    out["bias_lines"] = lines
    coils = []
    for t in _list(root, "coil"):
        corners = [[quantity(x, "length") for x in row] for row in t.get("outline")]
        if len(corners) > 1 and [float(x) for x in corners[0]] == [float(x) for x in corners[-1]]:
            corners.pop()
        coils.append({"name": t.get("name"), "outline_m": corners})
        t.done()
    out["coils"] = coils
    out["isolators"] = [_isolator(t) for t in _list(root, "isolator")]
    states = [_state(t) for t in _list(root, "state")]
    out["states"] = states or [_state(_Walk({"name": n, "kind": n}, "", root.exact)) for n in ("out", "in")]
    names = [x["name"] for x in out["isolators"]]
    out["settings"] = [_setting(t, names, [x["name"] for x in lines]) for t in _list(root, "setting")]
    t = _Walk(root.get("sweep"), "sweep")
    out["sweep"] = {
        "start_hz": t.q("start", "frequency"),
        "stop_hz": t.q("stop", "frequency"),
        "points": t.get("points"),
    }
    t.done()
    t = _Walk(root.get("noise", {}), "noise")
    out["noise"] = {
        "white": t.n("white", Fraction(0.01)),
        "gain_drift": t.n("gain_drift", Fraction(0)),
        "phase_drift_rad": t.q("phase_drift", "angle", Fraction(0)),
        "residual_gain": t.n("residual_gain", Fraction(0)),
        "flux_phi0": t.q("flux", "flux", Fraction(0)),
        "flux_slow_phi0": t.q("flux_slow", "flux", Fraction(0)),
        "scale_sd": t.n("scale_sd", Fraction(0)),
        "bad_sweeps": t.n("bad_sweeps", Fraction(0)),
        "flux_jumps": t.n("flux_jumps", Fraction(0)),
        "flux_jump_phi0": t.q("flux_jump", "flux", Fraction(0)),
    }
    t.done()
    t = _Walk(root.get("data", {}), "data")
    kind = t.get("kind", "complex")
    direction = kind == "direction"
    out["data"] = {
        "kind": kind,
        "wrong_way": t.n("wrong_way", Fraction(0.01)) if direction else Fraction(0),
        "wrong_way_factor": t.n("wrong_way_factor", Fraction(1)) if direction else Fraction(1),
    }
    t.done()
    t = _Walk(root.get("plan", {}), "plan")
    out["plan"] = {
        "repeats": t.get("repeats", 8),
        "off_repeats": t.get("off_repeats", 8),
        "rounds": t.get("rounds", 4),
        "states": t.get("states", [s["name"] for s in out["states"]]),
        "cooldowns": t.get("cooldowns", ["c1"]),
        "seconds_per_sweep": t.q("time_per_sweep", "time", Fraction(20)),
    }
    t.done()
    t = _Walk(root.get("sampling", {}), "sampling")
    out["sampling"] = {
        "ensembles": t.get("ensembles", 4),
        "walkers": t.get("walkers"),
        "wanted_ess": t.get("wanted_ess", 4000),
        "max_steps": t.get("max_steps", 20000),
    }
    t.done()
    t = _Walk(root.get("limits", {}), "limits")
    out["limits"] = {
        "pump_power_w": t.q("pump_power", "power"),
        "source_power_w": t.q("source_power", "power"),
        "pump_frequency_hz": t.qs("pump_frequency", "frequency"),
        "isolation_db": t.q("isolation", "level"),
    }
    t.done()
    t = _Walk(root.get("layout", {}), "layout")
    keep_out = []
    for k in _list(t, "keep_out"):
        keep_out.append(
            {"chip": k.get("chip", chips[0]["name"]), "low_m": k.qs("from", "length"), "high_m": k.qs("to", "length")}
        )
        k.done()
    micro = Fraction(1, 10**6)
    out["layout"] = {
        "outlines": t.get("outlines", ["square"]),
        "size_m": t.qs("size", "length", [4 * micro, 40 * micro]),
        "chip_size_m": t.qs("chip_size", "length", [200 * micro, 200 * micro]),
        "edge_m": t.q("edge", "length", 2 * micro),
        "spacing_m": t.q("spacing", "length", 2 * micro),
        "grid_m": t.q("grid", "length", micro / 10),
        "loop_area_m2": t.q("loop_area", "area"),
        "source_height_m": t.qs("source_height", "length"),
        "change_chip": t.get("change_chip", False),
        "fixed": t.get("fixed", []),
        "keep_out": keep_out,
    }
    t.done()
    t = _Walk(root.get("traces", {}), "traces")
    out["readout"] = root.get("readout")
    logs = t.get("log", "log.csv")
    out["logs"], out["allow_outside"] = logs if isinstance(logs, list) else [logs], t.get("allow_outside", False)
    out["log_starts_s"], out["form"] = t.qs("log_starts", "time", []), _form(t)
    out["line_left_out"] = None  # no file states it
    t.done()
    root.done()
    out["sha256"] = hashlib.sha256(raw).hexdigest()
    return out


def _form(t: _Walk) -> dict[str, Any]:
    """How traces are written; what a Touchstone file says itself has no place here."""
    names = ("s21", "s12", "s11", "s22")
    plain = {"frequency": "", "unit_hz": 1.0, "numbers": "", "reference_ohm": 50.0} | {n: [] for n in names}
    form = t.get("format", "touchstone")
    if form == "touchstone":
        return {"format": form} | plain
    columns = {n: [x] if isinstance(x := t.get(n, []), str) else x for n in names}
    return columns | {
        "format": form,
        "frequency": t.get("frequency", "frequency"),
        "unit_hz": {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}[t.get("frequency_unit", "Hz")],
        "numbers": t.get("numbers", "real and imaginary"),
        "reference_ohm": t.q("reference", "resistance", 50.0),
    }


def truth(raw: bytes, dipole: bool) -> tuple[list[float], list[Fraction] | None]:
    """Source vector and position of a truth file."""
    t = tomllib.loads(raw.decode("utf-8-sig"))["source"]
    azimuth, elevation = (float(quantity(t[k], "angle")) for k in ("azimuth", "elevation"))
    size = float(quantity(t["size"], "moment" if dipole else "field"))
    z = cmath.rect(math.cos(elevation), azimuth)
    position = [quantity(x, "length") for x in t["position"]] if "position" in t else None
    return [size * z.real, size * z.imag, size * math.sin(elevation)], position


# ---------------------------------------------------------------- Touchstone


def touchstone(raw: bytes) -> tuple[list[float], list[list[complex]], float]:
    """Frequencies in Hz, rows S11, S21, S12, S22 as written (e^{+j w t}), reference resistance."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    lines = [
        line.split("!")[0].strip() for line in text.replace("\r\n", "\n").replace("\r", "\n").rstrip("\x1a").split("\n")
    ]
    lines = [line for line in lines if line]
    version_2 = lines[0].lower().startswith("[version]")
    scale, form, ohm, order = 1e9, "MA", 50.0, "21_12"
    stated_reference = False
    numbers: list[list[str]] = []
    section = "network" if not version_2 else ""
    informing = False
    for line in lines:
        lower = " ".join(line.lower().split())
        if line.startswith("["):
            if not version_2:
                raise Differs("keywords were accepted in a version 1 file")
            if informing and not lower.startswith("[end information]"):
                continue
            informing = lower.startswith("[begin information]")
            if lower.startswith("[two-port data order]"):
                order = lower.split("]")[1].strip()
            elif lower.startswith("[reference]"):
                values = lower.split("]")[1].split()
                section = "reference"
                numbers_reference = list(values)
                stated_reference = True
            elif lower.startswith("[network data]"):
                section = "network"
            elif lower.startswith("[noise data]"):
                section = "noise"
            elif lower.startswith("[end]"):
                break
            else:
                section = section if section in ("network", "noise") else ""
            if stated_reference and section != "reference":
                ohm = float(numbers_reference[0])
        elif informing:
            continue
        elif line.startswith("#"):
            words = line[1:].upper().split()
            for n, word in enumerate(words):
                scale = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}.get(word, scale)
                form = word if word in ("RI", "MA", "DB") else form
                if word == "R" and not stated_reference:
                    ohm = float(words[n + 1])
        elif section == "reference":
            numbers_reference += line.split()
            ohm = float(numbers_reference[0])
        elif section == "network":
            numbers.append(line.split())
    frequency: list[float] = []
    rows: list[list[complex]] = []
    held: list[float] = []
    for tokens in numbers:
        values = [float(decimal(t)) for t in tokens]
        if not held and len(values) == 5 and frequency and values[0] <= frequency[-1] and not version_2:
            break  # noise data to the end
        held += values
        if len(held) >= 9:
            if len(held) != 9:
                raise Differs(f"a row of {len(held)} numbers was accepted")
            pairs = [(held[1 + 2 * k], held[2 + 2 * k]) for k in range(4)]
            if form == "RI":
                row = [complex(a, b) for a, b in pairs]
            else:
                row = [cmath.rect(a if form == "MA" else 10.0 ** (a / 20.0), math.radians(b)) for a, b in pairs]
            if order == "12_21" and version_2:
                row[1], row[2] = row[2], row[1]
            frequency.append(held[0])
            rows.append(row)
            held = []
    if held:
        raise Differs("half a row was accepted")
    return [f * scale for f in frequency], rows, ohm


# ---------------------------------------------------------------- log


LOG_COLUMNS = {
    "file", "isolator", "pump", "pump_port", "pump_phase_deg", "pump_power_dbm", "pump_frequency_hz", "state", "cooldown",
    "repeat", "time_s", "transmits",
}  # fmt: skip


def csv_cells(text: str) -> list[tuple[int, list[str]]]:
    """Rows of comma-separated cells with the line each begins on; quotes as RFC 4180 has them."""
    rows: list[tuple[int, list[str]]] = []
    cells: list[str] = []
    cell = ""
    line = begin = 1
    quoted = was_quoted = False
    n = 0
    while n < len(text):
        c = text[n]
        if quoted:
            if c == '"' and text[n + 1 : n + 2] == '"':
                cell, n = cell + '"', n + 1
            elif c == '"':
                quoted = False
            else:
                cell += c
                if c == "\n" or (c == "\r" and text[n + 1 : n + 2] != "\n"):
                    line += 1
        elif c == '"' and not cell and not was_quoted:
            quoted = was_quoted = True
        elif c == ",":
            cells, cell, was_quoted = [*cells, cell], "", False
        elif c in "\r\n":
            if c == "\r" and text[n + 1 : n + 2] == "\n":
                n += 1
            rows.append((begin, [*cells, cell]))
            line += 1
            cells, cell, was_quoted, begin = [], "", False, line
        else:
            cell += c
        n += 1
    if cells or cell or was_quoted:
        rows.append((begin, [*cells, cell]))
    return rows


def log(raw: bytes, lines: list[str]) -> list[dict[str, Any]]:
    """Rows of a log by the field names of the package's rows."""
    text = raw.decode("utf-8-sig")
    header: list[str] | None = None
    own: list[str] = []
    out = []
    for number, cells in csv_cells(text):
        cells = [c.strip() for c in cells]
        if not any(cells) or cells[0].startswith("#"):
            continue
        if header is None:
            header = cells
            unknown = set(header) - {f"bias_{b}_a" for b in lines} - LOG_COLUMNS
            own = [c for c in header if c in unknown]
            if any(not c or c.lower().startswith("bias_") for c in own) or len(set(header)) != len(header):
                raise Differs(f"columns {unknown} were accepted")
            continue
        if len(cells) != len(header):
            raise Differs(f"line {number}: {len(cells)} cells were accepted")
        row = dict(zip(header, cells, strict=True))
        on = {"on": True, "off": False}[row["pump"].lower()]

        def number_of(key: str, row: dict[str, str] = row) -> Any:
            return decimal(row[key]) if row.get(key) else math.nan

        phase = number_of("pump_phase_deg")
        out.append(
            {
                "line": number,
                "file": row["file"],
                "isolator": row["isolator"],
                "pump_on": on,
                "pump_port": int(row["pump_port"]) if row["pump_port"] else None,
                "pump_phase_rad": None if isinstance(phase, float) else phase * PI / 180,
                "pump_power_dbm": number_of("pump_power_dbm"),
                "pump_frequency_hz": number_of("pump_frequency_hz"),
                "state": row["state"],
                "cooldown": row["cooldown"],
                "repeat": int(row["repeat"]),
                "time_s": decimal(row["time_s"]),
                "bias_a": [decimal(row[f"bias_{b}_a"]) for b in lines],
                "transmits": row.get("transmits") or None,
                "own": [[c, row[c]] for c in own],
                "log": "log.csv",
            }
        )
    return out


# ---------------------------------------------------------------- archives


def archive(raw: bytes) -> dict[str, Any]:
    """Arrays of an uncompressed npz, walked from its central directory with `struct`."""
    end = raw.rfind(b"PK\x05\x06")
    size, start = struct.unpack_from("<II", raw, end + 12)
    shift = end - size - start  # bytes in front of the archive
    at = end - size
    out: dict[str, Any] = {}
    while at < end:  # the directory's size counts; the number of members stands twice beside it, and either may be off
        if raw[at : at + 4] != b"PK\x01\x02":
            raise Differs("a broken central directory was accepted")
        method, crc, packed, full, n_name, n_extra, n_comment = struct.unpack_from("<10xH4xIIIHHH", raw, at)
        offset = struct.unpack_from("<I", raw, at + 42)[0] + shift
        name = raw[at + 46 : at + 46 + n_name].decode()
        if method or packed != full or name in out:
            raise Differs("a compressed or double member was accepted")
        a, b = struct.unpack_from("<HH", raw, offset + 26)
        data = raw[offset + 30 + a + b : offset + 30 + a + b + full]
        if zlib.crc32(data) != crc:
            raise Differs(f"{name} was accepted with a wrong checksum")
        length, begin = struct.unpack_from("<H", data, 8)[0], 10
        if data[6] == 2:
            length, begin = struct.unpack_from("<I", data, 8)[0], 12
        head = data[begin : begin + length].decode("latin-1")
        kind = re.search(r"'descr': '([^']*)'", head)
        shape = re.search(r"'shape': \(([0-9, ]*)\)", head)
        if data[:6] != b"\x93NUMPY" or kind is None or shape is None or "'fortran_order': False" not in head:
            raise Differs(f"{name} was accepted and is no array")
        dims = [int(x) for x in shape[1].split(",") if x.strip()]
        out[name.removesuffix(".npy")] = np.frombuffer(data[begin + length :], dtype=kind[1]).reshape(dims)
        at += 46 + n_name + n_extra + n_comment
    return out


def checksum(fields: Any, arrays: dict[str, Any]) -> str:
    """SHA-256 over the fields, and name, type, shape and bytes of every array."""
    parts = [json.dumps(fields, sort_keys=True).encode()]
    for name, array in sorted(arrays.items()):
        parts += [f"\n{name} {array.dtype.str} {array.shape}\n".encode(), array.tobytes()]
    return hashlib.sha256(b"".join(parts)).hexdigest()


def stored(raw: bytes, kind: str, version: int = 2) -> tuple[dict[str, Any], dict[str, Any]]:
    """Fields and arrays of a stored file."""
    arrays = archive(raw)
    header = json.loads(arrays.pop("header").tobytes())
    if (header["magic"], header["kind"], header["version"]) != ("fluxsense store", kind, version):
        raise Differs("another kind or version was accepted")
    if header["checksum"] != checksum(header["fields"], arrays):
        raise Differs("a wrong checksum was accepted")
    return header["fields"], arrays


def digest(raw: bytes) -> tuple[list[dict[str, Any]], list[Any]]:
    """Groups of a digest: key as a list, numbers, and arrays as bytes; and its list of distrusted sweeps."""
    fields, arrays = stored(raw, "digest")
    used = dict.fromkeys(arrays, 0)
    out = []
    for g in fields["groups"]:
        n, f, b = g["count"], g["points"], g["blocks"]
        k = 2 * min(24, f)
        sizes = {
            "frequency_hz": f,
            "mean": 4 * f,
            "scatter": 4 * f,
            "band": 8 * f,
            "node_hermitian": k * k,
            "node_complementary": k * k,
            "block_count": b,
            "block_time_s": 3 * b,
            "block_mean": b * k,
            "trace_hash": 16 * n,
        }
        entry = {key: g[key] for key in ("key", "count", "reference_ohm", "block_level")}
        for name, size in sizes.items():
            entry[name] = arrays[name][used[name] : used[name] + size].tobytes()
            used[name] += size
        out.append(entry)
    for name, size in used.items():
        if size != arrays[name].size:
            raise Differs(f"{name} is longer than its groups")
    out.sort(key=lambda e: json.dumps(e["key"]))
    return out, fields["distrusted"]


def posterior(raw: bytes) -> tuple[dict[str, Any], dict[str, Any]]:
    """Fields and arrays of a stored posterior."""
    return stored(raw, "posterior", 6)


def chains(path: Path) -> dict[str, Any]:
    """Arrays and number of calls of a file of chains, opened by its path."""
    import h5py

    with h5py.File(path, "r") as file:
        raw = path.read_bytes()
        header = json.loads(raw[:512].rstrip(b"\0"))
        whole = header.pop("checksum") == hashlib.sha256(raw[512:]).hexdigest()
        if header != {"magic": "fluxsense store", "kind": "chains", "version": 2} or not whole:
            raise Differs("another format or checksum was accepted")
        out: dict[str, Any] = {name: file[name][...] for name in ("x", "log_posterior", "accepted", "keys", "places")}
        out["calls"] = int(file.attrs["calls"])
    return out


# ---------------------------------------------------------------- GDSII


def _real8(b: bytes) -> float:
    return (-1 if b[0] >> 7 else 1) * int.from_bytes(b[1:8], "big") / 2**56 * 16 ** ((b[0] & 127) - 64)


def gdsii(raw: bytes, layer: int) -> dict[str, list[list[list[float]]]]:
    """Corners in m of boundaries, boxes and closed paths on one layer, by cell that no other places, with all it places."""
    unit, cell = math.nan, ""
    flat: dict[str, list[list[complex]]] = {}
    lines: dict[str, list[list[complex]]] = {}
    placed: dict[str, list[tuple[str, complex, float, complex]]] = {}
    about: dict[int, bytes] = {}
    while True:
        size, tag = struct.unpack_from(">HH", raw)
        body, raw, tag = raw[4:size], raw[size:], tag >> 8
        if tag == 0x04:
            break
        if tag == 0x03:
            unit = _real8(body[8:16])
        elif tag == 0x06:
            cell = body.rstrip(b"\0").decode("latin-1")
            flat[cell], lines[cell], placed[cell] = [], [], []
        elif tag in (0x08, 0x09, 0x0A, 0x0B, 0x0C, 0x15, 0x2D):
            about = {-1: bytes([tag])}
        elif tag == 0x11:
            kind = about[-1][0]
            place = struct.unpack(f">{len(about[0x10]) // 4}i", about[0x10])
            points = [complex(x, y) for x, y in zip(place[::2], place[1::2], strict=True)]
            if kind == 0x0A:
                turn = math.radians(_real8(about[0x1C])) if 0x1C in about else 0.0
                size_ = _real8(about[0x1B]) if 0x1B in about else 1.0
                mirrored = bool(about.get(0x1A, b"\0\0")[0] & 0x80)
                name = about[0x12].rstrip(b"\0").decode("latin-1")
                placed[cell].append((name, size_ * complex(math.cos(turn), math.sin(turn)), mirrored, points[0]))
            elif kind in (0x08, 0x09, 0x2D) and struct.unpack(">H", about[0x0D])[0] == layer:
                if points[0] == points[-1]:
                    points.pop()
                (lines if kind == 0x09 else flat)[cell].append(points)
        else:
            about[tag] = body

    def whole(name: str, which: dict[str, list[list[complex]]]) -> list[list[complex]]:
        out = list(which[name])
        for inner, factor, mirrored, at in placed[name]:
            out += [[(z.conjugate() if mirrored else z) * factor + at for z in p] for p in whole(inner, which)]
        return out

    below = {inner for refs in placed.values() for inner, *_ in refs}
    top = {n: whole(n, flat) + whole(n, lines) for n in flat if n not in below}
    return {n: [[[z.real * unit, z.imag * unit] for z in p] for p in found] for n, found in top.items() if found}
