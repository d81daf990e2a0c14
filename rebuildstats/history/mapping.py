"""A shop's own sheets as they are: a TOML file says which of its columns is which, its words, dates, decimals and
units.

One `[[sheet]]` for every kind of sheet, and in it one `[[sheet.table]]` for every table it is split into (usually one).
Files that no `[[sheet]]` names are read by the contract. `data_demo/mapping_example/` holds a worked example.

    [[sheet]]
    file = "workshop log*.csv"         # name or pattern of the file
    sheet = "2023"                     # name or pattern of the sheet of a workbook
    header_row = 3                     # where the header is not the first filled row
    encoding = "cp850"                 # and delimiter = ";": only where they are not found by themselves
    dates = ["%d.%m.%Y", "%d.%m.%y"]   # how its dates are written; what two of them read as two days is rejected.
                                       # "serial": day numbers of a workbook; "serial 1904": those since 1904
    decimal = ","
    thousands = "."
    fill_down = ["Order", "Serial"]    # an empty cell of these means: as above, down to the next line that fills the
                                       # first of them, where a new block begins

    [[sheet.table]]
    name = "teardowns"
    where_filled = ["Order"]           # rows without these are no rows of this table; they count as blank
    columns.job = "Order"              # our column = their header
    columns.site = { constant = "north" }
    columns.unit_mileage = { column = "Km", unit = "km" }                    # distances come to the store's unit
    columns.closed_on = { column = "Out", dates = "%d/%m/%Y" }               # also decimal, thousands: of this column
    words.reason = { "break down" = "failure" }                              # their word = our word

    [[sheet.table]]
    name = "findings"
    columns.reading = { column = "Size", unit = "mm", to = "in" }            # a cell with its own unit counts by that
    # or { column = "Size", unit_column = "Unit", to = "in" }: the unit stands beside it

Columns of the sheet that no table takes are kept as notes of the last table. Cells that are not written as the
mapping says are rejected with the reason `not_as_mapped`, never guessed.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import pandas as pd

from rebuildstats.errors import InputError, UsageError
from rebuildstats.history import cells
from rebuildstats.history.contract import TABLE_BY_NAME, Table
from rebuildstats.history.read import BLANKS, RawSheet, Sheet, cell_text, cells_by_header, read_raw

_SHEET_KEYS = {
    "file",
    "sheet",
    "encoding",
    "delimiter",
    "header_row",
    "dates",
    "decimal",
    "thousands",
    "fill_down",
    "table",
}
_TABLE_KEYS = {"name", "columns", "words", "where_filled"}
_COLUMN_KEYS = {"column", "constant", "dates", "decimal", "thousands", "unit", "unit_column", "to"}


@dataclass(frozen=True, slots=True)
class MappedColumn:
    """Where one contract column comes from: a header of the sheet or a constant, and how its cells are written."""

    name: str
    header: str | None
    constant: str | None = None
    writing: cells.Writing = field(default_factory=cells.Writing)
    unit_header: str | None = None


@dataclass(frozen=True, slots=True)
class MappedTable:
    """One table that a sheet is split into. words: column -> their word (folded) -> our word."""

    table: Table
    columns: tuple[MappedColumn, ...]
    words: dict[str, dict[str, str]]
    where_filled: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MappedSheet:
    """One [[sheet]] of a mapping."""

    file: str
    sheet: str
    tables: tuple[MappedTable, ...]
    encoding: str | None = None
    delimiter: str | None = None
    header_row: int | None = None
    fill_down: tuple[str, ...] = ()

    def names_file(self, file: str) -> bool:
        return fnmatchcase(file.casefold(), self.file.casefold())

    def names(self, file: str, sheet: str | None) -> bool:
        return self.names_file(file) and (sheet is None or fnmatchcase(sheet.casefold(), self.sheet.casefold()))


def read_mapping(path: str | Path, distance: str) -> tuple[MappedSheet, ...]:
    """The [[sheet]]s of a mapping file. distance: the store's unit, to which distances given in another `unit` are
    brought.

    Raises UsageError, naming the place, for anything the mapping language does not know.
    """
    path = Path(path)
    try:
        content = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise UsageError(f"The mapping {path} cannot be read: {error.strerror}.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"The mapping {path} is not valid TOML: {error}.") from error
    place = path.name
    _only(content, {"sheet"}, place)
    sheets = content.get("sheet")
    if not isinstance(sheets, list) or not sheets:
        raise UsageError(f"{place} has no [[sheet]]; a mapping needs one for every kind of sheet.")
    return tuple(_sheet(s, f"{place}, [[sheet]] {i}", distance) for i, s in enumerate(sheets, 1))


def _sheet(given: Mapping[str, Any], place: str, distance: str) -> MappedSheet:
    _only(given, _SHEET_KEYS, place)
    listed = given.get("table")
    if not isinstance(listed, list) or not listed:
        raise UsageError(f"{place} has no [[sheet.table]]; say which table its rows belong to.")
    header_row = given.get("header_row")
    if header_row is not None and (not isinstance(header_row, int) or header_row < 1):
        raise UsageError(f"{place}: header_row is the number of a line, not {header_row!r}.")
    return MappedSheet(
        file=str(given.get("file", "*")),
        sheet=str(given.get("sheet", "*")),
        tables=tuple(_table(t, f"{place}, table {i}", given, distance) for i, t in enumerate(listed, 1)),
        encoding=given.get("encoding"),
        delimiter=given.get("delimiter"),
        header_row=header_row,
        fill_down=tuple(given.get("fill_down", ())),
    )


def _table(given: Mapping[str, Any], place: str, sheet: Mapping[str, Any], distance: str) -> MappedTable:
    _only(given, _TABLE_KEYS, place)
    name = given.get("name")
    if name not in TABLE_BY_NAME:
        raise UsageError(f"{place}: there is no table {name!r}. Tables: {', '.join(TABLE_BY_NAME)}.")
    table = TABLE_BY_NAME[name]
    columns = given.get("columns", {})
    known = {c.name for c in table.columns}
    for column in (*columns, *given.get("words", {})):
        if column not in known:
            raise UsageError(f"{place}: {name} has no column {column!r}. It has: {', '.join(sorted(known))}.")
    if not columns:
        raise UsageError(f"{place}: no columns are given for {name}.")
    words = {
        column: {_folded(theirs): str(ours) for theirs, ours in pairs.items()}
        for column, pairs in given.get("words", {}).items()
    }
    mapped = tuple(_column(table, c, how, sheet, f"{place}, column {c}", distance) for c, how in columns.items())
    return MappedTable(table, mapped, words, tuple(given.get("where_filled", ())))


def _column(table: Table, name: str, how: Any, sheet: Mapping[str, Any], place: str, distance: str) -> MappedColumn:
    if isinstance(how, str):
        how = {"column": how}
    if not isinstance(how, dict):
        raise UsageError(f"{place}: give a header, or {{ column = ... }}, or {{ constant = ... }}.")
    _only(how, _COLUMN_KEYS, place)
    if ("column" in how) == ("constant" in how):
        raise UsageError(f"{place}: give either a column or a constant.")
    kind = table.column(name).kind
    unit, to = how.get("unit"), how.get("to")
    if unit or how.get("unit_column"):
        to = to or (distance if cells.is_distance(name) else None)
        if to is None:
            raise UsageError(f"{place}: say `to` which unit it is to be brought.")
        if unit:
            cells.check_units(unit, to, place)
    dates = how.get("dates", sheet.get("dates", ()))
    writing = cells.Writing(
        kind=kind,
        dates=(dates,) if isinstance(dates, str) else tuple(dates),
        decimal=str(how.get("decimal", sheet.get("decimal", "."))),
        thousands=str(how.get("thousands", sheet.get("thousands", ""))),
        unit=unit,
        to=to,
    )
    if writing.decimal == writing.thousands:
        raise UsageError(f"{place}: the decimal sign and the thousands separator cannot be the same.")
    constant = how.get("constant")
    return MappedColumn(
        name, how.get("column"), None if constant is None else str(constant), writing, how.get("unit_column")
    )


def _only(given: Mapping[str, Any], allowed: set[str], place: str) -> None:
    unknown = sorted(set(given) - allowed)
    if unknown:
        raise UsageError(f"{place}: {', '.join(unknown)} is not known here. Known are: {', '.join(sorted(allowed))}.")


def _folded(text: str) -> str:
    return " ".join(text.strip(BLANKS).casefold().split())


def apply(mapped: MappedSheet, raw: RawSheet) -> list[Sheet]:
    """The rows of one raw sheet as rows of the tables it is split into.

    Raises InputError where a header that the mapping names does not stand in the sheet.
    """
    index = {_folded(h): i for i, h in reversed(list(enumerate(raw.header)))}

    def at(header: str) -> int:
        try:
            return index[_folded(header)]
        except KeyError:
            there = ", ".join(h for h in raw.header if h)
            raise InputError(
                f"{raw.name} has no column '{header}', which the mapping names. It has, in line {raw.header_line}: "
                f"{there}. Where the header stands in another line, say so with header_row."
            ) from None

    grid = _grid(raw, [at(h) for h in mapped.fill_down])
    taken = {at(h) for t in mapped.tables for c in t.columns for h in (c.header, c.unit_header) if h is not None}
    notes = {h or f"column {i + 1}": i for i, h in enumerate(raw.header) if i not in taken}
    last = mapped.tables[-1]
    sheets = [_mapped_sheet(raw, grid, table, at, notes if table is last else {}) for table in mapped.tables]
    return [replace(sheets[0], notices=raw.notices), *sheets[1:]]


def sheets_of(path: Path, mapped: tuple[MappedSheet, ...], notices: list[str]) -> list[Sheet]:
    """The sheets of one file that the mapping names; what it does not name is told in a notice.

    Raises InputError as `read.read_raw` and `apply` do.
    """
    ways = {(m.encoding, m.delimiter, m.header_row) for m in mapped if m.names_file(path.name)}
    sheets: list[Sheet] = []
    seen: set[str] = set()
    used: set[str] = set()
    for encoding, delimiter, header_row in sorted(ways, key=str):
        for raw in read_raw(path, encoding=encoding, delimiter=delimiter, header_row=header_row):
            seen.add(raw.name)
            inner = raw.name[len(path.name) + 1 : -1] if raw.name != path.name else None
            for one in mapped:
                way = (one.encoding, one.delimiter, one.header_row)
                if way == (encoding, delimiter, header_row) and one.names(path.name, inner):
                    used.add(raw.name)
                    if raw.header:
                        sheets += apply(one, raw)
                    else:
                        notices.append(f"{raw.name}: empty")
    notices += [f"{name}: not named by the mapping; passed over" for name in sorted(seen - used)]
    return sheets


def _grid(raw: RawSheet, fill_down: list[int]) -> list[list[str]]:
    width = len(raw.header)
    grid = []
    above: dict[int, str] = {}
    for row in raw.rows:
        trimmed = [c if isinstance(c, cells.PlainNumber | cells.FaultyCell) else cell_text(c) for c in row[:width]]
        trimmed += [""] * (width - len(row))
        if any(trimmed):
            if fill_down and trimmed[fill_down[0]]:
                above.clear()  # a new block begins: what is empty in its first line is empty
            for i in fill_down:
                trimmed[i] = trimmed[i] or above.get(i, "")
                above[i] = trimmed[i]
        grid.append(trimmed)
    return grid


def _mapped_sheet(
    raw: RawSheet, grid: list[list[str]], mapped: MappedTable, at: Callable[[str], int], notes: dict[str, int]
) -> Sheet:
    width = len(raw.header)
    needed = [at(h) for h in mapped.where_filled]
    header = [_folded(h) for h in raw.header]
    absent = [any(not row[i] for i in needed) for row in grid]
    faults: list[str | None] = []
    for row, cut, fault in zip(raw.rows, grid, raw.faults, strict=True):
        over = any(c.strip(BLANKS) for c in row[width:])
        wrong = fault or ("wrong_number_of_cells" if over else "")
        faults.append(wrong or ("repeated_header" if [_folded(c) for c in cut] == header else None))
    columns: dict[str, list[str | None]] = {}
    fault_columns: list[str | None] = [None] * len(grid)
    fault_values: list[str | None] = [None] * len(grid)
    for column in mapped.columns:
        if column.header is None:
            columns[column.name] = [column.constant] * len(grid)
            continue
        own = at(column.header)
        theirs = [row[own] for row in grid]
        units = [row[at(column.unit_header)] for row in grid] if column.unit_header is not None else None
        ours, odd = replace(column.writing, zero_day=raw.zero_day).read(
            _translated(theirs, mapped.words.get(column.name, {})), units
        )
        for i, cell in enumerate(theirs):
            if isinstance(cell, cells.FaultyCell) and not faults[i]:
                faults[i], fault_columns[i], fault_values[i] = cell.reason, column.name, cell
        for i in odd:
            if not faults[i]:
                faults[i], fault_columns[i], fault_values[i] = "not_as_mapped", column.name, theirs[i]
        columns[column.name] = ours
    from_sheet = [c.name for c in mapped.columns if c.header is not None]
    empty = [
        absent[i] or not (any(columns[name][i] for name in from_sheet) or any(grid[i][n] for n in notes.values()))
        for i in range(len(grid))
    ]
    rows: dict[str, list[str | None]] = {
        "_fault": [None if none else fault for fault, none in zip(faults, empty, strict=True)],
        "_fault_column": fault_columns,
        "_fault_value": fault_values,
        "_raw": [
            None
            if none
            else json.dumps(cells_by_header(raw.header, [c.strip(BLANKS) for c in row]), ensure_ascii=False)
            for row, none in zip(raw.rows, empty, strict=True)
        ],
        "_notes": [None if none else _notes(row, notes) for row, none in zip(grid, empty, strict=True)],
    }
    for name, values in columns.items():
        rows[name] = [None if none else value for value, none in zip(values, empty, strict=True)]
    frame = pd.DataFrame({name: pd.Series(values, dtype="str") for name, values in rows.items()})
    frame.insert(0, "_line", pd.Series(raw.lines, dtype="int64"))
    return Sheet(raw.found, raw.name, mapped.table, frame, note_positions=notes)


def _translated(theirs: list[str], words: dict[str, str]) -> list[str]:
    return [words.get(_folded(cell), cell) if cell else cell for cell in theirs] if words else theirs


def _notes(row: list[str], notes: dict[str, int]) -> str | None:
    kept = {name: row[i] for name, i in notes.items() if row[i]}
    return json.dumps(kept, ensure_ascii=False, separators=(",", ":")) if kept else None
