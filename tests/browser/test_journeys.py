"""What a person comes for, from the first look to the last click, in both themes and at both widths."""

from __future__ import annotations

import shutil

import pytest

from rebuildstats import commands
from rebuildstats.kept_answers.shelf import shelf
from tests.browser.conftest import (
    EVERY_LOOK,
    LOOKS,
    answer,
    choose,
    clear,
    click_button,
    download,
    furnish,
    open_page,
    settled,
)
from tests.ready_fleet import ready_fleet
from tests.waiting import until


def test_order_today_then_open_a_part_and_come_back(page, shop, tmp_path):
    open_page(page, shop, "")
    assert "rder" in answer(page)
    order = download(page, "export_order_today", tmp_path)
    assert order.read_text(encoding="utf-8").startswith("part,site,on_hand")
    choose(page, "Open a part", "F1-P01")
    page.get_by_role("button", name="Back to the order").wait_for()
    assert "F1-P01" in answer(page)
    page.wait_for_function("() => location.search.includes('part=F1-P01')")
    page.wait_for_function("() => document.querySelectorAll('.js-plotly-plot').length >= 2")
    address = page.url.removeprefix(shop.url + "/")
    open_page(page, shop, address)
    assert "F1-P01" in answer(page)
    click_button(page, "Back to the order")
    page.wait_for_function("() => document.querySelector('h1.answer').innerText.includes('rder')")
    page.wait_for_function("() => !location.search.includes('part=')")


def test_find_what_comes_back_and_the_teardowns_behind_it(page, shop, tmp_path):
    open_page(page, shop, "shop_office")
    assert answer(page)
    page.get_by_text("teardowns behind it").first.click()
    settled(page)
    behind = download(page, "export_teardowns_behind", tmp_path).read_text(encoding="utf-8")
    assert behind.startswith("opened_on,job,unit")
    assert len(behind.splitlines()) >= 2
    page.wait_for_function("() => document.querySelectorAll('.js-plotly-plot').length >= 3")


def test_look_up_a_unit_and_take_its_sheet(page, shop, tmp_path):
    open_page(page, shop, "bench")
    choose(page, "Unit (serial number)", "F1-003")
    page.wait_for_function("() => document.querySelector('h1.answer').innerText.includes('F1-003')")
    page.wait_for_function("() => location.search.includes('unit=F1-003')")
    sheet = download(page, "sheet_pdf", tmp_path)
    assert sheet.read_bytes().startswith(b"%PDF")
    page_sheet = download(page, "sheet_html", tmp_path).read_text(encoding="utf-8")
    assert "F1-003" in page_sheet
    assert "before this forecast" in page.locator(".closing").inner_text()


def test_a_messy_file_is_loaded_corrected_and_loaded_again(page, new_shop, tmp_path):
    clear(new_shop.store)
    open_page(page, new_shop, "data_in")
    assert "no history" in answer(page)
    click_button(page, "Make an empty store")
    page.wait_for_function("() => document.querySelector('h1.answer').innerText.includes('Drop your sheets')")
    sheets = {
        "units.csv": "unit,family,origin\nP-1,pump,new\nP-2,pump,nwe\n",
        "components.csv": "family,component\npump,seal\n",
        "teardowns.csv": "job,unit,opened_on,unit_mileage\nJ1,P-1,2025-03-01,80000\nJ2,P-1,1 April,90000\n",
        "findings.csv": "job,component,verdict,action\nJ1,seal,fail,replace\nJ2,seal,ok,reuse\n",
    }
    bring(page, tmp_path, sheets)
    assert "correct 3" in answer(page)  # a word nobody knows, a day that is none, and the finding that waits for it
    rejects = download(page, "rejects", tmp_path).read_text(encoding="utf-8")
    assert "nwe" in rejects
    assert "1 April" in rejects
    bring(
        page,
        tmp_path,
        {
            "units.csv": "unit,family,origin\nP-2,pump,new\n",
            "teardowns.csv": "job,unit,opened_on,unit_mileage\nJ2,P-1,2025-04-01,90000\n",
        },
    )
    assert "every row was good" in answer(page)


def test_write_down_a_teardown_and_take_it_back(page, new_shop):
    unit = write_one_down(page, new_shop)
    teardowns = commands.known(new_shop.store).records.teardowns
    assert len(teardowns[teardowns["unit"] == unit]) == len(jobs_before(unit)) + 1
    click_button(page, "Take it back")
    page.get_by_text("Every page now reckons with it").wait_for(state="detached")
    teardowns = commands.known(new_shop.store).records.teardowns
    assert sorted(teardowns.loc[teardowns["unit"] == unit, "job"]) == jobs_before(unit)


@pytest.mark.parametrize("page", LOOKS if EVERY_LOOK else LOOKS[1:2], indirect=True)
def test_the_forecast_moves_with_what_was_written_down(page, new_shop):
    write_one_down(page, new_shop, first=7)  # what another journey took back lies as a draft of its unit
    place = shelf(ready_fleet())
    before = totals(place.take("forecast", {"months": 12})["rows"])
    after = totals(commands.forecast(new_shop.store, total=True, all_methods=True).frame())
    assert after.index.equals(before.index)
    assert (after - before).abs().max() > 0.001
    page.goto(f"{new_shop.url}/")  # the counter says that its answers are being worked out, and can be stopped
    stop = page.get_by_role("button", name="Stop it")
    page.wait_for_function(STOP_OR_ORDER)
    if "rder" in answer(page):  # on a fast machine it is done already
        return
    stop.click()
    page.get_by_text("Not worked out. Stopped.").wait_for()
    page.get_by_role("button", name="Work it out").wait_for()


def test_correct_a_stored_teardown_and_see_what_it_said(page, new_shop):
    furnish(new_shop.store)
    unit, job = stored_job()
    open_page(page, new_shop, f"bench?do=write&unit={unit}&job={job}")
    assert "0 of" not in answer(page)
    assert job in answer(page)
    box = page.get_by_label("Unit mileage").first
    box.fill("123456")
    box.press("Tab")
    settled(page)
    click_button(page, "Store the correction")
    page.get_by_text("Stored:").wait_for()
    open_page(page, new_shop, f"bench?do=write&unit={unit}&job={job}")
    page.get_by_text("What it said before (1 changes)").wait_for()
    open_page(page, new_shop, "data_in")
    click_button(page, "Undo the last load")
    page.get_by_text("Undone:").wait_for()


def write_one_down(page, new_shop, first=3):
    """Write a teardown with a failed and replaced part down; returns its unit, one of the four from the `first` on."""
    furnish(new_shop.store)
    unit = f"F1-{first + [look.id for look in LOOKS].index(look_of(page)):03d}"  # drafts are by unit
    open_page(page, new_shop, f"bench?do=write&unit={unit}")
    assert "0 of" in answer(page)
    page.get_by_role("radio", name="Fail", exact=True).first.click()
    page.wait_for_function("() => document.querySelector('h1.answer').innerText.includes('1 of')")
    settled(page)
    page.get_by_role("radio", name="Replace", exact=True).first.click()
    page.get_by_label("Part fitted").first.wait_for()
    settled(page)
    click_button(page, "Store this teardown")
    page.get_by_text("Every page now reckons with it").wait_for()
    return unit


def look_of(page):
    dark = page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    return f"{'dark' if dark else 'light'}-{'tablet' if page.viewport_size['width'] > 500 else 'phone'}"


def jobs_before(unit):
    teardowns = shelf(ready_fleet()).rows("records.teardowns", where={"unit": unit})
    return sorted(teardowns["job"])


def stored_job():
    """The unit and job of the last teardown."""
    teardowns = shelf(ready_fleet()).rows("records.teardowns")
    row = teardowns.sort_values(["opened_on", "job"]).iloc[-1]
    return row["unit"], row["job"]


STOP_OR_ORDER = """() => document.querySelector('h1.answer')?.innerText.includes('rder')
    || [...document.querySelectorAll('button')].some(button => button.innerText.includes('Stop it'))"""


def totals(rows):
    """Every part's expected pieces over the horizon, by part and method."""
    return rows[rows["month"] == "total"].set_index(["part", "method"])["mean"].sort_index()


def bring(page, folder, sheets):
    """Drop files on the page and press Load."""
    place = folder / "dropped"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    for name, text in sheets.items():
        (place / name).write_text(text, encoding="utf-8")
    before = answer(page)
    remove = page.get_by_role("button", name="Remove")
    while left := remove.count():
        remove.last.click()
        until(lambda most=left: remove.count() < most)
        settled(page)  # each removal draws the place for files anew: what is dropped meanwhile is lost
    page.locator("input[type=file]").first.set_input_files([place / name for name in sheets])
    for name in sheets:
        page.get_by_text(name, exact=True).first.wait_for()
    settled(page)
    click_button(page, "Load")
    try:
        page.wait_for_function("before => document.querySelector('h1.answer').innerText !== before", arg=before)
    except Exception as error:
        words = page.locator("[data-testid=stMain]").inner_text()
        raise AssertionError(f"nothing was loaded; the page says:\n{words[:1500]}") from error
    settled(page)
