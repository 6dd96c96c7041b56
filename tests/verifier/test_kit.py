"""Before the closure: what must be there, in calibration, in date and in quantity."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from models.instruments import InstrumentKind
from models.measurement import Limits, Quantity
from models.plan import Plan, Sensor
from models.plan_stages import RequiredReading, StagePlan
from models.readings import ReadingKind
from models.tolerance import Tolerance
from tests.verifier.stage_readings import GROUT, NIGHT, PLAN, SENSOR
from verifier.kit import amount_l, kit
from verifier.worked import Worked

DAY = NIGHT.date()


def work(plan: Plan = PLAN, on: date | None = DAY, sensors: tuple[Sensor, ...] = (SENSOR,)) -> Worked:
    return kit(plan, sensors, on)


def value(worked: Worked, quantity: Quantity) -> float:
    found = worked.estimate(quantity)
    assert found is not None
    return found.value


def test_grout_for_the_channel_less_the_sensor_with_waste() -> None:
    """1750 x 76 x 60 mm = 7.98 L, less 1750 x 60 x 50 mm = 5.25 L, and 15 %: 3.1395 L (arithmetic); 5 L are there."""
    worked = work()
    assert value(worked, Quantity.CHANNEL_VOLUME) == pytest.approx(7.98)
    assert value(worked, Quantity.GROUT_NEEDED) == pytest.approx(3.1395)
    assert value(worked, Quantity.GROUT_MARGIN) == pytest.approx(5.0 - 3.1395)
    assert worked.codes() == set()


def test_two_sensors_need_twice_as_much() -> None:
    assert value(work(sensors=(SENSOR, SENSOR)), Quantity.GROUT_NEEDED) == pytest.approx(2 * 3.1395)


def test_the_cut_past_both_ends_takes_grout_too() -> None:
    past = tuple(Tolerance(q, Limits(50.0, None)) for q in (Quantity.OVERCUT_START, Quantity.OVERCUT_END))
    longer = value(work(replace(PLAN, tolerances=past)), Quantity.CHANNEL_VOLUME)
    assert longer == pytest.approx(1850 * 76 * 60 / 1e6)


def test_a_tolerance_on_the_width_is_the_width_s_uncertainty() -> None:
    """75 to 79 mm, rectangular: 2/√3 mm on 76 (JCGM 100, 4.3.7)."""
    worked = work(replace(PLAN, tolerances=(Tolerance(Quantity.SLOT_WIDTH, Limits(75.0, 79.0)),)))
    channel = worked.estimate(Quantity.CHANNEL_VOLUME)
    assert channel is not None
    assert channel.budget[0].standard_uncertainty == pytest.approx(7.98 * 2 / 3**0.5 / 76)


@pytest.mark.parametrize(
    ("grout", "litres"),
    [
        (GROUT, 5.0),
        (replace(GROUT, volume_l=4.0), 4.0),
        (replace(GROUT, density_g_per_l=None), None),
        (replace(GROUT, mass_g=None), None),
    ],
)
def test_amount_by_mass_or_volume(grout: object, litres: float | None) -> None:
    assert amount_l(grout) == litres  # type: ignore[arg-type]


def test_what_is_out_of_date_is_named() -> None:
    worked = work(on=date(2027, 3, 1))
    assert {"instrument-out-of-calibration", "material-expired"} <= worked.codes()
    messages = " ".join(p.message for p in worked.problems)
    assert "feeler" in messages
    assert "grout (batch 7) expired on 2026-12-01" in messages


def test_a_required_instrument_that_is_not_there() -> None:
    asks = RequiredReading("depth", ReadingKind.SLOT_DEPTH, instrument_kinds=(InstrumentKind.DEPTH_GAUGE,))
    stage = StagePlan("saw-cut", "Saw cut", readings=(asks,))
    without = replace(PLAN, stages=(stage,), instruments=PLAN.instruments[:1])
    assert work(without).codes() == {"instrument-not-in-kit"}
    assert work(replace(PLAN, stages=(stage,))).codes() == set()


def test_what_the_plan_leaves_open_is_asked_for() -> None:
    assert work(on=None).codes() == {"closure-unknown"}
    assert work(replace(PLAN, materials=())).codes() == {"grout-unclear"}
    assert work(replace(PLAN, materials=(replace(GROUT, mass_g=None),))).codes() == {"amount-unknown"}
    undrawn = work(sensors=(Sensor("B"),))
    assert [r.code for r in undrawn.remarks] == ["sensor-undrawn"]
    assert not undrawn.estimates
