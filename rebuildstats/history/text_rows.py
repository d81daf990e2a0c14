"""Bytes of a text file -> rows of text cells with the line each begins on. Knows nothing of tables.

This is the careful way, by Python's own `csv`; big plain files take DuckDB's reader instead, and a property test
holds the two equal.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from contextlib import suppress
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
    """One record of a file: its cells as they stand, the line it begins on (the file's first line is 1).

    fault: why it cannot be read as it stands: `open_quote`, `zero_byte`, or '' where nothing is wrong.
    """

    line: int
    cells: list[str]
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Text:
    """The text of a file and the encoding it was found to be in.

    other_lines: in a UTF-8 file, the lines that are not UTF-8 and were read as Windows-1252.
    """

    text: str
    encoding: str
    other_lines: tuple[int, ...] = ()


def decode(content: bytes, name: str, encoding: str | None = None) -> Text:
    """The text of a file.

    A byte-order mark decides; then UTF-8; then UTF-16 without a mark, by its zero bytes; then Windows-1252. A UTF-8
    file with lines pasted in from Windows-1252 is read line by line. A Ctrl-Z at the end, which old programs leave,
    is no text. Raises InputError where the bytes are no text at all.
    """
    if encoding is not None:
        try:
            return Text(content.decode(encoding).removeprefix("\ufeff"), encoding)
        except (UnicodeDecodeError, LookupError) as error:
            raise InputError(f"{name} cannot be read as {encoding}: {error}.") from error
    content = content.rstrip(b"\x1a")
    for mark, found in _MARKS:
        if content.startswith(mark):
            try:
                return Text(content.decode(found).removeprefix("\ufeff"), found)
            except UnicodeDecodeError as error:
                if found == "utf-8-sig":
                    return _line_by_line(content.removeprefix(mark), name)
                raise InputError(f"{name} begins like {found} but goes on otherwise (byte {error.start}).") from error
    if b"\0" in content and (wide := _wide_without_mark(content)) is not None:
        return wide
    if b"\0" in content.lstrip(b"\r\n").split(b"\n", 1)[0]:
        raise InputError(f"{name} holds zero bytes: it is no text file. Save the sheet as CSV (UTF-8) or as .xlsx.")
    try:
        return Text(content.decode("utf-8"), "utf-8")
    except UnicodeDecodeError:
        return _line_by_line(content, name)


def _wide_without_mark(content: bytes) -> Text | None:
    """A text of UTF-16 without a byte-order mark, by where its zero bytes stand."""
    head = content[:4000]
    for found, zeros in (("utf-16-le", head[1::2]), ("utf-16-be", head[0::2])):
        if zeros and zeros.count(0) > 0.7 * len(zeros):
            with suppress(UnicodeDecodeError):
                return Text(content.decode(found), found)
    return None


def _line_by_line(content: bytes, name: str) -> Text:
    """A text that is not UTF-8 throughout: Windows-1252, or UTF-8 with lines of Windows-1252 among them."""
    lines = content.split(b"\n")
    texts: list[str] = []
    other: list[int] = []
    utf8 = False
    start = 0
    for number, line in enumerate(lines, 1):
        try:
            texts.append(line.decode("utf-8"))
            utf8 = utf8 or not line.isascii()
        except UnicodeDecodeError:
            try:
                texts.append(line.decode("cp1252"))
            except UnicodeDecodeError as error:
                raise InputError(
                    f"{name} is neither UTF-8 nor Windows-1252 text (line {number}, byte {start + error.start}). "
                    "Save it as UTF-8, or name its encoding in a mapping."
                ) from error
            other.append(number)
        start += len(line) + 1
    return Text("\n".join(texts), "utf-8", tuple(other)) if utf8 else Text("\n".join(texts), "cp1252")


def told_delimiter(text: str) -> str | None:
    """The delimiter that a text names in a first line `sep=;`, as spreadsheet programs write it."""
    first = text[:20].splitlines()[:1]
    told = re.fullmatch(r'"?sep=(.)"?', first[0], re.IGNORECASE) if first else None
    return told.group(1) if told else None


def delimiter_of(text: str, header_row: int | None = None) -> str:
    """The delimiter of a text, by its header (its first filled line, or the given one): the one that cuts it into
    most cells, outside quotes.
    """
    lines = text[:1_000_000].splitlines()
    head = next((line for line in lines[(header_row or 1) - 1 :] if line.strip()), "")
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
                yield Row(line + 1, lines[line].rstrip("\r\n").split(delimiter), "open_quote")
                start, restart = line + 1, True
                break
            if width <= 1:  # a title of one cell may stand above the header
                width = len(cells) or width
            yield _row(line + 1, cells)
            line = after
        if not restart:
            return


def _row(line: int, cells: list[str]) -> Row:
    """A record; one with a zero byte in it, which no text has, is at fault and shows where it stands."""
    if any("\0" in cell for cell in cells):
        return Row(line, [cell.replace("\0", "\u2400") for cell in cells], "zero_byte")
    return Row(line, cells)


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
