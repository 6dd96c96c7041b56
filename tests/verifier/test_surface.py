"""The finished surface, on simple drawn pictures whose boundaries are known exactly, and on single steps."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from models.measurement import Estimate, Quantity
from tests.verifier.surface_pictures import (
    ALUMINIUM,
    BLACK_GROUT,
    CONCRETE,
    DARK_TOP,
    SAND_GROUT,
    SurfaceScene,
    mirrored,
)
from verifier.finding import Axis, CurveRole, Finding
from verifier.marks import Mark, MarkedFeature, Marks
from verifier.plane import GroundPlane
from verifier.strip import sample_strip
from verifier.surface import SlotGap, measure_surface
from verifier.surface_colour import SILENT, colour_verdict
from verifier.surface_edges import STEP_MM, StraightEdge, _change, _settled
from verifier.surface_estimates import _noise, moving_mean
from verifier.surface_grout import distances
from verifier.surface_litter import hidden, is_two_materials
from verifier.surface_materials import Patch, discriminant
from verifier.surface_rim import smooth_rim
from verifier.surface_search import bar_mask
from verifier.surface_strip import Picture, reduced
from verifier.surface_top import _is_straight

GAP = SlotGap(slot_width_mm=76.0, sensor_width_mm=60.0)


@cache
def found(scene: SurfaceScene) -> Finding:
    return measure_surface(scene.photo(), scene.plane(), [scene.seen_outline_mm], gap=GAP)


def estimate(finding: Finding, quantity: Quantity) -> Estimate:
    return next(e for e in finding.estimates if e.quantity is quantity)


def assert_holds(finding: Finding, quantity: Quantity, truth_mm: float) -> None:
    """The truth lies within value +- U, and U is small enough to be of use."""
    e = estimate(finding, quantity)
    assert abs(e.value - truth_mm) <= e.expanded_uncertainty, f"{quantity}: {e.value:.2f}, truth {truth_mm:.2f}"
    assert e.expanded_uncertainty < 1.2


SCENES = {
    "grey grout on asphalt": SurfaceScene(),
    "black grout, dark top, on asphalt": SurfaceScene(grout=BLACK_GROUT, top=DARK_TOP, angle_deg=-7.0, seed=2),
    "sand-coloured grout on concrete": SurfaceScene(grout=SAND_GROUT, pavement=CONCRETE, seed=3),
    "grey grout on concrete, bar to the right": SurfaceScene(pavement=CONCRETE, distance_mm=120.0, seed=4),
}


@pytest.mark.parametrize("name", SCENES)
def test_sensor_width_and_grout_bands(name: str) -> None:
    scene = SCENES[name]
    finding = found(scene)
    left, right = scene.largest_bands_mm()
    assert_holds(finding, Quantity.SENSOR_WIDTH, scene.sensor_width_mm)
    assert_holds(finding, Quantity.GROUT_BAND_LEFT_MAX, left)
    assert_holds(finding, Quantity.GROUT_BAND_RIGHT_MAX, right)
    assert not finding.problems


def test_ridge_is_the_largest_band_less_the_gap() -> None:
    finding = found(SCENES["grey grout on asphalt"])
    for band, ridge in (
        (Quantity.GROUT_BAND_LEFT_MAX, Quantity.RIDGE_WIDTH_LEFT),
        (Quantity.GROUT_BAND_RIGHT_MAX, Quantity.RIDGE_WIDTH_RIGHT),
    ):
        assert estimate(finding, ridge).value == pytest.approx(estimate(finding, band).value - 8.0)
    larger = max(estimate(finding, q).value for q in (Quantity.RIDGE_WIDTH_LEFT, Quantity.RIDGE_WIDTH_RIGHT))
    assert estimate(finding, Quantity.RIDGE_WIDTH).value == larger


def test_ridge_is_never_below_zero() -> None:
    scene = SCENES["grey grout on asphalt"]
    wide = SlotGap(slot_width_mm=160.0, sensor_width_mm=60.0)
    finding = measure_surface(scene.photo(), scene.plane(), [scene.seen_outline_mm], gap=wide)
    assert estimate(finding, Quantity.RIDGE_WIDTH).value == 0.0


def test_without_a_gap_there_is_no_ridge() -> None:
    scene = SCENES["grey grout on asphalt"]
    finding = measure_surface(scene.photo(), scene.plane(), [scene.seen_outline_mm])
    quantities = {e.quantity for e in finding.estimates}
    assert Quantity.GROUT_BAND_LEFT_MAX in quantities
    assert not quantities & {Quantity.RIDGE_WIDTH, Quantity.RIDGE_WIDTH_LEFT, Quantity.RIDGE_WIDTH_RIGHT}


def test_measured_length_is_what_the_bar_covers() -> None:
    scene = SCENES["grey grout on asphalt"]
    covered = np.ptp((np.array(scene.outline_mm) - scene.middle_mm) @ scene.direction)
    assert estimate(found(scene), Quantity.MEASURED_LENGTH).value == pytest.approx(covered, abs=1.0)


def test_left_is_left_along_the_bars_x() -> None:
    scene = replace(SCENES["grey grout on asphalt"], seed=5)
    swapped = mirrored(scene)
    left, right = swapped.largest_bands_mm()
    assert left > right + 5.0
    assert_holds(found(swapped), Quantity.GROUT_BAND_LEFT_MAX, left)
    assert_holds(found(swapped), Quantity.GROUT_BAND_RIGHT_MAX, right)
    axis = found(swapped).axis
    assert axis is not None
    assert axis.direction[0] > 0


def test_curves_lie_on_the_true_boundaries() -> None:
    scene = SCENES["grey grout on asphalt"]
    true_axis = Axis(scene.middle_mm, scene.direction)
    for role, side, band in ((CurveRole.GROUT_EDGE_LEFT, 1, 0), (CurveRole.GROUT_EDGE_RIGHT, -1, 1)):
        curve = next(c for c in found(scene).curves if c.role is role)
        s, n = true_axis.from_plane(curve.points_mm).T
        truth = scene.sensor_width_mm / 2 + scene.bands_mm(s)[band]
        assert np.sqrt(np.mean((side * n - truth) ** 2)) < 0.8


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turning_the_photo_changes_nothing(turns: int) -> None:
    scene = SCENES["grey grout on asphalt"]
    photo, plane = scene.photo(), scene.plane()
    turned_photo = replace(photo, colour=np.ascontiguousarray(np.rot90(photo.colour, turns)))
    turned = measure_surface(turned_photo, _turned(plane, turns), [scene.seen_outline_mm], gap=GAP)
    for quantity in (Quantity.SENSOR_WIDTH, Quantity.RIDGE_WIDTH_LEFT, Quantity.RIDGE_WIDTH_RIGHT):
        difference = estimate(turned, quantity).value - estimate(found(scene), quantity).value
        assert abs(difference) < 0.1


def _turned(plane: GroundPlane, turns: int) -> GroundPlane:
    """The plane of the same photo turned counter-clockwise by quarter turns."""
    for _ in range(turns):
        (width, height), p = plane.size_px, plane.parameters.copy()
        quarter = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
        rotation = quarter @ plane.rotation
        p[1], p[2] = plane.parameters[2], width - 1 - plane.parameters[1]
        p[5:8], p[8:11] = cv2.Rodrigues(rotation)[0].ravel(), quarter @ plane.parameters[8:11]
        plane = replace(plane, parameters=p, size_px=(height, width))
    return plane


def test_bare_pavement_is_refused() -> None:
    finding = found(SurfaceScene(with_sensor=False))
    assert not finding.estimates
    assert [p.code for p in finding.problems] == ["sensor-not-found"]


def test_band_without_grout_is_refused() -> None:
    """A painted line, or a slot: two straight edges with pavement right outside them."""
    for top in (ALUMINIUM, DARK_TOP):
        finding = found(SurfaceScene(pavement=CONCRETE, grout=CONCRETE, left_band_mm=0.0, right_band_mm=0.0,
                                     swing_mm=0.0, top=top))  # fmt: skip
        assert not finding.estimates
        assert finding.problems


def test_grout_under_the_bar_is_not_measured() -> None:
    scene = SurfaceScene(distance_mm=-64.0, left_band_mm=18.0)
    finding = found(scene)
    quantities = {e.quantity for e in finding.estimates}
    assert Quantity.GROUT_BAND_LEFT_MAX not in quantities
    assert Quantity.GROUT_BAND_RIGHT_MAX in quantities
    assert "grout-covered" in [p.code for p in finding.problems]


def test_a_mark_elsewhere_keeps_the_search_from_the_sensor() -> None:
    scene = SCENES["grey grout on asphalt"]
    plane, outlines = scene.plane(), [scene.seen_outline_mm]
    along = scene.middle_mm + np.array([[-100.0], [0.0], [100.0]]) * scene.direction
    for shift, expected in ((0.0, True), (-150.0, False)):
        pixels = plane.to_pixels(along + np.array([0.0, shift]))
        marks = Marks((Mark(MarkedFeature.SENSOR, pixels),))
        finding = measure_surface(scene.photo(), plane, outlines, marks, GAP)
        assert bool(finding.estimates) is expected


def test_gap_of_a_measured_slot_uses_the_sensor_as_measured() -> None:
    assert SlotGap(slot_width_mm=76.0).each_side_mm(measured_width_mm=61.0) == pytest.approx(7.5)
    assert SlotGap(slot_width_mm=76.0, sensor_width_mm=60.0).each_side_mm(measured_width_mm=61.0) == pytest.approx(8.0)
    assert SlotGap(slot_width_mm=58.0, sensor_width_mm=60.0).each_side_mm(measured_width_mm=61.0) == 0.0


def test_grout_ends_within_its_dark_rim() -> None:
    scene = SurfaceScene(dark_rim_mm=1.8)
    finding = found(scene)
    left, right = scene.largest_bands_mm()
    assert_holds(finding, Quantity.GROUT_BAND_RIGHT_MAX, right)
    e, plain = (estimate(f, Quantity.GROUT_BAND_LEFT_MAX) for f in (finding, found(SurfaceScene())))
    assert abs(e.value - left) <= e.expanded_uncertainty < 1.8
    assert e.expanded_uncertainty > plain.expanded_uncertainty + 0.2  # a shadow on the pavement would look the same
    assert any(line.source.startswith("dark or smooth rim") and line.standard_uncertainty > 0.3 for line in e.budget)


def test_a_leaf_on_the_boundary_is_not_grout() -> None:
    scene = SurfaceScene(leaf_mm=20.0)
    finding = found(scene)
    left, right = scene.largest_bands_mm()
    assert_holds(finding, Quantity.GROUT_BAND_LEFT_MAX, left)
    assert_holds(finding, Quantity.GROUT_BAND_RIGHT_MAX, right)


@pytest.mark.parametrize(
    ("off", "beyond_mm", "expected"),
    [
        ((0.0, 0.6, 0.3), -4.0, 20),  # another colour, across the boundary
        ((0.0, 0.6, 0.3), 8.0, 0),  # the same, further out on the pavement
        ((1.5, 0.0, 0.0), -4.0, 0),  # only lighter: light and shade
    ],
)
def test_what_hides_the_boundary(off: tuple[float, ...], beyond_mm: float, expected: int) -> None:
    rng, d = np.random.default_rng(3), distances()
    path = np.full(200, 14.0)
    features = rng.normal(0.0, 0.05, (200, len(d), 4)).astype(np.float32)
    features[:, d > 14.0, :3] += (-1.0, 0.1, 0.0)
    thing = (d > 14.0 + beyond_mm) & (d < 24.0 + beyond_mm)
    features[80:100, thing, :3] = rng.normal(0.0, 0.05, (20, thing.sum(), 3)) + off
    view = Patch(features, np.ones(features.shape[:2], dtype=bool), np.zeros((200, len(d), 3), np.float32))
    stations = np.flatnonzero(hidden(view, d, path, 1.0))
    assert abs(len(stations) - expected) <= 6
    assert all(75 <= i < 105 for i in stations)


@pytest.mark.parametrize(
    ("outer", "expected"),
    [((-0.5, 0.4, 0.2), True), ((-2.0, 0.4, 0.2), False), ((-0.5, 0.05, 0.0), False)],
    ids=["a joint's sealant", "a shadow from the sky's blue", "the same grout, less lit"],
)
def test_grout_that_changes_colour_is_two_materials(outer: tuple[float, ...], expected: bool) -> None:
    rng, d = np.random.default_rng(5), distances()
    features = rng.normal(0.0, 0.05, (200, len(d), 4)).astype(np.float32)
    features[:, (d > 6.0) & (d < 14.0), :3] += outer
    features[:, d > 14.0, :3] += (1.0, 0.1, 0.0)
    view = Patch(features, np.ones(features.shape[:2], dtype=bool), np.zeros((200, len(d), 3), np.float32))
    assert is_two_materials(view, d, np.full(200, 14.0), 1.0) is expected


def test_a_smooth_strip_beside_stones_is_in_doubt() -> None:
    rng, d = np.random.default_rng(6), distances()
    stones = cv2.resize(rng.uniform(0.02, 0.2, (60, 40)).astype(np.float32), (len(d), 300))
    light = np.repeat(np.where(d > 14.0, stones, 0.5)[..., None], 3, axis=2).astype(np.float32)
    strip = light.copy()
    strip[:, (d > 14.0) & (d < 16.5)] = 0.11
    path, usable = np.full(300, 14.0), np.ones(light.shape[:2], dtype=bool)
    plain, doubtful = (smooth_rim(Patch(x, usable, x), path) for x in (light, strip))
    assert plain.u_mm.max() == 0.0
    assert doubtful.u_mm.mean() == pytest.approx(0.49 * 2.5, abs=0.3)
    assert doubtful.shift_mm.mean() == pytest.approx(0.4 * 2.5, abs=0.25)


def test_a_band_as_wide_as_a_lane_line_is_no_sensor_unless_one_is_that_wide() -> None:
    scene = SurfaceScene(sensor_width_mm=100.0)
    assert [p.code for p in found(scene).problems] == ["sensor-not-found"]
    told = measure_surface(scene.photo(), scene.plane(), [scene.seen_outline_mm], gap=GAP, sensor_width_mm=100.0)
    assert_holds(told, Quantity.SENSOR_WIDTH, 100.0)


@pytest.mark.parametrize(
    ("scatter_mm", "strength", "expected"),
    [(0.08, 4.0, True), (0.33, 4.7, False), (0.33, 1.2, True), (0.7, 0.9, False)],
    ids=["made", "tape laid by hand", "faint", "crooked"],
)
def test_a_distinct_edge_that_scatters_is_not_made(scatter_mm: float, strength: float, expected: bool) -> None:
    edge = StraightEdge(30.0, 0.0, 0.0, np.eye(2) * 1e-4, scatter_mm, 0.95, strength, 0.3, 0.0)
    assert _is_straight(edge) is expected


def test_a_large_leaf_hides_the_grout() -> None:
    finding = found(SurfaceScene(leaf_mm=60.0))
    assert [p.code for p in finding.problems] == ["grout-covered"]
    assert not any("left" in e.quantity for e in finding.estimates)


@pytest.mark.parametrize("tilt_deg", [3.0, -3.0])
def test_a_bar_that_is_propped_up_is_refused(tilt_deg: float) -> None:
    scene = SurfaceScene()
    finding = measure_surface(scene.photo(), _tilted(scene, tilt_deg), [scene.seen_outline_mm], gap=GAP)
    assert [p.code for p in finding.problems] == ["bar-not-flat"]
    assert not finding.estimates


def test_parallel_edges_pass_on_every_drawing() -> None:
    assert all(found(scene).estimates for scene in SCENES.values())


def _tilted(scene: SurfaceScene, tilt_deg: float) -> GroundPlane:
    """The plane of a bar whose right end is raised: as if all of the pavement leaned like it about the bar's y."""
    plane = scene.plane()
    middle = np.append(scene.middle_mm, 0.0)
    turn = cv2.Rodrigues(np.array([0.0, np.radians(tilt_deg), 0.0]))[0]
    rotation = plane.rotation @ turn
    shift = plane.parameters[8:11] + plane.rotation @ (middle - turn @ middle)
    return plane.with_parameters(np.r_[plane.parameters[:5], cv2.Rodrigues(rotation)[0].ravel(), shift])


@pytest.mark.parametrize(("nominal_mm", "codes"), [(60.0, []), (60.6, []), (63.0, ["unexpected-width"])])
def test_a_width_that_no_sensor_of_the_plan_has_gets_a_note(nominal_mm: float, codes: list[str]) -> None:
    scene = SurfaceScene()
    finding = measure_surface(
        scene.photo(), scene.plane(), [scene.seen_outline_mm], gap=GAP, sensor_width_mm=nominal_mm
    )
    assert [p.code for p in finding.problems] == codes
    assert_holds(finding, Quantity.SENSOR_WIDTH, 60.0)


ACROSS_MM = np.arange(-10.0, 10.0, 0.2)
FACE, GROUT = np.array([0.30, 0.30, 0.30]), np.array([0.20, 0.30, 0.40])


def profiles(shading: np.ndarray, material_edge_mm: float, grout: np.ndarray = GROUT) -> np.ndarray:
    """Level blocks (12, N, 3) across an edge of materials, times a shading (N,), a little blurred."""
    share = np.clip((ACROSS_MM - material_edge_mm) / 0.6 + 0.5, 0.0, 1.0)[:, None]
    light = (FACE + share * (grout - FACE)) * shading[:, None]
    return light * np.random.default_rng(0).normal(1.0, 0.01, (12, 1, 1))


def test_colour_moves_an_edge_that_light_put_at_the_end_of_a_bright_rim() -> None:
    bright = np.where((ACROSS_MM > -1.6) & (ACROSS_MM < 0.0), 1.6, 1.0)
    verdict = colour_verdict(profiles(bright, -1.6), ACROSS_MM, 0.1, 0.2)
    assert verdict.shift_mm == pytest.approx(-1.6, abs=0.2)
    assert verdict.doubt_mm > 0.1


def test_colour_leaves_an_edge_alone_that_it_agrees_with() -> None:
    flat = np.ones_like(ACROSS_MM)
    assert abs(colour_verdict(profiles(flat, 0.2), ACROSS_MM, 0.1, 0.2).shift_mm) < 0.02


def test_colour_is_silent_between_greys_and_in_a_glint() -> None:
    bright = np.where((ACROSS_MM > -1.6) & (ACROSS_MM < 0.0), 1.6, 1.0)
    assert colour_verdict(profiles(bright, -1.6, 1.1 * FACE), ACROSS_MM, 0.1, 0.2) == SILENT
    assert colour_verdict(profiles(bright, 0.0), ACROSS_MM, 0.1, 0.2).shift_mm == pytest.approx(0.0, abs=0.05)


def _blocks_of(levels: np.ndarray, blur_mm: float) -> np.ndarray:
    """Six alike blocks (6, N, 3) of a profile given on a grid of 0.02 mm about 0, behind a Gaussian blur."""
    fine = np.arange(len(levels)) * 0.02
    fine = fine - fine.mean()
    kernel = np.exp(-0.5 * (np.arange(-4.0 * blur_mm, 4.0 * blur_mm, 0.02) / blur_mm) ** 2)
    blurred = np.convolve(levels, kernel / kernel.sum(), "same")
    n = np.arange(-8.0, 8.0 + STEP_MM / 2, STEP_MM)
    return np.repeat(np.repeat(np.interp(n, fine, blurred)[None, :, None], 6, axis=0), 3, axis=2)


@pytest.mark.parametrize(
    ("chamfer_mm", "flank_mm", "inside", "outside"),
    [(0.4, 1.0, 0.5, 0.3), (0.4, 1.6, 0.5, 0.2), (0.6, 0.8, 0.35, 0.15), (0.3, 1.4, 0.6, 0.55)],
)
def test_the_edge_lies_somewhere_within_a_wide_bright_line(
    chamfer_mm: float, flank_mm: float, inside: float, outside: float
) -> None:
    """A glinting chamfer of the top and a flank of the grout in the light make one bright line; the edge is at 0."""
    fine = np.arange(-10.0, 10.0, 0.02)
    line = (fine > -chamfer_mm) & (fine < flank_mm)
    profiles = _blocks_of(np.where(line, 0.8, np.where(fine < 0, inside, outside)), 0.25)
    change = _change(profiles)
    strongest = int(np.argmin(np.median(change, axis=0).sum(axis=1)))
    settled = _settled(change, profiles.mean(axis=2), strongest, 0.25)
    edge_mm = settled.place * STEP_MM - 8.0 + settled.shift_mm
    assert abs(edge_mm) <= 2.0 * settled.doubt_mm
    assert 0.2 < settled.doubt_mm < 0.7


@pytest.mark.parametrize("chamfer_mm", [0.2, 0.4, 0.6])
def test_a_narrow_bright_line_is_a_glinting_chamfer(chamfer_mm: float) -> None:
    """It is part of the top: the edge is its outer side, at 0; the blur (0.25 mm) moves a narrow line's sides apart."""
    fine = np.arange(-10.0, 10.0, 0.02)
    profiles = _blocks_of(np.where(fine > 0, 0.25, np.where(fine > -chamfer_mm, 0.9, 0.5)), 0.25)
    change = _change(profiles)
    strongest = int(np.argmin(np.median(change, axis=0).sum(axis=1)))
    settled = _settled(change, profiles.mean(axis=2), strongest, 0.25)
    assert settled.place * STEP_MM - 8.0 + settled.shift_mm == pytest.approx(0.0, abs=0.25)
    assert settled.doubt_mm < 0.2


def test_doubts_about_stones_do_not_average_out_over_a_short_window() -> None:
    fine, coarse = np.full(25, 0.5), np.full(25, 2.0)
    assert _noise(fine) == pytest.approx(0.5 * np.sqrt(2.0 / 25.0))
    assert _noise(coarse) == pytest.approx(np.sqrt(0.64 * 2 / 25 + (4.0 - 0.64) * 16 / 25))


def test_moving_mean_by_hand() -> None:
    values = np.arange(30.0)
    mean = moving_mean(values, np.ones(30, dtype=bool))
    assert np.isnan(mean[:12]).all()
    assert mean[12] == pytest.approx(12.0)
    assert np.isnan(mean[-12:]).all()
    assert np.isfinite(mean).sum() == 6


def test_moving_mean_leaves_unclear_stations_out() -> None:
    clear = np.ones(25, dtype=bool)
    clear[:5] = False
    assert moving_mean(np.r_[np.full(5, 99.0), np.ones(20)], clear)[12] == pytest.approx(1.0)
    clear[5] = False
    assert np.isnan(moving_mean(np.ones(25), clear)).all()


def test_discriminant_on_two_normal_clouds() -> None:
    """For unit normals one and three standard deviations apart: area under the curve Phi(d / sqrt 2)."""
    rng = np.random.default_rng(7)
    first = rng.standard_normal((6000, 4)).astype(np.float32)
    for distance, area in ((1.0, 0.7602), (3.0, 0.9831)):
        second = (rng.standard_normal((6000, 4)) + [distance, 0, 0, 0]).astype(np.float32)
        assert discriminant(first, second).separation == pytest.approx(area, abs=0.015)


def test_quick_strip_agrees_with_the_exact_one() -> None:
    scene = SurfaceScene()
    photo, plane = scene.photo(), scene.plane()
    axis = Axis(scene.middle_mm, scene.direction)
    s, n = np.arange(-100.0, 100.0, 0.5), np.arange(-40.0, 40.0, 0.4)
    exact = sample_strip(photo.colour, plane, axis, s, n)
    picture = Picture(photo.colour, plane)
    pixels = picture.grid(axis, s, n)
    assert np.abs(pixels - exact.pixels).max() < 0.02
    assert np.abs(picture.linear(pixels) - exact.values).max() < 0.02


def test_reduced_picture_keeps_its_place() -> None:
    scene = SurfaceScene()
    photo, plane = scene.photo(), scene.plane()
    axis, along, across = Axis(scene.middle_mm, scene.direction), np.array([0.0, 1.0]), np.array([0.0, 1.0])
    whole = Picture(photo.colour, plane).grid(axis, along, across)
    small = reduced(photo.colour, plane, 4).grid(axis, along, across)
    assert np.allclose((small + 0.5) * 4 - 0.5, whole, atol=0.01)


def test_bar_mask_by_hand() -> None:
    square = np.array([[2.0, 2.0], [4.0, 2.0], [4.0, 3.0], [2.0, 3.0]])
    mask = bar_mask([square], (8, 8), (1.0, 0.0))
    assert mask[2:4, 1:6].all()
    assert mask.sum() == 10
