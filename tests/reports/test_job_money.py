"""Where hours, money or waiting dates are empty, the words say which and count instead."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from rebuildstats.reports.job_money import held_words, spent_words


@pytest.mark.parametrize(
    ("hours", "money", "words"),
    [
        (
            [np.nan, np.nan],
            [np.nan, np.nan],
            "labour hours not known: labour_hours is empty for all 2; "
            "outside cost not known: outside_cost is empty for all 2",
        ),
        (
            [3.5, np.nan],
            [0.0, 20.0],
            "3.5 labour hours (written down for 1 of 2, labour_hours is empty for the others); "
            "20 outside cost (written down for all 2)",
        ),
    ],
)
def test_money_says_for_how_many_it_is_known(hours, money, words):
    assert spent_words(pd.DataFrame({"labour_hours": hours, "outside_cost": money})) == words


def teardowns(*rows):
    frame = pd.DataFrame(rows, columns=["opened_on", "waiting_for", "waiting_from", "waiting_until"])
    dates = ["opened_on", "waiting_from", "waiting_until"]
    return frame.astype(dict.fromkeys(dates, "datetime64[us]") | {"waiting_for": "str"})


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([("2024-05-01", None, None, None)], "not known: waiting_for, waiting_from and waiting_until are empty."),
        (
            [("2024-05-01", None, None, None), ("2020-05-01", "P1", "2020-05-02", "2020-05-09")],
            "None of the 1 jobs of the last year is written down as having waited for a part.",
        ),
        (
            [("2024-05-01", "P1", None, None), ("2024-05-02", None, None, None)],
            "1 of the 2 jobs of the last year waited for a part; how long is not known: "
            "waiting_from or waiting_until is empty for all of them.",
        ),
        (
            [("2024-05-01", "P1", "2024-05-02", "2024-05-09"), ("2024-05-02", "P1", "2024-05-02", None)],
            "2 of the 2 jobs of the last year waited for a part: 7 days in all over 1 of them, "
            "waiting_from or waiting_until is empty for 1.",
        ),
    ],
)
def test_waiting_says_for_how_many_it_is_known(rows, words):
    assert held_words(teardowns(*rows), date(2024, 6, 30)).endswith(words)
