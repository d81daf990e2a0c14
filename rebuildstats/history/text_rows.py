"""Bytes of a text file -> rows of text cells with the line each begins on. Knows nothing of tables.

This is the careful way, by Python's own `csv`; big plain files take DuckDB's reader instead, and a property test
holds the two equal.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from rebuildstats.errors import InputError

MAX_CELL = 1_000_000  # characters; a longer cell is a broken or hostile file
MAX_COLUMNS = 2_000
MAX_BYTES = 2_000_000_000
DELIMITERS = (",", ";", "\t", "|")

_MARKS = (
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)


@dataclass(frozen=True, slots=True)
class Row:
    """One record of a file: its cells as they stand, the line it begins on (the file's first line is 1)."""

    line: int
    cells: list[str]
    open_quote: bool = False


def decode(content: bytes, name: str, encoding: str | None = None) -> tuple[str, str]:
    """The text of a file and the encoding it was found to be in.

    A byte-order mark decides; then UTF-8; then UTF-16 without a mark, by its zero bytes; then Windows-1252. Raises
    InputError where the bytes are no text at all.
    """
    if encoding is not None:
        try:
            return content.decode(encoding).removeprefix("\ufeff"), encoding
        except (UnicodeDecodeError, LookupError) as error:
            raise InputError(f"{name} cannot be read as {encoding}: {error}.") from error
    for mark, found in _MARKS:
        if content.startswith(mark):
            try:
                return content.decode(found).removeprefix("\ufeff"), found
            except UnicodeDecodeError as error:
                raise InputError(f"{name} begins like {found} but goes on otherwise (byte {error.start}).") from error
    if b"\0" in content:
        return _without_mark(content, name)
    try:
        return content.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        pass
    try:
        return content.decode("cp1252"), "cp1252"
    except UnicodeDecodeError as error:
        raise InputError(
            f"{name} is neither UTF-8 nor Windows-1252 text (byte {error.start}). "
            "Save it as UTF-8, or name its encoding in a mapping."
        ) from error


def _without_mark(content: bytes, name: str) -> tuple[str, str]:
    head = content[:4000]
    for found, zeros in (("utf-16-le", head[1::2]), ("utf-16-be", head[0::2])):
        if zeros and zeros.count(0) > 0.7 * len(zeros):
            try:
                return content.decode(found), found
            except UnicodeDecodeError:
                continue
    raise InputError(f"{name} holds zero bytes: it is no text file. Save the sheet as CSV (UTF-8) or as .xlsx.")


def delimiter_of(text: str) -> str:
    """The delimiter of a text, by its header: the one that cuts it into most cells, outside quotes."""
    head = next((line for line in text[:1_000_000].splitlines() if line.strip()), "")
    best, most = ",", 0
    for candidate in DELIMITERS:
        count = len(next(csv.reader([head[:100_000]], delimiter=candidate), []))
        if count > most:
            best, most = candidate, count
    return best


def rows(text: str, delimiter: str, name: str) -> Iterator[Row]:
    """The records of a text as Python's `csv` reads them; an empty line is a record without cells.

    A quote left open would swallow the good rows after it: where a record of several lines has not the header's
    number of cells and its first line alone has an odd number of quotes, that line is a record of its own
    (`open_quote`) and reading goes on behind it. Raises InputError for a cell beyond all bounds.
    """
    lines = list(io.StringIO(text, newline=""))
    width = 0
    start = 0
    while start < len(lines):
        restart = False
        reader = csv.reader(islice(lines, start, None), delimiter=delimiter)
        line = start
        while True:
            before = csv.field_size_limit(MAX_CELL)
            try:
                cells = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                raise InputError(
                    f"{name}, line {line + 1}: {error}. A cell may hold {MAX_CELL:,} characters; is a quote left open?"
                ) from error
            finally:
                csv.field_size_limit(before)
            after = start + reader.line_num
            broken = after - line > 1 and len(cells) != width and lines[line].count('"') % 2 == 1
            if (broken and _left_open(lines[line:after], delimiter, width)) or (
                after == len(lines) and _never_closed(lines[line:], delimiter)
            ):
                yield Row(line + 1, lines[line].rstrip("\r\n").split(delimiter), open_quote=True)
                start, restart = line + 1, True
                break
            width = width or len(cells)
            yield Row(line + 1, cells)
            line = after
        if not restart:
            return


def _left_open(lines: list[str], delimiter: str, width: int) -> bool:
    """Whether a record of several lines looks like a line with one quote too many and good rows behind it."""
    if width == 0:  # a header over several lines, or a first line with an open quote
        width = len(lines[0].split(delimiter))
    return any(line.count(delimiter) == width - 1 for line in lines[1:])


def _never_closed(lines: list[str], delimiter: str) -> bool:
    """Whether the last record of a text ends inside quotes."""
    try:
        list(csv.reader(lines, delimiter=delimiter, strict=True))
    except csv.Error as error:
        return "unexpected end" in str(error)
    return False


def content_of(path: Path) -> bytes:
    """The bytes of a file to load. Raises InputError with what to do."""
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise InputError(f"{path} is larger than {MAX_BYTES / 1e9:g} GB; load it in pieces.")
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}.") from error
