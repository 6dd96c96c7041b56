"""The record for programs."""

from __future__ import annotations

import json
from typing import Any

from api.record_look import Look, SensorLook
from api.record_words import Numbers
from models.entry import Entry
from models.state import DecisionInForce, Flag, StageState


def state_json(look: Look) -> dict[str, Any]:
    """The state of all that is looked at."""
    return {
        "project": look.plan.project,
        "plan_version": look.plan.version,
        "newest_entry": look.newest,
        "sensors": [_sensor_json(sensor, look.numbers) for sensor in look.sensors],
        "flags": [flag_json(flag, look.numbers) for flag in look.flags],
    }


def missing_json(look: Look) -> list[dict[str, Any]]:
    """One row for each thing that is missing."""
    return [
        {"sensor": one.place.sensor, "stage": one.place.stage, "item": missing.item, "text": missing.text}
        for one in look.stages()
        if not one.state.is_done
        for missing in one.state.missing
    ]


def flags_json(look: Look) -> list[dict[str, Any]]:
    """One row for each flag."""
    rows = [
        {"sensor": one.place.sensor, "stage": one.place.stage, **flag_json(flag, look.numbers)}
        for one in look.stages()
        for flag in one.state.flags
    ]
    return rows + [{"sensor": "", "stage": "", **flag_json(flag, look.numbers)} for flag in look.flags]


def entry_json(entry: Entry) -> dict[str, Any]:
    """An entry with all its fields, its number and its id."""
    return {"seq": entry.seq, "id": entry.id, **json.loads(entry.canonical())}


def flag_json(flag: Flag, numbers: Numbers) -> dict[str, Any]:
    """A flag; entries by their numbers."""
    return {
        "code": flag.code,
        "severity": flag.severity.value,
        "item": flag.item,
        "text": flag.text,
        "entries": [numbers[e] for e in flag.entries if e in numbers],
    }


def _sensor_json(sensor: SensorLook, numbers: Numbers) -> dict[str, Any]:
    return {
        "sensor": sensor.state.sensor,
        "stages": [_stage_json(one.state, numbers) for one in sensor.stages],
        "flags": [flag_json(flag, numbers) for flag in sensor.state.flags],
    }


def _stage_json(stage: StageState, numbers: Numbers) -> dict[str, Any]:
    waived = [{"item": w.item, "text": w.text, "reason": w.reason, "reference": w.reference} for w in stage.waived]
    return {
        "stage": stage.stage,
        "title": stage.title,
        "status": stage.status.value,
        "plan_version": stage.plan_version,
        "hold_point": stage.hold_point,
        "blocked_by": list(stage.blocked_by),
        "missing": [{"item": m.item, "text": m.text} for m in stage.missing],
        "flags": [flag_json(flag, numbers) for flag in stage.flags],
        "waived": waived,
        "decision": None if stage.decision is None else _decision_json(stage.decision, numbers),
        "reworked": [_decision_json(order, numbers) for order in stage.reworked],
        "reopened": [numbers[e] for e in stage.reopened],
        "evidence": sorted(numbers[e] for e in stage.evidence),
        "superseded": sorted(numbers[e] for e in stage.superseded),
        "earliest_next": None if stage.earliest_next is None else stage.earliest_next.isoformat(),
    }


def _decision_json(decision: DecisionInForce, numbers: Numbers) -> dict[str, Any]:
    return {
        "decision": decision.decision.value,
        "author": decision.author,
        "at": decision.at.isoformat(),
        "reason": decision.reason,
        "reference": decision.reference,
        "plan_version": decision.plan_version,
        "entry": numbers[decision.entry],
    }
