"""The public functions that keep a store in order; `commands` gives them out with the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import pandas as pd

from rebuildstats.answers import Answer
from rebuildstats.history import keep
from rebuildstats.history import store as stores
from rebuildstats.history.corrections import Correction, undo_last_load, withdraw_teardown
from rebuildstats.history.export import export_rejects, export_tables
from rebuildstats.history.proposal import propose_mapping


def undo(store: str | Path) -> Answer:
    """Undo the last load, form or withdrawal that has not been undone; UsageError where there is nothing to undo."""
    return _corrected(undo_last_load(store))


def withdraw(store: str | Path, job: str, *, why: str = "") -> Answer:
    """Take a teardown, its findings and its issued parts out of the history; UsageError where there is no such job.

    why: kept with who and when. The same rows loaded again stay withdrawn; a corrected teardown brings the job back.
    """
    return _corrected(withdraw_teardown(store, job, why=why))


def settings(
    store: str | Path,
    *,
    comeback_distance: float | None = None,
    comeback_days: int | None = None,
    benches: bool | None = None,
) -> Answer:
    """The store's settings (setting, value), after changing those given. The unit of distance is fixed for good."""
    given = (comeback_distance, comeback_days, benches)
    if all(value is None for value in given):
        with stores.reading(store) as con:
            now = stores.settings(con)
    else:
        now = stores.change_settings(
            store, comeback_distance=comeback_distance, comeback_days=comeback_days, benches_shown=benches
        )
    rows = pd.DataFrame(
        [
            (name, f"{value:g}" if isinstance(value, float) else str(value).lower())
            for name, value in asdict(now).items()
        ],
        columns=["setting", "value"],
    )
    return Answer(rows, result=now)


def backup(store: str | Path, file: str | Path) -> Answer:
    """Copy the store to a new file while it is in use; the copy is opened again and found equal."""
    done = keep.backup(store, file)
    rows = pd.DataFrame({"file": [str(done.path)], "rows": [done.rows], "bytes": [done.size]})
    return Answer(rows, result=done)


def restore(store: str | Path, file: str | Path) -> Answer:
    """Make the store hold exactly what a backup holds; what stood there before is backed up beside it first."""
    done = keep.restore(store, file)
    before = None if done.before is None else str(done.before)
    rows = pd.DataFrame({"store": [str(done.path)], "rows": [done.rows], "before": pd.Series([before], dtype="str")})
    return Answer(rows, result=done)


def export(store: str | Path, folder: str | Path, *, form: str = "csv") -> Answer:
    """Write the tables as CSV or Parquet into a new or empty folder; loaded again they give the same store."""
    return _files(export_tables(store, folder, form=form))


def rejects(store: str | Path, folder: str | Path) -> Answer:
    """Write the rows that did not go in, a CSV file per table, to be corrected and loaded again."""
    return _files(export_rejects(store, folder))


def check(store: str | Path) -> Answer:
    """Read every row of the store and look for what must not be; no rows in the answer: all is well."""
    done = keep.check(store)
    said = "all is well" if done.faults.empty else f"{len(done.faults)} kinds of fault"
    return Answer(done.frame(), notes=(f"{done.rows:,} rows read: {said}.",), result=done)


def propose(paths: Sequence[str | Path]) -> str:
    """The text of a mapping file for sheets that look otherwise, with a comment wherever it is a guess."""
    return propose_mapping(paths)


def _files(files: Sequence[Path]) -> Answer:
    return Answer(pd.DataFrame({"file": pd.Series([str(file) for file in files], dtype="str")}), result=tuple(files))


def _corrected(done: Correction) -> Answer:
    rows = pd.DataFrame(list(done.rows.items()), columns=["table", "rows"])
    return Answer(rows, notes=(f"{done.what[0].upper()}{done.what[1:]}.",), result=done)
