"""Rectified strips of a colour photo, quickly: the pixel map is worked out at nodes and interpolated between them.

A perspective map is so smooth that over ``NODE_MM`` the bilinear interpolation is off by less than a hundredth of a
pixel as long as the camera looks down at the pavement (second derivative 2 f tan(tilt) / H**2 per mm**2, times
NODE_MM**2 / 8).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis
from verifier.plane import Array, GroundPlane
from verifier.strip import linear_light_table

NODE_MM = 4.0
_PART = 32
"""Stations turned to linear light at a time: a strip aslant in the picture would otherwise need a large window."""
Samples = NDArray[np.float32]
_LINEAR = linear_light_table()
_LOG = np.log(_LINEAR + 0.004).astype(np.float32)
"""Natural logarithm of linear light; the offset, the light of code value 12, keeps noise in the dark small."""


@dataclass(frozen=True, eq=False)
class Picture:
    """A colour picture reduced by a whole number, and the photo's plane to look things up in it."""

    image: NDArray[np.uint8]
    plane: GroundPlane
    factor: int = 1
    """Photo pixels per pixel of ``image``."""

    def codes(self, pixels: Samples) -> NDArray[np.uint8]:
        """Code values (S, N, 3) at ``pixels`` (S, N, 2) of ``image``; 0 outside the picture."""
        return np.asarray(self._remap(self.image, pixels))

    def linear(self, pixels: Samples) -> Samples:
        """Linear light 0 ... 1, shape (S, N, 3), interpolated in linear light; 0 outside the picture."""
        return np.concatenate([self._linear_part(pixels[i : i + _PART]) for i in range(0, len(pixels), _PART)])

    def _linear_part(self, pixels: Samples) -> Samples:
        """Linear light at ``pixels``, by way of a window of the picture that holds them."""
        x0, y0, x1, y1 = _window(pixels, self.image.shape)
        window = cv2.LUT(np.ascontiguousarray(self.image[y0:y1, x0:x1]), _LINEAR)
        return np.asarray(self._remap(window, pixels - np.array([x0, y0], dtype=np.float32)))

    def inside(self, pixels: Samples) -> NDArray[np.bool_]:
        """Which of ``pixels`` (S, N, 2) lie in the picture, a pixel from its border."""
        x, y = pixels[..., 0], pixels[..., 1]
        height, width = self.image.shape[:2]
        return np.asarray((x >= 1) & (y >= 1) & (x <= width - 2) & (y <= height - 2))

    def grid(self, axis: Axis, s_mm: Array, n_mm: Array) -> Samples:
        """Pixels (S, N, 2) of ``image`` at stations ``s_mm`` and offsets ``n_mm``, both evenly spaced."""
        nodes_s, nodes_n = _nodes(s_mm, NODE_MM * self.factor), _nodes(n_mm, NODE_MM * self.factor)
        ss, nn = np.meshgrid(nodes_s, nodes_n, indexing="ij")
        pixels = self.plane.to_pixels(axis.to_plane(ss, nn).reshape(-1, 2))
        nodes: Samples = ((pixels + 0.5) / self.factor - 0.5).reshape(*ss.shape, 2).astype(np.float32)
        return _between(_between(nodes, nodes_n, n_mm, 1), nodes_s, s_mm, 0)

    @staticmethod
    def _remap(image: NDArray, pixels: Samples) -> NDArray:  # type: ignore[type-arg]
        return np.asarray(
            cv2.remap(image, pixels[..., 0], pixels[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        )


def reduced(image: NDArray[np.uint8], plane: GroundPlane, factor: int) -> Picture:
    """The photo made smaller by a whole ``factor``: the middle pixel of each square stands for all.

    A mean would be kinder to gravel, and costs as much time as all the rest of a search.
    """
    if factor <= 1:
        return Picture(image, plane)
    size = (image.shape[0] // factor, image.shape[1] // factor)
    first = factor // 2
    thinned = image[first::factor, first::factor][: size[0], : size[1]]
    return Picture(np.ascontiguousarray(thinned), plane, factor)


def log_light(codes: NDArray[np.uint8]) -> Samples:
    """Natural logarithm of linear light for code values: differences are ratios of reflectance."""
    return np.asarray(cv2.LUT(np.ascontiguousarray(codes), _LOG), dtype=np.float32)


def _between(values: Samples, nodes: Array, x: Array, axis: int) -> Samples:
    """Linear interpolation of ``values`` along ``axis`` from evenly spaced ``nodes`` to ``x``."""
    place = (np.asarray(x) - nodes[0]) / (nodes[1] - nodes[0])
    left = np.clip(np.floor(place).astype(int), 0, len(nodes) - 2)
    weight = (place - left).astype(np.float32).reshape((-1, 1, 1) if axis == 0 else (1, -1, 1))
    before, after = np.take(values, left, axis=axis), np.take(values, left + 1, axis=axis)
    after -= before
    after *= weight
    after += before
    return after


def _nodes(x: Array, step_mm: float) -> Array:
    """Nodes at most ``step_mm`` apart from the first to the last of ``x``."""
    count = max(int(np.ceil(abs(x[-1] - x[0]) / step_mm)), 1) + 1
    return np.linspace(x[0], x[-1] if x[-1] != x[0] else x[0] + 1.0, count)


def _window(pixels: Samples, shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    """Bounds (x0, y0, x1, y1) of the part of a picture that ``pixels`` touch, clipped to the picture."""
    low = np.clip(np.floor(pixels.min(axis=(0, 1))) - 1, 0, [shape[1] - 2, shape[0] - 2]).astype(int)
    high = np.clip(np.ceil(pixels.max(axis=(0, 1))) + 2, low + 1, [shape[1], shape[0]]).astype(int)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])
