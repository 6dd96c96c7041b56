"""The demo's night played to a project: each step told by whom and when the file says.

The project's clock follows the night, so that the record reads as if it had been kept then; what is worked out is
worked out by this program now, as in any project.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from api.demo_night import NightDecision, Step, read_night
from api.errors import UsageError
from api.inputs import load_plan
from api.people import in_role_for
from api.project import Project
from api.project_photos import Look, Measure, look_at_files, measure_in_workers
from api.tasks import PhotoTask
from models.entry import Draft
from models.facts import Correction, DecisionKind, Fact, draft_of
from models.measurement import PhotoResult
from models.permissions import Action
from models.plan import Plan
from models.plan_stages import RequiredPhoto

AFTERWARDS = timedelta(seconds=15)
"""What was told reaches the log so much later."""

ACTIONS = {
    DecisionKind.RELEASE: Action.RELEASE,
    DecisionKind.REWORK: Action.REWORK,
    DecisionKind.ASK_AGAIN: Action.ASK_AGAIN,
    DecisionKind.WAIVE: Action.WAIVE,
}


@dataclass(eq=False)
class NightClock:
    """The clock of the log while the night is played."""

    at: datetime = datetime(1970, 1, 1, tzinfo=UTC)

    def __call__(self) -> datetime:
        """The time now."""
        return self.at


@dataclass(frozen=True, eq=False)
class Measured:
    """A photo that was measured, and how."""

    task: PhotoTask
    result: PhotoResult


@dataclass(frozen=True, eq=False)
class MeasuredBefore:
    """Gives results that are there already, so that no photo is measured twice; others are measured."""

    by_sha256: dict[str, Measured]

    @staticmethod
    def of(measured: Iterable[Measured]) -> MeasuredBefore:
        """Of photos that were measured."""
        return MeasuredBefore({one.result.sha256: one for one in measured if one.result.sha256})

    def __call__(self, tasks: Sequence[PhotoTask]) -> Iterator[PhotoResult]:
        """Results in the order of the tasks."""
        for task in tasks:
            known = self.by_sha256.get(Path(task.path).name)
            if known is not None and _as_asked(known.task, task):
                yield known.result
            else:
                yield from measure_in_workers([task])


def _as_asked(done: PhotoTask, asked: PhotoTask) -> bool:
    """Whether it was measured for the same end and with the same slot; the plan is one and the same."""
    return (done.kind, done.settings.measured_slot) == (asked.kind, asked.settings.measured_slot)


def play_night(folder: Path, project_folder: Path, measure: Measure) -> Project:
    """A new project with the whole night in it, open.

    Args:
        folder: the demo's.
        project_folder: a new one.
        measure: gives what is measured in each photo.
    """
    plan = load_plan(str(folder / "plan.yaml")).plan
    begin, *steps = read_night(folder, plan)
    clock = NightClock(begin.at)
    manager = in_role_for(plan, begin.who, Action.ADOPT_PLAN)
    project = Project.start(project_folder, folder / "plan.yaml", manager, now=clock, measure=measure)
    try:
        project.look = _looked_at(folder, steps)
        Player(project, clock, folder).play(steps)
    except BaseException:
        project.close()
        raise
    return project


def _looked_at(folder: Path, steps: Sequence[Step]) -> Look:
    """All photos of the night looked at in one go: each go starts processes."""
    paths = [folder / name for step in steps for name in step.photos]
    looked = dict(zip(paths, look_at_files(paths), strict=True))
    return lambda files: [looked[path] for path in files]


@dataclass(eq=False)
class Player:
    """Tells a night to a project."""

    project: Project
    clock: NightClock
    folder: Path
    called: dict[str, str] = field(default_factory=dict)
    """Ids of the entries that a later reading may take the place of."""

    def play(self, steps: Iterable[Step]) -> None:
        """Tell all steps."""
        for step in steps:
            self.tell(step)

    def tell(self, step: Step) -> None:
        """Tell one step."""
        self.clock.at = step.at + AFTERWARDS
        if step.readings or step.checks:
            self._tell_facts(step)
        if step.photos:
            self._tell_photos(step)
        if step.decision is not None:
            self._decide(step, step.decision)
        if step.note:
            who = in_role_for(self.project.plan, step.who, Action.NOTE)
            self.project.add_note(step.place, step.note, who, step.at)

    def _tell_facts(self, step: Step) -> None:
        drafts = [*self._readings(step), *(self._draft(step, check, step.at) for check in step.checks)]
        told = self.project.add_drafts(drafts, in_role_for(self.project.plan, step.who, Action.ADD_EVIDENCE)).entries
        # Entries come in the order of the drafts; a correction goes before the reading that it makes room for.
        places = [n for r in step.readings for n in ([""] if r.corrects else []) + [r.called]]
        self.called |= {name: entry.id for name, entry in zip(places, told, strict=False) if name}

    def _readings(self, step: Step) -> Iterator[Draft]:
        for reading in step.readings:
            replaced = (self.called[reading.corrects],) if reading.corrects else ()
            for entry in replaced:
                yield self._draft(step, Correction(entry, reading.reason), reading.at)
            yield self._draft(step, reading.fact, reading.at, replaced)

    def _draft(self, step: Step, fact: Fact, at: datetime, replaces: Sequence[str] = ()) -> Draft:
        who = in_role_for(self.project.plan, step.who, Action.ADD_EVIDENCE)
        return draft_of(
            fact, who.id, who.role, at.isoformat(), sensor=step.sensor, stage=step.stage, replaces=tuple(replaces)
        )

    def _tell_photos(self, step: Step) -> None:
        plan = self.project.plan
        required = _required(plan, step)
        self.project.add_photos(
            step.place,
            [self.folder / name for name in step.photos],
            in_role_for(plan, step.who, Action.ADD_EVIDENCE),
            kind=required.kind,
            requirement=required.id,
            at=step.at,
        )

    def _decide(self, step: Step, decision: NightDecision) -> None:
        self.project.decide(
            step.place,
            decision.kind,
            in_role_for(self.project.plan, step.who, ACTIONS[decision.kind]),
            reason=decision.reason,
            reference=decision.reference,
            items=decision.items,
            at=step.at,
        )


def _required(plan: Plan, step: Step) -> RequiredPhoto:
    """What the plan asks for by the step's requirement."""
    for photo in plan.stage(step.stage).photos:
        if photo.id == step.requirement:
            return photo
    raise UsageError(f"night.yaml: {step.stage} requires no photo called {step.requirement!r}")
