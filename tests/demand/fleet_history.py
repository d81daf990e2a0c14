"""A random fleet as the frames that the forecast reads, without a store on disk."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import duckdb
import pandas as pd

from rebuildstats.history.contract import SQL_TYPES, TABLES
from rebuildstats.history.known import History, history_frames, know
from rebuildstats.life_records.build import build
from rebuildstats.life_records.records import Records

_ENGINE = duckdb.connect()  # starting one takes 30 ms; what is temporary belongs to a cursor alone


def history_at(fleet: Any, as_of: dt.date) -> tuple[History, Records]:
    """History and life records of a fleet (`tests.fleets`) as a shop would know them on a day."""
    return known_on(fleet.tables(as_of), as_of)


def known_on(tables: Mapping[str, pd.DataFrame], as_of: dt.date) -> tuple[History, Records]:
    """The same from tables that may hold rows dated after that day."""
    con = _ENGINE.cursor()
    for table in TABLES:
        columns = ", ".join(f'"{c.name}" {SQL_TYPES[c.kind]}' for c in table.columns)
        con.execute(f'create temp table "{table.name}" ({columns})').fetchall()
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
