"""The lane line: the edge of the lane marking that faces the lane, over its whole visible length.

Which marking: a long band, lighter or yellow, as wide as markings are (80-310 mm by the national rules, with room for
wear), nearly square to the layout line or slot, which ends near it and lies on one side of it. Which edge: that on
the side of the layout line or slot, because these are made in the lane. Of a double line it is the band nearer to them.
Where two bands qualify about equally well the photo is refused; a mark by a person decides then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.measurement import Problem
from verifier.bands import Band, Tone
from verifier.finding import Axis
from verifier.linefit import LineFit, fit_line, slope_uncertainty_rad, weighted_line
from verifier.marks import Mark, MarkedFeature, Marks
from verifier.paint import (
    BLOCK_MM,
    EdgeTrace,
    PaintStrip,
    paint_strip,
    strip_steps_mm,
    trace_edge,
    visible_stations,
)
from verifier.photo import Photo
from verifier.plane import GroundPlane

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

NARROWEST_MM, WIDEST_MM = 60.0, 340.0
SHORTEST_MM = 500.0
"""A lane line seen over less than this gives no direction worth having."""
OFF_SQUARE_DEG = 30.0
"""A line further than this from square to the marking is not one that was meant to be square to it."""
_SHARPEST_SHADOW_MM = 5.0
"""Of a band that the picture's border cuts off, only one edge is seen. Light beside a shadow looks like that too, but
the shadow of anything taller than half a metre is less sharp than this (the sun is half a degree wide, lamps are
wider)."""
_LEAST_PAINTED = 0.35
"""Mean score of paint (0 bare, 1 whole) inside such an edge over the median outside."""
_LEAST_CONTRAST = 2.0
"""Standard deviations of the pavement's texture from it to paint: its own brighter half is 0.8 to 1.5 away."""
_SIDE_MM = 120.0
"""How far beyond the marking the object may seem to reach."""
_PAST_SHARE = 0.2
"""Share of an object that may lie beyond the marking where there is no other: sprayed a little past it, but meant for
the lane that holds nearly all of it."""
_FARTHEST_END_MM = 1500.0
STRAIGHTENED_MM = 8.0
"""A strip that the line found strays from by more than this is taken again along that line."""
_FLATNESS_LENGTH_MM = 400.0
"""Correlation length of the pavement's unevenness along a line, as assumed."""


@dataclass(frozen=True, eq=False)
class Object:
    """The layout line or slot that the lane line belongs to: its axis, the stations at which it was seen, its width."""

    axis: Axis
    span_mm: tuple[float, float]
    width_mm: float = 80.0

    @property
    def middle_mm(self) -> Array:
        """Its middle, shape (2,)."""
        return self.axis.to_plane(np.array(0.5 * (self.span_mm[0] + self.span_mm[1])), np.array(0.0))

    @property
    def ends_mm(self) -> Array:
        """Its two ends, shape (2, 2)."""
        return self.axis.to_plane(np.array(self.span_mm), np.zeros(2))


@dataclass(frozen=True, eq=False)
class TracedLine:
    """A fitted line with the places in the photo that it was fitted to."""

    fit: LineFit
    pixels: Array
    """Inlier points, (K, 2)."""
    blur_px: float
    unevenness_rad: float
    """Standard uncertainty of the direction from pavement that is not flat."""
    blur_mm: float = 0.0
    """Blur of the edge on the pavement, standard deviation."""

    def direction_rad(self, plane: GroundPlane) -> float:
        """Direction relative to the fitted axis, were ``plane`` the ground plane: to propagate its uncertainty."""
        frame = self.fit.axis.from_plane(plane.to_plane(self.pixels))
        return float(np.arctan(weighted_line(frame[:, 0], frame[:, 1], np.ones(len(frame))).slope))


@dataclass(frozen=True, eq=False)
class LaneLine:
    """The lane line as measured."""

    line: TracedLine
    band: Band | None
    """The marking it belongs to, as found on the coarse view; None where a mark alone led to it."""
    marked: bool
    """Whether a person's mark steered the search."""

    @property
    def axis(self) -> Axis:
        """Its axis; the marking lies to the left."""
        return self.line.fit.axis


def find_lane_line(
    photo: Photo,
    plane: GroundPlane,
    bands: Sequence[Band],
    outlines_mm: Sequence[Array],
    towards: Object,
    marks: Marks | None = None,
) -> LaneLine | Problem:
    """The lane line that belongs to the layout line or slot ``towards``.

    ``bands``: what ``verifier.bands.find_bands`` found; ``outlines_mm``: the bars' outlines, (4, 2) each.
    """
    mark = marks.of(MarkedFeature.LANE_LINE) if marks else None
    chosen = _choose(plane, bands, towards, mark)
    if isinstance(chosen, Problem):
        return chosen
    band, start, span = chosen
    width = band.width_mm if band is not None else 100.0
    covered = [*outlines_mm, _crossing_outline(towards)]
    line = trace_painted_edge(photo, plane, start, span, width, covered, bars_middle_mm(outlines_mm))
    if line is None:
        return _not_traced()
    cut_off = band is not None and not band.whole
    if cut_off and (line.blur_mm > _SHARPEST_SHADOW_MM or not _is_step(photo, plane, line, width, covered)):
        return _not_traced()
    if line.fit.length_mm < SHORTEST_MM:
        return Problem(
            "lane-line-too-short",
            f"only {line.fit.length_mm:.0f} mm of the lane marking's edge can be seen, at least {SHORTEST_MM:.0f} mm "
            "are needed: step back or turn so that more of the marking is in view",
        )
    return LaneLine(line, band, mark is not None)


def lane_candidates(bands: Sequence[Band], towards: Object) -> list[Band]:
    """Bands that may be the lane marking of ``towards``, best first."""
    markings = [b for b in bands if _is_marking(b)]
    # A line that crosses one marking and ends at another belongs to the latter; one that ends nowhere may run past.
    fitting = [b for b in markings if _belongs(b, towards, 0.0)]
    fitting = fitting or [b for b in markings if _belongs(b, towards, _PAST_SHARE)]
    return sorted(fitting, key=_weight, reverse=True)


def _is_marking(band: Band) -> bool:
    narrowest = NARROWEST_MM if band.whole else 0.0
    return band.tone is Tone.PAINT and narrowest <= band.width_mm <= WIDEST_MM and band.seen_mm >= 0.8 * SHORTEST_MM


def _weight(band: Band) -> float:
    return band.seen_mm * min(band.clarity, 4.0) * (1.0 if band.whole else 0.3)


def _belongs(band: Band, towards: Object, past_share: float) -> bool:
    """Nearly square to the object, which lies on one side of it, but for a share, and ends not far from it."""
    if abs(band.axis.direction @ towards.axis.direction) > np.sin(np.radians(OFF_SQUARE_DEG)):
        return False
    offsets = band.axis.from_plane(towards.ends_mm)[:, 1]
    near, far = sorted(np.abs(offsets).tolist())
    if offsets[0] * offsets[1] < 0 and near > 0.5 * band.width_mm + max(_SIDE_MM, past_share * far):
        return False  # it crosses the marking: this is no lane edge of it
    return bool(near < 0.5 * band.width_mm + _FARTHEST_END_MM and far > 300.0)


_Choice = tuple[Band | None, Axis, tuple[float, float]]


def _choose(plane: GroundPlane, bands: Sequence[Band], towards: Object, mark: Mark | None) -> _Choice | Problem:
    candidates = lane_candidates(bands, towards)
    if mark is not None:
        return _marked(plane, candidates, towards, mark)
    if not candidates:
        return Problem(
            "lane-line-not-found",
            "no lane marking was found beside the line: take the photo so that at least a metre of the marking "
            "is in view, sweep it clean, or mark it by hand",
        )
    group = [b for b in candidates if _parallel(b, candidates[0])]
    if len(others := [b for b in candidates if b not in group]) and _weight(others[0]) > 0.5 * _weight(candidates[0]):
        return _ambiguous()
    best = _nearest_clear(group, towards)
    return best if isinstance(best, Problem) else (best, *_facing_edge(best, towards))


def _parallel(band: Band, other: Band) -> bool:
    return bool(abs(band.axis.direction @ other.axis.direction) > np.cos(np.radians(3.0)))


def _nearest_clear(group: Sequence[Band], towards: Object) -> Band | Problem:
    """Of parallel markings the one nearest to the object's middle that is no ghost of a removed one.

    A ghost departs from the pavement much less than unworn parts of the marking do; in between nobody can say.
    """
    strongest = max(b.peak for b in group)
    by_distance = sorted(group, key=lambda b: abs(float(b.axis.from_plane(towards.middle_mm)[1])))
    sides = {
        bool(b.axis.from_plane(towards.middle_mm)[1] * np.sign(b.axis.direction @ group[0].axis.direction) > 0)
        for b in group
    }
    if len(sides) > 1:
        return _one_of_two_sides(group, towards)
    for band in by_distance:
        if band.peak >= 0.75 * strongest:
            return band
        if band.peak >= 0.45 * strongest:
            return _ambiguous()
    return by_distance[0]


def _one_of_two_sides(group: Sequence[Band], towards: Object) -> Band | Problem:
    """Markings on both sides of the lane: the one at which the object ends, if it plainly does."""

    def gap(band: Band) -> float:
        return float(np.abs(band.axis.from_plane(towards.ends_mm)[:, 1]).min()) - 0.5 * band.width_mm

    ranked = sorted(group, key=gap)
    return ranked[0] if gap(ranked[0]) < 250.0 and gap(ranked[1]) > gap(ranked[0]) + 500.0 else _ambiguous()


def _ambiguous() -> Problem:
    return Problem(
        "lane-line-ambiguous",
        "more than one marking could be the lane line: take the photo so that only one is in view, "
        "or mark the lane line by hand",
    )


def _not_traced() -> Problem:
    return Problem(
        "lane-line-not-found",
        "the edge of the lane marking could not be followed (worn, dirty, in shadow or blurred): sweep it, "
        "light it evenly, hold still and move closer",
    )


def _facing_edge(band: Band, towards: Object) -> tuple[Axis, tuple[float, float]]:
    """Start of the edge that faces the object: axis with the marking on its left, and its span."""
    side = float(np.sign(band.axis.from_plane(towards.middle_mm)[1]))
    origin = band.axis.to_plane(np.array(0.0), np.array(side * 0.5 * band.width_mm)).ravel()
    if side < 0:  # the marking lies to the left of the direction already
        return Axis(origin, band.axis.direction), band.span_mm
    return Axis(origin, -band.axis.direction), (-band.span_mm[1], -band.span_mm[0])


def _marked(plane: GroundPlane, candidates: Sequence[Band], towards: Object, mark: Mark) -> _Choice | Problem:
    """The band or edge along the marks; where the coarse view shows no band there, the marks are the start."""
    points = plane.to_plane(mark.points_px)
    if len(points) < 2 or not np.isfinite(points).all():
        return Problem(
            "mark-unusable", "the marks on the lane line must be two points or more on the pavement: mark it again"
        )
    for band in candidates:
        start, span = _facing_edge(band, towards)
        if float(np.abs(start.from_plane(points)[:, 1]).max()) < 0.5 * band.width_mm + 60.0:
            return band, start, span
    direction = points[-1] - points[0]
    axis = Axis(points.mean(axis=0), direction / np.hypot(*direction))
    if axis.from_plane(towards.middle_mm)[1] > 0:  # the marking must lie to the left, the lane to the right
        axis = Axis(axis.origin_mm, -axis.direction)
    reach = 0.5 * float(np.ptp(axis.from_plane(points)[:, 0])) + 200.0
    return None, axis, (-reach, reach)


# --- tracing ------------------------------------------------------------------------------------------------------


def trace_painted_edge(
    photo: Photo,
    plane: GroundPlane,
    start: Axis,
    span: tuple[float, float],
    width_mm: float,
    outlines_mm: Sequence[Array],
    middle_mm: Array,
) -> TracedLine | None:
    """Follow the edge of a marking that lies to the left of ``start``, from where it was seen to both ends.

    ``outlines_mm``: ground on which the edge cannot be seen; ``middle_mm``: the middle of the bars.
    """
    axis = start
    for _ in range(3):
        visible = visible_stations(plane, axis, 0.5 * (span[0] + span[1]))
        trace = _edge(photo, plane, axis, visible, width_mm, outlines_mm)
        if trace is None:
            return None
        reached = connected_span(trace.s_mm, span, visible, gap_mm=1000.0)
        line = traced_line(plane, axis, trace, reached, middle_mm, error_share=0.4)
        if line is None or largest_departure(line.fit, axis) < STRAIGHTENED_MM:
            return line
        ends = line.fit.axis.from_plane(axis.to_plane(np.array(span), np.zeros(2)))[:, 0]
        axis, span = line.fit.axis, (float(ends[0]), float(ends[1]))
    return line


def largest_departure(fit: LineFit, axis: Axis) -> float:
    """How far the fitted line strays from ``axis`` within its span [mm]."""
    ends = fit.axis.to_plane(np.array(fit.span_mm), np.zeros(2))
    return float(np.abs(axis.from_plane(ends)[:, 1]).max())


def _edge(
    photo: Photo,
    plane: GroundPlane,
    axis: Axis,
    span: tuple[float, float],
    width_mm: float,
    outlines_mm: Sequence[Array],
) -> EdgeTrace | None:
    strip = _edge_strip(photo, plane, axis, span, width_mm, outlines_mm)
    return None if strip is None else trace_edge(strip, 0.0, 1)


def _edge_strip(
    photo: Photo,
    plane: GroundPlane,
    axis: Axis,
    span: tuple[float, float],
    width_mm: float,
    outlines_mm: Sequence[Array],
) -> PaintStrip | None:
    """The ground along an edge of a marking to its left."""
    if span[1] - span[0] < 200.0:
        return None
    along, across = strip_steps_mm(plane, axis, span)
    s = np.arange(span[0], span[1], along)
    n = np.arange(-52.0, _inner_mm(width_mm) + 20.0, across)
    inner, outer = _sides_of_edge(n, width_mm)
    return paint_strip(photo.colour, plane, axis, s, n, inner=inner, outer=outer, outlines_mm=outlines_mm)


def _inner_mm(width_mm: float) -> float:
    return min(50.0, 0.6 * width_mm)


def _sides_of_edge(n: Array, width_mm: float) -> tuple[Mask, Mask]:
    """Which offsets surely lie inside and outside a marking whose edge is at 0."""
    inner = _inner_mm(width_mm)
    return (n > 0.4 * inner) & (n < inner), n < -20.0


def _is_step(photo: Photo, plane: GroundPlane, line: TracedLine, width_mm: float, outlines_mm: Sequence[Array]) -> bool:
    """Whether paint lies all along one side and none on the other: beside a joint the same ground lies on both."""
    strip = _edge_strip(photo, plane, line.fit.axis, line.fit.span_mm, width_mm, outlines_mm)
    if strip is None or strip.contrast < _LEAST_CONTRAST:
        return False
    inner, outer = _sides_of_edge(strip.n_mm, width_mm)
    # worn paint still has its mean; the median of the ground outside is not that of a joint that runs along it
    return float(np.nanmean(strip.paint[:, inner]) - np.nanmedian(strip.paint[:, outer])) > _LEAST_PAINTED


def connected_span(
    stations: Array, core: tuple[float, float], visible: tuple[float, float], gap_mm: float
) -> tuple[float, float]:
    """First and last station reached from the core without a gap over ``gap_mm``; to the picture's edge if near."""
    ordered = np.sort(stations)
    breaks = np.flatnonzero(np.diff(ordered) > gap_mm)
    starts, ends = ordered[np.r_[0, breaks + 1]], ordered[np.r_[breaks, len(ordered) - 1]]
    overlap = np.minimum(ends, core[1]) - np.maximum(starts, core[0])
    best = int(np.argmax(overlap))
    low, high = float(starts[best]) - 0.5 * BLOCK_MM, float(ends[best]) + 0.5 * BLOCK_MM
    low = visible[0] if low - visible[0] < 150.0 else low
    high = visible[1] if visible[1] - high < 150.0 else high
    return low, high


def traced_line(
    plane: GroundPlane, axis: Axis, trace: EdgeTrace, span: tuple[float, float], middle_mm: Array, error_share: float
) -> TracedLine | None:
    """The straight line through a trace's blocks within ``span``, which is its visible length.

    The blocks used may be fewer: see ``_worth_using``.
    """
    use = (trace.s_mm >= span[0]) & (trace.s_mm <= span[1])
    if np.count_nonzero(use) < 5:
        return None
    points, sigma = trace.points_mm[use], trace.sigma_mm[use]
    fit = fit_line(points, sigma, start=axis, span_mm=span, error_share=error_share)
    if np.count_nonzero(fit.inliers) < max(5, 0.5 * len(points)):
        return None
    worth = fit.inliers & _worth_using(plane, fit, points, middle_mm)
    if np.count_nonzero(worth) < np.count_nonzero(fit.inliers):
        points = points[worth]
        fit = fit_line(points, sigma[worth], start=axis, span_mm=span, error_share=error_share)
    stations = fit.axis.from_plane(points[fit.inliers])[:, 0]
    tilt = float(np.abs(plane.tilt_mm_per_mm(fit.axis.origin_mm) @ fit.axis.normal).item())
    uneven = slope_uncertainty_rad(float(np.ptp(stations)), plane.unflatness_mm * tilt, _FLATNESS_LENGTH_MM)
    return TracedLine(fit, plane.to_pixels(points[fit.inliers]), trace.blur_px, uneven, trace.blur_mm)


_REACHES_MM = (700.0, 1000.0, 1400.0, 2000.0, 2800.0, 4000.0)


def _worth_using(plane: GroundPlane, fit: LineFit, points: Array, middle_mm: Array) -> Mask:
    """Which blocks to use: those within the distance of the bars that makes the direction most certain.

    Far from the bars the plane is known worse and worse, and turns far points together; near ones alone tell less of
    the line. The choice rests on the uncertainties only, never on where the points lie. Location is taken to go with
    the length to the power -3/2, as for independent blocks; what the line does beyond is covered by the fit's own
    model.
    """
    away = np.hypot(*(points - middle_mm).T)
    frame = fit.axis.from_plane(points)
    pixels = plane.to_pixels(points)
    offsets = plane.sensitivity(lambda other: fit.axis.from_plane(other.to_plane(pixels))[:, 1])
    best, least = np.ones(len(points), dtype=bool), np.inf
    for reach in (np.inf, *_REACHES_MM):
        use = (away <= max(reach, float(away.min()) + 600.0)) & fit.inliers
        if np.count_nonzero(use) < 8:
            continue
        s = frame[use, 0] - frame[use, 0].mean()
        turn = (s @ offsets[use]) / (s @ s)
        location = fit.u_angle_rad * (fit.length_mm / max(float(np.ptp(s)), 1.0)) ** 1.5
        total = float(turn @ plane.covariance @ turn) + location**2
        if total < least:
            best, least = use, total
    return best


def bars_middle_mm(outlines_mm: Sequence[Array]) -> Array:
    """The middle of all bars, shape (2,); the plane's origin where none is given."""
    return np.concatenate([np.asarray(o) for o in outlines_mm]).mean(axis=0) if len(outlines_mm) else np.zeros(2)


def _crossing_outline(towards: Object) -> Array:
    """The ground (4, 2) that the object covers and 400 mm beyond its ends: to be left out of the lane line."""
    low, high = towards.span_mm[0] - 400.0, towards.span_mm[1] + 400.0
    half = 0.5 * towards.width_mm + 20.0
    return towards.axis.to_plane(np.array([low, high, high, low]), np.array([-half, -half, half, half]))
