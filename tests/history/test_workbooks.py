"""Workbooks: dates, merged and formula cells, leading zeros, odd sheets; and the ones that are no workbooks."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import zipfile
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import openpyxl
import pytest

from rebuildstats.errors import InputError
from rebuildstats.history import workbooks
from tests.history.conftest import Shop, count, told


def book_of(**sheets: list[list[object]]) -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    assert book.active is not None
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    return book


def content_of(book: openpyxl.Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def save(shop: Shop, book: openpyxl.Workbook, name: str = "history.xlsx") -> Path:
    file = shop.folder / name
    file.write_bytes(content_of(book))
    return file


def test_a_workbook_with_a_sheet_per_table(shop: Shop) -> None:
    book = book_of(
        Teardowns=[
            ["job", "unit", "opened_on", "unit_mileage"],
            ["K1", "A2", date(2024, 1, 5), 1000],
            ["K2", "A2", datetime(2024, 2, 5), 2000.5],
            ["K3", "A2", "2024-03-05", "3000"],
            ["K4", "A2", datetime(2024, 4, 5, 13, 30), None],
            [None, None],
            ["K5", "A2", 45_000, None],
        ],
        findings=[["job", "component", "position", "verdict"], ["K1", "seal", 1.0, "OK"]],
        Remarks=[["anything"]],
    )
    report = shop.load_paths([save(shop, book)])
    assert told(report) == [("teardowns", 5, "opened_on", "not_a_date"), ("teardowns", 7, "opened_on", "not_a_date")]
    assert report.rejects["value"].tolist() == ["2024-04-05 13:30:00", "45000"]
    assert report.rejects["file"].tolist() == ["history.xlsx[Teardowns]"] * 2
    assert count(report, "teardowns") == {"read": 6, "new": 3, "rejected": 2, "blank": 1}
    assert count(report, "findings") == {"read": 1, "new": 1}
    assert any("Remarks" in notice for notice in report.notices)


def test_leading_zeros_and_whole_numbers(shop: Shop) -> None:
    book = book_of(
        parts=[["part", "name", "core_charge"], [71, 5, True], ["0099", 12.0, None], [1234567890123, 0.1, None]]
    )
    book["parts"]["A2"].number_format = "0000"
    report = shop.load_paths([save(shop, book)])
    assert told(report) == [("parts", 2, "core_charge", "not_a_number")]
    book["parts"]["C2"] = None
    shop.load_paths([save(shop, book)])
    assert shop.keys("parts", "part", "name") == [
        ("0071", "5"),
        ("0072", "seal"),
        ("0099", "12"),
        ("1234567890123", "0.1"),
    ]


def test_cells_merged_downwards_count_for_every_row(shop: Shop) -> None:
    book = book_of(
        findings=[
            ["job", "component", "condition"],
            ["J1", "seal", "worn"],
            [None, "bearing", "pitted, both"],
            [None, None, None],
        ]
    )
    book["findings"].merge_cells("A2:A3")
    book["findings"].merge_cells("C3:D3")
    report = shop.load_paths([save(shop, book)])
    assert report.complete, report.rejects
    assert shop.keys("findings", "job", "component", "condition") == [
        ("J1", "bearing", "pitted, both"),
        ("J1", "seal", "worn"),
    ]


def test_a_formula_never_computed_is_rejected_with_its_text(shop: Shop) -> None:
    book = book_of(stock=[["part", "site", "on_hand"], ["0071", "north", "=2+3"], ["0072", "north", 4]])
    report = shop.load_paths([save(shop, book)])
    assert ("stock", 2, "on_hand", "formula_without_value") in told(report)
    assert "=2+3" in report.rejects["row"].iloc[0]
    assert count(report, "stock") == {"read": 2, "new": 1, "rejected": 1}


def test_a_formula_counts_by_its_last_value(shop: Shop) -> None:
    book = book_of(stock=[["part", "site", "on_hand"], ["0071", "north", "=2+3"]])
    content = content_of(book)
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    parts[sheet] = parts[sheet].replace(b"<f>2+3</f><v />", b"<f>2+3</f><v>5</v>").replace(b"<v/>", b"<v>5</v>")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    (shop.folder / "b.xlsx").write_bytes(out.getvalue())
    assert shop.load_paths([shop.folder / "b.xlsx"]).complete
    assert shop.keys("stock", "on_hand") == [(5.0,)]


def test_a_formula_never_computed_behind_a_prefix(shop: Shop) -> None:
    """Some programs write every element with the prefix of its namespace (ECMA-376 leaves it to them)."""
    content = content_of(book_of(stock=[["part", "site", "on_hand"], ["0071", "north", "=2+3"]]))
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as archive:
        for name in old.namelist():
            data = old.read(name)
            if name == SHEET:
                data = re.sub(rb"<(/?)(?=[a-zA-Z])", rb"<\1x:", data).replace(b"xmlns=", b"xmlns:x=")
            archive.writestr(name, data)
    (shop.folder / "b.xlsx").write_bytes(out.getvalue())
    assert "formula_without_value" in shop.load_paths([shop.folder / "b.xlsx"]).rejects["reason"].tolist()


def test_a_sparse_sheet_is_read_as_it_stands(shop: Shop) -> None:
    book = book_of(sites=[["site"], ["far"]])
    book["sites"].cell(200_000, 1, "further")
    report = shop.load_paths([save(shop, book)])
    assert count(report, "sites") == {"read": 199_999, "new": 2, "blank": 199_997}


def test_one_sheet_of_any_name_in_a_file_named_like_a_table(shop: Shop) -> None:
    assert count(shop.load_paths([save(shop, book_of(Sheet1=[["site"], ["far"]]), "sites.xlsx")]), "sites")["new"] == 1


def test_hidden_sheets_are_left_alone(shop: Shop) -> None:
    book = book_of(sites=[["site"], ["far"]], units=[["unit"], ["x"]])
    book["units"].sheet_state = "hidden"
    assert shop.load_paths([save(shop, book)]).frame()["table"].tolist() == ["sites"]


def test_rows_and_columns_that_are_only_formatted(shop: Shop) -> None:
    book = book_of(sites=[["site", "served_by", None, None], ["far", None, None, None]])
    for row in range(3, 200):
        book["sites"].cell(row, 5).font = openpyxl.styles.Font(bold=True)
    assert count(shop.load_paths([save(shop, book)]), "sites") == {"read": 1, "new": 1}


def _bomb() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        with archive.open("xl/worksheets/sheet1.xml", "w") as part:
            for _ in range(21):
                part.write(b"0" * 10_000_000)
    return out.getvalue()


def _lied_bomb() -> bytes:
    """A bomb that says it is small: the size in the directory is not the size of the data."""
    content = bytearray(_bomb_of(20_000_000))
    at = content.rfind(b"PK\x01\x02", 0, content.rfind(b"xl/worksheets"))
    content[at + 24 : at + 28] = (1000).to_bytes(4, "little")
    return bytes(content)


def _bomb_of(size: int) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * size)
    return out.getvalue()


SHEET = "xl/worksheets/sheet1.xml"


def _changed(part: str, change: Callable[[bytes], bytes]) -> bytes:
    """A good workbook with one of its parts changed."""
    out = io.BytesIO()
    book = content_of(book_of(sites=[["site"], ["far"]]))
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in old.namelist():
            archive.writestr(name, change(old.read(name)) if name == part else old.read(name))
    return out.getvalue()


def _entities(before: str = "", encoding: str = "utf-8") -> bytes:
    """Entities that unfold to ten times ten times ten; behind a comment, or in another encoding, they hide."""
    declared = '<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>'

    def change(data: bytes) -> bytes:
        text = data.decode().split("?>", 1)[-1]
        return f'<?xml version="1.0" encoding="{encoding}"?>{before}{declared}{text}'.encode(encoding)

    return _changed("xl/workbook.xml", change)


def _merged(where: bytes) -> bytes:
    end = b"</sheetData>"
    return _changed(
        SHEET, lambda d: d.replace(end, end + b"<mergeCells><mergeCell ref='" + where + b"'/></mergeCells>")
    )


def _last_corner() -> bytes:
    row = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    return _changed(SHEET, lambda d: d.replace(b"</sheetData>", row))


def _one_text_everywhere() -> bytes:
    """30,000 characters, kept once and meant by 20,000 cells: 600 MB out of 100 kB."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    rows = b"".join(b'<row r="%d"><c r="A%d" t="s"><v>0</v></c></row>' % (i, i) for i in range(1, 20_001))
    content = _changed(
        SHEET, lambda d: d.split(b"<sheetData>")[0] + b"<sheetData>" + rows + b"</sheetData></worksheet>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in old.namelist():
            data = old.read(name).decode()
            if name == "[Content_Types].xml":
                data = data.replace(
                    "</Types>", f'<Override PartName="/xl/sharedStrings.xml" ContentType="{kind}"/></Types>'
                )
            if name == "xl/_rels/workbook.xml.rels":
                one = f'<Relationship Id="rId99" Type="{office}" Target="sharedStrings.xml"/></Relationships>'
                data = data.replace("</Relationships>", one)
            archive.writestr(name, data)
        archive.writestr("xl/sharedStrings.xml", f'<sst xmlns="{main}"><si><t>{"x" * 30_000}</t></si></sst>')
    return out.getvalue()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (lambda: b"", "not an .xlsx workbook"),
        (lambda: b"PK\x03\x04 nonsense", "not an .xlsx workbook"),
        (lambda: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "locked with a password"),
        (lambda: _bomb_of(10), "cannot be read as a workbook"),
        (_bomb, "unpacks to 210 MB"),
        (_lied_bomb, "cannot be read|not an .xlsx"),
        (_entities, "declares entities"),
        (lambda: _entities(before=f"<!--{'x' * 9_000}-->"), "declares entities"),
        (lambda: _entities(encoding="utf-16"), "declares entities"),
        (lambda: _merged(b"A2:XFD1048576"), "merges 17,179,852,800 cells"),
        (lambda: _merged(b"nowhere"), "merges cells of no place"),
        (_last_corner, "1,048,576 rows of 16,384 columns"),
        (_one_text_everywhere, "20,000 cells filled"),
    ],
)
def test_what_is_no_workbook_is_said_in_bounded_time(shop: Shop, content: object, words: str) -> None:
    file = shop.folder / "sites.xlsx"
    file.write_bytes(content())  # type: ignore[operator]
    with pytest.raises(InputError, match=words):
        shop.load_paths([file])


def _of_every_kind() -> openpyxl.Workbook:
    """Dates, moments, long and fractional numbers, numbers kept as text, numbers shown with zeros, flags, line breaks,
    other scripts, merged cells, an empty row and a column that no table has.
    """
    book = book_of(
        teardowns=[
            ["job", "unit", "opened_on", "unit_mileage", "complaint", "Ours"],
            ["0071", "A2", date(2024, 1, 5), 1000.25, 'says "ü", then\nnothing', "x"],
            ["K2", "A2", datetime(2024, 2, 5), 150_000, "=1+1 as text", 0.1],
            [None, None, None, None, None, None],
            [72, "A2", "2024-03-05", "2e5", "漏油", True],
            ["K4", "A2", datetime(2024, 4, 5, 13, 30), 1e-3, None, None],
            ["K5", "A2", date(1999, 12, 31), 0, " blanks ", None],
        ],
        findings=[
            ["job", "component", "position", "reading"],
            ["0071", "seal", 1, 0.30000000000000004],
            [None, "bearing", 2, -4],
        ],
    )
    book["teardowns"]["A5"].number_format = "0000"
    book["teardowns"]["E3"].data_type = "s"
    book["findings"].merge_cells("A2:A3")
    return book


def test_a_workbook_of_libreoffice_loads_alike(shop: Shop, tmp_path: Path, stocked: Path) -> None:
    """The same sheets written by openpyxl and by LibreOffice: cell for cell, and row for row in the store."""
    office = shutil.which("soffice") or shutil.which("libreoffice")
    if office is None:
        pytest.skip("LibreOffice is not installed here: its workbooks cannot be written")
    file = save(shop, _of_every_kind())
    sums = tmp_path / "stock.xlsx"
    sums.write_bytes(content_of(book_of(stock=[["part", "site", "on_hand"], ["0071", "north", "=2+3"]])))
    profile = f"-env:UserInstallation=file://{tmp_path}/profile"
    out = tmp_path / "lo"
    subprocess.run(
        [office, profile, "--headless", "--convert-to", "xlsx", "--outdir", str(out), str(file), str(sums)],
        check=True,
        capture_output=True,
    )
    ours = workbooks.sheets(file.read_bytes(), file.name)
    theirs = workbooks.sheets((out / file.name).read_bytes(), file.name)
    assert [(sheet.name, sheet.rows, sheet.lines) for sheet in theirs] == [(s.name, s.rows, s.lines) for s in ours]
    (tmp_path / "other").mkdir()
    other = Shop(tmp_path / "other", stocked)
    told_by = [told(one.load_paths([path])) for one, path in ((shop, file), (other, out / file.name))]
    assert told_by[0] == told_by[1] == [("teardowns", 6, "opened_on", "not_a_date")]
    for table in ("teardowns", "findings"):
        assert shop.rows(table).equals(other.rows(table)), table
    assert len(shop.rows("teardowns")) == 6
    # What openpyxl cannot do: a formula that a spreadsheet has computed counts by its value.
    assert other.load_paths([out / "stock.xlsx"]).complete
    assert other.keys("stock", "on_hand") == [(5.0,)]
