"""The documents run: commands, flags, samples and words in README are those of the program."""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from api.cli import build_parser
from api.inputs import load_marks
from api.rendering import result_as_json
from models.measurement import (
    BudgetLine,
    Estimate,
    Judgement,
    Limits,
    Measurement,
    PhotoKind,
    PhotoResult,
    Quantity,
    Verdict,
)
from models.tolerance import Rule
from verifier.marks import MarkedFeature

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def commands() -> dict[str, argparse.ArgumentParser]:
    """Every command by its full name."""
    found: dict[str, argparse.ArgumentParser] = {}

    def collect(parser: argparse.ArgumentParser) -> None:
        subparsers = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
        if not subparsers:
            found[parser.prog] = parser
        for action in subparsers:
            for child in action.choices.values():
                collect(child)

    collect(build_parser())
    return found


COMMANDS = commands()
FLAGS = sorted(
    {
        flag
        for parser in COMMANDS.values()
        for action in parser._actions
        for flag in action.option_strings
        if flag.startswith("--") and flag != "--help"
    }
)


def test_there_are_commands_and_flags() -> None:
    assert len(COMMANDS) >= 5
    assert len(FLAGS) >= 12


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_is_in_the_readme(command: str) -> None:
    assert re.search(rf"{command}\b", README)


@pytest.mark.parametrize("flag", FLAGS)
def test_each_flag_is_in_the_readme(flag: str) -> None:
    assert re.search(rf"{flag}\b", README)


@pytest.mark.parametrize("flag", sorted(set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README))))
def test_each_flag_in_the_readme_exists(flag: str) -> None:
    outside = {"--no-deps", "--no-build-isolation"}
    assert flag in FLAGS or flag in outside


@pytest.mark.parametrize("word", [*MarkedFeature, *Rule, *Verdict], ids=str)
def test_each_word_a_person_writes_or_reads_is_in_the_readme(word: str) -> None:
    assert re.search(rf"\b{re.escape(word)}\b", README)


@pytest.mark.parametrize("line", re.findall(r"^kerfline .*$", README, re.MULTILINE))
def test_commands_of_the_readme_parse(line: str) -> None:
    import shlex

    build_parser().parse_args(shlex.split(line)[1:])


def test_the_two_commands_do_their_own_set_up() -> None:
    lines = [line for line in README.splitlines() if line.startswith("python3 -m venv .venv")]
    assert len(lines) == 2
    for line, lock, last in zip(
        lines, ("requirements.txt", "dev.txt"), ("kerfline demo", "pytest -n auto"), strict=True
    ):
        assert f"-r .lock/{lock} " in line
        assert line.endswith(last)
        assert (ROOT / ".lock" / lock).is_file()


def test_the_json_sample_has_the_form_of_a_result() -> None:
    (sample,) = (json.loads(text) for text in re.findall(r"```json\n(.*?)```", README, re.DOTALL))
    estimate = Estimate(Quantity.SLOT_WIDTH, 76.21, (BudgetLine("edge location", 0.11),))
    judgement = Judgement(Verdict.CONFORMING, 1.0, Limits(75.0, 79.0), "MC-7 3.2 (invented)")
    result = PhotoResult("slot.jpg", "9f2c…", PhotoKind.SLOT, True, (Measurement(estimate, judgement),))
    assert sample == result_as_json(result)


def test_the_marks_sample_is_taken(tmp_path: Path) -> None:
    (sample,) = re.findall(r"```yaml\n(.*?)```", README, re.DOTALL)
    (tmp_path / "marks.yaml").write_text(sample)
    marks = load_marks(str(tmp_path / "marks.yaml"))
    assert marks["slot.jpg"].of(MarkedFeature.SLOT) is not None


@pytest.mark.parametrize("command", ["kerfline", *COMMANDS, "kerfline plan"])
def test_help_answers_at_once_and_loads_nothing_heavy(command: str) -> None:
    program = (
        "import sys\n"
        "from api.cli import main\n"
        "heavy = {'cv2', 'numpy', 'scipy', 'PIL', 'yaml', 'pint', 'sqlalchemy'}\n"
        "try:\n    main(sys.argv[1:] + ['--help'])\n"
        "finally:\n    print(sorted(heavy & set(sys.modules)))\n"
    )
    words = command.split()[1:]
    run = subprocess.run([sys.executable, "-c", program, *words], capture_output=True, text=True, cwd=ROOT)
    assert run.returncode == 0
    assert run.stdout.startswith("usage: kerfline")
    assert run.stdout.endswith("[]\n")


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_files_named_in_documents_exist(text: str) -> None:
    named = re.findall(r"`((?:\.lock|\.ci|api|models|verifier|tests|demo_photos)/[\w./-]*)`", text)
    assert named
    missing = [name for name in named if not (ROOT / name).exists()]
    assert not missing


def test_cautions_are_given() -> None:
    for word in (
        "Traffic",
        "silica",
        "Saws",
        "chemicals",
        "codes and the contract prevail",
        "not an engineer's acceptance",
    ):
        assert word in README


TEXT_FILES = sorted(
    p
    for p in ROOT.rglob("*")
    if p.is_file()
    and p.suffix in {".py", ".md", ".toml", ".txt", ".yaml", ".in", ""}
    and not {".git", ".venv", ".mypy_cache", ".ruff_cache", ".pytest_cache", ".hypothesis"} & set(p.parts)
)


def test_nothing_names_a_registrys_host_or_a_place_on_one_machine() -> None:
    assert len(TEXT_FILES) > 40
    words = ("py" + "pi.org", "python" + "hosted", "npm" + "js.", "file:" + "//", "/wo" + "rk/", "/t" + "mp/")
    found = {str(p): [w for w in words if w in p.read_text(encoding="utf-8", errors="replace")] for p in TEXT_FILES}
    assert {name: hits for name, hits in found.items() if hits} == {}


@pytest.mark.parametrize("lock", ["requirements.txt", "dev.txt"])
def test_the_lock_pins_everything_with_hashes_and_names_no_index(lock: str) -> None:
    text = (ROOT / ".lock" / lock).read_text()
    pinned = [line for line in text.splitlines() if re.match(r"[a-z]", line)]
    assert len(pinned) > 20
    assert all("==" in line and line.endswith("\\") for line in pinned)
    assert set(re.findall(r"--[a-z-]+", text)) == {"--hash"}


def test_the_lock_holds_every_dependency() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    for lock, wanted in (
        ("requirements.txt", project["dependencies"]),
        ("dev.txt", project["optional-dependencies"]["dev"]),
    ):
        locked = set(re.findall(r"^([a-z0-9-]+)==", (ROOT / ".lock" / lock).read_text(), re.MULTILINE))
        assert {re.match(r"[a-z0-9-]+", name.lower()).group() for name in wanted} <= locked  # type: ignore[union-attr]
