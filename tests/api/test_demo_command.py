"""The demo: its list of photos, the order slots before surfaces, and the table of verdicts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import api
from api import demo_command
from api.batch import OverlayNames
from api.cli import main
from api.demo_command import (
    DemoPhoto,
    Runner,
    best_slots,
    demo_folder,
    measure_all,
    new_project_folder,
    read_list,
    verdict_table,
)
from api.errors import UsageError
from api.tasks import PhotoTask
from models.measurement import (
    BudgetLine,
    Estimate,
    Judgement,
    Limits,
    Measurement,
    PhotoKind,
    PhotoResult,
    Problem,
    Quantity,
    Verdict,
)

ROOT = Path(__file__).parents[2]
LIST = """
photos:
  - {file: a-surface.jpg, kind: surface, sensor: A}
  - {file: a-slot.jpg, kind: slot, sensor: A}
  - {file: a-slot-again.jpg, kind: slot, sensor: A}
  - {file: b-layout.jpg, kind: layout, sensor: B}
"""


def slot_result(path: str, value: float, u: float) -> PhotoResult:
    estimate = Estimate(Quantity.SLOT_WIDTH, value, (BudgetLine("edges", u),))
    judgement = Judgement(Verdict.CONFORMING, 0.999, Limits(75.0, 79.0))
    return PhotoResult(path, "0" * 64, PhotoKind.SLOT, True, (Measurement(estimate, judgement),))


def unusable(path: str) -> PhotoResult:
    problem = Problem("bar-not-found", "Lay a bar beside the slot.")
    return PhotoResult(path, "", PhotoKind.SLOT, False, problems=(problem,))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "photos.yaml").write_text(LIST)
    (tmp_path / "plan.yaml").write_text((ROOT / "demo_photos" / "plan.yaml").read_text())
    return tmp_path


def test_slots_are_measured_first_and_the_surest_goes_to_the_surface(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[PhotoTask] = []

    def measured(tasks: list[PhotoTask], jobs: int) -> Iterator[PhotoResult]:
        seen.extend(tasks)
        u = {"a-slot.jpg": 0.3, "a-slot-again.jpg": 0.1}
        for task in tasks:
            name = Path(task.path).name
            yield slot_result(task.path, 76.0 + u[name], u[name]) if name in u else unusable(task.path)

    monkeypatch.setattr(demo_command, "results", measured)
    runner = Runner(folder / "plan.yaml", OverlayNames(folder / "seen"), 1, False)
    found = measure_all(read_list(folder), runner)
    assert [Path(t.path).name for t in seen] == ["a-slot.jpg", "a-slot-again.jpg", "b-layout.jpg", "a-surface.jpg"]
    assert seen[-1].settings.measured_slot is not None
    assert seen[-1].settings.measured_slot.value == 76.1
    assert all(t.settings.measured_slot is None for t in seen[:-1])
    assert all(t.overlay_path is not None and t.overlay_path.startswith(str(folder / "seen")) for t in seen)
    assert {path: one.result.usable for path, one in found.items()} == {
        t.path: Path(t.path).name.startswith("a-slot") for t in seen
    }


def test_the_project_goes_into_a_new_folder_and_into_no_other(tmp_path: Path) -> None:
    assert new_project_folder(str(tmp_path / "new")) == tmp_path / "new"
    assert new_project_folder(str(tmp_path)) == tmp_path  # empty
    (tmp_path / "something").write_text("")
    with pytest.raises(UsageError, match="name a new folder"):
        new_project_folder(str(tmp_path))
    made = new_project_folder(None)
    assert made.is_dir()
    made.rmdir()


@pytest.mark.slow
def test_the_whole_demo_measures_plays_and_shows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    status = main(["demo", "--folder", "night", "--overlay", "seen"])
    assert status == 1  # one photo of it is unusable
    out = capsys.readouterr().out
    table = out[out.index("How it stands") :]
    for row in (
        r"before-closure +released +released",
        r"layout +released +released: after rework",
        r"exit-hole +released +released",
        r"saw-cut +released: after rework +released: 3 items waived",
        r"channel +released +flagged: instrument-out-of-calibration",
        r"seating +released +released",
        r"grout +released +incomplete: labels-photo missing",
        r"cure-and-grind +released +flagged: quantity:ridge_width",
        r"final-checks +ready +open: held by cure-and-grind",
    ):
        assert re.search(rf"^{row}$", table, re.MULTILINE), row
    assert out.index("A-surface.jpg") < out.index("B-layout-1.jpg") < out.index("What happened")
    assert len(list((tmp_path / "seen").glob("*.overlay.jpg"))) == 11
    assert main(["release", "final-checks", "--project", "night", "--sensor", "A", "--as", "inspector-1"]) == 0
    again = ["import", str(ROOT / "demo_photos/readings/A-slot-depth.csv"), "--sensor", "A", "--as", "crew-1"]
    assert main([*again, "--project", "night"]) == 0
    assert "0 readings told, 13 were there already" in capsys.readouterr().out
    assert main(["demo", "--folder", "night"]) == 2


def test_each_verdict_and_each_reason_stands_in_the_table() -> None:
    photos = [DemoPhoto("x/a.jpg", PhotoKind.SLOT, "A"), DemoPhoto("x/b.jpg", PhotoKind.SLOT, "B")]
    table = verdict_table(photos, [slot_result("x/a.jpg", 76.21, 0.1), unusable("x/b.jpg")])
    lines = table.splitlines()
    assert len(lines) == 4
    for part in ("A", "a.jpg", "slot_width", "76.21 ± 0.20 mm", "75 to 79 mm", "✓ conforming"):
        assert part in lines[2]
    for part in ("B", "b.jpg", "unusable: Lay a bar beside the slot."):
        assert part in lines[3]


def test_without_a_usable_slot_there_is_none() -> None:
    photo = DemoPhoto("b.jpg", PhotoKind.SLOT, "B")
    assert best_slots([photo], {"b.jpg": unusable("b.jpg")}) == {}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("photos: []", "no photo is listed"),
        ("", "empty"),
        ("photos: [{file: a.jpg, kind: road, sensor: A}]", "road"),
        ("photos: [{file: a.jpg, kind: slot}]", "`sensor` is missing"),
    ],
)
def test_a_list_that_is_none_is_refused(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "photos.yaml").write_text(text)
    with pytest.raises(UsageError, match=told):
        read_list(tmp_path)


def test_an_installation_without_the_demo_says_where_to_run_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(api, "__file__", str(tmp_path / "api" / "__init__.py"))
    with pytest.raises(UsageError, match=r"README\.md"):
        demo_folder()
    assert main(["demo"]) == 2
    assert "Traceback" not in capsys.readouterr().err
