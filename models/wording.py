"""Numbers, limits and verdicts as people write them; one way for text, pictures and pages."""

from __future__ import annotations

import math

from models.measurement import Limits, Verdict

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
