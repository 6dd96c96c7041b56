"""Conformity against published worked examples, and the properties every decision rule must have.

JCGM 106:2012 is cited from memory as to clause numbers; its printed figures were recomputed where given to more digits.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from models.measurement import BudgetLine, Estimate, Limits, Quantity, Verdict
from models.tolerance import DecisionRule, Rule, Tolerance
from verifier.conformity import conformance_probability, guarded_verdict, judge, normal_cdf


def slot_width(value: float, u: float) -> Estimate:
    return Estimate(Quantity.SLOT_WIDTH, value, (BudgetLine("all", u),))


SLOT = Tolerance(Quantity.SLOT_WIDTH, Limits(75.0, 79.0), "an invented clause")
values = st.floats(60.0, 90.0)
uncertainties = st.floats(0.001, 5.0)


@pytest.mark.parametrize(
    ("value", "u", "limits", "printed", "recomputed"),
    [
        # JCGM 106:2012, 7.3: breakdown voltage of a Zener diode, at most -5.40 V.
        (-5.47, 0.05, Limits(None, -5.40), 0.92, 0.919243),
        # JCGM 106:2012, 7.3: burst strength of a container, at least 490 kPa.
        (509.7, 8.6, Limits(490.0, None), 0.99, 0.989010),
        # JCGM 106:2012, 7.4: kinematic viscosity of motor oil, 12.5 to 16.3 mm²/s.
        (13.6, 1.8, Limits(12.5, 16.3), 0.66, 0.662630),
    ],
)
def test_probability_of_conformance_as_published(
    value: float, u: float, limits: Limits, printed: float, recomputed: float
) -> None:
    probability = conformance_probability(value, u, limits)
    assert probability == pytest.approx(printed, abs=0.005)  # half a unit of the last printed digit
    assert probability == pytest.approx(recomputed, abs=5e-7)


@pytest.mark.parametrize(
    # JCGM 106:2012, table 1: conformance probability and z for one limit.
    ("probability", "z"),
    [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)],
)
def test_one_limit_probabilities_of_table_1(probability: float, z: float) -> None:
    assert normal_cdf(z - 0.005) <= probability <= normal_cdf(z + 0.005)


@given(st.floats(-30, 30))
def test_normal_distribution_agrees_with_scipy(z: float) -> None:
    assert normal_cdf(z) == pytest.approx(norm.cdf(z), rel=1e-12, abs=1e-300)


@pytest.mark.parametrize(
    # Own example, |angle - 90| <= 0.5 deg with u = 0.1 deg; figures are one-limit values of the normal distribution,
    # the other limit adding less than 1e-15.
    ("angle_deg", "expected"),
    [(90.30, 0.977250), (90.35, 0.933193), (90.40, 0.841345), (90.50, 0.5)],
)
def test_probability_near_one_limit_of_an_angle(angle_deg: float, expected: float) -> None:
    assert conformance_probability(angle_deg, 0.1, Limits(89.5, 90.5)) == pytest.approx(expected, abs=5e-7)


def test_guarded_rejection_of_a_speed() -> None:
    """JCGM 106:2012, 8.3.3: limit 100 km/h, u = 2 % of the speed, rejection where P(over) >= 99.9 %: above 107 km/h."""
    over = [v for v in range(100, 120) if 1 - conformance_probability(v, 0.02 * v, Limits(None, 100.0)) >= 0.999]
    assert over[0] == 107


@pytest.mark.parametrize(
    # ILAC-G8:09/2019, table 1: guard band as a multiple of U (k = 2) and the worst false acceptance it leaves.
    ("multiple", "worst"),
    [(3.0, 1e-6), (1.5, 0.0016), (1.0, 0.025), (0.83, 0.05), (0.0, 0.5 + 1e-9)],
)
def test_worst_false_acceptance_on_the_acceptance_limit(multiple: float, worst: float) -> None:
    u = 0.1
    value = 79.0 - multiple * 2 * u
    assert guarded_verdict(value, Limits(None, 79.0), multiple * 2 * u - 1e-12) is Verdict.CONFORMING
    assert 1 - conformance_probability(value, u, Limits(None, 79.0)) < worst


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        # Own example: 75 to 79 mm, u = 0.11 mm, so that U = 0.22 mm: acceptance 75.22 to 78.78, rejection beyond 79.22.
        (77.00, Verdict.CONFORMING),
        (78.77, Verdict.CONFORMING),
        (78.85, Verdict.INCONCLUSIVE),
        (79.21, Verdict.INCONCLUSIVE),
        (79.23, Verdict.NONCONFORMING),
        (75.21, Verdict.INCONCLUSIVE),
        (74.79, Verdict.INCONCLUSIVE),
        (74.77, Verdict.NONCONFORMING),
    ],
)
def test_guarded_verdicts_on_both_sides_of_each_limit(value: float, verdict: Verdict) -> None:
    judgement = judge(slot_width(value, 0.11), SLOT, DecisionRule())
    assert judgement.verdict is verdict
    assert judgement.limits == SLOT.limits
    assert judgement.clause == SLOT.clause


def test_probability_of_the_inconclusive_example() -> None:
    """78.85 mm with u = 0.11 mm in 75 to 79 mm: 15/11 u inside; Φ(1.363636) = 0.913659 by SciPy."""
    probability = judge(slot_width(78.85, 0.11), SLOT, DecisionRule()).probability_of_conformance
    assert probability == pytest.approx(0.913659, abs=5e-7)


def test_a_micrometer_in_its_guard_band() -> None:
    """Training page on ILAC-G8: limit ±0.003 mm, U = 0.001 mm: 0.0017 passes, 0.0025 is in the guard band."""
    assert guarded_verdict(0.0017, Limits(-0.003, 0.003), 0.001) is Verdict.CONFORMING
    assert guarded_verdict(0.0025, Limits(-0.003, 0.003), 0.001) is Verdict.INCONCLUSIVE


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(79.0, Verdict.CONFORMING), (79.0001, Verdict.NONCONFORMING), (75.0, Verdict.CONFORMING)],
)
def test_simple_acceptance_looks_at_the_value_alone(value: float, verdict: Verdict) -> None:
    assert judge(slot_width(value, 3.0), SLOT, DecisionRule(Rule.SIMPLE)).verdict is verdict


def test_risk_limited_acceptance_moves_with_the_risk() -> None:
    """p = 0.977 at 2 u inside one limit: accepted at 5 % risk, not at 1 %."""
    estimate = slot_width(78.8, 0.1)
    assert judge(estimate, SLOT, DecisionRule(Rule.RISK_LIMITED, consumer_risk=0.05)).verdict is Verdict.CONFORMING
    assert judge(estimate, SLOT, DecisionRule(Rule.RISK_LIMITED, consumer_risk=0.01)).verdict is Verdict.INCONCLUSIVE


def test_guard_band_of_iso_14253_for_95_percent_is_a_consumers_risk_of_5_percent() -> None:
    """ISO 14253-1:2017 (from memory): w = 1.65 u, that is 0.82 U, for one limit; z = 1.644854."""
    factor = norm.ppf(0.95) / 2
    assert factor == pytest.approx(0.82243, abs=5e-6)
    for value in (78.83, 78.84):
        guarded = judge(slot_width(value, 0.1), SLOT, DecisionRule(guard_factor=factor)).verdict
        limited = judge(slot_width(value, 0.1), SLOT, DecisionRule(Rule.RISK_LIMITED, consumer_risk=0.05)).verdict
        assert guarded is limited


@given(values, uncertainties)
def test_probability_is_one_less_the_tails_scipy_gives(value: float, u: float) -> None:
    expected = norm.cdf(79.0, value, u) - norm.cdf(75.0, value, u)
    assert conformance_probability(value, u, SLOT.limits) == pytest.approx(expected, abs=1e-12)


@given(values, uncertainties)
def test_mirrored_values_have_mirrored_probabilities(value: float, u: float) -> None:
    a = conformance_probability(value, u, Limits(75.0, 79.0))
    b = conformance_probability(-value, u, Limits(-79.0, -75.0))
    assert a == pytest.approx(b, abs=1e-12)


@given(values, uncertainties)
def test_the_guarded_rule_is_never_bolder_than_the_simple_one(value: float, u: float) -> None:
    guarded = judge(slot_width(value, u), SLOT, DecisionRule()).verdict
    simple = judge(slot_width(value, u), SLOT, DecisionRule(Rule.SIMPLE)).verdict
    assert guarded in (simple, Verdict.INCONCLUSIVE)


@given(values, uncertainties)
def test_what_the_guarded_rule_accepts_is_probably_conforming(value: float, u: float) -> None:
    """With w = U = 2u each tail is at most 2.275 %, both together at most 4.55 %."""
    judgement = judge(slot_width(value, u), SLOT, DecisionRule())
    if judgement.verdict is Verdict.CONFORMING:
        assert judgement.probability_of_conformance >= 0.9544
    if judgement.verdict is Verdict.NONCONFORMING:
        assert judgement.probability_of_conformance <= 0.0228


@given(values, uncertainties, st.floats(0.001, 0.499))
def test_a_risk_limited_decision_has_at_most_that_risk(value: float, u: float, risk: float) -> None:
    judgement = judge(slot_width(value, u), SLOT, DecisionRule(Rule.RISK_LIMITED, consumer_risk=risk))
    wrong = {
        Verdict.CONFORMING: 1 - judgement.probability_of_conformance,
        Verdict.NONCONFORMING: judgement.probability_of_conformance,
    }
    assert wrong.get(judgement.verdict, 0.0) <= risk + 1e-12


@given(st.floats(-1.99, 1.99), st.floats(0.001, 0.5), st.floats(0.001, 0.5))
def test_more_uncertainty_never_decides_what_less_left_open(margin_in_u: float, u: float, more: float) -> None:
    value = 79.0 - margin_in_u * u
    assert judge(slot_width(value, u), SLOT, DecisionRule()).verdict is Verdict.INCONCLUSIVE
    assert judge(slot_width(value, u + more), SLOT, DecisionRule()).verdict is Verdict.INCONCLUSIVE


def test_without_uncertainty_the_value_decides() -> None:
    assert conformance_probability(79.0, 0.0, SLOT.limits) == 1.0
    assert conformance_probability(79.1, 0.0, SLOT.limits) == 0.0


def test_without_limits_everything_conforms() -> None:
    assert conformance_probability(5.0, 1.0, Limits(None, None)) == 1.0


@pytest.mark.parametrize(("value", "u"), [(math.nan, 0.1), (77.0, math.nan), (77.0, -0.1), (math.inf, 0.1)])
def test_numbers_that_are_none_are_misuse(value: float, u: float) -> None:
    with pytest.raises(ValueError, match="no probability"):
        conformance_probability(value, u, SLOT.limits)


def test_a_tolerance_for_another_quantity_is_misuse() -> None:
    with pytest.raises(ValueError, match="cannot judge"):
        judge(Estimate(Quantity.SPALL_DEPTH, 1.0, (BudgetLine("all", 0.1),)), SLOT, DecisionRule())


@pytest.mark.parametrize(("factor", "risk"), [(-0.1, 0.05), (math.nan, 0.05), (1.0, 0.0), (1.0, 0.5)])
def test_a_decision_rule_without_sense_is_misuse(factor: float, risk: float) -> None:
    with pytest.raises(ValueError, match="must"):
        DecisionRule(guard_factor=factor, consumer_risk=risk)
