"""What stands behind an answer, on a history small enough to be checked by eye."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from rebuildstats.history.known import history_frames, know
from rebuildstats.life_records.build import build
from rebuildstats.reports import behind
from tests.histories import connection

TABLES = {
    "vehicles": [{"vehicle": "V1", "site": "north"}],
    "units": [
        {"unit": "P-1", "family": "pump", "origin": "new", "first_seen_on": date(2024, 1, 1)},
        {"unit": "P-2", "family": "pump", "origin": "new", "first_seen_on": date(2024, 1, 1)},
        {"unit": "G-1", "family": "gearbox", "origin": "new", "first_seen_on": date(2024, 1, 1)},
    ],
    "fitments": [{"unit": "P-1", "vehicle": "V1", "fitted_on": date(2024, 1, 1), "fitted_odometer": 0}],
    "components": [
        {"family": "pump", "component": "seal", "name": "shaft seal", "safety": True},
        {"family": "pump", "component": "rotor"},
        {"family": "gearbox", "component": "ring"},
    ],
    "points": [{"family": "pump", "point": "gap", "component": "rotor", "method": "gauge", "high_limit": 0.3}],
    "parts": [
        {"part": "S-1", "name": "seal", "unit_cost": 4.0, "replaced_by": "S-2"},
        {"part": "S-2", "name": "seal, new lip", "unit_cost": 5.0},
    ],
    "part_uses": [{"family": "pump", "component": "seal", "part": "S-2", "quantity": 1}],
    "teardowns": [
        {"job": "J1", "unit": "P-1", "opened_on": date(2024, 6, 1), "unit_mileage": 50_000, "vehicle": "V1",
         "reason": "failure", "complaint": "leaks", "bench": "b1"},
        {"job": "J2", "unit": "P-1", "opened_on": date(2024, 9, 1), "unit_mileage": 60_000, "vehicle": "V1",
         "reason": "comeback", "complaint": "leaks", "labour_hours": 6.5},
        {"job": "J3", "unit": "P-2", "opened_on": date(2024, 10, 1), "unit_mileage": 90_000, "reason": "scheduled"},
    ],
    "findings": [
        {"job": "J1", "component": "seal", "position": 1, "verdict": "fail", "action": "replace", "part": "S-1"},
        {"job": "J2", "component": "seal", "position": 1, "verdict": "fail", "action": "replace", "part": "S-2"},
        {"job": "J2", "component": "rotor", "position": 1, "verdict": "fail", "action": "reuse",
         "role": "consequence"},
        {"job": "J3", "component": "rotor", "point": "gap", "position": 1, "reading": 0.25, "verdict": "ok"},
    ],
    "issued_parts": [
        {"issued_on": date(2024, 6, 2), "part": "S-1", "quantity": 2, "kind": "issue", "slip": "a"},
        {"issued_on": date(2024, 6, 9), "part": "S-1", "quantity": 1, "kind": "credit", "slip": "b"},
        {"issued_on": date(2024, 9, 2), "part": "S-2", "quantity": 1, "kind": "issue", "slip": "c"},
    ],
}  # fmt: skip


@pytest.fixture(scope="module")
def known():
    con = connection(**TABLES)
    day = know(con, None)
    return history_frames(con, day, "mi"), build(con, day, "mi")


def test_the_catalog_names_what_can_be_asked_about(known):
    names = behind.catalog(*known)
    assert names.families == ["pump", "gearbox"]  # the family with more units first
    assert list(names.units["unit"]) == ["G-1", "P-1", "P-2"]
    assert names.component_name("pump", "seal") == "shaft seal"
    assert names.component_name("pump", "rotor") == "rotor"
    assert names.safety("pump") == ["seal"]
    assert names.part_name("S-2") == "S-2 seal, new lip"
    assert names.part_name("unheard of") == "unheard of"
    assert names.complaints == ("leaks",)
    assert names.typical_age == {"gearbox": 0.0, "pump": 50_000.0}  # pump: torn down at 50,000, 10,000 and 90,000
    assert names.as_of == date(2024, 10, 1)


def test_failures_leave_out_knock_on_damage_and_name_the_part_that_failed(known):
    rows = behind.failures(known[1])
    assert list(rows["job"]) == ["J2", "J1"]
    assert list(rows["component"]) == ["seal", "seal"]
    assert rows["part"].iloc[0] == "S-1"  # fitted in J1, found bad in J2
    assert pd.isna(rows["part"].iloc[1])  # the first one's make is not on record
    assert list(rows["age"]) == [10_000, 50_000]


def test_a_group_is_picked_by_kind_name_family_and_component(known):
    rows = behind.failures(known[1])
    assert list(behind.of_group(rows, "part", "S-1", family="pump", component="seal")["job"]) == ["J2"]
    assert list(behind.of_group(rows, "component", "seal", family="pump")["job"]) == ["J2", "J1"]
    assert behind.of_group(rows, "component", "seal", family="gearbox").empty
    assert list(behind.of_group(rows, "vehicle", "V1")["job"]) == ["J2", "J1"]
    assert list(behind.of_group(rows, "bench", "b1")["job"]) == ["J1"]
    assert list(behind.of_group(rows, "part", "S-1", component="seal", jobs="J1, J3")["job"]) == ["J1"]


def test_failures_pile_up_by_day(known):
    piled = behind.piled_up(behind.failures(known[1]))
    assert list(piled["date"]) == [pd.Timestamp("2024-06-01"), pd.Timestamp("2024-09-01")]
    assert list(piled["observed"]) == [1, 2]
    assert behind.piled_up(behind.failures(known[1]).iloc[:0]).empty


def test_pieces_issued_count_for_the_successor_net_of_credits(known):
    months = behind.issued_by_month(known[0], "S-2")
    assert list(months["month"].dt.strftime("%Y-%m")) == ["2024-06", "2024-07", "2024-08", "2024-09", "2024-10"]
    assert list(months["pieces"]) == [1, 0, 0, 1, 0]
    assert behind.issued_by_month(known[0], "unheard of").empty


def test_a_part_card_says_what_it_replaces_and_where_it_goes(known):
    card = behind.part_card(known[0], "S-2")
    assert card["replaces"] == ("S-1",)
    assert card["used_in"] == ("pump: seal",)
    assert card["unit_cost"] == 5.0
    assert list(behind.issues_of(known[0], "S-1")["kind"]) == ["credit", "issue"]


def test_a_comeback_needs_no_such_name_only_a_renewal_shortly_before():
    tables = TABLES | {
        "components": [{"family": "pump", "component": "seal", "shows": "in_service"},
                       {"family": "pump", "component": "rotor"}, {"family": "gearbox", "component": "ring"}],
        "teardowns": [t | {"reason": "failure"} for t in TABLES["teardowns"]],
        "findings": [f | ({"role": "cause"} if f["component"] == "seal" else {}) for f in TABLES["findings"]],
    }  # fmt: skip
    con = connection(**tables)
    day = know(con, None)
    records = build(con, day, "mi")
    back = behind.comebacks(records, 12_000, 365)
    assert list(back["job"]) == ["J2"]  # the seal lasted 10,000 and 92 days
    assert list(back["component"]) == ["seal"]
    assert behind.comebacks(records, 9_999, 365).empty
    assert behind.comebacks(records, 12_000, 91).empty


def test_readings_teardowns_findings_and_comebacks_are_found_again(known):
    records = known[1]
    readings = behind.readings(records, "pump", "gap")
    assert list(readings["reading"]) == [0.25]
    assert list(readings["age"]) == [90_000]
    assert list(behind.unit_teardowns(records, "P-1")["job"]) == ["J2", "J1"]
    assert set(behind.job_findings(records, "J2")["component"]) == {"seal", "rotor"}
    back = behind.comebacks(records, 12_000, 365)
    assert list(back["job"]) == ["J2"]
    assert list(back["labour_hours"]) == [6.5]


def test_a_picture_of_many_rows_is_drawn_from_a_few_evenly_over_them():
    rows = pd.DataFrame({"n": range(1000)})
    few = behind.thinned(rows, 100)
    assert list(few["n"]) == list(range(0, 1000, 10))
    assert behind.thinned(rows, 1000) is rows
