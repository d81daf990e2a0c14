"""A make that only fails unseen: found at teardowns, counted there and not among failures in service."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits.repeats import find_repeats
from rebuildstats.fits.teardown_makes import with_failures_placed
from tests.benchmarks import sim_repeats as sim


class Square:
    def get(self, family, component):
        return self

    def chance(self, age, covariates=None):
        return -np.expm1(-((np.asarray(age) / 1e5) ** 2))


def test_observed_and_expected_agree_where_failures_are_seen_at_looks_only():
    rng = np.random.default_rng(8)
    n = 3000
    age = 1e5 * np.sqrt(rng.exponential(size=n))
    good, look = rng.uniform(0, 8e4, n), rng.uniform(8e4, 2e5, n)
    failed = age < look
    found_first = age < good  # already at the first of the two looks
    lives = pd.DataFrame(
        {
            "family": "F",
            "component": "c",
            "duty": None,
            "first_life": True,
            "shows": "at_teardown",
            "lower_age": np.where(found_first, 0.0, np.where(failed, good, look)),
            "upper_age": np.where(found_first, good, np.where(failed, look, np.nan)),
        }
    )
    placed = with_failures_placed(lives, Square())
    expected = ((placed["lower_age"] / 1e5) ** 2).sum()
    assert failed.sum() == pytest.approx(expected, abs=3 * np.sqrt(failed.sum()))
    assert (placed["lower_age"] >= lives["lower_age"] - 1e-6).all()
    assert (placed["upper_age"].dropna() <= lives["upper_age"].dropna()).all()


def test_a_bad_make_found_at_teardowns_is_flagged_and_a_sound_one_is_not():
    plant = sim.Plant("part", "F-c9-B", "F", "c9", factor=6.0)
    fleet = sim.simulate(31, planted=[plant])
    fits = sim.QuickLives(fleet.lives)
    found = find_repeats(
        fleet.lives, fits, fleet.as_of, fitments=fleet.fitments, vehicles=fleet.vehicles, usage=fleet.usage
    )
    table = found.frame()
    flags = table[table["flagged"]]
    assert [tuple(r) for r in flags[["kind", "name", "by"]].to_numpy()] == [("part", "F-c9-B", "teardowns")]
    row = flags.iloc[0]
    assert row["observed"] == 0  # nothing of it ever failed in service
    assert row["found"] >= 8
    assert row["ratio_lower"] > 1.5
    assert len(row["jobs"].split(", ")) >= 5
    others = table[(table["kind"] == "part") & ~table["flagged"]]
    torn = others[others["name"].str.contains("c7|c8|c9|c10|c11")]
    # sound makes found as often as expected, over all of them
    assert torn["found"].sum() == pytest.approx(torn["found_expected"].sum(), rel=0.25)
