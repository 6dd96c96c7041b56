"""Times as people write them: RFC 3339, or the local time of the project."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

AHEAD = timedelta(minutes=10)
"""A time of day without its date means its last coming; a clock may be so much fast."""

YEARS = range(2000, 2200)
"""Any other is a slip, whatever it was meant to be."""

_DATED = re.compile(
    r"(?P<day>\d{4}-\d\d-\d\d)[Tt ](?P<time>\d\d:\d\d(:\d\d(\.\d{1,6})?)?) ?(?P<offset>[Zz]|[+-]\d\d:\d\d)?"
)
_TIME_OF_DAY = re.compile(r"\d\d?:\d\d(:\d\d)?")
EXPECTED = "write it like `2026-10-06 23:15` (the project's local time) or `2026-10-06T23:15:00-05:00`"


def read_time(text: str, zone: ZoneInfo, now: datetime | None = None) -> datetime:
    """The instant that a text means; a time of day alone is taken only where ``now`` is told.

    Raises:
        ValueError: no such time; the message says what to write.
    """
    text = text.strip()
    if now is not None and _TIME_OF_DAY.fullmatch(text):
        return _last_coming(text, zone, now)
    match = _DATED.fullmatch(text)
    if match is None:
        short = ", or like `23:15` for the last time it was so late" if now is not None else ""
        raise ValueError(f"{text!r} is no date and time; {EXPECTED}{short}")
    try:
        written = datetime.fromisoformat(f"{match['day']}T{match['time']}{(match['offset'] or '').upper()}")
        if written.year not in YEARS:
            raise ValueError
    except ValueError:
        raise ValueError(f"{text!r}: there is no such date or time; {EXPECTED}") from None
    return written if written.tzinfo is not None else in_zone(written, zone)


def in_zone(written: datetime, zone: ZoneInfo) -> datetime:
    """A local time as an instant.

    Raises:
        ValueError: clocks were set then, so that it was never or twice.
    """
    first, second = (written.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != written:
        raise ValueError(f"{written:%Y-%m-%d %H:%M} was skipped in {zone.key}, where clocks were set forward then")
    if first.utcoffset() != second.utcoffset():
        ways = " or ".join(one.isoformat() for one in (first, second))
        raise ValueError(f"{written:%Y-%m-%d %H:%M} came twice in {zone.key}; write {ways}")
    # With a fixed offset, as the log keeps it.
    return datetime.fromisoformat(first.isoformat())


def _last_coming(text: str, zone: ZoneInfo, now: datetime) -> datetime:
    try:
        of_day = time.fromisoformat(text.zfill(5) if len(text) < 6 else text.zfill(8))
    except ValueError:
        raise ValueError(f"{text!r} is no time of day; {EXPECTED}") from None
    today = datetime.combine(now.astimezone(zone).date(), of_day)
    found = in_zone(today, zone)
    return found if found <= now + AHEAD else in_zone(today - timedelta(days=1), zone)
