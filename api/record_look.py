"""One look at the record: the sensors and stages that are asked for, read once, with the numbers of their entries."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

from api.project import Place, Project
from api.record_place import stage_named
from api.record_words import Numbers
from models.plan import Plan
from models.state import Flag, SensorState, StageState


@dataclass(frozen=True, eq=False)
class StageLook:
    """One stage of one sensor."""

    place: Place
    state: StageState


@dataclass(frozen=True, eq=False)
class SensorLook:
    """One sensor and those of its stages that are asked for."""

    state: SensorState
    stages: tuple[StageLook, ...]


@dataclass(frozen=True, eq=False)
class Look:
    """What a view shows."""

    project: Project
    plan: Plan
    sensors: tuple[SensorLook, ...]
    flags: tuple[Flag, ...]
    """Of the project as a whole, where that is asked for."""
    numbers: Numbers
    in_full: bool
    """Whether one stage is asked for, and so all of it."""

    @property
    def newest(self) -> int:
        """The number of the newest entry that was read."""
        return max(self.numbers.values(), default=0)

    def stages(self) -> Iterator[StageLook]:
        """All stages of all sensors."""
        for sensor in self.sensors:
            yield from sensor.stages


def look_at(options: argparse.Namespace, project: Project) -> Look:
    """The look that a command line asks for; of one sensor only its own entries are read."""
    plan = project.plan
    stage = stage_named(plan, options.stage) if options.stage else None
    name = project.sensor_names(options.sensor)[0] if options.sensor else None
    whole = project.state() if name is None else None
    states = [project.sensor(name or "")] if whole is None else list(whole.sensors.values())
    flags = whole.flags if whole is not None and stage is None else ()
    # The numbers last: what comes meanwhile has one that no state names, never the other way round.
    return Look(
        project, plan, tuple(_sensor(s, stage) for s in states), flags, project.numbers(name), stage is not None
    )


def _sensor(state: SensorState, stage: str | None) -> SensorLook:
    chosen = [s for s in state.stages if stage is None or s.stage == stage]
    return SensorLook(state, tuple(StageLook(Place(state.sensor, s.stage), s) for s in chosen))
