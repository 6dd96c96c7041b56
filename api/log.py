"""The log in a database: entries appended in one transaction or not at all, read whole or by sensor.

What was appended is durable when `Log.append` returns. The same draft appended again is the same entry, so whoever
does not know whether it went through simply sends it again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, bindparam, insert, select, text

from api.database import open_database, writing
from models.entry import Draft, Entry, EntryError, EntryType, Prepared, Stored, microseconds
from models.fold import PROJECT, Fold
from models.permissions import Refusal
from models.state import ProjectState, SensorState
from models.tables import ENTRY

ROWS_AT_ONCE = 2_000
KEYS_AT_ONCE = 500
MOST_SENSORS_KEPT = 1_000
"""Of which the fold is kept in memory between appends: about 1 MB each at a few hundred entries."""

Clock = Callable[[], datetime]
T = TypeVar("T")


@dataclass(frozen=True)
class RefusedDraft:
    """A draft that may not be appended, by its place among those handed in (from 0)."""

    index: int
    refusal: Refusal


class RefusedAppendError(Exception):
    """Nothing was appended: the log may not take what was handed in; the message says what and why."""

    def __init__(self, refused: tuple[RefusedDraft, ...]) -> None:
        self.refused = refused
        super().__init__("; ".join(r.refusal.message for r in refused[:10]))


class CorruptLogError(Exception):
    """What the database holds is not what was appended: an entry is missing or is not what its id says."""


@dataclass(frozen=True)
class Appended:
    """What came of drafts handed in."""

    entries: tuple[Entry, ...]
    """The new entries, in the order of the drafts."""
    duplicates: tuple[int, ...]
    """Places (from 0) of drafts that the log had already, or that were handed in twice."""


@dataclass(frozen=True)
class _Tail:
    """Where a log ends."""

    seq: int
    received: datetime


class Log:
    """The log of one project; safe to use from several threads, and beside other processes."""

    def __init__(self, engine: Engine, project: str, now: Clock | None = None) -> None:
        self._engine, self.project = engine, project
        self._now = now or (lambda: datetime.now(UTC))
        self._lock = threading.RLock()
        self._forget()

    @staticmethod
    def open(url: str, project: str, now: Clock | None = None) -> Log:
        """The log of a project in the database of this URL, made if it is not there.

        Raises:
            ValueError, UnavailableError: as `open_database`.
        """
        return Log(open_database(url), project, now)

    def close(self) -> None:
        """Give the database's connections back."""
        self._engine.dispose()

    def append(self, drafts: Sequence[Draft]) -> Appended:
        """Append drafts in their order, all of them or none; those that the log has already are left out.

        Raises:
            RefusedAppendError: one or more may not be appended.
            EntryError: one has no canonical form.
        """
        prepared = [draft.prepared() for draft in drafts]
        with self._lock:
            try:
                with writing(self._engine) as connection, connection.begin():
                    return self._append(connection, prepared)
            except BaseException:
                self._forget()  # the fold has taken in what the database has not
                raise

    def _append(self, connection: Connection, drafts: Sequence[Prepared]) -> Appended:
        """Look, check, insert: the transaction holds the right to write from its first statement."""
        self._lock_project(connection)
        known = self._known_keys(connection, [draft.key for draft in drafts])
        new = [n for n in _first_places(drafts) if drafts[n].key not in known]
        tail = self._tail(connection)
        self._read_news(connection, {drafts[n].draft.sensor for n in new}, tail)
        stored = self._checked(drafts, new, tail)
        if stored:
            rows = [self._row(one, drafts[n].key) for one, n in zip(stored, new, strict=True)]
            connection.execute(_INSERT, rows)
            self._read_up_to = tail.seq + len(stored)
        duplicates = sorted(set(range(len(drafts))) - set(new))
        return Appended(tuple(one.entry for one in stored), tuple(duplicates))

    def _checked(self, drafts: Sequence[Prepared], places: Sequence[int], tail: _Tail) -> list[Stored]:
        """The entries that these drafts become, each allowed as things stand after those before it."""
        found, refused, now = [], [], max(self._now(), tail.received)
        for count, place in enumerate(places, 1):
            # A microsecond apart, and never back: the order of coming is the order of the numbers.
            stored = drafts[place].taken(tail.seq + count, now + timedelta(microseconds=count))
            found.append(stored)
            if why := self._fold.take(stored.entry):
                refused.append(RefusedDraft(place, why))
            else:
                self._read[stored.entry.sensor] = stored.entry.seq
        if refused:
            raise RefusedAppendError(tuple(refused))
        return found

    def entries(self, sensor: str | None = None, *, after: int = 0) -> Iterator[Entry]:
        """The entries with numbers above ``after`` in their order: all, or those of one sensor (empty: the project's).

        Raises:
            CorruptLogError: an entry is missing or is not what its id says.
        """
        with self._engine.connect() as connection:
            expected = after
            for entry in self._select(connection, None if sensor is None else [sensor], after):
                expected += 1
                if sensor is None and entry.seq != expected:
                    raise CorruptLogError(f"entry {expected} of the log is missing")
                yield entry

    def of_type(self, kind: EntryType) -> Iterator[Entry]:
        """All entries of one type, of all sensors, in their order."""
        with self._engine.connect() as connection:
            values = {"project": self.project, "after": 0, "type": kind.value}
            with connection.execute(_SELECT_TYPE, values) as rows:
                for row in rows:
                    yield _entry(*row)

    def state(self) -> ProjectState:
        """The state of the whole project, from all entries."""
        return Fold.of(self.entries()).state()

    def sensor(self, name: str) -> SensorState:
        """The state of one sensor, from its own entries and the project's alone."""
        with self._lock, self._engine.connect() as connection:
            self._read_news(connection, {name}, self._tail(connection))
            return self._fold.sensor(name)

    def ask(self, sensors: Iterable[str], question: Callable[[Fold], T]) -> T:
        """What a question finds in the fold, up to date on these sensors and the project; it must change nothing."""
        with self._lock, self._engine.connect() as connection:
            self._read_news(connection, set(sensors), self._tail(connection))
            return question(self._fold)

    def fold(self, sensors: Iterable[str]) -> Fold:
        """A fold of these sensors and the project, to ask more of and to add to."""
        with self._engine.connect() as connection:
            return Fold.of(self._select(connection, sorted({PROJECT, *sensors}), 0))

    def _forget(self) -> None:
        self._fold = Fold()
        self._read: dict[str, int] = {}
        """By sensor: the number up to which the fold has read it."""
        self._read_up_to = 0
        """Up to this number all sensors that were read at all are complete."""

    def _read_news(self, connection: Connection, sensors: set[str], tail: _Tail) -> None:
        """Bring the fold up to date on these sensors and the project."""
        if len(self._read) > MOST_SENSORS_KEPT:
            self._forget()
        wanted = {PROJECT, *sensors}
        if tail.seq != self._read_up_to:
            wanted |= self._read.keys()
        else:
            wanted -= self._read.keys()
        for sensor in sorted(wanted):
            for entry in self._select(connection, [sensor], self._read.get(sensor, 0)):
                self._fold.add(entry)
            self._read[sensor] = tail.seq
        self._read_up_to = tail.seq

    def _select(self, connection: Connection, sensors: Sequence[str] | None, after: int) -> Iterator[Entry]:
        query = _SELECT_ALL if sensors is None else _SELECT_SENSORS
        values = {"project": self.project, "after": after, **({} if sensors is None else {"sensors": sensors})}
        with connection.execute(query, values) as rows:
            for row in rows:
                yield _entry(*row)

    def _lock_project(self, connection: Connection) -> None:
        """One writer at a time in a project: numbers have no gaps. SQLite's transaction has seen to it already."""
        if connection.dialect.name == "postgresql":
            connection.execute(_LOCK, {"project": self.project})

    def _tail(self, connection: Connection) -> _Tail:
        row = connection.execute(_SELECT_TAIL, {"project": self.project}).first()
        seq, received_us = (0, 0) if row is None else row
        return _Tail(seq, datetime.fromtimestamp(0, UTC) + timedelta(microseconds=received_us))

    def _known_keys(self, connection: Connection, keys: Sequence[str]) -> set[str]:
        known: set[str] = set()
        for start in range(0, len(keys), KEYS_AT_ONCE):
            values = {"project": self.project, "keys": keys[start : start + KEYS_AT_ONCE]}
            known.update(connection.execute(_SELECT_KEYS, values).scalars())
        return known

    def _row(self, stored: Stored, key: str) -> dict[str, Any]:
        entry = stored.entry
        return {
            "project": self.project,
            "seq": entry.seq,
            "id": entry.id,
            "key": key,
            "type": entry.type,
            "sensor": entry.sensor,
            "stage": entry.stage,
            "received_us": microseconds(datetime.fromisoformat(entry.received)),
            "canonical": stored.canonical,
        }


# Built once: building a statement takes longer than SQLite takes to run it.
_OF_PROJECT = ENTRY.c.project == bindparam("project")
_INSERT = insert(ENTRY)
_SELECT_ALL = (
    select(ENTRY.c.seq, ENTRY.c.id, ENTRY.c.canonical)
    .where(_OF_PROJECT, ENTRY.c.seq > bindparam("after"))
    .order_by(ENTRY.c.seq)
    .execution_options(yield_per=ROWS_AT_ONCE)
)
_SELECT_SENSORS = _SELECT_ALL.where(ENTRY.c.sensor.in_(bindparam("sensors", expanding=True)))
_SELECT_TYPE = _SELECT_ALL.where(ENTRY.c.type == bindparam("type"))
_SELECT_TAIL = select(ENTRY.c.seq, ENTRY.c.received_us).where(_OF_PROJECT).order_by(ENTRY.c.seq.desc()).limit(1)
_SELECT_KEYS = select(ENTRY.c.key).where(_OF_PROJECT, ENTRY.c.key.in_(bindparam("keys", expanding=True)))
_LOCK = text("SELECT pg_advisory_xact_lock(hashtextextended(:project, 0))")


def _first_places(drafts: Sequence[Prepared]) -> list[int]:
    """The places of all drafts whose key did not come before among them."""
    return sorted({draft.key: n for n, draft in reversed(list(enumerate(drafts)))}.values())


def _entry(seq: int, name: str, canonical: bytes) -> Entry:
    try:
        entry = Entry.from_canonical(seq, canonical)
    except EntryError as wrong:
        raise CorruptLogError(f"entry {seq} cannot be read: {wrong}") from None
    if entry.id != name:
        raise CorruptLogError(f"entry {seq} is not what was appended: its content does not give its id")
    return entry
