"""Plans as JSON: exact both ways, also through canonical JSON, and strict about what it takes."""

from __future__ import annotations

import json
from copy import deepcopy
from datetime import date, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from models.bar import BarCalibration, BarKind
from models.materials import Material, MaterialKind, TimeAtTemperature
from models.measurement import Limits
from models.people import Contact, Role
from models.plan import Closure, Plan
from models.plan_file import read_plan
from models.plan_json import as_json, from_json
from models.plan_template import new_plan_text

ROOT = Path(__file__).parents[2]
BAR = "bars: [{kind: long, number: 3, length: 900.05 mm, length_u: 20 um, date: 2026-03-01}]\n"


def demo() -> Plan:
    plan = read_plan((ROOT / "demo_photos" / "plan.yaml").read_text(encoding="utf-8") + BAR)
    assert isinstance(plan, Plan)
    return plan


@pytest.mark.parametrize("plan", [demo(), read_plan(new_plan_text()), Plan("p", "1")], ids=["demo", "new", "bare"])
def test_a_plan_comes_back_equal_from_json_and_from_canonical_json(plan: Plan) -> None:
    content = plan.to_json()
    assert Plan.from_json(content) == plan
    assert Plan.from_json(json.loads(json.dumps(content))) == plan
    assert Plan.from_json(json.loads(rfc8785.dumps(content))) == plan
    assert Plan.from_json(json.loads(rfc8785.dumps(content))).to_json() == content


FLOATS = st.floats(allow_nan=False, allow_infinity=False)
ZONES = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
MOMENTS = st.datetimes(timezones=ZONES)
MATERIALS = st.builds(
    Material,
    kind=st.sampled_from(MaterialKind),
    expires=st.none() | st.dates(),
    mass_g=st.none() | FLOATS,
    mixing_time_min=st.none() | st.builds(Limits, st.none() | FLOATS, st.none() | FLOATS),
    cure=st.lists(st.builds(TimeAtTemperature, FLOATS, FLOATS)).map(tuple),
)
PLANS = st.builds(
    Plan,
    contacts=st.lists(
        st.builds(Contact, st.text(), st.text(), st.lists(st.sampled_from(Role)).map(tuple)), max_size=3
    ).map(tuple),
    closures=st.lists(st.builds(Closure, MOMENTS, MOMENTS), max_size=3).map(tuple),
    materials=st.lists(MATERIALS, max_size=3).map(tuple),
)


@given(PLANS)
def test_any_plan_comes_back_equal(plan: Plan) -> None:
    assert Plan.from_json(json.loads(json.dumps(plan.to_json()))) == plan


def test_a_whole_number_stands_for_a_measure() -> None:
    """Canonical JSON writes 76.0 as 76 (RFC 8785, 3.2.2.3)."""
    bar = BarCalibration(BarKind.LONG, 1, 900.0, 0.1, 3.0, 0.1, date(2026, 3, 1))
    back = from_json(BarCalibration, {**as_json(bar), "length_mm": 900})
    assert back == bar
    assert isinstance(back.length_mm, float)


def test_a_plan_of_an_older_program_lacks_what_has_a_default() -> None:
    content = Plan("p", "1").to_json()
    del content["stages"], content["units"]
    assert Plan.from_json(content) == Plan("p", "1")


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        (("project",), 3, "Plan.project: a text is expected, not 3"),
        (("sites", 0, "lanes", 0, "sensors", 0, "width_mm"), "60 mm", "sensors[0].width_mm: a number is expected"),
        (("sites", 0, "lanes", 0, "sensors", 0, "width_mm"), True, "a number is expected, not True"),
        (("sites", 0, "lanes", 0, "sensors", 0, "width_mm"), float("nan"), "a number is expected"),
        (("sites",), {}, "a list is expected"),
        (("sites", 0), [], "an object is expected"),
        (("sites", 0, "colour"), "red", "colour: this name is not known"),
        (("contacts", 0, "roles", 0), "boss", "one of crew, inspector, auditor, manager is expected"),
        (("bars", 0, "date"), "March", "a day like 2026-03-01 is expected"),
        (("bars", 0, "number"), 1.5, "a whole number is expected"),
        (("closures", 0, "start"), "2026-06-09T21:00:00", "a time with its offset from UTC"),
        (("stages", 0, "hold_point"), "yes", "true or false is expected"),
        (("rule", "guard_factor"), 11.0, "guard band must be 0 to 10"),
    ],
)
def test_content_of_another_form_is_refused_with_its_place(path: tuple[Any, ...], value: Any, told: str) -> None:
    content = deepcopy(demo().to_json())
    place: Any = content
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(ValueError, match=r".") as refused:
        Plan.from_json(content)
    assert told in str(refused.value)


def test_a_missing_name_is_told() -> None:
    with pytest.raises(ValueError, match="Plan: `version` is missing"):
        Plan.from_json({"project": "p"})


def test_a_value_without_a_form_in_json_is_misuse() -> None:
    with pytest.raises(TypeError, match="no form in JSON"):
        as_json({1, 2})
