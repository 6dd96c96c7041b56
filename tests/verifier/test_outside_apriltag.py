"""Bars against an independent detector of the AprilTag family.

The oracle is ``pyapriltags`` (a wrapper of AprilRobotics/apriltag 3, BSD-2-Clause): another decoder, another corner
finder, another picture of the family. Its corners lie where four fitted edges meet and count pixels from the outer
corner of the first one, so that (0.5, 0.5) is taken off. Real photos: AprilRobotics/apriltag ``test/data`` are not
carried by any package and are not used here.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from models.bar import DESIGNS
from tests.verifier.bar_pictures import LONG, SHORT, as_photo, picture, seen_from
from verifier.bars import BarSightings, bar_of_tag, decode_tags, find_bars, tag_corners_mm

pyapriltags = pytest.importorskip("pyapriltags")

SIZE = (1600, 1200)
LAID = [seen_from(LONG, 23, (800, 250), 1.35, 4.0, 0.1), seen_from(LONG, 4, (350, 680), 0.8, 97.0, -0.1),
        seen_from(SHORT, 17, (1100, 800), 3.0, -35.0, 0.05)]  # fmt: skip


@pytest.fixture(scope="module")
def grey() -> NDArray[np.uint8]:
    return picture(LAID, SIZE, 0.8, 2.0)


@pytest.fixture(scope="module")
def oracle(grey: NDArray[np.uint8]) -> dict[int, NDArray[np.float64]]:
    """Tag id to its four corners (4, 2) in pixels, centre of the first pixel at (0, 0)."""
    detector = pyapriltags.Detector(families="tag36h11", nthreads=1, quad_decimate=1.0)
    return {d.tag_id: np.asarray(d.corners) - 0.5 for d in detector.detect(np.ascontiguousarray(grey))}


def test_the_same_tags_are_decoded(grey: NDArray[np.uint8], oracle: dict[int, NDArray[np.float64]]) -> None:
    expected = {230, 231, 232, 233, 234, 40, 41, 42, 43, 44, 551, 552, 553}
    assert set(oracle) == expected
    assert {t.tag_id for t in decode_tags(grey, 1.0)} == expected


def test_the_checker_lies_where_the_other_detectors_tags_say(
    grey: NDArray[np.uint8], oracle: dict[int, NDArray[np.float64]]
) -> None:
    """A homography through our checker corners, carried to the tags, meets the oracle's corners.

    Tolerance: the oracle's own corners, against the truth of this picture, are off by ``own`` (asserted below 0.25 px).
    """
    sightings = find_bars(as_photo(grey))
    assert isinstance(sightings, BarSightings)
    assert len(sightings.bars) == 3
    for bar, laid in zip(sightings.bars, [LAID[1], LAID[0], LAID[2]], strict=True):
        homography, _ = cv2.findHomography(bar.corners_plate_mm, bar.corners_px)
        for index in range(len(bar.design.tag_centre_x_mm)):
            plate = tag_corners_mm(bar.design, index)
            theirs = oracle[bar.first_tag_id + index]
            ours = np.asarray(cv2.perspectiveTransform(plate.reshape(-1, 1, 2), homography), np.float64)[:, 0]
            true = laid.to_pixels(plate)
            own = max(_distance(c, true) for c in theirs)
            assert own < 0.25
            assert max(_distance(c, ours) for c in theirs) < own + 0.1


def _distance(point: NDArray[np.float64], corners: NDArray[np.float64]) -> float:
    """To the nearest of four corners: the two detectors begin at different ones."""
    return float(np.min(np.linalg.norm(corners - point, axis=1)))


@pytest.mark.parametrize("tag_id", [0, 1, 10, 494, 500, 586])
def test_ids_mean_the_same_picture_in_both_families(tag_id: int) -> None:
    """Ids at the ends of both series: a table shifted by one would put every bar into another's place."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    sheet = np.full((240, 240), 255, np.uint8)
    sheet[40:200, 40:200] = cv2.aruco.generateImageMarker(family, tag_id, 160)
    detector = pyapriltags.Detector(families="tag36h11", nthreads=1, quad_decimate=1.0)
    assert [d.tag_id for d in detector.detect(sheet)] == [tag_id]
    owner = bar_of_tag(tag_id)
    assert owner is not None
    assert owner[0] in DESIGNS
