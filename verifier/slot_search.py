"""Where a slot may lie: pairs of long parallel edges near the bars, by projection of a small map of the pavement.

What lies between the edges may be darker or brighter than the pavement or of its very tone (a floor full of dust, a
wall in the sun); it is seldom as rough. So the map holds tone and texture, and an edge is a step in either that runs
straight through all that is in sight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis
from verifier.plane import GroundPlane
from verifier.strip import linear_light_table

Array = NDArray[np.float64]
Image32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

MARGIN_MM = 450.0
"""How far beside the bars a slot is looked for: bars are laid along the slot."""
NARROWEST_MM, WIDEST_MM = 16.0, 150.0
"""Distances of the two edges looked for; one of them can be the foot of a wall or the border of a shadow within."""
_BACKGROUND_MM = 160.0
_CELLS = 420.0
_SUB = 3
"""Samples along each side of a cell: their scatter is the texture."""
_FLANK_MM = 9.0
"""Length over which the levels on both sides of an edge are taken."""
MOST_BANDS = 5
SAME_MM, SAME_DEG = 60.0, 1.2
"""Bands nearer to each other than this are looked at together, in one cross-section."""
PARALLEL_DEG, MOST_PARALLEL = 8.0, 0.6
"""Share of the bands that may run within this angle of one another."""


@dataclass(frozen=True, eq=False)
class PavementMap:
    """A small picture of the pavement seen from above."""

    channels: Image32
    """Shape (2, H, W), natural logarithms: light less its surroundings, and relative scatter within a cell; 0 where
    unknown."""
    weight: Image32
    """Shape (H, W), 1 where pavement is in sight, 0 where bars lie or the picture ends."""
    origin_mm: Array
    """Plane coordinates of the first cell's centre; x grows with columns, y with rows."""
    cell_mm: float

    @cached_property
    def stack(self) -> Image32:
        """Channels and weight interleaved, shape (H, W, 3)."""
        return np.dstack([*self.channels, self.weight])


@dataclass(frozen=True, eq=False)
class Band:
    """Two parallel edges: the axis runs midway."""

    axis: Axis
    significance: float
    """Step at the weaker of the two edges over the scatter of steps along its direction."""


def map_pavement(grey: NDArray[np.uint8], plane: GroundPlane, outlines_mm: Sequence[Array]) -> PavementMap:
    """Map of the surroundings of the bars, at a cell of about 1/420 of its longer side."""
    corners = np.concatenate([np.asarray(o, dtype=np.float64).reshape(-1, 2) for o in outlines_mm])
    low, high = corners.min(axis=0) - MARGIN_MM, corners.max(axis=0) + MARGIN_MM
    cell = float(np.clip(np.max(high - low) / _CELLS, 2.5, 6.0))
    xs, ys = np.arange(low[0], high[0], cell), np.arange(low[1], high[1], cell)
    pixels = _sight(plane, np.stack(np.meshgrid(xs, ys), axis=-1))
    light, texture, inside = _sample_cells(grey, plane, pixels, corners.mean(axis=0), cell)
    weight = inside & ~_covered(outlines_mm, low, cell, inside.shape)
    channels = np.stack([_relative(values, weight, cell) for values in (light, texture)])
    return PavementMap(channels, weight.astype(np.float32), low, cell)


def _sight(plane: GroundPlane, points: Array) -> Image32:
    """Pixels of plane points (H, W, 2); NaN behind or far beside the camera, where the projection folds over."""
    flat = points.reshape(-1, 2)
    depth = flat @ plane.rotation[2, :2] + plane.parameters[10]
    pixels = np.where((depth > 50.0)[:, None], plane.to_pixels(flat), np.nan)
    width, height = plane.size_px
    far = (np.abs(pixels - (width / 2, height / 2)) > (width, height)).any(axis=1)
    pixels[far] = np.nan
    return pixels.reshape(points.shape).astype(np.float32)


def _sample_cells(
    grey: NDArray[np.uint8], plane: GroundPlane, pixels: Image32, centre: Array, cell: float
) -> tuple[Image32, Image32, Bools]:
    """Log of light per cell, log of its relative scatter within the cell, and whether the cell is in the picture."""
    scale = float(np.sqrt(abs(np.linalg.det(plane.pixels_per_mm(centre)[0]))))
    shrink = max(1, math.floor(scale * cell / _SUB))
    small = cv2.resize(grey, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA) if shrink > 1 else grey
    where = np.asarray((np.nan_to_num(pixels, nan=-1e6) + 0.5) / shrink - 0.5, np.float32)
    height, width = small.shape
    inside = (where[..., 0] >= 1) & (where[..., 1] >= 1) & (where[..., 0] <= width - 2) & (where[..., 1] <= height - 2)
    fine = cv2.resize(where, None, fx=_SUB, fy=_SUB, interpolation=cv2.INTER_LINEAR)
    light = linear_light_table()[cv2.remap(small, fine[..., 0], fine[..., 1], cv2.INTER_NEAREST)]
    log = np.log(light + np.float32(0.004))
    mean = cv2.resize(log, inside.shape[::-1], interpolation=cv2.INTER_AREA)
    square = cv2.resize(log * log, inside.shape[::-1], interpolation=cv2.INTER_AREA)
    scatter = np.sqrt(np.maximum(square - mean * mean, 0.0)) + np.float32(0.02)
    return mean, np.log(scatter), inside


def _covered(outlines: Sequence[Array], low: Array, cell: float, shape: tuple[int, int]) -> Bools:
    """Cells under or within 8 mm of a bar (its shadow and its thickness)."""
    mask = np.zeros(shape, dtype=np.uint8)
    for outline in outlines:
        cv2.fillConvexPoly(mask, np.round((np.asarray(outline) - low) / cell).astype(np.int32), 1)
    size = 2 * max(1, round(8.0 / cell)) + 1
    return np.asarray(cv2.dilate(mask, np.ones((size, size), np.uint8)) > 0)


def _relative(log: Image32, weight: Bools, cell: float) -> Image32:
    """Logarithm less its surroundings, limited to a factor of 5; 0 where unknown."""
    sigma = _BACKGROUND_MM / cell / 2
    known = weight.astype(np.float32)
    quarter = (max(log.shape[1] // 4, 1), max(log.shape[0] // 4, 1))

    def spread(image: Image32) -> Image32:
        small = cv2.resize(image, quarter, interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.GaussianBlur(small, (0, 0), sigma / 4, borderType=cv2.BORDER_CONSTANT), np.float32)

    top, base = spread(log * known), spread(known)
    around = cv2.resize(top / np.maximum(base, 1e-3), log.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.clip(log - around, -1.6, 1.6) * known, dtype=np.float32)


def find_bands(pavement: PavementMap) -> list[Band]:
    """Bands between parallel edges, most significant first."""
    coarse = _shrunk(pavement, 2)
    first = [b for a in np.arange(0.0, 180.0, 2.0) for b in _bands_at(coarse, math.radians(a), most=3)]
    near = [b for band in _distinct(first, most=2 * MOST_BANDS) for b in _turned(coarse, band, 1.5, 0.5)]
    fine = [b for band in _distinct(near, most=MOST_BANDS) for b in _turned(pavement, band, 0.4, 0.1)]
    return _distinct(fine, most=MOST_BANDS)


def _shrunk(pavement: PavementMap, factor: int) -> PavementMap:
    height, width = (n // factor for n in pavement.weight.shape)
    stack = np.concatenate([pavement.channels, pavement.weight[None]])[:, : height * factor, : width * factor]
    *channels, weight = (cv2.resize(a, (width, height), interpolation=cv2.INTER_AREA) for a in stack)
    origin = pavement.origin_mm + (factor - 1) / 2 * pavement.cell_mm
    return PavementMap(np.stack(channels), np.asarray(weight, np.float32), origin, pavement.cell_mm * factor)


def _turned(pavement: PavementMap, band: Band, reach_deg: float, step_deg: float) -> list[Band]:
    """The best band close to one, among directions close to its own."""
    angle = math.atan2(band.axis.direction[1], band.axis.direction[0])
    turns = np.radians(np.arange(-reach_deg, reach_deg + step_deg / 2, step_deg))
    found = [b for turn in turns for b in _bands_at(pavement, angle + turn, 4) if _apart_mm(b, band) < 30.0]
    return sorted(found, key=lambda b: -b.significance)[:1]


def _profiles(pavement: PavementMap, angle: float) -> tuple[Array, Array, Array]:
    """Offsets n from the map's centre (N,), means of both channels along a direction (2, N), and sight length (N,)."""
    height, width = pavement.weight.shape
    size = int(math.hypot(height, width)) + 1
    c, s, half = math.cos(angle), math.sin(angle), size / 2.0
    # Destination (n, s) to source (x, y): x = cx + s c - n s, y = cy + s s + n c; sums of columns are the quick ones.
    turn = np.array([[-s, c, width / 2 - half * c + half * s], [c, s, height / 2 - half * s - half * c]])
    # Nothing of the map lies beyond its own extents along and across.
    extents = np.array([abs(width * s) + abs(height * c), abs(width * c) + abs(height * s)])
    skipped = np.maximum(np.floor((size - extents) / 2) - 1, 0).astype(int)
    turn[:, 2] += turn[:, :2] @ skipped
    columns, rows = size - 2 * skipped
    turned = cv2.warpAffine(
        pavement.stack, turn, (int(columns), int(rows)), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    sums = np.asarray(cv2.reduce(turned, 0, cv2.REDUCE_SUM), np.float64).reshape(columns, 3).T
    mean = np.divide(sums[:2], sums[2], out=np.zeros((2, columns)), where=sums[2] > 0)
    offsets = np.asarray((np.arange(columns) + skipped[0] - half) * pavement.cell_mm, np.float64)
    return offsets, np.asarray(mean, np.float64), np.asarray(sums[2] * pavement.cell_mm, np.float64)


def _bands_at(pavement: PavementMap, angle: float, most: int) -> list[Band]:
    """Best bands along one direction."""
    n, means, length = _profiles(pavement, angle)
    usable = np.flatnonzero(length > 0.35 * length.max())
    if len(usable) < 12:
        return []
    part = slice(usable[0], usable[-1] + 1)
    score, spans = _scores(_edges(means[:, part], pavement.cell_mm), pavement.cell_mm)
    columns = np.arange(score.shape[1])
    bands = []
    for _ in range(most):
        w, i = np.unravel_index(int(np.argmax(score)), score.shape)
        if not score[w, i] > 0.0:
            break
        middle = n[part][i] + (spans[w] - 1) / 2 * pavement.cell_mm
        bands.append(_band(pavement, angle, middle, float(score[w, i])))
        # Bands about the same middle are the same, whatever their width.
        first, reach = (i + spans[w] // 2 - spans // 2)[:, None], spans[w] // 2 + 2
        score[(columns >= first - reach) & (columns < first + reach)] = -1.0
    return bands


def _edges(means: Array, cell: float) -> Array:
    """Size of the step at each boundary between cells (N - 1,), over both channels, in units of their usual steps."""
    flank = max(1, round(_FLANK_MM / cell))
    total = np.zeros((len(means), means.shape[1] + 1))
    np.cumsum(means, axis=1, out=total[:, 1:])
    level = (total[:, flank:] - total[:, :-flank]) / flank
    steps = level[:, flank:] - level[:, :-flank]
    usual = 1.4826 * np.median(np.abs(steps), axis=1, keepdims=True) + 0.01
    size = np.zeros(means.shape[1] - 1)
    size[flank - 1 : len(size) - flank + 1] = np.sqrt(np.sum((steps / usual) ** 2, axis=0))
    return size


def _scores(edges: Array, cell: float) -> tuple[Array, NDArray[np.intp]]:
    """The weaker edge of a band of each width (rows) that begins at each cell (columns)."""
    spans = np.arange(math.ceil(NARROWEST_MM / cell), math.floor(WIDEST_MM / cell) + 1)
    score = np.full((len(spans), len(edges)), -1.0)
    # Edge k lies between cells k and k + 1: a band of cells k + 1 ... k + span begins at cell k + 1.
    far = np.arange(len(edges) - 1) + spans[:, None]
    score[:, 1:] = np.where(far < len(edges), np.minimum(edges[:-1], edges[np.minimum(far, len(edges) - 1)]), -1.0)
    return score, spans


def _band(pavement: PavementMap, angle: float, n: float, significance: float) -> Band:
    direction = np.array([math.cos(angle), math.sin(angle)])
    normal = np.array([-direction[1], direction[0]])
    shape = np.array(pavement.weight.shape[::-1])
    middle = pavement.origin_mm + (shape / 2 - 0.5) * pavement.cell_mm
    return Band(Axis(middle + n * normal, direction if direction[0] >= 0 else -direction), significance)


def _apart_mm(a: Band, b: Band) -> float:
    return float(abs(b.axis.from_plane(a.axis.origin_mm)[1]))


def _distinct(bands: Sequence[Band], most: int) -> list[Band]:
    """Strongest bands that are not the same band at another angle, not too many of them parallel: of a few lane lines
    every two edges make a band, and would leave no room for what crosses them."""
    kept: list[Band] = []
    for band in sorted(bands, key=lambda b: -b.significance):
        parallel = sum(_turn_rad(band, other) < math.radians(PARALLEL_DEG) for other in kept)
        if parallel < most * MOST_PARALLEL and all(_differs(band, other) for other in kept):
            kept.append(band)
        if len(kept) == most:
            break
    return kept


def _differs(a: Band, b: Band) -> bool:
    return _turn_rad(a, b) > math.radians(SAME_DEG) or _apart_mm(a, b) > SAME_MM


def _turn_rad(a: Band, b: Band) -> float:
    """Angle between the directions of two bands."""
    angles = [math.atan2(x.axis.direction[1], x.axis.direction[0]) for x in (a, b)]
    return abs(math.remainder(angles[0] - angles[1], math.pi))
