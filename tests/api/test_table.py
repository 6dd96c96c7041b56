"""Tables of words from CSV files and spreadsheets."""

from __future__ import annotations

import zipfile
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest

from api.errors import UsageError
from api.table import read_table

COLUMNS = ("kind", "value", "station", "at")


def csv_file(folder: Path, text: str) -> Path:
    path = folder / "table.csv"
    path.write_bytes(text.encode())
    return path


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("start", ["", "\ufeff"])
def test_a_csv_table(tmp_path: Path, delimiter: str, start: str) -> None:
    lines = [["kind", "value"], ["slot-depth", "75 mm"], ["", ""], ["slot-width", '"3 1/8 in"']]
    text = start + "\r\n".join(delimiter.join(line) for line in lines)
    rows = read_table(csv_file(tmp_path, text), COLUMNS)
    assert [(r.line, dict(r.cells)) for r in rows] == [
        (2, {"kind": "slot-depth", "value": "75 mm"}),
        (4, {"kind": "slot-width", "value": "3 1/8 in"}),
    ]


def test_a_unit_in_the_heading_goes_to_bare_numbers_alone(tmp_path: Path) -> None:
    text = "Kind,Value (mm),station [in]\nslot-depth,75.5,1 1/2\nslot-depth,3 in,12\nslot-depth,,0\n"
    cells = [row.cells for row in read_table(csv_file(tmp_path, text), COLUMNS)]
    assert [(c["value"], c["station"]) for c in cells] == [("75.5 mm", "1 1/2 in"), ("3 in", "12 in"), ("", "0 in")]


def test_a_spreadsheet_gives_the_words_that_would_be_typed(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.append(["kind", "value (mm)", "at"])
    sheet.append(["slot-depth", 75.1, datetime(2026, 5, 4, 23, 15)])
    sheet.append(["slot-depth", 75, "2026-05-04 23:16"])
    book.save(tmp_path / "table.xlsx")
    rows = read_table(tmp_path / "table.xlsx", COLUMNS)
    assert [(r.line, r.cells["value"], r.cells["at"]) for r in rows] == [
        (2, "75.1 mm", "2026-05-04 23:15:00"),
        (3, "75 mm", "2026-05-04 23:16"),
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "nothing is in it"),
        ("\n\n", "nothing is in it"),
        ("value\n3 mm\n", "column `kind` is needed"),
        ("kind,colour\nslot-depth,red\n", "no column may be called 'colour'"),
        ("kind,value,value\nslot-depth,1,2\n", "two columns"),
        ('kind,value\n"slot-depth,3\n', "not a row"),
        ("kind\0", "not a text file"),
    ],
)
def test_what_is_no_table_is_refused(tmp_path: Path, text: str, expected: str) -> None:
    with pytest.raises(UsageError, match=expected):
        read_table(csv_file(tmp_path, text), COLUMNS)


@pytest.mark.parametrize("content", [b"", b"hello", b"PK\x03\x04 broken"])
def test_what_is_no_spreadsheet_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "table.xlsx"
    path.write_bytes(content)
    with pytest.raises(UsageError, match="cannot be read as a spreadsheet"):
        read_table(path, COLUMNS)


def test_an_archive_that_is_no_spreadsheet_is_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "table.xlsx", "w") as archive:
        archive.writestr("a", "b")
    with pytest.raises(UsageError, match="cannot be read as a spreadsheet"):
        read_table(tmp_path / "table.xlsx", COLUMNS)


def test_an_archive_that_unpacks_beyond_measure_is_not_unpacked(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "table.xlsx", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b" " * 310_000_000)
    with pytest.raises(UsageError, match="too large"):
        read_table(tmp_path / "table.xlsx", COLUMNS)


def test_a_table_that_is_not_there(tmp_path: Path) -> None:
    for name in ("no.csv", "no.xlsx"):
        with pytest.raises(UsageError, match="cannot be read"):
            read_table(tmp_path / name, COLUMNS)
