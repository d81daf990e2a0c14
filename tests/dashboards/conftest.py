"""Stores in every state a page can meet, and the app run without a browser."""

from __future__ import annotations

import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from streamlit import config
from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest

from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files
from rebuildstats.kept_answers.job import work_out
from rebuildstats.kept_answers.shelf import Shelf
from tests.ready_fleet import ready_fleet
from tests.waiting import PATIENCE

APP = Path(__file__).parents[2] / "dashboards" / "app.py"
PAGES = ("counter", "shop_office", "bench", "data_in", "track_record")


@pytest.fixture(scope="session", autouse=True)
def components_are_looked_for_once():
    """At its start an app looks through everything installed for components; here hundreds of apps start."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(manifest_scanner, "scan_component_manifests", cache(manifest_scanner.scan_component_manifests))
        yield


@pytest.fixture(scope="session")
def fleet_store():
    """A small fleet's store with its answers ready."""
    return ready_fleet()


@pytest.fixture(autouse=True)
def at_once(monkeypatch):
    """What a page asks for is worked out in this process there and then; `test_working` has the process of its own."""
    take, busy = Shelf.take, []

    def take_or_make(self, question, arguments):
        if busy or self.has(question, arguments):
            return take(self, question, arguments)
        busy.append(question)
        try:
            work_out(self.store, ((question, arguments),))
        finally:
            busy.pop()
        return take(self, question, arguments)

    monkeypatch.setattr(Shelf, "take", take_or_make)


@pytest.fixture
def empty_store(tmp_path):
    path = tmp_path / "empty.duckdb"
    stores.create(path, "km")
    return path


@pytest.fixture(scope="session")
def one_teardown(tmp_path_factory):
    """The smallest history, to look at: one unit, one component, one teardown with one finding."""
    folder = tmp_path_factory.mktemp("one")
    sheets = {
        "units": "unit,family,origin\nP-1,pump,new\n",
        "components": "family,component,shows\npump,seal,at_teardown\n",
        "teardowns": "job,unit,opened_on,unit_mileage,reason\nJ1,P-1,2025-03-01,80000,failure\n",
        "findings": "job,component,verdict,action\nJ1,seal,fail,replace\n",
    }
    for name, text in sheets.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    path = folder / "one.duckdb"
    stores.create(path, "mi")
    load_files(path, [folder / f"{name}.csv" for name in sheets])
    work_out(path)
    return path


@pytest.fixture
def wrong_file(tmp_path):
    path = tmp_path / "letter.duckdb"
    path.write_text("Dear sir, no database here.", encoding="utf-8")
    return path


@pytest.fixture
def busy_store(empty_store, monkeypatch):
    """A store that another program writes to in place (ours never do); readers are made to lose patience at once."""
    monkeypatch.setitem(stores.reading.__wrapped__.__kwdefaults__, "patience", 0.2)
    code = (
        "import sys, duckdb\n"
        "with duckdb.connect(sys.argv[1]):\n    print('writing', flush=True)\n    sys.stdin.read()\n"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(empty_store)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert other.stdout.readline().strip() == "writing"
    yield empty_store
    other.communicate("")


@pytest.fixture
def run(monkeypatch):
    """Run one page of the app on a store: `run(store, "bench", unit="X")` gives the AppTest after its first run."""

    def start(store: Path, page: str, **asked: str) -> AppTest:
        monkeypatch.setenv("REBUILDSTATS_STORE", str(store))
        config.set_option("runner.magicEnabled", False)  # as in the settings, unread here
        app = AppTest.from_file(str(APP), default_timeout=PATIENCE)
        for name, value in asked.items():
            app.query_params[name] = value
        # the entry file opens on the first page; the others are reached as a person does
        if page == "counter":
            return app.run()
        app.switch_page(f"desks/{page}.py")
        return app.run()

    return start


def said(app: AppTest) -> str:
    """All words of the page that come as HTML, text or caption."""
    parts = [e.proto.body for e in app.get("html")] + [m.value for m in app.markdown] + [c.value for c in app.caption]
    return "\n".join(parts)
