"""Numbers, limits and verdicts as people write them; one way for text, pictures and pages."""

from __future__ import annotations

import math
from decimal import Decimal

from models.measurement import Estimate, Limits, Verdict
from models.units import Dimension, UnitSystem, dimension_of, in_unit_for, show

SIGNS = {Verdict.CONFORMING: "✓", Verdict.NONCONFORMING: "✗", Verdict.INCONCLUSIVE: "?"}
"""A sign beside the word, so that a verdict is seen at a glance and never by colour alone."""


def rounded(value: float, expanded_uncertainty: float) -> tuple[str, str]:
    """Value and U as people write them: U with two significant digits, the value alike (JCGM 100, 7.2.6)."""
    if expanded_uncertainty <= 0 or not math.isfinite(expanded_uncertainty):
        return f"{value:g}", f"{expanded_uncertainty:g}"
    places = max(1 - math.floor(math.log10(float(f"{expanded_uncertainty:.1e}"))), 0)
    return f"{value:.{places}f}", f"{expanded_uncertainty:.{places}f}"


def limits_as_text(limits: Limits, unit: str) -> str:
    """Limits as people write them."""
    if limits.lower is not None and limits.upper is not None:
        return f"{limits.lower:g} to {limits.upper:g} {unit}"
    if limits.upper is not None:
        return f"at most {limits.upper:g} {unit}"
    return "" if limits.lower is None else f"at least {limits.lower:g} {unit}"


def limits_shown(limits: Limits, dimension: Dimension, system: UnitSystem) -> str:
    """Limits in the units that a project chose to see: ``75 to 79 mm (2.953 to 3.110 in)``."""
    if system is UnitSystem.BOTH:
        si, us = (limits_shown(limits, dimension, one) for one in (UnitSystem.SI, UnitSystem.US))
        return si if si == us else f"{si} ({us})"
    lower, upper = (None if side is None else show(side, dimension, system) for side in (limits.lower, limits.upper))
    if lower is not None and upper is not None:
        return _span(lower, upper)
    if upper is not None:
        return f"at most {upper}"
    return "" if lower is None else f"at least {lower}"


def _span(lower: str, upper: str) -> str:
    """Two values with as many decimals; where both have one unit, it is said once."""
    (low, _, unit), (high, _, unit_of_high) = lower.partition(" "), upper.partition(" ")
    if unit != unit_of_high:
        return f"{lower} to {upper}"
    places = max(len(number.partition(".")[2]) for number in (low, high))
    return f"{Decimal(low):.{places}f} to {Decimal(high):.{places}f} {unit}".rstrip()


def estimate_shown(estimate: Estimate, system: UnitSystem) -> str:
    """Value and U in the units that a project chose to see: ``76.21 ± 0.22 mm (3.0004 ± 0.0087 in)``."""
    if system is UnitSystem.BOTH:
        si, us = (estimate_shown(estimate, one) for one in (UnitSystem.SI, UnitSystem.US))
        return si if si == us else f"{si} ({us})"
    dimension, uncertainty = dimension_of(estimate.quantity.unit), estimate.expanded_uncertainty
    of_u = Dimension.TEMPERATURE_DIFFERENCE if dimension is Dimension.TEMPERATURE else dimension
    value, u = in_unit_for(estimate.value, dimension, system), in_unit_for(uncertainty, of_u, system)
    if value.unit != u.unit and of_u is dimension:  # a large resistance with a small uncertainty
        return f"{show(estimate.value, dimension, system)} ± {show(uncertainty, of_u, system, 2)}"
    return f"{' ± '.join(rounded(value.number, u.number))} {value.unit}".rstrip()
