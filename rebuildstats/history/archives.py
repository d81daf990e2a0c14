"""What a workbook's archive holds, looked at before a library unpacks and builds it: bombs are refused here.

Every part is read once by expat, in chunks and without building anything, so that nothing is judged by how it is
written (another encoding, another prefix, a comment before a declaration).
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from xml.parsers import expat

from openpyxl.utils import range_boundaries

from rebuildstats.errors import InputError

MAX_UNPACKED = 200_000_000  # bytes of XML; beyond it a workbook is a bomb or belongs in a CSV file
MAX_RATIO = 200  # unpacked to packed, of what unpacks to more than a quarter of that
MAX_PARTS = 10_000
MAX_MERGED = 500_000  # cells under merged ranges: each becomes an object when the workbook is built
_CHUNK = 1 << 16


def has_formulas(content: bytes, name: str) -> bool:
    """Whether any part of a workbook that may be built holds a formula.

    Raises InputError for what is no archive or a bomb: it unpacks beyond all bounds, declares entities, or merges more
    cells than any sheet.
    """
    if content[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        raise InputError(
            f"{name} is an old .xls file or locked with a password. Save it as an open .xlsx file or as CSV."
        )
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            _check_size(archive, len(content), name)
            parts = [_Part(archive, entry, name) for entry in archive.infolist()]
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError, OSError) as error:
        raise InputError(f"{name} is not an .xlsx workbook: {short(error)}.") from error
    merged = sum(part.merged for part in parts)
    if merged > MAX_MERGED:
        raise InputError(f"{name} merges {merged:,} cells; no shop's sheet does. Save the sheets as CSV files.")
    return any(part.formulas for part in parts)


def short(error: BaseException) -> str:
    """The first line of an error, for a sentence of ours."""
    lines = str(error).strip().splitlines()
    return (lines[0] if lines else type(error).__name__)[:200]


def _check_size(archive: zipfile.ZipFile, packed: int, name: str) -> None:
    entries = archive.infolist()
    unpacked = sum(entry.file_size for entry in entries)
    if (
        unpacked > MAX_UNPACKED
        or len(entries) > MAX_PARTS
        or (unpacked > MAX_UNPACKED // 4 and unpacked > MAX_RATIO * max(packed, 1))
    ):
        raise InputError(
            f"{name} unpacks to {unpacked / 1e6:,.0f} MB in {len(entries):,} parts; that is no shop's workbook. "
            "Save the sheets as CSV files."
        )


class _Part:
    """One part of the archive, read through. merged: cells under merged ranges; formulas: whether it holds any."""

    def __init__(self, archive: zipfile.ZipFile, entry: zipfile.ZipInfo, name: str) -> None:
        self.merged = 0
        self.formulas = False
        self._name, self._entry = name, entry.filename
        parser = expat.ParserCreate()
        parser.StartDoctypeDeclHandler = self._declared
        parser.StartElementHandler = self._started
        with archive.open(entry) as part:
            _feed(parser, lambda: part.read(_CHUNK))

    def _declared(self, *_: object) -> None:
        raise InputError(
            f"{self._name} declares entities in {self._entry}; no spreadsheet program writes that. It was not read."
        )

    def _started(self, element: str, attributes: dict[str, str]) -> None:
        element = element.rpartition(":")[2]
        if element == "f":
            self.formulas = True
        elif element == "mergeCell":
            try:
                left, top, right, bottom = range_boundaries(attributes.get("ref", ""))
                self.merged += (right - left + 1) * (bottom - top + 1)
            except (TypeError, ValueError):
                raise InputError(f"{self._name} merges cells of no place in {self._entry}. It was not read.") from None


def _feed(parser: expat.XMLParserType, read: Callable[[], bytes]) -> None:
    """Through all of a part that is XML; a picture, or broken XML, ends at its first odd byte, as it will for whoever
    builds the workbook.
    """
    try:
        while chunk := read():
            parser.Parse(chunk, False)
    except expat.ExpatError:
        return
