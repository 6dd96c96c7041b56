"""Databases for tests: an empty one of each sort, by URL."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.database import sqlite_url
from tests.postgresql import VARIABLE, new_database, server


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str | None]:
    """A server, started once for all tests of this process."""
    with server() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """An empty database."""
    if request.param == "sqlite":
        yield sqlite_url(tmp_path / "log.db")
        return
    url = request.getfixturevalue("postgresql_server")
    if url is None:
        pytest.skip(f"no PostgreSQL server: set {VARIABLE} or install its programs (apt-get install postgresql)")
    with new_database(url) as fresh:
        yield fresh
