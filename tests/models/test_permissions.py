"""The one table of who may do what, held against every role and action, and the rules above all roles."""

from __future__ import annotations

from dataclasses import replace

import pytest

from models.entry import Draft
from models.facts import Correction, Decision, DecisionKind, Fact
from models.fold import Fold
from models.people import Contact, Role
from models.permissions import PERMISSIONS, Action
from tests.models.log_writer import (
    CREW,
    INSPECTOR,
    MANAGER,
    OTHER,
    PLAN,
    SENSOR,
    LogWriter,
    a_note,
    adopted,
    check,
    correction,
    cut_shown,
    depth,
    layout_shown,
    measured,
    photo,
    release,
    result,
    waive,
    with_plan,
)

PEOPLE = {Role.CREW: "casey", Role.INSPECTOR: "ines", Role.AUDITOR: "audra", Role.MANAGER: "mandy"}

# Written out a second time, so that a change of the table is seen and meant.
EXPECTED = {
    Role.CREW: {Action.ADD_EVIDENCE, Action.COMPUTE, Action.CORRECT, Action.NOTE},
    Role.INSPECTOR: {
        Action.ADD_EVIDENCE, Action.COMPUTE, Action.CORRECT, Action.TAKE_BACK_DECISION, Action.NOTE,
        Action.RELEASE, Action.REWORK, Action.ASK_AGAIN, Action.WAIVE,
    },
    Role.AUDITOR: {Action.NOTE},
    Role.MANAGER: {Action.ADOPT_PLAN, Action.COMPUTE, Action.NOTE},
}  # fmt: skip


def test_the_table() -> None:
    assert {role: set(actions) for role, actions in PERMISSIONS.items()} == EXPECTED


@pytest.fixture
def log() -> LogWriter:
    writer = with_plan()
    writer.tell(release(layout_shown(writer)), INSPECTOR, "layout")
    cut_shown(writer)
    return writer


def facts(log: LogWriter) -> dict[Action, Fact]:
    """One fact for each action that may be done as the log stands."""
    evidence = Fold.of(log.entries).stage(SENSOR, "saw-cut").evidence
    photo_entry = next(e for e in log.entries if e.type == "photo-added" and e.stage == "saw-cut")
    reading = next(e for e in log.entries if e.type == "reading-added")
    released = next(e for e in log.entries if e.type == "decision")
    return {
        Action.ADOPT_PLAN: adopted(replace(PLAN, version="2")),
        Action.ADD_EVIDENCE: depth(90.0, 500.0),
        Action.COMPUTE: measured(photo_entry.id, software="2"),
        Action.CORRECT: correction(reading.id),
        Action.TAKE_BACK_DECISION: correction(released.id),
        Action.RELEASE: release(evidence),
        Action.REWORK: Decision(DecisionKind.REWORK, (), "edge broken"),
        Action.ASK_AGAIN: Decision(DecisionKind.ASK_AGAIN, (), "one more"),
        Action.WAIVE: waive(evidence),
        Action.NOTE: a_note(),
    }


def told_as(log: LogWriter, action: Action, role: Role) -> Draft:
    fact = facts(log)[action]
    place = {Action.ADOPT_PLAN: ("", ""), Action.TAKE_BACK_DECISION: ("layout", SENSOR)}
    stage, sensor = place.get(action, ("saw-cut", SENSOR))
    return log.draft(fact, (PEOPLE[role], role), stage, sensor)


@pytest.mark.parametrize("role", Role)
@pytest.mark.parametrize("action", Action)
def test_each_role_may_do_what_the_table_says_and_nothing_else(log: LogWriter, action: Action, role: Role) -> None:
    refused = Fold.of(log.entries).refusal(told_as(log, action, role))
    assert (refused is None) == (action in EXPECTED[role])
    if refused is not None:
        assert refused.code == "role"
        assert action in refused.message


@pytest.mark.parametrize("role", [*Role, "owner", ""])
def test_a_plan_without_contacts_takes_people_at_their_word_but_not_at_any(role: str) -> None:
    log = LogWriter()
    log.adopt(replace(PLAN, contacts=()))
    draft = log.draft(depth(), CREW, "saw-cut")
    object.__setattr__(draft, "role", role)
    refused = Fold.of(log.entries).refusal(draft)
    assert (refused is None) == (role in {"crew", "inspector"})


REFUSED = [
    ("place", adopted(replace(PLAN, version="2")), MANAGER, "saw-cut", SENSOR),
    ("sensor", depth(), CREW, "saw-cut", "north/1/Z"),
    ("stage", depth(), CREW, "dance", SENSOR),
    ("stage", depth(), CREW, "", SENSOR),
    ("unknown-entry", measured("f" * 64), CREW, "saw-cut", SENSOR),
    ("unknown-entry", result(["f" * 64]), CREW, "saw-cut", SENSOR),
    ("unknown-entry", correction("f" * 64), CREW, "saw-cut", SENSOR),
    ("unknown-entry", Decision(DecisionKind.ASK_AGAIN, ("f" * 64,), "again"), INSPECTOR, "saw-cut", SENSOR),
    ("no-reason", Decision(DecisionKind.ASK_AGAIN), INSPECTOR, "saw-cut", SENSOR),
    ("no-reason", Decision(DecisionKind.REWORK, (), " "), INSPECTOR, "saw-cut", SENSOR),
    ("other-evidence", waive([]), INSPECTOR, "saw-cut", SENSOR),
    ("missing", release([]), INSPECTOR, "seating", SENSOR),
    ("hold-point", release([]), INSPECTOR, "saw-cut", OTHER),
]


@pytest.mark.parametrize(("code", "fact", "who", "stage", "sensor"), REFUSED)
def test_what_is_refused_and_why(
    log: LogWriter, code: str, fact: Fact, who: tuple[str, Role], stage: str, sensor: str
) -> None:
    if code == "missing":
        log.tell(release(Fold.of(log.entries).stage(SENSOR, "saw-cut").evidence), INSPECTOR)
        log.tell(check("other"), CREW, "seating")
        fact = release([log.entries[-1].id])
    if code == "hold-point":
        fact = release([log.tell(photo("b.jpg"), CREW, "saw-cut", OTHER).id])
    refused = Fold.of(log.entries).refusal(log.draft(fact, who, stage, sensor))
    assert refused is not None
    assert refused.code == code
    assert refused.message


def test_a_correction_must_stand_where_the_corrected_entry_does(log: LogWriter) -> None:
    reading = next(e for e in log.entries if e.type == "reading-added")
    fold = Fold.of(log.entries)
    elsewhere = fold.refusal(log.draft(correction(reading.id), CREW, "seating"))
    assert elsewhere is not None
    assert elsewhere.code == "place"
    assert fold.refusal(log.draft(Correction(reading.id, " "), CREW, "saw-cut")) is not None


def test_nothing_is_corrected_twice_and_no_correction_is(log: LogWriter) -> None:
    reading = next(e for e in log.entries if e.type == "reading-added")
    made = log.tell(correction(reading.id))
    for entry in (reading.id, made.id, log.entries[0].id):
        stage, sensor = ("saw-cut", SENSOR) if entry != log.entries[0].id else ("", "")
        refused = Fold.of(log.entries).refusal(log.draft(correction(entry), CREW, stage, sensor))
        assert refused is not None
        assert refused.code == "not-correctable"


def test_rework_cannot_be_taken_back(log: LogWriter) -> None:
    order = log.tell(Decision(DecisionKind.REWORK, (), "edge broken"), INSPECTOR)
    refused = Fold.of(log.entries).refusal(log.draft(correction(order.id), INSPECTOR, "saw-cut"))
    assert refused is not None
    assert refused.code == "not-correctable"


def test_before_a_plan_only_a_plan_and_only_by_whom_it_makes_manager() -> None:
    fold, log = Fold(), LogWriter()
    no_plan = fold.refusal(log.draft(depth(), CREW, "saw-cut"))
    assert no_plan is not None
    assert no_plan.code == "no-plan"
    assert fold.refusal(log.draft(adopted(), CREW, "", "")) is not None
    assert fold.refusal(log.draft(adopted(), ("mandy", Role.INSPECTOR), "", "")) is not None
    assert fold.refusal(log.draft(adopted(), MANAGER, "", "")) is None


def test_a_person_of_two_roles_does_not_decide_on_own_evidence_in_the_other() -> None:
    log = LogWriter()
    both = Contact("bo", "Bo", (Role.CREW, Role.INSPECTOR))
    log.adopt(replace(PLAN, contacts=(*PLAN.contacts, both)))
    seen = layout_shown(log, ("bo", Role.CREW))
    fold = Fold.of(log.entries)
    for fact in (release(seen), waive(seen)):
        refused = fold.refusal(log.draft(fact, ("bo", Role.INSPECTOR), "layout"))
        assert refused is not None
        assert refused.code == "own-evidence"
    assert fold.refusal(log.draft(release(seen), INSPECTOR, "layout")) is None
