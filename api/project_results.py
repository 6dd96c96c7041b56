"""Working out readings: which results a sensor needs now, as drafts; what has not changed is not told again."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from api.people import Person, in_whose_name
from api.record import Place, Record
from models.entry import Draft, Entry
from models.facts import ReadingAdded, ResultComputed
from models.fold import Fold
from models.plan import Plan
from models.readings import Reading
from models.state import StageState
from models.told import Evidence, Told
from models.version import VERSION
from verifier.stages import ComputedResult, evaluate


@dataclass(frozen=True)
class NewResult:
    """A result that the log does not have yet."""

    stage: str
    fact: ResultComputed
    authors: tuple[str, ...]
    """Of what it rests on (of the stage's evidence, where that is the plan alone), the newest first."""


@dataclass(frozen=True, eq=False)
class SensorView:
    """What working out takes from the fold: all stages of one sensor at one instant."""

    plan: Plan
    plan_entry: str
    """Id of the entry that put the plan in force."""
    sensor: str
    stages: Mapping[str, StageState]
    evidence: Mapping[str, Evidence]
    before: Mapping[str, tuple[str, ...]]

    @staticmethod
    def of(fold: Fold, sensor: str) -> SensorView | None:
        """The view of a sensor; None before the first plan."""
        plan, adopted = fold.in_force, fold.plan_entry
        if plan is None or adopted is None:
            return None
        stages = {name: fold.stage(sensor, name) for name in plan.stages}
        evidence = {name: fold.evidence(sensor, name) for name in plan.stages}
        return SensorView(plan.plan, adopted.id, sensor, stages, evidence, plan.before)


def new_results(view: SensorView, stages: Iterable[str]) -> Iterator[NewResult]:
    """Results of these stages that differ from the current ones, or that newer readings have made old.

    A stage that is released or waived stays as it was decided on.
    """
    for stage in stages:
        if view.stages[stage].is_done:
            continue
        readings = _readings([view.evidence[stage]])
        earlier = _readings(view.evidence[name] for name in view.before[stage])
        found = evaluate(view.plan, view.sensor, stage, [r for r, _ in readings], [r for r, _ in earlier])
        told = {t.id: t for _, t in (*readings, *earlier)}
        for result in found.results:
            fact = _fact(result, view)
            if not _is_told(fact, view, stage, told.values()):
                yield NewResult(stage, fact, _authors(fact, told) or _showed(view.evidence[stage]))


def _readings(evidence: Iterable[Evidence]) -> list[tuple[Reading, Told[ReadingAdded]]]:
    told = [r for one in evidence for readings in one.readings.values() for r in readings]
    return [(t.fact.reading(t.id, t.at), t) for t in told]


def _fact(result: ComputedResult, view: SensorView) -> ResultComputed:
    """The result as the log keeps it; what rests on the plan alone names the entry of the plan."""
    return ResultComputed(
        result.computation,
        result.inputs or (view.plan_entry,),
        VERSION,
        view.plan.version,
        result.measurements,
        result.problems,
        result.remarks,
        None if result.not_before is None else result.not_before.isoformat(),
    )


def _is_told(fact: ResultComputed, view: SensorView, stage: str, readings: Iterable[Told[ReadingAdded]]) -> bool:
    """Whether the current result says the same and has seen all readings there are."""
    current = [r for r in view.evidence[stage].results if r.fact.computation == fact.computation]
    if not current or not _same(current[0].fact, fact):
        return False
    outdated = any(m.item == f"result:{fact.computation}" for m in view.stages[stage].missing)
    return not (outdated and any(r.order > current[0].order for r in readings))


def _same(one: ResultComputed, other: ResultComputed) -> bool:
    """Whether two results say the same, whichever version of the program worked them out."""
    first, second = (_as_kept(fact) | {"software": ""} for fact in (one, other))
    return first == second


def _as_kept(fact: ResultComputed) -> dict[str, Any]:
    """Through the log's form and back, which rounds; a rounded budget gives a sum with other last digits."""
    return ResultComputed.from_json(fact.to_json()).to_json()


def _authors(fact: ResultComputed, told: Mapping[str, Told[ReadingAdded]]) -> tuple[str, ...]:
    sources = [told[s] for s in fact.sources if s in told]
    newest_first = sorted(sources, key=lambda t: t.order, reverse=True)
    return tuple(dict.fromkeys(t.author for t in newest_first))


def _showed(evidence: Evidence) -> tuple[str, ...]:
    newest_first = sorted(evidence.shown(), key=lambda t: t.order, reverse=True)
    return tuple(dict.fromkeys(t.author for t in newest_first))


def work_out(
    record: Record, sensors: Iterable[str], who: Person, touched: Collection[str] | None = None
) -> tuple[Entry, ...]:
    """Tell the results that the readings of these sensors call for now, sensor by sensor.

    ``touched`` are the stages of which something was told: they and those after them are worked out; None: all.
    """
    entries: list[Entry] = []
    for sensor in sensors:
        view = record.ask([sensor], partial(SensorView.of, sensor=sensor))
        if view is not None:
            stages = [s for s in view.stages if touched is None or {s, *view.before[s]} & set(touched)]
            entries += record.append([_draft(record, view, new, who) for new in new_results(view, stages)])
    return tuple(entries)


def _draft(record: Record, view: SensorView, new: NewResult, who: Person) -> Draft:
    author = in_whose_name(view.plan, new.authors, who)
    return record.draft(new.fact, Place(view.sensor, new.stage), author, record.time(None))
