"""The history as it stood on a day: what every later step reads.

`know` makes a temporary table `known_<table>` for each table of the contract, on any connection that holds those
tables (read-only will do). `history_frames` brings them out as data frames with the same dtypes on every store, the
empty one included.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time

import duckdb
import pandas as pd

from rebuildstats.errors import NothingToComputeError, UsageError
from rebuildstats.history.contract import TABLE_BY_NAME, TABLES, Table
from rebuildstats.history.days import AsKnown
from rebuildstats.history.keep import as_known
from rebuildstats.history.relations import execute, frame_of

_FOLDER = "history/sql/known"
# Findings hang on the teardowns that are known, so they come after them.
_ORDER = sorted((table.name for table in TABLES), key=lambda name: name == "findings")

_DTYPES = {
    "text": "str",
    "word": "str",
    "number": "float64",
    "whole": "Int64",
    "date": "datetime64[us]",
    "flag": "boolean",
}


@dataclass(frozen=True, slots=True)
class History:
    """The tables of the contract as they were known on `as_of`, one frame each, with exactly the contract's columns.

    Text is `str` with missing values, numbers are float64, whole numbers Int64, dates datetime64[us], flags boolean.
    Defaults of the contract are filled in. `distance` is the store's unit of distance (mi, km or h).
    """

    as_of: date
    distance: str
    vehicles: pd.DataFrame
    odometers: pd.DataFrame
    units: pd.DataFrame
    fitments: pd.DataFrame
    components: pd.DataFrame
    points: pd.DataFrame
    parts: pd.DataFrame
    part_uses: pd.DataFrame
    stock: pd.DataFrame
    orders: pd.DataFrame
    sites: pd.DataFrame
    teardowns: pd.DataFrame
    findings: pd.DataFrame
    issued_parts: pd.DataFrame
    planned: pd.DataFrame


def know(con: duckdb.DuckDBPyConnection, as_of: date | None = None) -> date:
    """Make the `known_*` tables as of a day; by default the last day on which anything was seen.

    as_of: a plain date looks at the history as it was true on that day, `AsKnown` as the store knew it then. Returns
    that day. Raises NothingToComputeError when no day is given and the history holds no date, UsageError when the day
    lies before everything in the history, or before the first load where it is asked as known.
    """
    if isinstance(as_of, AsKnown):  # the temporary tables it makes stand before the store's own
        _check_known(con, as_of)
        as_known(con, datetime.combine(as_of, time.max).astimezone())
    today = last_day(con)
    if today is None:
        raise NothingToComputeError(
            "The history holds no dated row yet (no teardown, fitment, odometer reading, issue or count). "
            "Load at least units, components, teardowns and findings."
        )
    if as_of is None:
        as_of = today
    for name in _ORDER:
        execute(con, _FOLDER, name, as_of=as_of)
    if as_of < today and last_known_day(con) is None:
        raise UsageError(f"--as-of {as_of} lies before everything in this history; its last day is {today}.")
    return as_of


def first_load(con: duckdb.DuckDBPyConnection) -> date | None:
    """The day of the first load of this store, None where nothing was loaded yet."""
    ((moment,),) = execute(con, "history/sql/days", "first_load").fetchall()
    return None if moment is None else moment.replace(tzinfo=UTC).astimezone().date()


def _check_known(con: duckdb.DuckDBPyConnection, as_of: AsKnown) -> None:
    first = first_load(con)
    if first is None or as_of < first:
        raise UsageError(
            f"On {as_of} this store knew nothing yet: its first load is of {first}. "
            f"`--as-of {as_of}` looks at the history as it was true on that day."
        )


def last_day(con: duckdb.DuckDBPyConnection) -> date | None:
    """The last day on which anything was seen, None in a history without dates."""
    return _one_day(con, "today")


def last_known_day(con: duckdb.DuckDBPyConnection) -> date | None:
    """The same among the `known_*` tables."""
    return _one_day(con, "last_known")


def history_frames(con: duckdb.DuckDBPyConnection, as_of: date, distance: str) -> History:
    """The `known_*` tables as frames; `know` must have run on this connection."""
    return History(as_of=as_of, distance=distance, **{table.name: _frame(con, table) for table in TABLES})


def table_frame(con: duckdb.DuckDBPyConnection, name: str) -> pd.DataFrame:
    """One `known_*` table as a frame, with the dtypes that `History` documents."""
    return _frame(con, TABLE_BY_NAME[name])


def _one_day(con: duckdb.DuckDBPyConnection, name: str) -> date | None:
    (row,) = execute(con, "history/sql/days", name).fetchall()
    day: date | None = row[0]
    return day


def _frame(con: duckdb.DuckDBPyConnection, table: Table) -> pd.DataFrame:
    frame = frame_of(con, f"known_{table.name}")
    return frame.astype({column.name: _DTYPES[column.kind] for column in table.columns})
