"""Results as text and JSON."""

from __future__ import annotations

import json

import pytest

from api.rendering import result_as_json, result_as_text
from models.measurement import (
    BudgetLine,
    Estimate,
    Judgement,
    Limits,
    Measurement,
    PhotoKind,
    PhotoResult,
    Problem,
    Quantity,
    Verdict,
)

WIDTH = Estimate(Quantity.SLOT_WIDTH, 76.2149, (BudgetLine("corner detection", 0.03), BudgetLine("edges", 0.04)))
JUDGED = Measurement(WIDTH, Judgement(Verdict.CONFORMING, 0.99993, Limits(75.0, None), "3.2"))


def test_a_judged_measurement_in_one_line() -> None:
    text = result_as_text(PhotoResult("a.jpg", "0" * 64, PhotoKind.SLOT, True, (JUDGED,)))
    assert text.splitlines()[0] == "a.jpg  (slot)"
    for part in ("slot_width", "76.21 ± 0.10", "mm", "✓ conforming", "p = 1.000", "at least 75 mm"):
        assert part in text.splitlines()[1]


def test_an_unusable_photo_says_so_and_why() -> None:
    problem = Problem("bar-not-found", "No bar in view: lay the bar beside the slot.")
    text = result_as_text(PhotoResult("a.jpg", "", PhotoKind.SLOT, False, problems=(problem,)))
    assert "UNUSABLE" in text
    assert "lay the bar beside the slot. [bar-not-found]" in text


def test_json_keeps_the_numbers_and_adds_up() -> None:
    content = json.loads(json.dumps(result_as_json(PhotoResult("a", "b", PhotoKind.SLOT, True, (JUDGED,)))))
    (measurement,) = content["measurements"]
    assert measurement["standard_uncertainty"] == pytest.approx(0.05)
    assert measurement["expanded_uncertainty"] == pytest.approx(0.10)
    assert measurement["limits"] == {"lower": 75.0, "upper": None}
    assert sum(line["standard_uncertainty"] ** 2 for line in measurement["budget"]) == pytest.approx(0.05**2)


def test_without_a_tolerance_there_is_no_verdict() -> None:
    content = result_as_json(PhotoResult("a", "b", PhotoKind.SLOT, True, (Measurement(WIDTH),)))
    assert not {"verdict", "probability_of_conformance", "limits", "clause"} & content["measurements"][0].keys()
