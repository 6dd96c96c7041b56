"""What is true of a scene, exactly as the definitions say.  No rendering here, only tables and arithmetic.

Tables are sampled along s every `step` mm; n is the sideways coordinate, positive to the left of +s.  Lengths are
millimetres, angles degrees.  Sources: minimum zone, ISO 12780-1; Gaussian profile filter, ISO 16610-21 (weighting
function exp(-pi (x / (alpha L))^2) / (alpha L), alpha = sqrt(ln 2 / pi), cut-off L); at the ends the weights are cut
off and scaled back to a sum of one, after the mean line has been taken off, so that turning the frame changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

WINDOW_MM = 25.0
CUTOFF_MM = 25.0
_ALPHA = float(np.sqrt(np.log(2) / np.pi))


def moving_mean(values: Array, step: float, window: float = WINDOW_MM) -> Array:
    """Means over whole windows inside the table: shape (n - k + 1,), k samples a window (trapezium-free, k =
    window/step + 1).
    """
    k = round(window / step) + 1
    if len(values) < k:
        raise ValueError(f"{len(values)} samples do not hold one window of {k}")
    total = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray((total[k:] - total[:-k]) / k)


def gaussian_lowpass(values: Array, step: float, cutoff: float = CUTOFF_MM) -> Array:
    """The profile after the Gaussian filter of ISO 16610-21, same shape; truncated weights are renormalised at the
    ends.
    """
    s = np.arange(len(values)) * step
    line = np.polyval(np.polyfit(s, values, 1), s)
    values = values - line
    half = int(np.ceil(1.0 * cutoff / step))
    x = np.arange(-half, half + 1) * step
    kernel = np.exp(-np.pi * (x / (_ALPHA * cutoff)) ** 2)
    weights = np.convolve(np.ones_like(values), kernel, "same")
    return np.asarray(line + np.convolve(values, kernel, "same")[: len(values)] / weights)


def _hull(points: Array) -> Array:
    """Convex hull, counter-clockwise, by the monotone chain (points (n, 2) sorted by x on entry)."""

    def half(seq: Array) -> list[Array]:
        chain: list[Array] = []
        for p in seq:
            while len(chain) > 1:
                a, b = chain[-2], chain[-1]
                if (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) > 0:
                    break
                chain.pop()
            chain.append(p)
        return chain

    low, high = half(points), half(points[::-1])
    return np.array(low[:-1] + high[:-1])


def minimum_zone(s: Array, n: Array) -> float:
    """Width of the narrowest pair of parallel lines that holds the curve (s, n): least width of its convex hull."""
    hull = _hull(np.column_stack([s, n]))
    sides = np.roll(hull, -1, axis=0) - hull
    length = np.hypot(sides[:, 0], sides[:, 1])
    keep = length > 1e-9
    normal = np.column_stack([-sides[:, 1], sides[:, 0]])[keep] / length[keep, None]
    offset = hull @ normal.T
    return float((offset.max(0) - offset.min(0)).min())


def line_angle(points: Array) -> float:
    """Direction of the straight line fitted to (n, 2) points by least squares of the distances, degrees in [0, 180)."""
    centred = points - points.mean(0)
    cov = centred.T @ centred
    return float(np.degrees(0.5 * np.arctan2(2 * cov[0, 1], cov[0, 0] - cov[1, 1])) % 180.0)


def angle_between(lane_deg: float, axis_deg: float) -> float:
    """Angle from the lane line to an axis, counter-clockwise, in [0, 180)."""
    return (axis_deg - lane_deg) % 180.0


@dataclass(frozen=True)
class Span:
    """A stretch of s, mm."""

    low: float
    high: float

    @property
    def length(self) -> float:
        """From end to end, mm."""
        return self.high - self.low

    def meet(self, other: Span) -> Span:
        """The part both have."""
        return Span(max(self.low, other.low), min(self.high, other.high))


@dataclass(frozen=True)
class EdgeTable:
    """Both top edges of a slot against s, with and without chips (n in mm, left positive)."""

    s: Array
    left: Array
    right: Array
    chip_left: Array
    chip_right: Array

    def reversed(self) -> EdgeTable:
        """The same slot seen along the other direction."""
        return EdgeTable(
            -self.s[::-1], -self.right[::-1], -self.left[::-1], self.chip_right[::-1], self.chip_left[::-1]
        )

    def cut(self, span: Span) -> EdgeTable:
        """The stretch within `span`."""
        k = (self.s >= span.low - 1e-9) & (self.s <= span.high + 1e-9)
        return EdgeTable(self.s[k], self.left[k], self.right[k], self.chip_left[k], self.chip_right[k])


def slot_quantities(edges: EdgeTable, step: float) -> dict[str, float]:
    """Width, its extremes, straightness and chips of an edge table that has been cut to the measured length."""
    axis = 0.5 * (edges.left + edges.right)
    slope = np.polyfit(edges.s, axis, 1)[0]
    square = 1.0 / np.sqrt(1.0 + slope * slope)
    width = (edges.left - edges.right) * square
    whole = width + edges.chip_left + edges.chip_right
    means, whole_means = moving_mean(width, step), moving_mean(whole, step)
    out = {
        "slot_width": float(width.mean()),
        "slot_width_min": float(means.min()),
        "slot_width_max": float(means.max()),
        "slot_width_with_spalls": float(whole.mean()),
        "slot_width_min_with_spalls": float(whole_means.min()),
        "slot_width_max_with_spalls": float(whole_means.max()),
        "spall_depth": float(max(edges.chip_left.max(), edges.chip_right.max())),
    }
    for side, n in (("left", edges.left), ("right", edges.right)):
        out[f"edge_straightness_{side}"] = minimum_zone(edges.s, gaussian_lowpass(n, step))
    out["slot_straightness"] = max(out["edge_straightness_left"], out["edge_straightness_right"])
    return out


def band_quantities(side: str, band: Array, gap: float, step: float) -> dict[str, float]:
    """Grout band and ridge of one side; `band` is the distance from the sensor's edge to the grout's outer boundary."""
    top = float(moving_mean(band, step).max())
    return {
        f"grout_band_{side}": float(band.mean()),
        f"grout_band_{side}_max": top,
        f"ridge_width_{side}": max(0.0, top - gap),
        f"ridge_width_{side}_mean": max(0.0, float(band.mean()) - gap),
    }


def bars_span(bars: list[dict], origin: tuple[float, float], direction: tuple[float, float], size: dict) -> Span:  # type: ignore[type-arg]
    """From the first to the last extent of the bars along an axis."""
    low, high = np.inf, -np.inf
    for bar in bars:
        length, width = size[bar["kind"]]
        o = np.array(bar["origin_mm"][:2])
        ex, ey = np.array(bar["ex"][:2]), np.array(bar["ey"][:2])
        for u in (0.0, length * bar["length_scale"]):
            for v in (0.0, width):
                t = float((o + u * ex + v * ey - origin) @ np.array(direction))
                low, high = min(low, t), max(high, t)
    return Span(low, high)
