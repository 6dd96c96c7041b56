"""A printed reference bar: a PDF at true size, on one page of its own or in pieces on office paper.

All drawing is vector, in one path a piece, so that no renderer leaves seams between modules. Tags are upright as
OpenCV's ``generateImageMarker`` draws them: first corner at the upper left of the bar as seen from above. (The same
tags in the upstream family's own bitmaps are turned by 180 degrees.) The same call gives the same bytes.

Pieces are joined in the white gaps between tags and checker fields, so that a joint a little off spoils neither.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from io import BytesIO
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph

from models.bar import DESIGNS, BarDesign, BarKind

PAGE_MARGIN_MM = 10.0
"""What office printers leave blank at each edge, with some to spare."""
OVERLAP_MM = 10.0
"""Width of the tab under a joint."""
OWN_PAGE_MARGINS_MM = (25.0, 50.0, 25.0, 24.0)
"""Left, bottom, right and top of the page of the bar's own size: room for the control lengths and the words."""
TAG_MODULES = 8
"""Modules along a tag's black square: 6 of data and a border of one."""
CUT_MARK_MM = 5.0
JOINT_MARK_MM = 9.0
"""Distance of the targets at a joint from the bar's long sides."""
HAIRLINE_MM = 0.12
SCALE_AT_MM = (9.0, 7.0)
"""Distance of the control lengths from the page's sides and from its bottom."""
WORDS_AT_MM = 19.0
"""Left edge of all words."""
CUT_MARK_GAP_MM = 1.0

CAUTION = (
    "Lay the bar out only inside the closed lane, after traffic control has released it. Face the traffic, never step "
    "over the closure's edge for a photo, and take the bar with you."
)


class Paper(StrEnum):
    """Office paper the bar can be tiled onto, landscape."""

    A4 = "a4"
    LETTER = "letter"

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height, landscape (ISO 216; ANSI/ASME Y14.1 size A)."""
        return (297.0, 210.0) if self is Paper.A4 else (279.4, 215.9)


@dataclass(frozen=True)
class Rectangle:
    """A black or white rectangle in plate coordinates, mm, from its lower left corner."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class Piece:
    """The part of a bar that one page carries."""

    start_mm: float
    end_mm: float
    """Where the next piece begins; the bar's end for the last."""
    tab_mm: float
    """What is printed beyond ``end_mm``, to be covered by the next piece."""
    page_mm: tuple[float, float]
    bar_at_mm: tuple[float, float]
    """Where the piece's lower left corner stands on the page."""

    @property
    def printed_mm(self) -> float:
        """Length of bar on this page."""
        return self.end_mm + self.tab_mm - self.start_mm


def draw_bar_pdf(kind: BarKind, number: int, paper: Paper | str | None = None) -> bytes:
    """PDF of the reference bar ``number`` of a kind at true size.

    Args:
        kind: long or short bar.
        number: 0 to 49 for a long bar, 0 to 28 for a short one.
        paper: None for one page of the bar's own size (a print shop); 'a4' or 'letter' for pieces to be joined.

    Raises:
        ValueError: there is no such bar or paper; the message says what there is.
    """
    design = _design(kind, number)
    pieces = bar_pieces(design, None if paper is None else _paper(paper))
    content = BytesIO()
    canvas = Canvas(content, invariant=True, pageCompression=1)
    canvas.setTitle(f"Reference bar {bar_name(design, number)}")
    canvas.setCreator("Kerfline")
    for index, piece in enumerate(pieces):
        canvas.setPageSize((piece.page_mm[0] * mm, piece.page_mm[1] * mm))
        _draw_page(canvas, design, number, pieces, index)
        canvas.showPage()
    canvas.save()
    return content.getvalue()


def bar_name(design: BarDesign, number: int) -> str:
    """Name of a bar with its tags: ``long 3 (tags 30-34)``."""
    first = design.first_tag_id + design.tag_ids_per_bar * number
    return f"{design.kind.value} {number} (tags {first}-{first + len(design.tag_centre_x_mm) - 1})"


def _design(kind: BarKind, number: int) -> BarDesign:
    design = next((d for d in DESIGNS if d.kind == kind), None)
    if design is None:
        raise ValueError(f"there is no {kind!r} bar; the series has {' and '.join(k.value for k in BarKind)} ones")
    if not 0 <= number < design.series_count:
        raise ValueError(
            f"there is no {design.kind.value} bar {number}; the series runs from 0 to {design.series_count - 1}"
        )
    return design


def _paper(name: Paper | str) -> Paper:
    try:
        return Paper(name)
    except ValueError:
        raise ValueError(f"paper {name!r} is not known; it can be {' or '.join(p.value for p in Paper)}") from None


def black_rectangles(design: BarDesign) -> tuple[Rectangle, ...]:
    """Black squares of the checker fields, plate coordinates: black where column + row is even."""
    side = design.square_mm
    return tuple(
        Rectangle(x0 + c * side, r * side, side, side)
        for x0 in design.field_x_mm
        for c in range(design.field_columns)
        for r in range(design.field_rows)
        if (c + r) % 2 == 0
    )


def tag_rectangles(design: BarDesign, number: int) -> tuple[Rectangle, ...]:
    """Black parts of the tags, plate coordinates: every unbroken run of modules, along rows and along columns.

    Runs both ways overlap, so that in one path no seam is left between neighbouring modules.
    """
    module = design.tag_side_mm / TAG_MODULES
    rectangles: list[Rectangle] = []
    for index, centre in enumerate(design.tag_centre_x_mm):
        left = centre - design.tag_side_mm / 2
        bottom = design.tag_centre_y_mm - design.tag_side_mm / 2
        black = _tag_is_black(design.first_tag_id + design.tag_ids_per_bar * number + index)
        for row, first, last in _runs(black):
            rectangles.append(Rectangle(left + first * module, bottom + row * module, (last - first) * module, module))
        for column, first, last in _runs(black.T):
            rectangles.append(
                Rectangle(left + column * module, bottom + first * module, module, (last - first) * module)
            )
    return tuple(rectangles)


@cache
def _tag_is_black(tag_id: int) -> NDArray[np.bool_]:
    """Modules (8, 8) of a tag, row 0 at the bottom."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    picture = cv2.aruco.generateImageMarker(family, tag_id, TAG_MODULES)
    return np.asarray(picture < 128)[::-1]


def _runs(black: NDArray[np.bool_]) -> Iterator[tuple[int, int, int]]:
    """Unbroken runs of True in each row: row, first column, one past the last."""
    for row, line in enumerate(black):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(np.int8), [0]])))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            yield row, int(first), int(last)


def joints_mm(design: BarDesign) -> tuple[float, ...]:
    """Where the bar may be joined: the middles of the white gaps between tags and checker fields, and its end."""
    half = design.tag_side_mm / 2
    spans = [(c - half, c + half) for c in design.tag_centre_x_mm]
    spans += [(x, x + design.field_columns * design.square_mm) for x in design.field_x_mm]
    spans.sort()
    gaps = [(before[1] + after[0]) / 2 for before, after in pairwise(spans)]
    return (*gaps, design.length_mm)


def bar_pieces(design: BarDesign, paper: Paper | None) -> tuple[Piece, ...]:
    """How a bar is laid on pages (None: one page of its own): as much on each as fits up to a joint and its tab."""
    if paper is None:
        left, bottom, right, top = OWN_PAGE_MARGINS_MM
        page = (design.length_mm + left + right, design.height_mm + bottom + top)
        return (Piece(0.0, design.length_mm, 0.0, page, (left, bottom)),)
    width, height = paper.size_mm
    room = width - 2 * PAGE_MARGIN_MM - CUT_MARK_MM - CUT_MARK_GAP_MM
    at = (PAGE_MARGIN_MM + CUT_MARK_MM + CUT_MARK_GAP_MM, height - PAGE_MARGIN_MM - 22.0 - design.height_mm)
    pieces: list[Piece] = []
    start = 0.0
    while start < design.length_mm:
        reachable = [j for j in joints_mm(design) if j > start and j - start + _tab(design, j) <= room]
        end = max(reachable)
        pieces.append(Piece(start, end, _tab(design, end), paper.size_mm, at))
        start = end
    return tuple(pieces)


def _tab(design: BarDesign, joint_mm: float) -> float:
    return 0.0 if joint_mm == design.length_mm else OVERLAP_MM


def _draw_page(canvas: Canvas, design: BarDesign, number: int, pieces: Sequence[Piece], index: int) -> None:
    piece = pieces[index]
    _draw_piece(canvas, design, number, piece)
    _draw_cut_marks(canvas, design, piece)
    _draw_joint_marks(canvas, design, piece, index)
    _draw_control_lengths(canvas, piece)
    _draw_words(canvas, design, number, pieces, index)


def _draw_piece(canvas: Canvas, design: BarDesign, number: int, piece: Piece) -> None:
    """The bar itself, clipped to what this page carries."""
    canvas.saveState()
    window = canvas.beginPath()
    window.rect(piece.bar_at_mm[0] * mm, piece.bar_at_mm[1] * mm, piece.printed_mm * mm, design.height_mm * mm)
    canvas.clipPath(window, stroke=0, fill=0)
    path = canvas.beginPath()
    for r in (*tag_rectangles(design, number), *black_rectangles(design)):
        if r.x_mm + r.width_mm > piece.start_mm and r.x_mm < piece.start_mm + piece.printed_mm:
            x = piece.bar_at_mm[0] + r.x_mm - piece.start_mm
            path.rect(x * mm, (piece.bar_at_mm[1] + r.y_mm) * mm, r.width_mm * mm, r.height_mm * mm)
    canvas.setFillGray(0)
    canvas.drawPath(path, stroke=0, fill=1, fillMode=1)
    canvas.restoreState()


def _draw_cut_marks(canvas: Canvas, design: BarDesign, piece: Piece) -> None:
    """Hairlines outside the bar, in line with its sides: cut from mark to mark."""
    x0, y0 = piece.bar_at_mm
    x1, y1 = x0 + piece.printed_mm, y0 + design.height_mm
    canvas.setLineWidth(HAIRLINE_MM * mm)
    near, far = CUT_MARK_GAP_MM, CUT_MARK_GAP_MM + CUT_MARK_MM
    for y in (y0, y1):
        _line(canvas, x0 - near, y, x0 - far, y)
        _line(canvas, x1 + near, y, x1 + far, y)
    for x in (x0, x1):
        _line(canvas, x, y0 - near, x, y0 - far)
        _line(canvas, x, y1 + near, x, y1 + far)


def _draw_joint_marks(canvas: Canvas, design: BarDesign, piece: Piece, index: int) -> None:
    """Targets above and below the bar, centred on the joint: half of each stays on either piece; halves must meet."""
    x0, y0 = piece.bar_at_mm
    heights = (y0 - JOINT_MARK_MM, y0 + design.height_mm + JOINT_MARK_MM)
    if piece.start_mm > 0:
        for y in heights:
            _target(canvas, x0, y)
    if piece.tab_mm:
        joint = x0 + piece.end_mm - piece.start_mm
        for y in heights:
            _target(canvas, joint, y)
        _dashed_joint(canvas, joint, y0, y0 + design.height_mm)
        canvas.setFont("Helvetica", 7)
        canvas.drawString((joint + 1.2) * mm, (y0 - 4.5) * mm, f"tab {index + 1}")


def _dashed_joint(canvas: Canvas, x_mm: float, from_mm: float, to_mm: float) -> None:
    canvas.saveState()
    canvas.setDash(1 * mm, 1 * mm)
    canvas.setStrokeGray(0.45)
    _line(canvas, x_mm, from_mm, x_mm, to_mm)
    canvas.restoreState()


def _target(canvas: Canvas, x_mm: float, y_mm: float) -> None:
    """Two circles with level lines through them."""
    canvas.setLineWidth(HAIRLINE_MM * mm)
    for radius in (1.5, 3.0):
        canvas.circle(x_mm * mm, y_mm * mm, radius * mm, stroke=1, fill=0)
    for dy in (-1.5, 0.0, 1.5):
        _line(canvas, x_mm - 5, y_mm + dy, x_mm + 5, y_mm + dy)


def control_lengths_mm(piece: Piece) -> tuple[float, float]:
    """Lengths of the control scales along and across the page: 200 mm, and the longest of 150 mm or less that fits."""
    return 200.0, next(v for v in (150.0, 100.0, 50.0) if v <= piece.page_mm[1] - 2 * SCALE_AT_MM[1])


def _draw_control_lengths(canvas: Canvas, piece: Piece) -> None:
    along, across = control_lengths_mm(piece)
    _scale(canvas, WORDS_AT_MM, SCALE_AT_MM[1], along, upright=False)
    _scale(canvas, piece.page_mm[0] - SCALE_AT_MM[0], SCALE_AT_MM[1], across, upright=True)


def _scale(canvas: Canvas, x_mm: float, y_mm: float, length_mm: float, *, upright: bool) -> None:
    """A scale with a tick every centimetre, longer ones at its ends."""
    canvas.saveState()
    canvas.translate(x_mm * mm, y_mm * mm)
    if upright:
        canvas.rotate(90)
    canvas.setLineWidth(HAIRLINE_MM * mm)
    _line(canvas, 0, 0, length_mm, 0)
    for tick in range(0, int(length_mm) + 1, 10):
        _line(canvas, tick, 0, tick, 5.0 if tick in (0, int(length_mm)) else 2.0)
    canvas.setFont("Helvetica-Bold", 8)
    canvas.drawCentredString(length_mm / 2 * mm, 2.6 * mm, f"control length {length_mm:.0f} mm")
    canvas.restoreState()


def _line(canvas: Canvas, x0_mm: float, y0_mm: float, x1_mm: float, y1_mm: float) -> None:
    canvas.line(x0_mm * mm, y0_mm * mm, x1_mm * mm, y1_mm * mm)


def _draw_words(canvas: Canvas, design: BarDesign, number: int, pieces: Sequence[Piece], index: int) -> None:
    """Heading above the bar, instructions below it."""
    piece = pieces[index]
    page = "" if len(pieces) == 1 else f" - sheet {index + 1} of {len(pieces)}"
    canvas.setFont("Helvetica-Bold", 12)
    top = piece.page_mm[1] - PAGE_MARGIN_MM - 3.0
    canvas.drawString(WORDS_AT_MM * mm, top * mm, f"Reference bar {bar_name(design, number)}{page}")
    style = ParagraphStyle("words", fontName="Helvetica", fontSize=8.5, leading=10.5, spaceAfter=3)
    y = piece.bar_at_mm[1] - JOINT_MARK_MM - 5.0
    width = min(piece.page_mm[0] - 2 * WORDS_AT_MM, 420.0)
    for sentence in _how_to(design, pieces, index):
        paragraph = Paragraph(sentence, style)
        _, height = paragraph.wrap(width * mm, 200 * mm)
        y -= height / mm
        paragraph.drawOn(canvas, WORDS_AT_MM * mm, y * mm)
        y -= 0.8


def _how_to(design: BarDesign, pieces: Sequence[Piece], index: int) -> list[str]:
    along, across = control_lengths_mm(pieces[index])
    plate = f"{design.length_mm:.0f} x {design.height_mm:.0f} mm"
    joined = (
        "<b>Join:</b> from sheet 2 on, cut the sheet along its left cut marks over its full height; glue it on the tab "
        "of the sheet before, cut edge on the dashed line, halves of the targets meeting. Then cut off the edges. "
        if len(pieces) > 1
        else "<b>Cut</b> from mark to mark. "
    )
    return [
        f"<b>Print at 100 %, no scaling</b>, matt, black on white. Measure both control lengths: {along:.0f} mm and "
        f"{across:.0f} mm, each right to 0.2 mm; if not, do not use the print.",
        f"{joined}Glue it without bubbles on a stiff flat white plate, {plate}, so that plate and paper together are "
        f"{design.thickness_mm:.1f} mm thick, and write '{design.kind.value} bar' and the number on its back.",
        "<b>Calibrate:</b> from the left side of the first tag's black square to the left side of the last one's it is "
        f"{design.gauge_length_mm:.1f} mm; measure it and the thickness, and enter both in the bar's calibration.",
        f"<b>Safety:</b> {CAUTION}",
    ]
