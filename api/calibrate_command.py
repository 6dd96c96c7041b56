"""``kerfline calibrate``: a phone's camera calibration from photos of bars or of a chessboard."""

from __future__ import annotations

import argparse
import json
import math
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

from api.errors import EXIT_OK, EXIT_UNUSABLE, UsageError
from api.isolation import Lost, run_isolated
from api.tasks import CalibrationOutcome, CalibrationTask
from models.camera import CameraCalibration
from models.measurement import Problem

DEADLINE_S_PER_PHOTO = 60.0


def run_calibrate(options: argparse.Namespace) -> int:
    """Calibrate, write the file, and say how good it is."""
    if (options.chessboard is None) != (options.square is None):
        raise UsageError("--chessboard and --square go together: the board's inner corners and its squares' side")
    outcome = _outcome(CalibrationTask(tuple(options.photos), options.chessboard, options.square or 0.0))
    for reason in outcome.left_out:
        print(f"left out: {reason}", file=sys.stderr)
    if isinstance(outcome.camera, Problem):
        print(f"kerfline: no calibration: {outcome.camera.message} [{outcome.camera.code}]", file=sys.stderr)
        return EXIT_UNUSABLE
    camera = replace(outcome.camera, made_on=date.today().isoformat())
    _write(options.out, camera)
    print(describe(options.out, camera))
    return EXIT_OK


def _outcome(task: CalibrationTask) -> CalibrationOutcome:
    deadline_s = DEADLINE_S_PER_PHOTO * len(task.paths)
    (outcome,) = run_isolated("api.calibration_work:do_calibration", [task], jobs=1, deadline_s=deadline_s)
    if isinstance(outcome, Lost):
        told = f"The calibration {outcome.value}, which points to a damaged file: leave photos out one by one."
        return CalibrationOutcome(Problem("calibration-lost", told), ())
    found: CalibrationOutcome = outcome
    return found


def _write(path: str, camera: CameraCalibration) -> None:
    try:
        Path(path).write_text(json.dumps(camera.to_json(), indent=1) + "\n", encoding="utf-8")
    except OSError as reason:
        raise UsageError(f"{path}: cannot be written ({reason.strerror})") from None


def describe(path: str, camera: CameraCalibration) -> str:
    """The calibration in three lines."""
    u_focal_px = camera.focal_px * math.sqrt(camera.covariance[0][0])
    name = " ".join(word for word in (camera.make, camera.model, camera.lens) if word)
    return (
        f"{path}: {name}, from {camera.photo_count} photos of {camera.width_px} x {camera.height_px} pixels\n"
        f"  focal length {camera.focal_px:.1f} px (standard uncertainty {u_focal_px:.1f} px)\n"
        f"  k1 {camera.k1:.4f} ({math.sqrt(camera.covariance[3][3]):.4f}), "
        f"k2 {camera.k2:.4f} ({math.sqrt(camera.covariance[4][4]):.4f})"
    )
