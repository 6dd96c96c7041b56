"""The plan file: what it says is what the plan holds, and every fault is told at once, with its line and a remedy."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.bar import BarKind
from models.measurement import Limits, Quantity
from models.plan import Plan
from models.plan_file import Faulty, read_bars, read_plan
from models.tolerance import Rule

ROOT = Path(__file__).parents[2]
HEAD = "project: Marl Cross\nversion: 1\n"


def taken(text: str) -> Plan:
    plan = read_plan(text)
    assert isinstance(plan, Plan), [str(f) for f in plan.faults]
    return plan


def faults(text: str) -> list[str]:
    plan = read_plan(text)
    assert isinstance(plan, Faulty)
    return [str(fault) for fault in plan.faults]


def test_the_demo_plan_is_without_fault_and_says_what_it_should() -> None:
    plan = taken((ROOT / "demo_photos" / "plan.yaml").read_text())
    limits = {t.quantity: t.limits for t in plan.tolerances}
    assert limits[Quantity.SLOT_WIDTH] == Limits(75.0, 79.0)
    assert limits[Quantity.LAYOUT_ANGLE] == Limits(89.5, 90.5)
    assert limits[Quantity.RIDGE_WIDTH] == Limits(None, 5.0)
    assert list(plan.sensors()) == ["marl-cross/2/A", "marl-cross/2/B"]
    assert all("invented" in t.clause for t in plan.tolerances)


def test_limits_in_inches_become_millimetres() -> None:
    plan = taken(HEAD + "tolerances:\n  slot_width: {nominal: 3 in, plus: 1/8 in, minus: 0 in}\n")
    assert plan.tolerances[0].limits == Limits(76.2, 79.375)


def test_one_sided_limits_stay_open_on_the_other_side() -> None:
    plan = taken(HEAD + "tolerances:\n  spall_depth: {upper: 10 mm}\n  measured_length: {lower: 1.5 m}\n")
    assert [t.limits for t in plan.tolerances] == [Limits(None, 10.0), Limits(1500.0, None)]


@pytest.mark.parametrize(
    ("text", "rule", "guard_factor", "risk"),
    [
        ("", Rule.GUARDED, 1.0, 0.05),
        ("decision_rule: simple\n", Rule.SIMPLE, 1.0, 0.05),
        ("decision_rule: {rule: guarded, guard_band: 0.83 U}\n", Rule.GUARDED, 0.83, 0.05),
        ("decision_rule: {rule: risk-limited, consumer_risk: 2 %}\n", Rule.RISK_LIMITED, 1.0, 0.02),
    ],
)
def test_decision_rules(text: str, rule: Rule, guard_factor: float, risk: float) -> None:
    plan = taken(HEAD + text)
    assert (plan.rule.rule, plan.rule.guard_factor, plan.rule.consumer_risk) == (rule, guard_factor, risk)


def test_a_bar_without_stated_thickness_is_as_drawn() -> None:
    bars = read_bars("bars:\n  - {kind: short, number: 3, length: 250.1 mm, length_u: 20 um, date: 2026-03-01}\n")
    assert not isinstance(bars, Faulty)
    (bar,) = bars
    assert (bar.kind, bar.number, bar.length_mm, bar.length_u_mm) == (BarKind.SHORT, 3, 250.1, 0.02)
    assert (bar.thickness_mm, bar.thickness_u_mm, bar.date) == (3.0, 0.1, date(2026, 3, 1))


def test_all_faults_are_told_at_once_from_the_top_down() -> None:
    told = faults(
        "project: x\n"
        "versoin: 2\n"
        "tolerances:\n"
        "  slot_widht: {upper: 3 mm}\n"
        "  slot_width: {lower: 5, upper: 3 deg}\n"
        "bars:\n"
        "  - {kind: long, number: 50, length: 1000 mm, length_u: 0.1 mm}\n"
    )
    assert told == sorted(told, key=lambda line: int(line.split(":")[0].removeprefix("line ")))
    for expected in (
        "line 1: `version` is missing",
        "line 2: versoin: this name is not known; did you mean `version`?",
        "line 4: tolerances.slot_widht: 'slot_widht' is not known; did you mean `slot_width`?",
        "line 5: tolerances.slot_width.lower: '5' has no unit",
        "line 5: tolerances.slot_width.upper: 'deg' is no unit of length",
        "line 7: bars[1].number: long bars are numbered 0 to 49",
        "line 7: bars[1].length: is 1000 mm; the length between the outermost tags' centres is 900 mm",
    ):
        assert any(line.startswith(expected) for line in told), (expected, told)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "empty"),
        ("- 1", "a group"),
        ("a: [", "not YAML"),
        ("{" * 3000, "nested too deeply"),
        ("x" * 1_000_001, "more than"),
        (HEAD + "project: y\n", "stands twice"),
        (HEAD + "tolerances: {slot_width: {lower: 9 mm, upper: 8 mm}}\n", "must be below"),
        (HEAD + "tolerances: {slot_width: {}}\n", "no limit"),
        (HEAD + "tolerances: {slot_width: {plus: 3 mm}}\n", "need a `nominal`"),
        (HEAD + "tolerances: {slot_width: {nominal: 3 mm, plus: -1 mm}}\n", "without a sign"),
        (HEAD + "tolerances: {slot_width: {nominal: 3 mm, plus: 0 mm, minus: 0 mm}}\n", "nothing could ever conform"),
        (HEAD + "tolerances: {slot_width: {nominal: 3 mm, plus: 1 mm, upper: 4 mm}}\n", "not both"),
        (HEAD + "decision_rule: risk-limited\n", "largest risk"),
        (HEAD + "decision_rule: {rule: risk-limited, consumer_risk: 50 %}\n", "below 50"),
        (HEAD + "decision_rule: {rule: guarded, guard_band: 2 mm}\n", "like `1 U`"),
        (HEAD + "decision_rule: gaurded\n", "did you mean `guarded`"),
        (HEAD + "sites: 3\n", "a list is expected"),
        (HEAD + "sites: [{id: a b}]\n", "letters, digits"),
        (HEAD + "sites: [{id: a}, {id: a}]\n", "more than once"),
        (HEAD + "sites: [{id: a, lanes: [{id: 1, sensors: [{id: A, width: 0 mm}]}]}]\n", "above zero"),
        (HEAD + "sites: [{id: a, lanes: [{id: 1, sensors: [{id: A, width: 9 mm, slot_width: 9 mm}]}]}]\n", "above the"),
        (HEAD + "bars: [{kind: long, number: 1, length: 900 mm, length_u: 1 mm, date: may}]\n", "not a day"),
        (HEAD + "bars: [{kind: long, number: -1, length: 900 mm, length_u: 1 mm}]\n", "whole number"),
        (HEAD + "cameras: [{a: b}]\n", "kerfline calibrate"),
    ],
)  # fmt: skip
def test_each_slip_is_named(text: str, told: str) -> None:
    assert any(told in line for line in faults(text)), faults(text)


def test_two_calibrations_of_one_bar_are_refused() -> None:
    """Which one holds would be a guess."""
    one = "  - {kind: long, number: 1, length: 900 mm, length_u: 1 mm}\n"
    assert any("listed more than once" in line for line in faults(HEAD + "bars:\n" + one + one))


def test_a_bar_file_without_bars_is_refused() -> None:
    assert isinstance(read_bars("bars: []\n"), Faulty)
    assert isinstance(read_bars("bar: []\n"), Faulty)


def test_sensors_are_found_by_the_end_of_their_name() -> None:
    plan = taken((ROOT / "demo_photos" / "plan.yaml").read_text())
    assert plan.find_sensor("A") is plan.find_sensor("2/A") is plan.find_sensor("marl-cross/2/A")
    with pytest.raises(LookupError, match=r"no sensor .* 'C'; the plan has: marl-cross/2/A"):
        plan.find_sensor("C")


def test_a_sensor_name_that_fits_two_is_refused() -> None:
    lanes = "[{id: 1, sensors: [{id: A}]}, {id: 2, sensors: [{id: A}]}]"
    plan = taken(HEAD + f"sites: [{{id: s, lanes: {lanes}}}]\n")
    with pytest.raises(LookupError, match="more than one"):
        plan.find_sensor("A")


@given(st.text(max_size=200))
def test_any_text_is_a_plan_or_a_list_of_faults(text: str) -> None:
    plan = read_plan(text)
    assert isinstance(plan, Plan) or plan.faults


@given(st.integers(0, 14_000), st.integers(0, 40))
def test_a_damaged_demo_plan_never_raises(position: int, length: int) -> None:
    whole = (ROOT / "demo_photos" / "plan.yaml").read_text()
    plan = read_plan(whole[:position] + whole[position + length :])
    assert isinstance(plan, Plan) or plan.faults
