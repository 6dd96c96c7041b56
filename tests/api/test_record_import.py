"""Many readings from a table: all of them or none, and never twice."""

from __future__ import annotations

from pathlib import Path

import openpyxl

from tests.api.small_project import Terminal, terminal

__all__ = ["terminal"]

GOOD = """sensor,kind,at,station (mm),value (mm),instrument,note
A,slot-depth,2026-05-04 23:00,100,75.0,gauge,
A,slot-depth,2026-05-04 23:01,300,75.5,gauge,after the rain
B,slot-depth,2026-05-04T23:02:00-06:00,500,3 in,gauge,
"""
BAD = GOOD + "A,slot-depth,2026-05-04 23:03,500,75 kg,gauge,\nA,slot-depth,yesterday,500,75,none,\nC,slot-deep,,,,,\n"


def table(folder: Path, text: str, name: str = "readings.csv") -> str:
    (folder / name).write_text(text)
    return str(folder / name)


def counted(terminal: Terminal, kind: str) -> int:
    return sum(1 for line in terminal.run("log", "--json").splitlines() if f'"type": "{kind}"' in line)


def test_readings_are_told_and_worked_out_once(terminal: Terminal, tmp_path: Path) -> None:
    path = table(tmp_path, GOOD)
    assert "3 readings told, 0 were there already, 2 results" in terminal.run("import", path, who="casey")
    log = terminal.run("log", "--json")
    assert "0 readings told, 3 were there already, 0 results" in terminal.run("import", path, who="casey")
    assert terminal.run("log", "--json") == log
    assert '"written": "75.5 mm"' in log
    assert '"written": "3 in"' in log
    assert '"at": "2026-05-04T23:01:00-06:00"' in log


def test_a_table_that_has_grown_tells_what_is_new(terminal: Terminal, tmp_path: Path) -> None:
    terminal.run("import", table(tmp_path, GOOD), who="casey")
    grown = table(tmp_path, GOOD + "A,slot-depth,2026-05-04 23:05,550,74.8,gauge,\n", "grown.csv")
    assert "1 reading told, 3 were there already, 1 result worked out" in terminal.run("import", grown, who="casey")
    assert counted(terminal, "reading-added") == 4


def test_of_a_bad_table_nothing_is_stored_and_every_fault_is_told(terminal: Terminal, tmp_path: Path) -> None:
    path = table(tmp_path, BAD)
    before = terminal.run("log")
    said = terminal.run("import", path, who="casey", status=2)
    assert "3 rows are wrong" in said
    for line in (
        "line 5: value: 'kg' is no unit of length",
        "line 6: instrument: the plan has none called 'none'",
        "line 7: no kind of reading is called 'slot-deep'",
        "nothing was stored",
    ):
        assert line in said
    assert terminal.run("log") == before


def test_good_rows_are_taken_when_asked_for(terminal: Terminal, tmp_path: Path) -> None:
    path = table(tmp_path, BAD)
    said = terminal.run("import", path, "--good-rows", who="casey", status=1)
    assert "3 readings told" in said
    assert "3 rows are wrong" in said
    said = terminal.run("import", path, "--good-rows", who="casey", status=1)
    assert "0 readings told, 3 were there already" in said


def test_time_sensor_and_stage_for_all_rows(terminal: Terminal, tmp_path: Path) -> None:
    path = table(tmp_path, "kind,station,value,instrument\nslot-depth,0 mm,75 mm,gauge\n")
    said = terminal.run("import", path, who="casey", status=2)
    assert "sensor: say which" in said
    said = terminal.run("import", path, "--sensor", "A", who="casey", status=2)
    assert "at: say when it was read, here or for all rows by --at" in said
    given = ("--sensor", "A", "--stage", "exit-hole", "--at", "2026-05-04 23:00")
    assert "1 reading told" in terminal.run("import", path, *given, who="casey")
    assert "exit-hole" in terminal.run("log", "--sensor", "A")


def test_the_same_row_twice_in_a_table_is_a_fault(terminal: Terminal, tmp_path: Path) -> None:
    path = table(tmp_path, GOOD + GOOD.splitlines()[1] + "\n")
    assert "line 5: says the same as line 2" in terminal.run("import", path, who="casey", status=2)


def test_who_may_not_tell_readings_is_told_why(terminal: Terminal, tmp_path: Path) -> None:
    said = terminal.run("import", table(tmp_path, GOOD), who="audra", status=2)
    assert "not for the role auditor" in said
    assert counted(terminal, "reading-added") == 0


def test_a_spreadsheet(terminal: Terminal, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for line in GOOD.splitlines():
        book.worksheets[0].append(line.split(","))
    book.save(tmp_path / "readings.xlsx")
    assert "3 readings told" in terminal.run("import", str(tmp_path / "readings.xlsx"), who="casey")
    # The same readings in another form of table are the same readings.
    assert "0 readings told" in terminal.run("import", table(tmp_path, GOOD), who="casey")


def test_every_column_has_its_place(terminal: Terminal, tmp_path: Path) -> None:
    text = (
        "sensor,stage,kind,at,a,b,c,corner,part,mass,pass,station,value,travel,instrument\n"
        "A,layout,tape-triangle,2026-05-04 22:00,6 ft,8 ft,10 ft,near,,,,,,,tape\n"
        "A,saw-cut,part-amount,2026-05-04 22:01,,,,,base,2 kg,,,,,gauge\n"
        "A,saw-cut,profile-height,2026-05-04 22:02,,,,,,,1,300 mm,0.2 mm,-100 mm,gauge\n"
        "A,saw-cut,pour-end,2026-05-04 22:03,,,,,,,,,,,\n"
    )
    assert "4 readings told" in terminal.run("import", table(tmp_path, text), who="casey")
    log = terminal.run("log")
    assert "tape-triangle near a = 6 ft b = 8 ft c = 10 ft" in log
    assert "part-amount base mass = 2 kg" in log
