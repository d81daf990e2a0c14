"""Keeping a store: backup, restore, a check of its integrity, and the history as it was known at a moment."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import duckdb
import pandas as pd

from rebuildstats.errors import StoreError, UsageError
from rebuildstats.history import drafts, store, tables
from rebuildstats.history.contract import TABLES
from rebuildstats.history.statements import listed, quoted, statement

Sums = dict[tuple[str, str], tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that was opened again and found equal to the store. rows: all rows in it; size: bytes."""

    path: Path
    rows: int
    size: int


@dataclass(frozen=True, slots=True)
class Restored:
    """A store restored from a backup. rows: all rows in it; before: the backup made of what stood there before, if
    anything.
    """

    path: Path
    rows: int
    before: Path | None


@dataclass(frozen=True, slots=True)
class Check:
    """What the check of a store found. rows: rows looked at; faults: columns what, table, count, examples (empty: all
    is well).
    """

    rows: int
    faults: pd.DataFrame

    def frame(self) -> pd.DataFrame:
        return self.faults


def backup(store_path: str | Path, file: str | Path) -> Backup:
    """Copy the store to `file` while it is in use, and open the copy to see that it is equal.

    Writers wait meanwhile, readers do not. Raises UsageError where the file is there already or its folder is not,
    StoreError where the copy does not open equal.
    """
    path, file = Path(store_path), Path(file)
    _new_file(file)
    with store.reading(path):
        pass  # is it a store, and of today's schema?
    with store.alone(path):
        rows = _copy(path, file)
    return Backup(file, rows, file.stat().st_size)


def restore(store_path: str | Path, file: str | Path, *, now: datetime | None = None) -> Restored:
    """Make the store hold exactly what a backup holds, in one step; others may have it open meanwhile.

    What stood there before is backed up beside it first. A store that is not there is made. The backup is only read,
    also where an earlier version wrote it. Raises StoreError where the backup is no store of ours or cannot be read
    through, UsageError where it is the store itself.
    """
    path, file = Path(store_path), Path(file)
    if path.exists() and file.exists() and path.samefile(file):
        raise UsageError("The backup and the store are the same file.")
    if path.exists():
        with store.reading(path):
            pass  # never replace what is no store
    before = None
    with store.alone(path) as folder:
        draft = folder / "restored.duckdb"
        try:
            drafts.copy_private(store.existing(file), draft)
            journal = Path(f"{file}.wal")
            if journal.exists():
                drafts.copy_private(journal, Path(f"{draft}.wal"))
            rows = _rows(draft)
            if path.exists():
                before = path.with_name(f"{path.name}.before-{store.moment(now):%Y%m%d-%H%M%S}")
                _new_file(before)
                _copy(path, before)
                drafts.publish(draft, path.resolve(), store.WRITE_PATIENCE_SECONDS)
            else:
                drafts.put_new(draft, path)
        except OSError as error:
            raise StoreError(f"{path} could not be written, it is as it was: {error.strerror}.") from error
    return Restored(path, rows, before)


def _copy(path: Path, file: Path) -> int:
    """Copy a store that nobody writes to meanwhile to a new file, equal to it; returns how many rows it holds."""
    try:
        with store.alone(file) as folder:
            draft = folder / "copied.duckdb"
            drafts.copy_private(path, draft)
            with store.reading(path) as con, store.reading(draft) as copied:
                sums = _sums(con)
                if _sums(copied) != sums:
                    raise StoreError(
                        f"The copy of {path} did not open equal to it; nothing was kept. Try another disk."
                    )
            drafts.put_new(draft, file)
    except FileExistsError as error:
        raise UsageError(f"{file} exists already; a backup never overwrites a file.") from error
    except OSError as error:
        raise StoreError(f"The backup {file} could not be written: {error.strerror}.") from error
    return sum(rows for rows, _ in sums.values())


def _rows(path: Path) -> int:
    """Bring a store to one file of today's schema and read it through; returns how many rows it holds."""
    with store.alone(path):
        pass
    with store.reading(path) as con:
        try:
            return sum(rows for rows, _ in _sums(con).values())
        except duckdb.Error as error:
            raise _damaged(path, error) from error


def _damaged(path: Path, error: duckdb.Error) -> StoreError:
    return StoreError(f"{path} is damaged and cannot be read through: {str(error).splitlines()[0]}. Restore a backup.")


def check(store_path: str | Path) -> Check:
    """Read every row of the store and look for what must not be: keys that repeat, references that lead nowhere, sums
    that are off.

    Raises StoreError where the file cannot be read through.
    """
    faults: list[tuple[str, str, list[str]]] = []
    with store.reading(store_path) as con:
        try:
            rows = sum(count for count, _ in _sums(con).values())
        except duckdb.Error as error:
            raise _damaged(Path(store_path), error) from error
        for table in TABLES:
            name = quoted(table.name)
            repeated = con.execute(
                statement(
                    "keep/repeated_keys",
                    key=listed(tables.key(table)),
                    key_text=f"concat_ws(' / ', {tables.key_text(table)})",
                    table=name,
                )
            ).fetchall()
            faults.append(("keys that repeat", table.name, [str(row[0]) for row in repeated]))
            for reference in table.references:
                names = tables.reference_names(table, reference)
                lost = con.execute(
                    statement(
                        "keep/dangling",
                        table=name,
                        target=names["target"],
                        values=names["values"],
                        filled=names["filled"],
                        equal=names["equal_stored"],
                    )
                ).fetchall()
                what = f"references to {reference.target} that lead nowhere"
                faults.append((what, table.name, [str(row[0]) for row in lost]))
            unknown = con.execute(statement("keep/unknown_loads", table=name)).fetchall()
            faults.append(("rows of a load that stands in no book", table.name, [str(row[0]) for row in unknown]))
        lost = con.execute(statement("keep/findings_without_words")).fetchall()
        what = "findings of a component, point or position that the family does not have"
        faults.append((what, "findings", [str(row[0]) for row in lost]))
        off = con.execute(statement("keep/counts_do_not_add_up")).fetchall()
        faults.append(("loads whose counts do not add up", "load_counts", [f"{load} {name}" for load, name in off]))
    found = [(what, name, len(values), "; ".join(values[:3])) for what, name, values in faults if values]
    frame = pd.DataFrame(found, columns=["what", "table", "count", "examples"])
    return Check(rows, frame.astype({"what": "str", "table": "str", "count": "int64", "examples": "str"}))


def as_known(con: duckdb.DuckDBPyConnection, moment: datetime) -> None:
    """From now on this connection sees the history as the store knew it at `moment`, not as it is known to have been.

    Makes temporary tables under the contract's names, which stand before the store's own. Rows dated later are not
    touched: that is what `known.know` is for.
    """
    database = quoted(str(con.execute(statement("keep/database")).fetchall()[0][0]))
    for table in TABLES:
        con.execute(
            statement(
                "keep/as_known",
                name=quoted(table.name),
                database=database,
                columns=listed([c.name for c in table.columns]),
            ),
            {"moment": store.moment(moment)},
        ).fetchall()


def _sums(con: duckdb.DuckDBPyConnection) -> Sums:
    database = str(con.execute(statement("keep/database")).fetchall()[0][0])
    return {
        name: con.execute(
            statement("keep/checksum", table=f"{quoted(database)}.{quoted(name[0])}.{quoted(name[1])}")
        ).fetchall()[0]
        for name in sorted(_names(con, database))
    }


def _names(con: duckdb.DuckDBPyConnection, database: str) -> set[tuple[str, str]]:
    return set(con.execute(statement("keep/tables_of"), {"database": database}).fetchall())


def _new_file(file: Path) -> None:
    if file.exists():
        raise UsageError(f"{file} exists already; a backup never overwrites a file.")
    if not file.parent.is_dir():
        raise UsageError(f"The folder {file.parent} does not exist.")
