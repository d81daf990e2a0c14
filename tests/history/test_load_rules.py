"""Each rule of a load with the smallest file that breaks it: the reason, the place, what goes in all the same."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from rebuildstats.history import store
from rebuildstats.history.corrections import store_teardown
from rebuildstats.history.load import LoadReport
from rebuildstats.history.statements import rules
from tests.history.conftest import GOOD, NOW, Shop, count, told

FINDINGS = "job,component,point,position,reading,verdict,quantity\n"


# Rows that break one rule each: table, file, column, reason. No two of one table have a key in common that gets as far.
BROKEN = [
    ("findings", FINDINGS + "J1,bearing,,1,5;2,ok,\n", "reading", "not_a_number"),
    ("findings", FINDINGS + 'J1,bearing,,1,"1,204",ok,\n', "reading", "not_a_number"),
    ("findings", FINDINGS + "J1,bearing,,1,nan,ok,\n", "reading", "not_a_number"),
    ("findings", FINDINGS + "J1,bearing,,1,1e999,ok,\n", "reading", "not_a_number"),
    ("findings", FINDINGS + "J1,bearing,,1,0x1F,ok,\n", "reading", "not_a_number"),
    ("findings", FINDINGS + "J1,bearing,,1,1_000,ok,\n", "reading", "not_a_number"),
    ("findings", FINDINGS + "J1,bearing,,1.5,,ok,\n", "position", "not_a_whole_number"),
    ("findings", FINDINGS + "J1,bearing,,two,,ok,\n", "position", "not_a_whole_number"),
    ("findings", FINDINGS + "J1,bearing,,0,,ok,\n", "position", "below_one"),
    ("findings", FINDINGS + "J1,bearing,,1,,good,\n", "verdict", "not_a_word"),
    ("findings", FINDINGS + "J1,bearing,,1,,ok,-1\n", "quantity", "negative"),
    ("findings", FINDINGS + ",bearing,,1,,ok,\n", "job", "missing_value"),
    ("findings", FINDINGS + "J1,bearing,,3,,ok,\n", "position", "position_beyond"),
    ("findings", FINDINGS + "J1,seal,,2,,ok,\n", "position", "position_beyond"),
    ("findings", FINDINGS + "J1,gear,,1,,ok,\n", "component", "unknown_reference"),
    ("findings", FINDINGS + "J1,bearing,run,1,,ok,\n", "point", "unknown_reference"),
    ("findings", FINDINGS + "J9,bearing,,1,,ok,\n", "job", "unknown_reference"),
    ("findings", FINDINGS + "J1,bearing,,1,,ok\n", "", "wrong_number_of_cells"),
    ("findings", FINDINGS + "J1,bearing,,1,,ok,1,2\n", "", "wrong_number_of_cells"),
    ("findings", FINDINGS + FINDINGS, "", "repeated_header"),
    ("teardowns", "job,unit,opened_on\nJ3,A1,31.12.2024\n", "opened_on", "not_a_date"),
    ("teardowns", "job,unit,opened_on\nJ3,A1,2024-02-30\n", "opened_on", "not_a_date"),
    ("teardowns", "job,unit,opened_on\nJ3,A1,infinity\n", "opened_on", "not_a_date"),
    ("teardowns", "job,unit,opened_on\nJ3,A1,2025-07-01\n", "opened_on", "in_the_future"),
    ("teardowns", "job,unit,opened_on,closed_on\nJ3,A1,2025-06-30,2025-07-01\n", "closed_on", "in_the_future"),
    ("teardowns", "job,unit,opened_on\nJ3,A9,2024-12-31\n", "unit", "unknown_reference"),
    ("teardowns", "job,unit,opened_on,unit_mileage\nJ3,A1,2024-12-31,-5\n", "unit_mileage", "negative"),
    ("components", "family,component,safety\naxle,nut,yes\n", "safety", "not_true_or_false"),
    ("components", "family,component,supplied_in\naxle,nut,cage\n", "supplied_in", "unknown_reference"),
    ("parts", "part,replaced_by\n0073,0099\n", "replaced_by", "unknown_reference"),
    ("parts", "part,unit_cost\nTotal,123.5\n", "part", "total_row"),
    ("part_uses", "family,component,part\naxle,bearing,0099\n", "part", "unknown_reference"),
    ("part_uses", "family,component,part\naxle,gear,0071\n", "component", "unknown_reference"),
    ("points", "family,point,component\naxle,pitch,gear\n", "component", "unknown_reference"),
    ("fitments", "unit,vehicle,fitted_on\nA9,V1,2024-01-01\n", "unit", "unknown_reference"),
    ("fitments", "unit,vehicle,fitted_on\nA1,V9,2024-01-01\n", "vehicle", "unknown_reference"),
    ("odometers", "vehicle,read_on,odometer\nV9,2024-01-01,5\n", "vehicle", "unknown_reference"),
    ("odometers", "vehicle,read_on,odometer,meter\nV1,2024-01-01,5,0\n", "meter", "below_one"),
    ("issued_parts", "issued_on,part,quantity\n2024-01-01,0099,1\n", "part", "unknown_reference"),
    ("issued_parts", "issued_on,part,quantity,job\n2024-01-01,0071,1,J9\n", "job", "unknown_reference"),
    ("issued_parts", "issued_on,part,quantity,kind\n2024-01-01,0071,1,gift\n", "kind", "not_a_word"),
    ("stock", "part,site,on_hand\n0071,north,-2\n", "on_hand", "negative"),
    ("orders", "order,part,quantity\nB1,0099,2\n", "part", "unknown_reference"),
    ("planned", "plan,due_on,unit\nP1,2025-09-01,A9\n", "unit", "unknown_reference"),
]


@pytest.fixture(scope="module")
def broken(stocked: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[LoadReport, pd.DataFrame]:
    """All of them in one load, each in a file of its own and on a line of its own; and what the store keeps of them."""
    shop = Shop(tmp_path_factory.mktemp("broken"), stocked)
    files = []
    for number, (table, text, *_) in enumerate(BROKEN):
        (shop.folder / f"{number}").mkdir()
        files.append(shop.folder / f"{number}" / f"{table}.csv")
        header, row = text.splitlines()
        blank = "\n"
        files[-1].write_text(f"{header}\n{blank * number}{row}\n")
    return shop.load_paths(files), shop.rows("rejects")


@pytest.mark.parametrize("number", range(len(BROKEN)), ids=[f"{t}-{c}-{r}" for t, _, c, r in BROKEN])
def test_a_row_that_breaks_one_rule_is_rejected_for_it(broken: tuple[LoadReport, pd.DataFrame], number: int) -> None:
    report, kept = broken
    table, _, column, reason = BROKEN[number]
    line = number + 2
    found = [(t, n, c, r) for t, n, c, r in told(report) if (t, n, r) == (table, line, reason)]
    assert found == [(table, line, column or found[0][2], reason)]
    assert reason in rules()
    assert ((kept["table"] == table) & (kept["line"] == line) & (kept["reason"] == reason)).sum() == 1
    blank = sum(n for n, (other, *_) in enumerate(BROKEN) if other == table)
    rows = sum(other == table for other, *_ in BROKEN)
    assert count(report, table) == {"read": rows + blank, "rejected": rows} | ({"blank": blank} if blank else {})


def test_what_the_rules_allow_goes_in(shop: Shop) -> None:
    report = shop.load(
        findings=FINDINGS + "J1, bearing ,play,,+1.5e-3,OK,\nJ1,bearing,play,2.0,.5,Not_Checked,0\n",
        teardowns="job,unit,opened_on,scope\nJ3,A2,2025-06-30,REBUILD\nJ4,A2,2025-06-30 00:00:00,\n",
        orders="order,part,due_on\nB1,0071,2031-01-01\n",
        planned="plan,due_on,family\nP1,2031-01-01,axle\n",
        vehicles="vehicle,out_of_service_on\nV3,2031-01-01\n",
        components="family,component,supplied_in,safety\naxle,cage,,True\naxle,roller,cage,FALSE\n",
        parts="part,replaced_by\n0073,0074\n0074,\n",
        sites="site,served_by\nfar,north\n",
    )
    assert report.complete, report.rejects
    assert report.frame()["new"].sum() == 12
    findings = shop.rows("findings")
    assert findings[["component", "position", "reading", "verdict"]].to_numpy().tolist() == [
        ["bearing", 1, 0.0015, "ok"],
        ["bearing", 2, 0.5, "not_checked"],
    ]
    assert shop.keys("parts", "part")[0] == ("0071",)  # leading zeros stay


def test_a_finding_that_begins_like_a_sum_is_no_line_of_totals(shop: Shop) -> None:
    """Only a row that lacks what it must have is one; a finding needs no point."""
    report = shop.load(findings="job,component,condition\nJ1,bearing,total loss\nJ2,,Total 2\n")
    assert told(report) == [("findings", 3, "job", "total_row")]
    assert shop.keys("findings", "condition") == [("total loss",)]


def test_every_fault_of_a_row_is_told_and_the_row_counts_once(shop: Shop) -> None:
    report = shop.load(findings=FINDINGS + "J1,bearing,,x,y,z,-1\n")
    assert [(c, r) for _, _, c, r in told(report)] == [
        ("position", "not_a_whole_number"),
        ("quantity", "negative"),
        ("reading", "not_a_number"),
        ("verdict", "not_a_word"),
    ]
    assert count(report, "findings") == {"read": 1, "rejected": 1}


def test_a_rejected_row_is_kept_whole_with_its_notes(shop: Shop) -> None:
    report = shop.load(findings="job,component,verdict,smell\nJ1,bearing,bad,burnt\n")
    kept = json.loads(report.rejects["row"].iloc[0])
    assert kept == {"job": "J1", "component": "bearing", "verdict": "bad", "smell": "burnt"}
    assert report.rejects["value"].iloc[0] == "bad"
    assert report.rejects["file"].iloc[0] == "findings.csv"


def test_a_row_with_too_many_cells_is_kept_whole(shop: Shop) -> None:
    report = shop.load(findings="job,component\nJ1,bearing,3,4\n")
    assert json.loads(report.rejects["row"].iloc[0]) == {"job": "J1", "component": "bearing", "more cells": ["3", "4"]}


class TestRepeatedKeys:
    def test_equal_rows_count_once(self, shop: Shop) -> None:
        report = shop.load(findings="job,component,verdict\nJ1,bearing,ok\nJ1,bearing,OK\nJ1, bearing,ok\n")
        assert count(report, "findings") == {"read": 3, "new": 1, "same": 2}

    def test_unequal_rows_are_all_rejected_and_shown_together(self, shop: Shop) -> None:
        report = shop.load(
            findings="job,component,verdict\nJ1,bearing,ok\nJ1,seal,ok\nJ1,bearing,fail\nJ1,bearing,ok\n"
        )
        assert count(report, "findings") == {"read": 4, "new": 1, "rejected": 3}
        assert [(n, r) for _, n, _, r in told(report)] == [
            (2, "repeated_key"),
            (4, "repeated_key"),
            (5, "repeated_key"),
        ]
        assert set(report.rejects["value"]) == {"J1 / bearing /  / 1"}

    def test_an_empty_optional_key_cell_is_a_key_value(self, shop: Shop) -> None:
        report = shop.load(
            findings="job,component,point,position,verdict\n"
            "J1,bearing,,,ok\nJ1,bearing,,1,ok\nJ1,bearing,play,,fail\nJ1,bearing,,2,fail\n"
        )
        assert count(report, "findings") == {"read": 4, "new": 3, "same": 1}

    def test_a_stored_key_is_replaced_or_the_same(self, shop: Shop) -> None:
        report = shop.load(units="unit,family,origin\nA1,axle,NEW\nA2,axle,rebuilt\nA3,axle,\n")
        assert count(report, "units") == {"read": 3, "new": 1, "changed": 1, "same": 1}
        assert shop.keys("units", "unit", "origin")[1] == ("A2", "rebuilt")

    def test_the_replaced_row_moves_to_the_past(self, shop: Shop) -> None:
        shop.load(units="unit,family,origin\nA2,axle,rebuilt\n")
        past = shop.rows("units", "past")
        assert past[["unit", "origin", "_load", "_until_load", "_why", "_who"]].to_numpy().tolist() == [
            ["A2", "used", 1, 2, "replaced", store.who()]
        ]

    def test_a_bad_row_does_not_spoil_the_good_one_of_its_key(self, shop: Shop) -> None:
        report = shop.load(findings="job,component,verdict\nJ1,bearing,ok\nJ1,bearing,maybe\n")
        assert count(report, "findings") == {"read": 2, "new": 1, "rejected": 1}


class TestTheSameAgain:
    def test_the_same_files_twice_change_nothing(self, shop: Shop) -> None:
        bad = {
            "findings": FINDINGS + "J1,bearing,,1,,ok,\nJ1,bearing,,2,,maybe,\nJ7,seal,,1,,ok,\n",
            "issued_parts": "issued_on,part,quantity\n2024-01-01,0071,1\n2024-01-01,0071,1\n",
            "teardowns": GOOD["teardowns"] + "J7,A9,2024-05-01,\n",
        }
        first = shop.load(**bad)
        assert not first.complete
        before = {t: shop.rows(t) for t in ("findings", "issued_parts", "teardowns", "rejects")}
        second = shop.load(**bad)
        assert second.frame()["new"].sum() == second.frame()["changed"].sum() == 0
        assert told(second) == told(first)
        for table, rows in before.items():
            assert shop.rows(table).equals(rows), table

    def test_order_of_files_and_rows_does_not_matter(self, empty_shop: Shop) -> None:
        tables = GOOD | {"findings": FINDINGS + "J1,bearing,play,1,1,ok,\nJ2,seal,,,2,fail,\n"}
        backwards = {}
        for name in reversed(tables):
            head, *rows = tables[name].splitlines()
            backwards[name] = "\n".join([head, *reversed(rows)]) + "\n"
        report = empty_shop.load(**backwards)
        assert report.complete, report.rejects
        assert len(empty_shop.rows("findings")) == 2


class TestWaiting:
    """A row that hangs on a rejected row is held, names what it waits for, and goes in when that is corrected."""

    def test_a_chain_waits_and_goes_in(self, empty_shop: Shop) -> None:
        tables = GOOD | {
            "units": "unit,family,origin\nA1,axle,nearly new\nA2,axle,used\n",
            "findings": FINDINGS + "J1,bearing,,1,,ok,\nJ2,seal,,,,fail,\n",
        }
        report = empty_shop.load(**tables)
        assert count(report, "units") == {"read": 2, "new": 1, "rejected": 1}
        assert count(report, "teardowns") == {"read": 2, "held": 2}
        assert count(report, "findings") == {"read": 2, "held": 2}
        waits = report.rejects.loc[report.rejects["reason"] == "waits_for", "waits_for"].tolist()
        assert waits == [
            "teardowns J1 (teardowns.csv line 2)",
            "teardowns J2 (teardowns.csv line 3)",
            "units A1 (units.csv line 2)",
            "units A1 (units.csv line 2)",
        ]

        corrected = empty_shop.load(units="unit,family,origin\nA1,axle,new\n")
        assert count(corrected, "units") == {"read": 1, "new": 1}
        assert count(corrected, "teardowns") == {"read": 2, "new": 2}
        assert count(corrected, "findings") == {"read": 2, "new": 2}
        assert corrected.complete
        assert len(empty_shop.rows("findings")) == 2
        assert empty_shop.rows("rejects")["settled_by"].notna().all()

    def test_what_waits_is_tried_at_every_load_and_told(self, shop: Shop) -> None:
        shop.load(teardowns="job,unit,opened_on\nJ3,A2,never\n", findings="job,component\nJ3,seal\n")
        report = shop.load(sites="site\nnorth\n")
        assert report.frame()["table"].tolist() == ["sites"]
        assert any("go on waiting" in notice for notice in report.notices)
        assert shop.rows("findings").empty

    def test_a_held_row_keeps_its_notes(self, shop: Shop) -> None:
        shop.load(teardowns="job,unit,opened_on\nJ3,A2,never\n", findings="job,component,smell\nJ3,seal,burnt\n")
        shop.load(teardowns="job,unit,opened_on\nJ3,A2,2024-01-01\n")
        assert shop.rows("findings")["_notes"].tolist() == ['{"smell":"burnt"}']

    def test_the_whole_folder_again_with_the_correction(self, shop: Shop) -> None:
        findings = "job,component,verdict\nJ3,seal,ok\nJ1,seal,ok\n"
        shop.load(teardowns="job,unit,opened_on\nJ3,A2,never\n", findings=findings)
        report = shop.load(teardowns="job,unit,opened_on\nJ3,A2,2024-01-01\n", findings=findings)
        assert count(report, "findings") == {"read": 2, "new": 1, "same": 1}
        assert shop.rows("rejects")["settled_by"].notna().all()

    def test_a_held_row_may_turn_out_bad(self, shop: Shop) -> None:
        shop.load(
            components="family,component,positions\naxle,gear,many\n",
            findings="job,component,position\nJ1,gear,3\n",
        )
        report = shop.load(components="family,component,positions\naxle,gear,2\n")
        assert count(report, "findings") == {"read": 1, "rejected": 1}
        assert [r for *_, r in told(report)] == ["position_beyond"]

    def test_hanging_on_a_held_row_of_the_same_table(self, shop: Shop) -> None:
        report = shop.load(
            components="family,component,positions,supplied_in\naxle,cage,x,\naxle,ring,,cage\naxle,ball,,ring\n",
        )
        assert count(report, "components") == {"read": 3, "rejected": 1, "held": 2}

    def test_a_row_with_a_fault_of_its_own_does_not_wait(self, shop: Shop) -> None:
        report = shop.load(
            teardowns="job,unit,opened_on\nJ3,A2,never\n", findings="job,component,verdict\nJ3,seal,perhaps\n"
        )
        assert count(report, "findings") == {"read": 1, "rejected": 1}


class TestFalling:
    def test_the_fewest_rows_go(self, shop: Shop) -> None:
        report = shop.load(
            teardowns="job,unit,opened_on,unit_mileage\n"
            "K1,A2,2020-01-01,10\nK2,A2,2020-02-01,900\nK3,A2,2020-03-01,20\nK4,A2,2020-04-01,\nK5,A2,2020-05-01,30\n"
        )
        assert told(report) == [("teardowns", 3, "unit_mileage", "mileage_falls")]
        assert report.rejects["value"].tolist() == ["900"]

    def test_on_a_tie_the_later_goes(self, shop: Shop) -> None:
        report = shop.load(teardowns="job,unit,opened_on,unit_mileage\nK2,A2,2020-02-01,20\nK1,A2,2020-01-01,30\n")
        assert told(report) == [("teardowns", 2, "unit_mileage", "mileage_falls")]

    def test_stored_rows_count_and_stay(self, shop: Shop) -> None:
        report = shop.load(
            teardowns="job,unit,opened_on,unit_mileage\nK1,A1,2024-03-01,49999\n"
            "K2,A1,2024-03-02,90000\nK3,A1,2024-07-01,89000\n"
        )
        assert [line for _, line, _, _ in told(report)] == [2, 4]
        assert count(report, "teardowns") == {"read": 3, "new": 1, "rejected": 2}

    def test_a_corrected_row_is_judged_by_its_new_value(self, shop: Shop) -> None:
        report = shop.load(
            teardowns="job,unit,opened_on,unit_mileage\nJ2,A1,2024-06-10,60000\nK1,A1,2024-07-01,61000\n"
        )
        assert count(report, "teardowns") == {"read": 2, "changed": 1, "new": 1}

    def test_findings_of_a_falling_teardown_wait(self, shop: Shop) -> None:
        report = shop.load(
            teardowns="job,unit,opened_on,unit_mileage\nK1,A1,2024-07-01,5\n", findings="job,component\nK1,seal\n"
        )
        assert count(report, "findings") == {"read": 1, "held": 1}

    def test_an_odometer_falls_on_one_meter_only(self, shop: Shop) -> None:
        report = shop.load(
            odometers="vehicle,read_on,odometer,meter\n"
            "V1,2024-01-01,500,\nV1,2024-02-01,400,1\nV1,2024-03-01,10,2\nV1,2024-04-01,600,1\nV2,2024-01-01,5,\n"
        )
        assert told(report) == [("odometers", 3, "odometer", "odometer_falls")]
        assert count(report, "odometers") == {"read": 5, "new": 4, "rejected": 1}


class TestIssuedParts:
    HEAD = "issued_on,part,quantity,slip\n"

    def test_two_equal_sales_count_twice_and_the_same_file_changes_nothing(self, shop: Shop) -> None:
        text = self.HEAD + "2024-01-01,0071,1,\n2024-01-01,0071,1,\n2024-01-01,0071,2,\n"
        assert count(shop.load(issued_parts=text), "issued_parts") == {"read": 3, "new": 3}
        assert count(shop.load(issued_parts=text), "issued_parts") == {"read": 3, "same": 3}
        more = shop.load(issued_parts=text + "2024-01-01,0071,1,\n")
        assert count(more, "issued_parts") == {"read": 4, "new": 1, "same": 3}

    def test_a_slip_number_is_the_key(self, shop: Shop) -> None:
        text = self.HEAD + "2024-01-01,0071,1,S1\n2024-01-01,0071,1,S2\n"
        assert count(shop.load(issued_parts=text), "issued_parts") == {"read": 2, "new": 2}
        report = shop.load(issued_parts=self.HEAD + "2024-01-01,0071,3,S1\n")
        assert count(report, "issued_parts") == {"read": 1, "changed": 1}

    def test_equal_lines_of_two_files_are_the_same(self, shop: Shop) -> None:
        text = self.HEAD + "2024-01-01,0071,1,\n"
        (shop.folder / "issued_parts 2.csv").write_text(text)
        shop.write(issued_parts=text)
        report = shop.load_paths([shop.folder / "issued_parts.csv", shop.folder / "issued_parts 2.csv"])
        assert count(report, "issued_parts") == {"read": 2, "new": 1, "same": 1}


def test_blank_rows_are_skipped_and_counted(shop: Shop) -> None:
    report = shop.load(sites="site,served_by\n\nfar,north\n , \n,\n\n")
    assert count(report, "sites") == {"read": 5, "new": 1, "blank": 4}


def test_lines_are_the_files_own(shop: Shop) -> None:
    report = shop.load(
        teardowns='job,unit,opened_on,complaint\nK1,A2,2024-01-01,"noise,\nthen heat\r\nthen none"\n\n'
        "K2,A2,tomorrow,x\n"
    )
    assert told(report) == [("teardowns", 6, "opened_on", "not_a_date")]
    assert shop.rows("teardowns")["complaint"].tolist()[-1] == "noise,\nthen heat\r\nthen none"


def test_unknown_columns_are_kept_as_notes_and_told(shop: Shop) -> None:
    report = shop.load(sites="Site,Served By,phone\nfar,north,555\nnear,,\n")
    assert any("phone" in notice for notice in report.notices)
    assert shop.keys("sites", "site", "served_by")[0] == ("far", "north")
    assert shop.rows("sites")["_notes"].fillna("").tolist() == ['{"phone":"555"}', ""]


def test_a_dry_run_tells_all_and_changes_nothing(shop: Shop) -> None:
    files = shop.write(units="unit,family\nA7,axle\n", findings="job,component\nJ9,seal\n")
    report = shop.load_paths(files, dry_run=True)
    assert count(report, "units") == {"read": 1, "new": 1}
    assert count(report, "findings") == {"read": 1, "rejected": 1}
    assert report.load is None
    assert len(shop.rows("units")) == 2
    assert shop.rows("rejects").empty
    assert len(shop.rows("loads")) == 1


def test_the_store_keeps_what_was_loaded_from_where_and_when(shop: Shop) -> None:
    loads = shop.rows("loads")
    assert loads["load"].tolist() == [1]
    assert loads["loaded_at"].iloc[0] == NOW.replace(tzinfo=None)
    files = shop.rows("load_files")
    assert set(files["file"]) == {f"{name}.csv" for name in GOOD}
    assert files.loc[files["file"] == "units.csv", "rows_read"].tolist() == [2]
    assert files["sha256"].str.len().eq(64).all()
    assert shop.rows("load_counts")["new"].sum() == shop.rows("load_counts")["read"].sum() == 11


def test_every_reason_code_has_a_case_here() -> None:
    text = Path(__file__).read_text(encoding="utf-8")
    told_elsewhere = {  # in the tests of reading, mapping and joining
        "open_quote",
        "zero_byte",
        "formula_without_value",
        "formula_error",
        "not_as_mapped",
        "joined_name",
    }
    assert [rule for rule in rules() if f'"{rule}"' not in text and rule not in told_elsewhere] == []


FOUND = "job,component,point,position,reading,verdict\nJ1,bearing,play,2,0.2,ok\nJ2,seal,,1,,ok\n"
GEARBOX = {
    "units": "unit,family\nA2,axle\nG1,gearbox\n",
    "components": "family,component,positions\ngearbox,seal,1\ngearbox,bearing,1\n",
    "points": "family,point,component\ngearbox,play,bearing\n",
}


@pytest.mark.parametrize(
    ("table", "text", "column"),
    [
        ("components", "family,component,positions\naxle,bearing,1\n", "positions"),
        ("components", "family,component,positions\naxle,bearing,\n", "positions"),  # one, where it isn't said
        ("units", "unit,family\nA1,gearbox\n", "family"),
        ("units", "unit,family\nA1,pump\n", "family"),
        ("teardowns", "job,unit,opened_on,unit_mileage\nJ1,G1,2024-01-10,50000\n", "unit"),
    ],
)
def test_a_change_that_stored_findings_stand_against_is_rejected(
    shop: Shop, table: str, text: str, column: str
) -> None:
    shop.load(**GEARBOX, findings=FOUND)
    before = shop.rows(table)
    report = shop.load(**{table: text})
    assert told(report) == [(table, 2, column, "stored_findings_stand_against")]
    assert report.rejects["waits_for"].tolist() == [
        "2 stored findings: J1 bearing play 2, J2 seal 1" if "pump" in text else "1 stored findings: J1 bearing play 2"
    ]
    assert shop.rows(table).equals(before)


def test_changes_that_leave_every_stored_finding_its_words_go_in(shop: Shop) -> None:
    shop.load(**GEARBOX, findings=FOUND)
    report = shop.load(
        components="family,component,positions\naxle,bearing,3\naxle,seal,1\ngearbox,bearing,2\n",
        units="unit,family\nA1,gearbox\nA2,gearbox\n",  # the gearbox has as many bearings now
        teardowns="job,unit,opened_on,unit_mileage\nJ2,G1,2024-06-10,90000\n",
    )
    assert report.complete, report.rejects
    assert [count(report, t)["changed"] for t in ("components", "units", "teardowns")] == [3, 2, 1]


def test_a_teardown_that_stays_keeps_its_place_in_the_mileages_of_its_unit(shop: Shop) -> None:
    """J2 was to leave A1, and so a lower mileage after it would have been right."""
    shop.load(**GEARBOX, findings="job,component,position,verdict\nJ2,bearing,2,ok\n")
    report = shop.load(
        teardowns="job,unit,opened_on,unit_mileage\nJ2,G1,2024-06-10,90000\nJ3,A1,2024-07-01,60000\n",
        findings="job,component,verdict\nJ3,seal,ok\n",
    )
    assert told(report) == [
        ("findings", 2, "job", "waits_for"),
        ("teardowns", 2, "unit", "stored_findings_stand_against"),
        ("teardowns", 3, "unit_mileage", "mileage_falls"),
    ]


def test_a_form_may_move_its_job_with_all_its_findings(shop: Shop) -> None:
    shop.load(**GEARBOX, findings=FOUND)
    moved = {"job": "J1", "unit": "G1", "opened_on": "2024-01-10", "unit_mileage": 50000}
    report = store_teardown(
        shop.path, moved, [{"component": "bearing", "position": 1, "verdict": "ok"} | {"job": "J1"}]
    )
    assert report.load is not None, report.rejects
    assert ("J1", "bearing", 1) in shop.keys("findings", "job", "component", "position")


def test_readings_stored_in_another_unit_are_told(shop: Shop) -> None:
    shop.load(points="family,point,component,reading_unit\naxle,play,bearing,mm\n", findings=FOUND)
    report = shop.load(points="family,point,component,reading_unit\naxle,play,bearing,in\n")
    assert report.complete
    assert [n for n in report.notices if "1 stored readings stay" in n and "taken in mm" in n]
    again = shop.load(points="family,point,component,reading_unit\naxle,play,bearing,IN\n")
    assert not [n for n in again.notices if "stored readings" in n]


def test_a_stored_mileage_that_was_to_change_stands_again_when_its_change_is_rejected(shop: Shop) -> None:
    """J2 (90,000 in June) was to say 40,000, which falls below J1; J3's 60,000 then falls below J2 as stored."""
    report = shop.load(teardowns="job,unit,opened_on,unit_mileage\nJ2,A1,2024-06-10,40000\nJ3,A1,2024-07-01,60000\n")
    assert told(report) == [
        ("teardowns", 2, "unit_mileage", "mileage_falls"),
        ("teardowns", 3, "unit_mileage", "mileage_falls"),
    ]
    assert shop.keys("teardowns", "job", "unit_mileage") == [("J1", 50000.0), ("J2", 90000.0)]
