"""Events of the night by the clock: what began or ended when, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from models.measurement import BudgetLine, Problem
from models.plan import Plan
from models.readings import Reading, ReadingKind
from verifier.readings import of_kind

CLOCK_STEP_MIN = 1.0
"""Times are told to the minute (common practice)."""


@dataclass(frozen=True)
class Events:
    """All events of one kind, in the order of time, and what is wrong with any."""

    readings: tuple[Reading, ...]
    times: tuple[datetime, ...]
    problems: tuple[Problem, ...]


def events(readings: Iterable[Reading], kind: ReadingKind) -> Events:
    """The events of one kind that have a time; one without leaves a problem."""
    found = of_kind(readings, kind)
    timed = [(r.at, r) for r in found if r.at is not None and r.at.tzinfo is not None]
    timed.sort(key=lambda pair: pair[0])
    problems = tuple(_untimed(r) for r in found if r.at is None or r.at.tzinfo is None)
    return Events(tuple(r for _, r in timed), tuple(at for at, _ in timed), problems)


def _untimed(reading: Reading) -> Problem:
    return Problem(
        "time-missing", f"Say when it was, with the time zone: {reading.named()}. It is left out until then."
    )


def minutes(start: datetime, end: datetime) -> float:
    """Minutes from start to end, negative where end comes first."""
    return (end - start).total_seconds() / 60.0


def clock_line(plan: Plan) -> BudgetLine:
    """What a span between two times told by the plan's clock is uncertain by [min]."""
    clocks = [i for i in plan.instruments if i.kind == "clock"]
    step = max((c.resolution for c in clocks), default=CLOCK_STEP_MIN)
    own = max((c.standard_uncertainty for c in clocks), default=0.0)
    return BudgetLine("clock", math.hypot(step / math.sqrt(12.0), own) * math.sqrt(2.0))


def closure_end(plan: Plan, sensor_name: str, readings: Iterable[Reading], around: datetime) -> datetime | None:
    """When the closure ends: as told by the crew, else by the plan's closure that holds ``around``."""
    told = events(readings, ReadingKind.CLOSURE_END).times
    later = [at for at in told if at >= around - timedelta(hours=24)]
    if later:
        return max(later)
    planned = [
        c.end
        for c in plan.closures
        if c.start <= around <= c.end and (not c.lane or sensor_name.startswith(f"{c.lane}/"))
    ]
    return min(planned, default=None)


def clock_time(plan: Plan, at: datetime) -> str:
    """A time as people read it off the clock on site: '03:40'."""
    return at.astimezone(ZoneInfo(plan.time_zone)).strftime("%H:%M")


def next_minute(at: datetime) -> datetime:
    """The full minute at or after a time."""
    floor = at.replace(second=0, microsecond=0)
    return floor if floor == at else floor + timedelta(minutes=1)
