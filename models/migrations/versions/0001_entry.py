"""The log, and the triggers that refuse every change of it.

Whoever owns the database can take the triggers away: they guard against mistakes and bugs. That nothing was changed
is proven by the ids of the entries.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_LONG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

_SQLITE = (
    """
    CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry
    BEGIN SELECT RAISE(ABORT, 'the log is append-only: no entry is changed'); END
    """,
    """
    CREATE TRIGGER entry_no_delete BEFORE DELETE ON entry
    BEGIN SELECT RAISE(ABORT, 'the log is append-only: no entry is deleted'); END
    """,
    # REPLACE deletes without asking the trigger above. A new row that can be in conflict with no other replaces none.
    """
    CREATE TRIGGER entry_next_only BEFORE INSERT ON entry
    WHEN NEW.seq IS NOT coalesce((SELECT max(seq) FROM entry WHERE project = NEW.project), 0) + 1
      OR EXISTS (SELECT 1 FROM entry WHERE project = NEW.project AND key = NEW.key)
    BEGIN SELECT RAISE(ABORT, 'the log is append-only: only a new entry with the next number is taken'); END
    """,
)
_POSTGRESQL = (
    """
    CREATE FUNCTION entry_refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION 'the log is append-only: no % on it', TG_OP; END $$
    """,
    """
    CREATE TRIGGER entry_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON entry
    FOR EACH STATEMENT EXECUTE FUNCTION entry_refuse_change()
    """,
    """
    CREATE FUNCTION entry_demand_next() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
      IF NEW.seq <> coalesce((SELECT max(seq) FROM entry WHERE project = NEW.project), 0) + 1 THEN
        RAISE EXCEPTION 'the log is append-only: only an entry with the next number is taken';
      END IF;
      RETURN NEW;
    END $$
    """,
    "CREATE TRIGGER entry_next_only BEFORE INSERT ON entry FOR EACH ROW EXECUTE FUNCTION entry_demand_next()",
)


def upgrade() -> None:
    """Take the step."""
    op.create_table(
        "entry",
        sa.Column("project", sa.Text(), nullable=False),
        sa.Column("seq", _LONG, autoincrement=False, nullable=False),
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("type", sa.Text(), nullable=False),
        sa.Column("sensor", sa.Text(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("received_us", _LONG, nullable=False),
        sa.Column("canonical", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("project", "seq", name="pk_entry"),
        sa.UniqueConstraint("project", "key", name="uq_entry_project_key"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_entry_project_sensor_seq", "entry", ["project", "sensor", "seq"])
    for statement in _SQLITE if op.get_bind().dialect.name == "sqlite" else _POSTGRESQL:
        op.execute(statement)
