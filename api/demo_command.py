"""``kerfline demo``: the demo of a checkout, its photos measured against their plan, its night played to a project."""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import api
from api.batch import Means, OverlayNames, default_jobs, prepared_folder, results, settings_from
from api.demo_player import Measured, MeasuredBefore, play_night
from api.demo_story import state_table, story, where_to_look
from api.errors import EXIT_OK, EXIT_UNUSABLE, UsageError
from api.inputs import read_text
from api.progress import with_progress
from api.tasks import PhotoTask
from models.measurement import Estimate, Measurement, PhotoKind, PhotoResult, Quantity
from models.wording import SIGNS, limits_as_text, rounded
from models.yaml_reader import Faults, Mapping, read_document

OVERLAYS = "overlays"
"""Folder for the overlays, in the folder the command is run in."""


@dataclass(frozen=True)
class DemoPhoto:
    """One photo of the demo."""

    path: str
    kind: PhotoKind
    sensor: str


def run_demo(options: argparse.Namespace) -> int:
    """Measure all demo photos, print the verdicts, play the night into a project, say where to look."""
    folder = demo_folder()
    project_folder = new_project_folder(options.folder)
    photos, overlays = read_list(folder), prepared_folder(options.overlay or OVERLAYS)
    runner = Runner(folder / "plan.yaml", overlays, options.jobs or default_jobs(len(photos)), options.debug)
    found = measure_all(photos, runner)

    print(verdict_table(photos, [found[photo.path].result for photo in photos]))
    if overlays is not None:
        print(f"\nThe photos with lines, edges, numbers and verdicts drawn over them: {overlays.folder.resolve()}")
    with play_night(folder, project_folder, MeasuredBefore.of(found.values())) as project:
        print("\n".join(["", *story(project), "", *state_table(project), "", *where_to_look(project, folder)]))
    return EXIT_OK if all(one.result.usable for one in found.values()) else EXIT_UNUSABLE


def new_project_folder(named: str | None) -> Path:
    """Where the demo's project goes: a new folder that was named, else a temporary one, which stays.

    Raises:
        UsageError: something is in the folder.
    """
    if named is None:
        return Path(tempfile.mkdtemp(prefix="kerfline-demo-"))
    folder = Path(named)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{named}: something is there already; name a new folder for the demo's project")
    return folder


def measure_all(photos: Sequence[DemoPhoto], runner: Runner) -> dict[str, Measured]:
    """What was measured, by path; slots first: a surface photo is judged with the measured slot of its sensor."""
    first = [p for p in photos if p.kind is not PhotoKind.SURFACE]
    found = runner.measure(first, {})
    slots = best_slots(first, {path: one.result for path, one in found.items()})
    return found | runner.measure([p for p in photos if p.kind is PhotoKind.SURFACE], slots)


def demo_folder() -> Path:
    """The demo's folder beside the packages; an installation from a wheel has none."""
    folder = Path(api.__file__).resolve().parent.parent / "demo_photos"
    if not (folder / "photos.yaml").is_file():
        raise UsageError(
            f"{folder}: no demo photos here: run the demo from a checkout of the project, as README.md says"
        )
    return folder


def read_list(folder: Path) -> list[DemoPhoto]:
    """The demo's photos with what they show and of which sensor."""
    faults, path = Faults(), str(folder / "photos.yaml")
    document = read_document(read_text(path, "list of demo photos"), faults)
    found = [] if document is None else [_demo_photo(folder, g) for g in document.groups("photos", required=True)]
    if faults.found or not found:
        raise UsageError(f"{path}: {'; '.join(str(f) for f in faults.sorted()) or 'no photo is listed'}")
    return found


def _demo_photo(folder: Path, group: Mapping) -> DemoPhoto:
    kind = group.choice("kind", PhotoKind, required=True) or PhotoKind.SLOT
    photo = DemoPhoto(
        str(folder / (group.text("file", required=True) or "")), kind, group.text("sensor", required=True) or ""
    )
    group.close()
    return photo


@dataclass(frozen=True, eq=False)
class Runner:
    """How the demo's photos are measured."""

    plan: Path
    overlays: OverlayNames | None
    jobs: int
    debug: bool

    def measure(self, photos: Sequence[DemoPhoto], slots: dict[str, Estimate]) -> dict[str, Measured]:
        """Results by path."""
        tasks = [self._task(photo, slots.get(photo.sensor)) for photo in photos]
        measured = with_progress(results(tasks, self.jobs), len(tasks))
        return {task.path: Measured(task, result) for task, result in zip(tasks, measured, strict=True)}

    def _task(self, photo: DemoPhoto, slot: Estimate | None) -> PhotoTask:
        settings = replace(settings_from(Means(plan=str(self.plan), sensor=photo.sensor)), measured_slot=slot)
        overlay = None if self.overlays is None else self.overlays.name_for(photo.path)
        return PhotoTask(photo.path, photo.kind, settings, overlay, self.debug)


def best_slots(photos: Sequence[DemoPhoto], found: dict[str, PhotoResult]) -> dict[str, Estimate]:
    """The surest slot width of each sensor."""
    best: dict[str, Estimate] = {}
    for photo in photos:
        width = found[photo.path].estimate(Quantity.SLOT_WIDTH)
        known = best.get(photo.sensor)
        if width is not None and (known is None or width.standard_uncertainty < known.standard_uncertainty):
            best[photo.sensor] = width
    return best


def verdict_table(photos: Sequence[DemoPhoto], found: Sequence[PhotoResult]) -> str:
    """One line a verdict, and for each photo without one the reason."""
    rows = [("sensor", "photo", "quantity", "value ± U", "limits", "verdict")]
    for photo, result in zip(photos, found, strict=True):
        rows += _rows(photo, result)
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]) - 1)]
    lines = ["  ".join([*(c.ljust(w) for c, w in zip(row, widths, strict=False)), row[-1]]).rstrip() for row in rows]
    return "\n".join([lines[0], "-" * min(max(map(len, lines)), 110), *lines[1:]])


def _rows(photo: DemoPhoto, result: PhotoResult) -> list[tuple[str, str, str, str, str, str]]:
    name = Path(photo.path).name
    judged = [m for m in result.measurements if m.judgement is not None]
    if result.usable and judged:
        return [(photo.sensor, name, *_cells(m)) for m in judged]
    if result.usable:
        return [(photo.sensor, name, "", "", "", "measured, no tolerance in the plan")]
    return [(photo.sensor, name, "", "", "", f"– unusable: {result.problems[0].message}")]


def _cells(measurement: Measurement) -> tuple[str, str, str, str]:
    estimate, judgement = measurement.estimate, measurement.judgement
    assert judgement is not None
    unit = estimate.quantity.unit
    value, uncertainty = rounded(estimate.value, estimate.expanded_uncertainty)
    limits = limits_as_text(judgement.limits, unit)
    verdict = f"{SIGNS[judgement.verdict]} {judgement.verdict.value}"
    return estimate.quantity.value, f"{value} ± {uncertainty} {unit}", limits, verdict
