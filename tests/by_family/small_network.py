"""A store of three families on vehicles that they share, small enough to be fitted in seconds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files
from tests.fleets.random_fleet import cut_day, random_fleet


def small_network(folder: Path) -> Path:
    """Sixteen units; the third family was never opened; one slip and one vehicle belong to no family; both others use
    one part."""
    fleet = random_fleet(11, units=16, years=2.5, families=2, components=7)
    sheets = folder / "sheets"
    sheets.mkdir()
    fleet.write(sheets, cut_day(fleet))
    _add(sheets / "components.csv", family="Z unopened", component="shaft")
    _add(sheets / "vehicles.csv", vehicle="spare truck")
    part = pd.read_csv(sheets / "parts.csv", dtype=str)["part"].iloc[0]
    uses = pd.read_csv(sheets / "part_uses.csv", dtype=str)
    plain = uses[uses["choice"].isna()].groupby("family")["part"].first()
    uses["part"] = uses["part"].replace(plain["F2"], plain["F1"])
    uses.to_csv(sheets / "part_uses.csv", index=False)
    day = pd.read_csv(sheets / "odometers.csv", dtype=str)["read_on"].max()
    _add(sheets / "issued_parts.csv", issued_on=day, part=part, quantity="2")
    for read_on, odometer in (("2020-01-05", "100"), (day, "5000")):
        _add(sheets / "odometers.csv", vehicle="spare truck", read_on=read_on, odometer=odometer)
    path = folder / "network.duckdb"
    stores.create(path, "mi")
    assert load_files(path, [sheets]).complete
    return path


def _add(file: Path, **cells: str) -> None:
    """A row more in a file of rows, blank where nothing is given."""
    rows = pd.read_csv(file, dtype=str)
    pd.concat([rows, pd.DataFrame([cells])], ignore_index=True)[rows.columns].to_csv(file, index=False)


def furthest(one: pd.DataFrame, other: pd.DataFrame) -> float:
    """The largest relative difference between two frames' numbers; all else must be the same."""
    numbers = one.select_dtypes("number").columns
    pd.testing.assert_frame_equal(one.drop(columns=numbers), other.drop(columns=numbers))
    a, b = one[numbers].to_numpy(float).ravel(), other[numbers].to_numpy(float).ravel()
    assert (np.isfinite(a) == np.isfinite(b)).all()
    known = np.isfinite(a)
    np.testing.assert_array_equal(a[~known], b[~known])
    a, b = a[known], b[known]
    return float((abs(a - b) / abs(a).clip(min=1e-9)).max(initial=0.0))
