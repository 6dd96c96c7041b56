"""From readings to numbers with their uncertainty: what the instrument adds, and what is wrong with a reading.

A reading's uncertainty has three parts, kept apart by what readings share (JCGM 100:2008):

- resolution d: d/√12 (F.2.2.1), each reading for itself;
- calibration: the instrument's standard uncertainty, constant or a part of the reading. How far it is shared between
  readings of one instrument is not known; the variance of any result is linear in that common correlation (0 to 1), so
  the larger of its two ends bounds it (F.1.2.3);
- scale: what grows with the length read off a tape (mm per metre), shared wholly.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from models.instruments import Instrument
from models.measurement import BudgetLine, Problem
from models.plan import Plan
from models.reading_doubts import CHECK_UNIT, implausible, instrument_fault, out_of_calibration, sentence
from models.readings import Reading, ReadingField, ReadingKind
from models.units import UnitSystem, show

MM_PER_METRE = 1000.0
GROSS_FACTOR = 3.0
"""A reading this many times above or below what it should be is taken for a slip of the unit or of a digit."""


@dataclass(frozen=True)
class Number:
    """One number of a reading, in base units, with what its instrument adds to its uncertainty."""

    value: float
    resolution_u: float
    calibration_u: float
    scale_u: float
    """Standard uncertainty of a tape's scale, as a part of the value."""
    instrument: str
    reading: Reading

    @property
    def standard_uncertainty(self) -> float:
        """Of this number alone: its three parts in quadrature."""
        return math.hypot(self.resolution_u, self.calibration_u, self.scale_u * self.value)

    @property
    def station_mm(self) -> float:
        """The reading's station, 0 where it has none."""
        return self.reading.station_mm or 0.0


@dataclass(frozen=True)
class Taken:
    """The numbers that can be worked with, in the order of the readings, and what is wrong with readings."""

    numbers: tuple[Number, ...]
    problems: tuple[Problem, ...]


def take(plan: Plan, readings: Iterable[Reading], kind: ReadingKind, field: str = "value") -> Taken:
    """All numbers of one field of one kind of reading; a reading that cannot be worked with leaves a problem."""
    numbers: list[Number] = []
    problems: list[Problem] = []
    for reading in of_kind(readings, kind):
        number, found = number_of(plan, reading, field)
        numbers += [] if number is None else [number]
        problems += found
    return Taken(tuple(numbers), tuple(problems))


def of_kind(readings: Iterable[Reading], *kinds: ReadingKind) -> tuple[Reading, ...]:
    """The readings of these kinds, in their order."""
    return tuple(reading for reading in readings if reading.kind in kinds)


def number_of(plan: Plan, reading: Reading, field: str = "value") -> tuple[Number | None, tuple[Problem, ...]]:
    """One number of a reading with its uncertainty, or None; and what a person must look at."""
    form = reading.form.field(field)
    value = reading.value(field)
    faults = [f for f in (_value_fault(plan, reading, form, value), _station_fault(plan, reading)) if f is not None]
    instrument = next((i for i in plan.instruments if i.id == reading.instrument), None)
    fault = instrument_fault(plan, reading, form, instrument)
    if faults or fault is not None or instrument is None or value is None:
        return None, (*faults, *([fault] if fault else []))
    number = Number(
        value,
        instrument.resolution / math.sqrt(12.0),
        math.hypot(instrument.standard_uncertainty, instrument.relative * value),
        instrument.per_metre / MM_PER_METRE,
        instrument.id,
        reading,
    )
    return number, _calibration_doubts(plan, reading, instrument)


def _value_fault(plan: Plan, reading: Reading, form: ReadingField | None, value: float | None) -> Problem | None:
    if form is None or value is None or not math.isfinite(value):
        name = "" if form is None or form.name == "value" else f" {form.name!r}"
        words = f"The reading of {reading.named(plan.units)} has no usable number{name}: read it again."
        return Problem("value-missing", words)
    return implausible(plan, reading, form, value)


def _station_fault(plan: Plan, reading: Reading) -> Problem | None:
    if not reading.form.station or (reading.station_mm is not None and math.isfinite(reading.station_mm)):
        return None
    words = f"Say at which station the {reading.named(plan.units)} was read; it is left out until then."
    return Problem("station-missing", words)


def _calibration_doubts(plan: Plan, reading: Reading, instrument: Instrument) -> tuple[Problem, ...]:
    """An instrument out of its calibration on the day of the reading: the value stands, a person must look."""
    if instrument.calibrated is None and instrument.calibration_valid_until is None:
        return ()
    if reading.at is None:
        name = reading.named(plan.units)
        words = f"Say when the {name} was read: whether {instrument.id} was in calibration cannot be told."
        return (Problem("reading-time-missing", words),)
    trouble = out_of_calibration(plan, reading, instrument)
    return () if trouble is None else (trouble,)


def plausible_beside(
    numbers: Sequence[Number], expected: float | None, what: str, system: UnitSystem = UnitSystem.SI
) -> Taken:
    """Leave out numbers that are a multiple or a fraction of what the plan leads to expect (a wrong unit, a digit).

    Args:
        numbers: numbers to look at.
        expected: what they should be about, in the same unit; None where the plan says nothing: all are kept.
        what: where the expected value comes from, for the message.
        system: units of the message.
    """
    if expected is None or expected <= 0:
        return Taken(tuple(numbers), ())
    kept = tuple(n for n in numbers if expected / GROSS_FACTOR <= n.value <= expected * GROSS_FACTOR)
    problems = tuple(_gross(n, expected, what, system) for n in numbers if n not in kept)
    return Taken(kept, problems)


def _gross(number: Number, expected: float, what: str, system: UnitSystem) -> Problem:
    dimension = number.reading.form.fields[0].dimension
    read, meant = (show(x, dimension, system) for x in (number.value, expected))
    words = f"{sentence(number.reading.named(system))}: {read} beside {what} of {meant}."
    return Problem("value-implausible", f"{words} {CHECK_UNIT}")


def propagate(terms: Iterable[tuple[float, Number]]) -> tuple[BudgetLine, ...]:
    """Budget of a result whose change is the sum of sensitivity times change of each number (JCGM 100, 5.1 and 5.2).

    Args:
        terms: pairs of sensitivity (unit of the result per unit of the number) and number.

    Returns:
        First one line for all resolutions; then for each instrument one for its calibration and one for its scale,
        where they add anything.
    """
    pairs = tuple(terms)
    lines = []
    for name in dict.fromkeys(n.instrument for _, n in pairs):
        own = [(c, n) for c, n in pairs if n.instrument == name]
        apart = _root_sum(c * n.calibration_u for c, n in own)
        together = abs(math.fsum(c * n.calibration_u for c, n in own))
        scale = abs(math.fsum(c * n.value * n.scale_u for c, n in own))
        lines += [BudgetLine(f"calibration of {name}", max(apart, together)), BudgetLine(f"scale of {name}", scale)]
    resolution = BudgetLine("resolution of the readings", _root_sum(c * n.resolution_u for c, n in pairs))
    return (resolution, *(line for line in lines if line.standard_uncertainty > 0.0))


def _root_sum(parts: Iterable[float]) -> float:
    return math.sqrt(math.fsum(part * part for part in parts))
