"""Tolerances and the decision rule in a plan file."""

from __future__ import annotations

from models.form import Custom, Schema, measure_schema, object_schema
from models.measurement import Limits, Quantity
from models.tolerance import DecisionRule, Rule, Tolerance
from models.units import Dimension, dimension_of
from models.yaml_reader import Mapping, chosen

_LIMIT_NAMES = ("lower", "upper", "nominal", "plus", "minus")


def _tolerances(document: Mapping, name: str, required: bool) -> tuple[Tolerance, ...]:
    group = document.group(name)
    if group is None:
        return ()
    found = [_tolerance(group, quantity) for quantity in group.names()]
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
    limits = _limits(group, dimension_of(quantity.unit))
    clause = group.text("clause") or ""
    group.close()
    return None if limits is None else Tolerance(quantity, limits, clause)


def limits_kind(dimension: Dimension, at_least: float | None = None) -> Custom:
    """The kind of a field that holds limits, as a tolerance does, but without a clause."""

    def read(group: Mapping, name: str, required: bool) -> Limits | None:
        inner = group.group(name)
        if inner is None:
            return None
        limits = _limits(inner, dimension)
        inner.close()
        if limits is not None and at_least is not None and (limits.lower or 0.0) < at_least:
            inner.note(None, f"must not reach below {at_least:g}")
        return limits

    return Custom(read, lambda: _limits_schema(dimension))


def _limits(group: Mapping, dimension: Dimension) -> Limits | None:
    """Limits from ``lower`` and ``upper``, or from ``nominal`` with ``plus`` and ``minus``."""
    lower, upper = group.quantity("lower", dimension), group.quantity("upper", dimension)
    nominal = group.quantity("nominal", dimension)
    step = _difference(dimension)
    plus, minus = group.quantity("plus", step), group.quantity("minus", step)
    names = set(group.names())
    if names & {"plus", "minus"}:
        return _limits_about(group, nominal, plus, minus)
    if not names & {"lower", "upper"}:
        group.note(None, "no limit; write `lower`, `upper` or both, or `nominal` with `plus` and `minus`")
        return None
    if lower is not None and upper is not None and lower >= upper:
        group.note("lower", "must be below `upper`")
    return Limits(lower, upper)


def _difference(dimension: Dimension) -> Dimension:
    """What a width of a tolerance is: of a temperature, `plus: 9 degF` is 5 K, not -12.8 °C."""
    return Dimension.TEMPERATURE_DIFFERENCE if dimension is Dimension.TEMPERATURE else dimension


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


def _rule(document: Mapping, name: str, required: bool) -> DecisionRule:
    """The decision rule: one word, or a group with its figures."""
    if document.is_text(name):
        rule = document.choice(name, Rule)
        if rule is Rule.RISK_LIMITED:
            document.note(name, "state the largest risk: `rule: risk-limited` and `consumer_risk: 5 %`")
        return DecisionRule(rule or Rule.GUARDED)
    group = document.group(name)
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


def _limits_schema(dimension: Dimension, more: dict[str, Schema] | None = None) -> Schema:
    step = measure_schema(_difference(dimension))
    sides = {name: step if name in ("plus", "minus") else measure_schema(dimension) for name in _LIMIT_NAMES}
    return {**object_schema({**sides, **(more or {})}), "minProperties": 1}


def _tolerances_schema() -> Schema:
    clause: Schema = {"type": ["string", "number"], "description": "Clause of the contract that sets the limits."}
    return object_schema({q.value: _limits_schema(dimension_of(q.unit), {"clause": clause}) for q in Quantity})


def _rule_schema() -> Schema:
    words = [rule.value for rule in Rule if rule is not Rule.RISK_LIMITED]
    guarded = object_schema({"rule": {"const": "guarded"}, "guard_band": {"type": "string", "examples": ["1 U"]}})
    limited = object_schema(
        {"rule": {"const": "risk-limited"}, "consumer_risk": {"type": "string", "examples": ["5 %"]}},
        ("rule", "consumer_risk"),
    )
    simple = object_schema({"rule": {"const": "simple"}}, ("rule",))
    return {"anyOf": [{"enum": words}, {**guarded, "required": ["rule"]}, limited, simple]}


TOLERANCES = Custom(_tolerances, _tolerances_schema)
DECISION_RULE = Custom(_rule, _rule_schema)
