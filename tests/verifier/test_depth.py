"""Depth and width along the saw cut, seat heights: extremes of a profile known at stations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from models.measurement import Quantity
from models.plan import Plan, Sensor
from models.readings import Reading, ReadingKind
from tests.verifier.stage_readings import INSTRUMENTS, PLAN, SENSOR, along, reading
from verifier.depth import overcut, saw, slot_depth, slot_width
from verifier.profile_draws import draw
from verifier.readings import Number, take
from verifier.seating import seat_height
from verifier.worked import Worked

Array = NDArray[np.float64]
DEPTH = ReadingKind.SLOT_DEPTH
STATIONS = [0.0, 250.0, 500.0, 750.0, 1000.0, 1250.0, 1500.0, 1750.0]
DEPTHS = [61.0, 60.5, 62.0, 61.0, 59.5, 60.0, 61.0, 62.5]


def depths(values: list[float], stations: list[float] = STATIONS) -> Worked:
    return slot_depth(PLAN, SENSOR, along(DEPTH, "gauge", stations, values))


def value(worked: Worked, quantity: Quantity) -> float:
    estimate = worked.estimate(quantity)
    assert estimate is not None
    return estimate.value


def test_least_depth_lies_below_the_least_reading_and_its_u_says_how_far() -> None:
    worked = depths(DEPTHS)
    least = worked.estimate(Quantity.SLOT_DEPTH_MIN)
    assert least is not None
    assert least.value < 59.5 < least.value + least.expanded_uncertainty
    assert not worked.problems
    assert [r.code for r in worked.remarks] == ["least-depth-between-stations"]
    assert "what lies between the stations" in [line.source for line in least.budget]


def test_variation_is_greatest_less_least() -> None:
    worked = depths(DEPTHS)
    greatest, least = value(worked, Quantity.SLOT_DEPTH_MAX), value(worked, Quantity.SLOT_DEPTH_MIN)
    assert value(worked, Quantity.FLOOR_VARIATION) == pytest.approx(greatest - least)


@settings(max_examples=15, deadline=None)
@given(st.permutations(range(len(STATIONS))))
def test_order_of_readings_does_not_matter(order: list[int]) -> None:
    readings = along(DEPTH, "gauge", STATIONS, DEPTHS)
    first, other = (slot_depth(PLAN, SENSOR, r) for r in (readings, [readings[i] for i in order]))
    assert first.estimates == other.estimates


@settings(max_examples=10, deadline=None)
@given(st.lists(st.sampled_from([59.0, 59.5, 60.0, 60.5, 61.0, 62.0]), min_size=8, max_size=8))
def test_a_mirrored_cut_has_the_same_extremes(values: list[float]) -> None:
    """Within what 4000 draws scatter by: the mean by U / 20, U itself (some 50 draws lie beyond it) by a fifth."""
    ahead, back = depths(values), depths(values[::-1])
    for one, other in zip(ahead.estimates, back.estimates, strict=True):
        assert one.value == pytest.approx(other.value, abs=one.expanded_uncertainty / 20)
        assert one.expanded_uncertainty == pytest.approx(other.expanded_uncertainty, rel=0.2)


@settings(max_examples=10, deadline=None)
@given(st.floats(-5, 5))
def test_a_shift_of_all_depths_shifts_the_extremes(shift: float) -> None:
    plain, moved = depths(DEPTHS), depths([d + shift for d in DEPTHS])
    assert value(moved, Quantity.SLOT_DEPTH_MIN) == pytest.approx(value(plain, Quantity.SLOT_DEPTH_MIN) + shift)
    assert value(moved, Quantity.FLOOR_VARIATION) == pytest.approx(value(plain, Quantity.FLOOR_VARIATION))


def test_depth_and_width_turned_upside_down_are_each_others_mirror() -> None:
    """The greatest of a profile is the least of its negative: drawn with other random numbers, so within U / 20."""
    worked = depths(DEPTHS)
    turned = depths([120.0 - d for d in DEPTHS])
    assert value(turned, Quantity.SLOT_DEPTH_MIN) == pytest.approx(
        120.0 - value(worked, Quantity.SLOT_DEPTH_MAX), abs=0.08
    )


def test_more_stations_narrow_it() -> None:
    rng = np.random.default_rng(5)
    floor = 60.0 + np.cumsum(rng.normal(0, 0.07, 1751))
    spread = []
    for count in (6, 11, 36):
        stations = np.linspace(0, 1750, count).round()
        least = depths(list(floor[stations.astype(int)]), list(stations)).estimate(Quantity.SLOT_DEPTH_MIN)
        assert least is not None
        spread.append(least.expanded_uncertainty)
    assert spread[0] > spread[1] > spread[2]


def test_a_brownian_bridge_has_the_published_minimum() -> None:
    """Two exact readings of one height a span h apart: E[max] - height = s√(πh/8), by the Rayleigh law of its maximum.

    P(max > m) = exp(-2 m²/(s² h)) (textbook, Brownian bridge), mean √(π/8) s√h = 0.626657 s√h. Half of the draws take
    the profile as straight, so that half of it is expected.
    """
    exact = Number(0.0, 1e-9, 0.0, 0.0, "gauge", reading(DEPTH, 0.0, "gauge", station=0.0))
    far = Number(0.0, 1e-9, 0.0, 0.0, "gauge", reading(DEPTH, 0.0, "gauge", station=400.0))
    draws = draw((exact, far), (0.0, 400.0), 0.5, draws=40_000)
    rough = draws.highest[draws.highest > 1e-4]
    assert len(rough) / 40_000 == pytest.approx(0.5, abs=0.01)
    # Given the height, the mean over the roughness draws is that of s: compare with the mean of s itself.
    assert rough.mean() == pytest.approx(0.626657 * draws.roughness * 2.0, rel=0.02)


@pytest.mark.parametrize(
    ("stations", "codes", "where"),
    [
        ([0.0, 250.0, 500.0, 1000.0, 1250.0, 1500.0, 1750.0], ["stations-too-far-apart"], "750 mm"),
        ([250.0, 500.0, 750.0, 1000.0, 1250.0, 1500.0, 1750.0], ["stations-miss-an-end"], "station 0 mm"),
        ([0.0, 250.0, 500.0, 750.0, 1000.0, 1250.0, 1500.0], ["stations-miss-an-end"], "station 1750 mm"),
    ],
)
def test_stations_too_far_apart_are_named(stations: list[float], codes: list[str], where: str) -> None:
    worked = depths([60.0] * len(stations), stations)
    assert [p.code for p in worked.problems] == codes
    assert where in worked.problems[0].message
    assert worked.estimates, "what is known is given, with the wider U"


def test_a_reading_past_the_end_does_not_spoil_the_floor() -> None:
    worked = depths([20.0, *DEPTHS], [-60.0, *STATIONS])
    assert value(worked, Quantity.SLOT_DEPTH_MIN) == value(depths(DEPTHS), Quantity.SLOT_DEPTH_MIN)
    assert "stations-outside" in [r.code for r in worked.remarks]


@pytest.mark.parametrize(("wrong", "code"), [(615.0, "value-implausible"), (6.1, "value-implausible")])
def test_ten_times_too_large_or_small_is_left_out_and_said(wrong: float, code: str) -> None:
    worked = depths([wrong, *DEPTHS[1:]])
    assert code in worked.codes()
    assert "stations-miss-an-end" in worked.codes(), "the station it leaves empty is asked for again"
    assert value(worked, Quantity.SLOT_DEPTH_MIN) > 55.0
    assert value(worked, Quantity.SLOT_DEPTH_MAX) < 70.0


def test_a_station_in_another_unit_is_left_out_and_said() -> None:
    worked = depths([*DEPTHS, 60.0], [*STATIONS, 17_500.0])
    assert worked.codes() == {"station-implausible"}


def test_full_depth_past_both_ends() -> None:
    """Common practice: the cut runs past both ends of the sensor, so that full depth reaches them."""
    both = [reading(ReadingKind.SLOT_START, 40.0, "tape"), reading(ReadingKind.SLOT_END, -3.0, "tape")]
    worked = overcut(PLAN, both)
    assert [e.value for e in worked.estimates] == [40.0, -3.0]
    assert {t.limits.lower for t in worked.own_tolerances} == {0.0}
    assert overcut(PLAN, both[:1]).codes() == {"overcut-one-end"}


def test_a_blade_set_short_is_pointed_out() -> None:
    worked = saw(PLAN, SENSOR, [reading(ReadingKind.BLADE_DEPTH, 55.0, "gauge")])
    assert [r.code for r in worked.remarks] == ["blade-set-short"]


def test_width_by_gauge_is_held_against_the_sensor() -> None:
    widths = along(ReadingKind.SLOT_WIDTH, "gauge", STATIONS, [76.0, 76.5, 77.0, 76.5, 76.0, 76.0, 75.5, 76.0])
    worked = slot_width(PLAN, SENSOR, widths)
    least, greatest = (value(worked, q) for q in (Quantity.SLOT_WIDTH_GAUGE_MIN, Quantity.SLOT_WIDTH_GAUGE_MAX))
    assert 74.5 < least < 75.7
    assert 76.8 < greatest < 78.0
    assert worked.own_tolerances[0].limits.lower == SENSOR.width_mm


def test_seat_needs_both_ends_and_the_middle() -> None:
    """Common practice: levelling aids, and so heights, at both ends and the middle."""

    def seat(stations: list[float]) -> Worked:
        return seat_height(PLAN, SENSOR, along(ReadingKind.SEAT_HEIGHT, "gauge", stations, [-1.0] * len(stations)))

    assert seat([0.0, 875.0, 1750.0]).codes() == set()
    assert "seat-middle-missing" in seat([0.0, 1750.0]).codes()
    assert "stations-miss-an-end" in seat([0.0, 875.0]).codes()


def test_a_plan_that_does_not_draw_the_sensor_still_gives_what_was_seen() -> None:
    worked = slot_depth(Plan("p", "1", instruments=INSTRUMENTS), Sensor("A"), along(DEPTH, "gauge", STATIONS, DEPTHS))
    assert value(worked, Quantity.SLOT_DEPTH_MIN) < 59.6


def floors(kind: str, rng: np.random.Generator) -> Array:
    """Floors of several kinds, none made by the model that the computation uses but the first."""
    x = np.arange(1751.0)
    if kind == "walk":
        return np.asarray(60.0 + np.cumsum(rng.normal(0, 0.07, len(x))))
    if kind == "sine":
        return np.asarray(
            60.0 + rng.uniform(0.3, 2) * np.sin(2 * math.pi * x / rng.uniform(300, 2500) + rng.uniform(0, 6))
        )
    if kind == "step":
        return np.asarray(60.0 + rng.uniform(-3, 3) * (x > rng.uniform(300, 1500)))
    if kind == "flat":
        return np.asarray(60.0 + rng.uniform(-1, 1) + 0 * x)
    rough = gaussian_filter1d(rng.normal(0, 1, len(x)), rng.uniform(15, 60))
    return np.asarray(60.0 + rng.uniform(0.3, 1.0) * rough / rough.std())


def read_off(floor: Array, stations: Array, rng: np.random.Generator) -> list[Reading]:
    """Depths read with the gauge of the plan: its calibration's error is one for all, then rounded to its step."""
    shown = floor[stations.astype(int)] + rng.normal(0, 0.1)
    return along(DEPTH, "gauge", list(stations), list(np.round(shown / 0.5) * 0.5))


@pytest.mark.parametrize("kind", ["walk", "sine", "step", "flat", "rough"])
def test_u_holds_the_true_extremes(kind: str) -> None:
    """95 % promised; over 60 floors of each kind at least 53 must be held (a true 95 % fails that in under 1 %)."""
    rng = np.random.default_rng(11)
    held = dict.fromkeys((Quantity.SLOT_DEPTH_MIN, Quantity.SLOT_DEPTH_MAX, Quantity.FLOOR_VARIATION), 0)
    for _ in range(60):
        floor = floors(kind, rng)
        worked = slot_depth(PLAN, SENSOR, read_off(floor, np.linspace(0, 1750, 9).round(), rng))
        for quantity, true in zip(held, (floor.min(), floor.max(), np.ptp(floor)), strict=True):
            estimate = worked.estimate(quantity)
            assert estimate is not None
            held[quantity] += abs(estimate.value - true) <= estimate.expanded_uncertainty
    assert min(held.values()) >= 53, held


def test_one_reading_is_enough_to_say_something_and_to_ask_for_more() -> None:
    worked = depths([60.0], [875.0])
    assert worked.codes() == {"stations-miss-an-end"}
    least = worked.estimate(Quantity.SLOT_DEPTH_MIN)
    assert least is not None
    assert least.expanded_uncertainty > 2.0


def test_numbers_are_taken_in_station_order() -> None:
    numbers = take(PLAN, along(DEPTH, "gauge", STATIONS[::-1], DEPTHS[::-1]), DEPTH).numbers
    assert [n.station_mm for n in draw(numbers, (0.0, 1750.0), 0.7).numbers] == STATIONS
