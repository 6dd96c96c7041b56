"""The overlay: one picture of a photo's measurement that a person can judge in five seconds, on a phone too.

From top to bottom: the verdict; the photo with lines, edges, measured length and bars drawn over it; the pavement along
the line or slot from above, with each edge's departure from straight enlarged; the numbers. An unusable photo
shows why in large type, and what was found of its bars.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from models.measurement import Limits, Measurement, PhotoKind, PhotoResult, Quantity, Verdict
from verifier.adjustment import PlacedBar
from verifier.finding import Axis, Curve, CurveRole, Finding
from verifier.measure import Examination
from verifier.overlay_canvas import (
    BLUE,
    BODY_PT,
    GREEN,
    GREY,
    HUGE_PT,
    INK,
    LARGE_PT,
    MARGIN_PX,
    ORANGE,
    PALE,
    POINT_PX,
    SKY,
    SMALL_PT,
    VERMILION,
    WHITE,
    WIDTH_PX,
    YELLOW,
    Array,
    Colour,
    Panel,
    Picture,
    Stroke,
    Words,
    blank_panel,
    draw_line,
    draw_sign,
    fill_polygon,
    stack,
    width_px,
    wrapped,
)
from verifier.overlay_strip import STROKES, draw_strip
from verifier.photo import Photo
from verifier.plane import GroundPlane

PHOTO_HEIGHT_PX = 1720
"""An upright photo is made this high at most, so that the whole fits a phone's screen or little more."""
JPEG_QUALITY = 88
BAR_STROKE = Stroke(WHITE, (10, 6))


@dataclass(frozen=True)
class _Look:
    """How an outcome is shown: its word, the sign beside it, and its colour."""

    word: str
    sign: str
    colour: Colour


LOOKS = {
    Verdict.CONFORMING: _Look("CONFORMING", "check", GREEN),
    Verdict.NONCONFORMING: _Look("NONCONFORMING", "cross", VERMILION),
    Verdict.INCONCLUSIVE: _Look("INCONCLUSIVE", "query", ORANGE),
}
MEASURED = _Look("MEASURED", "dot", BLUE)
UNUSABLE = _Look("UNUSABLE", "bar", GREY)
_GRAVITY = (Verdict.NONCONFORMING, Verdict.INCONCLUSIVE, Verdict.CONFORMING)
"""The worst verdict of a photo heads its overlay."""

_MAIN = {
    PhotoKind.LAYOUT: (Quantity.LAYOUT_ANGLE,),
    PhotoKind.SLOT: (Quantity.CUT_ANGLE, Quantity.SLOT_WIDTH),
    PhotoKind.SURFACE: (Quantity.RIDGE_WIDTH, Quantity.SENSOR_WIDTH),
}
"""The quantities that head the overlay of a photo without verdicts."""


def draw_overlay(examination: Examination) -> bytes:
    """The overlay of one photo as a JPEG, 1560 px wide.

    Args:
        examination: the photo's result with what it was worked out from; steps that were not reached may be missing.
    """
    panels = [_headline(examination.result)]
    if examination.photo is not None:
        panels.append(_photo_panel(examination))
        panels += _strips(examination)
    if examination.result.usable:
        panels.append(_numbers(examination.result))
    panels.append(_footer(examination))
    ok, jpeg = cv2.imencode(".jpg", stack(panels), [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    assert ok, "a picture in memory can be written as a JPEG"
    return jpeg.tobytes()


def rounded(value: float, expanded_uncertainty: float) -> tuple[str, str]:
    """Value and U as people write them: U with two significant digits, the value alike (JCGM 100, 7.2.6)."""
    if not (math.isfinite(expanded_uncertainty) and expanded_uncertainty > 0):
        return f"{value:g}", f"{expanded_uncertainty:g}"
    places = max(1 - math.floor(math.log10(float(f"{expanded_uncertainty:.1e}"))), 0)
    return f"{value:.{places}f}", f"{expanded_uncertainty:.{places}f}"


def _spoken(quantity: Quantity) -> str:
    return quantity.value.replace("_", " ").capitalize()


def _value(measurement: Measurement) -> str:
    estimate = measurement.estimate
    value, uncertainty = rounded(estimate.value, estimate.expanded_uncertainty)
    unit = "°" if estimate.quantity.unit == "deg" else f" {estimate.quantity.unit}"
    return f"{value} ± {uncertainty}{unit}"


def _limits(limits: Limits, unit: str) -> str:
    unit = "°" if unit == "deg" else f" {unit}"
    if limits.lower is None:
        return "" if limits.upper is None else f"at most {limits.upper:g}{unit}"
    return f"at least {limits.lower:g}{unit}" if limits.upper is None else f"{limits.lower:g} to {limits.upper:g}{unit}"


# --- the verdict -------------------------------------------------------------------------------------------------


def _look(result: PhotoResult) -> _Look:
    if not result.usable:
        return UNUSABLE
    found = {m.judgement.verdict for m in result.measurements if m.judgement is not None}
    return next((LOOKS[v] for v in _GRAVITY if v in found), MEASURED)


def _headline(result: PhotoResult) -> Panel:
    """The verdict's sign and word, and what it rests on; of an unusable photo the reasons."""
    look = _look(result)
    lines = list(_headlines(result))
    panel = blank_panel(52 * POINT_PX + 22 * POINT_PX * len(lines) + 8 * POINT_PX, INK)
    draw_sign(panel.picture, look.sign, (MARGIN_PX + 15 * POINT_PX, 27 * POINT_PX), 15 * POINT_PX, look.colour)
    panel.words.append(
        Words(MARGIN_PX + 38 * POINT_PX, 27 * POINT_PX, look.word, HUGE_PT, WHITE, anchor="lm", bold=True)
    )
    for i, line in enumerate(lines):
        panel.words.append(Words(MARGIN_PX, (52 + 22 * i) * POINT_PX, line, LARGE_PT, WHITE))
    panel.picture[: round(3 * POINT_PX)] = look.colour
    return panel


def _headlines(result: PhotoResult) -> Iterator[str]:
    room = WIDTH_PX - 2 * MARGIN_PX
    if not result.usable:
        for problem in result.problems:
            yield from wrapped(problem.message, LARGE_PT, room)
        return
    for measurement in _heading_measurements(result):
        estimate, judgement = measurement.estimate, measurement.judgement
        allowed = "" if judgement is None else _limits(judgement.limits, estimate.quantity.unit)
        text = f"{_spoken(estimate.quantity)} {_value(measurement)}" + (f" ({allowed})" if allowed else "")
        yield from wrapped(text, LARGE_PT, room)


def _heading_measurements(result: PhotoResult) -> list[Measurement]:
    """What the headline's verdict rests on, at most two; without verdicts the photo's main quantities."""
    judged = [m for m in result.measurements if m.judgement is not None]
    main = [m for m in result.measurements if m.estimate.quantity in _MAIN[result.kind]]
    worst = next((v for v in _GRAVITY if any(m.judgement and m.judgement.verdict is v for m in judged)), None)
    if worst is None:
        return main[:2]
    grave = [m for m in judged if m.judgement and m.judgement.verdict is worst]
    return sorted(grave, key=lambda m: m.estimate.quantity not in _MAIN[result.kind])[:2]


# --- the photo ---------------------------------------------------------------------------------------------------


MASK_SHRINK = 6
"""The map of what labels should keep clear of is this many times smaller than the photo on its panel."""


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
    labels: list[tuple[str, Sequence[Array], Colour]] = field(default_factory=list)

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

    def label(self, text: str, candidates: Sequence[Array], colour: Colour = WHITE) -> None:
        """Remember ``text`` to be written at the best of some places (2,) once everything is drawn."""
        self.labels.append((text, candidates, colour))

    def write_labels(self) -> None:
        """Write each label where it covers least; the earlier of equally good places is taken."""
        for text, candidates, colour in self.labels:
            half = np.array([width_px(text, SMALL_PT, bold=True) / 2 + 5, 0.62 * SMALL_PT * POINT_PX])
            inside = [c for c in candidates if self._inside(c, half)]
            if not inside:
                continue
            at = min(inside, key=lambda c: self._covered(c, half))
            box = at + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
            self.cover(box)
            self.panel.words.append(Words(at[0], at[1], text, SMALL_PT, colour, "mm", bold=True, halo=INK))

    def _inside(self, at: Array, half: Array) -> bool:
        low, high = self.origin_px + half, self.origin_px + self.size_px - half
        return bool((at >= low).all() and (at <= high).all())

    def _covered(self, at: Array, half: Array) -> float:
        """Mean of the map under a label."""
        x0, y0 = np.floor((at - half) / MASK_SHRINK).astype(int)
        x1, y1 = np.ceil((at + half) / MASK_SHRINK).astype(int) + 1
        return round(float(self.busy[max(y0, 0) : y1, max(x0, 0) : x1].mean()), 1)


def _photo_panel(examination: Examination) -> Panel:
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
    for at, kept in zip(sheet.place(bar.sighting.corners_px), bar.kept, strict=True):
        if kept:
            for d in (np.array([4.0, 0.0]), np.array([0.0, 4.0])):
                ends = [tuple(int(v) for v in np.round((at + k * d) * 16)) for k in (-1, 1)]
                cv2.line(sheet.panel.picture, ends[0], ends[1], SKY, 2, cv2.LINE_AA, 4)
        else:
            centre = tuple(int(v) for v in np.round(at * 16))
            cv2.circle(sheet.panel.picture, centre, 7 * 16, VERMILION, 2, cv2.LINE_AA, 4)


def _draw_finding(sheet: _Sheet, plane: GroundPlane, finding: Finding, result: PhotoResult) -> None:
    for curve in finding.curves:
        if curve.role is not CurveRole.MEASURED_LENGTH and len(curve.points_mm) > 1:
            _draw_curve(sheet, plane, curve)
    _draw_measured_length(sheet, plane, finding, result)
    _draw_angle(sheet, plane, finding, result)
    for role in CurveRole:
        curves = [c for c in finding.curves if c.role is role and len(c.points_mm) > 1]
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
    curve = next((c for c in finding.curves if c.role is CurveRole.MEASURED_LENGTH and len(c.points_mm) > 1), None)
    if curve is None or finding.axis is None:
        return
    reach = _reach_mm(finding)
    for end in curve.points_mm[[0, -1]]:
        line = end + np.linspace(-reach, reach, 20)[:, None] * finding.axis.normal
        sheet.stroke(sheet.place(plane.to_pixels(line)), STROKES[CurveRole.MEASURED_LENGTH])
    length = next((m for m in result.measurements if m.estimate.quantity is Quantity.MEASURED_LENGTH), None)
    if length is not None:
        ends = [e + k * reach * finding.axis.normal for e in curve.points_mm[[-1, 0]] for k in (1.3, -1.3, 2.5, -2.5)]
        sheet.label(f"measured {length.estimate.value:.0f} mm", list(sheet.place(plane.to_pixels(np.array(ends)))))


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
    candidates = []
    for share in (0.5, 0.3, 0.7, 0.4, 0.6, 0.15, 0.85):
        k = min(int(share * len(pixels)), len(pixels) - 2)
        along = pixels[min(k + 3, len(pixels) - 1)] - pixels[max(k - 3, 0)]
        across = np.array([-along[1], along[0]]) / max(float(np.linalg.norm(along)), 1e-9)
        across = -across if across @ outward < 0 else across
        step = _clear(across, curve.role.value)
        candidates += [pixels[k] + step, pixels[k] + 1.6 * step, pixels[k] - step]
    sheet.label(curve.role.value, candidates, STROKES[curve.role].colour)


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
    lane = next((c for c in finding.curves if c.role is CurveRole.LANE_LINE and len(c.points_mm) > 1), None)
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
    sheet.label(_value(angle), list(sheet.place(plane.to_pixels(places))))


def _crossing(point_mm: Array, direction: Array, axis: Axis) -> Array | None:
    matrix = np.column_stack([direction, -axis.direction])
    if abs(np.linalg.det(matrix)) < 1e-3:
        return None
    t = np.linalg.solve(matrix, axis.origin_mm - point_mm)[0]
    return np.asarray(point_mm + t * direction)


# --- from above --------------------------------------------------------------------------------------------------


def _strips(examination: Examination) -> list[Panel]:
    """Strips along the line, slot or sensor and along the lane line."""
    photo, adjusted, finding = examination.photo, examination.adjustment, examination.finding
    if photo is None or adjusted is None or finding is None or finding.axis is None or not finding.curves:
        return []
    panels = []
    own = [c for c in finding.curves if c.role is not CurveRole.LANE_LINE]
    if any(c.role is not CurveRole.MEASURED_LENGTH for c in own):
        title = {PhotoKind.LAYOUT: "Layout line", PhotoKind.SLOT: "Slot", PhotoKind.SURFACE: "Sensor and grout"}
        zone = _straightness_limit(examination.result)
        panels.append(draw_strip(photo, adjusted.plane, finding.axis, own, title[examination.result.kind], zone))
    for lane in (c for c in finding.curves if c.role is CurveRole.LANE_LINE and len(c.points_mm) > 1):
        along = lane.points_mm[-1] - lane.points_mm[0]
        axis = Axis(lane.points_mm[0], along / float(np.linalg.norm(along)))
        panels.append(draw_strip(photo, adjusted.plane, axis, [lane], "Lane line", beside_mm=90.0))
    return panels


def _straightness_limit(result: PhotoResult) -> float | None:
    """The upper limit of straightness that the plan sets, if it was judged."""
    limits = [
        m.judgement.limits.upper
        for m in result.measurements
        if m.judgement is not None and m.estimate.quantity.value.endswith("straightness")
    ]
    return next((v for v in limits if v is not None), None)


# --- the numbers -------------------------------------------------------------------------------------------------


def _numbers(result: PhotoResult) -> Panel:
    """Judged quantities with their verdicts first, the others small below, then what could not be told."""
    judged = [m for m in result.measurements if m.judgement is not None]
    others = [m for m in result.measurements if m.judgement is None]
    reasons = [line for p in result.problems for line in wrapped(p.message, BODY_PT, WIDTH_PX - 2 * MARGIN_PX)]
    height = 8 + 44 * len(judged) + 19 * len(others) + (6 + 18 * len(reasons) if reasons else 0) + 4
    panel = blank_panel(height * POINT_PX)
    y = 8 * POINT_PX
    for measurement in judged:
        _judged_row(panel, measurement, y)
        y += 44 * POINT_PX
    for measurement in others:
        _plain_row(panel, measurement, y)
        y += 19 * POINT_PX
    for i, line in enumerate(reasons):
        panel.words.append(Words(MARGIN_PX, y + (6 + 18 * i) * POINT_PX, line, BODY_PT, VERMILION))
    return panel


def _judged_row(panel: Panel, measurement: Measurement, y_px: float) -> None:
    """Sign, quantity and value; below them the verdict, the limits and the probability of conformance."""
    judgement, estimate = measurement.judgement, measurement.estimate
    assert judgement is not None
    look = LOOKS[judgement.verdict]
    draw_sign(panel.picture, look.sign, (MARGIN_PX + 11 * POINT_PX, y_px + 18 * POINT_PX), 11 * POINT_PX, look.colour)
    left, right = MARGIN_PX + 28 * POINT_PX, WIDTH_PX - MARGIN_PX
    panel.words += [
        Words(left, y_px, _spoken(estimate.quantity), BODY_PT, bold=True),
        Words(right, y_px, _value(measurement), BODY_PT, anchor="ra", bold=True),
        Words(left, y_px + 20 * POINT_PX, look.word.lower(), SMALL_PT, bold=True),
    ]
    allowed = _limits(judgement.limits, estimate.quantity.unit)
    chance = f"P(conforms) {_percent(judgement.probability_of_conformance)}"
    panel.words.append(
        Words(right, y_px + 20 * POINT_PX, f"{allowed} · {chance}" if allowed else chance, SMALL_PT, anchor="ra")
    )
    _rule(panel, y_px + 39 * POINT_PX)


def _percent(probability: float) -> str:
    """In whole and tenths of a percent; nothing is certain."""
    if probability < 0.0005 or probability > 0.9995:
        return "< 0.1 %" if probability < 0.5 else "> 99.9 %"
    return f"{100 * probability:.1f} %"


def _plain_row(panel: Panel, measurement: Measurement, y_px: float) -> None:
    panel.words += [
        Words(MARGIN_PX, y_px, _spoken(measurement.estimate.quantity), SMALL_PT),
        Words(WIDTH_PX - MARGIN_PX, y_px, _value(measurement), SMALL_PT, anchor="ra"),
    ]


def _rule(panel: Panel, y_px: float) -> None:
    y = min(round(y_px), panel.height_px - 1)
    panel.picture[y : y + 2, MARGIN_PX : WIDTH_PX - MARGIN_PX] = PALE


def _footer(examination: Examination) -> Panel:
    """Which photo this is of, and how uncertainty is stated."""
    result = examination.result
    panel = blank_panel(42 * POINT_PX, PALE)
    name = result.photo.replace("\\", "/").rsplit("/", 1)[-1]
    while len(name) > 8 and width_px(f"{result.kind.value} photo {name}", SMALL_PT) > WIDTH_PX - 2 * MARGIN_PX:
        name = f"...{name[8:]}" if name.startswith("...") else f"...{name[5:]}"
    panel.words += [
        Words(MARGIN_PX, 5 * POINT_PX, f"{result.kind.value} photo {name}", SMALL_PT),
        Words(MARGIN_PX, 22 * POINT_PX, f"SHA-256 {result.sha256[:16]} · ± is U, k = 2 (95 %)", SMALL_PT, GREY),
    ]
    return panel
