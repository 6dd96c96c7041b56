"""Facts: what the bodies of entries say, one frozen dataclass a type, each to JSON and back.

Reading is strict: at append a body that is not of its form is refused, and in the fold of a log from elsewhere it is
set aside with a flag. ``fact_of`` is the one way from an entry to its fact.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, TypeAlias

from models import json_fields as take
from models.entry import Draft, Entry, EntryError, EntryType
from models.evidence_facts import (
    CheckAdded,
    Json,
    Outcome,
    PhotoAdded,
    PhotoMeasured,
    ReadingAdded,
    ResultComputed,
    WrittenValue,
)
from models.people import Role

__all__ = [
    "CheckAdded",
    "Correction",
    "Decision",
    "DecisionKind",
    "Fact",
    "FactError",
    "Note",
    "Outcome",
    "PhotoAdded",
    "PhotoMeasured",
    "PlanAdopted",
    "ReadingAdded",
    "ResultComputed",
    "WrittenValue",
    "draft_of",
    "fact_of",
]


class FactError(EntryError):
    """The body of an entry is not of the form of its type and version; the message says what is wrong."""


class DecisionKind(StrEnum):
    """An inspector's word on a stage."""

    RELEASE = "release"
    REWORK = "rework"
    ASK_AGAIN = "ask-again"
    WAIVE = "waive"


@dataclass(frozen=True, slots=True)
class PlanAdopted:
    """From here on this plan holds."""

    plan: Json = field(hash=False)
    """The whole plan as JSON (`models.plan.Plan.to_json`)."""
    sha256: str
    """Of the file that it was read from."""

    def inputs(self) -> tuple[str, ...]:
        """What it rests on."""
        return (self.sha256,)

    def to_json(self) -> dict[str, Any]:
        """The body."""
        return {"plan": self.plan, "sha256": self.sha256}

    @staticmethod
    def from_json(body: Json) -> PlanAdopted:
        """The fact of a body."""
        take.only(body, frozenset({"plan", "sha256"}))
        return PlanAdopted(take.group(body, "plan"), take.text(body, "sha256"))


@dataclass(frozen=True, slots=True)
class Correction:
    """An entry is not to count any more; nothing is removed."""

    corrects: str
    """Id of that entry."""
    reason: str
    withdrawn: bool = False
    """Whether nothing takes its place. Otherwise another entry does, which names it among its inputs."""

    def inputs(self) -> tuple[str, ...]:
        """What it rests on."""
        return (self.corrects,)

    def to_json(self) -> dict[str, Any]:
        """The body."""
        return {"corrects": self.corrects, "reason": self.reason, "withdrawn": self.withdrawn}

    @staticmethod
    def from_json(body: Json) -> Correction:
        """The fact of a body."""
        take.only(body, frozenset({"corrects", "reason", "withdrawn"}))
        return Correction(take.text(body, "corrects"), take.text(body, "reason"), take.truth(body, "withdrawn"))


@dataclass(frozen=True, slots=True)
class Decision:
    """An inspector's word on a stage."""

    decision: DecisionKind
    evidence: tuple[str, ...] = ()
    """Ids of the entries that it saw."""
    reason: str = ""
    reference: str = ""
    """What allows it: a clause, a letter, a change order."""
    items: tuple[str, ...] = ()
    """What is waived; empty where it is the whole stage."""

    def inputs(self) -> tuple[str, ...]:
        """What it rests on."""
        return self.evidence

    def to_json(self) -> dict[str, Any]:
        """The body."""
        return {
            "decision": self.decision.value,
            "evidence": list(self.evidence),
            "reason": self.reason,
            "reference": self.reference,
            "items": list(self.items),
        }

    @staticmethod
    def from_json(body: Json) -> Decision:
        """The fact of a body."""
        take.only(body, frozenset({"decision", "evidence", "reason", "reference", "items"}))
        return Decision(
            take.chosen(body, "decision", DecisionKind),
            take.words(body, "evidence"),
            take.text(body, "reason"),
            take.text(body, "reference"),
            take.words(body, "items"),
        )


@dataclass(frozen=True, slots=True)
class Note:
    """A remark; it changes nothing."""

    text: str

    def inputs(self) -> tuple[str, ...]:
        """What it rests on."""
        return ()

    def to_json(self) -> dict[str, Any]:
        """The body."""
        return {"text": self.text}

    @staticmethod
    def from_json(body: Json) -> Note:
        """The fact of a body."""
        take.only(body, frozenset({"text"}))
        return Note(take.text(body, "text"))


Fact: TypeAlias = (
    PlanAdopted | PhotoAdded | PhotoMeasured | ReadingAdded | CheckAdded | ResultComputed | Correction | Decision | Note
)

TYPE_OF: dict[type[Fact], EntryType] = {
    PlanAdopted: EntryType.PLAN_ADOPTED,
    PhotoAdded: EntryType.PHOTO_ADDED,
    PhotoMeasured: EntryType.PHOTO_MEASURED,
    ReadingAdded: EntryType.READING_ADDED,
    CheckAdded: EntryType.CHECK_ADDED,
    ResultComputed: EntryType.RESULT_COMPUTED,
    Correction: EntryType.CORRECTION,
    Decision: EntryType.DECISION,
    Note: EntryType.NOTE,
}
_READERS: dict[tuple[str, int], Callable[[Json], Fact]] = {
    (name.value, 1): kind.from_json for kind, name in TYPE_OF.items()
}
"""By type and version of an entry: an older form stays readable when a newer one is added."""


def fact_of(entry: Draft | Entry) -> Fact:
    """What an entry says.

    Raises:
        FactError: its type or version is not known here, or its body is not of that form.
    """
    reader = _READERS.get((entry.type, entry.version))
    if reader is None:
        raise FactError(f"an entry of type {entry.type!r}, version {entry.version}, is not known to this program")
    try:
        return reader(entry.body)
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError) as wrong:
        raise FactError(f"{entry.type}: {wrong}") from None


def draft_of(
    fact: Fact, author: str, role: Role, at: str, *, sensor: str = "", stage: str = "", replaces: tuple[str, ...] = ()
) -> Draft:
    """What is handed to the log to tell a fact.

    ``at`` is RFC 3339 with an offset; ``replaces`` names the corrected entries that this one takes the place of.

    Raises:
        EntryError: a field is not of its form.
    """
    return Draft(TYPE_OF[type(fact)], author, role, at, fact.to_json(), sensor, stage, (*fact.inputs(), *replaces))
