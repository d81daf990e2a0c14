"""Text files: Python's csv, our careful reader and the fast way through DuckDB give the same cells."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rebuildstats.errors import InputError
from rebuildstats.history import read, store, text_rows
from rebuildstats.history.contract import TABLE_BY_NAME
from rebuildstats.history.load import Load
from tests.history.conftest import Shop, count, told

NASTY = st.text(st.sampled_from("a1é€\",;\t\r\n '|\\\u00a0\u2028=-0"), max_size=8)
TEARDOWNS = TABLE_BY_NAME["teardowns"]


def by_python(text: str, delimiter: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))


@given(
    st.lists(st.lists(NASTY, min_size=3, max_size=3), min_size=1, max_size=6),
    st.sampled_from(",;\t|"),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
@settings(max_examples=80)
def test_written_by_python_read_by_us(rows: list[list[str]], delimiter: str, ending: str, quoting: int) -> None:
    if quoting == csv.QUOTE_MINIMAL:
        ending = "\r\n"  # with another one the writer leaves a lone return without quotes, which is no CSV
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator=ending, quoting=quoting).writerows([["x", "y", "z"], *rows])
    text = out.getvalue()
    found = list(text_rows.rows(text, delimiter, "t.csv"))
    assert [r.cells for r in found] == by_python(text, delimiter)
    if quoting == csv.QUOTE_ALL:
        assert [r.cells for r in found] == [["x", "y", "z"], *rows]
        lines = io.StringIO(text, newline="").readlines()
        for row in found:  # each record begins where its line says
            assert lines[row.line - 1].startswith(_quoted(row.cells[0]).splitlines()[0])


@given(
    st.lists(st.lists(NASTY, min_size=4, max_size=4), min_size=1, max_size=8),
    st.sampled_from(["\n", "\r\n"]),
    st.data(),
)
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_the_fast_way_reads_the_same_cells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rows: list[list[str]], ending: str, data: st.DataObject
) -> None:
    """Whatever DuckDB's reader accepts, it reads as Python does; what it does not accept goes the careful way."""
    file = tmp_path / "teardowns.csv"
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator=ending)
    writer.writerow(["job", "unit", "complaint", "smell"])
    text = out.getvalue() + ending.join(
        ",".join(cell if data.draw(st.booleans()) else _quoted(cell) for cell in r) for r in rows
    )
    file.write_bytes(text.encode())
    read_as = []
    for threshold in (0, 10**9):
        monkeypatch.setattr(read, "FAST_FROM_BYTES", threshold)
        with store.memory() as con:
            work = Load(con, None)
            try:
                work.stage(read.sheets_of(file, True, []))
                staged = con.execute("select * exclude (_file, _raw) from stage_teardowns order by _row")
                read_as.append(staged.fetchall())
            except InputError as error:
                read_as.append([(str(error),)])
    assert _plain(read_as[0]) == _plain(read_as[1])


def _plain(rows: list[tuple[object, ...]]) -> list[tuple[object, ...]]:
    """Notes as values: how JSON escapes a letter is no difference."""
    return [tuple(json.loads(c) if isinstance(c, str) and c.startswith("{") else c for c in row) for row in rows]


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"'


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "utf-32"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_encodings_line_ends_and_delimiters(encoding: str, ending: str, delimiter: str, tmp_path: Path) -> None:
    text = ending.join(
        ["site,served_by,name".replace(",", delimiter), f"Malmö{delimiter}Köln{delimiter}Ångström–é", ""]
    )
    file = tmp_path / "sites.csv"
    file.write_bytes(text.encode(encoding))
    sheet = read.sheets_of(file, True, [])[0]
    assert sheet.frame is not None
    assert sheet.frame[["_line", "site", "served_by"]].to_numpy().tolist() == [[2, "Malmö", "Köln"]]
    assert "Ångström–é" in sheet.frame["_notes"].iloc[0]


def test_a_quote_left_open_costs_its_own_line_only(shop: Shop) -> None:
    report = shop.load(
        teardowns="job,unit,opened_on,complaint\n"
        'K1,A2,2024-01-01,"noise\nK2,A2,2024-01-02,heat\nK3,A2,2024-01-03,"leak, slow"\nK4,A2,2024-01-04,\n'
    )
    assert told(report) == [("teardowns", 2, "", "open_quote")]
    assert count(report, "teardowns") == {"read": 4, "new": 3, "rejected": 1}


def test_a_quote_left_open_in_the_last_line(shop: Shop) -> None:
    report = shop.load(teardowns='job,unit,opened_on,complaint\nK1,A2,2024-01-01,x\nK2,A2,2024-01-02,"heat\n')
    assert told(report) == [("teardowns", 3, "", "open_quote")]


def test_a_quote_in_the_middle_of_a_cell_is_a_quote(shop: Shop) -> None:
    shop.load(parts='part,name\n0073,ring 5" inner\n0074,"ring 6"" inner"\n')
    assert shop.rows("parts")["name"].tolist()[-2:] == ['ring 5" inner', 'ring 6" inner']


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\x00\x01\x02binary" * 100, "no text file"),
        (b"site\n" + b"x" * 1_500_000 + b"\n", "line 2"),
        (b"a," * 3000 + b"\nx\n", "2,000"),
        (b"a,b\n1,2\n", "no column of the table"),
        (b"site,served_by,Site\nx,y,z\n", "twice"),
        (b"\xff\xfe\x00", "begins like"),
    ],
)
def test_what_cannot_be_read_is_said(shop: Shop, content: bytes, words: str) -> None:
    file = shop.folder / "sites.csv"
    file.write_bytes(content)
    with pytest.raises(InputError, match=words):
        shop.load_paths([file])
    assert shop.rows("sites").empty


def test_a_file_of_no_rows_is_no_error(shop: Shop) -> None:
    assert count(shop.load(sites="site\n"), "sites") == {}
    report = shop.load(sites="")
    assert any("empty" in notice for notice in report.notices)


def test_paths_that_lead_nowhere(shop: Shop, tmp_path: Path) -> None:
    (tmp_path / "none").mkdir()
    (tmp_path / "list.csv").write_text("site\nx\n")
    (tmp_path / "old.xls").write_bytes(b"x")
    for path, words in (
        (tmp_path / "none", "holds no table"),
        (tmp_path / "missing.csv", "no file or folder"),
        (tmp_path / "list.csv", "like no table"),
        (tmp_path / "old.xls", "Save it as .xlsx"),
    ):
        with pytest.raises(InputError, match=words):
            shop.load_paths([path])


def test_unknown_files_of_a_folder_are_told(shop: Shop) -> None:
    shop.write(sites="site\nx\n", inventory="a\n1\n")
    (shop.folder / "notes.pdf").write_bytes(b"x")
    (shop.folder / ".hidden.csv").write_bytes(b"x")
    report = shop.load_paths([shop.folder])
    assert report.frame()["table"].tolist() == ["sites"]
    assert sorted(notice.split(":")[0] for notice in report.notices) == ["inventory.csv", "notes.pdf"]


@pytest.mark.parametrize(
    ("name", "table"),
    [
        ("findings", "findings"),
        ("Findings 2024-03", "findings"),
        ("PART USES", "part_uses"),
        ("issued-parts_2", "issued_parts"),
        ("parts list", None),
        ("old findings", None),
        ("2024", None),
    ],
)
def test_names_of_files(name: str, table: str | None) -> None:
    found = read.table_named(name)
    assert (found.name if found else None) == table


def test_a_big_plain_file_goes_the_fast_way_with_the_right_lines(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(read, "careful_sheet", None)  # calling it would be an error
    jobs = range(20_000)
    text = "job,unit,opened_on,bench\n" + "".join(f"K{i},A2,2024-01-01,{'Ö' if i % 2 else ' b '}\n" for i in jobs)
    assert len(text) > read.FAST_FROM_BYTES
    report = shop.load(teardowns=text.replace("K19998,A2,2024-01-01", "K19998,A2,2024-01-0x"))
    assert told(report) == [("teardowns", 20_000, "opened_on", "not_a_date")]
    assert count(report, "teardowns") == {"read": 20_000, "new": 19_999, "rejected": 1}
    assert set(shop.rows("teardowns")["bench"].dropna()) == {"Ö", "b"}
