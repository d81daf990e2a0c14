"""Words for what recurs: the counts and the interval stand in every one of them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits.drift import COLUMNS as DRIFT
from rebuildstats.fits.knock_on import COLUMNS as DAMAGE
from rebuildstats.fits.recurrence_table import recurrence_table
from rebuildstats.reports import recurring_sentences as words


def table(by=None, **more):
    rng = np.random.default_rng(2)
    rows = [
        (f"j{u}.{i}", f"u{u}", float(m))
        for u in range(30)
        for i, m in enumerate(np.sort(rng.uniform(0, 1, 8 if u < 10 else 2)) ** 0.4 * 2e5)
    ]
    teardowns = pd.DataFrame(rows, columns=["job", "unit", "mileage"]).assign(family="F", reason="failure")
    units = pd.DataFrame({"unit": [f"u{u}" for u in range(30)], "family": "F", "origin": "new", "mileage": 2e5})
    units["site"] = ["bad" if u < 10 else "good" for u in range(30)]
    outcomes = teardowns.assign(component="ring", verdict="fail", role="cause")
    costs = pd.Series(10.0, index=teardowns["job"])
    return recurrence_table(teardowns, units, outcomes, costs=costs, by=by, mileage=2e5, **more)


def test_a_family_that_gets_worse_and_a_site_apart():
    found = table("site")
    lines = words.recurrence_words(found.frame(), "km")
    assert lines[0].startswith("F: 120 failures of 30 units, 2 (1.709 to 2.327) per 100,000 km; 4 (")
    assert "gets worse with mileage" in lines[0]
    assert "in money (known for 120 of them)" in lines[0]
    apart = [line for line in lines if "site bad" in line]
    assert len(apart) == 2  # the family as a whole and its only component
    assert "6 (6 to 6) more failures a unit" in apart[0]
    row = found.frame().query("component == 'ring' and group == ''").iloc[0]
    # a power law of shape 1 / 0.4 was drawn
    assert row["shape_lower"] <= 2.5 <= row["shape_upper"]
    assert row["cost"] == pytest.approx(40)
    gap = found.gap(("F", "ring", "bad"), ("F", "ring", "good"))
    assert gap["difference"].iloc[-1] == pytest.approx(6)


def test_too_few_to_tell():
    found = table().frame().assign(laplace=np.nan, reason="2 failures: too few to say whether it gets worse")
    assert "too few to say" in words.recurrence_words(found, "km")[0]


def test_damage_and_drift():
    assert "role `consequence`" in words.damage_words(pd.DataFrame(columns=list(DAMAGE)))[0]
    row = dict(zip(DAMAGE, ("F", "bearing", "shaft", 10, 4, 0.4, 0.2, 0.6, 0.01, 4, 50.0, 200.0), strict=True))
    told = words.damage_words(pd.DataFrame([row]))[0]
    assert "bearing ruined shaft in 4 of 10 failures (40 %; 20 % to 60 %; 1.0 % of other teardowns)" in told
    assert "200 in parts" in told
    drift = dict(zip(DRIFT, ("north", "mm", "2025-01-01", -0.8, -1.1, -0.5, 90, 5, 4, 1e-4, 1e-3, True), strict=True))
    told = words.drift_words(pd.DataFrame([drift]), 90)[0]
    assert "at north stand 0.8 of their spread lower since about 2025-01-01 (-1.1 to -0.5; 90 readings, 4 of 5" in told
    assert "check the gauge" in told
    assert words.drift_words(pd.DataFrame([drift | {"flagged": False}]), 90)[0].startswith("No shift")
