"""The plan's commands from end to end."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from api.cli import main
from models.plan_template import new_plan_text

ROOT = Path(__file__).parents[2]
PLAN = str(ROOT / "demo_photos" / "plan.yaml")


def test_check_tells_the_stages_and_shows_limits_in_the_projects_units(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "check", PLAN]) == 0
    told = capsys.readouterr().out
    for line in (
        "slot_width: 75 to 79 mm (2.953 to 3.110 in)",
        "conduit_cover: at least 101.6 mm (at least 4 in)",
        "layout_angle: 89.5 to 90.5 deg",
        "inspector-1 (inspector)",
        "closure: 2026-10-06 18:30 to 2026-10-07 10:00 marl-cross/2",
        "stage layout: 1 photo, 2 readings, 1 check; hold point",
    ):
        assert line in told


def test_a_new_plan_is_written_once_and_passes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["plan", "new"]) == 0
    assert (tmp_path / "plan.yaml").read_text(encoding="utf-8") == new_plan_text()
    assert main(["plan", "check", "plan.yaml"]) == 0
    (tmp_path / "plan.yaml").write_text("mine", encoding="utf-8")
    assert main(["plan", "new"]) == 2
    assert "is there already" in capsys.readouterr().err
    assert (tmp_path / "plan.yaml").read_text(encoding="utf-8") == "mine"
    assert main(["plan", "new", "no/such/folder.yaml"]) == 2


def test_the_schema_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "schema"]) == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(capsys.readouterr().out))


def test_two_versions_are_told_apart(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = Path(PLAN).read_text(encoding="utf-8")
    new = tmp_path / "new.yaml"
    new.write_text(text.replace("upper: 45 deg", "upper: 40 deg"), encoding="utf-8")
    assert main(["plan", "diff", PLAN, str(new)]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[0] == "stricter  tolerances.drill_angle.upper: 45 deg -> 40 deg"
    assert "both call themselves version 1" in told[1]
    assert main(["plan", "diff", "--json", PLAN, str(new)]) == 0
    (change,) = json.loads(capsys.readouterr().out)
    assert change == {"what": "tolerances.drill_angle.upper", "old": "45 deg", "new": "40 deg", "effect": "stricter"}
    assert main(["plan", "diff", PLAN, PLAN]) == 0
    assert capsys.readouterr().out == "no difference\n"


def test_a_faulty_version_is_not_compared(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    faulty = tmp_path / "faulty.yaml"
    faulty.write_text("project: x\n", encoding="utf-8")
    assert main(["plan", "diff", PLAN, str(faulty)]) == 2
    assert "`version` is missing" in capsys.readouterr().err
