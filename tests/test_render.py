"""A result as text: the table for eyes, CSV and JSON that another program reads back exactly."""

from __future__ import annotations

import csv
import io
import json
import math
import random

import pandas as pd
import pytest

from rebuildstats.render import digits, for_people, percent, render


@pytest.fixture
def frame() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "component": ["ring, outer", 'seal "B"', "gear"],
            "b10": [140312.44321, math.nan, 0.1 + 0.2],
            "b10_lower": [110000.0, 52000.0, 0.25],
            "b10_upper": [190000.0, math.inf, 0.5],
            "events": pd.array([12, 0, None], dtype="Int64"),
            "chance_bad": [0.034, 0.0, 1.0],
            "since": pd.to_datetime(["2026-03-31", None, "2025-01-01"]),
            "flagged": [True, False, False],
            "reason": ["two teardowns are booked", None, "none"],
        }
    )


def test_csv_reads_back_to_the_last_digit(frame):
    rows = list(csv.DictReader(io.StringIO(render(frame, "csv"))))
    assert [row["component"] for row in rows] == list(frame["component"])
    assert float(rows[0]["b10"]) == 140312.44321
    assert float(rows[2]["b10"]) == 0.1 + 0.2
    assert rows[1]["b10"] == ""
    assert rows[1]["b10_upper"] == "inf"
    assert [row["events"] for row in rows] == ["12", "0", ""]
    assert [row["since"] for row in rows] == ["2026-03-31", "", "2025-01-01"]
    assert rows[0]["flagged"] == "true"


def test_json_is_strict_and_reads_back(frame):
    def no_constants(word):
        raise AssertionError(f"{word} is no JSON")

    rows = json.loads(render(frame, "json"), parse_constant=no_constants)
    assert rows[2]["b10"] == 0.1 + 0.2
    assert rows[1]["b10"] is None
    assert float(rows[1]["b10_upper"]) == math.inf
    assert rows[0]["flagged"] is True
    assert rows[0]["since"] == "2026-03-31"
    assert list(rows[0]) == list(frame.columns)


def test_an_empty_result_keeps_its_header(frame):
    empty = frame.iloc[:0]
    assert render(empty, "csv") == ",".join(frame.columns) + "\n"
    assert json.loads(render(empty, "json")) == []
    assert render(empty, "table") == "(no rows)\n"


def test_random_numbers_survive_csv_and_json():
    draw = random.Random(1)
    numbers = [draw.uniform(-1, 1) * 10 ** draw.randint(-300, 300) for _ in range(300)]
    frame = pd.DataFrame({"x": numbers})
    assert [float(row["x"]) for row in csv.DictReader(io.StringIO(render(frame, "csv")))] == numbers
    assert [row["x"] for row in json.loads(render(frame, "json"))] == numbers


def test_table_draws_an_estimate_together_with_its_interval(frame):
    text = render(frame, "table")
    assert "140,312 (110,000 to 190,000)" in text
    assert "(52,000 to inf)" in text
    assert "b10_lower" not in text
    assert "3.4 %" in text
    assert "    two teardowns are booked" in text.splitlines()


def test_chance_takes_the_interval_of_its_first_word():
    frame = pd.DataFrame({"chance_bad": [0.5], "chance_lower": [0.25], "chance_upper": [0.75]})
    assert "50 % (25 % to 75 %)" in render(frame, "table")


def test_chance_takes_the_interval_of_its_last_word():
    frame = pd.DataFrame({"chance_complete": [0.5], "complete_lower": [0.25], "complete_upper": [0.75]})
    assert "50 % (25 % to 75 %)" in render(frame, "table")


def test_table_fits_the_terminal_and_repeats_the_first_column(frame):
    text = render(frame, "table", width=60)
    assert max(len(line) for line in text.splitlines()) <= 60
    assert text.count("ring, outer") >= 2


def test_text_cannot_steer_a_terminal_or_tear_the_table():
    frame = pd.DataFrame({"part": ["a\x1b[31mb\nc", "ok"], "name": ["日本", "x"]})
    text = render(frame, "table")
    assert "\x1b" not in text
    assert len(text.splitlines()) == 4


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "0 %"),
        (-0.0, "0 %"),
        (1.0, "100 %"),
        (0.5, "50 %"),
        (0.034, "3.4 %"),
        (0.0004, "<0.1 %"),
        (0.9996, ">99.9 %"),
        (0.951, "95.1 %"),
    ],
)
def test_percent(share, words):
    assert percent(share) == words


@pytest.mark.parametrize(
    ("number", "words"),
    [(0, "0"), (140312.4, "140,312"), (12.345678, "12.35"), (0.0123456, "0.01235"), (3.0, "3"), (-2500.2, "-2,500")],
)
def test_digits(number, words):
    assert digits(number) == words


def test_only_chances_and_shares_become_percentages():
    assert for_people("share", 0.25) == "25 %"
    assert for_people("part_fill", 0.95) == "95.0 %"
    assert for_people("shareholders", 2.0) == "2"
    assert for_people("checked", 2.0) == "2"
    assert for_people("events", 12.0) == "12"


def test_unknown_form_is_refused(frame):
    with pytest.raises(ValueError, match="unknown form"):
        render(frame, "xml")  # type: ignore[arg-type]
