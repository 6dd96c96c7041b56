"""The state of a project: what the fold makes of the log. Frozen to the bottom, ready to be shown or compared."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from models.facts import DecisionKind
from models.plan import Plan


class StageStatus(StrEnum):
    """How a stage stands."""

    OPEN = "open"
    """Nothing has been shown and nothing decided."""
    INCOMPLETE = "incomplete"
    """Something required is missing, or an inspector asked again."""
    FLAGGED = "flagged"
    """Something wants a person's look."""
    READY = "ready"
    """Nothing is missing and no flag stands: it may be released."""
    RELEASED = "released"
    TO_REWORK = "to-rework"
    """Ordered to be done again; nothing new has been shown yet."""
    WAIVED = "waived"
    """The whole stage was waived, with its reason."""


class Severity(StrEnum):
    """What a flag does to the stage."""

    FAILED = "failed"
    """The stage cannot be released with it, unless it is waived."""
    DOUBT = "doubt"
    """The stage can be released with it, with a reason."""
    INFO = "info"
    """It changes nothing; good to know."""


@dataclass(frozen=True, order=True)
class Flag:
    """A reason for a person to look."""

    code: str
    """Stable and machine-readable: ``nonconforming``, ``date-in-future``."""
    item: str
    """What can be waived: id of a requirement, ``quantity:slot_width``, ``result:squareness``; else empty."""
    text: str
    entries: tuple[str, ...]
    """Ids of the entries that it is about, sorted."""
    severity: Severity


@dataclass(frozen=True, order=True)
class Missing:
    """Something that the plan requires and no current evidence gives."""

    item: str
    """Id of the requirement, or ``result:slot-depth`` where readings are not worked out."""
    text: str


@dataclass(frozen=True)
class DecisionInForce:
    """A decision on a stage: the last one while nothing has come that opens the question again, or one for rework."""

    entry: str
    decision: DecisionKind
    author: str
    at: datetime
    """By the author's clock."""
    reason: str = ""
    reference: str = ""
    plan_version: str = ""
    """The plan that it was made under."""


@dataclass(frozen=True, order=True)
class WaivedItem:
    """One missing or failed thing that was waived, and so does not stand among the missing or the flags."""

    item: str
    text: str
    entries: tuple[str, ...]
    """Ids of the entries that failed; empty where something was missing."""
    decision: str
    """Id of the decision that waived it."""
    reason: str
    reference: str


@dataclass(frozen=True)
class StageState:
    """One stage of one sensor."""

    stage: str
    title: str
    status: StageStatus
    plan_version: str
    """The plan that it is held against: of a released or waived stage the one it was decided under."""
    hold_point: bool = False
    evidence: tuple[str, ...] = ()
    """Ids of all current entries (photos, readings, checks and what was worked out from them), sorted."""
    superseded: tuple[str, ...] = ()
    """Ids of entries that do not count any more: corrected, worked out anew, or from before a rework; sorted."""
    missing: tuple[Missing, ...] = ()
    flags: tuple[Flag, ...] = ()
    waived: tuple[WaivedItem, ...] = ()
    decision: DecisionInForce | None = None
    reopened: tuple[str, ...] = ()
    """Ids of decisions that later evidence or a correction set aside, in their order."""
    reworked: tuple[DecisionInForce, ...] = ()
    """All orders to do it again, in their order, whether they were followed yet or not."""
    blocked_by: tuple[str, ...] = ()
    """Hold points before it that hold."""
    earliest_next: datetime | None = None
    """When the next step may begin, where a current result says so."""

    def having(self, severity: Severity) -> tuple[Flag, ...]:
        """The flags of one severity."""
        return tuple(f for f in self.flags if f.severity is severity)

    @property
    def is_done(self) -> bool:
        """Whether it is released or waived as a whole."""
        return self.status in (StageStatus.RELEASED, StageStatus.WAIVED)


@dataclass(frozen=True)
class SensorState:
    """All stages of one sensor (or of the project itself, under the empty name)."""

    sensor: str
    stages: tuple[StageState, ...]
    """In the order of the work; then stages that only an earlier plan had."""
    flags: tuple[Flag, ...] = ()
    """About entries that name no stage of the plan."""

    def stage(self, stage: str) -> StageState:
        """One stage.

        Raises:
            LookupError: there is none of this id; the message lists those there are.
        """
        for state in self.stages:
            if state.stage == stage:
                return state
        raise LookupError(f"no stage is called {stage!r}; there are: {', '.join(s.stage for s in self.stages)}")

    def next_stage(self) -> StageState | None:
        """The first stage in the order of the work that is neither released nor waived; None when all are."""
        return next((s for s in self.stages if not s.is_done), None)


@dataclass(frozen=True)
class ProjectState:
    """A whole project after some number of entries."""

    plan: Plan | None
    entries: int
    """How many entries it is made of."""
    project: SensorState
    """What was told of the project as a whole."""
    sensors: Mapping[str, SensorState]
    """By full name: all of the plan, in its order, then others that entries name."""
    flags: tuple[Flag, ...] = ()
    """About the project as a whole: a photo that stands for two sensors."""
