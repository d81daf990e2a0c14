"""The tables of a store as files that load back to the same store, and the rejects as files to correct."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path
from typing import TextIO

import duckdb

from rebuildstats.errors import StoreError, UsageError
from rebuildstats.formulas import guarded
from rebuildstats.history import store, tables
from rebuildstats.history.contract import TABLES, Table
from rebuildstats.history.read import NOTES
from rebuildstats.history.statements import literal, quoted, statement

FORMS = ("csv", "parquet")


def export_tables(store_path: str | Path, folder: str | Path, *, form: str = "csv") -> list[Path]:
    """Write every table that has rows into a new or empty folder and return the files.

    Loaded into a new store of the same distance unit they give the same tables. In CSV a text that a spreadsheet
    would take for a formula (it begins with =, +, - or @) stands behind an apostrophe; the load takes it away.
    Columns that the contract does not know stand in the column `_notes` as JSON. Raises UsageError for a folder with
    files in it.
    """
    if form not in FORMS:
        raise UsageError(f"The form of an export is csv or parquet, not {form}.")
    folder = _empty_folder(folder)
    files = []
    with store.reading(store_path) as con:
        for table in TABLES:
            if con.execute(statement("load/how_many", relation=quoted(table.name))).fetchall()[0][0]:
                files.append(folder / f"{table.name}.{form}")
                if form == "csv":
                    _write_csv(con, table, files[-1])
                else:
                    _write_parquet(con, table, files[-1])
    return files


def _order(table: Table) -> str:
    names = [*tables.key(table), *(c.name for c in table.columns if not c.key)]
    return ", ".join(map(quoted, names))


def _write_csv(con: duckdb.DuckDBPyConnection, table: Table, file: Path) -> None:
    text = [c.kind == "text" for c in table.columns]
    cells = ", ".join(f"{quoted(c.name)}::VARCHAR as {quoted(c.name)}" for c in table.columns)
    rows = con.execute(
        statement("keep/export_rows", cells=cells, table=quoted(table.name), order=_order(table))
    ).fetchall()
    noted = any(row[-1] for row in rows)
    header = [c.name for c in table.columns] + ([NOTES] if noted else [])
    with _new(file) as out:
        writer = csv.writer(out, lineterminator="\r\n")
        writer.writerow(header)
        for *values, notes in rows:
            own = ["" if v is None else guarded(v) if is_text else v for v, is_text in zip(values, text, strict=True)]
            writer.writerow([*own, notes or ""] if noted else own)


def _write_parquet(con: duckdb.DuckDBPyConnection, table: Table, file: Path) -> None:
    _new(file).close()
    columns = ", ".join(quoted(name) for name in (*(c.name for c in table.columns), NOTES))
    con.execute(
        statement(
            "keep/export_parquet",
            columns=columns,
            table=quoted(table.name),
            order=_order(table),
            path=literal(str(file)),
        )
    ).fetchall()


def export_rejects(store_path: str | Path, folder: str | Path) -> list[Path]:
    """Write the rows that did not go in, one CSV file per table under their own headers, to be corrected and loaded
    again.

    The last columns, `why` and `where`, say what was wrong; a load keeps them as notes. Raises UsageError as
    `export_tables`.
    """
    folder = _empty_folder(folder)
    rows: dict[str, list[dict[str, str]]] = {}
    with store.reading(store_path) as con:
        for table, file, line, row, why in con.execute(statement("keep/rejected_rows")).fetchall():
            cells = {name: _told(value) for name, value in json.loads(row).items()}
            where = file if line is None else f"{file} line {line}"
            rows.setdefault(table, []).append(cells | {"why": why, "where": where})
    files = []
    for table, found in rows.items():
        header = list(dict.fromkeys(name for row in found for name in row if name not in ("why", "where")))
        files.append(folder / f"{table}.csv")
        with _new(files[-1]) as out:
            writer = csv.writer(out, lineterminator="\r\n")
            names = [*header, "why", "where"]
            writer.writerow(map(guarded, names))  # a header comes from a sheet as well
            writer.writerows([guarded(row.get(name, "")) for name in names] for row in found)
    return files


def _told(value: object) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _empty_folder(folder: str | Path) -> Path:
    folder = Path(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=0o700, exist_ok=True)
        filled = any(folder.iterdir())
    except OSError as error:
        raise StoreError(f"The folder {folder} cannot be written: {error.strerror}.") from error
    if filled:
        raise UsageError(f"The folder {folder} is not empty; an export never overwrites files. Name a new one.")
    return folder


def _new(file: Path) -> TextIO:
    """A new text file that only its owner may read, as the store it comes from."""
    return open(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8", newline="")
