"""Bars found in drawn pictures whose geometry is known exactly, and in pictures that must give no bar."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.bar import LONG_BAR, SHORT_BAR, BarDesign, BarKind
from models.measurement import Problem
from tests.verifier.bar_pictures import (
    LONG,
    SHORT,
    Drawing,
    Laid,
    as_photo,
    inner_corners_mm,
    picture,
    raster,
    seen_from,
)
from verifier.bars import BarSighting, BarSightings, bar_of_tag, checker_corners_mm, find_bars, tag_corners_mm

SIZE = (1600, 1200)
LONG_VIEW = seen_from(LONG, 7, (800, 600), 1.4, 18.0, 0.15)
SHORT_VIEW = seen_from(SHORT, 3, (800, 600), 4.0, -30.0, 0.1)


def found(grey: NDArray[np.uint8]) -> tuple[BarSighting, ...]:
    sightings = find_bars(as_photo(grey))
    assert isinstance(sightings, BarSightings), sightings
    return sightings.bars


def only(grey: NDArray[np.uint8]) -> BarSighting:
    bars = found(grey)
    assert len(bars) == 1, [b.name for b in bars]
    return bars[0]


def corner_errors(bar: BarSighting, laid: Laid) -> NDArray[np.float64]:
    return np.asarray(bar.corners_px - laid.to_pixels(bar.corners_plate_mm))


def rms(errors: NDArray[np.float64]) -> float:
    """Per coordinate."""
    return float(np.sqrt(np.mean(errors**2)))


# --- the drawing


@pytest.mark.parametrize(("design", "drawing", "count"), [(LONG_BAR, LONG, 48), (SHORT_BAR, SHORT, 30)])
def test_the_drawing_has_the_corners_of_the_bars_document(design: BarDesign, drawing: Drawing, count: int) -> None:
    corners = checker_corners_mm(design)
    assert len(corners) == count
    np.testing.assert_allclose(
        sorted(map(tuple, corners)), sorted(map(tuple, inner_corners_mm(drawing))), rtol=0, atol=1e-12
    )


def test_every_tag_of_the_family_belongs_to_at_most_one_bar_and_the_largest_id_is_586() -> None:
    """36h11 has ids 0 to 586 (AprilRobotics/apriltag-imgs, 587 pictures); the series' largest are 494 and 586."""
    owners = {i: bar_of_tag(i) for i in range(-5, 700)}
    of_kind = {kind: [i for i, o in owners.items() if o and o[0].kind is kind] for kind in BarKind}
    assert (len(of_kind[BarKind.LONG]), max(of_kind[BarKind.LONG])) == (50 * 5, 494)
    assert (len(of_kind[BarKind.SHORT]), max(of_kind[BarKind.SHORT])) == (29 * 3, 586)
    assert owners[-1] is None
    assert owners[5] is None  # long bars use 10k ... 10k + 4


# --- accuracy of corners


@pytest.mark.parametrize(("blur", "noise"), [(0.5, 1.0), (0.8, 2.0), (1.4, 4.0), (2.2, 4.0)])
@pytest.mark.parametrize("view", [LONG_VIEW, SHORT_VIEW], ids=["long", "short"])
def test_corners_lie_within_a_few_hundredths_of_a_pixel(view: Laid, blur: float, noise: float) -> None:
    """OpenCV's saddle refinement reaches about 0.04 px on synthetic views (own trials with exact truth)."""
    bar = only(picture([view], SIZE, blur, noise))
    errors = corner_errors(bar, view)
    assert bar.coverage == 1.0
    assert rms(errors) < 0.06
    assert np.max(np.abs(errors)) < 0.25
    assert np.max(np.abs(errors.mean(axis=0))) < 0.02, "a common shift means another pixel origin"


def test_corners_of_a_bar_whose_tags_are_25_px_across() -> None:
    view = seen_from(LONG, 12, (800, 600), 25 / 80, 64.0, 0.05)
    bar = only(picture([view], SIZE, 0.6, 2.0))
    assert 24 < bar.tags[0].side_px < 27
    assert bar.coverage == 1.0
    assert rms(corner_errors(bar, view)) < 0.12


def test_corners_at_twelve_megapixels_found_from_the_reduced_picture() -> None:
    view = seen_from(LONG, 31, (2100, 1500), 2.2, -75.0, 0.2)
    bar = only(picture([view], (4032, 3024), 1.0, 3.0))
    errors = corner_errors(bar, view)
    assert bar.coverage == 1.0
    assert rms(errors) < 0.06
    assert np.max(np.abs(errors.mean(axis=0))) < 0.02


@settings(max_examples=12, deadline=None, derandomize=True)
@given(
    turn=st.floats(0, 360), lean=st.floats(-0.25, 0.25), dx=st.floats(-120, 120), dy=st.floats(-120, 120),
    number=st.integers(0, 49), blur=st.floats(0.5, 1.5),
)  # fmt: skip
def test_any_place_and_direction_gives_the_same_bar(
    turn: float, lean: float, dx: float, dy: float, number: int, blur: float
) -> None:
    view = seen_from(LONG, number, (700 + dx, 700 + dy), 1.05, turn, lean)
    bar = only(picture([view], (1400, 1400), blur))
    assert (bar.design.kind, bar.number, bar.first_tag_id) == (BarKind.LONG, number, 10 * number)
    assert rms(corner_errors(bar, view)) < 0.07


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_turning_the_picture_turns_the_corners_and_nothing_else(quarter_turns: int) -> None:
    grey = picture([LONG_VIEW], SIZE)
    upright, turned = only(grey), only(np.ascontiguousarray(np.rot90(grey, -quarter_turns)))
    expected = upright.corners_px
    for turn in range(quarter_turns):  # clockwise: (x, y) goes to (height - 1 - y, x)
        height = SIZE[1] if turn % 2 == 0 else SIZE[0]
        expected = np.column_stack([height - 1 - expected[:, 1], expected[:, 0]])
    np.testing.assert_allclose(turned.corners_plate_mm, upright.corners_plate_mm)
    np.testing.assert_allclose(turned.corners_px, expected, atol=0.03)


def test_half_shadow_takes_no_corner_away_and_moves_none() -> None:
    grey = picture([LONG_VIEW], SIZE).astype(np.float32)
    grey[:, :760] *= 0.3
    bar = only(grey.astype(np.uint8))
    errors = corner_errors(bar, LONG_VIEW)
    near_shadow = np.abs(bar.corners_px[:, 0] - 760) < 12
    assert bar.coverage > 0.9
    assert rms(errors[~near_shadow]) < 0.08


def test_a_tone_curve_does_not_move_corners() -> None:
    """Saddle points stay where they are under any monotonic curve of the brightness."""
    grey = picture([LONG_VIEW], SIZE, blur_px=1.2, noise=0.5)
    curved = (255 * (grey / 255.0) ** 0.45).astype(np.uint8)
    assert rms(corner_errors(only(curved), LONG_VIEW)) < 0.06


# --- mishaps


def test_a_covered_tag_costs_nothing_but_itself() -> None:
    grey = picture([LONG_VIEW], SIZE)
    centre = LONG_VIEW.to_pixels(np.array([[275.0, 50.0]]))[0]
    cv2.circle(grey, tuple(int(v) for v in np.rint(centre)), 40, 90, -1)
    bar = only(grey)
    assert rms(corner_errors(bar, LONG_VIEW)) < 0.06
    assert 71 not in {t.tag_id for t in bar.tags}


def test_a_glove_over_a_checker_field_takes_its_corners_out() -> None:
    """What covers the bar must not be given out as a corner: every corner that is kept lies as drawn."""
    grey = picture([LONG_VIEW], SIZE)
    outline = LONG_VIEW.to_pixels(np.array([[330.0, -30], [440, -30], [440, 130], [330, 130]]))
    cv2.fillPoly(grey, [np.rint(outline).astype(np.int32)], 70)
    bar = only(grey)
    under = (bar.corners_plate_mm[:, 0] > 330) & (bar.corners_plate_mm[:, 0] < 440)
    assert not under.any()
    assert rms(corner_errors(bar, LONG_VIEW)) < 0.06


@pytest.mark.parametrize("texture", [0.0, 25.0])
def test_a_bar_that_is_mostly_covered_is_refused_as_covered(texture: float) -> None:
    grey = picture([LONG_VIEW], SIZE)
    rng = np.random.default_rng(5)
    outline = LONG_VIEW.to_pixels(np.array([[190.0, -60], [1100, -60], [1100, 160], [190, 160]]))
    mask = np.zeros_like(grey)
    cv2.fillPoly(mask, [np.rint(outline).astype(np.int32)], 255)
    cover = np.clip(100 + rng.normal(0, texture + 1e-9, grey.shape), 0, 255)
    grey = np.where(mask > 0, cover, grey).astype(np.uint8)
    problem = find_bars(as_photo(grey))
    assert isinstance(problem, Problem)
    assert problem.code == "bar-covered"
    assert "long bar 7" in problem.message


def test_tags_that_are_no_bar_are_not_measured() -> None:
    """Boxes with tag 0 (also the first tag of long bar 0) strewn about, as in photos of tagged cubes on asphalt."""
    grey = np.full((1200, 1600), 90, np.uint8)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    for x, y in [(200, 200), (700, 300), (1200, 500), (400, 800)]:
        grey[y - 20 : y + 180, x - 20 : x + 180] = 240
        grey[y : y + 160, x : x + 160] = cv2.aruco.generateImageMarker(family, 0, 160)
    problem = find_bars(as_photo(np.asarray(cv2.GaussianBlur(grey, (0, 0), 0.8), np.uint8)))
    assert isinstance(problem, Problem)


def test_a_false_tag_beside_a_bar_changes_nothing() -> None:
    """A sheet with one of the bar's own ids lies elsewhere in the picture."""
    grey = picture([LONG_VIEW], SIZE)
    clean = only(grey)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    for tag_id, (x, y) in {72: (150, 150), 73: (1250, 950)}.items():
        grey[y - 20 : y + 180, x - 20 : x + 180] = 240
        grey[y : y + 160, x : x + 160] = cv2.aruco.generateImageMarker(family, tag_id, 160)
    disturbed = only(grey)
    np.testing.assert_allclose(disturbed.corners_px, clean.corners_px, atol=0.02)


def test_a_bare_tag_sheet_of_all_five_tags_without_checker_is_no_bar() -> None:
    grey = picture([LONG_VIEW], SIZE)
    for left in LONG.field_lefts:
        field = LONG_VIEW.to_pixels(np.array([[left, 0], [left + 125, 0], [left + 125, 100], [left, 100]], float))
        cv2.fillPoly(grey, [np.rint(field).astype(np.int32)], 200)
    assert isinstance(find_bars(as_photo(grey)), Problem)


def test_one_bar_twice_in_a_picture_is_said_and_not_measured() -> None:
    """Two bars with one number: their lengths cannot be told apart, so neither is used."""
    twins = [seen_from(LONG, 9, (800, 300), 1.4, 3.0), seen_from(LONG, 9, (800, 900), 1.4, -8.0)]
    outcome = find_bars(as_photo(picture(twins, SIZE)))
    assert isinstance(outcome, Problem)
    assert "two bars with one number" in outcome.message
    third = seen_from(SHORT, 4, (800, 600), 3.0, 0.0)
    with_another = find_bars(as_photo(picture([*twins, third], SIZE)))
    assert isinstance(with_another, BarSightings)
    assert [b.name for b in with_another.bars] == ["short bar 4"]
    assert any("two bars with one number" in reason for reason in with_another.left_out)


def test_two_bars_come_lowest_tag_first_whatever_their_places() -> None:
    a, b = seen_from(LONG, 40, (800, 300), 1.4, 3.0), seen_from(SHORT, 0, (500, 900), 2.5, 75.0)
    for pair in ([a, b], [b, a]):
        bars = found(picture(pair, SIZE))
        assert [bar.first_tag_id for bar in bars] == [400, 500]
        assert rms(corner_errors(bars[0], a)) < 0.06
        assert rms(corner_errors(bars[1], b)) < 0.06


def test_first_corner_of_every_tag_is_at_the_upper_left_of_the_plate() -> None:
    """OpenCV's pictures of the tags are the upstream ones turned by 180 degrees: mixing them turns a bar round."""
    bar = only(picture([LONG_VIEW], SIZE))
    assert len(bar.tags) == 5
    for tag in bar.tags:
        index = tag.tag_id - bar.first_tag_id
        np.testing.assert_allclose(tag.corners_px, LONG_VIEW.to_pixels(tag_corners_mm(LONG_BAR, index)), atol=2.0)


@pytest.mark.parametrize("drawing", [LONG, SHORT], ids=["long", "short"])
def test_a_bar_printed_from_upstream_tag_pictures_is_not_taken_for_ours(drawing: Drawing) -> None:
    """Every tag turned by 180 degrees on the plate: +x, left and right would be exchanged unnoticed."""
    face = raster(drawing, 6, 8).copy()
    side = round(drawing.tag_side * 8)
    top = (face.shape[0] - side) // 2
    for centre in drawing.tag_centres:
        left = round((centre - drawing.tag_side / 2) * 8)
        face[top : top + side, left : left + side] = face[top : top + side, left : left + side][::-1, ::-1]
    grey = np.full((1200, 1600), 90, np.uint8)
    scale = 1400 / face.shape[1]
    small = cv2.resize(face, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    grey[500 : 500 + small.shape[0], 100 : 100 + small.shape[1]] = small
    outcome = find_bars(as_photo(grey))
    assert isinstance(outcome, Problem), [b.name for b in outcome.bars]


def test_a_mirrored_picture_has_no_bar() -> None:
    assert isinstance(find_bars(as_photo(np.ascontiguousarray(picture([LONG_VIEW], SIZE)[:, ::-1]))), Problem)


@pytest.mark.parametrize(("level", "code"), [(5, "underexposed"), (252, "overexposed"), (110, "bar-not-found")])
def test_an_empty_picture_says_the_likeliest_reason(level: int, code: str) -> None:
    problem = find_bars(as_photo(np.full((1200, 1600), level, np.uint8)))
    assert isinstance(problem, Problem)
    assert problem.code == code


@pytest.mark.parametrize("turn_deg", [0.0, 45.0, 70.0])
def test_a_shaken_picture_is_called_blurred_whatever_way_it_was_shaken(turn_deg: float) -> None:
    """A smear of 40 px leaves the edges along it sharp, and the sensor's noise everywhere."""
    smear = np.zeros((41, 41), np.float32)
    reach = 20 * np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    start, end = (tuple(int(v) for v in np.rint(20 + sign * reach)) for sign in (-1, 1))
    cv2.line(smear, start, end, 1.0)
    rng = np.random.default_rng(4)
    ground = cv2.GaussianBlur(rng.normal(0, 60, SIZE[::-1]).astype(np.float32), (0, 0), 1.2)
    sharp = picture([LONG_VIEW], SIZE, 0.8, 0.0).astype(np.float32) + ground
    shaken = cv2.filter2D(sharp, -1, smear / smear.sum()) + rng.normal(0, 3.0, SIZE[::-1])
    problem = find_bars(as_photo(np.clip(shaken, 0, 255).astype(np.uint8)))
    assert isinstance(problem, Problem)
    assert problem.code == "blurred"


def test_sharp_pavement_without_a_bar_is_not_called_blurred() -> None:
    rng = np.random.default_rng(4)
    ground = 100 + cv2.GaussianBlur(rng.normal(0, 60, SIZE[::-1]).astype(np.float32), (0, 0), 1.0)
    problem = find_bars(as_photo(np.clip(ground, 0, 255).astype(np.uint8)))
    assert isinstance(problem, Problem)
    assert problem.code == "bar-not-found"


def test_blur_and_contrast_are_stated_truly() -> None:
    for blur in (0.7, 1.5):
        bar = only(picture([LONG_VIEW], SIZE, blur, 1.0))
        assert bar.blur_px == pytest.approx(np.hypot(blur, 0.29), rel=0.25)  # 0.29 px: the pixel's own width
        assert bar.contrast == pytest.approx(215, rel=0.15)
