"""The rendered bars are the drawn ones (sizes and patterns as the bar's design says), and pictures are stored as EXIF
has it.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from demo_photos.scene import bars, develop, exif


@pytest.mark.parametrize("tag", [0, 7, 10, 499, 500, 586])
def test_tag_bits_are_those_of_the_open_family(tag: int) -> None:
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    picture = np.kron(np.pad(bars.tag_bits(tag), 1, constant_values=1), np.ones((20, 20))) * 255
    corners, ids, _ = cv2.aruco.ArucoDetector(family).detectMarkers(picture.astype(np.uint8))
    assert list(np.ravel(ids)) == [tag]
    assert corners[0].reshape(4, 2)[0] == pytest.approx([20, 20], abs=1.5)


def test_tag_numbers_follow_the_series() -> None:
    assert [bars.first_tag("L", 0), bars.first_tag("L", 49), bars.first_tag("S", 0), bars.first_tag("S", 28)] == [
        0,
        490,
        500,
        584,
    ]


def test_plate_coordinates_of_tags_and_checkers() -> None:
    long, short = bars.tag_corners("L"), bars.tag_corners("S")
    assert np.allclose(long.mean(1), [(x, 50) for x in (50, 275, 500, 725, 950)])
    assert np.allclose(short.mean(1), [(x, 25) for x in (25, 150, 275)])
    assert np.allclose(np.ptp(long, axis=1), 80)
    assert np.allclose(np.ptp(short, axis=1), 40)
    # upper left first, clockwise seen from above (y up)
    assert (long[0] == [[10, 90], [90, 90], [90, 10], [10, 10]]).all()
    assert len(bars.checker_corners("L")) == 48
    assert len(bars.checker_corners("S")) == 30


def test_a_bar_s_top_is_one_thickness_above_its_underside() -> None:
    bar = bars.lying("S", 3, 100.0, 200.0, 90.0, 0.5, (0.0, 0.0), thickness=3.1, length_scale=1.01)
    corner, end = bar.top(np.array([[0.0, 0.0], [300.0, 50.0]]))
    assert corner == pytest.approx([100.0, 200.0, 3.6])
    assert end == pytest.approx([50.0, 503.0, 3.6])


def test_a_straight_bar_is_one_box_and_a_bent_one_keeps_its_ends_down() -> None:
    bar = bars.lying("L", 3, 0.0, 0.0, 0.0, 0.0, (0.0, 0.0))
    (row,) = bars.boxes_of(bar, 0, 1)
    assert row[:3] == pytest.approx([500, 50, 1.5])
    assert row[12:15] == pytest.approx([500, 50, 1.5])
    bent = bars.boxes_of(replace(bar, bow=30.0), 0, 1)
    assert bent[12, 2] == pytest.approx(31.5, abs=0.3)
    assert bent[0, 2] < 4


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_stored_picture_comes_back_upright(orientation: int) -> None:
    rng = np.random.default_rng(orientation)
    upright = Image.fromarray(rng.integers(0, 255, (20, 30, 3), dtype=np.uint8))
    stored = exif.as_stored(upright, orientation)
    stored.getexif()[0x0112] = orientation
    assert (np.asarray(ImageOps.exif_transpose(stored)) == np.asarray(upright)).all()


@pytest.mark.parametrize(
    "kernel", [develop._disc(1.7), develop._disc(4.2), develop._path(5.0, 0.7, 0.3), develop._path(2.2, 2.0, -0.2)]
)
def test_blur_moves_no_edge(kernel: np.ndarray) -> None:
    half = kernel.shape[0] // 2
    at = np.arange(-half, half + 1)
    assert kernel.sum() == pytest.approx(1, abs=1e-5)
    assert float((kernel.sum(0) * at).sum()) == pytest.approx(0, abs=5e-3)
    assert float((kernel.sum(1) * at).sum()) == pytest.approx(0, abs=5e-3)
