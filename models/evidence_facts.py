"""Facts of evidence: photos, readings, checks, and what was worked out from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

from models import json_fields as take
from models.entry import moment
from models.json_fields import FieldError
from models.measurement import Measurement, PhotoKind, Problem
from models.measurement_json import measurement_from_json, measurement_to_json
from models.readings import FORMS, Reading, ReadingKind

Json = Mapping[str, Any]


class Outcome(StrEnum):
    """The answer to a check."""

    YES = "yes"
    NO = "no"
    NOT_APPLICABLE = "not-applicable"


@dataclass(frozen=True, slots=True)
class PhotoAdded:
    """A photo was taken; its bytes lie among the originals under their SHA-256."""

    sha256: str
    name: str
    """Of the file, as it came."""
    kind: PhotoKind | None = None
    """What is to be measured in it; None where it is only looked at."""
    requirement: str | None = None
    """Id of the plan's requirement that it answers."""
    capture: Json = field(default_factory=dict, hash=False)
    """Facts of its capture (camera, time, place); JSON."""
    also_for: tuple[str, ...] = ()
    """Other sensors for which the same picture counted when it was told (empty name: the whole project)."""

    def inputs(self) -> tuple[str, ...]:
        """What it rests on."""
        return (self.sha256,)

    def to_json(self) -> dict[str, Any]:
        """The body."""
        return {
            "sha256": self.sha256,
            "name": self.name,
            "kind": None if self.kind is None else self.kind.value,
            "requirement": self.requirement,
            "capture": self.capture,
            **({"also_for": list(self.also_for)} if self.also_for else {}),
        }

    @staticmethod
    def from_json(body: Json) -> PhotoAdded:
        """The fact of a body."""
        take.only(body, frozenset({"sha256", "name", "kind", "requirement", "capture"}), frozenset({"also_for"}))
        kind = None if body["kind"] is None else take.chosen(body, "kind", PhotoKind)
        requirement = None if body["requirement"] is None else take.text(body, "requirement")
        return PhotoAdded(
            take.text(body, "sha256"),
            take.text(body, "name"),
            kind,
            requirement,
            take.group(body, "capture"),
            take.words(body, "also_for"),
        )


@dataclass(frozen=True, slots=True)
class PhotoMeasured:
    """What a program worked out from one photo."""

    photo: str
    """Id of the entry that added it."""
    software: str
    plan_version: str
    """Of the plan that it was judged by."""
    usable: bool
    measurements: tuple[Measurement, ...] = ()
    problems: tuple[Problem, ...] = ()

    def inputs(self) -> tuple[str, ...]:
        """What it rests on."""
        return (self.photo,)

    def to_json(self) -> dict[str, Any]:
        """The body."""
        return {
            "photo": self.photo,
            "software": self.software,
            "plan_version": self.plan_version,
            "usable": self.usable,
            **_findings_to_json(self.measurements, self.problems),
        }

    @staticmethod
    def from_json(body: Json) -> PhotoMeasured:
        """The fact of a body."""
        take.only(body, frozenset({"photo", "software", "plan_version", "usable", "measurements", "problems"}))
        return PhotoMeasured(
            take.text(body, "photo"),
            take.text(body, "software"),
            take.text(body, "plan_version"),
            take.truth(body, "usable"),
            *_findings(body),
        )


@dataclass(frozen=True, slots=True)
class WrittenValue:
    """A number of a reading in its base unit, and as it was written down."""

    value: float
    unit: str
    written: str


@dataclass(frozen=True, slots=True)
class ReadingAdded:
    """A reading was taken."""

    kind: ReadingKind
    values: tuple[tuple[str, WrittenValue], ...] = ()
    """By the name of the field, in the order of the names."""
    station_mm: float | None = None
    pass_number: int | None = None
    instrument: str | None = None
    """Id of the plan's instrument."""
    note: str = ""
    texts: tuple[tuple[str, str], ...] = ()
    """Words that belong to it (``part``, ``corner``), in the order of their names."""

    def inputs(self) -> tuple[str, ...]:
        """What it rests on."""
        return ()

    def reading(self, source: str, at: datetime) -> Reading:
        """The reading itself, as computations take it; ``source`` is the id of the entry that brought it."""
        values = tuple((name, value.value) for name, value in self.values)
        return Reading(
            self.kind, values, self.station_mm, self.pass_number, at, self.instrument, self.texts, source=source
        )

    def to_json(self) -> dict[str, Any]:
        """The body."""
        return {
            "kind": self.kind.value,
            "values": {n: {"value": v.value, "unit": v.unit, "written": v.written} for n, v in self.values},
            "station_mm": self.station_mm,
            "pass": self.pass_number,
            "instrument": self.instrument,
            "note": self.note,
            "texts": dict(self.texts),
        }

    @staticmethod
    def from_json(body: Json) -> ReadingAdded:
        """The fact of a body."""
        take.only(body, frozenset({"kind", "values", "station_mm", "pass", "instrument", "note", "texts"}))
        kind = take.chosen(body, "kind", ReadingKind)
        texts = take.group(body, "texts")
        reading = ReadingAdded(
            kind,
            _written_values(kind, take.group(body, "values")),
            take.number_or_none(body, "station_mm"),
            take.whole_or_none(body, "pass"),
            None if body["instrument"] is None else take.text(body, "instrument"),
            take.text(body, "note"),
            tuple((name, take.text(texts, name)) for name in sorted(texts)),
        )
        _demand_whole(reading)
        return reading


@dataclass(frozen=True, slots=True)
class CheckAdded:
    """A question was answered."""

    check: str
    """Id of the plan's check."""
    outcome: Outcome
    note: str = ""

    def inputs(self) -> tuple[str, ...]:
        """What it rests on."""
        return ()

    def to_json(self) -> dict[str, Any]:
        """The body."""
        return {"check": self.check, "outcome": self.outcome.value, "note": self.note}

    @staticmethod
    def from_json(body: Json) -> CheckAdded:
        """The fact of a body."""
        take.only(body, frozenset({"check", "outcome", "note"}))
        return CheckAdded(take.text(body, "check"), take.chosen(body, "outcome", Outcome), take.text(body, "note"))


@dataclass(frozen=True, slots=True)
class ResultComputed:
    """What a program worked out from readings."""

    computation: str
    """Its name; the newest result of one name in one stage counts."""
    sources: tuple[str, ...]
    """Ids of the entries that it was worked out from; empty where it rests on the plan alone."""
    software: str
    plan_version: str
    measurements: tuple[Measurement, ...] = ()
    problems: tuple[Problem, ...] = ()
    remarks: tuple[Problem, ...] = ()
    """Good to know, no reason to stop."""
    not_before: str | None = None
    """The earliest time of the next step, where the computation gives one: RFC 3339."""

    def inputs(self) -> tuple[str, ...]:
        """What it rests on."""
        return self.sources

    def to_json(self) -> dict[str, Any]:
        """The body."""
        return {
            "computation": self.computation,
            "inputs": list(self.sources),
            "software": self.software,
            "plan_version": self.plan_version,
            **_findings_to_json(self.measurements, self.problems),
            "remarks": _problems_to_json(self.remarks),
            "not_before": self.not_before,
        }

    @staticmethod
    def from_json(body: Json) -> ResultComputed:
        """The fact of a body."""
        take.only(body, _RESULT_FIELDS)
        if body["not_before"] is not None:
            moment(body["not_before"])
        return ResultComputed(
            take.text(body, "computation"),
            take.words(body, "inputs"),
            take.text(body, "software"),
            take.text(body, "plan_version"),
            *_findings(body),
            _problems(body, "remarks"),
            body["not_before"],
        )


_RESULT_FIELDS = frozenset(
    {"computation", "inputs", "software", "plan_version", "measurements", "problems", "remarks", "not_before"}
)


def _findings_to_json(measurements: tuple[Measurement, ...], problems: tuple[Problem, ...]) -> dict[str, Any]:
    return {
        "measurements": [measurement_to_json(m) for m in measurements],
        "problems": _problems_to_json(problems),
    }


def _problems_to_json(problems: tuple[Problem, ...]) -> list[dict[str, str]]:
    return [{"code": p.code, "message": p.message} for p in problems]


def _findings(body: Json) -> tuple[tuple[Measurement, ...], tuple[Problem, ...]]:
    measurements = tuple(measurement_from_json(m) for m in take.objects(body, "measurements"))
    return measurements, _problems(body, "problems")


def _problems(body: Json, name: str) -> tuple[Problem, ...]:
    return tuple(Problem(take.text(p, "code"), take.text(p, "message")) for p in take.objects(body, name))


def _written_values(kind: ReadingKind, values: Json) -> tuple[tuple[str, WrittenValue], ...]:
    """The numbers of a reading, each in the base unit of its field."""
    return tuple((name, _written_value(kind, name, take.group(values, name))) for name in sorted(values))


def _written_value(kind: ReadingKind, name: str, content: Json) -> WrittenValue:
    take.only(content, frozenset({"value", "unit", "written"}))
    form = FORMS[kind].field(name)
    if form is None:
        raise FieldError(f"values: a {kind} has no field {name!r}")
    if content["unit"] != form.unit:
        raise FieldError(f"values: {name} of a {kind} is kept in {form.unit}, not in {content['unit']!r}")
    return WrittenValue(take.number(content, "value"), form.unit, take.text(content, "written"))


def _demand_whole(reading: ReadingAdded) -> None:
    """Refuse a reading without one of its numbers or words, or with a place that its kind does not have."""
    form, names = FORMS[reading.kind], {name for name, _ in reading.values}
    wanted = {f.name for f in form.fields}
    if (len(names) != 1) if form.one_of else (names != wanted):
        how = "exactly one of" if form.one_of else "all of"
        raise FieldError(f"values: a {reading.kind} has {how}: {', '.join(sorted(wanted)) or 'nothing but its time'}")
    words = {name for name, _ in reading.texts}
    if not set(form.texts) <= words <= {*form.texts, *form.optional_texts}:
        raise FieldError(f"texts: a {reading.kind} has: {', '.join((*form.texts, *form.optional_texts)) or 'none'}")
    if form.station is (reading.station_mm is None):
        raise FieldError(f"station_mm: a {reading.kind} {'needs its' if form.station else 'has no'} station")
    if form.numbered is (reading.pass_number is None):
        raise FieldError(f"pass: a {reading.kind} {'needs the number of its' if form.numbered else 'has no'} pass")
