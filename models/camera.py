"""The stored calibration of one phone's camera, made by ``kerfline calibrate`` and used as a tight prior later.

Frame: the picture as the sensor stores it (before the EXIF orientation), centre of the first pixel at (0, 0).
Camera model: pinhole with square pixels, principal point, two radial distortion terms (OpenCV's k1, k2).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

Matrix = tuple[tuple[float, ...], ...]

N_CAMERA_PARAMETERS = 5
"""log focal length, principal point x and y, k1, k2: the first five parameters of a ground plane."""

ASPECT_TOLERANCE = 0.002
"""Pictures whose sides' ratio differs by more than this part were cropped: the calibration does not hold for them."""

TURNED_QUARTER = {1: 0, 6: 1, 3: 2, 8: 3}
"""Quarter turns clockwise from the stored picture to the displayed one, by EXIF orientation (without mirroring)."""


@dataclass(frozen=True)
class CameraCalibration:
    """Camera parameters with their covariance, for pictures of one size and aspect ratio."""

    make: str
    model: str
    lens: str | None
    """Lens as EXIF names it; None where the phone writes none. One phone has several lenses."""
    width_px: int
    height_px: int
    focal_px: float
    principal_px: tuple[float, float]
    k1: float
    k2: float
    covariance: Matrix
    """Shape (5, 5), of log focal length, principal point x, y [px], k1, k2."""
    photo_count: int = 0
    """How many photos it was made from."""
    photos_sha256: tuple[str, ...] = ()
    """Which ones."""
    made_on: str | None = None
    """Date, ISO 8601, as whoever ran the calibration states it."""

    def __post_init__(self) -> None:
        if len(self.covariance) != N_CAMERA_PARAMETERS or any(len(r) != N_CAMERA_PARAMETERS for r in self.covariance):
            raise ValueError("the covariance of a camera calibration must be 5 x 5")
        if min(self.width_px, self.height_px, self.focal_px) <= 0:
            raise ValueError("width, height and focal length of a camera calibration must be above zero")

    def belongs_to(self, make: str | None, model: str | None, lens: str | None) -> bool:
        """Whether a photo with these EXIF words was taken by this camera (case and outer blanks do not matter)."""
        return _same(self.make, make) and _same(self.model, model) and (self.lens is None or _same(self.lens, lens))

    def for_picture(self, width_px: int, height_px: int, orientation: int) -> CameraCalibration | None:
        """The same camera for a displayed picture of this size and EXIF orientation.

        None where the picture cannot be a plain scaled and turned version (another aspect ratio, or mirrored).
        """
        turns = TURNED_QUARTER.get(orientation)
        if turns is None:
            return None
        turned = self._turned(turns)
        scale = width_px / turned.width_px
        if abs(height_px / turned.height_px / scale - 1.0) > ASPECT_TOLERANCE:
            return None
        return turned._scaled(scale, width_px, height_px)

    def _turned(self, quarter_turns: int) -> CameraCalibration:
        """After so many quarter turns clockwise: (x, y) goes to (height - 1 - y, x)."""
        if quarter_turns == 0:
            return self
        cx, cy = self.principal_px
        jacobian = _unit_matrix()
        jacobian[1][1], jacobian[1][2], jacobian[2][1], jacobian[2][2] = 0.0, -1.0, 1.0, 0.0
        turned = replace(
            self, width_px=self.height_px, height_px=self.width_px, principal_px=(self.height_px - 1 - cy, cx),
            covariance=_propagate(jacobian, self.covariance),
        )  # fmt: skip
        return turned._turned(quarter_turns - 1)

    def _scaled(self, scale: float, width_px: int, height_px: int) -> CameraCalibration:
        """Resized by ``scale``: pixel centres sit at whole numbers, so that x goes to (x + 1/2) scale - 1/2."""
        cx, cy = ((c + 0.5) * scale - 0.5 for c in self.principal_px)
        jacobian = _unit_matrix()
        jacobian[1][1] = jacobian[2][2] = scale
        return replace(
            self, width_px=width_px, height_px=height_px, focal_px=self.focal_px * scale, principal_px=(cx, cy),
            covariance=_propagate(jacobian, self.covariance),
        )  # fmt: skip

    def to_json(self) -> dict[str, Any]:
        """The form that is kept in a file."""
        return {
            "kerfline": "camera calibration", "version": 1,
            "make": self.make, "model": self.model, "lens": self.lens,
            "width_px": self.width_px, "height_px": self.height_px, "focal_px": self.focal_px,
            "principal_px": list(self.principal_px), "k1": self.k1, "k2": self.k2,
            "covariance": [list(row) for row in self.covariance], "photo_count": self.photo_count,
            "photos_sha256": list(self.photos_sha256), "made_on": self.made_on,
        }  # fmt: skip


def camera_from_json(content: object) -> CameraCalibration:
    """Read the stored form.

    Raises:
        ValueError: the content is not a camera calibration; the message says what is missing or wrong.
    """
    if not isinstance(content, Mapping) or content.get("kerfline") != "camera calibration":
        raise ValueError("this is not a camera calibration as `kerfline calibrate` writes it")
    try:
        principal = tuple(float(v) for v in content["principal_px"])
        return CameraCalibration(
            str(content["make"]), str(content["model"]), None if content["lens"] is None else str(content["lens"]),
            int(content["width_px"]), int(content["height_px"]), float(content["focal_px"]),
            (principal[0], principal[1]), float(content["k1"]), float(content["k2"]),
            tuple(tuple(float(v) for v in row) for row in content["covariance"]), int(content["photo_count"]),
            tuple(str(v) for v in content.get("photos_sha256", ())),
            None if content.get("made_on") is None else str(content["made_on"]),
        )  # fmt: skip
    except KeyError as missing:
        raise ValueError(f"the camera calibration lacks {missing.args[0]!r}") from None
    except (TypeError, IndexError) as wrong:
        raise ValueError(f"the camera calibration holds a value of the wrong form: {wrong}") from None


def _same(known: str, given: str | None) -> bool:
    return given is not None and known.strip().casefold() == given.strip().casefold()


def _unit_matrix() -> list[list[float]]:
    return [[float(i == j) for j in range(N_CAMERA_PARAMETERS)] for i in range(N_CAMERA_PARAMETERS)]


def _propagate(jacobian: list[list[float]], covariance: Matrix) -> Matrix:
    """J C Jᵀ for 5 x 5 matrices (JCGM 102, 6.2.1.3)."""
    n = range(N_CAMERA_PARAMETERS)
    return tuple(
        tuple(sum(jacobian[i][k] * covariance[k][m] * jacobian[j][m] for k in n for m in n) for j in n) for i in n
    )
