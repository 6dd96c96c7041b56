"""Squareness of the sensor's line from tape triangles, and where the line lies.

``squareness``: angle at the corner mark between the lane marking, in the direction of travel, and the sensor's line, in
degrees, nominally 90. ``far_end_offset``: how far the line's far end is off a line square to the marking, in mm along
the marking; positive where the angle is above 90, so that the far end lies back against the direction of travel.

One triangle: leg a from the corner mark along the marking, leg b along the sensor's line, c between the two far marks;
its angle is acos((a² + b² - c²) / (2ab)). Where leg a runs against the direction of travel (the word ``back`` for
``leg``), its supplement counts.

Triangles share marks: two legs from one corner along one line with one length end at the same mark, and so have the
same error. All are combined by least squares with the covariance that follows (JCGM 100, 5.2); a triangle that does not
fit is told by its standardised residual (Baarda's data snooping) and confirmed by leaving it out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from models.measurement import BudgetLine, Estimate, Problem, Quantity
from models.plan import Plan, Sensor
from models.readings import Reading, ReadingKind
from models.units import Dimension, UnitSystem, show
from verifier.readings import Number, number_of, of_kind, propagate
from verifier.repeated import simple, together
from verifier.worked import Worked

Array = NDArray[np.float64]

MARK_U_MM = 0.5
"""Standard uncertainty of a mark across its line: a chalk or paint mark is set within about 1 mm (common practice)."""
LARGEST_RESIDUAL = 3.0
"""A triangle whose residual is more than so many standard deviations does not fit."""
MOST_LEFT_OUT = 3
"""More triangles than this at fault are no odd ones out."""
SIDES = ("a", "b", "c")
BACK = "back"
AHEAD = "ahead"


@dataclass(frozen=True)
class TriangleAngle:
    """Angle between two sides of a triangle from its three sides, and its change with each of them."""

    angle_deg: float
    sensitivities: tuple[float, float, float]
    """d(angle)/da, d(angle)/db, d(angle)/dc in degrees per unit of length."""


def angle_of_sides(a: float, b: float, c: float) -> TriangleAngle:
    """Angle between sides a and b by the law of cosines; sides in one unit of length.

    Sensitivities by differentiating c² = a² + b² - 2ab cos C:
    dC/dc = c/(ab sin C), dC/da = -(a - b cos C)/(ab sin C), dC/db = -(b - a cos C)/(ab sin C).

    Raises:
        ValueError: the three sides close no triangle.
    """
    if not (a > 0 and b > 0 and abs(a - b) < c < a + b):
        raise ValueError(f"sides of {a:g}, {b:g} and {c:g} close no triangle")
    cosine = (a * a + b * b - c * c) / (2.0 * a * b)
    angle = math.acos(cosine)
    per_radian = math.degrees(1.0) / (a * b * math.sin(angle))
    slopes = (-(a - b * cosine) * per_radian, -(b - a * cosine) * per_radian, c * per_radian)
    return TriangleAngle(math.degrees(angle), slopes)


@dataclass(frozen=True)
class Triangle:
    """One tape triangle that closes."""

    angle_deg: float
    """From the direction of travel."""
    sides: tuple[Number, Number, Number]
    slopes: tuple[float, float, float]
    """d(angle)/d(side) in degrees per mm."""
    reading: Reading
    order: int
    """Its place among the readings, counted from 1, for messages."""

    def name(self, system: UnitSystem) -> str:
        """What to call it."""
        lengths = ", ".join(show(side.value, Dimension.LENGTH, system) for side in self.sides)
        corner = self.reading.text("corner")
        return f"Triangle {self.order} ({lengths}{'; corner ' + corner if corner else ''})"

    @property
    def mark_keys(self) -> tuple[tuple[object, ...], tuple[object, ...], tuple[object, ...]]:
        """What each side's error is shared by: legs of one corner, line and length; a diagonal is its own."""
        corner, leg = self.reading.text("corner"), self.reading.text("leg") or AHEAD
        a, b, _ = self.sides
        return ("a", corner, leg, a.value), ("b", corner, b.value), ("c", self.order)


def squareness(plan: Plan, sensor: Sensor, readings: Sequence[Reading]) -> Worked:
    """Squareness and the far end's offset from all tape triangles, and which of them does not fit."""
    triangles, problems = _triangles(plan, readings)
    if not triangles:
        return Worked(problems=problems)
    kept, blunders, remarks = _consistent(triangles, plan.units)
    if not kept:
        return Worked(problems=(*problems, *blunders))
    angle = combine(kept)
    estimates = (angle, far_end_offset(angle, sensor.length_mm)) if sensor.length_mm else (angle,)
    return Worked(estimates, (*problems, *blunders), remarks, used=tuple(t.reading for t in triangles))


def _triangles(plan: Plan, readings: Sequence[Reading]) -> tuple[tuple[Triangle, ...], tuple[Problem, ...]]:
    triangles: list[Triangle] = []
    problems: list[Problem] = []
    for order, reading in enumerate(of_kind(readings, ReadingKind.TAPE_TRIANGLE), start=1):
        triangle, found = _triangle(plan, reading, order)
        triangles += [] if triangle is None else [triangle]
        problems += found
    return tuple(triangles), tuple(dict.fromkeys(problems))


def _triangle(plan: Plan, reading: Reading, order: int) -> tuple[Triangle | None, tuple[Problem, ...]]:
    sides, found = zip(*(number_of(plan, reading, side) for side in SIDES), strict=True)
    problems = tuple(dict.fromkeys(p for group in found for p in group))
    a, b, c = sides
    if a is None or b is None or c is None:
        return None, problems
    leg = reading.text("leg") or AHEAD
    if leg not in (AHEAD, BACK):
        word = Problem("leg-unknown", f"Triangle {order}: leg a runs `ahead` or `back` along the marking, not {leg!r}.")
        return None, (*problems, word)
    try:
        solved = angle_of_sides(a.value, b.value, c.value)
    except ValueError as fault:
        message = f"Triangle {order}: {fault}. Check the three lengths and their units; it is left out until then."
        return None, (*problems, Problem("triangle-does-not-close", message))
    sign, start = (1.0, 0.0) if leg == AHEAD else (-1.0, 180.0)
    slopes = (sign * solved.sensitivities[0], sign * solved.sensitivities[1], sign * solved.sensitivities[2])
    return Triangle(start + sign * solved.angle_deg, (a, b, c), slopes, reading, order), problems


def covariance(triangles: Sequence[Triangle]) -> Array:
    """Covariance [deg²] of the triangles' angles, shape (N, N): tape, and marks off their line, with what is shared.

    A tape's scale is left out: it turns no angle as long as one tape measures all three sides.
    """
    lengths = _shared(triangles, lambda t, i: t.slopes[i] * math.hypot(t.sides[i].resolution_u, _cal(t, i)), SIDES)
    marks = _shared(triangles, _mark_turn, SIDES[:2])
    return np.asarray(lengths @ lengths.T + marks @ marks.T)


def _cal(triangle: Triangle, side: int) -> float:
    return triangle.sides[side].calibration_u


def _mark_turn(triangle: Triangle, side: int) -> float:
    """How far a mark off its line turns the angle [deg]; a mark on the sensor's line turns both sides' angles alike."""
    return math.degrees(MARK_U_MM / triangle.sides[side].value)


def _shared(triangles: Sequence[Triangle], effect: Callable[[Triangle, int], float], sides: Sequence[str]) -> Array:
    """Effect of each independent error (columns) on each angle (rows)."""
    keys: dict[tuple[object, ...], int] = {}
    entries = []
    for row, triangle in enumerate(triangles):
        for side in range(len(sides)):
            column = keys.setdefault(triangle.mark_keys[side], len(keys))
            entries.append((row, column, effect(triangle, side)))
    out = np.zeros((len(triangles), len(keys)))
    for row, column, value in entries:
        out[row, column] += value
    return out


def weights_of(matrix: Array) -> Array:
    """Weights of the best linear combination: least variance, sum 1, shape (N,)."""
    solved = np.linalg.solve(matrix, np.ones(len(matrix)))
    return np.asarray(solved / solved.sum())


def combine(triangles: Sequence[Triangle]) -> Estimate:
    """The angle that all triangles give together, by weighted least squares with their full covariance."""
    weight = weights_of(covariance(triangles))
    angle = math.fsum(float(w) * t.angle_deg for w, t in zip(weight, triangles, strict=True))
    marks = _shared(triangles, _mark_turn, SIDES[:2])
    off_line = BudgetLine("marks off their line", float(np.linalg.norm(weight @ marks)))
    return Estimate(Quantity.SQUARENESS, angle, (*propagate(_side_terms(triangles, weight)), off_line))


def _side_terms(triangles: Sequence[Triangle], weight: Array) -> list[tuple[float, Number]]:
    """Sensitivity of the combined angle to each side that was measured; a shared leg counts once."""
    terms: dict[tuple[object, ...], tuple[float, Number]] = {}
    for w, triangle in zip(weight, triangles, strict=True):
        for side, key in enumerate(triangle.mark_keys):
            before = terms[key][0] if key in terms else 0.0
            terms[key] = (before + float(w) * triangle.slopes[side], triangle.sides[side])
    return list(terms.values())


def far_end_offset(angle: Estimate, length_mm: float) -> Estimate:
    """How far the far end of a line of this length is off for the angle: length times tan(angle - 90 deg), in mm."""
    off = math.radians(angle.value - 90.0)
    per_degree = math.radians(1.0) * length_mm / math.cos(off) ** 2
    lines = tuple(BudgetLine(line.source, line.standard_uncertainty * per_degree) for line in angle.budget)
    return Estimate(Quantity.FAR_END_OFFSET, length_mm * math.tan(off), lines, angle.coverage_factor)


def standardised_residuals(triangles: Sequence[Triangle]) -> Array:
    """Each triangle's residual over its standard deviation (Baarda's w), shape (N,); all 0 for a single triangle."""
    if len(triangles) < 2:
        return np.zeros(len(triangles))
    matrix = covariance(triangles)
    inverse = np.linalg.inv(matrix)
    ones = np.ones((len(triangles), 1))
    projector = inverse - inverse @ ones @ ones.T @ inverse / float((ones.T @ inverse @ ones)[0, 0])
    angles = np.array([t.angle_deg for t in triangles])
    return np.asarray((projector @ angles) / np.sqrt(np.maximum(np.diag(projector), 1e-300)))


def _fits(triangles: Sequence[Triangle]) -> bool:
    return bool(np.all(np.abs(standardised_residuals(triangles)) <= LARGEST_RESIDUAL))


def _consistent(
    triangles: tuple[Triangle, ...], system: UnitSystem
) -> tuple[tuple[Triangle, ...], tuple[Problem, ...], tuple[Problem, ...]]:
    """The triangles that agree, problems naming those that do not, and remarks."""
    if len(triangles) == 1:
        alone = Problem("no-second-triangle", "One triangle shows no mistake in itself: measure a second one.")
        return triangles, (), (alone,)
    if _fits(triangles):
        return triangles, (), ()
    # The fewest to leave out so that at least two others agree, and with no other choice of as few.
    for count in range(1, min(len(triangles) - 1, MOST_LEFT_OUT + 1)):
        ways = [left for left in combinations(triangles, len(triangles) - count) if _fits(left)]
        if len(ways) == 1:
            return ways[0], tuple(_blunder(t, ways[0], system) for t in triangles if t not in ways[0]), ()
        if ways:
            break
    return (), (_disagreement(triangles),), ()


def _blunder(wrong: Triangle, right: Sequence[Triangle], system: UnitSystem) -> Problem:
    """Names the triangle, and by how much a single side would have to be off to explain it."""
    off_deg = wrong.angle_deg - combine(right).value
    hints = ", ".join(
        f"{side} by {show(abs(off_deg / slope), Dimension.LENGTH, system, 2)}"
        for side, slope in zip(SIDES, wrong.slopes, strict=True)
        if slope
    )
    return Problem(
        "triangle-blunder",
        f"{wrong.name(system)} is off the others by {off_deg:+.2f} deg, as if one side were read"
        f" wrong ({hints}). It is left out; measure it again.",
    )


def _disagreement(triangles: Sequence[Triangle]) -> Problem:
    angles = ", ".join(f"{t.order}: {t.angle_deg:.2f} deg" for t in triangles)
    which = "one of the two" if len(triangles) == 2 else "at least one"
    return Problem(
        "triangles-disagree",
        f"The triangles do not agree ({angles}): {which} is wrong, but not to be told which. Measure one more.",
    )


def position(plan: Plan, readings: Sequence[Reading]) -> Worked:
    """Spacing of the sensors' lines and offset from the marking, against the contract."""
    return together(
        simple(plan, readings, ReadingKind.SENSOR_SPACING, Quantity.SENSOR_SPACING),
        simple(plan, readings, ReadingKind.MARKING_OFFSET, Quantity.MARKING_OFFSET),
    )
