"""What is wrong with a reading by itself: one wording for the flags of a stage and for computations that meet it."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

from models.instruments import Instrument
from models.measurement import Problem
from models.plan import Plan
from models.readings import Reading, ReadingField
from models.units import show

CHECK_UNIT = "Check the unit and the decimal point, and correct the reading; it is left out until then."


def implausible(plan: Plan, reading: Reading, form: ReadingField, value: float) -> Problem | None:
    """A number that cannot be."""
    if form.lowest <= value <= form.highest:
        return None
    read, lowest, highest = (show(x, form.dimension, plan.units) for x in (value, form.lowest, form.highest))
    words = f"{sentence(reading.named(plan.units))}: {read} cannot be; {lowest} to {highest} can."
    return Problem("value-implausible", f"{words} {CHECK_UNIT}")


def instrument_fault(
    plan: Plan, reading: Reading, form: ReadingField | None, instrument: Instrument | None
) -> Problem | None:
    """No instrument is named, none that the plan has, or one that reads something else."""
    if instrument is not None and (form is None or instrument.dimension is form.dimension):
        return None
    name = reading.named(plan.units)
    if reading.instrument is None:
        return Problem(
            "instrument-missing",
            f"Say which instrument the {name} was read with: without it the uncertainty is not known.",
        )
    if instrument is None:
        return Problem(
            "instrument-unknown",
            f"{sentence(name)}: the plan has no instrument {reading.instrument!r};"
            " correct its name, or add it to the plan.",
        )
    wanted = form.dimension if form is not None else "that"
    words = f"{sentence(name)}: {instrument.id} reads {instrument.dimension}, not {wanted}; name the one that was used."
    return Problem("instrument-wrong", words)


def out_of_calibration(plan: Plan, reading: Reading, instrument: Instrument) -> Problem | None:
    """An instrument out of its calibration on the day of the reading, by the calendar of the site."""
    if reading.at is None:
        return None
    trouble = calibration_trouble(instrument, reading.at.astimezone(ZoneInfo(plan.time_zone)).date())
    if not trouble:
        return None
    remedy = "Measure again with one in calibration, or have it checked."
    words = f"{sentence(reading.named(plan.units))}: {trouble}. {remedy}"
    return Problem("instrument-out-of-calibration", words)


def calibration_trouble(instrument: Instrument, on: date) -> str:
    """Why the instrument is not in calibration on a day; empty where it is."""
    if instrument.calibrated is not None and on < instrument.calibrated:
        return f"{instrument.id} was calibrated on {instrument.calibrated}, after {on}"
    if instrument.calibration_valid_until is not None and on > instrument.calibration_valid_until:
        return f"the calibration of {instrument.id} ended on {instrument.calibration_valid_until}, before {on}"
    return ""


def sentence(words: str) -> str:
    """The words with a capital at their beginning."""
    return words[:1].upper() + words[1:]
