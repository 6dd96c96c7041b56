"""Numbers as people write them, for overlays."""

from __future__ import annotations

from models.measurement import Limits, Measurement, Quantity
from models.wording import rounded


def spoken(quantity: Quantity) -> str:
    """The quantity in words: ``Slot width``."""
    return quantity.value.replace("_", " ").capitalize()


def value_text(measurement: Measurement) -> str:
    """Value, expanded uncertainty and unit: ``81.43 ± 0.14 mm``."""
    estimate = measurement.estimate
    value, uncertainty = rounded(estimate.value, estimate.expanded_uncertainty)
    unit = "°" if estimate.quantity.unit == "deg" else f"\u00a0{estimate.quantity.unit}"
    return f"{value} ±\u00a0{uncertainty}{unit}"


def limits_text(limits: Limits, unit: str) -> str:
    """Limits as people say them: ``75 to 79 mm``; empty where there are none."""
    unit = "°" if unit == "deg" else f"\u00a0{unit}"
    if limits.lower is None:
        return "" if limits.upper is None else f"at most\u00a0{limits.upper:g}{unit}"
    return (
        f"at least\u00a0{limits.lower:g}{unit}"
        if limits.upper is None
        else f"{limits.lower:g} to {limits.upper:g}{unit}"
    )
