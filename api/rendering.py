"""Results as JSON and as text."""

from __future__ import annotations

from typing import Any

from models.measurement import Measurement, PhotoResult
from models.measurement_json import measurement_to_json
from models.wording import SIGNS, limits_as_text, rounded


def result_as_json(result: PhotoResult) -> dict[str, Any]:
    """The machine-readable result of one photo."""
    return {
        "photo": result.photo,
        "sha256": result.sha256,
        "kind": result.kind.value,
        "usable": result.usable,
        "measurements": [measurement_to_json(m) for m in result.measurements],
        "problems": [{"code": p.code, "message": p.message} for p in result.problems],
        "details": result.details,
    }


def result_as_text(result: PhotoResult) -> str:
    """A block of lines for one photo: what was measured, the verdicts, the problems."""
    state = "" if result.usable else "  UNUSABLE"
    lines = [f"{result.photo}  ({result.kind.value}){state}"]
    lines += [_measurement_line(m) for m in result.measurements]
    lines += [f"  ! {p.message} [{p.code}]" for p in result.problems]
    return "\n".join(lines)


def _measurement_line(measurement: Measurement) -> str:
    estimate = measurement.estimate
    value, uncertainty = rounded(estimate.value, estimate.expanded_uncertainty)
    head = f"  {estimate.quantity.value:<24} {value:>9} ± {uncertainty:<6} {estimate.quantity.unit:<3}"
    judgement = measurement.judgement
    if judgement is None:
        return head.rstrip()
    verdict = f"{SIGNS[judgement.verdict]} {judgement.verdict.value}"
    probability = f"p = {judgement.probability_of_conformance:.3f}"
    return f"{head}  {verdict:<16} {probability}  {limits_as_text(judgement.limits, estimate.quantity.unit)}".rstrip()
