"""Opening a database by its URL: SQLite in a file by default, PostgreSQL by a URL alone."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.engine import URL
from sqlalchemy.exc import ArgumentError, DBAPIError

from models.migrations import NEWEST, bring_up_to_date, revision

LOCK_WAIT_S = 60
"""How long to wait while another process writes; a batch takes seconds."""

_WRITES = "kerfline_writes"


class UnavailableError(RuntimeError):
    """The database cannot be used; the message says which and why."""


def open_database(url: str) -> Engine:
    """The database of this URL with all its tables; made if it is not there.

    ``sqlite:///FILE`` or ``postgresql://USER@HOST/NAME``.

    Raises:
        ValueError: not a URL of a database that is known here.
        UnavailableError: the database cannot be reached, is no such database, or was made by a newer program.
    """
    engine = _engine(url)
    try:
        with engine.connect() as connection:
            done = revision(connection) == NEWEST
        if not done:  # only now take the right to write, for which another process may keep us waiting
            with writing(engine) as connection, connection.begin():
                bring_up_to_date(connection)
    except (DBAPIError, RuntimeError) as wrong:
        engine.dispose()
        told = wrong.orig if isinstance(wrong, DBAPIError) else wrong
        raise UnavailableError(f"the database {engine.url} cannot be opened: {str(told).strip()}") from None
    return engine


def writing(engine: Engine) -> Connection:
    """A connection whose transactions take the right to write at once: none fails for having read too early."""
    return engine.connect().execution_options(**{_WRITES: True})


def sqlite_url(path: Path) -> str:
    """The URL of a database in this file."""
    return f"sqlite:///{path.absolute()}"


def _engine(url: str) -> Engine:
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError) as wrong:
        raise ValueError(f"{url!r} is not the URL of a database: {wrong}") from None
    if parsed.get_backend_name() == "sqlite":
        return _sqlite(parsed)
    if parsed.get_backend_name() == "postgresql":
        # Durable whatever the server's own setting: what was acknowledged is on its disk.
        options = {"options": "-c synchronous_commit=on", "connect_timeout": 10}
        return _postgresql(parsed.set(drivername="postgresql+psycopg"), options)
    raise ValueError(f"{parsed.get_backend_name()} is not supported; give a URL of sqlite or postgresql")


def _postgresql(url: URL, options: dict[str, Any]) -> Engine:
    try:
        return create_engine(url, connect_args=options, pool_pre_ping=True)
    except ModuleNotFoundError:
        raise UnavailableError("PostgreSQL needs its driver: install `kerfline[postgresql]`") from None


def _sqlite(url: URL) -> Engine:
    engine = create_engine(url, connect_args={"timeout": LOCK_WAIT_S})
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    """Durable at each commit, readers beside the writer, and transactions that begin when we say."""
    connection.isolation_level = None
    for setting in ("journal_mode = WAL", "synchronous = FULL", "recursive_triggers = ON", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {setting}").close()


def _begin_sqlite(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get(_WRITES) else "BEGIN")


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
