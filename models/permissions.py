"""Who may do what: one table, and the rules that no role stands above.

The log asks before it takes an entry; the fold asks again, so that an entry which came by another way (a changed
database, a package from elsewhere) counts for nothing and is flagged.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from models.entry import Draft, Entry, EntryType
from models.facts import Correction, Decision, DecisionKind, Fact, PhotoMeasured, PlanAdopted, ResultComputed
from models.people import Role
from models.plan_in_force import PlanInForce, in_force
from models.state import Severity, StageState


class Action(StrEnum):
    """What an entry does."""

    ADOPT_PLAN = "adopt a plan"
    ADD_EVIDENCE = "add photos, readings and checks"
    COMPUTE = "add what was worked out"
    CORRECT = "correct an entry"
    TAKE_BACK_DECISION = "take a decision back"
    RELEASE = "release a stage"
    REWORK = "order rework"
    ASK_AGAIN = "ask again"
    WAIVE = "waive"
    NOTE = "leave a note"


PERMISSIONS: Mapping[Role, frozenset[Action]] = {
    Role.CREW: frozenset({Action.ADD_EVIDENCE, Action.COMPUTE, Action.CORRECT, Action.NOTE}),
    Role.INSPECTOR: frozenset(Action) - {Action.ADOPT_PLAN},
    Role.AUDITOR: frozenset({Action.NOTE}),
    Role.MANAGER: frozenset({Action.ADOPT_PLAN, Action.COMPUTE, Action.NOTE}),
}
"""The one table."""

_ACTION_OF_TYPE = {
    EntryType.PLAN_ADOPTED: Action.ADOPT_PLAN,
    EntryType.PHOTO_ADDED: Action.ADD_EVIDENCE,
    EntryType.READING_ADDED: Action.ADD_EVIDENCE,
    EntryType.CHECK_ADDED: Action.ADD_EVIDENCE,
    EntryType.PHOTO_MEASURED: Action.COMPUTE,
    EntryType.RESULT_COMPUTED: Action.COMPUTE,
    EntryType.NOTE: Action.NOTE,
}
_ACTION_OF_DECISION = {
    DecisionKind.RELEASE: Action.RELEASE,
    DecisionKind.REWORK: Action.REWORK,
    DecisionKind.ASK_AGAIN: Action.ASK_AGAIN,
    DecisionKind.WAIVE: Action.WAIVE,
}


@dataclass(frozen=True)
class Refusal:
    """Why an entry is not taken, or does not count."""

    code: str
    message: str


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of an entry that another one names."""

    type: str
    stage: str
    sensor: str
    correctable: bool
    """Whether it may be corrected: a plan or a correction may not, nor what was corrected before."""


class Standing(Protocol):
    """What must be known of a sensor to say whether an entry on it counts."""

    @property
    def plan(self) -> PlanInForce | None:
        """The plan in force; None before the first."""

    def stage(self, stage: str) -> StageState:
        """The stage as it stands; asked only for stages of the plan."""

    def known(self, entry: str) -> Known | None:
        """What is known of an entry of this sensor or of the project; None where there is none."""

    def authors(self, stage: str) -> frozenset[str]:
        """All who had a hand in the stage's current evidence."""


def refusal(entry: Draft | Entry, fact: Fact, standing: Standing) -> Refusal | None:
    """Why this entry may not be taken as things stand; None where it may."""
    if isinstance(fact, PlanAdopted):
        return _plan_refused(entry, fact, standing)
    if standing.plan is None:
        return Refusal("no-plan", "no plan has been adopted yet; begin with one")
    action = _action(entry, fact, standing)
    return (
        _role_refused(entry, action, standing.plan)
        or _place_refused(entry, standing.plan)
        or _names_refused(entry, fact, standing)
        or (_decision_refused(entry, fact, standing) if isinstance(fact, Decision) else None)
    )


def _plan_refused(entry: Draft | Entry, fact: PlanAdopted, standing: Standing) -> Refusal | None:
    """The first plan is adopted by somebody whom it makes a manager itself; every other by one of the plan before."""
    try:
        new = in_force(fact)
    except ValueError as wrong:
        return Refusal("unreadable", f"the plan cannot be read: {wrong}")
    if entry.sensor or entry.stage:
        return Refusal("place", "a plan is adopted for the whole project: leave sensor and stage empty")
    judge = standing.plan or new
    if refused := _role_refused(entry, Action.ADOPT_PLAN, judge):
        return refused
    if standing.plan and standing.plan.version == new.version and standing.plan.plan != new.plan:
        return Refusal(
            "plan-version", f"the plan in force is called {new.version!r} too; give the changed one a new version"
        )
    return None


def _action(entry: Draft | Entry, fact: Fact, standing: Standing) -> Action:
    if isinstance(fact, Decision):
        return _ACTION_OF_DECISION[fact.decision]
    if isinstance(fact, Correction):
        target = standing.known(fact.corrects)
        return Action.TAKE_BACK_DECISION if target and target.type == EntryType.DECISION else Action.CORRECT
    return _ACTION_OF_TYPE[EntryType(entry.type)]


def _role_refused(entry: Draft | Entry, action: Action, plan: PlanInForce) -> Refusal | None:
    if not plan.has_role(entry.author, entry.role):
        return Refusal("role", f"{entry.author!r} is not a contact of the plan in the role {entry.role!r}")
    if action in PERMISSIONS[Role(entry.role)]:
        return None
    able = ", ".join(role for role, actions in PERMISSIONS.items() if action in actions)
    return Refusal("role", f"to {action} is not for the role {entry.role}; it is for: {able}")


def _place_refused(entry: Draft | Entry, plan: PlanInForce) -> Refusal | None:
    if entry.sensor and entry.sensor not in plan.sensors:
        known = ", ".join(list(plan.sensors)[:10]) or "none"
        return Refusal("sensor", f"the plan has no sensor {entry.sensor!r}; it has: {known}")
    if not entry.stage and entry.type in (EntryType.NOTE, EntryType.CORRECTION):
        return None  # a note on the whole sensor or project, or its correction
    if entry.stage not in plan.stages:
        return Refusal("stage", f"the plan has no stage {entry.stage!r}; it has: {', '.join(plan.stages)}")
    return None


def _names_refused(entry: Draft | Entry, fact: Fact, standing: Standing) -> Refusal | None:
    """Refuse what names entries that are not there, or corrects one that cannot be corrected from here."""
    if isinstance(fact, Correction):
        return _correction_refused(entry, fact, standing)
    if isinstance(fact, PhotoMeasured):
        photo = standing.known(fact.photo)
        if photo is None or photo.type != EntryType.PHOTO_ADDED or photo.stage != entry.stage:
            return Refusal("unknown-entry", f"no photo of this stage has the entry {fact.photo[:12]}…")
    if isinstance(fact, ResultComputed):
        unknown = [i for i in fact.sources if standing.known(i) is None]
        if unknown:
            return Refusal("unknown-entry", f"no entry of this sensor has the id {unknown[0][:12]}…")
    return None


def _correction_refused(entry: Draft | Entry, fact: Correction, standing: Standing) -> Refusal | None:
    target = standing.known(fact.corrects)
    if target is None:
        return Refusal("unknown-entry", f"no entry of this sensor has the id {fact.corrects[:12]}…")
    if (target.sensor, target.stage) != (entry.sensor, entry.stage):
        place = f"{target.sensor or 'the project'}, stage {target.stage or '(none)'}"
        return Refusal("place", f"the entry to be corrected belongs to {place}; a correction must as well")
    if not target.correctable:
        return Refusal("not-correctable", "this entry cannot be corrected (again); tell the right fact in a new entry")
    return None if fact.reason.strip() else Refusal("no-reason", "a correction needs its reason")


def _decision_refused(entry: Draft | Entry, fact: Decision, standing: Standing) -> Refusal | None:
    stage = standing.stage(entry.stage)
    unknown = [i for i in fact.evidence if standing.known(i) is None]
    if unknown:
        return Refusal("unknown-entry", f"no entry of this sensor has the id {unknown[0][:12]}…")
    if fact.decision in (DecisionKind.RELEASE, DecisionKind.WAIVE) and entry.author in standing.authors(entry.stage):
        return Refusal("own-evidence", f"{entry.author} had a hand in this stage's evidence; somebody else must decide")
    return _RULES[fact.decision](fact, stage)


def _release_refused(fact: Decision, stage: StageState) -> Refusal | None:
    if refused := _not_as_seen(fact, stage):
        return refused
    if not stage.evidence and not stage.waived:
        return Refusal("nothing-shown", "nothing has been shown for this stage; it can only be waived")
    if stage.blocked_by:
        return Refusal("hold-point", f"hold points before it are not released: {', '.join(stage.blocked_by)}")
    if stage.missing:
        return Refusal("missing", "still missing: " + "; ".join(f"{m.item} ({m.text})" for m in stage.missing))
    if failed := stage.having(Severity.FAILED):
        return Refusal("failed", "failed and not waived: " + "; ".join(f"{f.item} ({f.text})" for f in failed))
    if stage.having(Severity.DOUBT) and not fact.reason.strip():
        return Refusal("no-reason", "a flag stands; a release needs the reason why it may")
    return None


def _not_as_seen(fact: Decision, stage: StageState) -> Refusal | None:
    """A decision that settles a stage holds for exactly the evidence that it saw."""
    seen = set(fact.evidence)
    if len(seen) == len(fact.evidence) and seen == set(stage.evidence):
        return None
    unseen = len(set(stage.evidence) - seen)
    gone = len(seen - set(stage.evidence))
    return Refusal(
        "other-evidence", f"the evidence has changed: {unseen} not seen, {gone} no longer current; look again"
    )


def _waiver_refused(fact: Decision, stage: StageState) -> Refusal | None:
    if not fact.reason.strip() or not fact.reference.strip():
        return Refusal("no-reason", "a waiver needs its reason and its reference (a clause, a letter, a change order)")
    if not fact.items:
        return _not_as_seen(fact, stage)
    waivable = {m.item for m in stage.missing} | {f.item for f in stage.having(Severity.FAILED)}
    if idle := [i for i in fact.items if i not in waivable]:
        listed = ", ".join(sorted(waivable)) or "nothing"
        return Refusal("not-waivable", f"{idle[0]!r} is neither missing nor failed here; that is: {listed}")
    failed = {entry for f in stage.having(Severity.FAILED) if f.item in fact.items for entry in f.entries}
    return Refusal("other-evidence", "a waiver must name what failed") if failed - set(fact.evidence) else None


def _order_refused(fact: Decision, stage: StageState) -> Refusal | None:
    return (
        None if fact.reason.strip() else Refusal("no-reason", f"{fact.decision} needs its reason: what is to be done")
    )


_RULES: Mapping[DecisionKind, Callable[[Decision, StageState], Refusal | None]] = {
    DecisionKind.RELEASE: _release_refused,
    DecisionKind.WAIVE: _waiver_refused,
    DecisionKind.REWORK: _order_refused,
    DecisionKind.ASK_AGAIN: _order_refused,
}
