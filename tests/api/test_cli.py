"""The command line from end to end: output, order, exit status; nothing that is fed to it ends in a traceback."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tests.verifier.photo_files import exif_block, saved, textured

ROOT = Path(__file__).parents[2]
PLAN = str(ROOT / "demo_photos" / "plan.yaml")
PHOTOS = ROOT.parent / "shared" / "photos"

NUMBER = {"type": "number"}
LIMIT = {"type": ["number", "null"]}
MEASUREMENT = {
    "type": "object",
    "required": [
        "quantity", "unit", "value", "standard_uncertainty", "expanded_uncertainty", "coverage_factor", "budget",
    ],
    "dependentRequired": {
        "verdict": ["probability_of_conformance", "limits"],
        "limits": ["verdict"],
        "probability_of_conformance": ["verdict"],
    },
    "properties": {
        "quantity": {"type": "string"},
        "unit": {"enum": ["mm", "deg"]},
        "value": NUMBER,
        "standard_uncertainty": {"type": "number", "exclusiveMinimum": 0},
        "expanded_uncertainty": {"type": "number", "exclusiveMinimum": 0},
        "coverage_factor": {"type": "number", "minimum": 1},
        "verdict": {"enum": ["conforming", "nonconforming", "inconclusive"]},
        "probability_of_conformance": {"type": "number", "minimum": 0, "maximum": 1},
        "limits": {"type": "object", "required": ["lower", "upper"], "properties": {"lower": LIMIT, "upper": LIMIT}},
        "clause": {"type": "string"},
        "budget": {
            "type": "array",
            "minItems": 1,
            "items": {"type": "object", "required": ["source", "standard_uncertainty"]},
        },
    },
    "additionalProperties": False,
}  # fmt: skip
RESULT = {
    "type": "object",
    "required": ["photo", "sha256", "kind", "usable", "measurements", "problems"],
    "properties": {
        "photo": {"type": "string"},
        "sha256": {"type": "string", "pattern": "^([0-9a-f]{64})?$"},
        "kind": {"enum": ["layout", "slot", "surface"]},
        "usable": {"type": "boolean"},
        "measurements": {"type": "array", "items": MEASUREMENT},
        "problems": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["code", "message"],
                "properties": {"code": {"pattern": "^[a-z0-9-]+$"}, "message": {"minLength": 10}},
            },
        },
        "details": {"type": "object"},
    },
    "additionalProperties": False,
    "if": {"properties": {"usable": {"const": False}}},
    "then": {"properties": {"measurements": {"maxItems": 0}, "problems": {"minItems": 1}}},
    "else": {"properties": {"measurements": {"minItems": 1}}},
}


def kerfline(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command as a person would."""
    run = subprocess.run(
        [sys.executable, "-m", "api", *arguments],
        capture_output=True, text=True, cwd=cwd, timeout=300,
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    assert "Traceback" not in run.stdout + run.stderr
    return run


def results(run: subprocess.CompletedProcess[str]) -> list[dict[str, Any]]:
    found = [json.loads(line) for line in run.stdout.splitlines()]
    for result in found:
        jsonschema.validate(result, RESULT)
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A batch of files none of which carries a measurement."""
    path = tmp_path_factory.mktemp("photos")
    pavement = saved(textured(1600, 1200), exif=exif_block(6))
    (path / "pavement.jpg").write_bytes(pavement)
    (path / "cut short.jpg").write_bytes(pavement[:-1000])
    (path / "empty.jpg").write_bytes(b"")
    (path / "note.txt").write_text("not a photo")
    (path / "folder.jpg").mkdir()
    return path


def test_a_batch_of_bad_photos_goes_on_to_its_end_in_order(folder: Path) -> None:
    names = ["empty.jpg", "pavement.jpg", "note.txt", "missing.jpg", "cut short.jpg", "folder.jpg"]
    run = kerfline("measure", "--kind", "slot", "--json", "--jobs", "2", *names, cwd=folder)
    found = results(run)
    assert run.returncode == 1
    assert [result["photo"] for result in found] == names
    codes = [result["problems"][0]["code"] for result in found]
    assert codes[0] == "photo-empty"
    assert codes[2:] == ["photo-not-a-photo", "photo-unreadable", "photo-damaged", "photo-unreadable"]
    assert not any(code.startswith("internal") for code in codes)
    whole = found[1]
    assert whole["sha256"] == hashlib.sha256((folder / "pavement.jpg").read_bytes()).hexdigest()
    assert whole["details"]["capture"]["model"] == "Q-3"


def test_text_says_the_same_as_json(folder: Path) -> None:
    run = kerfline("measure", "--kind", "layout", "pavement.jpg", "missing.jpg", cwd=folder)
    assert run.returncode == 1
    assert run.stdout.count("UNUSABLE") == 2


@pytest.mark.parametrize("kind", ["layout", "slot", "surface"])
def test_plain_pavement_carries_no_measurement(folder: Path, kind: str) -> None:
    (result,) = results(kerfline("measure", "--kind", kind, "--json", "pavement.jpg", cwd=folder))
    assert result["kind"] == kind
    assert "bar" in result["problems"][0]["message"].lower()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "COMMAND"),
        (["measure"], "PHOTO"),
        (["measure", "--kind", "slot"], "PHOTO"),
        (["measure", "a.jpg"], "--kind"),
        (["measure", "--kind", "road", "a.jpg"], "road"),
        (["measure", "--kind", "slot", "--slot-width", "wide", "a.jpg"], "wide"),
        (["measure", "--kind", "slot", "--slot-width", "-3", "a.jpg"], "above zero"),
        (["measure", "--kind", "slot", "--slot-width", "3 kg", "a.jpg"], "kg"),
        (["measure", "--kind", "slot", "--jobs", "0", "a.jpg"], "jobs"),
        (["measure", "--kind", "slot", "--plan", "nowhere.yaml", "a.jpg"], "nowhere.yaml"),
        (["measure", "--kind", "slot", "--sensor", "A", "a.jpg"], "--plan"),
        (["measure", "--kind", "slot", "--plan", PLAN, "--sensor", "Z", "a.jpg"], "marl-cross/2/A"),
        (["measure", "--kind", "slot", "--marks", PLAN, "a.jpg"], "plan.yaml"),
        (["measure", "--kind", "slot", "--camera", PLAN, "a.jpg"], "plan.yaml"),
        (["measure", "--kind", "slot", "--bar-calibration", PLAN, "a.jpg"], "`bars` is missing"),
        (["measure", "--kind", "surface", "--slot", PLAN, "a.jpg"], "--kind slot --json"),
        (["measure", "--kind", "slot", "--overlay", PLAN, "a.jpg"], "folder"),
        (["plan", "check", "nowhere.yaml"], "nowhere.yaml"),
        (["bar", "--kind", "long", "--number", "50", "out.pdf"], "0 to 49"),
        (["bar", "--kind", "long", "--number", "1", "no/such/folder/out.pdf"], "cannot be written"),
        (["calibrate", "a.jpg"], "--out"),
        (["calibrate", "-o", "c.json", "--chessboard", "9x6", "a.jpg"], "--square"),
        (["calibrate", "-o", "c.json", "--chessboard", "nine", "--square", "25 mm", "a.jpg"], "9x6"),
    ],
)  # fmt: skip
def test_a_wrong_command_line_ends_with_status_2_and_says_why(tmp_path: Path, arguments: list[str], told: str) -> None:
    run = kerfline(*arguments, cwd=tmp_path)
    assert run.returncode == 2
    assert told in run.stderr
    assert run.stdout == ""


def test_plan_check_passes_the_demo_plan_and_tells_faults() -> None:
    run = kerfline("plan", "check", PLAN)
    assert run.returncode == 0
    assert "slot_width: 75 to 79 mm" in run.stdout
    assert kerfline("plan", "check", str(ROOT / "pyproject.toml")).returncode == 2


@pytest.mark.parametrize("tiles", [[], ["--tiles", "a4"], ["--tiles", "letter"]])
def test_a_bar_is_drawn(tmp_path: Path, tiles: list[str]) -> None:
    run = kerfline("bar", "--kind", "short", "--number", "28", *tiles, "out.pdf", cwd=tmp_path)
    assert run.returncode == 0
    assert (tmp_path / "out.pdf").read_bytes().startswith(b"%PDF-")
    assert "100 %" in run.stdout


def test_a_calibration_without_a_target_says_so(folder: Path) -> None:
    run = kerfline("calibrate", "-o", "c.json", "pavement.jpg", "empty.jpg", cwd=folder)
    assert run.returncode == 1
    assert "left out: empty.jpg" in run.stderr
    assert not (folder / "c.json").exists()


def test_a_name_that_is_no_text_is_survived(folder: Path) -> None:
    name = os.fsdecode(b"odd-\xff-name.jpg")
    (folder / name).write_bytes(b"")
    for form in ([], ["--json"]):
        run = kerfline("measure", "--kind", "slot", *form, name, cwd=folder)
        assert run.returncode == 1
        assert "0 bytes" in run.stdout


def test_a_reader_that_goes_away_is_no_failure(folder: Path) -> None:
    command = f"{sys.executable} -m api measure --kind slot --json --jobs 1 empty.jpg empty.jpg empty.jpg | head -n 1"
    run = subprocess.run(
        command, shell=True, capture_output=True, text=True, cwd=folder, env=os.environ | {"PYTHONPATH": str(ROOT)}
    )
    assert run.stdout.count("\n") == 1
    assert run.stderr == ""


def test_version() -> None:
    assert kerfline("--version").stdout.startswith("kerfline 0.")


outside = pytest.mark.skipif(not (PHOTOS / "truth.json").exists(), reason="the photos with known truth are not here")


@outside
def test_a_photo_of_known_truth_and_its_verdict() -> None:
    """A gross-failure check: the truth must lie within three U of what is measured, and the verdict follow from it."""
    truth = {t["file"]: t for t in json.loads((PHOTOS / "truth.json").read_text())}
    name = "layout_01.jpg"
    run = kerfline("measure", "--kind", "layout", "--plan", PLAN, "--json", str(PHOTOS / name))
    (result,) = results(run)
    assert run.returncode == 0
    assert result["sha256"] == truth[name]["sha256"]
    (angle,) = (m for m in result["measurements"] if m["quantity"] == "layout_angle")
    assert abs(angle["value"] - truth[name]["truth"]["layout_angle"]) < 3 * angle["expanded_uncertainty"]
    assert angle["limits"] == {"lower": 89.5, "upper": 90.5}
