"""Any history written by `export` and loaded again is the same store: random rows of every table, with names and texts
chosen to be nasty, some of them replaced, withdrawn or undone since.
"""

from __future__ import annotations

import csv
import random
import tempfile
from datetime import date, timedelta
from itertools import product
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from rebuildstats.history import store
from rebuildstats.history.contract import TABLES, Column
from rebuildstats.history.corrections import undo_last_load, withdraw_teardown
from rebuildstats.history.export import export_tables
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
    # A load does not look again at stored findings when the family of their unit or the count of positions changes.
    fixed = {"units": {"family": names["family"][0]}, "components": {"positions": "2"}}
    tables = {}
    for table in TABLES:
        keys: list[Row] = [{}] * 6
        if all(key in names for key in table.key):
            keys = [dict(zip(table.key, one, strict=True)) for one in product(*(names[key] for key in table.key))]
        tables[table.name] = [
            {c.name: cell(c, names, chance) for c in table.columns}
            | key
            | fixed.get(table.name, {})
            | {"a note": text(chance)}
            for key in keys
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


@given(st.integers(0, 2**32), st.booleans(), st.sampled_from(["csv", "parquet"]))
@settings(max_examples=2, deadline=None)
def test_what_is_exported_loads_back_to_the_same_store(seed: int, back: bool, form: str) -> None:
    chance = random.Random(seed)
    names = {thing: [name(chance) for _ in range(2)] for thing in NAMES}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        one, two = folder / "one.duckdb", folder / "two.duckdb"
        store.create(one, "mi")
        for number in range(2):
            load_files(one, [write(folder / f"sheets{number}", sheets(chance, names))], now=NOW)
        before: Any = whole(one)
        assert sum(map(len, before.values())) > 10, "hardly a row went in: the test shows nothing"
        if before["teardowns"]:
            withdraw_teardown(one, before["teardowns"][0][0], now=NOW)
            if back:
                undo_last_load(one, now=NOW)
                assert whole(one) == before
        export_tables(one, folder / "out", form=form)
        store.create(two, "mi")
        report = load_files(two, [folder / "out"], now=NOW)
        assert report.complete, report.rejects
        assert whole(two) == whole(one)
