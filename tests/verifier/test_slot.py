"""Slot, measured in small synthetic pictures with a known, three-dimensional slot."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from models.measurement import Estimate, Problem, Quantity
from verifier.capture import CaptureFacts
from verifier.finding import CurveRole, Finding
from verifier.marks import Mark, MarkedFeature, Marks
from verifier.photo import Photo
from verifier.plane import GroundPlane
from verifier.slot import _spall, measure_slot
from verifier.slot_chips import DeepestChip
from verifier.slot_search import find_bands, map_pavement
from verifier.slot_texture import TextureReach
from verifier.slot_wall import ArrisFit, fit_arris, shaded_strip_mm

from .slot_pictures import BAR_MM, Scene, photo_of, plane_of

Array = NDArray[np.float64]


@cache
def _measure(scene: Scene, marks: Marks | None = None) -> Finding:
    return measure_slot(photo_of(scene), plane_of(scene), [BAR_MM], marks)


def _value(finding: Finding, quantity: Quantity) -> float:
    return next(e.value for e in finding.estimates if e.quantity is quantity)


def _within(finding: Finding, quantity: Quantity, truth: float) -> bool:
    estimate = next(e for e in finding.estimates if e.quantity is quantity)
    return abs(estimate.value - truth) <= estimate.expanded_uncertainty


SCENES = {
    "plain": Scene(),
    "camera on the other side": Scene(camera_mm=(150.0, 60.0, 620.0)),
    "bowed": Scene(bow_mm=2.0),
    "wall in the light, brighter than the pavement": Scene(wall=0.35),
    "bright tape beside it": Scene(strip=(12.0, 40.0, 0.8)),
    "dry floor nearly as bright as the pavement": Scene(floor=0.22, wall=0.1),
    "smooth concrete": Scene(roughness=0.05),
    "chipped": Scene(chip_mm=5.0),
}


def test_a_cut_whose_edges_converge_tells_that_the_bar_does_not_lie_flat() -> None:
    """A saw cuts two parallel edges; a plane that is tilted by 7 degrees about the line across them makes a wedge."""
    scene = Scene()
    plane = plane_of(scene)
    tilt = cv2.Rodrigues(np.array([0.0, np.radians(7.0), 0.0]))[0]
    parameters = plane.parameters.copy()
    parameters[5:8] = cv2.Rodrigues(plane.rotation @ tilt)[0].ravel()
    finding = measure_slot(photo_of(scene), plane.with_parameters(parameters), [BAR_MM])
    assert not finding.estimates
    assert [p.code for p in finding.problems] == ["bar-not-flat"]


@pytest.mark.parametrize("name", SCENES)
def test_width_lies_within_its_uncertainty(name: str) -> None:
    finding = _measure(SCENES[name])
    assert finding.estimates, [p.message for p in finding.problems]
    assert _within(finding, Quantity.SLOT_WIDTH, SCENES[name].width_mm)
    assert _value(finding, Quantity.SLOT_WIDTH) == pytest.approx(SCENES[name].width_mm, abs=0.35)


def test_straightness_of_a_bowed_slot_is_its_sag() -> None:
    """A parabola's minimum zone is its sag (see ``test_profile``)."""
    finding = _measure(Scene(bow_mm=2.0))
    assert _value(finding, Quantity.SLOT_STRAIGHTNESS) == pytest.approx(2.0, abs=0.3)
    assert _value(_measure(Scene()), Quantity.SLOT_STRAIGHTNESS) < 0.35


def test_a_chip_is_told_and_leaves_the_width_alone() -> None:
    finding = _measure(Scene(chip_mm=5.0))
    assert _value(finding, Quantity.SPALL_DEPTH) == pytest.approx(5.0, abs=1.2)
    assert _value(finding, Quantity.SLOT_WIDTH) == pytest.approx(70.0, abs=0.35)


@pytest.mark.parametrize("name", SCENES)
def test_the_deepest_chip_lies_within_its_uncertainty(name: str) -> None:
    finding = _measure(SCENES[name])
    assert _within(finding, Quantity.SPALL_DEPTH, SCENES[name].chip_mm)
    if not SCENES[name].chip_mm:
        assert _value(finding, Quantity.SPALL_DEPTH) < 3.0


def test_a_depth_that_nothing_tells_is_not_given() -> None:
    """Four standard uncertainties as wide as the deepest chips there are: the crew is asked for another photo."""
    told = _spall(DeepestChip(3.0, 1.0, 0.6), 0.1)
    assert isinstance(told, Estimate)
    assert told.value == 3.0
    untold = _spall(DeepestChip(7.0, 5.0, 0.6), 0.1)
    assert isinstance(untold, Problem)
    assert untold.code == "chips-not-told"


def test_measured_length_is_no_more_than_the_bars() -> None:
    length = _value(_measure(Scene()), Quantity.MEASURED_LENGTH)
    # The bar spans 300 mm along x and 50 mm across; seen along a slot at 1 degree that is at most 301 mm.
    assert 285.0 < length <= 302.0


def test_both_edges_and_the_length_are_drawn() -> None:
    roles = {curve.role for curve in _measure(Scene()).curves}
    assert {CurveRole.SLOT_EDGE_LEFT, CurveRole.SLOT_EDGE_RIGHT, CurveRole.MEASURED_LENGTH} <= roles


def test_left_is_left_of_the_first_bars_direction() -> None:
    finding = _measure(Scene())
    left = next(c for c in finding.curves if c.role is CurveRole.SLOT_EDGE_LEFT)
    right = next(c for c in finding.curves if c.role is CurveRole.SLOT_EDGE_RIGHT)
    assert left.points_mm[:, 1].mean() > right.points_mm[:, 1].mean()
    assert finding.axis is not None
    assert finding.axis.direction[0] > 0


def test_every_value_has_a_budget_of_its_own() -> None:
    for estimate in _measure(Scene()).estimates:
        assert len(estimate.budget) > 0
        assert 0 < estimate.standard_uncertainty < 5


# Changes that must not change the result: turning the picture, mirroring the scene, scaling the picture.


def _turned(photo: Photo, plane: GroundPlane) -> tuple[Photo, GroundPlane]:
    """Picture and plane turned by 90 degrees, counter-clockwise."""
    width, height = plane.size_px
    turn = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    p = plane.parameters
    rotation, translation = turn @ plane.rotation, turn @ p[8:11]
    parameters = np.concatenate([[p[0], p[2], width - 1 - p[1], 0, 0], cv2.Rodrigues(rotation)[0].ravel(), translation])
    colour = np.ascontiguousarray(np.rot90(photo.colour))
    return Photo("turned", "", colour, CaptureFacts()), GroundPlane(parameters, plane.sources, (height, width))


def test_turning_the_picture_changes_nothing() -> None:
    scene = Scene(bow_mm=1.0)
    photo, plane = photo_of(scene), plane_of(scene)
    upright, turned = measure_slot(photo, plane, [BAR_MM]), measure_slot(*_turned(photo, plane), [BAR_MM])
    for quantity in (Quantity.SLOT_WIDTH, Quantity.SLOT_STRAIGHTNESS, Quantity.SLOT_WIDTH_MIN):
        assert _value(turned, quantity) == pytest.approx(_value(upright, quantity), abs=0.05)


def test_scaling_the_picture_keeps_the_width() -> None:
    large = Scene(size_px=(1100, 825), focal_px=1050.0)
    assert _within(_measure(large), Quantity.SLOT_WIDTH, 70.0)


def test_reversing_the_bar_swaps_left_and_right() -> None:
    """Seen from a bar that points the other way, the left edge is the right one."""
    scene = Scene(bow_mm=1.5, chip_mm=3.0)
    photo, plane = photo_of(scene), plane_of(scene)
    # The new frame: origin at the bar's other end, turned by 180 degrees.
    half = np.diag([-1.0, -1.0, 1.0])
    origin = np.array([300.0, 50.0, 0.0])
    rotation = plane.rotation @ half
    translation = plane.rotation @ origin + plane.parameters[8:11]
    parameters = np.concatenate([plane.parameters[:5], cv2.Rodrigues(rotation)[0].ravel(), translation])
    reversed_plane = GroundPlane(parameters, plane.sources, plane.size_px)
    ahead, back = measure_slot(photo, plane, [BAR_MM]), measure_slot(photo, reversed_plane, [BAR_MM])
    left, right = Quantity.EDGE_STRAIGHTNESS_LEFT, Quantity.EDGE_STRAIGHTNESS_RIGHT
    assert _value(back, left) == pytest.approx(_value(ahead, right), abs=0.1)
    assert _value(back, right) == pytest.approx(_value(ahead, left), abs=0.1)
    assert _value(back, Quantity.SLOT_WIDTH) == pytest.approx(_value(ahead, Quantity.SLOT_WIDTH), abs=0.1)


# What carries no measurement.


def test_pavement_without_a_slot_is_refused() -> None:
    finding = _measure(Scene(width_mm=0.0, depth_mm=1e-3))
    assert not finding.estimates
    assert finding.problems[0].code in ("slot-not-found", "slot-ambiguous")


@pytest.mark.parametrize("sunlit_mm", [20.0, 30.0, 40.0, 50.0])
@pytest.mark.parametrize("strip", [None, (-90.0, 20.0, 0.7)], ids=["bare", "painted"])
def test_the_border_of_the_sun_on_the_floor_is_no_arris(
    sunlit_mm: float, strip: tuple[float, float, float] | None
) -> None:
    """Half of the floor in the sun, with a painted line beside that edge or not: the right width, or none."""
    camera = (150.0, -250.0, 700.0)
    finding = _measure(Scene(sunlit_mm=sunlit_mm, strip=strip, painted=True, wall=0.03, camera_mm=camera))
    widths = [e for e in finding.estimates if e.quantity is Quantity.SLOT_WIDTH]
    assert all(abs(e.value - 70.0) <= e.expanded_uncertainty for e in widths)
    assert widths or finding.problems


def test_a_flat_stain_with_soft_edges_is_refused() -> None:
    scene = Scene(width_mm=0.0, depth_mm=1e-3)
    photo, plane = photo_of(scene), plane_of(scene)
    rows = plane.to_plane(np.stack(np.meshgrid(np.arange(880.0), np.arange(660.0)), axis=-1).reshape(-1, 2))[:, 1]
    shade = 1.0 - 0.6 * np.exp(-0.5 * ((rows.reshape(660, 880) + 80.0) / 25.0) ** 4)
    dark = (photo.colour * np.sqrt(shade)[..., None]).astype(np.uint8)
    finding = measure_slot(Photo("stain", "", dark, CaptureFacts()), plane, [BAR_MM])
    assert not finding.estimates


def test_a_blurred_slot_is_refused() -> None:
    finding = _measure(Scene(blur_px=9.0))
    assert not finding.estimates


def test_a_bar_that_does_not_lie_along_the_slot_gives_no_width() -> None:
    scene = Scene()
    beyond = BAR_MM + (900.0, 0.0)
    finding = measure_slot(photo_of(scene), plane_of(scene), [beyond])
    assert Quantity.SLOT_WIDTH not in {e.quantity for e in finding.estimates}
    assert finding.problems


def test_a_mark_leads_to_the_slot_and_does_not_replace_it() -> None:
    scene = Scene()
    plane = plane_of(scene)
    x = np.array([20.0, 280.0])
    left, right = scene.edges_mm(x)
    rough = plane.to_pixels(np.column_stack([x, (left + right) / 2 + 6.0]))
    finding = _measure(scene, Marks((Mark(MarkedFeature.SLOT, rough),)))
    assert _value(finding, Quantity.SLOT_WIDTH) == pytest.approx(70.0, abs=0.35)


# The parts.


def test_the_band_search_finds_a_slot_at_any_angle() -> None:
    for angle in (-25.0, 0.0, 40.0, 88.0):
        scene = Scene(angle_deg=0.0)
        photo, plane = photo_of(scene), plane_of(scene)
        turn = np.radians(angle)
        rotation = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
        centre = np.array([150.0, -70.0, 0.0])
        parameters = plane.parameters.copy()
        parameters[5:8] = cv2.Rodrigues(plane.rotation @ rotation.T)[0].ravel()
        parameters[8:11] = plane.parameters[8:11] + plane.rotation @ (centre - rotation.T @ centre)
        turned = GroundPlane(parameters, plane.sources, plane.size_px)
        bar = (BAR_MM - centre[:2]) @ rotation[:2, :2].T + centre[:2]
        best = find_bands(map_pavement(photo.grey, turned, [bar]))[0]
        found = np.degrees(np.arctan2(best.axis.direction[1], best.axis.direction[0]))
        assert abs((found - angle + 90.0) % 180.0 - 90.0) < 2.0


@pytest.mark.parametrize(("wall_light", "wall_mm"), [(0.05, 1.5), (0.5, 1.0), (1.6, 1.0), (0.3, -1.0)])
def test_the_arris_is_placed_in_a_profile_with_a_narrow_wall(wall_light: float, wall_mm: float) -> None:
    """Floor 0.05, wall, pavement 1, blurred by 0.3 mm; the profile is lined up on its middle level, as the trace is."""
    v = np.arange(-5.0, 5.0, 0.05)
    fine = np.arange(-12.0, 12.0, 0.01)
    ideal = np.where(fine > 0, 1.0, np.where(fine > -max(wall_mm, 0.0), wall_light, 0.05))
    kernel = np.exp(-0.5 * (np.arange(-2.0, 2.0, 0.01) / 0.3) ** 2)
    blurred = np.convolve(ideal, kernel / kernel.sum(), "same")
    middle = float(fine[np.argmax(blurred > 0.525)])
    fit = fit_arris(v, np.interp(v + middle, fine, blurred), 0.3, wall_mm)
    assert abs(fit.shift_mm + middle) <= 2.0 * fit.u_mm + 0.02


def _behind_blur(ideal: Array, fine: Array, blur_mm: float) -> Array:
    kernel = np.exp(-0.5 * (np.arange(-4.0 * blur_mm, 4.0 * blur_mm, 0.01) / blur_mm) ** 2)
    return np.convolve(ideal, kernel / kernel.sum(), "same")


@pytest.mark.parametrize("width_mm", [1.0, 1.5, 2.0])
def test_a_shadow_between_a_floor_in_the_light_and_the_arris_is_told(width_mm: float) -> None:
    """Floor 2.5, a shadow 0.1 seen ``width_mm`` wide, pavement 1, the wall hidden; 0 is the edge that was traced."""
    fine, v = np.arange(-12.0, 12.0, 0.01), np.arange(-5.0, 5.0, 0.1)
    ideal = np.where(fine > width_mm, 1.0, np.where(fine > 0.0, 0.1, 2.5))
    fit = fit_arris(v, np.interp(v, fine, _behind_blur(ideal, fine, 0.4)), 0.4, -10.0)
    assert abs(fit.shift_mm - width_mm) <= 2.0 * fit.u_mm
    assert fit.shift_mm > 0.5 * width_mm
    assert fit.may_be_shadow


def test_the_rim_that_sharpening_leaves_is_no_shadow() -> None:
    """Unsharp masking with a radius of two blurs and an amount of 0.3 of a plain step."""
    fine, v = np.arange(-12.0, 12.0, 0.01), np.arange(-5.0, 5.0, 0.1)
    step = _behind_blur(np.where(fine > 0.0, 1.0, 2.5), fine, 0.4)
    sharpened = step + 0.3 * (step - _behind_blur(step, fine, 0.8))
    assert shaded_strip_mm(v, np.interp(v, fine, sharpened)) == 0.0


def test_light_that_may_show_a_shadow_gives_way_to_texture() -> None:
    """Where the floor is in the light and the wall hidden, the pavement's texture has the greater say."""
    light, reach = ArrisFit(0.0, 0.1, 0.5, 0.1), TextureReach(1.0, 0.3)
    plain, shaded = (replace(light, may_be_shadow=may).with_texture(reach) for may in (False, True))
    assert shaded.shift_mm > plain.shift_mm
    assert abs(shaded.shift_mm - 1.0) < 2.0 * shaded.u_mm
