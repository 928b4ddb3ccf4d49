"""Units at the border, against pint and the SI Brochure's exact constants."""

import math

import pint
import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st

from fluxsense.base import constants
from fluxsense.base.errors import InputError
from fluxsense.base.units import (
    EXAMPLE,
    LARGEST,
    OWN_UNIT,
    UNITS,
    dbm_to_watt,
    format_quantity,
    parse_quantity,
    shown,
    watt_to_dbm,
)


@pytest.fixture(scope="module")
def registry():
    """pint with the flux quantum h/2e, from pint's own h and e."""
    ureg = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    ureg.define("Phi0 = planck_constant / (2 * elementary_charge)")
    return ureg


IN_PINT = {"mu_B": "bohr_magneton", "G": "gauss", "mG": "milligauss", "h": "hour", "deg": "degree"}


def _pint_name(unit):
    return IN_PINT.get(unit, unit.replace(" m^2", "*m**2").replace("^", "**"))


@pytest.mark.parametrize(
    ("dimension", "unit"),
    [(d, u) for d, units in UNITS.items() for u in units if u not in ("dBm", "dB")],
)
def test_every_factor_agrees_with_pint(registry, dimension, unit):
    # gauss and tesla have different dimensions in the two systems: pint joins them in its context "Gaussian"
    context = ["Gaussian"] if unit in ("G", "mG") else []
    reference = registry.Quantity(1e-9, _pint_name(unit)).to(_pint_name(OWN_UNIT[dimension]), *context).magnitude
    # constants: h and e are exact; the Bohr magneton moved by 3e-10 between CODATA 2018 and 2022
    # pint joins gauss and tesla through the measured magnetic constant, 7e-11 beside 4 pi 1e-7
    tolerance = {"mu_B": 1e-9, "G": 1e-10, "mG": 1e-10}.get(unit, 1e-14)
    # abs=0: the default absolute tolerance of 1e-12 would pass any factor of a small unit
    assert parse_quantity(f"1e-9 {unit}", dimension) == pytest.approx(reference, rel=tolerance, abs=0)


@pytest.mark.parametrize("level", [-174.0, -95.0, -60.0, 0.0, 3.0103, 30.0])
def test_dbm_agrees_with_pint(registry, level):
    reference = registry.Quantity(level, "dBm").to("W").magnitude
    assert parse_quantity(f"{level} dBm", "power") == pytest.approx(reference, rel=1e-13, abs=0)
    assert watt_to_dbm(reference) == pytest.approx(level, abs=1e-11)


def test_dbm_beyond_floating_point():
    assert dbm_to_watt(-60.0) == 1e-9
    assert dbm_to_watt(1e5) == math.inf
    assert dbm_to_watt(-1e5) == 0.0
    assert math.isnan(dbm_to_watt(math.nan))
    assert watt_to_dbm(0.0) == -math.inf


def test_tables_speak_of_the_same_dimensions():
    assert set(UNITS) == set(OWN_UNIT) == set(EXAMPLE) == set(LARGEST)
    for dimension, own in OWN_UNIT.items():
        assert UNITS[dimension][own] == 1.0
        assert math.isfinite(parse_quantity(EXAMPLE[dimension], dimension))


def test_no_unit_belongs_to_two_dimensions():
    every = [u for units in UNITS.values() for u in units]
    assert len(every) == len(set(every))


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("12µm", "length", 12e-6),
        ("12 μm", "length", 12e-6),
        ("100 um²", "area", 100e-12),
        ("100 um2", "area", 100e-12),
        ("30 fA*m^2", "moment", 30e-15),
        ("30 fA·m²", "moment", 30e-15),
        ("30 fA m2", "moment", 30e-15),
        ("30 fAm^2", "moment", 30e-15),
        ("2 Am²", "moment", 2.0),
        ("0.25 phi0", "flux", 0.25),
        ("3 mphi0", "flux", 3e-3),
        ("3 mφ₀", "flux", 3e-3),
        ("400 phi0/mA", "mutual", 4e5),
        ("2e-15 Wb/A", "mutual", 2e-15 / 2.067833848461929e-15),  # h/(2e), CODATA 2018, exact
        ("0.25 Φ₀", "flux", 0.25),
        ("90°", "angle", math.pi / 2),
        ("−95 dBm", "power", 10**-12.5),
        (" +.5e1 mA ", "current", 5e-3),
        ("5. GHz", "frequency", 5e9),
    ],
)
def test_spellings(text, dimension, value):
    assert parse_quantity(text, dimension) == pytest.approx(value, rel=1e-14, abs=0)


_SIGNED = [
    "length",
    "current",
    "field",
    "moment",
    "flux",
    "mutual",
    "angle",
    "level",
    "time",
    "frequency",
    "area",
    "temperature",
]


@given(st.sampled_from(_SIGNED), st.floats(-1, 1), st.integers(-15, 0), st.integers(3, 15))
def test_round_trip(dimension, mantissa, exponent, digits):
    value = mantissa * 10.0**exponent * LARGEST[dimension]
    again = parse_quantity(format_quantity(value, dimension, digits), dimension)
    # half a unit in the last of the digits, and the rounding of two multiplications
    assert again == pytest.approx(value, rel=0.5000001 * 10.0 ** (1 - digits) + 1e-15, abs=0)


@given(st.floats(-250, 89), st.integers(4, 12))
def test_round_trip_of_powers(level, digits):
    power = 10 ** (level / 10 - 3)
    text = format_quantity(power, "power", digits)
    # the digits are those of the level: 10 mW/dB times half a unit of its last digit
    step = 0.5000001 * 10.0 ** (1 - digits) * max(abs(level), 1.0)
    assert parse_quantity(text, "power") == pytest.approx(power, rel=math.log(10) / 10 * step * 1.01 + 1e-12, abs=0)


# by hand, from the definitions of the units; the Bohr magneton from CODATA 2022
BY_HAND = {
    "mu_B": ("moment", 9.2740100657e-24),
    "J/T": ("moment", 1.0),
    "fA m^2": ("moment", 1e-15),
    "G": ("field", 1e-4),
    "mG": ("field", 1e-7),
    "cm": ("length", 1e-2),
    "nm^2": ("area", 1e-18),
    "um^2": ("area", 1e-12),
    "mm^2": ("area", 1e-6),
    "Wb": ("flux", 2 * 1.602176634e-19 / 6.62607015e-34),
    "pH": ("mutual", 1e-12 * 2 * 1.602176634e-19 / 6.62607015e-34),
    "mrad": ("angle", 1e-3),
    "h": ("time", 3600.0),
}


@pytest.mark.parametrize("unit", list(BY_HAND))
def test_small_units_by_hand(unit):
    dimension, factor = BY_HAND[unit]
    assert parse_quantity(f"1e-12 {unit}", dimension) == pytest.approx(1e-12 * factor, rel=1e-14, abs=0)


def test_every_factor_can_fail(monkeypatch, registry):
    """A factor that is wrong by a millionth is seen, whatever its unit."""
    for dimension, units in UNITS.items():
        for unit in units:
            if unit in ("dBm", "dB"):
                continue
            monkeypatch.setitem(UNITS[dimension], unit, units[unit] * (1 + 1e-6))
            with pytest.raises(AssertionError):
                test_every_factor_agrees_with_pint(registry, dimension, unit)
            monkeypatch.undo()


@given(st.floats(0.9, 1.0), st.integers(1, 17), st.sampled_from([-1, 1]))
def test_round_trip_of_the_largest_angles(part, digits, sign):
    """An angle of 10,000 rad, rounded up to three digits of a degree, was refused when read again."""
    value = sign * part * LARGEST["angle"]
    again = parse_quantity(format_quantity(value, "angle", digits), "angle")
    assert again == pytest.approx(value, rel=0.5000001 * 10.0 ** (1 - digits) + 1e-15, abs=0)


def test_best_reading_unit():
    assert format_quantity(3e-14, "moment") == "30 fA m^2"
    assert format_quantity(7.2e9, "frequency") == "7.2 GHz"
    assert format_quantity(1e-3, "current") == "1 mA"
    assert format_quantity(0.0, "flux") == "0 Phi0"
    assert format_quantity(0.015, "flux") == "15 mPhi0"
    assert format_quantity(-1.2e-5, "length") == "-12 um"
    assert format_quantity(1e-12, "power") == "-90 dBm"
    assert format_quantity(0.0, "power") == "0 W"
    assert format_quantity(math.pi / 4, "angle") == "45 deg"


@pytest.mark.parametrize(
    ("text", "dimension", "message"),
    [
        (
            "7,2 GHz",
            "frequency",
            's.toml, a.b: "7,2 GHz" has a comma in its number. Write the decimal sign as a point, as in 7.2 GHz.',
        ),
        (
            "7.2",
            "frequency",
            's.toml, a.b: "7.2" has no unit, but a frequency is wanted. Write for example "7.2 GHz"; '
            "units known here: Hz, kHz, MHz, GHz.",
        ),
        (
            90,
            "angle",
            's.toml, a.b: 90 has no unit, but an angle is wanted. Write for example "90 deg" (with quotes).',
        ),
        (
            "7.2 GHz",
            "length",
            's.toml, a.b: "7.2 GHz" is a frequency, but a length is wanted. Write for example "12 um"; '
            "units known here: nm, um, mm, m, cm.",
        ),
        (
            "7.2 ghz",
            "frequency",
            's.toml, a.b: "7.2 ghz" has the unit "ghz", which is not known for a frequency. Write for example '
            '"7.2 GHz"; units known here: Hz, kHz, MHz, GHz.',
        ),
        (
            "10**10**10 Hz",
            "frequency",
            's.toml, a.b: "10**10**10 Hz" has the unit "**10**10 Hz", which is not known for a frequency. Write for '
            'example "7.2 GHz"; units known here: Hz, kHz, MHz, GHz.',
        ),
        ("GHz", "frequency", 's.toml, a.b: "GHz" does not begin with a number. Write for example "7.2 GHz".'),
        ("nan GHz", "frequency", 's.toml, a.b: "nan GHz" does not begin with a number. Write for example "7.2 GHz".'),
        (
            "1e999 T",
            "field",
            's.toml, a.b: "1e999 T" is too large to be meant. Check the number and the prefix of the unit '
            "(at most 1000 T).",
        ),
        (
            "12 m m",
            "length",
            's.toml, a.b: "12 m m" has the unit "m m", which is not known for a length. Write for example "12 um"; '
            "units known here: nm, um, mm, m, cm.",
        ),
        (
            "9" * 100 + " m",
            "length",
            's.toml, a.b: a text of 102 characters is not a length. Write for example "12 um".',
        ),
        (True, "level", 's.toml, a.b: true is not a level with its unit. Write for example "0.2 dB".'),
        (["1 m"], "length", 's.toml, a.b: ["1 m"] is not a length with its unit. Write for example "12 um".'),
        (None, "time", 's.toml, a.b: None is not a time with its unit. Write for example "10 min".'),
    ],
)
def test_messages(text, dimension, message):
    with pytest.raises(InputError) as caught:
        parse_quantity(text, dimension, "s.toml, a.b")
    assert str(caught.value) == message


@given(
    st.one_of(
        st.text(max_size=90),
        st.from_regex(r"[-+0-9.eE, ]{1,8} ?[a-zA-Z0^/ ]{0,8}", fullmatch=True),
        st.integers(),
        st.floats(),
        st.binary(),
        st.none(),
    ),
    st.sampled_from(sorted(UNITS)),
)
def test_any_value_gives_a_number_or_a_sentence(text, dimension):
    message = ""
    try:
        value = parse_quantity(text, dimension)
    except InputError as error:
        message = str(error)
    if message:
        assert message.endswith(".")
        assert "\n" not in message
    else:
        assert math.isfinite(value)
        assert abs(value) <= LARGEST[dimension]


def test_shown_stays_short_and_printable():
    deep = []
    for _ in range(100_000):
        deep = [deep]
    assert shown(deep) == "a nested list of 1"
    assert shown(16**5000) == "a whole number of 20001 bits"
    assert shown("a\x1b[31m\n") == '"a\\x1b[31m\\n"'
    assert len(shown("x" * 10**6)) == 62
    assert shown(list(range(1000))) == "a list of 1000"
    assert shown({"a": 1}) == "a table"
    while deep:  # dismantle: the interpreter frees nested lists recursively
        deep = deep.pop()


@pytest.mark.parametrize(
    ("ours", "name"),
    [
        ("PLANCK_J_S", "h"),
        ("BOLTZMANN_J_K", "k"),
        ("ELEMENTARY_CHARGE_C", "e"),
        ("MAGNETIC_CONSTANT_N_A2", "mu_0"),
    ],
)
def test_constants_are_those_of_scipy(ours: str, name: str) -> None:
    """Its tables are CODATA's, of 2018 or 2022 by its version: the magnetic constant moved by 4e-10 between them."""
    assert getattr(constants, ours) == pytest.approx(getattr(scipy.constants, name), rel=1e-9, abs=0)
