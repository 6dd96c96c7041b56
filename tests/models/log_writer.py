"""Writing logs for tests: an invented plan, facts with a word each, and entries as a log would take them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta, timezone

from models.entry import Draft, Entry
from models.evidence_facts import WrittenValue
from models.facts import (
    CheckAdded,
    Correction,
    Decision,
    DecisionKind,
    Fact,
    Note,
    Outcome,
    PhotoAdded,
    PhotoMeasured,
    PlanAdopted,
    ReadingAdded,
    ResultComputed,
    draft_of,
)
from models.instruments import Instrument, InstrumentKind
from models.measurement import (
    BudgetLine,
    Estimate,
    Judgement,
    Limits,
    Measurement,
    PhotoKind,
    Problem,
    Quantity,
    Verdict,
)
from models.people import Contact, Role
from models.plan import Lane, Plan, Sensor, Site
from models.plan_stages import RequiredCheck, RequiredPhoto, RequiredReading, StagePlan
from models.readings import ReadingKind
from models.units import Dimension

SENSOR = "north/1/A"
OTHER = "north/1/B"
START = datetime(2026, 5, 4, 22, 0, tzinfo=timezone(timedelta(hours=-5)))

CREW, CREW_TOO = ("casey", Role.CREW), ("robin", Role.CREW)
INSPECTOR, AUDITOR, MANAGER = ("ines", Role.INSPECTOR), ("audra", Role.AUDITOR), ("mandy", Role.MANAGER)
Person = tuple[str, Role]

DEPTH_GAUGE = Instrument(
    "DG-1", InstrumentKind.DEPTH_GAUGE, Dimension.LENGTH, 0.1, 0.05, date(2026, 1, 10), date(2027, 1, 9)
)

LAYOUT = StagePlan(
    "layout",
    "Layout",
    True,
    photos=(RequiredPhoto("line", PhotoKind.LAYOUT),),
    checks=(RequiredCheck("old-marks", "Old marks gone?"),),
)
SAW_CUT = StagePlan(
    "saw-cut",
    "Saw cut",
    photos=(RequiredPhoto("cut", PhotoKind.SLOT),),
    readings=(RequiredReading("depths", ReadingKind.SLOT_DEPTH, 2, instrument_kinds=(InstrumentKind.DEPTH_GAUGE,)),),
    after=("layout",),
)
SEATING = StagePlan("seating", "Seating", checks=(RequiredCheck("dry-fit", "Dry fit done?"),), after=("saw-cut",))

PLAN = Plan(
    "P-1 (invented)",
    "1",
    (Site("north", "North (invented)", (Lane("1", (Sensor("A", length_mm=1000.0), Sensor("B"))),)),),
    contacts=(
        Contact("casey", "Casey", (Role.CREW,)),
        Contact("robin", "Robin", (Role.CREW, Role.INSPECTOR)),
        Contact("ines", "Ines", (Role.INSPECTOR,)),
        Contact("audra", "Audra", (Role.AUDITOR,)),
        Contact("mandy", "Mandy", (Role.MANAGER,)),
    ),
    instruments=(DEPTH_GAUGE,),
    time_zone="America/Chicago",
    stages=(LAYOUT, SAW_CUT, SEATING),
)


def sha(text: str) -> str:
    """A SHA-256 to stand for a file."""
    return hashlib.sha256(text.encode()).hexdigest()


def adopted(plan: Plan = PLAN) -> PlanAdopted:
    """The plan, adopted."""
    return PlanAdopted(plan.to_json(), sha(f"plan {plan.version}"))


def photo(name: str = "cut.jpg", kind: PhotoKind | None = PhotoKind.SLOT, requirement: str | None = None) -> PhotoAdded:
    """A photo."""
    return PhotoAdded(sha(name), name, kind, requirement)


def measured(
    photo_id: str, verdict: Verdict = Verdict.CONFORMING, *, usable: bool = True, software: str = "1", plan: str = "1"
) -> PhotoMeasured:
    """What came out of a photo: one width, or a reason why not."""
    problems = () if usable else (Problem("bar-not-found", "no bar is seen"),)
    widths = (judged(Quantity.SLOT_WIDTH, 76.0, verdict),) if usable else ()
    return PhotoMeasured(photo_id, software, plan, usable, widths, problems)


def judged(quantity: Quantity, value: float, verdict: Verdict) -> Measurement:
    """A measurement with its verdict."""
    estimate = Estimate(quantity, value, (BudgetLine("gauge", 0.25),))
    return Measurement(estimate, Judgement(verdict, 0.5, Limits(75.0, 79.0), "1.2 (invented)"))


def depth(value: float = 80.0, station: float = 100.0, instrument: str | None = "DG-1") -> ReadingAdded:
    """A depth at a station."""
    written = WrittenValue(value, "mm", f"{value:g} mm")
    return ReadingAdded(ReadingKind.SLOT_DEPTH, (("value", written),), station, None, instrument)


def result(
    sources: Sequence[str], verdict: Verdict = Verdict.CONFORMING, name: str = "slot-depth", plan: str = "1"
) -> ResultComputed:
    """What came out of depths."""
    return ResultComputed(name, tuple(sources), "1", plan, (judged(Quantity.SLOT_DEPTH_MIN, 80.0, verdict),))


def check(name: str, outcome: Outcome = Outcome.YES) -> CheckAdded:
    """An answer."""
    return CheckAdded(name, outcome)


def release(evidence: Sequence[str], reason: str = "") -> Decision:
    """A release."""
    return Decision(DecisionKind.RELEASE, tuple(evidence), reason)


def waive(evidence: Sequence[str], *items: str) -> Decision:
    """A waiver."""
    return Decision(DecisionKind.WAIVE, tuple(evidence), "small and shallow", "letter 7 (invented)", items)


@dataclass
class LogWriter:
    """Makes the entries of a log, one a minute."""

    entries: list[Entry] = field(default_factory=list)

    def draft(
        self,
        fact: Fact,
        who: Person,
        stage: str = "",
        sensor: str = SENSOR,
        *,
        at: datetime | None = None,
        replaces: tuple[str, ...] = (),
    ) -> Draft:
        """What somebody tells."""
        return draft_of(fact, *who, (at or self.now).isoformat(), sensor=sensor, stage=stage, replaces=replaces)

    @property
    def now(self) -> datetime:
        """The log's clock."""
        return self.after(len(self.entries))

    @staticmethod
    def after(minutes: int) -> datetime:
        """So long after the night's beginning."""
        return START + timedelta(minutes=minutes)

    def tell(
        self,
        fact: Fact,
        who: Person = CREW,
        stage: str = "saw-cut",
        sensor: str = SENSOR,
        *,
        at: datetime | None = None,
        replaces: tuple[str, ...] = (),
    ) -> Entry:
        """Add an entry, whether it will count or not."""
        draft = self.draft(fact, who, stage, sensor, at=at, replaces=replaces)
        self.entries.append(draft.taken(len(self.entries) + 1, self.now))
        return self.entries[-1]

    def adopt(self, plan: Plan = PLAN, who: Person = MANAGER) -> Entry:
        """Adopt a plan."""
        return self.tell(adopted(plan), who, "", "")


def renumbered(entries: Sequence[Entry]) -> list[Entry]:
    """The same entries, as if they had come in this order at the same times."""
    return [replace(entry, seq=n) for n, entry in enumerate(entries, 1)]


def with_plan() -> LogWriter:
    """A log in which the plan is adopted."""
    log = LogWriter()
    log.adopt()
    return log


def layout_shown(log: LogWriter, who: Person = CREW) -> list[str]:
    """Show all that layout needs; returns the evidence."""
    taken = log.tell(photo("line.jpg", PhotoKind.LAYOUT), who, "layout")
    seen = log.tell(measured(taken.id), who, "layout")
    old = log.tell(check("old-marks"), who, "layout")
    return [taken.id, seen.id, old.id]


def cut_shown(log: LogWriter, verdict: Verdict = Verdict.CONFORMING, who: Person = CREW) -> list[str]:
    """Show all that the saw cut needs; returns the evidence."""
    taken = log.tell(photo(), who)
    seen = log.tell(measured(taken.id, verdict), who)
    depths = [log.tell(depth(80.0, station), who).id for station in (100.0, 300.0)]
    worked = log.tell(result(depths), who)
    return [taken.id, seen.id, *depths, worked.id]


def a_note(text: str = "rain") -> Note:
    """A remark."""
    return Note(text)


def correction(entry: str, *, withdrawn: bool = True) -> Correction:
    """An entry is not to count."""
    return Correction(entry, "read at the wrong mark", withdrawn)
