"""Names that look alike are shown, joined only by a person, read as joined in later loads, and parted again."""

from __future__ import annotations

from pathlib import Path

import pytest

from rebuildstats.errors import UsageError
from rebuildstats.history import store
from rebuildstats.history.corrections import store_teardown
from rebuildstats.history.export import export_rejects
from rebuildstats.history.joins import join_names, joined_names, look_alikes, part_names
from rebuildstats.history.keep import check
from tests.history.conftest import GOOD, NOW, Shop, count
from tests.history.test_corrections import present

TWO = {
    "units": "unit,family\na-1,axle\n",
    "teardowns": "job,unit,opened_on,unit_mileage\nK1,a-1,2024-03-01,70000\n",
    "fitments": "unit,vehicle,fitted_on\na-1,V1,2024-01-01\nA1,V1,2024-01-01\nA1,V2,2024-05-01\n",
}


def test_look_alikes_are_shown_and_not_joined(shop: Shop) -> None:
    shop.load(**TWO, parts="part\nOO71\n")
    with store.reading(shop.path) as con:
        pairs = look_alikes(con)
    assert pairs.to_numpy().tolist() == [
        ["part", "0071", "OO71", 1, 1, "", "", ""],
        [
            "unit",
            "A1",
            "a-1",
            5,
            3,
            "2024-01-01 to 2024-06-10",
            "2024-01-01 to 2024-03-01",
            "both in a vehicle at once",
        ],
    ]
    assert len(shop.rows("units")) == 3


def test_a_join_moves_all_rows_and_holds_in_later_loads(shop: Shop) -> None:
    shop.load(**TWO)
    before = present(shop)
    done = join_names(shop.path, "unit", "A1", "a-1", "Kim", now=NOW)
    assert done.rows == {"fitments": 1, "teardowns": 1, "units": 1}
    assert shop.keys("teardowns", "job", "unit") == [("J1", "A1"), ("J2", "A1"), ("K1", "A1")]
    assert shop.keys("units", "unit") == [("A1",), ("A2",)]
    assert len(shop.rows("fitments")) == 2  # both had stood in V1 since the same day
    assert check(shop.path).faults.empty
    assert set(shop.rows("teardowns", "past")["_why"]) == {"joined"}

    again = shop.load(**TWO)
    assert again.complete, again.rejects
    assert again.frame()[["new", "changed"]].to_numpy().sum() == 0
    assert any("joined to another" in notice for notice in again.notices)
    more = shop.load(teardowns="job,unit,opened_on,unit_mileage\nK2,a-1,2024-07-01,95000\n")
    assert count(more, "teardowns") == {"read": 1, "new": 1}
    assert shop.keys("teardowns", "unit")[-1] == ("A1",)

    part_names(shop.path, "unit", "a-1", why="two plates", now=NOW)
    after = present(shop)
    assert after["units"] == before["units"]
    assert after["fitments"] == before["fitments"]
    assert shop.keys("teardowns", "job", "unit")[2:] == [("K1", "a-1"), ("K2", "a-1")]  # as both were written
    assert check(shop.path).faults.empty
    assert shop.rows("loads")["what"].iloc[-1] == "unit a-1 parted from A1: two plates"
    with pytest.raises(UsageError, match="is not joined"):
        part_names(shop.path, "unit", "a-1")


def test_a_join_of_parts_counts_every_sale(shop: Shop) -> None:
    sales = {"issued_parts": "issued_on,part,quantity\n2024-01-01,0071,1\n2024-01-01,OO71,1\n2024-01-01,OO71,1\n"}
    shop.load(parts="part\nOO71\n", **sales)
    before = present(shop)
    join_names(shop.path, "part", "0071", "OO71", now=NOW)
    assert shop.keys("issued_parts", "part") == [("0071",)] * 3
    again = shop.load(**sales)
    assert count(again, "issued_parts") == {"read": 3, "same": 3}
    part_names(shop.path, "part", "OO71", now=NOW)
    assert present(shop) == before
    assert count(shop.load(**sales), "issued_parts") == {"read": 3, "same": 3}


def test_a_join_of_vehicles(shop: Shop) -> None:
    shop.load(vehicles="vehicle\nv-1\n", odometers="vehicle,read_on,odometer\nV1,2024-01-01,5\nv-1,2024-02-01,6\n")
    join_names(shop.path, "vehicle", "V1", "v-1", now=NOW)
    assert shop.keys("odometers", "vehicle", "odometer") == [("V1", 5.0), ("V1", 6.0)]


def test_a_row_corrected_since_goes_back_with_its_correction(shop: Shop) -> None:
    shop.load(**TWO)
    join_names(shop.path, "unit", "A1", "a-1", "Kim", why="same plate", now=NOW)
    store_teardown(
        shop.path, {"job": "K1", "unit": "A1", "opened_on": "2024-03-01", "unit_mileage": 71000}, [], now=NOW
    )
    with store.reading(shop.path) as con:
        (one,) = joined_names(con)
    assert (one.kind, one.name, one.kept, one.who, one.what) == (
        "unit",
        "a-1",
        "A1",
        "Kim",
        "unit a-1 joined to A1: same plate",
    )
    part_names(shop.path, "unit", "a-1", now=NOW)
    assert shop.keys("teardowns", "job", "unit", "unit_mileage")[2:] == [("K1", "a-1", 71000.0)]
    assert shop.rows("teardowns")["_notes"].dropna().tolist() == []
    past = shop.rows("teardowns", "past").query("job == 'K1'")[["unit_mileage", "_why"]].to_numpy().tolist()
    assert sorted(past) == [[70000.0, "joined"], [70000.0, "replaced"], [71000.0, "parted"]]


def test_a_name_that_only_rejected_rows_have_is_shown_and_can_be_joined(shop: Shop) -> None:
    sheet = {"teardowns": "job,unit,opened_on\nK1,a-1,2024-03-01\n"}
    assert shop.load(**sheet).rejects["looks_like"].tolist() == ["A1"]
    with store.reading(shop.path) as con:
        pairs = look_alikes(con)
    assert pairs[["one", "other", "seen_other"]].to_numpy().tolist() == [
        ["A1", "a-1", "only in rows that did not go in"]
    ]
    before = present(shop)
    join_names(shop.path, "unit", "A1", "a-1", now=NOW)
    assert count(shop.load(**sheet), "teardowns") == {"read": 1, "new": 1}
    assert shop.keys("teardowns", "job", "unit")[2:] == [("K1", "A1")]
    part_names(shop.path, "unit", "a-1", now=NOW)
    assert shop.keys("teardowns", "job", "unit")[2:] == [("K1", "a-1")]
    assert shop.keys("units", "unit", "family")[-1] == ("a-1", "axle")
    assert check(shop.path).faults.empty
    assert present(shop)["fitments"] == before["fitments"]


def test_a_join_says_what_to_load_again_and_then_nothing_is_left(shop: Shop, tmp_path: Path) -> None:
    """Rows whose key holds the name, whose twin does, and that say it beside their key."""
    shop.load(
        fitments="unit,vehicle,fitted_on\na-1,V1,2024-01-01\n",
        teardowns="job,unit,opened_on\nK1,a-1,2024-03-01\nK2,a-1,2024-03-02\n",
        findings="job,component,verdict\nK1,seal,ok\n",
    )
    shop.load(issued_parts="issued_on,part,quantity\n2024-01-01,OO71,1\n2024-01-01,OO71,1\n")
    done = join_names(shop.path, "unit", "A1", "a-1", now=NOW)
    assert done.notes == (
        "3 rows that say a-1 were rejected before; load their files again, as they are, and the rows go in under A1: "
        "fitments.csv (1), teardowns.csv (2).",
    )
    assert join_names(shop.path, "part", "0071", "OO71", now=NOW).notes[0].endswith("0071: issued_parts.csv (2).")
    again = shop.load_paths([shop.folder / f"{name}.csv" for name in ("fitments", "teardowns", "issued_parts")])
    assert again.complete, again.rejects
    new = again.frame().set_index("table")["new"].to_dict()
    assert new == {"fitments": 1, "teardowns": 2, "findings": 1, "issued_parts": 2}  # the finding waited for its job
    assert shop.rows("rejects")["settled_by"].notna().all()
    assert export_rejects(shop.path, tmp_path / "left") == []
    with store.reading(shop.path) as con:
        assert look_alikes(con).empty


def test_rejects_written_out_go_in_after_a_join(shop: Shop, tmp_path: Path) -> None:
    shop.load(
        odometers="vehicle,read_on,odometer\nv-1,2024-01-01,500\n",
        stock="part,site,on_hand\nOO71,north,2\n",
        issued_parts="issued_on,part,quantity\n2024-01-01,OO71,1\n",
    )
    join_names(shop.path, "vehicle", "V1", "v-1", now=NOW)
    join_names(shop.path, "part", "0071", "OO71", now=NOW)
    again = shop.load_paths(export_rejects(shop.path, tmp_path / "left"))
    assert again.complete, again.rejects
    assert shop.rows("rejects")["settled_by"].notna().all()


def test_another_description_of_a_joined_name_waits_for_a_person(shop: Shop) -> None:
    shop.load(**TWO)
    join_names(shop.path, "unit", "A1", "a-1", now=NOW)
    report = shop.load(units="unit,family,origin\na-1,axle,used\n")
    assert report.rejects[["reason", "value", "waits_for"]].to_numpy().tolist() == [["joined_name", "a-1", "A1"]]


def test_what_speaks_against_a_pair_is_shown(shop: Shop) -> None:
    shop.load(
        units="unit,family\nA-1,gearbox\nA-2,axle\n",
        vehicles="vehicle\nV-1\n",
        teardowns="job,unit,opened_on,unit_mileage\nK1,A-1,2024-03-01,10\n",
        fitments="unit,vehicle,fitted_on\nA2,V1,2024-01-01\nA-2,V2,2024-02-01\n",
        odometers="vehicle,read_on,odometer\nV1,2024-01-01,500\nV-1,2024-02-01,6\n",
        parts="part,replaced_by\n71,0071\n",
    )
    with store.reading(shop.path) as con:
        against = {tuple(sorted((a, b))): said for _, a, b, *_, said in look_alikes(con).itertuples(index=False)}
    assert against == {
        ("0071", "71"): "one replaces the other",
        ("A-1", "A1"): "different families: axle and gearbox; together the mileage would fall",
        ("A-2", "A2"): "both in a vehicle at once",
        ("V-1", "V1"): "together the odometer would fall",
    }


def test_what_cannot_be_one_is_not_joined(shop: Shop) -> None:
    shop.load(
        units="unit,family\nG1,gearbox\nA7,axle\n",
        teardowns=GOOD["teardowns"] + "K1,A7,2024-07-01,10\n",
        odometers="vehicle,read_on,odometer\nV1,2024-01-01,500\nV2,2024-02-01,6\n",
    )
    before = present(shop)
    for kind, kept, dropped, words in (
        ("unit", "A1", "A9", "no unit A9"),
        ("unit", "A1", "A1", "two different"),
        ("bench", "x", "y", "not 'bench'"),
        ("unit", "A1", "G1", "different families"),
        ("unit", "A1", "A7", "would fall"),
        ("vehicle", "V1", "V2", "would fall"),
    ):
        with pytest.raises(UsageError, match=words):
            join_names(shop.path, kind, kept, dropped, now=NOW)
    assert present(shop) == before
    assert shop.rows("joined_names").empty
