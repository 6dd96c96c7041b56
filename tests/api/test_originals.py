"""Originals: whole or not at all, once, for good; proven by failing each call to the file system in turn."""

from __future__ import annotations

import hashlib
import io
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from api.originals import STRAY_AGE_S, DamagedOriginalError, MissingOriginalError, Originals

CONTENTS = [b"", b"a photo", bytes(range(256)) * 5000, b"another"]


@pytest.fixture
def originals(tmp_path: Path) -> Originals:
    return Originals(tmp_path / "project" / "originals")


@pytest.mark.parametrize("content", CONTENTS, ids=len)
def test_what_is_put_comes_back(originals: Originals, content: bytes) -> None:
    name = originals.put(content)
    assert name == hashlib.sha256(content).hexdigest()
    assert originals.get(name) == content
    assert name in originals
    assert list(originals.names()) == [name]


def test_a_file_is_kept_like_its_bytes(originals: Originals, tmp_path: Path) -> None:
    (tmp_path / "photo.jpg").write_bytes(CONTENTS[2])
    assert originals.put(tmp_path / "photo.jpg") == originals.put(CONTENTS[2])
    assert len(list(originals.names())) == 1


def test_no_trace_is_left_but_the_originals(originals: Originals) -> None:
    names = sorted(originals.put(c) for c in (*CONTENTS, *CONTENTS))
    files = sorted(p.name for p in originals.folder.rglob("*") if p.is_file())
    assert files == sorted(set(names)) == list(originals.names())


def test_what_is_kept_cannot_be_written_to(originals: Originals) -> None:
    name = originals.put(b"a photo")
    assert (originals.folder / name[:2] / name).stat().st_mode & 0o222 == 0


def test_nothing_is_kept_under_an_unknown_name(originals: Originals) -> None:
    with pytest.raises(MissingOriginalError):
        originals.get("0" * 64)
    assert "0" * 64 not in originals
    assert list(originals.names()) == []


@pytest.mark.parametrize("name", ["", "..", "../../secret", "A" * 64, "0" * 63, "/" + "0" * 63])
def test_a_name_that_is_no_hash_reaches_no_file(originals: Originals, name: str) -> None:
    with pytest.raises(MissingOriginalError, match="no SHA-256"):
        originals.get(name)


def test_damage_is_found_and_never_written_over(originals: Originals) -> None:
    name = originals.put(b"a photo")
    path = originals.folder / name[:2] / name
    path.chmod(0o644)
    path.write_bytes(b"a phot0")
    with pytest.raises(DamagedOriginalError):
        originals.get(name)
    with pytest.raises(DamagedOriginalError):
        originals.put(b"a photo")
    assert path.read_bytes() == b"a phot0"
    assert list(originals.damaged()) == [name]


def test_many_at_once_keep_one(originals: Originals) -> None:
    found: list[str] = []
    threads = [threading.Thread(target=lambda: found.append(originals.put(CONTENTS[2]))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 8
    assert len(set(found)) == 1
    assert list(originals.damaged()) == []


def test_only_strays_whose_writer_is_long_gone_are_swept(originals: Originals) -> None:
    originals.put(b"a photo")
    old, young = originals.folder / "old.part", originals.folder / "young.part"
    old.write_bytes(b"half")
    young.write_bytes(b"half")
    os.utime(old, (time.time() - 2 * STRAY_AGE_S,) * 2)
    assert originals.sweep() == 1
    assert young.exists()
    assert len(list(originals.names())) == 1


class KilledError(BaseException):
    """Stands for the death of the process: nothing after it is done, no tidying either."""


class Faults:
    """Counts calls to the file system and fails the one of this number; when killed, all after it too."""

    def __init__(self, fail_at: int, *, killed: bool) -> None:
        self.fail_at, self.killed, self.calls = fail_at, killed, 0
        self.trace: list[str] = []

    def wrap(self, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(*arguments: Any, **options: Any) -> Any:
            self.calls += 1
            self.trace.append(name)
            if self.calls == self.fail_at or (self.killed and self.calls > self.fail_at > 0):
                raise KilledError if self.killed else OSError(28, "No space left on device")
            return call(*arguments, **options)

        return wrapped

    def file(self, name: str, *arguments: Any, **options: Any) -> Any:
        """An open file, of which writing, flushing and closing can fail too."""
        return FaultyFile(self, REAL_OPEN(name, *arguments, **options))


class FaultyFile:
    """A file; half of what is written arrives when writing it fails."""

    def __init__(self, faults: Faults, file: Any) -> None:
        self._faults, self._file = faults, file
        self.read, self.fileno = file.read, file.fileno
        self.flush = faults.wrap("flush", file.flush)

    def write(self, content: bytes) -> None:
        try:
            self._faults.wrap("write", self._file.write)(content)
        except BaseException:
            self._file.write(content[: len(content) // 2])
            raise

    def __enter__(self) -> FaultyFile:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


REAL_OPEN = io.open
CALLS = ("fsync", "link", "mkdir", "unlink", "chmod")


def inject(patch: pytest.MonkeyPatch, faults: Faults) -> None:
    for name in CALLS:
        patch.setattr(os, name, faults.wrap(name, getattr(os, name)))
    patch.setattr(io, "open", faults.wrap("open", faults.file))


def put_all(originals: Originals, contents: list[bytes]) -> list[str]:
    """Put one after the other until one fails; returns the names of those acknowledged."""
    acknowledged: list[str] = []
    try:
        for content in contents:
            acknowledged.append(originals.put(content))
    except (OSError, KilledError):
        pass
    return acknowledged


@pytest.mark.parametrize("killed", [False, True], ids=["an error", "a kill"])
def test_whichever_call_fails_nothing_acknowledged_is_lost_and_nothing_partial_is_seen(
    tmp_path: Path, killed: bool
) -> None:
    """The way of SQLite's own tests: fail the Nth call for every N, then audit the folder."""
    sent = [CONTENTS[1], CONTENTS[2], CONTENTS[3], CONTENTS[1]]
    whole, number = {hashlib.sha256(c).hexdigest(): c for c in sent}, 0
    while True:
        number += 1
        originals = Originals(tmp_path / str(number) / "originals")
        with pytest.MonkeyPatch.context() as patch:
            faults = Faults(number, killed=killed)
            inject(patch, faults)
            acknowledged = put_all(originals, sent)
        for name in acknowledged:
            assert originals.get(name) == whole[name]
        assert set(acknowledged) <= set(originals.names()) <= set(whole)
        assert list(originals.damaged()) == []
        if not killed:
            assert not list(originals.folder.glob("*.part")) or "unlink" in faults.trace[number - 1 : number]
        assert put_all(originals, sent) == [hashlib.sha256(c).hexdigest() for c in sent]
        if faults.calls < number:
            break
    assert number > 30


def test_bytes_are_on_the_disk_before_their_name_and_the_name_before_the_answer(
    originals: Originals, monkeypatch: pytest.MonkeyPatch
) -> None:
    originals.put(b"first: makes the folders")
    faults = Faults(0, killed=False)
    inject(monkeypatch, faults)
    originals.put(b"a photo")
    done = [call for call in faults.trace if call not in ("chmod", "open")]
    assert done == ["write", "flush", "fsync", "mkdir", "fsync", "link", "fsync", "unlink"]
    faults.trace.clear()
    originals.put(b"a photo")
    assert [call for call in faults.trace if call != "open"] == ["fsync"]
