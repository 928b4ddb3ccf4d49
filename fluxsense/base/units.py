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

from .constants import BOHR_MAGNETON_A_M2, FLUX_QUANTUM_WB
from .errors import InputError, printable

_PREFIX: Final = {
    "f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9,
}  # fmt: skip


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
    table |= _scaled("H", "fpnu_", 1.0 / FLUX_QUANTUM_WB) | {"Wb/A": 1.0 / FLUX_QUANTUM_WB}
    return table


UNITS: Final[dict[str, dict[str, float]]] = {
    "length": _scaled("m", "num_") | {"cm": 1e-2},
    "area": {"nm^2": 1e-18, "um^2": 1e-12, "mm^2": 1e-6, "m^2": 1.0},
    "frequency": _scaled("Hz", "_kMG"),
    "current": _scaled("A", "pnum_"),
    "field": _scaled("T", "fpnum_") | {"G": 1e-4, "mG": 1e-7},
    "moment": _scaled("A m^2", "fpnum_") | {"J/T": 1.0, "mu_B": BOHR_MAGNETON_A_M2},
    "flux": _scaled("Phi0", "num_") | {"Wb": 1.0 / FLUX_QUANTUM_WB},
    "mutual": _mutual(),
    "power": _scaled("W", "fpnum_") | {"dBm": math.nan},
    "angle": {"deg": math.pi / 180.0, "rad": 1.0, "mrad": 1e-3},
    "level": {"dB": 1.0},
    "time": _scaled("s", "num_") | {"min": 60.0, "h": 3600.0},
    "temperature": _scaled("K", "um_"),
    "resistance": _scaled("ohm", "_"),
}
"""Per dimension, each accepted unit and the factor to the package's own unit."""

OWN_UNIT: Final = {
    "length": "m", "area": "m^2", "frequency": "Hz", "current": "A", "field": "T", "moment": "A m^2",
    "flux": "Phi0", "mutual": "Phi0/A", "power": "W", "angle": "rad", "level": "dB", "time": "s",
    "temperature": "K", "resistance": "ohm",
}  # fmt: skip

EXAMPLE: Final = {
    "length": "12 um", "area": "100 um^2", "frequency": "7.2 GHz", "current": "1.5 mA", "field": "2 uT",
    "moment": "30 fA m^2", "flux": "0.25 Phi0", "mutual": "400 Phi0/A", "power": "-95 dBm", "angle": "90 deg",
    "level": "0.2 dB", "time": "10 min", "temperature": "20 mK",
    "resistance": "50 ohm",
}  # fmt: skip

_WORDS: Final = {
    "length": "a length", "area": "an area", "frequency": "a frequency", "current": "a current",
    "field": "a magnetic field", "moment": "a magnetic moment", "flux": "a flux", "mutual": "a mutual inductance",
    "power": "a power", "angle": "an angle", "level": "a level", "time": "a time", "temperature": "a temperature",
    "resistance": "a resistance",
}  # fmt: skip

LARGEST: Final = {
    "length": 1e3, "area": 1e6, "frequency": 1e15, "current": 1e3, "field": 1e3, "moment": 1e6, "flux": 1e6,
    "mutual": 1e12, "power": 1e6, "angle": 1e4, "level": 1e3, "time": 1e10, "temperature": 1e5,
    "resistance": 1e6,
}  # fmt: skip
"""Size in `OWN_UNIT` beyond which a value is taken for a slip of the pen (a lost prefix, say)."""

_TEXT = re.compile(r"\s*([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(.*?)\s*", re.DOTALL)


def _normal_unit(unit: str) -> str:
    """Bring spelling variants to the one in the table."""
    for old, new in (
        ("µ", "u"), ("μ", "u"), ("²", "^2"), ("Φ", "Phi"), ("φ", "Phi"), ("₀", "0"), ("phi0", "Phi0"), ("·", " "),
        ("*", " "), ("°", "deg"),
    ):  # fmt: skip
        unit = unit.replace(old, new)
    unit = re.sub(r"\s+", " ", unit)
    return re.sub(r"Am\^2$", "A m^2", re.sub(r"m2$", "m^2", unit))


def shown(value: object, most: int = 60) -> str:
    """A value as it may stand in a message: on one line, printable and short.

    Texts are put in double quotes.  Works for anything that a TOML file can hold, however long or deep.
    """
    if isinstance(value, str):
        cut = value if len(value) <= most else value[: most - 3] + "..."
        return f'"{printable(cut, keep="")}"'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= 10**most:
        return f"a whole number of {value.bit_length()} bits"
    if isinstance(value, (list, tuple)):
        if any(isinstance(x, (list, tuple, dict)) for x in value):
            return f"a nested list of {len(value)}"
        text = ", ".join(shown(x, most) for x in value[:most])
        return f"[{text}]" if len(value) <= most and len(text) <= 2 * most else f"a list of {len(value)}"
    if isinstance(value, dict):
        return "a table"
    return str(value)


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
        The value in `OWN_UNIT` of that dimension; finite, and at most `LARGEST` in size.

    Raises
    ------
    InputError
        If the text is not a number with a unit of that dimension, or is beyond `LARGEST`.
    """
    wanted = _WORDS[dimension]
    example = f'Write for example "{EXAMPLE[dimension]}"'
    if not isinstance(text, str):
        if isinstance(text, (int, float)) and not isinstance(text, bool):
            raise InputError(
                f"{shown(text)} has no unit, but {wanted} is wanted", where=where, remedy=f"{example} (with quotes)"
            )
        raise InputError(f"{shown(text)} is not {wanted} with its unit", where=where, remedy=example)
    quoted = shown(text)
    if len(text) > 80:
        raise InputError(f"a text of {len(text)} characters is not {wanted}", where=where, remedy=example)
    match = _TEXT.fullmatch(text.replace("\u2212", "-"))  # a typographer's minus sign
    if match is None:
        raise InputError(f"{quoted} does not begin with a number", where=where, remedy=example)
    number, unit = float(match[1]), _normal_unit(match[2])
    if unit.startswith(","):
        raise InputError(
            f"{quoted} has a comma in its number",
            where=where,
            remedy="Write the decimal sign as a point, as in 7.2 GHz",
        )
    table = UNITS[dimension]
    if unit not in table:
        other = [name for name, units in UNITS.items() if unit in units]
        if not unit:
            reason = f"{quoted} has no unit, but {wanted} is wanted"
        elif other:
            reason = f"{quoted} is {_WORDS[other[0]]}, but {wanted} is wanted"
        else:
            reason = f"{quoted} has the unit {shown(match[2])}, which is not known for {wanted}"
        raise InputError(reason, where=where, remedy=f"{example}; units known here: {', '.join(table)}")
    value = dbm_to_watt(number) if unit == "dBm" else number * table[unit]
    if not abs(value) <= LARGEST[dimension]:
        raise InputError(
            f"{quoted} is too large to be meant",
            where=where,
            remedy=f"Check the number and the prefix of the unit (at most {LARGEST[dimension]:g} {OWN_UNIT[dimension]})",
        )
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
        Significant digits; those of the level in dBm for a power above zero.

    Returns
    -------
    str
        A text that `parse_quantity` reads back to the same value within the digits asked for.
    """
    if dimension == "power":
        return f"{watt_to_dbm(value):.{digits}g} dBm" if value > 0 else f"{value:.{digits}g} W"
    if dimension == "angle":
        text = f"{math.degrees(value):.{digits}g} deg"
        if abs(float(text.removesuffix(" deg"))) * UNITS["angle"]["deg"] > LARGEST["angle"] >= abs(value):
            return f"{value!r} rad"  # rounding would carry it beyond what is read
        return text
    factor, unit = best_unit(value, dimension)
    return f"{value / factor:.{digits}g} {unit}"


def best_unit(value: float, dimension: str) -> tuple[float, str]:
    """The unit in which a value of the package's own unit reads best: its size in that own unit, and its name."""
    names = {"field": "fpnum_", "moment": "fpnum_", "current": "pnum_", "length": "num_", "frequency": "_kMG",
             "flux": "um_", "time": "num_", "temperature": "um_"}.get(dimension)  # fmt: skip
    own = OWN_UNIT[dimension]
    if names is None or value == 0 or not math.isfinite(value):
        return 1.0, own
    table = _scaled(own, names)
    fitting = [(factor, unit) for unit, factor in table.items() if factor <= abs(value) * (1 + 1e-12)]
    return max(fitting) if fitting else min((factor, unit) for unit, factor in table.items())


def format_like(value: float, text: object, dimension: str, digits: int = 6) -> str | None:
    """A value of the package's own unit in the unit of somebody's text, such as 25 for "50 pH"; None where that has none."""
    match = _TEXT.fullmatch(text) if isinstance(text, str) else None
    unit = "" if match is None else _normal_unit(match[2])
    factor = UNITS[dimension].get(unit, math.nan)
    if match is None or not factor > 0:  # dBm has no factor
        return None
    return f"{value / factor:.{digits}g} {match[2]}"


def dimension_of(unit: str) -> str:
    """The dimension whose unit in `OWN_UNIT` this is."""
    return next(name for name, own in OWN_UNIT.items() if own == unit)


def dbm_to_watt(power_dbm: float) -> float:
    """Power in W from dBm (0 dBm = 1 mW); infinity or zero beyond the floating-point range, nan for nan."""
    exponent = power_dbm / 10.0 - 3.0
    return math.inf if exponent > 308.0 else 10.0**exponent


def watt_to_dbm(power_w: float) -> float:
    """Level in dBm of a power in W; -inf for zero."""
    return 10.0 * math.log10(power_w / 1e-3) if power_w > 0 else -math.inf
