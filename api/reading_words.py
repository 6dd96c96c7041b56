"""A reading from the words that a person typed or a table holds; each fault is told in words that say what to write."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches

from models.facts import ReadingAdded, WrittenValue
from models.plan import Plan
from models.readings import FORMS, ReadingField, ReadingForm, ReadingKind
from models.units import Dimension, examples, parse

UNNAMED = ""
"""Stands for the name of a value that was given without one."""


@dataclass(frozen=True)
class ReadingWords:
    """What was written."""

    kind: str
    values: Mapping[str, str] = field(default_factory=dict)
    """By the name of the field; `UNNAMED` where none was given."""
    station: str = ""
    pass_number: str = ""
    instrument: str = ""
    texts: Mapping[str, str] = field(default_factory=dict)
    note: str = ""


class WordsError(ValueError):
    """What was written is no reading; each fault is a sentence that says what to write."""

    def __init__(self, faults: Iterable[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(self.faults))


def reading_from(words: ReadingWords, plan: Plan) -> ReadingAdded:
    """The reading that was written.

    Raises:
        WordsError: with everything that is wrong.
    """
    form = FORMS[kind_named(words.kind)]
    faults: list[str] = []
    values = _values(form, words.values, faults)
    station = _station(form, words.station, faults)
    number = _pass(form, words.pass_number, faults)
    texts = _texts(form, words.texts, faults)
    instrument = _instrument(form, words.instrument, plan, faults)
    if faults:
        raise WordsError(faults)
    return ReadingAdded(form.kind, values, station, number, instrument, words.note, texts)


def kind_named(word: str) -> ReadingKind:
    """The kind of reading of this name.

    Raises:
        WordsError: there is none; the message names the nearest.
    """
    try:
        return ReadingKind(word.strip())
    except ValueError:
        near = get_close_matches(word, list(ReadingKind), 3, 0.4)
        hint = f"did you mean {' or '.join(near)}?" if near else f"there are: {', '.join(ReadingKind)}"
        raise WordsError([f"no kind of reading is called {word!r}; {hint}"]) from None


def _values(form: ReadingForm, written: Mapping[str, str], faults: list[str]) -> tuple[tuple[str, WrittenValue], ...]:
    """The numbers of the reading, in the order of their names."""
    found: dict[str, WrittenValue] = {}
    for name, text in written.items():
        fields = [f for f in form.fields if f.name == name] if name else _unnamed(form)
        if not fields:
            faults.append(_no_such_value(form, name))
        elif (value := _value(fields, text, faults)) is not None:
            found[value[0]] = value[1]
    if not faults:
        faults += _count_faults(form, found)
    return tuple(sorted(found.items()))


def _unnamed(form: ReadingForm) -> list[ReadingField]:
    """The fields that a value without a name may mean: the one called so, or of several the one that the unit says."""
    called_so = form.field("value")
    if called_so is not None:
        return [called_so]
    return list(form.fields) if len(form.fields) == 1 or form.one_of else []


def _value(fields: list[ReadingField], text: str, faults: list[str]) -> tuple[str, WrittenValue] | None:
    """The number in the first field whose dimension takes it."""
    told = []
    for one in fields:
        try:
            return one.name, WrittenValue(parse(text, one.dimension), one.unit, text.strip())
        except ValueError as wrong:
            told.append(f"{'value' if one.name == 'value' else f'value {one.name}'}: {wrong}")
    faults.append("; or ".join(told))
    return None


def _no_such_value(form: ReadingForm, name: str) -> str:
    names = [f.name for f in form.fields]
    if not names:
        return f"a {form.kind} has no value: its time alone is the reading"
    told = f"has no value {name!r}" if name else "has more than one value, so each needs its name"
    example = ", ".join(f"{f.name}={examples(f.dimension)[0]}" for f in form.fields)
    return f"a {form.kind} {told}; write {example}"


def _count_faults(form: ReadingForm, found: Mapping[str, WrittenValue]) -> list[str]:
    lacking = [f for f in form.fields if f.name not in found]
    if form.one_of:
        names = " or ".join(f.name for f in form.fields)
        return [] if len(found) == 1 else [f"a {form.kind} needs exactly one of: {names}"]
    if not lacking:
        return []
    told = ", ".join(f"{f.name} ({f.text}, like {examples(f.dimension)[0]})" for f in lacking)
    return [f"a {form.kind} still needs: {told}"]


def _station(form: ReadingForm, written: str, faults: list[str]) -> float | None:
    if not form.station:
        if written:
            faults.append(f"station: a {form.kind} has none")
        return None
    if not written:
        faults.append(f"station: say where along the sensor the {form.kind} was read, like 300 mm from its first end")
        return None
    try:
        return parse(written, Dimension.LENGTH)
    except ValueError as wrong:
        faults.append(f"station: {wrong}")
        return None


def _pass(form: ReadingForm, written: str, faults: list[str]) -> int | None:
    if not form.numbered:
        if written:
            faults.append(f"pass: a {form.kind} has none")
        return None
    if not written.isdigit() or len(written) > 3:
        said = f", not {written!r}" if written else ""
        faults.append(f"pass: the number of the grinding pass is expected (0 is before the first){said}")
        return None
    return int(written)


def _texts(form: ReadingForm, written: Mapping[str, str], faults: list[str]) -> tuple[tuple[str, str], ...]:
    known = (*form.texts, *form.optional_texts)
    given = {name: text.strip() for name, text in written.items() if text.strip()}
    faults += [f"{name}: a {form.kind} has no such word; it has: {', '.join(known) or 'none'}"
               for name in given if name not in known]  # fmt: skip
    faults += [f"{name}: a {form.kind} needs it" for name in form.texts if name not in given]
    return tuple(sorted(given.items()))


def _instrument(form: ReadingForm, written: str, plan: Plan, faults: list[str]) -> str | None:
    """The plan's instrument; without it the uncertainty of a reading is not known."""
    known = [i for i in plan.instruments if not form.fields or i.dimension in {f.dimension for f in form.fields}]
    names = ", ".join(i.id for i in known) or "none"
    if written and all(i.id != written for i in plan.instruments):
        faults.append(f"instrument: the plan has none called {written!r}; for a {form.kind} it has: {names}")
    if not written and form.fields and plan.instruments:
        faults.append(f"instrument: say with which the {form.kind} was read; the plan has: {names}")
    return written or None
