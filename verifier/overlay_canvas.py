"""Drawing for overlays: strokes that show on bright and dark ground, words, and panels put one below the other.

Every stroke is doubled, light over dark, so that it shows on a night photo as on a bright one; what a line stands for
is told by its dashes and its label, colour only helps (palette: Okabe and Ito, Color Universal Design, 2008). Sizes
are chosen for a picture that is looked at 390 points wide on a phone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]
"""Blue, green, red."""

WIDTH_PX = 1560
"""Width of the whole picture: four pixels a point on a 390 point wide phone."""
POINT_PX = WIDTH_PX / 390
MARGIN_PX = round(12 * POINT_PX)
SHIFT = 4
"""OpenCV draws at sixteenths of a pixel."""

SMALL_PT, BODY_PT, LARGE_PT, HUGE_PT = 11.5, 14.0, 18.0, 27.0

WHITE, BLACK, INK = (255, 255, 255), (0, 0, 0), (28, 24, 20)
PAPER, PALE = (250, 250, 250), (225, 225, 225)
GREY = (110, 110, 110)
SKY, ORANGE, GREEN, YELLOW = (233, 180, 86), (0, 159, 230), (115, 158, 0), (66, 228, 240)
BLUE, VERMILION, PURPLE = (178, 114, 0), (0, 94, 213), (167, 121, 204)


@dataclass(frozen=True)
class Stroke:
    """How a line is drawn."""

    colour: Colour
    dashes_px: tuple[float, ...] = ()
    """Lengths of ink and gap in turn; empty for an unbroken line."""
    width_px: int = 2


@dataclass(frozen=True)
class Words:
    """Words to be set: place in the panel, size in points, and anchor as Pillow names it ('la': left, top)."""

    x_px: float
    y_px: float
    text: str
    size_pt: float = BODY_PT
    colour: Colour = INK
    anchor: str = "la"
    bold: bool = False
    halo: Colour | None = None


@dataclass(eq=False)
class Panel:
    """A strip of the whole picture's width with words still to be set over it."""

    picture: Picture
    words: list[Words] = field(default_factory=list)

    @property
    def height_px(self) -> int:
        """Its height."""
        return self.picture.shape[0]


def blank_panel(height_px: float, colour: Colour = PAPER) -> Panel:
    """A panel of one colour."""
    return Panel(np.full((math.ceil(height_px), WIDTH_PX, 3), colour, dtype=np.uint8))


def stack(panels: Sequence[Panel]) -> Picture:
    """One picture of panels from top to bottom, their words set."""
    whole = np.concatenate([p.picture for p in panels])
    page = Image.fromarray(cv2.cvtColor(whole, cv2.COLOR_BGR2RGB))
    pen = ImageDraw.Draw(page)
    top = 0
    for panel in panels:
        for words in panel.words:
            _set(pen, words, top)
        top += panel.height_px
    return np.asarray(cv2.cvtColor(np.asarray(page), cv2.COLOR_RGB2BGR), dtype=np.uint8)


def _set(pen: ImageDraw.ImageDraw, words: Words, top_px: float) -> None:
    size_px = words.size_pt * POINT_PX
    weight = size_px / 45 if words.bold else 0.0
    place = (words.x_px, words.y_px + top_px)
    if words.halo is not None:
        pen.text(
            place, printable(words.text), fill=_rgb(words.halo), font=_font(round(size_px)), anchor=words.anchor,
            stroke_width=weight + 0.9 * POINT_PX, stroke_fill=_rgb(words.halo),
        )  # fmt: skip
    pen.text(
        place, printable(words.text), fill=_rgb(words.colour), font=_font(round(size_px)), anchor=words.anchor,
        stroke_width=weight, stroke_fill=_rgb(words.colour),
    )  # fmt: skip


def _rgb(colour: Colour) -> tuple[int, int, int]:
    return colour[2], colour[1], colour[0]


@cache
def _font(size_px: int) -> ImageFont.FreeTypeFont:
    """The font that Pillow carries, so that the picture looks alike on every machine."""
    font = ImageFont.load_default(size_px)
    assert isinstance(font, ImageFont.FreeTypeFont), "Pillow must be built with FreeType, as its wheels are"
    return font


_STAND_INS = (("–", "-"), ("—", "-"), ("’", "'"), ("×", "x"), ("≥", ">="), ("≤", "<="), ("µ", "u"), ("\u00a0", " "))


def printable(text: str) -> str:
    """``text`` in the letters that the font has; others become a question mark."""
    plain = text
    for letter, stand_in in _STAND_INS:
        plain = plain.replace(letter, stand_in)
    return "".join(c if c.isascii() or c in "±°·" else "?" for c in plain)


def width_px(text: str, size_pt: float, *, bold: bool = False) -> float:
    """How wide words come out."""
    size_px = size_pt * POINT_PX
    return _font(round(size_px)).getlength(printable(text)) + (size_px / 22 if bold else 0.0)


def wrapped(text: str, size_pt: float, room_px: float, *, bold: bool = False) -> list[str]:
    """``text`` broken at blanks into lines no wider than ``room_px``; a longer word stands alone."""
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_px(longer, size_pt, bold=bold) <= room_px:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def draw_line(picture: Picture, points_px: Array, stroke: Stroke) -> None:
    """Draw a polyline (N, 2) of pixel positions, light over dark, to a sixteenth of a pixel."""
    parts = [_fixed(p) for run in _finite_runs(points_px, picture.shape) for p in _dashes(run, stroke.dashes_px)]
    if parts:
        cv2.polylines(picture, parts, False, INK, stroke.width_px + 2, cv2.LINE_AA, SHIFT)
        cv2.polylines(picture, parts, False, stroke.colour, stroke.width_px, cv2.LINE_AA, SHIFT)


def _fixed(points_px: Array) -> NDArray[np.int32]:
    return np.round(points_px * 2**SHIFT).astype(np.int32).reshape(-1, 1, 2)


def _finite_runs(points_px: Array, shape: tuple[int, ...]) -> Iterator[Array]:
    """Unbroken runs of points that lie in the picture or within one picture's size of it."""
    height, width = shape[:2]
    with np.errstate(invalid="ignore"):
        good = np.isfinite(points_px).all(axis=1) & (np.abs(points_px - (width / 2, height / 2)) < (width, height)).all(
            axis=1
        )
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(np.int8), [0]])))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        if end - first > 1:
            yield points_px[first:end]


def _dashes(points_px: Array, dashes_px: tuple[float, ...]) -> Iterator[Array]:
    """The inked parts of a polyline."""
    lengths = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points_px, axis=0), axis=1))])
    if not dashes_px or lengths[-1] == 0:
        yield points_px
        return
    start, ink = 0.0, True
    for k in range(int(lengths[-1] / sum(dashes_px) + 1) * len(dashes_px)):
        end = min(start + dashes_px[k % len(dashes_px)], lengths[-1])
        if ink and end > start:
            inner = lengths[(lengths > start) & (lengths < end)]
            at = np.concatenate([[start], inner, [end]])
            yield np.column_stack([np.interp(at, lengths, points_px[:, 0]), np.interp(at, lengths, points_px[:, 1])])
        start, ink = end, not ink


def fill_polygon(picture: Picture, points_px: Array, colour: Colour) -> None:
    """A filled polygon with smooth edges."""
    cv2.fillPoly(picture, [_fixed(np.asarray(points_px, dtype=np.float64))], colour, cv2.LINE_AA, SHIFT)


def ring(picture: Picture, at_px: Array, radius_px: float, colour: Colour) -> None:
    """A small circle."""
    x, y = (int(v) for v in np.round(np.asarray(at_px) * 2**SHIFT))
    cv2.circle(picture, (x, y), round(radius_px * 2**SHIFT), colour, 1, cv2.LINE_AA, SHIFT)


def draw_sign(picture: Picture, sign: str, centre_px: tuple[float, float], radius_px: float, colour: Colour) -> None:
    """A sign that is told by its shape.

    'check' in a disc, 'cross' in an octagon, 'query' in a triangle, 'bar' in a disc for no measurement, and 'dot' in a
    disc for what was measured without being judged.
    """
    centre, r = np.array(centre_px, dtype=np.float64), radius_px
    around = {"cross": 8, "query": 3}.get(sign, 64)
    start = {"cross": math.pi / 8, "query": -math.pi / 2}.get(sign, 0.0)
    angles = start + 2 * math.pi * np.arange(around) / around
    size = 1.2 * r if sign == "query" else r
    fill_polygon(picture, centre + size * np.column_stack([np.cos(angles), np.sin(angles)]), colour)
    thick = max(round(0.24 * r), 2)
    for part in _SIGN_PARTS[sign]:
        cv2.polylines(picture, [_fixed(centre + r * np.array(part))], False, WHITE, thick, cv2.LINE_AA, SHIFT)
    if sign == "query":
        cv2.circle(picture, tuple(int(v) for v in _fixed(centre + r * np.array([0.0, 0.36])).ravel()),
                   round(0.13 * r * 2**SHIFT), WHITE, -1, cv2.LINE_AA, SHIFT)  # fmt: skip


_SIGN_PARTS: dict[str, tuple[tuple[tuple[float, float], ...], ...]] = {
    "check": (((-0.48, 0.02), (-0.14, 0.38), (0.5, -0.36)),),
    "cross": (((-0.4, -0.4), (0.4, 0.4)), ((-0.4, 0.4), (0.4, -0.4))),
    "query": (((-0.2, -0.28), (-0.12, -0.46), (0.1, -0.48), (0.22, -0.3), (0.14, -0.14), (0.0, 0.02), (0.0, 0.12)),),
    "bar": (((-0.5, 0.5), (0.5, -0.5)),),
    "dot": (((-0.02, 0.0), (0.02, 0.0)),),
}
