"""From the bytes of one photo to its measurements and verdicts: the pipeline, in numbered steps.

Left to the caller: reading the file, a deadline and a limit on memory (see ``verifier.photo``), the choice of the plan.
"""

from __future__ import annotations

import hashlib
import logging
import math
import traceback
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import TypeVar

import cv2
import numpy as np

from models.camera import CameraCalibration
from models.measurement import Estimate, Measurement, PhotoKind, PhotoResult, Problem, Verdict
from models.version import VERSION
from verifier.adjustment import Adjustment, CameraPrior, adjust
from verifier.bars import BarSightings, find_bars
from verifier.capture import CaptureFacts
from verifier.conformity import judge
from verifier.finding import Finding
from verifier.layout import measure_layout
from verifier.photo import Photo, decode
from verifier.settings import Settings
from verifier.slot import measure_slot
from verifier.surface import SlotGap, measure_surface

logger = logging.getLogger("kerfline")

T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class Examination:
    """The result of a photo with everything it was worked out from, for the overlay and for the record.

    The steps that were not reached are None.
    """

    result: PhotoResult
    photo: Photo | None = None
    sightings: BarSightings | None = None
    adjustment: Adjustment | None = None
    finding: Finding | None = None


def measure(data: bytes, name: str, kind: PhotoKind, settings: Settings | None = None) -> PhotoResult:
    """Measure one photo; see ``examine``."""
    return examine(data, name, kind, settings).result


def examine(data: bytes, name: str, kind: PhotoKind, settings: Settings | None = None) -> Examination:
    """Measure one photo and keep what it was worked out from.

    A photo that cannot be measured gives an unusable result with its problems; nothing in a photo raises.

    Args:
        data: the file's bytes, untrusted.
        name: what to call the photo in the result.
        kind: what the photo is meant to show.
        settings: tolerances, calibrations, nominal widths and marks.
    """
    settings = settings or Settings()

    # 1. Bytes to pixels and capture facts.
    photo = _guarded(lambda: decode(name, data), name)
    if isinstance(photo, Problem):
        unread = PhotoResult(name, hashlib.sha256(data).hexdigest(), kind, usable=False)
        return _unusable(Examination(unread), photo)
    reached = Examination(PhotoResult(name, photo.sha256, kind, usable=False), photo)

    # 2. Every bar in view.
    sightings = _guarded(lambda: find_bars(photo), name)
    if isinstance(sightings, Problem):
        return _unusable(reached, sightings)
    reached = replace(reached, sightings=sightings)

    # 3. Camera, pavement plane and bars, adjusted together.
    prior = stored_prior(settings.cameras, photo.facts, photo.size_px)
    adjusted = _guarded(lambda: adjust(sightings.bars, photo.facts, photo.size_px, settings.bars, prior), name)
    if isinstance(adjusted, Problem):
        return _unusable(reached, adjusted)
    reached = replace(reached, adjustment=adjusted)

    # 4. The line, the slot or the surface.
    finding = _guarded(lambda: _find(kind, photo, adjusted, settings), name)
    if isinstance(finding, Problem):
        return _unusable(reached, finding)
    reached = replace(reached, finding=finding)
    if not finding.estimates:
        return _unusable(reached, *(finding.problems or (_NOTHING_FOUND,)))

    # 5. Verdicts against the plan's tolerances.
    if not all(_is_sound(estimate) for estimate in finding.estimates):
        return _unusable(reached, _internal_error(name, "an estimate is not a finite number"))
    measurements = tuple(_judged(estimate, settings) for estimate in finding.estimates)
    problems = (*finding.problems, *_too_coarse(measurements))
    result = replace(
        reached.result, usable=True, measurements=measurements, problems=problems, details=_details(reached, settings)
    )
    return replace(reached, result=result)


_NOTHING_FOUND = Problem(
    "nothing-found", "What the photo should show was not found: check the kind of photo, or take it again nearer."
)


def _find(kind: PhotoKind, photo: Photo, adjusted: Adjustment, settings: Settings) -> Finding:
    """Look for what this kind of photo shows."""
    plane, bars, marks = adjusted.plane, adjusted.outlines_mm, settings.marks
    if kind is PhotoKind.LAYOUT:
        return measure_layout(photo, plane, bars, marks)
    if kind is PhotoKind.SLOT:
        finding = measure_slot(photo, plane, bars, marks, settings.slot_width_mm)
    else:
        finding = measure_surface(photo, plane, bars, marks, _slot_gap(settings), settings.sensor_width_mm)
    return finding if finding.estimates else _checked_kind(kind, photo, adjusted, finding)


def _checked_kind(kind: PhotoKind, photo: Photo, adjusted: Adjustment, finding: Finding) -> Finding:
    """Why nothing was found: a photo that can be measured as a layout photo is one."""
    if not measure_layout(photo, adjusted.plane, adjusted.outlines_mm).estimates:
        return finding
    shown = "a painted layout line and no saw cut" if kind is PhotoKind.SLOT else "a painted layout line and no sensor"
    return Finding((), (_layout_instead(shown, kind),))


def _layout_instead(shown: str, kind: PhotoKind) -> Problem:
    return Problem(
        "wrong-kind-of-photo",
        f"The picture shows {shown}: submit it as a layout photo, and take a {kind.value} photo of the {kind.value}.",
    )


def _slot_gap(settings: Settings) -> SlotGap | None:
    """The room beside the sensor: from the measured slot where there is one, else from the nominal widths."""
    measured = settings.measured_slot
    if measured is not None:
        return SlotGap(measured.value, None, measured.standard_uncertainty, "measured slot")
    if settings.slot_width_mm is not None and settings.sensor_width_mm is not None:
        return SlotGap(settings.slot_width_mm, settings.sensor_width_mm)
    return None


def stored_prior(
    cameras: tuple[CameraCalibration, ...], facts: CaptureFacts, size_px: tuple[int, int]
) -> CameraPrior | None:
    """The stored calibration of the camera that took the photo, as a prior; None where there is none that fits.

    A picture taken with digital zoom, or cropped, is not one the calibration holds for.
    """
    if facts.digital_zoom is not None and abs(facts.digital_zoom - 1.0) > 1e-3:
        return None
    for camera in cameras:
        if camera.belongs_to(facts.make, facts.model, facts.lens):
            fitted = camera.for_picture(*size_px, facts.orientation)
            if fitted is not None:
                return _as_prior(fitted)
    return None


def _as_prior(camera: CameraCalibration) -> CameraPrior:
    mean = np.array([math.log(camera.focal_px), *camera.principal_px, camera.k1, camera.k2])
    return CameraPrior(mean, np.array(camera.covariance), f"calibration of {camera.make} {camera.model}")


def _guarded(step: Callable[[], T | Problem], name: str) -> T | Problem:
    """Run a step; whatever it raises is an error of this program, told as a problem and logged."""
    try:
        return step()
    except MemoryError:
        return Problem("out-of-memory", "There was not enough memory for this photo: measure it on a larger machine.")
    except Exception as error:
        frame = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{frame.filename.rsplit('/', 1)[-1]}:{frame.lineno}"
        logger.debug("while measuring %s", name, exc_info=True)
        return _internal_error(name, f"{type(error).__name__} at {place}: {error}")


def _internal_error(name: str, detail: str) -> Problem:
    logger.error("%s: internal error: %s", name, detail)
    return Problem(
        "internal-error",
        "The program failed on this photo, a fault of the program: report it with the photo, and take another one.",
    )


def _unusable(reached: Examination, *problems: Problem) -> Examination:
    result = replace(reached.result, usable=False, problems=problems, details=_details(reached, None))
    return replace(reached, result=result)


def _is_sound(estimate: Estimate) -> bool:
    """A last guard against a number that is none, or that claims to be exact."""
    return math.isfinite(estimate.value) and 0.0 < estimate.standard_uncertainty < math.inf


def _judged(estimate: Estimate, settings: Settings) -> Measurement:
    tolerance = next((t for t in settings.tolerances if t.quantity is estimate.quantity), None)
    return Measurement(estimate, None if tolerance is None else judge(estimate, tolerance, settings.rule))


def _too_coarse(measurements: tuple[Measurement, ...]) -> tuple[Problem, ...]:
    """A problem for each quantity whose tolerance is narrower than the measurement's own interval.

    Such a measurement can prove a fault but never conformity, whatever the work is like.
    """
    return tuple(_coarse(m.estimate) for m in measurements if _never_proves(m))


def _never_proves(measurement: Measurement) -> bool:
    judgement = measurement.judgement
    if judgement is None or judgement.verdict is not Verdict.INCONCLUSIVE:
        return False
    lower, upper = judgement.limits.lower, judgement.limits.upper
    return lower is not None and upper is not None and upper - lower < 2 * measurement.estimate.expanded_uncertainty


def _coarse(estimate: Estimate) -> Problem:
    return Problem(
        "resolution-too-low",
        f"{estimate.quantity}: U = {estimate.expanded_uncertainty:.2g} {estimate.quantity.unit} is too large for the "
        "tolerance: move closer, hold still, and take the photo again.",
    )


def _details(reached: Examination, settings: Settings | None) -> dict[str, object]:
    """What the record should keep beside the numbers; JSON-ready."""
    details: dict[str, object] = {"software": _software()}
    if reached.photo is not None:
        facts = asdict(reached.photo.facts)
        details["capture"] = {key: value for key, value in facts.items() if value is not None}
        details["size_px"] = list(reached.photo.size_px)
    if reached.sightings is not None:
        details["bars"] = [f"{bar.design.kind} {bar.number}" for bar in reached.sightings.bars]
        details["bars_left_out"] = list(reached.sightings.left_out)
    if reached.adjustment is not None:
        details["corner_sigma_px"] = round(reached.adjustment.corner_sigma_px, 4)
        details["focal_px"] = round(reached.adjustment.plane.focal_px, 2)
        details["camera_height_mm"] = round(float(reached.adjustment.plane.camera_mm[2]), 1)
    if settings is not None and settings.marks.marks:
        details["marks"] = [mark.feature.value for mark in settings.marks.marks]
    return details


def _software() -> dict[str, str]:
    """Measured values depend on these versions."""
    return {"kerfline": VERSION, "opencv": cv2.__version__, "numpy": np.__version__}
