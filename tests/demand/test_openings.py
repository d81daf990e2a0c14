"""Teardowns to come without parts: from units' lives where they are known, else as often as the family was opened."""

from __future__ import annotations

import pandas as pd
import pytest

import rebuildstats
from rebuildstats import desks
from rebuildstats.answers import fits, known
from rebuildstats.demand.openings import COLUMNS
from tests.fleets.random_fleet import cut_day, random_fleet


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    place = tmp_path_factory.mktemp("openings")
    fleet = random_fleet(13, units=40, years=3, families=2, components=7)
    fleet.write(place / "tables", cut_day(fleet))
    store = place / "h.duckdb"
    rebuildstats.init(store, distance="km")
    rebuildstats.load(store, [place / "tables"])
    return store


def test_without_parts_the_looks_and_fails_to_come_are_still_said(shop):
    now = known(shop)
    fitted = fits(shop, now)
    alone = desks.openings_ahead(now, fitted.units, None)
    whole = desks.openings_ahead(now, fitted.units, desks.forecast_of(now, fitted.life, fitted.units))
    assert list(alone.columns) == list(whole.columns) == COLUMNS
    assert set(alone["family"]) == set(whole["family"])
    assert alone["expected"].between(0, 1).all()
    assert (whole["distance"] > 0).mean() > 0.8
    rows = desks.inspections_of(now, fitted.points, alone).frame()
    assert rows["expected_failed"].notna().all()
    assert (rows["expected_failed"] <= rows["expected_checked"] + 1e-9).all()
    assert rows["expected_checked"].sum() > 0
    # an order of size of what the last year held
    opened = now.records.teardowns["opened_on"]
    last_year = (opened > pd.Timestamp(now.as_of) - pd.Timedelta(days=365)).sum()
    assert 0.2 * last_year < alone["expected"].sum() < 3 * last_year


def test_the_command_says_so_too_where_no_part_is_known(tmp_path):
    sheets = {
        "units": "unit,family,origin,first_seen_mileage\nU1,F,new,0\nU2,F,new,0\n",
        "components": "family,component\nF,ring\n",
        "teardowns": "job,unit,opened_on,unit_mileage\nJ1,U1,2024-01-01,50000\nJ2,U2,2025-01-01,60000\n",
        "findings": "job,component,verdict\nJ1,ring,fail\nJ2,ring,ok\n",
    }
    for name, text in sheets.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    store = tmp_path / "h.duckdb"
    rebuildstats.init(store, distance="km")
    rebuildstats.load(store, [tmp_path / f"{name}.csv" for name in sheets])
    row = rebuildstats.inspections(store).frame().iloc[0]
    assert row["expected_checked"] > 0
    assert 0 < row["expected_failed"] < row["expected_checked"]
