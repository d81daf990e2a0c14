"""From a known history to its life records: runs the relations of `sql/` in the order of their names.

The rules are those of the contract ("Unit mileage", "From findings to lives"); each relation says in its first line
what a row is. Method: teardown findings as inspection data, Meeker, Escobar & Pascual (2022), ch. 2 and 11.
"""

from __future__ import annotations

from datetime import date

import duckdb
import pandas as pd

from rebuildstats.history.relations import execute, frame_of, names
from rebuildstats.life_records.records import Records

_FOLDER = "life_records/sql"

# Where each frame of the records comes from.
_RELATIONS = {
    "lives": "lives",
    "unit_lives": "unit_lives",
    "teardowns": "teardowns_aged",
    "outcomes": "outcomes",
    "inspections": "inspections",
    "units": "units_today",
    "positions": "positions_today",
    "usage": "vehicle_line",
    "counts": "counts",
}

# Columns whose dtype must not depend on what the history holds; the rest is text.
_NUMBERS = {
    "entry_age", "lower_age", "upper_age", "opened_mileage", "mileage", "age", "unit_age", "good_age", "reading",
    "good_before", "duty_share", "quantity", "labour_hours", "outside_cost", "distance",
}  # fmt: skip
_WHOLE = {"position", "number", "rebuild_number", "rebuilds", "count"}
_DATES = {
    "opened_on", "closed_on", "waiting_from", "waiting_until", "last_opened_on", "fitted_on", "out_of_service_on",
    "read_on",
}  # fmt: skip
_FLAGS = {"first_life", "recorded", "renewed", "failed_before", "in_service", "failed"}


def build(con: duckdb.DuckDBPyConnection, as_of: date, distance: str) -> Records:
    """The life records of the `known_*` tables that `history.known.know` made on this connection.

    as_of: the day `know` returned. distance: the store's unit (mi, km, h), passed on to the result.
    """
    make_relations(con, as_of)
    frames = {name: frame(con, relation) for name, relation in _RELATIONS.items()}
    return Records(as_of=as_of, distance=distance, **frames)


def make_relations(con: duckdb.DuckDBPyConnection, as_of: date) -> None:
    """Make every relation of the life records as a temporary table, in order."""
    for name in names(_FOLDER):
        execute(con, _FOLDER, name, as_of=as_of)


def frame(con: duckdb.DuckDBPyConnection, relation: str) -> pd.DataFrame:
    """One of those relations as a frame with the dtypes that `Records` documents."""
    found = frame_of(con, relation).drop(columns="job_id", errors="ignore")
    return found.astype({column: _dtype(column, found[column]) for column in found.columns})


def _dtype(name: str, column: pd.Series) -> str:
    if name in _NUMBERS:
        return "float64"
    if name in _WHOLE:
        return "Int64" if column.isna().any() or not len(column) else "int64"
    if name in _DATES:
        return "datetime64[us]"
    if name in _FLAGS:
        return "bool"
    return "str"
