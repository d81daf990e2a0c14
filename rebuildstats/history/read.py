"""Paths -> sheets: which files there are, which table each belongs to, and their rows as text with file and line.

A sheet is either a frame of text cells (the careful way) or, for a big plain CSV file, the promise that DuckDB's own
reader will read it to the same cells (the fast way; `load` falls back to the careful one when DuckDB finds anything
odd).
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import duckdb
import pandas as pd

from rebuildstats import formulas
from rebuildstats.errors import InputError
from rebuildstats.history import store, text_rows, workbooks
from rebuildstats.history.cells import SERIAL_ZERO, FaultyCell
from rebuildstats.history.contract import TABLE_BY_NAME, TABLES, Table
from rebuildstats.history.statements import statement
from rebuildstats.history.tables import escaped_glob

TEXT_ENDINGS = (".csv", ".tsv", ".txt")
BOOK_ENDINGS = (".xlsx", ".xlsm")
PARQUET = ".parquet"
ENDINGS = (*TEXT_ENDINGS, *BOOK_ENDINGS, PARQUET)
FAST_FROM_BYTES = 256_000
MAX_PARQUET_CELLS = 50_000_000
_TITLE_LINES = 30
REJECTS_HEADER = ("table", "file", "line", "column", "value", "reason", "row")

# What is trimmed from every cell: all that Unicode calls blank, and the two marks without width that spreadsheets
# leave behind.
BLANKS = "".join(
    chr(code)
    for first, last in (
        (0x09, 0x0D),
        (0x1C, 0x20),
        (0x85, 0x85),
        (0xA0, 0xA0),
        (0x1680, 0x1680),
        (0x2000, 0x200B),
        (0x2028, 0x2029),
        (0x202F, 0x202F),
        (0x205F, 0x205F),
        (0x3000, 0x3000),
        (0xFEFF, 0xFEFF),
    )
    for code in range(first, last + 1)
)

_ODD_BLANKS = re.compile(b"|".join(re.escape(c.encode()) for c in BLANKS if ord(c) > 127))


# The column in which an export carries what the contract does not know, as JSON.
NOTES = "_notes"
_BESIDE = ("_fault", "_fault_column", "_fault_value", "_raw", "_notes")  # what goes with the cells of a row


def cell_text(cell: str) -> str:
    """A cell as it is meant: outer blanks trimmed, without the apostrophe that guards a text from being taken for a
    formula, and without the `="..."` that keeps a spreadsheet program from taking zeros off a number.
    """
    trimmed = cell.strip(BLANKS)
    if len(trimmed) > 2 and trimmed.startswith('="') and trimmed.endswith('"') and '"' not in trimmed[2:-1]:
        return trimmed[2:-1].strip(BLANKS)
    return formulas.unguarded(trimmed)


@dataclass(frozen=True, slots=True)
class Found:
    """One file as found: the name people see, where it is, its bytes' size and hash."""

    name: str
    path: Path
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class RawSheet:
    """Rows of text under a header, before anybody said what they mean. lines: the line each row begins on; faults: a
    reason or ''; notices: what was odd about the file as a whole, in sentences; zero_day: the day 0 of dates that
    stand as day numbers.
    """

    found: Found
    name: str
    header: list[str]
    header_line: int
    rows: list[list[str]]
    lines: list[int]
    faults: list[str] = field(default_factory=list)
    notices: tuple[str, ...] = ()
    zero_day: date = SERIAL_ZERO


@dataclass(frozen=True, slots=True)
class Sheet:
    """Rows on their way into one table.

    frame: columns `_line`, `_fault`, `_fault_column`, `_fault_value`, `_raw`, `_notes` and those of the contract that
    the file has, all text; None for
    the fast way, where `positions` says which contract column stands where, `note_positions` which header is kept
    as a note, and `blanks` whether there is any blank in the file that a cell could begin or end with.
    """

    found: Found
    name: str
    table: Table
    frame: pd.DataFrame | None
    expected_rows: int = 0
    delimiter: str = ","
    positions: dict[str, int] = field(default_factory=dict)
    note_positions: dict[str, int] = field(default_factory=dict)
    blanks: bool = True
    notices: tuple[str, ...] = ()


def plain(header: str) -> str:
    """A header as the contract would write it: lower case, blanks and hyphens as `_`."""
    return re.sub(r"[\s\-]+", "_", header.strip(BLANKS).casefold())


def table_named(name: str) -> Table | None:
    """The table that a file or sheet of this name belongs to: its own name, or its name and a number or date
    (`findings 2024-03`).
    """
    wanted = plain(name)
    if wanted in TABLE_BY_NAME:
        return TABLE_BY_NAME[wanted]
    base = re.sub(r"[_. ()]*[\d][\d_. ()]*$", "", wanted)
    return TABLE_BY_NAME.get(base)


def find_files(paths: Sequence[str | Path]) -> tuple[list[tuple[Path, bool]], list[str]]:
    """The files to read, each with whether it was named itself, and a notice for every file of a folder that is
    passed over.

    Raises InputError for a path that is not there, a folder without a file to read, or a kind of file we cannot read.
    """
    files: list[tuple[Path, bool]] = []
    notices: list[str] = []
    seen: set[Path] = set()
    for path in map(Path, paths):
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.is_file() and not p.name.startswith((".", "~$")))
            readable = [p for p in inside if p.suffix.lower() in ENDINGS]
            if not readable:
                raise InputError(
                    f"The folder {path} holds no table: no .csv or .xlsx file. "
                    f"Expected are files like {_some_tables()}."
                )
            notices += [
                f"{p.name}: not a table (only .csv and .xlsx files are read); passed over"
                for p in inside
                if p not in readable
            ]
            found = [(p, False) for p in readable]
        elif path.exists():
            if path.suffix.lower() not in ENDINGS:
                hint = (
                    " Save it as .xlsx or .csv first."
                    if path.suffix.lower() in (".xls", ".ods", ".numbers", ".xlsb")
                    else ""
                )
                raise InputError(f"{path} is of a kind that cannot be read (.csv and .xlsx can).{hint}")
            found = [(path, True)]
        else:
            raise InputError(f"There is no file or folder {path}.")
        for file, named in found:
            if file.resolve() not in seen:
                seen.add(file.resolve())
                files.append((file, named))
    if not files:
        raise InputError("Nothing to load: name at least one file or folder.")
    return files, notices


def _some_tables() -> str:
    return ", ".join(f"{t.name}.csv" for t in TABLES if t.name in ("units", "components", "teardowns", "findings"))


def read_raw(
    path: Path, *, encoding: str | None = None, delimiter: str | None = None, header_row: int | None = None
) -> list[RawSheet]:
    """All sheets of one file as text (one for a CSV file). Raises InputError where the file cannot be read at all."""
    content = text_rows.content_of(path)
    found = Found(path.name, path, len(content), hashlib.sha256(content).hexdigest())
    if path.suffix.lower() in BOOK_ENDINGS:
        return [
            replace(
                _under_header(
                    found, f"{path.name}[{book.name}]", book.rows, book.lines, [""] * len(book.rows), header_row
                ),
                zero_day=book.zero_day,
            )
            for book in workbooks.sheets(content, path.name)
        ]
    if path.suffix.lower() == PARQUET:
        return [_under_header(found, path.name, *_parquet(path), header_row)]
    decoded = text_rows.decode(content, path.name, encoding)
    told = text_rows.told_delimiter(decoded.text)
    by = delimiter or told or text_rows.delimiter_of(decoded.text, header_row)
    read = list(text_rows.rows(decoded.text, by, path.name))[1 if told else 0 :]
    raw = _under_header(
        found, path.name, [r.cells for r in read], [r.line for r in read], [r.fault for r in read], header_row
    )
    return [replace(raw, notices=_told_lines(path.name, decoded.other_lines))]


def _told_lines(name: str, lines: Sequence[int]) -> tuple[str, ...]:
    if not lines:
        return ()
    some = ", ".join(map(str, lines[:5])) + (", ..." if len(lines) > 5 else "")
    return (f"{name}: {len(lines):,} lines are not UTF-8 as the others are, read as Windows-1252 (lines {some})",)


def _parquet(path: Path) -> tuple[list[list[str]], list[int], list[str]]:
    values = {"path": escaped_glob(str(path))}
    try:
        with store.memory() as con:
            # A few bytes can stand for a text in a thousand million cells: looked at before it is unfolded.
            cells, letters = con.execute(statement("load/parquet_size"), values).fetchall()[0][0], 0
            if cells <= MAX_PARQUET_CELLS:
                letters = con.execute(statement("load/parquet_letters"), values).fetchall()[0][0]
            if cells > MAX_PARQUET_CELLS or letters > text_rows.MAX_BYTES:
                raise InputError(f"{path.name} unfolds to {cells:,} cells; load it in pieces.")
            result = con.execute(statement("load/parquet_text"), values)
            header = [column[0] for column in result.description or ()]
            # Nobody guarded these: done here, so that none loses a sign of its own where guards are taken off.
            rows = [["" if cell is None else formulas.guarded(cell) for cell in row] for row in result.fetchall()]
    except duckdb.Error as error:
        raise InputError(f"{path.name} cannot be read as a Parquet file: {str(error).splitlines()[0]}") from error
    for line, row in enumerate(rows, 2):
        if any(len(cell) > text_rows.MAX_CELL for cell in row):
            raise InputError(f"{path.name}, row {line}: a cell may hold {text_rows.MAX_CELL:,} characters.")
    faults = ["zero_byte" if any("\0" in cell for cell in row) else "" for row in rows]
    return [header, *rows], list(range(1, len(rows) + 2)), ["", *faults]


def _under_header(
    found: Found, name: str, cells: list[list[str]], lines: list[int], faults: list[str], header_row: int | None
) -> RawSheet:
    if header_row is not None:
        at = next((i for i, line in enumerate(lines) if line >= header_row), len(lines))
    else:
        at = next((i for i, row in enumerate(cells) if any(c.strip(BLANKS) for c in row)), len(lines))
    if at >= len(lines):
        return RawSheet(found, name, [], 0, [], [], [])
    header = [c.strip(BLANKS) for c in cells[at]]
    while header and not header[-1]:
        header.pop()
    if len(header) > text_rows.MAX_COLUMNS:
        raise InputError(
            f"{name} has {len(header):,} columns; more than {text_rows.MAX_COLUMNS:,} cannot be a table of this kind."
        )
    kept = [i for i in range(len(lines)) if i > at or (i < at and header_row is None)]
    return RawSheet(
        found, name, header, lines[at], [cells[i] for i in kept], [lines[i] for i in kept], [faults[i] for i in kept]
    )


def under_own_header(raw: RawSheet, table: Table) -> RawSheet:
    """The same sheet under the row that names the table's columns, where lines of a title stand above it; as it is
    where no such row stands among the first ones.
    """
    known = {c.name for c in table.columns}
    if any(plain(h) in known for h in raw.header):
        return raw
    for i, cells in enumerate(raw.rows[:_TITLE_LINES]):
        filled = [plain(c) for c in cells if c.strip(BLANKS)]
        if table.key[0] in filled and sum(name in known for name in filled) * 2 >= len(filled):
            header = [c.strip(BLANKS) for c in cells]
            while not header[-1]:
                header.pop()
            after = slice(i + 1, None)
            above = f"{raw.name}: the header is line {raw.lines[i]}; what stands above it is a title and no row"
            return replace(
                raw,
                header=header,
                header_line=raw.lines[i],
                rows=raw.rows[after],
                lines=raw.lines[after],
                faults=raw.faults[after],
                notices=(*raw.notices, above),
            )
    return raw


def _read_for(path: Path, table: Table) -> RawSheet:
    """A text file for a table: where its first lines hide the delimiter, the one under which its header is found."""
    first = read_raw(path)[0]
    raw = under_own_header(first, table)
    if raw is first and path.suffix.lower() in TEXT_ENDINGS:
        known = {c.name for c in table.columns}
        if first.header and not any(plain(h) in known for h in first.header):
            for delimiter in text_rows.DELIMITERS:
                other = read_raw(path, delimiter=delimiter)[0]
                if (found := under_own_header(other, table)) is not other:
                    return found
    return raw


def match_columns(header: list[str], table: Table, name: str) -> tuple[dict[str, int], dict[str, int]]:
    """Which contract column stands where, and which headers are notes. Raises InputError where that is not clear."""
    positions: dict[str, int] = {}
    notes: dict[str, int] = {}
    known = {c.name for c in table.columns}
    for index, head in enumerate(header):
        column = plain(head)
        if column in known:
            if column in positions:
                raise InputError(f"{name} has the column {column} twice; which one counts? Rename one of them.")
            positions[column] = index
        else:
            label = head or f"column {index + 1}"
            while label in notes:
                label += "'"
            notes[label] = index
    if not positions:
        raise InputError(
            f"{name} has no column of the table {table.name} "
            f"(it needs {', '.join(c.name for c in table.columns if c.required)}). "
            "If these are your own column names, load it with a mapping."
        )
    return positions, notes


def to_sheet(raw: RawSheet, table: Table) -> Sheet:
    """The rows of a raw sheet under the contract's column names; what the contract does not know goes to the notes."""
    positions, notes = match_columns(raw.header, table, raw.name)
    width = len(raw.header)
    columns: dict[str, list[str | None]] = {name: [] for name in (*_BESIDE, *positions)}
    for cells, fault in zip(raw.rows, raw.faults, strict=True):
        trimmed = [cell_text(c) for c in cells]
        while len(trimmed) > width and not trimmed[-1]:
            trimmed.pop()
        wrong = fault or ("wrong_number_of_cells" if len(trimmed) != width and any(trimmed) else "")
        if not wrong and trimmed and [c.casefold() for c in trimmed] == [h.casefold() for h in raw.header]:
            wrong = "repeated_header"
        where, faulty = faulty_cell((name, cells[i]) for name, i in positions.items() if i < len(cells))
        if faulty is not None:
            wrong = wrong or faulty.reason
        columns["_fault"].append(wrong or None)
        columns["_fault_column"].append(where)
        columns["_fault_value"].append(faulty)
        columns["_raw"].append(json.dumps(cells_by_header(raw.header, trimmed), ensure_ascii=False) if wrong else None)
        columns["_notes"].append(_notes(notes, trimmed))
        for name, i in positions.items():
            columns[name].append(trimmed[i] or None if i < len(trimmed) else None)
    frame = pd.DataFrame({name: pd.Series(values, dtype="str") for name, values in columns.items()})
    frame.insert(0, "_line", pd.Series(raw.lines, dtype="int64"))
    return Sheet(raw.found, raw.name, table, frame, note_positions=notes, positions=positions, notices=raw.notices)


def faulty_cell(named: Iterable[tuple[str, str]]) -> tuple[str | None, FaultyCell | None]:
    """The first of these cells whose value cannot be had, with its column."""
    return next(((name, cell) for name, cell in named if isinstance(cell, FaultyCell)), (None, None))


def _notes(positions: dict[str, int], cells: list[str]) -> str | None:
    """The cells of unknown columns as JSON; the column of an export holds such JSON already."""
    extra: dict[str, object] = {label: cells[i] for label, i in positions.items() if i < len(cells) and cells[i]}
    if NOTES in extra:
        with suppress(json.JSONDecodeError):
            kept = json.loads(str(extra[NOTES]))
            if isinstance(kept, dict):
                del extra[NOTES]
                extra = {**kept, **extra}
    return json.dumps(extra, ensure_ascii=False, separators=(",", ":")) if extra else None


def cells_by_header(header: Iterable[str], cells: list[str]) -> dict[str, object]:
    """A broken row kept whole: its cells under the headers as far as they go, what is over under `more cells`."""
    names = [h or f"column {i + 1}" for i, h in enumerate(header)]
    row: dict[str, object] = dict(zip(names, cells, strict=False))
    if len(cells) > len(names):
        row["more cells"] = cells[len(names) :]
    return row


def fast_sheet(path: Path, table: Table) -> Sheet | None:
    """A big, plain UTF-8 CSV file for DuckDB's reader; None where anything in it needs the careful way."""
    if path.suffix.lower() not in TEXT_ENDINGS or path.stat().st_size < FAST_FROM_BYTES:
        return None
    content = text_rows.content_of(path)
    start = 3 if content.startswith(b"\xef\xbb\xbf") else 0
    returns = content.count(b"\r")
    plain_ends = returns == 0 or (returns == content.count(b"\r\n") == content.count(b"\n"))
    odd = (
        b"\0" in content
        or b"\n\n" in content
        or b"\n\r\n" in content
        or content[start : start + 1] in (b"\n", b"\r", b'"')
        or (b'"' in content and b'="' in content)  # one byte is looked for ten times as fast as two
        or (b"'" in content and any(sign in content for sign in formulas.GUARDED_SIGNS))
    )
    if start or not plain_ends or odd or _odd_blanks(content):
        return None
    try:
        head = content[: content.index(b"\n")].decode("utf-8").rstrip("\r")
    except (ValueError, UnicodeDecodeError):
        return None
    delimiter = text_rows.delimiter_of(head)
    header = [c.strip(BLANKS) for c in head.split(delimiter)]
    if '"' in head or NOTES in header or not all(header) or len(header) < 2 or len(header) > text_rows.MAX_COLUMNS:
        return None
    if not {plain(h) for h in header} & {c.name for c in table.columns}:
        return None  # a title above the header
    positions, notes = match_columns(header, table, path.name)
    found = Found(path.name, path, len(content), hashlib.sha256(content).hexdigest())
    lines = content.count(b"\n") + (not content.endswith(b"\n"))
    return Sheet(found, path.name, table, None, lines - 1, delimiter, positions, notes, b" " in content)


def _odd_blanks(content: bytes) -> bool:
    """Whether there is any blank but the plain one, which is all that the fast way trims (a tab as delimiter goes the
    careful way).
    """
    if any(bytes((byte,)) in content for byte in (9, 11, 12, 28, 29, 30, 31)):
        return True
    return not content.isascii() and _ODD_BLANKS.search(content) is not None


def sheets_of(path: Path, named: bool, notices: list[str]) -> list[Sheet]:
    """The sheets of one file that belong to a table; what belongs to none is told in a notice.

    named: whether the file was named itself (then it must belong to a table) or stands in a folder. Raises InputError
    as `read_raw`.
    """
    own = table_named(path.stem)
    if path.suffix.lower() not in BOOK_ENDINGS:
        if own is None:
            if named:
                raise InputError(
                    f"{path.name} is named like no table (tables: {', '.join(t.name for t in TABLES)}). "
                    "Rename it, or load it with a mapping."
                )
            notices.append(f"{path.name}: named like no table; passed over")
            return []
        fast = fast_sheet(path, own)
        if fast is not None:
            return [fast]
    sheets: list[Sheet] = []
    raws = read_raw(path) if own is None or path.suffix.lower() in BOOK_ENDINGS else [_read_for(path, own)]
    for raw in raws:
        inner = raw.name[len(path.name) + 1 : -1] if raw.name != path.name else path.stem
        table = table_named(inner) or (own if len(raws) == 1 else None)
        if table is None:
            notices.append(f"{raw.name}: named like no table; passed over")
        elif not raw.header:
            notices.append(f"{raw.name}: empty")
        else:
            sheets.append(to_sheet(under_own_header(raw, table), table))
    if named and not sheets and any(raw.header for raw in raws):
        raise InputError(f"{path.name} has no sheet named like a table (tables: {', '.join(t.name for t in TABLES)}).")
    return sheets


def careful_sheet(sheet: Sheet) -> Sheet:
    """The same CSV file read the careful way."""
    return to_sheet(_read_for(sheet.found.path, sheet.table), sheet.table)
