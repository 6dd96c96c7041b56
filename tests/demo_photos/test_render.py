"""The renderer's book-keeping: what is there already is not rendered again; notes become one truth file."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from demo_photos import render


def put(folder: Path, name: str, made_by: dict[str, object], data: bytes = b"jpeg") -> None:
    (folder / ".scenes").mkdir(exist_ok=True)
    (folder / f"{name}.jpg").write_bytes(data)
    note = {"file": f"{name}.jpg", "sha256": hashlib.sha256(b"jpeg").hexdigest(), "made_by": made_by}
    (folder / ".scenes" / f"{name}.json").write_text(json.dumps(note))


def test_a_scene_that_is_there_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(render, "draw", lambda *_: pytest.fail("rendered again"))
    put(tmp_path, "slot_003", {"renderer": render.VERSION, "seed": 7, "index": 3})
    assert render.make(("slot", 7, 3, str(tmp_path))) == ("slot_003", 0.0)


@pytest.mark.parametrize(
    ("made_by", "data"),
    [
        ({"renderer": "0", "seed": 7, "index": 3}, b"jpeg"),
        ({"renderer": render.VERSION, "seed": 8, "index": 3}, b"jpeg"),
        ({"renderer": render.VERSION, "seed": 7, "index": 3}, b"altered"),
    ],
)
def test_another_version_seed_or_content_is_rendered_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, made_by: dict[str, object], data: bytes
) -> None:
    monkeypatch.setattr(render, "draw", lambda *_: "a scene")
    monkeypatch.setattr(render, "photograph", lambda *_: (b"new", {"kind": "slot"}))
    put(tmp_path, "slot_003", made_by, data)
    name, seconds = render.make(("slot", 7, 3, str(tmp_path)))
    assert seconds > 0
    assert (tmp_path / f"{name}.jpg").read_bytes() == b"new"
    assert json.loads((tmp_path / ".scenes" / f"{name}.json").read_text())["made_by"]["seed"] == 7


def test_gather_lists_the_photos_that_exist(tmp_path: Path) -> None:
    for k in (2, 0, 1):
        put(tmp_path, f"slot_{k:03d}", {})
    (tmp_path / "slot_001.jpg").unlink()
    assert render.gather(tmp_path) == 2
    assert [e["file"] for e in json.loads((tmp_path / "truth.json").read_text())] == ["slot_000.jpg", "slot_002.jpg"]
