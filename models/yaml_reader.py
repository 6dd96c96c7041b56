"""Reading a YAML file that people write: every fault at once, each with its line and what to write instead.

``read_document`` gives the top-level mapping; asking a mapping for its fields notes what is missing, of the wrong
form or not known, and the reading goes on. Scalars are taken as written, so that `2026-03-01` and `0.5 deg` stay text
and nothing in a file can build an object.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import TypeVar

import yaml

from models.units import Dimension, parse

MAX_CHARACTERS = 1_000_000
"""A plan has a few thousand."""

MAX_NODES = 200_000
"""Values in a file with all repetitions by alias written out: a short file can stand for a huge one."""

T = TypeVar("T")
E = TypeVar("E", bound=StrEnum)


@dataclass(frozen=True, order=True)
class Fault:
    """One thing wrong in a file."""

    line: int
    """1-based; 0 where the file as a whole is meant."""
    where: str
    """Path of the field, such as ``tolerances.slot_width.upper``."""
    message: str

    def __str__(self) -> str:
        place = f"line {self.line}: " if self.line else ""
        return f"{place}{self.where}: {self.message}" if self.where else f"{place}{self.message}"


@dataclass
class Faults:
    """The faults found so far in one file."""

    found: list[Fault] = field(default_factory=list)
    _places: dict[int, tuple[object, Mapping]] = field(default_factory=dict)

    def remember(self, thing: object, place: Mapping) -> None:
        """Keep in mind from which part of the file a thing was read, for faults found only when all is read."""
        self._places[id(thing)] = (thing, place)

    def place(self, thing: object) -> Mapping:
        """The part of the file that this very thing was read from."""
        return self._places[id(thing)][1]

    def note(self, node: yaml.Node | None, where: str, message: str) -> None:
        """Add one."""
        line = 0 if node is None else node.start_mark.line + 1
        self.found.append(Fault(line, where, message))

    def sorted(self) -> tuple[Fault, ...]:
        """All of them from the top of the file down."""
        return tuple(sorted(self.found))


class Mapping:
    """A mapping of the file; each field is asked for once, and ``close`` notes those that nobody asked for."""

    def __init__(self, node: yaml.MappingNode, where: str, faults: Faults) -> None:
        self.node, self.where, self.faults = node, where, faults
        self._fields: dict[str, yaml.Node] = {}
        self._asked: list[str] = []
        for key, value in node.value:
            self._add(key, value)

    def _add(self, key: yaml.Node, value: yaml.Node) -> None:
        if not isinstance(key, yaml.ScalarNode):
            self.faults.note(key, self.where, "a name is expected before the colon")
        elif key.value in self._fields:
            self.faults.note(key, self.path(key.value), "stands twice; keep one")
        else:
            self._fields[key.value] = value

    def path(self, name: str) -> str:
        """Full path of a field."""
        return f"{self.where}.{name}" if self.where else name

    def names(self) -> tuple[str, ...]:
        """Names of all fields, in the file's order."""
        return tuple(self._fields)

    def note(self, name: str | None, message: str) -> None:
        """Note a fault of a field, or of the whole mapping."""
        node = self.node if name is None else self._fields.get(name, self.node)
        self.faults.note(node, self.where if name is None else self.path(name), message)

    def close(self) -> None:
        """Note every field that was not asked for: a misspelt name must not pass in silence."""
        for name in self._fields.keys() - set(self._asked):
            close = difflib.get_close_matches(name, self._asked, n=1)
            hint = f"did you mean `{close[0]}`?" if close else f"known here: {', '.join(dict.fromkeys(self._asked))}"
            self.note(name, f"this name is not known; {hint}")

    def _node(self, name: str, required: bool) -> yaml.Node | None:
        self._asked.append(name)
        node = self._fields.get(name)
        if isinstance(node, yaml.ScalarNode) and node.value == "" and node.style is None:
            node = None
        if node is None and required:
            self.note(None, f"`{name}` is missing; add a line `{name}: …`")
        return node

    def text(self, name: str, *, required: bool = False) -> str | None:
        """A line of text."""
        node = self._node(name, required)
        if node is None:
            return None
        if isinstance(node, yaml.ScalarNode):
            return str(node.value).strip()
        self.note(name, "a single value is expected, not a list or a group")
        return None

    def converted(self, name: str, convert: Callable[[str], T], *, required: bool = False) -> T | None:
        """A value that ``convert`` makes from its text; its ValueError becomes a fault."""
        text = self.text(name, required=required)
        if text is None:
            return None
        try:
            return convert(text)
        except ValueError as wrong:
            self.note(name, str(wrong))
            return None

    def quantity(self, name: str, dimension: Dimension, *, required: bool = False) -> float | None:
        """A number with its unit, in mm or degrees."""
        return self.converted(name, lambda text: parse(text, dimension), required=required)

    def length_mm(self, name: str, *, required: bool = False) -> float | None:
        """A length above zero, in mm."""
        return self.converted(name, _length_above_zero, required=required)

    def texts(self, name: str, convert: Callable[[str], T], *, required: bool = False) -> tuple[T, ...]:
        """A list of single values that ``convert`` makes from their texts."""
        found: list[T] = []
        for node, where in self.items(name, required=required):
            if not isinstance(node, yaml.ScalarNode):
                self.faults.note(node, where, "a single value is expected, not a list or a group")
                continue
            try:
                found.append(convert(str(node.value).strip()))
            except ValueError as wrong:
                self.faults.note(node, where, str(wrong))
        return tuple(found)

    def whole(self, name: str, *, required: bool = False) -> int | None:
        """A whole number."""
        return self.converted(name, _whole, required=required)

    def day(self, name: str, *, required: bool = False) -> date | None:
        """A calendar day."""
        return self.converted(name, _day, required=required)

    def choice(self, name: str, choices: type[E], *, required: bool = False) -> E | None:
        """One of an enumeration's words."""
        return self.converted(name, lambda text: chosen(text, choices), required=required)

    def group(self, name: str) -> Mapping | None:
        """A mapping inside this one."""
        node = self._node(name, required=False)
        return None if node is None else as_mapping(node, self.path(name), self.faults)

    def groups(self, name: str, *, required: bool = False) -> tuple[Mapping, ...]:
        """A list of mappings."""
        found = (as_mapping(n, w, self.faults) for n, w in self.items(name, required=required))
        return tuple(m for m in found if m is not None)

    def items(self, name: str, *, required: bool = False) -> tuple[tuple[yaml.Node, str], ...]:
        """The nodes of a list with their paths."""
        node = self._node(name, required)
        if node is None:
            return ()
        if not isinstance(node, yaml.SequenceNode):
            self.note(name, "a list is expected: one entry a line, each starting with `- `")
            return ()
        return tuple((n, f"{self.path(name)}[{i + 1}]") for i, n in enumerate(node.value))

    def count(self, name: str) -> int | None:
        """How many entries a list has; None where the field is missing or no list."""
        node = self._fields.get(name)
        return len(node.value) if isinstance(node, yaml.SequenceNode) else None

    def is_text(self, name: str) -> bool:
        """Whether a field is there and is a single value."""
        return isinstance(self._fields.get(name), yaml.ScalarNode)


def as_mapping(node: yaml.Node, where: str, faults: Faults) -> Mapping | None:
    """The node as a mapping, or None and a fault."""
    if isinstance(node, yaml.MappingNode):
        return Mapping(node, where, faults)
    faults.note(node, where, "a group of `name: value` lines is expected")
    return None


def read_document(text: str, faults: Faults) -> Mapping | None:
    """The top-level mapping of a YAML text, or None and a fault."""
    if len(text) > MAX_CHARACTERS:
        faults.note(None, "", f"the file has {len(text)} characters, more than the {MAX_CHARACTERS} it may have")
        return None
    try:
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.YAMLError as wrong:
        faults.found.append(_syntax_fault(wrong))
        return None
    except RecursionError:
        faults.note(None, "", "the file is nested too deeply")
        return None
    if node is None:
        faults.note(None, "", "the file is empty")
        return None
    if _expanded_size(node, {}) > MAX_NODES:
        faults.note(None, "", f"the file stands for more than {MAX_NODES} values; write fewer aliases (`*name`)")
        return None
    return as_mapping(node, "", faults)


def _expanded_size(node: yaml.Node, known: dict[int, float]) -> float:
    """Number of values with aliases written out; infinite where an alias stands inside what it stands for."""
    if id(node) not in known:
        known[id(node)] = math.inf  # until it is known: whoever meets it inside itself finds no end
        parts = node.value if isinstance(node, yaml.SequenceNode) else []
        if isinstance(node, yaml.MappingNode):
            parts = [part for pair in node.value for part in pair]
        known[id(node)] = 1 + sum(_expanded_size(part, known) for part in parts)
    return known[id(node)]


def chosen(text: str, choices: type[E]) -> E:
    """The member of an enumeration with this word.

    Raises:
        ValueError: no such word; the message names the nearest one, or all.
    """
    try:
        return choices(text)
    except ValueError:
        words = [c.value for c in choices]
        close = difflib.get_close_matches(text, words, n=1)
        hint = f"did you mean `{close[0]}`?" if close else f"write one of: {', '.join(words)}"
        raise ValueError(f"{text!r} is not known; {hint}") from None


def repeated(values: Iterable[T]) -> set[T]:
    """Values that stand more than once."""
    seen: set[T] = set()
    return {v for v in values if v in seen or seen.add(v)}  # type: ignore[func-returns-value]


def _syntax_fault(wrong: yaml.YAMLError) -> Fault:
    mark = getattr(wrong, "problem_mark", None)
    told = getattr(wrong, "problem", None) or str(wrong).splitlines()[0]
    return Fault(0 if mark is None else mark.line + 1, "", f"this is not YAML: {told}; check indents and colons")


def _length_above_zero(text: str) -> float:
    value = parse(text, Dimension.LENGTH)
    if value <= 0:
        raise ValueError(f"{text!r} must be above zero")
    return value


def _whole(text: str) -> int:
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise ValueError(f"{text!r} is not a whole number")
    return int(text)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a day; write it like `2026-03-01`") from None
