"""One photo, decoded: pixels as displayed and the facts the camera wrote beside them.

The bytes are untrusted. Size is read before anything is decoded, each format is decoded by one named library, and
whatever those throw becomes a Problem. What is left to the caller: a deadline and a limit on memory for the process
(decoders are C code), and the question whether the bytes are the ones that were taken (the SHA-256).
"""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFile

from models.measurement import Problem
from verifier.capture import CaptureFacts, read_facts

T = TypeVar("T")

__all__ = ["CaptureFacts", "Photo", "decode", "look"]

MAX_PIXELS = 110_000_000
"""The largest phone sensors have 108 million pixels."""

MIN_PIXELS = 900_000
"""Under about one million pixels it is a thumbnail or a forwarded copy, not what the camera took."""

MAX_BYTES = 250_000_000
MAX_SIDE_PX = 65_500
MAX_PROGRESSIVE_SCANS = 100
"""A progressive JPEG has about ten; each scan costs a pass over the whole picture."""

_PNG_START = b"\x89PNG\r\n\x1a\n"
_PNG_END = b"IEND\xaeB`\x82"
_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1"}
_AVIF_BRANDS = {b"avif", b"avis"}
_SEND_ORIGINAL = "send the photo again as the phone's camera stored it"


@dataclass(frozen=True, eq=False)
class Photo:
    """A whole, decoded photo. Arrays are read-only and in the displayed orientation."""

    name: str
    sha256: str
    colour: NDArray[np.uint8]
    """Shape (H, W, 3), blue-green-red, as OpenCV orders them."""
    facts: CaptureFacts

    @cached_property
    def grey(self) -> NDArray[np.uint8]:
        """Luma, shape (H, W)."""
        grey = np.asarray(cv2.cvtColor(self.colour, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
        grey.flags.writeable = False
        return grey

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height as displayed."""
        return self.colour.shape[1], self.colour.shape[0]


@dataclass(frozen=True, eq=False)
class _Opened:
    """A picture whose header was read and found acceptable, and how to get its pixels."""

    size_px: tuple[int, int]
    exif: bytes | None
    pixels: Callable[[], NDArray[np.uint8]]
    turned_by: int | None = None
    """EXIF orientation by which the decoder has turned the picture itself; None where it left that to us."""


class _NotWholeError(Exception):
    """The picture's data end early or contradict themselves."""


def decode(name: str, data: bytes) -> Photo | Problem:
    """Decode a JPEG, PNG, HEIC or AVIF photo to the picture as displayed, in blue-green-red, 8 bit.

    Colour profiles are ignored, transparency is dropped, grey and CMYK pictures become colour ones, more than 8 bit
    a channel are cut to 8. Of several pictures in one file the first (the primary one) counts.

    Returns:
        The photo, or the problem: ``photo-empty``, ``photo-not-a-photo``, ``photo-format``, ``photo-too-large``,
        ``photo-too-small``, ``photo-damaged``.
    """
    opened = _open(data)
    if isinstance(opened, Problem):
        return opened
    unfit = _size_problem(opened.size_px)
    if unfit is not None:
        return unfit
    try:
        colour = _quietly(opened.pixels)
    except Exception as reason:  # decoders throw anything; all of it means the same to the sender
        return _damaged(reason)
    if colour.shape[1::-1] != opened.size_px:
        return _damaged("its header states another size than its content")
    facts = read_facts(opened.exif)
    if opened.turned_by is None:
        colour = _as_displayed(colour, facts.orientation)
    else:
        facts = replace(facts, orientation=opened.turned_by)
    colour.flags.writeable = False
    return Photo(name, hashlib.sha256(data).hexdigest(), colour, facts)


def look(data: bytes) -> CaptureFacts | Problem:
    """The capture facts of a photo from its header alone, no pixel decoded; or why it cannot be taken as a photo."""
    opened = _open(data)
    return opened if isinstance(opened, Problem) else read_facts(opened.exif)


def _quietly(do: Callable[[], T]) -> T:
    """Run without warnings: Pillow tells of odd metadata, which nobody who waits for a measurement can use."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return do()


def _open(data: bytes) -> _Opened | Problem:
    """Tell the format by its first bytes and read the header."""
    if not data:
        return Problem("photo-empty", f"The file is empty (0 bytes): {_SEND_ORIGINAL}.")
    if len(data) > MAX_BYTES:
        return Problem(
            "photo-too-large",
            f"The file has {len(data) / 1e6:.0f} MB, more than the {MAX_BYTES / 1e6:.0f} MB a photo may have: "
            f"{_SEND_ORIGINAL}.",
        )
    opener = _opener(data)
    if isinstance(opener, Problem):
        return opener
    try:
        return _quietly(lambda: opener(data))
    except Exception as reason:
        return _damaged(reason)


def _opener(data: bytes) -> Callable[[bytes], _Opened] | Problem:
    if data.startswith(b"\xff\xd8\xff"):
        return _open_jpeg
    if data.startswith(_PNG_START):
        return _open_png
    if data[4:8] == b"ftyp":
        brands = _brands(data)
        if brands & _AVIF_BRANDS:
            return _open_avif
        if brands & _HEIF_BRANDS:
            return _open_heif
        return _foreign("a video or another kind of media file")
    return _foreign(_kind_of(data))


def _brands(data: bytes) -> set[bytes]:
    """Major and compatible brands of an ISO base media file (ISO/IEC 14496-12, 4.3)."""
    end = min(int.from_bytes(data[:4], "big"), 256, len(data))
    return {data[8:12], *(data[i : i + 4] for i in range(16, end - 3, 4))}


def _kind_of(data: bytes) -> str | None:
    """What a file that is no accepted photo seems to be."""
    starts = {
        b"GIF8": "a GIF picture", b"II*\0": "a TIFF or raw picture", b"MM\0*": "a TIFF or raw picture",
        b"BM": "a BMP picture", b"%PDF": "a PDF document", b"PK\x03\x04": "a ZIP archive or office document",
        b"\0\0\0\x0cJXL ": "a JPEG XL picture", b"\xff\x0a": "a JPEG XL picture",
    }  # fmt: skip
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "a WebP picture"
    return next((kind for start, kind in starts.items() if data.startswith(start)), None)


def _foreign(kind: str | None) -> Problem:
    accepted = "JPEG, PNG, HEIC and AVIF photos are accepted"
    if kind is None:
        return Problem("photo-not-a-photo", f"The file is not a photo; {accepted}: {_SEND_ORIGINAL}.")
    return Problem("photo-format", f"The file is {kind}; {accepted}: {_SEND_ORIGINAL}.")


def _open_jpeg(data: bytes) -> _Opened:
    from PIL.JpegImagePlugin import JpegImageFile

    header = JpegImageFile(io.BytesIO(data))
    if "progressive" in header.info and data.count(b"\xff\xda") > MAX_PROGRESSIVE_SCANS:
        raise _NotWholeError("it is built of far more passes than any camera writes")
    return _Opened(header.size, header.info.get("exif"), lambda: _jpeg_pixels(data))


def _jpeg_pixels(data: bytes) -> NDArray[np.uint8]:
    """Decode with libjpeg-turbo, its warnings as errors: OpenCV's reader passes a damaged file without a word.

    Bytes between the picture's end and its end marker are the one warning with an innocent cause: cameras pad there.
    """
    import simplejpeg

    try:
        return np.asarray(simplejpeg.decode_jpeg(data, "BGR"))
    except ValueError as warning:
        if not _is_padding(data, str(warning)):
            raise
        return np.asarray(simplejpeg.decode_jpeg(data, "BGR", strict=False))


def _is_padding(data: bytes, warning: str) -> bool:
    """Whether a warning is about filler bytes before the end marker, and they are there."""
    told = re.search(r"(\d+) extraneous bytes before marker 0xd9", warning)
    if told is None:
        return False
    count, end = int(told[1]), data.rfind(b"\xff\xd9")
    filler = data[end - count : end]
    return len(filler) == count and set(filler) in ({0x00}, {0xFF})


def _open_png(data: bytes) -> _Opened:
    from PIL.PngImagePlugin import PngImageFile

    header = PngImageFile(io.BytesIO(data))
    size, exif = header.size, header.info.get("exif")

    def pixels() -> NDArray[np.uint8]:
        if data.rfind(_PNG_END) < 0:
            raise _NotWholeError("its end is missing")
        header.verify()  # checks every part's CRC up to the end; the picture has to be opened anew after it
        return _pillow_pixels(PngImageFile(io.BytesIO(data)))

    return _Opened(size, exif, pixels)


def _open_avif(data: bytes) -> _Opened:
    from PIL.AvifImagePlugin import AvifImageFile

    picture = AvifImageFile(io.BytesIO(data))
    return _Opened(picture.size, picture.info.get("exif"), lambda: _pillow_pixels(picture))


def _open_heif(data: bytes) -> _Opened:
    from pi_heif.as_plugin import HeifImageFile

    picture = HeifImageFile(io.BytesIO(data))
    turned_by = picture.info.get("original_orientation") or 1
    return _Opened(picture.size, picture.info.get("exif"), lambda: _pillow_pixels(picture), turned_by)


def _pillow_pixels(picture: ImageFile.ImageFile) -> NDArray[np.uint8]:
    """All pixels of an opened picture, as blue-green-red."""
    picture.load()
    if picture.mode.startswith("I"):  # 16-bit grey: the upper byte
        grey = (np.asarray(picture).astype(np.uint16) >> 8).astype(np.uint8)
        return np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR), dtype=np.uint8)
    rgb: Image.Image = picture if picture.mode == "RGB" else picture.convert("RGB")
    return np.asarray(cv2.cvtColor(np.asarray(rgb), cv2.COLOR_RGB2BGR), dtype=np.uint8)


def _size_problem(size_px: tuple[int, int]) -> Problem | None:
    width, height = size_px
    megapixels = width * height / 1e6
    if width * height > MAX_PIXELS or max(size_px) > MAX_SIDE_PX:
        return Problem(
            "photo-too-large",
            f"The picture has {width} x {height} pixels ({megapixels:.0f} megapixels), more than the "
            f"{MAX_PIXELS / 1e6:.0f} megapixels a photo may have: {_SEND_ORIGINAL}.",
        )
    if width * height < MIN_PIXELS:
        return Problem(
            "photo-too-small",
            f"The picture has only {width} x {height} pixels ({megapixels:.2f} megapixels), as a preview or a "
            f"forwarded copy has, too few to measure the bar in: {_SEND_ORIGINAL}.",
        )
    return None


def _as_displayed(stored: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Turn or mirror the stored picture as EXIF orientation 1 ... 8 says (CIPA DC-008, tag 0x0112)."""
    quarter_turn = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
    if orientation in quarter_turn:
        return np.asarray(cv2.rotate(stored, quarter_turn[orientation]), dtype=np.uint8)
    if orientation in (2, 4):
        return np.asarray(cv2.flip(stored, 1 if orientation == 2 else 0), dtype=np.uint8)
    if orientation == 5:
        return np.asarray(cv2.transpose(stored), dtype=np.uint8)
    if orientation == 7:
        return np.asarray(cv2.rotate(cv2.transpose(stored), cv2.ROTATE_180), dtype=np.uint8)
    return stored


def _damaged(reason: object) -> Problem:
    """Everything wrong inside a file, whatever a decoder called it."""
    detail = " ".join(str(reason).split())[:120]
    told = f" ({detail})" if detail.isprintable() and detail else ""
    return Problem("photo-damaged", f"The photo's file is damaged or was cut short on the way{told}: {_SEND_ORIGINAL}.")
