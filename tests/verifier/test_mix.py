"""The grout's mix: ratio, mixing time, pot life; the exit hole and the electrical checks beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.materials import MixBasis
from models.measurement import Quantity
from models.readings import Reading, ReadingKind
from tests.verifier.stage_readings import GROUT, PLAN, reading
from verifier.electrical import changes, checks
from verifier.exithole import exit_hole
from verifier.grout_material import grout_of
from verifier.mix import mix_ratio, mixing_time, pot_life

PART = ReadingKind.PART_AMOUNT


def part(name: str, mass: float, **texts: str) -> Reading:
    return replace(reading(PART, None, "balance", values={"mass": mass}), texts=(("part", name), *texts.items()))


def test_ratio_over_the_sheets() -> None:
    """5000 g of resin with 362 g of hardener at 100 : 7: (362/5000)/(7/100) = 1.0343 (arithmetic)."""
    worked = mix_ratio(PLAN, GROUT, [part("hardener", 362.0), part("resin", 5000.0)])
    assert worked.estimates[0].value == pytest.approx(1.034286, abs=1e-6)
    limits = worked.own_tolerances[0].limits
    assert [limits.lower, limits.upper] == pytest.approx([0.95, 1.05])


def test_ratio_against_monte_carlo() -> None:
    """Each weighing for itself: 200,000 draws of a balance with u = hypot(1, 1/√12) g."""
    found = mix_ratio(PLAN, GROUT, [part("resin", 500.0), part("hardener", 35.0)]).estimates[0]
    rng = np.random.default_rng(2)
    a, b = rng.normal(0, np.hypot(1.0, 12**-0.5), (2, 200_000))
    assert found.standard_uncertainty == pytest.approx(float(np.std((35 + b) / (500 + a) / 0.07)), rel=0.01)


def test_batches_are_kept_apart_and_pails_added_up() -> None:
    batches = [part("resin", 1000.0, batch="1"), part("hardener", 70.0, batch="1")]
    batches += [part("resin", 600.0, batch="2"), part("resin", 400.0, batch="2"), part("hardener", 77.0, batch="2")]
    assert [e.value for e in mix_ratio(PLAN, GROUT, batches).estimates] == pytest.approx([1.0, 1.1])


@pytest.mark.parametrize(
    ("readings", "code"),
    [
        ([part("resin", 5000.0)], "part-missing"),
        ([part("resin", 5000.0), part("hardner", 350.0)], "part-unknown"),
        ([part("resin", 5000.0), reading(PART, None, "cup", values={"volume": 0.3}, part="hardener")], "mix-basis"),
        ([part("resin", 5000.0), part("hardener", 3.5e6)], "value-implausible"),
    ],
)
def test_an_incomplete_mix_says_what_to_measure(readings: list[Reading], code: str) -> None:
    worked = mix_ratio(PLAN, GROUT, readings)
    assert code in worked.codes()
    assert not worked.estimates


def test_by_volume_where_the_sheet_says_so() -> None:
    grout = replace(GROUT, mix_basis=MixBasis.VOLUME)
    amounts = [
        reading(PART, None, "cup", values={"volume": v}, part=p) for p, v in (("resin", 3.0), ("hardener", 0.21))
    ]
    assert mix_ratio(PLAN, grout, amounts).estimates[0].value == pytest.approx(1.0)


def test_mixing_time_against_the_sheet() -> None:
    worked = mixing_time(PLAN, GROUT, [reading(ReadingKind.MIXING_TIME, 4.0, "clock")])
    assert worked.estimates[0].value == 4.0
    assert worked.own_tolerances[0].limits == GROUT.mixing_time_min


def poured(minutes: float, degc: float | None = 15.0) -> list[Reading]:
    events = [reading(ReadingKind.MIX_START), reading(ReadingKind.POUR_END, minute=minutes)]
    return events if degc is None else [*events, reading(ReadingKind.AIR_TEMPERATURE, degc, "thermometer")]


def test_pot_life_between_two_rows() -> None:
    """30 min at 10 and 20 min at 20 degC: at 15 degC 24.49 min by an exponential (√600), 25 by a straight line.

    The shorter one counts: pot life falls ever more slowly as it gets warmer.
    """
    left = pot_life(PLAN, GROUT, poured(12.0), []).estimates[0]
    assert left.value == pytest.approx(600**0.5 - 12.0)
    assert 0.5 < left.standard_uncertainty < 1.0


def test_pot_life_out_of_the_table() -> None:
    assert pot_life(PLAN, GROUT, poured(12.0, 35.0), []).codes() == {"warmer-than-table"}
    assert pot_life(PLAN, GROUT, poured(12.0, 2.0), []).estimates[0].value == pytest.approx(18.0)
    assert pot_life(PLAN, GROUT, poured(12.0, None), []).codes() == {"temperature-missing"}
    assert pot_life(PLAN, GROUT, poured(800.0), []).codes() == {"pour-end-missing"}


def test_each_batch_has_its_own_pot_life() -> None:
    second = [reading(ReadingKind.MIX_START, minute=20), reading(ReadingKind.POUR_END, minute=50)]
    left = [e.value for e in pot_life(PLAN, GROUT, [*poured(12.0), *second], []).estimates]
    assert left == pytest.approx([600**0.5 - 12.0, 600**0.5 - 30.0])


def test_which_grout() -> None:
    assert grout_of(PLAN).material is GROUT
    two = replace(PLAN, materials=(GROUT, replace(GROUT, id="other")))
    assert [p.code for p in grout_of(two).problems] == ["grout-unclear"]


def test_exit_hole_of_common_practice() -> None:
    """18 in from the edge, 1 1/2 in wide, 45 degrees, conduit 4 in down (common practice): the readings as they are."""
    readings = [
        reading(ReadingKind.HOLE_EDGE_DISTANCE, 457.2, "tape"),
        reading(ReadingKind.HOLE_DIAMETER, 38.1, "tape"),
        reading(ReadingKind.DRILL_ANGLE, 45.0, "protractor"),
        reading(ReadingKind.CONDUIT_COVER, 101.6, "tape"),
    ]
    worked = exit_hole(PLAN, readings)
    assert [e.value for e in worked.estimates] == [457.2, 38.1, 45.0, 101.6]
    assert worked.estimates[2].standard_uncertainty == pytest.approx((0.5**2 + 1 / 12) ** 0.5)


INSULATION, BRIDGE, ZERO = ReadingKind.INSULATION_RESISTANCE, ReadingKind.BRIDGE_RESISTANCE, ReadingKind.ZERO_SIGNAL


def electrical(insulation: float, bridge: float, zero: float) -> list[Reading]:
    return [
        reading(INSULATION, insulation, "tester"),
        reading(BRIDGE, bridge, "meter"),
        reading(ZERO, zero, "volts"),
    ]


def test_changes_since_seating() -> None:
    worked = changes(PLAN, electrical(2e10, 350.2, 0.10), electrical(1.5e10, 350.6, 0.05))
    assert [e.value for e in worked.estimates] == pytest.approx([0.75, 0.4, -0.05])
    insulation, bridge, _ = worked.estimates
    # 5 % of each reading, for itself: √2 · 5 % of 0.75. The bridge: √2 · hypot(0.2, 0.1/√12).
    assert insulation.standard_uncertainty == pytest.approx(0.75 * 0.05 * 2**0.5, rel=1e-3)
    assert bridge.standard_uncertainty == pytest.approx((2 * (0.2**2 + 0.01 / 12)) ** 0.5)


def test_pairs_of_wires_are_kept_apart() -> None:
    before = [reading(BRIDGE, v, "meter", pair=p) for p, v in (("input", 350.0), ("output", 351.0))]
    after = [reading(BRIDGE, v, "meter", pair=p) for p, v in (("output", 351.5), ("shield", 352.0))]
    assert len(checks(PLAN, before).estimates) == 2
    worked = changes(PLAN, before, after)
    assert [e.value for e in worked.estimates] == pytest.approx([0.5])
    assert worked.codes() == {"no-reading-before"}
    assert "shield" in worked.problems[0].message


def test_insulation_of_zero_leaves_no_ratio() -> None:
    worked = changes(PLAN, [reading(INSULATION, 0.0, "tester")], [reading(INSULATION, 1e9, "tester")])
    assert worked.codes() == {"no-reading-before"}


def test_no_checks_before_is_nothing_to_compare() -> None:
    assert changes(PLAN, [], electrical(2e10, 350.2, 0.1)).estimates == ()
    assert checks(PLAN, electrical(2e10, 350.2, 0.1)).estimate(Quantity.ZERO_SIGNAL) is not None
