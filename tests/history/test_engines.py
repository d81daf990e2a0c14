"""Engines in memory serve one after the other: nobody finds what another left, whatever happened to that one."""

from __future__ import annotations

import os
import random
import re
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import Any

import duckdb
import pandas as pd
import pytest

import rebuildstats
from rebuildstats.errors import StoreError
from rebuildstats.history import drafts, store
from tests.waiting import PATIENCE


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "history.duckdb"
    store.create(path, "km")
    return path


@pytest.fixture(autouse=True)
def no_engines(monkeypatch: pytest.MonkeyPatch) -> list[duckdb.DuckDBPyConnection]:
    """Every test begins without an engine that is idle."""
    idle: list[duckdb.DuckDBPyConnection] = []
    monkeypatch.setattr(store, "_IDLE", idle)
    return idle


def put(path: Path, site: str) -> None:
    with store.writing(path) as con:
        con.execute("insert into sites (site, _load, _since) values (?, 1, 1)", [site]).fetchall()


def sites(path: Path) -> list[str]:
    with store.reading(path) as con:
        return [site for (site,) in con.execute("select site from sites order by site").fetchall()]


def test_an_engine_serves_again(path: Path, no_engines: list[duckdb.DuckDBPyConnection]) -> None:
    put(path, "a")
    (engine,) = no_engines
    assert sites(path) == ["a"]
    assert no_engines == [engine]


@pytest.mark.parametrize(
    "setting",
    ["set threads = 1", "set memory_limit = '60MB'", "set timezone = 'UTC'", "set default_null_order = 'first'"],
)
def test_nobody_changes_a_setting_that_the_next_would_inherit(setting: str) -> None:
    with store.memory() as con, pytest.raises(duckdb.InvalidInputException, match="locked"):
        con.execute(setting).fetchall()


def test_what_is_temporary_ends_with_its_connection(
    path: Path, tmp_path: Path, no_engines: list[duckdb.DuckDBPyConnection]
) -> None:
    with store.reading(path) as con:
        con.execute("create temp table t as select 1 as x").fetchall()
        con.execute("create temp macro twice(x) as 2 * x").fetchall()
        con.execute("set variable v = 1").fetchall()
        con.register("frame", pd.DataFrame({"a": [1]}))
    assert len(no_engines) == 1
    with store.memory() as con:
        assert con.execute("select getvariable('v'), current_schema(), current_database()").fetchall() == [
            (None, "main", "memory")
        ]
        for gone in ("from t", "select twice(1)", "from frame", "from units"):
            with pytest.raises(duckdb.CatalogException):
                con.execute(gone).fetchall()


@pytest.mark.parametrize(
    "left",
    [
        "create table {m}t (x int)",
        "create view {m}v as select 1 as x",
        "create schema {m}s",
        "create sequence {m}q",
        "create type {m}y as enum ('a')",
        "attach ':memory:' as other",
    ],
)
def test_an_engine_in_which_something_is_left_serves_no_more(
    path: Path, left: str, no_engines: list[duckdb.DuckDBPyConnection]
) -> None:
    with store.reading(path) as con:
        con.execute(left.format(m="memory." if "schema" in left else "memory.main.")).fetchall()
    assert no_engines == []
    assert sites(path) == []


def test_no_statement_of_ours_leaves_a_macro_behind() -> None:
    """Macros are the one thing that is not looked for when an engine comes back."""
    lasting = re.compile(r"create\s+(or\s+replace\s+)?(macro|function)", re.IGNORECASE)
    files = sorted(Path(rebuildstats.__file__).parent.rglob("*.sql"))
    assert len(files) > 100
    assert [str(f) for f in files if "migrations" not in f.parts and lasting.search(f.read_text("utf-8"))] == []


class _Error(Exception):
    pass


def nested(path: Path, deepest: int) -> None:
    """A connection in a connection in a connection, with a fault at one of the depths."""

    def fault(depth: int) -> None:
        if depth == deepest:
            raise _Error

    def name_in(con: duckdb.DuckDBPyConnection) -> None:
        con.execute("create temp table mine as select 1 as x").fetchall()  # fails where another's is seen

    with store.memory() as one:
        name_in(one)
        with store.reading(path) as two:
            name_in(two)
            with store.writing(path) as three:
                name_in(three)
                three.execute("insert into sites (site, _load, _since) values ('x', 1, 1)").fetchall()
                assert sites(path) == ["before"]
                fault(0)
            assert two.execute("select count(*) from sites").fetchall() == [(1,)]
            fault(1)
        fault(2)
    fault(3)


@pytest.mark.parametrize("deepest", [0, 1, 2, 3])
def test_nested_connections_are_strangers_whatever_goes_wrong(
    path: Path, deepest: int, no_engines: list[duckdb.DuckDBPyConnection]
) -> None:
    put(path, "before")
    with pytest.raises(_Error):
        nested(path, deepest)
    assert sites(path) == (["before"] if deepest == 0 else ["before", "x"])
    assert 1 <= len(no_engines) <= 4
    assert all(store._left_clean(engine) for engine in no_engines)
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def put_and_stumble(path: Path, wrong: str) -> None:
    with store.writing(path) as con:
        con.execute("insert into sites (site, _load, _since) values ('x', 1, 1)").fetchall()
        with suppress(duckdb.Error):
            con.execute(wrong).fetchall()


@pytest.mark.parametrize("wrong", ["selec 1", "from nowhere_at_all", "select error('x')"])
def test_a_write_that_an_error_undid_is_never_told_as_kept(path: Path, wrong: str) -> None:
    with pytest.raises(StoreError, match="nothing of it was kept"):
        put_and_stumble(path, wrong)
    assert sites(path) == []


def test_threads_never_meet_in_an_engine(path: Path, no_engines: list[duckdb.DuckDBPyConnection]) -> None:
    def work(number: int) -> None:
        for i in range(12):
            with store.reading(path) as con:
                con.execute(f"create temp table mine as select {number} as x from range({i + 1})").fetchall()
                with store.memory() as other:
                    other.execute("create temp table mine as select 99 as x").fetchall()
                found = con.execute("select min(x), max(x), count(*) from mine").fetchall()
                assert found == [(number, number, i + 1)]

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(work, range(4)))  # raises what a thread raised
    assert len({id(engine) for engine in no_engines}) == len(no_engines) <= 4


def test_a_file_that_was_replaced_is_read_anew_by_the_same_engine(
    path: Path, tmp_path: Path, no_engines: list[duckdb.DuckDBPyConnection]
) -> None:
    other = tmp_path / "other.duckdb"
    store.create(other, "mi")
    put(path, "old")
    times = path.stat()
    with store.reading(path) as con:
        os.utime(other, ns=(times.st_atime_ns, times.st_mtime_ns))
        os.replace(other, path)
        assert con.execute("select site from sites").fetchall() == [("old",)]
        assert sites(path) == []
    (first, *_) = no_engines
    with store.reading(path) as con:
        assert store.settings(con).distance == "mi"
    path.write_bytes(b"no store any more, but for more than twelve bytes")
    with pytest.raises(StoreError, match="not a store"):
        sites(path)
    path.write_bytes(b"\0" * 8 + b"DUCK" + b"\0" * 5000)
    with pytest.raises(StoreError, match="cannot be opened"):
        sites(path)
    path.unlink()
    store.create(path, "h")
    with store.reading(path) as con:
        assert store.settings(con).distance == "h"
    assert first in no_engines


_FORK = """
import os, sys, time
from pathlib import Path
from rebuildstats.history import store
path = Path(sys.argv[1])
def put(site):
    with store.writing(path) as con:
        con.execute("insert into sites (site, _load, _since) values (?, 1, 1)", [site]).fetchall()
put("parent")
folder = Path(store._passing_folder().name)
child = os.fork()
if child == 0:
    put("child")
    sys.exit(0)  # and every hook of the interpreter with it
for _ in range(6000):
    ended, status = os.waitpid(child, os.WNOHANG)
    if ended:
        break
    time.sleep(0.05)
else:
    os.kill(child, 9)
    sys.exit("the child hangs")
put("after")
print(status, folder.is_dir())
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system does not fork")
def test_a_forked_child_takes_no_engine_along(path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", _FORK, str(path)], capture_output=True, text=True, timeout=PATIENCE)
    assert done.stdout.split() == ["0", "True"], done.stderr[-500:]
    assert sites(path) == ["after", "child", "parent"]


class _Pressed:
    """Presses Ctrl-C at the n-th line that runs in the modules of the store."""

    _OURS = (store.__file__, drafts.__file__)

    def __init__(self, line: int) -> None:
        self.left = line

    def __call__(self, frame: FrameType, event: str, _: Any) -> Any:
        if frame.f_code.co_filename not in self._OURS:
            return None
        if event == "line":
            self.left -= 1
            if self.left == 0:
                raise KeyboardInterrupt
        return self


def pressed_at(line: int, path: Path, site: str) -> bool:
    """Whether Ctrl-C came while a row was written."""
    before = sys.gettrace()
    sys.settrace(_Pressed(line))
    try:
        put(path, site)
    except KeyboardInterrupt:
        return True
    finally:
        sys.settrace(before)
    return False


def check_pressed(path: Path, lines: list[int], idle: list[duckdb.DuckDBPyConnection]) -> int:
    """At each of these lines: the store is the one before or the one after, whole, the next writes at once, and nothing
    is left beside it. Returns how often Ctrl-C came before the end.
    """
    hit = 0
    for line in lines:
        before = sites(path)
        pressed = pressed_at(line, path, f"at {line:05}")
        hit += pressed
        after = sites(path)
        assert after in (before, sorted([*before, f"at {line:05}"])), line
        assert pressed or after != before, line
        with store.writing(path, patience=2.0) as con:
            con.execute("delete from sites").fetchall()
        assert [p.name for p in path.parent.iterdir()] == [path.name], line
        assert all(store._left_clean(engine) for engine in idle), line
    return hit


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_ctrl_c_at_any_line_of_a_write(path: Path, no_engines: list[duckdb.DuckDBPyConnection]) -> None:
    """Some lines here; all of them by `python -m tests.history.test_engines`."""
    chance = random.Random(7)
    lines = sorted(chance.sample(range(1, 160), 12))
    assert check_pressed(path, lines, no_engines) >= 10


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "history.duckdb"
        store.create(place, "km")
        print(check_pressed(place, list(range(1, 400)), store._IDLE), "lines of a write, Ctrl-C at each: all well")
