"""Tables of words, from CSV files and spreadsheets: rows with their line numbers, units of headings in the cells."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from api.errors import UsageError
from api.inputs import MAX_FILE_BYTES, read_text

MAX_ROWS = 100_000
MAX_UNPACKED_BYTES = 300_000_000
"""A spreadsheet is a packed archive; one of 100,000 rows unpacks to some 50 MB."""

_HEADING = re.compile(r"(?P<name>[a-z_]+)\s*(?:[(\[]\s*(?P<unit>[^()\[\]]{1,10}?)\s*[)\]])?", re.IGNORECASE)
_NUMBER = re.compile(r"\s*[+-]?[\d./ ]*\d[eE+\d-]*\s*")


@dataclass(frozen=True)
class Row:
    """One row."""

    line: int
    """Its number in the file, from 1."""
    cells: Mapping[str, str]
    """By the name of the column; empty cells are empty words."""


@dataclass(frozen=True)
class _Heading:
    name: str
    unit: str


def read_table(path: Path, columns: Sequence[str]) -> list[Row]:
    """The rows below the headings; rows without any word are left out.

    Raises:
        UsageError: no table of this form, or a heading that is none of ``columns``.
    """
    lines = _spreadsheet(path) if path.suffix.lower() == ".xlsx" else _csv(path)
    rows = [(number, cells) for number, cells in lines if any(cells)]
    if not rows:
        raise UsageError(f"{path}: nothing is in it; the first row holds the names of the columns")
    if len(rows) > MAX_ROWS:
        raise UsageError(f"{path}: more than {MAX_ROWS:,} rows; split it")
    headings = _headings(path, rows[0][1], columns)
    return [Row(number, _cells(headings, cells)) for number, cells in rows[1:]]


def _headings(path: Path, cells: Sequence[str], columns: Sequence[str]) -> list[_Heading]:
    found = [_HEADING.fullmatch(cell.strip()) for cell in cells]
    headings = [
        _Heading(m["name"].lower(), m["unit"] or "") if m else _Heading(c, "")
        for m, c in zip(found, cells, strict=True)
    ]
    names = [h.name for h in headings if h.name]
    strange = [n for n in names if n not in columns]
    if strange or "kind" not in names:
        trouble = f"no column may be called {strange[0]!r}" if strange else "a column `kind` is needed"
        raise UsageError(f"{path}: {trouble}; columns: {', '.join(columns)}; a unit goes behind, like `value (mm)`")
    if doubled := sorted({n for n in names if names.count(n) > 1}):
        raise UsageError(f"{path}: two columns are called {doubled[0]!r}")
    return headings


def _heading(cell: str) -> _Heading:
    match = _HEADING.fullmatch(cell)
    return _Heading(cell, "") if match is None else _Heading(match["name"].lower(), match["unit"] or "")


def _cells(headings: Sequence[_Heading], cells: Sequence[str]) -> dict[str, str]:
    found = {h.name: _with_unit(cell.strip(), h.unit) for h, cell in zip(headings, cells, strict=False) if h.name}
    beyond = [cell for cell in cells[len(headings) :] if cell]
    return found | ({"": " ".join(beyond)} if beyond else {})


def _with_unit(cell: str, unit: str) -> str:
    """A bare number with the unit of its heading; a cell that says its own unit keeps it."""
    return f"{cell} {unit}" if unit and _NUMBER.fullmatch(cell) else cell


def _csv(path: Path) -> Iterator[tuple[int, list[str]]]:
    text = read_text(str(path), "table")
    if "\0" in text:
        raise UsageError(f"{path}: not a text file, as a CSV table must be")
    first = text.lstrip().partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        for cells in reader:
            yield reader.line_num, [cell.strip() for cell in cells]
    except csv.Error as wrong:
        raise UsageError(f"{path}: line {reader.line_num}: not a row of a CSV table ({wrong})") from None


def _spreadsheet(path: Path) -> list[tuple[int, list[str]]]:
    """The first sheet; whatever the reader throws at a file that is no spreadsheet becomes one error."""
    import openpyxl

    _demand_bounded(path)
    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
        rows = book.worksheets[0].iter_rows(max_row=MAX_ROWS + 2, values_only=True)
        found = [(number, [_word(value) for value in cells]) for number, cells in enumerate(rows, 1)]
        book.close()
    except Exception as reason:
        raise UsageError(f"{path}: cannot be read as a spreadsheet ({type(reason).__name__}: {reason})") from None
    return found


def _demand_bounded(path: Path) -> None:
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise UsageError(f"{path}: too large for a table")
        with zipfile.ZipFile(path) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
    except (OSError, zipfile.BadZipFile, ValueError) as reason:
        told = getattr(reason, "strerror", None) or str(reason)
        raise UsageError(f"{path}: cannot be read as a spreadsheet ({told})") from None
    if unpacked > MAX_UNPACKED_BYTES:
        raise UsageError(f"{path}: too large for a table")


def _word(value: object) -> str:
    """A cell as it would be typed."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(sep=" ", timespec="seconds")
    if isinstance(value, float):
        return f"{value:.12g}"
    return value.isoformat() if isinstance(value, date) else str(value).strip()
