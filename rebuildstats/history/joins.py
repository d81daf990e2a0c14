"""Serials, parts and vehicles that look alike: shown to a person, joined when that person says so, parted again when
it was wrong.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from rebuildstats.errors import UsageError
from rebuildstats.history import corrections, store, tables
from rebuildstats.history.contract import TABLE_BY_NAME
from rebuildstats.history.corrections import Correction
from rebuildstats.history.statements import quoted, statement
from rebuildstats.history.tables import NAMES

_FALLS = {"unit": "mileage_falls", "vehicle": "odometer_falls"}


def look_alikes(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Pairs of names that look alike: columns kind (unit, part, vehicle), one, other, rows_one, rows_other (how often
    each is named).

    rows_*: how often each is named; `one` is the one named more often. Nothing is joined by looking.
    """
    _run(con, "shape", shape=tables.shape("name"))
    frame: pd.DataFrame = con.execute(statement("joins/look_alikes")).df()
    return frame.astype({"kind": "str", "one": "str", "other": "str", "rows_one": "int64", "rows_other": "int64"})


def join_names(
    store_path: str | Path, kind: str, kept: str, dropped: str, who: str | None = None, *, now: datetime | None = None
) -> Correction:
    """Say that two names are one: every row of `dropped` stands under `kept` from now on, also in later loads.

    kind: unit, part or vehicle. Raises UsageError where a name is not there, where two units are of different
    families, or where the mileages or odometers of the two together would fall: then they are not one.
    """
    if kind not in NAMES:
        raise UsageError(f"Joined are units, parts and vehicles, not '{kind}'.")
    if kept == dropped:
        raise UsageError("Name two different ones to join.")
    with store.writing(store_path) as con:
        table, column = NAMES[kind][-1]
        for name in (kept, dropped):
            if not _run(con, "exists", {"name": name}, table=quoted(table), column=quoted(column))[0][0]:
                raise UsageError(f"There is no {kind} {name}.")
        names = {"kept": kept, "dropped": dropped}
        if kind == "unit" and len(_run(con, "families", names)) > 1:
            raise UsageError(f"{kept} and {dropped} are of different families; they cannot be one unit.")
        what = f"{kind} {dropped} joined to {kept}"
        load = corrections.note(con, "join", what, who, now)
        values = names | {"load": load, "now": store.moment(now), "who": who or store.who()}
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
        return Correction(load, rows, what)


def part_names(
    store_path: str | Path, kind: str, dropped: str, who: str | None = None, *, now: datetime | None = None
) -> Correction:
    """Undo a join: the rows that stood under `dropped` stand there again; what was loaded since stays where it is.

    Raises UsageError where `dropped` is joined to nothing.
    """
    with store.writing(store_path) as con:
        joined = {(k, name): (kept, load) for k, name, kept, load in _run(con, "joined")}
        if (kind, dropped) not in joined:
            raise UsageError(f"{kind} {dropped} is not joined to another.")
        kept, load = joined[kind, dropped]
        return corrections.undo_load(con, load, f"{kind} {dropped} parted from {kept}", who, now)


def _move(con: duckdb.DuckDBPyConnection, table: str, column: str, values: dict[str, Any], *, describes: bool) -> int:
    names = {"table": quoted(table), "column": quoted(column)}
    count = int(_run(con, "exists", {"name": values["dropped"]}, **names)[0][0])
    if not count:
        return 0
    _run(con, "to_past", {k: values[k] for k in ("load", "now", "who", "dropped")}, **names)
    if not describes:
        key = tables.key(TABLE_BY_NAME[table])
        other = [f"k.{quoted(c)} = g.{quoted(c)}" for c in key if c != column]
        equal = " and ".join([*other, f"k.{quoted(column)} = $kept"]) if column in key else "false"
        _run(con, "under_kept", {k: values[k] for k in ("load", "kept", "dropped")}, equal=equal, **names)
    _run(con, "drop_old", {"dropped": values["dropped"]}, **names)
    return count


def _run(
    con: duckdb.DuckDBPyConnection, name: str, values: dict[str, Any] | None = None, /, **names: str
) -> list[tuple[Any, ...]]:
    return con.execute(statement(f"joins/{name}", **names), values or {}).fetchall()
