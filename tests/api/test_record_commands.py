"""The commands of a night on the command line: what each prints, stores and refuses."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from api.cli import main
from tests.api.small_project import PLAN, Terminal, plan_file, terminal

__all__ = ["terminal"]

DEMO = Path(__file__).parents[2] / "demo_photos"
DEPTH = ("--instrument", "gauge", "--sensor", "A")


def stage(terminal: Terminal, name: str, sensor: str = "A") -> dict[str, object]:
    (found,) = terminal.json("state", "--sensor", sensor, "--stage", name)["sensors"]
    (one,) = found["stages"]
    return dict(one)


def test_a_stage_from_open_to_released(terminal: Terminal) -> None:
    """With a real photo on the way: it is measured as `kerfline measure` would."""
    assert stage(terminal, "layout")["status"] == "open"
    said = terminal.run("add", "photo", str(DEMO / "A-layout.jpg"), "--for", "line", "--sensor", "A", who="casey")
    assert "photo A-layout.jpg for line" in said
    assert "✓ layout_angle 90.0" in said
    assert stage(terminal, "layout")["status"] == "incomplete"
    assert "old-marks: not answered" in terminal.run("missing", "--sensor", "A", "--stage", "layout")

    terminal.run("add", "check", "old-marks", "no", "--sensor", "A", "--note", "one is left", who="casey")
    assert stage(terminal, "layout")["status"] == "flagged"
    assert "answered no: one is left" in terminal.run("flags", "--sensor", "A")
    assert "failed and not waived" in terminal.run("release", "layout", "--sensor", "A", who="ines", status=1)

    terminal.run("add", "check", "old-marks", "yes", "--sensor", "A", who="casey")
    assert stage(terminal, "layout")["status"] == "ready"
    assert "not for the role crew" in terminal.run("release", "layout", "--sensor", "A", who="casey", status=1)
    assert "released" in terminal.run("release", "layout", "--sensor", "A", who="ines")
    shown = stage(terminal, "layout")
    assert shown["status"] == "released"
    assert shown["decision"]["author"] == "ines"  # type: ignore[index]
    assert "told already" in terminal.run("release", "layout", "--sensor", "A", who="ines")


def test_a_photo_added_twice_and_a_file_that_is_none(terminal: Terminal, tmp_path: Path) -> None:
    words = ("add", "photo", str(DEMO / "A-layout.jpg"), "--stage", "saw-cut", "--for", "dust", "--sensor", "A")
    terminal.run(*words, who="casey")
    assert "told already" in terminal.run(*words, who="casey")
    (tmp_path / "notes.jpg").write_text("no photo")
    before = terminal.run("log")
    said = terminal.run("add", "photo", str(tmp_path / "notes.jpg"), "--for", "dust", "--sensor", "A", who="casey",
                        status=1)  # fmt: skip
    assert "not taken" in said
    assert "not a photo" in said
    assert terminal.run("log") == before


@pytest.mark.parametrize(("told", "differs"), [("2026-10-06 19:15", False), ("2026-10-06 20:13", True), (None, True)])
def test_a_photo_whose_own_clock_says_another_time(terminal: Terminal, told: str | None, differs: bool) -> None:
    """The camera says 19:12:44 in UTC."""
    at = [] if told is None else ["--at", f"{told.replace(' ', 'T')}Z"]
    said = terminal.run("add", "photo", str(DEMO / "A-layout.jpg"), "--for", "dust", "--sensor", "A", *at, who="casey")
    # 13:12 by the clock of the project, in Denver
    assert ("note: A-layout.jpg: its camera says 2026-10-06 13:12" in said) == differs


def test_a_reading_in_inches_is_shown_in_the_projects_units(terminal: Terminal) -> None:
    said = terminal.run("add", "reading", "hole-diameter", "--value", "1 1/2 in", "--instrument", "tape", "--sensor",
                        "A", "--note", "core drill", who="casey")  # fmt: skip
    assert "hole-diameter 1 1/2 in with tape (core drill)" in said
    # U: tape 0.2 mm, 1/32 in resolution: 2·√(0.2² + (0.79375/√12)²) mm = 0.61 mm = 0.024 in
    assert "✓ hole_diameter 1.500 ± 0.024 in" in said


def test_a_reading_far_off_is_stored_and_flagged(terminal: Terminal) -> None:
    """10 times too large; and with an instrument out of calibration, dated in the future."""
    said = terminal.run("add", "reading", "slot-depth", "--value", "750 mm", "--station", "100 mm", "--instrument",
                        "old-gauge", "--sensor", "A", "--at", "2199-01-01 00:00", who="casey")  # fmt: skip
    for code in ("instrument-out-of-calibration", "date-in-future"):
        assert f"[{code}]" in said.replace("\n", " ")
    # Said once, by the result that failed of it.
    assert [f["item"] for f in terminal.json("flags") if f["code"] == "value-implausible"] == ["result:slot-depth"]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("slot-depth", "--value", "75 kg", "--station", "1 mm", *DEPTH), "no unit of length"),
        (("slot-depth", "--value", "75", "--station", "1 mm", *DEPTH), "has no unit"),
        (("slot-depth", "--value", "75 mm", *DEPTH), "station: say where"),
        (("slot-deep", "--value", "75 mm", *DEPTH), "did you mean slot-depth"),
        (("slot-depth", "--value", "75 mm", "--value", "76 mm", "--station", "1 mm", *DEPTH), "given twice"),
        (("slot-depth", "--value", "75 mm", "--station", "1 mm", "--text", "x", *DEPTH), "write NAME=WORD"),
        (("slot-depth", "--value", "75 mm", "--station", "1 mm", "--instrument", "gauge"), "say which sensor"),
        (("slot-depth", "--value", "75 mm", "--station", "1 mm", "--at", "soon", *DEPTH), "no date and time"),
        (("slot-depth", "--value", "75 mm", "--station", "1 mm", "--stage", "x", *DEPTH), "no stage"),
        (("slot-depth", "--value", "75 mm", "--station", "1 mm", "--reason", "x", *DEPTH), "goes with --replaces"),
        (("slot-depth", "--value", "75 mm", "--station", "1 mm", "--all-sensors", *DEPTH), "give one of them"),
        (("pour-end", "--sensor", "A"), "no stage asks for it"),
        (("pour-end", "--sensor", "C", "--stage", "saw-cut"), "no sensor of the plan is called 'C'"),
    ],
)
def test_wrong_words_for_a_reading_store_nothing(terminal: Terminal, words: tuple[str, ...], expected: str) -> None:
    assert expected in terminal.run("add", "reading", *words, who="casey", status=2)
    assert len(terminal.run("log").splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("add", "photo", "x.jpg", "--sensor", "A"), "say what the photos are"),
        (("add", "photo", "x.jpg", "y.jpg", "--for", "line", "--replaces", "2", "--sensor", "A"), "by themselves"),
        (("add", "note", "\udcff"), "cannot be told"),
        (("add", "note", "x" * 5_000_000), "an entry may have"),
        (("add", "photo", "x.jpg", "--for", "lines", "--stage", "layout", "--sensor", "A"), "it asks for: line"),
        (("add", "photo", "x.jpg", "--for", "line", "--kind", "slot", "--sensor", "A"), "measured as layout"),
        (("add", "check", "plug", "yes", "--sensor", "A"), "no stage asks for it"),
        (("add", "check", "plug", "yes", "--stage", "exit-hole", "--sensor", "A"), "it has: plugged"),
        (("release", "layout"), "say which sensor"),
        (("release", "grout", "--sensor", "A"), "no stage of the plan is called 'grout'"),
        (("state", "--sensor", "Z"), "no sensor of the plan"),
        (("state", "--stage", "Z"), "no stage of the plan"),
        (("plan", "adopt", "x.yaml"), "x.yaml"),
        (("import", "x.csv"), "x.csv"),
    ],
)
def test_wrong_command_lines_say_what_to_write(terminal: Terminal, words: tuple[str, ...], expected: str) -> None:
    who = "" if words[0] == "state" else "ines"
    assert expected in terminal.run(*words, who=who, status=2)


def test_who_acts_must_be_told(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    words = ("add", "check", "old-marks", "yes", "--sensor", "A")
    assert "--as" in terminal.run(*words, status=2)
    assert "not a contact" in terminal.run(*words, who="nobody", status=1)
    monkeypatch.setenv("KERFLINE_AS", "casey")
    assert "casey A/layout: old-marks: yes" in terminal.run(*words)


def test_somebody_with_two_roles_acts_in_the_one_that_may(terminal: Terminal) -> None:
    """Robin is crew and inspector; but nobody decides on evidence of their own."""
    terminal.run("add", "check", "plugged", "yes", "--sensor", "A", who="robin")
    waive = ("waive", "exit-hole", "--sensor", "A", "--reason", "no hole", "--reference", "letter 7 (invented)")
    said = terminal.run(*waive, "--items", "hole-diameter", who="robin", status=1)
    assert "had a hand in this stage's evidence" in said
    said = terminal.run(*waive, "--items", "hole-diameter", "--role", "crew", who="robin", status=1)
    assert "not for the role crew" in said
    assert "waived: hole-diameter" in terminal.run(*waive, "--items", "hole-diameter", who="ines")


def test_a_release_refused_where_more_came_than_was_seen(terminal: Terminal) -> None:
    terminal.run("add", "check", "old-marks", "yes", "--sensor", "A", who="casey")
    said = terminal.run("release", "layout", "--sensor", "A", "--seen", "1", who="ines", status=1)
    assert "came after entry #1; look again" in said


def test_a_whole_stage_waived_and_taken_back(terminal: Terminal) -> None:
    terminal.run("waive", "exit-hole", "--sensor", "A", "--reason", "old hole", "--reference", "letter 7", who="ines")
    assert stage(terminal, "exit-hole")["status"] == "waived"
    number = str(stage(terminal, "exit-hole")["decision"]["entry"])  # type: ignore[index]
    assert "not for the role crew" in terminal.run("correct", number, "--reason", "x", who="casey", status=1)
    terminal.run("correct", number, "--reason", "wrong stage", who="ines")
    assert stage(terminal, "exit-hole")["status"] == "open"


def test_rework_and_asking_again(terminal: Terminal) -> None:
    terminal.run("add", "check", "old-marks", "yes", "--sensor", "A", who="casey")
    terminal.run("add", "check", "plugged", "yes", "--sensor", "A", who="casey")
    assert "show the corner" in terminal.run("ask", "layout", "--sensor", "A", "--reason", "show the corner",
                                             who="ines")  # fmt: skip
    assert stage(terminal, "layout")["status"] == "incomplete"
    terminal.run("rework", "layout", "--sensor", "A", "--reason", "line is off", who="ines")
    assert stage(terminal, "layout")["status"] == "to-rework"
    assert stage(terminal, "exit-hole")["status"] == "open"
    assert stage(terminal, "exit-hole")["superseded"] == [3]


def test_a_reading_corrected_and_put_right(terminal: Terminal) -> None:
    read = ("add", "reading", "slot-depth", "--station", "100 mm", *DEPTH)
    terminal.run(*read, "--value", "750 mm", who="casey")
    said = terminal.run(*read, "--value", "75 mm", "--replaces", "2", who="casey", status=2)
    assert "say by --reason why" in said
    said = terminal.run(*read, "--value", "75 mm", "--replaces", "2", "--reason", "a digit too many", who="casey")
    assert "implausible" not in said
    shown = stage(terminal, "saw-cut")
    assert 2 in shown["superseded"]  # type: ignore[operator]
    assert "told already" in terminal.run(*read, "--value", "75 mm", "--replaces", "2", who="casey")
    said = terminal.run("add", "check", "old-marks", "yes", "--sensor", "A", "--replaces", "2", "--reason", "x",
                        who="casey", status=2)  # fmt: skip
    assert "belongs to ford/1/A, saw-cut" in said


def test_a_correction_without_its_replacement_stays_flagged(terminal: Terminal) -> None:
    read = ("add", "reading", "slot-depth", "--station", "100 mm", *DEPTH)
    terminal.run(*read, "--value", "75 mm", who="casey")
    assert "--replaces 2" in terminal.run("correct", "2", "--reason", "wrong station", who="casey")
    assert "replacement-missing" in {f["code"] for f in terminal.json("flags")}
    terminal.run(*read, "--value", "76 mm", "--replaces", "2", who="casey")
    assert "replacement-missing" not in {f["code"] for f in terminal.json("flags")}
    assert "no entry is called '99'" in terminal.run("correct", "99", "--reason", "x", who="casey", status=1)


def test_a_reading_withdrawn(terminal: Terminal) -> None:
    terminal.run("add", "reading", "slot-depth", "--value", "75 mm", "--station", "0 mm", *DEPTH, who="casey")
    terminal.run("correct", "2", "--reason", "other sensor", "--withdraw", who="casey")
    assert stage(terminal, "saw-cut")["evidence"] == []


def test_what_holds_for_all_sensors(terminal: Terminal) -> None:
    terminal.run("add", "check", "old-marks", "yes", "--all-sensors", who="casey")
    for sensor in "AB":
        assert stage(terminal, "layout", sensor)["evidence"] == [2]


def test_a_note(terminal: Terminal) -> None:
    assert "note: rain since ten" in terminal.run("add", "note", "rain since ten", "--at", "2026-05-04 22:00",
                                                  who="audra")  # fmt: skip
    assert "2026-05-04 22:00 audra" in terminal.run("log")


def test_recomputing_says_that_there_is_nothing_to_do(terminal: Terminal) -> None:
    assert "nothing to do" in terminal.run("recompute", who="casey")
    assert "nothing to do" in terminal.run("recompute", "--sensor", "A", who="mandy")
    assert "not for the role auditor" in terminal.run("recompute", who="audra", status=1)


def test_a_plan_adopted(terminal: Terminal, tmp_path: Path) -> None:
    changed = str(plan_file(tmp_path, PLAN.replace("upper: 80 mm", "upper: 70 mm")))
    assert "give the changed one a new version" in terminal.run("plan", "adopt", changed, who="mandy", status=1)
    changed = str(plan_file(tmp_path, PLAN.replace("upper: 80 mm", "upper: 70 mm").replace('"1"\nunits', '"2"\nunits')))
    assert "not for the role crew" in terminal.run("plan", "adopt", changed, who="casey", status=1)
    assert "plan version 2 adopted" in terminal.run("plan", "adopt", changed, who="mandy")
    assert "in force already" in terminal.run("plan", "adopt", changed, who="mandy")


def test_a_project_is_found_from_below_and_by_name(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(terminal.folder / "originals")
    assert "ford/1/A" in terminal.run("state")
    monkeypatch.chdir(terminal.folder.parent)
    assert "no project here" in terminal.run("state", status=2)
    assert "ford/1/A" in terminal.run("state", "--project", str(terminal.folder))
    monkeypatch.setenv("KERFLINE_PROJECT", str(terminal.folder))
    assert "ford/1/A" in terminal.run("state")


def test_what_is_no_plan_starts_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = plan_file(tmp_path, "just words")
    assert main(["start", str(tmp_path / "night"), "--plan", str(path), "--as", "mandy"]) == 2
    assert "line 1" in capsys.readouterr().err
    assert not (tmp_path / "night").exists()


def test_a_database_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["start", str(tmp_path / "night"), "--plan", str(plan_file(tmp_path)), "--as", "mandy"]
    assert main([*words, "--database", "mysql://localhost/x"]) in (1, 2)
    assert "sqlite or postgresql" in capsys.readouterr().err


def test_a_damaged_record_is_told_not_read(terminal: Terminal) -> None:
    connection = sqlite3.connect(terminal.folder / "record.sqlite")
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    connection.execute("UPDATE entry SET canonical = CAST(replace(canonical, 'mandy', 'candy') AS BLOB)")
    connection.commit()
    connection.close()
    assert "the record is damaged" in terminal.run("state", status=1)
