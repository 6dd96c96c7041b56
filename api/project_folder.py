"""A project's folder: `project.json` (what it is and where its log lies), `record.sqlite`, `originals/`."""

from __future__ import annotations

import json
import os
import re
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import make_url
from sqlalchemy.exc import ArgumentError

from api.database import UnavailableError, sqlite_url, sync_folder
from api.errors import StoreError, UsageError
from api.log import Clock, Log
from api.originals import Originals

FORMAT = 1
"""Version of the folder's form; a newer one is refused."""

SETTINGS, RECORD, ORIGINALS = "project.json", "record.sqlite", "originals"


@dataclass(frozen=True)
class ProjectFolder:
    """A folder that holds a project."""

    path: Path
    key: str
    """The project's name in its database."""
    database: str | None
    """URL of its database; None for the SQLite file in the folder."""

    @property
    def originals(self) -> Originals:
        """The photos and files as they came."""
        return Originals(self.path / ORIGINALS)

    def log(self, now: Clock | None) -> Log:
        """The log, opened.

        Raises:
            StoreError: its database cannot be used.
        """
        try:
            return Log.open(self.database or sqlite_url(self.path / RECORD), self.key, now)
        except (UnavailableError, ValueError) as wrong:
            raise StoreError(str(wrong)) from None

    @staticmethod
    def open(path: Path) -> ProjectFolder:
        """The project of a folder.

        Raises:
            UsageError: the folder holds none, or one of a newer program.
        """
        try:
            content = json.loads((path / SETTINGS).read_text(encoding="utf-8"))
        except FileNotFoundError:
            raise UsageError(
                f"{path}: no project here (no {SETTINGS}); begin one with `kerfline start FOLDER --plan PLAN`"
            ) from None
        except (OSError, ValueError, RecursionError) as wrong:
            raise UsageError(f"{path / SETTINGS}: cannot be read ({wrong})") from None
        return _from_content(path, content)

    @staticmethod
    def make(path: Path, name: str, database: str | None) -> ProjectFolder:
        """The project of a folder, begun where there is none yet.

        Raises:
            UsageError: other things are in the folder, or it cannot be made.
        """
        if (path / SETTINGS).exists():
            return ProjectFolder.open(path)
        address = None if database is None else _address(database)
        try:
            path.mkdir(parents=True, exist_ok=True)
            if any(not file.name.endswith(".part") for file in path.iterdir()):
                raise UsageError(f"{path}: other files are in this folder; name a new one for the project")
            folder = ProjectFolder(path, f"{_plain(name)}-{secrets.token_hex(4)}", address)
            _write_settings(folder)
        except OSError as reason:
            raise UsageError(f"{path}: the project's folder cannot be made ({reason.strerror})") from None
        return folder


def find_folder(start: Path) -> Path:
    """The nearest folder from here upwards that holds a project; the start itself where there is none."""
    here = start.absolute()
    return next((folder for folder in (here, *here.parents) if (folder / SETTINGS).is_file()), start)


def _from_content(path: Path, content: Any) -> ProjectFolder:
    try:
        form, key, database = content["format"], content["project"], content["database"]
        if not isinstance(key, str) or not isinstance(database, str | None) or type(form) is not int:
            raise TypeError
    except (KeyError, TypeError):
        raise UsageError(f"{path / SETTINGS}: not the settings of a project") from None
    if form != FORMAT:
        raise UsageError(f"{path}: a project of form {form}, this program knows form {FORMAT}: use a newer one")
    return ProjectFolder(path, key, database)


def _address(url: str) -> str:
    """The URL without its password, which is no business of a file that is copied about."""
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError) as wrong:
        raise UsageError(f"--database {url!r} is not the URL of a database: {wrong}") from None
    if parsed.password is not None:
        raise UsageError("--database: leave the password out of the URL and give it by PGPASSWORD or a .pgpass file")
    return url


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40] or "project"


def _write_settings(folder: ProjectFolder) -> None:
    """Write the settings so that they are there whole or not at all, and after a power cut as well."""
    content = {"format": FORMAT, "project": folder.key, "database": folder.database}
    part = folder.path / f"{SETTINGS}.{secrets.token_hex(4)}.part"
    with part.open("x", encoding="utf-8") as file:
        json.dump(content, file, indent=2)
        file.write("\n")
        file.flush()
        os.fsync(file.fileno())
    part.replace(folder.path / SETTINGS)
    sync_folder(folder.path)
