"""Small synthetic pictures of a slot: a pinhole camera over a rough pavement with a real, three-dimensional slot."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.capture import CaptureFacts
from verifier.photo import Photo
from verifier.plane import CovarianceSource, GroundPlane

Array = NDArray[np.float64]

SUNLIT = 0.5
BAR_MM = np.array([[0.0, 0.0], [300.0, 0.0], [300.0, 50.0], [0.0, 50.0]])


@dataclass(frozen=True)
class Scene:
    """A slot beside one short bar that lies along +x of the plane."""

    width_mm: float = 70.0
    middle_mm: float = -70.0
    """Offset (y) of the slot's middle at x = 150."""
    angle_deg: float = 1.0
    depth_mm: float = 60.0
    bow_mm: float = 0.0
    """Sag of both edges over 300 mm."""
    chip_mm: float = 0.0
    """Depth of one chip on the left edge at x = 150, 30 mm long."""
    camera_mm: tuple[float, float, float] = (150.0, -120.0, 620.0)
    wall: float = 0.08
    """Reflected light of walls, floor and pavement."""
    floor: float = 0.02
    pavement: float = 0.25
    roughness: float = 0.25
    sunlit_mm: float = 0.0
    """Width of a part of the floor at the right edge that lies in the sun, with dust and stones on it."""
    shadow_mm: float = 0.0
    """Width of the shadow that the right arris throws on that part of the floor, as seen."""
    strip: tuple[float, float, float] | None = None
    """A bright strip beside the slot: distance from its left edge, width, light."""
    painted: bool = False
    """Whether that strip is thin paint, through which the pavement shows."""
    blur_px: float = 0.8
    noise: float = 0.004
    size_px: tuple[int, int] = (880, 660)
    focal_px: float = 840.0
    seed: int = 1

    def edges_mm(self, x: Array) -> tuple[Array, Array]:
        """True offsets (y) of the left and right arris as the saw left them."""
        middle = self.middle_mm + np.tan(np.radians(self.angle_deg)) * (x - 150.0)
        middle = middle + self.bow_mm * (1.0 - ((x - 150.0) / 150.0) ** 2)
        half = self.width_mm / 2 / np.cos(np.radians(self.angle_deg))
        return middle + half, middle - half


def plane_of(scene: Scene) -> GroundPlane:
    """The camera of a scene: it looks at the slot's middle."""
    centre = np.array(scene.camera_mm)
    forward = np.array([150.0, scene.middle_mm + 30.0, 0.0]) - centre
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    width, height = scene.size_px
    parameters = np.concatenate(
        [[np.log(scene.focal_px), (width - 1) / 2, (height - 1) / 2, 0, 0], cv2.Rodrigues(rotation)[0].ravel(),
         -rotation @ centre]
    )  # fmt: skip
    spread = np.array([1e-4, 0.1, 0.1, 1e-4, 1e-4, *[3e-5] * 3, *[0.03] * 3])
    return GroundPlane(parameters, (CovarianceSource("as assumed", np.diag(spread**2)),), scene.size_px)


@cache
def photo_of(scene: Scene) -> Photo:
    """The picture, rendered at twice the size and reduced."""
    plane = plane_of(scene)
    big = replace(scene, size_px=(scene.size_px[0] * 2, scene.size_px[1] * 2), focal_px=scene.focal_px * 2)
    light = _render(big, plane_of(big))
    blurred = cv2.GaussianBlur(light, (0, 0), 2 * scene.blur_px)
    light = np.asarray(cv2.resize(blurred, scene.size_px, interpolation=cv2.INTER_AREA), np.float32)
    light += np.random.default_rng(scene.seed).normal(0, scene.noise, light.shape)
    light = np.clip(light, 0.0, 1.0)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    grey = np.round(code * 255).astype(np.uint8)
    assert plane.size_px == (grey.shape[1], grey.shape[0])
    return Photo("synthetic", "", np.repeat(grey[..., None], 3, axis=2), CaptureFacts())


def _render(scene: Scene, plane: GroundPlane) -> NDArray[np.float32]:
    width, height = scene.size_px
    pixels = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1).reshape(-1, 2).astype(np.float64)
    top, floor = plane.to_plane(pixels), plane.to_plane(pixels, -scene.depth_mm)
    left, right = scene.edges_mm(top[:, 0])
    chip = scene.chip_mm * np.clip(1.0 - np.abs(top[:, 0] - 150.0) / 15.0, 0.0, 1.0)
    inside = (top[:, 1] < left + chip) & (top[:, 1] > right)
    floor_left, floor_right = scene.edges_mm(floor[:, 0])
    on_floor = (floor[:, 1] < floor_left) & (floor[:, 1] > floor_right)
    light = scene.pavement * _texture(scene, top)
    if scene.strip is not None:
        beside = top[:, 1] - left - scene.strip[0]
        strip = scene.strip[2] * (_texture(scene, top) if scene.painted else 1.0)
        light = np.where((beside > 0) & (beside < scene.strip[1]), strip, light)
    floor_light = np.full(len(top), scene.floor)
    above = top[:, 1] - right
    in_sun = (above < scene.sunlit_mm) & (above > scene.shadow_mm)
    floor_light[in_sun] = (SUNLIT * _texture(replace(scene, seed=scene.seed + 7), floor))[in_sun]
    light = np.where(inside, np.where(on_floor, floor_light, scene.wall), light)
    bar = (top[:, 0] > 0) & (top[:, 0] < 300) & (top[:, 1] > 0) & (top[:, 1] < 50)
    checks = (np.floor(top[:, 0] / 12.5) + np.floor(top[:, 1] / 12.5)) % 2
    light = np.where(bar, 0.1 + 0.7 * checks, light)
    return np.asarray(light.reshape(height, width), dtype=np.float32)


def _texture(scene: Scene, points: Array) -> Array:
    """Stones: smoothed noise on a grid of 1 mm, fixed to the pavement."""
    rng = np.random.default_rng(scene.seed + 100)
    grid = cv2.GaussianBlur(rng.normal(size=(1400, 1400)), (0, 0), 1.5)
    grid = np.exp(scene.roughness * grid / grid.std()).astype(np.float32)
    where = (points + 600.0).astype(np.float32).reshape(-1, 1, 2)
    x, y = where[..., 0], where[..., 1]
    out = np.empty((len(points), 1), dtype=np.float32)
    for start in range(0, len(points), 30000):
        part = slice(start, start + 30000)
        out[part] = cv2.remap(grid, x[part], y[part], cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return np.asarray(out[:, 0], dtype=np.float64)
