"""Frozen dataclasses as JSON and back, exactly: numbers in base units, days and times in ISO 8601.

The log carries whole plans in this form, so reading is strict: an unknown name, a missing one or a value of another
type is refused. A field with a default may be missing, so that an older plan can be read by a newer program.
"""

from __future__ import annotations

import math
import types
import typing
from collections.abc import Callable
from dataclasses import MISSING, Field, fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from functools import cache
from typing import Any, TypeVar

T = TypeVar("T")
Reader = Callable[[Any, str], Any]
"""From JSON content and the path it stands at to a value; raises ValueError that names the path."""


def as_json(value: Any) -> Any:
    """The value as JSON content: an object a dataclass, a list a tuple, a word an enumeration's member."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: as_json(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, tuple):
        return [as_json(v) for v in value]
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, date):  # a datetime is one too
        return value.isoformat()
    if value is None or isinstance(value, str | int | float):
        return value
    raise TypeError(f"a {type(value).__name__} has no form in JSON")


def from_json(kind: type[T], content: Any, where: str = "") -> T:
    """The dataclass of this kind that ``as_json`` made the content from.

    Raises:
        ValueError: the content is not of that form; the message names the place and what is expected.
    """
    reader: Reader = _reader(kind)  # type: ignore[arg-type]  # a type is hashable
    found: T = reader(content, where or kind.__name__)
    return found


@cache
def _reader(kind: Any) -> Reader:
    """How a value of this type is read."""
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        return _optional(_reader(next(a for a in arguments if a is not type(None))))
    if origin is tuple:
        return _tuple(_reader(arguments[0]))
    if is_dataclass(kind):
        return _dataclass(kind)
    if issubclass(kind, Enum):
        return _by(kind, f"one of {', '.join(str(m.value) for m in kind)}")
    return _PLAIN[kind]


def _optional(inner: Reader) -> Reader:
    return lambda content, where: None if content is None else inner(content, where)


def _tuple(inner: Reader) -> Reader:
    def read(content: Any, where: str) -> tuple[Any, ...]:
        if not isinstance(content, list):
            raise _wrong(where, "a list", content)
        return tuple(inner(item, f"{where}[{i}]") for i, item in enumerate(content))

    return read


def _dataclass(kind: Any) -> Reader:
    types_of = typing.get_type_hints(kind)
    known = {f.name: (f, _reader(types_of[f.name])) for f in fields(kind)}

    def read(content: Any, where: str) -> Any:
        if not isinstance(content, dict):
            raise _wrong(where, "an object", content)
        unknown = sorted(content.keys() - known.keys())
        if unknown:
            raise ValueError(f"{where}.{unknown[0]}: this name is not known; a newer program may have written it")
        given = {
            name: reader(content[name], f"{where}.{name}") for name, (_, reader) in known.items() if name in content
        }
        missing = [name for name, (f, _) in known.items() if name not in given and _is_required(f)]
        if missing:
            raise ValueError(f"{where}: `{missing[0]}` is missing")
        return _built(kind, given, where)

    return read


def _is_required(wanted: Field[Any]) -> bool:
    return wanted.default is MISSING and wanted.default_factory is MISSING


def _built(kind: Any, given: dict[str, Any], where: str) -> Any:
    try:
        return kind(**given)
    except ValueError as wrong:
        raise ValueError(f"{where}: {wrong}") from None


def _by(convert: Callable[[str], Any], expected: str) -> Reader:
    """A text that ``convert`` takes, and that the value gives back unchanged."""

    def read(content: Any, where: str) -> Any:
        try:
            if not isinstance(content, str):
                raise ValueError
            return convert(content)
        except ValueError:
            raise _wrong(where, expected, content) from None

    return read


def _number(content: Any, where: str) -> float:
    """A number: JSON has one kind, so 76 is as good as 76.0."""
    if isinstance(content, bool) or not isinstance(content, int | float) or not math.isfinite(content):
        raise _wrong(where, "a number", content)
    return float(content)


def _exactly(kind: type, expected: str) -> Reader:
    def read(content: Any, where: str) -> Any:
        if type(content) is not kind:
            raise _wrong(where, expected, content)
        return content

    return read


def _moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    if moment.utcoffset() is None:
        raise ValueError
    return moment


_PLAIN: dict[Any, Reader] = {
    str: _exactly(str, "a text"),
    bool: _exactly(bool, "true or false"),
    int: _exactly(int, "a whole number"),
    float: _number,
    date: _by(date.fromisoformat, "a day like 2026-03-01"),
    datetime: _by(_moment, "a time with its offset from UTC, like 2026-03-01T21:00:00-06:00"),
}


def _wrong(where: str, expected: str, got: Any) -> ValueError:
    shown = repr(got)
    return ValueError(f"{where}: {expected} is expected, not {shown if len(shown) <= 60 else shown[:57] + '…'}")
