"""Cure of the grout: from the end of the pour to the start of grinding, and from when grinding may start.

- ``cure_time``: minutes from the end of the pour to the start of grinding.
- ``equivalent_age``, ``equivalent_age_nurse_saul``: age at the reference temperature that the logged temperatures
  amount to (`verifier.maturity`), at the start of grinding or, before it, at the last temperature logged.
- ``cure_margin``: minutes from when grinding may start to when it did.
- ``closure_margin``: minutes from when grinding may start to the end of the closure, as long as it has not started.

Grinding may start when every method the plan has figures for is content (`verifier.cure_methods`) and never before the
plan's floor (common practice: one hour). Between two logged temperatures a straight line is taken; after the last one
it is held.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from statistics import NormalDist

import numpy as np

from models.materials import Material
from models.measurement import BudgetLine, Estimate, Limits, Problem, Quantity
from models.plan import Plan
from models.readings import Reading, ReadingKind
from models.tolerance import DecisionRule, Rule, Tolerance
from models.units import Dimension, show
from verifier.cure_log import TemperatureLog, temperature_log, temperature_shifts
from verifier.cure_methods import LONGEST_CURE_MIN, Method, Required, floor_min, methods_of, progress, required_time
from verifier.events import clock_line, clock_time, closure_end, events, minutes, next_minute
from verifier.worked import Worked


def cure(plan: Plan, sensor_name: str, material: Material, readings: Sequence[Reading]) -> Worked:
    """The cure so far, and from when grinding may start; readings of the pour's stage among them."""
    pours, grinds = (events(readings, kind) for kind in (ReadingKind.POUR_END, ReadingKind.GRIND_START))
    problems = (*pours.problems, *grinds.problems)
    if not pours.times:
        words = "Tell when the pour ended: the cure is reckoned from then."
        return Worked(problems=(*problems, Problem("pour-end-missing", words)), used=grinds.readings)
    poured = pours.times[-1]
    ground = next((at for at in grinds.times if at >= poured), None)
    log, log_problems = temperature_log(plan, readings, poured)
    used = (pours.readings[-1], *grinds.readings, *(n.reading for n in log.numbers))
    problems = (*problems, *log_problems, *_order(poured, grinds.times))
    base = _elapsed(plan, material, poured, ground)
    if not len(log.at_min):
        return replace(base, problems=problems, used=used)
    worked = _with_temperatures(plan, sensor_name, material, readings, log, poured, ground)
    return Worked(
        (*base.estimates, *worked.estimates),
        (*problems, *worked.problems),
        worked.remarks,
        (*base.own_tolerances, *worked.own_tolerances),
        worked.not_before,
        used,
    )


def _order(poured: datetime, grinds: Sequence[datetime]) -> tuple[Problem, ...]:
    """Times that cannot be."""
    early = [at for at in grinds if at < poured]
    late = [at for at in grinds if minutes(poured, at) > LONGEST_CURE_MIN]
    if not early and not late:
        return ()
    words = f"Grinding is said to begin at {(early or late)[0].isoformat()}, the pour to end at {poured.isoformat()}:"
    return (Problem("times-out-of-order", f"{words} correct the wrong one."),)


def _elapsed(plan: Plan, material: Material, poured: datetime, ground: datetime | None) -> Worked:
    """Time from the end of the pour to the start of grinding, with the floor as its limit."""
    if ground is None:
        return Worked()
    elapsed = Estimate(Quantity.CURE_TIME, minutes(poured, ground), (clock_line(plan),))
    floor = Tolerance(Quantity.CURE_TIME, Limits(floor_min(material), None), "floor of the plan")
    return Worked((elapsed,), own_tolerances=(floor,))


def _with_temperatures(
    plan: Plan,
    sensor_name: str,
    material: Material,
    readings: Sequence[Reading],
    log: TemperatureLog,
    poured: datetime,
    ground: datetime | None,
) -> Worked:
    """Equivalent ages, when grinding may start, and the margins."""
    methods, problems = methods_of(material)
    until = minutes(poured, ground) if ground is not None else max(float(log.at_min[-1]), 0.0)
    ages = tuple(_age(method, log, until) for method in methods if method.quantity is not None and until > 0.0)
    if not methods:
        return Worked(problems=problems)
    required = required_time(plan, material, methods, log, ground is not None)
    if not math.isfinite(required.time_min):
        return Worked(ages, (*problems, _never(plan, material, log)))
    earliest = next_minute(poured + timedelta(minutes=required.time_min + _guard(plan.rule, required)))
    if ground is not None:
        margin = Estimate(Quantity.CURE_MARGIN, until - required.time_min, required.budget)
        own = Tolerance(Quantity.CURE_MARGIN, Limits(0.0, None), f"{required.method}, or the plan's floor")
        return Worked((*ages, margin), problems, (), (own,), earliest)
    outlook = _outlook(plan, sensor_name, readings, poured, earliest, required)
    return replace(outlook, estimates=(*ages, *outlook.estimates), problems=(*problems, *outlook.problems))


def _never(plan: Plan, material: Material, log: TemperatureLog) -> Problem:
    coldest = min(row.temperature_degc for row in material.cure)
    now, least = (show(float(t), Dimension.TEMPERATURE, plan.units, 3) for t in (log.degc[-1], coldest))
    words = f"At {now} the grout is colder than the {least} from which the sheet gives a cure"
    return Problem("colder-than-table", f"{words} time: warm it, or ask the maker. No time to grind can be given.")


def _age(method: Method, log: TemperatureLog, until_min: float) -> Estimate:
    assert method.quantity is not None
    value = progress(method, log, until_min)
    shifts = temperature_shifts(log)
    lines = tuple(BudgetLine(name, abs(progress(method, log, until_min, u) - value)) for name, u in shifts)
    rate = float(method.rate(log.at(np.array([until_min])))[0])
    return Estimate(method.quantity, value, (*lines, BudgetLine("clock", rate * _CLOCK_U)))


_CLOCK_U = math.sqrt(2.0 / 12.0)
"""Two times told to the minute."""


def _guard(rule: DecisionRule, required: Required) -> float:
    """Minutes to wait beyond the required time so that the margin will be found conforming by the project's rule."""
    u = math.sqrt(math.fsum(line.standard_uncertainty**2 for line in required.budget))
    if rule.rule is Rule.SIMPLE:
        return 0.0
    if rule.rule is Rule.GUARDED:
        return rule.guard_factor * 2.0 * u
    return NormalDist().inv_cdf(1.0 - rule.consumer_risk) * u


def _outlook(
    plan: Plan, sensor_name: str, readings: Sequence[Reading], poured: datetime, earliest: datetime, required: Required
) -> Worked:
    """'Grind from 03:40', and whether that fits the closure."""
    words = f"Grind from {clock_time(plan, earliest)}, by {required.method} and the temperatures logged so far."
    remark = Problem("grind-from", words)
    end = closure_end(plan, sensor_name, readings, poured)
    if end is None:
        return Worked(remarks=(remark,), not_before=earliest)
    margin = Estimate(Quantity.CLOSURE_MARGIN, minutes(earliest, end), required.budget)
    own = Tolerance(Quantity.CLOSURE_MARGIN, Limits(0.0, None), "end of the closure")
    return Worked((margin,), (), (remark, _fits(plan, earliest, end)), (own,), earliest)


def _fits(plan: Plan, earliest: datetime, end: datetime) -> Problem:
    left = minutes(earliest, end)
    if left >= 0.0:
        words = f"That leaves {left:.0f} min to grind before the closure ends at {clock_time(plan, end)}."
        return Problem("fits-the-closure", words)
    words = (
        f"That is {-left:.0f} min after the closure ends at {clock_time(plan, end)}: prolong it, or cover the grout."
    )
    return Problem("outlasts-the-closure", words)
