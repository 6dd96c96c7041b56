"""Facts as they stand in the fold, and the current evidence of one stage sorted by what it is."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Generic, TypeVar, cast

from models.entry import Entry, moment
from models.facts import CheckAdded, Fact, PhotoAdded, PhotoMeasured, ReadingAdded, ResultComputed
from models.readings import ReadingKind

F = TypeVar("F", bound=Fact)
F_co = TypeVar("F_co", bound=Fact, covariant=True)


@dataclass(frozen=True, slots=True, eq=False)
class Told(Generic[F_co]):
    """A fact with who told it and when."""

    id: str
    type: str
    sensor: str
    stage: str
    author: str
    at: datetime
    """By the author's clock."""
    received: datetime
    """By the log's clock."""
    replaces: tuple[str, ...]
    """Among its inputs, those that the fact itself does not name: entries that it takes the place of."""
    fact: F_co

    @property
    def order(self) -> tuple[datetime, str]:
        """When it came; the id decides between two that came at one instant. The same in any order of folding."""
        return self.received, self.id


def told(entry: Entry, fact: F) -> Told[F]:
    """An entry and its fact, without what the fold does not need.

    Raises:
        EntryError: a time is none.
    """
    own = set(fact.inputs())
    return Told(
        entry.id,
        entry.type,
        entry.sensor,
        entry.stage,
        entry.author,
        moment(entry.at),
        moment(entry.received),
        tuple(i for i in entry.inputs if i not in own),
        fact,
    )


@dataclass(frozen=True, eq=False)
class Evidence:
    """The current evidence of one stage."""

    photos: list[Told[PhotoAdded]] = field(default_factory=list)
    measured: dict[str, Told[PhotoMeasured]] = field(default_factory=dict)
    """By the id of the photo's entry."""
    readings: dict[ReadingKind, list[Told[ReadingAdded]]] = field(default_factory=lambda: defaultdict(list))
    checks: dict[str, list[Told[CheckAdded]]] = field(default_factory=lambda: defaultdict(list))
    """By the id of the check; by the time of their authors' clocks."""
    results: list[Told[ResultComputed]] = field(default_factory=list)

    @staticmethod
    def of(current: Iterable[Told[Fact]]) -> Evidence:
        """Sorted by what it is; within each by when it was told."""
        evidence = Evidence()
        for one in sorted(current, key=lambda t: (t.at, t.id)):
            evidence._sort_in(one)
        return evidence

    def shown(self) -> Iterator[Told[PhotoAdded] | Told[ReadingAdded] | Told[CheckAdded]]:
        """All that people showed: photos, readings and checks."""
        yield from self.photos
        for readings in self.readings.values():
            yield from readings
        for checks in self.checks.values():
            yield from checks

    def _sort_in(self, one: Told[Fact]) -> None:
        fact = one.fact
        if isinstance(fact, PhotoAdded):
            self.photos.append(cast("Told[PhotoAdded]", one))
        elif isinstance(fact, PhotoMeasured):
            self.measured[fact.photo] = cast("Told[PhotoMeasured]", one)
        elif isinstance(fact, ReadingAdded):
            self.readings[fact.kind].append(cast("Told[ReadingAdded]", one))
        elif isinstance(fact, CheckAdded):
            self.checks[fact.check].append(cast("Told[CheckAdded]", one))
        elif isinstance(fact, ResultComputed):
            self.results.append(cast("Told[ResultComputed]", one))

    def standing_readings(self, kind: ReadingKind) -> list[Told[ReadingAdded]]:
        """The readings of a kind that tell how things stand: where passes are numbered, those after the last pass."""
        readings = self.readings.get(kind, [])
        last = max((r.fact.pass_number for r in readings if r.fact.pass_number is not None), default=None)
        return [r for r in readings if r.fact.pass_number == last]
