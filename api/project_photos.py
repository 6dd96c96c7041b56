"""Photos on their way into the record: looked at, kept, told, measured; each step stands when the next begins."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from api.batch import PRELOAD, default_jobs, results
from api.errors import StoreError
from api.isolation import Lost, run_isolated
from api.originals import Originals
from api.people import Person, in_whose_name
from api.project_plan import cameras_of
from api.record import Place, Record, kept
from api.tasks import Looked, PhotoTask
from models.camera import CameraCalibration
from models.entry import Entry
from models.facts import PhotoAdded, PhotoMeasured
from models.fold import Fold
from models.measurement import Estimate, PhotoKind, PhotoResult, Problem, Quantity
from models.plan import Plan, Sensor
from models.told import Evidence, Told
from models.version import VERSION
from verifier.settings import Settings

LOOK_DEADLINE_S = 60.0
UNREADABLE = "photo-unreadable"
"""Code of the problem that a file could not be read at all (`api.work.read_photo`)."""

Measure = Callable[[Sequence[PhotoTask]], Iterable[PhotoResult]]
"""How photos are measured: results in the order of the tasks, each as soon as it is ready."""

Look = Callable[[Sequence[Path]], list[Looked]]
"""How files are looked at before they are taken: what was found, in the order of the files."""


OnResult = Callable[[PhotoAdded, PhotoResult], None]


@dataclass(frozen=True)
class Pending:
    """A photo of the record that is to be measured."""

    stage: str
    entry: str
    author: str
    photo: PhotoAdded


def measure_in_workers(tasks: Sequence[PhotoTask]) -> Iterable[PhotoResult]:
    """The usual way: in processes of their own, one a core."""
    return results(list(tasks), default_jobs(len(tasks)))


def look_at_files(paths: Sequence[Path]) -> list[Looked]:
    """Whether each file is a photo; decoders are not trusted with the bytes in this process."""
    names = [str(path) for path in paths]
    if not names:
        return []
    jobs = default_jobs(len(names))
    found = run_isolated("api.work_look:look_at", names, jobs=jobs, deadline_s=LOOK_DEADLINE_S, preload=PRELOAD)
    return [_lost(n, one) if isinstance(one, Lost) else one for n, one in zip(names, found, strict=True)]


def _lost(path: str, lost: Lost) -> Looked:
    words = f"Reading {path} {lost.value}: the file is damaged or hostile; take the photo again."
    return Looked(path, "", {}, Problem("photo-damaged", words))


def pending_in(stage: str, evidence: Evidence, plan_version: str) -> list[Pending]:
    """Photos of a stage that were never measured, or judged by another plan; surfaces last: they need the slot."""
    waiting = [p for p in evidence.photos if p.fact.kind is not None and not _is_measured(p, evidence, plan_version)]
    return [Pending(stage, p.id, p.author, p.fact) for p in sorted(waiting, key=_is_surface)]


def _is_measured(photo: Told[PhotoAdded], evidence: Evidence, plan_version: str) -> bool:
    measured = evidence.measured.get(photo.id)
    return measured is not None and measured.fact.plan_version == plan_version


def _is_surface(photo: Told[PhotoAdded]) -> bool:
    return photo.fact.kind is PhotoKind.SURFACE


def settings_for(
    plan: Plan, sensor: Sensor, cameras: tuple[CameraCalibration, ...], measured_slot: Estimate | None
) -> Settings:
    """What is known besides the photo."""
    return Settings(
        tolerances=plan.tolerances,
        rule=plan.rule,
        bars=plan.bars,
        cameras=cameras,
        sensor_width_mm=sensor.width_mm,
        slot_width_mm=sensor.slot_width_mm,
        measured_slot=measured_slot,
    )


def best_slot(evidence: Iterable[Evidence]) -> Estimate | None:
    """The surest slot width that photos of the sensor gave."""
    widths = [
        m.estimate
        for one in evidence
        for measured in one.measured.values()
        for m in measured.fact.measurements
        if m.estimate.quantity is Quantity.SLOT_WIDTH
    ]
    return min(widths, key=lambda width: width.standard_uncertainty, default=None)


def task_for(pending: Pending, originals: Originals, settings: Settings) -> PhotoTask:
    """What a worker is asked to do; it reads the original itself.

    Raises:
        MissingOriginalError: the original is lost.
    """
    assert pending.photo.kind is not None
    return PhotoTask(str(originals.path(pending.photo.sha256)), pending.photo.kind, settings)


def measured_fact(pending: Pending, result: PhotoResult, plan_version: str) -> PhotoMeasured:
    """The result as the log keeps it; it calls the photo by its own name, not by that of the original's file."""
    problems = tuple(
        Problem(p.code, p.message.replace(result.photo, pending.photo.name) if result.photo else p.message)
        for p in result.problems
    )
    return PhotoMeasured(pending.entry, VERSION, plan_version, result.usable, result.measurements, problems)


@dataclass(frozen=True, eq=False)
class Photos:
    """The photos of a record: kept, and measured where they wait for it."""

    record: Record
    measure: Measure

    def keep(self, looked: Looked) -> Problem | None:
        """Put the file among the originals; a problem where it is no longer what was looked at."""
        if kept(lambda: self.record.originals.put(Path(looked.path))) == looked.sha256:
            return None
        return Problem("photo-changed", f"{looked.path} changed while it was read: add it again.")

    def measure_pending(
        self, sensor: str, who: Person, on_result: OnResult | None = None, stages: Sequence[str] | None = None
    ) -> Iterator[Entry]:
        """Measure what waits (in these stages, or all); each result is in the log as soon as it is there."""
        waiting = self._pending(sensor, stages)
        first = [p for p in waiting if p.photo.kind is not PhotoKind.SURFACE]
        last = [p for p in waiting if p.photo.kind is PhotoKind.SURFACE]
        for group in (first, last):
            if group:
                yield from self._measure(sensor, group, who, on_result)

    def _pending(self, sensor: str, stages: Sequence[str] | None) -> list[Pending]:
        def waiting(fold: Fold) -> list[Pending]:
            assert fold.in_force is not None
            names = [n for n in fold.in_force.stages if stages is None or n in stages]
            undecided = [n for n in names if not fold.stage(sensor, n).is_done]
            return [p for n in undecided for p in pending_in(n, fold.evidence(sensor, n), fold.in_force.version)]

        return self.record.ask([sensor], waiting)

    def _measure(
        self, sensor: str, waiting: Sequence[Pending], who: Person, on_result: OnResult | None
    ) -> Iterator[Entry]:
        plan, settings = self.record.plan, self._settings(sensor)
        tasks = kept(lambda: [task_for(p, self.record.originals, settings) for p in waiting])
        for pending, result in zip(waiting, self.measure(tasks), strict=True):
            _demand_original(pending, result)
            fact = measured_fact(pending, result, plan.version)
            author = in_whose_name(plan, [pending.author], who)
            place = Place(sensor, pending.stage)
            yield from self.record.append([self.record.draft(fact, place, author, self.record.time(None))])
            if on_result is not None:
                on_result(pending.photo, result)

    def _settings(self, sensor: str) -> Settings:
        plan, adopted = self.record.plan, self.record.ask((), lambda fold: fold.plan_entry)
        assert adopted is not None
        slot = self.record.ask([sensor], lambda fold: best_slot(fold.evidence(sensor, s.id) for s in plan.stages))
        return settings_for(plan, plan.find_sensor(sensor), cameras_of(adopted, self.record.originals), slot)


def _demand_original(pending: Pending, result: PhotoResult) -> None:
    """That the worker has read what was added; whatever it found in other bytes, or in none, is no result."""
    if result.sha256 and result.sha256 != pending.photo.sha256:
        raise StoreError(f"the original {pending.photo.sha256} is damaged: restore it from a copy")
    if any(p.code == UNREADABLE for p in result.problems):
        raise StoreError(f"the original {pending.photo.sha256} cannot be read: {result.problems[0].message}")
