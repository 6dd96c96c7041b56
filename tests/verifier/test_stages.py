"""From the readings of a stage to judged results: one night of an invented sensor, and readings of every bad sort."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.measurement import Limits, Quantity, Verdict
from models.plan import Plan
from models.readings import FORMS, Reading, ReadingKind
from models.tolerance import Tolerance
from models.units import UnitSystem
from tests.verifier.stage_readings import FT, NIGHT, PLAN, SENSOR_NAME, along, reading, triangle
from verifier.stages import StageResults, evaluate

K = ReadingKind
STATIONS = [0.0, 250.0, 500.0, 750.0, 1000.0, 1250.0, 1500.0, 1750.0]


def tolerances(**limits: tuple[float | None, float | None]) -> Plan:
    """The plan with these limits."""
    return replace(PLAN, tolerances=tuple(Tolerance(Quantity(q), Limits(*ends)) for q, ends in limits.items()))


def verdict(results: StageResults, quantity: Quantity) -> Verdict | None:
    found = results.measurement(quantity)
    assert found is not None
    return None if found.judgement is None else found.judgement.verdict


SEATED = [reading(K.INSULATION_RESISTANCE, 2e10, "tester", source="i1")]
POURED = [
    reading(K.MIX_START, source="m"),
    reading(K.POUR_END, minute=12, source="p"),
    reading(K.GROUT_TEMPERATURE, 18.0, "thermometer", minute=12, source="t0"),
]


def test_layout_is_judged_by_the_plan() -> None:
    plan = tolerances(squareness=(89.5, 90.5), sensor_spacing=(3655.0, 3665.0))
    readings = [triangle(3 * FT, 4 * FT, 5 * FT), triangle(6 * FT, 8 * FT, 10 * FT)]
    results = evaluate(plan, SENSOR_NAME, "layout", [*readings, reading(K.SENSOR_SPACING, 3700.0, "tape")])
    assert verdict(results, Quantity.SQUARENESS) is Verdict.CONFORMING
    assert verdict(results, Quantity.FAR_END_OFFSET) is None
    assert verdict(results, Quantity.SENSOR_SPACING) is Verdict.NONCONFORMING
    assert [r.computation for r in results.results] == ["squareness", "position"]


def test_every_input_is_named_even_one_that_is_left_out() -> None:
    depths = along(K.SLOT_DEPTH, "gauge", STATIONS, [60.0] * 8)
    wrong = reading(K.SLOT_DEPTH, 600.0, "gauge", station=300.0, source="wrong")
    named = [replace(r, source=f"e{i}") for i, r in enumerate(depths)]
    result = evaluate(PLAN, SENSOR_NAME, "saw-cut", [*named, wrong]).result("slot-depth")
    assert result is not None
    assert set(result.inputs) == {"wrong", *(f"e{i}" for i in range(8))}
    assert [p.code for p in result.problems] == ["value-implausible"]


def test_the_products_sheet_judges_where_the_plan_does_not() -> None:
    readings = [reading(K.MIXING_TIME, 8.0, "clock")]
    assert verdict(evaluate(PLAN, SENSOR_NAME, "grout", readings), Quantity.MIXING_TIME) is Verdict.NONCONFORMING
    stricter = tolerances(mixing_time=(None, 20.0))
    assert verdict(evaluate(stricter, SENSOR_NAME, "grout", readings), Quantity.MIXING_TIME) is Verdict.CONFORMING


def test_the_forecast_comes_with_the_pour_and_moves_with_the_log() -> None:
    first = evaluate(PLAN, SENSOR_NAME, "cure-and-grind", [], POURED).result("cure")
    log = [reading(K.GROUT_TEMPERATURE, 12.0, "thermometer", minute=m, source=f"t{m}") for m in (40, 70)]
    later = evaluate(PLAN, SENSOR_NAME, "cure-and-grind", log, POURED).result("cure")
    assert first is not None
    assert later is not None
    assert first.not_before is not None
    assert later.not_before is not None
    assert later.not_before > first.not_before + timedelta(minutes=20)
    assert {"p", "t0", "t40", "t70"} <= set(later.inputs)


def test_changes_need_the_checks_of_an_earlier_stage() -> None:
    after = [reading(K.INSULATION_RESISTANCE, 1e10, "tester", source="i2")]
    results = evaluate(tolerances(insulation_change=(0.3, None)), SENSOR_NAME, "final-checks", after, SEATED)
    assert verdict(results, Quantity.INSULATION_CHANGE) is Verdict.CONFORMING
    change = results.result("electrical-change")
    assert change is not None
    assert set(change.inputs) == {"i1", "i2"}
    assert evaluate(PLAN, SENSOR_NAME, "seating", SEATED).result("electrical-change") is None


def test_grinding_gets_its_advice() -> None:
    plan = tolerances(proud_height=(None, 0.5), low_height=(None, 0.5))
    high = along(K.SURFACE_HEIGHT, "feeler", STATIONS, [0.1, 0.2, 0.0, 0.1, 2.0, 0.1, 0.0, 0.0], 1)
    flush = along(K.SURFACE_HEIGHT, "feeler", STATIONS, [0.0] * 8, 2)
    said = []
    for readings in (high, [*high, *flush]):
        result = evaluate(plan, SENSOR_NAME, "cure-and-grind", readings).result("flushness")
        assert result is not None
        said.append(result.remarks[-1].code)
    assert said == ["another-pass", "grinding-done"]


def test_reopening_against_the_closure() -> None:
    early, late = (evaluate(PLAN, SENSOR_NAME, "final-checks", [reading(K.LANE_OPEN, minute=m)]) for m in (400, 450))
    found = early.measurement(Quantity.CLOSURE_MARGIN)
    assert found is not None
    assert found.estimate.value == 20.0
    assert verdict(early, Quantity.CLOSURE_MARGIN) is Verdict.CONFORMING
    told_until = reading(K.CLOSURE_END, minute=440)
    moved = evaluate(PLAN, SENSOR_NAME, "final-checks", [reading(K.LANE_OPEN, minute=450)], [told_until])
    assert verdict(moved, Quantity.CLOSURE_MARGIN) is Verdict.NONCONFORMING
    assert late.result("reopening") is None, "the plan's closure was over: there is none to hold it against"


def test_a_closure_that_ends_before_it_begins() -> None:
    both = [reading(K.CLOSURE_START, minute=60), reading(K.CLOSURE_END, minute=0)]
    assert "times-out-of-order" in [p.code for p in evaluate(PLAN, SENSOR_NAME, "before-closure", both).problems]


def test_the_kit_of_the_whole_project() -> None:
    results = evaluate(PLAN, "", "before-closure", [])
    assert verdict(results, Quantity.GROUT_MARGIN) is Verdict.CONFORMING
    assert not results.problems


def test_a_time_without_its_zone_is_said_and_not_used() -> None:
    naive = replace(POURED[1], at=datetime(2026, 6, 1, 22, 12))
    results = evaluate(PLAN, SENSOR_NAME, "cure-and-grind", [naive, reading(K.GRIND_START, minute=100)])
    assert {"time-without-zone", "time-missing"} <= {p.code for p in results.problems}


def test_messages_speak_the_projects_units() -> None:
    us = replace(PLAN, units=UnitSystem.US)
    depths = along(K.SLOT_DEPTH, "gauge", [0.0, 254.0, 1016.0, 1270.0, 1524.0, 1750.0], [60.0] * 6)
    messages = [p.message for p in evaluate(us, SENSOR_NAME, "saw-cut", depths).problems]
    assert len(messages) == 1
    assert "between stations 10 in and 40 in" in messages[0]
    assert "measure at station 25 in too" in messages[0]
    assert "mm" not in messages[0]


def test_an_unknown_sensor_is_misuse() -> None:
    with pytest.raises(LookupError, match="the plan has: s/2/A"):
        evaluate(PLAN, "nowhere", "layout", [])


def test_nothing_read_is_nothing_computed() -> None:
    for stage in PLAN.stages[1:]:
        assert evaluate(PLAN, SENSOR_NAME, stage.id, []).results == ()


@st.composite
def readings_of_any_sort(draw: st.DrawFn) -> Reading:
    kind = draw(st.sampled_from(sorted(ReadingKind)))
    form = FORMS[kind]
    numbers = tuple(
        (f.name, draw(st.one_of(st.floats(f.lowest, f.highest), st.floats(), st.sampled_from([0.0, f.highest * 10]))))
        for f in form.fields
        if draw(st.integers(0, 9)) > 0
    )
    moments = st.sampled_from([NIGHT + timedelta(minutes=m) for m in (-99_999, 0, 30, 61, 700)])
    return Reading(
        kind,
        numbers,
        draw(st.one_of(st.none(), st.floats(-100, 1900), st.floats())),
        draw(st.one_of(st.none(), st.integers(-1, 3))),
        draw(st.one_of(st.none(), moments, moments.map(lambda at: at.replace(tzinfo=None)))),
        draw(st.sampled_from([None, "nobody's", *(i.id for i in PLAN.instruments)])),
        tuple((t, draw(st.sampled_from(["resin", "hardener", "back", "x"]))) for t in form.texts + form.optional_texts),
        "source",
    )


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(readings_of_any_sort(), max_size=6),
    st.lists(readings_of_any_sort(), max_size=3),
    st.sampled_from([s.id for s in PLAN.stages]),
)
def test_no_readings_whatever_are_an_exception(readings: list[Reading], earlier: list[Reading], stage: str) -> None:
    """Every number that comes out is finite, with a U; whatever went wrong is a problem in words."""
    results = evaluate(PLAN, SENSOR_NAME, stage, readings, earlier)
    for result in results.results:
        for measurement in result.measurements:
            assert abs(measurement.estimate.value) < float("inf")
            assert 0 <= measurement.estimate.expanded_uncertainty < float("inf")
        assert all(p.code and p.message for p in (*result.problems, *result.remarks))


@settings(max_examples=30, deadline=None)
@given(st.permutations(range(12)))
def test_order_of_all_readings_does_not_matter(order: list[int]) -> None:
    readings = [
        *along(K.SLOT_DEPTH, "gauge", STATIONS, [60.0, 61.0, 60.5, 59.5, 60.0, 61.5, 60.0, 60.5]),
        triangle(3 * FT, 4 * FT, 5 * FT + 1),
        triangle(6 * FT, 8 * FT, 10 * FT - 2),
        reading(K.SLOT_START, 30.0, "tape"),
        reading(K.SLOT_END, 35.0, "tape"),
    ]
    plain = evaluate(PLAN, SENSOR_NAME, "saw-cut", readings)
    mixed = evaluate(PLAN, SENSOR_NAME, "saw-cut", [readings[i] for i in order])
    for one, other in zip(plain.results, mixed.results, strict=True):
        for a, b in zip(one.measurements, other.measurements, strict=True):
            assert a.estimate.value == pytest.approx(b.estimate.value, rel=1e-12)
            assert a.estimate.expanded_uncertainty == pytest.approx(b.estimate.expanded_uncertainty, rel=1e-9)
