"""Straight painted bands on the pavement, found on a coarse view from above.

The picture is resampled from above at ``STEP_MM``; two features are formed, the logarithm of light (so that the fall-
off of a work light is only an offset) and the colourfulness relative to the surroundings. Every place where a feature
changes clearly more than the pavement's texture does votes, with the direction of the change, for the straight edges
that it may lie on (Hough transform with gradient direction: Duda & Hart 1972; O'Gorman & Clowes 1976). Edges are
taken one after the other, each with its voters removed, and paired to bands: one edge to brighter or more colourful
paint, the other back. Positions are good to a few millimetres: a start for the measurement proper, not the
measurement.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis
from verifier.linefit import robust_scale, weighted_line
from verifier.plane import GroundPlane

Array = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

STEP_MM = 12.0
"""Sample distance of the view from above."""
REACH_MM = 2800.0
"""Half the side of the square that is searched, about the middle of the bars."""
COARSEST_MM_PER_PX = 10.0
"""Where a pixel of the photo spans more pavement than this, nothing is searched."""
_LATTICE = 8
_DARKEST = 0.004
"""Linear light added before taking logarithms: about the noise of a phone's darkest tones."""


class Feature(StrEnum):
    """In what an edge shows."""

    LIGHT = "light"
    COLOUR = "colour"


@dataclass(frozen=True, eq=False)
class View:
    """The pavement from above."""

    log_light: NDArray[np.float32]
    """Natural logarithms of linear light, blue, green, red, shape (H, W, 3)."""
    in_view: Mask
    """Where the picture shows the ground finely enough, shape (H, W)."""
    covered: Mask
    """Where a bar lies on it, shape (H, W)."""
    origin_mm: Array
    """Plane position of pixel (0, 0); columns run along +x and rows along +y, ``STEP_MM`` apart."""

    @property
    def valid(self) -> Mask:
        """Where pavement is to be seen."""
        return self.in_view & ~self.covered

    def to_plane(self, columns_rows: Array) -> Array:
        """Plane positions (N, 2) of view pixels (N, 2)."""
        return np.asarray(self.origin_mm + STEP_MM * columns_rows)

    def to_view(self, points_mm: Array) -> Array:
        """View pixels (N, 2) of plane positions (N, 2)."""
        return np.asarray((points_mm - self.origin_mm) / STEP_MM)


@dataclass(frozen=True, eq=False)
class EdgeLine:
    """A straight edge; its left side (the axis' normal) is the brighter or more colourful one."""

    axis: Axis
    span_mm: tuple[float, float]
    """First and last station at which it was seen."""
    seen_mm: float
    """Length over which it was seen, gaps taken out."""
    strength: float
    """Mean change across it, in units of the pavement's texture."""
    feature: Feature


def view_from_above(colour: NDArray[np.uint8], plane: GroundPlane, outlines_mm: Sequence[Array]) -> View:
    """Resample a photo (H, W, 3, blue-green-red) on a grid of the pavement; ``outlines_mm`` (4, 2) each are masked."""
    low, high = _searched_box(plane, outlines_mm)
    shape = tuple(int(n) for n in np.ceil((high - low) / STEP_MM)[::-1] + 1)
    scale = max(round(max(plane.size_px) / 1000), 1)
    small = _reduced(colour, scale)
    maps, finest = _maps(plane, low, shape)
    table = np.log(_linear(np.arange(256) / 255.0) + _DARKEST).astype(np.float32)
    to_small = (np.array(maps) + 0.5) / scale - 0.5
    values = cv2.remap(small, to_small[0], to_small[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    width, height = plane.size_px
    in_view = finest & (maps[0] >= 0) & (maps[0] <= width - 1) & (maps[1] >= 0) & (maps[1] <= height - 1)
    view = View(table[values], in_view, np.zeros_like(in_view), low)
    return replace(view, covered=_covered(view, outlines_mm))


def _reduced(colour: NDArray[np.uint8], scale: int) -> NDArray[np.uint8]:
    """The photo reduced by a whole number; of large reductions every other row is enough."""
    if scale == 1:
        return colour
    height, width = colour.shape[:2]
    rows = colour[::2] if scale >= 3 else colour
    size = (width // scale, height // scale)
    cut = rows[: size[1] * scale * len(rows) // height, : size[0] * scale]
    return np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _linear(code: Array) -> Array:
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def _searched_box(plane: GroundPlane, outlines_mm: Sequence[Array]) -> tuple[Array, Array]:
    """Lower left and upper right corner of the part of the pavement that is in view and near the bars."""
    width, height = plane.size_px
    u, v = np.meshgrid(np.linspace(0, width - 1, 17), np.linspace(0, height - 1, 17))
    ground = plane.to_plane(np.column_stack([u.ravel(), v.ravel()]))
    ground = ground[np.isfinite(ground).all(axis=1)]
    middle = (
        np.concatenate([np.asarray(o) for o in outlines_mm]).mean(axis=0) if len(outlines_mm) else ground.mean(axis=0)
    )
    return np.maximum(ground.min(axis=0), middle - REACH_MM), np.minimum(ground.max(axis=0), middle + REACH_MM)


def _maps(plane: GroundPlane, low: Array, shape: tuple[int, ...]) -> tuple[tuple[Image, Image], Mask]:
    """Photo pixels (x and y) of every view pixel, and where the photo is fine enough; computed on a lattice."""
    rows, columns = shape[0] // _LATTICE + 3, shape[1] // _LATTICE + 3
    half = (_LATTICE - 1) / 2
    x = low[0] + STEP_MM * (_LATTICE * (np.arange(columns) - 1) + half)
    y = low[1] + STEP_MM * (_LATTICE * (np.arange(rows) - 1) + half)
    points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    pixels = plane.to_pixels(points)
    seen = plane.rotation[2, :2] @ points.T + plane.parameters[10]
    distance = np.linalg.norm(
        np.column_stack([points - plane.camera_mm[:2], np.full(len(points), plane.camera_mm[2])]), axis=1
    )
    mm_per_px = distance**2 / (plane.camera_mm[2] * plane.focal_px)
    usable = (seen > 0) & (mm_per_px < COARSEST_MM_PER_PX) & (_field_angle(plane, points, seen) < 1.03)
    pixels = np.where(usable[:, None], pixels, -1e5)
    large = (columns * _LATTICE, rows * _LATTICE)
    window = (slice(_LATTICE, _LATTICE + shape[0]), slice(_LATTICE, _LATTICE + shape[1]))
    x_map, y_map, fine = (
        _image(cv2.resize(part.reshape(rows, columns).astype(np.float32), large, interpolation=cv2.INTER_LINEAR))[
            window
        ]
        for part in (pixels[:, 0], pixels[:, 1], usable)
    )
    return (x_map, y_map), fine > 0.999


def _field_angle(plane: GroundPlane, points: Array, depth: Array) -> Array:
    """Undistorted radius of points relative to the picture's farthest corner (beyond it a lens model folds over)."""
    width, height = plane.size_px
    corners = plane.rays(np.array([[0, 0], [width, 0], [0, height], [width, height]], dtype=np.float64))[:, :2]
    sideways = points @ plane.rotation[:2, :2].T + plane.parameters[8:10]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.hypot(*(sideways / depth[:, None]).T) / np.hypot(*corners.T).max())


def _covered(view: View, outlines_mm: Sequence[Array], margin_mm: float = 12.0) -> Mask:
    covered = np.zeros(view.valid.shape, dtype=np.uint8)
    for outline in outlines_mm:
        cv2.fillConvexPoly(covered, view.to_view(_grown(np.asarray(outline), margin_mm)).round().astype(np.int32), 1)
    return covered.astype(bool)


def _grown(outline: Array, margin_mm: float) -> Array:
    """A convex outline with each corner moved outwards by ``margin_mm`` in both directions of its sides."""
    centre = outline.mean(axis=0)
    edges = np.roll(outline, -1, axis=0) - outline
    unit = edges / np.hypot(*edges.T)[:, None]
    shift = np.roll(unit, 1, axis=0) - unit
    outward = np.sign(np.sum(shift * (outline - centre), axis=1))[:, None]
    return np.asarray(outline + margin_mm * shift * outward)


# --- features and their edges -------------------------------------------------------------------------------------


def light_of(view: View) -> Image:
    """Logarithm of light, mean of the three channels."""
    return np.asarray(cv2.transform(view.log_light, np.full((1, 3), 1 / 3)), dtype=np.float32)


def colourfulness_of(view: View) -> Image:
    """Departure from the bare pavement's colour: length of the vector of two log ratios of channels.

    The pavement's colour is a local mean over places that differ little from the whole view's median, so that
    paint does not colour its own surroundings; it may change over a metre, as the light of lamps does.
    """
    ratios = cv2.transform(view.log_light, np.array([[0.0, -1.0, 1.0], [1.0, -0.5, -0.5]]))
    valid = view.valid
    some = ratios[::3, ::3][valid[::3, ::3]]
    if len(some) == 0:
        return np.zeros(valid.shape, dtype=np.float32)
    apart = np.linalg.norm(ratios - np.median(some, axis=0), axis=2)
    plain = valid & (apart < 2.0 * float(np.median(apart[::3, ::3][valid[::3, ::3]])) + 0.08)
    near = int(1000 / STEP_MM) | 1
    squares = [(_smooth(r) - _local_mean(r, plain, near)) ** 2 for r in map(_image, cv2.split(ratios))]
    return np.sqrt(squares[0] + squares[1])


def _image(values: object) -> Image:
    return np.asarray(values, dtype=np.float32)


def _smooth(image: Image) -> Image:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), 1.0), dtype=np.float32)


def _local_mean(image: Image, valid: Mask, size: int) -> Image:
    held = valid.astype(np.float32)
    total = cv2.blur(image * held, (size, size))
    return np.asarray(total / np.maximum(cv2.blur(held, (size, size)), 1e-3), dtype=np.float32)


@dataclass(frozen=True, eq=False)
class _Voters:
    points: Array
    """View pixels (N, 2)."""
    towards: Array
    """Direction in which the feature grows [rad], (N,)."""
    weights: Array
    """Change in units of the texture, capped, (N,)."""


_CAP = 5.0
_VOTING = 1.7
"""A change must exceed the texture's mean one by this factor to vote."""
_LEAST_TEXTURE = 0.004
"""Change per sample of log light or colour below which nothing is paint, however smooth the pavement."""
_MOST_VOTERS = 15000


def _voters(feature: Image, view: View) -> _Voters:
    near = int(240 / STEP_MM) | 1
    filled = np.where(view.covered, _local_mean(feature, view.valid, near), feature)  # bars must make no edges
    smooth = _smooth(filled)
    gx, gy = (_image(cv2.Scharr(smooth, cv2.CV_32F, *order, scale=1 / 32)) for order in ((1, 0), (0, 1)))
    size = _image(cv2.magnitude(gx, gy))
    usable = cv2.erode(view.in_view.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool) & ~view.covered
    usable[:3], usable[-3:], usable[:, :3], usable[:, -3:] = False, False, False, False
    if not usable[::3, ::3].any():
        return _Voters(np.zeros((0, 2)), np.zeros(0), np.zeros(0))
    typical = float(np.median(size[::3, ::3][usable[::3, ::3]])) + 1e-6
    texture = _local_mean(np.minimum(size, 4 * typical), usable, int(800 / STEP_MM) | 1) + 0.25 * typical
    relative = size / np.maximum(texture, _LEAST_TEXTURE)
    rows, columns = np.nonzero(usable & (relative > _VOTING) & _is_crest(size, gx, gy))
    strength = relative[rows, columns]
    if len(rows) > _MOST_VOTERS:
        keep = np.argpartition(strength, -_MOST_VOTERS)[-_MOST_VOTERS:]
        rows, columns, strength = rows[keep], columns[keep], strength[keep]
    towards = np.arctan2(gy[rows, columns], gx[rows, columns]).astype(np.float64)
    return _Voters(
        np.column_stack([columns, rows]).astype(np.float64), towards, np.minimum(strength, _CAP).astype(np.float64)
    )


def _is_crest(size: Image, gx: Image, gy: Image) -> Mask:
    """Where the change is largest along its own direction (non-maximum suppression: Canny 1986)."""
    direction = np.rint(np.arctan2(gy, gx) * (4 / np.pi)).astype(np.int8) % 4
    crest = np.zeros(size.shape, dtype=bool)
    for which, (right, down) in enumerate(((1, 0), (1, 1), (0, 1), (-1, 1))):
        ahead = np.roll(size, (-down, -right), axis=(0, 1))
        behind = np.roll(size, (down, right), axis=(0, 1))
        crest |= (direction == which) & (size >= ahead) & (size > behind)
    return crest


_ANGLES = 240
_SPREAD = 6
"""Bins to either side of its own direction that a voter votes for: 9 degrees."""


class _Accumulator:
    """Votes over direction of growth and distance from the view's middle."""

    def __init__(self, voters: _Voters, shape: tuple[int, ...]) -> None:
        self.voters = voters
        self.middle = np.array([shape[1] / 2, shape[0] / 2])
        self.half = int(np.ceil(np.hypot(*self.middle))) + 2
        self.columns = 2 * self.half + 1
        self.votes = self._tally(np.arange(len(voters.points)))

    def _tally(self, which: NDArray[np.intp]) -> Image:
        step = 2 * np.pi / _ANGLES
        nearest = np.rint(self.voters.towards[which] / step).astype(np.intp)
        around = np.arange(-_SPREAD, _SPREAD + 1)
        bins = (nearest[:, None] + around) % _ANGLES
        angles = np.arange(_ANGLES) * step
        cos, sin = np.cos(angles), np.sin(angles)
        rel = self.voters.points[which] - self.middle
        rho = rel[:, :1] * cos[bins] + rel[:, 1:] * sin[bins]
        cells = bins * self.columns + np.rint(rho).astype(np.intp) + self.half
        share = np.cos(around * np.pi / (2 * _SPREAD + 2)) ** 2
        weights = self.voters.weights[which][:, None] * share
        counts = np.bincount(cells.ravel(), weights.ravel(), _ANGLES * self.columns)
        return counts.reshape(_ANGLES, self.columns).astype(np.float32)

    def remove(self, which: NDArray[np.intp]) -> None:
        self.votes -= self._tally(which)

    def best(self) -> tuple[float, float, float]:
        """Votes, direction [rad] and signed distance from the middle [view pixels] of the strongest line."""
        wrapped = np.concatenate([self.votes[-1:], self.votes, self.votes[:1]])
        soft = cv2.blur(wrapped, (3, 3))[1:-1]
        angle, rho = np.unravel_index(int(np.argmax(soft)), soft.shape)
        return float(soft[angle, rho]), float(angle) * 2 * np.pi / _ANGLES, float(rho) - self.half


def find_edges(
    view: View, feature: Image, kind: Feature, *, most: int = 28, shortest_mm: float = 350.0
) -> list[EdgeLine]:
    """The straight edges of a feature, strongest first."""
    voters = _voters(feature, view)
    if len(voters.points) < 20:
        return []
    accumulator = _Accumulator(voters, feature.shape)
    free = np.ones(len(voters.points), dtype=bool)
    edges = []
    for _ in range(most):
        votes, angle, rho = accumulator.best()
        if votes * 3 < 1.5 * shortest_mm / STEP_MM:  # blur averages over 3 distances
            break
        edge, used = _refined(view, voters, free, angle, rho * STEP_MM, accumulator.middle, kind)
        free[used] = False
        accumulator.remove(used)
        if edge is not None and edge.seen_mm >= shortest_mm:
            edges.append(edge)
    return edges


def _refined(
    view: View, voters: _Voters, free: Mask, angle: float, rho_mm: float, middle: Array, kind: Feature
) -> tuple[EdgeLine | None, NDArray[np.intp]]:
    """An edge fitted to its voters; the voters that it uses up are returned even when it is not worth keeping."""
    normal = np.array([np.cos(angle), np.sin(angle)])
    axis = Axis(view.to_plane(middle[None])[0] + rho_mm * normal, np.array([normal[1], -normal[0]]))
    points = view.to_plane(voters.points)
    turned = np.abs((voters.towards - angle + np.pi) % (2 * np.pi) - np.pi) < np.radians(25)
    candidates = np.flatnonzero(free & turned)
    for reach in (30.0, 20.0, 16.0):
        frame = axis.from_plane(points[candidates])
        near = np.abs(frame[:, 1]) < reach
        if np.count_nonzero(near) < 12 or np.ptp(frame[near, 0]) < 200:
            return None, candidates[near]
        line = weighted_line(frame[near, 0], frame[near, 1], voters.weights[candidates[near]])
        direction = axis.direction + line.slope * axis.normal
        axis = Axis(axis.origin_mm + line.intercept * axis.normal, direction / np.hypot(*direction))
    frame = axis.from_plane(points[candidates])
    near = np.abs(frame[:, 1]) < max(2.5 * robust_scale(frame[near, 1]), STEP_MM)
    used = candidates[near]
    span = _longest_run(frame[near, 0])
    if span is None:
        return None, used
    inside = (frame[near, 0] >= span[0]) & (frame[near, 0] <= span[1])
    seen = STEP_MM * len(np.unique(np.floor(frame[near, 0][inside] / STEP_MM)))
    return EdgeLine(axis, span, seen, float(voters.weights[used[inside]].mean()), kind), used[inside]


def _longest_run(stations: Array, gap_mm: float = 350.0) -> tuple[float, float] | None:
    """The stretch with most stations that has no gap longer than ``gap_mm``."""
    if len(stations) < 8:
        return None
    ordered = np.sort(stations)
    breaks = np.flatnonzero(np.diff(ordered) > gap_mm)
    starts, ends = np.r_[0, breaks + 1], np.r_[breaks, len(ordered) - 1]
    best = int(np.argmax(ends - starts))
    return float(ordered[starts[best]]), float(ordered[ends[best]])


# --- bands --------------------------------------------------------------------------------------------------------


class Tone(StrEnum):
    """How a band differs from the pavement on both of its sides."""

    PAINT = "brighter or coloured"
    DARK = "darker"


@dataclass(frozen=True, eq=False)
class Band:
    """A straight band between two parallel edges."""

    axis: Axis
    """Its middle; the direction is arbitrary."""
    width_mm: float
    span_mm: tuple[float, float]
    seen_mm: float
    """Length over which it was seen."""
    tone: Tone
    light: float
    """Logarithm of its light over that of the pavement beside it (mean over its length, wear included)."""
    colour: float
    """Departure of its colour from that of the pavement beside it (length of the vector of two log ratios)."""
    clarity: float
    """Departure in light and colour together over the scatter along the band."""
    peak: float
    """Departure of its best parts: what it would be were nothing worn off (nine tenths of it depart less)."""
    gain: float
    """Logarithm of its light over the pavement's in the channel that gains most, over the best third of it."""
    whole: bool = True
    """False where only one edge is in view and the band runs on to the edge of the picture."""

    @property
    def middle_mm(self) -> Array:
        """The middle of the span, shape (2,)."""
        return self.axis.to_plane(np.array(0.5 * (self.span_mm[0] + self.span_mm[1])), np.array(0.0))

    @property
    def ends_mm(self) -> Array:
        """First and last point of the middle line, shape (2, 2)."""
        return self.axis.to_plane(np.array(self.span_mm), np.zeros(2))


NARROWEST_MM, WIDEST_MM = 12.0, 380.0
_TINT_OF_PAINT = 1.2
"""Paint that is darker than the pavement is told from black by its colour: blue on light concrete departs three times
as much in colour as in light; black through which an old colour shows departs less."""
_PARALLEL = np.radians(2.0)


def find_bands(colour: NDArray[np.uint8], plane: GroundPlane, outlines_mm: Sequence[Array]) -> list[Band]:
    """All straight bands near the bars, longest and clearest first; overlapping ones are reduced to the clearest."""
    view = view_from_above(colour, plane, outlines_mm)
    bands: list[Band] = []
    for kind, feature in ((Feature.LIGHT, light_of(view)), (Feature.COLOUR, colourfulness_of(view))):
        edges = find_edges(view, feature, kind)
        bands += [band for pair in _pairs(edges) if (band := _band(view, *pair)) is not None]
        bands += [band for edge in edges if (band := _cut_off_band(view, edge)) is not None]
    return _without_doubles(bands)


def _pairs(edges: Sequence[EdgeLine]) -> list[tuple[EdgeLine, EdgeLine]]:
    """Pairs of edges that run side by side the opposite way, next to each other."""
    pairs = []
    for i, first in enumerate(edges):
        for second in edges[i + 1 :]:
            if first.axis.direction @ second.axis.direction > -np.cos(_PARALLEL):
                continue
            gap, overlap = _beside(first, second)
            if NARROWEST_MM - 4 <= abs(gap) <= WIDEST_MM and overlap > 250:
                pairs.append((first, second))
    return pairs


def _beside(first: EdgeLine, second: EdgeLine) -> tuple[float, float]:
    """Signed distance of the second edge to the left of the first, where they overlap, and the overlap's length."""
    ends = first.axis.from_plane(second.axis.to_plane(np.array(second.span_mm), np.zeros(2)))
    (s0, n0), (s1, n1) = sorted(ends.tolist())
    low, high = max(s0, first.span_mm[0]), min(s1, first.span_mm[1])
    if high <= low:
        return 0.0, 0.0
    at = 0.5 * (low + high)
    return n0 + (n1 - n0) * (at - s0) / max(s1 - s0, 1e-9), high - low


def _band(view: View, first: EdgeLine, second: EdgeLine) -> Band | None:
    gap, _ = _beside(first, second)
    ends = first.axis.from_plane(second.axis.to_plane(np.array(second.span_mm), np.zeros(2)))
    span = (min(first.span_mm[0], float(ends[:, 0].min())), max(first.span_mm[1], float(ends[:, 0].max())))
    direction = first.axis.direction - second.axis.direction
    middle = 0.5 * (span[0] + span[1])
    slope = (ends[1, 1] - ends[0, 1]) / (ends[1, 0] - ends[0, 0])
    other = ends[0, 1] + slope * (middle - ends[0, 0])
    origin = first.axis.to_plane(np.array(middle), np.array(0.5 * other))
    axis = Axis(origin.ravel(), direction / np.hypot(*direction))
    half = 0.5 * (span[1] - span[0])
    if first.feature is Feature.COLOUR and gap < 0:  # less colourful than its surroundings: the gap between two lines
        return None
    return _described(view, axis, abs(gap), (-half, half), min(first.seen_mm, second.seen_mm), gap < 0, True)


_NARROWEST_CUT_OFF_MM, _WIDEST_CUT_OFF_MM = 36.0, 300.0


def _cut_off_band(view: View, edge: EdgeLine) -> Band | None:
    """The band between an edge and the border of the view that runs along it on its brighter side."""
    stations = np.arange(edge.span_mm[0], edge.span_mm[1] + 1, 4 * STEP_MM)
    offsets = np.arange(0.0, _WIDEST_CUT_OFF_MM + 4 * STEP_MM, STEP_MM)
    where = np.rint(view.to_view(edge.axis.to_plane(*np.meshgrid(stations, offsets, indexing="ij")).reshape(-1, 2)))
    shape = view.in_view.shape
    inside = ((where[:, 0] >= 0) & (where[:, 1] >= 0)) & ((where[:, 0] < shape[1]) & (where[:, 1] < shape[0]))
    column, row = np.where(np.expand_dims(inside, 1), where, 0).astype(np.intp).T
    seen = (inside & view.in_view[row, column]).reshape(len(stations), len(offsets)).mean(axis=0)
    width = float(offsets[np.argmax(seen < 0.4)]) - STEP_MM
    if not (seen < 0.4).any() or width < _NARROWEST_CUT_OFF_MM:
        return None
    middle = 0.5 * (edge.span_mm[0] + edge.span_mm[1])
    origin = edge.axis.to_plane(np.array(middle), np.array(0.5 * width)).ravel()
    half = 0.5 * (edge.span_mm[1] - edge.span_mm[0])
    return _described(view, Axis(origin, edge.axis.direction), width, (-half, half), edge.seen_mm, False, False)


def _described(
    view: View, axis: Axis, width: float, span: tuple[float, float], seen: float, darker: bool, whole: bool
) -> Band | None:
    """Compare the band with its sides, piece by piece along its length."""
    stations = np.arange(span[0], span[1] + 1, STEP_MM)
    inner = np.linspace(-0.35, 0.35, max(int(width / STEP_MM), 1) | 1) * width if width > 20 else np.zeros(1)
    flank = 0.5 * width + np.arange(20.0, 61.0, STEP_MM)
    band, left, right = (_piecewise(view, axis, stations, n) for n in (inner, flank, -flank))
    sides = np.where(np.isnan(left), right, np.where(np.isnan(right), left, 0.5 * (left + right)))
    difference = band - sides
    run = _longest_present(_opponent(difference))
    if run is None:
        return None
    opponent = _opponent(difference[run])
    opponent = opponent[np.isfinite(opponent).all(axis=1)]
    mean, scatter = opponent.mean(axis=0), opponent.std(axis=0)
    light, tint = float(mean[0]), float(np.hypot(mean[1], mean[2]))
    spread = float(np.sqrt(np.sum(scatter**2) / 3)) + 0.02
    # the band must stand out on both sides: half of a step has the other half's colour
    one_sided = [d for d in (_stands_out((band - side)[run]) for side in (left, right)) if d is not None]
    tone = Tone.DARK if light < 0 and tint < _TINT_OF_PAINT * abs(light) else Tone.PAINT
    if min(one_sided) < 0.25 * max(one_sided) or darker is (tone is Tone.PAINT):
        return None
    # of a band that is cut off by the picture's border the far edge is not known: pavement may lie within its width
    if whole and not _of_one_piece(view, axis, stations, width, sides, mean):
        return None
    if tone is Tone.PAINT and _like_both_afar(view, axis, stations, band, width, mean):
        return None
    if tone is Tone.DARK and not _darker_than_afar(view, axis, stations, band, width):
        return None
    peak, gain = _best_parts(view, axis, stations, inner, sides, mean)
    span = _span_of(stations, run)
    seen = min(seen, span[1] - span[0])
    return Band(axis, width, span, seen, tone, light, tint, float(np.hypot(light, tint)) / spread, peak, gain, whole)


_PRESENT = 0.25
"""Share of a band's full departure that a piece of it must show: worn, but there."""
_AFAR_MM = np.arange(90.0, 151.0, STEP_MM)
"""Beyond a band's edge: past a sprayed line that may run along it."""
_WITHIN_MM = 14.0
"""Nearer to a band's edges than this (a sample of the view) its strips are mixed with what lies beside it."""
_ACROSS = 0.4
"""Least departure of a strip of the band over the largest: wear of one side leaves more, bare pavement far less."""


def _longest_present(opponent: Array) -> slice | None:
    """The pieces (K, 3) between the first two and the last two in a row that depart as the band does.

    Edges are followed over gaps, and chance voters far beyond a band's end may lengthen them; its middle is then as
    its sides are. Pieces out of sight (NaN) count for nothing.
    """
    seen = np.flatnonzero(np.isfinite(opponent).all(axis=1))
    if len(seen) < 3:
        return None
    mean = opponent[seen].mean(axis=0)
    along = opponent[seen] @ (mean / max(float(np.linalg.norm(mean)), 1e-9))
    present = along > _PRESENT * np.quantile(along, 0.75)
    pairs = np.flatnonzero(present[:-1] & present[1:])
    if len(pairs) < 2:
        return None
    return slice(int(seen[pairs[0]]), int(seen[pairs[-1] + 1]) + 1)


def _span_of(stations: Array, pieces: slice) -> tuple[float, float]:
    """First and last station of a run of pieces."""
    low, high = (float(stations[0]) + _PIECE_MM * k for k in (pieces.start, pieces.stop))
    return low, min(high, float(stations[-1]))


def _of_one_piece(view: View, axis: Axis, stations: Array, width: float, sides: Array, mean: Array) -> bool:
    """Whether all strips along the band depart much alike: the edges of two neighbours frame pavement as well."""
    half = 0.5 * width - _WITHIN_MM
    if half < 0.5 * STEP_MM:
        return True
    offsets = np.linspace(-half, half, 2 + int(2 * half / STEP_MM))
    values, held = _sampled(view, axis, stations, offsets)
    difference = values - sides[_pieces(stations)][:, None, :]
    difference[~held] = np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # strips out of sight have no mean
        strips = _opponent(np.nanmean(difference, axis=0)) @ mean
    strips = strips[np.isfinite(strips)]
    return len(strips) == 0 or bool(strips.min() > _ACROSS * strips.max())


def _opponent(log_colour: Array) -> Array:
    """Light and two ratios of channels, (N, 3), of logarithms of colour (N, 3)."""
    return np.column_stack([log_colour.mean(axis=1), *_ratios(log_colour)])


def _like_both_afar(view: View, axis: Axis, stations: Array, band: Array, width: float, mean: Array) -> bool:
    """Whether the pavement farther off on both sides is as the band is: it is the gap between two painted lines."""
    departures = []
    for offsets in (afar := 0.5 * width + _AFAR_MM, -afar):
        opponent = _opponent(band - _piecewise(view, axis, stations, offsets))
        along = opponent[np.isfinite(opponent).all(axis=1)] @ mean / float(mean @ mean)
        if len(along) >= 3:
            departures.append(float(np.median(along)))
    return len(departures) == 2 and max(departures) < _PRESENT


def _darker_than_afar(view: View, axis: Axis, stations: Array, band: Array, width: float) -> bool:
    """Whether a dark band is darker than the pavement farther off too: the gap between two painted lines is not."""
    for offsets in (afar := 0.5 * width + _AFAR_MM, -afar):
        light = (band - _piecewise(view, axis, stations, offsets)).mean(axis=1)
        light = light[np.isfinite(light)]
        if len(light) >= 3 and float(np.median(light)) > -0.15:
            return False
    return True


def _best_parts(
    view: View, axis: Axis, stations: Array, inner: Array, sides: Array, mean: Array
) -> tuple[float, float]:
    """Departure, along the mean departure, that a tenth of the band's samples exceed; largest gain of a channel."""
    values, held = _sampled(view, axis, stations, inner)
    difference = (values - sides[_pieces(stations)][:, None, :]).reshape(-1, 3)
    difference = difference[held.ravel() & np.isfinite(difference).all(axis=1)]
    along = _opponent(difference) @ (mean / max(float(np.linalg.norm(mean)), 1e-9))
    best = difference[along >= np.quantile(along, 2 / 3)].mean(axis=0)
    return float(np.quantile(along, 0.9)), float(best.max())


def _stands_out(difference: Array) -> float | None:
    """How much the band differs from one of its sides; None where that side is not in view."""
    rows = difference[np.isfinite(difference).all(axis=1)]
    if len(rows) < 3:
        return None
    mean = rows.mean(axis=0)
    return float(np.hypot(mean.mean(), np.hypot(*_ratios(mean[None])).item()))


def _ratios(log_colour: Array) -> tuple[Array, Array]:
    blue, green, red = log_colour[:, 0], log_colour[:, 1], log_colour[:, 2]
    return red - green, blue - 0.5 * (red + green)


_PIECE_MM = 80.0


def _pieces(stations: Array) -> NDArray[np.intp]:
    return np.asarray((stations - stations[0]) / _PIECE_MM).astype(np.intp)


def _sampled(view: View, axis: Axis, stations: Array, offsets: Array) -> tuple[Image, Mask]:
    """Log light (S, N, 3) beside an axis, and where it is that of pavement in view, (S, N)."""
    points = axis.to_plane(*np.meshgrid(stations, offsets, indexing="ij"))
    where = view.to_view(points.reshape(-1, 2)).reshape(points.shape).astype(np.float32)
    values = cv2.remap(view.log_light, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    held = cv2.remap(
        view.valid.astype(np.uint8), where[..., 0], where[..., 1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT
    )  # fmt: skip
    return _image(values), np.asarray(held, dtype=bool)


def _piecewise(view: View, axis: Axis, stations: Array, offsets: Array) -> Array:
    """Mean log light (K, 3) of pieces along the axis over given offsets; NaN where less than a third is in view."""
    values, held = _sampled(view, axis, stations, offsets)
    piece = _pieces(stations)
    count = np.bincount(piece, held.sum(axis=1))
    full = np.bincount(piece) * len(offsets)
    sums = np.stack([np.bincount(piece, np.where(held, values[..., k], 0.0).sum(axis=1)) for k in range(3)], axis=1)
    enough = count > full / 3
    return np.where(enough[:, None], sums / np.maximum(count, 1)[:, None], np.nan)


def _without_doubles(bands: Sequence[Band]) -> list[Band]:
    """Drop every band that covers mostly the same ground as a longer and clearer one."""
    ranked = sorted(bands, key=lambda b: -b.seen_mm * min(b.clarity, 3.0) * (1.0 if b.whole else 0.3))
    kept: list[Band] = []
    for band in ranked:
        if not any(_same_ground(band, other) for other in kept):
            kept.append(band)
    return kept


def _same_ground(band: Band, other: Band) -> bool:
    if abs(band.axis.direction @ other.axis.direction) < np.cos(np.radians(4.0)) or band.tone is not other.tone:
        return False
    s, n = other.axis.from_plane(band.middle_mm)
    return bool(
        abs(n) < 0.5 * (band.width_mm + other.width_mm) + 12.0 and other.span_mm[0] - 200 < s < other.span_mm[1] + 200
    )
