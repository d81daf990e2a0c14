"""What comes back: planted causes found, dated and not flagged twice; nothing planted, nothing flagged."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits.exposure import lay_out_exposure
from rebuildstats.fits.repeats import COLUMNS, find_repeats

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import sim_repeats as sim

sys.path.pop(0)

DAY = pd.Timestamp("2020-01-01")


class Square:
    """A known life: chance 1 - exp(-(age / 100,000)^2) for everything."""

    def get(self, family, component):
        return self

    def chance(self, age, covariates=None):
        return -np.expm1(-((np.asarray(age) / 1e5) ** 2))


def _lives(rows):
    """rows: unit, component, lower, upper, opened day, closed day, opened_by, part."""
    names = ["unit", "component", "lower_age", "upper_age", "a", "b", "opened_by", "part"]
    frame = pd.DataFrame(rows, columns=names)
    frame["family"], frame["position"], frame["entry_age"], frame["shows"] = "F", 1, 0.0, "in_service"
    frame["closed_by"] = [f"close{i}" for i in range(len(frame))]
    frame["site"], frame["duty"], frame["bench"], frame["first_life"] = "north", "city", "b1", frame["opened_by"].isna()
    frame["opened_on"], frame["closed_on"] = (
        DAY + pd.to_timedelta(frame["a"], "D"),
        DAY + pd.to_timedelta(frame["b"], "D"),
    )
    frame["end"] = np.where(frame["upper_age"].notna(), "cause", None)
    return frame


def test_expected_failures_are_the_cumulative_hazard_of_the_exposure():
    lives = _lives(
        [
            ("u", "c", 5e4, 5e4, 0, 500, None, None),
            ("u", "c", 2e4, np.nan, 500, 700, "j1", "P"),
            ("v", "c", 8_000.0, 8_000.0, 300, 400, "j2", "P"),
        ]
    )
    fitments = pd.DataFrame(
        {
            "unit": ["u", "u", "v"],
            "vehicle": ["x", "y", "z"],
            "fitted_on": DAY,
            "removed_on": [DAY + pd.Timedelta(days=250), pd.NaT, pd.NaT],
        }
    )
    fitments.loc[1, "fitted_on"] = DAY + pd.Timedelta(days=250)
    x = lay_out_exposure(lives, fitments, Square(), DAY + pd.Timedelta(days=800))
    assert x.end_hazard - x.entry_hazard == pytest.approx([0.25, 0.04, 0.0064], rel=2e-3)
    by_life = np.bincount(x.piece_life, x.piece_to - x.piece_from)
    assert by_life == pytest.approx([0.25, 0.04, 0.0064], rel=2e-2)
    # unit u ran half of its first life in x: hazard to 25,000
    in_x = x.piece_vehicle == x.vehicles.index("x")
    assert (x.piece_to - x.piece_from)[in_x].sum() == pytest.approx(0.0625, rel=2e-2)
    assert list(x.failed) == [True, False, True]
    # a comeback: within 12,000 and 365 days of a renewal; first lives can't come back
    assert list(x.early) == [False, False, True]
    assert [x.vehicles[v] for v in x.fail_vehicle] == ["y", "z"]


def test_distance_is_shared_among_vehicles_as_they_ran():
    lives = _lives([("u", "c", 5e4, np.nan, 0, 500, None, None)])
    fitments = pd.DataFrame(
        {
            "unit": "u",
            "vehicle": ["x", "y"],
            "fitted_on": [DAY, DAY + pd.Timedelta(days=250)],
            "removed_on": [DAY + pd.Timedelta(days=250), pd.NaT],
        }
    )
    usage = pd.DataFrame(
        {
            "vehicle": ["x", "x", "y", "y"],
            "read_on": [DAY, DAY + pd.Timedelta(days=500)] * 2,
            "distance": [0, 20_000.0, 0, 80_000.0],
        }
    )
    x = lay_out_exposure(lives, fitments, Square(), DAY + pd.Timedelta(days=500), usage=usage)
    in_x = x.piece_vehicle == x.vehicles.index("x")
    assert (x.piece_to - x.piece_from)[in_x].sum() == pytest.approx(0.1**2, rel=2e-2)


# Seeds of fleets whose planted causes are plain (tests/benchmarks/sim_repeats.py prints them): what must be found
# again.
PLANTED = {
    9: {("bench", "bench6"), ("site", "site2")},
    23: {("part", "F-c6-B"), ("site", "site0"), ("component", "c2")},
}


@pytest.mark.parametrize("seed", PLANTED)
def test_planted_causes_are_found_dated_and_not_flagged_twice(seed):
    fleet, table, marks = sim.run(seed)
    flags = table.loc[table["flagged"]]
    assert set(zip(flags["kind"], flags["name"], strict=True)) == PLANTED[seed]
    assert marks["dated_well"] >= marks["dated"] - 1
    assert (flags["ratio_lower"] > 1).all()
    assert (flags["q_value"] <= 0.1).all()
    for _, row in flags.iterrows():
        assert len(row["jobs"].split(", ")) >= 5
        assert set(row["jobs"].split(", ")) <= set(fleet.teardowns["job"])


def test_nothing_planted_few_alarms():
    # in the full run of 40 fleets one group was flagged
    flags = sum(int(sim.run(seed, planted=0)[1]["flagged"].sum()) for seed in range(2000, 2002))
    assert flags == 0


def test_early_life_is_named():
    _, table, _ = sim.run(7)  # a bench whose work fails early for a spell
    row = table.loc[table["flagged"]].iloc[0]
    assert (row["kind"], row["name"], row["looks_like"]) == ("bench", "bench7", "early_life")
    assert row["comebacks"] > 5 * row["comebacks_expected"]


@pytest.fixture(scope="module")
def fleet():
    return sim.simulate(2000, planted=0, units=60, vehicles=50)


def test_contract(fleet):
    table = find_repeats(fleet.lives, sim.QuickLives(fleet.lives), fleet.as_of, fitments=fleet.fitments).frame()
    assert list(table.columns[: len(COLUMNS)]) == list(COLUMNS)
    assert set(table["kind"]) == {"component", "part", "family", "vehicle", "site", "bench"}
    shown = fleet.lives.loc[fleet.lives["end"] == "cause"]
    totals = table.groupby("kind")[["observed", "expected"]].sum()
    assert totals.loc["family", "observed"] == totals.loc["component", "observed"] == len(shown)
    # sound and nothing found: what should have failed and what did agree over the fleet
    assert totals.loc["family", "expected"] == pytest.approx(len(shown), rel=0.05)
    assert ((table["ratio_lower"] <= table["ratio"]) | table["ratio"].isna()).all()
    component = table.loc[table["kind"] == "component"].iloc[0]
    assert component["name"] == component["component"]
    assert component["family"] in ("F", "G")


def test_benches_and_sites_can_be_left_out(fleet):
    fits = sim.QuickLives(fleet.lives)
    table = find_repeats(fleet.lives, fits, fleet.as_of, fitments=fleet.fitments, benches_shown=False).frame()
    assert not {"bench", "site"} & set(table["kind"])


def test_no_lives_no_rows(fleet):
    result = find_repeats(fleet.lives.iloc[:0], Square(), fleet.as_of)
    assert result.frame().empty
    assert list(result.frame().columns[: len(COLUMNS)]) == list(COLUMNS)


def test_without_any_failure_nothing_is_expected_to_have_failed_and_nothing_flagged(fleet):
    lives = fleet.lives.assign(upper_age=np.nan)
    table = find_repeats(lives, Square(), fleet.as_of, fitments=fleet.fitments).frame()
    assert not table["flagged"].any()
    assert (table["observed"] == 0).all()
