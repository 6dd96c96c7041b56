"""One sensor while entries come in: its own and the project's, each applied once, in the order of the log."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import cast

from models.entry import EntryType
from models.facts import Correction, Decision, DecisionKind, Fact, ReadingAdded
from models.permissions import Known, Refusal
from models.plan_in_force import PlanInForce
from models.readings import ReadingKind
from models.stage_fold import StageFold, stage_state
from models.state import Flag, SensorState, Severity, StageState
from models.told import Told

_EVIDENCE = {
    EntryType.PHOTO_ADDED,
    EntryType.PHOTO_MEASURED,
    EntryType.READING_ADDED,
    EntryType.CHECK_ADDED,
    EntryType.RESULT_COMPUTED,
}
_NEVER_CORRECTED = {EntryType.PLAN_ADOPTED, EntryType.CORRECTION}


@dataclass(eq=False)
class SensorFold:
    """One sensor (or the project itself, under the empty name); `apply` takes only what `permissions` lets pass."""

    name: str
    plan: PlanInForce | None = None
    _stages: dict[str, StageFold] = field(default_factory=dict)
    _told: dict[str, Told[Fact]] = field(default_factory=dict)
    """Every entry that counted when it came, by id."""
    _corrected: set[str] = field(default_factory=set)
    _results_on: defaultdict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    """By the id of an entry: the current results that were worked out from it."""
    _results_like: defaultdict[tuple[str, ReadingKind], set[str]] = field(default_factory=lambda: defaultdict(set))
    """By stage and kind of readings: the current results that rest on such."""
    _flags: list[Flag] = field(default_factory=list)
    _states: dict[str, StageState] = field(default_factory=dict)
    """Stages looked at since the last change."""

    def stage_fold(self, stage: str) -> StageFold:
        """A stage, made when it is first spoken of."""
        if stage not in self._stages:
            self._stages[stage] = StageFold(stage)
        return self._stages[stage]

    def stage(self, stage: str) -> StageState:
        """A stage as it stands; asked only once there is a plan."""
        if stage not in self._states:
            assert self.plan is not None
            sensor = self.plan.sensors.get(self.name)
            self._states[stage] = stage_state(
                self.stage_fold(stage), self.plan, sensor, self.stage_fold, self._is_worked_out
            )
        return self._states[stage]

    def _is_worked_out(self, entry: str) -> bool:
        return bool(self._results_on.get(entry))

    def authors(self, stage: str) -> frozenset[str]:
        """All who had a hand in the stage's current evidence."""
        return self.stage_fold(stage).authors()

    def known(self, entry: str) -> Known | None:
        """What is known of an entry of this sensor or of the project."""
        one = self._told.get(entry)
        return None if one is None else Known(one.type, one.stage, one.sensor, self._is_correctable(one))

    def _is_correctable(self, one: Told[Fact]) -> bool:
        if one.type in _NEVER_CORRECTED or one.id in self._corrected:
            return False
        if not isinstance(one.fact, Decision):
            return True
        # An order for rework has set evidence aside: what follows it is new evidence, not the order taken back.
        stage = self.stage_fold(one.stage)
        in_force = one.id in stage.waivers or (stage.decision is not None and stage.decision.id == one.id)
        return in_force and one.fact.decision is not DecisionKind.REWORK

    def current(self, entry: str) -> bool:
        """Whether an entry is current evidence."""
        one = self._told.get(entry)
        return one is not None and entry in self.stage_fold(one.stage).current

    def state(self) -> SensorState:
        """All stages: in the plan's order, then those that only entries know."""
        planned = () if self.plan is None else tuple(self.plan.stages)
        others = tuple(sorted(s for s in self._stages if s not in planned and self._has_anything(s)))
        stages = tuple(self.stage(s) for s in (*planned, *others)) if self.plan is not None else ()
        return SensorState(self.name, stages, tuple(sorted(self._flags)))

    def _has_anything(self, stage: str) -> bool:
        fold = self._stages[stage]
        return bool(fold.current or fold.superseded or fold.decision)

    def adopt(self, one: Told[Fact], plan: PlanInForce) -> None:
        """From here on this plan holds; stages released or waived stay under theirs."""
        self._told[one.id] = one
        self.plan = plan
        self._states.clear()

    def ignore(self, entry: str, stage: str, refused: Refusal) -> None:
        """Flag an entry that does not count."""
        flag = Flag("ignored", "", f"does not count: {refused.message} [{refused.code}]", (entry,), Severity.INFO)
        self._states.pop(stage, None)
        if self.plan is not None and stage in self.plan.stages:
            self.stage_fold(stage).ignored.append(flag)
        else:
            self._flags.append(flag)

    def apply(self, one: Told[Fact]) -> None:
        """Let an entry count."""
        self._told[one.id] = one
        self._states.clear()
        if isinstance(one.fact, Correction):
            self._correct(one, one.fact)
        elif isinstance(one.fact, Decision):
            self._decide(cast("Told[Decision]", one))
        elif one.type in _EVIDENCE:
            self._show(one)

    def _show(self, one: Told[Fact]) -> None:
        assert self.plan is not None
        stage, sources = self.stage_fold(one.stage), self._sources(one)
        if not all(self._still_counts(s) for s in sources):
            stage.superseded.add(one.id)
            return
        held = stage.hold_points_at(one.at, self.stage_fold, self.plan)
        older = stage.show(one)
        if one.id not in stage.current:
            return
        if held:
            stage.held[one.id] = held
        self._rest_on(one, sources)
        if older is not None:
            self._withdraw(older)

    def _rest_on(self, one: Told[Fact], sources: tuple[str, ...]) -> None:
        """Note what a result rests on; a reading opens what was decided on results without it."""
        for source in sources:
            self._results_on[source].add(one.id)
        for like in self._likes(sources):
            self._results_like[like].add(one.id)
        for like in self._likes((one.id,)):
            self._reopen(self._results_like[like])

    def _still_counts(self, source: str) -> bool:
        """Whether a result may rest on it: evidence must be current; a plan stays what it was."""
        return self._told[source].type not in _EVIDENCE or self.current(source)

    def _sources(self, one: Told[Fact]) -> tuple[str, ...]:
        """The entries that a result was worked out from; none for what is no result."""
        is_result = one.type in (EntryType.PHOTO_MEASURED, EntryType.RESULT_COMPUTED)
        return one.fact.inputs() if is_result else ()

    def _likes(self, entries: Iterable[str]) -> set[tuple[str, ReadingKind]]:
        """Stage and kind of those among the entries that are readings."""
        facts = ((self._told[e].stage, self._told[e].fact) for e in entries)
        return {(stage, fact.kind) for stage, fact in facts if isinstance(fact, ReadingAdded)}

    def _reopen(self, results: Iterable[str]) -> None:
        """A new reading makes results on others of its kind old, in whatever stage they stand."""
        for stage in {self._told[r].stage for r in results}:
            self.stage_fold(stage).reopen(by_new_evidence=False)

    def _withdraw(self, entry: str) -> None:
        """Let an entry count no more, nor any result that was worked out from it."""
        one = self._told[entry]
        self.stage_fold(one.stage).drop(entry)
        self._forget_result(one)
        for result in sorted(self._results_on[entry]):
            self._withdraw(result)

    def _forget_result(self, one: Told[Fact]) -> None:
        """Undo what was noted of a result; readings that no result is left of open the decision on their stage."""
        sources = self._sources(one)
        for source in sources:
            self._results_on[source].discard(one.id)
            if not self._results_on[source]:
                self.stage_fold(self._told[source].stage).reopen(by_new_evidence=False)
        for like in self._likes(sources):
            self._results_like[like].discard(one.id)

    def _correct(self, one: Told[Fact], correction: Correction) -> None:
        target, stage = self._told[correction.corrects], self.stage_fold(one.stage)
        self._corrected.add(target.id)
        if isinstance(target.fact, Decision):
            stage.take_back(target.id)
            return
        if target.id not in stage.current:
            return
        self._withdraw(target.id)
        stage.hands.add(one.author)
        if not correction.withdrawn:
            stage.to_be_replaced[target.id] = one.id

    def _decide(self, one: Told[Decision]) -> None:
        assert self.plan is not None
        if one.fact.decision is DecisionKind.REWORK:
            for stage in (one.stage, *self.plan.after[one.stage]):
                for entry in self.stage_fold(stage).start_again():
                    self._withdraw(entry)
        self.stage_fold(one.stage).decide(one, self.plan)
