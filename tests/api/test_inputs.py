"""Files that go with photos: taken when right, refused with file, line and remedy when not."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from api.batch import Means, OverlayNames, default_jobs, marks_from, settings_from
from api.errors import UsageError
from api.inputs import load_bars, load_camera, load_marks, load_plan, load_slot_width, read_text
from models.camera import CameraCalibration
from models.measurement import Quantity
from verifier.marks import MarkedFeature

ROOT = Path(__file__).parents[2]
PLAN = str(ROOT / "demo_photos" / "plan.yaml")
FLAT = tuple(tuple(1e-6 if i == j else 0.0 for j in range(5)) for i in range(5))
CAMERA = CameraCalibration("Testcam", "R-1", None, 4032, 3024, 2700.0, (2000.0, 1500.0), 0.0, 0.0, FLAT, 8)


def slot_line(value: float = 76.2, u: float = 0.1, *, usable: bool = True) -> str:
    measurement = {
        "quantity": "slot_width", "value": value, "standard_uncertainty": u, "coverage_factor": 2.0,
    }  # fmt: skip
    return json.dumps({"usable": usable, "measurements": [measurement] if usable else []})


def written(folder: Path, content: str | bytes, name: str = "file") -> str:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return str(path)


def test_the_best_slot_width_of_a_saved_batch_is_taken(tmp_path: Path) -> None:
    lines = [slot_line(76.0, 0.3), slot_line(76.4, 0.1), slot_line(usable=False), ""]
    found = load_slot_width(written(tmp_path, "\n".join(lines)))
    assert (found.quantity, found.value) == (Quantity.SLOT_WIDTH, 76.4)
    assert found.standard_uncertainty == pytest.approx(0.1)


@pytest.mark.parametrize(
    "content",
    [
        "",
        "{}",
        "[]",
        "no json",
        slot_line(usable=False),
        slot_line(-1.0),
        slot_line(u=0.0),
        slot_line(float("nan")),
        "[" * 9999,
    ],
)
def test_what_holds_no_slot_width_is_refused(tmp_path: Path, content: str) -> None:
    with pytest.raises(UsageError, match="kerfline measure --kind slot --json"):
        load_slot_width(written(tmp_path, content))


def test_marks_by_photo_and_feature(tmp_path: Path) -> None:
    text = "a.jpg: {slot: [[1, 2], [3.5, 4]]}\nb.jpg:\n  lane_line:\n    - [0, 0]\n    - [9, 9]\n    - [8, 8]\n"
    marks = load_marks(written(tmp_path, text))
    slot, lane = marks["a.jpg"].of(MarkedFeature.SLOT), marks["b.jpg"].of(MarkedFeature.LANE_LINE)
    assert slot is not None
    assert slot.points_px.tolist() == [[1.0, 2.0], [3.5, 4.0]]
    assert lane is not None
    assert lane.points_px.shape == (3, 2)


def test_marks_may_be_json(tmp_path: Path) -> None:
    assert load_marks(written(tmp_path, json.dumps({"a.jpg": {"sensor": [[1, 2], [3, 4]]}})))["a.jpg"].marks


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a.jpg: {slott: [[1, 2], [3, 4]]}", "did you mean `slot`"),
        ("a.jpg: {slot: [[1, 2]]}", "two or more"),
        ("a.jpg: {slot: [[1, 2], [3, x]]}", "two or more"),
        ("a.jpg: {slot: [[1, 2], [3, .nan]]}", "two or more"),
        ("a.jpg: {slot: [[1, 2], [3, 1e9]]}", "two or more"),
        ("a.jpg: {slot: 5}", "a list is expected"),
        ("a.jpg: 5", "a group"),
        ("[", "not YAML"),
    ],
)
def test_marks_that_are_none_are_refused(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(UsageError, match=told):
        load_marks(written(tmp_path, text))


def test_marks_for_a_photo_that_is_not_in_the_batch_are_a_slip(tmp_path: Path) -> None:
    path = written(tmp_path, "b.jpg: {slot: [[1, 2], [3, 4]]}")
    with pytest.raises(UsageError, match=r"b\.jpg, which is no photo of this batch"):
        marks_from(path, ["elsewhere/a.jpg"])
    assert list(marks_from(path, ["elsewhere/b.jpg"])) == ["b.jpg"]


def test_a_plan_brings_the_cameras_beside_it(tmp_path: Path) -> None:
    written(tmp_path, json.dumps(CAMERA.to_json()), "cam.json")
    plan = written(tmp_path, "project: a\nversion: 1\ncameras: [cam.json]\n")
    assert load_plan(plan).cameras == (CAMERA,)


def test_a_plan_whose_camera_is_missing_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"cam\.json"):
        load_plan(written(tmp_path, "project: a\nversion: 1\ncameras: [cam.json]\n"))


@pytest.mark.parametrize("load", [load_plan, load_bars, load_camera, load_marks, load_slot_width])
@pytest.mark.parametrize("content", [b"\xff\xfe\0\x01", b"\0" * 50, b"{" * 3000, "é: [".encode("latin-1")])
def test_any_rubbish_is_a_usage_error(tmp_path: Path, load: object, content: bytes) -> None:
    assert callable(load)
    with pytest.raises(UsageError, match="file"):
        load(written(tmp_path, content))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=50)
@given(content=st.binary(max_size=200))
def test_any_bytes_are_taken_or_refused(tmp_path: Path, content: bytes) -> None:
    path = written(tmp_path, content)
    for load in (load_plan, load_bars, load_camera, load_marks, load_slot_width):
        with suppress(UsageError):
            assert load(path) is not None


@pytest.mark.parametrize("path", ["not there", ".", "a\0b"])
def test_a_file_that_cannot_be_read_is_named(path: str) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        read_text(path, "plan")


def test_what_all_sensors_of_a_plan_share_needs_no_sensor_named() -> None:
    """Both sensors of the demo lie in slots of 76 mm; one is 60 mm wide, the other 58 mm."""
    found = settings_from(Means(plan=PLAN))
    assert (found.sensor_width_mm, found.slot_width_mm) == (None, 76.0)
    assert found.tolerances


def test_widths_on_the_command_line_go_before_the_plans() -> None:
    found = settings_from(Means(plan=PLAN, sensor="B", slot_width_mm=80.0))
    assert (found.sensor_width_mm, found.slot_width_mm) == (58.0, 80.0)


def test_without_anything_nothing_is_assumed() -> None:
    found = settings_from(Means())
    assert (found.sensor_width_mm, found.slot_width_mm, found.tolerances) == (None, None, ())


def test_sensors_of_different_widths_need_a_name(tmp_path: Path) -> None:
    sensors = "[{id: A, width: 70 mm}, {id: B, width: 50 mm}]"
    plan = written(tmp_path, f"project: a\nversion: 1\nsites: [{{id: s, lanes: [{{id: 1, sensors: {sensors}}}]}}]\n")
    assert settings_from(Means(plan=plan)).sensor_width_mm is None
    assert settings_from(Means(plan=plan, sensor="B")).sensor_width_mm == 50.0


@pytest.mark.parametrize("means", [Means(sensor="A"), Means(plan=PLAN, sensor="C")])
def test_a_sensor_nobody_knows_is_refused(means: Means) -> None:
    with pytest.raises(UsageError, match="sensor"):
        settings_from(means)


def test_bars_given_apart_replace_the_plans(tmp_path: Path) -> None:
    path = written(tmp_path, "bars: [{kind: long, number: 3, length: 900.2 mm, length_u: 0.05 mm}]\n")
    (bar,) = settings_from(Means(plan=PLAN, bar_calibration=path)).bars
    assert bar.length_mm == 900.2


def test_overlays_of_photos_with_one_name_do_not_overwrite_each_other(tmp_path: Path) -> None:
    names = OverlayNames(tmp_path)
    assert len({names.name_for(photo) for photo in ("a/x.jpg", "b/x.jpg", "x.png", "x-2.jpg")}) == 4


def test_default_jobs_are_no_more_than_photos() -> None:
    assert default_jobs(1) == 1
    assert 1 <= default_jobs(100) <= 4
