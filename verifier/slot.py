"""Slot: width, straightness, chips and angle of a saw cut from one photo.

All values refer to the arrises (where wall meets pavement surface) as the saw left them, chips excluded, over the
length that sight and bars cover; the angle to lines fitted over all the visible length.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from models.measurement import BudgetLine, Estimate, Problem, Quantity
from verifier.bands import find_bands
from verifier.finding import Axis, Curve, CurveRole, Finding
from verifier.lane import LaneLine, Object, TracedLine, find_lane_line
from verifier.layout import angle_estimate
from verifier.linefit import LineFit, slope_uncertainty_rad
from verifier.marks import Marks
from verifier.photo import Photo
from verifier.plane import GroundPlane
from verifier.profile import moving_mean, straightness
from verifier.slot_chips import BEYOND_MM, STATION_MM, DeepestChip, EdgeChips, deepest_chip_of, find_faces, look_beside
from verifier.slot_doubt import NEAR_PX_PER_MM, RAGGED_NEAR_MM
from verifier.slot_edges import Edge
from verifier.slot_path import chip_probability, raggedness
from verifier.slot_ribbon import visible_stations
from verifier.slot_trace import EDGE_AMBIGUOUS, WRONG_KIND, TracedSlot, trace_slot
from verifier.surface import measure_surface

Array = NDArray[np.float64]

EDGE_DEFINITION = 0.12
"""Standard uncertainty of where an edge lies in its blur, in units of the blur's standard deviation: tone curves and
sharpening of phones shift the middle level by about this much (a half-level off by 10 % of the step shifts the edge by
0.125 sigma). Both edges shift together, outward or inward."""
FLATNESS_LENGTH_MM = 300.0
"""Correlation length of the pavement's unevenness along the slot, as assumed."""
ROUGHNESS_MM = 0.03
"""Standard deviation of what the edge does within 25 mm besides; the least that is allowed for."""
SHORT_WAVES_MM, SHORT_WAVES_PX = 0.10, 0.35
"""Waves of an edge of 25 to 100 mm and the scatter of stones look alike: standard uncertainty of straightness and
extremes from telling them apart, a part that the pavement makes and a part that the pixels make; from the
benchmark's scenes."""
WANDERING, CLEAN_TRACE_MM = 1.4, 0.18
"""Standard uncertainty of an edge's straightness per scatter of its trace above that of a clean one: stones that are
followed here and there lead it astray over some length as well; from the benchmark's scenes."""
LONG_WAVE_MM = 800.0
"""Correlation length of the unevenness that matters for the direction of a line as long as the slot, as assumed."""
ENDS_SHARE = 0.05
"""Share of the slot's length at each end that may or may not be seen."""
EDGES_APART_MM = 0.25
"""Standard uncertainty of how far an edge leads away from the slot's middle over half of its length: saws wander."""
RELIEF_IN_RAGGEDNESS = 0.7
"""Standard uncertainty of the mean height of the stones along an arris, in units of its raggedness, as assumed."""
_DRAWS = 150
_SHORTEST_MM, _SHORTEST_RUN_MM = 100.0, 40.0
_STATION_MM, _MOST_STATIONS = 6.0, 160
MOST_GAP_MM = 50.0
"""Longest stretch of an edge (a leaf, a shadow's border) that is bridged."""


@dataclass(frozen=True, eq=False)
class MeasuredSlot:
    """The traced slot cut to the measured length, on common stations."""

    slot: TracedSlot
    s_mm: Array
    """Stations, shape (S,), in all stretches in which both edges were followed."""
    left_mm: Array
    right_mm: Array
    left_covariance: Array
    right_covariance: Array
    left_ragged_mm: Array
    """Raggedness of the left edge within 25 mm, outward positive, shape (S,)."""
    right_ragged_mm: Array
    plane: GroundPlane
    length_mm: float
    """Of these stretches together."""
    beside_mm: float
    """Length beside which bars lie, as far as the slot is in sight: more than the above where it was not followed."""

    @property
    def axis(self) -> Axis:
        """The axis that stations and offsets refer to."""
        return self.slot.axis

    @property
    def followed(self) -> float:
        """Share of the length beside the bars that was followed."""
        return min(self.length_mm / self.beside_mm, 1.0)

    @property
    def span_mm(self) -> tuple[float, float]:
        """First and last station."""
        return float(self.s_mm[0]), float(self.s_mm[-1])

    @cached_property
    def jumps(self) -> tuple[_Jumps, _Jumps]:
        """Where the left and the right trace have slipped inward."""
        left, right = (_jumps_inward(edge, self.span_mm) for edge in (self.slot.left, self.slot.right))
        return left, right


def measure_slot(
    photo: Photo,
    plane: GroundPlane,
    outlines_mm: Sequence[Array],
    marks: Marks | None = None,
    nominal_width_mm: float | None = None,
) -> Finding:
    """Measure the slot beside the bars.

    Args:
        photo: The photo.
        plane: Its ground plane, in the frame of the first bar.
        outlines_mm: Outlines of the bars in plane coordinates, (4, 2) each.
        marks: What a person has pointed at.
        nominal_width_mm: The plan's width; it helps to choose, never to measure.
    """
    traced = trace_slot(photo, plane, outlines_mm, marks, nominal_width_mm)
    if isinstance(traced, Problem):
        return Finding((), (traced,))
    if traced.lines_inside and not traced.marked and measure_surface(photo, plane, outlines_mm).estimates:
        # Whoever looks for a sensor finds one.
        return Finding((), (WRONG_KIND,))
    measured = _cut_to_length(traced, plane, outlines_mm)
    if isinstance(measured, Problem):
        estimates, notes = list[Estimate](), [measured]
    elif not traced.unsure and _is_tapered(measured):
        return Finding((), (_TAPERED,))
    else:
        estimates, notes = _across(photo, measured, outlines_mm)
    angle = _cut_angle(photo, plane, traced, outlines_mm, marks)
    if isinstance(angle, Problem):
        # A photo of the slot from near by need not show the lane line.
        notes += [angle] if traced.pixels_per_mm < NEAR_PX_PER_MM or not estimates else []
        lane = None
    else:
        estimate, lane = angle
        estimates.append(estimate)
    return Finding(tuple(estimates), tuple(notes), _curves(traced, measured, lane), traced.axis)


def _across(photo: Photo, m: MeasuredSlot, outlines_mm: Sequence[Array]) -> tuple[list[Estimate], list[Problem]]:
    """What is given beside the angle, and why not all of it."""
    if m.slot.unsure:
        of_one = _OF_ONE_EDGE.get(m.slot.unsure, ())
        steady = of_one and not any(_is_ragged(edge, m.slot.pixels_per_mm) for edge in m.slot.sure)
        return [e for e in _estimates(m) if e.quantity in of_one] if steady else [], [EDGE_AMBIGUOUS]
    spall = _spall(_deepest_chip(photo, m, outlines_mm), _bridged_mm(m))
    estimates = [*_estimates(m), *([spall] if isinstance(spall, Estimate) else [])]
    notes = [spall] if isinstance(spall, Problem) else []
    note = _NOT_FOLLOWED if m.followed < LEAST_FOLLOWED else None
    note = _UNSTEADY if _is_unsteady(m) else note
    if note is None:
        return estimates, notes
    return [e for e in estimates if e.quantity not in _NEEDS_STEADY_EDGES], [*notes, note]


_TAPERED = Problem(
    "bar-not-flat",
    "The edges of the cut are not parallel as the reference bar sees them: lay the bar flat on the pavement, touching "
    "it at both ends, and take the photo again.",
)
MOST_TAPER = 4.0
"""Taper of the cut over its standard uncertainty beyond which the plane must be wrong: a saw cuts parallel edges."""
_OF_ONE_EDGE = {
    frozenset({1}): (Quantity.EDGE_STRAIGHTNESS_RIGHT, Quantity.MEASURED_LENGTH),
    frozenset({-1}): (Quantity.EDGE_STRAIGHTNESS_LEFT, Quantity.MEASURED_LENGTH),
}
"""What one edge gives where the other (+1 left, -1 right) may not be the arris."""
_NEEDS_STEADY_EDGES = frozenset(
    {
        Quantity.SLOT_WIDTH_MIN,
        Quantity.SLOT_WIDTH_MAX,
        Quantity.EDGE_STRAIGHTNESS_LEFT,
        Quantity.EDGE_STRAIGHTNESS_RIGHT,
        Quantity.SLOT_STRAIGHTNESS,
    }
)
_UNSTEADY = Problem(
    "edge-unsteady",
    "In places the cut's edge cannot be told from the wall below it, so that its straightness is not given: light the "
    "cut from the side, or take the photo from straight above.",
)
_NOT_FOLLOWED = Problem(
    "edge-partly-seen",
    "Only a part of the cut beside the reference bar could be followed, so that its straightness and its extremes are "
    "not given: sweep the edges clean and light them evenly, or move the bar to where both edges show.",
)
LEAST_FOLLOWED = 0.9
"""Share of the cut beside the bars that must have been followed for its straightness and extremes: two cuts that were
joined with a step may meet in what was not."""
JUMP_MM = 1.0
"""A saw does not step into the slot by this within the window; a trace that slips from arris to wall does."""
JUMP_WINDOW_MM = 160.0
MOST_JUMPING = 0.04


def _is_unsteady(m: MeasuredSlot) -> bool:
    """Whether a trace slips from arris to wall and back, or scatters more than the picture's blur explains."""
    ragged = any(_is_ragged(e, m.slot.pixels_per_mm) for e in (m.slot.left, m.slot.right))
    return ragged or any(jumps.share > MOST_JUMPING for jumps in m.jumps)


def _is_ragged(edge: Edge, pixels_per_mm: float) -> bool:
    """Whether an edge scatters too much for its straightness: from near by any sawn edge is clean."""
    blurred = RAGGED_IN_BLURS * edge.trace.blur_mm if pixels_per_mm < NEAR_PX_PER_MM else 0.0
    return edge.path.noise_mm > max(RAGGED_NEAR_MM, blurred)


RAGGED_IN_BLURS = 0.8


@dataclass(frozen=True)
class _Jumps:
    """Where the traced edge lies well inside of its surroundings."""

    share: float
    """Share of the stations."""
    mean_mm: float
    """What they shift the edge's mean by."""


def _jumps_inward(edge: Edge, span_mm: tuple[float, float]) -> _Jumps:
    """Stations at which a trace has slipped from the arris to the wall."""
    s, outward = edge.trace.s_mm, edge.trace.outward_mm
    inside = (s >= span_mm[0]) & (s <= span_mm[1]) & np.isfinite(outward)
    if inside.sum() < 10:
        return _Jumps(0.0, 0.0)
    window = max(3, round(JUMP_WINDOW_MM / float(np.median(np.diff(s)))) | 1)
    slip = median_filter(outward[inside], window, mode="nearest") - outward[inside]
    jumping = slip > max(JUMP_MM, 3.0 * edge.path.noise_mm)
    return _Jumps(float(np.mean(jumping)), float(np.mean(np.where(jumping, slip, 0.0))))


def _cut_to_length(slot: TracedSlot, plane: GroundPlane, outlines_mm: Sequence[Array]) -> MeasuredSlot | Problem:
    """The part of the slot beside which bars lie, from the first bar's end to the last."""
    along = slot.axis.from_plane(np.concatenate([np.asarray(o).reshape(-1, 2) for o in outlines_mm]))[:, 0]
    ends = slot.left.trace.s_mm[[0, -1]]
    beside = float(min(along.max(), ends[1]) - max(along.min(), ends[0]))
    runs = _seen_runs(slot, float(along.min()), float(along.max()))
    length = float(sum(high - low for low, high in runs))
    if length < _SHORTEST_MM:
        return Problem(
            "length-too-short", f"The reference bar lies beside only {length:.0f} mm of the cut: lay it along the cut."
        )
    every = max(_STATION_MM, length / _MOST_STATIONS)
    s = np.concatenate([np.linspace(low, high, max(2, round((high - low) / every))) for low, high in runs])
    left, right = (_along(e, s) for e in (slot.left, slot.right))
    return MeasuredSlot(slot, s, left[0], right[0], left[1], right[1], left[2], right[2], plane, length, beside)


def _along(edge: Edge, s: Array) -> tuple[Array, Array, Array]:
    """The saw's path at stations, the covariance of its noise, and the edge's raggedness."""
    mix = _interpolation(edge.path.s_mm, s)
    ragged, u_ragged = raggedness(edge.path, s, edge.trace.blur_mm)
    covariance = mix @ edge.path.covariance @ mix.T + (u_ragged**2 + ROUGHNESS_MM**2) * np.eye(len(s))
    return edge.path_mm(s), covariance, ragged


def _seen_runs(slot: TracedSlot, low: float, high: float) -> list[tuple[float, float]]:
    """The stretches between two stations in which neither edge is out of sight over more than a short gap."""
    trace = slot.left.trace
    inside = (trace.s_mm >= low) & (trace.s_mm <= high)
    s = trace.s_mm[inside]
    gap = np.logical_or(*(_in_gap(e.trace.outward_mm[inside], s) for e in (slot.left, slot.right)))
    runs = np.split(np.arange(len(s)), np.flatnonzero(np.diff(gap.astype(int))) + 1)
    ends = [(float(s[run[0]]), float(s[run[-1]])) for run in runs if len(run) and not gap[run[0]]]
    return [(first, last) for first, last in ends if last - first >= _SHORTEST_RUN_MM]


def _in_gap(outward: Array, s: Array) -> NDArray[np.bool_]:
    """Stations that lie in a stretch longer than MOST_GAP_MM in which the edge was not seen."""
    seen = np.flatnonzero(np.isfinite(outward))
    if len(seen) == 0:
        return np.ones(len(s), dtype=bool)
    places = np.concatenate([[-np.inf], s[seen], [np.inf]])
    after = np.searchsorted(places, s, "left")
    before = np.searchsorted(places, s, "right") - 1
    return np.asarray(places[after] - places[before] > MOST_GAP_MM)


def _interpolation(nodes: Array, s: Array) -> Array:
    """Matrix (S, K) of linear interpolation from nodes to stations."""
    i = np.clip(np.searchsorted(nodes, s) - 1, 0, len(nodes) - 2)
    part = np.clip((s - nodes[i]) / (nodes[i + 1] - nodes[i]), 0.0, 1.0)
    matrix = np.zeros((len(s), len(nodes)))
    matrix[np.arange(len(s)), i] = 1.0 - part
    matrix[np.arange(len(s)), i + 1] = part
    return matrix


def _estimates(m: MeasuredSlot) -> list[Estimate]:
    draws = _Draws.of(m)
    left, right = (
        draws.corrected(lambda e, n=n: _zones(m.s_mm, n + e), errors)  # type: ignore[misc]
        for n, errors in ((m.left_mm + m.left_ragged_mm, draws.left), (m.right_mm - m.right_ragged_mm, draws.right))
    )
    edges = (m.slot.left, m.slot.right)
    straight = [
        Estimate(q, z.value, (*_plane_budget(m, _zone_of(i)), *z.budget, _short_waves(m, [edges[i]])))
        for i, (q, z) in enumerate([(Quantity.EDGE_STRAIGHTNESS_LEFT, left), (Quantity.EDGE_STRAIGHTNESS_RIGHT, right)])
    ]
    larger = straight[0] if straight[0].value >= straight[1].value else straight[1]
    return [
        _mean_width(m, draws),
        *_extremes(m, draws),
        *straight,
        Estimate(Quantity.SLOT_STRAIGHTNESS, larger.value, larger.budget),
        Estimate(Quantity.MEASURED_LENGTH, m.length_mm, (BudgetLine("ends of the measured length", 3.0),)),
    ]


def _short_waves(m: MeasuredSlot, edges: Sequence[Edge]) -> BudgetLine:
    """What waves of the edge that are its own, and what scatter. A trace that scatters by much also wanders."""
    wandering = max(0.0, *(WANDERING * (e.path.noise_mm - CLEAN_TRACE_MM) for e in edges))
    known = SHORT_WAVES_MM + SHORT_WAVES_PX / m.slot.pixels_per_mm
    return BudgetLine("waves or scatter", float(np.hypot(known, wandering)))


@dataclass(frozen=True)
class _Corrected:
    """A value with the bias that noise gives it taken off, and its budget."""

    value: float
    budget: tuple[BudgetLine, ...]


@dataclass(frozen=True, eq=False)
class _Draws:
    """Simulated errors of both edges: noise along the edge, and pavement that is not flat; (2, D, S) each."""

    s_mm: Array
    left: Array
    right: Array

    @classmethod
    def of(cls, m: MeasuredSlot) -> _Draws:
        rng = np.random.default_rng(20)
        tilts = [_tilt(m, n) for n in (m.left_mm, m.right_mm)]
        root = _root(_unevenness(m.s_mm)) * m.plane.unflatness_mm
        # Both edges lie on the same pavement, 50 to 100 mm apart: half of the variance of their heights is common.
        common, own, other = (rng.normal(size=(_DRAWS, len(m.s_mm))) @ root.T for _ in range(3))
        uneven = [(common + o) / np.sqrt(2) * t for o, t in zip((own, other), tilts, strict=True)]
        roots = [_root(c) for c in (m.left_covariance, m.right_covariance)]
        noise = [rng.normal(size=common.shape) @ r.T for r in roots]
        return cls(m.s_mm, np.stack([noise[0], uneven[0]]), np.stack([noise[1], uneven[1]]))

    def corrected(self, function: Callable[[Array], Array], errors: Array) -> _Corrected:
        """Value of a function (D, S) -> (D,) at no error, less its bias by noise; scatter by each kind of error."""
        at_zero = float(function(np.zeros((1, errors.shape[-1])))[0])
        bias, lines = 0.0, []
        for name, kind in zip(("edge location", "pavement not flat"), errors, strict=True):
            values = function(kind)
            shift = float(values.mean()) - at_zero
            bias += shift
            lines.append(BudgetLine(name, float(np.hypot(values.std(), 0.5 * shift))))
        return _Corrected(max(at_zero - bias, 0.5 * at_zero), tuple(lines))


def _zones(s: Array, n: Array) -> Array:
    """Minimum-zone straightness of many profiles (D, S) at once, shape (D,).

    The zone's height as a function of its slope is convex: golden-section search. Slopes are below 1 %, so that height
    and width differ by less than 1 part in 10 000.
    """
    x = (s - s.mean()) / np.ptp(s)
    slope = n @ x / (x @ x)
    reach = np.ptp(n - slope[:, None] * x, axis=1)
    low, high = slope - 2.0 * reach, slope + 2.0 * reach
    ratio = (np.sqrt(5.0) - 1.0) / 2.0
    for _ in range(20):
        a, b = high - ratio * (high - low), low + ratio * (high - low)
        left = np.ptp(n - a[:, None] * x, axis=1) < np.ptp(n - b[:, None] * x, axis=1)
        low, high = np.where(left, low, a), np.where(left, b, high)
    return np.asarray(np.ptp(n - ((low + high) / 2)[:, None] * x, axis=1))


def _root(covariance: Array) -> Array:
    jitter = 1e-6 * float(np.trace(covariance)) / len(covariance) + 1e-12
    return np.asarray(np.linalg.cholesky(covariance + jitter * np.eye(len(covariance))))


def _unevenness(s: Array) -> Array:
    return np.asarray(np.exp(-0.5 * ((s[:, None] - s) / FLATNESS_LENGTH_MM * 2.0) ** 2))


def _tilt(m: MeasuredSlot, n: Array) -> Array:
    """Displacement to the left per mm that the pavement lies above its mean plane, shape (S,)."""
    return np.asarray(m.plane.tilt_mm_per_mm(m.axis.to_plane(m.s_mm, n)) @ m.axis.normal)


def _edges_in(m: MeasuredSlot, plane: GroundPlane) -> tuple[Array, Array]:
    """Stations and offsets of both edges, were ``plane`` the ground plane, about their common axis; (2, S) each."""
    points = [m.axis.to_plane(m.s_mm, n) for n in (m.left_mm, m.right_mm)]
    if plane is not m.plane:
        points = [plane.to_plane(m.plane.to_pixels(p)) for p in points]
    local = np.stack([m.axis.from_plane(p) for p in points])
    slope = np.mean([np.polyfit(p[:, 0], p[:, 1], 1)[0] for p in local])
    c = 1.0 / np.hypot(1.0, slope)
    s, n = local[..., 0], local[..., 1]
    return c * (s + slope * n), c * (n - slope * s)


def _is_tapered(m: MeasuredSlot) -> bool:
    """Whether the edges converge by more than noise, saw and what is known of the plane allow."""
    taper = _taper_rad(*_edges_in(m, m.plane))
    half = (m.span_mm[1] - m.span_mm[0]) / 2
    gain = np.linalg.pinv(np.stack([np.ones_like(m.s_mm), m.s_mm - m.s_mm.mean()], axis=1))[1]
    noise = float(gain @ (m.left_covariance + m.right_covariance) @ gain)
    lines = _plane_budget(m, _taper_rad)
    plane = float(sum(line.standard_uncertainty**2 for line in lines))
    return abs(taper) > MOST_TAPER * float(np.sqrt(noise + plane + 2.0 * (EDGES_APART_MM / half) ** 2))


def _taper_rad(s: Array, n: Array) -> float:
    """Angle between both edges."""
    return float(np.polyfit(s[0], n[0], 1)[0] - np.polyfit(s[1], n[1], 1)[0])


def _width_of(s: Array, n: Array) -> float:
    return float(np.mean(n[0]) - np.mean(n[1]))


def _zone_of(i: int) -> Callable[[Array, Array], float]:
    return lambda s, n: straightness(s[i], n[i])


def _plane_budget(m: MeasuredSlot, function: Callable[[Array, Array], float]) -> tuple[BudgetLine, ...]:
    return m.plane.budget(m.plane.sensitivity(lambda plane: np.array([function(*_edges_in(m, plane))])))


def _definition(m: MeasuredSlot) -> BudgetLine:
    """What tone curve and sharpening add to the width."""
    blurs = [e.trace.blur_mm for e in (m.slot.left, m.slot.right)]
    return BudgetLine("where the edge lies in its blur", EDGE_DEFINITION * float(np.sum(blurs)))


def _arris(m: MeasuredSlot) -> BudgetLine:
    """What the fits of both mean cross-sections leave open."""
    return BudgetLine(
        "arris in the mean cross-section", float(np.hypot(m.slot.left.arris.u_mm, m.slot.right.arris.u_mm))
    )


def _relief(m: MeasuredSlot) -> BudgetLine:
    """Stones that stand up at an arris hide it, or what lies behind it, where they are seen aslant.

    How far they stand up is not seen; they make an edge about as ragged as they are high.
    """
    parts = []
    for edge, n in ((m.slot.left, m.left_mm), (m.slot.right, m.right_mm)):
        aslant = float(np.mean(np.abs(_tilt(m, n))))
        parts.append(RELIEF_IN_RAGGEDNESS * aslant * edge.path.noise_mm)
    return BudgetLine("stones that stand up at the arris", float(np.linalg.norm(parts)))


def _chips(m: MeasuredSlot) -> BudgetLine:
    """Small chips that cannot be told from the edge's own raggedness shift both edges outward."""
    parts = [
        0.5 * e.path.chipped_share * min(e.path.noise_mm, e.path.chip_depth_mm) for e in (m.slot.left, m.slot.right)
    ]
    return BudgetLine("small chips against the edge's raggedness", float(np.sum(parts)))


def _which_line(m: MeasuredSlot) -> tuple[BudgetLine, ...]:
    """What other lines close to the arrises leave open; nothing where there are none."""
    u = float(np.hypot(m.slot.which_line_mm, sum(jumps.mean_mm for jumps in m.jumps if jumps.share > MOST_JUMPING)))
    return (BudgetLine("which of two lines close together is the arris", u),) if u > 0.005 else ()


def _not_followed(m: MeasuredSlot) -> tuple[BudgetLine, ...]:
    """What is not known of the part beside the bars that was not followed: as far as a saw wanders."""
    u = (1.0 - m.followed) * float(np.hypot(EDGES_APART_MM, EDGES_APART_MM))
    return (BudgetLine("part of the cut that could not be followed", u),) if u > 0.02 else ()


def _mean_width(m: MeasuredSlot, draws: _Draws) -> Estimate:
    noise, uneven = ((left - right).mean(axis=1).std() for left, right in zip(draws.left, draws.right, strict=True))
    budget = (
        *_plane_budget(m, _width_of),
        BudgetLine("edge location", float(noise)),
        _definition(m),
        _arris(m),
        _relief(m),
        _chips(m),
        *_which_line(m),
        *_not_followed(m),
        BudgetLine("pavement not flat", float(uneven)),
    )
    return Estimate(Quantity.SLOT_WIDTH, _width_of(*_edges_in(m, m.plane)), budget)


def _extremes(m: MeasuredSlot, draws: _Draws) -> list[Estimate]:
    ragged = m.left_ragged_mm + m.right_ragged_mm
    width = ragged + (m.left_mm - m.right_mm) * _width_of(*_edges_in(m, m.plane)) / np.mean(m.left_mm - m.right_mm)
    errors = draws.left - draws.right
    shared = (
        *_plane_budget(m, _width_of), _definition(m), _arris(m), _relief(m), _chips(m),
        *_which_line(m), *_not_followed(m),
    )  # fmt: skip
    found = []
    means = np.stack([moving_mean(m.s_mm, one, largest_gap_mm=100.0) for one in np.eye(len(m.s_mm))], axis=1)
    means = means[np.isfinite(means).all(axis=1)]
    for quantity, extreme in ((Quantity.SLOT_WIDTH_MIN, np.min), (Quantity.SLOT_WIDTH_MAX, np.max)):
        value = draws.corrected(lambda e, of=extreme: of((width + e) @ means.T, axis=1), errors)  # type: ignore[misc]
        found.append(
            Estimate(quantity, value.value, (*shared, *value.budget, _short_waves(m, [m.slot.left, m.slot.right])))
        )
    return found


MOST_SPALL_U_MM = 8.0
"""Expanded uncertainty of the deepest chip beyond which a value says nothing that is not known of every slot."""
_CHIPS_NOT_TOLD = Problem(
    "chips-not-told",
    "Chips cannot be told from stones, stains and shadows beside the cut in this photo, so that their depth is not "
    "given: sweep and dry the edges, take a photo from nearer in even light, or measure the deepest chip by hand.",
)


def _deepest_chip(photo: Photo, m: MeasuredSlot, outlines_mm: Sequence[Array]) -> DeepestChip:
    """The deepest chip of both edges within the measured length."""
    return deepest_chip_of([_edge_chips(photo, m, edge, outlines_mm) for edge in (m.slot.left, m.slot.right)])


def _edge_chips(photo: Photo, m: MeasuredSlot, edge: Edge, outlines_mm: Sequence[Array]) -> EdgeChips:
    trace = edge.trace
    low, high = max(m.span_mm[0] - BEYOND_MM, trace.s_mm[0]), min(m.span_mm[1] + BEYOND_MM, trace.s_mm[-1])
    s = np.arange(low, high, STATION_MM)
    strip = look_beside(
        photo.grey, m.plane, m.axis, s, edge.path_mm(s), trace.side, trace.blur_mm, outlines_mm, m.slot.pixels_per_mm
    )
    return find_faces(strip, m.span_mm, trace.blur_mm)


def _bridged_mm(m: MeasuredSlot) -> float:
    """Standard uncertainty of the saw's path where a chip has taken the edge away."""
    return max(float(np.sqrt(np.diag(e.path.covariance).mean())) for e in (m.slot.left, m.slot.right))


def _spall(chip: DeepestChip, bridged_mm: float) -> Estimate | Problem:
    """The deepest chip, or why it is not given."""
    budget = (
        BudgetLine("which patches beside the edge are chips, chips that do not show", chip.u_which_mm),
        BudgetLine("where the chip's rim lies", chip.u_rim_mm),
        BudgetLine("edge bridged over the chip", bridged_mm),
    )
    estimate = Estimate(Quantity.SPALL_DEPTH, chip.depth_mm, budget)
    return estimate if estimate.expanded_uncertainty < MOST_SPALL_U_MM else _CHIPS_NOT_TOLD


def _cut_angle(
    photo: Photo, plane: GroundPlane, slot: TracedSlot, outlines_mm: Sequence[Array], marks: Marks | None
) -> tuple[Estimate, LaneLine] | Problem:
    line = _slot_line(slot, plane)
    bands = find_bands(photo.colour, plane, outlines_mm)
    lane = find_lane_line(photo, plane, bands, outlines_mm, Object(line.fit.axis, line.fit.span_mm), marks)
    if isinstance(lane, Problem):
        return lane
    return angle_estimate(Quantity.CUT_ANGLE, plane, lane.line, line, "slot"), lane


def _slot_line(slot: TracedSlot, plane: GroundPlane) -> TracedLine:
    """The slot's direction over all its visible length: the mean of both edges, or of the one that is sure."""
    s = slot.left.path.s_mm
    edges = slot.sure or (slot.left, slot.right)
    offsets = [e.path_mm(s) for e in edges]
    middle = np.asarray(np.mean(offsets, axis=0))
    slope, intercept = np.polyfit(s, middle, 1)
    direction = slot.axis.direction + slope * slot.axis.normal
    direction /= np.linalg.norm(direction)
    origin = slot.axis.to_plane(np.array(s.mean()), np.array(intercept + slope * s.mean()))
    axis = Axis(origin, direction)
    residuals = (middle - (intercept + slope * s)) / np.hypot(1.0, slope)
    covariance = _line_covariance(edges, s)
    half = (s[-1] - s[0]) / 2 * float(np.hypot(1.0, slope))
    fit = LineFit(axis, covariance, residuals, np.ones(len(s), dtype=bool), (-half, half), float(residuals.std()), 0.0)
    pixels = plane.to_pixels(np.concatenate([slot.axis.to_plane(s, n) for n in offsets]))
    tilt = float(np.abs(plane.tilt_mm_per_mm(slot.axis.to_plane(s, middle)) @ slot.axis.normal).mean())
    uneven = slope_uncertainty_rad(2 * half, plane.unflatness_mm * tilt, LONG_WAVE_MM)
    apart = EDGES_APART_MM / half if slot.unsure else 0.0
    beyond = _beyond_rad(plane, slot.axis, s, float(residuals.std()))
    doubt = float(np.linalg.norm([uneven, _ends_rad(s, middle), apart, beyond]))
    return TracedLine(fit, pixels, slot.left.trace.blur_mm * slot.pixels_per_mm, doubt)


def _ends_rad(s: Array, middle: Array) -> float:
    """What the direction changes by where the line is fitted to a little less of the slot: its ends are not sharp."""
    whole = float(np.polyfit(s, middle, 1)[0])
    cut = ENDS_SHARE * (s[-1] - s[0])
    less = [float(np.polyfit(s[k], middle[k], 1)[0]) for k in (s > s[0] + cut, s < s[-1] - cut)]
    return float(np.hypot(less[0] - whole, less[1] - whole))


def _beyond_rad(plane: GroundPlane, axis: Axis, s: Array, bend_mm: float) -> float:
    """What the direction may change by where the slot goes on in the picture but was not followed.

    There it departs from the line by about as much as within what was followed.
    """
    seen = visible_stations(plane, axis)
    length = float(s[-1] - s[0])
    missed = max(1.0 - length / float(np.ptp(seen)), 0.0) if len(seen) > 1 else 0.0
    return 2.0 * missed * bend_mm / (length / 2.0)


def _line_covariance(edges: Sequence[Edge], s: Array) -> Array:
    """Covariance of (offset, angle) of the mean line from the noise along the edges."""
    basis = np.stack([np.ones_like(s), s - s.mean()], axis=1)
    gain = np.linalg.pinv(basis)
    covariance = np.sum([e.path.covariance for e in edges], axis=0) / len(edges) ** 2
    return np.asarray(gain @ covariance @ gain.T)


def _curves(slot: TracedSlot, measured: MeasuredSlot | Problem, lane: LaneLine | None) -> tuple[Curve, ...]:
    """What to draw: the sure edges, and the axis where both are."""
    roles = {1: CurveRole.SLOT_EDGE_LEFT, -1: CurveRole.SLOT_EDGE_RIGHT}
    curves = [_edge_curve(slot, roles[edge.trace.side], edge) for edge in slot.sure]
    s = slot.left.path.s_mm
    middle = np.asarray(np.mean([edge.path_mm(s) for edge in slot.sure or (slot.left, slot.right)], axis=0))
    if len(slot.unsure) != 1:
        axis = np.asarray(np.polyval(np.polyfit(s, middle, 1), s), np.float64)
        curves.append(Curve(CurveRole.SLOT_AXIS, slot.axis.to_plane(s, axis)))
    if not isinstance(measured, Problem):
        ends = np.array(measured.span_mm)
        curves.append(Curve(CurveRole.MEASURED_LENGTH, slot.axis.to_plane(ends, np.interp(ends, s, middle))))
    if lane is not None:
        along = np.linspace(*lane.line.fit.span_mm, 41)
        curves.append(Curve(CurveRole.LANE_LINE, lane.axis.to_plane(along, np.zeros(41))))
    return tuple(curves)


def _edge_curve(slot: TracedSlot, role: CurveRole, edge: Edge) -> Curve:
    """The edge as seen, chips marked as left out."""
    trace = edge.trace
    seen = np.isfinite(trace.outward_mm)
    chipped = chip_probability(edge.path, trace.s_mm[seen], trace.outward_mm[seen]) > 0.5
    return Curve(role, slot.axis.to_plane(trace.s_mm[seen], trace.offset_mm()[seen]), chipped)
