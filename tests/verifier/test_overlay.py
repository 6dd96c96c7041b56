"""Overlays: what is drawn stands where it belongs, shows on any ground, and is not told by colour alone."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from models.bar import LONG_BAR
from models.measurement import (
    BudgetLine,
    Estimate,
    Judgement,
    Limits,
    Measurement,
    PhotoKind,
    PhotoResult,
    Problem,
    Quantity,
    Verdict,
)
from models.wording import rounded
from verifier.adjustment import Adjustment, PlacedBar
from verifier.bars import BarSighting, BarSightings, checker_corners_mm
from verifier.finding import Axis, Curve, CurveRole, Finding
from verifier.measure import Examination
from verifier.overlay import compose, draw_overlay
from verifier.overlay_canvas import (
    MARGIN_PX,
    SMALL_PT,
    WIDTH_PX,
    Panel,
    Stroke,
    Words,
    blank_panel,
    draw_line,
    draw_sign,
    printable,
    stack,
    width_px,
    wrapped,
)
from verifier.overlay_strip import STROKES, deviation_mm, draw_strip
from verifier.overlay_words import limits_text, value_text
from verifier.photo import CaptureFacts, Photo
from verifier.plane import GroundPlane

Array = NDArray[np.float64]

SIZE_PX = (1600, 1200)
STRAIGHT_DOWN = np.array([np.log(1000.0), 799.5, 599.5, 0.0, 0.0, np.pi, 0.0, 0.0, -500.0, 0.0, 1000.0])
"""A camera 1 m above (500, 0), looking straight down: one pixel a millimetre, x right, y up."""
PLANE = GroundPlane(STRAIGHT_DOWN, (), SIZE_PX)
AXIS = Axis(np.array([100.0, 0.0]), np.array([1.0, 0.0]))


def slot_photo(level: int = 130) -> Photo:
    """A dark slot from y = -38 to 38 mm on plain pavement."""
    picture = np.full((SIZE_PX[1], SIZE_PX[0], 3), level, dtype=np.uint8)
    picture[562:638] = level // 4
    return Photo("slot.jpg", "ab" * 32, picture, CaptureFacts())


def bar() -> PlacedBar:
    corners = checker_corners_mm(LONG_BAR)
    shift = np.array([0.0, 150.0])
    pixels = PLANE.to_pixels(corners + shift)
    to_px = np.array([[1.0, 0, 299.5], [0, -1.0, 449.5], [0, 0, 1.0]])
    sighting = BarSighting(LONG_BAR, 3, (), corners, pixels, to_px, 100.0, 0.8)
    outline = np.array([[0.0, 0], [1000, 0], [1000, 100], [0, 100]]) + shift
    kept = np.ones(len(corners), dtype=bool)
    kept[5] = False
    return PlacedBar(sighting, outline, np.zeros_like(corners), kept)


def edge(role: CurveRole, n_mm: float) -> Curve:
    """A slot's edge with a wave of 1 mm and a chip of 4 mm at 500 mm, left out."""
    s = np.arange(0.0, 900.0)
    chip = np.abs(s - 400) < 12
    n = n_mm + np.sin(s / 90) + 4 * np.sign(n_mm) * chip
    return Curve(role, AXIS.to_plane(s, n), chip)


def estimate(quantity: Quantity, value: float, u: float) -> Estimate:
    return Estimate(quantity, value, (BudgetLine("edge location", u),))


def judged(quantity: Quantity, value: float, u: float, limits: Limits, verdict: Verdict, p: float) -> Measurement:
    return Measurement(estimate(quantity, value, u), Judgement(verdict, p, limits, "1.2"))


WIDTH = judged(Quantity.SLOT_WIDTH, 76.21, 0.11, Limits(75.0, 79.0), Verdict.CONFORMING, 0.9999)
STRAIGHTNESS = judged(Quantity.SLOT_STRAIGHTNESS, 2.1, 0.1, Limits(None, 3.0), Verdict.CONFORMING, 1.0)
SPALL = judged(Quantity.SPALL_DEPTH, 4.0, 0.3, Limits(None, 3.0), Verdict.NONCONFORMING, 0.0004)
LENGTH = Measurement(estimate(Quantity.MEASURED_LENGTH, 820.0, 1.0))


def examination(*measurements: Measurement, level: int = 130) -> Examination:
    """A measured slot photo."""
    curves = (
        edge(CurveRole.SLOT_EDGE_LEFT, 38.0),
        edge(CurveRole.SLOT_EDGE_RIGHT, -38.0),
        Curve(CurveRole.MEASURED_LENGTH, np.array([[140.0, 0.0], [960.0, 0.0]])),
    )
    finding = Finding(tuple(m.estimate for m in measurements), (), curves, AXIS)
    result = PhotoResult("crew/IMG 1.jpg", "ab" * 32, PhotoKind.SLOT, usable=True, measurements=measurements)
    placed = bar()
    return Examination(
        result,
        slot_photo(level),
        BarSightings((placed.sighting,)),
        Adjustment(PLANE, (placed,), 0.05, 80, 0.0),
        finding,
    )


def words_of(panels: list[Panel]) -> str:
    return " | ".join(w.text.replace("\u00a0", " ") for p in panels for w in p.words)


def unusable(*problems: Problem) -> Examination:
    whole = examination()
    return replace(whole, adjustment=None, finding=None, result=replace(whole.result, usable=False, problems=problems))


# --- what it says ------------------------------------------------------------------------------------------------


def test_overlay_is_a_jpeg_of_the_width_it_promises() -> None:
    jpeg = draw_overlay(examination(WIDTH, STRAIGHTNESS, SPALL, LENGTH))
    picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    assert picture.shape[1] == WIDTH_PX
    assert draw_overlay(examination(WIDTH, STRAIGHTNESS, SPALL, LENGTH)) == jpeg, "same photo, same overlay"


def test_worst_verdict_heads_the_overlay_and_every_number_is_told() -> None:
    panels = compose(examination(WIDTH, STRAIGHTNESS, SPALL, LENGTH))
    heading = words_of(panels[:1])
    assert heading == "NONCONFORMING | Spall depth 4.00 ± 0.60 mm (at most 3 mm)"
    everything = words_of(panels)
    for expected in (
        "Slot width | 76.21 ± 0.22 mm | conforming | 75 to 79 mm · P(conforms) > 99.9 %",
        "Spall depth | 4.00 ± 0.60 mm | nonconforming | at most 3 mm · P(conforms) < 0.1 %",
        "Measured length | 820.0 ± 2.0 mm",
        "measured 820 mm",
        "long bar 3",
        "slot edge, left",
        "slot edge, right",
        "shaded: 3 mm allowed",
        "slot photo IMG 1.jpg",
    ):
        assert expected in everything


@pytest.mark.parametrize(
    ("measurements", "word"),
    [
        ([WIDTH, STRAIGHTNESS], "CONFORMING"),
        ([WIDTH, replace(SPALL, judgement=Judgement(Verdict.INCONCLUSIVE, 0.5, Limits(None, 4.2)))], "INCONCLUSIVE"),
        ([LENGTH, Measurement(WIDTH.estimate)], "MEASURED"),
    ],
)
def test_heading_word(measurements: list[Measurement], word: str) -> None:
    assert compose(examination(*measurements))[0].words[0].text == word


def test_unusable_photo_says_why_in_large_type_and_shows_its_bars() -> None:
    why = Problem("bar-not-flat", "The bar does not lie flat: lay the bar flat on the pavement, nothing under it.")
    panels = compose(unusable(why))
    assert panels[0].words[0].text == "UNUSABLE"
    reason = panels[0].words[1:]
    assert " ".join(w.text for w in reason) == why.message
    # 390 points is a phone's width: 16 points and more is large type there.
    assert all(w.size_pt >= 16 for w in reason)
    assert "long bar 3" in words_of(panels)


def test_file_that_is_no_photo_still_gets_its_reason() -> None:
    broken = Examination(
        PhotoResult("x.jpg", "00" * 32, PhotoKind.LAYOUT, usable=False, problems=(Problem("photo-empty", "Empty."),))
    )
    assert words_of(compose(broken)).startswith("UNUSABLE | Empty.")
    assert len(draw_overlay(broken)) > 1000


def test_no_word_runs_out_of_the_picture() -> None:
    long_name = "a_very_long_file_name_that_a_phone_would_hardly_give_but_a_person_might_" * 3 + ".jpg"
    note = Problem("lane-not-found", "no lane marking was found beside the line: take the photo so that " * 4)
    whole = examination(WIDTH, STRAIGHTNESS, SPALL, LENGTH)
    whole = replace(whole, result=replace(whole.result, photo=long_name, problems=(note,)))
    checked = 0
    for panel in (*compose(whole), *compose(unusable(note, note))):
        for word in panel.words:
            wide = width_px(word.text, word.size_pt, bold=word.bold)
            left = word.x_px - wide * {"l": 0.0, "m": 0.5, "r": 1.0}[word.anchor[0]]
            assert left >= 0, word
            assert left + wide <= WIDTH_PX, word
            assert 0 <= word.y_px <= panel.height_px, word
            checked += 1
    assert checked > 40


# --- that it shows -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ground", [0, 20, 128, 235, 255])
@pytest.mark.parametrize("role", list(CurveRole))
def test_strokes_show_on_dark_and_on_bright_ground(role: CurveRole, ground: int) -> None:
    picture = np.full((60, 300, 3), ground, dtype=np.uint8)
    draw_line(picture, np.array([[10.0, 30.0], [290.0, 30.0]]), STROKES[role])
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(int)
    assert np.abs(grey - ground).max() > 80


def test_strokes_of_a_pair_differ_without_colour() -> None:
    pairs = [
        (CurveRole.SLOT_EDGE_LEFT, CurveRole.SLOT_EDGE_RIGHT),
        (CurveRole.SENSOR_EDGE_LEFT, CurveRole.SENSOR_EDGE_RIGHT),
        (CurveRole.GROUT_EDGE_LEFT, CurveRole.GROUT_EDGE_RIGHT),
        (CurveRole.LANE_LINE, CurveRole.LAYOUT_AXIS),
    ]
    assert set(STROKES) == set(CurveRole)
    for a, b in pairs:
        assert STROKES[a].dashes_px != STROKES[b].dashes_px


def test_signs_differ_in_shape() -> None:
    shapes = {}
    for sign in ("check", "cross", "query", "bar", "dot"):
        panel = blank_panel(100)
        draw_sign(panel.picture, sign, (50.0, 50.0), 40.0, (120, 120, 120))
        shapes[sign] = panel.picture[:, :100].astype(int)
    for a, b in combinations(shapes, 2):
        assert (np.abs(shapes[a] - shapes[b]).max(axis=2) > 60).mean() > 0.02, (a, b)


def test_night_photo_is_brightened_and_day_photo_left_alone() -> None:
    night = compose(examination(WIDTH, level=24))[1].picture
    day = compose(examination(WIDTH, level=130))[1].picture
    assert np.median(night) > 60
    assert np.median(day) == 130


# --- that it stands where it belongs -----------------------------------------------------------------------------


@pytest.mark.parametrize("y", [20.0, 20.25, 20.5, 20.8])
def test_line_is_drawn_to_a_quarter_of_a_pixel(y: float) -> None:
    picture = np.zeros((40, 200, 3), dtype=np.uint8)
    draw_line(picture, np.array([[5.0, y], [195.0, y]]), Stroke((255, 255, 255)))
    column = picture[:, 100, 0].astype(float) * (picture[:, 100, 0] > 30)
    assert float(np.sum(column * np.arange(40)) / column.sum()) == pytest.approx(y, abs=0.25)


def test_dashes_have_their_lengths() -> None:
    picture = np.full((20, 1000, 3), 255, dtype=np.uint8)
    draw_line(picture, np.array([[10.0, 10.0], [990.0, 10.0]]), Stroke((255, 255, 255), (30, 20)))
    ink = picture.min(axis=(0, 2)) < 128
    starts = np.flatnonzero(np.diff(ink.astype(int)) == 1)
    assert len(starts) == 20
    assert np.allclose(np.diff(starts), 50, atol=1)


def test_edges_lie_in_the_photo_where_the_plane_has_them() -> None:
    with_edge = compose(examination(WIDTH))[1].picture.astype(int)
    bare = examination(WIDTH)
    assert bare.finding is not None
    without = compose(replace(bare, finding=replace(bare.finding, curves=())))[1].picture.astype(int)
    scale = WIDTH_PX / SIZE_PX[0]
    drawn = np.abs(with_edge - without).max(axis=2) > 40
    for s, n in ((200.0, 38.0 + np.sin(200 / 90)), (700.0, -38.0 + np.sin(700 / 90))):
        x, y = PLANE.to_pixels(AXIS.to_plane(np.array([s]), np.array([n])))[0]
        column = drawn[:, round((x + 0.5) * scale - 0.5)]
        expected = (y + 0.5) * scale - 0.5
        near = np.flatnonzero(column[round(expected) - 8 : round(expected) + 9]) + round(expected) - 8
        assert near.mean() == pytest.approx(expected, abs=0.7)
        assert len(near) <= 6, "thin"


def test_strip_shows_the_pavement_from_above_in_its_place() -> None:
    # A pavement with one bright stripe along the axis, 20 mm wide, 10 to 30 mm to its left; seen at a slant.
    rotation = np.array([1.9, 0.4, -0.3])
    matrix = cv2.Rodrigues(rotation)[0]
    slant = GroundPlane(
        np.concatenate([STRAIGHT_DOWN[:3], [-0.05, 0.02], rotation, -matrix @ np.array([300.0, -900.0, 900.0])]),
        (),
        SIZE_PX,
    )
    y, x = np.mgrid[: SIZE_PX[1], : SIZE_PX[0]]
    plane_y = slant.to_plane(np.column_stack([x.ravel(), y.ravel()]).astype(float))[:, 1].reshape(x.shape)
    picture = np.where((plane_y > 10) & (plane_y < 30), 220, 60).astype(np.uint8)
    photo = Photo("p", "", np.dstack([picture] * 3), CaptureFacts())
    axis = Axis(np.array([100.0, 0.0]), np.array([1.0, 0.0]))
    line = Curve(CurveRole.SLOT_AXIS, axis.to_plane(np.linspace(0, 300, 30), np.zeros(30)))
    panel = draw_strip(photo, slant, axis, [line], "Test", beside_mm=40.0)
    column = panel.picture[:, WIDTH_PX // 2 - 300].astype(float).mean(axis=1)
    top = int(np.flatnonzero(column < 100)[0])
    strip = column[top : top + 400]
    bright = np.flatnonzero(strip > 200)
    bright = bright[bright < len(strip) * 0.45]
    px_per_mm = (WIDTH_PX - 2 * MARGIN_PX) / (300 * 1.04)
    assert (bright[-1] - bright[0] + 1) / px_per_mm == pytest.approx(20.0, abs=1.2)
    assert bright.mean() / px_per_mm == pytest.approx(40.0 - 20.0, abs=1.0)


def test_deviation_is_measured_from_the_line_through_what_counts() -> None:
    s = np.arange(0.0, 100.0)
    bump = np.abs(s - 50) < 5
    n = 3.0 + 0.02 * s + 2.0 * bump
    deviation = deviation_mm(np.column_stack([s, n]), ~bump)
    np.testing.assert_allclose(deviation, 2.0 * bump, atol=1e-9)


# --- words -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "u", "expected"),
    # JCGM 100, 7.2.6: two digits of the uncertainty at most, the value to the same place.
    [
        (76.2149, 0.22, ("76.21", "0.22")),
        (91.7564, 0.0523, ("91.756", "0.052")),
        (812.34, 2.04, ("812.3", "2.0")),
        (812.34, 24.0, ("812", "24")),
        (5.0, 0.0996, ("5.00", "0.10")),
    ],
)
def test_rounding(value: float, u: float, expected: tuple[str, str]) -> None:
    assert rounded(value, u) == expected


def test_units_and_open_limits() -> None:
    angle = Measurement(estimate(Quantity.CUT_ANGLE, 90.123, 0.05))
    assert value_text(angle).replace("\u00a0", " ") == "90.12 ± 0.10°"
    assert limits_text(Limits(89.5, 90.5), "deg") == "89.5 to 90.5°"
    assert limits_text(Limits(None, 3.0), "mm").replace("\u00a0", " ") == "at most 3 mm"
    assert limits_text(Limits(4.0, None), "mm").replace("\u00a0", " ") == "at least 4 mm"


def test_letters_the_font_lacks_are_replaced() -> None:
    assert printable("7 – 8 × 2 µm ≤ 3 ° ± 路") == "7 - 8 x 2 um <= 3 ° ± ?"


def test_wrapped_lines_fit_and_keep_all_words() -> None:
    text = "lay the bar flat on the pavement, nothing under it, and take it again"
    lines = wrapped(text, SMALL_PT, 400.0)
    assert len(lines) > 2
    assert " ".join(lines) == text
    assert all(width_px(line, SMALL_PT) <= 400.0 for line in lines)


def test_words_are_set_on_the_panel_they_belong_to() -> None:
    panels = [blank_panel(100), blank_panel(100)]
    panels[1].words.append(Words(200.0, 20.0, "Slot"))
    picture = stack(panels)
    assert (picture[:100] == 250).all()
    assert (picture[100:] < 100).any()


# --- whatever comes ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "curves",
    [
        (),
        (Curve(CurveRole.SLOT_EDGE_LEFT, np.empty((0, 2))),),
        (Curve(CurveRole.SLOT_EDGE_LEFT, np.full((40, 2), np.nan), np.zeros(40, dtype=bool)),),
        (Curve(CurveRole.SLOT_EDGE_LEFT, np.zeros((40, 2))),),
        (Curve(CurveRole.MEASURED_LENGTH, np.array([[0.0, 0.0], [500.0, 0.0]])),),
        (Curve(CurveRole.LANE_LINE, np.array([[0.0, 0.0], [0.0, 0.0]])),),
        (Curve(CurveRole.LANE_LINE, np.array([[0.0, 90.0], [1e7, 90.0]])),),
        (Curve(CurveRole.SLOT_EDGE_LEFT, AXIS.to_plane(np.arange(40.0), np.arange(40.0)), np.ones(40, dtype=bool)),),
        (Curve(CurveRole.SLOT_EDGE_LEFT, AXIS.to_plane(np.arange(400.0)[::-1], np.arange(400.0) % 7)),),
    ],
)
@pytest.mark.parametrize("axis", [AXIS, None])
def test_odd_findings_are_drawn_without_failing(curves: tuple[Curve, ...], axis: Axis | None) -> None:
    whole = examination(WIDTH, Measurement(estimate(Quantity.CUT_ANGLE, 90.0, 0.05)))
    assert whole.finding is not None
    odd = replace(whole, finding=replace(whole.finding, curves=curves, axis=axis))
    assert len(draw_overlay(odd)) > 1000


@pytest.mark.parametrize("shape", [(30, 4000), (4000, 30), (600, 800)])
def test_photos_of_any_shape_are_drawn(shape: tuple[int, int]) -> None:
    whole = unusable(Problem("bar-not-found", "No bar."))
    photo = replace(slot_photo(), colour=np.full((*shape, 3), 90, dtype=np.uint8))
    assert len(draw_overlay(replace(whole, photo=photo))) > 1000
