"""Serials, parts and vehicles that look alike: shown to a person, joined when that person says so, parted again when
it was wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from rebuildstats.errors import UsageError
from rebuildstats.history import corrections, store, tables
from rebuildstats.history.contract import TABLE_BY_NAME
from rebuildstats.history.corrections import Correction
from rebuildstats.history.statements import literal, quoted, statement
from rebuildstats.history.tables import NAMES

_FALLS = {"unit": "mileage_falls", "vehicle": "odometer_falls"}


@dataclass(frozen=True, slots=True)
class Joined:
    """A name that is joined to another, with who joined them, when (UTC), and what was said about it."""

    kind: str
    name: str
    kept: str
    load: int
    joined_at: datetime
    who: str
    what: str


def look_alikes(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Pairs of names that look alike: columns kind (unit, part, vehicle), one, other, rows_one, rows_other, seen_one,
    seen_other, against.

    rows_*: how often each is named; `one` is the one named more often. seen_*: from when to when; or that the name
    stands only in rows that did not go in. against: what speaks against their being one, empty where nothing does.
    Nothing is joined by looking.
    """
    _run(con, "shape", shape=tables.shape("name"))
    frame: pd.DataFrame = con.execute(statement("joins/look_alikes")).df()
    whole = ("rows_one", "rows_other")
    return frame.astype({name: "int64" if name in whole else "str" for name in frame.columns})


def joined_names(con: duckdb.DuckDBPyConnection) -> list[Joined]:
    """The joins in force, oldest first."""
    return [Joined(*row) for row in _run(con, "joined")]


def join_names(
    store_path: str | Path,
    kind: str,
    kept: str,
    dropped: str,
    who: str | None = None,
    *,
    why: str = "",
    now: datetime | None = None,
) -> Correction:
    """Say that two names are one: every row of `dropped` stands under `kept` from now on, also in later loads.

    kind: unit, part or vehicle. dropped: a name with rows, or one that only rows which did not go in name; those go in
    when they are loaded again, and the notes of what is returned say which files. why: kept in the book of loads with
    who and when. Raises UsageError where a name is not there or joined already, where two units are of different
    families, a part replaces the other, or the mileages or odometers of the two together would fall: then they are not
    one.
    """
    if kind not in NAMES:
        raise UsageError(f"Joined are units, parts and vehicles, not '{kind}'.")
    if kept == dropped:
        raise UsageError("Name two different ones to join.")
    with store.writing(store_path) as con:
        _check_names(con, kind, kept, dropped)
        what = f"{kind} {dropped} joined to {kept}" + (f": {why}" if why else "")
        load = corrections.note(con, "join", what, who, now)
        values = {"kept": kept, "dropped": dropped, "load": load, "now": store.moment(now), "who": who or store.who()}
        rows: dict[str, int] = {}
        for table, column in NAMES[kind]:
            count = _move(con, table, column, values, describes=(table, column) == NAMES[kind][-1])
            if count:
                rows[table] = rows.get(table, 0) + count
        if kind == "part":
            _run(con, "renumber", {"kept": kept})
        falls = _run(con, _FALLS[kind], {"kept": kept}) if kind in _FALLS else []
        if falls:
            at = falls[0][0]
            raise UsageError(
                f"Together the distances of {kept} and {dropped} would fall (at {at}); they are not one {kind}."
            )
        _run(con, "note", {"kind": kind, "kept": kept, "dropped": dropped, "load": load})
        return Correction(load, rows, what, _load_again(kept, dropped, _rejected(con, kind, dropped)))


def _load_again(kept: str, dropped: str, rejected: list[tuple[str, int]]) -> tuple[str, ...]:
    if not rejected:
        return ()
    total = sum(rows for _, rows in rejected)
    some = ", ".join(f"{file} ({rows:,})" for file, rows in rejected[:5]) + (", ..." if len(rejected) > 5 else "")
    return (
        f"{total:,} rows that say {dropped} were rejected before; load their files again, as they are, and the rows go "
        f"in under {kept}: {some}.",
    )


def _check_names(con: duckdb.DuckDBPyConnection, kind: str, kept: str, dropped: str) -> None:
    joined = {one.name: one.kept for one in joined_names(con) if one.kind == kind}
    for name in (kept, dropped):
        if name in joined:
            raise UsageError(f"{kind} {name} is joined to {joined[name]} already.")
    table, column = NAMES[kind][-1]
    for name in (kept, dropped):
        there = _run(con, "exists", {"name": name}, table=quoted(table), column=quoted(column))[0][0]
        if not there and not (name == dropped and _rejected(con, kind, name)):
            raise UsageError(f"There is no {kind} {name}.")
    names = {"kept": kept, "dropped": dropped}
    if kind == "unit" and len(_run(con, "families", names)) > 1:
        raise UsageError(f"{kept} and {dropped} are of different families; they cannot be one unit.")
    if kind == "part" and _run(con, "replaces", names)[0][0]:
        raise UsageError(f"One of {kept} and {dropped} is replaced by the other; they are two parts.")


def _rejected(con: duckdb.DuckDBPyConnection, kind: str, name: str) -> list[tuple[str, int]]:
    """The files, with how many of their rows did not go in because they give something this name."""
    places = [f"{table}.{column}" for table, column in NAMES[kind]]
    return [(file, int(rows)) for file, rows in _run(con, "rejected_rows", {"name": name, "places": places})]


def part_names(
    store_path: str | Path,
    kind: str,
    dropped: str,
    who: str | None = None,
    *,
    why: str = "",
    now: datetime | None = None,
) -> Correction:
    """Undo a join: every row that was written under `dropped`, before the join or since, stands there again.

    Where `dropped` never had a row of its own (`units`, `parts`, `vehicles`) and rows came in under it since, it gets
    one like that of the name it was joined to. Raises UsageError where `dropped` is joined to nothing.
    """
    with store.writing(store_path) as con:
        join = next((one for one in joined_names(con) if (one.kind, one.name) == (kind, dropped)), None)
        if join is None:
            raise UsageError(f"{kind} {dropped} is not joined to another.")
        told = f"{kind} {dropped} parted from {join.kept}" + (f": {why}" if why else "")
        done = corrections.undo_load(con, join.load, told, who, now)
        values = {
            "kept": join.kept,
            "dropped": dropped,
            "load": done.load,
            "now": store.moment(now),
            "who": who or store.who(),
        }
        moved = {table: 0 for table, _ in NAMES[kind]}
        for table, column in NAMES[kind][:-1]:
            moved[table] += _move_back(con, table, column, values)
        if any(moved.values()):
            table, column = NAMES[kind][-1]
            names = {"table": quoted(table), "column": quoted(column)}
            _run(con, "described", {k: values[k] for k in ("kept", "dropped", "load")}, **names)
        if kind == "part":
            for name in (join.kept, dropped):
                _run(con, "renumber", {"kept": name})
        rows = {t: done.rows.get(t, 0) + moved.get(t, 0) for t in {**done.rows, **moved}}
        return Correction(done.load, {t: count for t, count in rows.items() if count}, told)


def _move(con: duckdb.DuckDBPyConnection, table: str, column: str, values: dict[str, Any], *, describes: bool) -> int:
    names = {"table": quoted(table), "column": quoted(column)}
    count = int(_run(con, "exists", {"name": values["dropped"]}, **names)[0][0])
    if not count:
        return 0
    _run(con, "to_past", {k: values[k] for k in ("load", "now", "who", "dropped")}, **names)
    if not describes:
        equal = _equal_but_for(table, column, "$kept")
        written = literal(tables.written(column))
        _run(
            con,
            "under_kept",
            {k: values[k] for k in ("load", "kept", "dropped")},
            equal=equal,
            written=written,
            **names,
        )
    _run(con, "drop_old", {"dropped": values["dropped"]}, **names)
    return count


def _move_back(con: duckdb.DuckDBPyConnection, table: str, column: str, values: dict[str, Any]) -> int:
    """Rows that came in since the join and were written under the other name go back under it."""
    names = {"table": quoted(table), "column": quoted(column)}
    written = tables.written(column)
    path = literal(f'$."{written}"')
    _run(con, "parted_to_past", values, path=path, **names)
    equal = _equal_but_for(table, column, "$dropped")
    both = {k: values[k] for k in ("load", "kept", "dropped")}
    before = _rows_under(con, values["dropped"], names)
    _run(con, "under_written", both, equal=equal, path=path, written=literal(written), **names)
    _run(con, "drop_parted", {k: values[k] for k in ("kept", "dropped")}, path=path, **names)
    return _rows_under(con, values["dropped"], names) - before


def _rows_under(con: duckdb.DuckDBPyConnection, name: str, names: dict[str, str]) -> int:
    return int(_run(con, "exists", {"name": name}, **names)[0][0])


def _equal_but_for(table: str, column: str, name: str) -> str:
    """Whether a row `k` has the key of a row `g` with another name in one column; a key without the column is the
    row's own, which no other row has.
    """
    key = tables.key(TABLE_BY_NAME[table])
    if column not in key:
        return "false"
    other = [f"k.{quoted(c)} = g.{quoted(c)}" for c in key if c != column]
    return " and ".join([*other, f"k.{quoted(column)} = {name}"])


def _run(
    con: duckdb.DuckDBPyConnection, name: str, values: dict[str, Any] | None = None, /, **names: str
) -> list[tuple[Any, ...]]:
    return con.execute(statement(f"joins/{name}", **names), values or {}).fetchall()
