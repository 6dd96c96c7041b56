"""The steps by which a database comes to the tables of `models.tables`, and the taking of those not yet taken."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import Connection, inspect, text

if TYPE_CHECKING:
    from alembic.config import Config

NEWEST = "0001"
"""The last revision; a test holds it against the files."""


def bring_up_to_date(connection: Connection) -> None:
    """Take all steps that this database has not taken, in the connection's transaction.

    Raises:
        RuntimeError: the database was made by a newer program.
    """
    if revision(connection) == NEWEST:
        return
    # Only now: Alembic takes longer to import than a whole command takes to run.
    from alembic import command
    from alembic.util.exc import CommandError

    try:
        command.upgrade(alembic_config(connection), "head")
    except CommandError as wrong:
        raise RuntimeError(
            f"the database cannot be brought up to date; was it made by a newer program? ({wrong})"
        ) from None


def revision(connection: Connection) -> str | None:
    """The last step that the database has taken; None for an empty one."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return found


def alembic_config(connection: Connection) -> Config:
    """Alembic's settings for this connection."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "models:migrations")
    config.attributes["connection"] = connection
    return config
