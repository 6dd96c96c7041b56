"""Camera and pavement plane of one photo: pixels to millimetres and back, with the uncertainty of both.

Frames
------
Pixels: the picture as displayed (after the EXIF orientation), centre of the first pixel at (0, 0), x right, y down.
Plane: millimetres in the pavement's mean plane, seen from above (x, y counter-clockwise), origin and +x given by
the bar with the lowest tag id: its lower left corner and its long side. Height z points up, the pavement is z = 0.

Camera model: pinhole with square pixels, principal point and two radial distortion terms, as OpenCV defines them
(``cv2.projectPoints`` with ``(k1, k2, 0, 0)``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from models.measurement import BudgetLine

Array = NDArray[np.float64]

N_PARAMETERS = 11
"""log focal length, principal point (2), k1, k2, rotation vector (3), translation (3) world to camera."""


class CovarianceSource(NamedTuple):
    """What one source of error adds to the covariance of the plane's parameters."""

    source: str
    covariance: Array


@dataclass(frozen=True, eq=False)
class GroundPlane:
    """Camera and pavement plane with full covariance, split by source."""

    parameters: Array
    """Shape (11,): see ``N_PARAMETERS``."""
    sources: tuple[CovarianceSource, ...]
    """Independent contributions to the (11, 11) covariance; their sum is the covariance."""
    size_px: tuple[int, int]
    """Width and height of the picture as displayed."""
    unflatness_mm: float = 0.3
    """Standard height deviation of the pavement surface about its mean plane, as assumed."""

    @property
    def focal_px(self) -> float:
        """Focal length [px]."""
        return float(np.exp(self.parameters[0]))

    @property
    def rotation(self) -> Array:
        """World to camera, shape (3, 3)."""
        return np.asarray(cv2.Rodrigues(self.parameters[5:8])[0], dtype=np.float64)

    @property
    def camera_mm(self) -> Array:
        """Position of the camera's centre in plane coordinates, shape (3,); z is its height above the pavement."""
        return np.asarray(-self.rotation.T @ self.parameters[8:11])

    def with_parameters(self, parameters: Array) -> GroundPlane:
        """The same photo seen with other parameters (for the propagation of uncertainty)."""
        return replace(self, parameters=parameters)

    def to_pixels(self, points_mm: Array) -> Array:
        """Project points of the pavement (N, 2), or in space (N, 3), in mm, to pixels (N, 2)."""
        points = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
        seen = points @ self.rotation[:, : points.shape[1]].T + self.parameters[8:11]
        xy = seen[:, :2] / seen[:, 2:3]
        r2 = np.sum(xy * xy, axis=1, keepdims=True)
        _, cx, cy, k1, k2 = self.parameters[:5]
        return np.asarray(self.focal_px * xy * (1.0 + r2 * (k1 + r2 * k2)) + (cx, cy))

    def to_plane(self, points_px: Array, height_mm: float = 0.0) -> Array:
        """Where the sight lines of pixels (N, 2) meet the plane z = ``height_mm``, shape (N, 2) in mm.

        Sight lines that do not come down to the plane (at or above the horizon) give NaN.
        """
        rays = self.rays(points_px) @ self.rotation
        centre = self.camera_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = (height_mm - centre[2]) / rays[:, 2]
        reach = np.where((reach > 0) & (rays[:, 2] < 0), reach, np.nan)
        return np.asarray(centre[:2] + reach[:, None] * rays[:, :2])

    def rays(self, points_px: Array) -> Array:
        """Directions of sight in the camera's frame, (N, 3) with z = 1: distortion undone by Newton's method."""
        points = np.atleast_2d(np.asarray(points_px, dtype=np.float64))
        _, cx, cy, k1, k2 = self.parameters[:5]
        distorted = (points - (cx, cy)) / self.focal_px
        target = np.sqrt(np.sum(distorted * distorted, axis=1))
        radius = target.copy()
        for _ in range(4):
            r2 = radius * radius
            radius -= (radius * (1.0 + r2 * (k1 + r2 * k2)) - target) / (1.0 + r2 * (3.0 * k1 + 5.0 * r2 * k2))
        stretch = np.divide(radius, target, out=np.ones_like(radius), where=target > 0)
        return np.column_stack([distorted * stretch[:, None], np.ones(len(points))])

    def pixels_per_mm(self, points_mm: Array) -> Array:
        """Jacobian of ``to_pixels`` at points (N, 2) of the pavement, shape (N, 2, 2): d(pixel)/d(mm)."""
        points = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
        step = 0.5
        columns = [(self.to_pixels(points + d) - self.to_pixels(points - d)) / (2 * step) for d in np.eye(2) * step]
        return np.stack(columns, axis=2)

    def tilt_mm_per_mm(self, points_mm: Array) -> Array:
        """How far a point appears displaced in the plane per mm that it lies above it, shape (N, 2)."""
        points = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
        centre = self.camera_mm
        return np.asarray((points - centre[:2]) / centre[2])

    @property
    def covariance(self) -> Array:
        """Covariance of the parameters, shape (11, 11)."""
        return np.asarray(sum(s.covariance for s in self.sources))

    def sensitivity(self, function: Callable[[GroundPlane], Array]) -> Array:
        """Jacobian (K, 11) of ``function(plane) -> (K,)`` by central differences of a tenth of a standard deviation.

        Parameters are strongly correlated: one of them moved by a whole standard deviation of its own, the others held,
        leaves the planes that the photo allows.
        """
        steps = 0.1 * np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        columns = []
        for i, step in enumerate(steps):
            if step == 0.0:
                columns.append(np.zeros_like(np.atleast_1d(function(self)), dtype=np.float64))
                continue
            ahead, behind = self.parameters.copy(), self.parameters.copy()
            ahead[i] += step
            behind[i] -= step
            high = np.atleast_1d(function(self.with_parameters(ahead)))
            low = np.atleast_1d(function(self.with_parameters(behind)))
            columns.append((high - low) / (2 * step))
        return np.stack(columns, axis=1)

    def budget(self, jacobian: Array) -> tuple[BudgetLine, ...]:
        """Budget lines that the plane adds to a quantity whose ``sensitivity`` row is ``jacobian`` (11,)."""
        row = np.asarray(jacobian, dtype=np.float64).ravel()
        return tuple(
            BudgetLine(s.source, float(np.sqrt(max(float(row @ s.covariance @ row), 0.0)))) for s in self.sources
        )
