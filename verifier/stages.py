"""From the readings of a stage to its results: one table of computations, and the verdict on what each gives.

Which computation runs depends on what was read (and, for the kit list and the cure, on the stage), so that a plan may
add stages of its own. Nothing is dropped in silence: a reading that cannot be used leaves a problem.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from models.measurement import Estimate, Measurement, Problem, Quantity
from models.plan import Plan, Sensor
from models.readings import Reading, ReadingKind
from models.tolerance import Tolerance
from verifier import cure, depth, dewpoint, electrical, exithole, flushness, kit, mix, reopening, seating, squareness
from verifier.conformity import judge
from verifier.grout_material import grout_of
from verifier.readings import of_kind
from verifier.worked import Worked

BEFORE_CLOSURE = "before-closure"
CURE_AND_GRIND = "cure-and-grind"


@dataclass(frozen=True)
class ComputedResult:
    """What one computation gave, judged: what the log keeps as one result."""

    computation: str
    inputs: tuple[str, ...]
    """Ids of the entries it was worked out from; empty where it rests on the plan alone."""
    measurements: tuple[Measurement, ...]
    problems: tuple[Problem, ...] = ()
    """Reasons for a person to look."""
    remarks: tuple[Problem, ...] = ()
    """Good to know, no reason to stop."""
    not_before: datetime | None = None
    """The earliest time of the next step, where the computation gives one."""

    def measurement(self, quantity: Quantity) -> Measurement | None:
        """The first measurement of a quantity, where there is one."""
        return next((m for m in self.measurements if m.estimate.quantity is quantity), None)


@dataclass(frozen=True)
class StageResults:
    """All results of one stage of one sensor."""

    stage: str
    results: tuple[ComputedResult, ...]

    def result(self, computation: str) -> ComputedResult | None:
        """The result of one computation, where it ran."""
        return next((r for r in self.results if r.computation == computation), None)

    def measurement(self, quantity: Quantity) -> Measurement | None:
        """The first measurement of a quantity in any result."""
        return next((m for r in self.results if (m := r.measurement(quantity)) is not None), None)

    @property
    def problems(self) -> tuple[Problem, ...]:
        """All problems of all results."""
        return tuple(dict.fromkeys(p for r in self.results for p in r.problems))


@dataclass(frozen=True)
class Case:
    """What a computation works on."""

    plan: Plan
    sensor_name: str
    sensor: Sensor
    """A sensor without dimensions where the stage is the whole project's."""
    stage_id: str
    readings: tuple[Reading, ...]
    """Current readings of this stage."""
    earlier: tuple[Reading, ...]
    """Current readings of the stages before it."""

    @property
    def both(self) -> tuple[Reading, ...]:
        """Readings of the stages before and of this one."""
        return (*self.earlier, *self.readings)


@dataclass(frozen=True)
class Computation:
    """One row of the table."""

    name: str
    kinds: tuple[ReadingKind, ...]
    """It runs where the stage has a reading of one of these kinds."""
    work: Callable[[Case], Worked]
    also_in: str = ""
    """In this stage it runs as well where a stage before has a reading of ``after_kinds``."""
    after_kinds: tuple[ReadingKind, ...] = ()

    def runs(self, case: Case) -> bool:
        """Whether it has anything to work on."""
        continues = case.stage_id == self.also_in and bool(of_kind(case.earlier, *self.after_kinds))
        return continues or bool(of_kind(case.readings, *self.kinds))


def evaluate(
    plan: Plan,
    sensor_name: str,
    stage_id: str,
    readings: Sequence[Reading],
    earlier: Sequence[Reading] = (),
    on: date | None = None,
) -> StageResults:
    """Work out and judge everything that the readings of a stage can tell.

    Args:
        plan: instruments, materials, tolerances and the decision rule.
        sensor_name: the sensor's name in the plan; empty for a stage of the whole project.
        stage_id: the stage.
        readings: its current readings, in any order.
        earlier: current readings of the stages before it (electrical checks at seating, the end of the pour, the
            closure).
        on: day of the closure for the kit list; by default as the readings or the plan's closures have it.

    Raises:
        LookupError: the plan has no such sensor.
    """
    zoned, problems = _with_zone(readings)
    sensor = plan.find_sensor(sensor_name) if sensor_name else Sensor("")
    case = Case(plan, sensor_name, sensor, stage_id, zoned, _with_zone(earlier)[0])
    results = [_result(case, row, row.work(case)) for row in _TABLE if row.runs(case)]
    if stage_id == BEFORE_CLOSURE:
        results.append(_result(case, _KIT, _kit(case, on)))
    if problems:
        results.append(ComputedResult("readings", tuple(r.source for r in readings if r.source), (), problems))
    return StageResults(stage_id, tuple(r for r in results if r.measurements or r.problems or r.remarks))


def _with_zone(readings: Sequence[Reading]) -> tuple[tuple[Reading, ...], tuple[Problem, ...]]:
    """Readings whose time has its offset from UTC; without it the time is set aside, and a problem says so."""
    faulty = [r for r in readings if r.at is not None and r.at.tzinfo is None]
    words = "its time has no offset from UTC, so it is not used; tell the time with its zone."
    problems = tuple(Problem("time-without-zone", f"{r.named()[:1].upper()}{r.named()[1:]}: {words}") for r in faulty)
    return tuple(replace(r, at=None) if r in faulty else r for r in readings), problems


def _result(case: Case, row: Computation, worked: Worked) -> ComputedResult:
    """Judge what a computation gave."""
    measurements = tuple(judged(case.plan, e, worked.own_tolerances) for e in worked.estimates)
    remarks = worked.remarks
    if row.name == FLUSHNESS:
        profile = flushness.last_pass_profile(case.plan, case.sensor, case.readings)
        remarks = (*remarks, *flushness.advice(case.plan, measurements, profile))
    used = worked.used or of_kind(case.readings, *row.kinds)
    inputs = tuple(dict.fromkeys(r.source for r in (*used, *of_kind(case.readings, *row.kinds)) if r.source))
    return ComputedResult(row.name, inputs, measurements, worked.problems, remarks, worked.not_before)


def judged(plan: Plan, estimate: Estimate, own: Sequence[Tolerance] = ()) -> Measurement:
    """An estimate with the verdict by the plan's tolerance; where the plan has none, by the computation's own."""
    for tolerance in (*plan.tolerances, *own):
        if tolerance.quantity is estimate.quantity:
            return Measurement(estimate, judge(estimate, tolerance, plan.rule))
    return Measurement(estimate)


def _with_grout(work: Callable[..., Worked]) -> Callable[[Case], Worked]:
    """A computation that needs the grout's sheet; without it, the problem is that it is missing."""

    def run(case: Case) -> Worked:
        choice = grout_of(case.plan)
        if choice.material is None:
            return Worked(problems=choice.problems)
        return work(case, choice.material)

    return run


def _kit(case: Case, on: date | None) -> Worked:
    """The kit for one sensor, or for all of the plan where the stage is the whole project's."""
    sensors = [case.sensor] if case.sensor_name else list(case.plan.sensors().values())
    return kit.kit(case.plan, sensors, on or _closure_day(case))


def _closure_day(case: Case) -> date | None:
    """Day on which the closure begins: as read, else the only day of the plan's closures."""
    read = [r.at for r in of_kind(case.both, ReadingKind.CLOSURE_START) if r.at is not None]
    days = {at.date() for at in read} or {c.start.date() for c in case.plan.closures}
    return max(days, default=None)


FLUSHNESS = "flushness"
K = ReadingKind

_KIT = Computation("kit", (K.CLOSURE_START,), lambda case: _kit(case, None))

_TABLE = (
    Computation("closure", (K.CLOSURE_START, K.CLOSURE_END), lambda c: reopening.closure(c.readings)),
    Computation("squareness", (K.TAPE_TRIANGLE,), lambda c: squareness.squareness(c.plan, c.sensor, c.readings)),
    Computation("position", (K.SENSOR_SPACING, K.MARKING_OFFSET), lambda c: squareness.position(c.plan, c.readings)),
    Computation("exit-hole", tuple(exithole.QUANTITIES), lambda c: exithole.exit_hole(c.plan, c.readings)),
    Computation("slot-depth", (K.SLOT_DEPTH,), lambda c: depth.slot_depth(c.plan, c.sensor, c.readings)),
    Computation("slot-width-gauge", (K.SLOT_WIDTH,), lambda c: depth.slot_width(c.plan, c.sensor, c.readings)),
    Computation("overcut", (K.SLOT_START, K.SLOT_END), lambda c: depth.overcut(c.plan, c.readings)),
    Computation(
        "saw", (K.BLADE_WIDTH, K.BLADE_DEPTH, K.LEADIN_DEPTH), lambda c: depth.saw(c.plan, c.sensor, c.readings)
    ),
    Computation(
        "dew-point",
        (K.PAVEMENT_TEMPERATURE, K.AIR_TEMPERATURE, K.RELATIVE_HUMIDITY),
        lambda c: dewpoint.channel_climate(c.plan, c.readings),
    ),
    Computation("seat-height", (K.SEAT_HEIGHT,), lambda c: seating.seat_height(c.plan, c.sensor, c.readings)),
    Computation("electrical", tuple(electrical.QUANTITIES), lambda c: electrical.checks(c.plan, c.readings)),
    Computation(
        "electrical-change",
        tuple(electrical.QUANTITIES),
        lambda c: electrical.changes(c.plan, c.earlier, c.readings),
    ),
    Computation("mix-ratio", (K.PART_AMOUNT,), _with_grout(lambda c, m: mix.mix_ratio(c.plan, m, c.readings))),
    Computation("mixing-time", (K.MIXING_TIME,), _with_grout(lambda c, m: mix.mixing_time(c.plan, m, c.readings))),
    Computation(
        "pot-life",
        (K.MIX_START, K.POUR_START, K.POUR_END),
        _with_grout(lambda c, m: mix.pot_life(c.plan, m, c.readings, c.earlier)),
    ),
    Computation(
        "cure",
        (K.GRIND_START,),
        _with_grout(lambda c, m: cure.cure(c.plan, c.sensor_name, m, c.both)),
        CURE_AND_GRIND,
        (K.POUR_END,),
    ),
    Computation(FLUSHNESS, (K.SURFACE_HEIGHT,), lambda c: flushness.flushness(c.plan, c.sensor, c.readings)),
    Computation("straightedge", (K.PROFILE_HEIGHT,), lambda c: flushness.evenness_of_travel(c.plan, c.readings)),
    Computation(
        "reopening", (K.LANE_OPEN,), lambda c: reopening.reopening(c.plan, c.sensor_name, c.readings, c.earlier)
    ),
)
"""Every computation over readings, in the order of the stages."""
