"""From a photo to the two traced arrises of the slot, or the reason why there is none."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from models.measurement import Problem
from verifier.finding import Axis
from verifier.marks import MarkedFeature, Marks
from verifier.photo import Photo
from verifier.plane import GroundPlane
from verifier.slot_continuity import CLEARLY_BROKEN, Continuity, pavement_continuity
from verifier.slot_continuity import INWARD_MM as CONTINUITY_IN_MM
from verifier.slot_continuity import OUTWARD_MM as CONTINUITY_OUT_MM
from verifier.slot_doubt import (
    DEEP_GAIN,
    MOST_HIDDEN_MM,
    MUCH_SMOOTHER,
    SMOOTHER,
    is_deep,
    may_hide_arris,
    unsure_edges,
    which_line_mm,
)
from verifier.slot_edges import Edge, EdgeTrace, mean_profile, trace_edge
from verifier.slot_pairs import Pair, best_pairs
from verifier.slot_path import chip_probability, find_saw_path
from verifier.slot_ribbon import Ribbon, covered_by, cross_scale, follow, sample_along, sample_roughly
from verifier.slot_search import Band, find_bands, map_pavement
from verifier.slot_section import DEEPEST_MM, Section, Step, cut_section, find_steps, wall_in_sight_mm
from verifier.slot_texture import INWARD_MM, OUTWARD_MM, TextureReach, texture_reach
from verifier.slot_wall import USUAL_DEPTH_MM, ArrisFit, fit_arris

Array = NDArray[np.float64]

STEP_MM = 1.0
"""Distance of stations."""
NARROWEST_MM, WIDEST_MM = 34.0, 140.0
LEAST_GAIN, LEAST_GAIN_WITH_FOOT, LEAST_GAIN_BRIGHT = 8.0, -3.0, 15.0
"""A slot must explain its surroundings better than no slot by this; less where a wall shows its depth, more where it is
brighter than the pavement and shows none."""
RAGGED_MM, RAGGED_BLURS, MOST_RAGGED_MM = 0.5, 0.5, 0.9
"""Scatter of the cleaner edge about a slow path beyond which it may have been sprayed, in mm or in units of the blur;
and beyond which no saw has made it."""
LEAST_BAND_MM, SAME_BANDS_MM, MADE_CLEAN_MM, CLEANER = 4.0, 2.5, 0.08, 0.5
"""Width of a band of grout, by how much the bands on both sides differ; scatter of the edges of a sensor's top, and its
share of the scatter of the grout's."""
GOES_ON, GOES_ON_BLURS = 0.75, 0.4
"""Share of the pavement's correlation left across an edge that surely is none, if it is not clean either."""
CLEAN_MM = 0.35
"""Scatter of an edge that was surely sawn."""
MADE_STRAIGHT_MM, SENSOR_PX_PER_MM = 0.035, 1.5
"""Scatter of an edge straighter than any saw leaves it, as that of a sensor's top; and the resolution to tell."""
_LEAST_SEEN = 0.5
_TRACEABLE = 0.35
IN_SLOT_MM = 30.0
"""How far outside the slot's edges the middle of a band may lie that is made by one of them."""
MOST_SHADE = 0.65
_NEAR_COST = 12.0
STRAYED_MM = 3.0
"""Traced edges that stray farther than this from the steps of the cross-section follow something else."""
MOST_CROOKED_MM = 6.0
OFF_CENTRE_MM = 12.0
MOST_BLUR_PX = 5.0
RAGGED_PX_PER_MM = 0.45
"""Coarser pictures do not tell ragged edges from sawn ones."""
MOST_GAIN = 60.0
"""A wide band gains much whatever it is."""
FOOT_GAIN, RAGGED_LOSS, FAINT_LOSS = 10.0, 25.0, 15.0
"""What a wall that shows its depth speaks for a slot; what edges twice as ragged as another's speak against it, and
edges fainter than another's by a factor of e."""
SMOOTH_GAIN = 20.0
"""What an inside smoother than the pavement by a factor of e speaks for a slot: paint keeps the pavement's relief."""
DOUBT_MARGIN = 10.0
"""By how much a band that cannot be measured must outdo the best that can."""
CLEAR_WORTH = 15.0
"""A slot must be better than any other band by this much."""


@dataclass(frozen=True, eq=False)
class TracedSlot:
    """Both edges of the slot over all its visible length."""

    axis: Axis
    left: Edge
    right: Edge
    pixels_per_mm: float
    """Across the slot, median over its visible length."""
    gain: float
    """How much better these arrises explain the cross-section than no slot; see ``verifier.slot_pairs``."""
    foot_seen: bool
    """Whether the foot of a wall shows that it is deep."""
    unsure: frozenset[int]
    """Sides (+1 left, -1 right) whose edge may not be the arris but another line along the slot; both: only the slot's
    direction is sure, which all those lines share."""
    significance: float
    """Of the band in the search; see ``verifier.slot_search``."""
    smoother: float
    """By how much [natural log] the inside is smoother than the pavement."""
    lines_inside: bool
    """Whether lines lie inside that neither walls nor one shadow make: it may be a finished sensor amid its grout."""
    which_line_mm: float
    """Standard uncertainty of the width because the arrises may be other lines close by."""
    marked: bool

    @property
    def sure(self) -> tuple[Edge, ...]:
        """The edges that are surely arrises."""
        return tuple(e for e in (self.left, self.right) if e.trace.side not in self.unsure)

    def middle_at(self, s_mm: Array) -> Array:
        """Offset of the middle between both edges from the axis at stations, left positive."""
        return np.asarray((self.left.path_mm(s_mm) + self.right.path_mm(s_mm)) / 2)

    @property
    def raggedness_mm(self) -> float:
        """Noise of the cleaner edge about its path: a saw leaves at least one clean."""
        return min(e.path.noise_mm for e in (self.left, self.right))

    @property
    def width_mm(self) -> float:
        """Rough width: of the saw's paths, over all the visible length."""
        s = self.left.path.s_mm
        return float(np.mean(self.left.path_mm(s) - self.right.path_mm(s)))


def trace_slot(
    photo: Photo, plane: GroundPlane, outlines_mm: Sequence[Array], marks: Marks | None, nominal_width_mm: float | None
) -> TracedSlot | Problem:
    """Find the slot near the bars and trace both its arrises."""
    marked = _marked_axis(plane, marks)
    bands = [marked] if marked is not None else find_bands(map_pavement(photo.grey, plane, outlines_mm))
    doubts: list[_Doubt] = []
    slots: list[TracedSlot] = []
    for band in bands:
        if slots and band.significance < 0.3 * bands[0].significance:
            break
        if any(_lies_in(band, slot) for slot in slots):
            continue
        traced = _trace_band(photo, plane, band, outlines_mm, marked is not None, nominal_width_mm)
        if isinstance(traced, _Doubt):
            doubts.append(traced)
        elif traced is not None and not any(_same(traced, other) for other in slots):
            slots.append(traced)
    clearest = _clearest(slots, doubts)
    if isinstance(clearest, Problem) or _has_usual_width(clearest, nominal_width_mm):
        return clearest
    return _without_foot(clearest, plane, nominal_width_mm) or _UNUSUAL


USUAL_WIDTH_MM = (45.0, 130.0)
"""Slots for strip sensors (common practice). A narrower band is more often a painted line, a gap beside tape or a lit
part of the slot than a slot; where the plan has such a slot, its nominal width says so."""
WIDTH_OFF_NOMINAL = 0.3
"""A saw does not miss the nominal width by more than this share of it; another line does."""


def _has_usual_width(slot: TracedSlot, nominal_width_mm: float | None) -> bool:
    if nominal_width_mm is not None:
        return abs(slot.width_mm - nominal_width_mm) < WIDTH_OFF_NOMINAL * nominal_width_mm
    return slot.marked or USUAL_WIDTH_MM[0] <= slot.width_mm <= USUAL_WIDTH_MM[1]


def _without_foot(slot: TracedSlot, plane: GroundPlane, nominal_width_mm: float | None) -> TracedSlot | None:
    """A slot that seems too narrow, its one edge unsure that can be the foot of a wall in sight: the other is sure."""
    least = USUAL_WIDTH_MM[0] if nominal_width_mm is None else (1.0 - WIDTH_OFF_NOMINAL) * nominal_width_mm
    feet = {
        e.trace.side
        for e in (slot.left, slot.right)
        if wall_in_sight_mm(plane, slot.axis, float(np.median(e.path_mm(e.path.s_mm))), e.trace.side, DEEPEST_MM)
        > least - slot.width_mm
    }
    if slot.width_mm > least or len(feet | slot.unsure) != 1:
        return None
    return replace(slot, unsure=frozenset(feet | slot.unsure))


_UNUSUAL = Problem(
    "slot-ambiguous",
    "What looks most like the saw cut has not the width of one: remove tape and tools beside the cut, mark the cut "
    "in the photo, or give its nominal width.",
)


@dataclass(frozen=True)
class _Doubt:
    """A band that may be a slot but cannot be measured."""

    problem: Problem
    gain: float
    significance: float
    middle_mm: Array
    """Where it lies: the middle of its length, in plane coordinates."""


def _clearest(slots: Sequence[TracedSlot], doubts: Sequence[_Doubt]) -> TracedSlot | Problem:
    """The slot that is explained best and has the cleanest edges, if it is so clearly."""
    if not slots:
        return max(doubts, key=lambda d: d.gain).problem if doubts else _NOT_FOUND
    clean_mm, clearest = max(0.25, min(s.raggedness_mm for s in slots)), max(s.significance for s in slots)
    worth = {id(s): _worth(s, clean_mm, clearest) for s in slots}
    best, *others = sorted(slots, key=lambda s: -worth[id(s)])
    if any(worth[id(other)] > worth[id(best)] - CLEAR_WORTH for other in others):
        return _AMBIGUOUS
    return next((d.problem for d in doubts if _outdoes(d, best, worth[id(best)])), best)


def _outdoes(doubt: _Doubt, best: TracedSlot, worth: float) -> bool:
    """Whether a band that cannot be measured is more likely the slot than the best of those that can.

    Close by it is most likely the same slot, followed less well: only one that is clearer counts.
    """
    if _is_near(best, doubt):
        return doubt.significance > best.significance
    faint = FAINT_LOSS * math.log(max(best.significance / doubt.significance, 1.0))
    return min(doubt.gain, MOST_GAIN) - faint > worth + DOUBT_MARGIN


def _worth(slot: TracedSlot, clean_mm: float, clearest: float) -> float:
    """What speaks for a slot against other bands: its gain, a wall that shows its depth, clean and clear edges."""
    ragged = RAGGED_LOSS * (slot.raggedness_mm / clean_mm - 1.0)
    faint = FAINT_LOSS * math.log(clearest / slot.significance)
    smooth = SMOOTH_GAIN * min(max(slot.smoother, -1.0), 1.0)
    return min(slot.gain, MOST_GAIN) + FOOT_GAIN * slot.foot_seen + smooth - ragged - faint


def _is_near(slot: TracedSlot, doubt: _Doubt) -> bool:
    at = slot.axis.from_plane(doubt.middle_mm)
    return abs(float(at[1] - slot.middle_at(at[:1])[0])) < 100.0


_NOT_FOUND = Problem(
    "slot-not-found",
    "No saw cut was found near the reference bar: lay the bar along the cut, within half a metre of it, and take the "
    "photo so that both are wholly in view.",
)
_AMBIGUOUS = Problem(
    "slot-ambiguous",
    "More than one band in the photo could be the saw cut: remove tape, tools and shadows beside the cut, or mark the "
    "cut in the photo.",
)


def _marked_axis(plane: GroundPlane, marks: Marks | None) -> Band | None:
    """A band along a person's mark on the slot, or between marks on its edges."""
    if marks is None:
        return None
    mark = marks.of(MarkedFeature.SLOT)
    left, right = marks.of(MarkedFeature.SLOT_LEFT_EDGE), marks.of(MarkedFeature.SLOT_RIGHT_EDGE)
    if mark is not None:
        return Band(_axis_through(plane.to_plane(mark.points_px)), 1.0)
    if left is not None and right is not None:
        a, b = (_axis_through(plane.to_plane(m.points_px)) for m in (left, right))
        return Band(Axis((a.origin_mm + b.origin_mm) / 2, a.direction), 1.0)
    return None


def _axis_through(points: Array) -> Axis:
    middle = points.mean(axis=0)
    direction = np.linalg.svd(points - middle)[2][0]
    return Axis(middle, direction if direction[0] >= 0 else -direction)


def _lies_in(band: Band, slot: TracedSlot) -> bool:
    """Whether a band runs along a slot that was traced already, within it: it would be the same, followed less well."""
    s = slot.left.path.s_mm
    off = np.abs(band.axis.from_plane(slot.axis.to_plane(s, slot.middle_at(s)))[:, 1])
    return bool(np.max(off) < slot.width_mm / 2 + IN_SLOT_MM)


def _same(a: TracedSlot, b: TracedSlot) -> bool:
    s = b.left.path.s_mm
    at = a.axis.from_plane(b.axis.to_plane(s, b.middle_at(s)))
    return float(np.median(np.abs(at[:, 1] - a.middle_at(at[:, 0])))) < 0.5 * (a.width_mm + b.width_mm)


@dataclass(frozen=True, eq=False)
class _Tracer:
    """What is needed to trace any step of a cross-section; what was traced is kept."""

    photo: Photo
    plane: GroundPlane
    ribbon: Ribbon
    outlines_mm: Sequence[Array]
    pixels_per_mm: Array
    """Across the slot at the ribbon's blocks."""
    steps: Sequence[Step]
    """All steps of the cross-section."""
    kept: dict[tuple[float, int], EdgeTrace] = field(default_factory=dict)
    kept_raggedness: dict[tuple[float, int], float] = field(default_factory=dict)

    @cached_property
    def scale(self) -> float:
        """Pixels per mm across the slot: the median over its length."""
        return float(np.median(self.pixels_per_mm))

    @property
    def cell_mm(self) -> float:
        """Half a pixel where they are smallest on the pavement."""
        return max(0.1, 0.5 / float(self.pixels_per_mm.max()))

    def trace(self, step: Step, side: int) -> EdgeTrace:
        """The edge along one step."""
        key = (step.n_mm, side)
        if key not in self.kept:
            self.kept[key] = trace_edge(
                self.photo.grey, self.plane, self.ribbon, step, side, self.outlines_mm, self.cell_mm, STEP_MM,
                self._rooms(step, side),
            )  # fmt: skip
        return self.kept[key]

    def _rooms(self, step: Step, side: int) -> tuple[float, float]:
        """Distance to the next steps inward and outward."""
        return self._room(step, -side), self._room(step, side)

    def _room(self, step: Step, way: int) -> float:
        """Distance to the next step towards +n (way = 1) or -n."""
        return min(((t.n_mm - step.n_mm) * way for t in self.steps if (t.n_mm - step.n_mm) * way > 0.3), default=99.0)

    def raggedness_mm(self, step: Step, side: int) -> float:
        """Noise of the edge along one step about a slow path; a large value where there is none."""
        key = (step.n_mm, side)
        if key not in self.kept_raggedness:
            trace = self.trace(step, side)
            seen = np.isfinite(trace.outward_mm).sum() >= 60
            self.kept_raggedness[key] = find_saw_path(trace.s_mm, trace.outward_mm).noise_mm if seen else 3.0
        return self.kept_raggedness[key]

    def fit_arris(self, edge: Edge, step: Step) -> Edge:
        """The edge along a step with its arris placed in the mean cross-section, chips left out."""
        trace = edge.trace
        sound = self._sound(edge)
        s = trace.s_mm[sound][::2]
        if len(s) < 30:
            return replace(edge, arris=_unfitted(trace))
        along = edge.path_mm(s)
        wall = wall_in_sight_mm(self.plane, self.ribbon.axis, float(np.median(along)), trace.side, USUAL_DEPTH_MM)
        found = _unfitted(trace) if trace.by_texture else self._fit_section(edge, step, s, along, wall)
        found = found.with_texture(self._texture_reach(edge, sound, wall))
        return replace(
            edge, arris=found.with_glare(*self._glare(edge, s, along)), pavement=self._continuity(edge, sound)
        )

    def _sound(self, edge: Edge) -> NDArray[np.bool_]:
        """Stations of the trace that were seen and are not chipped."""
        trace = edge.trace
        sound = np.isfinite(trace.outward_mm)
        sound[sound] = chip_probability(edge.path, trace.s_mm[sound], trace.outward_mm[sound]) < 0.5
        return sound

    def _glare(self, edge: Edge, s: Array, along: Array) -> tuple[float, float]:
        """Shares of what lies just inside and just outside an edge that are as bright as the picture can show."""
        blur, some = edge.trace.blur_mm, slice(None, None, 5)
        beside = np.array([1.2, 1.8, 2.5]) * blur + 0.3
        shares = []
        for way in (-1.0, 1.0):
            light = sample_roughly(
                self.photo.grey, self.plane, self.ribbon.axis, s[some], along[some], way * edge.trace.side * beside
            )
            shares.append(float(np.mean(light > GLARING)))
        return shares[0], shares[1]

    def _fit_section(self, edge: Edge, step: Step, s: Array, along: Array, wall_mm: float) -> ArrisFit:
        trace = edge.trace
        v, light = mean_profile(
            self.photo.grey, self.plane, self.ribbon.axis, s, along, trace.side, self.outlines_mm, self.cell_mm
        )
        blur = float(np.hypot(trace.blur_mm, edge.path.noise_mm))
        inner, outer = self._rooms(step, trace.side)
        window = 4.0 + 1.5 * blur
        near = (v > -min(window, max(0.6 * inner, 2.0 * blur))) & (v < min(window, max(0.6 * outer, 2.0 * blur)))
        return fit_arris(v[near], light[near], blur, wall_mm)

    def _continuity(self, edge: Edge, sound: NDArray[np.bool_]) -> Continuity | None:
        """How the pavement goes on outside an edge."""
        step = float(np.clip(1.0 / self.scale, 0.7, 1.5))
        v = np.arange(-CONTINUITY_IN_MM, CONTINUITY_OUT_MM, max(0.5 / self.scale, 0.4))
        return pavement_continuity(self._beside(edge, sound, step, v, sample_roughly), v, step, edge.trace.blur_mm)

    def _texture_reach(self, edge: Edge, sound: NDArray[np.bool_], wall_mm: float) -> TextureReach | None:
        """How far the pavement's texture reaches beside an edge."""
        blur = edge.trace.blur_mm
        step = float(np.clip(0.7 * blur, 0.3, 1.0))
        v = np.arange(-INWARD_MM, OUTWARD_MM, max(self.cell_mm, 0.4 * blur))
        return texture_reach(self._beside(edge, sound, step, v, sample_along), v, step, blur, DEPTH_ROOM * wall_mm)

    def _beside(
        self, edge: Edge, sound: NDArray[np.bool_], step_mm: float, v: Array, sample: Callable[..., NDArray[np.float32]]
    ) -> NDArray[np.float32]:
        """Light (S, N) at outward offsets beside the sound pieces of an edge; NaN where a bar lies."""
        trace = edge.trace
        s = np.arange(trace.s_mm[0], trace.s_mm[-1], step_mm)
        s = s[sound[np.clip(np.searchsorted(trace.s_mm, s), 0, len(sound) - 1)]][:MOST_STATIONS]
        base, n = edge.path_mm(s), trace.side * v
        light = sample(self.photo.grey, self.plane, self.ribbon.axis, s, base, n)
        light[covered_by(self.outlines_mm, self.ribbon.axis, s, base, n, 4.0)] = np.nan
        return light


GLARING = 0.93
"""Linear light that a picture cuts off, or nearly."""
DEPTH_ROOM = 1.4
"""A slot may be deeper than usual by this factor."""
MOST_STATIONS = 1500


def _unfitted(trace: EdgeTrace) -> ArrisFit:
    """The arris where the edge was found, as uncertain as that leaves it."""
    return ArrisFit(0.0, 0.05 + 0.35 * trace.blur_mm, trace.blur_mm, 0.0)


def _trace_band(
    photo: Photo, plane: GroundPlane, band: Band, outlines_mm: Sequence[Array], marked: bool, nominal: float | None
) -> TracedSlot | _Doubt | None:
    """Follow one band, tell its arrises, and trace them; None where it is no slot."""
    ribbon = follow(photo.grey, plane, band.axis, outlines_mm)
    if ribbon is None:
        return None
    ribbon, (section, steps, pairs) = _centred(photo, plane, ribbon, outlines_mm, nominal)
    pairs = [p for p in pairs if p.shade < MOST_SHADE]
    if not pairs:
        return None
    tracer = _Tracer(photo, plane, ribbon, outlines_mm, cross_scale(plane, ribbon.axis, ribbon.s_mm), steps)
    if tracer.scale > RAGGED_PX_PER_MM:
        pairs = _by_raggedness(tracer, pairs)
    if pairs[0].gain < _least_gain(pairs[0]):
        return None
    found = _trace_pair(tracer, section, pairs, band, marked)
    if isinstance(found, Problem):
        return _Doubt(found, pairs[0].gain, band.significance, ribbon.middle_mm)
    return found


def _trace_pair(
    tracer: _Tracer, section: Section, pairs: Sequence[Pair], band: Band, marked: bool
) -> TracedSlot | Problem | None:
    """Trace the best pair: a slot, a problem where it may be one but cannot be measured, or None where it is none."""
    best = pairs[0]
    if tracer.scale > SENSOR_PX_PER_MM and _holds_sensor(tracer, best):
        return WRONG_KIND
    edges = _trace_edges(tracer, best)
    if edges is None:
        return None
    best, edges = (best, edges) if marked else _moved_out(tracer, section, best, edges)
    unsure = frozenset[int]() if marked else unsure_edges(section, [best, *pairs[1:]], edges, tracer.scale)
    slot = TracedSlot(
        tracer.ribbon.axis, *edges, tracer.scale, best.gain, best.foot_seen, unsure,
        band.significance, best.smoother, _has_lines_inside(tracer, best), which_line_mm(pairs), marked,
    )  # fmt: skip
    strayed = abs(slot.width_mm - best.width_mm)
    excess = max(strayed - 0.5 - 0.5 * section.blur_mm, 0.0) / math.sqrt(3.0)
    if strayed > STRAYED_MM or (len(unsure) == 2 and not is_deep(best)):
        return EDGE_AMBIGUOUS
    return _checked(replace(slot, which_line_mm=math.hypot(slot.which_line_mm, excess)), best, section.blur_mm)


def _moved_out(
    tracer: _Tracer, section: Section, pair: Pair, edges: tuple[Edge, Edge]
) -> tuple[Pair, tuple[Edge, Edge]]:
    """The pair and its edges with an edge moved to where the pavement is broken outside it, if it surely ends there.

    Light may show the foot of a wall or the border of a shadow and hardly the arris.
    """
    for side in (1, -1):
        pavement = _of_side(edges, side).pavement
        if pavement is None or not (pavement.is_whole or may_hide_arris(section, pair.arris(side), side, pavement)):
            continue
        near = [place for place in pavement.breaks_mm if place < MOST_HIDDEN_MM]
        if not near:
            continue
        step = Step(pair.arris(side).n_mm + side * near[-1], 0.0, 2.6 * section.blur_mm, 1.0)
        moved = replace(pair, left=step) if side > 0 else replace(pair, right=step)
        traced = _trace_edges(tracer, moved) if moved.width_mm < WIDEST_MM else None
        again = _of_side(traced, side).pavement if traced is not None else None
        if traced is not None and again is not None and again.ends_here:
            pair, edges = moved, traced
    return pair, edges


def _of_side(edges: tuple[Edge, Edge], side: int) -> Edge:
    return edges[0] if edges[0].trace.side == side else edges[1]


def _trace_edges(tracer: _Tracer, pair: Pair) -> tuple[Edge, Edge] | None:
    """Both edges of a pair between the ends of the slot; None where too little of them is seen."""
    traces = [tracer.trace(pair.left, 1), tracer.trace(pair.right, -1)]
    ends = _ends(traces)
    traces = [t.between(*ends) for t in traces]
    if any(np.isfinite(t.outward_mm).sum() < max(_LEAST_SEEN * len(t.s_mm), 60.0) for t in traces):
        return None
    left, right = (
        tracer.fit_arris(Edge(t, find_saw_path(t.s_mm, t.outward_mm)), step)
        for t, step in zip(traces, (pair.left, pair.right), strict=True)
    )
    return left, right


def _checked(slot: TracedSlot, pair: Pair, blur_mm: float) -> TracedSlot | Problem | None:
    """The slot if its edges are such as a saw makes."""
    if not NARROWEST_MM <= slot.width_mm <= WIDEST_MM or _crookedness(slot) > MOST_CROOKED_MM:
        return None
    if _may_be_sprayed(slot, pair, blur_mm):
        return _AMBIGUOUS
    if slot.gain < LEAST_GAIN and slot.raggedness_mm > CLEAN_MM:
        return None
    return _blurred(slot) or slot


def _least_gain(pair: Pair) -> float:
    """What a pair must gain to be a slot: little where a wall shows its depth, much where it is as bright as tape."""
    if pair.foot_seen:
        return LEAST_GAIN_WITH_FOOT
    return LEAST_GAIN_BRIGHT if pair.brighter > 0.3 else LEAST_GAIN


def _may_be_sprayed(slot: TracedSlot, pair: Pair, blur_mm: float) -> bool:
    """Whether a band may be paint: the pavement goes on across its edges, or both are as ragged as paint's and the
    inside no smoother than paint on the pavement, and the pavement surely ends at neither.

    The floor of a slot that shows its wall, much smoother than the pavement, is none whatever its edges look like.
    """
    told = [e.pavement for e in (slot.left, slot.right) if e.pavement is not None]
    if is_deep(pair) and pair.smoother >= MUCH_SMOOTHER:
        return False
    if any(p.left_here < CLEARLY_BROKEN for p in told) and pair.gain > DEEP_GAIN:
        return False
    if any(p.left_here > GOES_ON for p in told) and slot.raggedness_mm > max(CLEAN_MM, GOES_ON_BLURS * blur_mm):
        return True
    if slot.raggedness_mm > max(MOST_RAGGED_MM, RAGGED_BLURS * blur_mm):
        return not is_deep(pair)
    return slot.raggedness_mm > max(RAGGED_MM, RAGGED_BLURS * blur_mm) and pair.smoother < SMOOTHER


def _holds_sensor(tracer: _Tracer, pair: Pair) -> bool:
    """Whether two lines at or between the arrises are the edges of a sensor's top: straighter than any saw's, or with
    bands as wide on both sides, and wider than walls can be seen from here."""
    between = [t for t in tracer.steps if pair.right.n_mm - 1.0 < t.n_mm < pair.left.n_mm + 1.0 and abs(t.height) > 0.2]
    middle = (pair.left.n_mm + pair.right.n_mm) / 2
    left, right = [t for t in between if t.n_mm > middle], [t for t in between if t.n_mm < middle]
    if all(
        any(tracer.raggedness_mm(t, side) < MADE_STRAIGHT_MM for t in steps) for side, steps in ((1, left), (-1, right))
    ):
        return True
    return any(_are_banded(tracer, pair, a, b) for a in left for b in right)


def _has_lines_inside(tracer: _Tracer, pair: Pair) -> bool:
    """Whether a line lies inside each half, both together farther from the arrises than walls can be seen."""
    middle, skip = (pair.left.n_mm + pair.right.n_mm) / 2, LEAST_BAND_MM
    left = [pair.left.n_mm - t.n_mm for t in tracer.steps if middle < t.n_mm < pair.left.n_mm - skip]
    right = [t.n_mm - pair.right.n_mm for t in tracer.steps if pair.right.n_mm + skip < t.n_mm < middle]
    return bool(left and right) and max(left) + max(right) > _walls_mm(tracer, pair) + LEAST_BAND_MM


def _walls_mm(tracer: _Tracer, pair: Pair) -> float:
    """Most that is seen of both walls together: the slot's width times depth over the camera's distance."""
    return pair.width_mm * DEEPEST_MM / (float(tracer.plane.camera_mm[2]) + DEEPEST_MM)


def _are_banded(tracer: _Tracer, pair: Pair, left: Step, right: Step) -> bool:
    """Whether two inner lines, straighter than the outer ones, leave bands of the same width that no walls can be."""
    bands = (pair.left.n_mm - left.n_mm, right.n_mm - pair.right.n_mm)
    far = sum(bands) > _walls_mm(tracer, pair) + LEAST_BAND_MM
    if not far or min(bands) < LEAST_BAND_MM or abs(bands[0] - bands[1]) > SAME_BANDS_MM:
        return False
    made = max(tracer.raggedness_mm(left, 1), tracer.raggedness_mm(right, -1))
    sawn = min(tracer.raggedness_mm(pair.left, 1), tracer.raggedness_mm(pair.right, -1))
    return made < MADE_CLEAN_MM and made < CLEANER * sawn


def _centred(
    photo: Photo, plane: GroundPlane, ribbon: Ribbon, outlines_mm: Sequence[Array], nominal: float | None
) -> tuple[Ribbon, tuple[Section, list[Step], list[Pair]]]:
    """The ribbon moved to the middle of the best pair, and its cross-section there.

    Far from a window's middle prices are low, so that a pair must hold in the window about it: of the windows looked
    at, that counts whose best pair explains most.
    """
    explained = _explain(photo, plane, ribbon, outlines_mm, nominal)
    found = [(ribbon, explained)]
    for _ in range(2):
        pairs = explained[2]
        middle = (pairs[0].left.n_mm + pairs[0].right.n_mm) / 2 if pairs else 0.0
        if abs(middle) <= OFF_CENTRE_MM:
            break
        ribbon = ribbon.shifted(middle)
        explained = _explain(photo, plane, ribbon, outlines_mm, nominal)
        found.append((ribbon, explained))
    return max(found, key=lambda window: window[1][2][0].gain if window[1][2] else -math.inf)


def _explain(
    photo: Photo, plane: GroundPlane, ribbon: Ribbon, outlines_mm: Sequence[Array], nominal: float | None
) -> tuple[Section, list[Step], list[Pair]]:
    section = cut_section(photo.colour, photo.grey, plane, ribbon, outlines_mm)
    steps = find_steps(section)
    return section, steps, best_pairs(section, steps, nominal)


def _by_raggedness(tracer: _Tracer, pairs: Sequence[Pair]) -> list[Pair]:
    """Pairs near the cheapest, re-priced by how ragged their edges are.

    Rests of paint, sprayed bands, cracks and the shadows of chipped edges are ragged; what the saw has left is not.
    """
    near = [p for p in pairs if p.cost < pairs[0].cost + _NEAR_COST][:6]
    clear = {(t.n_mm, s): t for p in near for t, s in ((p.left, 1), (p.right, -1)) if abs(t.height) > _TRACEABLE}
    if len(near) < 2 or not clear:
        return near
    noise = {(n, side): tracer.raggedness_mm(step, side) for (n, side), step in clear.items()}
    usual = max(0.3, 2.0 * min(noise.values()))

    def price(step: Step, side: int) -> float:
        return min(10.0 * max(0.0, noise.get((step.n_mm, side), usual) / usual - 1.0), 15.0)

    priced = [replace(p, cost=p.cost + price(p.left, 1) + price(p.right, -1)) for p in near]
    return sorted(priced, key=lambda p: p.cost)


def _ends(traces: Sequence[EdgeTrace]) -> tuple[float, float]:
    """First and last station at which both edges show, together at least half of their usual steps."""
    weaker, stronger = np.sort(np.stack([np.minimum(np.abs(t.strength), 1.2) for t in traces]), axis=0)
    strong = (weaker > 0.15) & (weaker + stronger > 1.0)
    held = np.flatnonzero(uniform_filter1d(strong.astype(np.float64), 21) > 0.7)
    s = traces[0].s_mm
    if len(held) == 0:
        return float(s[0]), float(s[0])
    first, last = held[0], held[-1]
    inside = np.flatnonzero(strong[max(first - 10, 0) : last + 11]) + max(first - 10, 0)
    return float(s[inside[0]]), float(s[inside[-1]])


WRONG_KIND = Problem(
    "wrong-kind-of-photo",
    "What lies beside the bar looks like a finished sensor, not like an open cut: choose the right kind of photo.",
)
EDGE_AMBIGUOUS = Problem(
    "slot-ambiguous",
    "The edge of the cut cannot be told from another line beside it (wall in the light, tape or paint): sweep the "
    "cut's edges clean, remove the tape, or take the photo from straight above.",
)


def _crookedness(slot: TracedSlot) -> float:
    """Largest sag of the slot's middle over 300 mm: cracks and sealed joints wind, a saw does not."""
    s = np.arange(slot.left.path.s_mm[0], slot.left.path.s_mm[-1], 10.0)
    middle = slot.middle_at(s)
    reach = min(15, (len(s) - 1) // 2)
    if reach < 3:
        return 0.0
    return float(np.max(np.abs(middle[reach:-reach] - (middle[: -2 * reach] + middle[2 * reach :]) / 2)))


def _blurred(slot: TracedSlot) -> Problem | None:
    """The refusal of edges that are too blurred to be located."""
    blur_px = max(e.trace.blur_mm for e in (slot.left, slot.right)) * slot.pixels_per_mm
    if blur_px <= MOST_BLUR_PX:
        return None
    return Problem(
        "blurred",
        f"The edges of the cut are blurred over {2.5 * blur_px:.0f} pixels: hold the camera still and let it focus on "
        "the cut.",
    )
