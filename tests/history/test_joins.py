"""Names that look alike are shown, joined only by a person, read as joined in later loads, and parted again."""

from __future__ import annotations

import pytest

from rebuildstats.errors import UsageError
from rebuildstats.history import store
from rebuildstats.history.corrections import undo_last_load
from rebuildstats.history.joins import join_names, look_alikes, part_names
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
    assert pairs.to_numpy().tolist() == [["part", "0071", "OO71", 1, 1], ["unit", "A1", "a-1", 5, 3]]
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

    part_names(shop.path, "unit", "a-1", now=NOW)
    after = present(shop)
    assert after["units"] == before["units"]
    assert after["fitments"] == before["fitments"]
    assert shop.keys("teardowns", "job", "unit")[2:] == [("K1", "a-1"), ("K2", "A1")]
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
    undo_last_load(shop.path)
    undo_last_load(shop.path)
    assert present(shop) == before


def test_a_join_of_vehicles(shop: Shop) -> None:
    shop.load(vehicles="vehicle\nv-1\n", odometers="vehicle,read_on,odometer\nV1,2024-01-01,5\nv-1,2024-02-01,6\n")
    join_names(shop.path, "vehicle", "V1", "v-1", now=NOW)
    assert shop.keys("odometers", "vehicle", "odometer") == [("V1", 5.0), ("V1", 6.0)]


@pytest.mark.parametrize(
    ("kind", "kept", "dropped", "words"),
    [
        ("unit", "A1", "A9", "no unit A9"),
        ("unit", "A1", "A1", "two different"),
        ("bench", "x", "y", "not 'bench'"),
        ("unit", "A1", "G1", "different families"),
        ("unit", "A1", "A7", "would fall"),
        ("vehicle", "V1", "V2", "would fall"),
    ],
)
def test_what_cannot_be_one_is_not_joined(shop: Shop, kind: str, kept: str, dropped: str, words: str) -> None:
    shop.load(
        units="unit,family\nG1,gearbox\nA7,axle\n",
        teardowns=GOOD["teardowns"] + "K1,A7,2024-07-01,10\n",
        odometers="vehicle,read_on,odometer\nV1,2024-01-01,500\nV2,2024-02-01,6\n",
    )
    before = present(shop)
    with pytest.raises(UsageError, match=words):
        join_names(shop.path, kind, kept, dropped, now=NOW)
    assert present(shop) == before
    assert shop.rows("joined_names").empty
