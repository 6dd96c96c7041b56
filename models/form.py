"""The form of a file that people write, said once: the reader with its faults and the editors' schema come from it.

A ``Form`` lists the fields of one thing. Each field has a kind, and a kind knows two things: how to read its value from
a mapping of the file, noting faults, and what its JSON Schema is. A value that is missing or wrong is noted and left
out, so that the reading goes on; whoever holds the faults discards the half-read thing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, dataclass, fields
from datetime import date
from enum import StrEnum
from typing import Any, Protocol

from models.units import Dimension, examples, parse, pattern
from models.yaml_reader import Mapping, chosen, repeated

Schema = dict[str, Any]
IDENTIFIER_LENGTH = 40
MAX_TEXT = 2000
"""Characters of one text; a check's wording has a few hundred."""


class Kind(Protocol):
    """What a field holds."""

    def read(self, group: Mapping, name: str, required: bool) -> Any:
        """The value, or None where there is none or it is wrong (then a fault is noted)."""

    def schema(self) -> Schema:
        """JSON Schema (draft 2020-12) of the value."""


@dataclass(frozen=True)
class Field:
    """One field of a form."""

    name: str
    """As in the file."""
    attribute: str
    """As in the dataclass."""
    kind: Kind
    about: str
    required: bool = False

    def schema(self) -> Schema:
        """The kind's schema with what the field means."""
        return {"description": self.about, **self.kind.schema()}


Finish = Callable[[Mapping, dict[str, Any]], None]
"""Fills in defaults that hang on other fields, and notes faults between fields."""


def _nothing_more(group: Mapping, values: dict[str, Any]) -> None:
    """For forms whose fields do not hang on each other."""


@dataclass(frozen=True)
class Form:
    """The fields of one thing and the dataclass that is made of them."""

    makes: type[Any]
    fields: tuple[Field, ...]
    finish: Finish = _nothing_more

    def read(self, group: Mapping) -> Any:
        """The thing; attributes that are required and could not be read are None."""
        values = {f.attribute: f.kind.read(group, f.name, f.required) for f in self.fields}
        group.close()
        values = {a: v for a, v in values.items() if v is not None}
        self.finish(group, values)
        blank = {f.name: None for f in fields(self.makes) if f.default is MISSING}
        thing = self.makes(**{**blank, **values})
        group.faults.remember(thing, group)
        return thing

    def schema(self) -> Schema:
        """An object with these fields and no others."""
        return object_schema(
            {f.name: f.schema() for f in self.fields}, tuple(f.name for f in self.fields if f.required)
        )


def object_schema(properties: dict[str, Schema], required: tuple[str, ...] = ()) -> Schema:
    """An object with these properties and no others."""
    schema: Schema = {"type": "object", "additionalProperties": False, "properties": properties}
    return {**schema, "required": list(required)} if required else schema


@dataclass(frozen=True)
class Text:
    """A line of text."""

    def read(self, group: Mapping, name: str, required: bool) -> str | None:
        """See ``Kind``."""
        return group.converted(name, _as_text, required=required)

    def schema(self) -> Schema:
        """See ``Kind``; an editor takes `version: 1` for a number."""
        return {"type": ["string", "number"]}


def _as_text(text: str) -> str:
    if len(text) > MAX_TEXT:
        raise ValueError(f"has {len(text)} characters, more than the {MAX_TEXT} it may have")
    return text


@dataclass(frozen=True)
class Identifier:
    """A short name without spaces, by which other parts of the file refer to a thing."""

    def read(self, group: Mapping, name: str, required: bool) -> str | None:
        """See ``Kind``."""
        return group.converted(name, as_identifier, required=required)

    def schema(self) -> Schema:
        """See ``Kind``."""
        return {"type": ["string", "integer"], "minLength": 1, "maxLength": IDENTIFIER_LENGTH, "pattern": r"^[^\s/]+$"}


def as_identifier(text: str) -> str:
    """The text, where it can be an identifier.

    Raises:
        ValueError: it cannot.
    """
    if not text or len(text) > IDENTIFIER_LENGTH or any(not (c.isalnum() or c in "-_.") for c in text):
        raise ValueError(f"{text!r} must be 1 to {IDENTIFIER_LENGTH} letters, digits, '-', '_' or '.'")
    return text


@dataclass(frozen=True)
class Measure:
    """A number with its unit, kept in the base unit of its dimension."""

    dimension: Dimension
    above: float | None = None
    """The value must be above this."""
    at_least: float | None = None
    at_most: float | None = None

    def read(self, group: Mapping, name: str, required: bool) -> float | None:
        """See ``Kind``."""
        return group.converted(name, self.convert, required=required)

    def convert(self, text: str) -> float:
        """The value of a text; ValueError where it is none or out of bounds."""
        value = parse(text, self.dimension)
        if self.above is not None and value <= self.above:
            raise ValueError(f"{text!r} must be above {'zero' if self.above == 0 else self.above}")
        if self.at_least is not None and value < self.at_least:
            raise ValueError(f"{text!r} must not be below {'zero' if self.at_least == 0 else self.at_least}")
        if self.at_most is not None and value > self.at_most:
            raise ValueError(f"{text!r} is too large to be meant; see its unit")
        return value

    def schema(self) -> Schema:
        """See ``Kind``."""
        return measure_schema(self.dimension)


def measure_schema(dimension: Dimension) -> Schema:
    """A quantity with its unit written out, by reference into ``MEASURE_SCHEMAS``."""
    return {"$ref": f"#/$defs/{_definition(dimension)}"}


def _definition(dimension: Dimension) -> str:
    return dimension.value.replace(" ", "-")


def _measure(dimension: Dimension) -> Schema:
    kinds = ["string", "number"] if dimension is Dimension.RATIO else "string"
    return {"type": kinds, "pattern": pattern(dimension), "examples": examples(dimension)}


MEASURE_SCHEMAS: dict[str, Schema] = {_definition(dimension): _measure(dimension) for dimension in Dimension}
"""What ``measure_schema`` refers to; a schema must hold them under ``$defs``."""

LENGTH = Measure(Dimension.LENGTH, above=0.0, at_most=1e7)
"""A length above zero and below ten kilometres."""


@dataclass(frozen=True)
class AnyMeasure:
    """A number with a unit whose dimension hangs on another field; the form's ``finish`` converts it."""

    dimensions: tuple[Dimension, ...]

    def read(self, group: Mapping, name: str, required: bool) -> str | None:
        """The text as written."""
        return group.text(name, required=required)

    def schema(self) -> Schema:
        """See ``Kind``."""
        return {"anyOf": [measure_schema(dimension) for dimension in self.dimensions]}


@dataclass(frozen=True)
class Number:
    """A bare number above zero."""

    def read(self, group: Mapping, name: str, required: bool) -> float | None:
        """See ``Kind``."""
        return group.converted(name, self._convert, required=required)

    def _convert(self, text: str) -> float:
        value = parse(text, Dimension.RATIO)
        if value <= 0 or text.endswith("%"):
            raise ValueError(f"{text!r} must be a number above zero, without a unit")
        return value

    def schema(self) -> Schema:
        """See ``Kind``."""
        return {"type": "number", "exclusiveMinimum": 0}


@dataclass(frozen=True)
class Count:
    """A whole number from 1 on."""

    def read(self, group: Mapping, name: str, required: bool) -> int | None:
        """See ``Kind``."""
        count = group.whole(name, required=required)
        if count == 0 or (count is not None and count > 10_000):
            group.note(name, "must be a whole number from 1 to 10000")
        return count

    def schema(self) -> Schema:
        """See ``Kind``."""
        return {"type": "integer", "minimum": 1, "maximum": 10_000}


@dataclass(frozen=True)
class Day:
    """A calendar day."""

    def read(self, group: Mapping, name: str, required: bool) -> date | None:
        """See ``Kind``."""
        return group.day(name, required=required)

    def schema(self) -> Schema:
        """See ``Kind``."""
        return {"type": "string", "format": "date", "examples": ["2026-03-01"]}


@dataclass(frozen=True)
class Flag:
    """Yes or no."""

    def read(self, group: Mapping, name: str, required: bool) -> bool | None:
        """See ``Kind``."""
        return group.converted(name, _as_flag, required=required)

    def schema(self) -> Schema:
        """See ``Kind``; editors differ in whether a bare `yes` is a text."""
        return {"enum": [True, False, "yes", "no"]}


def _as_flag(text: str) -> bool:
    words = {"yes": True, "true": True, "no": False, "false": False}
    if text.casefold() not in words:
        raise ValueError(f"{text!r} is neither `yes` nor `no`")
    return words[text.casefold()]


@dataclass(frozen=True)
class Choice:
    """One of an enumeration's words."""

    choices: type[StrEnum]

    def read(self, group: Mapping, name: str, required: bool) -> StrEnum | None:
        """See ``Kind``."""
        return group.choice(name, self.choices, required=required)

    def schema(self) -> Schema:
        """See ``Kind``."""
        return {"enum": [c.value for c in self.choices]}


@dataclass(frozen=True)
class Words:
    """A list of single values: texts, identifiers, or an enumeration's words."""

    of: Text | Identifier | Choice
    at_least: int = 0

    def read(self, group: Mapping, name: str, required: bool) -> tuple[Any, ...]:
        """See ``Kind``; empty where there is no list."""
        words = group.texts(name, self._convert, required=required)
        if (group.count(name) or 0) < self.at_least and group.count(name) is not None:
            group.note(name, f"at least {self.at_least} must be listed")
        for twice in sorted(repeated(words)):
            group.note(name, f"{str(twice)!r} stands more than once in this list")
        return words

    def _convert(self, text: str) -> Any:
        if isinstance(self.of, Choice):
            return chosen(text, self.of.choices)
        return as_identifier(text) if isinstance(self.of, Identifier) else _as_text(text)

    def schema(self) -> Schema:
        """See ``Kind``."""
        return {"type": "array", "items": self.of.schema(), "minItems": self.at_least, "uniqueItems": True}


@dataclass(frozen=True)
class Things:
    """A list of things of one form, each with its own identifier where the form has one."""

    form: Form
    at_least: int = 0
    key: str | None = "id"
    """The attribute, named alike in the file, that tells the things apart; None where nothing needs to."""

    def read(self, group: Mapping, name: str, required: bool) -> tuple[Any, ...]:
        """See ``Kind``; empty where there is no list."""
        groups = group.groups(name, required=required)
        things = tuple(self.form.read(g) for g in groups)
        if (group.count(name) or 0) < self.at_least and group.count(name) is not None:
            group.note(name, f"at least {self.at_least} must be listed")
        if self.key is not None:
            note_repeated(groups, [getattr(thing, self.key) for thing in things], self.key)
        return things

    def schema(self) -> Schema:
        """See ``Kind``."""
        return {"type": "array", "items": self.form.schema(), "minItems": self.at_least}


def note_repeated(groups: tuple[Mapping, ...], keys: list[Any], name: str) -> None:
    """Note every thing of a list whose key stands more than once in it."""
    twice = repeated(key for key in keys if key)
    for group, key in zip(groups, keys, strict=True):
        if key in twice:
            group.note(name, f"{str(key)!r} stands more than once in this list; give each its own")


@dataclass(frozen=True)
class Custom:
    """A field with a way of its own."""

    reads: Callable[[Mapping, str, bool], Any]
    has_schema: Callable[[], Schema]

    def read(self, group: Mapping, name: str, required: bool) -> Any:
        """See ``Kind``."""
        return self.reads(group, name, required)

    def schema(self) -> Schema:
        """See ``Kind``."""
        return self.has_schema()
