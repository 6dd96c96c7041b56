"""The grout's mix: ratio of its parts, mixing time, and whether it was poured within its pot life.

``mix_ratio``: the ratio of a part to the first part, over the same ratio by the product's sheet; 1 is as it should be.
``pot_life_left``: pot life at the temperature, less the time from the start of mixing to the end of the pour, in min.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from models.materials import Material, MixBasis
from models.measurement import BudgetLine, Estimate, Limits, Problem, Quantity
from models.plan import Plan
from models.readings import Reading, ReadingKind
from models.tolerance import Tolerance
from models.units import Dimension, show
from verifier.events import clock_line, events, minutes
from verifier.readings import Number, number_of, of_kind, propagate, take
from verifier.repeated import mean_estimate, together
from verifier.tables import time_at
from verifier.worked import Worked

LONGEST_POUR_MIN = 12.0 * 60.0
"""Longer than any mix stays workable: a time was told wrongly."""


def mix_ratio(plan: Plan, material: Material, readings: Sequence[Reading]) -> Worked:
    """Each part's ratio to the first part, for each batch."""
    amounts = of_kind(readings, ReadingKind.PART_AMOUNT)
    if not amounts:
        return Worked()
    if len(material.parts) < 2:
        message = f"The plan gives no parts for {material.id}: add them with their shares from the product's sheet."
        return Worked(problems=(Problem("parts-unknown", message),), used=amounts)
    batches = dict.fromkeys(r.text("batch") for r in amounts)
    worked = [_batch(plan, material, [r for r in amounts if r.text("batch") == b], b) for b in batches]
    return together(*worked, Worked(own_tolerances=_ratio_tolerance(material), used=amounts))


def _ratio_tolerance(material: Material) -> tuple[Tolerance, ...]:
    if material.ratio_tolerance is None:
        return ()
    limits = Limits(1.0 - material.ratio_tolerance, 1.0 + material.ratio_tolerance)
    return (Tolerance(Quantity.MIX_RATIO, limits, _sheet(material)),)


def _sheet(material: Material) -> str:
    return material.clause or f"product sheet of {material.product or material.id}"


def _batch(plan: Plan, material: Material, readings: Sequence[Reading], batch: str) -> Worked:
    by_part, problems = _amounts(plan, material, readings)
    where = f" of batch {batch}" if batch else ""
    missing = [part.name for part in material.parts if not by_part[part.name]]
    if missing:
        words = f"Read the amount of {' and '.join(missing)}{where}: without it the ratio is not known."
        return Worked(problems=(*problems, Problem("part-missing", words)))
    first = material.parts[0]
    estimates = tuple(
        _ratio(by_part[part.name], by_part[first.name], part.share / first.share) for part in material.parts[1:]
    )
    return Worked(estimates, problems)


def _amounts(
    plan: Plan, material: Material, readings: Sequence[Reading]
) -> tuple[dict[str, list[Number]], tuple[Problem, ...]]:
    """Amounts by part, on the basis of the product's sheet."""
    by_part: dict[str, list[Number]] = {part.name: [] for part in material.parts}
    problems: list[Problem] = []
    for reading in readings:
        fault = _part_fault(material, reading)
        number, found = (None, (fault,)) if fault else number_of(plan, reading, _basis(material, reading))
        problems += found
        if number is not None:
            by_part[reading.text("part")].append(number)
    return by_part, tuple(problems)


def _basis(material: Material, reading: Reading) -> str:
    """The field that the sheet's shares are meant in; without a word of it, the field that was read."""
    if material.mix_basis is not None:
        return material.mix_basis.value
    return next((name for name, _ in reading.values), MixBasis.MASS.value)


def _part_fault(material: Material, reading: Reading) -> Problem | None:
    names = [part.name for part in material.parts]
    if reading.text("part") not in names:
        message = f"{material.id} has no part {reading.text('part')!r}; its parts are: {', '.join(names)}."
        return Problem("part-unknown", message)
    basis = _basis(material, reading)
    if reading.value(basis) is None:
        word = "weigh" if basis == "mass" else "measure the volume of"
        message = f"The sheet of {material.id} states its ratio by {basis}: {word} {reading.text('part')}."
        return Problem("mix-basis", message)
    return None


def _ratio(parts: Sequence[Number], firsts: Sequence[Number], nominal: float) -> Estimate:
    part, first = math.fsum(n.value for n in parts), math.fsum(n.value for n in firsts)
    value = part / first / nominal
    terms = [(value / part, n) for n in parts] + [(-value / first, n) for n in firsts]
    return Estimate(Quantity.MIX_RATIO, value, propagate(terms))


def mixing_time(plan: Plan, material: Material, readings: Sequence[Reading]) -> Worked:
    """How long each batch was mixed, against the product's sheet."""
    taken = take(plan, readings, ReadingKind.MIXING_TIME)
    limits = material.mixing_time_min
    own = () if limits is None else (Tolerance(Quantity.MIXING_TIME, limits, _sheet(material)),)
    estimates = tuple(mean_estimate((number,), Quantity.MIXING_TIME) for number in taken.numbers)
    return Worked(estimates, taken.problems, (), own, used=tuple(n.reading for n in taken.numbers))


@dataclass(frozen=True)
class Pour:
    """One batch from the start of its mixing to the end of its pour."""

    start: datetime
    end: datetime
    readings: tuple[Reading, ...]

    @property
    def lasted_min(self) -> float:
        """Minutes in between."""
        return minutes(self.start, self.end)


def pot_life(plan: Plan, material: Material, readings: Sequence[Reading], earlier: Sequence[Reading]) -> Worked:
    """What was left of the pot life when each batch was poured."""
    pours, problems = _pours(readings)
    if not pours or not material.pot_life:
        return Worked(problems=problems if material.pot_life else ())
    worked = [_pot_life_left(plan, material, pour, (*earlier, *readings)) for pour in pours]
    own = (Tolerance(Quantity.POT_LIFE_LEFT, Limits(0.0, None), _sheet(material)),)
    return together(*worked, Worked(problems=problems, own_tolerances=own))


def _pours(readings: Sequence[Reading]) -> tuple[tuple[Pour, ...], tuple[Problem, ...]]:
    """Each start of mixing with the first end of a pour after it, of the same batch where batches are named."""
    starts, ends = (events(readings, kind) for kind in (ReadingKind.MIX_START, ReadingKind.POUR_END))
    pours: list[Pour] = []
    problems = [*starts.problems, *ends.problems]
    for at, start in zip(starts.times, starts.readings, strict=True):
        batch = start.text("batch")
        later = [
            (t, r) for t, r in zip(ends.times, ends.readings, strict=True) if t >= at and r.text("batch") in (batch, "")
        ]
        if later and minutes(at, later[0][0]) <= LONGEST_POUR_MIN:
            pours.append(Pour(at, later[0][0], (start, later[0][1])))
        elif ends.times:
            problems.append(_no_end(start))
    return tuple(pours), tuple(problems)


def _no_end(start: Reading) -> Problem:
    return Problem(
        "pour-end-missing",
        f"No end of a pour within {LONGEST_POUR_MIN / 60:g} h after mixing began at {start.at:%H:%M}:"
        " check both times.",
    )


def _pot_life_left(plan: Plan, material: Material, pour: Pour, readings: Sequence[Reading]) -> Worked:
    temperature = _temperature_at(plan, readings, pour.start)
    if temperature is None:
        words = "Log the grout's or the air's temperature when mixing begins: the pot life depends on it."
        return Worked(problems=(Problem("temperature-missing", words),), used=pour.readings)
    rows = sorted(material.pot_life, key=lambda row: row.temperature_degc)
    if temperature.value > rows[-1].temperature_degc:
        ends = (temperature.value, rows[-1].temperature_degc)
        now, most = (show(t, Dimension.TEMPERATURE, plan.units, 3) for t in ends)
        words = f"{now} is above the {most} up to which the sheet gives a pot life: ask the maker."
        return Worked(problems=(Problem("warmer-than-table", words),), used=(*pour.readings, temperature.reading))
    # Colder than the table it lasts longer than the first row says: that row is safe.
    life = time_at(rows, max(temperature.value, rows[0].temperature_degc))
    assert life is not None
    lines = (
        *propagate([(life.slope_min_per_k, temperature)]),
        BudgetLine("table between its rows", life.between_rows_u_min),
        clock_line(plan),
    )
    left = Estimate(Quantity.POT_LIFE_LEFT, life.curved_min - pour.lasted_min, lines)
    return Worked((left,), used=(*pour.readings, temperature.reading))


def _temperature_at(plan: Plan, readings: Sequence[Reading], at: datetime) -> Number | None:
    """The grout's temperature nearest in time; else the air's, else the pavement's."""
    kinds = (ReadingKind.GROUT_TEMPERATURE, ReadingKind.AIR_TEMPERATURE, ReadingKind.PAVEMENT_TEMPERATURE)
    for kind in kinds:
        numbers = take(plan, readings, kind).numbers
        distance = _minutes_from(at)
        if numbers:
            return min(numbers, key=distance)
    return None


def _minutes_from(at: datetime) -> Callable[[Number], float]:
    def distance(number: Number) -> float:
        return math.inf if number.reading.at is None else abs(minutes(at, number.reading.at))

    return distance
