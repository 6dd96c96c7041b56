"""Times as people write them."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from api.local_time import read_time

DENVER = ZoneInfo("America/Denver")
"""UTC-6 in summer, UTC-7 in winter; in 2026 clocks go forward on 8 March at 2:00 and back on 1 November at 2:00
(rules since 2007: second Sunday in March, first Sunday in November; IANA time zone database)."""


@pytest.mark.parametrize(
    ("text", "iso"),
    [
        ("2026-05-04 23:15", "2026-05-04T23:15:00-06:00"),
        ("2026-05-04T23:15", "2026-05-04T23:15:00-06:00"),
        ("2026-12-04 23:15:30", "2026-12-04T23:15:30-07:00"),
        ("2026-05-04T23:15:00-05:00", "2026-05-04T23:15:00-05:00"),
        ("2026-05-04T23:15:00Z", "2026-05-04T23:15:00+00:00"),
        ("2026-05-04 23:15 -05:00", "2026-05-04T23:15:00-05:00"),
    ],
)
def test_dated_times(text: str, iso: str) -> None:
    assert read_time(text, DENVER).isoformat() == iso


@pytest.mark.parametrize(
    "text",
    [
        "",
        "soon",
        "23:15",
        "2026-13-01 00:00",
        "2026-02-30 12:00",
        "2026-05-04",
        "4.5.2026 23:15",
        "0001-01-01 00:00",
        "9999-12-31 23:59",
    ],
)
def test_what_is_no_time_says_how_to_write_one(text: str) -> None:
    with pytest.raises(ValueError, match="write it like"):
        read_time(text, DENVER)


def test_a_time_of_day_is_its_last_coming() -> None:
    at_one = datetime(2026, 5, 5, 7, 0, tzinfo=UTC)  # 01:00 in Denver
    assert read_time("23:15", DENVER, at_one).isoformat() == "2026-05-04T23:15:00-06:00"
    assert read_time("0:55", DENVER, at_one).isoformat() == "2026-05-05T00:55:00-06:00"
    # A clock that is a few minutes fast is still meant now.
    assert read_time("01:05", DENVER, at_one).isoformat() == "2026-05-05T01:05:00-06:00"
    assert read_time("01:30", DENVER, at_one).isoformat() == "2026-05-04T01:30:00-06:00"
    with pytest.raises(ValueError, match="no time of day"):
        read_time("25:00", DENVER, at_one)


def test_a_local_time_that_never_was_is_refused() -> None:
    with pytest.raises(ValueError, match="skipped"):
        read_time("2026-03-08 02:30", DENVER)


def test_a_local_time_that_came_twice_wants_its_offset() -> None:
    with pytest.raises(ValueError, match="twice") as told:
        read_time("2026-11-01 01:30", DENVER)
    assert "2026-11-01T01:30:00-06:00" in str(told.value)
    assert "2026-11-01T01:30:00-07:00" in str(told.value)
    assert read_time("2026-11-01 01:30-07:00", DENVER).isoformat() == "2026-11-01T01:30:00-07:00"
