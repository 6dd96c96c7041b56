"""What others would get from the same photos: a general-purpose recipe, and a careful person with a mouse.

Recipe: as in any tutorial. Tags by ``cv2.aruco`` with sub-pixel refinement on the full picture, one homography from
the tag corners of the bar with most tags, Canny and the probabilistic Hough transform on a picture of 1600 px, segments
carried to the bar's plane, the longest segments taken. It is helped where a tutorial leaves one alone: segments on the
bars are left out, a slot is looked for between 30 and 130 mm, and of two lines the one that suits the truth better is
taken for the lane line.

Person: the same homography; two clicks on each line near its ends, or five pairs across the slot or the sensor, each
click 2 px (standard deviation, in x and in y) off the true point in the picture.

Neither knows lens distortion, nor that the bar's face lies above the pavement.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.scenes import Scene, Side, lane_edge, layout_sides, sensor_sides, slot_sides
from verifier.bars import bar_of_tag, tag_corners_mm

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

CLICK_PX = 2.0
HOUGH_SIDE_PX = 1600
ACROSS_MM = (30.0, 130.0)
PAIRS = 5


def tag_homography(grey: Grey) -> Array | None:
    """Pixels to plate millimetres from all tags of the bar that shows most of them, (3, 3)."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(family, parameters).detectMarkers(grey)
    bars: dict[tuple[str, int], tuple[list[Array], list[Array]]] = {}
    for pixels, tag_id in zip(corners, np.ravel(ids) if ids is not None else [], strict=True):
        owner = bar_of_tag(int(tag_id))
        if owner is not None:
            plate, seen = bars.setdefault((owner[0].kind.value, owner[1]), ([], []))
            plate.append(tag_corners_mm(owner[0], owner[2]))
            seen.append(np.asarray(pixels, dtype=np.float64).reshape(4, 2))
    if not bars:
        return None
    plate, seen = max(bars.values(), key=lambda b: len(b[0]))
    homography, _ = cv2.findHomography(np.concatenate(seen), np.concatenate(plate), cv2.RANSAC, 3.0)
    return None if homography is None else np.asarray(homography, dtype=np.float64)


def carried(homography: Array, pixels: Array) -> Array:
    """Points (N, 2) through a homography."""
    points = np.asarray(pixels, dtype=np.float64).reshape(-1, 1, 2)
    return np.asarray(cv2.perspectiveTransform(points, homography), dtype=np.float64)[:, 0]


def turn_deg(first: Array, second: Array) -> float:
    """Angle from one direction to another, anticlockwise, in [0, 180)."""
    cross, dot = first[0] * second[1] - first[1] * second[0], first @ second
    return float(np.degrees(np.arctan2(cross, dot)) % 180.0)


def angle_error(value: float, truth: float) -> float:
    """Difference of two angles of lines, in [-90, 90)."""
    return (value - truth + 90.0) % 180.0 - 90.0


# --- recipe


def recipe(scene: Scene, grey: Grey, homography: Array | None) -> dict[str, float]:
    """What the recipe finds: row of the report to value; a row that is not there was not found."""
    if homography is None:
        return {}
    segments = _segments_mm(grey, homography)
    found: dict[str, float | None] = {}
    if scene.kind in {"layout", "cut"}:
        name = "layout_angle" if scene.kind == "layout" else "cut_angle"
        found[name] = _recipe_angle(segments, scene.facts.get(name))
    if scene.kind in {"slot", "cut"}:
        found[scene.row("slot_width")] = _recipe_width(segments)
    if scene.kind == "surface":
        found["sensor_width"] = _recipe_width(segments)
    return {row: value for row, value in found.items() if value is not None}


def _segments_mm(grey: Grey, homography: Array) -> Array:
    """Hough segments in the bar's plane, (N, 2, 2), longest first, those on the bar left out."""
    scale = HOUGH_SIDE_PX / max(grey.shape)
    small = cv2.GaussianBlur(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), (5, 5), 0)
    edges = cv2.Canny(small, 50, 150)
    lines = cv2.HoughLinesP(edges, 1, np.pi / 360, 100, minLineLength=HOUGH_SIDE_PX // 10, maxLineGap=20)
    if lines is None:
        return np.zeros((0, 2, 2))
    pixels = (np.asarray(lines, dtype=np.float64).reshape(-1, 2) + 0.5) / scale - 0.5
    plate = carried(homography, pixels).reshape(-1, 2, 2)
    middle = plate.mean(axis=1)
    on_bar = (middle[:, 0] > -20) & (middle[:, 0] < 1020) & (middle[:, 1] > -10) & (middle[:, 1] < 110)
    order = np.argsort(-_lengths(plate))
    return np.asarray(plate[order][~on_bar[order] & (_lengths(plate)[order] < 20_000)])


def _lengths(segments: Array) -> Array:
    return np.asarray(np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1))


def _recipe_angle(segments: Array, truth: float | None) -> float | None:
    """Longest segment, and the longest of those that cross it steeply."""
    if len(segments) == 0 or truth is None:
        return None
    directions = segments[:, 1] - segments[:, 0]
    steep = [d for d in directions if 60 < turn_deg(directions[0], d) < 120]
    if not steep:
        return None
    angles = turn_deg(directions[0], steep[0]), turn_deg(steep[0], directions[0])
    return min(angles, key=lambda a: abs(angle_error(a, truth)))


def _recipe_width(segments: Array) -> float | None:
    """Distance of the two longest parallel segments that lie side by side at a slot's distance."""
    best: tuple[float, float] | None = None
    lengths = _lengths(segments)
    for i, first in enumerate(segments[:60]):
        along = (first[1] - first[0]) / lengths[i]
        for j in range(i + 1, min(len(segments), 60)):
            width = _distance(first, along, segments[j])
            both = lengths[i] + lengths[j]
            if width is not None and (best is None or both > best[0]):
                best = both, width
    return None if best is None else best[1]


def _distance(first: Array, along: Array, second: Array) -> float | None:
    """Of two nearly parallel segments that overlap; None where they are no pair."""
    if 2.0 < turn_deg(along, second[1] - second[0]) < 178.0:
        return None
    away = second - first[0]
    s, n = away @ along, away @ np.array([-along[1], along[0]])
    overlaps = s.max() > 0 and s.min() < np.linalg.norm(first[1] - first[0])
    width = abs(float(n.mean()))
    return width if overlaps and ACROSS_MM[0] <= width <= ACROSS_MM[1] else None


# --- person


def person(scene: Scene, homography: Array | None) -> dict[str, float]:
    """What a careful person gets: row of the report to value."""
    if homography is None:
        return {}
    rng = np.random.default_rng(zlib.crc32(scene.photo.name.encode()))

    def click(world_mm: Array) -> Array:
        pixels = scene.camera.to_pixels(world_mm)
        return carried(homography, pixels + rng.normal(0.0, CLICK_PX, pixels.shape))

    found: dict[str, float] = {}
    lane, layout, slot = lane_edge(scene), layout_sides(scene), slot_sides(scene, whole=True)
    if scene.kind == "layout" and lane is not None and layout is not None:
        found["layout_angle"] = turn_deg(_direction(click, [lane]), _direction(click, layout))
    if scene.kind == "cut" and lane is not None and slot is not None:
        found["cut_angle"] = turn_deg(_direction(click, [lane]), _direction(click, slot))
    across = sensor_sides(scene) if scene.kind == "surface" else slot_sides(scene)
    if across is not None and scene.kind != "layout":
        row = "sensor_width" if scene.kind == "surface" else scene.row("slot_width")
        found[row] = _pairs_apart(click, across)
    return found


def _direction(click: object, sides: Sequence[Side]) -> Array:
    """Two clicks a line, 3 % in from its ends; the axis of a band is clicked in its middle."""
    assert callable(click)
    ends = np.mean([side.at(np.array([0.03, 0.97])) for side in sides], axis=0)
    clicked = click(ends)
    return np.asarray(clicked[1] - clicked[0])


def _pairs_apart(click: object, sides: tuple[Side, Side]) -> float:
    """Mean distance of five pairs square to the line fitted through all ten clicks."""
    assert callable(click)
    shares = np.linspace(0.1, 0.9, PAIRS)
    left, right = (click(side.at(shares)) for side in sides)
    middle = 0.5 * (left + right)
    along = np.linalg.svd(middle - middle.mean(axis=0))[2][0]
    return float(np.mean(np.abs((left - right) @ np.array([-along[1], along[0]]))))
