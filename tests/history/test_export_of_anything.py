"""Any history written by `export` and loaded again is the same store: random rows of every table, with names and texts
chosen to be nasty, some of them replaced, withdrawn or undone since.
"""

from __future__ import annotations

import csv
import random
import sys
import tempfile
from contextlib import suppress
from datetime import date, timedelta
from itertools import product
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from rebuildstats.errors import UsageError
from rebuildstats.history import store
from rebuildstats.history.contract import TABLES, Column
from rebuildstats.history.corrections import store_teardown, undo_last_load, withdraw_teardown
from rebuildstats.history.export import export_tables
from rebuildstats.history.joins import join_names, part_names
from rebuildstats.history.keep import check
from rebuildstats.history.load import load_files
from tests.history.conftest import NOW
from tests.history.test_keep import whole

Row = dict[str, str]
# Columns that name the same things wherever they stand.
NAMES = ("vehicle", "unit", "family", "component", "point", "part", "site", "job", "order", "plan", "slip")
ALSO = {"served_by": "site", "supplied_in": "component", "replaced_by": "part", "waiting_for": "part"}
NASTY = (
    "=1+1",
    "'",
    "''x",
    "-",
    "@",
    '"',
    'a"b',
    "a,b",
    "a;b\tc",
    "line\nbreak",
    "\r\n.",
    "0071",
    "1e5",
    "TRUE",
    "null",
    "ü",
    "\ufeffx",
)
LETTERS = "aZ09 ,;'\"=+-@\n\r\t\\/%{}$|.ßéЖ漢\u00a0\u200b\ufeff\x01\x7f"


def text(chance: random.Random) -> str:
    return chance.choice(NASTY) if chance.random() < 0.4 else "".join(chance.choices(LETTERS, k=chance.randrange(8)))


def name(chance: random.Random) -> str:
    while not (found := text(chance)).strip("\ufeff\u200b").strip():
        pass
    return found


def cell(column: Column, names: dict[str, list[str]], chance: random.Random) -> str:
    """A cell of a column; empty now and then where the column allows it."""
    thing = ALSO.get(column.name, column.name)
    if not column.required and chance.random() < 0.3:
        return ""
    if thing in names:
        return chance.choice(names[thing])
    match column.kind:
        case "date":
            return str(date(1990, 1, 1) + timedelta(days=chance.randrange(12_000)))
        case "word":
            return chance.choice(column.words)
        case "flag":
            return chance.choice(["true", "false"])
        case "whole":
            return str(chance.randint(1, 2))
        case "number":
            return repr(chance.choice([chance.uniform(0, 100), chance.lognormvariate(0, 30), 0.1 + 0.2, 1e15, 5e-324]))
        case _:
            return text(chance)


def sheets(chance: random.Random, names: dict[str, list[str]]) -> dict[str, list[Row]]:
    """Rows for every table: what others name stands there itself; of the rest as it comes. What the load then rejects
    or holds is no part of the history.
    """
    tables = {}
    for table in TABLES:
        keys: list[Row] = [{}] * 6
        if all(key in names for key in table.key):
            keys = [dict(zip(table.key, one, strict=True)) for one in product(*(names[key] for key in table.key))]
        tables[table.name] = [
            {c.name: cell(c, names, chance) for c in table.columns} | key | {"a note": text(chance)} for key in keys
        ]
    return tables


def write(folder: Path, tables: dict[str, list[Row]]) -> Path:
    folder.mkdir()
    for name, rows in tables.items():
        if rows:
            with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as out:
                writer = csv.DictWriter(out, list(rows[0]))
                writer.writeheader()
                writer.writerows(rows)
    return folder


def live(path: Path, folder: Path, chance: random.Random, names: dict[str, list[str]], acts: int) -> None:
    """Loads, forms, withdrawals, joins and their undoing, as they come; what a person cannot do is left undone."""
    for number in range(2):
        load_files(path, [write(folder / f"sheets{number}", sheets(chance, names))], now=NOW)
    assert sum(map(len, whole(path).values())) > 10, "hardly a row went in: the test shows nothing"
    for number in range(2, 2 + acts):
        kind = chance.choice(["unit", "part", "vehicle"])
        with suppress(UsageError):
            match chance.randrange(6):
                case 0:
                    load_files(path, [write(folder / f"sheets{number}", sheets(chance, names))], now=NOW)
                case 1:
                    form = sheets(chance, names)
                    job = form["teardowns"][0]["job"]
                    found = [{k: v for k, v in row.items() if k != "a note"} for row in form["findings"]]
                    teardown = {k: v for k, v in form["teardowns"][0].items() if k != "a note"}
                    store_teardown(path, teardown, [row for row in found if row["job"] == job][:2], now=NOW)
                case 2:
                    withdraw_teardown(path, chance.choice(names["job"]), now=NOW)
                case 3:
                    before = whole(path)
                    withdraw_teardown(path, chance.choice(names["job"]), now=NOW)
                    undo_last_load(path, now=NOW)
                    assert whole(path) == before
                case 4:
                    join_names(path, kind, *chance.sample(names[kind], 2), now=NOW)
                case 5:
                    part_names(path, kind, chance.choice(names[kind]), now=NOW)


def check_export(seed: int, form: str, acts: int = 6) -> None:
    """Whatever a store has been through, its export loads whole and gives the same store."""
    chance = random.Random(seed)
    names = {thing: sorted({name(chance) for _ in range(9)})[:2] for thing in NAMES}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        one, two = folder / "one.duckdb", folder / "two.duckdb"
        store.create(one, "mi")
        live(one, folder, chance, names, acts)
        faults = check(one).faults
        assert faults.empty, (seed, faults.to_string())
        export_tables(one, folder / "out", form=form)
        store.create(two, "mi")
        report = load_files(two, [folder / "out"], now=NOW)
        assert report.complete, (seed, report.rejects.to_string())
        assert whole(two) == whole(one), seed


@given(st.integers(0, 2**32), st.sampled_from(["csv", "parquet"]))
@settings(max_examples=2)
def test_what_is_exported_loads_back_to_the_same_store(seed: int, form: str) -> None:
    """More of it by `python -m tests.history.test_export_of_anything 100`."""
    check_export(seed, form, acts=2)


if __name__ == "__main__":
    for number in range(int(sys.argv[1])):
        check_export(number, ("csv", "parquet")[number % 2])
    print(f"{sys.argv[1]} stores: the export of each loads back to the same store")
