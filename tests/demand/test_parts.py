"""Which part: supersession, choices, assemblies, shelves, and pieces by month."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from rebuildstats.demand import parts
from rebuildstats.history.known import History, history_frames, know
from rebuildstats.life_records.build import build
from rebuildstats.life_records.records import Records
from tests.histories import connection

COMPONENTS = [
    {"family": "F", "component": "ring", "positions": 2},
    {"family": "F", "component": "seal", "renewal": "always"},
    {"family": "F", "component": "shaft"},
    {"family": "F", "component": "bush", "supplied_in": "shaft"},
]
USES = [
    {"family": "F", "component": "ring", "part": "R1", "choice": "grade", "share": 0.5},
    {"family": "F", "component": "ring", "part": "R2", "choice": "grade", "share": 0.5},
    {"family": "F", "component": "seal", "part": "S-old", "quantity": 2},
    {"family": "F", "component": "shaft", "part": "ASSY"},
    {"family": "F", "component": "bush", "part": "BUSH"},
]
PARTS = [
    {"part": "R1"}, {"part": "R2"}, {"part": "S-old", "replaced_by": "S-mid"},
    {"part": "S-mid", "replaced_by": "S-new"},
    {"part": "S-new"}, {"part": "ASSY"}, {"part": "BUSH"},
]  # fmt: skip


def known(findings: list[dict[str, Any]] = (), **more: Any) -> tuple[History, Records]:  # type: ignore[assignment]
    tables: dict[str, Any] = {
        "units": [{"unit": "U", "family": "F", "origin": "new", "first_seen_on": "2024-01-01",
                   "first_seen_mileage": 0}],
        "components": COMPONENTS, "parts": PARTS, "part_uses": USES, "findings": findings,
        "teardowns": [
            {"job": "J1", "unit": "U", "opened_on": "2024-03-05", "unit_mileage": 1000, "reason": "scheduled"},
            {"job": "J2", "unit": "U", "opened_on": "2024-06-05", "unit_mileage": 2000, "reason": "scheduled"},
        ],
    }  # fmt: skip
    con = connection(**(tables | more))
    day = know(con)
    out = history_frames(con, day, "mi"), build(con, day, "mi")
    con.close()
    return out


def test_a_replaced_part_ends_at_its_last_successor_and_a_circle_ends() -> None:
    final = parts.final_parts(known()[0].parts)
    assert final["S-old"] == final["S-mid"] == final["S-new"] == "S-new"
    circle = pd.DataFrame({"part": ["A", "B"], "replaced_by": ["B", "A"]})
    assert set(parts.final_parts(circle)) == {"A", "B"}


def test_uses_of_today() -> None:
    uses = parts.uses_today(*known()).set_index(["component", "part"])
    assert ("bush", "BUSH") not in uses.index  # it can't be bought by itself
    assert uses.loc[("seal", "S-new"), "quantity"] == 2.0
    assert uses.loc[("ring", "R1"), "share"] == pytest.approx(0.5)
    assert uses.loc[("shaft", "ASSY"), "share"] == 1.0


def test_choices_seen_move_the_share_and_grades_that_are_kept_are_noticed() -> None:
    findings = [
        {"job": job, "component": "ring", "position": p, "action": "replace", "part": "R2"}
        for job in ("J1", "J2")
        for p in (1, 2)
    ]
    uses = parts.uses_today(*known(findings)).set_index(["component", "part"])
    # ten stated choices at .5 and four seen, all R2
    assert uses.loc[("ring", "R2"), "share"] == pytest.approx((5 + 4) / 14)
    assert uses.loc[("ring", "R2"), "keeps"] > 0.1  # R2 was followed by R2 at both positions


def test_implied_pieces_by_hand() -> None:
    findings = [
        {"job": "J1", "component": "ring", "position": 1, "verdict": "fail", "action": "replace", "part": "R1"},
        {"job": "J1", "component": "bush", "verdict": "fail", "action": "replace"},
        {"job": "J2", "component": "ring", "position": 2, "action": "replace", "part": "R2", "quantity": 3},
        {"job": "J2", "component": "shaft", "action": "dress"},
    ]
    history, records = known(findings)
    pieces = parts.implied_pieces(history, records, parts.uses_today(history, records))
    taken = pieces.groupby(["job", "part"])["quantity"].sum().to_dict()
    assert taken == {
        ("J1", "R1"): 1.0,
        ("J1", "ASSY"): 1.0,  # what is supplied in the shaft asks for a shaft
        ("J1", "S-new"): 2.0,  # always, recorded or not
        ("J2", "R2"): 3.0,  # the finding's own quantity
        ("J2", "S-new"): 2.0,
    }


def test_a_part_machined_takes_the_part_named() -> None:
    findings = [{"job": "J1", "component": "shaft", "action": "machine", "part": "BUSH"}]
    history, records = known(findings)
    pieces = parts.implied_pieces(history, records, parts.uses_today(history, records))
    assert pieces.loc[pieces["part"] == "BUSH", "quantity"].tolist() == [1.0]


def test_issued_pieces_are_net_of_credits_under_the_last_successor() -> None:
    issued = [
        {"issued_on": "2024-03-06", "part": "S-old", "quantity": 4, "job": "J1", "slip": "1"},
        {"issued_on": "2024-03-20", "part": "S-old", "quantity": 1, "kind": "credit", "job": "J1", "slip": "2"},
        {"issued_on": "2024-05-01", "part": "S-new", "quantity": 2, "slip": "3"},
    ]
    history, _ = known(issued_parts=issued)
    pieces = parts.issued_pieces(history)
    months = pd.period_range("2024-03", "2024-05", freq="M")
    table = parts.by_month(pieces, ["R1", "S-new"], months)
    assert table.loc["S-new"].tolist() == [3.0, 0.0, 2.0]
    assert table.loc["R1"].tolist() == [0.0, 0.0, 0.0]


def test_shelves() -> None:
    assert parts.shelf_of_sites(known()[0]) == {"": ""}
    stock = [{"part": "R1", "site": "north", "on_hand": 1}, {"part": "R1", "site": "south", "on_hand": 1}]
    sites = [{"site": "yard", "served_by": "south"}, {"site": "hut", "served_by": "yard"}, {"site": "lost"}]
    shelf = parts.shelf_of_sites(known(stock=stock, sites=sites)[0])
    assert shelf["north"] == "north"
    assert shelf["yard"] == shelf["hut"] == "south"
    assert shelf["lost"] == shelf[""] == "north"  # else the first shelf
