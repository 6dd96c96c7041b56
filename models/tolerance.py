"""What a project asks of a quantity, and by which rule a measured value is judged."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from models.measurement import Limits, Quantity


@dataclass(frozen=True)
class Tolerance:
    """Limits for one quantity and the clause of the contract they come from."""

    quantity: Quantity
    limits: Limits
    clause: str = ""


class Rule(StrEnum):
    """How a value near a limit is decided (JCGM 106, clause 8)."""

    GUARDED = "guarded"
    """Conforming or nonconforming only where proven, by a guard band on both sides of each limit."""
    SIMPLE = "simple"
    """The value alone decides: inside the limits is conforming, outside is nonconforming."""
    RISK_LIMITED = "risk-limited"
    """Decided where the risk of deciding wrongly is at most the stated one."""


@dataclass(frozen=True)
class DecisionRule:
    """The project's decision rule; the default is a guard band as wide as the expanded uncertainty (ISO 14253-1)."""

    rule: Rule = Rule.GUARDED
    guard_factor: float = 1.0
    """Guard band over expanded uncertainty, w = factor x U; used by the guarded rule alone."""
    consumer_risk: float = 0.05
    """Largest probability that what is called conforming is not; used by the risk-limited rule alone."""

    def __post_init__(self) -> None:
        if not 0.0 <= self.guard_factor <= 10.0:
            raise ValueError(f"the guard band must be 0 to 10 times U, not {self.guard_factor}")
        if not 0.0 < self.consumer_risk < 0.5:
            raise ValueError(f"the consumer's risk must lie between 0 and 50 %, not {self.consumer_risk:.3g}")
