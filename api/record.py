"""The record of a project: its folder and its log, what is asked of them, and the one way by which entries come in.

Whatever goes wrong below becomes one of the errors of `api.errors`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from sqlalchemy.exc import DBAPIError

from api.errors import RefusedError, StoreError, UsageError
from api.log import Clock, CorruptLogError, Log, RefusedAppendError
from api.originals import DamagedOriginalError, MissingOriginalError, Originals
from api.people import Person
from api.project_folder import ProjectFolder
from models.entry import Draft, Entry, EntryError
from models.facts import Correction, Fact, draft_of
from models.fold import Fold
from models.plan import Plan
from models.state import ProjectState, SensorState, StageState
from models.told import Evidence

T = TypeVar("T")

SHORTEST_ID = 8
"""Digits of an entry's id that must be given, so that a number is never taken for one."""


@dataclass(frozen=True)
class Place:
    """Where something belongs: a sensor by its full name (empty: the whole project) and a stage."""

    sensor: str
    stage: str


@dataclass(frozen=True)
class Replacement:
    """That what is told takes the place of another entry."""

    entry: str
    """Id of that entry."""
    reason: str = ""
    """Why it is corrected; empty where a correction was told before."""


@dataclass(eq=False)
class Record:
    """The folder and the log of one project."""

    folder: ProjectFolder
    log: Log
    now: Clock

    @property
    def originals(self) -> Originals:
        """The photos and files as they came."""
        return self.folder.originals

    @property
    def plan(self) -> Plan:
        """The plan in force.

        Raises:
            RefusedError: there is none yet.
        """
        plan = self.plan_or_none()
        if plan is None:
            raise RefusedError("no plan has been adopted here yet; run `kerfline start` again with the plan")
        return plan

    def plan_or_none(self) -> Plan | None:
        """The plan in force, where there is one."""
        return self.ask((), lambda fold: fold.plan)

    @property
    def zone(self) -> ZoneInfo:
        """The project's time zone."""
        return ZoneInfo(self.plan.time_zone)

    def state(self) -> ProjectState:
        """How everything stands."""
        return stored(self.log.state)

    def sensor(self, name: str) -> SensorState:
        """How one sensor stands, by its full name."""
        return stored(lambda: self.log.sensor(name))

    def stage(self, place: Place) -> StageState:
        """How one stage of a sensor stands."""
        return self.ask([place.sensor], lambda fold: fold.stage(place.sensor, place.stage))

    def evidence(self, place: Place) -> Evidence:
        """The current evidence of one stage of a sensor."""
        return self.ask([place.sensor], lambda fold: fold.evidence(place.sensor, place.stage))

    def entries(self, sensor: str | None = None) -> Iterator[Entry]:
        """The log: all of it, or one sensor's entries (empty: the project's own)."""
        return iter(stored(lambda: list(self.log.entries(sensor))))

    def entry(self, name: str, sensor: str | None = None) -> Entry:
        """An entry by its number (``17`` or ``#17``), its id, or the beginning of its id (8 digits or more).

        Raises:
            RefusedError: there is none, or more than one.
        """
        number = name.removeprefix("#")
        found = [e for e in self.entries(sensor) if _is_called(e, number)]
        if len(found) == 1:
            return found[0]
        raise RefusedError(
            f"{'no entry' if not found else 'more than one entry'} is called {name!r}; "
            "`kerfline log` lists all with their numbers"
        )

    def numbers(self, sensor: str | None = None) -> dict[str, int]:
        """By id the numbers of all entries, or of a sensor's and the project's."""
        names = [None] if sensor is None else [sensor, ""]
        return {entry.id: entry.seq for name in names for entry in self.entries(name)}

    def sensor_names(self, name: str = "") -> list[str]:
        """Full names of the plan's sensors: all, or the one whose name ends in this (``A``, ``2/A``).

        Raises:
            UsageError: none or more than one goes by the name.
        """
        names = list(self.plan.sensors())
        if not name:
            return names
        found = [full for full in names if f"/{full}".endswith(f"/{name}")]
        if len(found) != 1:
            trouble = "no sensor" if not found else "more than one sensor"
            raise UsageError(f"{trouble} of the plan is called {name!r}; the plan has: {', '.join(names) or 'none'}")
        return found

    def affected(self, sensors: Iterable[str]) -> list[str]:
        """The sensors themselves; all of the plan where something was told of the whole project."""
        names = list(sensors)
        return self.sensor_names() if "" in names else names

    def refusal(self, draft: Draft) -> str:
        """Why the record would not take this as things stand; empty where it would."""
        refused = self.ask([draft.sensor], lambda fold: fold.refusal(draft))
        return "" if refused is None else refused.message

    def ask(self, sensors: Iterable[str], question: Callable[[Fold], T]) -> T:
        """What a question finds in the fold of these sensors and the project."""
        return stored(lambda: self.log.ask(sensors, question))

    def time(self, at: datetime | None, zone: ZoneInfo | None = None) -> str:
        """A time as the log takes it; now, in the project's zone, where None was told."""
        if at is not None:
            return at.isoformat()
        return self.now().astimezone(zone or self.zone).isoformat(timespec="milliseconds")

    def draft(self, fact: Fact, place: Place, who: Person, at: str, replaces: tuple[str, ...] = ()) -> Draft:
        """What is handed to the log to tell a fact."""
        return draft_of(fact, who.id, who.role, at, sensor=place.sensor, stage=place.stage, replaces=replaces)

    def drafts(self, fact: Fact, place: Place, who: Person, at: str, replaces: Replacement | None) -> list[Draft]:
        """The same; before it the correction of the entry whose place it takes."""
        if replaces is None:
            return [self.draft(fact, place, who, at)]
        told = self.draft(fact, place, who, at, (replaces.entry,))
        if not replaces.reason:
            return [told]
        return [self.draft(Correction(replaces.entry, replaces.reason), place, who, at), told]

    def append(self, drafts: Sequence[Draft]) -> tuple[Entry, ...]:
        """The one way in: all or none; what the log has already is left out.

        Raises:
            RefusedError: one may not be told.
        """
        if not drafts:
            return ()
        try:
            return stored(lambda: self.log.append(drafts)).entries
        except RefusedAppendError as refused:
            raise RefusedError(str(refused)) from refused

    def close(self) -> None:
        """Give the database back."""
        self.log.close()


def file_name(path: str | Path) -> str:
    """The name of a file as text; a name on disk may hold bytes that are none."""
    return Path(path).name.encode("utf-8", "replace").decode()


def clock_now() -> datetime:
    """The time by this machine's clock."""
    return datetime.now(UTC)


def kept(do: Callable[[], T]) -> T:
    """What comes of work on the originals, its errors as a command's."""
    try:
        return do()
    except (MissingOriginalError, DamagedOriginalError) as wrong:
        raise StoreError(str(wrong)) from None
    except OSError as reason:
        raise StoreError(f"the originals cannot be written or read: {reason}") from None


def stored(do: Callable[[], T]) -> T:
    """What comes of work on the log, its errors as a command's."""
    try:
        return do()
    except EntryError as wrong:
        raise UsageError(f"this cannot be told: {wrong}") from None
    except CorruptLogError as wrong:
        raise StoreError(f"the record is damaged: {wrong}; restore it from a copy") from None
    except DBAPIError as wrong:
        raise StoreError(f"the database does not answer as it should: {wrong.orig}; nothing was stored") from None


def _is_called(entry: Entry, name: str) -> bool:
    if name.isascii() and name.isdigit() and len(name) < SHORTEST_ID:
        return entry.seq == int(name)
    return len(name) >= SHORTEST_ID and entry.id.startswith(name.lower())
