"""Lengths and angles with their unit written out: `76 mm`, `3 in`, `1 1/8 in`, `0.5 deg`.

The factors are exact fractions: the inch is 25.4 mm by the international yard and pound agreement of 1959
(NIST SP 811, B.6). A plan needs no other units yet; a units library took longer to import than all of this module's
work (about half a second), which every photo would pay.
"""

from __future__ import annotations

import math
import re
from enum import StrEnum
from fractions import Fraction


class Dimension(StrEnum):
    """What a unit measures."""

    LENGTH = "length"
    ANGLE = "angle"


BASE_UNIT = {Dimension.LENGTH: "mm", Dimension.ANGLE: "deg"}

_MM_PER_UNIT = {
    "um": Fraction(1, 1000), "µm": Fraction(1, 1000), "μm": Fraction(1, 1000),
    "mm": Fraction(1), "cm": Fraction(10), "m": Fraction(1000), "km": Fraction(1_000_000),
    "mil": Fraction("0.0254"), "in": Fraction("25.4"), "ft": Fraction("304.8"), "yd": Fraction("914.4"),
}  # fmt: skip
_DEG_PER_UNIT = {"deg": Fraction(1), "°": Fraction(1), "arcmin": Fraction(1, 60), "arcsec": Fraction(1, 3600)}
_DEG_PER_RADIAN = {"rad": math.degrees(1.0), "mrad": math.degrees(1e-3)}
_SPELLINGS = {
    "inch": "in", "inches": "in", '"': "in", "″": "in", "foot": "ft", "feet": "ft", "'": "ft", "′": "ft",
    "yard": "yd", "yards": "yd", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm",
    "degree": "deg", "degrees": "deg", "mils": "mil",
}  # fmt: skip

_QUANTITY = re.compile(
    r"""\s*(?P<sign>[+-]?)\s*
    (?: (?P<whole>\d{1,9})[ -](?P<num>\d{1,6})/(?P<den>\d{1,6})
      | (?P<lone_num>\d{1,6})/(?P<lone_den>\d{1,6})
      | (?P<decimal>(?:\d{1,15}(?:\.\d{0,15})?|\.\d{1,15})(?:[eE][+-]?\d{1,2})?) )
    \s*(?P<unit>[^\d\s.+/-][^\d\s.+/-]*)?\s*""",
    re.VERBOSE,
)


def parse(text: str, dimension: Dimension) -> float:
    """The value of a written quantity in the base unit of its dimension: mm, or degrees.

    A number may be a decimal, a fraction or a whole number with a fraction: ``parse("1 1/8 in", LENGTH)`` is 28.575.

    Raises:
        ValueError: no number, no unit, an unknown unit, or a unit of another dimension; the message says what to write.
    """
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is not a number with a unit; write it like `{_example(dimension)}`")
    if match["unit"] is None:
        raise ValueError(f"{text!r} has no unit; write it out, like `{_example(dimension)}`")
    factor = _factor(match["unit"], dimension)
    value = float(_number(match) * factor) if isinstance(factor, Fraction) else float(_number(match)) * factor
    return -value if match["sign"] == "-" else value


def _number(match: re.Match[str]) -> Fraction:
    """The number of a match, exact."""
    if match["decimal"] is not None:
        return Fraction(match["decimal"])
    numerator, denominator = match["num"] or match["lone_num"], match["den"] or match["lone_den"]
    if int(denominator) == 0:
        raise ValueError("a fraction over zero is not a number")
    return int(match["whole"] or 0) + Fraction(int(numerator), int(denominator))


def _factor(unit: str, dimension: Dimension) -> Fraction | float:
    """Base units in one ``unit``."""
    name = _SPELLINGS.get(unit.casefold(), unit)
    tables: dict[Dimension, dict[str, Fraction | float]] = {
        Dimension.LENGTH: {**_MM_PER_UNIT},
        Dimension.ANGLE: {**_DEG_PER_UNIT, **_DEG_PER_RADIAN},
    }
    if name in tables[dimension]:
        return tables[dimension][name]
    if any(name in table for table in tables.values()):
        raise ValueError(f"{unit!r} is no unit of {dimension}; write it like `{_example(dimension)}`")
    known = ", ".join(sorted(tables[dimension]))
    raise ValueError(f"the unit {unit!r} is not known; units of {dimension}: {known}")


def _example(dimension: Dimension) -> str:
    return "76 mm` or `3 1/8 in" if dimension is Dimension.LENGTH else "0.5 deg"
