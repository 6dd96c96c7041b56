"""What is known besides the photo when it is measured; apart from the measuring, so that it loads no pixels' code."""

from __future__ import annotations

from dataclasses import dataclass

from models.bar import BarCalibration
from models.camera import CameraCalibration
from models.measurement import Estimate
from models.tolerance import DecisionRule, Tolerance
from verifier.marks import Marks


@dataclass(frozen=True, eq=False)
class Settings:
    """What is known besides the photo; the defaults are for a photo without a plan."""

    tolerances: tuple[Tolerance, ...] = ()
    rule: DecisionRule = DecisionRule()
    bars: tuple[BarCalibration, ...] = ()
    cameras: tuple[CameraCalibration, ...] = ()
    """Stored calibrations; the one whose make, model and lens the photo names is used."""
    sensor_width_mm: float | None = None
    """Nominal width of the sensor's top."""
    slot_width_mm: float | None = None
    """Nominal width of the slot."""
    measured_slot: Estimate | None = None
    """Measured width of the same sensor's slot; goes before the nominal width."""
    marks: Marks = Marks()
