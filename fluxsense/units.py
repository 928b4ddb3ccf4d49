"""Units at the border: texts such as ``"7.2 GHz"`` become SI floats, and back.

A closed table instead of a unit library: a study or a wrong entry must be
answered within a quarter of a second, no text may be evaluated, and a decimal
comma must be refused instead of being read as a thousands separator.  The
tests compare every entry of the table with a general-purpose unit library.

Flux is kept in flux quanta (Phi0) and mutual inductance in Phi0 per ampere,
as everywhere in the package; everything else is SI.
"""

from __future__ import annotations

import math
import re
from typing import Final

from .constants import FLUX_QUANTUM_WB
from .errors import InputError

_PREFIX: Final = {
    "f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9,
}  # fmt: skip

_BOHR_MAGNETON_A_M2: Final = 9.2740100657e-24  # CODATA 2022


def _scaled(base: str, prefixes: str, factor: float = 1.0) -> dict[str, float]:
    """Units made of one base and single-letter prefixes ('_' stands for none)."""
    out = {}
    for letter in prefixes:
        prefix = "" if letter == "_" else letter
        out[prefix + base] = _PREFIX[prefix] * factor
    return out


def _mutual() -> dict[str, float]:
    table = {}
    for flux_unit, flux in _scaled("Phi0", "um_").items():
        for current_unit, current in _scaled("A", "num_").items():
            table[f"{flux_unit}/{current_unit}"] = flux / current
    table |= _scaled("H", "fpnu_", 1.0 / FLUX_QUANTUM_WB)
    return table


UNITS: Final[dict[str, dict[str, float]]] = {
    "length": _scaled("m", "num_") | {"cm": 1e-2},
    "area": {"nm^2": 1e-18, "um^2": 1e-12, "mm^2": 1e-6, "m^2": 1.0},
    "frequency": _scaled("Hz", "_kMG"),
    "current": _scaled("A", "pnum_"),
    "field": _scaled("T", "fpnum_") | {"G": 1e-4, "mG": 1e-7},
    "moment": _scaled("A m^2", "fpnum_") | {"J/T": 1.0, "mu_B": _BOHR_MAGNETON_A_M2},
    "flux": _scaled("Phi0", "num_") | {"Wb": 1.0 / FLUX_QUANTUM_WB},
    "mutual": _mutual(),
    "power": _scaled("W", "fpnum_") | {"dBm": math.nan},
    "angle": {"deg": math.pi / 180.0, "rad": 1.0, "mrad": 1e-3},
    "level": {"dB": 1.0},
    "time": _scaled("s", "num_") | {"min": 60.0, "h": 3600.0},
}
"""Per dimension, each accepted unit and the factor to the package's own unit."""

OWN_UNIT: Final = {
    "length": "m", "area": "m^2", "frequency": "Hz", "current": "A", "field": "T", "moment": "A m^2",
    "flux": "Phi0", "mutual": "Phi0/A", "power": "W", "angle": "rad", "level": "dB", "time": "s",
}  # fmt: skip

EXAMPLE: Final = {
    "length": "12 um", "area": "100 um^2", "frequency": "7.2 GHz", "current": "1.5 mA", "field": "2 uT",
    "moment": "30 fA m^2", "flux": "0.25 Phi0", "mutual": "400 Phi0/A", "power": "-95 dBm", "angle": "90 deg",
    "level": "0.2 dB", "time": "10 min",
}  # fmt: skip

_TEXT = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*", re.DOTALL)


def _normal_unit(unit: str) -> str:
    """Bring spelling variants to the one in the table."""
    for old, new in (("µ", "u"), ("μ", "u"), ("²", "^2"), ("Φ", "Phi"), ("₀", "0"), ("·", " "), ("*", " ")):
        unit = unit.replace(old, new)
    unit = re.sub(r"\s+", " ", unit)
    return re.sub(r"\bm2$", "m^2", unit)


def parse_quantity(text: object, dimension: str, where: str = "") -> float:
    """Read a number with its unit.

    Parameters
    ----------
    text : object
        What stands in the file; must be a string such as ``"7.2 GHz"``.
    dimension : str
        A key of `UNITS`.
    where : str
        File and key path for the message.

    Returns
    -------
    float
        The value in `OWN_UNIT` of that dimension; finite.

    Raises
    ------
    InputError
        If the text is not a number with a unit of that dimension.
    """
    example = f'Write for example "{EXAMPLE[dimension]}"'
    if isinstance(text, bool) or not isinstance(text, str):
        if isinstance(text, (int, float)) and not isinstance(text, bool):
            raise InputError(
                f"{text!r} has no unit, but a {dimension} is wanted", where=where, remedy=f"{example} (with quotes)"
            )
        raise InputError(f"{text!r} is not a {dimension} with its unit", where=where, remedy=example)
    if len(text) > 80:
        raise InputError(f"a text of {len(text)} characters is not a {dimension}", where=where, remedy=example)
    match = _TEXT.fullmatch(text)
    if match is None:
        raise InputError(f'"{text}" does not begin with a number', where=where, remedy=example)
    number, unit = float(match[1]), _normal_unit(match[2])
    if unit.startswith(","):
        raise InputError(
            f'"{text}" has a comma in its number',
            where=where,
            remedy="Write the decimal sign as a point, as in 7.2 GHz",
        )
    table = UNITS[dimension]
    if unit not in table:
        other = [name for name, units in UNITS.items() if unit in units]
        if not unit:
            reason = f'"{text}" has no unit, but a {dimension} is wanted'
        elif other:
            reason = f'"{text}" is a {other[0]}, but a {dimension} is wanted'
        else:
            reason = f'"{text}" has the unit "{match[2]}", which is not known for a {dimension}'
        raise InputError(reason, where=where, remedy=f"{example}; units known here: {', '.join(table)}")
    value = dbm_to_watt(number) if unit == "dBm" else number * table[unit]
    if not math.isfinite(value):
        raise InputError(f'"{text}" is too large to be a {dimension}', where=where, remedy=example)
    return value


def format_quantity(value: float, dimension: str, digits: int = 6) -> str:
    """Write a value of the package's own unit with the unit that reads best.

    Parameters
    ----------
    value : float
        In `OWN_UNIT` of the dimension.
    dimension : str
        A key of `UNITS`.
    digits : int
        Significant digits.

    Returns
    -------
    str
        A text that `parse_quantity` reads back to the same value within the digits asked for.
    """
    if dimension == "power":
        return f"{watt_to_dbm(value):.{digits}g} dBm" if value > 0 else f"{value:.{digits}g} W"
    if dimension == "angle":
        return f"{math.degrees(value):.{digits}g} deg"
    names = {"field": "fpnum_", "moment": "fpnum_", "current": "pnum_", "length": "num_", "frequency": "_kMG",
             "flux": "um_", "time": "num_"}.get(dimension)  # fmt: skip
    own = OWN_UNIT[dimension]
    if names is None or value == 0 or not math.isfinite(value):
        return f"{value:.{digits}g} {own}"
    table = _scaled(own, names)
    fitting = [(factor, unit) for unit, factor in table.items() if factor <= abs(value) * (1 + 1e-12)]
    factor, unit = max(fitting) if fitting else min((factor, unit) for unit, factor in table.items())
    return f"{value / factor:.{digits}g} {unit}"


def dbm_to_watt(power_dbm: float) -> float:
    """Power in W from dBm (0 dBm = 1 mW); a level beyond any floating-point power gives infinity or zero."""
    return 1e-3 * 10.0 ** (power_dbm / 10.0) if abs(power_dbm) < 3000 else (math.inf if power_dbm > 0 else 0.0)


def watt_to_dbm(power_w: float) -> float:
    """Level in dBm of a power in W; -inf for zero."""
    return 10.0 * math.log10(power_w / 1e-3) if power_w > 0 else -math.inf


def unit_of_source(kind: str) -> str:
    """Name of the SI unit of a source vector: T for a field, A m^2 for a moment."""
    return "T" if kind == "uniform_field" else "A m^2"
