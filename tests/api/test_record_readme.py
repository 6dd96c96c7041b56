"""The README's night runs, line by line, and names what can be told."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from api.cli import main
from api.record_import import columns
from models.readings import FORMS, ReadingKind

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SECTION = README.partition("## The record")[2].partition("\n## ")[0]


def test_the_commands_of_the_night_run_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (block,) = re.findall(r"```sh\n(.*?)```", SECTION, re.DOTALL)
    (tmp_path / "demo_photos").symlink_to(ROOT / "demo_photos")
    monkeypatch.chdir(tmp_path)
    lines = block.splitlines()
    assert len(lines) > 15
    for line in lines:
        first, *words = shlex.split(line)
        if first == "export":
            for name, _, value in (word.partition("=") for word in words):
                monkeypatch.setenv(name, value)
            continue
        assert first == "kerfline"
        assert main(words) == 0, f"{line}\n{capsys.readouterr()}"
        shown = capsys.readouterr().out
        if words[:2] == ["release", "layout"]:
            assert "released" in shown
    assert "to-rework" in shown or "in force already" in shown


@pytest.mark.parametrize("kind", ReadingKind)
def test_each_kind_of_reading_is_in_the_readme(kind: ReadingKind) -> None:
    row = next(line for line in SECTION.splitlines() if line.startswith("|") and f"`{kind}`" in line)
    form = FORMS[kind]
    for name in [f.name for f in form.fields if f.name not in ("value", "mass", "volume")]:
        assert f"`{name}`" in row
    for name in (*form.texts, *form.optional_texts):
        assert f"{name}=" in row
    assert ("--station" in row) is form.station
    assert ("--pass" in row) is form.numbered


@pytest.mark.parametrize("column", columns())
def test_each_column_of_a_table_is_in_the_readme(column: str) -> None:
    assert f"`{column}`" in SECTION.partition("### Readings")[2]
