"""Electrical checks of the sensor before grouting, again at the end, and what changed in between.

``insulation_change``: resistance at the end over resistance at seating; ``bridge_change`` and ``zero_change``: value at
the end less value at seating. Limits belong to the sensor's data sheet (common practice: insulation in the gigohms,
bridge unchanged by the grout).
"""

from __future__ import annotations

from collections.abc import Sequence

from models.measurement import BudgetLine, Estimate, Problem, Quantity
from models.plan import Plan
from models.readings import Reading, ReadingKind
from verifier.readings import Number, of_kind, propagate, take
from verifier.repeated import disagreement, mean_estimate, together
from verifier.worked import Worked

QUANTITIES = {
    ReadingKind.INSULATION_RESISTANCE: (Quantity.INSULATION_RESISTANCE, Quantity.INSULATION_CHANGE),
    ReadingKind.BRIDGE_RESISTANCE: (Quantity.BRIDGE_RESISTANCE, Quantity.BRIDGE_CHANGE),
    ReadingKind.ZERO_SIGNAL: (Quantity.ZERO_SIGNAL, Quantity.ZERO_CHANGE),
}
"""Each kind of reading, the quantity it gives, and the one its change gives."""


def checks(plan: Plan, readings: Sequence[Reading]) -> Worked:
    """Insulation resistance, bridge resistance and zero signal, for each pair of wires."""
    return together(*(_check(plan, readings, kind) for kind in QUANTITIES))


def _check(plan: Plan, readings: Sequence[Reading], kind: ReadingKind) -> Worked:
    taken = take(plan, readings, kind)
    groups = _by_pair(taken.numbers)
    estimates = tuple(mean_estimate(group, QUANTITIES[kind][0]) for group in groups.values())
    doubts = tuple(p for group in groups.values() for p in disagreement(group, plan.units))
    return Worked(estimates, (*taken.problems, *doubts), used=tuple(n.reading for n in taken.numbers))


def _by_pair(numbers: Sequence[Number]) -> dict[str, list[Number]]:
    """Numbers by the pair of wires they were read at, '' where none is named."""
    groups: dict[str, list[Number]] = {}
    for number in numbers:
        groups.setdefault(number.reading.text("pair"), []).append(number)
    return groups


def changes(plan: Plan, before: Sequence[Reading], after: Sequence[Reading]) -> Worked:
    """What changed from the checks at seating to those at the end; nothing where there were none before."""
    return together(*(_change(plan, before, after, kind) for kind in QUANTITIES))


def _change(plan: Plan, before: Sequence[Reading], after: Sequence[Reading], kind: ReadingKind) -> Worked:
    first, last = (_by_pair(take(plan, readings, kind).numbers) for readings in (before, after))
    if not any(of_kind(before, k) for k in QUANTITIES):
        return Worked()
    parts = []
    for pair, ends in last.items():
        if pair in first:
            parts.append(_pair_change(kind, first[pair], ends))
        else:
            parts.append(Worked(problems=(_no_start(ends[0]),)))
    return together(*parts)


def _no_start(end: Number) -> Problem:
    words = f"The {end.reading.named()} was not read before grouting: its change cannot be told."
    return Problem("no-reading-before", words)


def _pair_change(kind: ReadingKind, first: Sequence[Number], last: Sequence[Number]) -> Worked:
    quantity = QUANTITIES[kind][1]
    used = tuple(n.reading for n in (*first, *last))
    start, end = mean_estimate(first, quantity), mean_estimate(last, quantity)
    if quantity is not Quantity.INSULATION_CHANGE:
        slope_start, slope_end, value = -1.0, 1.0, end.value - start.value
    elif start.value > 0.0:
        slope_start, slope_end, value = -end.value / start.value**2, 1.0 / start.value, end.value / start.value
    else:
        zero = Problem(
            "no-reading-before", "Insulation was read as 0 before: its change cannot be told. Measure again."
        )
        return Worked(problems=(zero,), used=used)
    terms = [(slope_start / len(first), n) for n in first] + [(slope_end / len(last), n) for n in last]
    scatter = ((slope_start, first), (slope_end, last))
    ranges = [abs(slope) * _half_range(numbers) for slope, numbers in scatter if len(numbers) > 1]
    lines = tuple(BudgetLine("the readings differ: half their range", u) for u in ranges)
    return Worked((Estimate(quantity, value, (*propagate(terms), *lines)),), used=used)


def _half_range(numbers: Sequence[Number]) -> float:
    values = [n.value for n in numbers]
    return (max(values) - min(values)) / 2.0
