"""The dashboard's settings: this machine only, nothing sent, our ten colours in both themes; the page table."""

from __future__ import annotations

import tomllib

import pytest

from rebuildstats.figures import palette
from tests.dashboards.conftest import APP, PAGES

SETTINGS = tomllib.loads((APP.parent / ".streamlit" / "config.toml").read_text(encoding="utf-8"))


def test_it_listens_to_this_machine_only_and_sends_nothing():
    assert SETTINGS["server"]["address"] == "127.0.0.1"
    assert SETTINGS["browser"]["gatherUsageStats"] is False
    assert SETTINGS["client"]["showErrorDetails"] == "none"
    assert SETTINGS["client"]["showErrorLinks"] is False


@pytest.mark.parametrize("look", [palette.LIGHT, palette.DARK], ids=lambda look: look.name)
def test_the_theme_has_the_figures_colours(look):
    theme = SETTINGS["theme"][look.name]
    assert theme["chartCategoricalColors"] == list(look.ten)  # exactly ten: with fewer, plotly takes its own
    assert theme["backgroundColor"] == look.page
    assert theme["textColor"] == look.ink
    assert theme["primaryColor"] == look.calm


def test_every_page_stands_in_the_table():
    table = APP.read_text(encoding="utf-8")
    files = sorted(path.stem for path in (APP.parent / "desks").glob("*.py"))
    assert files == sorted(PAGES)
    assert all(f"desks/{name}.py" in table for name in files)


def test_an_icon_of_our_own_is_used():
    # a named icon would be fetched from another machine
    assert (APP.parent / "icon.png").stat().st_size > 0
    assert 'page_icon=":' not in APP.read_text(encoding="utf-8")
