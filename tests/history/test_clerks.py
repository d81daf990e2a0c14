"""Sheets as the clerks of ten shops write them: read right, or rejected with the reason and nothing else lost."""

from __future__ import annotations

import json
from datetime import date, datetime
from pathlib import Path

import openpyxl
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from rebuildstats.history import read, text_rows
from rebuildstats.history.cells import Writing
from rebuildstats.history.workbooks import sheets
from tests.history.conftest import Shop, count, told
from tests.history.test_workbooks import content_of

HEADER = "job,unit,opened_on,unit_mileage,complaint\n"


def write(shop: Shop, content: bytes, name: str = "teardowns.csv") -> Path:
    file = shop.folder / name
    file.write_bytes(content)
    return file


def test_a_title_above_the_header_is_no_row(shop: Shop) -> None:
    text = 'Workshop North - "teardowns"\nprinted 2024-05-01\n\n' + HEADER + "K1,A2,2024-01-01,5,noise\n"
    report = shop.load_paths([write(shop, text.encode())])
    assert count(report, "teardowns") == {"read": 1, "new": 1}
    assert any("the header is line 4" in notice for notice in report.notices)
    bad = shop.load_paths([write(shop, (text + "K2,A2,soon,5,heat\n").encode())])
    assert told(bad) == [("teardowns", 6, "opened_on", "not_a_date")]


def test_a_title_that_hides_the_delimiter(shop: Shop) -> None:
    text = "Werkstatt Nord, Liste\n\njob;unit;opened_on;complaint\nK1;A2;2024-01-01;noise, then heat\n"
    assert count(shop.load_paths([write(shop, text.encode())]), "teardowns") == {"read": 1, "new": 1}
    assert shop.rows("teardowns")["complaint"].tolist()[-1] == "noise, then heat"


@pytest.mark.parametrize("first", ["sep=;", '"sep=;"', "SEP=;"])
def test_the_line_that_tells_the_delimiter(shop: Shop, first: str) -> None:
    text = f"{first}\r\njob;unit;opened_on\r\nK1;A2;2024-01-01\r\nK2;A2;no\r\n"
    report = shop.load_paths([write(shop, text.encode("utf-8-sig"))])
    assert count(report, "teardowns") == {"read": 2, "new": 1, "rejected": 1}
    assert told(report) == [("teardowns", 4, "opened_on", "not_a_date")]


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_lines_of_another_encoding_pasted_into_a_file(shop: Shop, mark: bytes) -> None:
    lines = [HEADER.encode(), "K1,A2,2024-01-01,5,Öl\n".encode(), "K2,A2,2024-02-01,6,Öl dünn\n".encode("cp1252")]
    report = shop.load_paths([write(shop, mark + b"".join(lines))])
    assert report.complete, report.rejects
    assert shop.rows("teardowns")["complaint"].tolist()[-2:] == ["Öl", "Öl dünn"]
    assert any("lines 3" in notice and "Windows-1252" in notice for notice in report.notices)


def test_a_file_all_of_windows_1252_needs_no_word(shop: Shop) -> None:
    report = shop.load_paths([write(shop, (HEADER + "K1,A2,2024-01-01,5,Öl\n").encode("cp1252"))])
    assert shop.rows("teardowns")["complaint"].tolist()[-1] == "Öl"
    assert not any("1252" in notice for notice in report.notices)


def test_what_old_programs_leave_at_the_end(shop: Shop) -> None:
    assert shop.load_paths([write(shop, (HEADER + "K1,A2,2024-01-01,5,x\r\n\x1a").encode())]).complete


def test_a_damaged_line_costs_itself_only(shop: Shop) -> None:
    report = shop.load_paths([write(shop, (HEADER + "K1,A2,2024-01-01,5,x\0y\nK2,A2,2024-01-02,6,z\n").encode())])
    assert told(report) == [("teardowns", 2, "", "zero_byte")]
    assert json.loads(report.rejects["row"].iloc[0])["complaint"] == "x␀y"


def test_totals_wherever_the_label_stands(shop: Shop) -> None:
    rows = ["K1,A2,2024-01-01,5,x", ",Total,,5,", "Totals 2024,,,5,", ",,,5,Summe:", "Sum,1 jobs,,,", ",,,5,"]
    report = shop.load(teardowns=HEADER + "\n".join(rows) + "\n")
    reasons = {(line, reason) for _, line, _, reason in told(report)}
    assert {line for line, reason in reasons if reason == "total_row"} == {3, 4, 5, 6}
    assert {reason for line, reason in reasons if line < 7} == {"total_row"}
    assert {reason for line, reason in reasons if line == 7} == {"missing_value"}
    assert count(report, "teardowns") == {"read": 6, "new": 1, "rejected": 5}


def test_a_name_that_begins_like_total_is_a_name(shop: Shop) -> None:
    assert shop.load(parts="part,name\nT1,Total seal kit\nSumm-1,ring\n").complete


@pytest.mark.parametrize("name", ["a1", "A 1", "A-1", "Α1", "AI", "Al"])
def test_a_serial_that_leads_nowhere_shows_what_it_looks_like(shop: Shop, name: str) -> None:
    report = shop.load(teardowns=f"job,unit,opened_on\nK1,{name},2024-01-01\n")
    assert report.rejects[["reason", "looks_like"]].to_numpy().tolist() == [["unknown_reference", "A1"]]


def test_a_part_number_that_lost_its_zeros_shows_what_it_looks_like(shop: Shop) -> None:
    report = shop.load(issued_parts="issued_on,part,quantity\n2024-01-01,71,1\n")
    assert report.rejects[["reason", "looks_like"]].to_numpy().tolist() == [["unknown_reference", "0071"]]


@pytest.mark.parametrize(
    ("value", "form", "shown"),
    [
        (71, "0000", "0071"),
        (12034, "000-000", "012-034"),
        (71, '"P"0000', "P0071"),
        (71, "\\P\\-0000", "P-0071"),
        (123456, "0000", "123456"),
        (71, "0", "71"),
        (71, "General", "71"),
        (71, "#,##0", "71"),
        (71, "0.00", "71"),
        (7, '"kit "0', "kit 7"),
    ],
)
def test_a_number_shown_with_zeros_and_signs_is_read_as_shown(value: int, form: str, shown: str) -> None:
    """What a spreadsheet program shows for these number formats (ECMA-376 part 1, 18.8.31)."""
    book = openpyxl.Workbook()
    assert book.active is not None
    book.active["A1"] = value
    book.active["A1"].number_format = form
    assert sheets(content_of(book), "b.xlsx")[0].rows == [[shown]]


def test_formula_errors_cost_their_row_where_the_cell_is_needed(shop: Shop) -> None:
    book = openpyxl.Workbook()
    assert book.active is not None
    book.active.title = "stock"
    for row in (["part", "site", "on_hand", "shelf"], ["0071", "north", "#REF!", "a"], ["0072", "north", 4, "#N/A"]):
        book.active.append(row)
    report = shop.load_paths([write(shop, content_of(book), "b.xlsx")])
    assert ("stock", 2, "on_hand", "formula_error") in told(report)
    assert count(report, "stock") == {"read": 2, "new": 1, "rejected": 1}


@pytest.mark.parametrize(("epoch", "day"), [(None, 45_306), (CALENDAR_MAC_1904, 43_844)])
def test_day_numbers_count_from_the_day_of_their_workbook(shop: Shop, epoch: datetime | None, day: int) -> None:
    """15 January 2024 is day 45306 of the 1900 system and 43844 of the 1904 one: 1,462 days apart (ECMA-376 part 1,
    18.17.4.1).
    """
    book = openpyxl.Workbook()
    if epoch is not None:
        book.epoch = epoch
    assert book.active is not None
    book.active.title = "jobs"
    for row in (["nr", "unit", "day"], ["K1", "A2", day], ["K2", "A2", date(2024, 1, 15)], ["K3", "A2", day + 0.75]):
        book.active.append(row)
    toml = shop.folder.parent / "m.toml"
    toml.write_text(
        '[[sheet]]\nsheet = "jobs"\ndates = "serial"\n[[sheet.table]]\nname = "teardowns"\n'
        'columns = { job = "nr", unit = "unit", opened_on = "day" }\n'
    )
    report = shop.load_paths([write(shop, content_of(book), "jobs.xlsx")], mapping=toml)
    assert report.complete, report.rejects
    assert set(shop.rows("teardowns")["opened_on"].dt.strftime("%Y-%m-%d")[-3:]) == {"2024-01-15"}


def test_a_date_that_two_formats_read_as_two_days_is_not_guessed() -> None:
    both = Writing("date", dates=("%d/%m/%Y", "%m/%d/%Y"))
    assert both.read(["31/12/2023", "12/31/2023", "03/04/2024", "05/05/2024"]) == (
        ["2023-12-31", "2023-12-31", "03/04/2024", "2024-05-05"],
        [2],
    )
    assert Writing("date", dates=("serial 1904",)).read(["43844"]) == (["2024-01-15"], [])


def test_a_header_over_a_mapped_sheet_sets_the_delimiter(shop: Shop) -> None:
    toml = shop.folder.parent / "m.toml"
    toml.write_text(
        '[[sheet]]\nheader_row = 3\n[[sheet.table]]\nname = "teardowns"\n'
        'columns = { job = "Nr", unit = "Serial", opened_on = "Day" }\n'
    )
    text = "Shop, north, second hall, list\n\nNr;Serial;Day\nK1;A2;2024-01-01\n"
    assert count(shop.load_paths([write(shop, text.encode(), "list.csv")], mapping=toml), "teardowns")["new"] == 1


def test_cells_of_several_lines_under_a_title(shop: Shop) -> None:
    text = "North\n" + HEADER + 'K1,A2,2024-01-01,5,"noise\nthen heat"\nK2,A2,2024-02-01,6,x\n'
    assert count(shop.load_paths([write(shop, text.encode())]), "teardowns") == {"read": 2, "new": 2}
    assert text_rows.told_delimiter("job,unit\n") is None


@pytest.mark.parametrize("threshold", [0, 10**9])
def test_what_guards_a_cell_is_taken_off_both_ways(shop: Shop, monkeypatch: pytest.MonkeyPatch, threshold: int) -> None:
    monkeypatch.setattr(read, "FAST_FROM_BYTES", threshold)
    shop.load(parts='part,name\n="0073",ring\n0074,\'=seal\n0075,a="b"\n')
    assert sorted(shop.keys("parts", "part", "name"))[2:] == [("0073", "ring"), ("0074", "=seal"), ("0075", 'a="b"')]
