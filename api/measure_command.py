"""``kerfline measure``: photos in, measurements and verdicts out."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from api.batch import Means, default_jobs, marks_from, prepared_folder, results, settings_from, with_marks
from api.errors import EXIT_OK, EXIT_UNUSABLE
from api.progress import with_progress
from api.rendering import result_as_json, result_as_text
from api.tasks import PhotoTask
from models.measurement import PhotoKind


def run_measure(options: argparse.Namespace) -> int:
    """Measure the photos that were named and print each result as soon as it is ready."""
    means = Means(
        options.plan, options.sensor, options.slot_width, options.sensor_width, options.slot, options.camera,
        options.bar_calibration,
    )  # fmt: skip
    tasks = _tasks(options, means)
    all_usable = True
    for result in with_progress(results(tasks, options.jobs or default_jobs(len(tasks))), len(tasks)):
        text = json.dumps(result_as_json(result)) if options.json else result_as_text(result)
        print(text, flush=True)
        all_usable = all_usable and result.usable
    return EXIT_OK if all_usable else EXIT_UNUSABLE


def _tasks(options: argparse.Namespace, means: Means) -> list[PhotoTask]:
    settings, marks = settings_from(means), marks_from(options.marks, options.photos)
    overlays = prepared_folder(options.overlay)
    return [
        PhotoTask(
            photo,
            PhotoKind(options.kind),
            with_marks(settings, marks.get(Path(photo).name)),
            None if overlays is None else overlays.name_for(photo),
            options.debug,
        )
        for photo in options.photos
    ]
