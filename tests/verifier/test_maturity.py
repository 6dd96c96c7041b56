"""Maturity formulae against worked figures; the cure of an invented night and its forecast."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.materials import Material
from models.measurement import Quantity
from models.plan import Plan
from models.readings import Reading, ReadingKind
from models.tolerance import DecisionRule, Rule
from tests.verifier.stage_readings import GROUT, NIGHT, PLAN, SENSOR_NAME, reading, rows
from verifier.cure import cure
from verifier.maturity import GAS_CONSTANT, arrhenius_rate, nurse_saul_rate, table_rate
from verifier.tables import time_at
from verifier.worked import Worked

Q5000 = 5000.0 * GAS_CONSTANT
"""Activation energy whose Q = Ea/R is 5000 K, the value of ASTM C1074's example (form from memory)."""


def array(*values: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array(values, dtype=np.float64)


@pytest.mark.parametrize(
    ("duration", "degc", "datum", "expected"),
    [
        # ASTM C1074 equation 1 (formula read in public codes); arithmetic recomputed independently, in degC h.
        (array(2, 4), array(15, 25), 0.0, 130.0),
        (array(2, 4), array(15, 25), -10.0, 190.0),
        (array(4, 4, 4), array(20, 25, 30), 0.0, 300.0),
        (array(4, 4, 4), array(20, 25, 30), -10.0, 420.0),
        # An examination example (read): 28 days at 15 degC over a datum of -11 degC, in degC d.
        (array(28), array(15), -11.0, 728.0),
    ],
)
def test_temperature_time_factor(
    duration: np.ndarray[tuple[int], np.dtype[np.float64]],
    degc: np.ndarray[tuple[int], np.dtype[np.float64]],
    datum: float,
    expected: float,
) -> None:
    reference = 23.0
    equivalent = float(nurse_saul_rate(degc, datum, reference) @ duration)
    assert equivalent * (reference - datum) == pytest.approx(expected)


def test_no_step_counts_below_zero() -> None:
    assert nurse_saul_rate(array(-20, 10), 0.0, 20.0) == pytest.approx([0.0, 0.5])


@pytest.mark.parametrize(
    ("degc", "factor"),
    # Age factors for Q = 5000 K, Ts = 23 degC, 273.15 (recomputed independently).
    [(5, 0.33535), (10, 0.46064), (30, 1.47676), (40, 2.50064)],
)
def test_age_factors(degc: float, factor: float) -> None:
    assert arrhenius_rate(array(degc), Q5000, 23.0)[0] == pytest.approx(factor, abs=5e-6)


@pytest.mark.parametrize(
    ("degc", "factor"),
    # Ts = 20 degC, Ea = 33.5 kJ/mol held constant (recomputed independently, with R rounded to 8.314 J/(mol K)).
    [(5, 0.47652), (10, 0.61543), (15, 0.78781), (20, 1.0), (30, 1.57366), (40, 2.40573)],
)
def test_age_factors_of_the_older_energy(degc: float, factor: float) -> None:
    energy = 33_500.0 / 8.314 * GAS_CONSTANT
    assert arrhenius_rate(array(degc), energy, 20.0)[0] == pytest.approx(factor, abs=5.1e-6)


@pytest.mark.parametrize(("reference", "hours"), [(20.0, 16.3457), (23.0, 13.7520)])
def test_equivalent_age_of_three_steps(reference: float, hours: float) -> None:
    """4 h each at 20, 25 and 30 degC, Q = 5000 K (recomputed independently)."""
    assert 4.0 * arrhenius_rate(array(20, 25, 30), Q5000, reference).sum() == pytest.approx(hours, abs=5e-4)


def test_equivalent_age_of_two_steps() -> None:
    """2 h at 15 and 4 h at 25 degC: 5.7312 h with 273 in the kelvins; 273.15, as here, changes it by under 0.001 h."""
    assert array(2, 4) @ arrhenius_rate(array(15, 25), Q5000, 23.0) == pytest.approx(5.7312, abs=1e-3)


@given(st.floats(1, 40))
def test_at_the_reference_temperature_age_is_time(degc: float) -> None:
    assert arrhenius_rate(array(degc), 40_000.0, degc)[0] == pytest.approx(1.0)
    assert nurse_saul_rate(array(degc), 0.0, degc)[0] == pytest.approx(1.0)


@given(st.floats(5, 30))
def test_table_between_its_rows_is_numpys_interpolation(degc: float) -> None:
    expected = float(np.interp(degc, [5, 10, 20, 30], [240, 180, 90, 60]))
    assert 1.0 / table_rate(array(degc), GROUT.cure)[0] == pytest.approx(expected)
    found = time_at(GROUT.cure, degc)
    assert found is not None
    assert found.time_min == pytest.approx(expected)
    assert found.curved_min <= found.time_min + 1e-9


def test_outside_the_table_nothing_is_made_up() -> None:
    assert time_at(GROUT.cure, 4.9) is None
    assert time_at(GROUT.cure, 30.1) is None
    assert table_rate(array(4.9, 35.0), GROUT.cure).tolist() == [0.0, 1.0 / 60.0]


EXACT = replace(
    PLAN, instruments=tuple(replace(i, resolution=1e-9, standard_uncertainty=0.0) for i in PLAN.instruments)
)
"""The plan with instruments that know everything, so that forecasts can be reckoned by hand."""
POURED = reading(ReadingKind.POUR_END, minute=0)


def temperatures(*pairs: tuple[float, float]) -> list[Reading]:
    return [reading(ReadingKind.GROUT_TEMPERATURE, degc, "thermometer", minute=minute) for minute, degc in pairs]


def work(readings: list[Reading], plan: Plan = EXACT, grout: Material = GROUT) -> Worked:
    return cure(plan, SENSOR_NAME, grout, readings)


def minutes_after_pour(at: datetime | None) -> float:
    assert at is not None
    return (at - NIGHT).total_seconds() / 60.0


def test_at_a_steady_temperature_the_table_is_the_forecast() -> None:
    """20 degC: 90 min by the sheet; known to 18:90 when the last temperature is logged at the end."""
    worked = work([POURED, *temperatures((0, 20), (60, 20), (95, 20))])
    assert minutes_after_pour(worked.not_before) == pytest.approx(91, abs=1)
    assert [r.code for r in worked.remarks] == ["grind-from", "fits-the-closure"]
    assert "23:3" in worked.remarks[0].message, "22:00 and some 91 min, on the site's clock"


def test_never_under_the_floor() -> None:
    """30 degC: 60 min by the sheet; a floor of 75 min holds. Common practice: an hour, where the plan says nothing."""
    hot = temperatures((0, 30), (60, 30), (90, 30))
    assert minutes_after_pour(
        work([POURED, *hot], grout=replace(GROUT, cure_floor_min=75.0)).not_before
    ) == pytest.approx(76, abs=1)
    fast = replace(GROUT, cure=rows((5.0, 40.0), (30.0, 20.0)), cure_floor_min=0.0)
    quick = work([POURED, *hot], grout=fast)
    assert minutes_after_pour(quick.not_before) == pytest.approx(61, abs=1)


def test_the_forecast_moves_as_it_cools() -> None:
    warm = work([POURED, *temperatures((0, 20), (30, 20))])
    cold = work([POURED, *temperatures((0, 20), (30, 20), (60, 10))])
    assert minutes_after_pour(cold.not_before) > minutes_after_pour(warm.not_before) + 30


def test_half_at_one_temperature_and_half_at_another() -> None:
    """45 min at 20 degC are half of 90; the other half at 10 degC takes 90 of 180: 135 min, a step within a minute."""
    worked = work([POURED, *temperatures((0, 20), (45, 20), (45.01, 10), (100, 10), (140, 10))])
    assert minutes_after_pour(worked.not_before) == pytest.approx(136, abs=1.1)


def test_colder_than_the_sheet_no_time_is_given() -> None:
    worked = work([POURED, *temperatures((0, 3), (30, 3))])
    assert "colder-than-table" in worked.codes()
    assert worked.not_before is None


def test_all_methods_must_be_content() -> None:
    """Arrhenius with a high energy at 10 degC asks for longer than the table's 180 min, and so decides."""
    grout = replace(GROUT, activation_energy_j_per_mol=80_000.0, reference_temperature_degc=20.0)
    log = temperatures((0, 10), (60, 10), (120, 10), (180, 10), (240, 10), (290, 10))
    worked = work([POURED, *log], grout=grout)
    needed = 90.0 / float(arrhenius_rate(array(10.0), 80_000.0, 20.0)[0])
    assert needed > 180.0
    assert minutes_after_pour(worked.not_before) == pytest.approx(needed + 1, abs=2)
    assert "Arrhenius" in worked.remarks[0].message


def test_equivalent_ages_at_the_start_of_grinding() -> None:
    grout = replace(
        GROUT, activation_energy_j_per_mol=40_000.0, datum_temperature_degc=0.0, reference_temperature_degc=20.0
    )
    log = temperatures((0, 15), (60, 15), (120, 15))
    worked = work([POURED, *log, reading(ReadingKind.GRIND_START, minute=130)], grout=grout)
    age, nurse_saul = (worked.estimate(q) for q in (Quantity.EQUIVALENT_AGE, Quantity.EQUIVALENT_AGE_NURSE_SAUL))
    assert age is not None
    assert nurse_saul is not None
    assert age.value == pytest.approx(130.0 * float(arrhenius_rate(array(15.0), 40_000.0, 20.0)[0]))
    assert nurse_saul.value == pytest.approx(130.0 * 15.0 / 20.0)


def test_margin_when_grinding_has_begun() -> None:
    log = temperatures((0, 20), (60, 20), (95, 20))
    worked = work([POURED, *log, reading(ReadingKind.GRIND_START, minute=100)])
    margin, elapsed = (worked.estimate(q) for q in (Quantity.CURE_MARGIN, Quantity.CURE_TIME))
    assert margin is not None
    assert elapsed is not None
    assert margin.value == pytest.approx(10.0, abs=1e-6)
    assert elapsed.value == 100.0
    assert {t.quantity: t.limits.lower for t in worked.own_tolerances} == {
        Quantity.CURE_TIME: 60.0,
        Quantity.CURE_MARGIN: 0.0,
    }


@pytest.mark.parametrize(("rule", "guard"), [(Rule.SIMPLE, 0.0), (Rule.GUARDED, 2.0), (Rule.RISK_LIMITED, 1.645)])
def test_grinding_at_the_forecast_will_be_found_conforming(rule: Rule, guard: float) -> None:
    plan = replace(PLAN, rule=DecisionRule(rule))
    log = temperatures((0, 20), (60, 20), (95, 20))
    forecast = work([POURED, *log], plan)
    ground = work(
        [POURED, *log, reading(ReadingKind.GRIND_START, minute=minutes_after_pour(forecast.not_before))], plan
    )
    margin = ground.estimate(Quantity.CURE_MARGIN)
    assert margin is not None
    assert margin.value >= guard * margin.standard_uncertainty - 1e-9
    assert margin.value < guard * margin.standard_uncertainty + 1.0


def test_uncertainty_of_the_thermometer_against_monte_carlo() -> None:
    """Temperatures of 12, 15 and 13 degC, all off together by u = 0.3 K: spread of the time by 300 draws."""
    log = ((0, 12.0), (60, 15.0), (120, 13.0), (180, 13.0))
    plan = replace(EXACT, instruments=tuple(replace(i, standard_uncertainty=0.3) for i in EXACT.instruments))
    ground = reading(ReadingKind.GRIND_START, minute=200)
    margin = work([POURED, *temperatures(*log), ground], plan).estimate(Quantity.CURE_MARGIN)
    assert margin is not None
    rng = np.random.default_rng(1)
    drawn = []
    for error in rng.normal(0, 0.3, 300):
        moved = work([POURED, *temperatures(*((m, t + error) for m, t in log)), ground]).estimate(Quantity.CURE_MARGIN)
        assert moved is not None
        drawn.append(moved.value)
    line = next(x.standard_uncertainty for x in margin.budget if "calibration" in x.source)
    assert line == pytest.approx(float(np.std(drawn)), rel=0.12)  # three standard deviations of a spread of 300


@pytest.mark.parametrize(
    ("readings", "code"),
    [
        ([reading(ReadingKind.GRIND_START, minute=100)], "pour-end-missing"),
        ([POURED], "temperature-missing"),
        ([POURED, reading(ReadingKind.AIR_TEMPERATURE, 15.0, "thermometer")], "temperature-stand-in"),
        ([POURED, *temperatures((0, 20), (100, 20))], "temperature-gap"),
        ([POURED, *temperatures((90, 20))], "temperature-gap"),
        ([POURED, *temperatures((0, 20)), reading(ReadingKind.GRIND_START, minute=-30)], "times-out-of-order"),
        ([POURED, *temperatures((0, 200))], "value-implausible"),
        ([replace(POURED, at=None)], "time-missing"),
    ],
)
def test_what_is_missing_or_cannot_be_is_said(readings: list[Reading], code: str) -> None:
    assert code in work(readings).codes()


def test_no_cure_time_in_the_plan() -> None:
    worked = work([POURED, *temperatures((0, 20))], grout=replace(GROUT, cure=()))
    assert worked.codes() == {"cure-time-unknown"}
    assert worked.not_before is None


def test_a_forecast_beyond_the_closure_is_told() -> None:
    """The closure ends 7 h after the pour's evening began; poured 90 min before its end, it does not fit."""
    late = replace(POURED, at=NIGHT + timedelta(minutes=330))
    log = [replace(r, at=(r.at or NIGHT) + timedelta(minutes=330)) for r in temperatures((0, 18), (30, 18))]
    worked = work([late, *log])
    margin = worked.estimate(Quantity.CLOSURE_MARGIN)
    assert margin is not None
    assert margin.value < 0
    assert "outlasts-the-closure" in [r.code for r in worked.remarks]
    told = replace(reading(ReadingKind.CLOSURE_END), at=NIGHT + timedelta(hours=9))
    assert "fits-the-closure" in [r.code for r in work([late, *log, told]).remarks]


@given(st.permutations(range(5)))
def test_order_of_readings_does_not_matter(order: list[int]) -> None:
    readings = [POURED, *temperatures((0, 20), (30, 18), (60, 17)), reading(ReadingKind.GRIND_START, minute=120)]
    assert work([readings[i] for i in order]).estimates == work(readings).estimates
