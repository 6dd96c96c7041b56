"""Conformity of a measured value with a tolerance: JCGM 106:2012, with a normal distribution for the quantity.

The knowledge of the quantity is taken as normal about the measured value with its standard uncertainty (7.1 with no
other knowledge than the measurement).
"""

from __future__ import annotations

import math

from models.measurement import Estimate, Judgement, Limits, Verdict
from models.tolerance import DecisionRule, Rule, Tolerance


def normal_cdf(z: float) -> float:
    """Cumulative distribution of the standard normal distribution, by the complementary error function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def conformance_probability(value: float, standard_uncertainty: float, limits: Limits) -> float:
    """Probability that the quantity lies within its limits (JCGM 106:2012, 7.2 to 7.4).

    Args:
        value: measured value.
        standard_uncertainty: its standard uncertainty, in the same unit; zero means a value known exactly.
        limits: tolerance limits in the same unit, None where a side is open.

    Raises:
        ValueError: the uncertainty is negative, or a number is not finite.
    """
    if not math.isfinite(value) or not math.isfinite(standard_uncertainty) or standard_uncertainty < 0:
        raise ValueError(f"no probability of conformance for {value} with uncertainty {standard_uncertainty}")
    below = _tail(limits.lower, value, standard_uncertainty, sign=1.0)
    above = _tail(limits.upper, value, standard_uncertainty, sign=-1.0)
    return min(max(1.0 - below - above, 0.0), 1.0)


def _tail(limit: float | None, value: float, u: float, sign: float) -> float:
    """Probability beyond one limit; ``sign`` is +1 for the lower limit and -1 for the upper one."""
    if limit is None:
        return 0.0
    inside = sign * (value - limit)
    if u == 0.0:
        return 0.0 if inside >= 0 else 1.0
    return normal_cdf(-inside / u)


def judge(estimate: Estimate, tolerance: Tolerance, rule: DecisionRule) -> Judgement:
    """The verdict on an estimate under a tolerance, by the project's rule.

    Raises:
        ValueError: the tolerance is for another quantity.
    """
    if estimate.quantity is not tolerance.quantity:
        raise ValueError(f"a tolerance for {tolerance.quantity} cannot judge {estimate.quantity}")
    probability = conformance_probability(estimate.value, estimate.standard_uncertainty, tolerance.limits)
    verdict = _verdict(estimate, tolerance.limits, probability, rule)
    return Judgement(verdict, probability, tolerance.limits, tolerance.clause)


def _verdict(estimate: Estimate, limits: Limits, probability: float, rule: DecisionRule) -> Verdict:
    if rule.rule is Rule.RISK_LIMITED:
        return _by_risk(probability, rule.consumer_risk)
    guard_band = rule.guard_factor * estimate.expanded_uncertainty if rule.rule is Rule.GUARDED else 0.0
    return guarded_verdict(estimate.value, limits, guard_band)


def guarded_verdict(value: float, limits: Limits, guard_band: float) -> Verdict:
    """Guarded acceptance and guarded rejection on both sides of each limit (JCGM 106:2012, 8.3.2 and 8.3.3).

    Proven in: within the limits drawn in by the guard band, ends included. Proven out: beyond a limit by more than
    the guard band. A guard band of zero is simple acceptance (8.2).
    """
    margins = _margins(value, limits)
    if all(margin >= guard_band for margin in margins):
        return Verdict.CONFORMING
    if any(margin < -guard_band for margin in margins):
        return Verdict.NONCONFORMING
    return Verdict.INCONCLUSIVE


def _margins(value: float, limits: Limits) -> list[float]:
    """How far the value lies inside each limit there is."""
    lower = [] if limits.lower is None else [value - limits.lower]
    return lower if limits.upper is None else [*lower, limits.upper - value]


def _by_risk(probability: float, risk: float) -> Verdict:
    """Decided where the specific risk of a wrong decision is at most ``risk`` (JCGM 106:2012, 9.3)."""
    if probability >= 1.0 - risk:
        return Verdict.CONFORMING
    if probability <= risk:
        return Verdict.NONCONFORMING
    return Verdict.INCONCLUSIVE
