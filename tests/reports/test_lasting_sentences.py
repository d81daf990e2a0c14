"""Sentences on makes, rates and doubts: what they claim follows from the intervals, and each carries its count."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits.rates import fit_rate_regression
from rebuildstats.reports import lasting_sentences as words


def make(**changes: object) -> dict[str, object]:
    row: dict[str, object] = {
        "family": "F",
        "component": "seal",
        "part": "new",
        "against": "old",
        "events": 14,
        "lives": 60,
        "ratio": 1.8,
        "ratio_lower": 1.2,
        "ratio_upper": 2.6,
        "cost_per_10000": 0.4,
        "cost_lower": 0.3,
        "cost_upper": 0.5,
        "cost_ratio": 0.7,
        "cost_ratio_lower": 0.5,
        "cost_ratio_upper": 0.95,
    }
    return row | changes


def test_worth_its_price_only_where_the_whole_interval_says_so() -> None:
    said = words.make_sentence(make(), "km")
    assert "new lasts longer than old: 1.80 (1.20 to 2.60) times its life, from 14 failures in 60 lives" in said
    assert said.endswith("it is worth its price.")
    open_question = words.make_sentence(make(cost_ratio_upper=1.2), "km")
    assert open_question.endswith("whether it is worth its price can't be told yet.")
    dear = words.make_sentence(make(cost_ratio=1.5, cost_ratio_lower=1.1, cost_ratio_upper=2.0), "km")
    assert dear.endswith("it is not worth its price.")
    assert "can't be told from" in words.make_sentence(make(ratio_lower=0.9), "km")
    assert "less long" in words.make_sentence(make(ratio=0.5, ratio_lower=0.3, ratio_upper=0.8), "km")
    assert words.make_sentence(make(cost_ratio=np.nan), "km").endswith("Its price against the other's is not known.")


def test_no_makes_says_what_is_missing() -> None:
    assert "findings" in words.make_words(pd.DataFrame(), "km")[0]


def test_rates_say_whether_counts_scatter_more_than_chance() -> None:
    rng = np.random.default_rng(1)
    duty = np.repeat(["road", "quarry"], 150)
    mean = np.where(duty == "quarry", 4.0, 2.0)
    plain = pd.DataFrame({"duty": duty, "exposure": 1e5, "events": rng.poisson(mean)})
    wild = plain.assign(events=rng.poisson(mean * rng.gamma(0.8, 1 / 0.8, 300)))
    lines = words.rate_words(fit_rate_regression(plain, ["duty"]))
    assert "no more than chance" in lines[0]
    assert lines[1].startswith("duty ")
    assert "chance" not in lines[1]
    assert "scatter more than chance" in words.rate_words(fit_rate_regression(wild, ["duty"]))[0]
    assert "No failure yet" in words.rate_words(None)[0]


def rival(distribution: str, b10: float, share: float, *, chosen: bool = False) -> tuple[object, ...]:
    return "F", "seal", distribution, chosen, share, 100.0, b10, b10 * 0.8, b10 * 1.2, "wald", True


def test_rivals_far_apart_are_named() -> None:
    columns = ["family", "component", "distribution", "chosen", "share", "aicc"]
    columns += ["b10", "b10_lower", "b10_upper", "interval", "settled"]
    apart = pd.DataFrame([rival("weibull", 50e3, 0.6, chosen=True), rival("lognormal", 90e3, 0.4)], columns=columns)
    assert words.rival_words(apart, "mi") == [
        "F seal: the data can't tell well which holds; B10 is 50,000 mi by the weibull, 90,000 by the lognormal."
    ]
    out_of_the_running = apart.assign(share=[0.99, 0.01])
    assert "agree" in words.rival_words(out_of_the_running, "mi")[0]


@pytest.mark.parametrize(
    ("column", "value", "told"),
    [
        ("fit_p_value", 0.001, "early failures beside wear"),
        ("early_signal", True, "look at fitting and parts before wear"),
        ("b10_if_missed_fails", 30e3, "were 2 % of the verdicts wrong"),
    ],
)
def test_each_doubt_is_said(column: str, value: object, told: str) -> None:
    sound = {
        "family": "F",
        "component": "seal",
        "events": 20,
        "lives": 80,
        "fit_p_value": 0.6,
        "statement": "more fail before 9,000 than the curve says: early failures beside wear",
        "early_observed": 4.0,
        "early_expected": 0.5,
        "early_p_value": 0.002,
        "early_signal": False,
        "b10": 50e3,
        "b10_if_false_fails": 50e3,
        "b10_if_missed_fails": 49e3,
    }
    assert "none is refuted" in words.doubt_words(pd.DataFrame([sound]), "mi")[0]
    (line,) = words.doubt_words(pd.DataFrame([sound | {column: value}]), "mi")
    assert told in line


def test_points_that_disagree_and_readings_set_aside_are_said() -> None:
    row = {
        "family": "F",
        "point": "gap",
        "fails": 4,
        "checked": 80,
        "readings": 75,
        "fails_by_readings": 15.2,
        "age_10": 90e3,
        "age_10_lower": 80e3,
        "age_10_upper": 99e3,
        "b10": 140e3,
        "b10_lower": 120e3,
        "b10_upper": 160e3,
        "disagrees": True,
        "reason": "its fails are other than its readings foretell: chances come from verdicts",
    }
    handled = pd.DataFrame(
        {
            "family": "F",
            "point": "gap",
            "job": ["J1", "J2"],
            "unit": ["U1", "U2"],
            "reading": [0.02, -1.0],
            "value": [0.508, np.nan],
            "converted_from": ["in", ""],
            "set_aside": ["", "negative where nothing can be"],
        }
    )
    rows = pd.DataFrame([row, row | {"reason": "readings reach the limit at another age"}])
    fails, ages, moved, first, aside, second = words.point_words(rows, handled, "km")
    assert fails == "F gap: 4 fails in 80 checks, its 75 readings foretell 15.2."
    assert "90,000 km (80,000 to 99,000), but the fitted life says 140,000 (120,000 to 160,000)" in ages
    assert moved == "1 reading read in another unit and converted:"
    assert first == "- F gap, unit U1 in J1: 0.02 (in), counts as 0.508"
    assert "1 reading set aside, not deleted" in aside
    assert second == "- F gap, unit U2 in J2: -1 (negative where nothing can be)"
    many = pd.concat([handled.tail(1)] * 60)
    assert words.point_words(rows, many, "km")[-1] == "- and 10 more"
    assert "agree" in words.point_words(rows.assign(disagrees=False), handled.iloc[:0], "km")[0]


def test_wear_says_where_checks_and_life_disagree() -> None:
    row = {"component": "ring", "point": "gap", "point_chance": 0.4, "point_lower": 0.3, "point_upper": 0.5}
    rows = pd.DataFrame([row | {"checked": 50, "failed": 20, "chance_bad": 0.1, "disagrees": True}])
    (line,) = words.disagreement_words(rows)
    assert line.startswith("ring · gap: its own checks say 40 % (30 % to 50 %, 20 fails of 50), the fitted life 10 %")
    assert words.disagreement_words(rows.assign(disagrees=False)) == []
