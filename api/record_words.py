"""Entries and stages as lines of text, no longer than the terminal is wide."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from api.project import Place, Project
from models.entry import Entry, EntryError, moment
from models.facts import (
    CheckAdded,
    Correction,
    Decision,
    Fact,
    Note,
    PhotoAdded,
    PhotoMeasured,
    PlanAdopted,
    ReadingAdded,
    ResultComputed,
    fact_of,
)
from models.measurement import Measurement, Verdict
from models.plan import Plan
from models.readings import ReadingKind
from models.state import DecisionInForce, Flag, Severity, StageState, StageStatus
from models.units import Dimension, UnitSystem, dimension_of, show
from models.wording import SIGNS, estimate_shown, limits_shown

MARKS = {Severity.FAILED: "✗", Severity.DOUBT: "?", Severity.INFO: "·"}
"""Before each flag: it stops a release; it wants a reason; it is good to know."""

CURE_AND_GRIND = "cure-and-grind"

CLOCKS_AGREE_WITHIN = timedelta(minutes=5)
"""A photo is told within minutes of the shutter; more than that is another time or a wrong clock."""

Numbers = Mapping[str, int]
"""By id the numbers of entries."""


def width() -> int:
    """Columns to write in."""
    return min(max(shutil.get_terminal_size((80, 24)).columns, 60), 110)


def wrapped(text: str, first: str, rest: str | None = None) -> list[str]:
    """A text in lines, the first after this beginning, the others indented."""
    indent = " " * len(first) if rest is None else rest
    return textwrap.wrap(text, width(), initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)


def clock(at: datetime, plan: Plan) -> str:
    """A time in the project's zone."""
    return f"{at.astimezone(ZoneInfo(plan.time_zone)):%Y-%m-%d %H:%M}"


def counted(count: int, one: str, many: str) -> str:
    """A number with its noun: ``1 entry``, ``2 entries``."""
    return f"{count} {one if count == 1 else many}"


def entry_line(entry: Entry, plan: Plan) -> str:
    """One entry: number, time, who, where, what."""
    place = "/".join(p for p in (entry.sensor.rpartition("/")[2] or "*", entry.stage) if p)
    return f"#{entry.seq} {clock(moment(entry.at), plan)} {entry.author} {place}: {_what(entry, plan)}"


def _what(entry: Entry, plan: Plan) -> str:
    try:
        return _told(fact_of(entry), plan)
    except EntryError as wrong:
        return f"{entry.type}: {wrong}"


def _told(fact: Fact, plan: Plan) -> str:
    """A fact in a few words."""
    match fact:
        case PlanAdopted():
            return f"plan version {fact.plan.get('version')} adopted"
        case PhotoAdded():
            return f"photo {fact.name}{f' for {fact.requirement}' if fact.requirement else ''}"
        case PhotoMeasured() if not fact.usable:
            return f"photo unusable: {'; '.join(p.message for p in fact.problems)}"
        case PhotoMeasured():
            return f"photo measured: {', '.join(_short(m, plan.units) for m in _told_of(fact.measurements))}"
        case ReadingAdded():
            return reading_words(fact, plan.units)
        case CheckAdded():
            return f"{fact.check}: {fact.outcome}{f' ({fact.note})' if fact.note else ''}"
        case ResultComputed():
            return f"{fact.computation}: {_result(fact, plan.units)}"
        case Correction():
            return f"{'withdrawn' if fact.withdrawn else 'corrected'}: entry {fact.corrects[:8]}…: {fact.reason}"
        case Decision():
            return _decision(fact)
        case Note():
            return f"note: {fact.text}"


def reading_words(fact: ReadingAdded, units: UnitSystem) -> str:
    """A reading as it was written, with where it was read and with what."""
    words = [fact.kind.value]
    words += [text for _, text in fact.texts]
    words += [value.written if name == "value" else f"{name} = {value.written}" for name, value in fact.values]
    words += [f"at {show(fact.station_mm, Dimension.LENGTH, units)}"] if fact.station_mm is not None else []
    words += [f"after pass {fact.pass_number}"] if fact.pass_number is not None else []
    words += [f"with {fact.instrument}"] if fact.instrument else []
    return " ".join(words) + (f" ({fact.note})" if fact.note else "")


def _told_of(measurements: tuple[Measurement, ...]) -> list[Measurement]:
    """Those that a line has room for."""
    return [m for m in measurements if m.judgement is not None] or list(measurements[:3])


def camera_clock_words(photo: Entry, plan: Plan) -> str:
    """How far the camera's clock is from the time that was told for its photo; empty where they agree or it is mute."""
    body, told = photo.body, moment(photo.at)
    try:
        taken = datetime.fromisoformat(str(body["capture"].get("taken_at")))
    except ValueError:
        return ""
    if taken.tzinfo is None:  # a camera without a zone shows the time of the site
        taken = taken.replace(tzinfo=ZoneInfo(plan.time_zone))
    if abs(told - taken) <= CLOCKS_AGREE_WITHIN:
        return ""
    return (
        f"{body['name']}: its camera says {clock(taken, plan)}, told for it is {clock(told, plan)}: "
        "if it was taken then, correct the entry and give the time by --at; else set the camera's clock"
    )


def _result(fact: ResultComputed, units: UnitSystem) -> str:
    """Values with what is doubtful about them; without values, why there are none."""
    words = ", ".join(_short(m, units, in_doubt=bool(fact.problems)) for m in _told_of(fact.measurements))
    problems = fact.problems if words else (*fact.problems, *fact.remarks)
    return "; ".join(word for word in (words, " ".join(p.message for p in problems)) if word)


def _short(measurement: Measurement, units: UnitSystem, *, in_doubt: bool = False) -> str:
    """Value and verdict; a value in doubt is not ticked off."""
    sign = "" if measurement.judgement is None else f"{_sign(measurement.judgement.verdict, in_doubt)} "
    # Both systems at once would not leave room for anything else.
    one = UnitSystem.SI if units is UnitSystem.BOTH else units
    return f"{sign}{measurement.estimate.quantity} {estimate_shown(measurement.estimate, one)}"


def _sign(verdict: Verdict, in_doubt: bool) -> str:
    return SIGNS[Verdict.INCONCLUSIVE if in_doubt and verdict is Verdict.CONFORMING else verdict]


def _decision(fact: Decision) -> str:
    items = f" {', '.join(fact.items)}" if fact.items else ""
    words = "; ".join(word for word in (fact.reason, fact.reference) if word)
    return f"{fact.decision}{items} on {counted(len(fact.evidence), 'entry', 'entries')}{f': {words}' if words else ''}"


def stage_lines(
    sensor: str, stage: StageState, project: Project, numbers: Numbers, *, short: bool = False
) -> Iterator[str]:
    """A stage of a sensor: its status, then what holds it, what is missing, what is flagged, what comes next.

    ``short`` leaves of a stage that is held, and of which nothing was shown, only that.
    """
    yield f"{stage.stage:<16} {stage.status:<11} {'hold point' if stage.hold_point else ''}".rstrip()
    if stage.is_done:
        yield from _decided(stage, project.plan)
        yield from _waived(stage)
        yield from _reworked(stage, project.plan, numbers)
        return
    if stage.decision is not None:
        yield from wrapped(f"{stage.decision.author}: {stage.decision.reason}", f"  {stage.decision.decision}: ")
    if stage.reopened:
        again = ", ".join(f"#{numbers[e]}" for e in stage.reopened)
        yield from wrapped(f"decision {again} was set aside by what came after it", "  opened again: ")
    if stage.blocked_by:
        yield from wrapped(f"{', '.join(stage.blocked_by)} must be released first", "  held: ")
    if stage.missing and not (short and stage.blocked_by and stage.status is StageStatus.OPEN):
        yield from wrapped(", ".join(m.item for m in stage.missing), "  missing: ")
    for flag in joined(stage.flags):
        if flag.severity is not Severity.INFO:
            yield from flag_lines(flag, numbers)
    yield from _waived(stage)
    yield from _reworked(stage, project.plan, numbers)
    if stage.earliest_next is not None and not _is_ground(Place(sensor, stage.stage), project):
        yield f"  next: {_next_words(stage.stage, stage.earliest_next, project.plan)}"


def _decided(stage: StageState, plan: Plan) -> Iterator[str]:
    if stage.decision is not None:
        yield from wrapped(_who_when_why(stage.decision, plan), "  by ", "     ")


def _who_when_why(decision: DecisionInForce, plan: Plan) -> str:
    words = "; ".join(word for word in (decision.reason, decision.reference) if word)
    told = f"{decision.author}, {clock(decision.at, plan)}, plan {decision.plan_version}"
    return f"{told}{f': {words}' if words else ''}"


def _reworked(stage: StageState, plan: Plan, numbers: Numbers) -> Iterator[str]:
    """Past orders for rework; the one in force is the stage's decision and said as such."""
    for order in stage.reworked:
        if stage.decision is None or stage.decision.entry != order.entry:
            yield from wrapped(f"#{numbers[order.entry]} {_who_when_why(order, plan)}", "  reworked: ")


def _waived(stage: StageState) -> Iterator[str]:
    if stage.waived:
        yield from wrapped(", ".join(dict.fromkeys(w.item for w in stage.waived)), "  waived: ")


def in_ranges(numbers: Iterable[int]) -> str:
    """Numbers of entries, neighbours together: ``#1, #4-#7``."""
    spans: list[list[int]] = []
    for number in sorted(numbers):
        if spans and number == spans[-1][-1] + 1:
            spans[-1].append(number)
        else:
            spans.append([number])
    return ", ".join(f"#{s[0]}" if len(s) == 1 else f"#{s[0]}-#{s[-1]}" for s in spans)


def joined(flags: Iterable[Flag]) -> list[Flag]:
    """The flags, the gravest first; those that say the same of several entries as one."""
    groups: dict[Flag, list[str]] = {}
    for flag in flags:
        groups.setdefault(replace(flag, entries=()), []).extend(flag.entries)
    found = [replace(flag, entries=tuple(entries)) for flag, entries in groups.items()]
    return sorted(found, key=lambda flag: list(MARKS).index(flag.severity))


def flag_lines(flag: Flag, numbers: Numbers) -> Iterator[str]:
    """A flag with the numbers of the entries that it is about."""
    about = in_ranges(numbers[e] for e in flag.entries if e in numbers)
    item = f" [{flag.item or flag.code}]"
    yield from wrapped(f"{flag.text}{item}{f' {about}' if about else ''}", f"  {MARKS[flag.severity]} ")


def _is_ground(place: Place, project: Project) -> bool:
    """Whether grinding has begun, so that it is no longer to come."""
    return bool(project.evidence(place).standing_readings(ReadingKind.GRIND_START))


def _next_words(stage: str, earliest: datetime, plan: Plan) -> str:
    """'grind from 03:40 (2026-10-07)'."""
    at = earliest.astimezone(ZoneInfo(plan.time_zone))
    return f"{'grind' if stage == CURE_AND_GRIND else 'go on'} from {at:%H:%M} ({at:%Y-%m-%d})"


def measurement_line(measurement: Measurement, units: UnitSystem) -> list[str]:
    """A measurement with its verdict and limits."""
    estimate, judgement = measurement.estimate, measurement.judgement
    words = f"{estimate.quantity} {estimate_shown(estimate, units)}"
    if judgement is None:
        return wrapped(words, "    ", "        ")
    limits = limits_shown(judgement.limits, dimension_of(estimate.quantity.unit), units)
    clause = f" ({judgement.clause})" if judgement.clause else ""
    return wrapped(f"{words}: {judgement.verdict}, {limits}{clause}", f"  {SIGNS[judgement.verdict]} ", "        ")
