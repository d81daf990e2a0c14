"""Every page in every state of the store: it never breaks, and it says what to do next."""

import pytest

from tests.dashboards.conftest import PAGES, said

READERS = [page for page in PAGES if page != "data_in"]


@pytest.mark.parametrize("page", PAGES)
def test_no_store_offers_to_make_one(run, tmp_path, page):
    path = tmp_path / "new.duckdb"
    app = run(path, page)
    assert not app.exception
    assert "No store yet" in said(app)
    assert "rebuildstats demo" in said(app)
    app.button("make_store").click().run()
    assert path.exists()
    assert not app.exception
    assert "No store yet" not in said(app)


@pytest.mark.parametrize("page", READERS)
def test_empty_store_sends_to_data_in(run, empty_store, page):
    app = run(empty_store, page)
    assert not app.exception
    assert "Nothing to go by yet" in said(app)
    assert [link.proto.label for link in app.get("page_link")] == ["Bring in a history"]


def test_empty_store_can_be_loaded_into(run, empty_store):
    app = run(empty_store, "data_in")
    assert not app.exception
    assert "Drop your sheets here." in said(app)


@pytest.mark.parametrize("page", PAGES)
def test_wrong_file_says_which_and_what_next(run, wrong_file, page):
    app = run(wrong_file, page)
    assert not app.exception
    assert "Not a store" in said(app)
    assert "not a store of rebuildstats" in said(app)
    assert wrong_file.read_text(encoding="utf-8").startswith("Dear sir")


@pytest.mark.parametrize("page", PAGES)
def test_a_store_being_written_asks_to_try_again(run, busy_store, page):
    app = run(busy_store, page)
    assert not app.exception
    assert "Store in use" in said(app)
    assert "in use by process" in said(app)
    assert app.button("try_again").label == "Try again"


@pytest.mark.parametrize("page", PAGES)
def test_one_teardown_is_enough_for_a_page_without_errors(run, one_teardown, page):
    app = run(one_teardown, page)
    assert not app.exception
    words = said(app)
    assert "could not be made" not in words
    assert 'class="answer"' in words


@pytest.mark.parametrize("page", PAGES)
def test_a_fleet_gives_every_page_its_answer(run, fleet_store, page):
    app = run(fleet_store, page)
    assert not app.exception
    words = said(app)
    assert "could not be made" not in words
    assert "Not possible like this" not in words
    assert 'class="answer"' in words
