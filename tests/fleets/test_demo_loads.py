"""The demo through the real load: all goes in, twice changes nothing, and the mapping example is read as meant."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from data_demo import scenario, scenario_mapping
from rebuildstats.history import store as stores
from rebuildstats.history.contract import TABLES
from rebuildstats.history.load import load_files

DEMO = Path(scenario.__file__).parent


def test_the_demo_goes_in_whole_and_a_second_time_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "demo.duckdb"
    stores.create(path, "km")
    first = load_files(path, [DEMO]).counts.set_index("table")
    assert set(first.index) == {t.name for t in TABLES}
    assert (first["new"] == first["read"]).all()
    assert first["read"].sum() > 30_000
    again = load_files(path, [DEMO]).counts.set_index("table")
    assert (again["same"] == again["read"]).all()


def test_the_mapping_example_is_read_as_it_is_meant(tmp_path: Path) -> None:
    folder = DEMO / "mapping_example"
    path = tmp_path / "winches.duckdb"
    stores.create(path, "km")
    counts = load_files(path, [folder], mapping=folder / "mapping.toml").counts.set_index("table")
    assert counts[["changed", "rejected", "held"]].sum().sum() == 0
    assert (counts["read"] == counts[["new", "same", "blank"]].sum(axis=1)).all()
    meant = scenario_mapping.example_tables()
    with stores.reading(path) as con:
        jobs = con.execute("from teardowns order by job").df()
        findings = con.execute("from findings order by job, component, point, position").df()
    expected = meant["teardowns"].sort_values("job").reset_index(drop=True)
    assert jobs["job"].to_list() == expected["job"].to_list()
    for column in ("unit", "reason", "scope", "complaint", "bench"):
        assert jobs[column].isna().equals(expected[column].isna()), column
        assert jobs[column].dropna().to_list() == expected[column].dropna().to_list(), column
    assert (pd.to_datetime(jobs["opened_on"]) == expected["opened_on"]).all()
    # the sheet's clock is in whole miles, so half a mile may be lost
    assert jobs["unit_mileage"].to_numpy() == pytest.approx(expected["unit_mileage"].to_numpy(), abs=0.81)
    key = ["job", "component", "point", "position"]
    wanted = meant["findings"].assign(point=meant["findings"]["point"].fillna("")).sort_values(key, ignore_index=True)
    found = findings.assign(point=findings["point"].fillna("")).sort_values(key, ignore_index=True)
    assert found[key].astype(object).equals(wanted[key].astype(object))
    assert found["reading"].to_numpy() == pytest.approx(wanted["reading"].to_numpy(), nan_ok=True)
    for column in ("verdict", "action", "role", "part", "condition"):
        assert found[column].dropna().to_list() == wanted[column].dropna().to_list(), column
