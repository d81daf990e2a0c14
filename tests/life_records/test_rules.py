"""The rules from findings to lives, one tiny history each, with the expected rows written out.

A life is written as (component, position, number, entry, lower, upper, opened by, closed by); None is empty.
"""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from rebuildstats.errors import NothingToComputeError
from rebuildstats.life_records.records import Records
from tests.histories import records

Row = dict[str, Any]

NEW = {"unit": "U", "family": "P", "origin": "new", "first_seen_mileage": 0}
USED = {"unit": "U", "family": "P", "origin": "used", "first_seen_mileage": 40_000}
REBUILT = {"unit": "U", "family": "P", "origin": "rebuilt"}
HIDDEN = {"family": "P", "component": "bearing"}
SHOWING = {"family": "P", "component": "shaft", "shows": "in_service"}
SEAL = {"family": "P", "component": "seal", "renewal": "always", "shows": "in_service"}


def job(name: str, day: str, mileage: float | None, **more: Any) -> Row:
    return {"job": name, "unit": "U", "opened_on": day, "unit_mileage": mileage, "reason": "scheduled", **more}


def found(name: str, component: str = "bearing", **more: Any) -> Row:
    return {"job": name, "component": component, **more}


def listed(result: Records) -> list[tuple[Any, ...]]:
    columns = ["component", "position", "number", "entry_age", "lower_age", "upper_age", "opened_by", "closed_by"]
    rows = result.lives.sort_values(["component", "position", "number"])[columns].astype("object")
    return [tuple(None if pd.isna(v) else v for v in row) for row in rows.itertuples(index=False)]


def lives(
    unit: Row, components: list[Row], teardowns: list[Row], findings: list[Row], **more: Any
) -> list[tuple[Any, ...]]:
    return listed(records(units=[unit], components=components, teardowns=teardowns, findings=findings, **more))


J1 = job("J1", "2020-06-01", 50_000)
J2 = job("J2", "2021-06-01", 80_000)


def test_found_ok_is_known_good_and_found_failed_failed_in_between() -> None:
    rows = lives(NEW, [HIDDEN], [J1, J2], [found("J1", verdict="ok"), found("J2", verdict="fail", action="replace")])
    assert rows == [("bearing", 1, 1, 0, 50_000, 80_000, None, "J2")]


def test_a_cause_failed_exactly_at_its_age() -> None:
    rows = lives(NEW, [SHOWING], [J1], [found("J1", "shaft", verdict="fail", role="cause", action="replace")])
    assert rows == [("shaft", 1, 1, 0, 50_000, 50_000, None, "J1")]


def test_a_cause_found_twice_in_one_job_counts_once_with_the_worst_verdict() -> None:
    twice = [
        found("J1", point="wear", verdict="ok", role="wear"),
        found("J1", point="crack", verdict="fail", role="cause", action="replace"),
    ]
    points = [{"family": "P", "point": p, "component": "bearing"} for p in ("wear", "crack")]
    assert lives(NEW, [HIDDEN], [J1], twice, points=points) == [("bearing", 1, 1, 0, 50_000, 50_000, None, "J1")]


@pytest.mark.parametrize(
    ("component", "lower"),
    [("bearing", 30_000), ("shaft", 50_000)],
    ids=["seen only when open: last known good", "shows"],
)
def test_damage_by_another_is_no_failure_of_its_own(component: str, lower: float) -> None:
    first, second = job("J0", "2020-01-01", 30_000), J1
    rows = lives(
        NEW,
        [HIDDEN, SHOWING],
        [first, second],
        [
            found("J0", component, verdict="ok"),
            found("J1", component, verdict="fail", role="consequence", action="replace"),
        ],
    )
    assert [r for r in rows if r[0] == component and r[2] == 1] == [(component, 1, 1, 0, lower, None, None, "J1")]


def test_what_shows_in_service_is_known_good_wherever_it_isnt_found_failed() -> None:
    rows = lives(NEW, [SHOWING, HIDDEN], [J1], [])
    # nothing recorded of either: the one that shows was good, nothing is known of the other
    assert rows == [("shaft", 1, 1, 0, 50_000, None, None, None)]


def test_not_checked_says_nothing_of_what_is_only_seen_when_open() -> None:
    rows = lives(
        NEW, [HIDDEN], [J1, J2], [found("J1", verdict="not_checked"), found("J2", verdict="fail", action="replace")]
    )
    assert rows == [("bearing", 1, 1, 0, 0, 80_000, None, "J2")]


def test_a_used_unit_is_original_and_entered_late_where_its_failure_would_have_shown() -> None:
    rows = lives(
        USED,
        [HIDDEN, SHOWING],
        [J1],
        [
            found("J1", verdict="fail", action="replace"),
            found("J1", "shaft", verdict="fail", role="cause", action="replace"),
        ],
    )
    assert rows == [
        ("bearing", 1, 1, 0, 0, 50_000, None, "J1"),
        ("shaft", 1, 1, 40_000, 50_000, 50_000, None, "J1"),
    ]


def test_in_a_rebuilt_unit_only_what_is_always_renewed_has_an_age() -> None:
    rows = lives(
        REBUILT,
        [SHOWING, SEAL],
        [J1, J2],
        [found("J1", "shaft", verdict="fail", role="cause", action="replace")],
        vehicles=[{"vehicle": "V"}],
        odometers=[
            {"vehicle": "V", "read_on": "2020-01-01", "odometer": 1000},
            {"vehicle": "V", "read_on": "2020-12-31", "odometer": 37_500},
        ],
        fitments=[{"unit": "U", "vehicle": "V", "fitted_on": "2020-01-01"}],
    )
    # first sight is 50,000 less the 15,200 run since; the shaft has no life until the shop renewed it
    assert rows == [
        ("seal", 1, 1, 0, 15_200, None, None, "J1"),
        ("seal", 1, 2, 0, 30_000, None, "J1", "J2"),
        ("shaft", 1, 1, 0, 30_000, None, "J1", None),
    ]


def test_first_sight_follows_from_the_first_given_mileage_whose_distance_can_be_had() -> None:
    # at J1 the first vehicle had no odometer to read; at J2 its removal had told 15,000 and the next one 5,000 more
    unread = {"unit": "U", "vehicle": "V", "fitted_on": "2020-01-01", "fitted_odometer": 1000}
    rows = lives(
        {"unit": "U", "family": "P", "origin": "used"},
        [SHOWING],
        [J1, job("J2", "2021-06-01", 80_000, odometer=7000, vehicle="W")],
        [found("J2", "shaft", verdict="fail", role="cause", action="replace")],
        vehicles=[{"vehicle": "V"}, {"vehicle": "W"}],
        fitments=[
            {**unread, "removed_on": "2021-01-01", "removed_odometer": 16_000},
            {"unit": "U", "vehicle": "W", "fitted_on": "2021-01-01", "fitted_odometer": 2000},
        ],
    )
    assert rows == [("shaft", 1, 1, 60_000, 80_000, 80_000, None, "J2")]


def test_replaced_while_good_ends_right_censored_at_its_age() -> None:
    rows = lives(NEW, [HIDDEN], [J1], [found("J1", verdict="ok", action="replace")])
    assert rows == [("bearing", 1, 1, 0, 50_000, None, None, "J1")]


@pytest.mark.parametrize(("component", "expected"), [("shaft", 50_000), ("bearing", 20_000)])
def test_replaced_with_no_verdict_ends_at_its_age_or_where_last_known_good(component: str, expected: float) -> None:
    rows = lives(
        NEW,
        [HIDDEN, SHOWING],
        [job("J0", "2020-01-01", 20_000), J1],
        [found("J0", component, verdict="ok"), found("J1", component, action="replace")],
    )
    assert (component, 1, 1, 0, expected, None, None, "J1") in rows


def test_failed_and_left_in_has_had_its_event_and_lives_again_only_when_replaced() -> None:
    rows = lives(
        NEW,
        [HIDDEN],
        [J1, J2, job("J3", "2022-06-01", 90_000), job("J4", "2023-06-01", 130_000)],
        [
            found("J1", verdict="fail", action="reuse"),
            found("J2", verdict="ok"),
            found("J3", verdict="fail", action="replace"),
            found("J4", verdict="ok"),
        ],
    )
    assert rows == [
        ("bearing", 1, 1, 0, 0, 50_000, None, "J1"),
        ("bearing", 1, 2, 0, 40_000, None, "J3", None),
    ]


def test_a_dressed_burr_and_a_ground_face_renew_nothing() -> None:
    rows = lives(
        NEW,
        [HIDDEN],
        [J1, J2],
        [found("J1", verdict="ok", action="dress"), found("J2", verdict="ok", action="machine")],
    )
    assert rows == [("bearing", 1, 1, 0, 80_000, None, None, None)]


def test_always_parts_are_renewed_at_a_rebuild_recorded_or_not_but_not_at_a_repair() -> None:
    rows = lives(
        NEW, [SEAL], [J1, job("J2", "2021-06-01", 80_000, scope="repair"), job("J3", "2022-06-01", 95_000)], []
    )
    assert rows == [
        ("seal", 1, 1, 0, 50_000, None, None, "J1"),
        ("seal", 1, 2, 0, 45_000, None, "J1", "J3"),
    ]


def test_an_unrecorded_always_part_is_counted_as_a_gap() -> None:
    result = records(units=[NEW], components=[SEAL], teardowns=[J1])
    gap = result.counts.set_index(["step", "what"])["count"]
    assert gap["always", "renewed at a rebuild but not recorded"] == 1


ASSEMBLY = [
    {"family": "P", "component": "carrier", "shows": "in_service"},
    {"family": "P", "component": "planet", "shows": "in_service", "supplied_in": "carrier", "positions": 2},
    {"family": "P", "component": "pin", "shows": "in_service", "supplied_in": "carrier"},
]


@pytest.mark.parametrize("component", ["carrier", "planet", "pin"])
def test_an_assembly_and_all_in_it_are_renewed_together(component: str) -> None:
    rows = lives(NEW, ASSEMBLY, [J1, J2], [found("J1", component, verdict="fail", role="cause", action="replace")])
    assert {(r[0], r[1], r[2], r[4]) for r in rows if r[2] == 2} == {
        ("carrier", 1, 2, 30_000),
        ("planet", 1, 2, 30_000),
        ("planet", 2, 2, 30_000),
        ("pin", 1, 2, 30_000),
    }
    exact = [r for r in rows if r[5] is not None]
    assert exact == [(component, 1, 1, 0, 50_000, 50_000, None, "J1")]


def test_positions_live_apart() -> None:
    pair = {**SHOWING, "positions": 2}
    rows = lives(
        NEW, [pair], [J1, J2], [found("J1", "shaft", position=2, verdict="fail", role="cause", action="replace")]
    )
    assert rows == [
        ("shaft", 1, 1, 0, 80_000, None, None, None),
        ("shaft", 2, 1, 0, 50_000, 50_000, None, "J1"),
        ("shaft", 2, 2, 0, 30_000, None, "J1", None),
    ]


def test_after_the_last_teardown_only_what_shows_is_known_good_until_today() -> None:
    rows = lives(
        NEW,
        [HIDDEN, SHOWING],
        [job("J1", "2020-06-01", None)],
        [found("J1", verdict="ok")],
        vehicles=[{"vehicle": "V"}],
        odometers=[
            {"vehicle": "V", "read_on": "2020-01-01", "odometer": 0},
            {"vehicle": "V", "read_on": "2020-12-31", "odometer": 36_500},
        ],
        fitments=[{"unit": "U", "vehicle": "V", "fitted_on": "2020-01-01"}],
    )
    assert rows == [
        ("bearing", 1, 1, 0, 15_200, None, None, None),
        ("shaft", 1, 1, 0, 36_500, None, None, None),
    ]


def test_mileage_runs_over_several_fitments_and_a_changed_meter() -> None:
    result = records(
        units=[NEW],
        components=[SHOWING],
        vehicles=[{"vehicle": "V"}, {"vehicle": "W"}],
        odometers=[
            {"vehicle": "V", "read_on": "2020-01-01", "odometer": 90_000, "meter": 1},
            {"vehicle": "V", "read_on": "2020-04-01", "odometer": 99_100, "meter": 1},
            {"vehicle": "V", "read_on": "2020-04-01", "odometer": 0, "meter": 2},
            {"vehicle": "V", "read_on": "2020-07-01", "odometer": 9_100, "meter": 2},
            {"vehicle": "W", "read_on": "2020-08-01", "odometer": 500},
            {"vehicle": "W", "read_on": "2020-10-01", "odometer": 6_600},
        ],
        fitments=[
            {
                "unit": "U",
                "vehicle": "V",
                "fitted_on": "2020-01-01",
                "removed_on": "2020-07-01",
                "removed_odometer": 9_050,
            },
            {"unit": "U", "vehicle": "W", "fitted_on": "2020-08-01", "fitted_odometer": 450},
        ],
        teardowns=[job("J1", "2020-09-01", None)],
    )
    # 99,100 - 90,000 on the first meter, 9,050 on the second; then 500 + 31 days at 100 a day, less 450
    assert result.teardowns["mileage"].tolist() == [pytest.approx(9_100 + 9_050 + 3_150)]


def test_a_day_before_the_first_reading_lies_on_the_line_from_first_to_last() -> None:
    result = records(
        units=[NEW],
        components=[SHOWING],
        vehicles=[{"vehicle": "V"}],
        odometers=[
            {"vehicle": "V", "read_on": "2020-02-01", "odometer": 10_000},
            {"vehicle": "V", "read_on": "2020-03-02", "odometer": 13_000},
        ],
        fitments=[{"unit": "U", "vehicle": "V", "fitted_on": "2020-01-22"}],
        teardowns=[job("J1", "2020-02-01", None)],
    )
    assert result.teardowns["mileage"].tolist() == [pytest.approx(1_000)]


def test_a_renewal_at_an_unknown_mileage_ends_one_life_and_leaves_out_the_next() -> None:
    rows = lives(
        NEW,
        [HIDDEN],
        [J1, job("J2", "2021-06-01", None), job("J3", "2022-06-01", 120_000), job("J4", "2023-06-01", 150_000)],
        [
            found("J1", verdict="ok"),
            found("J2", verdict="fail", action="replace"),
            found("J3", verdict="ok", action="replace"),
            found("J4", verdict="fail", action="replace"),
        ],
    )
    assert rows == [
        ("bearing", 1, 1, 0, 50_000, None, None, "J2"),
        ("bearing", 1, 3, 0, 0, 30_000, "J3", "J4"),
    ]


def test_what_a_later_day_brought_is_unknown_on_the_day_asked_for() -> None:
    findings = [found("J1", verdict="ok"), found("J2", verdict="fail", action="replace")]
    result = records("2020-12-31", units=[NEW], components=[HIDDEN], teardowns=[J1, J2], findings=findings)
    assert listed(result) == [("bearing", 1, 1, 0, 50_000, None, None, None)]


def test_where_most_of_a_life_was_run_and_who_opened_it() -> None:
    result = records(
        units=[NEW],
        components=[SHOWING],
        vehicles=[{"vehicle": "V", "site": "hill", "duty": "heavy"}, {"vehicle": "W", "site": "flat", "duty": "light"}],
        odometers=[
            {"vehicle": v, "read_on": d, "odometer": o}
            for v, d, o in [
                ("V", "2020-01-01", 0), ("V", "2020-12-31", 36_500), ("W", "2021-01-01", 0),
                ("W", "2021-12-31", 50_000),
            ]
        ],
        fitments=[
            {"unit": "U", "vehicle": "V", "fitted_on": "2020-01-01", "removed_on": "2020-12-01"},
            {"unit": "U", "vehicle": "W", "fitted_on": "2021-01-01"},
        ],
        teardowns=[{**job("J1", "2020-06-01", None), "bench": "b2"}],
        findings=[found("J1", "shaft", verdict="fail", role="cause", action="replace", part="S-1")],
    )  # fmt: skip
    rows = result.lives[["number", "site", "duty", "bench", "part"]].astype("object")
    assert rows.where(rows.notna(), None).to_numpy().tolist() == [
        [1, "hill", "heavy", None, None],
        [2, "flat", "light", "b2", "S-1"],
    ]


def test_a_units_life_ends_exactly_only_when_it_came_back_failed() -> None:
    result = records(
        units=[USED],
        teardowns=[
            {**J1, "reason": "failure"},
            job("R1", "2020-09-01", 60_000, scope="repair", reason="failure"),
            {**J2, "reason": "scheduled"},
            job("J3", "2022-01-01", 95_000, reason="comeback"),
        ],
    )
    columns = ["number", "entry_age", "lower_age", "upper_age", "opened_by", "closed_by"]
    rows = result.unit_lives[columns].astype("object")
    assert rows.where(rows.notna(), None).to_numpy().tolist() == [
        [1, 40_000, 50_000, 50_000, None, "J1"],
        [2, 0, 30_000, None, "J1", "J2"],
        [3, 0, 15_000, 15_000, "J2", "J3"],
    ]


def test_an_empty_reason_is_a_failure_where_a_finding_is_the_cause_else_scheduled() -> None:
    bare = [{**J1, "reason": None}, {**J2, "reason": None}]
    result = records(
        units=[NEW], components=[SHOWING], teardowns=bare, findings=[found("J2", "shaft", verdict="fail", role="cause")]
    )
    assert result.teardowns["reason"].tolist() == ["scheduled", "failure"]


def test_where_every_finding_went_adds_up() -> None:
    findings = [
        found("J1", verdict="ok"),
        found("J2", verdict="fail", action="replace"),
        found("J2", "shaft", action="reuse"),
    ]
    result = records(units=[NEW], components=[HIDDEN, SHOWING], teardowns=[J1, J2], findings=findings)
    counts = result.counts
    assert counts.loc[counts["step"] == "finding", "count"].sum() == len(findings)
    assert counts.loc[counts["step"] == "teardown", "count"].sum() == 2


def test_a_history_without_a_date_says_what_is_missing() -> None:
    with pytest.raises(NothingToComputeError, match="no dated row"):
        records(units=[NEW], components=[HIDDEN])
