"""From a traced sensor and its grout to numbers with budgets, in the pavement's plane."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.measurement import BudgetLine, Estimate, Problem, Quantity
from verifier.finding import Axis, Curve, CurveRole, Finding
from verifier.plane import Array, GroundPlane
from verifier.surface_grout import GroutBoundary
from verifier.surface_top import STATION_MM, SensorTop

WINDOW_MM = 25.0
"""Length of the moving mean for extremes."""
NOISE_LENGTH_MM, NOISE_MM = 2.0, 0.8
"""Over which errors of the boundary are alike at neighbouring stations, up to this size: cells and a ragged rim."""
STONE_MM = 16.0
"""Over which larger errors are alike: a stone, or a smooth patch between stones, was taken for grout."""
HEIGHT_MM = 0.5
"""Standard height of what carries an edge over the pavement's mean plane: sensor not flush, rim of the grout."""
CLEAR_SHARE = 0.9
"""Share of the length along which a boundary must be in sight: what is hidden could be the widest place."""
RIM_MM = 0.12
"""Standard uncertainty of where grout ends on rough stones, in a sharp photo."""
SHARP_MM, TRANSITION_SHARE = 0.7, 0.5
"""Width of the transition from grout to pavement in a sharp photo, and the share of what it is wider that is unclear:
a rounded rim, shaded or with its shadow beside it, may end anywhere within it."""
DOUBT_MM, DOUBT_SHARE = 0.1, 0.5
"""How far the boundary may differ from a less closely followed one for nothing, and the share of the rest that is
unclear: there a stone may have been taken for grout, or a tongue of grout for a stone."""


@dataclass(frozen=True)
class SlotGap:
    """The room between the sensor and the slot's edge: by convention half of what the slot is wider than the sensor."""

    slot_width_mm: float
    sensor_width_mm: float | None = None
    """Nominal width; None: as measured in the same photo (for a slot that was measured)."""
    u_slot_width_mm: float = 0.0
    source: str = "gap between sensor and slot edge"

    def each_side_mm(self, measured_width_mm: float) -> float:
        """The gap on either side."""
        sensor = measured_width_mm if self.sensor_width_mm is None else self.sensor_width_mm
        return max((self.slot_width_mm - sensor) / 2, 0.0)


@dataclass(frozen=True, eq=False)
class GroutSide:
    """One side's boundary with its moving mean."""

    side: int
    """+1 left, -1 right."""
    boundary: GroutBoundary
    moving_mm: Array
    """Moving mean, NaN where too little of the window was clear, shape (S,)."""

    @property
    def mean_mm(self) -> float:
        """Mean over clear stations."""
        return float(self.boundary.distance_mm[self.boundary.clear].mean())

    @property
    def widest_mm(self) -> float:
        """Largest moving mean."""
        return float(np.nanmax(self.moving_mm))

    @property
    def widest_window(self) -> NDArray[np.intp]:
        """Clear stations of the window whose mean is largest."""
        first = int(np.nanargmax(self.moving_mm)) - _before()
        window = np.arange(first, first + _window())
        return window[self.boundary.clear[window]]


def moving_mean(values: Array, clear: NDArray[np.bool_]) -> Array:
    """Mean over ``WINDOW_MM`` about each station; NaN where the window sticks out or less than 80 % of it is clear."""
    if len(values) < _window():
        return np.full(len(values), np.nan)
    weight = _moving_sum(clear.astype(np.float64))
    mean = np.where(
        weight >= 0.8 * _window(), _moving_sum(np.where(clear, values, 0.0)) / np.maximum(weight, 1), np.nan
    )
    return np.pad(mean, (_before(), len(values) - len(mean) - _before()), constant_values=np.nan)


def _moving_sum(values: Array) -> Array:
    """Sums over whole windows along the last axis."""
    running = np.cumsum(np.concatenate([np.zeros((*values.shape[:-1], 1)), values], axis=-1), axis=-1)
    return np.asarray(running[..., _window() :] - running[..., : -_window()])


def _window() -> int:
    return int(round(WINDOW_MM / STATION_MM))


def _before() -> int:
    """Stations of a window before the one it is booked at."""
    return (_window() - 1) // 2


def conclude(
    plane: GroundPlane, top: SensorTop, boundaries: list[GroutBoundary | None], gap: SlotGap | None
) -> Finding:
    """All quantities of a surface photo."""
    traced = {side: _side(side, b) for side, b in zip((1, -1), boundaries, strict=True) if b is not None}
    sides = [s for s in traced.values() if s.boundary.clear.mean() >= CLEAR_SHARE and np.isfinite(s.moving_mm).any()]
    points = _TracedPoints.of(plane, top, sides)
    jacobian = plane.sensitivity(points.quantities)
    estimates = [_sensor_width(plane, top, jacobian[0]), _measured_length(plane, top, jacobian[1])]
    ridges = []
    for i, side in enumerate(sides):
        mean_row, widest_row = jacobian[2 + 2 * i], jacobian[3 + 2 * i]
        estimates += list(_bands(plane, top, side, mean_row, widest_row))
        if gap is not None:
            ridges.append(_ridge(top, side, estimates[-1], gap))
    estimates += ridges
    if len(ridges) == 2:
        estimates.append(_larger(ridges))
    return Finding(tuple(estimates), tuple(_missing(sides, traced)), tuple(_curves(top, sides)), top.axis)


def _side(side: int, boundary: GroutBoundary) -> GroutSide:
    return GroutSide(side, boundary, moving_mean(boundary.distance_mm, boundary.clear))


@dataclass(frozen=True, eq=False)
class _TracedPoints:
    """Pixels of the traced edges and boundaries, from which another plane gives the same quantities anew."""

    pixels: Array
    parts: tuple[slice, ...]
    """Left edge, right edge, ends of the length, then for each side the whole boundary and its widest window."""
    sides: tuple[int, ...]

    @classmethod
    def of(cls, plane: GroundPlane, top: SensorTop, sides: list[GroutSide]) -> _TracedPoints:
        along = np.linspace(top.s_mm[0], top.s_mm[-1], 9)
        sets = [
            np.column_stack([along, top.left.at(along)]),
            np.column_stack([along, top.right.at(along)]),
            np.array([[along[0], 0.0], [along[-1], 0.0]]),
        ]
        for side in sides:
            clear = np.flatnonzero(side.boundary.clear)
            for stations in (clear[:: max(len(clear) // 12, 1)], side.widest_window[::6]):
                sets.append(np.column_stack([top.s_mm[stations], _offset(top, side, stations)]))
        ends = np.cumsum([0, *map(len, sets)])
        parts = tuple(slice(a, b) for a, b in itertools.pairwise(ends))
        points = np.concatenate(sets)
        return cls(plane.to_pixels(top.axis.to_plane(points[:, 0], points[:, 1])), parts, tuple(s.side for s in sides))

    def quantities(self, plane: GroundPlane) -> Array:
        """Sensor width, measured length, then mean and largest grout band of each side, as ``plane`` has them [mm]."""
        mm = plane.to_plane(self.pixels)
        left, right = mm[self.parts[0]], mm[self.parts[1]]
        middle = (left + right) / 2
        direction = middle[-1] - middle[0]
        axis = Axis(middle.mean(axis=0), direction / np.hypot(*direction))
        n = axis.from_plane(mm)[:, 1]
        width = n[self.parts[0]].mean() - n[self.parts[1]].mean()
        values = [width, np.hypot(*(mm[self.parts[2]][1] - mm[self.parts[2]][0]))]
        for i, side in enumerate(self.sides):
            values += [side * n[part].mean() - width / 2 for part in self.parts[3 + 2 * i : 5 + 2 * i]]
        return np.array(values)


def _offset(top: SensorTop, side: GroutSide, stations: NDArray[np.intp]) -> Array:
    """Offsets from the axis of a boundary at station numbers."""
    return np.asarray(top.edge(side.side).at(top.s_mm[stations]) + side.side * side.boundary.distance_mm[stations])


def _height_scale(plane: GroundPlane) -> float:
    """Relative change of length in the plane per mm of height."""
    return 1.0 / float(plane.camera_mm[2])


def _edge_u(top: SensorTop) -> float:
    """Standard uncertainty of where an edge of the top is in its blur and chamfer [mm].

    A phone's tone curve shifts a blurred edge towards its dark side, or its bright one, by an unknown share of the
    blur, alike on both edges of the same top.
    """
    spread = (top.left.width_mm + top.right.width_mm) / 2
    return float(0.28 * np.hypot(top.pixel_mm, spread))


def _sensor_width(plane: GroundPlane, top: SensorTop, row: Array) -> Estimate:
    scatter = np.sqrt(top.left.covariance[0, 0] + top.right.covariance[0, 0])
    budget = (
        *plane.budget(row),
        BudgetLine("scatter along the sensor's edges", float(scatter)),
        BudgetLine("location of the sensor's edges in their blur", 2.0 * _edge_u(top)),
        BudgetLine("chamfer, joint or shadow beside the edges", float(np.hypot(top.left.doubt_mm, top.right.doubt_mm))),
        BudgetLine("height of the sensor's top over the pavement", top.width_mm * HEIGHT_MM * _height_scale(plane)),
    )
    return Estimate(Quantity.SENSOR_WIDTH, top.width_mm, budget)


def _measured_length(plane: GroundPlane, top: SensorTop, row: Array) -> Estimate:
    length = len(top.s_mm) * STATION_MM
    return Estimate(
        Quantity.MEASURED_LENGTH,
        length,
        (*plane.budget(row), BudgetLine("spacing of stations", STATION_MM / np.sqrt(3.0))),
    )


_BANDS = {
    1: (Quantity.GROUT_BAND_LEFT, Quantity.GROUT_BAND_LEFT_MAX, Quantity.RIDGE_WIDTH_LEFT),
    -1: (Quantity.GROUT_BAND_RIGHT, Quantity.GROUT_BAND_RIGHT_MAX, Quantity.RIDGE_WIDTH_RIGHT),
}


def _bands(
    plane: GroundPlane, top: SensorTop, side: GroutSide, mean_row: Array, widest_row: Array
) -> Iterator[Estimate]:
    """Mean and largest grout band of a side."""
    everywhere, widest = np.flatnonzero(side.boundary.clear), side.widest_window
    soft = moving_mean(side.boundary.soft_mm, side.boundary.clear)
    doubt = (
        float(abs(side.boundary.soft_mm[everywhere].mean() - side.mean_mm)),
        float(abs(np.nanmax(soft) - side.widest_mm)),
    )
    mean, largest, _ = _BANDS[side.side]
    yield Estimate(mean, side.mean_mm, _band_budget(plane, top, side, mean_row, everywhere, doubt[0]))
    yield Estimate(largest, side.widest_mm, _band_budget(plane, top, side, widest_row, widest, doubt[1]))


def _band_budget(
    plane: GroundPlane, top: SensorTop, side: GroutSide, row: Array, stations: NDArray[np.intp], doubt_mm: float
) -> tuple[BudgetLine, ...]:
    """Budget of a grout band that is a mean over ``stations``."""
    boundary = side.boundary
    wider = max(float(boundary.transition_mm[stations].mean()) - SHARP_MM, 0.0)
    rim = float(np.hypot(RIM_MM, TRANSITION_SHARE * wider))
    return (
        *plane.budget(row),
        BudgetLine("grout told from pavement, station by station", _noise(boundary.u_mm[stations])),
        BudgetLine("what belongs to the grout", DOUBT_SHARE * max(doubt_mm - DOUBT_MM, 0.0)),
        BudgetLine("rim of the grout: its width, its shadow, rough stones", rim),
        BudgetLine("dark or smooth rim: flank of the grout, or its shadow", float(boundary.u_rim_mm[stations].mean())),
        BudgetLine("location of the sensor's edge in its blur", _edge_u(top)),
        BudgetLine("chamfer, joint or shadow beside the edge", top.edge(side.side).doubt_mm),
        BudgetLine("height of the grout's rim over the pavement", HEIGHT_MM * _tilt_across(plane, top, side, stations)),
    )


def _noise(u_mm: Array) -> float:
    """Standard uncertainty of the mean over stations whose own is ``u_mm`` (N,), alike at neighbouring ones."""
    length = len(u_mm) * STATION_MM
    fine = (np.minimum(u_mm, NOISE_MM) ** 2).mean() * min(NOISE_LENGTH_MM / length, 1.0)
    coarse = np.maximum(u_mm**2 - NOISE_MM**2, 0.0).mean() * min(STONE_MM / length, 1.0)
    return float(np.sqrt(fine + coarse))


def _tilt_across(plane: GroundPlane, top: SensorTop, side: GroutSide, stations: NDArray[np.intp]) -> float:
    """By how much a boundary seems displaced across per mm of height, mean over stations."""
    points = top.axis.to_plane(top.s_mm[stations], _offset(top, side, stations))
    return float(abs((plane.tilt_mm_per_mm(points) @ top.axis.normal).mean()))


def _ridge(top: SensorTop, side: GroutSide, widest: Estimate, gap: SlotGap) -> Estimate:
    """Largest band less the gap, never below 0."""
    value = max(widest.value - gap.each_side_mm(top.width_mm), 0.0)
    budget = widest.budget
    if gap.u_slot_width_mm > 0:
        budget = (*budget, BudgetLine(gap.source, gap.u_slot_width_mm / 2))
    return Estimate(_BANDS[side.side][2], value, budget)


def _larger(ridges: list[Estimate]) -> Estimate:
    """The larger of both sides, with that side's budget."""
    larger = max(ridges, key=lambda r: r.value)
    return Estimate(Quantity.RIDGE_WIDTH, larger.value, larger.budget)


def _missing(sides: list[GroutSide], traced: dict[int, GroutSide]) -> Iterator[Problem]:
    for side, word in ((1, "left"), (-1, "right")):
        if any(s.side == side for s in sides):
            continue
        if side in traced:
            yield Problem(
                "grout-covered",
                f"Part of the grout on the {word} is covered or out of the picture: "
                "lay the bar beside the grout, not on it, and show the grout along the whole bar.",
            )
        else:
            yield Problem(
                "grout-boundary-unclear",
                f"The grout's outer boundary on the {word} could not be told from the pavement: "
                "clean and dry the surface, keep shadows off the grout, move closer.",
            )


def _curves(top: SensorTop, sides: list[GroutSide]) -> Iterator[Curve]:
    along = np.linspace(top.s_mm[0], top.s_mm[-1], 21)
    yield Curve(CurveRole.SENSOR_EDGE_LEFT, top.axis.to_plane(along, top.left.at(along)))
    yield Curve(CurveRole.SENSOR_EDGE_RIGHT, top.axis.to_plane(along, top.right.at(along)))
    for side in sides:
        stations = np.arange(len(top.s_mm))
        role = CurveRole.GROUT_EDGE_LEFT if side.side > 0 else CurveRole.GROUT_EDGE_RIGHT
        yield Curve(role, top.axis.to_plane(top.s_mm, _offset(top, side, stations)), ~side.boundary.clear)
    ends = top.s_mm[[0, -1]]
    yield Curve(CurveRole.MEASURED_LENGTH, top.axis.to_plane(ends, np.zeros(2)))
