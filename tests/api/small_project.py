"""A small invented project for tests of the record: three stages, one sensor with requirements few enough to walk."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from api.cli import main
from api.people import Person
from api.project import Place, Project
from api.tasks import Looked, PhotoTask
from models.entry import sha256_hex
from models.evidence_facts import WrittenValue
from models.facts import ReadingAdded
from models.measurement import BudgetLine, Estimate, Measurement, PhotoResult, Problem, Quantity
from models.people import Role
from models.readings import ReadingKind
from verifier.conformity import judge

PLAN = """
project: Example Ford (invented)
version: "1"
units: us
time_zone: America/Denver
contacts:
  - {id: casey, name: Casey (invented), roles: [crew]}
  - {id: ines, name: Ines (invented), roles: [inspector]}
  - {id: robin, name: Robin (invented), roles: [crew, inspector]}
  - {id: audra, name: Audra (invented), roles: [auditor]}
  - {id: mandy, name: Mandy (invented), roles: [manager]}
sites:
  - id: ford
    name: Example Ford
    lanes: [{id: "1", sensors: [{id: A, length: 600 mm}, {id: B, length: 600 mm}]}]
tolerances:
  slot_depth_max: {upper: 80 mm, clause: invented}
  layout_angle: {nominal: 90 deg, plus: 0.5 deg, minus: 0.5 deg, clause: invented}
  hole_diameter: {nominal: 1 1/2 in, plus: 1/4 in, minus: 1/4 in, clause: invented}
decision_rule: simple
instruments:
  - {id: gauge, kind: depth-gauge, resolution: 0.1 mm, u: 0.1 mm, calibrated: 2026-01-01, valid_until: 2026-12-31}
  - {id: old-gauge, kind: depth-gauge, resolution: 0.1 mm, u: 0.1 mm, calibrated: 2024-01-01, valid_until: 2024-12-31}
  - {id: tape, kind: tape, resolution: 1/32 in, u: 0.2 mm, calibrated: 2026-01-01, valid_until: 2026-12-31}
stages:
  - id: layout
    hold_point: yes
    photos: [{id: line, kind: layout}]
    checks: [{id: old-marks, text: Are old marks gone}]
  - id: exit-hole
    readings: [{kind: hole-diameter}]
    checks: [{id: plugged, text: Is it plugged}]
  - id: saw-cut
    photos: [{id: dust, text: The saw with its water on}]
    readings: [{kind: slot-depth, count: 2}]
"""

A, B = "ford/1/A", "ford/1/B"
CASEY, INES, MANDY = Person("casey", Role.CREW), Person("ines", Role.INSPECTOR), Person("mandy", Role.MANAGER)
ROBIN, AUDRA = Person("robin", Role.CREW), Person("audra", Role.AUDITOR)
EVENING = datetime(2026, 5, 5, 4, 0, tzinfo=UTC)
"""22:00 in the evening of 4 May, local time."""


class Clock:
    """A clock that stands until it is moved, but never shows one time twice."""

    def __init__(self) -> None:
        self.at = EVENING

    def __call__(self) -> datetime:
        self.at += timedelta(milliseconds=2)
        return self.at

    def later(self, minutes: float) -> datetime:
        self.at += timedelta(minutes=minutes)
        return self.at


def plan_file(folder: Path, text: str = PLAN) -> Path:
    path = folder / "plan.yaml"
    path.write_text(text)
    return path


def started(folder: Path, text: str = PLAN, **means: Any) -> Project:
    """A project begun by its manager in a sub-folder; photos are looked at and measured by stand-ins."""
    means = {"measure": stand_in(90.0), "now": Clock(), **means}
    project = Project.start(folder / "night", plan_file(folder, text), MANDY, **means)
    project.look = look
    return project


def look(paths: Sequence[Path]) -> list[Looked]:
    """Everything that ends like a photo is one."""
    return [_looked(path) for path in paths]


def _looked(path: Path) -> Looked:
    if path.suffix == ".jpg":
        return Looked(str(path), sha256_hex(path.read_bytes()), {"make": "Invented"})
    return Looked(str(path), "", {}, Problem("photo-not-a-photo", "The file is not a photo."))


def stand_in(angle_deg: float, *, usable: bool = True) -> Any:
    """Measuring that finds this angle in every photo."""

    def measure(tasks: Sequence[PhotoTask]) -> Iterable[PhotoResult]:
        for task in tasks:
            estimate = Estimate(Quantity.LAYOUT_ANGLE, angle_deg, (BudgetLine("stand-in", 0.05),))
            judged = [judge(estimate, t, task.settings.rule) for t in task.settings.tolerances
                      if t.quantity is Quantity.LAYOUT_ANGLE]  # fmt: skip
            found = (Measurement(estimate, judged[0] if judged else None),) if usable else ()
            problems = () if usable else (Problem("bar-not-found", "No bar is seen: lay one beside the line."),)
            sha256 = sha256_hex(Path(task.path).read_bytes())
            yield PhotoResult(task.path, sha256, task.kind, usable, found, problems)

    return measure


def photo(folder: Path, name: str = "line.jpg") -> Path:
    path = folder / name
    path.write_bytes(f"the bytes of {name}".encode())
    return path


def depth(mm: float = 75.0, station_mm: float = 100.0, instrument: str | None = "gauge") -> ReadingAdded:
    value = WrittenValue(mm, "mm", f"{mm:g} mm")
    return ReadingAdded(ReadingKind.SLOT_DEPTH, (("value", value),), station_mm, None, instrument)


def place(stage: str, sensor: str = A) -> Place:
    return Place(sensor, stage)


class Terminal:
    """The command line on a project, as a person has it: words in, lines and exit status out."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys

    def run(self, *words: str, who: str = "", status: int = 0) -> str:
        """What a command prints, on both streams; its exit status is as told."""
        acting = ["--as", who] if who else []
        got = main([*words, *acting])
        captured = self.capsys.readouterr()
        printed = captured.out + captured.err
        assert got == status, printed
        return printed

    def json(self, *words: str) -> Any:
        return json.loads(self.run(*words, "--json"))


@pytest.fixture
def terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """A project begun on the command line, in whose folder the person is."""
    monkeypatch.setenv("COLUMNS", "80")
    for name in ("KERFLINE_AS", "KERFLINE_PROJECT"):
        monkeypatch.delenv(name, raising=False)
    one = Terminal(tmp_path / "night", capsys)
    one.run("start", str(one.folder), "--plan", str(plan_file(tmp_path)), who="mandy")
    monkeypatch.chdir(one.folder)
    return one
