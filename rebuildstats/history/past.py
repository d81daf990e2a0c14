"""A teardown as it stands and as it stood: the rows a form opens with, and who changed what, when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from rebuildstats.errors import UsageError
from rebuildstats.history import store as stores
from rebuildstats.history.contract import TABLE_BY_NAME
from rebuildstats.history.statements import quoted, statement
from rebuildstats.history.tables import kept_columns

_TABLES = ("teardowns", "findings")
# What tells the rows of one job apart, per table.
_KEYS = {
    "teardowns": ["job"],
    "findings": ["job", "component", "point", "position"],
    "issued_parts": ["job", "issued_on", "part", "slip", "_twin"],
}
CHANGES = ["at", "who", "table", "component", "point", "position", "column", "before", "after"]


@dataclass(frozen=True, slots=True)
class StoredJob:
    """One teardown of the store.

    teardown: contract column -> value (None: empty). findings: the contract's columns, a row per finding. written_at
    (UTC), written_by: the load that wrote the teardown's row. changes: what was otherwise before, the latest change
    first: at (UTC), who, table, component, point, position, column, before, after (text; missing: nothing).
    """

    teardown: dict[str, Any]
    findings: pd.DataFrame
    written_at: pd.Timestamp
    written_by: str
    changes: pd.DataFrame


def stored_job(path: str | Path, job: str) -> StoredJob:
    """A teardown with its findings as they are stored, and its past. Raises UsageError where there is no such job."""
    with stores.reading(path) as con:
        now, before = _rows(con, job, _TABLES)
    if now["teardowns"].empty:
        raise UsageError(f"There is no teardown with job {job}.")
    head = now["teardowns"].iloc[0]
    return StoredJob(
        teardown={c.name: _plain(head[c.name]) for c in TABLE_BY_NAME["teardowns"].columns},
        findings=now["findings"][[c.name for c in TABLE_BY_NAME["findings"].columns]],
        written_at=pd.Timestamp(head["at"]),
        written_by=str(head["who"]),
        changes=_all_changes(now, before),
    )


def changes_of_job(con: duckdb.DuckDBPyConnection, job: str) -> pd.DataFrame:
    """Every change of one job's rows, its issued parts among them, as `StoredJob.changes`; also of a job that was
    withdrawn. Raises UsageError for a job that never was.
    """
    now, before = _rows(con, job, tuple(_KEYS))
    if all(frame.empty for frame in (*now.values(), *before.values())):
        raise UsageError(f"There is no teardown with job {job}, and there never was one.")
    return _all_changes(now, before)


Rows = dict[str, pd.DataFrame]


def _rows(con: duckdb.DuckDBPyConnection, job: str, names: Sequence[str]) -> tuple[Rows, Rows]:
    now, before = {}, {}
    for name in names:
        columns = ", ".join(f"r.{quoted(column)}" for column in kept_columns(TABLE_BY_NAME[name]))
        now[name] = con.execute(statement("past/job_now", columns=columns, table=quoted(name)), {"job": job}).df()
        before[name] = con.execute(statement("past/job_before", columns=columns, table=quoted(name)), {"job": job}).df()
    return now, before


def _all_changes(now: Rows, before: Rows) -> pd.DataFrame:
    changes = pd.concat([_changes(name, now[name], before[name]) for name in now], ignore_index=True)
    order = ["at", "table", "component", "point"]
    return changes.sort_values(order, ascending=[False, True, True, True], ignore_index=True)


def _changes(name: str, now: pd.DataFrame, before: pd.DataFrame) -> pd.DataFrame:
    """Every value that was otherwise before, each row of the past beside the one that came in its place."""
    keys = _KEYS[name]
    own = [c.name for c in TABLE_BY_NAME[name].columns if c.name != "job"]
    columns = [column for column in own if column not in keys or name == "issued_parts"]
    found = []
    for key, past in before.groupby(keys, sort=False):
        place = key if isinstance(key, tuple) else (key,)
        mine = now
        for column, value in zip(keys, place, strict=True):
            mine = mine[mine[column] == value]
        versions = [row for _, row in past.iterrows()]
        after = [*versions[1:], mine.iloc[0] if len(mine) else None]
        for old, new in zip(versions, after, strict=True):
            told = {"at": old["at"], "who": old["who"], "table": name} | dict(zip(keys, place, strict=True))
            if new is None:
                found.append(told | {"column": "the whole row", "before": _told(old, columns), "after": None})
                continue
            pairs = [(column, _text(old[column]), _text(new[column])) for column in columns]
            found += [told | {"column": c, "before": was, "after": is_now} for c, was, is_now in pairs if was != is_now]
    return pd.DataFrame(found, columns=CHANGES)


def _told(row: pd.Series, columns: list[str]) -> str:
    return ", ".join(f"{column} {_text(row[column])}" for column in columns if _text(row[column]) is not None)


def _text(value: Any) -> str | None:
    value = _plain(value)
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, float):
        return f"{value:g}" if abs(value) < 100_000 else f"{value:.0f}"
    return None if value is None else str(value)


def _plain(value: Any) -> Any:
    return None if pd.isna(value) else value
