"""What a worker does for a camera calibration: read the photos, find the targets, fit."""

from __future__ import annotations

import cv2

from api.tasks import CalibrationOutcome, CalibrationTask
from api.work import read_photo
from models.measurement import Problem
from verifier.calibrate import AnyBars, Chessboard, calibrate_with_report
from verifier.photo import Photo, decode


def do_calibration(task: CalibrationTask) -> CalibrationOutcome:
    """Calibrate from the photos that can be read; the others are named with their reason."""
    cv2.setNumThreads(1)
    photos, unread = [], []
    for path in task.paths:
        photo = _photo(path)
        if isinstance(photo, Photo):
            photos.append(photo)
        else:
            unread.append(f"{path}: {photo.message}")
    if not photos:
        problem = Problem("too-few-photos", "None of the photos could be read: name photos by one phone.")
        return CalibrationOutcome(problem, tuple(unread))
    target = AnyBars() if task.chessboard is None else Chessboard(*task.chessboard, task.square_mm)
    run = calibrate_with_report(photos, target)
    if isinstance(run, Problem):
        return CalibrationOutcome(run, tuple(unread))
    return CalibrationOutcome(run.camera, (*unread, *run.left_out))


def _photo(path: str) -> Photo | Problem:
    data = read_photo(path)
    return data if isinstance(data, Problem) else decode(path, data)
