"""The tables of the database: one, for the entries of all projects.

Times are whole microseconds since 1970 in UTC, so that SQLite's strict tables take them as they are.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Index, Integer, LargeBinary, MetaData, Table, Text, UniqueConstraint

_NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
METADATA = MetaData(naming_convention=_NAMES)

# SQLite's strict tables know INTEGER alone, and it has 64 bits there.
LONG = BigInteger().with_variant(Integer, "sqlite")

ENTRY = Table(
    "entry",
    METADATA,
    Column("project", Text, primary_key=True),
    Column("seq", LONG, primary_key=True, autoincrement=False),
    Column("id", Text, nullable=False),
    Column("key", Text, nullable=False),
    Column("type", Text, nullable=False),
    Column("sensor", Text, nullable=False),
    Column("stage", Text, nullable=False),
    Column("received_us", LONG, nullable=False),
    Column("canonical", LargeBinary, nullable=False),
    UniqueConstraint("project", "key"),
    Index(None, "project", "sensor", "seq"),
    sqlite_strict=True,
    # Without SQLite's hidden row number, by which an `INSERT OR REPLACE` could overwrite a row past all triggers.
    sqlite_with_rowid=False,
)
"""The log: ``canonical`` is the entry itself, the other columns are copies of its fields to find it by."""
