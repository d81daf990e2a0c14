"""Corrections by a person: a teardown written down or edited in a form, a teardown withdrawn, the last load undone.

Every one is a load of its own in the store's book of loads, with who and when; what it replaces moves to the rows of
the past.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from rebuildstats.errors import UsageError
from rebuildstats.history import store, tables
from rebuildstats.history.contract import TABLE_BY_NAME, TABLES
from rebuildstats.history.load import Load, LoadReport
from rebuildstats.history.read import BLANKS, Found, Sheet
from rebuildstats.history.statements import quoted, statement
from rebuildstats.history.text_rows import MAX_CELL

FORM = "form"
_OF_JOB = ("teardowns", "findings", "issued_parts")


@dataclass(frozen=True, slots=True)
class Correction:
    """What a correction did. load: its number in the book of loads; rows: how many rows left or came, per table;
    what: in words; notes: sentences on what is left to be done.
    """

    load: int
    rows: dict[str, int]
    what: str
    notes: tuple[str, ...] = ()


def store_teardown(
    store_path: str | Path,
    teardown: Mapping[str, Any],
    findings: Sequence[Mapping[str, Any]],
    who: str | None = None,
    *,
    now: datetime | None = None,
) -> LoadReport:
    """Store one teardown with all its findings, as a form holds them, in one transaction and by the rules of every
    load.

    teardown, findings: contract column -> value (text, number, date, bool; None or '' for empty). A job that is
    stored already is edited: its findings are then exactly those given. All or nothing: where a row is at fault,
    nothing is stored, `report.load` is None and `report.rejects` says why (line 1 is the teardown, the findings count
    from 2). Raises UsageError for a column the contract does not have, StoreError as `store.writing`.
    """
    job = _cell(teardown.get("job"))
    with store.memory() as con:
        work = Load(con, now, who)
        work.stage([_sheet("teardowns", [teardown], 1), _sheet("findings", findings, 2)])
        for finding in findings:
            if _cell(finding.get("job", job)) != job:
                raise UsageError("A form holds the findings of one job; one of these belongs to another.")
        work.replaces_job = job
        return work.into(store_path, kind=FORM, what=f"teardown {job}", whole=True)


def _sheet(name: str, rows: Sequence[Mapping[str, Any]], first_line: int) -> Sheet:
    table = TABLE_BY_NAME[name]
    known = [c.name for c in table.columns]
    unknown = sorted({column for row in rows for column in row} - set(known))
    if unknown:
        raise UsageError(f"{name} has no column {', '.join(unknown)}.")
    columns = {column: pd.Series([_cell(row.get(column)) for row in rows], dtype="str") for column in known}
    frame = pd.DataFrame(columns)
    frame.insert(0, "_line", pd.Series(range(first_line, first_line + len(rows)), dtype="int64"))
    return Sheet(Found(FORM, Path(FORM), 0, ""), FORM, table, frame)


def _cell(value: Any) -> str | None:
    if value is None or (isinstance(value, float) and value != value) or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, int | float):
        return tables.plain_number(float(value))
    text = str(value).strip(BLANKS)  # as a sheet's cells are trimmed
    if "\0" in text or len(text) > MAX_CELL or any("\ud800" <= letter <= "\udfff" for letter in text):
        raise UsageError(
            f"A field holds {len(text):,} characters or some that are none ({text[:20]!a}...): "
            f"at most {MAX_CELL:,} characters go in, and none of them zero or half a one."
        )
    return text or None


def withdraw_teardown(
    store_path: str | Path, job: str, who: str | None = None, *, why: str = "", now: datetime | None = None
) -> Correction:
    """Take a teardown that should not be there, its findings and its issued parts out of the history; they stay in
    the past.

    The same rows loaded again stay withdrawn. A corrected teardown brings the job back; its findings and issued parts
    come back as they are loaded again, changed or not. why: kept with who and when. Raises UsageError where there is
    no such job.
    """
    with store.writing(store_path) as con:
        rows = {name: _run(con, "count_job", {"job": job}, table=name)[0][0] for name in _OF_JOB}
        if not rows["teardowns"]:
            raise UsageError(f"There is no teardown with job {job}.")
        what = f"teardown {job} withdrawn" + (f": {why}" if why else "")
        load = note(con, "withdraw", what, who, now)
        values = {"job": job, "load": load, "now": store.moment(now), "who": who or store.who()}
        for name in _OF_JOB:
            _run(con, "withdraw", values, table=name)
            _run(con, "drop_job", {"job": job}, table=name)
        return Correction(load, {name: int(count) for name, count in rows.items() if count}, what)


def undo_last_load(store_path: str | Path, who: str | None = None, *, now: datetime | None = None) -> Correction:
    """Undo the last load, form or withdrawal that has not been undone: the present is as it was before it.

    What it wrote stays in the rows of the past. Raises UsageError where there is nothing to undo.
    """
    with store.writing(store_path) as con:
        last = _run(con, "last_load")
        if not last:
            raise UsageError("Nothing has been loaded yet; there is nothing to undo.")
        undone, kind, what, _, _ = last[0]
        return undo_load(con, undone, f"undone: {kind} {undone} ({what})", who, now)


def undo_load(
    con: duckdb.DuckDBPyConnection, undone: int, told: str, who: str | None, now: datetime | None
) -> Correction:
    """Undo one write of history inside the transaction that is open; what was written after it stays."""
    load = note(con, "undo", told, who, now)
    values = {"load": load, "undone": undone, "now": store.moment(now), "who": who or store.who()}
    rows = {}
    for table in TABLES:
        name = quoted(table.name)
        before = _rows(con, name)
        _run(con, "undo_new", values, table=name)
        _run(con, "drop_new", {"undone": undone}, table=name)
        after = _rows(con, name)
        equal = tables.equal_keys(table, "k", "g")
        _run(con, "bring_back", {"load": load, "undone": undone}, table=name, equal=equal)
        back = _rows(con, name)
        if before != after or back != after:
            rows[table.name] = before - after + back - after
    _run(con, "reopen_rejects", {"undone": undone})
    _run(con, "settle_undone", {"load": load, "undone": undone})
    _run(con, "mark_undone", {"load": load, "undone": undone})
    con.execute(statement("joins/part_again"), {"load": load, "undone": undone}).fetchall()
    return Correction(load, rows, told)


def book_of_loads(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Every write of history, newest first: columns load, at (UTC), who, kind (load, form, withdraw, join, undo), what,
    new and changed (rows), undone_by (the load that undid it).
    """
    frame: pd.DataFrame = con.execute(statement("corrections/book")).df()
    whole = ("load", "new", "changed", "undone_by")
    return frame.astype({c: "Int64" if c in whole else "datetime64[us]" if c == "at" else "str" for c in frame.columns})


def _rows(con: duckdb.DuckDBPyConnection, name: str) -> int:
    return int(con.execute(statement("load/how_many", relation=name)).fetchall()[0][0])


def note(con: duckdb.DuckDBPyConnection, kind: str, what: str, who: str | None, now: datetime | None) -> int:
    """Enter a write of history in the book of loads; returns its number."""
    load = int(con.execute(statement("load/next_load")).fetchall()[0][0])
    con.execute(
        statement("load/note_load"),
        {"load": load, "now": store.moment(now), "who": who or store.who(), "kind": kind, "what": what},
    ).fetchall()
    return load


def _run(
    con: duckdb.DuckDBPyConnection, name: str, values: dict[str, Any] | None = None, /, **names: str
) -> list[tuple[Any, ...]]:
    return con.execute(statement(f"corrections/{name}", **names), values or {}).fetchall()
