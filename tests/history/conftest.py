"""A small shop to load into: a store, a folder, and a few good rows of every table that the rules need."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from rebuildstats.history import store
from rebuildstats.history.load import LoadReport, load_files

NOW = datetime(2025, 6, 30, 12, tzinfo=UTC)

GOOD = {
    "vehicles": "vehicle,site\nV1,north\nV2,south\n",
    "units": "unit,family,origin\nA1,axle,new\nA2,axle,used\n",
    "components": "family,component,positions\naxle,bearing,2\naxle,seal,\n",
    "points": "family,point,component\naxle,play,bearing\n",
    "parts": "part,name\n0071,bearing\n0072,seal\n",
    "teardowns": "job,unit,opened_on,unit_mileage\nJ1,A1,2024-01-10,50000\nJ2,A1,2024-06-10,90000\n",
}


class Shop:
    """One store and one folder of files for it."""

    def __init__(self, folder: Path, copied: Path | None = None) -> None:
        self.folder = folder / "sheets"
        self.folder.mkdir()
        self.path = folder / "history.duckdb"
        if copied is None:
            store.create(self.path, "mi")
        else:
            shutil.copyfile(copied, self.path)

    def write(self, **tables: str) -> list[Path]:
        files = []
        for name, text in tables.items():
            files.append(self.folder / f"{name}.csv")
            files[-1].write_bytes(text.encode())
        return files

    def load(self, now: datetime = NOW, **tables: str) -> LoadReport:
        """Load these tables (name = text of the file); the identity of the counts is asserted at every load."""
        return self.load_paths(self.write(**tables), now=now)

    def load_paths(self, paths: Sequence[Path], now: datetime = NOW, **more: Any) -> LoadReport:
        report = load_files(self.path, paths, now=now, **more)
        frame = report.frame()
        parts = frame[["new", "changed", "same", "rejected", "held", "blank"]].sum(axis=1)
        assert (frame["read"] == parts).all(), frame
        return report

    def rows(self, table: str, schema: str = "main") -> pd.DataFrame:
        with store.reading(self.path) as con:
            return con.execute(f'from {schema}."{table}" order by all').df()

    def keys(self, table: str, *columns: str) -> list[tuple[Any, ...]]:
        return list(self.rows(table)[list(columns)].itertuples(index=False, name=None))


@pytest.fixture
def empty_shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


@pytest.fixture(scope="session")
def stocked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the rows of GOOD, made once; tests work on copies (a store is one file)."""
    shop = Shop(tmp_path_factory.mktemp("stocked"))
    report = shop.load(**GOOD)
    assert report.complete, report.rejects
    return shop.path


@pytest.fixture
def shop(tmp_path: Path, stocked: Path) -> Shop:
    """A shop whose store holds the rows of GOOD."""
    return Shop(tmp_path, stocked)


def told(report: LoadReport) -> list[tuple[str, int, str, str]]:
    """The rejects as (table, line, column, reason)."""
    frame = report.rejects.fillna({"column": ""})
    return list(frame[["table", "line", "column", "reason"]].itertuples(index=False, name=None))


def count(report: LoadReport, table: str) -> dict[str, int]:
    """The counts of one table that are not zero."""
    row = report.frame().set_index("table").loc[table]
    return {name: int(value) for name, value in row.items() if value}
