"""The reference bars as solid things: the print's tag patterns, the plate's sizes, how a bar lies."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SIZE_MM = {"L": (1000.0, 100.0), "S": (300.0, 50.0)}
TAGS = {"L": 5, "S": 3}
_DICTIONARY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def first_tag(kind: str, k: int) -> int:
    """Lowest tag id of bar k of its series."""
    return 10 * k if kind == "L" else 500 + 3 * k


def tag_bits(tag: int) -> Array:
    """(8, 8) with 1 for white, first row uppermost, black border included."""
    marker = cv2.aruco.generateImageMarker(_DICTIONARY, tag, 8, borderBits=1)
    return np.asarray(marker > 127, float)


def tag_corners(kind: str) -> Array:
    """(tags, 4, 2) plate coordinates of the tags' black squares, upper left first, clockwise."""
    k = 1.0 if kind == "L" else 0.5
    pitch = 225.0 if kind == "L" else 250.0
    square = np.array([[0, 80], [80, 80], [80, 0], [0, 0]], float)
    return np.array([k * (square + [10 + i * pitch, 10]) for i in range(TAGS[kind])])


def checker_corners(kind: str) -> Array:
    """(n, 2) plate coordinates of the inner saddle points."""
    if kind == "L":
        return np.array(
            [(x0 + 25.0 * c, 25.0 * r) for x0 in (100, 325, 550, 775) for r in (1, 2, 3) for c in (1, 2, 3, 4)]
        )
    return np.array([(x0 + 12.5 * c, 12.5 * r) for x0 in (50, 175) for r in (1, 2, 3) for c in (1, 2, 3, 4, 5)])


@dataclass(frozen=True)
class Bar:
    """A bar lying somewhere.  `origin` is the lower left corner of its underside; axes are unit vectors (rows ex, ey,
    ez).
    """

    kind: str
    k: int
    origin: tuple[float, float, float]
    axes: Array
    length_scale: float = 1.0
    print_scale: float = 1.0
    thickness: float = 3.0
    flat: bool = True
    bow: float = 0.0  # mm the middle stands up when the bar is bent
    dirt: float = 0.0
    mud: float = 0.0
    white: tuple[float, float, float] = (0.80, 0.80, 0.78)
    gloss: float = 0.05
    seed: int = 1

    @property
    def first_tag(self) -> int:
        """Lowest tag id on the bar."""
        return first_tag(self.kind, self.k)

    @property
    def size(self) -> tuple[float, float]:
        """Real length and width of the plate, mm."""
        length, width = SIZE_MM[self.kind]
        return length * self.length_scale * self.print_scale, width * self.print_scale

    def top(self, plate: Array) -> Array:
        """World points (n, 3) of plate coordinates (n, 2), on the printed face (a flat bar's)."""
        plate = np.atleast_2d(plate)
        u = plate[:, 0] * self.length_scale * self.print_scale
        v = plate[:, 1] * self.print_scale
        return np.asarray(
            np.array(self.origin)
            + u[:, None] * self.axes[0]
            + v[:, None] * self.axes[1]
            + self.thickness * self.axes[2]
        )

    def record(self) -> dict[str, object]:
        """As it stands in the truth file."""
        return {
            "kind": self.kind,
            "k": self.k,
            "first_tag_id": self.first_tag,
            "x": self.origin[0],
            "y": self.origin[1],
            "angle_deg": float(np.degrees(np.arctan2(self.axes[0][1], self.axes[0][0])) % 360),
            "origin_mm": list(self.origin),
            "ex": self.axes[0].tolist(),
            "ey": self.axes[1].tolist(),
            "ez": self.axes[2].tolist(),
            "length_scale": self.length_scale * self.print_scale,
            "print_scale": self.print_scale,
            "thickness_mm": self.thickness,
            "flat": self.flat,
            "bow_mm": self.bow,
        }


def lying(
    kind: str, k: int, x: float, y: float, angle_deg: float, height: float, tilt: tuple[float, float], **more: object
) -> Bar:
    """A bar with its lower left corner over (x, y), turned by `angle_deg`, `height` mm up, sloping by `tilt` along x
    and y.
    """
    a = np.radians(angle_deg)
    ex = np.array([np.cos(a), np.sin(a), tilt[0] * np.cos(a) + tilt[1] * np.sin(a)])
    ey = np.array([-np.sin(a), np.cos(a), -tilt[0] * np.sin(a) + tilt[1] * np.cos(a)])
    ex /= np.linalg.norm(ex)
    ey -= ex * (ex @ ey)
    ey /= np.linalg.norm(ey)
    return Bar(kind, k, (x, y, height), np.array([ex, ey, np.cross(ex, ey)]), **more)  # type: ignore[arg-type]


def boxes_of(bar: Bar, bits_row: int, ident: int) -> Array:
    """Rows for the renderer: one box, or a chain of them along an arc for a bent bar."""
    length, width = bar.size
    pieces = 1 if bar.bow == 0 else 24
    s = np.linspace(0, length, pieces + 1)
    lift = 4 * bar.bow * (s / length) * (1 - s / length)
    rows = np.zeros((pieces, 40))
    for i, row in enumerate(rows):
        du, dz = s[i + 1] - s[i], lift[i + 1] - lift[i]
        u = bar.axes[0] * du + bar.axes[2] * dz
        step = np.linalg.norm(u)
        u = u / step
        w = np.cross(u, bar.axes[1])
        mid = np.array(bar.origin) + bar.axes[0] * (s[i] + s[i + 1]) / 2 + bar.axes[2] * (lift[i] + lift[i + 1]) / 2
        row[:3] = mid + bar.axes[1] * width / 2 + w * bar.thickness / 2
        row[3:12] = np.concatenate([u, bar.axes[1], w])
        row[12:15] = step / 2, width / 2, bar.thickness / 2
        row[15], row[16:19], row[19], row[20] = 1, bar.white, bar.gloss, bar.seed
        row[21], row[22] = float(bar.kind == "S"), bits_row
        row[24] = bar.length_scale * bar.print_scale
        row[23] = s[i] / row[24]
        row[25], row[26] = bar.dirt, bar.mud
        row[27], row[29] = np.linalg.norm(row[12:15]), ident
    return rows
