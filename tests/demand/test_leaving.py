"""Vehicles that leave service: those to come, from those that left and those that are announced."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from rebuildstats.demand.fleet import STAYING, Leaving, vehicles_leaving
from rebuildstats.demand.teardowns import calendar
from rebuildstats.fits.exchange import alone
from rebuildstats.history.known import History
from tests.demand.test_forecast import known

AS_OF = pd.Timestamp(known()[0].as_of)


def history(left: list[float | None]) -> History:
    """Vehicles in service for ten years that leave so many days after today (before: negative; None: nobody knows)."""
    days = [pd.NaT if d is None else AS_OF + pd.Timedelta(days=d) for d in left]
    vehicles = pd.DataFrame(
        {
            "vehicle": [f"V{i}" for i in range(len(left))],
            "in_service_on": AS_OF - pd.Timedelta(days=3652),
            "out_of_service_on": pd.Series(days, dtype="datetime64[us]"),
        }
    )
    return dataclasses.replace(known()[0], vehicles=vehicles)


def test_the_rate_is_what_left_over_what_was_watched() -> None:
    # by hand: 8 vehicles watched for three years, one that left half-way through them, one before them
    found = alone(vehicles_leaving(history([None] * 7 + [90.0, -3 * 365.25 / 2, -2000.0]), None))
    assert found.per_day == pytest.approx(1.0 / (8.5 * 3 * 365.25))
    # one announced 90 days ahead: half of the span they are announced in, as for the end of an even distribution
    assert found.known_to == pytest.approx(180.0)


def test_nothing_known_of_vehicles_is_nothing_leaving() -> None:
    assert alone(vehicles_leaving(history([]), None)) == Leaving(0.0, 0.0)
    assert alone(vehicles_leaving(history([-10.0, None]), frozenset())).per_day == 0.0


def test_a_fleet_runs_less_the_further_ahead_and_not_less_where_leavers_are_known() -> None:
    season = np.ones(12)
    stays, goes = calendar(AS_OF, 12, season), calendar(AS_OF, 12, season, Leaving(0.2 / 365.25, 100.0))
    share = np.diff(goes.run) / np.diff(stays.run)
    assert share[0] == 1.0
    assert (np.diff(share) <= 0.0).all()
    middle = (goes.edges[-1] + goes.edges[-2]) / 2.0
    assert share[-1] == pytest.approx(np.exp(-0.2 / 365.25 * (middle - 100.0)))
    assert (goes.edges == stays.edges).all()
    assert STAYING.still(np.zeros(1), np.full(1, 700.0))[0] == 1.0
