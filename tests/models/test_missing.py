"""That what the fold asks for can be had: every kind of reading that needs a result is taken in by a computation."""

from __future__ import annotations

import pytest

from models.missing import WITHOUT_OWN_RESULT
from models.readings import FORMS, Reading, ReadingKind
from tests.models.log_writer import PLAN, SENSOR, START
from verifier.stages import evaluate

SOURCE = "a" * 64


def likely(kind: ReadingKind) -> Reading:
    """A reading from the middle of its likely range; of the triangle, 1.5 m on both sides."""
    form = FORMS[kind]
    fields = form.fields[:1] if form.one_of else form.fields
    sides = {"a": 1500.0, "b": 1500.0, "c": 2121.32}
    values = tuple((f.name, sides.get(f.name, (f.lowest + f.highest) / 2)) for f in fields)
    return Reading(
        kind,
        values,
        100.0 if form.station else None,
        1 if form.numbered else None,
        START,
        texts=tuple((name, "resin") for name in form.texts),
        source=SOURCE,
    )


@pytest.mark.parametrize("kind", sorted(set(ReadingKind) - WITHOUT_OWN_RESULT))
def test_a_reading_that_must_be_worked_out_is(kind: ReadingKind) -> None:
    results = evaluate(PLAN, SENSOR, "any-stage", [likely(kind)]).results
    assert any(SOURCE in result.inputs for result in results)
