"""Measurements as JSON: the form that `kerfline measure --json` prints and that the log keeps."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from models.measurement import BudgetLine, Estimate, Judgement, Limits, Measurement, Quantity, Verdict


def measurement_to_json(measurement: Measurement) -> dict[str, Any]:
    """The machine-readable form of one measurement."""
    estimate, judgement = measurement.estimate, measurement.judgement
    content: dict[str, Any] = {
        "quantity": estimate.quantity.value,
        "unit": estimate.quantity.unit,
        "value": _plain(estimate.value),
        "standard_uncertainty": _plain(estimate.standard_uncertainty),
        "expanded_uncertainty": _plain(estimate.expanded_uncertainty),
        "coverage_factor": _plain(estimate.coverage_factor),
    }
    if judgement is not None:
        content["verdict"] = judgement.verdict.value
        content["probability_of_conformance"] = _plain(judgement.probability_of_conformance)
        content["limits"] = {"lower": judgement.limits.lower, "upper": judgement.limits.upper}
        content["clause"] = judgement.clause
    content["budget"] = [
        {"source": line.source, "standard_uncertainty": _plain(line.standard_uncertainty)} for line in estimate.budget
    ]
    return content


def measurement_from_json(content: Mapping[str, Any]) -> Measurement:
    """The measurement of this form.

    Raises:
        ValueError, KeyError, TypeError: it has not that form.
    """
    quantity = Quantity(content["quantity"])
    if content["unit"] != quantity.unit:
        raise ValueError(f"{quantity} is stated in {quantity.unit}, not in {content['unit']}")
    budget = tuple(BudgetLine(line["source"], float(line["standard_uncertainty"])) for line in content["budget"])
    estimate = Estimate(quantity, float(content["value"]), budget, float(content["coverage_factor"]))
    return Measurement(estimate, _judgement(content) if "verdict" in content else None)


def _judgement(content: Mapping[str, Any]) -> Judgement:
    limits = Limits(_number(content["limits"]["lower"]), _number(content["limits"]["upper"]))
    probability = float(content["probability_of_conformance"])
    return Judgement(Verdict(content["verdict"]), probability, limits, content["clause"])


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _plain(number: float) -> float:
    """A number without digits that mean nothing (a millionth of a millimetre or degree)."""
    return round(float(number), 6)
