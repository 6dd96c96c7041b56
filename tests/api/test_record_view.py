"""What the record shows: on a narrow terminal, and to programs."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from api.inputs import load_plan
from api.record_words import camera_clock_words, in_ranges, joined
from models.entry import Entry
from models.facts import PhotoAdded, draft_of
from models.state import Flag, Severity
from tests.api.small_project import CASEY, EVENING, PLAN, Terminal, plan_file, terminal

__all__ = ["terminal"]

DEMO_PLAN = Path(__file__).parents[2] / "demo_photos" / "plan.yaml"


def tell_some(terminal: Terminal) -> None:
    terminal.run("add", "check", "old-marks", "no", "--sensor", "A", "--note", "two words " * 20, who="casey")
    for station in ("100 mm", "300 mm"):
        terminal.run("add", "reading", "slot-depth", "--value", "90 mm", "--station", station, "--instrument",
                     "gauge", "--sensor", "A", who="casey")  # fmt: skip
    terminal.run("waive", "saw-cut", "--sensor", "A", "--reason", "dry", "--reference", "letter", "--items", "dust",
                 who="ines")  # fmt: skip


@pytest.mark.parametrize("words", [("state",), ("state", "--stage", "saw-cut"), ("missing",), ("flags",)])
def test_views_fit_a_terminal_of_80_columns(terminal: Terminal, words: tuple[str, ...]) -> None:
    tell_some(terminal)
    lines = terminal.run(*words).splitlines()
    assert len(lines) > 5
    assert [line for line in lines if len(line) > 80] == []


def test_the_state_says_what_is_missing_flagged_held_and_waived(terminal: Terminal) -> None:
    tell_some(terminal)
    shown = terminal.run("state", "--sensor", "A")
    for words in (
        "ford/1/A   at stage: layout",
        "layout           flagged     hold point",
        "✗ old-marks was answered no",
        "held: layout must be released first",
        "✗ slot_depth_max",
        "waived: dust",
    ):
        assert words in shown
    assert "ford/1/B" not in shown


def test_a_stage_in_full_shows_its_results_in_the_projects_units(terminal: Terminal) -> None:
    tell_some(terminal)
    shown = terminal.run("state", "--sensor", "A", "--stage", "saw-cut")
    # 90 mm = 3.5433 in against 80 mm = 3.1496 in
    assert "✗ slot_depth_max 3.5" in shown
    assert "at most 3.15 in" in shown
    assert "evidence: #" in shown
    assert "waived dust" in shown


def test_missing_and_flags_for_programs(terminal: Terminal) -> None:
    tell_some(terminal)
    missing = terminal.json("missing", "--sensor", "A")
    assert {(m["stage"], m["item"]) for m in missing} == {
        ("layout", "line"), ("exit-hole", "hole-diameter"), ("exit-hole", "plugged"),
    }  # fmt: skip
    flags = terminal.json("flags", "--sensor", "A")
    assert {f["severity"] for f in flags} == {"failed", "doubt", "info"}
    (one,) = [f for f in flags if f["code"] == "check-no"]
    assert (one["stage"], one["item"], one["entries"]) == ("layout", "old-marks", [2])


def test_the_state_for_programs(terminal: Terminal) -> None:
    tell_some(terminal)
    state = terminal.json("state")
    assert [s["sensor"] for s in state["sensors"]] == ["ford/1/A", "ford/1/B"]
    cut = state["sensors"][0]["stages"][2]
    assert (cut["stage"], cut["status"], cut["blocked_by"]) == ("saw-cut", "flagged", ["layout"])
    assert [w["item"] for w in cut["waived"]] == ["dust"]
    assert state["newest_entry"] == len(terminal.run("log").splitlines())


def test_the_log_for_programs_is_whole(terminal: Terminal) -> None:
    """Each line gives back the entry under its id."""
    tell_some(terminal)
    lines = [json.loads(line) for line in terminal.run("log", "--json").splitlines()]
    assert [line["seq"] for line in lines] == list(range(1, len(lines) + 1))
    for line in lines:
        seq, name = line.pop("seq"), line.pop("id")
        canonical = json.dumps(line, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
        assert Entry.from_canonical(seq, canonical).body == line["body"]
        assert len(name) == 64
    assert {
        line["sensor"] for line in map(json.loads, terminal.run("log", "--sensor", "A", "--json").splitlines())
    } == {"ford/1/A"}


def test_nothing_missing_and_nothing_flagged_is_said(terminal: Terminal, tmp_path: Path) -> None:
    text = PLAN.partition("stages:")[0] + "stages: [{id: layout}]\n"
    folder = str(tmp_path / "other")
    terminal.run("start", folder, "--plan", str(plan_file(tmp_path, text)), who="mandy")
    assert terminal.run("missing", "--project", folder) == "nothing is missing\n"
    assert terminal.run("flags", "--project", folder) == "nothing is flagged\n"


def test_a_released_stage_shows_what_was_waived_and_that_it_was_done_again(terminal: Terminal) -> None:
    terminal.run("add", "check", "old-marks", "yes", "--sensor", "A", who="casey")
    terminal.run("rework", "layout", "--sensor", "A", "--reason", "Line off square", who="ines")
    terminal.run("add", "check", "old-marks", "yes", "--sensor", "A", who="casey")
    terminal.run("waive", "layout", "--sensor", "A", "--reason", "dry", "--reference", "letter", "--items", "line",
                 who="ines")  # fmt: skip
    said = terminal.run("release", "layout", "--sensor", "A", who="ines")
    assert "release on 1 entry" in said
    shown = terminal.run("state", "--sensor", "A")
    layout = shown[shown.index("layout  ") : shown.index("exit-hole  ")]
    assert "released" in layout
    assert "waived: line" in layout
    assert "reworked: #3 ines" in layout
    assert "Line off square" in layout
    (sensor,) = terminal.json("state", "--sensor", "A")["sensors"]
    assert [(r["entry"], r["reason"]) for r in sensor["stages"][0]["reworked"]] == [(3, "Line off square")]


def test_the_log_ticks_off_no_result_that_something_is_wrong_with(terminal: Terminal) -> None:
    for value, station in (("75 mm", "100 mm"), ("750 mm", "300 mm")):
        terminal.run("add", "reading", "slot-depth", "--value", value, "--station", station, "--instrument",
                     "gauge", "--sensor", "A", who="casey")  # fmt: skip
    results = [line for line in terminal.run("log").splitlines() if ": slot-depth: " in line]
    assert "cannot be" in results[-1]
    assert "? slot_depth_max" in results[-1]
    assert "✓" not in results[-1]


def test_the_forecast_of_the_next_step(tmp_path: Path, terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    """'Grind from ...' until grinding has begun, in local time."""
    folder = str(tmp_path / "demo")
    monkeypatch.setenv("KERFLINE_PROJECT", folder)
    terminal.run("start", folder, "--plan", str(DEMO_PLAN), who="manager-1")
    said = terminal.run("add", "reading", "pour-end", "--sensor", "A", "--at", "2026-10-07 02:00", who="crew-1")
    assert "A/cure-and-grind: cure" in said  # what an earlier stage changes in a later one
    said = terminal.run("add", "reading", "grout-temperature", "--value", "20 degC", "--instrument", "thermo-1",
                        "--sensor", "A", "--at", "2026-10-07 02:05", who="crew-1")  # fmt: skip
    (line,) = [line for line in said.splitlines() if "next:" in line]
    assert "next: grind from 03:" in line or "next: grind from 04:" in line
    (sensor,) = terminal.json("state", "--sensor", "A", "--stage", "cure-and-grind")["sensors"]
    earliest = datetime.fromisoformat(sensor["stages"][0]["earliest_next"])
    # The demo plan's product needs 90 min at 20 degC, and never less than an hour.
    assert earliest >= datetime(2026, 10, 7, 3, 30, tzinfo=UTC)
    said = terminal.run("add", "reading", "grind-start", "--sensor", "A", "--at", "2026-10-07 05:00", who="crew-1")
    assert "next:" not in said


def test_flags_that_say_the_same_are_shown_once_and_the_gravest_first() -> None:
    flags = [
        Flag("hold-point", "", "came early", ("a",), Severity.DOUBT),
        Flag("hold-point", "", "came early", ("b",), Severity.DOUBT),
        Flag("check-no", "x", "answered no", ("c",), Severity.FAILED),
    ]
    assert [(f.code, f.entries) for f in joined(flags)] == [("check-no", ("c",)), ("hold-point", ("a", "b"))]


def test_a_decision_set_aside_is_said(terminal: Terminal) -> None:
    terminal.run("waive", "exit-hole", "--sensor", "A", "--reason", "old hole", "--reference", "letter", who="ines")
    shown = terminal.run("add", "check", "plugged", "yes", "--sensor", "A", who="casey")
    assert "opened again: decision #2 was set aside" in shown


@pytest.mark.parametrize(
    ("taken_at", "differs"),
    [
        ("2026-05-04T22:04:00", False),  # without a zone: the clock of the site, UTC-6 in Denver in May
        ("2026-05-04T22:06:00.500", True),
        ("2026-05-05T04:04:00+00:00", False),
        ("2026-05-04T22:00:00+00:00", True),
        ("no time", False),
        (None, False),
    ],
)
def test_the_cameras_clock_beside_the_time_that_was_told(taken_at: str | None, differs: bool, tmp_path: Path) -> None:
    plan = load_plan(str(plan_file(tmp_path))).plan
    fact = PhotoAdded("0" * 64, "line.jpg", capture={} if taken_at is None else {"taken_at": taken_at})
    entry = draft_of(fact, CASEY.id, CASEY.role, "2026-05-04T22:00:00-06:00").taken(1, EVENING)
    assert bool(camera_clock_words(entry, plan)) == differs


@pytest.mark.parametrize(
    ("numbers", "text"), [([], ""), ([3], "#3"), ([5, 4], "#4-#5"), ([1, 2, 3, 7, 9, 10], "#1-#3, #7, #9-#10")]
)
def test_numbers_of_entries_in_ranges(numbers: list[int], text: str) -> None:
    assert in_ranges(numbers) == text
