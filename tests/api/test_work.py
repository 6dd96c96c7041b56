"""What a worker does: the overlay is there whole or not at all, and its failure never costs the numbers."""

from __future__ import annotations

import os
from pathlib import Path

import cv2
import pytest

from api import work
from api.tasks import PhotoTask
from api.work import do_photo, read_photo, write_whole
from models.measurement import PhotoKind, Problem
from tests.verifier.photo_files import saved, textured
from verifier import overlay
from verifier.settings import Settings


def task(photo: Path, overlay_path: Path | None = None) -> PhotoTask:
    return PhotoTask(str(photo), PhotoKind.SLOT, Settings(), None if overlay_path is None else str(overlay_path))


@pytest.fixture
def pavement(tmp_path: Path) -> Path:
    path = tmp_path / "pavement.jpg"
    path.write_bytes(saved(textured()))
    return path


def test_an_unusable_photo_has_an_overlay_too(pavement: Path, tmp_path: Path) -> None:
    result = do_photo(task(pavement, tmp_path / "seen.jpg"))
    assert not result.usable
    assert [p.code for p in result.problems].count("overlay-failed") == 0
    assert cv2.imread(str(tmp_path / "seen.jpg")) is not None
    assert sorted(p.name for p in tmp_path.iterdir()) == ["pavement.jpg", "seen.jpg"]


def test_what_is_no_photo_has_an_overlay_that_says_so(tmp_path: Path) -> None:
    (tmp_path / "note.jpg").write_text("not a photo")
    result = do_photo(task(tmp_path / "note.jpg", tmp_path / "seen.jpg"))
    assert [p.code for p in result.problems] == ["photo-not-a-photo"]
    assert cv2.imread(str(tmp_path / "seen.jpg")) is not None


def test_a_failing_overlay_costs_no_result(pavement: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(examination: object) -> bytes:
        raise ValueError("no room")

    monkeypatch.setattr(overlay, "draw_overlay", fail)
    result = do_photo(task(pavement, tmp_path / "seen.jpg"))
    assert [p.code for p in result.problems][1:] == ["overlay-failed"]
    assert not (tmp_path / "seen.jpg").exists()


def test_a_folder_that_is_not_there_costs_no_result(pavement: Path, tmp_path: Path) -> None:
    result = do_photo(task(pavement, tmp_path / "gone" / "seen.jpg"))
    assert result.problems[-1].code == "overlay-failed"


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "out"
    write_whole(target, b"before")

    def fails(self: Path, other: Path) -> Path:
        raise OSError("no space")

    monkeypatch.setattr(Path, "replace", fails)
    with pytest.raises(OSError, match="no space"):
        write_whole(target, b"after")
    assert target.read_bytes() == b"before"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_overlays_can_be_read_by_others_as_any_file(tmp_path: Path) -> None:
    write_whole(tmp_path / "out", b"x")
    (tmp_path / "plain").write_bytes(b"x")
    assert os.stat(tmp_path / "out").st_mode == os.stat(tmp_path / "plain").st_mode


def test_a_file_that_is_too_large_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(work, "MAX_BYTES", 10)
    (tmp_path / "large.jpg").write_bytes(bytes(11))
    found = read_photo(str(tmp_path / "large.jpg"))
    assert isinstance(found, Problem)
    assert found.code == "photo-too-large"
