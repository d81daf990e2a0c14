"""Trends over many units: one unit gives the published values, unequal units without a trend seldom alarm."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rebuildstats.fits import fleet_trends, trends

# NIST/SEMATECH e-Handbook 8.2.3.4 and 8.4.5.2: failures of one system watched for 1500 hours
NIST = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]


def one_system(ages=NIST, entry=0.0, end=1500.0):
    events = pd.DataFrame({"unit": "a", "age": np.asarray(ages, dtype=float)})
    return fleet_trends.watched(events, pd.DataFrame({"unit": ["a"], "entry": [entry], "end": [end]}))


def test_one_system_is_nist():
    laplace, handbook = fleet_trends.fleet_laplace(one_system()), fleet_trends.fleet_military_handbook(one_system())
    assert laplace.statistic == pytest.approx(-1.3269492, abs=1e-6)
    assert (handbook.statistic, handbook.degrees) == (pytest.approx(37.22808, abs=1e-4), 20)
    assert handbook.p_better == pytest.approx(0.0109864, abs=1e-6)
    shape = fleet_trends.fleet_shape(one_system())
    assert shape.shape == pytest.approx(0.5372289, abs=1e-6)
    # the exact 90 % interval of NIST's apr452.r is [.2914685, .8437296]; likelihood-ratio limits lie near it
    assert (shape.lower, shape.upper) == (pytest.approx(0.2914685, abs=0.03), pytest.approx(0.8437296, abs=0.06))
    assert shape.fit_p > 0.1


def test_equal_systems_halved_are_one_system():
    # two units with the same failures: the statistics add up, so z grows by the root of 2 and the shape stays
    seen = one_system()
    twice = fleet_trends.Watched(*(np.tile(a, 2) for a in (seen.age, seen.entry, seen.end)))
    assert fleet_trends.fleet_laplace(twice).statistic == pytest.approx(-1.3269492 * np.sqrt(2), abs=1e-6)
    assert fleet_trends.fleet_shape(twice).shape == pytest.approx(trends.fit_power_law(NIST, 1500).shape, abs=1e-6)


def fleet(rng, shape, units=60):
    """Units of unequal rates, some watched late, with a power-law process each (or none: shape 1)."""
    rows, spells = [], []
    for unit in range(units):
        entry, end = (0.0 if rng.random() < 0.6 else rng.uniform(0.1, 0.5)), rng.uniform(0.6, 1.5)
        count = rng.poisson(rng.gamma(1.0, 2.0) * (end**shape - entry**shape))
        ages = (entry**shape + rng.uniform(size=count) * (end**shape - entry**shape)) ** (1 / shape)
        rows += [(str(unit), age) for age in ages]
        spells.append((str(unit), entry, end))
    events = pd.DataFrame(rows, columns=["unit", "age"])
    return fleet_trends.watched(events, pd.DataFrame(spells, columns=["unit", "entry", "end"]))


def test_unequal_units_without_a_trend_seldom_alarm_and_the_interval_covers():
    rng = np.random.default_rng(4)
    alarms, covered, tried = 0, 0, 150
    for _ in range(tried):
        seen = fleet(rng, 1.0)
        alarms += fleet_trends.fleet_laplace(seen).p_worse < 0.05
        shape = fleet_trends.fleet_shape(seen, simulations=1)
        covered += shape.lower <= 1 <= shape.upper
    # binomial: 5 % and 90 % of 150, three standard errors
    assert alarms <= 0.05 * tried + 3 * np.sqrt(tried * 0.05 * 0.95)
    assert abs(covered / tried - 0.9) <= 3 * np.sqrt(0.09 / tried)


def test_a_trend_is_found_with_late_entries():
    rng = np.random.default_rng(5)
    seen = fleet(rng, 2.5, units=150)
    shape = fleet_trends.fleet_shape(seen)
    assert shape.lower <= 2.5 <= shape.upper
    assert shape.lower > 1.5
    assert fleet_trends.fleet_laplace(seen).p_worse < 1e-4
    assert shape.fit_p > 0.02


def test_a_form_that_does_not_fit_is_told():
    # all failures in the middle third of the time watched: no power law does that
    rng = np.random.default_rng(6)
    seen = one_system(rng.uniform(500, 1000, 60))
    assert fleet_trends.fleet_shape(seen).fit_p < 0.01


def test_too_few():
    seen = one_system([5, 40])
    assert fleet_trends.fleet_laplace(seen) is None
    assert fleet_trends.fleet_shape(seen) is None
    assert fleet_trends.fleet_military_handbook(one_system(entry=3.0)) is None
    assert len(one_system([2000.0])) == 0  # after the watching ended
