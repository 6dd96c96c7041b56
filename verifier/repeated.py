"""One quantity read once or several times: the mean, with what the readings differ by.

Repeated readings rarely number more than three, so their scatter says little (JCGM 100, E.4.3); half their range is
taken as a standard uncertainty of its own, beside what the instrument adds, and nothing is divided by the root of
their number: readings rounded to one step repeat the same error (F.2.2.1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from models.measurement import BudgetLine, Estimate, Problem, Quantity
from models.plan import Plan
from models.readings import Reading, ReadingKind
from models.units import UnitSystem, show
from verifier.readings import Number, propagate, take
from verifier.worked import Worked

DISAGREEMENT = 4.0
"""Readings that differ by more than so many standard uncertainties of their difference are pointed out."""


def simple(plan: Plan, readings: Sequence[Reading], kind: ReadingKind, quantity: Quantity) -> Worked:
    """The mean of all readings of one kind; nothing at all where there is none."""
    taken = take(plan, readings, kind)
    if not taken.numbers:
        return Worked(problems=taken.problems)
    estimate = mean_estimate(taken.numbers, quantity)
    doubts = disagreement(taken.numbers, plan.units)
    return Worked((estimate,), (*taken.problems, *doubts), used=tuple(n.reading for n in taken.numbers))


def mean_estimate(numbers: Sequence[Number], quantity: Quantity) -> Estimate:
    """Mean of one or more numbers, with its budget."""
    count = len(numbers)
    mean = math.fsum(n.value for n in numbers) / count
    lines = propagate((1.0 / count, n) for n in numbers)
    lines = (replace(lines[0], standard_uncertainty=max(n.resolution_u for n in numbers)), *lines[1:])
    if count > 1:
        values = [n.value for n in numbers]
        lines = (*lines, BudgetLine("the readings differ: half their range", (max(values) - min(values)) / 2.0))
    return Estimate(quantity, mean, lines)


def disagreement(numbers: Sequence[Number], system: UnitSystem) -> tuple[Problem, ...]:
    """A problem where readings of one thing differ by more than their instruments explain."""
    if len(numbers) < 2:
        return ()
    low, high = (pick(numbers, key=lambda n: n.value) for pick in (min, max))
    if high.value - low.value <= DISAGREEMENT * math.hypot(low.standard_uncertainty, high.standard_uncertainty):
        return ()
    dimension = low.reading.form.fields[0].dimension
    lowest, highest = (show(n.value, dimension, system) for n in (low, high))
    return (
        Problem(
            "readings-disagree",
            f"{low.reading.form.title}: readings from {lowest} to {highest} differ by more than the"
            " instrument explains. Measure again; where both are right, say so in a note.",
        ),
    )


def together(*parts: Worked) -> Worked:
    """Several outcomes as one, in their order."""
    earliest = [p.not_before for p in parts if p.not_before is not None]
    return Worked(
        tuple(e for p in parts for e in p.estimates),
        tuple(dict.fromkeys(x for p in parts for x in p.problems)),
        tuple(dict.fromkeys(x for p in parts for x in p.remarks)),
        tuple(x for p in parts for x in p.own_tolerances),
        max(earliest, default=None),
        tuple(dict.fromkeys(x for p in parts for x in p.used)),
    )
