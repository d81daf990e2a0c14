"""What was counted in a flagged group, in words a service manager can check against the sheets."""

import pandas as pd

from rebuildstats.figures.repeats import counted, fitted_in_spell, times

BENCH = pd.Series(
    {
        "kind": "bench",
        "name": "two",
        "family": "GX",
        "component": "ring",
        "observed": 3,
        "expected": 0.01,
        "ratio": 300.0,
        "by": "failures",
        "since": pd.Timestamp("2024-02-01"),
        "until": pd.Timestamp("2024-06-01"),
    }
)
LIVES = pd.DataFrame(
    {
        "bench": ["two", "two", "two", "two", "one", None],
        "part": ["R"] * 6,
        "opened_by": ["J1", "J2", "J3", "J4", "J5", None],
        "opened_on": pd.to_datetime(
            ["2024-01-31", "2024-02-01", "2024-05-31", "2024-06-01", "2024-03-01", "2024-03-01"]
        ),
    }
)


def test_pieces_fitted_in_the_spell_are_those_of_the_group_from_its_first_day_to_the_day_before_its_end():
    assert fitted_in_spell(BENCH, LIVES) == 2
    assert fitted_in_spell(pd.Series({**BENCH, "until": pd.NaT}), LIVES) == 3
    assert fitted_in_spell(pd.Series({**BENCH, "kind": "vehicle"}), LIVES) is None


def test_counts_come_first_and_a_ratio_past_belief_is_capped():
    said = counted(BENCH, 12)
    assert said == (
        "3 of the 12 fitted from Feb 2024 to Jun 2024 failed in service; "
        "elsewhere hardly one (0.01) would have by that age"
    )
    assert times(BENCH) == ">20×"
    assert times(pd.Series({"ratio": 6.83})) == "6.8×"
    assert times(pd.Series({"ratio": 17.9})) == "18×"


def test_finds_at_teardowns_are_not_called_failures():
    row = pd.Series({**BENCH, "kind": "part", "by": "teardowns", "found": 7, "found_expected": 1.24, "until": pd.NaT})
    assert counted(row) == (
        "7 found bad once the unit was open since Feb 2024; at the same ages and use 1.2 would have been usual"
    )
