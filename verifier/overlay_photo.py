"""The photo in an overlay: lines, edges, measured length, angle and bars drawn over it, each with its name."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from models.measurement import PhotoResult, Quantity
from verifier.adjustment import PlacedBar
from verifier.finding import Axis, Curve, CurveRole, Finding
from verifier.measure import Examination
from verifier.overlay_canvas import (
    INK,
    POINT_PX,
    SKY,
    SMALL_PT,
    VERMILION,
    WHITE,
    WIDTH_PX,
    Array,
    Colour,
    Panel,
    Picture,
    Stroke,
    Words,
    blank_panel,
    draw_line,
    fill_polygon,
    ring,
    width_px,
)
from verifier.overlay_strip import STROKES
from verifier.overlay_words import value_text
from verifier.photo import Photo
from verifier.plane import GroundPlane

PHOTO_HEIGHT_PX = 1720
"""An upright photo is made this high at most, so that the whole fits a phone's screen or little more."""
BAR_STROKE = Stroke(WHITE, (10, 6))


MASK_SHRINK = 6
"""The map of what labels should keep clear of is this many times smaller than the photo on its panel."""


@dataclass(frozen=True, eq=False)
class _Label:
    """Words for something on the photo, with the places where they may stand, the best first."""

    text: str
    places: Sequence[Array]
    """Of the words' middle, (2,) each."""
    feet: Sequence[Array] | None
    """What each place refers to: a thin line leads there where it is far."""
    colour: Colour


@dataclass(eq=False)
class _Sheet:
    """The scaled photo on its panel, with labels that keep clear of bars, lines and each other."""

    panel: Panel
    scale: float
    """Panel pixels a photo pixel."""
    origin_px: Array
    """Panel position of the photo's upper left corner."""
    size_px: tuple[float, float]
    busy: Picture
    """Map of the panel, shrunk: 255 where something is drawn that a label should not cover."""
    labels: list[_Label] = field(default_factory=list)

    def place(self, pixels: Array) -> Array:
        """Photo pixels as panel pixels: resizing keeps the outer border in place, not the first pixel's centre."""
        return np.asarray((np.asarray(pixels) + 0.5) * self.scale - 0.5 + self.origin_px)

    def stroke(self, points_px: Array, stroke: Stroke) -> None:
        """Draw a line and keep labels off it."""
        draw_line(self.panel.picture, points_px, stroke)
        draw_line(self.busy, points_px / MASK_SHRINK, Stroke((160, 160, 160), (), 1))

    def cover(self, corners_px: Array) -> None:
        """Keep labels off a polygon."""
        fill_polygon(self.busy, corners_px / MASK_SHRINK, (255, 255, 255))

    def label(
        self, text: str, places: Sequence[Array], feet: Sequence[Array] | None = None, colour: Colour = WHITE
    ) -> None:
        """Remember ``text`` to be written at the best of some places once everything is drawn."""
        self.labels.append(_Label(text, places, feet, colour))

    def write_labels(self) -> None:
        """Write each label where it covers least; of equally good places the first."""
        for label in self.labels:
            half = np.array([width_px(label.text, SMALL_PT, bold=True) / 2 + 5, 0.62 * SMALL_PT * POINT_PX])
            inside = [i for i, place in enumerate(label.places) if self._inside(place, half)]
            if inside:
                best = min(inside, key=lambda i: (self._covered(label.places[i], half), i))
                self._write(label, best, half)

    def _write(self, label: _Label, chosen: int, half: Array) -> None:
        at = label.places[chosen]
        if label.feet is not None:
            self._lead(label.feet[chosen], at, half)
        self.cover(at + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]))
        self.panel.words.append(Words(at[0], at[1], label.text, SMALL_PT, label.colour, "mm", bold=True, halo=INK))

    def _lead(self, foot: Array, at: Array, half: Array) -> None:
        """A thin line from ``foot`` to the rim of a label at ``at``, where the gap is wide."""
        away = foot - at
        share = float(np.min(half / np.maximum(np.abs(away), 1e-9)))
        if (1 - share) * float(np.linalg.norm(away)) > 5 * POINT_PX:
            draw_line(self.panel.picture, np.array([foot, at + share * away]), Stroke(WHITE, (), 1))

    def _inside(self, at: Array, half: Array) -> bool:
        low, high = self.origin_px + half, self.origin_px + self.size_px - half
        return bool((at >= low).all() and (at <= high).all())

    def _covered(self, at: Array, half: Array) -> float:
        """Mean of the map under a label."""
        x0, y0 = np.floor((at - half) / MASK_SHRINK).astype(int)
        x1, y1 = np.ceil((at + half) / MASK_SHRINK).astype(int) + 1
        return round(float(self.busy[max(y0, 0) : y1, max(x0, 0) : x1].mean()), 1)


def draw_photo(examination: Examination) -> Panel:
    """The photo with all that was found in it."""
    assert examination.photo is not None
    sheet = _sheet(examination.photo)
    adjusted, finding, sightings = examination.adjustment, examination.finding, examination.sightings
    if adjusted is not None:
        for bar in adjusted.bars:
            _draw_bar(sheet, adjusted.plane.to_pixels(bar.outline_mm), bar.sighting.name)
            _draw_corners(sheet, bar)
    elif sightings is not None:
        for seen in sightings.bars:
            _draw_bar(sheet, seen.outline_px, seen.name)
    if adjusted is not None and finding is not None:
        _draw_finding(sheet, adjusted.plane, finding, examination.result)
    sheet.write_labels()
    return sheet.panel


def _sheet(photo: Photo) -> _Sheet:
    width, height = photo.size_px
    scale = min(WIDTH_PX / width, PHOTO_HEIGHT_PX / height)
    size = (max(round(width * scale), 1), max(round(height * scale), 1))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    panel = blank_panel(size[1], INK)
    left = (WIDTH_PX - size[0]) // 2
    panel.picture[:, left : left + size[0]] = _lit(np.asarray(cv2.resize(photo.colour, size, interpolation=how)))
    busy = np.zeros((size[1] // MASK_SHRINK + 1, WIDTH_PX // MASK_SHRINK + 1, 3), dtype=np.uint8)
    return _Sheet(panel, scale, np.array([float(left), 0.0]), (float(size[0]), float(size[1])), busy)


def _lit(picture: Picture) -> Picture:
    """A dark picture brightened so that its brighter parts show; others as they are."""
    bright = float(np.percentile(picture[::8, ::8], 97))
    if bright >= 120:
        return picture
    gamma = max(math.log(150 / 255) / math.log(max(bright, 8) / 255), 0.35)
    table = np.round(255 * (np.arange(256) / 255) ** gamma).astype(np.uint8)
    return np.asarray(cv2.LUT(picture, table), dtype=np.uint8)


def _draw_bar(sheet: _Sheet, outline_px: Array, name: str) -> None:
    corners = sheet.place(outline_px)
    draw_line(sheet.panel.picture, np.concatenate([corners, corners[:1]]), BAR_STROKE)
    sheet.cover(corners)
    middle, along, across = corners.mean(axis=0), corners[1] - corners[0], corners[3] - corners[0]
    places = [middle + share * along + side * _clear(across, name) for share in (0.0, -0.3, 0.3) for side in (1, -1)]
    sheet.label(name, [*places, middle])


def _clear(across: Array, text: str) -> Array:
    """How far from the middle of something ``across`` (2,) wide a label must stand to leave it free."""
    length = max(float(np.linalg.norm(across)), 1e-9)
    unit = across / length
    extent = abs(unit[0]) * (width_px(text, SMALL_PT, bold=True) / 2 + 5) + abs(unit[1]) * 0.62 * SMALL_PT * POINT_PX
    return np.asarray(unit * (0.5 * length + extent + 2 * POINT_PX))


def _draw_corners(sheet: _Sheet, bar: PlacedBar) -> None:
    """A small cross at every checker corner that counts, a ring at those that were left out."""
    design = bar.sighting.design
    length_px = sheet.scale * float(np.linalg.norm(bar.sighting.outline_px[1] - bar.sighting.outline_px[0]))
    arm = float(np.clip(0.2 * design.square_mm * length_px / design.length_mm, 1.0, 5.0))
    for at, kept in zip(sheet.place(bar.sighting.corners_px), bar.kept, strict=True):
        if not kept:
            ring(sheet.panel.picture, at, 7.0, VERMILION)
            continue
        for d in (np.array([arm, 0.0]), np.array([0.0, arm])):
            (x0, y0), (x1, y1) = np.round(np.array([at - d, at + d]) * 16).astype(int)
            cv2.line(sheet.panel.picture, (int(x0), int(y0)), (int(x1), int(y1)), SKY, 1, cv2.LINE_AA, 4)


def _draw_finding(sheet: _Sheet, plane: GroundPlane, finding: Finding, result: PhotoResult) -> None:
    for curve in finding.curves:
        if curve.role is not CurveRole.MEASURED_LENGTH:
            _draw_curve(sheet, plane, curve)
    _draw_measured_length(sheet, plane, finding, result)
    _draw_angle(sheet, plane, finding, result)
    for role in CurveRole:
        curves = [c for c in finding.curves if c.role is role]
        if curves and role not in _UNLABELLED:
            _label_curve(sheet, plane, curves[0], finding.axis)


_UNLABELLED = {CurveRole.MEASURED_LENGTH, CurveRole.SLOT_AXIS, CurveRole.LAYOUT_BAND}


def _draw_curve(sheet: _Sheet, plane: GroundPlane, curve: Curve) -> None:
    """What counts in the curve's own stroke, what was left out dotted."""
    pixels = sheet.place(plane.to_pixels(_dense(curve.points_mm)))
    if curve.excluded is None or len(pixels) != len(curve.excluded):
        sheet.stroke(pixels, STROKES[curve.role])
        return
    out = curve.excluded
    sheet.stroke(np.where(out[:, None], np.nan, pixels), STROKES[curve.role])
    near_out = np.convolve(out, np.ones(3), mode="same") > 0
    sheet.stroke(np.where(near_out[:, None], pixels, np.nan), Stroke(WHITE, (2, 7), 1))


def _dense(points_mm: Array) -> Array:
    """A straight line given by few points, with more between them: in the picture it may be curved."""
    if len(points_mm) > 8:
        return points_mm
    t = np.linspace(0, len(points_mm) - 1, 80)
    k = np.arange(len(points_mm))
    return np.column_stack([np.interp(t, k, points_mm[:, 0]), np.interp(t, k, points_mm[:, 1])])


def _draw_measured_length(sheet: _Sheet, plane: GroundPlane, finding: Finding, result: PhotoResult) -> None:
    """End lines across what was measured, and its length."""
    curve = next((c for c in finding.curves if c.role is CurveRole.MEASURED_LENGTH), None)
    if curve is None or finding.axis is None:
        return
    reach = _reach_mm(finding)
    for end in curve.points_mm[[0, -1]]:
        line = end + np.linspace(-reach, reach, 20)[:, None] * finding.axis.normal
        sheet.stroke(sheet.place(plane.to_pixels(line)), STROKES[CurveRole.MEASURED_LENGTH])
    length = next((m for m in result.measurements if m.estimate.quantity is Quantity.MEASURED_LENGTH), None)
    if length is not None:
        text = f"measured {length.estimate.value:.0f} mm"
        sheet.label(text, *_beyond_ends(sheet, plane, curve, reach * finding.axis.normal, text))


def _beyond_ends(
    sheet: _Sheet, plane: GroundPlane, curve: Curve, half_line_mm: Array, text: str
) -> tuple[list[Array], list[Array]]:
    """Places for a label off the tips of the lines across a curve's ends, near ones first, and those tips."""
    places, feet = [], []
    for times in (1.0, 1.6, 2.5):
        for end in curve.points_mm[[-1, 0]]:
            for side in (1, -1):
                middle, tip = sheet.place(plane.to_pixels(np.array([end, end + side * half_line_mm])))
                outward = (tip - middle) / max(float(np.linalg.norm(tip - middle)), 1e-9)
                places.append(tip + times * _clear(outward, text))
                feet.append(tip)
    return places, feet


def _reach_mm(finding: Finding) -> float:
    """Offset of the outermost curve along the axis, with some to spare."""
    assert finding.axis is not None
    beside = [c for c in finding.curves if c.role not in (CurveRole.LANE_LINE, CurveRole.MEASURED_LENGTH)]
    offsets = [float(np.nanmax(np.abs(finding.axis.from_plane(c.points_mm)[:, 1]))) for c in beside]
    return max(offsets, default=40.0) + 15.0


def _label_curve(sheet: _Sheet, plane: GroundPlane, curve: Curve, axis: Axis | None) -> None:
    """The curve's name beside it, at one of several places along it, on the side away from the axis first."""
    pixels = sheet.place(plane.to_pixels(_dense(curve.points_mm)))
    pixels = pixels[np.isfinite(pixels).all(axis=1)]
    low, high = sheet.origin_px, sheet.origin_px + sheet.size_px
    pixels = pixels[((pixels > low) & (pixels < high)).all(axis=1)]
    if len(pixels) < 2:
        return
    outward = _outward(plane, curve, axis)
    places, feet = [], []
    # A name with a side in it must not stand on the other side.
    steps = (1.0, 1.5, 2.2, 3.2, 4.5) if curve.role.value.endswith(("left", "right")) else (1.0, 1.6, -1.0, -1.6)
    for step in steps:
        for share in (0.5, 0.3, 0.7, 0.4, 0.6, 0.15, 0.85):
            k = min(int(share * len(pixels)), len(pixels) - 2)
            along = pixels[min(k + 3, len(pixels) - 1)] - pixels[max(k - 3, 0)]
            across = np.array([-along[1], along[0]]) / max(float(np.linalg.norm(along)), 1e-9)
            across = -across if across @ outward < 0 else across
            places.append(pixels[k] + step * _clear(across, curve.role.value))
            feet.append(pixels[k])
    sheet.label(curve.role.value, places, feet, _pale(STROKES[curve.role].colour))


def _pale(colour: Colour) -> Colour:
    """Half way to white, so that words in it can be read on dark ground."""
    return (colour[0] + 255) // 2, (colour[1] + 255) // 2, (colour[2] + 255) // 2


def _outward(plane: GroundPlane, curve: Curve, axis: Axis | None) -> Array:
    """Direction in the picture (2,) from the axis to the curve."""
    middle = curve.points_mm[len(curve.points_mm) // 2]
    if axis is None:
        return np.array([0.0, -1.0])
    offset = axis.from_plane(middle[None])[0, 1]
    step = plane.to_pixels(np.array([middle, middle + axis.normal]))
    return np.asarray((step[1] - step[0]) * (1.0 if offset >= 0 else -1.0))


def _draw_angle(sheet: _Sheet, plane: GroundPlane, finding: Finding, result: PhotoResult) -> None:
    """The measured angle as an arc from the lane line to the axis, with its value, where they cross in sight."""
    angle = next((m for m in result.measurements if m.estimate.quantity.value.endswith("_angle")), None)
    lane = next((c for c in finding.curves if c.role is CurveRole.LANE_LINE), None)
    if angle is None or lane is None or finding.axis is None:
        return
    along = lane.points_mm[-1] - lane.points_mm[0]
    length = float(np.linalg.norm(along))
    crossing = _crossing(lane.points_mm[0], along / length, finding.axis)
    if crossing is None:
        return
    middle = np.mean([c.points_mm.mean(axis=0) for c in finding.curves if c.role is not CurveRole.LANE_LINE], axis=0)
    start = math.atan2(along[1], along[0])
    turn = math.radians(angle.estimate.value)
    # Of the four arcs at the crossing, the one that runs counter-clockwise from the lane line to the side of the work.
    towards = math.atan2(*(middle - crossing)[::-1])
    start += math.pi * (math.cos(start + turn - towards) < 0)
    radius = min(0.25 * length, 260.0)
    arc = crossing + radius * np.column_stack([np.cos(start + np.linspace(0, turn, 60)),
                                               np.sin(start + np.linspace(0, turn, 60))])  # fmt: skip
    sheet.stroke(sheet.place(plane.to_pixels(arc)), Stroke(WHITE))
    places = crossing + (arc[30] - crossing) * np.array([[1.5], [1.9], [1.2], [2.4], [-0.8], [-1.4]])
    sheet.label(value_text(angle), list(sheet.place(plane.to_pixels(places))))


def _crossing(point_mm: Array, direction: Array, axis: Axis) -> Array | None:
    matrix = np.column_stack([direction, -axis.direction])
    if abs(np.linalg.det(matrix)) < 1e-3:
        return None
    t = np.linalg.solve(matrix, axis.origin_mm - point_mm)[0]
    return np.asarray(point_mm + t * direction)
