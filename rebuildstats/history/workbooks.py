"""Bytes of an .xlsx workbook -> sheets of text cells with their row numbers. Nothing in the workbook is computed or
run.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

import openpyxl

from rebuildstats.errors import InputError
from rebuildstats.history.cells import PlainNumber

MAX_UNPACKED = 200_000_000  # bytes of XML; beyond it a workbook is a bomb or belongs in a CSV file
MAX_RATIO = 200
MAX_ROWS = 1_048_576


@dataclass(frozen=True, slots=True)
class BookSheet:
    """One sheet: its rows of text, the row number of each, and the fault of a row that cannot be read as it stands
    ('' where none).
    """

    name: str
    rows: list[list[str]]
    lines: list[int]
    faults: list[str]


def sheets(content: bytes, name: str) -> list[BookSheet]:
    """Every visible sheet of a workbook as text.

    Dates come as ISO dates, whole numbers without a decimal point, numbers shown with leading zeros with them; a cell
    merged downwards counts for every row it spans; a formula counts by the value that was last computed, and a row
    whose formula has none is at fault (`formula_without_value`). Raises InputError for what is no workbook, is
    locked, or unpacks beyond all bounds.
    """
    try:
        _check_archive(content, name)
        values = openpyxl.load_workbook(io.BytesIO(content), data_only=True, keep_links=False)
        formulas = (
            openpyxl.load_workbook(io.BytesIO(content), data_only=False, keep_links=False)
            if _has_formulas(content)
            else None
        )
    except InputError:
        raise
    except Exception as error:  # openpyxl raises whatever its XML parser and the archive meet
        raise InputError(
            f"{name} cannot be read as a workbook: {_short(error)}. Open it and save it as .xlsx again."
        ) from error
    return [
        _sheet(sheet, formulas[sheet.title] if formulas is not None else None)
        for sheet in values.worksheets
        if sheet.sheet_state == "visible"
    ]


def _sheet(sheet: Any, formulas: Any) -> BookSheet:
    merged = {}
    for span in sheet.merged_cells.ranges:
        top = _text(sheet.cell(span.min_row, span.min_col))
        for below in range(span.min_row + 1, span.max_row + 1):
            merged[below, span.min_col] = top
    rows: list[list[str]] = []
    lines: list[int] = []
    faults: list[str] = []
    for line, cells in enumerate(sheet.iter_rows(), 1):
        row = [merged.get((line, cell.column)) or _text(cell) for cell in cells]
        fault = ""
        if formulas is not None:
            for index, cell in enumerate(cells):
                if cell.value is None and formulas.cell(line, cell.column).data_type == "f":
                    fault = "formula_without_value"
                    row[index] = str(formulas.cell(line, cell.column).value)
        rows.append(row)
        lines.append(line)
        faults.append(fault)
    while rows and not any(rows[-1]):  # formatted but empty rows at the end are no rows of anybody
        rows.pop()
        lines.pop()
        faults.pop()
    return BookSheet(sheet.title, rows, lines, faults)


def _text(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(sep=" ", timespec="seconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, int | float):
        digits = re.fullmatch(r"0{2,}", cell.number_format or "")
        if float(value).is_integer() and abs(value) < 1e15:
            text = str(int(value))
            return text.zfill(len(cell.number_format)) if digits else PlainNumber(text)
        return PlainNumber(repr(float(value)))
    return str(value)


def _check_archive(content: bytes, name: str) -> None:
    if content[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        raise InputError(
            f"{name} is an old .xls file or locked with a password. Save it as an open .xlsx file or as CSV."
        )
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError) as error:
        raise InputError(f"{name} is not an .xlsx workbook: {_short(error)}.") from error
    unpacked = sum(entry.file_size for entry in entries)
    if (
        unpacked > MAX_UNPACKED
        or len(entries) > 10_000
        or (unpacked > 50_000_000 and unpacked > MAX_RATIO * max(len(content), 1))
    ):
        raise InputError(
            f"{name} unpacks to {unpacked / 1e6:,.0f} MB; that is no shop's workbook. Save the sheets as CSV files."
        )
    for entry, head in _heads(content):
        if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
            raise InputError(
                f"{name} declares entities in {entry}; no spreadsheet program writes that. It was not read."
            )


def _heads(content: bytes) -> Iterator[tuple[str, bytes]]:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for entry in archive.infolist():
            if entry.filename.endswith((".xml", ".rels")):
                with archive.open(entry) as part:
                    yield entry.filename, part.read(4096)


def _has_formulas(content: bytes) -> bool:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for entry in archive.namelist():
            if entry.startswith("xl/worksheets/") and entry.endswith(".xml"):
                data = archive.read(entry)
                if b"<f>" in data or b"<f " in data or b"<f/>" in data:
                    return True
    return False


def _short(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return (lines[0] if lines else type(error).__name__)[:200]
