"""Corrections keep who, when and what was before: forms, edits, withdrawals, undoing."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from rebuildstats.errors import UsageError
from rebuildstats.history.contract import TABLES
from rebuildstats.history.corrections import store_teardown, undo_last_load, withdraw_teardown
from tests.history.conftest import GOOD, NOW, Shop, count

JOB = {
    "job": "K1",
    "unit": "A2",
    "opened_on": date(2025, 1, 5),
    "unit_mileage": 61_000.0,
    "complaint": "noise",
    "odometer": None,
}
FOUND = [
    {"component": "bearing", "point": "play", "position": 1, "reading": 0.25, "verdict": "fail", "action": "replace"},
    {"component": "bearing", "point": "play", "position": 2, "reading": 0.1, "verdict": "ok"},
    {"component": "seal", "action": "replace"},
]
FINDINGS = [{"job": "K1", **f} for f in FOUND]


def present(shop: Shop) -> dict[str, list[tuple[object, ...]]]:
    """All rows of the present, bookkeeping apart."""
    return {
        t.name: [tuple(map(str, row)) for row in shop.rows(t.name)[[c.name for c in t.columns]].itertuples(index=False)]
        for t in TABLES
    }


def test_a_form_goes_in_whole(shop: Shop) -> None:
    report = store_teardown(shop.path, JOB, FINDINGS, "Pat", now=NOW)
    assert report.load == 2
    assert report.frame().set_index("table")["new"].to_dict() == {"teardowns": 1, "findings": 3}
    assert shop.keys("findings", "component", "position", "reading")[0] == ("bearing", 1, 0.25)
    book = shop.rows("loads").iloc[-1]
    assert (book["kind"], book["who"], book["what"]) == ("form", "Pat", "teardown K1")


def test_an_edited_form_replaces_the_job_and_keeps_what_was_before(shop: Shop) -> None:
    store_teardown(shop.path, JOB, FINDINGS, "Pat", now=NOW)
    edited = [FINDINGS[0] | {"reading": 0.3}, FINDINGS[2]]
    report = store_teardown(shop.path, JOB | {"complaint": "heat"}, edited, "Kim", now=NOW)
    assert count(report, "teardowns") == {"read": 1, "changed": 1}
    assert count(report, "findings") == {"read": 2, "changed": 1, "same": 1}
    assert shop.keys("findings", "component", "reading")[0] == ("bearing", 0.3)
    assert len(shop.rows("findings")) == 2
    past = shop.rows("findings", "past")
    assert past[["position", "reading", "_who", "_why"]].to_numpy().tolist() == [
        [1, 0.25, "Kim", "replaced"],
        [2, 0.1, "Kim", "replaced"],
    ]
    assert shop.rows("teardowns", "past")["complaint"].tolist() == ["noise"]


def test_a_form_at_fault_stores_nothing(shop: Shop) -> None:
    before = present(shop)
    report = store_teardown(shop.path, JOB, [*FINDINGS, {"job": "K1", "component": "gear"}], now=NOW)
    assert report.load is None
    assert report.rejects[["table", "line", "column", "reason"]].to_numpy().tolist() == [
        ["findings", 5, "component", "unknown_reference"]
    ]
    assert present(shop) == before
    assert shop.rows("rejects").empty


def test_a_form_that_is_none(shop: Shop) -> None:
    with pytest.raises(UsageError, match="no column colour"):
        store_teardown(shop.path, JOB | {"colour": "red"}, [])
    with pytest.raises(UsageError, match="another"):
        store_teardown(shop.path, JOB, [{"job": "K2", "component": "seal"}])


def test_a_withdrawn_teardown_leaves_with_its_findings(shop: Shop) -> None:
    shop.load(
        findings="job,component\nJ1,seal\nJ2,seal\n", issued_parts="issued_on,part,quantity,job\n2024-01-11,0072,1,J1\n"
    )
    done = withdraw_teardown(shop.path, "J1", "Kim", now=NOW)
    assert done.rows == {"teardowns": 1, "findings": 1, "issued_parts": 1}
    assert shop.keys("teardowns", "job") == [("J2",)]
    assert shop.keys("findings", "job") == [("J2",)]
    past = shop.rows("teardowns", "past")
    assert past[["job", "_who", "_why"]].to_numpy().tolist() == [["J1", "Kim", "withdrawn"]]
    with pytest.raises(UsageError, match="no teardown with job J1"):
        withdraw_teardown(shop.path, "J1")


def test_withdrawn_rows_stay_withdrawn_until_they_are_corrected(shop: Shop) -> None:
    sheets = {"teardowns": GOOD["teardowns"], "findings": "job,component\nJ1,seal\n"}
    shop.load(**sheets)
    withdraw_teardown(shop.path, "J1", now=NOW)
    again = shop.load(**sheets)
    assert again.complete
    assert count(again, "teardowns") == {"read": 2, "same": 2}
    assert any("stay withdrawn" in notice for notice in again.notices)
    corrected = shop.load(
        teardowns="job,unit,opened_on\nJ1,A2,2024-01-10\n", findings="job,component,verdict\nJ1,seal,ok\n"
    )
    assert count(corrected, "teardowns") == {"read": 1, "new": 1}
    assert count(corrected, "findings") == {"read": 1, "new": 1}


def test_what_was_withdrawn_with_a_teardown_comes_back_with_it(shop: Shop) -> None:
    beside = {
        "findings": "job,component\nJ1,seal\n",
        "issued_parts": "issued_on,part,quantity,job\n2024-01-11,0072,1,J1\n",
    }
    shop.load(**beside)
    withdraw_teardown(shop.path, "J1", "Kim", why="another shop's", now=NOW)
    assert shop.rows("loads")["what"].iloc[-1] == "teardown J1 withdrawn: another shop's"
    again = shop.load(teardowns=GOOD["teardowns"], **beside)
    assert count(again, "findings") == {"read": 1, "same": 1}
    assert count(again, "issued_parts") == {"read": 1, "same": 1}
    assert shop.rows("issued_parts").empty
    alone = shop.load(teardowns="job,unit,opened_on\nJ1,A2,2024-01-10\n")
    assert count(alone, "teardowns") == {"read": 1, "new": 1}
    assert [n for n in alone.notices if "withdrawn with teardowns that are back" in n] == [
        "findings: 1 rows were withdrawn with teardowns that are back now; load them again if they hold",
        "issued_parts: 1 rows were withdrawn with teardowns that are back now; load them again if they hold",
    ]
    back = shop.load(**beside)
    assert count(back, "findings") == {"read": 1, "new": 1}
    assert count(back, "issued_parts") == {"read": 1, "new": 1}


def test_a_teardown_corrected_in_one_load_brings_its_rows_along(shop: Shop) -> None:
    beside = {
        "findings": "job,component\nJ1,seal\n",
        "issued_parts": "issued_on,part,quantity,job\n2024-01-11,0072,1,J1\n",
    }
    shop.load(**beside)
    withdraw_teardown(shop.path, "J1", now=NOW)
    back = shop.load(teardowns="job,unit,opened_on\nJ1,A2,2024-01-10\n", **beside)
    assert back.frame()["new"].sum() == 3


def test_undoing_the_last_load(shop: Shop) -> None:
    shop.load(findings="job,component,verdict\nJ1,seal,ok\nJ1,bearing,ok\n", units="unit,family\nA9,\n")
    before = present(shop)
    assert shop.rows("rejects")["reason"].tolist() == ["missing_value"]
    open_before = shop.rows("rejects").query("settled_by.isna()")[["table", "line"]].to_numpy().tolist()
    shop.load(
        findings="job,component,verdict\nJ1,seal,fail\nJ2,seal,ok\nJ9,seal,ok\n",
        units="unit,family\nA9,gearbox\nA8,axle\n",
    )
    assert present(shop) != before
    done = undo_last_load(shop.path, "Kim", now=datetime(2025, 7, 1, tzinfo=UTC))
    assert done.rows == {"units": 2, "findings": 3}
    assert present(shop) == before
    assert shop.rows("rejects").query("settled_by.isna()")[["table", "line"]].to_numpy().tolist() == open_before
    assert shop.rows("findings", "past").query("_why == 'undone'")["verdict"].tolist() == ["fail", "ok"]


def test_undoing_again_and_again_ends_at_the_beginning(shop: Shop) -> None:
    states = [present(shop)]
    store_teardown(shop.path, JOB, FINDINGS, now=NOW)
    states.append(present(shop))
    withdraw_teardown(shop.path, "K1", now=NOW)
    for state in reversed(states):
        undo_last_load(shop.path, now=NOW)
        assert present(shop) == state
    undo_last_load(shop.path, now=NOW)
    assert all(not rows for rows in present(shop).values())
    with pytest.raises(UsageError, match="nothing to undo"):
        undo_last_load(shop.path, now=NOW)
