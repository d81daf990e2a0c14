"""The same history gives the same life records, to the last digit and in the same order."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest

from rebuildstats.life_records.records import Records
from tests.demand.fleet_history import known_on
from tests.fleets.random_fleet import cut_day, random_fleet

#: What tells the rows of each frame apart; the frame stands in this order wherever nothing else is said.
KEYS = {
    "lives": ["family", "component", "position", "unit", "number"],
    "unit_lives": ["unit", "opened_by"],
    "teardowns": ["job"],
    "outcomes": ["job", "component", "position"],
    "inspections": ["job", "component", "position", "point"],
    "units": ["unit"],
    "positions": ["unit", "component", "position", "number"],
    "usage": ["vehicle", "read_on"],
}


@pytest.fixture(scope="module")
def tables() -> tuple[dict[str, pd.DataFrame], object]:
    fleet = random_fleet(11, units=30, years=4.0, families=2, components=7)
    day = cut_day(fleet)
    return fleet.tables(day), day


def frames(records: Records) -> dict[str, pd.DataFrame]:
    found = {field.name: getattr(records, field.name) for field in dataclasses.fields(records)}
    return {name: value for name, value in found.items() if isinstance(value, pd.DataFrame)}


def test_rows_are_told_apart_by_their_keys(tables) -> None:
    records = known_on(*tables)[1]
    for name, key in KEYS.items():
        assert not getattr(records, name).duplicated(key).any(), name


def test_built_again_and_from_shuffled_tables_nothing_differs(tables) -> None:
    given, day = tables
    first = frames(known_on(given, day)[1])
    shuffled = {name: frame.sample(frac=1.0, random_state=3) for name, frame in given.items()}
    for again in (known_on(given, day), known_on(given, day), known_on(shuffled, day)):
        for name, frame in frames(again[1]).items():
            pd.testing.assert_frame_equal(frame, first[name], check_exact=True, obj=name)
