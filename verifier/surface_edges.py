"""The two edges of a sensor's top: straight by nature, so each is one straight line with sub-pixel location.

An edge is located where light changes fastest across it, after averaging along it. Where there are several parallel
changes close together (a chamfer with its glint, then the joint to the grout), the outermost is the edge of the top.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis
from verifier.plane import Array
from verifier.surface_search import BAR_MARGIN_MM, BandHypothesis, bar_mask, oriented
from verifier.surface_strip import Picture, Samples

ACROSS_MM = 8.0
"""Half width of the strip in which an edge is looked for, about where the votes put it."""
STEP_MM = 0.2
BLOCK_MM = 8.0
SLOPE = 0.02
"""Largest slope of the edge against the voted axis."""
CHAMFER_MM = 1.6
"""Changes of light nearer to each other than this belong to one edge."""
OUTERMOST_SHARE = 0.35
"""How strong a change must be, against the strongest near it, to be the outermost one."""


@dataclass(frozen=True, eq=False)
class StraightEdge:
    """One edge of the sensor: offset from an axis as a straight line of the station, n = offset + slope (s - s_mid)."""

    offset_mm: float
    slope: float
    s_mid_mm: float
    covariance: Array
    """Of (offset, slope), from the scatter of the blocks along the edge."""
    scatter_mm: float
    """Robust standard deviation of the blocks about the line."""
    share: float
    """Share of the blocks that lie on the line."""
    strength: float
    """Change of light across the edge in units of its scatter along the edge."""
    width_mm: float
    """Standard deviation of the spread of the change across the edge: blur, or a rounded arris."""

    def at(self, s_mm: Array) -> Array:
        """Offset at stations ``s_mm``."""
        return np.asarray(self.offset_mm + self.slope * (np.asarray(s_mm) - self.s_mid_mm))


@dataclass(frozen=True, eq=False)
class SensorTop:
    """The sensor's top over the measured length."""

    axis: Axis
    """Middle of the two edges, along the first bar's +x."""
    s_mm: Array
    """Stations of the measured length, ``STATION_MM`` apart."""
    left: StraightEdge
    right: StraightEdge

    def width_at(self, s_mm: Array) -> Array:
        """Distance between the edges, square to the axis."""
        return np.asarray(self.left.at(s_mm) - self.right.at(s_mm))

    @property
    def width_mm(self) -> float:
        """Mean width over the measured length."""
        return float(self.width_at(self.s_mm).mean())


STATION_MM = 1.0
MIN_LENGTH_MM = 100.0
def tops(
    picture: Picture, outlines_mm: Sequence[Array], hypotheses: Sequence[BandHypothesis]
) -> Iterator[SensorTop]:
    """Those hypotheses, in their order, that have two straight and parallel edges."""
    for hypothesis in hypotheses:
        top = _trace_top(picture, outlines_mm, hypothesis)
        if top is not None and _is_sound(top):
            yield top


def measured_stations(picture: Picture, axis: Axis, half_width_mm: float, outlines_mm: Sequence[Array]) -> Array:
    """Stations between the first and the last end of any bar at which the whole width is in the picture."""
    ends = np.concatenate([axis.from_plane(outline)[:, 0] for outline in outlines_mm])
    s = np.arange(ends.min() + STATION_MM / 2, ends.max() - STATION_MM / 2 + 1e-6, STATION_MM)
    if len(s) < 2:
        return s
    across = np.array([-half_width_mm, 0.0, half_width_mm])
    inside = picture.inside(picture.grid(axis, s, across)).all(axis=1)
    return _longest_run(s, inside)


def _longest_run(s: Array, good: NDArray[np.bool_]) -> Array:
    """The longest stretch of ``s`` without a gap in ``good``."""
    steps = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    if len(steps) == 0:
        return s[:0]
    starts, ends = steps[::2], steps[1::2]
    longest = int(np.argmax(ends - starts))
    return s[starts[longest] : ends[longest]]


def bars_in_strip(
    outlines_mm: Sequence[Array], axis: Axis, s_mm: Array, n_mm: Array, margin_mm: float = BAR_MARGIN_MM
) -> NDArray[np.bool_]:
    """Which samples (S, N) of an evenly spaced strip a bar covers."""
    step_s, step_n = float(s_mm[1] - s_mm[0]), float(n_mm[1] - n_mm[0])
    cells = [(axis.from_plane(outline) - (s_mm[0], n_mm[0])) / (step_s, step_n) for outline in outlines_mm]
    margin = (margin_mm / abs(step_n), margin_mm / abs(step_s))
    return bar_mask([c[:, ::-1] for c in cells], (len(s_mm), len(n_mm)), margin)


def _trace_top(picture: Picture, outlines_mm: Sequence[Array], hypothesis: BandHypothesis) -> SensorTop | None:
    """Both edges of one hypothesis, with the axis then put in their middle."""
    half = hypothesis.width_mm / 2
    s = measured_stations(picture, hypothesis.axis, half + 4.0, outlines_mm)
    if len(s) * STATION_MM < MIN_LENGTH_MM:
        return None
    edges = []
    for side in (1, -1):
        near = np.array([side * half - 4.0, side * half, side * half + 4.0])
        free = ~bars_in_strip(outlines_mm, hypothesis.axis, s, near, 4.0).any(axis=1)
        edges.append(trace_edge(picture, hypothesis.axis, s, side * half, side, free))
    left, right = edges
    if left is None or right is None:
        return None
    return _centred(picture, hypothesis.axis, outlines_mm, left, right)


def _centred(
    picture: Picture, axis: Axis, outlines_mm: Sequence[Array], left: StraightEdge, right: StraightEdge
) -> SensorTop:
    """The same edges in the frame of the line half way between them."""
    offset, slope = (left.offset_mm + right.offset_mm) / 2, (left.slope + right.slope) / 2
    middle = axis.to_plane(np.array([left.s_mid_mm]), np.array([offset]))[0]
    centred = oriented(middle, axis.direction + slope * axis.normal)
    edges = [
        replace(edge, offset_mm=edge.at(np.array(left.s_mid_mm)) - offset, slope=edge.slope - slope, s_mid_mm=0.0)
        for edge in (left, right)
    ]
    s = measured_stations(picture, centred, (left.offset_mm - right.offset_mm) / 2 + 4.0, outlines_mm)
    return SensorTop(centred, s, *edges)


def _is_sound(top: SensorTop) -> bool:
    """Whether both edges are straight, seen along most of the length, and parallel."""
    straight = all(edge.scatter_mm < 0.6 and edge.share > 0.6 for edge in (top.left, top.right))
    parallel = abs(top.left.slope - top.right.slope) < 0.006
    return bool(straight and parallel and len(top.s_mm) * STATION_MM >= MIN_LENGTH_MM and 15.0 < top.width_mm < 130.0)


def trace_edge(
    picture: Picture, axis: Axis, s_mm: Array, guess_mm: float, outward: int, usable: Array
) -> StraightEdge | None:
    """The straight edge near offset ``guess_mm`` of ``axis``; ``outward`` is +1 where the sensor lies below it.

    ``usable`` (S,) tells which stations may be used. None where no coherent edge is there.
    """
    n = np.arange(-ACROSS_MM, ACROSS_MM + STEP_MM / 2, STEP_MM)
    light = picture.linear(picture.grid(axis, s_mm, guess_mm + outward * n))
    centres, profiles = _blocks(light, s_mm, usable)
    if len(centres) < 6:
        return None
    change = _change(profiles)
    mid = float(centres.mean())
    slope, place = _coherent_line(change, centres - mid)
    place = _outermost(_along(change, centres - mid, slope), place)
    return _fit(change, centres, mid, slope, place, guess_mm, outward)


def _blocks(light: Samples, s_mm: Array, usable: Array) -> tuple[Array, Array]:
    """Centres (B,) and mean profiles (B, N, 3) of blocks of ``BLOCK_MM`` that are mostly usable."""
    size = max(int(round(BLOCK_MM / (s_mm[1] - s_mm[0]))), 1)
    count = len(s_mm) // size
    used = usable[: count * size].reshape(count, size)
    grouped = light[: count * size].reshape(count, size, *light.shape[1:])
    profiles = np.einsum("bs,bsnc->bnc", used.astype(np.float32), grouped) / np.maximum(used.sum(axis=1), 1)[:, None, None]
    good = used.mean(axis=1) > 0.6
    return s_mm[: count * size].reshape(count, size).mean(axis=1)[good], profiles[good].astype(np.float64)


def _change(profiles: Array) -> Array:
    """Change of light across, (B, N, 3): derivative of a Gaussian of 0.4 mm, relative to the light there."""
    half = 6
    x = np.arange(-half, half + 1)
    kernel = x * np.exp(-0.5 * (x * STEP_MM / 0.4) ** 2)
    kernel /= (kernel * x).sum()
    flat = np.ascontiguousarray(profiles.transpose(0, 2, 1).reshape(-1, profiles.shape[1]))
    change = cv2.filter2D(flat, cv2.CV_64F, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    level = cv2.blur(flat, (61, 1), borderType=cv2.BORDER_REPLICATE) + 0.01
    return np.asarray((change / level).reshape(len(profiles), 3, -1).transpose(0, 2, 1))


def _along(change: Array, s_mm: Array, slope: float) -> Array:
    """Change (B, N, 3) with each block shifted so that a line of ``slope`` runs level (whole steps)."""
    shift = np.rint(slope * s_mm / STEP_MM).astype(int)
    index = np.clip(np.arange(change.shape[1])[None, :] + shift[:, None], 0, change.shape[1] - 1)
    return np.take_along_axis(change, index[..., None], axis=1)


def _coherent_line(change: Array, s_mm: Array) -> tuple[float, int]:
    """Slope and place (index across) of the line along which the change is most alike from block to block.

    Each block's change counts up to about its typical size, so that a few strong ones elsewhere do not outvote many.
    """
    change, s_mm = _pooled(change), _pooled(s_mm)
    size = np.sqrt((change**2).sum(axis=2, keepdims=True))
    bounded = (change / np.sqrt(size**2 + (2.0 * np.median(size)) ** 2 + 1e-12)).astype(np.float32)
    reach = float(np.abs(s_mm).max()) + 1e-9
    slopes = np.arange(-SLOPE, SLOPE + 1e-9, STEP_MM / reach)
    scores = np.stack([(_along(bounded, s_mm, slope).mean(axis=0) ** 2).sum(axis=1) for slope in slopes])
    best = np.unravel_index(np.argmax(scores), scores.shape)
    return float(slopes[best[0]]), int(best[1])


def _pooled(blocks: Array) -> Array:
    """Means of neighbouring blocks two by two, where there are plenty."""
    return blocks if len(blocks) < 40 else blocks[: len(blocks) // 2 * 2].reshape(-1, 2, *blocks.shape[1:]).mean(axis=1)


def _outermost(level: Array, place: int) -> int:
    """Index of the outermost change that belongs to the edge at index ``place``."""
    size = np.sqrt((np.median(level, axis=0) ** 2).sum(axis=1))
    reach = int(CHAMFER_MM / STEP_MM)
    for i in range(min(place + reach, len(size) - 2), place, -1):
        if size[i] >= size[i - 1] and size[i] >= size[i + 1] and size[i] > OUTERMOST_SHARE * size[place]:
            return i
    return place


def _fit(
    change: Array, centres: Array, mid: float, slope: float, place: int, guess_mm: float, outward: int
) -> StraightEdge | None:
    """Locate the edge in every block near the coherent line and fit a robust straight line through the places."""
    pattern = np.median(_along(change, centres - mid, slope)[:, place], axis=0)
    signed = change @ (pattern / (np.linalg.norm(pattern) + 1e-12))
    line = _Line(np.array([float(place), slope / STEP_MM]), np.zeros((2, 2)), 0.0, 0.0)
    for reach_mm in (1.0, 0.7, 0.5):
        where, height = _peaks_near(signed, line.value[0] + line.value[1] * (centres - mid), reach_mm)
        fitted = _robust_line(centres - mid, where, height)
        if fitted is None:
            return None
        line = fitted
    level = _along(signed[..., None], centres - mid, float(line.value[1]) * STEP_MM)[..., 0]
    strength = float(np.median(height) / (_mad(height) + 0.02))
    return StraightEdge(
        guess_mm + outward * float(line.value[0] * STEP_MM - ACROSS_MM), outward * float(line.value[1] * STEP_MM), mid,
        line.covariance * STEP_MM**2, line.scatter * STEP_MM, line.share, strength,
        _spread(np.median(level, axis=0), float(line.value[0])),
    )  # fmt: skip


def _peaks_near(signed: Array, expected: Array, reach_mm: float) -> tuple[Array, Array]:
    """In each row, the peak within ``reach_mm`` of the expected place (index): its sub-sample place and its height."""
    index = np.arange(signed.shape[1])
    reach = reach_mm / STEP_MM
    inner = (signed[:, 1:-1] >= signed[:, :-2]) & (signed[:, 1:-1] >= signed[:, 2:])
    crest = np.pad(inner, ((0, 0), (1, 1))) & (np.abs(index - expected[:, None]) <= reach)
    peak = np.argmax(np.where(crest, signed, -1.0), axis=1)
    found = crest.any(axis=1)
    height = np.where(found, signed[np.arange(len(signed)), peak], 0.0)
    return np.where(found, _parabola(signed, peak), expected), np.maximum(height, 0.0)


def _parabola(rows: Array, peak: Array) -> Array:
    """Sub-sample place of the maximum of each row, from the three samples about it."""
    i = np.arange(len(rows))
    inner = np.clip(peak, 1, rows.shape[1] - 2)
    a, b, c = rows[i, inner - 1], rows[i, inner], rows[i, inner + 1]
    bend = a - 2 * b + c
    return inner + np.where(np.abs(bend) > 1e-12, np.clip(0.5 * (a - c) / np.where(bend == 0, 1, bend), -1, 1), 0.0)


def _mad(x: Array) -> float:
    return float(1.4826 * np.median(np.abs(x - np.median(x))))


def _spread(mean: Array, place: float) -> float:
    """Standard deviation [mm] of the peak of a curve at index ``place``, above a quarter of its height."""
    x = np.arange(len(mean))
    near = np.abs(x - np.clip(place, 0, len(mean) - 1)) <= 1.2 / STEP_MM
    weight = np.maximum(mean[near] - 0.25 * mean[near].max(), 0.0) + 1e-12
    centre = (weight @ x[near]) / weight.sum()
    return float(STEP_MM * np.sqrt((weight @ (x[near] - centre) ** 2) / weight.sum()))


@dataclass(frozen=True, eq=False)
class _Line:
    """Robust straight line: (offset, slope) and its covariance, scatter about it, share of points that lie on it."""

    value: Array
    covariance: Array
    scatter: float
    share: float


def _robust_line(x: Array, y: Array, height: Array) -> _Line | None:
    """Straight line by iteratively reweighted least squares (Tukey's biweight, scale from the MAD).

    Points with little ``height`` are left out and count against the share; None with fewer than six others.
    """
    design = np.column_stack([np.ones_like(x), x])
    keep = height > 0.25 * np.median(height)
    if keep.sum() < 6:
        return None
    value = np.linalg.lstsq(design[keep], y[keep], rcond=None)[0]
    for _ in range(15):
        residual = y - design @ value
        scale = max(_mad(residual[keep]), 0.05)
        weight = keep * np.maximum(1.0 - (residual / (4.685 * scale)) ** 2, 0.0) ** 2
        normal = design.T @ (weight[:, None] * design) + 1e-9 * np.eye(2)
        value = np.linalg.solve(normal, design.T @ (weight * y))
    kept = weight > 0.05
    variance = scale**2 * max(_correlation_factor((y - design @ value)[kept]), 1.0)
    return _Line(value, variance * np.linalg.inv(normal), scale, float(kept.mean()))


def _correlation_factor(residual: Array) -> float:
    """By how much neighbouring residuals that are alike raise the variance of a mean: 1 + 2 sum of autocorrelation.

    Summed over the first few lags only, as is usual for a first-order process (Zieba, Metrol. Meas. Syst. 17 (2010) 3).
    """
    r = residual - residual.mean()
    power = float(r @ r) + 1e-12
    factor = 1.0
    for lag in range(1, min(6, len(r) // 4)):
        rho = float(r[lag:] @ r[:-lag]) / power
        if rho <= 0.1:
            break
        factor += 2 * rho
    return factor
