"""The closure's two ends, and the lane's reopening against its end."""

from __future__ import annotations

from collections.abc import Sequence

from models.measurement import Estimate, Limits, Problem, Quantity
from models.plan import Plan
from models.readings import Reading, ReadingKind
from models.tolerance import Tolerance
from verifier.events import clock_line, closure_end, events, minutes
from verifier.worked import Worked

IN_TIME = Tolerance(Quantity.CLOSURE_MARGIN, Limits(0.0, None), "end of the closure")


def closure(readings: Sequence[Reading]) -> Worked:
    """Whether the closure's times can be: both told with a zone, the end after the start."""
    starts, ends = (events(readings, kind) for kind in (ReadingKind.CLOSURE_START, ReadingKind.CLOSURE_END))
    problems = (*starts.problems, *ends.problems)
    if starts.times and ends.times and ends.times[-1] <= starts.times[-1]:
        problems = (
            *problems,
            Problem("times-out-of-order", "The closure is said to end before it begins: correct it."),
        )
    return Worked(problems=problems, used=(*starts.readings, *ends.readings))


def reopening(plan: Plan, sensor_name: str, readings: Sequence[Reading], earlier: Sequence[Reading]) -> Worked:
    """``closure_margin``: minutes from the lane's reopening to the end of the closure, below 0 where it was late."""
    opened = events(readings, ReadingKind.LANE_OPEN)
    if not opened.times:
        return Worked(problems=opened.problems)
    end = closure_end(plan, sensor_name, (*earlier, *readings), opened.times[-1])
    used = (opened.readings[-1],)
    if end is None:
        return Worked(problems=opened.problems, used=used)
    margin = Estimate(Quantity.CLOSURE_MARGIN, minutes(opened.times[-1], end), (clock_line(plan),))
    return Worked((margin,), opened.problems, (), (IN_TIME,), used=used)
