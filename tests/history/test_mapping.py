"""A shop's own sheets through a mapping: columns, words, dates, numbers, units, one sheet into several tables."""

from __future__ import annotations

import json
from pathlib import Path

import openpyxl
import pytest

from rebuildstats.errors import InputError, UsageError
from rebuildstats.history.cells import PlainNumber, Writing, conversion
from rebuildstats.history.load import LoadReport
from tests.history.conftest import Shop, count, told

FLAT = """
[[sheet]]
file = "log*.csv"
dates = "%d.%m.%Y"
decimal = ","
thousands = "."
fill_down = ["Auftrag", "Achse", "Datum", "km"]

[[sheet.table]]
name = "teardowns"
columns.job = "Auftrag"
columns.unit = "Achse"
columns.opened_on = "Datum"
columns.unit_mileage = { column = "km", unit = "km" }
columns.site = { constant = "north" }

[[sheet.table]]
name = "findings"
where_filled = ["Teil"]
columns.job = "Auftrag"
columns.component = "Teil"
columns.point = { column = "Punkt" }
columns.reading = { column = "Maß", unit = "mm", to = "in" }
columns.verdict = "Urteil"
words.component = { Lager = "bearing", "Wellen  Dichtung" = "seal" }
words.point = { Spiel = "play" }
words.verdict = { "i.O." = "ok", "n.i.O." = "fail" }
"""
LOG = """Auftrag;Achse;Datum;km;Teil;Punkt;Maß;Urteil;Prüfer
K1;A2;03.02.2024;16.093,44;Lager;Spiel;2,54;i.O.;Jo
;;;;wellen dichtung;;;N.I.O.;Jo
K2;A2;04.03.2024;32.186,88;Lager;Spiel;5,08 mm;i.O.;
K3;A2;2024-05-04;;;;;;
"""


def load_mapped(shop: Shop, mapping: str, text: str, name: str = "log 2024.csv") -> LoadReport:
    file = shop.folder / name
    file.write_text(text, encoding="utf-8")
    toml = shop.folder.parent / "mapping.toml"
    toml.write_text(mapping, encoding="utf-8")
    return shop.load_paths([file], mapping=toml)


def test_one_flat_sheet_becomes_two_tables(shop: Shop) -> None:
    report = load_mapped(shop, FLAT, LOG)
    assert report.complete, report.rejects
    assert count(report, "teardowns") == {"read": 4, "new": 3, "same": 1}
    assert count(report, "findings") == {"read": 4, "new": 3, "blank": 1}
    jobs = shop.rows("teardowns").iloc[-3:]
    assert jobs["job"].tolist() == ["K1", "K2", "K3"]
    assert jobs["opened_on"].dt.strftime("%Y-%m-%d").tolist() == ["2024-02-03", "2024-03-04", "2024-05-04"]
    assert jobs["unit_mileage"].tolist()[:2] == [10_000.0, 20_000.0]  # the store's distance is mi
    assert jobs["unit_mileage"].isna().tolist() == [False, False, True]  # a new job: nothing of the one above
    assert set(jobs["site"]) == {"north"}
    found = shop.rows("findings")
    assert found[["job", "component", "point", "verdict"]].to_numpy().tolist() == [
        ["K1", "bearing", "play", "ok"],
        ["K1", "seal", "", "fail"],
        ["K2", "bearing", "play", "ok"],
    ]
    assert found["reading"].fillna(0).tolist() == [0.1, 0.0, 0.2]
    assert json.loads(found["_notes"].iloc[0]) == {"Prüfer": "Jo"}


def test_the_same_sheet_again_changes_nothing(shop: Shop) -> None:
    load_mapped(shop, FLAT, LOG)
    report = load_mapped(shop, FLAT, LOG)
    assert report.frame()[["new", "changed", "rejected", "held"]].to_numpy().sum() == 0


@pytest.mark.parametrize(
    ("cell", "column", "reason"),
    [
        ("K1;A2;31.02.2024;5;Lager;;;", "opened_on", "not_as_mapped"),
        ("K1;A2;03/02/2024;5;Lager;;;", "opened_on", "not_as_mapped"),
        ("K1;A2;03.02.2024;16.09,5;Lager;;;", "unit_mileage", "not_as_mapped"),
        ("K1;A2;03.02.2024;12.5;Lager;;;", "unit_mileage", "not_as_mapped"),
    ],
)
def test_a_cell_not_written_as_said_is_rejected_not_guessed(shop: Shop, cell: str, column: str, reason: str) -> None:
    report = load_mapped(shop, FLAT, LOG.splitlines()[0] + "\n" + cell + "\n")
    assert ("teardowns", 2, column, reason) in told(report)
    row = report.rejects.loc[report.rejects["column"] == column].iloc[0]
    assert row["value"] in cell
    assert json.loads(row["row"])["Auftrag"] == "K1"
    assert count(report, "findings") == {"read": 1, "held": 1}


def test_readings_not_written_as_said(shop: Shop) -> None:
    rows = ["K1;A2;03.02.2024;5;Lager;Spiel;2,5 bar;", "K2;A2;03.02.2024;5;Lager;Spiel;circa 2;"]
    report = load_mapped(shop, FLAT, "\n".join([LOG.splitlines()[0], *rows]) + "\n")
    assert [
        (r, v) for r, v in zip(report.rejects["reason"], report.rejects["value"], strict=True) if r != "not_a_number"
    ] == [
        ("not_as_mapped", "2,5 bar"),
        ("not_as_mapped", "circa 2"),
    ]


def test_a_held_row_of_a_mapped_sheet_goes_in_later(shop: Shop) -> None:
    header = LOG.splitlines()[0]
    load_mapped(shop, FLAT, f"{header}\nK1;A9;03.02.2024;5;Lager;;2,54;i.O.;Jo\n")
    load_mapped(shop, FLAT, f"{header}\nK1;A2;03.02.2024;5;;;;;\n")
    assert shop.keys("findings", "job", "component", "reading", "verdict") == [("K1", "bearing", 0.1, "ok")]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("columns.job", "columns.jobb"), "no column 'jobb'"),
        (('name = "findings"', 'name = "finding"'), "no table 'finding'"),
        (("fill_down", "fill"), "fill is not known here"),
        (('unit = "mm", to = "in"', 'unit = "mm", to = "lbf"'), "cannot be brought to 'lbf'"),
        (('unit = "mm", to = "in"', 'unit = "mm"'), "say `to`"),
        (('{ constant = "north" }', '{ constant = "north", column = "x" }'), "either a column or a constant"),
        (('thousands = "."', 'thousands = ","'), "cannot be the same"),
        (("[[sheet]]", "[[sheet"), "not valid TOML"),
        (("[[sheet.table]]", "[[sheet.tables]]"), "tables is not known here"),
    ],
)
def test_what_is_wrong_with_a_mapping_is_said_before_anything_is_read(
    shop: Shop, change: tuple[str, str], words: str
) -> None:
    assert change[0] in FLAT
    with pytest.raises(UsageError, match=words):
        load_mapped(shop, FLAT.replace(*change), LOG)


def test_a_header_that_is_not_there_is_said(shop: Shop) -> None:
    with pytest.raises(InputError, match="no column 'Achse'"):
        load_mapped(shop, FLAT, LOG.replace("Achse", "Einheit"))


def test_files_the_mapping_does_not_name_are_read_by_the_contract(shop: Shop) -> None:
    shop.write(sites="site\nfar\n")
    (shop.folder / "log.csv").write_text(LOG, encoding="utf-8")
    toml = shop.folder.parent / "m.toml"
    toml.write_text(FLAT, encoding="utf-8")
    report = shop.load_paths([shop.folder], mapping=toml)
    assert report.frame()["table"].tolist() == ["sites", "teardowns", "findings"]


def test_sheets_of_a_workbook(shop: Shop, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for year, sheet in ((2023, book.active), (2024, book.create_sheet())):
        assert sheet is not None
        sheet.title = f"Jahr {year}"
        sheet.append(["Werkstatt Nord"])
        sheet.append([])
        sheet.append(["Nr", "Achse", "Tag", "Meilen"])
        sheet.append([f"K{year}", "A2", 45_000 + year - 2023, 1234.5 + year])
    book.create_sheet("Notizen").append(["egal"])
    file = tmp_path / "Buch.xlsx"
    book.save(file)
    toml = tmp_path / "m.toml"
    toml.write_text(
        '[[sheet]]\nfile = "buch.xlsx"\nsheet = "jahr *"\nheader_row = 3\ndates = "serial"\ndecimal = ","\n'
        '[[sheet.table]]\nname = "teardowns"\n'
        'columns = { job = "Nr", unit = "achse", opened_on = "Tag", unit_mileage = "Meilen" }\n'
    )
    report = shop.load_paths([file], mapping=toml)
    assert count(report, "teardowns") == {"read": 2, "new": 2}
    jobs = shop.rows("teardowns").iloc[-2:]
    assert jobs["opened_on"].dt.strftime("%Y-%m-%d").tolist() == ["2023-03-15", "2023-03-16"]
    assert jobs["unit_mileage"].tolist() == [3257.5, 3258.5]
    assert any("Notizen" in notice for notice in report.notices)


@pytest.mark.parametrize(
    ("unit", "to", "value", "expected"),
    [
        ("mm", "in", "25.4", "1.0"),
        ("in", "mm", "0.004", "0.1016"),
        ("N", "lbf", "4.4482216152605", "1.0"),
        ("°C", "°F", "100", "212.0"),
        ("°F", "°C", "32", "0.0"),
        ("km", "mi", "1.609344", "1.0"),
        ("Nm", "lb-ft", "1.3558179483314", "1.0"),
        ("thou", "mm", "10", "0.254"),
    ],
)
def test_units(unit: str, to: str, value: str, expected: str) -> None:
    """The definitions of the international inch, pound-force, mile and of the two temperature scales."""
    ours, odd = Writing("number", unit=unit, to=to).read([value])
    assert odd == []
    assert float(ours[0] or "nan") == pytest.approx(float(expected), abs=1e-11)


def test_a_hostile_unit_in_a_cell_is_not_computed() -> None:
    ours, odd = Writing("number", unit="mm", to="in").read(["5 mm", "5 m**9**9**9", "5 __import__", "5 bananas"])
    assert odd == [1, 2, 3]
    assert float(ours[0] or "nan") == pytest.approx(5 / 25.4)
    with pytest.raises(ValueError, match="cannot be brought"):
        conversion("mm", "hour")


def test_numbers_of_a_workbook_need_no_decimal_comma() -> None:
    assert Writing("number", decimal=",").read([PlainNumber("5.25"), "5.25", "5,25"]) == (["5.25", "5.25", "5.25"], [1])


def test_a_year_of_dates_by_several_formats() -> None:
    ours, odd = Writing("date", dates=("%d/%m/%y", "serial")).read(["31/12/23", "45291", "2023-12-31", "12/31/23", ""])
    assert ours == ["2023-12-31", "2023-12-31", "2023-12-31", "12/31/23", None]
    assert odd == [3]
