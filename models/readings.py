"""Readings: what a crew reads off a gauge, a tape or a clock, and the catalogue of all kinds there are.

A reading's values are in the base unit of each field's dimension; the text as it was written is kept with the entry
that brought it, not here. The ranges of the catalogue tell a slip (a wrong unit, a digit too many) from a reading:
they are what the tools of the trade can show on such a job at all (common practice), never a limit of acceptance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from models.units import BASE_UNIT, Dimension, UnitSystem, show


class ReadingKind(StrEnum):
    """What a reading tells, in the order of the stages."""

    CLOSURE_START = "closure-start"
    CLOSURE_END = "closure-end"
    TAPE_TRIANGLE = "tape-triangle"
    SENSOR_SPACING = "sensor-spacing"
    MARKING_OFFSET = "marking-offset"
    HOLE_EDGE_DISTANCE = "hole-edge-distance"
    HOLE_LINE_OFFSET = "hole-line-offset"
    HOLE_DIAMETER = "hole-diameter"
    DRILL_ANGLE = "drill-angle"
    CONDUIT_COVER = "conduit-cover"
    BLADE_WIDTH = "blade-width"
    BLADE_DEPTH = "blade-depth"
    SLOT_DEPTH = "slot-depth"
    SLOT_WIDTH = "slot-width"
    SLOT_START = "slot-start"
    SLOT_END = "slot-end"
    LEADIN_DEPTH = "leadin-depth"
    PAVEMENT_TEMPERATURE = "pavement-temperature"
    AIR_TEMPERATURE = "air-temperature"
    RELATIVE_HUMIDITY = "relative-humidity"
    SEAT_HEIGHT = "seat-height"
    INSULATION_RESISTANCE = "insulation-resistance"
    BRIDGE_RESISTANCE = "bridge-resistance"
    ZERO_SIGNAL = "zero-signal"
    PART_AMOUNT = "part-amount"
    MIXING_TIME = "mixing-time"
    MIX_START = "mix-start"
    POUR_START = "pour-start"
    POUR_END = "pour-end"
    GROUT_TEMPERATURE = "grout-temperature"
    GRIND_START = "grind-start"
    SURFACE_HEIGHT = "surface-height"
    PROFILE_HEIGHT = "profile-height"
    LANE_OPEN = "lane-open"


@dataclass(frozen=True)
class ReadingField:
    """One number of a reading: its name, its dimension, and the span outside of which it is a slip."""

    name: str
    dimension: Dimension
    lowest: float
    highest: float
    text: str = ""
    """What to read, for forms and messages."""

    @property
    def unit(self) -> str:
        """The base unit of the field's dimension."""
        return BASE_UNIT[self.dimension]


@dataclass(frozen=True)
class ReadingForm:
    """What a reading of one kind is made of."""

    kind: ReadingKind
    title: str
    fields: tuple[ReadingField, ...] = ()
    """Numbers it must have; where ``one_of`` is true, exactly one of them. None: the time alone is the reading."""
    one_of: bool = False
    texts: tuple[str, ...] = ()
    """Names of words it must have (``part``)."""
    optional_texts: tuple[str, ...] = ()
    station: bool = False
    """Whether it stands at a station: mm along the sensor from its first end; below 0 is before that end."""
    numbered: bool = False
    """Whether it belongs to a numbered pass (of grinding), counted from 1; 0 is before the first."""
    timed: bool = False
    """Whether its own time is part of what it says."""

    def field(self, name: str) -> ReadingField | None:
        """The field of this name."""
        return next((f for f in self.fields if f.name == name), None)


@dataclass(frozen=True)
class Reading:
    """One reading: numbers in base units, where and when, and the instrument it was read from."""

    kind: ReadingKind
    values: tuple[tuple[str, float], ...] = ()
    station_mm: float | None = None
    pass_number: int | None = None
    at: datetime | None = None
    """When it was read, or when the event was; with its offset from UTC."""
    instrument: str | None = None
    """The instrument's id in the plan."""
    texts: tuple[tuple[str, str], ...] = ()
    """Words that belong to it, by name: ``part``, ``corner``."""
    source: str = ""
    """The id of the entry that brought it: results name by it what they were worked out from."""

    @property
    def form(self) -> ReadingForm:
        """The catalogue's form for this kind."""
        return FORMS[self.kind]

    def value(self, name: str = "value") -> float | None:
        """The number of this name, None where the reading has none."""
        return next((number for key, number in self.values if key == name), None)

    def text(self, name: str) -> str:
        """The word of this name, empty where the reading has none."""
        return next((word for key, word in self.texts if key == name), "")

    def named(self, system: UnitSystem | str = UnitSystem.SI) -> str:
        """What and where, for messages: 'slot depth at station 350 mm'."""
        words = [self.form.title.lower()]
        words += [self.text(name) for name in (*self.form.texts, *self.form.optional_texts) if self.text(name)]
        if self.station_mm is not None and math.isfinite(self.station_mm):
            words.append(f"at station {show(self.station_mm, Dimension.LENGTH, system)}")
        words += [f"after pass {self.pass_number}"] if self.pass_number is not None else []
        return " ".join(words)


def _one(
    kind: ReadingKind,
    title: str,
    dimension: Dimension,
    span: tuple[float, float],
    *,
    station: bool = False,
    numbered: bool = False,
    timed: bool = False,
    optional_texts: tuple[str, ...] = (),
) -> ReadingForm:
    """A form of a single number called ``value``."""
    field = ReadingField("value", dimension, span[0], span[1], title.lower())
    return ReadingForm(
        kind, title, (field,), station=station, numbered=numbered, timed=timed, optional_texts=optional_texts
    )


def _event(kind: ReadingKind, title: str, optional_texts: tuple[str, ...] = ()) -> ReadingForm:
    return ReadingForm(kind, title, timed=True, optional_texts=optional_texts)


_LENGTH, _ANGLE, _TEMPERATURE = Dimension.LENGTH, Dimension.ANGLE, Dimension.TEMPERATURE
_SIDE = (200.0, 60_000.0)
"""A tape triangle's side: from a forearm to a long tape."""

_PAIR = ("pair",)
"""Which wires were measured, where there is more than one pair."""
_BATCH = ("batch",)
"""Which mix it belongs to, where more than one was made."""

_FORMS = (
    _event(ReadingKind.CLOSURE_START, "Closure begins"),
    _event(ReadingKind.CLOSURE_END, "Closure ends"),
    ReadingForm(
        ReadingKind.TAPE_TRIANGLE,
        "Tape triangle",
        (
            ReadingField("a", _LENGTH, *_SIDE, "along the lane marking, from the corner mark"),
            ReadingField("b", _LENGTH, *_SIDE, "along the sensor's line, from the corner mark"),
            ReadingField("c", _LENGTH, *_SIDE, "the diagonal between the two far marks"),
        ),
        optional_texts=("corner", "leg"),
    ),
    _one(ReadingKind.SENSOR_SPACING, "Spacing of the sensors' lines", _LENGTH, (100.0, 100_000.0)),
    _one(ReadingKind.MARKING_OFFSET, "Offset from the marking", _LENGTH, (-5_000.0, 10_000.0)),
    _one(ReadingKind.HOLE_EDGE_DISTANCE, "Exit hole to pavement edge", _LENGTH, (0.0, 10_000.0)),
    _one(ReadingKind.HOLE_LINE_OFFSET, "Exit hole off the slot's line", _LENGTH, (-2_000.0, 2_000.0)),
    _one(ReadingKind.HOLE_DIAMETER, "Exit hole's diameter", _LENGTH, (5.0, 300.0)),
    _one(ReadingKind.DRILL_ANGLE, "Drill angle from vertical", _ANGLE, (0.0, 90.0)),
    _one(ReadingKind.CONDUIT_COVER, "Top of conduit below the surface", _LENGTH, (0.0, 3_000.0)),
    _one(ReadingKind.BLADE_WIDTH, "Blade width", _LENGTH, (1.0, 150.0)),
    _one(ReadingKind.BLADE_DEPTH, "Blade depth setting", _LENGTH, (5.0, 600.0)),
    _one(ReadingKind.SLOT_DEPTH, "Slot depth", _LENGTH, (0.0, 400.0), station=True),
    _one(ReadingKind.SLOT_WIDTH, "Slot width by gauge", _LENGTH, (1.0, 400.0), station=True),
    _one(ReadingKind.SLOT_START, "Full depth before the sensor's first end", _LENGTH, (-2_000.0, 5_000.0)),
    _one(ReadingKind.SLOT_END, "Full depth past the sensor's far end", _LENGTH, (-2_000.0, 5_000.0)),
    _one(ReadingKind.LEADIN_DEPTH, "Lead-in slot's depth", _LENGTH, (0.0, 400.0)),
    _one(ReadingKind.PAVEMENT_TEMPERATURE, "Pavement temperature", _TEMPERATURE, (-30.0, 75.0)),
    _one(ReadingKind.AIR_TEMPERATURE, "Air temperature", _TEMPERATURE, (-40.0, 55.0)),
    _one(ReadingKind.RELATIVE_HUMIDITY, "Relative humidity", Dimension.HUMIDITY, (1.0, 100.0)),
    _one(ReadingKind.SEAT_HEIGHT, "Sensor's top over the pavement", _LENGTH, (-100.0, 100.0), station=True),
    _one(
        ReadingKind.INSULATION_RESISTANCE,
        "Insulation resistance",
        Dimension.RESISTANCE,
        (0.0, 1e15),
        optional_texts=_PAIR,
    ),
    _one(ReadingKind.BRIDGE_RESISTANCE, "Bridge resistance", Dimension.RESISTANCE, (0.0, 1e5), optional_texts=_PAIR),
    _one(ReadingKind.ZERO_SIGNAL, "Zero signal", Dimension.VOLTAGE, (-1e4, 1e4), optional_texts=_PAIR),
    ReadingForm(
        ReadingKind.PART_AMOUNT,
        "Amount of part",
        (
            ReadingField("mass", Dimension.MASS, 1.0, 500_000.0, "mass of the part"),
            ReadingField("volume", Dimension.VOLUME, 0.001, 500.0, "volume of the part"),
        ),
        one_of=True,
        texts=("part",),
        optional_texts=("batch",),
    ),
    _one(ReadingKind.MIXING_TIME, "Mixing time", Dimension.TIME, (0.1, 120.0), optional_texts=_BATCH),
    _event(ReadingKind.MIX_START, "Mixing begins", _BATCH),
    _event(ReadingKind.POUR_START, "Pour begins", _BATCH),
    _event(ReadingKind.POUR_END, "Pour ends", _BATCH),
    _one(ReadingKind.GROUT_TEMPERATURE, "Grout temperature", _TEMPERATURE, (-20.0, 120.0), timed=True),
    _event(ReadingKind.GRIND_START, "Grinding begins"),
    _one(ReadingKind.SURFACE_HEIGHT, "Height over the pavement", _LENGTH, (-50.0, 50.0), station=True, numbered=True),
    ReadingForm(
        ReadingKind.PROFILE_HEIGHT,
        "Profile in the direction of travel",
        (
            ReadingField("value", _LENGTH, -50.0, 50.0, "height over the pavement"),
            ReadingField("travel", _LENGTH, -10_000.0, 10_000.0, "position in the direction of travel, 0 at the axis"),
        ),
        station=True,
        numbered=True,
    ),
    _event(ReadingKind.LANE_OPEN, "Lane reopened"),
)
FORMS: dict[ReadingKind, ReadingForm] = {form.kind: form for form in _FORMS}
"""The catalogue: one form for each kind."""
