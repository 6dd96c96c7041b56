"""Seating: the sensor's height against the pavement in the dry fit, at stations by straightedge.

``seat_height_min``, ``seat_height_max``: lowest and highest point of the sensor's top over the pavement, positive
where it stands proud.
"""

from __future__ import annotations

from collections.abc import Sequence

from models.measurement import Problem, Quantity
from models.plan import Plan, Sensor
from models.readings import Reading, ReadingKind
from models.units import Dimension, show
from verifier.profile_extremes import ProfileReadings, greatest, least, profile_readings
from verifier.worked import Worked

SEAT_ROUGHNESS_MM = 0.15
"""Prior: how much a stiff strip's height over the pavement changes over 100 mm (from memory)."""


def seat_height(plan: Plan, sensor: Sensor, readings: Sequence[Reading]) -> Worked:
    """Lowest and highest point of the sensor's top against the pavement."""
    profile = profile_readings(plan, sensor, readings, ReadingKind.SEAT_HEIGHT)
    if not profile.numbers:
        return Worked(problems=profile.problems)
    draws = profile.draws(SEAT_ROUGHNESS_MM)
    estimates = (least(Quantity.SEAT_HEIGHT_MIN, draws), greatest(Quantity.SEAT_HEIGHT_MAX, draws))
    return Worked(estimates, (*profile.problems, *_middle(plan, profile)), profile.remarks, used=profile.readings())


def _middle(plan: Plan, profile: ProfileReadings) -> tuple[Problem, ...]:
    """Heights at the ends alone do not show whether the sensor sags or bows (common practice: both ends and middle)."""
    first, last = profile.span_mm
    third = (last - first) / 3.0
    if any(first + third <= n.station_mm <= last - third for n in profile.numbers):
        return ()
    middle = show(0.5 * (first + last), Dimension.LENGTH, plan.units, 4)
    return (Problem("seat-middle-missing", f"No height near the sensor's middle: measure at station {middle}."),)
