"""The saw cut: depth and width at stations, full depth past both ends of the sensor, blade and lead-in.

- ``slot_depth_min``, ``slot_depth_max``: least and greatest depth of the slot anywhere under the sensor, from the
  pavement to the floor; ``floor_variation``: greatest less least.
- ``slot_width_gauge_min``, ``slot_width_gauge_max``: the same for the width read with a gauge.
- ``overcut_start``, ``overcut_end``: how far full depth reaches past the sensor's two ends, negative where it falls
  short (common practice: the cut runs past both ends, so that full depth reaches them).
"""

from __future__ import annotations

from collections.abc import Sequence

from models.measurement import Limits, Problem, Quantity
from models.plan import Plan, Sensor
from models.readings import Reading, ReadingKind
from models.tolerance import Tolerance
from models.units import Dimension, show
from verifier.profile_extremes import greatest, least, profile_readings, unseen_remark, variation
from verifier.repeated import simple, together
from verifier.worked import Worked

FLOOR_ROUGHNESS_MM = 0.7
"""Prior: how much a sawn floor's depth changes over 100 mm (standard deviation; common practice, from memory)."""
WIDTH_ROUGHNESS_MM = 0.3
"""Prior: the same for the width between two walls sawn with one setting (common practice, from memory)."""

FULL_DEPTH = tuple(
    Tolerance(quantity, Limits(0.0, None), "full depth reaches the sensor's end")
    for quantity in (Quantity.OVERCUT_START, Quantity.OVERCUT_END)
)


def slot_depth(plan: Plan, sensor: Sensor, readings: Sequence[Reading]) -> Worked:
    """Least and greatest depth under the sensor and the floor's variation, from depths at stations."""
    profile = profile_readings(plan, sensor, readings, ReadingKind.SLOT_DEPTH, sensor.slot_depth_mm)
    if not profile.numbers:
        return Worked(problems=profile.problems)
    draws = profile.draws(FLOOR_ROUGHNESS_MM)
    lowest = least(Quantity.SLOT_DEPTH_MIN, draws)
    shallowest = min(n.value for n in profile.numbers)
    return Worked(
        (lowest, greatest(Quantity.SLOT_DEPTH_MAX, draws), variation(Quantity.FLOOR_VARIATION, draws)),
        profile.problems,
        (*profile.remarks, unseen_remark(plan, lowest, shallowest, "least-depth-between-stations", "least depth")),
        _room_for_the_sensor(sensor),
        used=profile.readings(),
    )


def _room_for_the_sensor(sensor: Sensor) -> tuple[Tolerance, ...]:
    """A slot shallower than the sensor is high leaves it standing proud."""
    if sensor.depth_mm is None:
        return ()
    return (Tolerance(Quantity.SLOT_DEPTH_MIN, Limits(sensor.depth_mm, None), "no less than the sensor's height"),)


def slot_width(plan: Plan, sensor: Sensor, readings: Sequence[Reading]) -> Worked:
    """Least and greatest width along the sensor, from widths read with a gauge at stations."""
    profile = profile_readings(plan, sensor, readings, ReadingKind.SLOT_WIDTH, sensor.slot_width_mm)
    if not profile.numbers:
        return Worked(problems=profile.problems)
    draws = profile.draws(WIDTH_ROUGHNESS_MM)
    estimates = (least(Quantity.SLOT_WIDTH_GAUGE_MIN, draws), greatest(Quantity.SLOT_WIDTH_GAUGE_MAX, draws))
    return Worked(estimates, profile.problems, profile.remarks, _room_beside(sensor), used=profile.readings())


def _room_beside(sensor: Sensor) -> tuple[Tolerance, ...]:
    if sensor.width_mm is None:
        return ()
    return (Tolerance(Quantity.SLOT_WIDTH_GAUGE_MIN, Limits(sensor.width_mm, None), "wider than the sensor"),)


def overcut(plan: Plan, readings: Sequence[Reading]) -> Worked:
    """How far full depth reaches past the sensor's two ends."""
    worked = together(
        simple(plan, readings, ReadingKind.SLOT_START, Quantity.OVERCUT_START),
        simple(plan, readings, ReadingKind.SLOT_END, Quantity.OVERCUT_END),
    )
    one_end = 0 < len(worked.estimates) < 2
    missing = Problem("overcut-one-end", "Full depth was read at one end only: measure it past the other end too.")
    return together(worked, Worked(problems=(missing,) if one_end else (), own_tolerances=FULL_DEPTH))


def saw(plan: Plan, sensor: Sensor, readings: Sequence[Reading]) -> Worked:
    """Blade width, depth setting and the lead-in slot's depth; a blade set short of the slot's depth is pointed out."""
    worked = together(
        simple(plan, readings, ReadingKind.BLADE_WIDTH, Quantity.BLADE_WIDTH),
        simple(plan, readings, ReadingKind.BLADE_DEPTH, Quantity.BLADE_DEPTH),
        simple(plan, readings, ReadingKind.LEADIN_DEPTH, Quantity.LEADIN_DEPTH),
    )
    setting = worked.estimate(Quantity.BLADE_DEPTH)
    if setting is None or sensor.slot_depth_mm is None or setting.value >= sensor.slot_depth_mm:
        return worked
    short = Problem(
        "blade-set-short",
        f"The blade is set to {show(setting.value, Dimension.LENGTH, plan.units)}; the slot is drawn"
        f" {show(sensor.slot_depth_mm, Dimension.LENGTH, plan.units)} deep: set it deeper.",
    )
    return together(worked, Worked(remarks=(short,)))
