"""Durable appends a second, against what the database itself does in the same run.

    python -m tests.benchmarks.appends

Bare: rows of the same size put into a table of the same columns and indexes, without triggers, by the database's
driver alone, with the same durability. Ours: `Log.append`, which makes the canonical form, the id and the key, looks
for what is there already, asks whether it may be taken, and inserts. One at a time, and some to a transaction; one
transaction bare and one ours in turns, so that a busy disk shows in both; the rates are of all of them, the time
beside them is what ours take longer. PostgreSQL where a server can be had (see `tests/postgresql.py`).
"""

from __future__ import annotations

import argparse
import sqlite3
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import psycopg

from api.database import sqlite_url
from api.log import Log
from tests.benchmarks.nights import readings
from tests.models.log_writer import MANAGER, SENSOR, LogWriter, adopted, sha
from tests.postgresql import new_database, server

GOAL = 0.5
COLUMNS = "project, seq, id, key, type, sensor, stage, received_us, canonical"
INDEXES = (
    "CREATE UNIQUE INDEX bare_key ON bare (project, key)",
    "CREATE INDEX bare_sensor ON bare (project, sensor, seq)",
)
Row = tuple[Any, ...]


class Bare(Protocol):
    """The database by its driver alone."""

    def insert(self, rows: list[Row]) -> None:
        """Put rows in, durably, in one transaction."""


class BareSQLite:
    """SQLite with the settings that the log uses."""

    def __init__(self, file: Path) -> None:
        self._connection = sqlite3.connect(file, isolation_level=None)
        self._connection.execute("PRAGMA journal_mode = WAL").close()
        self._connection.execute("PRAGMA synchronous = FULL").close()
        self._connection.execute(
            "CREATE TABLE bare (project TEXT, seq INTEGER, id TEXT, key TEXT, type TEXT, sensor TEXT, stage TEXT, "
            "received_us INTEGER, canonical BLOB, PRIMARY KEY (project, seq)) STRICT, WITHOUT ROWID"
        )
        for statement in INDEXES:
            self._connection.execute(statement)

    def insert(self, rows: list[Row]) -> None:
        """Put rows in, durably, in one transaction."""
        self._connection.execute("BEGIN IMMEDIATE")
        self._connection.executemany(f"INSERT INTO bare ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
        self._connection.execute("COMMIT")


class BarePostgreSQL:
    """PostgreSQL as it is."""

    def __init__(self, url: str) -> None:
        self._connection = psycopg.connect(url)
        self._connection.execute(
            "CREATE TABLE bare (project text, seq bigint, id text, key text, type text, sensor text, stage text, "
            "received_us bigint, canonical bytea, PRIMARY KEY (project, seq))"
        )
        for statement in INDEXES:
            self._connection.execute(statement.encode())
        self._connection.commit()

    def insert(self, rows: list[Row]) -> None:
        """Put rows in, durably, in one transaction."""
        with self._connection.cursor() as cursor:
            marks = "%s, %s, %s, %s, %s, %s, %s, %s, %s"
            cursor.executemany(f"INSERT INTO bare ({COLUMNS}) VALUES ({marks})".encode(), rows)
        self._connection.commit()


@dataclass(frozen=True)
class Rates:
    """Entries a second."""

    bare: float
    ours: float


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.appends", description=__doc__.split("\n")[0])
    parser.add_argument("--appends", type=int, default=1000, help="transactions of one entry each (default: 1000)")
    chosen = parser.parse_args(arguments)
    print(
        f"{'database':<12}{'to a transaction':>17}{'bare/s':>10}{'ours/s':>10}{'ratio':>8}{'longer, ms':>12}"
        f"   goal: ratio >= {GOAL}"
    )
    with databases() as found:
        for name, bare, log in found:
            for size, count in ((1, chosen.appends), (100, 20), (1000, 5)):
                rates = measure(bare, log, size, count)
                longer_ms = 1000 * (1 / rates.ours - 1 / rates.bare)
                print(
                    f"{name:<12}{size:>17,}{rates.bare:>10,.0f}{rates.ours:>10,.0f}{rates.ours / rates.bare:>8.2f}"
                    f"{longer_ms:>12.2f}"
                )
    return 0


@contextmanager
def databases() -> Iterator[list[tuple[str, Bare, Log]]]:
    """Each database twice: bare, and with a log that has a plan."""
    with tempfile.TemporaryDirectory() as folder, server() as url:
        file = Path(folder) / "bare.db"
        found: list[tuple[str, Bare, Log]] = [
            ("SQLite", BareSQLite(file), new_log(sqlite_url(Path(folder) / "log.db")))
        ]
        if url is None:
            print("no PostgreSQL server to be had")
            yield found
            return
        with new_database(url) as fresh:
            log = new_log(fresh)
            yield [*found, ("PostgreSQL", BarePostgreSQL(fresh), log)]
            log.close()


def new_log(url: str) -> Log:
    """A log with its plan."""
    log = Log.open(url, "P")
    log.append([LogWriter().draft(adopted(), MANAGER, "", "")])
    return log


def measure(bare: Bare, log: Log, size: int, transactions: int) -> Rates:
    """A transaction bare and one of ours in turns."""
    seconds = {"bare": 0.0, "ours": 0.0}
    for _ in range(transactions):
        rows, drafts = bare_rows(size), readings(SENSOR, size, next(STARTS))
        start = time.perf_counter()
        bare.insert(rows)
        middle = time.perf_counter()
        log.append(drafts)
        seconds["bare"] += middle - start
        seconds["ours"] += time.perf_counter() - middle
    return Rates(*(size * transactions / seconds[which] for which in ("bare", "ours")))


def counter(step: int) -> Iterator[int]:
    """0, step, 2 step ..."""
    number = 0
    while True:
        yield number
        number += step


STARTS, NUMBERS = counter(1000), counter(1)


def bare_rows(size: int) -> list[Row]:
    """Rows as large as those of readings."""
    rows = []
    for _ in range(size):
        number = next(NUMBERS) + 1
        name = sha(str(number))
        canonical = (name * 8)[:467].encode()
        rows.append(("P", number, name, name[::-1], "reading-added", SENSOR, "saw-cut", number, canonical))
    return rows


if __name__ == "__main__":
    raise SystemExit(main())
