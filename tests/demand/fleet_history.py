"""A random fleet as the frames that the forecast reads, without a store on disk."""

from __future__ import annotations

import datetime as dt
from typing import Any

import duckdb

from rebuildstats.history.contract import SQL_TYPES, TABLES
from rebuildstats.history.known import History, history_frames, know
from rebuildstats.life_records.build import build
from rebuildstats.life_records.records import Records


def history_at(fleet: Any, as_of: dt.date) -> tuple[History, Records]:
    """History and life records of a fleet (`tests.fleets`) as a shop would know them on a day."""
    con = duckdb.connect()
    tables = fleet.tables(as_of)
    for table in TABLES:
        columns = ", ".join(f'"{c.name}" {SQL_TYPES[c.kind]}' for c in table.columns)
        con.execute(f'create table "{table.name}" ({columns})').fetchall()
        frame = tables.get(table.name)
        if frame is not None and len(frame):
            con.register("given", frame)
            names = ", ".join(f'"{c.name}"' for c in table.columns)
            con.execute(f'insert into "{table.name}" select {names} from given').fetchall()
            con.unregister("given")
    day = know(con, as_of)
    history = history_frames(con, day, "mi")
    records = build(con, day, "mi")
    con.close()
    return history, records
