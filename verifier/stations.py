"""Whether the stations of a profile are close enough together, and where to measure in between."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from models.measurement import Problem
from models.plan import Plan, Sensor
from models.readings import ReadingKind
from models.units import Dimension, UnitSystem, show
from verifier.readings import Number

USUAL_SPACING_MM = 310.0
"""Largest distance between stations where the plan sets none (common practice: a reading every foot)."""
SEAT_SPACING_MM = 1000.0
"""The same for the seated sensor, which is stiff (common practice: both ends and the middle)."""


def spacing_limit_mm(plan: Plan, kind: ReadingKind) -> float:
    """The smallest spacing that any stage of the plan asks of this kind of reading, else the usual one."""
    asked = [
        r.spacing_mm for stage in plan.stages for r in stage.readings if r.kind == kind and r.spacing_mm is not None
    ]
    return min(asked, default=SEAT_SPACING_MM if kind is ReadingKind.SEAT_HEIGHT else USUAL_SPACING_MM)


def span_of(sensor: Sensor, numbers: Sequence[Number]) -> tuple[float, float]:
    """First and last station under the sensor; without its length in the plan, those of the readings."""
    if sensor.length_mm is not None:
        return 0.0, sensor.length_mm
    stations = [n.station_mm for n in numbers]
    return min(stations), max(stations)


def stations_problems(
    numbers: Sequence[Number], span_mm: tuple[float, float], limit_mm: float, what: str, system: UnitSystem
) -> tuple[Problem, ...]:
    """A problem for each stretch of the span that the stations leave unseen for too long.

    Between two stations ``limit_mm`` is allowed; at an end, half of it.
    """
    first, last = span_mm
    stations = sorted({min(max(n.station_mm, first), last) for n in numbers})
    found = [_between(a, b, what, limit_mm, system) for a, b in pairwise(stations) if b - a > limit_mm]
    if stations and stations[0] - first > limit_mm / 2:
        found.append(_at_end(what, "first", first, stations[0], system))
    if stations and last - stations[-1] > limit_mm / 2:
        found.append(_at_end(what, "far", last, stations[-1], system))
    return tuple(found)


def _between(a: float, b: float, what: str, limit_mm: float, system: UnitSystem) -> Problem:
    start, end, limit, middle = (show(x, Dimension.LENGTH, system, 4) for x in (a, b, limit_mm, 0.5 * (a + b)))
    return Problem(
        "stations-too-far-apart",
        f"No reading of the {what} between stations {start} and {end}, more than {limit}:"
        f" measure at station {middle} too.",
    )


def _at_end(what: str, end: str, where: float, nearest: float, system: UnitSystem) -> Problem:
    there, here = (show(x, Dimension.LENGTH, system, 4) for x in (where, nearest))
    return Problem(
        "stations-miss-an-end",
        f"No reading of the {what} near the sensor's {end} end (the nearest is at {here}):"
        f" measure at station {there} too.",
    )


def stray_stations(numbers: Sequence[Number], sensor: Sensor, system: UnitSystem) -> tuple[Problem, ...]:
    """Stations so far outside the sensor that their unit or a digit must be wrong."""
    if sensor.length_mm is None:
        return ()
    reach = 0.5 * sensor.length_mm
    low, high = -reach, sensor.length_mm + reach
    length = show(sensor.length_mm, Dimension.LENGTH, system)
    return tuple(
        Problem(
            "station-implausible",
            f"Station {show(n.station_mm, Dimension.LENGTH, system)} lies far outside the sensor's 0 to {length}:"
            f" correct the station of the {n.reading.form.title.lower()}; it is left out until then.",
        )
        for n in numbers
        if not low <= n.station_mm <= high
    )
