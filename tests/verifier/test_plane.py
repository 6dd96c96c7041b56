"""The ground plane's geometry against OpenCV's own projection and against its own inverse."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.measurement import BudgetLine
from verifier.plane import N_PARAMETERS, CovarianceSource, GroundPlane

Array = NDArray[np.float64]
SIZE = (4032, 3024)


def looking_at(
    target_mm: tuple[float, float], distance_mm: float, tilt_deg: float, heading_deg: float, roll_deg: float = 0.0,
    focal_px: float = 3000.0, k1: float = 0.0, k2: float = 0.0, principal: tuple[float, float] = (2015.5, 1511.5),
    sources: tuple[CovarianceSource, ...] = (),
) -> GroundPlane:  # fmt: skip
    """A camera ``distance_mm`` from a point of the road, ``tilt_deg`` off straight down, looking along ``heading``."""
    tilt, heading, roll = np.radians([tilt_deg, heading_deg, roll_deg])
    forward = np.array([np.sin(tilt) * np.cos(heading), np.sin(tilt) * np.sin(heading), -np.cos(tilt)])
    right = np.array([np.sin(heading), -np.cos(heading), 0.0])
    down = np.cross(forward, right)
    turned = np.array([np.cos(roll) * right + np.sin(roll) * down, -np.sin(roll) * right + np.cos(roll) * down])
    rotation = np.vstack([turned, forward])
    centre = np.array([*target_mm, 0.0]) - distance_mm * forward
    vector = cv2.Rodrigues(rotation)[0].ravel()
    parameters = np.r_[np.log(focal_px), principal, k1, k2, vector, -rotation @ centre]
    return GroundPlane(parameters, sources, SIZE)


cameras = st.builds(
    looking_at,
    st.tuples(st.floats(-800, 800), st.floats(-800, 800)), st.floats(400, 4000), st.floats(0, 68),
    st.floats(0, 360), st.floats(-180, 180), st.floats(1800, 4500), st.floats(-0.05, 0.05), st.floats(-0.02, 0.02),
    st.tuples(st.floats(1980, 2050), st.floats(1480, 1545)),
)  # fmt: skip


def pavement_in_view(plane: GroundPlane, count: int = 60, seed: int = 0) -> Array:
    """Points of the pavement that lie inside the picture, (N, 2) mm."""
    rng = np.random.default_rng(seed)
    pixels = rng.uniform((0, 0), (SIZE[0] - 1, SIZE[1] - 1), (count, 2))
    points = plane.to_plane(pixels)
    near = np.linalg.norm(points - plane.camera_mm[:2], axis=1) < 4 * plane.camera_mm[2]
    return np.asarray(points[np.isfinite(points).all(axis=1) & near])


def opencv_projection(plane: GroundPlane, points: Array) -> Array:
    focal, (_, cx, cy, k1, k2) = plane.focal_px, plane.parameters[:5]
    matrix = np.array([[focal, 0, cx], [0, focal, cy], [0, 0, 1]])
    space = np.column_stack([points, np.zeros(len(points))]) if points.shape[1] == 2 else points
    distortion = np.array([k1, k2, 0.0, 0.0])
    pixels, _ = cv2.projectPoints(space, plane.parameters[5:8], plane.parameters[8:11], matrix, distortion)
    return np.asarray(pixels, dtype=np.float64)[:, 0]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(plane=cameras)
def test_projection_is_opencvs(plane: GroundPlane) -> None:
    points = pavement_in_view(plane)
    if len(points) == 0:
        return
    np.testing.assert_allclose(plane.to_pixels(points), opencv_projection(plane, points), atol=1e-6)
    raised = np.column_stack([points, np.linspace(-50, 50, len(points))])
    np.testing.assert_allclose(plane.to_pixels(raised), opencv_projection(plane, raised), atol=1e-6)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(plane=cameras, height=st.floats(-20, 20))
def test_to_plane_undoes_to_pixels(plane: GroundPlane, height: float) -> None:
    points = pavement_in_view(plane)
    np.testing.assert_allclose(plane.to_plane(plane.to_pixels(points)), points, atol=1e-3)
    raised = np.column_stack([points, np.full(len(points), height)])
    np.testing.assert_allclose(plane.to_plane(plane.to_pixels(raised), height), points, atol=1e-3)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(plane=cameras)
def test_to_pixels_undoes_to_plane(plane: GroundPlane) -> None:
    pixels = np.random.default_rng(1).uniform((0, 0), (SIZE[0] - 1, SIZE[1] - 1), (60, 2))
    points = plane.to_plane(pixels)
    seen = np.isfinite(points).all(axis=1)
    np.testing.assert_allclose(plane.to_pixels(points[seen]), pixels[seen], atol=1e-3)


def test_undistortion_is_opencvs() -> None:
    """cv2.undistortPoints run to convergence; at the corners of a strongly distorted picture."""
    plane = looking_at((0, 0), 1500, 30, 90, k1=-0.05, k2=0.02)
    pixels = np.array([[0.0, 0], [4031, 0], [4031, 3023], [0, 3023], [2015.5, 1511.5], [3000, 400]])
    matrix = np.array([[3000, 0, 2015.5], [0, 3000, 1511.5], [0, 0, 1]])
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 200, 1e-12)
    expected = cv2.undistortPoints(pixels.reshape(-1, 1, 2), matrix, np.array([-0.05, 0.02, 0, 0]), criteria=criteria)
    np.testing.assert_allclose(plane.rays(pixels)[:, :2], expected[:, 0], atol=1e-8)


def test_straight_down_one_millimetre_is_focal_length_over_height() -> None:
    """Similar triangles: 3000 px at 1500 mm is 2 px a millimetre, and y up on the road is up in the picture."""
    plane = looking_at((0, 0), 1500, 0, 90)
    np.testing.assert_allclose(plane.to_pixels(np.array([[0.0, 0], [100, 0], [0, 100]])),
                               [[2015.5, 1511.5], [2215.5, 1511.5], [2015.5, 1311.5]], atol=1e-6)  # fmt: skip
    np.testing.assert_allclose(plane.camera_mm, [0, 0, 1500], atol=1e-6)


@pytest.mark.parametrize(("height_mm", "percent"), [(400, 0.7557), (500, 0.6036), (1000, 0.3009), (1500, 0.2004)])
def test_a_face_three_millimetres_up_looks_larger_by_similar_triangles(height_mm: float, percent: float) -> None:
    """1 / (1 - h/H) - 1 for h = 3 mm: printed to four digits."""
    plane = looking_at((0, 0), height_mm, 0, 90)
    on_face = plane.to_pixels(np.array([[-50.0, 0, 3], [50, 0, 3]]))
    on_road = plane.to_plane(on_face)
    assert 100 * ((on_road[1, 0] - on_road[0, 0]) / 100 - 1) == pytest.approx(percent, abs=5e-5)
    lifted = plane.tilt_mm_per_mm(np.array([[50.0, 0.0]]))[0, 0] * 3
    assert lifted == pytest.approx(50 * 3 / height_mm)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(plane=cameras)
def test_jacobian_is_the_finite_difference_of_opencvs_projection(plane: GroundPlane) -> None:
    points = pavement_in_view(plane, 20)
    if len(points) == 0:
        return
    jacobian = plane.pixels_per_mm(points)
    for axis, step in enumerate(np.eye(2) * 0.01):
        slope = (opencv_projection(plane, points + step) - opencv_projection(plane, points - step)) / 0.02
        np.testing.assert_allclose(jacobian[:, :, axis], slope, rtol=1e-4, atol=1e-5)


def test_sight_lines_above_the_horizon_meet_no_pavement() -> None:
    plane = looking_at((0, 0), 1500, 80, 90)
    upper, lower = plane.to_plane(np.array([[2000.0, 0.0], [2000.0, 3000.0]]))
    assert np.isnan(upper).all()
    assert np.isfinite(lower).all()


def turned_photo(plane: GroundPlane, quarter_turns: int) -> GroundPlane:
    """The same photo turned clockwise: (x, y) goes to (height - 1 - y, x), the camera turns about its axis."""
    parameters, (width, height) = plane.parameters.copy(), plane.size_px
    rotation, translation = plane.rotation, parameters[8:11]
    about_sight = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
    for _ in range(quarter_turns):
        parameters[1:3] = height - 1 - parameters[2], parameters[1]
        width, height = height, width
        rotation, translation = about_sight @ rotation, about_sight @ translation
    parameters[5:8], parameters[8:11] = cv2.Rodrigues(rotation)[0].ravel(), translation
    return GroundPlane(parameters, plane.sources, (width, height))


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
@settings(max_examples=20, deadline=None, derandomize=True)
@given(plane=cameras)
def test_turning_the_photo_leaves_the_pavement_where_it_is(quarter_turns: int, plane: GroundPlane) -> None:
    pixels = np.random.default_rng(2).uniform((0, 0), (SIZE[0] - 1, SIZE[1] - 1), (40, 2))
    turned, size = pixels, SIZE
    for _ in range(quarter_turns):
        turned = np.column_stack([size[1] - 1 - turned[:, 1], turned[:, 0]])
        size = size[1], size[0]
    expected = plane.to_plane(pixels)
    near = np.linalg.norm(expected - plane.camera_mm[:2], axis=1) < 5 * plane.camera_mm[2]
    np.testing.assert_allclose(turned_photo(plane, quarter_turns).to_plane(turned)[near], expected[near], atol=1e-5)


def random_source(name: str, seed: int, scale: float) -> CovarianceSource:
    factor = np.random.default_rng(seed).normal(0, 1, (N_PARAMETERS, N_PARAMETERS))
    steps = np.array([1e-3, 2, 2, 1e-3, 1e-3, 3e-4, 3e-4, 3e-4, 0.4, 0.4, 0.4]) * scale
    return CovarianceSource(name, steps[:, None] * (factor @ factor.T / N_PARAMETERS) * steps)


def test_covariance_is_the_sum_of_its_sources_and_the_budget_adds_up_to_it() -> None:
    """Budget lines are standard uncertainties of independent sources: their squares add up (JCGM 100, 5.1.2)."""
    sources = (random_source("corners", 1, 1.0), random_source("camera", 2, 0.5), random_source("bar", 3, 0.2))
    plane = looking_at((0, 0), 1500, 35, 60, sources=sources)
    np.testing.assert_allclose(plane.covariance, sum(s.covariance for s in sources))
    jacobian = plane.sensitivity(lambda p: p.to_plane(np.array([[2500.0, 1800.0]])).ravel())
    for row in jacobian:
        lines = plane.budget(row)
        assert [line.source for line in lines] == ["corners", "camera", "bar"]
        assert all(isinstance(line, BudgetLine) for line in lines)
        total = sum(line.standard_uncertainty**2 for line in lines)
        assert total == pytest.approx(row @ plane.covariance @ row)


def test_sensitivity_is_the_slow_derivative_in_every_parameter() -> None:
    plane = looking_at((0, 0), 1500, 35, 60, sources=(random_source("all", 4, 0.3),))
    pixels = np.array([[700.0, 900.0], [3200.0, 2500.0]])

    def width(p: GroundPlane) -> Array:
        a, b = p.to_plane(pixels)
        return np.array([np.linalg.norm(a - b)])

    jacobian = plane.sensitivity(width)
    for i in range(N_PARAMETERS):
        step = np.zeros(N_PARAMETERS)
        step[i] = 1e-6
        slope = (width(plane.with_parameters(plane.parameters + step))
                 - width(plane.with_parameters(plane.parameters - step))) / 2e-6  # fmt: skip
        assert jacobian[0, i] == pytest.approx(slope[0], rel=2e-3, abs=1e-4)


def test_propagated_covariance_is_that_of_a_monte_carlo() -> None:
    """JCGM 101: draw parameters from the covariance, look at the spread of a distance on the road."""
    source = random_source("all", 5, 0.5)
    plane = looking_at((0, 0), 1500, 40, 60, sources=(source,))
    pixels = np.array([[700.0, 900.0], [3200.0, 2500.0]])

    def width(p: GroundPlane) -> Array:
        a, b = p.to_plane(pixels)
        return np.array([np.linalg.norm(a - b)])

    jacobian = plane.sensitivity(width)
    draws = np.random.default_rng(6).multivariate_normal(plane.parameters, source.covariance, 4000)
    spread = np.std([width(plane.with_parameters(d))[0] for d in draws])
    # The standard deviation of 4000 draws is known to 1.1 %: four of these.
    assert np.sqrt((jacobian @ plane.covariance @ jacobian.T).item()) == pytest.approx(spread, rel=0.045)
