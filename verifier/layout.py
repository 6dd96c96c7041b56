"""From a photo of the painted layout to the angle between the lane line and the layout line's axis.

The layout line is a narrow sprayed band, lighter than the pavement or of another colour, that runs from near the lane
marking into the lane. Its axis is the middle between its two edges. Bands that lie beside a dark one are not fresh
layout lines: they are what a blacked-out stale line lets show, or the rest of a layout line beside a saw cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.measurement import BudgetLine, Estimate, Problem, Quantity
from verifier.bands import Band, Tone, find_bands
from verifier.finding import Axis, Curve, CurveRole, Finding
from verifier.lane import (
    STRAIGHTENED_MM,
    LaneLine,
    Object,
    TracedLine,
    bars_middle_mm,
    connected_span,
    find_lane_line,
    lane_candidates,
    largest_departure,
    traced_line,
)
from verifier.linefit import angle_between_rad
from verifier.marks import MarkedFeature, Marks
from verifier.paint import EdgeTrace, paint_strip, sides_alike, strip_steps_mm, trace_edge, visible_stations
from verifier.photo import Photo
from verifier.plane import GroundPlane

Array = NDArray[np.float64]

NARROWEST_MM, WIDEST_MM = 14.0, 90.0
"""Widths of sprayed lines (common practice: 20-80 mm). Chalk lines are narrower, lane markings are wider."""
_COARSE_ROOM_MM = 30.0
"""How much wider a line may seem on the coarse view: colour is blurred more than light."""
_USUAL_WIDTH_MM = 40.0
SHORTEST_MM = 700.0
_LEAST_SHOWN_MM = 1600.0
"""A picture whose diagonals are shorter than this on the pavement cannot show a lane line and a layout line."""
LARGEST_U_DEG = 1.0
"""A line's direction that is less certain than this answers no question about squareness."""
_BESIDE_DARK_MM = 25.0
_TOO_SHORT = "layout-line-too-short"
_RIVAL = 0.25
"""A band of this share of the best one's weight (length times contrast) is looked at closely too."""
_BEYOND_MM = 500.0
"""How far beyond the length seen on the coarse view the line is looked for."""


@dataclass(frozen=True, eq=False)
class LayoutLine:
    """The layout line as measured."""

    line: TracedLine
    width_mm: float
    left: Array
    """Left edge of the band, (K, 2) mm."""
    right: Array
    sides_alike: bool
    """Whether the same pavement lies on both of its sides."""


def measure_layout(
    photo: Photo, plane: GroundPlane, outlines_mm: Sequence[Array], marks: Marks | None = None
) -> Finding:
    """Measure the layout angle; ``outlines_mm`` are the bars' outlines, (4, 2) each."""
    # 1. what straight bands there are, and which may be the fresh layout line
    bands = find_bands(photo.colour, plane, outlines_mm)
    candidates = layout_candidates(plane, bands, marks)
    if isinstance(candidates, Problem):
        return _refused(candidates)
    # 2. each with its lane line, to sub-pixel; what proves to be no sprayed line is out
    scene = _Scene(photo, plane, bands, outlines_mm, marks)
    pairs = [_pair(scene, band) for band in candidates]
    good = [pair for pair in pairs if isinstance(pair, _Pair)]
    short = [pair for pair in pairs if isinstance(pair, Problem) and pair.code == _TOO_SHORT]
    if len(good) > 1 or (good and short):
        return _refused(_ambiguous())
    if not good:
        return _refused(next(pair for pair in pairs if isinstance(pair, Problem)))
    # 3. the angle, its budget, and what to draw
    lane, layout = good[0].lane, good[0].layout
    estimate = angle_estimate(Quantity.LAYOUT_ANGLE, plane, lane.line, layout.line, "layout line")
    if estimate.expanded_uncertainty > LARGEST_U_DEG:
        return _refused(_too_uncertain(estimate))
    return Finding((estimate,), (), _curves(lane, layout), layout.line.fit.axis)


@dataclass(frozen=True, eq=False)
class _Scene:
    """All that the search for lines works on."""

    photo: Photo
    plane: GroundPlane
    bands: Sequence[Band]
    outlines_mm: Sequence[Array]
    marks: Marks | None


@dataclass(frozen=True, eq=False)
class _Pair:
    """A layout line and the lane line that it belongs to."""

    lane: LaneLine
    layout: LayoutLine


def _pair(scene: _Scene, band: Band) -> _Pair | Problem:
    towards = Object(band.axis, band.span_mm, band.width_mm)
    lane = find_lane_line(scene.photo, scene.plane, scene.bands, scene.outlines_mm, towards, scene.marks)
    if isinstance(lane, Problem):
        return lane
    covered = _with_marking(scene.outlines_mm, lane)
    layout = trace_layout(scene.photo, scene.plane, band, covered, bars_middle_mm(scene.outlines_mm))
    return layout if isinstance(layout, Problem) else _Pair(lane, layout)


def _refused(problem: Problem) -> Finding:
    return Finding((), (problem,))


def _too_uncertain(estimate: Estimate) -> Problem:
    return Problem(
        "resolution-too-low",
        f"the direction of the lines is only known to {estimate.expanded_uncertainty:.1f} degrees: move closer, "
        "hold still, and show more of both lines",
    )


# --- which band ---------------------------------------------------------------------------------------------------


def layout_candidates(plane: GroundPlane, bands: Sequence[Band], marks: Marks | None) -> list[Band] | Problem:
    """The bands that can be the fresh layout line, best first, or why there is none."""
    narrow = [b for b in bands if _is_sprayed(b)]
    if marks is not None and (mark := marks.of(MarkedFeature.LAYOUT_LINE)) is not None:
        return _marked(plane, narrow, mark.points_px)
    fresh = [b for b in narrow if _is_fresh(b) and not _beside_dark(b, bands)]
    squared = [b for b in fresh if lane_candidates(bands, Object(b.axis, b.span_mm))]
    if not squared:
        return _too_near(plane) or _why_none(bands, narrow, fresh)
    ranked = sorted(squared, key=_weight, reverse=True)
    return [b for b in ranked if _weight(b) > _RIVAL * _weight(ranked[0])][:3]


def _ambiguous() -> Problem:
    return Problem(
        "layout-line-ambiguous",
        "more than one fresh layout line is in view: black out the stale one, or mark the right one by hand",
    )


def _is_sprayed(band: Band) -> bool:
    fitting = band.whole and NARROWEST_MM <= band.width_mm <= WIDEST_MM + _COARSE_ROOM_MM
    return band.tone is Tone.PAINT and fitting and band.seen_mm >= 0.75 * SHORTEST_MM


def _weight(band: Band) -> float:
    return band.seen_mm * min(band.peak, 2.0)


def _is_fresh(band: Band) -> bool:
    """Not black paint that an old colour tints: lighter than the pavement in some channel, or strongly coloured.

    Sprayed marking paints return a third to nine tenths of the light of their colour, asphalt 5 to 15 %, concrete
    25 to 40 %: common practice. Black paint returns about 3 %.
    """
    return band.light >= 0.15 or band.gain >= 0.65 or band.peak >= 1.3


def _beside_dark(band: Band, bands: Sequence[Band]) -> bool:
    """Whether a dark band runs along this one over much of its length."""
    return any(_runs_beside(band, dark) for dark in bands if dark.tone is Tone.DARK and dark.light < -0.25)


def _runs_beside(band: Band, dark: Band) -> bool:
    if abs(band.axis.direction @ dark.axis.direction) < np.cos(np.radians(3.0)):
        return False
    ends = band.axis.from_plane(dark.ends_mm)
    overlap = min(band.span_mm[1], float(ends[:, 0].max())) - max(band.span_mm[0], float(ends[:, 0].min()))
    gap = float(np.abs(ends[:, 1]).max()) - 0.5 * (band.width_mm + dark.width_mm)
    return gap < _BESIDE_DARK_MM and overlap > 0.35 * (band.span_mm[1] - band.span_mm[0])


def _marked(plane: GroundPlane, narrow: Sequence[Band], points_px: Array) -> list[Band] | Problem:
    """The band along the marks; where the coarse view shows none there, the marks are the start."""
    points = plane.to_plane(points_px)
    if len(points) < 2 or not np.isfinite(points).all() or float(np.ptp(points, axis=0).max()) < 200.0:
        return Problem(
            "mark-unusable",
            "the marks on the layout line must be two points or more on the pavement, far apart: mark it again",
        )
    near = [b for b in narrow if float(np.abs(b.axis.from_plane(points)[:, 1]).max()) < 0.5 * b.width_mm + 60.0]
    if near:
        return [min(near, key=lambda b: float(np.abs(b.axis.from_plane(points)[:, 1]).mean()))]
    direction = points[-1] - points[0]
    half = 0.5 * float(np.hypot(*direction)) + 100.0
    axis = Axis(0.5 * (points[0] + points[-1]), direction / np.hypot(*direction))
    return [Band(axis, _USUAL_WIDTH_MM, (-half, half), 2 * half, Tone.PAINT, 0.0, 0.0, 0.0, 0.0, 0.0)]


def _too_near(plane: GroundPlane) -> Problem | None:
    """Why a picture of little pavement is no layout photo: of one bar's length from above, say."""
    width, height = plane.size_px
    corners = plane.to_plane(
        np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], dtype=np.float64)
    )
    shown = float(np.hypot(*(corners[[0, 1]] - corners[[2, 3]]).T).max())
    if not shown < _LEAST_SHOWN_MM:  # nor where a corner looks over the horizon
        return None
    return Problem(
        "wrong-kind-of-photo",
        f"the picture shows only {shown / 1000:.1f} m of pavement: take layout photos standing, with the lane marking "
        "and the sprayed line in view, or submit this photo as a slot or surface photo",
    )


def _why_none(bands: Sequence[Band], narrow: Sequence[Band], fresh: Sequence[Band]) -> Problem:
    if any(b.width_mm <= WIDEST_MM - _COARSE_ROOM_MM for b in fresh):
        return Problem(
            "lane-line-not-found",
            "a sprayed line is in view, but no lane marking that it is square to: take the photo so that at least "
            "a metre of the marking is in view, sweep it clean, or mark it by hand",
        )
    if len(narrow) > len(fresh) or any(
        b.tone is Tone.DARK and b.light < -0.5 and 25.0 < b.width_mm < 150.0 for b in bands
    ):
        return _wrong_kind()
    return Problem(
        "layout-line-not-found",
        "no sprayed layout line was found: take the photo so that the whole line and the lane marking are in view, "
        "and light them",
    )


def _wrong_kind() -> Problem:
    return Problem(
        "wrong-kind-of-photo",
        "no fresh layout line, only a saw cut or a blacked-out line is in view: "
        "photograph the painted layout before the cut, or submit this photo as a slot photo",
    )


# --- its axis -----------------------------------------------------------------------------------------------------


def _with_marking(outlines_mm: Sequence[Array], lane: LaneLine) -> list[Array]:
    """The bars and the lane marking itself, on which the layout line's edges cannot be told."""
    width = (lane.band.width_mm if lane.band is not None else 100.0) + 20.0
    low, high = lane.line.fit.span_mm
    marking = lane.axis.to_plane(np.array([low, high, high, low]) * 1.2, np.array([-6.0, -6.0, width, width]))
    return [*outlines_mm, marking]


def trace_layout(
    photo: Photo, plane: GroundPlane, band: Band, outlines_mm: Sequence[Array], middle_mm: Array
) -> LayoutLine | Problem:
    """The middle of the sprayed band as a straight line over its visible length.

    ``outlines_mm``: ground on which it cannot be seen; ``middle_mm``: the middle of the bars.
    """
    axis, span, width = band.axis, band.span_mm, band.width_mm
    found: LayoutLine | None = None
    for _ in range(3):
        found = _middle_line(photo, plane, axis, span, width, outlines_mm, middle_mm)
        if found is None:
            return _not_traced()
        settled = (
            largest_departure(found.line.fit, axis) < STRAIGHTENED_MM and abs(found.width_mm - width) < 0.25 * width
        )
        if settled:
            break
        ends = found.line.fit.axis.from_plane(axis.to_plane(np.array(span), np.zeros(2)))[:, 0]
        axis, span, width = found.line.fit.axis, (float(ends[0]), float(ends[1])), found.width_mm
    assert found is not None
    if not found.sides_alike:
        return _wrong_kind()
    if not NARROWEST_MM <= found.width_mm <= WIDEST_MM:
        return _not_traced()
    if found.line.fit.length_mm < SHORTEST_MM:
        return Problem(
            _TOO_SHORT,
            f"only {found.line.fit.length_mm:.0f} mm of the layout line can be seen, at least {SHORTEST_MM:.0f} mm are "
            "needed: step back or turn so that more of it is in view",
        )
    return found


def _middle_line(
    photo: Photo,
    plane: GroundPlane,
    axis: Axis,
    span: tuple[float, float],
    width_mm: float,
    outlines_mm: Sequence[Array],
    middle_mm: Array,
) -> LayoutLine | None:
    visible = visible_stations(plane, axis, 0.5 * (span[0] + span[1]))
    reach = (max(visible[0], span[0] - _BEYOND_MM), min(visible[1], span[1] + _BEYOND_MM))
    both = _both_edges(photo, plane, axis, width_mm, reach, outlines_mm)
    if both is None:
        return None
    middle = _middles(both.left, both.right)
    if len(middle.s_mm) < 8:
        return None
    trace = EdgeTrace(
        axis, middle.s_mm, middle.n_mm, middle.sigma_mm, np.ones(len(middle.s_mm)),
        max(both.left.blur_mm, both.right.blur_mm), max(both.left.blur_px, both.right.blur_px),
        min(both.left.seen_share, both.right.seen_share),
    )  # fmt: skip
    reached = connected_span(middle.s_mm, span, visible, gap_mm=1100.0)  # a bar may lie along it
    line = traced_line(plane, axis, trace, reached, middle_mm, middle.error_share)
    return (
        None
        if line is None
        else LayoutLine(line, middle.width_mm, both.left.points_mm, both.right.points_mm, both.sides_alike)
    )


def _not_traced() -> Problem:
    return Problem(
        "layout-line-not-found",
        "the edges of the layout line could not be followed (thin, worn, covered or blurred): "
        "spray it again, keep bars off it, hold still and move closer",
    )


@dataclass(frozen=True, eq=False)
class _Edges:
    left: EdgeTrace
    right: EdgeTrace
    sides_alike: bool


def _both_edges(
    photo: Photo,
    plane: GroundPlane,
    axis: Axis,
    width_mm: float,
    span: tuple[float, float],
    outlines_mm: Sequence[Array],
) -> _Edges | None:
    """Left and right edge of the band."""
    half = 0.5 * width_mm
    if span[1] - span[0] < 200.0:
        return None
    along, across = strip_steps_mm(plane, axis, span)
    s = np.arange(span[0], span[1], along)
    n = np.arange(-half - 42.0, half + 42.0 + 1e-9, across)
    strip = paint_strip(
        photo.colour, plane, axis, s, n,
        inner=np.abs(n) < 0.3 * width_mm, outer=np.abs(n) > half + 14.0, outlines_mm=outlines_mm,
    )  # fmt: skip
    if strip is None:
        return None
    left = trace_edge(strip.part(n > -0.1 * width_mm), half, -1)
    right = trace_edge(strip.part(n < 0.1 * width_mm), -half, 1)
    if left is None or right is None:
        return None
    traced = max(left.s_mm[0], right.s_mm[0]), min(left.s_mm[-1], right.s_mm[-1])
    return _Edges(left, right, sides_alike(strip, half + 10.0, traced))


@dataclass(frozen=True, eq=False)
class _Middles:
    s_mm: Array
    n_mm: Array
    sigma_mm: Array
    width_mm: float
    error_share: float

    def points_mm(self, axis: Axis) -> Array:
        return axis.to_plane(self.s_mm, self.n_mm)


def _middles(left: EdgeTrace, right: EdgeTrace) -> _Middles:
    """Middles of the blocks of which both edges were located; each edge's blocks lie within a few mm of each other."""
    nearest = np.clip(np.searchsorted(right.s_mm, left.s_mm), 1, max(len(right.s_mm) - 1, 1))
    nearest -= left.s_mm - right.s_mm[nearest - 1] < right.s_mm[np.minimum(nearest, len(right.s_mm) - 1)] - left.s_mm
    both = np.abs(right.s_mm[nearest] - left.s_mm) < 15.0
    upper, lower = left.n_mm[both], right.n_mm[nearest][both]
    stations = 0.5 * (left.s_mm[both] + right.s_mm[nearest][both])
    sigma = 0.5 * np.hypot(left.sigma_mm[both], right.sigma_mm[nearest][both])
    width = float(np.median(upper - lower)) if both.any() else 0.0
    share = _error_share(stations, 0.5 * (upper + lower), 0.5 * (upper - lower))
    return _Middles(stations, 0.5 * (upper + lower), sigma, width, share)


def _error_share(s: Array, middle: Array, half_width: Array) -> float:
    """The share of slow deviations of the middle that is error, not shape.

    The band's shape moves both edges alike; raggedness and noise move each on its own, and so vary the half width
    as much as they vary the middle. Both are compared after a running mean of five blocks, about their straight lines.
    """
    if len(s) < 12:
        return 0.6
    slow = [_slow_variance(s, values) for values in (middle, half_width)]
    return float(np.clip(slow[1] / max(slow[0], 1e-12), 0.15, 1.0))


def _slow_variance(s: Array, values: Array) -> float:
    rest = values - np.polyval(np.polyfit(s, values, 1), s)
    rest = np.clip(rest, *np.quantile(rest, [0.05, 0.95]))
    running = np.convolve(rest, np.ones(5) / 5, mode="valid")
    return float(np.var(running))


# --- the angle ----------------------------------------------------------------------------------------------------


def angle_estimate(quantity: Quantity, plane: GroundPlane, lane: TracedLine, line: TracedLine, name: str) -> Estimate:
    """Angle from the lane line to another line, counter-clockwise, in degrees in [0, 180), with its budget."""
    value = float(np.degrees(angle_between_rad(lane.fit.axis, line.fit.axis)))

    def angle(other: GroundPlane) -> Array:
        return np.array([np.degrees(line.direction_rad(other) - lane.direction_rad(other))])

    budget = (
        *plane.budget(plane.sensitivity(angle)),
        BudgetLine("lane line: location of its edge", float(np.degrees(lane.fit.u_angle_rad))),
        BudgetLine(f"{name}: location of its edges", float(np.degrees(line.fit.u_angle_rad))),
        BudgetLine("pavement not flat", float(np.degrees(np.hypot(lane.unevenness_rad, line.unevenness_rad)))),
    )
    return Estimate(quantity, value, budget)


def _curves(lane: LaneLine, layout: LayoutLine) -> tuple[Curve, ...]:
    return (
        Curve(CurveRole.LANE_LINE, _drawn(lane.line)),
        Curve(CurveRole.LAYOUT_AXIS, _drawn(layout.line)),
        Curve(CurveRole.LAYOUT_BAND, layout.left),
        Curve(CurveRole.LAYOUT_BAND, layout.right),
    )


def _drawn(line: TracedLine) -> Array:
    """The fitted line from end to end, in steps short enough to look straight under any lens."""
    s = np.linspace(*line.fit.span_mm, 41)
    return line.fit.axis.to_plane(s, np.zeros(len(s)))
