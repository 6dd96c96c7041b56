"""What is neither grout nor pavement: things across the grout's boundary that hide it, and a sealed joint beside it.

Grout and pavement each have a normal model of the colour of a short stretch along the strip. What is far from both,
over an area larger than a chip of stone, is something else; where it reaches the boundary, that is not in sight.
Colour alone counts: light and shade, wet and dry change how light the same material is. A line between grout and
pavement, where blur mixes both, is thinner than such a thing.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.plane import Array
from verifier.surface_materials import CELL_MM, Patch
from verifier.surface_strip import Samples
from verifier.surface_top import STATION_MM

ALONG_MM = 9.0
"""Length along the strip over which features are averaged: noise goes, things stay."""
FAR = 60.0
"""Squared Mahalanobis distance from both materials beyond which a cell is neither (99.9 % of each lie within 14 by the
normal model; stains and rare stones go further)."""
LEAST_SPREAD = 0.03
"""Standard deviation of colour that any material has at least (log ratio): a phone's noise and chroma compression."""
SMALLEST_MM = (7.0, 3.5)
"""Least size of a thing along and across."""
NEAR_MM = 3.0
"""How near it must come to the boundary to hide it."""
BEYOND_MM = 4.0
"""From here on beyond the boundary pavement is learnt."""
FEWEST, COUNT = 500, 5000
"""Cells of a material without which it is not learnt, and how many are enough."""


def hidden(view: Patch, distances_mm: Array, path: Array, skirt_mm: float) -> NDArray[np.bool_]:
    """Stations (S,) at which something that is neither grout nor pavement reaches the boundary ``path`` (S,)."""
    grout = view.usable & (distances_mm > skirt_mm) & (distances_mm < path[:, None] - 1.0)
    pavement = view.usable & (distances_mm > path[:, None] + BEYOND_MM)
    if min(grout.sum(), pavement.sum()) < FEWEST:
        return np.zeros(len(path), dtype=bool)
    margin = NEAR_MM + SMALLEST_MM[1]
    near = slice(*np.searchsorted(distances_mm, [path.min() - margin, path.max() + margin]))
    colour = _averaged(view)
    off = [_Colour.of(colour[mask]).distance2(colour[:, near]) for mask in (grout, pavement)]
    far = np.minimum(off[0], off[1]) > FAR
    kernel = np.ones((int(SMALLEST_MM[0] / STATION_MM), int(SMALLEST_MM[1] / CELL_MM)), np.uint8)
    things = cv2.morphologyEx((far & view.usable[:, near]).astype(np.uint8), cv2.MORPH_OPEN, kernel) > 0
    touched = (things & (np.abs(distances_mm[near] - path[:, None]) < NEAR_MM)).any(axis=1)
    return np.convolve(touched, np.ones(3), mode="same") > 0


STRIP_MM = 2.5
"""Depth of the strips that are compared just outside the sensor's edge and just inside the boundary."""
OTHER_COLOUR = 0.25
"""Difference of colour (log ratio) between two strips of one grout that light never makes, unless one is in shadow."""
SHADOW = 0.9
"""Difference of lightness (log ratio) beyond which one of two strips lies in shadow, where light has another colour."""
THROUGHOUT = 0.95
"""Share of the stations at which the difference must go the same way."""


def is_two_materials(view: Patch, distances_mm: Array, path: Array, skirt_mm: float) -> bool:
    """Whether what lies between sensor and ``path`` (S,) changes colour on the way: grout, then a joint's sealant."""
    wide = path > skirt_mm + 2.0 * STRIP_MM
    inner = view.usable & (distances_mm > skirt_mm) & (distances_mm < skirt_mm + STRIP_MM)
    outer = view.usable & (distances_mm < path[:, None] - 1.0) & (distances_mm > path[:, None] - 1.0 - STRIP_MM)
    both = wide & inner.any(axis=1) & outer.any(axis=1)
    if both.sum() < THROUGHOUT / 2 * len(path):
        return False
    change = _station_means(view.features[both], outer[both]) - _station_means(view.features[both], inner[both])
    lightness, *colour = np.median(change, axis=0)[:3]
    same_way = float((change[:, 1:3] @ np.array(colour) > 0).mean())
    return bool(np.hypot(*colour) > OTHER_COLOUR and abs(lightness) < SHADOW and same_way > THROUGHOUT)


def _station_means(features: Samples, mask: NDArray[np.bool_]) -> Samples:
    """Mean features (S, 4) of the cells under a mask (S, D) that has some at every station."""
    return np.asarray(np.einsum("sdf,sd->sf", features, mask.astype(np.float32)) / mask.sum(axis=1)[:, None])


def _averaged(view: Patch) -> Samples:
    """Colour (S, D, 2), each the mean over ``ALONG_MM`` of the usable cells along."""
    size, weight = (1, int(ALONG_MM / STATION_MM)), view.usable.astype(np.float32)
    total = cv2.blur(np.ascontiguousarray(view.features[..., 1:3] * weight[..., None]), size)
    return np.asarray(total / np.maximum(cv2.blur(weight, size), np.float32(0.01))[..., None], np.float32)


@dataclass(frozen=True, eq=False)
class _Colour:
    """A bivariate normal model of a material's colour."""

    mean: Array
    precision: Array

    @classmethod
    def of(cls, samples: Samples) -> _Colour:
        """Fit to samples (N, 2); outliers by median and MAD are cut off."""
        if len(samples) > COUNT:  # at random: any regular pick would favour some columns
            samples = samples[np.random.default_rng(0).integers(0, len(samples), COUNT)]
        x = samples.astype(np.float64)
        middle = np.median(x, axis=0)
        spread = 1.4826 * np.median(np.abs(x - middle), axis=0) + LEAST_SPREAD
        x = x[(np.abs(x - middle) < 5 * spread).all(axis=1)]
        covariance = np.cov(x.T) + LEAST_SPREAD**2 * np.eye(2)
        return cls(x.mean(axis=0), np.asarray(np.linalg.inv(covariance), np.float64))

    def distance2(self, colour: Samples) -> Samples:
        """Squared Mahalanobis distance (S, D) of colours (S, D, 2)."""
        (a, b), (_, c) = self.precision.astype(np.float32)
        x, y = (colour[..., i] - np.float32(self.mean[i]) for i in (0, 1))
        return np.asarray(a * x * x + 2 * b * x * y + c * y * y, np.float32)
