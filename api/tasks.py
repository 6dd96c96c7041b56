"""What a worker is asked to do. Kept apart from the work itself: the parent process asks, and loads no pixels' code."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from models.camera import CameraCalibration
from models.measurement import PhotoKind, Problem
from verifier.settings import Settings


@dataclass(frozen=True, eq=False)
class PhotoTask:
    """One photo to measure."""

    path: str
    """As the person named it; the result calls the photo by it."""
    kind: PhotoKind
    settings: Settings
    overlay_path: str | None = None
    """Where the overlay goes; None for no overlay."""
    debug: bool = False


@dataclass(frozen=True)
class CalibrationTask:
    """Photos of one camera to calibrate it from."""

    paths: tuple[str, ...]
    chessboard: tuple[int, int] | None
    """Inner corners across and down; None where bars are the target."""
    square_mm: float


@dataclass(frozen=True)
class CalibrationOutcome:
    """A calibration or the reason why there is none, and the photos that took no part."""

    camera: CameraCalibration | Problem
    left_out: tuple[str, ...]


@dataclass(frozen=True)
class Looked:
    """A file as it was found."""

    path: str
    sha256: str
    capture: dict[str, Any]
    """Facts that its header claims, by name; JSON-ready."""
    problem: Problem | None = None
    """Why it is no photo that can be taken."""
