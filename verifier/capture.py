"""What the camera wrote beside the picture (EXIF), read from an untrusted block of bytes.

Pillow hands over the block, ExifRead reads it as TIFF. Everything here is a claim of the file, none of it proof; a
damaged or hostile block costs its facts and never the photo.
"""

from __future__ import annotations

import io
import logging
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

MAX_EXIF_BYTES = 1_000_000
"""A phone's block has 10 to 70 kB; reading time grows with the size, so that more than this is left alone."""

MAX_TEXT = 80
"""Characters kept of a name."""

_TIFF_STARTS = (b"II*\0", b"MM\0*")


@dataclass(frozen=True)
class CaptureFacts:
    """What the camera says about the photo; all of it a claim, none of it proof."""

    taken_at: str | None = None
    """ISO 8601 local time with sub-seconds and offset where given."""
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    position_error_m: float | None = None
    gps_time: str | None = None
    """ISO 8601, UTC."""
    make: str | None = None
    model: str | None = None
    lens: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    """Focal length that gives the same angle of view on 36 mm x 24 mm film [mm]."""
    digital_zoom: float | None = None
    software: str | None = None
    orientation: int = 1
    """EXIF orientation 1 ... 8 by which the stored picture was turned to the displayed one."""


def read_facts(exif: bytes | None) -> CaptureFacts:
    """The capture facts of an EXIF block; empty facts where there is none or where it cannot be read."""
    if not exif or len(exif) > MAX_EXIF_BYTES:
        return CaptureFacts()
    block = exif.removeprefix(b"Exif\0\0")
    if not block.startswith(_TIFF_STARTS):
        return CaptureFacts()
    return _facts(_read_tags(block))


def _read_tags(block: bytes) -> Mapping[str, Any]:
    """Tag values by name; ExifRead raises almost anything on a damaged block, and an unread block is an empty one."""
    import exifread

    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    try:
        tags = exifread.process_file(io.BytesIO(block), details=False, extract_thumbnail=False)
    except Exception:
        return {}
    return {name: getattr(tag, "values", None) for name, tag in tags.items()}


def _facts(tags: Mapping[str, Any]) -> CaptureFacts:
    return CaptureFacts(
        taken_at=_taken_at(tags),
        latitude_deg=_coordinate(tags, "GPS GPSLatitude", "S", 90.0),
        longitude_deg=_coordinate(tags, "GPS GPSLongitude", "W", 180.0),
        # Tag 0x001F is GPSHPositioningError; ExifRead has no name for it.
        position_error_m=_positive(tags, "GPS Tag 0x001F") or _positive(tags, "GPS GPSHPositioningError"),
        gps_time=_gps_time(tags),
        make=_text(tags, "Image Make"),
        model=_text(tags, "Image Model"),
        lens=_text(tags, "EXIF LensModel"),
        focal_mm=_positive(tags, "EXIF FocalLength"),
        focal_35mm=_positive(tags, "EXIF FocalLengthIn35mmFilm"),
        digital_zoom=_positive(tags, "EXIF DigitalZoomRatio"),
        software=_text(tags, "Image Software"),
        orientation=_orientation(tags),
    )


def _text(tags: Mapping[str, Any], name: str) -> str | None:
    """A printable line of text, or None."""
    value = tags.get(name)
    if not isinstance(value, str):
        return None
    clean = "".join(c for c in value if c.isprintable()).strip()[:MAX_TEXT]
    return clean or None


def _numbers(tags: Mapping[str, Any], name: str) -> list[float]:
    """All numbers of a tag, finite; empty where one of them is not a number."""
    values = tags.get(name)
    if not isinstance(values, (list, tuple)):
        return []
    try:
        # ExifRead gives a number that was stored as a floating-point one as a tuple of one.
        numbers = [float(v[0] if isinstance(v, tuple) else v) for v in values[:8]]
    except (TypeError, ValueError, IndexError, ZeroDivisionError, OverflowError):
        return []
    return numbers if all(math.isfinite(n) for n in numbers) else []


def _positive(tags: Mapping[str, Any], name: str) -> float | None:
    """A number above zero: EXIF writes 0 for 'not known' or 'not used'."""
    numbers = _numbers(tags, name)
    return numbers[0] if len(numbers) == 1 and numbers[0] > 0 else None


def _orientation(tags: Mapping[str, Any]) -> int:
    numbers = _numbers(tags, "Image Orientation")
    return int(numbers[0]) if len(numbers) == 1 and numbers[0] in range(1, 9) else 1


def _coordinate(tags: Mapping[str, Any], name: str, negative: str, limit_deg: float) -> float | None:
    """Degrees, minutes, seconds to signed degrees; None where out of range or without its hemisphere."""
    parts, hemisphere = _numbers(tags, name), _text(tags, name + "Ref")
    if len(parts) != 3 or hemisphere is None or min(parts) < 0:
        return None
    degrees = parts[0] + parts[1] / 60.0 + parts[2] / 3600.0
    if degrees > limit_deg:
        return None
    return -degrees if hemisphere.upper().startswith(negative) else degrees


def _taken_at(tags: Mapping[str, Any]) -> str | None:
    """Time of the shutter as ISO 8601: the original's tag first, then the digitised one's."""
    for stamp, which in (("EXIF DateTimeOriginal", "Original"), ("EXIF DateTimeDigitized", "Digitized")):
        local = _local_time(_text(tags, stamp))
        if local is not None:
            return local + _fraction(tags, which) + _offset(tags, which)
    return None


def _local_time(text: str | None) -> str | None:
    try:
        return None if text is None else datetime.strptime(text, "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:
        return None


def _fraction(tags: Mapping[str, Any], which: str) -> str:
    """Sub-seconds as written: their digits are decimal places."""
    digits = _text(tags, f"EXIF SubSecTime{which}") or ""
    return f".{digits}" if re.fullmatch(r"[0-9]{1,9}", digits) else ""


def _offset(tags: Mapping[str, Any], which: str) -> str:
    """Offset from UTC as ±HH:MM."""
    offset = _text(tags, f"EXIF OffsetTime{which}") or ""
    return offset if re.fullmatch(r"[+-](0\d|1[0-4]):[0-5]\d", offset) else ""


def _gps_time(tags: Mapping[str, Any]) -> str | None:
    day, clock = _text(tags, "GPS GPSDate") or "", _numbers(tags, "GPS GPSTimeStamp")
    if len(clock) != 3 or not re.fullmatch(r"\d{4}:\d\d:\d\d", day):
        return None
    try:
        at = time(int(clock[0]), int(clock[1]), int(clock[2]), round(clock[2] % 1 * 1e6) % 1_000_000)
        return f"{date.fromisoformat(day.replace(':', '-')).isoformat()}T{at.isoformat()}Z"
    except (ValueError, OverflowError):
        return None
