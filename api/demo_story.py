"""What the demo prints of its project: what happened, how the sensors stand, and what to type to look further."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path

from api.demo_player import AFTERWARDS
from api.project import Project
from api.record_words import counted, wrapped
from models.entry import moment
from models.facts import Correction, Decision, DecisionKind, Fact, Note, PhotoMeasured, ResultComputed, fact_of
from models.measurement import Measurement, Verdict
from models.state import Severity, StageState, StageStatus
from models.units import UnitSystem
from models.wording import SIGNS, estimate_shown

FORECAST = "grind-from"
"""Code of the cure's remark that says from when grinding may start."""


def story(project: Project) -> Iterator[str]:
    """Everything of the night but what went as it should, each thing once."""
    yield "What happened, besides what went as it should:"
    told = set()
    for entry in project.entries():
        for words in _worth_telling(fact_of(entry)):
            place = f"{entry.sensor.rpartition('/')[2]} {entry.stage}"
            if (place, words) not in told:
                told.add((place, words))
                first = f"  {moment(entry.at).astimezone(project.zone):%H:%M}  {place:<17} "
                yield from wrapped(words, first, " " * len(first))


def _worth_telling(fact: Fact) -> Iterator[str]:
    match fact:
        case Correction():
            yield f"corrected: {fact.reason}"
        case Decision() if fact.decision is not DecisionKind.RELEASE or fact.reason:
            items = f" {', '.join(fact.items)}" if fact.items else ""
            reference = f"; {fact.reference}" if fact.reference else ""
            yield f"{fact.decision}{items}: {fact.reason}{reference}"
        case ResultComputed():
            yield from _failures(fact.measurements)
            yield from (f"? {p.message}" for p in fact.problems)
            yield from (r.message.partition(",")[0] for r in fact.remarks if r.code == FORECAST)
        case PhotoMeasured() if fact.usable:
            yield from _failures(fact.measurements)
        case PhotoMeasured():
            yield from (f"{SIGNS[Verdict.NONCONFORMING]} unusable photo: {p.message}" for p in fact.problems)
        case Note():
            yield f"note: {fact.text}"


def _failures(measurements: Sequence[Measurement]) -> Iterator[str]:
    """What was found nonconforming."""
    failed = (m for m in measurements if m.judgement is not None and m.judgement.verdict is Verdict.NONCONFORMING)
    for measurement in failed:
        estimate = measurement.estimate
        yield f"{SIGNS[Verdict.NONCONFORMING]} {estimate.quantity} {estimate_shown(estimate, UnitSystem.SI)}"


def state_table(project: Project) -> Iterator[str]:
    """One line a stage, one column a sensor."""
    sensors = list(project.state().sensors.values())
    cells = [[_cell(s.stage(stage.id)) for s in sensors] for stage in project.plan.stages]
    widths = [max(len(row[i]) for row in cells) for i in range(len(sensors))]
    heading = [s.sensor.rpartition("/")[2].ljust(w) for s, w in zip(sensors, widths, strict=True)]
    yield f"{'How it stands':<16}  {'  '.join(heading)}".rstrip()
    yield "-" * (18 + sum(widths) + 2 * (len(widths) - 1))
    for stage, row in zip(project.plan.stages, cells, strict=True):
        columns = [cell.ljust(w) for cell, w in zip(row, widths, strict=True)]
        yield f"{stage.id:<16}  {'  '.join(columns)}".rstrip()


def _cell(stage: StageState) -> str:
    """The status and what it comes from: `flagged: quantity:ridge_width`."""
    notes = ["after rework"] if stage.reworked else []
    if stage.waived:
        notes.append(f"{counted(len({w.item for w in stage.waived}), 'item', 'items')} waived")
    if stage.status is StageStatus.FLAGGED:
        failed = stage.having(Severity.FAILED)
        notes += sorted({f.item or f.code for f in failed or stage.having(Severity.DOUBT)})
    elif stage.status is StageStatus.INCOMPLETE:
        notes += [f"{m.item} missing" for m in stage.missing]
    if stage.blocked_by and not stage.is_done:
        notes.append(f"held by {', '.join(stage.blocked_by)}")
    return f"{stage.status}{': ' if notes else ''}{', '.join(notes)}"


def where_to_look(project: Project, folder: Path) -> Sequence[str]:
    """Commands to type."""
    last = moment(max(project.entries(), key=lambda e: e.seq).at) + AFTERWARDS
    at = f"--at '{last.astimezone(project.zone):%Y-%m-%d %H:%M}'"
    table = shlex.quote(str(folder / "readings" / "A-slot-depth.csv"))
    return (
        "To look further:",
        f"  export KERFLINE_PROJECT={shlex.quote(str(project.folder.path.resolve()))}",
        "  kerfline state                                every stage of both sensors",
        "  kerfline state --sensor B --stage saw-cut     one stage in full: results, limits, what was waived and why",
        "  kerfline flags --sensor B                     what is flagged, and why",
        "  kerfline missing --sensor B                   what must still be shown",
        "  kerfline log --sensor A                       every entry, with its number; --json for programs",
        "",
        "To go on, by the clock of that night:",
        f"  kerfline release final-checks --sensor A --as inspector-1 {at}",
        f"  kerfline rework cure-and-grind --sensor B --reason 'Grind the ridge off' --as inspector-1 {at}",
        f"  kerfline import {table} --sensor A --as crew-1     (told already: nothing is told twice)",
    )
