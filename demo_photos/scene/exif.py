"""The EXIF block of a picture."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

if TYPE_CHECKING:
    from .build import Phone

Rng = np.random.Generator


@dataclass(frozen=True)
class Facts:
    """What the phone writes down."""

    taken: datetime
    offset: str
    subsec: str
    focal35: int | None
    place: tuple[float, float] | None
    software: str
    bare: bool = False


def facts(rng: Rng, ph: Phone) -> Facts:
    """Time, place, focal length as this phone would write them: the latter by the diagonal, now and then by the width,
    now and then not.
    """
    taken = datetime(2026, 9, 1) + timedelta(seconds=float(rng.uniform(0, 80 * 86400)))
    by_width = ph.f_px * 36.0 / max(ph.width, ph.height)
    draw = rng.random()
    focal = round(ph.focal35) if draw < 0.82 else round(by_width) if draw < 0.92 else None
    place = (float(rng.uniform(-0.4, 0.4)), float(-25 + rng.uniform(-0.4, 0.4))) if rng.random() < 0.6 else None
    return Facts(
        taken,
        str(rng.choice(["+00:00", "+01:00", "+02:00", "-05:00", "+09:30"])),
        f"{int(rng.integers(0, 1000)):03d}",
        focal,
        place,
        "11.2",
        bool(rng.random() < 0.03),
    )


def block(f: Facts, ph: Phone, orientation: int, size: tuple[int, int], iso: int, exposure_s: float) -> bytes:
    """The EXIF bytes, `size` being that of the stored picture."""
    ex = Image.Exif()
    ex[0x0112] = orientation
    if f.bare:
        return bytes(ex.tobytes())
    ex[0x010F], ex[0x0110], ex[0x0131] = ph.make, ph.model, f.software
    stamp = f.taken.strftime("%Y:%m:%d %H:%M:%S")
    ex[0x0132] = stamp
    sub = ex.get_ifd(0x8769)
    sub[0x9003], sub[0x9004], sub[0x9011], sub[0x9291] = stamp, stamp, f.offset, f.subsec
    sub[0x829A], sub[0x829D], sub[0x8827] = exposure_s, ph.fnumber, iso
    sub[0xA002], sub[0xA003] = size
    if f.focal35 is not None:
        sub[0x920A], sub[0xA405] = ph.f_mm, f.focal35
    sub[0xA434] = f"{ph.model} {ph.lens} camera"
    if f.place is not None:
        gps = ex.get_ifd(0x8825)
        for base, value, pos, neg in ((1, f.place[0], "N", "S"), (3, f.place[1], "E", "W")):
            gps[base] = pos if value >= 0 else neg
            v = abs(value)
            gps[base + 1] = (float(int(v)), float(int(v * 60) % 60), round(v * 3600 % 60, 2))
    return bytes(ex.tobytes())


UNTURN = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


def as_stored(picture: Image.Image, orientation: int) -> Image.Image:
    """The picture as its bytes hold it, so that applying `orientation` gives the upright one back."""
    how = UNTURN[orientation]
    return picture if how is None else picture.transpose(how)
