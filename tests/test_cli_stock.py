"""The counter's commands at the terminal: kits, picks, spares, suppliers, overdue, shortages, deadstock, lots, curve,
and an order with suppositions and a workbook."""

from __future__ import annotations

import csv
import hashlib
import io
from datetime import timedelta
from pathlib import Path

import openpyxl
import pytest

from rebuildstats import counter
from rebuildstats.stock.outlook import Outlook
from tests.fleets.random_fleet import cut_day, random_fleet
from tests.small_stores import store_of_one_teardown, write
from tests.terminal import run

COMMANDS = {
    "kits": ((), "unit family site booked due_on chance_teardown chance_complete"),
    "picks": ((), "unit family part name chance quantity on_hand what lacking"),
    "spares": ((), "family ready in_work teardowns_a_year turn_days turns in_work_mean chance_none"),
    "suppliers": ((), "supplier lines pieces money extra_pieces extra_money least_money lacking"),
    "overdue": ((), "order part site pieces ordered_on due_on late_days reason"),
    "shortages": ((), "part site name on_hand on_order arrives_on chance_short chance_lower chance_upper"),
    "deadstock": ((), "part site name on_hand needed dead money reason"),
    "lots": (("--order-cost", "25"), "part site name supplier pieces_a_year unit_cost pack_size min_order lot"),
    "curve": ((), "label money job_fill job_fill_lower job_fill_upper held_jobs"),
}
FORESEEN: dict[Path, Outlook] = {}


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A store with a small random fleet in it, one of whose units is booked, and an order that is late."""
    place = tmp_path_factory.mktemp("shop")
    fleet = random_fleet(5, units=30, years=3, families=1, components=7)
    day = cut_day(fleet)
    fleet.write(place / "tables", day)
    store = place / "history.duckdb"
    run("--store", store, "init", "--distance", "mi")
    assert run("--store", store, "load", place / "tables").code == 0
    rows = list(csv.DictReader(io.StringIO((place / "tables" / "fitments.csv").read_text(encoding="utf-8"))))
    unit = next(row["unit"] for row in rows if not row["removed_on"])
    part = fleet.plan.parts[0]["part"]
    more = write(
        place / "more",
        planned=[{"plan": "BOOKED", "due_on": str(day + timedelta(days=20)), "unit": unit}],
        orders=[{"order": "LATE", "part": part, "site": "north", "ordered_on": str(day - timedelta(days=200)),
                 "quantity": 3, "due_on": str(day - timedelta(days=100))}],
    )  # fmt: skip
    assert run("--store", store, "load", more).code == 0
    return store, unit, str(part)


@pytest.fixture(autouse=True)
def elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("REBUILDSTATS_STORE", raising=False)


@pytest.fixture
def foreseen(shop, monkeypatch):
    """The lists of one history look at the same futures: they are drawn once for all tests of this module."""
    store = shop[0]
    if store not in FORESEEN:
        FORESEEN[store] = counter._outlook(store, None)[1]
    monkeypatch.setattr(counter, "_ahead", lambda _store, _now: FORESEEN[store])


def rows_of(told):
    assert told.code == 0, told.err
    return list(csv.DictReader(io.StringIO(told.out)))


@pytest.mark.usefixtures("foreseen")
@pytest.mark.parametrize("command", COMMANDS)
def test_every_list_answers_with_its_columns_and_says_what_it_comes_to(shop, command):
    arguments, columns = COMMANDS[command]
    told = run("--store", shop[0], command, *arguments, "--format", "csv")
    head = next(csv.reader(io.StringIO(told.out)))
    assert told.code == 0, told.err
    assert head[: len(columns.split())] == columns.split()
    assert told.err.strip()


def test_the_late_order_is_named_with_its_days(shop):
    rows = rows_of(run("--store", shop[0], "overdue", "--format", "csv"))
    late = next(row for row in rows if row["order"] == "LATE")
    assert float(late["late_days"]) > 0
    assert late["part"] == shop[2]
    assert "days late" in late["reason"]


@pytest.mark.usefixtures("foreseen")
def test_a_pick_list_of_one_unit_says_what_to_pull(shop):
    told = run("--store", shop[0], "picks", shop[1], "--format", "csv")
    rows = rows_of(told)
    assert {row["unit"] for row in rows} == {shop[1]}
    assert {row["what"] for row in rows} <= {"pull now", "have at hand"}
    # renewed at every rebuild, so it is pulled for every one
    assert any(row["what"] == "pull now" and float(row["chance"]) > 0.7 for row in rows)
    assert "chance that all it needs is on the shelf" in told.err
    assert run("--store", shop[0], "picks", "no such unit").code == 2


@pytest.mark.usefixtures("foreseen")
def test_spares_for_a_smaller_chance_of_none_are_more(shop):
    usual = rows_of(run("--store", shop[0], "spares", "--format", "csv"))[0]
    surer = rows_of(run("--store", shop[0], "spares", "--most-chance", "0.001", "--format", "csv"))[0]
    assert float(surer["spares"]) > float(usual["spares"])
    assert float(usual["chance_none_lower"]) <= float(usual["chance_none"]) <= float(usual["chance_none_upper"])


@pytest.mark.usefixtures("foreseen")
def test_a_least_sum_of_a_supplier_is_held_against_the_order(shop):
    rows = rows_of(run("--store", shop[0], "suppliers", "--format", "csv"))
    name, money = rows[0]["supplier"], float(rows[0]["money"])
    told = run("--store", shop[0], "suppliers", "--least", f"{name}={money + 100}", "--format", "csv")
    row = next(row for row in rows_of(told) if row["supplier"] == name)
    assert float(row["lacking"]) == pytest.approx(100, abs=0.011)
    assert "below its least sum" in told.err


@pytest.mark.usefixtures("foreseen")
def test_the_marks_of_the_curve_come_first(shop):
    rows = rows_of(run("--store", shop[0], "curve", "--format", "csv"))
    assert [row["label"] for row in rows[:3]] == ["today's shelf", "today's habit", "this plan"]
    steps = [float(row["money"]) for row in rows[3:]]
    assert steps == sorted(steps)


@pytest.fixture(scope="module")
def ordered(shop):
    """The rows of an order, its workbook, and what was said."""
    book = shop[0].with_name("order.xlsx")
    told = run("--store", shop[0], "order", "--workbook", book, "--format", "csv")
    return rows_of(told), book, told.err


def test_a_supposition_is_told_beside_what_is_and_leaves_the_store_alone(shop, ordered):
    store, _, part = shop
    before = hashlib.sha256(store.read_bytes()).hexdigest()
    told = run("--store", store, "order", "--what-if", "lead-time=+30", "--what-if", f"price:{part}=1000",
               "--format", "csv")  # fmt: skip
    rows = rows_of(told)
    assert hashlib.sha256(store.read_bytes()).hexdigest() == before
    days = {(row["part"], row["site"]): float(row["lead_time_days"]) for row in ordered[0]}
    assert all(float(r["lead_time_days"]) == pytest.approx(days[r["part"], r["site"]] + 30) for r in rows)
    assert {row["unit_cost"] for row in rows if row["part"] == part} == {"1000"}
    assert "Nothing in the store was changed" in told.err
    assert "As it is," in told.err


def test_the_workbook_of_an_order_is_written_beside_the_table(ordered):
    rows, file, said = ordered
    book = openpyxl.load_workbook(file)
    parts = [cell.value for cell in book["Order"]["B"][1:] if cell.value]
    assert sorted(parts) == sorted(row["part"] for row in rows if float(row["order_now"]) > 0)
    assert "order.xlsx" in said


@pytest.mark.parametrize(
    "arguments",
    [
        ("order", "--what-if", "weather=bad"),
        ("order", "--workbook", "order.csv"),
        ("order", "--workbook", "no/folder/order.xlsx"),
        ("suppliers", "--least", "Norton"),
        ("suppliers", "--job-fill", "0.9", "--budget", "5"),
        ("spares", "--most-chance", "2"),
        ("kits", "--days", "0"),
        ("picks", "--least-chance", "1.5"),
        ("lots", "--order-cost", "0"),
        ("lots",),
        ("deadstock", "--part-fill", "1"),
        ("curve", "--budget", "-1"),
    ],
)
def test_wrong_arguments_are_refused_before_the_store_is_read(arguments):
    told = run("--store", "no store at all", *arguments)
    assert told.code == 2
    assert "no store" not in told.words


@pytest.fixture(scope="module")
def single(tmp_path_factory):
    """A store with one teardown and no parts."""
    return store_of_one_teardown(tmp_path_factory.mktemp("single"))


@pytest.mark.parametrize("command", [name for name in COMMANDS if name != "overdue"])
def test_without_parts_there_is_nothing_to_compute(single, command):
    told = run("--store", single, command, *COMMANDS[command][0])
    assert told.code == 4
    assert "parts" in told.err


def test_without_orders_none_is_overdue(single):
    told = run("--store", single, "overdue")
    assert told.code == 0
    assert "No order is known" in told.err


@pytest.mark.parametrize("command", COMMANDS)
def test_help_says_what_a_list_is_for(command):
    told = run(command, "--help")
    assert told.code == 0
    assert "--as-of" in told.out
