"""An import killed again and again: what is lost, doubled or spoiled.

    python -m tests.benchmarks.kill

A process imports photos and readings into a project folder: it puts each photo's bytes among the originals, appends
batches to the log, and says what was acknowledged over a pipe. It is killed with SIGKILL at a random instant; the next
one begins some batches before the one that was killed, so that it repeats work and then does new. After each kill:
every original and entry that was acknowledged is there, none is there twice, and each is what its name says.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

from api.database import sqlite_url
from api.log import Log
from api.originals import Originals
from models.entry import Draft, Entry
from models.facts import draft_of
from models.measurement import PhotoKind
from tests.benchmarks.nights import readings
from tests.models.log_writer import CREW, MANAGER, START, LogWriter, adopted, photo

REPOSITORY = Path(__file__).resolve().parents[2]
SENSOR = "north/1/A"
PHOTO_BYTES = 300_000
BATCH = 20
KILLS_A_PROJECT = 10
"""Then a new project begins, so that the start of the import, which reads what is there, stays short."""
REPEATED = 3
"""Batches before the last acknowledged one that are imported again."""


@dataclass
class Audit:
    """What was found wrong, over all kills."""

    lost: int = 0
    duplicated: int = 0
    corrupt: int = 0
    originals: set[str] = field(default_factory=set)
    """Acknowledged, of the project at hand."""
    entries: set[str] = field(default_factory=set)
    """The keys of those acknowledged, of the project at hand."""
    all_originals: int = 0
    all_entries: int = 0
    in_the_middle: int = 0
    """Kills that found work going on: something new was acknowledged before."""


@dataclass(frozen=True)
class Place:
    """Where an import goes."""

    folder: Path
    url: str
    project: str

    def log(self) -> Log:
        """The log, opened."""
        return Log.open(self.url, self.project)

    def originals(self) -> Originals:
        """The originals."""
        return Originals(self.folder / "originals")


def main(arguments: Sequence[str] | None = None) -> int:
    """Kill, audit and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.kill", description=__doc__.split("\n")[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=20260504)
    parser.add_argument("--url", help="database (default: SQLite in a temporary folder)")
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--project", help=argparse.SUPPRESS)
    parser.add_argument("--first", type=int, default=0, help=argparse.SUPPRESS)
    chosen = parser.parse_args(arguments)
    if chosen.child:
        run_import(Place(chosen.child, chosen.url, chosen.project), chosen.first)
        return 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        url = chosen.url or sqlite_url(folder / "log.db")
        audit = kill_again_and_again(folder, url, chosen.kills, random.Random(chosen.seed))
    return 1 if audit.lost or audit.duplicated or audit.corrupt else 0


def kill_again_and_again(folder: Path, url: str, kills: int, chance: random.Random) -> Audit:
    """The whole run; prints as it ends."""
    audit, longest_s, start = Audit(), 1.0, time.monotonic()
    for number in range(kills):
        if number % KILLS_A_PROJECT == 0:
            begin_project(audit)
        place = Place(folder / str(number // KILLS_A_PROJECT), url, f"P-{number // KILLS_A_PROJECT}")
        before = len(audit.entries)
        import_and_kill(place, chance.uniform(0.0, longest_s), audit)
        audit.in_the_middle += len(audit.entries) > before
        look(place, audit)
    begin_project(audit)
    took_s = time.monotonic() - start
    print(f"{kills} kills in {took_s:.0f} s, each 0 to {longest_s:.1f} s after the import's first word")
    print(f"{audit.in_the_middle} of them after something new was acknowledged")
    print(f"acknowledged: {audit.all_entries} entries, {audit.all_originals} originals")
    print(f"lost {audit.lost}, duplicated {audit.duplicated}, corrupt {audit.corrupt}   goal 0, 0, 0")
    return audit


def begin_project(audit: Audit) -> None:
    """Count what the last project acknowledged, and start anew."""
    audit.all_originals += len(audit.originals)
    audit.all_entries += len(audit.entries)
    audit.originals, audit.entries = set(), set()


def import_and_kill(place: Place, seconds: float, audit: Audit) -> None:
    """Start the import; kill it so long after it said that it is under way; take down what it acknowledged."""
    command = [sys.executable, "-m", "tests.benchmarks.kill", "--child", str(place.folder), "--url", place.url]
    command += ["--project", place.project, "--first", str(max(0, len(audit.originals) - REPEATED))]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, cwd=REPOSITORY)
    assert child.stdout is not None
    ready = child.stdout.readline()
    assert ready == b"ready\n"
    time.sleep(seconds)
    child.send_signal(signal.SIGKILL)
    told = child.stdout.read().decode()
    child.wait()
    for line in told[: told.rfind("\n") + 1].splitlines():  # the last line may be cut short
        what, name = line.split()
        (audit.originals if what == "original" else audit.entries).add(name)


def look(place: Place, audit: Audit) -> None:
    """What is there against what was acknowledged; reading the log proves ids and numbers."""
    log, originals = place.log(), place.originals()
    entries = list(log.entries())
    log.close()
    keys, names = Counter(e.key() for e in entries), Counter(originals.names())
    audit.lost += len(audit.entries - keys.keys()) + len(audit.originals - names.keys())
    audit.duplicated += sum(n - 1 for n in (*keys.values(), *names.values()))
    audit.corrupt += len(list(originals.damaged())) + sum(not is_whole(e) for e in entries)
    # An entry that names an original must have it: originals are put first.
    named = {str(e.body["sha256"]) for e in entries if e.type == "photo-added"}
    audit.lost += len(named - names.keys())


def is_whole(entry: Entry) -> bool:
    """Whether an entry is in canonical form and its id is that of its content."""
    return Entry.from_canonical(entry.seq, entry.canonical(), strictly=True).id == entry.id


def run_import(place: Place, first: int) -> None:
    """The process that is killed: an import that goes on until it is, from this batch."""
    log, originals = place.log(), place.originals()
    say("ready")
    acknowledge(log, [LogWriter().draft(adopted(), MANAGER, "", "")])
    for number in count(first):
        content = random.Random(number).randbytes(PHOTO_BYTES)
        say(f"original {originals.put(content)}")
        drafts = [photo_draft(number, content), *readings(SENSOR, BATCH - 1, number * BATCH)]
        acknowledge(log, drafts)


def photo_draft(number: int, content: bytes) -> Draft:
    """The entry of a photo."""
    fact = photo(f"{number}.jpg", PhotoKind.SLOT)
    named = type(fact)(hashlib.sha256(content).hexdigest(), fact.name, fact.kind)
    return draft_of(named, *CREW, START.isoformat(), sensor=SENSOR, stage="saw-cut")


def acknowledge(log: Log, drafts: list[Draft]) -> None:
    """Append, then say so: new or there already, they are in the log now."""
    log.append(drafts)
    for draft in drafts:
        say(f"entry {draft.key()}")


def say(line: str) -> None:
    """One line to the parent, at once."""
    os.write(sys.stdout.fileno(), f"{line}\n".encode())


if __name__ == "__main__":
    raise SystemExit(main())
