"""Numbers, limits and verdicts as people write them; one way for text, pictures and pages."""

from __future__ import annotations

import math

from models.measurement import Estimate, Limits, Verdict
from models.units import Dimension, UnitSystem, dimension_of, show

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
    """Limits in the units that a project chose to see: ``75 to 79 mm (2.9528 to 3.1102 in)``."""
    if system is UnitSystem.BOTH:
        si, us = (limits_shown(limits, dimension, one) for one in (UnitSystem.SI, UnitSystem.US))
        return si if si == us else f"{si} ({us})"
    lower, upper = (None if side is None else show(side, dimension, system) for side in (limits.lower, limits.upper))
    if lower is not None and upper is not None:
        return f"{_without_unit_of(lower, upper)} to {upper}"
    if upper is not None:
        return f"at most {upper}"
    return "" if lower is None else f"at least {lower}"


def _without_unit_of(first: str, second: str) -> str:
    """The first value without its unit, where the second says it."""
    number, _, unit = first.partition(" ")
    return number if unit == second.partition(" ")[2] else first


def estimate_shown(estimate: Estimate, system: UnitSystem) -> str:
    """Value and U in the units that a project chose to see: ``76.21 ± 0.22 mm (3.0004 ± 0.0087 in)``."""
    if system is UnitSystem.BOTH:
        si, us = (estimate_shown(estimate, one) for one in (UnitSystem.SI, UnitSystem.US))
        return si if si == us else f"{si} ({us})"
    dimension, uncertainty = dimension_of(estimate.quantity.unit), estimate.expanded_uncertainty
    of_u = Dimension.TEMPERATURE_DIFFERENCE if dimension is Dimension.TEMPERATURE else dimension
    value, unit = _apart(show(estimate.value, dimension, system, _ALL_DIGITS))
    u, unit_of_u = _apart(show(uncertainty, of_u, system, _ALL_DIGITS))
    if unit != unit_of_u and of_u is dimension:  # a large resistance with a small uncertainty
        return f"{show(estimate.value, dimension, system)} ± {show(uncertainty, of_u, system, 2)}"
    return f"{' ± '.join(rounded(value, u))} {unit}".rstrip()


_ALL_DIGITS = 15


def _apart(shown: str) -> tuple[float, str]:
    """The number and the unit of a value that is shown."""
    number, _, unit = shown.partition(" ")
    return float(number), unit
