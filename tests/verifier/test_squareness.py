"""Squareness from tape triangles: the law of cosines, its sensitivities, blunders, and the promise of U."""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.measurement import Quantity
from models.readings import Reading
from tests.verifier.stage_readings import FT, PLAN, SENSOR, triangle
from verifier.squareness import MARK_U_MM, angle_of_sides, far_end_offset, squareness
from verifier.worked import Worked

SIZES = [(3 * FT, 4 * FT), (6 * FT, 8 * FT), (9 * FT, 12 * FT)]
"""3-4-5, 6-8-10 and 9-12-15 ft from one corner mark (common practice)."""


def closing(a: float, b: float, angle_deg: float) -> float:
    return math.sqrt(a * a + b * b - 2 * a * b * math.cos(math.radians(angle_deg)))


def at_angle(angle_deg: float, sizes: list[tuple[float, float]] = SIZES) -> list[Reading]:
    return [triangle(a, b, closing(a, b, angle_deg)) for a, b in sizes]


def work(readings: list[Reading]) -> Worked:
    return squareness(PLAN, SENSOR, readings)


@pytest.mark.parametrize(
    ("sides", "expected"),
    # Law of cosines; recomputed independently for this project (derived), five decimals, the third one cut off.
    [
        ((3.0, 4.0, 5.0), 90.0),
        ((3.0, 4.0, 5.010), 90.23897),
        ((3.0, 4.0, 4.990), 89.76150),
        ((3.0, 4.0, 5.005), 90.11943),
    ],
)
def test_angle_by_the_law_of_cosines(sides: tuple[float, float, float], expected: float) -> None:
    assert angle_of_sides(*sides).angle_deg == pytest.approx(expected, abs=1e-5)


def test_sensitivities_at_a_right_angle() -> None:
    """3-4-5 m: +1 mm on the diagonal, the short and the long leg turn +0.023873, -0.014324, -0.019099 deg (derived)."""
    assert angle_of_sides(3000.0, 4000.0, 5000.0).sensitivities == pytest.approx(
        (-0.014324, -0.019099, 0.023873), abs=5e-7
    )


@pytest.mark.parametrize(
    ("legs_m", "per_mm"), [((0.9, 1.2), 0.079577), ((1.8, 2.4), 0.039789), ((2.7, 3.6), 0.026526), ((6, 8), 0.011937)]
)
def test_diagonal_of_other_sizes(legs_m: tuple[float, float], per_mm: float) -> None:
    """c/(ab) in degrees per mm; recomputed independently."""
    a, b = (1000.0 * leg for leg in legs_m)
    assert angle_of_sides(a, b, math.hypot(a, b)).sensitivities[2] == pytest.approx(per_mm, abs=5e-7)


@pytest.mark.parametrize(
    ("sides_m", "u_mm", "expected"),
    # √((c/ab)² + 1/a² + 1/b²)·u; recomputed independently.
    [((3, 4, 5), 1.0, 0.03376), ((3, 4, 5), 2.0, 0.06752), ((0.9, 1.2, 1.5), 1.0, 0.11254), ((6, 8, 10), 5.0, 0.08440)],
)
def test_uncertainty_of_one_triangle(sides_m: tuple[float, float, float], u_mm: float, expected: float) -> None:
    slopes = angle_of_sides(*(1000.0 * s for s in sides_m)).sensitivities
    assert u_mm * math.hypot(*slopes) == pytest.approx(expected, abs=5e-6)


@given(st.floats(500, 20_000), st.floats(500, 20_000), st.floats(60, 120))
def test_sensitivities_are_the_slopes(a: float, b: float, angle: float) -> None:
    sides = (a, b, closing(a, b, angle))
    solved = angle_of_sides(*sides)
    for i in range(3):
        up, down = ([s + (d if k == i else 0.0) for k, s in enumerate(sides)] for d in (0.01, -0.01))
        slope = (angle_of_sides(*up).angle_deg - angle_of_sides(*down).angle_deg) / 0.02
        assert solved.sensitivities[i] == pytest.approx(slope, rel=1e-4, abs=1e-8)


@given(st.floats(500, 20_000), st.floats(500, 20_000), st.floats(60, 120), st.floats(0.1, 10))
def test_size_does_not_turn_an_angle(a: float, b: float, angle: float, scale: float) -> None:
    c = closing(a, b, angle)
    assert angle_of_sides(a * scale, b * scale, c * scale).angle_deg == pytest.approx(angle, abs=1e-6)


@pytest.mark.parametrize("sides", [(3.0, 4.0, 7.0), (3.0, 4.0, 0.9), (0.0, 4.0, 4.0)])
def test_sides_that_close_no_triangle(sides: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="close no triangle"):
        angle_of_sides(*sides)


@given(st.floats(85, 95))
def test_exact_triangles_give_the_exact_angle(angle: float) -> None:
    worked = work(at_angle(angle))
    assert worked.estimates[0].value == pytest.approx(angle, abs=1e-9)
    assert not worked.problems


@given(st.floats(85, 95))
def test_a_leg_against_the_direction_of_travel_counts_with_its_supplement(angle: float) -> None:
    a, b = SIZES[1]
    back = triangle(a, b, closing(a, b, 180.0 - angle), leg="back")
    assert work([back]).estimates[0].value == pytest.approx(angle, abs=1e-9)


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_order_of_triangles_does_not_matter(order: tuple[int, ...]) -> None:
    readings = [triangle(a, b, closing(a, b, 90.1) + e) for (a, b), e in zip(SIZES, (0.4, -0.7, 0.5), strict=True)]
    first, other = work(readings).estimates, work([readings[i] for i in order]).estimates
    assert [e.value for e in first] == pytest.approx([e.value for e in other], abs=1e-12)
    assert [e.standard_uncertainty for e in first] == pytest.approx([e.standard_uncertainty for e in other], rel=1e-9)


def test_shared_marks_count_once() -> None:
    """Two triangles on one mark of the line, ahead and back: the shared leg cancels, the mark's own turn does not."""
    a, b = SIZES[1]
    both = work([triangle(a, b, 10 * FT), triangle(a, b, 10 * FT, leg="back")]).estimates[0]
    off_line = next(line.standard_uncertainty for line in both.budget if "marks" in line.source)
    # The shared mark on the sensor's line turns both alike; the two on the marking are each their own.
    assert off_line == pytest.approx(math.degrees(MARK_U_MM) * math.hypot(1 / b, 1 / a / math.sqrt(2.0)), rel=1e-6)


@pytest.mark.parametrize(
    ("degrees", "offset"), [(0.1, 6.384), (0.25, 15.959), (0.5, 31.919), (1.0, 63.844), (2.0, 127.726)]
)
def test_offset_over_a_lane_of_12_ft(degrees: float, offset: float) -> None:
    """12 ft · tan(angle), in mm; recomputed independently (derived)."""
    angle = work(at_angle(90.0 + degrees)).estimates[0]
    assert far_end_offset(angle, 12 * FT).value == pytest.approx(offset, abs=5e-4)


def test_three_and_six_tenths_metres_at_one_degree() -> None:
    """3600 · tan 1 deg = 62.84 mm (recomputed independently)."""
    assert far_end_offset(work(at_angle(91.0)).estimates[0], 3600.0).value == pytest.approx(62.84, abs=5e-3)


@pytest.mark.parametrize("wrong", [0, 1, 2])
@pytest.mark.parametrize("blunder_mm", [-100.0, 30.48, 20.0])
def test_a_blunder_among_three_is_named(wrong: int, blunder_mm: float) -> None:
    readings = [
        triangle(a, b, closing(a, b, 90.0) + (blunder_mm if i == wrong else 0.0)) for i, (a, b) in enumerate(SIZES)
    ]
    worked = work(readings)
    assert worked.codes() == {"triangle-blunder"}
    assert f"Triangle {wrong + 1} " in worked.problems[0].message
    assert f"c by {abs(blunder_mm):.0f} mm" in worked.problems[0].message or abs(blunder_mm) > 50
    assert worked.estimates[0].value == pytest.approx(90.0, abs=1e-9)
    assert len(worked.used) == 3, "the one left out is still named as seen"


def test_of_two_that_disagree_it_is_not_said_which_is_wrong() -> None:
    (a, b), (d, e) = SIZES[:2]
    worked = work([triangle(a, b, 5 * FT), triangle(d, e, 10 * FT + 20)])
    assert worked.codes() == {"triangles-disagree"}
    assert not worked.estimates
    assert "not to be told which" in worked.problems[0].message


def test_one_triangle_shows_no_blunder_and_that_is_said() -> None:
    worked = work(at_angle(90.0, SIZES[:1]))
    assert [r.code for r in worked.remarks] == ["no-second-triangle"]
    assert worked.estimate(Quantity.SQUARENESS) is not None


@pytest.mark.parametrize(
    ("readings", "code"),
    [
        ([triangle(3000, 4000, 50_000)], "triangle-does-not-close"),
        ([triangle(3000, 4000, 5000, leg="sideways")], "leg-unknown"),
        ([triangle(3, 4, 5)], "value-implausible"),
    ],
)
def test_what_is_no_triangle_says_so(readings: list[Reading], code: str) -> None:
    worked = work(readings)
    assert worked.codes() == {code}
    assert not worked.estimates


def setting_out(
    rng: np.random.Generator, angle: float, sizes: list[tuple[float, float]], blunder: float = 0.0
) -> list[Reading]:
    """Marks set at the sizes with the tape's errors, and diagonals read to the millimetre: a slow, obvious survey."""
    scale, readings = 1.0 + rng.normal(0, 1e-4), []
    marks: dict[tuple[str, float], complex] = {}
    bad = rng.integers(len(sizes))
    for i, (a, b) in enumerate(sizes):
        for line, distance, direction in (("a", a, 0.0), ("b", b, angle)):
            if (line, distance) not in marks:
                radius = (distance - rng.normal(0, 0.5) - rng.uniform(-0.5, 0.5)) * scale
                place = (radius + 1j * rng.normal(0, MARK_U_MM)) * np.exp(1j * math.radians(direction))
                marks[line, distance] = place
        c = abs(marks["a", a] - marks["b", b]) / scale + rng.normal(0, 0.5)
        readings.append(triangle(a, b, float(np.round(c)) + (blunder if i == bad else 0.0), bad=str(bad + 1)))
    return readings


@pytest.mark.parametrize("blunder", [0.0, 50.0])
@pytest.mark.parametrize("sizes", [SIZES, [*SIZES, (3 * FT, 8 * FT), (6 * FT, 12 * FT)]])
def test_u_holds_the_true_angle(sizes: list[tuple[float, float]], blunder: float) -> None:
    """Over 400 surveys value ± U holds the truth in 95 % (more than 92 %: three standard deviations of the count)."""
    rng = np.random.default_rng(7)
    held = given_values = 0
    for _ in range(400):
        angle = 90.0 + rng.normal(0, 0.5)
        worked = work(setting_out(rng, angle, sizes, blunder))
        for estimate in worked.estimates[:1]:
            given_values += 1
            held += abs(estimate.value - angle) <= estimate.expanded_uncertainty
    assert given_values > 380
    assert 0.92 <= held / given_values <= 0.99, "as small as that allows, too"


def test_a_named_blunder_is_the_blunder() -> None:
    rng = np.random.default_rng(3)
    named = wrongly = 0
    for _ in range(200):
        readings = setting_out(rng, 90.0, SIZES, 20.0)
        for problem in work(readings).problems:
            if problem.code == "triangle-blunder":
                named += 1
                wrongly += f"Triangle {readings[0].text('bad')} " not in problem.message
    assert named >= 190
    assert wrongly == 0
