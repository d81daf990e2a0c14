"""Stores as earlier versions wrote them open, hold what they held, give the answers they gave, and go on.

`tests/history/earlier/` holds them as files of DuckDB 2.0.1, compressed: `schema_1` by the first version that could
load and correct, `schema_2_first` by the first that kept fits (names could not be joined yet), `schema_2` by the last
of that schema; `schema_3` is that one as the version after opened it. Each was made by that version's own code: the
sheets in `earlier/sheets` loaded, then a corrected row, a teardown from a form, one withdrawn, a load undone, the
comeback window changed. DuckDB promises that every later version reads files of an earlier one; a test here fails on
the day that is no longer so.
"""

from __future__ import annotations

import gzip
import shutil
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from rebuildstats import answers
from rebuildstats.errors import StoreError
from rebuildstats.history import store
from rebuildstats.history.contract import TABLES
from rebuildstats.history.corrections import store_teardown, undo_last_load, withdraw_teardown
from rebuildstats.history.joins import join_names
from rebuildstats.history.keep import backup, check, restore
from rebuildstats.history.load import load_files

EARLIER = Path(__file__).parent / "earlier"
STORES = sorted(path.name.removesuffix(".duckdb.gz") for path in EARLIER.glob("*.duckdb.gz"))
NOW = datetime(2025, 6, 30, 12, tzinfo=UTC)
Rows = dict[str, list[tuple[object, ...]]]
OLDEST = pytest.mark.parametrize("earlier", STORES[:1], indirect=True)  # it goes through every migration


def rows(con: duckdb.DuckDBPyConnection, database: str) -> Rows:
    """Every row of every table of a store, the book of its schema and the table that is new apart."""
    names = con.execute(
        "select schema_name, table_name from duckdb_tables() where database_name = ? and not internal order by all",
        [database],
    ).fetchall()
    return {
        f"{schema}.{name}": con.execute(
            f'select {kept(name)} from "{database}"."{schema}"."{name}" order by all'
        ).fetchall()
        for schema, name in names
        if name not in ("schema_versions", "joined_names", "fits")
    }


def kept(table: str) -> str:
    """The columns of a table that every schema has."""
    return "columns(lambda c: c <> 'complaint')" if table == "planned" else "*"


@pytest.fixture(params=STORES)
def earlier(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "history.duckdb"
    path.write_bytes(gzip.decompress((EARLIER / f"{request.param}.duckdb.gz").read_bytes()))
    return path


def as_it_stands(path: Path) -> Rows:
    """What the file holds, read without this program."""
    con = duckdb.connect()
    con.execute(f"attach '{path}' as before (read_only)")
    found = rows(con, "before")
    con.close()
    return found


def test_a_fixture_for_every_earlier_schema() -> None:
    versions = {int(name.split("_")[1]) for name in STORES}
    assert versions == set(range(1, store.SCHEMA_VERSION))


def test_it_holds_what_it_held(earlier: Path) -> None:
    before = as_it_stands(earlier)
    assert len(before["main.findings"]) == 7
    assert len(before["main.rejects"]) == 4
    assert before["past.stock"]
    assert before["past.teardowns"]
    with store.reading(earlier) as con:
        assert rows(con, "store") == before
        assert con.execute("select max(version) from schema_versions").fetchall() == [(store.SCHEMA_VERSION,)]
        assert store.settings(con) == store.Settings("km", comeback_days=200)
    assert check(earlier).faults.empty
    assert list(earlier.parent.iterdir()) == [earlier]


def test_its_tables_are_those_of_a_new_store(earlier: Path) -> None:
    new = earlier.with_name("new.duckdb")
    store.create(new, "km")
    columns = []
    for path in (earlier, new):
        with store.reading(path) as con:
            columns.append(
                con.execute(
                    "select schema_name, table_name, column_name, data_type, is_nullable from duckdb_columns() "
                    "where database_name = 'store' and not internal order by all"
                ).fetchall()
            )
    assert columns[0] == columns[1]


@pytest.fixture(scope="module")
def todays(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, answers.Known]:
    """The same sheets loaded and corrected by today's program."""
    new = tmp_path_factory.mktemp("today") / "new.duckdb"
    store.create(new, "km")
    load_files(new, [EARLIER / "sheets"], now=NOW)
    finding = {"job": "F1", "component": "seal", "verdict": "fail", "action": "replace", "role": "wear"}
    teardown = {"job": "F1", "unit": "A3", "opened_on": "2024-05-05", "unit_mileage": 70000}
    assert store_teardown(new, teardown, [finding], now=NOW).load
    return new, answers.known(new)


def test_the_answers_are_the_same(earlier: Path, todays: tuple[Path, answers.Known]) -> None:
    """The lives, the loads and the rejects are those of today's program."""
    new, today = todays
    then = answers.known(earlier)
    assert len(then.records.lives) > 3
    pd.testing.assert_frame_equal(then.records.lives, today.records.lives)
    pd.testing.assert_frame_equal(then.records.unit_lives, today.records.unit_lives)
    pd.testing.assert_frame_equal(then.history.teardowns, today.history.teardowns)
    reasons = 'select "table", line, "column", value, reason from rejects where settled_by is null order by all'
    found = []
    for path in (earlier, new):
        with store.reading(path) as con:
            found.append(con.execute(reasons).fetchall())
            if path == earlier:
                loads = con.execute("select kind from loads order by load").fetchall()
    assert found[0] == found[1]
    assert [kind for (kind,) in loads] == ["load", "load", "form", "form", "withdraw", "load", "undo"]


@pytest.mark.parametrize("earlier", [STORES[0], STORES[-1]], indirect=True)
def test_it_goes_on(earlier: Path, tmp_path: Path) -> None:
    """Loads, joins, withdrawals and undoing on it, with the rows of its past."""
    before = as_it_stands(earlier)
    assert load_files(earlier, [EARLIER / "sheets" / "vehicles.csv"], now=NOW).frame()["same"].tolist() == [2]
    sheet = tmp_path / "teardowns.csv"
    sheet.write_text("job,unit,opened_on\nJ5,A3,2023-01-01\n")  # a row that was rejected, corrected
    assert load_files(earlier, [sheet], now=NOW).complete
    withdraw_teardown(earlier, "F1", now=NOW)
    join_names(earlier, "unit", "A3", "A2", now=NOW)
    assert check(earlier).faults.empty
    for _ in range(3):
        undo_last_load(earlier, now=NOW)
    with store.reading(earlier) as con:
        after = rows(con, "store")
    for table in TABLES:
        own = [tuple(row[: len(table.columns)]) for row in after[f"main.{table.name}"]]
        assert own == [tuple(row[: len(table.columns)]) for row in before[f"main.{table.name}"]], table.name


@OLDEST
def test_a_backup_of_then_is_restored_and_left_as_it_is(earlier: Path, tmp_path: Path) -> None:
    backed = tmp_path / "then.duckdb"
    shutil.copyfile(earlier, backed)
    content = backed.read_bytes()
    before = as_it_stands(earlier)
    withdraw_teardown(earlier, "J1", now=NOW)
    restored = restore(earlier, backed, now=NOW)
    assert backed.read_bytes() == content
    assert as_it_stands(earlier) == before
    assert restored.before is not None
    backup(restored.before, tmp_path / "again.duckdb")


@OLDEST
def test_a_migration_that_fails_leaves_the_store_as_it_was(earlier: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    content = earlier.read_bytes()

    def full(*_: object) -> None:
        raise duckdb.IOException("no space left")

    monkeypatch.setattr(store, "_migrate", full)
    with pytest.raises(StoreError, match="nothing of it was kept"), store.reading(earlier):
        raise AssertionError
    assert earlier.read_bytes() == content
