"""A project: record, measuring and working out held together; all that command line and pages tell it.

    project = Project.start(Path("night"), Path("plan.yaml"), Person("manager-1", Role.MANAGER))
    project.add_reading(Place("marl-cross/2/A", "saw-cut"), ReadingAdded(...), Person("crew-1", Role.CREW))

Every step is durable before the next begins, so that whatever is interrupted is taken up again by the same call (or by
`recompute`) and nothing is told twice. What was worked out is told in the name of whoever brought the newest evidence
it rests on: so an inspector who has it worked out has no hand in the evidence.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from api import project_told as before
from api.errors import RefusedError
from api.log import Clock
from api.people import Person, may
from api.project_folder import ProjectFolder
from api.project_photos import Look, Measure, OnResult, Photos, look_at_files, measure_in_workers
from api.project_plan import PlanFile
from api.project_results import work_out
from api.record import Place, Record, Replacement, clock_now, file_name, kept
from models.entry import Draft, Entry
from models.facts import CheckAdded, Correction, Decision, DecisionKind, Note, Outcome, PhotoAdded, ReadingAdded
from models.fold import Fold
from models.measurement import PhotoKind, Problem
from models.permissions import Action, Refusal

__all__ = ["Added", "Person", "Place", "Project", "Replacement"]


@dataclass(frozen=True)
class Added:
    """What came of telling something."""

    entries: tuple[Entry, ...] = ()
    """New entries, results that followed included."""
    known: tuple[Entry, ...] = ()
    """Entries that told the same before, so that nothing new was told."""
    not_taken: tuple[tuple[str, Problem], ...] = ()
    """Files that were not taken, by their path, with the reason."""


@dataclass(eq=False)
class Project(Record):
    """One project in its folder; open it, tell it facts, ask for its state."""

    measure: Measure = field(default=measure_in_workers)
    look: Look = field(default=look_at_files)

    @staticmethod
    def start(
        path: Path,
        plan: Path,
        who: Person,
        *,
        database: str | None = None,
        now: Clock | None = None,
        measure: Measure = measure_in_workers,
    ) -> Project:
        """Begin a project in a folder, with its first plan; begun before, it goes on from there.

        Raises:
            UsageError: the plan is faulty, or the folder holds other things.
            RefusedError: this person may not adopt the plan, or another one is in force already.
        """
        file = PlanFile.read(plan)
        _refuse(Fold().refusal(file.adoption(who.id, who.role, (now or clock_now)().isoformat())))
        folder = ProjectFolder.make(path, file.plan.project, database)
        project = Project._of(folder, now, measure)
        try:
            in_force = project.plan_or_none()
            if in_force is not None and in_force != file.plan:
                raise RefusedError(
                    f"{path}: a project with plan version {in_force.version!r} is here already; "
                    "bring a changed plan into it with `kerfline plan adopt`"
                )
            project.adopt_plan(file, who)
        except BaseException:
            project.close()
            raise
        return project

    @staticmethod
    def open(path: Path, *, now: Clock | None = None, measure: Measure = measure_in_workers) -> Project:
        """The project of a folder.

        Raises:
            UsageError: there is none.
            StoreError: its database cannot be used.
        """
        return Project._of(ProjectFolder.open(path), now, measure)

    @staticmethod
    def _of(folder: ProjectFolder, now: Clock | None, measure: Measure) -> Project:
        return Project(folder, folder.log(now), now or clock_now, measure)

    def __enter__(self) -> Project:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def adopt_plan(self, plan: Path | PlanFile, who: Person, at: datetime | None = None) -> Added:
        """Put a plan in force (nothing is told where it is already) and work out what hangs on it."""
        file = plan if isinstance(plan, PlanFile) else PlanFile.read(plan)
        entries: tuple[Entry, ...] = ()
        if self.plan_or_none() != file.plan:
            draft = file.adoption(who.id, who.role, self.time(at, ZoneInfo(file.plan.time_zone)))
            _refuse(self.ask((), lambda fold: fold.refusal(draft)))
            kept(lambda: file.keep(self.originals))
            entries = self.append([draft])
        return Added((*entries, *work_out(self, self.sensor_names(), who)))

    def add_reading(
        self,
        place: Place,
        reading: ReadingAdded,
        who: Person,
        at: datetime | None = None,
        replaces: Replacement | None = None,
        *,
        again: bool = False,
    ) -> Added:
        """Tell a reading and work out what it changes.

        Without a time of its own, one that the same person told in the last minutes is taken for that one, sent once
        more by somebody who did not know whether it went through; ``again`` says that it was read again.
        """
        known = None
        if replaces is not None:
            known = before.same_replacement(self, place, reading, who, replaces)
        elif at is None and not again:
            known = before.same_reading(self, place, reading, who)
        return self._tell(self.drafts(reading, place, who, self.time(at), replaces), who, known)

    def add_check(
        self,
        place: Place,
        check: CheckAdded,
        who: Person,
        at: datetime | None = None,
        replaces: Replacement | None = None,
    ) -> Added:
        """Tell the answer to a check; without a time of its own, the last answer is not given twice."""
        known = None
        if replaces is not None:
            known = before.same_replacement(self, place, check, who, replaces)
        elif at is None:
            known = before.same_answer(self, place, check, who)
        return self._tell(self.drafts(check, place, who, self.time(at), replaces), who, known)

    def add_note(self, place: Place, text: str, who: Person, at: datetime | None = None) -> Added:
        """Leave a note; it changes nothing."""
        note = Note(text)
        known = before.same_fact(self, place, note, who) if at is None else None
        return self._tell([self.draft(note, place, who, self.time(at))], who, known)

    def add_drafts(self, drafts: Sequence[Draft], who: Person) -> Added:
        """Tell many facts at once, all or none, and work out what they change; told again, nothing is told twice."""
        entries = self.append(drafts)
        return Added((*entries, *self._work_out(drafts, who)))

    def add_photos(
        self,
        place: Place,
        files: Sequence[Path],
        who: Person,
        *,
        kind: PhotoKind | None = None,
        requirement: str | None = None,
        at: datetime | None = None,
        replaces: Replacement | None = None,
        on_result: OnResult | None = None,
    ) -> Added:
        """Keep photos, tell them, measure them; a photo that is there already is not told again.

        Args:
            place: sensor and stage.
            files: what to add; a file that is no photo is not taken, and does not stop the others.
            who: who tells them.
            kind: what is measured in them; None where they are only looked at.
            requirement: id of the plan's requirement that they answer.
            at: when, by the author's clock; now where None.
            replaces: the entry whose place the (one) photo takes.
            on_result: called with each photo as it is measured.
        """
        # Refused before files are kept, not after.
        _refuse(self._may_show(place, who))
        told: list[Entry] = []
        known: list[Entry] = []
        not_taken: list[tuple[str, Problem]] = []
        for looked in self.look(files):
            fact = PhotoAdded(looked.sha256, file_name(looked.path), kind, requirement, looked.capture)
            same = before.same_photo(self, place, fact)
            problem = looked.problem or (None if same else self._photos.keep(looked))
            if problem is not None:
                not_taken.append((looked.path, problem))
            elif same is not None:
                known.append(same)
            else:
                fact = replace(fact, also_for=before.other_sensors(self, place, fact.sha256))
                told += self.append(self.drafts(fact, place, who, self.time(at), replaces))
        sensors = self.affected([place.sensor])
        measured = [e for s in sensors for e in self._photos.measure_pending(s, who, on_result, [place.stage])]
        return Added((*told, *measured, *work_out(self, sensors, who, [place.stage])), tuple(known), tuple(not_taken))

    def correct(self, entry: Entry, reason: str, who: Person, *, withdrawn: bool, at: datetime | None = None) -> Added:
        """Let an entry count no more; not ``withdrawn`` says that another one will take its place."""
        fact = Correction(entry.id, reason, withdrawn)
        known = before.same_correction(self, fact, who)
        return self._tell([self.draft(fact, Place(entry.sensor, entry.stage), who, self.time(at))], who, known)

    def decide(
        self,
        place: Place,
        decision: DecisionKind,
        who: Person,
        *,
        reason: str = "",
        reference: str = "",
        items: Sequence[str] = (),
        at: datetime | None = None,
        seen: int | None = None,
    ) -> Added:
        """Decide on a stage, on its evidence as it stands.

        Args:
            place: sensor and stage.
            decision: release, rework, ask again, waive.
            who: who decides.
            reason: why.
            reference: what allows it.
            items: what is waived; empty for the whole stage.
            at: when, by the decider's clock; now where None.
            seen: number of the last entry that the decider saw; evidence that came after it is a reason to refuse.

        Raises:
            RefusedError: it may not be decided so.
        """
        stage = self.stage(place)
        fact = Decision(decision, stage.evidence, reason, reference, tuple(items))
        if (known := before.same_decision(self, stage, fact, who)) is not None:
            return Added(known=(known,))
        if seen is not None:
            self._demand_seen(place, stage.evidence, seen)
        return Added(self.append([self.draft(fact, place, who, self.time(at))]))

    def recompute(self, who: Person, sensors: Sequence[str] | None = None, on_result: OnResult | None = None) -> Added:
        """Measure photos that are not yet, and work out readings anew; only what has changed is told.

        Raises:
            RefusedError: this person may not have anything worked out.
        """
        if not may(who, Action.COMPUTE):
            raise RefusedError(f"to {Action.COMPUTE} is not for the role {who.role}")
        kept(self.originals.sweep)  # what was left by an add that was cut short
        names = self.affected(self.sensor_names() if sensors is None else sensors)
        measured = [e for name in names for e in self._photos.measure_pending(name, who, on_result)]
        return Added((*measured, *work_out(self, names, who)))

    @property
    def _photos(self) -> Photos:
        return Photos(self, self.measure)

    def _tell(self, drafts: Sequence[Draft], who: Person, known: Entry | None) -> Added:
        """Tell facts (the last is what was meant) unless they are known; what they call for is worked out in any case,
        should that have been cut short before."""
        entries = () if known is not None else self.append(drafts)
        if known is None and not entries:
            known = before.same_draft(self, drafts[-1])
        return Added((*entries, *self._work_out(drafts, who)), () if known is None else (known,))

    def _work_out(self, drafts: Sequence[Draft], who: Person) -> tuple[Entry, ...]:
        if not may(who, Action.COMPUTE):
            return ()  # an auditor's note calls for nothing
        sensors = self.affected(dict.fromkeys(d.sensor for d in drafts))
        return work_out(self, sensors, who, {d.stage for d in drafts})

    def _may_show(self, place: Place, who: Person) -> Refusal | None:
        """Why this person may not show anything there."""
        probe = self.draft(CheckAdded("probe", Outcome.YES), place, who, self.time(None))
        return self.ask([place.sensor], lambda fold: fold.refusal(probe))

    def _demand_seen(self, place: Place, evidence: Iterable[str], seen: int) -> None:
        numbers = self.numbers(place.sensor)
        if any(numbers[entry] > seen for entry in evidence):
            raise RefusedError(f"evidence of {place.stage} came after entry #{seen}; look again before you decide")


def _refuse(refusal: Refusal | None) -> None:
    if refusal is not None:
        raise RefusedError(refusal.message)
