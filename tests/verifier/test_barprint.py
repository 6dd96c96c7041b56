"""Printed bars, checked on the rendered page (by PDFium, which shares no code with what wrote it)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pypdfium2 as pdfium
import pytest
from numpy.typing import NDArray

from models.bar import DESIGNS, LONG_BAR, SHORT_BAR, BarDesign, BarKind
from verifier.barprint import Paper, Piece, bar_pieces, control_lengths_mm, draw_bar_pdf
from verifier.bars import BarSighting, BarSightings, checker_corners_mm, find_bars, tag_corners_mm
from verifier.photo import CaptureFacts, Photo

PX_PER_MM = 10
"""Rendering at 254 dots per inch: whole pixels a millimetre, so that pieces can be put together without resampling."""


def render(pdf: bytes, px_per_mm: float = PX_PER_MM) -> list[NDArray[np.uint8]]:
    """The pages, grey, top row first; PDFium stretches a page to whole pixels, rounded up."""
    document = pdfium.PdfDocument(pdf)
    scale = px_per_mm * 25.4 / 72 * (1 - 1e-6)  # sizes in the file are rounded to 1e-4 point
    pages = [page.render(scale=scale, grayscale=True).to_numpy().copy() for page in document]
    document.close()
    return pages


def sighting_on(picture: NDArray[np.uint8]) -> BarSighting:
    """The one bar in a picture that shows it from above."""
    found = find_bars(Photo("print", "", np.dstack([picture] * 3), CaptureFacts()))
    assert isinstance(found, BarSightings), found
    assert len(found.bars) == 1
    return found.bars[0]


def deviations_mm(bar: BarSighting, picture: NDArray[np.uint8], piece: Piece) -> NDArray[np.float64]:
    """Found less drawn corners, (N, 2), in mm, on a picture of the page of ``piece``."""
    x = (bar.corners_px[:, 0] + 0.5) * piece.page_mm[0] / picture.shape[1] - piece.bar_at_mm[0]
    y = piece.page_mm[1] - (bar.corners_px[:, 1] + 0.5) * piece.page_mm[1] / picture.shape[0] - piece.bar_at_mm[1]
    return np.asarray(np.column_stack([x, y]) - bar.corners_plate_mm)


@pytest.mark.parametrize(("design", "number"), [(LONG_BAR, 0), (LONG_BAR, 49), (SHORT_BAR, 0), (SHORT_BAR, 28)])
def test_printed_bar_is_found_where_it_is_drawn(design: BarDesign, number: int) -> None:
    px_per_mm = 200 / 25.4
    (page,) = render(draw_bar_pdf(design.kind, number), px_per_mm)
    (piece,) = bar_pieces(design, None)
    bar = sighting_on(page)
    assert (bar.design, bar.number) == (design, number)
    assert len(bar.corners_px) == len(checker_corners_mm(design))
    assert len(bar.tags) == len(design.tag_centre_x_mm)
    assert np.abs(deviations_mm(bar, page, piece)).max() < 0.02


def test_tags_are_upright_as_opencv_draws_them() -> None:
    # A bar made from the family's own bitmaps would have each tag turned by 180 degrees.
    (page,) = render(draw_bar_pdf(BarKind.SHORT, 7))
    for tag in sighting_on(page).tags:
        first = tag.corners_px[0]
        assert (first <= tag.corners_px.min(axis=0) + 1).all(), "the first corner is at the upper left"


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize(("design", "number"), [(LONG_BAR, 3), (SHORT_BAR, 7)])
def test_joined_pieces_make_the_whole_bar(design: BarDesign, number: int, paper: Paper) -> None:
    joined = join(design, render(draw_bar_pdf(design.kind, number, paper)), bar_pieces(design, paper))
    bar = sighting_on(joined)
    assert (bar.design, bar.number) == (design, number)
    assert len(bar.corners_px) == len(checker_corners_mm(design))
    table = Piece(0.0, design.length_mm, 0.0, (design.length_mm + 40, design.height_mm + 40), (20.0, 20.0))
    assert np.abs(deviations_mm(bar, joined, table)).max() < 0.02


def join(design: BarDesign, pages: list[NDArray[np.uint8]], pieces: tuple[Piece, ...]) -> NDArray[np.uint8]:
    """Cut and glue as the sheets say: each piece from its left cut marks on, laid over the tab of the one before."""
    assert len(pages) == len(pieces) > 1
    margin, height = 20 * PX_PER_MM, round(design.height_mm * PX_PER_MM)
    table = np.full((height + 2 * margin, round(design.length_mm * PX_PER_MM) + 2 * margin), 200, dtype=np.uint8)
    for page, piece in zip(pages, pieces, strict=True):
        left, bottom = (round(v * PX_PER_MM) for v in piece.bar_at_mm)
        top = page.shape[0] - bottom - height
        sheet = page[top : top + height, left : left + round(piece.printed_mm * PX_PER_MM)]
        at = margin + round(piece.start_mm * PX_PER_MM)
        table[margin : margin + height, at : at + sheet.shape[1]] = sheet
    return table


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("design", DESIGNS)
def test_tab_repeats_what_the_next_sheet_begins_with(design: BarDesign, paper: Paper) -> None:
    pages = render(draw_bar_pdf(design.kind, 5, paper))
    pieces = bar_pieces(design, paper)
    assert len(pages) == len(pieces) > 1
    height = round(design.height_mm * PX_PER_MM)
    for i in range(len(pieces) - 1):
        strips = []
        for page, piece in ((pages[i], pieces[i]), (pages[i + 1], pieces[i + 1])):
            x = piece.bar_at_mm[0] + pieces[i].end_mm - piece.start_mm
            top = page.shape[0] - round(piece.bar_at_mm[1] * PX_PER_MM) - height
            # The dashed line stands on the tab's very edge.
            columns = slice(round((x + 0.5) * PX_PER_MM), round((x + pieces[i].tab_mm) * PX_PER_MM))
            strips.append(page[top + 10 : top + height - 10, columns])
        assert (strips[0] == 0).any()
        # Positions in the file are rounded to 1e-4 point: under a hundredth of a pixel, two grey levels.
        np.testing.assert_allclose(strips[0].astype(float), strips[1].astype(float), atol=3)


@pytest.mark.parametrize("paper", list(Paper))
@pytest.mark.parametrize("design", DESIGNS)
def test_joints_spare_tags_and_checker_fields_and_fit_the_page(design: BarDesign, paper: Paper) -> None:
    pieces = bar_pieces(design, paper)
    spans = [(c - design.tag_side_mm / 2, c + design.tag_side_mm / 2) for c in design.tag_centre_x_mm]
    spans += [(x, x + design.field_columns * design.square_mm) for x in design.field_x_mm]
    assert pieces[0].start_mm == 0
    assert pieces[-1].end_mm == design.length_mm
    for before, after in pairwise(pieces):
        assert before.end_mm == after.start_mm
        assert not any(a < before.end_mm < b for a, b in spans)
    for piece in pieces:
        assert piece.bar_at_mm[0] + piece.printed_mm < piece.page_mm[0] - 10
        assert 10 < piece.bar_at_mm[1] < piece.page_mm[1] - 10 - design.height_mm


@pytest.mark.parametrize("paper", [None, *Paper])
@pytest.mark.parametrize("design", DESIGNS)
def test_control_lengths_are_true_on_every_sheet(design: BarDesign, paper: Paper | None) -> None:
    pieces = bar_pieces(design, paper)
    for page, piece in zip(render(draw_bar_pdf(design.kind, 1, paper)), pieces, strict=True):
        along, across = control_lengths_mm(piece)
        assert along == 200
        assert across >= 100
        # The end ticks are 5 mm long, all others 2 mm: 4 mm off the scale only the end ticks are crossed.
        level = page[page.shape[0] - round(11.3 * PX_PER_MM), : round(225 * PX_PER_MM)]
        upright = page[page.shape[0] - round(165 * PX_PER_MM) if len(page) > 1650 else 0 :, -round(13.3 * PX_PER_MM)]
        assert span_mm(level) == pytest.approx(along, abs=0.1)
        assert span_mm(upright) == pytest.approx(across, abs=0.1)


def span_mm(line: NDArray[np.uint8]) -> float:
    """Distance between the only two dark marks on a line of pixels."""
    dark = np.flatnonzero(line < 160)
    groups = np.split(dark, np.flatnonzero(np.diff(dark) > 2) + 1)
    groups = [groups[0], groups[-1]]
    return float(np.mean(groups[1]) - np.mean(groups[0])) / PX_PER_MM


@pytest.mark.parametrize("paper", [None, *Paper])
def test_sheets_say_what_they_are_and_how_to_print_them(paper: Paper | None) -> None:
    document = pdfium.PdfDocument(draw_bar_pdf(BarKind.LONG, 3, paper))
    for page in document:
        words = " ".join(page.get_textpage().get_text_range().split())
        for needed in ("long 3 (tags 30-34)", "100 %", "no scaling", "200 mm", "3.0 mm", "closed lane", "900.0 mm"):
            assert needed in words
    document.close()


def test_same_bar_gives_the_same_bytes() -> None:
    assert draw_bar_pdf(BarKind.LONG, 12, "a4") == draw_bar_pdf(BarKind.LONG, 12, "a4")


@pytest.mark.parametrize(
    ("kind", "number", "paper", "says"),
    [
        (BarKind.LONG, 50, None, "from 0 to 49"),
        (BarKind.SHORT, 29, None, "from 0 to 28"),
        (BarKind.LONG, -1, None, "from 0 to 49"),
        (BarKind.LONG, 0, "a3", "a4 or letter"),
    ],
)
def test_unknown_bar_or_paper_is_refused_with_what_there_is(
    kind: BarKind, number: int, paper: str | None, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        draw_bar_pdf(kind, number, paper)


def test_drawing_of_the_tags_agrees_with_the_bar_model() -> None:
    (page,) = render(draw_bar_pdf(BarKind.LONG, 20))
    bar = sighting_on(page)
    (piece,) = bar_pieces(LONG_BAR, None)
    for index, tag in enumerate(sorted(bar.tags, key=lambda t: t.tag_id)):
        plate = tag_corners_mm(LONG_BAR, index)
        x = (tag.corners_px[:, 0] + 0.5) / PX_PER_MM - piece.bar_at_mm[0]
        y = piece.page_mm[1] - (tag.corners_px[:, 1] + 0.5) / PX_PER_MM - piece.bar_at_mm[1]
        # Unrefined tag corners are good to about a pixel of the half-size picture they are found in.
        assert np.abs(np.column_stack([x, y]) - plate).max() < 0.4
