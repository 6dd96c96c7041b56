"""The demo's night: everything that its people told, read from `night.yaml` and the tables it names."""

from __future__ import annotations

from collections.abc import Iterator
from collections.abc import Mapping as Cells
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from api.errors import UsageError
from api.inputs import read_text
from api.local_time import read_time
from api.project import Place
from api.reading_words import ReadingWords, WordsError, kind_named, reading_from
from api.record_import import columns
from api.table import read_table
from models.facts import CheckAdded, DecisionKind, Outcome, ReadingAdded
from models.plan import Plan
from models.readings import FORMS, ReadingKind
from models.yaml_reader import Faults, Mapping, read_document


@dataclass(frozen=True)
class NightReading:
    """A reading as it was told."""

    fact: ReadingAdded
    at: datetime
    called: str = ""
    """A name by which a later reading takes its place."""
    corrects: str = ""
    reason: str = ""


@dataclass(frozen=True)
class NightDecision:
    """A decision as it was told."""

    kind: DecisionKind
    reason: str
    reference: str
    items: tuple[str, ...]


@dataclass(frozen=True)
class Step:
    """What one person told at one time about one stage."""

    at: datetime
    who: str
    sensor: str
    """Full name; empty for the whole project."""
    stage: str
    readings: tuple[NightReading, ...] = ()
    checks: tuple[CheckAdded, ...] = ()
    photos: tuple[str, ...] = ()
    """Names of files in the demo's folder."""
    requirement: str = ""
    decision: NightDecision | None = None
    note: str = ""

    @property
    def place(self) -> Place:
        """Sensor and stage."""
        return Place(self.sensor, self.stage)


def read_night(folder: Path, plan: Plan) -> tuple[Step, ...]:
    """The steps of `night.yaml`; the first adopts the plan.

    Raises:
        UsageError: the file is faulty; the message lists everything wrong.
    """
    faults, path = Faults(), folder / "night.yaml"
    document = read_document(read_text(str(path), "demo's night"), faults)
    groups = () if document is None else document.groups("night", required=True)
    steps = tuple(_Reader(folder, plan).step(group) for group in groups)
    if faults.found or not steps:
        raise UsageError(f"{path}: {'; '.join(str(f) for f in faults.sorted()) or 'nothing is told'}")
    return steps


@dataclass(frozen=True)
class _Reader:
    """Reads steps of the file; what is wrong is noted among the faults of the mapping."""

    folder: Path
    plan: Plan

    def step(self, group: Mapping) -> Step:
        at = self._time(group, "at") or datetime.max.replace(tzinfo=UTC)
        sensor = group.text("sensor") or ""
        step = Step(
            at,
            group.text("who", required=True) or "",
            next((full for full in self.plan.sensors() if full.endswith(f"/{sensor}")), sensor) if sensor else "",
            group.text("stage") or "",
            (*(r for g in group.groups("readings") for r in self._reading(g, at)), *self._table(group.text("import"))),
            tuple(self._check(g) for g in group.groups("checks")),
            group.texts("photos", str),
            group.text("requirement") or "",
            self._decision(group),
            group.text("note") or "",
        )
        group.text("plan")
        group.close()
        return step

    def _time(self, group: Mapping, name: str) -> datetime | None:
        return group.converted(name, self._instant)

    def _instant(self, text: str) -> datetime:
        return read_time(text, ZoneInfo(self.plan.time_zone))

    def _reading(self, group: Mapping, at: datetime) -> tuple[NightReading, ...]:
        told_at = self._time(group, "at") or at
        called, corrects, reason = (group.text(name) or "" for name in ("called", "corrects", "reason"))
        kind = group.converted("kind", kind_named, required=True)
        if kind is None:
            return ()
        cells = {name: group.text(name) or "" for name in ("station", "pass", "with", "note", *_own_names(kind))}
        group.close()
        try:
            fact = reading_from(_words(kind, cells | {"instrument": cells["with"]}), self.plan)
        except WordsError as wrong:
            group.note(None, str(wrong))
            return ()
        return (NightReading(fact, told_at, called, corrects, reason),)

    def _table(self, name: str | None) -> Iterator[NightReading]:
        """The readings of a CSV file, of the same form as for `kerfline import`."""
        for row in () if name is None else read_table(self.folder / name, columns()):
            words = _words(kind_named(row.cells["kind"]), row.cells)
            yield NightReading(reading_from(words, self.plan), self._instant(row.cells["at"]))

    def _check(self, group: Mapping) -> CheckAdded:
        answer = group.choice("answer", Outcome, required=True) or Outcome.NO
        check = CheckAdded(group.text("check", required=True) or "", answer, group.text("note") or "")
        group.close()
        return check

    def _decision(self, group: Mapping) -> NightDecision | None:
        kind = group.choice("decision", DecisionKind)
        reason, reference = group.text("reason") or "", group.text("reference") or ""
        items = group.texts("items", str)
        return None if kind is None else NightDecision(kind, reason, reference, items)


def _own_names(kind: ReadingKind) -> tuple[str, ...]:
    """Names of the numbers and words that a kind of reading has."""
    form = FORMS[kind]
    return (*(f.name for f in form.fields), *form.texts, *form.optional_texts)


def _words(kind: ReadingKind, cells: Cells[str, str]) -> ReadingWords:
    """A reading's words from named cells."""
    form = FORMS[kind]
    values = {f.name: cells[f.name] for f in form.fields if cells.get(f.name)}
    texts = {name: cells[name] for name in (*form.texts, *form.optional_texts) if cells.get(name)}
    station, number, instrument, note = (cells.get(name, "") for name in ("station", "pass", "instrument", "note"))
    return ReadingWords(kind, values, station, number, instrument, texts, note)
