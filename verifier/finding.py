"""What looking for a line, a slot or a sensor in a photo gives: estimates, problems, and curves to draw."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from models.measurement import Estimate, Problem


class CurveRole(StrEnum):
    """What a drawn curve stands for."""

    LANE_LINE = "lane line"
    LAYOUT_AXIS = "layout axis"
    LAYOUT_BAND = "layout band"
    SLOT_EDGE_LEFT = "slot edge, left"
    SLOT_EDGE_RIGHT = "slot edge, right"
    SLOT_AXIS = "slot axis"
    SENSOR_EDGE_LEFT = "sensor edge, left"
    SENSOR_EDGE_RIGHT = "sensor edge, right"
    GROUT_EDGE_LEFT = "grout boundary, left"
    GROUT_EDGE_RIGHT = "grout boundary, right"
    MEASURED_LENGTH = "measured length"


@dataclass(frozen=True, eq=False)
class Curve:
    """A polyline in the pavement's plane, for the overlay."""

    role: CurveRole
    points_mm: NDArray[np.float64]
    """Shape (N, 2), plane coordinates."""
    excluded: NDArray[np.bool_] | None = None
    """Shape (N,): stations left out of the fit (chips, covered, unclear)."""


@dataclass(frozen=True, eq=False)
class Axis:
    """A directed straight line in the plane: origin (2,), unit direction (2,); left is counter-clockwise of it."""

    origin_mm: NDArray[np.float64]
    direction: NDArray[np.float64]

    @property
    def normal(self) -> NDArray[np.float64]:
        """Unit vector to the left of the direction."""
        return np.array([-self.direction[1], self.direction[0]])

    def to_plane(self, s_mm: NDArray[np.float64], n_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points (N, 2) at stations ``s`` along and offsets ``n`` to the left of the axis."""
        s, n = np.asarray(s_mm)[..., None], np.asarray(n_mm)[..., None]
        return np.asarray(self.origin_mm + s * self.direction + n * self.normal)

    def from_plane(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Station and offset, (N, 2), of points of the plane."""
        rel = np.asarray(points_mm) - self.origin_mm
        return np.stack([rel @ self.direction, rel @ self.normal], axis=-1)


@dataclass(frozen=True, eq=False)
class Finding:
    """The outcome for one photo. No estimates: the photo is unusable; problems say why, or what is missing."""

    estimates: tuple[Estimate, ...]
    problems: tuple[Problem, ...] = ()
    curves: tuple[Curve, ...] = ()
    axis: Axis | None = None
    """Axis of the slot or sensor, or of the layout line: the frame of the rectified strip in the overlay."""
