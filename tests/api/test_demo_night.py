"""The demo's night: it ends as its story tells, and its facts agree with each other, with the plan and with the photos.

The photos are not measured here: what stands for it are the renderer's own truths (`truth.json`), judged by the plan.
`test_demo_whole.py` measures them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from datetime import timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

from api.demo_night import Step, read_night
from api.demo_player import AFTERWARDS, Measured, MeasuredBefore, play_night
from api.demo_story import state_table, story, where_to_look
from api.errors import UsageError
from api.inputs import load_plan
from api.project import Place, Project
from api.tasks import PhotoTask
from models.entry import moment
from models.facts import DecisionKind
from models.measurement import (
    BudgetLine,
    Estimate,
    Measurement,
    PhotoKind,
    PhotoResult,
    Problem,
    Quantity,
    Verdict,
)
from models.plan import Plan
from models.readings import ReadingKind
from models.state import Severity, StageState, StageStatus
from verifier.capture import read_facts
from verifier.conformity import judge
from verifier.settings import Settings

FOLDER = Path(__file__).parents[2] / "demo_photos"
A, B = "marl-cross/2/A", "marl-cross/2/B"
U_MM_OR_DEG = {Quantity.LAYOUT_ANGLE: 0.03, Quantity.CUT_ANGLE: 0.045, Quantity.SPALL_DEPTH: 3.0}
"""About what the photos are measured with (k = 1); 0.2 mm for the rest."""


@cache
def plan() -> Plan:
    return load_plan(str(FOLDER / "plan.yaml")).plan


@cache
def night() -> tuple[Step, ...]:
    return read_night(FOLDER, plan())


@cache
def truths() -> dict[str, dict[str, object]]:
    return {entry["sha256"]: entry for entry in json.loads((FOLDER / "truth.json").read_text())}


def by_truth(tasks: Sequence[PhotoTask]) -> Iterator[PhotoResult]:
    """What a perfect measurement with ordinary uncertainties would give."""
    for task in tasks:
        entry = truths()[Path(task.path).name]
        name, sha256, truth = str(entry["file"]), str(entry["sha256"]), entry["truth"]
        if not isinstance(truth, dict):
            problem = Problem("bar-not-found", "No reference bar was found.")
            yield PhotoResult(name, sha256, task.kind, False, problems=(problem,))
            continue
        found = [q for q in Quantity if isinstance(truth.get(q.value), float)]
        judged = tuple(_judged(q, float(truth[q.value])) for q in found)
        yield PhotoResult(name, sha256, task.kind, True, judged)


def _judged(quantity: Quantity, value: float) -> Measurement:
    estimate = Estimate(quantity, value, (BudgetLine("stands in", U_MM_OR_DEG.get(quantity, 0.2)),))
    tolerance = next((t for t in plan().tolerances if t.quantity is quantity), None)
    return Measurement(estimate, None if tolerance is None else judge(estimate, tolerance, plan().rule))


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Project]:
    with play_night(FOLDER, tmp_path_factory.mktemp("night") / "project", by_truth) as played:
        yield played


def stage(project: Project, sensor: str, name: str) -> StageState:
    return project.sensor(sensor).stage(name)


EXPECTED = {
    (A, "final-checks"): StageStatus.READY,
    (B, "channel"): StageStatus.FLAGGED,
    (B, "grout"): StageStatus.INCOMPLETE,
    (B, "cure-and-grind"): StageStatus.FLAGGED,
    (B, "final-checks"): StageStatus.OPEN,
}
"""All others are released."""


def test_the_night_ends_in_the_states_that_its_story_tells(project: Project) -> None:
    for sensor, state in project.state().sensors.items():
        for one in state.stages:
            assert one.status is EXPECTED.get((sensor, one.stage), StageStatus.RELEASED), (sensor, one.stage)
    assert project.state().flags == ()


def test_one_stage_of_each_sensor_was_reworked_and_passed(project: Project) -> None:
    decisions = [
        (e.sensor, e.stage, e.body["decision"]) for e in project.entries() if e.type == "decision" and e.sensor
    ]
    for sensor, name in ((A, "saw-cut"), (B, "layout")):
        told = [kind for s, n, kind in decisions if (s, n) == (sensor, name)]
        assert (told[0], told[-1]) == (DecisionKind.REWORK, DecisionKind.RELEASE)
        assert stage(project, sensor, name).superseded
        assert not stage(project, sensor, name).having(Severity.FAILED)


def test_the_narrow_slot_of_b_is_waived_with_reason_and_reference(project: Project) -> None:
    waived = stage(project, B, "saw-cut").waived
    assert {w.item for w in waived} == {"quantity:slot_width", "quantity:slot_width_gauge_min", "slot-near"}
    assert all(w.reason and "invented" in w.reference for w in waived)
    elsewhere = [s for state in project.state().sensors.values() for s in state.stages if s.waived]
    assert [s.stage for s in elsewhere] == ["saw-cut"]


def test_what_is_missing_flagged_and_failed_is_what_the_story_tells(project: Project) -> None:
    assert [m.item for m in stage(project, B, "grout").missing] == ["labels-photo"]
    ridge = stage(project, B, "cure-and-grind")
    assert [f.item for f in ridge.having(Severity.FAILED)] == ["quantity:ridge_width"]
    assert not ridge.having(Severity.DOUBT)
    thermometer = stage(project, B, "channel").having(Severity.DOUBT)
    assert all("thermo-2" in f.text for f in thermometer)
    assert thermometer
    assert stage(project, B, "final-checks").blocked_by == ("cure-and-grind",)


def results_of(project: Project, sensor: str, name: str, computation: str) -> list[dict[str, object]]:
    """Every result of one computation, the first told first."""
    told = [e for e in project.entries(sensor) if e.stage == name and e.type == "result-computed"]
    return [dict(e.body) for e in told if e.body["computation"] == computation]


def codes(result: dict[str, object], field: str = "problems") -> list[str]:
    found = result[field]
    assert isinstance(found, list)
    return [str(problem["code"]) for problem in found]


def test_the_slips_are_found_and_gone_once_they_are_corrected(project: Project) -> None:
    first, second = results_of(project, A, "layout", "squareness")
    assert codes(first) == ["triangle-blunder"]
    assert "119" in json.dumps(first["problems"])
    assert codes(second) == []
    first, second = results_of(project, B, "saw-cut", "slot-width-gauge")
    assert "value-implausible" in codes(first)
    assert codes(second) == []
    assert sum(1 for e in project.entries() if e.type == "correction") == 2


def test_the_forecast_follows_the_temperatures_and_grinding_waits_for_it(project: Project) -> None:
    for sensor in (A, B):
        cures = results_of(project, sensor, "cure-and-grind", "cure")
        assert len({str(c["not_before"]) for c in cures}) > 2
        assert "grind-from" in codes(cures[-2], "remarks")
        (grind,) = (e for e in project.entries(sensor) if e.body.get("kind") == "grind-start")
        assert moment(grind.at) > moment(str(cures[-2]["not_before"]))


def test_nothing_was_told_before_it_was_so_nor_while_a_hold_point_held(project: Project) -> None:
    flags = [f.code for state in project.state().sensors.values() for s in state.stages for f in s.flags]
    assert not {"date-in-future", "hold-point", "duplicate", "ignored", "value-implausible", "photo-reused"} & set(
        flags
    )


def test_the_night_is_told_in_the_order_of_time_within_one_closure() -> None:
    assert all(a.at <= b.at for a, b in pairwise(night()))
    (closure,) = plan().closures
    at_work = [s for s in night() if s.stage not in ("", "before-closure")]
    assert closure.start <= at_work[0].at
    assert at_work[-1].at <= closure.end
    for step in at_work:
        assert all(step.at - timedelta(minutes=75) <= r.at <= step.at for r in step.readings if step.decision is None)


def test_each_photo_of_the_folder_is_told_once_within_minutes_of_its_shutter() -> None:
    from PIL import Image

    told = [(name, step) for step in night() for name in step.photos]
    assert sorted(name for name, _ in told) == sorted(p.name for p in FOLDER.glob("*.jpg"))
    for name, step in told:
        with Image.open(FOLDER / name) as picture:
            taken = read_facts(picture.info["exif"]).taken_at
        assert taken is not None
        assert timedelta(0) <= step.at - moment(taken) <= timedelta(minutes=3), name
        assert name.startswith(step.sensor[-1])


def test_the_truth_is_that_of_the_photos_as_they_are() -> None:
    for sha256, entry in truths().items():
        assert hashlib.sha256((FOLDER / str(entry["file"])).read_bytes()).hexdigest() == sha256


MEASURED_TWICE = [
    # (sensor, photo, its quantity, stage, computation, its quantity, greatest difference in mm or deg)
    (A, "A-layout.jpg", "layout_angle", "layout", "squareness", "squareness", 0.1),
    (B, "B-layout-2.jpg", "layout_angle", "layout", "squareness", "squareness", 0.1),
    (A, "A-cut-wide.jpg", "slot_width_min", "saw-cut", "slot-width-gauge", "slot_width_gauge_min", 0.8),
    (A, "A-cut-wide.jpg", "slot_width_max", "saw-cut", "slot-width-gauge", "slot_width_gauge_max", 0.8),
    (B, "B-cut-wide.jpg", "slot_width_min", "saw-cut", "slot-width-gauge", "slot_width_gauge_min", 0.8),
    (B, "B-cut-wide.jpg", "slot_width_max", "saw-cut", "slot-width-gauge", "slot_width_gauge_max", 0.8),
]


@pytest.mark.parametrize(("sensor", "photo", "seen", "name", "computation", "read", "apart"), MEASURED_TWICE)
def test_tape_and_gauge_agree_with_what_the_photos_show(
    project: Project, sensor: str, photo: str, seen: str, name: str, computation: str, read: str, apart: float
) -> None:
    (truth,) = (t["truth"] for t in truths().values() if t["file"] == photo)
    result = results_of(project, sensor, name, computation)[-1]
    assert isinstance(truth, dict)
    assert isinstance(result["measurements"], list)
    (value,) = (m["value"] for m in result["measurements"] if m["quantity"] == read)
    assert abs(value - truth[seen]) < apart


@pytest.mark.parametrize("sensor", [A, B])
def test_the_grout_that_was_mixed_fills_the_channel_as_it_was_cut(project: Project, sensor: str) -> None:
    """Volume of the cut less the sensor, by the depths, widths and overcuts read; up to the plan's waste above it."""
    one, grout = plan().find_sensor(sensor), plan().material("grout-1")
    assert one.length_mm
    assert one.width_mm
    assert one.depth_mm
    assert grout.density_g_per_l
    cut = project.evidence(Place(sensor, "saw-cut")).readings
    kinds = {str(kind): [dict(r.fact.values)["value"].value for r in told] for kind, told in cut.items()}
    width, depth = (sum(kinds[k]) / len(kinds[k]) for k in ("slot-width", "slot-depth"))
    length = one.length_mm + sum(kinds["slot-start"]) + sum(kinds["slot-end"])
    net_l = (length * width * depth - one.length_mm * one.width_mm * one.depth_mm) / 1e6
    parts = project.evidence(Place(sensor, "grout")).readings[ReadingKind.PART_AMOUNT]
    mixed_l = sum(dict(r.fact.values)["mass"].value for r in parts) / grout.density_g_per_l
    assert net_l < mixed_l < net_l * (1.0 + grout.waste_share)


def test_it_is_shown_with_what_to_type_next(project: Project) -> None:
    told = " ".join(" ".join(story(project)).split())
    for words in ("Triangle 2", "rework", "waive", "decimal point", "Grind from", "unusable photo", "ridge_width"):
        assert words in told
    table = "\n".join(state_table(project))
    for words in ("released: after rework", "3 items waived", "labels-photo missing", "held by cure-and-grind"):
        assert words in table
    assert str(project.folder.path) in "\n".join(where_to_look(project, FOLDER))


def test_a_photo_measured_for_the_same_end_is_not_measured_again(monkeypatch: pytest.MonkeyPatch) -> None:
    again: list[PhotoTask] = []

    def measured(tasks: Sequence[PhotoTask]) -> list[PhotoResult]:
        again.extend(tasks)
        return [PhotoResult(t.path, "b" * 64, t.kind, True) for t in tasks]

    monkeypatch.setattr("api.demo_player.measure_in_workers", measured)
    sha256 = "a" * 64
    slot = Estimate(Quantity.SLOT_WIDTH, 76.0, (BudgetLine("edges", 0.1),))
    done = PhotoTask("x.jpg", PhotoKind.SURFACE, Settings(measured_slot=slot))
    before = MeasuredBefore.of([Measured(done, PhotoResult("x.jpg", sha256, PhotoKind.SURFACE, True))])
    same = PhotoTask(f"originals/{sha256}", PhotoKind.SURFACE, Settings(measured_slot=slot))
    other_slot = PhotoTask(f"originals/{sha256}", PhotoKind.SURFACE, Settings())
    other_photo = PhotoTask(f"originals/{'c' * 64}", PhotoKind.SURFACE, Settings(measured_slot=slot))
    assert [r.sha256 for r in before([same, other_slot, other_photo])] == [sha256, "b" * 64, "b" * 64]
    assert again == [other_slot, other_photo]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "empty"),
        ("night: []", "nothing is told"),
        ("night: [{at: yesterday, who: crew-1}]", "no date and time"),
        ("night: [{at: 2026-10-06 18:00, who: crew-1, stage: layout, reading: []}]", "did you mean `readings`"),
        ("night: [{at: 2026-10-06 18:00, who: crew-1, readings: [{kind: slot-dept}]}]", "slot-depth"),
        ("night: [{at: 2026-10-06 18:00, who: crew-1, readings: [{kind: slot-depth, vaule: 3 mm}]}]", "vaule"),
        ("night: [{at: 2026-10-06 18:00, who: crew-1, decision: free}]", "release"),
    ],
)
def test_a_night_that_is_none_is_refused(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "night.yaml").write_text(text)
    with pytest.raises(UsageError, match=told):
        read_night(tmp_path, plan())


def test_the_log_came_as_the_night_went(project: Project) -> None:
    entries = list(project.entries())
    assert all(moment(e.at) <= moment(e.received) + timedelta(seconds=1) for e in entries)
    assert moment(entries[-1].received) - night()[-1].at < AFTERWARDS + timedelta(seconds=5)


def test_every_verdict_of_a_released_stage_conforms_or_was_waived_or_reasoned(project: Project) -> None:
    for sensor, state in project.state().sensors.items():
        for one in state.stages:
            if one.status is StageStatus.RELEASED:
                assert not one.having(Severity.FAILED)
                assert not one.missing
                reasoned = one.decision is not None and bool(one.decision.reason)
                assert reasoned or not one.having(Severity.DOUBT), (sensor, one.stage)


def test_the_story_has_every_kind_of_verdict(project: Project) -> None:
    found = {
        m["verdict"]
        for e in project.entries()
        for m in e.body.get("measurements", ())
        if e.type in ("photo-measured", "result-computed") and m.get("verdict")
    }
    assert found == {v.value for v in Verdict}
