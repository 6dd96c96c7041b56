"""``kerfline state``, ``missing``, ``flags``, ``log``: what the record says, for people and for programs."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator

from api.errors import EXIT_OK
from api.project import Project
from api.record_json import entry_json, flags_json, missing_json, state_json
from api.record_look import Look, SensorLook, StageLook, look_at
from api.record_place import open_project
from api.record_words import (
    MARKS,
    entry_line,
    flag_lines,
    in_ranges,
    joined,
    measurement_line,
    stage_lines,
    wrapped,
)
from models.state import Flag, SensorState, Severity


def run_view(options: argparse.Namespace) -> int:
    """Print one view of the record; returns its exit status."""
    view = {"state": _state, "missing": _missing, "flags": _flags, "log": _log}[options.command]
    with open_project(options) as project:
        for line in view(options, project):
            print(line)
    return EXIT_OK


def _state(options: argparse.Namespace, project: Project) -> Iterator[str]:
    look = look_at(options, project)
    if options.json:
        yield json.dumps(state_json(look), ensure_ascii=False)
        return
    plan = look.plan
    yield from wrapped(
        f"{plan.project}, plan version {plan.version}, up to entry #{look.newest}, times in {plan.time_zone}", ""
    )
    for sensor in look.sensors:
        yield from ("", _heading(sensor.state))
        yield from _sensor(sensor, look)
    if look.flags:
        yield from ("", "the whole project")
    for flag in joined(look.flags):
        yield from flag_lines(flag, look.numbers)


def _heading(sensor: SensorState) -> str:
    upcoming = sensor.next_stage()
    return f"{sensor.sensor}   {'all stages are done' if upcoming is None else f'at stage: {upcoming.stage}'}"


def _sensor(sensor: SensorLook, look: Look) -> Iterator[str]:
    for stage in sensor.stages:
        yield from stage_lines(stage.place.sensor, stage.state, look.project, look.numbers, short=not look.in_full)
        if look.in_full:
            yield from _in_full(stage, look)
    for flag in joined(sensor.state.flags):
        yield from flag_lines(flag, look.numbers)


def _in_full(one: StageLook, look: Look) -> Iterator[str]:
    """Texts of what is missing, what is good to know, results and evidence."""
    stage = one.state
    for missing in stage.missing:
        yield from wrapped(missing.text, f"  missing {missing.item}: ", "      ")
    for flag in joined(stage.having(Severity.INFO)):
        yield from flag_lines(flag, look.numbers)
    for waived in stage.waived:
        yield from wrapped(f"{waived.text}; {waived.reason}; {waived.reference}", f"  waived {waived.item}: ", "      ")
    yield from _results(one, look)
    yield from wrapped(_numbered(stage.evidence, look) or "none", "  evidence: ")
    if stage.superseded:
        yield from wrapped(_numbered(stage.superseded, look), "  counts no more: ")


def _numbered(entries: tuple[str, ...], look: Look) -> str:
    return in_ranges(look.numbers[e] for e in entries)


def _results(one: StageLook, look: Look) -> Iterator[str]:
    """All measurements with their verdicts, photo by photo and computation by computation."""
    evidence, units = look.project.evidence(one.place), look.plan.units
    for photo in evidence.photos:
        measured = evidence.measured.get(photo.id)
        if measured is not None and measured.fact.usable:
            yield f"  {photo.fact.name}:"
            yield from (line for m in measured.fact.measurements for line in measurement_line(m, units))
    for result in sorted(evidence.results, key=lambda r: r.fact.computation):
        if result.fact.measurements:
            yield f"  {result.fact.computation}:"
            yield from (line for m in result.fact.measurements for line in measurement_line(m, units))


def _missing(options: argparse.Namespace, project: Project) -> Iterator[str]:
    look = look_at(options, project)
    if options.json:
        yield json.dumps(missing_json(look), ensure_ascii=False)
        return
    lacking = [one for one in look.stages() if one.state.missing and not one.state.is_done]
    for one in lacking:
        yield f"{one.place.sensor} {one.place.stage}"
        for missing in one.state.missing:
            yield from wrapped(missing.text, f"  {missing.item}: ", "      ")
    if not lacking:
        yield "nothing is missing"


def _flags(options: argparse.Namespace, project: Project) -> Iterator[str]:
    look = look_at(options, project)
    if options.json:
        yield json.dumps(flags_json(look), ensure_ascii=False)
        return
    found = [(_where(one), flag) for one in look.stages() for flag in joined(one.state.flags)]
    found += [("the whole project", flag) for flag in joined(look.flags)]
    # The gravest of all stages first.
    for where, flag in sorted(found, key=_gravity):
        yield where
        yield from flag_lines(flag, look.numbers)
    if not found:
        yield "nothing is flagged"


def _where(one: StageLook) -> str:
    return f"{one.place.sensor} {one.place.stage}{f' ({one.state.status})' if one.state.is_done else ''}"


def _gravity(found: tuple[str, Flag]) -> int:
    return list(MARKS).index(found[1].severity)


def _log(options: argparse.Namespace, project: Project) -> Iterator[str]:
    plan = project.plan
    sensor = project.sensor_names(options.sensor)[0] if options.sensor else None
    for entry in project.entries(sensor):
        yield json.dumps(entry_json(entry), ensure_ascii=False) if options.json else entry_line(entry, plan)
