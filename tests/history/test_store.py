"""The store's file: who may open it, what is said when it is not ours, and what stands in it."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import duckdb
import pytest

from rebuildstats.errors import StoreBusyError, StoreError, UsageError
from rebuildstats.history import drafts, store
from rebuildstats.history.contract import SQL_TYPES, TABLES
from tests.waiting import PATIENCE


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "history.duckdb"
    store.create(path, "km")
    return path


def test_the_tables_are_the_contracts(path: Path) -> None:
    with store.reading(path) as con:
        for table in TABLES:
            for schema in ("main", "past"):
                columns = con.execute(
                    "select column_name, data_type from information_schema.columns "
                    "where table_schema = ? and table_name = ? order by ordinal_position",
                    [schema, table.name],
                ).fetchall()
                own = [(name, kind) for name, kind in columns if not name.startswith("_")]
                assert own == [(c.name, SQL_TYPES[c.kind]) for c in table.columns], (schema, table.name)
                assert {"_load", "_since", "_notes"} <= {name for name, _ in columns}


def test_only_the_owner_may_open_it(path: Path) -> None:
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_a_store_is_never_overwritten(path: Path) -> None:
    before = path.read_bytes()
    with pytest.raises(StoreError, match="exists already"):
        store.create(path, "mi")
    assert path.read_bytes() == before


def test_what_a_store_cannot_be_made_of(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="mi, km, h"):
        store.create(tmp_path / "x.duckdb", "miles")
    with pytest.raises(UsageError, match="does not exist"):
        store.create(tmp_path / "nowhere" / "x.duckdb", "mi")
    assert list(tmp_path.iterdir()) == []


def _other_program(path: Path) -> None:
    con = duckdb.connect(str(path))
    con.execute("create table sales (x integer)").fetchall()
    con.close()


def _other_name(path: Path) -> None:
    store.create(path, "mi")
    con = duckdb.connect(str(path))
    con.execute("update schema_versions set program = 'another'").fetchall()
    con.close()


def _newer(path: Path) -> None:
    store.create(path, "mi")
    con = duckdb.connect(str(path))
    con.execute("insert into schema_versions values ('rebuildstats', 999, now()::TIMESTAMP, '9')").fetchall()
    con.close()


def _sqlite(path: Path) -> None:
    con = sqlite3.connect(path)
    con.execute("create table t (x)")
    con.commit()
    con.close()


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda p: None, "no store at"),
        (lambda p: p.mkdir(), "is a folder"),
        (lambda p: p.write_bytes(b""), "not a store"),
        (lambda p: p.write_text("unit,family\n"), "not a store"),
        (_sqlite, "not a store"),
        (_other_program, "another program"),
        (_other_name, "another program"),
        (_newer, "newer rebuildstats"),
    ],
)
def test_what_is_no_store_is_said_and_left_alone(tmp_path: Path, make: object, words: str) -> None:
    path = tmp_path / "history.duckdb"
    make(path)  # type: ignore[operator]
    before = path.read_bytes() if path.is_file() else None
    for opened in (store.reading, store.writing):
        with pytest.raises(StoreError, match=words), opened(path):
            raise AssertionError
    assert (path.read_bytes() if path.is_file() else None) == before


def test_a_transaction_that_fails_leaves_nothing(path: Path) -> None:
    def interrupted() -> None:
        with store.writing(path) as con:
            con.execute("insert into sites (site, _load, _since) values ('x', 1, 1)").fetchall()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    with store.reading(path) as con:
        assert con.execute("select count(*) from sites").fetchall() == [(0,)]


def test_the_data_version_changes_with_every_commit_and_by_nothing_else(path: Path) -> None:
    version = store.data_version(path)
    with store.reading(path) as con:
        con.execute("from sites").fetchall()
    assert store.data_version(path) == version
    with store.writing(path) as con:
        con.execute("insert into sites (site, _load, _since) values ('x', 1, 1)").fetchall()
    assert store.data_version(path) != version


def test_copying_the_one_file_moves_everything(path: Path, tmp_path: Path) -> None:
    store.change_settings(path, comeback_days=90, comeback_distance=20_000, benches_shown=False)
    moved = tmp_path / "elsewhere.db"
    os.rename(path, moved)
    with store.reading(moved) as con:
        assert store.settings(con) == store.Settings("km", 20_000.0, 90, False)
    assert [p.name for p in tmp_path.iterdir()] == [moved.name]


def test_settings_that_make_no_sense(path: Path) -> None:
    for change in ({"comeback_days": 0}, {"comeback_distance": -1.0}, {"comeback_distance": float("nan")}):
        with pytest.raises(UsageError):
            store.change_settings(path, **change)  # type: ignore[arg-type]
    with store.reading(path) as con:
        assert store.settings(con) == store.Settings("km")


_HOLD = """
import sys
from rebuildstats.history import store
with store.{opened}(sys.argv[1]) as con:
    print("open", flush=True)
    sys.stdin.readline()
"""


def _held_by_another(path: Path, opened: str) -> subprocess.Popen[str]:
    """A process that has the store open until its input ends."""
    command = [sys.executable, "-c", _HOLD.format(opened=opened), str(path)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "open\n"
    return process


@pytest.mark.parametrize("holder", ["reading", "writing"])
def test_a_writer_has_its_turn(path: Path, holder: str) -> None:
    """After another writer; readers are not waited for."""
    with _held_by_another(path, holder) as process:
        if holder == "writing":
            assert process.stdin is not None
            threading.Timer(0.3, process.stdin.close).start()  # by then it is waited for
        with store.writing(path) as con:
            con.execute("insert into sites (site, _load, _since) values ('x', 1, 1)").fetchall()
        if holder == "reading":
            assert process.poll() is None
            process.kill()
        process.wait()


def test_readers_do_not_wait_for_a_writer_and_see_what_is_confirmed(path: Path) -> None:
    def sites() -> list[tuple[object, ...]]:
        with store.reading(path, patience=0.0) as con:
            return con.execute("select site from sites order by all").fetchall()

    with store.reading(path) as longest:
        with store.writing(path) as con:
            con.execute("insert into sites (site, _load, _since) values ('x', 1, 1)").fetchall()
            assert sites() == []
        assert sites() == [("x",)]  # though a reader of this process still holds the file as it was
        assert longest.execute("from sites").fetchall() == []


def test_after_long_waiting_the_holder_is_named(path: Path) -> None:
    with _held_by_another(path, "writing") as process:
        with store.reading(path, patience=0.0):  # a reader doesn't wait for it
            pass
        start = time.monotonic()
        with pytest.raises(StoreBusyError, match=f"process {process.pid}"), store.writing(path, patience=0.3):
            pass
        assert time.monotonic() - start < store.WRITE_PATIENCE_SECONDS  # what it would be without being told
        process.kill()
        process.wait()
    with store.writing(path, patience=0.0):  # whose turn it was is dead
        pass
    assert [p.name for p in path.parent.iterdir()] == [path.name]


_IN_PLACE = """
import sys, duckdb
con = duckdb.connect(sys.argv[1])
con.execute("insert into sites (site, _load, _since) values ('theirs', 1, 1)").fetchall()
print("open", flush=True)
sys.stdin.readline()
"""


def test_another_program_that_writes_in_the_very_file_is_waited_for(path: Path) -> None:
    command = [sys.executable, "-c", _IN_PLACE, str(path)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdin is not None
    assert process.stdout is not None
    assert process.stdout.readline() == "open\n"
    for opened in (store.reading, store.writing):
        with pytest.raises(StoreBusyError, match=f"process {process.pid}"), opened(path, patience=0.2):
            raise AssertionError
    process.kill()  # it leaves its row in a journal
    process.wait()
    process.stdin.close()
    process.stdout.close()
    assert Path(f"{path}.wal").exists()
    with store.writing(path) as con:
        con.execute("insert into sites (site, _load, _since) values ('ours', 1, 1)").fetchall()
    assert [p.name for p in path.parent.iterdir()] == [path.name]
    with store.reading(path) as con:
        assert con.execute("select site from sites order by all").fetchall() == [("ours",), ("theirs",)]


def test_only_the_owner_sees_anything_while_it_is_written(path: Path) -> None:
    """The draft, its lock and what DuckDB puts beside it stand in a folder that nobody else may enter."""
    old = os.umask(0)
    try:
        with store.writing(path) as con:
            con.execute("insert into sites (site, _load, _since) values ('x', 1, 1)").fetchall()
            (folder,) = [p for p in path.parent.iterdir() if p != path]
            assert stat.S_IMODE(folder.stat().st_mode) == 0o700
            assert {p.name: stat.S_IMODE(p.stat().st_mode) for p in folder.iterdir()} == {
                "lock": 0o600,
                "draft.duckdb": 0o600,
            }
        store.create(path.with_name("other.duckdb"), "mi")
    finally:
        os.umask(old)
    for file in (path, path.with_name("other.duckdb")):
        assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_what_does_not_fit_into_memory_is_the_owners_too(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "started_here"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    monkeypatch.setattr(store, "_IDLE", [])
    monkeypatch.setattr(store, "_CONFIG", store._CONFIG | {"memory_limit": "60MB", "threads": 1})
    with store.reading(path) as con:
        con.execute(
            "create temp table big as select hash(i) || '-' || hash(-i) as text from range(2000000) t(i)"
        ).fetchall()
        spill = Path(con.execute("select current_setting('temp_directory')").fetchall()[0][0])
        assert list(spill.iterdir()), "nothing was too big: the test shows nothing"
        assert stat.S_IMODE(spill.parent.stat().st_mode) == 0o700
    assert list(elsewhere.iterdir()) == []
    assert not spill.exists()


def test_a_store_behind_a_link_stays_where_it_is(path: Path, tmp_path: Path) -> None:
    link = tmp_path / "links" / "shop.duckdb"
    link.parent.mkdir()
    link.symlink_to(path)
    store.change_settings(link, comeback_days=7)
    assert link.is_symlink()
    with store.reading(path) as con:
        assert store.settings(con).comeback_days == 7
    assert [p.name for p in link.parent.iterdir()] == [link.name]


def test_threads_of_one_process_wait_for_each_other(path: Path) -> None:
    def work(number: int) -> None:
        for i in range(5):
            with store.writing(path) as con:
                con.execute("insert into sites (site, _load, _since) values (?, 1, 1)", [f"{number}-{i}"]).fetchall()
            with store.reading(path) as con:
                con.execute("select count(*) from sites").fetchall()

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(work, range(4)))  # raises what a thread raised
    with store.reading(path) as con:
        assert con.execute("select count(*) from sites").fetchall() == [(20,)]


def test_turns_are_taken_one_by_one(tmp_path: Path) -> None:
    """Eight hundred turns so short that one is tidied up while the next looks at it."""
    inside, most = 0, 0

    def work(_: int) -> None:
        nonlocal inside, most
        for _turn in range(200):
            with drafts.turn(tmp_path / "store", PATIENCE):
                inside += 1
                most = max(most, inside)
                inside -= 1

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(work, range(4)))
    assert most == 1
    assert list(tmp_path.iterdir()) == []
    (tmp_path / ".store.writing").write_text("in the way")
    with pytest.raises(StoreError, match="remove it"), drafts.turn(tmp_path / "store", 1):
        raise AssertionError
