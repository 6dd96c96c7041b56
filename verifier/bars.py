"""Reference bars in a photo: which ones, and where their checker corners are.

Tags identify a bar and give a first idea of where it lies; the checker's saddle points measure it. A saddle
point is found without bias whatever the tone curve and however (symmetrically) the picture is blurred, which
is not so for the outer corners of a tag. False tags go out by geometry: what is accepted must agree with the
bar's own drawing in several tags or in the checker around one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from models.bar import DESIGNS, BarDesign
from models.measurement import Problem
from verifier.photo import Photo
from verifier.saddle import fit_saddles

Array = NDArray[np.float64]

MIN_CORNERS = 12
"""Fewer checker corners than this cannot show that they lie as drawn."""
MIN_COVERAGE = 0.35
"""Share of a bar's checker corners that must be seen."""
MIN_TAG_PX = 11.0
"""Below this a tag's modules are under 1.4 px and what is decoded is chance."""


@dataclass(frozen=True, eq=False)
class TagSighting:
    """One decoded tag: id and its corners (4, 2) [px] in the drawing's order, upper left first."""

    tag_id: int
    corners_px: Array

    @property
    def side_px(self) -> float:
        """Mean length of its sides."""
        return float(np.mean(np.linalg.norm(self.corners_px - np.roll(self.corners_px, 1, axis=0), axis=1)))


@dataclass(frozen=True, eq=False)
class BarSighting:
    """One bar in the picture."""

    design: BarDesign
    number: int
    tags: tuple[TagSighting, ...]
    corners_plate_mm: Array
    """Checker corners found, (N, 2), nominal plate coordinates."""
    corners_px: Array
    """The same corners in the picture, (N, 2)."""
    plate_to_px: Array
    """Homography (3, 3) from plate coordinates to pixels; good to about a pixel, lens distortion left out."""
    contrast: float
    """Median step between white and black squares, in grey levels of 255."""
    blur_px: float
    """Standard deviation of the edge spread at the checker [px]; sharpening can make it small."""

    @property
    def name(self) -> str:
        """Kind and number, as printed in messages."""
        return f"{self.design.kind.value} bar {self.number}"

    @property
    def coverage(self) -> float:
        """Share of the drawing's checker corners that were found."""
        return len(self.corners_px) / len(checker_corners_mm(self.design))

    @property
    def first_tag_id(self) -> int:
        """Lowest tag id of this bar, seen or not."""
        return self.design.first_tag_id + self.design.tag_ids_per_bar * self.number

    @property
    def outline_px(self) -> Array:
        """Corners of the plate in the picture, (4, 2), from the lower left anticlockwise as seen from above."""
        length, height = self.design.length_mm, self.design.height_mm
        plate = np.array([[0, 0], [length, 0], [length, height], [0, height]])
        return _apply(self.plate_to_px, plate)


@dataclass(frozen=True)
class BarSightings:
    """All bars that agree with their drawing, lowest tag id first, and what was left out and why."""

    bars: tuple[BarSighting, ...]
    left_out: tuple[str, ...] = ()


@cache
def checker_corners_mm(design: BarDesign) -> Array:
    """Inner checker corners of the drawing, (N, 2), plate coordinates."""
    columns = np.arange(1, design.field_columns) * design.square_mm
    rows = np.arange(1, design.field_rows) * design.square_mm
    points = [(x0 + c, r) for x0 in design.field_x_mm for c in columns for r in rows]
    corners = np.array(points, dtype=np.float64)
    corners.flags.writeable = False
    return corners


@cache
def _corner_signs(design: BarDesign) -> NDArray[np.int8]:
    """+1 where the square to the upper right of a corner is black, -1 where it is white."""
    signs = [
        1 if (c + r) % 2 == 0 else -1
        for _ in design.field_x_mm
        for c in range(1, design.field_columns)
        for r in range(1, design.field_rows)
    ]
    return np.array(signs, dtype=np.int8)


def tag_corners_mm(design: BarDesign, index: int) -> Array:
    """Corners of the ``index``-th tag from the left, (4, 2), plate coordinates, upper left first, clockwise."""
    half = design.tag_side_mm / 2
    centre = np.array([design.tag_centre_x_mm[index], design.tag_centre_y_mm])
    return centre + half * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])


def find_bars(photo: Photo) -> BarSightings | Problem:
    """Find every bar in view.

    1. Decode tags in the reduced picture; more thoroughly and at full size where that finds no bar.
    2. Sort tags by the bar they belong to; grow from them over the checker, corner by corner.
    3. Keep a bar when enough of its corners lie as drawn.
    """
    left_out: list[str] = []
    for factor, thorough in _searches(max(photo.size_px)):
        tags = decode_tags(photo.grey, factor, thorough)
        bars, reasons = _assemble(photo.grey, tags)
        left_out.extend(reasons)
        if bars:
            return BarSightings(tuple(sorted(bars, key=lambda b: b.first_tag_id)), tuple(dict.fromkeys(left_out)))
    return _why_no_bar(photo, left_out)


def _searches(longer_px: int) -> tuple[tuple[float, bool], ...]:
    """Scale and thoroughness of each search, quickest first. One tag of a bar is enough: the rest is predicted."""
    reduced = min(1.0, 2016 / longer_px)
    if reduced == 1.0:
        return (1.0, False), (1.0, True), (min(2.0, 4032 / longer_px), True)
    return (reduced, False), (min(1.0, 2 * reduced), True)


def decode_tags(grey: NDArray[np.uint8], factor: float, thorough: bool = True) -> tuple[TagSighting, ...]:
    """Tags of family 36h11 in ``grey``, searched at ``factor`` of its size; corners in pixels of ``grey``."""
    image = grey
    if factor != 1.0:
        how = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR
        image = np.asarray(cv2.resize(grey, None, fx=factor, fy=factor, interpolation=how), dtype=np.uint8)
    corners, ids, _ = _detector(thorough).detectMarkers(image)
    # Resizing keeps the picture's outer border in place, not the centre of its first pixel.
    found = [
        TagSighting(int(i), (np.asarray(c, dtype=np.float64).reshape(4, 2) + 0.5) / factor - 0.5)
        for c, i in zip(corners, np.ravel(ids) if ids is not None else [], strict=True)
    ]
    return tuple(tag for tag in found if tag.side_px >= MIN_TAG_PX)


@cache
def _detector(thorough: bool) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    if not thorough:
        parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = 13
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.errorCorrectionRate = 0.4
    parameters.minMarkerPerimeterRate = 0.01 if thorough else 0.03
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return cv2.aruco.ArucoDetector(family, parameters)


def bar_of_tag(tag_id: int) -> tuple[BarDesign, int, int] | None:
    """Design, bar number and index from the left of a tag id; None for an id that is on no bar."""
    for design in DESIGNS:
        number, index = divmod(tag_id - design.first_tag_id, design.tag_ids_per_bar)
        if 0 <= number < design.series_count and 0 <= index < len(design.tag_centre_x_mm):
            return design, number, index
    return None


def _assemble(grey: NDArray[np.uint8], tags: Iterable[TagSighting]) -> tuple[list[BarSighting], list[str]]:
    groups: dict[tuple[str, int], list[TagSighting]] = {}
    for tag in tags:
        owner = bar_of_tag(tag.tag_id)
        if owner is not None:
            groups.setdefault((owner[0].kind.value, owner[1]), []).append(tag)
    bars: list[BarSighting] = []
    reasons: list[str] = []
    for (kind, number), group in groups.items():
        design = next(d for d in DESIGNS if d.kind.value == kind)
        copies = [b for b in (_grow(grey, design, number, c) for c in _consistent_sets(design, group)) if b]
        if len(copies) > 1:
            reasons.append(f"{kind} bar {number} is seen {len(copies)} times: two bars with one number")
        elif not copies:
            reasons.append(f"{kind} bar {number}: only {len(group)} tag(s) and too little of the checker in sight")
        elif _contradicted(copies[0], group):
            reasons.append(f"{kind} bar {number}: its tags do not lie as in the drawing; it is no print of this bar")
        else:
            bars.append(copies[0])
    return bars, reasons


def _contradicted(bar: BarSighting, tags: Iterable[TagSighting]) -> bool:
    """Whether a tag of this bar lies on its plate, but not where, or not the way, the drawing has it."""
    to_plate = np.asarray(np.linalg.inv(bar.plate_to_px), dtype=np.float64)
    for tag in tags:
        if any(tag is t for t in bar.tags):
            continue
        x, y = _apply(to_plate, tag.corners_px).mean(axis=0)
        if 0 < x < bar.design.length_mm and 0 < y < bar.design.height_mm:
            return True
    return False


def _consistent_sets(design: BarDesign, tags: Sequence[TagSighting]) -> list[list[TagSighting]]:
    """Split tags that claim one bar into sets that can lie on one plate; the largest first."""
    rest, sets = list(tags), []
    while rest:
        best = max((_supporters(design, seed, rest) for seed in rest), key=len)
        sets.append(best)
        rest = [t for t in rest if all(t is not b for b in best)]
    return sets


def _supporters(design: BarDesign, seed: TagSighting, tags: Sequence[TagSighting]) -> list[TagSighting]:
    """Tags that lie about where a plate through ``seed`` and one other tag has them."""
    best = [seed]
    for other in tags:
        if other.tag_id == seed.tag_id:
            continue
        pair = [seed, other]
        homography = _fit(*_tag_points(design, pair))
        if homography is None:
            continue
        agreeing = [t for t in tags if _off_by(design, homography, t) < 0.12 * t.side_px + 1.0]
        if len({t.tag_id for t in agreeing}) == len(agreeing) > len(best) and any(t is seed for t in agreeing):
            best = agreeing
    return best


def _off_by(design: BarDesign, homography: Array, tag: TagSighting) -> float:
    owner = bar_of_tag(tag.tag_id)
    assert owner is not None
    predicted = _apply(homography, tag_corners_mm(design, owner[2]))
    return float(np.max(np.linalg.norm(predicted - tag.corners_px, axis=1)))


def _tag_points(design: BarDesign, tags: Sequence[TagSighting]) -> tuple[Array, Array]:
    plate = [tag_corners_mm(design, owner[2]) for t in tags if (owner := bar_of_tag(t.tag_id)) is not None]
    return np.concatenate(plate), np.concatenate([t.corners_px for t in tags])


def _fit(plate_mm: Array, pixels: Array) -> Array | None:
    homography, _ = cv2.findHomography(plate_mm, pixels, 0)
    return None if homography is None else np.asarray(homography, dtype=np.float64)


def _apply(homography: Array, points: Array) -> Array:
    mapped = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:3])


def _grow(grey: NDArray[np.uint8], design: BarDesign, number: int, tags: Sequence[TagSighting]) -> BarSighting | None:
    """Follow the checker outwards from the tags; None where too little of it lies as drawn."""
    corners = checker_corners_mm(design)
    tag_mm, tag_px = _tag_points(design, tags)
    homography = _fit(tag_mm, tag_px)
    if homography is None:
        return None
    known_mm, found = tag_mm, np.zeros(len(corners), dtype=bool)
    pixels = np.zeros_like(corners)
    # From one checker field over an unread tag to the next: 150 mm on the long bar, 75 mm on the short one.
    reach_mm = 2.0 * design.tag_side_mm
    for _ in range(6):
        near = np.min(np.linalg.norm(corners[:, None] - known_mm[None], axis=2), axis=1) < reach_mm
        pixels, accepted = _refine(grey, design, homography, near)
        if accepted.sum() < 4 or np.array_equal(accepted, found):
            break
        found = accepted
        known_mm = np.concatenate([tag_mm, corners[found]])
        by_tags = found.sum() < MIN_CORNERS
        known_px = np.concatenate([tag_px, pixels[found]]) if by_tags else pixels[found]
        better = _fit(known_mm if by_tags else corners[found], known_px)
        if better is None:
            break
        homography = better
    if found.sum() < max(MIN_CORNERS, MIN_COVERAGE * len(corners)):
        return None
    return _measured(grey, design, number, tags, homography, pixels, found)


def _measured(
    grey: NDArray[np.uint8],
    design: BarDesign,
    number: int,
    tags: Sequence[TagSighting],
    homography: Array,
    pixels: Array,
    found: NDArray[np.bool_],
) -> BarSighting | None:
    """Fit each corner found with its saddle model and keep those that look like a corner."""
    along, across = _square_axes(design, homography)
    fit = fit_saddles(grey, pixels[found], along[found], across[found])
    good = (fit.step * _corner_signs(design)[found] < 0) & (fit.moved < 0.25)
    good &= fit.misfit < max(0.25, 2.0 * float(np.median(fit.misfit)))
    if good.sum() < max(MIN_CORNERS, MIN_COVERAGE * len(found)):
        return None
    blur = float(np.median(fit.sigma_px[good], axis=0).max())
    contrast = 2 * float(np.median(np.abs(fit.step[good])))
    corners = checker_corners_mm(design)[found][good]
    return BarSighting(design, number, tuple(tags), corners, fit.corners_px[good], homography, contrast, blur)


def _refine(
    grey: NDArray[np.uint8], design: BarDesign, homography: Array, wanted: NDArray[np.bool_]
) -> tuple[Array, NDArray[np.bool_]]:
    """Sub-pixel saddle points near where the drawing has them, and which of them can be believed."""
    corners = checker_corners_mm(design)
    predicted = _apply(homography, corners)
    half_px = _half_square_px(design, homography)
    height, width = grey.shape
    margin = half_px + 3
    inside = (
        (predicted[:, 0] > margin) & (predicted[:, 0] < width - 1 - margin)
        & (predicted[:, 1] > margin) & (predicted[:, 1] < height - 1 - margin)
    )  # fmt: skip
    usable = wanted & inside & (half_px >= 2.0)
    refined = predicted.copy()
    for window in np.unique(np.clip((0.9 * half_px).astype(int), 2, 9)[usable]):
        chosen = usable & (np.clip((0.9 * half_px).astype(int), 2, 9) == window)
        start = predicted[chosen].astype(np.float32).reshape(-1, 1, 2)
        size = (int(window), int(window))
        refined[chosen] = cv2.cornerSubPix(grey, start, size, (-1, -1), (3, 40, 0.002)).reshape(-1, 2)
    moved = np.linalg.norm(refined - predicted, axis=1)
    steps = _contrast(grey, design, homography, refined)
    return refined, usable & (moved < 0.8 * half_px) & (steps > _least_contrast(steps[usable]))


def _least_contrast(steps: Array) -> float:
    """A corner in shadow may have a tenth of the contrast of the best one, but never less than noise makes."""
    return max(6.0, 0.1 * float(np.max(steps, initial=0.0)))


def _half_square_px(design: BarDesign, homography: Array) -> Array:
    """Half the smaller height of a checker square in the picture at each corner, (N,)."""
    along, across = _square_axes(design, homography)
    area = np.abs(along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0])
    longer = np.maximum(np.linalg.norm(along, axis=1), np.linalg.norm(across, axis=1))
    return np.asarray(0.5 * area / np.maximum(longer, 1e-9))


def _square_axes(design: BarDesign, homography: Array) -> tuple[Array, Array]:
    corners = checker_corners_mm(design)
    half_x, half_y = np.eye(2) * design.square_mm / 2
    along = _apply(homography, corners + half_x) - _apply(homography, corners - half_x)
    across = _apply(homography, corners + half_y) - _apply(homography, corners - half_y)
    return along, across


def _contrast(grey: NDArray[np.uint8], design: BarDesign, homography: Array, pixels: Array) -> Array:
    """White less black around each corner, (N,): the darker white square against the brighter black one."""
    along, across = _square_axes(design, homography)
    offsets = [(0.3 * along + 0.3 * across), (-0.3 * along - 0.3 * across)]
    others = [(0.3 * along - 0.3 * across), (-0.3 * along + 0.3 * across)]
    first = np.stack([_sample(grey, pixels + o) for o in offsets])
    second = np.stack([_sample(grey, pixels + o) for o in others])
    upper_right_black = _corner_signs(design) > 0
    black = np.where(upper_right_black, first.max(axis=0), second.max(axis=0))
    white = np.where(upper_right_black, second.min(axis=0), first.min(axis=0))
    return np.asarray(white - black)


def _sample(grey: NDArray[np.uint8], pixels: Array) -> Array:
    x = pixels[:, 0].astype(np.float32).reshape(-1, 1)
    y = pixels[:, 1].astype(np.float32).reshape(-1, 1)
    return np.asarray(cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float64).ravel()


BLURRED_BELOW = 1.5
"""Sharpness of a picture in the direction in which it is least: 4 for perfect edges, 2 for edges blurred by two pixels
of half of 12 MP, 1.5 for three, where tags can hardly be read any more."""


def _why_no_bar(photo: Photo, left_out: Sequence[str]) -> Problem:
    """The likeliest reason, in words a crew can act on."""
    sample = photo.grey[::16, ::16]
    dark, bright = float(np.mean(sample < 16)), float(np.mean(sample > 245))
    if left_out:
        seen = "; ".join(dict.fromkeys(left_out))
        return Problem("bar-covered", f"The bar is cut off or covered ({seen}): show the whole bar, uncovered.")
    if dark > 0.8:
        return Problem("underexposed", "The photo is too dark: light the bar and the work, and take it again.")
    if bright > 0.5:
        return Problem("overexposed", "The photo is too bright: turn the lamp aside or step out of the glare.")
    if _sharpness(photo.grey) < BLURRED_BELOW:
        return Problem(
            "blurred",
            "No bar can be read and the photo is blurred: hold still, let the camera focus, and take it again.",
        )
    return Problem(
        "bar-not-found",
        "No reference bar was found: lay the bar flat beside the work, all of it in the picture and uncovered, "
        "and move closer if it looks small.",
    )


def _sharpness(grey: NDArray[np.uint8], directions: int = 8) -> float:
    """How sharp the sharpest edges are, in the direction in which they are least, at half of 12 MP.

    A step blurred by b pixels has after another Gaussian blur of s a slope in proportion to 1 / sqrt(s^2 + b^2): the
    largest slopes after s = 1 over those after s = 4, separately for each direction of the slope, since a shaken
    picture stays sharp across the shake. Noise hardly counts among the largest slopes.
    """
    factor = min(1.0, 2016 / max(grey.shape))
    small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA).astype(np.float32)
    fine, coarse = (_largest_slopes(small, sigma, directions) for sigma in (1.0, 4.0))
    return float(np.min(fine / np.maximum(coarse, 0.3), initial=np.inf, where=coarse > 0.3))


_EDGE_SHARE = 2e-4
"""Share of a picture's pixels that lie on its clearest edges of one direction."""


def _largest_slopes(image: NDArray[np.float32], sigma: float, directions: int) -> Array:
    """Slope [grey levels a pixel] that a given share of all pixels exceed, by direction of slope, (directions,)."""
    smooth = cv2.GaussianBlur(image, (0, 0), sigma)
    dx, dy = (cv2.filter2D(smooth, -1, kernel)[8:-8, 8:-8] for kernel in (_SLOPE, _SLOPE.T))
    size = cv2.magnitude(dx, dy)
    sector = np.rint(np.arctan2(dy, dx) * (directions / np.pi)).astype(np.intp) % directions
    count = max(int(_EDGE_SHARE * size.size), 10)
    groups = (size[sector == which] for which in range(directions))
    return np.array([np.partition(g, -count)[-count] if len(g) > count else 0.0 for g in groups])


_SLOPE = np.array([[-0.5, 0.0, 0.5]], dtype=np.float32)
