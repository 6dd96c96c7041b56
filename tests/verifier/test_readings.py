"""What an instrument adds to a reading, and what is wrong with one."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.measurement import Quantity
from models.plan import Plan
from models.readings import FORMS, Reading, ReadingKind
from tests.verifier.stage_readings import NIGHT, PLAN, reading
from verifier.readings import Number, number_of, plausible_beside, propagate, take
from verifier.repeated import simple

SPACING = ReadingKind.SENSOR_SPACING


def number(value: float, resolution_u: float = 0.0, calibration_u: float = 0.0, scale_u: float = 0.0) -> Number:
    return Number(value, resolution_u, calibration_u, scale_u, "tape", reading(SPACING, value, "tape"))


def combined(terms: list[tuple[float, Number]]) -> float:
    return math.hypot(*(line.standard_uncertainty for line in propagate(terms)))


def test_resolution_is_rectangular() -> None:
    """JCGM 100:2008, F.2.2.1: a resolution d adds d/√12 = 0.29 d (printed: u = 0.29 δx). From memory; recomputed."""
    found, problems = number_of(PLAN, reading(SPACING, 3658.0, "tape"))
    assert found is not None
    assert not problems
    assert found.resolution_u == pytest.approx(0.29 * 1.0, abs=0.005)
    assert found.scale_u == pytest.approx(1e-4)


def test_ten_resistors_of_one_calibration() -> None:
    """JCGM 100:2008, 5.2.2, example: ten 1000 Ω resistors, each compared with one standard of u = 100 mΩ, in series.

    All share the standard, so that u of the sum is 10 × 100 mΩ = 1 Ω, not √10 × 100 mΩ = 0.32 Ω. From memory.
    """
    resistors = [(1.0, number(1e6, calibration_u=100.0)) for _ in range(10)]  # in mΩ
    assert combined(resistors) == pytest.approx(1000.0)


def test_a_difference_gains_nothing_from_a_calibration_that_may_not_be_shared() -> None:
    pair = [(1.0, number(10.0, calibration_u=0.3)), (-1.0, number(9.0, calibration_u=0.3))]
    assert combined(pair) == pytest.approx(0.3 * math.sqrt(2.0))


def test_scale_of_a_tape_is_shared() -> None:
    pair = [(1.0, number(4000.0, scale_u=1e-4)), (-1.0, number(3000.0, scale_u=1e-4))]
    assert combined(pair) == pytest.approx(0.1)


@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(0, 3)), min_size=1, max_size=6), st.floats(0, 1))
def test_calibration_line_bounds_every_shared_part(terms: list[tuple[float, float]], correlation: float) -> None:
    """Variance by JCGM 100 equation 16 with one correlation between all readings of an instrument."""
    parts = np.array([c * u for c, u in terms])
    matrix = np.full((len(parts), len(parts)), correlation)
    np.fill_diagonal(matrix, 1.0)
    line = combined([(c, number(1.0, calibration_u=u)) for c, u in terms])
    assert math.sqrt(max(parts @ matrix @ parts, 0.0)) <= line * (1 + 1e-9) + 1e-12


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        (reading(SPACING, 3658.0), "instrument-missing"),
        (reading(SPACING, 3658.0, "another"), "instrument-unknown"),
        (reading(SPACING, 3658.0, "balance"), "instrument-wrong"),
        (reading(SPACING, None, "tape"), "value-missing"),
        (reading(SPACING, math.nan, "tape"), "value-missing"),
        (reading(SPACING, 3.658, "tape"), "value-implausible"),
        (reading(ReadingKind.SLOT_DEPTH, 60.0, "gauge"), "station-missing"),
        (reading(ReadingKind.RELATIVE_HUMIDITY, 140.0, "hygrometer"), "value-implausible"),
    ],
)
def test_a_reading_that_cannot_be_worked_with_says_why(wrong: Reading, code: str) -> None:
    found, problems = number_of(PLAN, wrong)
    assert found is None
    assert [p.code for p in problems] == [code]
    assert len(problems[0].message) > 30


@pytest.mark.parametrize(
    ("days", "codes"), [(0, []), (-200, ["instrument-out-of-calibration"]), (300, ["instrument-out-of-calibration"])]
)
def test_calibration_on_the_day_of_the_reading(days: int, codes: list[str]) -> None:
    late = replace(reading(SPACING, 3658.0, "tape"), at=NIGHT + timedelta(days=days))
    found, problems = number_of(PLAN, late)
    assert found is not None, "the value stands; a person looks at it"
    assert [p.code for p in problems] == codes


def test_a_reading_without_a_time_may_be_out_of_calibration() -> None:
    _, problems = number_of(PLAN, replace(reading(SPACING, 3658.0, "tape"), at=None))
    assert [p.code for p in problems] == ["reading-time-missing"]


@pytest.mark.parametrize(("factor", "kept"), [(1.0, 1), (2.5, 1), (10.0, 0), (0.1, 0), (25.4, 0), (1 / 25.4, 0)])
def test_ten_times_too_large_or_another_unit(factor: float, kept: int) -> None:
    taken = plausible_beside([number(60.0 * factor)], 60.0, "the plan's nominal value")
    assert len(taken.numbers) == kept
    assert len(taken.problems) == 1 - kept


def test_readings_of_one_thing_that_differ_are_pointed_out() -> None:
    good = [reading(SPACING, v, "tape") for v in (3658.0, 3659.0)]
    far = [reading(SPACING, v, "tape") for v in (3658.0, 3690.0)]
    near, wide = (simple(PLAN, r, SPACING, Quantity.SENSOR_SPACING) for r in (good, far))
    assert near.codes() == set()
    assert wide.codes() == {"readings-disagree"}
    assert wide.estimates[0].value == pytest.approx(3674.0)
    assert wide.estimates[0].standard_uncertainty > 16.0
    assert "3658" in wide.problems[0].message
    assert "3690" in wide.problems[0].message


@given(st.permutations([3650.0, 3655.0, 3658.0, 3660.0]))
def test_order_of_readings_does_not_matter(values: list[float]) -> None:
    worked = simple(PLAN, [reading(SPACING, v, "tape") for v in values], SPACING, Quantity.SENSOR_SPACING)
    assert worked.estimates[0].value == pytest.approx(3655.75)
    assert worked.estimates[0].standard_uncertainty == pytest.approx(5.0, abs=0.2)


@given(st.sampled_from(sorted(ReadingKind)), st.floats(), st.one_of(st.none(), st.floats()), st.text(max_size=3))
def test_no_reading_whatever_is_an_exception(
    kind: ReadingKind, value: float, station: float | None, instrument_id: str
) -> None:
    names = [f.name for f in FORMS[kind].fields] or ["value"]
    odd = Reading(kind, tuple((n, value) for n in names), station, None, None, instrument_id or None)
    taken = take(PLAN, [odd], kind, names[0])
    assert taken.numbers or taken.problems


def test_a_plan_without_instruments_gives_no_number() -> None:
    taken = take(Plan("p", "1"), [reading(SPACING, 3658.0, "tape")], SPACING)
    assert not taken.numbers
    assert [p.code for p in taken.problems] == ["instrument-unknown"]
