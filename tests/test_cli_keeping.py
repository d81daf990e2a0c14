"""Keeping a store at the terminal: backups, exports, rejected rows, checks, proposals of a mapping."""

from __future__ import annotations

import json
import shutil

import pytest

from tests.small_stores import store_of_one_teardown, write
from tests.terminal import run


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A store with one teardown, made once; tests work on copies (a store is one file)."""
    return store_of_one_teardown(tmp_path_factory.mktemp("made"))


@pytest.fixture(autouse=True)
def store(made, tmp_path, monkeypatch):
    """A store with one teardown, in an empty folder in which the test runs."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("REBUILDSTATS_STORE", raising=False)
    shutil.copyfile(made, tmp_path / "s")
    return tmp_path / "s"


def lives(name: str) -> str:
    return run("--store", name, "lives", "--format", "csv").out


def test_a_backup_restored_is_the_same_store(tmp_path):
    told = run("--store", "s", "backup", "copy.duckdb")
    assert told.code == 0
    assert "found equal" in told.err
    assert run("--store", "new", "restore", "copy.duckdb").code == 0
    assert lives("new") == lives("s")
    run("--store", "s", "undo")
    back = run("--store", "s", "restore", "copy.duckdb")
    assert back.code == 0
    assert "was kept in" in back.err
    assert lives("s") == lives("new")


def test_a_backup_never_overwrites_and_a_restore_wants_a_store(tmp_path):
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    assert run("--store", "s", "backup", "taken").code == 2
    assert (tmp_path / "taken").read_text(encoding="utf-8") == "mine"
    assert run("--store", "s", "backup", "no/folder/b").code == 2
    before = lives("s")
    for name in ("taken", "missing"):
        told = run("--store", "s", "restore", name)
        assert told.code == 2
        assert name in told.err
    assert lives("s") == before


def test_ready_answers_stand_beside_the_store_and_are_not_made_twice(tmp_path):
    assert run("--store", "s", "ready").code == 0
    (folder,) = (tmp_path / "s.answers").iterdir()
    before = {file.name: file.stat().st_mtime_ns for file in folder.iterdir()}
    assert {"history.zip", "fits.zip", "repeats.zip"} <= before.keys()
    told = run("--store", "s", "ready", "--format", "csv")
    assert told.out.startswith("question,file")
    assert {file.name: file.stat().st_mtime_ns for file in folder.iterdir()} == before


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_an_export_is_written_into_an_empty_folder_only(tmp_path, form):
    told = run("--store", "s", "export", "out", "--format", form)
    assert told.code == 0
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        f"{name}.{form}" for name in ("components", "findings", "teardowns", "units")
    ]
    assert run("--store", "s", "export", "out").code == 2
    assert run("--store", "s", "export", "out2", "--format", "xml").code == 2


def test_an_export_loads_back_to_the_same_lives(tmp_path):
    run("--store", "s", "export", "out")
    run("--store", "again", "init", "--distance", "mi")
    assert run("--store", "again", "load", "out").code == 0
    assert lives("again") == lives("s")


def test_rejected_rows_come_out_to_be_corrected_and_go_in(tmp_path):
    folder = write(
        tmp_path / "more",
        teardowns=[{"job": "J2", "unit": "U1", "opened_on": "31.12.2025", "unit_mileage": 90000}],
    )
    assert run("--store", "s", "load", folder).code == 3
    told = run("--store", "s", "rejects", "wrong")
    assert told.code == 0
    file = tmp_path / "wrong" / "teardowns.csv"
    file.write_text(file.read_text(encoding="utf-8").replace("31.12.2025", "2025-12-31"), encoding="utf-8")
    told = run("--store", "s", "load", "wrong", "--format", "json")
    assert told.code == 0, told.err
    assert [(row["table"], row["new"]) for row in json.loads(told.out)] == [("teardowns", 1)]
    assert "0 files" in run("--store", "s", "rejects", "none").err


def test_check_says_that_all_is_well():
    told = run("--store", "s", "check", "--format", "json")
    assert told.code == 0
    assert json.loads(told.out) == []
    assert "all is well" in told.err


def test_a_mapping_is_proposed_read_and_used(tmp_path):
    folder = write(
        tmp_path / "mine",
        sheet=[
            {"Job no.": "J7", "Serial": "U1", "Opened": "03.02.2026", "Clock": "95.000", "Item": "ring", "Found": "ok"},
            {"Job no.": "J8", "Serial": "U1", "Opened": "14.03.2026", "Clock": "97.500", "Item": "ring", "Found": "ok"},
        ],
    )
    told = run("propose", folder)
    assert told.code == 0
    assert "[[sheet]]" in told.out
    assert run("propose", folder, "--out", "shop.toml").code == 0
    assert (tmp_path / "shop.toml").read_text(encoding="utf-8") == told.out
    assert run("propose", "missing.csv").code == 2


@pytest.mark.parametrize(
    "command", ["backup", "restore", "export", "rejects", "check", "undo", "settings", "withdraw", "ready"]
)
def test_a_missing_store(command, tmp_path):
    arguments = () if command in ("check", "undo", "settings", "ready") else ("x",)
    told = run("--store", "missing", command, *arguments)
    assert told.code == 2
    assert "missing" in told.err or "x" in told.err
    assert not (tmp_path / "missing").exists()
