"""What must hold of the fold for every log there can be: logs are drawn, of all kinds of entries by all people.

A log is drawn as a list of steps; each looks at the log so far (to name evidence, to correct an entry) and may be
nonsense on purpose. Whatever comes of it, the properties hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.entry import Entry
from models.facts import Decision, DecisionKind, Fact, Outcome, fact_of
from models.fold import Fold
from models.measurement import PhotoKind, Verdict
from models.people import Role
from models.state import Severity, StageState, StageStatus
from tests.models.log_writer import (
    CREW,
    INSPECTOR,
    MANAGER,
    OTHER,
    PLAN,
    SENSOR,
    LogWriter,
    Person,
    adopted,
    check,
    correction,
    depth,
    measured,
    photo,
    result,
)

STAGES = ("layout", "saw-cut", "seating")
PEOPLE: tuple[Person, ...] = (
    CREW,
    ("robin", Role.CREW),
    ("robin", Role.INSPECTOR),
    INSPECTOR,
    MANAGER,
    ("audra", Role.AUDITOR),
)
STEPS = (
    "photo", "measured", "reading", "result", "check", "show-all", "show-all", "correction", "release", "release",
    "waive-items", "waive-all", "rework", "ask-again", "plan", "settle", "settle", "settle",
)  # fmt: skip


def draw_log(data: st.DataObject, most: int = 25) -> LogWriter:
    """A log of up to ``most`` steps after its plan."""
    log = LogWriter()
    log.adopt()
    for _ in range(data.draw(st.integers(1, most))):
        step(log, data)
    return log


def step(log: LogWriter, data: st.DataObject) -> None:
    """One step of somebody, sensible or not."""
    name, who = data.draw(st.sampled_from(STEPS)), data.draw(st.sampled_from(PEOPLE))
    stage, sensor = data.draw(st.sampled_from(STAGES)), data.draw(st.sampled_from((SENSOR, SENSOR, OTHER, "")))
    if name == "show-all":
        show_all(log, data, stage, sensor)
    elif name == "settle":
        settle(log, data)
    elif name == "plan":
        version = str(data.draw(st.integers(1, 3)))
        stages = PLAN.stages if version == "1" else (*PLAN.stages[:2], replace(PLAN.stages[2], hold_point=True))
        log.adopt(replace(PLAN, version=version, stages=stages), who)
    else:
        fact = FACTS[name](log, data, stage, sensor)
        if fact is not None:
            log.tell(fact, who, stage, sensor, at=log.now + timedelta(minutes=data.draw(st.integers(-300, 300))))


def settle(log: LogWriter, data: st.DataObject) -> None:
    """An inspector looks at a stage that something was shown for, and waives what failed or releases it."""
    fold = Fold.of(log.entries)
    shown = [(n, s.stage) for n in (SENSOR, OTHER, "") for s in fold.sensor(n).stages if s.evidence and not s.is_done]
    if not shown:
        return
    sensor, stage = data.draw(st.sampled_from(shown))
    who = data.draw(st.sampled_from((INSPECTOR, ("robin", Role.INSPECTOR))))
    state = fold.stage(sensor, stage)
    items = sorted({m.item for m in state.missing} | {f.item for f in state.having(Severity.FAILED)})
    kind = DecisionKind.WAIVE if items else DecisionKind.RELEASE
    log.tell(Decision(kind, seen(log, data, stage, sensor), "as seen", "letter", tuple(items)), who, stage, sensor)


def show_all(log: LogWriter, data: st.DataObject, stage: str, sensor: str) -> None:
    """All that the stage needs, conforming or not: so that ready and released stages come up."""
    verdict = data.draw(st.sampled_from((Verdict.CONFORMING, Verdict.CONFORMING, *Verdict)))
    crew = data.draw(st.sampled_from((CREW, ("robin", Role.CREW))))
    if stage == "seating":
        log.tell(check("dry-fit", data.draw(st.sampled_from(Outcome))), crew, stage, sensor)
        return
    kind = PhotoKind.LAYOUT if stage == "layout" else PhotoKind.SLOT
    taken = log.tell(photo(f"{len(log.entries)}.jpg", kind), crew, stage, sensor)
    log.tell(measured(taken.id, verdict), crew, stage, sensor)
    if stage == "layout":
        log.tell(check("old-marks"), crew, stage, sensor)
    else:
        depths = [log.tell(depth(80.0, s), crew, stage, sensor).id for s in (100.0, 300.0)]
        log.tell(result(depths, verdict), crew, stage, sensor)


def some_entry(log: LogWriter, data: st.DataObject, *types: str) -> str:
    """The id of an entry of the log, of these types where there is one."""
    fitting = [e.id for e in log.entries if not types or e.type in types]
    return data.draw(st.sampled_from(fitting or [log.entries[0].id]))


def seen(log: LogWriter, data: st.DataObject, stage: str, sensor: str) -> tuple[str, ...]:
    """The stage's current evidence, sometimes without its last piece, or with one that does not count there."""
    evidence = Fold.of(log.entries).stage(sensor, stage).evidence
    how = data.draw(st.sampled_from(("as it is", "as it is", "as it is", "less", "more")))
    if how == "more":
        return (*evidence, some_entry(log, data))
    return evidence[:-1] if how == "less" else evidence


def decision(kind: DecisionKind, log: LogWriter, data: st.DataObject, stage: str, sensor: str) -> Decision:
    reason = data.draw(st.sampled_from(("looked at it", "")))
    return Decision(kind, seen(log, data, stage, sensor), reason, "letter (invented)")


def waiver(log: LogWriter, data: st.DataObject, stage: str, sensor: str) -> Decision:
    state = Fold.of(log.entries).stage(sensor, stage)
    items = {m.item for m in state.missing} | {f.item for f in state.flags if f.item} | {"quantity:slot_width"}
    chosen = data.draw(st.sets(st.sampled_from(sorted(items)), min_size=1))
    return replace(decision(DecisionKind.WAIVE, log, data, stage, sensor), items=tuple(sorted(chosen)))


FACTS: dict[str, Any] = {
    "photo": lambda log, data, *_: photo(
        data.draw(st.sampled_from(("a.jpg", "b.jpg"))), data.draw(st.sampled_from(PhotoKind))
    ),
    "measured": lambda log, data, *_: measured(
        some_entry(log, data, "photo-added"), data.draw(st.sampled_from(Verdict)), usable=data.draw(st.booleans())
    ),
    "reading": lambda log, data, *_: depth(
        data.draw(st.sampled_from((80.0, 800.0))), data.draw(st.sampled_from((100.0, 300.0)))
    ),
    "result": lambda log, data, *_: result(
        sorted({some_entry(log, data, "reading-added") for _ in range(2)}), data.draw(st.sampled_from(Verdict))
    ),
    "check": lambda log, data, *_: check(
        data.draw(st.sampled_from(("old-marks", "dry-fit"))), data.draw(st.sampled_from(Outcome))
    ),
    "correction": lambda log, data, *_: correction(some_entry(log, data), withdrawn=data.draw(st.booleans())),
    "release": lambda *a: decision(DecisionKind.RELEASE, *a),
    "waive-all": lambda *a: decision(DecisionKind.WAIVE, *a),
    "waive-items": waiver,
    "rework": lambda *a: decision(DecisionKind.REWORK, *a),
    "ask-again": lambda *a: decision(DecisionKind.ASK_AGAIN, *a),
}


def stages_of(entries: Sequence[Entry]) -> list[StageState]:
    state = Fold.of(entries).state()
    return [stage for sensor in (state.project, *state.sensors.values()) for stage in sensor.stages]


@settings(deadline=None)
@given(st.data())
def test_no_log_gives_a_released_stage_with_a_failed_or_missing_item_unless_waived(data: st.DataObject) -> None:
    log = draw_log(data)
    for stage in stages_of(log.entries):
        if stage.status is StageStatus.RELEASED:
            assert stage.missing == ()
            assert stage.having(Severity.FAILED) == ()
            assert stage.evidence or stage.waived


@settings(deadline=None)
@given(st.data())
def test_nobody_releases_or_waives_evidence_of_their_own(data: st.DataObject) -> None:
    log = draw_log(data)
    authors = {e.id: e.author for e in log.entries}
    for stage in stages_of(log.entries):
        if stage.decision is not None and stage.status in (StageStatus.RELEASED, StageStatus.WAIVED):
            assert stage.decision.author not in {authors[i] for i in stage.evidence}
            assert authors[stage.decision.entry] == stage.decision.author
        for item in stage.waived:
            assert authors[item.decision] not in {authors[i] for i in item.entries}


@settings(deadline=None)
@given(st.data())
def test_a_release_in_force_names_exactly_the_current_evidence(data: st.DataObject) -> None:
    log = draw_log(data)
    by_id = {e.id: e for e in log.entries}
    for stage in stages_of(log.entries):
        if stage.status is StageStatus.RELEASED:
            assert stage.decision is not None
            fact = fact_of(by_id[stage.decision.entry])
            assert isinstance(fact, Decision)
            assert tuple(sorted(fact.evidence)) == stage.evidence


@settings(deadline=None)
@given(st.data())
def test_replay_equals_increment(data: st.DataObject) -> None:
    """Looking at the state between entries changes nothing, nor does not looking."""
    log = draw_log(data, 12)
    step_by_step = Fold()
    for entry in log.entries:
        step_by_step.add(entry)
        if data.draw(st.booleans()):
            step_by_step.state()
    assert step_by_step.state() == Fold.of(log.entries).state()


@settings(deadline=None)
@given(st.data())
def test_one_sensor_needs_only_its_own_entries_and_the_projects(data: st.DataObject) -> None:
    log = draw_log(data)
    own = [e for e in log.entries if e.sensor in ("", SENSOR)]
    assert Fold.of(own).sensor(SENSOR) == Fold.of(log.entries).sensor(SENSOR)


@settings(deadline=None)
@given(st.data())
def test_the_order_of_sensors_does_not_matter(data: st.DataObject) -> None:
    """Entries of two sensors, between the same entries of the project, in another order."""
    log = draw_log(data)
    rest: list[Entry] = []
    mixed: list[Entry] = []
    for entry in [*log.entries, None]:
        if entry is None or entry.sensor == "":
            mixed += sorted(rest, key=lambda e: (e.sensor, e.seq)) + ([entry] if entry else [])
            rest = []
        else:
            rest.append(entry)
    renumbered = [replace(e, seq=n) for n, e in enumerate(mixed, 1)]
    assert Fold.of(renumbered).state() == Fold.of(log.entries).state()


@settings(deadline=None)
@given(st.data())
def test_the_order_of_evidence_does_not_matter(data: st.DataObject) -> None:
    """Photos, readings and checks rest on nothing but the plan; results come after all of them."""
    log = LogWriter()
    log.adopt()
    evidence = ("photo", "reading", "check")
    for _ in range(data.draw(st.integers(1, 12))):
        stage, who = data.draw(st.sampled_from(STAGES)), data.draw(st.sampled_from((CREW, INSPECTOR)))
        log.tell(FACTS[data.draw(st.sampled_from(evidence))](log, data, stage, SENSOR), who, stage)
    first, count = log.entries[0], len(log.entries)
    for name in ("measured", "result", "result"):
        fact: Fact = FACTS[name](log, data, "", "")
        stage = next(e.stage for e in log.entries if e.id in fact.inputs()) or "saw-cut"
        log.tell(fact, CREW, stage)
    results = log.entries[count:]
    shuffled = [first, *data.draw(st.permutations(log.entries[1:count])), *data.draw(st.permutations(results))]
    renumbered = [replace(e, seq=n) for n, e in enumerate(shuffled, 1)]
    assert Fold.of(renumbered).state() == Fold.of(log.entries).state()


@settings(deadline=None)
@given(st.data())
def test_what_does_not_count_changes_nothing_but_the_list_of_what_was_ignored(data: st.DataObject) -> None:
    """The fold of the accepted entries alone is the fold of all, but for the flags that tell of the rest."""
    log = draw_log(data)
    fold, accepted = Fold(), []
    for entry in log.entries:
        if fold.take(entry) is None:
            accepted.append(entry)
    alone, whole = Fold.of(accepted).sensor(SENSOR), Fold.of(log.entries).sensor(SENSOR)

    def bare(stage: StageState) -> StageState:
        return replace(stage, flags=tuple(f for f in stage.flags if f.code != "ignored"))

    assert [bare(s) for s in alone.stages] == [bare(s) for s in whole.stages]


def test_drawn_logs_reach_every_status() -> None:
    """The properties above would hold of empty logs as well: what is drawn must come to releases and waivers."""
    found: set[StageStatus] = set()

    @settings(max_examples=300, deadline=None, database=None, derandomize=True)
    @given(st.data())
    def draw(data: st.DataObject) -> None:
        found.update(stage.status for stage in stages_of(draw_log(data).entries))

    draw()
    assert found == set(StageStatus)


def test_numbers_must_rise() -> None:
    log = LogWriter()
    entry = log.tell(adopted(), MANAGER, "", "")
    fold = Fold.of([entry])
    with pytest.raises(ValueError, match="comes after"):
        fold.add(entry)
