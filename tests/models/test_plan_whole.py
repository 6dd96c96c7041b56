"""A whole project's plan: people, closures, instruments, materials, stages, and all that must fit together."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest

from models.instruments import InstrumentKind
from models.materials import MixBasis, MixPart, TimeAtTemperature
from models.measurement import Limits, PhotoKind, Quantity
from models.people import Role
from models.plan import Plan
from models.plan_file import Faulty, read_plan
from models.plan_stages import DEFAULT_STAGES, STAGE_TITLES
from models.plan_template import new_plan_text
from models.readings import ReadingKind
from models.units import Dimension, UnitSystem

ROOT = Path(__file__).parents[2]
DEMO = (ROOT / "demo_photos" / "plan.yaml").read_text(encoding="utf-8")
HEAD = "project: Marl Cross\nversion: 1\n"
TAPE = "{id: t, kind: tape, resolution: 1 mm, u: 0.2 mm, calibrated: 2026-03-02}"
PEOPLE = "contacts: [{id: c, roles: [crew]}, {id: i, roles: [inspector]}]\n"


def taken(text: str) -> Plan:
    plan = read_plan(text)
    assert isinstance(plan, Plan), [str(f) for f in plan.faults]
    return plan


def faults(text: str) -> list[str]:
    plan = read_plan(text)
    assert isinstance(plan, Faulty)
    return [str(fault) for fault in plan.faults]


def test_a_plan_without_stages_has_the_usual_ones_in_order_with_nothing_required() -> None:
    plan = taken(HEAD)
    assert plan.stages == DEFAULT_STAGES
    assert [s.id for s in plan.stages] == list(STAGE_TITLES)
    assert [s.after for s in plan.stages] == [(), *((s.id,) for s in plan.stages[:-1])]
    assert not any(s.photos or s.readings or s.checks or s.hold_point for s in plan.stages)
    assert (plan.units, plan.time_zone) == (UnitSystem.SI, "UTC")


def test_the_demo_plan_covers_every_usual_stage_for_both_sensors() -> None:
    plan = taken(DEMO)
    assert [s.id for s in plan.stages] == list(STAGE_TITLES)
    assert all(s.photos or s.readings or s.checks for s in plan.stages)
    assert [s.id for s in plan.stages if s.hold_point] == ["layout", "seating", "cure-and-grind"]
    assert {r for c in plan.contacts for r in c.roles} == set(Role)
    assert {i.kind for i in plan.instruments} == set(InstrumentKind) - {InstrumentKind.MEASURING_CUP}
    photos = {p.id: (p.kind, p.count) for s in plan.stages for p in s.photos}
    assert photos["slot-near"] == (PhotoKind.SLOT, 2)
    assert photos["labels-photo"] == (None, 1)
    assert plan.sensors()["marl-cross/2/B"].spacing_mm == 4000.0


def test_everything_of_the_demo_plan_is_marked_invented_or_common_practice() -> None:
    plan = taken(DEMO)
    assert all("(invented)" in c.name for c in plan.contacts)
    assert all("invented" in m.product for m in plan.materials)
    assert all("invented" in t.clause for t in plan.tolerances)


def test_figures_of_the_demo_plan_are_in_base_units() -> None:
    plan = taken(DEMO)
    tape, grout = plan.instrument("tape-1"), plan.material("grout-1")
    assert (tape.resolution, tape.per_metre, tape.calibrated) == (25.4 / 32, 0.05, date(2026, 3, 2))
    assert plan.instrument("insulation-1").relative == 0.03
    assert (plan.instrument("meter-mv").dimension, plan.instrument("thermo-1").resolution) == (Dimension.VOLTAGE, 0.1)
    assert (grout.mass_g, grout.density_g_per_l, grout.waste_share, grout.cure_floor_min) == (
        40000.0,
        1750.0,
        0.25,
        60.0,
    )
    assert grout.parts == (MixPart("base", 100.0), MixPart("hardener", 8.0))
    assert (grout.mix_basis, grout.mixing_time_min) == (MixBasis.MASS, Limits(2.0, 4.0))
    assert grout.cure[0] == TimeAtTemperature(5.0, 240.0)
    limits = {t.quantity: t.limits for t in plan.tolerances}
    assert limits[Quantity.CONDUIT_COVER] == Limits(101.6, None)
    assert limits[Quantity.INSULATION_RESISTANCE] == Limits(5e8, None)
    assert limits[Quantity.DEW_POINT_MARGIN] == Limits(3.0, None)


def test_things_are_found_by_id_or_the_known_ones_are_told() -> None:
    plan = taken(DEMO)
    assert plan.stage("layout").hold_point
    assert plan.contact("crew-1").roles == (Role.CREW,)
    for find in (plan.stage, plan.instrument, plan.material, plan.contact):
        with pytest.raises(LookupError, match="the plan has: "):
            find("nothing")


def test_a_width_of_tolerance_about_a_temperature_is_a_difference() -> None:
    """68 degF is 20 degC; 9 degF either way is 5 K (NIST SP 811, B.8), not -12.8 degC."""
    plan = taken(HEAD + "tolerances: {air_temperature: {nominal: 68 degF, plus: 9 degF, minus: 9 degF}}\n")
    assert plan.tolerances[0].limits == Limits(15.0, 25.0)


def test_closures_stand_at_their_offset_from_utc() -> None:
    """Mountain time: UTC-7 in winter, UTC-6 in summer, from the IANA database; a written offset stays."""
    zone = "time_zone: America/Denver\n"
    plan = taken(HEAD + zone + "closures: [{start: 2026-06-09 21:00, end: 2026-06-10T05:00:00+00:00}]\n")
    assert plan.closures[0].start == datetime(2026, 6, 9, 21, tzinfo=timezone(timedelta(hours=-6)))
    assert plan.closures[0].start.utcoffset() == timedelta(hours=-6)
    assert plan.closures[0].end == datetime(2026, 6, 10, 5, tzinfo=UTC)


def test_a_stage_follows_the_one_before_it_unless_it_says_otherwise() -> None:
    plan = taken(HEAD + "stages: [{id: a}, {id: b}, {id: c, after: [a]}, {id: d, after: []}]\n")
    assert [s.after for s in plan.stages] == [(), ("a",), ("a",), ()]


def test_a_reading_is_called_by_its_kind_unless_it_says_otherwise() -> None:
    plan = taken(HEAD + "stages: [{id: a, readings: [{kind: slot-depth}, {kind: slot-depth, id: again}]}]\n")
    assert [(r.id, r.kind) for r in plan.stages[0].readings] == [
        ("slot-depth", ReadingKind.SLOT_DEPTH), ("again", ReadingKind.SLOT_DEPTH),
    ]  # fmt: skip


SENSOR = "sites: [{id: s, lanes: [{id: 1, sensors: [{id: A, %s}]}]}]\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("units: metric\n", "units: 'metric' is not known; write one of: si, us, both"),
        ("time_zone: America/Denvr\n", "did you mean `America/Denver`?"),
        ("time_zone: ../../etc/passwd\n", "is no time zone"),
        ("contacts: [{id: a}]\n", "`roles` is missing"),
        ("contacts: [{id: a, roles: []}]\n", "at least 1 must be listed"),
        ("contacts: [{id: a, roles: [boss]}]\n", "contacts[1].roles[1]: 'boss' is not known"),
        ("contacts: [{id: a, roles: [crew, crew]}]\n", "'crew' stands more than once"),
        ("contacts: [{id: a, roles: [crew]}, {id: a, roles: [crew]}]\n", "'a' stands more than once"),
        ("closures: [{start: 2026-06-09 21:00, end: 2026-06-10 05:00}]\n", "needs the plan's `time_zone`"),
        ("closures: [{start: tonight, end: 2026-06-10 05:00}]\n", "'tonight' is not a time"),
        ("closures: [{start: 2026-06-09, end: 2026-06-10 05:00}]\n", "'2026-06-09' is not a time"),
        ("time_zone: UTC\nclosures: [{start: 2026-06-09 21:00, end: 2026-06-09 05:00}]\n", "must come after `start`"),
        ("time_zone: UTC\nclosures: [{start: 2026-06-09 21:00, end: 2027-06-09 05:00}]\n", "364 days after"),
        ("time_zone: UTC\nclosures: [{start: 2026-06-09 21:00, end: 2026-06-10 05:00, lane: s/1}]\n", "no lane is"),
        # Clocks go forward at 02:00 on 2026-03-08 and back at 02:00 on 2026-11-01 (IANA database)
        ("time_zone: America/Denver\nclosures: [{start: 2026-03-08 02:30, end: 2026-03-08 05:00}]\n", "clocks of"),
        ("time_zone: America/Denver\nclosures: [{start: 2026-10-31 21:00, end: 2026-11-01 01:30}]\n", "clocks of"),
        (SENSOR % "depth: 55 mm, slot_depth: 55 mm", "must be above the sensor's depth of 55 mm"),
        ("instruments: [{id: t, kind: tape, resolution: 1 mm, u: 0.2 mm}]\n", "`calibrated` is missing"),
        ("instruments: [{id: t, kind: tap, resolution: 1 mm, u: 0.2 mm}]\n", "did you mean `tape`?"),
        ("instruments: [{id: t, kind: tape, resolution: 0 mm, u: 0.2 mm, calibrated: 2026-03-02}]\n", "above zero"),
        ("instruments: [{id: t, kind: tape, resolution: 1 K, u: 0.2 mm, calibrated: 2026-03-02}]\n", "no unit of"),
        ("instruments: [{id: t, kind: tape, resolution: 1 mm, u: -1 mm, calibrated: 2026-03-02}]\n", "be below zero"),
        ("instruments: [{id: t, kind: tape, u: 1 mm, calibrated: 2026-03-02}]\n", "`resolution` is missing"),
        (f"instruments: [{TAPE[:-1]}, valid_until: 2026-03-01}}]\n", "before the day of calibration"),
        (f"instruments: [{TAPE[:-1]}, dimension: mass}}]\n", "a tape reads length"),
        ("instruments: [{id: b, kind: balance, resolution: 1 g, u: 1 g, per_metre: 1 mm/m, calibrated: 2026-03-02}]\n",
         "does not read lengths"),
        ("instruments: [{id: m, kind: multimeter, resolution: 1 ohm, u: 0 ohm, calibrated: 2026-03-02}]\n",
         "add a line `dimension: resistance`"),
        ("materials: [{id: g, kind: grout, parts: [{name: a, share: 1}], mix_basis: mass}]\n", "at least 2"),
        ("materials: [{id: g, kind: grout, parts: [{name: a, share: 1}, {name: b, share: 0}]}]\n", "above zero"),
        ("materials: [{id: g, kind: grout, parts: [{name: a, share: 1}, {name: b, share: 2}]}]\n", "`mix_basis`"),
        ("materials: [{id: g, kind: grout, cure: [{at: 9 degC, time: 1 h}, {at: 9 degC, time: 1 h}]}]\n", "must rise"),
        ("materials: [{id: g, kind: grout, cure: [{at: 9 degC, time: 1 h}, {at: 19 degC, time: 2 h}]}]\n", "longer"),
        ("materials: [{id: g, kind: grout, cure: []}]\n", "at least 1 must be listed"),
        ("materials: [{id: g, kind: grout, waste: 25}]\n", "too large to be meant"),
        ("materials: [{id: g, kind: grout, mass: 2 L}]\n", "'L' is no unit of mass"),
        ("materials: [{id: g, kind: grout, activation_energy: 40 kJ/mol}]\n", "go together"),
        ("materials: [{id: g, kind: grout, mixing_time: {lower: -1 min}}]\n", "must not reach below 0"),
        ("stages: []\n", "at least 1 must be listed"),
        ("stages: [{id: a}, {id: a}]\n", "more than once"),
        ("stages: [{id: a, after: [b]}, {id: b}]\n", "'b' is no stage above this one"),
        ("stages: [{id: a, hold_point: maybe}]\n", "neither `yes` nor `no`"),
        ("stages: [{id: a, materials: [g]}]\n", "no material is called 'g'; none is listed"),
        ("stages: [{id: a, readings: [{kind: slot-dept}]}]\n", "did you mean `slot-depth`?"),
        ("stages: [{id: a, readings: [{kind: slot-depth}, {kind: slot-depth}]}]\n", "stands more than once"),
        ("stages: [{id: a, readings: [{kind: slot-depth}], checks: [{id: slot-depth, text: x}]}]\n", "another"),
        ("stages: [{id: a, readings: [{kind: blade-depth, spacing: 1 m}]}]\n", "has no station"),
        ("stages: [{id: a, readings: [{kind: slot-depth, count: 0}]}]\n", "from 1 to 10000"),
        ("stages: [{id: a, readings: [{kind: slot-depth, instruments: [x]}]}]\n", "no instrument is called 'x'"),
        ("stages: [{id: a, readings: [{kind: slot-depth, instrument_kinds: [tape]}]}]\n", "the plan lists no tape"),
        (f"instruments: [{TAPE}]\nstages: [{{id: a, readings: [{{kind: drill-angle, instruments: [t]}}]}}]\n",
         "'t' reads length, and drill-angle needs angle"),
        (f"instruments: [{TAPE}]\nstages: [{{id: a, readings: [{{kind: drill-angle, instrument_kinds: [tape]}}]}}]\n",
         "a tape cannot read drill-angle"),
        ("stages: [{id: a, checks: [{id: c}]}]\n", "`text` is missing"),
        ("stages: [{id: a, photos: [{id: p, kind: video}]}]\n", "'video' is not known"),
        ("stages: [{id: a, hold_point: yes}]\n", "no contact is an inspector"),
        ("contacts: [{id: i, roles: [inspector]}]\nstages: [{id: a, hold_point: yes}]\n", "has the role crew"),
        ("contacts: [{id: i, roles: [inspector, crew]}]\nstages: [{id: a, hold_point: yes}]\n", "of their own"),
        ("tools: [[a]]\n", "tools[1]: a single value is expected"),
        (f"tools: [{'x' * 2001}]\n", "more than the 2000"),
    ],
)  # fmt: skip
def test_each_slip_is_named_with_its_line(text: str, told: str) -> None:
    found = faults(HEAD + text)
    assert any(told in line for line in found), found
    assert all(line.startswith("line ") for line in found)


def test_a_half_read_instrument_is_not_also_called_unknown() -> None:
    """One slip, one fault: the reading that names the instrument is right."""
    instruments = "instruments: [{id: t, kind: tape, u: 0.2 mm, calibrated: 2026-03-02}]\n"
    told = faults(HEAD + instruments + "stages: [{id: a, readings: [{kind: slot-depth, instruments: [t]}]}]\n")
    assert len(told) == 1
    assert "`resolution` is missing" in told[0]


def test_every_slip_of_a_whole_plan_is_told_at_once_with_its_line() -> None:
    slips = {
        "time_zone: UTC": "time_zone: Mars/Base",
        "roles: [inspector]": "roles: [inspecter]",
        "kind: tape-triangle": "kind: tape-tringle",
        "instruments: [angle-1]": "instruments: [angel-1]",
        "materials: [grout-1]": "materials: [grout-9]",
        "end: 2026-10-07 10:00": "end: 2026-10-06 09:00",
        "waste: 25 %": "waste: 25 kg",
    }
    text = DEMO
    for right, wrong in slips.items():
        assert right in text
        text = text.replace(right, wrong, 1)
    told = faults(text)
    lines = [number + 1 for number, line in enumerate(text.splitlines()) if any(w in line for w in slips.values())]
    assert {int(line.split(":")[0].removeprefix("line ")) for line in told} >= set(lines)
    # besides the seven: no inspector is left, and nobody can tell in which zone the closures stand
    assert len(told) == 8, told


def test_repetition_by_alias_has_an_end() -> None:
    bomb = "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]\n" for n in range(1, 9))
    assert any("aliases" in line for line in faults("a0: &a0 [1]\n" + bomb))
    assert any("aliases" in line for line in faults("a: &a [*a]\n"))


def test_the_new_plan_is_without_fault_and_says_what_it_must() -> None:
    text = new_plan_text()
    plan = taken(text)
    assert [s.id for s in plan.stages] == list(STAGE_TITLES)
    assert any(s.hold_point for s in plan.stages)
    for words in ("common practice", "invented", "yields to the contract", "instructions of the products"):
        assert words in text
    for caution in ("Traffic kills", "Saws", "silica dust", "safety data sheets"):
        assert caution in text
    assert all(t.clause for t in plan.tolerances)
