"""Messy fleets with a list of every planted fault: all found with the right reason, no good row lost, every row
accounted for.
"""

from __future__ import annotations

import random

import pytest

from rebuildstats.history import store
from rebuildstats.history.gaps import GAPS, find_gaps
from tests.history.conftest import Shop
from tests.history.messy import SPOILS, Messy, Row, messy_fleet, outcome, sound_fleet, write


@pytest.mark.parametrize("seed", [101])  # twenty by `python -m tests.history.messy 20`
def test_every_planted_fault_is_found_and_nothing_else(empty_shop: Shop, seed: int) -> None:
    messy = messy_fleet(seed)
    write(messy, empty_shop.folder, seed)
    report = empty_shop.load_paths([empty_shop.folder])  # asserts that every row is accounted for
    done = outcome(messy, report.rejects, int(report.frame()["read"].sum()))
    assert done.planted > 300
    assert sum(map(len, messy.lines.values())) - done.read in (0, 1, 2)  # a blank last row of a workbook is none
    assert done.wrong == []
    assert done.good_rejected == []
    assert done.held_wrong == []
    same = sum(reason.startswith("same") for reason in messy.reasons.values())
    blank = sum(reason == "blank" for reason in messy.reasons.values())
    assert blank - report.frame()["blank"].sum() in (0, 1, 2)
    assert report.frame()["same"].sum() <= same


def test_the_plants_are_of_many_kinds() -> None:
    assert len(SPOILS) > 50
    assert len({reason for *_, reason, _ in SPOILS}) > 12


def test_a_sound_fleet_goes_in_whole_and_has_no_gap(empty_shop: Shop) -> None:
    write(Messy(dict(sound_fleet(random.Random(7)))), empty_shop.folder, 7)
    assert empty_shop.load_paths([empty_shop.folder]).complete
    with store.reading(empty_shop.path) as con:
        found = find_gaps(con)
    assert found[["gap", "count", "examples"]].to_numpy().tolist() == []


def gappy_fleet(seed: int) -> tuple[dict[str, list[Row]], dict[str, int]]:
    """A sound fleet in which some things are left out or contradict each other, each in jobs of its own, and how often
    each gap must be told (by the name of its file).
    """
    chance = random.Random(seed)
    fleet = sound_fleet(chance)
    jobs = [row for row in fleet["teardowns"] if row["reason"] == "failure"]
    by_unit = {row["unit"]: row for row in fleet["teardowns"]}  # the last job of each unit
    last_jobs = {row["job"] for row in by_unit.values()}
    free = chance.sample([row for row in jobs if row["job"] not in last_jobs], 60)
    found = {(f["job"], f["component"]): f for f in fleet["findings"]}
    part_of = {(u["family"], u["component"]): u["part"] for u in fleet["part_uses"]}
    family = {row["unit"]: row["family"] for row in fleet["units"]}

    def take(component: str = "", bad: bool | None = None) -> Row:
        for row in free:
            finding = found[row["job"], component or "gear"]
            if bad is None or (finding["verdict"] == "fail") == bad:
                free.remove(row)
                return finding if component else row
        raise AssertionError("no free job is left")

    def not_issued(finding: Row) -> None:
        fleet["issued_parts"] = [
            row for row in fleet["issued_parts"] if (row["job"], row["part"]) != (finding["job"], finding["part"])
        ]

    for _ in range(3):
        take("gear", True).update(reading=f"{chance.choice([12.7, 640])}")  # reading_far_off
        failed = take("shaft", True)  # fail_without_replacement
        not_issued(failed)
        failed.update(action="reuse", part="")
        not_issued(take("gear", True))  # replaced_without_issue
        kept = take("shaft", False)  # issued_without_finding
        unit = next(row["unit"] for row in jobs if row["job"] == kept["job"])
        fleet["issued_parts"].append(
            {"issued_on": "2024-12-30", "part": part_of[family[unit], "shaft"], "quantity": "1", "job": kept["job"]}
            | {"slip": f"X{kept['job']}"}
        )
        fleet["findings"].remove(take("seal"))  # always_not_recorded
        take("gear", False).update(reading="0.9")  # verdict_against_limits
        take("gear", False).update(verdict="", action="", reading="", condition="")  # finding_says_nothing
        row = take()
        row.update(closed_on=row["opened_on"].replace("20", "19", 1))  # dates_run_back
        take().update(labour_hours="")
        take().update(outside_cost="")
        take().update(waiting_for="99999", waiting_from="2022-01-01", waiting_until="2022-01-02")  # name_not_listed
        take().update(waiting_for="00001", waiting_from="", waiting_until="")  # waiting_not_dated
        job = take()["job"]  # failure_without_cause
        for finding in fleet["findings"]:
            finding["role"] = finding["role"] if finding["job"] != job else ""
        twice = take()  # teardown_twice, and nothing is written down for the second
        fleet["teardowns"].append(twice | {"job": f"{twice['job']}b"})
    units = list(by_unit)
    for unit in units[:3]:
        by_unit[unit]["unit_mileage"] = str(int(by_unit[unit]["unit_mileage"]) + 400_000)  # mileage_leaps
    for vehicle in ("V010", "V011", "V012"):
        [row for row in fleet["odometers"] if row["vehicle"] == vehicle][-1]["odometer"] = "700000"  # odometer_leaps
    for row in fleet["fitments"][15:18]:
        row.update(fitted_odometer="700", removed_on="2024-12-29", removed_odometer="300")  # odometers_run_back
    for row in fleet["units"][20:23]:
        row.update(origin="used", first_seen_mileage="")  # unit_without_first_mileage
    for row in fleet["orders"][:3]:
        row.update(ordered_on="0203-05-01")  # dates_far_off
    for row in (fleet["units"][24], fleet["units"][26]):  # look_alikes, which stand in no vehicle
        fleet["units"].append(row | {"unit": row["unit"].replace("0", "O", 1)})
    fleet["vehicles"][3]["duty"] = "City"  # words_drift
    fleet["parts"][0].update(unit_cost="", lead_time_days="")
    fleet["stock"] = fleet["stock"][1:]
    fleet["points"][0]["high_limit"] = ""
    threes = (
        *("reading_far_off", "fail_without_replacement", "replaced_without_issue", "issued_without_finding"),
        *("always_not_recorded", "finding_says_nothing", "dates_run_back", "job_without_labour", "job_without_cost"),
        *("waiting_not_dated", "failure_without_cause", "teardown_twice", "mileage_leaps"),
        *("teardown_without_findings", "odometer_leaps", "odometers_run_back", "unit_without_first_mileage"),
        *("dates_far_off", "verdict_against_limits"),
    )
    ones = (
        "name_not_listed",
        "words_drift",
        "part_without_cost",
        "part_without_lead_time",
        "part_without_stock",
        "gauge_without_limit",
    )
    twos = ("look_alikes", "unit_without_vehicle")
    return fleet, dict.fromkeys(threes, 3) | dict.fromkeys(twos, 2) | dict.fromkeys(ones, 1)


@pytest.mark.parametrize("seed", [11])
def test_every_planted_gap_is_told_as_often_as_it_is_there(empty_shop: Shop, seed: int) -> None:
    fleet, expected = gappy_fleet(seed)
    write(Messy({table: [*rows] for table, rows in fleet.items()}), empty_shop.folder, seed)
    report = empty_shop.load_paths([empty_shop.folder])
    assert report.complete, report.rejects
    with store.reading(empty_shop.path) as con:
        found = find_gaps(con)
    files = {gap.says: gap.file for gap in GAPS}
    told = {files[says]: int(count) for says, count in found[["gap", "count"]].itertuples(index=False)}
    assert told == expected, found[["gap", "count", "examples"]].to_string()
    assert found["weakens"].str.len().min() >= 10
    assert found["what_to_do"].str.len().min() >= 10
