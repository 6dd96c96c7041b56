"""The instruments of a project: what each reads, how finely, and how far its calibration is to be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from models.units import Dimension


class InstrumentKind(StrEnum):
    """The sorts of instrument that readings are taken with."""

    TAPE = "tape"
    DEPTH_GAUGE = "depth-gauge"
    STRAIGHTEDGE = "straightedge"
    FEELER = "feeler"
    THERMOMETER = "thermometer"
    HYGROMETER = "hygrometer"
    BALANCE = "balance"
    MEASURING_CUP = "measuring-cup"
    INSULATION_TESTER = "insulation-tester"
    MULTIMETER = "multimeter"
    PROTRACTOR = "protractor"
    CLOCK = "clock"


DIMENSIONS: dict[InstrumentKind, tuple[Dimension, ...]] = {
    InstrumentKind.TAPE: (Dimension.LENGTH,),
    InstrumentKind.DEPTH_GAUGE: (Dimension.LENGTH,),
    InstrumentKind.STRAIGHTEDGE: (Dimension.LENGTH,),
    InstrumentKind.FEELER: (Dimension.LENGTH,),
    InstrumentKind.THERMOMETER: (Dimension.TEMPERATURE,),
    InstrumentKind.HYGROMETER: (Dimension.HUMIDITY,),
    InstrumentKind.BALANCE: (Dimension.MASS,),
    InstrumentKind.MEASURING_CUP: (Dimension.VOLUME,),
    InstrumentKind.INSULATION_TESTER: (Dimension.RESISTANCE,),
    InstrumentKind.MULTIMETER: (Dimension.RESISTANCE, Dimension.VOLTAGE),
    InstrumentKind.PROTRACTOR: (Dimension.ANGLE,),
    InstrumentKind.CLOCK: (Dimension.TIME,),
}
"""What each kind can read; where there is more than one, the plan says which this instrument is listed for."""


@dataclass(frozen=True)
class Instrument:
    """One instrument; figures in the base unit of its dimension (of a temperature: in kelvins)."""

    id: str
    kind: InstrumentKind
    dimension: Dimension
    resolution: float
    """Smallest step that is read; adds resolution/sqrt(12) to a reading's uncertainty (JCGM 100, F.2.2.1)."""
    standard_uncertainty: float
    """From the calibration, the same at any reading (k = 1)."""
    calibrated: date | None = None
    """Day of the calibration; None for a clock alone."""
    calibration_valid_until: date | None = None
    """Last day on which the calibration holds; None where the plan sets none."""
    per_metre: float = 0.0
    """Standard uncertainty that grows with the length read, mm per metre; for tapes."""
    relative: float = 0.0
    """Standard uncertainty that grows with the reading, as a part of it (0.01 is 1 %); for electrical meters."""
    text: str = ""
