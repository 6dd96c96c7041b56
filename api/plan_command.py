"""``kerfline plan``: check a plan, start a new one, give its schema, tell two versions apart."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from api.errors import EXIT_OK, UsageError
from api.inputs import LoadedPlan, load_plan
from models.plan import Plan
from models.plan_difference import Change, plan_difference
from models.plan_schema import plan_schema
from models.plan_stages import StagePlan
from models.plan_template import new_plan_text
from models.units import dimension_of
from models.wording import limits_shown


def run_plan(options: argparse.Namespace) -> int:
    """Run one of the plan's commands; returns its exit status."""
    command = {"check": _check, "new": _new, "schema": _schema, "diff": _diff}[options.plan_command]
    for line in command(options):
        print(line)
    return EXIT_OK


def _check(options: argparse.Namespace) -> Iterator[str]:
    """Read the plan and say what it asks; faults end the command with all of them listed."""
    loaded = load_plan(options.plan)
    yield f"{options.plan}: {loaded.plan.project}, version {loaded.plan.version}: nothing wrong."
    yield from (f"  {line}" for line in _summary(loaded))


def _summary(loaded: LoadedPlan) -> Iterator[str]:
    plan = loaded.plan
    yield f"sensors: {', '.join(plan.sensors()) or 'none'}"
    yield f"decision rule: {plan.rule.rule.value}"
    for tolerance in plan.tolerances:
        limits = limits_shown(tolerance.limits, dimension_of(tolerance.quantity.unit), plan.units)
        yield f"{tolerance.quantity.value}: {limits}{f'  ({tolerance.clause})' if tolerance.clause else ''}"
    yield f"bars with a calibration: {len(plan.bars)}; cameras with a calibration: {len(loaded.cameras)}"
    yield from _whole_job(plan)


def _whole_job(plan: Plan) -> Iterator[str]:
    yield f"time zone: {plan.time_zone}; units shown: {plan.units.value}"
    contacts = [f"{contact.id} ({', '.join(contact.roles)})" for contact in plan.contacts]
    yield f"contacts: {', '.join(contacts) or 'none'}"
    for closure in plan.closures:
        yield f"closure: {closure.start:%Y-%m-%d %H:%M} to {closure.end:%Y-%m-%d %H:%M} {closure.lane}".rstrip()
    yield f"instruments: {', '.join(i.id for i in plan.instruments) or 'none'}"
    yield f"materials: {', '.join(m.id for m in plan.materials) or 'none'}"
    yield from (f"stage {_stage_line(stage)}" for stage in plan.stages)


def _stage_line(stage: StagePlan) -> str:
    counts = {"photos": len(stage.photos), "readings": len(stage.readings), "checks": len(stage.checks)}
    wanted = [f"{count} {name if count > 1 else name[:-1]}" for name, count in counts.items() if count]
    return f"{stage.id}: {', '.join(wanted) or 'nothing required'}{'; hold point' if stage.hold_point else ''}"


def _new(options: argparse.Namespace) -> Iterator[str]:
    """Write the starting plan; a file that is there stays as it is."""
    try:
        with Path(options.out).open("x", encoding="utf-8") as file:
            file.write(new_plan_text())
    except FileExistsError:
        raise UsageError(f"{options.out}: is there already and is left as it is; name another file") from None
    except (OSError, ValueError) as reason:
        raise UsageError(f"{options.out}: cannot be written ({reason})") from None
    yield f"{options.out}: a plan to start from; put in your own, then run `kerfline plan check {options.out}`"


def _schema(options: argparse.Namespace) -> Iterator[str]:
    yield json.dumps(plan_schema(), indent=2, ensure_ascii=False)


def _diff(options: argparse.Namespace) -> Iterator[str]:
    old, new = load_plan(options.old).plan, load_plan(options.new).plan
    changes = plan_difference(old, new)
    if options.json:
        yield json.dumps([asdict(change) for change in changes], ensure_ascii=False)
        return
    yield from (_change_line(change) for change in changes)
    if not changes:
        yield "no difference"
    elif old.version == new.version:
        yield f"both call themselves version {new.version}: give the new one a name of its own"


def _change_line(change: Change) -> str:
    return f"{change.effect.value:8}  {change.what}: {change.old or 'nothing'} -> {change.new or 'nothing'}"
