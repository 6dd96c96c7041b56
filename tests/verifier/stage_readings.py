"""An invented plan with its instruments and grout, and readings as a crew would take them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta, timezone

from models.instruments import Instrument, InstrumentKind
from models.materials import Material, MaterialKind, MixBasis, MixPart, TimeAtTemperature
from models.measurement import Limits
from models.plan import Closure, Lane, Plan, Sensor, Site
from models.readings import Reading, ReadingKind
from models.units import Dimension

ZONE = timezone(timedelta(hours=-6))
NIGHT = datetime(2026, 6, 1, 22, 0, tzinfo=ZONE)
"""The invented night on which the channel is poured."""
SENSOR_NAME = "s/2/A"
SENSOR = Sensor("A", 60.0, 1750.0, 76.0, 50.0, 60.0)
FT = 304.8


def instrument(
    name: str,
    kind: InstrumentKind,
    dimension: Dimension,
    resolution: float,
    u: float,
    *,
    per_metre: float = 0.0,
    relative: float = 0.0,
) -> Instrument:
    since, until = date(2026, 1, 1), date(2026, 12, 31)
    return Instrument(name, kind, dimension, resolution, u, since, until, per_metre, relative)


INSTRUMENTS = (
    instrument("tape", InstrumentKind.TAPE, Dimension.LENGTH, 1.0, 0.5, per_metre=0.1),
    instrument("gauge", InstrumentKind.DEPTH_GAUGE, Dimension.LENGTH, 0.5, 0.1),
    instrument("feeler", InstrumentKind.FEELER, Dimension.LENGTH, 0.05, 0.02),
    instrument("thermometer", InstrumentKind.THERMOMETER, Dimension.TEMPERATURE, 0.1, 0.3),
    instrument("hygrometer", InstrumentKind.HYGROMETER, Dimension.HUMIDITY, 0.1, 2.0),
    instrument("balance", InstrumentKind.BALANCE, Dimension.MASS, 1.0, 1.0),
    instrument("cup", InstrumentKind.MEASURING_CUP, Dimension.VOLUME, 0.01, 0.01),
    instrument("tester", InstrumentKind.INSULATION_TESTER, Dimension.RESISTANCE, 1e6, 0.0, relative=0.05),
    instrument("meter", InstrumentKind.MULTIMETER, Dimension.RESISTANCE, 0.1, 0.2),
    instrument("volts", InstrumentKind.MULTIMETER, Dimension.VOLTAGE, 0.01, 0.02),
    instrument("protractor", InstrumentKind.PROTRACTOR, Dimension.ANGLE, 1.0, 0.5),
    instrument("clock", InstrumentKind.CLOCK, Dimension.TIME, 1.0, 0.0),
)


def rows(*pairs: tuple[float, float]) -> tuple[TimeAtTemperature, ...]:
    """Rows of a product's table: degrees Celsius and minutes."""
    return tuple(TimeAtTemperature(degc, minute) for degc, minute in pairs)


GROUT = Material(
    "grout",
    MaterialKind.GROUT,
    product="an invented resin",
    batch="7",
    expires=date(2026, 12, 1),
    mass_g=9000.0,
    density_g_per_l=1800.0,
    waste_share=0.15,
    parts=(MixPart("resin", 100.0), MixPart("hardener", 7.0)),
    mix_basis=MixBasis.MASS,
    ratio_tolerance=0.05,
    mixing_time_min=Limits(3.0, 5.0),
    pot_life=rows((10.0, 30.0), (20.0, 20.0), (30.0, 12.0)),
    cure=rows((5.0, 240.0), (10.0, 180.0), (20.0, 90.0), (30.0, 60.0)),
    cure_floor_min=60.0,
)
PLAN = Plan(
    "an invented project",
    "1",
    sites=(Site("s", "An invented site", (Lane("2", (SENSOR,)),)),),
    instruments=INSTRUMENTS,
    materials=(GROUT,),
    time_zone="America/Denver",
    closures=(Closure(NIGHT - timedelta(hours=2), NIGHT + timedelta(hours=7)),),
)


def reading(
    kind: ReadingKind,
    value: float | None = None,
    instrument_id: str | None = None,
    *,
    station: float | None = None,
    pass_number: int | None = None,
    minute: float = 0.0,
    source: str = "",
    values: dict[str, float] | None = None,
    **texts: str,
) -> Reading:
    """A reading at so many minutes after the night's beginning."""
    numbers = tuple((values or {}).items()) if value is None else (("value", value),)
    at = NIGHT + timedelta(minutes=minute)
    return Reading(kind, numbers, station, pass_number, at, instrument_id, tuple(texts.items()), source)


def triangle(a: float, b: float, c: float, **texts: str) -> Reading:
    sides = reading(ReadingKind.TAPE_TRIANGLE, None, "tape", values={"a": a, "b": b, "c": c})
    return replace(sides, texts=tuple(texts.items()))


def along(
    kind: ReadingKind, instrument_id: str, stations: list[float], values: list[float], pass_number: int | None = None
) -> list[Reading]:
    """Readings of one kind at stations along the sensor."""
    pairs = zip(stations, values, strict=True)
    return [reading(kind, v, instrument_id, station=s, pass_number=pass_number) for s, v in pairs]
