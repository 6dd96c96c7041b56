"""Capture facts: what a phone writes is read; what is damaged, absent or absurd is left out, never guessed."""

from __future__ import annotations

import random
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from tests.verifier.photo_files import exif_block
from verifier.capture import MAX_EXIF_BYTES, CaptureFacts, read_facts


def facts_with(**exif_tags: object) -> CaptureFacts:
    """Facts of a block with one group of tags: ``t9003="…"`` sets tag 0x9003 of the EXIF group."""
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({int(name[1:], 16): value for name, value in exif_tags.items()})
    return read_facts(exif.tobytes())


def position_with(tags: dict[int, object]) -> CaptureFacts:
    exif = Image.Exif()
    exif.get_ifd(0x8825).update(tags)
    return read_facts(exif.tobytes())


def test_all_facts_of_a_phone() -> None:
    assert read_facts(exif_block(6)) == CaptureFacts(
        taken_at="2031-05-04T02:03:04.125-05:30",
        latitude_deg=-(1 + 30 / 60 + 36 / 3600),
        longitude_deg=-(30 + 15 / 60),
        position_error_m=4.25,
        gps_time="2031-05-04T07:33:04.500000Z",
        make="Testcam",
        model="Q-3",
        lens="Q-3 back camera 5.7mm f/1.8",
        focal_mm=5.7,
        focal_35mm=26.0,
        digital_zoom=2.0,
        software="7.1",
        orientation=6,
    )


def test_both_ways_of_handing_over_the_block_are_read() -> None:
    block = exif_block()
    bare = block.removeprefix(b"Exif\0\0")
    assert read_facts(b"Exif\0\0" + bare) == read_facts(bare) != CaptureFacts()


@pytest.mark.parametrize("block", [None, b"", b"Exif\0\0", b"no tiff", b"II*\0" + bytes(MAX_EXIF_BYTES)])
def test_no_readable_block_gives_no_facts(block: bytes | None) -> None:
    assert read_facts(block) == CaptureFacts()


@pytest.mark.parametrize(
    ("tags", "taken_at"),
    [
        ({"t9003": "2031:05:04 02:03:04"}, "2031-05-04T02:03:04"),
        ({"t9004": "2031:05:04 02:03:04", "t9292": "5"}, "2031-05-04T02:03:04.5"),
        ({"t9003": "2031:05:04 02:03:04", "t9011": "+09:00"}, "2031-05-04T02:03:04+09:00"),
        ({"t9003": "2031:05:04 02:03:04", "t9011": "+99:00"}, "2031-05-04T02:03:04"),
        ({"t9003": "2031:05:04 02:03:04", "t9291": "12x"}, "2031-05-04T02:03:04"),
        ({"t9003": "2031:02:30 02:03:04"}, None),
        ({"t9003": "0000:00:00 00:00:00"}, None),
        ({"t9003": "yesterday"}, None),
        ({}, None),
    ],
)
def test_time_of_the_shutter(tags: dict[str, object], taken_at: str | None) -> None:
    assert facts_with(**tags).taken_at == taken_at


@pytest.mark.parametrize(
    "tags",
    [
        {1: "N", 2: (91.0, 0.0, 0.0)},
        {2: (1.0, 2.0, 3.0)},
        {1: "N", 2: (1.0, 2.0)},
        {1: "N"},
    ],
)
def test_a_position_that_is_none_is_left_out(tags: dict[int, object]) -> None:
    assert position_with(tags).latitude_deg is None


@given(st.floats(0, 89.99), st.sampled_from("NS"))
def test_degrees_minutes_seconds_come_back(latitude: float, hemisphere: str) -> None:
    degrees, rest = divmod(latitude * 3600, 3600)
    minutes, seconds = divmod(rest, 60)
    found = position_with({1: hemisphere, 2: (degrees, minutes, seconds)}).latitude_deg
    assert found == pytest.approx(latitude if hemisphere == "N" else -latitude, abs=1e-6)


def test_zero_means_not_known() -> None:
    """EXIF writes 0 for an unknown focal length and for zoom that was not used (CIPA DC-008)."""
    facts = facts_with(t920A=0.0, tA405=0, tA404=0.0)
    assert (facts.focal_mm, facts.focal_35mm, facts.digital_zoom) == (None, None, None)


def test_names_are_cut_and_cleaned() -> None:
    facts = facts_with(tA434="lens \x07\x1b[31m" + "x" * 500)
    assert facts.lens is not None
    assert facts.lens.isprintable()
    assert len(facts.lens) == 80


def test_hundreds_of_damaged_blocks_are_read_in_bounded_time() -> None:
    rng, block = random.Random(3), exif_block(8)
    for _ in range(300):
        changed = bytearray(block)
        for _ in range(rng.choice([1, 3, 10, 60])):
            changed[rng.randrange(6, len(changed))] = rng.choice([0, 0xFF, rng.randrange(256)])
        started = time.perf_counter()
        facts = read_facts(bytes(changed))
        assert time.perf_counter() - started < 1.0
        assert facts.orientation in range(1, 9)


@given(st.binary(max_size=300))
def test_any_bytes_behind_a_tiff_header_are_read(rest: bytes) -> None:
    assert read_facts(b"II*\0" + rest).orientation in range(1, 9)
