"""A plan as the fold needs it: its stages in their order, what comes before and after each, and its things by id."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from models.facts import PlanAdopted
from models.instruments import Instrument
from models.people import Contact, Role
from models.plan import Plan, Sensor
from models.plan_stages import StagePlan


@dataclass(frozen=True, eq=False)
class PlanInForce:
    """An adopted plan with its ways worked out once; made by `in_force`."""

    plan: Plan
    stages: Mapping[str, StagePlan]
    """By id, in the order of the work."""
    before: Mapping[str, tuple[str, ...]]
    """For each stage all that come before it, directly or not, in the order of the work."""
    after: Mapping[str, tuple[str, ...]]
    """For each stage all that come after it."""
    hold_points: Mapping[str, tuple[str, ...]]
    """For each stage the hold points that come before it."""
    sensors: Mapping[str, Sensor]
    contacts: Mapping[str, Contact]
    instruments: Mapping[str, Instrument]
    zone: ZoneInfo

    @property
    def version(self) -> str:
        """The plan's version."""
        return self.plan.version

    def has_role(self, author: str, role: str) -> bool:
        """Whether this person may act in this role; a plan without contacts takes everybody at their word."""
        if not self.contacts:
            return role in set(Role)
        return author in self.contacts and role in self.contacts[author].roles


def in_force(adopted: PlanAdopted) -> PlanInForce:
    """The plan of an entry.

    Raises:
        ValueError: the content is no plan; the message names the place.
    """
    plan = Plan.from_json(adopted.plan)
    stages = {stage.id: stage for stage in plan.stages}
    before = {s: _reached(s, {k: v.after for k, v in stages.items()}) for s in stages}
    after = {s: tuple(t for t in stages if s in before[t]) for s in stages}
    return PlanInForce(
        plan,
        stages,
        before,
        after,
        {s: tuple(b for b in before[s] if stages[b].hold_point) for s in stages},
        plan.sensors(),
        {c.id: c for c in plan.contacts},
        {i.id: i for i in plan.instruments},
        ZoneInfo(plan.time_zone),
    )


def _reached(start: str, ways: Mapping[str, Iterable[str]]) -> tuple[str, ...]:
    """All stages on the ways from one, itself left out, in the plan's order."""
    found: set[str] = set()
    waiting = list(ways[start])
    while waiting:
        stage = waiting.pop()
        if stage in ways and stage not in found:
            found.add(stage)
            waiting += ways[stage]
    return tuple(stage for stage in ways if stage in found and stage != start)
