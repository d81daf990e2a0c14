"""The loaders against bytes that a coverage-guided fuzzer thinks of: every input gives rows or an error of ours.

Not a test and no part of the project: `python -m pip install atheris` (Linux or macOS) into an environment of its own
beside the project, then run as a script. Arguments are libFuzzer's, for example `-max_total_time=300`; a folder among
them keeps what it found. Any other exception stops it and leaves the input in a file `crash-...`.
"""

from __future__ import annotations

import io
import sys
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import atheris

with atheris.instrument_imports(include=["rebuildstats", "openpyxl"]):
    from rebuildstats.errors import RebuildstatsError
    from rebuildstats.history import mapping, proposal, read, store
    from rebuildstats.history.contract import TABLES
    from rebuildstats.history.load import Load
    from tests.history.test_workbooks import SHEET, book_of, content_of

_FOLDER = Path(tempfile.mkdtemp(prefix="fuzz-"))
_BOOK = content_of(book_of(sites=[["site", "served_by"], ["far", None]]))
_PARTS = (SHEET, "xl/workbook.xml", "xl/styles.xml", "xl/_rels/workbook.xml.rels", "[Content_Types].xml")


def look(path: Path) -> None:
    """Read a file into rows."""
    for sheet in read.sheets_of(path, True, []):
        if sheet.frame is None:
            read.careful_sheet(sheet)


def load(path: Path) -> None:
    """All that is done with a file before the store is opened; a hundred times slower than a look."""
    with store.memory() as con:
        work = Load(con, None)
        work.stage(read.sheets_of(path, True, work.notices))
        for table in TABLES:
            if table.name in work.staged_tables:
                work._type(table)
                work._check_cells(table)


def one(data: bytes) -> None:
    given = atheris.FuzzedDataProvider(data)
    kind = given.ConsumeIntInRange(0, 4)
    part = given.PickValueInList(list(_PARTS))
    read_it = load if given.ConsumeIntInRange(0, 255) == 255 else look
    rest = given.ConsumeBytes(given.remaining_bytes())
    try:
        if kind == 0:
            _write("sites.csv", b"site,served_by\n" + rest, read_it)
        elif kind == 1:
            _write("teardowns.csv", rest, read_it)
        elif kind == 2:
            _write("sites.xlsx", _with_part(part, rest), read_it)
        elif kind == 3:
            _write("shop.toml", rest, lambda path: mapping.read_mapping(path, "km"))
        else:
            _write("odd.csv", rest, lambda path: proposal.propose_mapping([path]))
    except RebuildstatsError:
        pass  # said in a sentence


def _write(name: str, content: bytes, use: Callable[[Path], object]) -> None:
    path = _FOLDER / name
    path.write_bytes(content)
    use(path)


def _with_part(part: str, content: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_BOOK)) as old, zipfile.ZipFile(out, "w") as archive:
        for name in old.namelist():
            archive.writestr(name, content if name == part else old.read(name))
    return out.getvalue()


def main() -> None:
    seeds = _FOLDER / "seeds"
    seeds.mkdir()
    with zipfile.ZipFile(io.BytesIO(_BOOK)) as book:
        for number, part in enumerate(_PARTS):
            (seeds / f"part{number}").write_bytes(book.read(part) + bytes((0, number, 2)))
    texts = (b"far,north\n", b'job;unit;opened_on\n"J\n1";A1;3.4.2024\n', b"[[sheet]]\ntable = 'sites'\n")
    for number, text in enumerate(texts):
        (seeds / f"text{number}").write_bytes(text + bytes((0, 0, number)))
    atheris.Setup([*sys.argv, str(seeds)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
