"""How fast entries become state, and how that grows; how soon the state of one sensor is there.

    python -m tests.benchmarks.fold

Entries are taken as they are stored: each is read from its bytes, its id worked out, folded; then the state of every
sensor is worked out. That is the time given: of the processor, so that a busy machine does not show. Beside it, the
time to add one entry to a log so long and to know the state of its sensor. Then, by the clock on the wall, the state
of one sensor in a project of 500, from an SQLite file opened anew each time: by reading that sensor's and the
project's entries alone, against reading all.
"""

from __future__ import annotations

import argparse
import gc
import resource
import statistics
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import insert

from api.database import open_database, sqlite_url, writing
from api.log import Log
from models.entry import Entry
from models.fold import Fold
from models.state import StageStatus
from models.tables import ENTRY
from tests.benchmarks.nights import ENTRIES_A_SENSOR, project, readings, sensor_names
from tests.models.log_writer import LogWriter

PROJECT = "P-1 (invented)"
CHUNK = 20_000
SENSORS = 500
GOAL_MS = 50.0


@dataclass(frozen=True)
class Folded:
    """One log, folded."""

    entries: int
    seconds: float
    released: int
    add_one_ms: float

    @property
    def per_second(self) -> float:
        """Entries a second."""
        return self.entries / self.seconds


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.fold", description=__doc__.split("\n")[0])
    parser.add_argument("--most", type=int, default=1_000_000, help="entries of the longest log (default: 1,000,000)")
    chosen = parser.parse_args(arguments)
    print_growth(chosen.most)
    print_one_sensor()
    return 0


def print_growth(most: int) -> None:
    """Logs of 1,000, 10,000 ... entries."""
    print(
        f"{'entries':>10} {'CPU s':>8} {'entries/s':>10} {'stages released':>16} "
        f"{'one more, ms':>13} {'memory, MB':>11}"
    )
    found = []
    for entries in (n for n in (1_000, 10_000, 100_000, 1_000_000) if n <= most):
        one = fold(entries)
        found.append(one)
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{entries:>10,} {one.seconds:>8.2f} {one.per_second:>10,.0f} {one.released:>16,} "
            f"{one.add_one_ms:>13.2f} {memory:>11,.0f}"
        )
    growth = found[0].per_second / found[-1].per_second
    print(f"time an entry, {found[-1].entries:,} against {found[0].entries:,}: {growth:.2f} times (1.00 is linear)\n")


def fold(entries: int) -> Folded:
    """Fold a log of so many entries; making it is not timed."""
    folded, seconds, seq = Fold(), 0.0, 0
    for stored in chunks(project(entries)):
        start = time.process_time()
        for canonical in stored:
            seq += 1
            folded.add(Entry.from_canonical(seq, canonical))
        seconds += time.process_time() - start
    start = time.process_time()
    state = folded.state()
    seconds += time.process_time() - start
    released = sum(s.status is StageStatus.RELEASED for sensor in state.sensors.values() for s in sensor.stages)
    return Folded(entries, seconds, released, add_one_ms(folded, seq))


def add_one_ms(folded: Fold, seq: int) -> float:
    """Median time [ms] to add one entry and know the state of its sensor."""
    times = []
    sensor = sensor_names(1)[0]
    for draft in readings(sensor, 21):
        seq += 1
        entry = draft.taken(seq, LogWriter.after(seq))
        start = time.process_time()
        folded.add(entry)
        folded.sensor(sensor)
        times.append(time.process_time() - start)
    return 1000 * statistics.median(times)


T = TypeVar("T")


def chunks(stored: Iterable[T]) -> Iterator[list[T]]:
    """Some at a time, so that what is made does not fill the memory."""
    rest = iter(stored)
    while some := list(islice(rest, CHUNK)):
        gc.collect()
        yield some


def print_one_sensor() -> None:
    """A project of 500 sensors in a file."""
    with tempfile.TemporaryDirectory() as folder:
        url = sqlite_url(Path(folder) / "log.db")
        entries = fill(url)
        open_and_ask(url, sensor_names(1)[0])  # imports, and the file into the system's memory
        times = [open_and_ask(url, name) for name in sensor_names(SENSORS)[::25]]
        start = time.perf_counter()
        everything = Log.open(url, PROJECT).state()
        whole_ms = 1000 * (time.perf_counter() - start)
    assert len(everything.sensors) == SENSORS
    print(
        f"project of {SENSORS} sensors, {entries:,} entries, SQLite; ms from opening the file to the state of a sensor:"
    )
    worst, median = max(times), statistics.median(times)
    print(f"  one sensor ({ENTRIES_A_SENSOR} entries): median {median:.1f}, worst {worst:.1f}   goal < {GOAL_MS:.0f}")
    print(f"  all sensors: {whole_ms:.0f}")


def fill(url: str) -> int:
    """Store a project of 500 sensors, each fully worked; past the log's checks, which are not what is measured."""
    engine = open_database(url)
    entries = 1 + SENSORS * ENTRIES_A_SENSOR
    with writing(engine) as connection, connection.begin():
        for stored in chunks(enumerate(project(entries), 1)):
            connection.execute(insert(ENTRY), [row(seq, canonical) for seq, canonical in stored])
    engine.dispose()
    return entries


def row(seq: int, canonical: bytes) -> dict[str, Any]:
    """A row of the table."""
    entry = Entry.from_canonical(seq, canonical)
    names = {name: getattr(entry, name) for name in ("seq", "id", "type", "sensor", "stage")}
    return {"project": PROJECT, "key": entry.id, "received_us": seq, "canonical": canonical, **names}


def open_and_ask(url: str, sensor: str) -> float:
    """Time [ms] to open the log anew and know the state of one sensor, all nine stages of it released."""
    start = time.perf_counter()
    log = Log.open(url, PROJECT)
    state = log.sensor(sensor)
    elapsed = time.perf_counter() - start
    log.close()
    assert {stage.status for stage in state.stages} == {StageStatus.RELEASED}
    return 1000 * elapsed


if __name__ == "__main__":
    raise SystemExit(main())
