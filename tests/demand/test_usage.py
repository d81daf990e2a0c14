"""Mileage per day: recency, retirement of old habits, season, and what is not known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.demand.usage import days_of, usage_rates

TODAY = pd.Timestamp("2025-12-31")


def line(per_day: dict[str, np.ndarray], start: str = "2022-01-01") -> pd.DataFrame:
    """Monthly readings of vehicles from distance per day by day."""
    frames = []
    for vehicle, daily in per_day.items():
        days = pd.date_range(start, periods=len(daily) + 1, freq="D")
        distance = np.concatenate([[0.0], np.cumsum(daily)])
        frames.append(pd.DataFrame({"vehicle": vehicle, "read_on": days, "distance": distance}).iloc[::30])
    return pd.concat(frames, ignore_index=True).astype({"vehicle": "str"})


def test_steady_vehicles_keep_their_rate() -> None:
    usage = usage_rates(line({f"v{i}": np.full(1400, 100.0 + 10 * i) for i in range(8)}), TODAY)
    assert usage.per_day["v0"] == pytest.approx(100.0, rel=0.01)
    assert usage.per_day["v7"] == pytest.approx(170.0, rel=0.01)
    assert usage.own_sd < 0.05
    assert usage.season == pytest.approx(np.ones(12), abs=0.02)


def test_recent_readings_weigh_more_where_the_past_says_so() -> None:
    # rates wander from quarter to quarter: what was run long ago foretells little
    rng = np.random.default_rng(1)
    wander = {f"v{i}": np.repeat(100.0 * np.exp(np.cumsum(rng.normal(0, 0.25, 16))), 91)[:1400] for i in range(30)}
    usage = usage_rates(line(wander), TODAY)
    assert usage.half_life <= 12.0
    assert usage.own_sd > 0.15
    gap = [abs(np.log(usage.per_day[v] / d[-90:].mean())) for v, d in wander.items()]
    old = [abs(np.log(d.mean() / d[-90:].mean())) for d in wander.values()]
    assert np.median(gap) < np.median(old)


def test_a_season_is_found() -> None:
    day = np.arange(1460)
    summer = 1.0 + 0.4 * np.cos(2 * np.pi * (day - 196) / 365.25)
    usage = usage_rates(line({f"v{i}": (80.0 + i) * summer for i in range(10)}), TODAY)
    assert usage.season[6] == pytest.approx(1.4, abs=0.1)
    assert usage.season[0] == pytest.approx(0.6, abs=0.1)
    assert usage.season.mean() == pytest.approx(1.0)


def test_a_vehicle_read_once_and_an_empty_line() -> None:
    frame = line({"v0": np.full(900, 50.0), "v1": np.full(900, 60.0)})
    once = pd.DataFrame({"vehicle": ["new"], "read_on": [pd.Timestamp("2025-06-01")], "distance": [0.0]})
    usage = usage_rates(pd.concat([frame, once.astype({"vehicle": "str"})], ignore_index=True), TODAY)
    assert "new" not in usage.per_day
    assert usage.fleet_per_day == pytest.approx(55.0, rel=0.05)
    empty = usage_rates(frame.iloc[:0], TODAY, fallback=42.0)
    assert empty.fleet_per_day == 42.0
    assert empty.own_sd > 0.2  # nothing read: hardly known


def test_days_of_dates() -> None:
    days = days_of(pd.Series(pd.to_datetime(["1970-01-02", None])))
    assert days[0] == 1.0
    assert np.isnan(days[1])
