"""One photo, decoded: pixels as displayed and the facts the camera wrote beside them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class CaptureFacts:
    """What the camera says about the photo; all of it a claim, none of it proof."""

    taken_at: str | None = None
    """ISO 8601 local time with sub-seconds and offset where given."""
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    position_error_m: float | None = None
    gps_time: str | None = None
    make: str | None = None
    model: str | None = None
    lens: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    digital_zoom: float | None = None
    software: str | None = None
    orientation: int = 1


@dataclass(frozen=True, eq=False)
class Photo:
    """A whole, decoded photo. Arrays are read-only and in the displayed orientation."""

    name: str
    sha256: str
    colour: NDArray[np.uint8]
    """Shape (H, W, 3), blue-green-red, as OpenCV orders them."""
    facts: CaptureFacts

    @cached_property
    def grey(self) -> NDArray[np.uint8]:
        """Luma, shape (H, W)."""
        import cv2

        return np.asarray(cv2.cvtColor(self.colour, cv2.COLOR_BGR2GRAY), dtype=np.uint8)

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height as displayed."""
        return self.colour.shape[1], self.colour.shape[0]
