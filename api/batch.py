"""A batch of photos: settings from the files and widths a person gave, results as they come."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from api.errors import UsageError
from api.inputs import LoadedPlan, load_bars, load_camera, load_marks, load_plan, load_slot_width
from api.isolation import Lost, run_isolated
from api.tasks import PhotoTask
from models.measurement import PhotoResult, Problem
from models.plan import Plan, Sensor
from verifier.marks import Marks
from verifier.settings import Settings

DEADLINE_S = 180.0
"""A photo takes about a second; one that takes minutes was made to."""

MOST_DEFAULT_JOBS = 4
"""Each worker may take several hundred megabytes."""

PRELOAD = (
    "api.work",
    "scipy.optimize",
    "scipy.ndimage",
    "scipy.stats",
    "PIL.JpegImagePlugin",
    "simplejpeg",
    "exifread",
)
"""Modules that every worker with a photo needs."""


@dataclass(frozen=True)
class Means:
    """What a person gave beside the photos; paths of files, widths in mm."""

    plan: str | None = None
    sensor: str | None = None
    slot_width_mm: float | None = None
    sensor_width_mm: float | None = None
    slot_result: str | None = None
    camera: str | None = None
    bar_calibration: str | None = None


@dataclass(frozen=True, eq=False)
class OverlayNames:
    """Names for overlays in one folder, one a photo; photos of one name in several folders are told apart by number."""

    folder: Path
    taken: set[str] = field(default_factory=set)

    def name_for(self, photo: str) -> str:
        """A free name after the photo's own."""
        stem, number = Path(photo).stem or "photo", 1
        name = f"{stem}.overlay.jpg"
        while name in self.taken:
            number += 1
            name = f"{stem}-{number}.overlay.jpg"
        self.taken.add(name)
        return str(self.folder / name)


def settings_from(means: Means) -> Settings:
    """Everything that holds for the whole batch."""
    loaded = LoadedPlan(Plan("", ""), ()) if means.plan is None else load_plan(means.plan)
    plan = loaded.plan
    sensor = _sensor(means, plan)
    own_cameras = () if means.camera is None else (load_camera(means.camera),)
    return Settings(
        tolerances=plan.tolerances,
        rule=plan.rule,
        bars=plan.bars if means.bar_calibration is None else load_bars(means.bar_calibration),
        cameras=(*own_cameras, *loaded.cameras),
        sensor_width_mm=means.sensor_width_mm or sensor.width_mm,
        slot_width_mm=means.slot_width_mm or sensor.slot_width_mm,
        measured_slot=None if means.slot_result is None else load_slot_width(means.slot_result),
    )


def _sensor(means: Means, plan: Plan) -> Sensor:
    """The sensor that was named; else what all sensors of the plan have in common."""
    if means.sensor is not None:
        if means.plan is None:
            raise UsageError("--sensor names a sensor of a plan: give --plan too")
        try:
            return plan.find_sensor(means.sensor)
        except LookupError as unknown:
            raise UsageError(str(unknown.args[0])) from None
    sensors = plan.sensors().values()
    return Sensor("", _common(s.width_mm for s in sensors), None, _common(s.slot_width_mm for s in sensors))


def _common(values: Iterable[float | None]) -> float | None:
    distinct = set(values)
    return distinct.pop() if len(distinct) == 1 else None


def marks_from(path: str | None, photos: Iterable[str]) -> dict[str, Marks]:
    """Marks by photo; a name in the file that is no photo of the batch is a slip and must not pass in silence."""
    if path is None:
        return {}
    marks = load_marks(path)
    strange = marks.keys() - {Path(photo).name for photo in photos}
    if strange:
        raise UsageError(f"{path}: marks for {', '.join(sorted(strange))}, which is no photo of this batch")
    return marks


def with_marks(settings: Settings, marks: Marks | None) -> Settings:
    """The batch's settings for one photo."""
    return settings if marks is None else replace(settings, marks=marks)


def prepared_folder(path: str | None) -> OverlayNames | None:
    """The folder for overlays, made where it is missing."""
    if path is None:
        return None
    try:
        Path(path).mkdir(parents=True, exist_ok=True)
    except OSError as reason:
        raise UsageError(f"{path}: the folder for overlays cannot be made ({reason.strerror})") from None
    return OverlayNames(Path(path))


def default_jobs(photo_count: int) -> int:
    """As many workers as there are cores, within reason."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(cores, MOST_DEFAULT_JOBS, photo_count))


def results(tasks: list[PhotoTask], jobs: int) -> Iterator[PhotoResult]:
    """Results in the order of the photos, each as soon as it is ready; a lost photo is an unusable one."""
    outcomes = run_isolated("api.work:do_photo", tasks, jobs=jobs, deadline_s=DEADLINE_S, preload=PRELOAD)
    for task, outcome in zip(tasks, outcomes, strict=True):
        yield _lost(task, outcome) if isinstance(outcome, Lost) else outcome


def _lost(task: PhotoTask, lost: Lost) -> PhotoResult:
    told = "took far too long" if lost is Lost.TIMED_OUT else "made the program stop"
    problem = Problem(
        f"photo-{lost.value.replace(' ', '-')}",
        f"Measuring this photo {told}, which points to a damaged or hostile file: take the photo again, and report it.",
    )
    return PhotoResult(task.path, "", task.kind, usable=False, problems=(problem,))
