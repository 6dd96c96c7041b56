"""The stages of an installation and what a plan requires of each."""

from __future__ import annotations

from dataclasses import dataclass

from models.instruments import InstrumentKind
from models.measurement import PhotoKind
from models.readings import ReadingKind


@dataclass(frozen=True)
class RequiredPhoto:
    """Photos that a stage must show."""

    id: str
    kind: PhotoKind | None = None
    """What is measured in it; None for a photo that is only looked at."""
    count: int = 1
    """At least so many."""
    text: str = ""
    clause: str = ""


@dataclass(frozen=True)
class RequiredReading:
    """Readings of one kind that a stage must have."""

    id: str
    """The kind's own word, unless the plan names it otherwise."""
    kind: ReadingKind
    count: int = 1
    """At least so many."""
    spacing_mm: float | None = None
    """Largest distance between neighbouring stations; None where the reading has none or the plan sets no limit."""
    instruments: tuple[str, ...] = ()
    """Ids of the instruments that may be used; empty where any of the kinds may."""
    instrument_kinds: tuple[InstrumentKind, ...] = ()
    """Kinds of instrument that may be used; empty where any may."""
    text: str = ""
    clause: str = ""


@dataclass(frozen=True)
class RequiredCheck:
    """A question answered yes, no or not applicable."""

    id: str
    text: str
    caution: str = ""
    """What could hurt somebody here; shown beside the question."""
    clause: str = ""


@dataclass(frozen=True)
class StagePlan:
    """One stage and what it must show before it is ready."""

    id: str
    title: str
    hold_point: bool = False
    """Whether it must be released before a stage after it may begin."""
    photos: tuple[RequiredPhoto, ...] = ()
    readings: tuple[RequiredReading, ...] = ()
    checks: tuple[RequiredCheck, ...] = ()
    materials: tuple[str, ...] = ()
    """Ids of the materials that are used in it."""
    after: tuple[str, ...] = ()
    """Ids of the stages it follows: the one before it, unless the plan says otherwise; empty for the first."""


STAGE_TITLES = {
    "before-closure": "Before the closure",
    "layout": "Layout",
    "exit-hole": "Exit hole",
    "saw-cut": "Saw cut",
    "channel": "Channel",
    "seating": "Seating",
    "grout": "Grout",
    "cure-and-grind": "Cure and grind",
    "final-checks": "Final checks",
}
"""The usual stages in their order."""


def _usual_stages() -> tuple[StagePlan, ...]:
    ids = list(STAGE_TITLES)
    return tuple(StagePlan(i, STAGE_TITLES[i], after=tuple(ids[n - 1 : n])) for n, i in enumerate(ids))


DEFAULT_STAGES = _usual_stages()
"""The stages of a plan that lists none: the usual ones, with nothing required."""
