"""Layout angle and lane line on small pictures with known geometry, and every reason to refuse one."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from models.measurement import Problem, Quantity
from tests.verifier.painted_road import BLACK, GREEN, PINK, SIZE, WHITE, YELLOW, Stripe, camera_over, road
from verifier.bands import Band, Feature, Tone, _band, _pairs, find_bands, find_edges, light_of, view_from_above
from verifier.finding import CurveRole, Finding
from verifier.lane import LaneLine, Object, find_lane_line
from verifier.layout import measure_layout
from verifier.marks import Mark, MarkedFeature, Marks
from verifier.photo import Photo
from verifier.plane import CovarianceSource, GroundPlane

PLANE = camera_over()
LANE = Stripe((0.0, 75.0), 0.0, 150.0, WHITE)  # its lane side is y < 0: the edge at y = 0
CONCRETE = (0.28, 0.3, 0.32)


def layout_line(angle_deg: float = 91.2, x: float = 0.0, colour: tuple[float, float, float] = WHITE) -> Stripe:
    """A sprayed line of 40 mm that starts 60 mm from the lane line and runs 1.6 m into the lane (towards -y)."""
    return Stripe((x, 0.0), angle_deg, 40.0, colour, (-1660.0, -60.0))


def code_of(finding: Finding) -> str:
    assert finding.estimates == ()
    assert len(finding.problems) == 1
    return finding.problems[0].code


def assert_measures(finding: Finding, angle_deg: float) -> None:
    assert finding.problems == ()
    (estimate,) = finding.estimates
    assert estimate.quantity is Quantity.LAYOUT_ANGLE
    assert abs(estimate.value - angle_deg) < min(estimate.expanded_uncertainty, 0.15)
    assert estimate.expanded_uncertainty < 0.25


@pytest.mark.parametrize("angle_deg", [86.0, 89.3, 90.0, 91.2, 94.0])
def test_angle_is_counter_clockwise_from_the_lane_line_to_the_layout_axis(angle_deg: float) -> None:
    """The pictures are painted with that angle: a line that leans left seen from above gives more than 90 degrees."""
    assert_measures(measure_layout(road(PLANE, [LANE, layout_line(angle_deg)]), PLANE, []), angle_deg)


@pytest.mark.parametrize(
    ("lane_colour", "line_colour", "ground"),
    [
        (YELLOW, WHITE, (0.05, 0.05, 0.05)),
        (WHITE, PINK, CONCRETE),
        (WHITE, GREEN, (0.09, 0.09, 0.09)),
        (YELLOW, YELLOW, CONCRETE),
    ],
)
def test_colours(
    lane_colour: tuple[float, float, float], line_colour: tuple[float, float, float], ground: tuple[float, float, float]
) -> None:
    stripes = [replace(LANE, colour=lane_colour), layout_line(colour=line_colour)]
    assert_measures(measure_layout(road(PLANE, stripes, ground=ground), PLANE, []), 91.2)


def test_worn_marking_and_worn_line() -> None:
    stripes = [replace(LANE, worn=0.5), replace(layout_line(), worn=0.3)]
    assert_measures(measure_layout(road(PLANE, stripes), PLANE, []), 91.2)


def test_of_a_double_line_the_nearer_marking_counts() -> None:
    """The farther one is turned by 2 degrees, so that taking it would show."""
    photo = road(
        PLANE, [Stripe((0.0, 325.0), 2.0, 120.0, YELLOW), Stripe((0.0, 60.0), 0.0, 120.0, YELLOW), layout_line()]
    )
    assert_measures(measure_layout(photo, PLANE, []), 91.2)


def test_lane_line_is_the_edge_that_faces_the_line() -> None:
    """A marking whose edges are not parallel (a wedge of 1 degree): the edge on the lane's side counts."""
    wedge = Stripe((0.0, 85.0), 1.0, 150.0, WHITE)
    measured = measure_layout(road(PLANE, [wedge, LANE, layout_line()]), PLANE, [])
    assert_measures(measured, 91.2)


def test_a_blacked_out_stale_line_is_passed_over() -> None:
    stale = Stripe((350.0, 0.0), 85.0, 80.0, BLACK, (-1700.0, -20.0))
    assert_measures(measure_layout(road(PLANE, [LANE, stale, layout_line()]), PLANE, []), 91.2)


@pytest.mark.parametrize("gap_mm", [110.0, 130.0])
def test_a_fresh_line_that_runs_up_to_a_stale_one_is_measured(gap_mm: float) -> None:
    """The two converge towards their far ends; pavement lies between them all along, and beside the fresh one."""
    stale = Stripe((gap_mm, 0.0), 89.9, 50.0, BLACK, (-1900.0, -20.0))
    assert_measures(measure_layout(road(PLANE, [LANE, stale, layout_line()]), PLANE, []), 91.2)


def test_flecks_beyond_its_end_do_not_lengthen_a_line_over_the_marking() -> None:
    """Specks of paint in line with the sprayed one, past the lane marking: it still ends at the marking."""
    flecks = [Stripe((0.0, 0.0), 91.2, 40.0, WHITE, (s, s + 28.0)) for s in (250.0, 420.0)]
    photo = road(PLANE, [LANE, layout_line(), *flecks])
    line = next(b for b in find_bands(photo.colour, PLANE, []) if 20.0 < b.width_mm < 70.0)
    assert float(line.ends_mm[:, 1].max()) < 60.0
    assert_measures(measure_layout(photo, PLANE, []), 91.2)


def test_old_colour_showing_beside_the_black_is_no_layout_line() -> None:
    old = Stripe((350.0, 0.0), 85.0, 60.0, PINK, (-1700.0, -20.0))
    black = Stripe((368.0, 0.0), 85.0, 60.0, BLACK, (-1700.0, -20.0))
    assert code_of(measure_layout(road(PLANE, [LANE, old, black]), PLANE, [])) == "wrong-kind-of-photo"


def test_paint_beside_a_saw_cut_is_no_layout_line() -> None:
    green, cut = (
        Stripe((-55.0, 0.0), 90.5, 45.0, GREEN, (-1900.0, -40.0)),
        Stripe((0.0, 0.0), 90.5, 70.0, BLACK, (-1900.0, -60.0)),
    )
    assert code_of(measure_layout(road(PLANE, [LANE, green, cut]), PLANE, [])) == "wrong-kind-of-photo"


def test_two_fresh_lines_are_refused_until_a_mark_decides() -> None:
    photo = road(PLANE, [LANE, layout_line(91.2), layout_line(88.0, x=450.0)])
    assert code_of(measure_layout(photo, PLANE, [])) == "layout-line-ambiguous"
    for x, angle in ((0.0, 91.2), (450.0, 88.0)):
        y = np.array([-300.0, -1400.0])
        points = np.column_stack([x + y / np.tan(np.radians(angle)) + 8.0, y])
        marks = Marks((Mark(MarkedFeature.LAYOUT_LINE, PLANE.to_pixels(points)),))
        assert_measures(measure_layout(photo, PLANE, [], marks), angle)


def test_pavement_between_two_dark_coloured_lines_is_no_line() -> None:
    """Orange on light concrete is darker than the ground: the strip between two such lines is the lightest."""
    first, second = (layout_line(a, x, (0.02, 0.1, 0.4)) for a, x in ((91.2, 0.0), (91.0, 330.0)))
    photo = road(PLANE, [replace(LANE, colour=YELLOW), first, second], ground=CONCRETE)
    view = view_from_above(photo.colour, PLANE, [])
    pairs = _pairs(find_edges(view, light_of(view), Feature.LIGHT))
    assert pairs
    assert all(band.width_mm < 200.0 for pair in pairs if (band := _band(view, *pair)) is not None)
    assert code_of(measure_layout(photo, PLANE, [])) == "layout-line-ambiguous"


def test_without_a_lane_marking() -> None:
    assert code_of(measure_layout(road(PLANE, [layout_line()]), PLANE, [])) == "lane-line-not-found"


def test_without_a_layout_line() -> None:
    assert code_of(measure_layout(road(PLANE, [LANE]), PLANE, [])) == "layout-line-not-found"


def test_bare_pavement() -> None:
    assert code_of(measure_layout(road(PLANE, []), PLANE, [])) == "layout-line-not-found"


def test_two_markings_square_to_the_line_at_the_same_end_are_ambiguous_when_not_parallel() -> None:
    photo = road(PLANE, [LANE, Stripe((0.0, 300.0), 8.0, 150.0, WHITE), layout_line()])
    assert code_of(measure_layout(photo, PLANE, [])) == "lane-line-ambiguous"


def test_ground_under_bars_is_left_out() -> None:
    """A white plate that all but touches the layout line would pull its edge; its outline says that it is there."""
    plate = Stripe((116.0, -800.0), 90.5, 100.0, WHITE, (-500.0, 500.0))
    outline = np.array([[70.0, -1300.0], [170.0, -1300.0], [162.0, -300.0], [62.0, -300.0]])
    assert_measures(measure_layout(road(PLANE, [LANE, layout_line(), plate]), PLANE, [outline]), 91.2)


def test_turning_the_picture_changes_nothing() -> None:
    photo, plane = road(PLANE, [LANE, layout_line()]), PLANE
    straight = measure_layout(photo, plane, []).estimates[0]
    turned_photo = replace(photo, colour=np.ascontiguousarray(np.rot90(photo.colour)))
    turned = measure_layout(turned_photo, _turned_left(plane), []).estimates[0]
    assert turned.value == pytest.approx(straight.value, abs=0.02)


def _turned_left(plane: GroundPlane) -> GroundPlane:
    """The plane of the picture turned by 90 degrees counter-clockwise: (u, v) becomes (v, width - 1 - u)."""
    quarter = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    parameters = plane.parameters.copy()
    parameters[1:3] = plane.parameters[2], plane.size_px[0] - 1 - plane.parameters[1]
    parameters[5:8] = cv2.Rodrigues(quarter @ plane.rotation)[0].ravel()
    parameters[8:11] = quarter @ plane.parameters[8:11]
    return GroundPlane(parameters, plane.sources, (plane.size_px[1], plane.size_px[0]))


def test_finding_carries_the_curves_and_a_budget_of_named_sources() -> None:
    finding = measure_layout(road(PLANE, [LANE, layout_line()]), PLANE, [])
    roles = [c.role for c in finding.curves]
    assert roles == [CurveRole.LANE_LINE, CurveRole.LAYOUT_AXIS, CurveRole.LAYOUT_BAND, CurveRole.LAYOUT_BAND]
    lane = finding.curves[0].points_mm
    assert np.abs(lane[:, 1]).max() < 2.0
    assert [line.source for line in finding.estimates[0].budget] == [
        "assumed", "lane line: location of its edge", "layout line: location of its edges", "pavement not flat",
    ]  # fmt: skip


def test_coarse_bands_have_their_width_place_and_tone() -> None:
    photo = road(PLANE, [LANE, layout_line(), Stripe((-420.0, 0.0), 84.0, 70.0, BLACK, (-1500.0, -80.0))])
    bands = find_bands(photo.colour, PLANE, [])
    by_width = sorted(bands, key=lambda b: b.width_mm)
    assert [b.tone for b in by_width] == [Tone.PAINT, Tone.DARK, Tone.PAINT]
    assert [b.width_mm for b in by_width] == pytest.approx([40.0, 70.0, 150.0], abs=12.0)
    assert abs(by_width[2].middle_mm[1] - 75.0) < 8.0


@pytest.mark.parametrize("from_deg", [70.0, 250.0])
def test_lane_line_beside_a_slot_on_either_side(from_deg: float) -> None:
    """The slot's axis tells which edge faces the lane: here the lane lies at y > 0, the marking below it."""
    plane = camera_over((0.0, 700.0), from_deg=from_deg)
    slot = Stripe((0.0, 0.0), 90.0, 70.0, BLACK, (100.0, 2000.0))
    photo = road(plane, [Stripe((0.0, -60.0), 0.0, 120.0, WHITE), slot])
    towards = Object(_axis(0.0, 90.0), (100.0, 2000.0))
    found = find_lane_line(photo, plane, find_bands(photo.colour, plane, []), [], towards)
    assert not isinstance(found, Problem)
    assert np.abs(found.axis.from_plane(np.array([[0.0, 0.0]]))[0, 1]) < 1.5
    assert np.degrees(found.line.fit.angle_rad) % 180 == pytest.approx(
        180.0 * (np.degrees(found.line.fit.angle_rad) % 180 > 90), abs=0.1
    )
    assert found.axis.from_plane(np.array([[0.0, -60.0]]))[0, 1] > 50  # the marking lies to the left


def test_a_mark_on_the_lane_line_decides_between_two_markings() -> None:
    photo = road(PLANE, [LANE, Stripe((0.0, 300.0), 8.0, 150.0, WHITE), layout_line()])
    points = np.array([[-500.0, 10.0], [500.0, 5.0]])
    marks = Marks((Mark(MarkedFeature.LANE_LINE, PLANE.to_pixels(points)),))
    assert_measures(measure_layout(photo, PLANE, [], marks), 91.2)


def _axis(x: float, angle_deg: float):  # type: ignore[no-untyped-def]
    from verifier.finding import Axis

    return Axis(np.array([x, 0.0]), np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))]))


def test_pictures_are_as_large_as_the_plane_says() -> None:
    assert road(PLANE, []).size_px == SIZE


def cut_off_above(photo: Photo, y_mm: float) -> tuple[Photo, GroundPlane]:
    """The photo without what lies beyond ``y_mm`` in its middle, and its plane."""
    top = int(PLANE.to_pixels(np.array([[0.0, y_mm]]))[0, 1])
    parameters = PLANE.parameters.copy()
    parameters[2] -= top
    cropped = replace(photo, colour=np.ascontiguousarray(photo.colour[top:]))
    return cropped, GroundPlane(parameters, PLANE.sources, cropped.size_px)


def test_a_marking_that_the_picture_cuts_off_still_has_its_facing_edge() -> None:
    """The photo is cropped so that the outer edge of the marking is out of view."""
    cropped, plane = cut_off_above(road(PLANE, [LANE, layout_line()]), 80.0)
    assert_measures(measure_layout(cropped, plane, []), 91.2)


def test_pavement_beyond_a_joint_is_no_cut_off_marking() -> None:
    """The joint's far side is a straight edge to lighter ground that the border cuts off; but it is the same ground."""
    joint = Stripe((0.0, -12.0), 0.0, 24.0, BLACK)
    supposed = Band(_axis(0.0, 0.0), 160.0, (-500.0, 500.0), 900.0, Tone.PAINT, 0.4, 0.0, 5.0, 0.8, 0.8, whole=False)
    supposed = replace(supposed, axis=replace(supposed.axis, origin_mm=np.array([0.0, 80.0])))
    towards = Object(_axis(0.0, 91.2), (-1660.0, -60.0))
    outcomes = {
        name: find_lane_line(road(PLANE, [stripe], ground=CONCRETE), PLANE, [supposed], [], towards)
        for name, stripe in (("joint", joint), ("marking", replace(LANE, width_mm=160.0, at=(0.0, 80.0))))
    }
    assert isinstance(outcomes["joint"], Problem)
    assert isinstance(outcomes["marking"], LaneLine)


def test_light_beside_a_soft_shadow_is_no_lane_marking() -> None:
    """The border cuts off a bright area whose only edge is as soft as the shadow of something tall."""
    steps = [Stripe((0.0, 510.0 + 6.0 * k), 0.0, 1000.0, tuple([0.09 + 0.05 * k] * 3)) for k in range(9)]  # type: ignore[arg-type]
    cropped, plane = cut_off_above(road(PLANE, [*steps, layout_line()]), 150.0)
    assert code_of(measure_layout(cropped, plane, [])) == "lane-line-not-found"


def test_black_paint_tinted_by_an_old_colour_is_no_fresh_line() -> None:
    tinted = layout_line(colour=(0.04, 0.045, 0.08))
    finding = measure_layout(road(PLANE, [LANE, tinted], ground=(0.05, 0.05, 0.05)), PLANE, [])
    assert code_of(finding) in ("wrong-kind-of-photo", "layout-line-not-found")


def test_the_lit_wall_of_a_slot_is_no_layout_line() -> None:
    """On one side of the bright strip lies pavement, on the other the slot's smooth inside, of the same mean tone."""
    wall = Stripe((0.0, 0.0), 91.0, 22.0, (0.5, 0.5, 0.5), (-1700.0, -60.0))
    inside = Stripe((-41.0, 0.0), 91.0, 60.0, (0.075, 0.075, 0.075), (-1700.0, -60.0))
    assert code_of(measure_layout(road(PLANE, [LANE, inside, wall]), PLANE, [])) == "wrong-kind-of-photo"


@pytest.mark.parametrize("inside", [0.16, 0.2])
def test_the_rest_of_a_line_that_was_cut_along_is_no_layout_line(inside: float) -> None:
    """The slot's floor in the light is lighter than the pavement, and smoother: no dark band gives the cut away."""
    rest = Stripe((0.0, 0.0), 91.0, 34.0, YELLOW, (-1700.0, -60.0))
    floor = Stripe((-56.0, 0.0), 91.0, 78.0, (inside, inside, inside), (-1700.0, -60.0))
    assert code_of(measure_layout(road(PLANE, [LANE, floor, rest]), PLANE, [])) == "wrong-kind-of-photo"


def test_a_line_sprayed_past_the_marking_belongs_to_the_lane_that_holds_it() -> None:
    past = replace(layout_line(), span_mm=(-1800.0, 340.0))
    assert_measures(measure_layout(road(PLANE, [past, LANE]), PLANE, []), 91.2)


def test_of_two_fresh_lines_a_short_one_makes_it_ambiguous_too() -> None:
    short = Stripe((450.0, 0.0), 88.0, 40.0, WHITE, (-720.0, -60.0))
    assert code_of(measure_layout(road(PLANE, [LANE, layout_line(), short]), PLANE, [])) == "layout-line-ambiguous"


def test_far_blocks_are_left_out_where_the_plane_is_too_uncertain() -> None:
    """With a badly known tilt the lane line's far ends say nothing; the choice must not raise the uncertainty."""
    loose = np.diag(np.array([2e-3, 3.0, 3.0, 5e-3, 5e-3, *[3e-3] * 3, *[1.0] * 3]) ** 2)
    plane = GroundPlane(PLANE.parameters, (CovarianceSource("assumed", loose),), PLANE.size_px)
    finding = measure_layout(road(PLANE, [LANE, layout_line()]), plane, [])
    (estimate,) = finding.estimates
    assert abs(estimate.value - 91.2) < estimate.expanded_uncertainty


def test_marks_lead_to_a_line_that_the_search_passes_over() -> None:
    """The tinted black line is refused by itself; a person who marks it gets its angle."""
    tinted = layout_line(colour=(0.03, 0.03, 0.075))
    photo = road(PLANE, [LANE, tinted], ground=(0.05, 0.05, 0.05))
    y = np.array([-200.0, -1500.0])
    points = np.column_stack([y / np.tan(np.radians(91.2)) + 6.0, y])
    marks = Marks((Mark(MarkedFeature.LAYOUT_LINE, PLANE.to_pixels(points)),))
    finding = measure_layout(photo, PLANE, [], marks)
    assert finding.estimates
    assert abs(finding.estimates[0].value - 91.2) < finding.estimates[0].expanded_uncertainty


def test_marks_beside_the_line_give_no_measurement() -> None:
    points = np.array([[300.0, -300.0], [320.0, -1200.0]])
    marks = Marks((Mark(MarkedFeature.LAYOUT_LINE, PLANE.to_pixels(points)),))
    assert code_of(measure_layout(road(PLANE, [LANE, layout_line()]), PLANE, [], marks)) == "layout-line-not-found"
