"""Logs of any length for benchmarks: night after night of the same work, one sensor a night."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import count, islice

from models.entry import Draft
from models.facts import Fact
from models.measurement import PhotoKind
from models.plan import Lane, Plan, Site
from models.plan_stages import DEFAULT_STAGES, RequiredCheck, RequiredPhoto, RequiredReading
from models.readings import ReadingKind
from tests.models.log_writer import (
    CREW,
    INSPECTOR,
    MANAGER,
    PLAN,
    LogWriter,
    Person,
    adopted,
    check,
    depth,
    measured,
    photo,
    release,
    result,
)

READINGS_A_STAGE = 8
ENTRIES_A_STAGE = READINGS_A_STAGE + 5
"""A photo and what was measured in it, readings and their result, a check, a release."""
ENTRIES_A_SENSOR = ENTRIES_A_STAGE * len(DEFAULT_STAGES)


def plan_of(sensors: int) -> Plan:
    """A plan of so many sensors, that asks the same of each stage."""
    stages = tuple(
        replace(
            stage,
            hold_point=stage.id in ("layout", "saw-cut", "seating"),
            photos=(RequiredPhoto("photo", PhotoKind.SLOT),),
            readings=(RequiredReading("depths", ReadingKind.SLOT_DEPTH, READINGS_A_STAGE, spacing_mm=400.0),),
            checks=(RequiredCheck("clean", "Clean?"),),
        )
        for stage in DEFAULT_STAGES
    )
    sensor = PLAN.sites[0].lanes[0].sensors[0]
    lane = Lane("1", tuple(replace(sensor, id=str(n), length_mm=3000.0) for n in range(sensors)))
    return replace(PLAN, sites=(Site("north", "North (invented)", (lane,)),), stages=stages)


def sensor_names(sensors: int) -> list[str]:
    """The names of the sensors of `plan_of`."""
    return [f"north/1/{n}" for n in range(sensors)]


class Night:
    """Tells the work on one sensor; the numbers and times of its log go on from night to night."""

    def __init__(self) -> None:
        self._writer, self._seq = LogWriter(), count(1)

    def plan(self, sensors: int) -> bytes:
        """The first entry."""
        return self._told(adopted(plan_of(sensors)), MANAGER, "", "")[1]

    def work(self, sensor: str) -> Iterator[bytes]:
        """The entries of a whole installation, as they are stored."""
        for stage in DEFAULT_STAGES:
            yield from self._stage(sensor, stage.id)

    def _stage(self, sensor: str, stage: str) -> Iterator[bytes]:
        taken = self._told(photo(f"{sensor}-{stage}.jpg"), CREW, stage, sensor)
        seen = self._told(measured(taken[0]), CREW, stage, sensor)
        depths = [self._told(depth(80.0, 200.0 + 370.0 * n), CREW, stage, sensor) for n in range(READINGS_A_STAGE)]
        worked = self._told(result([name for name, _ in depths]), CREW, stage, sensor)
        clean = self._told(check("clean"), CREW, stage, sensor)
        shown = [taken, seen, *depths, worked, clean]
        yield from (canonical for _, canonical in shown)
        yield self._told(release([name for name, _ in shown]), INSPECTOR, stage, sensor)[1]

    def _told(self, fact: Fact, who: Person, stage: str, sensor: str) -> tuple[str, bytes]:
        number = next(self._seq)
        entry = self._writer.draft(fact, who, stage, sensor).taken(number, self._writer.after(number))
        return entry.id, entry.canonical()


def project(entries: int) -> Iterator[bytes]:
    """The log of a project with so many entries, as they are stored."""
    sensors = math.ceil((entries - 1) / ENTRIES_A_SENSOR)
    night = Night()
    yield night.plan(sensors)
    work = (entry for sensor in sensor_names(sensors) for entry in night.work(sensor))
    yield from islice(work, entries - 1)


def readings(sensor: str, number: int, start: int = 0) -> list[Draft]:
    """So many readings of one sensor, no two alike: what a batch import appends."""
    writer = LogWriter()
    return [writer.draft(depth(50.0 + (start + n) / 1000, 100.0), CREW, "saw-cut", sensor) for n in range(number)]
