"""What one computation over readings gives: estimates, what is wrong, and what is good to know."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from models.measurement import Estimate, Problem, Quantity
from models.readings import Reading
from models.tolerance import Tolerance


@dataclass(frozen=True)
class Worked:
    """The outcome of one computation, not yet judged."""

    estimates: tuple[Estimate, ...] = ()
    problems: tuple[Problem, ...] = ()
    """Reasons for a person to look: a value that cannot be given, or a doubt about one that is."""
    remarks: tuple[Problem, ...] = ()
    """Good to know, no reason to stop: a forecast, where to measure next time."""
    own_tolerances: tuple[Tolerance, ...] = ()
    """Limits that come from the product's sheet or from the work itself; the plan's, where it has one, go before."""
    not_before: datetime | None = None
    """The earliest time of the next step, where the computation gives one."""
    used: tuple[Reading, ...] = field(default=())
    """The readings it was worked out from."""

    def estimate(self, quantity: Quantity) -> Estimate | None:
        """The first estimate of a quantity, where there is one."""
        return next((e for e in self.estimates if e.quantity is quantity), None)

    def codes(self) -> set[str]:
        """Codes of all problems."""
        return {problem.code for problem in self.problems}


def unique(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Each problem once, in the order in which it first came."""
    return tuple(dict.fromkeys(problems))
