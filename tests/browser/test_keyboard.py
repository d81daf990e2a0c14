"""The keyboard alone: the first Tab offers the way past the menu, and the focus can be seen."""

from __future__ import annotations

from tests.browser.conftest import answer, open_page


def test_skip_to_the_answer_comes_first(keys, shop):
    open_page(keys.page, shop, "")
    keys.to("Skip to the answer", most=1)
    keys.page.keyboard.press("Enter")
    assert answer(keys.page) in keys.focused()
