"""The README's pictures: every desk's page on the demo fleet, written where REBUILDSTATS_PICTURES says.

    REBUILDSTATS_PICTURES=dashboards/pictures pytest tests/browser/test_pictures.py

Without that variable only the pictures that lie there are looked at.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from rebuildstats.history import store as stores
from rebuildstats.history.load import load_files
from rebuildstats.kept_answers.job import work_out
from rebuildstats.kept_answers.questions import EVERY_DESK
from tests.browser.conftest import ROOT, _stop, open_page, settled, start_server

PICTURES = ROOT / "dashboards" / "pictures"
WANTED = os.environ.get("REBUILDSTATS_PICTURES")
PAGES = {
    "counter": ("", "light", 1200, 1060),
    "shop_office": ("shop_office", "light", 1200, 960),
    "bench": ("bench?family=HP71&mileage=140000", "dark", 1200, 1160),
    "write_down": ("bench?do=write&unit=AC85-016", "light", 820, 1180),
    "data_in": ("data_in", "light", 1200, 860),
    "track_record": ("track_record", "dark", 1200, 1020),
    "phone": ("", "dark", 390, 844),
}

DRAWN = """() => document.querySelector("[data-testid=stSkeleton]") === null
    && [...document.querySelectorAll(".stPlotlyChart")].every(chart => chart.querySelector(".main-svg"))"""


def test_the_readmes_pictures_are_there_and_small():
    found = {path.stem: path.stat().st_size for path in PICTURES.glob("*.png")}
    assert found.keys() >= PAGES.keys()
    assert sum(found.values()) < 1_500_000


@pytest.fixture(scope="module")
def demo_shop(windows, tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    store = folder / "history.duckdb"
    stores.create(store, "km")  # as the demo itself
    load_files(store, sorted((ROOT / "data_demo").glob("*.csv")))
    if WANTED:
        work_out(store, [*EVERY_DESK, ("backtest", {})])
    server = start_server(store, folder)
    yield server
    _stop(server)


@pytest.mark.skipif(not WANTED, reason="REBUILDSTATS_PICTURES names no folder")
@pytest.mark.parametrize("name", PAGES)
def test_take_the_picture(windows, demo_shop, name):
    address, theme, width, height = PAGES[name]
    page = windows(theme, (width, height)).new_page()
    open_page(page, demo_shop, address)
    settled(page)
    page.wait_for_function(DRAWN)
    page.wait_for_timeout(1_500)  # the figures' last stroke
    page.screenshot(path=Path(str(WANTED)) / f"{name}.png")
    page.close()
