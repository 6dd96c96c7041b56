"""Originals: the bytes of photos and files as they came, each kept once under its SHA-256.

An original is there whole or not at all, and for good: it is written beside its place under another name, forced to
the disk, then linked to its own name, which fails where that is taken; then the folder is forced to the disk as well.
What is read is held against its name.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from api.database import sync_folder

CHUNK_BYTES = 1 << 20
STRAY_AGE_S = 3600.0
"""A file half written for this long has lost its writer."""

_NAME = re.compile(r"[0-9a-f]{64}")
_STRAY = ".part"


class MissingOriginalError(LookupError):
    """No original of this SHA-256 is kept here."""


class DamagedOriginalError(ValueError):
    """The bytes kept under a name are not those that were put there."""


@dataclass(frozen=True)
class Originals:
    """A folder of originals, in sub-folders by the first two digits of their names; it is made when it is needed."""

    folder: Path

    def put(self, content: bytes | Path) -> str:
        """Keep these bytes, or those of this file; returns their SHA-256. Durable on return; twice is once.

        Raises:
            OSError: they could not be written; nothing is to be seen of them then.
            DamagedOriginalError: other bytes are kept under their name already; they are left as they are.
        """
        name = _digest_of(content)
        if name in self:  # put again: by a repeated import, say
            self._demand_whole(name)
            return name
        self._make(self.folder)
        part = self.folder / f"{secrets.token_hex(16)}{_STRAY}"
        try:
            name = _write(part, content)
            self._make(self._path(name).parent)
            self._link(part, name)
        finally:
            with suppress(FileNotFoundError):
                part.unlink()
        return name

    def get(self, name: str) -> bytes:
        """The bytes of an original.

        Raises:
            MissingOriginalError: there is none of this name.
            DamagedOriginalError: they are not what was put.
        """
        try:
            content = self._path(name).read_bytes()
        except FileNotFoundError:
            raise MissingOriginalError(f"no original with SHA-256 {name} is kept in {self.folder}") from None
        if hashlib.sha256(content).hexdigest() != name:
            raise DamagedOriginalError(f"the original {name} in {self.folder} is damaged: restore it from a copy")
        return content

    def path(self, name: str) -> Path:
        """The file of an original, for a program that reads it itself and holds it against its name.

        Raises:
            MissingOriginalError: there is none of this name.
        """
        if name not in self:
            raise MissingOriginalError(f"no original with SHA-256 {name} is kept in {self.folder}")
        return self._path(name)

    def __contains__(self, name: str) -> bool:
        return self._path(name).exists()

    def names(self) -> Iterator[str]:
        """The names of all originals, sorted."""
        found = self.folder.glob("??/*") if self.folder.exists() else ()
        yield from sorted(path.name for path in found if _NAME.fullmatch(path.name))

    def damaged(self) -> Iterator[str]:
        """The names of originals that are not what was put; reads everything."""
        for name in self.names():
            if _digest(self._path(name)) != name:
                yield name

    def sweep(self) -> int:
        """Remove what writers left that died in the middle; returns how many files."""
        oldest = time.time() - STRAY_AGE_S
        strays = [p for p in self.folder.glob(f"*{_STRAY}") if p.stat().st_mtime < oldest]
        for stray in strays:
            stray.unlink(missing_ok=True)
        return len(strays)

    def _path(self, name: str) -> Path:
        if not _NAME.fullmatch(name):
            raise MissingOriginalError(f"{name!r} is no SHA-256 in 64 lower-case hexadecimal digits")
        return self.folder / name[:2] / name

    def _make(self, folder: Path) -> None:
        """A folder that is there after a power cut as well."""
        if folder.exists():
            return
        if not folder.parent.exists():
            self._make(folder.parent)
        with suppress(FileExistsError):
            folder.mkdir()
        sync_folder(folder.parent)

    def _link(self, part: Path, name: str) -> None:
        """Give the written file its name, or find it given already."""
        try:
            os.link(part, self._path(name))
        except FileExistsError:
            self._demand_whole(name)
        else:
            sync_folder(self._path(name).parent)

    def _demand_whole(self, name: str) -> None:
        """That what is kept under the name is what it says; and for good: who put it may not have come to that yet."""
        path = self._path(name)
        if _digest(path) != name:
            raise DamagedOriginalError(f"other bytes are kept as {name} in {self.folder}: restore it from a copy")
        sync_folder(path.parent)


def _write(part: Path, content: bytes | Path) -> str:
    """Write to a new file and force it to the disk; returns the SHA-256 of what was written."""
    digest = hashlib.sha256()
    with part.open("xb") as file:
        for chunk in _chunks(content):
            digest.update(chunk)
            file.write(chunk)
        file.flush()
        os.fsync(file.fileno())
    part.chmod(0o444)
    return digest.hexdigest()


def _digest_of(content: bytes | Path) -> str:
    """SHA-256 of what is to be put."""
    return hashlib.sha256(content).hexdigest() if isinstance(content, bytes) else _digest(content)


def _chunks(content: bytes | Path) -> Iterator[bytes]:
    if isinstance(content, bytes):
        yield content
        return
    with content.open("rb") as file:
        yield from _read_chunks(file)


def _read_chunks(file: BinaryIO) -> Iterator[bytes]:
    while chunk := file.read(CHUNK_BYTES):
        yield chunk


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
