"""Differences between two versions of a plan: nothing changes unseen, and stricter is told from looser."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.measurement import Limits
from models.plan import Plan
from models.plan_difference import Change, Effect, plan_difference
from models.plan_file import read_plan

ROOT = Path(__file__).parents[2]
DEMO = (ROOT / "demo_photos" / "plan.yaml").read_text(encoding="utf-8").replace("units: both", "units: si")


def plan(text: str = DEMO) -> Plan:
    read = read_plan(text)
    assert isinstance(read, Plan), [str(f) for f in read.faults]
    return read


def changes(before: str, after: str) -> list[tuple[str, str | None, str | None, str]]:
    assert before in DEMO
    found = plan_difference(plan(), plan(DEMO.replace(before, after, 1)))
    return [(c.what, c.old, c.new, c.effect.value) for c in found]


def test_a_plan_does_not_differ_from_itself() -> None:
    assert plan_difference(plan(), plan()) == ()


@pytest.mark.parametrize(
    ("before", "after", "change"),
    [
        ("upper: 10 mm", "upper: 9 mm", ("tolerances.spall_depth.upper", "10 mm", "9 mm", "stricter")),
        ("upper: 10 mm", "upper: 11 mm", ("tolerances.spall_depth.upper", "10 mm", "11 mm", "looser")),
        ("lower: 40 mm", "lower: 41 mm", ("tolerances.leadin_depth.lower", "40 mm", "41 mm", "stricter")),
        ("{upper: 10 mm,", "{lower: 0 mm, upper: 10 mm,", ("tolerances.spall_depth.lower", None, "0 mm", "stricter")),
        ("lower: 500 Mohm", "lower: 100 Mohm",
         ("tolerances.insulation_resistance.lower", "500 Mohm", "100 Mohm", "looser")),
        ("MC-7 3.4 (invented)", "MC-7 3.9 (invented)",
         ("tolerances.spall_depth.clause", "MC-7 3.4 (invented)", "MC-7 3.9 (invented)", "changed")),
        ("  ridge_width: {upper: 5 mm, clause: MC-7 6.2 (invented)}\n", "",
         ("tolerances.ridge_width", "at most 5 mm", None, "looser")),
        ("guard_band: 1 U", "guard_band: 0.83 U",
         ("decision_rule", "guarded, w = 1 U", "guarded, w = 0.83 U", "looser")),
        ("{rule: guarded, guard_band: 1 U}", "simple", ("decision_rule", "guarded, w = 1 U", "simple", "looser")),
        ("{rule: guarded, guard_band: 1 U}", "{rule: risk-limited, consumer_risk: 2 %}",
         ("decision_rule", "guarded, w = 1 U", "risk-limited, at most 2 %", "changed")),
        ("hold_point: true", "hold_point: false", ("stages.layout.hold_point", "yes", "no", "looser")),
        ("count: 12", "count: 13", ("stages.saw-cut.readings.slot-depth.count", "12", "13", "stricter")),
        ("count: 12", "count: 11", ("stages.saw-cut.readings.slot-depth.count", "12", "11", "looser")),
        ("spacing: 300 mm", "spacing: 0.25 m",
         ("stages.saw-cut.readings.slot-depth.spacing", "300 mm", "250 mm", "stricter")),
        ("instrument_kinds: [tape, depth-gauge]", "instrument_kinds: [depth-gauge]",
         ("stages.saw-cut.readings.blade-width.instrument_kinds", "tape, depth-gauge", "depth-gauge", "stricter")),
        ("instrument_kinds: [tape, depth-gauge]", "instrument_kinds: [tape, feeler, straightedge]",
         ("stages.saw-cut.readings.blade-width.instrument_kinds",
          "tape, depth-gauge", "tape, feeler, straightedge", "changed")),
        ("instrument_kinds: [tape, depth-gauge]", "text: by any",
         ("stages.saw-cut.readings.blade-width.instrument_kinds", "tape, depth-gauge", None, "looser")),
        ("      - {kind: mix-start}\n", "", ("stages.grout.readings.mix-start", "mix-start", None, "looser")),
        ("time: 40 min", "time: 35 min",
         ("materials.grout-1.pot_life", "40 min at 5 °C, 25 min at 15 °C, 15 min at 25 °C",
         "35 min at 5 °C, 25 min at 15 °C, 15 min at 25 °C", "stricter")),
        ("cure_floor: 1 h", "cure_floor: 50 min", ("materials.grout-1.cure_floor", "60 min", "50 min", "looser")),
        ("ratio_tolerance: 5 %", "ratio_tolerance: 4 %",
         ("materials.grout-1.ratio_tolerance", "5 %", "4 %", "stricter")),
        ("upper: 4 min", "upper: 5 min", ("materials.grout-1.mixing_time.upper", "4 min", "5 min", "looser")),
        ("u: 0.3 K", "u: 0.5 K", ("instruments.thermo-1.u", "0.3 K", "0.5 K", "changed")),
        ("spacing: 4 m", "spacing: 4.5 m",
         ("sites.marl-cross.lanes.2.sensors.B.spacing", "4000 mm", "4500 mm", "changed")),
        ("  - Mast light\n", "", ("tools", "Mast light", None, "removed")),
        ("  - {id: crew-2, name: Saw operator (invented), roles: [crew]}\n", "",
         ("contacts.crew-2", "Saw operator (invented)", None, "removed")),
    ],
)  # fmt: skip
def test_one_change_is_told_as_one(before: str, after: str, change: tuple[str, str | None, str | None, str]) -> None:
    assert change in changes(before, after)
    assert len(changes(before, after)) <= 2


def test_what_is_taken_away_one_way_is_added_the_other_way() -> None:
    shorter = plan(DEMO.replace("      - {kind: mix-start}\n", ""))
    assert plan_difference(shorter, plan()) == (
        Change("stages.grout.readings.mix-start", None, "mix-start", Effect.STRICTER),
    )


OPPOSITE = {Effect.STRICTER: Effect.LOOSER, Effect.ADDED: Effect.REMOVED, Effect.CHANGED: Effect.CHANGED}
OPPOSITE |= {value: key for key, value in OPPOSITE.items()}


@given(st.floats(0, 100), st.floats(0, 100), st.integers(0, 30))
def test_going_back_is_the_opposite(lower: float, width: float, number: int) -> None:
    old = plan_of_the_demo
    tolerance = old.tolerances[number]
    changed = replace(tolerance, limits=Limits(lower, lower + width))
    new = replace(old, tolerances=(*old.tolerances[:number], changed, *old.tolerances[number + 1 :]))
    there, back = plan_difference(old, new), plan_difference(new, old)
    assert [(c.what, c.old, c.new, OPPOSITE[c.effect]) for c in there] == [
        (c.what, c.new, c.old, c.effect) for c in back
    ]
    assert bool(there) == (new != old)


plan_of_the_demo = plan()
