"""Quantities with their unit written out: `76 mm`, `1 1/8 in`, `0.5 deg`, `50 degF`, `95 lb`; SI or US customary.

Conversion is done by pint, with a registry of our own that holds only the units a project needs (so that it loads in
milliseconds) and works in exact fractions: 1 in is 25.4 mm, 1 lb is 453.59237 g, 1 US gallon is 231 in³ and a degree
Fahrenheit is 5/9 K exactly (NIST SP 811, appendix B). Pint is imported when the first quantity is read.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pint


class Dimension(StrEnum):
    """What a unit measures."""

    LENGTH = "length"
    ANGLE = "angle"
    TEMPERATURE = "temperature"
    TEMPERATURE_DIFFERENCE = "temperature difference"
    HUMIDITY = "humidity"
    RESISTANCE = "resistance"
    VOLTAGE = "voltage"
    TIME = "time"
    MASS = "mass"
    VOLUME = "volume"
    RATIO = "ratio"
    SLOPE = "slope"
    DENSITY = "density"
    MOLAR_ENERGY = "molar energy"


class UnitSystem(StrEnum):
    """In which units values are shown to people."""

    SI = "si"
    US = "us"
    BOTH = "both"


BASE_UNIT = {
    Dimension.LENGTH: "mm",
    Dimension.ANGLE: "deg",
    Dimension.TEMPERATURE: "degC",
    Dimension.TEMPERATURE_DIFFERENCE: "K",
    Dimension.HUMIDITY: "%",
    Dimension.RESISTANCE: "ohm",
    Dimension.VOLTAGE: "mV",
    Dimension.TIME: "min",
    Dimension.MASS: "g",
    Dimension.VOLUME: "L",
    Dimension.RATIO: "1",
    Dimension.SLOPE: "mm/m",
    Dimension.DENSITY: "g/L",
    Dimension.MOLAR_ENERGY: "J/mol",
}
"""The unit in which a value of each dimension is kept."""

_DEFINITIONS = """
metre = [length]
um = metre / 1000000
mm = metre / 1000
cm = metre / 100
km = 1000 * metre
inch = 25.4 * mm
mil = inch / 1000
foot = 12 * inch
yard = 36 * inch
radian = []
milliradian = radian / 1000
degree = 3.14159265358979323846264338327950288 / 180 * radian
arcminute = degree / 60
arcsecond = degree / 3600
one = radian
percent = one / 100
kelvin = [temperature]; offset: 0
degC = kelvin; offset: 273.15
degF = 5 / 9 * kelvin; offset: 233.15 + 200 / 9
fahrenheit_step = 5 / 9 * kelvin
ohm = [resistance]
kiloohm = 1000 * ohm
megaohm = 1000000 * ohm
gigaohm = 1000000000 * ohm
volt = [voltage]
mV = volt / 1000
uV = volt / 1000000
second = [time]
minute = 60 * second
hour = 60 * minute
day = 24 * hour
gram = [mass]
milligram = gram / 1000
kilogram = 1000 * gram
pound = 453.59237 * gram
ounce = pound / 16
litre = metre ** 3 / 1000
mL = litre / 1000
gallon = 231 * inch ** 3
quart = gallon / 4
fluid_ounce = gallon / 128
joule = [energy]
kilojoule = 1000 * joule
mole = [substance]
"""
"""In pint's own form; the first unit of each kind is what the others are told in."""

_WRITTEN: dict[Dimension, dict[str, str]] = {
    Dimension.LENGTH: {
        "um": "um", "µm": "um", "μm": "um", "mm": "mm", "cm": "cm", "m": "metre", "km": "km",
        "mil": "mil", "in": "inch", "ft": "foot", "yd": "yard",
    },
    Dimension.ANGLE: {
        "deg": "degree", "°": "degree", "arcmin": "arcminute", "arcsec": "arcsecond",
        "rad": "radian", "mrad": "milliradian",
    },
    Dimension.TEMPERATURE: {"degC": "degC", "°C": "degC", "degF": "degF", "°F": "degF", "K": "kelvin"},
    Dimension.TEMPERATURE_DIFFERENCE: {
        "K": "kelvin", "degC": "kelvin", "°C": "kelvin", "degF": "fahrenheit_step", "°F": "fahrenheit_step",
    },
    Dimension.HUMIDITY: {"%": "percent", "%RH": "percent"},
    Dimension.RESISTANCE: {
        "ohm": "ohm", "Ω": "ohm", "\u2126": "ohm", "kohm": "kiloohm", "kΩ": "kiloohm",
        "Mohm": "megaohm", "MΩ": "megaohm", "Gohm": "gigaohm", "GΩ": "gigaohm",
    },
    Dimension.VOLTAGE: {"V": "volt", "mV": "mV", "uV": "uV", "µV": "uV"},
    Dimension.TIME: {"s": "second", "min": "minute", "h": "hour", "d": "day"},
    Dimension.MASS: {"mg": "milligram", "g": "gram", "kg": "kilogram", "lb": "pound", "oz": "ounce"},
    Dimension.VOLUME: {
        "L": "litre", "mL": "mL", "cm3": "cm ** 3", "m3": "metre ** 3", "in3": "inch ** 3", "ft3": "foot ** 3",
        "gal": "gallon", "qt": "quart", "floz": "fluid_ounce",
    },
    Dimension.RATIO: {"": "one", "1": "one", "%": "percent"},
    Dimension.SLOPE: {"mm/m": "mm / metre", "in/ft": "inch / foot", "%": "percent"},
    Dimension.DENSITY: {
        "g/L": "gram / litre", "kg/L": "kilogram / litre", "g/mL": "gram / mL", "g/cm3": "gram / cm ** 3",
        "kg/m3": "kilogram / metre ** 3", "lb/gal": "pound / gallon", "lb/ft3": "pound / foot ** 3",
    },
    Dimension.MOLAR_ENERGY: {"J/mol": "joule / mole", "kJ/mol": "kilojoule / mole"},
}  # fmt: skip
"""How each unit is written in a plan or a reading, and what it is to the registry."""

_SPELLINGS = {
    "inch": "in", "inches": "in", '"': "in", "″": "in", "foot": "ft", "feet": "ft", "'": "ft", "′": "ft",
    "yard": "yd", "yards": "yd", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm",
    "degree": "deg", "degrees": "deg", "mils": "mil", "c": "degC", "celsius": "degC", "f": "degF", "fahrenheit": "degF",
    "kelvin": "K", "kelvins": "K", "ohms": "ohm", "megohm": "Mohm", "megohms": "Mohm", "volt": "V", "volts": "V",
    "sec": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min", "mins": "min",
    "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "day": "d", "days": "d",
    "gram": "g", "grams": "g", "lbs": "lb", "pound": "lb", "pounds": "lb", "ounce": "oz", "ounces": "oz",
    "l": "L", "litre": "L", "litres": "L", "liter": "L", "liters": "L", "ml": "mL", "gallon": "gal", "gallons": "gal",
}  # fmt: skip

_EXAMPLES = {
    Dimension.LENGTH: "76 mm` or `3 1/8 in",
    Dimension.ANGLE: "0.5 deg",
    Dimension.TEMPERATURE: "12 degC` or `54 degF",
    Dimension.TEMPERATURE_DIFFERENCE: "3 K` or `5 degF",
    Dimension.HUMIDITY: "65 %",
    Dimension.RESISTANCE: "350 ohm` or `500 Mohm",
    Dimension.VOLTAGE: "12 mV",
    Dimension.TIME: "90 min` or `1.5 h",
    Dimension.MASS: "2.5 kg` or `5 lb",
    Dimension.VOLUME: "8 L` or `2 gal",
    Dimension.RATIO: "5 %",
    Dimension.SLOPE: "0.1 mm/m",
    Dimension.DENSITY: "1800 g/L` or `15 lb/gal",
    Dimension.MOLAR_ENERGY: "41.6 kJ/mol",
}

_QUANTITY = re.compile(
    r"""\s*(?P<sign>[+-]?)\s*
    (?: (?P<whole>\d{1,9})[ -](?P<num>\d{1,6})/(?P<den>\d{1,6})
      | (?P<lone_num>\d{1,6})/(?P<lone_den>\d{1,6})
      | (?P<decimal>(?:\d{1,15}(?:\.\d{0,15})?|\.\d{1,15})(?:[eE][+-]?\d{1,2})?) )
    \s*(?P<unit>[^\d\s.+/-]+3?(?:/[^\d\s.+/-]+3?)?)?\s*""",
    re.VERBOSE,
)


def parse(text: str, dimension: Dimension) -> float:
    """The value of a written quantity in the base unit of its dimension: mm, degrees, °C, minutes and so on.

    A number may be a decimal, a fraction or a whole number with a fraction: ``parse("1 1/8 in", LENGTH)`` is 28.575.
    A ratio alone may go without a unit.

    Raises:
        ValueError: no number, no unit, an unknown unit, or a unit of another dimension; the message says what to write.
    """
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is not a number with a unit; write it like `{_EXAMPLES[dimension]}`")
    if match["unit"] is None and dimension is not Dimension.RATIO:
        raise ValueError(f"{text!r} has no unit; write it out, like `{_EXAMPLES[dimension]}`")
    unit, number = _known_unit(match["unit"] or "", dimension), _number(match)
    return float(_converted(-number if match["sign"] == "-" else number, unit, _base(dimension)))


def examples(dimension: Dimension) -> list[str]:
    """How a quantity of this dimension may be written."""
    return _EXAMPLES[dimension].split("` or `")


def written_units(dimension: Dimension) -> tuple[str, ...]:
    """The units in which a quantity of this dimension may be written."""
    return tuple(sorted(name for name in _WRITTEN[dimension] if name not in ("", "1")))


def pattern(dimension: Dimension) -> str:
    """Regular expression (ECMA-262, as JSON Schema asks) of what ``parse`` takes for this dimension, give or take."""
    spellings = [word for word, unit in _SPELLINGS.items() if unit in _WRITTEN[dimension]]
    units = "|".join(re.escape(unit) for unit in [*written_units(dimension), *spellings])
    optional = "?" if dimension is Dimension.RATIO else ""
    return rf"^\s*[+-]?\s*(\d+[ -]\d+/\d+|\d+/\d+|(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?)\s*({units}){optional}\s*$"


def dimension_of(unit: str) -> Dimension:
    """The dimension that a base unit, as ``Quantity.unit`` states it, belongs to.

    Raises:
        LookupError: no dimension has this base unit.
    """
    found = next((dimension for dimension, base in BASE_UNIT.items() if base == unit), None)
    if found is None:
        raise LookupError(f"{unit!r} is no base unit; there are: {', '.join(BASE_UNIT.values())}")
    return found


def _number(match: re.Match[str]) -> Fraction:
    """The number of a match, exact."""
    if match["decimal"] is not None:
        return Fraction(match["decimal"])
    numerator, denominator = match["num"] or match["lone_num"], match["den"] or match["lone_den"]
    if int(denominator) == 0:
        raise ValueError("a fraction over zero is not a number")
    return int(match["whole"] or 0) + Fraction(int(numerator), int(denominator))


def _known_unit(unit: str, dimension: Dimension) -> str:
    """The registry's name of a written unit; only units listed here ever reach the registry's own parser."""
    name = unit if unit in _WRITTEN[dimension] else _SPELLINGS.get(unit.casefold(), unit)
    if name in _WRITTEN[dimension]:
        return _WRITTEN[dimension][name]
    if any(name in written for written in _WRITTEN.values()):
        raise ValueError(f"{unit!r} is no unit of {dimension}; write it like `{_EXAMPLES[dimension]}`")
    raise ValueError(
        f"the unit {unit!r} is not known; units of {dimension}: {', '.join(written_units(dimension)) or 'none'}"
    )


def _base(dimension: Dimension) -> str:
    return _WRITTEN[dimension][BASE_UNIT[dimension]]


def _converted(number: Fraction, unit: str, wanted: str) -> Fraction:
    if unit == wanted:
        return number
    converted: Fraction = _registry().Quantity(number, unit).to(wanted).magnitude
    return converted


@cache
def _registry() -> pint.UnitRegistry[Fraction]:
    """Our own small registry; pint's full list would take half a second to load."""
    import pint

    registry: pint.UnitRegistry[Fraction] = pint.UnitRegistry(None, non_int_type=Fraction)
    registry.load_definitions(_DEFINITIONS.strip().splitlines())
    return registry


_SHOWN_SI: dict[Dimension, tuple[tuple[float, str], ...]] = {
    Dimension.LENGTH: ((10_000.0, "m"), (0.0, "mm")),
    Dimension.RESISTANCE: ((1e9, "Gohm"), (1e6, "Mohm"), (1e4, "kohm"), (0.0, "ohm")),
    Dimension.TEMPERATURE: ((0.0, "°C"),),
    Dimension.MASS: ((1000.0, "kg"), (0.0, "g")),
    Dimension.RATIO: ((0.0, "%"),),
    Dimension.MOLAR_ENERGY: ((0.0, "kJ/mol"),),
}
"""From this size on (in base units) in this unit; dimensions not listed are shown in their base unit."""

_SHOWN_US: dict[Dimension, tuple[tuple[float, str], ...]] = {
    Dimension.LENGTH: ((10_000.0, "ft"), (0.0, "in")),
    Dimension.TEMPERATURE: ((0.0, "°F"),),
    Dimension.TEMPERATURE_DIFFERENCE: ((0.0, "°F"),),
    Dimension.MASS: ((453.0, "lb"), (0.0, "oz")),
    Dimension.VOLUME: ((3.7, "gal"), (0.0, "floz")),
    Dimension.SLOPE: ((0.0, "in/ft"),),
    Dimension.DENSITY: ((0.0, "lb/gal"),),
}


_PLACES = {"in": 3}
"""Decimals beyond which a unit says nothing that could be measured: a thousandth of an inch is 0.025 mm."""
_FRACTION_OF_AN_INCH = 64
"""Tapes are divided into 64ths at the finest; what was written as such a fraction is shown as it was meant."""


@dataclass(frozen=True)
class Shown:
    """A value in the unit in which people see it, not rounded."""

    number: float
    unit: str


def show(value: float, dimension: Dimension, system: UnitSystem | str = UnitSystem.SI, digits: int = 5) -> str:
    """A value in base units as people read it: ``show(76.2, LENGTH, "both")`` is ``76.2 mm (3 in)``.

    At most ``digits`` significant digits, and inches no finer than a thousandth (two digits in any case, and whole
    64ths in full); a dimension that both systems write alike is shown once.
    """
    system = UnitSystem(system)
    if system is not UnitSystem.BOTH:
        return _in_words(in_unit_for(value, dimension, system), digits)
    si, us = (_in_words(in_unit_for(value, dimension, one), digits) for one in (UnitSystem.SI, UnitSystem.US))
    return f"{si} ({us})" if dimension in _SHOWN_US else si


def in_unit_for(value: float, dimension: Dimension, system: UnitSystem) -> Shown:
    """A value in base units in the unit of one system (of SI for both) that suits its size."""
    units = _SHOWN_US if system is UnitSystem.US and dimension in _SHOWN_US else _SHOWN_SI
    steps = units.get(dimension, ((0.0, BASE_UNIT[dimension]),))
    unit = next((unit for least, unit in steps if abs(value) >= least), steps[-1][1])
    number = float(_converted(Fraction(value), _base(dimension), _WRITTEN[dimension][unit]))
    return Shown(number, "" if unit == "1" else unit)


def _in_words(shown: Shown, digits: int) -> str:
    return f"{_plain(shown.number, _sensible(shown, digits))} {shown.unit}".rstrip()


def _sensible(shown: Shown, digits: int) -> int:
    """Significant digits that mean something in this unit, at most as many as are asked for."""
    places, size = _PLACES.get(shown.unit), abs(shown.number)
    if places is None or size == 0.0 or math.isclose(size * _FRACTION_OF_AN_INCH, round(size * _FRACTION_OF_AN_INCH)):
        return digits
    return min(digits, max(2, math.floor(math.log10(size)) + 1 + places))


def _plain(number: float, digits: int) -> str:
    """At most so many significant digits, without an exponent and without zeros at the end."""
    text = format(Decimal(f"{number:.{digits}g}"), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
