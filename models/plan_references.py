"""What must fit together across a plan: every reference, the roles, the closures."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

from models.instruments import DIMENSIONS, Instrument
from models.people import Role
from models.plan import Closure, Plan
from models.plan_stages import RequiredReading, StagePlan
from models.readings import FORMS
from models.units import Dimension
from models.yaml_reader import Mapping

LONGEST_CLOSURE = timedelta(days=31)
"""A longer one is a slip of the pen."""


def settled(plan: Plan, document: Mapping) -> Plan:
    """The plan with its closures placed in time; notes everything that does not fit together."""
    _check_stage_order(plan, document)
    for stage in plan.stages:
        _check_stage(plan, stage, document)
    _check_roles(plan, document)
    return replace(plan, closures=tuple(_placed(plan, closure, document) for closure in plan.closures))


def _check_stage_order(plan: Plan, document: Mapping) -> None:
    earlier: list[str] = []
    for stage in plan.stages:
        for name in stage.after:
            if name not in earlier:
                document.faults.place(stage).note(
                    "after", f"{name!r} is no stage above this one; {_hint(name, earlier)}"
                )
        earlier.append(stage.id)


def _check_stage(plan: Plan, stage: StagePlan, document: Mapping) -> None:
    materials = [m.id for m in plan.materials]
    for name in stage.materials:
        if name not in materials:
            document.faults.place(stage).note("materials", f"no material is called {name!r}; {_hint(name, materials)}")
    for reading in stage.readings:
        if reading.kind is not None:
            _check_means(plan, reading, document.faults.place(reading))


def _check_means(plan: Plan, reading: RequiredReading, group: Mapping) -> None:
    """A reading must be possible with the instruments that the plan lists."""
    listed = {i.id: i for i in plan.instruments if i.id and i.kind is not None}
    for name in reading.instruments:
        if name in listed:
            _check_instrument(reading, listed[name], group)
        elif name not in [i.id for i in plan.instruments]:
            group.note("instruments", f"no instrument is called {name!r}; {_hint(name, listed)}")
    dimensions = _dimensions(reading)
    for kind in reading.instrument_kinds:
        if not dimensions & set(DIMENSIONS[kind]):
            group.note("instrument_kinds", f"a {kind} cannot read {reading.kind} ({' or '.join(sorted(dimensions))})")
    if reading.instrument_kinds and not any(i.kind in reading.instrument_kinds for i in listed.values()):
        wanted = " or ".join(reading.instrument_kinds)
        group.note("instrument_kinds", f"the plan lists no {wanted}; add it under `instruments`, with its calibration")


def _check_instrument(reading: RequiredReading, instrument: Instrument, group: Mapping) -> None:
    dimensions = _dimensions(reading)
    if instrument.dimension not in dimensions:
        wanted = " or ".join(sorted(dimensions))
        group.note("instruments", f"{instrument.id!r} reads {instrument.dimension}, and {reading.kind} needs {wanted}")
    if reading.instrument_kinds and instrument.kind not in reading.instrument_kinds:
        group.note("instruments", f"{instrument.id!r} is a {instrument.kind}, which `instrument_kinds` leaves out")


def _dimensions(reading: RequiredReading) -> set[Dimension]:
    """What an instrument may read for this reading; for an event it is the time."""
    return {f.dimension for f in FORMS[reading.kind].fields} or {Dimension.TIME}


def _check_roles(plan: Plan, document: Mapping) -> None:
    """With a hold point somebody must be able to release, and nobody releases evidence of their own."""
    holds = [stage.id for stage in plan.stages if stage.hold_point]
    if not holds:
        return
    inspectors = {c.id for c in plan.contacts if Role.INSPECTOR in (c.roles or ())}
    crew = {c.id for c in plan.contacts if Role.CREW in (c.roles or ())}
    if not inspectors:
        document.note("contacts", f"`{holds[0]}` is a hold point, yet no contact is an inspector who could release it")
    if not crew:
        document.note("contacts", "no contact has the role crew; somebody must bring the evidence")
    if len(inspectors | crew) == 1 and inspectors and crew:
        document.note("contacts", "the only inspector is the only crew, and nobody releases evidence of their own")


def _placed(plan: Plan, closure: Closure, document: Mapping) -> Closure:
    """The closure with both ends at their offset from UTC."""
    if None in (closure.start, closure.end):
        return closure
    group = document.faults.place(closure)
    if (closure.start.tzinfo is None or closure.end.tzinfo is None) and "time_zone" not in document.names():
        group.note(None, "needs the plan's `time_zone`, like `time_zone: America/Denver`, or an offset in each time")
    zone = ZoneInfo(plan.time_zone)
    start, end = (_in_zone(getattr(closure, side), zone, side, group) for side in ("start", "end"))
    if end <= start:
        group.note("end", "must come after `start`; a closure over midnight ends on the next day")
    elif end - start > LONGEST_CLOSURE:
        group.note("end", f"lies {(end - start).days} days after `start`; see the dates")
    _check_lane(plan, closure, group)
    return replace(closure, start=start, end=end)


def _check_lane(plan: Plan, closure: Closure, group: Mapping) -> None:
    lanes = [f"{site.id}/{lane.id}" for site in plan.sites for lane in site.lanes]
    if closure.lane and closure.lane not in lanes:
        group.note("lane", f"no lane is called {closure.lane!r}; {_hint(closure.lane, lanes)}")


def _in_zone(moment: datetime, zone: ZoneInfo, name: str, group: Mapping) -> datetime:
    """The moment with a plain offset; a local time that a change of clocks skips or repeats is refused."""
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
        if moment.utcoffset() != moment.replace(fold=1).utcoffset():
            group.note(name, f"the clocks of {zone.key} change at that time; write the offset, like `02:30-06:00`")
    return moment.replace(tzinfo=timezone(moment.utcoffset() or timedelta(0)))


def _hint(name: str, known: Iterable[str]) -> str:
    known = [one for one in known if isinstance(one, str)]  # of a faulty thing the id may be missing
    close = difflib.get_close_matches(name, known, n=1)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"there are: {', '.join(known)}" if known else "none is listed"
