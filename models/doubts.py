"""The flags of a stage: every reason in its current evidence for a person to look."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import date, timedelta

from models.facts import CheckAdded, Outcome, PhotoAdded, PhotoMeasured, ReadingAdded, ResultComputed
from models.instruments import Instrument
from models.measurement import Measurement, Problem, Verdict
from models.missing import StageView, answers, is_usable, likeness
from models.readings import FORMS
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
    for readings in evidence.readings.values():
        for reading in readings:
            yield from _reading_flags(reading, view)
        yield from _duplicates((likeness(r), r.id) for r in readings)
    for answers_given in evidence.checks.values():
        yield from _check_flags(answers_given)
    for result in evidence.results:
        yield from _result_flags(result, view)
    yield from _duplicates((p.fact.sha256, p.id) for p in evidence.photos)
    yield from _time_flags(view)


def _photo_flags(photo: Told[PhotoAdded], view: StageView) -> Iterator[Flag]:
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


def _result_flags(result: Told[ResultComputed], view: StageView) -> Iterator[Flag]:
    fact = result.fact
    yield from _verdict_flags(result.id, fact.measurements, view)
    yield from _plan_flags(result, view)
    # Without a value nothing was shown; with one the problem is a doubt about it.
    severity = Severity.DOUBT if fact.measurements else Severity.FAILED
    for problem in fact.problems:
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


def _reading_flags(reading: Told[ReadingAdded], view: StageView) -> Iterator[Flag]:
    fact = reading.fact
    for name, written in fact.values:
        form = FORMS[fact.kind].field(name)
        if form is not None and not form.lowest <= written.value <= form.highest:
            text = (
                f"{fact.kind} {written.written} = {written.value:g} {written.unit} is no likely reading "
                f"({form.lowest:g} to {form.highest:g}); check unit and digits"
            )
            yield Flag("implausible", "", text, (reading.id,), Severity.DOUBT)
    for code, text in _instrument_doubts(reading, view):
        yield Flag(code, "", text, (reading.id,), Severity.DOUBT)


def _instrument_doubts(reading: Told[ReadingAdded], view: StageView) -> Iterator[tuple[str, str]]:
    fact, instruments = reading.fact, view.plan.instruments
    if FORMS[fact.kind].is_event or not instruments:
        return
    if fact.instrument is None:
        yield "no-instrument", f"{fact.kind}: with which instrument it was read is not told"
    elif fact.instrument not in instruments:
        yield "unknown-instrument", f"{fact.kind}: the plan has no instrument {fact.instrument!r}"
    else:
        yield from _known_instrument_doubts(reading, instruments[fact.instrument], view)


def _known_instrument_doubts(
    reading: Told[ReadingAdded], instrument: Instrument, view: StageView
) -> Iterator[tuple[str, str]]:
    required = [r for r in view.stage.readings if r.kind == reading.fact.kind]
    by_kind = [k for r in required for k in r.instrument_kinds]
    by_id = [i for r in required for i in r.instruments]
    if (by_kind and instrument.kind not in by_kind) or (by_id and instrument.id not in by_id):
        allowed = ", ".join([*by_id, *by_kind])
        yield "instrument-not-allowed", f"{reading.fact.kind} was read with {instrument.id}; allowed: {allowed}"
    day = reading.at.astimezone(view.plan.zone).date()
    if not _in_calibration(instrument, day):
        span = f"{instrument.calibrated or '…'} to {instrument.calibration_valid_until or '…'}"
        yield "out-of-calibration", f"{instrument.id} was out of calibration on {day} (valid {span})"


def _in_calibration(instrument: Instrument, day: date) -> bool:
    start, end = instrument.calibrated or date.min, instrument.calibration_valid_until or date.max
    return start <= day <= end


def _time_flags(view: StageView) -> Iterator[Flag]:
    for one in view.evidence.shown():
        if one.at > one.received + CLOCK_TOLERANCE:
            text = f"dated {one.at.isoformat()}, but it came at {one.received.isoformat()}"
            yield Flag("date-in-future", "", text, (one.id,), Severity.DOUBT)
        if one.id in view.held:
            text = f"came while not released: {', '.join(view.held[one.id])}"
            yield Flag("hold-point", "", text, (one.id,), Severity.DOUBT)


def _duplicates(things: Iterable[tuple[object, str]]) -> Iterator[Flag]:
    """A flag for each group of entries that tell the same; ``things`` are what they tell, and their ids."""
    groups: defaultdict[object, list[str]] = defaultdict(list)
    for likeness_of_it, entry in things:
        groups[likeness_of_it].append(entry)
    for entries in groups.values():
        if len(entries) > 1:
            text = "the same photo or reading was told more than once; withdraw all but one"
            yield Flag("duplicate", "", text, tuple(sorted(entries)), Severity.DOUBT)
