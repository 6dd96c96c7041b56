"""Camera calibration: published real photos, simulated views with known truth, pictures of drawn bars."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from models.bar import LONG_BAR, SHORT_BAR, BarDesign
from models.camera import CameraCalibration, camera_from_json
from models.measurement import Problem
from verifier.barprint import black_rectangles, tag_rectangles
from verifier.bars import checker_corners_mm
from verifier.calibrate import (
    AnyBars,
    CalibrationRun,
    Chessboard,
    View,
    calibrate,
    calibrate_with_report,
    find_chessboard,
    fit_camera,
)
from verifier.measure import stored_prior
from verifier.photo import CaptureFacts, Photo
from verifier.plane import GroundPlane

Array = NDArray[np.float64]

CHESSBOARD_PHOTOS = Path(os.environ.get("KERFLINE_OPENCV_DOC", "/usr/share/doc/opencv-doc")) / "examples" / "data"
"""Where Debian's opencv-doc unpacks OpenCV's sample photos (Apache-2.0)."""

needs_chessboard_photos = pytest.mark.skipif(
    not (CHESSBOARD_PHOTOS / "left14.jpg").exists(), reason="Debian's opencv-doc is not unpacked here"
)

TRUE_CAMERA = np.array([math.log(2700.0), 2030.0, 1500.0, -0.02, 0.01])
SIZE_PX = (4032, 3024)
FACTS = CaptureFacts(make="Testcam", model="T-1", focal_mm=5.6, focal_35mm=24)


def read(path: Path) -> NDArray[np.uint8]:
    return np.asarray(cv2.imread(str(path)), dtype=np.uint8)


@cache
def chessboard_photos() -> tuple[Photo, ...]:
    paths = sorted(CHESSBOARD_PHOTOS.glob("left[01][0-9].jpg"))
    assert len(paths) == 13
    return tuple(Photo(p.name, p.name, read(p), CaptureFacts()) for p in paths)


@needs_chessboard_photos
def test_chessboard_photos_give_the_published_camera() -> None:
    run = calibrate_with_report(chessboard_photos(), Chessboard(9, 6, 25.0))
    assert isinstance(run, CalibrationRun)
    camera = run.camera
    assert camera.photo_count == 13
    # OpenCV samples/data/left_intrinsics.yml (nframes 13, fixed aspect ratio, five distortion terms): f 535.91573,
    # centre 342.28315, 235.57083, k1 -0.266, k2 -0.039 with k3 0.238. One photo's corners are misplaced there
    # (left02: 1.18 px against 0.39 elsewhere): with a smaller window the same program gives f 532.789, centre 342.481,
    # 233.913 and no such photo. Two terms of distortion instead of five stand for the rest.
    u = np.sqrt(np.diag(camera.covariance))
    assert camera.focal_px == pytest.approx(535.91573, abs=2 * u[0] * camera.focal_px)
    fit_u = np.sqrt(np.diag(run.fit.covariance))
    assert camera.focal_px == pytest.approx(532.789, abs=2 * fit_u[0] * camera.focal_px)
    assert camera.principal_px[0] == pytest.approx(342.481, abs=2 * fit_u[1])
    assert camera.principal_px[1] == pytest.approx(233.913, abs=2 * fit_u[2])
    # The fit's own u of f is 0.4 px; the two published values are 3.1 px apart.
    assert 0.6 < fit_u[0] * camera.focal_px < 1.6
    assert run.fit.scatter_ratio > 1.5


@needs_chessboard_photos
def test_same_corners_and_model_give_what_opencv_gives() -> None:
    board = Chessboard(9, 6, 25.0)
    run = calibrate_with_report(chessboard_photos(), board)
    assert isinstance(run, CalibrationRun)
    points = [np.column_stack([v.points_mm, np.zeros(54)]).astype(np.float32) for v in run.views]
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    pixels = [v.pixels.astype(np.float32) for v in run.views]
    rms, matrix, distortion, *_ = cv2.calibrateCamera(points, pixels, (640, 480), None, None, flags=flags)
    assert rms < 0.2
    # OpenCV weighs all corners alike, here noisy photos and stray corners count less: within the stated u of the fit.
    u = np.sqrt(np.diag(run.fit.covariance))
    theirs = [math.log(matrix[0, 0]), matrix[0, 2], matrix[1, 2], *distortion.ravel()[:2]]
    assert (np.abs(run.fit.camera - theirs) < u).all()


@needs_chessboard_photos
def test_photos_turned_by_exif_orientation_give_the_same_stored_camera() -> None:
    upright = calibrate(chessboard_photos(), Chessboard(9, 6, 25.0))
    turns = {1: 0, 8: 1, 3: 2, 6: 3}  # quarter turns counter-clockwise that the display gives
    orientations = [o for _, o in zip(chessboard_photos(), [1, 8, 3, 6] * 4, strict=False)]
    turned = [
        replace(p, colour=np.ascontiguousarray(np.rot90(p.colour, turns[o])), facts=CaptureFacts(orientation=o))
        for p, o in zip(chessboard_photos(), orientations, strict=True)
    ]
    camera = calibrate(turned, Chessboard(9, 6, 25.0))
    assert isinstance(upright, CameraCalibration)
    assert isinstance(camera, CameraCalibration)
    assert (camera.width_px, camera.height_px) == (640, 480)
    # Corners are refined anew in the turned picture, to about a hundredth of a pixel.
    assert camera.focal_px == pytest.approx(upright.focal_px, abs=0.2)
    np.testing.assert_allclose(camera.principal_px, upright.principal_px, atol=0.3)


@needs_chessboard_photos
def test_chessboard_that_is_cut_off_is_not_found() -> None:
    grey = chessboard_photos()[0].grey
    board = Chessboard(9, 6, 25.0)
    assert find_chessboard(grey, board) is not None
    assert find_chessboard(grey[:, :300], board) is None


def simulate_views(rng: np.random.Generator, photos: int, design: BarDesign, tilt_deg: float = 40.0) -> list[View]:
    """Exact corners of two bars a photo, lying crosswise, seen from all around at up to ``tilt_deg`` from above."""
    views: list[View] = []
    while len({v.photo_index for v in views}) < photos:
        index = len({v.photo_index for v in views})
        pose = random_pose(rng, index / photos, tilt_deg, 1.1 * design.length_mm)
        seen = [bar_pixels(rng, design, pose, i * math.pi / 2) for i in range(2)]
        if all((p.min() > 20) and (p < np.array(SIZE_PX) - 20).all() for p in seen):
            corners = checker_corners_mm(design)
            views += [View(index, f"photo {index}", f"bar {i}", corners, p) for i, p in enumerate(seen)]
    return views


def random_pose(rng: np.random.Generator, turn: float, tilt_deg: float, distance_mm: float) -> Array:
    """Rotation vector and translation (6,) of a camera that looks at the plane's origin."""
    azimuth, tilt = 2 * math.pi * turn + rng.normal(0, 0.3), math.radians(rng.uniform(0.4, 1.0) * tilt_deg)
    forward = -np.array([math.sin(tilt) * math.cos(azimuth), math.sin(tilt) * math.sin(azimuth), math.cos(tilt)])
    roll = rng.uniform(-math.pi, math.pi)
    right = np.array([math.cos(roll), math.sin(roll), 0.0])
    right -= forward * (right @ forward)
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    centre = -forward * distance_mm * rng.uniform(0.8, 1.3)
    return np.concatenate([cv2.Rodrigues(rotation)[0].ravel(), -rotation @ centre])


def bar_pixels(rng: np.random.Generator, design: BarDesign, pose: Array, direction: float) -> Array:
    corners = checker_corners_mm(design) - checker_corners_mm(design).mean(axis=0)
    turn = direction + rng.normal(0, 0.1)
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    plane = corners @ rotation.T + rng.normal(0, 0.06 * design.length_mm, 2)
    return GroundPlane(np.concatenate([TRUE_CAMERA, pose]), (), SIZE_PX).to_pixels(plane)


def with_noise(views: Sequence[View], rng: np.random.Generator, sigma_px: float) -> list[View]:
    return [replace(v, pixels=v.pixels + rng.normal(0, sigma_px, v.pixels.shape)) for v in views]


@pytest.mark.parametrize("facts", [FACTS, CaptureFacts()])
def test_exact_corners_give_the_exact_camera(facts: CaptureFacts) -> None:
    fit = fit_camera(simulate_views(np.random.default_rng(1), 6, LONG_BAR), SIZE_PX, facts)
    assert fit is not None
    # The weak prior on centre and distortion pulls by less than a thousandth of u.
    np.testing.assert_allclose(fit.camera, TRUE_CAMERA, atol=1e-3)
    assert fit.camera[0] == pytest.approx(TRUE_CAMERA[0], abs=1e-5)


@pytest.mark.parametrize(("photos", "design"), [(6, LONG_BAR), (12, SHORT_BAR)])
def test_truth_lies_within_two_standard_uncertainties_in_95_percent(photos: int, design: BarDesign) -> None:
    deviations = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        fit = fit_camera(with_noise(simulate_views(rng, photos, design), rng, 0.08), SIZE_PX, FACTS)
        assert fit is not None
        deviations.append((fit.camera - TRUE_CAMERA) / np.sqrt(np.diag(fit.covariance)))
    inside = np.mean(np.abs(deviations) < 2, axis=0)
    # 40 draws of a 95.45 % event: fewer than 34 (85 %) come once in 500 times.
    assert (inside >= 34 / 40).all(), inside
    spread = np.sqrt(np.mean(np.square(deviations), axis=0))
    assert (spread > 0.5).all(), f"uncertainty needlessly large: {spread}"


def test_photos_that_disagree_raise_the_uncertainty() -> None:
    # Corners with a bias common to a photo: what a board that is not flat does. The fit alone does not see it.
    rng = np.random.default_rng(3)
    views = with_noise(simulate_views(rng, 10, LONG_BAR), rng, 0.05)
    clean = fit_camera(views, SIZE_PX, FACTS)
    bent = [replace(v, pixels=v.pixels + rng.normal(0, 0.6) * (v.points_mm[:, :1] / 500 - 1) ** 2) for v in views]
    fit = fit_camera(bent, SIZE_PX, FACTS)
    assert clean is not None
    assert fit is not None
    assert fit.covariance[0, 0] > 4 * clean.covariance[0, 0]
    z = (fit.camera - TRUE_CAMERA) / np.sqrt(np.diag(fit.covariance))
    assert (np.abs(z) < 3).all()


@cache
def drawing(design: BarDesign, number: int, px_per_mm: int) -> NDArray[np.uint8]:
    """The bar from above, one pixel of white rim."""
    picture = np.full((round(design.height_mm) * px_per_mm, round(design.length_mm) * px_per_mm), 235, dtype=np.uint8)
    for r in (*black_rectangles(design), *tag_rectangles(design, number)):
        x0, x1 = (round(v * px_per_mm) for v in (r.x_mm, r.x_mm + r.width_mm))
        y0, y1 = (round((design.height_mm - v) * px_per_mm) for v in (r.y_mm + r.height_mm, r.y_mm))
        picture[y0:y1, x0:x1] = 25
    return picture


BAR_CAMERA = np.array([math.log(1050.0), 760.0, 580.0, 0.0, 0.0])
BAR_SIZE_PX = (1536, 1152)


def photograph(pose: Array, name: str) -> Photo:
    """A picture of long bar 3, centred on the plane's origin, by ``BAR_CAMERA``, sampled three by three a pixel."""
    fine, px_per_mm = 3, 2
    outline = np.array([[-500.0, 50], [500, 50], [500, -50], [-500, -50]])
    seen = GroundPlane(np.concatenate([BAR_CAMERA, pose]), (), BAR_SIZE_PX).to_pixels(outline)
    drawn = (outline * [1, -1] + [500, 50]) * px_per_mm - 0.5
    to_picture = cv2.getPerspectiveTransform(drawn.astype(np.float32), ((seen + 0.5) * fine - 0.5).astype(np.float32))
    size = (BAR_SIZE_PX[0] * fine, BAR_SIZE_PX[1] * fine)
    large = cv2.warpPerspective(
        drawing(LONG_BAR, 3, px_per_mm), to_picture, size, flags=cv2.INTER_LINEAR, borderValue=90
    )
    grey = cv2.GaussianBlur(cv2.resize(large, BAR_SIZE_PX, interpolation=cv2.INTER_AREA), (0, 0), 0.6)
    return Photo(name, name, np.dstack([grey] * 3), FACTS)


@cache
def bar_photos() -> tuple[Photo, ...]:
    rng = np.random.default_rng(8)
    poses = [random_pose(rng, i / 7, 45.0, 1000.0) for i in range(7)]
    return tuple(photograph(p, f"bar {i}.jpg") for i, p in enumerate(poses))


def test_pictures_of_a_bar_give_the_camera_that_took_them() -> None:
    run = calibrate_with_report(bar_photos(), AnyBars())
    assert isinstance(run, CalibrationRun), run
    u = np.sqrt(np.diag(run.fit.covariance))
    assert (np.abs(run.fit.camera - BAR_CAMERA) < 3 * u).all()
    assert u[0] < 0.003
    assert run.camera.photos_sha256 == tuple(p.sha256 for p in bar_photos())
    # Focusing moves the lens: the same phone nearer or farther has another focal length, by half a percent or so.
    assert 0.003 < math.sqrt(run.camera.covariance[0][0]) < 0.01
    assert camera_from_json(json.loads(json.dumps(run.camera.to_json()))) == run.camera


@cache
def bar_camera() -> CameraCalibration:
    camera = calibrate(bar_photos(), AnyBars())
    assert isinstance(camera, CameraCalibration)
    return camera


@pytest.mark.parametrize(("orientation", "turns"), [(1, 0), (8, 1), (3, 2), (6, 3)])
@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_stored_calibration_is_the_prior_of_a_turned_and_scaled_photo(
    orientation: int, turns: int, scale: float
) -> None:
    camera = bar_camera()
    # A point through the stored picture's camera, turned and scaled as the picture is, must be where the prior has it.
    marker = np.zeros((1152, 1536))
    marker[int(camera.principal_px[1]), int(camera.principal_px[0])] = 1
    y, x = np.argwhere(np.rot90(marker, turns))[0]
    offset = np.array(camera.principal_px) % 1
    for _ in range(turns):
        offset = np.array([offset[1], -offset[0]])
    expected = (np.array([x, y]) + offset + 0.5) * scale - 0.5
    size = (1152, 1536) if turns % 2 else (1536, 1152)
    size = (round(size[0] * scale), round(size[1] * scale))
    prior = stored_prior((camera,), replace(FACTS, orientation=orientation), size)
    assert prior is not None
    np.testing.assert_allclose(prior.mean[1:3], expected, atol=1e-6)
    assert math.exp(prior.mean[0]) == pytest.approx(camera.focal_px * scale)
    assert np.sqrt(prior.covariance[0, 0]) == pytest.approx(math.sqrt(camera.covariance[0][0]))


def test_photos_from_one_side_are_refused() -> None:
    rng = np.random.default_rng(5)
    photos = [photograph(random_pose(rng, i / 6, 6.0, 1000.0), f"{i}") for i in range(6)]
    refusal = calibrate(photos, AnyBars())
    assert isinstance(refusal, Problem)
    assert refusal.code == "calibration-too-alike"
    assert "tilt the phone" in refusal.message


def test_bent_target_is_left_out_by_name() -> None:
    photos = list(bar_photos())
    # A wave of up to 3 px along the picture: a bar that is bent, or a picture that a panorama mode has stitched.
    bad = photos[2]
    y, x = np.mgrid[:1152, :1536].astype(np.float32)
    bent = cv2.remap(bad.colour, x + 3 * np.sin(y / 25 + x / 40), y + 3 * np.sin(x / 30), cv2.INTER_LINEAR)
    photos[2] = replace(bad, colour=np.asarray(bent, dtype=np.uint8))
    run = calibrate_with_report(photos, AnyBars())
    assert isinstance(run, CalibrationRun)
    assert len(run.left_out) == 1
    assert run.left_out[0].startswith("bar 2.jpg (long bar 3): its corners are off")
    assert run.camera.photo_count == 6
    assert abs(run.fit.camera[0] - BAR_CAMERA[0]) < 3 * math.sqrt(run.fit.covariance[0, 0])


def test_photos_without_a_target_and_copies_do_not_count() -> None:
    grey_wall = Photo("wall.jpg", "w", np.full((1152, 1536, 3), 120, dtype=np.uint8), FACTS)
    refusal = calibrate([*bar_photos()[:5], bar_photos()[0], grey_wall], AnyBars())
    assert isinstance(refusal, Problem)
    assert refusal.code == "calibration-too-few-photos"
    for words in ("there are 5", "wall.jpg: No reference bar was found", "bar 0.jpg: the same photo twice"):
        assert words in refusal.message


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"model": "T-2"}, "model"),
        ({"lens": "ultra wide"}, "lens"),
        ({"focal_mm": 2.2}, "focal length"),
        ({"digital_zoom": 2.0}, "digital zoom"),
    ],
)
def test_photos_of_another_camera_or_setting_are_refused(change: dict[str, str | float], what: str) -> None:
    photos = list(bar_photos())
    photos[4] = replace(photos[4], facts=replace(FACTS, **change))  # type: ignore[arg-type]
    refusal = calibrate(photos, AnyBars())
    assert isinstance(refusal, Problem)
    assert refusal.code == "calibration-mixed-cameras"
    assert "bar 4.jpg" in refusal.message
    assert what in refusal.message


def test_photo_of_another_size_is_refused() -> None:
    photos = list(bar_photos())
    photos[1] = replace(photos[1], colour=photos[1].colour[:1151])
    refusal = calibrate(photos, AnyBars())
    assert isinstance(refusal, Problem)
    assert "1151" in refusal.message


def test_mirrored_photo_is_refused() -> None:
    refusal = calibrate([replace(p, facts=replace(FACTS, orientation=2)) for p in bar_photos()], AnyBars())
    assert isinstance(refusal, Problem)
    assert refusal.code == "calibration-mirrored"


def test_no_photos_are_refused() -> None:
    refusal = calibrate([], AnyBars())
    assert isinstance(refusal, Problem)
    assert refusal.code == "calibration-too-few-photos"


def test_board_without_enough_corners_is_misuse() -> None:
    with pytest.raises(ValueError, match="3 x 3"):
        Chessboard(2, 6, 25.0)
