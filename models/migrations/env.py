"""Alembic's entry: runs the steps on the connection it was handed."""

from __future__ import annotations

from alembic import context

from models.tables import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,
    transaction_per_migration=False,
)
context.run_migrations()
