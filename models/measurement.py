"""Quantities, measurements with their budgets, verdicts, and the result of one photo.

The definitions of the quantities of a photo are those of the project's measurement rules: all lie in the
pavement's mean plane, seen from above, in millimetres and degrees. The quantities of a stage's readings are
defined beside the computation that gives them, in the modules of ``verifier``.
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
    """What can be measured: first in a photo, then from the readings of a stage, in the order of the stages."""

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

    CHANNEL_VOLUME = "channel_volume"
    GROUT_NEEDED = "grout_needed"
    GROUT_MARGIN = "grout_margin"
    SQUARENESS = "squareness"
    FAR_END_OFFSET = "far_end_offset"
    SENSOR_SPACING = "sensor_spacing"
    MARKING_OFFSET = "marking_offset"
    HOLE_EDGE_DISTANCE = "hole_edge_distance"
    HOLE_LINE_OFFSET = "hole_line_offset"
    HOLE_DIAMETER = "hole_diameter"
    DRILL_ANGLE = "drill_angle"
    CONDUIT_COVER = "conduit_cover"
    BLADE_WIDTH = "blade_width"
    BLADE_DEPTH = "blade_depth"
    SLOT_DEPTH_MIN = "slot_depth_min"
    SLOT_DEPTH_MAX = "slot_depth_max"
    FLOOR_VARIATION = "floor_variation"
    OVERCUT_START = "overcut_start"
    OVERCUT_END = "overcut_end"
    SLOT_WIDTH_GAUGE_MIN = "slot_width_gauge_min"
    SLOT_WIDTH_GAUGE_MAX = "slot_width_gauge_max"
    LEADIN_DEPTH = "leadin_depth"
    PAVEMENT_TEMPERATURE = "pavement_temperature"
    AIR_TEMPERATURE = "air_temperature"
    RELATIVE_HUMIDITY = "relative_humidity"
    DEW_POINT = "dew_point"
    DEW_POINT_MARGIN = "dew_point_margin"
    SEAT_HEIGHT_MIN = "seat_height_min"
    SEAT_HEIGHT_MAX = "seat_height_max"
    INSULATION_RESISTANCE = "insulation_resistance"
    BRIDGE_RESISTANCE = "bridge_resistance"
    ZERO_SIGNAL = "zero_signal"
    INSULATION_CHANGE = "insulation_change"
    BRIDGE_CHANGE = "bridge_change"
    ZERO_CHANGE = "zero_change"
    MIX_RATIO = "mix_ratio"
    MIXING_TIME = "mixing_time"
    POT_LIFE_LEFT = "pot_life_left"
    CURE_TIME = "cure_time"
    CURE_MARGIN = "cure_margin"
    EQUIVALENT_AGE = "equivalent_age"
    EQUIVALENT_AGE_NURSE_SAUL = "equivalent_age_nurse_saul"
    CLOSURE_MARGIN = "closure_margin"
    PROUD_HEIGHT = "proud_height"
    LOW_HEIGHT = "low_height"
    HEIGHT_STEP = "height_step"
    HEIGHT_EVENNESS = "height_evenness"
    STRAIGHTEDGE_GAP = "straightedge_gap"

    @property
    def unit(self) -> str:
        """The unit every value of this quantity is stated in: 'mm' where ``_OTHER_UNITS`` names no other."""
        return _OTHER_UNITS.get(self.value, "mm")


_OTHER_UNITS = {
    name: unit
    for unit, names in {
        "deg": "layout_angle cut_angle squareness drill_angle",
        "L": "channel_volume grout_needed grout_margin",
        "degC": "pavement_temperature air_temperature dew_point",
        "K": "dew_point_margin",
        "%": "relative_humidity",
        "ohm": "insulation_resistance bridge_resistance bridge_change",
        "mV": "zero_signal zero_change",
        "1": "insulation_change mix_ratio",
        "min": "mixing_time pot_life_left cure_time cure_margin closure_margin equivalent_age"
        " equivalent_age_nurse_saul",
    }.items()
    for name in names.split()
}
"""Units of the quantities that are no length, by the quantity's name."""


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
