"""The reference bar: the project's own drawing of it, and the calibration of one real bar.

Plate coordinates: seen from above, origin at the lower left corner, x along the bar, y across it,
millimetres. Tags are of the open AprilTag 36h11 family, each upright in that view.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum


class BarKind(StrEnum):
    """The two bars of the series."""

    LONG = "long"
    SHORT = "short"


@dataclass(frozen=True)
class BarDesign:
    """The drawing of one kind of bar; all lengths in mm."""

    kind: BarKind
    length_mm: float
    height_mm: float
    thickness_mm: float
    series_count: int
    tag_side_mm: float
    tag_centre_x_mm: tuple[float, ...]
    first_tag_id: int
    tag_ids_per_bar: int
    field_x_mm: tuple[float, ...]
    """Left edges of the checker fields."""
    field_columns: int
    field_rows: int
    square_mm: float

    @property
    def tag_centre_y_mm(self) -> float:
        """Every tag sits on the bar's middle line."""
        return self.height_mm / 2

    @property
    def gauge_length_mm(self) -> float:
        """Length between the outermost tag centres: the length a calibration states."""
        return self.tag_centre_x_mm[-1] - self.tag_centre_x_mm[0]


LONG_BAR = BarDesign(
    BarKind.LONG, 1000.0, 100.0, 3.0, 50, 80.0, (50.0, 275.0, 500.0, 725.0, 950.0), 0, 10,
    (100.0, 325.0, 550.0, 775.0), 5, 4, 25.0,
)  # fmt: skip
SHORT_BAR = BarDesign(
    BarKind.SHORT, 300.0, 50.0, 3.0, 29, 40.0, (25.0, 150.0, 275.0), 500, 3,
    (50.0, 175.0), 6, 4, 12.5,
)  # fmt: skip
DESIGNS: tuple[BarDesign, ...] = (LONG_BAR, SHORT_BAR)


@dataclass(frozen=True)
class BarCalibration:
    """What one real bar measures; the default is the drawing with the series' uncertainty."""

    kind: BarKind
    number: int
    length_mm: float
    """Between the outermost tag centres."""
    length_u_mm: float
    thickness_mm: float
    thickness_u_mm: float
    date: date | None = None


def nominal_calibration(kind: BarKind, number: int) -> BarCalibration:
    """The calibration of a bar that has none: nominal, u = 0.1 mm per metre and 0.1 mm on the thickness."""
    design = LONG_BAR if kind is BarKind.LONG else SHORT_BAR
    gauge = design.gauge_length_mm
    return BarCalibration(kind, number, gauge, 0.1 * gauge / 1000.0, design.thickness_mm, 0.1)
