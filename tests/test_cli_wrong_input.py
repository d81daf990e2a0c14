"""Every command on wrong input, foreign and empty stores and one teardown only: what is told, which exit code."""

from __future__ import annotations

import json
import shutil
import signal
import sqlite3
import subprocess
import sys

import duckdb
import pytest

from tests.asking import ASKING
from tests.small_stores import one_teardown, store_of_one_teardown, write
from tests.terminal import run
from tests.waiting import PATIENCE, until


@pytest.fixture(scope="module")
def single(tmp_path_factory):
    return store_of_one_teardown(tmp_path_factory.mktemp("single"))


@pytest.fixture(autouse=True)
def elsewhere(tmp_path, monkeypatch):
    """Every test runs in an empty folder of its own, without a store named by the environment."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("REBUILDSTATS_STORE", raising=False)
    monkeypatch.delenv("REBUILDSTATS_DEBUG", raising=False)


WRONG_USAGE = [
    ("init",),
    ("init", "--distance", "furlong"),
    ("load",),
    ("lives", "--format", "xml"),
    ("lives", "--as-of", "31.3.2026"),
    ("lives", "--out", "no/such/folder/x.csv"),
    ("life", "--out", "."),
    ("wear",),
    ("wear", "F1"),
    ("wear", "F1", "--mileage", "-1"),
    ("wear", "F1", "--mileage", "nan"),
    ("wear", "F1", "--mileage", "inf"),
    ("wear", "F1", "--mileage", "many"),
    ("inspections", "--mileage", "-5"),
    ("forecast", "--months", "0"),
    ("forecast", "--months", "1000"),
    ("order", "--job-fill", "1.5"),
    ("order", "--part-fill", "0"),
    ("order", "--budget", "-1"),
    ("order", "--job-fill", "0.9", "--budget", "100"),
    ("sheet", "U1"),
    ("sheet", "U1", "--out", "sheet.txt"),
    ("sheet", "F1", "--mileage", "-1", "--out", "sheet.html"),
    ("dashboard", "--port", "0"),
    ("no-such-command",),
    ("life", "--no-such-option"),
    ("recurrence", "--by", "bench"),
    ("recurrence", "--mileage", "-1"),
]


@pytest.mark.parametrize("arguments", WRONG_USAGE, ids=" ".join)
def test_wrong_usage_is_told_before_the_store_is_looked_for(arguments):
    told = run("--store", "missing.duckdb", *arguments)
    assert told.code == 2
    assert told.out == ""
    assert told.err.strip()
    assert "no store" not in told.err


@pytest.mark.parametrize("command", [*ASKING, "load"])
def test_a_missing_store(command, tmp_path):
    arguments = (one_teardown(tmp_path / "in"),) if command == "load" else ASKING[command]
    told = run("--store", "missing.duckdb", command, *arguments)
    assert told.code == 2
    assert told.out == ""
    assert "missing.duckdb" in told.err
    assert "init" in told.err
    assert not (tmp_path / "missing.duckdb").exists()


def foreign_stores(folder):
    text = folder / "notes.txt"
    text.write_text("not a store\n", encoding="utf-8")
    nothing = folder / "empty.duckdb"
    nothing.touch()
    other = folder / "other.duckdb"
    with duckdb.connect(str(other)) as con:
        con.execute("create table parts (part integer)").fetchall()
    lite = folder / "lite.db"
    with sqlite3.connect(lite) as con:
        con.execute("create table parts (part integer)")
    con.close()
    return {"text": text, "nothing": nothing, "another program's": other, "SQLite": lite, "a folder": folder}


FOREIGN = ["text", "nothing", "another program's", "SQLite", "a folder"]


@pytest.mark.parametrize(
    ("command", "kind"),
    [*((name, "text") for name in [*ASKING, "load"]), *((n, kind) for n in ("life", "load") for kind in FOREIGN[1:])],
)
def test_a_store_of_another_program(command, kind, tmp_path):
    store = foreign_stores(tmp_path)[kind]
    before = store.read_bytes() if store.is_file() else b""
    arguments = (one_teardown(tmp_path / "in"),) if command == "load" else ASKING[command]
    told = run("--store", store, command, *arguments)
    assert told.code == 2
    assert told.out == ""
    assert store.name in told.err
    assert (store.read_bytes() if store.is_file() else b"") == before


def test_init_never_overwrites(tmp_path):
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    told = run("--store", "mine.txt", "init", "--distance", "mi")
    assert told.code == 2
    assert (tmp_path / "mine.txt").read_text(encoding="utf-8") == "mine"
    assert run("--store", "no/such/folder/x.duckdb", "init", "--distance", "mi").code == 2


@pytest.mark.parametrize("command", list(ASKING))
def test_an_empty_history(command):
    run("--store", "s", "init", "--distance", "mi")
    told = run("--store", "s", command, *ASKING[command])
    assert told.code == 4, told.words
    assert "load" in told.err.lower()
    assert told.out == ""


@pytest.mark.parametrize("command", ["life", "wear", "inspections", "recurrence", "damage", "shares", "sheet"])
def test_an_unknown_family(single, command):
    arguments = ["F-1", *ASKING[command]] if command not in ("wear", "sheet") else ["F-1", *ASKING[command][1:]]
    told = run("--store", single, command, *arguments)
    assert told.code == 2
    assert "F-1" in told.err
    assert "`F1`" in told.err
    assert told.out == ""


def test_an_unknown_unit_and_a_unit_of_another_family(single, tmp_path):
    told = run("--store", single, "sheet", "U-1", "--out", "x.html")
    assert told.code == 2
    assert "did you mean" in told.err
    told = run("--store", single, "sheet", "F1", "--out", "x.html")
    assert told.code == 2
    assert "--mileage" in told.err
    store = shutil.copyfile(single, tmp_path / "s")
    more = write(
        tmp_path / "in", units=[{"unit": "U2", "family": "F2"}], components=[{"family": "F2", "component": "hub"}]
    )
    assert run("--store", store, "load", more).code == 0
    told = run("--store", store, "wear", "F2", "--mileage", 1, "--unit", "U1")
    assert told.code == 2
    assert "`F1`" in told.err


def test_a_day_before_everything(single):
    told = run("--store", single, "life", "--as-of", "1950-01-01")
    assert told.code in (2, 4)
    assert "1950-01-01" in told.err


SINGLE = {
    "gaps": 0,
    "lives": 0,
    "fit": 0,
    "life": 0,
    "wear": 0,
    "inspections": 0,
    "repeats": 0,
    "recurrence": 0,
    "damage": 0,
    "drift": 4,
    "shares": 0,
    "forecast": 4,
    "order": 4,
    "backtest": 4,
    "sheet": 0,
    "makes": 0,
    "rates": 0,
    "rivals": 0,
    "doubts": 0,
    "points": 4,
}


@pytest.mark.parametrize("command", list(ASKING))
def test_one_teardown_only(command, single):
    told = run("--store", single, command, *ASKING[command])
    assert told.code == SINGLE[command], told.words
    assert told.words.strip()


def test_one_teardown_gives_bounds_and_no_made_up_estimate(tmp_path):
    run("--store", "s", "init", "--distance", "mi")
    folder = one_teardown(tmp_path / "in")
    write(folder, findings=[{"job": "J1", "component": "ring", "verdict": "ok", "action": "reuse"}])
    run("--store", "s", "load", folder)
    (row,) = json.loads(run("--store", "s", "life", "--format", "json").out)
    assert row["events"] == 0
    assert row["b10"] is None
    assert row["b10_lower"] > 0
    assert row["b10_upper"] == "inf"


@pytest.mark.parametrize("what", ["missing.csv", "no_tables", "empty_folder", "picture.png", "nonsense.csv"])
def test_load_of_what_is_no_history(what, tmp_path):
    run("--store", "s", "init", "--distance", "mi")
    (tmp_path / "no_tables").mkdir()
    (tmp_path / "no_tables" / "readme.txt").write_text("nothing here", encoding="utf-8")
    (tmp_path / "empty_folder").mkdir()
    (tmp_path / "picture.png").write_bytes(b"\x89PNG\r\n\x1a\n\x00\x00")
    (tmp_path / "nonsense.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    told = run("--store", "s", "load", what)
    assert told.code == 2
    assert what in told.err
    assert told.out == ""


def test_mapping_and_rejects_that_cannot_be(tmp_path):
    run("--store", "s", "init", "--distance", "mi")
    folder = one_teardown(tmp_path / "in")
    told = run("--store", "s", "load", folder, "--mapping", "missing.toml")
    assert told.code == 2
    assert "missing.toml" in told.err
    told = run("--store", "s", "load", folder, "--rejects", "no/such/folder/r.csv")
    assert told.code == 2
    assert run("--store", "s", "lives").code == 4  # nothing was loaded


def test_an_error_of_the_program_is_one_sentence_and_exit_1(single, monkeypatch):
    def broken(*args, **kwargs):
        raise RuntimeError("the sky fell")

    monkeypatch.setattr("rebuildstats.commands.known", broken)
    told = run("--store", single, "life")
    assert told.code == 1
    assert "the sky fell" in told.err
    assert len(told.err.strip().splitlines()) == 1


def test_ctrl_c_stops_cleanly(single, monkeypatch):
    def stopped(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("rebuildstats.commands.known", stopped)
    assert run("--store", single, "life").code == 130


@pytest.mark.parametrize(
    "moment",
    [
        "class Finder:\n"
        "    def find_spec(self, name, path, target=None):\n"
        "        if name == 'rebuildstats.cli': signal.raise_signal(signal.SIGINT)\n"
        "sys.meta_path.insert(0, Finder())\n",
        "from rebuildstats import cli\ncli._command = lambda: lambda **_: exec('signal.raise_signal(signal.SIGINT)')\n",
    ],
    ids=["while libraries are read", "within an exec"],
)
def test_ctrl_c_at_an_awkward_moment_is_130_all_the_same(tmp_path, moment):
    """After an interrupted exec `python -m` dies by the signal itself, whatever exit code the program gave."""
    code = f"import signal, sys\n{moment}from rebuildstats.__main__ import main\nmain()\n"
    (tmp_path / "awkward.py").write_text(code)
    command = [sys.executable, "-m", "awkward"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=PATIENCE)
    assert done.returncode == 130
    assert done.stderr == "Stopped. Nothing was left half done.\n"


# The program, in which a load's writing goes on for days.
ENDLESS = """
from rebuildstats.history.staging import Staging
run = Staging.run
def endless(self, name, *args, **named):
    if name == "load/next_load":
        self.con.execute("select count(*) from range(1000000000000000) t(i) where hash(i) = 7").fetchall()
    return run(self, name, *args, **named)
Staging.run = endless
from rebuildstats.__main__ import main
main()
"""


def test_ctrl_c_in_the_middle_of_a_load_leaves_the_store_as_it_was(tmp_path):
    """A real process, a real signal: 130, no traceback, and the same store as before."""
    run("--store", "s", "init", "--distance", "mi")
    folder = one_teardown(tmp_path / "in")
    before = (tmp_path / "s").read_bytes()
    (tmp_path / "endless.py").write_text(ENDLESS)
    command = [sys.executable, "-m", "endless", "--store", "s", "load", str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        draft = tmp_path / ".s.writing" / "draft.duckdb"  # while it stands there, the load writes
        try:
            until(lambda: draft.exists() or process.poll() is not None)
            process.send_signal(signal.SIGINT)
            _, err = process.communicate(timeout=PATIENCE)
        finally:
            process.kill()
    assert "Traceback" not in err
    assert process.returncode == 130
    assert (tmp_path / "s").read_bytes() == before
    assert not draft.parent.exists()
    assert run("--store", "s", "gaps").code == 4
