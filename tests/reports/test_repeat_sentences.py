"""What comes back, in words: counts, interval, date, where to look, teardowns behind it; no ranking of people."""

from __future__ import annotations

import pandas as pd

from rebuildstats.fits.repeats import COLUMNS
from rebuildstats.reports.repeat_sentences import LOOKS, repeat_sentence

ROW = {
    "kind": "part",
    "name": "HP-21",
    "family": "HP",
    "component": "seal",
    "observed": 11,
    "expected": 0.43,
    "comebacks": 0,
    "comebacks_expected": 0.01,
    "ratio": 25.4,
    "ratio_lower": 14.97,
    "ratio_upper": 40.7,
    "p_value": 1e-8,
    "q_value": 1e-6,
    "since": pd.Timestamp("2021-05-21"),
    "flagged": True,
    "until": pd.NaT,
    "by": "failures",
    "looks_like": "make",
    "jobs": ", ".join(f"J{i}" for i in range(8)),
}


def test_a_flag_says_what_how_much_since_when_and_where_to_look():
    assert set(COLUMNS) <= set(ROW)
    assert repeat_sentence(ROW) == (
        "Part HP-21 (seal of HP): 11 failures in service where 0.43 were to be expected (25 times, 90 % interval 15 to "
        "41), since about 2021-05-21. One make fails more than the others in the same place at the same age: hold it "
        "beside another make. Teardowns behind it: J0, J1, J2, J3, J4, J5 and 2 more."
    )


def test_comebacks_are_named_where_they_raised_the_flag_and_a_spell_has_its_end():
    row = ROW | {
        "kind": "bench",
        "name": "b2",
        "by": "comebacks",
        "comebacks": 7,
        "comebacks_expected": 0.2,
        "until": pd.Timestamp("2022-01-31"),
        "looks_like": "early_life",
        "jobs": "",
    }
    words = repeat_sentence(pd.Series(row))
    assert words.startswith("Work at bench b2 (seal of HP): 7 comebacks where 0.20 were to be expected, 11 failures")
    assert "until about 2022-01-31. It fails soon after fitting" in words
    assert "Teardowns" not in words


def test_what_is_not_flagged_is_left_in_peace():
    row = ROW | {"kind": "component", "name": "seal", "flagged": False, "expected": 9.6}
    words = "Component seal (HP): 11 failures where 9.6 were to be expected; nothing to chase."
    assert repeat_sentence(row) == words


def test_the_bench_sentence_is_about_work_not_people():
    assert "not at the person" in LOOKS["procedure"]


def test_what_only_teardowns_show_says_so_and_how_surely_it_is_dated():
    row = ROW | {
        "by": "teardowns",
        "observed": 0,
        "found": 12,
        "found_expected": 3.0,
        "since_lower": pd.Timestamp("2021-03-01"),
        "since_upper": pd.Timestamp("2021-07-01"),
    }
    words = repeat_sentence(row)
    assert "12 found bad at teardowns where 3.0 were to be expected (25 times, 90 % interval 15 to 41); it" in words
    assert "it does not show in service, since about 2021-05-21 (90 % sure between 2021-03-01 and 2021-07-01)" in words
