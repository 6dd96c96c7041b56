"""The form of a plan file: every field by name, what it means, and which are required."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from models.form import LENGTH, Choice, Custom, Field, Form, Identifier, Schema, Text, Things, Words
from models.people import Contact, Role
from models.plan import Closure, Lane, Plan, Sensor, Site
from models.plan_bars import BARS, CAMERAS
from models.plan_limits import DECISION_RULE, TOLERANCES
from models.plan_means_form import INSTRUMENT, MATERIAL
from models.plan_stage_form import STAGES
from models.units import UnitSystem
from models.yaml_reader import Mapping

_ID = Field("id", "id", Identifier(), "Short name, unique in its list.", required=True)


def _check_sensor(group: Mapping, values: dict[str, Any]) -> None:
    _must_exceed(group, values, "slot_width", "width_mm")
    _must_exceed(group, values, "slot_depth", "depth_mm")


def _must_exceed(group: Mapping, values: dict[str, Any], slot: str, body: str) -> None:
    """The slot must be larger than the body of the sensor that goes into it."""
    if {f"{slot}_mm", body} <= values.keys() and values[body] >= values[f"{slot}_mm"]:
        group.note(slot, f"must be above the sensor's {body.removesuffix('_mm')} of {values[body]:g} mm")


SENSOR = Form(
    Sensor,
    (
        _ID,
        Field("width", "width_mm", LENGTH, "Width of the sensor's body."),
        Field("length", "length_mm", LENGTH, "Length of the sensor's body."),
        Field("depth", "depth_mm", LENGTH, "Height of the sensor's body, underside to top."),
        Field("slot_width", "slot_width_mm", LENGTH, "Width of the slot, as drawn."),
        Field("slot_depth", "slot_depth_mm", LENGTH, "Depth of the slot, as drawn."),
        Field("marking_offset", "marking_offset_mm", LENGTH, "From the lane marking's edge to the sensor's first end."),
        Field("spacing", "spacing_mm", LENGTH, "From the line of the sensor before it in the lane."),
    ),
    _check_sensor,
)


def _name_by_id(group: Mapping, values: dict[str, Any]) -> None:
    values.setdefault("name", values.get("id", ""))


LANE = Form(Lane, (_ID, Field("sensors", "sensors", Things(SENSOR), "The sensors of the lane.")))
SITE = Form(
    Site,
    (
        _ID,
        Field("name", "name", Text(), "Name for people."),
        Field("lanes", "lanes", Things(LANE), "The lanes of the site."),
    ),
    _name_by_id,
)

CONTACT = Form(
    Contact,
    (
        _ID,
        Field("name", "name", Text(), "Name for people."),
        Field("roles", "roles", Words(Choice(Role), at_least=1), "What the person does.", required=True),
        Field("phone", "phone", Text(), "Telephone number."),
        Field("email", "email", Text(), "Address for mail."),
    ),
    _name_by_id,
)


def _moment(group: Mapping, name: str, required: bool) -> datetime | None:
    return group.converted(name, _as_moment, required=required)


def _as_moment(text: str) -> datetime:
    """A moment; without an offset where none is written."""
    try:
        if len(text) < len("2026-03-01 21:00"):
            raise ValueError
        return datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a time; write it like `2026-03-01 21:00`") from None


def _moment_schema() -> Schema:
    return {"type": "string", "pattern": r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d", "examples": ["2026-03-01 21:00"]}


_MOMENT = Custom(_moment, _moment_schema)
CLOSURE = Form(
    Closure,
    (
        Field("start", "start", _MOMENT, "When it begins, in the plan's time zone.", required=True),
        Field("end", "end", _MOMENT, "When it ends, in the plan's time zone.", required=True),
        Field("lane", "lane", Text(), "SITE/LANE, where it closes one lane alone."),
    ),
)


def _time_zone(group: Mapping, name: str, required: bool) -> str | None:
    return group.converted(name, _as_time_zone, required=required)


def _as_time_zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (LookupError, ValueError, OSError):
        raise ValueError(f"{text!r} is no time zone; {_time_zone_hint(text)}") from None
    return text


def _time_zone_hint(text: str) -> str:
    import difflib
    from zoneinfo import available_timezones

    close = difflib.get_close_matches(text, sorted(available_timezones()), n=1)
    return f"did you mean `{close[0]}`?" if close else "write its IANA name, like `America/Denver`"


_TIME_ZONE = Custom(_time_zone, lambda: {"type": "string", "examples": ["America/Denver", "Europe/Vienna", "UTC"]})

PLAN = Form(
    Plan,
    (
        Field("project", "project", Text(), "Name of the project.", required=True),
        Field("version", "version", Text(), "Name of this version of the plan; every verdict names it.", required=True),
        Field("units", "units", Choice(UnitSystem), "Units in which values are shown; the plan may mix them."),
        Field("time_zone", "time_zone", _TIME_ZONE, "IANA name of the sites' time zone."),
        Field("contacts", "contacts", Things(CONTACT), "Who takes part, and in which roles."),
        Field("sites", "sites", Things(SITE), "Sites, their lanes and sensors."),
        Field("closures", "closures", Things(CLOSURE, key=None), "Spans of time in which lanes are closed."),
        Field("tolerances", "tolerances", TOLERANCES, "Limits by quantity, with the clause they come from."),
        Field("decision_rule", "rule", DECISION_RULE, "How a value near a limit is decided (JCGM 106)."),
        Field("bars", "bars", BARS, "Reference bars with a calibration."),
        Field("cameras", "camera_files", CAMERAS, "Files that `kerfline calibrate` wrote, relative to the plan."),
        Field("instruments", "instruments", Things(INSTRUMENT), "Instruments, their resolution and calibration."),
        Field("materials", "materials", Things(MATERIAL), "Products, their amounts, mixing and curing."),
        Field("tools", "tools", Words(Text()), "What else must be on site, one line a thing."),
        Field("stages", "stages", STAGES, "Stages in the order of the work, and what each must show."),
    ),
)
