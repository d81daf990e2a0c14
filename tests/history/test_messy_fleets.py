"""Messy fleets with a list of every planted fault: all found with the right reason, no good row lost, every row
accounted for.
"""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Callable
from datetime import date, timedelta

import pytest

from tests.history.conftest import Shop, count

Rows = list[dict[str, str]]
COMPONENTS = ("bearing", "seal", "gear", "ring", "shaft")


def clean_fleet(chance: random.Random) -> dict[str, Rows]:
    """A fleet without a fault: 12 units, about 90 jobs, 400 findings, odometers and sales."""
    units = [f"A{i:03}" for i in range(12)]
    fleet: dict[str, Rows] = {
        "vehicles": [{"vehicle": f"V{i:02}", "site": "north", "duty": "city"} for i in range(12)],
        "units": [{"unit": u, "family": "axle", "origin": chance.choice(["new", "used", "rebuilt"])} for u in units],
        "components": [{"family": "axle", "component": c, "positions": "2", "safety": "false"} for c in COMPONENTS],
        "points": [{"family": "axle", "point": f"{c} play", "component": c, "method": "gauge"} for c in COMPONENTS],
        "parts": [{"part": f"{i:04}", "name": f"part {i}", "unit_cost": str(i / 4)} for i in range(20)],
        "odometers": [],
        "teardowns": [],
        "findings": [],
        "issued_parts": [],
    }
    for vehicle in fleet["vehicles"]:
        reading = 0
        for month in range(24):
            reading += chance.randint(1000, 3000)
            day = date(2022, 1, 1) + timedelta(days=30 * month)
            fleet["odometers"].append(
                {"vehicle": vehicle["vehicle"], "read_on": str(day), "odometer": str(reading), "meter": ""}
            )
    for unit in units:
        mileage, day = 0, date(2022, 1, 1)
        for _ in range(chance.randint(5, 10)):
            mileage += chance.randint(5_000, 20_000)
            day += timedelta(days=chance.randint(20, 90))
            job = f"J{len(fleet['teardowns']):04}"
            fleet["teardowns"].append(
                {"job": job, "unit": unit, "opened_on": str(day), "unit_mileage": str(mileage), "reason": "failure"}
            )
            for component in chance.sample(COMPONENTS, chance.randint(3, 5)):
                fleet["findings"].append(
                    {
                        "job": job,
                        "component": component,
                        "point": chance.choice(["", f"{component} play"]),
                        "position": chance.choice(["", "1", "2"]),
                        "reading": f"{chance.random():.3f}",
                        "verdict": chance.choice(["ok", "fail", "OK", "not_checked"]),
                        "quantity": "1",
                    }
                )
            fleet["issued_parts"].append(
                {"issued_on": str(day), "part": f"{chance.randrange(20):04}", "quantity": "2", "job": job}
            )
    return fleet


def _cell(column: str, value: str) -> Callable[[dict[str, str]], None]:
    return lambda row: row.update({column: value})


# table, what is done to a row of it, the reason it must be rejected for. Each is planted several times, a row at most
# once.
FAULTS: list[tuple[str, Callable[[dict[str, str]], None], str]] = [
    ("findings", _cell("reading", "0,25"), "not_a_number"),
    ("findings", _cell("reading", "about 3"), "not_a_number"),
    ("findings", _cell("verdict", "gone"), "not_a_word"),
    ("findings", _cell("quantity", "-1"), "negative"),
    ("findings", _cell("component", "flange"), "unknown_reference"),
    ("findings", _cell("point", "flange play"), "unknown_reference"),
    ("findings", _cell("job", "J9999"), "unknown_reference"),
    ("findings", _cell("job", ""), "missing_value"),
    ("findings", _cell("position", "3"), "position_beyond"),
    ("findings", _cell("position", "left"), "not_a_whole_number"),
    ("odometers", _cell("odometer", "1"), "odometer_falls"),
    ("odometers", _cell("odometer", "9999999"), "odometer_falls"),
    ("odometers", _cell("read_on", "2022-13-01"), "not_a_date"),
    ("odometers", _cell("vehicle", "V99"), "unknown_reference"),
    ("issued_parts", _cell("part", "99"), "unknown_reference"),
    ("issued_parts", _cell("issued_on", "2031-01-01"), "in_the_future"),
    ("issued_parts", _cell("quantity", ""), "missing_value"),
    ("teardowns", _cell("opened_on", "01/02/2022"), "not_a_date"),
    ("teardowns", _cell("unit", "A999"), "unknown_reference"),
    ("teardowns", _cell("reason", "because"), "not_a_word"),
    ("teardowns", _cell("unit_mileage", "9999999"), "mileage_falls"),
    ("parts", _cell("unit_cost", "free"), "not_a_number"),
]


def as_csv(rows: Rows) -> str:
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_planted_fault_is_found_and_nothing_else(empty_shop: Shop, seed: int) -> None:
    chance = random.Random(seed)
    fleet = clean_fleet(chance)
    taken: set[tuple[str, int]] = set()
    planted: dict[tuple[str, int], str] = {}
    hit: dict[str, set[str]] = {"odometers": set(), "teardowns": set()}
    for _ in range(2):
        for table, spoil, reason in FAULTS:
            rows = fleet[table]
            series = "vehicle" if table == "odometers" else "unit"
            # One fault a series: with two falls in it, which of its rows are the fewest would be a matter of the
            # rule, not of the plant.
            free = [
                i
                for i in range(2, len(rows) - 2)
                if (table, i) not in taken and (table not in hit or _inside(rows, i, series, hit[table]))
            ]
            i = chance.choice(free)
            taken.add((table, i))
            if table in hit:
                hit[table].add(rows[i][series])
            spoil(rows[i])
            planted[table, i + 2] = reason
    # Rows said twice: equal ones count once, unequal ones are both rejected.
    twin = next(i for i in range(5, 300) if ("findings", i) not in taken and fleet["findings"][i]["verdict"] == "ok")
    fleet["findings"].append(dict(fleet["findings"][twin]))
    other = next(
        i for i in range(twin + 1, 300) if ("findings", i) not in taken and fleet["findings"][i]["verdict"] == "ok"
    )
    fleet["findings"].append(fleet["findings"][other] | {"verdict": "fail"})
    last = len(fleet["findings"]) + 1
    planted["findings", other + 2] = planted["findings", last] = "repeated_key"
    spoiled_jobs = {fleet["teardowns"][n - 2]["job"] for (t, n) in planted if t == "teardowns"}
    spoiled_parts = {fleet["parts"][n - 2]["part"] for (t, n) in planted if t == "parts"}
    waiting = {
        (table, i + 2)
        for table in ("findings", "issued_parts")
        for i, row in enumerate(fleet[table])
        if row.get("job") in spoiled_jobs or (table == "issued_parts" and row["part"] in spoiled_parts)
    }

    report = empty_shop.load(**{table: as_csv(rows) for table, rows in fleet.items()})

    found: dict[tuple[str, int], set[str]] = {}
    for table, line, reason in report.rejects[["table", "line", "reason"]].itertuples(index=False):
        found.setdefault((table, int(line)), set()).add(reason)
    assert {place for place in planted if planted[place] not in found.get(place, set())} <= waiting
    missed = [p for p in planted if planted[p] not in found.get(p, set()) and not found.get(p)]
    assert missed == []
    assert {place for place in found if place not in planted} <= waiting
    assert all(found[place] == {"waits_for"} for place in found if place not in planted)
    for table, rows in fleet.items():
        counts = count(report, table)
        assert counts["read"] == len(rows)
        bad = {n for (t, n) in found if t == table}
        same = 1 if table == "findings" and last - 1 not in bad else 0
        assert counts.get("new", 0) == len(rows) - len(bad) - same == len(empty_shop.rows(table))


def _inside(rows: Rows, i: int, series: str, hit: set[str]) -> bool:
    """Whether a row stands in the middle of its series, which has no fault yet."""
    name = rows[i][series]
    return name not in hit and all(rows[j][series] == name for j in (i - 2, i - 1, i + 1, i + 2))
