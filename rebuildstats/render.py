"""A result's frame as text: a table for people, CSV and JSON for other programs.

CSV and JSON carry every column with full digits, so that another program reads back exactly what was computed. The
table is for eyes: an estimate stands with its interval in one column, chances are percentages, long reasons go on a
line of their own. Pure: text in, text out; whoever calls decides where it goes.
"""

from __future__ import annotations

import csv
import io
import json
import math
import textwrap
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Literal

import pandas as pd

from rebuildstats.formulas import guarded

Form = Literal["table", "csv", "json"]
FORMS: tuple[Form, ...] = ("table", "csv", "json")

_SHARES = ("chance", "complete", "share", "complaint_share", "part_fill", "job_fill", "coverage")
_SENTENCES = ("reason", "note", "what_to_do", "weakens", "example", "examples", "statement")
_NARROW = 60  # below this a terminal is too small to lay anything out; we write as if it had this width


def render(frame: pd.DataFrame, form: Form, *, width: int | None = None) -> str:
    """The whole frame as text in the wanted form, ending with a line break.

    width: columns of the terminal (table only); None lets lines be as long as they need.
    Raises ValueError for a form that doesn't exist.
    """
    if form == "csv":
        return to_csv(frame)
    if form == "json":
        return to_json(frame)
    if form == "table":
        return to_table(frame, width=width)
    raise ValueError(f"unknown form {form!r}: one of {', '.join(FORMS)}")


def to_csv(frame: pd.DataFrame) -> str:
    """RFC 4180 rows with a header: missing cells empty, open ends `inf`, dates ISO 8601, flags true/false.

    A text that a spreadsheet would take for a formula stands behind an apostrophe.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([guarded(str(name)) for name in frame.columns])
    writer.writerows(_rows(frame, _csv_cell))
    return out.getvalue()


def to_json(frame: pd.DataFrame) -> str:
    """A list of objects, one per row: missing is null; an open end is the text "inf", for JSON has no such number."""
    names = [str(name) for name in frame.columns]
    lines = [json.dumps(dict(zip(names, row, strict=True)), ensure_ascii=False) for row in _rows(frame, _json_cell)]
    return "[" + ",\n ".join(lines) + "]\n"


def to_table(frame: pd.DataFrame, *, width: int | None = None) -> str:
    """Aligned columns for a person; see the module's words. An empty frame says so."""
    if frame.empty:
        return "(no rows)\n"
    view = _with_intervals(frame)
    sentences = [name for name in view if name in _SENTENCES]
    columns = [name for name in view if name not in sentences]
    if not columns:
        columns, sentences = sentences, []
    right = {name: all(_is_number_text(cell) for cell in view[name]) for name in columns}
    sizes = {name: max(_size(name), *(_size(cell) for cell in view[name])) for name in columns}
    blocks = _blocks(columns, sizes, width)
    out: list[str] = []
    for number, block in enumerate(blocks):
        if number:
            out.append("")
        out.append(_line(block, list(block), sizes, right))
        out.append("  ".join("-" * sizes[name] for name in block))
        for i in range(len(frame)):
            out.append(_line(block, [view[name][i] for name in block], sizes, right))
            if number == len(blocks) - 1:
                out.extend(_sentence_lines(sentences, view, i, width))
    return "\n".join(line.rstrip() for line in out) + "\n"


def for_people(name: str, value: Any) -> str:
    """One cell as a person reads it: a chance as a percentage, a number with four digits and thousands apart."""
    if _missing(value):
        return ""
    if isinstance(value, bool) or type(value).__name__ == "bool_":
        return "yes" if value else "no"
    if _is_number(value):
        number = float(value)
        if any(name == share or name.startswith(f"{share}_") for share in _SHARES):
            return percent(number)
        return digits(number)
    if hasattr(value, "isoformat"):
        return _date_text(value)
    return _one_line(str(value))


def percent(share: float) -> str:
    """0.034 -> '3.4 %': whole percents from 10 to 90, a digit more outside, never 0 or 100 for what is neither."""
    if math.isnan(share):
        return "unknown"
    hundred = 100 * share + 0.0  # a negative zero loses its sign
    if hundred in (0, 100):
        return f"{hundred:.0f} %"
    if 10 <= hundred < 90:
        return f"{hundred:.0f} %"
    if 0 < hundred < 0.1:
        return "<0.1 %"
    if 99.9 < hundred < 100:
        return ">99.9 %"
    return f"{hundred:.1f} %"


def digits(number: float) -> str:
    """Four significant digits, whole numbers whole, thousands apart: 140312.4 -> '140,312', 0.01234 -> '0.01234'."""
    if math.isnan(number):
        return "unknown"
    if math.isinf(number):
        return "inf" if number > 0 else "-inf"
    if number == 0:
        return "0"
    if abs(number) >= 1000 or (number == int(number) and abs(number) < 1e15):
        return f"{number:,.0f}"
    if abs(number) < 1e-4:
        return f"{number:.1e}"
    places = max(0, 3 - math.floor(math.log10(abs(number))))
    text = f"{number:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _with_intervals(frame: pd.DataFrame) -> dict[str, list[str]]:
    """Column name -> cells as text, with every `x`, `x_lower`, `x_upper` drawn together as 'x (lower to upper)'."""
    names = [str(name) for name in frame.columns]
    cells = {name: [for_people(name, value) for value in frame[name]] for name in names}
    taken: set[str] = set()
    view: dict[str, list[str]] = {}
    for name in names:
        if name in taken:
            continue
        bounds = _bounds_of(name, names) if pd.api.types.is_numeric_dtype(frame[name]) else None
        if bounds is None:
            view[name] = cells[name]
            continue
        taken.update(bounds)
        view[name] = [
            f"{middle} ({lower} to {upper})".strip() if lower or upper else middle
            for middle, lower, upper in zip(cells[name], cells[bounds[0]], cells[bounds[1]], strict=True)
        ]
    return view


def _bounds_of(name: str, names: Sequence[str]) -> tuple[str, str] | None:
    """The interval of `name`: `b10` -> b10_lower, b10_upper; `chance_bad` -> chance_lower, chance_upper;
    `chance_complete` -> complete_lower, complete_upper."""
    for stem in (name, name.rsplit("_", 1)[0], name.rsplit("_", 1)[-1]):
        pair = f"{stem}_lower", f"{stem}_upper"
        if name not in pair and pair[0] in names and pair[1] in names and (stem == name or stem not in names):
            return pair
    return None


def _blocks(columns: list[str], sizes: dict[str, int], width: int | None) -> list[list[str]]:
    """Columns in blocks that fit the width; every block after the first begins with the first column again."""
    if width is None:
        return [columns]
    room = max(width, _NARROW)
    blocks: list[list[str]] = [[]]
    used = 0
    for name in columns:
        if blocks[-1] and used + 2 + sizes[name] > room and len(blocks[-1]) > (len(blocks) > 1):
            blocks.append([columns[0]])
            used = sizes[columns[0]]
        used += sizes[name] + (2 if blocks[-1] else 0)
        blocks[-1].append(name)
    return blocks


def _line(block: list[str], cells: list[str], sizes: dict[str, int], right: dict[str, bool]) -> str:
    padded = []
    for name, cell in zip(block, cells, strict=True):
        gap = " " * (sizes[name] - _size(cell))
        padded.append(gap + cell if right[name] else cell + gap)
    return "  ".join(padded)


def _sentence_lines(names: list[str], view: dict[str, list[str]], row: int, width: int | None) -> Iterator[str]:
    for name in names:
        text = view[name][row]
        if not text:
            continue
        lead = "    " if name == "reason" else f"    {name.replace('_', ' ')}: "
        if width is None:
            yield lead + text
        else:
            yield from textwrap.wrap(text, max(width, _NARROW), initial_indent=lead, subsequent_indent="      ")


def _rows(frame: pd.DataFrame, cell: Callable[[Any], Any]) -> Iterator[list[Any]]:
    columns = [[cell(value) for value in frame.iloc[:, i]] for i in range(frame.shape[1])]
    return (list(row) for row in zip(*columns, strict=True))


def _csv_cell(value: Any) -> str:
    if _missing(value):
        return ""
    if isinstance(value, bool) or type(value).__name__ == "bool_":
        return "true" if value else "false"
    if _is_number(value):
        return _number_text(value)
    if hasattr(value, "isoformat"):
        return _date_text(value)
    return guarded(str(value))


def _json_cell(value: Any) -> Any:
    if _missing(value):
        return None
    if isinstance(value, bool) or type(value).__name__ == "bool_":
        return bool(value)
    if _is_number(value):
        number = float(value)
        if math.isinf(number):
            return "inf" if number > 0 else "-inf"
        return int(value) if number == int(number) and abs(number) < 2**53 else number
    if hasattr(value, "isoformat"):
        return _date_text(value)
    return str(value)


def _number_text(value: Any) -> str:
    number = float(value)
    if math.isinf(number):
        return "inf" if number > 0 else "-inf"
    if number == int(number) and abs(number) < 2**53:
        return str(int(number))
    return repr(number)


def _date_text(value: Any) -> str:
    text = str(value.isoformat())
    return text.removesuffix("T00:00:00")


def _missing(value: Any) -> bool:
    return value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value))


def _is_number(value: Any) -> bool:
    return hasattr(value, "__float__") and not isinstance(value, str) and not hasattr(value, "isoformat")


def _is_number_text(cell: str) -> bool:
    return not cell or cell[0].isdigit() or cell.startswith(("-", "inf", "<0", ">99", "(inf", "("))


def _one_line(text: str) -> str:
    """Line breaks and control characters would tear a table (and could steer a terminal): they become spaces."""
    return " ".join("".join(c if unicodedata.category(c)[0] != "C" else " " for c in text).split())


def _size(text: str) -> int:
    """Columns that the text takes on a terminal: wide East Asian characters take two, combining marks none."""
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)
