"""Photo in: each accepted format in the displayed frame; all else a clear problem in bounded time and memory."""

from __future__ import annotations

import hashlib
import io
import random
import struct
import time
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageOps

from api.isolation import Lost, run_isolated
from models.measurement import Problem
from tests.verifier.photo_files import (
    BLUE,
    GREEN,
    HEIGHT,
    RED,
    WHITE,
    WIDTH,
    corner_colours,
    exif_block,
    quarters,
    saved,
    textured,
)
from verifier.photo import MAX_PIXELS, Photo, decode, look

DATA = Path(__file__).parent / "data"
UPRIGHT = [RED, GREEN, BLUE, WHITE]


def whole(data: bytes) -> Photo:
    photo = decode("a photo", data)
    assert isinstance(photo, Photo), photo
    return photo


def problem(data: bytes) -> Problem:
    outcome = decode("a photo", data)
    assert isinstance(outcome, Problem)
    assert len(outcome.message) > 20
    assert outcome.message.endswith(".")
    return outcome


def assert_colours(photo: Photo, expected: list[tuple[int, int, int]], within: int = 6) -> None:
    np.testing.assert_allclose(corner_colours(photo.colour), expected, atol=within)


@pytest.mark.parametrize(("kind", "within"), [("JPEG", 6), ("PNG", 0), ("AVIF", 6)])
def test_each_format_that_can_be_written_here(kind: str, within: int) -> None:
    photo = whole(saved(quarters(), kind))
    assert photo.size_px == (WIDTH, HEIGHT)
    assert_colours(photo, UPRIGHT, within)


def test_heic_upright_and_turned() -> None:
    """The files hold one stored picture; the second is marked as to be turned a quarter clockwise (orientation 6).

    Written with pillow-heif 1.8 (libheif, x265), which stays out of the project for its licence.
    """
    assert_colours(whole((DATA / "quarters-1.heic").read_bytes()), UPRIGHT, within=8)
    turned = whole((DATA / "quarters-6.heic").read_bytes())
    assert turned.size_px == (HEIGHT, WIDTH)
    assert_colours(turned, [BLUE, RED, WHITE, GREEN], within=8)
    assert turned.facts.orientation == 6
    assert turned.facts.taken_at == "2031-05-04T02:03:04.125+01:00"


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "AVIF"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientations_as_pillow_displays_them(kind: str, orientation: int) -> None:
    data = saved(quarters(), kind, exif=exif_block(orientation))
    photo = whole(data)
    shown = ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB")
    assert photo.size_px == shown.size
    assert_colours(photo, corner_colours(np.asarray(shown)[:, :, ::-1]))
    assert photo.facts.orientation == orientation


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("progressive", [False, True])
def test_jpeg_pixels_are_those_of_opencv(orientation: int, progressive: bool) -> None:
    data = saved(textured(), exif=exif_block(orientation), quality=88, progressive=progressive)
    theirs = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    np.testing.assert_array_equal(whole(data).colour, theirs)


@pytest.mark.parametrize("mode", ["L", "CMYK", "RGB"])
def test_jpeg_colour_modes(mode: str) -> None:
    expected = corner_colours(np.asarray(quarters().convert(mode).convert("RGB"))[:, :, ::-1])
    assert_colours(whole(saved(quarters().convert(mode))), expected, within=8)


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA"])
def test_png_colour_modes(mode: str) -> None:
    expected = corner_colours(np.asarray(quarters().convert(mode).convert("RGB"))[:, :, ::-1])
    assert_colours(whole(saved(quarters().convert(mode), "PNG")), expected, within=0)


def test_png_with_16_bit_grey_keeps_the_upper_byte() -> None:
    deep = (np.asarray(quarters().convert("L")).astype(np.uint16) << 8) | 0xAB
    photo = whole(saved(Image.fromarray(deep), "PNG"))
    np.testing.assert_array_equal(photo.grey, np.asarray(quarters().convert("L")))


def test_png_with_16_bit_colour_keeps_the_upper_byte() -> None:
    deep = np.asarray(quarters()).astype(np.uint16)[:, :, ::-1] << 8 | 0x42
    encoded = cv2.imencode(".png", deep)[1].tobytes()
    assert_colours(whole(encoded), UPRIGHT, within=0)


def test_png_whose_orientation_stands_after_the_picture() -> None:
    """The eXIf part may stand anywhere (PNG 3rd edition, 11.3.4.5); read or not, the photo must stay a photo."""
    plain = saved(quarters(), "PNG")
    block = exif_block(1)
    part = struct.pack(">I", len(block)) + b"eXIf" + block + struct.pack(">I", zlib.crc32(b"eXIf" + block))
    assert_colours(whole(plain[:-12] + part + plain[-12:]), UPRIGHT, within=0)


def test_colour_profiles_are_ignored() -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    for broken in (profile, b"\xff" * 500):
        np.testing.assert_array_equal(
            whole(saved(textured(), icc_profile=broken)).colour, whole(saved(textured())).colour
        )


def test_the_first_of_several_pictures_counts() -> None:
    other = Image.new("RGB", (WIDTH, HEIGHT))
    assert_colours(whole(saved(quarters(), "MPO", save_all=True, append_images=[other])), UPRIGHT)
    assert_colours(whole(saved(quarters(), "PNG", save_all=True, append_images=[other])), UPRIGHT, within=0)


def test_bytes_after_the_picture_do_not_matter() -> None:
    """Phones append short films and depth maps."""
    assert_colours(whole(saved(quarters()) + b"appended" * 1000), UPRIGHT)


def test_filler_before_the_end_marker_does_not_matter() -> None:
    data = saved(quarters())
    for filler in (b"\0", b"\xff"):
        assert_colours(whole(data[:-2] + filler * 37 + data[-2:]), UPRIGHT)


def test_the_photo_knows_its_name_and_hash_and_cannot_be_written_to() -> None:
    data = saved(quarters())
    photo = whole(data)
    assert photo.name == "a photo"
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    for array in (photo.colour, photo.grey):
        with pytest.raises(ValueError, match="read-only"):
            array[0, 0] = 0


def test_sha256_as_published() -> None:
    """FIPS 180-2, B.1: the message "abc"."""
    assert hashlib.sha256(b"abc").hexdigest() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize(
    ("data", "code", "told"),
    [
        (b"", "photo-empty", "0 bytes"),
        (b"hello, I am a photo" * 100, "photo-not-a-photo", "JPEG, PNG, HEIC and AVIF"),
        (b"\0" * 5000, "photo-not-a-photo", "not a photo"),
        (b"%PDF-1.7 ...", "photo-format", "PDF"),
        (b"GIF89a" + bytes(50), "photo-format", "GIF"),
        (b"II*\0" + bytes(50), "photo-format", "raw"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "photo-format", "WebP"),
        (b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + bytes(50), "photo-format", "video"),
        (b"\xff\xd8\xff", "photo-damaged", "damaged"),
        (b"\xff\xd8\xff\xe0" + bytes(500), "photo-damaged", "damaged"),
        (b"\x89PNG\r\n\x1a\n" + bytes(50), "photo-damaged", "damaged"),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(50), "photo-damaged", "damaged"),
        (b"\0\0\0\x1cftypavif\0\0\0\0avifmif1miaf" + bytes(50), "photo-damaged", "damaged"),
    ],
)  # fmt: skip
def test_what_is_no_photo_is_named(data: bytes, code: str, told: str) -> None:
    outcome = problem(data)
    assert outcome.code == code
    assert told in outcome.message
    assert "send the photo again" in outcome.message


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "AVIF"])
@pytest.mark.parametrize("lost", [1, 2, 3, 100, 0.1, 0.5, 0.9])
def test_a_file_cut_short_is_refused(kind: str, lost: float) -> None:
    data = saved(textured(), kind, exif=exif_block())
    kept = len(data) - (lost if lost >= 1 else round(lost * len(data)))
    assert problem(data[: int(kept)]).code == "photo-damaged"


def test_a_heic_cut_short_is_refused() -> None:
    data = (DATA / "quarters-1.heic").read_bytes()
    for kept in (20, 200, len(data) // 2, len(data) - 50):
        assert problem(data[:kept]).code == "photo-damaged"


def test_damage_inside_a_jpeg_that_shows_is_refused() -> None:
    """A stretch of zeros in the middle: OpenCV alone would decode it without a word."""
    data = bytearray(saved(textured(), quality=90))
    data[len(data) // 2 : len(data) // 2 + 2000] = bytes(2000)
    assert cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) is not None
    assert problem(bytes(data)).code == "photo-damaged"


def test_one_wrong_bit_in_a_png_is_refused() -> None:
    data = bytearray(saved(textured(), "PNG"))
    data[len(data) // 2] ^= 4
    assert problem(bytes(data)).code == "photo-damaged"


def _png_header(width: int, height: int) -> bytes:
    def part(name: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))

    rows = zlib.compress(bytes(100_000))
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + part(b"IHDR", header) + part(b"IDAT", rows) + part(b"IEND", b"")


def _jpeg_that_claims(width: int, height: int) -> bytes:
    data = bytearray(saved(quarters()))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


@pytest.mark.parametrize(
    "data", [_png_header(30_000, 30_000), _png_header(2**31 - 1, 2**31 - 1), _jpeg_that_claims(65_000, 65_000)]
)
def test_a_bomb_is_refused_before_it_is_decoded(data: bytes) -> None:
    started = time.perf_counter()
    assert problem(data).code in ("photo-too-large", "photo-damaged")
    assert time.perf_counter() - started < 1.0


def test_a_header_that_claims_more_rows_than_there_are_is_refused() -> None:
    assert problem(_jpeg_that_claims(WIDTH, HEIGHT + 300)).code == "photo-damaged"


def test_a_preview_is_refused_and_the_original_asked_for() -> None:
    outcome = problem(saved(textured(640, 480)))
    assert outcome.code == "photo-too-small"
    assert "640 x 480" in outcome.message


def test_the_largest_phone_sensors_are_accepted_and_more_is_not() -> None:
    assert MAX_PIXELS >= 12_000 * 9_000
    assert problem(saved(Image.new("L", (12_000, 9_300)))).code == "photo-too-large"


def test_a_jpeg_of_a_thousand_passes_is_refused() -> None:
    """A progressive file can ask for any number of passes over the picture, each costing the time of one decoding."""
    data = saved(textured(), progressive=True)
    first = data.index(b"\xff\xda")
    scan = data[first : data.index(b"\xff\xc4", first)]
    started = time.perf_counter()
    assert problem(data[:-2] + scan * 1000 + data[-2:]).code == "photo-damaged"
    assert time.perf_counter() - started < 1.0


def test_hostile_metadata_cost_the_facts_and_not_the_photo() -> None:
    block = bytearray(exif_block(6))
    for at in range(10, len(block), 3):
        block[at] = 0xFF
    photo = decode("a photo", saved(quarters(), exif=bytes(block)))
    assert isinstance(photo, Photo)
    assert photo.facts.model is None


@pytest.fixture(scope="module")
def sound_files() -> list[bytes]:
    picture = textured(1100, 900)
    block = exif_block(6)
    kinds = ("JPEG", "PNG", "AVIF")
    return [saved(picture, kind, exif=block) for kind in kinds] + [saved(picture, progressive=True, exif=block)]


def _mutated(data: bytes, rng: random.Random) -> bytes:
    """A few bytes changed, most of them in the header, where parsers live; now and then a piece lost or doubled."""
    changed = bytearray(data)
    reach = len(changed) if rng.random() < 0.3 else min(1500, len(changed))
    for _ in range(rng.choice([1, 2, 8, 40])):
        changed[rng.randrange(reach)] = rng.choice([0, 0xFF, 0x7F, 0x80, rng.randrange(256)])
    if rng.random() < 0.2:
        start = rng.randrange(len(changed))
        piece = changed[start : start + rng.randrange(200)]
        changed[start:start] = piece if rng.random() < 0.5 else b""
        if rng.random() < 0.5:
            del changed[start : start + len(piece)]
    return bytes(changed)


def test_hundreds_of_damaged_files_are_photos_or_problems(sound_files: list[bytes]) -> None:
    """Nothing raises, nothing takes long, and what passes is a picture of the stated form."""
    rng = random.Random(20310504)
    outcomes: dict[str, int] = {}
    for i in range(400):
        data = _mutated(sound_files[i % len(sound_files)], rng)
        started = time.perf_counter()
        outcome = decode("fuzzed", data)
        assert time.perf_counter() - started < 3.0, data[:200]
        assert outcome.facts if isinstance(outcome, Photo) else outcome.message
        kind = "photo" if isinstance(outcome, Photo) else outcome.code
        outcomes[kind] = outcomes.get(kind, 0) + 1
    assert outcomes["photo"] > 20  # both ends of the road were walked
    assert outcomes["photo-damaged"] > 20


def decode_in_worker(data: bytes) -> str:
    """What became of a file, as a word that can be sent between processes."""
    outcome = decode("fuzzed", data)
    return "photo" if isinstance(outcome, Photo) else outcome.code


def test_damaged_heic_files_at_worst_cost_their_worker() -> None:
    """The HEIC library was seen to crash on such files: that is what workers are for (see ``api.isolation``)."""
    rng, data = random.Random(4), (DATA / "quarters-6.heic").read_bytes()
    files = [data, *(_mutated(data, rng) for _ in range(120)), data]
    outcomes = list(run_isolated(f"{__name__}:decode_in_worker", files, jobs=1, deadline_s=20.0))
    assert len(outcomes) == len(files)
    assert outcomes[0] == outcomes[-1] == "photo"
    assert set(outcomes) <= {"photo", "photo-damaged", "photo-format", "photo-not-a-photo", "photo-too-small",
                             "photo-too-large", Lost.CRASHED}  # fmt: skip
    assert outcomes.count("photo-damaged") > 20


def _visibly_changed(a: NDArray[np.uint8], b: NDArray[np.uint8]) -> float:
    return float((np.abs(a.astype(np.int16) - b).max(axis=2) > 24).mean()) if a.shape == b.shape else 1.0


def test_damage_in_a_jpegs_pixels_mostly_shows() -> None:
    """Measured here for the record: of files with fifty bytes changed, decoding must refuse nearly all."""
    data = saved(textured(), quality=85)
    start = data.index(b"\xff\xda") + 20
    rng = random.Random(7)
    passed = 0
    for _ in range(60):
        changed = bytearray(data)
        for _ in range(50):
            changed[rng.randrange(start, len(data) - 2)] = rng.randrange(256)
        outcome = decode("damaged", bytes(changed))
        passed += isinstance(outcome, Photo) and _visibly_changed(outcome.colour, whole(data).colour) > 0.01
    assert passed <= 3


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400), st.sampled_from([b"", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"\0\0\0\x18ftypheic"]))
def test_any_bytes_are_a_problem(data: bytes, start: bytes) -> None:
    problem(start + data)


def test_a_look_gives_the_capture_facts_that_decoding_gives() -> None:
    data = (Path(__file__).parents[2] / "demo_photos" / "A-layout.jpg").read_bytes()
    assert look(data) == whole(data).facts


@pytest.mark.parametrize("data", [b"", b"hello", b"%PDF-1.7 of something", b"\xff\xd8\xff"])
def test_a_look_at_what_is_no_photo_gives_the_reason(data: bytes) -> None:
    found = look(data)
    assert isinstance(found, Problem)
    assert found == problem(data)
