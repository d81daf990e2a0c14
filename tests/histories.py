"""Tiny hand-made histories: the contract's tables on a connection in memory, from rows written as dictionaries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import duckdb

from rebuildstats.history.contract import SQL_TYPES, TABLES
from rebuildstats.history.known import know
from rebuildstats.life_records.build import build
from rebuildstats.life_records.records import Records

Rows = Sequence[Mapping[str, Any]]

_ENGINE = duckdb.connect()  # starting one takes 30 ms; what is temporary belongs to a cursor alone


def connection(**tables: Rows) -> duckdb.DuckDBPyConnection:
    """A connection in memory with every table of the contract, holding the given rows; other cells are empty."""
    con = _ENGINE.cursor()
    for table in TABLES:
        columns = ", ".join(f'"{c.name}" {SQL_TYPES[c.kind]}' for c in table.columns)
        con.execute(f'create temp table "{table.name}" ({columns})').fetchall()
        rows = tables.get(table.name, ())
        for row in rows:
            unknown = row.keys() - {c.name for c in table.columns}
            assert not unknown, f"{table.name} has no {unknown}"
        if rows:
            marks = ", ".join("?" for _ in table.columns)
            values = [row.get(c.name) for row in rows for c in table.columns]
            con.execute(f'insert into "{table.name}" values {", ".join([f"({marks})"] * len(rows))}', values).fetchall()
    return con


def records(as_of: str | None = None, **tables: Rows) -> Records:
    """The life records of such a history."""
    con = connection(**tables)
    day = know(con, date.fromisoformat(as_of) if as_of else None)
    return build(con, day, "mi")
