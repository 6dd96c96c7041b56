"""Taking the fields of a JSON object one by one, strictly: a missing, unknown or ill-formed one is refused by name."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import Any, TypeVar

E = TypeVar("E", bound=StrEnum)


class FieldError(ValueError):
    """A field is not of its form; the message names it and what is expected."""


def only(content: Mapping[str, Any], required: frozenset[str], optional: frozenset[str] = frozenset()) -> None:
    """Refuse an object without all of the required names, or with one that is neither required nor optional."""
    names = content.keys()
    if required <= names <= required | optional:
        return
    missing, unknown = sorted(required - names), sorted(names - required - optional)
    told = [f"missing: {', '.join(missing)}"] if missing else []
    told += [f"not known: {', '.join(unknown)}"] if unknown else []
    raise FieldError("; ".join(told))


def text(content: Mapping[str, Any], name: str) -> str:
    """A text; empty where the field is missing."""
    value = content.get(name, "")
    if isinstance(value, str):
        return value
    raise FieldError(f"{name}: a text is expected, not {value!r}")


def words(content: Mapping[str, Any], name: str) -> tuple[str, ...]:
    """A list of texts; empty where the field is missing."""
    value = content.get(name, [])
    if isinstance(value, list | tuple) and all(isinstance(v, str) for v in value):
        return tuple(value)
    raise FieldError(f"{name}: a list of texts is expected, not {value!r}")


def truth(content: Mapping[str, Any], name: str) -> bool:
    """True or false."""
    value = content[name]
    if isinstance(value, bool):
        return value
    raise FieldError(f"{name}: true or false is expected, not {value!r}")


def number(content: Mapping[str, Any], name: str) -> float:
    """A finite number."""
    value = content[name]
    # The type itself, not isinstance: true is an int, and no number here.
    if (type(value) is float or type(value) is int) and math.isfinite(value):
        return float(value)
    raise FieldError(f"{name}: a number is expected, not {value!r}")


def number_or_none(content: Mapping[str, Any], name: str) -> float | None:
    """A finite number, or None where the field is missing or null."""
    return None if content.get(name) is None else number(content, name)


def whole_or_none(content: Mapping[str, Any], name: str) -> int | None:
    """A whole number, or None where the field is missing or null."""
    value = content.get(name)
    if value is None or type(value) is int:
        return value
    raise FieldError(f"{name}: a whole number is expected, not {value!r}")


def chosen(content: Mapping[str, Any], name: str, kind: type[E]) -> E:
    """One word of an enumeration."""
    value = content[name]
    try:
        return kind(value)
    except ValueError:
        raise FieldError(f"{name}: {value!r} is none of {', '.join(kind)}") from None


def objects(content: Mapping[str, Any], name: str) -> Iterable[Mapping[str, Any]]:
    """A list of objects."""
    value = content[name]
    if isinstance(value, list | tuple) and all(isinstance(v, dict) for v in value):
        return value
    raise FieldError(f"{name}: a list of objects is expected, not {value!r}")


def group(content: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    """An object; empty where the field is missing."""
    value = content.get(name, {})
    if isinstance(value, dict):
        return value
    raise FieldError(f"{name}: an object is expected, not {value!r}")
