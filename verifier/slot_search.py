"""Where a slot may lie: long dark bands near the bars, by projection of a small map of the pavement at all angles."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis
from verifier.plane import GroundPlane
from verifier.strip import linear_light_table

Array = NDArray[np.float64]
Image32 = NDArray[np.float32]

MARGIN_MM = 450.0
"""How far beside the bars a slot is looked for: bars are laid along the slot."""
NARROWEST_MM, WIDEST_MM = 16.0, 160.0
"""Dark cores looked for; the core can be narrower than the slot where a wall or part of the floor is lit."""
_BACKGROUND_MM = 160.0


@dataclass(frozen=True, eq=False)
class PavementMap:
    """A small picture of the pavement seen from above: relative brightness in natural log units."""

    values: Image32
    """Shape (H, W): log of linear light less its surroundings; 0 where unknown."""
    weight: Image32
    """1 where pavement is in sight, 0 where bars lie or the picture ends."""
    origin_mm: Array
    """Plane coordinates of the first cell's centre; x grows with columns, y with rows."""
    cell_mm: float


@dataclass(frozen=True, eq=False)
class Band:
    """A dark band: its axis runs along its middle."""

    axis: Axis
    width_mm: float
    contrast: float
    """How much darker (natural log) than the brighter flank's weaker neighbour."""
    significance: float
    """Contrast over the scatter of the profile it was found in."""


def map_pavement(grey: NDArray[np.uint8], plane: GroundPlane, outlines_mm: Sequence[Array]) -> PavementMap:
    """Map of the surroundings of the bars, at a cell of about 1/350 of its longer side."""
    corners = np.concatenate([np.asarray(o, dtype=np.float64).reshape(-1, 2) for o in outlines_mm])
    low, high = corners.min(axis=0) - MARGIN_MM, corners.max(axis=0) + MARGIN_MM
    cell = float(np.clip(np.max(high - low) / 420.0, 2.5, 6.0))
    xs, ys = np.arange(low[0], high[0], cell), np.arange(low[1], high[1], cell)
    points = np.stack(np.meshgrid(xs, ys), axis=-1)
    pixels = _sight(plane, points)
    light, inside = _area_sample(grey, plane, pixels, corners.mean(axis=0), cell)
    weight = inside & ~_covered(outlines_mm, low, cell, inside.shape)
    return PavementMap(_relative(light, weight, cell), weight.astype(np.float32), low, cell)


def _sight(plane: GroundPlane, points: Array) -> Image32:
    """Pixels of plane points (H, W, 2); NaN behind or far beside the camera, where the projection folds over."""
    flat = points.reshape(-1, 2)
    depth = flat @ plane.rotation[2, :2] + plane.parameters[10]
    pixels = np.where((depth > 50.0)[:, None], plane.to_pixels(flat), np.nan)
    width, height = plane.size_px
    far = (np.abs(pixels - (width / 2, height / 2)) > (width, height)).any(axis=1)
    pixels[far] = np.nan
    return pixels.reshape(points.shape).astype(np.float32)


def _area_sample(
    grey: NDArray[np.uint8], plane: GroundPlane, pixels: Image32, centre: Array, cell: float
) -> tuple[Image32, NDArray[np.bool_]]:
    """Linear light per cell, averaged over about a cell, and whether the cell lies in the picture."""
    scale = float(np.sqrt(abs(np.linalg.det(plane.pixels_per_mm(centre)[0]))))
    shrink = max(1, math.floor(scale * cell / 1.5))
    small = cv2.resize(grey, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA) if shrink > 1 else grey
    where = (np.nan_to_num(pixels, nan=-1e6) + 0.5) / shrink - 0.5
    code = cv2.remap(
        small, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.0
    )  # fmt: skip
    height, width = small.shape
    x, y = where[..., 0], where[..., 1]
    inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
    return linear_light_table()[code], inside


def _covered(outlines: Sequence[Array], low: Array, cell: float, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Cells under or within 8 mm of a bar (its shadow and its thickness)."""
    mask = np.zeros(shape, dtype=np.uint8)
    for outline in outlines:
        cv2.fillConvexPoly(mask, np.round((np.asarray(outline) - low) / cell).astype(np.int32), 1)
    size = 2 * max(1, round(8.0 / cell)) + 1
    return np.asarray(cv2.dilate(mask, np.ones((size, size), np.uint8)) > 0)


def _relative(light: Image32, weight: NDArray[np.bool_], cell: float) -> Image32:
    """Log of light over its surroundings, limited to a factor of 5; 0 where unknown."""
    sigma = _BACKGROUND_MM / cell / 2
    log = np.log(light + np.float32(0.004))
    known = weight.astype(np.float32)

    def spread(image: NDArray[np.float32]) -> NDArray[np.float32]:
        small = cv2.resize(image, quarter, interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.GaussianBlur(small, (0, 0), sigma / 4, borderType=cv2.BORDER_CONSTANT), np.float32)

    quarter = (max(light.shape[1] // 4, 1), max(light.shape[0] // 4, 1))
    top, base = spread(log * known), spread(known)
    around = cv2.resize(top / np.maximum(base, 1e-3), light.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.clip(log - around, -1.6, 1.6) * known, dtype=np.float32)


def find_bands(pavement: PavementMap, around: Sequence[tuple[float, float]] = ()) -> list[Band]:
    """Dark bands, most significant first; ``around`` limits the angles: (angle, half range) in degrees."""
    coarse = _shrunk(pavement, 2)
    angles = np.arange(0.0, 180.0, 2.0)
    if around:
        angles = np.unique(np.concatenate([np.arange(a - r, a + r + 0.1, 2.0) % 180.0 for a, r in around]))
    first = [b for a in angles for b in _bands_at(coarse, math.radians(a), most=2)]
    refined = [b for band in _distinct(first, most=4) for b in _refined(coarse, band)]
    return _distinct(refined, most=4)


def _shrunk(pavement: PavementMap, factor: int) -> PavementMap:
    height, width = (n // factor for n in pavement.values.shape)
    crop = (slice(0, height * factor), slice(0, width * factor))
    values, weight = (
        np.asarray(cv2.resize(a[crop], (width, height), interpolation=cv2.INTER_AREA), np.float32)
        for a in (pavement.values, pavement.weight)
    )
    origin = pavement.origin_mm + (factor - 1) / 2 * pavement.cell_mm
    return PavementMap(values, weight, origin, pavement.cell_mm * factor)


def _refined(pavement: PavementMap, band: Band) -> list[Band]:
    angle = math.atan2(band.axis.direction[1], band.axis.direction[0])
    found = []
    for delta in np.radians((-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5)):
        near = [b for b in _bands_at(pavement, angle + delta, most=4) if _apart_mm(b, band) < 30.0]
        found.extend(near)
    return sorted(found, key=lambda b: -b.significance)[:1]


def _profile(pavement: PavementMap, angle: float) -> tuple[Array, Array, Array]:
    """Offsets n (from the map's centre), mean brightness and sight length of the rows along a direction."""
    height, width = pavement.values.shape
    size = int(math.hypot(height, width)) + 1
    c, s = math.cos(angle), math.sin(angle)
    # Destination (s, n) to source (x, y): x = cx + s c - n s, y = cy + s s + n c, rows growing with n.
    half = size / 2.0
    turn = np.array([[c, -s, width / 2 - half * c + half * s], [s, c, height / 2 - half * s - half * c]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    values = cv2.warpAffine(pavement.values, turn, (size, size), flags=flags)
    weight = cv2.warpAffine(pavement.weight, turn, (size, size), flags=flags)
    length = weight.sum(axis=1).astype(np.float64)
    mean = np.divide(np.asarray(values.sum(axis=1), np.float64), length, out=np.zeros(size), where=length > 0)
    offsets = np.asarray((np.arange(size) - half) * pavement.cell_mm, np.float64)
    return offsets, np.asarray(mean, np.float64), np.asarray(length * pavement.cell_mm, np.float64)


def _bands_at(pavement: PavementMap, angle: float, most: int) -> list[Band]:
    """Best dark bands along one direction."""
    n, mean, length = _profile(pavement, angle)
    usable = length > 0.35 * length.max()
    if int(usable.sum()) < 12:
        return []
    lo, hi = np.flatnonzero(usable)[[0, -1]]
    profile, offsets = mean[lo : hi + 1], n[lo : hi + 1]
    score, widths = _dark_scores(profile, pavement.cell_mm)
    scatter = 1.4826 * float(np.median(np.abs(np.diff(profile) - np.median(np.diff(profile))))) + 0.01
    bands = []
    for _ in range(most):
        w, i = np.unravel_index(int(np.argmax(score)), score.shape)
        if not score[w, i] > 0.08:
            break
        bands.append(_band(pavement, angle, offsets[i], widths[w], float(score[w, i]), scatter))
        reach = int(widths[w] / pavement.cell_mm / 2) + 2
        score[:, max(i - reach, 0) : i + reach] = -1.0
    return bands


def _dark_scores(profile: Array, cell: float) -> tuple[Array, Array]:
    """Contrast of a dark band of each width (rows) centred at each cell (columns) with its weaker flank."""
    total = np.concatenate([[0.0], np.cumsum(profile)])
    count = len(profile)
    spans = np.unique(np.round(np.geomspace(NARROWEST_MM, WIDEST_MM, 14) / cell).astype(int))
    spans = spans[spans >= 2]
    flank = max(2, round(22.0 / cell))
    score = np.full((len(spans), count), -1.0)
    for row, span in enumerate(spans):
        start = np.arange(flank, count - span - flank)
        if len(start) == 0:
            continue
        inside = (total[start + span] - total[start]) / span
        left = (total[start] - total[start - flank]) / flank
        right = (total[start + span + flank] - total[start + span]) / flank
        score[row, start + span // 2] = np.minimum(left, right) - inside
    return score, spans * cell


def _band(pavement: PavementMap, angle: float, n: float, width: float, contrast: float, scatter: float) -> Band:
    direction = np.array([math.cos(angle), math.sin(angle)])
    shape = np.array(pavement.values.shape[::-1])
    middle = pavement.origin_mm + (shape / 2 - 0.5) * pavement.cell_mm
    if direction[0] < 0:
        direction = -direction
    normal = np.array([-math.sin(angle), math.cos(angle)])
    return Band(Axis(middle + n * normal, direction), float(width), contrast, contrast / scatter)


def _apart_mm(a: Band, b: Band) -> float:
    return float(abs(b.axis.from_plane(a.axis.origin_mm)[1]))


def _distinct(bands: list[Band], most: int) -> list[Band]:
    """Strongest bands that are not the same band at another angle."""
    kept: list[Band] = []
    for band in sorted(bands, key=lambda b: -b.significance):
        if all(_differs(band, other) for other in kept):
            kept.append(band)
        if len(kept) == most:
            break
    return kept


def _differs(a: Band, b: Band) -> bool:
    turn = abs(math.remainder(
        math.atan2(a.axis.direction[1], a.axis.direction[0]) - math.atan2(b.axis.direction[1], b.axis.direction[0]),
        math.pi,
    ))  # fmt: skip
    return turn > math.radians(12.0) or _apart_mm(a, b) > (a.width_mm + b.width_mm) / 2
