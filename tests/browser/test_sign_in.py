"""Signing in at a small OpenID provider: a reader looks and can't write, a writer writes, a stranger sees nothing."""

from __future__ import annotations

import pytest

from rebuildstats.history import store as stores
from tests.browser.conftest import EVERY_LOOK, LOOKS, _stop, settled, start_server
from tests.ports import free_port

pytest.importorskip("authlib")
from tests.browser.provider import CLIENT, Provider


@pytest.fixture(scope="module")
def shared_shop(windows, tmp_path_factory):
    """The app shared in a shop, with its provider and its list of people."""
    folder = tmp_path_factory.mktemp("shared")
    provider = Provider()
    port = free_port()
    (folder / "secrets.toml").write_text(
        f"""[auth]
redirect_uri = "http://127.0.0.1:{port}/oauth2callback"
cookie_secret = "for a test on this machine only"
client_id = "{CLIENT}"
client_secret = "none"
server_metadata_url = "{provider.url}/.well-known/openid-configuration"
""",
        encoding="utf-8",
    )
    people = folder / "people.toml"
    people.write_text('write = ["parts@shop.example"]\nread = ["tech@shop.example"]\n', encoding="utf-8")
    store = folder / "shop.duckdb"
    stores.create(store, "mi")
    server = start_server(
        store,
        folder,
        "--secrets.files",
        str(folder / "secrets.toml"),
        port=port,
        more={"REBUILDSTATS_ACCESS": str(people)},
    )
    yield server, provider
    _stop(server)
    provider.close()


def sign_in(page, server, provider, address):
    provider.address = address
    page.goto(f"{server.url}/data_in")
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.wait_for_selector("h1.answer, h1:has-text('You are not on the list')")
    settled(page)


@pytest.mark.parametrize("page", LOOKS if EVERY_LOOK else LOOKS[:1], indirect=True)
def test_a_reader_looks_a_writer_writes_a_stranger_sees_nothing(page, shared_shop):
    server, provider = shared_shop
    sign_in(page, server, provider, "stranger@else.example")
    page.get_by_text("You are not on the list").wait_for()
    assert page.locator("input[type=file]").count() == 0
    page.context.clear_cookies()

    sign_in(page, server, provider, "tech@shop.example")
    page.goto(f"{server.url}/data_in")
    page.wait_for_selector("h1.answer")
    settled(page)
    page.get_by_text("bringing sheets in is for those on the shop’s list").wait_for()
    assert page.locator("input[type=file]").count() == 0
    page.context.clear_cookies()

    sign_in(page, server, provider, "parts@shop.example")
    page.goto(f"{server.url}/data_in")
    page.locator("input[type=file]").first.wait_for(state="attached")
