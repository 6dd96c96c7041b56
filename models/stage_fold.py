"""One stage while entries come in: its current evidence, the decision in force and the waivers, and its state."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime

from models.doubts import CLOCK_TOLERANCE, doubts
from models.entry import moment
from models.facts import Decision, DecisionKind, Fact, PhotoMeasured, ResultComputed
from models.missing import StageView, missing
from models.plan import Sensor
from models.plan_in_force import PlanInForce
from models.plan_stages import StagePlan
from models.state import DecisionInForce, Flag, Missing, Severity, StageState, StageStatus, WaivedItem
from models.told import Evidence, Told

_SETTLING = (DecisionKind.RELEASE, DecisionKind.WAIVE)


@dataclass(eq=False)
class StageFold:
    """One stage of one sensor, changed by each entry that counts."""

    id: str
    current: dict[str, Told[Fact]] = field(default_factory=dict)
    """All evidence that counts, by id."""
    superseded: set[str] = field(default_factory=set)
    held: dict[str, tuple[str, ...]] = field(default_factory=dict)
    hands: set[str] = field(default_factory=set)
    """Authors of corrections to the current evidence."""
    to_be_replaced: dict[str, str] = field(default_factory=dict)
    """By the id of a corrected entry that another one is to take the place of: the id of the correction."""
    decision: Told[Decision] | None = None
    decided_under: PlanInForce | None = None
    waivers: dict[str, Told[Decision]] = field(default_factory=dict)
    """Decisions that waive single items, by id."""
    reopened: list[str] = field(default_factory=list)
    reworked: list[DecisionInForce] = field(default_factory=list)
    ignored: list[Flag] = field(default_factory=list)
    _newest: dict[tuple[str, str], Told[Fact]] = field(default_factory=dict)
    """The current result of each photo and of each computation."""
    _sorted: Evidence | None = None

    @property
    def is_done(self) -> bool:
        """Whether it is released or waived as a whole."""
        return self.decision is not None and self.decision.fact.decision in _SETTLING

    def evidence(self) -> Evidence:
        """The current evidence, sorted by what it is."""
        if self._sorted is None:
            self._sorted = Evidence.of(self.current.values())
        return self._sorted

    def show(self, one: Told[Fact]) -> str | None:
        """Take evidence in; returns the id of the older result that it replaces, where it does."""
        subject = _subject(one.fact)
        older = None if subject is None else self._newest.get(subject)
        if older is not None and older.order > one.order:
            self.superseded.add(one.id)
            return None
        if subject is not None:
            self._newest[subject] = one
        self.current[one.id] = one
        self._sorted = None
        # What is worked out anew shows nothing new: an order to the crew stands through it.
        self.reopen(by_new_evidence=subject is None)
        return None if older is None else older.id

    def drop(self, entry: str) -> bool:
        """Let an entry count no more; whether it did count."""
        one = self.current.pop(entry, None)
        if one is None:
            return False
        subject = _subject(one.fact)
        if subject is not None and self._newest[subject] is one:
            del self._newest[subject]
        self.superseded.add(entry)
        self.held.pop(entry, None)
        self._sorted = None
        self.reopen(by_new_evidence=False)
        return True

    def reopen(self, *, by_new_evidence: bool) -> None:
        """Set aside what was decided on other evidence; an order to the crew stands until they show something new."""
        if self.decision is None:
            return
        if self.is_done:
            self.reopened.append(self.decision.id)
        elif not by_new_evidence:
            return
        self.decision = self.decided_under = None

    def decide(self, decision: Told[Decision], plan: PlanInForce) -> None:
        """Put a decision in force that was found to be allowed."""
        fact = decision.fact
        if fact.decision is DecisionKind.WAIVE and fact.items:
            self.waivers[decision.id] = decision
            return
        self.decision, self.decided_under = decision, plan
        if fact.decision is DecisionKind.REWORK:
            self.reworked.append(_as_decided(decision, plan))

    def take_back(self, decision: str) -> None:
        """Put a decision out of force that was a mistake."""
        self.waivers.pop(decision, None)
        self.reopen(by_new_evidence=False)
        if self.decision is not None and self.decision.id == decision:
            self.decision = self.decided_under = None

    def start_again(self) -> list[str]:
        """Set all evidence aside, with what was decided and waived on it; returns the ids."""
        gone = list(self.current)
        self.superseded.update(gone)
        self.reopen(by_new_evidence=True)
        self.current, self.held, self.waivers, self.to_be_replaced, self._newest = {}, {}, {}, {}, {}
        self.hands, self._sorted = set(), None
        return gone

    def authors(self) -> frozenset[str]:
        """All who had a hand in the current evidence."""
        return frozenset({t.author for t in self.current.values()} | self.hands)

    def hold_points_at(self, at: datetime, stages: Callable[[str], StageFold], plan: PlanInForce) -> tuple[str, ...]:
        """The hold points before this stage that hold now, or were released only after ``at``."""
        found = []
        for name in plan.hold_points.get(self.id, ()):
            decision = stages(name).decision if stages(name).is_done else None
            if decision is None or at + CLOCK_TOLERANCE < decision.at:
                found.append(name)
        return tuple(found)


def _subject(fact: Fact) -> tuple[str, str] | None:
    """What a result is about: of one subject only the newest result counts."""
    if isinstance(fact, PhotoMeasured):
        return "photo", fact.photo
    return ("computation", fact.computation) if isinstance(fact, ResultComputed) else None


def stage_state(
    fold: StageFold,
    plan: PlanInForce,
    sensor: Sensor | None,
    stages: Callable[[str], StageFold],
    worked_out: Callable[[str], bool],
) -> StageState:
    """The state of a stage: a pure function of what has come in."""
    held_against = fold.decided_under or plan
    stage = held_against.stages.get(fold.id) or StagePlan(fold.id, fold.id)
    view = StageView(
        held_against, stage, sensor, fold.evidence(), lambda s: stages(s).evidence(), worked_out, fold.held
    )
    lacking, lacking_waived = _sift_missing(fold, missing(view))
    flags, flags_waived = _sift_flags(fold, (*doubts(view), *_unreplaced(fold)))
    blocked_by = tuple(s for s in plan.hold_points.get(fold.id, ()) if not stages(s).is_done)
    return StageState(
        stage.id,
        stage.title,
        _status(fold, lacking, flags),
        held_against.version,
        stage.hold_point,
        tuple(sorted(fold.current)),
        tuple(sorted(fold.superseded)),
        lacking,
        tuple(sorted((*flags, *fold.ignored))),
        tuple(sorted((*lacking_waived, *flags_waived))),
        _in_force(fold),
        tuple(fold.reopened),
        tuple(fold.reworked),
        blocked_by,
        _earliest_next(view.evidence),
    )


def _sift_missing(fold: StageFold, found: Iterable[Missing]) -> tuple[tuple[Missing, ...], tuple[WaivedItem, ...]]:
    """What is missing and not waived, and what is."""
    still, waived = [], []
    for one in found:
        by = next((w for w in fold.waivers.values() if one.item in w.fact.items), None)
        if by is None:
            still.append(one)
        else:
            waived.append(_waived(one.item, one.text, (), by))
    return tuple(still), tuple(waived)


def _sift_flags(fold: StageFold, found: Iterable[Flag]) -> tuple[tuple[Flag, ...], tuple[WaivedItem, ...]]:
    """The flags that stand, and the failures that were waived by somebody who saw them."""
    still, waived = [], []
    for one in set(found):
        by = _waiver_of(fold, one) if one.severity is Severity.FAILED else None
        if by is None:
            still.append(one)
        else:
            waived.append(_waived(one.item, one.text, one.entries, by))
    return tuple(still), tuple(waived)


def _waiver_of(fold: StageFold, flag: Flag) -> Told[Decision] | None:
    entries = set(flag.entries)
    return next(
        (w for w in fold.waivers.values() if flag.item in w.fact.items and entries <= set(w.fact.evidence)), None
    )


def _waived(item: str, text: str, entries: tuple[str, ...], by: Told[Decision]) -> WaivedItem:
    return WaivedItem(item, text, entries, by.id, by.fact.reason, by.fact.reference)


def _unreplaced(fold: StageFold) -> Iterator[Flag]:
    """Corrections that announced another entry which has not come."""
    if not fold.to_be_replaced:
        return
    replaced = {i for t in fold.current.values() for i in t.replaces}
    for corrected, correction in fold.to_be_replaced.items():
        if corrected not in replaced:
            text = "an entry was corrected, but what is right has not been told"
            yield Flag("replacement-missing", "", text, (correction,), Severity.DOUBT)


def _status(fold: StageFold, lacking: tuple[Missing, ...], flags: tuple[Flag, ...]) -> StageStatus:
    if fold.decision is not None:
        return _STATUS_OF[fold.decision.fact.decision]
    if any(f.severity is not Severity.INFO for f in flags):
        return StageStatus.FLAGGED
    if not fold.current and not fold.waivers:
        return StageStatus.OPEN
    return StageStatus.INCOMPLETE if lacking else StageStatus.READY


_STATUS_OF = {
    DecisionKind.RELEASE: StageStatus.RELEASED,
    DecisionKind.WAIVE: StageStatus.WAIVED,
    DecisionKind.REWORK: StageStatus.TO_REWORK,
    DecisionKind.ASK_AGAIN: StageStatus.INCOMPLETE,
}


def _in_force(fold: StageFold) -> DecisionInForce | None:
    one, under = fold.decision, fold.decided_under
    if one is None or under is None:
        return None
    return _as_decided(one, under)


def _as_decided(one: Told[Decision], under: PlanInForce) -> DecisionInForce:
    fact = one.fact
    return DecisionInForce(one.id, fact.decision, one.author, one.at, fact.reason, fact.reference, under.version)


def _earliest_next(evidence: Evidence) -> datetime | None:
    """The latest of the times before which current results say that the next step may not begin."""
    return max((moment(r.fact.not_before) for r in evidence.results if r.fact.not_before is not None), default=None)
