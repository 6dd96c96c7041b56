"""Dew point, and the pavement's margin over it: a channel colder than the dew point is wet whatever it looks like.

Magnus formula over water, e(t) = 6.112 hPa exp(17.62 t / (243.12 + t)), t in degrees Celsius (WMO-No. 8, Guide to
Instruments and Methods of Observation, annex on formulae for humidity), solved for the temperature at which the
air's vapour saturates.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from models.measurement import BudgetLine, Estimate, Problem, Quantity
from models.plan import Plan
from models.readings import Reading, ReadingKind
from verifier.readings import Number, of_kind, propagate, take
from verifier.repeated import simple, together
from verifier.worked import Worked

MAGNUS_A = 17.62
MAGNUS_B_DEGC = 243.12
FORMULA_U_K = 0.05
"""Standard uncertainty of the Magnus formula: for air of -10 to 50 degrees Celsius and dew points above freezing it
departs by less than 0.05 K from Hyland and Wexler's (recomputed with PsychroLib 2.5.0, which follows ASHRAE)."""
LARGEST_TIME_APART_MIN = 60.0
"""Air and pavement change within an hour, at dusk faster; readings further apart do not belong together."""


@dataclass(frozen=True)
class DewPoint:
    """A dew point and its change with what it was worked out from."""

    dew_point_degc: float
    per_air_kelvin: float
    """d(dew point)/d(air temperature)."""
    per_percent: float
    """d(dew point)/d(relative humidity) in K per %."""


def dew_point(air_degc: float, humidity_percent: float) -> DewPoint:
    """Dew point of air at a temperature [degC] and relative humidity [%, above 0].

    20 degC and 60 % give 12.00 degC.

    Raises:
        ValueError: the humidity is not above 0 and at most 100 %.
    """
    if not 0.0 < humidity_percent <= 100.0:
        raise ValueError(f"relative humidity lies above 0 and up to 100 %, not {humidity_percent:g} %")
    b = MAGNUS_B_DEGC
    exponent = math.log(humidity_percent / 100.0) + MAGNUS_A * air_degc / (b + air_degc)
    slope = MAGNUS_A * b / (MAGNUS_A - exponent) ** 2
    per_air = slope * MAGNUS_A * b / (b + air_degc) ** 2
    return DewPoint(b * exponent / (MAGNUS_A - exponent), per_air, slope / humidity_percent)


def channel_climate(plan: Plan, readings: Sequence[Reading]) -> Worked:
    """Pavement, air and humidity as read; the dew point, and the least margin of any pavement reading over it."""
    read = together(
        simple(plan, readings, ReadingKind.PAVEMENT_TEMPERATURE, Quantity.PAVEMENT_TEMPERATURE),
        simple(plan, readings, ReadingKind.AIR_TEMPERATURE, Quantity.AIR_TEMPERATURE),
        simple(plan, readings, ReadingKind.RELATIVE_HUMIDITY, Quantity.RELATIVE_HUMIDITY),
    )
    # Temperatures may well change between readings: that they differ is no fault here.
    read = replace(read, problems=tuple(p for p in read.problems if p.code != "readings-disagree"))
    return together(read, margin_over_dew_point(plan, readings))


def margin_over_dew_point(plan: Plan, readings: Sequence[Reading]) -> Worked:
    """Dew point and margin from each pavement reading with the air and humidity read nearest in time."""
    kinds = (ReadingKind.PAVEMENT_TEMPERATURE, ReadingKind.AIR_TEMPERATURE, ReadingKind.RELATIVE_HUMIDITY)
    pavement, air, humidity = (take(plan, readings, kind).numbers for kind in kinds)
    missing = [kind for kind, found in zip(kinds, (pavement, air, humidity), strict=True) if not found]
    if not humidity and not of_kind(readings, ReadingKind.RELATIVE_HUMIDITY):
        return Worked()  # temperatures alone are read for other ends too
    if missing:
        words = " and ".join(kind.replace("-", " ") for kind in missing)
        return Worked(problems=(Problem("dew-point-incomplete", f"For the dew point, read the {words} too."),))
    triples = [(p, _nearest(air, p), _nearest(humidity, p)) for p in pavement]
    outcomes = [_margin(*triple) for triple in triples]
    worst = min(outcomes, key=lambda w: w.estimates[-1].value)
    late = tuple(x for p, a, h in triples for x in _apart_in_time(p, a, h))
    return replace(worst, problems=tuple(dict.fromkeys(late)), used=tuple(n.reading for t in triples for n in t))


def _nearest(numbers: Sequence[Number], to: Number) -> Number:
    """The number read nearest in time; the last one where times are missing."""
    return min(reversed(numbers), key=lambda n: _minutes_apart(n.reading.at, to.reading.at))


def _minutes_apart(one: datetime | None, other: datetime | None) -> float:
    if one is None or other is None:
        return 0.0
    return abs((one - other).total_seconds()) / 60.0


def _apart_in_time(pavement: Number, air: Number, humidity: Number) -> tuple[Problem, ...]:
    apart = max(_minutes_apart(n.reading.at, pavement.reading.at) for n in (air, humidity))
    if apart <= LARGEST_TIME_APART_MIN:
        return ()
    message = f"Air and pavement were read {apart:.0f} min apart: read temperatures and humidity again, at one time."
    return (Problem("readings-apart-in-time", message),)


def _margin(pavement: Number, air: Number, humidity: Number) -> Worked:
    """Dew point and margin from one reading of each."""
    dew = dew_point(air.value, humidity.value)
    formula = BudgetLine("Magnus formula", FORMULA_U_K)
    inputs = ((dew.per_air_kelvin, air), (dew.per_percent, humidity))
    point = Estimate(Quantity.DEW_POINT, dew.dew_point_degc, (*propagate(inputs), formula))
    opposite = ((1.0, pavement), *((-slope, number) for slope, number in inputs))
    difference = pavement.value - dew.dew_point_degc
    margin = Estimate(Quantity.DEW_POINT_MARGIN, difference, (*propagate(opposite), formula))
    return Worked((point, margin), remarks=_frost(dew.dew_point_degc))


def _frost(dew_point_degc: float) -> tuple[Problem, ...]:
    """Over ice air is saturated earlier: frost forms up to some 1 K above a dew point of -10 degC."""
    if dew_point_degc >= 0.0:
        return ()
    words = "The dew point is below freezing: frost forms about a tenth of its depth below 0 degC earlier."
    return (Problem("frost-before-dew", words),)
