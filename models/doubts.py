"""The flags of a stage: every reason in its current evidence for a person to look."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from datetime import timedelta

from models.facts import CheckAdded, Outcome, PhotoAdded, PhotoMeasured, ReadingAdded, ResultComputed
from models.measurement import Measurement, Problem, Verdict
from models.missing import StageView, answers, is_usable, likeness
from models.reading_doubts import implausible, instrument_fault, out_of_calibration
from models.state import Flag, Severity
from models.told import Told
from models.wording import estimate_shown

CLOCK_TOLERANCE = timedelta(minutes=2)
"""Phones set by the network are right to the second; one set by hand may be off by this much."""

_SEVERITY = {Verdict.NONCONFORMING: Severity.FAILED, Verdict.INCONCLUSIVE: Severity.DOUBT}


def doubts(view: StageView) -> Iterator[Flag]:
    """All flags that follow from the current evidence, in no order."""
    evidence = view.evidence
    for photo in evidence.photos:
        yield from _photo_flags(photo, view)
    of_readings = _reading_problems(view)
    yield from _reading_flags(of_readings, evidence.results)
    for readings in evidence.readings.values():
        for reading in readings:
            yield from _kind_flags(reading, view)
        yield from _duplicates((likeness(r), r.id) for r in readings)
    for answers_given in evidence.checks.values():
        yield from _check_flags(answers_given)
    for result in evidence.results:
        yield from _result_flags(result, view, of_readings)
    yield from _duplicates((p.fact.sha256, p.id) for p in evidence.photos)
    yield from _time_flags(view)


def _photo_flags(photo: Told[PhotoAdded], view: StageView) -> Iterator[Flag]:
    if photo.fact.also_for:
        others = ", ".join(name or "the whole project" for name in photo.fact.also_for)
        text = f"{photo.fact.name}: the same photo was shown for {others} before; take one of this sensor"
        yield Flag("photo-reused", "", text, (photo.id,), Severity.DOUBT)
    measured = view.evidence.measured.get(photo.id)
    if measured is None:
        return
    if not measured.fact.usable:
        yield _unusable(photo, measured, view)
        return
    yield from _verdict_flags(measured.id, measured.fact.measurements, view)
    yield from _plan_flags(measured, view)
    for problem in measured.fact.problems:
        yield _problem_flag(problem, Severity.INFO, measured.id)


def _unusable(photo: Told[PhotoAdded], measured: Told[PhotoMeasured], view: StageView) -> Flag:
    """A photo that shows nothing, and whether another one stands in its place."""
    required = next((r for r in view.stage.photos if answers(photo.fact, r)), None)
    reasons = "; ".join(p.message for p in measured.fact.problems) or "no reason given"
    if required is not None and any(
        answers(p.fact, required) and is_usable(p, required, view.evidence) for p in view.evidence.photos
    ):
        return Flag(
            "unusable-replaced",
            "",
            f"{photo.fact.name} is unusable, another photo stands for it",
            (photo.id,),
            Severity.INFO,
        )
    item = required.id if required else f"photo:{photo.fact.kind}"
    return Flag("unusable", item, f"{photo.fact.name}: {reasons}", (photo.id,), Severity.FAILED)


def _verdict_flags(entry: str, measurements: Iterable[Measurement], view: StageView) -> Iterator[Flag]:
    for measurement in measurements:
        judgement, estimate = measurement.judgement, measurement.estimate
        if judgement is None or judgement.verdict is Verdict.CONFORMING:
            continue
        item, text = f"quantity:{estimate.quantity}", estimate_shown(estimate, view.plan.plan.units)
        text = f"{estimate.quantity} {text}: {judgement.verdict}"
        yield Flag(judgement.verdict.value, item, text, (entry,), _SEVERITY[judgement.verdict])


def _plan_flags(result: Told[PhotoMeasured] | Told[ResultComputed], view: StageView) -> Iterator[Flag]:
    judged_by = result.fact.plan_version
    if judged_by != view.plan.version:
        text = f"judged by plan {judged_by}; plan {view.plan.version} holds now: work it out again"
        yield Flag("older-plan", "", text, (result.id,), Severity.DOUBT)


def _problem_flag(problem: Problem, severity: Severity, entry: str, item: str = "") -> Flag:
    return Flag(problem.code, item, problem.message, (entry,), severity)


def _result_flags(
    result: Told[ResultComputed], view: StageView, of_readings: Mapping[Problem, list[str]]
) -> Iterator[Flag]:
    fact = result.fact
    yield from _verdict_flags(result.id, fact.measurements, view)
    yield from _plan_flags(result, view)
    # Without a value nothing was shown; with one the problem is a doubt about it, told with the reading's where it is
    # that of a reading.
    severity = Severity.DOUBT if fact.measurements else Severity.FAILED
    for problem in fact.problems:
        if severity is Severity.DOUBT and problem in of_readings:
            continue
        yield _problem_flag(problem, severity, result.id, f"result:{fact.computation}")
    for remark in fact.remarks:
        yield _problem_flag(remark, Severity.INFO, result.id)


def _check_flags(answers_given: list[Told[CheckAdded]]) -> Iterator[Flag]:
    """The last answer counts; that an earlier one was no is good to know."""
    *earlier, last = answers_given
    fact = last.fact
    remark = f": {fact.note}" if fact.note else ""
    if fact.outcome is Outcome.NO:
        yield Flag("check-no", fact.check, f"{fact.check} was answered no{remark}", (last.id,), Severity.FAILED)
        return
    if fact.outcome is Outcome.NOT_APPLICABLE:
        text = f"{fact.check} was answered not applicable{remark}"
        yield Flag("check-not-applicable", fact.check, text, (last.id,), Severity.DOUBT)
    if noes := sorted(a.id for a in earlier if a.fact.outcome is Outcome.NO):
        yield Flag("check-was-no", "", f"{fact.check} was answered no before", tuple(noes), Severity.INFO)


def _reading_problems(view: StageView) -> Mapping[Problem, list[str]]:
    """What is wrong with readings by themselves, and the ids of their entries."""
    found: defaultdict[Problem, list[str]] = defaultdict(list)
    for readings in view.evidence.readings.values():
        for reading in readings:
            for problem in dict.fromkeys(_wrong_with(reading, view)):
                found[problem].append(reading.id)
    return found


def _wrong_with(told: Told[ReadingAdded], view: StageView) -> Iterator[Problem]:
    reading, plan = told.fact.reading(told.id, told.at), view.plan.plan
    instrument = view.plan.instruments.get(reading.instrument or "")
    for form in reading.form.fields:
        value = reading.value(form.name)
        if value is None:
            continue
        if problem := implausible(plan, reading, form, value):
            yield problem
        if plan.instruments and (problem := instrument_fault(plan, reading, form, instrument)):
            yield problem
    if instrument is not None and (problem := out_of_calibration(plan, reading, instrument)):
        yield problem


def _reading_flags(of_readings: Mapping[Problem, list[str]], results: Iterable[Told[ResultComputed]]) -> Iterator[Flag]:
    """One flag for each cause: it names the results that carry it too; a result that failed of it has its own flag."""
    results = list(results)
    for problem, readings in of_readings.items():
        carrying = [r for r in results if problem in r.fact.problems]
        if all(r.fact.measurements for r in carrying):
            entries = tuple(sorted((*readings, *(r.id for r in carrying))))
            yield Flag(problem.code, "", problem.message, entries, Severity.DOUBT)


def _kind_flags(reading: Told[ReadingAdded], view: StageView) -> Iterator[Flag]:
    """An instrument of the plan that is not among those that it asks for here."""
    instrument = view.plan.instruments.get(reading.fact.instrument or "")
    if instrument is None:
        return
    required = [r for r in view.stage.readings if r.kind == reading.fact.kind]
    by_kind = [k for r in required for k in r.instrument_kinds]
    by_id = [i for r in required for i in r.instruments]
    if (by_kind and instrument.kind not in by_kind) or (by_id and instrument.id not in by_id):
        text = f"{reading.fact.kind} was read with {instrument.id}; allowed: {', '.join([*by_id, *by_kind])}"
        yield Flag("instrument-not-allowed", "", text, (reading.id,), Severity.DOUBT)


def _time_flags(view: StageView) -> Iterator[Flag]:
    for one in view.evidence.shown():
        if one.at > one.received + CLOCK_TOLERANCE:
            text = f"dated {one.at.isoformat()}, but it came at {one.received.isoformat()}"
            yield Flag("date-in-future", "", text, (one.id,), Severity.DOUBT)
    yield from _held_flags(view)


def _held_flags(view: StageView) -> Iterator[Flag]:
    """One flag for all that came while the same hold points held."""
    groups: defaultdict[tuple[str, ...], list[str]] = defaultdict(list)
    for one in view.evidence.shown():
        if one.id in view.held:
            groups[view.held[one.id]].append(one.id)
    for hold_points, entries in groups.items():
        count = f"{len(entries)} entries " if len(entries) > 1 else ""
        text = f"{count}came while not released: {', '.join(hold_points)}"
        yield Flag("hold-point", "", text, tuple(sorted(entries)), Severity.DOUBT)


def _duplicates(things: Iterable[tuple[object, str]]) -> Iterator[Flag]:
    """A flag for each group of entries that tell the same; ``things`` are what they tell, and their ids."""
    groups: defaultdict[object, list[str]] = defaultdict(list)
    for likeness_of_it, entry in things:
        groups[likeness_of_it].append(entry)
    for entries in groups.values():
        if len(entries) > 1:
            text = "the same photo or reading was told more than once; withdraw all but one"
            yield Flag("duplicate", "", text, tuple(sorted(entries)), Severity.DOUBT)
