"""A PostgreSQL server for tests and benchmarks: the one that is named, or a cluster of our own for as long as it lasts.

`KERFLINE_TEST_POSTGRESQL` names a server by the URL of a database in which databases may be created. Without it, a
temporary cluster is started where the server's programs are found; it listens on a socket in its folder alone.
"""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psycopg
from sqlalchemy import make_url

VARIABLE = "KERFLINE_TEST_POSTGRESQL"
_USER = "postgres"


def programs() -> Path | None:
    """The folder of initdb and postgres, the newest version's where there are several."""
    on_path = shutil.which("initdb")
    installed = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: float(p.parts[-3]))
    found = [Path(on_path).resolve()] if on_path else installed[-1:]
    return found[0].parent if found and (found[0].parent / "postgres").exists() else None


@contextmanager
def server() -> Iterator[str | None]:
    """The URL of a server's database, None where no server can be had."""
    if VARIABLE in os.environ:
        yield os.environ[VARIABLE]
        return
    folder = programs()
    if folder is None:
        yield None
        return
    with _cluster(folder) as url:
        yield url


@contextmanager
def new_database(url: str) -> Iterator[str]:
    """The URL of an empty database on this server, dropped again afterwards."""
    name = f"kerfline_test_{uuid.uuid4().hex[:12]}"
    at = make_url(url).set(drivername="postgresql")
    plain = at.render_as_string(hide_password=False)
    with psycopg.connect(plain, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}".encode())
    try:
        yield at.set(database=name).render_as_string(hide_password=False)
    finally:
        with psycopg.connect(plain, autocommit=True) as connection:
            connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)".encode())


@contextmanager
def _cluster(folder: Path) -> Iterator[str]:
    """A cluster in a folder of its own, with the settings it comes with: commits are forced to the disk."""
    home = Path(tempfile.mkdtemp(prefix="kf-pg-"))
    user = _server_user()
    if user is not None:
        shutil.chown(home, user)
    run = {"user": user, "cwd": home, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    subprocess.run(
        [folder / "initdb", "-D", home / "data", "-U", _USER, "-A", "trust", "-E", "UTF8", "--no-sync"],
        check=True,
        **run,  # type: ignore[call-overload]
    )
    process = subprocess.Popen(
        [folder / "postgres", "-D", home / "data", "-k", home, "-c", "listen_addresses="],
        **run,  # type: ignore[call-overload]
    )
    try:
        url = f"postgresql://{_USER}@/postgres?host={home}"
        _wait_for(url)
        yield url
    finally:
        process.terminate()
        with suppress(subprocess.TimeoutExpired):
            process.wait(20)
        process.kill()
        process.wait()
        shutil.rmtree(home, ignore_errors=True)


def _server_user() -> str | None:
    """The server refuses to run as root; None where we are somebody else already."""
    if os.geteuid() != 0:
        return None
    with suppress(KeyError):
        return pwd.getpwnam(_USER).pw_name
    return "nobody"


def _wait_for(url: str) -> None:
    for _ in range(200):
        with suppress(psycopg.OperationalError):
            psycopg.connect(url).close()
            return
        time.sleep(0.1)
    raise TimeoutError("the PostgreSQL server did not start within 20 s")
