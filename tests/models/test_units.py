"""Units: exact factors, and refusal of everything that is not a number with a unit of the right kind."""

from __future__ import annotations

import math
from contextlib import suppress
from fractions import Fraction

import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st

from models.units import BASE_UNIT, Dimension, UnitSystem, dimension_of, parse, show, written_units

# An independent library's factors (CODATA and NIST SP 811, as SciPy gives them), in metres.
OUTSIDE_LENGTHS = {
    "in": scipy.constants.inch,
    "ft": scipy.constants.foot,
    "yd": scipy.constants.yard,
    "mil": scipy.constants.mil,
    "um": scipy.constants.micron,
}


@pytest.mark.parametrize("unit", OUTSIDE_LENGTHS)
def test_length_units_agree_with_scipy_constants(unit: str) -> None:
    assert parse(f"7 {unit}", Dimension.LENGTH) == pytest.approx(7000 * OUTSIDE_LENGTHS[unit], rel=1e-15)


# The same library's factors in base units; the US gallon of 231 in3.
OUTSIDE_OTHERS = {
    "5 lb": (Dimension.MASS, 5 * scipy.constants.pound * 1000),
    "3 oz": (Dimension.MASS, 3 * scipy.constants.ounce * 1000),
    "2 gal": (Dimension.VOLUME, 2 * scipy.constants.gallon_US * 1000),
    "7 floz": (Dimension.VOLUME, 7 * scipy.constants.fluid_ounce_US * 1000),
    "2 ft3": (Dimension.VOLUME, 2 * scipy.constants.foot**3 * 1000),
    "15 lb/gal": (Dimension.DENSITY, 15 * scipy.constants.pound / scipy.constants.gallon_US),
    "110 lb/ft3": (Dimension.DENSITY, 110 * scipy.constants.pound / scipy.constants.foot**3),
    "1.5 h": (Dimension.TIME, 1.5 * scipy.constants.hour / scipy.constants.minute),
    "2 d": (Dimension.TIME, 2 * scipy.constants.day / scipy.constants.minute),
    "0.5 in/ft": (Dimension.SLOPE, 0.5 * scipy.constants.inch / scipy.constants.foot * 1000),
    "54 degF": (Dimension.TEMPERATURE, float(scipy.constants.convert_temperature(54.0, "F", "C"))),
    "-40 F": (Dimension.TEMPERATURE, float(scipy.constants.convert_temperature(-40.0, "F", "C"))),
    "300 K": (Dimension.TEMPERATURE, float(scipy.constants.convert_temperature(300.0, "K", "C"))),
    "9 degF": (Dimension.TEMPERATURE_DIFFERENCE, 9 * scipy.constants.degree_Fahrenheit),
    "500 Mohm": (Dimension.RESISTANCE, 500 * scipy.constants.mega),
    "12 uV": (Dimension.VOLTAGE, 12 * scipy.constants.micro / scipy.constants.milli),
    "41.57 kJ/mol": (Dimension.MOLAR_ENERGY, 41.57 * scipy.constants.kilo),
}


@pytest.mark.parametrize("text", OUTSIDE_OTHERS)
def test_other_units_agree_with_scipy_constants(text: str) -> None:
    dimension, expected = OUTSIDE_OTHERS[text]
    assert parse(text, dimension) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("dimension", Dimension)
def test_every_unit_that_is_told_is_taken_and_one_of_them_is_the_base_unit(dimension: Dimension) -> None:
    units = written_units(dimension)
    base = BASE_UNIT[dimension].removeprefix("1")  # a ratio's is no word
    assert dimension_of(BASE_UNIT[dimension]) is dimension
    assert base in (*units, "")
    assert parse(f"7 {base}", dimension) == 7.0
    for unit in units:
        parse(f"7 {unit}", dimension)


def test_a_ratio_alone_may_go_without_a_unit() -> None:
    assert parse("0.05", Dimension.RATIO) == parse("5 %", Dimension.RATIO) == 0.05


def test_a_unit_that_is_no_base_unit_has_no_dimension() -> None:
    with pytest.raises(LookupError, match="no base unit"):
        dimension_of("furlong")


@pytest.mark.parametrize(
    ("value", "dimension", "both"),
    [
        (76.2, Dimension.LENGTH, "76.2 mm (3 in)"),
        (0.0, Dimension.LENGTH, "0 mm (0 in)"),
        (-12.7, Dimension.LENGTH, "-12.7 mm (-0.5 in)"),
        (0.001234567, Dimension.LENGTH, "0.0012346 mm (0.000049 in)"),
        (30480.0, Dimension.LENGTH, "30.48 m (100 ft)"),
        # No finer than a thousandth of an inch, but two digits in any case, and 64ths as they were written.
        (75.0, Dimension.LENGTH, "75 mm (2.953 in)"),
        (1.0, Dimension.LENGTH, "1 mm (0.039 in)"),
        (1.5875, Dimension.LENGTH, "1.5875 mm (0.0625 in)"),
        (61.9125, Dimension.LENGTH, "61.913 mm (2.4375 in)"),
        # Inches all along a sensor or across a lane, not feet for the last station alone.
        (3300.0, Dimension.LENGTH, "3300 mm (129.92 in)"),
        (10.0, Dimension.TEMPERATURE, "10 °C (50 °F)"),
        (5.0, Dimension.TEMPERATURE_DIFFERENCE, "5 K (9 °F)"),
        (5e8, Dimension.RESISTANCE, "500 Mohm"),
        (90.0, Dimension.TIME, "90 min"),
        (0.05, Dimension.RATIO, "5 %"),
    ],
)
def test_values_are_shown_in_the_projects_units(value: float, dimension: Dimension, both: str) -> None:
    assert show(value, dimension, UnitSystem.BOTH) == both
    si, _, us = both.removesuffix(")").partition(" (")
    assert show(value, dimension, "si") == si
    assert show(value, dimension, "us") == (us or si)


@given(st.floats(-1e6, 1e6).filter(lambda value: abs(value) > 1e-6), st.sampled_from(Dimension))
def test_what_is_shown_reads_back_to_what_was_meant(value: float, dimension: Dimension) -> None:
    """To half a unit of the fifth digit, in either system; of a temperature, of 300 degrees.

    Inches to half a thousandth, or half a unit of the second digit where that is less.
    """
    for system in (UnitSystem.SI, UnitSystem.US):
        room = 0.5e-4 * max(abs(value), 300.0 if dimension is Dimension.TEMPERATURE else 0.0)
        if dimension is Dimension.LENGTH and system is UnitSystem.US:
            room = max(room, min(0.5e-3 * 25.4, 0.05 * abs(value)) + 1e-9)
        assert parse(show(value, dimension, system), dimension) == pytest.approx(value, abs=room)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("76 mm", 76.0),
        ("3 in", 76.2),  # 1 in = 25.4 mm exactly (NIST SP 811, B.6)
        ("1/8 in", 3.175),
        ("1 1/8 in", 28.575),
        ("1-1/8 inches", 28.575),
        ('2 1/2"', 63.5),
        ("5'", 1524.0),
        ("1.75 m", 1750.0),
        ("-1 mm", -1.0),
        ("1e3 um", 1.0),
        (".5 cm", 5.0),
    ],
)
def test_lengths_as_people_write_them(text: str, mm: float) -> None:
    assert parse(text, Dimension.LENGTH) == mm


@pytest.mark.parametrize(
    ("text", "deg"),
    [("0.5 deg", 0.5), ("90°", 90.0), ("30 arcmin", 0.5), ("1 mrad", math.degrees(1e-3)), ("1 rad", 57.29577951308232)],
)
def test_angles_as_people_write_them(text: str, deg: float) -> None:
    assert parse(text, Dimension.ANGLE) == pytest.approx(deg, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("76", "no unit"),
        ("mm", "not a number"),
        ("", "not a number"),
        ("1,5 mm", "not a number"),
        ("76 mm 3", "not a number"),
        ("3 kg", "no unit of length"),
        ("3 furlongs", "not known"),
        ("3 deg", "no unit of length"),
        ("1/0 in", "over zero"),
        ("nan mm", "not a number"),
        ("inf mm", "not a number"),
        ("9" * 40 + " mm", "not a number"),
    ],
)
def test_what_is_no_length_is_refused_and_says_why(text: str, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        parse(text, Dimension.LENGTH)


@given(st.integers(0, 999), st.integers(0, 63), st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_mixed_fractions_of_an_inch_are_exact(whole: int, numerator: int, denominator: int) -> None:
    """A mixed number is the sum of its parts, converted without rounding before the end."""
    expected = float((whole + Fraction(numerator, denominator)) * Fraction("25.4"))
    assert parse(f"{whole} {numerator}/{denominator} in", Dimension.LENGTH) == expected


@given(st.text(max_size=30))
def test_any_text_is_a_finite_number_or_a_value_error(text: str) -> None:
    for dimension in Dimension:
        with suppress(ValueError):
            assert math.isfinite(parse(text, dimension))
