"""Simple pictures of a finished surface with known boundaries: flat, drawn from above, then photographed.

Flat on purpose: what a ridge's height does is for the scene renderer; here the truth is exact by construction.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.capture import CaptureFacts
from verifier.photo import Photo
from verifier.plane import Array, CovarianceSource, GroundPlane

CELL_MM = 0.4
"""Cell of the drawing; a cell that a boundary divides gets its share of both sides."""


@dataclass(frozen=True)
class Material:
    """Mean linear light (blue, green, red) and how much it varies, by grain [mm]."""

    light: tuple[float, float, float]
    variation: float
    grain_mm: float


ASPHALT = Material((0.055, 0.06, 0.065), 0.55, 5.0)
CONCRETE = Material((0.30, 0.33, 0.35), 0.12, 2.0)
GREY_GROUT = Material((0.22, 0.22, 0.22), 0.03, 8.0)
BLACK_GROUT = Material((0.03, 0.03, 0.032), 0.05, 8.0)
SAND_GROUT = Material((0.16, 0.23, 0.30), 0.06, 3.0)
ALUMINIUM = Material((0.50, 0.50, 0.48), 0.03, 1.0)
BROWN_LEAF = Material((0.03, 0.10, 0.22), 0.05, 4.0)
DARK_TOP = Material((0.05, 0.05, 0.05), 0.04, 1.0)


@dataclass(frozen=True)
class SurfaceScene:
    """A sensor along an axis through the middle of the view, in plane coordinates of the only bar."""

    sensor_width_mm: float = 60.0
    angle_deg: float = 3.0
    """Of the sensor's axis against the bar's +x."""
    distance_mm: float = -110.0
    """Offset of the sensor's axis from the middle of the bar (negative: to the right of it)."""
    left_band_mm: float = 14.0
    right_band_mm: float = 22.0
    swing_mm: float = 4.0
    """How far the bands swing about their means, as a slow wave."""
    pavement: Material = ASPHALT
    grout: Material = GREY_GROUT
    top: Material = ALUMINIUM
    with_sensor: bool = True
    dark_rim_mm: float = 0.0
    """Width of the outermost part of the grout on the left that lies in its own shade."""
    leaf_mm: float = 0.0
    """Length along the sensor of a leaf that lies on the left boundary of the grout and reaches 12 mm beyond it."""
    size_px: tuple[int, int] = (1600, 1200)
    height_mm: float = 520.0
    tilt_deg: float = 8.0
    blur_px: float = 0.8
    noise: float = 1.5
    """Standard deviation of the sensor's noise [code values]."""
    seed: int = 1
    outline_mm: tuple[tuple[float, float], ...] = field(default=((0, 0), (300, 0), (300, 50), (0, 50)))

    @property
    def middle_mm(self) -> Array:
        """Where the sensor's axis passes the middle of the bar."""
        return np.array([150.0, 25.0 + self.distance_mm])

    @property
    def direction(self) -> Array:
        """Unit vector along the sensor."""
        angle = np.radians(self.angle_deg)
        return np.array([np.cos(angle), np.sin(angle)])

    def bands_mm(self, s_mm: Array) -> tuple[Array, Array]:
        """True grout bands (left, right) at stations from the middle."""
        left = self.left_band_mm + self.swing_mm * np.sin(2 * np.pi * s_mm / 130.0)
        right = self.right_band_mm + self.swing_mm * np.cos(2 * np.pi * s_mm / 170.0)
        return left, right

    @property
    def seen_outline_mm(self) -> Array:
        """Where the bar's face, 3 mm above the pavement, seems to lie, (4, 2)."""
        outline = np.array(self.outline_mm, dtype=np.float64)
        return outline + 3.0 * self.plane().tilt_mm_per_mm(outline)

    def measured_stations(self) -> Array:
        """Stations, 1 mm apart, that the bar covers."""
        ends = (np.array(self.outline_mm) - self.middle_mm) @ self.direction
        return np.arange(ends.min(), ends.max(), 1.0)

    def largest_bands_mm(self) -> tuple[float, float]:
        """Largest 25 mm moving means of the bands over the measured length."""
        window = np.ones(25) / 25
        left, right = (np.convolve(b, window, mode="valid").max() for b in self.bands_mm(self.measured_stations()))
        return float(left), float(right)

    def plane(self) -> GroundPlane:
        """The camera, above the middle between bar and sensor."""
        width, height = self.size_px
        tilt = np.radians(self.tilt_deg)
        down = np.array([[1.0, 0, 0], [0, -1.0, 0], [0, 0, -1.0]])
        lean = np.array([[1.0, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
        rotation = lean @ down
        target = np.array([150.0, 25.0 + self.distance_mm / 2, 0.0])
        centre = target - self.height_mm / np.cos(tilt) * rotation.T @ np.array([0.0, 0.0, 1.0])
        vector = cv2.Rodrigues(rotation)[0].ravel()
        focal = 0.75 * width
        parameters = np.array([np.log(focal), (width - 1) / 2, (height - 1) / 2, 0, 0, *vector, *(-rotation @ centre)])
        sigma = np.array([1e-3, 1, 1, 1e-3, 1e-3, 3e-5, 3e-5, 3e-5, 0.05, 0.05, 0.2])
        return GroundPlane(parameters, (CovarianceSource("camera and pose", np.diag(sigma**2) * 0.01),), self.size_px)

    def photo(self) -> Photo:
        """The photograph."""
        plane = self.plane()
        low, high = np.array([-250.0, -400.0]), np.array([550.0, 420.0])
        drawing = self._drawing(low, high)
        corners = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
        cells = ((corners - low) / CELL_MM).astype(np.float32)
        homography = cv2.getPerspectiveTransform(cells, plane.to_pixels(corners).astype(np.float32))
        seen = cv2.warpPerspective(drawing, homography, self.size_px, flags=cv2.INTER_AREA)
        blurred = np.asarray(cv2.GaussianBlur(seen, (0, 0), self.blur_px), dtype=np.float32)
        colour = _encoded(blurred, self.noise, np.random.default_rng(self.seed + 1))
        return Photo("drawn", "", colour, CaptureFacts())

    def _drawing(self, low: Array, high: Array) -> NDArray[np.float32]:
        """Linear light from above, rows along y."""
        rng = np.random.default_rng(self.seed)
        shape = tuple(((high - low)[::-1] / CELL_MM).astype(int))
        y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32) * np.float32(CELL_MM)
        s, n = _along_across(x + low[0], y + low[1], self.middle_mm, self.direction)
        light = _surface(self.pavement, shape, rng)
        left, right = self.bands_mm(s)
        half = self.sensor_width_mm / 2
        if self.with_sensor:
            share = _share(half + left - n) * _share(n + half + right)
            light += share[..., None] * (_surface(self.grout, shape, rng) - light)
            if self.dark_rim_mm:
                light *= 1.0 - 0.95 * (share * _share(n - half - left + self.dark_rim_mm))[..., None]
            light += _share(half - np.abs(n))[..., None] * (_surface(self.top, shape, rng) - light)
            if self.leaf_mm:
                leaf = _share(self.leaf_mm / 2 - np.abs(s)) * _share(n - half - 8.0) * _share(half + left + 12.0 - n)
                light += leaf[..., None] * (_surface(BROWN_LEAF, shape, rng) - light)
        bar = ((self.seen_outline_mm - low) / CELL_MM).astype(np.int32)
        cv2.fillConvexPoly(light, bar, (0.8, 0.8, 0.8))
        return light


def mirrored(scene: SurfaceScene) -> SurfaceScene:
    """The same bands with left and right exchanged."""
    return replace(scene, left_band_mm=scene.right_band_mm, right_band_mm=scene.left_band_mm)


def _along_across(x: Array, y: Array, middle: Array, direction: Array) -> tuple[Array, Array]:
    dx, dy = x - middle[0], y - middle[1]
    return dx * direction[0] + dy * direction[1], dy * direction[0] - dx * direction[1]


def _surface(material: Material, shape: tuple[int, ...], rng: np.random.Generator) -> NDArray[np.float32]:
    """Light of a material: lognormal grains."""
    coarse = (int(shape[0] * CELL_MM / material.grain_mm) + 2, int(shape[1] * CELL_MM / material.grain_mm) + 2)
    grains = rng.standard_normal(coarse).astype(np.float32)
    flat = cv2.resize(grains, shape[::-1], interpolation=cv2.INTER_NEAREST)
    fine = cv2.resize(rng.standard_normal((shape[0] // 4, shape[1] // 4)).astype(np.float32), shape[::-1])
    texture = np.exp(material.variation * (0.85 * flat + 0.5 * fine))
    return np.asarray(texture[..., None] * np.array(material.light, dtype=np.float32), dtype=np.float32)


def _share(inside_mm: Array) -> NDArray[np.float32]:
    """Share of a cell that lies inside a boundary, from the signed distance of its middle."""
    return np.clip(inside_mm / CELL_MM + 0.5, 0.0, 1.0).astype(np.float32)


def _encoded(light: NDArray[np.float32], noise: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Linear light to sRGB code values (IEC 61966-2-1), with noise."""
    v = np.clip(light, 0.0, 1.0)
    code = np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.maximum(v, 1e-9) ** (1 / 2.4) - 0.055) * 255
    code = code + noise * rng.standard_normal(code.shape, dtype=np.float32)
    return np.asarray(np.clip(np.rint(code), 0, 255), dtype=np.uint8)
