"""What a worker does for one photo: read the file, measure, draw the overlay."""

from __future__ import annotations

import logging
import os
import warnings
from dataclasses import replace
from pathlib import Path

import cv2

from api.tasks import PhotoTask
from models.measurement import PhotoResult, Problem
from verifier.measure import Examination, examine
from verifier.photo import MAX_BYTES

logger = logging.getLogger("kerfline")


def do_photo(task: PhotoTask) -> PhotoResult:
    """Measure one photo from its file. Never raises: what goes wrong is a problem in the result."""
    _prepare(task.debug)
    data = read_photo(task.path)
    if isinstance(data, Problem):
        return PhotoResult(task.path, "", task.kind, usable=False, problems=(data,))
    examination = examine(data, task.path, task.kind, task.settings)
    if task.overlay_path is None:
        return examination.result
    return _with_overlay(examination, Path(task.overlay_path))


def _prepare(debug: bool) -> None:
    """One thread a worker; what libraries warn of is for who asks for it."""
    cv2.setNumThreads(1)
    level = logging.DEBUG if debug else logging.WARNING
    logging.basicConfig(level=level, format="%(name)s: %(message)s")
    logger.setLevel(level)
    warnings.simplefilter("default" if debug else "ignore")


def read_photo(path: str) -> bytes | Problem:
    """The file's bytes, or why they cannot be had."""
    file = Path(path)
    try:
        if not file.is_file():
            return Problem("photo-unreadable", f"{path!r} is {_what_it_is(file)}: name a photo's file.")
        if file.stat().st_size > MAX_BYTES:
            return Problem("photo-too-large", f"{path!r} is larger than the {MAX_BYTES / 1e6:.0f} MB a photo may have.")
        return file.read_bytes()
    except (OSError, ValueError) as reason:
        told = getattr(reason, "strerror", None) or str(reason)
        return Problem("photo-unreadable", f"{path!r} cannot be read ({told}): check the name and the access rights.")


def _what_it_is(file: Path) -> str:
    if file.is_dir():
        return "a folder"
    return "no ordinary file" if file.exists() else "not there"


def _with_overlay(examination: Examination, path: Path) -> PhotoResult:
    """Draw and write the overlay; where that fails the numbers stand, and the result says so."""
    from verifier.overlay import draw_overlay

    result = examination.result
    try:
        write_whole(path, draw_overlay(examination))
    except Exception as error:
        logger.error("%s: no overlay: %s: %s", result.photo, type(error).__name__, error)
        logger.debug("while drawing %s", path, exc_info=True)
        told = Problem("overlay-failed", f"The overlay {path} could not be written: see the messages of the program.")
        return replace(result, problems=(*result.problems, told))
    return result


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is there whole or not at all."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.write_bytes(content)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
