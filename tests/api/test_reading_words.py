"""Readings from typed words: right ones whole, wrong ones with every fault and what to write."""

from __future__ import annotations

import pytest

from api.reading_words import ReadingWords, WordsError, reading_from
from models.facts import ReadingAdded
from models.plan import Plan
from models.plan_file import read_plan
from models.readings import FORMS, ReadingKind
from models.units import examples
from tests.api.small_project import PLAN

_PLAN = read_plan(PLAN)
assert isinstance(_PLAN, Plan)
THE_PLAN: Plan = _PLAN


def faults(words: ReadingWords) -> str:
    with pytest.raises(WordsError) as told:
        reading_from(words, THE_PLAN)
    assert told.value.faults
    return "\n".join(told.value.faults)


def test_a_depth_in_inches_is_kept_in_mm_and_as_written() -> None:
    reading = reading_from(ReadingWords("slot-depth", {"": "3 1/8 in"}, "1 ft", instrument="gauge"), THE_PLAN)
    (value,) = reading.values
    # 1 in = 25.4 mm exactly (NIST SP 811, appendix B)
    assert (value[0], value[1].value, value[1].unit, value[1].written) == ("value", 79.375, "mm", "3 1/8 in")
    assert reading.station_mm == 304.8


def test_a_triangle_has_three_named_sides() -> None:
    sides = {"a": "6 ft", "b": "8 ft", "c": "10 ft"}
    reading = reading_from(ReadingWords("tape-triangle", sides, instrument="tape"), THE_PLAN)
    assert [(n, v.value) for n, v in reading.values] == [("a", 1828.8), ("b", 2438.4), ("c", 3048.0)]


def test_of_mass_or_volume_the_unit_says_which() -> None:
    for text, name, value in (("2 kg", "mass", 2000.0), ("1.5 L", "volume", 1.5)):
        words = ReadingWords("part-amount", {"": text}, texts={"part": "base"}, instrument="gauge")
        assert [(n, v.value) for n, v in reading_from(words, THE_PLAN).values] == [(name, value)]


def test_an_event_needs_no_value_and_no_instrument() -> None:
    assert reading_from(ReadingWords("pour-end"), THE_PLAN) == ReadingAdded(ReadingKind.POUR_END)


@pytest.mark.parametrize("kind", ReadingKind)
def test_every_kind_can_be_told_in_words(kind: ReadingKind) -> None:
    form = FORMS[kind]
    values = {f.name: examples(f.dimension)[0] for f in form.fields[: 1 if form.one_of else None]}
    words = ReadingWords(
        kind, values, "300 mm" if form.station else "", "1" if form.numbered else "", "gauge" if values else "",
        dict.fromkeys(form.texts, "base"),
    )  # fmt: skip
    reading = reading_from(words, THE_PLAN)
    # The log's own reader is the judge of whether it is whole.
    assert ReadingAdded.from_json(reading.to_json()) == reading


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (ReadingWords("slot-dept"), "did you mean slot-depth"),
        (ReadingWords("slot-depth", {"": "75"}, "0 mm", instrument="gauge"), "has no unit"),
        (ReadingWords("slot-depth", {"": "75 kg"}, "0 mm", instrument="gauge"), "no unit of length"),
        (ReadingWords("slot-depth", {}, "0 mm", instrument="gauge"), "still needs: value"),
        (ReadingWords("slot-depth", {"": "75 mm"}, instrument="gauge"), "station: say where"),
        (ReadingWords("slot-depth", {"": "75 mm"}, "0 mm"), "say with which"),
        (ReadingWords("slot-depth", {"": "75 mm"}, "0 mm", instrument="x"), "none called 'x'"),
        (ReadingWords("slot-depth", {"": "75 mm"}, "0 mm", "1", "gauge"), "pass: a slot-depth has none"),
        (ReadingWords("surface-height", {"": "1 mm"}, "0 mm", "", "gauge"), "number of the grinding pass"),
        (ReadingWords("tape-triangle", {"": "6 ft"}, instrument="tape"), "more than one value"),
        (ReadingWords("tape-triangle", {"a": "6 ft", "b": "8 ft"}, instrument="tape"), "still needs: c"),
        (ReadingWords("pour-end", {"": "3 mm"}), "time alone"),
        (ReadingWords("part-amount", {"": "2 kg"}, instrument="gauge"), "part: a part-amount needs it"),
        (ReadingWords("slot-depth", {"": "75 mm"}, "0 mm", "", "gauge", {"part": "x"}), "no such word"),
        (ReadingWords("hole-diameter", {"depth": "75 mm"}, instrument="tape"), "no value 'depth'"),
    ],
)
def test_what_is_wrong_is_told(words: ReadingWords, expected: str) -> None:
    assert expected in faults(words)


def test_all_faults_are_told_at_once() -> None:
    told = faults(ReadingWords("slot-depth", {"": "75 kg"}, "one foot", "2", "nothing"))
    assert len(told.splitlines()) == 4
