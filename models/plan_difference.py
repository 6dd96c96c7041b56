"""What became stricter or looser between two versions of a plan.

Both plans are taken as JSON content and walked side by side, so that nothing can change unseen; a table says for which
fields more, less or fewer is stricter. Everything else that differs is 'changed'.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from models.plan import Plan
from models.plan_difference_words import field_name, item_as_text, value_as_text
from models.tolerance import Rule


class Effect(StrEnum):
    """What a change does to the work that it is asked of."""

    STRICTER = "stricter"
    LOOSER = "looser"
    CHANGED = "changed"
    ADDED = "added"
    REMOVED = "removed"


@dataclass(frozen=True)
class Change:
    """One thing that differs."""

    what: str
    """Path in the plan, such as ``tolerances.slot_width.upper``."""
    old: str | None
    """As people read it, in the new plan's units; None where there was nothing."""
    new: str | None
    effect: Effect


Path = tuple[str, ...]

_BY_ID = ("contacts", "sites", "lanes", "sensors", "instruments", "materials", "stages", "photos", "readings", "checks")
KEYS: dict[str, Path] = {
    "tolerances": ("quantity",),
    "bars": ("kind", "number"),
    "parts": ("name",),
    "closures": ("start",),
    **dict.fromkeys(_BY_ID, ("id",)),
}
"""Lists whose items are told apart by these fields; any other list is compared as one value."""

_DEMANDS = frozenset({"tolerances", "stages", "photos", "readings", "checks"})
"""Lists in which one item more asks for more."""

_JUDGED = frozenset({"tolerances", "rule", "materials", "stages"})
"""Parts of a plan that ask something; a sensor's spacing or an instrument's kind is only a fact."""

_WHOLE = frozenset({"rule", "pot_life", "cure"})
"""Compared as one value each."""


_WORDS = frozenset({"tools", "camera_files", "roles"})
"""Lists of words, told word by word."""


def plan_difference(old: Plan, new: Plan) -> tuple[Change, ...]:
    """Everything that differs, in the order of the new plan; empty where the plans say the same."""
    return tuple(_walk((), old.to_json(), new.to_json(), new))


def _walk(path: Path, old: Any, new: Any, plan: Plan) -> Iterator[Change]:
    """Changes below this path; of a plan's JSON content the two sides have the same fields."""
    if old == new:
        return
    name = path[-1] if path else ""
    if isinstance(old, dict) and isinstance(new, dict) and name not in _WHOLE:
        for field in new:
            yield from _walk((*path, field), old[field], new[field], plan)
    elif name in KEYS and isinstance(old, list) and _is_list_of_things(old + new):
        yield from _walk_things(path, old, new, plan)
    elif name in _WORDS:
        yield from (Change(_what(path), None, word, Effect.ADDED) for word in new if word not in old)
        yield from (Change(_what(path), word, None, Effect.REMOVED) for word in old if word not in new)
    else:
        before, after = value_as_text(path, old, plan), value_as_text(path, new, plan)
        yield Change(_what(path), before, after, _effect(path, old, new))


def _is_list_of_things(items: list[Any]) -> bool:
    return all(isinstance(item, dict) for item in items)


def _walk_things(path: Path, old: list[Any], new: list[Any], plan: Plan) -> Iterator[Change]:
    before, after = (_by_key(path[-1], things) for things in (old, new))
    demanding = path[-1] in _DEMANDS
    for key, thing in after.items():
        if key in before:
            yield from _walk((*path, key), before[key], thing, plan)
        else:
            effect = Effect.STRICTER if demanding else Effect.ADDED
            yield Change(_what((*path, key)), None, item_as_text(path, thing, plan), effect)
    for key in (key for key in before if key not in after):
        effect = Effect.LOOSER if demanding else Effect.REMOVED
        yield Change(_what((*path, key)), item_as_text(path, before[key], plan), None, effect)


def _by_key(name: str, things: list[Any]) -> dict[str, Any]:
    return {"-".join(str(thing[field]) for field in KEYS[name]): thing for thing in things}


def _what(path: Path) -> str:
    return ".".join(field_name(name) for name in path if name != "limits")


def _effect(path: Path, old: Any, new: Any) -> Effect:
    if path[0] not in _JUDGED or path[-1] not in _COMPARED:
        return Effect.CHANGED
    return _COMPARED[path[-1]](old, new)


def _by_order(old: float, new: float) -> Effect:
    """Greater is stricter."""
    return Effect.STRICTER if new > old else Effect.LOOSER


def _higher(old: Any, new: Any) -> Effect:
    """More is stricter; nothing said is less than anything."""
    return _by_order(*(-math.inf if value is None else float(value) for value in (old, new)))


def _lower(old: Any, new: Any) -> Effect:
    """Less is stricter; nothing said is more than anything."""
    return _by_order(*(-math.inf if value is None else -float(value) for value in (old, new)))


def _fewer_may(old: list[str], new: list[str]) -> Effect:
    """Fewer that may be used are stricter; an empty list leaves everything open."""
    if not old or not new:
        return Effect.STRICTER if new else Effect.LOOSER
    return _more_must(new, old)


def _more_must(old: list[str], new: list[str]) -> Effect:
    """More that must be is stricter."""
    if set(old) < set(new):
        return Effect.STRICTER
    return Effect.LOOSER if set(new) < set(old) else Effect.CHANGED


def _longer_table(old: list[Any], new: list[Any]) -> Effect:
    """Longer times are stricter, where the temperatures are the same."""
    if [row["temperature_degc"] for row in old] != [row["temperature_degc"] for row in new]:
        return Effect.CHANGED
    pairs = [(a["time_min"], b["time_min"]) for a, b in zip(old, new, strict=True)]
    if all(b >= a for a, b in pairs):
        return Effect.STRICTER
    return Effect.LOOSER if all(b <= a for a, b in pairs) else Effect.CHANGED


def _shorter_table(old: list[Any], new: list[Any]) -> Effect:
    return _longer_table(new, old)


def _firmer_rule(old: dict[str, Any], new: dict[str, Any]) -> Effect:
    """A wider guard band, or a smaller risk, is stricter; any guard band is stricter than none."""
    kinds = {old["rule"], new["rule"]}
    if kinds <= {Rule.GUARDED, Rule.SIMPLE}:
        bands = [rule["guard_factor"] if rule["rule"] == Rule.GUARDED else 0.0 for rule in (old, new)]
        return Effect.CHANGED if bands[0] == bands[1] else _by_order(bands[0], bands[1])
    return _lower(old["consumer_risk"], new["consumer_risk"]) if len(kinds) == 1 else Effect.CHANGED


_COMPARED: dict[str, Callable[[Any, Any], Effect]] = {
    "lower": _higher,
    "upper": _lower,
    "rule": _firmer_rule,
    "hold_point": _higher,
    "count": _higher,
    "spacing_mm": _lower,
    "instruments": _fewer_may,
    "instrument_kinds": _fewer_may,
    "after": _more_must,
    "ratio_tolerance": _lower,
    "pot_life": _shorter_table,
    "cure": _longer_table,
    "cure_floor_min": _higher,
    "waste_share": _higher,
}
"""Fields of which it is known what makes them stricter."""
