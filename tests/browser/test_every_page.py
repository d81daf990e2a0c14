"""Every page, on a tablet and on a phone: an answer, no sideways scrolling, nothing that an axe run objects to."""

import pytest

from tests.browser.conftest import answer, open_page

ADDRESSES = ("", "shop_office", "bench", "data_in", "track_record")


@pytest.mark.parametrize("address", ADDRESSES)
def test_page_answers_first_fits_the_screen_and_can_be_read_by_all(page, shop, axe, address):
    open_page(page, shop, address)
    assert len(answer(page)) > 10
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide <= 0, "scrolls sideways"
    assert page.locator("[data-testid=stException]").count() == 0
    page.evaluate(axe)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    serious = [
        f"{v['id']}: {v['help']} — {[n['html'][:160] for n in v['nodes']][:3]}"
        for v in found["violations"]
        if v["impact"] in ("serious", "critical")
    ]
    assert serious == []
