"""Small pictures of painted pavement with exactly known geometry, for the tests of lane and layout lines.

Every pixel is coloured from where its line of sight meets the pavement; edges are softened over about
a pixel, as optics do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.photo import CaptureFacts, Photo
from verifier.plane import CovarianceSource, GroundPlane

Array = NDArray[np.float64]

WHITE, YELLOW, GREEN, PINK, BLACK = (
    (0.8, 0.8, 0.8),
    (0.04, 0.5, 0.7),
    (0.15, 0.6, 0.2),
    (0.3, 0.1, 0.7),
    (0.01, 0.01, 0.01),
)
"""Linear light, blue-green-red."""
SIZE = (1280, 960)


@dataclass(frozen=True)
class Stripe:
    """A straight painted band: its middle passes through ``at`` in direction ``angle_deg``."""

    at: tuple[float, float]
    angle_deg: float
    width_mm: float
    colour: tuple[float, float, float]
    span_mm: tuple[float, float] = (-9000.0, 9000.0)
    worn: float = 0.0
    """Share of it that is worn off."""


def camera_over(
    target: tuple[float, float] = (0.0, -700.0),
    away_mm: float = 1300.0,
    from_deg: float = 250.0,
    height_mm: float = 1500.0,
) -> GroundPlane:
    """A phone held at ``height_mm``, standing ``away_mm`` from the target in direction ``from_deg``, looking at it."""
    bearing = np.radians(from_deg)
    centre = np.array([target[0] + away_mm * np.cos(bearing), target[1] + away_mm * np.sin(bearing), height_mm])
    forward = np.array([*target, 0.0]) - centre
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    rotation = np.array([right, np.cross(forward, right), forward])
    vector = cv2.Rodrigues(rotation)[0].ravel()
    lens = [np.log(920.0), SIZE[0] / 2 - 0.5, SIZE[1] / 2 - 0.5, 0.0, 0.0]
    covariance = np.diag(np.array([1e-3, 1.0, 1.0, 1e-3, 1e-3, *[1e-4] * 3, *[0.1] * 3]) ** 2)
    return GroundPlane(
        np.array([*lens, *vector, *(-rotation @ centre)]), (CovarianceSource("assumed", covariance),), SIZE
    )


def road(
    plane: GroundPlane,
    stripes: Sequence[Stripe],
    *,
    ground: tuple[float, float, float] = (0.09, 0.09, 0.09),
    seed: int = 1,
) -> Photo:
    """A photo of the stripes, painted in the order given."""
    rng = np.random.default_rng(seed)
    width, height = plane.size_px
    u, v = np.meshgrid(np.arange(width, dtype=np.float64), np.arange(height, dtype=np.float64))
    where = plane.to_plane(np.column_stack([u.ravel(), v.ravel()]))
    seen = np.isfinite(where).all(axis=1)
    where[~seen] = 1e6
    px_mm = np.hypot(*(where - plane.camera_mm[:2]).T) ** 2 / plane.camera_mm[2] + plane.camera_mm[2]
    px_mm = px_mm / plane.focal_px
    texture = np.exp(0.2 * _smooth(rng.standard_normal((height, width)), 1.2)).ravel()
    light = np.array(ground) * texture[:, None]
    patches = _smooth(rng.standard_normal((height, width)), 7.0).ravel()
    for stripe in stripes:
        cover = _cover(stripe, where, px_mm) * (patches > np.quantile(patches, stripe.worn))
        light = light * (1 - cover[:, None]) + cover[:, None] * np.array(stripe.colour)
    picture = cv2.GaussianBlur(light.reshape(height, width, 3), (0, 0), 0.7)
    picture = picture + rng.normal(0, 0.002, picture.shape)
    code = np.where(picture <= 0.0031308, 12.92 * picture, 1.055 * np.maximum(picture, 1e-9) ** (1 / 2.4) - 0.055)
    return Photo("road", "", np.clip(np.rint(255 * code), 0, 255).astype(np.uint8), CaptureFacts())


def _smooth(noise: Array, sigma: float) -> Array:
    smooth = cv2.GaussianBlur(noise, (0, 0), sigma)
    return np.asarray(smooth / smooth.std())


def _cover(stripe: Stripe, where: Array, px_mm: Array) -> Array:
    turn = np.radians(stripe.angle_deg)
    rel = where - np.array(stripe.at)
    s = rel @ np.array([np.cos(turn), np.sin(turn)])
    n = rel @ np.array([-np.sin(turn), np.cos(turn)])
    across = np.clip((0.5 * stripe.width_mm - np.abs(n)) / px_mm + 0.5, 0.0, 1.0)
    middle, half = 0.5 * sum(stripe.span_mm), 0.5 * (stripe.span_mm[1] - stripe.span_mm[0])
    return np.asarray(across * np.clip((half - np.abs(s - middle)) / px_mm + 0.5, 0.0, 1.0))
