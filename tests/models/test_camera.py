"""Stored camera calibrations: kept whole in their file, and right for turned and resized pictures."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.camera import TURNED_QUARTER, CameraCalibration, camera_from_json

COVARIANCE = (
    (1e-6, 2e-4, 1e-4, 0.0, 0.0),
    (2e-4, 4.0, 0.5, 0.0, 0.0),
    (1e-4, 0.5, 9.0, 0.0, 0.0),
    (0.0, 0.0, 0.0, 1e-6, 0.0),
    (0.0, 0.0, 0.0, 0.0, 1e-6),
)
CAMERA = CameraCalibration(
    "Testcam", "R-1", None, 4032, 3024, 2700.0, (2000.0, 1530.0), -0.01, 0.002, COVARIANCE, 12
)  # fmt: skip


def test_the_stored_form_gives_the_same_calibration_back() -> None:
    assert camera_from_json(json.loads(json.dumps(CAMERA.to_json()))) == CAMERA


@pytest.mark.parametrize("missing", sorted(CAMERA.to_json().keys() - {"version", "made_on", "photos_sha256"}))
def test_a_stored_form_that_lacks_something_is_refused_by_name(missing: str) -> None:
    content = CAMERA.to_json()
    del content[missing]
    with pytest.raises(ValueError, match=missing if missing != "kerfline" else "kerfline calibrate"):
        camera_from_json(content)


@pytest.mark.parametrize("content", [None, 3, [], {"kerfline": "plan"}, CAMERA.to_json() | {"covariance": [[1.0]]}])
def test_what_is_no_calibration_is_refused(content: object) -> None:
    with pytest.raises(ValueError, match="calibration"):
        camera_from_json(content)


@pytest.mark.parametrize("orientation", TURNED_QUARTER)
def test_the_principal_point_turns_with_the_picture(orientation: int) -> None:
    """A white dot at the principal point of the stored picture is at the principal point of the displayed one."""
    stored = np.zeros((24, 32), np.uint8)
    stored[5, 9] = 255
    camera = CameraCalibration("m", "m", None, 32, 24, 30.0, (9.0, 5.0), 0, 0, COVARIANCE)
    codes = {6: cv2.ROTATE_90_CLOCKWISE, 3: cv2.ROTATE_180, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
    shown = cv2.rotate(stored, codes[orientation]) if orientation in codes else stored
    y, x = np.argwhere(shown)[0]
    turned = camera.for_picture(shown.shape[1], shown.shape[0], orientation)
    assert turned is not None
    assert turned.principal_px == (x, y)


def test_the_covariance_turns_with_the_picture() -> None:
    """After a quarter turn clockwise x is what height - y was: variances change places, covariances their sign."""
    turned = CAMERA.for_picture(3024, 4032, 6)
    assert turned is not None
    c = np.array(turned.covariance)
    assert c[1, 1] == 9.0
    assert c[2, 2] == 4.0
    assert c[1, 2] == -0.5
    assert c[0, 1] == pytest.approx(-1e-4)
    assert c[0, 2] == pytest.approx(2e-4)
    assert c[0, 0] == 1e-6


@given(st.floats(0.1, 3.0))
def test_a_resized_picture_has_all_lengths_resized(scale: float) -> None:
    width = max(round(4000 * scale) // 4 * 4, 4)
    resized = CAMERA.for_picture(width, width * 3 // 4, 1)
    assert resized is not None
    factor = width / 4032
    assert resized.focal_px == pytest.approx(2700 * factor)
    assert resized.principal_px[0] + 0.5 == pytest.approx(2000.5 * factor)
    assert resized.covariance[0][0] == pytest.approx(1e-6)  # of the logarithm: scale does not matter
    assert resized.covariance[2][2] == pytest.approx(9.0 * factor**2)


@pytest.mark.parametrize(("width", "height", "orientation"), [(4032, 2268, 1), (3024, 4032, 1), (4032, 3024, 2)])
def test_cropped_and_mirrored_pictures_are_not_this_camera(width: int, height: int, orientation: int) -> None:
    assert CAMERA.for_picture(width, height, orientation) is None


def test_a_calibration_belongs_to_the_words_in_exif() -> None:
    assert CAMERA.belongs_to("TESTCAM ", "r-1", "any lens")
    assert not CAMERA.belongs_to("Testcam", "R-2", None)
    assert not CAMERA.belongs_to(None, "R-1", None)


def test_a_calibration_of_one_lens_is_not_for_another() -> None:
    wide = CameraCalibration("m", "m", "wide", 8, 6, 5.0, (4.0, 3.0), 0, 0, COVARIANCE)
    assert wide.belongs_to("m", "m", "Wide")
    assert not wide.belongs_to("m", "m", "tele")
    assert not wide.belongs_to("m", "m", None)
