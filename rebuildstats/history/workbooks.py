"""Bytes of an .xlsx workbook -> sheets of text cells with their row numbers. Nothing in the workbook is computed or
run.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

import openpyxl

from rebuildstats.errors import InputError
from rebuildstats.history import archives
from rebuildstats.history.cells import FaultyCell, PlainNumber
from rebuildstats.history.text_rows import MAX_CELL

MAX_AREA = 20_000_000  # cells from the first to the last that is filled: a million rows of twenty columns
MAX_TEXT = 200_000_000  # characters of all cells: one long text can stand in every cell for nothing


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
    formulas_too = archives.has_formulas(content, name)
    try:
        values = openpyxl.load_workbook(io.BytesIO(content), data_only=True, keep_links=False)
        formulas = (
            openpyxl.load_workbook(io.BytesIO(content), data_only=False, keep_links=False) if formulas_too else None
        )
    except Exception as error:  # openpyxl raises whatever its XML parser and the archive meet
        raise InputError(
            f"{name} cannot be read as a workbook: {archives.short(error)}. Open it and save it as .xlsx again."
        ) from error
    return [
        _sheet(sheet, formulas[sheet.title] if formulas is not None else None, values.epoch.date(), name)
        for sheet in values.worksheets
        if sheet.sheet_state == "visible"
    ]


def _sheet(sheet: Any, formulas: Any, zero_day: date, name: str) -> BookSheet:
    texts = {place: text for place, text in _filled(sheet, formulas) if text}
    for span in sheet.merged_cells.ranges:
        top = texts.get((span.min_row, span.min_col), "")
        if top:
            texts |= {(below, span.min_col): top for below in range(span.min_row + 1, span.max_row + 1)}
    height = max((row for row, _ in texts), default=0)
    width = max((column for _, column in texts), default=0)
    if (
        height * width > MAX_AREA
        or sum(map(len, texts.values())) > MAX_TEXT
        or any(len(text) > MAX_CELL for text in texts.values())
    ):
        raise InputError(
            f"{name}, sheet {sheet.title}: {height:,} rows of {width:,} columns, {len(texts):,} cells filled, the "
            f"longest with {max(map(len, texts.values())):,} characters; that is beyond what is read from a workbook. "
            "Save the sheet as CSV."
        )
    rows = [[""] * width for _ in range(height)]
    for (row, column), text in texts.items():
        rows[row - 1][column - 1] = text
    return BookSheet(sheet.title, rows, list(range(1, height + 1)), zero_day)


def _filled(sheet: Any, formulas: Any) -> Iterator[tuple[tuple[int, int], str]]:
    """The cells that the file holds, by row and column. openpyxl's public ways go over all there could be, which takes
    hours for a sheet with one cell in its last corner.
    """
    for (row, column), cell in sheet._cells.items():
        if formulas is not None and cell.value is None and formulas.cell(row, column).data_type == "f":
            yield (row, column), FaultyCell(str(formulas.cell(row, column).value), "formula_without_value")
        else:
            yield (row, column), _text(cell)


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
