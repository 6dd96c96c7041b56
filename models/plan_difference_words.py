"""Values of a plan's JSON content as people read them, for lists of what changed."""

from __future__ import annotations

from typing import Any

from models.measurement import Limits, Quantity
from models.plan import Plan
from models.tolerance import Rule
from models.units import Dimension, UnitSystem, dimension_of, show
from models.wording import limits_shown

_SUFFIXES = {
    "_g_per_l": Dimension.DENSITY,
    "_j_per_mol": Dimension.MOLAR_ENERGY,
    "_degc": Dimension.TEMPERATURE,
    "_mm": Dimension.LENGTH,
    "_min": Dimension.TIME,
    "_g": Dimension.MASS,
    "_l": Dimension.VOLUME,
}
_DIMENSIONS = {
    "waste_share": Dimension.RATIO,
    "ratio_tolerance": Dimension.RATIO,
    "relative": Dimension.RATIO,
    "per_metre": Dimension.SLOPE,
}
_FILE_NAMES = {
    "rule": "decision_rule",
    "camera_files": "cameras",
    "waste_share": "waste",
    "standard_uncertainty": "u",
    "calibration_valid_until": "valid_until",
    "length_u_mm": "length_u",
    "thickness_u_mm": "thickness_u",
}
"""Where the plan's file has another name than the field, apart from the unit at its end."""

_TIME, _TEMPERATURE = Dimension.TIME, Dimension.TEMPERATURE

Path = tuple[str, ...]


def field_name(name: str) -> str:
    """A field's name as in the plan's file."""
    if name in _FILE_NAMES:
        return _FILE_NAMES[name]
    return next((name.removesuffix(suffix) for suffix in _SUFFIXES if name.endswith(suffix)), name)


def value_as_text(path: Path, value: Any, plan: Plan) -> str | None:
    """One value as people read it; None where there is none."""
    if value is None or value in ("", []):
        return None
    if path[-1] == "rule":
        return _rule_as_text(value)
    if path[-1] in ("pot_life", "cure"):
        return _table_as_text(value, plan.units)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(_thing_as_text(v) for v in value)
    if isinstance(value, int | float):
        dimension = _dimension(path, plan)
        return f"{value:g}" if dimension is None else show(value, dimension, plan.units)
    return str(value)


def item_as_text(path: Path, item: dict[str, Any], plan: Plan) -> str:
    """One thing of a list, in a few words."""
    if path[-1] == "tolerances":
        dimension = dimension_of(Quantity(item["quantity"]).unit)
        return limits_shown(Limits(**item["limits"]), dimension, plan.units)
    return _thing_as_text(item)


def _thing_as_text(thing: Any) -> str:
    if not isinstance(thing, dict):
        return str(thing)
    if "start" in thing:
        return f"{thing['start']} to {thing['end']}"
    words = (thing.get(name) for name in ("text", "title", "product", "name", "kind", "id"))
    return next((str(word) for word in words if word), "")


def _rule_as_text(rule: dict[str, Any]) -> str:
    if rule["rule"] == Rule.GUARDED:
        return f"guarded, w = {rule['guard_factor']:g} U"
    if rule["rule"] == Rule.RISK_LIMITED:
        return f"risk-limited, at most {100 * rule['consumer_risk']:g} %"
    return str(rule["rule"])


def _table_as_text(rows: list[dict[str, float]], units: UnitSystem) -> str:
    return ", ".join(
        f"{show(row['time_min'], _TIME, units)} at {show(row['temperature_degc'], _TEMPERATURE, units)}" for row in rows
    )


def _dimension(path: Path, plan: Plan) -> Dimension | None:
    """The dimension of a number at this path."""
    if path[0] == "tolerances":
        return dimension_of(Quantity(path[1]).unit)
    if path[0] == "instruments" and path[-1] in ("resolution", "standard_uncertainty"):
        dimension = plan.instrument(path[1]).dimension
        return Dimension.TEMPERATURE_DIFFERENCE if dimension is Dimension.TEMPERATURE else dimension
    if path[-1] in ("lower", "upper"):
        return _dimension(path[:-1], plan)
    by_suffix = (dimension for suffix, dimension in _SUFFIXES.items() if path[-1].endswith(suffix))
    return _DIMENSIONS.get(path[-1]) or next(by_suffix, None)
