"""What was told already: so that a command that is run again, because nobody knows whether it went through, tells
nothing twice."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from api.people import Person
from api.record import Place, Record, Replacement, stored
from models.entry import Draft, Entry, EntryError, EntryType, moment
from models.facts import CheckAdded, Correction, Decision, DecisionKind, Fact, PhotoAdded, ReadingAdded, fact_of
from models.state import StageState

SENT_AGAIN_WITHIN = timedelta(minutes=15)
"""The same reading or note, without a time of its own, told again so soon is one that was sent twice."""


def same_draft(record: Record, draft: Draft) -> Entry | None:
    """The entry that was made of just this draft before."""
    key = draft.key()
    return next((e for e in record.entries(draft.sensor) if e.type == draft.type and e.key() == key), None)


def same_fact(record: Record, place: Place, fact: Fact, who: Person) -> Entry | None:
    """The newest entry by which this person told the same fact there a few minutes ago."""
    return next((e for e in _by(record, place, who) if _is_recent(record, e) and _fact(e) == fact), None)


def same_replacement(record: Record, place: Place, fact: Fact, who: Person, replaces: Replacement) -> Entry | None:
    """The entry by which this person has put the same fact in the place of that entry."""
    return next((e for e in _by(record, place, who) if replaces.entry in e.inputs and _fact(e) == fact), None)


def same_answer(record: Record, place: Place, check: CheckAdded, who: Person) -> Entry | None:
    """The last answer to the check, where it is the same by the same person."""
    answers = record.evidence(place).checks.get(check.check, [])
    if answers and answers[-1].fact == check and answers[-1].author == who.id:
        return record.entry(answers[-1].id)
    return None


def same_reading(record: Record, place: Place, reading: ReadingAdded, who: Person) -> Entry | None:
    """The current reading that this person told a few minutes ago."""
    found = same_fact(record, place, reading, who)
    current = {r.id for r in record.evidence(place).readings.get(reading.kind, [])}
    return found if found is not None and found.id in current else None


def same_photo(record: Record, place: Place, photo: PhotoAdded) -> Entry | None:
    """The current entry of the same picture for the same purpose."""
    wanted = (photo.sha256, photo.kind, photo.requirement)
    for one in record.evidence(place).photos:
        if (one.fact.sha256, one.fact.kind, one.fact.requirement) == wanted:
            return record.entry(one.id)
    return None


def other_sensors(record: Record, place: Place, sha256: str) -> tuple[str, ...]:
    """The sensors besides this one (empty name: the whole project) for which a picture counts already."""
    told = stored(lambda: [e for e in record.log.of_type(EntryType.PHOTO_ADDED) if e.body.get("sha256") == sha256])
    others = {Place(e.sensor, e.stage) for e in told if e.sensor != place.sensor}
    shown = (p for p in others if any(one.fact.sha256 == sha256 for one in record.evidence(p).photos))
    return tuple(sorted({p.sensor for p in shown}))


def same_correction(record: Record, correction: Correction, who: Person) -> Entry | None:
    """The entry by which this person has corrected the same one for the same reason."""
    return next((e for e in record.entries() if e.author == who.id and _fact(e) == correction), None)


def same_decision(record: Record, stage: StageState, decision: Decision, who: Person) -> Entry | None:
    """The decision that this person has made already and that still stands, or the waiver of the same items."""
    if decision.decision is DecisionKind.WAIVE and decision.items:
        return _same_waiver(record, stage, decision, who)
    standing = stage.decision
    if standing is None or standing.author != who.id:
        return None
    asked = (decision.decision, decision.reason, decision.reference)
    same = asked == (standing.decision, standing.reason, standing.reference)
    return record.entry(standing.entry) if same else None


def _same_waiver(record: Record, stage: StageState, decision: Decision, who: Person) -> Entry | None:
    ids = {w.decision for w in stage.waived if w.item in decision.items}
    for name in sorted(ids):
        entry = record.entry(name)
        fact = _fact(entry)
        if entry.author == who.id and isinstance(fact, Decision) and _words(fact) == _words(decision):
            return entry
    return None


def _words(decision: Decision) -> tuple[str, str, frozenset[str]]:
    return decision.reason, decision.reference, frozenset(decision.items)


def _by(record: Record, place: Place, who: Person) -> Sequence[Entry]:
    """What a person told in one place, the newest first."""
    found = [e for e in record.entries(place.sensor) if e.author == who.id and e.stage == place.stage]
    return found[::-1]


def _is_recent(record: Record, entry: Entry) -> bool:
    return abs(record.now() - moment(entry.at)) < SENT_AGAIN_WITHIN


def _fact(entry: Entry) -> Fact | None:
    try:
        return fact_of(entry)
    except EntryError:
        return None
