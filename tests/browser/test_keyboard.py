"""Every journey with nothing but a keyboard: Tab, arrows, Enter, typing; the focus can be seen at each step."""

from __future__ import annotations

from tests.browser.conftest import answer, clear, furnish, open_page, settled
from tests.waiting import until

ANSWER_HAS = "words => document.querySelector('h1.answer')?.innerText.includes(words)"


def test_skip_to_the_answer_comes_first(keys, shop):
    open_page(keys.page, shop, "")
    keys.to("Skip to the answer", most=1)
    keys.page.keyboard.press("Enter")
    until(lambda: answer(keys.page) in keys.focused())


def test_order_today_and_open_a_part(keys, shop, tmp_path):
    open_page(keys.page, shop, "")
    assert keys.take("Take it along as CSV", tmp_path / "order.csv").startswith("part,site")
    keys.to("Open a part")
    keys.seek("F1-P01")
    keys.press("Enter")
    keys.page.wait_for_function(ANSWER_HAS, arg="F1-P01")
    settled(keys.page)
    keys.back_to("Back to the order")
    keys.press("Enter")
    keys.page.wait_for_function("() => !location.search.includes('part=')")


def test_find_a_repeat_and_its_teardowns(keys, shop, tmp_path):
    open_page(keys.page, shop, "")
    keys.to("Shop office")
    keys.press("Enter")
    keys.page.wait_for_function("() => location.pathname.includes('shop_office')")
    keys.page.wait_for_function("() => document.querySelector('.kicker')?.innerText.match(/shop office/i)")
    settled(keys.page)
    keys.to(r"The \d+ teardowns behind it")
    keys.press("Enter")
    assert keys.take("Take it along as CSV", tmp_path / "behind.csv").startswith("opened_on,job")


def test_look_up_a_unit_and_take_its_sheet(keys, shop, tmp_path):
    open_page(keys.page, shop, "bench")
    keys.to(r"Unit \(serial number\)")
    keys.seek("F1-003")
    keys.press("Enter")
    keys.page.wait_for_function(ANSWER_HAS, arg="F1-003")
    settled(keys.page)
    assert keys.take("Sheet as PDF", tmp_path / "sheet.pdf").startswith("%PDF")


def test_write_a_teardown_down(keys, new_shop):
    furnish(new_shop.store)
    open_page(keys.page, new_shop, "bench?do=write&unit=F2-002")
    keys.pick("Fail", of="OK")
    keys.page.wait_for_function(ANSWER_HAS, arg="1 of")
    settled(keys.page)
    keys.to("Store this teardown")
    keys.press("Enter")
    keys.page.get_by_text("Every page now reckons with it").wait_for()


def test_bring_a_file_in(keys, new_shop, tmp_path):
    clear(new_shop.store)
    open_page(keys.page, new_shop, "data_in")
    keys.to("Make an empty store")
    keys.press("Enter")
    keys.page.wait_for_function(ANSWER_HAS, arg="Drop your sheets")
    settled(keys.page)
    sheet = tmp_path / "units.csv"
    sheet.write_text("unit,family,origin\nP-1,pump,new\n", encoding="utf-8")
    keys.hand_over("Upload", sheet)
    keys.page.get_by_text("units.csv", exact=True).first.wait_for()
    settled(keys.page)
    keys.to("Load")
    keys.press("Enter")
    keys.page.wait_for_function(ANSWER_HAS, arg="every row was good")
