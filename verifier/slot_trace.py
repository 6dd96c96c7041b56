"""From a photo to the two traced arrises of the slot, or the reason why there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from models.measurement import Problem
from verifier.finding import Axis
from verifier.marks import MarkedFeature, Marks
from verifier.photo import Photo
from verifier.plane import GroundPlane
from verifier.slot_edges import EdgeTrace, mean_profile, trace_edge
from verifier.slot_pairs import Pair, best_pairs
from verifier.slot_path import SawPath, chip_probability, find_saw_path
from verifier.slot_ribbon import Ribbon, cross_scale, follow
from verifier.slot_search import Band, find_bands, map_pavement
from verifier.slot_section import Section, Step, cut_section, find_steps, wall_in_sight_mm
from verifier.slot_wall import USUAL_DEPTH_MM, ArrisFit, fit_arris

Array = NDArray[np.float64]

STEP_MM = 1.0
"""Distance of stations."""
NARROWEST_MM, WIDEST_MM = 34.0, 140.0
LEAST_GAIN = 15.0
"""A slot must explain its surroundings better than no slot by this."""
_LEAST_SEEN = 0.6
CLEAR_STRIP_COST = 7.5
_TRACEABLE = 0.35
MOST_SHADE = 0.65
_NEAR_COST = 12.0
STRAYED_MM = 3.0
"""Traced edges that stray farther than this from the steps of the cross-section follow something else."""
MOST_CROOKED_MM = 3.0
OFF_CENTRE_MM = 12.0
MOST_BLUR_PX = 5.0
RAGGED_PX_PER_MM = 1.0
"""Coarser pictures do not tell ragged edges from sawn ones."""
FOOT_GAIN = 15.0
FAR_LESS = 0.35
CLEAR_SLOT_GAIN = 6.0
"""A slot must be a better explanation of its band by this much than of any other band."""
CLEAR_COST = 2.0
"""A pair of arrises must explain the cross-section by this much better than any other."""


@dataclass(frozen=True, eq=False)
class Edge:
    """One arris: what was seen at each station and the saw's path through it."""

    trace: EdgeTrace
    path: SawPath
    arris: ArrisFit = field(default_factory=lambda: ArrisFit(0.0, 0.0, 0.0, 0.0))
    """Where the arris lies relative to the path, from the mean cross-section with the wall taken into account."""

    def path_mm(self, s_mm: Array) -> Array:
        """Offset of the saw's path along the arris from the axis, left positive."""
        base = np.interp(s_mm, self.trace.s_mm, self.trace.base_mm)
        return np.asarray(base + self.trace.side * (self.path.at(s_mm) + self.arris.shift_mm))


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
    marked: bool

    @property
    def raggedness_mm(self) -> float:
        """Noise of the more ragged edge about its path."""
        return max(self.left.path.noise_mm, self.right.path.noise_mm)

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
    for band in bands[:3]:
        if slots and band.contrast < 0.5 * bands[0].contrast:
            break
        traced = _trace_band(photo, plane, band, outlines_mm, marked is not None, nominal_width_mm)
        if isinstance(traced, _Doubt):
            doubts.append(traced)
        elif traced is not None and not any(_same(traced, other) for other in slots):
            slots.append(traced)
    clearest = _clearest(slots, doubts)
    if isinstance(clearest, Problem) or _has_usual_width(clearest, nominal_width_mm):
        return clearest
    return _UNUSUAL


USUAL_WIDTH_MM = (45.0, 130.0)
"""Slots for strip sensors (common practice). A narrower band is more often a painted line, a gap beside tape or a lit
part of the slot than a slot; where the plan has such a slot, its nominal width says so."""
WIDTH_OFF_NOMINAL = 0.3
"""A saw does not miss the nominal width by more than this share of it; another line does."""


def _has_usual_width(slot: TracedSlot, nominal_width_mm: float | None) -> bool:
    if nominal_width_mm is not None:
        return abs(slot.width_mm - nominal_width_mm) < WIDTH_OFF_NOMINAL * nominal_width_mm
    return slot.marked or USUAL_WIDTH_MM[0] <= slot.width_mm <= USUAL_WIDTH_MM[1]


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
    middle_mm: Array
    """Where it lies: the middle of its length, in plane coordinates."""


def _clearest(slots: Sequence[TracedSlot], doubts: Sequence[_Doubt]) -> TracedSlot | Problem:
    """The slot that is explained best and has the cleanest edges, if it is so clearly."""
    if not slots:
        return max(doubts, key=lambda d: d.gain).problem if doubts else _NOT_FOUND
    usual = max(0.3, 1.3 * min(s.raggedness_mm for s in slots))
    best, *others = sorted(slots, key=lambda s: -_worth(s, usual))
    if any(not _clearly_better(best, other, usual) for other in others):
        return _AMBIGUOUS
    stronger = (d.problem for d in doubts if d.gain > best.gain - CLEAR_SLOT_GAIN or _is_near(best, d))
    return next(stronger, best)


def _clearly_better(best: TracedSlot, other: TracedSlot, usual_mm: float) -> bool:
    """Whether one band is a slot and not the other, which may be a blacked-out line or a sealed joint.

    A wide dark band gains much whatever it is; so only a wall that shows its depth, clean edges, or a far greater gain
    decide.
    """
    if best.foot_seen and not other.foot_seen:
        return best.gain > other.gain or other.raggedness_mm > 1.5 * max(best.raggedness_mm, 0.3)
    return _worth(other, usual_mm) < FAR_LESS * _worth(best, usual_mm)


def _worth(slot: TracedSlot, usual_mm: float) -> float:
    """What speaks for a slot against others: its gain, clean edges, and a wall that shows its depth."""
    return slot.gain + FOOT_GAIN * slot.foot_seen - 20.0 * max(0.0, slot.raggedness_mm / usual_mm - 1.0)


def _is_near(slot: TracedSlot, doubt: _Doubt) -> bool:
    at = slot.axis.from_plane(doubt.middle_mm)
    middle = (slot.left.path_mm(at[:1]) + slot.right.path_mm(at[:1])) / 2
    return abs(float(at[1] - middle[0])) < 100.0


_NOT_FOUND = Problem(
    "slot-not-found",
    "no saw cut was found near the reference bar: lay the bar along the cut, within half a metre of it, and take the "
    "photo so that both are wholly in view",
)
_AMBIGUOUS = Problem(
    "slot-ambiguous",
    "more than one band in the photo could be the saw cut: remove tape, tools and shadows beside the cut, or mark the "
    "cut in the photo",
)


def _marked_axis(plane: GroundPlane, marks: Marks | None) -> Band | None:
    """A band along a person's mark on the slot, or between marks on its edges."""
    if marks is None:
        return None
    mark = marks.of(MarkedFeature.SLOT)
    left, right = marks.of(MarkedFeature.SLOT_LEFT_EDGE), marks.of(MarkedFeature.SLOT_RIGHT_EDGE)
    if mark is not None:
        return Band(_axis_through(plane.to_plane(mark.points_px)), 60.0, 1.0, 1.0)
    if left is not None and right is not None:
        a, b = (_axis_through(plane.to_plane(m.points_px)) for m in (left, right))
        width = abs(float(a.from_plane(b.origin_mm)[1]))
        return Band(Axis((a.origin_mm + b.origin_mm) / 2, a.direction), width, 1.0, 1.0)
    return None


def _axis_through(points: Array) -> Axis:
    middle = points.mean(axis=0)
    direction = np.linalg.svd(points - middle)[2][0]
    return Axis(middle, direction if direction[0] >= 0 else -direction)


def _same(a: TracedSlot, b: TracedSlot) -> bool:
    at = a.axis.from_plane(
        b.axis.to_plane(b.left.path.s_mm, (b.left.path_mm(b.left.path.s_mm) + b.right.path_mm(b.left.path.s_mm)) / 2)
    )
    middle = (a.left.path_mm(at[:, 0]) + a.right.path_mm(at[:, 0])) / 2
    return float(np.median(np.abs(at[:, 1] - middle))) < 0.5 * (a.width_mm + b.width_mm)


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
    kept_room: dict[int, tuple[float, float]] = field(default_factory=dict)
    """Room inward and outward of the edge traced last on each side."""

    @property
    def cell_mm(self) -> float:
        """Half a pixel where they are smallest on the pavement."""
        return max(0.1, 0.5 / float(self.pixels_per_mm.max()))

    def trace(self, step: Step, side: int) -> EdgeTrace:
        """The edge along one step."""
        key = (step.n_mm, side)
        self.kept_room[side] = (self._room(step, -side), self._room(step, side))
        if key not in self.kept:
            self.kept[key] = trace_edge(
                self.photo.grey, self.plane, self.ribbon, step, side, self.outlines_mm, self.cell_mm, STEP_MM,
                self.kept_room[side],
            )  # fmt: skip
        return self.kept[key]

    def _room(self, step: Step, way: int) -> float:
        """Distance to the next step towards +n (way = 1) or -n."""
        return min(((t.n_mm - step.n_mm) * way for t in self.steps if (t.n_mm - step.n_mm) * way > 0.3), default=99.0)

    def raggedness_mm(self, step: Step, side: int) -> float:
        """Noise of the edge along one step about a slow path; a large value where there is none."""
        trace = self.trace(step, side)
        if np.isfinite(trace.outward_mm).sum() < 60:
            return 3.0
        return find_saw_path(trace.s_mm, trace.outward_mm).noise_mm

    def fit_arris(self, edge: Edge) -> Edge:
        """The edge with its arris placed in the mean cross-section, chips left out."""
        trace = edge.trace
        sound = np.isfinite(trace.outward_mm)
        sound[sound] = chip_probability(edge.path, trace.s_mm[sound], trace.outward_mm[sound]) < 0.5
        s = trace.s_mm[sound][::2]
        if len(s) < 30 or trace.by_texture:
            return replace(edge, arris=ArrisFit(0.0, 0.2 + 0.4 * trace.blur_mm, trace.blur_mm, 0.0))
        along = edge.path_mm(s)
        v, light = mean_profile(
            self.photo.grey, self.plane, self.ribbon.axis, s, along, trace.side, self.outlines_mm, self.cell_mm
        )
        wall = wall_in_sight_mm(self.plane, self.ribbon.axis, float(np.median(along)), trace.side, USUAL_DEPTH_MM)
        blur = float(np.hypot(trace.blur_mm, edge.path.noise_mm))
        inner, outer = self.kept_room[trace.side]
        window = 4.0 + 1.5 * blur
        near = (v > -min(window, max(0.6 * inner, 2.0 * blur))) & (v < min(window, max(0.6 * outer, 2.0 * blur)))
        return replace(edge, arris=fit_arris(v[near], light[near], blur, wall))


def _trace_band(
    photo: Photo, plane: GroundPlane, band: Band, outlines_mm: Sequence[Array], marked: bool, nominal: float | None
) -> TracedSlot | _Doubt | None:
    """Follow one band, tell its arrises, and trace them; None where it is no slot."""
    ribbon = follow(photo.grey, plane, band.axis, band.width_mm, outlines_mm)
    if ribbon is None:
        return None
    ribbon, (section, steps, pairs) = _centred(photo, plane, ribbon, outlines_mm, nominal)
    pairs = [p for p in pairs if p.shade < MOST_SHADE]
    if not pairs:
        return None
    tracer = _Tracer(photo, plane, ribbon, outlines_mm, cross_scale(plane, ribbon.axis, ribbon.s_mm), steps)
    if float(np.median(tracer.pixels_per_mm)) > RAGGED_PX_PER_MM:
        pairs = _by_raggedness(tracer, pairs)
    if pairs[0].gain < LEAST_GAIN:
        return None
    if (pairs[0].doubtful or _rivals(pairs, section.blur_mm)) and not marked:
        return _Doubt(_EDGE_AMBIGUOUS, pairs[0].gain, ribbon.middle_mm)
    traces = [tracer.trace(pairs[0].left, 1), tracer.trace(pairs[0].right, -1)]
    ends = _ends(traces)
    traces = [t.between(*ends) for t in traces]
    if any(np.isfinite(t.outward_mm).sum() < max(_LEAST_SEEN * len(t.s_mm), 60.0) for t in traces):
        return None
    edges = [tracer.fit_arris(Edge(t, find_saw_path(t.s_mm, t.outward_mm))) for t in traces]
    pixels_per_mm = float(np.median(tracer.pixels_per_mm))
    slot = TracedSlot(ribbon.axis, edges[0], edges[1], pixels_per_mm, pairs[0].gain, pairs[0].foot_seen, marked)
    if abs(slot.width_mm - pairs[0].width_mm) > STRAYED_MM:
        return _Doubt(_EDGE_AMBIGUOUS, pairs[0].gain, ribbon.middle_mm)
    if not NARROWEST_MM <= slot.width_mm <= WIDEST_MM or _crookedness(slot) > MOST_CROOKED_MM:
        return None
    blurred = _blurred(slot)
    return slot if blurred is None else _Doubt(blurred, slot.gain, ribbon.middle_mm)


def _centred(
    photo: Photo, plane: GroundPlane, ribbon: Ribbon, outlines_mm: Sequence[Array], nominal: float | None
) -> tuple[Ribbon, tuple[Section, list[Step], list[Pair]]]:
    """The ribbon moved to the middle of the best pair, and its cross-section there.

    The pair must hold in the window about it; where another wins there, the first window stands, with its rivals.
    """
    explained = _explain(photo, plane, ribbon, outlines_mm, nominal)
    for _ in range(2):
        pairs = explained[2]
        middle = (pairs[0].left.n_mm + pairs[0].right.n_mm) / 2 if pairs else 0.0
        if abs(middle) <= OFF_CENTRE_MM:
            break
        moved = ribbon.shifted(middle)
        again = _explain(photo, plane, moved, outlines_mm, nominal)
        if not again[2]:
            break
        ribbon, explained = moved, again
    return ribbon, explained


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
    usual = max(0.3, 1.8 * min(noise.values()))

    def price(step: Step, side: int) -> float:
        return min(12.0 * max(0.0, noise.get((step.n_mm, side), usual) / usual - 1.0), 20.0)

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


_EDGE_AMBIGUOUS = Problem(
    "slot-ambiguous",
    "the edge of the cut cannot be told from another line beside it (wall in the light, tape or paint): sweep the "
    "cut's edges clean, remove the tape, or take the photo from straight above",
)


def _rivals(pairs: Sequence[Pair], blur_mm: float) -> list[Pair]:
    """Other pairs that explain the cross-section nearly as well and would give another width.

    Where they differ by a bright strip beside the slot (a lit wall, or a rest of paint?), the difference must be
    larger.
    """
    best = pairs[0]
    apart = 0.6 + 1.5 * blur_mm
    rivals = []
    for other in pairs[1:]:
        differs = [abs(a.n_mm - b.n_mm) > apart for a, b in ((other.left, best.left), (other.right, best.right))]
        strip = any(d and (s or t) for d, s, t in zip(differs, other.strips, best.strips, strict=True))
        if any(differs) and other.cost < best.cost + (CLEAR_STRIP_COST if strip else CLEAR_COST):
            rivals.append(other)
    return rivals


def _crookedness(slot: TracedSlot) -> float:
    """Largest sag of the slot's middle over 300 mm: cracks and sealed joints wind, a saw does not."""
    s = np.arange(slot.left.path.s_mm[0], slot.left.path.s_mm[-1], 10.0)
    middle = (slot.left.path_mm(s) + slot.right.path_mm(s)) / 2
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
        f"the edges of the cut are blurred over {2.5 * blur_px:.0f} pixels: hold the camera still and let it focus on "
        "the cut",
    )
