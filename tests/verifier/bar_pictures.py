"""Pictures of reference bars with known geometry, drawn from the bar's document and not from the code under test.

A plate is drawn as a large flat raster and laid into a picture by a homography; the picture is made at three times
its size, blurred there, and averaged down, so that edges lie where they should to a few thousandths of a pixel.
Pixel frame: centre of the first pixel at (0, 0), x right, y down. Plate frame: mm, origin lower left, y up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.photo import CaptureFacts, Photo

Array = NDArray[np.float64]
SUPERSAMPLING = 3


@dataclass(frozen=True)
class Drawing:
    """Numbers of the printed drawing of one kind of bar (the bar's own document), mm."""

    length: float
    height: float
    tag_side: float
    tag_centres: tuple[float, ...]
    field_lefts: tuple[float, ...]
    columns: int
    square: float
    first_id: int
    ids_per_bar: int


LONG = Drawing(1000, 100, 80, (50, 275, 500, 725, 950), (100, 325, 550, 775), 5, 25, 0, 10)
SHORT = Drawing(300, 50, 40, (25, 150, 275), (50, 175), 6, 12.5, 500, 3)


def inner_corners_mm(drawing: Drawing) -> Array:
    """Saddle points of the drawing's checker fields, (N, 2)."""
    return np.array([
        (left + c * drawing.square, r * drawing.square)
        for left in drawing.field_lefts
        for c in range(1, drawing.columns)
        for r in range(1, 4)
    ])  # fmt: skip


@cache
def raster(drawing: Drawing, number: int, px_per_mm: int) -> NDArray[np.uint8]:
    """The plate's face from above, black 20 and white 235; row 0 is its upper edge."""
    face = np.full((round(drawing.height * px_per_mm), round(drawing.length * px_per_mm)), 235, np.uint8)
    for left in drawing.field_lefts:
        for c in range(drawing.columns):
            for r in range(4):
                if (c + r) % 2 == 0:
                    x, y = left + c * drawing.square, r * drawing.square
                    _fill(face, x, y, drawing.square, px_per_mm)
    for i, centre in enumerate(drawing.tag_centres):
        _paste_tag(face, drawing, drawing.first_id + drawing.ids_per_bar * number + i, centre, px_per_mm)
    face.flags.writeable = False
    return face


def _fill(face: NDArray[np.uint8], x: float, y: float, side: float, px_per_mm: int) -> None:
    top = face.shape[0] - round((y + side) * px_per_mm)
    left, size = round(x * px_per_mm), round(side * px_per_mm)
    face[top : top + size, left : left + size] = 20


def _paste_tag(face: NDArray[np.uint8], drawing: Drawing, tag_id: int, centre: float, px_per_mm: int) -> None:
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    size = round(drawing.tag_side * px_per_mm)
    tag = cv2.aruco.generateImageMarker(family, tag_id, size)
    left = round((centre - drawing.tag_side / 2) * px_per_mm)
    top = round((drawing.height - drawing.tag_side) / 2 * px_per_mm)
    face[top : top + size, left : left + size] = np.where(tag > 127, 235, 20)


@dataclass(frozen=True, eq=False)
class Laid:
    """A bar in a picture: its drawing, number, and the homography (3, 3) from plate mm to pixels."""

    drawing: Drawing
    number: int
    homography: Array

    def to_pixels(self, plate_mm: Array) -> Array:
        """Where points (N, 2) of the plate are in the picture."""
        points = np.asarray(plate_mm, dtype=np.float64).reshape(-1, 1, 2)
        return np.asarray(cv2.perspectiveTransform(points, self.homography), dtype=np.float64)[:, 0]


def seen_from(
    drawing: Drawing, number: int, centre_px: tuple[float, float], px_per_mm: float, turn_deg: float, lean: float = 0.0
) -> Laid:
    """A bar whose middle is at ``centre_px``, turned anticlockwise as seen, leaning away by ``lean`` (0: from above).

    ``lean`` is the change of scale over the bar's length, as a part.
    """
    a = np.radians(turn_deg)
    to_middle = np.array([[1, 0, -drawing.length / 2], [0, 1, -drawing.height / 2], [0, 0, 1]])
    turn = px_per_mm * np.array([[np.cos(a), -np.sin(a)], [-np.sin(a), -np.cos(a)]])  # y down in pictures
    perspective = np.eye(3)
    perspective[2, :2] = lean / drawing.length, 0.6 * lean / drawing.length
    placed = np.eye(3)
    placed[:2, :2], placed[:2, 2] = turn, centre_px
    return Laid(drawing, number, placed @ perspective @ to_middle)


def picture(
    bars: Sequence[Laid],
    size: tuple[int, int],
    blur_px: float = 0.8,
    noise: float = 2.0,
    seed: int = 1,
    raster_px_per_mm: int = 8,
) -> NDArray[np.uint8]:
    """Grey picture (H, W) of ``bars`` on grey grainy ground; noise in grey levels."""
    rng = np.random.default_rng(seed)
    n = SUPERSAMPLING
    ground = cv2.resize(rng.normal(95, 14, (size[1] // 2 + 1, size[0] // 2 + 1)).astype(np.float32), (size[0], size[1]))
    large = np.asarray(cv2.resize(ground, None, fx=n, fy=n, interpolation=cv2.INTER_LINEAR), np.float32)
    for bar in bars:
        _lay(large, bar, raster_px_per_mm)
    blurred = cv2.GaussianBlur(large, (0, 0), blur_px * n)
    small = cv2.resize(blurred, size, interpolation=cv2.INTER_AREA)
    return np.asarray(np.clip(np.rint(small + rng.normal(0, noise, small.shape)), 0, 255), dtype=np.uint8)


def _lay(large: NDArray[np.float32], bar: Laid, px_per_mm: int) -> None:
    face = raster(bar.drawing, bar.number, px_per_mm)
    # Raster pixel (col, row) is at plate ((col + 1/2) / p, height - (row + 1/2) / p).
    to_plate = np.array([[1 / px_per_mm, 0, 0.5 / px_per_mm],
                         [0, -1 / px_per_mm, bar.drawing.height - 0.5 / px_per_mm], [0, 0, 1]])  # fmt: skip
    n = SUPERSAMPLING
    enlarge = np.array([[n, 0, (n - 1) / 2], [0, n, (n - 1) / 2], [0, 0, 1.0]])
    whole = enlarge @ bar.homography @ to_plate
    target = (large.shape[1], large.shape[0])
    laid = cv2.warpPerspective(face.astype(np.float32), whole, target, flags=cv2.INTER_LINEAR)
    cover = cv2.warpPerspective(np.ones(face.shape, np.float32), whole, target, flags=cv2.INTER_LINEAR)
    large *= 1 - cover
    large += laid


def as_photo(grey: NDArray[np.uint8]) -> Photo:
    """A grey picture as a photo without capture facts."""
    return Photo("drawn.jpg", "", np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR), np.uint8), CaptureFacts())
