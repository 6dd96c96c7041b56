"""From the text of a plan file to a plan, or to the list of everything wrong in it."""

from __future__ import annotations

from dataclasses import dataclass

import yaml

from models.bar import LONG_BAR, SHORT_BAR, BarCalibration, BarKind, nominal_calibration
from models.measurement import Limits, Quantity
from models.plan import Lane, Plan, Sensor, Site
from models.tolerance import DecisionRule, Rule, Tolerance
from models.units import Dimension
from models.yaml_reader import Fault, Faults, Mapping, chosen, read_document, repeated

LARGEST_LENGTH_DOUBT = 0.05
"""A bar whose stated length differs from the drawing by more than this part is a slip of the pen or another bar."""


@dataclass(frozen=True)
class Faulty:
    """A file that could not be taken, and everything wrong in it, from the top down."""

    faults: tuple[Fault, ...]


def read_plan(text: str) -> Plan | Faulty:
    """Read a plan; see the README for its form."""
    faults = Faults()
    document = read_document(text, faults)
    plan = None if document is None else _plan(document)
    return plan if plan is not None and not faults.found else Faulty(faults.sorted())


def read_bars(text: str) -> tuple[BarCalibration, ...] | Faulty:
    """Read a file of bar calibrations: a list under ``bars``, as in a plan."""
    faults = Faults()
    document = read_document(text, faults)
    if document is None:
        return Faulty(faults.sorted())
    bars = _bars(document, required=True)
    document.close()
    if not bars and not faults.found:
        document.note(None, "no bar is listed; add one under `bars`")
    return Faulty(faults.sorted()) if faults.found else bars


def _plan(document: Mapping) -> Plan:
    plan = Plan(
        project=document.text("project", required=True) or "",
        version=document.text("version", required=True) or "",
        sites=_sites(document),
        tolerances=_tolerances(document),
        rule=_rule(document),
        bars=_bars(document),
        camera_files=_camera_files(document),
    )
    document.close()
    return plan


def _sites(document: Mapping) -> tuple[Site, ...]:
    groups = document.groups("sites")
    sites = tuple(_site(group) for group in groups)
    _note_repeated_ids(groups, [site.id for site in sites])
    return sites


def _site(group: Mapping) -> Site:
    site_id = _identifier(group)
    name = group.text("name") or site_id
    groups = group.groups("lanes")
    lanes = tuple(_lane(lane) for lane in groups)
    _note_repeated_ids(groups, [lane.id for lane in lanes])
    group.close()
    return Site(site_id, name, lanes)


def _lane(group: Mapping) -> Lane:
    lane_id = _identifier(group)
    groups = group.groups("sensors")
    sensors = tuple(_sensor(sensor) for sensor in groups)
    _note_repeated_ids(groups, [sensor.id for sensor in sensors])
    group.close()
    return Lane(lane_id, sensors)


def _sensor(group: Mapping) -> Sensor:
    sensor = Sensor(
        _identifier(group), group.length_mm("width"), group.length_mm("length"), group.length_mm("slot_width")
    )
    if sensor.width_mm and sensor.slot_width_mm and sensor.width_mm >= sensor.slot_width_mm:
        group.note("slot_width", f"must be above the sensor's width of {sensor.width_mm:g} mm")
    group.close()
    return sensor


def _identifier(group: Mapping) -> str:
    return group.converted("id", _as_identifier, required=True) or ""


def _as_identifier(text: str) -> str:
    if not text or len(text) > 40 or any(not (c.isalnum() or c in "-_.") for c in text):
        raise ValueError(f"{text!r} must be 1 to 40 letters, digits, '-', '_' or '.'")
    return text


def _note_repeated_ids(groups: tuple[Mapping, ...], ids: list[str]) -> None:
    twice = repeated(i for i in ids if i)
    for group, group_id in zip(groups, ids, strict=True):
        if group_id in twice:
            group.note("id", f"{group_id!r} stands more than once in this list; give each its own")


def _tolerances(document: Mapping) -> tuple[Tolerance, ...]:
    group = document.group("tolerances")
    if group is None:
        return ()
    found = [_tolerance(group, name) for name in group.names()]
    return tuple(t for t in found if t is not None)


def _tolerance(tolerances: Mapping, name: str) -> Tolerance | None:
    try:
        quantity = chosen(name, Quantity)
    except ValueError as unknown:
        tolerances.note(name, str(unknown))
        return None
    group = tolerances.group(name)
    if group is None:
        return None
    limits = _limits(group, Dimension.ANGLE if quantity.unit == "deg" else Dimension.LENGTH)
    clause = group.text("clause") or ""
    group.close()
    return None if limits is None else Tolerance(quantity, limits, clause)


def _limits(group: Mapping, dimension: Dimension) -> Limits | None:
    """Limits from ``lower`` and ``upper``, or from ``nominal`` with ``plus`` and ``minus``."""
    lower, upper = group.quantity("lower", dimension), group.quantity("upper", dimension)
    nominal = group.quantity("nominal", dimension)
    plus, minus = group.quantity("plus", dimension), group.quantity("minus", dimension)
    names = set(group.names())
    if names & {"plus", "minus"}:
        return _limits_about(group, nominal, plus, minus)
    if not names & {"lower", "upper"}:
        group.note(None, "no limit; write `lower`, `upper` or both, or `nominal` with `plus` and `minus`")
        return None
    if lower is not None and upper is not None and lower >= upper:
        group.note("lower", "must be below `upper`")
    return Limits(lower, upper)


def _limits_about(group: Mapping, nominal: float | None, plus: float | None, minus: float | None) -> Limits | None:
    """Limits about a nominal value."""
    if {"lower", "upper"} & set(group.names()):
        group.note(None, "write either `lower` and `upper` or `nominal` with `plus` and `minus`, not both")
    if "nominal" not in group.names():
        group.note(None, "`plus` and `minus` need a `nominal` value")
    for name, value in (("plus", plus), ("minus", minus)):
        if value is not None and value < 0:
            group.note(name, "is the width of the tolerance on that side: write it without a sign")
    if nominal is None:
        return None
    if plus == 0 and minus == 0:
        group.note(None, "`plus` and `minus` are both zero: nothing could ever conform")
    return Limits(None if minus is None else nominal - minus, None if plus is None else nominal + plus)


def _rule(document: Mapping) -> DecisionRule:
    """The decision rule: one word, or a group with its figures."""
    if document.is_text("decision_rule"):
        rule = document.choice("decision_rule", Rule)
        if rule is Rule.RISK_LIMITED:
            document.note("decision_rule", "state the largest risk: `rule: risk-limited` and `consumer_risk: 5 %`")
        return DecisionRule(rule or Rule.GUARDED)
    group = document.group("decision_rule")
    return DecisionRule() if group is None else _rule_with_figures(group)


def _rule_with_figures(group: Mapping) -> DecisionRule:
    rule = group.choice("rule", Rule, required=True) or Rule.GUARDED
    factor, risk = None, None
    if rule is Rule.GUARDED:
        factor = group.converted("guard_band", _as_guard_factor)
    if rule is Rule.RISK_LIMITED:
        risk = group.converted("consumer_risk", _as_risk, required=True)
    group.close()
    return DecisionRule(rule, 1.0 if factor is None else factor, 0.05 if risk is None else risk)


def _as_guard_factor(text: str) -> float:
    number = _as_number(text.removesuffix("U"), text, "1 U")
    if not text.endswith("U") or not 0.0 <= number <= 10.0:
        raise ValueError(f"{text!r} is no guard band; write it as a multiple of U from 0 to 10, like `1 U`")
    return number


def _as_risk(text: str) -> float:
    number = _as_number(text.removesuffix("%"), text, "5 %")
    if not text.endswith("%") or not 0.0 < number < 50.0:
        raise ValueError(f"{text!r} is no risk; write it in per cent, above 0 and below 50, like `5 %`")
    return number / 100.0


def _as_number(text: str, whole: str, example: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"{whole!r} is not understood; write it like `{example}`") from None


def _bars(document: Mapping, *, required: bool = False) -> tuple[BarCalibration, ...]:
    groups = document.groups("bars", required=required)
    bars = [(group, _bar(group)) for group in groups]
    twice = repeated((b.kind, b.number) for _, b in bars if b is not None)
    for group, bar in bars:
        if bar is not None and (bar.kind, bar.number) in twice:
            group.note(None, f"{bar.kind} bar {bar.number} is listed more than once; keep the latest calibration")
    return tuple(bar for _, bar in bars if bar is not None)


def _bar(group: Mapping) -> BarCalibration | None:
    """One bar: what is not stated is as drawn."""
    kind, number = group.choice("kind", BarKind, required=True), group.whole("number", required=True)
    length, length_u = group.length_mm("length", required=True), group.length_mm("length_u", required=True)
    thickness, thickness_u = group.length_mm("thickness"), group.length_mm("thickness_u")
    day = group.day("date")
    group.close()
    if kind is None or number is None or length is None or length_u is None:
        return None
    nominal = nominal_calibration(kind, number)
    _check_bar(group, nominal, length)
    return BarCalibration(
        kind, number, length, length_u, thickness or nominal.thickness_mm, thickness_u or nominal.thickness_u_mm, day
    )


def _check_bar(group: Mapping, nominal: BarCalibration, length_mm: float) -> None:
    count = (LONG_BAR if nominal.kind is BarKind.LONG else SHORT_BAR).series_count
    if nominal.number >= count:
        group.note("number", f"{nominal.kind} bars are numbered 0 to {count - 1}")
    if abs(length_mm / nominal.length_mm - 1.0) > LARGEST_LENGTH_DOUBT:
        group.note(
            "length",
            f"is {length_mm:g} mm; the length between the outermost tags' centres is {nominal.length_mm:g} mm as drawn",
        )


def _camera_files(document: Mapping) -> tuple[str, ...]:
    """File names of stored camera calibrations."""
    names = []
    for node, where in document.items("cameras"):
        if isinstance(node, yaml.ScalarNode) and node.value.strip():
            names.append(node.value.strip())
        else:
            document.faults.note(node, where, "the name of a file that `kerfline calibrate` wrote is expected")
    return tuple(names)
