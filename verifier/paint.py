"""Where the edges of painted bands lie, to sub-pixel, from rectified strips of the photo.

1. The strip's colours, in linear light and relative to the pavement beside the band, are projected on the direction
   that parts paint from pavement best (Fisher's linear discriminant) and scaled so that pavement is 0 and paint is 1.
2. A straight start is found for the whole edge at once: the line with the largest summed step from outside to inside.
3. Rows where the paint at the edge is worn off, or where something else lies outside it, are set aside; the rest are
   averaged in blocks along the edge, and a blurred step (Gaussian integral) is fitted to each block's profile by
   least squares.

Blocks, not single rows, carry the position: pavement texture and the raggedness of paint are noise that is correlated
over a stone's size, and their scatter from block to block is what the fit's covariance is then worked out from.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from verifier.finding import Axis
from verifier.plane import GroundPlane
from verifier.strip import linear_light_table

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BLOCK_MM = 40.0
_LINEAR = linear_light_table()
_SEARCH_MM = 20.0
"""How far the start of an edge may be off, everywhere along it."""
_OPTICS_PX = 0.8
"""Blur of a sharp phone photo, standard deviation."""
_USUAL_RAGGED_MM = 1.5
_RAGGED_MM = (0.5, 1.0, 2.0, 4.0, 7.0)
"""Raggedness of paint edges tried, standard deviations."""
_LEAST_STEP = 0.3
"""Smallest step, relative to the band's own typical one, that counts as paint's edge."""


@dataclass(frozen=True, eq=False)
class PaintStrip:
    """How much of each sample along a band looks like paint."""

    axis: Axis
    s_mm: Array
    """Stations, (S,)."""
    n_mm: Array
    """Offsets to the left of the axis, (N,)."""
    paint: NDArray[np.float32]
    """0 pavement, 1 paint, (S, N); NaN where not in view or covered."""
    light: NDArray[np.float32]
    """Light relative to that of the pavement beside the band, (S, N)."""
    px_mm: Array
    """Size of a pixel across the axis [mm], (S,)."""
    contrast: float
    """Distance of paint from pavement in standard deviations of the pavement's texture."""

    def part(self, columns: Mask) -> PaintStrip:
        """The strip reduced to a run of its offsets."""
        return replace(self, n_mm=self.n_mm[columns], paint=self.paint[:, columns], light=self.light[:, columns])


@dataclass(frozen=True, eq=False)
class EdgeTrace:
    """An edge located block by block."""

    axis: Axis
    s_mm: Array
    """Stations of the blocks, (K,)."""
    n_mm: Array
    """Offsets of the edge, (K,)."""
    sigma_mm: Array
    """Relative standard deviations, from the fit to each block's profile, (K,)."""
    step: Array
    """Height of the step: near 1 for whole paint, (K,)."""
    blur_mm: float
    """Standard deviation of the blur of the edge (optics, raggedness)."""
    blur_px: float
    """The same in pixels of the photo."""
    seen_share: float
    """Share of the rows in view that carried the edge."""

    @property
    def points_mm(self) -> Array:
        """Positions (K, 2) in the plane."""
        return self.axis.to_plane(self.s_mm, self.n_mm)


def visible_stations(
    plane: GroundPlane, axis: Axis, around_mm: float, *, reach_mm: float = 6000.0
) -> tuple[float, float]:
    """First and last station of ``axis`` about ``around_mm`` in view and not too coarse (5 mm a pixel across)."""
    step = 20.0
    s = around_mm + np.arange(-reach_mm, reach_mm + 1, step)
    good = _in_view(plane, axis, s)
    middle = len(s) // 2
    if not good[middle]:
        return around_mm, around_mm
    bad = np.flatnonzero(~good)
    low = bad[bad < middle].max(initial=-1) + 1
    high = bad[bad > middle].min(initial=len(s)) - 1
    return float(s[low]), float(s[high])


def _in_view(plane: GroundPlane, axis: Axis, s: Array, margin_px: float = 3.0) -> Mask:
    points = axis.to_plane(s, np.zeros(len(s)))
    depth = points @ plane.rotation[2, :2] + plane.parameters[10]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        pixels = plane.to_pixels(points)
        inside = (pixels >= margin_px) & (pixels <= np.array(plane.size_px) - 1 - margin_px)
        back = plane.to_plane(np.where(np.isfinite(pixels), pixels, -1.0))
        unfolded = np.hypot(*(back - points).T) < 5.0
        fine = _px_mm(plane, axis, s) < 5.0
    return np.asarray((depth > 0) & inside.all(axis=1) & unfolded & fine)


def _px_mm(plane: GroundPlane, axis: Axis, s: Array) -> Array:
    """Size of a pixel across the axis at stations ``s``."""
    one = np.full(len(s), 0.5)
    apart = plane.to_pixels(axis.to_plane(s, one)) - plane.to_pixels(axis.to_plane(s, -one))
    along = plane.to_pixels(axis.to_plane(s + 0.5, 0 * one)) - plane.to_pixels(axis.to_plane(s - 0.5, 0 * one))
    area = np.abs(apart[:, 0] * along[:, 1] - apart[:, 1] * along[:, 0])
    return np.asarray(np.hypot(*along.T) / np.maximum(area, 1e-12))


def strip_steps_mm(plane: GroundPlane, axis: Axis, span: tuple[float, float]) -> tuple[float, float]:
    """Distances of the rows and columns of a strip: about four pixels along and one across, where they are median.

    A pixel's worth of stones differs little from the next one's: closer rows cost time and tell nothing new.
    """
    px = float(np.median(_px_mm(plane, axis, np.linspace(*span, 21))))
    return float(np.clip(4.0 * px, 3.0, 8.0)), float(np.clip(0.9 * px, 0.7, 2.0))


def inside_any(points_mm: Array, outlines_mm: Sequence[Array], margin_mm: float = 0.0) -> Mask:
    """Which points (N, 2) lie in one of the convex outlines, or within a margin of it."""
    inside = np.zeros(len(points_mm), dtype=bool)
    for outline in outlines_mm:
        corners = np.asarray(outline, dtype=np.float64)
        edges = np.roll(corners, -1, axis=0) - corners
        normals = np.stack([-edges[:, 1], edges[:, 0]], axis=1) / np.maximum(np.hypot(*edges.T), 1e-9)[:, None]
        normals *= np.sign(np.sum(normals * (corners.mean(axis=0) - corners), axis=1))[:, None]
        distance = points_mm @ normals.T - np.sum(normals * corners, axis=1)
        inside |= (distance > -margin_mm).all(axis=1)
    return inside


def paint_strip(
    image: NDArray[np.uint8],
    plane: GroundPlane,
    axis: Axis,
    s_mm: Array,
    n_mm: Array,
    *,
    inner: Mask,
    outer: Mask,
    outlines_mm: Sequence[Array] = (),
) -> PaintStrip | None:
    """Sample a band (image blue-green-red) and tell paint from pavement; None where they do not differ.

    ``inner`` and ``outer`` (N,) say which offsets surely lie inside and outside the band.
    """
    values = _sampled(image, plane, axis, s_mm, n_mm)
    covered = _covered(axis, s_mm, n_mm, outlines_mm)
    if covered.any():
        values[covered] = np.nan
    relative = _relative(values, s_mm, outer)
    paint, contrast = _discriminant(relative, s_mm, inner, outer)
    if paint is None:
        return None
    light = relative @ np.full(3, 1 / 3, dtype=np.float32)
    return PaintStrip(axis, s_mm, n_mm, paint, light, _px_mm(plane, axis, s_mm), contrast)


def _sampled(image: NDArray[np.uint8], plane: GroundPlane, axis: Axis, s: Array, n: Array) -> NDArray[np.float32]:
    """Linear light (S, N, 3), NaN outside the picture; positions across by a parabola through three projected points.

    Code values are interpolated, then made linear: at a sharp edge of high contrast that shifts the half level by a
    tenth of a pixel, alike all along it, which does not turn the line, and it takes a tenth of the time.
    """
    low, high = n[0], n[-1]
    nodes = [plane.to_pixels(axis.to_plane(s, np.full(len(s), at))) for at in (low, 0.5 * (low + high), high)]
    t = (2 * (n - low) / (high - low) - 1)[None, :].astype(np.float32)
    first, middle, last = (p.T[:, :, None].astype(np.float32) for p in nodes)
    pixels = middle + t * (0.5 * (last - first) + (0.5 * t) * (first + last - 2 * middle))
    codes = cv2.remap(image, pixels[0], pixels[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    values = _LINEAR[codes]
    height, width = image.shape[:2]
    ends = pixels[:, :, [0, -1]]
    if (ends < 0).any() or (ends[0] > width - 1).any() or (ends[1] > height - 1).any():
        outside = (pixels < 0).any(axis=0) | (pixels[0] > width - 1) | (pixels[1] > height - 1)
        values[outside] = np.nan
    return values


def _covered(axis: Axis, s: Array, n: Array, outlines_mm: Sequence[Array]) -> Mask:
    covered = np.zeros((len(s), len(n)), dtype=bool)
    if not len(outlines_mm):
        return covered
    rows, columns = np.arange(0, len(s), 3), np.arange(0, len(n), 6)
    points = axis.to_plane(*np.meshgrid(s[rows], n[columns], indexing="ij")).reshape(-1, 2)
    hidden = inside_any(points, outlines_mm, margin_mm=15.0).reshape(len(rows), len(columns))
    return np.asarray(np.repeat(np.repeat(hidden, 3, axis=0), 6, axis=1)[: len(s), : len(n)])


def _block_index(s: Array, length_mm: float) -> NDArray[np.intp]:
    return np.asarray((s - s[0]) / length_mm + 1e-9).astype(np.intp)


def _in_blocks(values: NDArray[np.float32], s: Array, length_mm: float) -> list[NDArray[np.float32]]:
    """The rows of ``values`` in stretches of a given length along the strip."""
    blocks = _block_index(s, length_mm)
    return np.split(values, np.searchsorted(blocks, np.arange(1, blocks[-1] + 1)))


def _relative(values: NDArray[np.float32], s: Array, outer: Mask) -> NDArray[np.float32]:
    """Colours divided by the light of the pavement beside the band, taken over 120 mm of length."""
    light = values[:, np.flatnonzero(outer)[::2]] @ np.full(3, 1 / 3, dtype=np.float32)
    typical = np.array([_median(part) for part in _in_blocks(light, s, 120.0)])
    centres = s[0] + 120.0 * (np.arange(len(typical)) + 0.5)
    good = np.isfinite(typical)
    if not good.any():
        return values
    level = np.interp(s, centres[good], typical[good]) + 0.002
    return np.asarray(values / level[:, None, None], dtype=np.float32)


def _median(values: NDArray[np.float32]) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if len(finite) >= 8 else float("nan")


def _discriminant(
    relative: NDArray[np.float32], s: Array, inner: Mask, outer: Mask
) -> tuple[NDArray[np.float32] | None, float]:
    outside, inside = (_rows(relative[:, part]) for part in (outer, inner))
    if len(outside) < 50 or len(inside) < 50:
        return None, 0.0
    ground = np.median(outside, axis=0)
    texture = np.cov(np.clip(outside, 0.0, 4.0 * ground).T) + 1e-4 * np.eye(3)
    direction = np.linalg.solve(texture, np.median(inside, axis=0) - ground)
    for _ in range(2):  # worn paint: look for the paint among the samples inside the band
        along = (inside - ground) @ direction
        high = float(np.quantile(along, 0.9))
        if not high > 0:
            return None, 0.0
        paint = inside[along >= 0.5 * high].mean(axis=0)
        direction = np.linalg.solve(texture, paint - ground)
    full = float((paint - ground) @ direction)
    if not full > 0:
        return None, 0.0
    score = ((relative - ground.astype(np.float32)) @ (direction / full).astype(np.float32)).astype(np.float32)
    level = _level(score, s, inner, outer)
    return np.clip(score / level[:, None], -0.4, 1.4), float(np.sqrt(full))


def _rows(values: NDArray[np.float32]) -> Array:
    flat = values.reshape(-1, 3)
    some = flat[:: max(len(flat) // 5000, 1)].astype(np.float64)
    return np.asarray(some[np.isfinite(some).all(axis=1)])


def _level(score: NDArray[np.float32], s: Array, inner: Mask, outer: Mask) -> NDArray[np.float32]:
    """What whole paint scores along the band: the upper half over 300 mm, where it stands out from the texture there.

    It varies widely relative to the pavement: in a lamp's beam white paint is clipped at full white, the pavement not.
    """
    inside, outside = (score[:, np.flatnonzero(part)[::2]] for part in (inner, outer))
    tops = np.array([_upper(part) for part in _in_blocks(inside, s, 300.0)])
    texture = np.array([_spread(part) for part in _in_blocks(outside, s, 300.0)])
    overall = float(np.nan_to_num(_upper(inside), nan=1.0))
    good = np.isfinite(tops) & (tops > 2.5 * np.nan_to_num(texture)) & (tops > 0.05 * overall) & (tops < 8.0 * overall)
    if not good.any():
        return np.full(len(s), overall, dtype=np.float32)
    centres = s[0] + 300.0 * (np.arange(len(tops)) + 0.5)
    return np.exp(np.interp(s, centres[good], np.log(tops[good]))).astype(np.float32)


def _spread(values: NDArray[np.float32]) -> float:
    """Standard deviation by quartiles."""
    finite = values[np.isfinite(values)]
    if len(finite) < 20:
        return 0.0
    low, high = np.quantile(finite, [0.25, 0.75])
    return float(high - low) / 1.349


def _upper(values: NDArray[np.float32]) -> float:
    finite = values[np.isfinite(values)]
    if len(finite) < 20:
        return float("nan")
    top = float(np.quantile(finite, 0.9))
    return float(np.median(finite[finite >= 0.5 * top])) if top > 0 else float("nan")


_PAINT_APART, _TEXTURES_APART, _LIGHT_APART = 0.05, float(np.log(2.0)), 0.25
"""What the two sides of a sprayed line may differ by: in tone by this share of the step to paint, in the logarithm of
that tone's texture, and in light as a share of it. Lamps fall off by a tenth over the width of a line, pavement varies
by as much."""
_LIGHT_TEXTURES_APART = float(np.log(1.4))
"""In the logarithm of the texture of light: one pavement's two sides scatter by 0.08 about none."""
_BESIDE_MM = 18.0
"""Width of the ground right beside the line that light is compared on."""


def sides_alike(strip: PaintStrip, half_mm: float, span_mm: tuple[float, float]) -> bool:
    """Whether what lies beyond ``half_mm`` to both sides of the strip's axis is the same pavement, within ``span_mm``.

    Beside the lit wall of a slot, or beside the rest of a line that the saw cut along, the pavement lies on one side
    only: the slot's inside is smoother and of another tone. Stretches are compared, and their median counts: another
    line that runs up to this one lies beside a part of it. Tone counts along the direction in colour that parts paint
    from pavement, and as light, of which that direction may be blind.
    """
    rows = (strip.s_mm >= span_mm[0]) & (strip.s_mm <= span_mm[1])
    if not rows.any():
        return True
    n, s = strip.n_mm, strip.s_mm[rows]
    paint = _sides_apart(strip.paint[rows], s, n > half_mm, n < -half_mm)
    near = np.abs(n) < half_mm + _BESIDE_MM
    light = _sides_apart(strip.light[rows], s, (n > half_mm) & near, (n < -half_mm) & near)
    paint_alike = paint.tone < _PAINT_APART and paint.texture < _TEXTURES_APART
    return paint_alike and light.tone < _LIGHT_APART and light.texture < _LIGHT_TEXTURES_APART


@dataclass(frozen=True)
class _Apart:
    """By how much two sides differ: in tone, and in the logarithm of texture."""

    tone: float
    texture: float


def _sides_apart(values: NDArray[np.float32], s: Array, left: Mask, right: Mask) -> _Apart:
    """The median over stretches of the strip; none where too little is in sight to tell."""
    stretches = _in_blocks(values, s, 200.0)
    compared = [c for part in stretches if (c := _compared(part[:, left], part[:, right])) is not None]
    if not compared:
        return _Apart(0.0, 0.0)
    return _Apart(*(abs(float(np.median(both))) for both in zip(*((c.tone, c.texture) for c in compared), strict=True)))


def _compared(left: NDArray[np.float32], right: NDArray[np.float32]) -> _Apart | None:
    """How the sides of one stretch differ, signed: left less right."""
    left, right = left[np.isfinite(left)], right[np.isfinite(right)]
    if min(len(left), len(right)) < 60:
        return None
    least = 0.004  # rounding to code values and compression make up the rest
    textures = float(np.log((_spread(left) + least) / (_spread(right) + least)))
    return _Apart(float(np.median(left)) - float(np.median(right)), textures)


# --- edges --------------------------------------------------------------------------------------------------------


def trace_edge(strip: PaintStrip, near_mm: float, inward: int) -> EdgeTrace | None:
    """Locate the edge near offset ``near_mm``; ``inward`` is +1 where the paint lies to its left, else -1.

    None where no straight edge stands out.
    """
    paint = strip.paint if inward > 0 else strip.paint[:, ::-1]
    n = strip.n_mm if inward > 0 else -strip.n_mm[::-1]
    path = _start_path(paint, strip.s_mm, n, inward * near_mm)
    if path is None:
        return None
    everything = _in_sight(paint, n, path)
    whole = everything
    blocks = _located(strip, paint, n, path, everything, _USUAL_RAGGED_MM)
    for last in (False, True):
        if blocks is None:
            return None
        path = _smoothed_path(blocks, strip.s_mm)
        whole = everything & _whole_rows(strip, paint, n, path)
        if not last and whole.sum() > 0.9 * everything.sum():
            continue  # little is worn or disturbed: the next round would find the same
        ragged = _raggedness(strip, paint, n, path, everything) if last else _USUAL_RAGGED_MM
        blocks = _located(strip, paint, n, path, whole, ragged)
    if blocks is None:
        return None
    share = float(whole.sum()) / max(float(everything.sum()), 1.0)
    px = float(np.median(strip.px_mm))
    return EdgeTrace(
        strip.axis, blocks.s, inward * blocks.n, blocks.sigma, blocks.step, blocks.blur, blocks.blur / px, share
    )


def _in_sight(paint: NDArray[np.float32], n: Array, path: Array) -> Mask:
    """Rows of which 8 mm to either side of the path are in view and not covered."""
    dn = n[1] - n[0]
    rows = np.arange(len(paint))
    ends = (np.clip(np.rint((path + d - n[0]) / dn).astype(np.intp), 0, len(n) - 1) for d in (-8.0, 0.0, 8.0))
    return np.asarray(np.logical_and.reduce([np.isfinite(paint[rows, column]) for column in ends]))


def _start_path(paint: NDArray[np.float32], s: Array, n: Array, near: float) -> Array | None:
    """Offsets (S,) of the straight line near ``near`` with the largest summed step."""
    profiles, centres = _block_profiles(paint, s, np.ones(len(s), dtype=bool), 100.0)
    if len(centres) < 2:
        return None
    dn = n[1] - n[0]
    steps = np.maximum(_step_response(np.nan_to_num(profiles), max(int(10.0 / dn), 2)), 0.0)
    middle, half = 0.5 * (centres[0] + centres[-1]), max(0.5 * (centres[-1] - centres[0]), 1.0)
    t = (centres - middle) / half
    offsets = np.arange(-_SEARCH_MM, _SEARCH_MM + 0.1, 1.0)
    lines = near + offsets[:, None, None] + offsets[None, ::2, None] * t
    index = np.rint((lines - n[0]) / dn).astype(np.intp)
    inside = (index >= 0) & (index < len(n))
    found = np.where(inside, steps[np.arange(len(t)), np.clip(index, 0, len(n) - 1)], 0.0).sum(axis=2)
    found -= 1e-3 * len(t) * np.abs(offsets)[:, None] / _SEARCH_MM
    best = np.unravel_index(int(np.argmax(found)), found.shape)
    if found[best] < 0.1 * len(t):
        return None
    return np.asarray(near + offsets[best[0]] + offsets[::2][best[1]] * (s - middle) / half)


def _block_profiles(paint: NDArray[np.float32], s: Array, rows: Mask, length_mm: float) -> tuple[Array, Array]:
    """Mean profiles (K, N) of blocks with enough rows, NaN where most rows are covered, and their mean stations."""
    blocks = _block_index(s, length_mm)
    filled = np.nan_to_num(paint, nan=0.0) * rows[:, None]
    held = np.isfinite(paint) & rows[:, None]
    starts = np.searchsorted(blocks, np.arange(blocks[-1] + 1))
    total = np.add.reduceat(filled, starts, axis=0)
    count = np.add.reduceat(held, starts, axis=0, dtype=np.float32)
    number = np.add.reduceat(rows.astype(np.intp), starts)
    least = max(3, int(0.15 * length_mm / (s[1] - s[0])))
    keep = number >= least
    centres = np.add.reduceat(s * rows, starts) / np.maximum(number, 1)
    means = np.where(count > 0.5 * number[:, None], total / np.maximum(count, 1), np.nan)
    return means[keep], centres[keep]


def _step_response(profiles: Array, width: int) -> Array:
    """Mean over ``width`` samples after each sample less that before it, (K, N)."""
    sums = np.cumsum(np.pad(profiles, ((0, 0), (width, width)), mode="edge"), axis=1)
    count = profiles.shape[1]
    after = sums[:, 2 * width : 2 * width + count] - sums[:, width : width + count]
    before = sums[:, width - 1 : width - 1 + count] - np.pad(sums, ((0, 0), (1, 0)))[:, :count]
    return np.asarray((after - before) / width)


@dataclass(frozen=True, eq=False)
class _Blocks:
    s: Array
    n: Array
    sigma: Array
    step: Array
    blur: float


def _located(
    strip: PaintStrip, paint: NDArray[np.float32], n: Array, path: Array, rows: Mask, ragged_mm: float
) -> _Blocks | None:
    """The edge in each block: a step blurred by the optics and by ``ragged_mm``."""
    profiles, centres = _block_profiles(paint, strip.s_mm, rows, BLOCK_MM)
    if len(centres) < 4:
        return None
    start = np.interp(centres, strip.s_mm, path)
    blur = np.hypot(ragged_mm, _OPTICS_PX * np.interp(centres, strip.s_mm, strip.px_mm))
    fit = _fit_steps(profiles, n, start, blur)
    typical = np.median(fit.step)
    good = (fit.step > _LEAST_STEP * typical) & (fit.step > 0.15) & (np.abs(fit.n - start) < 15.0)
    if np.count_nonzero(good) < 4:
        return None
    sigma = (fit.rest * np.sqrt(blur) / np.maximum(fit.step, 0.05))[good]
    sigma = np.clip(sigma, 0.6 * np.median(sigma), 3.0 * np.median(sigma))
    return _Blocks(centres[good], fit.n[good], sigma, fit.step[good], float(np.median(blur)))


def _raggedness(strip: PaintStrip, paint: NDArray[np.float32], n: Array, path: Array, rows: Mask) -> float:
    """Blur of the edge beyond the optics: that whose step fits the blocks' profiles best."""
    profiles, centres = _block_profiles(paint, strip.s_mm, rows, BLOCK_MM)
    pick = np.linspace(0, len(centres) - 1, min(len(centres), 16)).round().astype(np.intp)
    start = np.interp(centres[pick], strip.s_mm, path)
    optics = _OPTICS_PX * np.interp(centres[pick], strip.s_mm, strip.px_mm)
    rest = [np.median(_fit_steps(profiles[pick], n, start, np.hypot(r, optics), 3).rest) for r in _RAGGED_MM]
    return _RAGGED_MM[int(np.argmin(rest))]


@dataclass(frozen=True, eq=False)
class _Steps:
    n: Array
    step: Array
    rest: Array
    """Standard deviation of the profile about the fitted step, (K,)."""


def _fit_steps(profiles: Array, n: Array, start: Array, blur: Array, rounds: int = 5) -> _Steps:
    """Least-squares fit of ``low + step Phi((n - edge) / blur)`` to each profile.

    Gauss-Newton on the edge with both levels eliminated (variable projection: Golub & Pereyra 1973), in a window that
    fades out beyond four blurs.
    """
    dn = n[1] - n[0]
    reach = np.maximum(4.0 * blur, 9.0)
    half = int(np.ceil(1.4 * float(reach.max()) / dn))
    first = np.clip(np.rint((start - n[0]) / dn).astype(np.intp) - half, 0, max(len(n) - 2 * half - 1, 0))
    columns = np.minimum(first[:, None] + np.arange(2 * half + 1), len(n) - 1)
    y, x = np.take_along_axis(profiles, columns, axis=1), n[columns]
    seen = np.isfinite(y)
    y = np.where(seen, y, 0.0)
    edge = start.copy()
    for _ in range(rounds):
        distance = x - edge[:, None]
        z = distance / blur[:, None]
        weight = np.exp(-0.5 * (distance / reach[:, None]) ** 4) * seen
        weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)
        rise = ndtr(z)
        low, step = _two_levels(y, rise, weight)
        rest = y - low[:, None] - step[:, None] * rise
        bell = np.exp(-0.5 * z * z)
        level, slope = _two_levels(bell, rise, weight)
        bell = bell - level[:, None] - slope[:, None] * rise
        change = (weight * bell * rest).sum(axis=1) / np.maximum((weight * bell * bell).sum(axis=1), 1e-9)
        height = np.where(np.abs(step) < 0.05, 0.05, step)
        edge = edge - np.clip(change * np.sqrt(2 * np.pi) * blur / height, -3.0, 3.0)
    return _Steps(edge, step, np.sqrt((weight * rest**2).sum(axis=1)) + 0.01)


def _two_levels(y: Array, rise: Array, weight: Array) -> tuple[Array, Array]:
    """Weighted least squares of ``y`` on 1 and ``rise``, row by row; weights sum to 1."""
    weighted = weight * rise
    mean_rise, mean = weighted.sum(axis=1), (weight * y).sum(axis=1)
    spread = (weighted * rise).sum(axis=1) - mean_rise**2
    step = ((weighted * y).sum(axis=1) - mean_rise * mean) / np.maximum(spread, 1e-9)
    return mean - step * mean_rise, step


def _smoothed_path(blocks: _Blocks, s: Array) -> Array:
    """A path through the blocks that single wrong blocks do not bend: running median of five about a robust line."""
    slope = np.median(np.diff(blocks.n) / np.maximum(np.diff(blocks.s), 1e-6)) if len(blocks.n) < 8 else _theil(blocks)
    level = np.median(blocks.n - slope * blocks.s)
    rest = blocks.n - slope * blocks.s - level
    padded = np.pad(rest, 2, mode="reflect") if len(rest) > 2 else np.pad(rest, 2, mode="edge")
    running = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return np.asarray(level + slope * s + np.interp(s, blocks.s, np.clip(running, -6.0, 6.0)))


def _theil(blocks: _Blocks) -> float:
    """Median slope between blocks half the length apart (Theil 1950)."""
    half = len(blocks.s) // 2
    return float(np.median((blocks.n[-half:] - blocks.n[:half]) / (blocks.s[-half:] - blocks.s[:half])))


def _whole_rows(strip: PaintStrip, paint: NDArray[np.float32], n: Array, path: Array) -> Mask:
    """Rows with paint just inside the path and without anything like paint just outside it."""
    dn = n[1] - n[0]
    margin = np.maximum(2.0, 1.2 * strip.px_mm)
    inside = _row_mean(paint, n[0], dn, path + margin, 9.0)
    outside = _row_mean(paint, n[0], dn, path - margin - 12.0, 12.0)
    return np.asarray((inside > 0.55) & (outside < 0.5))


def _row_mean(paint: NDArray[np.float32], first: float, dn: float, low: Array, width: float) -> Array:
    """Mean of each row over [low, low + width]."""
    sums = np.cumsum(np.nan_to_num(np.pad(paint, ((0, 0), (1, 0)))), axis=1, dtype=np.float64)
    last = sums.shape[1] - 1
    start = np.clip(np.rint((low - first) / dn).astype(np.intp), 0, last)
    stop = np.clip(np.rint((low + width - first) / dn).astype(np.intp), 0, last)
    rows = np.arange(len(paint))
    return np.asarray((sums[rows, stop] - sums[rows, start]) / np.maximum(stop - start, 1))
