"""Profiles along an edge: straightness zone, Gaussian low-pass, moving mean, and the saw's path told from chips.

All functions take stations in mm (strictly rising, any spacing, gaps allowed) and values in mm.

Sources: minimum zone as in ISO 12780-1 (the width of the narrowest pair of parallel lines that holds the profile,
worked out as the least width of the convex hull); Gaussian filter as in ISO 16610-21; ends as in the regression filter
of degree 1 (ISO 16610-28): local straight lines, so that a sloping straight profile leaves the filter unaltered up to
its ends. Inside a regular profile the odd moments vanish and this is the plain Gaussian filter, so that its
transmission exp(-pi (alpha cutoff / wavelength)^2) holds there.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GAUSSIAN_ALPHA = math.sqrt(math.log(2.0) / math.pi)
"""Constant of the Gaussian filter: 50 % transmission at the cutoff (ISO 16610-21)."""
CUTOFF_MM = 25.0
"""Cutoff of the low-pass for edge straightness, and length of the moving mean for extremes."""


def minimum_zone_width(points: Array) -> float:
    """Width of the narrowest pair of parallel lines that holds the points (N, 2), same unit as the points.

    The optimum lies along an edge of the convex hull (rotating calipers). Fewer than three points give 0.

    Raises:
        ValueError: if a coordinate is not finite.
    """
    points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    if not np.isfinite(points).all():
        raise ValueError("minimum zone needs finite points; leave gaps out")
    hull = _hull(points)
    if len(hull) < 3:
        return 0.0
    edges = np.roll(hull, -1, axis=0) - hull
    lengths = np.hypot(edges[:, 0], edges[:, 1])
    normals = np.column_stack([-edges[:, 1], edges[:, 0]])[lengths > 0] / lengths[lengths > 0, None]
    reach = (hull - hull.mean(axis=0)) @ normals.T
    return float(np.min(reach.max(axis=0) - reach.min(axis=0)))


def _hull(points: Array) -> Array:
    """Corners of the convex hull in order, shape (H, 2), by Andrew's monotone chain in double precision."""
    ordered = np.unique(points, axis=0)
    if len(ordered) < 3:
        return ordered
    lower = _chain(ordered)
    upper = _chain(ordered[::-1])
    return np.array(lower[:-1] + upper[:-1])


def _chain(ordered: Array) -> list[tuple[float, float]]:
    chain: list[tuple[float, float]] = []
    for x, y in ordered.tolist():
        while len(chain) > 1:
            (ax, ay), (bx, by) = chain[-2], chain[-1]
            if (bx - ax) * (y - ay) - (by - ay) * (x - ax) > 0:
                break
            chain.pop()
        chain.append((x, y))
    return chain


def straightness(s_mm: Array, n_mm: Array) -> float:
    """Minimum-zone straightness [mm] of a profile; NaN values (gaps) are left out."""
    kept = np.isfinite(n_mm)
    return minimum_zone_width(np.column_stack([np.asarray(s_mm)[kept], np.asarray(n_mm)[kept]]))


def gaussian_lowpass(s_mm: Array, n_mm: Array, cutoff_mm: float = CUTOFF_MM) -> Array:
    """Gaussian low-pass of a profile (ISO 16610-21, degree 1 at the ends), shape (N,).

    NaN values count as gaps; a station without a neighbour inside half a cutoff on either side gives NaN.
    """
    s, n = np.asarray(s_mm, dtype=np.float64), np.asarray(n_mm, dtype=np.float64)
    weight = _station_weights(s, n)
    columns, inside = _neighbours(s, cutoff_mm)
    distance = s[columns] - s[:, None]
    kernel = np.where(inside, weight[columns] * np.exp(-math.pi * (distance / (GAUSSIAN_ALPHA * cutoff_mm)) ** 2), 0.0)
    value = np.nan_to_num(n)[columns]
    m0, m1, m2 = (np.sum(kernel * distance**k, axis=1) for k in range(3))
    t0, t1 = np.sum(kernel * value, axis=1), np.sum(kernel * distance * value, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        local_line = (m2 * t0 - m1 * t1) / (m0 * m2 - m1 * m1)
    return np.where(_has_near(s, np.isfinite(n), cutoff_mm / 2), local_line, np.nan)


def _station_weights(s: Array, n: Array) -> Array:
    """Length of profile that each station stands for: half the way to each neighbour; 0 where the value is missing."""
    if len(s) < 2:
        return np.isfinite(n).astype(np.float64)
    if np.any(np.diff(s) <= 0):
        raise ValueError("stations must rise strictly")
    step = np.diff(s)
    step = np.minimum(step, 4.0 * np.median(step))
    length = np.zeros(len(s))
    length[:-1] += step / 2
    length[1:] += step / 2
    return np.where(np.isfinite(n), length, 0.0)


def _neighbours(s: Array, reach: float) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Indices (N, M) of the stations within ``reach`` of each, and which of them are real."""
    first, last = np.searchsorted(s, s - reach, "left"), np.searchsorted(s, s + reach, "right")
    columns = first[:, None] + np.arange(int(np.max(last - first)))
    return np.minimum(columns, len(s) - 1), columns < last[:, None]


def _has_near(s: Array, present: NDArray[np.bool_], reach: float) -> NDArray[np.bool_]:
    """Whether a present station lies within ``reach`` before and after each station (itself counts)."""
    known = s[present]
    if len(known) < 2:
        return np.zeros(len(s), dtype=bool)
    before, after = np.searchsorted(known, s, "right") - 1, np.searchsorted(known, s, "left")
    near_before = (before >= 0) & (s - known[np.maximum(before, 0)] <= reach)
    near_after = (after < len(known)) & (known[np.minimum(after, len(known) - 1)] - s <= reach)
    return near_before & near_after


def moving_mean(s_mm: Array, n_mm: Array, length_mm: float = CUTOFF_MM, largest_gap_mm: float = 5.0) -> Array:
    """Mean over ``length_mm`` centred on each station, shape (N,); NaN where the window is not wholly covered.

    The profile is taken as straight between neighbouring stations and integrated exactly; a gap longer than
    ``largest_gap_mm`` is not bridged.
    """
    s, n = np.asarray(s_mm, dtype=np.float64), np.asarray(n_mm, dtype=np.float64)
    out = np.full(len(s), np.nan)
    kept = np.isfinite(n)
    for run in np.split(np.flatnonzero(kept), np.flatnonzero(np.diff(s[kept]) > largest_gap_mm) + 1):
        if len(run) > 1 and s[run[-1]] - s[run[0]] >= length_mm:
            inside = (s >= s[run[0]] + length_mm / 2 - 1e-9) & (s <= s[run[-1]] - length_mm / 2 + 1e-9)
            ahead, behind = (_integral(s[run], n[run], s[inside] + d * length_mm / 2) for d in (1, -1))
            out[inside] = (ahead - behind) / length_mm
    return out


def _integral(s: Array, n: Array, x: Array) -> Array:
    """Integral of the polyline from its first station to each x."""
    cumulative = np.concatenate([[0.0], np.cumsum(np.diff(s) * (n[1:] + n[:-1]) / 2)])
    x = np.clip(x, s[0], s[-1])
    i = np.clip(np.searchsorted(s, x, "right") - 1, 0, len(s) - 2)
    return np.asarray(cumulative[i] + (x - s[i]) * (n[i] + np.interp(x, s, n)) / 2)
