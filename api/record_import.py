"""``kerfline import``: many readings from a table; all of it or none, unless the good rows alone are asked for."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from api.errors import EXIT_OK, EXIT_REFUSED, UsageError
from api.local_time import read_time
from api.people import Person
from api.project import Place, Project
from api.reading_words import UNNAMED, ReadingWords, WordsError, kind_named, reading_from
from api.record import file_name
from api.record_place import person_of, stage_named, stage_of, time_of
from api.record_words import counted
from api.table import Row, read_table
from models.entry import Draft
from models.facts import Note, ReadingAdded, draft_of
from models.permissions import Action
from models.readings import FORMS

PLAIN = ("sensor", "stage", "kind", "at", "value", "station", "pass", "instrument", "note")
"""Columns that any reading may have; the others are named after the fields and words of the kinds."""


def columns() -> tuple[str, ...]:
    """All columns that a table may have."""
    fields = [f.name for form in FORMS.values() for f in form.fields]
    texts = [name for form in FORMS.values() for name in (*form.texts, *form.optional_texts)]
    return tuple(dict.fromkeys((*PLAIN, *fields, *texts)))


@dataclass(frozen=True)
class Told:
    """A good row."""

    line: int
    draft: Draft


@dataclass(frozen=True)
class Fault:
    """What is wrong with a row, and what to write instead."""

    line: int
    text: str


@dataclass(frozen=True)
class Defaults:
    """What holds for rows that do not say it themselves."""

    options: argparse.Namespace
    project: Project
    who: Person
    at: datetime | None


def run_import(options: argparse.Namespace, project: Project) -> int:
    """Read the table, say everything that is wrong, tell the record the rest."""
    rows = read_table(Path(options.table), columns())
    who = person_of(options, project.plan, Action.ADD_EVIDENCE)
    defaults = Defaults(options, project, who, time_of(options, project))
    told, faults = _read_rows(rows, defaults)
    told, refused = _allowed(told, project)
    faults = sorted([*faults, *refused], key=lambda fault: fault.line)
    if faults and not options.good_rows:
        raise UsageError(_all_faults(options.table, faults, "nothing was stored; mend them, or give --good-rows"))
    _store(options, project, who, told)
    if faults:
        print(f"kerfline: {_all_faults(options.table, faults, 'these rows were left out')}", file=sys.stderr)
    return EXIT_REFUSED if faults else EXIT_OK


def _store(options: argparse.Namespace, project: Project, who: Person, told: Sequence[Told]) -> None:
    if not told:
        print(f"{options.table}: no reading in it")
        return
    name = project.originals.put(Path(options.table))
    drafts = [one.draft for one in told]
    # Told at the time of its last reading, so that it is the same note when the file is imported again.
    note = Note(f"imported {file_name(options.table)}: {counted(len(drafts), 'reading', 'readings')}")
    last = max(drafts, key=lambda d: datetime.fromisoformat(d.at)).at
    noted = draft_of(note, who.id, who.role, last, replaces=(name,))
    added = project.add_drafts([*drafts, noted], who)
    new = sum(1 for e in added.entries if e.type == "reading-added")
    results = sum(1 for e in added.entries if e.type == "result-computed")
    came, known = counted(new, "reading", "readings"), counted(len(drafts) - new, "was", "were")
    print(f"{options.table}: {came} told, {known} there already, {counted(results, 'result', 'results')} worked out")


def _all_faults(path: str, faults: Sequence[Fault], end: str) -> str:
    lines = "\n".join(f"  line {fault.line}: {fault.text}" for fault in faults)
    count = len({fault.line for fault in faults})
    return f"{path}: {count} {'row is' if count == 1 else 'rows are'} wrong:\n{lines}\n  {end}"


def _read_rows(rows: Sequence[Row], defaults: Defaults) -> tuple[list[Told], list[Fault]]:
    told: list[Told] = []
    faults: list[Fault] = []
    first: dict[str, int] = {}
    for row in rows:
        try:
            draft = _draft(row, defaults)
        except (WordsError, UsageError, ValueError) as wrong:
            faults += [Fault(row.line, text) for text in getattr(wrong, "faults", (str(wrong),))]
            continue
        if (line := first.setdefault(draft.key(), row.line)) != row.line:
            faults.append(Fault(row.line, f"says the same as line {line}; strike it, or tell its own time"))
            continue
        told.append(Told(row.line, draft))
    return told, faults


def _draft(row: Row, defaults: Defaults) -> Draft:
    project, who = defaults.project, defaults.who
    plan, fields = project.plan, {f.name for form in FORMS.values() for f in form.fields} - {"value"}
    cells = {name: text for name, text in row.cells.items() if text}
    texts = {n: t for n, t in cells.items() if n not in PLAIN and n not in fields}
    values = {n: t for n, t in cells.items() if n in fields} | ({UNNAMED: cells["value"]} if "value" in cells else {})
    kind = kind_named(cells.get("kind", ""))
    number = cells.get("pass", "").removesuffix(".0")
    words = ReadingWords(kind, values, cells.get("station", ""), number, cells.get("instrument", ""), texts,
                         cells.get("note", ""))  # fmt: skip
    place = _place(cells, kind, defaults)
    return _told(reading_from(words, plan), place, who, _at(cells, defaults))


def _told(reading: ReadingAdded, place: Place, who: Person, at: datetime) -> Draft:
    return draft_of(reading, who.id, who.role, at.isoformat(), sensor=place.sensor, stage=place.stage)


def _place(cells: dict[str, str], kind: str, defaults: Defaults) -> Place:
    project, options = defaults.project, defaults.options
    names = project.sensor_names(cells.get("sensor") or options.sensor or "")
    if len(names) != 1:
        raise ValueError(f"sensor: say which; the plan has: {', '.join(names) or 'none'}")
    if "stage" in cells:
        return Place(names[0], stage_named(project.plan, cells["stage"]))
    stage = stage_of(options, project.plan, f"{kind} reading", lambda s: any(r.kind == kind for r in s.readings))
    return Place(names[0], stage)


def _at(cells: dict[str, str], defaults: Defaults) -> datetime:
    """The row's own time, else that of the command line; never the time of the import, which is another each time."""
    if "at" in cells:
        try:
            return read_time(cells["at"], defaults.project.zone)
        except ValueError as wrong:
            raise ValueError(f"at: {wrong}") from None
    if defaults.at is None:
        raise ValueError("at: say when it was read, here or for all rows by --at")
    return defaults.at


def _allowed(told: list[Told], project: Project) -> tuple[list[Told], list[Fault]]:
    """Rows that the record may take, and why it may not take the others."""
    faults = [Fault(one.line, reason) for one in told if (reason := project.refusal(one.draft))]
    lines = {fault.line for fault in faults}
    return [one for one in told if one.line not in lines], faults
