"""Any history written by `export` and loaded again is the same store: random rows of every table, with names and texts
chosen to be nasty, some of them replaced, withdrawn or undone since.
"""

from __future__ import annotations

import csv
import tempfile
from datetime import date
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
TEXT = st.sampled_from(NASTY) | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=8)


def cell(column: Column, names: dict[str, list[str]]) -> st.SearchStrategy[str]:
    """A cell of a column; empty ones too where the column allows it."""
    thing = ALSO.get(column.name, column.name)
    if thing in names:
        full: st.SearchStrategy[str] = st.sampled_from(names[thing])
    elif column.kind == "date":
        full = st.dates(date(1990, 1, 1), date(2025, 6, 1)).map(str)
    elif column.kind == "word":
        full = st.sampled_from(column.words)
    elif column.kind == "flag":
        full = st.sampled_from(["true", "false"])
    elif column.kind == "whole":
        full = st.integers(1, 2).map(str)
    elif column.kind == "number":
        full = st.floats(0, 1e12, allow_nan=False).map(repr)
    else:
        full = TEXT
    return full if column.required else st.just("") | full


@st.composite
def sheets(draw: st.DrawFn) -> dict[str, list[Row]]:
    """Rows for every table; what the load then rejects or holds is no part of the history."""
    names = {
        name: draw(
            st.lists(TEXT.filter(lambda t: t.strip("\ufeff").strip() != ""), min_size=1, max_size=3, unique=True)
        )
        for name in NAMES
    }
    return {
        table.name: draw(
            st.lists(
                st.fixed_dictionaries({c.name: cell(c, names) for c in table.columns} | {"a note": TEXT}), max_size=4
            )
        )
        for table in TABLES
    }


def write(folder: Path, tables: dict[str, list[Row]]) -> Path:
    folder.mkdir()
    for name, rows in tables.items():
        if rows:
            with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as out:
                writer = csv.DictWriter(out, list(rows[0]))
                writer.writeheader()
                writer.writerows(rows)
    return folder


@given(sheets(), sheets(), st.booleans(), st.sampled_from(["csv", "parquet"]))
@settings(max_examples=3, deadline=None)
def test_what_is_exported_loads_back_to_the_same_store(
    first: dict[str, list[Row]], second: dict[str, list[Row]], back: bool, form: str
) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one, two = folder / "one.duckdb", folder / "two.duckdb"
        store.create(one, "mi")
        for number, tables in enumerate((first, second)):
            if any(tables.values()):
                load_files(one, [write(folder / f"sheets{number}", tables)], now=NOW)
        before: Any = whole(one)
        if before["teardowns"]:
            withdraw_teardown(one, before["teardowns"][0][0], now=NOW)
            if back:
                undo_last_load(one, now=NOW)
                assert whole(one) == before
        if not any(whole(one).values()):
            return
        export_tables(one, folder / "out", form=form)
        store.create(two, "mi")
        report = load_files(two, [folder / "out"], now=NOW)
        assert report.complete, report.rejects
        assert whole(two) == whole(one)
