"""Rectified strips: the picture resampled on a grid of stations along and offsets across a line of the pavement.

Sampling is bilinear on float32: OpenCV's cubic and Lanczos kernels do not reproduce a straight ramp.
Values are in linear light (inverse of IEC 61966-2-1, sRGB): optics blur light, not code values, so that an
edge's half level is only where it seems when the tone curve is undone.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis
from verifier.plane import GroundPlane


def linear_light_table() -> NDArray[np.float32]:
    """Inverse sRGB transfer function of the code values 0 ... 255, shape (256,), 0 ... 1 (IEC 61966-2-1)."""
    v = np.arange(256) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


_TABLE = linear_light_table()


@dataclass(frozen=True, eq=False)
class Strip:
    """Samples on a regular grid beside an axis of the plane."""

    values: NDArray[np.float32]
    """Shape (S, N) or (S, N, 3), linear light 0 ... 1; NaN outside the picture."""
    axis: Axis
    s_mm: NDArray[np.float64]
    """Stations, shape (S,)."""
    n_mm: NDArray[np.float64]
    """Offsets, left positive, shape (N,)."""
    pixels: NDArray[np.float32]
    """Where each sample lies in the picture, shape (S, N, 2)."""


def sample_strip(
    image: NDArray[np.uint8], plane: GroundPlane, axis: Axis, s_mm: NDArray[np.float64], n_mm: NDArray[np.float64]
) -> Strip:
    """Resample ``image`` (grey or colour, as displayed) on stations ``s_mm`` and offsets ``n_mm`` of ``axis``."""
    ss, nn = np.meshgrid(s_mm, n_mm, indexing="ij")
    pixels = plane.to_pixels(axis.to_plane(ss, nn).reshape(-1, 2)).reshape(*ss.shape, 2).astype(np.float32)
    values = sample_pixels(image, pixels)
    return Strip(values, axis, np.asarray(s_mm), np.asarray(n_mm), pixels)


def sample_pixels(image: NDArray[np.uint8], pixels: NDArray[np.float32]) -> NDArray[np.float32]:
    """Linear-light samples at pixel positions (S, N, 2); NaN outside the picture."""
    height, width = image.shape[:2]
    finite = np.asarray(np.isfinite(pixels).all(axis=-1), dtype=np.bool_)
    safe = np.where(finite[..., None], pixels, -1e6).astype(np.float32)
    inside = (safe[..., 0] >= 0) & (safe[..., 0] <= width - 1) & (safe[..., 1] >= 0) & (safe[..., 1] <= height - 1)
    if not inside.any():
        return np.full(pixels.shape[:2] + image.shape[2:], np.nan, dtype=np.float32)
    x, y = safe[inside][:, 0], safe[inside][:, 1]
    left, top = max(int(x.min()) - 1, 0), max(int(y.min()) - 1, 0)
    right, bottom = min(int(x.max()) + 3, width), min(int(y.max()) + 3, height)
    window = _TABLE[image[top:bottom, left:right]]
    values = cv2.remap(
        window, safe[..., 0] - np.float32(left), safe[..., 1] - np.float32(top), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    values[~inside] = np.nan
    return np.asarray(values, dtype=np.float32)
