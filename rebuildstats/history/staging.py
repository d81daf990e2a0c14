"""The first half of a load: sheets -> text rows in memory, one table of text per table of the contract."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import datetime
from typing import Any

import duckdb
import pandas as pd

from rebuildstats.history import read, store, tables
from rebuildstats.history.contract import TABLES, Table
from rebuildstats.history.statements import quoted, statement

COUNTS = ("read", "new", "changed", "same", "rejected", "held", "blank")


class Staging:
    """The rows of one load as text, on a connection to memory.

    A table of text is made when the first row for it comes; `staged_tables` says which there are.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, now: datetime | None, person: str | None = None) -> None:
        self.con = con
        self.person = person or store.who()
        self.replaces_job: str | None = None  # a form holds all findings of its job; others of that job go
        self.now = store.moment(now)
        self.today = (now.astimezone() if now is not None else datetime.now().astimezone()).date()
        self.notices: list[str] = []
        self.rows = 0
        self.files: list[tuple[int, int]] = []
        self.fast_tables: set[str] = set()
        self.staged_tables: set[str] = set()
        self.bad: Counter[str] = (
            Counter()
        )  # faults found in a table's rows; where there are none, much needn't be asked
        self.counts = {t.name: dict.fromkeys(COUNTS, 0) for t in TABLES}
        self.read_tables: list[str] = []
        con.execute(statement("load/types", no_names=tables.no_written())).fetchall()
        con.execute(statement("joins/shape", shape=tables.shape("name"))).fetchall()

    def run(self, name: str, values: dict[str, Any] | None = None, /, **names: str) -> list[tuple[Any, ...]]:
        return self.con.execute(statement(name, **names), values or {}).fetchall()

    def make_stage(self, table: Table) -> None:
        """Make the table of text for a table of the contract, where there is none yet."""
        if table.name in self.staged_tables:
            return
        self.staged_tables.add(table.name)
        self.run(
            "load/stage_table",
            stage=tables.stage(table),
            rows=tables.rows(table),
            columns=", ".join(f"{quoted(c.name)} VARCHAR" for c in table.columns),
        )

    def stage(self, sheets: Iterable[read.Sheet]) -> None:
        """Bring the rows of sheets into memory as text."""
        for sheet in sheets:
            number = len(self.files)
            self.make_stage(sheet.table)
            if sheet.frame is None and not self._stage_fast(sheet, number):
                sheet = read.careful_sheet(sheet)
            self.notices += sheet.notices
            if sheet.frame is not None:
                self._stage_frame(sheet, number)
            found = sheet.found
            self.run(
                "load/add_file",
                {
                    "file": number,
                    "name": sheet.name,
                    "path": str(found.path),
                    "table": sheet.table.name,
                    "bytes": found.size,
                    "sha256": found.sha256,
                },
            )
            if sheet.note_positions:
                kept = ", ".join(sheet.note_positions)
                self.notices.append(f"{sheet.name}: no column of {sheet.table.name}, kept as notes: {kept}")

    def _stage_frame(self, sheet: read.Sheet, number: int) -> None:
        frame = sheet.frame
        assert frame is not None
        self.con.register("incoming", frame)
        self.run("load/stage_frame", {"first": self.rows, "file": number}, rows=tables.rows(sheet.table))
        self.con.unregister("incoming")
        self._staged(sheet, number, len(frame))

    def _stage_fast(self, sheet: read.Sheet, number: int) -> bool:
        """Whether DuckDB's reader took the file without finding anything odd; nothing of it stays where not."""
        table = sheet.table
        values: dict[str, Any] = {
            "path": tables.escaped_glob(str(sheet.found.path)),
            "delimiter": sheet.delimiter,
            "columns": {f"c{i}": "VARCHAR" for i in range(len(sheet.positions) + len(sheet.note_positions))},
        }
        cells = {
            "cells": (tables.trimmed_cells if sheet.blanks else tables.bare_cells)(sheet.positions),
            "notes": tables.notes_of_cells(sheet.note_positions),
        }
        alone = table.name not in self.fast_tables
        try:
            if alone:
                self.run("load/stage_csv_alone", values, fast=tables.fast(table), **cells)
                done = self.run("load/how_many", relation=tables.fast(table))[0][0]
            else:
                values |= {"first": self.rows, "file": number}
                self.run("load/stage_csv", values, rows=tables.rows(table), **cells)
                done = self.run("load/staged_rows", {"file": number}, stage=tables.rows(table))[0][0]
        except duckdb.Error:
            done = -1
        if done != sheet.expected_rows:  # odd bytes, or line breaks inside cells: line numbers need the careful way
            if not alone:
                self.run("load/unstage", {"file": number}, rows=tables.rows(table))
            return False
        if alone:
            self.fast_tables.add(table.name)
            self.run(
                "load/stage_with_fast",
                stage=tables.stage(table),
                rows=tables.rows(table),
                fast=tables.fast(table),
                first=str(self.rows),
                file=str(number),
            )
        self._staged(sheet, number, done)
        return True

    def _staged(self, sheet: read.Sheet, number: int, rows: int) -> None:
        self.rows += rows
        self.files.append((number, rows))
        self.counts[sheet.table.name]["read"] += rows
        self.seen(sheet.table)

    def seen(self, table: Table) -> None:
        """Rows of this table are counted in this load."""
        if table.name not in self.read_tables:
            self.read_tables.append(table.name)

    def counts_frame(self) -> pd.DataFrame:
        """What became of the rows: a row per table that was read, columns table and COUNTS."""
        names = [t.name for t in TABLES if t.name in self.read_tables]
        frame = pd.DataFrame([(name, *self.counts[name].values()) for name in names], columns=["table", *COUNTS])
        return frame.astype({"table": "str"} | dict.fromkeys(COUNTS, "int64"))
