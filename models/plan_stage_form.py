"""The form of stages in a plan file."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from models.form import LENGTH, Choice, Count, Custom, Field, Flag, Form, Identifier, Schema, Text, Things, Words
from models.instruments import InstrumentKind
from models.measurement import PhotoKind
from models.plan_stages import STAGE_TITLES, RequiredCheck, RequiredPhoto, RequiredReading, StagePlan
from models.readings import FORMS, ReadingKind
from models.yaml_reader import Mapping

_COUNT = Field("count", "count", Count(), "At least so many; 1 where it is left out.")
_TEXT = Field("text", "text", Text(), "What to show, read or look at, in the crew's words.")
_CLAUSE = Field("clause", "clause", Text(), "Clause of the contract that asks for it.")

PHOTO = Form(
    RequiredPhoto,
    (
        Field("id", "id", Identifier(), "Short name, unique in the stage.", required=True),
        Field("kind", "kind", Choice(PhotoKind), "What is measured in it; left out where it is only looked at."),
        _COUNT,
        _TEXT,
        _CLAUSE,
    ),
)


def _finish_reading(group: Mapping, values: dict[str, Any]) -> None:
    kind = values.get("kind")
    if kind is None:
        return
    values.setdefault("id", str(kind.value))
    if "spacing_mm" in values and not FORMS[kind].station:
        group.note("spacing", f"a {kind} has no station; leave `spacing` out")


READING = Form(
    RequiredReading,
    (
        Field("kind", "kind", Choice(ReadingKind), "What is read.", required=True),
        Field("id", "id", Identifier(), "Short name, unique in the stage; the kind where it is left out."),
        _COUNT,
        Field("spacing", "spacing_mm", LENGTH, "Largest distance between neighbouring stations."),
        Field("instruments", "instruments", Words(Identifier()), "Ids of the instruments that may be used."),
        Field(
            "instrument_kinds", "instrument_kinds", Words(Choice(InstrumentKind)), "Kinds of instrument that may be."
        ),
        _TEXT,
        _CLAUSE,
    ),
    _finish_reading,
)

CHECK = Form(
    RequiredCheck,
    (
        Field("id", "id", Identifier(), "Short name, unique in the stage.", required=True),
        Field("text", "text", Text(), "The question, answered yes, no or not applicable.", required=True),
        Field("caution", "caution", Text(), "What could hurt somebody here."),
        _CLAUSE,
    ),
)


def _finish_stage(group: Mapping, values: dict[str, Any]) -> None:
    stage_id = values.get("id", "")
    values.setdefault("title", STAGE_TITLES.get(stage_id, stage_id))
    seen: dict[str, str] = {}
    for name in ("photos", "readings", "checks"):
        for thing in values.get(name, ()):
            if thing.id and seen.get(thing.id, name) != name:
                group.faults.place(thing).note(None, f"{thing.id!r} is the id of another requirement of this stage")
            seen[thing.id] = name


STAGE = Form(
    StagePlan,
    (
        Field("id", "id", Identifier(), f"One of the usual stages ({', '.join(STAGE_TITLES)}) or your own.", True),
        Field("title", "title", Text(), "Name for people."),
        Field("hold_point", "hold_point", Flag(), "Whether it must be released before the next may begin."),
        Field("photos", "photos", Things(PHOTO), "Photos that must be shown."),
        Field("readings", "readings", Things(READING), "Readings that must be taken."),
        Field("checks", "checks", Things(CHECK), "Questions that must be answered."),
        Field("materials", "materials", Words(Identifier()), "Ids of the materials used in it."),
        Field("after", "after", Words(Identifier()), "Ids of the stages it follows; the one before where left out."),
    ),
    _finish_stage,
)
_STAGES = Things(STAGE, at_least=1)


def _stages(document: Mapping, name: str, required: bool) -> tuple[StagePlan, ...] | None:
    """The stages, each following the one before it where it does not say otherwise."""
    listed: tuple[StagePlan, ...] = _STAGES.read(document, name, required)
    if not listed:
        return None
    stages: list[StagePlan] = []
    for stage in listed:
        group = document.faults.place(stage)
        if "after" not in group.names() and stages:
            stage = replace(stage, after=(stages[-1].id,))
        document.faults.remember(stage, group)
        stages.append(stage)
    return tuple(stages)


def _schema() -> Schema:
    return _STAGES.schema()


STAGES = Custom(_stages, _schema)
