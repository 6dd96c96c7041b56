"""The log in SQLite and in PostgreSQL: appended whole or not at all, never changed, the same from every side."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, create_engine, text
from sqlalchemy.exc import DBAPIError

from api.database import UnavailableError, open_database, sqlite_url, writing
from api.log import CorruptLogError, Log, RefusedAppendError
from models.entry import Draft
from models.fold import Fold
from models.measurement import PhotoKind
from models.migrations import NEWEST, alembic_config, bring_up_to_date
from models.state import StageStatus
from models.tables import METADATA
from tests.api.databases import database_url, postgresql_server  # noqa: F401 - fixtures
from tests.models.log_writer import (
    CREW,
    INSPECTOR,
    MANAGER,
    OTHER,
    SENSOR,
    START,
    LogWriter,
    adopted,
    check,
    depth,
    measured,
    photo,
    release,
)

PROJECT = "P-1 (invented)"


@pytest.fixture
def log(database_url: str) -> Iterator[Log]:  # noqa: F811
    opened = Log.open(database_url, PROJECT)
    yield opened
    opened.close()


def plan_draft() -> Draft:
    return LogWriter().draft(adopted(), MANAGER, "", "")


def depth_draft(value: float, sensor: str = SENSOR) -> Draft:
    return LogWriter().draft(depth(value), CREW, "saw-cut", sensor)


def test_what_is_appended_comes_back_in_order(log: Log) -> None:
    drafts = [plan_draft(), depth_draft(80.0), depth_draft(81.0, OTHER)]
    appended = log.append(drafts)
    assert [e.seq for e in appended.entries] == [1, 2, 3]
    assert tuple(log.entries()) == appended.entries
    assert [e.seq for e in log.entries(SENSOR)] == [2]
    assert [e.seq for e in log.entries("")] == [1]
    assert [e.seq for e in log.entries(after=2)] == [3]
    assert [e.key() for e in log.entries()] == [d.key() for d in drafts]


def test_the_same_told_twice_is_one_entry(log: Log) -> None:
    log.append([plan_draft(), depth_draft(80.0)])
    again = log.append([depth_draft(80.0), depth_draft(81.0), depth_draft(81.0)])
    assert [e.seq for e in again.entries] == [3]
    assert again.duplicates == (0, 2)
    assert len(tuple(log.entries())) == 3


def test_nothing_is_appended_when_one_draft_is_refused(log: Log) -> None:
    log.append([plan_draft()])
    with pytest.raises(RefusedAppendError, match="no sensor 'north/1/Z'") as refused:
        log.append([depth_draft(80.0), depth_draft(81.0, "north/1/Z")])
    assert [(r.index, r.refusal.code) for r in refused.value.refused] == [(1, "sensor")]
    assert len(tuple(log.entries())) == 1
    assert len(log.append([depth_draft(80.0)]).entries) == 1


def show_layout(log: Log) -> None:
    """Show all that layout needs, by crew; each entry names the ids that the log gave."""
    taken = log.append([LogWriter().draft(photo("line.jpg", PhotoKind.LAYOUT), CREW, "layout")]).entries[0]
    rest = (measured(taken.id), check("old-marks"))
    log.append([LogWriter().draft(fact, CREW, "layout") for fact in rest])


def test_a_release_is_asked_about_as_things_stand_in_the_database(log: Log, database_url: str) -> None:  # noqa: F811
    """Another process adds evidence between the inspector's look and word: the release must be refused."""
    log.append([plan_draft()])
    show_layout(log)
    seen = log.sensor(SENSOR).stage("layout")
    assert seen.status is StageStatus.READY
    other = Log.open(database_url, PROJECT)
    other.append([LogWriter().draft(photo("more.jpg", PhotoKind.LAYOUT), CREW, "layout")])
    other.close()
    with pytest.raises(RefusedAppendError, match="the evidence has changed: 1 not seen"):
        log.append([LogWriter().draft(release(seen.evidence), INSPECTOR, "layout")])


def test_a_release_is_taken_and_seen_by_another_process(log: Log, database_url: str) -> None:  # noqa: F811
    log.append([plan_draft()])
    show_layout(log)
    evidence = log.sensor(SENSOR).stage("layout").evidence
    log.append([LogWriter().draft(release(evidence), INSPECTOR, "layout")])
    other = Log.open(database_url, PROJECT)
    for one in (log, other):
        assert one.sensor(SENSOR).stage("layout").status is StageStatus.RELEASED
        assert one.sensor(SENSOR) == Fold.of(one.entries()).sensor(SENSOR) == one.state().sensors[SENSOR]
    other.close()


def test_the_state_of_a_sensor_is_kept_up_with_what_others_append(log: Log, database_url: str) -> None:  # noqa: F811
    """Two logs of one project in turns, as two processes would be: neither misses what the other wrote."""
    other = Log.open(database_url, PROJECT)
    log.append([plan_draft()])
    for n, (one, sensor) in enumerate([(log, SENSOR), (other, SENSOR), (log, OTHER), (other, SENSOR), (log, SENSOR)]):
        one.append([depth_draft(80.0 + n, sensor)])
    for one in (log, other):
        assert len(one.sensor(SENSOR).stage("saw-cut").evidence) == 4
    other.close()


def test_projects_in_one_database_do_not_touch_each_other(log: Log, database_url: str) -> None:  # noqa: F811
    other = Log.open(database_url, "P-2")
    for one in (log, other):
        assert [e.seq for e in one.append([plan_draft()]).entries] == [1]
    other.close()


def test_the_logs_clock_never_goes_back(database_url: str) -> None:  # noqa: F811
    times = iter([START, START - timedelta(hours=1), START - timedelta(hours=1)])
    log = Log.open(database_url, PROJECT, now=lambda: next(times))
    log.append([plan_draft()])
    log.append([depth_draft(80.0), depth_draft(81.0)])
    log.append([depth_draft(82.0)])
    received = [datetime.fromisoformat(e.received) for e in log.entries()]
    assert received == sorted(set(received))
    assert received[0] - START <= timedelta(microseconds=1)
    log.close()


def test_writers_at_once_leave_no_gap_and_lose_nothing(log: Log, database_url: str) -> None:  # noqa: F811
    log.append([plan_draft()])
    failures: list[BaseException] = []

    def write(number: int) -> None:
        own = Log.open(database_url, PROJECT)
        try:
            for n in range(10):
                own.append([depth_draft(100.0 * number + n)])
        except BaseException as wrong:
            failures.append(wrong)
        finally:
            own.close()

    threads = [threading.Thread(target=write, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert [e.seq for e in log.entries()] == list(range(1, 42))


COLUMNS = "(project, seq, id, key, type, sensor, stage, received_us, canonical)"
PROJECT_SQL = f"'{PROJECT}'"
HAD_KEY = f"(SELECT key FROM entry WHERE project = {PROJECT_SQL} AND seq = 2)"


def values(seq: str = "3", key: str = "'new'") -> str:
    """A row of SQL; as it stands it would be taken."""
    return f"SELECT {PROJECT_SQL}, {seq}, 'id', {key}, 'note', '', '', 1, (SELECT canonical FROM entry LIMIT 1)"


SET_ALL = "DO UPDATE SET canonical = excluded.canonical, id = excluded.id"
BOTH = {
    "update": "UPDATE entry SET sensor = 'x'",
    "update of nothing in a row": "UPDATE entry SET sensor = sensor WHERE seq = 1",
    "update of the key": "UPDATE entry SET key = 'x' WHERE seq = 2",
    "delete": "DELETE FROM entry",
    "delete of the last": "DELETE FROM entry WHERE seq = 2",
    "a number again": f"INSERT INTO entry {COLUMNS} {values('2')}",
    "a gap": f"INSERT INTO entry {COLUMNS} {values('4')}",
    "number zero": f"INSERT INTO entry {COLUMNS} {values('0')}",
    "no number": f"INSERT INTO entry {COLUMNS} {values('NULL')}",
    "a key again": f"INSERT INTO entry {COLUMNS} {values(key=HAD_KEY)}",
    "upsert of a number": f"INSERT INTO entry {COLUMNS} {values('2')} ON CONFLICT (project, seq) {SET_ALL}",
    "upsert of a key": f"INSERT INTO entry {COLUMNS} {values(key=HAD_KEY)} ON CONFLICT (project, key) {SET_ALL}",
}
OF_SQLITE = {
    "replace of a number": f"REPLACE INTO entry {COLUMNS} {values('2')}",
    "insert or replace of a number": f"INSERT OR REPLACE INTO entry {COLUMNS} {values('2')}",
    "insert or replace of a key": f"INSERT OR REPLACE INTO entry {COLUMNS} {values(key=HAD_KEY)}",
    "update or replace": "UPDATE OR REPLACE entry SET seq = 2 WHERE seq = 1",
    "update or ignore": "UPDATE OR IGNORE entry SET sensor = 'x'",
    "insert or replace by the hidden number": (
        f"INSERT OR REPLACE INTO entry (rowid, {COLUMNS[1:]} {values().replace('SELECT', 'SELECT 1,')}"
    ),
}
OF_POSTGRESQL = {
    "truncate": "TRUNCATE entry",
    "truncate cascade": "TRUNCATE entry CASCADE",
    "merge": "MERGE INTO entry e USING (SELECT 2 AS n) s ON e.seq = s.n WHEN MATCHED THEN DELETE",
}


def refuses(engine: Engine, statement: str, setting: str | None = None) -> bool:
    """Whether the database refuses it; with the connection as anybody would open it, none of our settings made."""
    with engine.connect() as connection:
        if setting:
            connection.exec_driver_sql(setting)
        try:
            connection.execute(text(statement))
            connection.commit()
        except DBAPIError:
            return True
    return False


def test_the_database_itself_refuses_every_change(log: Log, database_url: str) -> None:  # noqa: F811
    sqlite = database_url.startswith("sqlite")
    log.append([plan_draft(), depth_draft(80.0)])
    before = tuple(log.entries())
    engine = create_engine(database_url.replace("postgresql://", "postgresql+psycopg://"))
    settings = ("PRAGMA recursive_triggers = OFF", "PRAGMA recursive_triggers = ON") if sqlite else (None,)
    for name, statement in {**BOTH, **(OF_SQLITE if sqlite else OF_POSTGRESQL)}.items():
        assert all(refuses(engine, statement, setting) for setting in settings), name
        assert tuple(log.entries()) == before, name
    engine.dispose()


def test_the_row_of_the_test_above_would_be_taken(log: Log, database_url: str) -> None:  # noqa: F811
    """Else every refusal there might be for a slip in the statement."""
    log.append([plan_draft(), depth_draft(80.0)])
    engine = create_engine(database_url.replace("postgresql://", "postgresql+psycopg://"))
    assert not refuses(engine, f"INSERT INTO entry {COLUMNS} {values()}")
    engine.dispose()
    with pytest.raises(CorruptLogError, match="does not give its id"):
        tuple(log.entries())


def test_a_changed_entry_is_found_when_it_is_read(log: Log, database_url: str) -> None:  # noqa: F811
    log.append([plan_draft(), depth_draft(80.0)])
    engine = create_engine(database_url.replace("postgresql://", "postgresql+psycopg://"))
    drop = (
        "DROP TRIGGER entry_no_update" if database_url.startswith("sqlite") else "DROP TRIGGER entry_no_change ON entry"
    )
    with engine.begin() as connection:
        connection.execute(text(drop))
        canonical = connection.execute(text("SELECT canonical FROM entry WHERE seq = 2")).scalar_one()
        forged = bytes(canonical).replace(b"80", b"79")
        assert forged != canonical
        connection.execute(text("UPDATE entry SET canonical = :c WHERE seq = 2"), {"c": forged})
    engine.dispose()
    for read in (lambda: tuple(log.entries()), lambda: Log(log._engine, PROJECT).sensor(SENSOR)):
        with pytest.raises(CorruptLogError, match="entry 2 is not what was appended"):
            read()


def test_a_missing_entry_is_found_when_all_are_read(log: Log, database_url: str) -> None:  # noqa: F811
    log.append([plan_draft(), depth_draft(80.0), depth_draft(81.0)])
    engine = create_engine(database_url.replace("postgresql://", "postgresql+psycopg://"))
    drop = (
        "DROP TRIGGER entry_no_delete" if database_url.startswith("sqlite") else "DROP TRIGGER entry_no_change ON entry"
    )
    with engine.begin() as connection:
        connection.execute(text(drop))
        connection.execute(text("DELETE FROM entry WHERE seq = 2"))
    engine.dispose()
    with pytest.raises(CorruptLogError, match="entry 2 of the log is missing"):
        tuple(log.entries())


def test_the_migrations_make_the_tables_that_the_code_knows(database_url: str) -> None:  # noqa: F811
    """What `alembic check` does: nothing is left to be generated."""
    engine = open_database(database_url)
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), METADATA) == []
        assert ScriptDirectory.from_config(alembic_config(connection)).get_heads() == [NEWEST]
    engine.dispose()


def test_opening_twice_changes_nothing_and_a_newer_database_is_refused(database_url: str) -> None:  # noqa: F811
    engine = open_database(database_url)
    open_database(database_url).dispose()
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(RuntimeError, match="newer program"), writing(engine) as connection, connection.begin():
        bring_up_to_date(connection)
    engine.dispose()


@pytest.mark.parametrize("url", ["", "log.db", "mysql://host/name", "http://example.org", "sqlite"])
def test_what_is_no_url_of_a_known_database_is_said(url: str) -> None:
    with pytest.raises(ValueError, match="URL"):
        open_database(url)


@pytest.mark.parametrize("where", ["text.db", "no-such-folder/log.db", "postgresql://nobody@127.0.0.1:1/none"])
def test_a_database_that_cannot_be_opened_is_named_with_the_reason(tmp_path: Path, where: str) -> None:
    (tmp_path / "text.db").write_text("not a database, " * 100)
    with pytest.raises(UnavailableError, match=r"cannot be opened: .+"):
        open_database(where if ":" in where else sqlite_url(tmp_path / where))
    assert (tmp_path / "text.db").read_text().startswith("not a database")


def test_a_log_is_opened_and_read_while_another_process_writes(log: Log, database_url: str) -> None:  # noqa: F811
    log.append([plan_draft()])
    engine = open_database(database_url)
    with writing(engine) as connection, connection.begin():
        connection.execute(text("SELECT 1"))  # holds the right to write, in SQLite, until the end
        other = Log.open(database_url, PROJECT)
        assert len(tuple(other.entries())) == 1
        other.close()
    engine.dispose()


def test_commits_are_durable(database_url: str) -> None:  # noqa: F811
    engine = open_database(database_url)
    with engine.connect() as connection:
        if database_url.startswith("sqlite"):
            found = [connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in ("journal_mode", "synchronous")]
            assert found == ["wal", 2]  # 2 is FULL (SQLite's documentation of the pragma)
        else:
            assert connection.execute(text("SHOW synchronous_commit")).scalar() == "on"
    engine.dispose()


def test_many_at_once_are_read_back_whole(log: Log) -> None:
    drafts = [plan_draft(), *(depth_draft(80.0 + n / 100) for n in range(1500))]
    assert len(log.append(drafts).entries) == 1501
    assert len(log.append(drafts).duplicates) == 1501
    assert [e.seq for e in log.entries()] == list(range(1, 1502))
