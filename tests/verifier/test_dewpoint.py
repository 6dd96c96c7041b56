"""Dew point against published tables and another formula; the margin over it and its uncertainty."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.measurement import Quantity
from models.readings import Reading, ReadingKind
from tests.verifier.stage_readings import PLAN, reading
from verifier.dewpoint import channel_climate, dew_point

PAVEMENT, AIR, HUMIDITY = (
    ReadingKind.PAVEMENT_TEMPERATURE,
    ReadingKind.AIR_TEMPERATURE,
    ReadingKind.RELATIVE_HUMIDITY,
)


def test_the_common_example() -> None:
    """20 degC and 60 % give 12.0 degC by the Magnus constants 17.62 and 243.12 degC (WMO-No. 8); recomputed."""
    assert dew_point(20.0, 60.0).dew_point_degc == pytest.approx(12.00, abs=0.005)


AIR_DEGC = (10, 12, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23, 24, 25, 26, 28, 30)
TABLE_DEGC = {
    # A building trade's dew point table ("Taupunkttabelle", rounded values), as published on a document library's page
    # (read); the rows of air temperatures above.
    50: (0.0, 1.8, 3.7, 4.7, 5.6, 6.5, 7.4, 8.3, 9.3, 10.2, 11.2, 12.0, 12.9, 13.8, 14.8, 16.6, 18.4),
    60: (2.5, 4.5, 6.4, 7.4, 8.3, 9.2, 10.1, 11.1, 12.0, 12.9, 13.9, 14.8, 15.7, 16.7, 17.7, 19.4, 21.4),
    70: (4.8, 6.7, 8.7, 9.6, 10.6, 11.5, 12.4, 13.4, 14.4, 15.4, 16.3, 17.3, 18.2, 19.1, 20.1, 22.0, 23.9),
}


@pytest.mark.parametrize("humidity", list(TABLE_DEGC))
def test_against_a_published_table(humidity: int) -> None:
    """Within 0.15 K: the table's own uneven steps (0.8 to 1.0 K per kelvin) show how its last digit was rounded."""
    assert len(TABLE_DEGC[humidity]) == len(AIR_DEGC)
    for air, printed in zip(AIR_DEGC, TABLE_DEGC[humidity], strict=True):
        assert dew_point(air, humidity).dew_point_degc == pytest.approx(printed, abs=0.15)


@pytest.mark.parametrize(
    ("air", "humidity", "expected"),
    # PsychroLib 2.5.0 (ASHRAE 2017, after Hyland and Wexler), GetTDewPointFromRelHum; recomputed, not read.
    [
        (20, 50, 9.2724), (20, 60, 12.0075), (25, 60, 16.7011), (10, 80, 6.7130),
        (30, 80, 26.1686), (5, 90, 3.4985), (40, 30, 19.1252), (15, 70, 9.5794),
    ],
)  # fmt: skip
def test_against_another_formula(air: float, humidity: float, expected: float) -> None:
    assert dew_point(air, humidity).dew_point_degc == pytest.approx(expected, abs=0.05)


@given(st.floats(-10, 50))
def test_saturated_air_is_at_its_dew_point(air: float) -> None:
    assert dew_point(air, 100.0).dew_point_degc == pytest.approx(air, abs=1e-9)


@given(st.floats(-10, 50), st.floats(5, 99))
def test_slopes_are_those_of_the_formula(air: float, humidity: float) -> None:
    solved = dew_point(air, humidity)
    by_air = (dew_point(air + 1e-4, humidity).dew_point_degc - dew_point(air - 1e-4, humidity).dew_point_degc) / 2e-4
    by_humidity = (
        dew_point(air, humidity + 1e-4).dew_point_degc - dew_point(air, humidity - 1e-4).dew_point_degc
    ) / 2e-4
    assert solved.per_air_kelvin == pytest.approx(by_air, rel=1e-4)
    assert solved.per_percent == pytest.approx(by_humidity, rel=1e-4)


@pytest.mark.parametrize("humidity", [0.0, -1.0, 101.0])
def test_humidity_that_cannot_be(humidity: float) -> None:
    with pytest.raises(ValueError, match="relative humidity"):
        dew_point(20.0, humidity)


def climate(pavement: float = 14.0, air: float = 16.0, humidity: float = 60.0) -> list[Reading]:
    return [
        reading(PAVEMENT, pavement, "thermometer"),
        reading(AIR, air, "thermometer"),
        reading(HUMIDITY, humidity, "hygrometer"),
    ]


def test_margin_against_monte_carlo() -> None:
    """JCGM 101: 200,000 draws of thermometer (each reading for itself, the wider case) and hygrometer."""
    margin = channel_climate(PLAN, climate()).estimate(Quantity.DEW_POINT_MARGIN)
    assert margin is not None
    rng = np.random.default_rng(1)
    t, h = (rng.normal(0, 1, (2, 200_000)) * np.hypot(u, 0.1 / math.sqrt(12)) for u in (0.3, 2.0))
    exponent = np.log((60.0 + h[0]) / 100.0) + 17.62 * (16.0 + t[0]) / (243.12 + 16.0 + t[0])
    drawn = 14.0 + t[1] - 243.12 * exponent / (17.62 - exponent)
    assert margin.value == pytest.approx(float(drawn.mean()), abs=0.01)
    assert margin.standard_uncertainty == pytest.approx(float(np.hypot(drawn.std(), 0.05)), rel=0.01)


def test_the_least_margin_counts() -> None:
    colder = reading(PAVEMENT, 10.0, "thermometer", minute=5)
    worked = channel_climate(PLAN, [*climate(), colder])
    margin = worked.estimate(Quantity.DEW_POINT_MARGIN)
    assert margin is not None
    assert margin.value == pytest.approx(10.0 - dew_point(16.0, 60.0).dew_point_degc)


def test_readings_of_another_hour_are_not_mixed() -> None:
    late = reading(PAVEMENT, 14.0, "thermometer", minute=150)
    assert "readings-apart-in-time" in channel_climate(PLAN, [late, *climate()[1:]]).codes()


def test_what_is_missing_is_asked_for() -> None:
    worked = channel_climate(PLAN, climate()[1:])
    assert worked.codes() == {"dew-point-incomplete"}
    assert "pavement temperature" in worked.problems[0].message
    assert worked.estimate(Quantity.AIR_TEMPERATURE) is not None


def test_temperatures_alone_ask_for_no_dew_point() -> None:
    assert channel_climate(PLAN, climate()[:2]).codes() == set()


def test_frost_is_pointed_out() -> None:
    worked = channel_climate(PLAN, climate(pavement=2.0, air=3.0, humidity=50.0))
    assert [r.code for r in worked.remarks] == ["frost-before-dew"]
