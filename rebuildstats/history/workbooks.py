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
from rebuildstats.history.cells import FaultyCell, PlainNumber

MAX_UNPACKED = 200_000_000  # bytes of XML; beyond it a workbook is a bomb or belongs in a CSV file
MAX_RATIO = 200
MAX_ROWS = 1_048_576


@dataclass(frozen=True, slots=True)
class BookSheet:
    """One sheet: its rows of text, the row number of each, and day 0 of the dates in it that stand as numbers."""

    name: str
    rows: list[list[str]]
    lines: list[int]
    zero_day: date


def sheets(content: bytes, name: str) -> list[BookSheet]:
    """Every visible sheet of a workbook as text.

    Dates come as ISO dates, whole numbers without a decimal point, numbers shown with leading zeros or with signs
    between their digits as they are shown; a cell merged downwards counts for every row it spans; a formula counts by
    the value that was last computed, and a cell whose formula has none, or gave an error, is a `FaultyCell`. Raises
    InputError for what is no workbook, is locked, or unpacks beyond all bounds.
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
        _sheet(sheet, formulas[sheet.title] if formulas is not None else None, values.epoch.date())
        for sheet in values.worksheets
        if sheet.sheet_state == "visible"
    ]


def _sheet(sheet: Any, formulas: Any, zero_day: date) -> BookSheet:
    merged = {}
    for span in sheet.merged_cells.ranges:
        top = _text(sheet.cell(span.min_row, span.min_col))
        for below in range(span.min_row + 1, span.max_row + 1):
            merged[below, span.min_col] = top
    rows: list[list[str]] = []
    lines: list[int] = []
    for line, cells in enumerate(sheet.iter_rows(), 1):
        row = [merged.get((line, cell.column)) or _text(cell) for cell in cells]
        if formulas is not None:
            for index, cell in enumerate(cells):
                if cell.value is None and formulas.cell(line, cell.column).data_type == "f":
                    row[index] = FaultyCell(str(formulas.cell(line, cell.column).value), "formula_without_value")
        rows.append(row)
        lines.append(line)
    while rows and not any(rows[-1]):  # formatted but empty rows at the end are no rows of anybody
        rows.pop()
        lines.pop()
    return BookSheet(sheet.title, rows, lines, zero_day)


def _text(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if cell.data_type == "e":
        return FaultyCell(str(value), "formula_error")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(sep=" ", timespec="seconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, int | float):
        if float(value).is_integer() and abs(value) < 1e15:
            return _as_shown(int(value), cell.number_format or "") or PlainNumber(str(int(value)))
        return PlainNumber(repr(float(value)))
    return str(value)


def _as_shown(number: int, form: str) -> str | None:
    """A number under a format of zeros and literal signs (`0000`, `000-000`, `"P"0000`), as the sheet shows it; None
    where the format is another.
    """
    pieces = re.findall(r'"[^"]*"|\\.|.', form.split(";")[0])
    signs = [p if p == "0" else p.strip('"') if p.startswith('"') else p.removeprefix("\\") for p in pieces]
    zeros = [i for i, piece in enumerate(pieces) if piece == "0"]
    literal = all(p == "0" or p[0] in '"\\' or p in "-/ " for p in pieces)
    if number < 0 or not literal or (len(zeros) < 2 and len(zeros) == len(pieces)) or not zeros:
        return None
    digits = str(number).zfill(len(zeros))
    over = len(digits) - len(zeros)
    for k, i in enumerate(zeros):
        signs[i] = digits[: over + 1] if k == 0 else digits[over + k]
    return "".join(signs)


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
