"""Entries: their canonical form against RFC 8785's own data, their ids and keys, and what is no entry."""

from __future__ import annotations

import json
import struct
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.entry import Draft, Entry, EntryError, as_rfc3339, canonical_json, microseconds, moment, sha256_hex

# RFC 8785, appendix B: IEEE 754 double in hexadecimal, and its form. Read from two suites that carry the table,
# lattice-substrate/json-canon (conformance/official/rfc8785/appendix_b.csv) and trailofbits/rfc8785.py
# (test/test_impl.py), which agree in every row.
APPENDIX_B = """
0000000000000000 0
8000000000000000 0
0000000000000001 5e-324
8000000000000001 -5e-324
7fefffffffffffff 1.7976931348623157e+308
ffefffffffffffff -1.7976931348623157e+308
4340000000000000 9007199254740992
c340000000000000 -9007199254740992
4430000000000000 295147905179352830000
44b52d02c7e14af5 9.999999999999997e+22
44b52d02c7e14af6 1e+23
44b52d02c7e14af7 1.0000000000000001e+23
444b1ae4d6e2ef4e 999999999999999700000
444b1ae4d6e2ef4f 999999999999999900000
444b1ae4d6e2ef50 1e+21
3eb0c6f7a0b5ed8c 9.999999999999997e-7
3eb0c6f7a0b5ed8d 0.000001
41b3de4355555553 333333333.3333332
41b3de4355555554 333333333.33333325
41b3de4355555555 333333333.3333333
41b3de4355555556 333333333.3333334
41b3de4355555557 333333333.33333343
becbf647612f3696 -0.0000033333333333333333
43143ff3c1cb0959 1424953923781206.2
"""

# The test data that RFC 8785 (section 4 and appendix A; from memory that it names them) points to:
# cyberphone/json-canonicalization, testdata/input and testdata/output. The output of `arrays` was not to be had and
# is written out here after section 3.2.
TEST_DATA = [
    (
        "values",
        r"""{"numbers": [1E30, 4.50, 333333333.33333329, 2e-3, 0.000000000000000000000000001],
             "escaping": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/", "literals": [null, true, false]}""",
        r"""{"escaping":"€$\u000f\nA'B\"\\\\\"/","literals":[null,true,false],"""
        r""""numbers":[1e+30,4.5,333333333.3333333,0.002,1e-27]}""",
    ),
    (
        "weird",
        r"""{"\u20ac": "Euro Sign", "1": "One", "\u0080": "Control\u007f", "\ud83d\ude02": "Smiley",
             "\u00f6": "Latin Small Letter O With Diaeresis", "\ufb33": "Hebrew Letter Dalet With Dagesh",
             "</script>": "Browser Challenge"}""",
        '{"1":"One","</script>":"Browser Challenge","\u0080":"Control\u007f",'
        '"\u00f6":"Latin Small Letter O With Diaeresis","\u20ac":"Euro Sign","\U0001f602":"Smiley",'
        '"\ufb33":"Hebrew Letter Dalet With Dagesh"}',
    ),
    (
        "structures",
        r"""{"1": {"f": {"f": "hi","F": 5} ,"\n": 56.0}, "10": { }, "": "empty", "a": { }, "111": [ { } ],
             "A": { } }""",
        r"""{"":"empty","1":{"\n":56,"f":{"F":5,"f":"hi"}},"10":{},"111":[{}],"A":{},"a":{}}""",
    ),
    (
        "french",
        '{"peach": "This sorting order", "péché": "is wrong according to French", '
        '"pêche": "but canonicalization MUST", "sin":   "ingnore locale"}',
        '{"peach":"This sorting order","péché":"is wrong according to French",'
        '"pêche":"but canonicalization MUST","sin":"ingnore locale"}',
    ),
    ("unicode", r"""{"Unnormalized Unicode":"\u1e0d\u0307"}""", '{"Unnormalized Unicode":"\u1e0d\u0307"}'),
    ("arrays", '[56, {"d": true, "10": null, "1": [ ]}]', '[56,{"1":[],"10":null,"d":true}]'),
]


@pytest.mark.parametrize("line", APPENDIX_B.split("\n")[1:-1])
def test_numbers_of_rfc_8785_appendix_b(line: str) -> None:
    bits, expected = line.split()
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical_json(number) == expected.encode()


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000", "fff0000000000000"])
def test_what_is_no_number_has_no_canonical_form(bits: str) -> None:
    with pytest.raises(EntryError):
        canonical_json({"value": struct.unpack(">d", bytes.fromhex(bits))[0]})


@pytest.mark.parametrize(("name", "given_text", "expected"), TEST_DATA, ids=[t[0] for t in TEST_DATA])
def test_the_test_data_of_rfc_8785(name: str, given_text: str, expected: str) -> None:
    assert canonical_json(json.loads(given_text)) == expected.encode(), name


@pytest.mark.parametrize("value", [2**53 + 1, "\ud800", {1: 2}, {1, 2}, b"x"])
def test_what_json_cannot_say_is_refused(value: Any) -> None:
    with pytest.raises(EntryError, match="canonical JSON"):
        canonical_json(value)


NUMBERS = st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(2**53) + 1, 2**53 - 1)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
JSON = st.recursive(
    st.none() | st.booleans() | NUMBERS | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=12,
)


@given(JSON)
def test_canonical_form_says_the_same_and_is_its_own_canonical_form(value: Any) -> None:
    canonical = canonical_json(value)
    assert json.loads(canonical, parse_int=float) == value  # JSON's numbers are doubles
    assert canonical_json(json.loads(canonical)) == canonical


def draft(**changes: Any) -> Draft:
    fields: dict[str, Any] = {
        "type": "note",
        "author": "casey",
        "role": "crew",
        "at": "2026-05-04T23:15:00-05:00",
        "body": {"text": "rain"},
    }
    return Draft(**{**fields, **changes})


NOW = datetime(2026, 5, 5, 4, 15, 30, 250, tzinfo=UTC)


def test_an_entry_comes_back_from_its_bytes() -> None:
    entry = draft(body={"text": "dry", "number": 1.5, "list": [1, {"a": None}]}).taken(7, NOW)
    again = Entry.from_canonical(7, entry.canonical(), strictly=True)
    assert again == entry
    assert again.id == sha256_hex(entry.canonical())
    assert again.received == "2026-05-05T04:15:30.000250Z"


@given(JSON, TEXTS.filter(bool))
def test_the_form_put_together_of_members_is_that_of_the_whole(value: Any, author: str) -> None:
    entry = draft(body={"value": value}, author=author).taken(1, NOW)
    fields = ("type", "version", "author", "role", "at", "received", "sensor", "stage", "body")
    whole = {**{name: getattr(entry, name) for name in fields}, "inputs": list(entry.inputs)}
    assert entry.canonical() == canonical_json(whole)


def test_the_id_covers_everything_but_the_number() -> None:
    entry = draft().taken(1, NOW)
    assert draft().taken(2, NOW).id == entry.id
    changed = [
        draft(type="check-added"), draft(author="robin"), draft(role="inspector"), draft(version=2),
        draft(at="2026-05-04T23:15:01-05:00"), draft(body={"text": "snow"}), draft(sensor="n/1/A"),
        draft(stage="layout"), draft(inputs=("a" * 64,)),
    ]  # fmt: skip
    ids = {d.taken(1, NOW).id for d in changed} | {draft().taken(1, NOW + timedelta(microseconds=1)).id, entry.id}
    assert len(ids) == len(changed) + 2


def test_the_key_is_the_same_whenever_it_comes() -> None:
    early, late = draft().taken(1, NOW), draft().taken(9, NOW + timedelta(days=1))
    assert early.id != late.id
    assert early.key() == late.key() == draft().key()


def test_the_order_of_names_in_the_body_does_not_matter() -> None:
    assert draft(body={"a": 1, "b": 2.0}).key() == draft(body={"b": 2, "a": 1}).key()


@pytest.mark.parametrize(
    "text",
    [
        "", "yesterday", "2026-05-04", "2026-05-04T23:15:00", "2026-05-04 23:15:00-05:00", "2026-02-30T00:00:00Z",
        "2026-05-04T23:15:00-0500", "20260504T231500Z", "2026-05-04T24:00:00Z", "2026-W18-1T00:00:00Z",
        "1990-12-31T23:59:60Z",
    ],
)  # fmt: skip
def test_a_time_that_is_none_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(EntryError, match="write it like"):
        draft(at=text)


def test_rfc_3339_examples() -> None:
    """RFC 3339, 5.8 (from memory): the two are one instant; lower-case letters are allowed (5.6)."""
    assert moment("1996-12-19T16:39:57-08:00") == moment("1996-12-20T00:39:57Z") == moment("1996-12-20t00:39:57z")
    assert moment("1985-04-12T23:20:50.52Z").microsecond == 520_000


def test_time_as_the_log_writes_it() -> None:
    assert as_rfc3339(NOW) == "2026-05-05T04:15:30.000250Z"
    assert microseconds(datetime(1970, 1, 2, tzinfo=UTC)) == 86_400_000_000
    with pytest.raises(ValueError, match="offset"):
        as_rfc3339(NOW.replace(tzinfo=None))


@pytest.mark.parametrize("changes", [{"author": ""}, {"type": ""}, {"role": ""}, {"inputs": ("abc",)}])
def test_a_draft_of_another_form_is_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(EntryError):
        draft(**changes)


def test_an_entry_too_large_is_refused() -> None:
    with pytest.raises(EntryError, match="4,000,000 bytes"):
        draft(body={"text": "x" * 4_000_000}).taken(1, NOW)


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b"null", b"{}", b'{"type":"note"}', b"\xff", b"[" * 100_000, b'{"type":NaN}'],
)
def test_bytes_that_are_no_entry_are_refused(content: bytes) -> None:
    with pytest.raises(EntryError, match="cannot be read"):
        Entry.from_canonical(1, content)


def test_another_writing_of_the_same_entry_is_not_canonical() -> None:
    canonical = draft().taken(1, NOW).canonical()
    loose = json.dumps(json.loads(canonical), indent=1).encode()
    assert Entry.from_canonical(1, loose).body == {"text": "rain"}
    with pytest.raises(EntryError, match="not in canonical form"):
        Entry.from_canonical(1, loose, strictly=True)


def test_entries_cannot_be_changed() -> None:
    entry = draft().taken(1, NOW)
    with pytest.raises(AttributeError):
        entry.author = "robin"  # type: ignore[misc]
    assert replace(entry, author="robin").canonical() != entry.canonical()
