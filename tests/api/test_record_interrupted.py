"""Commands cut short at any instant: what was told is there, and the same command run again leaves nothing twice.

Twice over: each durable write is made to fail, before it and after it, for every write that there is; and the real
command line is killed with SIGKILL at random instants.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from api.log import Appended, Log
from api.originals import Originals
from api.project import Project, Replacement
from models.entry import Draft, Entry
from models.facts import CheckAdded, DecisionKind, Outcome
from models.measurement import PhotoKind
from tests.api.small_project import (
    CASEY,
    INES,
    PLAN,
    Clock,
    depth,
    photo,
    place,
    plan_file,
    started,
)

ROOT = Path(__file__).parents[2]
Step = Callable[[Path], object]
CLOCK = Clock()


class _EndOfProcessError(BaseException):
    """Stands for the end of the process: nothing catches it."""


@dataclass
class Fuse:
    """Counts durable writes, and ends the process at one of them."""

    blows_at: int
    after: bool
    """Whether that write is done before the process ends."""
    writes: int = 0

    def write(self, do: Callable[[], Any]) -> Any:
        self.writes += 1
        if self.writes == self.blows_at and not self.after:
            raise _EndOfProcessError
        done = do()
        if self.writes == self.blows_at:
            raise _EndOfProcessError
        return done


def opened(folder: Path) -> Project:
    return started(folder, now=CLOCK)


def first_reading(project: Project) -> str:
    return next(e.id for e in project.entries() if e.type == "reading-added")


def step_photos(folder: Path) -> object:
    with opened(folder) as project:
        files = [photo(folder, "1.jpg"), photo(folder, "2.jpg")]
        return project.add_photos(place("layout"), files, CASEY, kind=PhotoKind.LAYOUT)


def step_check(folder: Path) -> object:
    with opened(folder) as project:
        return project.add_check(place("layout"), CheckAdded("old-marks", Outcome.YES), CASEY)


def step_release(folder: Path) -> object:
    with opened(folder) as project:
        return project.decide(place("layout"), DecisionKind.WAIVE, INES, reason="dark", reference="letter 7")


def step_reading(folder: Path) -> object:
    with opened(folder) as project:
        return project.add_reading(place("saw-cut"), depth(750.0), CASEY)


def step_right(folder: Path) -> object:
    with opened(folder) as project:
        replaces = Replacement(first_reading(project), "a digit too many")
        return project.add_reading(place("saw-cut"), depth(75.0), CASEY, replaces=replaces)


def step_many(folder: Path) -> object:
    with opened(folder) as project:
        at = "2026-05-04T23:00:00-06:00"
        drafts = [project.draft(depth(75.0, 10.0 * n), place("saw-cut"), CASEY, at) for n in range(20)]
        return project.add_drafts(drafts, CASEY)


STEPS: tuple[Step, ...] = (step_photos, step_check, step_release, step_reading, step_right, step_many)


def content(entries: Sequence[Entry]) -> list[tuple[str, str, str, str]]:
    """What the entries say, without their times, ids and the ids that they name."""
    return [(e.type, e.stage, e.author, str({k: v for k, v in e.body.items() if k not in _IDS})) for e in entries]


_IDS = {"photo", "inputs", "corrects", "evidence"}


def log_of(folder: Path) -> list[Entry]:
    with opened(folder) as project:
        return list(project.entries())


def run_with(fuse: Fuse, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All steps, each run again after the end of the process until it is done."""
    append, put = Log.append, Originals.put

    def fused_append(log: Log, drafts: Sequence[Draft]) -> Appended:
        return fuse.write(lambda: append(log, drafts))

    def fused_put(originals: Originals, what: bytes | Path) -> str:
        return fuse.write(lambda: put(originals, what))

    monkeypatch.setattr(Log, "append", fused_append)
    monkeypatch.setattr(Originals, "put", fused_put)
    for step in STEPS:
        try:
            step(folder)
        except _EndOfProcessError:
            step(folder)
    monkeypatch.undo()


@pytest.mark.slow
def test_every_write_cut_short_in_turn_loses_and_repeats_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = Fuse(0, after=False)
    run_with(whole, tmp_path / make(tmp_path, "whole"), monkeypatch)
    expected = content(log_of(tmp_path / "whole"))
    assert whole.writes > 10
    assert Counter(kind for kind, *_ in expected)["reading-added"] == 22
    for number in range(1, whole.writes + 1):
        for after in (False, True):
            folder = tmp_path / make(tmp_path, f"{number}-{after}")
            fuse = Fuse(number, after)
            run_with(fuse, folder, monkeypatch)
            assert fuse.writes > number or number == whole.writes
            assert sorted(content(log_of(folder))) == sorted(expected), f"write {number}, after: {after}"


def make(folder: Path, name: str) -> str:
    (folder / name).mkdir()
    return name


def command(*words: str) -> list[str]:
    return [sys.executable, "-m", "api.cli", *words, "--as", "casey"]


def run_killed(words: list[str], folder: Path, seconds: float) -> bool:
    """Start a command and kill it after so long; whether it was done before."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "KERFLINE_PROJECT": str(folder / "night")}
    child = subprocess.Popen(words, cwd=folder, env=environment, stdout=subprocess.DEVNULL, start_new_session=True)
    try:
        child.wait(seconds)
    except subprocess.TimeoutExpired:
        os.killpg(child.pid, signal.SIGKILL)
        child.wait()
    return child.returncode == 0


def run_until_done(words: list[str], folder: Path, chance: random.Random, longest_s: float) -> int:
    """Kill the command again and again at random instants, then let it be; returns how often it was killed."""
    kills = 0
    for _ in range(6):
        if not run_killed(words, folder, chance.uniform(0.1, 1.0) * longest_s):
            kills += 1
    assert run_killed(words, folder, 120.0)
    return kills


@pytest.mark.slow
def test_an_import_killed_again_and_again(tmp_path: Path) -> None:
    started(tmp_path).close()
    times = [f"2026-05-04 {20 + n // 600:02d}:{n // 10 % 60:02d}:{n % 10:02d}" for n in range(1000)]
    rows = [f"A,hole-diameter,{at},1 1/2 in,tape" for at in times]
    (tmp_path / "r.csv").write_text("\n".join(["sensor,kind,at,value,instrument", *rows]))
    # How long it takes where it is not disturbed: in another folder.
    (tmp_path / "other").mkdir()
    started(tmp_path / "other").close()
    (tmp_path / "other" / "r.csv").write_bytes((tmp_path / "r.csv").read_bytes())
    start = time.monotonic()
    assert run_killed(command("import", "r.csv"), tmp_path / "other", 120.0)
    longest_s = time.monotonic() - start
    kills = run_until_done(command("import", "r.csv"), tmp_path, random.Random(1), longest_s)
    assert kills > 0
    with Project.open(tmp_path / "night") as project:
        entries = list(project.entries())
        assert len({e.key() for e in entries}) == len(entries)
        assert Counter(e.type for e in entries)["reading-added"] == 1000
        assert not [m for m in project.stage(place("exit-hole")).missing if m.item.startswith("result:")]


@pytest.mark.slow
def test_photos_added_and_killed_again_and_again(tmp_path: Path) -> None:
    started(tmp_path).close()
    photos = sorted((ROOT / "demo_photos").glob("A-*.jpg"))[:3]
    assert len(photos) == 3
    words = command("add", "photo", *map(str, photos), "--for", "line", "--sensor", "A")
    assert run_until_done(words, tmp_path, random.Random(2), 3.0) > 0
    with Project.open(tmp_path / "night") as project:
        entries = list(project.entries())
        shown = [e for e in entries if e.type == "photo-added"]
        assert len(shown) == len({e.body["sha256"] for e in shown}) == 3
        assert Counter(e.type for e in entries)["photo-measured"] == 3
        assert all(e.body["sha256"] in project.originals for e in shown)
        assert list(project.originals.damaged()) == []


def test_a_start_killed_before_the_plan_is_in_is_run_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    append = Log.append
    for number in (1, 2, 3):
        fuse = Fuse(number, after=False)
        folder = tmp_path / make(tmp_path, str(number))
        plan_file(folder, PLAN)
        monkeypatch.setattr(Originals, "put", _fused(fuse, Originals.put))
        monkeypatch.setattr(Log, "append", _fused(fuse, append))
        try:
            started(folder).close()
        except _EndOfProcessError:
            monkeypatch.undo()
            started(folder).close()
        monkeypatch.undo()
        assert [e.type for e in log_of(folder)] == ["plan-adopted"]


def _fused(fuse: Fuse, do: Callable[..., Any]) -> Callable[..., Any]:
    return lambda *given: fuse.write(lambda: do(*given))
