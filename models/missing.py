"""What a stage still lacks: what the plan requires of it and no current evidence gives."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

from models.facts import PhotoAdded, ReadingAdded
from models.plan import Sensor
from models.plan_in_force import PlanInForce
from models.plan_stages import RequiredPhoto, RequiredReading, StagePlan
from models.readings import ReadingKind
from models.state import Missing
from models.told import Evidence, Told

WITHOUT_OWN_RESULT = frozenset(
    {ReadingKind.CLOSURE_START, ReadingKind.CLOSURE_END, ReadingKind.GROUT_TEMPERATURE, ReadingKind.LANE_OPEN}
)
"""Kinds that show something by themselves, or of which a computation picks those it can use.

Every reading of any other kind must stand among the sources of a result before its stage is whole.
"""


@dataclass(frozen=True, eq=False)
class StageView:
    """A stage with its evidence, as it is looked at."""

    plan: PlanInForce
    stage: StagePlan
    sensor: Sensor | None
    """None where the project as a whole is meant."""
    evidence: Evidence
    other_evidence: Callable[[str], Evidence]
    """The current evidence of another stage of the sensor, by its id."""
    worked_out: Callable[[str], bool]
    """Whether a current result was worked out from the entry of this id."""
    held: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """For entries that came too early: the hold points that still held."""


def missing(view: StageView) -> Iterator[Missing]:
    """Everything missing, in the order of the plan; then what is not worked out."""
    for photo in view.stage.photos:
        yield from _missing_photos(photo, view.evidence)
    for reading in view.stage.readings:
        yield from _missing_readings(reading, view)
    for check in view.stage.checks:
        if check.id not in view.evidence.checks:
            yield Missing(check.id, f"not answered: {check.text}")
    yield from _not_worked_out(view)
    yield from _outdated(view)


def answers(photo: PhotoAdded, required: RequiredPhoto) -> bool:
    """Whether a photo is meant for this requirement: by its id, or, where it names none, by what is measured in it."""
    if photo.requirement is not None:
        return photo.requirement == required.id and photo.kind == (required.kind or photo.kind)
    return required.kind is not None and photo.kind == required.kind


def is_usable(photo: Told[PhotoAdded], required: RequiredPhoto, evidence: Evidence) -> bool:
    """Whether it was measured and found usable; a photo that is only looked at is taken as it is."""
    if required.kind is None:
        return True
    measured = evidence.measured.get(photo.id)
    return measured is not None and measured.fact.usable


def _missing_photos(required: RequiredPhoto, evidence: Evidence) -> Iterator[Missing]:
    meant = [p for p in evidence.photos if answers(p.fact, required)]
    # One picture sent twice shows one thing.
    have = len({p.fact.sha256 for p in meant if is_usable(p, required, evidence)})
    if have >= required.count:
        return
    waiting = sum(1 for p in meant if required.kind is not None and p.id not in evidence.measured)
    what = f"{required.kind} photo" if required.kind else "photo"
    text = f"{what}: {have} of {required.count}" + (f", {waiting} not measured yet" if waiting else "")
    yield Missing(required.id, f"{text}; {required.text}" if required.text else text)


def _missing_readings(required: RequiredReading, view: StageView) -> Iterator[Missing]:
    readings = view.evidence.standing_readings(ReadingKind(required.kind))
    have = len({likeness(r) for r in readings})
    if have < required.count:
        text = f"{required.kind} readings: {have} of {required.count}"
        yield Missing(required.id, f"{text}; {required.text}" if required.text else text)
    elif gap := _widest_gap(readings, required, view.sensor):
        start, end = gap
        yield Missing(
            required.id,
            f"{required.kind} readings: none between {start:g} and {end:g} mm; "
            f"stations at most {required.spacing_mm:g} mm apart are required",
        )


def likeness(reading: Told[ReadingAdded]) -> tuple[object, ...]:
    """What two readings have alike that are one reading told twice.

    A gauge shows the same number at one station again, a tape at another corner: only where station, pass and number
    are the same, or where the moment is, is it the same reading.
    """
    fact = reading.fact
    where = (fact.kind, fact.values, fact.texts, fact.instrument, fact.station_mm, fact.pass_number)
    return where if fact.station_mm is not None else (*where, reading.at)


def _widest_gap(
    readings: list[Told[ReadingAdded]], required: RequiredReading, sensor: Sensor | None
) -> tuple[float, float] | None:
    """The widest span without a reading, where it is wider than required; between the sensor's ends."""
    if required.spacing_mm is None:
        return None
    stations = sorted(r.fact.station_mm for r in readings if r.fact.station_mm is not None)
    if sensor is not None and sensor.length_mm is not None:
        stations = [0.0, *(s for s in stations if 0.0 < s < sensor.length_mm), sensor.length_mm]
    start, end = max(pairwise(stations), key=lambda span: span[1] - span[0], default=(0.0, 0.0))
    # A hair of tolerance: 300 mm written in inches is not 300 mm to the last bit.
    return (start, end) if end - start > required.spacing_mm * (1 + 1e-9) else None


def _not_worked_out(view: StageView) -> Iterator[Missing]:
    """Readings that no computation has taken in are not judged, and so show nothing yet."""
    for kind in sorted(set(view.evidence.readings) - WITHOUT_OWN_RESULT):
        waiting = sum(1 for r in view.evidence.standing_readings(kind) if not view.worked_out(r.id))
        if waiting:
            yield Missing(f"result:{kind}", f"{kind} readings not worked out yet: {waiting}")


def _outdated(view: StageView) -> Iterator[Missing]:
    """Results that newer readings of the kinds they rest on came after."""
    for result in view.evidence.results:
        sources = set(result.fact.sources)
        newer = sum(1 for r in _of_its_kinds(sources, view) if r.order > result.order)
        if newer:
            name = result.fact.computation
            yield Missing(f"result:{name}", f"{name} must be worked out again: {newer} newer readings")


def _of_its_kinds(sources: set[str], view: StageView) -> Iterator[Told[ReadingAdded]]:
    """All standing readings of the stages and kinds that a result rests on."""
    for stage in view.plan.stages:
        evidence = view.other_evidence(stage)
        for kind, readings in evidence.readings.items():
            if any(r.id in sources for r in readings):
                yield from evidence.standing_readings(kind)
