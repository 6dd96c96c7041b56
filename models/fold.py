"""From entries to the state of a project: one pure function, step by step.

The same entries in the same order give the same state in any process. An entry of one sensor touches that sensor
alone; one of the project (without a sensor) touches all. So a sensor is worked out when it is first asked for, from
its own entries and the project's, and anew only from what has come since.

    state = Fold.of(entries).state()
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from types import MappingProxyType

from models.entry import Draft, Entry, EntryError, EntryType
from models.facts import Fact, FactError, PlanAdopted, fact_of
from models.permissions import Refusal, refusal
from models.plan import Plan
from models.plan_in_force import PlanInForce, in_force
from models.sensor_fold import SensorFold
from models.state import Flag, ProjectState, SensorState, Severity, StageState
from models.told import Evidence, Told, told

PROJECT = ""
"""The name under which the project itself stands beside its sensors."""


@dataclass(frozen=True, slots=True, eq=False)
class _ProjectItem:
    """An entry of the project, read once for all sensors."""

    seq: int
    entry: Entry
    one: Told[Fact] | None
    plan: PlanInForce | None
    refused: Refusal | None
    """Why it counts for no sensor; a decision on the whole project is asked about again for each."""


@dataclass(eq=False)
class _Stream:
    """A sensor with what is still to be applied to it."""

    fold: SensorFold
    waiting: list[Entry] = field(default_factory=list)
    project_items: int = 0
    """How many of the project's entries it has seen."""
    last_seq: int = 0


@dataclass(eq=False)
class Fold:
    """The fold of a log so far."""

    entries: int = 0
    """How many entries have come in."""
    _streams: dict[str, _Stream] = field(default_factory=dict)
    _project: _Stream = field(default_factory=lambda: _Stream(SensorFold(PROJECT)))
    _items: list[_ProjectItem] = field(default_factory=list)
    _photos: defaultdict[str, list[tuple[str, str]]] = field(default_factory=lambda: defaultdict(list))
    """By SHA-256: entry and sensor of each photo."""
    _states: dict[str, SensorState] = field(default_factory=dict)
    """Sensors looked at since their last change."""

    @staticmethod
    def of(entries: Iterable[Entry]) -> Fold:
        """The fold of these entries, in the order of their numbers within each sensor."""
        fold = Fold()
        for entry in entries:
            fold.add(entry)
        return fold

    def add(self, entry: Entry) -> None:
        """Take one more entry in.

        Raises:
            ValueError: its number is not above that of the entry before it on the same sensor.
        """
        self._count(entry)
        if entry.sensor == PROJECT:
            self._add_to_project(entry)
            return
        stream = self._stream(entry.sensor)
        stream.waiting.append(entry)
        self._states.pop(entry.sensor, None)

    def take(self, entry: Entry) -> Refusal | None:
        """Take one more entry in if it counts; else leave everything as it is and say why it does not."""
        if entry.sensor == PROJECT:
            refused = self.refusal(entry)
            if refused is None:
                self.add(entry)
            return refused
        fold, read = self._up_to_date(entry.sensor), _read(entry)
        if isinstance(read, Refusal):
            return read
        refused = refusal(entry, read.fact, fold)
        if refused is None:
            self._count(entry)
            fold.apply(read)
            self._states.pop(entry.sensor, None)
        return refused

    def refusal(self, entry: Draft | Entry) -> Refusal | None:
        """Why this entry would not count as things stand; None where it would."""
        try:
            fact = fact_of(entry)
        except FactError as wrong:
            return Refusal("unreadable", str(wrong))
        return refusal(entry, fact, self._up_to_date(entry.sensor))

    @property
    def plan(self) -> Plan | None:
        """The plan in force."""
        plan = self._project.fold.plan
        return None if plan is None else plan.plan

    @property
    def in_force(self) -> PlanInForce | None:
        """The plan in force with its ways worked out."""
        return self._project.fold.plan

    @property
    def plan_entry(self) -> Entry | None:
        """The entry by which the plan in force was adopted."""
        return next((item.entry for item in reversed(self._items) if item.plan is not None), None)

    def evidence(self, sensor: str, stage: str) -> Evidence:
        """The current evidence of one stage of one sensor, sorted by what it is."""
        return self._up_to_date(sensor).stage_fold(stage).evidence()

    def sensor(self, name: str) -> SensorState:
        """One sensor by its full name (or the project itself, by the empty name), worked out now if need be."""
        if name not in self._states:
            self._states[name] = self._up_to_date(name).state()
        return self._states[name]

    def stage(self, sensor: str, stage: str) -> StageState:
        """One stage of one sensor.

        Raises:
            LookupError: there is no such stage.
        """
        fold = self._up_to_date(sensor)
        if fold.plan is not None and stage in fold.plan.stages:
            return fold.stage(stage)
        return fold.state().stage(stage)

    def state(self) -> ProjectState:
        """The state of the whole project; a sensor that has not changed since it was last asked for is not redone."""
        plan = self._project.fold.plan
        planned = () if plan is None else tuple(plan.sensors)
        others = sorted(name for name, s in self._streams.items() if s.last_seq and name not in set(planned))
        sensors = {name: self.sensor(name) for name in (*planned, *others)}
        return ProjectState(
            None if plan is None else plan.plan,
            self.entries,
            self.sensor(PROJECT),
            MappingProxyType(sensors),
            self._shared_photos(),
        )

    def _count(self, entry: Entry) -> None:
        stream = self._stream(entry.sensor)
        if entry.seq <= stream.last_seq:
            raise ValueError(f"entry {entry.seq} of {entry.sensor or 'the project'} comes after {stream.last_seq}")
        stream.last_seq = entry.seq
        self.entries += 1
        if entry.type == EntryType.PHOTO_ADDED:
            self._photos[str(entry.body.get("sha256"))].append((entry.id, entry.sensor))

    def _stream(self, sensor: str) -> _Stream:
        if sensor == PROJECT:
            return self._project
        if sensor not in self._streams:
            self._streams[sensor] = _Stream(SensorFold(sensor))
        return self._streams[sensor]

    def _add_to_project(self, entry: Entry) -> None:
        """Read it, see whether it counts for the project, and leave it for the sensors to take when they are asked."""
        fold, read, plan = self._project.fold, _read(entry), None
        refused = read if isinstance(read, Refusal) else refusal(entry, read.fact, fold)
        one = None if isinstance(read, Refusal) else read
        if refused is None and one is not None and isinstance(one.fact, PlanAdopted):
            plan = in_force(one.fact)
        item = _ProjectItem(entry.seq, entry, one, plan, refused)
        self._items.append(item)
        _apply_item(fold, item)
        self._states.clear()

    def _up_to_date(self, sensor: str) -> SensorFold:
        """The sensor with all applied that waits, its own entries and the project's merged by number."""
        if sensor == PROJECT:
            return self._project.fold
        stream = self._stream(sensor)
        for entry in stream.waiting:
            self._catch_up(stream, entry.seq)
            _apply(stream.fold, entry)
        stream.waiting = []
        self._catch_up(stream, None)
        return stream.fold

    def _catch_up(self, stream: _Stream, before: int | None) -> None:
        """Apply the project's entries numbered below ``before`` that the sensor has not seen; None: all."""
        items = self._items
        while stream.project_items < len(items):
            item = items[stream.project_items]
            if before is not None and item.seq > before:
                return
            _apply_item(stream.fold, item)
            stream.project_items += 1

    def _shared_photos(self) -> tuple[Flag, ...]:
        """Photos that stand for more than one sensor."""
        flags = []
        for photos in self._photos.values():
            if len({sensor for _, sensor in photos}) < 2:
                continue
            current = [(e, s) for e, s in photos if self._up_to_date(s).current(e)]
            sensors = sorted({s or "the project" for _, s in current})
            if len(sensors) > 1:
                text = f"one photo stands for {', '.join(sensors)}"
                flags.append(Flag("photo-reused", "", text, tuple(sorted(e for e, _ in current)), Severity.DOUBT))
        return tuple(sorted(flags))


def _read(entry: Entry) -> Told[Fact] | Refusal:
    """What an entry says, or that it cannot be read."""
    try:
        return told(entry, fact_of(entry))
    except EntryError as wrong:
        return Refusal("unreadable", str(wrong))


def _apply(fold: SensorFold, entry: Entry) -> None:
    """Let a sensor's own entry count, or flag why it does not."""
    read = _read(entry)
    refused = read if isinstance(read, Refusal) else refusal(entry, read.fact, fold)
    if refused is None and not isinstance(read, Refusal):
        fold.apply(read)
    elif refused is not None:
        fold.ignore(entry.id, entry.stage, refused)


def _apply_item(fold: SensorFold, item: _ProjectItem) -> None:
    """Let an entry of the project count for one sensor."""
    if item.plan is not None and item.one is not None:
        fold.adopt(item.one, item.plan)
    elif item.one is None or item.refused is not None:
        refused = item.refused or Refusal("unreadable", "it cannot be read")
        if fold.name == PROJECT:
            fold.ignore(item.entry.id, item.entry.stage, refused)
    elif (refused_here := refusal(item.entry, item.one.fact, fold)) is None:
        fold.apply(item.one)
    else:
        fold.ignore(item.entry.id, item.entry.stage, refused_here)
