"""A gauge that drifts is told apart from wear."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rebuildstats.fits.drift import gauge_drift, residuals
from rebuildstats.fits.points import fit_points
from tests.fits.small_frames import history_table, inspections

POINTS = history_table(
    "points",
    [{"family": "F", "point": f"p{k}", "component": "c", "reading_unit": "mm", "high_limit": 9.0} for k in range(4)],
)
COMPONENTS = history_table("components", [{"family": "F", "component": "c"}])
SINCE = pd.Timestamp("2024-01-01")


def _shop(seed, *, drift=0.0, one_point=0.0):
    rng = np.random.default_rng(seed)
    n = 240
    day = pd.Timestamp("2022-01-01") + pd.to_timedelta(np.sort(rng.integers(0, 1400, n)), unit="D")
    site, point = rng.choice(["north", "south"], n), rng.integers(0, 4, n)
    age = rng.uniform(1e4, 1.5e5, n)
    reading = 2 + 2 * age / 1e5 + 0.3 * rng.standard_normal(n)
    reading += drift * ((day >= SINCE) & (site == "north")) + one_point * ((day >= SINCE) & (point == 0))
    rows = pd.DataFrame(
        {
            "job": np.arange(n).astype(str),
            "unit": np.arange(n).astype(str),
            "family": "F",
            "component": "c",
            "point": [f"p{k}" for k in point],
            "age": age,
            "reading": reading,
            "opened_on": day,
            "site": site,
        }
    )
    rows = inspections(rows)
    return gauge_drift(residuals(rows, POINTS, fit_points(rows, POINTS, COMPONENTS)))


def test_a_gauge_that_reads_high_is_found_at_its_site_and_dated():
    row = _shop(1, drift=0.6).iloc[0]
    assert row["flagged"]
    assert row["site"] == "north"
    assert abs((row["since"] - SINCE).days) <= 60
    assert row["shift_lower"] < row["shift"] < row["shift_upper"]
    assert row["shift"] > 0


def test_wear_of_one_point_is_no_drift():
    table = _shop(2, one_point=0.9)
    assert not table["flagged"].any()


def test_sound_gauges_are_left_in_peace():
    flags = sum(_shop(seed)["flagged"].sum() for seed in range(10, 30))
    assert flags <= 2


def test_too_few_readings_say_nothing():
    rows = pd.DataFrame(
        {
            "family": "F",
            "point": "p0",
            "reading_unit": "mm",
            "site": "a",
            "unit": "u",
            "opened_on": pd.date_range("2024-01-01", periods=6),
            "residual": 0.1,
        }
    )
    assert gauge_drift(rows).empty
