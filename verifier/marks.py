"""Marks: image points by which a person has said roughly where a line, an edge or the sensor runs.

Marks steer the search and never replace the measurement.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


class MarkedFeature(StrEnum):
    """What a person can point at."""

    LANE_LINE = "lane_line"
    LAYOUT_LINE = "layout_line"
    SLOT_LEFT_EDGE = "slot_left_edge"
    SLOT_RIGHT_EDGE = "slot_right_edge"
    SLOT = "slot"
    SENSOR = "sensor"


@dataclass(frozen=True, eq=False)
class Mark:
    """Two or more image points along one feature, shape (N, 2), pixels of the picture as displayed."""

    feature: MarkedFeature
    points_px: NDArray[np.float64]


@dataclass(frozen=True)
class Marks:
    """All marks on one photo."""

    marks: tuple[Mark, ...] = ()

    def of(self, feature: MarkedFeature) -> Mark | None:
        """The mark on ``feature``, if a person made one."""
        return next((m for m in self.marks if m.feature is feature), None)
