"""Who may look and who may write: with a list nobody unknown sees anything, and a reader can't write by any route."""

from __future__ import annotations

import ast
import sys
from types import SimpleNamespace

import pytest
import streamlit as st

from rebuildstats import commands
from tests.dashboards.conftest import APP, PAGES, said

sys.path.insert(0, str(APP.parent))
import access
import writing

LIST = 'write = ["Parts@shop.example"]\nread = ["tech@shop.example"]\n'


@pytest.fixture
def listed(tmp_path, monkeypatch):
    path = tmp_path / "people.toml"
    path.write_text(LIST, encoding="utf-8")
    monkeypatch.setenv(access.VARIABLE, str(path))
    return path


@pytest.fixture
def signed_in(monkeypatch):
    def as_person(address, **more):
        monkeypatch.setattr(st, "user", SimpleNamespace(is_logged_in=True, email=address, **more))

    return as_person


def test_without_a_list_everyone_at_this_machine_may_do_both(monkeypatch):
    monkeypatch.delenv(access.VARIABLE, raising=False)
    assert access.may_read()
    assert access.may_write()
    assert access.who() is None


@pytest.mark.parametrize(
    ("address", "reads", "writes"),
    [("parts@SHOP.example", True, True), ("tech@shop.example", True, False), ("other@shop.example", False, False)],
)
def test_the_list_says_who_may(listed, signed_in, address, reads, writes):
    signed_in(address)
    assert access.may_read() is reads
    assert access.may_write() is writes
    assert access.who() == address.lower()


def test_an_unverified_address_is_nobody(listed, signed_in):
    signed_in("parts@shop.example", email_verified=False)
    assert not access.may_read()
    assert not access.may_write()


@pytest.mark.parametrize("text", ["write = ", 'write = "parts@shop.example"', "read = [1]"])
def test_a_list_that_cant_be_read_lets_nobody_in(run, listed, signed_in, fleet_store, text):
    listed.write_text(text, encoding="utf-8")
    signed_in("parts@shop.example")
    app = run(fleet_store, "counter")
    assert not app.exception
    assert app.title[0].value == "Nobody can come in"
    assert "answer" not in said(app)
    listed.unlink()
    assert access.people().fault
    assert not access.may_write()


def test_signed_out_sees_a_button_only(run, listed, fleet_store):
    app = run(fleet_store, "counter")
    assert not app.exception
    assert [b.label for b in app.button] == ["Sign in"]
    assert said(app) == ""


def test_who_is_on_no_list_sees_nothing(run, listed, signed_in, fleet_store):
    signed_in("other@shop.example")
    app = run(fleet_store, "counter")
    assert app.title[0].value == "You are not on the list"
    assert "teardowns" not in said(app)


def test_a_reader_finds_no_way_to_write(run, listed, signed_in, fleet_store, tmp_path):
    signed_in("tech@shop.example")
    app = run(fleet_store, "data_in")
    assert not app.exception
    assert not app.get("file_uploader")
    assert "undo" not in {b.key for b in app.button}
    app = run(fleet_store, "bench", do="write")
    assert "Write down a teardown" not in {o for g in app.button_group for o in g.options}
    missing = tmp_path / "new.duckdb"
    app = run(missing, "counter")
    assert "make_store" not in {b.key for b in app.button}


@pytest.mark.parametrize(
    "way",
    [
        lambda path: writing.make_store(path + ".new", "mi"),
        lambda path: writing.load(path, [], mapping=None, rejects=path + ".csv", dry_run=False),
        lambda path: writing.undo(path),
        lambda path: writing.store_teardown(path, {"job": "X", "unit": "U"}, []),
        lambda path: writing.withdraw(path, "X"),
        lambda path: writing.join(path, "unit", "A", "B", "seen"),
        lambda path: writing.unjoin(path, "unit", "B", "seen"),
    ],
)
def test_every_way_of_writing_is_shut_to_a_reader(listed, signed_in, fleet_store, way):
    signed_in("tech@shop.example")
    before = fleet_store.read_bytes()
    with pytest.raises(access.NotAllowedError, match="look"):
        way(str(fleet_store))
    assert fleet_store.read_bytes() == before


def test_what_is_written_is_booked_under_the_person_signed_in(listed, signed_in, tmp_path):
    signed_in("Parts@shop.example")
    path = str(tmp_path / "history.duckdb")
    writing.make_store(path, "mi")
    sheets = {"units": "unit,family\nA1,axle\nA-1,axle\n", "components": "family,component\naxle,seal\n"}
    files = [tmp_path / f"{name}.csv" for name in sheets]
    for file in files:
        file.write_text(sheets[file.stem], encoding="utf-8")
    writing.load(path, files, mapping=None, rejects=tmp_path / "rejects.csv", dry_run=False)
    writing.store_teardown(path, {"job": "J1", "unit": "A1", "opened_on": "2024-01-02"}, [])
    writing.join(path, "unit", "A1", "A-1", "one plate")
    writing.unjoin(path, "unit", "A-1", "two plates")
    writing.withdraw(path, "J1")
    writing.undo(path)
    book = commands.changes(path).frame()
    assert book["kind"].tolist() == ["undo", "withdraw", "undo", "join", "form", "load"]
    assert set(book["who"]) == {"parts@shop.example"}


def test_no_other_file_of_the_dashboard_writes():
    writers = {"init", "load", "undo", "withdraw", "settings", "store_teardown", "load_files", "create", "writing"}
    writers |= {"withdraw_teardown", "undo_last_load", "change_settings", "restore", "join", "unjoin", "join_names"}
    owners = {"commands", "corrections", "stores", "store"}
    for path in APP.parent.rglob("*.py"):
        if path.name == "writing.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in owners:
                assert node.attr not in writers or (node.value.id, node.attr) == ("stores", "settings"), path.name


def test_a_reader_sees_every_page(run, listed, signed_in, one_teardown):
    signed_in("tech@shop.example")
    for page in PAGES:
        app = run(one_teardown, page)
        assert not app.exception
        assert 'class="answer"' in said(app)
