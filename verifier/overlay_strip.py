"""Rectified strips for overlays: the pavement along a line, from above, and how far its edges stray from straight."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from verifier.finding import Axis, Curve, CurveRole
from verifier.overlay_canvas import (
    BLUE,
    GREEN,
    GREY,
    INK,
    MARGIN_PX,
    ORANGE,
    POINT_PX,
    PURPLE,
    SKY,
    SMALL_PT,
    VERMILION,
    WHITE,
    WIDTH_PX,
    YELLOW,
    Array,
    Panel,
    Stroke,
    Words,
    blank_panel,
    draw_line,
    fill_polygon,
    ring,
)
from verifier.photo import Photo
from verifier.plane import GroundPlane
from verifier.profile import gaussian_lowpass
from verifier.strip import sample_pixels

STROKES: dict[CurveRole, Stroke] = {
    CurveRole.LANE_LINE: Stroke(YELLOW, (34, 10, 6, 10)),
    CurveRole.LAYOUT_AXIS: Stroke(PURPLE, (22, 12)),
    CurveRole.LAYOUT_BAND: Stroke(WHITE, (3, 9)),
    CurveRole.SLOT_EDGE_LEFT: Stroke(SKY),
    CurveRole.SLOT_EDGE_RIGHT: Stroke(ORANGE, (16, 8)),
    CurveRole.SLOT_AXIS: Stroke(PURPLE, (26, 10, 4, 10)),
    CurveRole.SENSOR_EDGE_LEFT: Stroke(SKY),
    CurveRole.SENSOR_EDGE_RIGHT: Stroke(ORANGE, (16, 8)),
    CurveRole.GROUT_EDGE_LEFT: Stroke(GREEN, (8, 6)),
    CurveRole.GROUT_EDGE_RIGHT: Stroke(VERMILION, (4, 7)),
    CurveRole.MEASURED_LENGTH: Stroke(WHITE),
}
"""How each curve is drawn, in the photo and in the strip."""

PLOT_PX = WIDTH_PX - 2 * MARGIN_PX
STRIP_HEIGHT_PX = (190.0, 430.0)
"""Least and greatest height of a rectified strip."""
LANE_HEIGHT_PX = 130.0
"""Height of the plot of one edge's deviation."""
LANE_PX = LANE_HEIGHT_PX + 17 * POINT_PX
"""The same with its heading."""
MIN_POINTS = 12
STRAIGHT_MM = 0.02
"""A curve with fewer points, or nearer to straight, is a fitted line: it has no deviation to show."""
ROUND_LENGTHS_MM = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)


@dataclass(frozen=True)
class _Frame:
    """How stations and offsets of the strip stand on the panel."""

    s_mm: tuple[float, float]
    n_mm: tuple[float, float]
    px_per_mm: float
    stretch: int
    """How many times larger offsets are drawn than stations."""
    left_px: float
    top_px: float

    @property
    def width_px(self) -> int:
        return round((self.s_mm[1] - self.s_mm[0]) * self.px_per_mm)

    @property
    def height_px(self) -> int:
        return round((self.n_mm[1] - self.n_mm[0]) * self.px_per_mm * self.stretch)

    def x_px(self, s_mm: Array) -> Array:
        return self.left_px + (np.asarray(s_mm) - self.s_mm[0]) * self.px_per_mm

    def y_px(self, n_mm: Array) -> Array:
        return self.top_px + (self.n_mm[1] - np.asarray(n_mm)) * self.px_per_mm * self.stretch


def draw_strip(
    photo: Photo, plane: GroundPlane, axis: Axis, curves: Sequence[Curve], title: str,
    zone_mm: float | None = None, beside_mm: float = 14.0,
) -> Panel:  # fmt: skip
    """The pavement along ``axis`` from above with ``curves`` over it, and below it how far each strays from straight.

    Args:
        photo: the photo.
        plane: its camera and pavement plane.
        axis: runs from left to right; its left side is up.
        curves: at least one, not the measured length alone.
        title: what is shown.
        zone_mm: the tolerance of straightness, where there is one: drawn as a zone around each edge's straight line.
        beside_mm: pavement shown beyond the outermost curve.
    """
    placed = [(c, axis.from_plane(c.points_mm)) for c in curves if len(c.points_mm) > 1]
    span = _measured_span(placed)
    frame = _frame([sn for c, sn in placed if c.role is not CurveRole.MEASURED_LENGTH], span, beside_mm)
    bent = _bent(placed, span)
    top = frame.top_px + frame.height_px + 10 * POINT_PX
    panel = blank_panel(top + 20 * POINT_PX + (len(bent) * LANE_PX + 32 * POINT_PX if bent else 0))
    stretched = f", across x {frame.stretch}" if frame.stretch > 1 else ""
    stretched += " · white lines: measured" if span is not None else ""
    panel.words.append(Words(MARGIN_PX, 5 * POINT_PX, f"{title}, from above{stretched}", SMALL_PT, bold=True))
    _paste_pavement(panel, photo, plane, axis, frame)
    for curve, sn in placed:
        _draw_curve(panel, frame, curve, sn)
    _draw_scale_along(panel, frame, top)
    if bent:
        _draw_deviations(panel, frame, bent, top + 26 * POINT_PX, zone_mm)
    return panel


_STRAYING = {
    CurveRole.LANE_LINE, CurveRole.LAYOUT_BAND, CurveRole.SLOT_EDGE_LEFT, CurveRole.SLOT_EDGE_RIGHT,
    CurveRole.SENSOR_EDGE_LEFT, CurveRole.SENSOR_EDGE_RIGHT, CurveRole.GROUT_EDGE_LEFT, CurveRole.GROUT_EDGE_RIGHT,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Bent:
    """A curve that is not a straight line, with its deviation from the straight line that fits it best."""

    role: CurveRole
    s_mm: Array
    stray_mm: Array
    counts: NDArray[np.bool_]
    """Stations that count: within the measured length and not left out."""
    smooth_mm: Array
    """The deviation as straightness is told from it."""


def _measured_span(placed: Sequence[tuple[Curve, Array]]) -> tuple[float, float] | None:
    """Stations between which was measured; None where the finding does not say."""
    stations = [sn[:, 0] for c, sn in placed if c.role is CurveRole.MEASURED_LENGTH]
    return (float(stations[0].min()), float(stations[0].max())) if stations else None


def _bent(placed: Sequence[tuple[Curve, Array]], span_mm: tuple[float, float] | None) -> list[_Bent]:
    low, high = span_mm or (-math.inf, math.inf)
    found = []
    for curve, sn in placed:
        if len(sn) < MIN_POINTS or curve.role not in _STRAYING:
            continue
        counts = np.isfinite(sn).all(axis=1) & (sn[:, 0] >= low) & (sn[:, 0] <= high)
        if curve.excluded is not None:
            counts &= ~curve.excluded
        stray = deviation_mm(sn, counts)
        if counts.sum() > 1 and np.abs(stray[counts]).max() > STRAIGHT_MM:
            found.append(_Bent(curve.role, sn[:, 0], stray, counts, _smoothed(curve.role, sn[:, 0], stray, counts)))
    return found


def _smoothed(role: CurveRole, s_mm: Array, stray_mm: Array, counts: NDArray[np.bool_]) -> Array:
    """What straightness is told from: of a slot's edge the Gaussian low-pass without chips, else the points."""
    profile = np.where(counts, stray_mm, np.nan)
    if role not in (CurveRole.SLOT_EDGE_LEFT, CurveRole.SLOT_EDGE_RIGHT):
        return profile
    order = np.argsort(s_mm, kind="stable")
    rising = order[np.concatenate([[True], np.diff(s_mm[order]) > 0])]
    smooth = np.full(len(s_mm), np.nan)
    smooth[rising] = gaussian_lowpass(s_mm[rising], profile[rising])
    return np.where((s_mm >= s_mm[counts].min()) & (s_mm <= s_mm[counts].max()), smooth, np.nan)


def deviation_mm(sn_mm: Array, counts: NDArray[np.bool_]) -> Array:
    """Offsets less the straight line fitted to the stations that count, (N,)."""
    if counts.sum() < 2:
        return np.full(len(sn_mm), np.nan)
    slope, level = np.polyfit(sn_mm[counts, 0], sn_mm[counts, 1], 1)
    return np.asarray(sn_mm[:, 1] - slope * sn_mm[:, 0] - level)


def _frame(stations_and_offsets: Sequence[Array], span_mm: tuple[float, float] | None, beside_mm: float) -> _Frame:
    """The measured span with some to either side where there is one, else the whole of the curves."""
    every = np.concatenate(stations_and_offsets)
    every = every[np.isfinite(every).all(axis=1)]
    s0, s1 = float(every[:, 0].min()), float(every[:, 0].max())
    if span_mm is not None:
        beyond = 0.08 * (span_mm[1] - span_mm[0])
        s0, s1 = max(s0, span_mm[0] - beyond), min(s1, span_mm[1] + beyond)
        every = every[(every[:, 0] >= s0) & (every[:, 0] <= s1)]
    n0, n1 = float(every[:, 1].min()) - beside_mm, float(every[:, 1].max()) + beside_mm
    ends = 0.02 * max(s1 - s0, 1.0)
    s0, s1 = s0 - ends, s1 + ends
    px_per_mm = min(PLOT_PX / (s1 - s0), STRIP_HEIGHT_PX[1] / (n1 - n0))
    stretch = max(math.ceil(STRIP_HEIGHT_PX[0] / ((n1 - n0) * px_per_mm)), 1)
    left = (WIDTH_PX - (s1 - s0) * px_per_mm) / 2
    return _Frame((s0, s1), (n0, n1), px_per_mm, stretch, left, 23 * POINT_PX)


def _paste_pavement(panel: Panel, photo: Photo, plane: GroundPlane, axis: Axis, frame: _Frame) -> None:
    """The photo resampled on the strip's own pixels, stretched in brightness."""
    pixels = _sight(plane, axis, frame)
    codes = _as_codes(sample_pixels(photo.colour, pixels))
    x, y = round(frame.left_px), round(frame.top_px)
    panel.picture[y : y + codes.shape[0], x : x + codes.shape[1]] = codes[:, : WIDTH_PX - x]


def _sight(plane: GroundPlane, axis: Axis, frame: _Frame) -> NDArray[np.float32]:
    """Where each pixel of the strip lies in the photo, (height, width, 2): projected on a coarse grid, linear between.

    The grid is about eight pixels wide: what perspective bends over that is below a hundredth of a pixel.
    """
    columns, rows = frame.width_px // 8 + 2, frame.height_px // 8 + 2
    half_s = 0.5 / frame.px_per_mm
    half_n = half_s / frame.stretch
    s = np.linspace(frame.s_mm[0] + half_s, frame.s_mm[1] - half_s, columns)
    n = np.linspace(frame.n_mm[1] - half_n, frame.n_mm[0] + half_n, rows)
    ss, nn = np.meshgrid(s, n)
    nodes = plane.to_pixels(axis.to_plane(ss, nn).reshape(-1, 2)).reshape(rows, columns, 2).astype(np.float32)
    x = np.linspace(0, columns - 1, frame.width_px, dtype=np.float32)
    y = np.linspace(0, rows - 1, frame.height_px, dtype=np.float32)
    map_x, map_y = np.meshgrid(x, y)
    between = cv2.remap(nodes, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(between, dtype=np.float32)


def _as_codes(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Linear light as code values, stretched between its own dark and bright ends; what lies outside is pale."""
    outside = np.isnan(light)
    if outside.all():
        return np.full(light.shape, 225, dtype=np.uint8)
    sample = light[::7, ::7]
    dark, bright = np.nanpercentile(sample, (0.5, 99.5)) if not np.isnan(sample).all() else (0.0, 1.0)
    level = np.clip((np.where(outside, 0.0, light) - dark) / max(float(bright - dark), 1e-3), 0.0, 1.0)
    codes = np.round(255 * level ** (1 / 2.2))
    return np.where(outside, 225, codes).astype(np.uint8)


def _draw_curve(panel: Panel, frame: _Frame, curve: Curve, sn: Array) -> None:
    points = np.column_stack([frame.x_px(sn[:, 0]), frame.y_px(sn[:, 1])])
    if curve.role is CurveRole.MEASURED_LENGTH:
        low, high = frame.top_px, frame.top_px + frame.height_px
        for x in points[[0, -1], 0]:
            draw_line(panel.picture, np.array([[x, low], [x, high]]), STROKES[curve.role])
        return
    inside = (sn[:, 0] >= frame.s_mm[0]) & (sn[:, 0] <= frame.s_mm[1])
    used, unused = _split(np.where(inside[:, None], points, np.nan), curve.excluded)
    draw_line(panel.picture, used, STROKES[curve.role])
    draw_line(panel.picture, unused, Stroke(WHITE, (2, 7), 1))


def _split(points: Array, excluded: NDArray[np.bool_] | None) -> tuple[Array, Array]:
    """Points that count and points that were left out, NaN in each other's place."""
    if excluded is None:
        return points, np.full_like(points, np.nan)
    return np.where(excluded[:, None], np.nan, points), np.where(_widened(excluded)[:, None], points, np.nan)


def _widened(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Each run of True with its two neighbours, so that drawn runs meet."""
    return np.convolve(mask, np.ones(3), mode="same") > 0


def _draw_scale_along(panel: Panel, frame: _Frame, top_px: float) -> None:
    """A scale bar along the strip."""
    length = max((v for v in ROUND_LENGTHS_MM if v * frame.px_per_mm < 0.35 * PLOT_PX), default=ROUND_LENGTHS_MM[0])
    x0, y = frame.left_px, top_px + 2 * POINT_PX
    x1 = x0 + length * frame.px_per_mm
    for line in ([[x0, y], [x1, y]], [[x0, y - 8], [x0, y + 8]], [[x1, y - 8], [x1, y + 8]]):
        cv2.polylines(panel.picture, [np.round(np.array(line)).astype(np.int32)], False, INK, 3, cv2.LINE_AA)
    panel.words.append(Words(x1 + 4 * POINT_PX, y, f"{length:g} mm", SMALL_PT, anchor="lm"))


def _draw_deviations(panel: Panel, frame: _Frame, bent: Sequence[_Bent], top_px: float, zone_mm: float | None) -> None:
    """One plot a curve, all on one scale: up is to the left of the axis."""
    largest = max(float(np.abs(b.stray_mm[b.counts]).max()) for b in bent)
    px_per_mm = 0.46 * LANE_HEIGHT_PX / max(largest, 0.55 * (zone_mm or 0.0), 0.2)
    zone = "" if zone_mm is None else f" · shaded: {zone_mm:g} mm allowed"
    heading = f"Off straight, drawn x {px_per_mm / frame.px_per_mm:.0f}{zone}"
    panel.words.append(Words(MARGIN_PX, top_px + 6 * POINT_PX, heading, SMALL_PT, anchor="lm", bold=True))
    _draw_scale_across(panel, px_per_mm, top_px + 6 * POINT_PX)
    top_px += 15 * POINT_PX
    for curve in bent:
        left_out = ", rings: left out" if not curve.counts.all() else ""
        panel.words.append(Words(frame.left_px, top_px, curve.role.value + left_out, SMALL_PT, BLUE))
        _draw_deviation(panel, frame, curve, top_px + 17 * POINT_PX + LANE_HEIGHT_PX / 2, px_per_mm, zone_mm)
        top_px += LANE_PX


def _draw_scale_across(panel: Panel, px_per_mm: float, y_px: float) -> None:
    """An upright scale bar at the right."""
    length = max((v for v in ROUND_LENGTHS_MM if v * px_per_mm < 0.6 * LANE_HEIGHT_PX), default=ROUND_LENGTHS_MM[0])
    x, half = WIDTH_PX - MARGIN_PX - 8.0, length * px_per_mm / 2
    for line in ([[x, y_px - half], [x, y_px + half]], [[x - 8, y_px - half], [x + 8, y_px - half]],
                 [[x - 8, y_px + half], [x + 8, y_px + half]]):  # fmt: skip
        cv2.polylines(panel.picture, [np.round(np.array(line)).astype(np.int32)], False, INK, 3, cv2.LINE_AA)
    panel.words.append(Words(x - 5 * POINT_PX, y_px, f"{length:g} mm", SMALL_PT, anchor="rm"))


def _draw_deviation(
    panel: Panel, frame: _Frame, curve: _Bent, middle_px: float, px_per_mm: float, zone_mm: float | None
) -> None:
    x0, x1 = frame.left_px, frame.left_px + frame.width_px
    if zone_mm is not None:
        half = zone_mm * px_per_mm / 2
        low, high = middle_px - half, middle_px + half
        fill_polygon(panel.picture, np.array([[x0, low], [x1, low], [x1, high], [x0, high]]), (216, 236, 208))
    cv2.line(panel.picture, (round(x0), round(middle_px)), (round(x1), round(middle_px)), GREY, 1, cv2.LINE_AA)
    for kept in (True, False):
        chosen = _apart(frame.x_px(curve.s_mm), (curve.counts == kept) & _shown(frame, curve), 3.0 if kept else 7.0)
        for point in _plotted(frame, curve.s_mm[chosen], curve.stray_mm[chosen], middle_px, px_per_mm):
            ring(panel.picture, point, 1.0 if kept else 3.5, GREY)
    draw_line(panel.picture, _plotted(frame, curve.s_mm, curve.smooth_mm, middle_px, px_per_mm), STROKES[curve.role])


def _plotted(frame: _Frame, s_mm: Array, stray_mm: Array, middle_px: float, px_per_mm: float) -> Array:
    """Points of a plot, (N, 2); what is too far off straight is held at the plot's rim."""
    reach = 0.5 * LANE_HEIGHT_PX
    return np.column_stack([frame.x_px(s_mm), middle_px - np.clip(stray_mm * px_per_mm, -reach, reach)])


def _shown(frame: _Frame, curve: _Bent) -> NDArray[np.bool_]:
    return np.isfinite(curve.stray_mm) & (curve.s_mm >= frame.s_mm[0]) & (curve.s_mm <= frame.s_mm[1])


def _apart(x_px: Array, wanted: NDArray[np.bool_], step_px: float) -> NDArray[np.intp]:
    """Indices of wanted points, at most one every ``step_px``."""
    indices = np.flatnonzero(wanted)
    _, first = np.unique(np.floor(x_px[indices] / step_px), return_index=True)
    return np.asarray(indices[first])
