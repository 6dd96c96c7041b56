"""Quantities, measurements with their budgets, verdicts, and the result of one photo.

The definitions of the quantities are those of the project's measurement rules: all lie in the
pavement's mean plane, seen from above, in millimetres and degrees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum


class PhotoKind(StrEnum):
    """What a photo is meant to show."""

    LAYOUT = "layout"
    SLOT = "slot"
    SURFACE = "surface"


class Quantity(StrEnum):
    """What can be measured in a photo."""

    LAYOUT_ANGLE = "layout_angle"
    CUT_ANGLE = "cut_angle"
    SLOT_WIDTH = "slot_width"
    SLOT_WIDTH_MIN = "slot_width_min"
    SLOT_WIDTH_MAX = "slot_width_max"
    EDGE_STRAIGHTNESS_LEFT = "edge_straightness_left"
    EDGE_STRAIGHTNESS_RIGHT = "edge_straightness_right"
    SLOT_STRAIGHTNESS = "slot_straightness"
    SPALL_DEPTH = "spall_depth"
    MEASURED_LENGTH = "measured_length"
    SENSOR_WIDTH = "sensor_width"
    GROUT_BAND_LEFT = "grout_band_left"
    GROUT_BAND_LEFT_MAX = "grout_band_left_max"
    GROUT_BAND_RIGHT = "grout_band_right"
    GROUT_BAND_RIGHT_MAX = "grout_band_right_max"
    RIDGE_WIDTH_LEFT = "ridge_width_left"
    RIDGE_WIDTH_RIGHT = "ridge_width_right"
    RIDGE_WIDTH = "ridge_width"

    @property
    def unit(self) -> str:
        """The unit every value of this quantity is stated in: 'deg' or 'mm'."""
        return "deg" if self.value.endswith("_angle") else "mm"


class Verdict(StrEnum):
    """A statement of conformity (JCGM 106)."""

    CONFORMING = "conforming"
    NONCONFORMING = "nonconforming"
    INCONCLUSIVE = "inconclusive"


@dataclass(frozen=True)
class BudgetLine:
    """One source of uncertainty and what it adds, in the unit of the quantity."""

    source: str
    standard_uncertainty: float


@dataclass(frozen=True)
class Estimate:
    """A measured value with its uncertainty budget; sources in one budget are independent."""

    quantity: Quantity
    value: float
    budget: tuple[BudgetLine, ...]
    coverage_factor: float = 2.0

    @property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty: root sum of squares of the budget (JCGM 100, 5.1.2)."""
        return math.sqrt(math.fsum(line.standard_uncertainty**2 for line in self.budget))

    @property
    def expanded_uncertainty(self) -> float:
        """Expanded uncertainty U = k u for 95 % coverage (JCGM 100, 6.2.1)."""
        return self.coverage_factor * self.standard_uncertainty


@dataclass(frozen=True)
class Limits:
    """Tolerance limits in the quantity's unit; None where that side is open."""

    lower: float | None
    upper: float | None


@dataclass(frozen=True)
class Judgement:
    """The verdict on one estimate under one tolerance."""

    verdict: Verdict
    probability_of_conformance: float
    limits: Limits
    clause: str = ""


@dataclass(frozen=True)
class Measurement:
    """An estimate and, where the plan has a tolerance for its quantity, the judgement on it."""

    estimate: Estimate
    judgement: Judgement | None = None


@dataclass(frozen=True)
class Problem:
    """A reason why something could not be measured, in words a crew can act on.

    ``code`` is stable and machine-readable ('bar-not-found'); ``message`` says what is wrong and what to do.
    """

    code: str
    message: str


@dataclass(frozen=True)
class PhotoResult:
    """All that was worked out from one photo."""

    photo: str
    sha256: str
    kind: PhotoKind
    usable: bool
    measurements: tuple[Measurement, ...] = ()
    problems: tuple[Problem, ...] = ()
    details: dict[str, object] = field(default_factory=dict)
    """Capture facts, software versions, bars seen: for the record; JSON-ready values only."""

    def estimate(self, quantity: Quantity) -> Estimate | None:
        """The estimate of one quantity, where the photo gave it."""
        return next((m.estimate for m in self.measurements if m.estimate.quantity is quantity), None)
