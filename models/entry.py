"""Entries: the single facts of a project's log, in canonical form and named by their hash.

An entry is told by somebody (a `Draft`), then taken into the log, which adds when it came and its number (an `Entry`).
Its canonical form is that of RFC 8785; its id is the SHA-256 of that form without number and id, so an entry cannot be
changed without changing its name. Its key leaves out when it came as well, so the same fact told twice has one key.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from sys import intern
from typing import Any

import rfc8785

MAX_ENTRY_BYTES = 4_000_000
"""A plan of 500 sensors has about 200,000; anything beyond this is no entry."""

_RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:[Zz]|[+-]\d\d:\d\d)")
_HASH = re.compile(r"[0-9a-f]{64}")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class EntryError(ValueError):
    """What was given is no entry; the message says why."""


class EntryType(StrEnum):
    """What an entry tells."""

    PLAN_ADOPTED = "plan-adopted"
    PHOTO_ADDED = "photo-added"
    PHOTO_MEASURED = "photo-measured"
    READING_ADDED = "reading-added"
    CHECK_ADDED = "check-added"
    RESULT_COMPUTED = "result-computed"
    CORRECTION = "correction"
    DECISION = "decision"
    NOTE = "note"


@dataclass(frozen=True)
class Draft:
    """What somebody tells, before the log has taken it.

    Raises:
        EntryError: a field is not of its form; the message says which and what is expected.
    """

    type: str
    """A word of `EntryType`."""
    author: str
    """Id of a contact of the plan."""
    role: str
    """A word of `models.people.Role`: in which role the author tells it."""
    at: str
    """When, by the author's clock: RFC 3339 with its offset from UTC."""
    body: Mapping[str, Any]
    """The fact itself as JSON; its form belongs to the type and version (`models.facts`)."""
    sensor: str = ""
    """``site/lane/sensor``; empty where the whole project is meant."""
    stage: str = ""
    """Id of a stage of the plan; empty where none is meant."""
    inputs: tuple[str, ...] = ()
    """SHA-256 of files, or ids of entries, that this one rests on or replaces."""
    version: int = 1
    """Version of the form of the body."""

    def __post_init__(self) -> None:
        for name, value in (("type", self.type), ("author", self.author), ("role", self.role)):
            if not value or not isinstance(value, str):
                raise EntryError(f"{name}: a word is expected, not {value!r}")
        moment(self.at)
        if not all(_HASH.fullmatch(i) for i in self.inputs):
            raise EntryError("inputs: SHA-256 in 64 lower-case hexadecimal digits are expected")

    def key(self) -> str:
        """SHA-256 of the canonical form: the same for the same fact told again."""
        return self.prepared().key

    def prepared(self) -> Prepared:
        """The draft in canonical form, ready to be taken.

        Raises:
            EntryError: it has no canonical form: a number that is none, broken text.
        """
        members = _members(self)
        return Prepared(self, sha256_hex(_joined(members)), members)

    def taken(self, seq: int, received: datetime) -> Entry:
        """The entry that the log makes of it.

        Raises:
            EntryError: it has no canonical form or is too large.
        """
        return self.prepared().taken(seq, received).entry


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A draft whose canonical form is worked out; that takes longer than all else, and key and id both need it."""

    draft: Draft
    key: str
    members: Mapping[str, bytes]
    """By name the canonical form of each member."""

    def taken(self, seq: int, received: datetime) -> Stored:
        """The entry with the bytes that it is stored as.

        Raises:
            EntryError: it is too large.
        """
        draft, stamp = self.draft, as_rfc3339(received)
        canonical = _joined({**self.members, "received": canonical_json(stamp)})
        if len(canonical) > MAX_ENTRY_BYTES:
            raise EntryError(f"an entry may have {MAX_ENTRY_BYTES:,} bytes; this one has {len(canonical):,}")
        document = {**_document(draft), "received": stamp}
        return Stored(_entry(seq, sha256_hex(canonical), document), canonical)


@dataclass(frozen=True, slots=True)
class Stored:
    """An entry and its bytes."""

    entry: Entry
    canonical: bytes


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a log."""

    seq: int
    """Its place in the log, from 1."""
    id: str
    """SHA-256 of `canonical`, in hexadecimal."""
    type: str
    version: int
    author: str
    role: str
    at: str
    received: str
    """When it came, by the log's clock: RFC 3339 in UTC, to the microsecond."""
    sensor: str
    stage: str
    inputs: tuple[str, ...]
    body: Mapping[str, Any] = field(hash=False)

    def canonical(self) -> bytes:
        """The bytes that are stored and hashed (RFC 8785)."""
        return _joined({**_members(self), "received": canonical_json(self.received)})

    def key(self) -> str:
        """The key of the draft that it was made of."""
        return sha256_hex(_joined(_members(self)))

    @staticmethod
    def from_canonical(seq: int, canonical: bytes, *, strictly: bool = False) -> Entry:
        """The entry stored as these bytes.

        ``strictly`` also proves that the bytes are the canonical form of what they say: for entries from outside.

        Raises:
            EntryError: they are no entry.
        """
        try:
            document = json.loads(canonical)
            entry = _entry(seq, sha256_hex(canonical), document)
        except (ValueError, KeyError, TypeError, RecursionError) as wrong:
            raise EntryError(f"entry {seq} cannot be read: {wrong}") from None
        if strictly:
            _demand_canonical(seq, canonical, document)
        return entry


def canonical_json(value: Any) -> bytes:
    """The canonical form of a JSON value (RFC 8785).

    Raises:
        EntryError: the value has none: not a number, infinite, an integer that no double is, broken text, no JSON.
    """
    try:
        try:
            return rfc8785.dumps(value)
        except rfc8785.IntegerDomainError:
            return rfc8785.dumps(_with_doubles(value))
    except (rfc8785.CanonicalizationError, RecursionError) as wrong:
        raise EntryError(f"this cannot be written as canonical JSON: {wrong}") from None


def _with_doubles(value: Any) -> Any:
    """The value with its large integers as doubles: 1e16 is written 10000000000000000 and read again as an integer."""
    if isinstance(value, dict):
        return {name: _with_doubles(v) for name, v in value.items()}
    if isinstance(value, list | tuple):
        return [_with_doubles(v) for v in value]
    if type(value) is int and 2**53 <= abs(value) < 10**21 and rfc8785.dumps(float(value)) == str(value).encode():
        return float(value)
    return value


def sha256_hex(content: bytes) -> str:
    """SHA-256 (FIPS 180-4) in lower-case hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def moment(text: str) -> datetime:
    """The instant that an RFC 3339 text means.

    Raises:
        EntryError: no such text, or without its offset from UTC.
    """
    if isinstance(text, str) and _RFC3339.fullmatch(text):
        try:
            return datetime.fromisoformat(text.upper())
        except ValueError:
            pass  # a 30th of February, a leap second
    raise EntryError(
        f"{text!r} is no date and time with its offset from UTC; write it like `2026-05-04T23:15:00-05:00` (RFC 3339)"
    )


def as_rfc3339(instant: datetime) -> str:
    """An instant as the log writes it: UTC, microseconds.

    Raises:
        ValueError: a time without its offset from UTC.
    """
    if instant.tzinfo is None:
        raise ValueError("a time with its offset from UTC is expected")
    return instant.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def microseconds(instant: datetime) -> int:
    """Microseconds since 1970-01-01T00:00:00Z, without leap seconds."""
    return (instant - _EPOCH) // timedelta(microseconds=1)


def _members(told: Draft | Entry) -> dict[str, bytes]:
    """What the key is made of, each member in canonical form."""
    return {name: canonical_json(value) for name, value in _document(told).items()}


def _joined(members: Mapping[str, bytes]) -> bytes:
    """The canonical form of an object: its members by the order of their names (RFC 8785, 3.2.3; all are ASCII)."""
    return b"{" + b",".join(b'"%s":%s' % (name.encode(), members[name]) for name in sorted(members)) + b"}"


def _document(told: Draft | Entry) -> dict[str, Any]:
    """What the key is made of."""
    return {
        "type": str(told.type),
        "version": told.version,
        "author": told.author,
        "role": str(told.role),
        "at": told.at,
        "sensor": told.sensor,
        "stage": told.stage,
        "inputs": list(told.inputs),
        "body": told.body,
    }


_TEXTS = ("type", "author", "role", "at", "received", "sensor", "stage")
_FIELDS = {*_TEXTS, "version", "inputs", "body"}


def _entry(seq: int, name: str, document: Any) -> Entry:
    if not isinstance(document, dict) or document.keys() != _FIELDS or not isinstance(document["body"], dict):
        raise EntryError("it has not the fields of an entry")
    if not all(isinstance(document[t], str) for t in _TEXTS) or type(document["version"]) is not int:
        raise EntryError("a field of it has not the form of an entry's")
    # Words that come again and again are kept once: half the memory of a long log.
    return Entry(
        seq,
        name,
        intern(document["type"]),
        document["version"],
        intern(document["author"]),
        intern(document["role"]),
        document["at"],
        document["received"],
        intern(document["sensor"]),
        intern(document["stage"]),
        tuple(document["inputs"]),
        document["body"],
    )


def _demand_canonical(seq: int, canonical: bytes, document: Mapping[str, Any]) -> None:
    """Refuse what is stored otherwise than RFC 8785 would write it, or is no draft either."""
    if canonical_json(document) != canonical:
        raise EntryError(f"entry {seq} is not in canonical form")
    moment(document["received"])
    Draft(**{k: document[k] for k in ("type", "author", "role", "at", "body")}, inputs=tuple(document["inputs"]))
