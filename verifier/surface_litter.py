"""Things that lie across the grout's boundary and hide it: leaves, rags, splashes, what is neither grout nor pavement.

Grout and pavement each have a normal model of the colour of a short stretch along the strip. What is far from both,
over an area larger than a chip of stone, is something else; where it reaches the boundary, that is not in sight.
Colour alone counts: light and shade, wet and dry change how light the same material is. A line between grout and
pavement, where blur mixes both, is thinner than such a thing.
"""

from __future__ import annotations

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
FEWEST = 500
"""Cells of a material without which it is not learnt."""


def hidden(view: Patch, distances_mm: Array, path: Array, skirt_mm: float) -> NDArray[np.bool_]:
    """Stations (S,) at which something that is neither grout nor pavement reaches the boundary ``path`` (S,)."""
    d, colour = distances_mm, _averaged(view)
    grout = view.usable & (d > skirt_mm) & (d < path[:, None] - 1.0)
    pavement = view.usable & (d > path[:, None] + BEYOND_MM)
    if min(grout.sum(), pavement.sum()) < FEWEST:
        return np.zeros(len(path), dtype=bool)
    far = np.minimum(_distance2(colour, grout), _distance2(colour, pavement)) > FAR
    kernel = np.ones((int(SMALLEST_MM[0] / STATION_MM), int(SMALLEST_MM[1] / CELL_MM)), np.uint8)
    things = cv2.morphologyEx((far & view.usable).astype(np.uint8), cv2.MORPH_OPEN, kernel) > 0
    touched = (things & (np.abs(d - path[:, None]) < NEAR_MM)).any(axis=1)
    return np.asarray(cv2.dilate(touched.astype(np.uint8)[None, :], np.ones((1, 3), np.uint8))[0] > 0)


def _averaged(view: Patch) -> Samples:
    """Colour (S, D, 2), each the mean over ``ALONG_MM`` of the usable cells along."""
    size, weight = (1, int(ALONG_MM / STATION_MM)), view.usable.astype(np.float32)
    total = cv2.blur(np.ascontiguousarray(view.features[..., 1:3] * weight[..., None]), size)
    return np.asarray(total / np.maximum(cv2.blur(weight, size), np.float32(0.01))[..., None], np.float32)


def _distance2(colour: Samples, mask: NDArray[np.bool_]) -> Samples:
    """Squared Mahalanobis distance (S, D) of colours from what those under the mask are like, outliers cut off."""
    x = colour[mask].astype(np.float64)
    middle = np.median(x, axis=0)
    spread = 1.4826 * np.median(np.abs(x - middle), axis=0) + LEAST_SPREAD
    x = x[(np.abs(x - middle) < 5 * spread).all(axis=1)]
    precision = np.linalg.inv(np.cov(x.T) + LEAST_SPREAD**2 * np.eye(2))
    off = colour - x.mean(axis=0).astype(np.float32)
    return np.asarray(np.einsum("sdi,ij,sdj->sd", off, precision, off), np.float32)
