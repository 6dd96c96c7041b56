"""Units: exact factors, and refusal of everything that is not a number with a unit of the right kind."""

from __future__ import annotations

import math
from contextlib import suppress
from fractions import Fraction

import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st

from models.units import Dimension, parse

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
        ("3 kg", "not known"),
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
