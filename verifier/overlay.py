"""The overlay: one picture of a photo's measurement that a person can judge in five seconds, on a phone too.

From top to bottom: the verdict; the photo with lines, edges, measured length and bars drawn over it; the pavement along
the line or slot from above, with each edge's departure from straight enlarged; the numbers. An unusable photo
shows why in large type, and what was found of its bars.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from models.measurement import Measurement, PhotoKind, PhotoResult, Quantity, Verdict
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
    SMALL_PT,
    VERMILION,
    WHITE,
    WIDTH_PX,
    Colour,
    Panel,
    Words,
    blank_panel,
    draw_sign,
    stack,
    width_px,
    wrapped,
)
from verifier.overlay_photo import draw_photo
from verifier.overlay_strip import draw_strip
from verifier.overlay_words import limits_text, spoken, value_text

JPEG_QUALITY = 88
SHORTEST_CURVE_MM = 1.0
"""What is shorter is not drawn."""


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
    ok, jpeg = cv2.imencode(".jpg", stack(compose(examination)), [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    assert ok, "a picture in memory can be written as a JPEG"
    return jpeg.tobytes()


def compose(examination: Examination) -> list[Panel]:
    """The overlay's panels from top to bottom, their words not yet set."""
    panels = [_headline(examination.result)]
    if examination.photo is not None:
        drawable = replace(examination, finding=_drawable(examination.finding))
        panels.append(draw_photo(drawable))
        panels += _strips(drawable)
    if examination.result.usable:
        panels.append(_numbers(examination.result))
    panels.append(_footer(examination))
    return panels


def _drawable(finding: Finding | None) -> Finding | None:
    """The finding without points that are no numbers and without curves that have no length."""
    if finding is None:
        return None
    curves = [_finite(c) for c in finding.curves]
    long = [c for c in curves if len(c.points_mm) > 1 and np.ptp(c.points_mm, axis=0).max() > SHORTEST_CURVE_MM]
    return replace(finding, curves=tuple(long))


def _finite(curve: Curve) -> Curve:
    good = np.isfinite(curve.points_mm).all(axis=1)
    if good.all():
        return curve
    return replace(
        curve, points_mm=curve.points_mm[good], excluded=None if curve.excluded is None else curve.excluded[good]
    )


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
            yield from wrapped(_sentence(problem.message), LARGE_PT, room)
        return
    for measurement in _heading_measurements(result):
        estimate, judgement = measurement.estimate, measurement.judgement
        allowed = "" if judgement is None else limits_text(judgement.limits, estimate.quantity.unit)
        text = f"{spoken(estimate.quantity)} {value_text(measurement)}" + (f" ({allowed})" if allowed else "")
        yield from wrapped(text, LARGE_PT, room)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _heading_measurements(result: PhotoResult) -> list[Measurement]:
    """What the headline's verdict rests on, at most two; without verdicts the photo's main quantities."""
    judged = [m for m in result.measurements if m.judgement is not None]
    main = [m for m in result.measurements if m.estimate.quantity in _MAIN[result.kind]]
    worst = next((v for v in _GRAVITY if any(m.judgement and m.judgement.verdict is v for m in judged)), None)
    if worst is None:
        return main[:2]
    grave = [m for m in judged if m.judgement and m.judgement.verdict is worst]
    return sorted(grave, key=lambda m: m.estimate.quantity not in _MAIN[result.kind])[:2]


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
    for lane in (c for c in finding.curves if c.role is CurveRole.LANE_LINE):
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


def _numbers(result: PhotoResult) -> Panel:
    """Judged quantities with their verdicts first, the others small below, then what could not be told."""
    judged = [m for m in result.measurements if m.judgement is not None]
    others = [m for m in result.measurements if m.judgement is None]
    reasons = [
        line for p in result.problems for line in wrapped(f"Note: {p.message}", BODY_PT, WIDTH_PX - 2 * MARGIN_PX)
    ]
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
        panel.words.append(Words(MARGIN_PX, y + (6 + 18 * i) * POINT_PX, line, BODY_PT))
    return panel


def _judged_row(panel: Panel, measurement: Measurement, y_px: float) -> None:
    """Sign, quantity and value; below them the verdict, the limits and the probability of conformance."""
    judgement, estimate = measurement.judgement, measurement.estimate
    assert judgement is not None
    look = LOOKS[judgement.verdict]
    draw_sign(panel.picture, look.sign, (MARGIN_PX + 11 * POINT_PX, y_px + 18 * POINT_PX), 11 * POINT_PX, look.colour)
    left, right = MARGIN_PX + 28 * POINT_PX, WIDTH_PX - MARGIN_PX
    panel.words += [
        Words(left, y_px, spoken(estimate.quantity), BODY_PT, bold=True),
        Words(right, y_px, value_text(measurement), BODY_PT, anchor="ra", bold=True),
        Words(left, y_px + 20 * POINT_PX, look.word.lower(), SMALL_PT, bold=True),
    ]
    allowed = limits_text(judgement.limits, estimate.quantity.unit)
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
        Words(MARGIN_PX, y_px, spoken(measurement.estimate.quantity), SMALL_PT),
        Words(WIDTH_PX - MARGIN_PX, y_px, value_text(measurement), SMALL_PT, anchor="ra"),
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
