"""Least, greatest and range of what gauges read at stations along the sensor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from models.measurement import Estimate, Problem, Quantity
from models.plan import Plan, Sensor
from models.readings import Reading, ReadingKind
from models.units import Dimension, show
from verifier.profile_draws import Draws, draw, estimate, shared_lines
from verifier.readings import Number, plausible_beside, take
from verifier.stations import spacing_limit_mm, span_of, stations_problems, stray_stations

BETWEEN = "what lies between the stations"


@dataclass(frozen=True)
class ProfileReadings:
    """Numbers along the sensor that can be worked with, and what is wrong with them or missing."""

    numbers: tuple[Number, ...]
    problems: tuple[Problem, ...]
    span_mm: tuple[float, float]
    remarks: tuple[Problem, ...] = ()

    def draws(self, roughness_prior: float) -> Draws:
        """Profiles that agree with the numbers, over the whole span."""
        return draw(self.numbers, self.span_mm, roughness_prior)

    def readings(self) -> tuple[Reading, ...]:
        """The readings behind the numbers."""
        return tuple(n.reading for n in self.numbers)


def profile_readings(
    plan: Plan, sensor: Sensor, readings: Sequence[Reading], kind: ReadingKind, expected: float | None = None
) -> ProfileReadings:
    """Readings of one kind along the sensor, without those that cannot be; empty where there are none.

    Args:
        plan: instruments, and how far apart stations may be.
        sensor: its length sets the span.
        readings: readings of any kind.
        kind: which to take.
        expected: about what they should be [mm], by the plan; None to compare them with nothing.
    """
    taken = take(plan, readings, kind)
    stray = stray_stations(taken.numbers, sensor, plan.units)
    inside = tuple(n for n in taken.numbers if not stray_stations((n,), sensor, plan.units))
    plausible = plausible_beside(inside, expected, "the plan's nominal value", plan.units)
    problems = (*taken.problems, *stray, *plausible.problems)
    if not plausible.numbers:
        return ProfileReadings((), problems, (0.0, 0.0))
    span = span_of(sensor, plausible.numbers)
    used, outside = _under_the_sensor(plan, plausible.numbers, span, spacing_limit_mm(plan, kind))
    what = plausible.numbers[0].reading.form.title.lower()
    gaps = stations_problems(used, span, spacing_limit_mm(plan, kind), what, plan.units)
    return ProfileReadings(used, (*problems, *gaps), span, outside)


def _under_the_sensor(
    plan: Plan, numbers: Sequence[Number], span_mm: tuple[float, float], limit_mm: float
) -> tuple[tuple[Number, ...], tuple[Problem, ...]]:
    """Numbers over the span; one outside it only where the span's end has none near. The rest is remarked upon.

    Past the sensor's ends a saw cut runs out; taking that for the floor would spoil what is known of it.
    """
    first, last = span_mm
    near_first = any(first <= n.station_mm <= first + limit_mm / 2 for n in numbers)
    near_last = any(last - limit_mm / 2 <= n.station_mm <= last for n in numbers)
    used = tuple(
        n for n in numbers if (n.station_mm >= first or not near_first) and (n.station_mm <= last or not near_last)
    )
    stations = ", ".join(show(n.station_mm, Dimension.LENGTH, plan.units) for n in numbers if n not in used)
    if not stations:
        return used, ()
    return used, (Problem("stations-outside", f"Not under the sensor, so left out here: stations {stations}."),)


def least(quantity: Quantity, draws: Draws) -> Estimate:
    """The least value anywhere over the span."""
    alone = draws.at_stations.min(axis=1)
    return estimate(quantity, draws.lowest, alone, shared_lines(draws, [_lowest(draws)]), BETWEEN)


def greatest(quantity: Quantity, draws: Draws) -> Estimate:
    """The greatest value anywhere over the span."""
    alone = draws.at_stations.max(axis=1)
    return estimate(quantity, draws.highest, alone, shared_lines(draws, [_highest(draws)]), BETWEEN)


def variation(quantity: Quantity, draws: Draws) -> Estimate:
    """Greatest less least."""
    alone = draws.at_stations.max(axis=1) - draws.at_stations.min(axis=1)
    ends = [_highest(draws), _lowest(draws)]
    return estimate(quantity, draws.highest - draws.lowest, alone, shared_lines(draws, ends), BETWEEN)


def _lowest(draws: Draws) -> Number:
    return min(draws.numbers, key=lambda n: n.value)


def _highest(draws: Draws) -> Number:
    return max(draws.numbers, key=lambda n: n.value)


def unseen_remark(plan: Plan, estimated: Estimate, read: float, code: str, what: str) -> Problem:
    """How the extreme of the profile differs from that of the readings, for people who compare the two."""
    lengths = ((read, 4), (estimated.value, 3), (estimated.expanded_uncertainty, 2))
    reading, value, reach = (show(x, Dimension.LENGTH, plan.units, digits) for x, digits in lengths)
    return Problem(
        code,
        f"The {what} read is {reading}; between the stations {value} is to be expected, give or take {reach}."
        " More stations narrow it.",
    )
