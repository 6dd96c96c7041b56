"""Sub-pixel trace of one arris, station by station.

An edge blurred by optics and pixels lies where light passes the middle between the levels on its two sides, in linear
light and as long as the blur is symmetric (for a step as for a slanted step). The levels are taken from zones beside
the edge, over a length long enough to average stones; a wrong level by a share q of the step shifts the edge by
1.25 q sigma only, with sigma the blur (slope of the blurred step at its middle: step / (sigma sqrt(2 pi))).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter, uniform_filter1d

from verifier.finding import Axis
from verifier.plane import GroundPlane
from verifier.slot_continuity import Continuity
from verifier.slot_path import SawPath
from verifier.slot_ribbon import (
    BLOCK_MM,
    Ribbon,
    align_blocks,
    block_means,
    covered_by,
    sample_along,
    sample_roughly,
    texture_blocks,
)
from verifier.slot_section import Step
from verifier.slot_wall import ArrisFit

Array = NDArray[np.float64]

INWARD_MM, OUTWARD_MM = 6.0, 12.0
"""Window about the arris: chips go outward."""
_LEVEL_MM = 50.0
"""Length over which the levels beside the edge are taken."""
_TREMBLE_MM = 1.5
"""Light is averaged along the edge with this standard deviation, at least, before the edge is looked for."""
_LONGEST_TREMBLE_MM = 12.0
_SPARSE_MM, _LEAST_SHARE = 40.0, 0.4
_BEARABLE_NOISE = 0.35
"""Scatter of light beside the edge, in units of the step, that the least averaging is enough for."""


@dataclass(frozen=True, eq=False)
class EdgeTrace:
    """One arris as seen."""

    side: int
    s_mm: Array
    """Stations along the axis, evenly spaced, shape (S,)."""
    base_mm: Array
    """Slow curve the search followed, offset from the axis, left positive, shape (S,)."""
    outward_mm: Array
    """Edge relative to the base, positive away from the slot, shape (S,); NaN where not seen."""
    strength: Array
    """Step at each station as a share of the usual (log of light outside over inside, over 8 mm), shape (S,)."""
    noise: float
    """Scatter of light beside the edge in units of the step."""
    blur_mm: float
    """Standard deviation of the blur across the edge, from the mean of all lined-up cross-sections."""
    by_texture: bool = False
    """Whether the edge was told by texture, because its two sides are about equally bright."""

    def between(self, low_mm: float, high_mm: float) -> EdgeTrace:
        """The part from one station to another."""
        part = (self.s_mm >= low_mm) & (self.s_mm <= high_mm)
        cut = {name: getattr(self, name)[part] for name in ("s_mm", "base_mm", "outward_mm", "strength")}
        return replace(self, **cut)

    def offset_mm(self) -> Array:
        """Offset of the edge from the axis, left positive, shape (S,)."""
        return np.asarray(self.base_mm + self.side * self.outward_mm)


@dataclass(frozen=True, eq=False)
class Edge:
    """One arris: what was seen at each station and the saw's path through it."""

    trace: EdgeTrace
    path: SawPath
    arris: ArrisFit = field(default_factory=lambda: ArrisFit(0.0, 0.0, 0.0, 0.0))
    """Where the arris lies relative to the path, from the mean cross-section with the wall taken into account."""
    pavement: Continuity | None = None
    """How the pavement goes on outside; None where its texture does not tell."""

    def path_mm(self, s_mm: Array) -> Array:
        """Offset of the saw's path along the arris from the axis, left positive."""
        base = np.interp(s_mm, self.trace.s_mm, self.trace.base_mm)
        return np.asarray(base + self.trace.side * (self.path.at(s_mm) + self.arris.shift_mm))


def trace_edge(
    grey: NDArray[np.uint8], plane: GroundPlane, ribbon: Ribbon, arris: Step, side: int,
    outlines_mm: Sequence[Array], cell_mm: float, step_mm: float, room_mm: tuple[float, float] = (99.0, 99.0),
) -> EdgeTrace:  # fmt: skip
    """Trace one arris at stations ``step_mm`` apart with cells of ``cell_mm`` across.

    Args:
        grey: The picture.
        plane: Its ground plane.
        ribbon: The slow curve along the slot.
        arris: The step of the mean cross-section taken for this arris.
        side: +1 for the left edge, -1 for the right one.
        outlines_mm: Bars, which hide what is under them.
        cell_mm: Distance of samples across the edge.
        step_mm: Distance of stations.
        room_mm: Distance to the next steps of the cross-section inward and outward, which must be kept out.
    """
    s = np.arange(*ribbon.span_mm, step_mm)
    base = _own_curve(grey, plane, ribbon, arris.n_mm, s, outlines_mm)
    v = np.arange(-INWARD_MM, OUTWARD_MM, cell_mm)
    light = sample_along(grey, plane, ribbon.axis, s, base, side * v).astype(np.float64)
    light[covered_by(outlines_mm, ribbon.axis, s, base, side * v, 4.0)] = np.nan
    blur = max(arris.rise_mm / 2.563, 0.8 * cell_mm)
    return _trace(light, s, base, v, side, _Setting(blur, step_mm, room_mm))


def mean_profile(
    grey: NDArray[np.uint8], plane: GroundPlane, axis: Axis, s: Array, edge_mm: Array, side: int,
    outlines_mm: Sequence[Array], cell_mm: float,
) -> tuple[Array, Array]:  # fmt: skip
    """Outward offsets (N,) and mean linear light (N,) of cross-sections lined up on an edge (S,), 1 outside on average.

    Each cross-section counts relative to the light outside the edge there (over 60 mm), so that all count alike.
    """
    v = np.arange(-INWARD_MM, INWARD_MM, cell_mm)
    light = sample_along(grey, plane, axis, s, edge_mm, side * v).astype(np.float64)
    light[covered_by(outlines_mm, axis, s, edge_mm, side * v, 4.0)] = np.nan
    outside = _zone_means(light, v, np.full(len(s), 1.0), np.full(len(s), INWARD_MM))
    usual = uniform_filter1d(outside, max(1, round(60.0 / max(float(np.median(np.diff(s))), 1e-3))))
    with np.errstate(all="ignore"):
        mean = np.nanmean(light / np.maximum(usual, 1e-4)[:, None], axis=0)
    known = np.isfinite(mean)
    return v[known], mean[known]


def _own_curve(
    grey: NDArray[np.uint8], plane: GroundPlane, ribbon: Ribbon, n_mm: float, s: Array, outlines_mm: Sequence[Array]
) -> Array:
    """The slow curve of this edge alone: the ribbon's, shifted where the cross-section near the edge asks for it."""
    few = s[:: max(1, round(4.0 / (s[1] - s[0])))]
    near = np.arange(-9.0, 9.01, 0.5)
    base = ribbon.centre_at(few) + n_mm
    light = sample_roughly(grey, plane, ribbon.axis, few, base, near)
    light[covered_by(outlines_mm, ribbon.axis, few, base, near, 8.0)] = np.nan
    per_block = max(1, round(BLOCK_MM / (few[1] - few[0])))
    middles = few[: len(few) // per_block * per_block].reshape(-1, per_block).mean(axis=1)
    log = block_means(np.log(light + 0.01).astype(np.float64), per_block)
    texture = texture_blocks(light, per_block)
    shifts = align_blocks(middles, (log, texture)) * 0.5
    return np.asarray(ribbon.centre_at(s) + n_mm + np.interp(s, middles, shifts))


@dataclass(frozen=True)
class _Setting:
    """What a trace goes by: blur, distance of stations, and room on both sides."""

    blur: float
    step: float
    room: tuple[float, float]

    def zone(self, outside: bool, length: float) -> tuple[float, float]:
        """Where beside the edge its level is taken: clear of the blur, and of the next step where there is room."""
        room = self.room[1] if outside else self.room[0]
        near = min(0.4 + 1.8 * self.blur, 0.3 * room)
        far = max(min(near + length, 0.65 * room), near + 0.3)
        return (near, far) if outside else (-far, -near)


def _trace(light: Array, s: Array, base: Array, v: Array, side: int, setting: _Setting) -> EdgeTrace:
    """Two passes: the second takes its levels beside the edge that the first has found."""
    view, by_texture = _telling(light, v, setting)
    middle = np.zeros(len(s))
    noise = 0.0
    inner = (v > -0.45 * setting.room[0]) & (v < max(0.6 * setting.room[1], 2.0))
    for _ in range(2):
        inside, outside = _levels(view, v, middle, setting)
        contrast = outside - inside
        smooth = np.where(inner, _along(view, _tremble(noise), setting.step), np.nan)
        where = _crossings(smooth, v, (inside + outside) / 2, np.sign(contrast), middle)
        middle = _slow(where, setting.step)
        noise = _noise(view, v, middle, contrast, setting)
    strength = _strength(view, v, middle, setting, by_texture)
    # Where the step is much weaker than usual or the other way round (the wall in another light), it is another edge.
    where = _without_sparse(np.where(strength > 0.15, where, np.nan), setting.step)
    blur = setting.blur if by_texture else _blur(view, v, where, inside, contrast, setting.blur)
    return EdgeTrace(side, s, base, where, strength, noise, blur, by_texture)


def _without_sparse(where: Array, step: float) -> Array:
    """The edge without stretches in which it is hardly seen: what is found there by chance would carry the path."""
    share = uniform_filter1d(np.isfinite(where).astype(np.float64), max(1, round(_SPARSE_MM / step)), mode="nearest")
    return np.where(share > _LEAST_SHARE, where, np.nan)


def _telling(light: Array, v: Array, setting: _Setting) -> tuple[Array, bool]:
    """What tells inside from outside: light, or where light hardly does and texture does, the change along the edge."""
    change = np.abs(np.roll(light, -1, axis=0) - np.roll(light, 1, axis=0))
    change = uniform_filter1d(np.nan_to_num(change), max(1, round(6.0 / setting.step)), axis=0)
    change[~np.isfinite(light)] = np.nan
    by_light, by_change = (_clearness(x, v, setting) for x in (light, change))
    return (change, True) if by_light < 0.7 and by_change > 1.5 * by_light else (light, False)


def _clearness(values: Array, v: Array, setting: _Setting) -> float:
    """Step between the levels over the scatter outside."""
    zones = [(v > low) & (v < high) for low, high in (setting.zone(False, 4.0), setting.zone(True, 4.0))]
    inside, outside = (values[:, z][np.isfinite(values[:, z])] for z in zones)
    if len(inside) < 10 or len(outside) < 10:
        return 0.0
    return float(abs(np.mean(outside) - np.mean(inside)) / (np.std(outside) + 1e-9))


def _strength(light: Array, v: Array, edge: Array, setting: _Setting, by_texture: bool) -> Array:
    """Log of level outside over level inside at each station over the median of all stations."""
    logs, seen = [], np.ones(len(light), dtype=bool)
    for low, high in (setting.zone(False, 3.0), setting.zone(True, 5.0)):
        zone = (v >= edge[:, None] + low) & (v <= edge[:, None] + high) & np.isfinite(light)
        mean = np.where(zone, light, 0.0).sum(axis=1) / np.maximum(zone.sum(axis=1), 1)
        seen &= zone.any(axis=1)
        logs.append(np.log(uniform_filter1d(mean, max(1, round((24.0 if by_texture else 8.0) / setting.step))) + 1e-3))
    ratio = logs[1] - logs[0]
    usual = float(np.median(ratio[seen])) if seen.any() else 1.0
    return np.where(seen, ratio / (usual or 1.0), 0.0)


def _levels(light: Array, v: Array, edge: Array, setting: _Setting) -> tuple[Array, Array]:
    """Light inside and outside the edge at each station.

    Inside: a running median along the edge. Outside: of the stone that is there (over 5 mm), because a bright stone's
    light reaches farther: against the usual level its edge would seem to lie inward. Where a gap or a chip leaves
    little contrast, the usual level (running median) stands in.
    """
    size = max(3, round(_LEVEL_MM / setting.step) | 1)
    inner, outer = setting.zone(False, 2.5), setting.zone(True, 2.0)
    inside = median_filter(_zone_means(light, v, edge + inner[0], edge + inner[1]), size, mode="nearest")
    outside = _zone_means(light, v, edge + outer[0], edge + outer[1])
    usual = median_filter(outside, size, mode="nearest")
    local = uniform_filter1d(outside, max(1, round(5.0 / setting.step)))
    share = (local - inside) / np.where(usual == inside, 1e-6, usual - inside)
    return inside, np.where((share > 0.5) & (share < 3.0), local, usual)


def _zone_means(light: Array, v: Array, low: Array, high: Array) -> Array:
    """Mean light between two offsets at each station; interpolated where nothing is known."""
    zone = (v >= low[:, None]) & (v <= high[:, None]) & np.isfinite(light)
    mean = np.where(zone, light, 0.0).sum(axis=1) / np.maximum(zone.sum(axis=1), 1)
    known = zone.any(axis=1)
    return np.interp(np.arange(len(mean)), np.flatnonzero(known), mean[known]) if known.any() else mean


def _tremble(noise: float) -> float:
    """Length (standard deviation) to average over along the edge, so that texture stays well below the step."""
    return float(np.clip(_TREMBLE_MM * (noise / _BEARABLE_NOISE) ** 2, _TREMBLE_MM, _LONGEST_TREMBLE_MM))


def _along(light: Array, sigma_mm: float, step: float) -> Array:
    """Light averaged along the edge; NaN where it was NaN."""
    known = np.isfinite(light)
    smooth = gaussian_filter1d(np.where(known, light, 0.0), sigma_mm / step, axis=0)
    smooth /= np.maximum(gaussian_filter1d(known.astype(np.float64), sigma_mm / step, axis=0), 1e-3)
    return np.where(known, smooth, np.nan)


def _crossings(light: Array, v: Array, middle: Array, sign: Array, expected: Array) -> Array:
    """Where light rises through the middle level (going outward, or falls where sign is -1), nearest to expected."""
    above = sign[:, None] * (light - middle[:, None])
    rising = (above[:, :-1] <= 0) & (above[:, 1:] > 0)
    part = above[:, :-1] / np.where(rising, above[:, :-1] - above[:, 1:], 1.0)
    where = v[:-1] + part * (v[1] - v[0])
    distance = np.where(rising, np.abs(where - expected[:, None]), np.inf)
    best = np.argmin(distance, axis=1)
    rows = np.arange(len(light))
    return np.where(np.isfinite(distance[rows, best]), where[rows, best], np.nan)


def _slow(edge: Array, step: float) -> Array:
    """Running lower quartile of the edge over 60 mm: where the next pass expects it."""
    filled = np.where(np.isfinite(edge), edge, np.nanmedian(edge) if np.isfinite(edge).any() else 0.0)
    return np.asarray(median_filter(filled, max(3, round(60.0 / step) | 1), mode="nearest"))


def _noise(light: Array, v: Array, middle: Array, contrast: Array, setting: _Setting) -> float:
    """Scatter of light just outside the edge in units of the step (median over stations)."""
    low, high = setting.zone(True, 4.0)
    zone = (v >= middle[:, None] + low) & (v <= middle[:, None] + high) & np.isfinite(light)
    if not zone.any():
        return math.inf
    rough = np.abs(light - np.median(light[zone]))[zone]
    return 1.4826 * float(np.median(rough)) / max(float(np.median(np.abs(contrast))), 1e-6)


def _blur(light: Array, v: Array, edge: Array, inside: Array, contrast: Array, start: float) -> float:
    """Blur from the slope of the mean lined-up, normalised cross-section: sigma = 1 / (slope sqrt(2 pi))."""
    good = np.isfinite(edge) & (np.abs(contrast) > 1e-4)
    good &= np.abs(edge - np.nanmedian(edge)) < 1.0
    if int(good.sum()) < 20:
        return start
    rows = (light[good] - inside[good, None]) / contrast[good, None]
    x = np.arange(-2.0, 2.0, v[1] - v[0])
    lined = np.stack([np.interp(e + x, v, row) for e, row in zip(edge[good], rows, strict=True)])
    slope = float(np.max(np.gradient(np.nanmedian(lined, axis=0), x)))
    return 1.0 / (slope * math.sqrt(2 * math.pi)) if slope > 0 else start
