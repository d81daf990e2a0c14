"""A mapping is proposed from headers and values, as text: it reads back as a mapping and says what it is unsure of."""

from __future__ import annotations

from pathlib import Path

import pytest

from rebuildstats.history.mapping import read_mapping
from rebuildstats.history.proposal import propose_mapping
from tests.history.conftest import Shop, count

LOG = """Work Order;Serial No.;Date In;Miles;Item;Check;Measured;Result;What was done;Painted
WO-1;A2;31.01.2024;12.500;bearing;play;0,25;bad;replaced;green
WO-1;A2;31.01.2024;12.500;seal;;;good;kept;
WO-2;A2;15.02.2024;13.000;bearing;play;0,10;passed;dusted;
"""


def test_a_flat_sheet_is_recognised_and_loads_as_proposed(shop: Shop, tmp_path: Path) -> None:
    (shop.folder / "log.csv").write_text(LOG)
    text = propose_mapping([shop.folder / "log.csv"])
    toml = tmp_path / "m.toml"
    toml.write_text(text, encoding="utf-8")
    assert 'dates = "%d.%m.%Y"' in text
    assert 'decimal = ","' in text
    assert "# action: what do these mean (reuse, dress, machine, replace)? dusted" in text
    assert "# kept as notes, because they match no column: Painted" in text
    report = shop.load_paths([shop.folder / "log.csv"], mapping=toml)
    assert count(report, "teardowns") == {"read": 3, "new": 2, "same": 1}
    assert count(report, "findings") == {"read": 3, "new": 2, "rejected": 1}
    assert report.rejects["value"].tolist() == ["dusted"]
    assert shop.keys("findings", "component", "reading", "verdict", "action")[0] == ("bearing", 0.25, "fail", "replace")
    assert shop.rows("teardowns")["unit_mileage"].tolist()[-2:] == [12500.0, 13000.0]


@pytest.mark.parametrize(
    ("dates", "line"),
    [
        (["03/04/2024", "05/06/2024"], 'dates = "%d/%m/%Y"   # or "%m/%d/%Y"? every date fits both'),
        (["03/04/2024", "25/06/2024"], 'dates = "%d/%m/%Y"'),
        (["03/04/2024", "05/26/2024"], 'dates = "%m/%d/%Y"'),
        (["03.04.24", "25.06.24", "soon"], "# 1 of 3 dates are written otherwise and would be rejected"),
    ],
)
def test_dates_are_guessed_and_doubt_is_said(tmp_path: Path, dates: list[str], line: str) -> None:
    file = tmp_path / "jobs.csv"
    file.write_text("job no,serial,opened\n" + "".join(f"{i},A,{d}\n" for i, d in enumerate(dates)))
    assert line in propose_mapping([file]).splitlines()


def test_what_needs_no_mapping_and_what_is_no_table(tmp_path: Path) -> None:
    (tmp_path / "units.csv").write_text("unit,family\nx,y\n")
    (tmp_path / "phone list.csv").write_text("who,extension\nJo,12\n")
    text = propose_mapping([tmp_path])
    assert "units.csv is by the contract already" in text
    assert "phone list.csv: no table of the contract is recognised in its columns: who, extension" in text


def test_hostile_headers_stay_text(tmp_path: Path) -> None:
    file = tmp_path / 'a"b.csv'
    file.write_text('job no,serial,opened,"x""]\n[[sheet]]"\n1,A,2024-01-01,q\n')
    toml = tmp_path / "m.toml"
    toml.write_text(propose_mapping([file]), encoding="utf-8")
    (sheet,) = read_mapping(toml, "mi")
    assert sheet.file == 'a"b.csv'


AXLE_LOG = """Depot West - axle shop log;;;;;;;;
;;;;;;;;
RO #;Axle S/N;In;Out;Odo (km);What driver said;Item;Measured (mm);Result
1001;A2;03/04/23;05/04/23;123.456;noise;bearing;0,25;worn out
;;;;;;seal;;pass
1002;A2;13/04/23;15/04/23;123.900,5;;bearing;0,10;pass
Total;2;;;;;;;
"""


def test_a_log_under_a_title_with_empty_cells_below_each_job(shop: Shop, tmp_path: Path) -> None:
    file = shop.folder / "axle log.csv"
    file.write_text(AXLE_LOG)
    text = propose_mapping([file])
    for line in (
        "header_row = 3",
        'fill_down = ["RO #", "Axle S/N", "In", "Odo (km)", "What driver said", "Out"]'
        "   # empty below a job's first line: as above",
        'dates = "%d/%m/%y"',
        'odometer = { column = "Odo (km)", unit = "km" }',
        'complaint = "What driver said"',
        'verdict = { "pass" = "ok", "worn out" = "fail" }',
    ):
        assert line in text.splitlines()
    assert 'unit = "mm", to = "..."' in text
    toml = tmp_path / "m.toml"
    toml.write_text(text, encoding="utf-8")
    before = len(shop.rows("loads"))
    dry = shop.load_paths([file], mapping=toml, dry_run=True)
    assert len(shop.rows("loads")) == before
    report = shop.load_paths([file], mapping=toml)
    assert dry.frame().equals(report.frame())
    assert count(report, "findings") == {"read": 4, "new": 3, "blank": 1}
    assert count(report, "teardowns")["rejected"] == 1
    assert set(report.rejects["reason"]) == {"total_row"}
    assert shop.rows("teardowns")["complaint"].dropna().tolist() == ["noise"]


def test_a_stock_list_is_two_tables(tmp_path: Path) -> None:
    file = tmp_path / "list.csv"
    file.write_text('"Part #",Description,Depot,"On shelf",Price\n0071,bearing,north,"1,200",2.10\n')
    text = propose_mapping([file])
    assert 'name = "stock"' in text
    assert 'unit_cost = "Price"' in text
    toml = tmp_path / "m.toml"
    toml.write_text(text, encoding="utf-8")
    (sheet,) = read_mapping(toml, "mi")
    assert {table.table.name for table in sheet.tables} == {"stock", "parts"}
