"""The sensor's top: two straight, parallel edges on a hypothesis of the search, over the length that counts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis
from verifier.plane import Array, GroundPlane
from verifier.surface_edges import CoherentLine, EdgeStrip, StraightEdge
from verifier.surface_search import BAR_MARGIN_MM, BandHypothesis, bar_mask, oriented
from verifier.surface_strip import Picture

STATION_MM = 1.0
MIN_LENGTH_MM = 100.0
BAR_THICKNESS_MM = 3.0
"""Height of a bar's face, whose outline is what is seen."""
PAIRS = 5
"""Pairs of edges looked at on one hypothesis."""
EDGE_STEP_MM = 2.0
"""Stations from which edges are located."""
CONVERGENCE = 0.012
"""Largest difference of both edges' slopes: what a bar propped up by a few centimetres at one end makes of parallel
edges; see ``is_tapered``."""
WIDEST_MM = 96.0
"""Widest top without a nominal width: strip sensors are 30 to 90 mm wide, lane lines 100 mm up (common practice)."""
NOMINAL_SLACK_MM = 4.0
"""How far the measured width may be off the nominal one: more is another thing, not a sensor out of tolerance."""
NOMINAL_SPREAD_MM = 1.5
"""Standard deviation of measured about nominal widths, to choose among lines close together, as shadows make them."""


@dataclass(frozen=True, eq=False)
class SensorTop:
    """The sensor's top over the measured length."""

    axis: Axis
    """Middle of the two edges, along the first bar's +x."""
    s_mm: Array
    """Stations of the measured length, ``STATION_MM`` apart."""
    left: StraightEdge
    right: StraightEdge
    pixel_mm: float
    """Size of a pixel across the sensor."""

    @property
    def skirt_mm(self) -> float:
        """How far outside an edge its chamfer, its blur and the halo that sharpening makes of it reach."""
        return 0.5 + 2.5 * self.pixel_mm

    def edge(self, side: int) -> StraightEdge:
        """The left edge for +1, the right one for -1."""
        return self.left if side > 0 else self.right

    def width_at(self, s_mm: Array) -> Array:
        """Distance between the edges, square to the axis."""
        return np.asarray(self.left.at(s_mm) - self.right.at(s_mm))

    @property
    def width_mm(self) -> float:
        """Mean width over the measured length."""
        return float(self.width_at(self.s_mm).mean())


def tops(
    picture: Picture,
    outlines_mm: Sequence[Array],
    hypotheses: Sequence[BandHypothesis],
    nominal_mm: float | None = None,
) -> Iterator[SensorTop]:
    """Pairs of straight and parallel edges on the hypotheses, in their order, no pair twice."""
    given: list[SensorTop] = []
    for hypothesis in hypotheses:
        for top in _tops_on(picture, outlines_mm, hypothesis, nominal_mm):
            if nominal_mm is None and top.width_mm > WIDEST_MM:
                continue
            if _is_sound(top) and not any(_is_same(top, other) for other in given):
                given.append(top)
                yield top


def _is_same(top: SensorTop, other: SensorTop) -> bool:
    offset = float(abs(other.axis.from_plane(top.axis.origin_mm[None, :])[0, 1]))
    return offset < 1.0 and abs(top.width_mm - other.width_mm) < 1.0


def measured_stations(picture: Picture, axis: Axis, half_width_mm: float, outlines_mm: Sequence[Array]) -> Array:
    """Stations between the first and the last end of any bar at which the whole width is in the picture."""
    seated = [o - BAR_THICKNESS_MM * picture.plane.tilt_mm_per_mm(o) for o in outlines_mm]
    ends = np.concatenate([axis.from_plane(outline)[:, 0] for outline in seated])
    s = np.arange(ends.min() + STATION_MM / 2, ends.max() - STATION_MM / 2 + 1e-6, STATION_MM)
    if len(s) < 2:
        return s
    across = np.array([-half_width_mm, 0.0, half_width_mm])
    inside = np.asarray(picture.inside(picture.grid(axis, s, across)).all(axis=1), np.bool_)
    return s[longest_run(inside)]


def longest_run(good: NDArray[np.bool_]) -> slice:
    """The longest stretch without a gap in ``good`` (S,)."""
    steps = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    if len(steps) == 0:
        return slice(0, 0)
    starts, ends = steps[::2], steps[1::2]
    longest = int(np.argmax(ends - starts))
    return slice(int(starts[longest]), int(ends[longest]))


def bars_in_strip(
    outlines_mm: Sequence[Array], axis: Axis, s_mm: Array, n_mm: Array, margin_mm: float = BAR_MARGIN_MM
) -> NDArray[np.bool_]:
    """Which samples (S, N) of an evenly spaced strip a bar covers."""
    step_s, step_n = float(s_mm[1] - s_mm[0]), float(n_mm[1] - n_mm[0])
    cells = [(axis.from_plane(outline) - (s_mm[0], n_mm[0])) / (step_s, step_n) for outline in outlines_mm]
    margin = (margin_mm / abs(step_n), margin_mm / abs(step_s))
    return bar_mask([c[:, ::-1] for c in cells], (len(s_mm), len(n_mm)), margin)


def _tops_on(
    picture: Picture, outlines_mm: Sequence[Array], hypothesis: BandHypothesis, nominal_mm: float | None
) -> Iterator[SensorTop]:
    """All pairs of edges that one hypothesis allows, the most coherent first."""
    half = (hypothesis.width_mm + (nominal_mm or hypothesis.width_mm)) / 4
    s = measured_stations(picture, hypothesis.axis, half + 4.0, outlines_mm)
    if len(s) * STATION_MM < MIN_LENGTH_MM:
        return
    s = s[:: round(EDGE_STEP_MM / STATION_MM)]
    sides = []
    for side in (1, -1):
        near = np.array([side * half - 4.0, side * half, side * half + 4.0])
        free = np.asarray(~bars_in_strip(outlines_mm, hypothesis.axis, s, near, 4.0).any(axis=1), np.bool_)
        sides.append(EdgeStrip.look(picture, hypothesis.axis, s, side * half, side, free))
    left, right = sides
    if left is None or right is None:
        return
    fit_left, fit_right = cache(left.fit), cache(right.fit)
    for a, b in _ranked_pairs(left, right, 2 * half, nominal_mm)[:PAIRS]:
        edges = fit_left(a), fit_right(b)
        if edges[0] is not None and edges[1] is not None:
            yield _centred(picture, hypothesis.axis, outlines_mm, edges[0], edges[1])


def _ranked_pairs(
    left: EdgeStrip, right: EdgeStrip, apart_mm: float, nominal_mm: float | None
) -> list[tuple[CoherentLine, CoherentLine]]:
    """Parallel lines on strips ``apart_mm`` from each other, near the nominal width if any, the most coherent first."""
    ranked = []
    for a, b in product(left.lines(), right.lines()):
        off = 0.0 if nominal_mm is None else apart_mm + left.outward_mm(a) + right.outward_mm(b) - nominal_mm
        if abs(a.slope + b.slope) < CONVERGENCE and abs(off) < NOMINAL_SLACK_MM:
            ranked.append(((a.score + b.score) * np.exp(-0.5 * (off / NOMINAL_SPREAD_MM) ** 2), a, b))
    return [(a, b) for _, a, b in sorted(ranked, key=lambda pair: -pair[0])]


def _centred(
    picture: Picture, axis: Axis, outlines_mm: Sequence[Array], left: StraightEdge, right: StraightEdge
) -> SensorTop:
    """The same edges in the frame of the line half way between them."""
    offset, slope = (left.offset_mm + right.offset_mm) / 2, (left.slope + right.slope) / 2
    middle = axis.to_plane(np.array([left.s_mid_mm]), np.array([offset]))[0]
    direction = axis.direction + slope * axis.normal
    edges = [
        replace(
            edge, offset_mm=float(edge.at(np.array(left.s_mid_mm))) - offset, slope=edge.slope - slope, s_mid_mm=0.0
        )
        for edge in (left, right)
    ]
    if direction[0] < 0:  # turned past the bar's y: the other side is left now
        edges = [replace(edge, offset_mm=-edge.offset_mm) for edge in edges[::-1]]
    centred = oriented(middle, direction)
    s = measured_stations(picture, centred, edges[0].offset_mm + 4.0, outlines_mm)
    across = picture.plane.pixels_per_mm(middle[None, :])[0] @ centred.normal
    return SensorTop(centred, s, edges[0], edges[1], float(1.0 / np.linalg.norm(across)))


def _is_sound(top: SensorTop) -> bool:
    """Whether both edges are straight, distinct, seen along most of the length, and parallel."""
    edges = (top.left, top.right)
    straight = all(_is_straight(edge) and edge.share > 0.8 and edge.strength > 0.8 for edge in edges)
    parallel = abs(top.left.slope - top.right.slope) < CONVERGENCE
    return bool(straight and parallel and len(top.s_mm) * STATION_MM >= MIN_LENGTH_MM and 15.0 < top.width_mm < 130.0)


STRAIGHT_MM, FAINT_MM, CROOKED_MM = 0.17, 0.4, 0.6
"""Scatter of the blocks of a made edge: when distinct, what a change of light as strong as its own scatter adds to it,
and what no edge may exceed. Tape, paint and saw cuts, laid or led by hand, scatter more."""


def _is_straight(edge: StraightEdge) -> bool:
    """Whether the blocks scatter about the line no more than noise explains."""
    return edge.scatter_mm < min(STRAIGHT_MM + FAINT_MM / max(edge.strength, 1e-9), CROOKED_MM)


MOST_TAPER = 3.0
"""Taper of the sensor's top over its standard uncertainty beyond which the plane must be wrong: it is made parallel."""
EDGES_APART_MM = 0.1
"""Standard uncertainty of how far glints, grout and shadows lead an edge away over half of its length."""

DOUBT_ALONG = 0.3
"""Share of the doubt which of several lines is the edge that may change along it: most of it is alike everywhere."""


def is_tapered(plane: GroundPlane, top: SensorTop) -> bool:
    """Whether the edges converge by more than their location and what is known of the plane allow."""
    along = top.s_mm[[0, len(top.s_mm) // 2, -1]]
    half = (along[-1] - along[0]) / 2
    edges = (top.left, top.right)
    pixels = [plane.to_pixels(top.axis.to_plane(along, edge.at(along))) for edge in edges]
    lines = plane.budget(plane.sensitivity(lambda seen: np.array([_taper_rad(seen, pixels)])))
    wandering = [EDGES_APART_MM**2 + (DOUBT_ALONG * e.doubt_mm) ** 2 for e in edges]
    location = sum(e.covariance[1, 1] + w / half**2 for e, w in zip(edges, wandering, strict=True))
    u = np.sqrt(location + sum(line.standard_uncertainty**2 for line in lines))
    return bool(abs(_taper_rad(plane, pixels)) > MOST_TAPER * u)


def _taper_rad(plane: GroundPlane, pixels: Sequence[Array]) -> float:
    """Angle between two lines seen at ``pixels`` (N, 2) each, on the plane."""
    left, right = (points[-1] - points[0] for points in map(plane.to_plane, pixels))
    return float(np.arctan2(right[0] * left[1] - right[1] * left[0], right @ left))
