"""Words for people, tested as text."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from rebuildstats.reports import sentences
from rebuildstats.reports.views import view

NAN = math.nan


def order(**changes):
    rows = {
        "part": ["R-1", "S-2", "B-3"],
        "site": ["north", "north", "south"],
        "order_now": [4, 0, 10],
        "order_cost": [400.0, 0.0, NAN],
        "held_jobs_avoided": [2.0, 0.5, 7.0],
        "reason": ["two teardowns are booked", "covered", "three may come"],
    }
    return pd.DataFrame(rows | changes)


PARTS = pd.DataFrame({"part": ["R-1", "B-3"], "name": ["ring", None]})


def test_counter_names_lines_money_and_the_line_that_frees_most_jobs_first():
    lines = sentences.counter(order(), PARTS)
    assert lines[0] == "Order 2 lines today, 14 pieces, 400 in money (1 of them without a price)."
    assert lines[1] == "10 x B-3 for south: three may come"
    assert lines[2] == "4 x R-1 (ring) for north: two teardowns are booked"


def test_counter_with_nothing_to_order():
    assert sentences.counter(order(order_now=[0, 0, 0]), PARTS) == [
        "Nothing to order today: every one of 3 shelf lines is covered."
    ]
    assert "part_uses" in sentences.counter(order().iloc[:0], PARTS)[0]


def test_counter_counts_the_lines_it_does_not_show():
    assert sentences.counter(order(), PARTS, top=1)[-1] == "... and 1 more line."


def repeats(flagged=True):
    return pd.DataFrame(
        {
            "kind": ["part", "site"],
            "name": ["R-1", "north"],
            "family": ["P", None],
            "component": ["ring", None],
            "observed": [12, 3],
            "expected": [4.1, 2.9],
            "comebacks": [5, 0],
            "ratio": [2.93, 1.03],
            "ratio_lower": [1.8, 0.4],
            "ratio_upper": [4.4, 2.2],
            "q_value": [0.01, 0.9],
            "since": [pd.Timestamp("2025-03-01"), pd.NaT],
            "until": [pd.NaT, pd.NaT],
            "flagged": [flagged, False],
            "by": ["failures", "failures"],
            "looks_like": ["make", ""],
            "jobs": ["J1, J2", ""],
            "comebacks_expected": [0.4, 0.1],
        }
    )


def inspections():
    return pd.DataFrame(
        {
            "family": ["P", "P"],
            "component": ["ring", "seal"],
            "point": ["thickness", ""],
            "checked": [40, 10],
            "failed": [10, 0],
            "share": [0.25, 0.0],
            "share_lower": [0.15, 0.0],
            "share_upper": [0.37, 0.17],
        }
    )


def test_office_says_observed_expected_interval_and_since_when():
    lines = sentences.office(repeats(), inspections())
    assert lines[0] == "1 group of 2 looked at come back more than they should:"
    assert lines[1].startswith(
        "Part R-1 (ring of P): 12 failures in service where 4.1 were to be expected (2.9 times, 90 % interval 1.8 to "
        "4.4), since about 2025-03-01."
    )
    assert lines[3] == "P ring, thickness: 25 % of 40 checked (90 % interval 15 % to 37 %)"
    assert len(lines) == 4


def test_office_with_nothing_flagged_and_nothing_failed():
    lines = sentences.office(repeats(flagged=False), inspections().iloc[1:])
    assert lines == [
        "Nothing comes back more than it should among 2 groups looked at.",
        "No inspection has failed yet.",
    ]


def wear():
    return pd.DataFrame(
        {
            "component": ["ring", "ring", "bush", "seal"],
            "point": ["thickness", "cracks", "", ""],
            "chance_bad": [0.6, 0.6, NAN, 0.04],
            "chance_lower": [0.4, 0.4, 0.0, 0.01],
            "chance_upper": [0.75, 0.75, 0.3, 0.1],
            "events": [12, 12, 0, 1],
            "lives": [40, 40, 3, 55],
            "reading_q10": [4.1, NAN, NAN, NAN],
            "reading_q50": [4.3, NAN, NAN, NAN],
            "reading_q90": [4.8, NAN, NAN, NAN],
            "low_limit": [4.0, NAN, NAN, NAN],
            "high_limit": [NAN, NAN, NAN, NAN],
            "part": ["R-1", "R-1", "B-1", "S-1"],
            "quantity": [2.0, 2.0, 1.0, 1.0],
        }
    )


def test_bench_gives_chance_interval_reading_limit_and_parts():
    lines = sentences.bench(wear(), "unit P-17")
    assert lines == [
        "unit P-17: what usually wears",
        "ring: 60 % (90 % interval 40 % to 75 %, 12 failed of 40 lives seen); "
        "thickness: expect 4.1 to 4.8 (limit: at least 4)",
        "seal: 4.0 % (90 % interval 1.0 % to 10 %, 1 failed of 55 lives seen)",
        "bush: too few seen to say; at most 30 %",
        "Pull: 2 x R-1",
    ]


def test_bench_with_nothing_known():
    assert sentences.bench(wear().iloc[:0], "P") == ["P: nothing is known of its components yet."]


@pytest.mark.parametrize(
    ("name", "known", "words"),
    [
        ("F-1", ["F1", "G2"], "did you mean `F1`?"),
        ("f1", ["F1", "G2"], "did you mean `F1`?"),
        ("zzz", ["F1", "G2"], "there are `F1`, `G2`"),
        ("zzz", [], "there is none yet"),
        ("zzz", [f"F{i}" for i in range(20)], "and 12 more"),
    ],
)
def test_an_unknown_name_is_answered_with_known_ones(name, known, words):
    assert words in sentences.nearest(name, known)


def test_the_sum_of_a_load_is_told_as_a_sum():
    counts = pd.DataFrame(
        {
            "read": [10, 5],
            "new": [6, 0],
            "changed": [1, 0],
            "same": [1, 5],
            "rejected": [1, 0],
            "held": [1, 0],
            "blank": [0, 0],
        }
    )
    assert sentences.load_sum(counts) == ("read 15 = new 6 + changed 1 + same 6 + rejected 1 + held 1 + blank 0")


def test_an_open_interval_is_said_in_words():
    assert sentences.interval_text(120_000, math.inf) == "at least 120,000"
    assert sentences.interval_text(1.5, 2.5) == "1.5 to 2.5"


def test_a_persons_order_begins_with_what_to_order_today():
    shown = view(order(), "order")
    assert list(shown["part"]) == ["B-3", "R-1", "S-2"]
    assert list(shown.columns)[:3] == ["part", "site", "order_now"]


def test_a_view_leaves_out_empty_columns_only():
    rows = wear().assign(low_limit=NAN, family="P", safety=False)
    assert "low_limit" not in view(rows, "wear")
    assert "chance_bad" in view(rows, "wear")
    by_looks = rows.assign(**{"from": "verdicts", "failed": 3, "checked": 40, "events": 0, "lives": 12})
    assert list(view(by_looks, "wear").columns).index("from") < list(view(by_looks, "wear").columns).index("events")
    assert "3 fails of 40 checks" in sentences.bench(by_looks, "P")[1]
    assert list(view(rows, "something else")) == list(rows)
