"""Before the closure: whether what the plan needs is there, in calibration, in date and in quantity.

- ``channel_volume``: length, width and depth of the slots as drawn, in litres.
- ``grout_needed``: the channel less the sensor in it, with the share that is wasted.
- ``grout_margin``: what the plan lists of grout, less what is needed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from models.instruments import Instrument
from models.materials import Material
from models.measurement import BudgetLine, Estimate, Limits, Problem, Quantity
from models.plan import Plan, Sensor
from models.plan_stages import RequiredReading, StagePlan
from models.reading_doubts import calibration_trouble, sentence
from models.tolerance import Tolerance
from verifier.grout_material import grout_of
from verifier.repeated import together
from verifier.worked import Worked

MM3_PER_LITRE = 1e6
SAWN_WIDTH_SHARE = 0.02
SAWN_DEPTH_SHARE = 0.05
"""Standard uncertainty of what will be sawn against what is drawn, where the plan has no tolerance (from memory)."""
ENOUGH = Tolerance(Quantity.GROUT_MARGIN, Limits(0.0, None), "no less grout than the channel takes")


def kit(plan: Plan, sensors: Sequence[Sensor], on: date | None) -> Worked:
    """Everything the plan needs for these sensors, on the day of the closure.

    Args:
        plan: instruments, bars, materials and stages.
        sensors: what will be installed in the closure.
        on: the day; None where it is not known: dates are not looked at, and a problem says so.
    """
    parts = [_instruments_for(plan, on), grout(plan, sensors)]
    if on is None:
        words = "The day of the closure is not known: add the closure to the plan, or tell when it begins."
        return together(Worked(problems=(Problem("closure-unknown", words),)), *parts)
    return together(*parts, calibrations(plan.instruments, on), materials(plan.materials, on), _bars(plan, on))


def calibrations(instruments: Sequence[Instrument], on: date) -> Worked:
    """A problem for each instrument that is out of calibration on a day."""
    troubles = [trouble for i in instruments if (trouble := calibration_trouble(i, on))]
    return Worked(
        problems=tuple(
            Problem("instrument-out-of-calibration", f"{sentence(t)}: bring another, or have it calibrated.")
            for t in troubles
        )
    )


def materials(listed: Sequence[Material], on: date) -> Worked:
    """A problem for each material that is out of date on a day."""
    late = [m for m in listed if m.expires is not None and on > m.expires]
    words = "bring a batch in date"
    return Worked(
        problems=tuple(
            Problem("material-expired", f"{m.id} (batch {m.batch or 'not named'}) expired on {m.expires}: {words}.")
            for m in late
        )
    )


def _bars(plan: Plan, on: date) -> Worked:
    """Bars are told apart by their calibration; one dated after the closure is a slip."""
    late = [bar for bar in plan.bars if bar.date is not None and bar.date > on]
    problems = tuple(
        Problem(
            "bar-calibrated-later", f"The {b.kind} bar {b.number} is said to be calibrated on {b.date}, after {on}."
        )
        for b in late
    )
    needs_bar = any(photo.kind is not None for stage in plan.stages for photo in stage.photos)
    if plan.bars or not needs_bar:
        return Worked(problems=problems)
    words = "The plan lists no reference bar: photos are then measured with the drawing's lengths and larger U."
    return Worked(problems=problems, remarks=(Problem("bar-not-listed", words),))


def _instruments_for(plan: Plan, on: date | None) -> Worked:
    """A problem for each required reading that no instrument of the plan may take, or none in calibration."""
    found = [_instrument_for(plan, stage, reading, on) for stage in plan.stages for reading in stage.readings]
    return Worked(problems=tuple(dict.fromkeys(p for p in found if p is not None)))


def _instrument_for(plan: Plan, stage: StagePlan, reading: RequiredReading, on: date | None) -> Problem | None:
    if not reading.instruments and not reading.instrument_kinds:
        return None
    allowed = [i for i in plan.instruments if i.id in reading.instruments or i.kind in reading.instrument_kinds]
    ready = [i for i in allowed if on is None or not calibration_trouble(i, on)]
    if ready:
        return None
    wanted = " or ".join((*reading.instruments, *reading.instrument_kinds))
    state = "in calibration " if allowed else ""
    words = f"{stage.title}: the {reading.kind} needs a {wanted}; the plan has none {state}for that day."
    return Problem("instrument-not-in-kit", words)


@dataclass(frozen=True)
class Channel:
    """Volumes of one slot and the sensor in it [L], and their change with width and depth."""

    channel_l: float
    sensor_l: float
    width_u_share: float
    depth_u_share: float


def grout(plan: Plan, sensors: Sequence[Sensor]) -> Worked:
    """Volume of the channels less the sensors, with waste, against the grout there is."""
    channels = [_channel(plan, sensor) for sensor in sensors]
    known = [c for c in channels if c is not None]
    if not known:
        return Worked(remarks=(_undrawn(sensors),) if sensors else ())
    problems = tuple(_undrawn((s,)) for s, c in zip(sensors, channels, strict=True) if c is None)
    volume = math.fsum(c.channel_l for c in known)
    # All slots are cut with one saw: what it cuts wider or deeper it does in each of them.
    lines = (
        BudgetLine("slot's width as sawn", math.fsum(c.channel_l * c.width_u_share for c in known)),
        BudgetLine("slot's depth as sawn", math.fsum(c.channel_l * c.depth_u_share for c in known)),
    )
    channel = Estimate(Quantity.CHANNEL_VOLUME, volume, lines)
    supply = _supply(plan, volume - math.fsum(c.sensor_l for c in known), lines)
    return together(Worked((channel,), problems), supply)


def _undrawn(sensors: Sequence[Sensor]) -> Problem:
    names = ", ".join(s.id for s in sensors)
    words = f"Add length, width and depth of sensor and slot to the plan ({names}) to know how much grout is needed."
    return Problem("sensor-undrawn", words)


def _channel(plan: Plan, sensor: Sensor) -> Channel | None:
    length, width, depth = sensor.length_mm, sensor.slot_width_mm, sensor.slot_depth_mm
    if length is None or width is None or depth is None or sensor.width_mm is None or sensor.depth_mm is None:
        return None
    past_ends = sum(_least(plan, q) for q in (Quantity.OVERCUT_START, Quantity.OVERCUT_END))
    return Channel(
        (length + past_ends) * width * depth / MM3_PER_LITRE,
        length * sensor.width_mm * sensor.depth_mm / MM3_PER_LITRE,
        _share(plan, Quantity.SLOT_WIDTH, width, SAWN_WIDTH_SHARE),
        _share(plan, Quantity.SLOT_DEPTH_MIN, depth, SAWN_DEPTH_SHARE),
    )


def _least(plan: Plan, quantity: Quantity) -> float:
    """The lower limit of a quantity, 0 where the plan has none."""
    limits = next((t.limits for t in plan.tolerances if t.quantity is quantity), None)
    return max(limits.lower or 0.0, 0.0) if limits is not None else 0.0


def _share(plan: Plan, quantity: Quantity, nominal: float, usual: float) -> float:
    """Relative standard uncertainty of a sawn dimension: rectangular over its tolerance, else the usual one."""
    limits = next((t.limits for t in plan.tolerances if t.quantity is quantity), None)
    if limits is None or limits.lower is None or limits.upper is None:
        return usual
    return (limits.upper - limits.lower) / 2.0 / math.sqrt(3.0) / nominal


def _supply(plan: Plan, net_l: float, lines: tuple[BudgetLine, ...]) -> Worked:
    """Grout needed for a net volume, and whether there is enough."""
    choice = grout_of(plan)
    if choice.material is None:
        return Worked(problems=choice.problems)
    with_waste = 1.0 + choice.material.waste_share
    scaled = tuple(BudgetLine(line.source, line.standard_uncertainty * with_waste) for line in lines)
    needed = Estimate(Quantity.GROUT_NEEDED, net_l * with_waste, scaled)
    amount = amount_l(choice.material)
    if amount is None:
        words = f"Add the amount of {choice.material.id} to the plan (by mass with its density, or by volume)."
        return Worked((needed,), problems=(Problem("amount-unknown", words),))
    margin = Estimate(Quantity.GROUT_MARGIN, amount - needed.value, scaled)
    return Worked((needed, margin), own_tolerances=(ENOUGH,))


def amount_l(material: Material) -> float | None:
    """How much of a material there is, in litres; None where the plan does not say."""
    if material.volume_l is not None:
        return material.volume_l
    if material.mass_g is None or not material.density_g_per_l:
        return None
    return material.mass_g / material.density_g_per_l
