"""Every command at the terminal: what it prints where, with which exit code, on good and on wrong input."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import subprocess
import sys

import pytest

from rebuildstats import __version__
from rebuildstats.history.contract import TABLES
from tests.asking import ASKING
from tests.ready_fleet import ready_fleet
from tests.small_stores import one_teardown, write
from tests.terminal import run

# The first columns of each command's table, as other programs may rely on them.
CONTRACT = {
    "lives": (
        "family component position unit number entry_age lower_age upper_age opened_by closed_by part site duty bench"
    ),
    "life": (
        "family component distribution scale shape b10 b10_lower b10_upper median median_lower "
        "median_upper events lives exposure shrinkage"
    ),
    "wear": (
        "family component point chance_bad chance_lower chance_upper reading_q10 reading_q50 reading_q90 "
        "low_limit high_limit part quantity"
    ),
    "inspections": (
        "family point component checked failed share share_lower share_upper expected_checked expected_failed"
    ),
    "repeats": (
        "kind name family component observed expected comebacks comebacks_expected ratio ratio_lower "
        "ratio_upper p_value q_value since flagged"
    ),
    "recurrence": "family component by group units events distance rate rate_lower rate_upper",
    "damage": "family cause damaged failures with_damage share share_lower share_upper base_share pieces",
    "drift": "site reading_unit since shift shift_lower shift_upper readings points points_shifted",
    "shares": "family point component age_from age_to checked failed share share_lower share_upper",
    "makes": (
        "family component part events lives exposure b10 b10_lower b10_upper median median_lower median_upper ratio "
        "ratio_lower ratio_upper p_value unit_cost quantity cost_per_10000 cost_lower cost_upper against cost_ratio "
        "cost_ratio_lower cost_ratio_upper"
    ),
    "rates": (
        "family component duty events lives exposure rate rate_lower rate_upper mean_distance mean_lower mean_upper"
    ),
    "rivals": "family component distribution chosen share aicc b10 b10_lower b10_upper interval",
    "points": (
        "family point component method model checked fails readings units wear_10000 wear_lower wear_upper age_10 "
        "age_10_lower age_10_upper age_50 age_50_lower age_50_upper age_90 age_90_lower age_90_upper"
    ),
    "doubts": (
        "family component events lives fit_p_value statement early_observed early_expected early_p_value early_signal "
        "b10 b10_lower b10_upper b10_if_false_fails b10_if_missed_fails"
    ),
    "forecast": "part month method mean sd q05 q25 q50 q75 q90 q95 q99",
    "order": (
        "part site on_hand on_order lead_time_days lead_time_mean lead_time_q95 reorder_point "
        "order_up_to order_now unit_cost order_cost part_fill held_jobs_avoided reason"
    ),
    "load": "table read new changed same rejected held blank",
}


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A store with a small random fleet in it, and its sheets."""
    return shutil.copyfile(ready_fleet(), tmp_path_factory.mktemp("shop") / "history.duckdb")


@pytest.fixture(autouse=True)
def elsewhere(tmp_path, monkeypatch):
    """Every test runs in an empty folder of its own, without a store named by the environment."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("REBUILDSTATS_STORE", raising=False)
    monkeypatch.delenv("REBUILDSTATS_DEBUG", raising=False)


def test_version_and_help():
    assert run("--version").out == f"rebuildstats {__version__}\n"
    told = run("--help")
    assert told.code == 0
    assert "wear" in told.out
    bare = run()
    assert bare.code == 2
    assert "wear" in bare.err


@pytest.mark.parametrize("command", [*ASKING, "demo", "init", "load", "dashboard"])
def test_every_command_explains_itself(command):
    told = run(command, "--help")
    assert told.code == 0
    assert len(told.out.splitlines()) > 5


PRINTED = [name for name in ASKING if name not in ("sheet", "backtest")]


@pytest.mark.parametrize(
    ("command", "form"),
    [*((name, "csv") for name in PRINTED), *((n, f) for n in ("life",) for f in ("table", "json"))],
)
def test_tables_come_in_three_forms_alone_on_standard_output(shop, command, form):
    told = run("--store", shop, command, *ASKING[command], "--format", form)
    assert told.code == 0, told.err
    wanted = CONTRACT.get(command, "").split()
    if form == "csv":
        rows = list(csv.reader(io.StringIO(told.out)))
        assert rows[0][: len(wanted)] == wanted
        assert {len(row) for row in rows} == {len(rows[0])}
    elif form == "json":
        rows = json.loads(told.out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
        assert all(list(row)[: len(wanted)] == wanted for row in rows)
    else:
        assert told.out.strip()


def test_the_file_of_out_decides_the_form(shop, tmp_path):
    told = run("--store", shop, "life", "--out", tmp_path / "life.csv")
    assert told.code == 0
    assert told.out == ""
    direct = run("--store", shop, "life", "--format", "csv").out
    assert (tmp_path / "life.csv").read_text(encoding="utf-8") == direct
    run("--store", shop, "life", "--out", tmp_path / "life.json")
    assert json.loads((tmp_path / "life.json").read_text(encoding="utf-8"))


def test_the_store_can_be_named_by_the_environment(shop, monkeypatch):
    monkeypatch.setenv("REBUILDSTATS_STORE", str(shop))
    assert run("life", "--format", "csv").out == run("--store", shop, "life", "--format", "csv").out


def test_two_runs_print_the_same_digits(shop):
    command = ("--store", shop, "wear", "F1", "--mileage", 90000, "--format", "csv")
    assert run(*command).out == run(*command).out


def test_load_counts_add_up_and_the_same_folder_changes_nothing(shop):
    told = run("--store", shop, "load", ready_fleet().parent / "sheets", "--format", "csv")
    assert told.code == 0
    rows = list(csv.DictReader(io.StringIO(told.out)))
    assert list(rows[0]) == CONTRACT["load"].split()
    for row in rows:
        numbers = {name: int(row[name]) for name in row if name != "table"}
        assert numbers["read"] == sum(numbers.values()) - numbers["read"]
        assert numbers["same"] == numbers["read"]
    assert "read " in told.err
    assert " = new 0 + " in told.err


def test_rejected_rows_are_written_out_and_exit_3(tmp_path):
    folder = one_teardown(tmp_path / "in")
    with (folder / "teardowns.csv").open("a", encoding="utf-8") as file:
        file.write("J2,U9,2025-07-01,90000\n")
    run("--store", "s", "init", "--distance", "km")
    told = run("--store", "s", "load", folder, "--rejects", "rejects.csv")
    assert told.code == 3
    assert "U9" in told.err
    rows = list(csv.DictReader(io.StringIO((tmp_path / "rejects.csv").read_text(encoding="utf-8"))))
    assert [(row["table"], row["line"], row["value"]) for row in rows] == [("teardowns", "3", "U9")]
    assert "U9" in rows[0]["row"]


def test_a_dry_run_changes_nothing(tmp_path):
    run("--store", "s", "init", "--distance", "km")
    before = (tmp_path / "s").read_bytes()
    told = run("--store", "s", "load", one_teardown(tmp_path / "in"), "--dry-run")
    assert told.code == 0
    assert "nothing was changed" in told.err
    assert (tmp_path / "s").read_bytes() == before


def test_wear_has_cautions_first_and_the_maker_last(tmp_path):
    folder = one_teardown(tmp_path / "in")
    write(
        folder,
        points=[
            {"family": "F1", "point": "gap", "component": "ring", "method": "gauge", "caution": "Spring under load"}
        ],
    )
    run("--store", "s", "init", "--distance", "mi")
    assert run("--store", "s", "load", folder).code == 0
    told = run("--store", "s", "wear", "F1", "--mileage", 50000)
    assert told.code == 0
    lines = told.out.splitlines()
    assert lines[0] == "CAUTION: Spring under load (ring: gap)"
    assert "the maker's limit, local codes and a licensed technician's judgement come before this forecast" in lines[-1]
    as_csv = run("--store", "s", "wear", "F1", "--mileage", 50000, "--format", "csv")
    assert as_csv.out.startswith("family,component,point")
    assert "Spring under load" in as_csv.err


@pytest.mark.parametrize("ending", ["html", "pdf"])
def test_sheet_of_a_family_and_of_a_unit(shop, tmp_path, ending):
    told = run("--store", shop, "sheet", "F1", "--mileage", 120000, "--out", f"family.{ending}")
    assert told.code == 0, told.err
    unit = next(
        row["unit"] for row in csv.DictReader(io.StringIO(run("--store", shop, "lives", "--format", "csv").out))
    )
    told = run("--store", shop, "sheet", unit, "--out", f"unit.{ending}")
    assert told.code == 0, told.err
    for name in ("family", "unit"):
        data = (tmp_path / f"{name}.{ending}").read_bytes()
        assert data.startswith(b"%PDF" if ending == "pdf" else b"<!doctype html>")
    assert "the maker's limit" in told.err


def test_undo_brings_back_what_was_before(tmp_path):
    run("--store", "s", "init", "--distance", "mi")
    nothing = run("--store", "s", "undo")
    assert nothing.code == 2
    assert "nothing to undo" in nothing.err
    run("--store", "s", "load", one_teardown(tmp_path / "in"))
    assert run("--store", "s", "lives").code == 0
    told = run("--store", "s", "undo", "--format", "csv")
    assert told.code == 0
    assert "teardowns,1" in told.out
    assert run("--store", "s", "lives").code == 4


def test_withdraw_takes_one_teardown_out(tmp_path):
    run("--store", "s", "init", "--distance", "mi")
    run("--store", "s", "load", one_teardown(tmp_path / "in"))
    unknown = run("--store", "s", "withdraw", "J9")
    assert unknown.code == 2
    assert "J9" in unknown.err
    told = run("--store", "s", "withdraw", "J1", "--format", "csv")
    assert told.code == 0
    assert told.out.splitlines() == ["table,rows", "teardowns,1", "findings,1"]
    assert run("--store", "s", "lives").code == 4


def test_settings_are_shown_and_changed():
    run("--store", "s", "init", "--distance", "km")
    shown = run("--store", "s", "settings", "--format", "json")
    assert {row["setting"]: row["value"] for row in json.loads(shown.out)} == {
        "distance": "km",
        "comeback_distance": "12000",
        "comeback_days": "365",
        "benches_shown": "true",
    }
    changed = run("--store", "s", "settings", "--comeback-days", 90, "--no-benches", "--format", "json")
    assert {"setting": "comeback_days", "value": "90"} in json.loads(changed.out)
    assert json.loads(run("--store", "s", "settings", "--format", "json").out) == json.loads(changed.out)
    assert run("--store", "s", "settings", "--comeback-distance", "-3").code == 2


def test_a_reader_that_goes_away_is_no_error_to_show(shop):
    command = f'"{sys.executable}" -m rebuildstats --store "{shop}" lives --format csv | head -1'
    done = subprocess.run(command, shell=True, capture_output=True, text=True, env=os.environ, check=False)
    assert done.stdout.startswith("family,component")
    assert "Traceback" not in done.stderr
    assert "BrokenPipe" not in done.stderr


def test_every_table_of_the_contract_can_be_loaded_alone(tmp_path):
    """A newcomer's first try is often one file with a header only: read 0, no error."""
    run("--store", "s", "init", "--distance", "h")
    for table in TABLES:
        file = tmp_path / f"{table.name}.csv"
        file.write_text(",".join(column.name for column in table.columns) + "\n", encoding="utf-8")
        told = run("--store", "s", "load", file)
        assert told.code == 0, told.err
