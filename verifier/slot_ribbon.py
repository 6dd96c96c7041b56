"""A ribbon of the picture that follows a slot: a slow curve along its middle, found by lining up cross-sections.

Everything that runs along a slot (both arrises, the feet of its walls, the shadow of one edge on the floor) stays at
the same offset in the plane wherever one stands along it: a point at depth d under offset n appears at
n + (n_camera - n) d / (h + d), whatever its station. So whole cross-sections are lined up with each other, by
correlation of their slopes; what does not run along the slot (tape laid askew, stains, bars) drops out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded
from scipy.ndimage import median_filter

from verifier.finding import Axis
from verifier.plane import GroundPlane
from verifier.strip import linear_light_table, sample_pixels

Array = NDArray[np.float64]
Image32 = NDArray[np.float32]

BLOCK_MM = 40.0
_REACH_MM = 90.0
"""How far from the axis what is lined up may lie."""
_LEAST_SCALE = 0.2
"""Pixels per mm across the slot below which nothing is looked for."""
_MOST_TURN_DEG = 0.8
_LEAST_CORRELATION = 0.35
_LEAST_ALIKE, _LEAST_SHARE = 0.5, 0.4
"""Correlation of a block with the mean below which it is not lined up: in a narrow window chance alone makes 0.35; and
share of blocks that must be alike."""
_MOST_MISSES = 9
"""Blocks in a row that may not match: a person's shadow, a bar across the slot."""
_NEAR_BARS_MM, _LEAST_BLOCKS = 500.0, 8
"""Blocks no farther beyond the bars than this, or as many of the nearest, set the direction."""
_LEAST_STRENGTH = 0.4
"""Steps of a block, as a share of those of all: beyond the end of the slot only what lies beside it goes on."""


@dataclass(frozen=True, eq=False)
class Ribbon:
    """Where the slot runs, to about a millimetre."""

    axis: Axis
    s_mm: Array
    """Middles of the blocks in which the slot is in sight, shape (B,)."""
    centre_mm: Array
    """Offset of a line along the slot from the axis at each block, shape (B,)."""

    @property
    def span_mm(self) -> tuple[float, float]:
        """Stations between which the ends of the slot may lie: a block and a half beyond the middles of the last."""
        return float(self.s_mm[0] - 1.5 * BLOCK_MM), float(self.s_mm[-1] + 1.5 * BLOCK_MM)

    @property
    def middle_mm(self) -> Array:
        """The middle of its length, in plane coordinates."""
        k = len(self.s_mm) // 2
        return self.axis.to_plane(self.s_mm[k], self.centre_mm[k])

    def shifted(self, offset_mm: float) -> Ribbon:
        """The ribbon moved sideways, to the left where positive."""
        return replace(self, centre_mm=self.centre_mm + offset_mm)

    def centre_at(self, s_mm: Array) -> Array:
        """The middle at any station: straight between blocks, straight on beyond the last."""
        s, c = self.s_mm, self.centre_mm
        out = np.interp(s_mm, s, c)
        if len(s) > 3:
            k = min(8, len(s))
            first, last = np.polyfit(s[:k], c[:k], 1), np.polyfit(s[-k:], c[-k:], 1)
            out = np.where(s_mm < s[0], np.polyval(first, s_mm), out)
            out = np.where(s_mm > s[-1], np.polyval(last, s_mm), out)
        return np.asarray(out)


def sample_along(
    grey: NDArray[np.uint8], plane: GroundPlane, axis: Axis, s_mm: Array, base_mm: Array, n_mm: Array
) -> Image32:
    """Linear light (S, N) at stations ``s`` and offsets ``base(s) + n``; NaN outside the picture.

    Sampled in chunks of stations, to keep the windows of the picture small.
    """
    out = np.empty((len(s_mm), len(n_mm), *grey.shape[2:]), dtype=np.float32)
    for rows, pixels in _chunks(plane, axis, s_mm, base_mm, n_mm):
        out[rows] = sample_pixels(grey, pixels)
    return out


def sample_roughly(
    picture: NDArray[np.uint8], plane: GroundPlane, axis: Axis, s_mm: Array, base_mm: Array, n_mm: Array
) -> Image32:
    """The same, quicker: code values are interpolated and rounded before the tone curve is undone.

    Good for telling things apart (half a grey level, a tenth of a pixel at edges), not for measuring.
    """
    table, (height, width) = linear_light_table(), picture.shape[:2]
    out = np.empty((len(s_mm), len(n_mm), *picture.shape[2:]), dtype=np.float32)
    for rows, pixels in _chunks(plane, axis, s_mm, base_mm, n_mm):
        x, y = pixels[..., 0], pixels[..., 1]
        out[rows] = table[cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)]
        out[rows][(x < 0) | (y < 0) | (x > width - 1) | (y > height - 1)] = np.nan
    return out


def _chunks(
    plane: GroundPlane, axis: Axis, s_mm: Array, base_mm: Array, n_mm: Array, size: int = 120
) -> Iterator[tuple[slice, Image32]]:
    """Pixels (s, N, 2) of chunks of stations.

    They are exact at five offsets of each station and interpolated by a polynomial of degree 4 between them (within
    0.005 px over 200 mm).
    """
    nodes = _nodes(float(n_mm[0]), float(n_mm[-1]))
    lagrange = np.linalg.solve(np.vander(_unit(nodes, nodes), 5).T, np.vander(_unit(n_mm, nodes), 5).T)
    offsets = base_mm[:, None] + nodes
    points = axis.to_plane(np.broadcast_to(s_mm[:, None], offsets.shape), offsets)
    exact = plane.to_pixels(points.reshape(-1, 2)).reshape(len(s_mm), 5, 2).transpose(0, 2, 1)
    for start in range(0, len(s_mm), size):
        rows = slice(start, start + size)
        yield rows, np.ascontiguousarray((exact[rows] @ lagrange).transpose(0, 2, 1), dtype=np.float32)


def _nodes(low: float, high: float) -> Array:
    turn = np.cos(np.pi * (np.arange(5) + 0.5) / 5)
    return np.asarray((low + high) / 2 - (high - low) / 2 * turn)


def _unit(n: Array, nodes: Array) -> Array:
    return np.asarray((n - nodes.mean()) / np.ptp(nodes) * 2)


def covered_by(
    outlines_mm: Sequence[Array], axis: Axis, s_mm: Array, base_mm: Array, n_mm: Array, margin_mm: float
) -> NDArray[np.bool_]:
    """Which samples (S, N) at stations ``s`` and offsets ``base(s) + n`` lie within ``margin_mm`` of a bar."""
    hit = np.zeros((len(s_mm), len(n_mm)), dtype=bool)
    for outline in outlines_mm:
        low, high = _span_of(_widened(np.asarray(outline, dtype=np.float64).reshape(-1, 2), margin_mm), axis, s_mm)
        near = np.flatnonzero((high - base_mm > np.min(n_mm)) & (low - base_mm < np.max(n_mm)))
        offsets = base_mm[near, None] + n_mm
        hit[near] |= (offsets > low[near, None]) & (offsets < high[near, None])
    return hit


def _widened(corners: Array, margin: float) -> Array:
    """A rectangle's corners moved out by a margin along both its sides."""
    middle = corners.mean(axis=0)
    along, across = (corners[1] - corners[0], corners[3] - corners[0])
    u, v = along / np.linalg.norm(along), across / np.linalg.norm(across)
    signs = np.sign((corners - middle) @ np.stack([u, v], axis=1))
    return np.asarray(corners + margin * signs @ np.stack([u, v]))


def _span_of(corners: Array, axis: Axis, s: Array) -> tuple[Array, Array]:
    """Lowest and highest offset of a convex outline at each station; an empty span (inf, -inf) beside it."""
    low, high = np.full(len(s), np.inf), np.full(len(s), -np.inf)
    points = axis.from_plane(corners)
    for (s0, n0), (s1, n1) in zip(points, np.roll(points, -1, axis=0), strict=True):
        if abs(s1 - s0) < 1e-9:
            continue
        part = (s - s0) / (s1 - s0)
        n = np.where((part >= 0) & (part <= 1), n0 + part * (n1 - n0), np.nan)
        low, high = np.fmin(low, n), np.fmax(high, n)
    return low, high


def visible_stations(plane: GroundPlane, axis: Axis, reach_mm: float = 6000.0, step_mm: float = 10.0) -> Array:
    """Stations of the axis that lie in the picture, shape (S,)."""
    s = np.arange(-reach_mm, reach_mm, step_mm)
    points = axis.to_plane(s, np.zeros_like(s))
    depth = points @ plane.rotation[2, :2] + plane.parameters[10]
    pixels = plane.to_pixels(points)
    width, height = plane.size_px
    inside = (pixels >= 0).all(axis=1) & (pixels[:, 0] <= width - 1) & (pixels[:, 1] <= height - 1)
    return np.asarray(s[inside & (depth > 100.0)])


def cross_scale(plane: GroundPlane, axis: Axis, s_mm: Array) -> Array:
    """Pixels per mm between parallels to the axis, at right angles in the picture, shape (S,)."""
    jacobian = plane.pixels_per_mm(axis.to_plane(s_mm, np.zeros_like(s_mm)))
    along = np.linalg.norm(jacobian @ axis.direction, axis=1)
    return np.asarray(np.abs(np.linalg.det(jacobian)) / along)


def follow(grey: NDArray[np.uint8], plane: GroundPlane, axis: Axis, outlines_mm: Sequence[Array]) -> Ribbon | None:
    """Follow what runs along an axis over all its visible length; None where it does not hold together.

    The axis may be off by a degree or so in direction; whatever runs parallel to it within ``_REACH_MM`` counts.
    """
    seen = visible_stations(plane, axis)
    seen = seen[cross_scale(plane, axis, seen) > _LEAST_SCALE] if len(seen) else seen
    if len(seen) < 10:
        return None
    n = np.arange(-_REACH_MM, _REACH_MM + 0.5, 1.0)
    s, slopes = _block_slopes(grey, plane, axis, seen, n, outlines_mm)
    if len(s) < 4:
        return None
    away = _beyond_bars_mm(s, axis, outlines_mm)
    kept = np.any(slopes != 0.0, axis=(1, 2))
    # Far from the bars there may be other lines, or the slot has ended: its direction is that of what is near by.
    kept &= away <= max(_NEAR_BARS_MM, float(np.sort(away)[min(_LEAST_BLOCKS, len(away)) - 1]))
    if int(kept.sum()) < 3:
        return None
    curve = _best_turn(s[kept], slopes[kept]) * s
    for reach in (4, 4, 3):
        if int(kept.sum()) < 3:
            return None
        shifts, score = _align_to_mean(slopes, curve, kept, reach)
        kept = _held_together(score, int(np.argmax(np.where(away == 0.0, score, score - 10.0))))
        if int(kept.sum()) < 3:
            return None
        curve = _smoothed(s, shifts, kept)
    return Ribbon(axis, s[kept], curve[kept])


def _best_turn(s: Array, slopes: Array) -> float:
    """Slope of the line along which all blocks together make the sharpest steps."""
    turns = np.radians(np.arange(-_MOST_TURN_DEG, _MOST_TURN_DEG + 0.01, 0.1))
    power = [float(np.sum(np.mean(_lined_up(slopes, turn * s), axis=0) ** 2)) for turn in turns]
    return float(turns[int(np.argmax(power))])


def _beyond_bars_mm(s: Array, axis: Axis, outlines_mm: Sequence[Array]) -> Array:
    """How far each station lies beyond the ends of the bars, 0 beside them, shape (S,)."""
    along = axis.from_plane(np.concatenate([np.asarray(o).reshape(-1, 2) for o in outlines_mm]))[:, 0]
    return np.asarray(np.maximum(np.maximum(along.min() - s, s - along.max()), 0.0))


def _lined_up(slopes: Array, curve: Array) -> Array:
    """Blocks (B, C, N) moved back by a curve (B,), in columns."""
    index = np.arange(slopes.shape[-1], dtype=np.float64)
    return np.stack([[np.interp(index + c, index, x) for x in rows] for c, rows in zip(curve, slopes, strict=True)])


def row_medians(rows: NDArray[Any]) -> NDArray[Any]:
    """Median of the known values of each row, (S,); NaN where there are none. Much quicker than ``np.nanmedian``."""
    ordered = np.sort(rows, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    k = np.arange(len(rows))
    lower, upper = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, rows.shape[1] - 1)
    return np.asarray((ordered[k, lower] + ordered[k, upper]) / 2)


def slow_along(values: Image32, sigma: float) -> Image32:
    """Running mean along the stations (S, N), by a Gaussian of ``sigma`` stations on every few of them."""
    every = max(1, min(round(sigma / 4.0), 8))
    few = (values.shape[1], max(len(values) // every, 1))
    small = cv2.resize(values, few, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (1, 0), sigmaX=1e-6, sigmaY=sigma / every, borderType=cv2.BORDER_REFLECT)
    return np.asarray(cv2.resize(small, values.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def relative_tone(light: Image32 | Array) -> Array:
    """Log of light (S, N) over what is usual at its station, levelled out so that the dark of the slot is one tone."""
    usual = row_medians(light[:, ::5])
    usual = np.where(
        np.isfinite(usual), usual, np.median(usual[np.isfinite(usual)]) if np.isfinite(usual).any() else 1.0
    )
    usual = median_filter(usual, 15, mode="nearest")
    return np.log(light / np.maximum(usual, 1e-4)[:, None].astype(np.float32) + np.float32(0.12))


def _block_slopes(
    grey: NDArray[np.uint8], plane: GroundPlane, axis: Axis, seen: Array, n: Array, outlines_mm: Sequence[Array]
) -> tuple[Array, Array]:
    """Middles of blocks (B,) and the slopes across of their tone and texture, in units of their noise, (B, 2, N)."""
    per_block = 10
    block_mm = BLOCK_MM if float(np.median(cross_scale(plane, axis, seen))) > 1.5 else 2.0 * BLOCK_MM
    s = np.arange(seen[0], seen[-1] + 1e-6, block_mm / per_block)
    s = s[: len(s) // per_block * per_block]
    if len(s) == 0:
        return s, np.zeros((0, 2, len(n)))
    light = sample_roughly(grey, plane, axis, s, np.zeros_like(s), n)
    light[covered_by(outlines_mm, axis, s, np.zeros_like(s), n, 8.0)] = np.nan
    values = (block_means(relative_tone(light), per_block), texture_blocks(light, per_block))
    slopes = np.stack([_steepness(v) for v in values], axis=1)
    return s.reshape(-1, per_block).mean(axis=1), _noise_units(slopes)


def _noise_units(slopes: Array) -> Array:
    """Slopes (B, C, N) of each channel in units of what is usual in it."""
    noise = 1.4826 * np.median(np.abs(slopes), axis=(0, 2)) + 1e-6
    return np.asarray(slopes / noise[:, None])


def _texture_change(light: Image32) -> Image32:
    """Relative change of light from station to station, (S, N)."""
    ahead, behind = np.roll(light, -1, axis=0), np.roll(light, 1, axis=0)
    ahead[-1], behind[0] = light[-1], light[0]
    return np.asarray(np.abs(ahead - behind) / (ahead + behind + np.float32(2e-3)))


def texture_blocks(light: Image32, per_block: int) -> Array:
    """Log of the mean relative change of light along the slot in each block, (B, N)."""
    return np.asarray(np.log(block_means(_texture_change(light), per_block) + 0.02))


def _steepness(blocks: Array, smooth: float = 1.5) -> Array:
    """Smoothed slope of each block across."""
    slope = np.gradient(_fill(np.asarray(blocks, np.float64)), axis=1)
    blurred = cv2.GaussianBlur(slope, (0, 0), sigmaX=smooth, sigmaY=1e-6, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(blurred, np.float64)


def _fill(rows: Array) -> Array:
    """Rows with NaN runs filled with the nearest known value: no slope there."""
    out = rows.copy()
    for row in out:
        known = np.isfinite(row)
        if known.any():
            index = np.arange(len(row))
            near = np.flatnonzero(known)
            row[~known] = row[near[np.argmin(np.abs(index[~known, None] - near), axis=1)]]
        else:
            row[:] = 0.0
    return out


def _correlations(rows: Array, template: Array, shifts: NDArray[np.intp]) -> Array:
    """Normalised correlation of a block (C, N), moved back by each shift, with a template (C, N)."""
    index = (np.arange(rows.shape[-1]) + shifts[:, None]) % rows.shape[-1]
    moved = rows[:, index]
    norm = np.sqrt(np.sum(moved**2, axis=(0, 2))) * np.linalg.norm(template) + 1e-12
    return np.asarray(np.einsum("ckn,cn->k", moved, template) / norm)


def _held_together(score: Array, start: int) -> NDArray[np.bool_]:
    """The run of matching blocks around the start; gaps (deep shadow, a bar) are bridged and left out."""
    kept = np.zeros(len(score), dtype=bool)
    for way in (1, -1):
        misses = 0
        for b in range(start, len(score) if way > 0 else -1, way):
            good = score[b] > _LEAST_CORRELATION
            misses = 0 if good else misses + 1
            if misses > _MOST_MISSES:
                break
            kept[b] = good
    return kept


def _smoothed(s: Array, shifts: Array, kept: NDArray[np.bool_]) -> Array:
    """A slow curve through the shifts of the kept blocks, at all blocks, robust against single misfits."""
    weight = kept.astype(np.float64)
    value = np.where(kept, shifts, 0.0)
    second = np.diff(np.eye(len(s)), n=2, axis=0)
    full = 10.0 * second.T @ second
    penalty = np.stack([np.concatenate([np.zeros(k), np.diagonal(full, k)]) for k in (2, 1, 0)])
    curve = value
    for _ in range(6):
        band = penalty.copy()
        band[2] += weight + 1e-9
        curve = solveh_banded(band, weight * value)
        residual = np.where(kept, shifts - curve, 0.0)
        scale = max(1.5 * float(np.median(np.abs(residual[kept]))), 0.4)
        weight = kept / (1.0 + (residual / (2 * scale)) ** 2) ** 2
    return np.asarray(curve)


def _align_to_mean(slopes: Array, curve: Array, kept: NDArray[np.bool_], reach: int = 4) -> tuple[Array, Array]:
    """Shifts (to a fraction of a column) and match of every block (C, N) against the mean of all kept blocks."""
    lined = _lined_up(slopes, curve)
    template = np.median(lined[kept], axis=0)
    around = np.arange(-reach, reach + 1)
    shifts, score = curve.copy(), np.zeros(len(curve))
    for b, rows in enumerate(lined):
        match = _correlations(rows, template, around)
        best = int(np.argmax(match))
        strength = match[best] * np.linalg.norm(rows) / (np.linalg.norm(template) + 1e-12)
        score[b] = match[best] if strength > _LEAST_STRENGTH else 0.0
        shifts[b] += around[best] + _vertex(match, best)
    return shifts, score


def block_means(rows: Array | Image32, per_block: int) -> Array:
    """Means of runs of rows that ignore NaN; NaN where less than half is known."""
    per_block = min(per_block, len(rows))
    stack = rows[: len(rows) // per_block * per_block].reshape(-1, per_block, rows.shape[1])
    known = np.isfinite(stack)
    count = known.sum(axis=1)
    total = np.where(known, stack, 0.0).sum(axis=1)
    return np.asarray(np.where(count * 2 >= per_block, total / np.maximum(count, 1), np.nan))


def align_blocks(middles_mm: Array, channels: Sequence[Array], smooth: float = 1.5, reach: int = 4) -> Array:
    """Shift (in columns) that lines each block up with the mean of all, as a slow curve, shape (B,).

    Zero where the blocks have nothing in common that could be lined up.

    Args:
        middles_mm: Stations of the blocks, shape (B,).
        channels: What they show, shape (B, N) each.
        smooth: Standard deviation of the smoothing across, in columns.
        reach: Farthest shift tried in a pass.
    """
    slopes = _noise_units(np.stack([_steepness(c, smooth) for c in channels], axis=1))
    curve, kept = np.zeros(len(slopes)), np.any(slopes != 0, axis=(1, 2))
    for _ in range(2):
        if int(kept.sum()) < 4:
            return np.zeros(len(slopes))
        shifts, score = _align_to_mean(slopes, curve, kept, reach)
        kept = score > _LEAST_ALIKE
        if int(kept.sum()) < max(4.0, _LEAST_SHARE * len(slopes)):
            return np.zeros(len(slopes))
        curve = _smoothed(middles_mm, shifts, kept)
    return curve


def _vertex(values: Array, best: int) -> float:
    """Offset of a parabola's top through the best value and its neighbours."""
    if not 0 < best < len(values) - 1:
        return 0.0
    a, b, c = values[best - 1 : best + 2]
    bend = a - 2 * b + c
    return float(0.5 * (a - c) / bend) if bend < 0 else 0.0
