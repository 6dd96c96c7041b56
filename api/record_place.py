"""From what a person typed to who acts, when, and where it belongs."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from api.errors import UsageError
from api.local_time import read_time
from api.people import Person, in_role_for
from api.project import Place, Project, Replacement
from api.project_folder import find_folder
from models.people import Role
from models.permissions import Action
from models.plan import Plan
from models.plan_stages import StagePlan

FOLDER_VARIABLE, PERSON_VARIABLE = "KERFLINE_PROJECT", "KERFLINE_AS"


def open_project(options: argparse.Namespace) -> Project:
    """The project that is meant."""
    named = options.project or os.environ.get(FOLDER_VARIABLE)
    return Project.open(Path(named) if named else find_folder(Path()))


def person_of(options: argparse.Namespace, plan: Plan, action: Action) -> Person:
    """Who acts, in the role that was named or the first that may do it."""
    who = options.who or os.environ.get(PERSON_VARIABLE)
    if not who:
        contacts = ", ".join(f"{c.id} ({', '.join(c.roles)})" for c in plan.contacts) or "anybody"
        raise UsageError(f"say who acts, by --as ID or the variable {PERSON_VARIABLE}; contacts: {contacts}")
    if options.role:
        return Person(who, Role(options.role))
    return in_role_for(plan, who, action)


def time_of(options: argparse.Namespace, project: Project) -> datetime | None:
    """The time that was told, None for now."""
    if not options.at:
        return None
    try:
        return read_time(options.at, project.zone, project.now())
    except ValueError as wrong:
        raise UsageError(f"--at: {wrong}") from None


def sensor_of(options: argparse.Namespace, project: Project) -> str:
    """The sensor that was named, by its full name; the only one where none was; the project for all sensors."""
    if getattr(options, "all_sensors", False):
        if options.sensor:
            raise UsageError("--sensor and --all-sensors: give one of them")
        return ""
    names = project.sensor_names(options.sensor or "")
    if len(names) != 1:
        raise UsageError(f"say which sensor, by --sensor; the plan has: {', '.join(names) or 'none'}")
    return names[0]


def stage_named(plan: Plan, name: str) -> str:
    """A stage of the plan.

    Raises:
        UsageError: there is none of this id.
    """
    try:
        return plan.stage(name).id
    except LookupError as unknown:
        raise UsageError(str(unknown.args[0])) from None


def stage_of(options: argparse.Namespace, plan: Plan, what: str, asks: Callable[[StagePlan], bool]) -> str:
    """The stage that was named, else the only one that asks for this."""
    if options.stage:
        return stage_named(plan, options.stage)
    asking = [stage.id for stage in plan.stages if asks(stage)]
    if len(asking) == 1:
        return asking[0]
    several = f"{', '.join(asking)} ask for it" if asking else f"no stage asks for it; there are: {_names(plan)}"
    raise UsageError(f"say in which stage the {what} belongs, by --stage; {several}")


def _names(plan: Plan) -> str:
    return ", ".join(stage.id for stage in plan.stages)


def replacement_of(options: argparse.Namespace, project: Project, place: Place) -> Replacement | None:
    """The entry whose place it takes, where one was named; it must be of the same sensor and stage."""
    if not options.replaces:
        if options.reason:
            raise UsageError("--reason goes with --replaces ENTRY")
        return None
    entry = project.entry(options.replaces)
    if (entry.sensor, entry.stage) != (place.sensor, place.stage):
        raise UsageError(
            f"--replaces: entry #{entry.seq} belongs to {entry.sensor or 'all sensors'}, {entry.stage}; "
            f"not to {place.sensor or 'all sensors'}, {place.stage}"
        )
    corrected = any(e.type == "correction" and e.body.get("corrects") == entry.id for e in project.entries())
    if not corrected and not options.reason:
        raise UsageError(f"--replaces: say by --reason why entry #{entry.seq} is corrected")
    return Replacement(entry.id, "" if corrected else options.reason)
