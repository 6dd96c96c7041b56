"""The commands that tell the record something: each reads its words, asks the project, and says what came of it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from api.errors import EXIT_OK, EXIT_REFUSED, UsageError
from api.inputs import load_plan
from api.progress import with_progress
from api.project import Added, Place, Project
from api.project_photos import measure_in_workers
from api.reading_words import UNNAMED, ReadingWords, WordsError, kind_named, reading_from
from api.record_place import (
    open_project,
    person_of,
    replacement_of,
    sensor_of,
    stage_named,
    stage_of,
    time_of,
)
from api.record_words import camera_clock_words, entry_line, stage_lines, wrapped
from models.entry import EntryType
from models.facts import CheckAdded, DecisionKind, Outcome
from models.measurement import PhotoKind
from models.permissions import Action
from models.plan_stages import RequiredPhoto


def run_record(options: argparse.Namespace) -> int:
    """Run one of the record's commands; returns its exit status."""
    if options.command == "start":
        return _start(options)
    with open_project(options) as project:
        project.measure = lambda tasks: with_progress(measure_in_workers(tasks), len(tasks))
        return _COMMANDS[_name(options)](options, project)


def _name(options: argparse.Namespace) -> str:
    second = getattr(options, "evidence", None) or getattr(options, "plan_command", None)
    return f"{options.command} {second}" if second else str(options.command)


def _start(options: argparse.Namespace) -> int:
    plan = load_plan(options.plan).plan
    who = person_of(options, plan, Action.ADOPT_PLAN)
    with Project.start(Path(options.folder), Path(options.plan), who, database=options.database) as project:
        print(f"{options.folder}: {project.plan.project}, plan version {project.plan.version}")
        print(f"sensors: {', '.join(project.sensor_names()) or 'none'}")
    return EXIT_OK


def _adopt(options: argparse.Namespace, project: Project) -> int:
    who = person_of(options, project.plan, Action.ADOPT_PLAN)
    added = project.adopt_plan(Path(options.plan), who, time_of(options, project))
    if not added.entries:
        print(f"plan version {project.plan.version} is in force already")
    _say(project, added)
    return EXIT_OK


def _add_photo(options: argparse.Namespace, project: Project) -> int:
    if options.replaces and len(options.photos) > 1:
        raise UsageError("--replaces: one photo takes the place of one entry; add the others by themselves")
    required, stage = _photo_purpose(options, project)
    place = Place(sensor_of(options, project), stage)
    kind = PhotoKind(options.kind) if options.kind else required.kind if required else None
    added = project.add_photos(
        place,
        [Path(photo) for photo in options.photos],
        person_of(options, project.plan, Action.ADD_EVIDENCE),
        kind=kind,
        requirement=required.id if required else None,
        at=time_of(options, project),
        replaces=replacement_of(options, project, place),
    )
    _say(project, added, place)
    for entry in added.entries:
        if entry.type == EntryType.PHOTO_ADDED and (words := camera_clock_words(entry, project.plan)):
            print("\n".join(wrapped(words, "note: ")))
    return EXIT_REFUSED if added.not_taken else EXIT_OK


def _photo_purpose(options: argparse.Namespace, project: Project) -> tuple[RequiredPhoto | None, str]:
    """The plan's required photo that is meant, and the stage."""
    plan, name = project.plan, options.requirement
    if name:
        stage = stage_of(options, plan, "photo", lambda s: any(p.id == name for p in s.photos))
        required = next((p for p in plan.stage(stage).photos if p.id == name), None)
        if required is None:
            known = ", ".join(p.id for p in plan.stage(stage).photos) or "none"
            raise UsageError(f"--for: {stage} asks for no photo {name!r}; it asks for: {known}")
        if options.kind and required.kind and options.kind != required.kind:
            raise UsageError(f"--kind {options.kind}: the plan has {name} measured as {required.kind}")
        return required, stage
    if not options.kind and not options.stage:
        raise UsageError("say what the photos are: --for ID of the plan's required photo, or --kind, or --stage")
    return None, stage_of(options, plan, "photo", lambda s: any(p.kind == options.kind for p in s.photos))


def _add_reading(options: argparse.Namespace, project: Project) -> int:
    plan = project.plan
    try:
        kind = kind_named(options.kind)
        reading = reading_from(_reading_words(options), plan)
    except WordsError as wrong:
        raise UsageError("\n  ".join(["not a whole reading:", *wrong.faults])) from None
    stage = stage_of(options, plan, f"{kind} reading", lambda s: any(r.kind == kind for r in s.readings))
    place = Place(sensor_of(options, project), stage)
    who = person_of(options, plan, Action.ADD_EVIDENCE)
    at, replaces = time_of(options, project), replacement_of(options, project, place)
    added = project.add_reading(place, reading, who, at, replaces, again=options.again)
    _say(project, added, place, "give --at its own time, or --again, if it was read again")
    return EXIT_OK


def _reading_words(options: argparse.Namespace) -> ReadingWords:
    values: dict[str, str] = {}
    for text in options.value:
        name, equals, value = text.partition("=")
        name, value = (name.strip(), value) if equals else (UNNAMED, text)
        if name in values:
            raise UsageError(f"--value: {name or 'a value without a name'} is given twice")
        values[name] = value
    return ReadingWords(
        options.kind, values, options.station, options.pass_number, options.instrument, _pairs(options.text),
        options.note,
    )  # fmt: skip


def _pairs(texts: list[str]) -> dict[str, str]:
    pairs = [text.partition("=") for text in texts]
    if wrong := [text for text, (_, equals, _) in zip(texts, pairs, strict=True) if not equals]:
        raise UsageError(f"--text {wrong[0]!r}: write NAME=WORD, like part=base")
    return {name.strip(): word for name, _, word in pairs}


def _add_check(options: argparse.Namespace, project: Project) -> int:
    plan, name = project.plan, options.check
    stage = stage_of(options, plan, f"check {name!r}", lambda s: any(c.id == name for c in s.checks))
    if all(c.id != name for c in plan.stage(stage).checks):
        known = ", ".join(c.id for c in plan.stage(stage).checks) or "none"
        raise UsageError(f"{stage} has no check {name!r}; it has: {known}")
    place = Place(sensor_of(options, project), stage)
    who, fact = person_of(options, plan, Action.ADD_EVIDENCE), CheckAdded(name, Outcome(options.outcome), options.note)
    added = project.add_check(place, fact, who, time_of(options, project), replacement_of(options, project, place))
    _say(project, added, place, "give --at its own time if it was asked again")
    return EXIT_OK


def _add_note(options: argparse.Namespace, project: Project) -> int:
    stage = stage_named(project.plan, options.stage) if options.stage else ""
    place = Place(sensor_of(options, project) if options.sensor or stage else "", stage)
    who = person_of(options, project.plan, Action.NOTE)
    _say(project, project.add_note(place, options.text, who, time_of(options, project)))
    return EXIT_OK


def _correct(options: argparse.Namespace, project: Project) -> int:
    entry = project.entry(options.entry)
    action = Action.TAKE_BACK_DECISION if entry.type == EntryType.DECISION else Action.CORRECT
    who = person_of(options, project.plan, action)
    added = project.correct(entry, options.reason, who, withdrawn=options.withdraw, at=time_of(options, project))
    _say(project, added, Place(entry.sensor, entry.stage))
    if not options.withdraw and entry.type != EntryType.DECISION:
        print(f"tell what is right by `kerfline add ... --replaces {entry.seq}`")
    return EXIT_OK


_DECISIONS = {
    "release": (DecisionKind.RELEASE, Action.RELEASE),
    "rework": (DecisionKind.REWORK, Action.REWORK),
    "ask": (DecisionKind.ASK_AGAIN, Action.ASK_AGAIN),
    "waive": (DecisionKind.WAIVE, Action.WAIVE),
}


def _decide(options: argparse.Namespace, project: Project) -> int:
    kind, action = _DECISIONS[options.command]
    place = Place(sensor_of(options, project), stage_named(project.plan, options.stage))
    added = project.decide(
        place,
        kind,
        person_of(options, project.plan, action),
        reason=options.reason,
        reference=options.reference,
        items=getattr(options, "items", ()),
        at=time_of(options, project),
        seen=options.seen,
    )
    _say(project, added, place, "it stands")
    return EXIT_OK


def _recompute(options: argparse.Namespace, project: Project) -> int:
    who = person_of(options, project.plan, Action.COMPUTE)
    sensors = project.sensor_names(options.sensor) if options.sensor else None
    added = project.recompute(who, sensors)
    _say(project, added)
    if not added.entries:
        print("nothing to do: everything is measured and worked out")
    return EXIT_OK


def _import(options: argparse.Namespace, project: Project) -> int:
    from api.record_import import run_import

    return run_import(options, project)


def _say(project: Project, added: Added, place: Place | None = None, remedy: str = "") -> None:
    """What was told and what came of it; then how the stage stands."""
    for path, problem in added.not_taken:
        print(f"not taken: {path}: {problem.message} [{problem.code}]", file=sys.stderr)
    for entry in added.known:
        print(f"told already: {entry_line(entry, project.plan)}{f' ({remedy})' if remedy else ''}")
    for entry in added.entries:
        print(entry_line(entry, project.plan))
    if place is not None and place.sensor:
        lines = stage_lines(place.sensor, project.stage(place), project, project.numbers(place.sensor))
        print("\n".join(lines))


_COMMANDS: dict[str, Callable[[argparse.Namespace, Project], int]] = {
    "plan adopt": _adopt,
    "add photo": _add_photo,
    "add reading": _add_reading,
    "add check": _add_check,
    "add note": _add_note,
    "import": _import,
    "correct": _correct,
    "release": _decide,
    "rework": _decide,
    "ask": _decide,
    "waive": _decide,
    "recompute": _recompute,
}
