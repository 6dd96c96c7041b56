"""The fold: what each kind of entry does to a stage, told as a night's work would tell it."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from models.facts import Decision, DecisionKind, Outcome, ResultComputed
from models.fold import Fold
from models.measurement import Problem, Quantity, Verdict
from models.plan_stages import RequiredReading
from models.readings import ReadingKind
from models.state import Severity, StageState, StageStatus
from tests.models.log_writer import (
    AUDITOR,
    CREW,
    CREW_TOO,
    INSPECTOR,
    MANAGER,
    OTHER,
    PLAN,
    SAW_CUT,
    SENSOR,
    START,
    LogWriter,
    a_note,
    check,
    correction,
    cut_shown,
    depth,
    judged,
    layout_shown,
    measured,
    photo,
    release,
    result,
    waive,
    with_plan,
)


def stage(log: LogWriter, name: str = "saw-cut", sensor: str = SENSOR) -> StageState:
    return Fold.of(log.entries).stage(sensor, name)


def codes(state: StageState, severity: Severity | None = None) -> list[str]:
    return [f.code for f in state.flags if severity in (None, f.severity)]


@pytest.fixture
def log() -> LogWriter:
    """Layout is released, so that the saw may start."""
    writer = with_plan()
    writer.tell(release(layout_shown(writer)), INSPECTOR, "layout")
    return writer


def test_a_stage_begins_open_and_says_what_it_needs(log: LogWriter) -> None:
    state = stage(log)
    assert state.status is StageStatus.OPEN
    assert [m.item for m in state.missing] == ["cut", "depths"]


def test_a_photo_counts_once_it_is_measured(log: LogWriter) -> None:
    log.tell(photo())
    assert "1 not measured yet" in stage(log).missing[0].text


def test_all_shown_and_conforming_is_ready(log: LogWriter) -> None:
    cut_shown(log)
    state = stage(log)
    assert (state.status, state.missing, state.flags) == (StageStatus.READY, (), ())


def test_release_of_what_was_seen(log: LogWriter) -> None:
    seen = cut_shown(log)
    log.tell(release(seen), INSPECTOR)
    state = stage(log)
    assert state.status is StageStatus.RELEASED
    assert state.decision is not None
    assert state.decision.author == "ines"


def test_readings_not_worked_out_are_missing(log: LogWriter) -> None:
    log.tell(depth())
    assert "result:slot-depth" in [m.item for m in stage(log).missing]


def test_a_newer_reading_makes_the_result_old_and_opens_the_release(log: LogWriter) -> None:
    seen = cut_shown(log)
    decision = log.tell(release(seen), INSPECTOR)
    log.tell(depth(81.0, 500.0))
    state = stage(log)
    assert state.status is StageStatus.INCOMPLETE
    assert state.reopened == (decision.id,)
    assert [m.item for m in state.missing] == ["result:slot-depth", "result:slot-depth"]
    log.tell(result([*seen[2:4], log.entries[-1].id]))
    assert stage(log).status is StageStatus.READY


def test_a_result_that_left_a_reading_of_its_stage_out_does_not_cover_it(log: LogWriter) -> None:
    """It was worked out while the reading was on its way: it came later, but without it."""
    cut_shown(log)
    first = log.entries[-2]
    log.tell(depth(20.0, 500.0))
    log.tell(result([first.id]))
    assert [m.text for m in stage(log).missing if m.item == "result:slot-depth"] == [
        "slot-depth readings not worked out yet: 2"
    ]


def test_a_release_that_saw_less_does_not_count(log: LogWriter) -> None:
    seen = cut_shown(log)
    log.tell(release(seen[:-1]), INSPECTOR)
    state = stage(log)
    assert state.status is StageStatus.READY
    assert codes(state) == ["ignored"]


def test_a_release_that_saw_what_no_longer_counts_does_not_count(log: LogWriter) -> None:
    seen = cut_shown(log)
    gone = log.tell(depth(20.0, 500.0))
    log.tell(correction(gone.id))
    log.tell(release([*seen, gone.id]), INSPECTOR)
    assert codes(stage(log)) == ["ignored"]
    log.tell(release(seen), INSPECTOR)
    assert stage(log).status is StageStatus.RELEASED


def test_a_new_reading_opens_a_later_stage_whose_result_rests_on_its_kind(log: LogWriter) -> None:
    """A grout temperature that comes after the cure was judged and released."""
    seen = cut_shown(log)
    log.tell(release(seen), INSPECTOR)
    shown = [log.tell(check("dry-fit"), CREW, "seating"), log.tell(result(seen[2:4], name="later"), CREW, "seating")]
    log.tell(release([e.id for e in shown]), INSPECTOR, "seating")
    assert stage(log, "seating").status is StageStatus.RELEASED
    log.tell(depth(20.0, 500.0))
    state = stage(log, "seating")
    assert state.status is StageStatus.INCOMPLETE
    assert [m.item for m in state.missing] == ["result:later"]


@pytest.mark.parametrize("who", [CREW, AUDITOR, MANAGER, ("ines", CREW[1]), ("nobody", INSPECTOR[1])])
def test_only_an_inspector_of_the_plan_releases(log: LogWriter, who: tuple[str, object]) -> None:
    log.tell(release(cut_shown(log)), who)  # type: ignore[arg-type]
    assert stage(log).status is StageStatus.READY


def test_nobody_releases_evidence_of_their_own(log: LogWriter) -> None:
    seen = cut_shown(log, who=CREW_TOO)
    log.tell(release(seen), ("robin", INSPECTOR[1]))
    assert stage(log).status is StageStatus.READY


def test_who_withdrew_a_reading_has_a_hand_in_the_evidence(log: LogWriter) -> None:
    cut_shown(log)
    bad = log.tell(depth(20.0, 400.0))
    log.tell(correction(bad.id), ("robin", CREW[1]))
    state = stage(log)
    assert state.status is StageStatus.READY
    log.tell(release(state.evidence), ("robin", INSPECTOR[1]))
    assert stage(log).status is StageStatus.READY
    log.tell(release(state.evidence), INSPECTOR)
    assert stage(log).status is StageStatus.RELEASED


def test_nonconforming_cannot_be_released_with_any_reason(log: LogWriter) -> None:
    seen = cut_shown(log, Verdict.NONCONFORMING)
    log.tell(release(seen, "it will do"), INSPECTOR)
    state = stage(log)
    assert state.status is StageStatus.FLAGGED
    assert codes(state, Severity.FAILED) == ["nonconforming"]


def test_a_good_photo_beside_a_nonconforming_one_does_not_hide_it(log: LogWriter) -> None:
    cut_shown(log, Verdict.NONCONFORMING)
    again = log.tell(photo("again.jpg"))
    log.tell(measured(again.id))
    assert codes(stage(log), Severity.FAILED) == ["nonconforming"]


def test_what_failed_can_be_waived_by_who_saw_it_and_then_released(log: LogWriter) -> None:
    seen = cut_shown(log, Verdict.NONCONFORMING)
    log.tell(waive(seen, "quantity:slot_width"), INSPECTOR)
    state = stage(log)
    assert [w.item for w in state.waived] == ["quantity:slot_width"]
    assert state.status is StageStatus.READY
    log.tell(release(seen), INSPECTOR)
    assert stage(log).status is StageStatus.RELEASED


def test_a_waiver_does_not_cover_a_later_failure(log: LogWriter) -> None:
    seen = cut_shown(log, Verdict.NONCONFORMING)
    log.tell(waive(seen, "quantity:slot_width"), INSPECTOR)
    worse = log.tell(photo("worse.jpg"))
    log.tell(measured(worse.id, Verdict.NONCONFORMING))
    assert codes(stage(log), Severity.FAILED) == ["nonconforming"]


def test_a_waiver_needs_reason_and_reference(log: LogWriter) -> None:
    seen = cut_shown(log, Verdict.NONCONFORMING)
    log.tell(replace(waive(seen, "quantity:slot_width"), reference=" "), INSPECTOR)
    assert not stage(log).waived


def test_only_what_is_missing_or_failed_can_be_waived(log: LogWriter) -> None:
    seen = cut_shown(log)
    log.tell(waive(seen, "quantity:slot_width"), INSPECTOR)
    assert codes(stage(log)) == ["ignored"]


def test_a_whole_stage_is_waived_and_opened_again_by_evidence(log: LogWriter) -> None:
    log.tell(waive([]), INSPECTOR)
    assert stage(log).status is StageStatus.WAIVED
    log.tell(depth())
    assert stage(log).status is StageStatus.INCOMPLETE


def test_nothing_shown_cannot_be_released() -> None:
    log = LogWriter()
    log.adopt(replace(PLAN, stages=(replace(SAW_CUT, photos=(), readings=(), after=()),)))
    log.tell(release([]), INSPECTOR)
    assert stage(log).status is StageStatus.OPEN


def test_inconclusive_is_released_with_a_reason_only(log: LogWriter) -> None:
    seen = cut_shown(log, Verdict.INCONCLUSIVE)
    log.tell(release(seen), INSPECTOR)
    assert stage(log).status is StageStatus.FLAGGED
    log.tell(release(seen, "looked at on site"), INSPECTOR)
    assert stage(log).status is StageStatus.RELEASED


def test_an_unusable_photo_fails_until_another_stands_for_it(log: LogWriter) -> None:
    blurred = log.tell(photo("blurred.jpg"))
    log.tell(measured(blurred.id, usable=False))
    assert codes(stage(log), Severity.FAILED) == ["unusable"]
    cut_shown(log)
    state = stage(log)
    assert state.status is StageStatus.READY
    assert codes(state) == ["unusable-replaced"]


def test_the_last_answer_to_a_check_counts(log: LogWriter) -> None:
    log.tell(release(cut_shown(log)), INSPECTOR)
    log.tell(check("dry-fit", Outcome.NO), CREW, "seating")
    assert codes(stage(log, "seating")) == ["check-no"]
    log.tell(check("dry-fit"), CREW, "seating")
    state = stage(log, "seating")
    assert state.status is StageStatus.READY
    assert codes(state) == ["check-was-no"]


def test_evidence_that_comes_while_a_hold_point_holds_is_flagged() -> None:
    log = with_plan()
    log.tell(depth())
    state = stage(log)
    assert "hold-point" in codes(state, Severity.DOUBT)
    assert state.blocked_by == ("layout",)


def test_all_that_comes_while_one_hold_point_holds_is_one_flag() -> None:
    log = with_plan()
    early = [log.tell(depth(80.0, station)).id for station in (100.0, 300.0, 500.0)]
    (flag,) = (f for f in stage(log).flags if f.code == "hold-point")
    assert (flag.text, flag.entries) == ("3 entries came while not released: layout", tuple(sorted(early)))


def test_a_stage_cannot_be_released_before_the_hold_point() -> None:
    log = with_plan()
    log.tell(release(cut_shown(log), "all well"), INSPECTOR)
    assert stage(log).status is StageStatus.FLAGGED


def test_evidence_dated_before_the_release_of_the_hold_point_is_flagged_though_it_comes_later(log: LogWriter) -> None:
    log.tell(depth(), at=START)
    assert "hold-point" in codes(stage(log))


def test_rework_sets_evidence_aside_and_opens_the_stages_after_it(log: LogWriter) -> None:
    seen = cut_shown(log)
    log.tell(release(seen), INSPECTOR)
    log.tell(check("dry-fit"), CREW, "seating")
    log.tell(Decision(DecisionKind.REWORK, (), "edge broken"), INSPECTOR)
    assert stage(log).status is StageStatus.TO_REWORK
    assert stage(log).superseded == tuple(sorted(seen))
    assert stage(log, "seating").status is StageStatus.OPEN
    assert stage(log, "layout").status is StageStatus.RELEASED
    new = [log.tell(depth(82.0, s)).id for s in (100.0, 300.0)]
    assert stage(log).status is StageStatus.INCOMPLETE
    assert stage(log).evidence == tuple(sorted(new))
    assert [(r.reason, r.author) for r in stage(log).reworked] == [("edge broken", "ines")]
    assert not stage(log, "seating").reworked


def test_a_result_on_reworked_readings_counts_for_nothing(log: LogWriter) -> None:
    reading = log.tell(depth())
    log.tell(Decision(DecisionKind.REWORK, (), "edge broken"), INSPECTOR)
    late = log.tell(result([reading.id]))
    state = stage(log)
    assert state.status is StageStatus.TO_REWORK
    assert late.id in state.superseded


@pytest.mark.parametrize("kind", [DecisionKind.REWORK, DecisionKind.ASK_AGAIN])
def test_an_order_stands_though_something_is_worked_out_anew(log: LogWriter, kind: DecisionKind) -> None:
    """As when a cure is worked out again from the stage before: the crew has shown nothing new."""
    log.tell(Decision(kind, (), "once more"), INSPECTOR)
    log.tell(result([log.entries[0].id]))
    state = stage(log)
    assert state.decision is not None
    assert state.decision.decision is kind


def test_ask_again_stands_until_something_new_is_shown(log: LogWriter) -> None:
    cut_shown(log)
    log.tell(Decision(DecisionKind.ASK_AGAIN, (), "one more from the left"), INSPECTOR)
    state = stage(log)
    assert state.status is StageStatus.INCOMPLETE
    assert state.decision is not None
    assert state.decision.reason == "one more from the left"
    more = log.tell(photo("left.jpg"))
    log.tell(measured(more.id))
    assert stage(log).status is StageStatus.READY


def test_a_corrected_reading_takes_its_result_along(log: LogWriter) -> None:
    seen = cut_shown(log)
    log.tell(release(seen), INSPECTOR)
    log.tell(correction(seen[2], withdrawn=False))
    state = stage(log)
    assert state.status is StageStatus.FLAGGED
    assert set(state.superseded) == {seen[2], seen[4]}
    assert codes(state) == ["replacement-missing"]
    log.tell(depth(79.0), replaces=(seen[2],))
    assert codes(stage(log)) == []


def test_a_withdrawn_release_is_open_again(log: LogWriter) -> None:
    seen = cut_shown(log)
    decision = log.tell(release(seen), INSPECTOR)
    log.tell(correction(decision.id), CREW)
    assert stage(log).status is StageStatus.RELEASED
    log.tell(correction(decision.id), INSPECTOR)
    assert stage(log).status is StageStatus.READY


def test_a_correction_of_what_is_not_there_changes_nothing(log: LogWriter) -> None:
    cut_shown(log)
    before = stage(log)
    log.tell(correction("f" * 64))
    assert stage(log).evidence == before.evidence
    assert codes(stage(log)) == ["ignored"]


def test_flags_of_readings() -> None:
    log = LogWriter()
    log.adopt(replace(PLAN, stages=(replace(SAW_CUT, after=()),)))
    log.tell(depth(800.0, 100.0))
    log.tell(depth(80.0, 200.0, None))
    log.tell(depth(80.0, 300.0, "DG-9"))
    log.tell(depth(80.0, 400.0), at=START + timedelta(days=1))
    log.tell(depth(80.0, 500.0), at=START - timedelta(days=200))
    log.tell(depth(80.0, 600.0))
    log.tell(depth(80.0, 600.0))
    assert codes(stage(log), Severity.DOUBT) == [
        "date-in-future",
        "duplicate",
        "instrument-missing",
        "instrument-out-of-calibration",
        "instrument-unknown",
        "value-implausible",
    ]


@pytest.mark.parametrize("with_value", [True, False])
def test_what_is_wrong_with_a_reading_is_one_flag_though_its_results_say_it_too(with_value: bool) -> None:
    """The reading's flag names the result; where nothing was worked out, the result has failed and says why."""
    log = LogWriter()
    log.adopt(replace(PLAN, stages=(replace(SAW_CUT, after=()),)))
    reading = log.tell(depth(800.0, 100.0))
    (alone,) = (f for f in stage(log).flags if f.code == "value-implausible")
    assert alone.entries == (reading.id,)
    assert alone.text.startswith("Slot depth at station 100 mm: 800 mm cannot be")
    seen = (judged(Quantity.SLOT_DEPTH_MIN, 80.0, Verdict.CONFORMING),) if with_value else ()
    worked = log.tell(
        ResultComputed("slot-depth", (reading.id,), "1", "1", seen, (Problem("value-implausible", alone.text),))
    )
    (told,) = (f for f in stage(log).flags if f.code == "value-implausible")
    if with_value:
        assert (told.severity, told.entries) == (Severity.DOUBT, tuple(sorted((reading.id, worked.id))))
    else:
        assert (told.severity, told.item, told.entries) == (Severity.FAILED, "result:slot-depth", (worked.id,))


def test_stations_too_far_apart_are_missing_readings(log: LogWriter) -> None:
    wanted = RequiredReading("depths", ReadingKind.SLOT_DEPTH, 2, spacing_mm=400.0)
    log.adopt(replace(PLAN, version="2", stages=(*PLAN.stages[:1], replace(SAW_CUT, readings=(wanted,)))))
    for station in (100.0, 300.0):
        log.tell(depth(80.0, station))
    assert "none between 300 and 1000 mm" in next(m.text for m in stage(log).missing if m.item == "depths")
    log.tell(depth(80.0, 700.0))
    assert "depths" not in [m.item for m in stage(log).missing]


def test_a_release_keeps_the_plan_it_was_made_under(log: LogWriter) -> None:
    log.tell(release(cut_shown(log)), INSPECTOR)
    wanted = RequiredReading("depths", ReadingKind.SLOT_DEPTH, 9)
    log.adopt(replace(PLAN, version="2", stages=(*PLAN.stages[:1], replace(SAW_CUT, readings=(wanted,)))))
    state = stage(log)
    assert (state.status, state.plan_version) == (StageStatus.RELEASED, "1")
    log.tell(photo("new.jpg"))
    state = stage(log)
    assert state.plan_version == "2"
    assert "depths" in [m.item for m in state.missing]


def test_a_verdict_under_an_older_plan_is_a_doubt(log: LogWriter) -> None:
    cut_shown(log)
    log.adopt(replace(PLAN, version="2"))
    assert set(codes(stage(log))) == {"older-plan"}


def test_a_result_without_a_value_has_failed(log: LogWriter) -> None:
    reading = log.tell(depth())
    problem = Problem("too-few", "three depths are needed")
    log.tell(ResultComputed("slot-depth", (reading.id,), "1", "1", (), (problem,)))
    assert codes(stage(log), Severity.FAILED) == ["too-few"]


def test_sensors_do_not_touch_each_other(log: LogWriter) -> None:
    before = Fold.of(log.entries).sensor(SENSOR)
    log.tell(depth(), CREW, "saw-cut", OTHER)
    assert Fold.of(log.entries).sensor(SENSOR) == before


def test_evidence_of_the_project_counts_for_each_sensor(log: LogWriter) -> None:
    log.tell(check("dry-fit"), CREW, "seating", "")
    for sensor in (SENSOR, OTHER):
        assert not stage(log, "seating", sensor).missing


def test_a_photo_of_two_sensors_is_flagged_for_the_project(log: LogWriter) -> None:
    log.tell(photo(), CREW, "saw-cut", SENSOR)
    twin = log.tell(photo(), CREW, "saw-cut", OTHER)
    assert [f.code for f in Fold.of(log.entries).state().flags] == ["photo-reused"]
    log.tell(correction(twin.id), CREW, "saw-cut", OTHER)
    assert not Fold.of(log.entries).state().flags


def test_a_photo_that_stood_for_another_sensor_holds_a_release_up_until_a_reason_is_given(log: LogWriter) -> None:
    evidence = cut_shown(log)
    log.tell(correction(evidence[0]))
    taken = log.tell(replace(photo(), also_for=(OTHER,)))
    evidence = [taken.id, log.tell(measured(taken.id)).id, *evidence[2:]]
    (flag,) = stage(log).having(Severity.DOUBT)
    assert (flag.code, flag.entries) == ("photo-reused", (taken.id,))
    assert OTHER in flag.text
    assert stage(log).status is StageStatus.FLAGGED
    log.tell(release(evidence), INSPECTOR)
    assert stage(log).status is StageStatus.FLAGGED
    log.tell(release(evidence, "both slots are in the picture"), INSPECTOR)
    assert stage(log).status is StageStatus.RELEASED


def test_nothing_counts_before_a_plan() -> None:
    log = LogWriter()
    log.tell(depth())
    assert not Fold.of(log.entries).sensor(SENSOR).stages
    log.adopt()
    state = Fold.of(log.entries).sensor(SENSOR)
    assert not state.stage("saw-cut").evidence
    assert [f.code for f in state.flags] == ["ignored"]


def test_only_a_manager_of_the_plan_before_adopts_the_next(log: LogWriter) -> None:
    usurper = replace(PLAN, version="2", contacts=tuple(replace(c, id=f"{c.id}-2") for c in PLAN.contacts))
    log.adopt(usurper, ("mandy-2", MANAGER[1]))
    plan = Fold.of(log.entries).plan
    assert plan is not None
    assert plan.version == "1"


def test_a_changed_plan_needs_a_new_version(log: LogWriter) -> None:
    log.adopt(replace(PLAN, units=PLAN.units, tools=("broom",)))
    assert [f.code for f in Fold.of(log.entries).sensor("").flags] == ["ignored"]


def test_a_note_changes_nothing(log: LogWriter) -> None:
    before = stage(log)
    log.tell(a_note(), AUDITOR)
    assert stage(log) == before


def test_calibration_is_held_against_the_day_at_the_site() -> None:
    """At 23:30 in Chicago it is the next day in UTC; the calibration's last day is the one on the site's calendar."""
    last_day = replace(PLAN.instruments[0], calibration_valid_until=date(2026, 5, 4))
    log = LogWriter()
    log.adopt(replace(PLAN, instruments=(last_day,), stages=(replace(SAW_CUT, after=()),)))
    log.tell(depth(), at=START + timedelta(minutes=89))
    assert "instrument-out-of-calibration" not in codes(stage(log))
    log.tell(depth(80.0, 300.0), at=START + timedelta(minutes=121))
    assert "instrument-out-of-calibration" in codes(stage(log))


def test_the_later_of_two_results_counts_and_says_when_to_go_on(log: LogWriter) -> None:
    reading = log.tell(depth())
    first = replace(result([reading.id]), not_before="2026-05-05T03:40:00-05:00")
    log.tell(first)
    log.tell(replace(first, not_before="2026-05-05T03:55:00-05:00"))
    state = stage(log)
    assert state.earliest_next is not None
    assert state.earliest_next.isoformat() == "2026-05-05T03:55:00-05:00"
    assert len(state.superseded) == 1


def test_a_result_may_rest_on_the_plan_alone(log: LogWriter) -> None:
    for sources in ([], [log.entries[0].id]):
        kit = log.tell(result(sources, name="kit"))
        assert kit.id in stage(log).evidence


def test_an_entry_of_a_newer_program_is_set_aside(log: LogWriter) -> None:
    before = stage(log)
    newer = replace(log.draft(depth(), CREW, "saw-cut"), version=2)
    log.entries.append(newer.taken(len(log.entries) + 1, log.now))
    state = stage(log)
    assert state.evidence == before.evidence
    assert codes(state) == ["ignored"]


def test_readings_whose_result_stands_in_a_later_stage_are_missing_it_when_it_goes(log: LogWriter) -> None:
    """A grout temperature is worked out with the cure, a stage later: without that result it shows nothing."""
    taken = log.tell(photo())
    seen = log.tell(measured(taken.id))
    depths = [log.tell(depth(80.0, station)).id for station in (100.0, 300.0)]
    later = log.tell(result(depths), CREW, "seating")
    log.tell(release([taken.id, seen.id, *depths]), INSPECTOR)
    assert stage(log).status is StageStatus.RELEASED
    log.tell(correction(later.id), CREW, "seating")
    state = stage(log)
    assert state.status is StageStatus.INCOMPLETE
    assert [m.item for m in state.missing] == ["result:slot-depth"]


def test_a_newer_result_in_a_later_stage_opens_nothing_as_long_as_it_takes_the_readings_in(log: LogWriter) -> None:
    taken = log.tell(photo())
    seen = log.tell(measured(taken.id))
    depths = [log.tell(depth(80.0, station)).id for station in (100.0, 300.0)]
    log.tell(result(depths), CREW, "seating")
    log.tell(release([taken.id, seen.id, *depths]), INSPECTOR)
    log.tell(result(depths), CREW, "seating")
    assert stage(log).status is StageStatus.RELEASED


def test_the_same_entries_give_the_same_state_in_any_process() -> None:
    """Python orders sets otherwise in each process; nothing of that may show."""
    program = (
        "from tests.models.test_fold import busy_log\n"
        "from models.fold import Fold\n"
        "print(repr(Fold.of(busy_log().entries).state()))\n"
    )
    told = {
        subprocess.run(
            [sys.executable, "-c", program],
            capture_output=True,
            check=True,
            cwd=Path(__file__).parents[2],
            env={**os.environ, "PYTHONHASHSEED": str(seed), "PYTHONPATH": "."},
        ).stdout
        for seed in (1, 2, 3)
    }
    assert len(told) == 1
    assert b"nonconforming" in told.pop()


def busy_log() -> LogWriter:
    """A log with something of everything."""
    log = with_plan()
    for n in range(6):
        log.tell(depth(800.0, 100.0 * n), at=START + timedelta(days=n))
        log.tell(photo(f"{n % 2}.jpg"))
        log.tell(check("dry-fit", Outcome.NO), CREW, "seating", "")
    seen = cut_shown(log, Verdict.NONCONFORMING)
    log.tell(waive([*seen, *stage(log).evidence], "cut"), INSPECTOR)
    log.tell(release(seen), INSPECTOR)
    return log
