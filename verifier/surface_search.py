"""Finding the sensor's top among everything else on the pavement: two straight, parallel edges with grout outside them.

Steps: a rectified picture of the pavement around the bars at ``CELL_MM``; every pixel votes for the straight lines
that its own gradient allows (Hough's transform with gradient direction and sign; D. H. Ballard, Generalizing the
Hough transform to detect arbitrary shapes, Pattern Recognition 13 (1981) 111-122); pairs of lines at a sensor's
width; then each pair is looked at closely, first edge by edge for coherence, then for what a sensor must show.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis
from verifier.marks import Mark
from verifier.plane import Array, GroundPlane
from verifier.surface_strip import Picture, Samples, log_light, reduced

CELL_MM = 3.0
REACH_MM = 350.0
"""How far from the bars the sensor is looked for: further off, scale and plane are extrapolated."""
WIDTHS_MM = (24.0, 110.0)
"""Widths of a strip sensor's top that are looked for (common practice: some 30 to 90 mm)."""
BAR_MARGIN_MM = 7.0
"""Left out around each bar: its own edge, its thickness seen from the side, a thin shadow."""
ANGLES = 180
VOTE_SPREAD_DEG = 5
FAINTEST = 0.25
"""Votes that a pair of lines must have, against the best pair, to be looked at."""


@dataclass(frozen=True, eq=False)
class BandHypothesis:
    """A straight band of the plane that might be the sensor's top."""

    axis: Axis
    """Middle of the band, with a positive x component (along the first bar's +x)."""
    width_mm: float
    votes: float


@dataclass(frozen=True, eq=False)
class Rectified:
    """The pavement around the bars from above, at ``CELL_MM``."""

    colour: Samples
    """Log light, (H, W, 3)."""
    valid: NDArray[np.bool_]
    """In sight and not covered by a bar."""
    origin_mm: Array
    """Plane coordinates of cell (0, 0); x grows with the column, y with the row."""

    def centre_mm(self) -> Array:
        """Plane coordinates of the middle of the picture."""
        return self.origin_mm + CELL_MM * (np.array(self.valid.shape[::-1]) - 1) / 2


def search(
    image: NDArray[np.uint8],
    plane: GroundPlane,
    outlines_mm: Sequence[Array],
    mark: Mark | None = None,
    nominal_mm: float | None = None,
) -> list[BandHypothesis]:
    """Straight bands of the photo (H, W, 3) that could be the sensor's top, best first."""  # fmt: skip
    middle = np.concatenate(list(outlines_mm)).mean(axis=0)[None, :]
    pixels_per_cell = CELL_MM * np.sqrt(abs(np.linalg.det(plane.pixels_per_mm(middle)[0])))
    picture = reduced(image, plane, int(np.clip(pixels_per_cell / 3.0, 1, 16)))
    found = band_hypotheses(rectify(picture, outlines_mm), nominal_mm, count=60 if mark else 8)
    return [h for h in found if _is_marked(h, plane, mark)][:8] if mark else found


def _is_marked(hypothesis: BandHypothesis, plane: GroundPlane, mark: Mark | None) -> bool:
    """Whether at least two thirds of the marked points lie on the band, or within 10 mm of it."""
    if mark is None:
        return True
    offset = hypothesis.axis.from_plane(plane.to_plane(mark.points_px))[:, 1]
    return bool(np.mean(np.abs(offset) < hypothesis.width_mm / 2 + 10.0) > 0.66)


def oriented(origin_mm: Array, direction: Array) -> Axis:
    """An axis turned to run along the first bar's +x (a positive x component)."""
    unit = np.asarray(direction, dtype=np.float64) / np.linalg.norm(direction)
    return Axis(np.asarray(origin_mm, dtype=np.float64), -unit if unit[0] < 0 else unit)


def bar_mask(outlines: Sequence[Array], shape: tuple[int, int], margin: tuple[float, float]) -> NDArray[np.bool_]:
    """True where a bar covers a grid of (rows, columns); outlines (4, 2) in grid coordinates (column, row).

    Bars are grown by ``margin`` (columns, rows).
    """
    mask = np.zeros(shape, dtype=np.uint8)
    for outline in outlines:
        corners = np.clip(np.rint(np.asarray(outline) * 16), -(2**24), 2**24).astype(np.int32)
        cv2.fillConvexPoly(mask, corners, 255, cv2.LINE_8, 4)
    size = [2 * int(np.ceil(m)) + 1 for m in margin]
    return np.asarray(cv2.dilate(mask, np.ones((size[1], size[0]), np.uint8)) > 0)


def rectify(picture: Picture, outlines_mm: Sequence[Array]) -> Rectified:
    """The pavement within ``REACH_MM`` of the bars, as far as the picture shows it."""
    low, high = _region(picture, outlines_mm)
    x, y = np.arange(low[0], high[0], CELL_MM), np.arange(low[1], high[1], CELL_MM)
    axis = Axis(np.zeros(2), np.array([1.0, 0.0]))
    smooth = Picture(np.asarray(cv2.blur(picture.image, (3, 3))), picture.plane, picture.factor)
    pixels = smooth.grid(axis, x, y)
    colour = log_light(smooth.codes(pixels).transpose(1, 0, 2))
    cells = [(np.asarray(outline) - low) / CELL_MM for outline in outlines_mm]
    covered = bar_mask(cells, (len(y), len(x)), (BAR_MARGIN_MM / CELL_MM, BAR_MARGIN_MM / CELL_MM))
    return Rectified(colour, picture.inside(pixels).T & ~covered, low)


def _region(picture: Picture, outlines_mm: Sequence[Array]) -> tuple[Array, Array]:
    """Lower and upper corner [mm] of the part of the plane to search."""
    corners = np.concatenate(outlines_mm)
    low, high = corners.min(axis=0) - REACH_MM, corners.max(axis=0) + REACH_MM
    width, height = picture.plane.size_px
    t = np.linspace(0.0, 1.0, 9)[:, None]
    ends = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1], [0, 0]], dtype=np.float64)
    border = np.concatenate([a + t * (b - a) for a, b in itertools.pairwise(ends)])
    seen = picture.plane.to_plane(border)
    if np.isfinite(seen).all():
        low, high = np.maximum(low, seen.min(axis=0)), np.minimum(high, seen.max(axis=0))
    return low, np.maximum(high, low + 10 * CELL_MM)


def opponent(log_colour: Samples) -> Samples:
    """Lightness and two colour differences (doubled, for they vary less) of log light in B, G, R order."""
    turn = np.array([[1 / 3, 1 / 3, 1 / 3], [-1.0, 0.0, 1.0], [1.0, -2.0, 1.0]], dtype=np.float32)
    return np.asarray(cv2.transform(log_colour, turn))


def line_votes(view: Rectified) -> tuple[Array, float]:
    """Votes (2, ANGLES, R) of all valid pixels for lines by sign, angle of the normal [1 deg] and distance [cells].

    Distance is from the picture's centre, in cells, with R // 2 at 0 (second value: that zero). A pixel votes by the
    size of its gradient, cut off at three times the median, so that neither one bright line nor the gravel rules.
    """
    gx, gy, size = _strongest_gradient(view)
    inner = cv2.erode(view.valid.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    rows, columns = np.nonzero(inner & _is_crest(gx, gy, size))
    reach = int(np.hypot(*view.valid.shape)) // 2 + 2
    if len(rows) < 100:
        return np.zeros((2, ANGLES, 2 * reach + 1)), float(reach)
    floor = 0.3 * float(np.median(size[inner])) + 1e-9
    size, gx, gy = (size / (cv2.blur(size, (9, 9)) + floor))[rows, columns], gx[rows, columns], gy[rows, columns]
    keep = size > 0.6
    weight = np.minimum(size[keep], 3.0)
    x = columns[keep] - (view.valid.shape[1] - 1) / 2
    y = rows[keep] - (view.valid.shape[0] - 1) / 2
    return _accumulate(x, y, np.arctan2(gy[keep], gx[keep]), weight, reach), float(reach)


def _strongest_gradient(view: Rectified) -> tuple[Samples, Samples, Samples]:
    """Gradient (x, y, size) of whichever of the three opponent channels changes most, pixel by pixel."""
    channels = opponent(view.colour)
    gx, gy = cv2.Scharr(channels, cv2.CV_32F, 1, 0), cv2.Scharr(channels, cv2.CV_32F, 0, 1)
    size2 = gx * gx + gy * gy
    best = np.argmax(size2, axis=2)[..., None]
    pick = (np.take_along_axis(a, best, axis=2)[..., 0] for a in (gx, gy, size2))
    gx, gy, size2 = pick
    return np.asarray(gx, np.float32), np.asarray(gy, np.float32), np.asarray(np.sqrt(size2), np.float32)


def _is_crest(gx: Samples, gy: Samples, size: Samples) -> NDArray[np.bool_]:
    """Where the gradient is at least as large as on both sides, along the nearer of the picture's two axes."""
    across, along = np.ones((1, 3), np.uint8), np.ones((3, 1), np.uint8)
    steep = np.abs(gx) > np.abs(gy)
    return np.asarray(np.where(steep, size >= cv2.dilate(size, across), size >= cv2.dilate(size, along)))


def _accumulate(x: Array, y: Array, angle: Array, weight: Array, reach: int) -> Array:
    """The Hough accumulator (2, ANGLES, 2 * reach + 1) of pixels with gradient direction ``angle`` [rad]."""
    width = 2 * reach + 1
    degrees = np.rint(np.degrees(angle)).astype(np.int32) % 360
    table = np.radians(np.arange(360))
    cosine, sine = np.cos(table).astype(np.float32), np.sin(table).astype(np.float32)
    x, y = x.astype(np.float32), y.astype(np.float32)
    votes = np.zeros(360 * width)
    for turn in range(-VOTE_SPREAD_DEG, VOTE_SPREAD_DEG + 1):
        d = (degrees + turn) % 360
        rho = np.rint(x * cosine[d] + y * sine[d]).astype(np.int32) + reach
        votes += np.bincount(d * width + rho, weights=weight, minlength=len(votes))
    signed = votes.reshape(2, ANGLES, width)
    signed[1] = signed[1, :, ::-1]
    return signed


@dataclass(frozen=True)
class VotedLine:
    """A peak among the votes: a line with its normal at an angle, at a distance from the middle of the view."""

    normal_deg: float
    distance_mm: float
    votes: float


def voted_lines(view: Rectified, count: int = 40) -> list[VotedLine]:
    """The lines with the most votes, best first, none within 3 deg and a cell of a better one."""
    signed, zero = line_votes(view)
    votes = signed.max(axis=0).astype(np.float32)
    wrapped = np.concatenate([votes[-3:, ::-1], votes, votes[:3, ::-1]])
    crest = (wrapped >= cv2.dilate(wrapped, np.ones((7, 3), np.uint8)))[3:-3] & (votes > 0)
    angles, cells = np.nonzero(crest)
    order = np.argsort(-votes[angles, cells], kind="stable")[:count]
    return [
        VotedLine(float(a), CELL_MM * (_subcell(votes[a], c) - zero), float(votes[a, c]))
        for a, c in zip(angles[order], cells[order], strict=True)
    ]


def _subcell(votes: Samples, cell: int) -> float:
    """Centre of the votes about a peak, in cells."""
    near = slice(max(cell - 1, 0), cell + 2)
    weights = votes[near].astype(np.float64)
    return float(np.arange(len(votes))[near] @ weights / weights.sum())


def band_hypotheses(view: Rectified, nominal_mm: float | None = None, count: int = 8) -> list[BandHypothesis]:
    """The best pairs of lines at a sensor's width, best first: a pair is worth its weaker line."""
    # the votes may have merged an edge with the grout's boundary close outside it
    low, high = WIDTHS_MM if nominal_mm is None else (nominal_mm - 6.0, nominal_mm + 24.0)
    lines = voted_lines(view)
    pairs = [
        (min(a.votes, b.votes), a, b)
        for i, a in enumerate(lines)
        for b in lines[:i]
        if abs((a.normal_deg - b.normal_deg + 90.0) % 180.0 - 90.0) <= 2.0 and low <= _distance_mm(a, b) <= high
    ]
    best = sorted(pairs, key=lambda pair: -pair[0])[:count]
    return [_band(view, a, b) for votes, a, b in best if votes > FAINTEST * best[0][0]]


def _distance_mm(a: VotedLine, b: VotedLine) -> float:
    """Distance between two nearly parallel lines at the middle of the view."""
    flipped = abs(a.normal_deg - b.normal_deg) > 90.0
    return abs(a.distance_mm + b.distance_mm) if flipped else abs(a.distance_mm - b.distance_mm)


def _band(view: Rectified, a: VotedLine, b: VotedLine) -> BandHypothesis:
    """The band between two nearly parallel lines."""
    flipped = abs(a.normal_deg - b.normal_deg) > 90.0
    other_deg = b.normal_deg + (180.0 if b.normal_deg < a.normal_deg else -180.0) * flipped
    other_mm = -b.distance_mm if flipped else b.distance_mm
    angle = np.radians((a.normal_deg * a.votes + other_deg * b.votes) / (a.votes + b.votes))
    normal = np.array([np.cos(angle), np.sin(angle)])
    origin = view.centre_mm() + (a.distance_mm + other_mm) / 2 * normal
    axis = oriented(origin, np.array([normal[1], -normal[0]]))
    return BandHypothesis(axis, _distance_mm(a, b), min(a.votes, b.votes))
