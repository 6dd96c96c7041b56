"""Facts: there and back through JSON, and every body that is not of its form refused with a reason."""

from __future__ import annotations

import copy
import json
from contextlib import suppress
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.entry import canonical_json
from models.evidence_facts import WrittenValue
from models.facts import Fact, FactError, ReadingAdded, draft_of, fact_of
from models.measurement import PhotoKind, Problem, Verdict
from models.readings import FORMS, ReadingKind
from tests.models.log_writer import (
    CREW,
    START,
    a_note,
    adopted,
    check,
    correction,
    depth,
    measured,
    photo,
    release,
    result,
    waive,
)

PHOTO = "a" * 64
FACTS: list[Fact] = [
    adopted(),
    photo(),
    photo(kind=None, requirement="line"),
    replace(photo(), also_for=("", "north/1/B")),
    measured(PHOTO),
    measured(PHOTO, usable=False),
    depth(),
    ReadingAdded(ReadingKind.POUR_END),
    ReadingAdded(ReadingKind.PART_AMOUNT, (("mass", WrittenValue(500.0, "g", "0.5 kg")),), texts=(("part", "resin"),)),
    check("dry"),
    result([PHOTO], Verdict.INCONCLUSIVE),
    correction(PHOTO),
    release([PHOTO], "seen"),
    waive([PHOTO], "depths"),
    a_note(),
]


def there_and_back(fact: Fact) -> Fact:
    draft = draft_of(fact, *CREW, START.isoformat())
    return fact_of(draft.taken(1, START))


@pytest.mark.parametrize("fact", FACTS, ids=lambda f: type(f).__name__)
def test_a_fact_comes_back_as_it_was(fact: Fact) -> None:
    assert there_and_back(fact) == fact


@pytest.mark.parametrize("fact", FACTS, ids=lambda f: type(f).__name__)
def test_the_canonical_form_of_a_fact_is_the_same_after_a_round_trip(fact: Fact) -> None:
    """1.0 is written as 1 and comes back as an int: the next round must not change a byte."""
    again = fact_of(draft_of(fact, *CREW, START.isoformat()).taken(1, START))
    assert canonical_json(again.to_json()) == canonical_json(fact.to_json())


@pytest.mark.parametrize("kind", ReadingKind)
def test_every_kind_of_reading_can_be_told(kind: ReadingKind) -> None:
    form = FORMS[kind]
    fields = form.fields[:1] if form.one_of else form.fields
    values = tuple(sorted((f.name, WrittenValue(f.lowest, f.unit, "as read")) for f in fields))
    reading = ReadingAdded(
        kind,
        values,
        10.0 if form.station else None,
        1 if form.numbered else None,
        texts=tuple((name, "resin") for name in form.texts),
    )
    assert there_and_back(reading) == reading
    assert reading.reading("b" * 64, START).source == "b" * 64


def spoiled(fact: Fact, **changes: Any) -> Any:
    body = {**json.loads(canonical_json(fact.to_json())), **changes}
    draft = draft_of(fact, *CREW, START.isoformat())
    object.__setattr__(draft, "body", {k: v for k, v in body.items() if v is not ...})
    return draft


@pytest.mark.parametrize(
    ("fact", "changes", "told"),
    [
        (a_note(), {"text": 3}, "a text is expected"),
        (a_note(), {"text": ...}, "missing: text"),
        (a_note(), {"extra": 1}, "not known: extra"),
        (check("dry"), {"outcome": "maybe"}, "yes, no, not-applicable"),
        (photo(), {"kind": "selfie"}, "layout, slot, surface"),
        (photo(), {"capture": []}, "an object is expected"),
        (measured(PHOTO), {"usable": "yes"}, "true or false"),
        (measured(PHOTO), {"measurements": [{"quantity": "slot_width"}]}, "unit"),
        (result([PHOTO]), {"inputs": "all"}, "a list of texts"),
        (result([PHOTO]), {"not_before": "soon"}, "RFC 3339"),
        (depth(), {"values": {}}, "all of: value"),
        (depth(), {"values": {"value": {"value": 3, "unit": "in", "written": "3 in"}}}, "kept in mm"),
        (depth(), {"values": {"value": {"value": True, "unit": "mm", "written": ""}}}, "a number is expected"),
        (depth(), {"values": {"weight": {"value": 3, "unit": "mm", "written": ""}}}, "no field 'weight'"),
        (depth(), {"station_mm": None}, "needs its station"),
        (depth(), {"pass": 1}, "has no pass"),
        (depth(), {"kind": "gut-feeling"}, "is none of"),
        (depth(), {"texts": {"part": "resin"}}, "texts"),
        (release([PHOTO]), {"decision": "perhaps"}, "release, rework, ask-again, waive"),
        (release([PHOTO]), {"evidence": "all"}, "a list of texts"),
        (adopted(), {"plan": None}, "an object is expected"),
    ],
)
def test_a_body_of_another_form_is_refused_and_says_why(fact: Fact, changes: dict[str, Any], told: str) -> None:
    with pytest.raises(FactError, match=told):
        fact_of(spoiled(fact, **changes))


SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3)
JUNK = st.recursive(SCALARS, lambda i: st.lists(i, max_size=2) | st.dictionaries(st.text(max_size=3), i, max_size=2))


@given(st.data(), st.sampled_from(FACTS), JUNK)
def test_no_body_whatever_breaks_the_reading(data: st.DataObject, fact: Fact, junk: Any) -> None:
    """One error type for everything wrong, wherever in the body it is."""
    body = copy.deepcopy(json.loads(canonical_json(fact.to_json())))
    place: Any = body
    while isinstance(place, dict | list) and place:
        name = data.draw(st.sampled_from(sorted(place) if isinstance(place, dict) else range(len(place))))
        if data.draw(st.booleans()):
            place[name] = junk
            break
        place = place[name]
    draft = draft_of(fact, *CREW, START.isoformat())
    object.__setattr__(draft, "body", body)
    with suppress(FactError):
        fact_of(draft)


def test_an_unknown_type_or_version_is_said() -> None:
    draft = draft_of(a_note(), *CREW, START.isoformat())
    object.__setattr__(draft, "version", 9)
    with pytest.raises(FactError, match="version 9"):
        fact_of(draft)


def test_kinds_and_problems_are_kept() -> None:
    unusable = there_and_back(measured(PHOTO, usable=False))
    assert unusable.problems == (Problem("bar-not-found", "no bar is seen"),)  # type: ignore[union-attr]
    assert there_and_back(photo()).kind is PhotoKind.SLOT  # type: ignore[union-attr]
