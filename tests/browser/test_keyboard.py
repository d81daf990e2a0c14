"""Every journey with nothing but a keyboard: Tab, arrows, Enter, typing; the focus can be seen at each step."""

from __future__ import annotations

from tests.browser.conftest import answer, clear, furnish, open_page


def test_skip_to_the_answer_comes_first(keys, shop):
    open_page(keys.page, shop, "")
    keys.to("Skip to the answer", most=1)
    keys.page.keyboard.press("Enter")
    assert answer(keys.page) in keys.focused()


def test_order_today_and_open_a_part(keys, shop, tmp_path):
    open_page(keys.page, shop, "")
    keys.to("Take it along as CSV")
    with keys.page.expect_download() as taken:
        keys.page.keyboard.press("Enter")
    taken.value.save_as(tmp_path / "order.csv")
    assert (tmp_path / "order.csv").read_text(encoding="utf-8").startswith("part,site")
    keys.to("Open a part")
    keys.write("F1-P01")
    keys.press("Enter")
    keys.page.wait_for_function("() => document.querySelector('h1.answer').innerText.includes('F1-P01')")
    keys.page.keyboard.press("Home")
    keys.to("Back to the order")
    keys.press("Enter")
    keys.page.wait_for_function("() => !location.search.includes('part=')")


def test_go_to_a_repeat_and_its_teardowns(keys, shop, tmp_path):
    open_page(keys.page, shop, "")
    keys.to("Shop office")
    keys.press("Enter")
    keys.page.wait_for_function("() => location.pathname.includes('shop_office')")
    keys.page.wait_for_selector("h1.answer")
    keys.to("teardowns behind it")
    keys.press("Enter")
    keys.to("Take it along as CSV")
    with keys.page.expect_download() as taken:
        keys.page.keyboard.press("Enter")
    taken.value.save_as(tmp_path / "behind.csv")
    assert (tmp_path / "behind.csv").read_text(encoding="utf-8").startswith("opened_on,job")


def test_look_up_a_unit_and_take_its_sheet(keys, shop, tmp_path):
    open_page(keys.page, shop, "bench")
    keys.to("Unit (serial number)")
    keys.write("F1-003")
    keys.press("Enter")
    keys.page.wait_for_function("() => document.querySelector('h1.answer').innerText.includes('F1-003')")
    keys.to("Sheet as PDF")
    with keys.page.expect_download() as taken:
        keys.page.keyboard.press("Enter")
    taken.value.save_as(tmp_path / "sheet.pdf")
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")


def test_write_a_teardown_down(keys, new_shop):
    furnish(new_shop.store)
    open_page(keys.page, new_shop, "bench?do=write&unit=F2-002")
    keys.to("Fail")
    keys.press("Space")
    keys.page.wait_for_function("() => document.querySelector('h1.answer').innerText.includes('1 of')")
    keys.to("Store this teardown")
    keys.press("Enter")
    keys.page.get_by_text("Every page now reckons with it").wait_for()


def test_bring_a_file_in(keys, new_shop, tmp_path):
    clear(new_shop.store)
    open_page(keys.page, new_shop, "data_in")
    keys.to("Make an empty store")
    keys.press("Enter")
    keys.page.wait_for_function("() => document.querySelector('h1.answer').innerText.includes('Drop your sheets')")
    sheet = tmp_path / "units.csv"
    sheet.write_text("unit,family,origin\nP-1,pump,new\n", encoding="utf-8")
    keys.to("Upload")
    with keys.page.expect_file_chooser() as chooser:
        keys.page.keyboard.press("Enter")
    chooser.value.set_files(sheet)
    keys.page.get_by_text("units.csv", exact=True).first.wait_for()
    keys.to("Load")
    keys.press("Enter")
    keys.page.wait_for_function("() => document.querySelector('h1.answer').innerText.includes('every row was good')")
